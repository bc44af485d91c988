"""From linear light to a photo's bytes as a phone makes them: blur, shading, noise, denoising, sharpening, tone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from assessor.simulate.denoise import denoise
from assessor.simulate.imaging import blur, resize, shrink
from assessor.values import FloatArray, U8Array

STRIP = 32  # rows handled at once, so that they stay in the processor's cache


@dataclass(frozen=True, slots=True)
class SensorRecipe:
    """Lens, sensor and processing of a phone, all faults adjustable.

    psf_px: sd of the lens blur; defocus_px: radius of a defocus disc; motion_px and motion_deg: length and
    direction of a straight smear. exposure: the level white paper reaches in the linear raw (1 = full).
    snr_db: signal to noise at a level of 0.2. sharpen: strength of the unsharp mask. s_curve: contrast
    added to the sRGB curve; local: strength of local tone mapping. vignette: light lost in the corners
    after correction. shading: what correction left in the corners besides, about shading_centre (in half
    diagonals), times shading_rgb per channel. denoise: strength of denoising. lift_ev: darks lifted by so many
    stops, with a shoulder that keeps white where it is; toe: blacks deepened (0-1). quality, file_format, exif
    and sent_px: see `files.encode`.
    """

    psf_px: float = 0.65
    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    exposure: float = 0.8
    snr_db: float = 36.0
    sharpen: float = 0.4
    s_curve: float = 0.0
    local: float = 0.0
    vignette: float = 0.03
    quality: int = 92
    file_format: str = "jpg"
    shading: float = 0.0
    shading_centre: tuple[float, float] = (0.0, 0.0)
    shading_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    denoise: float = 0.0
    lift_ev: float = 0.0
    toe: float = 0.0
    exif: bool = True
    sent_px: int = 0


def develop(radiance: FloatArray, recipe: SensorRecipe, rng: np.random.Generator) -> U8Array:
    """Turn radiance (H, W, 3) where 1 = white in the open into an sRGB photo, uint8."""
    image = _optics(radiance, recipe)
    height, width = image.shape[:2]
    noise = _noise_tile(height, width, rng)
    sd = np.float32(0.2 * 10 ** (-recipe.snr_db / 20))
    gain = None if not recipe.local else _local_gain(image * np.float32(recipe.exposure), recipe.local)
    for top in range(0, height, STRIP):
        part = image[top : top + STRIP]
        part *= np.float32(recipe.exposure) * _vignette(top, part.shape[0], (height, width), recipe.vignette)
        if recipe.shading:
            part *= _shading(top, part.shape[0], (height, width), recipe)
        _add_noise(part, sd, noise[top % noise.shape[0] :])
        if gain is not None:
            part *= gain[top : top + STRIP, :, None]
    if recipe.denoise:
        image = denoise(image, float(sd), recipe.denoise)
    if recipe.sharpen:
        soft = cv2.GaussianBlur(image, (5, 5), 1.0)
        cv2.addWeighted(image, 1 + recipe.sharpen, soft, -recipe.sharpen, 0, dst=image)
    return _tone(image, recipe)


def _optics(radiance: FloatArray, recipe: SensorRecipe) -> FloatArray:
    image = blur(radiance, recipe.psf_px)
    for kernel in (
        _disc(recipe.defocus_px) if recipe.defocus_px > 0 else None,
        _smear(recipe.motion_px, recipe.motion_deg) if recipe.motion_px > 0 else None,
    ):
        if kernel is not None:
            image = np.asarray(cv2.filter2D(image, -1, kernel), dtype=np.float32)
    # A fresh array: what follows works in place and the caller's radiance stays as it was.
    return image if image is not radiance else image.copy()


def _disc(radius_px: float) -> FloatArray:
    half = int(np.ceil(radius_px)) + 1
    at = np.arange(-half, half + 1)
    kernel = np.clip(radius_px + 0.5 - np.hypot(at[:, None], at[None, :]), 0, 1).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _smear(length_px: float, angle_deg: float) -> FloatArray:
    half = int(np.ceil(length_px / 2)) + 2
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for t in np.linspace(-length_px / 2, length_px / 2, 41):
        x, y = half + t * np.cos(np.deg2rad(angle_deg)), half + t * np.sin(np.deg2rad(angle_deg))
        c, r = int(x), int(y)
        for dr, wr in ((0, 1 - (y - r)), (1, y - r)):
            for dc, wc in ((0, 1 - (x - c)), (1, x - c)):
                kernel[r + dr, c + dc] += wr * wc
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _vignette(top: int, rows: int, shape: tuple[int, int], lost: float) -> FloatArray:
    """Gain of a strip of rows, (rows, width, 1)."""
    y = (np.arange(top, top + rows, dtype=np.float32) * 2 / shape[0] - 1) ** 2
    x = (np.arange(shape[1], dtype=np.float32) * 2 / shape[1] - 1) ** 2
    return np.asarray(1 - np.float32(lost / 2) * (x[None, :] + y[:, None]), dtype=np.float32)[..., None]


def _shading(top: int, rows: int, shape: tuple[int, int], recipe: SensorRecipe) -> FloatArray:
    """Gain of a strip of rows per channel, (rows, width, 3): 1 - shading x (0.6 r^2 + 0.4 r^4).

    r counts from the shading's own centre and is 1 half a diagonal away.
    """
    half = np.float32(np.hypot(*shape) / 2)
    y = (np.arange(top, top + rows, dtype=np.float32) - shape[0] / 2) / half - recipe.shading_centre[1]
    x = (np.arange(shape[1], dtype=np.float32) - shape[1] / 2) / half - recipe.shading_centre[0]
    r2 = (x * x)[None, :] + (y * y)[:, None]
    lost = (np.float32(0.6) + np.float32(0.4) * r2) * r2 * np.float32(recipe.shading)
    return np.asarray(1 - lost[..., None] * np.array(recipe.shading_rgb, np.float32), dtype=np.float32)


def _noise_tile(height: int, width: int, rng: np.random.Generator) -> FloatArray:
    """Unit noise, soft as demosaicing leaves it; half the picture each way, `_add_noise` mirrors it.

    Repeating it four times in a photo saves three quarters of the time; no photo shares it with another.
    """
    # A multiple of the strip, so that strips never straddle the tile's end.
    rows = -(-(height // 2 + 1) // STRIP) * STRIP
    cols = width // 2 + 1
    grey = blur(rng.standard_normal((rows, cols), np.float32), 0.5) * np.float32(1.45)
    colour: FloatArray = rng.standard_normal((-(-rows // 2), -(-cols // 2), 3), np.float32)
    colour -= colour.mean(2, keepdims=True)
    tile = resize(colour, (cols, rows))
    tile *= np.float32(0.65)
    tile += grey[..., None]
    return tile


def _add_noise(part: FloatArray, sd: np.float32, noise: FloatArray) -> None:
    """Shot noise (grows with the root of the light) and read noise (a tenth of it at 0.2), in place."""
    level = np.sqrt(np.clip(part[..., 1], 0, 4) * np.float32(0.9 / 0.2) + np.float32(0.1)) * sd
    half, width = noise.shape[1], part.shape[1]
    for side, tile in ((slice(0, half), noise), (slice(half, width), noise[:, : 2 * half - width - 1 : -1])):
        part[:, side] += tile[: part.shape[0]] * level[:, side, None]


def _local_gain(image: FloatArray, strength: float) -> FloatArray:
    """Phone-like relighting: dark parts are lifted, bright ones lowered, over a twentieth of the picture."""
    height, width = image.shape[:2]
    around = blur(shrink(image[..., 1], 16), width / 16 / 20)
    gain = (np.clip(around, 0.02, 1) / np.float32(np.median(around))) ** np.float32(-strength)
    return resize(gain, (width, height))


def tone_curve(linear: FloatArray, recipe: SensorRecipe) -> FloatArray:
    """Encoded level (0..1) of linear light (0..1): the phone's global tone curve, increasing, 0 to 0 and 1 to 1.

    Lift g x / (1 + (g - 1) x) with g = 2^lift_ev, then sRGB (IEC 61966-2-1), a toe e - toe e (1 - e)^3, and the
    S-curve.
    """
    gain = 2.0**recipe.lift_ev
    linear = gain * linear / (1 + (gain - 1) * linear)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    encoded = encoded - recipe.toe * encoded * (1 - encoded) ** 3
    return np.asarray(encoded + recipe.s_curve * (encoded * encoded * (3 - 2 * encoded) - encoded))


def _tone(image: FloatArray, recipe: SensorRecipe) -> U8Array:
    """The tone curve, rounded to bytes."""
    steps = 65536
    encoded = tone_curve(np.arange(steps, dtype=np.float64) / (steps - 1), recipe)
    table = np.round(255 * np.clip(encoded, 0, 1)).astype(np.uint8)
    result = np.empty(image.shape, np.uint8)
    for top in range(0, image.shape[0], STRIP):
        part = image[top : top + STRIP]
        # OpenCV rounds and holds to 0..65535 in one go.
        scale: Any = (float(steps - 1),) * 4
        index: Any = cv2.multiply(part, scale, dtype=cv2.CV_16U)
        np.take(table, index, out=result[top : top + STRIP], mode="clip")
    return result
