"""Worn and dirty sheets, hazy lenses and photos that the phone smoothed: each flag with its cause, none without."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from assessor.card.find import find_card
from assessor.card.layout import card_layout
from assessor.card.linear import bytes_from_linear, linear_rgb
from assessor.card.quality import check_photo
from assessor.errors import CardWorn
from assessor.values import CardSighting, Exif, FileFacts, Photo
from tests.card.photos import Scene, photo_of, true_pixels

SCENE = Scene(
    size_px=(2200, 1650), distance_mm=250.0, roll_deg=84.0, tilt_deg=12.0, azimuth_deg=30.0, serial=4711
)
LIT_PAPER = 0.85 * 0.9  # of the scene: reflectance times exposure


@cache
def clean() -> Photo:
    return photo_of(SCENE, jpeg_quality=92, name="spot.jpg")


@cache
def sighting() -> CardSighting:
    return find_card(clean())


def spotted(share: float, *, cover: float, reflectance: float, size_px: int = 60) -> Photo:
    """Dirt of one reflectance in soft blobs over a share of the picture; `cover` hides what is below."""
    photo = clean()
    width, height = photo.size_px
    field = np.random.default_rng(3).standard_normal((height // 8, width // 8), dtype=np.float32)
    field = cv2.resize(cv2.GaussianBlur(field, (0, 0), size_px / 8), (width, height))
    edge = (field - np.quantile(field, 1 - share)) / field.std()
    part = (cover * np.clip(edge / 0.3 + 0.5, 0, 1))[..., None]
    light = linear_rgb(photo.rgb_u8) * (1 - part) + part * reflectance / 0.85 * LIT_PAPER
    return replace(photo, rgb_u8=bytes_from_linear(light))


def rubbed_off(places: Sequence[int]) -> Photo:
    """The same photo with the ink of some markers (by place in the layout) worn down to the paper."""
    rgb = clean().rgb_u8.copy()
    byte = int(bytes_from_linear(np.array(LIT_PAPER)))
    for place in places:
        corners = true_pixels(SCENE, card_layout(4711).markers[place].corners_mm() * 1.0)
        cv2.fillConvexPoly(rgb, np.rint(corners).astype(np.int32), (byte, byte, byte))
    return replace(clean(), rgb_u8=rgb)


def flags_of(photo: Photo) -> tuple[str, ...]:
    return check_photo(photo, find_card(photo))


def test_dust_makes_a_sheet_worn_not_wet_and_no_glare() -> None:
    assert flags_of(spotted(0.2, cover=0.35, reflectance=0.4)) == ("card-worn",)


@pytest.mark.parametrize(("share", "cover", "reflectance"), [(0.5, 0.4, 0.4), (0.5, 0.7, 0.15)])
def test_a_sheet_dirty_all_over_is_refused(share: float, cover: float, reflectance: float) -> None:
    photo = spotted(share, cover=cover, reflectance=reflectance)
    sentence = r"dirt lies on [3-9]\d% of the marker edges, at most 25% can be used"
    with pytest.raises(CardWorn, match=f"spot.jpg: {sentence}; {re.escape(CardWorn.remedy)}"):
        check_photo(photo, sighting())


def test_markers_that_cannot_be_read_in_the_open_are_wear() -> None:
    assert "card-worn" in flags_of(rubbed_off([1, 9, 20]))
    assert "card-worn" not in flags_of(rubbed_off([1]))
    with pytest.raises(
        CardWorn, match=r"1[0-2] markers cannot be read though nothing covers them, at most 8 may be"
    ):
        flags_of(rubbed_off([0, 2, 4, 6, 8, 11, 12, 15, 18, 20, 22, 25]))


@pytest.mark.parametrize(
    "changes",
    [
        {"hidden": [(-150.0, -150.0, -20.0, 150.0)]},
        {"hidden": [(60.0, 60.0, 150.0, 150.0), (-150.0, -150.0, -85.0, 0.0)]},
        {"wet": [(70.0, 60.0, 45.0)]},
        {"glare_at_mm": [(60.0, 80.0, 9.0)]},
        {"veil": 0.03},
        {
            "light": lambda x, y: np.where(np.hypot(x - 40, y - 90) < 45, 0.3, 1).astype(np.float32),
            "veil": 0.02,
        },
    ],
    ids=["half hidden", "boots", "damp", "glare", "flare", "shadow with flare"],
)
def test_other_troubles_are_not_wear_or_haze(changes: dict[str, object]) -> None:
    photo = photo_of(replace(SCENE, **changes), jpeg_quality=92)  # type: ignore[arg-type]
    assert not {"card-worn", "lens-hazy"} & set(flags_of(photo))


def test_a_hazy_lens_greys_the_blacks() -> None:
    flags = flags_of(photo_of(replace(SCENE, veil=0.15, exposure=0.8), jpeg_quality=92))
    assert flags == ("lens-hazy",)


def quiet(
    noise: float, *, iso: float | None = 400, quality: int | None = 92, edge_px: float = 2.0
) -> tuple[str, ...]:
    """Flags of the clean photo, had its paper this noise and its file these facts."""
    photo = replace(clean(), exif=Exif(iso=iso), file=FileFacts(jpeg_quality=quality))
    return check_photo(photo, replace(sighting(), noise_linear=noise, edge_width_px=edge_px))


def test_paper_too_quiet_for_its_iso_was_smoothed() -> None:
    # 0.8 % at ISO 100 is 1.6 % at ISO 400 (shot noise: the square root of the light), a third is 0.53 %.
    assert quiet(0.0045) == ("phone-smoothed",)
    assert quiet(0.0060) == ()
    assert quiet(0.0060, iso=1600) == ("phone-smoothed",)


@pytest.mark.parametrize(
    "facts",
    [{"iso": None}, {"iso": 64}, {"quality": 75}, {"edge_px": 3.5}],
    ids=lambda facts: next(iter(facts)),
)
def test_nothing_is_said_of_smoothing_where_it_cannot_be_seen(facts: dict[str, float]) -> None:
    assert quiet(0.003, **facts) == ()  # type: ignore[arg-type]
