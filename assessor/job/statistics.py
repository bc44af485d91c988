"""Acceptance statistics of a zone: how much of it is in range and how rough it is, each with what so few spots can say.

A share stands with Wilson's 95 % two-sided interval (1927, JASA 22, 209; `surface.points`), a mean with Student's. Only
spots that the tool drew at random count; spots drawn because one failed, and the worst place, are listed apart. Where
the lots of a zone were sampled at different densities (a small lot gets three spots too), every spot stands for its
share of the floor: the zone's share is weighted by area, and its interval uses Kish's effective number of spots.

Wilson's lower limit for "all passed" is a little generous below 46 spots: a floor with 57 % in range still passes five
of five with chance 0.57^5 = 6 %, not 2.5 %. The exact limit (Clopper and Pearson) stands beside it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from scipy.stats import beta, norm

from assessor.grading.intervals import LEVEL, MeanStatistic, mean_of, spaced
from assessor.job.sampling import Lot, SamplingSettings, SpotRole, wanted_spots
from assessor.surface.points import wilson
from assessor.values import TargetRange

Side = Literal["short", "in", "over"]

SCALE_ENDS = (1.0, 10.0)  # of the chips


@dataclass(frozen=True, slots=True)
class Proof:
    """What so many passed spots say of the floor: the share in range with its 95 % limits.

    low95, high95: Wilson; exact_low95: Clopper and Pearson's lower limit, which never promises too much.
    """

    n: int
    passed: int
    low95: float
    high95: float
    exact_low95: float
    sentence: str


@dataclass(frozen=True, slots=True)
class SpotReading:
    """The reading that stands for one spot: one chip (low = high), or between two neighbours."""

    spot: int
    lot: int
    low: int
    high: int
    role: SpotRole = "random"

    @property
    def grade(self) -> float:
        """The reading as one number: 3.5 for between 3 and 4."""
        return (self.low + self.high) / 2

    @property
    def words(self) -> str:
        """The reading in words."""
        return f"CSP {self.low}" if self.low == self.high else f"between CSP {self.low} and {self.high}"


@dataclass(frozen=True, slots=True)
class LotStatistics:
    """One lot: its random spots wanted, read and in range, with Wilson's 95 % limits (None where none was read)."""

    lot: int
    name: str
    area_m2: float
    wanted: int
    read: int
    passed: int
    low95: float | None
    high95: float | None


@dataclass(frozen=True, slots=True)
class ZoneStatistics:
    """One zone. share, low95, high95: of the floor in range, weighted by the lots' areas; None where nothing was read.

    effective: the number of spots that the interval rests on. off: readings outside the range, every role, by spot.
    missing: random spots wanted and not read. sentences: the whole in words.
    """

    zone: int
    target: TargetRange
    read: int
    passed: int
    missing: int
    share: float | None
    low95: float | None
    high95: float | None
    effective: float
    mean: MeanStatistic | None
    counts: tuple[tuple[float, int], ...]
    by_lot: tuple[LotStatistics, ...]
    off: tuple[SpotReading, ...]
    sentences: tuple[str, ...]


def what_it_proves(n: int, passed: int, *, level: float = LEVEL) -> Proof:
    """Return what `passed` of n random spots in range say of the floor; ValueError unless 0 <= passed <= n, n > 0."""
    low, high = wilson(passed, n, level)
    exact = 0.0 if passed == 0 else float(beta.ppf((1 - level) / 2, passed, n - passed + 1))
    if passed == n:
        said = (
            f"All {n} random spots in range: that shows only that over about {low:.0%} of the floor is "
            f"(Wilson, {level:.0%}); a floor with {low:.0%} in range would still pass {n} of {n} with chance "
            f"{low**n:.0%}. With every spot in range, {spots_to_show(0.8)} spots would show 80 %, "
            f"{spots_to_show(0.9)} spots 90 %."
        )
    else:
        said = (
            f"{passed} of {n} random spots in range: that shows that {low:.0%} to {high:.0%} of the floor is "
            f"(Wilson, {level:.0%})."
        )
    return Proof(n, passed, low, high, exact, spaced(said))


def spots_to_show(share: float, *, level: float = LEVEL) -> int:
    """Random spots that have to pass, all of them, for Wilson's lower limit to reach `share` (0 to 1, not 1)."""
    if not 0 < share < 1:
        raise ValueError("share must lie between 0 and 1")
    z2 = float(norm.ppf(0.5 + level / 2)) ** 2
    # The lower limit of n of n is n / (n + z^2).
    return math.ceil(share * z2 / (1 - share) - 1e-9)


def place_of(low: int, high: int, target: TargetRange) -> Side:
    """Where a reading lies: "in" only where both chips are in the range, else the side it hangs over.

    Between 3 and 4 is short for 4-6: that part of the floor is smoother than chip 4.
    """
    if low < target.low:
        return "short"
    return "over" if high > target.high else "in"


def zone_statistics(
    zone: int,
    readings: Sequence[SpotReading],
    target: TargetRange,
    lots: Sequence[Lot],
    *,
    settings: SamplingSettings | None = None,
) -> ZoneStatistics:
    """Return the statistics of a zone from the reading that stands for each spot; ValueError for an unknown lot."""
    unknown = {reading.lot for reading in readings} - {lot.number for lot in lots}
    if unknown:
        raise ValueError(f"zone {zone} has no lot {min(unknown)}")
    random = [reading for reading in readings if reading.role == "random"]
    by_lot = tuple(_lot_statistics(lot, random, target, settings) for lot in lots)
    share, effective = _weighted(by_lot)
    low, high = (None, None) if share is None else wilson(share * effective, effective, LEVEL)
    mean = mean_of([reading.grade for reading in random]) if random else None
    found = ZoneStatistics(
        zone=zone,
        target=target,
        read=len(random),
        passed=sum(lot.passed for lot in by_lot),
        missing=sum(max(lot.wanted - lot.read, 0) for lot in by_lot),
        share=share,
        low95=low,
        high95=high,
        effective=effective,
        mean=mean,
        counts=tuple(sorted(Counter(reading.grade for reading in random).items())),
        by_lot=by_lot,
        off=tuple(r for r in readings if place_of(r.low, r.high, target) != "in"),
        sentences=(),
    )
    return _with_sentences(found)


def _lot_statistics(
    lot: Lot, random: Sequence[SpotReading], target: TargetRange, settings: SamplingSettings | None
) -> LotStatistics:
    own = [reading for reading in random if reading.lot == lot.number]
    passed = sum(place_of(reading.low, reading.high, target) == "in" for reading in own)
    low, high = wilson(passed, len(own), LEVEL) if own else (None, None)
    wanted = wanted_spots(lot.area_m2, settings)
    return LotStatistics(lot.number, lot.name, lot.area_m2, wanted, len(own), passed, low, high)


def _weighted(lots: Sequence[LotStatistics]) -> tuple[float | None, float]:
    """The share in range weighted by area, and Kish's effective number of spots, (sum w)^2 / sum w^2."""
    read = [lot for lot in lots if lot.read]
    if not read:
        return None, 0.0
    # Every spot of a lot stands for area / read m2 of it.
    total = sum(lot.area_m2 for lot in read)
    share = sum(lot.area_m2 * lot.passed / lot.read for lot in read) / total
    return min(share, 1.0), total**2 / sum(lot.area_m2**2 / lot.read for lot in read)


def _with_sentences(found: ZoneStatistics) -> ZoneStatistics:
    return replace(found, sentences=tuple(spaced(line) for line in _sentences(found)))


def _sentences(found: ZoneStatistics) -> list[str]:
    said = []
    if found.missing:
        said.append(f"Zone {found.zone}: {found.missing} random spots are still to be read.")
    if found.share is None or found.low95 is None or found.high95 is None or found.mean is None:
        return [
            *said,
            f"Zone {found.zone}: no random spot has been read, so nothing can be said of the floor.",
        ]
    weighted = "" if len({lot.read / lot.area_m2 for lot in found.by_lot if lot.read}) < 2 else ", by area"
    said.append(
        f"Zone {found.zone}: {found.passed} of {found.read} random spots read in CSP {found.target}"
        f" ({found.share:.0%} of the floor{weighted}; 95 %: {found.low95:.0%} to {found.high95:.0%})."
    )
    said.append(_say_mean(found.mean))
    if len(found.by_lot) > 1:
        said += [
            f"{lot.name}: {lot.passed} of {lot.read} in range"
            + ("." if lot.low95 is None else f" (95 %: {lot.low95:.0%} to {lot.high95:.0%}).")
            for lot in found.by_lot
        ]
    for reading in found.off:
        side = place_of(reading.low, reading.high, found.target)
        way = "smoother" if side == "short" else "rougher"
        said.append(f"Spot {reading.spot} ({reading.role}) was read {reading.words}: {way} than the range.")
    return said


def _say_mean(mean: MeanStatistic) -> str:
    reach = f"from {mean.least:g} to {mean.most:g}"
    if mean.n == 1:
        return f"One reading, CSP {mean.mean:g}: one spot says nothing about the spread."
    if mean.low95 is None or mean.high95 is None:
        return f"All {mean.n} readings are CSP {mean.mean:g}: the chips' steps hide what spread there is."
    # Student's limits of two or three readings run past the scale, where no reading can lie.
    low, high = max(mean.low95, SCALE_ENDS[0]), min(mean.high95, SCALE_ENDS[1])
    return (
        f"Readings: mean CSP {mean.mean:.1f} (95 %: {low:.1f} to {high:.1f}), spread {mean.sd:.1f}, {reach}."
    )
