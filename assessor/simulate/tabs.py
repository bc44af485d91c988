"""The four upright tabs: their shadows on sheet and floor, and the paper triangles the camera sees."""

from __future__ import annotations

import numpy as np

from assessor.card.layout import Tab
from assessor.simulate.imaging import fill_polygon
from assessor.simulate.light import LightRecipe, Ray, light_rays
from assessor.simulate.sheet import Sheet, canvas_px
from assessor.values import Camera, FloatArray


def standing_points(sheet: Sheet, tab: Tab) -> FloatArray:
    """Fold line's ends and tip of one upright tab in true mm, (3, 3).

    The tab is cut from the sheet, so its height shrinks with the print along the direction it was drawn in.
    """
    along_x = tab.base_mm[0][1] == tab.base_mm[1][1]
    scale = sheet.recipe.scale_y if along_x else sheet.recipe.scale_x
    base = sheet.true_mm(np.array(tab.base_mm))
    tip = np.array([*base[:, :2].mean(0), base[:, 2].mean() + tab.tip_mm[2] * scale])
    return np.concatenate([base, tip[None]])


def cast(points_mm: FloatArray, ray: Ray, plane_mm: float | FloatArray) -> FloatArray:
    """Where the shadows of points (n, 3) fall on the plane z = plane_mm, (n, 2) in mm."""
    toward = ray.toward(points_mm)
    drop = points_mm[:, 2] - plane_mm
    return np.asarray(points_mm[:, :2] - toward[:, :2] * (drop / toward[:, 2])[:, None])


def shadow_on_sheet(sheet: Sheet, ray: Ray, px_per_mm: float, shape: tuple[int, int]) -> FloatArray:
    """Share of one light hidden by the tabs, on the canvas at px_per_mm, (H, W) float32."""
    mask = np.zeros(shape, np.uint8)
    scale = np.array([sheet.recipe.scale_x, sheet.recipe.scale_y])
    for tab in sheet.layout.tabs:
        points = standing_points(sheet, tab)
        # The fold stays where it is; the tip's shadow falls on the sheet's own height there.
        tip = cast(points[2:], ray, points[:2, 2].mean())
        tip = cast(points[2:], ray, sheet.z_at(tip[:, 0], tip[:, 1]))
        fill_polygon(mask, canvas_px(np.concatenate([points[:2, :2], tip]) / scale, px_per_mm), 255)
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
        for tab in sheet.layout.tabs:
            outline = cast(standing_points(sheet, tab), ray, level_mm)
            px = np.stack([outline[:, 0] * px_per_mm, -outline[:, 1] * px_per_mm], -1) + (n - 1) / 2
            fill_polygon(mask, px, 255)
        lost += mask * np.float32(ray.share / 255)
    return radiance if not lost.any() else np.asarray(radiance * (1 - lost)[..., None], dtype=np.float32)


def draw_tabs(image: FloatArray, camera: Camera, sheet: Sheet, light: LightRecipe) -> None:
    """Draw the standing triangles into a photo's radiance (H, W, 3), in place."""
    if not sheet.recipe.tabs_up:
        return
    for tab in sheet.layout.tabs:
        points = standing_points(sheet, tab)
        outline = camera.project(points)
        x0, y0 = (max(int(v) - 2, 0) for v in outline.min(0))
        x1, y1 = (max(int(v) + 3, 0) for v in outline.max(0))
        part = image[y0:y1, x0:x1]
        if part.size == 0:
            continue
        mask = np.zeros(part.shape[:2], np.uint8)
        fill_polygon(mask, outline - (x0, y0), 255)
        cover = (mask.astype(np.float32) / 255)[..., None]
        part += cover * (_face_radiance(points, camera, sheet, light) - part)


def _face_radiance(points: FloatArray, camera: Camera, sheet: Sheet, light: LightRecipe) -> FloatArray:
    """Radiance (3,) of a tab's side that faces the camera: Lambert, plus half of what the sheet sends up."""
    along = points[1] - points[0]
    normal = np.array([along[1], -along[0], 0.0]) / np.hypot(along[0], along[1])
    middle = points.mean(0)
    if normal @ (camera.position_mm - middle) < 0:
        normal = -normal
    total = np.full(3, 0.5 * 0.8 * sheet.recipe.paper_white)
    for ray in light_rays(light):
        facing = float(ray.strength(middle[None])[0] * (ray.toward(middle[None])[0] @ normal))
        total += max(facing, 0.0) * (np.ones(3) if ray.direct else np.array(light.ambient_rgb))
    return np.asarray(sheet.recipe.paper_white * total, dtype=np.float32)
