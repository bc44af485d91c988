"""Photo file to upright sRGB pixels, or one sentence why not.

Phones hand over JPEG, PNG or HEIC in eight orientations and several colour spaces; every later stage sees one
kind of photo. Three traps decide the shape of this file:

- Libraries disagree on rotation (study.md, "Image reading"): OpenCV turns unless told not to, PIL never does,
  and libheif always does while leaving the Exif tag in place. So JPEG and PNG are decoded as stored and
  turned here, once, by the Exif tag; HEIC is never turned here, since its own `irot`/`imir` boxes rule
  (ISO/IEC 23008-12).
- Decoders fill what is missing. `photo_header` finds that first, and claims of size are checked before memory
  is taken.
- An alpha channel is dropped, not laid over white: the stored colours are what the camera recorded, and white
  mixed in could be taken for the card's paper.
- Phones hide more pictures in the file: gain maps for HDR screens (CIPA DC-007 multi-picture files, ISO 21496-1),
  depth, a clip. Only the main picture is decoded and no map is applied: the main picture is what a plain screen shows,
  and a gain map would lift parts of it by its own local tone curve.

OpenCV decodes JPEG and PNG, since it is the fastest and keeps 16 bits; PIL is asked for colour only.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import pillow_heif

from assessor.card.photo_colour import to_srgb
from assessor.card.photo_exif import parse_exif
from assessor.card.photo_header import DAMAGED, PhotoHeader, read_header
from assessor.errors import (
    NotAnImage,
    PhotoError,
    PhotoTooLarge,
    SeveralFrames,
    UnreadablePhoto,
    UnsupportedColour,
)
from assessor.values import Exif, Photo, U8Array


@dataclass(frozen=True, slots=True)
class DecodeSettings:
    """Limits of what is accepted."""

    max_bytes: int = 80_000_000  # a 50 MP photo takes 10-30 MB, a 200 MP one up to about 70
    max_pixels: int = 200_000_000  # the largest phone sensors; 600 MB once decoded
    max_frames: int = 1  # pictures that a phone hides in the file (gain map, depth, preview) do not count
    min_side_px: int = 400  # below this the card's markers have too few pixels; such files are previews


def decode_photo(data: bytes, name: str, settings: DecodeSettings | None = None) -> Photo:
    """Decode the bytes of one photo file into an upright sRGB Photo.

    `name` is what the person knows the file by. Returns (H, W, 3) uint8 RGB, contiguous. Broken Exif or
    colour profiles cost nothing but themselves. Raises UnreadablePhoto (empty, cut, damaged, tiny),
    NotAnImage (something else, whatever its suffix), PhotoTooLarge (bytes or claimed pixels), SeveralFrames
    and UnsupportedColour (CMYK, HDR transfer).
    """
    settings = settings or DecodeSettings()
    try:
        header = _checked_header(data, settings)
        rgb = to_srgb(_pixels(data, header), header.icc, header.cicp)
    except PhotoError as error:
        raise error.with_file(name) from None
    exif, orientation = parse_exif(header.exif)
    if header.format != "heic":
        rgb = _upright(rgb, orientation)
    return Photo(name, np.ascontiguousarray(rgb), exif, hashlib.sha256(data).hexdigest(), header.facts)


def read_exif(data: bytes) -> Exif:
    """Read the Exif fields of a photo file without decoding it; all None where there is nothing to read."""
    try:
        return parse_exif(read_header(data).exif)[0]
    except NotAnImage:
        return Exif()


def _checked_header(data: bytes, settings: DecodeSettings) -> PhotoHeader:
    """Read the header and refuse what must not be decoded, cheapest check first."""
    if not data:
        raise UnreadablePhoto("the file is empty (0 bytes)")
    if len(data) > settings.max_bytes:
        raise PhotoTooLarge(
            f"the file has {len(data) / 1e6:.1f} MB, more than the {settings.max_bytes / 1e6:g} MB accepted"
        )
    header = read_header(data)
    if header.frames > settings.max_frames:
        raise SeveralFrames("the file holds several pictures (an animation, a burst or a sequence)")
    width, height = header.width_px, header.height_px
    if width * height > settings.max_pixels:
        raise PhotoTooLarge(
            f"the picture claims {width} x {height} px ({width * height / 1e6:.0f} MP),"
            f" more than the {settings.max_pixels / 1e6:g} MP accepted"
        )
    if header.damage:
        raise UnreadablePhoto(header.damage)
    if min(width, height) < settings.min_side_px:
        raise UnreadablePhoto(
            f"the picture has only {width} x {height} px, a preview rather than the photo"
            f" (at least {settings.min_side_px} px a side are needed)"
        )
    if header.channels == 4:
        raise UnsupportedColour("the picture is in CMYK print colours, which no camera writes")
    return header


def _pixels(data: bytes, header: PhotoHeader) -> U8Array:
    """Decode to (H, W, 3) RGB bytes in the file's own colour space, as stored (HEIC: upright)."""
    rgb = _heic_pixels(data) if header.format == "heic" else _cv2_pixels(data)
    if rgb is None or rgb.shape != (header.height_px, header.width_px, 3):
        raise UnreadablePhoto(DAMAGED)
    return rgb


def _cv2_pixels(data: bytes) -> U8Array | None:
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    if pixels is None:
        return None
    if pixels.dtype == np.uint8:
        return np.asarray(pixels, dtype=np.uint8)
    # 16-bit PNG: rounded, where OpenCV's own 8-bit mode would cut the low byte and darken by half a step.
    return np.asarray(cv2.convertScaleAbs(pixels, alpha=255 / 65535), dtype=np.uint8)


def _heic_pixels(data: bytes) -> U8Array | None:
    try:
        pixels = np.asarray(pillow_heif.open_heif(data))
    except (ValueError, RuntimeError, OSError, EOFError, SyntaxError, IndexError):
        return None
    if pixels.dtype != np.uint8:
        return None
    channels = 1 if pixels.ndim == 2 else pixels.shape[2]
    if channels <= 2:
        grey = pixels.reshape(*pixels.shape[:2], channels)[..., :1]
        return np.repeat(grey, 3, axis=2)
    return pixels[..., :3]


def _transverse(rgb: U8Array) -> U8Array:
    return np.ascontiguousarray(rgb[::-1, ::-1].swapaxes(0, 1))


# Exif 2.32, 4.6.4: which edges of the scene row 0 and column 0 are
_TURNS: dict[int, Callable[[U8Array], object]] = {
    2: lambda rgb: cv2.flip(rgb, 1),
    3: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_180),
    4: lambda rgb: cv2.flip(rgb, 0),
    5: cv2.transpose,
    6: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE),
    7: _transverse,
    8: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def _upright(rgb: U8Array, orientation: int) -> U8Array:
    turn = _TURNS.get(orientation)
    return rgb if turn is None else np.asarray(turn(rgb), dtype=np.uint8)
