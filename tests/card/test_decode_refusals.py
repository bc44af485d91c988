"""Every file that is not one whole ordinary photo is refused with one sentence, nothing else is printed."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from assessor.card.decode import DecodeSettings, decode_photo
from assessor.card.photo_header import read_header
from assessor.errors import (
    NotAnImage,
    PhotoError,
    PhotoTooLarge,
    SeveralFrames,
    UnreadablePhoto,
    UnsupportedColour,
)
from tests.card.photo_files import chunk, claim_size, grainy, heic, jpeg, pil_file, png, scene, with_chunk

PNG_START = b"\x89PNG\r\n\x1a\n"


def grid_heic() -> bytes:
    """A HEIC of tiles, as phones write them; libheif decodes it without error when tiles are missing."""
    return heic(grainy(), tile_size=128, chroma=420)


WHOLE = {
    "jpeg": jpeg(grainy()),
    "progressive": jpeg(grainy(), progressive=True),
    "png": png(grainy()),
    "heic": heic(grainy()),
    "tiles": grid_heic(),
}


@pytest.mark.parametrize("kept", [0.1, 0.5, 0.99])
@pytest.mark.parametrize("kind", WHOLE)
def test_cut_files_are_refused(kind: str, kept: float, capfd: pytest.CaptureFixture[str]) -> None:
    whole = WHOLE[kind]
    assert decode_photo(whole, "a").size_px == (544, 416)
    with pytest.raises(UnreadablePhoto, match="the file ends before the picture does") as caught:
        decode_photo(whole[: int(len(whole) * kept)], "a.jpg")
    assert str(caught.value) == "a.jpg: the file ends before the picture does; copy it again from the phone."
    assert capfd.readouterr() == ("", "")


def test_the_cut_tiles_test_means_something() -> None:
    """libheif itself accepts the cut file (strukturag/libheif pull 1616), so the check must be ours."""
    cut = WHOLE["tiles"][: int(len(WHOLE["tiles"]) * 0.5)]
    assert np.asarray(pillow_heif.open_heif(cut)).shape == (416, 544, 3)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_stub_closed_like_a_whole_jpeg_is_refused(progressive: bool) -> None:
    """A small stub with a large claim decodes to grey if only its end marker is looked for."""
    stub = claim_size(jpeg(grainy(40, 40), progressive=progressive), 4000, 3000)
    with pytest.raises(UnreadablePhoto, match="ends before"):
        decode_photo(stub, "a.jpg")


def _with_hole(kind: str) -> bytes:
    whole = WHOLE[kind]
    if kind == "jpeg":
        at = len(whole) // 3
        return whole[:at] + bytes(8192) + whole[at + 8192 :]
    # The space was set aside, the rest of the pixels never came.
    at = whole.index(b"mdat")
    return whole[: at - 4] + struct.pack(">I", len(whole) - at + 4 + 70_000) + whole[at:] + bytes(70_000)


@pytest.mark.parametrize("kind", ["jpeg", "tiles"])
def test_holes_of_an_interrupted_copy_are_refused(kind: str) -> None:
    with pytest.raises(UnreadablePhoto, match="has a hole where part of the picture should be"):
        decode_photo(_with_hole(kind), "a.jpg")


def test_damaged_png_is_refused_by_its_check_sum(capfd: pytest.CaptureFixture[str]) -> None:
    whole = bytearray(WHOLE["png"])
    whole[len(whole) // 2] ^= 0x10
    with pytest.raises(UnreadablePhoto, match="data are damaged"):
        decode_photo(bytes(whole), "a.png")
    assert capfd.readouterr() == ("", "")


def test_png_with_a_broken_side_chunk_is_read() -> None:
    broken = chunk(b"eXIf", b"MM\0*")[:-1] + b"!"
    whole = png(scene())
    assert np.array_equal(decode_photo(whole[:33] + broken + whole[33:], "a").rgb_u8, scene())


def test_jpeg_that_no_decoder_takes_is_refused() -> None:
    twelve_bit = jpeg(grainy()).replace(b"\xff\xc0\0\x11\x08", b"\xff\xc0\0\x11\x0d")
    with pytest.raises(UnreadablePhoto, match="data are damaged"):
        decode_photo(twelve_bit, "a.jpg")


def test_empty_file_is_refused() -> None:
    with pytest.raises(UnreadablePhoto, match=r"the file is empty \(0 bytes\)"):
        decode_photo(b"", "a.jpg")


def _saved(kind: str) -> bytes:
    return pil_file(scene(), kind)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"Dear all,\nthe photos follow.\n", "a text file"),
        ("Größe\n".encode(), "a text file"),
        (b"<!DOCTYPE html><title>404</title>", "a web page"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "a PDF document"),
        (_saved("GIF"), "a GIF picture"),
        (_saved("WEBP"), "a WebP picture"),
        (_saved("TIFF"), "a TIFF or camera raw file"),
        (_saved("BMP"), "a BMP picture"),
        (_saved("JPEG2000"), "a JPEG 2000 picture"),
        (_saved("AVIF"), "an AVIF picture"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom", "a video"),
        (b"\0\0\0\x14ftypqt  \0\0\0\0qt  ", "a video"),
        (b"RIFF\x10\0\0\0AVI LIST", "a video"),
        (b"\x1aE\xdf\xa3\x01\0\0\0", "a video"),
        (b"PK\x03\x04\x14\0\0\0", "an archive"),
        (bytes(range(256)), "an unknown kind of file"),
    ],
    ids=str,
)
def test_other_files_named_jpg_are_named(data: bytes, what: str) -> None:
    with pytest.raises(NotAnImage, match=f"this is {what}, not a photo; give JPEG, PNG or HEIC") as caught:
        decode_photo(data, "IMG_1.jpg")
    assert str(caught.value) == f"IMG_1.jpg: this is {what}, not a photo; give JPEG, PNG or HEIC photos."


def test_too_many_bytes_are_refused() -> None:
    with pytest.raises(PhotoTooLarge, match=r"the file has 80.0 MB, more than the 80 MB accepted"):
        decode_photo(b"\xff\xd8\xff" + bytes(80_000_000), "a.jpg")


def _bombs() -> dict[str, bytes]:
    header = struct.pack(">IIBBBBB", 65000, 65000, 8, 2, 0, 0, 0)
    bomb = PNG_START + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(99))) + chunk(b"IEND", b"")
    return {"png": bomb, "jpeg": claim_size(jpeg(scene()), 65000, 65000), "cut": bomb[:40]}


@pytest.mark.parametrize("kind", ["png", "jpeg", "cut"])
def test_bombs_are_refused_by_their_claim(kind: str) -> None:
    with pytest.raises(PhotoTooLarge, match=r"claims 65000 x 65000 px \(4225 MP\), more than the 200 MP"):
        decode_photo(_bombs()[kind], "a.jpg")


@pytest.mark.parametrize("kind", WHOLE)
def test_pixel_limit_holds_for_every_format(kind: str) -> None:
    with pytest.raises(PhotoTooLarge, match=r"claims 544 x 416 px"):
        decode_photo(WHOLE[kind], "a", DecodeSettings(max_pixels=544 * 416 - 1))
    assert decode_photo(WHOLE[kind], "a", DecodeSettings(max_pixels=544 * 416)).size_px == (544, 416)


def test_profile_that_inflates_without_end_is_cut_short() -> None:
    bomb = with_chunk(png(scene()), b"iCCP", b"x\0\0" + zlib.compress(bytes(10_000_000)))
    assert len(read_header(bomb).icc) <= 4_000_000
    assert np.array_equal(decode_photo(bomb, "a").rgb_u8, scene())


def _animated_png() -> bytes:
    frames = [Image.fromarray(scene()), Image.fromarray(grainy())]
    return pil_file(frames[0], "PNG", save_all=True, append_images=frames[1:])


@pytest.mark.parametrize(
    "data",
    [
        _animated_png(),
        heic(scene(), grainy()),
        b"\0\0\0\x18ftypmsf1\0\0\0\0msf1hevc" + b"\0\0\0\x08moov",
        b"\0\0\0\x18ftypmif1\0\0\0\0mif1heic" + b"\0\0\0\x08moov",
    ],
    ids=["animated-png", "two-in-heic", "sequence", "sequence-with-still"],
)
def test_several_pictures_are_refused(data: bytes) -> None:
    with pytest.raises(
        SeveralFrames, match=r"holds several pictures \(an animation, a burst or a sequence\)"
    ):
        decode_photo(data, "a.jpg")


@pytest.mark.parametrize(("height", "width"), [(399, 900), (900, 399)])
def test_previews_are_refused(height: int, width: int) -> None:
    sentence = rf"only {width} x {height} px, a preview rather than the photo \(at least 400 px a side"
    with pytest.raises(UnreadablePhoto, match=sentence):
        decode_photo(jpeg(scene(height, width)), "a.jpg")
    assert decode_photo(jpeg(scene(400, 400)), "a.jpg").size_px == (400, 400)


def test_print_colours_are_refused() -> None:
    data = pil_file(Image.fromarray(scene()).convert("CMYK"), "JPEG")
    with pytest.raises(UnsupportedColour, match="CMYK print colours, which no camera writes"):
        decode_photo(data, "a.jpg")


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_hdr_transfers_are_refused(transfer: int, name: str) -> None:
    """ITU-T H.273 table 3: 16 is PQ, 18 is HLG."""
    screens = with_chunk(png(scene()), b"cICP", bytes((9, transfer, 0, 1)))
    phones = heic(scene(), color_primaries=9, transfer_characteristics=transfer)
    for data in (screens, phones):
        with pytest.raises(UnsupportedColour, match=rf"coded for HDR screens \({name}\)"):
            decode_photo(data, "a")


SMALL = {"jpeg": jpeg(scene(), quality=40), "png": png(scene()), "heic": heic(scene())}


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(SMALL)), st.data())
def test_mangled_files_give_a_photo_or_a_sentence(kind: str, draw: st.DataObject) -> None:
    whole = bytearray(SMALL[kind])
    for _ in range(draw.draw(st.integers(1, 4))):
        # Mostly the head, where every length and count sits.
        at = draw.draw(st.integers(0, min(len(whole), 700) - 1))
        whole[at] = draw.draw(st.integers(0, 255))
    try:
        photo = decode_photo(bytes(whole), "a", DecodeSettings(max_pixels=2_000_000))
    except PhotoError as error:
        assert str(error).startswith("a: ")
    else:
        assert min(photo.size_px) >= 400


@given(st.binary(max_size=300), st.sampled_from([b"\xff\xd8\xff", PNG_START, b"\0\0\0\x10ftypheic", b""]))
def test_reading_the_header_of_noise_never_fails(noise: bytes, start: bytes) -> None:
    try:
        header = read_header(start + noise)
    except NotAnImage:
        assert start == b""
    else:
        assert header.damage or header.frames > 1
