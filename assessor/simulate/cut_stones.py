"""Aggregate as a grinder cuts it: rounded or crushed sections packed to a stated coarse fraction, and their colours.

Coarse: over 4.75 mm equivalent diameter (ASTM C33 parts coarse from fine aggregate at the No. 4 sieve); visible: from
2 mm. Families of colours are common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.simulate.imaging import blur
from assessor.simulate.noise import speckle_field
from assessor.simulate.soil import LUMINANCE
from assessor.simulate.stones import Stones
from assessor.values import FloatArray

COARSE_MM, VISIBLE_MM = 4.75, 2.0
FAMILIES = ("uniform", "multi", "low-contrast", "wet-look")
GAP_MM = 0.25  # paste left between neighbours
SUBPIXEL = 4
COARSE_PX = 4.0  # samples a mm of the grid on which places are tried
TRIES = 9000
# Linear reflectance of quarry families (from memory, verify; only their spread matters here).
QUARRIES = (
    (0.07, 0.08, 0.09), (0.34, 0.33, 0.31), (0.62, 0.59, 0.54), (0.24, 0.15, 0.11), (0.17, 0.19, 0.17),
    (0.40, 0.31, 0.20), (0.12, 0.10, 0.09), (0.29, 0.30, 0.33), (0.48, 0.40, 0.36),
)  # fmt: skip
Labels = np.ndarray[tuple[int, int], np.dtype[np.int32]]


@dataclass(frozen=True, slots=True)
class _Section:
    """One cut stone: outline about its own middle (k, 2) mm, area mm2, largest reach mm."""

    outline: NDArray[np.float64]
    area: float
    reach: float


def pack_sections(
    n: int, px_per_mm: float, rng: np.random.Generator, *, coarse: float, fine: float, largest_mm: float
) -> Stones:
    """Sections that cover `coarse` of the area with particles over 4.75 mm and `fine` with those of 2-4.75 mm.

    sizes_mm: equivalent diameters. Packing stops early where no room is found, so read the fraction off the labels.
    """
    side = n / px_per_mm
    crushed = float(rng.uniform(0, 1))
    grid = round(side * COARSE_PX)
    taken = np.zeros((grid, grid), np.uint8)
    placed: list[tuple[NDArray[np.float64], float]] = []
    for share, low, high in (
        (coarse, COARSE_MM * 1.03, largest_mm),
        (fine, VISIBLE_MM * 1.02, COARSE_MM * 0.97),
    ):
        covered, tries, wanted = 0.0, 0, share * side * side
        while covered < wanted and tries < TRIES:
            tries += 1
            # Cut sections of graded stones: many small, few large; large ones first find room.
            left = 1 - covered / wanted
            size = low + (high - low) * float(left ** rng.uniform(0.8, 2.2)) * float(rng.uniform(0.6, 1.0))
            section = _section(size, crushed, rng)
            at = rng.uniform(-side / 2 - 2, side / 2 + 2, 2)
            if _take(taken, section, at, side):
                placed.append((section.outline + at, size))
                covered += section.area
    return _labelled(placed, n, px_per_mm)


def _section(size_mm: float, crushed: float, rng: np.random.Generator) -> _Section:
    """An outline of equivalent diameter size_mm: a rounded pebble, a crushed stone, or between."""
    if rng.uniform() < crushed:
        count = int(rng.integers(5, 10))
        turn = 2 * np.pi * (np.arange(count) + rng.uniform(-0.32, 0.32, count)) / count
        reach = rng.uniform(0.72, 1.12, count)
        corners = np.stack([reach * np.cos(turn), reach * np.sin(turn)], 1)
        hull = cv2.convexHull(corners.astype(np.float32))[:, 0].astype(np.float64)
        outline = _rounded(hull, float(rng.uniform(0.06, 0.2)))
    else:
        turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        reach = np.ones(48)
        for k in (2, 3, 4, 5):
            reach += rng.normal(0, 0.10 / k) * np.cos(k * turn + rng.uniform(0, 2 * np.pi))
        outline = np.stack([reach * np.cos(turn), reach * np.sin(turn)], 1)
    long, way = rng.uniform(1.0, 1.65) ** 0.5, rng.uniform(0, np.pi)
    c, s = np.cos(way), np.sin(way)
    outline = (outline * [long, 1 / long]) @ np.array([[c, s], [-s, c]])
    x, y = outline.T
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    outline = (outline - outline.mean(0)) * (size_mm / 2 * math.sqrt(math.pi / area))
    full = math.pi * size_mm**2 / 4
    return _Section(outline, full, float(np.hypot(*outline.T).max()))


def _rounded(hull: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Corners cut twice (Chaikin 1974), which leaves flats between round corners."""
    for _ in range(2):
        ahead = np.roll(hull, -1, 0)
        first, second = hull + share * (ahead - hull), ahead - share * (ahead - hull)
        hull = np.stack([first, second], 1).reshape(-1, 2)
    return hull


def _take(taken: NDArray[np.uint8], section: _Section, at: NDArray[np.float64], side: float) -> bool:
    """Take a section's place on the coarse grid with its gap, where it is free."""
    grown = section.outline * (1 + GAP_MM / section.reach) + at
    col = (grown[:, 0] + side / 2) * COARSE_PX - 0.5
    row = (side / 2 - grown[:, 1]) * COARSE_PX - 0.5
    c0, r0 = max(int(col.min()), 0), max(int(row.min()), 0)
    c1, r1 = min(int(col.max()) + 2, taken.shape[1]), min(int(row.max()) + 2, taken.shape[0])
    if c1 <= c0 or r1 <= r0:
        return False
    mask = np.zeros((r1 - r0, c1 - c0), np.uint8)
    corners = np.round(np.stack([col - c0, row - r0], 1)).astype(np.int32)
    cv2.fillPoly(mask, [corners], 1)
    view = taken[r0:r1, c0:c1]
    if (view & mask).any():
        return False
    view |= mask
    return True


def _labelled(placed: list[tuple[NDArray[np.float64], float]], n: int, px_per_mm: float) -> Stones:
    labels = np.zeros((n, n), np.int32)
    for k, (outline, _) in enumerate(placed):
        col = outline[:, 0] * px_per_mm + n / 2 - 0.5
        row = n / 2 - 0.5 - outline[:, 1] * px_per_mm
        corners = np.round(np.stack([col, row], 1) * 2**SUBPIXEL).astype(np.int32)
        cv2.fillPoly(labels, [corners], k + 1, shift=SUBPIXEL)
    return Stones(labels, np.zeros((n, n), np.float32), np.array([size for _, size in placed]))


def paint_family(albedo: FloatArray, labels: Labels, family: str, rng: np.random.Generator) -> None:
    """Paint cut stones in the colours of one of FAMILIES, in place; rims are sharp, as a grinder leaves them."""
    count = int(labels.max())
    if family == "wet-look":
        _deepen(albedo)
    if count == 0:
        return
    paste = float(np.median(albedo[::7, ::7] @ LUMINANCE))
    shades = np.concatenate([[[0.0, 0.0, 0.0]], _colours(family, count, paste, rng)]).astype(np.float32)
    at = np.flatnonzero(labels)
    own = labels.ravel()[at]
    cover = np.clip(blur((labels > 0).astype(np.float32), 0.6).ravel()[at, None] * 1.6 - 0.4, 0, 1)
    n = labels.shape[0]
    grain = speckle_field(n, rng, sd_px=1.2).ravel()[at]
    clouds = speckle_field(n, rng, sd_px=9).ravel()[at]
    # Fine-grained stones are plain, coarse-grained ones salt and pepper.
    spread = np.concatenate([[0.0], rng.uniform(0.02, 0.28, count) * rng.choice([0.3, 1.0], count)])[own]
    tone = np.exp(spread * grain + 0.07 * clouds).astype(np.float32)[:, None]
    pixels = albedo.reshape(-1, 3)
    pixels[at] += cover * (shades[own] * tone - pixels[at])
    np.clip(albedo, 0.02, 0.85, out=albedo)


def _colours(family: str, count: int, paste: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Reflectance of each stone, (count, 3)."""
    quarries = np.array(QUARRIES)
    if family == "uniform":
        base = quarries[rng.integers(len(quarries))]
        if 0.75 < float(LUMINANCE @ base) / paste < 1.33:
            base = base * rng.choice([0.5, 1.7])
        return np.asarray(base * np.exp(rng.normal(0, 0.12, (count, 1))))
    if family == "low-contrast":
        tint = quarries[rng.integers(len(quarries), size=count)]
        tint = (tint / (tint @ LUMINANCE)[:, None]) ** 0.3
        return np.asarray(paste * np.exp(rng.normal(rng.choice([-0.12, 0.1]), 0.12, (count, 1))) * tint)
    kinds = rng.choice(len(quarries), size=int(rng.integers(3, 6)), replace=False)
    picked = quarries[kinds][rng.choice(len(kinds), count, p=rng.dirichlet(np.full(len(kinds), 1.5)))]
    shade = np.exp(rng.normal(0, 0.22, (count, 1)))
    if family == "wet-look":
        return np.asarray((picked * shade) ** 1.25 * 0.95)
    return np.asarray(picked * shade)


def _deepen(albedo: FloatArray) -> None:
    """Paste as it looks honed and wetted out: darker and more coloured, in place."""
    luminance = np.maximum(albedo @ LUMINANCE, 1e-3)[..., None]
    albedo *= np.float32(0.68) * (albedo / luminance) ** np.float32(0.6)


def area_shares(stones: Stones, px_per_mm: float, half_mm: float) -> tuple[float, float]:
    """Area fraction of coarse and of all visible particles on the middle square of 2 half_mm; sizes by whole area.

    A particle's equivalent diameter is that of the disc with its area on the whole floor.
    """
    labels = stones.labels
    area = np.bincount(labels.ravel(), minlength=len(stones.sizes_mm) + 1) / px_per_mm**2
    across = np.sqrt(4 * area / np.pi)
    across[0] = 0.0
    n, half = labels.shape[0], round(half_mm * px_per_mm)
    inner = across[labels[n // 2 - half : n // 2 + half, n // 2 - half : n // 2 + half]]
    return float((inner > COARSE_MM).mean()), float((inner >= VISIBLE_MM).mean())
