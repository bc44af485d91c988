"""What a video file says about itself, read from its boxes without decoding a frame.

Phones write MP4 or QuickTime files: boxes within boxes (ISO/IEC 14496-12, QuickTime File Format). Decoders are lenient:
they read what is left of a cut file and turn HDR light into bytes as if it were ordinary. So completeness, codec and
colour are found here first. Codec names: ISO/IEC 14496-15; Dolby's boxes `dvcC`, `dvvC` (from memory, verify); colour
code points: ITU-T H.273.

Colour that stands only inside the coded stream is not read: every phone file seen also names it in its boxes (common
practice). Ten bits a sample without a word about colour are taken for HDR, since phones use them for nothing else
(common practice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from assessor.card.photo_header import DAMAGED, HOLE
from assessor.errors import UnreadableVideo

ENDS_EARLY = "the file ends before the video does"
NO_INDEX = "the file lacks its index, as when recording or copying was cut off"
_BRANDS = (
    b"avif",
    b"avis",
    b"heic",
    b"heix",
    b"heim",
    b"heis",
    b"mif1",
    b"mif2",
    b"crx ",
)  # pictures, sound, raw
_FIRST_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
_CODECS = {
    b"avc1": "H.264", b"avc3": "H.264",
    b"hvc1": "HEVC", b"hev1": "HEVC", b"dvh1": "HEVC", b"dvhe": "HEVC",
}  # fmt: skip
_PARENTS = (b"moov", b"trak", b"mdia", b"minf", b"stbl")
_HOLE = bytes(262_144)  # much longer than any padding within coded frames
_SAMPLE_ENTRY = 86  # box head and the fixed fields of a visual sample entry (14496-12, 12.1.3)


@dataclass(frozen=True, slots=True)
class VideoHeader:
    """Claims of a video file about its first picture track.

    codec: "H.264", "HEVC" or the four letters of another. Width and height as stored, before turning. bits a sample.
    frames: how many it should hold, 0 where it doesn't say. cicp: (primaries, transfer) of H.273, None where absent.
    full_range: whether luma uses all bytes instead of 16-235. dolby: whether it carries Dolby Vision. damage: what is
    missing, as words for the person, or None. artist: who made it, by the file's own note (iTunes-style `\xa9ART`).
    """

    codec: str
    width_px: int = 0
    height_px: int = 0
    bits: int = 8
    frames: int = 0
    cicp: tuple[int, int] | None = None
    full_range: bool = False
    dolby: bool = False
    damage: str | None = None
    artist: str | None = None


def looks_like_video(head: bytes) -> bool:
    """Whether the first bytes (32 or more) of a file are those of an MP4 or QuickTime file and not of a picture."""
    kind = head[4:8]
    return kind in _FIRST_BOXES and not (kind == b"ftyp" and head[8:12] in _BRANDS)


def read_video_header(data: bytes) -> VideoHeader:
    """Read the boxes of a video file; a cut or damaged one gives a header with `damage`.

    Raises UnreadableVideo where the bytes are no MP4 or QuickTime file, or hold no picture track.
    """
    if not looks_like_video(data[:32]):
        raise UnreadableVideo("the file is empty (0 bytes)" if not data else "this is no MP4 or MOV video")
    view = memoryview(data)
    damage: str | None = None
    index: tuple[int, int] | None = None
    end = 0
    for kind, start, end in _boxes(view, 0, len(view)):
        if end > len(view):
            damage = ENDS_EARLY
        if kind == b"moov":
            index = (start, min(end, len(view)))
        if kind == b"mdat" and data.find(_HOLE, start, min(end, len(view))) >= 0:
            damage = damage or HOLE
    if index is None:
        return VideoHeader("", damage=NO_INDEX)
    for kind, start, stop in _boxes(view, *index):
        if kind == b"trak" and (header := _track(view, start, stop, damage)):
            return replace(header, artist=_artist(data, *index))
    if damage:
        return VideoHeader("", damage=damage)
    raise UnreadableVideo("the file holds no pictures, only sound or data")


def _artist(data: bytes, start: int, end: int) -> str | None:
    """The text of the artist's note: a `data` box of 16 bytes of heads before it, as FFmpeg and iTunes write it."""
    at = data.find(b"\xa9ART", start, end)
    if at < 0 or data[at + 8 : at + 12] != b"data":
        return None
    size = int.from_bytes(data[at + 4 : at + 8])
    return data[at + 20 : min(at + 4 + size, end)].decode("utf-8", "replace") or None


def _boxes(view: memoryview, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield the boxes in view[start:end] as (type, start of content, end); the last end may lie beyond."""
    at = start
    while at + 8 <= end:
        size, kind = int.from_bytes(view[at : at + 4]), bytes(view[at + 4 : at + 8])
        head = 8
        if size == 1 and at + 16 <= end:
            size, head = int.from_bytes(view[at + 8 : at + 16]), 16
        stop = at + size if size else end
        if stop < at + head:
            return
        yield kind, at + head, stop
        at = stop


def _track(view: memoryview, start: int, end: int, damage: str | None) -> VideoHeader | None:
    """Header of one track, None unless it holds pictures."""
    found: dict[bytes, tuple[int, int]] = {}
    todo = [(start, end)]
    while todo:
        for kind, inner, stop in _boxes(view, *todo.pop()):
            if stop > end:
                return VideoHeader("", damage=damage or DAMAGED)
            if kind in _PARENTS:
                todo.append((inner, stop))
            else:
                found.setdefault(kind, (inner, stop))
    # Full boxes begin with 4 bytes of version and flags; the handler's type follows 4 more.
    handler, table = found.get(b"hdlr"), found.get(b"stsd")
    if handler is None or table is None or bytes(view[handler[0] + 8 : handler[0] + 12]) != b"vide":
        return None
    sizes = found.get(b"stsz")
    frames = int.from_bytes(view[sizes[0] + 8 : sizes[0] + 12]) if sizes else 0
    for kind, inner, stop in _boxes(view, table[0] + 8, table[1]):
        return _entry(view, kind, (inner - 8, min(stop, table[1])), frames, damage)
    return VideoHeader("", damage=damage or DAMAGED)


def _entry(
    view: memoryview, kind: bytes, span: tuple[int, int], frames: int, damage: str | None
) -> VideoHeader:
    """Read a visual sample entry: size, and the boxes for codec and colour behind its fixed fields."""
    start, end = span
    bits, cicp, full, dolby = 8, None, False, kind in (b"dvh1", b"dvhe")
    for name, inner, stop in _boxes(view, start + _SAMPLE_ENTRY, end):
        body = bytes(view[inner : min(stop, end)])
        if name == b"colr" and body[:4] in (b"nclx", b"nclc") and len(body) >= 8:
            cicp = (int.from_bytes(body[4:6]), int.from_bytes(body[6:8]))
            full = body[:4] == b"nclx" and len(body) > 10 and body[10] >= 128
        elif name == b"hvcC" and len(body) > 17:
            bits = 8 + (body[17] & 7)  # bitDepthLumaMinus8, 14496-15, 8.3.3.1
        elif name == b"avcC" and len(body) > 1 and body[1] in (110, 122, 244):
            bits = 10  # High 10 and its relatives (H.264, annex A)
        dolby |= name in (b"dvcC", b"dvvC", b"dvwC")
    return VideoHeader(
        codec=_CODECS.get(kind, kind.decode("latin-1").strip()),
        width_px=int.from_bytes(view[start + 32 : start + 34]),
        height_px=int.from_bytes(view[start + 34 : start + 36]),
        bits=bits,
        frames=frames,
        cicp=cicp,
        full_range=full,
        dolby=dolby,
        damage=damage,
    )
