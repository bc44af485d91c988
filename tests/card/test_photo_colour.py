"""Colour: wide-gamut and odd profiles come out as the sRGB bytes that outside sources say."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import ImageCms

from assessor.card.decode import decode_photo
from assessor.card.photo_colour import display_p3_profile
from assessor.values import U8Array
from tests.card.photo_files import (
    colorants_d50,
    heic,
    jpeg,
    matrix_profile,
    pil_file,
    png,
    scene,
    with_chunk,
)

# SMPTE EG 432-1 / Display P3 and IEC 61966-2-1 (sRGB): x, y of red, green, blue
P3_XY = np.array([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])
SRGB_XY = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
P3 = matrix_profile(colorants_d50(P3_XY), None)

# web-platform-tests css/css-color: predefined-005.html (green, #008000), display-p3-006.html (moss green)
WORKED = [
    ((0.215081, 0.492243, 0.130855), (0.0, 0.50196, 0.0)),
    ((0.465377, 0.532768, 0.317713), (0.448436, 0.53537, 0.288113)),
]


def patch(colour: tuple[float, ...]) -> U8Array:
    return np.full((400, 416, 3), np.round(np.array(colour) * 255), np.uint8)


def centre(data: bytes) -> np.ndarray:
    return decode_photo(data, "a").rgb_u8[200, 200].astype(float)


@pytest.mark.parametrize(("p3", "srgb"), WORKED)
@pytest.mark.parametrize("kind", ["png", "jpeg", "heic"])
def test_display_p3_patch_decodes_to_the_known_srgb_bytes(
    kind: str, p3: tuple[float, ...], srgb: tuple[float, ...]
) -> None:
    data = {
        "png": lambda rgb: png(rgb, icc_profile=P3),
        "jpeg": lambda rgb: jpeg(rgb, icc_profile=P3),
        "heic": lambda rgb: heic(rgb, icc=P3),
    }[kind](patch(p3))
    # Half a byte of rounding in, times the matrix, and half out; lossy coding moves a byte or two more.
    allowed = 1.5 if kind == "png" else 4.0
    assert np.abs(centre(data) - np.array(srgb) * 255).max() <= allowed


def test_colours_beyond_srgb_are_clipped_and_greys_stay() -> None:
    assert centre(png(patch((0, 1, 0)), icc_profile=P3)) == pytest.approx([0, 255, 0], abs=1)
    for level in (0.0, 0.2, 0.5, 1.0):
        assert np.abs(centre(png(patch((level,) * 3), icc_profile=P3)) - round(level * 255)).max() <= 1


def test_our_own_p3_profile_has_the_published_colorants() -> None:
    """Against the chromaticities of SMPTE EG 432-1, adapted in the test."""
    same = ImageCms.ImageCmsProfile(io.BytesIO(display_p3_profile())).profile
    columns = [same.red_colorant[0], same.green_colorant[0], same.blue_colorant[0]]
    assert np.abs(np.array(columns).T - colorants_d50(P3_XY)).max() < 5e-4


@pytest.mark.parametrize(("p3", "srgb"), WORKED)
def test_p3_named_by_code_point_only(p3: tuple[float, ...], srgb: tuple[float, ...]) -> None:
    """ITU-T H.273: primaries 12 are P3 with D65, transfer 13 is sRGB; in PNG (cICP) and in HEIC (nclx)."""
    expected = np.array(srgb) * 255
    assert np.abs(centre(with_chunk(png(patch(p3)), b"cICP", bytes((12, 13, 0, 1)))) - expected).max() <= 1.5
    coded = heic(patch(p3), color_primaries=12, transfer_characteristics=13)
    assert np.abs(centre(coded) - expected).max() <= 4


def test_code_points_win_over_a_profile() -> None:
    """W3C PNG third edition, 4.3: cICP before iCCP."""
    both = with_chunk(png(scene(), icc_profile=P3), b"cICP", bytes((1, 13, 0, 1)))
    assert np.array_equal(decode_photo(both, "a").rgb_u8, scene())


@pytest.mark.parametrize("source", ["littlecms", "table"])
def test_srgb_profiles_change_no_byte(source: str) -> None:
    made = {
        "littlecms": ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
        "table": matrix_profile(colorants_d50(SRGB_XY), None),
    }[source]
    assert np.array_equal(decode_photo(png(scene(), icc_profile=made), "a").rgb_u8, scene())


@pytest.mark.parametrize("broken", [b"x", bytes(200), P3[:200], P3[:16] + b"CMYK" + P3[20:]])
def test_a_profile_that_cannot_be_used_is_taken_as_srgb(broken: bytes) -> None:
    assert np.array_equal(decode_photo(png(scene(), icc_profile=broken), "a").rgb_u8, scene())


@pytest.mark.parametrize("space", [b"RGB ", b"GRAY"])
def test_linear_profiles_get_the_srgb_curve(space: bytes) -> None:
    """IEC 61966-2-1: linear 55/255 = 0.2157 is 0.5018 in sRGB, byte 128."""
    linear = matrix_profile(colorants_d50(SRGB_XY), 1.0, space=space)
    pixels = np.full((400, 416), 55, np.uint8)
    data = pil_file(pixels if space == b"GRAY" else np.dstack([pixels] * 3), "PNG", icc_profile=linear)
    assert np.abs(centre(data) - 128).max() <= 1


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_profile_in_several_segments_is_joined_by_number(order: tuple[int, int]) -> None:
    """ICC.1 annex B.4: a profile may be split over APP2 segments, numbered from 1."""
    halves = (P3[:300], P3[300:])
    segments = b""
    for k in order:
        body = b"ICC_PROFILE\0" + bytes((k + 1, 2)) + halves[k]
        segments += b"\xff\xe2" + (len(body) + 2).to_bytes(2, "big") + body
    whole = jpeg(patch(WORKED[0][0]))
    assert np.abs(centre(whole[:2] + segments + whole[2:]) - (0, 128, 0)).max() <= 4


def test_strips_leave_no_seams() -> None:
    rgb = np.broadcast_to(np.arange(416, dtype=np.uint16)[None, :, None] // 2, (400, 416, 3)).astype(np.uint8)
    rgb = rgb + np.array([40, 0, 0], np.uint8)
    out = decode_photo(png(rgb, icc_profile=P3), "a").rgb_u8
    assert (out == out[:1]).all()
    assert (out != rgb).any()
