"""The chip sheet's pages: measured parts as the finder expects them, words clear of them, both languages."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from assessor.card.designs import CHIP_DESIGN, design_layout, designs
from assessor.card.detect import detect_markers
from assessor.card.draw import PT_PER_MM, pages_pdf
from assessor.card.guide_chips import CHIP_GUIDE, _making, chip_pages
from assessor.card.ink import Label, bounds, placed
from assessor.card.layout import DICTIONARY
from assessor.card.raster import card_raster

pdfium = pytest.importorskip("pypdfium2")
LAYOUT = design_layout(CHIP_DESIGN, 77)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_there_is_a_sheet_and_a_page_of_instructions(paper: str) -> None:
    pages = chip_pages(LAYOUT, paper)
    assert len(pages) == 2
    for page in pages:
        area = bounds(page.inks)
        assert area.x_min_mm >= -page.width_mm / 2 + 4
        assert area.x_max_mm <= page.width_mm / 2 - 4
        assert area.y_min_mm >= -page.height_mm / 2 + 4
        assert area.y_max_mm <= page.height_mm / 2 - 4


def test_what_is_printed_is_what_the_finder_looks_for() -> None:
    """The page as a viewer paints it, against the raster that finder and simulator share; OpenCV reads the new ids."""
    document = pdfium.PdfDocument(pages_pdf(chip_pages(LAYOUT, "a4"), "t"))
    image = document[0].render(scale=6 / PT_PER_MM, grayscale=True).to_numpy().squeeze()
    drawn = card_raster(LAYOUT, 6.0, (210.0, 297.0))
    for marker in LAYOUT.markers:
        rows, cols = (
            slice(round((297 / 2 - marker.y_mm - 6) * 6), round((297 / 2 - marker.y_mm + 6) * 6)),
            slice(round((210 / 2 + marker.x_mm - 6) * 6), round((210 / 2 + marker.x_mm + 6) * 6)),
        )
        assert np.abs(image[rows, cols].astype(int) - drawn[rows, cols]).mean() < 20
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(np.ascontiguousarray(image))
    assert {m.id for m in designs()[CHIP_DESIGN].markers} <= set(ids.ravel().tolist())


def test_the_making_lies_in_the_window_that_is_cut_away() -> None:
    area, window = bounds(_making()), LAYOUT.window
    assert window.less(1.0).covers(area)


def test_the_guide_speaks_both_languages_and_names_the_shim() -> None:
    words = " ".join(
        ink.text for page in chip_pages(LAYOUT, "letter") for ink in page.inks if isinstance(ink, Label)
    )
    for told in ("same height", "1 mm higher", "misma altura", "1 mm más altas", "chip-1", "No. 00077"):
        assert told in words
    for step in CHIP_GUIDE[0].steps:
        assert step.english
        assert step.spanish
        assert step.english != step.spanish
    assert placed(CHIP_GUIDE[0].picture(LAYOUT), (0, 0))


def test_the_detector_still_reads_only_the_frame() -> None:
    """The first look is for fixed ids of the frame alone: a design's own markers never enter the plane."""
    found = detect_markers(card_raster(LAYOUT, 6.0, (210.0, 297.0)), 1, thorough=False)
    assert {d.id for d in found} <= set(LAYOUT.fixed_markers()) - {
        m.id for m in designs()[CHIP_DESIGN].markers
    }
    assert len(found) >= 30
