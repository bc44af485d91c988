"""Height shapes made from other people's measurements (folder ../shared/data): grit and broken rock.

Neither has an absolute scale, so `floors` sets one; what they add is shape that no formula of ours made.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from scipy import fft

from assessor.simulate.imaging import blur, resize
from assessor.values import FloatArray

MAP_PX_PER_MM = 20.0  # of the raster that 1.2 to 2.8 samples a map pixel are meant for


def grit(folder: Path, n: int, px_per_mm: float, rng: np.random.Generator) -> FloatArray:
    """Abrasive paper from measured normal maps (MIT, ETSim/WearSurfacesDatasets), integrated, (n, n) float32.

    Slopes are Fourier-integrated (Frankot and Chellappa 1988) on the mirrored crop. One map pixel becomes
    0.06-0.14 mm, whatever the density of the raster.
    """
    name = ("S40.jpg", "S120.jpg")[int(rng.integers(2))]
    image = cv2.imread(str(folder / "sandpaper_normals" / name), cv2.IMREAD_COLOR)
    if image is None:
        raise FileNotFoundError(folder / "sandpaper_normals" / name)
    size = int(min(round(n * MAP_PX_PER_MM / px_per_mm), image.shape[0]) / rng.uniform(1.2, 2.8))
    top, left = (int(rng.integers(0, side - size)) for side in image.shape[:2])
    normal = image[top : top + size, left : left + size, ::-1].astype(np.float32) / 127.5 - 1
    up = np.maximum(normal[..., 2], 0.15)
    # Green points down the image: read the other way, half of the slopes' power is no gradient of any surface
    # (tests/against/test_abrasive_paper.py), whatever the data's own note says.
    height = _integrate(-normal[..., 0] / up, -normal[..., 1] / up)
    return resize(height, (n, n), cv2.INTER_CUBIC)


def _integrate(slope_col: FloatArray, slope_row: FloatArray) -> FloatArray:
    """Least-squares integration of slopes along columns and rows (per sample) of the mirrored field."""
    p = np.block([[slope_col, -slope_col[:, ::-1]], [slope_col[::-1], -slope_col[::-1, ::-1]]])
    q = np.block([[slope_row, slope_row[:, ::-1]], [-slope_row[::-1], -slope_row[::-1, ::-1]]])
    rows, cols = p.shape
    u = (2j * np.pi * np.fft.rfftfreq(cols))[None, :].astype(np.complex64)
    v = (2j * np.pi * np.fft.fftfreq(rows))[:, None].astype(np.complex64)
    power = np.abs(u) ** 2 + np.abs(v) ** 2
    power[0, 0] = 1
    # Gel and lamp bias bends the whole map; only waves shorter than a sixth of it are grit.
    keep = 1 - np.exp(-power * np.float32((slope_col.shape[0] / 12 / np.pi) ** 2))
    spectrum = keep * (np.conj(u) * fft.rfft2(p) + np.conj(v) * fft.rfft2(q)) / power
    spectrum[0, 0] = 0
    return np.asarray(fft.irfft2(spectrum, s=(rows, cols))[: rows // 2, : cols // 2], dtype=np.float32)


def relief(folder: Path, n: int, px_per_mm: float, rng: np.random.Generator) -> FloatArray:
    """A rock face (CC0, ambientCG Rock023; height in the alpha channel), smoothed over its 115 levels."""
    file = folder / "relief" / "rock023_alb_ht.png"
    image = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
    if image is None:
        raise FileNotFoundError(file)
    height = blur(image[..., 3].astype(np.float32), 1.5)
    # A cliff's own relief would hold the card centimetres above the floor: four fifths of its long waves go.
    height = height - 0.8 * blur(height, min(height.shape) * 0.06)
    size = int(min(height.shape) * rng.uniform(0.5, 0.95))
    top, left = (int(rng.integers(0, side - size)) for side in height.shape)
    part = np.rot90(height[top : top + size, left : left + size], int(rng.integers(4)))
    return resize(part, (n, n), cv2.INTER_CUBIC)
