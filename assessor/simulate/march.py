"""Rays against the height field: where each line of sight first meets the floor."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.simulate.imaging import sample, shrink
from assessor.values import FloatArray, freeze

STEP_MM = 0.12  # sideways step of the march; ridges thinner than this may be stepped over
BRACKET_MM = 0.02  # sideways size of the bracket that the last, straight-line step starts from
BLOCK = 96  # rays are handled in squares of this side, each with its own highest and lowest floor
SURROUND_MM = (900.0, 760.0)
SURROUND_PX_PER_MM = 3.0


@dataclass(frozen=True, eq=False)
class FloorTexture:
    """Lit floor: height_mm (n, n) float32 and radiance (n, n, 3) float32 on the same grid.

    surround: the same concrete continued over SURROUND_MM at SURROUND_PX_PER_MM, (rows, cols, 3).
    """

    height_mm: FloatArray
    radiance: FloatArray
    surround: FloatArray
    px_per_mm: float

    def __post_init__(self) -> None:
        for array in (self.height_mm, self.radiance, self.surround):
            freeze(array)

    def pixels(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions in mm as (col, row) of the grids, pixel centres."""
        d, half = np.float32(self.px_per_mm), np.float32(self.height_mm.shape[0] / 2 - 0.5)
        return x_mm * d + half, half - y_mm * d


def floor_texture(
    height_mm: FloatArray, radiance: FloatArray, px_per_mm: float, around: FloatArray | None = None
) -> FloorTexture:
    """Bundle a lit floor, with the surround made from its own middle, or from that of `around`, lit alike."""
    beside = _continue(radiance if around is None else around, px_per_mm)
    return FloorTexture(np.array(height_mm), np.array(radiance), beside, px_per_mm)


def _continue(radiance: FloatArray, px_per_mm: float) -> FloatArray:
    """Lay pieces of a texture's middle side by side at random, with seams faded so that contrast is kept.

    Weights whose squares sum to one keep the variance of independent pieces (Heitz and Neyret 2018,
    "High-performance by-example noise using a histogram-preserving blending operator").
    """
    n = radiance.shape[0]
    margin = n * 3 // 28  # the rim lies under the sheet
    source = shrink(radiance[margin : n - margin, margin : n - margin], px_per_mm / SURROUND_PX_PER_MM)
    mean = source.mean((0, 1))
    source -= mean
    tile, fade = source.shape[0] * 2 // 3, source.shape[0] // 6
    ramp = np.minimum((np.arange(tile + fade) + 0.5) / fade, 1.0)
    window = np.sin(np.minimum(ramp, ramp[::-1]) * np.pi / 2).astype(np.float32)
    weight = (window[:, None] * window[None, :])[..., None]
    cols, rows = (round(side * SURROUND_PX_PER_MM) for side in SURROUND_MM)
    across, down = -(-cols // tile) + 1, -(-rows // tile) + 1
    canvas = np.zeros((down * tile + fade, across * tile + fade, 3), np.float32)
    rng = np.random.default_rng(n)
    for i in range(down):
        for j in range(across):
            r, c = rng.integers(0, source.shape[0] - tile - fade + 1, 2)
            piece = source[r : r + tile + fade, c : c + tile + fade]
            canvas[i * tile : (i + 1) * tile + fade, j * tile : (j + 1) * tile + fade] += piece * weight
    return np.asarray(
        np.clip(canvas[fade : fade + rows, fade : fade + cols] + mean, 0, None), dtype=np.float32
    )


def march_floor(
    foot_x: FloatArray, foot_y: FloatArray, centre_mm: FloatArray, floor: FloorTexture
) -> tuple[FloatArray, FloatArray]:
    """Where rays from a camera, given by their feet at z = 0, first meet the floor: x, y in mm.

    centre_mm: the camera's centre, (3,), or one for each row of rays, (rows, 3) (rolling shutter).
    """
    x, y = np.empty_like(foot_x), np.empty_like(foot_y)
    low, high, _, _ = cv2.minMaxLoc(floor.height_mm)
    deepest = max(abs(low), abs(high))
    for top in range(0, foot_x.shape[0], BLOCK):
        centre = centre_mm if centre_mm.ndim == 1 else centre_mm[top : top + BLOCK].mean(0)
        for left in range(0, foot_x.shape[1], BLOCK):
            part = (slice(top, top + BLOCK), slice(left, left + BLOCK))
            x[part], y[part] = _march_block(foot_x[part], foot_y[part], centre, floor, deepest)
    return x, y


def _march_block(
    foot_x: FloatArray, foot_y: FloatArray, centre_mm: FloatArray, floor: FloorTexture, deepest: float
) -> tuple[FloatArray, FloatArray]:
    # In floor pixels a ray is p0 + slant z, with z counted from the card plane.
    p0x, p0y = floor.pixels(foot_x, foot_y)
    scale = np.float32(floor.px_per_mm / centre_mm[2])
    sx, sy = (np.float32(centre_mm[0]) - foot_x) * scale, (foot_y - np.float32(centre_mm[1])) * scale
    lean = float(np.hypot(sx, sy).max()) / floor.px_per_mm
    top, bottom = _range_under(p0x, p0y, 0.3 + deepest * lean, floor)
    step = min(STEP_MM / max(lean, 1e-3), max((top - bottom) / 2, 1e-3))
    low = _descend((p0x, sx, p0y, sy), top, bottom, step, floor)
    high = low + np.float32(step)
    for _ in range(int(np.ceil(np.log2(max(step * lean / BRACKET_MM, 1.0))))):
        middle = 0.5 * (low + high)
        under = sample(floor.height_mm, p0x + sx * middle, p0y + sy * middle) >= middle
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    # Last step: where the straight line between the bracket's ends crosses the floor.
    above = high - sample(floor.height_mm, p0x + sx * high, p0y + sy * high)
    below = low - sample(floor.height_mm, p0x + sx * low, p0y + sy * low)
    z = low + (high - low) * np.clip(below / np.minimum(below - above, np.float32(-1e-9)), 0, 1)
    share = z / np.float32(centre_mm[2])
    return (
        foot_x + (np.float32(centre_mm[0]) - foot_x) * share,
        foot_y + (np.float32(centre_mm[1]) - foot_y) * share,
    )


def _descend(
    ray: tuple[FloatArray, ...], top: float, bottom: float, step: float, floor: FloorTexture
) -> FloatArray:
    """Sink all rays of a block together until each is under the floor; the level where it first is."""
    result = np.full(ray[0].size, np.float32(bottom))
    active = np.arange(result.size)
    p0x, sx, p0y, sy = (a.reshape(1, -1) for a in ray)
    found = np.full((1, active.size), -np.inf, np.float32)
    level = top
    while active.size and level > bottom - step:
        level -= step
        z = np.float32(level)
        met = sample(floor.height_mm, p0x + sx * z, p0y + sy * z) >= z
        # Levels only sink, so the largest is the first; rays that are done go only when they are many.
        np.maximum(found, z, out=found, where=met)
        open_ = np.flatnonzero(np.isneginf(found[0]))
        if open_.size < 0.6 * active.size:
            done = ~np.isneginf(found[0])
            result[active[done]] = found[0, done]
            active, found = active[open_], found[:, open_]
            p0x, sx, p0y, sy = p0x[:, open_], sx[:, open_], p0y[:, open_], sy[:, open_]
    done = ~np.isneginf(found[0])
    result[active[done]] = found[0, done]
    return result.reshape(ray[0].shape)


def _range_under(
    col: FloatArray, row: FloatArray, room_mm: float, floor: FloorTexture
) -> tuple[float, float]:
    """Highest and lowest floor that a block of rays can meet; room_mm is how far they slant sideways."""
    n = floor.height_mm.shape[0]
    room = round(room_mm * floor.px_per_mm)
    r0, r1 = (int(np.clip(v, 0, n)) for v in (row.min() - room, row.max() + room + 1))
    c0, c1 = (int(np.clip(v, 0, n)) for v in (col.min() - room, col.max() + room + 1))
    part = floor.height_mm[r0:r1, c0:c1]
    if part.size == 0:
        part = floor.height_mm
    low, high, _, _ = cv2.minMaxLoc(part)
    return float(high), float(low)
