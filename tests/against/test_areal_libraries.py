"""Areal parameters against two public libraries on the same maps.

surfalize (MIT, PyPI) and SurfaceTopography (MIT, PyPI). Agreement found and held: Sa, Sq, Sz, Ssk, Sku, Sdq,
Sdr to nine digits; low-passed maps to 2e-6 of Sq against an uncut Gaussian and band maps to 5e-4 against
surfalize's, which is cut; Str to 3 %; Std to 8 degrees.
"""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from surfalize import Surface
from surfalize.filter import GaussianFilter

from assessor.texture import areal, filters
from assessor.texture.direction import anisotropy, axis_difference
from assessor.values import Band, FloatArray
from tests.texture.surfaces import dimples, fractal, ridges

with warnings.catch_warnings():
    # It falls back to one process where mpi4py is missing, and says so.
    warnings.simplefilter("ignore", ImportWarning)
    from SurfaceTopography import Topography

EQUAL, UNEQUAL = (0.2, 0.2), (0.2, 0.3)
pytestmark = pytest.mark.filterwarnings("ignore:The surface has different pixel size:UserWarning")


@cache
def maps() -> dict[str, FloatArray]:
    rng = np.random.default_rng(0)
    return {
        "isotropic": fractal(rng, 0.3)[:230, :310],
        "skewed": dimples(rng, 0.4, 300, -1)[:310, :230],
        "anisotropic": ridges(rng, 30.0)[:260, :330],
    }


@pytest.mark.parametrize("name", ["isotropic", "skewed", "anisotropic"])
@pytest.mark.parametrize("steps", [EQUAL, UNEQUAL])
def test_formulas_agree_with_surfalize(name: str, steps: tuple[float, float]) -> None:
    z = maps()[name]
    theirs = Surface(z, steps[1], steps[0])
    ours = {
        "Sa": areal.sa(z),
        "Sq": areal.sq(z),
        "Sz": areal.sz(z),
        "Ssk": areal.ssk(z),
        "Sku": areal.sku(z),
        "Sdq": areal.sdq(z, steps),
        "Sdr": 100 * areal.sdr(z, steps),
    }
    for parameter, value in ours.items():
        assert value == pytest.approx(getattr(theirs, parameter)(), rel=1e-9), parameter


@pytest.mark.parametrize("name", ["isotropic", "skewed", "anisotropic"])
def test_heights_and_slopes_agree_with_surface_topography(name: str) -> None:
    z = maps()[name]
    # Their first axis is x; their gradient takes the samples which both differences share.
    steps = UNEQUAL
    sizes = (z.shape[0] * steps[0], z.shape[1] * steps[1])
    theirs = Topography(z, sizes, unit="mm")
    assert areal.sq(z) == pytest.approx(theirs.rms_height_from_area(), rel=1e-9)
    assert areal.sdq(z, steps) == pytest.approx(theirs.rms_gradient(), rel=3e-3)


@pytest.mark.parametrize("name", ["isotropic", "skewed", "anisotropic"])
def test_plane_agrees_with_surfalize(name: str) -> None:
    z = maps()[name]
    z = z + np.linspace(0, 2, z.shape[1])
    theirs = Surface(z, 0.2, 0.2).level()
    assert np.abs(filters.remove_plane(z) - (theirs.data - theirs.data.mean())).max() < 1e-9


@pytest.mark.parametrize("steps", [EQUAL, UNEQUAL])
def test_band_agrees_with_surfalize_filters(steps: tuple[float, float]) -> None:
    z = filters.remove_plane(maps()["isotropic"])
    theirs = GaussianFilter(25.0, "highpass")(GaussianFilter(2.5, "lowpass")(Surface(z, steps[1], steps[0])))
    ours = filters.band_pass(z, steps, Band(2.5, 25.0))
    # It cuts its Gaussian off at four standard deviations; the next test shows that this is the difference.
    assert np.abs(ours - theirs.data).max() < 5e-4 * z.std()


def test_low_pass_agrees_with_an_uncut_gaussian() -> None:
    z = filters.remove_plane(maps()["isotropic"])
    sigma = GaussianFilter.sigma(2.5)
    plain = gaussian_filter(z, (sigma / 0.2, sigma / 0.3), mode="reflect", truncate=8.0)
    assert np.abs(filters.low_pass(z, (0.2, 0.3), 2.5) - plain).max() < 2e-6 * z.std()


@pytest.mark.parametrize("name", ["isotropic", "skewed"])
def test_str_agrees_with_surfalize(name: str) -> None:
    z = filters.band_pass(filters.remove_plane(maps()[name]), 0.2, Band(2.5, 25.0)).astype(float)
    ours = anisotropy(z, z, EQUAL)
    assert ours is not None and not ours.open_ended
    assert ours.str_ == pytest.approx(Surface(z, 0.2, 0.2).Str(), rel=0.03)


@pytest.mark.parametrize("lay_deg", [30.0, 150.0])
def test_std_agrees_with_surfalize(lay_deg: float) -> None:
    z = filters.band_pass(ridges(np.random.default_rng(2), lay_deg), 0.2, Band(2.5, 25.0)).astype(float)
    ours = anisotropy(z, z, EQUAL)
    assert ours is not None and ours.open_ended
    # Their Std is the peak of the unwindowed spectrum in half degrees, jagged by single waves of the map: 15
    # waves across it lie about 4 degrees apart.
    assert axis_difference(ours.std_deg, Surface(z, 0.2, 0.2).Std()) < 8.0
    assert axis_difference(ours.lay_deg, lay_deg) < 2.0
