"""The one-page picture and its panels."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from assessor.report.panels import levelled, middle_profile, outlined_photo, printable
from assessor.report.picture import HEIGHT_PX, WIDTH_PX, draw_picture, thumbnail
from assessor.report.record import assessed_record, failed_record
from assessor.values import TargetRange
from tests.fakes import fake_head, fake_heights, fake_photo, fake_result


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
