"""Lay and Str: angles are those a person sees on the sheet, row 0 at its top."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.texture.direction import anisotropy, as_direction, axis_difference, correlation
from assessor.texture.measure import measure_texture
from tests.texture.surfaces import MAIN, fractal, height_map, noisy_map, ridges


def test_correlation_is_the_plain_sum_over_overlaps() -> None:
    rng = np.random.default_rng(0)
    one, two = rng.standard_normal((2, 9, 12))
    a, b = one - one.mean(), two - two.mean()
    found = correlation(one, two)
    assert found.shape == (9, 13)
    for dy, dx in ((0, 0), (2, -3), (-4, 6), (3, 5)):
        pairs = [
            np.mean(
                [
                    p[r, c] * q[r + dy, c + dx]
                    for r in range(9)
                    for c in range(12)
                    if 0 <= r + dy < 9 and 0 <= c + dx < 12
                ]
            )
            for p, q in ((a, b), (b, a))
        ]
        assert found[4 + dy, 6 + dx] == pytest.approx(np.mean(pairs), abs=1e-12)


@pytest.mark.parametrize("lay_deg", [0.0, 30.0, 90.0, 150.0])
def test_lay_runs_along_the_ridges(lay_deg: float) -> None:
    rng = np.random.default_rng(int(lay_deg))
    texture = measure_texture(noisy_map(rng, ridges(rng, lay_deg), 0.02), (MAIN,))
    direction = texture.direction
    assert direction.lay_deg is not None and direction.u_deg is not None and direction.std_deg is not None
    assert axis_difference(direction.lay_deg, lay_deg) < 2.0
    assert direction.u_deg < 4.0
    # Std points across the ridges.
    assert axis_difference(direction.std_deg, lay_deg + 90.0) < 8.0
    assert direction.strength > 0.8


def test_transposing_mirrors_the_lay_about_the_diagonal() -> None:
    surface = ridges(np.random.default_rng(7), 30.0)
    lay = measure_texture(height_map(surface, (surface, surface)), (MAIN,)).direction.lay_deg
    turned = surface.T
    swapped = measure_texture(height_map(turned, (turned, turned)), (MAIN,)).direction.lay_deg
    assert lay is not None and swapped is not None
    # Rows run down: transposing turns direction a into 270 - a, that is 90 - a with the sign of y turned.
    assert axis_difference(swapped, -90.0 - lay) < 0.5


def test_unequal_steps_do_not_turn_the_lay() -> None:
    y, x = -np.arange(200)[:, None] * 0.5, np.arange(400)[None, :] * 0.25
    lay = np.deg2rad(30.0)
    surface = np.cos(2 * np.pi * (-x * np.sin(lay) + y * np.cos(lay)) / 7.0)
    found = anisotropy(surface, surface, (0.5, 0.25))
    assert found is not None
    assert axis_difference(found.lay_deg, 30.0) < 1.0
    assert axis_difference(found.std_deg, 120.0) < 2.0
    assert found.open_ended


def test_isotropic_texture_has_no_lay() -> None:
    rng = np.random.default_rng(3)
    texture = measure_texture(noisy_map(rng, fractal(rng, 0.1), 0.01), (MAIN,))
    str_ = texture.get("Str")
    assert str_ is not None and str_.value > 0.5
    assert texture.direction.lay_deg is None and texture.direction.u_deg is None


def test_streaked_noise_leaves_no_lay_behind() -> None:
    # Each half carries streaks of its own as strong as the texture: one map alone would show a lay.
    rng = np.random.default_rng(4)
    surface = fractal(rng, 0.1)
    one, two = (surface + 0.7 * ridges(rng, 20.0, surface.shape, wander=3.0) for _ in range(2))
    alone = anisotropy(one, one, (0.2, 0.2))
    texture = measure_texture(height_map((one + two) / 2, (one, two)), (MAIN,))
    str_ = texture.get("Str")
    assert alone is not None and str_ is not None
    assert str_.value > alone.str_


def test_maps_with_nothing_in_common_have_no_direction() -> None:
    z = np.random.default_rng(5).standard_normal((60, 50))
    assert anisotropy(z, -z, (1.0, 1.0)) is None
    assert as_direction(None).lay_deg is None
