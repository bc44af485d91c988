"""A zone's floor in plan, metres across: paste, stones' speckle, machine lanes with gaps and overlaps, ridges, joints.

The frame is that of zone sheet 1, mm; the zone's lower left corner is the paper's. Everything is colour only: from
standing height relief shows as light and dark, which the ridges' field stands for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.zone_sheet import zone_sheet
from assessor.simulate.imaging import blur
from assessor.simulate.noise import fractal_field
from assessor.values import FloatArray, U8Array

MARGIN_MM = 500.0  # floor beyond the zone's edges
StripKind = Literal["missed", "gap", "overlap"]
Process = Literal["ground", "shot", "scarified"]


@dataclass(frozen=True, slots=True)
class TrueStrip:
    """A straight strip worked otherwise than the rest: its middle line's ends and width, mm, in sheet 1's frame."""

    kind: StripKind
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float


@dataclass(frozen=True, slots=True)
class ZoneFloorRecipe:
    """Size, process and faults. crossed: worked both ways. along_x: lanes run along x. skin: log reflectance of old
    skin over the worked floor; skin_texture: its texture over the worked one's. joints: at x of these shares."""

    length_mm: float = 4000.0
    width_mm: float = 3000.0
    px_per_mm: float = 0.8
    process: Process = "scarified"
    crossed: bool = False
    along_x: bool = True
    lane_mm: float = 420.0
    n_gaps: int = 1
    n_missed: int = 1
    n_overlaps: int = 1
    base: float = 0.33
    mottle: float = 0.05
    speckle: float = 0.12
    ridge: float = 0.10
    skin: float = -0.2
    skin_texture: float = 0.35
    joints: tuple[float, ...] = (0.5,)


@dataclass(frozen=True, eq=False)
class ZoneFloor:
    """albedo (H, W, 3) float32; passes (H, W): how often each sample was worked; texture (H, W): the fine field alone.

    Row 0 lies at y_max_mm, column 0 at x_min_mm.
    """

    albedo: FloatArray
    passes: U8Array
    strips: tuple[TrueStrip, ...]
    px_per_mm: float
    x_min_mm: float
    y_max_mm: float

    def grid(self) -> tuple[FloatArray, FloatArray]:
        """x (1, W) and y (H, 1) of the sample centres, mm."""
        height, width = self.passes.shape
        x = self.x_min_mm + (np.arange(width, dtype=np.float32) + 0.5) / self.px_per_mm
        y = self.y_max_mm - (np.arange(height, dtype=np.float32) + 0.5) / self.px_per_mm
        return x[None], y[:, None]


def make_zone_floor(recipe: ZoneFloorRecipe, rng: np.random.Generator) -> ZoneFloor:
    """Make one floor; the same recipe and generator give the same floor."""
    corner = zone_sheet(1).corner_mm
    x_min, y_max = corner[0] - MARGIN_MM, corner[1] + recipe.width_mm + MARGIN_MM
    width = round((recipe.length_mm + 2 * MARGIN_MM) * recipe.px_per_mm)
    height = round((recipe.width_mm + 2 * MARGIN_MM) * recipe.px_per_mm)
    passes, strips = _lanes(recipe, (height, width), (x_min, y_max), rng)
    worked = np.clip(passes.astype(np.float32), 0, 2)
    soft = blur(worked, 2.5 * recipe.px_per_mm)
    tone = recipe.skin * np.clip(1 - soft, 0, 1)
    tone += np.float32(rng.uniform(0.04, 0.10)) * np.clip(soft - 1, 0, 1)
    n = max(height, width)
    for short, long, amount in ((60.0, 1500.0, 0.6), (12.0, 120.0, 0.5)):
        field = fractal_field(n, recipe.px_per_mm, rng, short_mm=short, long_mm=long, hurst=0.4)
        tone += np.float32(recipe.mottle * amount * 1.4) * field[:height, :width]
    strength = np.where(
        soft < 1, recipe.skin_texture + (1 - recipe.skin_texture) * soft, 1 + 0.25 * (soft - 1)
    )
    texture = _speckle((height, width), recipe, rng)
    if recipe.ridge > 0:
        turns = (0.0, 90.0) if recipe.crossed else (0.0,)
        for turn in turns:
            along = turn + (0.0 if recipe.along_x else 90.0) + float(rng.uniform(-1.5, 1.5))
            texture += np.float32(recipe.ridge / len(turns) ** 0.5) * ridges(
                (height, width), recipe.px_per_mm, along, rng
            )
    tone += strength.astype(np.float32) * texture
    grey = np.exp(tone) * np.float32(recipe.base)
    tint = np.array([1 + rng.uniform(0, 0.05), 1, 1 - rng.uniform(0, 0.08)], np.float32)
    # Stones differ in tint as in brightness (red granite and flint beside basalt); from a stream of its own.
    warm = strength.astype(np.float32) * _tints(
        (height, width), recipe, np.random.default_rng(rng.integers(2**31))
    )
    albedo = grey[..., None] * tint
    albedo[..., 0] *= np.exp(warm / 2)
    albedo[..., 2] *= np.exp(-warm / 2)
    albedo = np.clip(albedo, 0.03, 0.85).astype(np.float32)
    floor = ZoneFloor(albedo, passes, strips, recipe.px_per_mm, x_min, y_max)
    _joints(floor, recipe, rng)
    return floor


def ridges(
    shape: tuple[int, int], px_per_mm: float, along_deg: float, rng: np.random.Generator
) -> FloatArray:
    """Ridges of a few mm across that run along one direction (from +x), unit rms, as a scarifier's drum leaves them."""
    height, width = shape
    n = int(np.hypot(height, width)) + 8
    field = cv2.GaussianBlur(
        rng.standard_normal((n, n), np.float32), (0, 0), sigmaX=22 * px_per_mm, sigmaY=1.5 * px_per_mm
    )
    turn = cv2.getRotationMatrix2D((n / 2, n / 2), along_deg, 1.0)
    turn[:, 2] += np.array([width / 2 - n / 2, height / 2 - n / 2])
    turned = cv2.warpAffine(field, turn, (width, height), flags=cv2.INTER_LINEAR)
    return np.asarray(turned / max(float(turned.std()), 1e-9), dtype=np.float32)


def _speckle(shape: tuple[int, int], recipe: ZoneFloorRecipe, rng: np.random.Generator) -> FloatArray:
    """Stones and sand as they show in colour: grains of 2-12 mm, some of them clearly darker or lighter."""
    total = np.zeros(shape, np.float32)
    for sd_mm, amount in ((1.0, 0.6), (2.2, 0.7)):
        field = blur(rng.standard_normal(shape, np.float32), sd_mm * recipe.px_per_mm)
        field /= field.std()
        # Heavy tails: most of the paste is plain, stones stand out.
        total += np.float32(amount) * np.sign(field) * np.maximum(np.abs(field) - 0.6, 0)
    total /= max(float(total.std()), 1e-9)
    return np.asarray(total * np.float32(recipe.speckle), dtype=np.float32)


def _tints(shape: tuple[int, int], recipe: ZoneFloorRecipe, rng: np.random.Generator) -> FloatArray:
    """Log of red over blue: grains of 3-12 mm, and a faint mottle of decimetres."""
    field = blur(rng.standard_normal(shape, np.float32), 1.6 * recipe.px_per_mm)
    field /= field.std()
    grains = np.sign(field) * np.maximum(np.abs(field) - 0.6, 0)
    n = max(shape)
    mottle = fractal_field(n, recipe.px_per_mm, rng, short_mm=40.0, long_mm=600.0, hurst=0.4)[
        : shape[0], : shape[1]
    ]
    total = np.float32(0.6 * recipe.speckle) * grains / max(float(grains.std()), 1e-9)
    return np.asarray(total + np.float32(0.2 * recipe.mottle) * mottle, dtype=np.float32)


def _lanes(
    recipe: ZoneFloorRecipe, shape: tuple[int, int], place: tuple[float, float], rng: np.random.Generator
) -> tuple[U8Array, tuple[TrueStrip, ...]]:
    """Passes of a machine in parallel lanes over zone and margin, and the strips where something went wrong."""
    height, width = shape
    sides = (width, height) if recipe.along_x else (height, width)
    along_mm, across_mm = (side / recipe.px_per_mm for side in sides)
    n_lanes = int(across_mm / recipe.lane_mm) + 2
    inner = list(range(2, n_lanes - 2)) or [1]
    gaps: list[StripKind] = ["gap"] * recipe.n_gaps
    overlaps: list[StripKind] = ["overlap"] * recipe.n_overlaps
    faults = gaps + overlaps
    at = dict(zip(rng.permutation(inner)[: len(faults)].tolist(), faults, strict=False))
    free = [k for k in inner if k not in at and k + 1 not in at]
    missed = set(rng.permutation(free)[: recipe.n_missed].tolist())
    passes = np.zeros((round(across_mm * recipe.px_per_mm), round(along_mm * recipe.px_per_mm)), np.uint8)
    strips: list[TrueStrip] = []
    edge = float(-rng.uniform(0, recipe.lane_mm))

    def note(kind: StripKind, low: float, high: float, ends: tuple[float, float]) -> None:
        middle = (low + high) / 2
        points = [(s, middle) if recipe.along_x else (middle, s) for s in ends]
        x0, y0 = place[0], place[1]
        start, end = ((x0 + x, y0 - y) for x, y in points)
        strips.append(TrueStrip(kind, start, end, high - low))

    for k in range(n_lanes):
        fault = at.get(k)
        shift = -float(rng.uniform(4, 14))
        if fault == "gap":
            shift = float(rng.uniform(25, 80))
            note("gap", edge, edge + shift, (0.0, along_mm))
        elif fault == "overlap":
            shift = -float(rng.uniform(70, 150))
            note("overlap", edge + shift, edge, (0.0, along_mm))
        low, high = edge + shift, edge + shift + recipe.lane_mm
        row0, row1 = (max(round(v * recipe.px_per_mm), 0) for v in (low, high))
        if k in missed:
            length = float(rng.uniform(0.35, 0.7)) * along_mm
            begin = float(rng.uniform(0.1, 0.9)) * (along_mm - length)
            wide = float(rng.uniform(0.35, 0.9)) * (high - low)
            row = round((low + wide) * recipe.px_per_mm)
            c0, c1 = round(begin * recipe.px_per_mm), round((begin + length) * recipe.px_per_mm)
            passes[row0:row1] += 1
            passes[row0:row, c0:c1] = 0
            note("missed", low, low + wide, (begin, begin + length))
        else:
            passes[row0:row1] += 1
        edge = high
    turned: NDArray[np.uint8] = passes if recipe.along_x else np.ascontiguousarray(passes.T)
    full = np.asarray(cv2.resize(turned, (width, height), interpolation=cv2.INTER_NEAREST), dtype=np.uint8)
    return full, tuple(strips)


def _joints(floor: ZoneFloor, recipe: ZoneFloorRecipe, rng: np.random.Generator) -> None:
    """Saw cuts of 4-6 mm across the zone and a wandering crack, in place: dark lines that are no patches."""
    height, width = floor.passes.shape
    fine = np.zeros((height, width), np.uint8)
    for share in recipe.joints:
        x = round(share * width)
        cv2.line(
            fine,
            (x, 0),
            (x + int(rng.integers(-4, 5)), height),
            255,
            max(round(5 * recipe.px_per_mm), 2),
            cv2.LINE_AA,
        )
    points = np.cumsum(rng.normal(0, 12, (60, 2)) + rng.uniform(-18, 18, 2), axis=0) + rng.uniform(
        0.2, 0.8, 2
    ) * (width, height)
    cv2.polylines(fine, [np.round(points).astype(np.int32)], False, 140, 1, cv2.LINE_AA)
    floor.albedo[...] *= (1 - 0.65 * (fine.astype(np.float32) / 255))[..., None]
