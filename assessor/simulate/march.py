"""Rays against the height field: where each line of sight first meets the floor, and the light it finds there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.values import FloatArray, freeze

STEP_MM = 0.12  # sideways step of the march; ridges thinner than this may be stepped over
BRACKET_MM = 0.02  # sideways size of the bracket that the last, straight-line step starts from
BLOCK_ROWS = 64
SURROUND_MM = (900.0, 760.0)
SURROUND_PX_PER_MM = 4.0


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

    @property
    def side_mm(self) -> float:
        """Length of the floor's side in mm."""
        return self.height_mm.shape[0] / self.px_per_mm


def floor_texture(height_mm: FloatArray, radiance: FloatArray, px_per_mm: float) -> FloorTexture:
    """Bundle a lit floor, with the surround made from its own middle."""
    return FloorTexture(np.array(height_mm), np.array(radiance), _continue(radiance, px_per_mm), px_per_mm)


def _continue(radiance: FloatArray, px_per_mm: float) -> FloatArray:
    """Lay pieces of the middle of a texture side by side at random, with seams faded so that contrast is kept.

    Weights whose squares sum to one keep the variance of independent pieces (Heitz and Neyret 2018, "High-performance
    by-example noise using a histogram-preserving blending operator").
    """
    n = radiance.shape[0]
    margin = n * 3 // 28  # the rim lies under the sheet
    middle = radiance[margin : n - margin, margin : n - margin]
    shrink = SURROUND_PX_PER_MM / px_per_mm
    source = cv2.resize(middle, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    mean = source.mean((0, 1))
    source -= mean
    tile, fade = source.shape[0] * 2 // 3, source.shape[0] // 6
    ramp = np.minimum((np.arange(tile + fade) + 0.5) / fade, 1.0)
    ramp = np.minimum(ramp, ramp[::-1])
    window = np.sin(ramp * np.pi / 2).astype(np.float32)
    weight = (window[:, None] * window[None, :])[..., None]
    cols, rows = (round(side * SURROUND_PX_PER_MM) for side in SURROUND_MM)
    across, down = -(-cols // tile) + 1, -(-rows // tile) + 1
    canvas = np.zeros((down * tile + fade, across * tile + fade, 3), np.float32)
    rng = np.random.default_rng(n)
    span = source.shape[0] - tile - fade
    for i in range(down):
        for j in range(across):
            r, c = rng.integers(0, span + 1, 2)
            piece = source[r : r + tile + fade, c : c + tile + fade]
            canvas[i * tile : (i + 1) * tile + fade, j * tile : (j + 1) * tile + fade] += piece * weight
    return np.asarray(
        np.clip(canvas[fade : fade + rows, fade : fade + cols] + mean, 0.0, None), dtype=np.float32
    )


def march_floor(
    foot_x: FloatArray, foot_y: FloatArray, centre_mm: FloatArray, floor: FloorTexture
) -> FloatArray:
    """Radiance (H, W, 3) seen along rays with feet (x, y) mm on the card plane from a camera at centre_mm."""
    height, width = foot_x.shape
    result = np.empty((height, width, 3), np.float32)
    for top in range(0, height, BLOCK_ROWS):
        rows = slice(top, min(top + BLOCK_ROWS, height))
        x, y = hit_points(foot_x[rows], foot_y[rows], centre_mm, floor)
        result[rows] = cv2.remap(
            floor.radiance, *_pixels(x, y, floor), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    return result


def _pixels(x_mm: FloatArray, y_mm: FloatArray, floor: FloorTexture) -> tuple[FloatArray, FloatArray]:
    d, half = np.float32(floor.px_per_mm), np.float32(floor.height_mm.shape[0] / 2 - 0.5)
    return x_mm * d + half, half - y_mm * d


def hit_points(
    foot_x: FloatArray, foot_y: FloatArray, centre_mm: FloatArray, floor: FloorTexture
) -> tuple[FloatArray, FloatArray]:
    """First meeting of each ray with the floor: x, y in mm, same shape as the feet."""
    # In floor pixels: position(z) = p0 + dp z, with z counted down from the card plane.
    p0x, p0y = _pixels(np.asarray(foot_x, np.float32), np.asarray(foot_y, np.float32), floor)
    cz = np.float32(centre_mm[2])
    d = np.float32(floor.px_per_mm)
    dpx = (np.float32(centre_mm[0]) - foot_x) * (d / cz)
    dpy = (foot_y - np.float32(centre_mm[1])) * (d / cz)
    local = _footprint(p0x, p0y, floor)
    top, bottom = float(local.max()), float(local.min())
    lean = float(np.hypot(dpx, dpy).max()) / floor.px_per_mm
    step = min(STEP_MM / max(lean, 1e-3), max((top - bottom) / 2, 1e-3))
    # (shape kept two-dimensional for cv2.remap: rows of one)
    shape = p0x.shape
    px, py, qx, qy = (np.ascontiguousarray(a, np.float32).reshape(1, -1) for a in (p0x, p0y, dpx, dpy))
    found = np.full(px.size, np.float32(bottom))
    active = np.arange(px.size)
    level = top
    while active.size and level > bottom - step:
        level -= step
        z = np.float32(level)
        ground = _sample(floor.height_mm, px + qx * z, py + qy * z)[0]
        met = ground >= z
        found[active[met]] = z
        keep = ~met
        active = active[keep]
        px, py, qx, qy = (a[:, keep] for a in (px, py, qx, qy))
    low = found.reshape(shape)
    p0x, p0y, dpx, dpy = (np.asarray(a, np.float32) for a in (p0x, p0y, dpx, dpy))
    high = low + np.float32(step)
    for _ in range(max(int(np.ceil(np.log2(max(step * lean / BRACKET_MM, 1.0)))), 0)):
        middle = 0.5 * (low + high)
        under = _sample(floor.height_mm, p0x + dpx * middle, p0y + dpy * middle) >= middle
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    z_hit = _secant(floor, low, high, (p0x, dpx, p0y, dpy))
    half = np.float32(floor.height_mm.shape[0] / 2 - 0.5)
    return (p0x + dpx * z_hit - half) / d, (half - p0y - dpy * z_hit) / d


def _secant(
    floor: FloorTexture, low: FloatArray, high: FloatArray, line: tuple[FloatArray, ...]
) -> FloatArray:
    """Last step: where the straight line between the bracket's ends crosses the floor."""
    p0x, dpx, p0y, dpy = line
    above = high - _sample(floor.height_mm, p0x + dpx * high, p0y + dpy * high)
    below = low - _sample(floor.height_mm, p0x + dpx * low, p0y + dpy * low)
    share = np.clip(below / np.minimum(below - above, -1e-9), 0, 1)
    return np.asarray(low + (high - low) * share, dtype=np.float32)


def _footprint(px: FloatArray, py: FloatArray, floor: FloorTexture) -> FloatArray:
    """The part of the floor that a block of rays can meet, with room for their slant."""
    n = floor.height_mm.shape[0]
    room = round(6 * floor.px_per_mm)
    r0, r1 = int(max(py.min() - room, 0)), int(min(py.max() + room, n))
    c0, c1 = int(max(px.min() - room, 0)), int(min(px.max() + room, n))
    if r1 <= r0 or c1 <= c0:
        return floor.height_mm
    return floor.height_mm[r0:r1, c0:c1]


def _sample(image: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    # cv2.remap refuses sides of 32768 and more; one long row is folded.
    if x.shape[0] == 1 and x.shape[1] > 16384:
        size = -(-x.shape[1] // 4096) * 4096
        fold = [np.pad(a[0], (0, size - x.shape[1])).reshape(-1, 4096) for a in (x, y)]
        return _sample(image, *fold).reshape(1, -1)[:, : x.shape[1]]
    return np.asarray(
        cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
    )
