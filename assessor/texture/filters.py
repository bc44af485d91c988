"""Cut out the evaluation area of a height map, fill its gaps, take off the plane, keep one band of waves.

All filters are the areal Gaussian of ISO 16610-61 with reflecting ends. A reflecting-end convolution is
exactly diagonal in the type II cosine transform (half-sample mirror images on all sides), so one transform
serves every band, and a filter is a multiplication by its transfer exp(-pi (alpha cutoff f)^2), 0.5 at the
cut-off.

The transfer is that of the continuous Gaussian; ISO's sampled weights, cut off at one cut-off length from the
centre, agree with it to 1e-3 where a cut-off spans eight samples or more
(tests/against/test_filters_iso16610.py).

Source: ISO 16610-21 and -61, alpha = sqrt(ln 2 / pi) (domain.md 3.4 and 12, items 20-22).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.fft import dctn, idctn, next_fast_len

from assessor.card.layout import Rectangle
from assessor.values import Band, BoolArray, FloatArray, HeightMap

ALPHA = math.sqrt(math.log(2.0) / math.pi)
# Standard deviation of the same Gaussian as a weighting function, over its cut-off.
SIGMA_PER_CUTOFF = ALPHA / math.sqrt(2.0 * math.pi)


def gaussian_transfer(frequency_per_mm: FloatArray, cutoff_mm: float) -> FloatArray:
    """Amplitude passed by the Gaussian low-pass of ISO 16610-61, 0.5 at wavelength `cutoff_mm`.

    frequency_per_mm: any shape, cycles per mm. Returns the same shape, 0..1.
    """
    return np.asarray(np.exp(-math.pi * (ALPHA * cutoff_mm * frequency_per_mm) ** 2))


def cosine_frequencies(n: int, spacing_mm: float) -> FloatArray:
    """Frequency of each bin of a type II cosine transform of `n` samples, (n,) cycles per mm."""
    return np.arange(n, dtype=np.float64) / (2.0 * n * spacing_mm)


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Cosine spectrum of a height map, possibly without its shortest wavelengths.

    coefficients (K, L): orthonormal DCT-II of a map of `shape` samples, low frequencies first, so that
    sum(coefficients**2) / (H W) is the mean square height in mm^2. spacing_mm: (rows, columns).
    """

    coefficients: FloatArray
    shape: tuple[int, int]
    spacing_mm: tuple[float, float]

    @property
    def frequencies(self) -> tuple[FloatArray, FloatArray]:
        """Bin frequencies along rows (K, 1) and along columns (1, L), cycles per mm."""
        (k, n), (height, width) = self.coefficients.shape, self.shape
        along_y = cosine_frequencies(height, self.spacing_mm[0])[:k, None]
        return along_y, cosine_frequencies(width, self.spacing_mm[1])[None, :n]

    def radial(self) -> FloatArray:
        """Length of the frequency vector of each bin, (K, L) cycles per mm."""
        along_y, along_x = self.frequencies
        return np.sqrt(along_y**2 + along_x**2)

    def cut(self, longest_per_mm: float) -> Spectrum:
        """The same spectrum without the bins beyond a frequency along either axis."""
        along_y, along_x = self.frequencies
        rows = int(np.count_nonzero(along_y <= longest_per_mm))
        cols = int(np.count_nonzero(along_x <= longest_per_mm))
        return Spectrum(self.coefficients[:rows, :cols], self.shape, self.spacing_mm)

    def height(self, grid_shape: tuple[int, int] | None = None) -> FloatArray:
        """The map on a grid of `grid_shape` equal cells over the same area (default: its own), float32 mm.

        A coarser grid samples the same cosine series at its own cell centres; waves too short for it are left
        out.
        """
        shape = grid_shape or self.shape
        rows, cols = (min(bins, cells) for bins, cells in zip(self.coefficients.shape, shape, strict=True))
        full = np.zeros(shape, dtype=np.float32)
        gain = math.sqrt(shape[0] * shape[1] / (self.shape[0] * self.shape[1]))
        full[:rows, :cols] = self.coefficients[:rows, :cols] * gain
        return np.asarray(idctn(full, norm="ortho", workers=1))

    def grid_shape(self, step_mm: float) -> tuple[int, int]:
        """A grid over the same area, cells about `step_mm` (never finer than its own), quick to transform."""
        wanted = (
            next_fast_len(math.ceil(cells * own / step_mm), real=True)
            for cells, own in zip(self.shape, self.spacing_mm, strict=True)
        )
        rows, cols = (min(want, cells) for want, cells in zip(wanted, self.shape, strict=True))
        return rows, cols

    def times(self, weights: FloatArray) -> Spectrum:
        """The spectrum with each bin multiplied by `weights` (broadcast to (K, L))."""
        scaled = self.coefficients * weights.astype(np.float32, copy=False)
        return Spectrum(scaled, self.shape, self.spacing_mm)


def spectrum(height_mm: FloatArray, spacing_mm: float | tuple[float, float]) -> Spectrum:
    """Return the cosine spectrum of a (H, W) map of square or rectangular cells.

    spacing_mm: cell side, or (rows, columns). ValueError where a height is not finite (fill gaps first).
    """
    if not np.isfinite(height_mm).all():
        raise ValueError("heights must be finite; fill invalid samples first")
    steps = spacing_mm if isinstance(spacing_mm, tuple) else (spacing_mm, spacing_mm)
    coefficients = dctn(np.asarray(height_mm, dtype=np.float32), norm="ortho", workers=1)
    return Spectrum(np.asarray(coefficients), (height_mm.shape[0], height_mm.shape[1]), steps)


def low_pass_weights(of: Spectrum, cutoff_mm: float) -> FloatArray:
    """Transfer of the Gaussian S-filter on each bin, (K, L)."""
    along_y, along_x = of.frequencies
    return gaussian_transfer(along_y, cutoff_mm) * gaussian_transfer(along_x, cutoff_mm)


def band_weights(of: Spectrum, band: Band) -> FloatArray:
    """Transfer of S-filter and L-filter together on each bin, (K, L), 0 at the mean."""
    if not 0 < band.short_mm < band.long_mm:
        raise ValueError(f"band {band} must run from a short to a longer wavelength")
    return low_pass_weights(of, band.short_mm) * (1.0 - low_pass_weights(of, band.long_mm))


def band_pass(height_mm: FloatArray, spacing_mm: float | tuple[float, float], band: Band) -> FloatArray:
    """Keep one band of a (H, W) map: areal Gaussian S-filter and L-filter, reflecting ends.

    Returns float32 mm, mean zero. Source: ISO 16610-61. ValueError on non-finite heights or an empty band.
    """
    whole = spectrum(height_mm, spacing_mm)
    return whole.times(band_weights(whole, band)).height()


def low_pass(height_mm: FloatArray, spacing_mm: float | tuple[float, float], cutoff_mm: float) -> FloatArray:
    """Smooth a (H, W) map by the areal Gaussian S-filter of ISO 16610-61, reflecting ends; float32 mm."""
    whole = spectrum(height_mm, spacing_mm)
    return whole.times(low_pass_weights(whole, cutoff_mm)).height()


def remove_plane(height_mm: FloatArray, valid: BoolArray | None = None) -> FloatArray:
    """Subtract the least-squares plane through the valid samples of a (H, W) map (the F-operation).

    Returns the residual everywhere, in float64 mm. ValueError where fewer than three valid samples carry a
    plane.
    """
    y, x = (np.linspace(-1.0, 1.0, side) for side in height_mm.shape)
    height = np.asarray(height_mm, dtype=np.float64)
    weight = np.ones(height.shape) if valid is None else valid.astype(np.float64)
    # Normal equations from row and column sums: a design matrix of a million rows would cost more than the
    # filters.
    by_row, by_col = weight.sum(axis=1), weight.sum(axis=0)
    xy = y @ weight @ x
    normal = np.array(
        [
            [by_row.sum(), by_col @ x, by_row @ y],
            [by_col @ x, by_col @ x**2, xy],
            [by_row @ y, xy, by_row @ y**2],
        ]
    )
    if np.linalg.matrix_rank(normal) < 3:
        raise ValueError("too few valid samples to fit a plane")
    known = height if valid is None else np.where(valid, height, 0.0)
    known_by_row = known.sum(axis=1)
    sums = [known_by_row.sum(), known.sum(axis=0) @ x, known_by_row @ y]
    offset, slope_x, slope_y = np.linalg.solve(normal, sums)
    return np.asarray(height - ((offset + slope_y * y)[:, None] + slope_x * x))


def fill_invalid(height_mm: FloatArray, valid: BoolArray) -> FloatArray:
    """Replace invalid samples by a smooth surface through the valid ones around them.

    Push and pull over a pyramid: valid samples are averaged over ever larger cells, then gaps take the finest
    cell that holds any, blended linearly (after Gortler et al. 1996, "The lumigraph", section 3.4). Valid
    samples stay as they are. Returns float32 (H, W). ValueError where nothing is valid.
    """
    if not valid.any():
        raise ValueError("no valid sample to fill from")
    height = np.where(valid, height_mm, 0.0).astype(np.float32)
    if valid.all():
        return height
    # Sums would lose digits on a tilted map far from zero; fill about the mean.
    centre = np.float32(height[valid].mean())
    filled = _pull(np.where(valid, height - centre, 0).astype(np.float32), valid.astype(np.float32))
    return np.where(valid, height, filled + centre).astype(np.float32)


def _pull(weighted: FloatArray, weight: FloatArray) -> FloatArray:
    """Mean of a level's valid samples, and the coarser level's mean where it has too few."""
    own = weighted / np.maximum(weight, np.float32(1e-6))
    if min(weight.shape) == 1 or bool((weight >= 1.0).all()):
        return np.asarray(own)
    size = (-(-weight.shape[1] // 2), -(-weight.shape[0] // 2))
    below = _pull(
        np.asarray(cv2.resize(weighted, size, interpolation=cv2.INTER_AREA), dtype=np.float32),
        np.asarray(cv2.resize(weight, size, interpolation=cv2.INTER_AREA), dtype=np.float32),
    )
    smooth = cv2.resize(below, (weight.shape[1], weight.shape[0]), interpolation=cv2.INTER_LINEAR)
    share = np.minimum(weight, 1.0)
    return np.asarray(share * own + (1.0 - share) * smooth)


def evaluation_area(heights: HeightMap, area: Rectangle) -> tuple[slice, slice]:
    """Rows and columns of the map inside an area in the card frame, mm.

    A cell belongs to the area where its centre does. Where the map is smaller, all of it is taken.
    ValueError where the map lies outside the area.
    """
    step = 1.0 / heights.px_per_mm
    rows, cols = heights.height_mm.shape
    x_mm = heights.x_min_mm + (np.arange(cols) + 0.5) * step
    y_mm = heights.y_max_mm - (np.arange(rows) + 0.5) * step
    inside_x = np.flatnonzero((x_mm > area.x_min_mm) & (x_mm < area.x_max_mm))
    inside_y = np.flatnonzero((y_mm > area.y_min_mm) & (y_mm < area.y_max_mm))
    if not inside_x.size or not inside_y.size:
        raise ValueError("the height map does not cover the evaluation area")
    return slice(int(inside_y[0]), int(inside_y[-1]) + 1), slice(int(inside_x[0]), int(inside_x[-1]) + 1)
