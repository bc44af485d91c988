"""Did the phone relight parts of the photo? Asked of the plain white paper.

Paper is equally white everywhere, so its level is light times what lens and phone did. Light and lens shading are
smooth over the card; local tone mapping makes paper brighter where its surroundings in the picture are dark and darker
where they are bright. Flare and light from bright neighbours do the opposite, so the sign tells them apart. So the
logarithm of the white is fitted by

    quadratic(x, y) - relit * log(mean light around)

A hard shadow is dark in dark surroundings: it drops out as an outlier or pulls `relit` down. Tabs take a few
percent of an open sky from the paper about them, which has bright surroundings: up to 0.05 on plain photos.

Lens shading is not told from light here: photos that all have the card in their middle look alike with either (tried on
rendered captures: 0.00 +- 0.07 for a true 0.03). `rectify` takes both out of every photo on its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.linear import LUMINANCE, linear_of_byte
from assessor.card.white import read_paper_light, white_basis, white_points_mm
from assessor.values import BoolArray, Camera, FloatArray, Photo

SHRINK = 16  # the surroundings are measured on a picture this much smaller
# Phones even out light over a few percent of the picture's width (common practice; set by eye).
AROUND_WIDTHS = 1 / 20
ROUNDS = 6
MIN_PLACES = 50
# Cockles under low light make waves in the white that look like relighting: on plain renders the exponent was off by
# 0.02 where the white spread by 0.6 % about its smooth light, by 0.18 where it spread by 3 %.
U_PER_SPREAD = 3.0


@dataclass(frozen=True, eq=False)
class WhiteReading:
    """Plain paper in one photo at N places: true xy_mm (N, 2), log of its light and of the light around, seen (N,)."""

    xy_mm: FloatArray
    log_white: FloatArray
    log_around: FloatArray
    seen: BoolArray


def read_white(photo: Photo, camera: Camera, scale: tuple[float, float]) -> WhiteReading:
    """Read the plain paper of one photo; scale: printed over drawn length along x and y."""
    points = white_points_mm() * scale
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    width, height = photo.size_px
    light, seen = read_paper_light(photo, pixels)
    sparse = cv2.resize(
        photo.rgb_u8, (max(width // 4, 1), max(height // 4, 1)), interpolation=cv2.INTER_NEAREST
    )
    size = (max(width // SHRINK, 1), max(height // SHRINK, 1))
    small = np.asarray(cv2.resize(sparse, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    field = np.asarray(linear_of_byte()[small] @ LUMINANCE.astype(np.float32), dtype=np.float32)
    spread = max(width, height) / SHRINK * AROUND_WIDTHS
    around = cv2.GaussianBlur(field, (0, 0), spread, borderType=cv2.BORDER_REFLECT)
    place = ((pixels + 0.5) / SHRINK - 0.5).astype(np.float32)
    sampled = cv2.remap(
        around, place[None, :, 0], place[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return WhiteReading(
        xy_mm=points,
        log_white=np.log(np.maximum(light @ LUMINANCE, 1e-4)),
        log_around=np.log(np.maximum(np.asarray(sampled[0], dtype=float), 5e-3)),
        seen=seen,
    )


def relit_strength(readings: Sequence[WhiteReading]) -> tuple[float, float]:
    """Exponent by which the phone evened out bright and dark parts, and its standard uncertainty.

    The median of the photos, each with its own light. 0 for a plain photo; 0.2 means that paper in surroundings half
    as bright came out 15 % brighter. Nothing read gives 0 +- 1.
    """
    found, spreads = [], []
    for one in readings:
        if one.seen.sum() >= MIN_PLACES:
            terms = np.column_stack([white_basis(*one.xy_mm.T).T, -one.log_around])
            solution, spread = _robust_fit(terms, one.log_white, one.seen)
            found.append(float(solution[-1]))
            spreads.append(spread)
    if not found:
        return 0.0, 1.0
    return float(np.median(found)), U_PER_SPREAD * float(np.median(spreads))


def _robust_fit(terms: FloatArray, values: FloatArray, seen: BoolArray) -> tuple[FloatArray, float]:
    """Least squares in which outliers (shadowed or dirty paper) lose their say, and the robust spread about it."""
    weight = seen.astype(float)
    # Shadowed white is darker: start from the brighter part, then let the spread decide.
    weight[values < np.median(values[seen]) - 0.7] = 0
    for _ in range(ROUNDS):
        normal = (terms * weight[:, None]).T @ terms + 1e-9 * np.eye(terms.shape[1])
        solution = np.linalg.solve(normal, (terms * weight[:, None]).T @ values)
        residual = values - terms @ solution
        spread = 1.4826 * float(np.median(np.abs(residual[seen])))
        weight = seen / (1 + (residual / max(3 * spread, 0.01)) ** 2) ** 2
    return np.asarray(solution), spread
