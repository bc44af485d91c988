"""Heights from slopes: least squares in the cosine basis, so that edges reflect and no border is a period.

A height field mirrored at its edges is a sum of cosines and its slopes are sums of sines times cosines, bin by bin
with known factors: Frankot and Chellappa's projection (1988, IEEE PAMI 10, 439) on the even extension (Simchony,
Chellappa and Shao 1990, IEEE PAMI 12, 435). Slopes stand at the sample centres and are never differenced, so waves
down to two samples keep their height. Where slopes are missing they are filled with those of the surface found so
far, round by round (Papoulis 1975 and Gerchberg 1974 do so for missing samples), which ends in the least-squares
surface of the valid ones.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from assessor.values import BoolArray, FloatArray


def integrate_slopes(
    slope_x: FloatArray, slope_y: FloatArray, valid: BoolArray, spacing_mm: float, *, rounds: int = 4
) -> FloatArray:
    """Heights (H, W) float32 in mm, mean 0, whose slopes are nearest to the given ones.

    slope_x, slope_y (H, W): dz/dx and dz/dy in mm/mm, y up, row 0 at the largest y. valid (H, W): where they count.
    rounds: how often missing slopes are filled again (none missing: once is exact). ValueError for other shapes.
    """
    if not slope_x.shape == slope_y.shape == valid.shape:
        raise ValueError("slope_x, slope_y and valid must have one shape")
    along = np.where(valid, slope_x, 0).astype(np.float32)
    down = np.where(valid, -slope_y, 0).astype(np.float32)
    kx, ky = (_wave_numbers(n, spacing_mm) for n in (along.shape[1], along.shape[0]))
    square = kx**2 + ky[:, None] ** 2
    square[0, 0] = 1.0
    spectrum = _project(along, down, (kx, ky), square)
    if not valid.all():
        missing = ~valid
        for _ in range(rounds):
            there = _slopes_of(spectrum, (kx, ky))
            along[missing], down[missing] = there[0][missing], there[1][missing]
            spectrum = _project(along, down, (kx, ky), square)
    return np.asarray(fft.idctn(spectrum, norm="ortho"), dtype=np.float32)


def _wave_numbers(n: int, spacing_mm: float) -> FloatArray:
    return np.asarray(np.pi * np.arange(n) / (n * spacing_mm), dtype=np.float32)


def _project(
    along: FloatArray, down: FloatArray, waves: tuple[FloatArray, FloatArray], square: FloatArray
) -> FloatArray:
    kx, ky = waves
    sine_x = _shift(fft.dct(fft.dst(along, axis=1, norm="ortho"), axis=0, norm="ortho"), 1)
    sine_y = _shift(fft.dct(fft.dst(down, axis=0, norm="ortho"), axis=1, norm="ortho"), 0)
    spectrum = -(kx * sine_x + ky[:, None] * sine_y) / square
    spectrum[0, 0] = 0.0
    return np.asarray(spectrum)


def _slopes_of(spectrum: FloatArray, waves: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    kx, ky = waves
    along = fft.idst(fft.idct(_back(-kx * spectrum, 1), axis=0, norm="ortho"), axis=1, norm="ortho")
    down = fft.idst(fft.idct(_back(-ky[:, None] * spectrum, 0), axis=1, norm="ortho"), axis=0, norm="ortho")
    return np.asarray(along), np.asarray(down)


def _shift(sines: FloatArray, axis: int) -> FloatArray:
    """Sine coefficients 1..n of a DST as cosine bins 0..n-1: bin 0 has no slope, and sine n no cosine."""
    moved = np.roll(sines, 1, axis=axis)
    moved[(slice(None), 0) if axis else 0] = 0
    return np.asarray(moved)


def _back(cosines: FloatArray, axis: int) -> FloatArray:
    moved = np.roll(cosines, -1, axis=axis)
    moved[(slice(None), -1) if axis else -1] = 0
    return np.asarray(moved)
