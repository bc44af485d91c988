"""Small photo files made with writers that are not ours: PIL, pillow-heif and bytes written out by hand."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pillow_heif
from PIL import Image

from assessor.values import U8Array

# Exif 2.32, 4.6.4 A, Orientation: the visual side that the 0th row lies on, and the 0th column.
ROW_0_AND_COLUMN_0 = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
_ORIENTATION = 274
RGB_444 = {"quality": 90, "chroma": 444, "enc_params": {"preset": "ultrafast"}}


def scene(height: int = 416, width: int = 544) -> U8Array:
    """Four flat corners of unlike colours: no turn or mirror image of it equals another."""
    rgb = np.empty((height, width, 3), np.uint8)
    rgb[: height // 2, : width // 2] = (200, 60, 50)
    rgb[: height // 2, width // 2 :] = (60, 180, 70)
    rgb[height // 2 :, : width // 2] = (50, 70, 190)
    rgb[height // 2 :, width // 2 :] = (220, 220, 210)
    return rgb


def grainy(height: int = 416, width: int = 544, seed: int = 3) -> U8Array:
    """A grey floor with grain, which no coder makes tiny."""
    grain = np.random.default_rng(seed).normal(128, 30, (height, width, 3))
    return grain.clip(0, 255).astype(np.uint8)


def stored(upright: U8Array, orientation: int) -> U8Array:
    """The raster that a camera held in this orientation would store."""
    row_0, column_0 = ROW_0_AND_COLUMN_0[orientation]
    raster = upright if row_0 in ("top", "bottom") else upright.swapaxes(0, 1)
    raster = raster[::-1] if row_0 in ("bottom", "right") else raster
    raster = raster[:, ::-1] if column_0 in ("right", "bottom") else raster
    return np.ascontiguousarray(raster)


def exif_block(orientation: int = 1) -> bytes:
    exif = Image.Exif()
    exif[_ORIENTATION] = orientation
    return exif.tobytes()


def pil_file(pixels: np.ndarray | Image.Image, kind: str, **options: object) -> bytes:
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def jpeg(rgb: U8Array, **options: object) -> bytes:
    return pil_file(rgb, "JPEG", **({"quality": 95, "subsampling": 0} | options))


def png(rgb: np.ndarray, **options: object) -> bytes:
    return pil_file(rgb, "PNG", **options)


def heic(
    *pictures: U8Array, exif: bytes = b"", icc: bytes = b"", xmp: bytes = b"", **options: object
) -> bytes:
    """A HEIC of one or more pictures, stored as given; an orientation in `exif` becomes irot/imir boxes."""
    heif = pillow_heif.HeifFile()
    for rgb in pictures:
        image = heif.add_frombytes("RGB", rgb.shape[1::-1], rgb.tobytes())
        image.info["exif"] = exif or None
        image.info["xmp"] = xmp or None
        if icc:
            image.info.update(icc_profile=icc, icc_profile_type="prof")
    out = io.BytesIO()
    heif.save(out, **(RGB_444 | options))
    return out.getvalue()


def heic_with_alpha(rgb: U8Array, alpha: U8Array) -> bytes:
    """A HEIC whose alpha plane is a second, auxiliary picture (ISO/IEC 23008-12, 6.5.8)."""
    heif = pillow_heif.HeifFile()
    heif.add_frombytes("RGBA", rgb.shape[1::-1], np.dstack([rgb, alpha]).tobytes())
    out = io.BytesIO()
    heif.save(out, **RGB_444)
    return out.getvalue()


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def with_chunk(file: bytes, kind: bytes, body: bytes) -> bytes:
    """The PNG with one more chunk right after its header."""
    return file[:33] + chunk(kind, body) + file[33:]


def with_exif_bytes(file: bytes, tiff: bytes) -> bytes:
    """The JPEG with this as its Exif segment, whatever it holds."""
    return with_segment(file, 0xE1, b"Exif\0\0" + tiff)


def with_segment(file: bytes, marker: int, body: bytes) -> bytes:
    """The JPEG with one more segment right after its start."""
    return file[:2] + struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body + file[2:]


def claim_size(file: bytes, width: int, height: int) -> bytes:
    """The JPEG claiming another size in its frame header."""
    at = max(file.find(b"\xff\xc0\0\x11"), file.find(b"\xff\xc2\0\x11")) + 5
    return file[:at] + struct.pack(">HH", height, width) + file[at + 4 :]


def _fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def matrix_profile(colorants: np.ndarray, gamma: float | None, *, space: bytes = b"RGB ") -> bytes:
    """An ICC v2 profile (ICC.1:2001-04): colorants (3, 3) as columns in D50 XYZ, one curve for all channels.

    gamma None gives the sRGB curve of IEC 61966-2-1 as a table of 1024 entries, as phone makers write it.
    """
    if gamma is None:
        x = np.arange(1024) / 1023
        y = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
        curve = b"curv\0\0\0\0" + struct.pack(">I1024H", 1024, *np.round(y * 65535).astype(int))
    else:
        curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"
    tags = {b"wtpt": b"XYZ \0\0\0\0" + _fixed(0.9642, 1.0, 0.8249)}
    if space == b"GRAY":
        tags[b"kTRC"] = curve
    else:
        for k, name in enumerate((b"r", b"g", b"b")):
            tags[name + b"XYZ"] = b"XYZ \0\0\0\0" + _fixed(*colorants[:, k])
            tags[name + b"TRC"] = curve
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for name, tag in tags.items():
        table += name + struct.pack(">II", start + len(body), len(tag))
        body += tag
    head = struct.pack(">I4sI", start + len(body), b"", 0x02400000) + b"mntr" + space + b"XYZ "
    head = (head + bytes(12) + b"acsp").ljust(68, b"\0") + _fixed(0.9642, 1.0, 0.8249)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def colorants_d50(primaries: np.ndarray) -> np.ndarray:
    """Columns for a profile from xy chromaticities (3, 2) with white D65, by Bradford (ICC.1 annex E)."""
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    d65, d50 = np.array([0.3127, 0.3290, 0.3583]) / 0.3290, np.array([0.9642, 1.0, 0.8249])
    xyz = np.column_stack([primaries, 1 - primaries.sum(1)]).T
    columns = xyz * np.linalg.solve(xyz, d65)
    adapt = np.linalg.inv(bradford) @ np.diag((bradford @ d50) / (bradford @ d65)) @ bradford
    return adapt @ columns
