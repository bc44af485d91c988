"""Outlines of what lies on floors, in batches: soft masks 0..1 whose half-way line is the outline.

A shape is a signed distance in mm bent by noise, then a ramp of the edge's own width. Written apart from
`assessor.simulate`, whose dirt is kept for judging.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import torch
from torch import Tensor

from assessor.training.noise import TABLE, Draw, Grid, cells, soft, spectral, unit

Outline = Callable[[Draw, Grid, Tensor], Tensor]


def ramp(distance_mm: Tensor, edge_mm: Tensor) -> Tensor:
    """0..1 across an edge edge_mm wide, 0.5 on the outline; positive distances lie inside."""
    return torch.sigmoid(4 * distance_mm / edge_mm.clamp_min(0.1))


def place(draw: Draw, grid: Grid, reach: float = 0.45) -> tuple[Tensor, Tensor]:
    """Coordinates about a random centre, turned at random, mm."""
    half = grid.n / grid.px_per_mm * reach
    x, y = grid.x - draw.uniform(-half, half), grid.y - draw.uniform(-half, half)
    turn = draw.uniform(0, 2 * math.pi)
    return x * torch.cos(turn) - y * torch.sin(turn), x * torch.sin(turn) + y * torch.cos(turn)


def wobble(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """What bends an outline, mm: long waves as large as the shape and finer ones."""
    small = soft(draw, grid, 4 / grid.px_per_mm * 2, 24)
    large = soft(draw, grid, 8 / grid.px_per_mm * 2, 120)
    return size_mm * (draw.uniform(0.02, 0.3) * large + draw.uniform(0.0, 0.12) * small)


def blob(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """An uneven round or long spot."""
    x, y = place(draw, grid)
    long = draw.log_uniform(1, 2.5)
    away = torch.hypot(x / long.sqrt(), y * long.sqrt())
    return size_mm / 2 - away + wobble(draw, grid, size_mm)


def splash(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """A spot with drops round it."""
    main = blob(draw, grid, 0.7 * size_mm)
    found = cells(draw, grid, size_mm * draw.uniform(0.25, 0.5), share=draw.uniform(0.1, 0.5), spread=0.8)
    near = main + size_mm * draw.uniform(0.3, 0.9) > 0
    drops = (1 - found.q.clamp_max(9).sqrt()) * size_mm * 0.12
    return torch.maximum(main, torch.where(near, drops, torch.full_like(drops, -9)))


def drips(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """A handful of round drops of like size along a line."""
    x, y = place(draw, grid)
    best = torch.full_like(x + y, -1e3)
    step = size_mm * draw.uniform(0.5, 1.2)
    for k in range(-2, 3):
        r = size_mm * draw.uniform(0.08, 0.28)
        there = draw.chance(0.75)
        away = torch.hypot(x - k * step + draw.normal() * step * 0.2, y + draw.normal() * step * 0.25)
        best = torch.maximum(best, torch.where(there > 0, r - away, torch.full_like(away, -1e3)))
    return best + 0.15 * wobble(draw, grid, size_mm)


def streak(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """A long run, straight or bent, of uneven width."""
    x, y = place(draw, grid)
    bend = (
        size_mm
        * draw.uniform(0, 0.3)
        * torch.sin(x / size_mm * draw.uniform(0.3, 1.5) + draw.uniform(0, 6.28))
    )
    width = size_mm * draw.uniform(0.12, 0.35)
    inside = width / 2 - (y + bend).abs()
    ends = size_mm * draw.uniform(0.8, 2.5) / 2 - x.abs()
    return torch.minimum(inside, ends) + 0.5 * wobble(draw, grid, width)


def band(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """A track right across: a tyre's or a roller's."""
    x, y = place(draw, grid, 0.3)
    del x
    sway = draw.uniform(0, 0.2) * size_mm * soft(draw, grid, 20, 200)
    return size_mm * draw.uniform(0.25, 0.7) - (y + sway).abs()


def half(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """One side of an uneven line."""
    x, y = place(draw, grid, 0.35)
    del x
    return y + wobble(draw, grid, size_mm)


def box(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """A rectangle with straight edges."""
    x, y = place(draw, grid)
    long = draw.log_uniform(1, 6)
    return torch.minimum(size_mm / 2 * long.sqrt() - x.abs(), size_mm / 2 / long.sqrt() - y.abs())


def blotches(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """Islands of a noise field inside a larger spot."""
    field = spectral(
        draw, grid, short_mm=0.12 * size_mm, long_mm=0.8 * size_mm, hurst=draw.uniform(0.2, 1.0)
    )  # fmt: skip
    region = blob(draw, grid, 2.2 * size_mm)
    islands = (field - draw.uniform(0.3, 1.4)) * 0.2 * size_mm
    return torch.minimum(islands, region)


def branches(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """Fine veins inside a spot: ridges of a noise field."""
    field = spectral(draw, grid, short_mm=0.08 * size_mm, long_mm=0.5 * size_mm, hurst=draw.uniform(0.2, 0.9))
    veins = (draw.uniform(0.1, 0.5) - field.abs()) * 0.12 * size_mm
    return torch.minimum(veins, blob(draw, grid, 2 * size_mm))


def sole(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """A part of a shoe's sole: a long oval with a tread of bars or studs."""
    x, y = place(draw, grid)
    away = torch.hypot(x / 1.7, y)
    print_ = size_mm / 2 - away + 0.2 * wobble(draw, grid, size_mm)
    pitch = size_mm * draw.uniform(0.08, 0.2)
    bars = torch.cos(6.2832 * (x + draw.uniform(0, 0.6) * y.abs()) / pitch)
    studs = bars * torch.cos(6.2832 * y / pitch)
    tread = torch.where(draw.chance(0.5) > 0, bars, studs) + draw.uniform(0.1, 0.8)
    return torch.minimum(print_, tread * pitch * 0.3)


OUTLINES: dict[str, Outline] = {
    "blob": blob, "splash": splash, "drips": drips, "streak": streak, "band": band, "half": half, "box": box,
    "blotches": blotches, "branches": branches, "sole": sole,
}  # fmt: skip


def hollows(draw: Draw, grid: Grid, height_mm: Tensor, size_mm: Tensor) -> Tensor:
    """Distance-like field that is positive in a floor's low places, within a region: skin that a machine bridged."""
    low = unit(height_mm + 0 * grid.x) + draw.uniform(0.2, 1.0) * soft(draw, grid, 6 / grid.px_per_mm, 90)
    islands = (-low - draw.uniform(0.4, 1.6)) * 2.0
    return torch.minimum(islands, blob(draw, grid, 3 * size_mm) * 0.2)


def pinholes(draw: Draw, grid: Grid, size_mm: Tensor) -> Tensor:
    """Small round spots scattered in a region: film left in pores."""
    pitch = draw.log_uniform(4, 12)
    found = cells(draw, grid, pitch, share=draw.uniform(0.1, 0.6), spread=0.8)
    spots = draw.uniform(0.15, 0.5) * pitch * (draw.uniform(0.4, 0.9) - found.q.clamp_max(9).sqrt())
    return torch.minimum(spots, blob(draw, grid, 2.5 * size_mm))


def table_tone(draw: Draw, tones: list[tuple[float, float, float]]) -> Tensor:
    """One tone a scene from a table, each channel and its level varied, (batch, 3, 1, 1)."""
    table = torch.tensor(tones, device=draw.device)
    at = (draw.table(1)[:, 0] * len(tones)).long()
    level = torch.exp(draw.normal(0.3))[:, None]
    return (table[at][..., None, None] * level * torch.exp(0.08 * draw.white(3)[..., None, None])).clamp(
        0.01, 0.95
    )


def grains(draw: Draw) -> Tensor:
    """Independent numbers for `cells`."""
    return draw.table(TABLE * TABLE)
