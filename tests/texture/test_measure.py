"""The whole path from a height map to a Texture."""

from __future__ import annotations

import math

import numpy as np
import pytest

from assessor.errors import HeightsDisagree
from assessor.flags import FLAGS
from assessor.texture import areal, filters
from assessor.texture.measure import exact_texture, measure_texture
from assessor.texture.profile import mean_profile_depth
from assessor.values import Band, Texture
from tests.texture.surfaces import (
    BARE,
    MAIN,
    PX_PER_MM,
    STEP_MM,
    STRETCH,
    blurred,
    dimples,
    fractal,
    height_map,
    noise,
    noisy_map,
    perfect,
    through,
)

HEIGHTS = ("Sa", "Sq", "Sz", "MPD", "ETD")
PLAIN = ("Ssk", "Sku", "Sdq", "Sdr", "Str")


def value(texture: Texture, name: str, band: Band | None = None) -> float:
    found = texture.get(name, band)
    assert found is not None, name
    return found.value


def test_quantities_are_the_plain_formulas_on_the_filtered_map() -> None:
    surface = fractal(np.random.default_rng(0), 0.2, (540, 520))
    texture = exact_texture(surface, PX_PER_MM)
    for band in (MAIN, STRETCH):
        plain = filters.band_pass(filters.remove_plane(surface), STEP_MM, band).astype(float)
        assert value(texture, "Sq", band) == pytest.approx(areal.sq(plain), rel=1e-4)
        assert value(texture, "Sa", band) == pytest.approx(areal.sa(plain), rel=2e-3)
        assert value(texture, "Sz", band) == pytest.approx(areal.sz(plain), rel=0.03)
        assert value(texture, "Ssk", band) == pytest.approx(areal.ssk(plain), abs=0.01)
        assert value(texture, "Sku", band) == pytest.approx(areal.sku(plain), rel=0.01)
    smooth = filters.low_pass(filters.remove_plane(surface), STEP_MM, 2.5)
    expected = mean_profile_depth(smooth, (STEP_MM, STEP_MM))
    assert value(texture, "MPD") == pytest.approx(expected, rel=0.01)
    assert value(texture, "ETD") == pytest.approx(1.1 * value(texture, "MPD"))


def test_slopes_are_those_of_the_finely_sampled_band() -> None:
    surface = fractal(np.random.default_rng(1), 0.3)
    texture = exact_texture(surface, PX_PER_MM)
    plain = filters.band_pass(filters.remove_plane(surface), STEP_MM, MAIN).astype(float)
    # Differences of neighbours at 0.2 mm lose up to (pi 0.2 / 2.5)^2 / 6 = 1 % of the shortest waves' slope.
    assert value(texture, "Sdq", MAIN) == pytest.approx(areal.sdq(plain, (STEP_MM, STEP_MM)), rel=0.01)
    assert value(texture, "Sdr", MAIN) == pytest.approx(areal.sdr(plain, (STEP_MM, STEP_MM)), rel=0.02)


def test_every_number_says_what_it_is() -> None:
    rng = np.random.default_rng(2)
    texture = measure_texture(noisy_map(rng, fractal(rng, 0.2), 0.01, u_scale=0.01))
    assert {q.name for q in texture.quantities} == {*HEIGHTS, *PLAIN}
    for q in texture.quantities:
        assert q.unit == ("mm" if q.name in HEIGHTS else "")
        assert q.spacing_mm == pytest.approx(STEP_MM)
        assert q.u > 0 and q.low90 <= q.value <= q.high90
        assert "plane removed, reflecting ends, noise removed by halves, transfer corrected" in q.method
    assert "Gaussian S 2.5 / L 25 mm" in texture.quantities[0].method
    mpd = texture.get("MPD", Band(2.5, 100.0))
    assert mpd is not None and "low-pass 2.5 mm" in mpd.method and "ISO 13473-1:2019" in mpd.method
    assert texture.noise_floor_mm == pytest.approx(0.01, rel=0.1)
    assert texture.flags == () and texture.valid_fraction == 1.0


def test_heights_scale_and_shape_does_not() -> None:
    rng = np.random.default_rng(3)
    surface = dimples(rng, 0.1, 300, -1)
    one, two = (surface + noise(rng, 0.02) for _ in range(2))
    base = measure_texture(height_map((one + two) / 2, (one, two)), (MAIN,), BARE)
    tall = measure_texture(height_map(3 * (one + two) / 2, (3 * one, 3 * two)), (MAIN,), BARE)
    for name in ("Sa", "Sq", "Sz", "MPD", "Sdq"):
        assert value(tall, name) == pytest.approx(3 * value(base, name), rel=1e-4), name
    for name in ("Ssk", "Sku", "Str"):
        assert value(tall, name) == pytest.approx(value(base, name), rel=1e-3), name


def test_plane_and_offset_do_not_matter() -> None:
    surface = fractal(np.random.default_rng(4), 0.1, (540, 500))
    rows, cols = np.mgrid[:540, :500]
    tilted = surface + 5.0 + 0.004 * rows - 0.002 * cols
    base, moved = (exact_texture(z, PX_PER_MM, (MAIN,)) for z in (surface, tilted))
    for q in base.quantities:
        assert value(moved, q.name, q.band) == pytest.approx(q.value, rel=2e-3, abs=2e-4), q.name


def test_turning_the_map_keeps_the_numbers() -> None:
    surface = fractal(np.random.default_rng(5), 0.1, (540, 500))
    base, turned = (exact_texture(z, PX_PER_MM, (MAIN,)) for z in (surface, surface.T))
    for q in base.quantities:
        assert value(turned, q.name, q.band) == pytest.approx(q.value, rel=0.01, abs=0.002), q.name


@pytest.mark.parametrize("kind", ["blobs", "specks"])
def test_missing_tenth_stays_within_the_interval(kind: str) -> None:
    rng = np.random.default_rng(6)
    surface = fractal(rng, 0.1)
    truth = exact_texture(surface, PX_PER_MM)
    field = rng.standard_normal(surface.shape)
    score = filters.low_pass(field, STEP_MM, 8.0) if kind == "blobs" else field
    valid = score < np.quantile(score, 0.9)
    broken = np.where(valid, surface, np.nan)
    texture = measure_texture(height_map(broken, (broken, broken), valid=valid), (MAIN,), BARE)
    assert texture.valid_fraction == pytest.approx(0.9, abs=0.01)
    for name in ("Sq", "Sa", "Sdq", "MPD"):
        found = texture.get(name, MAIN if name != "MPD" else None)
        assert found is not None
        assert found.low90 <= value(truth, name) <= found.high90, name


def test_filled_gaps_do_not_count_as_flat_ground() -> None:
    # A third of the area in one gap holds a smooth filling: counted in, it would take a sixth off Sq.
    surface = fractal(np.random.default_rng(15), 0.1)
    valid = np.ones(surface.shape, dtype=bool)
    valid[100:420, 80:400] = False
    texture = measure_texture(height_map(surface, (surface, surface), valid=valid), (MAIN,), BARE)
    plain = filters.band_pass(filters.remove_plane(surface), STEP_MM, MAIN)[valid].astype(float)
    for name, expected in (("Sq", areal.sq(plain)), ("Sa", areal.sa(plain))):
        assert value(texture, name) == pytest.approx(expected, rel=0.04), name


def test_too_little_ground_is_refused() -> None:
    valid = np.zeros((540, 540), dtype=bool)
    valid[:100] = True
    with pytest.raises(HeightsDisagree, match=r"only 19% of the window .* 30% is needed"):
        measure_texture(height_map(np.zeros((540, 540)), valid=valid))
    with pytest.raises(ValueError, match="at least one band"):
        measure_texture(height_map(np.zeros((540, 540))), ())


def test_transfer_is_divided_out_and_its_uncertainty_carried() -> None:
    surface = fractal(np.random.default_rng(7), 0.1)
    truth = exact_texture(surface, PX_PER_MM)
    blur = blurred(1.5, u=0.05)
    seen = through(blur, surface)
    texture = measure_texture(height_map(seen, (seen, seen), transfer=blur), (MAIN,), BARE)
    raw = measure_texture(height_map(seen, (seen, seen)), (MAIN,), BARE)
    for name in ("Sq", "Sa", "MPD", "Sdq"):
        assert value(texture, name) == pytest.approx(value(truth, name), rel=0.01), name
        assert value(raw, name) < value(truth, name)
    sq = texture.get("Sq", MAIN)
    assert sq is not None and 0.04 * sq.value < sq.u < 0.08 * sq.value


def test_waves_not_seen_are_carried_on_and_said() -> None:
    surface = fractal(np.random.default_rng(8), 0.1)
    truth = exact_texture(surface, PX_PER_MM)
    blur = blurred(1.6)
    seen = through(blur, surface)
    texture = measure_texture(height_map(seen, (seen, seen), transfer=blur), settings=BARE)
    sdq = texture.get("Sdq", STRETCH)
    assert sdq is not None
    assert "of the variance in waves too short to see" in sdq.method
    assert abs(sdq.value - value(truth, "Sdq", STRETCH)) < 2 * sdq.u


def test_band_that_is_mostly_unseen_is_not_reported() -> None:
    surface = fractal(np.random.default_rng(9), 0.1)
    blind = blurred(40.0)
    seen = through(blind, surface)
    texture = measure_texture(height_map(seen, (seen, seen), transfer=blind))
    assert texture.quantities == ()
    assert texture.direction.lay_deg is None


def test_map_without_halves_says_so_and_is_wider() -> None:
    surface = fractal(np.random.default_rng(10), 0.05)
    split = measure_texture(height_map(surface, (surface, surface)), (MAIN,))
    single = measure_texture(height_map(surface), (MAIN,))
    whole, alone = split.get("Sq"), single.get("Sq")
    assert whole is not None and alone is not None
    assert "not split, noise not removed" in alone.method
    assert alone.u > 1.5 * whole.u
    assert math.isnan(single.noise_floor_mm)


def test_scale_uncertainty_widens_every_height() -> None:
    surface = fractal(np.random.default_rng(11), 0.1)
    texture = measure_texture(height_map(surface, (surface, surface), u_scale=0.02), (MAIN,), BARE)
    for name in ("Sq", "Sa", "Sz", "MPD"):
        found = texture.get(name)
        assert found is not None and found.u == pytest.approx(0.02 * found.value, rel=0.02), name


def test_small_map_has_no_profile_depth() -> None:
    surface = fractal(np.random.default_rng(12), 0.1, (300, 340))
    texture = exact_texture(surface, PX_PER_MM)
    assert texture.get("MPD") is None and texture.get("ETD") is None
    assert texture.get("Sq") is not None


def test_flags_are_known_and_raised() -> None:
    rng = np.random.default_rng(13)
    flat = measure_texture(noisy_map(rng, np.zeros((540, 540)), 0.005), (MAIN,))
    assert flat.flags == ("at-most",)
    rough = measure_texture(noisy_map(rng, fractal(rng, 0.1), 0.06), (MAIN,))
    assert rough.flags == ("halves-differ",)
    valid = rng.random((540, 540)) < 0.8
    surface = fractal(rng, 0.1)
    gaps = height_map(surface, (surface, surface), valid=valid)
    assert measure_texture(gaps, (MAIN,)).flags == ("few-valid",)
    assert {"at-most", "halves-differ", "few-valid"} <= set(FLAGS)


def test_same_capture_gives_the_same_numbers_and_is_left_alone() -> None:
    rng = np.random.default_rng(14)
    heights = noisy_map(rng, fractal(rng, 0.05), 0.02, transfer=perfect(0.01))
    before = heights.height_mm.copy()
    assert measure_texture(heights, (MAIN,)) == measure_texture(heights, (MAIN,))
    assert np.array_equal(heights.height_mm, before)
