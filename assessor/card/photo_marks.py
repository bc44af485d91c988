"""What notes inside a photo file say of how it was made, and how hard its JPEG was packed.

Phones and apps leave notes beside the pixels: an XMP packet (ISO 16684-1), and blocks behind the picture's end. Only
notes that name the mode are taken as proof. A depth map or a gain map is none: phones store them with ordinary
photos too, and the pixels of the main picture are not changed by them.
"""

from __future__ import annotations

import re

PORTRAIT, PANORAMA, SCAN = "portrait blur", "panorama", "document scan"

_XMP_MARKS = (
    # `GCamera:SpecialTypeID`, as public photo galleries read it to sort portraits
    (PORTRAIT, re.compile(rb"SpecialType-PORTRAIT")),
    # Photo Sphere XMP: the namespace is that of panoramas, and ProjectionType is required of them
    (PANORAMA, re.compile(rb"ns\.google\.com/photos/1\.0/panorama/.*ProjectionType", re.DOTALL)),
    # Scanning apps sign as the creator tool (common practice)
    (SCAN, re.compile(rb"CreatorTool(=[\"']|>)[^<\"']*scan", re.IGNORECASE)),
)
# Blocks that one maker's phones write behind photos of their portrait modes (from memory, verify); they count only
# in a trailer that ends as that maker's do.
_TRAILER_END = b"SEFT"
_TRAILER_PORTRAIT = re.compile(rb"(Dual|Single)Shot_(Meta_Info|DepthMap)")
_MAX_XMP = 200_000
# ITU-T T.81, table K.1 (luminance): the sum over its 64 steps
_ANNEX_K_SUM = 3688


def find_marks(xmp: bytes, trailer: bytes) -> tuple[str, ...]:
    """Name what the notes say: PORTRAIT, PANORAMA, SCAN, in this order; empty for an ordinary photo.

    trailer: the bytes behind the end of a JPEG's main picture. Never raises.
    """
    marks = [name for name, pattern in _XMP_MARKS if pattern.search(xmp[:_MAX_XMP])]
    if trailer.endswith(_TRAILER_END) and _TRAILER_PORTRAIT.search(trailer):
        marks.append(PORTRAIT)
    return tuple(name for name in (PORTRAIT, PANORAMA, SCAN) if name in marks)


def jpeg_quality(steps: tuple[int, ...]) -> int | None:
    """Quality 1-100 of a luminance quantisation table (64 steps in any order), None where it is no such table.

    The scale is the usual one that multiplies the example table K.1 of ITU-T T.81 by 50/q below 50 and by 2 - q/50
    above; a phone's own table gets the quality at which the example table is as coarse on average.
    """
    if len(steps) != 64 or min(steps) < 1:
        return None
    scale = sum(steps) / _ANNEX_K_SUM
    quality = 100 - 50 * scale if scale <= 1 else 50 / scale
    return max(1, min(100, round(quality)))
