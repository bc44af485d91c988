"""A photo's window as drops are looked for in it: luminance over the paper's, and where light and camera stand."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.linear import LUMINANCE
from assessor.card.rectify import RectifySettings
from assessor.values import BoolArray, FloatArray, Light, Rectified, freeze

# Finer than other stages want it: a bead's highlight is a tenth of a millimetre or two.
DROP_GRID = RectifySettings(half_side_mm=62.0, spacing_mm=0.1)
INSIDE_MM = 57.0  # the window's rim and its shadow are left out
DARKEST = 0.01


@dataclass(frozen=True, eq=False)
class DropView:
    """Luminance (n, n) over the paper's; toward_light (3,) of the lamp, None where there is none.

    camera_mm (3,): the camera's centre in the card frame. u_light_deg: standard uncertainty of the light's direction.
    """

    luminance: FloatArray
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float
    camera_mm: FloatArray
    toward_light: FloatArray | None
    u_light_deg: float

    def __post_init__(self) -> None:
        for array in (self.luminance, self.camera_mm, self.toward_light):
            freeze(array)

    def grid_mm(self) -> tuple[FloatArray, FloatArray]:
        """x and y of every sample, (n, n) each."""
        n = self.luminance.shape[0]
        at = (np.arange(n) + 0.5) / self.px_per_mm
        x, y = np.meshgrid(self.x_min_mm + at, self.y_max_mm - at)
        return x, y

    def inside(self) -> BoolArray:
        """Samples away from the window's rim, (n, n) bool."""
        x, y = self.grid_mm()
        return np.asarray((np.abs(x) < INSIDE_MM) & (np.abs(y) < INSIDE_MM), dtype=np.bool_)

    def sample(self, field: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
        """Bilinear samples of a field on this grid at x, y in mm, (h, w) each."""
        col = ((x - self.x_min_mm) * self.px_per_mm - 0.5).astype(np.float32)
        row = ((self.y_max_mm - y) * self.px_per_mm - 0.5).astype(np.float32)
        taken = cv2.remap(
            np.asarray(field, np.float32), col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(taken, dtype=np.float32)


def view_of(rectified: Rectified, light: Light | None, camera_mm: FloatArray) -> DropView:
    """The view of a photo brought to the card plane on `DROP_GRID`; light: the lamp that makes highlights, if any."""
    luminance = np.asarray(rectified.reflectance @ LUMINANCE.astype(np.float32), dtype=np.float32)
    toward, u = None, 0.0
    if light is not None:
        azimuth, elevation = np.deg2rad(light.azimuth_deg), np.deg2rad(light.elevation_deg)
        flat = np.cos(elevation)
        toward = np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
        u = max(light.u_azimuth_deg, light.u_elevation_deg)
    return DropView(
        np.maximum(luminance, np.float32(DARKEST)),
        rectified.px_per_mm,
        rectified.x_min_mm,
        rectified.y_max_mm,
        np.array(camera_mm, dtype=float),
        toward,
        u,
    )
