"""Fractions by blocks of a window: what chance does to a mean, and how uneven a window is beyond it.

Stones are larger than samples, so samples are far from independent: the window is cut into blocks a good deal larger
than a stone, and blocks are what is drawn and compared.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from assessor.values import BoolArray, FloatArray

MOST_BLOCKS, FEWEST_BLOCKS = 8, 3
MIN_SEEN = 0.5  # of a block, for it to count
Corner = tuple[int, int, int]
Spans = tuple[NDArray[np.int64], NDArray[np.int64]]


def fit_blocks(wanted_mm: float, side_mm: float) -> tuple[float, int]:
    """Side of the blocks (mm) and how many lie along a side, for blocks of at least `wanted_mm`; 3 to 8 a side."""
    n = MOST_BLOCKS if wanted_mm <= 0 else int(side_mm // wanted_mm)
    n = min(max(n, FEWEST_BLOCKS), MOST_BLOCKS)
    return side_mm / n, n


def block_means(map_: FloatArray, seen: BoolArray, corner: Corner, n: int) -> FloatArray:
    """Means of n x n blocks of the square at `corner` (first row, first column, side); NaN where too little is seen."""
    row, col, side = corner
    cuts = np.round(np.linspace(0, side, n + 1)).astype(int)
    return _means(map_, seen, (row + cuts[:-1], row + cuts[1:]), (col + cuts[:-1], col + cuts[1:]))


def resample_means(
    map_: FloatArray, seen: BoolArray, corner: Corner, n: int, *, draws: int, rng: np.random.Generator
) -> FloatArray:
    """Means of `draws` windows made of n x n blocks drawn with replacement from all places of the square at `corner`.

    Moving blocks (Kunsch 1989, "The jackknife and the bootstrap for general stationary observations", Annals of
    Statistics 17, 1217; from memory, verify): more of them than side by side, so the spread is steadier. Empty where
    nothing is seen.
    """
    row, col, side = corner
    size = side // n
    if size < 1:
        return np.zeros(0)
    step = max(size // 6, 1)
    starts = np.arange(0, side - size + 1, step)
    spans = [(first + starts, first + starts + size) for first in (row, col)]
    means = _means(map_, seen, *spans).ravel()
    means = means[np.isfinite(means)]
    if len(means) < 2:
        return np.zeros(0)
    return np.asarray(means[rng.integers(len(means), size=(draws, n * n))].mean(1))


def chance_variance(fraction: float, area_mm2: float, block_mm: float) -> float:
    """Variance of a block's fraction where stones lie as chance packs them, none over another.

    area_mm2: mean area of the stones, weighted by area. Stones sown freely would give fraction x area / block; that two
    cannot share a place takes (1 - fraction)^3 / (1 + fraction) of it, the compressibility of hard discs in scaled
    particle theory (Helfand, Frisch, Lebowitz 1961, J. Chem. Phys. 34, 1037; from memory, verify). On packed stones of
    mixed sizes it is 0-20 % too large (tests), which is on the quiet side.
    """
    return fraction * area_mm2 / block_mm**2 * (1 - fraction) ** 3 / (1 + fraction)


def unevenness(means: FloatArray, chance: float) -> tuple[float, float, float] | None:
    """Standard deviation between blocks beyond a variance of `chance`, with 90 % limits by chi-square.

    means: of blocks; NaN are left out. None where fewer than six blocks are seen.
    """
    means = means[np.isfinite(means)]
    k = len(means) - 1
    if k < 5:
        return None
    variance = float(means.var(ddof=1))
    high, low = (variance * k / float(chi2.ppf(tail, k)) for tail in (0.05, 0.95))
    value, least, most = (math.sqrt(max(v - chance, 0.0)) for v in (variance, low, high))
    return value, least, most


def _means(map_: FloatArray, seen: BoolArray, rows: Spans, cols: Spans) -> FloatArray:
    """Mean of what is seen in every block, (len(rows), len(cols)); spans are first samples and those past the last."""

    def sums(values: FloatArray) -> FloatArray:
        table = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
        table[1:, 1:] = values.cumsum(0).cumsum(1)
        strips = table[rows[1]] - table[rows[0]]
        return np.asarray(strips[:, cols[1]] - strips[:, cols[0]])

    count = sums(seen.astype(np.float64))
    room = (rows[1] - rows[0])[:, None] * (cols[1] - cols[0])[None, :]
    total = sums(np.where(seen, map_, 0.0).astype(np.float64))
    return np.where(count >= MIN_SEEN * np.maximum(room, 1), total / np.maximum(count, 1), np.nan)
