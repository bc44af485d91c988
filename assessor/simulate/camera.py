"""What one phone camera sees of sheet and floor, as linear light per pixel.

Every pixel's ray starts in the camera's centre C, so the point it passes at height z is P0 + (C - P0) z /
C_z, with P0 its foot on the card plane. Sheet: a few fixed-point steps on the bowed paper. Floor: a march
down that line until the height field is met, at two by two rays a pixel. With a rolling shutter every row of
the picture has its own pose, and so its own C.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from assessor.simulate.film import film_shine
from assessor.simulate.gloss import shine
from assessor.simulate.imaging import blur, resize, sample
from assessor.simulate.march import SURROUND_PX_PER_MM, FloorTexture, march_floor
from assessor.simulate.scene import Scene
from assessor.simulate.sheet import CANVAS_MM, CANVAS_PX_PER_MM, Sheet
from assessor.simulate.tabs import draw_tabs
from assessor.values import Camera, FloatArray, freeze

STRIDE = 8  # rays are computed exactly on every eighth pixel; between them they bend by less than 0.001 px
SURROUND_MM = -1.0  # level of the plain concrete round the sheet
Area = tuple[int, int, int, int]  # x0, y0, width, height in pixels


@dataclass(frozen=True, slots=True)
class ViewRecipe:
    """Where the phone is held.

    azimuth_deg: side of the card the camera leans to, counter-clockwise from +x; tilt_deg from straight down,
    distance_mm from the aim point. roll_deg turns the picture: at 0 its right is card +x for a camera looking
    straight down. aim_mm: what the optical axis meets on the card plane.
    """

    azimuth_deg: float
    tilt_deg: float = 15.0
    distance_mm: float = 350.0
    roll_deg: float = 90.0
    aim_mm: tuple[float, float] = (0.0, 0.0)
    focal_px: float = 2900.0
    centre_offset_px: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    k2: float = 0.0


def place_camera(name: str, view: ViewRecipe, size_px: tuple[int, int]) -> Camera:
    """Camera of a view; size_px is (width, height)."""
    azimuth, tilt, roll = (np.deg2rad(a) for a in (view.azimuth_deg, view.tilt_deg, view.roll_deg))
    aim = np.array([*view.aim_mm, 0.0])
    lean = np.array([np.cos(azimuth) * np.sin(tilt), np.sin(azimuth) * np.sin(tilt), np.cos(tilt)])
    position = aim + view.distance_mm * lean
    forward = -lean
    right = np.array([np.cos(roll), np.sin(roll), 0.0])
    right -= forward * (right @ forward)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    dx, dy = view.centre_offset_px
    centre = ((size_px[0] - 1) / 2 + dx, (size_px[1] - 1) / 2 + dy)
    return Camera(name, view.focal_px, centre, view.k1, view.k2, rotation, -rotation @ position)


def feet_on_card(camera: Camera, x_px: FloatArray, y_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where the rays of pixels meet the card plane, mm (x, y); the inverse of `Camera.project` at z = 0."""
    return _meet(camera.position_mm, _rays(camera, x_px, y_px) @ camera.camera_from_card)


def _rays(camera: Camera, x_px: FloatArray, y_px: FloatArray) -> FloatArray:
    """Directions of pixels in the camera's axes, (..., 3) with z = 1."""
    xd = (x_px - camera.centre_px[0]) / camera.focal_px
    yd = (y_px - camera.centre_px[1]) / camera.focal_px
    x, y = xd.copy(), yd.copy()
    for _ in range(12):
        r2 = x * x + y * y
        radial = 1.0 + r2 * (camera.k1 + r2 * camera.k2)
        x, y = xd / radial, yd / radial
    return np.stack([x, y, np.ones_like(x)], axis=-1)


def _meet(centre: FloatArray, ray: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where rays (..., 3) in the card frame from centres (3,) or (..., 3) meet z = 0."""
    reach = -centre[..., 2] / np.minimum(ray[..., 2], -1e-6)
    return centre[..., 0] + reach * ray[..., 0], centre[..., 1] + reach * ray[..., 1]


@dataclass(frozen=True, eq=False)
class Motion:
    """How a phone moves while its rows are read from top to bottom, per frame time.

    velocity_mm (3,) of its centre in the card frame; turn_rad (3,) turns the camera about its own axes (x right,
    y down, z forward).
    """

    velocity_mm: FloatArray
    turn_rad: FloatArray

    def __post_init__(self) -> None:
        for array in (self.velocity_mm, self.turn_rad):
            freeze(array)


STILL = Motion(np.zeros(3), np.zeros(3))


@dataclass(frozen=True, eq=False)
class Shutter:
    """A camera whose rows are read one after another: `camera` is its pose at the middle row of `rows`."""

    camera: Camera
    motion: Motion
    rows: int

    def share(self, y_px: FloatArray) -> FloatArray:
        """Time at which a row is read, in frame times from the middle row: -0.5 to 0.5."""
        return np.asarray((np.asarray(y_px, dtype=np.float64) - (self.rows - 1) / 2) / self.rows)

    def at(self, y_px: float) -> Camera:
        """Camera at the moment at which one row is read."""
        share = float(self.share(np.array(y_px)))
        turn: FloatArray = np.asarray(cv2.Rodrigues(np.asarray(-share * self.motion.turn_rad))[0])
        rotation = turn @ self.camera.camera_from_card
        position = self.camera.position_mm + share * self.motion.velocity_mm
        return replace(self.camera, camera_from_card=rotation, shift_mm=-rotation @ position)

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Project (n, 3) points in mm, each by the pose of the row it falls on, to (n, 2) pixels."""
        seen = self.camera.project(points_mm)
        if self.motion is STILL:
            return seen
        for _ in range(3):
            seen = np.stack([self.at(row).project(p) for p, row in zip(points_mm, seen[:, 1], strict=True)])
        return seen

    def centres(self, y_px: FloatArray) -> FloatArray:
        """Camera centre of rows, (..., 3) mm; (3,) for a phone at rest."""
        if self.motion is STILL:
            return self.camera.position_mm
        return np.asarray(self.camera.position_mm + self.share(y_px)[..., None] * self.motion.velocity_mm)

    def feet(self, x_px: FloatArray, y_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where the rays of pixels meet the card plane, mm (x, y); the inverse of `project` at z = 0."""
        if self.motion is STILL:
            return feet_on_card(self.camera, x_px, y_px)
        ray = _rays(self.camera, x_px, y_px)
        share = self.share(y_px)[..., None]
        # Rodrigues' formula, the other way round than in `at`: from the row's axes to the middle row's.
        angle = float(np.linalg.norm(self.motion.turn_rad))
        axis = self.motion.turn_rad / max(angle, 1e-12)
        cosine, sine = np.cos(share * angle), np.sin(share * angle)
        ray = ray * cosine + np.cross(axis, ray) * sine + axis * (ray @ axis)[..., None] * (1 - cosine)
        return _meet(self.centres(y_px), ray @ self.camera.camera_from_card)


def render_view(camera: Camera, size_px: tuple[int, int], scene: Scene, motion: Motion = STILL) -> FloatArray:
    """Linear radiance of one photo before lens and sensor, (H, W, 3) float32; 1 = white in the open."""
    shutter = Shutter(camera, motion, size_px[1])
    image = _surround(shutter, size_px, scene.floor)
    _draw_window(image, shutter, scene)
    _draw_sheet(image, shutter, scene)
    draw_tabs(image, shutter, scene.sheet, scene.light, scene.body, caster=scene.caster)
    return image


Bend = Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def _dense(shutter: Shutter, area: Area, rays_per_px: float, bend: Bend) -> tuple[FloatArray, FloatArray]:
    """Evaluate bend(feet x, feet y, centres) on a coarse grid over an area; enlarge to rays_per_px each way."""
    x0, y0, width, height = area
    cols, rows = -(-width // STRIDE) + 2, -(-height // STRIDE) + 2
    grid_x, grid_y = np.meshgrid(
        x0 - 0.5 + (np.arange(cols) - 0.5) * STRIDE, y0 - 0.5 + (np.arange(rows) - 0.5) * STRIDE
    )
    fine = round(STRIDE * rays_per_px)
    inner = (
        slice(fine, fine + round(height * rays_per_px)),
        slice(fine, fine + round(width * rays_per_px)),
    )
    bent = bend(*shutter.feet(grid_x, grid_y), shutter.centres(grid_y))
    first, second = (resize(part, (cols * fine, rows * fine))[inner] for part in bent)
    return first, second


def _area(shutter: Shutter, sheet: Sheet, size_px: tuple[int, int], half_mm: tuple[float, float]) -> Area:
    """Box in pixels round a drawn rectangle about the window's centre; clipped to the photo."""
    x, y = half_mm[0] * sheet.recipe.scale_x, half_mm[1] * sheet.recipe.scale_y
    rim = shutter.project(np.array([[a, b, z] for a in (-x, 0, x) for b in (-y, 0, y) for z in (-2.0, 2.0)]))
    x0, y0 = (int(np.clip(v - 2, 0, side)) for v, side in zip(rim.min(0), size_px, strict=True))
    x1, y1 = (int(np.clip(v + 3, 0, side)) for v, side in zip(rim.max(0), size_px, strict=True))
    return x0, y0, x1 - x0, y1 - y0


def _draw_sheet(image: FloatArray, shutter: Shutter, scene: Scene) -> None:
    """Lay the sheet over image, in place."""
    sheet, camera = scene.sheet, shutter.camera
    x0, y0, width, height = area = _area(
        shutter, sheet, (image.shape[1], image.shape[0]), (CANVAS_MM[0] / 2, CANVAS_MM[1] / 2)
    )
    if width == 0 or height == 0:
        return

    def on_sheet(x: FloatArray, y: FloatArray, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
        px, py = x, y
        for _ in range(4):
            z = sheet.z_at(px, py) / centre[..., 2]
            px, py = x + (centre[..., 0] - x) * z, y + (centre[..., 1] - y) * z
        return (
            (px / sheet.recipe.scale_x + CANVAS_MM[0] / 2) * CANVAS_PX_PER_MM - 0.5,
            (CANVAS_MM[1] / 2 - py / sheet.recipe.scale_y) * CANVAS_PX_PER_MM - 0.5,
        )

    col, row = _dense(shutter, area, 1, on_sheet)
    # A pixel averages over its footprint; a box one pixel wide has a standard deviation of 0.29 px.
    sd = 0.29 * float(np.linalg.norm(camera.position_mm)) / camera.focal_px * CANVAS_PX_PER_MM
    cover = sample(blur(sheet.paper, sd), col, row, cv2.BORDER_CONSTANT)[..., None]
    paper = sample(blur(scene.sheet_radiance, sd), col, row)
    part = image[y0 : y0 + height, x0 : x0 + width]
    paper -= part
    paper *= cover
    part += paper


def _surround(shutter: Shutter, size_px: tuple[int, int], floor: FloorTexture) -> FloatArray:
    """Plain concrete round the sheet on a level plane; at half density, since it is never measured."""
    rows, cols = floor.surround.shape[:2]

    def below(x: FloatArray, y: FloatArray, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
        lower = SURROUND_MM / centre[..., 2]
        px, py = x + (centre[..., 0] - x) * lower, y + (centre[..., 1] - y) * lower
        return px * SURROUND_PX_PER_MM + (cols - 1) / 2, (rows - 1) / 2 - py * SURROUND_PX_PER_MM

    even = (size_px[0] + size_px[0] % 2, size_px[1] + size_px[1] % 2)
    half = sample(floor.surround, *_dense(shutter, (0, 0, *even), 0.5, below), cv2.BORDER_REFLECT)
    return resize(half, size_px)


def _draw_window(image: FloatArray, shutter: Shutter, scene: Scene) -> None:
    """Draw the floor as seen through the window, and a little beyond its rim, into image in place."""
    floor, sheet = scene.floor, scene.sheet
    # The cut and the bow move the window's rim by up to this much.
    half = (sheet.layout.window.x_max_mm + 2.0, sheet.layout.window.y_max_mm + 2.0)
    x0, y0, width, height = area = _area(shutter, sheet, (image.shape[1], image.shape[0]), half)
    if width == 0 or height == 0:
        return
    foot_x, foot_y = _dense(shutter, area, 2, lambda a, b, _: (a, b))
    # A ray's slant changes with its centre by a thousandth at most, so a block of rows shares one.
    rows = y0 - 0.25 + 0.5 * np.arange(2 * height)
    x, y = march_floor(foot_x, foot_y, shutter.centres(rows), floor)
    seen = sample(floor.radiance, *floor.pixels(x, y))
    if scene.light.gloss > 0 or scene.gloss is not None:
        seen += shine(x, y, shutter.camera, scene)[..., None]
    if scene.films:
        seen += film_shine(x, y, shutter.camera, scene)
    seen = resize(seen, (width, height), cv2.INTER_AREA)
    inside = np.abs(foot_x[::2, ::2]) < half[0] * sheet.recipe.scale_x
    inside &= np.abs(foot_y[::2, ::2]) < half[1] * sheet.recipe.scale_y
    np.copyto(image[y0 : y0 + height, x0 : x0 + width], seen, where=inside[..., None])
