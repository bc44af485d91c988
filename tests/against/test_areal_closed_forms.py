"""Areal parameters against closed forms: domain.md section 12, items 13-19.

Items 13, 16, 17: textbook formulas (from memory, verify); 14, 15, 18, 19: derived there.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from assessor.texture import areal, filters
from assessor.values import Band, FloatArray


def sine(amplitude: float, wavelength: float, spacing: float) -> FloatArray:
    """Whole waves along columns, (40, n)."""
    at = (np.arange(round(20 * wavelength / spacing)) + 0.5) * spacing
    return np.tile(amplitude * np.sin(2 * np.pi * at / wavelength), (40, 1))


def test_item_13_sine() -> None:
    z = sine(1.0, 1.0, 1 / 400)
    assert areal.sa(z) == pytest.approx(0.63662, abs=1e-5)
    assert areal.sq(z) == pytest.approx(0.70711, abs=1e-5)
    assert areal.ssk(z) == pytest.approx(0.0, abs=1e-9)
    assert areal.sku(z) == pytest.approx(1.5, abs=1e-6)
    assert areal.sz(z) == pytest.approx(2.0, abs=1e-4)


def test_item_14_egg_crate() -> None:
    y, x = ((np.arange(n) + 0.5) * 2 * np.pi / n for n in (1200, 1600))
    z = np.cos(y)[:, None] * np.cos(x)[None, :]
    assert areal.sa(z) == pytest.approx(0.40528, abs=1e-5)
    assert areal.sq(z) == pytest.approx(0.5, abs=1e-6)
    assert areal.sku(z) == pytest.approx(2.25, abs=1e-6)
    assert areal.sz(z) == pytest.approx(2.0, abs=1e-4)


def test_item_15_triangle_ridge() -> None:
    up = (np.arange(5000) + 0.5) / 2500 - 1
    z = np.tile(np.concatenate([up, -up]), (3, 1))
    assert areal.sa(z) == pytest.approx(0.5, abs=1e-6)
    assert areal.sq(z) == pytest.approx(0.57735, abs=1e-5)
    assert areal.sku(z) == pytest.approx(1.8, abs=1e-5)


def test_item_16_gaussian_heights() -> None:
    z = np.random.default_rng(0).standard_normal((1000, 1000))
    assert areal.sa(z) / areal.sq(z) == pytest.approx(0.79788, rel=0.01)
    assert areal.sku(z) == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize(("slope_deg", "sdq", "sdr"), [(10, 0.17633, 0.015427), (30, 0.57735, 0.154701)])
@pytest.mark.parametrize("azimuth_deg", [0, 35, 90])
def test_item_17_constant_slope(slope_deg: float, sdq: float, sdr: float, azimuth_deg: float) -> None:
    y, x = np.arange(30)[:, None] * 0.25, np.arange(50)[None, :] * 0.1
    turn = math.radians(azimuth_deg)
    z = math.tan(math.radians(slope_deg)) * (x * math.cos(turn) + y * math.sin(turn))
    assert areal.sdq(z, (0.25, 0.1)) == pytest.approx(sdq, abs=1e-5)
    assert areal.sdr(z, (0.25, 0.1)) == pytest.approx(sdr, abs=1e-6)


def test_item_18_sine_slopes() -> None:
    z = sine(0.1, 2.0, 0.005)
    assert areal.sdq(z, (0.005, 0.005)) == pytest.approx(0.22214, rel=1e-4)
    # One of the steepest steps lies beyond the end: 1 in 8000.
    assert areal.sdr(z, (0.005, 0.005)) == pytest.approx(0.024235, rel=2e-4)


def test_item_19_levelled_plane_is_nothing() -> None:
    y, x = np.mgrid[:200, :260]
    flat = filters.band_pass(filters.remove_plane(2.0 + 0.01 * x - 0.03 * y), 0.5, Band(2.5, 25.0))
    values = [areal.sa(flat), areal.sq(flat), areal.sz(flat)]
    values += [areal.sdq(flat, (0.5, 0.5)), areal.sdr(flat, (0.5, 0.5))]
    assert values == pytest.approx([0.0] * 5, abs=1e-6)
