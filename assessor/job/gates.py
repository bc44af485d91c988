"""What may be entered after what: the gates of a job.

`check_entry` looks at the record as it is and at what somebody wants to enter, and raises one sentence where a step
that has to come first is missing, where the entry names what is not there, or where the person may not enter it. What
passes here can still be wrong on the floor, but it can not make the record contradict itself.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from assessor.errors import BadEntry, GateClosed, NoJob, NotBlind
from assessor.job.acceptance import (
    AREA_PACED,
    HAZARDS,
    hazard_cleared,
    missing_of,
    mock_up_ready,
    prepared_m2,
)
from assessor.job.blinding import blind_sentence
from assessor.job.book import JobBook, Noted
from assessor.job.chain import Stamp
from assessor.job.entries import (
    Assessed,
    CaptureFiled,
    ChipRead,
    Content,
    ContradictionClosed,
    JobOpened,
    KeptClean,
    MockUpApproved,
    OverviewFiled,
    OverviewRefiled,
    PatchResolved,
    PlanDrawn,
    Refiled,
    ReworkDone,
    ReworkOrdered,
    ScaleAccepted,
    SignedOff,
    SpotRedrawn,
    SpreadDrawn,
    SuggestionShown,
    SurfacePrepared,
    SystemNamed,
    ZoneLaidOut,
)
from assessor.job.plans import draw_again, is_drawn_plan, next_neighbours
from assessor.job.spots import blind, closing_lacks, spot_state
from assessor.job.targets import system_row, target_of
from assessor.tables.loader import CHIPS, load_methods, load_systems

# What only the QA lead enters; a crew enters its work, photos, readings and what it sees.
LEAD_ONLY = frozenset({
    "job-opened", "slab-facts", "hazard-checked", "system-named", "data-sheet-filed", "zone-laid-out",
    "mock-up-approved", "contradiction-closed", "waived", "rework-ordered", "signed-off", "scale-accepted",
})  # fmt: skip


def check_entry(book: JobBook, content: Content, stamp: Stamp) -> None:
    """Raise GateClosed, NotBlind, BadEntry or NoJob where the entry may not follow what is there."""
    if isinstance(content, JobOpened):
        if book.opened is not None:
            raise BadEntry(f"the job '{book.opened.name}' is open already")
    elif book.opened is None:
        raise NoJob("this job was never opened")
    if not stamp.who.strip():
        raise BadEntry("the entry has no name: everything in the record says who entered it")
    if content.kind in LEAD_ONLY and stamp.role != "lead":
        raise GateClosed(f"'{content.kind}' is entered by the QA lead, not by the {stamp.role}")
    zone = getattr(content, "zone", None)
    if zone is not None and not isinstance(content, ZoneLaidOut) and zone not in book.zones:
        raise NoJob(f"there is no zone {zone} in this job")
    rule = _RULES.get(type(content))
    if rule is not None:
        rule(book, content, stamp)


def enter(book: JobBook, content: Content, stamp: Stamp, number: int) -> None:
    """Check an entry and take it into the book; raises as `check_entry` does."""
    check_entry(book, content, stamp)
    book.take(Noted(number, content, stamp))


def _system(book: JobBook, content: SystemNamed, stamp: Stamp) -> None:
    if system_row(content) is None:
        known = ", ".join(row.key for row in load_systems().system)
        raise BadEntry(f"there is no system '{content.system}' in our table (known: {known})")


def _zone(book: JobBook, content: ZoneLaidOut, stamp: Stamp) -> None:
    if load_methods().get(content.method) is None:
        known = ", ".join(row.key for row in load_methods().method)
        raise BadEntry(f"there is no method '{content.method}' in our table (known: {known})")
    refers = content.mock_up_zone
    if refers is not None and (
        refers == content.zone or refers not in book.zones or not book.zones[refers].laid_out.is_mock_up
    ):
        raise BadEntry(f"zone {refers} is no mock-up, so zone {content.zone} can not refer to it")
    if content.is_mock_up and refers is not None:
        raise BadEntry(f"zone {content.zone} is a mock-up itself and refers to none")
    known_zone = book.zones.get(content.zone)
    if known_zone is not None and any(isinstance(n.content, SurfacePrepared) for n in known_zone.notes):
        raise GateClosed(
            f"work is entered in zone {content.zone}: its outline stands; lay out a further zone"
        )


def _prepared(book: JobBook, content: SurfacePrepared, stamp: Stamp) -> None:
    _cleared(book)
    if not mock_up_ready(book, content.zone):
        raise GateClosed(
            f"zone {content.zone} refers to no mock-up that the client and the maker have approved"
        )
    if load_methods().get(content.method) is None:
        raise BadEntry(f"there is no method '{content.method}' in our table")
    if content.lot in book.lots(content.zone) and book.planned(content.zone, content.lot):
        raise GateClosed(
            f"the spots of zone {content.zone}, lot {content.lot}, are drawn: enter further work on it as rework done"
        )
    room = book.zones[content.zone].laid_out.area_m2 * (1 + AREA_PACED)
    lots = {**prepared_m2(book, content.zone)}
    lots[content.lot] = max(lots.get(content.lot, 0.0), content.area_m2)
    if sum(lots.values()) > room:
        raise GateClosed(
            f"that makes {sum(lots.values()):g} m2 of work in zone {content.zone}, which has "
            f"{book.zones[content.zone].laid_out.area_m2:g} m2: further work on a lot goes under its own number, "
            "or is rework done once its spots are drawn"
        )


def _cleared(book: JobBook) -> None:
    for hazard, words in HAZARDS.items():
        if not hazard_cleared(book, hazard):
            raise GateClosed(f"no cut before the survey for {words} is entered as cleared")


def _mock_up(book: JobBook, content: MockUpApproved, stamp: Stamp) -> None:
    if not book.zones[content.zone].laid_out.is_mock_up:
        raise BadEntry(f"zone {content.zone} is no mock-up")
    if not book.prepared(content.zone):
        raise GateClosed(f"no work is entered in mock-up zone {content.zone}, so there is nothing to approve")


def _plan(book: JobBook, content: PlanDrawn, stamp: Stamp) -> None:
    if content.lot not in book.lots(content.zone):
        raise GateClosed(f"no work is entered for zone {content.zone}, lot {content.lot}")
    if book.planned(content.zone, content.lot):
        raise GateClosed(f"the spots of zone {content.zone}, lot {content.lot}, are drawn already and stay")
    _new_spots(book, content)
    if not is_drawn_plan(book, content):
        raise BadEntry("these are not the spots that the tool draws for this lot from this seed")


def _redrawn(book: JobBook, content: SpotRedrawn, stamp: Stamp) -> None:
    placed = book.zones[content.zone].spots.get(content.place.spot)
    if placed is None or placed.lot != content.lot:
        raise NoJob(f"there is no spot {content.place.spot} in zone {content.zone}, lot {content.lot}")
    if placed.drawn.role != content.place.role:
        raise BadEntry("a spot drawn again keeps its role")
    spot = content.place.spot
    if book.readings.get((content.zone, spot)) or book.captures_at(content.zone, spot):
        raise GateClosed(f"spot {spot} was shot or read already: it stays where it is")
    if placed.drawn.role == "spread":
        raise BadEntry(f"spot {spot} is a neighbour of a failed one: say that its direction is blocked")
    if placed.drawn.role == "random" and (content.place, content.attempt) != draw_again(
        book, content.zone, spot
    ):
        raise BadEntry(f"this is not the place that the tool draws next for spot {spot}")


def _spread(book: JobBook, content: SpreadDrawn, stamp: Stamp) -> None:
    target = target_of(book, content.zone).grades
    placed = book.zones[content.zone].spots.get(content.failed_spot)
    if placed is None or target is None:
        raise NoJob(
            f"there is no spot {content.failed_spot} in zone {content.zone}, or no range to judge it by"
        )
    if not spot_state(book, content.zone, content.failed_spot, target).failed_in_round:
        raise GateClosed(f"spot {content.failed_spot} has not failed, so there is nothing to follow up")
    if placed.drawn.role == "spread":
        raise GateClosed(
            f"spot {content.failed_spot} is a neighbour: follow up spot {placed.drawn.spread_from}"
        )
    _new_spots(book, content)
    states = tuple(spot_state(book, content.zone, spot, target) for spot in book.zones[content.zone].spots)
    drawn = next_neighbours(book, content.zone, content.failed_spot, states, more_blocked=content.blocked)
    told = content.spots == drawn if content.spots else bool(content.blocked)
    if content.lot != placed.lot or not told:
        raise BadEntry(
            f"these are not the neighbours that the tool draws next for spot {content.failed_spot}"
        )


def _new_spots(book: JobBook, content: PlanDrawn | SpreadDrawn) -> None:
    numbers = [spot.spot for spot in content.spots]
    known = book.zones[content.zone].spots
    if len(set(numbers)) < len(numbers) or any(number in known for number in numbers):
        raise BadEntry(f"a spot number of zone {content.zone} would be given twice")


def _filed(book: JobBook, content: CaptureFiled, stamp: Stamp) -> None:
    if content.capture in book.captures or content.capture in book.overviews:
        raise BadEntry(f"capture '{content.capture}' is in the record already")
    same = book.by_photos.get(frozenset(photo.sha256 for photo in content.photos))
    if same is not None:
        raise BadEntry(
            f"these photos are in the record already as capture '{same}': if they belong elsewhere, re-file it"
        )


def _refiled(book: JobBook, content: Refiled, stamp: Stamp) -> None:
    _capture(book, content.capture)


def _assessed(book: JobBook, content: Assessed, stamp: Stamp) -> None:
    _capture(book, content.capture)


def _capture(book: JobBook, name: str) -> None:
    if name not in book.captures:
        raise NoJob(f"there is no capture '{name}' in this job")


def _overview(book: JobBook, content: OverviewFiled, stamp: Stamp) -> None:
    if content.capture in book.captures or content.capture in book.overviews:
        raise BadEntry(f"overview '{content.capture}' is in the record already")


def _overview_refiled(book: JobBook, content: OverviewRefiled, stamp: Stamp) -> None:
    if content.capture not in book.overviews:
        raise NoJob(f"there is no overview '{content.capture}' in this job")


def _shown(book: JobBook, content: SuggestionShown, stamp: Stamp) -> None:
    if content.spot not in book.zones[content.zone].spots and not book.captures_at(
        content.zone, content.spot
    ):
        raise NoJob(f"there is no spot {content.spot} in zone {content.zone}")


def _read(book: JobBook, content: ChipRead, stamp: Stamp) -> None:
    zone, spot = content.zone, content.spot
    if stamp.place != "floor":
        raise GateClosed("a chip is read kneeling at the spot with the chip on the concrete, never at a desk")
    if spot not in book.zones[zone].spots:
        raise NoJob(f"there is no spot {spot} in zone {zone}: only spots that the tool drew are confirmed")
    assert book.opened is not None
    if content.edition != book.opened.edition:
        raise BadEntry(
            f"the job reads the {book.opened.edition} set, this is a chip of the {content.edition} set"
        )
    if content.chip_high > CHIPS[content.edition]:
        raise BadEntry(f"the {content.edition} set has no chip {content.chip_high}")
    if content.photo.sha256 in book.files:
        raise BadEntry(
            "this photo is in the record already: each reading needs its own photo of chip and floor"
        )
    if book.has_seen(stamp.who, zone, spot):
        raise NotBlind(f"{stamp.who} has seen the suggestion for zone {zone}, spot {spot}")


def _closed(book: JobBook, content: ContradictionClosed, stamp: Stamp) -> None:
    zone, spot = content.zone, content.spot
    target = target_of(book, zone).grades
    if spot not in book.zones[zone].spots or target is None:
        raise NoJob(f"there is no spot {spot} in zone {zone}, or no range to judge it by")
    if spot_state(book, zone, spot, target).status != "contradicted":
        raise GateClosed(f"zone {zone}, spot {spot} has no open contradiction")
    if content.stands_high - content.stands_low not in {0, 1}:
        raise BadEntry("what stands is one chip, or between two neighbours")
    lacks = closing_lacks(content, blind(book, zone, spot), target)
    if lacks is not None:
        raise GateClosed(f"zone {zone}, spot {spot}: {lacks}")
    if content.by != "second-reader" and content.document is None:
        raise BadEntry(f"a {content.by} closes a contradiction only with its photo or report on file")
    if content.document is not None and content.document.sha256 in book.files:
        raise BadEntry("this file is in the record already: the report has to be its own")


def _patch(book: JobBook, content: PatchResolved, stamp: Stamp) -> None:
    is_open = {(name, patch.patch) for name, patch in book.open_patches(content.zone)}
    if (content.capture, content.patch) not in is_open:
        raise NoJob(f"{content.capture} has no open patch {content.patch} in zone {content.zone}")
    if content.how == "waived" and stamp.role != "lead":
        raise GateClosed("a patch is waived by the QA lead, with name and reason")


def _ordered(book: JobBook, content: ReworkOrdered, stamp: Stamp) -> None:
    _known_spots(book, content.zone, content.spots)


def _done(book: JobBook, content: ReworkDone, stamp: Stamp) -> None:
    if not book.prepared(content.zone):
        raise GateClosed(f"no work is entered in zone {content.zone}, so nothing was worked over again")
    _cleared(book)
    if load_methods().get(content.method) is None:
        raise BadEntry(f"there is no method '{content.method}' in our table")
    _known_spots(book, content.zone, content.spots)


def _clean(book: JobBook, content: KeptClean, stamp: Stamp) -> None:
    assert book.opened is not None
    if content.hours > book.opened.clean_hours:
        raise BadEntry(
            f"a look at the clean floor holds {book.opened.clean_hours:g} hours at most in this job"
        )


def _known_spots(book: JobBook, zone: int, spots: tuple[int, ...]) -> None:
    unknown = [spot for spot in spots if spot not in book.zones[zone].spots]
    if unknown:
        raise NoJob(f"there is no spot {unknown[0]} in zone {zone}")


def _signed(book: JobBook, content: SignedOff, stamp: Stamp) -> None:
    missing = missing_of(book, content.zone, stamp.at_utc)
    if missing:
        more = f" (and {len(missing) - 1} more)" if len(missing) > 1 else ""
        raise GateClosed(
            f"zone {content.zone} can not be signed off: {blind_sentence(missing[0]).rstrip('.')}{more}"
        )


def _scale(book: JobBook, content: ScaleAccepted, stamp: Stamp) -> None:
    if content.scale.sha256 not in book.proposals:
        raise GateClosed("only a scale that was proposed here, with its differences, can be accepted")


_RULES: dict[type[Any], Callable[[JobBook, Any, Stamp], None]] = {
    SystemNamed: _system,
    ZoneLaidOut: _zone,
    SurfacePrepared: _prepared,
    MockUpApproved: _mock_up,
    PlanDrawn: _plan,
    SpotRedrawn: _redrawn,
    SpreadDrawn: _spread,
    CaptureFiled: _filed,
    Refiled: _refiled,
    Assessed: _assessed,
    OverviewFiled: _overview,
    OverviewRefiled: _overview_refiled,
    SuggestionShown: _shown,
    ChipRead: _read,
    ContradictionClosed: _closed,
    PatchResolved: _patch,
    ReworkOrdered: _ordered,
    ReworkDone: _done,
    KeptClean: _clean,
    SignedOff: _signed,
    ScaleAccepted: _scale,
}
