"""The rework list as text and page: what a foreman reads, cautions beside each line, nothing from outside."""

import re

import pytest

from assessor.errors import TooFewPhotos
from assessor.job.findings import Finding, findings_of_overview, findings_of_zone
from assessor.job.rework import ReworkContext, advise
from assessor.report.record import failed_record, refused_record
from assessor.report.record_overview import OverviewHead, overview_record
from assessor.report.rework_page import rework_page
from assessor.report.words_rework import SheetHead, line_words, rework_text, spot_findings, zone_findings
from assessor.values import TargetRange
from tests.fakes import fake_head
from tests.job.fake_overview import fake_overview
from tests.report.test_record import record

HEAD = SheetHead(
    "Hall 4 <east>", "zone 2", "CSP 2-3", "walk-behind grinder", "A. Example", "2026-11-26", "INVENTED JOB"
)
FOUND = (
    Finding("short", "zone 2, spot 7", "95 % likely"),
    Finding("over", "zone 2, spot 3"),
    Finding("oil", "zone 2, spot 7: about 30 cm left of the card's middle", "about 9 cm²", 0.6, "water-drop"),
    Finding("dust", "zone 2, spot 9"),
)


@pytest.fixture(scope="module")
def lines():
    return advise(FOUND, "grinding", ReworkContext(TargetRange(2, 3), system="thin-film"))


def test_the_sheet_is_numbered_in_the_order_of_work_with_all_parts(lines):
    text = rework_text(lines, HEAD)
    assert re.findall(r"^(\d)\. (.+)$", text, re.MULTILINE) == [
        ("1", "STOP HERE: too rough"),
        ("2", "DEGREASE: oil or grease"),
        ("3", "CUT: too smooth"),
        ("4", "VACUUM LAST: dust or dried slurry"),
    ]
    assert text.startswith("REWORK LIST: Hall 4 <east>, zone 2\nINVENTED JOB\nRange: CSP 2-3.")
    for label in ("Where:", "What:", "How:", "Then:", "Mind:"):
        assert text.count(f"   {label}") == 4
    assert "Line 2 done and tested. Nothing is cut into oil." in text
    assert "On the places of line 1: too rough already." in text
    assert "after 24 hours" in text
    assert "data sheet governs" in text
    assert max(len(row) for row in text.splitlines()[3:]) <= 100


def test_cautions_stand_beside_each_line_and_in_full_once(lines):
    text = " ".join(rework_text(lines, HEAD).split())
    assert text.count("silica dust: collector or water") + text.count("Silica dust: collector or water") == 3
    assert text.count("Cutting concrete makes silica dust that harms the lungs") == 1
    for word in (
        "hearing protection",
        "never into drains",
        "machines off and floor vacuumed",
        "exhaust kills",
    ):
        assert word in text


def test_every_line_has_its_source_on_the_sheet(lines):
    for words in (rework_text(lines, HEAD), rework_page(lines, HEAD)):
        told = " ".join(words.split())
        for number in range(1, 5):
            assert f"{number}: common practice (" in told
        assert "keep the floor clean and closed until the product is down" in told


def test_nothing_to_do_is_never_called_good():
    for words in (rework_text((), HEAD), rework_page((), HEAD)):
        assert "not proof of a good floor" in words
    assert (
        rework_text(())
        == "Nothing to rework showed. That is not proof of a good floor: the chip and the tests decide."
    )


def test_the_page_stands_alone_in_black_and_white_and_holds_what_the_text_holds(lines):
    page = rework_page(lines, HEAD)
    assert "Hall 4 &lt;east&gt;" in page
    assert not re.search(r"https?://|<script|<link|src=", page)
    colours = set(re.findall(r"#[0-9a-fA-F]{3,6}\b", page))
    assert colours <= {"#000", "#fff", "#777"}
    assert "@page" in page
    assert "INVENTED JOB" in page
    for line in lines:
        assert line.places[0][1:14] in page  # the first letter is a capital there
    assert page.count('class="line"') == 4
    assert page.count("tested again after 24 h") == 1


def test_words_of_an_entry_name_place_and_cautions(lines):
    words = line_words(lines[1])
    assert words.startswith("DEGREASE: oil or grease. Where: Zone 2, spot 7")
    assert "Mind: " in words


def test_an_entry_leaves_out_places_and_never_a_caution():
    many = [Finding("oil", f"zone 2, spot {n}: about 30 cm left of the card's middle") for n in range(1, 41)]
    (line,) = advise(many, "grinding", ReworkContext(TargetRange(2, 3)))
    words = line_words(line)
    assert len(words) <= 2000
    kept = words.count("about 30 cm left")
    assert 1 < kept < 40
    assert f"and {40 - kept} more on the sheet" in words
    assert all(caution.short in words or caution.short.capitalize() in words for caution in line.cautions[1:])
    with pytest.raises(ValueError, match="more than 100"):
        line_words(line, at_most=100)


def test_stored_records_give_the_same_findings_as_the_pipeline():
    overview = fake_overview()
    head = OverviewHead("0", "now", "0" * 64, "rendered", False, "scarified", (4.0, 3.0))
    stored = overview_record(head, overview, ())
    ours = findings_of_zone(zone_findings(stored, "zone 2"))
    direct = findings_of_overview(overview, "zone 2")
    assert [one.code for one in ours] == [one.code for one in direct]
    assert [one.where for one in ours if "strip" in one.where] == [
        one.where for one in direct if "strip" in one.where
    ]
    assert ours[-1].where.endswith(
        "seen from the middle of sheet 3"
    )  # a record doesn't hold the zone's corner


def test_a_stored_capture_gives_verdict_direction_and_no_process_of_its_own():
    seen = spot_findings(record(), "zone 2, spot 7", process="scarified")
    verdict = record().suggestion.verdict
    assert (seen.call, seen.p_short, seen.p_over) == (verdict.call, verdict.p_short, verdict.p_over)
    assert seen.process == "scarified"
    assert seen.why_not is None


def test_a_capture_that_gave_nothing_asks_for_the_spot_again():
    refused = spot_findings(
        refused_record(fake_head(), (), TooFewPhotos("2 photos, 4 are needed")), "zone 2, spot 7"
    )
    assert refused.call is None
    assert refused.why_not.startswith("Take the spot again: ")
    assert "4 are needed" in refused.why_not
    failed = spot_findings(failed_record(fake_head(), "it broke"), "zone 2, spot 7")
    assert failed.why_not == "Take the spot again, as the guide shows"
