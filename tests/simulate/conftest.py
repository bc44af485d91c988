"""Small scenes shared by the simulator's tests: 1.9 MP photos of coarse floors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.simulate.camera import ViewRecipe, place_camera
from assessor.simulate.floors import Floor, FloorRecipe
from assessor.simulate.light import LightRecipe, light_floor
from assessor.simulate.march import floor_texture
from assessor.simulate.scene import Scene, build_scene
from assessor.simulate.sheet import SheetRecipe, make_sheet
from assessor.simulate.stones import Stones
from assessor.values import Camera, FloatArray

PX_PER_MM = 8.0
SIZE_PX = (1600, 1200)


def floor_of(height_mm: FloatArray, reflectance: float | FloatArray = 0.3) -> Floor:
    """A floor with given heights and grey reflectance."""
    n = height_mm.shape[0]
    albedo = np.empty((n, n, 3), np.float32)
    albedo[...] = np.asarray(reflectance, np.float32)[..., None]
    stones = Stones(np.zeros((n, n), np.int32), np.zeros((n, n), np.float32), np.zeros(0))
    recipe = FloorRecipe("flat", 0.0, px_per_mm=PX_PER_MM)
    return Floor(height_mm.astype(np.float32), albedo, stones, PX_PER_MM, None, recipe)


def scene_of(floor: Floor, light: LightRecipe, sheet: SheetRecipe, seed: int = 1) -> Scene:
    """Lit scene of a floor under a sheet."""
    laid = make_sheet(sheet, np.random.default_rng(seed))
    radiance = light_floor(floor.height_mm, floor.albedo_linear, floor.px_per_mm, light, window_half_mm=60.0)
    return build_scene(floor, laid, radiance, light)


def camera_at(azimuth_deg: float, tilt_deg: float = 15.0, *, k1: float = 0.0, k2: float = 0.0) -> Camera:
    """A small phone camera over the window."""
    view = ViewRecipe(azimuth_deg, tilt_deg, 330.0, focal_px=1160.0, k1=k1, k2=k2, roll_deg=93.0)
    return place_camera("view", view, SIZE_PX)


@pytest.fixture(scope="session")
def flat_scene() -> Scene:
    """A level floor 1 mm down under a bowed, stretched print without ink spread."""
    n = round(140 * PX_PER_MM)
    sheet = SheetRecipe(
        serial=1234, scale_x=0.98, scale_y=1.01, bow_mm=(0.8, 0.1, -0.5), ink_spread_mm=0.0, cut_mm=0.0
    )
    return scene_of(floor_of(np.full((n, n), -1.0, np.float32)), LightRecipe("overcast"), sheet)


def with_floor(scene: Scene, floor: Floor) -> Scene:
    """The same sheet over another floor, evenly lit (radiance = reflectance)."""
    return replace(scene, floor=floor_texture(floor.height_mm, floor.albedo_linear, floor.px_per_mm))
