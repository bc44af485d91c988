"""Draw the spots of a zone at random, so that the crew doesn't choose them, and say what the plan costs.

One lot is one zone, shift, machine and method: what was prepared alike. Its spots are drawn one in each of as many
equal parts (`outline`), so that five spots don't fall together. What that does to the binomial statement of
`statistics`: with shares p_1..p_n in range in the parts, the number that passes varies less than a binomial with their
mean p (variance n p (1 - p) less the sum of (p_i - p)^2), and all n pass with chance p_1 x ... x p_n, at most p^n. So
the statement errs to the safe side. Two more things it leaves out: a floor is finite (five windows of 0.12 m in 100 m2
are under 0.1 % of it, so the correction is none), and only places at least `edge_m` from the lot's edge can be drawn
(edges are zones of their own).

The worst place that a person can see is added to each lot. A person chose it, so it never counts toward a share.
A spot that was worked over and passes proves that spot: draw the reworked area as a new lot to speak of its share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from assessor.errors import BadEntry
from assessor.job.outline import PART_CANDIDATES, Outline, area_m2, draw_places, outline_of
from assessor.values import FloatArray

SpotRole = Literal["random", "worst", "spread"]
Effort = Literal["quick", "measured"]
MeasureWith = Literal["angles", "torch"]
Direction = Literal["along", "back", "in", "out"]
MOST_SPOTS = 99  # two digits on the tags
AREA_AGREES = 0.10  # share by which area and outline may differ: paced lengths, a column inside
# Half a sheet (A4) any way round, and with its long side along a narrow strip.
SHEET_M, SHEET_ALONG_M = 0.15, 0.11
QUICK = "one photo; better two, with a torch from opposite sides"
SHOTS: dict[MeasureWith, str] = {
    "angles": "angles: four photos, one from each side",
    "torch": "torch: eight sides and one photo without",
}


@dataclass(frozen=True, slots=True)
class SamplingSettings:
    """How many spots a lot gets and what they cost. The counts are working values of ours, the times our budget."""

    least_per_lot: int = 3  # as steel's profile is sampled: three spots per area, shift and method (verify)
    per_100_m2: float = 5.0  # five of five in range already says little (57 % of the floor); fewer says less
    edge_m: float = 0.25  # half a sheet is 0.15 m; the rest is room for the tabs' shadows and a knee
    measured_one_in: int = 5  # enough measured spots to see an estimate that is off all over a lot
    quick_s: float = 45.0  # budget of the job: card down, tag, one or two photos
    measured_s: float = 180.0  # budget of the job: four photos from the sides, or nine under a torch
    spots_a_day: float = 50.0  # budget of the job, walking and vacuuming included
    overview_m2: float = 6.0  # floor that one overview photo from standing height adds, overlap taken off
    overview_s: float = 15.0  # a step, a photo, and now and then a sheet moved on


@dataclass(frozen=True, slots=True)
class Lot:
    """What was prepared alike: one zone, shift, machine and method. Lengths in m, area in m2.

    Shape: length and width, or an outline (corners_m in the order one walks round it), or neither; then places are
    told as shares of the part's own length and width. corner: what stands at the marked corner, such as "grid line
    B/3". measure_with: what measured spots are shot with (torch for fine floors).
    """

    zone: int
    shift: str
    machine: str
    method: str
    area_m2: float
    length_m: float | None = None
    width_m: float | None = None
    corners_m: tuple[tuple[float, float], ...] = ()
    number: int = field(default=1, kw_only=True)
    corner: str = field(default="the marked corner", kw_only=True)
    is_mock_up: bool = field(default=False, kw_only=True)
    measure_with: MeasureWith = field(default="angles", kw_only=True)

    @property
    def name(self) -> str:
        """The lot in words."""
        return f"zone {self.zone}, lot {self.number} ({self.shift}, {self.machine}, {self.method})"


@dataclass(frozen=True, slots=True)
class PlannedSpot:
    """One spot to shoot. where: in words a crew can walk; x_m, y_m: the same in m (see `outline`), None if not known.

    pin: share of the plan's width from its left and of its height from its bottom edge. spread_from, direction, steps:
    for the neighbours of a failed spot.
    """

    zone: int
    lot: int
    number: int
    role: SpotRole
    effort: Effort
    shots: str
    where: str
    x_m: float | None = None
    y_m: float | None = None
    pin: tuple[float, float] | None = None
    spread_from: int | None = None
    direction: Direction | None = None
    steps: int | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """The spots of some lots as drawn from `seed`; the same lots, seed and settings give the same plan."""

    seed: int
    lots: tuple[Lot, ...]
    spots: tuple[PlannedSpot, ...]
    settings: SamplingSettings

    def spots_of(self, lot: Lot) -> tuple[PlannedSpot, ...]:
        """The spots of one of its lots, in the order to walk them, the worst place last."""
        return tuple(spot for spot in self.spots if (spot.zone, spot.lot) == (lot.zone, lot.number))


@dataclass(frozen=True, slots=True)
class PlanEffort:
    """What a plan costs: overview photos, quick and measured spots, minutes of shooting, working days."""

    overviews: int
    quick: int
    measured: int
    minutes: float
    days: float
    sentence: str


def wanted_spots(area_m2: float, settings: SamplingSettings | None = None) -> int:
    """Random spots that a lot of so many m2 gets; raises BadEntry unless the area is positive."""
    settings = settings or SamplingSettings()
    if not (area_m2 > 0 and math.isfinite(area_m2)):
        raise BadEntry(f"an area of {area_m2:g} m2 cannot be sampled")
    return max(settings.least_per_lot, math.ceil(settings.per_100_m2 * area_m2 / 100 - 1e-9))


def draw_plan(
    lots: Sequence[Lot],
    seed: int,
    *,
    settings: SamplingSettings | None = None,
    taken: Mapping[int, int] | None = None,
) -> Plan:
    """Draw the random spots of every lot and add its worst place; raises BadEntry for a lot that can't be drawn.

    taken: the highest spot number that a zone has given already. Spots are numbered on from there.
    """
    settings = settings or SamplingSettings()
    names = [(lot.zone, lot.number) for lot in lots]
    if len(set(names)) < len(names):
        raise BadEntry("two lots of one zone have the same number")
    last = dict(taken or {})
    spots: list[PlannedSpot] = []
    for lot in lots:
        drawn = _draw_lot(lot, seed, last.get(lot.zone, 0), settings)
        spots += drawn
        last[lot.zone] = drawn[-1].number
        if last[lot.zone] > MOST_SPOTS:
            raise BadEntry(
                f"zone {lot.zone} would need {last[lot.zone]} spots, its tags go to {MOST_SPOTS}: cut it in two"
            )
    return Plan(seed, tuple(lots), tuple(spots), settings)


def redraw(
    lot: Lot, spot: PlannedSpot, plan: Plan, *, attempt: int = 1, settings: SamplingSettings | None = None
) -> PlannedSpot:
    """Return another place for a random spot where no sheet can lie (a column, a pallet): in the same part of the lot.

    attempt: 1 for the first stand-in, counting up. The tool draws it too, from the plan's seed. Raises BadEntry for a
    spot that wasn't drawn at random, and where nothing of its part is left.
    """
    settings = settings or plan.settings
    random = [own.number for own in plan.spots_of(lot) if own.role == "random"]
    if spot.number not in random:
        raise BadEntry(f"spot {spot.number} was not drawn at random, choose its place again by eye")
    if not 1 <= attempt < PART_CANDIDATES:
        raise BadEntry(f"no place is left around spot {spot.number}: make what blocks it a zone of its own")
    outline, known = _outline(lot, settings)
    places = draw_places(outline, len(random), _rng(plan.seed, lot))
    place = _place(lot, outline, places[random.index(spot.number), attempt], known=known)
    return replace(spot, where=place[0], x_m=place[1], y_m=place[2], pin=place[3])


def shape_of(lot: Lot, settings: SamplingSettings | None = None) -> Outline | None:
    """The lot's outline in m, None where its shape isn't known; raises BadEntry."""
    outline, known = _outline(lot, settings or SamplingSettings())
    return outline if known else None


def effort_of(plan: Plan) -> PlanEffort:
    """Return what the plan costs to shoot: overviews everywhere, then every spot at its own effort."""
    settings = plan.settings
    measured = sum(spot.effort == "measured" for spot in plan.spots)
    quick = len(plan.spots) - measured
    overviews = sum(max(2, math.ceil(lot.area_m2 / settings.overview_m2)) for lot in plan.lots)
    overview_min = overviews * settings.overview_s / 60
    minutes = overview_min + (quick * settings.quick_s + measured * settings.measured_s) / 60
    days = len(plan.spots) / settings.spots_a_day
    sentence = (
        f"{len(plan.spots)} spots: {quick} quick ({settings.quick_s:g} s each) and {measured} measured "
        f"({settings.measured_s / 60:g} min each), and about {overviews} overview photos: "
        f"{minutes:.0f} min of shooting. {settings.spots_a_day:g} spots fill a day: {days:.1f} days."
    )
    return PlanEffort(overviews, quick, measured, minutes, days, sentence)


def _draw_lot(lot: Lot, seed: int, last: int, settings: SamplingSettings) -> list[PlannedSpot]:
    wanted = wanted_spots(lot.area_m2, settings)
    outline, known = _outline(lot, settings)
    if last + wanted + 1 > MOST_SPOTS:
        raise BadEntry(f"{lot.name} wants {wanted} spots; the zone's tags go to {MOST_SPOTS}: cut it in two")
    rng = _rng(seed, lot)
    places = draw_places(outline, wanted, rng)[:, 0]
    count = wanted if lot.is_mock_up else math.ceil(wanted / settings.measured_one_in)
    # The edge strip only estimates: where nothing else fits, nothing is asked to be measured.
    fits = not known or outline.room_m >= SHEET_ALONG_M
    measured = set(rng.permutation(wanted)[: count if fits else 0].tolist())
    spots = []
    for index, xy in enumerate(places):
        where, x_m, y_m, pin = _place(lot, outline, xy, known=known)
        effort: Effort = "measured" if index in measured else "quick"
        shots = SHOTS[lot.measure_with] if effort == "measured" else QUICK
        number = last + index + 1
        spots.append(PlannedSpot(lot.zone, lot.number, number, "random", effort, shots, where, x_m, y_m, pin))
    worst = "the worst place you can see here; write down where it is"
    return [
        *spots,
        PlannedSpot(lot.zone, lot.number, last + wanted + 1, "worst", "quick", QUICK, worst),
    ]


def _rng(seed: int, lot: Lot) -> np.random.Generator:
    if seed < 0:
        raise BadEntry("the seed of a plan is a whole number from 0")
    return np.random.default_rng([seed, lot.zone, lot.number])


def _outline(lot: Lot, settings: SamplingSettings) -> tuple[Outline, bool]:
    """The lot's outline in m and True; without a shape the square of shares 0..1 and False."""
    wanted_spots(lot.area_m2, settings)
    if lot.corners_m:
        outline = outline_of(lot.corners_m, _rooms(settings))
        told = area_m2(outline.corners_m)
    elif lot.length_m is not None and lot.width_m is not None:
        if not (min(lot.length_m, lot.width_m) > 0 and math.isfinite(lot.length_m * lot.width_m)):
            raise BadEntry(f"{lot.name}: length and width must be positive")
        long_m, short_m = max(lot.length_m, lot.width_m), min(lot.length_m, lot.width_m)
        told = long_m * short_m
        outline = outline_of([(0, 0), (long_m, 0), (long_m, short_m), (0, short_m)], _rooms(settings))
    else:
        side = math.sqrt(lot.area_m2)
        return outline_of([(0, 0), (1, 0), (1, 1), (0, 1)], (min(settings.edge_m / side, 0.25),)), False
    if abs(told - lot.area_m2) > AREA_AGREES * max(told, lot.area_m2):
        raise BadEntry(f"{lot.name}: its shape has {told:.1f} m2, but {lot.area_m2:.1f} m2 were told")
    return outline, True


def _rooms(settings: SamplingSettings) -> tuple[float, ...]:
    return tuple(sorted({settings.edge_m, SHEET_M, SHEET_ALONG_M}, reverse=True))


def _place(
    lot: Lot, outline: Outline, xy: FloatArray, *, known: bool
) -> tuple[str, float | None, float | None, tuple[float, float]]:
    """The place in words, its x and y in m where the shape is known, and its pin."""
    # To a centimetre, as a tape on a floor; never rounded out of the room it was drawn in.
    x, y = (float(v) for v in np.round(xy, 2))
    wide, high = outline.size_m
    pin = (round(float(xy[0]) / wide, 3), round(float(xy[1]) / high, 3))
    if not known:
        where = f"from {lot.corner}, {pin[0]:.0%} of the part's length along and {pin[1]:.0%} of its width in"
        return where.replace("%", " %"), None, None, pin
    narrow = ""
    if outline.room_m < SHEET_ALONG_M:
        narrow = "; too narrow for the sheet, lay the edge strip"
    elif outline.room_m < SHEET_M:
        narrow = "; lay the sheet with its long side along the strip"
    if lot.corners_m:
        where = (
            f"pin on the plan {100 * pin[0]:.0f} % across and {100 * pin[1]:.0f} % up: {x:.2f} m from the zone's left "
            f"edge, {y:.2f} m from its bottom edge{narrow}"
        )
    else:
        where = f"from {lot.corner}: {x:.2f} m along the long side, then {y:.2f} m in{narrow}"
    return where, x, y, pin
