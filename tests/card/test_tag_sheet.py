"""Printed tags measured and read back from the page's own pixels, by readers that are not ours."""

from __future__ import annotations

import cv2
import numpy as np
import pypdfium2
import pytest
import zxingcpp

from assessor.card.ink import Area, bounds
from assessor.card.layout import PAPERS_MM, Rectangle
from assessor.card.tag import Tag, parse_tag, tag_text
from assessor.card.tag_sheet import (
    CODE_AT_MM,
    CODE_MM,
    HEIGHT_MM,
    MODULE_MM,
    WIDTH_MM,
    code_modules,
    draw_tag_sheets_pdf,
    tag_inks,
    tag_middle_mm,
    tag_page,
    tags_per_page,
)
from assessor.errors import BadTag
from assessor.values import U8Array

TAGS = [
    Tag("K7QX", zone, spot, phase, 1) for zone in (3, 88) for spot in (1, 99) for phase in ("before", "after")
]  # type: ignore[arg-type]
DPI = 300.0


def page_pixels(paper: str, tags: list[Tag], scale: float = 1.0) -> U8Array:
    """Page one at 300 dpi as a printer makes it that scales: `scale` printed over drawn."""
    document = pypdfium2.PdfDocument(draw_tag_sheets_pdf(tags, paper))
    return np.asarray(document[0].render(scale=DPI / 72 * scale).to_pil().convert("L"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("scale", [0.96, 1.0, 1.02])
def test_every_printed_tag_is_read_where_it_stands(paper: str, scale: float) -> None:
    page = page_pixels(paper, TAGS, scale)
    read = {one.text: one.position for one in zxingcpp.read_barcodes(page)}
    assert {parse_tag(text) for text in read} == set(TAGS)
    width, height = PAPERS_MM[paper]
    for k, tag in enumerate(TAGS):
        position = read[tag_text(tag)]
        x, y = tag_middle_mm(k, paper)
        want = np.array([width / 2 + x + CODE_AT_MM[0], height / 2 - y - CODE_AT_MM[1]]) * scale
        corners = [position.top_left, position.top_right, position.bottom_right, position.bottom_left]
        got = np.mean([[c.x, c.y] for c in corners], axis=0) / DPI * 25.4
        assert np.abs(got - want).max() < 0.3
        side = (position.top_right.x - position.top_left.x) / DPI * 25.4
        assert side == pytest.approx(CODE_MM * scale, abs=0.5)


def test_opencv_reads_the_printed_codes_too() -> None:
    """An outside check of the print: OpenCV's decoder shares no line with the reader that `read_tags` uses."""
    page = page_pixels("a4", TAGS)
    px = DPI / 25.4
    for k, tag in enumerate(TAGS):
        x, y = tag_middle_mm(k, "a4")
        column, row = (PAPERS_MM["a4"][0] / 2 + x) * px, (PAPERS_MM["a4"][1] / 2 - y) * px
        half = HEIGHT_MM / 2 * px, WIDTH_MM / 2 * px
        cut = page[
            round(row - half[0]) : round(row + half[0]), round(column - half[1]) : round(column + half[1])
        ]
        assert cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(cut))[0] == tag_text(tag)


def test_the_code_is_a_version_1_symbol_of_the_standard() -> None:
    """ISO/IEC 18004: 21 modules, finder patterns in three corners, timing between them, the dark module at (13, 8)."""
    finder = np.ones((7, 7), bool)
    finder[1:6, 1:6] = False
    finder[2:5, 2:5] = True
    for tag in TAGS:
        dark = code_modules(tag_text(tag))
        assert dark.shape == (21, 21)
        for part in (dark[:7, :7], dark[:7, -7:], dark[-7:, :7]):
            assert (part == finder).all()
        assert list(dark[6, 8:13]) == list(dark[8:13, 6]) == [True, False, True, False, True]
        assert dark[13, 8]
        # Format information (8.9): level Q is 11 before the mask 101010000010010, so its first bits read 01.
        assert list(dark[8, :2]) == [False, True]


def test_nothing_is_printed_in_the_quiet_zone_or_off_the_tag() -> None:
    quiet = 4 * MODULE_MM - 0.01
    half = CODE_MM / 2 + quiet
    zone = Rectangle(CODE_AT_MM[0] - half, CODE_AT_MM[1] - half, CODE_AT_MM[0] + half, CODE_AT_MM[1] + half)
    for tag in (Tag("WWWW", 88, 88, "before", 9), Tag("W8W8", 88, 88, "after", 8)):
        for ink in tag_inks(tag):
            area = bounds((ink,))
            assert area.x_min_mm > -WIDTH_MM / 2 + 0.5 and area.x_max_mm < WIDTH_MM / 2 - 0.5
            assert area.y_min_mm > -HEIGHT_MM / 2 and area.y_max_mm < HEIGHT_MM / 2 - 0.5
            if not (isinstance(ink, Area) and ink.name.startswith("code-")):
                assert area.x_min_mm > zone.x_max_mm, ink
    # Cut lines run round the tag, farther off than the quiet zone.
    assert zone.x_min_mm > -WIDTH_MM / 2 and zone.y_max_mm < HEIGHT_MM / 2


def test_words_do_not_lie_on_each_other() -> None:
    page = tag_page([Tag("WWWW", 88, 88, "before", 9), Tag("W8W8", 88, 88, "after", 8)], "a4")
    texts = [(ink.text, bounds((ink,))) for ink in page.inks if hasattr(ink, "text")]
    assert len(texts) > 20
    for k, (text, a) in enumerate(texts):
        for other, b in texts[:k]:
            over = min(a.x_max_mm, b.x_max_mm) - max(a.x_min_mm, b.x_min_mm)
            high = min(a.y_max_mm, b.y_max_mm) - max(a.y_min_mm, b.y_min_mm)
            # Lines close by share the room of tails.
            least = min(a.y_max_mm - a.y_min_mm, b.y_max_mm - b.y_min_mm)
            assert not (over > 0.05 and high > 0.25 * least), (text, other)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pages_hold_what_fits_and_stay_on_the_paper(paper: str) -> None:
    many = tags_per_page(paper)
    assert many == {"a4": 24, "letter": 21}[paper]
    tags = [Tag("K7QX", 1, spot, "after") for spot in range(1, many + 2)]
    assert len(pypdfium2.PdfDocument(draw_tag_sheets_pdf(tags, paper))) == 2
    area = bounds(tag_page(tags[:many], paper).inks)
    width, height = PAPERS_MM[paper]
    # Home printers leave 4 mm or so white at the edges (common practice).
    assert area.x_min_mm > -width / 2 + 4 and area.x_max_mm < width / 2 - 4
    assert area.y_min_mm > -height / 2 + 2.5 and area.y_max_mm < height / 2 - 3


def test_the_same_tags_give_the_same_bytes() -> None:
    assert draw_tag_sheets_pdf(TAGS, "a4") == draw_tag_sheets_pdf(TAGS, "a4")


def test_what_cannot_be_printed_is_said() -> None:
    with pytest.raises(BadTag, match="of one job, not of 2"):
        draw_tag_sheets_pdf([Tag("K7QX", 1, 1, "after"), Tag("R2D9", 1, 1, "after")], "a4")
    with pytest.raises(BadTag, match="of one job, not of 0"):
        draw_tag_sheets_pdf([], "a4")
    with pytest.raises(BadTag, match="does not fit"):
        code_modules("T" * 40)
    with pytest.raises(ValueError, match="a4, letter"):
        draw_tag_sheets_pdf(TAGS, "a5")
