"""Gates: what may be entered after what, by whom and where; what is refused leaves the record as it was."""

from copy import deepcopy
from typing import Any

import pytest

from assessor.errors import BadEntry, GateClosed, NoJob, NotBlind
from assessor.job.book import JobBook
from assessor.job.chain import Stamp
from assessor.job.entries import (
    ContradictionClosed,
    Disturbed,
    HazardChecked,
    KeptClean,
    MockUpApproved,
    PatchResolved,
    PatchSeen,
    PlanDrawn,
    Refiled,
    ReworkDone,
    ReworkOrdered,
    ScaleAccepted,
    ScaleProposed,
    SignedOff,
    SpotRedrawn,
    SpreadDrawn,
    SuggestionShown,
    SystemNamed,
    Waived,
)
from assessor.job.gates import LEAD_ONLY, check_entry, enter
from assessor.job.plans import draw_again
from tests.job.site import (
    LEAD,
    SECOND,
    THIRD,
    Site,
    accepted_site,
    assessed,
    at,
    capture,
    file,
    opened,
    plan_of,
    prepared,
    read,
    spread_of,
    stamp,
    zone_laid_out,
)


def drawn_site(**opening: Any) -> Site:
    """Mock-up zone 1 with its four spots drawn: 1 to 3 at random, 4 the worst place."""
    site = Site(**opening)
    site.do_papers()
    site.do_work()
    return site


def refused(site: Site, content: Any, error: type[Exception], match: str, *who: Any, **more: Any) -> None:
    """The gates refuse it in these words, and nothing of the record changes."""
    before = deepcopy(vars(site.book))
    with pytest.raises(error, match=match):
        site.say(content, *who, **more)
    assert vars(site.book) == before
    assert len(site.entries) == len(site.book.notes)


# The job


def test_nothing_comes_before_the_job_is_opened_and_it_opens_once():
    with pytest.raises(NoJob, match="this job was never opened"):
        enter(JobBook(), zone_laid_out(), stamp(0), 1)
    refused(Site(), opened(), BadEntry, "the job 'Depot' is open already")


def test_every_entry_has_a_name():
    site = Site()
    nobody = Stamp("  ", "lead", "floor", at(1), 120, "assessor 0.6.0")
    with pytest.raises(BadEntry, match="the entry has no name"):
        check_entry(site.book, zone_laid_out(), nobody)


LEADS = [
    HazardChecked(hazard="asbestos-lead", cleared=True, how="x", surveyor="y"),
    SystemNamed(system="high-build", moisture="dry"),
    zone_laid_out(2),
    MockUpApproved(zone=1, side="client", name="x", on="2026-05-04"),
    ContradictionClosed(zone=1, spot=1, by="replica", stands_low=4, stands_high=4, why="w", document=file(1)),
    Waived(zone=1, what="overview", why="w"),
    ReworkOrdered(zone=1, lines=("again",)),
    SignedOff(zone=1),
    ScaleAccepted(scale=file(1), why="w"),
]


@pytest.mark.parametrize("content", LEADS, ids=lambda content: content.kind)
@pytest.mark.parametrize("role", ["crew", "trainer"])
def test_what_the_lead_answers_for_only_the_lead_enters(content, role):
    assert content.kind in LEAD_ONLY
    refused(drawn_site(), content, GateClosed, f"entered by the QA lead, not by the {role}", THIRD, role)


@pytest.mark.parametrize(
    "content",
    [prepared(9), Disturbed(zone=9, what="rain"), SignedOff(zone=9), KeptClean(zone=9, hours=1),
     capture("c", 9, 1, file(1)), Waived(zone=9, what="drops", why="w")],
    ids=lambda content: content.kind,
)  # fmt: skip
def test_a_zone_has_to_be_there(content):
    refused(drawn_site(), content, NoJob, "there is no zone 9 in this job")


# Papers and zones


def test_systems_and_methods_are_rows_of_our_tables():
    site = drawn_site()
    refused(
        site, SystemNamed(system="magic", moisture="dry"), BadEntry, "there is no system 'magic' in our table"
    )
    refused(site, zone_laid_out(2, method="magic"), BadEntry, "there is no method 'magic' in our table")
    site.say(zone_laid_out(2))
    site.do_mock_up()
    refused(site, prepared(2, method="magic"), BadEntry, "there is no method 'magic' in our table")
    refused(site, ReworkDone(zone=1, method="magic"), BadEntry, "there is no method 'magic' in our table")


@pytest.mark.parametrize("hazard", ["asbestos-lead", "buried-services"])
def test_no_cut_before_both_surveys_are_cleared(hazard):
    site = Site()
    site.say(zone_laid_out())
    words = {"asbestos-lead": "asbestos and lead", "buried-services": "cables, heating and tendons"}
    for each in words:
        cleared = HazardChecked(hazard=each, cleared=each != hazard, how="x", surveyor="y")  # type: ignore[arg-type]
        site.say(cleared)
    refused(
        site, prepared(), GateClosed, f"no cut before the survey for {words[hazard]} is entered as cleared"
    )
    site.say(HazardChecked(hazard=hazard, cleared=True, how="x", surveyor="y"))
    site.say(prepared())
    site.say(HazardChecked(hazard=hazard, cleared=False, how="found more", surveyor="y"))
    refused(site, ReworkDone(zone=1, method="shot-blast"), GateClosed, "no cut before the survey for")


def test_a_zone_refers_to_an_approved_mock_up():
    site = drawn_site()
    refused(
        site,
        zone_laid_out(2, mock_up_zone=3),
        BadEntry,
        "zone 3 is no mock-up, so zone 2 can not refer to it",
    )
    refused(site, zone_laid_out(2, mock_up_zone=2), BadEntry, "zone 2 is no mock-up")
    refused(
        site,
        zone_laid_out(2, mock_up_zone=1, is_mock_up=True),
        BadEntry,
        "is a mock-up itself and refers to none",
    )
    site.say(zone_laid_out(2))
    no_mock_up = "zone 2 refers to no mock-up that the client and the maker have approved"
    refused(site, prepared(2), GateClosed, no_mock_up)
    site.say(MockUpApproved(zone=1, side="client", name="x", on="2026-05-04"))
    refused(site, prepared(2), GateClosed, no_mock_up)
    refused(
        site,
        MockUpApproved(zone=2, side="client", name="x", on="2026-05-04"),
        BadEntry,
        "zone 2 is no mock-up",
    )
    site.say(MockUpApproved(zone=1, side="maker", name="x", on="2026-05-04"))
    site.say(ReworkDone(zone=1, spots=(2,), method="shot-blast"))
    refused(site, prepared(2), GateClosed, no_mock_up)
    site.say(Waived(zone=2, what="mock-up", why="same machine as last week"))
    site.say(prepared(2))


def test_a_mock_up_is_approved_when_there_is_something_to_see():
    site = Site()
    site.say(zone_laid_out())
    approved = MockUpApproved(zone=1, side="client", name="x", on="2026-05-04")
    refused(
        site, approved, GateClosed, "no work is entered in mock-up zone 1, so there is nothing to approve"
    )


def test_an_outline_stands_once_there_is_work():
    site = Site()
    site.do_papers()
    site.say(zone_laid_out(area_m2=30, length_m=6, width_m=5))
    site.say(zone_laid_out())
    assert site.book.zones[1].laid_out.area_m2 == 20
    site.say(prepared())
    refused(
        site,
        zone_laid_out(),
        GateClosed,
        "work is entered in zone 1: its outline stands; lay out a further zone",
    )


# Work and plans


def test_work_on_a_lot_with_spots_is_rework_and_the_zone_is_prepared_once():
    site = drawn_site()
    refused(
        site,
        prepared(),
        GateClosed,
        "the spots of zone 1, lot 1, are drawn: enter further work on it as rework",
    )
    refused(site, prepared(lot=2), GateClosed, "makes 40 m2 of work in zone 1, which has 20 m2")
    site.say(prepared(lot=2, area_m2=3))


def test_passes_over_a_lot_are_one_lot_told_by_the_last():
    site = Site()
    site.do_papers()
    site.say(zone_laid_out())
    site.say(prepared(method="scarifying", machine="scarifier"))
    site.say(prepared(method="shot-blast", area_m2=4))
    site.say(plan_of(site.book, 1, 1))
    assert site.codes().count("part-prepared") == 0
    random = [placed.drawn for placed in site.book.zones[1].spots.values() if placed.drawn.role == "random"]
    assert max(spot.x_m or 0 for spot in random) > 2
    refused(
        site, plan_of(site.book, 1, 1), GateClosed, "the spots of zone 1, lot 1, are drawn already and stay"
    )


def test_spots_are_the_ones_that_the_tool_draws():
    site = Site()
    site.do_papers()
    site.say(zone_laid_out())
    site.say(prepared())
    plan = plan_of(site.book, 1, 1)
    refused(site, plan.model_copy(update={"lot": 2}), GateClosed, "no work is entered for zone 1, lot 2")
    not_drawn = "these are not the spots that the tool draws for this lot from this seed"
    first, *others = plan.spots
    for spots in (
        plan.spots[:2],
        plan.spots[:3],
        plan.spots[3:],
        (*plan.spots[:2], plan.spots[3]),
        (first.model_copy(update={"x_m": 0.5}), *others),
        (first.model_copy(update={"where": "by the door, where it is smooth"}), *others),
        (first.model_copy(update={"role": "worst"}), *others),
        (first.model_copy(update={"spot": 9}), *others),
        tuple(spot.model_copy(update={"effort": "quick"}) for spot in plan.spots),
    ):
        refused(site, plan.model_copy(update={"spots": spots}), BadEntry, not_drawn)
    refused(site, plan.model_copy(update={"seed": 8}), BadEntry, not_drawn)
    refused(
        site,
        plan.model_copy(update={"spots": (first, first)}),
        BadEntry,
        "a spot number of zone 1 would be given",
    )
    more = tuple(spot.model_copy(update={"effort": "measured"}) for spot in plan.spots)
    site.say(plan.model_copy(update={"spots": more}))


def test_a_spot_is_drawn_again_only_by_the_tool_and_only_until_it_was_shot():
    site = drawn_site()
    place, attempt = draw_again(site.book, 1, 1)
    again = SpotRedrawn(zone=1, lot=1, place=place, attempt=attempt, why="a column")
    not_next = "this is not the place that the tool draws next for spot 1"
    refused(site, again.model_copy(update={"attempt": 2}), BadEntry, not_next)
    moved = again.model_copy(update={"place": place.model_copy(update={"x_m": 0.3})})
    refused(site, moved, BadEntry, not_next)
    refused(site, again.model_copy(update={"lot": 2}), NoJob, "there is no spot 1 in zone 1, lot 2")
    worst = place.model_copy(update={"role": "worst"})
    refused(site, again.model_copy(update={"place": worst}), BadEntry, "a spot drawn again keeps its role")
    site.crew(again)
    assert site.book.zones[1].spots[1].drawn == place
    refused(site, again, BadEntry, not_next)
    site.do_read(1, 1)
    place, attempt = draw_again(site.book, 1, 1)
    late = SpotRedrawn(zone=1, lot=1, place=place, attempt=attempt, why="do not like it")
    refused(site, late, GateClosed, "spot 1 was shot or read already: it stays where it is")
    site.do_shot(1, 2)
    place, attempt = draw_again(site.book, 1, 2)
    late = SpotRedrawn(zone=1, lot=1, place=place, attempt=attempt, why="do not like it")
    refused(site, late, GateClosed, "spot 2 was shot or read already")


def test_neighbours_are_drawn_by_the_tool_for_a_spot_that_failed():
    site = drawn_site()
    told = SpreadDrawn(zone=1, lot=1, failed_spot=2, spots=(), blocked=("along",))
    refused(site, told, GateClosed, "spot 2 has not failed, so there is nothing to follow up")
    refused(site, told.model_copy(update={"failed_spot": 9}), NoJob, "there is no spot 9 in zone 1")
    site.do_read(1, 2, 2)
    spread = spread_of(site.book, 1, 2)
    not_next = "these are not the neighbours that the tool draws next for spot 2"
    first, *others = spread.spots
    refused(site, spread.model_copy(update={"spots": (first,)}), BadEntry, not_next)
    refused(site, spread.model_copy(update={"spots": ()}), BadEntry, not_next)
    refused(site, spread.model_copy(update={"lot": 2}), BadEntry, not_next)
    for change in ({"role": "random"}, {"spread_from": 1}, {"x_m": 0.3}, {"direction": None}):
        spots = (first.model_copy(update=change), *others)
        refused(site, spread.model_copy(update={"spots": spots}), BadEntry, not_next)
    doubled = spread.model_copy(update={"spots": (first.model_copy(update={"spot": 1}), *others)})
    refused(site, doubled, BadEntry, "a spot number of zone 1 would be given twice")
    site.crew(spread)
    refused(site, spread_of(site.book, 1, 2), BadEntry, not_next)
    site.do_read(1, first.spot, 2)
    of_neighbour = SpreadDrawn(zone=1, lot=1, failed_spot=first.spot, spots=(), blocked=("along",))
    refused(site, of_neighbour, GateClosed, f"spot {first.spot} is a neighbour: follow up spot 2")
    placed = site.book.zones[1].spots[others[0].spot].drawn
    again = SpotRedrawn(zone=1, lot=1, place=placed, attempt=1, why="a column")
    refused(site, again, BadEntry, "is a neighbour of a failed one: say that its direction is blocked")


def test_neighbours_want_a_range_to_judge_by():
    site = Site()
    site.do_papers(csp=None)
    site.do_work()
    site.do_read(1, 2, 2)
    told = SpreadDrawn(zone=1, lot=1, failed_spot=2, spots=(), blocked=("along",))
    refused(site, told, NoJob, "or no range to judge it by")


# Captures, overviews, patches


def test_a_capture_is_filed_once():
    site = drawn_site()
    photo = site.new_file()
    site.crew(capture("c", 1, 1, photo))
    refused(site, capture("c", 1, 2, site.new_file()), BadEntry, "capture 'c' is in the record already")
    again = capture("d", 1, 2, photo)
    refused(
        site, again, BadEntry, "in the record already as capture 'c': if they belong elsewhere, re-file it"
    )
    # One photo more is another capture: photos that were put together wrongly can be filed anew.
    site.crew(again.model_copy(update={"photos": (photo, site.new_file())}))
    site.do_overview()
    name = next(iter(site.book.overviews))
    refused(site, capture(name, 1, 1, site.new_file()), BadEntry, "is in the record already")


def test_an_overview_has_a_name_of_its_own():
    site = drawn_site()
    name = site.do_shot(1, 1)
    overview = site.do_overview()
    for taken in (name, overview):
        content = site.book.overviews[overview].content.model_copy(update={"capture": taken})
        refused(site, content, BadEntry, f"overview '{taken}' is in the record already")


@pytest.mark.parametrize(
    "content",
    [
        assessed("none", "in", file(1)),
        Refiled(capture="none", zone=1, spot=1, phase="after", round=1, why="w"),
    ],
    ids=lambda content: content.kind,
)
def test_a_capture_has_to_be_there(content):
    refused(drawn_site(), content, NoJob, "there is no capture 'none' in this job")


def test_only_open_patches_are_resolved_and_only_the_lead_waives_one():
    site = drawn_site()
    name = site.do_shot(1, 1, patches=(PatchSeen(patch=2, cause="damp"),))
    done = PatchResolved(zone=1, capture=name, patch=2, how="retested", why="a drop went in")
    refused(site, done.model_copy(update={"patch": 1}), NoJob, f"{name} has no open patch 1 in zone 1")
    waived = done.model_copy(update={"how": "waived"})
    refused(site, waived, GateClosed, "a patch is waived by the QA lead", THIRD, "crew")
    site.crew(done)
    refused(site, done, NoJob, "has no open patch 2")
    site.do_assess(name, patches=(PatchSeen(patch=2, cause="damp"),))
    site.say(waived)


# Readings


def test_a_chip_is_read_at_the_floor_with_the_jobs_chips():
    site = drawn_site()
    reading = read(1, 1, site.new_file())
    refused(
        site, reading, GateClosed, "kneeling at the spot with the chip on the concrete", LEAD, "lead", "desk"
    )
    refused(
        site,
        read(1, 9, site.new_file()),
        NoJob,
        "there is no spot 9 in zone 1: only spots that the tool drew",
    )
    nine = read(1, 1, site.new_file(), edition="nine-chip")
    refused(site, nine, BadEntry, "the job reads the ten-chip set, this is a chip of the nine-chip set")


def test_a_set_has_no_more_chips_than_it_has():
    site = drawn_site(edition="nine-chip")
    for low, high in ((10, 10), (9, 10)):
        over = read(1, 1, site.new_file(), low, high, edition="nine-chip")
        refused(site, over, BadEntry, "the nine-chip set has no chip 10")
    ten = read(1, 1, site.new_file())
    refused(site, ten, BadEntry, "the job reads the nine-chip set, this is a chip of the ten-chip set")
    site.say(read(1, 1, site.new_file(), 9, edition="nine-chip"))


def test_every_reading_has_a_photo_of_its_own():
    site = drawn_site()
    own = site.do_read(1, 1).photo
    name, overview = site.do_shot(1, 1), site.do_overview()
    sheet: Any = site.book.data_sheet.content
    photos = [
        own, own.model_copy(update={"name": "renamed.jpg"}), site.book.captures[name].content.photos[0],
        site.book.overviews[overview].content.photos[0], sheet.document,
    ]  # fmt: skip
    for photo in photos:
        refused(site, read(1, 2, photo), BadEntry, "each reading needs its own photo of chip and floor")


@pytest.mark.parametrize("name", [LEAD, LEAD.upper(), f"  {LEAD.replace(' ', '   ')} "])
def test_who_has_seen_the_suggestion_reads_no_more_however_the_name_is_typed(name):
    site = drawn_site()
    site.do_shot(1, 1)
    site.say(SuggestionShown(zone=1, spot=1))
    seen = r"has seen the suggestion for zone 1, spot 1"
    refused(site, read(1, 1, site.new_file()), NotBlind, seen, name)
    site.do_read(1, 2)
    site.do_read(1, 1, who=SECOND)
    site.say(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    site.do_read(1, 1)


def test_a_suggestion_seen_goes_with_its_capture():
    site = drawn_site()
    name = site.do_shot(1, 1)
    site.say(SuggestionShown(zone=1, spot=1))
    site.crew(Refiled(capture=name, zone=1, spot=2, phase="after", round=1, why="wrong tag"))
    for spot in (1, 2):
        refused(site, read(1, spot, site.new_file()), NotBlind, f"for zone 1, spot {spot}")
    site.do_read(1, 3)
    refused(site, SuggestionShown(zone=1, spot=50), NoJob, "there is no spot 50 in zone 1")


# Contradictions


def disputed_site() -> Site:
    """Spot 1 was read 4 by the lead; the tool says it is too smooth."""
    site = drawn_site()
    site.do_read(1, 1, 4)
    site.do_shot(1, 1, "short")
    assert site.standing().spots[0].status == "contradicted"
    return site


def closed(by: str = "second-reader", grade: int = 4, **more: Any) -> ContradictionClosed:
    return ContradictionClosed(
        zone=1,
        spot=1,
        by=by,
        stands_low=grade,
        stands_high=grade,
        why="looked again",
        **more,  # type: ignore[arg-type]
    )


def test_a_second_reader_closes_only_where_two_agree():
    site = disputed_site()
    refused(site, closed(), GateClosed, "only where two agree; 1 reader agrees with chip 4")
    refused(site, closed(grade=2), GateClosed, "only where two agree; 0 readers agree with chip 2")
    site.do_read(1, 1, 4)
    refused(site, closed(), GateClosed, "1 reader agrees with chip 4")
    site.do_read(1, 1, 2, who=SECOND)
    refused(site, closed(), GateClosed, "1 reader agrees with chip 4")
    site.do_read(1, 1, 2, who=THIRD)
    refused(site, closed(), GateClosed, "1 reader agrees with chip 4")
    site.say(closed(grade=2))
    assert site.standing().spots[0].status == "short"


def test_the_same_reader_under_another_spelling_is_no_second_reader():
    site = disputed_site()
    site.say(read(1, 1, site.new_file()), LEAD.upper())
    refused(site, closed(), GateClosed, "1 reader agrees with chip 4")


def test_two_who_read_far_apart_do_not_agree_though_both_lie_in_the_range():
    site = drawn_site()
    site.say(
        site.book.data_sheet.content.model_copy(
            update={"csp_low": 3, "csp_high": 8, "document": site.new_file()}
        )
    )
    site.do_read(1, 1, 3)
    site.do_read(1, 1, 7, who=SECOND)
    refused(site, closed(grade=3), GateClosed, "1 reader agrees with chip 3")
    site.do_read(1, 1, 4, who=THIRD)
    site.say(closed(grade=3))


@pytest.mark.parametrize("by", ["replica", "pull-off"])
def test_a_replica_or_a_pull_off_has_its_own_report_and_a_reading_beside_it(by):
    site = disputed_site()
    refused(
        site, closed(by), BadEntry, f"a {by} closes a contradiction only with its photo or report on file"
    )
    photo = site.book.readings[1, 1][0].content.photo
    refused(site, closed(by, document=photo), BadEntry, "the report has to be its own")
    report = site.new_file()
    site.say(closed(by, 4, document=report))
    assert site.standing().spots[0].status == "in"
    assert site.standing().spots[0].closed_by == by


def test_what_nobody_read_never_brings_a_spot_into_the_range():
    site = drawn_site()
    site.do_read(1, 1, 2)
    site.do_shot(1, 1, "in")
    refused(
        site, closed("replica", 4, document=site.new_file()), GateClosed, "nobody read chip 4 at the floor"
    )
    site.say(closed("replica", 1, document=site.new_file()))
    assert site.standing().spots[0].status == "short"


def test_only_an_open_contradiction_is_closed():
    site = disputed_site()
    between = ContradictionClosed(
        zone=1, spot=1, by="replica", stands_low=3, stands_high=5, why="w", document=site.new_file()
    )
    refused(site, between, BadEntry, "what stands is one chip, or between two neighbours")
    refused(
        site, closed().model_copy(update={"spot": 2}), GateClosed, "zone 1, spot 2 has no open contradiction"
    )
    refused(site, closed().model_copy(update={"spot": 9}), NoJob, "there is no spot 9 in zone 1")
    site.do_read(1, 1, 4, who=SECOND)
    site.say(closed())
    refused(site, closed(), GateClosed, "zone 1, spot 1 has no open contradiction")


# Rework, clean log, sign-off, scale


def test_rework_names_spots_that_are_there_and_follows_work():
    site = drawn_site()
    refused(
        site, ReworkOrdered(zone=1, spots=(1, 9), lines=("again",)), NoJob, "there is no spot 9 in zone 1"
    )
    refused(site, ReworkDone(zone=1, spots=(9,), method="grinding"), NoJob, "there is no spot 9 in zone 1")
    site.say(zone_laid_out(2))
    refused(
        site,
        ReworkDone(zone=2, method="shot-blast"),
        GateClosed,
        "no work is entered in zone 2, so nothing was",
    )


def test_a_look_holds_no_longer_than_the_job_allows():
    site = drawn_site(clean_hours=12)
    refused(site, KeptClean(zone=1, hours=13), BadEntry, "holds 12 hours at most in this job")
    site.crew(KeptClean(zone=1, hours=12))


def test_a_sign_off_says_what_is_missing_first_and_how_much_more():
    site = drawn_site()
    site.do_spots()
    more = (
        r"zone 1 can not be signed off: No overview since the last work: walk .* \(and 2 more\); do and enter"
    )
    refused(site, SignedOff(zone=1), GateClosed, more)
    site.do_overview()
    site.do_clean()
    refused(
        site,
        SignedOff(zone=1),
        GateClosed,
        r"signed off: The mock-up needs the approval .* maker; do and enter",
    )


def test_only_a_scale_that_was_proposed_here_is_accepted():
    site = accepted_site()
    scale = site.new_file()
    taken = ScaleAccepted(scale=scale, why="fits this aggregate")
    refused(
        site, taken, GateClosed, "only a scale that was proposed here, with its differences, can be accepted"
    )
    site.crew(
        ScaleProposed(
            scale=scale, derived_from="prior", n_readings=12, differences=("CSP 3: 0.21 -> 0.24 mm",)
        )
    )
    site.say(taken)
    assert [note.content for note in site.book.scales] == [taken]


def test_a_plan_of_two_zones_numbers_each_zone_from_one():
    site = accepted_site()
    site.do_work(2)
    plan: Any = next(note.content for note in site.book.zones[2].of(PlanDrawn))
    assert [spot.spot for spot in plan.spots] == [1, 2, 3, 4]
