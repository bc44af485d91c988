"""How two height maps of one spot lie and scale against each other: shift and ratio, both free of noise bias.

Kept apart from `fuse` so that each estimate reads as its formula. Both work on tiles; the scatter of an estimate is
found by leaving tiles out in turn (jackknife; Efron 1982, "The jackknife, the bootstrap and other resampling plans").
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assessor.values import BoolArray, FloatArray

_CLEAR = 3.0  # times its own noise, from which a covariance is a surface
_TILES = 5  # per side: some 22 mm each, well over the longest wave compared


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the second map's surface lies from the first's, (rows, columns) in cells, u the same way."""

    cells: tuple[float, float]
    u_cells: tuple[float, float]

    @property
    def u(self) -> float:
        """The larger of both standard uncertainties, cells."""
        return max(self.u_cells)


@dataclass(frozen=True, slots=True)
class Ratio:
    """Amplitude of the first map over the second's.

    seen: whether either map clearly holds a surface in the band; without, value is 1 and u infinite.
    """

    value: float
    u: float
    correlation: float
    seen: bool


def find_shift(first: FloatArray, second: FloatArray, most_cells: float) -> Shift | None:
    """Shift between two band-passed maps of one shape, second(x + shift) ~ first(x); None where none can be told.

    The highest correlation within `most_cells` on whole cells, then Newton steps on the correlation, which the cross
    spectrum gives at any shift. Each tile is tapered, so its ends don't count.
    """
    crosses = np.stack(
        [np.conj(np.fft.fft2(_taper(a))) * np.fft.fft2(_taper(b)) for a, b in _tiles(first, second)]
    )
    rows, cols = (2.0 * np.pi * np.fft.fftfreq(side) for side in crosses.shape[1:])
    whole = np.real(np.fft.ifft2(crosses.sum(0)))
    reach = [np.minimum(np.arange(side), side - np.arange(side)) for side in whole.shape]
    near = np.hypot(reach[0][:, None], reach[1][None, :]) <= most_cells
    if not near.any() or not np.any(whole):
        return None
    peak = np.unravel_index(int(np.argmax(np.where(near, whole, -np.inf))), whole.shape)
    at = np.array(
        [p if p <= side // 2 else p - side for p, side in zip(peak, whole.shape, strict=True)], float
    )
    for _ in range(4):
        pulls, bends = _newton_terms(crosses, rows, cols, at)
        step = _solve(bends.sum(0), pulls.sum(0))
        if step is None:
            return None
        at += step
    if not np.hypot(*at) <= most_cells + 1.0:
        return None
    pulls, bends = _newton_terms(crosses, rows, cols, at)
    n = len(crosses)
    left_out = [_solve(bends.sum(0) - bends[k], pulls.sum(0) - pulls[k]) for k in range(n)]
    if any(one is None for one in left_out):
        return None
    spread = np.sqrt((n - 1) / n * np.sum(np.square(np.array(left_out)), axis=0))
    return Shift((float(at[0]), float(at[1])), (float(spread[0]), float(spread[1])))


def _newton_terms(
    crosses: NDArray[np.complexfloating[Any, Any]], rows: FloatArray, cols: FloatArray, at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gradient (n, 2) and negative curvature (n, 2, 2) of each tile's correlation at a shift."""
    turned = crosses * np.exp(1j * (rows[:, None] * at[0] + cols[None, :] * at[1]))
    real, imag = np.real(turned), np.imag(turned)
    by_row, by_col = imag.sum(2) @ rows, imag.sum(1) @ cols
    rr, cc = real.sum(2) @ rows**2, real.sum(1) @ cols**2
    rc = np.einsum("nij,i,j->n", real, rows, cols)
    return -np.stack([by_row, by_col], 1), np.stack([np.stack([rr, rc], 1), np.stack([rc, cc], 1)], 1)


def _solve(bend: FloatArray, pull: FloatArray) -> FloatArray | None:
    """Newton step; None where the correlation has no peak."""
    if not (bend[0, 0] > 0 and np.linalg.det(bend) > 1e-12 * bend[0, 0] ** 2):
        return None
    return np.asarray(np.linalg.solve(bend, pull))


def find_ratio(
    first: tuple[FloatArray, FloatArray, FloatArray],
    second: tuple[FloatArray, FloatArray, FloatArray],
    valid: BoolArray | None,
    shared_mm: tuple[float, float],
) -> Ratio:
    """Amplitude ratio of two band-passed maps (map, half, half), all (H, W), over their valid cells.

    shared_mm: what each map's halves have in common that is no surface; covariance takes it for surface, so it is a
    doubt. A kind whose own covariance isn't clearly above noise offers no estimate of its own.
    """
    weight = np.ones(first[0].shape) if valid is None else valid.astype(float)

    def sums(one: FloatArray, two: FloatArray) -> FloatArray:
        return np.array([float((w * a * b).sum()) for w, a, b in _tiles(weight, one, two)])

    cross, count = sums(first[0], second[0]), float(weight.sum())
    size = math.sqrt(float(sums(first[0], first[0]).sum() * sums(second[0], second[0]).sum()))
    correlation = min(max(float(cross.sum()) / size, 0.0), 1.0) if size > 0 else 0.0
    found = []
    for halves, sign, shared in ((second[1:], 1.0, shared_mm[1]), (first[1:], -1.0, shared_mm[0])):
        own = sums(*halves)
        # The sampling error of a covariance needs no model, as in `noise`: (A^2 - B^2) / 2 scatters as A B does.
        scatter = (sums(halves[0], halves[0]) - sums(halves[1], halves[1])) / 2
        if own.sum() > _CLEAR * math.sqrt(float(np.sum(scatter**2))) and own.sum() > 0:
            log, u = _log_ratio(cross, own)
            found.append((sign * log, math.hypot(u, shared**2 * count / float(own.sum()))))
    if not found:
        return Ratio(1.0, math.inf, correlation, seen=False)
    weights = [1.0 / max(u, 1e-6) ** 2 for _, u in found]
    total = sum(weights)
    log = sum(w * value for w, (value, _) in zip(weights, found, strict=True)) / total
    # Both estimates share the cross term, so their errors don't average out.
    u = sum(w * own for w, (_, own) in zip(weights, found, strict=True)) / total
    return Ratio(math.exp(log), u * math.exp(log), correlation, seen=True)


def _log_ratio(over: FloatArray, under: FloatArray) -> tuple[float, float]:
    """Log of the ratio of two sums over tiles and its jackknife standard uncertainty."""

    def log(a: float, b: float) -> float:
        # A map that shows nothing of the other's surface is told as a twentieth.
        return math.log(max(a / b, 0.05)) if b > 0 else 0.0

    n = len(over)
    whole = log(float(over.sum()), float(under.sum()))
    without = np.array(
        [log(float(over.sum() - a), float(under.sum() - b)) for a, b in zip(over, under, strict=True)]
    )
    return whole, math.sqrt((n - 1) / n * float(np.sum((without - without.mean()) ** 2)))


def _taper(tile: FloatArray) -> FloatArray:
    rows, cols = (np.hanning(side + 2)[1:-1] for side in tile.shape)
    return np.asarray((tile - tile.mean()) * rows[:, None] * cols[None, :])


def _tiles(*maps: FloatArray) -> list[tuple[FloatArray, ...]]:
    """The same equal tiles of each map; a rest at the ends is left out."""
    rows, cols = (side // _TILES for side in maps[0].shape)
    return [
        tuple(m[r * rows : (r + 1) * rows, c * cols : (c + 1) * cols] for m in maps)
        for r in range(_TILES)
        for c in range(_TILES)
    ]
