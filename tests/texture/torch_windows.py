"""Photos of a matt window under near torches by textbook formulas: known slopes and colours, no renderer of ours.

Light on a face goes with the cosine to the torch over the square of its distance (Lambert 1760, Photometria). So a face
that rises by (s_x, s_y) mm/mm at x gets (1 + c . s) / sqrt(1 + s^2) of what level paper gets there, with
c = (x - torch) / the torch's height. The camera looks from straight above and sees no relief.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.card.torch_paper import TorchPaper
from assessor.simulate.camera import ViewRecipe, feet_on_card, place_camera
from assessor.texture.slopes import SlopeSettings
from assessor.values import Adjustment, Camera, Exif, FloatArray, Photo, PrintScale, ToneCurve

SIZE = (760, 760)  # 5.3 px/mm: a quarter of a phone's, so the grids are twice as wide as usual
VIEW = ViewRecipe(90.0, 0.5, 400.0, roll_deg=0.0, focal_px=2120.0)
CAMERA = place_camera("above", VIEW, SIZE)
QUICK = SlopeSettings(spacing_mm=0.2, coarse_mm=0.4)
TINT = np.array([1.0, 0.9, 0.75])  # of the floor
WHITE = np.array([0.55, 0.5, 0.45])  # a torch's light on paper, as this camera writes it

CODED = bytes_from_linear(np.linspace(0, 1, 200_001))

Pair = tuple[FloatArray, FloatArray]


@dataclass(frozen=True)
class Window:
    """What a photo is drawn of: strength scales the slopes; ambient is even light over the torch's on paper."""

    strength: float = 1.0
    ambient: float = 0.0
    below_mm: float = 0.0
    noise: float = 0.004  # of a full pixel


# Wave numbers along and across, 1/mm, and amplitude, mm: 2.5 to 8.6 mm long.
WAVES = ((0.9, 0.4, 0.12), (2.3, -1.0, 0.03), (-0.2, 0.7, 0.17))


def slopes_at(x: FloatArray, y: FloatArray) -> Pair:
    """Slopes dz/dx and dz/dy (rms about 0.09 and 0.1) of crossed waves a sin(k . x)."""
    parts = [(a * np.cos(kx * x + ky * y), kx, ky) for kx, ky, a in WAVES]
    return np.asarray(sum(kx * part for part, kx, _ in parts)), np.asarray(
        sum(ky * part for part, _, ky in parts)
    )


def albedo_at(x: FloatArray, y: FloatArray) -> FloatArray:
    """Stones and paste, 0.2 to 0.6 of the paper, in sizes of a few mm like the waves."""
    stones = np.sin(1.3 * x + 0.3 * y) * np.sin(0.4 * x - 1.1 * y) + 0.4 * np.sin(2.1 * y + 1.7 * x)
    return np.asarray(0.35 * np.exp(0.55 * np.tanh(3 * stones)))


def ring(
    count: int, elevation_deg: float = 35.0, distance_mm: float = 420.0, arc_deg: float = 360.0
) -> FloatArray:
    """Torches (count, 3) round the window, mm."""
    azimuth = np.deg2rad(10 + arc_deg * np.arange(count) / count)
    flat, up = (
        distance_mm * np.cos(np.deg2rad(elevation_deg)),
        distance_mm * np.sin(np.deg2rad(elevation_deg)),
    )
    return np.column_stack([flat * np.cos(azimuth), flat * np.sin(azimuth), np.full(count, up)])


@cache
def cameras(per_torch: int) -> tuple[Camera, ...]:
    """Eight cameras 7 degrees off straight down and the dark photo's; per_torch: turns while the torch goes round."""
    views = [
        replace(VIEW, azimuth_deg=per_torch * 45.0 * k + 20, tilt_deg=7.0, distance_mm=mm, focal_px=5.3 * mm)
        for k, mm in enumerate((330.0, 450.0, 340.0, 440.0, 335.0, 425.0, 400.0, 380.0, 370.0))
    ]
    return tuple(place_camera("above", view, SIZE) for view in views)


@dataclass(frozen=True)
class Ground:
    """What the pixels of one camera show: places x, y (H, W) on the window's plane, slopes of strength 1, albedo."""

    x: FloatArray
    y: FloatArray
    slopes: Pair
    albedo: FloatArray


@cache
def seen_at(camera: Camera, below_mm: float) -> Ground:
    x, y = feet_on_card(
        camera, *np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    )
    centre = camera.position_mm
    share = -below_mm / centre[2]
    x, y = x + (centre[0] - x) * share, y + (centre[1] - y) * share
    return Ground(x, y, slopes_at(x, y), albedo_at(x, y))


def lit(place: FloatArray, ground: Ground, window: Window) -> FloatArray:
    """Light of the floor (H, W) over the torch's on paper at the centre."""
    sx, sy = (window.strength * part for part in ground.slopes)
    along, across = ground.x - place[0], ground.y - place[1]
    level = (place @ place / (along**2 + across**2 + place[2] ** 2)) ** 1.5
    toward = 1 + (along * sx + across * sy) / place[2]
    shading = np.maximum(toward, 0) / np.sqrt(1 + sx**2 + sy**2)
    return np.asarray(ground.albedo * (level * shading + window.ambient))


def photo(name: str, light: FloatArray, window: Window, seed: int) -> Photo:
    noise = window.noise * np.random.default_rng(seed).standard_normal((*light.shape, 3), dtype=np.float32)
    # A finely stepped table is twenty times as fast as the power, and right to two hundredths of a byte.
    level = np.clip(light[..., None] * (TINT * WHITE) + noise, 0, 1)
    return Photo(name, CODED[np.rint(level * (len(CODED) - 1)).astype(np.intp)], Exif(), "0" * 64)


def paper(place: FloatArray, window: Window, *, share: float | None = None) -> TorchPaper:
    told = 1 / (1 + window.ambient) if share is None else share
    return TorchPaper("any", place, WHITE.copy(), np.zeros(6), 1.0, told, 0.01, 0.01, 1.0)


@dataclass(frozen=True)
class Shoot:
    """What `measure_slopes` takes."""

    photos: list[Photo]
    dark: Photo | None
    adjustment: Adjustment
    papers: list[TorchPaper]
    curves: list[ToneCurve]


def shoot(
    places: FloatArray,
    window: Window | None = None,
    *,
    cameras: Sequence[Camera] | None = None,
    dark: bool = True,
) -> Shoot:
    """Photos of the window under each torch and, if wanted, one without."""
    window = window or Window()
    count = len(places)
    held = cameras or [CAMERA] * (count + dark)
    grounds = [seen_at(camera, window.below_mm) for camera in held]
    photos = [photo(f"{k}.jpg", lit(places[k], grounds[k], window), window, k) for k in range(count)]
    night = None
    if dark:
        night = photo("dark.jpg", grounds[count].albedo * window.ambient, window, 99)
    names = [replace(camera, photo_name=f"{k}.jpg") for k, camera in enumerate(held)]
    fitted = Adjustment(tuple(names), PrintScale(), np.zeros(3), (0.0,) * len(held), 0.1, 0.01, "exif", 0.01)
    curve = ToneCurve("any", linear_of_byte(), 0.0, 0.0, 0.1, 0.1, 0.05)
    return Shoot(photos, night, fitted, [paper(place, window) for place in places], [curve] * len(held))


def grid_mm(n: int, half_mm: float = 60.0) -> Pair:
    """Sample positions of an (n, n) map of the window, row 0 at the largest y."""
    at = ((np.arange(n) + 0.5) / n * 2 - 1) * half_mm
    x, y = np.meshgrid(at, -at)
    return x, y
