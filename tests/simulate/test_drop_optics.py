"""Rays through drops against hand-worked optics."""

import math

import numpy as np
import pytest

from assessor.simulate.drop_optics import WATER, Bead, fresnel, light_map, reflect, trace
from assessor.surface.drop_shape import drop_profile


def bead(radius_mm, height_of, px_per_mm=40.0, half_mm=4.0):
    n = round(2 * half_mm * px_per_mm)
    at = (np.arange(n) + 0.5) / px_per_mm - half_mm
    x, y = np.meshgrid(at, -at)
    r = np.hypot(x, y)
    return Bead(np.where(r < radius_mm, height_of(np.minimum(r, radius_mm)), 0).astype(np.float32), px_per_mm)


def hemisphere(radius_mm=3.0):
    return bead(radius_mm, lambda r: np.sqrt(np.maximum(radius_mm**2 - r**2, 0)))


def test_a_ray_from_straight_above_bends_by_snell():
    # Hemisphere of radius R, ray at r = R/2: incidence 30 degrees, inside asin(sin 30 / 1.333) = 22.03 degrees, so the
    # ray leans 7.97 degrees toward the axis over the height R cos 30: it lands at R (0.5 - 0.866 tan 7.97 degrees).
    inside = math.degrees(math.asin(0.5 / WATER))
    expected = 3.0 * (0.5 - math.cos(math.pi / 6) * math.tan(math.radians(30 - inside)))
    traced = trace(hemisphere(), np.array([[1.5, -3.6]]), np.zeros((1, 2)), np.array([0.0, 0.0, -1.0]))
    assert traced.x[0, 0] == pytest.approx(expected, abs=0.03)
    assert traced.y[0, 0] == pytest.approx(0, abs=0.02)
    # Outside the drop nothing happens.
    assert (traced.met[0, 1], traced.x[0, 1], traced.weight[0, 1]) == (0, -3.6, 1)
    assert traced.weight[0, 0] == pytest.approx(
        1 - fresnel(np.array(math.cos(math.pi / 6)), WATER), abs=0.005
    )


def test_water_reflects_two_percent_from_above():
    # ((n - 1) / (n + 1))^2 = 0.0204 at normal incidence.
    assert fresnel(np.array(1.0), WATER) == pytest.approx(((WATER - 1) / (WATER + 1)) ** 2)
    assert fresnel(np.array(1e-5), WATER) == pytest.approx(1, abs=1e-3)
    mirrored = reflect(np.array([0.6, 0.0, -0.8]), np.array([0.0, 0.0, 1.0]))
    assert mirrored == pytest.approx([0.6, 0.0, 0.8])


def test_a_level_slab_shifts_light_but_loses_none_to_its_shape():
    slab = Bead(np.full((400, 400), 1.0, np.float32), 40.0)
    along = np.array([math.sin(math.pi / 6), 0.0, -math.cos(math.pi / 6)])
    traced = trace(slab, np.zeros((1, 1)), np.zeros((1, 1)), along)
    # It enters 1 mm up, tan 30 back, and goes on at asin(sin 30 / 1.333).
    inside = math.asin(0.5 / WATER)
    assert traced.x[0, 0] == pytest.approx(-math.tan(math.pi / 6) + math.tan(inside), abs=0.02)


def test_light_is_gathered_away_from_the_lamp_and_not_made():
    profile = drop_profile(50, 80)
    widest = int(np.argmax(profile.radius_mm))
    drop = bead(
        profile.width_mm / 2,
        lambda r: np.interp(
            r, profile.radius_mm[: widest + 1], profile.height_mm - profile.depth_mm[: widest + 1]
        ),
        half_mm=5.0,
    )
    elevation = math.radians(40)
    toward = np.array([math.cos(elevation), 0.0, math.sin(elevation)])  # the lamp stands at +x
    light = light_map(drop, -toward, 9.0, 10.0, np.random.default_rng(0))
    n = light.shape[0]
    at = (np.arange(n) + 0.5) / 10.0 - 9.0
    x, y = np.meshgrid(at, -at)
    inside = np.hypot(x, y) < 0.9 * profile.width_mm / 2
    # Brightest inside lies on the side away from the lamp; beyond the drop there is shadow on that side only.
    bright = inside & (light > np.quantile(light[inside], 0.95))
    assert x[bright].mean() < -0.5
    beyond = (np.abs(y) < 1) & (np.abs(np.abs(x) - profile.width_mm / 2 - 0.8) < 0.5)
    assert light[beyond & (x < 0)].mean() < 0.7 * light[beyond & (x > 0)].mean()
    # What falls on the grid comes down or is lost at surfaces: never more, and most of it.
    inner = light[5:-5, 5:-5].mean()
    assert 0.9 < inner < 1.01
