"""Gaussian filters against ISO 16610-21/-61: domain.md section 12 items 20-22, and its sampled weights."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import convolve1d

from assessor.texture import filters
from assessor.values import Band, FloatArray


def test_item_20_alpha() -> None:
    # Source: common practice, ISO 16610-21 alpha = sqrt(ln 2 / pi).
    assert pytest.approx(0.46972, abs=5e-6) == filters.ALPHA


# Source: transmission 1 - exp(-pi (alpha lc / l)^2) of the roughness filter, a manual of a public library.
@pytest.mark.parametrize(
    ("wavelength_in_cutoffs", "passed"), [(0.5, 0.0625), (1, 0.5), (2, 0.8409), (4, 0.9576)]
)
def test_item_21_transmission_of_a_wave(wavelength_in_cutoffs: float, passed: float) -> None:
    # Measured on a wave, not on the formula: amplitude after over before.
    cutoff = 8.0
    wavelength = wavelength_in_cutoffs * cutoff
    x = (np.arange(1600) + 0.5) * 0.2
    wave = np.tile(np.cos(2 * np.pi * x / wavelength), (40, 1))
    seen = filters.low_pass(wave, 0.2, cutoff)
    assert float(np.sum(seen * wave) / np.sum(wave * wave)) == pytest.approx(passed, abs=5e-5)
    rough = filters.band_pass(wave, 0.2, Band(1e-6, cutoff))
    assert float(np.sum(rough * wave) / np.sum(wave * wave)) == pytest.approx(1 - passed, abs=5e-5)


def test_item_22_equivalent_sigma() -> None:
    # A unit step blurred at cut-off 8 mm has the slope of a Gaussian of 1.4991 mm at its foot.
    step = np.tile((np.arange(4000) >= 2000).astype(float), (4, 1))
    slope = np.diff(filters.low_pass(step, 0.05, 8.0)[0]) / 0.05
    assert 1 / (slope.max() * math.sqrt(2 * math.pi)) == pytest.approx(1.4991, rel=1e-3)


def sampled_weights(cutoff: float, spacing: float) -> FloatArray:
    """ISO 16610-21 weights, sampled, cut off at one cut-off from the centre and normalised."""
    reach = round(cutoff / spacing)
    at = np.arange(-reach, reach + 1) * spacing
    weights = np.exp(-math.pi * (at / (math.sqrt(math.log(2) / math.pi) * cutoff)) ** 2)
    return np.asarray(weights / weights.sum())


@pytest.mark.parametrize("cutoff", [0.8, 2.5, 25.0])
def test_spectral_filter_is_the_sampled_one_with_reflecting_ends(cutoff: float) -> None:
    z = np.random.default_rng(0).standard_normal((330, 410))
    sampled = z
    for axis, spacing in ((0, 0.08), (1, 0.1)):
        sampled = convolve1d(sampled, sampled_weights(cutoff, spacing), axis=axis, mode="reflect")
    ours = filters.low_pass(z, (0.08, 0.1), cutoff)
    assert np.abs(ours - sampled).max() < 1e-3 * sampled.std()


def test_reflecting_ends_leave_a_constant_and_a_mirrored_wave_alone() -> None:
    assert filters.low_pass(np.full((50, 60), 3.0), 0.5, 5.0) == pytest.approx(
        np.full((50, 60), 3.0), abs=1e-5
    )
    # The mean of a half wave over the ends is kept: no edge pulls toward zero.
    x = (np.arange(60) + 0.5) / 60
    wave = np.tile(np.cos(np.pi * x), (50, 1))
    seen = filters.low_pass(wave, 0.5, 5.0)
    assert seen[0, 0] / wave[0, 0] == pytest.approx(seen[0, 20] / wave[0, 20], rel=1e-4)
