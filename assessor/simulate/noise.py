"""Random fields and stamps on a square grid, shared by floor shapes and albedo.

Long waves are made on a coarse grid and enlarged: a 140 mm floor at 0.05 mm has 7.8 million samples, and a
full transform per field would cost more than the photos.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy import fft

from assessor.simulate.imaging import blur, resize
from assessor.values import FloatArray


def fractal_field(
    n: int, px_per_mm: float, rng: np.random.Generator, *, short_mm: float, long_mm: float, hurst: float
) -> FloatArray:
    """Return an isotropic self-affine field with wavelengths short_mm..long_mm, (n, n) float32 of unit rms.

    The spectrum falls as q^-(2 + 2 hurst) in two dimensions (Persson et al. 2005, J. Phys. Condens. Matter
    17 R1).
    """
    # Four samples per shortest wave carry it; the rest is interpolation.
    side_mm = n / px_per_mm
    coarse = int(min(n, np.ceil(side_mm / short_mm * 4)))
    size = fft.next_fast_len(coarse, real=True)
    step_mm = side_mm / coarse
    qy = np.fft.fftfreq(size, step_mm)[:, None].astype(np.float32)
    qx = np.fft.rfftfreq(size, step_mm)[None, :].astype(np.float32)
    q = np.hypot(qx, qy)
    keep = (q >= 1.0 / long_mm) & (q <= 1.0 / short_mm)
    amplitude = np.zeros_like(q)
    amplitude[keep] = q[keep] ** -(1.0 + hurst)
    noise = rng.standard_normal((*q.shape, 2), np.float32).view(np.complex64)[..., 0]
    field: FloatArray = fft.irfft2(noise * amplitude, s=(size, size)).astype(np.float32)[:coarse, :coarse]
    if coarse != n:
        field = resize(field, (n, n), cv2.INTER_CUBIC)
    return np.asarray(field / max(float(field.std()), 1e-12), dtype=np.float32)


def speckle_field(n: int, rng: np.random.Generator, *, sd_px: float) -> FloatArray:
    """Return Gaussian-smoothed white noise of unit rms, (n, n) float32; sd_px is the smoothing."""
    field: FloatArray = rng.standard_normal((n, n), np.float32)
    if sd_px > 0.3:
        field = blur(field, sd_px)
    return np.asarray(field / max(float(field.std()), 1e-12), dtype=np.float32)


def grid_mm(n: int, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return x (1, n) and y (n, 1) of the sample centres in mm; origin in the middle, row 0 = largest y."""
    at = ((np.arange(n, dtype=np.float32) + 0.5) / px_per_mm - n / px_per_mm / 2).astype(np.float32)
    return at[None, :], -at[:, None]


def stamp(target: FloatArray, patch: FloatArray, row: int, col: int, mode: str) -> None:
    """Merge a small patch into target around (row, col) in place; mode is min, max or add."""
    height, width = patch.shape
    top, left = row - height // 2, col - width // 2
    r0, c0 = max(top, 0), max(left, 0)
    r1, c1 = min(top + height, target.shape[0]), min(left + width, target.shape[1])
    if r0 >= r1 or c0 >= c1:
        return
    view, part = target[r0:r1, c0:c1], patch[r0 - top : r1 - top, c0 - left : c1 - left]
    if mode == "min":
        np.minimum(view, part, out=view)
    elif mode == "max":
        np.maximum(view, part, out=view)
    else:
        np.add(view, part, out=view)
