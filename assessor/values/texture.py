"""Heights of the window and what is measured on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.values.arrays import BoolArray, Bound, FloatArray, Kind, freeze


@dataclass(frozen=True, eq=False)
class Transfer:
    """How much of each wavelength's amplitude a height map passes (0..1), with its standard uncertainty."""

    wavelength_mm: FloatArray
    amplitude: FloatArray
    u_amplitude: FloatArray
    method: str

    def __post_init__(self) -> None:
        for array in (self.wavelength_mm, self.amplitude, self.u_amplitude):
            freeze(array)

    def at(self, wavelength_mm: FloatArray | float) -> FloatArray:
        """Amplitude transfer at the given wavelengths (log-linear between nodes, held at the ends)."""
        return np.asarray(
            np.interp(np.log(wavelength_mm), np.log(self.wavelength_mm), self.amplitude), dtype=float
        )

    def u_at(self, wavelength_mm: FloatArray | float) -> FloatArray:
        """Standard uncertainty of the amplitude transfer at the given wavelengths."""
        return np.asarray(
            np.interp(np.log(wavelength_mm), np.log(self.wavelength_mm), self.u_amplitude), dtype=float
        )


@dataclass(frozen=True, eq=False)
class HeightMap:
    """Heights on a square grid in mm, with two independent halves for the noise.

    height_mm (H, W) float32, valid (H, W): False where occluded or unmatched (filled smoothly there). halves:
    two maps of the same surface from disjoint photos, or None where the capture cannot be split. u_scale: relative
    standard uncertainty of every height (print scale and geometry). agreement: median correlation of the views.
    """

    height_mm: FloatArray
    valid: BoolArray
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    halves: tuple[FloatArray, FloatArray] | None
    transfer: Transfer
    shortest_trusted_mm: float
    u_scale: float
    agreement: float
    method: str
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for array in (self.height_mm, self.valid, *(self.halves or ())):
            freeze(array)
        if self.height_mm.shape != self.valid.shape:
            raise ValueError("height_mm and valid must agree in shape")


@dataclass(frozen=True, eq=False)
class SlopeMap:
    """Slopes and albedo of the window from shading under a torch on many sides (kind `torch`).

    slope_x, slope_y (H, W) float32: dz/dx and dz/dy in mm/mm, y up as in the card frame, row 0 at y_max_mm. valid (H,
    W): False where too few lights reach; filled smoothly there. halves: slopes of two disjoint sets of lights, or
    None. albedo_rgb (h, w, 3): linear reflectance over the paper's, free of shading, at albedo_px_per_mm over the
    same square. specular (h, w): what the photos hold above the matt surface, mean over the lights, over the paper's
    light. noise_is_modelled: the halves are made of the fit's residual, for with four lights nothing checks itself.
    torch_share: the torch's part of the light on level paper at the window's centre, median of the photos. shadowed:
    share of samples left out as shadow or shine. residual: rms by which photos miss the matt surface, relative.
    shining: share of the window that seems to shine and is not valid.
    """

    slope_x: FloatArray
    slope_y: FloatArray
    valid: BoolArray
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    halves: tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]] | None
    albedo_rgb: FloatArray
    albedo_px_per_mm: float
    specular: FloatArray
    n_lights: int
    noise_is_modelled: bool
    torch_share: float
    shadowed: float
    residual: float
    shining: float = 0.0
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        flat = [part for half in (self.halves or ()) for part in half]
        for array in (self.slope_x, self.slope_y, self.valid, self.albedo_rgb, self.specular, *flat):
            freeze(array)


@dataclass(frozen=True, slots=True)
class Band:
    """Wavelengths kept, mm: Gaussian S-filter cut-off to Gaussian L-filter cut-off (ISO 16610-61)."""

    short_mm: float
    long_mm: float

    def __str__(self) -> str:
        return f"{self.short_mm:g}-{self.long_mm:g} mm"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured number: value with a 90 % interval, or an upper bound where the noise buries it.

    With bound = "upper" only `high90` is a claim ("at most"); `value` then repeats `high90`. estimated: a model's
    guess from too few photos to measure, never to be shown or averaged as a measurement.
    """

    name: str
    value: float
    u: float
    low90: float
    high90: float
    unit: str
    band: Band
    spacing_mm: float
    method: str
    bound: Bound = "value"
    estimated: bool = False


@dataclass(frozen=True, slots=True)
class Direction:
    """Lay of the texture: 0-180 degrees from card +x, counter-clockwise; None where there is none (Str > 0.5).

    strength is 1 - Str (0 none, 1 pure). std_deg: Std of ISO 25178-2, the peak of the angular spectrum, which
    points across the ridges, about 90 degrees from the lay.
    """

    lay_deg: float | None
    u_deg: float | None
    strength: float
    std_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Texture:
    """Areal and profile parameters of one capture, all with band, spacing and method."""

    kind: Kind
    quantities: tuple[Quantity, ...]
    direction: Direction
    noise_floor_mm: float
    noise_band: Band
    valid_fraction: float
    flags: tuple[str, ...] = ()

    def get(self, name: str, band: Band | None = None) -> Quantity | None:
        """The quantity called `name` (in `band`, if given), or None."""
        for quantity in self.quantities:
            if quantity.name == name and (band is None or quantity.band == band):
                return quantity
        return None
