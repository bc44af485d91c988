"""Window and surround of one photo on the card plane, as linear reflectance relative to the paper.

The sheet's plain white paper is the reflectance standard: a quadratic surface is fitted to the logarithm of the white
seen all round the window (robustly, so shadows of tabs, dirt and wrinkles drop out) and everything is divided by it.
That takes out exposure, white balance, smooth light fall-off and what the phone left of its lens shading: on rendered
captures 5 % of shading in the corners changes reflectances by 0.03 % rms (0.6 % at most where it differs by channel and
sits off the middle), so there is no shading term of its own. Local tone mapping stays in (3 % at strength 0.1, 5 % at
0.2): `tone` flags it. Bytes become light by the photo's tone curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.linear import linear_rgb
from assessor.card.sampling import pixel_polynomials, square_grid
from assessor.card.white import read_paper_light, white_basis, white_points_mm
from assessor.values import Adjustment, BoolArray, Camera, FloatArray, Photo, Rectified, ToneCurve

__all__ = ["RectifySettings", "fit_white", "rectify", "window_valid"]


@dataclass(frozen=True, slots=True)
class RectifySettings:
    """Grid and limits."""

    half_side_mm: float = 75.0  # the window and the white ring round it
    spacing_mm: float = 0.25
    clipped_byte: int = 253
    dark_byte: int = 3
    rounds: int = 6


def rectify(
    photo: Photo,
    camera: Camera,
    adjustment: Adjustment,
    settings: RectifySettings | None = None,
    *,
    curve: ToneCurve | None = None,
) -> Rectified:
    """Bring one photo to the card plane as linear reflectance relative to the paper white.

    curve: the photo's tone curve, sRGB if None.
    Returns (600, 600, 3) float32 at the default settings; never raises: what cannot be used is False in `valid`.
    """
    settings = settings or RectifySettings()
    grid = square_grid(settings.half_side_mm, settings.spacing_mm)
    fields = pixel_polynomials(camera, grid.area, 0.0)
    column, row = grid.evaluate(fields[0]), grid.evaluate(fields[3])
    bytes_u8 = np.asarray(
        cv2.remap(photo.rgb_u8, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT), dtype=np.uint8
    )
    width, height = photo.size_px
    inside = (column > 0) & (row > 0) & (column < width - 1) & (row < height - 1)
    brightest = bytes_u8.max(2)
    valid = inside & (brightest < settings.clipped_byte) & (brightest > settings.dark_byte)
    scale = (adjustment.print_scale.x, adjustment.print_scale.y)
    table = None if curve is None else curve.table
    white, gradient, spread = fit_white(photo, camera, scale, settings, table)
    # The light is a quadratic: every tenth sample says it all.
    x, y = square_grid(settings.half_side_mm, 10 * settings.spacing_mm).places_mm()
    log_light = np.tensordot(white_basis(x, y), white, axes=(0, 0)).astype(np.float32)
    light = cv2.resize(np.exp(log_light), grid.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return Rectified(
        photo_name=photo.name,
        reflectance=np.asarray(linear_rgb(bytes_u8, table) / np.maximum(light, 1e-6), dtype=np.float32),
        valid=valid,
        px_per_mm=1 / settings.spacing_mm,
        x_min_mm=-settings.half_side_mm,
        y_max_mm=settings.half_side_mm,
        light_gradient=gradient,
        white_spread=spread,
        white_fit=white,
    )


def fit_white(
    photo: Photo,
    camera: Camera,
    scale: tuple[float, float],
    settings: RectifySettings,
    table: FloatArray | None = None,
) -> tuple[FloatArray, float, float]:
    """Coefficients (6, 3) of log paper white, its fall-off over the sheet and its relative spread about the fit.

    scale: printed over drawn length along x and y. table: linear light of each byte, (256,); sRGB if None.
    """
    points = white_points_mm() * scale
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    light, seen = read_paper_light(photo, pixels, table)
    log_white = np.log(np.maximum(light, 1e-4))
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


def window_valid(rectified: Rectified, half_mm: float) -> BoolArray:
    """The part of `valid` within +-half_mm of the window's centre."""
    n = round(half_mm * rectified.px_per_mm)
    middle = rectified.valid.shape[0] // 2
    return rectified.valid[middle - n : middle + n, middle - n : middle + n]
