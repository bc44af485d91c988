"""One rendered capture: recipe in, photo files and their truth out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from assessor.simulate.camera import ViewRecipe, place_camera, render_view
from assessor.simulate.floors import Floor, FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe, light_floor
from assessor.simulate.scene import build_scene
from assessor.simulate.sensor import SensorRecipe, Shot, develop, encode
from assessor.simulate.sheet import Sheet, SheetRecipe, make_sheet
from assessor.simulate.truth import TruthRow, truth_rows
from assessor.values import Camera, FloatArray


@dataclass(frozen=True, slots=True)
class CaptureRecipe:
    """Everything that decides a rendered capture; the same recipe gives the same bytes.

    photos: how many, spread over the four sides. tilt_deg and distance_mm are ranges to draw from. breathing:
    spread of the focal length between photos, relative. sides_deg overrides the sides the phone leans to.
    """

    name: str
    floor: FloorRecipe
    light: LightRecipe = field(default_factory=LightRecipe)
    sheet: SheetRecipe = field(default_factory=SheetRecipe)
    sensor: SensorRecipe = field(default_factory=SensorRecipe)
    seed: int = 0
    photos: int = 4
    size_px: tuple[int, int] = (4000, 3000)
    focal_px: float = 2900.0
    k1: float = 0.03
    k2: float = -0.02
    tilt_deg: tuple[float, float] = (12.0, 18.0)
    distance_mm: tuple[float, float] = (300.0, 420.0)
    breathing: float = 0.004
    centre_px: float = 10.0
    aim_mm: float = 8.0
    roll_deg: float = 5.0
    start: str = "2026-03-02T10:00:00"


@dataclass(frozen=True, eq=False)
class RenderedCapture:
    """Photo files by name, with the floor, sheet and cameras they were made from."""

    recipe: CaptureRecipe
    photos: dict[str, bytes]
    floor: Floor
    sheet: Sheet
    cameras: tuple[Camera, ...]

    def truth(self) -> list[TruthRow]:
        """True values of this capture's floor (see `truth.truth_rows`)."""
        return truth_rows(self.floor)


def plan_views(recipe: CaptureRecipe, rng: np.random.Generator) -> list[ViewRecipe]:
    """The capture protocol: one photo from each side in turn, with a person's scatter."""
    views = []
    for k in range(recipe.photos):
        side = 360.0 * k / recipe.photos + 270.0
        views.append(
            ViewRecipe(
                azimuth_deg=side + rng.uniform(-8, 8),
                tilt_deg=rng.uniform(*recipe.tilt_deg),
                distance_mm=rng.uniform(*recipe.distance_mm),
                roll_deg=90.0 + rng.uniform(-1, 1) * recipe.roll_deg,
                aim_mm=(rng.uniform(-1, 1) * recipe.aim_mm, rng.uniform(-1, 1) * recipe.aim_mm),
                focal_px=recipe.focal_px * (1 + rng.uniform(-1, 1) * recipe.breathing),
                centre_offset_px=(
                    rng.uniform(-1, 1) * recipe.centre_px,
                    rng.uniform(-1, 1) * recipe.centre_px,
                ),
                k1=recipe.k1,
                k2=recipe.k2,
            )
        )
    return views


Lighting = Callable[..., FloatArray]  # same arguments and result as light_floor


def render_capture(recipe: CaptureRecipe, *, lighting: Lighting = light_floor) -> RenderedCapture:
    """Render all photos of a capture; `lighting` may be a path tracer with the arguments of `light_floor`."""
    streams = [np.random.default_rng([recipe.seed, k]) for k in range(4)]
    floor = make_floor(recipe.floor, streams[0])
    sheet = make_sheet(recipe.sheet, streams[1])
    radiance = lighting(
        floor.height_mm, floor.albedo_linear, floor.px_per_mm, recipe.light,
        window_half_mm=sheet.layout.window.x_max_mm,
    )  # fmt: skip
    return photograph(recipe, floor, sheet, radiance, streams[2:])


def photograph(
    recipe: CaptureRecipe,
    floor: Floor,
    sheet: Sheet,
    floor_radiance: FloatArray,
    streams: list[np.random.Generator],
) -> RenderedCapture:
    """Take the photos of a floor that is lit already (by `light_floor` or by a path tracer)."""
    scene = build_scene(floor, sheet, floor_radiance, recipe.light)
    cameras, photos = [], {}
    start = datetime.fromisoformat(recipe.start)
    for k, view in enumerate(plan_views(recipe, streams[0])):
        name = f"{recipe.name}-{k + 1}.{recipe.sensor.file_format}"
        camera = place_camera(name, view, recipe.size_px)
        image = render_view(camera, recipe.size_px, scene)
        taken = (start + timedelta(seconds=5 * k)).strftime("%Y:%m:%d %H:%M:%S")
        shot = Shot(view.focal_px, *recipe.size_px, taken_at=taken)
        photos[name] = encode(develop(image, recipe.sensor, streams[1]), shot, recipe.sensor)
        cameras.append(camera)
    return RenderedCapture(recipe, photos, floor, sheet, tuple(cameras))
