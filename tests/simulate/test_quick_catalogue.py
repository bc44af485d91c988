"""Quick captures: spread evenly, wide in light and albedo, and held against a truth that is worked out here anew."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from assessor.grading.scale import load_scale
from assessor.simulate.albedo import photo_albedo
from assessor.simulate.camera import ViewRecipe
from assessor.simulate.capture import render_capture
from assessor.simulate.catalogue import Planned
from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe, direct_share
from assessor.simulate.quick_catalogue import (
    ALBEDOS,
    DAMP,
    REACH_MM,
    SINGLE_LIGHTS,
    levels_mm,
    plan_pair,
    plan_single,
    tags_of,
)
from assessor.simulate.torchlight import torch_shots
from assessor.simulate.true_grade import SCALE_PROCESS, true_grade
from assessor.simulate.truth import quick_rows, true_sq


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as ../shared/data, with two small maps."""
    folder = tmp_path_factory.mktemp("data")
    (folder / "concrete_albedo").mkdir()
    rng = np.random.default_rng(0)
    for name in ("one_diff_1k.jpg", "two_diff_1k.jpg", "mud_diff_1k.jpg"):
        cv2.imwrite(
            str(folder / "concrete_albedo" / name), rng.integers(60, 200, (64, 64, 3)).astype(np.uint8)
        )
    return folder


@pytest.fixture(scope="module")
def singles(data: Path) -> list[Planned]:
    return plan_single(450, 5, data_dir=data)


@pytest.fixture(scope="module")
def pairs(data: Path) -> list[Planned]:
    return plan_pair(270, 5, data_dir=data)


def test_every_process_meets_every_light_and_albedo(singles: list[Planned], pairs: list[Planned]) -> None:
    for plans in (singles, pairs):
        assert {p.recipe.floor.process for p in plans} == set(REACH_MM)
        for process in REACH_MM:
            own = [p for p in plans if p.recipe.floor.process == process]
            sources = Counter(tags_of(p.recipe)["albedo"] for p in own)
            assert set(sources) == set(ALBEDOS)
            assert abs(sources["paste"] - sources["photo"]) <= 2
    low = sum(tags_of(p.recipe)["rule"] == "guide" for p in singles)
    # Three of five by plan; some of the lights anywhere happen to stand right.
    assert 0.6 <= low / len(singles) <= 0.75
    assert len(SINGLE_LIGHTS) == 5
    kinds = Counter(p.recipe.light.kind for p in singles)
    assert set(kinds) == {"overcast", "window", "ceiling", "sun", "lamp", "torch"}
    sealed = sum(p.recipe.floor.sealed > 0 for p in singles) / len(singles)
    assert DAMP / 2 < sealed < DAMP * 2


def test_levels_run_over_what_each_process_leaves(singles: list[Planned]) -> None:
    for process, (low, high) in REACH_MM.items():
        steps = levels_mm(process)
        assert (steps[0], steps[-1]) == (pytest.approx(low), pytest.approx(high))
        assert np.ptp(np.diff(np.log(steps))) < 1e-9
        own = [p.recipe.floor.sq_mm for p in singles if p.recipe.floor.process == process]
        assert low <= min(own) < 1.3 * low
        assert high / 1.3 < max(own) <= high
    every = [p.recipe.floor.sq_mm for p in singles]
    assert min(every) < 0.025
    assert max(every) > 1.4


def test_a_plan_depends_on_seed_and_index_alone(data: Path) -> None:
    assert plan_single(40, 3, data_dir=data)[:13] == plan_single(13, 3, data_dir=data)
    assert plan_pair(40, 3, data_dir=data)[:13] == plan_pair(13, 3, data_dir=data)
    assert plan_single(20, 3) != plan_single(20, 4)
    assert [p.recipe.name for p in plan_single(2, 7)] == ["s07-000-ground", "s07-001-shot"]
    assert plan_pair(1, 7)[0].recipe.name == "q07-000-ground"


def test_without_data_measured_shapes_and_maps_are_left_out() -> None:
    for plans in (plan_single(60, 1), plan_pair(60, 1)):
        assert not {p.recipe.floor.process for p in plans} & {"grit", "relief"}
        assert {p.recipe.floor.albedo for p in plans} == {"paste"}


def test_singles_are_one_photo_from_near_straight_above(singles: list[Planned]) -> None:
    for plan in singles:
        recipe = plan.recipe
        assert (recipe.kind, recipe.quick, recipe.photos, recipe.torch) == ("single", True, 1, None)
        assert recipe.tilt_deg == (0.0, 12.0)
        assert recipe.distance_mm == (300.0, 420.0)
        light = recipe.light
        assert light.kind != "torch" or light.room is not None
        if direct_share(light) > 0:
            assert 8 <= light.elevation_deg <= 80
            assert 0.02 <= 1 - light.direct <= 0.9
    hard = [p.recipe.light for p in singles if direct_share(p.recipe.light) > 0]
    assert min(light.elevation_deg for light in hard) < 14
    assert max(light.elevation_deg for light in hard) > 70
    assert max(1 - light.direct for light in hard) > 0.7


def test_pairs_have_the_torch_on_opposite_sides(pairs: list[Planned]) -> None:
    shares = []
    for plan in pairs:
        recipe = plan.recipe
        assert (recipe.kind, recipe.quick) == ("torch", True)
        assert recipe.torch is not None
        shots = torch_shots(
            recipe.torch, recipe.light, ViewRecipe(0.0), np.random.default_rng([recipe.seed, 20])
        )
        lights = [shot.light for _, shot in shots]
        assert len(lights) == 2
        assert lights[0] is not None
        assert lights[1] is not None
        apart = abs((lights[1].azimuth_deg - lights[0].azimuth_deg) % 360 - 180)
        assert apart <= 25
        assert all(15 <= light.elevation_deg <= 45 for light in lights if light is not None)
        shares.append(recipe.torch.share)
    assert 0.3 <= min(shares) < 0.35
    assert 0.9 < max(shares) <= 0.95


def test_tags_say_what_a_recipe_is(singles: list[Planned]) -> None:
    base = singles[0].recipe
    lamp = LightRecipe("lamp", 10.0, 30.0, direct=0.7)
    floor = FloorRecipe("shot", 0.1, contrast=0.6, sealed=0.2)
    tags = tags_of(replace(base, light=lamp, floor=floor))
    assert tags == {
        "process": "shot", "light": "lamp", "elevation": "20-35 deg", "share": "0.65-1", "albedo": "paste", "map": "-",
        "contrast": "0.5-0.85 x", "patches": "sealed", "rule": "guide",
    }  # fmt: skip
    high = tags_of(replace(base, light=replace(lamp, elevation_deg=70.0)))
    assert (high["elevation"], high["rule"]) == ("65-90 deg", "other")
    even = tags_of(replace(base, light=LightRecipe("overcast")))
    assert (even["elevation"], even["share"], even["rule"]) == ("none", "none", "other")


def test_contrast_of_a_map_is_a_power_and_one_changes_nothing(data: Path) -> None:
    file = data / "concrete_albedo" / "one_diff_1k.jpg"

    def spread(contrast: float) -> float:
        tile = photo_albedo(file, 200, 5.0, np.random.default_rng(3), contrast=contrast)
        return float(np.log(tile[..., 1]).std())

    plain = photo_albedo(file, 200, 5.0, np.random.default_rng(3))
    assert np.array_equal(plain, photo_albedo(file, 200, 5.0, np.random.default_rng(3), contrast=1.0))
    assert spread(0.5) < 0.7 * spread(1.0) < spread(1.0) < 0.8 * spread(1.6)


def test_the_true_grade_is_the_scales_most_probable_one() -> None:
    scale = load_scale("prior-10")
    # Beside the code: where one grade's curve passes through an amplitude, no other grade is likelier.
    for process, name in SCALE_PROCESS.items():
        (curve,) = (c for c in scale.curves if c.process == name and c.band.short_mm == 0.8)
        told = [true_grade(float(np.exp(median)), process) for median in curve.log_median[3:8]]
        assert told == [4, 5, 6, 7, 8]
    assert true_grade(0.0, "flat") == 1
    assert true_grade(20.0, "scabbled") == 10
    grades = [true_grade(sq, "fractal") for sq in np.geomspace(0.01, 2.0, 30)]
    assert grades == sorted(grades)


def test_quick_rows_hold_what_is_estimated() -> None:
    floor = make_floor(
        FloorRecipe("scarified", 0.5, band_mm=(0.8, 25.0), px_per_mm=10.0, lay_deg=30.0),
        np.random.default_rng(1),
    )
    rows = {row.quantity: row for row in quick_rows(floor)}
    assert set(rows) == {"Sq", "grade", "direction_deg"}
    assert rows["Sq"].value == pytest.approx(0.5, rel=0.02)
    assert rows["grade"].value == true_grade(rows["Sq"].value, "scarified")
    assert (rows["grade"].band_short_mm, rows["direction_deg"].value) == (None, 30.0)


def test_a_coarser_grid_keeps_the_truth() -> None:
    # Rendered at 10 samples per mm to be quick: Sq in 0.8-25 mm is the same as at 20.
    for process, level in (("ground", 0.05), ("shot", 0.2)):
        found = []
        for density in (10.0, 20.0):
            recipe = FloorRecipe(process, level, band_mm=None, px_per_mm=density, fine=0.1)
            floor = make_floor(recipe, np.random.default_rng(4))
            found.append(true_sq(floor, 0.8, 25.0) / floor.height_mm.std())
        # Other random numbers on another grid: the share of the band agrees, not the floor.
        assert found[0] == pytest.approx(found[1], rel=0.12)


def test_a_small_quick_capture_is_rendered(data: Path) -> None:
    (plan,) = plan_single(1, 2, data_dir=data, small=True)
    capture = render_capture(plan.recipe)
    assert len(capture.photos) == 1
    assert [row.quantity for row in capture.truth()][:2] == ["Sq", "grade"]
