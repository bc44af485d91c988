"""Areal height and hybrid parameters of ISO 25178-2 on a plain array.

Pure formulas: what is filtered, levelled or corrected for noise happens before (see `measure`). Heights are
taken about their mean, over the samples given. Definitions: ISO 25178-2:2021, 4.2 and 4.4 (domain.md 3.3,
from memory, verify); checked against closed forms and two libraries in tests/against/test_areal_*.py.
"""

from __future__ import annotations

import math

import numpy as np

from assessor.values import FloatArray


def sa(height: FloatArray) -> float:
    """Arithmetic mean height Sa, in the unit of `height` (any shape)."""
    return float(np.mean(np.abs(_centred(height))))


def sq(height: FloatArray) -> float:
    """Root mean square height Sq, in the unit of `height` (any shape)."""
    return math.sqrt(float(np.mean(_centred(height) ** 2)))


def sz(height: FloatArray) -> float:
    """Maximum height Sz, highest minus lowest, in the unit of `height` (any shape)."""
    return float(np.max(height) - np.min(height))


def ssk(height: FloatArray) -> float:
    """Skewness Ssk: negative where pits, positive where bumps rule; NaN on a flat surface."""
    centred = _centred(height)
    square = centred * centred
    cube = float(np.mean(square)) ** 1.5
    return float(np.mean(square * centred)) / cube if cube > 0 else math.nan


def sku(height: FloatArray) -> float:
    """Kurtosis Sku: 3 for Gaussian heights; NaN on a flat surface."""
    centred = _centred(height)
    square = centred * centred
    fourth = float(np.mean(square)) ** 2
    return float(np.mean(square * square)) / fourth if fourth > 0 else math.nan


def sdq(height: FloatArray, spacing: tuple[float, float]) -> float:
    """Root mean square gradient Sdq of a (H, W) map from differences of neighbours, no unit.

    spacing: (rows, columns), in the unit of `height`. Differences of neighbours pass sin(pi f d) / (pi f d)
    of a slope of frequency f at spacing d, so Sdq belongs to its spacing.
    """
    step_y, step_x = spacing
    along_y = float(np.mean((np.diff(height, axis=0) / step_y) ** 2))
    return math.sqrt(along_y + float(np.mean((np.diff(height, axis=1) / step_x) ** 2)))


def sdr(height: FloatArray, spacing: tuple[float, float]) -> float:
    """Developed interfacial area ratio Sdr of a (H, W) map as a fraction (0.01 is 1 %), no unit.

    Every cell of four samples is split into triangles along both diagonals and the two areas are averaged
    (ISO 25178-2:2021, annex D, from memory, verify). spacing: (rows, columns), in the unit of `height`.
    """
    step_y, step_x = spacing
    slope_y, slope_x = (np.diff(height, axis=0) / step_y) ** 2, (np.diff(height, axis=1) / step_x) ** 2
    corners = [
        float(np.mean(np.sqrt(1.0 + rows + cols)))
        for rows in (slope_x[:-1], slope_x[1:])
        for cols in (slope_y[:, :-1], slope_y[:, 1:])
    ]
    return sum(corners) / 4 - 1.0


def _centred(height: FloatArray) -> FloatArray:
    # Keeps float32 where given: sums are pairwise, and maps are large.
    return np.asarray(height - height.dtype.type(np.mean(height, dtype=np.float64)))
