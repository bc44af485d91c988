"""Light on a floor by path tracing on a GPU (or, slowly, a CPU): stands in for `assessor.simulate.light.light_floor`.

Every texel of the height field shoots paths: at each point the sun or lamp is sampled directly, then one
cosine-weighted direction is followed until it leaves to the sky or the light carried is spent. So cast shadows,
sky light and light between the surface's own flanks (any number of bounces up to `BOUNCES`) come out as they are,
where the fast renderer approximates the last two. A near torch is a disc at its place, with its inverse square and its
beam. Needs torch (the `train` extra); a developer's tool.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import torch

from assessor.simulate.light import PATCHES, WINDOW_ROOM, LightRecipe, light_rays

BOUNCES = 3
FARTHEST_MM = 45.0
BEAM_PX_PER_MM = 4.0  # a beam is smooth: the nearest sample is right to a thousandth
LUMA = (0.2126, 0.7152, 0.0722)


class Field:
    """Height field on the device, with bilinear look-up by position in samples."""

    def __init__(self, height_mm: np.ndarray, px_per_mm: float, half_mm: float, device: str) -> None:
        n = height_mm.shape[0]
        edge = max(round(n / 2 - half_mm * px_per_mm), 0)
        occluder = np.maximum(height_mm, 0).astype(np.float32)
        occluder[edge : n - edge, edge : n - edge] = height_mm[edge : n - edge, edge : n - edge]
        self.n, self.px_per_mm, self.device = n, px_per_mm, device
        self.top_mm = float(occluder.max())
        self.z = torch.tensor(occluder, device=device).reshape(-1)
        rows, cols = np.gradient(height_mm.astype(np.float32), 1 / px_per_mm)
        normal = np.stack([-cols, rows, np.ones_like(cols)], -1)  # rows run against y
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        self.normal = torch.tensor(normal, device=device).reshape(-1, 3)

    def index(self, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
        """Nearest sample; x, y in samples from the centre of the first."""
        col, row = (v.round().long().clamp_(0, self.n - 1) for v in (x, y))
        return row * self.n + col

    def height(self, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
        x, y = x.clamp(0, self.n - 1.001), y.clamp(0, self.n - 1.001)
        col, row = x.long(), y.long()
        fx, fy = x - col, y - row
        at = row * self.n + col
        upper = self.z[at] * (1 - fx) + self.z[at + 1] * fx
        lower = self.z[at + self.n] * (1 - fx) + self.z[at + self.n + 1] * fx
        return upper * (1 - fy) + lower * fy


def march(field: Field, start: torch.Tensor, towards: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Follow rays (N, 3), x and y in samples, z in mm; returns (hit (N,) bool, where (N, 3)).

    Steps grow with distance (3 % of it), so near relief is met finely and far relief coarsely.
    """
    scale = torch.tensor([field.px_per_mm, -field.px_per_mm, 1.0], device=field.device)
    live = torch.arange(len(start), device=field.device)
    hit = torch.zeros(len(start), dtype=torch.bool, device=field.device)
    where = start.clone()
    t = 0.6 / field.px_per_mm
    while t < FARTHEST_MM and len(live):
        point = start[live] + towards[live] * (t * scale)
        below = point[:, 2] < field.height(point[:, 0], point[:, 1])
        gone = point[:, 2] > field.top_mm
        struck = live[below]
        hit[struck] = True
        where[struck] = point[below]
        live = live[~(below | gone)]
        t *= 1.03
        t += 0.3 / field.px_per_mm
    return hit, where


class NearLamp:
    """A torch's disc over a field: directions to random points of it and the light that arrives from there."""

    def __init__(self, light: LightRecipe, field: Field) -> None:
        (ray,) = (r for r in light_rays(light) if r.direct)
        azimuth, elevation = np.deg2rad(light.azimuth_deg), np.deg2rad(light.elevation_deg)
        self.field, self.radius_mm, self.full = field, light.source_mm, 1 / np.sin(elevation)
        self.place = torch.tensor(light.lamp_mm, device=field.device, dtype=torch.float32)
        # Strength is defined at the window's centre, as in the fast renderer.
        self.reach_mm = light.distance_mm
        ca, sa, ce, se = np.cos(azimuth), np.sin(azimuth), np.cos(elevation), np.sin(elevation)
        frame = np.array([[-sa, ca, 0.0], [-se * ca, -se * sa, ce]])
        self.frame = torch.tensor(frame, device=field.device, dtype=torch.float32)
        self.side_mm = field.n / field.px_per_mm
        self.size = round(self.side_mm * BEAM_PX_PER_MM)
        at = ((np.arange(self.size) + 0.5) / self.size - 0.5) * self.side_mm
        x, y = np.meshgrid(at, -at)
        aimed = ray.aimed(np.stack([x, y, np.zeros_like(x)], -1)).astype(np.float32)
        self.beam = torch.tensor(aimed, device=field.device).reshape(-1)

    def toward(self, point: torch.Tensor, draw: torch.Generator) -> tuple[torch.Tensor, torch.Tensor]:
        """Unit directions (N, 3) and irradiance (N,) of a face turned there, over 1 on a level one in the middle."""
        x = (point[:, 0] + 0.5) / self.field.px_per_mm - self.side_mm / 2
        y = self.side_mm / 2 - (point[:, 1] + 0.5) / self.field.px_per_mm
        around = torch.rand(len(point), device=point.device, generator=draw) * (2 * np.pi)
        out = torch.rand(len(point), device=point.device, generator=draw).sqrt() * self.radius_mm
        disc = torch.stack([out * torch.cos(around), out * torch.sin(around)], 1) @ self.frame
        line = self.place + disc - torch.stack([x, y, point[:, 2]], 1)
        square = (line * line).sum(1)
        col, row = (
            (v * BEAM_PX_PER_MM).long().clamp_(0, self.size - 1)
            for v in (x + self.side_mm / 2, self.side_mm / 2 - y)
        )
        strength = self.full * self.reach_mm**2 / square * self.beam[row * self.size + col]
        return line / square.sqrt()[:, None], strength


def _sky(light: LightRecipe, towards: torch.Tensor) -> torch.Tensor:
    """Radiance of the sky (N,), as the fast renderer defines it, before normalisation."""
    sine = towards[:, 2].clamp(0, 1)
    if light.kind in PATCHES:
        wide, high = PATCHES[light.kind]
        azimuth = torch.atan2(towards[:, 1], towards[:, 0])
        away = torch.remainder(azimuth - np.deg2rad(light.azimuth_deg) + np.pi, 2 * np.pi) - np.pi
        lift = torch.asin(sine) - np.deg2rad(light.elevation_deg)
        return WINDOW_ROOM + 3.0 * torch.exp(-0.5 * ((away / wide) ** 2 + (lift / high) ** 2))
    return (1 + 2 * sine) / 3


def _cosine_around(normal: torch.Tensor, draw: torch.Generator) -> torch.Tensor:
    """One cosine-weighted direction about each normal (N, 3): the normal plus a point on the unit sphere."""
    ball = torch.randn(normal.shape, device=normal.device, generator=draw)
    ball /= ball.norm(dim=1, keepdim=True)
    way = normal + ball * 0.9999
    return way / way.norm(dim=1, keepdim=True)


def irradiance(  # noqa: PLR0913 - keyword-only from the fourth on
    height_mm: np.ndarray,
    albedo_grey: np.ndarray,
    px_per_mm: float,
    light: LightRecipe,
    *,
    window_half_mm: float,
    paths: int = 64,
    seed: int = 0,
    device: str = "cuda",
    chunk: int = 4_000_000,
) -> np.ndarray:
    """Light falling on every sample (n, n) float32; 1 = a level surface in the open.

    albedo_grey (n, n) carries the light between flanks; its colour is left out.
    """
    field = Field(height_mm, px_per_mm, window_half_mm, device)
    albedo = torch.tensor(albedo_grey.astype(np.float32), device=device).reshape(-1)
    draw = torch.Generator(device=device).manual_seed(seed)
    up = torch.zeros((200_000, 3), device=device)
    up[:, 2] = 1
    level_sky = float(_sky(light, _cosine_around(up, draw)).mean())
    direct = light.direct if light.kind in ("sun", "lamp", "torch") else 0.0
    lamp = NearLamp(light, field) if light.kind == "torch" and direct > 0 else None
    total = torch.zeros(field.n**2, device=device)
    for first in range(0, field.n**2, chunk):
        texel = torch.arange(first, min(first + chunk, field.n**2), device=device)
        for _ in range(paths):
            total[texel] += _one_path(field, albedo, texel, lamp or light, (direct, level_sky), draw)
    return (total / paths).reshape(field.n, field.n).cpu().numpy()


def _one_path(
    field: Field,
    albedo: torch.Tensor,
    texel: torch.Tensor,
    light: LightRecipe | NearLamp,
    shares: tuple[float, float],
    draw: Any,
) -> torch.Tensor:
    direct, level_sky = shares
    jitter = torch.rand((len(texel), 2), device=field.device, generator=draw) - 0.5
    x, y = (texel % field.n) + jitter[:, 0], (texel // field.n) + jitter[:, 1]
    point = torch.stack([x, y, field.height(x, y) + 0.002], 1)
    light_in = torch.zeros(len(texel), device=field.device)
    carried = torch.ones(len(texel), device=field.device)
    live = torch.arange(len(texel), device=field.device)
    at = texel
    for bounce in range(BOUNCES + 1):
        normal = field.normal[at]
        if direct > 0:
            if isinstance(light, NearLamp):
                way, strength = light.toward(point, draw)
            else:
                way = _toward_source(light, len(live), field.device, draw)
                strength = 1 / np.sin(np.deg2rad(light.elevation_deg))
            facing = (normal * way).sum(1) * strength
            lit = facing > 0
            hit = torch.ones(len(live), dtype=torch.bool, device=field.device)
            hit[lit] = march(field, point[lit], way[lit])[0]
            light_in[live] += carried * torch.where(hit, 0.0, facing.clamp_min(0) * direct)
        way = _cosine_around(normal, draw)
        hit, where = march(field, point, way)
        if direct < 1:
            assert isinstance(light, LightRecipe)
            sky = _sky(light, way) / level_sky * (1 - direct) * (way[:, 2] > 0)
            light_in[live] += carried * torch.where(hit, 0.0, sky)
        if bounce == BOUNCES or not bool(hit.any()):
            break
        live, point = live[hit], where[hit]
        at = field.index(point[:, 0], point[:, 1])
        carried = carried[hit] * albedo[at]
        point[:, 2] = field.height(point[:, 0], point[:, 1]) + 0.002
    return light_in


def _toward_source(light: LightRecipe, n: int, device: str, draw: Any) -> torch.Tensor:
    """Directions to random points of the sun's or lamp's disc, (n, 3)."""
    around = torch.rand(n, device=device, generator=draw) * (2 * np.pi)
    out = torch.rand(n, device=device, generator=draw).sqrt() * np.deg2rad(light.half_angle_deg)
    elevation = np.deg2rad(light.elevation_deg) + out * torch.sin(around)
    azimuth = np.deg2rad(light.azimuth_deg) + out * torch.cos(around) / np.cos(
        np.deg2rad(light.elevation_deg)
    )
    flat = torch.cos(elevation)
    return torch.stack([flat * torch.cos(azimuth), flat * torch.sin(azimuth), torch.sin(elevation)], 1)


def light_floor(
    height_mm: np.ndarray,
    albedo: np.ndarray,
    px_per_mm: float,
    light: LightRecipe,
    *,
    window_half_mm: float,
    open_sky: np.ndarray | None = None,
    **how: Any,
) -> np.ndarray:
    """Radiance of the floor (n, n, 3) float32, with the arguments of `assessor.simulate.light.light_floor`.

    A torch comes alone (direct = 1; the room is traced by itself). open_sky is what the fast renderer needs for its
    bounce: not needed here.
    """
    if light.kind == "torch" and light.direct < 1:
        raise ValueError("trace a torch by itself, with direct = 1, and its room apart")
    colour = np.float32(1)
    if light.kind == "torch":
        # Each torch has noise of its own, and its colour; the colour of other lights is left out.
        # A disc that is sampled outright needs fewer paths than a sky.
        how = {"seed": round(1000 * light.azimuth_deg), **how, "paths": max(how.get("paths", 64) // 2, 1)}
        colour = np.array(light.direct_rgb, np.float32)
    falling = irradiance(
        height_mm, albedo @ np.array(LUMA), px_per_mm, light, window_half_mm=window_half_mm, **how
    )
    return (albedo * falling[..., None] * colour).astype(np.float32)
