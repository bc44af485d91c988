"""What the plain paper round the window says: pixel noise, and the beat of a display's pixels.

Patches are cut from the photo's own pixels (nothing is resampled) in the 13 mm of white between window and markers.

A photo of a display carries the display's pixel grid, or its beat with the camera's, as a sharp line in the spectrum
of every patch. Paper and noise have none, JPEG's 8-pixel blocks have one at known places that are left out. Limits: a
display finer than the camera resolves, or out of focus, shows no line and is not seen; nothing here is proof.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.layout import Rectangle
from assessor.card.linear import LUMINANCE, linear_of_byte
from assessor.card.plane import apply_homography, px_per_mm_at
from assessor.values import FloatArray


@dataclass(frozen=True, slots=True)
class PaperSettings:
    """Where patches lie and what counts as a beat; conservative, for a false alarm stops a crew."""

    middle_mm: float = 66.5  # between the window's edge (60) and the markers (73)
    half_width_mm: float = 5.5
    along_mm: tuple[float, ...] = (-48.0, -24.0, 0.0, 24.0, 48.0)
    sides: tuple[str, ...] = ("top", "right", "bottom", "left")
    min_patch_px: int = 16
    max_patch_px: int = 48
    min_line_ratio: float = 120.0  # line over median of its ring; noise reaches 11 + 6 in 1000 bins
    min_line_amplitude: float = 0.01  # of the paper white
    min_line_share: float = 0.6  # of the power: three lines hold it; shadow edges and JPEG spread theirs
    lowest_frequency: float = 0.1  # cycles per pixel; below it shadows and wrinkles live


@dataclass(frozen=True, slots=True)
class PaperSigns:
    """Relative pixel noise of the white paper (NaN if none seen), and the share of patches with a display's line."""

    noise: float
    screen_share: float


def read_paper(
    rgb_u8: NDArray[np.uint8], px_from_mm: FloatArray, settings: PaperSettings | None = None
) -> PaperSigns:
    """Measure noise and display lines in the white ring of one photo; px_from_mm maps the card to its pixels."""
    settings = settings or PaperSettings()
    patches = _patches(rgb_u8, px_from_mm, settings)
    if len(patches) < 6:
        return PaperSigns(float("nan"), 0.0)
    light = linear_of_byte()[patches]  # (P, n, n, 3)
    grey = light @ LUMINANCE.astype(np.float32)
    flat = _without_plane(grey)
    level = np.maximum(grey.mean((1, 2)), 1e-4)
    byte = np.clip(np.rint(patches.mean((1, 2, 3))).astype(int), 1, 254)
    rounding = (linear_of_byte()[byte + 1] - linear_of_byte()[byte - 1]) / 2 / np.sqrt(12)
    spread = np.maximum(flat.std(axis=(1, 2)), rounding) / level
    colour = light[..., 0] - light[..., 2]
    hits = _has_line(flat, grey, settings) | _has_line(_without_plane(colour), grey, settings)
    # The quieter patches: shadow edges, wrinkles and dirt are not noise.
    return PaperSigns(float(np.percentile(spread, 30)), float(hits.mean()))


def outline_mm(area: Rectangle) -> FloatArray:
    """(4, 2) corners of a rectangle in mm, counter-clockwise in the card frame."""
    a = area
    return np.array(
        [
            [a.x_min_mm, a.y_min_mm],
            [a.x_max_mm, a.y_min_mm],
            [a.x_max_mm, a.y_max_mm],
            [a.x_min_mm, a.y_max_mm],
        ]
    )


def burnt_share(
    rgb_u8: NDArray[np.uint8], px_from_mm: FloatArray, area: Rectangle, clipped_byte: int
) -> float:
    """Share of a card area where any channel reaches clipped_byte, from every fourth pixel; 0 outside the frame."""
    step = 4
    height, width = rgb_u8.shape[:2]
    corners = np.rint(np.clip(apply_homography(px_from_mm, outline_mm(area)) / step, -1e4, 1e4)).astype(
        np.int32
    )
    if (
        width % step == 0 and height % step == 0
    ):  # then the nearest pixels are those of a slice: only the area's own
        low, high = np.maximum(corners.min(0), 0), np.maximum(corners.max(0) + 1, 0)
        sparse = np.ascontiguousarray(rgb_u8[::step, ::step][low[1] : high[1], low[0] : high[0]])
        corners = corners - low
        if not sparse.size:
            return 0.0
    else:
        small = max(width // step, 1), max(height // step, 1)
        sparse = np.asarray(cv2.resize(rgb_u8, small, interpolation=cv2.INTER_NEAREST), np.uint8)
    mask = np.zeros(sparse.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, corners, 1)
    fine = cv2.inRange(sparse, (0, 0, 0), (clipped_byte - 1,) * 3)
    n = cv2.countNonZero(mask)
    return 1.0 - cv2.countNonZero(cv2.bitwise_and(fine, fine, mask=mask)) / n if n else 0.0


def _patches(rgb_u8: NDArray[np.uint8], px_from_mm: FloatArray, settings: PaperSettings) -> NDArray[np.uint8]:
    """(P, n, n, 3) square cuts, as large as fit into the white ring at any turn of the card."""
    m = settings.middle_mm
    every = {"top": (0, m), "right": (m, 0), "bottom": (0, -m), "left": (-m, 0)}
    centres = np.array(
        [(x or a, y or a) for a in settings.along_mm for x, y in (every[side] for side in settings.sides)]
    )
    smallest, _ = px_per_mm_at(px_from_mm, centres)
    n = int(min(settings.max_patch_px, smallest.min() * settings.half_width_mm * np.sqrt(2.0)))
    if n < settings.min_patch_px:
        return np.empty((0, 1, 1, 3), np.uint8)
    corner = np.rint(apply_homography(px_from_mm, centres) - n / 2).astype(int)
    height, width = rgb_u8.shape[:2]
    fits = (corner >= 0).all(1) & (corner[:, 0] + n <= width) & (corner[:, 1] + n <= height)
    if not fits.any():
        return np.empty((0, 1, 1, 3), np.uint8)
    return np.array([rgb_u8[y : y + n, x : x + n] for x, y in corner[fits]])


def _without_plane(patches: FloatArray) -> FloatArray:
    """Subtract each patch's least-squares plane."""
    n = patches.shape[1]
    at = (np.arange(n) - (n - 1) / 2).astype(patches.dtype)
    centred = patches - patches.mean((1, 2), keepdims=True)
    power = float((at**2).sum() * n)
    dx = (centred * at).sum((1, 2)) / power
    dy = (centred * at[:, None]).sum((1, 2)) / power
    return np.asarray(centred - dx[:, None, None] * at - dy[:, None, None] * at[:, None])


def _has_line(patches: FloatArray, grey: FloatArray, settings: PaperSettings) -> NDArray[np.bool_]:
    """(P,) True where one spatial frequency stands far above all others at like distance from zero."""
    n = patches.shape[1]
    window = np.hanning(n + 2)[1:-1].astype(np.float32)
    window2 = window[:, None] * window
    power = np.abs(np.fft.rfft2(patches * window2)) ** 2
    fy, fx = np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None]
    use = np.hypot(fx, fy) >= settings.lowest_frequency
    # Blocks of 8 px put lines at multiples of 1/8 along both axes, smeared over the window's two bins.
    for f, other in ((fx, fy), (fy, fx)):
        near_block = np.abs(f * 8 - np.rint(f * 8)) / 8 <= 2.5 / n
        use = use & ~(near_block & (np.abs(other) <= 2.5 / n))
    power = np.where(use, power, 0.0)
    middle = np.maximum(np.median(power[:, use], axis=1), 1e-12)
    highest = power.max((1, 2))
    amplitude = 2 * np.sqrt(highest) / window2.sum() / np.maximum(grey.mean((1, 2)), 1e-4)
    hits = (highest > settings.min_line_ratio * middle) & (amplitude > settings.min_line_amplitude)
    for k in np.flatnonzero(hits):
        hits[k] = _power_of_lines(power[k], 3) > settings.min_line_share * power[k].sum()
    return np.asarray(hits)


def _power_of_lines(power: FloatArray, n: int) -> float:
    """Power in the n highest lines of one spectrum (rows, columns), each with two bins on every side."""
    left = power.copy()
    rows, columns = power.shape
    total = 0.0
    for _ in range(n):
        row, column = divmod(int(left.argmax()), columns)
        near = np.ix_(
            np.arange(row - 2, row + 3) % rows, np.arange(max(column - 2, 0), min(column + 3, columns))
        )
        total += float(left[near].sum())
        left[near] = 0.0
    return total
