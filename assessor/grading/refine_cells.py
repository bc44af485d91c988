"""Where on the scale a floor lies that was read as a chip, and how far its measured roughness is from the curve there.

A reading is ordinal, and readers err. Chip 3 alone says 2.5 to 3.5, give or take the reader. But a site's floors lie
about a level of their own, and of those read 2 where most read 4 many are 3s read low: taken at their word they would
bend the curve at its ends, the more the more are read (regression dilution). So a position is drawn toward the site's
mean by the share of the readings' variance that is not floors: normal theory, Fuller 1987, Measurement Error Models,
1.1. The readers' error comes from spots that two people read, weighed against an assumed one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from assessor.grading.curves import ScaleCurve
from assessor.grading.refine_fit import Offsets
from assessor.tables.loader import Edition
from assessor.values import Band, FloatArray

# Nodes and weights of a normal distribution, for means over a position.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class CellSettings:
    """What is assumed of readings; in grades, working values of ours (no figure is known from the literature)."""

    reader_sd: float = 0.40  # of one reader about the floor's place, rounding to chips apart
    reader_spots: float = 10.0  # twice-read spots that weigh as much as this assumption
    beyond_ends: float = 1.0  # floors read as an end chip may lie past it by so much, as in suggest
    least_floor_sd: float = 0.25  # of floors of one site; they are never all the same


@dataclass(frozen=True, slots=True)
class ReadSpot:
    """One chip reading at one measured spot. log_value: ln Sq (mm) in `band`, u_log its standard uncertainty.

    low, high: the chip read (low = high), or the two it lies between. estimated: from too few photos to measure.
    """

    spot: str
    log_value: float
    u_log: float
    band: Band
    process: str | None
    low: int
    high: int
    reader: str
    edition: Edition
    site: str
    aggregate: str
    camera: str
    rendered: bool
    estimated: bool = False

    @property
    def words(self) -> str:
        """What was read."""
        return f"CSP {self.low}" if self.low == self.high else f"CSP {self.low} to {self.high}"


def offsets_of(
    curve: ScaleCurve, spots: Sequence[Sequence[ReadSpot]], settings: CellSettings | None = None
) -> Offsets:
    """Return how far each spot lies from the curve, given its readings (a list a spot).

    Readers of one spot read one floor: their readings are averaged, and the spot counts once.
    """
    settings = settings or CellSettings()
    count = len(curve.log_median)
    reader2 = _reader_variance(spots, settings)
    middle, own2 = np.array([_position(group, count, reader2, settings) for group in spots]).T
    firsts = [group[0] for group in spots]
    place, place2 = _drawn_in(middle, own2, [first.site for first in firsts], settings)

    y = place[:, None] + np.sqrt(place2)[:, None] * _NODES[None, :]
    along = _curve_at(y, np.asarray(curve.log_median))
    level = along @ _WEIGHTS
    grades = np.arange(1, count + 1)
    share = np.maximum(1 - np.abs(np.clip(y, 1, count)[:, :, None] - grades), 0)
    value = np.array([np.mean([reading.log_value for reading in group]) for group in spots])
    return Offsets(
        offset=value - level,
        u2=np.array([np.mean([reading.u_log**2 for reading in group]) for group in spots]),
        cell=(along - level[:, None]) ** 2 @ _WEIGHTS,
        at=np.einsum("nqk,q->nk", share, _WEIGHTS),
        groups=tuple((first.site, first.aggregate, first.camera) for first in firsts),
        alike=tuple(f"{first.site}|{first.low}-{first.high}" for first in firsts),
    )


def _reader_variance(spots: Sequence[Sequence[ReadSpot]], settings: CellSettings) -> float:
    """Variance of one reader about a floor, in squared grades, from spots read by several, and from what is assumed."""
    squares, free = 0.0, 0
    for group in spots:
        grades = [(reading.low + reading.high) / 2 for reading in group]
        squares += float(np.var(grades)) * len(grades)
        free += len(grades) - 1
    # Rounding to chips is no error of the reader's.
    found = max(squares - free / 12, 0.0)
    return (found + settings.reader_spots * settings.reader_sd**2) / (free + settings.reader_spots)


def _position(
    group: Sequence[ReadSpot], count: int, reader2: float, settings: CellSettings
) -> tuple[float, float]:
    """Middle of what a spot's readings leave open, and its variance."""
    low = [r.low - (r.low == r.high) * (0.5 + settings.beyond_ends * (r.low == 1)) for r in group]
    high = [r.high + (r.low == r.high) * (0.5 + settings.beyond_ends * (r.high == count)) for r in group]
    width = float(np.mean(high) - np.mean(low))
    return float(np.mean(high) + np.mean(low)) / 2, width**2 / 12 + reader2 / len(group)


def _drawn_in(
    middle: FloatArray, own2: FloatArray, sites: Sequence[str], settings: CellSettings
) -> tuple[FloatArray, FloatArray]:
    """Positions drawn toward their site's mean, and the variances that are left."""
    members: dict[str, list[int]] = defaultdict(list)
    for index, site in enumerate(sites):
        members[site].append(index)
    mean = np.empty(len(middle))
    for own in members.values():
        mean[own] = middle[own].mean()
    free = len(middle) - len(members)
    within = float(((middle - mean) ** 2).sum()) / free if free else 0.0
    floors2 = max(within - float(own2.mean()), settings.least_floor_sd**2)
    trust = floors2 / (floors2 + own2)
    return mean + trust * (middle - mean), trust * own2


def _curve_at(y: FloatArray, nodes: FloatArray) -> FloatArray:
    """The curve at positions y from 1, past both ends by its mean slope."""
    count = len(nodes)
    slope = (nodes[-1] - nodes[0]) / (count - 1)
    beyond = np.minimum(y - 1, 0) + np.maximum(y - count, 0)
    return np.asarray(np.interp(y, np.arange(1, count + 1), nodes) + slope * beyond)
