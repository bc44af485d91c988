"""The one-page picture and its panels."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from assessor.report.panels import levelled, middle_profile, outlined_photo, printable
from assessor.report.panels_torch import in_band, sheet_from_above, shown_band
from assessor.report.picture import HEIGHT_PX, WIDTH_PX, draw_picture, thumbnail
from assessor.report.record import assessed_record, failed_record
from assessor.report.schema_base import FINE_BAND
from assessor.report.words import is_placed
from assessor.values import TargetRange
from tests.fakes import fake_head, fake_heights, fake_photo, fake_result, fake_torch_result, unplaced_result


def test_the_page_is_a_png_of_its_size_with_names_that_no_font_has() -> None:
    target = TargetRange(3, 5)
    photo = fake_photo("spot $x$/夕.jpg")
    result = fake_result((photo,), target=target)
    record = assessed_record(fake_head((photo,), capture="north $bay$ 夕", target=target), result)
    image = cv2.imdecode(np.frombuffer(draw_picture(result, record), np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    assert image.shape == (HEIGHT_PX, WIDTH_PX, 3)
    assert image[: HEIGHT_PX // 50].mean() < 60  # the black strip with the notice


def test_only_assessed_captures_have_a_picture() -> None:
    with pytest.raises(ValueError, match="only an assessed capture"):
        draw_picture(fake_result(), failed_record(fake_head(), "x"))


def test_a_picture_without_anything_valid_is_still_drawn() -> None:
    heights = fake_heights(side=40)
    empty = replace(heights, valid=np.zeros(heights.height_mm.shape, bool))
    result = replace(fake_result(), heights=empty)
    assert draw_picture(result, assessed_record(fake_head(), result))[:4] == b"\x89PNG"


def test_levelling_takes_off_a_plane_and_keeps_the_texture() -> None:
    heights = fake_heights()
    level = levelled(heights)
    assert np.isnan(level[~heights.valid]).all()
    good = level[heights.valid]
    assert good.mean() == pytest.approx(0.0, abs=0.02)
    assert good.std() == pytest.approx(0.3 / np.sqrt(2), rel=0.03)  # rms of a sine


@pytest.mark.parametrize(("lay_deg", "upright"), [(None, False), (90.0, False), (10.0, True), (170.0, True)])
def test_the_line_crosses_the_lay(lay_deg: float | None, upright: bool) -> None:
    heights = fake_heights()
    profile = middle_profile(heights, levelled(heights), lay_deg)
    (x0, y0), (x1, y1) = profile.start_mm, profile.end_mm
    assert (x0 == x1, y0 == y1) == (upright, not upright)
    rows, cols = heights.height_mm.shape
    samples = rows if upright else cols
    assert len(profile.height_mm) == samples
    assert profile.along_mm[-1] == pytest.approx((samples - 1) / heights.px_per_mm)


def test_the_outline_lies_on_the_window() -> None:
    result = fake_result()
    plain = cv2.resize(result.photos[0].rgb_u8, (320, 401), interpolation=cv2.INTER_AREA)
    drawn = outlined_photo(result, 320)
    assert drawn.shape[1] == 320
    changed = np.abs(drawn[:401].astype(int) - plain[: drawn.shape[0]].astype(int)).max(axis=2) > 60
    px_per_mm = 320 / 250
    row = drawn.shape[0] // 2
    columns = np.flatnonzero(changed[row, :])
    for edge_mm in (-60, 60):
        assert np.abs(columns - (160 + edge_mm * px_per_mm)).min() < 3


def test_the_small_photo_is_a_small_jpeg() -> None:
    data = thumbnail(fake_result(), 240)
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    assert image.shape[1] == 240


def test_unknown_characters_become_question_marks() -> None:
    assert printable("Größe 夕\n± ok") == "Größe ?\n± ok"


@pytest.mark.parametrize(("n_lights", "fused"), [(8, False), (4, False), (16, True)])
def test_a_torch_capture_has_a_page_of_the_same_size(n_lights: int, fused: bool) -> None:
    result = fake_torch_result(n_lights, fused=fused)
    data = draw_picture(result, assessed_record(fake_head(result.photos), result))
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert image is not None
    assert image.shape == (HEIGHT_PX, WIDTH_PX)


def test_a_torch_without_a_place_has_a_page() -> None:
    result = unplaced_result()
    record = assessed_record(fake_head(result.photos), result)
    assert not is_placed(record)
    assert is_placed(assessed_record(fake_head(), fake_torch_result()))
    assert draw_picture(result, record)[:4] == b"\x89PNG"


def test_a_torch_that_no_tab_shows_still_has_a_page() -> None:
    result = fake_torch_result()
    assert result.torches is not None
    unseen = replace(result, torches=replace(result.torches, photo_names=(), lights=(), u_tan_own=()))
    assert draw_picture(unseen, assessed_record(fake_head(unseen.photos), unseen))[:4] == b"\x89PNG"


def test_heights_are_shown_in_the_band_that_is_quoted() -> None:
    """Of a 5 mm and a 40 mm wave the band 0.5-8 mm keeps 0.83 and 0.03.

    Gaussian filters of ISO 16610-61: wavelength w passes 0.5^((c / w)^2) of a low-pass of cut-off c.
    """
    result = fake_torch_result()
    assert shown_band(assessed_record(fake_head(), result)) == FINE_BAND
    assert shown_band(assessed_record(fake_head(), fake_result())) is None
    heights = fake_heights(side=480)
    rows, cols = heights.height_mm.shape
    x = (np.arange(cols) + 0.5) / heights.px_per_mm
    short, long = 0.1 * np.cos(2 * np.pi * x / 5), 0.1 * np.cos(2 * np.pi * x / 40)
    sky = np.broadcast_to((short + long).astype(np.float32), (rows, cols)).copy()
    flat = replace(heights, height_mm=sky, valid=np.ones((rows, cols), bool), halves=None)
    shown = in_band(flat, FINE_BAND)[rows // 2]
    inner = slice(cols // 4, 3 * cols // 4)
    waves = np.column_stack([short, long])[inner]
    kept = np.linalg.lstsq(waves, shown[inner], rcond=None)[0]
    expected = [0.5 ** ((0.5 / w) ** 2) * (1 - 0.5 ** ((8 / w) ** 2)) for w in (5, 40)]
    assert kept == pytest.approx(expected, abs=0.01)


def test_the_sheet_is_turned_upright_and_keeps_its_place() -> None:
    """A photo taken from the sheet's other side shows it upside down; seen from above its top is up again."""
    result = fake_result()
    photo, sighting = result.photos[0], result.sightings[0]
    upright = sheet_from_above(result, photo.name)
    turned = replace(photo, rgb_u8=np.ascontiguousarray(photo.rgb_u8[::-1, ::-1]))
    width_px, height_px = photo.size_px
    flip = np.array([[-1.0, 0, width_px - 1], [0, -1, height_px - 1], [0, 0, 1]])
    other = replace(
        result, photos=(turned,), sightings=(replace(sighting, px_from_mm=flip @ sighting.px_from_mm),)
    )
    again = sheet_from_above(other, photo.name)
    assert upright.shape == (594, 420, 3)
    assert np.abs(again.astype(int) - upright.astype(int)).mean() < 3
    assert np.abs(again[::-1].astype(int) - upright.astype(int)).mean() > 10
