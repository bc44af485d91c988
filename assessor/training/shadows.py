"""Cast shadows of a lamp by scanning along a fan of its rays; see `lighting`."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from assessor.training.noise import Grid, fused

EDGE_MM = 0.03  # a shadow's edge is this deep: less would alias
Triple = tuple[Tensor, Tensor, Tensor]


def visible(occluder: Tensor, place_mm: Triple, softness: Tensor, grid: Grid) -> Tensor:
    """Share (0..1) of a lamp that each sample sees, (batch, n, n): three heights of its disc.

    place_mm: x, y, z of the lamp in the card frame; softness: half angle of its disc; all (batch, 1, 1).
    """
    n = grid.n
    reach = grid.n / grid.px_per_mm / 2 * math.sqrt(2)
    lx, ly, lz = place_mm
    foot = torch.hypot(lx, ly)  # further out than the raster's corners, or the fan would have to go round
    wide = torch.asin((reach / foot).clamp_max(0.98))
    at = torch.linspace(-1, 1, n, device=grid.device)
    rays = _fan(at, (lx, ly), (foot, wide), reach)
    fan = functional.grid_sample(occluder[:, None], rays, align_corners=False, padding_mode="border")[:, 0]
    lit, elevation = torch.zeros_like(fan), torch.atan2(lz, foot)
    for lift, weight in ((-0.7, 0.3), (0.0, 0.4), (0.7, 0.3)):
        top = foot * torch.tan((elevation + lift * softness).clamp(0.02, 1.55))
        along = _along(at, foot, reach)
        steep = (top - fan) / along
        lit = _lit(steep, torch.cummin(steep, dim=2).values, along, lit, weight)
    back = _unfan(grid.x, grid.y, (lx, ly), (foot, wide), reach) * ((n - 1) / n)
    return functional.grid_sample(lit[:, None], back, align_corners=False, padding_mode="border")[:, 0]


def _along(at: Tensor, foot: Tensor, reach: float) -> Tensor:
    """Distance of the fan's steps from the lamp's foot, (batch, 1, steps)."""
    return foot + at.view(1, 1, -1) * reach


@fused
def _fan(at: Tensor, lamp: tuple[Tensor, Tensor], spread: tuple[Tensor, Tensor], reach: float) -> Tensor:
    """Where the rays of a fan about the lamp's foot fall, (batch, rays, steps, 2) over the raster's half side.

    spread: distance of the foot from the centre, and half the fan's angle.
    """
    toward = torch.atan2(lamp[1], lamp[0]) + math.pi + at.view(1, -1, 1) * spread[1]
    r = _along(at, spread[0], reach)
    half = reach / math.sqrt(2)
    return torch.stack(
        [(lamp[0] + r * torch.cos(toward)) / half, -(lamp[1] + r * torch.sin(toward)) / half], -1
    )


@fused
def _lit(steep: Tensor, least: Tensor, along: Tensor, lit: Tensor, weight: float) -> Tensor:
    """Add what one height of the disc lights: nothing where a sample lies under the least slope so far."""
    return lit + weight * (1 - (steep - least) * along / EDGE_MM).clamp(0, 1)


@fused
def _unfan(
    x: Tensor, y: Tensor, lamp: tuple[Tensor, Tensor], spread: tuple[Tensor, Tensor], reach: float
) -> Tensor:
    """The way back: the fan's coordinates of every sample, (batch, n, n, 2)."""
    px, py = x - lamp[0], y - lamp[1]
    angle = torch.atan2(py, px) - torch.atan2(lamp[1], lamp[0]) - math.pi
    angle = torch.remainder(angle + math.pi, 2 * math.pi) - math.pi
    at_r, at_turn = torch.broadcast_tensors((torch.hypot(px, py) - spread[0]) / reach, angle / spread[1])
    return torch.stack([at_r, at_turn], -1)
