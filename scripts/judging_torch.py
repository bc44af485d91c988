"""What is worth knowing about a result of kind `torch` or `fused` beside its numbers, as a note for `judging`.

The judge's own: the true floor brought to the map's grid, both filtered the same way by `simulate.truth`.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from assessor.simulate.capture import RenderedCapture
from assessor.simulate.light import true_lights
from assessor.simulate.shadows import lamp_visibility
from assessor.simulate.truth import EVALUATION_MM, TORCH_BANDS_MM, fine_band
from assessor.values import CaptureResult, FloatArray

FINE_MM = TORCH_BANDS_MM[0]
BOX_SD = 0.29  # of a box one sample wide, in samples


def torch_note(result: CaptureResult, capture: RenderedCapture) -> dict[str, Any]:
    """Lights read against true ones, light and shadow, and how the map agrees with the floor in 0.5-8 mm."""
    said, true = truth_on_map(result, capture)
    px_per_mm = result.heights.px_per_mm
    one, other = (fine_band(field, px_per_mm, *FINE_MM)[0] for field in (said, true))
    return {
        "correlation": correlation(one, other),
        "map_ratio": float(one.std() / other.std()) if other.std() > 0 else math.nan,
        "error_mm": float((one - other).std()),
        **_lights(result, capture),
        **_shading(result),
    }


def true_shadow(capture: RenderedCapture) -> float:
    """Share of the evaluation area that lies in its own relief's shadow, mean over the torch's places."""
    floor, shares = capture.floor, []
    density = floor.px_per_mm / 2
    height = cv2.resize(floor.height_mm, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    middle, half = height.shape[0] // 2, round(EVALUATION_MM / 2 * density)
    part = slice(middle - half, middle + half)
    for light in capture.lights:
        if light.kind == "torch" and light.lamp_mm is not None:
            seen = lamp_visibility(height, density, light.lamp_mm, radius_mm=light.source_mm)
            shares.append(float((seen[part, part] < 0.5).mean()))
    return float(np.mean(shares))


def _shading(result: CaptureResult) -> dict[str, Any]:
    slopes = result.slopes
    if slopes is None:
        return {}
    return {
        "share": slopes.torch_share, "n_lights": slopes.n_lights, "shadowed": slopes.shadowed,
        "residual": slopes.residual, "modelled": slopes.noise_is_modelled,
    }  # fmt: skip


def _lights(result: CaptureResult, capture: RenderedCapture) -> dict[str, Any]:
    """Each light as read and as it was; tan_ratio: mean tangent of the elevations read over that of the true ones."""
    true = dict(zip(capture.photos, capture.lights, strict=True))
    shares = [light.direct for light in true.values() if light.kind == "torch"]
    note: dict[str, Any] = {"true_share": float(np.median(shares)) if shares else None}
    read = result.torches
    if read is None or not read.lights:
        return note | {"lights": []}
    pairs = [
        (light, true_lights(true[name])[0])
        for name, light in zip(read.photo_names, read.lights, strict=True)
        if true[name].kind == "torch"
    ]
    tangents = [
        np.mean([math.tan(math.radians(light.elevation_deg)) for light in side])
        for side in zip(*pairs, strict=True)
    ]
    return note | {
        "tan_ratio": float(tangents[0] / tangents[1]) if pairs else None,
        "u_tan": read.u_tan_common,
        "lights": [
            {
                "elevation": light.elevation_deg, "true_elevation": lamp.elevation_deg,
                "azimuth_off": (light.azimuth_deg - lamp.azimuth_deg + 180) % 360 - 180,
                "share": light.share, "true_share": lamp.share,
            }
            for light, lamp in pairs
        ],
    }  # fmt: skip


def correlation(one: FloatArray, other: FloatArray) -> float:
    """Correlation of two maps, NaN where one is flat."""
    spread = float(one.std() * other.std())
    return float(((one - one.mean()) * (other - other.mean())).mean() / spread) if spread > 0 else math.nan


def truth_on_map(result: CaptureResult, capture: RenderedCapture) -> tuple[FloatArray, FloatArray]:
    """The measured map and the true floor, both (n, m) float64 on the map's grid over the evaluation area, no plane."""
    heights, floor = result.heights, capture.floor
    rows, cols = heights.height_mm.shape
    x = heights.x_min_mm + (np.arange(cols) + 0.5) / heights.px_per_mm
    y = heights.y_max_mm - (np.arange(rows) + 0.5) / heights.px_per_mm
    half = EVALUATION_MM / 2 + 1e-6
    at_x, at_y = np.flatnonzero(np.abs(x) < half), np.flatnonzero(np.abs(y) < half)
    said = np.array(heights.height_mm, dtype=float)[at_y[0] : at_y[-1] + 1, at_x[0] : at_x[-1] + 1]
    factor = floor.px_per_mm / heights.px_per_mm
    soft = gaussian_filter(floor.height_mm, BOX_SD * factor) if factor > 1 else floor.height_mm
    middle = floor.height_mm.shape[0] / 2 - 0.5
    col, row = np.meshgrid(middle + x[at_x] * floor.px_per_mm, middle - y[at_y] * floor.px_per_mm)
    true = cv2.remap(soft, col.astype(np.float32), row.astype(np.float32), cv2.INTER_CUBIC)
    return without_plane(said), without_plane(true.astype(float))


def without_plane(height_mm: FloatArray) -> FloatArray:
    """The map without its least-squares plane (rows and columns of a full grid are orthogonal)."""
    level = height_mm - height_mm.mean(dtype=float)
    for axis, n in enumerate(level.shape):
        at = np.linspace(-1, 1, n)
        along = level.mean(axis=1 - axis) @ at / (at @ at) * at
        level = level - (along[:, None] if axis == 0 else along)
    return np.asarray(level)
