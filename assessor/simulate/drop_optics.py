"""Rays through a lying drop of water: where light that falls on it lands, and what a camera sees through it.

A drop is a height field on a level floor. Rays refract once at its surface (Snell, n = 1.333), run straight through
the water, and land on the floor below or leave through the side and land beside it; what is totally reflected is lost.
That is geometric optics without the light that the water scatters or that goes round inside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.simulate.imaging import sample
from assessor.values import FloatArray, freeze

WATER = 1.333
STEPS = 80
MARGIN_MM = 0.02


@dataclass(frozen=True, eq=False)
class Bead:
    """A drop's heights over the floor, (m, m) float32 about its middle; row 0 lies at the largest y."""

    height_mm: FloatArray
    px_per_mm: float

    def __post_init__(self) -> None:
        freeze(self.height_mm)

    @property
    def half_mm(self) -> float:
        """Half the side of the field."""
        return float(self.height_mm.shape[0] / self.px_per_mm / 2)

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Height at local x, y in mm, (h, w); 0 outside the field."""
        return sample(self.height_mm, *self._pixels(x, y), 0)

    def normal(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Unit normals of the surface, (h, w, 3)."""
        d = 1.0 / self.px_per_mm
        dx = (self.at(x + d, y) - self.at(x - d, y)) / (2 * d)
        dy = (self.at(x, y + d) - self.at(x, y - d)) / (2 * d)
        n = np.stack([-dx, -dy, np.ones_like(dx)], -1)
        return np.asarray(n / np.linalg.norm(n, axis=-1, keepdims=True))

    def _pixels(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        half = self.half_mm
        return (x + half) * self.px_per_mm - 0.5, (half - y) * self.px_per_mm - 0.5


@dataclass(frozen=True, eq=False)
class Traced:
    """Where rays end on the floor, (h, w) each: x, y in mm, and what of each gets there (0..1).

    met: whether the ray met the water. entry, normal (h, w, 3): where, and the surface there.
    """

    x: FloatArray
    y: FloatArray
    weight: FloatArray
    met: FloatArray
    entry: FloatArray
    normal: FloatArray


def trace(bead: Bead, feet_x: FloatArray, feet_y: FloatArray, along: FloatArray) -> Traced:
    """Follow rays down to the floor; without the drop they would land at feet (h, w).

    along: unit directions (h, w, 3) or (3,), pointing down.
    """
    along = np.broadcast_to(along, (*feet_x.shape, 3)).astype(np.float64)
    top = float(bead.height_mm.max()) + MARGIN_MM
    reach = top / -along[..., 2]
    start = np.stack([feet_x, feet_y, np.zeros_like(feet_x)], -1) - along * reach[..., None]
    entry, met = _march(bead, start, along, reach, enter=True)
    normal = bead.normal(entry[..., 0], entry[..., 1])
    inside, through = _refract(along, normal, 1 / WATER)
    pass_in = (1 - fresnel(-(along * normal).sum(-1), WATER)) * through
    down = np.maximum(-inside[..., 2], 1e-3)
    deep = np.maximum(entry[..., 2], 0) / down
    leave, left = _march(bead, entry, inside, deep, enter=False)
    out_normal = -bead.normal(leave[..., 0], leave[..., 1])
    outside, escapes = _refract(inside, out_normal, WATER)
    falls = escapes * (outside[..., 2] < -0.02)
    rest = np.maximum(leave[..., 2], 0) / np.maximum(-outside[..., 2], 0.02)
    beside = leave + outside * rest[..., None]
    below = entry + inside * deep[..., None]
    end = np.where(left[..., None] > 0, beside, below)
    weight = np.where(left > 0, pass_in * falls, pass_in)
    return Traced(
        x=np.where(met > 0, end[..., 0], feet_x),
        y=np.where(met > 0, end[..., 1], feet_y),
        weight=np.where(met > 0, weight, 1.0),
        met=met,
        entry=entry,
        normal=normal,
    )


def fresnel(cosine: FloatArray, ratio: float) -> FloatArray:
    """Share of unpolarised light that a surface reflects, into a medium `ratio` times as dense."""
    c = np.clip(np.abs(cosine), 1e-6, 1)
    g = np.sqrt(np.maximum(ratio**2 - 1 + c * c, 0))
    s = ((c - g) / (c + g)) ** 2
    p = ((ratio**2 * c - g) / (ratio**2 * c + g)) ** 2
    return np.asarray((s + p) / 2)


def reflect(along: FloatArray, normal: FloatArray) -> FloatArray:
    """Directions after a mirror."""
    return np.asarray(along - 2 * (along * normal).sum(-1, keepdims=True) * normal)


def light_map(
    bead: Bead,
    along: FloatArray,
    half_mm: float,
    px_per_mm: float,
    rng: np.random.Generator,
    *,
    per_px: int = 3,
) -> FloatArray:
    """Light on the floor about a drop over that without it, (m, m), from one direction (3,) pointing down.

    Rays fall on a jittered grid per_px x per_px a sample, and each lands in the four samples about it.
    """
    n = round(2 * half_mm * px_per_mm)
    fine = n * per_px
    step = 2 * half_mm / fine
    cells = (np.arange(fine) + 0.5) * step - half_mm
    x, y = np.meshgrid(cells, -cells)
    x = x + rng.uniform(-0.5, 0.5, x.shape) * step
    y = y + rng.uniform(-0.5, 0.5, y.shape) * step
    traced = trace(bead, x, y, along)
    col = (traced.x + half_mm) * px_per_mm - 0.5
    row = (half_mm - traced.y) * px_per_mm - 0.5
    c0, r0 = np.floor(col).astype(int), np.floor(row).astype(int)
    fc, fr = col - c0, row - r0
    total = np.zeros((n + 2) * (n + 2))
    for dr, wr in ((0, 1 - fr), (1, fr)):
        for dc, wc in ((0, 1 - fc), (1, fc)):
            r, c = np.clip(r0 + dr + 1, 0, n + 1), np.clip(c0 + dc + 1, 0, n + 1)
            weight = (traced.weight * wr * wc).ravel()
            total += np.bincount((r * (n + 2) + c).ravel(), weight, minlength=total.size)
    light = total.reshape(n + 2, n + 2)[1:-1, 1:-1] / per_px**2
    # Light that came in from beyond the grid is missing at its edge.
    light[[0, -1]] = light[:, [0, -1]] = 1.0
    return light.astype(np.float32)


def _march(
    bead: Bead, start: FloatArray, along: FloatArray, reach: FloatArray, *, enter: bool
) -> tuple[FloatArray, FloatArray]:
    """Where rays of length `reach` first cross the water's surface, and whether they do (0 or 1).

    enter: from the air into the water, else out of it. A ray that does not cross ends at its start.
    """
    found = np.zeros(start.shape[:2])
    at = np.zeros(start.shape[:2])
    before = np.zeros(start.shape[:2])
    first = 0 if enter else 2  # a ray just refracted lies on the surface
    for k in range(first, STEPS + 1):
        s = reach * (k / STEPS)
        p = start + along * s[..., None]
        gap = p[..., 2] - bead.at(p[..., 0], p[..., 1])
        if enter:
            gap = -gap - 1e-4 * (p[..., 2] <= 1e-6)
        else:
            gap = gap - 1e-3
        new = (found == 0) & (gap > 0)
        share = np.where(k > first, before / np.minimum(before - gap, -1e-9), 0.0)
        at = np.where(new, s - reach / STEPS * (1 - np.clip(share, 0, 1)), at)
        found = np.where(new, 1.0, found)
        before = gap
    return start + along * at[..., None], found


def _refract(along: FloatArray, normal: FloatArray, ratio: float) -> tuple[FloatArray, FloatArray]:
    """Directions behind a surface (normal toward where light comes from) and whether any gets through (0 or 1)."""
    c = np.maximum(-(along * normal).sum(-1), 0)
    k = 1 - ratio**2 * (1 - c * c)
    bent = ratio * along + (ratio * c - np.sqrt(np.maximum(k, 0)))[..., None] * normal
    return np.asarray(bent / np.maximum(np.linalg.norm(bent, axis=-1, keepdims=True), 1e-9)), (k > 0).astype(
        float
    )
