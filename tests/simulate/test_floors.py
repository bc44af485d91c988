"""Floors have the amplitude, sign, lay and seat that their recipe asks for."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.simulate.processes import scarified
from assessor.simulate.truth import truth_rows

COARSE = {"px_per_mm": 5.0}


def _truth(recipe: FloorRecipe, seed: int = 2) -> dict[tuple[str, float], float]:
    floor = make_floor(recipe, np.random.default_rng(seed))
    return {(row.quantity, row.band_short_mm): row.value for row in truth_rows(floor)}


@pytest.mark.parametrize(
    ("process", "sq"),
    [
        ("ground", 0.03),
        ("shot", 0.1),
        ("scarified", 0.6),
        ("scabbled", 0.9),
        ("aggregate", 0.4),
        ("fractal", 1.4),
    ],
)
def test_band_sq_is_the_one_asked_for(process: str, sq: float) -> None:
    # The scaling and the truth use different code (area averages against plain convolution): they agree to 1 %.
    assert _truth(FloorRecipe(process, sq, **COARSE))["Sq", 2.5] == pytest.approx(sq, rel=0.01)


def test_full_band_sq_is_the_one_asked_for() -> None:
    floor = make_floor(FloorRecipe("fractal", 0.2, band_mm=None, **COARSE), np.random.default_rng(1))
    n = floor.height_mm.shape[0]
    half = round(54 * floor.px_per_mm)
    part = floor.height_mm[n // 2 - half : n // 2 + half, n // 2 - half : n // 2 + half].astype(float)
    y, x = np.mgrid[-1 : 1 : part.shape[0] * 1j, -1 : 1 : part.shape[1] * 1j]
    design = np.stack([np.ones(part.size), x.ravel(), y.ravel()], axis=1)
    rest = part.ravel() - design @ np.linalg.lstsq(design, part.ravel(), rcond=None)[0]
    assert rest.std() == pytest.approx(0.2, rel=0.005)


def test_bumps_and_pits_have_opposite_skewness() -> None:
    # A wrong sign somewhere turns peaks into pits and leaves Sq alone; Ssk tells (design section 4).
    bumps = _truth(FloorRecipe("bumps", 0.1, **COARSE))
    pits = _truth(FloorRecipe("pits", 0.1, **COARSE))
    assert bumps["Ssk", 2.5] > 2
    assert pits["Ssk", 2.5] == pytest.approx(-bumps["Ssk", 2.5], rel=1e-3)
    assert bumps["MPD", 2.5] > 4 * pits["MPD", 2.5]


def test_the_card_rests_on_the_peaks() -> None:
    floor = make_floor(FloorRecipe("shot", 0.3, paper_mm=0.25, **COARSE), np.random.default_rng(3))
    assert np.quantile(floor.height_mm, 0.9995) == pytest.approx(-0.25, abs=0.02)


@pytest.mark.parametrize("lay_deg", [20.0, 75.0, 140.0])
def test_ridges_run_along_the_lay_in_the_card_frame(lay_deg: float) -> None:
    """Slopes along the lay are the weakest; angles count counter-clockwise with y up, so rows are flipped."""
    field = scarified(700, 5.0, 0.5, np.random.default_rng(4), lay_deg)
    down, along = np.gradient(field)
    east, north = along, -down
    tensor = np.array([[(east**2).mean(), (east * north).mean()], [(east * north).mean(), (north**2).mean()]])
    values, vectors = np.linalg.eigh(tensor)
    lay = np.rad2deg(np.arctan2(vectors[1, 0], vectors[0, 0])) % 180
    assert abs((lay - lay_deg + 90) % 180 - 90) < 6
    assert values[1] > 2 * values[0]


def test_same_seed_same_floor() -> None:
    one, two, other = (
        make_floor(FloorRecipe("ground", 0.05, **COARSE), np.random.default_rng(s)) for s in (9, 9, 10)
    )
    assert np.array_equal(one.height_mm, two.height_mm)
    assert np.array_equal(one.albedo_linear, two.albedo_linear)
    assert not np.array_equal(one.height_mm, other.height_mm)


def test_albedo_and_slopes_are_physical() -> None:
    floor = make_floor(FloorRecipe("scabbled", 1.3, **COARSE), np.random.default_rng(6))
    assert floor.albedo_linear.min() >= 0.03
    assert floor.albedo_linear.max() <= 0.85
    assert 0.15 < np.median(floor.albedo_linear) < 0.55
    slope = np.abs(np.diff(floor.height_mm, axis=1)) * floor.px_per_mm
    assert np.quantile(slope, 0.995) < 2.6


def test_stones_cover_what_is_asked_and_never_overlap() -> None:
    floor = make_floor(FloorRecipe("aggregate", 0.5, stone_fraction=0.4, **COARSE), np.random.default_rng(8))
    labels = floor.stones.labels
    assert (labels > 0).mean() == pytest.approx(0.4, abs=0.03)
    assert labels.max() == floor.stones.sizes_mm.size
    assert floor.height_mm[labels > 0].mean() > floor.height_mm[labels == 0].mean()


def test_unknown_process_and_missing_data_are_refused() -> None:
    with pytest.raises(ValueError, match=r"process must be one of ground, .*, not 'polished'"):
        make_floor(FloorRecipe("polished"), np.random.default_rng(0))
    with pytest.raises(ValueError, match="process grit needs data_dir"):
        make_floor(FloorRecipe("grit"), np.random.default_rng(0))
