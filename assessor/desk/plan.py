"""Spots of a job: drawn by the tool, followed up where one failed, drawn again where no sheet can lie; their tags."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from assessor.card.tag import Phase, Tag
from assessor.card.tag_sheet import draw_tag_sheets_pdf
from assessor.desk.base import JobDesk, Person
from assessor.errors import BadEntry, GateClosed, NoJob
from assessor.job.acceptance import ZoneStanding
from assessor.job.book import JobBook, PlacedSpot
from assessor.job.entries import PlanDrawn, SpotRedrawn, SpreadDrawn
from assessor.job.parts import Direction, DrawnSpot
from assessor.job.plans import draw_again, drawn_spot, follow_up, lot_of, next_neighbours, next_number
from assessor.job.sampling import (
    MOST_SPOTS,
    Plan,
    PlanEffort,
    SamplingSettings,
    draw_plan,
    effort_of,
    wanted_spots,
)
from assessor.job.spread import Spread
from assessor.job.statistics import SpotReading, ZoneStatistics, what_it_proves, zone_statistics
from assessor.store.files import write_bytes

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
) -> tuple[Spread, tuple[DrawnSpot, ...]]:
    """Draw and enter the next neighbours of a failed spot; none where those drawn are not read yet, or it is done."""
    book = desk.book(job)
    standing = desk.standing(book, zone)
    place = _placed(book, zone, spot)
    found = follow_up(book, zone, spot, standing.spots, more_blocked=blocked)
    wanted = next_neighbours(book, zone, spot, standing.spots, more_blocked=blocked)
    if wanted or blocked:
        drawn = SpreadDrawn(zone=zone, lot=place.lot, failed_spot=spot, spots=wanted, blocked=tuple(blocked))
        desk.enter(job, (drawn,), person)
    return found, wanted


def redraw_spot(desk: JobDesk, job: str, zone: int, spot: int, person: Person, *, why: str) -> SpotRedrawn:
    """Draw another place for a random spot where no sheet can lie, and enter it with what is in the way."""
    if not why.strip():
        raise BadEntry("a spot is drawn again only with what is in the way (--why)")
    book = desk.book(job)
    desk.standing(book, zone)
    place = _placed(book, zone, spot)
    new, attempt = draw_again(book, zone, spot)
    content = SpotRedrawn(zone=zone, lot=place.lot, place=new, attempt=attempt, why=why)
    desk.enter(job, (content,), person)
    return content


def tags_of(book: JobBook, zones: Sequence[int], phase: Phase = "after") -> tuple[Tag, ...]:
    """The tags for every spot of the zones in its present round.

    Before work no spot is drawn yet: then as many numbers as the zone will get spots, for photos of its condition.
    """
    assert book.opened is not None
    tags = []
    for zone in zones:
        spots = sorted(book.zones[zone].spots)
        if phase == "before" and not spots:
            wanted = wanted_spots(book.zones[zone].laid_out.area_m2)
            spots = list(range(1, min(wanted, MOST_SPOTS) + 1))
        tags += [
            Tag(book.opened.code, zone, spot, phase, min(book.round_of(zone, spot), 9)) for spot in spots
        ]
    return tuple(tags)


def write_tags(
    desk: JobDesk, job: str, zones: Sequence[int], *, phase: Phase, paper: str, out: Path | None
) -> tuple[Path, int]:
    """Draw the tags of some zones (all, if none is named) to a PDF; returns the file and how many."""
    book = desk.book(job)
    for zone in zones:
        desk.standing(book, zone)
    tags = tags_of(book, zones or sorted(book.zones), phase)
    if not tags:
        raise GateClosed("no spots are drawn, so there is nothing to put on tags")
    path = out or Path(f"tags-{job}-{phase}.pdf")
    write_bytes(path, draw_tag_sheets_pdf(tags, paper))
    return path, len(tags)


def what_all_passing_proves(plan: Plan) -> str:
    """What a plan can prove at best, in one sentence."""
    random = sum(spot.role == "random" for spot in plan.spots)
    return f"At best: {what_it_proves(random, random).sentence}"


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
