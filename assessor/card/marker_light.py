"""Light beside the markers: white paper outside their sides, black ink inside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.card.linear import LUMINANCE, linear_of_byte
from assessor.card.plane import apply_homography
from assessor.values import FloatArray, Photo


@dataclass(frozen=True, eq=False)
class MarkerLight:
    """Linear light beside the sides of M markers: white outside, ink inside, (M, 4); and where, (M, 4, 2) mm.

    spread (M, 4): brightest over darkest white along one side; clipped: share of burnt-out white samples.
    """

    white: FloatArray
    ink: FloatArray
    spread: FloatArray
    at_mm: FloatArray
    clipped: float


def light_at_markers(
    photo: Photo, corners_px: FloatArray, px_from_mm: FloatArray, clipped_byte: int
) -> MarkerLight:
    """Sample paper and ink along every side of the markers with these corners, (M, 4, 2)."""
    corners = np.asarray(corners_px, dtype=float)
    mm_from_px = np.linalg.inv(px_from_mm)
    corners_mm = apply_homography(mm_from_px, corners)
    side_mm = np.linalg.norm(corners_mm[:, 1] - corners_mm[:, 0], axis=1)[:, None, None, None]
    along = np.linspace(0.08, 0.92, 9)[:, None]
    here, after = corners[:, :, None], np.roll(corners, -1, axis=1)[:, :, None]
    points = here + along * (after - here)
    # Toward the middle of the opposite side: half a cell in lies ink, 1.1 mm out lies paper.
    inward = (
        np.roll(corners, -2, axis=1) + np.roll(corners, -3, axis=1) - corners - np.roll(corners, -1, axis=1)
    )[:, :, None] / 2
    ink = _sample(photo, points + inward / 16).astype(int)
    white = _sample(photo, points - inward * (1.1 / side_mm)).astype(int)
    burnt = float((white.max(-1) >= clipped_byte).mean()) if white.size else 0.0
    table = linear_of_byte().astype(float)
    white_light, ink_light = np.sort(table[white] @ LUMINANCE, axis=-1), table[ink] @ LUMINANCE
    return MarkerLight(
        white=np.median(white_light, axis=-1),
        ink=np.median(ink_light, axis=-1),
        spread=white_light[..., -2] / np.maximum(white_light[..., 1], 1e-4),
        at_mm=(corners_mm + np.roll(corners_mm, -1, axis=1)) / 2,
        clipped=burnt,
    )


def _sample(photo: Photo, points_px: FloatArray) -> FloatArray:
    """Bytes (..., 3) of the nearest pixels (the frame's edge repeats)."""
    width, height = photo.size_px
    column = np.clip(np.rint(points_px[..., 0]), 0, width - 1).astype(int)
    row = np.clip(np.rint(points_px[..., 1]), 0, height - 1).astype(int)
    return np.asarray(photo.rgb_u8[row, column])
