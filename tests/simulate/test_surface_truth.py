"""Truth of surface captures: masks in the card's frame, fractions by area, plans that mix what they should."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from assessor.simulate.capture import CaptureRecipe, RenderedCapture, extra_views, plan_views, render_capture
from assessor.simulate.caster import CasterRecipe
from assessor.simulate.cut_stones import FAMILIES, area_shares, pack_sections, paint_family
from assessor.simulate.dirt_catalogue import MAPS, ROUND, plan_surface
from assessor.simulate.dirt_recipe import DirtRecipe
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sheet import SheetRecipe
from assessor.simulate.stones import Stones
from assessor.simulate.surface_truth import surface_rows, surface_tags, true_patches

ROOT = Path(__file__).resolve().parents[2]
SMALL = CaptureRecipe(
    "tiny",
    FloorRecipe("ground", 0.05, px_per_mm=5.0, family="multi", stone_fraction=0.2),
    light=LightRecipe("sun", 90.0, 35.0, direct=0.7),
    sheet=SheetRecipe(scale_x=0.98, scale_y=0.98, cut_mm=0.0),
    photos=1,
    size_px=(1600, 1200),
    focal_px=1160.0,
)


def _render(**changes: object) -> RenderedCapture:
    return render_capture(replace(SMALL, **changes))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def sealed() -> RenderedCapture:
    """A sealer film up and right of the middle, with a low photo toward the sun."""
    film = DirtRecipe("sealer", (25.0, 15.0), 36.0, contrast=-0.2, edge_mm=1.0, gloss=0.9, seed=3)
    return _render(floor=replace(SMALL.floor, dirt=(film,)), low_photo=True)


def test_the_mask_is_the_window_about_the_cards_centre_row_0_on_top(sealed: RenderedCapture) -> None:
    rows, files = surface_rows(sealed)
    (patch,) = (row for row in rows if row.quantity == "patch")
    assert (patch.value, patch.mask, patch.px_per_mm) == ("coating", "masks/tiny/patch1.png", 5.0)
    mask = cv2.imdecode(np.frombuffer(files[patch.mask], np.uint8), cv2.IMREAD_UNCHANGED)
    assert set(np.unique(mask)) == {0, 255}
    # The window is 120 mm as drawn, printed at 98 %.
    assert mask.shape == pytest.approx((588, 588), abs=3)
    at_row, at_col = np.nonzero(mask)
    assert at_col.mean() / 5 - mask.shape[1] / 10 == pytest.approx(25, abs=5)
    assert mask.shape[0] / 10 - at_row.mean() / 5 == pytest.approx(15, abs=5)
    others = {row.quantity: row.value for row in rows if row.quantity != "patch"}
    assert others["false_patches"] == 0.0
    assert others["coarse_fraction"] == pytest.approx(0.2, abs=0.08)
    assert float(others["visible_fraction"]) >= float(others["coarse_fraction"])


def test_only_the_low_photo_shows_the_film(sealed: RenderedCapture) -> None:
    assert len(sealed.photos) == 2
    (patch,) = surface_tags(sealed)["patches"]  # type: ignore[misc]
    straight, low = patch["shine"]
    assert straight < 0.02
    assert low > 0.2
    # In the picture itself: the patch against the floor round it, in the green of the bytes.
    picture = cv2.imdecode(np.frombuffer(sealed.photos["tiny-2.jpg"], np.uint8), cv2.IMREAD_COLOR)
    at = np.array([[25.0, 15.0, -0.4], [-30.0, 15.0, -0.4]])
    shine, bare = (
        float(picture[int(y) - 8 : int(y) + 8, int(x) - 8 : int(x) + 8, 1].mean())
        for x, y in sealed.cameras[1].project(at)
    )
    assert shine > bare + 10


def test_the_low_photo_looks_toward_the_light() -> None:
    recipe = replace(SMALL, low_photo=True, again=True)
    views = plan_views(recipe, np.random.default_rng(2))
    again, low = extra_views(recipe, views)
    assert 50 <= low.tilt_deg <= 62
    assert abs((low.azimuth_deg - 270 + 180) % 360 - 180) <= 6
    assert abs((again.azimuth_deg - views[0].azimuth_deg + 180) % 360 - 180) <= 12
    assert recipe.kind == "single"


def test_a_shadow_is_a_patch_in_its_own_photo_only() -> None:
    caster = CasterRecipe("arm", (10.0, 0.0), 400.0)
    capture = _render(again=True, casters=(caster, replace(caster, at_mm=(300.0, 300.0))))
    (shadow,) = true_patches(capture)
    assert (shadow.kind, shadow.photo) == ("shadow", 1)
    assert shadow.contrast == pytest.approx(np.log(0.3), abs=0.25)
    first, second = (
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE) for data in capture.photos.values()
    )
    spots = []
    for picture, camera in zip((first, second), capture.cameras, strict=True):
        ((x, y),) = camera.project(np.array([[10.0, 0.0, -0.4]]))
        spots.append(float(picture[int(y) - 15 : int(y) + 15, int(x) - 15 : int(x) + 15].mean()))
    assert spots[0] < 0.75 * spots[1]


def test_a_clean_floor_has_no_patch(sealed: RenderedCapture) -> None:
    crack = DirtRecipe("crack", edge_mm=0.5, seed=2)
    clean = _render(floor=replace(SMALL.floor, dirt=(crack,)))
    rows, files = surface_rows(clean)
    assert files == {}
    assert [row.quantity for row in rows] == ["false_patches", "coarse_fraction", "visible_fraction"]
    tags = surface_tags(clean)
    assert (tags["clean"], tags["kind"], tags["family"]) == ("yes", "none", "multi")


def test_islands_are_patches_of_their_own_unless_they_touch() -> None:
    islands = DirtRecipe("islands", size_mm=300, amount=0.1, contrast=-0.4, seed=1)
    found = true_patches(_render(floor=replace(SMALL.floor, sq_mm=0.1, dirt=(islands,))))
    assert len(found) > 3
    together = np.sum([patch.mask for patch in found], axis=0)
    assert together.max() == 1
    assert {patch.kind for patch in found} == {"coating"}


def test_area_shares_count_by_the_whole_particle() -> None:
    labels = np.zeros((400, 400), np.int32)
    for k, (x, diameter) in enumerate(((100, 6.0), (200, 3.0), (300, 1.5)), 1):
        cv2.circle(labels, (x, 200), round(diameter / 2 * 10), k, -1)
    stones = Stones(labels, np.zeros((400, 400), np.float32), np.array([6.0, 3.0, 1.5]))
    coarse, visible = area_shares(stones, 10.0, 20.0)
    assert coarse == pytest.approx(np.pi * 9 / 1600, rel=0.05)
    assert visible == pytest.approx(np.pi * (9 + 2.25) / 1600, rel=0.05)


@pytest.mark.parametrize("coarse", [0.1, 0.3, 0.45])
def test_sections_cover_what_was_asked(coarse: float) -> None:
    rng = np.random.default_rng(4)
    stones = pack_sections(700, 5.0, rng, coarse=coarse, fine=0.05, largest_mm=18.0)
    got, visible = area_shares(stones, 5.0, 70.0)
    assert got == pytest.approx(coarse, abs=0.05)
    assert visible - got == pytest.approx(0.05, abs=0.03)


@pytest.mark.parametrize("family", FAMILIES)
def test_families_differ_in_how_stones_stand_out(family: str) -> None:
    rng = np.random.default_rng(6)
    stones = pack_sections(700, 5.0, rng, coarse=0.3, fine=0.05, largest_mm=16.0)
    albedo = np.full((700, 700, 3), 0.3, np.float32)
    paint_family(albedo, stones.labels, family, rng)
    stone, paste = albedo[stones.labels > 0][:, 1], albedo[stones.labels == 0][:, 1]
    away = float(np.abs(np.log(stone / np.median(paste))).mean())
    assert (away < 0.3) is (family == "low-contrast")
    assert float(np.median(paste)) == pytest.approx(0.3 if family != "wet-look" else 0.2, abs=0.05)


def test_plans_mix_what_is_asked_for_and_stay_as_they_are() -> None:
    plans = plan_surface(2 * len(ROUND), 5)
    assert [p.recipe for p in plan_surface(7, 5)] == [p.recipe for p in plans[:7]]
    clean = [p for p in plans if p.fault.startswith("clean")]
    assert len(clean) == pytest.approx(len(plans) / 3, abs=2)
    for plan in clean:
        assert all(piece.code is None for piece in plan.recipe.floor.dirt)
    assert all(plan.recipe.casters for plan in plans if plan.fault.startswith("shadow"))
    assert {plan.recipe.kind for plan in plans} == {"single", "angles", "torch"}
    looks = {piece.kind for plan in plans for piece in plan.recipe.floor.dirt}
    assert {"oil", "damp", "tyre", "sealer", "joint", "crack", "mottle", "swirls"} <= looks


def test_only_maps_that_no_training_uses_are_taken(tmp_path: Path) -> None:
    folder = tmp_path / "concrete_albedo"
    folder.mkdir()
    for name in (*MAPS, "asphalt_01", "asphalt_05", "beige_wall_002"):
        (folder / f"{name}_diff_1k.jpg").touch()
    used = {
        Path(p.recipe.floor.albedo).name.split("_diff")[0] for p in plan_surface(99, 5, data_dir=tmp_path)
    }
    assert used - {"paste"} == set(MAPS)


@pytest.mark.slow
def test_check_set_writes_masks_and_the_same_bytes_again(tmp_path: Path) -> None:
    outs = [tmp_path / name for name in "ab"]
    for out in outs:
        arguments = (
            str(out),
            "--kind",
            "surface",
            "--count",
            "3",
            "--seed",
            "9",
            "--small",
            "--workers",
            "1",
        )
        done = subprocess.run(
            [sys.executable, str(ROOT / "scripts" / "check_set"), *arguments, "--data", "/nowhere"],
            capture_output=True, text=True, check=False, timeout=600,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    files = [{p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()} for out in outs]
    assert files[0] == files[1]
    with (outs[0] / "truth.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    patches = [row for row in rows if row["quantity"] == "patch"]
    assert patches
    assert all((outs[0] / row["mask"]).is_file() and float(row["px_per_mm"]) == 5.0 for row in patches)
    notes = json.loads((outs[0] / "captures.json").read_text())
    assert all({"clean", "kind", "contrast", "area_mm2", "family"} <= set(n["tags"]) for n in notes.values())
