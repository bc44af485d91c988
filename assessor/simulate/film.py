"""The shine of sealers, coatings and damp: a film mirrors the light that comes from the mirror direction, no other.

A Blinn lobe of the film's own exponent on the film's own facets, times the dielectric's reflectance at that angle
(Schlick 1994, index 1.5). Sun, lamp and torch shine, and so does the bright patch of a window or a ceiling panel.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.simulate.imaging import blur, sample
from assessor.simulate.light import PATCHES, LightRecipe, Ray, light_rays, slopes, true_lights, with_sheet
from assessor.simulate.scene import Scene
from assessor.simulate.shadows import lamp_visibility, visible_sums
from assessor.values import Camera, FloatArray

STRAIGHT_ON = 0.04  # reflectance of a film looked at straight, index 1.5
PATCH_STEPS = (-1.2, 0.0, 1.2)  # rays of a window's bright patch, in its own standard deviations
FACET_MM = 0.1  # a film levels the grain under it


def film_shine(x_mm: FloatArray, y_mm: FloatArray, camera: Camera, scene: Scene) -> FloatArray:
    """Radiance (..., 3) that the scene's films add at floor points (x, y); 1 = white in the open."""
    floor = scene.floor
    total = np.zeros((*x_mm.shape, 3), np.float32)
    rays = shining_rays(scene.light)
    if not rays or not scene.films:
        return total
    col, row = floor.pixels(x_mm, y_mm)
    points = np.stack([x_mm, y_mm, sample(floor.height_mm, col, row)], axis=-1)
    view = camera.position_mm.astype(np.float32) - points
    view /= np.linalg.norm(view, axis=-1, keepdims=True)
    smooth = blur(floor.height_mm, FACET_MM * floor.px_per_mm)
    dx, dy = (sample(s, col, row) for s in slopes(smooth, floor.px_per_mm))
    steep = np.sqrt(1 + dx * dx + dy * dy)
    strengths = [sample(film.strength, col, row) for film in scene.films]
    for ray in rays:
        half = view + ray.toward(points)
        half /= np.linalg.norm(half, axis=-1, keepdims=True)
        facing = np.clip((half[..., 2] - dx * half[..., 0] - dy * half[..., 1]) / steep, 0, 1)
        toward = np.clip((half * view).sum(-1), 0, 1)
        mirror = np.float32(np.pi) * (STRAIGHT_ON + (1 - STRAIGHT_ON) * (1 - toward) ** 5)
        lit = mirror * _lit(ray, scene, points, col, row)
        lobes = sum(
            strength * np.float32((film.exponent + 8) / (8 * np.pi)) * facing ** np.float32(film.exponent)
            for film, strength in zip(scene.films, strengths, strict=True)
        )
        colour = scene.light.direct_rgb if ray.direct else scene.light.ambient_rgb
        total += (lobes * lit)[..., None] * np.array(colour, np.float32)
    return total


def shining_rays(light: LightRecipe) -> list[Ray]:
    """What a film can mirror as a highlight: the direct light as one ray, or a window's brightest part as several."""
    direct = [ray for ray in light_rays(light) if ray.direct]
    if direct:
        middle = direct[len(direct) // 2]
        return [replace(middle, share=sum(ray.share for ray in direct))]
    if light.kind not in PATCHES:
        return []
    wide, high = PATCHES[light.kind]
    share = true_lights(light)[0].share
    rays, weights = [], []
    for across in PATCH_STEPS:
        for up in PATCH_STEPS:
            azimuth = np.deg2rad(light.azimuth_deg) + wide * across
            elevation = np.deg2rad(light.elevation_deg) + high * up
            if 0.05 < elevation < np.pi / 2:
                weights.append(np.exp(-0.5 * (across**2 + up**2)) * np.sin(elevation) * np.cos(elevation))
                rays.append(Ray(float(azimuth), float(elevation), 1.0, False))
    whole = sum(weights)
    return [replace(ray, share=float(share * w / whole)) for ray, w in zip(rays, weights, strict=True)]


def _lit(ray: Ray, scene: Scene, points: FloatArray, col: FloatArray, row: FloatArray) -> FloatArray:
    """Light of a ray on a level face at floor points, with what sheet, relief and casters hide of it."""
    floor, window = scene.floor, scene.sheet.window_half_mm
    if not ray.direct:
        return np.full(points.shape[:-1], ray.share, np.float32)
    occluder = with_sheet(floor.height_mm, floor.px_per_mm, window)
    if ray.lamp_mm is not None:
        seen = lamp_visibility(occluder, floor.px_per_mm, ray.lamp_mm, radius_mm=scene.light.source_mm)
        level = (ray.strength(points) * ray.toward(points)[..., 2]).astype(np.float32)
    else:
        elevation = np.array([ray.elevation])
        seen = visible_sums(occluder, floor.px_per_mm, ray.azimuth, elevation, np.ones((1, 1)))[0]
        level = np.full(points.shape[:-1], ray.share, np.float32)
    if scene.open_direct is not None:
        seen = seen * scene.open_direct
    return np.asarray(level * sample(seen, col, row), dtype=np.float32)
