"""Thin typed wrappers of OpenCV on float32 images; the rest of `simulate` speaks in these."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.values import FloatArray, U8Array

SMALL_AREA = 20_000  # pixels; a larger box is handled along the polygon's outline only


def blur(image: FloatArray, sd_px: float) -> FloatArray:
    """Gaussian blur with reflecting ends (half-sample symmetric), float32; none below 0.01 px."""
    source = np.asarray(image, np.float32)
    if sd_px < 0.01:
        return source
    return np.asarray(
        cv2.GaussianBlur(source, (0, 0), sd_px, borderType=cv2.BORDER_REFLECT), dtype=np.float32
    )


def resize(image: FloatArray, size: tuple[int, int], how: int = cv2.INTER_LINEAR) -> FloatArray:
    """Resize to (width, height), float32."""
    return np.asarray(cv2.resize(np.asarray(image, np.float32), size, interpolation=how), dtype=np.float32)


def shrink(image: FloatArray, factor: float) -> FloatArray:
    """Area-average down by `factor` (2 = half the samples each way), float32."""
    height, width = image.shape[:2]
    size = (max(round(width / factor), 1), max(round(height / factor), 1))
    return resize(image, size, cv2.INTER_AREA)


def sample(
    image: FloatArray, col: FloatArray, row: FloatArray, border: int = cv2.BORDER_REPLICATE
) -> FloatArray:
    """Bilinear samples of image at (col, row), both (h, w) float32 pixel-centre coordinates."""
    return np.asarray(
        cv2.remap(
            image,
            np.asarray(col, np.float32),
            np.asarray(row, np.float32),
            cv2.INTER_LINEAR,
            borderMode=border,
        ),
        dtype=np.float32,
    )


def warp(
    image: FloatArray, matrix: NDArray[np.float64], size: tuple[int, int], *, inverse: bool = False
) -> FloatArray:
    """Affine warp to (width, height); `inverse` says that the matrix maps the result to the image."""
    flags = cv2.INTER_LINEAR | (cv2.WARP_INVERSE_MAP if inverse else 0)
    return np.asarray(
        cv2.warpAffine(image, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
    )


def merge(channels: list[FloatArray]) -> FloatArray:
    """Stack (h, w) channels into one (h, w, n) float32 image."""
    parts: list[Any] = [np.asarray(c, np.float32) for c in channels]
    return np.asarray(cv2.merge(parts), dtype=np.float32)


def fill_polygon(mask: U8Array, points_px: FloatArray, value: int) -> None:
    """Fill a convex polygon, (n, 2) pixel-centre coordinates, with each pixel's share of it, in place.

    OpenCV's anti-aliased filling grows every side by 0.7 px, which would make shadows and tabs too long.
    """
    points = np.asarray(points_px, dtype=np.float32)
    x0, y0 = np.maximum(np.floor(points.min(0)).astype(int) - 1, 0)
    x1, y1 = np.minimum(np.ceil(points.max(0)).astype(int) + 2, (mask.shape[1], mask.shape[0]))
    if x0 >= x1 or y0 >= y1:
        return
    part, points = mask[y0:y1, x0:x1], points - np.array([x0, y0], np.float32)
    if part.size < SMALL_AREA:
        cols, rows = np.arange(part.shape[1], dtype=np.float32), np.arange(part.shape[0], dtype=np.float32)
        cover = _cover(points, cols[None, :], rows[:, None])
        part[:] = np.round(part + cover * (value - part.astype(np.float32))).astype(np.uint8)
        return
    # Only the pixels along the outline are shared.
    band = np.zeros(part.shape, np.uint8)
    outline: Any = [np.round(points).astype(np.int32)]
    cv2.fillPoly(band, outline, 1)
    cv2.polylines(band, outline, True, 2, thickness=5)
    part[band == 1] = value
    at_row, at_col = np.nonzero(band == 2)
    cover = _cover(points, at_col.astype(np.float32), at_row.astype(np.float32))
    old = part[at_row, at_col].astype(np.float32)
    part[at_row, at_col] = np.round(old + cover * (value - old)).astype(np.uint8)


def _cover(points: FloatArray, col: FloatArray, row: FloatArray) -> FloatArray:
    """Share of pixels inside a convex polygon: what its sides' half planes leave, each a ramp one pixel wide."""
    sides = np.roll(points, -1, 0) - points
    turn = np.sign(
        (points[:, 0] * np.roll(points[:, 1], -1) - points[:, 1] * np.roll(points[:, 0], -1)).sum()
    )
    left = np.float32(1.0)
    for (x, y), (dx, dy) in zip(points, sides, strict=True):
        length = float(np.hypot(dx, dy))
        if length > 0:
            inward = (dx * (row - y) - dy * (col - x)) * np.float32(turn / length)
            left = left - np.clip(np.float32(0.5) - inward, 0, 1)
    return np.asarray(np.clip(left, 0, 1), dtype=np.float32)
