"""The shine of damp, sealed or polished concrete: the part of its light that moves with the camera."""

from __future__ import annotations

import numpy as np

from assessor.simulate.imaging import blur, sample
from assessor.simulate.light import light_rays, slopes, with_sheet
from assessor.simulate.scene import Scene
from assessor.simulate.shadows import lamp_visibility, visible_sums
from assessor.values import Camera, FloatArray

# A lobe of about 15 degrees, on facets smoothed over 0.1 mm: a film levels the finest grain.
EXPONENT = 40.0
FILM_MM = 0.05


def shine(x_mm: FloatArray, y_mm: FloatArray, camera: Camera, scene: Scene) -> FloatArray:
    """Radiance added by gloss at floor points (x, y), same shape; direct light only.

    Blinn's half-vector lobe with unit energy, (p + 8)/(8 pi) (n.h)^p, times the gloss of light and floor. A near torch
    is seen under another angle and in another strength from every point.
    """
    floor = scene.floor
    total = np.zeros(x_mm.shape, np.float32)
    rays = [r for r in light_rays(scene.light) if r.direct]
    if not rays:
        return total
    strongest = max(rays, key=lambda r: r.share)
    share = sum(r.share for r in rays)
    col, row = floor.pixels(x_mm, y_mm)
    z = sample(floor.height_mm, col, row)
    points = np.stack([x_mm, y_mm, z], axis=-1)
    view = camera.position_mm.astype(np.float32) - points
    view /= np.linalg.norm(view, axis=-1, keepdims=True)
    half = view + strongest.toward(points)
    half /= np.linalg.norm(half, axis=-1, keepdims=True)
    smooth = blur(floor.height_mm, FILM_MM * floor.px_per_mm)
    dx, dy = (sample(s, col, row) for s in slopes(smooth, floor.px_per_mm))
    cosine = (half[..., 2] - dx * half[..., 0] - dy * half[..., 1]) / np.sqrt(1 + dx * dx + dy * dy)
    lobe = (EXPONENT + 8) / (8 * np.pi) * np.clip(cosine, 0, 1) ** EXPONENT
    window = scene.sheet.window_half_mm
    occluder = with_sheet(floor.height_mm, floor.px_per_mm, window)
    strength: FloatArray | float = scene.light.gloss
    if scene.gloss is not None:
        strength = strength + sample(scene.gloss, col, row)
    if strongest.lamp_mm is not None:
        radius = scene.light.source_mm
        lit = lamp_visibility(occluder, floor.px_per_mm, strongest.lamp_mm, radius_mm=radius)
        falling = (strongest.strength(points) * strongest.toward(points)[..., 2]).astype(np.float32)
        return np.asarray(strength * falling * lobe * sample(lit, col, row), dtype=np.float32)
    elevations = np.array([strongest.elevation])
    lit = visible_sums(occluder, floor.px_per_mm, strongest.azimuth, elevations, np.ones((1, 1)))[0]
    total += (strength * share) * lobe * sample(lit, col, row)
    return total
