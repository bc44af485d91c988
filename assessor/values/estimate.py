"""What a learned model says of a window that was not measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from assessor.values.texture import Band, Direction

Form = Literal["single", "pair"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Sq of one window as a learned model estimates it; never a measurement.

    form: one photo, or two with the torch on opposite sides. model: name and digest of the weights. log2_sq: median of
    log2(Sq / 1 mm) in `band`; half90: calibrated 90 % half-width, octaves, the same both ways. photo_names: what went
    in. light_known: whether the light read off the tabs went in. strangeness: distance from everything the model was
    trained on, over its limit (1 = at the limit). abstained: flag codes that say why nothing is claimed, empty where
    the estimate stands. along: the light runs along ridges, which hides them.
    """

    form: Form
    model: str
    band: Band
    log2_sq: float
    half90: float
    photo_names: tuple[str, ...]
    light_known: bool
    strangeness: float
    direction: Direction
    abstained: tuple[str, ...] = ()
    along: bool = False

    @property
    def sq_mm(self) -> float:
        """Median Sq, mm."""
        return float(2.0**self.log2_sq)

    @property
    def interval_mm(self) -> tuple[float, float]:
        """The calibrated 90 % interval of Sq, mm."""
        return 2.0 ** (self.log2_sq - self.half90), 2.0 ** (self.log2_sq + self.half90)

    @property
    def log_sd(self) -> float:
        """Standard deviation of ln Sq of the normal distribution with this 90 % interval."""
        return self.half90 * math.log(2) / 1.6449
