"""Colour of simulated floors in batches: linear reflectance that has little or nothing to do with the heights.

Colour texture is what a single photo is most easily fooled by (study of the method: a model trained on even colour read
smooth floors eight times too rough), so it is drawn wider than any concrete and by families that can be held out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from assessor.card.linear import linear_from_srgb
from assessor.simulate.albedo import LITHOLOGIES
from assessor.training.noise import TABLE, Draw, Grid, blur, cells, soft, spectral, unit
from assessor.training.surfaces import FAMILIES

PAINTS = ("even", "paste", "speckle", "stones", "photo", "hollows", "marks")
# Linear reflectance R, G, B of rocks and pastes (from memory, verify; only their spread matters here).
TONES = (*LITHOLOGIES, (0.06, 0.06, 0.06), (0.70, 0.68, 0.64), (0.20, 0.24, 0.22))


def load_maps(files: Sequence[Path], device: str) -> Tensor | None:
    """Delit albedo maps as (count, 3, 1024, 1024) linear reflectance over their mean; None without files."""
    maps = []
    for file in files:
        image = cv2.imread(str(file), cv2.IMREAD_COLOR)
        if image is None:
            raise FileNotFoundError(file)
        image = (
            cv2.resize(image, (1024, 1024), interpolation=cv2.INTER_AREA)[..., ::-1].astype(np.float32) / 255
        )
        linear = linear_from_srgb(image)
        maps.append((linear / linear.mean()).transpose(2, 0, 1))
    return torch.tensor(np.stack(maps), dtype=torch.float32, device=device) if maps else None


def make_paint(
    draw: Draw, grid: Grid, height_mm: Tensor, paints: tuple[str, ...], maps: Tensor | None
) -> tuple[Tensor, Tensor]:
    """Reflectance (batch, 3, n, n) and the paint of each scene as its place in PAINTS, (batch,)."""
    known = [name for name in paints if name != "photo" or maps is not None]
    part = max(draw.batch // 4, 1)
    made, which = [], []
    for start in range(0, draw.batch, part):
        own = Draw(min(part, draw.batch - start), draw.seed(), draw.device)
        name = known[own.number(len(known))]
        made.append(_paint(own, grid, height_mm[start : start + part], name, maps))
        which += [PAINTS.index(name)] * own.batch
    return torch.cat(made), torch.tensor(which, device=draw.device)


def _paint(draw: Draw, grid: Grid, height_mm: Tensor, name: str, maps: Tensor | None) -> Tensor:
    tint = 1 + torch.stack([draw.uniform(-0.03, 0.09), 0 * draw.uniform(0, 1), draw.uniform(-0.14, 0.05)], 1)
    log = _mottle(draw, grid)
    if name in ("even", "photo"):
        log = 0.15 * log
    if name == "paste":
        log = draw.log_uniform(0.2, 2.0) * log
    made = tint * torch.exp(log)[:, None]
    if name in ("speckle", "stones"):
        made = _speckle(draw, grid, made)
    if name == "stones":
        made = _stones(draw, grid, made)
    if maps is not None and name == "photo":
        made = made * crop_maps(draw, grid, maps) ** draw.log_uniform(0.6, 1.6)[:, None]
    elif name == "hollows":
        made = made * torch.exp(_hollows(draw, grid))[:, None]
    elif name == "marks":
        made = _marks(draw, grid, _speckle(draw, grid, made) if draw.number(2) else made)
    elif maps is not None and draw.number(3) == 0:
        # Any floor may have real colour on top of its own: the cheapest way to more kinds of it.
        made = made * crop_maps(draw, grid, maps) ** draw.uniform(0.2, 0.8)[:, None]
    made = made * torch.exp(_stains(draw, grid, height_mm))[:, None]
    level = made.mean((1, 2, 3), keepdim=True)
    return (made * draw.log_uniform(0.12, 0.6)[:, None] / level).clamp(0.02, 0.92)


def _mottle(draw: Draw, grid: Grid) -> Tensor:
    """Log tone of paste: noise of three bands with random strength."""
    total = draw.uniform(0, 0.25) * soft(draw, grid, 3, 100, 0.3)
    for short, long in ((0.08, 0.5), (0.3, 3.0), (1.5, 15.0)):
        field = spectral(
            draw, grid, short_mm=short * draw.log_uniform(0.6, 2), long_mm=long * draw.log_uniform(0.6, 2),
            hurst=draw.uniform(-0.3, 0.8),
        )  # fmt: skip
        total = total + draw.log_uniform(0.01, 0.16) * field
    return total


def _tone(draw: Draw) -> Tensor:
    """A random tone, (batch, 3, 1, 1), over a paste of reflectance 0.3."""
    table = torch.tensor(TONES, device=draw.device)
    at = (draw.table(1)[:, 0] * len(TONES)).long()
    return (table[at] / 0.3)[..., None, None] * draw.uniform(0.7, 1.4)[:, None]


def _speckle(draw: Draw, grid: Grid, colour: Tensor) -> Tensor:
    """Sand: thresholded noise of several grain sizes, each with a tone of its own."""
    for size in (0.12, 0.25, 0.5, 1.0):
        width = size * draw.log_uniform(0.7, 1.5)
        field = spectral(draw, grid, short_mm=2 * width, long_mm=6 * width, hurst=draw.uniform(0, 1))
        cut = draw.uniform(1.0, 2.5)
        cover = ((field - cut) * 5).clamp(0, 1)[:, None] * draw.uniform(0.2, 0.9)[:, None]
        colour = colour + cover * (_tone(draw) - colour)
    return colour


def _stones(draw: Draw, grid: Grid, colour: Tensor) -> Tensor:
    """Flush stones: all colour and no height, two sizes."""
    for low, high in ((6, 16), (2.5, 6)):
        pitch = draw.log_uniform(low, high)
        warp = 0.12 * pitch * soft(draw, grid, 2, 20)
        found = cells(draw, grid, pitch, share=draw.uniform(0.1, 0.9), warp_mm=warp)
        inside = ((1 - found.q) * 12).clamp(0, 1)[:, None]
        kinds = torch.stack([_tone(draw)[..., 0, 0] for _ in range(3)], 1)  # (batch, 3 kinds, 3)
        of = (found.of(draw.table(TABLE * TABLE)) * 3).long().clamp_max(2)
        flat = of.reshape(of.shape[0], -1)
        tone = torch.stack([torch.gather(kinds[:, :, c], 1, flat).view_as(found.q) for c in range(3)], 1)
        tone = tone * (0.7 + 0.6 * found.of(draw.table(TABLE * TABLE)))[:, None]
        tone = tone * torch.exp(0.1 * unit(draw.white(grid.n, grid.n)))[:, None]
        colour = colour + inside * (tone - colour)
    return colour


def crop_maps(draw: Draw, grid: Grid, maps: Tensor) -> Tensor:
    """Crops of real albedo at a random scale and turn, (batch, 3, n, n), about 1; half of their colour kept."""
    at = (draw.table(1)[:, 0] * len(maps)).long()
    across = draw.log_uniform(60, 260)
    turn = draw.uniform(0, 6.2832)
    x = (grid.x * torch.cos(turn) - grid.y * torch.sin(turn)) / across + draw.uniform(0, 1)
    y = (grid.x * torch.sin(turn) + grid.y * torch.cos(turn)) / across + draw.uniform(0, 1)
    # Mirrored tiling keeps the map's seams out of the picture.
    place = torch.stack([2 * (x / 2 - (x / 2).floor()), 2 * (y / 2 - (y / 2).floor())], -1)
    place = 2 * (1 - (place - 1).abs()) - 1
    real = functional.grid_sample(maps[at], place, align_corners=False, padding_mode="border")
    grey = real.mean(1, keepdim=True)
    return (grey + draw.uniform(0.2, 1)[:, None] * (real - grey)).clamp_min(0.02)


def _hollows(draw: Draw, grid: Grid) -> Tensor:
    """Log tone that looks like relief and is none: another floor's hollows dark, as dirt and baked-in shade do."""
    names = list(FAMILIES)
    other = FAMILIES[names[draw.number(len(names))]](draw, grid, draw.log_uniform(0.02, 1.0))
    sd_mm = draw.log_uniform(0.3, 4)
    hollow = torch.where(draw.chance(0.7) > 0, other - blur(other, sd_mm * grid.px_per_mm), other)
    bent = torch.where(draw.chance(0.5) > 0, -(-unit(hollow)).clamp_min(0), unit(hollow))
    return draw.log_uniform(0.03, 0.5) * bent.clamp(-5, 4)


def _marks(draw: Draw, grid: Grid, colour: Tensor) -> Tensor:
    """Rings, dots, lines and stripes of one tone, regular or not: prints, paint, pen, tyre and tool marks."""
    pitch = draw.log_uniform(3, 30)
    still = 0.02 * pitch * soft(draw, grid, 4, 40)
    found = cells(
        draw,
        grid,
        pitch,
        share=draw.uniform(0.3, 1),
        warp_mm=still,
        spread=0.4 * float(draw.table(1)[0, 0]),
        jitter=0.9 if draw.number(2) else 0.05,
    )
    away = found.q.clamp_max(9).sqrt()
    ring = torch.exp(-(((away - draw.uniform(0.2, 0.8)) / draw.uniform(0.04, 0.3)) ** 2))
    turn = draw.uniform(0, 3.1416)
    across = (
        grid.x * torch.cos(turn) + grid.y * torch.sin(turn) + draw.uniform(0.02, 2) * soft(draw, grid, 10, 90)
    )
    stripe = torch.sigmoid(
        draw.log_uniform(1, 12) * (torch.cos(6.2832 * across / pitch) - draw.uniform(-0.5, 0.98))
    )
    broken = torch.sigmoid(draw.uniform(2, 8) * (soft(draw, grid, 2, 30) + draw.uniform(-0.5, 2)))
    cover = torch.where(draw.chance(0.5) > 0, ring, stripe) * broken * draw.uniform(0.2, 0.95)
    return colour + cover[:, None] * (_tone(draw) - colour)


def _stains(draw: Draw, grid: Grid, height_mm: Tensor) -> Tensor:
    """Log tone of patches, tool marks and of dust or skin that follows the heights, (batch, n, n)."""
    blotch = torch.sigmoid(draw.uniform(2, 12) * (soft(draw, grid, 8, 90) - draw.uniform(0.5, 2)))
    total = (draw.chance(0.35) > 0) * draw.uniform(-1.0, 0.6) * blotch
    stripe = spectral(
        draw, grid, short_mm=draw.log_uniform(0.1, 1), long_mm=draw.log_uniform(2, 20), hurst=draw.uniform(0, 0.8),
        stretch=draw.log_uniform(5, 40), angle=draw.uniform(0, 3.1416),
    )  # fmt: skip
    total = total + (draw.chance(0.3) > 0) * draw.log_uniform(0.02, 0.25) * stripe
    level = unit(height_mm).clamp(-3, 3)
    follows = draw.uniform(-0.25, 0.25) * level
    return total + (draw.chance(0.35) > 0) * follows
