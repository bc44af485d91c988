"""Only the phone's own plain photo goes in; what was done to it on the way is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.layout import PAPERS_MM
from assessor.card.photo_exif import parse_exif
from assessor.card.photo_marks import PANORAMA, PORTRAIT, SCAN
from assessor.card.photo_origin import (
    check_not_scanned,
    check_origin,
    has_camera_data,
    signs_of_resending,
    signs_of_shrinking,
)
from assessor.errors import FlashFired, ProcessedPhoto
from assessor.values import CardSighting, Exif, FileFacts, Photo
from tests.card.sightings import FLAT, camera_over, sightings_of
from tests.card.test_photo_exif import FULL

OWN = Exif(make="Make A", model="Model B", focal_35mm=26.0, iso=80.0, flash_fired=False, size_px=(4000, 3000))


def photo(size_px: tuple[int, int] = (4000, 3000), exif: Exif = OWN, file: FileFacts | None = None) -> Photo:
    # One byte under all pixels: only the shape counts.
    rgb = np.lib.stride_tricks.as_strided(
        np.zeros(1, np.uint8), (size_px[1], size_px[0], 3), (0, 0, 0), writeable=False
    )
    return Photo("a.jpg", rgb, exif, "", file or FileFacts(jpeg_quality=92))


@pytest.mark.parametrize("size_px", [(4000, 3000), (3000, 4000), (4624, 2080), (3264, 2448)])
def test_the_phones_own_photo_passes_without_a_word(size_px: tuple[int, int]) -> None:
    exif = replace(OWN, size_px=(max(size_px), min(size_px)))
    assert check_origin(photo(size_px, exif)) == ()


@pytest.mark.parametrize("rendered", [None, 0, 1, 2, 3, 4, 9, 77])
def test_hdr_and_the_untouched_original_pass(rendered: int | None) -> None:
    assert check_origin(photo(exif=replace(OWN, custom_rendered=rendered))) == ()


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"custom_rendered": 7}, "the phone blurred part of the picture .portrait mode."),
        ({"custom_rendered": 8}, "the phone blurred part of the picture"),
        ({"custom_rendered": 6}, "this is a panorama, stitched from many pictures"),
        ({"file_source": 2}, "this is a document scan, which was straightened and cropped by an app"),
        ({"software": "PaperScanner 4.1"}, "this is a document scan"),
    ],
)
def test_photos_that_were_redrawn_are_refused(change: dict[str, object], found: str) -> None:
    with pytest.raises(ProcessedPhoto, match=rf"^a\.jpg: {found}.*; use the ordinary photo mode \(no"):
        check_origin(photo(exif=replace(OWN, **change)))


@pytest.mark.parametrize(
    ("mark", "found"), [(PORTRAIT, "blurred"), (PANORAMA, "a panorama"), (SCAN, "a document scan")]
)
def test_notes_in_the_file_refuse_too(mark: str, found: str) -> None:
    with pytest.raises(ProcessedPhoto, match=found):
        check_origin(photo(file=FileFacts(92, (mark,))))


@pytest.mark.parametrize("size_px", [(8000, 3200), (3000, 9000)])
def test_a_sweep_is_refused_by_its_shape(size_px: tuple[int, int]) -> None:
    sentence = (
        r"picture is (2\.5|3\.0) times as long as wide, as panoramas are; at most 2\.4 times can be used"
    )
    with pytest.raises(ProcessedPhoto, match=sentence):
        check_origin(photo(size_px, replace(OWN, size_px=None)))


def test_the_flash_is_refused_photo_by_photo() -> None:
    with pytest.raises(FlashFired, match=r"^a\.jpg: the flash fired; switch the flash off, bring even light"):
        check_origin(photo(exif=replace(OWN, flash_fired=True)))
    for fired in (False, None):
        assert check_origin(photo(exif=replace(OWN, flash_fired=fired))) == ()


def test_the_tags_come_from_a_block_that_an_outside_writer_made() -> None:
    exif, _ = parse_exif(FULL)
    assert exif.flash_fired
    with pytest.raises(FlashFired):
        check_origin(photo(exif=exif))


@pytest.mark.parametrize(
    ("size_px", "exif", "quality", "signs"),
    [
        ((4000, 3000), Exif(), 92, ("it carries no camera data",)),
        (
            (1600, 1200), Exif(), 75,
            ("it has 1600 x 1200 px, where phones take 8 megapixels or more", "it carries no camera data"),
        ),
        ((1500, 2000), OWN, 92, ("1500 x 2000 px are left of 4000 x 3000",)),
        ((3264, 2448), OWN, None, ("3264 x 2448 px are left of 4000 x 3000",)),
        ((4000, 3000), OWN, 50, ("it is packed at JPEG quality 50",)),
        ((4000, 3000), Exif(taken_at="2026-01-01T10:00:00"), None, ("it carries no camera data",)),
        ((4000, 3000), OWN, 72, ()),
        ((3000, 4000), OWN, None, ()),
        ((4032, 3024), OWN, None, ()),
    ],
)  # fmt: skip
def test_a_copy_shows_by_its_size_its_data_or_its_packing(
    size_px: tuple[int, int], exif: Exif, quality: int | None, signs: tuple[str, ...]
) -> None:
    sent = photo(size_px, exif, FileFacts(quality))
    assert signs_of_resending(sent) == signs
    assert check_origin(sent) == (("photo-resent",) if signs else ())
    assert signs_of_shrinking(sent) == tuple(sign for sign in signs if " px" in sign)


def test_camera_data_are_what_only_a_camera_writes() -> None:
    assert not has_camera_data(Exif(software="editor 3", taken_at="2026-01-01T10:00:00", size_px=(10, 10)))
    assert has_camera_data(Exif(focal_35mm=26.0))


def scanned(paper: str, *, grow: float = 0.0, tilt_deg: float = 0.4) -> tuple[Photo, CardSighting]:
    """The straightened sheet as a picture of its own, `grow` of it added on every side, 7 px per mm."""
    width, height = (side * (1 + 2 * grow) for side in PAPERS_MM[paper])
    size = (round(width * 7), round(height * 7))
    sighting = sightings_of([camera_over(0.0, 0.0, 400.0)], FLAT, np.random.default_rng(1), size_px=size)[0]
    straight = np.array([[7.0, 0, size[0] / 2 - 0.5], [0, -7.0, size[1] / 2 - 0.5], [0, 0, 1]])
    return photo(size, Exif()), replace(sighting, px_from_mm=straight, tilt_deg=tilt_deg)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_a_picture_that_is_exactly_the_sheet_is_a_scan(paper: str) -> None:
    sentence = (
        r"^a\.jpg: the picture is cut exactly at the sheet's edge and straightened, as document scans are"
    )
    with pytest.raises(ProcessedPhoto, match=sentence):
        check_not_scanned(*scanned(paper))
    with pytest.raises(ProcessedPhoto, match=sentence):
        check_not_scanned(*scanned(paper, grow=0.01))


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_a_photo_from_straight_above_is_no_scan(paper: str) -> None:
    check_not_scanned(*scanned(paper, grow=0.05))
    check_not_scanned(*scanned(paper, tilt_deg=5.0))
    signed, sighting = scanned(paper)
    check_not_scanned(replace(signed, exif=OWN), sighting)
