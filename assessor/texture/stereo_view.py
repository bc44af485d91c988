"""One photo's window as normalised brightness, resampled to where each point of space falls in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.layout import Rectangle
from assessor.card.sampling import Grid, pixel_polynomials
from assessor.values import Camera, FloatArray, Photo, U8Array


@dataclass(frozen=True, slots=True)
class HeightSettings:
    """Grid, search and gates."""

    inset_mm: float = (
        5.0  # of the window: one millimetre more is left than is evaluated, for the filters' sake
    )
    spacing_mm: float = 0.1
    lowest_mm: float = -26.0  # deepest breaking under a sheet that rests on the peaks
    highest_mm: float = 2.0  # a bowed sheet
    peaks_mm: float = -0.3  # the sheet rests on the highest peaks, so these are always looked for
    range_margin_mm: float = 0.8  # beyond what the quick look over the whole range found
    coarse_step_mm: float = 0.3
    coarse_window_mm: float = 1.2
    step_penalty: float = 0.03  # correlation that one plane's difference between neighbours must earn
    jump_penalty: float = 0.6
    fine_window_mm: float = 1.0
    steep_relief_mm: float = 1.0  # height range within 2.8 mm; above, flanks lean over 20 degrees
    # Where flanks are steep: spacing, reach and step of each search around what was found before.
    steep_passes: tuple[tuple[float, float, float], ...] = ((0.4, 4.5, 0.3), (0.2, 1.5, 0.3))
    normalise_mm: float = 1.0  # views are compared after division by their mean over this window
    # Share of the median contrast added to the local one: strong stone edges must not outweigh the paste beside.
    soften: float = 0.25
    # Lens and motion blur carry a stone's strong edge into its flank, which then takes the edge's height: photos
    # are sharpened first. Twice as much raises the noise by 3 % and passes no more (8 captures, 2026-11).
    sharpen: float = 1.0
    sharpen_px: float = 1.0
    refine_sigma_px: float = 2.8  # Gaussian window; smaller ones add noise and pass hardly more
    restore: float = (
        2.0  # share of what the window took from a move that is given back; 2 stands for three rounds
    )
    # Spacing and rounds of the refinement of each half. The halves part right after the search: what they
    # shared longer, their covariance would take for texture.
    refinement: tuple[tuple[float, int], ...] = ((0.4, 2), (0.2, 3), (0.1, 2))
    # Wavelength of which half passes: this plus so much per mm of the card's edge width (see `transfer_of`).
    half_way_sharp_mm: float = 0.41
    half_way_per_edge: float = 1.89
    u_half_way: float = 0.12
    usual_edge_mm: float = 0.31
    max_move_mm: float = 0.3
    min_correlation: float = 0.1  # share of the capture's median; below, a point counts as not seen
    # Halves that differ by more than this many robust standard deviations, and by this share of the relief, are
    # a mismatch. Lower limits also drop stones' tops that are merely noisy, and what fills such gaps is worse.
    max_half_ratio: float = 15.0
    max_half_share: float = 0.35
    min_photos: int = 4  # three cannot be split into halves, so they cannot check themselves
    min_spread: float = 0.06  # rms of the view directions' tangents: about 5 degrees of tilt
    min_crossing: float = (
        0.5  # sine of the angle between the halves' baselines; parallel ones alias (study E2)
    )
    min_valid_fraction: float = 0.6
    # Median correlation of the photos at the final heights: 0.52-0.9 in 527 captures shot as the guide says
    # (scripts/judge_set, seeds 41 and 51), 0.26-0.31 in four where the card was pushed (plan_spoiled, seed 53).
    min_agreement: float = 0.4
    max_noise_mm: float = 0.04  # at 2.5 mm and longer; fine floors in poor light reach 0.03 and still say so
    max_noise_ratio: float = 0.3  # of the relief


class View:
    """One photo's window as normalised brightness at several densities, and where each point of space falls in it."""

    def __init__(self, photo: Photo, camera: Camera, area: Rectangle, settings: HeightSettings) -> None:
        self.camera, self.area, self.settings = camera, area, settings
        wide = area.less(-2.0)
        corners = np.array(
            [[x, y] for x in (wide.x_min_mm, wide.x_max_mm) for y in (wide.y_min_mm, wide.y_max_mm)]
        )
        deep, high = settings.lowest_mm - 1, settings.highest_mm + 1
        seen = np.concatenate(
            [camera.project(np.column_stack([corners, np.full(4, z)])) for z in (deep, high)]
        )
        low = np.maximum(np.floor(seen.min(0)).astype(int) - 8, 0)
        top = np.minimum(np.ceil(seen.max(0)).astype(int) + 9, photo.size_px)
        self.offset = low
        crop: U8Array = photo.rgb_u8[low[1] : top[1], low[0] : top[0]]
        grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
        middle = camera.project(np.array([[0.0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]]))
        self.px_per_mm = float(np.sqrt(abs(np.linalg.det(middle[1:] - middle[0]))))
        self.levels: dict[int, FloatArray] = {}
        soft = cv2.GaussianBlur(grey, (5, 5), settings.sharpen_px)
        sharp = cv2.addWeighted(grey, 1 + settings.sharpen, soft, -settings.sharpen, 0, dtype=cv2.CV_32F)
        self._grey: FloatArray = np.asarray(sharp, dtype=np.float32)
        self._polynomials: dict[float, list[FloatArray]] = {}

    def level(self, spacing_mm: float) -> tuple[FloatArray, int]:
        """Normalised brightness at the density that suits a grid, and the power of two it was reduced by."""
        k = max(0, int(np.floor(np.log2(spacing_mm * self.px_per_mm) + 0.3)))
        if k not in self.levels:
            image: FloatArray = self._grey
            for _ in range(k):
                image = np.asarray(cv2.pyrDown(image), dtype=np.float32)
            window = max(3, round(self.settings.normalise_mm * self.px_per_mm / 2**k)) | 1
            mean = cv2.blur(image, (window, window))
            self.levels[k] = equalised(
                np.asarray(image / (np.maximum(mean, 0.0) + 4.0) - 1.0, dtype=np.float32),
                window,
                self.settings,
            )
        return self.levels[k], k

    def polynomials(self, z_ref_mm: float) -> list[FloatArray]:
        """Coefficients of (x0, x1, x2, y0, y1, y2): pixel = p0 + d p1 + d^2 p2 with d the height above z_ref."""
        if z_ref_mm not in self._polynomials:
            offset = (float(self.offset[0]), float(self.offset[1]))
            self._polynomials[z_ref_mm] = pixel_polynomials(self.camera, self.area, z_ref_mm, offset)
        return self._polynomials[z_ref_mm]

    def sampler(self, grid: Grid, z_ref_mm: float) -> Sampler:
        """Resampler of this view on a grid."""
        image, k = self.level(grid.spacing_mm)
        fields = [grid.evaluate(c) / 2**k for c in self.polynomials(z_ref_mm)]
        return Sampler(image, fields)


@dataclass(frozen=True)
class Sampler:
    """A view's picture with the six fields that say where a point at a height falls in it."""

    image: FloatArray
    fields: list[FloatArray]
    interpolation: int = cv2.INTER_CUBIC

    def linear(self) -> Sampler:
        """The same with linear interpolation, at half the cost: enough for correlation in a window."""
        return Sampler(self.image, self.fields, cv2.INTER_LINEAR)

    def normalised(self, window_px: int) -> Sampler:
        """The same with brightness of local mean 0 and standard deviation 1, for correlation."""
        return Sampler(unit(self.image, window_px), self.fields, cv2.INTER_LINEAR)

    def at(self, above_mm: FloatArray | float) -> FloatArray:
        """The view as seen from straight above if the surface had these heights over the reference plane."""
        x0, x1, x2, y0, y1, y2 = self.fields
        if isinstance(above_mm, float):
            x: FloatArray = x0 + above_mm * (x1 + above_mm * x2)
            y: FloatArray = y0 + above_mm * (y1 + above_mm * y2)
        else:
            x, y = _at_height((x0, x1, x2), above_mm), _at_height((y0, y1, y2), above_mm)
        return np.asarray(cv2.remap(self.image, x, y, self.interpolation, borderMode=cv2.BORDER_REFLECT))


def _at_height(parts: tuple[FloatArray, FloatArray, FloatArray], above_mm: FloatArray) -> FloatArray:
    """p0 + h p1 + h^2 p2 without temporary arrays."""
    p0, p1, p2 = parts
    out = np.asarray(cv2.multiply(p2, above_mm), dtype=np.float32)
    cv2.add(out, p1, dst=out)
    cv2.multiply(out, above_mm, dst=out)
    cv2.add(out, p0, dst=out)
    return out


def equalised(image: FloatArray, window_px: int, settings: HeightSettings) -> FloatArray:
    """Image over its local standard deviation, softened."""
    size = (window_px, window_px)
    spread = cv2.sqrBoxFilter(image, cv2.CV_32F, size)
    floor = settings.soften * float(np.median(spread[::4, ::4])) + 1e-6
    return np.asarray(image / np.sqrt(spread + floor), dtype=np.float32)


def unit(image: FloatArray, window_px: int) -> FloatArray:
    """Image with local mean 0 and standard deviation 1."""
    size = (window_px, window_px)
    mean = cv2.blur(image, size)
    spread = cv2.sqrBoxFilter(image, cv2.CV_32F, size) - mean * mean
    # Where there is nothing but noise to match, noise must not be raised to a match.
    spread += np.float32(max(1e-4, 0.1 * float(np.median(spread))))
    return np.asarray((image - mean) / np.sqrt(np.maximum(spread, 1e-6)), dtype=np.float32)


def agreement(views: Sequence[FloatArray], window_px: int) -> FloatArray:
    """Mean correlation over all pairs of normalised views, in a window."""
    total, own = views[0].copy(), np.zeros_like(views[0])
    for view in views[1:]:
        cv2.add(total, view, dst=total)
    for view in views:
        cv2.accumulateSquare(view, own)
    cv2.multiply(total, total, dst=total)
    cv2.subtract(total, own, dst=total)
    n = len(views)
    return np.asarray(cv2.blur(total, (window_px, window_px)) * np.float32(1 / (n * (n - 1))))


def resize_to(height: FloatArray, grid: Grid) -> FloatArray:
    """The same heights, or another smooth float32 field, on another grid over the same area."""
    return np.asarray(cv2.resize(height, grid.shape[::-1], interpolation=cv2.INTER_CUBIC), dtype=np.float32)
