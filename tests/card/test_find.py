"""The finder on flat photos with known truth: accuracy, what may be hidden or dark, and every refusal's sentence."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from assessor.card.find import FindSettings, find_card, focal_guess_px
from assessor.card.layout import card_layout
from assessor.errors import CardMirrored, CardNotFound, CardOnScreen, SeveralCards
from assessor.values import CardSighting, Exif, FloatArray, Photo
from tests.card.photos import Scene, corner_errors_px, photo_of, rms

SIZE = (1800, 1350)
SERIAL = 4711


def scene(**changes: object) -> Scene:
    """A small photo of card 4711 with the pixels per mm that 12 MP have at 450 mm."""
    defaults = {"size_px": SIZE, "distance_mm": 290.0, "serial": SERIAL, "roll_deg": 84.0, "tilt_deg": 8.0}
    return Scene(**{**defaults, **changes})  # type: ignore[arg-type]


@cache
def usual_photo() -> Photo:
    return photo_of(scene())


@cache
def usual() -> tuple[Scene, CardSighting]:
    return scene(), find_card(usual_photo())


def stripes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Hard-edged shadow stripes, 15 % of the light, over the whole card."""
    return np.where(np.sin((x + 0.7 * y) / 9) > 0, 1, 0.15).astype(np.float32)


def tab_shadows(x: FloatArray, y: FloatArray) -> FloatArray:
    """Soft dark triangles: the shadows of the four upright tabs with the sun 20 degrees high."""
    dark = np.zeros(x.shape, np.float32)
    reach = np.array([-0.94, -0.34]) * 14 / np.tan(np.radians(20))
    for tab in card_layout(0).tabs:
        corners = np.array([*tab.base_mm, np.add(tab.tip_mm[:2], reach)])
        inside = np.full(x.shape, 1e3)
        turn = np.sign(np.linalg.det([corners[1] - corners[0], corners[2] - corners[0]]))
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            way = (b - a) / np.linalg.norm(b - a)
            inside = np.minimum(inside, turn * (way[0] * (y - a[1]) - way[1] * (x - a[0])))
        dark = np.maximum(dark, np.clip(inside + 0.5, 0, 1))
    return (1 - 0.8 * dark).astype(np.float32)


@pytest.mark.parametrize(("roll_deg", "size_px"), [(1, SIZE), (97, SIZE[::-1]), (263, SIZE)])
def test_any_rotation_and_frame(roll_deg: float, size_px: tuple[int, int]) -> None:
    made = scene(
        roll_deg=roll_deg, size_px=size_px, tilt_deg=20.0, azimuth_deg=130.0, distance_mm=320.0, supersample=4
    )
    sighting = find_card(photo_of(made, jpeg_quality=92))
    assert len(sighting.marker_ids) == 36
    assert sighting.serial == SERIAL
    assert rms(corner_errors_px(made, sighting)) < 0.03


@pytest.mark.parametrize("tilt_deg", [40.0, 55.0])
def test_steep_views(tilt_deg: float) -> None:
    made = scene(tilt_deg=tilt_deg, azimuth_deg=50.0, distance_mm=330.0, size_px=(2400, 1800))
    sighting = find_card(photo_of(made))
    assert sighting.serial == SERIAL
    assert sighting.tilt_deg == pytest.approx(tilt_deg, abs=0.5)
    assert rms(corner_errors_px(made, sighting)) < 0.06


@pytest.mark.parametrize(
    "hidden",
    [[(-150, -150, -5, 150)], [(-150, -150, 150, -10)], [(-150, -150, 150, -40), (-150, -150, -64, 150)]],
    ids=["left half", "lower half", "a corner's two sides"],
)
def test_half_of_the_markers_hidden(hidden: list[tuple[float, float, float, float]]) -> None:
    made = scene(hidden=hidden)
    sighting = find_card(photo_of(made))
    assert 10 <= len(sighting.marker_ids) <= 20
    assert sighting.serial == SERIAL
    assert sighting.flags == ("few-markers",)
    assert rms(corner_errors_px(made, sighting)) < 0.04


@pytest.mark.parametrize("light", [stripes, tab_shadows])
def test_markers_crossed_by_shadows(light: object) -> None:
    made = scene(light=light)
    sighting = find_card(photo_of(made))
    assert len(sighting.marker_ids) >= 34
    assert rms(corner_errors_px(made, sighting)) < 0.06


@pytest.mark.parametrize(
    "changes",
    [{"k1": 0.05, "k2": -0.03, "tilt_deg": 15.0}, {"k1": -0.1}, {"print_scale": (0.96, 1.02)}],
    ids=["pincushion", "barrel", "unequal print"],
)
def test_lens_and_print_distortion(changes: dict[str, object]) -> None:
    made = scene(**changes)
    sighting = find_card(photo_of(made))
    assert len(sighting.marker_ids) == 36
    assert rms(corner_errors_px(made, sighting)) < 0.035


def test_out_of_focus() -> None:
    made = scene(defocus_px=3.0)
    sighting = find_card(photo_of(made))
    assert len(sighting.marker_ids) >= 34
    assert sighting.serial == SERIAL
    assert sighting.edge_width_px > 4


def test_what_the_sighting_says_is_true() -> None:
    made, sighting = usual()
    focal = SIZE[0] / 2 / np.tan(np.radians(made.horizontal_deg / 2))
    nearest_and_farthest = focal / (made.distance_mm + np.array([-85, 85]) * np.sin(np.radians(8)))
    assert nearest_and_farthest[1] * 0.95 < sighting.px_per_mm < nearest_and_farthest[0]
    assert sighting.tilt_deg == pytest.approx(8.0, abs=0.3)
    # Gaussian edge of sd 0.65 px: 2.563 sd from 10 to 90 %.
    assert sighting.edge_width_px == pytest.approx(1.666, rel=0.1)
    assert sighting.edge_width_mm == pytest.approx(1.666 / (focal / made.distance_mm), rel=0.1)
    assert sighting.white_linear == pytest.approx(0.85 * 0.9, rel=0.02)
    assert sighting.black_linear == pytest.approx(0.04 * 0.9, rel=0.05)
    # 36 dB at 0.2, shot noise: sd = sqrt(0.2 x 0.85) x 10^(-36/20) against 0.85.
    assert sighting.noise_linear == pytest.approx(np.sqrt(0.2 / 0.85) * 10 ** (-36 / 20), rel=0.2)
    assert sighting.clipped_fraction == 0.0
    assert sighting.size_px == SIZE


def test_stated_corner_deviation_is_about_right() -> None:
    made, sighting = usual()
    per_coordinate = corner_errors_px(made, sighting) / np.sqrt(2)
    assert 0.5 < rms(per_coordinate / sighting.corner_sd_px) < 1.6


def test_serial_is_none_where_both_its_markers_are_hidden() -> None:
    made = scene(hidden=[(-8, 72, 8, 88), (-8, -88, 8, -72)])
    sighting = find_card(photo_of(made))
    assert sighting.serial is None
    assert len(sighting.marker_ids) == 32  # the other half's two markers do not count either
    assert (sighting.marker_ids < 36).all()


def test_serial_needs_only_one_copy_of_each_half() -> None:
    sighting = find_card(photo_of(scene(hidden=[(-8, 72, 8, 88), (72, -8, 88, 8)])))
    assert sighting.serial == SERIAL


def test_a_stray_marker_does_no_harm() -> None:
    made = scene()
    rgb = usual_photo().rgb_u8.copy()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    rgb[600:680, 850:930] = 230  # a fixed marker of the card lies where none belongs
    rgb[608:672, 858:922] = cv2.aruco.generateImageMarker(dictionary, 3, 64)[..., None]
    sighting = find_card(Photo("stray.jpg", rgb, Exif(), ""))
    assert rms(corner_errors_px(made, sighting)) < 0.03


def test_focal_length_from_exif_or_a_usual_phone() -> None:
    blank = np.zeros((3000, 4000, 3), np.uint8)
    # 26 mm of the 43.27 mm diagonal of 24 x 36 mm, on a 5000 px diagonal.
    told = focal_guess_px(Photo("a", blank, Exif(focal_35mm=26.0), ""))
    assert told == pytest.approx(26 / np.hypot(24, 36) * 5000, rel=1e-4)
    assert focal_guess_px(Photo("a", blank, Exif(), "")) == pytest.approx(2910, abs=1)


def test_sighting_cannot_be_changed() -> None:
    _, sighting = usual()
    with pytest.raises(ValueError, match="read-only"):
        sighting.corners_px[0, 0, 0] = 0.0


def test_no_card_is_refused() -> None:
    made = scene(aim_mm=(0.0, 225.0), tilt_deg=0.0, distance_mm=100.0)
    with pytest.raises(
        CardNotFound, match=r"floor\.jpg: none of the card's 36 markers could be read, at least 8 on"
    ):
        find_card(photo_of(made, name="floor.jpg"))


def test_too_few_markers_are_refused_with_their_number() -> None:
    made = scene(hidden=[(-150, -150, 150, 95)])
    with pytest.raises(
        CardNotFound, match=r"only 4 of the card's 36 markers could be read, at least 8 .* are needed"
    ):
        find_card(photo_of(made))


def test_markers_on_one_side_only_are_refused() -> None:
    made = scene(hidden=[(-150, -150, 150, 66)])
    with pytest.raises(
        CardNotFound, match=r"the 10 markers .* enclose 0% of the window, at least 20% is needed"
    ):
        find_card(photo_of(made))


def test_two_cards_are_refused() -> None:
    made = scene(
        second_card_at_mm=(-215.0, 0.0), distance_mm=420.0, size_px=(2400, 1800), aim_mm=(-60.0, 0.0)
    )
    with pytest.raises(
        SeveralCards, match=r"\d+ markers of a second card .* beside the \d+ of the first, 0 are"
    ):
        find_card(photo_of(made))


def test_a_mirrored_photo_is_refused() -> None:
    plain = usual_photo()
    mirrored = Photo("selfie.jpg", np.ascontiguousarray(plain.rgb_u8[:, ::-1]), plain.exif, "")
    with pytest.raises(
        CardMirrored, match=r"selfie\.jpg: the card reads only in the mirror image; use the rear camera"
    ):
        find_card(mirrored)


@pytest.mark.parametrize("pitch_mm", [0.1, 0.3])
def test_a_photo_of_a_display_is_refused(pitch_mm: float) -> None:
    def pixels(x: FloatArray, y: FloatArray) -> FloatArray:
        wave = np.cos(2 * np.pi * x / pitch_mm) * np.cos(2 * np.pi * y / pitch_mm)
        return (1 + 0.5 * wave).astype(np.float32)

    made = scene(light=pixels, size_px=(2400, 1800))
    with pytest.raises(
        CardOnScreen, match=r"\d+% of the white paper shows a display's pixel pattern, 60% is the"
    ):
        find_card(photo_of(made, jpeg_quality=90))


@pytest.mark.parametrize("jpeg_quality", [30, 95])
def test_jpeg_and_shadows_are_not_taken_for_a_display(jpeg_quality: int) -> None:
    sighting = find_card(photo_of(scene(light=stripes, snr_db=22.0), jpeg_quality=jpeg_quality))
    assert sighting.serial == SERIAL


def test_limits_are_settings() -> None:
    with pytest.raises(CardNotFound, match="only 36 of the card's 36 markers could be read, at least 37"):
        find_card(usual_photo(), FindSettings(min_markers=37))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_full_size_accuracy(seed: int) -> None:
    u = np.random.default_rng(seed).uniform
    made = Scene(
        distance_mm=u(290, 450),
        tilt_deg=u(5, 25),
        azimuth_deg=u(0, 360),
        roll_deg=u(0, 360),
        serial=seed * 9973,
    )
    sighting = find_card(photo_of(made, jpeg_quality=92))
    assert sighting.serial == made.serial
    assert rms(corner_errors_px(made, sighting)) < 0.03
