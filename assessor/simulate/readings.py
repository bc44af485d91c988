"""Floors read against chips, drawn from a seed: places on the scale, offsets of sites and readers' errors are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.grading.curves import ScaleCurve
from assessor.grading.refine_cells import ReadSpot
from assessor.tables.loader import Edition
from assessor.values import FloatArray, freeze


@dataclass(frozen=True, slots=True)
class ReadFloors:
    """How floors and readers are drawn: log_sd of ln Sq, sd in grades. twice: share of spots read by both readers."""

    sites: int
    spots: int
    off: float = 0.0
    site_log_sd: float = 0.10
    scatter_log_sd: float = 0.10
    measured_log_sd: float = 0.05
    reader_sd: float = 0.30
    floors_sd: float = 0.60
    twice: float = 0.30


@dataclass(frozen=True, eq=False)
class DrawnReadings:
    """Readings by spot, the true offset of each site (S,), and the middle of its floors on the scale (S,)."""

    spots: tuple[tuple[ReadSpot, ...], ...]
    offset: FloatArray
    middle: FloatArray

    def __post_init__(self) -> None:
        freeze(self.offset)
        freeze(self.middle)

    @property
    def readings(self) -> list[ReadSpot]:
        """All readings in order."""
        return [reading for spot in self.spots for reading in spot]


def draw_readings(seed: int, plan: ReadFloors, curve: ScaleCurve) -> DrawnReadings:
    """Draw floors of `curve`'s process whose true offset from the curve is known, and two readers who read them.

    A site's floors lie about a place of their own between grades 2 and 5.
    """
    rng = np.random.default_rng(seed)
    offset = plan.off + rng.normal(0, plan.site_log_sd, plan.sites)
    middle = rng.uniform(2, 5, plan.sites)
    count = len(curve.log_median)
    edition: Edition = "ten-chip" if count == 10 else "nine-chip"
    spots = []
    for s in range(plan.sites):
        for i in range(plan.spots):
            y = middle[s] + rng.normal(0, plan.floors_sd)
            value = float(
                level_at(curve, np.array([y]))[0]
                + offset[s]
                + rng.normal(0, plan.scatter_log_sd)
                + rng.normal(0, plan.measured_log_sd)
            )
            readers = 2 if rng.random() < plan.twice else 1
            chips = np.clip(np.rint(y + rng.normal(0, plan.reader_sd, readers)), 1, count).astype(int)
            spots.append(
                tuple(
                    ReadSpot(
                        f"s{s}-{i}", value, plan.measured_log_sd, curve.band, curve.process, int(chip), int(chip),
                        f"reader {(i + k) % 2}", edition, f"s{s}", "gravel", "phone", rendered=True,
                    )
                    for k, chip in enumerate(chips)
                )
            )  # fmt: skip
    return DrawnReadings(tuple(spots), offset, middle)


def level_at(curve: ScaleCurve, y: FloatArray) -> FloatArray:
    """The curve's ln Sq at positions y, past both ends by its mean slope, as suggestions weigh it."""
    nodes = np.array(curve.log_median)
    slope = (nodes[-1] - nodes[0]) / (len(nodes) - 1)
    beyond = np.minimum(y - 1, 0) + np.maximum(y - len(nodes), 0)
    return np.asarray(np.interp(y, np.arange(1, len(nodes) + 1), nodes) + slope * beyond)
