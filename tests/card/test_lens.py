"""One capture is one lens: the odd photos are named, each with the remedy for its cause."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.card.camera import adjust_cameras
from assessor.card.lens import LensSettings, check_same_camera, find_odd_photos, mixed_cameras
from assessor.errors import LensSwitched, MixedCameras, OtherPhone, PhotoError, ZoomUsed
from assessor.values import Exif, PrintScale
from tests.card.sightings import FLAT, Print, camera_over, exifs, sightings_of, view_spread

MAIN = Exif(
    make="Make A", model="Model B", lens_model="back camera 6.86mm f/1.78",
    focal_mm=6.86, focal_35mm=24.0, digital_zoom_ratio=1.0,
)  # fmt: skip
WIDE = replace(MAIN, lens_model="back camera 2.22mm f/2.2", focal_mm=2.22, focal_35mm=13.0)
BARE = Exif()


@dataclass(frozen=True)
class Shot:
    name: str
    exif: Exif = MAIN
    size_px: tuple[int, int] = (4032, 3024)


def shots(*given: Exif | tuple[Exif, tuple[int, int]]) -> list[Shot]:
    """Shots named a, b, c ... in this order."""
    pairs = [one if isinstance(one, tuple) else (one, (4032, 3024)) for one in given]
    return [Shot(f"{chr(97 + k)}.jpg", exif, size) for k, (exif, size) in enumerate(pairs)]


def odd(*given: Exif | tuple[Exif, tuple[int, int]]) -> list[PhotoError]:
    return [error for error in find_odd_photos(shots(*given)) if error]


@pytest.mark.parametrize(
    ("change", "size_px", "kind", "sentence"),
    [
        (
            {"lens_model": "back camera 2.22mm f/2.2", "focal_mm": 2.22, "focal_35mm": 13.0}, (4032, 3024),
            LensSwitched, r"another lens \(2\.22 mm, the rest 6\.86 mm\); hold the phone at least 300 mm above",
        ),
        # The near-focus picture of the ultra-wide, cut to look like the main camera's.
        (
            {"focal_mm": 2.22, "digital_zoom_ratio": 1.9}, (4032, 3024),
            LensSwitched, r"another lens \(2\.22 mm, the rest 6\.86 mm\); .* switch automatic macro off",
        ),
        (
            {"lens_model": "back camera 2.22mm f/2.2", "focal_mm": None, "focal_35mm": None}, (4032, 3024),
            LensSwitched, r"another lens \(back camera 2.22mm f/2.2, the rest back camera 6.86mm f/1.78\)",
        ),
        (
            {"lens_model": None, "focal_mm": None, "focal_35mm": 13.0}, (4032, 3024),
            LensSwitched, r"another angle of view \(35 mm equivalent 13 mm, the rest 24 mm\); hold the phone",
        ),
        (
            {"lens_model": "back camera 9mm f/2.8", "focal_mm": 9.0, "focal_35mm": 77.0}, (4032, 3024),
            ZoomUsed, r"another lens \(9 mm, the rest 6\.86 mm\); use 1x zoom and one photo size",
        ),
        ({"focal_35mm": 28.0}, (4032, 3024), ZoomUsed, r"equivalent 28 mm, the rest 24 mm\); use 1x zoom"),
        ({"digital_zoom_ratio": 1.5}, (4032, 3024), ZoomUsed, r"at 1\.5x zoom, the rest at 1x; use 1x zoom"),
        ({}, (4032, 2268), ZoomUsed, r"another size \(4032 x 2268 px, the rest 4032 x 3024 px\); use 1x zoom"),
        ({}, (5712, 4284), ZoomUsed, r"another size \(5712 x 4284 px, the rest 4032 x 3024 px\)"),
        (
            {"model": "Model C"}, (4032, 3024),
            OtherPhone, r"another phone than the rest \(Make A Model C, the rest Make A Model B\); shoot all",
        ),
    ],
    ids=["wide", "macro", "name", "angle", "tele", "crop-zoom", "digital", "crop", "pixels", "phone"],
)  # fmt: skip
def test_the_odd_photo_is_named_with_its_cause(
    change: dict[str, object], size_px: tuple[int, int], kind: type[PhotoError], sentence: str
) -> None:
    errors = odd(MAIN, MAIN, (replace(MAIN, **change), size_px), MAIN, MAIN)
    assert [(type(error), error.file) for error in errors] == [(kind, "c.jpg")]
    with pytest.raises(kind, match=rf"^c\.jpg: .*{sentence}"):
        raise errors[0]


@pytest.mark.parametrize(
    "other",
    [
        (MAIN, (3024, 4032)),  # held upright
        replace(MAIN, focal_35mm=25.0),  # rounded the other way
        replace(MAIN, digital_zoom_ratio=1.0032),
        replace(MAIN, digital_zoom_ratio=None),
        replace(MAIN, focal_mm=6.8649998),
        replace(MAIN, lens_model=None),
        Exif(focal_35mm=24.0),
        BARE,  # a chat took the data: not a reason to call it another lens
    ],
    ids=["upright", "rounded", "nearly-1x", "no-ratio", "ratio-of-integers", "no-name", "little", "bare"],
)
def test_what_one_lens_may_write(other: Exif | tuple[Exif, tuple[int, int]]) -> None:
    assert odd(MAIN, other, MAIN, MAIN) == []
    assert odd(other, other, other, MAIN) == []


def test_a_camera_that_writes_no_zoom_used_none() -> None:
    zoomed = replace(MAIN, digital_zoom_ratio=2.0)
    silent = replace(MAIN, digital_zoom_ratio=None)
    assert [e.file for e in odd(silent, silent, zoomed, silent)] == ["c.jpg"]
    assert odd(BARE, BARE, zoomed, BARE) == []  # without any data nothing can be said


def test_all_photos_of_another_lens_are_one_lens() -> None:
    assert odd(WIDE, WIDE, WIDE, WIDE) == []
    assert find_odd_photos([]) == ()
    assert find_odd_photos(shots(MAIN)) == (None,)


def test_bare_photos_stay_with_the_larger_group() -> None:
    assert [e.file for e in odd(BARE, WIDE, MAIN, MAIN, BARE, MAIN)] == ["b.jpg"]


def test_the_larger_group_is_the_capture_and_a_tie_goes_to_the_main_camera() -> None:
    assert [e.file for e in odd(WIDE, MAIN, WIDE, WIDE)] == ["b.jpg"]
    assert [(e.file, type(e)) for e in odd(WIDE, MAIN, MAIN, WIDE)] == [
        ("a.jpg", LensSwitched),
        ("d.jpg", LensSwitched),
    ]
    tele = replace(MAIN, focal_mm=9.0, focal_35mm=77.0, lens_model="back camera 9mm f/2.8")
    assert [(e.file, type(e)) for e in odd(tele, tele, MAIN, MAIN)] == [
        ("a.jpg", ZoomUsed),
        ("b.jpg", ZoomUsed),
    ]


@given(st.lists(st.sampled_from([MAIN, WIDE, BARE, replace(MAIN, digital_zoom_ratio=2.0)]), max_size=4))
def test_order_does_not_matter(given_exifs: list[Exif]) -> None:
    named = shots(*given_exifs)
    expected = {shot.name for shot, error in zip(named, find_odd_photos(named), strict=True) if error}
    for turned in permutations(named):
        found = find_odd_photos(turned)
        assert {shot.name for shot, error in zip(turned, found, strict=True) if error} == expected


def test_limits_are_settings() -> None:
    given = shots(MAIN, MAIN, replace(MAIN, focal_35mm=26.0))
    assert [error is None for error in find_odd_photos(given)] == [True, True, False]
    assert find_odd_photos(given, LensSettings(equivalent_tolerance_mm=2.0)) == (None,) * 3


def test_a_capture_without_enough_of_one_lens_names_the_odd_ones() -> None:
    error = mixed_cameras(odd(MAIN, WIDE, MAIN, WIDE))
    assert str(error) == (
        "b.jpg, d.jpg: it was taken with another lens (2.22 mm, the rest 6.86 mm);"
        " shoot all photos of a spot with one phone, one lens, 1x zoom."
    )
    assert [e.file for e in error.refused] == ["b.jpg", "d.jpg"]


def test_cameras_are_not_fitted_together_across_lenses() -> None:
    sightings = sightings_of(
        [camera_over(90.0 * k, 15.0, 340.0) for k in range(4)], FLAT, np.random.default_rng(1)
    )
    check_same_camera(sightings, [*exifs(3, 26.0), Exif(focal_35mm=27.0)])
    with pytest.raises(
        MixedCameras, match=r"^180\.jpg: it shows another angle of view .* 13 mm, the rest 26 mm\);"
    ):
        check_same_camera(sightings, [*exifs(2), Exif(focal_35mm=13.0), *exifs(1)])
    sightings[1] = replace(sightings[1], size_px=(3000, 2250))
    with pytest.raises(
        MixedCameras, match=r"^90\.jpg: it has another size \(3000 x 2250 px, the rest 4000 x 3000"
    ):
        check_same_camera(sightings, exifs(4))


@pytest.mark.parametrize("tilt_deg", [10.0, 15.0])
def test_without_exif_the_tilts_give_the_focal_length_with_wider_uncertainty(tilt_deg: float) -> None:
    """A lens 17 % longer than the main camera that is guessed, and once the same lens as its Exif would say it."""
    bars = PrintScale(1.02, 0.985, 0.002, 0.002, True)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        cameras = [
            camera_over(90.0 * k + rng.normal(0, 10), tilt_deg, 340.0, focal_px=3400.0, radial=(0.05, -0.03))
            for k in range(4)
        ]
        sightings = sightings_of(cameras, Print(), rng)
        told = adjust_cameras(sightings, exifs(4, 3400 * 43.267 / 5000), bars)
        bare = adjust_cameras(sightings, exifs(4, None), bars)
        assert (told.focal_source, bare.focal_source) == ("exif", "solved")
        assert "focal-unknown" in bare.flags
        assert np.mean([c.focal_px for c in bare.cameras]) == pytest.approx(3400, rel=0.02)
        assert bare.u_gain > told.u_gain
        assert abs(view_spread(bare.cameras) / view_spread(cameras) - 1) < 3 * bare.u_gain
