"""Floors with dirt on them as `surface` sees them, in batches with their masks: window scale or overview scale.

Everything is drawn at random, so a network cannot count on one colour, one light or one camera. What a reading of the
card leaves (white, tone, focus) is drawn as errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from assessor.training.dirt_floor import bare_floor
from assessor.training.dirt_kinds import CLASSES, KINDS, OFTEN, OFTEN_FAR, Layer
from assessor.training.lighting import (
    Lamp,
    bounce,
    draw_sky,
    lamp_light,
    relief_of,
    shine,
    sky_light,
    sky_vectors,
)  # fmt: skip
from assessor.training.noise import Draw, Grid, blur, shrink, soft, spectral
from assessor.training.scenes import Worlds, _any_lamps
from assessor.training.surfaces import FAMILIES, make_surfaces

STONE_FAINT = 0.1  # ln: a stone that differs from the paste by less is not asked for,
STONE_SHADE = 0.7  # nor one that differs by less than this times the spread of light and shade on the relief
FAINT = 0.06  # ln: a patch that changes the floor less than this is not asked for
PART = 32  # floors that share a kind and a way of being made: fewer, larger kernels


@dataclass(frozen=True)
class Scale:
    """Of what is shown: samples a side and per mm; oversampled while it is drawn."""

    n: int
    px_per_mm: float
    over: int
    relief: bool


WINDOW = Scale(224, 2.0, 2, relief=True)
OVERVIEW = Scale(256, 0.6667, 2, relief=False)


@dataclass(frozen=True)
class DirtBatch:
    """log_rgb (batch, 3, n, n); kind (batch, n, n) class numbers; weight of the kind's loss (batch, n, n).

    stones (batch, 3, n, n): visible, coarse, rim; stone_weight (batch, n, n).
    """

    log_rgb: Tensor
    kind: Tensor
    weight: Tensor
    stones: Tensor
    stone_weight: Tensor


def make_dirt(batch: int, seed: int, device: str, scale: Scale, maps: Tensor | None) -> DirtBatch:
    """Draw and light a batch; batch a multiple of PART, or smaller."""
    outer = Draw(batch, seed, device)
    size = min(PART, batch)
    parts = [_part(Draw(size, outer.seed(), device), scale, maps) for _ in range(batch // size)]
    return DirtBatch(
        *(torch.cat([getattr(p, name) for p in parts]) for name in DirtBatch.__dataclass_fields__)
    )


def _part(draw: Draw, scale: Scale, maps: Tensor | None) -> DirtBatch:
    grid = Grid(scale.n * scale.over, scale.px_per_mm * scale.over, draw.device)
    bare = bare_floor(draw, grid, maps)
    height = _heights(draw, grid, scale)
    count = (0, 0, 1, 1, 1, 2, 3)[draw.number(7)]
    often = OFTEN if scale.relief else OFTEN_FAR
    layers = [KINDS[often[draw.number(len(often))]](draw, grid, height) for _ in range(count)]
    if draw.number(12) == 0:  # a shade over a stain
        layers.append(KINDS["shadow"](draw, grid, height))
    albedo, gloss, smooth = bare.albedo, torch.zeros_like(height), torch.zeros_like(height)
    labels = _Labels(draw, grid)
    shade: Layer | None = None
    for layer in layers:
        if layer.shade:
            shade = layer
            continue
        before = albedo
        albedo = _laid(albedo, layer)
        gloss = gloss * (1 - layer.mask) + layer.gloss * layer.mask
        smooth = torch.maximum(smooth, layer.flatten * layer.mask)
        labels.add(layer, _change(before, albedo))
    open_ = 1 - (shade.mask if shade is not None else torch.zeros_like(height))
    dirty = _Dirty(_filled(height, smooth, grid), albedo, gloss, open_)
    if shade is None and draw.number(6) == 0:  # albedo solved from a torch on many sides
        lit = _Lit(albedo * torch.exp(0.02 * soft(draw, grid, 30, 200)[:, None]), torch.zeros_like(height))
    else:
        lit = (_near if scale.relief else _far)(draw, grid, dirty)
    if shade is not None:
        labels.shade(shade, lit.change)
    log_rgb = _seen(draw, grid, scale, lit.apparent)
    step = scale.over
    middle = (slice(None), slice(step // 2, None, step), slice(step // 2, None, step))
    # What nobody could see is not asked for: stones like the paste, and weak ones under strong light and shade.
    shading = torch.log((lit.apparent / albedo.clamp_min(1e-3)).mean(1).clamp(1e-2, 10))
    least = (STONE_SHADE * shading.std((1, 2), keepdim=True)).clamp_min(STONE_FAINT)
    told = labels.open[middle] * bare.told * (bare.differs > least).float()[middle]
    return DirtBatch(log_rgb, labels.kind[middle], labels.weight[middle], shrink(bare.stones, step), told)


def _heights(draw: Draw, grid: Grid, scale: Scale) -> Tensor:
    if not scale.relief:
        return spectral(
            draw,
            grid,
            short_mm=draw.log_uniform(4, 10),
            long_mm=draw.log_uniform(30, 200),
            hurst=draw.uniform(0.2, 1),
        )
    surface = make_surfaces(draw, grid, tuple(FAMILIES), low_mm=0.01, high_mm=1.5)
    return surface.height_mm


def _filled(height: Tensor, smooth: Tensor, grid: Grid) -> Tensor:
    """Films and dust level the floor under them."""
    if float(smooth.max()) == 0:
        return height
    level = blur(height, 1.2 * grid.px_per_mm)
    return height + smooth * (level - height)


def _laid(albedo: Tensor, layer: Layer) -> Tensor:
    mask = layer.mask[:, None]
    changed = albedo * torch.exp(layer.gain)
    cover = layer.cover[:, None] if layer.cover.dim() == 3 else layer.cover
    tone = layer.tone * torch.ones_like(albedo)
    changed = changed * (1 - cover) + cover * tone
    return (albedo + mask * (changed - albedo)).clamp(0.005, 0.97)


def _change(before: Tensor, after: Tensor) -> Tensor:
    """Largest log change over the channels and the luminance, (batch, n, n)."""
    return (torch.log(after) - torch.log(before)).abs().amax(1)


class _Labels:
    """Which class each sample belongs to and how much it counts."""

    def __init__(self, draw: Draw, grid: Grid) -> None:
        shape = draw.batch, grid.n, grid.n
        self.kind = torch.zeros(shape, dtype=torch.long, device=draw.device)
        self.weight = torch.ones(shape, device=draw.device)
        self.open = torch.ones(shape, device=draw.device)

    def add(self, layer: Layer, change: Tensor) -> None:
        """A layer on top of the others; where it hardly shows nothing is asked."""
        inside = layer.mask > 0.5
        size = inside.sum((1, 2), keepdim=True).clamp_min(1)
        effect = (change * inside).sum((1, 2), keepdim=True) / size
        self._put(CLASSES.index(layer.kind), inside, layer.mask, effect)
        hidden = (layer.mask > 0.3) & ((layer.cover > 0.3) if layer.cover.dim() == 3 else False)
        self.open = torch.where(hidden, torch.zeros_like(self.open), self.open)

    def shade(self, layer: Layer, change: Tensor) -> None:
        """A shadow counts only where nothing else lies."""
        inside = (layer.mask > 0.5) & (self.kind == 0)
        size = inside.sum((1, 2), keepdim=True).clamp_min(1)
        effect = (change * inside).sum((1, 2), keepdim=True) / size
        mask = torch.where(self.kind == 0, layer.mask, torch.zeros_like(layer.mask))
        self._put(CLASSES.index(layer.kind), inside, mask, effect)

    def _put(self, number: int, inside: Tensor, mask: Tensor, effect: Tensor) -> None:
        seen = effect > FAINT
        self.kind = torch.where(inside & seen, torch.full_like(self.kind, number), self.kind)
        edge = (mask > 0.12) & (mask < 0.88)
        weight = torch.where(edge, torch.full_like(self.weight, 0.3), torch.ones_like(self.weight))
        weight = torch.where(inside & ~seen, torch.zeros_like(weight), weight)
        # Half seen at half strength: what is faint counts less, so that mottle is not hunted.
        faint = (effect > FAINT) & (effect < 2 * FAINT)
        weight = torch.where(inside & faint, 0.5 * weight, weight)
        self.weight = torch.where(mask > 0.12, weight, self.weight)


@dataclass(frozen=True)
class _Dirty:
    """Floors before they are lit; open_ (batch, n, n): share of the direct light that no caster takes."""

    height: Tensor
    albedo: Tensor
    gloss: Tensor
    open_: Tensor


@dataclass(frozen=True)
class _Lit:
    apparent: Tensor
    change: Tensor


def _near(draw: Draw, grid: Grid, dirty: _Dirty) -> _Lit:
    """Reflectance of a window as the card's paper shows it, and how much a cast shadow changes it."""
    albedo, gloss, open_ = dirty.albedo, dirty.gloss, dirty.open_
    relief = relief_of(dirty.height, grid)
    sky = draw_sky(draw)
    vector = sky_vectors(relief, [sky.weight])[0]
    amount = sky_light(relief, vector)
    lamps = _any_lamps(draw, Worlds(second_lamp=0.25, wide=0.3))
    if float(open_.min()) < 0.5:  # a shadow wants direct light
        lamps = [_strong(draw, lamps[0])]
    total = sum((lamp.share for lamp in lamps), torch.zeros_like(lamps[0].share))
    ambient = 1 - total
    room = (ambient * amount)[:, None] * sky.colour[:, :, None, None]
    tint = torch.stack([draw.uniform(0.9, 1.1), torch.ones_like(ambient), draw.uniform(0.9, 1.1)], 1)
    direct, white = torch.zeros_like(room), ambient.expand(-1, grid.n, grid.n)
    for lamp in lamps:
        if not float(lamp.share.max()):
            continue
        floor, paper = lamp_light(relief, lamp)
        direct, white = direct + floor[:, None] * tint, white + paper
    light = room + direct * open_[:, None]
    radiance = light * albedo
    radiance = radiance + bounce(radiance, albedo, vector[:, 2], draw.uniform(0.3, 1.2), grid)
    if float(gloss.max()) > 0:
        view = draw.normal(0.12), draw.normal(0.12)
        lobe = shine(relief, lamps[0], view, draw.uniform(0.02, 0.1), draw.log_uniform(15, 200))
        radiance = radiance + (gloss * lobe * open_)[:, None]
    balance = ambient[:, None] * sky.colour[:, :, None, None] + total[:, None] * tint
    whole = (room + direct).mean(1).clamp_min(1e-4)
    change = -torch.log((light.mean(1) / whole).clamp(1e-3, 1))
    return _Lit(radiance / white[:, None] / balance, change)


def _strong(draw: Draw, lamp: Lamp) -> Lamp:
    share = torch.where(lamp.share > 0.2, lamp.share, draw.uniform(0.2, 0.9))
    return Lamp(lamp.azimuth, lamp.elevation, lamp.distance_mm, lamp.softness, share)


def _far(draw: Draw, grid: Grid, dirty: _Dirty) -> _Lit:
    """At standing height: texture is a grain of light and dark, lanes and ridges run across, light falls off."""
    grain = spectral(
        draw, grid, short_mm=draw.log_uniform(1.0, 4), long_mm=draw.log_uniform(6, 40), hurst=draw.uniform(0, 0.6),
        stretch=draw.log_uniform(1, 6), angle=draw.uniform(0, math.pi),
    )  # fmt: skip
    log = draw.log_uniform(0.01, 0.16) * grain
    # A scarifier's ridges: shading in waves, broken and wandering.
    turn, period = draw.uniform(0, math.pi), draw.log_uniform(5, 18)
    across = grid.x * torch.cos(turn) + grid.y * torch.sin(turn) + 0.4 * period * soft(draw, grid, 20, 200)
    ridges = torch.cos(2 * math.pi * across / period) * (1 + 0.6 * soft(draw, grid, 8, 60))
    log = log + (draw.chance(0.3) > 0) * draw.log_uniform(0.03, 0.3) * ridges
    log = log + draw.normal(0.2) * soft(draw, grid, 100, 900)
    turn, width = draw.uniform(0, math.pi), draw.log_uniform(90, 500)
    across = grid.x * torch.cos(turn) + grid.y * torch.sin(turn) + 6 * soft(draw, grid, 40, 300)
    at = across / width
    lane = (at - at.floor() - 0.5).abs()
    profile = torch.sigmoid(30 * (lane - draw.uniform(0.3, 0.49)))  # overlaps and seams between lanes
    log = log + draw.chance(0.5) * draw.normal(0.1) * profile
    log = log + draw.chance(0.4) * draw.normal(0.06) * torch.sign(torch.remainder(at.floor(), 2) - 0.5)
    direct = draw.uniform(0.15, 0.9)
    cool = torch.stack([draw.uniform(0.8, 1.05), torch.ones_like(direct), draw.uniform(0.95, 1.35)], 1)
    sun = (direct * dirty.open_)[:, None]
    light = sun + (1 - direct)[:, None] * cool
    balance = direct[:, None] + (1 - direct)[:, None] * cool
    apparent = dirty.albedo * torch.exp(log)[:, None] * light / balance
    patch = torch.sigmoid(3 * (soft(draw, grid, 60, 500) - draw.uniform(0.0, 2)))
    apparent = apparent + (dirty.gloss * draw.uniform(0, 0.4) * patch * dirty.open_)[:, None]
    return _Lit(apparent, -torch.log((light / balance).mean(1).clamp(1e-3, 1)))


def _seen(draw: Draw, grid: Grid, scale: Scale, apparent: Tensor) -> Tensor:
    """Camera and rectification: log reflectance (batch, 3, n, n)."""
    sd_mm = draw.log_uniform(0.12, 0.6) if scale.relief else draw.log_uniform(0.5, 2.2)
    image = blur(apparent, sd_mm * grid.px_per_mm)
    image = image + draw.uniform(0, 0.6)[:, None] * (
        image - blur(image, 1.5 * grid.px_per_mm / scale.px_per_mm / 2)
    )
    image = shrink(image, scale.over)
    small = Grid(scale.n, scale.px_per_mm, draw.device)
    common = draw.white(1, scale.n, scale.n)
    noise = draw.log_uniform(0.003, 0.03)[:, None]
    image = image * (1 + noise * common) + 0.3 * noise * (image.clamp_min(0) + 0.02).sqrt() * draw.white(
        3, scale.n, scale.n
    )
    u, v = small.x / small.x.max(), small.y / small.x.max()
    off = (
        draw.normal(0.03) * u + draw.normal(0.03) * v + draw.normal(0.02) * u * u + draw.normal(0.02) * v * v
    )
    log = torch.log(image.clamp(1e-3, 4)) * (1 + draw.normal(0.06))[:, None] + off[:, None]
    log = log + draw.normal(0.06)[:, None] + 0.03 * draw.white(3)[..., None, None]
    around = blur(log.mean(1, keepdim=True), 20.0)
    relit = (draw.chance(0.3) > 0) * draw.normal(0.08).abs()
    log = log - relit[:, None] * (around - around.mean((2, 3), keepdim=True))
    return torch.log(torch.exp(log) + 0.01)
