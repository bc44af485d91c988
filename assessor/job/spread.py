"""Find where the failing part round a failed spot ends: neighbours outward until two in a row pass.

The rule. From the failed spot neighbours lie in four directions (along and back on the long side, in and out across it)
at one step, two steps, and so on. A direction is closed when two neighbours in a row pass in it, or when the next one
would lie off the lot; until then the next ones in it are drawn, as many as it takes to close it if all of them pass.
The failing part is taken to reach, in each direction, up to the first of the two that passed, or to the lot's edge.
Coating thickness is followed up like this round a low spot (steps of 1.5 m, two in a row that conform; SSPC-PA 2, from
memory, verify, with eight directions; four here, so that a failed spot costs eight quick ones and not sixteen). Spread
spots are drawn because one failed, so they never count toward a share.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import count, takewhile
from typing import Literal

from assessor.errors import BadEntry
from assessor.job.outline import Outline
from assessor.job.sampling import MOST_SPOTS, QUICK, Direction, Lot, PlannedSpot, shape_of

DIRECTIONS: dict[Direction, tuple[int, int]] = {
    "along": (1, 0),
    "back": (-1, 0),
    "in": (0, 1),
    "out": (0, -1),
}
WORDS: dict[Direction, str] = {
    "along": "further along the long side",
    "back": "back along the long side",
    "in": "further in from the long side",
    "out": "back toward the long side",
}
PLAN_WORDS: dict[Direction, str] = {
    "along": "to the right on the plan",
    "back": "to the left on the plan",
    "in": "up on the plan",
    "out": "down on the plan",
}
PASSES = 2
STEP_M = 1.5
MOST_STEPS = 200  # a lot without a known shape ends only where the crew says so
Closed = Literal["passed", "edge"]


@dataclass(frozen=True, slots=True)
class Spread:
    """How far a failed spot has been followed up.

    next_spots: to shoot now. closed: the directions that are done, and by what. reach_m: how far the failing part may
    reach in each direction, as far as is known (a lower limit where the direction is still open). done: all closed.
    """

    failed_spot: int
    next_spots: tuple[PlannedSpot, ...]
    closed: tuple[tuple[Direction, Closed], ...]
    reach_m: tuple[tuple[Direction, float], ...]
    sentence: str

    @property
    def done(self) -> bool:
        """Whether every direction is closed."""
        return len(self.closed) == len(DIRECTIONS)

    @property
    def ends_at_edge(self) -> int:
        """Directions that end at the lot's edge: look at what lies beyond."""
        return sum(why == "edge" for _, why in self.closed)


@dataclass(frozen=True, slots=True)
class _Side:
    steps: tuple[int, ...]
    closed: Closed | None
    reach_m: float


def spread(
    spot: PlannedSpot,
    failed: Sequence[PlannedSpot],
    passed: Sequence[PlannedSpot],
    *,
    lot: Lot,
    next_number: int,
    step_m: float = STEP_M,
    blocked: Collection[Direction] = (),
) -> Spread:
    """Return the neighbours to shoot next round a failed spot, given what is known of those shot already.

    failed, passed: spots of the same lot; only neighbours of `spot` (spread_from) are looked at. blocked: directions
    in which the crew found no more floor, needed where the lot's shape or the spot's place isn't known. next_number:
    the first free spot number of the zone. Raises BadEntry.
    """
    if not step_m > 0:
        raise BadEntry("the step between neighbours must be positive")
    outline = shape_of(lot) if spot.x_m is not None else None
    results = _results(spot, failed, passed)
    sides = {
        way: _follow(spot, way, results, outline, step_m=step_m, is_blocked=way in blocked)
        for way in DIRECTIONS
    }
    places = [(way, steps) for way, side in sides.items() for steps in side.steps]
    if places and next_number + len(places) - 1 > MOST_SPOTS:
        raise BadEntry(f"zone {spot.zone} has no spot numbers left ({MOST_SPOTS}): rework all of it")
    closed = tuple((way, side.closed) for way, side in sides.items() if side.closed is not None)
    return Spread(
        spot.number,
        tuple(
            _neighbour(spot, *place, next_number + k, lot=lot, step_m=step_m)
            for k, place in enumerate(places)
        ),
        closed,
        tuple((way, side.reach_m) for way, side in sides.items()),
        _sentence(spot, sides, len(places), PLAN_WORDS if lot.corners_m else WORDS),
    )


def _results(
    spot: PlannedSpot, failed: Sequence[PlannedSpot], passed: Sequence[PlannedSpot]
) -> dict[tuple[Direction, int], bool]:
    """True where a neighbour passed, by direction and steps; one that did both failed."""
    results: dict[tuple[Direction, int], bool] = {}
    for good, spots in ((True, passed), (False, failed)):
        for own in spots:
            if own.spread_from == spot.number and own.direction is not None and own.steps is not None:
                results[own.direction, own.steps] = good
    return results


def _follow(
    spot: PlannedSpot,
    way: Direction,
    results: dict[tuple[Direction, int], bool],
    outline: Outline | None,
    *,
    step_m: float,
    is_blocked: bool,
) -> _Side:
    """Walk one direction outward as far as results go."""
    run, reach = 0, 1
    for steps in count(1):
        good = results.get((way, steps))
        if good is None:
            if is_blocked or steps > MOST_STEPS or not _fits(spot, way, steps, outline, step_m):
                # One that passed before the edge bounds the failing part.
                return _Side(
                    (), "edge", reach * step_m if run else _edge_m(spot, way, outline, steps * step_m)
                )
            ahead = takewhile(
                lambda n: _fits(spot, way, n, outline, step_m), range(steps, steps + PASSES - run)
            )
            return _Side(tuple(n for n in ahead if (way, n) not in results), None, reach * step_m)
        run = run + 1 if good else 0
        if run == PASSES:
            return _Side((), "passed", reach * step_m)
        if not good:
            reach = steps + 1
    raise AssertionError("unreachable")


def _fits(spot: PlannedSpot, way: Direction, steps: int, outline: Outline | None, step_m: float) -> bool:
    if outline is None or spot.x_m is None or spot.y_m is None:
        return True
    dx, dy = DIRECTIONS[way]
    return outline.holds(spot.x_m + dx * steps * step_m, spot.y_m + dy * steps * step_m)


def _edge_m(spot: PlannedSpot, way: Direction, outline: Outline | None, else_m: float) -> float:
    if outline is None or spot.x_m is None or spot.y_m is None:
        return else_m
    return outline.to_edge_m(spot.x_m, spot.y_m, DIRECTIONS[way])


def _neighbour(
    spot: PlannedSpot, way: Direction, steps: int, number: int, *, lot: Lot, step_m: float
) -> PlannedSpot:
    dx, dy = DIRECTIONS[way]
    words = PLAN_WORDS if lot.corners_m else WORDS
    return PlannedSpot(
        zone=spot.zone,
        lot=spot.lot,
        number=number,
        role="spread",
        effort="quick",
        shots=QUICK,
        where=f"from spot {spot.number}: {steps * step_m:.2f} m {words[way]}",
        x_m=None if spot.x_m is None else round(spot.x_m + dx * steps * step_m, 2),
        y_m=None if spot.y_m is None else round(spot.y_m + dy * steps * step_m, 2),
        spread_from=spot.number,
        direction=way,
        steps=steps,
    )


def _sentence(
    spot: PlannedSpot, sides: dict[Direction, _Side], drawn: int, words: dict[Direction, str]
) -> str:
    if drawn:
        return f"Spot {spot.number} failed: shoot {drawn} neighbours, outward until two in a row pass on every side."
    reach = ", ".join(
        f"{side.reach_m:.1f} m {words[way]}{' (to the edge)' if side.closed == 'edge' else ''}"
        for way, side in sides.items()
    )
    return f"Round spot {spot.number} work over again: {reach}."
