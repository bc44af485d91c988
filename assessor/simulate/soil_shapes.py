"""Outlines that dirt takes in plan: blots, bands, soles, leaves, veins and cracks, in mm on a floor's grid.

Every function takes the grid and returns an (n, n) float32 field; distances are positive inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.simulate.imaging import blur, sample
from assessor.simulate.noise import fractal_field, grid_mm
from assessor.values import FloatArray

SUBPIXEL = 4  # bits of a pixel's fraction that OpenCV's lines are drawn with


@dataclass(frozen=True, slots=True)
class Grid:
    """A floor's grid: n samples a side, px_per_mm, origin in the middle, row 0 at the largest y."""

    n: int
    px_per_mm: float

    def field(self, rng: np.random.Generator, short_mm: float, long_mm: float, hurst: float) -> FloatArray:
        """Self-affine noise of unit rms."""
        return fractal_field(
            self.n, self.px_per_mm, rng, short_mm=short_mm, long_mm=max(long_mm, 2 * short_mm), hurst=hurst
        )

    def turned(self, at_mm: tuple[float, float], turn_deg: float) -> tuple[FloatArray, FloatArray]:
        """Coordinates along and across a direction, from a point, each (n, n) mm."""
        x, y = grid_mm(self.n, self.px_per_mm)
        dx, dy = x - np.float32(at_mm[0]), y - np.float32(at_mm[1])
        c, s = np.float32(np.cos(np.deg2rad(turn_deg))), np.float32(np.sin(np.deg2rad(turn_deg)))
        return dx * c + dy * s, dy * c - dx * s

    def soft(self, image: FloatArray, sd_mm: float) -> FloatArray:
        """Gaussian blur by so many mm."""
        return blur(image, sd_mm * self.px_per_mm)


def step(distance_mm: FloatArray, edge_mm: float) -> FloatArray:
    """0 outside, 1 inside, smooth over edge_mm about the rim, one half at it."""
    t = np.clip(distance_mm / np.float32(max(edge_mm, 1e-3)) + np.float32(0.5), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), dtype=np.float32)


def blot(
    grid: Grid,
    at_mm: tuple[float, float],
    size_mm: float,
    rng: np.random.Generator,
    *,
    stretch: float = 1.25,
    turn_deg: float = 0.0,
    rough: float = 0.5,
) -> FloatArray:
    """Distance from the rim of a blot of about size_mm: lobes as long as itself, then ever finer ones."""
    u, v = grid.turned(at_mm, turn_deg)
    reach = np.hypot(u / np.float32(stretch**0.5), v * np.float32(stretch**0.5))
    lobes = grid.field(rng, max(0.25 * size_mm, 2.0), 1.6 * size_mm, 0.8)
    frays = grid.field(rng, 0.8, max(0.3 * size_mm, 3.0), 0.7)
    wander = np.float32(0.13 * rough * size_mm) * lobes + np.float32(min(0.03 * size_mm, 0.9) * rough) * frays
    return np.asarray(np.float32(size_mm / 2) - reach + wander, dtype=np.float32)


def box(
    grid: Grid,
    at_mm: tuple[float, float],
    turn_deg: float,
    sides_mm: tuple[float, float],
    round_mm: float,
) -> FloatArray:
    """Distance from the rim of a rectangle with rounded corners."""
    u, v = grid.turned(at_mm, turn_deg)
    a = np.abs(u) - np.float32(sides_mm[0] / 2 - round_mm)
    b = np.abs(v) - np.float32(sides_mm[1] / 2 - round_mm)
    out = np.hypot(np.maximum(a, 0), np.maximum(b, 0)) + np.minimum(np.maximum(a, b), 0)
    return np.asarray(np.float32(round_mm) - out, dtype=np.float32)


def streaks(
    u_mm: FloatArray, v_mm: FloatArray, rng: np.random.Generator, *, along_mm: float, across_mm: float
) -> FloatArray:
    """Noise of unit rms drawn out along u: grain of along_mm by across_mm."""
    tile = blur(rng.standard_normal((512, 512), np.float32), 1.5)
    tile = tile / np.float32(tile.std())
    col = u_mm * np.float32(3 / along_mm) + np.float32(rng.uniform(0, 512))
    row = v_mm * np.float32(3 / across_mm) + np.float32(rng.uniform(0, 512))
    return sample(tile, col, row, cv2.BORDER_REFLECT)


def drops(
    grid: Grid,
    at_mm: tuple[float, float],
    reach_mm: tuple[float, float],
    count: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Distance from the rims of splashes round a point: ever smaller outward, drawn out away from it."""
    best = np.full((grid.n, grid.n), -1e3, np.float32)
    for _ in range(count):
        away, turn = rng.uniform(*reach_mm), rng.uniform(0, 2 * np.pi)
        radius = float(np.exp(rng.normal(np.log(1.3), 0.55)))
        at = at_mm[0] + away * np.cos(turn), at_mm[1] + away * np.sin(turn)
        u, v = grid.turned(at, float(np.rad2deg(turn)))
        long = rng.uniform(1.0, 1.9)
        np.maximum(
            best, np.float32(radius) - np.hypot(u / np.float32(long), v * np.float32(long**0.5)), out=best
        )
    return best


def sole(u_mm: FloatArray, v_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A work boot's sole, toe toward +u, 290 mm long: distance from its rim, and where its tread presses (0..1)."""
    heel = 36 - np.hypot((u_mm + 102) / np.float32(1.05), v_mm)
    ball = 47 - np.hypot((u_mm - 62) / np.float32(1.65), v_mm * np.float32(1.0) - 4)
    waist = 26 - np.maximum(np.abs(v_mm - 2), np.abs(u_mm + 35) - 55)
    rim = np.maximum(np.maximum(heel, ball), waist)
    bend = 9 * np.cos(v_mm * np.float32(2 * np.pi / 46))
    bars = np.cos((u_mm + bend) * np.float32(2 * np.pi / 11.5))
    split = np.abs(v_mm - 3) - 2.2
    press = np.clip(bars * 3 + 1.6, 0, 1) * np.clip(split * 1.5, 0, 1)
    press = np.where((u_mm < -20) & (u_mm > -62), 0.12, press)
    # A rim of rubber runs round the tread.
    press = np.maximum(press, np.clip(1.4 - np.abs(rim - 3.0) * 0.6, 0, 1) * (u_mm > -150))
    return np.asarray(rim, dtype=np.float32), np.asarray(press, dtype=np.float32)


def wander(
    start_mm: tuple[float, float],
    heading_deg: float,
    length_mm: float,
    rng: np.random.Generator,
    bend: float = 1.0,
) -> FloatArray:
    """A path of steps of 1 mm that strays like a crack, (k, 2) mm."""
    count = max(int(length_mm), 2)
    turn = np.cumsum(rng.normal(0, 0.10 * bend, count)) + rng.normal(0, 0.28 * bend, count)
    # A crack keeps its direction on the whole.
    turn -= np.linspace(0, turn[-1], count)
    heading = np.deg2rad(heading_deg) + turn
    steps = np.stack([np.cos(heading), np.sin(heading)], 1)
    return np.asarray(np.array(start_mm) + np.cumsum(steps, 0), dtype=np.float64)


def branches(
    at_mm: tuple[float, float], size_mm: float, rng: np.random.Generator
) -> list[tuple[FloatArray, float]]:
    """Veins that branch from a point over size_mm: paths and their widths in mm."""
    found: list[tuple[FloatArray, float]] = []
    trunks = int(rng.integers(2, 4))
    first = rng.uniform(0, 360)
    todo = [
        (at_mm, first + 360 * k / trunks + rng.normal(0, 18), 0.62 * size_mm, rng.uniform(1.4, 2.2), 0)
        for k in range(trunks)
    ]
    while todo and len(found) < 60:
        start, heading, length, width, depth = todo.pop(0)
        path = wander(start, heading, length * rng.uniform(0.7, 1.1), rng, bend=1.5)
        found.append((path, width))
        if depth < 3:
            for _ in range(int(rng.integers(2, 5))):
                k = int(rng.integers(len(path) // 5, len(path)))
                side = rng.choice([-1, 1]) * rng.uniform(25, 70)
                todo.append(
                    (
                        (float(path[k, 0]), float(path[k, 1])),
                        heading + side,
                        length * rng.uniform(0.3, 0.55),
                        width * 0.65,
                        depth + 1,
                    )
                )
    return found


def draw_paths(grid: Grid, paths: list[tuple[FloatArray, float]], rng: np.random.Generator) -> FloatArray:
    """Coverage 0..1 of lines whose widths waver about what is given."""
    up = 2  # drawn at twice the density: a hair is thinner than a sample
    canvas = np.zeros((grid.n * up, grid.n * up), np.uint8)
    density = grid.px_per_mm * up
    for path, width in paths:
        waver = np.exp(
            0.35
            * cv2.GaussianBlur(rng.standard_normal((1, len(path))).astype(np.float32), (0, 0), 3.0)[0]
            * 3
        )
        col = path[:, 0] * density + grid.n * up / 2 - 0.5
        row = grid.n * up / 2 - 0.5 - path[:, 1] * density
        points = np.round(np.stack([col, row], 1) * 2**SUBPIXEL).astype(np.int32)
        for a, b, factor in zip(points[:-1], points[1:], waver, strict=False):
            thick = max(round(width * float(factor) * density), 1)
            cv2.line(
                canvas,
                (int(a[0]), int(a[1])),
                (int(b[0]), int(b[1])),
                255,
                thick,
                cv2.LINE_AA,
                SUBPIXEL,
            )
    small = cv2.resize(canvas, (grid.n, grid.n), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32) / 255


def cells(grid: Grid, size_mm: float, rng: np.random.Generator) -> FloatArray:
    """Distance in mm from the borders of a mud-crack pattern with cells of about size_mm, (n, n)."""
    side = grid.n / grid.px_per_mm
    count = max(int((side / size_mm) ** 2), 4)
    seeds = rng.uniform(-side / 2, side / 2, (count, 2)).astype(np.float32)
    coarse = np.linspace(-side / 2, side / 2, 280, dtype=np.float32)
    x, y = np.meshgrid(coarse, -coarse)
    distance = np.hypot(x[..., None] - seeds[:, 0], y[..., None] - seeds[:, 1])
    nearest = np.partition(distance, 1, axis=-1)
    gap = (nearest[..., 1] - nearest[..., 0]) / 2
    return np.asarray(cv2.resize(gap, (grid.n, grid.n), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
