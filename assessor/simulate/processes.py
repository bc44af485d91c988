"""Shapes that floor preparation leaves, as height fields of free scale.

Each function takes (n, px_per_mm, level_mm, rng) and returns an (n, n) float32 field; `floors` then sets
the exact amplitude. `level_mm` is the wanted Sq: feature sizes grow with it, so that deeper floors are
coarser instead of impossibly steep. Feature sizes are common practice and eyesight, not measurements: no
open height maps of prepared concrete were found.
"""

from __future__ import annotations

import cv2
import numpy as np

from assessor.simulate.imaging import blur, resize, sample
from assessor.simulate.noise import fractal_field, grid_mm, stamp
from assessor.values import FloatArray


def ground(n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator) -> FloatArray:
    """Diamond-ground concrete: arcs of rotating heads cut over each other, a little waviness, few voids."""
    x, y = grid_mm(n, px_per_mm)
    height = np.zeros((n, n), np.float32)
    bins_per_mm = 20.0
    passes = 9
    for k in range(passes):
        angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(40, 170)
        cx, cy = away * np.cos(angle), away * np.sin(angle)
        radius = np.hypot(x - np.float32(cx), y - np.float32(cy))
        profile = _groove_profile(400, bins_per_mm, rng)
        index = np.minimum((radius * np.float32(bins_per_mm)).astype(np.int32), profile.size - 1)
        # A later pass removes what it crosses: it weighs more where it bites.
        here = fractal_field(280, 280 / n * px_per_mm, rng, short_mm=15, long_mm=90, hurst=0.5)
        bite = resize(1 / (1 + np.exp(-3 * (here - (0.3 if k else -9.0)))), (n, n))
        height += bite * (profile[index] - np.float32(0.65) * height)
    height = blur(height, 0.035 * px_per_mm)
    height /= height.std()
    height += 0.35 * fractal_field(n, px_per_mm, rng, short_mm=3, long_mm=40, hurst=0.8)
    height += 0.18 * fractal_field(n, px_per_mm, rng, short_mm=0.15, long_mm=1.5, hurst=0.5)
    deepest = min(4.0, 0.25 / max(level_mm, 0.01)) * 3
    _voids(height, px_per_mm, rng, count=int(rng.integers(20, 80)), deepest=deepest)
    return height


def _groove_profile(length_mm: int, bins_per_mm: float, rng: np.random.Generator) -> FloatArray:
    """Cross-section of one head's track: coarse scallops of the segments plus single scratches."""
    size = int(length_mm * bins_per_mm)
    profile = np.zeros(size, np.float32)
    for sd_mm, amplitude in ((0.12, 0.7), (0.4, 0.9), (1.3, 1.0), (3.5, 0.8)):
        noise = rng.standard_normal(size).astype(np.float32)[None]
        smooth = cv2.GaussianBlur(noise, (0, 0), sigmaX=sd_mm * bins_per_mm, sigmaY=0.01)[0]
        profile += amplitude * smooth / smooth.std()
    for at in rng.integers(0, size, int(length_mm * 0.35)):
        half = int(rng.uniform(2, 7))
        cut = np.arange(max(at - half, 0), min(at + half, size))
        profile[cut] -= rng.exponential(1.2) * (1 - np.abs(cut - at) / half)
    return profile


def _voids(
    height: FloatArray, px_per_mm: float, rng: np.random.Generator, *, count: int, deepest: float
) -> None:
    """Cut round air voids and pinholes (radius 0.15-1.2 mm) in place."""
    n = height.shape[0]
    for _ in range(count):
        radius = 0.15 * np.exp(rng.uniform(0, 2.0))
        bowl = _bowl(radius, px_per_mm) * min(deepest, 6 * radius)
        row, col = rng.integers(0, n, 2)
        stamp(height, bowl, int(row), int(col), "add")


def _bowl(radius_mm: float, px_per_mm: float, power: float = 1.0) -> FloatArray:
    """A bowl of unit depth: -(1 - (r/R)^2)^power inside its rim, 0 outside."""
    half = max(int(np.ceil(radius_mm * px_per_mm)), 1)
    at = np.arange(-half, half + 1, dtype=np.float32) / np.float32(radius_mm * px_per_mm)
    inside = np.clip(1 - at[:, None] ** 2 - at[None, :] ** 2, 0, None)
    return np.asarray(-(inside**power), dtype=np.float32)


def shot(n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator) -> FloatArray:
    """Shot-blasted concrete: overlapping pits of several sizes over a softly eroded base."""
    size = float(np.clip((level_mm / 0.15) ** 0.6, 0.6, 3.0))
    height = np.zeros((n, n), np.float32)
    area = (n / px_per_mm) ** 2
    for radius, share in ((0.45, 0.35), (0.9, 0.6), (1.8, 0.9), (3.4, 0.8)):
        layer = np.zeros((n, n), np.float32)
        count = int(share * area / (np.pi * (radius * size) ** 2))
        kernels = [_bowl(radius * size * s, px_per_mm, 0.8) * np.float32(s) for s in np.linspace(0.6, 1.5, 8)]
        rows, cols = rng.integers(0, n, (2, count))
        for row, col, k in zip(rows.tolist(), cols.tolist(), rng.integers(0, 8, count).tolist(), strict=True):
            stamp(layer, kernels[k], row, col, "min")
        height += np.float32(radius**0.9) * layer
    height = blur(height, 0.06 * px_per_mm)
    height /= height.std()
    height += 0.5 * fractal_field(n, px_per_mm, rng, short_mm=0.4, long_mm=25, hurst=0.6)
    return height


def scarified(
    n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator, lay_deg: float
) -> FloatArray:
    """Scarified concrete: wandering ridges 5-9 mm apart along `lay_deg`, broken and rough."""
    x, y = grid_mm(n, px_per_mm)
    angle = np.deg2rad(lay_deg)
    across = -x * np.float32(np.sin(angle)) + y * np.float32(np.cos(angle))
    # Deep cuts stand farther apart: at the same 5 mm they would be walls.
    period = rng.uniform(5.0 + 3.0 * min(level_mm / 1.3, 1.0), 9.0)
    wander = fractal_field(n, px_per_mm, rng, short_mm=18, long_mm=140, hurst=0.8)
    u = across / np.float32(period) + np.float32(0.16) * wander
    # Each cutter's depth differs and drifts; ridge crests are sharper than the valleys.
    track = rng.uniform(0.55, 1.3, 400).astype(np.float32)
    depth = track[np.clip(np.floor(u).astype(np.int32) + 200, 0, 399)]
    ridge = np.abs(np.sin(np.pi * u)) ** np.float32(1.25)
    height = -depth * ridge
    height *= 1 + np.float32(0.25) * fractal_field(n, px_per_mm, rng, short_mm=6, long_mm=60, hurst=0.5)
    height = blur(height, 0.25 * px_per_mm)
    height /= height.std()
    height += 0.33 * fractal_field(n, px_per_mm, rng, short_mm=0.5, long_mm=12, hurst=0.7)
    return height


def scabbled(n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator) -> FloatArray:
    """Scabbled concrete: tilted chips (Voronoi facets) with crushed edges."""
    pitch = float(np.clip(7.0 * (level_mm / 0.5) ** 0.25, 4.0, 9.0))
    coarse = 700
    per_mm = coarse / (n / px_per_mm)
    seeds = np.ones((coarse, coarse), np.uint8)
    count = int((coarse / per_mm / pitch) ** 2)
    seeds[rng.integers(0, coarse, count), rng.integers(0, coarse, count)] = 0
    _, labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    rows, cols = np.nonzero(seeds == 0)
    order = labels[rows, cols]
    centre = np.zeros((int(labels.max()) + 1, 2), np.float32)
    centre[order] = np.stack([rows, cols], 1) / per_mm
    tilt = np.clip(rng.normal(0, 0.25, centre.shape), -0.45, 0.45).astype(np.float32)
    offset = np.clip(rng.normal(0, 0.5, len(centre)), -1.0, 0.8).astype(np.float32)
    row, col = np.mgrid[0:coarse, 0:coarse].astype(np.float32) / per_mm
    facet = (
        offset[labels]
        + tilt[labels, 0] * (row - centre[labels, 0])
        + tilt[labels, 1] * (col - centre[labels, 1])
    )
    facet = blur(facet.astype(np.float32), (0.4 + 0.3 * level_mm) * per_mm)
    # A warped enlargement keeps the facet borders from being straight lines.
    x, y = np.meshgrid(np.arange(n, dtype=np.float32), np.arange(n, dtype=np.float32))
    scale = np.float32(coarse / n)
    warp = [1.2 * per_mm * fractal_field(n, px_per_mm, rng, short_mm=2, long_mm=30, hurst=0.6) for _ in "xy"]
    height = sample(facet, x * scale + warp[0], y * scale + warp[1], cv2.BORDER_REFLECT)
    # Two deviations up or down is where a blow stops: no chip goes centimetres deep.
    height = 2 * np.tanh(height / (2 * height.std()))
    height += 0.3 * fractal_field(n, px_per_mm, rng, short_mm=0.4, long_mm=10, hurst=0.7)
    return np.asarray(height, dtype=np.float32)


def fractal(n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator) -> FloatArray:
    """A band-limited self-affine surface, Hurst exponent 0.6-0.9."""
    return fractal_field(n, px_per_mm, rng, short_mm=0.3, long_mm=40, hurst=float(rng.uniform(0.6, 0.9)))


def bumps(n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator) -> FloatArray:
    """A plane with separate round bumps only (skewness well above 0): the sign test."""
    height = np.zeros((n, n), np.float32)
    count = int((n / px_per_mm) ** 2 * 0.012)
    for _ in range(count):
        radius = float(rng.uniform(1.0, 2.2))
        row, col = rng.integers(0, n, 2)
        stamp(height, -_bowl(radius, px_per_mm, 1.5) * np.float32(radius), int(row), int(col), "max")
    return height


def pits(n: int, px_per_mm: float, level_mm: float, rng: np.random.Generator) -> FloatArray:
    """A plane with separate round pits only (skewness well below 0): the sign test's other half."""
    return -bumps(n, px_per_mm, level_mm, rng)


def exposed(n: int, px_per_mm: float, rng: np.random.Generator, dome_mm: FloatArray) -> FloatArray:
    """Exposed aggregate: particles standing out of washed paste, each dome a little rough."""
    height = blur(dome_mm, 0.12 * px_per_mm)
    height /= max(float(height.std()), 1e-9)
    height += 0.22 * fractal_field(n, px_per_mm, rng, short_mm=0.4, long_mm=15, hurst=0.6)
    return np.asarray(height, dtype=np.float32)
