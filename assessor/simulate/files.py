"""Photo files as phones and messengers write them: JPEG, PNG or HEIC with EXIF, or what is left of both."""

from __future__ import annotations

import io
from dataclasses import dataclass
from fractions import Fraction

import cv2
import numpy as np
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from assessor.values import U8Array

MAIN_LENS = "Rendered phone main camera f/1.8"
WIDE_LENS = "Rendered phone ultra-wide camera f/2.2"
SENSOR_DIAGONAL_MM = 7.33  # so that a focal length of 2900 px on 12 MP is 4.25 mm


@dataclass(frozen=True, slots=True)
class Shot:
    """What EXIF tells about one photo; focal_px is the lens's nominal one, not what focusing made of it.

    rational: ratios are written as such, as phones do. Older seeded captures have them as doubles, which readers that
    keep to the standard pass over, and must stay as they are.
    """

    focal_px: float
    width_px: int
    height_px: int
    taken_at: str
    exposure_s: float = 1 / 120
    iso: int = 64
    subsecond: str | None = None
    lens_model: str | None = MAIN_LENS
    zoom: float = 1.0
    flash: bool = False
    rational: bool = False


def zoom_in(rgb_u8: U8Array, factor: float) -> U8Array:
    """Digital zoom: the middle cut out and enlarged to the picture's size."""
    height, width = rgb_u8.shape[:2]
    x0, y0, inner_width, inner_height = zoom_area((width, height), factor)
    part = rgb_u8[y0 : y0 + inner_height, x0 : x0 + inner_width]
    return np.asarray(cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def zoom_area(size_px: tuple[int, int], factor: float) -> tuple[int, int, int, int]:
    """Part of a picture that a digital zoom keeps: x0, y0, width, height."""
    width, height = (round(side / factor) for side in size_px)
    return (size_px[0] - width) // 2, (size_px[1] - height) // 2, width, height


def encode(
    rgb_u8: U8Array,
    shot: Shot,
    *,
    file_format: str = "jpg",
    quality: int = 92,
    exif: bool = True,
    sent_px: int = 0,
) -> bytes:
    """Write JPEG (4:2:0), PNG or HEIC bytes with EXIF; the camera's name says that it is rendered.

    exif False strips everything. sent_px: longest side after a messenger shrank the picture, 0 for none.
    """
    if sent_px and max(rgb_u8.shape) > sent_px:
        factor = sent_px / max(rgb_u8.shape[:2])
        size = round(rgb_u8.shape[1] * factor), round(rgb_u8.shape[0] * factor)
        rgb_u8 = np.asarray(cv2.resize(rgb_u8, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    picture = Image.fromarray(rgb_u8)
    tags = {"exif": _exif(shot).tobytes()} if exif else {}
    out = io.BytesIO()
    if file_format == "jpg":
        picture.save(out, "JPEG", quality=quality, subsampling=2, **tags)
    elif file_format == "png":
        picture.save(out, "PNG", compress_level=1, **tags)
    elif file_format == "heic":
        import pillow_heif  # noqa: PLC0415 - only here, and slow to load

        pillow_heif.register_heif_opener()
        picture.save(out, "HEIF", quality=quality, **tags)
    else:
        raise ValueError(f"file_format must be jpg, png or heic, not {file_format!r}")
    return out.getvalue()


def _rational(value: float) -> IFDRational:
    """A ratio to a ten-thousandth of itself."""
    fraction = Fraction(value).limit_denominator(max(round(100 / value), 1000))
    return IFDRational(fraction.numerator, fraction.denominator)


def _exif(shot: Shot) -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Rendered", "Rendered phone", 1
    diagonal = float(np.hypot(shot.width_px, shot.height_px))
    inner = exif.get_ifd(0x8769)
    ratio = _rational if shot.rational else float
    inner[0x829A] = ratio(shot.exposure_s)
    inner[0x829D] = ratio(1.8)
    inner[0x8827] = shot.iso
    inner[0x9003] = shot.taken_at
    if shot.subsecond is not None:
        inner[0x9290] = inner[0x9291] = shot.subsecond
    inner[0x9209] = 9 if shot.flash else 16  # fired, compulsory; off
    inner[0x920A] = ratio(round(shot.focal_px / diagonal * SENSOR_DIAGONAL_MM, 2))
    if shot.zoom != 1:
        inner[0xA404] = ratio(shot.zoom)
    # CIPA DC-008: the equivalent focal length on a frame with a diagonal of 43.27 mm, whole mm; phones count a
    # digital zoom in.
    inner[0xA405] = round(shot.focal_px * shot.zoom * 43.2666 / diagonal)
    if shot.lens_model is not None:
        inner[0xA434] = shot.lens_model
    return exif
