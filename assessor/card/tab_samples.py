"""The samples of the shadow maps that a fit looks at: near the shadows, as dense as their softness asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.shadow import Source, Triangle, shadow_end
from assessor.card.sky_shadow import hidden_sky
from assessor.card.tabs import TabMaps
from assessor.values import BoolArray, FloatArray

MARGIN_MM = 5.0  # paper round a shadow that fits its surroundings
EDGE_MM = 2.0  # half width of the strips in which edges may lie
FOLD_MARGIN_MM = 0.8  # the paper is crumpled there
MIN_SAMPLES = 60


@dataclass(frozen=True, eq=False)
class Samples:
    """Samples near the shadows of one tab: places (n, 3), light (n,), root weights (n,), smooth terms (n, 6).

    sky (n,): share of the sky that the tab hides. pool: map samples per sample and side.
    """

    index: int
    at: FloatArray
    ratio: FloatArray
    root: FloatArray
    smooth: FloatArray
    sky: FloatArray
    pool: int


class TabField:
    """Light and weight on all maps, (4, h, w) each, at any density."""

    def __init__(self, maps: TabMaps, ratio: FloatArray, weight: FloatArray) -> None:
        self.maps, self.ratio, self.weight = maps, ratio, weight
        self._kept: dict[tuple[int, int], list[FloatArray]] = {}

    def near(self, t: int, triangle: Triangle, lights: Sequence[Source], pool: int) -> Samples | None:
        """Samples of tab t round the shadows that lights throw; None where hardly any can be used."""
        x, y, z, ratio, weight, sky = self._level(t, pool)
        near, edge = _close(triangle, lights, x, y)
        near &= weight > 0.01
        if pool == 1:
            # What lies off the edges only tells levels: every fourth sample says as much with four times the weight.
            few = np.zeros(near.shape, bool)
            few[::2, ::2] = True
            near &= edge | few
            weight = np.where(edge, weight, 4 * weight)
        if np.count_nonzero(near) < MIN_SAMPLES:
            return None
        at = np.column_stack([x[near], y[near], z[near]])
        u, v = ((at[:, k] - at[:, k].mean()) / 20 for k in (0, 1))
        smooth = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v]).astype(np.float32)
        return Samples(t, at, ratio[near], np.sqrt(weight[near]), smooth, sky[near], pool)

    def _level(self, t: int, pool: int) -> list[FloatArray]:
        """x, y, z, light, weight, sky of a tab's map with pool x pool samples in one."""
        if (t, 1) not in self._kept:
            x, y, z = self.maps.x_mm[t], self.maps.y_mm[t], self.maps.z_mm[t]
            sky = hidden_sky(self.maps.fold_mm[t], self.maps.outward[t], x, y)
            self._kept[t, 1] = [x, y, z, self.ratio[t], self.weight[t], sky]
        if (t, pool) not in self._kept:
            x, y, z, ratio, weight, sky = self._kept[t, 1]
            size = (ratio.shape[1] // pool, ratio.shape[0] // pool)
            pooled = _shrink(weight, size)
            mean = _shrink(ratio * weight, size) / np.maximum(pooled, 1e-6)
            grids = [_shrink(g, size) for g in (x, y, z)]
            self._kept[t, pool] = [*grids, mean, pooled * pool**2, _shrink(sky, size)]
        return self._kept[t, pool]


def _close(
    triangle: Triangle, lights: Sequence[Source], x: FloatArray, y: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """True near any light's shadow, but not on the fold; and where its edges may lie."""
    fold = triangle.fold
    near, edge = np.zeros(x.shape, np.uint8), np.zeros(x.shape, np.uint8)
    step_x = (x[0, -1] - x[0, 0]) / (x.shape[1] - 1)
    step_y = (y[-1, 0] - y[0, 0]) / (y.shape[0] - 1)
    for source in lights:
        height = triangle.tip[2] - triangle.level
        soft = min(source.half_angle * height / np.sin(source.elevation), 20.0)
        corners = np.array([*fold[:, :2], shadow_end(triangle, source)])
        px = (corners - (x[0, 0], y[0, 0])) / (step_x, step_y)
        hull = cv2.convexHull(np.round(np.clip(px, -2000, 2000) * 16).astype(np.int32))
        cv2.fillConvexPoly(near, hull, 1, shift=4)
        for mask, reach in ((near, MARGIN_MM + 1.3 * soft), (edge, EDGE_MM + 0.7 * soft)):
            thickness = min(max(round(2 * reach / abs(step_x)), 1), 250)
            cv2.polylines(mask, [hull], True, 1, thickness=thickness, shift=4)
    along = (fold[1, :2] - fold[0, :2]) / np.linalg.norm(fold[1, :2] - fold[0, :2])
    off_x, off_y = (v - m for v, m in zip((x, y), fold[:, :2].mean(0), strict=True))
    across = np.abs(off_x * along[1] - off_y * along[0])
    beside = np.abs(off_x * along[0] + off_y * along[1])
    return (near > 0) & ~((across < FOLD_MARGIN_MM) & (beside < 7)), edge > 0


def _shrink(values: FloatArray, size: tuple[int, int]) -> FloatArray:
    return np.asarray(cv2.resize(np.asarray(values, np.float32), size, interpolation=cv2.INTER_AREA))
