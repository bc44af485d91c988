"""Aggregate particles: outlines, domes and the label map that the truth about aggregate is read from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.values import FloatArray


@dataclass(frozen=True, eq=False)
class Stones:
    """Particles in plan: labels (n, n) int32, 0 = paste; dome_mm (n, n) above the paste; sizes_mm."""

    labels: np.ndarray[tuple[int, int], np.dtype[np.int32]]
    dome_mm: FloatArray
    sizes_mm: FloatArray


def make_stones(
    n: int, px_per_mm: float, rng: np.random.Generator, *, fraction: float, largest_mm: float, standing: float
) -> Stones:
    """Pack irregular particles of 2..largest_mm (sieve-like sizes) until they cover `fraction` of the area.

    standing: height of a particle's dome over its width (0 = flush). No two particles overlap.
    """
    labels = np.zeros((n, n), np.int32)
    dome = np.zeros((n, n), np.float32)
    sizes: list[float] = []
    # Places taken, as discs: most tries fail, and a disc test is a thousand times cheaper than an outline.
    taken = np.empty((6000, 3))
    wanted, covered, tries = fraction * n * n, 0, 0
    while covered < wanted and tries < 6000:
        tries += 1
        # Fuller-like grading: large stones first, so the small ones fill the gaps.
        left = 1 - covered / wanted
        size = float(2.0 + (largest_mm - 2.0) * left ** rng.uniform(0.6, 2.5))
        half = int(np.ceil(size * px_per_mm * 0.75))
        row, col = (int(v) for v in rng.integers(-half // 2, n + half // 2, 2))
        reach = size * px_per_mm / 2
        near = taken[: len(sizes)]
        if (np.hypot(near[:, 0] - row, near[:, 1] - col) < 0.8 * (near[:, 2] + reach)).any():
            continue
        mask = _outline(size, px_per_mm, rng)
        r0, c0, r1, c1 = (
            max(row - half, 0),
            max(col - half, 0),
            min(row + half + 1, n),
            min(col + half + 1, n),
        )
        part = mask[r0 - row + half : r1 - row + half, c0 - col + half : c1 - col + half]
        inside = part > 0
        view = labels[r0:r1, c0:c1]
        if view[inside].any():
            continue
        taken[len(sizes)] = row, col, reach
        sizes.append(size)
        view[inside] = len(sizes)
        covered += int(inside.sum())
        if standing > 0:
            rise = standing * size * rng.uniform(0.5, 1.3)
            dome[r0:r1, c0:c1][inside] = rise * np.sqrt(np.clip(part[inside], 0, 1))
    return Stones(labels, dome, np.array(sizes))


def _outline(size_mm: float, px_per_mm: float, rng: np.random.Generator) -> FloatArray:
    """A particle's plan: 1 in its middle falling to 0 at a knobbly, elongated rim; negative outside."""
    half = int(np.ceil(size_mm * px_per_mm * 0.75))
    at = np.arange(-half, half + 1, dtype=np.float32) / np.float32(size_mm * px_per_mm / 2)
    x, y = np.meshgrid(at, at)
    turn, stretch = rng.uniform(0, np.pi), rng.uniform(0.75, 1.0)
    u = (x * np.cos(turn) + y * np.sin(turn)) / 1.12
    v = (-x * np.sin(turn) + y * np.cos(turn)) / (1.12 * stretch)
    theta = np.arctan2(v, u)
    turn_table = np.linspace(-np.pi, np.pi, 512)
    rim_table = np.ones(512)
    for k in range(2, 7):
        rim_table += rng.normal(0, 0.10 / k**0.5) * np.cos(k * turn_table + rng.uniform(0, 2 * np.pi))
    rim = rim_table.astype(np.float32)[((theta + np.pi) * (511 / (2 * np.pi))).astype(np.int32)]
    return np.asarray(1 - (u * u + v * v) / (rim * rim), dtype=np.float32)
