"""What lies on floors, in batches: how each kind changes colour, shine and fine texture.

Colours are common practice and drawn widely; how much water darkens concrete follows the domain figures (wet over dry
about 0.6, 0.55-0.85 here). Written apart from `assessor.simulate`, whose dirt is kept for judging.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor

from assessor.training.dirt_shapes import OUTLINES, hollows, pinholes, ramp, table_tone
from assessor.training.noise import Draw, Grid, soft, spectral
from assessor.values import PATCH_KINDS

CLASSES = ("bare", *PATCH_KINDS)


@dataclass(frozen=True)
class Layer:
    """One thing on each floor of a batch: mask (b, n, n) 0..1; gain (b, 3, n, n) log change; cover, tone: paint over.

    gloss (b, n, n): strength of its shine. flatten (b, 1, 1): share of the fine texture it fills. shade: it takes
    direct light, nothing else.
    """

    kind: str
    mask: Tensor
    gain: Tensor
    cover: Tensor
    tone: Tensor
    gloss: Tensor
    flatten: Tensor
    shade: bool = False


def _zero(draw: Draw) -> Tensor:
    return torch.zeros(draw.batch, 1, 1, device=draw.device)


def _outline(draw: Draw, grid: Grid, size: Tensor, names: tuple[str, ...]) -> Tensor:
    return OUTLINES[names[draw.number(len(names))]](draw, grid, size)


def _sizes(draw: Draw, grid: Grid) -> Tensor:
    """Across a patch, mm: from what barely counts to more than the picture."""
    side = grid.n / grid.px_per_mm
    return draw.log_uniform(max(9.0, 7 / grid.px_per_mm), 0.75 * side)


def _gain(base: Tensor, *rgb: Tensor) -> Tensor:
    """Log change per channel: a common one plus each channel's own share of it."""
    return torch.stack([base * (1 + share) for share in rgb], 1)


def _cloudy(draw: Draw, grid: Grid, most: float = 0.35) -> Tensor:
    """Unevenness inside a patch, about 1."""
    return 1 + draw.uniform(0, most) * soft(draw, grid, 5 / grid.px_per_mm, 60).clamp(-2, 2)


def oil(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Oil or grease: dark, somewhat warm, soaked in with a soft edge, sometimes shining."""
    del height
    size = _sizes(draw, grid)
    field = _outline(draw, grid, size, ("blob", "blob", "splash", "drips", "streak", "blotches"))
    mask = ramp(field, draw.log_uniform(0.8, 12) + 0 * field)
    depth = -draw.log_uniform(0.12, 1.3) * _cloudy(draw, grid)
    # Blue is taken most: brown-yellow rims and tints.
    gain = _gain(depth, draw.uniform(-0.18, 0.03), _zero(draw), draw.uniform(-0.03, 0.35))
    return Layer(
        "oil",
        mask,
        gain,
        _zero(draw),
        _black(draw),
        draw.chance(0.25) * draw.uniform(0, 0.7) + 0 * mask,
        0.3 * draw.chance(0.3),
    )


def damp(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Water in the pores: darker by a share that saturates, colours a little deeper, soft or lacy edges."""
    del height
    size = _sizes(draw, grid) * 1.3
    field = _outline(draw, grid, size, ("blob", "blob", "half", "splash", "streak", "blotches"))
    mask = ramp(field, draw.log_uniform(1.5, 25) + 0 * field)
    depth = torch.log(draw.uniform(0.52, 0.88)) * _cloudy(draw, grid, 0.12)
    gain = _gain(depth, draw.uniform(-0.06, 0.03), _zero(draw), draw.uniform(-0.10, 0.12))
    return Layer(
        "damp",
        mask,
        gain,
        _zero(draw),
        _black(draw),
        draw.chance(0.35) * draw.uniform(0, 0.8) + 0 * mask,
        0.3 * draw.chance(0.3),
    )


PAINTS = [
    (0.35, 0.36, 0.37), (0.5, 0.5, 0.48), (0.75, 0.74, 0.7), (0.3, 0.06, 0.05), (0.06, 0.2, 0.1), (0.08, 0.12, 0.3),
    (0.55, 0.42, 0.2), (0.05, 0.05, 0.05), (0.45, 0.38, 0.3), (0.2, 0.22, 0.24),
]  # fmt: skip


def coating(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Sealer or coating, old skin too: clear or coloured, a sharp edge, in low spots and pinholes or as whole areas."""
    size = _sizes(draw, grid)
    form = draw.number(4)
    if form == 0:
        field = hollows(draw, grid, height, size)
    elif form == 1 and grid.px_per_mm > 1:
        field = pinholes(draw, grid, size)
    else:
        field = _outline(draw, grid, size, ("blob", "half", "blotches", "splash", "box", "blob"))
    mask = ramp(field, draw.log_uniform(0.4, 3) + 0 * field)
    clear = draw.chance(0.45)
    depth = -draw.uniform(0.0, 0.45) * _cloudy(draw, grid, 0.15)
    gain = clear[:, None] * _gain(depth, draw.uniform(-0.15, 0.1), _zero(draw), draw.uniform(-0.1, 0.35))
    cover = (1 - clear) * draw.uniform(0.5, 1.0) + clear * draw.chance(0.3) * draw.uniform(0, 0.15)
    gloss = draw.chance(0.8) * draw.uniform(0.05, 1.2) + 0 * mask
    return Layer("coating", mask, gain, cover, table_tone(draw, PAINTS), gloss, draw.uniform(0.3, 1.0))


GLUES = [
    (0.42, 0.3, 0.12),
    (0.5, 0.4, 0.22),
    (0.25, 0.15, 0.06),
    (0.03, 0.03, 0.03),
    (0.6, 0.55, 0.42),
    (0.35, 0.3, 0.1),
]


def adhesive(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Adhesive or mastic: opaque yellow, brown or black, in trowel ridges, smears or dabs."""
    del height
    size = _sizes(draw, grid)
    field = _outline(draw, grid, size, ("blob", "box", "streak", "half", "blotches"))
    if draw.number(2):
        turn, pitch = draw.uniform(0, 3.1416), draw.log_uniform(3, 14) * max(1.0, 0.8 / grid.px_per_mm)
        across = (
            grid.x * torch.cos(turn) + grid.y * torch.sin(turn) + 2 * soft(draw, grid, 5 / grid.px_per_mm, 60)
        )
        ridges = (torch.cos(6.2832 * across / pitch) + draw.uniform(-0.5, 0.8)) * pitch * 0.2
        field = torch.minimum(field, ridges)
    mask = ramp(field, draw.log_uniform(0.4, 3) + 0 * field)
    return Layer(
        "adhesive", mask, torch.zeros(1, 3, 1, 1, device=draw.device), draw.uniform(0.4, 1.0), table_tone(draw, GLUES),
        draw.chance(0.4) * draw.uniform(0, 0.6) + 0 * mask, draw.uniform(0.2, 0.9),
    )  # fmt: skip


def rubber(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Tyre and shoe marks: black, neutral, drawn out, on the high places first."""
    size = _sizes(draw, grid)
    field = _outline(draw, grid, size, ("band", "band", "streak", "sole"))
    mask = ramp(field, draw.log_uniform(1, 10) + 0 * field)
    streaks = spectral(
        draw, grid, short_mm=draw.log_uniform(1, 3) / grid.px_per_mm, long_mm=draw.log_uniform(8, 30) / grid.px_per_mm,
        hurst=draw.uniform(0, 0.6), stretch=draw.log_uniform(1, 12), angle=draw.uniform(0, 3.1416),
    )  # fmt: skip
    worn = torch.sigmoid(draw.uniform(0, 3) * streaks + draw.uniform(0.0, 2.5))
    if draw.number(2):
        turn, pitch = draw.uniform(0, 3.1416), draw.log_uniform(6, 30) * max(1.0, 0.7 / grid.px_per_mm)
        across = grid.x * torch.cos(turn) + grid.y * torch.sin(turn)
        worn = worn * torch.sigmoid(4 * torch.cos(6.2832 * across / pitch) + draw.uniform(0, 4))
    del height
    depth = -draw.log_uniform(0.15, 1.2) * worn
    gain = _gain(depth, draw.uniform(-0.03, 0.06), _zero(draw), draw.uniform(-0.08, 0.05))
    return Layer("rubber", mask, gain, _zero(draw), _black(draw), 0 * mask, 0.2 * draw.chance(0.3))


DUSTS = [(0.6, 0.58, 0.54), (0.7, 0.69, 0.66), (0.5, 0.46, 0.4), (0.55, 0.56, 0.57)]


def dust(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Dust or dried slurry: a light veil that hides sand and fills hollows; prints and runs."""
    size = _sizes(draw, grid) * 1.2
    field = _outline(draw, grid, size, ("blob", "sole", "streak", "half", "blotches", "branches", "splash"))
    mask = ramp(field, draw.log_uniform(0.8, 15) + 0 * field)
    veil = draw.uniform(0.15, 0.95) * _cloudy(draw, grid, 0.3)
    cover = (veil * (1 + 0 * height)).clamp(0, 0.98)
    none = torch.zeros(1, 3, 1, 1, device=draw.device)
    return Layer("dust", mask, none, cover, table_tone(draw, DUSTS), 0 * mask, draw.uniform(0.3, 1.0))


SALTS = [(0.72, 0.71, 0.69), (0.8, 0.8, 0.8), (0.6, 0.58, 0.55)]


def laitance(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Laitance or efflorescence: whitish bloom, veins, crusts."""
    del height
    size = _sizes(draw, grid)
    field = _outline(draw, grid, size, ("branches", "blotches", "branches", "blob", "blotches"))
    mask = ramp(field, draw.log_uniform(0.6, 8) + 0 * field)
    grain = spectral(
        draw, grid, short_mm=draw.log_uniform(0.6, 2) / grid.px_per_mm,
        long_mm=draw.log_uniform(3, 12) / grid.px_per_mm, hurst=draw.uniform(0, 0.6),
    )  # fmt: skip
    cover = (draw.uniform(0.15, 0.9) * (1 + draw.uniform(0, 0.5) * grain)).clamp(0, 0.98)
    none = torch.zeros(1, 3, 1, 1, device=draw.device)
    return Layer("laitance", mask, none, cover, table_tone(draw, SALTS), 0 * mask, draw.uniform(0, 0.6))


def shadow(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """A cast shadow: less of the direct light behind a soft or sharp edge; mask is what the caster hides."""
    del height
    size = _sizes(draw, grid) * 1.5
    field = _outline(draw, grid, size, ("half", "half", "band", "box", "blob", "streak"))
    mask = ramp(field, draw.log_uniform(0.4, 45) + 0 * field)
    none = torch.zeros(1, 3, 1, 1, device=draw.device)
    return Layer("shadow", mask, none, _zero(draw), _black(draw), 0 * mask, _zero(draw), shade=True)


def repair(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Patch repair or filler: other paste, no or other stones, a sharp edge."""
    del height
    size = _sizes(draw, grid) * 1.2
    field = _outline(draw, grid, size, ("box", "blob", "box", "half", "streak"))
    mask = ramp(field, draw.log_uniform(0.3, 2) + 0 * field)
    grey = draw.log_uniform(0.1, 0.7)
    tone = torch.stack([grey * draw.uniform(0.96, 1.08), grey, grey * draw.uniform(0.85, 1.05)], 1)
    speck = spectral(
        draw, grid, short_mm=draw.log_uniform(0.6, 1.5) / grid.px_per_mm,
        long_mm=draw.log_uniform(2, 12) / grid.px_per_mm, hurst=draw.uniform(-0.2, 0.6),
    )  # fmt: skip
    tone = (tone * torch.exp(draw.log_uniform(0.01, 0.15) * speck)[:, None]).clamp(0.01, 0.95)
    none = torch.zeros(1, 3, 1, 1, device=draw.device)
    return Layer("aggregate", mask, none, draw.uniform(0.8, 1.0), tone, 0 * mask, draw.uniform(0.3, 0.9))


ODD = [
    (0.45, 0.16, 0.05), (0.35, 0.2, 0.1), (0.2, 0.28, 0.05), (0.4, 0.25, 0.05), (0.05, 0.05, 0.06), (0.8, 0.8, 0.78),
    (0.7, 0.6, 0.1), (0.1, 0.2, 0.5), (0.6, 0.1, 0.1),
]  # fmt: skip


def unknown(draw: Draw, grid: Grid, height: Tensor) -> Layer:
    """Rust, leaves, tape, paint spots, rubbish: coloured, some see-through, some opaque."""
    del height
    size = _sizes(draw, grid)
    field = _outline(draw, grid, size, ("blob", "box", "streak", "drips", "box", "blotches"))
    mask = ramp(field, draw.log_uniform(0.4, 8) + 0 * field)
    thin = draw.chance(0.4)
    cover = thin * draw.uniform(0.2, 0.7) + (1 - thin) * draw.uniform(0.85, 1.0)
    none = torch.zeros(1, 3, 1, 1, device=draw.device)
    return Layer(
        "unknown",
        mask,
        none,
        cover,
        table_tone(draw, ODD),
        draw.chance(0.3) * draw.uniform(0, 0.5) + 0 * mask,
        draw.uniform(0.1, 1.0),
    )


def _black(draw: Draw) -> Tensor:
    return torch.zeros(1, 3, 1, 1, device=draw.device)


Maker = Callable[[Draw, Grid, Tensor], Layer]
KINDS: dict[str, Maker] = {
    "oil": oil, "damp": damp, "coating": coating, "adhesive": adhesive, "rubber": rubber, "dust": dust,
    "laitance": laitance, "shadow": shadow, "aggregate": repair, "unknown": unknown,
}  # fmt: skip
# How often each is drawn: what is hard to tell apart more often.
OFTEN = (
    "oil", "oil", "oil", "damp", "damp", "damp", "coating", "coating", "coating", "adhesive", "rubber", "dust", "dust",
    "dust", "dust", "laitance", "laitance", "shadow", "shadow", "shadow", "aggregate", "unknown",
)  # fmt: skip
OFTEN_FAR = (*OFTEN, "coating", "coating", "coating")  # islands of old coating are what an overview is for
