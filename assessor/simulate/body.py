"""The photographer's body: what it hides of sun and sky, on the sheet and on the floor, photo by photo.

The body is an upright rectangle that faces the card. For every point of the card plane each ray of the light is
followed to it; what it stops is gone. A floor is lit once a capture for speed, so its radiance is dimmed by one
factor for the direct light and one for the rest, both taken from the rays at the card plane: right for shadows of
something half a metre away, except that the light between a flank and its neighbours is dimmed alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.simulate.light import Ray
from assessor.values import FloatArray


@dataclass(frozen=True, slots=True)
class BodyRecipe:
    """Where the photographer squats or stands: on the side of the card that the phone leans to.

    distance_mm from the window's centre; width_mm and height_mm of the rectangle above the card plane. clear_deg:
    keeps at least this far from the light's azimuth, reaching over instead (the guide asks for it), so that no
    sun or window is hidden; 0 does not care. sway_deg: scatter of the side between photos.
    """

    distance_mm: float = 600.0
    width_mm: float = 400.0
    height_mm: float = 1000.0
    clear_deg: float = 65.0
    sway_deg: float = 8.0


@dataclass(frozen=True, slots=True)
class Body:
    """A body in one photo: azimuth of its middle from the window's centre, radians."""

    azimuth: float
    distance_mm: float
    width_mm: float
    height_mm: float


def place_body(
    recipe: BodyRecipe, side_deg: float, light_deg: float | None, rng: np.random.Generator
) -> Body:
    """Body of a photo taken from side_deg; light_deg is the azimuth of the main light, None for an even sky."""
    at = side_deg + rng.uniform(-1, 1) * recipe.sway_deg
    if light_deg is not None:
        off = (at - light_deg + 180) % 360 - 180
        if abs(off) < recipe.clear_deg:
            at = light_deg + (recipe.clear_deg if off >= 0 else -recipe.clear_deg)
    return Body(float(np.deg2rad(at)), recipe.distance_mm, recipe.width_mm, recipe.height_mm)


def open_share(body: Body, rays: list[Ray], x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Share of some rays' light that passes the body to points of the card plane, same shape as x, float32."""
    points = np.stack([x_mm, y_mm, np.zeros_like(x_mm)], axis=-1).reshape(-1, 3)
    ahead = np.array([np.cos(body.azimuth), np.sin(body.azimuth)])
    beside = np.array([-ahead[1], ahead[0]])
    gap, aside = body.distance_mm - points[:, :2] @ ahead, points[:, :2] @ beside
    stopped = np.zeros(len(points))
    for ray in rays:
        toward = ray.toward(points)
        reach = gap / np.maximum(toward[:, :2] @ ahead, 1e-9)
        across = aside + reach * (toward[:, :2] @ beside)
        hit = (np.abs(across) < body.width_mm / 2) & (reach * toward[:, 2] < body.height_mm) & (gap > 0)
        if ray.lamp_mm is not None:
            hit &= reach < np.linalg.norm(np.asarray(ray.lamp_mm) - points, axis=-1)
        stopped += ray.share * hit
    passed = 1 - stopped / sum(ray.share for ray in rays)
    return np.asarray(passed.reshape(np.shape(x_mm)), dtype=np.float32)
