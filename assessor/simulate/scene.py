"""The whole scene: lit sheet and lit floor of one capture, ready for the cameras.

`light_floor` (or a path tracer with the same arguments) lights the floor; here the sheet is lit, the tabs are
stood up, and the photographer's body takes its share of the light.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from assessor.simulate import tabs
from assessor.simulate.body import Body, open_share
from assessor.simulate.caster import Caster
from assessor.simulate.floors import Floor
from assessor.simulate.imaging import resize
from assessor.simulate.light import (
    FINE_SKY,
    LightRecipe,
    Ray,
    direct_share,
    disc_rays,
    light_rays,
    sky_rays,
)
from assessor.simulate.march import SURROUND_MM, FloorTexture, floor_texture
from assessor.simulate.sheet import CANVAS_MM, Sheet
from assessor.simulate.soil import Film
from assessor.values import FloatArray, freeze

LIGHT_PX_PER_MM = 4.0  # direct light on the sheet: its shadows are sharp
BODY_PX_PER_MM = 0.5  # a body's shadow is a few mm soft at the least
MOST_AROUND = 6.0  # brighter than this a photo is white anyway
CASTER_PX_PER_MM = 2.0  # a tool close by has a penumbra of a few mm
SOFT_PX_PER_MM = 0.1  # and what it hides of the sky changes over centimetres


@dataclass(frozen=True, eq=False)
class Scene:
    """What cameras look at: the sheet, its radiance on the drawing canvas, the lit floor, and the light.

    ambient: the part of the floor's radiance that is not direct, (n, n, 3); None where all of it is ambient or
    nobody asks. body: who stands beside it. gloss: of the floor's samples, beside the light's own, (n, n), or None.
    films: skins with a shine of their own. caster: what stands in the direct light; open_direct
    (n, n): what it lets through to the floor.
    """

    sheet: Sheet
    sheet_radiance: FloatArray
    floor: FloorTexture
    light: LightRecipe
    ambient: FloatArray | None = None
    body: Body | None = None
    gloss: FloatArray | None = None
    films: tuple[Film, ...] = ()
    caster: Caster | None = None
    open_direct: FloatArray | None = None

    def __post_init__(self) -> None:
        freeze(self.sheet_radiance)
        freeze(self.ambient)


def build_scene(
    floor: Floor,
    sheet: Sheet,
    floor_radiance: FloatArray,
    light: LightRecipe,
    ambient: FloatArray | None = None,
) -> Scene:
    """Join a floor's radiance (n, n, 3), as `light_floor` returns it, with the sheet on top."""
    level = float(np.median(floor.height_mm[::8, ::8]))
    shaded = tabs.shade_floor(floor_radiance, floor.px_per_mm, sheet, light, level)
    texture = floor_texture(floor.height_mm, shaded, floor.px_per_mm, _bare(floor, shaded))
    lit = light_sheet(sheet, light)
    return Scene(sheet, lit, texture, light, ambient, gloss=floor.gloss, films=floor.films)


def _bare(floor: Floor, radiance: FloatArray) -> FloatArray | None:
    """Radiance without the dirt in the window, so that the same stain does not lie all round the sheet."""
    if floor.bare_linear is None:
        return None
    return np.asarray(
        radiance * (floor.bare_linear / np.maximum(floor.albedo_linear, 0.01)), dtype=np.float32
    )


def build_torch_scene(
    floor: Floor, sheet: Sheet, torch_radiance: FloatArray, room_radiance: FloatArray, light: LightRecipe
) -> Scene:
    """Join a floor lit by a torch alone and by its room alone, each (n, n, 3) of 1 in the open, under one sheet.

    Apart, because what the tabs hide of the torch leaves the room's light as it is.
    """
    level, share = float(np.median(floor.height_mm[::8, ::8])), np.float32(direct_share(light))
    room = light.room or LightRecipe()
    both = share * tabs.shade_floor(torch_radiance, floor.px_per_mm, sheet, replace(light, direct=1.0), level)
    both += (1 - share) * tabs.shade_floor(room_radiance, floor.px_per_mm, sheet, room, level)
    texture = floor_texture(floor.height_mm, both, floor.px_per_mm, _bare(floor, both))
    around = (
        texture.surround * ((1 - share) + share * _torch_around(light, texture.surround.shape))[..., None]
    )
    texture = replace(texture, surround=np.asarray(around, dtype=np.float32))
    return Scene(sheet, light_sheet(sheet, light), texture, light, gloss=floor.gloss, films=floor.films)


def _torch_around(light: LightRecipe, shape: tuple[int, ...]) -> FloatArray:
    """The torch's light on the level round the sheet over that in the window, up to MOST_AROUND, (rows, cols)."""
    ray = next(r for r in light_rays(light) if r.direct)
    cols, rows = (round(side * SOFT_PX_PER_MM) for side in SURROUND_MM)
    x = ((np.arange(cols) + 0.5) / cols - 0.5) * SURROUND_MM[0]
    y = (0.5 - (np.arange(rows) + 0.5) / rows) * SURROUND_MM[1]
    points = np.stack([*np.meshgrid(x, y), np.zeros((rows, cols))], -1)
    falling = ray.strength(points) * ray.toward(points)[..., 2]
    window = (np.abs(points[..., 0]) < 60) & (np.abs(points[..., 1]) < 60)
    part = np.clip(falling / falling[window].mean(), 0, MOST_AROUND)
    return resize(part.astype(np.float32), (shape[1], shape[0]))


def shade_scene(scene: Scene, body: Body) -> Scene:
    """The same scene with a body beside it: sheet lit anew, floor and surround dimmed (see `body`)."""
    floor, light = scene.floor, scene.light
    n = floor.height_mm.shape[0]
    side = n / floor.px_per_mm
    soft, hard = _fields(body, light, (side, side), (n, n))
    if hard is None or scene.ambient is None:
        radiance = floor.radiance * soft[..., None]
    else:
        radiance = np.maximum(floor.radiance - scene.ambient, 0) * hard[..., None]
        radiance += scene.ambient * soft[..., None]
    rows, cols = floor.surround.shape[:2]
    soft, hard = _fields(body, light, SURROUND_MM, (cols, rows))
    share = sum(ray.share for ray in disc_rays(light))
    dim = soft if hard is None else soft * np.float32(1 - share) + hard * np.float32(share)
    dimmed = replace(floor, radiance=radiance, surround=floor.surround * dim[..., None])
    lit = light_sheet(scene.sheet, light, body)
    return replace(scene, floor=dimmed, sheet_radiance=lit, ambient=None, body=body)


def cast_shadow(scene: Scene, caster: Caster) -> Scene:
    """The same scene with a caster in its direct light; what else lights it stays."""
    floor = scene.floor
    if scene.ambient is None:
        raise ValueError("a cast shadow needs the scene's ambient light apart")
    n = floor.height_mm.shape[0]
    side = n / floor.px_per_mm
    passed = _open_direct(caster, (side, side), CASTER_PX_PER_MM, (n, n))
    radiance = np.maximum(floor.radiance - scene.ambient, 0) * passed[..., None] + scene.ambient
    rows, cols = floor.surround.shape[:2]
    around = _open_direct(caster, SURROUND_MM, BODY_PX_PER_MM / 2, (cols, rows))
    share = np.float32(direct_share(scene.light))
    surround = floor.surround * (1 - share + share * around)[..., None]
    dimmed = replace(floor, radiance=radiance, surround=surround)
    lit = light_sheet(scene.sheet, scene.light, caster=caster)
    return replace(
        scene, floor=dimmed, sheet_radiance=lit, ambient=None, caster=caster, open_direct=passed
    )  # fmt: skip


def _open_direct(
    caster: Caster, extent_mm: tuple[float, float], density: float, size: tuple[int, int]
) -> FloatArray:
    """What a caster lets through over a rectangle about the window's centre, (rows, cols)."""
    cols, rows = (round(side * density) for side in extent_mm)
    x = ((np.arange(cols) + 0.5) / cols - 0.5) * extent_mm[0]
    y = (0.5 - (np.arange(rows) + 0.5) / rows) * extent_mm[1]
    return resize(caster.open_direct(*np.meshgrid(x, y)), size)


def _fields(
    body: Body, light: LightRecipe, extent_mm: tuple[float, float], size: tuple[int, int]
) -> tuple[FloatArray, FloatArray | None]:
    """What passes a body of sky and of direct light over a rectangle about the window's centre, (rows, cols)."""
    return (
        _field(body, sky_rays(light, *FINE_SKY), extent_mm, size, SOFT_PX_PER_MM),
        _field(body, rays, extent_mm, size, BODY_PX_PER_MM) if (rays := disc_rays(light)) else None,
    )


def _field(
    body: Body, rays: list[Ray], extent_mm: tuple[float, float], size: tuple[int, int], density: float
) -> FloatArray:
    cols, rows = (round(side * density) for side in extent_mm)
    x = ((np.arange(cols) + 0.5) / cols - 0.5) * extent_mm[0]
    y = (0.5 - (np.arange(rows) + 0.5) / rows) * extent_mm[1]
    return resize(open_share(body, rays, *np.meshgrid(x, y)), size)


def light_sheet(
    sheet: Sheet, light: LightRecipe, body: Body | None = None, caster: Caster | None = None
) -> FloatArray:
    """Radiance of the sheet on its canvas, (H, W, 3) float32: print times light, with the tabs' shadows.

    The sky is done at a coarse density in closed form: no part of a sheet turns away from it.
    """
    light_rays(light)  # refuses an unknown kind
    height, width = sheet.paper.shape
    ambient = _sky_on_sheet(sheet, light, body)
    direct = _direct_on_sheet(sheet, light, body)
    if direct is not None and caster is not None:
        size = direct.shape[1], direct.shape[0]
        direct *= _open_direct(caster, _true_canvas(sheet), CASTER_PX_PER_MM / 2, size)
    # Coarse fields are joined before they are enlarged to the print's density.
    rows, cols = direct.shape if direct is not None else ambient.shape
    soft = resize(ambient, (cols, rows))
    total = np.empty((rows, cols, 3), np.float32)
    for channel, gain in enumerate(light.ambient_rgb):
        total[..., channel] = soft * np.float32(gain)
        if direct is not None:
            total[..., channel] += direct * np.float32(light.direct_rgb[channel])
    lit = resize(total, (width, height))
    lit *= sheet.reflectance
    return lit


def _sky_on_sheet(sheet: Sheet, light: LightRecipe, body: Body | None) -> FloatArray:
    density = tabs.SKY_PX_PER_MM
    size = round(CANVAS_MM[0] * density), round(CANVAS_MM[1] * density)
    rays = sky_rays(light, *FINE_SKY)
    share = sum(ray.share for ray in rays)
    slope_x, slope_y = _sheet_slopes(sheet, size)
    flat = sum((ray.share / np.tan(ray.elevation) * ray.toward(np.zeros(3))[:2] / np.cos(ray.elevation)
                for ray in rays), np.zeros(2))  # fmt: skip
    amount = np.float32(share) - slope_x * np.float32(flat[0]) - slope_y * np.float32(flat[1])
    if sheet.recipe.tabs_up:
        amount *= 1 - tabs.shadow_on_sheet(sheet, rays, density, bent=False)
    if body is not None:
        amount *= _field(body, rays, _true_canvas(sheet), size, SOFT_PX_PER_MM)
    return np.asarray(np.clip(amount, 0, None), dtype=np.float32)


def _direct_on_sheet(sheet: Sheet, light: LightRecipe, body: Body | None) -> FloatArray | None:
    rays = disc_rays(light)
    if not rays:
        return None
    size = round(CANVAS_MM[0] * LIGHT_PX_PER_MM), round(CANVAS_MM[1] * LIGHT_PX_PER_MM)
    slope_x, slope_y = _sheet_slopes(sheet, size)
    amount = np.zeros((size[1], size[0]), np.float32)
    # How a face is lit changes little over the disc: its middle stands for it.
    for ray in (r for r in light_rays(light) if r.direct):
        tilt, level = _facing(sheet, size, slope_x, slope_y, ray)
        amount += np.clip(tilt, 0, None) * level
    if sheet.recipe.tabs_up:
        amount *= 1 - tabs.shadow_on_sheet(sheet, rays, LIGHT_PX_PER_MM)
    if body is not None:
        amount *= _field(body, rays, _true_canvas(sheet), size, BODY_PX_PER_MM)
    return amount


def _true_canvas(sheet: Sheet) -> tuple[float, float]:
    """Size of the drawing canvas as printed, mm."""
    return CANVAS_MM[0] * sheet.recipe.scale_x, CANVAS_MM[1] * sheet.recipe.scale_y


def _facing(
    sheet: Sheet, size: tuple[int, int], slope_x: FloatArray, slope_y: FloatArray, ray: Ray
) -> tuple[FloatArray, FloatArray | np.float32]:
    """How a ray meets the bent sheet: (n.l)/l_z, and its irradiance on a level face."""
    if ray.lamp_mm is None:
        flat = np.float32(1 / np.tan(ray.elevation))
        lean = slope_x * np.float32(np.cos(ray.azimuth)) + slope_y * np.float32(np.sin(ray.azimuth))
        return 1 - flat * lean, np.float32(ray.share)
    x = ((np.arange(size[0]) + 0.5) / LIGHT_PX_PER_MM - CANVAS_MM[0] / 2) * sheet.recipe.scale_x
    y = (CANVAS_MM[1] / 2 - (np.arange(size[1]) + 0.5) / LIGHT_PX_PER_MM) * sheet.recipe.scale_y
    gx, gy = np.meshgrid(x, y)
    points = np.stack([gx, gy, resize(sheet.z_mm, size)], axis=-1)
    toward = ray.toward(points)
    level = ray.strength(points) * toward[..., 2]
    tilt = 1 - (slope_x * toward[..., 0] + slope_y * toward[..., 1]) / toward[..., 2]
    return tilt.astype(np.float32), level.astype(np.float32)


def _sheet_slopes(sheet: Sheet, size: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """dz/dx, dz/dy of the sheet at the light density."""
    dz_row, dz_col = (np.asarray(d, np.float32) for d in np.gradient(sheet.z_mm))
    return (
        resize(dz_col / np.float32(sheet.recipe.scale_x), size),
        resize(-dz_row / np.float32(sheet.recipe.scale_y), size),
    )
