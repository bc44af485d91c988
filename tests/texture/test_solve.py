"""Photometric stereo on made-up shading with known slopes, albedo, shadows and shine."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.texture.shading import Shading
from assessor.texture.solve import SolveSettings, solve
from assessor.values import FloatArray

N = 80


def scene(lights: int, elevation_deg: float = 25.0) -> tuple[Shading, FloatArray, FloatArray, FloatArray]:
    """Matt surface after Lambert (1760): light goes with the cosine; over that on level paper it is 1 + cot . slope."""
    rng = np.random.default_rng(3)
    x, y = np.meshgrid(np.linspace(0, 6, N), np.linspace(0, 6, N))
    slope_x = 0.15 * np.sin(3 * x) * np.cos(2 * y)
    slope_y = -0.12 * np.cos(2 * x + y)
    albedo = 0.3 * np.exp(0.4 * rng.standard_normal((N, N)))
    azimuth = np.arange(lights) * 2 * np.pi / lights + 0.2
    cot = 1 / np.tan(np.deg2rad(elevation_deg))
    # A slope that rises away from the torch faces it.
    cot_x = -cot * np.cos(azimuth)[:, None, None] * np.ones((1, N, N))
    cot_y = -cot * np.sin(azimuth)[:, None, None] * np.ones((1, N, N))
    light = albedo * (1 + cot_x * slope_x + cot_y * slope_y)
    parts = (light, cot_x, cot_y, np.ones_like(light))
    return Shading(*(np.asarray(part, np.float32) for part in parts)), slope_x, slope_y, albedo


@pytest.mark.parametrize("lights", [3, 4, 8])
def test_slopes_and_albedo_come_back_whatever_the_colour(lights: int) -> None:
    shading, slope_x, slope_y, albedo = scene(lights)
    found = solve(shading)
    assert found.valid.all()
    np.testing.assert_allclose(found.slope_x, slope_x, atol=2e-4)
    np.testing.assert_allclose(found.slope_y, slope_y, atol=2e-4)
    np.testing.assert_allclose(found.albedo, albedo, rtol=2e-3)


def test_a_cast_shadow_and_a_shine_are_left_out_not_averaged() -> None:
    shading, slope_x, slope_y, _ = scene(8)
    light = shading.light.copy()
    light[2, 10:30, 10:30] *= 0.05
    light[5, 40:60, 40:60] *= 2.0
    found = solve(Shading(light, shading.cot_x, shading.cot_y, shading.base))
    assert found.weights[2, 12:28, 12:28].max() < 0.3
    assert found.weights[5, 42:58, 42:58].max() < 0.3
    np.testing.assert_allclose(found.slope_x[12:28, 12:28], slope_x[12:28, 12:28], atol=0.01)
    np.testing.assert_allclose(found.slope_y[42:58, 42:58], slope_y[42:58, 42:58], atol=0.01)
    assert found.specular[45:55, 45:55].mean() > 5 * found.specular[:8].mean()


def test_burnt_out_samples_do_not_count_and_two_lights_are_too_few() -> None:
    shading, slope_x, _, _ = scene(4)
    light = shading.light.copy()
    light[0, :10] = np.nan
    light[:2, 20:30] = np.nan
    found = solve(Shading(light, shading.cot_x, shading.cot_y, shading.base))
    np.testing.assert_allclose(found.slope_x[:10], slope_x[:10], atol=1e-3)
    assert found.valid[:10].all()
    assert not found.valid[20:30].any()


def test_noise_of_the_slopes_is_what_least_squares_says() -> None:
    """Covariance of the estimate, sigma^2 (A'A)^-1: Woodham 1980; any text on linear regression."""
    shading, slope_x, _, albedo = scene(8)
    rng = np.random.default_rng(5)
    light = shading.light * (1 + 0.01 * rng.standard_normal(shading.light.shape).astype(np.float32))
    found = solve(Shading(light, shading.cot_x, shading.cot_y, shading.base), SolveSettings(loss=1.0))
    cot = 1 / np.tan(np.deg2rad(25.0))
    expected = 0.01 / (cot * np.sqrt(8 / 2))
    level = np.sqrt(np.mean(np.square(shading.light / albedo)))
    assert np.std(found.slope_x - slope_x) == pytest.approx(expected * level, rel=0.1)
    assert found.residual == pytest.approx(0.01 * level, rel=0.2)
