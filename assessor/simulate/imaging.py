"""Thin typed wrappers of OpenCV on float32 images; the rest of `simulate` speaks in these."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.values import FloatArray, U8Array


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
    """Fill a polygon, (n, 2) pixel-centre coordinates, with anti-aliased edges, in place."""
    shift = 6
    points: Any = [np.round(np.asarray(points_px) * 2**shift).astype(np.int32)]
    cv2.fillPoly(mask, points, value, cv2.LINE_AA, shift)
