"""Plans between the record and the drawing of spots: lots as they were prepared, spots as they were drawn."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from assessor.errors import NoJob
from assessor.job.book import JobBook
from assessor.job.entries import PlanDrawn, SpotRedrawn, SpreadDrawn, SurfacePrepared
from assessor.job.parts import Direction, DrawnSpot
from assessor.job.sampling import (
    Lot,
    MeasureWith,
    Plan,
    PlannedSpot,
    SamplingSettings,
    draw_plan,
    redraw,
)
from assessor.job.spots import SpotState
from assessor.job.spread import Spread, spread
from assessor.tables.loader import load_methods

TORCH_UP_TO = 4  # methods that reach no rougher than this leave floors too fine for photos from the sides


def lot_of(book: JobBook, zone: int, lot: int) -> Lot:
    """The lot as its work was entered: the largest part tells its shape, the last work how it was done. Raises NoJob.

    A lot as large as its zone has the zone's shape.
    """
    laid_out = book.zones[zone].laid_out
    work = [note.content for note in book.prepared(zone) if isinstance(note.content, SurfacePrepared)]
    passes = [content for content in work if content.lot == lot]
    if not passes:
        raise NoJob(f"zone {zone} has no lot {lot}: no work is entered under it")
    own, last = max(passes, key=lambda content: content.area_m2), passes[-1]
    alone = abs(own.area_m2 / laid_out.area_m2 - 1) < 0.01
    length, width = own.length_m, own.width_m
    corners: tuple[tuple[float, float], ...] = ()
    if alone and length is None:
        length, width, corners = laid_out.length_m, laid_out.width_m, laid_out.corners_m
    return Lot(
        zone, last.shift, last.machine, last.method, own.area_m2, length, width, corners,
        number=lot, corner=own.corner or "the marked corner", is_mock_up=laid_out.is_mock_up,
        measure_with=measured_with(last.method),
    )  # fmt: skip


def measured_with(method: str) -> MeasureWith:
    """How spots of a method are measured: fine floors under a torch."""
    row = load_methods().get(method)
    reach = row.reach("ten-chip") if row else None
    return "torch" if reach is not None and reach[1] <= TORCH_UP_TO else "angles"


def drawn_spot(spot: PlannedSpot) -> DrawnSpot:
    """A planned spot as it is entered."""
    return DrawnSpot(
        spot=spot.number, role=spot.role, effort=spot.effort, shots=spot.shots, where=spot.where, x_m=spot.x_m,
        y_m=spot.y_m, pin=spot.pin, spread_from=spot.spread_from, direction=spot.direction, steps=spot.steps,
    )  # fmt: skip


def planned_spot(drawn: DrawnSpot, zone: int, lot: int) -> PlannedSpot:
    """An entered spot as it was planned."""
    return PlannedSpot(
        zone, lot, drawn.spot, drawn.role, drawn.effort, drawn.shots, drawn.where, drawn.x_m, drawn.y_m, drawn.pin,
        drawn.spread_from, drawn.direction, drawn.steps,
    )  # fmt: skip


def next_number(book: JobBook, zone: int) -> int:
    """The first spot number of a zone that no plan has given."""
    return max(book.zones[zone].spots, default=0) + 1


def follow_up(
    book: JobBook,
    zone: int,
    spot: int,
    states: tuple[SpotState, ...],
    *,
    more_blocked: Collection[Direction] = (),
) -> Spread:
    """How far a failed spot has been followed up, from how its neighbours stand now."""
    placed = book.zones[zone].spots
    lot = placed[spot].lot
    blocked = {
        way
        for note in book.zones[zone].of(SpreadDrawn)
        if isinstance(note.content, SpreadDrawn) and note.content.failed_spot == spot
        for way in note.content.blocked
    } | set(more_blocked)
    by_side: dict[bool, list[PlannedSpot]] = {True: [], False: []}
    for state in states:
        own = placed[state.spot]
        if own.drawn.spread_from == spot and state.status in {"short", "over", "in"}:
            by_side[state.status == "in"].append(planned_spot(own.drawn, zone, own.lot))
    return spread(
        planned_spot(placed[spot].drawn, zone, lot), by_side[False], by_side[True],
        lot=lot_of(book, zone, lot), next_number=next_number(book, zone), blocked=tuple(blocked),
    )  # fmt: skip


def next_neighbours(
    book: JobBook,
    zone: int,
    spot: int,
    states: tuple[SpotState, ...],
    *,
    more_blocked: Collection[Direction] = (),
) -> tuple[DrawnSpot, ...]:
    """The neighbours of a failed spot that are to be drawn now, numbered on; those drawn already are left out."""
    placed = book.zones[zone].spots
    drawn = {
        (own.drawn.direction, own.drawn.steps) for own in placed.values() if own.drawn.spread_from == spot
    }
    found = follow_up(book, zone, spot, states, more_blocked=more_blocked).next_spots
    new = [own for own in found if (own.direction, own.steps) not in drawn]
    first = next_number(book, zone)
    return tuple(drawn_spot(replace(own, number=first + k)) for k, own in enumerate(new))


def is_drawn_plan(book: JobBook, content: PlanDrawn) -> bool:
    """Whether the tool draws these spots for the lot from that seed: enough of them, where it puts them.

    More spots, and more of them measured, than the default settings ask for are as good. Raises BadEntry.
    """
    lot = lot_of(book, content.zone, content.lot)
    wanted = sum(spot.role == "random" for spot in content.spots)
    settings = replace(SamplingSettings(), least_per_lot=wanted)
    taken = {content.zone: next_number(book, content.zone) - 1}
    plan = draw_plan([lot], content.seed, settings=settings, taken=taken)
    return len(plan.spots) == len(content.spots) and all(
        _place(drawn_spot(drawn)) == _place(told) and (told.effort == "measured" or drawn.effort == "quick")
        for drawn, told in zip(plan.spots, content.spots, strict=True)
    )


def draw_again(book: JobBook, zone: int, spot: int) -> tuple[DrawnSpot, int]:
    """The next place of a random spot where no sheet can lie, and which attempt it is. Raises BadEntry, NoJob."""
    placed = book.zones[zone].spots[spot]
    lot = lot_of(book, zone, placed.lot)
    drawn = next(
        (
            note.content
            for note in book.zones[zone].of(PlanDrawn)
            if isinstance(note.content, PlanDrawn) and note.content.lot == placed.lot
        ),
        None,
    )
    if drawn is None:
        raise NoJob(f"spot {spot} of zone {zone} is in no plan")
    attempt = 1 + sum(
        isinstance(note.content, SpotRedrawn) and note.content.place.spot == spot
        for note in book.zones[zone].of(SpotRedrawn)
    )
    spots = tuple(planned_spot(each, zone, placed.lot) for each in drawn.spots)
    plan = Plan(drawn.seed, (lot,), spots, SamplingSettings())
    new = redraw(lot, planned_spot(placed.drawn, zone, placed.lot), plan, attempt=attempt)
    return drawn_spot(new), attempt


def _place(spot: DrawnSpot) -> tuple[object, ...]:
    return spot.spot, spot.role, spot.where, spot.x_m, spot.y_m, spot.pin
