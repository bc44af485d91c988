"""From linear light to a photo file as a phone writes it: blur, noise, sharpening, tone, JPEG with EXIF."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

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
    after correction.
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


@dataclass(frozen=True, slots=True)
class Shot:
    """What EXIF tells about one photo."""

    focal_px: float
    width_px: int
    height_px: int
    taken_at: str
    exposure_s: float = 1 / 120
    iso: int = 64


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
        _add_noise(part, sd, noise[top % noise.shape[0] :])
        if gain is not None:
            part *= gain[top : top + STRIP, :, None]
    if recipe.sharpen:
        soft = cv2.GaussianBlur(image, (5, 5), 1.0)
        cv2.addWeighted(image, 1 + recipe.sharpen, soft, -recipe.sharpen, 0, dst=image)
    return _tone(image, recipe.s_curve)


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


def _noise_tile(height: int, width: int, rng: np.random.Generator) -> FloatArray:
    """Unit noise, soft as demosaicing leaves it; half the picture each way, then mirrored.

    Repeating it four times in a photo saves three quarters of the time; no photo shares it with another.
    """
    # A multiple of the strip, so that strips never straddle the tile's end.
    rows = -(-(height // 2 + 1) // STRIP) * STRIP
    cols = width // 2 + 1
    grey = blur(rng.standard_normal((rows, cols), np.float32), 0.5) * np.float32(1.45)
    colour: FloatArray = rng.standard_normal((-(-rows // 2), -(-cols // 2), 3), np.float32)
    colour -= colour.mean(2, keepdims=True)
    tile = resize(colour, (cols, rows)) * np.float32(0.65) + grey[..., None]
    return np.ascontiguousarray(np.concatenate([tile, tile[:, ::-1]], axis=1)[:, :width])


def _add_noise(part: FloatArray, sd: np.float32, noise: FloatArray) -> None:
    """Shot noise (grows with the root of the light) and read noise (a tenth of it at 0.2), in place."""
    level = np.sqrt(np.clip(part[..., 1], 0, 4) * np.float32(0.9 / 0.2) + np.float32(0.1)) * sd
    part += noise[: part.shape[0]] * level[..., None]


def _local_gain(image: FloatArray, strength: float) -> FloatArray:
    """Phone-like relighting: dark parts are lifted, bright ones lowered, over a twentieth of the picture."""
    height, width = image.shape[:2]
    around = blur(shrink(image[..., 1], 16), width / 16 / 20)
    gain = (np.clip(around, 0.02, 1) / np.float32(np.median(around))) ** np.float32(-strength)
    return resize(gain, (width, height))


def _tone(image: FloatArray, s_curve: float) -> U8Array:
    """sRGB encoding (IEC 61966-2-1) with an optional S-curve, rounded to bytes."""
    steps = 16384
    linear = np.arange(steps, dtype=np.float64) / (steps - 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    encoded = encoded + s_curve * (encoded * encoded * (3 - 2 * encoded) - encoded)
    table = np.round(255 * np.clip(encoded, 0, 1)).astype(np.uint8)
    result = np.empty(image.shape, np.uint8)
    for top in range(0, image.shape[0], STRIP):
        index = np.clip(image[top : top + STRIP] * np.float32(steps - 1), 0, steps - 1).astype(np.uint16)
        result[top : top + STRIP] = table[index]
    return result


def encode(rgb_u8: U8Array, shot: Shot, recipe: SensorRecipe) -> bytes:
    """Write JPEG (4:2:0), PNG or HEIC bytes with EXIF; the camera's name says that it is rendered."""
    picture = Image.fromarray(rgb_u8)
    exif = _exif(shot)
    out = io.BytesIO()
    if recipe.file_format == "jpg":
        picture.save(out, "JPEG", quality=recipe.quality, subsampling=2, exif=exif)
    elif recipe.file_format == "png":
        picture.save(out, "PNG", compress_level=1, exif=exif)
    elif recipe.file_format == "heic":
        import pillow_heif  # noqa: PLC0415 - only here, and slow to load

        pillow_heif.register_heif_opener()
        picture.save(out, "HEIF", quality=recipe.quality, exif=exif.tobytes())
    else:
        raise ValueError(f"file_format must be jpg, png or heic, not {recipe.file_format!r}")
    return out.getvalue()


def _exif(shot: Shot) -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Rendered", "Rendered phone", 1
    diagonal = float(np.hypot(shot.width_px, shot.height_px))
    inner = exif.get_ifd(0x8769)
    inner[0x829A] = shot.exposure_s
    inner[0x829D] = 1.8
    inner[0x8827] = shot.iso
    inner[0x9003] = shot.taken_at
    inner[0x9209] = 16  # flash off
    inner[0x920A] = 4.25
    # CIPA DC-008: the equivalent focal length on a frame with a diagonal of 43.27 mm, whole mm.
    inner[0xA405] = round(shot.focal_px * 43.2666 / diagonal)
    return exif
