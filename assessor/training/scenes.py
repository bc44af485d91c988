"""Training photos in batches: floor, colour, light and camera drawn at random, seen as `texture.look` sees real photos.

No card is drawn: what its reading leaves as errors (white, tone, light, focus) is drawn instead. Directions are drawn
after the turn that `look.quarter_turns` makes, so the strongest light comes from 0 to 45 degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional

from assessor.card.linear import LUMINANCE
from assessor.texture.look import FLOOR, N_LIGHT, PX_PER_MM
from assessor.training.lighting import (
    Lamp,
    Relief,
    Sky,
    bounce,
    draw_sky,
    lamp_light,
    relief_of,
    shine,
    sky_light,
    sky_vectors,
)
from assessor.training.noise import Draw, Grid, blur, shrink, soft
from assessor.training.paints import PAINTS, make_paint
from assessor.training.surfaces import FAMILIES, Surface, evaluation_area, make_surfaces

SIDE_MM, RENDER_PX_PER_MM = 129.6, 10.0


@dataclass(frozen=True)
class Worlds:
    """Which families of floors, colours and lights may be drawn; what is left out can be held out and judged on."""

    families: tuple[str, ...] = tuple(FAMILIES)
    paints: tuple[str, ...] = PAINTS
    second_lamp: float = 0.2  # share of scenes with two
    wide: float = 0.2  # share with a wide source such as a window


@dataclass(frozen=True)
class Shot:
    """A batch of photos: log_rgb (batch, 3, 540, 540); light (batch, 16) and photo (batch, 5) numbers as of `look`.

    tags: what the light was, for grouping, (batch,) each.
    """

    log_rgb: Tensor
    light: Tensor
    photo: Tensor
    tags: dict[str, Tensor]


@dataclass(frozen=True)
class Scenes:
    """A batch of floors, each photographed in any light, then under a torch from two opposite sides."""

    surface: Surface
    paint: Tensor
    log_paint: Tensor  # (batch, 3, 540, 540) of the reflectance itself
    single: Shot
    first: Shot
    second: Shot


def make_scenes(
    batch: int,
    seed: int,
    device: str,
    *,
    worlds: Worlds,
    maps: Tensor | None,
    px_per_mm: float = RENDER_PX_PER_MM,
) -> Scenes:
    """Draw and render a batch; the same seed gives the same scenes on the same device."""
    draw = Draw(batch, seed, device)
    grid = Grid(round(SIDE_MM * px_per_mm), px_per_mm, device)
    surface = make_surfaces(draw, grid, worlds.families)
    albedo, paint = make_paint(draw, grid, surface.height_mm, worlds.paints, maps)
    film = _film(draw, grid)
    albedo = albedo * (1 - draw.uniform(0.05, 0.45) * film)[:, None]
    relief = relief_of(surface.height_mm, grid)
    skies = [draw_sky(draw), draw_sky(draw)]
    vectors = sky_vectors(relief, [s.weight for s in skies])
    room, torch_room = ((s, sky_light(relief, v), v[:, 2]) for s, v in zip(skies, vectors, strict=True))
    view = draw.normal(0.08), draw.normal(0.08)
    lamps = _any_lamps(draw, worlds)
    studio = _Studio(draw, grid, relief, albedo, film, draw.uniform(0.3, 1.2))
    single = studio.shoot(lamps, room, view)
    one, other, share = _torches(draw)
    first = studio.shoot([replace(one, share=share)], torch_room, view)
    hand = view[0] + draw.normal(0.015), view[1] + draw.normal(0.015)
    second = studio.shoot([replace(other, share=share)], torch_room, hand, moved=True)
    step = round(px_per_mm / PX_PER_MM)
    log_paint = torch.log(evaluation_area(shrink(albedo, step), Grid(grid.n // step, PX_PER_MM, device)))
    return Scenes(surface, paint, log_paint, single, first, second)


def _film(draw: Draw, grid: Grid) -> Tensor:
    """Where sealer or damp lies, (batch, n, n) 0..1: none in most floors, all of it in some."""
    edge = draw.uniform(-2.5, 1.5)
    if draw.number(3):  # most batches have none: a shine costs as much as a light
        return torch.zeros(1, 1, 1, device=draw.device)
    patch = (5 * (soft(draw, grid, 15, 90, 0.7) - edge) + 0.5).clamp(0, 1)
    return (draw.chance(0.4) > 0) * patch


def _any_lamps(draw: Draw, worlds: Worlds) -> list[Lamp]:
    """The lamp or lamps of a single photo: mostly low from one side, else anything; share 0 where there is none."""
    low = draw.chance(0.6) > 0
    elevation = torch.deg2rad(torch.where(low, draw.uniform(14, 52), draw.uniform(7, 82)))
    wide = draw.chance(worlds.wide) > 0
    soft_deg = torch.where(wide, draw.uniform(6, 28), draw.log_uniform(0.2, 4))
    share = torch.where(draw.chance(0.18) > 0, torch.zeros_like(elevation), draw.uniform(0.15, 0.98))
    main = Lamp(
        torch.deg2rad(draw.uniform(0, 45)),
        elevation,
        draw.log_uniform(280, 3000),
        torch.deg2rad(soft_deg),
        share,
    )
    lamps = [_out(main)]
    if worlds.second_lamp == 1 or (worlds.second_lamp > 0 and draw.number(2)):
        part = (draw.chance(min(2 * worlds.second_lamp, 1)) > 0) * draw.uniform(0.1, 0.9)
        away = main.azimuth + torch.deg2rad(draw.uniform(25, 335))
        second = Lamp(
            away, torch.deg2rad(draw.uniform(12, 75)), draw.log_uniform(400, 3000),
            torch.deg2rad(draw.log_uniform(0.3, 12)), part * share * 0.7,
        )  # fmt: skip
        lamps = [_out(replace(main, share=share * (1 - 0.7 * part))), _out(second)]
    return lamps


def _torches(draw: Draw) -> tuple[Lamp, Lamp, Tensor]:
    """A torch on one side and then on the opposite one."""
    azimuth, elevation = draw.uniform(0, 45), draw.uniform(10, 50)
    size = torch.deg2rad(draw.log_uniform(0.2, 2))
    lamps = [
        _out(Lamp(
            torch.deg2rad(azimuth + turn), torch.deg2rad((elevation + draw.normal(3)).clamp(7, 60)),
            draw.uniform(280, 600), size, torch.ones_like(azimuth),
        ))
        for turn in (torch.zeros_like(azimuth), 180 + draw.normal(15))
    ]  # fmt: skip
    return (
        lamps[0],
        lamps[1],
        torch.where(draw.chance(0.75) > 0, draw.uniform(0.5, 0.98), draw.uniform(0.12, 0.6)),
    )


def _out(lamp: Lamp) -> Lamp:
    """Far enough out that the fan of its rays spans the window."""
    return replace(lamp, distance_mm=torch.maximum(lamp.distance_mm, 125 / torch.cos(lamp.elevation)))


@dataclass(frozen=True)
class _Studio:
    """A lit floor and its camera."""

    draw: Draw
    grid: Grid
    relief: Relief
    albedo: Tensor
    film: Tensor
    strength: Tensor

    def shoot(
        self,
        lamps: list[Lamp],
        room: tuple[Sky, Tensor, Tensor],
        view: tuple[Tensor, Tensor],
        *,
        moved: bool = False,
    ) -> Shot:
        """One photo of every scene."""
        draw, relief, grid = self.draw, self.relief, self.grid
        sky, amount, open_sky = room
        total = sum((lamp.share for lamp in lamps), torch.zeros_like(lamps[0].share))
        ambient = 1 - total
        light = (ambient * amount)[:, None] * sky.colour[:, :, None, None]
        white = ambient.expand(-1, grid.n, grid.n)
        tint = torch.stack([draw.uniform(0.9, 1.1), torch.ones_like(ambient), draw.uniform(0.9, 1.1)], 1)
        for lamp in lamps:
            if not float(lamp.share.max()):
                continue
            floor, paper = lamp_light(relief, lamp)
            light = light + floor[:, None] * tint
            white = white + paper
        radiance = light * self.albedo
        radiance = radiance + bounce(radiance, self.albedo, open_sky, self.strength, grid)
        gloss = self.film * draw.uniform(0.1, 1.2)
        if float(gloss.max()) > 0:
            lobe = shine(relief, lamps[0], view, draw.uniform(0.02, 0.1), draw.log_uniform(15, 120))
            radiance = radiance + (gloss * lobe)[:, None]
        # White balance sets white paper at the centre to 1.
        balance = ambient[:, None] * sky.colour[:, :, None, None] + total[:, None] * tint
        apparent = radiance / white[:, None] / balance
        log_rgb, blur_px, scale = _develop(draw, grid, apparent, moved=moved)
        photo = torch.stack(
            [
                blur_px,
                torch.log(scale / 8),
                view[0].flatten(),
                view[1].flatten(),
                log_rgb.mean((1, 2, 3)) + 1.2,
            ],
            1,
        )
        tags = {
            "elevation_deg": torch.rad2deg(lamps[0].elevation).flatten(), "share": lamps[0].share.flatten(),
            "softness_deg": torch.rad2deg(lamps[0].softness).flatten(),
            "second": lamps[1].share.flatten() if len(lamps) > 1 else torch.zeros(draw.batch, device=draw.device),
        }  # fmt: skip
        return Shot(log_rgb, read_light(draw, lamps), photo, tags)


def read_light(draw: Draw, lamps: list[Lamp]) -> Tensor:
    """What the tabs would tell of the lamps, as the numbers of `look.light_numbers`, with their errors: (batch, 16)."""
    batch = draw.batch
    first = lamps[0]
    soft_deg = torch.rad2deg(first.softness)
    u_elevation = draw.log_uniform(0.2, 2.5) + 0.008 * soft_deg**2
    elevation = torch.rad2deg(first.elevation) + u_elevation * draw.normal().clamp(-2.5, 2.5)
    azimuth = first.azimuth + torch.deg2rad(u_elevation * draw.normal(1.2).clamp(-3, 3))
    u_share = draw.log_uniform(0.01, 0.06) + 0.002 * soft_deg
    share = (first.share + u_share * draw.normal().clamp(-2.5, 2.5)).clamp(0.03, 1)
    softness = soft_deg * torch.exp(draw.normal(0.25)) + draw.normal(0.15).abs()
    # A wide or high patch, and a weak light, cast no shadow that could be read.
    hidden = (
        (first.share < 0.1) | ((soft_deg > 18) & (torch.rad2deg(first.elevation) > 55)) | (elevation > 78)
    )
    seen = ((~hidden) & (draw.chance(0.96) > 0)).float()
    near = (first.distance_mm < 1500) & (soft_deg < 10)
    far = near * 300 / (first.distance_mm * torch.exp(draw.normal(0.1)))
    log_tan = torch.log(torch.tan(torch.deg2rad(elevation.clamp(4, 86))))
    numbers = torch.zeros(batch, N_LIGHT, device=draw.device)
    diffuse = (1 - share).clamp(0, 1)
    values = [
        torch.ones_like(share), torch.cos(azimuth), torch.sin(azimuth), log_tan, (u_elevation / 10).clamp_max(2), share,
        (5 * u_share).clamp_max(2), 0.5 * torch.log(softness + 0.3), far, diffuse,
    ]  # fmt: skip
    numbers[:, 1:11] = torch.cat([v.reshape(batch, 1) for v in values], 1)
    if len(lamps) > 1:
        second = lamps[1]
        told = ((second.share > 0.1) & (draw.chance(0.75) > 0)).float()
        apart = second.azimuth - first.azimuth + torch.deg2rad(draw.normal(2))
        lift = torch.rad2deg(second.elevation) + draw.normal(1.5)
        parts = [
            torch.ones_like(share), (second.share + draw.normal(0.03)).clamp(0.03, 1),
            torch.log(torch.tan(torch.deg2rad(lift.clamp(4, 86)))), torch.cos(apart), torch.sin(apart),
        ]  # fmt: skip
        numbers[:, 11:] = told[:, 0] * torch.cat([v.reshape(batch, 1) for v in parts], 1)
        numbers[:, 10:11] = (numbers[:, 10:11] - told[:, 0] * second.share[:, 0]).clamp_min(0)
    numbers = numbers * seen[:, 0]
    numbers[:, 0] = 1
    return numbers * (draw.chance(0.92) > 0)[:, 0]


def _develop(draw: Draw, grid: Grid, apparent: Tensor, *, moved: bool) -> tuple[Tensor, Tensor, Tensor]:
    """Phone and rectification: blur, sharpening, noise, what tone and white reading leave; (batch, 3, 540, 540) log.

    Also the blur as the card's edges show it, in samples of 0.2 mm, and the photo's px per mm, (batch,) each.
    """
    scale = draw.log_uniform(5.0, 14.0)
    sd_mm = torch.hypot(draw.uniform(0.5, 0.95), (draw.chance(0.25) > 0) * draw.uniform(0, 2.5)) / scale
    image = blur(apparent, sd_mm * grid.px_per_mm)
    image = image + draw.uniform(0, 0.9)[:, None] * (image - blur(image, grid.px_per_mm / scale))
    step = round(grid.px_per_mm / PX_PER_MM)
    image = evaluation_area(shrink(image, step), Grid(grid.n // step, PX_PER_MM, grid.device))
    if moved:
        image = _moved(draw, image, scale)
    sd = 0.2 * 10 ** (-draw.uniform(29, 41) / 20) * (PX_PER_MM / scale).clamp_max(1)
    level = (image.clamp(0, 4).mean(1, keepdim=True) * 4.5 + 0.1).sqrt() * sd[:, None]
    common = draw.white(1, *image.shape[-2:])
    image = image + level * (common + 0.45 * draw.white(*image.shape[1:]))
    at = torch.linspace(-1, 1, image.shape[-1], device=grid.device).view(1, -1)
    u, v = at.view(1, 1, -1), at.view(1, -1, 1)
    off = (
        draw.normal(0.015) * u
        + draw.normal(0.015) * v
        + draw.normal(0.01) * u * u
        + draw.normal(0.01) * v * v
    )
    log = torch.log(image.clamp(0, 4).clamp_min(1e-4)) * (1 + draw.normal(0.05))[:, None] + off[:, None]
    around = blur(log.mean(1, keepdim=True)[..., ::4, ::4], 25.0)
    around = functional.interpolate(around, size=image.shape[-2:], mode="bilinear", align_corners=False)
    relit = (draw.chance(0.4) > 0) * draw.normal(0.08).abs()
    log = log - relit[:, None] * (around - around.mean((2, 3), keepdim=True))
    noise_mm = sd_mm * torch.exp(draw.normal(0.08))
    return torch.log(torch.exp(log) + FLOOR), (noise_mm * PX_PER_MM).flatten(), scale.flatten()


def _moved(draw: Draw, image: Tensor, scale: Tensor) -> Tensor:
    """The second photo of a pair, off by what registration on the card leaves: up to a few photo pixels."""
    n = image.shape[-1]
    at = torch.linspace(-1, 1, n, device=image.device) * (n - 1) / n
    per_px = 2 / n * PX_PER_MM / scale
    sd = draw.log_uniform(0.1, 2.0)
    x = at.view(1, 1, -1) + per_px * sd * draw.normal() + at.view(1, -1, 1) * per_px * sd * draw.normal(0.5)
    y = at.view(1, -1, 1) + per_px * sd * draw.normal() + at.view(1, 1, -1) * per_px * sd * draw.normal(0.5)
    place = torch.stack(torch.broadcast_tensors(x, y), -1)
    return functional.grid_sample(image, place, mode="bicubic", align_corners=False, padding_mode="border")


def luma(log_rgb: Tensor) -> Tensor:
    """Log luminance (batch, n, n) of log_rgb, as `look` has it."""
    weights = [math.log(weight) for weight in LUMINANCE]
    return torch.logsumexp(log_rgb + torch.tensor(weights, device=log_rgb.device).view(1, 3, 1, 1), 1)


def single_input(log_rgb: Tensor) -> Tensor:
    """Channels of one photo, as `look.single_channels` makes them."""
    log_y = luma(log_rgb)
    stack = torch.stack([log_y, log_rgb[:, 0] - log_y, log_rgb[:, 2] - log_y], 1)
    return stack - stack.mean((2, 3), keepdim=True)


def pair_input(first: Shot, second: Shot) -> Tensor:
    """Channels of two photos, as `look.pair_channels` makes them."""
    one, other = luma(first.log_rgb), luma(second.log_rgb)
    stack = torch.stack([one - other, 0.5 * (one + other)], 1)
    return stack - stack.mean((2, 3), keepdim=True)
