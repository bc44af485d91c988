"""Decoding: eight orientations in three formats to one pose, every kind of pixel to upright sRGB bytes."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable

import numpy as np
import pytest
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from assessor.card.decode import decode_photo, read_exif
from assessor.values import Exif
from tests.card.photo_files import (
    exif_block,
    grainy,
    heic,
    jpeg,
    pil_file,
    png,
    scene,
    stored,
    with_exif_bytes,
)

WRITERS: dict[str, Callable[..., bytes]] = {"jpeg": jpeg, "png": png, "heic": heic}


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", WRITERS)
def test_every_orientation_comes_upright(kind: str, orientation: int) -> None:
    upright = scene()
    data = WRITERS[kind](stored(upright, orientation), exif=exif_block(orientation))
    photo = decode_photo(data, "a.jpg")
    assert photo.size_px == (544, 416)
    inner = np.abs(photo.rgb_u8.astype(int) - upright)[8:-8, 8:-8]
    # The flat corners must lie where they belong; only the seams between them may ring.
    assert np.median(inner) <= 4
    assert (inner.max(axis=2) > 12).mean() < 0.05


@pytest.mark.parametrize("orientation", range(2, 9))
def test_heic_orientation_is_in_its_own_boxes(orientation: int) -> None:
    """The check above means nothing for HEIC unless the writer stored turned pixels with irot or imir."""
    data = heic(stored(scene(), orientation), exif=exif_block(orientation))
    assert b"irot" in data or b"imir" in data


def test_heic_exif_orientation_without_boxes_is_not_obeyed() -> None:
    """ISO/IEC 23008-12: readers follow irot and imir and ignore the orientation in Exif."""
    data = heic(scene(), exif=exif_block(1))
    entry = bytes.fromhex("0112 0003 00000001")
    assert data.count(entry) == 1
    at = data.index(entry) + len(entry)
    assert decode_photo(data[:at] + b"\0\6" + data[at + 2 :], "a.heic").size_px == (544, 416)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_jpeg_agrees_with_pil_turned_by_exif(orientation: int) -> None:
    """Outside check: PIL.ImageOps.exif_transpose on the same file."""
    data = jpeg(grainy(), exif=exif_block(orientation))
    turned = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    assert np.abs(decode_photo(data, "a").rgb_u8.astype(int) - np.asarray(turned)).max() <= 1


def test_photo_is_contiguous_read_only_and_carries_name_and_digest() -> None:
    data = jpeg(scene())
    photo = decode_photo(data, "spot-1/a.jpg")
    assert photo.name == "spot-1/a.jpg"
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.rgb_u8.flags.c_contiguous
    assert not photo.rgb_u8.flags.writeable


def test_png_is_lossless() -> None:
    assert np.array_equal(decode_photo(png(grainy()), "a.png").rgb_u8, grainy())


@pytest.mark.parametrize("mode", ["L", "LA", "P", "1", "RGBA"])
def test_other_pixel_kinds_become_the_colours_they_stand_for(mode: str) -> None:
    image = Image.fromarray(scene()).convert(mode)
    expected = np.asarray(image.convert("RGB"))
    assert np.array_equal(decode_photo(pil_file(image, "PNG"), "a.png").rgb_u8, expected)


def test_grey_jpeg_becomes_three_equal_channels() -> None:
    rgb = decode_photo(pil_file(scene()[..., 0], "JPEG", quality=95), "a.jpg").rgb_u8
    assert np.array_equal(rgb[..., 0], rgb[..., 2])
    assert np.abs(rgb[100, 100].astype(int) - 200).max() <= 2


def test_alpha_is_dropped_not_blended() -> None:
    """W3C PNG, 6.2: samples are not premultiplied, so the colours under the alpha are what was recorded."""
    rgba = np.dstack([scene(), np.full((416, 544), 90, np.uint8)])
    assert np.array_equal(decode_photo(png(rgba), "a.png").rgb_u8, scene())


def test_sixteen_bits_are_rounded_to_eight() -> None:
    """W3C PNG, 13.12: the best reduction is round(v * 255 / 65535)."""
    ramp = np.arange(0, 65536, dtype=np.uint16).reshape(256, 256).repeat(2, 0).repeat(2, 1)
    grey = decode_photo(pil_file(Image.fromarray(ramp), "PNG"), "a.png").rgb_u8
    assert np.array_equal(grey[..., 1], np.floor(ramp * (255 / 65535) + 0.5).astype(np.uint8))


def test_progressive_jpeg_and_restart_markers_decode() -> None:
    plain = decode_photo(jpeg(grainy()), "a").rgb_u8
    for options in ({"progressive": True}, {"restart_marker_blocks": 7}, {"optimize": True}):
        assert np.array_equal(decode_photo(jpeg(grainy(), **options), "a").rgb_u8, plain)


def test_content_decides_and_not_the_suffix() -> None:
    assert decode_photo(png(scene()), "really-a.png.jpg").size_px == (544, 416)
    assert decode_photo(heic(scene()), "a.jpg").size_px == (544, 416)


def test_pictures_and_clips_after_the_first_are_ignored() -> None:
    """Phones append gain maps (CIPA DC-007 multi-picture) and clips behind the end marker of the photo."""
    first = scene()
    multi = pil_file(
        Image.fromarray(first),
        "MPO",
        save_all=True,
        append_images=[Image.fromarray(grainy(100, 120))],
        quality=95,
    )
    clip = jpeg(first) + b"\0\0\0\x18ftypmp42" + bytes(5000)
    for data in (multi, clip):
        assert np.abs(decode_photo(data, "a.jpg").rgb_u8[50, 50].astype(int) - (200, 60, 50)).max() <= 3
    motion = heic(first) + b"\0\0\x10\0mpvd" + bytes(2000)  # cut clip behind a whole photo
    assert decode_photo(motion, "a.heic").size_px == (544, 416)


@pytest.mark.parametrize(
    "tiff", [b"", b"II", b"MM\0*\xff\xff\xff\xff", b"II*\0\x08\0\0\0\xff\xff" + b"\x12\x01" * 40]
)
def test_broken_exif_never_stops_decoding(tiff: bytes) -> None:
    photo = decode_photo(with_exif_bytes(jpeg(scene()), tiff), "a.jpg")
    assert photo.exif == Exif()
    assert photo.size_px == (544, 416)


@pytest.mark.parametrize("kind", WRITERS)
def test_exif_is_read_from_every_format_without_decoding(kind: str) -> None:
    exif = Image.Exif()
    exif[271] = "Make A"
    exif.get_ifd(34665)[37386] = IFDRational(565, 100)
    data = WRITERS[kind](scene(), exif=exif.tobytes())
    assert read_exif(data) == Exif(make="Make A", focal_mm=5.65) == decode_photo(data, "a").exif


def test_exif_of_something_else_is_empty() -> None:
    assert read_exif(b"") == read_exif(b"%PDF-1.7") == Exif()
