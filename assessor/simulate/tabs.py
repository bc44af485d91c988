"""The four upright tabs: their shadows on sheet and floor, and the paper triangles the camera sees."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from assessor.card.layout import Tab
from assessor.simulate.body import Body, open_share
from assessor.simulate.caster import Caster
from assessor.simulate.imaging import fill_polygon, resize
from assessor.simulate.light import FINE_SKY, PATCHES, LightRecipe, Ray, disc_rays, light_rays, sky_rays
from assessor.simulate.sheet import CANVAS_MM, Sheet, canvas_px
from assessor.values import Camera, FloatArray

FLOOR_PX_PER_MM = 5.0  # of direct light's shadows on the floor
SKY_PX_PER_MM = 2.0  # of the sky's, which are soft


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


def shadow_on_sheet(sheet: Sheet, rays: list[Ray], px_per_mm: float, *, bent: bool = True) -> FloatArray:
    """Share of some rays' light hidden by the tabs, on the canvas at px_per_mm, (H, W) float32.

    bent: let the tip's shadow fall on the sheet's own height there, not on that of the tab's fold.
    """
    shape = round(CANVAS_MM[1] * px_per_mm), round(CANVAS_MM[0] * px_per_mm)
    scale = np.array([sheet.recipe.scale_x, sheet.recipe.scale_y])
    tabs = [standing_points(sheet, tab) for tab in sheet.layout.tabs]

    def outlines(ray: Ray) -> list[FloatArray]:
        found = []
        for points in tabs:
            tip = cast(points[2:], ray, points[:2, 2].mean())
            if bent:
                tip = cast(points[2:], ray, sheet.z_at(tip[:, 0], tip[:, 1]))
            # The fold stays where it is.
            found.append(canvas_px(np.concatenate([points[:2, :2], tip]) / scale, px_per_mm))
        return found

    return _hidden(shape, rays, outlines)


def _hidden(
    shape: tuple[int, int], rays: list[Ray], outlines: Callable[[Ray], list[FloatArray]]
) -> FloatArray:
    """Mean over rays, by share, of the area inside the outlines in pixels; no ray's shadows overlap."""
    lost = np.zeros(shape, np.float32)
    total = sum(ray.share for ray in rays)
    for ray in rays:
        for outline in outlines(ray):
            x0, y0 = np.maximum(np.floor(outline.min(0)).astype(int) - 2, 0)
            x1, y1 = np.minimum(np.ceil(outline.max(0)).astype(int) + 3, (shape[1], shape[0]))
            if x0 < x1 and y0 < y1:
                mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
                fill_polygon(mask, outline - (x0, y0), 255)
                lost[y0:y1, x0:x1] += mask * np.float32(ray.share / total / 255)
    return np.asarray(np.minimum(lost, 1), dtype=np.float32)


def shade_floor(
    radiance: FloatArray, px_per_mm: float, sheet: Sheet, light: LightRecipe, level_mm: float
) -> FloatArray:
    """Take the tabs' shadows out of the floor's radiance (n, n, 3); level_mm is the floor's mean height.

    A shadow takes its light's share of a level floor. Sun, lamp and torch have the soft edge of their disc; a
    window's shadow is wide and faint; what tabs hide of an even sky in the window is under a percent, so left.
    """
    if not sheet.recipe.tabs_up or light.kind == "overcast":
        return radiance
    n = radiance.shape[0]
    lost = np.zeros((1, 1), np.float32)
    for rays, density in ((disc_rays(light), FLOOR_PX_PER_MM), (sky_rays(light, *FINE_SKY), SKY_PX_PER_MM)):
        share = sum(ray.share for ray in rays)
        if share < 0.01 or (light.kind not in PATCHES and not rays[0].direct):
            continue
        size = round(n / px_per_mm * density)

        def outlines(ray: Ray, density: float = density, size: int = size) -> list[FloatArray]:
            flat = [cast(standing_points(sheet, tab), ray, level_mm) for tab in sheet.layout.tabs]
            return [o * (density, -density) + (size - 1) / 2 for o in flat]

        lost = lost + resize(_hidden((size, size), rays, outlines), (n, n)) * np.float32(share)
    return radiance if not lost.any() else np.asarray(radiance * (1 - lost)[..., None], dtype=np.float32)


class View(Protocol):
    """A camera that may move while it looks (`camera.Shutter`)."""

    @property
    def camera(self) -> Camera:
        """Its pose at the middle row."""

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Project (n, 3) points in mm to (n, 2) pixels."""


def draw_tabs(
    image: FloatArray,
    view: View,
    sheet: Sheet,
    light: LightRecipe,
    body: Body | None = None,
    *,
    caster: Caster | None = None,
) -> None:
    """Draw the standing triangles into a photo's radiance (H, W, 3), in place."""
    if not sheet.recipe.tabs_up:
        return
    for tab in sheet.layout.tabs:
        points = standing_points(sheet, tab)
        outline = view.project(points)
        x0, y0 = (max(int(v) - 2, 0) for v in outline.min(0))
        x1, y1 = (max(int(v) + 3, 0) for v in outline.max(0))
        part = image[y0:y1, x0:x1]
        if part.size == 0:
            continue
        mask = np.zeros(part.shape[:2], np.uint8)
        fill_polygon(mask, outline - (x0, y0), 255)
        passed = 1.0
        if caster is not None:
            x, y = points.mean(0)[:2]
            passed = float(caster.open_direct(np.array([x]), np.array([y]))[0])
        face = _face_radiance(points, view.camera, sheet, light, passed)
        if body is not None:
            x, y = points.mean(0)[:2]
            rays = disc_rays(light) or sky_rays(light, *FINE_SKY)
            face *= open_share(body, rays, np.array([x]), np.array([y]))[0]
        cover = (mask.astype(np.float32) / 255)[..., None]
        part += cover * (face - part)


def _face_radiance(
    points: FloatArray, camera: Camera, sheet: Sheet, light: LightRecipe, open_direct: float
) -> FloatArray:
    """Radiance (3,) of a tab's side that faces the camera: Lambert, plus half of what the sheet sends up."""
    along = points[1] - points[0]
    normal = np.array([along[1], -along[0], 0.0]) / np.hypot(along[0], along[1])
    middle = points.mean(0)
    if normal @ (camera.position_mm - middle) < 0:
        normal = -normal
    total = np.full(3, 0.5 * 0.8 * sheet.recipe.paper_white)
    for ray in light_rays(light):
        facing = float(ray.strength(middle[None])[0] * (ray.toward(middle[None])[0] @ normal))
        facing *= open_direct if ray.direct else 1.0
        total += max(facing, 0.0) * np.array(light.direct_rgb if ray.direct else light.ambient_rgb)
    return np.asarray(sheet.recipe.paper_white * total, dtype=np.float32)
