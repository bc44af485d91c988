"""What an upright tab hides of an even sky: a soft dark patch on both sides of its fold.

It is no light's shadow, but beside one it looks like one more, high up. Its shape is known, so the fit takes it out.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from assessor.card.layout import TAB_BASE_MM, TAB_HEIGHT_MM
from assessor.card.shadow import Source, cast_shadow, stand
from assessor.values import FloatArray

HALF_MM = 34  # of the patch; further out less than 0.5 % is hidden
AZIMUTHS, LEVELS = 24, 8


def hidden_sky(fold_mm: FloatArray, outward: FloatArray, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Share of an overcast sky hidden at sheet points x_mm, y_mm (h, w) by a tab on fold_mm (2, 3), (h, w) float32.

    outward (2,): unit vector across the fold, as for `stand`.
    """
    middle = fold_mm[:, :2].mean(0)
    off_x, off_y = x_mm - middle[0], y_mm - middle[1]
    across = off_x * outward[0] + off_y * outward[1]
    along = off_x * outward[1] - off_y * outward[0]
    at = [np.asarray(v + HALF_MM, np.float32) for v in (np.abs(along), across)]
    return np.asarray(
        cv2.remap(_patch(), at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT), dtype=np.float32
    )


@cache
def _patch() -> FloatArray:
    """(n, n) at 1 mm: rows across the fold, columns along it.

    Radiance (1 + 2 sin e) / 3 (Moon and Spencer 1942, the CIE overcast sky) times sin e, over sky rings of equal
    solid angle.
    """
    at = np.arange(-HALF_MM, HALF_MM + 1, dtype=float)
    x, y = np.meshgrid(at, at)
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], -1)
    half = TAB_BASE_MM / 2
    tab = stand(np.array([[-half, 0, 0], [half, 0, 0]]), np.array([0.0, 1.0]), TAB_HEIGHT_MM, 0.0)
    lost, total = np.zeros(len(points), np.float32), 0.0
    for sine in (np.arange(LEVELS) + 0.5) / LEVELS:
        part = float((1 + 2 * sine) / 3 * sine)
        for azimuth in (np.arange(AZIMUTHS) + 0.5) * 2 * np.pi / AZIMUTHS:
            ray = Source(float(azimuth), float(np.arcsin(sine)), 0.0, 0.0, 1.0)
            lost += part * cast_shadow(tab, ray, points, blur_mm=0.7, points=1).share
            total += part
    patch = (lost / total).reshape(x.shape).astype(np.float32)
    patch.flags.writeable = False
    return np.asarray(patch)
