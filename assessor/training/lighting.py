"""Light on simulated floors in batches: near or far lamps with cast shadows, sky or window, one bounce, shine.

Shadows by scanning, not by marching: along rays from the lamp a sample is lit where the slope from the lamp down to it
is the least so far, which is one running minimum over a fan-shaped copy of the floor. The card stands round the window
at z = 0 and shadows it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from assessor.training.noise import Draw, Grid, blur, enlarge, fused, shrink
from assessor.training.shadows import EDGE_MM, Triple, visible

WINDOW_HALF_MM = 60.0
SKY_AZIMUTHS, SKY_LEVELS = 8, 4


@dataclass(frozen=True)
class Lamp:
    """A lamp per scene, all (batch, 1, 1).

    Direction toward it (rad), distance from the window's centre, half angle (rad) of its disc, and its share of the
    light on level paper there.
    """

    azimuth: Tensor
    elevation: Tensor
    distance_mm: Tensor
    softness: Tensor
    share: Tensor

    @property
    def place(self) -> tuple[Tensor, Tensor, Tensor]:
        """Position in the card frame, mm."""
        flat = self.distance_mm * torch.cos(self.elevation)
        return (
            flat * torch.cos(self.azimuth),
            flat * torch.sin(self.azimuth),
            self.distance_mm * torch.sin(self.elevation),
        )


@dataclass(frozen=True)
class Sky:
    """Light without a lamp: weights on level paper (batch, azimuths, levels), summing to 1; colour (batch, 3)."""

    weight: Tensor
    colour: Tensor


@dataclass(frozen=True)
class Relief:
    """What every light needs of a batch of floors: occluder, slopes and, of the sky, what each direction gives."""

    height: Tensor
    occluder: Tensor
    slope_x: Tensor
    slope_y: Tensor
    grid: Grid


def relief_of(height_mm: Tensor, grid: Grid) -> Relief:
    """Slopes (y runs against the rows) and the floor under its sheet: nothing lies lower than 0 outside the window."""
    inside = (grid.x.abs() < WINDOW_HALF_MM) & (grid.y.abs() < WINDOW_HALF_MM)
    occluder = torch.where(inside, height_mm, height_mm.clamp_min(0))
    padded = functional.pad(height_mm[:, None], (1, 1, 1, 1), mode="replicate")[:, 0]
    half = grid.px_per_mm / 2
    dx = (padded[:, 1:-1, 2:] - padded[:, 1:-1, :-2]) * half
    dy = (padded[:, :-2, 1:-1] - padded[:, 2:, 1:-1]) * half
    return Relief(height_mm, occluder, dx, dy, grid)


def lamp_light(relief: Relief, lamp: Lamp) -> tuple[Tensor, Tensor]:
    """Irradiance by the lamp on the floor and on level paper at z = 0, (batch, n, n); share at the window's centre."""
    grid = relief.grid
    # share = k sin(elevation) / distance^2 at the centre
    k = lamp.share * lamp.distance_mm**2 / torch.sin(lamp.elevation)
    lit = visible(relief.occluder, lamp.place, lamp.softness, grid)
    fields = relief.height, relief.slope_x, relief.slope_y, lit
    return _lamp_light(grid.x, grid.y, fields, k, lamp.place)  # type: ignore[no-any-return]


@fused
def _lamp_light(
    x: Tensor, y: Tensor, fields: tuple[Tensor, Tensor, Tensor, Tensor], k: Tensor, lamp: Triple
) -> tuple[Tensor, Tensor]:
    """Lambert's law under a near lamp; fields: height, slopes along x and y, and what of the lamp is seen."""
    height, slope_x, slope_y, lit = fields
    dx, dy, dz = lamp[0] - x, lamp[1] - y, lamp[2] - height
    length = torch.sqrt(1 + slope_x**2 + slope_y**2)
    square = dx * dx + dy * dy + dz * dz
    facing = (dz - slope_x * dx - slope_y * dy).clamp_min(0) / length
    flat = dx * dx + dy * dy + lamp[2] * lamp[2]
    return k * facing * square.rsqrt() / square * lit, k * lamp[2] * flat.rsqrt() / flat


def sky_vectors(relief: Relief, weights: list[Tensor]) -> list[Tensor]:
    """For each sky (batch, azimuths, levels): sum of weight x visibility x direction / sin, (batch, 3, n, n).

    Dotted with (-slope_x, -slope_y, 1) it gives the irradiance before division by the normal's length. Done at a third
    of the density: a sky is soft.
    """
    step = 3
    field = shrink(relief.occluder, step)
    m, density = field.shape[-1], relief.grid.px_per_mm / step
    span = m / density * 1.25
    batch = field.shape[0]
    at = (torch.arange(m, device=field.device) + 0.5) / m * 2 - 1
    v, u = torch.meshgrid(at, at, indexing="ij")
    along = u * span / 2
    totals = [torch.zeros(batch, 3, m, m, device=field.device) for _ in weights]
    for i in range(SKY_AZIMUTHS):
        azimuth = 2 * math.pi * (i + 0.5) / SKY_AZIMUTHS
        c, s = math.cos(azimuth), math.sin(azimuth)
        # u runs toward the light; image rows run against y.
        x, y = (u * c - v * s) * 1.25, (u * s + v * c) * 1.25
        place = torch.stack([x, -y], -1).expand(batch, -1, -1, -1)
        turned = functional.grid_sample(field[:, None], place, align_corners=False, padding_mode="border")[
            :, 0
        ]
        sums = [torch.zeros(batch, 2, m, m, device=field.device) for _ in weights]
        for j in range(SKY_LEVELS):
            sine = (j + 0.5) / SKY_LEVELS
            tangent = sine / math.sqrt(1 - sine * sine)
            b = turned - along * tangent
            depth = torch.cummax(b.flip(2), dim=2).values.flip(2) - b
            lit = (1 - depth / (2 * EDGE_MM)).clamp(0, 1)
            for total, weight in zip(sums, weights, strict=True):
                part = weight[:, i, j].view(-1, 1, 1) * lit
                total[:, 0] += part / tangent
                total[:, 1] += part
        gx, gy = torch.meshgrid(at, -at, indexing="xy")
        back = torch.stack([(gx * c + gy * s) / 1.25, (-gx * s + gy * c) / 1.25], -1).expand(
            batch, -1, -1, -1
        )
        for total, summed in zip(totals, sums, strict=True):
            seen = functional.grid_sample(summed, back, align_corners=False, padding_mode="border")
            total[:, 0] += c * seen[:, 0]
            total[:, 1] += s * seen[:, 0]
            total[:, 2] += seen[:, 1]
    n = relief.grid.n
    return [enlarge(t.reshape(batch * 3, m, m), n).reshape(batch, 3, n, n) for t in totals]


def sky_light(relief: Relief, vector: Tensor) -> Tensor:
    """Irradiance of a whole sky (1 on open level paper), (batch, n, n)."""
    length = torch.sqrt(1 + relief.slope_x**2 + relief.slope_y**2)
    amount = vector[:, 2] - relief.slope_x * vector[:, 0] - relief.slope_y * vector[:, 1]
    return amount.clamp_min(0) / length


def draw_sky(draw: Draw) -> Sky:
    """Overcast, even, or with a bright patch on one side (window, wall, bright room), in random strength."""
    batch, device = draw.batch, draw.device
    azimuth = 2 * math.pi * (torch.arange(SKY_AZIMUTHS, device=device) + 0.5) / SKY_AZIMUTHS
    sine = (torch.arange(SKY_LEVELS, device=device) + 0.5) / SKY_LEVELS
    rise = draw.uniform(0, 2)
    base = (1 + rise * sine.view(1, 1, -1)) / (1 + rise)
    away = (
        torch.remainder(azimuth.view(1, -1, 1) - draw.uniform(0, 2 * math.pi) + math.pi, 2 * math.pi)
        - math.pi
    )
    lift = torch.asin(sine).view(1, 1, -1) - draw.uniform(0.2, 1.3)
    patch = torch.exp(-0.5 * ((away / draw.uniform(0.4, 1.2)) ** 2 + (lift / draw.uniform(0.2, 0.6)) ** 2))
    patch = (draw.chance(0.5) > 0) * draw.log_uniform(0.3, 12) * patch
    weight = (base + patch) * sine.view(1, 1, -1)
    weight = weight / weight.sum((1, 2), keepdim=True)
    tint = torch.stack(
        [draw.uniform(0.9, 1.08), torch.ones(batch, 1, 1, device=device), draw.uniform(0.9, 1.15)], 1
    )
    return Sky(weight, tint[..., 0, 0])


def bounce(radiance: Tensor, albedo: Tensor, open_sky: Tensor, strength: Tensor, grid: Grid) -> Tensor:
    """Light from the floor itself: radiance around (within 1.5 mm) x what the horizon hides, (batch, 3, n, n)."""
    step = max(int(grid.px_per_mm / 2), 1)
    batch, channels = radiance.shape[:2]
    around = blur(shrink(radiance, step), 1.5 * grid.px_per_mm / step)
    around = enlarge(around.reshape(batch * channels, *around.shape[-2:]), grid.n).view_as(radiance)
    return around * albedo * (strength * (1 - open_sky.clamp(0, 1)))[:, None]


def shine(
    relief: Relief, lamp: Lamp, view: tuple[Tensor, Tensor], film_mm: Tensor, exponent: Tensor
) -> Tensor:
    """Blinn's lobe of a film under the lamp as a camera at `view` (tangents) sees it, (batch, n, n)."""
    grid = relief.grid
    smooth = blur(relief.height, film_mm * grid.px_per_mm)
    own = relief_of(smooth, grid)
    lx, ly, lz = lamp.place
    toward = torch.stack(torch.broadcast_tensors(lx - grid.x, ly - grid.y, lz + 0 * grid.x), 1)
    toward = toward / toward.norm(dim=1, keepdim=True)
    eye_z = 350.0
    eye = torch.stack(
        torch.broadcast_tensors(view[0] * eye_z - grid.x, view[1] * eye_z - grid.y, eye_z + 0 * grid.x), 1
    )
    eye = eye / eye.norm(dim=1, keepdim=True)
    half = toward + eye
    half = half / half.norm(dim=1, keepdim=True)
    length = torch.sqrt(1 + own.slope_x**2 + own.slope_y**2)
    cosine = (half[:, 2] - own.slope_x * half[:, 0] - own.slope_y * half[:, 1]) / length
    return (exponent + 8) / (8 * math.pi) * cosine.clamp(0, 1) ** exponent * lamp.share
