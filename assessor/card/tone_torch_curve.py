"""A tone curve by its local slopes: log of true light over log of sRGB-coded light, and back.

The slope runs straight between knots: so it follows S-curves, lifted darks and shoulders without being any of them.
"""

from __future__ import annotations

import numpy as np

from assessor.values import FloatArray

# Log of sRGB-coded light where the curve's slope may turn; steady below the first, 0 is full white.
KNOTS = np.log([0.003, 0.01, 0.03, 0.08, 0.18, 0.35, 0.6, 1.0])
KNOTS.flags.writeable = False
# That slope in phones' plain photos: an S-curve half as strong as the strongest (from memory, verify).
USUAL_SLOPES = np.array([1.04, 0.98, 0.945, 0.93, 0.93, 0.955, 1.01, 1.18])
USUAL_SLOPES.flags.writeable = False


def slope_terms(x: FloatArray) -> FloatArray:
    """(..., K): weight of each knot's slope at x."""
    at = np.clip(np.asarray(x, dtype=float), KNOTS[0], KNOTS[-1])
    return np.stack([np.interp(at, KNOTS, row) for row in np.eye(len(KNOTS))], axis=-1)


def integral_terms(x: FloatArray) -> FloatArray:
    """(..., K): integral of `slope_terms` from full white to x, exact (trapezium within a straight piece)."""
    x = np.asarray(x, dtype=float)
    width = np.diff(KNOTS)
    whole = np.zeros((len(KNOTS), len(KNOTS)))  # integrals from full white to each knot
    for k in range(len(KNOTS) - 2, -1, -1):
        whole[k] = whole[k + 1]
        whole[k, k : k + 2] -= width[k] / 2
    piece = np.clip(np.searchsorted(KNOTS, x, side="right"), 1, len(KNOTS) - 1)
    end = KNOTS[piece]
    mean = (slope_terms(x) + slope_terms(end)) / 2
    low = np.minimum(x - KNOTS[0], 0.0)[..., None] * slope_terms(KNOTS[0])
    inner = np.maximum(x, KNOTS[0])
    return np.asarray(whole[piece] - (end - inner)[..., None] * mean + low)


class Coded:
    """The curve backwards: where in coded light a light should be read, and how that goes with the slopes.

    Residuals are taken in coded light, for in true light a curve that squeezes noise would win.
    """

    GRID = np.linspace(-10.0, 1.0, 1101)

    def __init__(self, slopes: FloatArray) -> None:
        self.slopes = slopes
        self._light = integral_terms(self.GRID) @ slopes

    def of(self, log_light: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log coded light (N,), its derivative by log light (N,) and by the slopes (N, K)."""
        x = np.interp(log_light, self._light, self.GRID)
        rate = 1 / (slope_terms(x) @ self.slopes)
        return x, rate, -rate[:, None] * integral_terms(x)
