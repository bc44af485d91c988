"""Photos of a zone from standing height: sheets on a large floor, a person's shadow, uneven light, a phone's camera.

The floor is a plane with colour (`zone_floor`, `zone_marks`); each pixel looks the plane up where its ray meets it.
Sheets are looked up in their own drawing, so their edges are as sharp as the camera makes them. Truth is kept in mm in
the frame of the lowest-numbered sheet.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from assessor.card.layout import PAPERS_MM, card_layout
from assessor.card.raster import card_raster, marker_bits, paper_mask
from assessor.card.zone_sheet import ABOVE_MIDDLE_MM, CARD_NAME, zone_sheet
from assessor.simulate.files import Shot, encode
from assessor.simulate.imaging import blur, resize
from assessor.simulate.sensor import SensorRecipe, develop
from assessor.simulate.zone_floor import ZoneFloor, ZoneFloorRecipe, make_zone_floor
from assessor.simulate.zone_marks import MarksRecipe, TrueMarks, paint_marks
from assessor.values import Camera, FloatArray, U8Array

PAPER, INK = 0.86, 0.045  # linear reflectance of matt paper and of toner or ink (from memory, verify)
SHEET_PX_PER_MM = 2.0
_STEP = 8  # pixels between the nodes of the rays' grid; between them it is as good as straight


@dataclass(frozen=True, slots=True)
class TrueSheet:
    """A sheet on the floor: "1"-"24" or "card", its frame's origin and turn in sheet 1's frame; print_scale of both."""

    name: str
    x_mm: float
    y_mm: float
    turn_deg: float


@dataclass(frozen=True, slots=True)
class View:
    """One photo: where the person stands, where the phone looks (mm, floor frame), its height and roll."""

    foot_mm: tuple[float, float]
    target_mm: tuple[float, float]
    height_mm: float
    roll_deg: float


@dataclass(frozen=True, slots=True)
class ZoneLight:
    """Light on the floor: log gradient over the zone (x, y and a bow, per 4 m), and a sun for the person's shadow.

    sun_share 0: none. azimuth_deg: toward the sun; elevation_deg above the floor.
    """

    gradient: tuple[float, float, float] = (0.2, -0.1, 0.05)
    sun_share: float = 0.0
    azimuth_deg: float = 200.0
    elevation_deg: float = 40.0


@dataclass(frozen=True, slots=True)
class ZoneRecipe:
    """One zone and all photos of it. size_px and focal_px: the camera's; k1 its distortion."""

    name: str
    seed: int
    floor: ZoneFloorRecipe
    marks: MarksRecipe
    sheets: tuple[TrueSheet, ...]
    views: tuple[View, ...]
    light: ZoneLight = ZoneLight()
    sensor: SensorRecipe = field(default_factory=SensorRecipe)
    size_px: tuple[int, int] = (4032, 3024)
    focal_px: float = 2900.0
    k1: float = 0.01
    print_scale: float = 1.0
    file_format: str = "jpg"
    quality: int = 90


@dataclass(frozen=True, eq=False)
class ZoneScene:
    """Photos by file name, and the truth about floor, marks and cameras."""

    recipe: ZoneRecipe
    photos: dict[str, bytes]
    floor: ZoneFloor
    marks: TrueMarks
    cameras: tuple[Camera, ...]


@dataclass(frozen=True, eq=False)
class _Textures:
    """The floor's colour at full and half density, and each sheet's drawing with x of its left, y of its top edge."""

    levels: list[FloatArray]
    drawings: dict[str, tuple[FloatArray, tuple[float, float]]]


def render_zone(recipe: ZoneRecipe) -> ZoneScene:
    """Render all photos of one zone; the same recipe gives the same bytes."""
    rng = np.random.default_rng([recipe.seed, 71])
    floor = make_zone_floor(recipe.floor, rng)
    marks = paint_marks(floor, recipe.marks, rng)
    levels: list[FloatArray] = [floor.albedo, np.asarray(cv2.pyrDown(floor.albedo), dtype=np.float32)]
    textures = _Textures(levels, {sheet.name: _drawing(sheet.name) for sheet in recipe.sheets})
    photos, cameras = {}, []
    for k, view in enumerate(recipe.views):
        own = np.random.default_rng([recipe.seed, 72, k])
        camera = camera_of(view, recipe, f"{recipe.name}-{k + 1}", own)
        radiance = _radiance(camera, view, recipe, floor, textures)
        pixels = develop(radiance, recipe.sensor, own)
        width, height = recipe.size_px
        shot = Shot(
            recipe.focal_px,
            width,
            height,
            f"2026:03:02 10:{10 + k // 6:02d}:{10 * (k % 6):02d}",
            rational=True,
        )
        name = f"{k + 1:02d}.{recipe.file_format}"
        photos[name] = encode(pixels, shot, file_format=recipe.file_format, quality=recipe.quality)
        cameras.append(camera)
    return ZoneScene(recipe, photos, floor, marks, tuple(cameras))


def camera_of(view: View, recipe: ZoneRecipe, name: str, rng: np.random.Generator) -> Camera:
    """The camera of one view; focusing changes the focal length by a few tenths of a percent."""
    centre = np.array([*view.foot_mm, view.height_mm])
    ahead = np.array([*view.target_mm, 0.0]) - centre
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    roll = np.radians(view.roll_deg)
    right, down = (np.cos(roll) * right + np.sin(roll) * down, -np.sin(roll) * right + np.cos(roll) * down)
    turn = np.stack([right, down, ahead])
    width, height = recipe.size_px
    middle = ((width - 1) / 2 + float(rng.normal(0, 4)), (height - 1) / 2 + float(rng.normal(0, 4)))
    focal = recipe.focal_px * float(np.exp(rng.normal(0, 0.002)))
    return Camera(name, focal, middle, recipe.k1, 0.0, turn, -turn @ centre)


def floor_points(camera: Camera, columns: FloatArray, rows: FloatArray) -> FloatArray:
    """Where the rays of pixels (any shape) meet the floor z = 0, (..., 2) mm."""
    x = (columns - camera.centre_px[0]) / camera.focal_px
    y = (rows - camera.centre_px[1]) / camera.focal_px
    straight_x, straight_y = x, y
    for _ in range(4):  # the bend is small: it converges at once
        bend = 1 + camera.k1 * (straight_x**2 + straight_y**2)
        straight_x, straight_y = x / bend, y / bend
    rays = np.stack([straight_x, straight_y, np.ones_like(x)], -1) @ camera.camera_from_card
    centre = camera.position_mm
    reach = -centre[2] / np.minimum(rays[..., 2], -1e-3)
    return np.asarray(centre[:2] + reach[..., None] * rays[..., :2])


def _radiance(
    camera: Camera, view: View, recipe: ZoneRecipe, floor: ZoneFloor, textures: _Textures
) -> FloatArray:
    """Light of one photo, (H, W, 3) float32; 1 is white paper in the middle of the zone."""
    width, height = recipe.size_px
    columns = np.arange(-1, width // _STEP + 1) * _STEP + (_STEP - 1) / 2
    rows = np.arange(-1, height // _STEP + 1) * _STEP + (_STEP - 1) / 2
    nodes = floor_points(camera, *np.meshgrid(columns, rows))
    size = (len(columns) * _STEP, len(rows) * _STEP)
    grown = resize(nodes.astype(np.float32), size)[_STEP : _STEP + height, _STEP : _STEP + width]
    x, y = np.ascontiguousarray(grown[..., 0]), np.ascontiguousarray(grown[..., 1])
    image = _look_up(x, y, floor, textures.levels)
    for sheet in recipe.sheets:
        _put_sheet(image, camera, sheet, textures.drawings[sheet.name], recipe.print_scale)
    # Light is smooth: a grid of every eighth pixel says it all.
    light = resize(_light(nodes[1:-1, 1:-1], view, recipe), (width, height))
    image *= light[..., None]
    return image


def _look_up(x_mm: FloatArray, y_mm: FloatArray, floor: ZoneFloor, levels: list[FloatArray]) -> FloatArray:
    """Colour of the floor at points (H, W): two samples a pixel, along the picture's upright where pixels are long."""
    column = (x_mm - np.float32(floor.x_min_mm)) * np.float32(floor.px_per_mm) - np.float32(0.5)
    row = (np.float32(floor.y_max_mm) - y_mm) * np.float32(floor.px_per_mm) - np.float32(0.5)
    # Beyond the map the floor goes on mirrored.
    dc, dr = np.gradient(column[::64, ::64], axis=0) / 64 / 4, np.gradient(row[::64, ::64], axis=0) / 64 / 4
    size = (column.shape[1], column.shape[0])
    off_c, off_r = resize(dc, size), resize(dr, size)
    total = np.zeros((*column.shape, 3), np.float32)
    for sign in (-1.0, 1.0):
        c, r = column + np.float32(sign) * off_c, row + np.float32(sign) * off_r
        total += cv2.remap(levels[0], c, r, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    total *= np.float32(0.5)
    far = np.hypot(off_c, off_r) * 4
    if float(far.max()) > 2.0:
        coarse = cv2.remap(
            levels[1],
            column / 2 - np.float32(0.25),
            row / 2 - np.float32(0.25),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
        share = np.clip(far - 1.5, 0, 1)[..., None]
        total += share * (coarse - total)
    return np.asarray(total, dtype=np.float32)


def _drawing(name: str) -> tuple[FloatArray, tuple[float, float]]:
    """A sheet's reflectance and cover, (H, W, 2) at SHEET_PX_PER_MM, and x of its left, y of its top edge."""
    paper = PAPERS_MM["a4"]
    if name == CARD_NAME:
        drawn = card_raster(card_layout(), SHEET_PX_PER_MM, paper)
        cover = paper_mask(card_layout(), SHEET_PX_PER_MM, paper, tabs_up=True)
        top = paper[1] / 2
    else:
        sheet = zone_sheet(int(name))
        drawn = np.full((round(paper[1] * SHEET_PX_PER_MM), round(paper[0] * SHEET_PX_PER_MM)), 255, np.uint8)
        top = paper[1] / 2 - ABOVE_MIDDLE_MM
        cell = round(sheet.marker.side_mm / 8 * SHEET_PX_PER_MM)
        bits = np.kron(marker_bits(sheet.marker.id), np.ones((cell, cell), np.uint8))
        row = round((top - sheet.marker.side_mm / 2) * SHEET_PX_PER_MM)
        column = round((paper[0] - sheet.marker.side_mm) / 2 * SHEET_PX_PER_MM)
        drawn[row : row + len(bits), column : column + len(bits)] = bits
        at = (round(20 * SHEET_PX_PER_MM), round((top + 136) * SHEET_PX_PER_MM))
        cv2.putText(drawn, name, at, cv2.FONT_HERSHEY_SIMPLEX, 4.2, 0, 20, cv2.LINE_AA)
        cover = np.ones(drawn.shape, bool)
    byte = np.arange(256) / 255
    linear = np.where(byte <= 0.04045, byte / 12.92, ((byte + 0.055) / 1.055) ** 2.4)
    reflectance = (INK + (PAPER - INK) * linear).astype(np.float32)[drawn]
    return np.stack([reflectance, cover.astype(np.float32)], -1), (-paper[0] / 2, top)


def _put_sheet(
    image: FloatArray,
    camera: Camera,
    sheet: TrueSheet,
    drawing: tuple[FloatArray, tuple[float, float]],
    scale: float,
) -> None:
    """Lay one sheet into the picture: nine samples a pixel of its own drawing, in place."""
    texture, (left, top) = drawing
    height, width = texture.shape[:2]
    c, s = np.cos(np.radians(sheet.turn_deg)), np.sin(np.radians(sheet.turn_deg))
    turn = np.array([[c, -s], [s, c]])
    outline = np.array([(left, top), (left + width / SHEET_PX_PER_MM, top), (left, top - height / SHEET_PX_PER_MM),
                        (left + width / SHEET_PX_PER_MM, top - height / SHEET_PX_PER_MM)]) * scale  # fmt: skip
    corners = np.column_stack([outline @ turn.T + (sheet.x_mm, sheet.y_mm), np.zeros(4)])
    if (corners @ camera.camera_from_card.T + camera.shift_mm)[:, 2].min() < 50:
        return
    pixels = camera.project(corners)
    c0, r0 = np.maximum(np.floor(pixels.min(0)).astype(int) - 2, 0)
    c1, r1 = np.minimum(np.ceil(pixels.max(0)).astype(int) + 3, (image.shape[1], image.shape[0]))
    if c0 >= c1 or r0 >= r1:
        return
    found = np.zeros((r1 - r0, c1 - c0, 2), np.float32)
    for dy in (-1 / 3, 0.0, 1 / 3):
        for dx in (-1 / 3, 0.0, 1 / 3):
            points = floor_points(camera, *np.meshgrid(np.arange(c0, c1) + dx, np.arange(r0, r1) + dy))
            own = (points - (sheet.x_mm, sheet.y_mm)) @ turn / scale
            column = ((own[..., 0] - left) * SHEET_PX_PER_MM - 0.5).astype(np.float32)
            row = ((top - own[..., 1]) * SHEET_PX_PER_MM - 0.5).astype(np.float32)
            found += cv2.remap(
                texture, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0)
            )
    found /= 9
    part, cover = image[r0:r1, c0:c1], found[..., 1:]
    part += cover * (found[..., :1] - part)


def _light(points: FloatArray, view: View, recipe: ZoneRecipe) -> FloatArray:
    """Light on the floor at points (h, w, 2): smooth over the zone, less the sun where the person stands in it."""
    light = recipe.light
    u = (points[..., 0] - recipe.floor.length_mm / 2) / 4000
    v = (points[..., 1] - recipe.floor.width_mm / 2) / 4000
    a, b, bow = light.gradient
    level = np.exp(a * u + b * v - abs(bow) * (u * u + v * v))
    if light.sun_share > 0:
        azimuth = np.radians(light.azimuth_deg)
        away = -np.array([np.cos(azimuth), np.sin(azimuth)])
        off = points - np.array(view.foot_mm)
        along = off @ away
        across = np.abs(off @ np.array([-away[1], away[0]]))
        length = 1750.0 / np.tan(np.radians(light.elevation_deg))
        soft = 12.0 + 0.012 * np.clip(along, 0, None) / np.sin(np.radians(light.elevation_deg))
        half = np.where(along > 0.86 * length, 100.0, 240.0)  # head above shoulders
        inside = np.clip((half - across) / soft + 0.5, 0, 1) * np.clip((length - along) / soft + 0.5, 0, 1)
        inside = inside * np.clip((along + 100) / soft, 0, 1)
        level = level * (1 - light.sun_share * inside)
    return np.asarray(blur(level.astype(np.float32), 0.6))


def sheet_mask(scene: ZoneScene, pad_mm: float = 4.0) -> U8Array:
    """(H, W) 1 where a sheet lies on the floor, on the grid of the scene's masks."""
    mask = np.zeros(scene.floor.passes.shape, np.uint8)
    for sheet in scene.recipe.sheets:
        width, height = PAPERS_MM["a4"]
        middle = 0.0 if sheet.name == CARD_NAME else -ABOVE_MIDDLE_MM
        half_w, half_h = width / 2 + pad_mm, height / 2 + pad_mm
        box = np.array(
            [
                [-half_w, middle - half_h],
                [half_w, middle - half_h],
                [half_w, middle + half_h],
                [-half_w, middle + half_h],
            ]
        )
        c, s = np.cos(np.radians(sheet.turn_deg)), np.sin(np.radians(sheet.turn_deg))
        points = box @ np.array([[c, s], [-s, c]]) + (sheet.x_mm, sheet.y_mm)
        at = np.stack([(points[:, 0] - scene.floor.x_min_mm), scene.floor.y_max_mm - points[:, 1]], -1)
        cv2.fillPoly(mask, [np.round(at * scene.floor.px_per_mm - 0.5).astype(np.int32)], 1)
    return mask
