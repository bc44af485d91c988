"""What a photo file says about itself, read without decoding a pixel.

Everything a file can get wrong is found here, from its bytes: what it really is (names lie), how large it
claims to be (a bomb is a small file with a large claim), how many frames it has, and whether it is all there.
The last matters most, because decoders are lenient: some fill what is missing from a JPEG with grey, and
libheif leaves out the tiles of a cut HEIC (strukturag/libheif pull request 1616) without a word. Structure as
in ITU-T T.81 annex B (JPEG), the W3C PNG specification third edition, and ISO/IEC 14496-12 and 23008-12
(HEIF).

JPEG and HEIC carry no checksum: damage within the coded pixels that leaves the structure whole is not seen,
except holes of zeros as an interrupted copy leaves them.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

import pillow_heif

from assessor.card.photo_marks import find_marks, jpeg_quality
from assessor.errors import NotAnImage
from assessor.values import FileFacts

PhotoFormat = Literal["jpeg", "png", "heic"]
ENDS_EARLY = "the file ends before the picture does"
HOLE = "the file has a hole where part of the picture should be"
DAMAGED = "the file's data are damaged"

# Within coded pixels 0xFF is followed by 0x00 or a restart marker; anything else ends the scan (T.81
# B.1.1.5).
_SCAN_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_MARKER = re.compile(rb"\xff[^\xff]")
_FRAME_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_MAX_SCANS = 100  # a progressive photo has about 10; thousands make a small file decode for minutes
_JPEG_HOLE, _HEIC_HOLE = bytes(4096), bytes(65536)  # maker notes inside HEIC may hold some kB of zeros
_MAX_PROFILE = 4_000_000
_XMP_HEAD = b"http://ns.adobe.com/xap/1.0/\0"

_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2"}
_SEQUENCE_BRANDS = {b"hevc", b"hevx", b"hevm", b"hevs", b"msf1"}
_OTHERS = (
    (rb"GIF8[79]a", "a GIF picture"),
    (rb"RIFF....WEBP", "a WebP picture"),
    (rb"RIFF....AVI |\x1aE\xdf\xa3|\x00\x00\x01[\xba\xb3]|FLV\x01", "a video"),
    (rb"II\*\x00|MM\x00\*|II\+\x00|MM\x00\+|IIRO|IIU\x00|FUJIFILMCCD-RAW", "a TIFF or camera raw file"),
    (rb"BM....\x00\x00\x00\x00", "a BMP picture"),
    (rb"\x00\x00\x00\x0cJXL |\xff\x0a", "a JPEG XL picture"),
    (rb"\x00\x00\x00\x0cjP  |\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (rb"8BPS", "a layered picture"),
    (rb"%PDF-", "a PDF document"),
    (rb"PK\x03\x04|Rar!|7z\xbc\xaf|\x1f\x8b", "an archive"),
)


@dataclass(frozen=True, slots=True)
class PhotoHeader:
    """Claims of a photo file about itself.

    Width and height as stored, in pixels, 0 where not found; channels as coded (4 = CMYK in JPEG). exif: TIFF
    block, icc: colour profile, cicp: (primaries, transfer) of ITU-T H.273; empty or None where absent.
    damage: what is missing or broken, as words for the person, or None. facts: what the file shows of how the photo
    was made and packed.
    """

    format: PhotoFormat
    width_px: int = 0
    height_px: int = 0
    frames: int = 1
    channels: int = 3
    exif: bytes = b""
    icc: bytes = b""
    cicp: tuple[int, int] | None = None
    damage: str | None = None
    facts: FileFacts = field(default_factory=FileFacts)


def read_header(data: bytes) -> PhotoHeader:
    """Read what `data` says about itself; a broken file gives a header with `damage`.

    Raises NotAnImage, naming what the bytes are, for anything but JPEG, PNG and HEIC.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return _jpeg(data)
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return _png(data)
    if data[4:8] == b"ftyp":
        brands = _brands(data)
        if brands & _HEIC_BRANDS and not (brands & {b"avif", b"avis"}):
            return _heic(data)
        if brands & _SEQUENCE_BRANDS:
            return PhotoHeader("heic", frames=2)
    raise NotAnImage(f"this is {_name_of(data)}, not a photo")


def _brands(data: bytes) -> set[bytes]:
    size = min(int.from_bytes(data[:4]), 256)
    return {data[8:12]} | {data[at : at + 4] for at in range(16, size - 3, 4)}


def _name_of(data: bytes) -> str:
    """Name a file that we do not read, for the sentence the person sees."""
    for pattern, name in _OTHERS:
        if re.match(pattern, data, re.DOTALL):
            return name
    if data[4:8] == b"ftyp":
        return "an AVIF picture" if _brands(data) & {b"avif", b"avis"} else "a video"
    if data[4:8] in (b"moov", b"mdat", b"wide", b"free"):
        return "a video"
    head = data[:1024]
    if head.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")) or not re.search(
        rb"[\x00-\x08\x0e-\x1f]", head
    ):
        return "a web page" if re.match(rb"\s*<(!doctype )?html", head, re.IGNORECASE) else "a text file"
    return "an unknown kind of file"


def _jpeg(data: bytes) -> PhotoHeader:
    """Walk the segments of the first picture; what follows its end (gain maps, clips) is ignored."""
    found: dict[str, Any] = {}
    profile: dict[int, bytes] = {}
    xmp, trailer, quality = b"", b"", None
    at, scans, scan_start = 2, 0, 0
    damage: str | None = ENDS_EARLY
    while found_marker := _MARKER.search(data, at):
        at = found_marker.end()
        marker = data[at - 1]
        if marker in (0x00, 0x01) or 0xD0 <= marker <= 0xD7:
            continue
        if marker == 0xD9:
            damage = _scan_damage(data, (scan_start, at), found, scans)
            trailer = data[at:]
            break
        length = int.from_bytes(data[at : at + 2])
        body = data[at + 2 : at + length]
        if marker == 0xD8 or length < 2 or len(body) != length - 2:
            break
        at += length
        if marker in _FRAME_MARKERS and "channels" not in found and length >= 8:
            height, width, channels = struct.unpack(">HHB", body[1:6])
            found.update(width_px=width, height_px=height, channels=channels)
        elif marker == 0xE1 and body.startswith(b"Exif\0\0") and "exif" not in found:
            found["exif"] = body[6:]
        elif marker == 0xE1 and body.startswith(_XMP_HEAD):
            xmp = xmp or body[len(_XMP_HEAD) :]
        elif marker == 0xDB and quality is None:
            quality = jpeg_quality(_luminance_steps(body))
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\0") and len(body) > 14:
            profile[body[12]] = body[14:]
        elif marker == 0xDA:
            scans, scan_start = scans + 1, scan_start or at
            end = _SCAN_END.search(data, at)
            if end is None:
                break
            at = end.start()
    icc = b"".join(profile[k] for k in sorted(profile))
    facts = FileFacts(quality, find_marks(xmp, trailer))
    return PhotoHeader("jpeg", **found, icc=icc, damage=damage, facts=facts)


def _luminance_steps(body: bytes) -> tuple[int, ...]:
    """Steps of table 0 in a DQT segment (T.81 B.2.4.1), empty where it holds other tables only."""
    at = 0
    while at < len(body):
        wide, table = body[at] >> 4, body[at] & 15
        size = 128 if wide else 64
        steps = body[at + 1 : at + 1 + size]
        if table == 0 and len(steps) == size:
            return struct.unpack(">64H", steps) if wide else tuple(steps)
        at += 1 + size
    return ()


def _scan_damage(data: bytes, span: tuple[int, int], found: dict[str, Any], scans: int) -> str | None:
    """What is wrong with the coded pixels of a JPEG that runs to its end marker."""
    start, end = span
    pixels = found.get("width_px", 0) * found.get("height_px", 0)
    if not scans or not pixels or scans > _MAX_SCANS:
        return DAMAGED
    # Huffman coding spends at least one bit on every 8 x 8 block of luminance.
    if (end - start) * 512 < pixels:
        return ENDS_EARLY
    return HOLE if data.find(_JPEG_HOLE, start, end) >= 0 else None


def _png(data: bytes) -> PhotoHeader:
    """Walk the chunks and check their sums; a broken ancillary chunk is skipped, a critical one is damage."""
    found: dict[str, Any] = {}
    view, at = memoryview(data), 8
    while at + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        body = view[at + 8 : at + 8 + length]
        stored = data[at + 8 + length : at + 12 + length]
        if len(stored) != 4:
            break
        at += 12 + length
        if zlib.crc32(body, zlib.crc32(kind)) != int.from_bytes(stored):
            if kind[0] & 0x20:
                continue
            return PhotoHeader("png", **found, damage=DAMAGED)
        if kind == b"IHDR" and length == 13:
            found["width_px"], found["height_px"] = struct.unpack_from(">II", body)
        elif kind == b"acTL" and length == 8:
            found["frames"] = int.from_bytes(body[:4])
        elif kind == b"eXIf":
            found["exif"] = bytes(body)
        elif kind == b"cICP" and length == 4:
            found["cicp"] = (body[0], body[1])
        elif kind == b"iCCP":
            found["icc"] = _inflate(bytes(body).partition(b"\0")[2][1:])
        elif kind == b"iTXt" and bytes(body[:18]) == b"XML:com.adobe.xmp\0":
            found["facts"] = FileFacts(None, find_marks(bytes(body), b""))
        elif kind == b"IEND":
            return PhotoHeader("png", **found, damage=None if "width_px" in found else DAMAGED)
    return PhotoHeader("png", **found, damage=ENDS_EARLY)


def _inflate(packed: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(packed, _MAX_PROFILE)
    except zlib.error:
        return b""


def _heic(data: bytes) -> PhotoHeader:
    """Check that the boxes are whole, then let libheif read the items."""
    damage: str | None = ENDS_EARLY
    sequence = False
    for kind, start, end in _boxes(data):
        sequence |= kind == b"moov"
        if kind in (b"ftyp", b"meta", b"mdat") and end > len(data):
            damage = ENDS_EARLY
            break
        if kind == b"mdat":
            damage = HOLE if data.find(_HEIC_HOLE, start, end) >= 0 else None
    if sequence:
        return PhotoHeader("heic", frames=2)
    try:
        heif = pillow_heif.open_heif(data)
        (width, height), info, frames = heif.size, heif.info, len(heif)
    except (ValueError, RuntimeError, OSError, EOFError, SyntaxError, IndexError):
        return PhotoHeader("heic", damage=damage or DAMAGED)
    nclx = info.get("nclx_profile")
    return PhotoHeader(
        "heic",
        width,
        height,
        frames=frames,
        exif=info.get("exif") or b"",
        icc=info.get("icc_profile") or b"",
        cicp=(int(nclx["color_primaries"]), int(nclx["transfer_characteristics"])) if nclx else None,
        damage=damage,
        facts=FileFacts(None, find_marks(info.get("xmp") or b"", b"")),
    )


def _boxes(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Yield top-level boxes as (type, start, end), the end maybe beyond the file; stop where no box is."""
    at = 0
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        if size == 1 and at + 16 <= len(data):
            size = int.from_bytes(data[at + 8 : at + 16])
        end = at + size if size else len(data)
        if end < at + 8 or not kind.isalnum():
            return
        yield kind, at, end
        at = end
