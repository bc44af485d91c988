"""The pages tell patches, tests and requests in words, and never that a floor is clean."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest

from assessor.report.page import capture_page, index_page
from assessor.report.record import assessed_record
from assessor.report.words_surface import IMPLAUSIBLE, LOW_PHOTO, NOTHING_SEEN
from assessor.surface.separating import separating_test
from assessor.values.surface import Surface
from tests.fake_surface import fake_aggregate, fake_patch, fake_surface, fraction, square
from tests.fakes import fake_estimated_result, fake_head, fake_result
from tests.report.test_page import Balance
from tests.report.test_surface_record import record_of


def page_of(surface: Surface) -> str:
    """The page's text without its tags."""
    text = capture_page(record_of(surface), b"png", {"patches.jpg": b"one", "aggregate.jpg": b"two"})
    assert Balance(text).open == []
    return text


def words(text: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", text[text.index("<body") :])))


def test_a_patch_is_told_with_causes_evidence_test_size_and_place() -> None:
    text = page_of(fake_surface((fake_patch(square(30, 0, 20), "oil", chance=0.62, u_area_mm2=20.0),)))
    told = words(text)
    test = separating_test("water-drop")
    for part in (
        "1 Dark patch, 4.0 ± 0.3 cm²", "Perhaps oil or grease (62 %).", "oil or grease: likely (62 %)",
        "34 % darker than the floor around (31 to 37 %)", "soft edge, 4 mm wide", f"TEST: {test.name} . {test.how}",
        f"If {test.outcomes[0].seen}: {test.outcomes[0].means}", str(test.caution),
        "begins 2 cm from the card's centre",
        "96 % likely to be more than the floor's own colour",
    ):  # fmt: skip
        assert part.replace(" . ", ". ") in told.replace(" . ", ". ").replace(" : ", ": ").replace(
            " .", "."
        ), part
    assert text.count("data:image/jpeg;base64,b25l") == 1
    assert "Review list" not in told


def test_the_same_test_is_explained_once() -> None:
    both = (fake_patch(square(0, 0, 20)), fake_patch(square(30, 30, 20)))
    told = words(page_of(fake_surface(both)))
    assert told.count(separating_test("water-drop").outcomes[0].means) == 1
    assert told.count(separating_test("water-drop").how) == 2
    assert "What it tells and what to mind: see patch 1." in told


@pytest.mark.parametrize("gloss", ["judged", "cannot-tell"])
@pytest.mark.parametrize("patches", [0, 2])
def test_no_page_says_that_a_floor_is_clean(gloss: str, patches: int) -> None:
    found = tuple(fake_patch(square(20 * n, 0, 15)) for n in range(patches))
    surface = fake_surface(found, gloss=gloss)
    told = words(page_of(surface))
    index = words(index_page([record_of(surface)], {}))
    for text in (told, index):
        assert "No patch seen does not mean clean" in text
        assert "silicone" in text
        claims = re.findall(r".{0,24}\bclean\b", text, re.IGNORECASE)
        allowed = ("not mean clean", "not proof of clean", "NOT PROOF OF A CLEAN", "Is it clean", "Clean")
        assert [claim for claim in claims if not claim.strip().endswith(allowed)] == []
        assert "spotless" not in text
    assert (NOTHING_SEEN in told) == (patches == 0)
    assert separating_test("water-drop").how in told


def test_shine_that_cannot_be_told_is_a_clear_request() -> None:
    told = words(page_of(fake_surface(())))
    assert "SHINE: CAN'T TELL. One photo from straight above can't show a film's shine." in told
    assert f"Please take {LOW_PHOTO}." in told
    judged = words(
        page_of(fake_surface((), gloss="judged", gloss_why="the low photo shows the whole window"))
    )
    assert "SHINE LOOKED FOR. The low photo shows the whole window." in judged
    assert LOW_PHOTO not in judged


def test_the_review_list_is_folded_away() -> None:
    unsure = fake_patch(square(0, 0, 20), sure=False, likely=0.4)
    text = page_of(fake_surface((unsure,)))
    folded = words("<body" + text[text.index("<details") : text.index("</details")])
    assert "Review list: 1 more" in folded
    assert "40 % likely" in folded
    assert NOTHING_SEEN in words(text)


def test_aggregate_is_told_with_intervals_sizes_and_evenness() -> None:
    stones = fake_aggregate(coarse_around90=(0.12, 0.33))
    told = words(page_of(fake_surface((), aggregate=stones)))
    for part in (
        "21 % (16 to 27 %)", "12 to 33 %", "34 % (27 to 42 %)", "4.75 mm 38 % (30 to 47 %)", "Uneven: between blocks",
        "not the sieve sizes of the mix", "60 particles outlined",
    ):  # fmt: skip
        assert part in told
    assert IMPLAUSIBLE not in told
    wild = fake_aggregate(coarse=fraction("coarse_fraction", 0.6, 0.5, 0.7), plausible=False)
    assert IMPLAUSIBLE in words(page_of(fake_surface((), aggregate=wild)))
    left = words(page_of(fake_surface((), aggregate=fake_aggregate(abstained=("few-valid",)))))
    assert "How much stone shows Can't tell." in left
    assert "21 %" not in left


def test_the_index_lists_what_asks_for_action_with_links() -> None:
    stained = record_of(
        fake_surface((fake_patch(square(0, 0, 20), "oil"),), gloss="judged"), capture="<b>bay 1"
    )
    bare = record_of(fake_surface(()), capture="south")
    text = index_page([stained, bare, assessed_record(fake_head(capture="old"), fake_result())], {})
    assert "%3Cb%3Ebay%201/page.html#patches" in Balance(text).addresses
    told = words(text)
    assert "To do on the floor: patches and shine" in told
    assert told.index("LOW PHOTO TOWARD THE LIGHT") < told.index("Assessed")
    assert "<b>bay 1 : patch 1 (oil?)" in told
    assert "south : shine not judged" in told
    assert "1 patch to test: 1 oil?" in told
    plain = words(index_page([assessed_record(fake_head(), fake_result())], {}))
    assert "patches and shine" not in plain
    assert "Clean and bare" not in plain


def test_an_estimated_capture_shows_its_patches_too() -> None:
    result = replace(fake_estimated_result("single", abstained=("estimate-wide",)), surface=fake_surface())
    told = words(capture_page(assessed_record(fake_head(), result), b"png", {}))
    assert "4 patches to test" in told
    assert "NO ESTIMATE" in told
