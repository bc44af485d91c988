"""Colour of the floor without any light: linear reflectance of paste, sand and stones.

Concrete's linear reflectance is 0.2-0.5 (common practice; ASTM C1549-type readings of old and new concrete
fall in it); stones range from near black basalt to white quartz.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from assessor.simulate.imaging import blur, merge, sample
from assessor.simulate.noise import fractal_field, speckle_field
from assessor.values import FloatArray, U8Array

# Linear reflectance R, G, B of common lithologies (from memory, verify; only their spread matters here).
LITHOLOGIES = (
    (0.12, 0.12, 0.13),  # basalt
    (0.42, 0.38, 0.31),  # limestone
    (0.55, 0.53, 0.50),  # quartz
    (0.30, 0.20, 0.15),  # red granite
    (0.26, 0.26, 0.25),  # grey granite
    (0.33, 0.25, 0.16),  # flint, sandstone
)


def paste_albedo(n: int, px_per_mm: float, rng: np.random.Generator, *, contrast: float = 1.0) -> FloatArray:
    """Procedural cement paste with sand, (n, n, 3) float32 linear reflectance; contrast scales mottling."""
    base = float(rng.uniform(0.24, 0.46))
    tint = np.array([1.0 + rng.uniform(0.0, 0.05), 1.0, 1.0 - rng.uniform(0.0, 0.08)], np.float32)
    tone = 0.05 * fractal_field(n, px_per_mm, rng, short_mm=3, long_mm=100, hurst=0.3)
    for sd_mm, amount in ((0.06, 0.05), (0.13, 0.07), (0.30, 0.05)):
        tone += amount * rng.uniform(0.6, 1.4) * speckle_field(n, rng, sd_px=sd_mm * px_per_mm)
    grey = np.exp(np.float32(contrast) * tone) * np.float32(base)
    albedo = merge([grey * t for t in tint])
    _sand(albedo, px_per_mm, rng, share=float(rng.uniform(0.03, 0.15)) * contrast)
    return np.asarray(np.clip(albedo, 0.03, 0.85, out=albedo), dtype=np.float32)


def _sand(albedo: FloatArray, px_per_mm: float, rng: np.random.Generator, *, share: float) -> None:
    """Scatter sand grains of 0.2-1 mm, each class of one tone, over `share` of the area, in place."""
    n = albedo.shape[0]
    pixels = albedo.reshape(-1, 3)
    for sd_mm in (0.10, 0.2, 0.35):
        field = speckle_field(n, rng, sd_px=sd_mm * px_per_mm).ravel()
        for sign in (1.0, -1.0):
            cut = float(np.quantile(sign * field[::53], 1 - share / 6)) if share > 0 else np.inf
            tone = np.array(LITHOLOGIES[rng.integers(len(LITHOLOGIES))], np.float32) * np.float32(
                rng.uniform(0.8, 1.3)
            )
            at = np.flatnonzero(field > cut if sign > 0 else field < -cut)
            cover = np.clip((np.float32(sign) * field[at] - np.float32(cut)) * 4, 0, 1)[:, None] * np.float32(
                0.7
            )
            pixels[at] += cover * (tone - pixels[at])


def paint_stones(
    albedo: FloatArray, labels: np.ndarray[tuple[int, int], np.dtype[np.int32]], rng: np.random.Generator
) -> None:
    """Paint each particle of a label map in one lithology with its own shade and grain, in place."""
    count = int(labels.max())
    if count == 0:
        return
    families = rng.choice(len(LITHOLOGIES), size=int(rng.integers(1, 4)), replace=False)
    kinds = np.array(LITHOLOGIES, np.float32)[rng.choice(families, count)]
    shades = np.concatenate([[[0, 0, 0]], kinds * rng.uniform(0.7, 1.35, (count, 1))]).astype(np.float32)
    at = np.flatnonzero(labels)
    # Rims are softened inward only, so that the label map stays the truth.
    cover = blur((labels > 0).astype(np.float32), 0.8).ravel()[at, None]
    grain = np.exp(0.10 * speckle_field(labels.shape[0], rng, sd_px=4)).ravel()[at, None]
    pixels = albedo.reshape(-1, 3)
    pixels[at] += cover * (shades[labels.ravel()[at]] * grain - pixels[at])
    np.clip(albedo, 0.03, 0.85, out=albedo)


def paint_flush(
    albedo: FloatArray, labels: np.ndarray[tuple[int, int], np.dtype[np.int32]], rng: np.random.Generator
) -> None:
    """Paint each particle 0.3 to 2 times as bright as the paste, in its lithology's tint, in place.

    Stones cut flush by a grinder: all colour and no height, what a slope from shading must not be fooled by.
    """
    count = int(labels.max())
    if count == 0:
        return
    paste = float(np.median(albedo[::7, ::7, 1]))
    tints = np.array(LITHOLOGIES)[rng.integers(len(LITHOLOGIES), size=count)]
    tints /= tints[:, 1:2]
    bright = paste * np.exp(rng.uniform(np.log(0.3), np.log(2.0), (count, 1)))
    shades = np.concatenate([[[0, 0, 0]], bright * tints]).astype(np.float32)
    at = np.flatnonzero(labels)
    # Cut stones have sharp rims; half a sample of softness spares stair-steps.
    cover = blur((labels > 0).astype(np.float32), 0.8).ravel()[at, None]
    grain = np.exp(0.10 * speckle_field(labels.shape[0], rng, sd_px=4)).ravel()[at, None]
    pixels = albedo.reshape(-1, 3)
    pixels[at] += cover * (shades[labels.ravel()[at]] * grain - pixels[at])
    np.clip(albedo, 0.03, 0.85, out=albedo)


def photo_albedo(
    file: Path, n: int, px_per_mm: float, rng: np.random.Generator, *, contrast: float = 1.0
) -> FloatArray:
    """A delit albedo map (CC0, ../shared/data/concrete_albedo) as linear reflectance, (n, n, 3) float32.

    The maps carry no scale, so the tile size is drawn at random; contrast is kept (or its logarithm multiplied by
    `contrast`), the mean goes to 0.2-0.5.
    """
    image = cv2.imread(str(file), cv2.IMREAD_COLOR)
    if image is None:
        raise FileNotFoundError(file)
    linear = _srgb_to_linear(np.ascontiguousarray(image[..., ::-1]))
    across = rng.uniform(120, 250)
    zoom = np.float32(linear.shape[1] / (across * px_per_mm))
    at = (np.arange(n, dtype=np.float32) * zoom)[None] + np.float32(rng.uniform(0, linear.shape[1]))
    x, y = np.meshgrid(at, at)
    # The maps are of asphalt and earth too: half of the chroma makes them concrete.
    linear = 0.5 * (linear + linear.mean(2, keepdims=True))
    tile = sample(linear, x, y, cv2.BORDER_WRAP)
    if contrast != 1:
        tile = np.maximum(tile, np.float32(1e-3)) ** np.float32(contrast)
    tile *= np.float32(rng.uniform(0.22, 0.45) / float(tile.mean()))
    # A 1k map has no detail under 0.15 mm; real paste has.
    tile *= np.exp(0.06 * speckle_field(n, rng, sd_px=0.07 * px_per_mm))[..., None]
    return np.clip(tile, 0.03, 0.85).astype(np.float32)


def _srgb_to_linear(rgb_u8: U8Array) -> FloatArray:
    """IEC 61966-2-1 decoding of bytes to 0..1."""
    s = np.arange(256, dtype=np.float64) / 255
    table = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return np.asarray(table[rgb_u8], dtype=np.float32)
