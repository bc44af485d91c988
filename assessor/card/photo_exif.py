"""The few Exif tags the pipeline uses, read by a small parser that cannot fail.

Phones write Exif as a TIFF block (CIPA DC-008 / JEITA CP-3451, Exif 2.32; tag names and numbers from there).
A parser of our own, because a general one warns and raises on the broken blocks that editors leave behind,
and a broken block must never cost a good photo: whatever cannot be read is None.
"""

from __future__ import annotations

import struct
from datetime import datetime

from assessor.values import Exif

_EXIF_IFD, _ORIENTATION = 34665, 274
_MAKE, _MODEL, _LENS_MODEL = 271, 272, 42036
_EXPOSURE, _F_NUMBER, _ISO, _FLASH = 33434, 33437, 34855, 37385
_FOCAL, _FOCAL_35, _DIGITAL_ZOOM = 37386, 41989, 41988
_TAKEN, _TAKEN_SUBSECOND = 36867, 37521
_SOFTWARE, _CUSTOM_RENDERED, _FILE_SOURCE = 305, 41985, 41728
_WIDTH, _HEIGHT = 40962, 40963
_WANTED = frozenset(
    {_EXIF_IFD, _ORIENTATION, _MAKE, _MODEL, _LENS_MODEL, _EXPOSURE, _F_NUMBER, _ISO, _FLASH, _FOCAL}
    | {_FOCAL_35, _DIGITAL_ZOOM, _TAKEN, _TAKEN_SUBSECOND}
    | {_SOFTWARE, _CUSTOM_RENDERED, _FILE_SOURCE, _WIDTH, _HEIGHT}
)
# TIFF 6.0 field types: ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL as (bytes, struct code)
_TYPES = {2: (1, "s"), 3: (2, "H"), 4: (4, "L"), 5: (8, "LL"), 7: (1, "B"), 10: (8, "ll")}
_MAX_ENTRIES, _MAX_TEXT = 1000, 200
_Value = str | tuple[int, ...]


def parse_exif(block: bytes) -> tuple[Exif, int]:
    """Read a TIFF block, with or without its "Exif" prefix, into the fields and the orientation (1-8).

    Never raises. Orientation is 1 where the block says nothing sensible. A digital zoom ratio written as 0
    means that none was used (Exif 2.32, 4.6.5) and reads as 1.
    """
    tags = _tags(block)
    orientation = _number(tags, _ORIENTATION, 1, 8) or 1
    zoom = tags.get(_DIGITAL_ZOOM)
    flash = tags.get(_FLASH)
    exif = Exif(
        make=_text(tags, _MAKE),
        model=_text(tags, _MODEL),
        lens_model=_text(tags, _LENS_MODEL),
        focal_mm=_ratio(tags, _FOCAL, 0.1, 2000),
        focal_35mm=_number(tags, _FOCAL_35, 2, 2000),  # some cameras write nonsense above 4000
        digital_zoom_ratio=1.0 if zoom and zoom[0] == 0 else _ratio(tags, _DIGITAL_ZOOM, 0.1, 200),
        exposure_s=_ratio(tags, _EXPOSURE, 1e-7, 1e4),
        iso=_number(tags, _ISO, 1, 65534),  # 65535 stands for "more than this tag can hold"
        f_number=_ratio(tags, _F_NUMBER, 0.1, 200),
        flash_fired=bool(flash[0] & 1) if isinstance(flash, tuple) else None,
        taken_at=_time(tags),
        software=_text(tags, _SOFTWARE),
        custom_rendered=_whole(tags, _CUSTOM_RENDERED),
        file_source=_whole(tags, _FILE_SOURCE),
        size_px=_size(tags),
    )
    return exif, int(orientation)


def _tags(block: bytes) -> dict[int, _Value]:
    """Collect the wanted tags of the first directory and of its Exif directory."""
    tiff = block[6:] if block.startswith(b"Exif\0\0") else block
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(tiff[:4])
    if order is None or len(tiff) < 8:
        return {}
    tags = _directory(tiff, order, struct.unpack_from(order + "L", tiff, 4)[0])
    inner = tags.get(_EXIF_IFD)
    if isinstance(inner, tuple):
        tags = _directory(tiff, order, inner[0]) | tags
    return tags


def _directory(tiff: bytes, order: str, start: int) -> dict[int, _Value]:
    tags: dict[int, _Value] = {}
    count = int.from_bytes(tiff[start : start + 2], "little" if order == "<" else "big")
    for n in range(min(count, _MAX_ENTRIES)):
        at = start + 2 + 12 * n
        if at + 12 > len(tiff):
            break
        tag, kind, items = struct.unpack_from(order + "HHL", tiff, at)
        if tag not in _WANTED or kind not in _TYPES or items == 0:
            continue
        size, code = _TYPES[kind]
        where = at + 8 if size * items <= 4 else struct.unpack_from(order + "L", tiff, at + 8)[0]
        if kind == 2:
            text = tiff[where : where + min(items, _MAX_TEXT)].partition(b"\0")[0]
            tags.setdefault(tag, text.decode("utf-8", "replace"))
        elif where + size <= len(tiff):
            tags.setdefault(tag, struct.unpack_from(order + code, tiff, where))
    return tags


def _text(tags: dict[int, _Value], tag: int) -> str | None:
    value = tags.get(tag)
    if not isinstance(value, str):
        return None
    # Shown on terminals and pages, so control characters go.
    return "".join(c for c in value if c.isprintable()).strip() or None


def _number(tags: dict[int, _Value], tag: int, low: float, high: float) -> float | None:
    value = tags.get(tag)
    return float(value[0]) if isinstance(value, tuple) and low <= value[0] <= high else None


def _whole(tags: dict[int, _Value], tag: int) -> int | None:
    value = tags.get(tag)
    return int(value[0]) if isinstance(value, tuple) else None


def _size(tags: dict[int, _Value]) -> tuple[int, int] | None:
    """PixelXDimension and PixelYDimension, the long side first, since editors turn pixels without the tags."""
    width, height = _number(tags, _WIDTH, 1, 1e6), _number(tags, _HEIGHT, 1, 1e6)
    return (int(max(width, height)), int(min(width, height))) if width and height else None


def _ratio(tags: dict[int, _Value], tag: int, low: float, high: float) -> float | None:
    value = tags.get(tag)
    if not isinstance(value, tuple) or len(value) != 2 or value[1] == 0:
        return None
    ratio = value[0] / value[1]
    return ratio if low <= ratio <= high else None


def _time(tags: dict[int, _Value]) -> str | None:
    """DateTimeOriginal with its sub-seconds as ISO 8601, to the millisecond where the camera wrote them."""
    text = tags.get(_TAKEN)
    if not isinstance(text, str):
        return None
    try:
        when = datetime.strptime(text.strip(), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    part = tags.get(_TAKEN_SUBSECOND)
    digits = part.strip() if isinstance(part, str) else ""
    if not (digits.isascii() and digits.isdigit()):
        return when.isoformat(timespec="seconds")
    return when.replace(microsecond=int(digits[:6].ljust(6, "0"))).isoformat(timespec="milliseconds")
