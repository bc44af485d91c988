"""Tags laid in rendered light: where they land, how bright they are, and plans that depend on the seed only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.tag import Tag
from assessor.card.tag_sheet import CODE_AT_MM, CODE_MM, HEIGHT_MM, WIDTH_MM
from assessor.simulate.camera import ViewRecipe, place_camera
from assessor.simulate.light import LightRecipe
from assessor.simulate.tag import LEVEL_MM, LaidTag, beside, lay_tags
from assessor.simulate.tag_catalogue import CASES, JOB, paper_corners_mm, plan_tags

SIZE = (1200, 900)
CAMERA = place_camera("a", ViewRecipe(30.0, 10.0, 400.0, focal_px=900.0, roll_deg=0.0), SIZE)
TAG = LaidTag(Tag("K7QX", 3, 7, "after"), (60.0, -40.0), 25.0)


def painted(tag: LaidTag, light: LightRecipe) -> np.ndarray:
    image = np.zeros((SIZE[1], SIZE[0], 3), np.float32)
    lay_tags(image, CAMERA, (tag,), light)
    return image


def test_a_tag_covers_its_paper_and_nothing_else() -> None:
    image = painted(TAG, LightRecipe())
    corners = CAMERA.project(np.column_stack([paper_corners_mm(TAG), np.full(4, LEVEL_MM)]))
    x, y = corners.T
    area = 0.5 * abs((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
    assert (image[..., 1] > 0.001).sum() == pytest.approx(area, rel=0.03)
    rows, columns = np.nonzero(image[..., 1] > 0.001)
    assert columns.min() == pytest.approx(x.min(), abs=2) and columns.max() == pytest.approx(x.max(), abs=2)
    assert rows.min() == pytest.approx(y.min(), abs=2) and rows.max() == pytest.approx(y.max(), abs=2)


def test_its_paper_is_as_bright_as_paper_in_that_light() -> None:
    """Closed form: an even sky gives 0.85 of its colour, a torch the inverse square and the cosine."""
    bare = (CODE_AT_MM[0], HEIGHT_MM / 2 - 2.0)  # above the code there is only paper
    turn = np.deg2rad(TAG.turn_deg)
    at = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ bare + TAG.at_mm
    column, row = np.rint(CAMERA.project(np.array([[*at, LEVEL_MM]]))[0]).astype(int)
    sky = LightRecipe("overcast", ambient_rgb=(0.9, 1.0, 1.1))
    assert painted(TAG, sky)[row, column] == pytest.approx(0.85 * np.array(sky.ambient_rgb), rel=0.02)
    torch = LightRecipe("torch", 0.0, 30.0, direct=1.0, distance_mm=400.0)
    lamp = np.array(torch.lamp_mm)
    line = lamp - [*at, LEVEL_MM]
    # Inverse square and the cosine, over the same at the window's centre.
    want = (line[2] / np.linalg.norm(line) ** 3) / (lamp[2] / np.linalg.norm(lamp) ** 3)
    assert painted(TAG, torch)[row, column, 1] == pytest.approx(0.85 * want, rel=0.03)


def test_a_streak_darkens_a_part_of_the_code() -> None:
    clean, streaked = painted(TAG, LightRecipe()), painted(replace(TAG, scratched=0.2), LightRecipe())
    changed = np.abs(clean - streaked)[..., 1] > 0.02
    # Of the white half of a fifth of the code; black modules under it change by less.
    px_per_mm = 900.0 / 400.0
    assert 0.3 < changed.sum() / (0.2 * CODE_MM**2 * px_per_mm**2) < 1.1


def test_a_tag_beside_the_sheet_points_to_it() -> None:
    half = (105.0, 148.5)
    for side, corner in (("top", 0), ("right", 0), ("bottom", 0), ("left", 0)):
        x, y, turn = beside(side, 20.0, 3.0, half)
        corners = paper_corners_mm(LaidTag(TAG.tag, (x, y), turn))
        near = corners[[corner, 1]]  # the arrow edge is the tag's lower one
        off = np.abs(near) - half
        assert off.max(1) == pytest.approx([3.0, 3.0])
        assert np.linalg.norm(near[0] - near[1]) == pytest.approx(WIDTH_MM)


def test_plans_depend_on_seed_and_place_only() -> None:
    few, many = plan_tags(3, 9), plan_tags(12, 9)
    assert few == many[:3]
    assert {plan.case for plan in many} == set(CASES)
    for plan in many:
        jobs = {laid.tag.job_code for laid in plan.recipe.tags}
        assert len(plan.recipe.tags) == {"none": 0, "two": 2}.get(plan.case, 1)
        assert (jobs == {JOB}) == (plan.case not in ("none", "other-job"))
