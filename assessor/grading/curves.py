"""What a grade scale is: per grade, band and process, the distribution of ln Sq; `scale` loads them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from assessor.card.layout import Rectangle
from assessor.tables.loader import Edition
from assessor.values import Band

ANY = "any"
Origin = Literal["prior", "real", "rendered"]


@dataclass(frozen=True, slots=True)
class ScaleCurve:
    """ln Sq (Sq in mm) against grade for floors of one process in one band.

    log_median, log_sd, weight run over the scale's grades; weight is how common the process is among floors
    of that grade, relative to the other processes (only used where the process isn't told). at_most: how many of
    the finest grades are only known to be no rougher than something.
    """

    process: str
    words: str
    band: Band
    log_median: tuple[float, ...]
    log_sd: tuple[float, ...]
    weight: tuple[float, ...]
    at_most: int = 0

    @property
    def breaks(self) -> tuple[tuple[int, int], ...]:
        """First and last index of each run of grades whose order roughness does not follow."""
        return order_breaks(self.log_median)

    @property
    def tied(self) -> tuple[tuple[int, int], ...]:
        """First and last index of each run of grades that amplitude can't tell apart."""
        lows = ((0, self.at_most - 1),) if self.at_most > 1 else ()
        return _merged((*lows, *self.breaks))


def order_breaks(log_median: Sequence[float]) -> tuple[tuple[int, int], ...]:
    """First and last index of each run of grades in which a later one is less rough than an earlier one."""
    count = len(log_median)
    return _merged(
        tuple((a, b) for a in range(count) for b in range(a + 1, count) if log_median[b] < log_median[a])
    )


def _merged(runs: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
    """Runs that overlap as one."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(runs):
        if found and first <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], last)
        else:
            found.append((first, last))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class GradeScale:
    """A checked grade scale: edition, where it came from, and its curves.

    is_prior is True for what we ship; origin tells chips photographed for real from rendered ones. refined: what chip
    readings at the floor moved it, in words, and derived_from the name of the scale before; empty for scales as they
    were made.
    """

    name: str
    edition: Edition
    is_prior: bool
    origin: Origin
    grades: tuple[int, ...]
    curves: tuple[ScaleCurve, ...]
    chip_set: str
    who: str
    date: str
    window_mm: tuple[float, float] | None = None
    refined: str = ""
    derived_from: str = ""

    @property
    def window(self) -> Rectangle | None:
        """The window its chips were seen through, about the card's middle; None where the scale doesn't tell."""
        if self.window_mm is None:
            return None
        x, y = (side / 2 for side in self.window_mm)
        return Rectangle(-x, -y, x, y)

    @property
    def bands(self) -> tuple[Band, ...]:
        """The bands the scale knows, in the order of its rows."""
        return tuple(dict.fromkeys(curve.band for curve in self.curves))

    @property
    def processes(self) -> tuple[str, ...]:
        """The processes the scale knows, in the order of its rows."""
        return tuple(dict.fromkeys(curve.process for curve in self.curves))

    def curves_for(self, band: Band, process: str | None) -> tuple[ScaleCurve, ...]:
        """Return the curves to weigh in `band`: the process's own, else "any", else all (a mixture).

        Empty where the scale doesn't know the band.
        """
        here = tuple(curve for curve in self.curves if curve.band == band)
        for wanted in (process, ANY):
            own = tuple(curve for curve in here if curve.process == wanted)
            if own:
                return own
        return here
