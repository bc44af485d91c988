"""Zone sheets: their ids, their print, and reading them back from photos."""

from __future__ import annotations

import cv2
import numpy as np
import pypdfium2
import pytest

from assessor.card.layout import SERIAL_COUNT, card_layout
from assessor.card.zone_page import draw_zone_sheets_pdf, measured_zone_inks
from assessor.card.zone_sheet import (
    ZONE_COUNT,
    ZONE_SIDE_MM,
    paper_outline_mm,
    white_points_of,
    zone_markers,
    zone_sheet,
)
from assessor.errors import BadZone
from assessor.zone_workflow import parse_sheets, parse_size


def test_ids_collide_with_no_card_of_any_serial() -> None:
    sheets = {zone_sheet(n).marker.id for n in range(1, ZONE_COUNT + 1)}
    assert len(sheets) == ZONE_COUNT
    # Every byte occurs as the high and as the low part of some serial.
    cards = {m.id for serial in range(0, SERIAL_COUNT, 257) for m in card_layout(serial).markers}
    assert not sheets & cards
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    assert max(sheets) < len(dictionary.bytesList)


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_printed_marker_has_its_size_and_reads_as_its_number(
    paper: str, size_mm: tuple[float, float]
) -> None:
    """Rendered by pdfium at 100 dpi and read by OpenCV alone."""
    document = pypdfium2.PdfDocument(draw_zone_sheets_pdf([3, 24], paper))
    assert len(document) == 2
    for page, number in zip(document, (3, 24), strict=True):
        width, height = page.get_size()
        assert (width * 25.4 / 72, height * 25.4 / 72) == pytest.approx(size_mm, abs=0.1)
        image = np.asarray(page.render(scale=100 / 72).to_pil().convert("L"))
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
        quads, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(image)
        assert ids is not None
        assert ids.ravel().tolist() == [zone_sheet(number).marker.id]
        corners = np.asarray(quads[0]).reshape(4, 2)
        sides = np.linalg.norm(np.roll(corners, -1, 0) - corners, axis=1) * 25.4 / 100
        assert sides == pytest.approx(ZONE_SIDE_MM, abs=0.5)


def test_plain_paper_stays_clear_of_all_print() -> None:
    points = white_points_of("5")
    half = ZONE_SIDE_MM / 2
    assert not ((np.abs(points) < half + 4).all(1)).any()
    outline = paper_outline_mm("5")
    assert (points > outline.min(0)).all()
    assert (points < outline.max(0)).all()
    for bar in (zone_sheet(5).bar_along, zone_sheet(5).bar_across):
        for part in bar.strokes():
            inside = (points[:, 0] > part.x_min_mm - 2) & (points[:, 0] < part.x_max_mm + 2)
            inside &= (points[:, 1] > part.y_min_mm - 2) & (points[:, 1] < part.y_max_mm + 2)
            assert not inside.any()
    assert len(measured_zone_inks(zone_sheet(5))) == 7


def test_bars_mean_the_same_as_the_cards() -> None:
    sheet, card = zone_sheet(1), card_layout()
    assert (sheet.bar_along.length_mm, sheet.bar_across.length_mm) == (
        card.bar_along.length_mm,
        card.bar_across.length_mm,
    )
    assert {name for name, _ in zone_markers().values()} == {"card", *map(str, range(1, 25))}


@pytest.mark.parametrize(
    ("text", "numbers"), [("1-4", (1, 2, 3, 4)), ("2", (2,)), ("1,3, 5-6", (1, 3, 5, 6))]
)
def test_sheets_by_words(text: str, numbers: tuple[int, ...]) -> None:
    assert parse_sheets(text) == numbers


@pytest.mark.parametrize("text", ["0-3", "4-2", "25", "a", "", "1-"])
def test_sheets_that_are_none(text: str) -> None:
    with pytest.raises(BadZone, match="sheets"):
        parse_sheets(text)


def test_size_in_metres() -> None:
    assert parse_size("4x3") == (4.0, 3.0)
    assert parse_size("4,5 X 3.25") == (4.5, 3.25)
    assert parse_size(None) is None
    for text in ("4", "4x", "0.1x3", "400x3", "4 by 3"):
        with pytest.raises(BadZone):
            parse_size(text)
