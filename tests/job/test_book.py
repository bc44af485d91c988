"""The book: where a capture lies, which round a spot is in, who has seen what, and which patches are open."""

from assessor.job.book import JobBook
from assessor.job.entries import (
    OverviewFiled,
    OverviewRefiled,
    PatchResolved,
    PatchSeen,
    Refiled,
    ReworkDone,
    SuggestionShown,
    Waived,
)
from assessor.job.plans import lot_of, next_neighbours
from assessor.job.spots import tool_says
from tests.job.site import LEAD, SECOND, THIRD, Site, accepted_site, capture, prepared, read, zone_laid_out

DAMP = PatchSeen(patch=1, cause="damp", area_mm2=300)


def two_zones() -> Site:
    """Two zones with their spots drawn."""
    site = Site()
    site.do_papers()
    site.do_work()
    site.do_mock_up()
    site.do_work(2)
    return site


def refiled(name: str, zone: int, spot: int, round: int = 1) -> Refiled:
    return Refiled(capture=name, zone=zone, spot=spot, phase="after", round=round, why="tag of another zone")


def test_a_record_read_again_gives_the_same_book():
    site = accepted_site()
    assert vars(JobBook(site.entries)) == vars(site.book)
    assert site.book.last is not None
    assert site.book.last.number == len(site.entries)


def test_a_wrong_tag_is_mended_with_all_that_hangs_on_the_capture():
    site = two_zones()
    name = site.do_shot(1, 1, "short", patches=(DAMP,))
    assert [patch for _, patch in site.book.open_patches(1)] == [DAMP]
    site.crew(refiled(name, 2, 3))
    book = site.book
    assert not book.captures_at(1, 1)
    assert not book.captures_in(1)
    assert not book.open_patches(1)
    assert tool_says(book, 1, 1) is None
    assert [found.capture for found in book.captures_at(2, 3)] == [name]
    assert book.open_patches(2) == ((name, DAMP),)
    told = tool_says(book, 2, 3)
    assert told is not None
    assert (told.capture, told.side) == (name, "short")
    # The photos and the name stay what they were, and so does the way back.
    assert book.captures[name].content.zone == 1
    site.crew(refiled(name, 1, 1))
    assert [found.capture for found in book.captures_at(1, 1)] == [name]
    assert not book.captures_in(2)


def test_an_assessment_of_a_moved_capture_belongs_where_it_lies():
    site = two_zones()
    name = site.do_shot(1, 1, None)
    site.crew(refiled(name, 2, 1))
    site.do_assess(name, "short", patches=(DAMP,))
    assert not site.book.open_patches(1)
    assert site.book.open_patches(2)
    assert site.book.zones[2].notes[-1].content.kind == "assessed"
    assert site.book.zones[1].notes[-1].content.kind == "refiled"


def test_an_overview_of_another_zone_moves_there_with_its_patches():
    site = two_zones()
    name = site.do_overview(1, (DAMP,))
    site.crew(OverviewRefiled(capture=name, zone=2, why="sheets of another zone"))
    assert not site.book.open_patches(1)
    assert site.book.open_patches(2) == ((name, DAMP),)
    assert [len(list(site.book.zones[zone].of(OverviewFiled))) for zone in (1, 2)] == [0, 1]
    assert vars(JobBook(site.entries)) == vars(site.book)
    site.crew(OverviewRefiled(capture=name, zone=1, why="it was right"))
    assert [len(list(site.book.zones[zone].of(OverviewFiled))) for zone in (1, 2)] == [1, 0]


def test_rounds_count_the_reworks_of_a_spot_and_of_its_zone():
    site = two_zones()
    site.crew(ReworkDone(zone=1, spots=(2,), method="shot-blast"))
    assert [site.book.round_of(1, spot) for spot in (1, 2)] == [1, 2]
    site.crew(ReworkDone(zone=1, method="shot-blast"))
    assert [site.book.round_of(1, spot) for spot in (1, 2)] == [2, 3]
    assert site.book.round_of(2, 1) == 1
    assert site.book.since(1, 1) == len(site.entries)


def test_a_spot_worked_over_more_often_than_tags_can_count_can_still_be_shot():
    site = two_zones()
    for _ in range(8):
        site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert site.book.round_of(1, 1) == 9
    old = site.do_shot(1, 1)
    assert [shot.capture for shot in site.book.shots(1, 1)] == [old]
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert site.book.round_of(1, 1) == 9
    assert not site.book.shots(1, 1)
    new = site.do_shot(1, 1)
    assert [shot.capture for shot in site.book.shots(1, 1)] == [new]


def test_only_photos_after_preparation_of_the_present_round_speak_for_a_spot():
    site = two_zones()
    site.do_shot(1, 1, "short", phase="before")
    assert not site.book.shots(1, 1)
    site.do_shot(1, 1, "short")
    assert len(site.book.shots(1, 1)) == 1
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert not site.book.shots(1, 1)
    late = site.do_shot(1, 1, "short", round=1)
    assert not site.book.shots(1, 1)
    site.crew(refiled(late, 1, 1, round=2))
    assert [shot.capture for shot in site.book.shots(1, 1)] == [late]


def test_a_stray_photo_says_nothing_of_a_spot_that_is_drawn_later_under_its_number():
    site = two_zones()
    stray = site.do_shot(1, 5, "in")
    site.do_read(1, 2, 2)
    assert 5 in site.do_follow(1, 2)
    assert [found.capture for found in site.book.captures_at(1, 5)] == [stray]
    assert not site.book.shots(1, 5)
    assert tool_says(site.book, 1, 5) is None


def test_who_has_seen_a_suggestion_has_seen_it_until_the_spot_is_worked_over():
    site = two_zones()
    site.do_shot(1, 1)
    before = len(site.entries)
    site.say(SuggestionShown(zone=1, spot=1))
    book = site.book
    assert book.has_seen(LEAD, 1, 1)
    assert book.has_seen(LEAD.lower().replace(" ", "  "), 1, 1)
    assert not book.has_seen(SECOND, 1, 1)
    assert not book.has_seen(LEAD, 1, 2)
    assert not book.has_seen(LEAD, 2, 1)
    assert not book.has_seen(LEAD, 1, 1, before=before + 1)
    assert book.has_seen(LEAD, 1, 1, before=before + 2)
    site.crew(ReworkDone(zone=1, spots=(2,), method="shot-blast"))
    assert book.has_seen(LEAD, 1, 1)
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert not book.has_seen(LEAD, 1, 1)


def test_a_suggestion_seen_of_photos_of_the_next_round_counts_in_that_round():
    site = two_zones()
    site.do_shot(1, 1, round=2)
    site.say(SuggestionShown(zone=1, spot=1))
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert site.book.has_seen(LEAD, 1, 1)


def test_patches_are_open_until_they_are_resolved_after_they_were_last_seen():
    site = two_zones()
    name = site.do_shot(1, 1, patches=(DAMP, PatchSeen(patch=2, cause="oil or grease")))
    overview = site.do_overview(1, (DAMP,))
    assert {(found, patch.patch) for found, patch in site.book.open_patches(1)} == {
        (name, 1),
        (name, 2),
        (overview, 1),
    }
    for capture_name, patch in ((name, 1), (overview, 1)):
        done = PatchResolved(zone=1, capture=capture_name, patch=patch, how="retested", why="a drop went in")
        site.crew(done)
    assert [(found, patch.patch) for found, patch in site.book.open_patches(1)] == [(name, 2)]
    site.do_assess(name, patches=(DAMP,))
    assert [(found, patch.patch) for found, patch in site.book.open_patches(1)] == [(name, 1)]
    site.do_assess(name)
    assert not site.book.open_patches(1)


def test_patches_seen_before_preparation_are_not_open():
    site = two_zones()
    site.do_shot(1, 1, patches=(DAMP,), phase="before")
    assert not site.book.open_patches(1)


def test_approvals_hold_until_the_mock_up_is_worked_on_again():
    site = two_zones()
    assert site.book.approved(1) == {"client", "maker"}
    site.crew(ReworkDone(zone=1, spots=(1,), method="shot-blast"))
    assert not site.book.approved(1)


def test_waivers_are_a_zones_own():
    site = two_zones()
    site.say(Waived(zone=2, what="overview", why="a strip of 2 m2"))
    assert site.book.waived(2, "overview")
    assert not site.book.waived(1, "overview")
    assert not site.book.waived(2, "drops")


def test_a_lot_has_the_shape_of_the_zone_that_it_fills():
    site = Site()
    site.do_papers()
    site.say(zone_laid_out())
    site.crew(prepared())
    lot = lot_of(site.book, 1, 1)
    assert (lot.length_m, lot.width_m, lot.area_m2, lot.is_mock_up) == (5, 4, 20, True)
    site.crew(prepared(lot=2, area_m2=3, shift="Tuesday"))
    part = lot_of(site.book, 1, 2)
    assert (part.length_m, part.width_m, part.shift) == (None, None, "Tuesday")
    assert lot_of(site.book, 1, 1) == lot


def test_a_lot_is_as_large_as_its_largest_pass_and_was_done_as_the_last_one():
    site = Site()
    site.do_papers()
    site.say(zone_laid_out())
    site.crew(prepared(area_m2=4, method="scarifying", machine="scarifier", shift="Monday"))
    site.crew(prepared(area_m2=20, method="scarifying", machine="scarifier", shift="Monday"))
    site.crew(prepared(area_m2=6, shift="Tuesday"))
    lot = lot_of(site.book, 1, 1)
    assert (lot.area_m2, lot.length_m, lot.method, lot.machine, lot.shift) == (
        20,
        5,
        "shot-blast",
        "blaster 1",
        "Tuesday",
    )


def test_neighbours_drawn_already_are_not_drawn_twice():
    site = two_zones()
    site.do_read(1, 2, 2)
    first = site.do_follow(1, 2)
    assert first
    states = site.standing().spots
    assert next_neighbours(site.book, 1, 2, states) == ()
    # One of them fails too: the row goes on beyond it until two pass.
    there = site.book.zones[1].spots
    out = next(spot for spot in first if there[spot].drawn.steps == 1)
    site.do_read(1, out, 2)
    for spot in set(first) - {out}:
        site.do_read(1, spot)
    again = next_neighbours(site.book, 1, 2, site.standing().spots)
    assert all(spot.direction == there[out].drawn.direction and spot.spot > max(first) for spot in again)


def test_readings_are_kept_in_the_order_they_were_made():
    site = two_zones()
    for who in (THIRD, LEAD, SECOND):
        site.say(read(1, 1, site.new_file()), who)
    assert [note.stamp.who for note in site.book.readings[1, 1]] == [THIRD, LEAD, SECOND]
    site.crew(capture("c", 1, 1, site.new_file()))
    assert site.book.files >= {note.content.photo.sha256 for note in site.book.readings[1, 1]}  # type: ignore[union-attr]
