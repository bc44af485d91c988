"""Photo checks: each refusal says what was found and the limit; each flag has its cause; good photos pass clean."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from assessor.card.find import find_card
from assessor.card.quality import QualitySettings, check_photo
from assessor.errors import (
    AssessorError,
    CardWet,
    Clipped,
    Glare,
    PhotoShrunk,
    TooBlurred,
    TooClose,
    TooDark,
    TooFar,
    TooOblique,
)
from assessor.flags import FLAGS
from assessor.values import CardSighting, Exif, FloatArray, Photo
from tests.card.photos import Scene, photo_of


def scene(**changes: object) -> Scene:
    """A photo as the guide asks for, with the pixels per mm that 12 MP have at 450 mm."""
    defaults = {
        "size_px": (2200, 1650),
        "distance_mm": 250.0,
        "roll_deg": 84.0,
        "tilt_deg": 12.0,
        "azimuth_deg": 30.0,
        "serial": 4711,
    }
    return Scene(**{**defaults, **changes})  # type: ignore[arg-type]


def taken(**changes: object) -> tuple[Photo, CardSighting]:
    photo = photo_of(scene(**changes), jpeg_quality=92, name="spot.jpg")
    return photo, find_card(photo)


@cache
def good() -> tuple[Photo, CardSighting]:
    return taken()


def half_shade(x: FloatArray, y: FloatArray) -> FloatArray:
    """A hard shadow edge right across the card."""
    return np.where(x + 0.4 * y > 10, 1, 0.2).astype(np.float32)


def near_lamp(x: FloatArray, y: FloatArray) -> FloatArray:
    """A lamp 250 mm to one side: light falls off smoothly, by 2.7 over the card."""
    return (2.4 / (1 + ((x + 250) ** 2 + y**2) / 250**2) ** 1.5).astype(np.float32)


def multi_lamp_shade(x: FloatArray, y: FloatArray) -> FloatArray:
    """One of three lamps is blocked in soft-edged patches: 30 % less light there."""
    return (0.7 + 0.3 * np.clip(np.sin((x + 0.7 * y) / 40) * 8 + 0.5, 0, 1)).astype(np.float32)


def test_a_good_photo_passes_without_flags() -> None:
    assert check_photo(*good()) == ()


CLOSE = {"distance_mm": 190.0, "tilt_deg": 0.0, "roll_deg": 90.0}
REFUSALS = [
    (
        PhotoShrunk,  # the test photos are smaller than a phone's
        {"distance_mm": 420.0},
        r"only 3\.\d\d pixels per mm .*, at least 4\.5 are needed; the photo looks shrunk: it has 2200 x 1650",
    ),
    (TooOblique, {"tilt_deg": 47.0}, r"tilted 4[67] degrees, at most 35 can be used"),
    (
        TooClose,
        {"distance_mm": 172.0, "tilt_deg": 3.0},
        r"about 17\d mm from the card, at least 180 mm are needed",
    ),
    (
        TooClose,
        {**CLOSE, "aim_mm": (28.0, 0.0)},
        r"[7-9] of the ring's 28 markers lie partly outside .* at least 22 ma",
    ),
    (
        TooClose,
        {**CLOSE, "aim_mm": (45.0, 0.0)},
        "window lies partly outside the frame, the window and at least 22",
    ),
    (
        TooBlurred,
        {"defocus_px": 3.5},
        r"edges are [45]\.\d pixels \(0\.\d\d mm\) wide, at most 4\.0 pixels or 0\.40",
    ),
    (TooBlurred, {"motion_px": 5}, r"edges are 4\.\d pixels \(0\.\d\d mm\) wide, at most"),
    (TooDark, {"exposure": 0.015}, r"reaches only 1\.\d% of full exposure, at least 2% is needed"),
    (
        TooDark,
        {"snr_db": 10.0},
        r"noise on the white paper is 1\d% of its brightness, at most 12% can be used",
    ),
    (Clipped, {"exposure": 1.5}, r"\d+% of the white paper is burnt out, at most 50% may be"),
    (Clipped, {"exposure": 3.6}, r"\d+% of the floor in the window is burnt out, at most 10% may be"),
    (
        Glare,
        {"glare_at_mm": [(60.0, 70.0, 35.0)], "exposure": 0.7},
        r"lies on \d\d% of the marker edges, at most 15%",
    ),
    (
        Glare,
        {"veil": 0.5, "exposure": 0.65},
        r"black ink is (39|40|41)% as bright as the paper, at most 35% can be",
    ),
    (
        CardWet,
        {"wet": [(60.0, 60.0, 60.0), (-70.0, -60.0, 50.0)]},
        r"dark in patches at \d\d% of the marker edges",
    ),
]


@pytest.mark.parametrize(("error", "changes", "sentence"), REFUSALS)
def test_refusals_say_what_was_found_and_the_limit(
    error: type[AssessorError], changes: dict[str, object], sentence: str
) -> None:
    photo, sighting = taken(**changes)
    with pytest.raises(error, match=f"spot.jpg: .*{sentence}.*; {re.escape(error.remedy)}"):
        check_photo(photo, sighting)


@pytest.mark.parametrize(
    ("flag", "changes"),
    [
        ("coarse-pixels", {"distance_mm": 300.0}),
        ("tilted", {"tilt_deg": 30.0, "distance_mm": 230.0, "size_px": (2400, 1800)}),
        ("soft", {"defocus_px": 2.2}),
        ("dark", {"exposure": 0.06}),
        ("clipped", {"exposure": 1.12, "light": near_lamp}),
        ("hard-shadow", {"light": half_shade}),
        ("light-uneven", {"light": near_lamp, "exposure": 0.45}),
        ("glare", {"glare_at_mm": [(60.0, 80.0, 9.0)]}),
        ("card-wet", {"wet": [(70.0, 60.0, 45.0)]}),
        ("few-markers", {"hidden": [(-150.0, -150.0, -20.0, 150.0)]}),
    ],
)
def test_flags_have_their_cause(flag: str, changes: dict[str, object]) -> None:
    flags = check_photo(*taken(**changes))
    assert flag in flags
    assert set(flags) <= set(FLAGS)


@pytest.mark.parametrize(
    ("changes", "allowed"),
    [
        ({"light": near_lamp, "exposure": 0.45, "veil": 0.02}, {"light-uneven"}),
        ({"light": multi_lamp_shade}, {"hard-shadow"}),
        ({"light": half_shade, "veil": 0.02}, {"hard-shadow", "light-uneven"}),
        ({"snr_db": 26.0}, set()),
        ({"print_scale": (0.96, 1.02), "distance_mm": 235.0}, set()),
    ],
    ids=["near lamp with flare", "one lamp of three blocked", "shadow with flare", "noise", "print scale"],
)
def test_no_false_alarm_for_damp_or_glare(changes: dict[str, object], allowed: set[str]) -> None:
    assert set(check_photo(*taken(**changes))) <= allowed


def test_blur_is_refused_only_if_wide_in_pixels_and_in_millimetres() -> None:
    photo, sighting = good()
    large_photo = replace(sighting, edge_width_px=6.0, edge_width_mm=0.25)
    far_photo = replace(sighting, edge_width_px=2.6, edge_width_mm=0.45)
    assert check_photo(photo, large_photo) == check_photo(photo, far_photo) == ()


def test_too_few_pixels_in_a_photo_of_full_size_are_too_far() -> None:
    photo, sighting = good()
    large = Photo("large.jpg", np.zeros((3000, 4000, 3), np.uint8), photo.exif, "")
    with pytest.raises(
        TooFar, match=r"only 3\.50 pixels per mm where it is farthest, .* needed; hold the phone 300"
    ):
        check_photo(large, replace(sighting, px_per_mm=3.5))


def test_distance_uses_the_lens_data() -> None:
    photo, sighting = good()
    wide = Photo(photo.name, photo.rgb_u8.copy(), Exif(focal_35mm=13.0), "")
    with pytest.raises(TooClose, match=r"about 1\d\d mm from the card"):
        check_photo(wide, sighting)


@pytest.mark.parametrize(
    ("focal_35mm", "error", "flag"), [(26.0, TooClose, "near-focus"), (13.0, TooBlurred, "soft")]
)
def test_blur_very_near_the_card_asks_for_more_distance(
    focal_35mm: float, error: type[AssessorError], flag: str
) -> None:
    """Where a main camera hardly focuses an ultra-wide one does, and holding still is what helps."""
    photo, sighting = good()
    near = Photo(photo.name, photo.rgb_u8.copy(), Exif(focal_35mm=focal_35mm), "")
    settings = QualitySettings(near_limit_mm=270.0, min_distance_mm=100.0)
    blurred = replace(sighting, edge_width_px=5.0, edge_width_mm=0.6)
    more = "; at 2[56]. mm the phone may not focus" if error is TooClose else ""
    with pytest.raises(
        error, match=rf"edges are 5\.0 pixels .* can be used{more}; {re.escape(error.remedy)}"
    ):
        check_photo(near, blurred, settings)
    slightly = replace(sighting, edge_width_px=3.3, edge_width_mm=0.4)
    assert check_photo(near, slightly, settings) == (flag,)


def test_limits_are_settings_and_found_flags_are_kept() -> None:
    photo, sighting = good()
    with pytest.raises(TooOblique, match="tilted 12 degrees, at most 5 can be used"):
        check_photo(photo, sighting, QualitySettings(max_tilt_deg=5.0))
    assert check_photo(photo, replace(sighting, flags=("few-markers",))) == ("few-markers",)
