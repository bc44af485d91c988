"""The shadow of one standing triangle on the sheet, in closed form, for a point, disc or near source.

A source is an even disc of angular radius R. Its shadow is a weighted sum over points of the disc (a single one
where the penumbra is finer than the paper can show), each with soft edges whose width grows with the height of what
casts them: edge-on, sd = R/2 x the distance from caster to paper, stretched by 1/sin(elevation) along the light.
Seven points follow Radon's rule for the disc (Radon 1948; Abramowitz & Stegun 25.4.61), drawn in so that points and
their own softness together keep the disc's second moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from assessor.values import FloatArray

MIN_ELEVATION = float(np.deg2rad(4.0))
MAX_ELEVATION = float(np.deg2rad(88.0))
SHARP_MM = 0.25  # penumbra sd at the tip below which one point stands for the disc
WIDE = float(np.deg2rad(9.0))  # from this half angle on, 19 points instead of 7


@dataclass(frozen=True, slots=True)
class Source:
    """A light: azimuth and elevation (rad) toward it from the window's centre, 1/distance (1/mm; 0 = far), disc (rad).

    share: its part of the light on level paper at the window's centre.
    """

    azimuth: float
    elevation: float
    nearness_per_mm: float
    half_angle: float
    share: float

    @property
    def toward(self) -> FloatArray:
        """Unit vector (3,) from the window's centre."""
        c = np.cos(self.elevation)
        return np.array([c * np.cos(self.azimuth), c * np.sin(self.azimuth), np.sin(self.elevation)])

    def seen_from(self, point_mm: FloatArray) -> FloatArray:
        """Unit vector (3,) toward the light from a point (3,)."""
        line = self.toward - self.nearness_per_mm * point_mm
        return np.asarray(line / np.linalg.norm(line))

    def strength(self, point_mm: FloatArray) -> float:
        """Light on level paper at a point (3,) over that at the window's centre: inverse square times the cosine."""
        line = self.toward - self.nearness_per_mm * point_mm
        return float(line[2] / self.toward[2] / np.linalg.norm(line) ** 3)


@dataclass(frozen=True, slots=True)
class Triangle:
    """A standing tab: fold ends (2, 3) on the sheet and tip (3,), mm."""

    fold: FloatArray
    tip: FloatArray

    @property
    def level(self) -> float:
        """Height of the fold's middle, mm."""
        return float(self.fold[0, 2] + self.fold[1, 2]) / 2


def stand(fold: FloatArray, outward: FloatArray, height_mm: float, lean: float) -> Triangle:
    """Fold up a tab; lean (rad) is 0 upright and grows toward the flat, uncut sheet (away from the window)."""
    up = np.array([outward[0] * np.sin(lean), outward[1] * np.sin(lean), np.cos(lean)])
    return Triangle(fold, fold.mean(0) + height_mm * up)


def points_needed(half_angle: float, elevation: float, height_mm: float) -> int:
    """How many points of the disc a shadow needs: 1, 7 or 19."""
    if half_angle / 2 * height_mm / np.sin(elevation) < SHARP_MM:
        return 1
    return 7 if half_angle < WIDE else 19


@dataclass(frozen=True, eq=False)
class Shade:
    """A shadow on n points: share of the light taken (n,), and its slopes.

    by_end (n, 2): per mm that the tip's shadow moves along x and y; by_half_angle: per rad; by_growth, by_blur:
    per mm.
    """

    share: FloatArray
    by_end: FloatArray
    by_half_angle: FloatArray
    by_growth: FloatArray
    by_blur: FloatArray


def shadow_end(triangle: Triangle, source: Source) -> FloatArray:
    """Where the tip's shadow falls, (2,) mm, at the level of the fold."""
    azimuth, elevation = _direction(triangle, source)
    return np.asarray(_ends(triangle, np.array([azimuth]), np.array([elevation]))[0])


def cast_shadow(
    triangle: Triangle,
    source: Source,
    at_mm: FloatArray,
    *,
    blur_mm: float,
    points: int,
    grown_mm: float = 0.0,
) -> Shade:
    """Work out the share of a source's light that a triangle takes from sheet points at_mm (n, 3).

    Heights of the points count: on a hollow the shadow reaches further. blur_mm: sd of the picture; points: from
    `points_needed`; grown_mm: how far the long edges lie further out than drawn (knife, blooming).
    """
    offsets, weights, rest = _disc(points)
    azimuth, elevation = _direction(triangle, source)
    turned, raised = _toward_points(azimuth, elevation, offsets, source.half_angle)
    weight = weights * np.sin(raised)
    parts = _point_shadows(triangle, at_mm, (turned, raised), rest * source.half_angle, (blur_mm, grown_mm))
    wider = _toward_points(azimuth, elevation, offsets, source.half_angle + 1e-4)
    drift = ((_ends(triangle, *wider) - _ends(triangle, turned, raised)) / 1e-4).astype(np.float32)
    parts[3] *= np.float32(rest)
    parts[3] += drift[:, :1] * parts[1] + drift[:, 1:] * parts[2]
    total = np.einsum("k,ikn->in", (weight / weight.sum()).astype(np.float32), parts)
    return Shade(total[0], total[1:3].T, *total[3:])


def _direction(triangle: Triangle, source: Source) -> tuple[float, float]:
    """Azimuth and elevation (rad) of a source as a tab's tip sees it."""
    toward = source.seen_from(triangle.tip)
    return float(np.arctan2(toward[1], toward[0])), float(np.arcsin(np.clip(toward[2], -1, 1)))


def _toward_points(
    azimuth: float, elevation: float, offsets: FloatArray, half_angle: float
) -> tuple[FloatArray, FloatArray]:
    """Azimuths and elevations (k,) of points of the disc."""
    raised = np.clip(elevation + offsets[:, 1] * half_angle, MIN_ELEVATION, MAX_ELEVATION)
    return azimuth + offsets[:, 0] * half_angle / max(np.cos(elevation), 0.2), raised


def _ends(triangle: Triangle, azimuth: FloatArray, elevation: FloatArray) -> FloatArray:
    """Where the tip's shadow falls for each direction, (k, 2)."""
    reach = (triangle.tip[2] - triangle.level) / np.tan(np.maximum(elevation, MIN_ELEVATION))
    along = np.stack([np.cos(azimuth), np.sin(azimuth)], -1)
    return np.asarray(triangle.tip[:2] - reach[:, None] * along)


@cache
def _disc(points: int) -> tuple[FloatArray, FloatArray, float]:
    """Offsets (k, 2) and weights (k,) on the unit disc, and each point's own sd; total variance 1/4 a side."""
    if points == 1:
        return np.zeros((1, 2)), np.ones(1), 0.5
    turn = np.arange(6) * np.pi / 3
    six = np.column_stack([np.cos(turn), np.sin(turn)])
    if points == 7:
        rest = 0.3
        radius = np.sqrt((0.25 - rest**2) / 0.375)
        return np.vstack([np.zeros((1, 2)), radius * six]), np.array([0.25, *[0.125] * 6]), rest
    turn = (np.arange(12) + 0.5) * np.pi / 6
    twelve = np.column_stack([np.cos(turn), np.sin(turn)])
    rest, inner, outer = 0.18, 0.42, 0.84
    # Even weights; radii scaled so that the second moment is right.
    variance = (6 * inner**2 + 12 * outer**2) / 19 / 2
    scale = np.sqrt((0.25 - rest**2) / variance)
    return (
        np.vstack([np.zeros((1, 2)), scale * inner * six, scale * outer * twelve]),
        np.full(19, 1 / 19),
        rest,
    )


def _point_shadows(
    triangle: Triangle,
    at_mm: FloatArray,
    direction: tuple[FloatArray, FloatArray],
    sd: float,
    edge_mm: tuple[float, float],
) -> FloatArray:
    """Shadows of k small sources in direction (azimuths, elevations) with angular sd; edge_mm: blur and growth.

    (6, k, n): share, its slopes by the end's x and y, by sd, by growth, by blur.
    """
    (azimuth, elevation), (blur_mm, grown_mm) = direction, edge_mm
    along = np.stack([np.cos(azimuth), np.sin(azimuth)], -1)
    sine = np.sin(elevation)
    first, second = triangle.fold[:, :2]
    middle, half = (first + second) / 2, (second - first) / 2
    span = _ends(triangle, azimuth, elevation) - middle
    side = np.where(half[0] * span[:, 1] - half[1] * span[:, 0] > 0, 1.0, -1.0)
    # Seen along the light, a point z above the fold lies where its own line of sight meets the fold's level.
    lift = np.outer(1 / np.tan(elevation), at_mm[:, 2] - triangle.level).astype(np.float32)
    x = (at_mm[:, 0] - middle[0]).astype(np.float32) - _column(along[:, 0]) * lift
    y = (at_mm[:, 1] - middle[1]).astype(np.float32) - _column(along[:, 1]) * lift
    square = np.maximum((span**2).sum(1), 1e-6)
    run = x * _column(span[:, 0] / square) + y * _column(span[:, 1] / square)
    run = np.clip(run, 0.0, 1.3) * _column((triangle.tip[2] - triangle.level) / sine)
    out = np.zeros((6, *x.shape), np.float32)
    out[0] = -1.0
    for start, sign in ((half, 1.0), (-half, -1.0)):
        length = np.hypot(*(span - start).T)
        edge = (span - start) / length[:, None]
        normal = np.stack([-edge[:, 1], edge[:, 0]], -1) * (side * sign)[:, None]
        off_x, off_y = x - np.float32(start[0]), y - np.float32(start[1])
        distance = off_x * _column(normal[:, 0]) + off_y * _column(normal[:, 1])
        # How much of the penumbra's growth crosses the edge: along the light it is stretched.
        stretch = np.hypot(
            normal[:, 1] * along[:, 0] - normal[:, 0] * along[:, 1], (normal * along).sum(1) / sine
        )
        grown = run * _column(stretch)
        width = np.sqrt(np.float32(blur_mm**2) + (grown * np.float32(sd)) ** 2)
        t = (distance + np.float32(grown_mm)) / width
        soft, density = _normal(t)
        density /= width
        out[0] += soft
        # Moving the end turns the edge about its fixed start.
        pull = -density * (off_x * _column(edge[:, 0] / length) + off_y * _column(edge[:, 1] / length))
        out[1] += pull * _column(normal[:, 0])
        out[2] += pull * _column(normal[:, 1])
        wider = density * t / width
        out[3] -= wider * np.float32(sd) * grown * grown
        out[4] += density
        out[5] -= wider * np.float32(blur_mm)
    fold = half / np.hypot(*half) / blur_mm
    behind, _ = _normal((x * np.float32(-fold[1]) + y * np.float32(fold[0])) * _column(side))
    behind[out[0] <= 0] = 0
    out *= behind
    return out


def _column(values: FloatArray) -> FloatArray:
    return np.asarray(values, np.float32)[:, None]


def _normal(t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gaussian distribution and density, within 0.0002 and fast: 1 / (1 + exp(-1.5976 t - 0.07056 t^3)).

    Source: Page 1977, "Approximations to the cumulative normal function and its inverse", from memory, verify; the
    error is tested against scipy.
    """
    t = np.clip(t, -5, 5)
    square = t * t
    soft = 1 / (1 + np.exp(-t * (np.float32(1.5976) + np.float32(0.07056) * square)))
    return soft, soft * (1 - soft) * (np.float32(1.5976) + np.float32(0.21168) * square)
