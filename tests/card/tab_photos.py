"""Photos of a flat card from straight above whose tab shadows are drawn by trigonometry; nothing of `simulate`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from assessor.card.layout import Tab, card_layout
from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.card.raster import card_raster
from assessor.card.rectify import rectify
from assessor.values import Adjustment, Camera, CardSighting, Exif, FloatArray, Photo, PrintScale, Rectified
from tests.card.sightings import FLAT, sightings_of

PX_PER_MM, FINE, BLUR_PX = 5.0, 6, 0.8
PAPER_MM = (208.0, 290.0)
SIZE_PX = (1040, 1450)
HEIGHT_MM = 20_000.0  # so far up that the standing tabs hide next to nothing
CAMERA = Camera(
    "above.png", PX_PER_MM * HEIGHT_MM, ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2), 0.0, 0.0,
    np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, HEIGHT_MM]),
)  # fmt: skip


@dataclass(frozen=True)
class Lamp:
    """A light: direction toward it, its share of the light, angular radius, distance (None = far)."""

    azimuth_deg: float
    elevation_deg: float
    share: float = 0.8
    half_angle_deg: float = 0.27
    distance_mm: float | None = None


@dataclass(frozen=True)
class Tabs:
    """How the four tabs stand: lean away from the window, error of their height, and which are up at all."""

    lean_deg: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    taller_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    up: tuple[bool, bool, bool, bool] = (True, True, True, True)


@cache
def plain() -> FloatArray:
    return np.asarray(linear_of_byte()[card_raster(card_layout(7), PX_PER_MM, PAPER_MM)] * 0.95 + 0.05)


def shadow_corners(tab: Tab, lamp: Lamp, off: list[float], lean_deg: float, taller_mm: float) -> FloatArray:
    """(3, 2) mm: the fold's ends and the tip's shadow, for a point of the disc `off` (across, up) degrees away."""
    base = np.array(tab.base_mm)
    outward = np.subtract(tab.tip_flat_mm, base.mean(0))
    height = np.linalg.norm(outward) + taller_mm
    lean, up = np.radians(lean_deg), np.radians(lamp.elevation_deg + off[1])
    turn = np.radians(lamp.azimuth_deg + off[0] / np.cos(np.radians(lamp.elevation_deg)))
    tip = base.mean(0) + outward / np.linalg.norm(outward) * height * np.sin(lean)
    high = height * np.cos(lean)
    toward = np.array([np.cos(up) * np.cos(turn), np.cos(up) * np.sin(turn), np.sin(up)])
    if lamp.distance_mm is not None:
        toward = toward * lamp.distance_mm - (*tip, high)
    return np.vstack([base, tip - toward[:2] / toward[2] * high])


def hidden(lamp: Lamp, tabs: Tabs) -> FloatArray:
    """(H, W) share of one lamp's light that the tabs take."""
    lost = np.zeros((SIZE_PX[1], SIZE_PX[0]), np.float32)
    points = 4 if lamp.half_angle_deg < 0.5 else 12
    radius, turn = (
        lamp.half_angle_deg * np.sqrt((np.arange(points) + 0.5) / points),
        2.39996 * np.arange(points),
    )
    across, up_deg = radius * np.cos(turn), radius * np.sin(turn)
    weight = np.sin(np.radians(lamp.elevation_deg + up_deg))  # of an evenly bright disc on level paper
    for off, part in zip(np.column_stack([across, up_deg]).tolist(), weight / weight.sum(), strict=True):
        for tab, lean, taller, up in zip(
            card_layout(0).tabs, tabs.lean_deg, tabs.taller_mm, tabs.up, strict=True
        ):
            if up:
                add(lost, shadow_corners(tab, lamp, off, lean, taller), float(part))
    return lost


def fall_off(lamp: Lamp) -> FloatArray:
    """(H, W) light of a near lamp on level paper over that at the window's centre: cosine over square of distance."""
    if lamp.distance_mm is None:
        return np.ones((1, 1), np.float32)
    x, y = (np.arange(n) + 0.5 for n in SIZE_PX)
    x, y = x / PX_PER_MM - PAPER_MM[0] / 2, PAPER_MM[1] / 2 - y / PX_PER_MM
    turn, up = np.radians(lamp.azimuth_deg), np.radians(lamp.elevation_deg)
    at = lamp.distance_mm * np.array([np.cos(up) * np.cos(turn), np.cos(up) * np.sin(turn), np.sin(up)])
    square = (x - at[0]) ** 2 + ((y - at[1]) ** 2)[:, None] + at[2] ** 2
    return np.asarray((lamp.distance_mm**2 / square) ** 1.5, np.float32)


def add(lost: FloatArray, corners_mm: FloatArray, amount: float) -> None:
    """Add a triangle's area to each pixel: FINE x FINE places a pixel; inside lies on one side of all three edges."""
    px = (corners_mm * (1, -1) + np.array(PAPER_MM) / 2) * PX_PER_MM  # pixel edges at whole numbers
    low = np.floor(px.min(0)).astype(int)
    size = np.ceil(px.max(0)).astype(int) - low + 1
    at = (px - low) * FINE - 0.5
    x, y = (np.arange(n * FINE, dtype=np.float32) for n in size)
    sides = [
        np.float32(q[0] - p[0]) * (y[:, None] - np.float32(p[1]))
        - np.float32(q[1] - p[1]) * (x - np.float32(p[0]))
        for p, q in zip(at, np.roll(at, -1, 0), strict=True)
    ]
    around = np.sign(np.linalg.det(at[1:] - at[0]))
    fine = np.logical_and.reduce([side * around > 0 for side in sides]).astype(np.float32)
    cover = fine.reshape(size[1], FINE, size[0], FINE).mean((1, 3)) * amount
    first, last = np.maximum(low, 0), np.minimum(low + size, SIZE_PX)
    if (last > first).all():
        part = cover[first[1] - low[1] : last[1] - low[1], first[0] - low[0] : last[0] - low[0]]
        lost[first[1] : last[1], first[0] : last[0]] += part


def photo(
    lamps: tuple[Lamp, ...], tabs: Tabs = Tabs(), *, name: str = "above.png", shade: FloatArray | None = None,
    seed: int = 1,
) -> Photo:  # fmt: skip
    """A photo of the lit card; shade (H, W): what more is taken of all light."""
    light = np.full((SIZE_PX[1], SIZE_PX[0]), 1 - sum(lamp.share for lamp in lamps), np.float32)
    for lamp in lamps:
        light += lamp.share * fall_off(lamp) * (1 - hidden(lamp, tabs))
    if shade is not None:
        light *= shade
    light /= max(light.max(), 1.0)
    linear = cv2.GaussianBlur(0.8 * plain() * light, (0, 0), BLUR_PX)
    noise = np.random.default_rng(seed).standard_normal(linear.shape, dtype=np.float32)
    table = bytes_from_linear(np.arange(8192) / 8191)
    grey = table[np.clip(8191 * (linear + 0.006 * noise), 0, 8191).astype(np.int32)]
    return Photo(name, np.repeat(grey[..., None], 3, 2), Exif(), "0" * 64)


def seen(photos: list[Photo]) -> tuple[list[CardSighting], Adjustment, list[Rectified]]:
    """Everything that `read_lights` wants besides the photos."""
    sighting = sightings_of([CAMERA], FLAT, np.random.default_rng(0), size_px=SIZE_PX)[0]
    sighting = replace(sighting, edge_width_mm=2.56 * BLUR_PX / PX_PER_MM)
    adjustment = Adjustment(
        (CAMERA,) * len(photos), PrintScale(), np.zeros(3), (0.0,) * len(photos), 0.03, 0.004, "exif", 0.001
    )
    return [sighting] * len(photos), adjustment, [rectify(p, CAMERA, adjustment) for p in photos]
