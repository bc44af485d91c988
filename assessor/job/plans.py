"""Plans between the record and the drawing of spots: lots as they were prepared, spots as they were drawn."""

from __future__ import annotations

from assessor.errors import NoJob
from assessor.job.book import JobBook
from assessor.job.entries import PlanDrawn, SpreadDrawn, SurfacePrepared
from assessor.job.parts import DrawnSpot
from assessor.job.sampling import Lot, MeasureWith, PlannedSpot
from assessor.job.spots import SpotState
from assessor.job.spread import Spread, spread
from assessor.tables.loader import load_methods

TORCH_UP_TO = 4  # methods that reach no rougher than this leave floors too fine for photos from the sides


def lot_of(book: JobBook, zone: int, lot: int) -> Lot:
    """The lot as the first entry of its work tells it; a zone's only lot has the zone's shape. Raises NoJob."""
    laid_out = book.zones[zone].laid_out
    work = [note.content for note in book.prepared(zone) if isinstance(note.content, SurfacePrepared)]
    own = next((content for content in work if content.lot == lot), None)
    if own is None:
        raise NoJob(f"zone {zone} has no lot {lot}: no work is entered under it")
    alone = len({content.lot for content in work}) == 1 and abs(own.area_m2 / laid_out.area_m2 - 1) < 0.01
    length, width = own.length_m, own.width_m
    corners: tuple[tuple[float, float], ...] = ()
    if alone and length is None:
        length, width, corners = laid_out.length_m, laid_out.width_m, laid_out.corners_m
    return Lot(
        zone, own.shift, own.machine, own.method, own.area_m2, length, width, corners,
        number=lot, corner=own.corner or "the marked corner", is_mock_up=laid_out.is_mock_up,
        measure_with=measured_with(own.method),
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


def follow_up(book: JobBook, zone: int, spot: int, states: tuple[SpotState, ...]) -> Spread:
    """How far a failed spot has been followed up, from how its neighbours stand now."""
    placed = book.zones[zone].spots
    lot = placed[spot].lot
    blocked = {
        way
        for note in book.zones[zone].of(SpreadDrawn)
        if isinstance(note.content, SpreadDrawn) and note.content.failed_spot == spot
        for way in note.content.blocked
    }
    by_side: dict[bool, list[PlannedSpot]] = {True: [], False: []}
    for state in states:
        own = placed[state.spot]
        if own.drawn.spread_from == spot and state.status in {"short", "over", "in"}:
            by_side[state.status == "in"].append(planned_spot(own.drawn, zone, own.lot))
    return spread(
        planned_spot(placed[spot].drawn, zone, lot), by_side[False], by_side[True],
        lot=lot_of(book, zone, lot), next_number=next_number(book, zone), blocked=tuple(blocked),
    )  # fmt: skip


def seeds_of(book: JobBook, zone: int) -> tuple[int, ...]:
    """The seeds from which a zone's plans were drawn."""
    return tuple(n.content.seed for n in book.zones[zone].of(PlanDrawn) if isinstance(n.content, PlanDrawn))
