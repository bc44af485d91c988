"""Bare floors in plan for training, in batches: paste, sand, cut stones with their masks, and what is often mistaken.

Cracks, joints, swirls, mottle, pits and dark stones belong to a bare floor: nothing here is a patch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from assessor.training.dirt_shapes import place, ramp
from assessor.training.noise import TABLE, Cells, Draw, Grid, cells, soft, spectral
from assessor.training.paints import TONES, crop_maps

COARSE_MM, VISIBLE_MM, RIM_MM = 4.75, 2.0, 0.8


@dataclass(frozen=True)
class Bare:
    """A batch of bare floors: albedo (batch, 3, n, n); stones (batch, 3, n, n) as visible, coarse, rim in 0..1.

    told (batch, 1, 1): 1 where the stones are known, 0 where a photo's own stones are in the colour.
    differs (batch, n, n): by how much (ln) a stone differs from the paste; large where there is none.
    """

    albedo: Tensor
    stones: Tensor
    told: Tensor
    differs: Tensor


def bare_floor(draw: Draw, grid: Grid, maps: Tensor | None) -> Bare:
    """Draw bare floors; maps as `paints.load_maps`."""
    level = draw.log_uniform(0.12, 0.62)
    tint = torch.stack([draw.uniform(0.97, 1.12), torch.ones_like(level), draw.uniform(0.78, 1.06)], 1)
    colour = level[:, None] * tint * torch.exp(mottle(draw, grid))[:, None]
    colour = sand(draw, grid, colour)
    told = torch.ones_like(level)
    if maps is not None:
        real = draw.chance(0.4)
        strength = draw.log_uniform(0.3, 1.4) * real
        colour = colour * crop_maps(draw, grid, maps).clamp(0.05, 4) ** strength[:, None]
        told = told * (strength < 0.4)
    colour, stones, differs = lay_stones(draw, grid, colour)
    return Bare(marks(draw, grid, colour).clamp(0.01, 0.95), stones, told, differs)


def mottle(draw: Draw, grid: Grid) -> Tensor:
    """Log tone of paste: weak everywhere, strong in some, at several scales."""
    total = (draw.log_uniform(0.01, 0.13)) * soft(draw, grid, 4 / grid.px_per_mm, 120, 0.4)
    total = total + draw.log_uniform(0.01, 0.11) * soft(draw, grid, 4 / grid.px_per_mm, 25, 0.3)
    fine = spectral(
        draw, grid, short_mm=draw.log_uniform(0.5, 2) / grid.px_per_mm,
        long_mm=draw.log_uniform(2, 12) / grid.px_per_mm, hurst=draw.uniform(-0.3, 0.7),
    )  # fmt: skip
    total = total + draw.log_uniform(0.01, 0.15) * fine
    # Some floors are cloudy all over, and are clean.
    total = total * (1 + (draw.chance(0.2) > 0) * draw.uniform(0.5, 2.0))
    # Mottle is often lopsided: dark clouds in a light floor or the reverse.
    bent = draw.normal(0.5).clamp(-1, 1)
    return total + bent * total.abs()


def sand(draw: Draw, grid: Grid, colour: Tensor) -> Tensor:
    """Grains under two millimetres, each size in a tone of its own."""
    for size in (0.4, 0.8):
        # Grains must stay under the 2 mm from which a stone counts: long waves would make blobs of them.
        width = size * draw.log_uniform(0.7, 1.3)
        field = spectral(draw, grid, short_mm=2 * width, long_mm=3 * width, hurst=draw.uniform(0, 1))
        cover = ((field - draw.uniform(0.9, 2.5)) * 5).clamp(0, 1)[:, None] * draw.uniform(0.0, 0.8)[:, None]
        if grid.px_per_mm < 1.5:
            cover = 0.25 * cover
        colour = colour + cover * (stone_tone(draw, colour) - colour)
    return colour


def stone_tone(draw: Draw, colour: Tensor) -> Tensor:
    """A tone for particles, (batch, 3, 1, 1): a rock's, or one close to the paste."""
    table = torch.tensor(TONES, device=draw.device)
    at = (draw.table(1)[:, 0] * len(TONES)).long()
    rock = table[at][..., None, None] * draw.uniform(0.6, 1.6)[:, None]
    paste = colour.mean((2, 3), keepdim=True) * torch.exp(draw.normal(0.25))[:, None]
    return torch.where(
        draw.chance(0.3)[:, None] > 0, paste * torch.exp(0.05 * draw.white(3)[..., None, None]), rock
    )


def lay_stones(draw: Draw, grid: Grid, colour: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Cut stones of up to four sizes, few or many; colour, masks visible, coarse, rim, and how much they differ."""
    visible = torch.zeros(draw.batch, grid.n, grid.n, device=draw.device)
    coarse, rim = visible.clone(), visible.clone()
    differs = torch.full_like(visible, 9.0)
    paste = torch.log(colour.clamp_min(1e-3)).mean((2, 3), keepdim=True)
    dense = draw.uniform(0, 1) * (draw.chance(0.8) > 0)
    family = _Family(draw, colour)
    skin = _skin(draw, grid)
    sparse = draw.chance(0.3)
    # From standing height only the larger ones are more than grain.
    for pitch in (3.2, 5.5, 9.0, 15.0) if grid.px_per_mm > 1.5 else (6.0, 10.0, 16.0, 26.0):
        pitch_mm = pitch * draw.log_uniform(0.8, 1.25)
        warp = pitch_mm * (
            draw.uniform(0.0, 0.12) * soft(draw, grid, 3, 16)
            + draw.uniform(0, 0.03) * soft(draw, grid, 1.2, 6)
        )
        # A few lone stones, or more and more of them.
        many = torch.where(sparse > 0, draw.uniform(0.0, 0.08), dense * draw.uniform(0.05, 0.8))
        share = (many * draw.chance(0.75)).clamp(0, 0.98)
        found = cells(draw, grid, pitch_mm, share=share, warp_mm=warp, spread=draw_spread(draw))
        # Distance from the centre over its share of the radius.
        radius = torch.sqrt((found.dx**2 + found.dy**2 + 1e-9) / found.q.clamp_min(1e-9))
        depth, across = facets(draw, found, radius)
        inside = (depth * grid.px_per_mm + 0.5).clamp(0, 1)
        big = (across > COARSE_MM) & (depth > 0)
        seen = (across > VISIBLE_MM) & (depth > 0)
        tone = family.paint(found, grid)
        halo = torch.exp(-((depth / 0.5) ** 2)) * draw.uniform(-0.25, 0.25) * draw.chance(0.4)
        cover = inside * (1 - skin)
        colour = colour + cover[:, None] * (tone - colour)
        colour = colour * torch.exp(halo)[:, None]
        unlike = (torch.log(tone.clamp_min(1e-3)) - paste).abs().amax(1) * (1 - skin)
        differs = torch.where(depth > 0, torch.where(seen, unlike, torch.full_like(unlike, 9.0)), differs)
        visible = torch.where(depth > 0, seen.float(), visible)
        coarse = torch.where(depth > 0, big.float(), coarse)
        rim = torch.where(depth > 0, ((depth < RIM_MM) & seen).float(), rim)
    # Under skin that hides a stone nothing can be seen, and nothing is claimed.
    open_ = (skin < 0.6).float()
    differs = torch.where(open_ > 0, differs, torch.full_like(differs, 9.0))
    return colour, torch.stack([visible * open_, coarse * open_, rim * open_], 1), differs


def facets(draw: Draw, found: Cells, radius: Tensor) -> tuple[Tensor, Tensor]:
    """Depth in mm inside each particle's outline, and its equivalent diameter: round, long or with corners."""
    turn = 6.2832 * found.of(draw.table(TABLE * TABLE))
    sides = 4 + (4 * found.of(draw.table(TABLE * TABLE))).floor()
    flat = 1 + draw.uniform(0, 0.9) * found.of(draw.table(TABLE * TABLE))
    u = found.dx * torch.cos(turn) + found.dy * torch.sin(turn)
    v = (found.dy * torch.cos(turn) - found.dx * torch.sin(turn)) * flat
    away = torch.hypot(u, v)
    corner = torch.remainder(torch.atan2(v, u), 2 * math.pi / sides) - math.pi / sides
    edge = torch.cos(math.pi / sides) / torch.cos(corner)
    sharp = (draw.chance(0.6) > 0) * draw.uniform(0.4, 1.0)
    limit = 1 + sharp * (edge - 1)
    # Area of the polygon with k corners on a circle over the circle's.
    cut = 1 + sharp * (sides / (2 * math.pi) * torch.sin(2 * math.pi / sides) - 1)
    depth = (radius * limit - away) / flat.sqrt()
    return depth, 2 * radius * torch.sqrt(cut / flat)


def draw_spread(draw: Draw) -> float:
    """Spread of the sizes in one layer."""
    return 0.15 + 0.5 * float(draw.table(1)[0, 0])


def _skin(draw: Draw, grid: Grid) -> Tensor:
    """How much paste is smeared over the stones, 0..1: nothing in most floors, half of the area in some."""
    cloud = torch.sigmoid(draw.uniform(3, 10) * (soft(draw, grid, 4, 60) - draw.uniform(-0.3, 2)))
    return (
        torch.where(draw.chance(0.25) > 0, cloud, torch.zeros_like(cloud)) + 0 * cloud + draw.uniform(0, 0.25)
    )


class _Family:
    """Tones of the stones of each floor: one rock, several, or hardly told from the paste."""

    def __init__(self, draw: Draw, colour: Tensor) -> None:
        self.draw = draw
        self.kinds = torch.stack([stone_tone(draw, colour)[..., 0, 0] for _ in range(3)], 1)
        paste = colour.mean((2, 3))
        near = draw.chance(0.25)[:, :, 0:1]
        close = paste[:, None] * torch.exp(0.18 * draw.white(3, 1).expand(-1, -1, 3))
        self.kinds = torch.where(near > 0, close, self.kinds)
        one = draw.chance(0.35)[:, :, 0:1]
        self.kinds = torch.where(one > 0, self.kinds[:, :1].expand(-1, 3, -1), self.kinds)
        self.spread = draw.uniform(0.02, 0.35)
        self.grain = draw.log_uniform(0.01, 0.2)

    def paint(self, found: Cells, grid: Grid) -> Tensor:
        """(batch, 3, n, n) tone of the particle that each sample lies in."""
        draw = self.draw
        of = (found.of(draw.table(TABLE * TABLE)) * 3).long().clamp_max(2)
        flat = of.reshape(of.shape[0], -1)
        tone = torch.stack([torch.gather(self.kinds[:, :, c], 1, flat).view_as(of) for c in range(3)], 1)
        vary = found.of(2 * draw.table(TABLE * TABLE) - 1)
        inner = spectral(
            draw,
            grid,
            short_mm=draw.log_uniform(0.4, 1.0),
            long_mm=draw.log_uniform(2, 8),
            hurst=draw.uniform(0, 0.6),
        )
        return tone * torch.exp(self.spread * vary * 1.5 + self.grain * inner)[:, None]


def marks(draw: Draw, grid: Grid, colour: Tensor) -> Tensor:
    """Cracks, joints, tool swirls, pits: dark or light lines and dots that are no patches."""
    log = torch.zeros(draw.batch, grid.n, grid.n, device=draw.device)
    unit_mm = max(1.0, 1.0 / grid.px_per_mm)
    x, y = place(draw, grid)
    sway = soft(draw, grid, 3 * unit_mm, 60, 0.8)
    crack = ramp(draw.uniform(0.2, 0.9) * unit_mm - (y + 6 * sway).abs(), 0.4 * unit_mm + 0 * x)
    log = log - draw.chance(0.15) * draw.uniform(0.2, 1.2) * crack
    x, y = place(draw, grid)
    joint = ramp(draw.uniform(1.0, 5.0) - y.abs() + 0 * x, 0.5 * unit_mm + 0 * x)
    log = log + draw.chance(0.12) * draw.uniform(-1.6, 0.4) * joint
    away = draw.log_uniform(40, 800)
    angle = draw.uniform(0, 2 * math.pi)
    radius = torch.hypot(grid.x - away * torch.cos(angle), grid.y - away * torch.sin(angle))
    period = draw.log_uniform(2.5, 40) * unit_mm
    wave = torch.cos(6.2832 * radius / period + 2 * sway)
    bite = torch.sigmoid(4 * soft(draw, grid, 10, 90))
    log = log + draw.chance(0.4) * draw.log_uniform(0.01, 0.18) * wave * bite
    found = cells(draw, grid, draw.log_uniform(6, 25) * unit_mm, share=draw.uniform(0.05, 0.6), spread=0.6)
    size = draw.uniform(0.3, 0.9) * (
        0.4 + 0.7 * found.of(draw.table(TABLE * TABLE))
    )  # radius: under a stone's
    there = found.q < 1e3  # places of the lattice that are taken
    pits = ramp(size * unit_mm - torch.hypot(found.dx, found.dy), 0.5 * unit_mm + 0 * sway) * there
    log = log - draw.chance(0.35) * draw.uniform(0.2, 1.3) * pits
    return colour * torch.exp(log)[:, None]
