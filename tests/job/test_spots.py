"""Spots: which readings count, what contradicts what, and what ends a contradiction."""

from typing import Any

import pytest

from assessor.job.entries import Assessed, ContradictionClosed, Refiled, ReworkDone, SuggestionShown
from assessor.job.spots import SpotState, tool_says
from assessor.job.statistics import place_of
from assessor.values import TargetRange
from tests.job.site import LEAD, SECOND, THIRD, Site

RANGE = TargetRange(3, 5)


def drawn_site() -> Site:
    """Mock-up zone 1 with its four spots drawn, for a range of CSP 3-5."""
    site = Site()
    site.do_papers()
    site.do_work()
    return site


def spot(site: Site, number: int = 1) -> SpotState:
    """A spot of zone 1 now."""
    return next(state for state in site.standing().spots if state.spot == number)


def close(site: Site, grade: int, by: str = "second-reader", **more: Any) -> None:
    site.say(
        ContradictionClosed(
            zone=1, spot=1, by=by, stands_low=grade, stands_high=grade, why="looked again", **more
        )  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("low", "high", "where"),
    [
        (2, 2, "short"),
        (2, 3, "short"),
        (3, 3, "in"),
        (3, 4, "in"),
        (5, 5, "in"),
        (5, 6, "over"),
        (6, 6, "over"),
    ],
)
def test_between_two_chips_lies_in_the_range_only_with_both(low, high, where):
    assert place_of(low, high, RANGE) == where
    site = drawn_site()
    site.do_read(1, 1, low, high=high)
    assert spot(site).status == where
    assert spot(site).stands == (low, high)


def test_a_suggestion_alone_is_no_reading():
    site = drawn_site()
    site.do_shot(1, 1, "in")
    assert spot(site).status == "unread"
    assert spot(site).tool is not None
    assert spot(site).readers == ()


def test_readings_before_the_last_rework_do_not_count():
    site = drawn_site()
    site.do_read(1, 1, 4)
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert spot(site).status == "unread"
    assert spot(site).round == 2
    site.do_read(1, 1, 4)
    assert spot(site).status == "in"


def test_a_reading_counts_no_more_when_its_reader_had_seen_the_capture_that_came_to_the_spot():
    site = drawn_site()
    name = site.do_shot(1, 2)
    site.say(SuggestionShown(zone=1, spot=2))
    site.do_read(1, 1)
    assert spot(site).status == "in"
    site.crew(Refiled(capture=name, zone=1, spot=1, phase="after", round=1, why="wrong tag"))
    assert spot(site).status == "unread"
    assert spot(site).readers == ()
    site.do_read(1, 1, who=SECOND)
    assert spot(site).readers == (SECOND,)


@pytest.mark.parametrize(
    ("says", "chip", "apart"),
    [
        ("in", 4, False), ("in", 2, True), ("in", 6, True), ("short", 4, True), ("short", 2, False), ("over", 4, True),
        ("over", 7, False), ("unsure", 4, False), ("unsure", 3, False), ("unsure", 2, True), ("refused", 2, False),
        ("short", 1, False), ("over", 9, True),
    ],
)  # fmt: skip
@pytest.mark.parametrize("read_first", [True, False])
def test_tool_and_reader_contradict_across_a_limit_or_more_than_one_grade_apart(
    says, chip, apart, read_first
):
    site = drawn_site()
    if read_first:
        site.do_read(1, 1, chip)
        site.do_shot(1, 1, says)
    else:
        site.do_shot(1, 1, says)
        site.do_read(1, 1, chip)
    assert (spot(site).status == "contradicted") == apart
    assert (spot(site).contradiction is not None) == apart


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [((4, 4), (5, 5), False), ((3, 3), (5, 5), True), ((3, 4), (5, 5), True), ((4, 4), (4, 5), False),
     ((3, 3), (2, 3), True), ((5, 5), (6, 6), True), ((2, 2), (1, 1), False)],
)  # fmt: skip
def test_readers_contradict_across_a_limit_or_more_than_one_grade_apart(one, other, apart):
    site = drawn_site()
    site.do_read(1, 1, one[0], high=one[1])
    site.do_read(1, 1, other[0], who=SECOND, high=other[1])
    assert (spot(site).status == "contradicted") == apart
    if apart:
        assert LEAD in (spot(site).contradiction or "")
        assert SECOND in (spot(site).contradiction or "")


def test_a_measurement_speaks_before_an_estimate_and_the_newest_of_its_kind():
    site = drawn_site()
    site.do_shot(1, 1, "over", kind="estimate")
    first = site.do_shot(1, 1, "short", kind="torch")
    site.do_shot(1, 1, "over", kind="estimate")
    told = tool_says(site.book, 1, 1)
    assert told is not None
    assert (told.capture, told.side, told.best) == (first, "short", 2)
    second = site.do_shot(1, 1, "in", kind="angles")
    told = tool_says(site.book, 1, 1)
    assert told is not None
    assert (told.capture, told.side) == (second, "in")


def test_a_call_for_another_shot_takes_no_side():
    site = drawn_site()
    name = site.do_shot(1, 1, "unsure")
    told = tool_says(site.book, 1, 1)
    assert told is not None
    assert (told.side, told.best) == (None, 4)
    blank = Assessed(capture=name, key="k2", status="assessed", capture_kind="single", record=site.new_file())
    site.crew(blank)
    told = tool_says(site.book, 1, 1)
    assert told is not None
    assert (told.side, told.best) == (None, None)


# What ends a contradiction


def dodge_read_again(site: Site) -> None:
    site.do_read(1, 1, 2)


def dodge_shoot_again(site: Site) -> None:
    site.do_shot(1, 1, "in")


def dodge_assess_again(site: Site) -> None:
    site.do_assess(next(iter(site.book.captures)), "in")


def dodge_refuse(site: Site) -> None:
    site.do_assess(next(iter(site.book.captures)), "refused")


@pytest.mark.parametrize("dodge", [dodge_read_again, dodge_shoot_again, dodge_assess_again, dodge_refuse])
def test_a_contradiction_with_the_tool_ends_only_by_a_closing_entry(dodge):
    site = drawn_site()
    site.do_read(1, 1, 4)
    site.do_shot(1, 1, "short")
    dodge(site)
    assert spot(site).status == "contradicted"
    site.do_read(1, 1, 4, who=SECOND)
    site.do_read(1, 1, 4, who=THIRD)
    assert spot(site).status == "contradicted"
    close(site, 4)
    assert spot(site).status == "in"
    assert spot(site).contradiction is None
    assert spot(site).closed_by == "second-reader"


def test_a_contradiction_between_readers_does_not_end_by_one_of_them_giving_way():
    site = drawn_site()
    site.do_read(1, 1, 2)
    site.do_read(1, 1, 4, who=SECOND)
    site.do_read(1, 1, 4)
    assert spot(site).status == "contradicted"
    close(site, 4)
    assert spot(site).status == "in"


def test_a_wrong_tag_is_no_contradiction_once_it_is_mended():
    site = drawn_site()
    site.do_read(1, 1, 4)
    name = site.do_shot(1, 1, "short")
    assert spot(site).status == "contradicted"
    site.crew(Refiled(capture=name, zone=1, spot=2, phase="after", round=1, why="wrong tag"))
    assert spot(site).status == "in"


def test_what_comes_after_a_closing_entry_is_held_against_what_stands():
    site = drawn_site()
    site.do_read(1, 1, 2)
    site.do_read(1, 1, 4, who=SECOND)
    site.do_read(1, 1, 4, who=THIRD)
    close(site, 4)
    site.do_read(1, 1, 5, who="Ute Invented")
    assert spot(site).status == "in"
    assert spot(site).stands == (5, 5)
    site.do_read(1, 1, 2, who="Vic Invented")
    assert spot(site).status == "contradicted"
    assert "chip 4 stood" in (spot(site).contradiction or "")


def test_the_same_word_of_the_tool_told_again_by_a_later_version_reopens_nothing():
    site = drawn_site()
    site.do_read(1, 1, 4)
    name = site.do_shot(1, 1, "short")
    site.do_read(1, 1, 4, who=SECOND)
    close(site, 4)
    site.do_assess(name, "short")
    assert spot(site).status == "in"
    site.do_read(1, 1, 4, who=THIRD)
    assert spot(site).status == "in"
    site.do_shot(1, 1, "short")
    assert spot(site).status == "contradicted"
    assert "chip 4 stood" in (spot(site).contradiction or "")


def test_an_overruled_word_of_the_tool_that_comes_back_is_nothing_new():
    site = drawn_site()
    site.do_read(1, 1, 4)
    site.do_shot(1, 1, "short")
    site.do_read(1, 1, 4, who=SECOND)
    close(site, 4)
    newer = site.do_shot(1, 1, "in")
    assert spot(site).status == "in"
    # The newer photos turn out to be no good, so the older word is the tool's again.
    site.do_assess(newer, "refused")
    assert spot(site).tool is not None
    assert spot(site).status == "in"
    site.do_read(1, 1, 4, who=THIRD)
    assert spot(site).status == "in"


def test_a_second_readers_closing_does_not_hold_when_one_of_the_two_had_seen_the_suggestion():
    site = drawn_site()
    seen = site.do_shot(1, 2, "in")
    site.say(SuggestionShown(zone=1, spot=2), SECOND)
    site.do_read(1, 1, 4)
    site.do_read(1, 1, 4, who=SECOND)
    site.do_shot(1, 1, "short")
    close(site, 4)
    assert spot(site).status == "in"
    site.crew(Refiled(capture=seen, zone=1, spot=1, phase="after", round=1, why="wrong tag"))
    assert spot(site).status == "contradicted"


def test_a_closing_entry_of_another_round_closes_nothing():
    site = drawn_site()
    site.do_read(1, 1, 4)
    site.do_shot(1, 1, "short")
    site.do_read(1, 1, 4, who=SECOND)
    close(site, 4)
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    site.do_read(1, 1, 4)
    site.do_shot(1, 1, "short")
    assert spot(site).status == "contradicted"


def test_contradictions_are_told_in_words_that_a_foreman_gets():
    site = drawn_site()
    site.do_read(1, 1, 4)
    site.do_shot(1, 1, "short")
    assert spot(site).contradiction == f"{LEAD} read chip 4, the tool suggests CSP 2, too smooth"
    site = drawn_site()
    site.do_shot(1, 1, "unsure")
    site.do_read(1, 1, 2, high=3)
    said = f"{LEAD} read between 2 and 3, the tool suggests CSP 4, it can't tell the side"
    assert spot(site).contradiction == said


def test_rounds_that_failed_are_kept_and_what_was_overruled_did_not_fail():
    site = drawn_site()
    site.do_read(1, 1, 2)
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    site.do_read(1, 1, 4)
    site.do_read(1, 2, 2)
    site.do_read(1, 2, 4, who=SECOND)
    site.do_read(1, 2, 4, who=THIRD)
    assert spot(site).failed_in_round == (1,)
    assert spot(site, 2).failed_in_round == (1,)
    site.say(ContradictionClosed(zone=1, spot=2, by="second-reader", stands_low=4, stands_high=4, why="two"))
    assert spot(site, 2).failed_in_round == ()
