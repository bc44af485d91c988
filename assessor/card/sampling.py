"""Where each point of a rectangle over the card falls in a photo, fast.

Projecting a million points through a lens model costs more than everything else a stage does with them. Over the window
the projection is so smooth that polynomials of fourth degree follow it to a few thousandths of a pixel (tested), and on
a grid they are two small matrix products.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from assessor.card.layout import Rectangle, square
from assessor.values import Camera, FloatArray

DEGREE = 4


class Grid:
    """Sample positions of a rectangle at a spacing, shape (rows, columns); row 0 lies at the largest y.

    Where a side is no whole number of spacings, its samples stand a little closer or wider.
    """

    def __init__(self, area: Rectangle, spacing_mm: float) -> None:
        self.area, self.spacing_mm = area, spacing_mm
        width, height = area.size_mm
        self.shape = (round(height / spacing_mm), round(width / spacing_mm))
        down, along = (
            ((np.arange(n) + 0.5) / n * 2 - 1)[:, None] ** np.arange(DEGREE + 1) for n in self.shape
        )
        self._x = np.ascontiguousarray(along.T, dtype=np.float32)
        self._y = np.ascontiguousarray(down[::-1], dtype=np.float32)

    def evaluate(self, coefficients: FloatArray) -> FloatArray:
        """(rows, columns) float32 values of a polynomial; coefficients (5, 5) are [y power, x power] over the area.

        x and y run from -1 to 1 over it.
        """
        return np.asarray(self._y @ coefficients.astype(np.float32) @ self._x)

    def places_mm(self) -> tuple[FloatArray, FloatArray]:
        """x and y of every sample in mm, (rows, columns) each."""
        rows, columns = self.shape
        (width, height), a = self.area.size_mm, self.area
        x = a.x_min_mm + (np.arange(columns) + 0.5) / columns * width
        y = a.y_max_mm - (np.arange(rows) + 0.5) / rows * height
        across, up = np.meshgrid(x, y)
        return across, up


def square_grid(half_mm: float, spacing_mm: float) -> Grid:
    """The grid of a square of +-half_mm."""
    return Grid(square(half_mm), spacing_mm)


def pixel_polynomials(
    camera: Camera, area: Rectangle, z_ref_mm: float, offset_px: tuple[float, float] = (0.0, 0.0)
) -> list[FloatArray]:
    """Coefficients (x0, x1, x2, y0, y1, y2): a point d above z_ref falls at p0 + d p1 + d^2 p2, less offset_px.

    Each is (5, 5) for `Grid.evaluate` over this area. Good to 0.01 px for |d| up to 4 mm at 300 mm distance.
    """
    nodes, x, y = _nodes(area)
    step = 3.0
    below, at, above = (
        camera.project(np.stack([x, y, np.full_like(x, z_ref_mm + d)], -1)) - offset_px
        for d in (-step, 0.0, step)
    )
    parts = (at, (above - below) / (2 * step), (above - 2 * at + below) / (2 * step * step))
    inverse = _inverse(nodes)
    return [inverse @ part[..., axis] @ inverse.T for axis in (0, 1) for part in parts]


def polynomials_of(
    project: Callable[[FloatArray, FloatArray], FloatArray], area: Rectangle
) -> tuple[FloatArray, FloatArray]:
    """Coefficients (5, 5) of x and of y of any smooth `project` (x, y in mm to (..., 2)), for `Grid.evaluate`."""
    nodes, x, y = _nodes(area)
    inverse, at = _inverse(nodes), project(x, y)
    return inverse @ at[..., 0] @ inverse.T, inverse @ at[..., 1] @ inverse.T


def _nodes(area: Rectangle) -> tuple[FloatArray, FloatArray, FloatArray]:
    nodes = np.cos(np.pi * (np.arange(9) + 0.5) / 9)
    width, height = area.size_mm
    x = (area.x_min_mm + area.x_max_mm) / 2 + nodes * width / 2
    y = (area.y_min_mm + area.y_max_mm) / 2 + nodes * height / 2
    across, up = np.meshgrid(x, y)
    return nodes, across, up


def _inverse(nodes: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.pinv(np.vander(nodes, DEGREE + 1, increasing=True)))
