"""Embedded colour to sRGB bytes, in place and in strips so that a large photo is never held twice.

Relative colorimetric: the photo's white stays white and every colour that sRGB can hold keeps its measure; a
perceptual table would bend the tones that reflectance is read from. Neutral greys of Display P3 have the same
bytes in sRGB, so this matters for stains and coatings more than for texture. Colours outside sRGB are
clipped. A profile that moves no colour by more than one byte is skipped, and one that cannot be read is taken
as sRGB, as browsers do.
"""

from __future__ import annotations

import io
import struct

import numpy as np
from PIL import Image, ImageCms

from assessor.errors import UnsupportedColour
from assessor.values import U8Array

_STRIP_ROWS = 128
# ITU-T H.273: code points of colour primaries and transfer characteristics
_SRGB_PRIMARIES, _P3_PRIMARIES = 1, 12
_HDR_TRANSFERS = {16: "PQ", 18: "HLG"}
# Display P3 (primaries of SMPTE EG 432-1, white D65) adapted to the D50 of ICC profiles by the Bradford
# matrix
_P3_COLUMNS = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
_D50 = (0.9642, 1.0, 0.8249)
_SRGB_CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def to_srgb(rgb: U8Array, icc: bytes, cicp: tuple[int, int] | None) -> U8Array:
    """Bring the (H, W, 3) bytes of a photo to sRGB by its profile, or by H.273 code points where it has them.

    May write in place. Code points win over a profile, as the PNG specification says. Raises
    UnsupportedColour where the transfer is made for HDR screens.
    """
    if cicp is not None:
        primaries, transfer = cicp
        if transfer in _HDR_TRANSFERS:
            raise UnsupportedColour(f"the picture is coded for HDR screens ({_HDR_TRANSFERS[transfer]})")
        icc = {_SRGB_PRIMARIES: b"", _P3_PRIMARIES: display_p3_profile()}.get(primaries, icc)
    transform = _transform(icc)
    if transform is None:
        return rgb
    if not rgb.flags.writeable:
        rgb = rgb.copy()
    grey = icc[16:20] == b"GRAY"
    for row in range(0, rgb.shape[0], _STRIP_ROWS):
        strip = rgb[row : row + _STRIP_ROWS]
        strip[...] = _apply(strip[..., 0] if grey else strip, transform)
    return rgb


def _transform(icc: bytes) -> ImageCms.ImageCmsTransform | None:
    """Build the transform to sRGB, or None where the bytes already are sRGB or the profile cannot be used."""
    mode = {b"RGB ": "RGB", b"GRAY": "L"}.get(icc[16:20])
    if mode is None:
        return None
    try:
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(icc)),
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (OSError, ImageCms.PyCMSError):
        return None
    levels = np.linspace(0, 255, 16).astype(np.uint8)
    probe = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1).reshape(64, 64, 3)
    if mode == "L":
        probe = np.repeat(np.arange(256, dtype=np.uint8).reshape(16, 16, 1), 3, axis=2)
    moved = _apply(probe if mode == "RGB" else probe[..., 0], transform).astype(int) - probe
    return transform if np.abs(moved).max() > 1 else None


def _apply(pixels: U8Array, transform: ImageCms.ImageCmsTransform) -> U8Array:
    image = Image.fromarray(np.ascontiguousarray(pixels))
    # In place, littlecms' answer is None and the image itself is changed.
    changed = ImageCms.applyTransform(image, transform, inPlace=image.mode == "RGB") or image
    return np.asarray(changed, dtype=np.uint8)


def display_p3_profile() -> bytes:
    """Build a minimal ICC matrix profile of Display P3 (ICC.1:2022), for files that name it only."""

    def fixed(*values: float) -> bytes:
        return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))

    curve = b"para\0\0\0\0\0\3\0\0" + fixed(*_SRGB_CURVE)
    tags = {b"wtpt": b"XYZ \0\0\0\0" + fixed(*_D50)}
    for name, column in zip((b"r", b"g", b"b"), _P3_COLUMNS, strict=True):
        tags[name + b"XYZ"] = b"XYZ \0\0\0\0" + fixed(*column)
        tags[name + b"TRC"] = curve
    start = 132 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, tag in tags.items():
        table += name + struct.pack(">II", start + len(body), len(tag))
        body += tag
    head = (
        struct.pack(">I4sI", start + len(body), bytes(4), 0x04300000) + b"mntrRGB XYZ " + bytes(12) + b"acsp"
    )
    return head.ljust(68, b"\0") + fixed(*_D50) + bytes(48) + table + body
