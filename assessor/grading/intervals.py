"""Means with Student's interval, and words for shares: what acceptance and agreement have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from scipy.stats import t

LEVEL = (
    0.95  # as standards state acceptance and agreement; the tool's own measured values carry 90 % intervals
)


@dataclass(frozen=True, slots=True)
class MeanStatistic:
    """Mean and spread of n values; sd, low95, high95 are None where n or the chips' steps can't tell them."""

    n: int
    mean: float
    sd: float | None
    low95: float | None
    high95: float | None
    least: float
    most: float


def t_interval(mean: float, sd: float, n: int, level: float = LEVEL) -> tuple[float, float] | None:
    """Student's interval of the mean of n values with standard deviation sd; None for one value."""
    if n < 2:
        return None
    half = float(t.ppf(0.5 + level / 2, n - 1)) * sd / math.sqrt(n)
    return mean - half, mean + half


def mean_of(values: Sequence[float]) -> MeanStatistic:
    """Mean, spread and Student's 95 % interval of values in any unit; ValueError where there are none.

    All alike gives no interval: values that were rounded (chips step a whole grade) then hide their spread.
    """
    if not values:
        raise ValueError("no values")
    sd = stdev(values) if len(values) > 1 else None
    interval = t_interval(fmean(values), sd, len(values)) if sd else None
    low, high = interval or (None, None)
    return MeanStatistic(len(values), fmean(values), sd, low, high, min(values), max(values))


def spaced(text: str) -> str:
    """The text with its percent signs set off, as everywhere in this package."""
    return text.replace("%", " %").replace("  %", " %")
