"""The four upright tabs: their shadows on sheet and floor, and the paper triangles the camera sees."""

from __future__ import annotations

import cv2
import numpy as np

from assessor.card.layout import Tab
from assessor.simulate.light import LightRecipe, Ray, light_rays
from assessor.simulate.sheet import Sheet, canvas_px, fill_polygon
from assessor.values import Camera, FloatArray


def standing_points(sheet: Sheet, tab: Tab) -> FloatArray:
    """Fold line's ends and tip of one upright tab in true mm, (3, 3); the tip's height is the drawn length."""
    base = sheet.true_mm(np.array(tab.base_mm))
    tip = np.array([*base[:, :2].mean(0), base[:, 2].mean() + tab.tip_mm[2] * _fold_scale(sheet, tab)])
    return np.concatenate([base, tip[None]])


def _fold_scale(sheet: Sheet, tab: Tab) -> float:
    """Print scale along the tab's length: it is cut from the sheet, so it shrinks with the print."""
    along_x = tab.base_mm[0][1] == tab.base_mm[1][1]
    return sheet.recipe.scale_y if along_x else sheet.recipe.scale_x


def shadow_polygons(sheet: Sheet, ray: Ray, *, plane_mm: float) -> list[FloatArray]:
    """Outlines (3, 2) in true mm of the tabs' shadows for one direction of light, on the plane z = plane_mm."""
    away = -np.array([np.cos(ray.azimuth), np.sin(ray.azimuth)]) / np.tan(ray.elevation)
    polygons = []
    for tab in sheet.layout.tabs:
        points = standing_points(sheet, tab)
        polygons.append(points[:, :2] + away * (points[:, 2:] - plane_mm))
    return polygons


def shadow_on_sheet(sheet: Sheet, ray: Ray, px_per_mm: float, shape: tuple[int, int]) -> FloatArray:
    """Share of one light hidden by the tabs, on the canvas at px_per_mm, (H, W) float32.

    Base points keep their own height, so that each shadow starts at its fold on a bowed sheet.
    """
    mask = np.zeros(shape, np.uint8)
    away = -np.array([np.cos(ray.azimuth), np.sin(ray.azimuth)]) / np.tan(ray.elevation)
    scale = np.array([sheet.recipe.scale_x, sheet.recipe.scale_y])
    for tab in sheet.layout.tabs:
        points = standing_points(sheet, tab)
        reach = points[2, :2] + away * (points[2, 2] - points[:2, 2].mean())
        # The shadow's tip falls on the sheet's own height there.
        drop = float(sheet.z_at(reach[:1], reach[1:])[0]) - points[:2, 2].mean()
        tip = reach - away * drop
        outline = np.concatenate([points[:2, :2], tip[None]])
        fill_polygon(mask, canvas_px(outline / scale, px_per_mm), 255)
    return np.asarray(mask.astype(np.float32) / 255, dtype=np.float32)


def shade_floor(
    radiance: FloatArray, px_per_mm: float, sheet: Sheet, light: LightRecipe, level_mm: float
) -> FloatArray:
    """Take the tabs' shadows out of the floor's radiance (n, n, 3); level_mm is the floor's mean height.

    Only the direct light is taken: what the tabs hide of the sky in the window is under a percent.
    """
    rays = [r for r in light_rays(light) if r.direct]
    if not rays or not sheet.recipe.tabs_up:
        return radiance
    n = radiance.shape[0]
    lost = np.zeros((n, n), np.float32)
    for ray in rays:
        mask = np.zeros((n, n), np.uint8)
        for outline in shadow_polygons(sheet, ray, plane_mm=level_mm):
            px = np.stack([outline[:, 0] * px_per_mm, -outline[:, 1] * px_per_mm], -1) + (n - 1) / 2
            fill_polygon(mask, px, 255)
        lost += mask * np.float32(ray.share / 255)
    if not lost.any():
        return radiance
    return np.asarray(radiance * (1 - lost)[..., None], dtype=np.float32)


def draw_tabs(image: FloatArray, camera: Camera, sheet: Sheet, light: LightRecipe) -> None:
    """Draw the standing triangles into a photo's radiance (H, W, 3), in place."""
    if not sheet.recipe.tabs_up:
        return
    for tab in sheet.layout.tabs:
        points = standing_points(sheet, tab)
        outline = camera.project(points)
        x0, y0 = (max(int(v) - 2, 0) for v in outline.min(0))
        x1, y1 = int(outline[:, 0].max()) + 3, int(outline[:, 1].max()) + 3
        part = image[y0:y1, x0:x1]
        if part.size == 0:
            continue
        mask = np.zeros(part.shape[:2], np.uint8)
        fill_polygon(mask, outline - (x0, y0), 255)
        cover = (mask.astype(np.float32) / 255)[..., None]
        part += cover * (_face_radiance(points, camera, sheet, light) - part)


def _face_radiance(points: FloatArray, camera: Camera, sheet: Sheet, light: LightRecipe) -> FloatArray:
    """Radiance (3,) of the side of a tab that faces the camera: Lambert, plus half of what the sheet sends up."""
    along = points[1] - points[0]
    normal = np.array([along[1], -along[0]]) / np.hypot(along[0], along[1])
    middle = points.mean(0)
    if normal @ (camera.position_mm[:2] - middle[:2]) < 0:
        normal = -normal
    total = np.full(3, 0.5 * sheet.recipe.paper_white * 0.8)
    for ray in light_rays(light):
        facing = normal @ np.array([np.cos(ray.azimuth), np.sin(ray.azimuth)]) / np.tan(ray.elevation)
        colour = np.ones(3) if ray.direct else np.array(light.ambient_rgb)
        total += max(facing, 0.0) * ray.share * colour
    return np.asarray(sheet.recipe.paper_white * total, dtype=np.float32)
