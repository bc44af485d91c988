"""Checks of the light itself: open ground, tilted planes, a V-groove and a round pit, by both renderers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import mitsuba_scene
import numpy as np

from assessor.simulate.camera import ViewRecipe, place_camera
from assessor.simulate.light import LightRecipe, light_floor
from assessor.values import FloatArray

PX_PER_MM = 10.0
SIDE_PX = 400
ALBEDO = 0.5
LIGHTS = (
    LightRecipe("overcast"),
    LightRecipe("window", 30.0, 35.0),
    LightRecipe("sun", 140.0, 40.0, direct=0.8),
)
TILT = 0.5  # slope of the tilted planes, toward +x, -x, +y, -y
GROOVE_HALF_MM, PIT_RADIUS_MM = 5.0, 8.0
PIT_SHARE = 0.25  # of the whole sphere that the pit's wall is


@dataclass(frozen=True, slots=True)
class PlaneCheck:
    """Mitsuba's radiance over ours for a level plane and for tilted ones (means over 2 mm), direct light only."""

    light: str
    level: float
    tilted: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class HollowCheck:
    """A hollow's mean radiance seen from above: Mitsuba over ours in direct light, and what bounces add to it."""

    shape: str
    light: str
    direct: float
    ours_added: float
    one_added: float
    all_added: float


def _at() -> FloatArray:
    return (np.arange(SIDE_PX) + 0.5 - SIDE_PX / 2) / PX_PER_MM


def groove() -> FloatArray:
    """A V-groove along y with flanks of 45 degrees, (n, n) float32."""
    depth = np.clip(GROOVE_HALF_MM - np.abs(_at()), 0, None)
    return np.broadcast_to(-depth, (SIDE_PX, SIDE_PX)).astype(np.float32)


def pit() -> FloatArray:
    """Part of a sphere sunk into a plane; its wall is PIT_SHARE of the sphere, (n, n) float32."""
    x = _at()
    square = x[None, :] ** 2 + x[:, None] ** 2
    lift = PIT_RADIUS_MM * (1 - 2 * PIT_SHARE)
    return np.asarray(
        -np.clip(np.sqrt(np.clip(PIT_RADIUS_MM**2 - square, 0, None)) - lift, 0, None), np.float32
    )


def ours(height_mm: FloatArray, light: LightRecipe, inside: FloatArray) -> float:
    """Mean green radiance of our renderer over `inside`, over the albedo."""
    albedo = np.full((*height_mm.shape, 3), ALBEDO, np.float32)
    lit = light_floor(height_mm, albedo, PX_PER_MM, light, window_half_mm=1e3)
    return float(lit[..., 1][inside].mean()) / ALBEDO


def mitsubas(
    height_mm: FloatArray, light: LightRecipe | float, inside: FloatArray, bounces: int, samples: int = 64
) -> float:
    """The same by Mitsuba, through a camera straight above with one pixel a sample."""
    distance = 4000.0  # so that it looks straight down everywhere
    recipe = ViewRecipe(90.0, 0.0, distance, 0.0, focal_px=distance * PX_PER_MM)
    camera = place_camera("above", recipe, (SIDE_PX, SIDE_PX))
    rows, cols = np.nonzero(inside)
    area = (int(cols.min()), int(rows.min()), int(np.ptp(cols)) + 1, int(np.ptp(rows)) + 1)
    view = mitsuba_scene.sensor(camera, (SIDE_PX, SIDE_PX), area)
    scene = mitsuba_scene.open_scene(height_mm, ALBEDO, PX_PER_MM, light, bounces)
    halves = mitsuba_scene.render(scene, view, samples)
    part = inside[area[1] : area[1] + area[3], area[0] : area[0] + area[2]]
    return float((0.5 * (halves[0] + halves[1]))[..., 1][part].mean()) / ALBEDO


def middle(half_mm: float = 1.0) -> FloatArray:
    """The middle square, (n, n) bool."""
    near = np.abs(_at()) < half_mm
    return np.asarray(near[:, None] & near[None, :])


def check_planes() -> list[PlaneCheck]:
    """Level and tilted planes under each kind of light."""
    x = _at()
    result = []
    for light in LIGHTS:
        direct = replace(light, bounce=0.0)
        ratios = []
        for east, north in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)):
            plane = (TILT * (east * x[None, :] - north * x[:, None])).astype(np.float32)
            ratios.append(mitsubas(plane, light, middle(), 0, 256) / ours(plane, direct, middle()))
        result.append(PlaneCheck(light.kind, ratios[0], tuple(ratios[1:])))
    return result


def check_hollows() -> list[HollowCheck]:
    """V-groove and pit under each kind of light."""
    x = _at()
    along = np.abs(x) < 2.0
    spots = {
        "V-groove, 45 degrees": (groove(), (np.abs(x) < GROOVE_HALF_MM)[None, :] & along[:, None]),
        "pit, a quarter sphere": (pit(), pit() < 0),
    }
    result = []
    for name, (height, inside) in spots.items():
        for light in LIGHTS:
            bare, full = ours(height, replace(light, bounce=0.0), inside), ours(height, light, inside)
            traced = [mitsubas(height, light, inside, n) for n in (0, 1, mitsuba_scene.BOUNCES)]
            result.append(
                HollowCheck(
                    name, light.kind, traced[0] / bare, full / bare - 1,
                    traced[1] / traced[0] - 1, traced[2] / traced[0] - 1,
                )
            )  # fmt: skip
    return result


def print_checks() -> dict[str, list[PlaneCheck] | list[HollowCheck]]:
    """Run both and print their tables."""
    planes, hollows = check_planes(), check_hollows()
    print(f"Light on planes, Mitsuba over ours (direct; tilted: slope {TILT} up toward +x -x +y -y)")
    for p in planes:
        print(f"  {p.light:9s} level {p.level:.4f}   tilted {'  '.join(f'{t:.4f}' for t in p.tilted)}")
    print(
        f"Light in hollows of reflectance {ALBEDO}: direct, Mitsuba over ours; what bounces add to the direct light"
    )
    for h in hollows:
        print(f"  {h.shape:22s} {h.light:9s} direct {h.direct:.4f}   ours {h.ours_added:+.3f}   "
              f"one bounce {h.one_added:+.3f}   all {h.all_added:+.3f}")  # fmt: skip
    return {"planes": planes, "hollows": hollows}
