"""The card as seen, the cameras that saw it, the tone of the photos and the light on the sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assessor.values.arrays import BoolArray, FloatArray, freeze


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
    warp (10, 2): pixels to add, as a cubic (`warp_terms`) of the lens's picture over the focal length: what the
    shutter's rolling and the rest of the lens do. None where there is none.
    """

    photo_name: str
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    camera_from_card: FloatArray
    shift_mm: FloatArray
    warp: FloatArray | None = None

    def __post_init__(self) -> None:
        freeze(self.camera_from_card)
        freeze(self.shift_mm)
        freeze(self.warp)

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
        plane = np.stack([x * radial, y * radial], axis=-1)
        pixels = self.focal_px * plane + self.centre_px
        return pixels if self.warp is None else pixels + warp_terms(plane) @ self.warp


def warp_terms(plane: FloatArray) -> FloatArray:
    """All ten products x^i y^j with i + j <= 3 of (..., 2) points: (..., 10)."""
    x, y = plane[..., 0], plane[..., 1]
    one = np.ones_like(x)
    return np.stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], axis=-1)


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
class ToneCurve:
    """How one photo's bytes turn into linear light: table (256,), increasing, 0 to 0 and 1 to 1; applied per channel.

    brightness and contrast: the curve's two terms beyond sRGB with their standard uncertainties (see `card.tone`).
    u_tone: relative standard uncertainty that the curve leaves on reflectances of 0.2-0.5 of the paper's.
    u_slope: relative standard uncertainty that the curve's local slope d log(light) / d log(sRGB-coded light) leaves on
    relative differences of a torch's light on the floor, and so on heights; 0 where nobody asked (`card.tone_torch`).
    """

    photo_name: str
    table: FloatArray
    brightness: float
    contrast: float
    u_brightness: float
    u_contrast: float
    u_tone: float
    u_slope: float = 0.0

    def __post_init__(self) -> None:
        freeze(self.table)


@dataclass(frozen=True, eq=False)
class Tone:
    """What a capture's grey steps and paper say about how the phone wrote light, one curve per photo.

    grey_reflectance (6,) of the drawn steps over the paper's, white to black, with relative standard uncertainties
    u_grey. relit +- u_relit: exponent with which the phone evened out light and dark parts (0 = not at all).
    misfit: relative rms by which the grey steps of the four sides differ from one curve.
    """

    curves: tuple[ToneCurve, ...]
    grey_reflectance: FloatArray
    u_grey: FloatArray
    relit: float
    u_relit: float
    misfit: float
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze(self.grey_reflectance)
        freeze(self.u_grey)


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


@dataclass(frozen=True, slots=True)
class Light:
    """One light that casts shadows, as the tabs' shadows tell it; card frame, seen from the window's centre.

    azimuth_deg: direction toward the light, 0 = card +x, counter-clockwise, 0-360; elevation_deg above the card.
    share: its part of the light on level paper there. softness_deg: half angle of an evenly bright disc with the
    same shadows. position_mm: of a near lamp, None where it is too far to tell. tabs_used: names of the tabs.
    """

    azimuth_deg: float
    elevation_deg: float
    u_azimuth_deg: float
    u_elevation_deg: float
    share: float
    u_share: float
    softness_deg: float
    u_softness_deg: float
    position_mm: tuple[float, float, float] | None
    tabs_used: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Lighting:
    """The light of one capture: lights that cast shadows, strongest first, and what is left without direction.

    moved_deg: largest angle between a light as one photo shows it and as the others do, None where it cannot be told;
    a degree is usual where nothing moved. sentence: the same for people. method says how, or why nothing could be read.
    """

    lights: tuple[Light, ...]
    diffuse_share: float | None
    moved_deg: float | None
    method: str
    sentence: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Torches:
    """The torch in every photo of a `torch` capture, from the tabs' shadows, all photos together.

    photo_names and lights run alike, one a photo; both are empty where no tab tells. u_tan_common: relative standard
    uncertainty of tan(elevation) that all lights share (the tabs' heights, the print), which heights go with;
    u_tan_own: that of each light by itself. method says how, or why nothing could be read; sentence: the same for
    people.
    """

    photo_names: tuple[str, ...]
    lights: tuple[Light, ...]
    u_tan_common: float
    u_tan_own: tuple[float, ...]
    method: str
    sentence: str = ""
    flags: tuple[str, ...] = ()
