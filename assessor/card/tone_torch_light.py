"""The light of one near torch on the sheet, as its place tells it: inverse square, cosine, beam, and the tabs' shadows.

Only ratios over the sheet count: the light is 1 at the window's centre. The beam is a bell about an aim near the centre
(cos^m of a small angle), so its logarithm is linear in m and in m times the aim's error.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.layout import card_layout
from assessor.values import BoolArray, FloatArray, Light

USUAL_DISTANCE_MM = 420.0  # the guide asks for 350-500 mm
SHEET_HALF_MM = (105.0, 148.5)  # what the bow counts from: half an A4 sheet


@dataclass(frozen=True, slots=True)
class TorchPlace:
    """Where a torch stands, seen from the window's centre: azimuth (rad), tan(elevation), distance in mm."""

    azimuth: float
    tan_elevation: float
    distance_mm: float

    @property
    def lamp_mm(self) -> FloatArray:
        """Position (3,) in the card frame."""
        level = self.distance_mm / np.hypot(1.0, self.tan_elevation)
        return np.array(
            [level * np.cos(self.azimuth), level * np.sin(self.azimuth), level * self.tan_elevation]
        )


def place_of(light: Light) -> TorchPlace:
    """The place that the tabs tell; the usual distance where they tell none."""
    elevation = np.deg2rad(light.elevation_deg)
    distance = USUAL_DISTANCE_MM if light.position_mm is None else float(np.linalg.norm(light.position_mm))
    return TorchPlace(float(np.deg2rad(light.azimuth_deg)), float(np.tan(elevation)), distance)


def sheet_points(xy_mm: FloatArray, bow_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points (N, 3) on the bowed sheet and its slopes dz/dx, dz/dy there, (N, 2)."""
    half = np.array(SHEET_HALF_MM)
    u, v = (xy_mm / half).T
    a, b, c = bow_mm
    z = a * u * u + b * u * v + c * v * v
    return np.column_stack([xy_mm, z]), np.column_stack([2 * a * u + b * v, b * u + 2 * c * v]) / half


def log_fall_off(place: TorchPlace, points_mm: FloatArray, slopes: FloatArray) -> FloatArray:
    """Log of an even lamp's light on the sheet, (N,), over that on level paper at the window's centre."""
    lamp = place.lamp_mm
    line = lamp - points_mm
    cosine = np.maximum(line[:, 2] - (slopes * line[:, :2]).sum(1), 1e-3)
    return np.asarray(np.log(cosine / lamp[2]) - 1.5 * np.log((line**2).sum(1) / (lamp @ lamp)))


def beam_terms(place: TorchPlace, points_mm: FloatArray) -> FloatArray:
    """(N, 3): log of a beam of power 1, and what an aim 1 rad higher or to one side adds to it per power."""
    lamp = place.lamp_mm
    axis = -lamp / np.linalg.norm(lamp)
    side = np.array([-np.sin(place.azimuth), np.cos(place.azimuth), 0.0])
    up = np.cross(axis, side)
    line = points_mm - lamp
    ahead = line @ axis
    above, beside = np.arctan2(line @ up, ahead), np.arctan2(line @ side, ahead)
    return np.column_stack([-(above**2 + beside**2) / 2, above, beside])


def tab_shade(
    place: TorchPlace, xy_mm: FloatArray, scale: tuple[float, float], margin_mm: float
) -> tuple[BoolArray, BoolArray]:
    """Which places (N, 2) lie in a tab's full shadow, and which may be touched by one, (N,) each.

    margin_mm: from the drawn outline of the shadow, for tabs that lean and edges that are soft.
    """
    full, touched = np.zeros((2, len(xy_mm)), bool)
    lamp = place.lamp_mm
    for tab in card_layout(0).tabs:
        tip = np.array(tab.tip_mm) * (*scale, 1.0)
        end = tip[:2] + (tip[:2] - lamp[:2]) * tip[2] / (lamp[2] - tip[2])
        base = np.array(tab.base_mm) * scale
        outline = np.array([*base, end], dtype=np.float32)[:, None]
        inside = np.array([cv2.pointPolygonTest(outline, (float(x), float(y)), True) for x, y in xy_mm])
        full |= inside > margin_mm
        touched |= inside > -2 * margin_mm
    return full, touched
