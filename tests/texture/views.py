"""Photos of a known height raster as true cameras see it: no sheet, no light, only paste of two tones.

Small and quick; the simulator with sheet, light and sensor is used in the slow tests and in test_pipeline.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np

from assessor.card.linear import bytes_from_linear
from assessor.simulate.camera import feet_on_card
from assessor.values import Adjustment, Camera, Exif, FloatArray, Photo, PrintScale
from tests.card.sightings import camera_over

SIZE_PX = (640, 580)
FOCAL_PX = 1400.0
PX_PER_MM, SIDE_MM = 5.0, 140.0


@cache
def camera_at(azimuth_deg: float, tilt_deg: float = 15.0, *, roll_deg: float = 0.0) -> Camera:
    centre = ((SIZE_PX[0] - 1) / 2 + 6, (SIZE_PX[1] - 1) / 2 - 4)
    return camera_over(
        azimuth_deg,
        tilt_deg,
        340.0,
        focal_px=FOCAL_PX,
        centre_px=centre,
        radial=(0.03, -0.02),
        roll_deg=roll_deg,
    )


def four_sides(tilt_deg: float = 15.0, *, roll_deg: float = 0.0) -> list[Camera]:
    return [camera_at(a, tilt_deg, roll_deg=roll_deg) for a in (4.0, 97.0, 182.0, 266.0)]


def grid_mm() -> tuple[FloatArray, FloatArray]:
    """x, y of a (700, 700) raster, row 0 at the largest y."""
    n = round(SIDE_MM * PX_PER_MM)
    at = (np.arange(n) + 0.5) / PX_PER_MM - SIDE_MM / 2
    x, y = np.meshgrid(at, at[::-1])
    return x, y


def waves(wavelength_mm: float = 15.0, amplitude_mm: float = 0.3, level_mm: float = -2.0) -> FloatArray:
    """Egg-box of two crossed waves: Sq = amplitude / 2, and nothing symmetric about the diagonals."""
    x, y = grid_mm()
    k = 2 * np.pi / wavelength_mm
    return np.asarray(level_mm + amplitude_mm * np.sin(k * x) * np.sin(k * y * 1.25), dtype=np.float32)


@cache
def paste(seed: int = 0) -> FloatArray:
    """Reflectance (700, 700) of speckled paste."""
    rng = np.random.default_rng(seed)
    n = round(SIDE_MM * PX_PER_MM)
    tone = np.zeros((n, n), np.float32)
    for sigma_px, weight in ((0.9, 0.35), (2.0, 0.3), (6.0, 0.3)):
        layer = cv2.GaussianBlur(rng.standard_normal((n, n), dtype=np.float32), (0, 0), sigma_px)
        tone += weight * layer / layer.std()
    return np.asarray(0.3 * np.exp(0.35 * tone), dtype=np.float32)


@cache
def _feet(camera: Camera) -> list[FloatArray]:
    """Card-plane x and y under every pixel."""
    column, row = np.meshgrid(np.arange(SIZE_PX[0], dtype=float), np.arange(SIZE_PX[1], dtype=float))
    return [v.astype(np.float32) for v in feet_on_card(camera, column, row)]


def photo_of(camera: Camera, height_mm: FloatArray, albedo: FloatArray, *, seed: int = 0) -> Photo:
    """One photo; height_mm and albedo (700, 700). Rays meet the surface by fixed-point steps on its height."""
    foot = _feet(camera)
    c = camera.position_mm.astype(np.float32)
    half = np.float32(SIDE_MM * PX_PER_MM / 2 - 0.5)
    surface = height_mm.astype(np.float32)
    z = np.full_like(foot[0], float(height_mm.mean()))
    for _ in range(7):
        x, y = (f + (c[k] - f) * z / c[2] for k, f in enumerate(foot))
        place = x * np.float32(PX_PER_MM) + half, half - y * np.float32(PX_PER_MM)
        z = np.asarray(
            cv2.remap(surface, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), np.float32
        )
    seen = cv2.remap(albedo, *place, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    noise = np.random.default_rng([seed, round(float(c[0])) + 500, round(float(c[1])) + 500]).standard_normal(
        seen.shape, dtype=np.float32
    )
    linear = np.clip(seen + 0.004 * noise, 0, 1)
    bytes_u8 = bytes_from_linear(np.arange(4096) / 4095)[np.rint(4095 * linear).astype(np.int32)]
    return Photo(f"{camera.photo_name}", np.repeat(bytes_u8[..., None], 3, 2), Exif(), "0" * 64)


def photos_of(cameras: Sequence[Camera], height_mm: FloatArray, *, seed: int = 0) -> list[Photo]:
    return [photo_of(c, height_mm, paste(seed), seed=seed) for c in cameras]


def adjusted(cameras: Sequence[Camera], *, u_gain: float = 0.001) -> Adjustment:
    """The true cameras, as the adjustment hands them on."""
    return Adjustment(
        tuple(cameras), PrintScale(1.0, 1.0, 0.002, 0.003, True), np.zeros(3), (0.0,) * len(cameras), 0.03,
        0.005, "exif", u_gain,
    )  # fmt: skip


def on_map(height_mm: FloatArray) -> FloatArray:
    """The true raster on the height map's grid: 0.1 mm over +-55 mm."""
    margin = round((SIDE_MM / 2 - 55) * PX_PER_MM)
    middle = height_mm[margin:-margin, margin:-margin]
    return np.asarray(cv2.resize(middle, (1100, 1100), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
