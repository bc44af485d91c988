"""Denoising as phones do it: noise goes, and low-contrast texture goes with it; strong edges stay.

A local Wiener filter (Lee 1980, IEEE PAMI 2, 165): each pixel is drawn to the mean of its surroundings by the share
of the local variance that the filter believes to be noise. Where the surface varies less than that, nothing is left
of it.
"""

from __future__ import annotations

import cv2
import numpy as np

from assessor.values import FloatArray

SIDE = 7  # of the square that mean and variance are taken over
STRIP = 58  # rows at once, so that they stay in the processor's cache
BELIEVED = 2.5  # at strength 1 the filter takes this many times the noise's deviation for noise


def denoise(image: FloatArray, sd: float, strength: float) -> FloatArray:
    """Denoise linear (H, W, 3) float32; sd is the noise's standard deviation at a level of 0.2."""
    result = np.empty_like(image)
    height, half = image.shape[0], SIDE // 2
    believed = np.float32((BELIEVED * strength * sd) ** 2)
    for top in range(0, height, STRIP):
        first, last = max(top - half, 0), min(top + STRIP + half, height)
        part = image[first:last]
        mean = cv2.blur(part, (SIDE, SIDE), borderType=cv2.BORDER_REFLECT)
        grey = np.ascontiguousarray(part[..., 1])
        level = np.ascontiguousarray(mean[..., 1])
        spread = cv2.sqrBoxFilter(grey, -1, (SIDE, SIDE), borderType=cv2.BORDER_REFLECT) - level * level
        # Shot noise grows with the light, as the sensor adds it.
        noise = (np.clip(level, 0, 4) * np.float32(0.9 / 0.2) + np.float32(0.1)) * believed
        kept = np.clip(1 - noise / np.maximum(spread, np.float32(1e-12)), 0, 1)[..., None]
        rows = slice(top - first, top - first + min(STRIP, height - top))
        result[top : top + STRIP] = mean[rows] + (kept * (part - mean))[rows]
    return result
