"""sRGB bytes to linear light and back, by table.

Phones hand over sRGB-coded bytes (other profiles are brought to sRGB when the photo is decoded). Everything that
averages, interpolates or compares light must work on linear values: on coded bytes a blurred black-white edge moves
by up to half a pixel (study.md part 1, section 2).

Source: IEC 61966-2-1:1999, the sRGB transfer function; numbers from memory, verify (domain.md section 12, items 29-31).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.values import FloatArray, U8Array

# Luminance of linear R, G, B (ITU-R BT.709, the primaries of sRGB).
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
LUMINANCE.flags.writeable = False


def linear_from_srgb(coded: FloatArray | float) -> FloatArray:
    """Decode sRGB values (0..1, any shape) to linear light (0..1)."""
    value = np.asarray(coded, dtype=float)
    power: FloatArray = ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(value <= 0.04045, value / 12.92, power))


def srgb_from_linear(linear: FloatArray | float) -> FloatArray:
    """Code linear light (any shape, clipped to 0..1) as sRGB values (0..1)."""
    value = np.clip(np.asarray(linear, dtype=float), 0.0, 1.0)
    power = 1.055 * np.maximum(value, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(value <= 0.0031308, value * 12.92, power))


def bytes_from_linear(linear: FloatArray | float) -> U8Array:
    """Code linear light (any shape, clipped to 0..1) as rounded sRGB bytes."""
    return np.asarray(np.rint(srgb_from_linear(linear) * 255), dtype=np.uint8)


@cache
def linear_of_byte() -> NDArray[np.float32]:
    """Return the (256,) float32 table of linear light for each sRGB byte (read-only)."""
    table: NDArray[np.float32] = linear_from_srgb(np.arange(256) / 255).astype(np.float32)
    table.flags.writeable = False
    return table


def linear_rgb(rgb_u8: NDArray[np.uint8], table: FloatArray | None = None) -> NDArray[np.float32]:
    """Decode bytes of any shape to linear light (0..1), float32, each channel on its own.

    table: linear light of each byte, (256,), such as a `ToneCurve`'s; sRGB if None.
    """
    curve = linear_of_byte() if table is None else np.asarray(table, dtype=np.float32)
    if rgb_u8.ndim < 2 or not rgb_u8.size:
        return np.asarray(curve[rgb_u8], dtype=np.float32)
    return np.asarray(cv2.LUT(rgb_u8, curve), dtype=np.float32).reshape(rgb_u8.shape)


def grey_bytes(rgb_u8: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the (H, W) luma (BT.601 weights) of (H, W, 3) sRGB bytes."""
    return np.asarray(cv2.cvtColor(rgb_u8, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def linear_grey(rgb_u8: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return (H, W) float32 linear light of the grey of (H, W, 3) sRGB bytes.

    The table is applied to luma bytes, which is exact for neutral pixels (paper, ink, concrete nearly) and four times
    faster than weighing three linear channels. For coloured pixels it is not linear luminance: a
    saturated colour reads several times too dark. Marker edges and paper do not care; colour work uses `linear_rgb`.
    """
    return linear_rgb(grey_bytes(rgb_u8))
