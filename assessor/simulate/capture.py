"""One rendered capture: recipe in, photo files and their truth out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from assessor.simulate.body import Body, BodyRecipe, place_body
from assessor.simulate.camera import STILL, Motion, ViewRecipe, place_camera, render_view
from assessor.simulate.caster import Caster, CasterRecipe
from assessor.simulate.files import Shot, encode, zoom_in
from assessor.simulate.floors import Floor, FloorRecipe, make_floor
from assessor.simulate.light import LightRecipe, direct_share, light_floor, sky_seen
from assessor.simulate.scene import Scene, build_scene, build_torch_scene, cast_shadow, shade_scene
from assessor.simulate.sensor import SensorRecipe, develop
from assessor.simulate.sheet import Sheet, SheetRecipe, make_sheet
from assessor.simulate.slips import (
    Slip,
    lifted_sheet,
    moved_floor,
    sent_camera,
    slipped_light,
    slipped_view,
    zoomed_camera,
)
from assessor.simulate.tag import LaidTag, lay_tags
from assessor.simulate.torchlight import TorchRecipe, torch_shots
from assessor.simulate.truth import TruthRow, quick_rows, truth_rows
from assessor.values import Camera, FloatArray, Kind

EXPOSURE_S = 1 / 120
DIM_EXPOSURE_S = 1 / 15  # in the dim room of a torch capture
FULLEST = 0.95  # an automatic exposure keeps white paper below this level of the raw


@dataclass(frozen=True, slots=True)
class CaptureRecipe:
    """Everything that decides a rendered capture; the same recipe gives the same bytes.

    photos: how many, spread over the four sides. tilt_deg and distance_mm are ranges to draw from. breathing:
    spread of the focal length between photos, relative, that EXIF doesn't tell; centre_px: of the principal
    point. sides_deg overrides the sides the phone leans to. rolling_mm, rolling_deg: how far the phone moves and
    turns in one frame time while its rows are read, in a direction drawn for each photo. exposure_ev: spread of
    the automatic exposure, told in EXIF. body: the photographer. slips: what goes wrong in single photos. torch: the
    torch photos, which come after the others; with photos = 0 they are all there is. again: one more photo from about
    the first one's place. low_photo: one more from the side opposite the strongest light, held low and looking toward
    it, low_tilt_deg from straight down and low_mm away. casters: who stands in the light of each photo. tags: laid
    beside the sheet, the same in all photos.
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
    sides_deg: tuple[float, ...] | None = None
    rolling_mm: float = 0.0
    rolling_deg: float = 0.0
    exposure_ev: float = 0.0
    body: BodyRecipe | None = None
    slips: tuple[Slip, ...] = ()
    torch: TorchRecipe | None = None
    again: bool = False
    low_photo: bool = False
    low_tilt_deg: tuple[float, float] = (50.0, 62.0)
    low_mm: tuple[float, float] = (430.0, 520.0)
    casters: tuple[CasterRecipe | None, ...] = ()
    tags: tuple[LaidTag, ...] = ()

    @property
    def kind(self) -> Kind:
        """What the crew shot: one photo (single), angles, torch or both (fused)."""
        if self.torch is None:
            return "single" if self.photos == 1 else "angles"
        return "fused" if self.photos else "torch"

    @property
    def quick(self) -> bool:
        """Whether it can only be estimated: one photo, or two with the torch on opposite sides."""
        return self.kind == "single" or (
            self.kind == "torch" and self.torch is not None and self.torch.lights == 2
        )


@dataclass(frozen=True, eq=False)
class RenderedCapture:
    """Photo files by name, with the floor, sheet and what each photo was made with.

    cameras: of the file's own pixels, at its middle row. motions, lights, bodies: one a photo.
    """

    recipe: CaptureRecipe
    photos: dict[str, bytes]
    floor: Floor
    sheet: Sheet
    cameras: tuple[Camera, ...]
    motions: tuple[Motion, ...] = ()
    lights: tuple[LightRecipe, ...] = ()
    bodies: tuple[Body | None, ...] = ()

    def truth(self) -> list[TruthRow]:
        """True values of this capture's floor (see `truth.truth_rows` and `truth.quick_rows`)."""
        return quick_rows(self.floor) if self.recipe.quick else truth_rows(self.floor, self.recipe.kind)


def plan_views(recipe: CaptureRecipe, rng: np.random.Generator) -> list[ViewRecipe]:
    """The capture protocol: one photo from each side in turn, with a person's scatter."""
    views = []
    for k in range(recipe.photos):
        side = 360.0 * k / recipe.photos + 270.0
        if recipe.sides_deg is not None:
            side = recipe.sides_deg[k % len(recipe.sides_deg)]
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


def extra_views(recipe: CaptureRecipe, views: list[ViewRecipe]) -> list[ViewRecipe]:
    """The photos beside those of the protocol: the first one again, and the low one toward the light."""
    rng = np.random.default_rng([recipe.seed, 30])  # so that the other photos stay as they are
    extra = []
    if recipe.again:
        first = views[0]
        extra.append(
            replace(
                first,
                azimuth_deg=first.azimuth_deg + rng.uniform(-12, 12),
                tilt_deg=first.tilt_deg + rng.uniform(-3, 3),
                distance_mm=first.distance_mm * rng.uniform(0.95, 1.05),
                aim_mm=(first.aim_mm[0] + rng.uniform(-6, 6), first.aim_mm[1] + rng.uniform(-6, 6)),
            )
        )
    if recipe.low_photo:
        side = recipe.light.azimuth_deg + 180.0 + rng.uniform(-6, 6)
        extra.append(
            ViewRecipe(
                azimuth_deg=side % 360,
                tilt_deg=rng.uniform(*recipe.low_tilt_deg),
                distance_mm=rng.uniform(*recipe.low_mm),
                # Level with the horizon: the far side of the sheet is up.
                roll_deg=side + 90.0 + rng.uniform(-4, 4),
                aim_mm=(rng.uniform(-10, 10), rng.uniform(-10, 10)),
                focal_px=recipe.focal_px * (1 + rng.uniform(-1, 1) * recipe.breathing),
                k1=recipe.k1,
                k2=recipe.k2,
            )
        )
    return extra


def plan_shots(recipe: CaptureRecipe, rng: np.random.Generator) -> list[tuple[ViewRecipe, Slip]]:
    """View of every photo and what differs in it: those from the sides first, then those with the torch."""
    slips = {slip.photo: slip for slip in recipe.slips}
    views = plan_views(recipe, rng)
    views += extra_views(recipe, views)
    shots = [(view, slips.get(k, Slip(k))) for k, view in enumerate(views)]
    if recipe.torch is not None:
        # A stream of its own, so that the other photos stay as they are.
        own = np.random.default_rng([recipe.seed, 20])
        lens = ViewRecipe(0.0, focal_px=recipe.focal_px, k1=recipe.k1, k2=recipe.k2)
        for view, shot in torch_shots(recipe.torch, recipe.light, lens, own, first=recipe.photos):
            spoilt = slips.get(shot.photo, shot)
            shots.append(
                (
                    view,
                    replace(
                        shot,
                        taken_s=5.0 * recipe.photos + (shot.taken_s or 0.0),
                        card_mm=spoilt.card_mm,
                        lift_mm=spoilt.lift_mm,
                        lift_side=spoilt.lift_side,
                        defocus_px=spoilt.defocus_px,
                    ),
                )
            )
    return shots


Lighting = Callable[..., FloatArray]  # same arguments and result as light_floor


class _Studio:
    """Lights and lays the scene anew where a photo needs it, and keeps what several photos share."""

    def __init__(self, recipe: CaptureRecipe, floor: Floor, sheet: Sheet, lighting: Lighting) -> None:
        self.recipe, self.floor, self.sheet, self.lighting = recipe, floor, sheet, lighting
        self.scenes: dict[tuple[object, ...], Scene] = {}
        self.rooms: dict[tuple[object, ...], tuple[FloatArray, FloatArray]] = {}

    def light(self, floor: Floor, light: LightRecipe, open_sky: FloatArray | None = None) -> FloatArray:
        more = {} if open_sky is None else {"open_sky": open_sky}
        return self.lighting(
            floor.height_mm, floor.albedo_linear, floor.px_per_mm, light,
            window_half_mm=self.sheet.window_half_mm, **more,
        )  # fmt: skip

    def torch_scene(self, floor: Floor, sheet: Sheet, light: LightRecipe, slip: Slip) -> Scene:
        """One torch photo's scene; the room's light is the same in all of them and done once."""
        room = light.room or LightRecipe()
        key = (room, slip.card_mm)
        if key not in self.rooms:
            half = self.sheet.window_half_mm
            seen = sky_seen(floor.height_mm, floor.px_per_mm, window_half_mm=half)
            self.rooms = {key: (self.light(floor, room), seen)}
        room_radiance, seen = self.rooms[key]
        torch_radiance = self.light(floor, replace(light, direct=1.0), seen)
        return build_torch_scene(floor, sheet, torch_radiance, room_radiance, light)

    def scene(self, light: LightRecipe, slip: Slip, radiance: FloatArray | None = None) -> Scene:
        if light.room is not None:
            floor, sheet = self._moved(slip)
            return self.torch_scene(floor, sheet, light, slip)
        key = (light, slip.card_mm, slip.lift_mm, slip.lift_side)
        if key not in self.scenes:
            floor, sheet = self._moved(slip)
            share, ambient = direct_share(light), None
            if radiance is None:
                radiance = self.light(floor, light)
            if (self.recipe.body is not None or self.recipe.casters) and share > 0:
                ambient = self.light(floor, replace(light, direct=0.0)) * np.float32(1 - share)
            self.scenes[key] = build_scene(floor, sheet, radiance, light, ambient)
        return self.scenes[key]

    def _moved(self, slip: Slip) -> tuple[Floor, Sheet]:
        floor = moved_floor(self.floor, slip.card_mm) if any(slip.card_mm) else self.floor
        return floor, lifted_sheet(self.sheet, slip) if slip.lift_mm else self.sheet


def render_capture(recipe: CaptureRecipe, *, lighting: Lighting = light_floor) -> RenderedCapture:
    """Render all photos of a capture; `lighting` may be a path tracer with the arguments of `light_floor`."""
    streams = [np.random.default_rng([recipe.seed, k]) for k in range(4)]
    floor = make_floor(recipe.floor, streams[0])
    sheet = make_sheet(recipe.sheet, streams[1])
    return photograph(recipe, floor, sheet, None, streams[2:], lighting=lighting)


def photograph(
    recipe: CaptureRecipe,
    floor: Floor,
    sheet: Sheet,
    floor_radiance: FloatArray | None,
    streams: list[np.random.Generator],
    *,
    lighting: Lighting = light_floor,
) -> RenderedCapture:
    """Take the photos; floor_radiance is the floor lit by the recipe's light, None to light it here.

    streams: for the views and for the noise. What faults draw comes from streams of their own, so that switching
    one on changes nothing else.
    """
    studio = _Studio(recipe, floor, sheet, lighting)
    if floor_radiance is not None:
        studio.scene(recipe.light, Slip(0), floor_radiance)
    own = {
        key: np.random.default_rng([recipe.seed, 10 + k]) for k, key in enumerate(("move", "body", "shot"))
    }
    photos, cameras, motions, lights, bodies = {}, [], [], [], []
    for k, (planned, slip) in enumerate(plan_shots(recipe, streams[0])):
        view = slipped_view(planned, slip)
        light = slipped_light(recipe.light, slip, view)
        scene = studio.scene(light, slip)
        motion, body = _motion(recipe, own["move"]), None
        if recipe.body is not None and k < recipe.photos:
            body = place_body(recipe.body, view.azimuth_deg, _main_azimuth(light), own["body"])
            scene = shade_scene(scene, body)
        if (caster := caster_of(recipe, k, light)) is not None:
            scene = cast_shadow(scene, caster)
        name = f"{recipe.name}-{k + 1}.{recipe.sensor.file_format}"
        camera = place_camera(name, view, recipe.size_px)
        image = render_view(camera, recipe.size_px, scene, motion)
        lay_tags(image, camera, recipe.tags, light)
        photos[name] = _file(image, recipe, slip, streams[1], own["shot"])
        if slip.zoom != 1:
            camera = zoomed_camera(camera, recipe.size_px, slip.zoom)
        cameras.append(sent_camera(camera, recipe.size_px, recipe.sensor.sent_px))
        motions.append(motion)
        lights.append(light)
        bodies.append(body)
    return RenderedCapture(
        recipe, photos, floor, sheet, tuple(cameras), tuple(motions), tuple(lights), tuple(bodies)
    )


def caster_of(recipe: CaptureRecipe, photo: int, light: LightRecipe) -> Caster | None:
    """Who stands in the light of a photo, counted from 0."""
    here = recipe.casters[photo] if photo < len(recipe.casters) else None
    return None if here is None or direct_share(light) <= 0 else Caster(here, light)


def _main_azimuth(light: LightRecipe) -> float | None:
    return light.azimuth_deg if light.kind == "window" or direct_share(light) > 0 else None


def _motion(recipe: CaptureRecipe, rng: np.random.Generator) -> Motion:
    if not recipe.rolling_mm and not recipe.rolling_deg:
        return STILL
    ways = rng.standard_normal((2, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    return Motion(recipe.rolling_mm * ways[0], np.deg2rad(recipe.rolling_deg) * ways[1])


def _file(
    image: FloatArray,
    recipe: CaptureRecipe,
    slip: Slip,
    noise: np.random.Generator,
    own: np.random.Generator,
) -> bytes:
    """Develop and write one photo."""
    sensor = recipe.sensor
    stops = float(own.uniform(-1, 1)) * recipe.exposure_ev
    nudge, hue, millisecond = own.normal(0, 0.03, 2), own.normal(1, 0.05, 3), int(own.integers(1000))
    red, green, blue = (float(a * b) for a, b in zip(sensor.shading_rgb, hue, strict=True))
    exposure = min(sensor.exposure * 2**stops, max(FULLEST, sensor.exposure))
    if slip.exposure is not None:
        exposure = slip.exposure
    sensor = replace(
        sensor,
        exposure=exposure * slip.brightness,
        # Stabiliser and focus move the lens over the sensor: its shading is never twice the same.
        shading_centre=(sensor.shading_centre[0] + nudge[0], sensor.shading_centre[1] + nudge[1]),
        shading_rgb=(red, green, blue),
        defocus_px=sensor.defocus_px if slip.defocus_px is None else slip.defocus_px,
    )
    if slip.white_rgb != (1.0, 1.0, 1.0):
        image = image * np.array(slip.white_rgb, np.float32)
    picture = develop(image, sensor, noise)
    if slip.zoom != 1:
        picture = zoom_in(picture, slip.zoom)
    usual_s = EXPOSURE_S if recipe.torch is None else DIM_EXPOSURE_S
    taken = datetime.fromisoformat(recipe.start) + timedelta(
        seconds=5 * slip.photo if slip.taken_s is None else slip.taken_s
    )
    shot = Shot(
        recipe.focal_px * slip.focal_ratio, *recipe.size_px, taken_at=taken.strftime("%Y:%m:%d %H:%M:%S"),
        exposure_s=usual_s * exposure / recipe.sensor.exposure, subsecond=f"{millisecond:03d}",
        lens_model=slip.lens_model, zoom=slip.zoom, flash=slip.flash, rational=recipe.torch is not None,
    )  # fmt: skip
    return encode(
        picture, shot, file_format=sensor.file_format, quality=sensor.quality,
        exif=sensor.exif and not slip.no_exif, sent_px=sensor.sent_px,
    )  # fmt: skip
