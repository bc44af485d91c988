"""Whether a zone is accepted: what is still missing, and whether a sign-off still holds.

Acceptance is never stored. A sign-off is an entry, allowed only when nothing is missing (`gates`); the zone is accepted
as long as nothing that reopens it came after, nothing is missing now, and the clean log ran on without a gap. So no
order of entries and no crash can leave a zone accepted that should not be.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import takewhile
from typing import Literal

from assessor.errors import BadEntry
from assessor.job.book import FiledCapture, JobBook, Noted
from assessor.job.entries import (
    Disturbed,
    DropsRecorded,
    KeptClean,
    OverviewFiled,
    ReworkDone,
    ReworkOrdered,
    SignedOff,
    SurfacePrepared,
)
from assessor.job.plans import follow_up
from assessor.job.reopening import local_time, reopened_by
from assessor.job.spots import MEASURED, SpotState, spot_state
from assessor.job.targets import target_of
from assessor.tables.counts import count_needed
from assessor.values import TargetRange

COVERS = 0.9  # of a zone: sheets, walls and columns hide the rest (working value of ours)
Standing = Literal["laid-out", "in-work", "ready-to-sign", "accepted", "reopened"]
AREA_PACED = 0.2  # share by which the work's areas may miss the zone's: crews pace them
HAZARDS = {"asbestos-lead": "asbestos and lead", "buried-services": "cables, heating and tendons"}


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that keeps a zone from being accepted: a code, a sentence that says what to do, and the spot."""

    code: str
    sentence: str
    spot: int | None = None


@dataclass(frozen=True, slots=True)
class ZoneStanding:
    """A zone now. spots: all drawn ones; missing: empty where it may be signed; signed_by: whose sign-off holds."""

    zone: int
    standing: Standing
    target: TargetRange | None
    spots: tuple[SpotState, ...]
    missing: tuple[Missing, ...]
    signed_by: str | None
    signed_at_utc: str | None
    reopened_by: str | None


def zone_standing(book: JobBook, zone: int, now_utc: str) -> ZoneStanding:
    """Judge a zone at a moment (ISO 8601, UTC): only the clean log's expiry depends on it."""
    target = target_of(book, zone).grades
    spots = _spots(book, zone, target)
    missing = tuple(_missing(book, zone, target, spots, datetime.fromisoformat(now_utc)))
    signed = max(book.zones[zone].of(SignedOff), key=lambda note: note.number, default=None)
    reopened: str | None = None
    if signed is not None:
        now = datetime.fromisoformat(now_utc)
        reopened = reopened_by(book, zone, signed, target) or _lapsed(book, zone, signed, now)
    standing: Standing
    if signed is not None and reopened is None and not missing:
        standing = "accepted"
    elif signed is not None:
        standing = "reopened"
        reopened = reopened or missing[0].sentence
    elif not missing:
        standing = "ready-to-sign"
    else:
        standing = "in-work" if book.prepared(zone) else "laid-out"
    holds = signed if standing == "accepted" else None
    return ZoneStanding(
        zone=zone,
        standing=standing,
        target=target,
        spots=spots,
        missing=missing,
        signed_by=holds.stamp.who if holds else None,
        signed_at_utc=holds.stamp.at_utc if holds else None,
        reopened_by=reopened,
    )


def missing_of(book: JobBook, zone: int, now_utc: str) -> tuple[Missing, ...]:
    """What keeps the zone from being signed at that moment."""
    target = target_of(book, zone).grades
    spots = _spots(book, zone, target)
    return tuple(_missing(book, zone, target, spots, datetime.fromisoformat(now_utc)))


def _spots(book: JobBook, zone: int, target: TargetRange | None) -> tuple[SpotState, ...]:
    if target is None:
        return ()
    return tuple(spot_state(book, zone, spot, target) for spot in sorted(book.zones[zone].spots))


def _missing(
    book: JobBook, zone: int, target: TargetRange | None, spots: tuple[SpotState, ...], now: datetime
) -> Iterable[Missing]:
    laid_out = book.zones[zone].laid_out
    yield from _missing_before_work(book, zone)
    if target is None:
        yield Missing(
            "no-data-sheet", "No data sheet is filed: nothing says which grades the product asks for."
        )
    lots = book.lots(zone)
    if not lots:
        yield Missing("not-prepared", "No work is entered for this zone.")
    elif (done := sum(prepared_m2(book, zone).values())) < laid_out.area_m2 * (1 - AREA_PACED):
        yield Missing(
            "part-prepared", f"Work is entered for {done:g} of {laid_out.area_m2:g} m2 of this zone."
        )
    for lot in lots:
        if not book.planned(zone, lot):
            yield Missing("no-plan", f"Lot {lot} has no spots drawn: let the tool draw them.")
    if not book.waived(zone, "overview"):
        yield from _missing_overview(book, zone)
    yield from _missing_at_spots(book, zone, spots)
    for capture, patch in book.open_patches(zone):
        yield Missing(
            "patch-open",
            f"Patch {patch.patch} of {capture} ({patch.cause}) is open: test it again, work it over, or waive it.",
        )
    if book.opened is not None and book.opened.drops_asked and not book.waived(zone, "drops"):
        yield from _missing_drops(book, zone)
    if _open_orders(book, zone):
        yield Missing("rework-open", "Rework was ordered and is not entered as done.")
    if not _clean_until(book, zone, now):
        yield Missing(
            "not-kept-clean", "Nobody has entered since the last work or event that the zone is clean."
        )
    if (
        laid_out.is_mock_up
        and book.approved(zone) != {"client", "maker"}
        and not book.waived(zone, "mock-up")
    ):
        yield Missing(
            "mock-up-open", "The mock-up needs the approval of the client and of the product's maker."
        )


def _missing_before_work(book: JobBook, zone: int) -> Iterable[Missing]:
    for hazard, words in HAZARDS.items():
        if not hazard_cleared(book, hazard):
            yield Missing("hazard-open", f"The survey for {words} is not cleared.")
    if not mock_up_ready(book, zone):
        yield Missing("mock-up-open", "The mock-up that this zone refers to is not approved by both sides.")


def prepared_m2(book: JobBook, zone: int) -> dict[int, float]:
    """The area of each lot's work, by lot; several passes over one lot are one area."""
    found: dict[int, float] = {}
    for note in book.prepared(zone):
        if isinstance(note.content, SurfacePrepared):
            found[note.content.lot] = max(found.get(note.content.lot, 0.0), note.content.area_m2)
    return found


def hazard_cleared(book: JobBook, hazard: str) -> bool:
    """Whether the last entry on a hazard cleared it."""
    note = book.hazards.get(hazard)
    return note is not None and bool(getattr(note.content, "cleared", False))


def mock_up_ready(book: JobBook, zone: int) -> bool:
    """Whether a zone is a mock-up, refers to an approved one, or was let off by name."""
    laid_out = book.zones[zone].laid_out
    if laid_out.is_mock_up or book.waived(zone, "mock-up"):
        return True
    refers = laid_out.mock_up_zone
    return refers in book.zones and book.approved(refers) == {"client", "maker"}


def _missing_overview(book: JobBook, zone: int) -> Iterable[Missing]:
    """An overview since the last work; where the zone's size was told, one that shows nearly all of it."""
    seen = [
        note.content.covered_share
        for note in book.zones[zone].of(OverviewFiled)
        if note.number > _last_work(book, zone) and isinstance(note.content, OverviewFiled)
    ]
    known = [share for share in seen if share is not None]
    if not seen:
        yield Missing("no-overview", "No overview since the last work: walk the zone with the zone sheets.")
    elif len(known) == len(seen) and max(known) < COVERS:
        yield Missing(
            "overview-partial",
            f"The overview shows {max(known):.0%} of the zone, at least {COVERS:.0%} is wanted: shoot all of it.",
        )


def _last_work(book: JobBook, zone: int) -> int:
    """Number of the last entry of work on a zone, 0 where there is none."""
    worked = [*book.prepared(zone), *book.reworked.get(zone, ())]
    return max((note.number for note in worked), default=0)


def _missing_at_spots(book: JobBook, zone: int, spots: tuple[SpotState, ...]) -> Iterable[Missing]:
    placed = book.zones[zone].spots
    for state in spots:
        where = f"Spot {state.spot} ({placed[state.spot].drawn.role})"
        shot = book.shots(zone, state.spot)
        ahead = max((capture.round for capture in shot), default=0)
        if ahead > state.round:
            yield Missing(
                "round-ahead",
                f"{where} has photos of round {ahead} and is in round {state.round}: enter the rework, or re-file.",
                state.spot,
            )
        if not shot:
            yield Missing(
                "spot-unshot", f"{where} has no photo after preparation in round {state.round}.", state.spot
            )
        elif not any(capture.assessed for capture in shot):
            yield Missing("spot-unassessed", f"{where} is photographed but not assessed yet.", state.spot)
        else:
            yield from _missing_in_photos(book, zone, state.spot, where, shot)
        if state.status == "unread":
            yield Missing(
                "spot-unread", f"{where} has no blind chip reading in round {state.round}.", state.spot
            )
        elif state.status == "contradicted":
            how = "Close it by a second reader, a replica or a pull-off."
            yield Missing("spot-contradicted", f"{where}: {state.contradiction}. {how}", state.spot)
        elif state.status != "in":
            found = "too smooth" if state.status == "short" else "too rough"
            yield Missing(
                "spot-outside", f"{where} was read {found}: rework it, then shoot and read again.", state.spot
            )
    for state in spots:
        # A neighbour that failed too is followed up with the spot that it was drawn for.
        own = placed[state.spot].drawn.role != "spread"
        if own and state.failed_in_round and not _fenced_in(book, zone, state, spots):
            yield Missing(
                "spot-not-fenced",
                f"Spot {state.spot} failed: follow it up with neighbours until two in a row pass on every side.",
                state.spot,
            )


def _missing_in_photos(
    book: JobBook, zone: int, spot: int, where: str, shot: tuple[FiledCapture, ...]
) -> Iterable[Missing]:
    """What the photos of a spot leave open: none usable, or an estimate where the plan asks for a measurement."""
    kinds = [
        each.assessed.capture_kind for each in shot if each.assessed and each.assessed.status == "assessed"
    ]
    if not kinds:
        yield Missing("spot-refused", f"{where}: no photo could be used. Shoot it again.", spot)
    elif (
        book.zones[zone].spots[spot].drawn.effort == "measured"
        and not MEASURED.intersection(kinds)
        and not book.waived(zone, "measured")
    ):
        yield Missing(
            "spot-not-measured",
            f"{where} is to be measured and is only estimated: shoot angles or torch.",
            spot,
        )


def _fenced_in(book: JobBook, zone: int, failed: SpotState, spots: tuple[SpotState, ...]) -> bool:
    """Whether its neighbours pass on every side, or the whole zone was worked over since it failed."""
    since = book.reworks(zone, failed.spot)[max(failed.failed_in_round) - 1 :]
    if any(isinstance(note.content, ReworkDone) and not note.content.spots for note in since):
        return True
    try:
        return follow_up(book, zone, failed.spot, spots).done
    except BadEntry:  # no spot numbers are left: only rework of the whole zone ends it
        return False


def _missing_drops(book: JobBook, zone: int) -> Iterable[Missing]:
    since = _last_work(book, zone)
    drops = [
        note.content
        for note in book.zones[zone].of(DropsRecorded)
        if note.number > since and isinstance(note.content, DropsRecorded)
    ]
    area_m2 = book.zones[zone].laid_out.area_m2
    wanted = count_needed("water-drops", area_m2)
    if not drops:
        yield Missing("no-drops", "The job asks for water drops: none are recorded since the last work.")
    elif not drops[-1].passed:
        yield Missing("drops-failed", "The last water drops did not pass: rework, then test again.")
    elif (places := sum(drop.places for drop in takewhile(lambda d: d.passed, reversed(drops)))) < wanted:
        found = f"Water drops passed at {places} places; {area_m2:g} m2 want {wanted} (by the count of ASTM F3191)."
        yield Missing("too-few-drops", found)


def _open_orders(book: JobBook, zone: int) -> bool:
    """Whether any ordered rework has a spot, or the zone, that was not entered as done after it, nor let off."""
    let_off = max((note.number for note in book.waivers(zone, "rework")), default=0)
    for order in book.zones[zone].of(ReworkOrdered):
        if not isinstance(order.content, ReworkOrdered) or order.number < let_off:
            continue
        done = [n.content for n in book.reworked.get(zone, ()) if n.number > order.number]
        spots = {spot for content in done if isinstance(content, ReworkDone) for spot in content.spots}
        whole = any(isinstance(content, ReworkDone) and not content.spots for content in done)
        if not whole and (not order.content.spots or not set(order.content.spots) <= spots):
            return True
    return False


def _clean_until(book: JobBook, zone: int, now: datetime) -> bool:
    """Whether a look at the clean floor, since the last work or event, still holds."""
    since = _touched(book, zone)
    return any(
        note.number > since and _at(note) <= now <= _until(note) for note in book.zones[zone].of(KeptClean)
    )


def _touched(book: JobBook, zone: int) -> int:
    """Number of the last work or event in a zone: a look at the clean floor before it says nothing."""
    touched = Disturbed | SurfacePrepared | ReworkDone
    return max((n.number for n in book.zones[zone].notes if isinstance(n.content, touched)), default=0)


def _at(note: Noted) -> datetime:
    return datetime.fromisoformat(note.stamp.at_utc)


def _until(note: Noted) -> datetime:
    assert isinstance(note.content, KeptClean)
    return _at(note) + timedelta(hours=note.content.hours)


def _lapsed(book: JobBook, zone: int, signed: Noted, now: datetime) -> str | None:
    """A gap in the clean log since the sign-off: nobody watched, so somebody has to look and sign again."""
    until: datetime | None = None
    looked = signed
    since = _touched(book, zone)
    for note in book.zones[zone].of(KeptClean):
        if note.number < since:
            continue
        if until is not None and note.number > signed.number and _at(note) > until:
            break
        if until is None or _until(note) > until:
            until, looked = _until(note), note
    if until is not None and now <= until:
        return None
    ended = f"at {local_time(until, looked)}" if until else "before the sign-off"
    return f"the clean log ran out {ended}: look at the floor, then sign again"
