"""The whole scene: lit sheet and lit floor of one capture, ready for the cameras.

`light_floor` (or a path tracer with the same arguments) lights the floor; here the sheet is lit and the tabs are
stood up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from assessor.simulate import tabs
from assessor.simulate.floors import Floor
from assessor.simulate.light import LightRecipe, light_rays
from assessor.simulate.march import FloorTexture, floor_texture
from assessor.simulate.sheet import CANVAS_MM, Sheet
from assessor.values import FloatArray, freeze

LIGHT_PX_PER_MM = 4.0


@dataclass(frozen=True, eq=False)
class Scene:
    """What cameras look at: sheet, its radiance on the drawing canvas, the lit floor, and the light on the tabs."""

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
    return Scene(
        sheet, light_sheet(sheet, light), floor_texture(floor.height_mm, shaded, floor.px_per_mm), light
    )


def light_sheet(sheet: Sheet, light: LightRecipe) -> FloatArray:
    """Radiance of the sheet on its canvas, (H, W, 3) float32: print times light, with the tabs' shadows."""
    rays = light_rays(light)
    slope = _sheet_slopes(sheet)
    cols, rows = (round(side * LIGHT_PX_PER_MM) for side in CANVAS_MM)
    total = np.zeros((rows, cols, 3), np.float32)
    for ray in rays:
        flat = np.float32(1 / np.tan(ray.elevation))
        tilt = 1 - flat * (
            slope[0] * np.float32(np.cos(ray.azimuth)) + slope[1] * np.float32(np.sin(ray.azimuth))
        )
        amount = np.clip(tilt, 0, None) * np.float32(ray.share)
        if sheet.recipe.tabs_up:
            amount *= 1 - tabs.shadow_on_sheet(sheet, ray, LIGHT_PX_PER_MM, (rows, cols))
        colour = (1.0, 1.0, 1.0) if ray.direct else light.ambient_rgb
        for channel in range(3):
            total[..., channel] += amount * np.float32(colour[channel])
    height, width = sheet.paper.shape
    return np.asarray(
        sheet.reflectance * cv2.resize(total, (width, height), interpolation=cv2.INTER_LINEAR),
        dtype=np.float32,
    )


def _sheet_slopes(sheet: Sheet) -> tuple[FloatArray, FloatArray]:
    """dz/dx, dz/dy of the sheet at the light density."""
    dz_row, dz_col = np.gradient(sheet.z_mm)
    size = tuple(round(side * LIGHT_PX_PER_MM) for side in CANVAS_MM)
    return (
        cv2.resize(dz_col / np.float32(sheet.recipe.scale_x), size),
        cv2.resize(-dz_row / np.float32(sheet.recipe.scale_y), size),
    )
