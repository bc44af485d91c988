"""Somebody or something that stands in the light: its shadow takes direct light only, softer the farther it is.

A caster is a flat silhouette that stands upright across the light, `distance_mm` from where its shadow falls. Every
ray of the light's disc is followed to it, so a far edge gets a wide penumbra.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from assessor.simulate.light import LightRecipe, disc_rays
from assessor.values import FloatArray

RAYS = 128  # so that a penumbra of decimetres shows no steps


@dataclass(frozen=True, slots=True)
class CasterRecipe:
    """shape: one of SHAPES. at_mm: where on the card plane the shadow of its reference point falls (see SHAPES);
    distance_mm: of the silhouette from there, level; turn_deg: turned in its own plane; size: 1 = as given."""

    shape: str
    at_mm: tuple[float, float] = (0.0, 0.0)
    distance_mm: float = 900.0
    turn_deg: float = 0.0
    size: float = 1.0

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise ValueError(f"shape must be one of {', '.join(SHAPES)}, not {self.shape!r}")


def _capsule(u: FloatArray, v: FloatArray, ends: tuple[float, ...], radius: float) -> FloatArray:
    """Distance inside a stick with round ends (u0, v0, u1, v1)."""
    du, dv = ends[2] - ends[0], ends[3] - ends[1]
    t = np.clip(((u - ends[0]) * du + (v - ends[1]) * dv) / (du * du + dv * dv), 0, 1)
    return np.asarray(radius - np.hypot(u - ends[0] - t * du, v - ends[1] - t * dv))


def _head(u: FloatArray, v: FloatArray) -> FloatArray:
    """Head (reference: its middle), neck and shoulders."""
    skull = 1 - np.hypot(u / 88, v / 118)
    neck = _capsule(u, v, (0, -90, 0, -200), 62) / 100
    trunk = np.minimum(230 - np.abs(u) - 0.25 * np.maximum(v + 260, -60), -215 - v) / 200
    return np.asarray(np.maximum(np.maximum(skull, neck), trunk))


def _arm(u: FloatArray, v: FloatArray) -> FloatArray:
    """A forearm and a hand; reference: the wrist."""
    hand = np.maximum(_capsule(u, v, (20, 0, 95, 8), 42), _capsule(u, v, (80, 5, 165, 14), 21))
    return np.asarray(np.maximum(hand, _capsule(u, v, (0, 0, -450, -30), 40)))


def _pole(u: FloatArray, v: FloatArray) -> FloatArray:
    """A handle or a stand's tube; reference: on its axis."""
    return np.asarray(16 - np.abs(u))


def _phone(u: FloatArray, v: FloatArray) -> FloatArray:
    """A phone held level in a hand; reference: its middle."""
    slab = np.minimum(77 - np.abs(u), 39 - np.abs(v))
    return np.asarray(np.maximum(slab, _capsule(u, v, (40, -30, 260, -200), 38)))


def _wall(u: FloatArray, v: FloatArray) -> FloatArray:
    """The straight side of a machine, a door or a column; reference: on its edge."""
    return np.asarray(u)


SHAPES: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "head": _head,
    "arm": _arm,
    "pole": _pole,
    "phone": _phone,
    "wall": _wall,
}


@dataclass(frozen=True, slots=True)
class Caster:
    """A caster in a light: what of the direct light passes it."""

    recipe: CasterRecipe
    light: LightRecipe

    def open_direct(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Share of the direct light that reaches points of the card plane, same shape as x, float32."""
        rays = disc_rays(self.light, RAYS)
        if not rays:
            return np.ones(np.shape(x_mm), np.float32)
        recipe = self.recipe
        azimuth = np.deg2rad(self.light.azimuth_deg)
        ahead, beside = (
            np.array([np.cos(azimuth), np.sin(azimuth)]),
            np.array([-np.sin(azimuth), np.cos(azimuth)]),
        )
        foot = np.array([*recipe.at_mm, 0.0])
        points = np.stack([x_mm, y_mm, np.zeros_like(x_mm)], -1).reshape(-1, 3).astype(np.float64)
        # The ray to the disc's middle from where the shadow falls sets the silhouette's height.
        main = np.mean([ray.toward(foot[None])[0] for ray in rays], axis=0)
        reach = recipe.distance_mm / (main[:2] @ ahead)
        u0, v0 = float(reach * (main[:2] @ beside)), float(reach * main[2])
        turn = np.deg2rad(recipe.turn_deg)
        c, s = np.cos(turn), np.sin(turn)
        hidden = np.zeros(len(points))
        gap, aside = recipe.distance_mm - (points - foot)[:, :2] @ ahead, (points - foot)[:, :2] @ beside
        for ray in rays:
            toward = ray.toward(points)
            reach_p = gap / np.maximum(toward[:, :2] @ ahead, 1e-6)
            u = (aside + reach_p * (toward[:, :2] @ beside) - u0) / recipe.size
            v = (reach_p * toward[:, 2] - v0) / recipe.size
            hit = (SHAPES[recipe.shape](c * u + s * v, c * v - s * u) > 0) & (gap > 0)
            if ray.lamp_mm is not None:
                hit &= reach_p < np.linalg.norm(np.asarray(ray.lamp_mm) - points, axis=-1)
            hidden += hit
        return np.asarray((1 - hidden / len(rays)).reshape(np.shape(x_mm)), dtype=np.float32)
