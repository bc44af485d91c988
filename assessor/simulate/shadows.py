"""Cast shadows over a height field, for light from a direction or from a lamp at a point.

The field is resampled so that the light runs along its columns: turned for a direction, in polar
coordinates about the lamp's foot for a lamp. Then one pass from row to row keeps the shadow line; nothing
is marched.
"""

from __future__ import annotations

import cv2
import numpy as np

from assessor.simulate.imaging import sample, warp
from assessor.values import FloatArray

# Depth in mm over which light turns to shade: it spares interpolation noise and softens the edge by a sample.
SOFT_MM = 0.01
CLEAR_MM = 0.003


def visible_sums(
    field_mm: FloatArray, px_per_mm: float, azimuth: float, elevations: FloatArray, weights: FloatArray
) -> FloatArray:
    """Weighted sums of visibility for light from one azimuth (rad) at several elevations (rad).

    field_mm (n, n), row 0 = largest y; weights (m, k) for k elevations; returns (m, n, n) float32.
    """
    n = field_mm.shape[0]
    c, s = float(np.cos(azimuth)), float(np.sin(azimuth))
    size = int(np.ceil(n * (abs(c) + abs(s)))) + 4
    # Row u of the turned field lies u away from the light: x = -u cos, y = -u sin, plus v across.
    middle, half = (size - 1) / 2, (n - 1) / 2
    matrix = np.array([[s, -c, half - (s - c) * middle], [c, s, half - (c + s) * middle]])
    turned = warp(field_mm, matrix, (size, size), inverse=True)
    drop = (np.tan(elevations) / px_per_mm).astype(np.float32)[:, None]
    line = np.full((len(elevations), size), -np.inf, np.float32)
    visible = np.empty_like(line)
    sums = np.empty((size, len(weights), size), np.float32)
    weights = np.asarray(weights, np.float32)
    for k, row in enumerate(turned):
        line -= drop
        np.maximum(line, row, out=line)
        np.subtract(row, line, out=visible)
        _soften(visible)
        np.matmul(weights, visible, out=sums[k])
    return np.stack([warp(np.ascontiguousarray(sums[:, m]), matrix, (n, n)) for m in range(len(weights))])


def _soften(depth: FloatArray) -> None:
    """Turn minus the depth below the shadow line into visibility 0..1, in place."""
    depth += np.float32(CLEAR_MM + SOFT_MM)
    depth *= np.float32(1 / SOFT_MM)
    np.maximum(depth, 0, out=depth)
    np.minimum(depth, 1, out=depth)


def lamp_visibility(
    field_mm: FloatArray, px_per_mm: float, lamp_mm: tuple[float, float, float], radius_mm: float
) -> FloatArray:
    """Share of a round lamp that each sample sees, (n, n) float32; three heights stand for its disc.

    A lamp straight above the field (a phone's flash) is seen from everywhere: it stands higher than any slope.
    """
    n = field_mm.shape[0]
    if max(abs(lamp_mm[0]), abs(lamp_mm[1])) < n / px_per_mm / 2 + 5:
        return np.ones((n, n), np.float32)
    at = (np.arange(n, dtype=np.float32) + 0.5) / np.float32(px_per_mm) - np.float32(n / px_per_mm / 2)
    dx, dy = at[None, :] - np.float32(lamp_mm[0]), -at[:, None] - np.float32(lamp_mm[1])
    reach = cv2.magnitude(np.broadcast_to(dx, (n, n)).copy(), np.broadcast_to(dy, (n, n)).copy())
    toward = float(np.arctan2(-lamp_mm[1], -lamp_mm[0]))  # from the lamp's foot to the window's centre
    turn = np.arctan2(dy * np.cos(toward) - dx * np.sin(toward), dx * np.cos(toward) + dy * np.sin(toward))
    near, far, wide = float(reach.min()), float(reach.max()), float(np.abs(turn).max())
    rows = int((far - near) * px_per_mm) + 2
    cols = int(2 * wide * far * px_per_mm) + 2
    r = (near + np.arange(rows) / px_per_mm).astype(np.float32)
    angle = (toward + np.linspace(-wide, wide, cols)).astype(np.float32)
    half = np.float32(n / 2 - 0.5)
    col = (np.float32(lamp_mm[0]) + r[:, None] * np.cos(angle)) * np.float32(px_per_mm) + half
    row = half - (np.float32(lamp_mm[1]) + r[:, None] * np.sin(angle)) * np.float32(px_per_mm)
    polar = sample(field_mm, col, row)
    heights = np.array([[lamp_mm[2] + t * radius_mm] for t in (-0.6, 0.0, 0.6)], np.float32)
    line = np.full((3, cols), -np.inf, np.float32)
    seen = np.empty_like(polar)
    for k, level in enumerate(polar):
        # What stands nearer the lamp hides what it sees under a flatter line of sight.
        rise = (level - heights) / r[k]
        np.maximum(line, rise, out=line)
        depth = (rise - line) * r[k]
        _soften(depth)
        depth.mean(0, out=seen[k])
    back_col = (turn + np.float32(wide)) * np.float32((cols - 1) / (2 * wide))
    return sample(seen, back_col, (np.asarray(reach) - np.float32(near)) * np.float32(px_per_mm))
