"""First heights of the window: plane sweep with semi-global support, from all views (see `heights`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from assessor.card.sampling import Grid
from assessor.texture.stereo_view import HeightSettings, View, agreement, resize_to
from assessor.values import FloatArray


def find_start(stack: Sequence[View], settings: HeightSettings) -> FloatArray:
    """Heights good to a tenth of a millimetre, from all views."""
    coarse = _sweep(stack, settings)
    kernel = np.ones((7, 7), np.uint8)
    relief = float(np.percentile(cv2.dilate(coarse, kernel) - cv2.erode(coarse, kernel), 90))
    if relief < settings.steep_relief_mm:
        return coarse
    # Steep flanks: windows have to lean with the surface, so the search is repeated around what was found.
    height: FloatArray = np.asarray(cv2.GaussianBlur(coarse, (0, 0), 2.0), dtype=np.float32)
    for spacing_mm, reach_mm, step_mm in settings.steep_passes:
        grid = Grid(stack[0].area, spacing_mm)
        height = _search_around(stack, resize_to(height, grid), grid, (reach_mm, step_mm), settings)
        height = np.asarray(cv2.GaussianBlur(height, (0, 0), 1.0), dtype=np.float32)
    return height


def _sweep(stack: Sequence[View], settings: HeightSettings) -> FloatArray:
    """First heights at 0.4 mm spacing over the whole range."""
    grid = Grid(stack[0].area, 0.4)
    window = max(3, round(settings.coarse_window_mm / grid.spacing_mm)) | 1
    low, high = _range(stack, settings)
    heights = np.arange(low, high + settings.coarse_step_mm, settings.coarse_step_mm)
    rows, columns = grid.shape
    costs = np.empty((rows, len(heights), columns), np.float32)
    reference = float(heights.mean())
    samplers = [view.sampler(grid, reference).normalised(window) for view in stack]
    for k, z in enumerate(heights):
        costs[:, k] = agreement([s.at(float(z - reference)) for s in samplers], window)
    support = _along_paths(costs, settings)
    return np.asarray(cv2.medianBlur(_peak(support.transpose(1, 0, 2), heights), 3))


def _range(stack: Sequence[View], settings: HeightSettings) -> tuple[float, float]:
    """Lowest and highest height worth searching, from a quick look at 0.8 mm spacing over all that is possible."""
    grid = Grid(stack[0].area, 0.8)
    heights = np.arange(settings.lowest_mm, settings.highest_mm, 2 * settings.coarse_step_mm)
    reference = float(heights.mean())
    samplers = [view.sampler(grid, reference).normalised(3) for view in stack]
    costs = np.stack([agreement([s.at(float(z - reference)) for s in samplers], 3) for z in heights], axis=1)
    # Grooves repeat, and so do their false matches: here only what its surroundings support may count.
    support = _along_paths(costs, replace(settings, step_penalty=0.1, jump_penalty=2.0))
    best = cv2.medianBlur(_peak(support.transpose(1, 0, 2), heights), 5)
    low, high = np.percentile(best, [0.5, 99.5])
    high = max(high, settings.peaks_mm)
    margin = settings.range_margin_mm + 0.15 * float(high - low)  # the quick look rounds peaks and pits off
    return float(low) - margin, float(high) + margin


def _along_paths(agreement: FloatArray, settings: HeightSettings) -> FloatArray:
    """Semi-global support (Hirschmueller 2008) of a volume (rows, planes, columns) along its four grid directions.

    Only for the start: what it smooths, the refinement brings back; what it saves is ridges whose flanks are too
    steep for any window.
    """
    total = np.zeros_like(agreement)
    for volume, out in ((agreement, total), (agreement.transpose(2, 1, 0), total.transpose(2, 1, 0))):
        for order in (range(len(volume)), range(len(volume) - 1, -1, -1)):
            before: FloatArray | None = None
            for row in order:
                if before is None:
                    now = volume[row].copy()
                else:
                    best = before.max(0)
                    near = np.maximum(before, best - settings.jump_penalty)
                    for reach in (1, 2):
                        lowered = before - settings.step_penalty * reach
                        np.maximum(near[reach:], lowered[:-reach], out=near[reach:])
                        np.maximum(near[:-reach], lowered[reach:], out=near[:-reach])
                    now = volume[row] + near - best
                out[row] += now
                before = now
    return total


def _search_around(
    stack: Sequence[View],
    centre: FloatArray,
    grid: Grid,
    reach: tuple[float, float],
    settings: HeightSettings,
) -> FloatArray:
    """Best height within +-reach[0] of `centre` in steps of reach[1]; the windows follow the centre's slopes."""
    window = max(3, round(settings.fine_window_mm / grid.spacing_mm)) | 1
    reference = float(np.median(centre[::4, ::4]))
    offsets = np.linspace(-reach[0], reach[0], 2 * round(reach[0] / reach[1]) + 1)
    samplers = [view.sampler(grid, reference).normalised(window) for view in stack]
    costs = np.empty((len(offsets), *grid.shape), np.float32)
    for k, offset in enumerate(offsets):
        above = centre + np.float32(offset - reference)
        costs[k] = agreement([s.at(above) for s in samplers], window)
    return np.asarray(cv2.medianBlur((centre + _peak(costs, offsets)).astype(np.float32), 5))


def _peak(costs: FloatArray, heights: FloatArray) -> FloatArray:
    """Height of the best plane (Z, H, W), to sub-step by a parabola; heights must be evenly spaced."""
    best = costs.argmax(0)
    inner = np.clip(best, 1, len(heights) - 2)
    below, at, above = (np.take_along_axis(costs, (inner + d)[None], 0)[0] for d in (-1, 0, 1))
    curve = np.minimum(below - 2 * at + above, -1e-6)
    shift = np.clip(0.5 * (below - above) / curve, -0.6, 0.6)
    shift = np.where(best == inner, shift, best - inner)
    return np.asarray(heights[0] + (inner + shift) * (heights[1] - heights[0]), dtype=np.float32)
