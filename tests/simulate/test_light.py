"""Light falls where it should: shares, inverse square, shadow lengths and sides."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.light import KINDS, LightRecipe, light_floor, light_rays
from assessor.values import FloatArray

PX_PER_MM = 6.0
N = round(140 * PX_PER_MM)


def _light(field: FloatArray, light: LightRecipe) -> FloatArray:
    return light_floor(field, np.ones((*field.shape, 3), np.float32), PX_PER_MM, light, window_half_mm=60.0)[
        ..., 1
    ]


def _at(x_mm: float, y_mm: float) -> tuple[int, int]:
    return int((70 - y_mm) * PX_PER_MM), int((x_mm + 70) * PX_PER_MM)


@pytest.mark.parametrize("kind", KINDS)
def test_a_level_open_floor_gets_one(kind: str) -> None:
    assert sum(ray.share for ray in light_rays(LightRecipe(kind))) == pytest.approx(1.0)
    level = _light(np.zeros((N, N), np.float32), LightRecipe(kind, ambient_rgb=(1, 1, 1)))
    assert level[_at(0, 0)] == pytest.approx(1.0, abs=0.01)


def test_unknown_light_is_refused() -> None:
    with pytest.raises(ValueError, match="light must be one of overcast, window, ceiling, sun, lamp, torch"):
        light_rays(LightRecipe("moon"))


@pytest.mark.parametrize(
    ("kind", "azimuth"), [("sun", 0.0), ("lamp", 37.0), ("torch", 210.0), ("torch", 90.0)]
)
def test_a_posts_shadow_has_the_right_length_and_side(kind: str, azimuth: float) -> None:
    # Elementary: a post of height h at elevation e throws a shadow of h / tan(e) away from the light.
    field = np.full((N, N), -1.0, np.float32)
    row, col = _at(0, 0)
    field[row - 3 : row + 3, col - 3 : col + 3] = 4.0
    elevation = 30.0
    light = LightRecipe(kind, azimuth, elevation, 0.05, direct=1.0, bounce=0.0, distance_mm=300.0)
    lit = _light(field, light) / np.maximum(_light(np.full((N, N), -1.0, np.float32), light), 1e-3)
    away = -np.array([np.cos(np.deg2rad(azimuth)), np.sin(np.deg2rad(azimuth))])
    if kind == "torch":
        lamp = np.array(light.lamp_mm)
        length = np.hypot(lamp[0], lamp[1]) * 5.0 / (lamp[2] - 4.0)
    else:
        length = 5.0 / np.tan(np.deg2rad(elevation))
    along = np.array([lit[_at(*(away * d))] for d in np.arange(1.0, 14.0, 0.1)])
    edge = 1.0 + 0.1 * np.argmax(along > 0.5)
    assert edge == pytest.approx(length, abs=0.75)  # the post is 1 mm wide, 0.7 mm across its diagonal
    assert min(lit[_at(*(-away * d))] for d in np.arange(1.0, 12.0, 0.5)) > 0.95


@pytest.mark.parametrize("azimuth", [0.0, 120.0])
def test_bumps_are_bright_toward_the_sun_and_pits_away_from_it(azimuth: float) -> None:
    at = (np.arange(N) + 0.5) / PX_PER_MM - 70
    dome = (0.6 * np.exp(-(at[None, :] ** 2 + at[:, None] ** 2) / (2 * 3.0**2))).astype(np.float32)
    sun = LightRecipe("sun", azimuth, 40.0)
    toward = 3.0 * np.array([np.cos(np.deg2rad(azimuth)), np.sin(np.deg2rad(azimuth))])
    bump, pit = _light(-1.0 + dome, sun), _light(-1.0 - dome, sun)
    assert bump[_at(*toward)] > 1.05 > 0.95 > bump[_at(*-toward)]
    assert pit[_at(*toward)] < 0.95 < 1.05 < pit[_at(*-toward)]


def test_a_slopes_brightness_is_the_cosine_law() -> None:
    # Lambert 1760: irradiance of a plane tilted by a toward a sun at elevation e is sin(e + a)/sin(e) of level.
    at = ((np.arange(N) + 0.5) / PX_PER_MM - 70).astype(np.float32)
    tilt, elevation = np.deg2rad(6.0), np.deg2rad(40.0)
    plane = np.broadcast_to(-8.0 - at[None, :] * np.float32(np.tan(tilt)), (N, N)).astype(np.float32)
    sun = LightRecipe("sun", 0.0, 40.0, direct=1.0, bounce=0.0)
    assert _light(plane, sun)[_at(0, 0)] == pytest.approx(
        np.sin(elevation + tilt) / np.sin(elevation), abs=0.005
    )


def test_torch_falls_off_with_the_square_and_the_cosine() -> None:
    torch = LightRecipe("torch", 0.0, 30.0, direct=1.0, bounce=0.0, distance_mm=300.0)
    lit = _light(np.zeros((N, N), np.float32), torch)
    lamp = np.array(torch.lamp_mm)
    for x, y in ((40.0, 0.0), (-40.0, 10.0), (0.0, 50.0)):
        reach = np.linalg.norm(lamp - (x, y, 0.0))
        assert lit[_at(x, y)] == pytest.approx((300.0 / reach) ** 3, rel=0.01)


def test_the_bottom_of_a_groove_gets_the_sky_it_sees() -> None:
    """Infinite groove of depth = width under a uniform sky: view factor sqrt(1 + 1/4) - 1/2 = 0.618 mid-floor.

    Closed form for the centre of the floor between two walls of height h and spacing w:
    sin(atan(w / 2h)) (Hottel's crossed strings); here w = 2h, so sin(45 deg) = 0.707. The CIE overcast
    sky is brighter at the zenith, so the share is a little higher.
    """
    field = np.full((N, N), -0.01, np.float32)
    depth = 3.0
    row, col = _at(0, 0)
    half = round(depth * PX_PER_MM)
    field[:, col - half : col + half] = -depth
    sky = LightRecipe("overcast", bounce=0.0, ambient_rgb=(1, 1, 1))
    share = _light(field, sky)[row, col]
    assert 0.69 < share < 0.82
