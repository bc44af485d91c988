"""How even a zone is: level, contrast and direction of its texture, block by block.

Blocks of 100 mm. Level: median log reflectance. Contrast: root mean square of log reflectance between waves of about
12 and 50 mm, which even the coarsest pixels in use resolve. Direction: the structure tensor of the same waves
(Bigun & Granlund 1987). Samples in patches that the crew is shown are left out, so that a stain is not told twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.linear import LUMINANCE
from assessor.values import BoolArray, FloatArray, Patches
from assessor.values.overview import Evenness, Mosaic, Spread


@dataclass(frozen=True, slots=True)
class EvenSettings:
    """Blocks and band."""

    block_mm: float = 100.0
    fine_mm: float = 2.0  # sd of the finer Gaussian: passes waves over about 12 mm
    coarse_mm: float = 8.0  # sd of the coarser: holds back waves over about 50 mm
    min_share: float = 0.6  # of a block that must be seen
    min_blocks: int = 12
    clip: float = 1.0  # log; a hole or a cable end is no texture


@dataclass(frozen=True, eq=False)
class TextureImage:
    """Log luminance and its texture band on the mosaic's grid; use (H, W): seen, no sheet, no shown patch."""

    log: FloatArray
    band: FloatArray
    use: BoolArray


def texture_of(mosaic: Mosaic, patches: Patches | None, settings: EvenSettings | None = None) -> TextureImage:
    """Filter the mosaic once for all that follows."""
    settings = settings or EvenSettings()
    image = mosaic.image
    use = image.valid.copy()
    if patches is not None:
        for patch in patches.shown:
            use &= ~inside_outline(patch.outline_mm, mosaic, grow_mm=6.0)
    grey = image.reflectance @ LUMINANCE.astype(np.float32)
    log = np.log(np.maximum(grey, 0.01)).astype(np.float32)
    fine = smooth(log, use, settings.fine_mm * image.px_per_mm)
    coarse = smooth(log, use, settings.coarse_mm * image.px_per_mm)
    band = np.clip(fine - coarse, -settings.clip, settings.clip)
    band[~use] = 0
    return TextureImage(log, band, use)


def smooth(field: FloatArray, use: BoolArray, sd_px: float) -> FloatArray:
    """Gaussian mean over what may be used, (H, W) float32."""
    weight = cv2.GaussianBlur(use.astype(np.float32), (0, 0), sd_px)
    total = cv2.GaussianBlur(np.where(use, field, 0).astype(np.float32), (0, 0), sd_px)
    return np.asarray(total / np.maximum(weight, 1e-4), dtype=np.float32)


def inside_outline(outline_mm: FloatArray, mosaic: Mosaic, *, grow_mm: float = 0.0) -> BoolArray:
    """(H, W) True inside an outline, grown by so much."""
    image = mosaic.image
    at = (
        np.stack([outline_mm[:, 0] - image.x_min_mm, image.y_max_mm - outline_mm[:, 1]], -1) * image.px_per_mm
        - 0.5
    )
    mask = np.zeros(image.valid.shape, np.uint8)
    points = [np.round(at).astype(np.int32)]
    cv2.fillPoly(mask, points, 1)
    if grow_mm > 0:
        cv2.polylines(mask, points, True, 1, max(round(2 * grow_mm * image.px_per_mm), 1))
    return np.asarray(mask > 0)


def measure_evenness(mosaic: Mosaic, texture: TextureImage, settings: EvenSettings | None = None) -> Evenness:
    """Blocks and their robust spread over the zone."""
    settings = settings or EvenSettings()
    image = mosaic.image
    n = max(round(settings.block_mm * image.px_per_mm), 8)
    share = block_mean(texture.use.astype(np.float32), n)
    enough = share >= settings.min_share
    weight = np.maximum(share, 1e-3)
    level = _block_median(texture.log, texture.use, n)
    power = block_mean(texture.band**2, n) / weight
    a, b = _tensor(texture, n)
    with np.errstate(divide="ignore", invalid="ignore"):
        contrast = np.log(np.sqrt(power))
    total = np.maximum(block_mean(_gradient_power(texture), n), 1e-12)
    strength = np.hypot(a, b) / total
    direction = (np.degrees(np.arctan2(b, a)) / 2 + 90) % 180  # lines run across the gradient
    for field in (level, contrast, direction, strength):
        field[~enough] = np.nan
    level -= np.nanmedian(level) if enough.any() else 0
    contrast -= np.nanmedian(contrast) if enough.any() else 0
    block_mm = n / image.px_per_mm
    light = mosaic.light
    why = "" if light.can_tell_level else light.why
    return Evenness(
        block_mm, image.x_min_mm, image.y_max_mm, level, contrast, direction, strength,
        _spread(level, light.u_level, why, settings, "level of blocks against the papers' light"),
        # A block of 100 mm holds some 60 independent grains of this band: its rms scatters by 9 % by chance.
        _spread(contrast, 0.09, "", settings, "rms of 12-50 mm waves in blocks"),
    )  # fmt: skip


def _spread(field: FloatArray, chance: float, why: str, settings: EvenSettings, method: str) -> Spread:
    values = field[np.isfinite(field)]
    if len(values) < settings.min_blocks:
        why = why or f"only {len(values)} blocks were seen, {settings.min_blocks} are needed"
    if why:
        return Spread(None, None, None, len(values), why, method)
    sd = float(1.4826 * np.median(np.abs(values - np.median(values))))
    # Neighbours are alike: a quarter of the blocks count. The factor is that of a median deviation (37 % efficient).
    u = sd / float(np.sqrt(2 * max(len(values) / 4 - 1, 1) * 0.37))
    return Spread(sd, float(np.hypot(u, 0.25 * chance)), chance, len(values), "", method)


def block_mean(field: FloatArray, n: int) -> FloatArray:
    """Means of whole blocks of n x n samples; what is left at right and bottom is cut off."""
    rows, columns = field.shape[0] // n, field.shape[1] // n
    cut = np.ascontiguousarray(field[: rows * n, : columns * n], dtype=np.float32)
    return np.asarray(cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA), dtype=float)


def _block_median(field: FloatArray, use: BoolArray, n: int) -> FloatArray:
    rows, columns = field.shape[0] // n, field.shape[1] // n
    step = max(n // 16, 1)  # some 250 samples a block say its median to a percent
    result = np.full((rows, columns), np.nan)
    for r in range(rows):
        part = field[r * n : (r + 1) * n : step, : columns * n : step]
        ok = use[r * n : (r + 1) * n : step, : columns * n : step]
        m = part.shape[1] // columns if columns else 0
        for c in range(columns):
            cell = part[:, c * m : (c + 1) * m][ok[:, c * m : (c + 1) * m]]
            if cell.size >= 8:
                result[r, c] = np.median(cell)
    return result


def gradients(texture: TextureImage) -> tuple[FloatArray, FloatArray]:
    """d/dx and d/dy (y up) of the texture band, 0 where not usable."""
    dx = cv2.Sobel(texture.band, cv2.CV_32F, 1, 0, ksize=3)
    dy = -cv2.Sobel(texture.band, cv2.CV_32F, 0, 1, ksize=3)
    edge = cv2.erode(texture.use.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0
    dx[edge] = 0
    dy[edge] = 0
    return np.asarray(dx), np.asarray(dy)


def _gradient_power(texture: TextureImage) -> FloatArray:
    dx, dy = gradients(texture)
    return np.asarray(dx * dx + dy * dy)


def _tensor(texture: TextureImage, n: int) -> tuple[FloatArray, FloatArray]:
    """cos and sin parts of the doubled gradient angle, by blocks."""
    dx, dy = gradients(texture)
    return block_mean(dx * dx - dy * dy, n), block_mean(2 * dx * dy, n)
