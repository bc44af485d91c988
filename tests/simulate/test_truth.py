"""The truth side against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.floors import Floor, FloorRecipe
from assessor.simulate.stones import Stones
from assessor.simulate.truth import band_heights, mean_profile_depth, truth_rows
from assessor.values import FloatArray

PX_PER_MM = 10.0
N = round(108 * PX_PER_MM)


def _sine(wavelength_mm: float, amplitude_mm: float = 1.0) -> FloatArray:
    at = (np.arange(N) + 0.5) / PX_PER_MM - 54.0  # even about the middle, so no segment has a slope
    return np.broadcast_to(amplitude_mm * np.cos(2 * np.pi * at / wavelength_mm), (N, N)).copy()


@pytest.mark.parametrize(("cutoff", "wavelength"), [(2.4, 2.4), (2.5, 4.8), (0.8, 1.2)])
def test_s_filter_transmission(cutoff: float, wavelength: float) -> None:
    # ISO 16610-21: exp(-pi (alpha cutoff / wavelength)^2), alpha = sqrt(ln 2 / pi); half at the cut-off.
    alpha = np.sqrt(np.log(2) / np.pi)
    expected = np.exp(-np.pi * (alpha * cutoff / wavelength) ** 2)
    passed = band_heights(_sine(wavelength), PX_PER_MM, cutoff, 40.0)[300:-300, 300:-300]
    assert passed.std() * np.sqrt(2) == pytest.approx(expected, abs=0.003)


def test_l_filter_halves_a_wave_at_its_cutoff() -> None:
    # 27 mm waves end with the 108 mm square, so reflection continues them exactly.
    alpha = np.sqrt(np.log(2) / np.pi)
    expected = 1 - np.exp(-np.pi * (alpha * 25.0 / 27.0) ** 2)
    band = band_heights(_sine(27.0), PX_PER_MM, 0.01, 25.0)
    assert band.std() * np.sqrt(2) == pytest.approx(expected, abs=0.003)


def test_fine_grids_are_halved_without_harm() -> None:
    rng = np.random.default_rng(1)
    fine = rng.standard_normal((2160, 2160)) * 0.2
    at_twenty = band_heights(fine, 20.0, 2.5, 25.0)
    assert at_twenty.shape == (1080, 1080)
    from scipy.ndimage import gaussian_filter  # noqa: PLC0415 - the full-grid reference, once

    smooth = gaussian_filter(fine, 0.18739 * 2.5 * 20)
    assert at_twenty.std() == pytest.approx(smooth.std(), rel=0.02)


@pytest.mark.parametrize("wavelength", [10.0, 20.0])
def test_mpd_of_a_sine_is_its_amplitude(wavelength: float) -> None:
    # domain.md section 12: both 50 mm halves hold a full wave, the mean is zero, so MPD = amplitude
    # (times the low-pass transmission).
    alpha = np.sqrt(np.log(2) / np.pi)
    passed = np.exp(-np.pi * (alpha * 2.5 / wavelength) ** 2)
    field = _sine(wavelength, 0.5)
    rows_only = mean_profile_depth(field, PX_PER_MM)
    # Rows cross the wave, columns run along it and are flat.
    assert rows_only == pytest.approx(0.5 * passed / 2, rel=0.01)


def test_rows_of_a_floor_carry_units_bands_and_lay() -> None:
    n = round(140 * 5.0)
    at = (np.arange(n) + 0.5) / 5.0
    height = np.broadcast_to(0.2 * np.sqrt(2) * np.sin(2 * np.pi * at / 8.0), (n, n)).astype(np.float32)
    empty = Stones(np.zeros((n, n), np.int32), np.zeros((n, n), np.float32), np.zeros(0))
    floor = Floor(height, np.zeros((n, n, 3), np.float32), empty, 5.0, 90.0, FloorRecipe("scarified"))
    rows = {(r.quantity, r.band_short_mm): r for r in truth_rows(floor)}
    passed = np.exp(-np.log(2) * (2.5 / 8) ** 2) * (1 - np.exp(-np.log(2) * (25 / 8) ** 2))
    sq, sa = rows["Sq", 2.5], rows["Sa", 2.5]
    assert (sq.unit, sq.band_long_mm) == ("mm", 25.0)
    assert sq.value == pytest.approx(0.2 * passed, rel=0.01)
    assert sa.value / sq.value == pytest.approx(2 * np.sqrt(2) / np.pi, rel=0.01)
    assert rows["direction_deg", 2.5].value == 90.0
    assert (rows["MPD", 2.5].band_long_mm, ("Sq", 0.8) in rows) == (100.0, True)
