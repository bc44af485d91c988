"""What phones hide behind or beside the main picture changes no pixel and refuses no photo."""

from __future__ import annotations

import io
import struct

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from PIL.MpoImagePlugin import MpoImageFile
from PIL.PngImagePlugin import PngInfo

from assessor.card.decode import decode_photo
from assessor.values import FileFacts
from tests.card.photo_files import grainy, heic, heic_with_alpha, jpeg, pil_file, scene, with_segment

XMP = b"http://ns.adobe.com/xap/1.0/\0"
GAIN_MAP_XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" hdrgm:Version="1.0"/>'
    b"</rdf:RDF></x:xmpmeta>"
)


def index_of_pictures(first: int, second: int, at: int) -> bytes:
    """CIPA DC-007: the MP index (version, number of pictures, entries) of two pictures, as its APP2 segment."""
    entries = struct.pack(">LLLHH", 0x030000, first, 0, 0, 0) + struct.pack(">LLLHH", 0, second, at, 0, 0)
    tags = struct.pack(">HHL4s", 0xB000, 7, 4, b"0100") + struct.pack(">HHLL", 0xB001, 4, 1, 2)
    tags += struct.pack(">HHLL", 0xB002, 7, 32, 8 + 2 + 36 + 4)
    return b"MPF\0MM\0*" + struct.pack(">LH", 8, 3) + tags + struct.pack(">L", 0) + entries


def with_gain_map(plain: bytes, notes: bytes = XMP + GAIN_MAP_XMP) -> bytes:
    """The photo as phones write it for HDR screens: index and notes in front, the map as a second JPEG behind."""
    gain = with_segment(jpeg(grainy(104, 136)), 0xE1, XMP + GAIN_MAP_XMP)
    iso = b"urn:iso:std:iso:ts:21496:-1\0" + bytes(4)
    gain = with_segment(gain, 0xE2, iso)
    first = with_segment(with_segment(plain, 0xE1, notes), 0xE2, iso)
    # The index counts from its own byte-order mark, 10 bytes into the file; its segment has 90 bytes.
    return with_segment(first, 0xE2, index_of_pictures(len(first) + 90, len(gain), len(first) + 80)) + gain


@pytest.mark.parametrize("progressive", [False, True])
def test_a_gain_map_is_ignored(progressive: bool) -> None:
    plain = jpeg(grainy(), progressive=progressive)
    photo = decode_photo(with_gain_map(plain), "a.jpg")
    assert photo.size_px == (544, 416)
    assert np.array_equal(photo.rgb_u8, decode_photo(plain, "a.jpg").rgb_u8)
    assert photo.file == decode_photo(plain, "a.jpg").file


def test_the_gain_map_file_means_something() -> None:
    """Outside check: PIL finds two pictures (with the notes on the gain map it hides the second by itself)."""
    image = Image.open(io.BytesIO(with_gain_map(jpeg(grainy()), XMP)))
    assert isinstance(image, MpoImageFile)
    assert image.n_frames == 2
    image.seek(1)
    assert image.size == (136, 104)


@pytest.mark.parametrize("kind", ["jpeg", "heic"])
def test_the_clip_of_a_motion_photo_is_ignored(kind: str) -> None:
    plain = {"jpeg": jpeg, "heic": heic}[kind](grainy())
    clip = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + b"\0\0\x10\0mdat" + bytes(range(256)) * 15
    clip = clip if kind == "jpeg" else struct.pack(">L4s", len(clip) + 8, b"mpvd") + clip
    assert np.array_equal(decode_photo(plain + clip, "a").rgb_u8, decode_photo(plain, "a").rgb_u8)


@pytest.mark.parametrize(
    "urn", [b"urn:mpeg:hevc:2015:auxid:2", b"urn:x-phone:aux:hdrgainmap"], ids=["depth", "gain-map"]
)
def test_auxiliary_pictures_of_heic_are_ignored(urn: bytes) -> None:
    """ISO/IEC 23008-12, 6.5.8: auxC names the kind; the file is one with alpha whose kind is rewritten."""
    data = heic_with_alpha(grainy(), scene()[..., 0])
    assert data.count(b"urn:mpeg:hevc:2015:auxid:1") == 1
    data = data.replace(b"urn:mpeg:hevc:2015:auxid:1", urn)
    depth = len(pillow_heif.open_heif(data).info.get("depth_images", []))
    assert depth == (1 if urn.endswith(b":2") else 0)
    photo = decode_photo(data, "a.heic")
    assert np.array_equal(photo.rgb_u8, decode_photo(heic(grainy()), "a.heic").rgb_u8)
    assert photo.file == FileFacts()


def test_what_the_file_shows_comes_with_the_photo() -> None:
    notes = with_segment(
        jpeg(grainy(), quality=70),
        0xE1,
        XMP + b"<rdf:li>com.google.android.apps.camera.gallery.specialtype.SpecialType-PORTRAIT</rdf:li>",
    )
    assert decode_photo(notes, "a").file == FileFacts(70, ("portrait blur",))
    xmp = b'<x xmlns:GPano="http://ns.google.com/photos/1.0/panorama/" GPano:ProjectionType="cylindrical"/>'
    assert decode_photo(heic(grainy(), xmp=xmp), "a").file == FileFacts(None, ("panorama",))
    scan = pil_file(grainy(), "PNG", pnginfo=_png_notes("<xmp:CreatorTool>Doc Scan 3</xmp:CreatorTool>"))
    assert decode_photo(scan, "a").file == FileFacts(None, ("document scan",))


def _png_notes(text: str) -> PngInfo:
    notes = PngInfo()
    notes.add_itxt("XML:com.adobe.xmp", text)
    return notes
