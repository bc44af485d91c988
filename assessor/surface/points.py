"""A point count by eye: what shows under each point of a grid, and what fraction of the floor that makes.

On a plane the share of points that fall on stone is the share of its area (Delesse 1847; ASTM E562 counts so, with
points on an edge as one half: domain.md 5). The interval is Wilson's (1927, JASA 22, 209), which stays inside 0..1 and
right near the ends. It takes points as independent. For the floor around they are only where they lie further apart
than the largest stone; for the picture itself a regular grid does as well or better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import norm

from assessor.values import FloatArray, Quantity

Mark = Literal["coarse", "coarse-edge", "fine", "fine-edge", "paste", "unclear"]
MARKS: tuple[Mark, ...] = ("coarse", "coarse-edge", "fine", "fine-edge", "paste", "unclear")
# What a point counts for coarse stone and for all stone; unclear counts for neither side.
_COARSE: dict[Mark, float] = {"coarse": 1.0, "coarse-edge": 0.5}
_VISIBLE: dict[Mark, float] = {"coarse": 1.0, "coarse-edge": 0.5, "fine": 1.0, "fine-edge": 0.5}
COARSE_MM = 4.75
COUNTED_MM = 108.0  # the window less 6 mm a side, as all else is judged
MOST_A_SIDE = 20
LEVEL = 0.90


@dataclass(frozen=True, eq=False)
class PointGrid:
    """Points numbered from the top left in reading order; points_mm (rows x cols, 2) in the card frame."""

    rows: int
    cols: int
    points_mm: FloatArray

    @property
    def spacing_mm(self) -> float:
        """The smaller distance between neighbours."""
        return COUNTED_MM / max(self.rows, self.cols)


@dataclass(frozen=True, slots=True)
class CountedFraction:
    """An area fraction by points: `hits` (edges as halves) of `points`, with Wilson's 90 % interval.

    Points that nobody could tell are not in `points`; the interval holds both ways they might have gone.
    """

    hits: float
    points: int
    value: float
    low90: float
    high90: float


@dataclass(frozen=True, slots=True)
class PointCount:
    """What a count says; visible: None where only coarse stone was counted. unclear: points nobody could tell."""

    coarse: CountedFraction
    visible: CountedFraction | None
    unclear: int
    spacing_mm: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """A count beside the fraction told from the picture: count less picture, with 90 % limits."""

    difference: float
    low90: float
    high90: float

    @property
    def agree(self) -> bool:
        """Whether chance and the picture's own uncertainty may explain the difference."""
        return self.low90 <= 0 <= self.high90


def point_grid(rows: int, cols: int) -> PointGrid:
    """A regular grid over the middle 108 mm, half a spacing from its edge; ValueError outside 3 to 20 a side."""
    if not (3 <= rows <= MOST_A_SIDE and 3 <= cols <= MOST_A_SIDE):
        raise ValueError(f"a grid has 3 to {MOST_A_SIDE} points a side, not {rows} x {cols}")
    y = COUNTED_MM / 2 - (np.arange(rows) + 0.5) * COUNTED_MM / rows
    x = -COUNTED_MM / 2 + (np.arange(cols) + 0.5) * COUNTED_MM / cols
    points = np.stack([np.tile(x, rows), np.repeat(y, cols)], 1)
    return PointGrid(rows, cols, points)


def wilson(hits: float, points: float, level: float = LEVEL) -> tuple[float, float]:
    """Wilson's score interval of a share; hits may hold halves. ValueError unless 0 <= hits <= points > 0."""
    if not 0 <= hits <= points or points <= 0:
        raise ValueError(f"{hits:g} of {points:g} is no share")
    z = float(norm.ppf(0.5 + level / 2))
    p = hits / points
    middle = (p + z * z / (2 * points)) / (1 + z * z / points)
    half = z / (1 + z * z / points) * math.sqrt(p * (1 - p) / points + z * z / (4 * points * points))
    # At the ends rounding must not leave 0..1.
    low = 0.0 if hits == 0 else max(middle - half, 0.0)
    return low, 1.0 if hits == points else min(middle + half, 1.0)


def counted_fraction(hits: float, points: int, unclear: int = 0) -> CountedFraction:
    """The fraction of so many hits; ValueError where no point could be told."""
    if points <= 0:
        raise ValueError("no point could be told")
    low, _ = wilson(hits, points + unclear)
    _, high = wilson(hits + unclear, points + unclear)
    return CountedFraction(hits, points, hits / points, low, high)


def count_points(marks: Sequence[Mark], spacing_mm: float | None = None) -> PointCount:
    """Coarse and visible fraction of marked points; ValueError where none could be told."""
    unclear = sum(mark == "unclear" for mark in marks)
    points = len(marks) - unclear
    coarse, visible = (sum(table.get(mark, 0.0) for mark in marks) for table in (_COARSE, _VISIBLE))
    return PointCount(
        counted_fraction(coarse, points, unclear), counted_fraction(visible, points, unclear), unclear, spacing_mm
    )  # fmt: skip


def compare_count(counted: CountedFraction, told: Quantity | tuple[float, float, float]) -> Comparison:
    """Hold a count against a fraction told from the picture (value and its 90 % limits).

    Each side of the difference takes the halves that face it, in quadrature: both intervals may be lopsided (Newcombe
    1998, "Interval estimation for the difference between independent proportions", Statistics in Medicine 17, 873,
    method 10; from memory, verify).
    """
    value, low, high = (told.value, told.low90, told.high90) if isinstance(told, Quantity) else told
    difference = counted.value - value
    below = math.hypot(counted.value - counted.low90, high - value)
    above = math.hypot(counted.high90 - counted.value, value - low)
    return Comparison(difference, difference - below, difference + above)
