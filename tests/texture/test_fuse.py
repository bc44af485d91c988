"""Joining `angles` and `torch`: better in every band, gain and shift as they were made, halves still independent.

The two kinds are toys of what the study found: angles pass half at 1 mm with 0.01 mm noise; torch passes half at 0.3 mm
with 1-2 um of noise, a wrong gain and, from uneven light, a bend of long waves that both of its halves share.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from assessor.texture import filters
from assessor.texture.fuse import Fused, FuseSettings, fuse_heights
from assessor.texture.heights import transfer_of
from assessor.texture.measure import measure_texture
from assessor.values import Band, BoolArray, FloatArray, HeightMap, Transfer
from tests.texture import surfaces

PX = 10.0
STEP = 1 / PX
SIDE, WIDER = 1100, 1200  # angles +-55 mm, torch +-60 mm
BANDS = (Band(0.5, 2.5), Band(2.5, 8.0), Band(8.0, 25.0))


def torch_transfer() -> Transfer:
    wavelength = np.geomspace(0.2, 60, 80)
    amplitude = 1 / (1 + (0.3 / wavelength) ** 3.5)
    return Transfer(wavelength, amplitude, 0.01 + 0.3 * amplitude * (1 - amplitude), "toy torch")


def waves(
    rng: np.random.Generator, power: float, short_mm: float, long_mm: float, side: int = WIDER
) -> FloatArray:
    """Gaussian field of rms 1 whose amplitude grows as wavelength ** power between two wavelengths."""
    white = filters.spectrum(rng.standard_normal((side, side)), STEP)
    f = np.maximum(white.radial(), 1e-6)
    z = white.times(np.where((f > 1 / long_mm) & (f < 1 / short_mm), f**-power, 0.0)).height().astype(float)
    return np.asarray(z / z.std())


def crop(height: FloatArray) -> FloatArray:
    edge = (WIDER - SIDE) // 2
    return height[edge:-edge, edge:-edge]


def seen_by_angles(
    rng: np.random.Generator, truth: FloatArray, noise_mm: float = 0.01, valid: BoolArray | None = None
) -> HeightMap:
    passes = transfer_of([0.31])
    shown = crop(surfaces.through(passes, truth, STEP))
    errors = [
        noise_mm * math.sqrt(2) * filters.low_pass(rng.standard_normal((SIDE, SIDE)), STEP, 1.0) / 0.081
        for _ in range(2)
    ]
    one, two = (shown + 0.02 + error for error in errors)
    return surfaces.height_map(
        (one + two) / 2, (one, two), transfer=passes, u_scale=0.004, valid=valid, px_per_mm=PX
    )


def seen_by_torch(
    rng: np.random.Generator,
    truth: FloatArray,
    *,
    gain: float = 1.0,
    bend_mm: float = 0.005,
    u_scale: float = 0.03,
    valid: BoolArray | None = None,
) -> HeightMap:
    passes = torch_transfer()
    shown = gain * surfaces.through(passes, truth, STEP) + bend_mm * waves(rng, 2.0, 8.0, 60.0)
    errors = [0.0015 * math.sqrt(2) * waves(rng, 1.0, 0.3, 20.0) for _ in range(2)]
    one, two = (shown + error for error in errors)
    made = surfaces.height_map(
        (one + two) / 2, (one, two), transfer=passes, u_scale=u_scale, valid=valid, px_per_mm=PX
    )
    return replace(made, shortest_trusted_mm=0.5)


def surface(rng: np.random.Generator, sq_mm: float) -> FloatArray:
    return np.asarray(sq_mm * waves(rng, 1.8, 0.4, 40.0))


def error_in(
    band: Band, height: FloatArray, truth: FloatArray, passes: Transfer, least: float = 0.5
) -> float:
    """Rms of what a map shows wrongly in a band once its transfer is undone as `measure` does."""
    whole = filters.spectrum(filters.remove_plane(height), STEP)
    passed = passes.at(1 / np.maximum(whole.radial(), 1e-6))
    shown = whole.times(np.where(passed > least, 1 / passed, 1.0)).coefficients
    wrong = shown - filters.spectrum(filters.remove_plane(truth), STEP).coefficients
    kept = filters.band_weights(whole, band) * wrong
    return float(np.sqrt(np.mean(kept**2)))


@pytest.fixture(scope="module")
def joined() -> dict[float, tuple[FloatArray, HeightMap, HeightMap, Fused]]:
    """By Sq: truth, angles, torch and both joined."""
    out = {}
    for k, sq_mm in enumerate((0.02, 0.1, 0.4)):
        rng = np.random.default_rng(k)
        truth = surface(rng, sq_mm)
        angles, torch = seen_by_angles(rng, truth), seen_by_torch(rng, truth, gain=0.98)
        out[sq_mm] = (crop(truth), angles, torch, fuse_heights(angles, torch))
    return out


@pytest.mark.parametrize("band", BANDS, ids=str)
@pytest.mark.parametrize("sq_mm", [0.02, 0.1, 0.4])
def test_in_no_band_worse_than_the_better_kind(
    joined: dict[float, tuple[FloatArray, HeightMap, HeightMap, Fused]], sq_mm: float, band: Band
) -> None:
    truth, angles, torch, fused = joined[sq_mm]
    errors = [
        error_in(band, angles.height_mm, truth, angles.transfer),
        error_in(band, crop(torch.height_mm), truth, torch.transfer),
    ]
    both = error_in(band, fused.heights.height_mm, truth, fused.heights.transfer)
    print(f"Sq {sq_mm} {band}: angles {errors[0]:.5f} torch {errors[1]:.5f} joined {both:.5f}")
    assert both <= 1.02 * min(errors)


def test_a_strong_bend_of_the_torch_is_found_and_left_out() -> None:
    rng = np.random.default_rng(11)
    truth = surface(rng, 0.1)
    angles, torch = seen_by_angles(rng, truth), seen_by_torch(rng, truth, bend_mm=0.1)
    fused = fuse_heights(angles, torch).heights
    long = BANDS[2]
    alone = error_in(long, angles.height_mm, crop(truth), angles.transfer)
    assert error_in(long, crop(torch.height_mm), crop(truth), torch.transfer) > 5 * alone
    assert error_in(long, fused.height_mm, crop(truth), fused.transfer) <= 1.02 * alone


def test_a_wrong_gain_of_the_torch_is_recovered_within_its_uncertainty() -> None:
    off = []
    for k in range(6):
        rng = np.random.default_rng(20 + k)
        truth = surface(rng, 0.1)
        fused = fuse_heights(seen_by_angles(rng, truth), seen_by_torch(rng, truth, gain=0.94, u_scale=0.05))
        assert "kinds-disagree" not in fused.flags
        off.append((fused.gain - 1 / 0.94) / fused.u_gain)
        assert fused.u_gain < 0.03
        # The corrected torch is what carries the short waves: their amplitude is right again.
        shown, true = (filters.band_pass(z, STEP, BANDS[0]) for z in (fused.heights.height_mm, crop(truth)))
        assert float(np.sum(shown * true) / np.sum(true * true)) == pytest.approx(1.0, abs=0.025)
        assert fused.heights.u_scale == pytest.approx(0.004)
    assert np.sqrt(np.mean(np.square(off))) < 1.2  # and all from one side of the transfer's doubt, if at all


def test_noise_does_not_pull_the_gain() -> None:
    # A plain regression of the torch on noisy angles would read 1 + noise^2 / signal^2, some 30 % here.
    gains = []
    for k in range(6):
        rng = np.random.default_rng(40 + k)
        truth = surface(rng, 0.02)
        gains.append(fuse_heights(seen_by_angles(rng, truth), seen_by_torch(rng, truth)))
    mean = float(np.mean([one.gain for one in gains]))
    spread = float(np.std([one.gain for one in gains]))
    assert mean == pytest.approx(1.0, abs=0.03)
    assert spread < 1.3 * float(np.median([one.u_gain for one in gains]))


@pytest.mark.parametrize("shift_mm", [(0.0, 0.0), (0.23, -0.14), (-0.3, 0.3)])
@pytest.mark.parametrize("frame_mm", [(0.0, 0.0), (0.04, 0.7)])
def test_a_shift_is_recovered_and_undone(
    shift_mm: tuple[float, float], frame_mm: tuple[float, float]
) -> None:
    """frame_mm: the torch's grid starts elsewhere and says so, which is no shift."""
    rng = np.random.default_rng(7)
    truth = surface(rng, 0.1)
    angles = seen_by_angles(rng, truth)
    f = np.fft.fftfreq(WIDER, STEP)
    turn = np.exp(
        -2j * np.pi * (f[None, :] * (shift_mm[0] - frame_mm[0]) - f[:, None] * (shift_mm[1] - frame_mm[1]))
    )
    # The field is a cosine series, so its doubled self is periodic; only far from the edges does it matter here.
    torch = seen_by_torch(rng, np.real(np.fft.ifft2(np.fft.fft2(truth) * turn)), bend_mm=0.0)
    torch = replace(torch, x_min_mm=torch.x_min_mm + frame_mm[0], y_max_mm=torch.y_max_mm + frame_mm[1])
    fused = fuse_heights(angles, torch)
    assert fused.shift_mm == pytest.approx((-shift_mm[0], -shift_mm[1]), abs=0.02)
    inner = slice(60, -60)
    wrong = fused.heights.height_mm[inner, inner] - crop(truth)[inner, inner]
    error = float(filters.band_pass(filters.remove_plane(wrong), STEP, BANDS[0]).std())
    assert error < 0.002
    if shift_mm[0]:
        assert f"{-shift_mm[0]:+.1f}" in fused.sentence


@pytest.mark.parametrize("sign", [1, -1])
def test_bumps_stay_bumps_and_pits_stay_pits(sign: int) -> None:
    rng = np.random.default_rng(3)
    truth = surfaces.dimples(rng, 0.1, 60, sign)
    maps = [surfaces.noisy_map(rng, truth, noise_mm, u_scale=0.01) for noise_mm in (0.01, 0.002)]
    fused = fuse_heights(replace(maps[0], transfer=surfaces.blurred(0.8)), maps[1])
    alone = measure_texture(surfaces.height_map(truth, (truth, truth)), (surfaces.MAIN,), surfaces.BARE)
    read = measure_texture(fused.heights, (surfaces.MAIN,), surfaces.BARE, kind="fused")
    ssk, true = read.get("Ssk"), alone.get("Ssk")
    assert ssk is not None and true is not None
    assert np.sign(true.value) == sign
    assert ssk.value == pytest.approx(true.value, rel=0.1)


@pytest.mark.parametrize("gain", [0.8, 1.25, 0.3])
def test_kinds_that_disagree_say_so_and_the_interval_reaches_both(gain: float) -> None:
    rng = np.random.default_rng(5)
    truth = surface(rng, 0.1)
    angles, torch = seen_by_angles(rng, truth), seen_by_torch(rng, truth, gain=gain)
    fused = fuse_heights(angles, torch)
    assert "kinds-disagree" in fused.flags and "kinds-disagree" in fused.heights.flags
    assert "disagree" in fused.sentence
    sq = measure_texture(fused.heights, (Band(0.5, 8.0),), surfaces.BARE).get("Sq")
    true = float(
        filters.band_pass(filters.remove_plane(crop(truth)[10:-10, 10:-10]), STEP, Band(0.5, 8.0)).std()
    )
    assert sq is not None
    assert sq.value == pytest.approx(true, rel=0.06)
    assert sq.low90 <= true * min(gain, 1.0) * 1.06 and sq.high90 >= true * max(gain, 1.0) * 0.94


def test_another_surface_under_the_torch_disagrees() -> None:
    rng = np.random.default_rng(6)
    angles, torch = seen_by_angles(rng, surface(rng, 0.1)), seen_by_torch(rng, surface(rng, 0.1))
    assert "kinds-disagree" in fuse_heights(angles, torch).flags


def test_a_flat_sheet_is_too_faint_to_compare() -> None:
    rng = np.random.default_rng(8)
    flat = np.zeros((WIDER, WIDER))
    angles, torch = seen_by_angles(rng, flat), seen_by_torch(rng, flat, bend_mm=0.001)
    fused = fuse_heights(angles, torch)
    assert fused.gain == 1.0 and math.isinf(fused.u_gain) and fused.flags == ()
    assert "too faint" in fused.sentence and "no shift" in fused.sentence
    assert fused.heights.u_scale == 0.004
    # The torch's own doubt of scale stays with the waves it carries.
    assert fused.heights.transfer.u_at(1.0) > 0.029


def test_halves_stay_independent() -> None:
    """Their covariance is the surface's variance, whatever the noise: its mean over draws is the truth's."""
    band, off = Band(0.5, 8.0), []
    for k in range(6):
        rng = np.random.default_rng(60 + k)
        truth = surface(rng, 0.004)  # about as faint as the torch's noise times three
        fused = fuse_heights(seen_by_angles(rng, truth), seen_by_torch(rng, truth, bend_mm=0.0)).heights
        assert fused.halves is not None
        one, two = (filters.band_pass(filters.remove_plane(half), STEP, band) for half in fused.halves)
        true = filters.band_pass(filters.remove_plane(crop(truth)), STEP, band)
        off.append(float(np.mean(one * two) / np.mean(true * true)) - 1)
    assert abs(float(np.mean(off))) < 0.01 + 2.5 * float(np.std(off)) / math.sqrt(len(off))
    assert abs(float(np.mean(off))) < 0.03


def test_ground_that_one_kind_missed_comes_from_the_other() -> None:
    rng = np.random.default_rng(9)
    truth = surface(rng, 0.1)
    blind_angles, blind_torch = np.ones((SIDE, SIDE), bool), np.ones((WIDER, WIDER), bool)
    blind_angles[200:260, 300:380] = False
    blind_torch[700:760, 500:580] = False  # rows 650-710 of the common area
    both = slice(900, 920), slice(900, 920)
    blind_angles[both] = False
    blind_torch[950:970, 950:970] = False
    angles = seen_by_angles(rng, truth, valid=blind_angles)
    torch = seen_by_torch(rng, truth, bend_mm=0.0, valid=blind_torch)
    # What stands in the gaps is nonsense, and must not be used.
    angles = replace(angles, height_mm=np.where(blind_angles, angles.height_mm, np.float32(3.0)))
    torch = replace(torch, height_mm=np.where(blind_torch, torch.height_mm, np.float32(-3.0)))
    fused = fuse_heights(angles, torch).heights
    assert not fused.valid[both].any()
    assert int((~fused.valid).sum()) == 400
    level = fused.height_mm - crop(truth)
    level = level - np.median(level)
    in_torch_gap, in_angles_gap = level[655:705, 455:525], level[205:255, 305:375]
    assert float(in_torch_gap.std()) < 0.02  # angles' own noise and what they don't pass
    assert float(in_angles_gap.std()) < 0.008


def test_the_joint_map_says_what_it_passes_and_is_measured_unchanged() -> None:
    rng = np.random.default_rng(10)
    truth = surface(rng, 0.1)
    fused = fuse_heights(seen_by_angles(rng, truth), seen_by_torch(rng, truth, bend_mm=0.002))
    made = fused.heights
    assert made.shortest_trusted_mm == 0.5
    assert made.transfer.at(np.array([0.6, 1.0, 5.0, 25.0])) == pytest.approx(1.0, abs=1e-6)
    assert made.transfer.at(0.25) == pytest.approx(float(torch_transfer().at(0.25)), abs=0.02)
    assert made.x_min_mm == pytest.approx(-55.0) and made.y_max_mm == pytest.approx(55.0)
    for band in (Band(0.5, 8.0), Band(0.5, 25.0), Band(2.5, 25.0)):
        read = measure_texture(made, (band,), surfaces.BARE, kind="fused").get("Sq")
        alone = surfaces.height_map(crop(truth), (crop(truth), crop(truth)), px_per_mm=PX)
        true = measure_texture(alone, (band,), surfaces.BARE).get("Sq")
        assert read is not None and true is not None
        assert read.value == pytest.approx(true.value, rel=0.02)
        assert read.low90 <= true.value <= read.high90


def test_maps_that_cannot_be_joined_are_refused() -> None:
    rng = np.random.default_rng(1)
    made = surfaces.noisy_map(rng, surfaces.fractal(rng, 0.1), 0.01)
    with pytest.raises(ValueError, match="halves"):
        fuse_heights(replace(made, halves=None), made)
    with pytest.raises(ValueError, match="px_per_mm"):
        fuse_heights(made, replace(made, px_per_mm=7.0))
    with pytest.raises(ValueError, match="share no ground"):
        fuse_heights(made, replace(made, x_min_mm=900.0))
    with pytest.raises(ValueError, match="no valid"):
        fuse_heights(made, replace(made, valid=np.zeros_like(made.valid)))


def test_scales_are_joined_by_their_doubt() -> None:
    # Two equal doubts and a sure ratio: each takes half of it; a torch much less sure takes all of it.
    rng = np.random.default_rng(12)
    truth = surface(rng, 0.2)
    angles, torch = seen_by_angles(rng, truth, 0.001), seen_by_torch(rng, truth, gain=0.96, bend_mm=0.0)
    sure = Transfer(np.array([0.01, 100.0]), np.ones(2), np.zeros(2), "sure")
    whole = [replace(one, transfer=sure) for one in (angles, torch)]
    settings = FuseSettings(angles_shared_mm=0.0)
    equal = fuse_heights(replace(whole[0], u_scale=0.03), replace(whole[1], u_scale=0.03), settings)
    assert equal.gain == pytest.approx(1.04, abs=0.01)
    half = math.sqrt(equal.gain)
    assert f"angles divided by {half:.3f}, torch by {1 / half:.3f}" in equal.sentence
    unequal = fuse_heights(replace(whole[0], u_scale=0.001), replace(whole[1], u_scale=0.03), settings)
    assert "angles divided by 1.000" in unequal.sentence and "torch by 0.96" in unequal.sentence
