"""Flat photos of the card with known truth: a pinhole camera looks at the drawn sheet on plain mottled concrete.

These photos have no relief; they test finding and measuring the card. The path-traced simulator of
`assessor.simulate` is another thing and is not used here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache

import cv2
import numpy as np

from assessor.card.designs import design_layout
from assessor.card.layout import DESIGN, CardLayout
from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.card.raster import card_raster, paper_mask
from assessor.values import Camera, CardSighting, Exif, FloatArray, Photo

RASTER_PX_PER_MM = 12.0  # every marker edge falls on a raster line, so that no edge pixel is grey
PAPER_MM = (210.0, 297.0)
PLANE_MM = 480.0
STEP = 8
PAPER_REFLECTANCE, INK_REFLECTANCE = 0.85, 0.04
Change = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True)
class Scene:
    """One photo to make. Angles in degrees, lengths in mm, sizes in pixels.

    tilt_deg is the angle of the line of sight at the window's centre; azimuth_deg says toward which side of the
    card the camera stands. `light` maps (x_mm, y_mm) to a factor; `paint` changes the reflectance of the card plane
    raster in place before the photo is taken (row 0 is the sheet's top edge).
    """

    distance_mm: float = 320.0
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    size_px: tuple[int, int] = (4000, 3000)
    horizontal_deg: float = 69.0
    k1: float = 0.0
    k2: float = 0.0
    serial: int = 0
    design: str = DESIGN
    print_scale: tuple[float, float] = (1.0, 1.0)
    aim_mm: tuple[float, float] = (0.0, 0.0)
    psf_sd_px: float = 0.65
    snr_db: float = 36.0  # at reflectance 0.2
    exposure: float = 0.9
    supersample: int = 2
    light: Change | None = None
    hidden: Sequence[tuple[float, float, float, float]] = ()  # rectangles x0, y0, x1, y1 in mm
    wet: Sequence[tuple[float, float, float]] = ()  # x, y, radius in mm: paper 0.7 x as bright, ink as before
    second_card_at_mm: tuple[float, float] | None = None
    seed: int = 1
    veil: float = 0.0
    glare_at_mm: Sequence[tuple[float, float, float]] = ()  # x, y, radius
    motion_px: float = 0.0
    defocus_px: float = 0.0
    exif: Exif = field(default_factory=Exif)


def camera_of(scene: Scene) -> Camera:
    """The scene's camera; focal length from the horizontal angle of view of the long side."""
    width, height = scene.size_px
    focal = max(width, height) / 2 / np.tan(np.radians(scene.horizontal_deg / 2))
    tilt, azimuth, roll = np.radians([scene.tilt_deg, scene.azimuth_deg, scene.roll_deg])
    aim = np.array([*scene.aim_mm, 0.0])
    toward = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    forward = -toward
    # Image "down" is the card's -y before rolling, however the camera is tilted.
    down = np.array([0.0, -1.0, 0.0]) - np.dot([0.0, -1.0, 0.0], forward) * forward
    down /= np.linalg.norm(down)
    right = np.cross(down, forward)
    turn = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    rotation = turn @ np.stack([right, down, forward])
    position = aim + scene.distance_mm * toward
    centre = ((width - 1) / 2, (height - 1) / 2)
    return Camera("scene", float(focal), centre, scene.k1, scene.k2, rotation, -rotation @ position)


def true_pixels(scene: Scene, points_mm: FloatArray) -> FloatArray:
    """Pixels (..., 2) of drawn card points (..., 2), print scale included."""
    plane = np.asarray(points_mm, float) * scene.print_scale
    return camera_of(scene).project(np.concatenate([plane, np.zeros((*plane.shape[:-1], 1))], -1))


def corner_errors_px(scene: Scene, sighting: CardSighting) -> FloatArray:
    """(M, 4) distance of every found corner from its truth."""
    layout = design_layout(scene.design, scene.serial)
    truth = true_pixels(scene, np.array([m.corners_mm() for m in layout.markers]))
    errors = []
    for marker_id, corners in zip(sighting.marker_ids, sighting.corners_px, strict=True):
        rows = [k for k, m in enumerate(layout.markers) if m.id == marker_id]
        errors.append(min((np.linalg.norm(truth[k] - corners, axis=1) for k in rows), key=np.max))
    return np.array(errors)


def rms(values: FloatArray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


@cache
def _concrete() -> FloatArray:
    """Mottled concrete, PLANE_MM square, reflectance as uint16 (65535 = 1)."""
    side = round(PLANE_MM * RASTER_PX_PER_MM)
    rng = np.random.default_rng(7)
    floor = np.ones((side // 4, side // 4), np.float32)
    for size, weight in ((side // 4, 0.06), (480, 0.06), (48, 0.05)):
        layer = rng.standard_normal((size, size), dtype=np.float32)
        floor += weight * cv2.resize(layer, floor.shape, interpolation=cv2.INTER_LINEAR)
    coarse = np.clip(0.3 * floor * 65535, 0, 65535).astype(np.uint16)
    return cv2.resize(coarse, (side, side), interpolation=cv2.INTER_LINEAR)


@lru_cache(maxsize=3)
def _sheet_on_floor(
    layout: CardLayout, second: tuple[float, float] | None, wet: tuple[tuple[float, float, float], ...]
) -> FloatArray:
    """Card, or two, on the concrete."""
    floor = _concrete().copy()
    drawn = linear_of_byte()[card_raster(layout, RASTER_PX_PER_MM, PAPER_MM)]
    printed = INK_REFLECTANCE + (PAPER_REFLECTANCE - INK_REFLECTANCE) * drawn
    for wx, wy, radius in wet:
        y, x = np.mgrid[0 : drawn.shape[0], 0 : drawn.shape[1]].astype(np.float32) / RASTER_PX_PER_MM
        inside = np.hypot(x - PAPER_MM[0] / 2 - wx, PAPER_MM[1] / 2 - y - wy) < radius
        printed = np.where(inside & (drawn > 0.05), 0.7 * printed, printed)
    paper = paper_mask(layout, RASTER_PX_PER_MM, PAPER_MM, tabs_up=False)
    printed = np.rint(printed * 65535).astype(np.uint16)
    for dx, dy in [(0.0, 0.0)] + ([second] if second else []):
        top = round((PLANE_MM / 2 - dy - PAPER_MM[1] / 2) * RASTER_PX_PER_MM)
        left = round((PLANE_MM / 2 + dx - PAPER_MM[0] / 2) * RASTER_PX_PER_MM)
        part = floor[max(top, 0) : top + paper.shape[0], max(left, 0) : left + paper.shape[1]]
        cut = (
            slice(max(-top, 0), max(-top, 0) + part.shape[0]),
            slice(max(-left, 0), max(-left, 0) + part.shape[1]),
        )
        np.copyto(part, printed[cut], where=paper[cut])
    floor.flags.writeable = False
    return floor


def _floor(scene: Scene) -> FloatArray:
    """Reflectance of the card plane with what lies over it."""
    layout = design_layout(scene.design, scene.serial)
    floor = _sheet_on_floor(layout, scene.second_card_at_mm, tuple(scene.wet))
    if scene.hidden:
        floor = floor.copy()
    for x0, y0, x1, y1 in scene.hidden:
        c0, c1 = (round((x + PLANE_MM / 2) * RASTER_PX_PER_MM) for x in (x0, x1))
        r0, r1 = (round((PLANE_MM / 2 - y) * RASTER_PX_PER_MM) for y in (y1, y0))
        floor[max(r0, 0) : max(r1, 0), max(c0, 0) : max(c1, 0)] = round(0.25 * 65535)
    return floor


def _plane_of(camera: Camera, column: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Card-plane mm seen by photo pixels (radial distortion undone by fixed-point iteration)."""
    xd = (column - camera.centre_px[0]) / camera.focal_px
    yd = (row - camera.centre_px[1]) / camera.focal_px
    x, y = xd, yd
    if camera.k1 or camera.k2:
        for _ in range(12):
            r2 = x * x + y * y
            factor = 1 + r2 * (camera.k1 + r2 * camera.k2)
            x, y = xd / factor, yd / factor
    rays = np.stack([x, y, np.ones_like(x)], -1) @ camera.camera_from_card
    position = camera.position_mm
    along = -position[2] / np.where(rays[..., 2] < -1e-6, rays[..., 2], np.nan)
    plane = position + along[..., None] * rays
    return plane[..., 0], plane[..., 1]


def _plane_map(scene: Scene) -> tuple[FloatArray, FloatArray]:
    """Card-plane mm of every photo pixel corner on a grid of STEP pixels (the map is smooth)."""
    width, height = scene.size_px
    column, row = np.meshgrid(
        np.arange(-STEP, width + 2 * STEP, STEP), np.arange(-STEP, height + 2 * STEP, STEP)
    )
    return tuple(
        np.nan_to_num(v, nan=1e5).astype(np.float32)
        for v in _plane_of(camera_of(scene), column.astype(float), row.astype(float))
    )


def _fine(coarse: FloatArray, size_px: tuple[int, int], n: int) -> FloatArray:
    """The coarse map at n samples per pixel, linearly between its nodes."""
    if n % 2:
        column, row = (((np.arange(size * n) + 0.5) / n - 0.5) / STEP + 1 for size in size_px)
        k = column.astype(int)
        along = coarse[:, k] + (coarse[:, k + 1] - coarse[:, k]) * (column - k).astype(np.float32)
        k = row.astype(int)
        return along[k] + (along[k + 1] - along[k]) * (row - k).astype(np.float32)[:, None]
    # The same by enlarging: sample 0 lies 1.5 nodes less half a pixel from the enlarged map's edge.
    off = n * (3 * STEP - 1) // 2
    large = cv2.resize(coarse, None, fx=n * STEP, fy=n * STEP, interpolation=cv2.INTER_LINEAR)
    return large[off : off + size_px[1] * n, off : off + size_px[0] * n]


def _radiance(scene: Scene) -> FloatArray:
    """Noise-free linear image, averaged over supersampled points."""
    coarse = _plane_map(scene)
    across = (coarse[0] / scene.print_scale[0] + PLANE_MM / 2) * RASTER_PX_PER_MM - 0.5
    down = (PLANE_MM / 2 - coarse[1] / scene.print_scale[1]) * RASTER_PX_PER_MM - 0.5
    x, y = (_fine(v, scene.size_px, scene.supersample) for v in (across, down))
    fine = cv2.remap(_floor(scene), x, y, cv2.INTER_LINEAR, borderValue=20000)
    image = cv2.resize(fine, scene.size_px, interpolation=cv2.INTER_AREA).astype(np.float32) / 65535
    if scene.light is not None or scene.glare_at_mm:
        x, y = (_fine(v, scene.size_px, 1) for v in coarse)
        image = image * (scene.light(x, y) if scene.light else 1)
        for gx, gy, radius in scene.glare_at_mm:
            image += 0.5 * np.exp(-((x - gx) ** 2 + (y - gy) ** 2) / (2 * radius**2))
    return image.astype(np.float32) + scene.veil


def linear_image(scene: Scene) -> FloatArray:
    """Linear image (H, W) float32 with optics and noise, not clipped."""
    image = _radiance(scene)
    # Averaging over the pixel is itself a blur with sd 0.29 px; the Gaussian adds the rest.
    image = cv2.GaussianBlur(image, (0, 0), np.sqrt(max(scene.psf_sd_px**2 - 1 / 12, 0.01)))
    if scene.motion_px:
        image = cv2.blur(image, (round(scene.motion_px), 1))
    if scene.defocus_px:
        r = int(np.ceil(scene.defocus_px))
        y, x = np.mgrid[-r : r + 1, -r : r + 1]
        disc = np.clip(scene.defocus_px + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
        image = cv2.filter2D(image, -1, disc / disc.sum())
    rng = np.random.default_rng(scene.seed)
    sd = np.sqrt(0.2 * np.maximum(image, 0.01)) * 10 ** (-scene.snr_db / 20)
    return (image + sd * rng.standard_normal(image.shape, dtype=np.float32)) * scene.exposure


def photo_of(scene: Scene, *, jpeg_quality: int | None = None, name: str = "scene.jpg") -> Photo:
    """Take the photo (grey pixels, sRGB coded), through JPEG if asked."""
    coded = bytes_from_table(linear_image(scene))
    rgb = cv2.cvtColor(coded, cv2.COLOR_GRAY2RGB)
    if jpeg_quality is not None:
        _, data = cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, jpeg_quality])
        rgb = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return Photo(name, np.ascontiguousarray(rgb), scene.exif, "0" * 64)


@cache
def _code_table() -> FloatArray:
    return bytes_from_linear(np.arange(16384) / 16383)


def bytes_from_table(linear: FloatArray) -> FloatArray:
    """SRGB bytes by table, dithered enough by the photo's own noise."""
    return _code_table()[np.rint(np.clip(linear, 0, 1) * 16383).astype(np.int32)]
