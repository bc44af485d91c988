"""Where each point of a square over the card falls in a photo, fast.

Projecting a million points through a lens model costs more than everything else a stage does with them. Over the window
the projection is so smooth that polynomials of fourth degree follow it to a few thousandths of a pixel (tested), and on
a grid they are two small matrix products.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from assessor.values import Camera, FloatArray

DEGREE = 4


class SquareGrid:
    """Sample positions of a square of +-half_mm at a spacing; row 0 lies at the largest y."""

    def __init__(self, half_mm: float, spacing_mm: float) -> None:
        self.n = round(2 * half_mm / spacing_mm)
        self.half_mm, self.spacing_mm = half_mm, spacing_mm
        at = (np.arange(self.n) + 0.5) / self.n * 2 - 1
        powers = at[:, None] ** np.arange(DEGREE + 1)
        self._x = np.ascontiguousarray(powers.T, dtype=np.float32)
        self._y = np.ascontiguousarray(powers[::-1], dtype=np.float32)

    def evaluate(self, coefficients: FloatArray) -> FloatArray:
        """(n, n) float32 values of a polynomial; coefficients (5, 5) are [y power, x power] of x, y over half_mm."""
        return np.asarray(self._y @ coefficients.astype(np.float32) @ self._x)


def pixel_polynomials(
    camera: Camera, half_mm: float, z_ref_mm: float, offset_px: tuple[float, float] = (0.0, 0.0)
) -> list[FloatArray]:
    """Coefficients (x0, x1, x2, y0, y1, y2): a point d above z_ref falls at p0 + d p1 + d^2 p2, less offset_px.

    Each is (5, 5) for `SquareGrid.evaluate`. Good to 0.01 px for |d| up to 4 mm at 300 mm distance.
    """
    nodes, x, y = _nodes(half_mm)
    step = 3.0
    below, at, above = (
        camera.project(np.stack([x, y, np.full_like(x, z_ref_mm + d)], -1)) - offset_px
        for d in (-step, 0.0, step)
    )
    parts = (at, (above - below) / (2 * step), (above - 2 * at + below) / (2 * step * step))
    inverse = _inverse(nodes)
    return [inverse @ part[..., axis] @ inverse.T for axis in (0, 1) for part in parts]


def polynomials_of(
    project: Callable[[FloatArray, FloatArray], FloatArray], half_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Coefficients (5, 5) of x and of y of any smooth `project` (x, y in mm to (..., 2)), for `SquareGrid.evaluate`."""
    nodes, x, y = _nodes(half_mm)
    inverse, at = _inverse(nodes), project(x, y)
    return inverse @ at[..., 0] @ inverse.T, inverse @ at[..., 1] @ inverse.T


def _nodes(half_mm: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    nodes = np.cos(np.pi * (np.arange(9) + 0.5) / 9)
    return nodes, *np.meshgrid(nodes * half_mm, nodes * half_mm)


def _inverse(nodes: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.pinv(np.vander(nodes, DEGREE + 1, increasing=True)))
