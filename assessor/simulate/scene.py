"""The whole scene: lit sheet and lit floor of one capture, ready for the cameras.

`light_floor` (or a path tracer with the same arguments) lights the floor; here the sheet is lit and the
tabs are stood up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.simulate import tabs
from assessor.simulate.floors import Floor
from assessor.simulate.imaging import resize
from assessor.simulate.light import LightRecipe, Ray, light_rays
from assessor.simulate.march import FloorTexture, floor_texture
from assessor.simulate.sheet import CANVAS_MM, Sheet
from assessor.values import FloatArray, freeze

LIGHT_PX_PER_MM = 4.0


@dataclass(frozen=True, eq=False)
class Scene:
    """What cameras look at: the sheet, its radiance on the drawing canvas, the lit floor, and the light."""

    sheet: Sheet
    sheet_radiance: FloatArray
    floor: FloorTexture
    light: LightRecipe

    def __post_init__(self) -> None:
        freeze(self.sheet_radiance)


def build_scene(floor: Floor, sheet: Sheet, floor_radiance: FloatArray, light: LightRecipe) -> Scene:
    """Join a floor's radiance (n, n, 3), as `light_floor` returns it, with the sheet on top."""
    level = float(np.median(floor.height_mm[::8, ::8]))
    shaded = tabs.shade_floor(floor_radiance, floor.px_per_mm, sheet, light, level)
    texture = floor_texture(floor.height_mm, shaded, floor.px_per_mm)
    return Scene(sheet, light_sheet(sheet, light), texture, light)


def light_sheet(sheet: Sheet, light: LightRecipe) -> FloatArray:
    """Radiance of the sheet on its canvas, (H, W, 3) float32: print times light, with the tabs' shadows."""
    cols, rows = (round(side * LIGHT_PX_PER_MM) for side in CANVAS_MM)
    slope_x, slope_y = _sheet_slopes(sheet, (cols, rows))
    total = np.zeros((rows, cols, 3), np.float32)
    for ray in light_rays(light):
        tilt, level = _facing(sheet, (cols, rows), slope_x, slope_y, ray)
        amount = np.clip(tilt, 0, None) * level
        if sheet.recipe.tabs_up:
            amount *= 1 - tabs.shadow_on_sheet(sheet, ray, LIGHT_PX_PER_MM, (rows, cols))
        for channel, gain in enumerate((1.0, 1.0, 1.0) if ray.direct else light.ambient_rgb):
            total[..., channel] += amount * np.float32(gain)
    height, width = sheet.paper.shape
    return np.asarray(sheet.reflectance * resize(total, (width, height)), dtype=np.float32)


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
