"""Spots of a job: drawn by the tool, followed up where one failed, drawn again where no sheet can lie; their tags."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace

from assessor.card.tag import Phase, Tag
from assessor.errors import GateClosed, NoJob
from assessor.job.acceptance import ZoneStanding
from assessor.job.book import JobBook, PlacedSpot
from assessor.job.entries import PlanDrawn, SpotRedrawn, SpreadDrawn
from assessor.job.parts import Direction
from assessor.job.plans import drawn_spot, follow_up, lot_of, next_number, planned_spot
from assessor.job.sampling import Plan, PlanEffort, SamplingSettings, draw_plan, effort_of, redraw
from assessor.job.spread import Spread
from assessor.job.statistics import SpotReading, ZoneStatistics, zone_statistics
from assessor.job_desk import JobDesk, Person

SEED_BITS = 48  # enough that nobody draws until a seed suits; short enough to be written on paper


@dataclass(frozen=True, slots=True)
class PlanMade:
    """Plans drawn now, one a lot, and what they cost together."""

    zone: int
    plans: tuple[Plan, ...]
    efforts: tuple[PlanEffort, ...]


def draw_spots(
    desk: JobDesk, job: str, zone: int, person: Person,
    *, seed: int | None = None, settings: SamplingSettings | None = None,
) -> PlanMade:  # fmt: skip
    """Draw and enter the spots of every lot of a zone that has none; seed: only for tests and demos.

    Raises GateClosed where every lot has its spots: they are drawn once.
    """
    book = desk.book(job)
    desk.standing(book, zone)
    lots = [lot for lot in book.lots(zone) if not book.planned(zone, lot)]
    if not lots:
        what = (
            "the spots of all its lots are drawn already and stay"
            if book.lots(zone)
            else "no work is entered"
        )
        raise GateClosed(f"zone {zone}: {what}")
    last = next_number(book, zone) - 1
    plans, contents = [], []
    for lot in lots:
        use = secrets.randbits(SEED_BITS) if seed is None else seed
        plan = draw_plan([lot_of(book, zone, lot)], use, settings=settings, taken={zone: last})
        last = plan.spots[-1].number
        plans.append(plan)
        spots = tuple(drawn_spot(spot) for spot in plan.spots)
        contents.append(PlanDrawn(zone=zone, lot=lot, seed=use, spots=spots))
    desk.enter(job, contents, person)
    return PlanMade(zone, tuple(plans), tuple(effort_of(plan) for plan in plans))


def follow_spot(
    desk: JobDesk, job: str, zone: int, spot: int, person: Person, *, blocked: Sequence[Direction] = ()
) -> Spread:
    """Draw and enter the next neighbours of a failed spot; nothing is entered where it is followed up."""
    book = desk.book(job)
    standing = desk.standing(book, zone)
    place = _placed(book, zone, spot)
    if blocked:
        # What is in the way is entered first: it closes directions.
        desk.enter(
            job,
            (SpreadDrawn(zone=zone, lot=place.lot, failed_spot=spot, spots=(), blocked=tuple(blocked)),),
            person,
        )
        book = desk.book(job)
    found = follow_up(book, zone, spot, standing.spots)
    drawn = {
        (own.drawn.direction, own.drawn.steps)
        for own in book.zones[zone].spots.values()
        if own.drawn.spread_from == spot
    }
    new = [own for own in found.next_spots if (own.direction, own.steps) not in drawn]
    first = next_number(book, zone)
    wanted = tuple(drawn_spot(replace(own, number=first + k)) for k, own in enumerate(new))
    if wanted:
        desk.enter(job, (SpreadDrawn(zone=zone, lot=place.lot, failed_spot=spot, spots=wanted),), person)
    return found


def redraw_spot(desk: JobDesk, job: str, zone: int, spot: int, person: Person, why: str) -> SpotRedrawn:
    """Draw another place for a random spot where no sheet can lie, and enter it with what is in the way."""
    book = desk.book(job)
    desk.standing(book, zone)
    place = _placed(book, zone, spot)
    lot = lot_of(book, zone, place.lot)
    drawn = [
        note.content for note in book.zones[zone].of(PlanDrawn)
        if isinstance(note.content, PlanDrawn) and note.content.lot == place.lot
    ]  # fmt: skip
    if not drawn:
        raise NoJob(f"spot {spot} of zone {zone} is in no plan")
    before = sum(
        isinstance(note.content, SpotRedrawn) and note.content.place.spot == spot
        for note in book.zones[zone].of(SpotRedrawn)
    )
    spots = tuple(planned_spot(each, zone, place.lot) for each in drawn[0].spots)
    plan = Plan(drawn[0].seed, (lot,), spots, SamplingSettings())
    new = redraw(lot, planned_spot(place.drawn, zone, place.lot), plan, attempt=before + 1)
    content = SpotRedrawn(zone=zone, lot=place.lot, place=drawn_spot(new), attempt=before + 1, why=why)
    desk.enter(job, (content,), person)
    return content


def tags_of(book: JobBook, zones: Sequence[int], phase: Phase = "after") -> tuple[Tag, ...]:
    """The tags for every spot of the zones in its present round."""
    assert book.opened is not None
    return tuple(
        Tag(book.opened.code, zone, spot, phase, min(book.round_of(zone, spot), 9))
        for zone in zones
        for spot in sorted(book.zones[zone].spots)
    )


def statistics_of(book: JobBook, standing: ZoneStanding) -> ZoneStatistics | None:
    """What the readings that stand show of the zone, with intervals; None where no range is known."""
    if standing.target is None:
        return None
    placed = book.zones[standing.zone].spots
    readings = [
        SpotReading(state.spot, placed[state.spot].lot, *state.stands, role=placed[state.spot].drawn.role)
        for state in standing.spots
        if state.stands is not None and state.status != "contradicted"
    ]
    lots = [lot_of(book, standing.zone, lot) for lot in book.lots(standing.zone)]
    return zone_statistics(standing.zone, readings, standing.target, lots)


def _placed(book: JobBook, zone: int, spot: int) -> PlacedSpot:
    placed = book.zones[zone].spots.get(spot)
    if placed is None:
        known = ", ".join(map(str, sorted(book.zones[zone].spots))) or "none drawn"
        raise NoJob(f"there is no spot {spot} in zone {zone} (spots: {known})")
    return placed
