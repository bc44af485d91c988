"""What a body hides, against closed forms: its shadow's edge, the edge's softness, its share of the sky."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.body import Body, BodyRecipe, open_share, place_body
from assessor.simulate.light import FINE_SKY, LightRecipe, Ray, disc_rays, sky_rays

BODY = Body(0.0, 500.0, 400.0, 1000.0)  # half a metre out along +x, half a width of 200 mm


def _line(y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros_like(y_mm), y_mm


def test_the_suns_shadow_edge_lies_where_the_ray_grazes_the_body() -> None:
    # From (0, y) toward azimuth a the plane x = 500 is met at y + 500 tan(a); the body ends at 200.
    azimuth = 15.0
    rays = disc_rays(LightRecipe("sun", azimuth, 30.0, direct=1.0))
    y = np.linspace(-100, 150, 2001)
    passed = open_share(BODY, rays, *_line(y))
    edge = 200 - 500 * np.tan(np.deg2rad(azimuth))
    assert passed[np.searchsorted(y, edge - 10)] == 0.0
    assert passed[np.searchsorted(y, edge + 10)] == 1.0
    assert np.interp(0.5, passed, y) == pytest.approx(edge, abs=0.5)


def test_the_penumbra_is_as_wide_as_the_sun() -> None:
    # The edge stands 500 / cos(e) from the point, the sun is 0.54 degrees wide: 500 x 0.54 degrees / cos(e) in azimuth.
    elevation = 30.0
    rays = disc_rays(LightRecipe("sun", 0.0, elevation, direct=1.0), 2000)
    y = np.linspace(180, 220, 4001)
    passed = open_share(BODY, rays, *_line(y))
    soft = y[(passed > 0.0005) & (passed < 0.9995)]
    wide = 500 * np.deg2rad(2 * 0.27) / np.cos(np.deg2rad(elevation))
    assert np.ptp(soft) == pytest.approx(wide, rel=0.06)


def test_a_low_body_is_looked_over() -> None:
    low = Body(0.0, 500.0, 400.0, 250.0)
    high_sun = disc_rays(LightRecipe("sun", 0.0, 40.0, direct=1.0))  # meets the plane at 500 tan 40 = 420 mm
    assert open_share(low, high_sun, *_line(np.zeros(1)))[0] == 1.0
    assert open_share(BODY, high_sun, *_line(np.zeros(1)))[0] == 0.0
    assert open_share(BODY, [Ray(0.0, 0.7, 1.0, True, (300.0, 0.0, 300.0))], *_line(np.zeros(1)))[0] == 1.0


def test_the_hidden_part_of_an_even_sky_is_the_view_factor() -> None:
    # View factor from a level element to an upright rectangle whose lower corner stands b aside and a ahead, height c
    # (Howell's catalogue, element to perpendicular rectangle): (atan(b/a) - a/sqrt(a^2 + c^2) atan(b/sqrt(a^2 + c^2)))
    # / (2 pi); the body is two of them.
    azimuths = 2 * np.pi * (np.arange(180) + 0.5) / 180
    sines = np.sqrt((np.arange(40) + 0.5) / 40)  # equal steps of sin^2: equal light on a level element
    rays = [Ray(float(a), float(np.arcsin(s)), 1.0, False) for a in azimuths for s in sines]
    a, b, c = BODY.distance_mm, BODY.width_mm / 2, BODY.height_mm
    slant = np.hypot(a, c)
    hidden = (np.arctan(b / a) - a / slant * np.arctan(b / slant)) / np.pi
    assert 1 - open_share(BODY, rays, *_line(np.zeros(1)))[0] == pytest.approx(hidden, rel=0.02)


@pytest.mark.parametrize("kind", ["overcast", "window", "sun"])
def test_a_photographer_by_the_guide_dims_the_near_side_by_a_tenth(kind: str) -> None:
    light = LightRecipe(kind, 20.0, 30.0)
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.linspace(-105, 105, 15), np.linspace(-148, 148, 21))
    for side in (270.0, 0.0, 90.0, 180.0):
        for distance in (560.0, 640.0):
            body = place_body(
                BodyRecipe(distance_mm=distance), side, None if kind == "overcast" else 20.0, rng
            )
            sky = open_share(body, sky_rays(light, *FINE_SKY), x, y)
            assert 0.86 < sky.min() < sky.max() <= 1.0
            assert kind == "window" or sky.min() < 0.95
            if rays := disc_rays(light):
                assert open_share(body, rays, x, y).min() == 1.0


def test_a_photographer_who_does_not_care_follows_the_phone() -> None:
    rng = np.random.default_rng(2)
    careless = place_body(BodyRecipe(clear_deg=0.0, sway_deg=0.0), 100.0, 95.0, rng)
    careful = place_body(BodyRecipe(clear_deg=65.0, sway_deg=0.0), 100.0, 95.0, rng)
    assert np.rad2deg(careless.azimuth) == pytest.approx(100.0)
    assert np.rad2deg(careful.azimuth) == pytest.approx(160.0)
