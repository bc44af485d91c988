"""Where the sheet is plain white paper, how it is read, and the smooth light that is fitted to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np

from assessor.card.layout import CardLayout, card_layout
from assessor.card.linear import linear_of_byte
from assessor.values import BoolArray, FloatArray, Photo, freeze


class HasWhiteFit(Protocol):
    """What knows the smooth light on one photo's paper: a `Rectified`, or where no more is needed a `PaperLight`."""

    @property
    def white_fit(self) -> FloatArray:
        """Log of the smooth paper light, (6, 3): the terms of `white_basis` by channel."""


@dataclass(frozen=True, eq=False)
class PaperLight:
    """The smooth light on the paper of one photo, (6, 3) as `Rectified.white_fit`."""

    white_fit: FloatArray

    def __post_init__(self) -> None:
        freeze(self.white_fit)


def white_basis(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """(6, ...) terms of the smooth light over the sheet: 1, u, v, u^2, u v, v^2 with u, v = x, y / 100 mm."""
    u, v = x_mm / 100, y_mm / 100
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def fall_off(white_fits: Sequence[FloatArray]) -> FloatArray:
    """Log of the smooth light over the sheet (P, 9, 9), mean 0; white_fits: (6, 3) each, as `Rectified.white_fit`."""
    x, y = np.meshgrid(np.linspace(-80, 80, 9), np.linspace(-110, 110, 9))
    basis = white_basis(x, y)
    fields = np.stack([np.tensordot(fit[:, 1], basis, axes=1) for fit in white_fits])
    return np.asarray(fields - fields.mean((1, 2), keepdims=True))


def read_paper_light(
    photo: Photo, pixels: FloatArray, table: FloatArray | None = None
) -> tuple[FloatArray, BoolArray]:
    """Linear light (N, 3) about each of (N, 2) pixel positions, mean of 5 x 5 pixels, and which lie in the frame.

    table: linear light of each byte, (256,); sRGB if None.
    """
    width, height = photo.size_px
    seen = ((pixels > 2) & (pixels < (width - 3, height - 3))).all(1)
    at = np.clip(np.rint(pixels), 2, (width - 3, height - 3)).astype(int)
    near = np.arange(-2, 3)
    rows, columns = at[:, 1, None, None] + near[:, None], at[:, 0, None, None] + near
    table = linear_of_byte() if table is None else table
    return table[photo.rgb_u8[rows, columns]].mean((1, 2), dtype=float), np.asarray(seen)


@cache
def white_points_mm() -> FloatArray:
    """(N, 2) places of plain white paper, at least 1.5 mm from anything printed, cut or folded."""
    layout = card_layout(0)
    x, y = np.meshgrid(np.arange(-98.0, 98.1, 3.0), np.arange(-131.0, 131.1, 3.0))
    points = np.column_stack([x.ravel(), y.ravel()])
    free = np.ones(len(points), bool)
    for x0, y0, x1, y1 in _occupied(layout):
        free &= ~(
            (points[:, 0] > x0 - 1.5)
            & (points[:, 0] < x1 + 1.5)
            & (points[:, 1] > y0 - 1.5)
            & (points[:, 1] < y1 + 1.5)
        )
    chosen = points[free]
    chosen.flags.writeable = False
    return chosen


def _occupied(layout: CardLayout) -> list[tuple[float, float, float, float]]:
    w = layout.window
    areas = [(w.x_min_mm, w.y_min_mm, w.x_max_mm, w.y_max_mm)]
    for marker in layout.markers:
        half = marker.side_mm / 2
        areas.append((marker.x_mm - half, marker.y_mm - half, marker.x_mm + half, marker.y_mm + half))
    areas += [(s.area.x_min_mm, s.area.y_min_mm, s.area.x_max_mm, s.area.y_max_mm) for s in layout.steps]
    for tab in layout.tabs:
        xs, ys = zip(*tab.base_mm, tab.tip_flat_mm, strict=True)
        areas.append((min(xs) - 3, min(ys) - 3, max(xs) + 3, max(ys) + 3))
    # Instructions between the large markers, and the check bars with their figures.
    areas += [(-25, 98, 25, 133), (-25, -133, 25, -98), (95, -133, 100, 133), (-100, -133, 100, -129)]
    return areas
