"""One evaluation area seen in one band, and how a number found there becomes a result with its interval.

Kept apart from `measure` so that each parameter there reads as its formula: cropping and spectra are made
once in an `Area`, filters, evidence and maps once per band in a `View`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from assessor.card.layout import Rectangle
from assessor.texture.filters import (
    Spectrum,
    band_weights,
    evaluation_area,
    fill_invalid,
    remove_plane,
    spectrum,
)
from assessor.texture.noise import Evidence, Power, gather, power
from assessor.values import Band, BoolArray, FloatArray, HeightMap, Kind, Quantity, Transfer

# 90 % two-sided, 95 % one-sided, of a normal distribution.
Z90 = 1.645


@dataclass(frozen=True, eq=False)
class Area:
    """The evaluation area as spectra of map and halves; valid (H, W), or None where all of it is."""

    mean: Spectrum
    halves: tuple[Spectrum, Spectrum] | None
    valid: BoolArray | None
    valid_fraction: float
    transfer: Transfer

    @property
    def spacing_mm(self) -> float:
        """Side of a cell of the height map, mm."""
        return self.mean.spacing_mm[0]

    @property
    def sides_mm(self) -> tuple[float, float]:
        """Extent along rows and columns, mm."""
        (rows, cols), (step_y, step_x) = self.mean.shape, self.mean.spacing_mm
        return rows * step_y, cols * step_x


@dataclass(frozen=True, slots=True)
class Budget:
    """What every uncertainty shares: relative parts, variance that may be no texture, limits of reporting.

    relative: scale and unmeasured samples together; floor_mm2: variance that halves share or that was never
    split.
    """

    relative: float
    floor_mm2: float
    buried_factor: float
    say_lost_share: float
    most_lost_share: float

    def with_method(self, u_method: float) -> float:
        """Relative standard uncertainty common to a kind of parameter."""
        return math.hypot(self.relative, u_method)


@dataclass(frozen=True, eq=False)
class View:
    """The area in one band: evidence, amplitude weights (K, L) and the power of the surface."""

    area: Area
    band: Band
    evidence: Evidence
    weights: FloatArray
    power: Power
    budget: Budget
    kind: Kind

    def map(self, step_mm: float, of: Spectrum | None = None) -> tuple[FloatArray, BoolArray | None]:
        """The band map on a grid of about `step_mm`, and which of its cells are valid (None: all)."""
        shape = self.evidence.mean.grid_shape(step_mm)
        height = (of or self.evidence.mean).times(self.weights).height(shape)
        return height, _valid_on(self.area.valid, shape)

    def steps_mm(self, shape: tuple[int, ...]) -> tuple[float, float]:
        """Cell sides of a grid of `shape` over the area, mm."""
        along_y, along_x = self.area.sides_mm
        return along_y / shape[0], along_x / shape[1]

    def method(self, *more: str, cuts: str = "") -> str:
        """How the number was made, for people."""
        cuts = cuts or f"Gaussian S {self.band.short_mm:g} / L {self.band.long_mm:g} mm"
        noise = "noise removed by halves" if self.area.halves is not None else "not split, noise not removed"
        return ", ".join(
            (self.kind, cuts, "plane removed", "reflecting ends", noise, "transfer corrected", *more)
        )

    def told(self, of: Power) -> tuple[str, ...]:
        """What to add to the method where much of a power was not seen."""
        share = of.lost / of.value if of.value > 0 else 0.0
        words = f"{share:.0%} of the variance in waves too short to see, carried on from longer ones"
        return (words,) if share > self.budget.say_lost_share else ()

    def mostly_lost(self, of: Power) -> bool:
        """Whether most of a power lies in waves that were not seen, so that it is no measurement.

        A power that noise buries is not lost: it still has an upper bound.
        """
        if not math.isfinite(of.lost):
            return True
        return of.lost > self.budget.most_lost_share * of.value and of.value > 2.0 * of.u_noise

    def quantity(self, name: str, value: float, u: float, method: str, unit: str = "mm") -> Quantity:
        """A value with its interval; all but Ssk stay at or above zero."""
        low = value - Z90 * u if name == "Ssk" else max(value - Z90 * u, 0.0)
        return Quantity(name, value, u, low, value + Z90 * u, unit, self.band, self.area.spacing_mm, method)

    def at_most(self, name: str, high: float, method: str, unit: str = "mm") -> Quantity:
        """An upper bound."""
        step = self.area.spacing_mm
        return Quantity(name, high, high / Z90, 0.0, high, unit, self.band, step, method, bound="upper")

    def root(self, name: str, square: float, u_square: float, u_relative: float, method: str) -> Quantity:
        """The root of a square that noise may have buried: a value, or at most so much."""
        unit = "" if name == "Sdq" else "mm"
        if square <= self.budget.buried_factor * u_square:
            high = math.sqrt(max(square, 0.0) + Z90 * u_square) * (1.0 + Z90 * u_relative)
            return self.at_most(name, high, method, unit)
        value = math.sqrt(square)
        return self.quantity(
            name, value, math.hypot(u_square / (2 * value), u_relative * value), method, unit
        )


def cut_area(heights: HeightMap, area: Rectangle) -> Area:
    """Crop a height map and its halves to the evaluation area, fill gaps, level and transform them.

    ValueError where the map lies outside the area or nothing in it is valid.
    """
    where = evaluation_area(heights, area)
    valid = heights.valid[where]
    fraction = float(valid.mean())
    step = 1.0 / heights.px_per_mm

    def prepared(height: FloatArray) -> Spectrum:
        return spectrum(remove_plane(fill_invalid(height[where], valid), valid), step)

    mean = prepared(heights.height_mm)
    halves = None
    if heights.halves is not None:
        # A known surface comes with itself as both halves; it is transformed once.
        one, two = (mean if half is heights.height_mm else prepared(half) for half in heights.halves)
        halves = (one, two)
    return Area(mean, halves, None if fraction == 1.0 else valid, fraction, heights.transfer)


def widen(view: View, band: Band) -> View:
    """The same evidence weighed in another band with the same short cut-off (or a longer one)."""
    weights = band_weights(view.evidence.mean, band)
    return replace(view, band=band, weights=weights, power=power(view.evidence, weights**2))


def look(area: Area, band: Band, budget: Budget, *, kind: Kind, least_transfer: float) -> View:
    """See an area in one band. ValueError where the band is empty."""
    # The S-filter passes a thousandth of the amplitude at this frequency; beyond it nothing is left to sum.
    ending = 3.17 / band.short_mm
    halves = None if area.halves is None else (area.halves[0].cut(ending), area.halves[1].cut(ending))
    evidence = gather(area.mean.cut(ending), halves, area.transfer, least_transfer)
    weights = band_weights(evidence.mean, band)
    return View(area, band, evidence, weights, power(evidence, weights**2), budget, kind)


def share_of_variance(height: FloatArray, valid: BoolArray | None) -> float:
    """Mean square over the valid cells over that of all cells: the filling of gaps holds no texture."""
    if valid is None:
        return 1.0
    whole = float(np.mean(np.square(height, dtype=np.float64)))
    return float(np.mean(np.square(height[valid], dtype=np.float64))) / whole if whole > 0 else 1.0


def _valid_on(valid: BoolArray | None, shape: tuple[int, int]) -> BoolArray | None:
    if valid is None or valid.shape == shape:
        return valid
    share = cv2.resize(valid.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(share > 0.5)
