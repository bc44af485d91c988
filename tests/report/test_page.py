"""The HTML pages hold what they must, load nothing, and escape what people name their files."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from assessor.errors import TooBlurred, TooFewPhotos
from assessor.report.charts import grade_bars_svg, transfer_svg
from assessor.report.page import capture_page, index_page
from assessor.report.record import assessed_record, failed_record, refused_record
from assessor.report.schema_heights import TransferRecord
from assessor.values import TargetRange
from tests.fakes import fake_head, fake_photo, fake_result, fake_torch_result, unplaced_result

TARGET = TargetRange(3, 5)
VOID = {"meta", "img", "br", "link", "input", "rect", "path"}


class Balance(HTMLParser):
    """Collects every address and complains about tags that are not closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.addresses: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.addresses += [value or "" for name, value in attrs if name in {"src", "href"}]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        return None

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_index_shows_assessed_and_refused_and_loads_nothing() -> None:
    good = assessed_record(fake_head(target=TARGET), fake_result(target=TARGET))
    bad = refused_record(fake_head(capture="south"), (), TooFewPhotos("1 photo is usable of the 4 needed"))
    text = index_page([good, bad], {"spot": b"jpeg"}, others=["old"])
    addresses = Balance(text).addresses
    pages = {f"{name}/page.html" for name in ("south", "spot", "old")}
    assert set(addresses) == {"captures.csv", "data:image/jpeg;base64,anBlZw==", *pages}
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text)
    assert "<script" not in text
    assert "1 of 2 captures assessed" in text
    assert "1 photo is usable of the 4 needed; take four photos" in text


@pytest.mark.parametrize("page", ["index", "capture"])
def test_pages_say_suggestion_prior_and_rendered(page: str) -> None:
    record = assessed_record(fake_head(), fake_result())
    text = index_page([record], {}) if page == "index" else capture_page(record, b"png")
    assert "Suggestion, not a grade: confirm against the chips." in text
    assert "prior, not measured on chips" in text
    assert "RENDERED" in text
    camera = fake_photo(make="Acme")
    record = assessed_record(fake_head((camera,)), fake_result((camera,)))
    text = index_page([record], {}) if page == "index" else capture_page(record, b"png")
    assert "RENDERED" not in text


def test_capture_page_says_everything_the_record_holds() -> None:
    blurred = TooBlurred("edges are 6.1 px wide", file="spot/b.jpg")
    record = assessed_record(fake_head(target=TARGET), fake_result(target=TARGET, refused=(blurred,)))
    text = capture_page(record, b"png")
    Balance(text)
    for words in (
        "0.212 ± 0.010 mm", "2.5-25 mm", "Sq by ISO 25178-2", "four photos at 10-15 degrees",
        "spot/b.jpg: edges are 6.1 px wide", "measure both check bars", "same folder", "NOT checked",
    ):  # fmt: skip
        assert words in text


@pytest.mark.parametrize(("n_lights", "fused"), [(8, False), (4, False), (8, True)])
def test_the_page_of_a_torch_capture_says_where_it_stood_and_whether_it_is_confirmed(
    n_lights: int, fused: bool
) -> None:
    result = fake_torch_result(n_lights, fused=fused)
    record = assessed_record(fake_head(result.photos), result)
    text = capture_page(record, b"png")
    Balance(text)
    for words in (
        "Where the torch stood", f"<td>spot/t{n_lights}.jpg</td>", "3 o'clock", "62 % of the light was the torch",
        "50 cm", "not known", "Without torch: spot/dark.jpg", "0.0210 ± 0.0010 mm", "0.5-8 mm",
        "0.5 mm it passes an unknown share, 1 mm it passes 30 %",
    ):  # fmt: skip
        assert words in text.replace("&#39;", "'")
    for page in (text, index_page([record], {})):
        assert ("NOT CONFIRMED" in page) == (n_lights == 4)
        assert "0.0210 ± 0.0010 mm" in page
    assert ("Joined with the photos from the sides" in text) == fused


def test_a_torch_without_a_place_gives_no_millimetres() -> None:
    record = assessed_record(fake_head(), unplaced_result())
    text = capture_page(record, b"png")
    Balance(text)
    assert "NO MILLIMETRES: nothing tells how high it was held." in text
    assert "0.24 ± 0.13" in text
    assert not re.search(r"<td class=\"number\">[^<]* mm", text)
    assert text.count("<td>not known</td>") == 16  # how high and how far, of eight torches


def test_a_torch_that_no_tab_shows_is_said_without_a_table() -> None:
    result = fake_torch_result()
    nothing = replace(result.torches, photo_names=(), lights=(), u_tan_own=(), sentence="no tab was seen")  # type: ignore[type-var]
    text = capture_page(assessed_record(fake_head(), replace(result, torches=nothing)), b"png")
    Balance(text)
    assert "No tab was seen." in text
    assert "o&#39;clock" not in text


def test_failed_captures_show_their_sentence() -> None:
    record = failed_record(fake_head(), "internal error (ValueError: boom), please report it")
    assert "internal error (ValueError: boom)" in index_page([record], {})
    assert "internal error (ValueError: boom)" in capture_page(record, None)


def test_names_are_escaped_in_text_and_address() -> None:
    record = assessed_record(fake_head(capture="<b>a&b #1"), fake_result())
    text = index_page([record], {})
    assert "<b>a" not in text
    assert "&lt;b&gt;a&amp;b #1" in text
    assert "%3Cb%3Ea%26b%20%231/page.html" in Balance(text).addresses


def test_bars_hold_their_heights_and_the_bracket() -> None:
    record = assessed_record(fake_head(target=TARGET), fake_result(target=TARGET))
    assert record.suggestion is not None
    svg = grade_bars_svg(record.suggestion)
    heights = [float(height) for height in re.findall(r'<rect .*? height="([\d.]+)"', svg)]
    assert heights[4] == max(heights)
    assert heights[3] / heights[4] == pytest.approx(0.26 / 0.38, abs=0.01)
    assert svg.count('fill="#000"') == 4  # the 90 % set, 3 to 6
    assert "asked for" in svg
    without = record.suggestion.model_copy(update={"abstained_because": "no", "verdict": None})
    assert grade_bars_svg(without).count('fill="#000"') == 0


def test_transfer_curve_copes_with_nothing() -> None:
    nothing = TransferRecord(wavelength_mm=(1.0,), amplitude=(None,), u_amplitude=(None,), method="x")
    assert "not known" in transfer_svg(nothing)
    record = assessed_record(fake_head(), replace(fake_result()))
    assert record.heights is not None
    assert ">100 %<" in transfer_svg(record.heights.transfer)
