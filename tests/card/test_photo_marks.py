"""Notes in a file: what names the mode is found, what phones write with ordinary photos is not taken for proof."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from assessor.card.photo_header import read_header
from assessor.card.photo_marks import PANORAMA, PORTRAIT, SCAN, find_marks, jpeg_quality
from tests.card.photo_files import grainy, jpeg, scene

GCAMERA = (
    b"<GCamera:SpecialTypeID><rdf:Bag><rdf:li>"
    b"com.google.android.apps.camera.gallery.specialtype.SpecialType-PORTRAIT"
    b"</rdf:li></rdf:Bag></GCamera:SpecialTypeID>"
)
# Photo Sphere XMP metadata, developers.google.com/streetview/spherical-metadata
SPHERE = b"""<rdf:Description xmlns:GPano="http://ns.google.com/photos/1.0/panorama/">
<GPano:UsePanoramaViewer>True</GPano:UsePanoramaViewer>
<GPano:ProjectionType>equirectangular</GPano:ProjectionType></rdf:Description>"""


@pytest.mark.parametrize(
    ("xmp", "marks"),
    [
        (GCAMERA, (PORTRAIT,)),
        (SPHERE, (PANORAMA,)),
        (b'<rdf:Description xmp:CreatorTool="PaperScanner 4.1"/>', (SCAN,)),
        (b"<xmp:CreatorTool>doc scan</xmp:CreatorTool>", (SCAN,)),
        (SPHERE + GCAMERA, (PORTRAIT, PANORAMA)),
        (b"", ()),
        (b'<rdf:Description xmp:CreatorTool="HDR+ 1.0.5"/><dc:title>scan of bay 2</dc:title>', ()),
        (b'<rdf:Description xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" hdrgm:Version="1.0"/>', ()),
        (b'<x xmlns:GDepth="http://ns.google.com/photos/1.0/depthmap/" GDepth:Near="0.3"/>', ()),
        (b'<x xmlns:GCamera="http://ns.google.com/photos/1.0/camera/" GCamera:MotionPhoto="1"/>', ()),
    ],
)
def test_marks_in_xmp(xmp: bytes, marks: tuple[str, ...]) -> None:
    assert find_marks(xmp, b"") == marks


def test_marks_behind_the_picture_need_the_makers_ending() -> None:
    block = b"\0\0\xb0\x0a\x12\0\0\0DualShot_Meta_Info" + bytes(40)
    assert find_marks(b"", block + b"SEFH" + bytes(20) + b"SEFT") == (PORTRAIT,)
    assert find_marks(b"", block) == ()
    assert find_marks(b"", b"MotionPhoto_Data" + bytes(40) + b"SEFT") == ()
    assert read_header(jpeg(scene()) + block + b"SEFT").facts.marks == (PORTRAIT,)


@given(st.binary(max_size=300), st.binary(max_size=100))
def test_noise_never_fails(xmp: bytes, trailer: bytes) -> None:
    assert find_marks(xmp, trailer) in ((), (PORTRAIT,), (PANORAMA,), (SCAN,))


@pytest.mark.parametrize("quality", [30, 35, 50, 60, 72, 80, 90, 95])
def test_quality_is_the_one_that_was_asked_of_the_outside_writer(quality: int) -> None:
    """PIL writes with the reference library, whose quality scale is the usual one."""
    for options in ({}, {"progressive": True}, {"subsampling": 2}):
        found = read_header(jpeg(scene(), **({"quality": quality} | options))).facts.jpeg_quality
        assert found == pytest.approx(quality, abs=1)


def test_quality_of_tables_in_sixteen_bits_and_of_others_than_luminance() -> None:
    """T.81 B.2.4.1: Pq 1 is 16 bits; several tables may stand in one segment, the chrominance first."""
    steps = list(Image.open(io.BytesIO(jpeg(grainy(), quality=60))).quantization[0])
    wide = b"\x10" + b"".join(step.to_bytes(2) for step in steps)
    head, tail = b"\xff\xd8", b"\xff\xd9"
    for body in (wide, b"\x01" + bytes([9] * 64) + b"\0" + bytes(steps)):
        segment = b"\xff\xdb" + (len(body) + 2).to_bytes(2) + body
        assert read_header(head + segment + tail).facts.jpeg_quality == 60
    assert read_header(head + b"\xff\xdb\0\x05\0\x01\x02" + tail).facts.jpeg_quality is None
    assert jpeg_quality((0,) * 64) is None
    assert jpeg_quality((1,) * 64) == 99
    assert jpeg_quality((255,) * 64) == 11
