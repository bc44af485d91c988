"""Dirt lies where its mask says, is as dark as asked, and what is no patch gets no mask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.simulate.dirt import Soiled, soil_floor
from assessor.simulate.dirt_recipe import FLOOR_LOOKS, PATCH_LOOKS, DirtRecipe
from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.noise import fractal_field
from assessor.simulate.soil import LUMINANCE
from assessor.values import FloatArray

PX_PER_MM = 5.0
N = round(140 * PX_PER_MM)
PAPER_MM = 0.25


def _rough(seed: int = 3) -> FloatArray:
    rng = np.random.default_rng(seed)
    field = fractal_field(N, PX_PER_MM, rng, short_mm=0.8, long_mm=25, hurst=0.6)
    return np.asarray(0.1 * field - 0.8, dtype=np.float32)


def _soil(*dirt: DirtRecipe, height: FloatArray | None = None, grey: float = 0.3) -> Soiled:
    height = np.full((N, N), -0.5, np.float32) if height is None else height
    albedo = np.full((N, N, 3), grey, np.float32)
    labels = np.zeros((N, N), np.int32)
    return soil_floor(height, albedo, labels, PX_PER_MM, dirt, paper_mm=PAPER_MM)


def _place(mask: FloatArray) -> tuple[float, float]:
    """Middle of a mask in mm: x to the right, y up."""
    rows, cols = np.nonzero(mask)
    return float(cols.mean() + 0.5) / PX_PER_MM - 70, 70 - float(rows.mean() + 0.5) / PX_PER_MM


@pytest.mark.parametrize("look", [look for look in PATCH_LOOKS if look not in ("tape", "islands")])
def test_contrast_is_as_asked(look: str) -> None:
    light = look in ("dust", "footprint", "slurry", "laitance", "efflorescence")
    asked = 0.3 if light else -0.35
    size = 280.0 if look == "footprint" else 45.0
    (piece,) = _soil(DirtRecipe(look, size_mm=size, contrast=asked, seed=4), height=_rough()).dirt
    assert piece.contrast == pytest.approx(asked, abs=0.06)
    assert piece.recipe.code == PATCH_LOOKS[look]


@pytest.mark.parametrize(
    "look", ["oil", "damp", "dust", "sealer", "coating", "adhesive", "repair", "laitance"]
)
def test_a_blot_lies_where_it_was_put_and_is_about_as_large(look: str) -> None:
    sizes, places = [], []
    for seed in range(6):
        recipe = DirtRecipe(look, (18.0, -12.0), 40.0, contrast=0.3 if look == "dust" else -0.3, seed=seed)
        mask = _soil(recipe, height=_rough()).dirt[0].cover > 0.5
        sizes.append(np.sqrt(4 * mask.sum() / PX_PER_MM**2 / np.pi))
        places.append(_place(mask))
    assert np.median(sizes) == pytest.approx(40, rel=0.35)
    assert np.median(places, axis=0) == pytest.approx([18, -12], abs=5)


def test_a_strip_of_tape_is_as_wide_as_asked_to_a_tenth_of_a_millimetre() -> None:
    cover = _soil(DirtRecipe("tape", (5.0, 0.0), 30.0, contrast=0.3, seed=1)).dirt[0].cover
    # It runs along x from the left rim: columns near the left are crossed in full.
    across = (cover[:, N // 8 : N // 4] > 0.5).sum(0) / PX_PER_MM
    assert across == pytest.approx(30.0, abs=0.4)


def test_the_rim_is_where_the_effect_is_half_of_its_own() -> None:
    soiled = _soil(DirtRecipe("damp", size_mm=60, contrast=-0.4, edge_mm=14, seed=2))
    drop = np.log(soiled.albedo @ LUMINANCE / 0.3)
    full = float(np.quantile(drop, 0.005))
    rim = np.abs(soiled.dirt[0].cover - 0.5) < 0.05
    assert float(drop[rim].mean()) == pytest.approx(full / 2, rel=0.1)


def test_oil_has_a_softer_edge_than_a_coating() -> None:
    soft = _soil(DirtRecipe("oil", size_mm=60, edge_mm=6, seed=5)).dirt[0].cover
    hard = _soil(DirtRecipe("coating", size_mm=60, edge_mm=0.5, seed=5)).dirt[0].cover
    between = [float(((c > 0.2) & (c < 0.8)).sum() / (c > 0.5).sum()) for c in (soft, hard)]
    assert between[0] > 3 * between[1]


def test_islands_are_left_in_the_lows_and_fill_them() -> None:
    height = _rough()
    recipe = DirtRecipe("islands", size_mm=300, contrast=-0.4, amount=0.15, thickness_mm=0.2, seed=1)
    soiled = _soil(recipe, height=height)
    mask = soiled.dirt[0].cover > 0.5
    assert mask.mean() == pytest.approx(0.15, abs=0.04)
    assert height[mask].mean() < height[~mask].mean() - 0.1
    filled = soiled.height_mm - height
    assert filled[mask].mean() > filled[~mask].mean() + 0.02


def test_a_coat_fills_texture_and_dust_washes_it_out() -> None:
    height = _rough()
    for look, most in (("coating", 0.6), ("dust", 0.95)):
        recipe = DirtRecipe(look, size_mm=70, contrast=0.3, thickness_mm=0.2, edge_mm=1, seed=3)
        soiled = _soil(recipe, height=height)
        inside = soiled.dirt[0].cover > 0.95
        steps = [np.abs(np.diff(h, axis=1))[inside[:, 1:]].mean() for h in (soiled.height_mm, height)]
        assert steps[0] < most * steps[1], look


@pytest.mark.parametrize("look", FLOOR_LOOKS)
def test_what_belongs_to_the_floor_is_no_patch_but_shows(look: str) -> None:
    soiled = _soil(DirtRecipe(look, size_mm=80, edge_mm=3, amount=0.1, seed=6), height=_rough())
    assert soiled.dirt == ()
    assert float(np.std(np.log(soiled.albedo[..., 1]))) > 0.01


def test_ridges_lift_the_card_but_a_leaf_does_not() -> None:
    for look in ("adhesive", "leaf"):
        recipe = DirtRecipe(look, size_mm=60, contrast=-0.4, thickness_mm=1.2, seed=2)
        top = float(_soil(recipe).height_mm.max())
        assert (top > 0) is (look == "leaf")


def test_the_same_recipe_is_the_same_dirt_and_leaves_the_floor_under_it_alone() -> None:
    floor = FloorRecipe("ground", 0.05, px_per_mm=PX_PER_MM, family="multi", stone_fraction=0.2)
    soiled = replace(floor, dirt=(DirtRecipe("oil", (10, 10), 30, seed=8),))
    bare, first, again = (make_floor(r, np.random.default_rng(5)) for r in (floor, soiled, soiled))
    assert np.array_equal(first.albedo_linear, again.albedo_linear)
    assert np.array_equal(first.height_mm, bare.height_mm)
    far = first.dirt[0].cover == 0
    corner = np.zeros_like(far)
    corner[-N // 4 :, : N // 4] = True
    assert np.allclose(first.albedo_linear[far & corner], bare.albedo_linear[far & corner], atol=1e-6)


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="dirt must be one of oil"):
        DirtRecipe("jam")
