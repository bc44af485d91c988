"""The frozen values passed between stages, and nothing else.

Conventions, written once:

- **Card frame**, mm: origin at the centre of the window, +x to the right as one reads the sheet, +y toward
  the sheet's top, +z out of the paper toward the camera. Heights grow toward the camera.
- **Pixels**: `xy_px` is (x, y) with the origin at the *centre* of the first pixel; arrays are `[row, col]`.
- **Rasters of the window**: row 0 lies at the largest y (the sheet's top), column 0 at the smallest x. Sample
  k of n lies at (k + 0.5) / px_per_mm from the edge; n samples span n / px_per_mm.
- `valid` masks are positive: True means usable.
- Arrays inside values are read-only; a stage hands over fresh arrays and keeps no reference.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
BoolArray = NDArray[np.bool_]
U8Array = NDArray[np.uint8]
Kind = Literal["single", "angles", "torch", "overview"]
Bound = Literal["value", "upper"]


def freeze(array: NDArray[Any] | None) -> None:
    """Make an array read-only in place (values are shared between stages)."""
    if array is not None:
        array.flags.writeable = False


@dataclass(frozen=True, slots=True)
class Exif:
    """What the camera wrote into the file; None where it wrote nothing.

    `focal_35mm` is the 35 mm equivalent focal length (Exif 2.32 tag FocalLengthIn35mmFilm), mm.
    `taken_at` is the camera's local time as ISO 8601 without zone.
    """

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom_ratio: float | None = None
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    flash_fired: bool | None = None
    taken_at: str | None = None


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo: upright, sRGB bytes, (H, W, 3) uint8 in R, G, B order."""

    name: str
    rgb_u8: U8Array
    exif: Exif
    sha256: str

    def __post_init__(self) -> None:
        if self.rgb_u8.dtype != np.uint8 or self.rgb_u8.ndim != 3 or self.rgb_u8.shape[2] != 3:
            raise ValueError("rgb_u8 must be (H, W, 3) uint8")
        freeze(self.rgb_u8)

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self.rgb_u8.shape[1], self.rgb_u8.shape[0]


@dataclass(frozen=True, slots=True)
class PrintScale:
    """How the paper print differs from the drawing: printed mm over drawn mm along each axis.

    `checked` is True where a person read both bars with a tape; then `u_x`, `u_y` are the relative standard
    uncertainties of the reading, otherwise of what printers do.
    """

    x: float = 1.0
    y: float = 1.0
    u_x: float = 0.017
    u_y: float = 0.017
    checked: bool = False


@dataclass(frozen=True, eq=False)
class CardSighting:
    """The card as read in one photo.

    marker_ids (M,) int; corners_px (M, 4, 2) sub-pixel, in the marker's own order (top left, top right,
    bottom right, bottom left as printed); corner_sd_px (M, 4) estimated standard deviation of each corner.
    px_from_mm (3, 3): homography from the drawn card plane to pixels. edge_width_px is the 10-90 % width of the
    card's own black-white edges (blur); edge_width_mm the same on the card; white_linear / black_linear are
    the linear levels (0..1) of paper and ink in this photo; noise_linear the paper's pixel noise, relative.
    """

    photo_name: str
    size_px: tuple[int, int]
    design: str
    serial: int | None
    marker_ids: NDArray[np.int_]
    corners_px: FloatArray
    corner_sd_px: FloatArray
    px_from_mm: FloatArray
    px_per_mm: float
    tilt_deg: float
    edge_width_px: float
    edge_width_mm: float
    white_linear: float
    black_linear: float
    noise_linear: float
    clipped_fraction: float
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for array in (self.marker_ids, self.corners_px, self.corner_sd_px, self.px_from_mm):
            freeze(array)


@dataclass(frozen=True, eq=False)
class Camera:
    """One photo's camera: pinhole with two radial terms (OpenCV's convention).

    camera_from_card (3, 3) rotation, shift_mm (3,) so that X_cam = R X_card + t; focal and centre in pixels.
    """

    photo_name: str
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    camera_from_card: FloatArray
    shift_mm: FloatArray

    def __post_init__(self) -> None:
        freeze(self.camera_from_card)
        freeze(self.shift_mm)

    @property
    def position_mm(self) -> FloatArray:
        """Camera centre in the card frame, (3,) mm."""
        return np.asarray(-self.camera_from_card.T @ self.shift_mm)

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Project (..., 3) card-frame points in mm to (..., 2) pixels."""
        cam = points_mm @ self.camera_from_card.T + self.shift_mm
        x, y = cam[..., 0] / cam[..., 2], cam[..., 1] / cam[..., 2]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (self.k1 + r2 * self.k2)
        return np.stack(
            [self.focal_px * x * radial + self.centre_px[0], self.focal_px * y * radial + self.centre_px[1]],
            axis=-1,
        )


@dataclass(frozen=True, eq=False)
class Adjustment:
    """Cameras of a capture, fitted together to all marker corners.

    print_scale: the card's true size used (aspect solved where unchecked). bow_mm: (3,) quadratic form
    (a, b, c) of the sheet, z = a u^2 + b u v + c v^2 with u, v = x, y over half the sheet. rms_px: reprojection
    residual; rms_mm the same on the card. focal_source: exif or solved. u_gain: relative standard uncertainty of
    heights from the geometry alone (focal length, poses), without the print scale.
    """

    cameras: tuple[Camera, ...]
    print_scale: PrintScale
    bow_mm: FloatArray
    marker_offset_mm: tuple[float, ...]
    rms_px: float
    rms_mm: float
    focal_source: str
    u_gain: float
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze(self.bow_mm)


@dataclass(frozen=True, eq=False)
class Rectified:
    """Window and surround of one photo on the card plane, as linear reflectance relative to the paper white.

    reflectance (H, W, 3) float32 in linear sRGB, 1 = the card's white paper in the same light; valid (H, W).
    x_min_mm, y_max_mm: outer edge of the first sample. light_gradient: relative fall-off of the paper white over
    the sheet (largest over smallest, minus 1). white_spread: robust relative spread of the paper white about the
    smooth light (dirt, shadows, wrinkles, tone curve). white_fit (6, 3): log of the white per channel over
    1, u, v, u^2, u v, v^2 with u, v = x, y / 100 mm.
    """

    photo_name: str
    reflectance: FloatArray
    valid: BoolArray
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    light_gradient: float
    white_spread: float
    white_fit: FloatArray

    def __post_init__(self) -> None:
        freeze(self.white_fit)
        freeze(self.reflectance)
        freeze(self.valid)


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

    With bound = "upper" only `high90` is a claim ("at most"); `value` then repeats `high90`.
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


@dataclass(frozen=True, slots=True)
class TargetRange:
    """The grades the next product asks for, by the scale's own keys (low and high included)."""

    low: int
    high: int

    def __str__(self) -> str:
        return f"{self.low}-{self.high}"


@dataclass(frozen=True, slots=True)
class RangeVerdict:
    """What the suggestion says about a target range.

    call is one of: chip (ready for the chip), rework, shot (can't tell: take `next_shot`).
    """

    target: TargetRange
    p_short: float
    p_in_range: float
    p_over: float
    call: Literal["chip", "rework", "shot"]
    sentence: str
    next_shot: str | None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Probability per grade; never a grade. A person confirms against the chips.

    grades and probabilities run in scale order and sum to 1. set90: the grades that hold 90 %. abstained_because:
    a sentence where no grade may be named. narrows: the capture that would narrow the set, and why.
    """

    scale_name: str
    scale_edition: str
    scale_is_prior: bool
    grades: tuple[int, ...]
    probabilities: tuple[float, ...]
    set90: tuple[int, ...]
    best: int | None
    confidence: float
    abstained_because: str | None
    reasons: tuple[str, ...]
    narrows: str | None
    verdict: RangeVerdict | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class CaptureResult:
    """Everything the pipeline made of one capture; summaries go to the record, arrays only to pictures."""

    kind: Kind
    photos: tuple[Photo, ...]
    sightings: tuple[CardSighting, ...]
    adjustment: Adjustment
    rectified: tuple[Rectified, ...]
    heights: HeightMap
    texture: Texture
    suggestion: Suggestion
    refused: tuple[Exception, ...]
    seconds: dict[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
