"""Window and surround of one photo on the card plane, as linear reflectance relative to the paper.

The sheet's plain white paper is the reflectance standard: a quadratic surface is fitted to the logarithm of the white
seen all round the window (robustly, so shadows of tabs, dirt and wrinkles drop out) and everything is divided by it.
That takes out exposure, white balance and smooth light fall-off. The printed neutral steps are unknowns of the print:
only their agreement over the four sides is used, as the uncertainty of the tone curve and the light.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from assessor.card.layout import CardLayout, card_layout
from assessor.card.linear import linear_rgb
from assessor.card.sampling import SquareGrid, pixel_polynomials
from assessor.values import Adjustment, BoolArray, Camera, FloatArray, Photo, Rectified, U8Array


@dataclass(frozen=True, slots=True)
class RectifySettings:
    """Grid and limits."""

    half_side_mm: float = 75.0  # the window and the white ring round it
    spacing_mm: float = 0.25
    clipped_byte: int = 253
    dark_byte: int = 3
    rounds: int = 6


def rectify(
    photo: Photo, camera: Camera, adjustment: Adjustment, settings: RectifySettings | None = None
) -> Rectified:
    """Bring one photo to the card plane as linear reflectance relative to the paper white.

    Returns (600, 600, 3) float32 at the default settings; never raises: what cannot be used is False in `valid`.
    """
    settings = settings or RectifySettings()
    grid = SquareGrid(settings.half_side_mm, settings.spacing_mm)
    fields = pixel_polynomials(camera, settings.half_side_mm, 0.0)
    column, row = grid.evaluate(fields[0]), grid.evaluate(fields[3])
    bytes_u8 = np.asarray(
        cv2.remap(photo.rgb_u8, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT), dtype=np.uint8
    )
    width, height = photo.size_px
    inside = (column > 0) & (row > 0) & (column < width - 1) & (row < height - 1)
    brightest = bytes_u8.max(2)
    valid = inside & (brightest < settings.clipped_byte) & (brightest > settings.dark_byte)
    scale = (adjustment.print_scale.x, adjustment.print_scale.y)
    white, gradient, spread = _white_field(photo, camera, scale, settings)
    # The light is a quadratic: every tenth sample says it all.
    coarse = SquareGrid(settings.half_side_mm, 10 * settings.spacing_mm)
    at = (np.arange(coarse.n) + 0.5) / coarse.n * 2 - 1
    x, y = np.meshgrid(at * settings.half_side_mm, -at * settings.half_side_mm)
    log_light = np.tensordot(white_basis(x, y), white, axes=(0, 0)).astype(np.float32)
    light = cv2.resize(np.exp(log_light), (grid.n, grid.n), interpolation=cv2.INTER_LINEAR)
    return Rectified(
        photo_name=photo.name,
        reflectance=np.asarray(linear_rgb(bytes_u8) / np.maximum(light, 1e-6), dtype=np.float32),
        valid=valid,
        px_per_mm=1 / settings.spacing_mm,
        x_min_mm=-settings.half_side_mm,
        y_max_mm=settings.half_side_mm,
        light_gradient=gradient,
        white_spread=spread,
        white_fit=white,
    )


def white_basis(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """(6, ...) terms of the smooth light over the sheet: 1, u, v, u^2, u v, v^2 with u, v = x, y / 100 mm."""
    u, v = x_mm / 100, y_mm / 100
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def _white_field(
    photo: Photo, camera: Camera, scale: tuple[float, float], settings: RectifySettings
) -> tuple[FloatArray, float, float]:
    """Coefficients (6, 3) of log paper white, its fall-off over the sheet and its relative spread about the fit."""
    points = white_points_mm() * scale
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))])).astype(np.float32)
    samples = _sample(photo, pixels)
    width, height = photo.size_px
    seen = (pixels[:, 0] > 1) & (pixels[:, 1] > 1) & (pixels[:, 0] < width - 2) & (pixels[:, 1] < height - 2)
    log_white = np.log(np.maximum(linear_rgb(samples[None])[0], 1e-4)).astype(float)
    basis = white_basis(points[:, 0], points[:, 1]).T
    green = log_white[:, 1]
    weight = seen.astype(float)
    # Shadowed or dirty white is darker: start from the brighter half, then let the spread decide.
    weight[green < np.median(green[seen]) - 0.7] = 0
    coefficients = np.zeros((6, 3))
    spread = 0.0
    for _ in range(settings.rounds):
        root = np.sqrt(weight)[:, None]
        coefficients = np.linalg.lstsq(basis * root, log_white * root, rcond=None)[0]
        residual = green - basis @ coefficients[:, 1]
        spread = 1.4826 * float(np.median(np.abs(residual[seen])))
        weight = seen / (1 + (residual / max(3 * spread, 0.02)) ** 2) ** 2
    fitted = basis[seen] @ coefficients[:, 1]
    return coefficients, float(np.exp(fitted.max() - fitted.min()) - 1), spread


def _sample(photo: Photo, pixels: FloatArray) -> U8Array:
    """(N, 3) sRGB bytes at pixel positions, averaged over 3 x 3 pixels; 0 outside the photo."""
    low = np.maximum(pixels.min(0).astype(int) - 4, 0)
    top = np.maximum(pixels.max(0).astype(int) + 5, low + 4)
    crop = cv2.blur(photo.rgb_u8[low[1] : top[1], low[0] : top[0]], (3, 3))
    at = (pixels - low).astype(np.float32)
    return np.asarray(cv2.remap(crop, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR)[0], dtype=np.uint8)


@cache
def white_points_mm() -> FloatArray:
    """(N, 2) places of plain white paper, at least 1.5 mm from anything printed, cut or folded."""
    layout = card_layout(0)
    x, y = np.meshgrid(np.arange(-98.0, 98.1, 3.0), np.arange(-131.0, 131.1, 3.0))
    points = np.column_stack([x.ravel(), y.ravel()])
    free = np.ones(len(points), bool)
    for x0, y0, x1, y1 in _occupied(layout):
        free &= ~(
            (points[:, 0] > x0 - 1.5)
            & (points[:, 0] < x1 + 1.5)
            & (points[:, 1] > y0 - 1.5)
            & (points[:, 1] < y1 + 1.5)
        )
    chosen = points[free]
    chosen.flags.writeable = False
    return chosen


def _occupied(layout: CardLayout) -> list[tuple[float, float, float, float]]:
    w = layout.window
    areas = [(w.x_min_mm, w.y_min_mm, w.x_max_mm, w.y_max_mm)]
    for marker in layout.markers:
        half = marker.side_mm / 2
        areas.append((marker.x_mm - half, marker.y_mm - half, marker.x_mm + half, marker.y_mm + half))
    areas += [(s.area.x_min_mm, s.area.y_min_mm, s.area.x_max_mm, s.area.y_max_mm) for s in layout.steps]
    for tab in layout.tabs:
        xs, ys = zip(*tab.base_mm, tab.tip_flat_mm, strict=True)
        areas.append((min(xs) - 3, min(ys) - 3, max(xs) + 3, max(ys) + 3))
    # Instructions between the large markers, and the check bars with their figures.
    areas += [(-25, 98, 25, 133), (-25, -133, 25, -98), (95, -133, 100, 133), (-100, -133, 100, -129)]
    return areas


def window_valid(rectified: Rectified, half_mm: float) -> BoolArray:
    """The part of `valid` within +-half_mm of the window's centre."""
    n = round(half_mm * rectified.px_per_mm)
    middle = rectified.valid.shape[0] // 2
    return rectified.valid[middle - n : middle + n, middle - n : middle + n]
