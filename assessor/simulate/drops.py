"""Photos of water drops on a floor: beads that bend the light, flat films, and damp marks of absorbed drops.

Beads have the shape of a lying drop (`surface.drop_shape`), stretched a little unevenly round. Light is traced through
them, so that the bright crescent on the side away from the lamp, the dark rim and the shadow come by themselves; so do
what the camera sees through them and the lamp's reflection. Water darkens the concrete under it.

Limits: one floor level under each bead; light of the sky is not bent; drops of more than 90 degrees are drawn by their
upper half only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np

from assessor.simulate.camera import place_camera
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, photograph, plan_views
from assessor.simulate.drop_optics import Bead, fresnel, light_map, reflect, trace
from assessor.simulate.floors import Floor, make_floor
from assessor.simulate.imaging import blur, resize, sample
from assessor.simulate.light import LightRecipe, direct_share, light_floor, light_rays, sky_rays
from assessor.simulate.noise import fractal_field
from assessor.simulate.sheet import make_sheet
from assessor.surface.drop_shape import drop_profile
from assessor.values import Camera, FloatArray

BEAD_PX_PER_MM = 30.0
SEEN_PX = 3  # camera rays a floor sample each way: the lamp's reflection is small
LAMP_DEG = 2.5  # half angle over which a lamp's reflection is spread at the least


@dataclass(frozen=True, slots=True)
class DropRecipe:
    """One drop. kind: bead (volume_mm3, angle_deg), film or absorbed (width_mm); x_mm, y_mm in the card frame.

    uneven: largest relative departure of the outline from a circle. darker: reflectance of wet over dry concrete
    (0.61 measured, 0.71-0.78 by the film model: domain knowledge, see `surface`). gloss: shine of a film.
    """

    kind: Literal["bead", "film", "absorbed"]
    x_mm: float
    y_mm: float
    volume_mm3: float = 50.0
    angle_deg: float = 80.0
    width_mm: float = 22.0
    uneven: float = 0.03
    darker: float = 0.65
    gloss: float = 0.1


@dataclass(frozen=True, slots=True)
class TrueDrop:
    """What is true of a rendered drop: width_mm is the diameter of a circle of the area seen from above."""

    recipe: DropRecipe
    width_mm: float


@dataclass(frozen=True, eq=False)
class DropCapture:
    """A photo with drops and their truth."""

    capture: RenderedCapture
    drops: tuple[TrueDrop, ...]


def render_drops(recipe: CaptureRecipe, drops: tuple[DropRecipe, ...]) -> DropCapture:
    """Render one photo of a floor with drops; ValueError unless the recipe asks for one photo without torch shots."""
    if recipe.photos != 1 or recipe.torch is not None:
        raise ValueError("drops are rendered for one photo and no torch shots")
    streams = [np.random.default_rng([recipe.seed, k]) for k in range(4)]
    own = np.random.default_rng([recipe.seed, 40])
    dry = make_floor(recipe.floor, streams[0])
    sheet = make_sheet(recipe.sheet, streams[1])
    view = plan_views(recipe, np.random.default_rng([recipe.seed, 2]))[0]
    camera = place_camera("drops", view, recipe.size_px)
    outlines = [_outline(drop, own) for drop in drops]
    floor = _wetted(dry, drops, outlines, own)
    half = sheet.layout.window.x_max_mm
    lit = light_floor(
        floor.height_mm, floor.albedo_linear, floor.px_per_mm, recipe.light, window_half_mm=half
    )
    share, ambient = direct_share(recipe.light), lit
    if share > 0:
        sky = replace(recipe.light, direct=0.0)
        ambient = light_floor(
            floor.height_mm, floor.albedo_linear, floor.px_per_mm, sky, window_half_mm=half
        ) * np.float32(1 - share)
    true = []
    for drop, outline in zip(drops, outlines, strict=True):
        width = drop.width_mm
        if drop.kind == "bead":
            profile = drop_profile(drop.volume_mm3, drop.angle_deg)
            bead = _bead(profile.radius_mm, profile.depth_mm, outline)
            _lay_bead(floor, (lit, ambient), bead, drop, (camera, recipe.light, own))
            width = profile.width_mm
        true.append(TrueDrop(drop, width))
    capture = photograph(recipe, floor, sheet, lit, streams[2:])
    return DropCapture(capture, tuple(true))


class _Outline:
    """Radius over the mean as a function of direction, of unit mean square: a stretched circle keeps its area."""

    def __init__(self, orders: FloatArray, phases: FloatArray) -> None:
        self.orders, self.phases = orders, phases
        turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        self.norm = 1.0
        self.norm = float(np.sqrt((self(turn) ** 2).mean()))

    def __call__(self, azimuth: FloatArray) -> FloatArray:
        total = np.ones_like(azimuth)
        for k, (a, p) in enumerate(zip(self.orders, self.phases, strict=True), 2):
            total = total + a * np.cos(k * azimuth + p)
        return total / self.norm


def _outline(drop: DropRecipe, rng: np.random.Generator) -> _Outline:
    count = 4 if drop.kind == "bead" else 9
    amounts = rng.uniform(0.2, 1.0, count) / np.arange(2, count + 2) ** 0.7
    amounts *= drop.uneven / amounts.sum()
    return _Outline(amounts, rng.uniform(0, 2 * np.pi, count))


def _bead(radius_mm: FloatArray, depth_mm: FloatArray, outline: _Outline) -> Bead:
    widest = int(np.argmax(radius_mm))
    half = float(radius_mm.max()) * 1.25 + 0.5
    n = round(2 * half * BEAD_PX_PER_MM)
    at = (np.arange(n) + 0.5) / BEAD_PX_PER_MM - half
    x, y = np.meshgrid(at, -at)
    r = np.hypot(x, y) / outline(np.arctan2(y, x))
    over = float(depth_mm[-1]) - depth_mm[: widest + 1]
    height = np.interp(r, radius_mm[: widest + 1], over, right=0.0)
    return Bead(height.astype(np.float32), BEAD_PX_PER_MM)


def _wetted(
    floor: Floor, drops: tuple[DropRecipe, ...], outlines: list[_Outline], rng: np.random.Generator
) -> Floor:
    """The floor with concrete darkened under water, and films that shine."""
    n, density = floor.height_mm.shape[0], floor.px_per_mm
    albedo = floor.albedo_linear.copy()
    gloss = np.zeros((n, n), np.float32) if floor.gloss is None else floor.gloss.copy()
    at = (np.arange(n) + 0.5) / density - n / density / 2
    gx, gy = np.meshgrid(at, -at)
    for drop, outline in zip(drops, outlines, strict=True):
        x, y = gx - drop.x_mm, gy - drop.y_mm
        r, azimuth = np.hypot(x, y), np.arctan2(y, x)
        if drop.kind == "bead":
            cover = _inside(_true_width(drop) / 2 * outline(azimuth) - r, 0.1)
        else:
            edge = 0.04 * drop.width_mm if drop.kind == "film" else 0.08 * drop.width_mm
            ragged = fractal_field(n, density, rng, short_mm=1.0, long_mm=12.0, hurst=0.5)
            reach = drop.width_mm / 2 * outline(azimuth) + edge * ragged - r
            cover = _inside(reach, 0.25 if drop.kind == "film" else 0.9)
            if drop.kind == "film":
                gloss += cover * np.float32(drop.gloss)
        albedo *= (1 - (1 - np.float32(drop.darker)) * cover)[..., None]
    return replace(floor, albedo_linear=albedo, gloss=gloss if gloss.any() else None)


def _true_width(drop: DropRecipe) -> float:
    return drop_profile(drop.volume_mm3, drop.angle_deg).width_mm


def _inside(reach_mm: FloatArray, soft_mm: float) -> FloatArray:
    return np.asarray(np.clip(reach_mm / soft_mm + 0.5, 0, 1), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Patch:
    """A square of the floor's samples about a drop: its place in the grid, and its middle from the drop's, mm."""

    rows: slice
    cols: slice
    x_mm: FloatArray
    y_mm: FloatArray

    @property
    def box(self) -> tuple[slice, slice]:
        return self.rows, self.cols


def _patch(floor: Floor, drop: DropRecipe, half_mm: float) -> _Patch:
    """Samples within half_mm of a drop, with their x, y from it; ValueError where it does not lie on the floor."""
    n, density = floor.height_mm.shape[0], floor.px_per_mm
    reach = round(half_mm * density)
    col = round((drop.x_mm + n / density / 2) * density)
    row = round((n / density / 2 - drop.y_mm) * density)
    if min(col, row) < reach or max(col, row) > n - reach:
        raise ValueError("a drop must lie on the floor with room for its shadow")
    cols, rows = slice(col - reach, col + reach), slice(row - reach, row + reach)
    x = (np.arange(n)[cols] + 0.5) / density - n / density / 2 - drop.x_mm
    y = n / density / 2 - (np.arange(n)[rows] + 0.5) / density - drop.y_mm
    return _Patch(rows, cols, *np.meshgrid(x, y))


def _lay_bead(
    floor: Floor,
    radiance: tuple[FloatArray, FloatArray],
    bead: Bead,
    drop: DropRecipe,
    view: tuple[Camera, LightRecipe, np.random.Generator],
) -> None:
    """Change the floor's radiance about a bead to what the camera sees there, in place.

    radiance: of all light, which is changed, and of the sky's alone.
    """
    lit, ambient = radiance
    camera, light, rng = view
    rays = [ray for ray in light_rays(light) if ray.direct]
    tall = float(bead.height_mm.max())
    shadow = max((tall / np.tan(ray.elevation) for ray in rays), default=0.0)
    patch = _patch(floor, drop, bead.half_mm + min(shadow, 14.0) + 1.0)
    level = float(np.median(floor.height_mm[patch.box]))
    middle = np.array([drop.x_mm, drop.y_mm, level])
    below = lit[patch.box].copy()
    if rays:
        half = patch.rows.stop - patch.rows.start
        ray = rays[len(rays) // 2]
        gain = light_map(bead, -ray.toward(middle), half / floor.px_per_mm / 2, floor.px_per_mm, rng)
        # The source's disc softens what falls from half a drop's height; a lamp is never a point.
        soft_mm = max(tall / 2 * float(np.deg2rad(_half_angle(light))) / np.sin(ray.elevation), 0.06)
        gain = blur(gain, soft_mm * floor.px_per_mm)
        below = ambient[patch.box] + np.maximum(below - ambient[patch.box], 0) * gain[..., None]
    lit[patch.box] = below
    inner = _patch(floor, drop, bead.half_mm + 0.5)
    lit[inner.box] = _seen(bead, (below, patch), inner, middle, (camera, light))


def _half_angle(light: LightRecipe) -> float:
    """Half angle of the direct light's disc, degrees."""
    if light.lamp_mm is not None:
        return float(np.rad2deg(np.arctan(light.source_mm / light.distance_mm)))
    return light.half_angle_deg


def _seen(
    bead: Bead,
    below: tuple[FloatArray, _Patch],
    patch: _Patch,
    middle: FloatArray,
    view: tuple[Camera, LightRecipe],
) -> FloatArray:
    """What the camera sees of a patch of floor with a bead on it, (m, m, 3); below: the lit floor, and its patch."""
    camera, light = view
    radiance, whole = below
    m = patch.x_mm.shape[0]
    x, y = (resize(part, (m * SEEN_PX, m * SEEN_PX)) for part in (patch.x_mm, patch.y_mm))
    along = np.stack([x + middle[0], y + middle[1], np.full_like(x, middle[2])], -1) - camera.position_mm
    along = along / np.linalg.norm(along, axis=-1, keepdims=True)
    traced = trace(bead, x, y, along)
    step = float(whole.x_mm[0, 1] - whole.x_mm[0, 0])
    col, row = (traced.x - whole.x_mm[0, 0]) / step, (whole.y_mm[0, 0] - traced.y) / step
    image = sample(radiance, col, row) * traced.weight[..., None].astype(np.float32)
    mirror = fresnel(-(along * traced.normal).sum(-1), 1.333) * traced.met
    image += (mirror[..., None] * _world(light, reflect(along, traced.normal), middle)).astype(np.float32)
    return resize(image, (m, m), cv2.INTER_AREA)


def _world(light: LightRecipe, toward: FloatArray, middle: FloatArray) -> FloatArray:
    """Radiance that comes from directions (h, w, 3), colour last; 1 = a white level surface in the open."""
    azimuths, levels = 48, 8
    rays = sky_rays(light, azimuths, levels)
    solid = 2 * np.pi / azimuths / levels
    sky = np.array([ray.share * np.pi / (np.sin(ray.elevation) * solid) for ray in rays], np.float32)
    sky = sky.reshape(azimuths, levels).T
    up = toward[..., 2]
    col = (np.arctan2(toward[..., 1], toward[..., 0]) / (2 * np.pi) % 1) * azimuths - 0.5
    seen = sample(np.concatenate([sky, sky[:, :1]], 1), col, np.clip(up, 0, 1) * levels - 0.5) * (up > 0)
    total = seen[..., None] * np.array(light.ambient_rgb, np.float32)
    direct = [ray for ray in light_rays(light) if ray.direct]
    if direct:
        ray = direct[len(direct) // 2]
        share, half = sum(one.share for one in direct), np.deg2rad(max(LAMP_DEG, _half_angle(light)))
        near = (toward * ray.toward(middle)).sum(-1) > np.cos(half)
        bright = share / (np.sin(half) ** 2 * np.sin(ray.elevation))
        total = total + (near * bright)[..., None] * np.array(light.direct_rgb)
    return np.asarray(total, dtype=np.float32)
