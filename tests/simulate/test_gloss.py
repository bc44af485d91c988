"""Shine moves with the camera: brightest in the mirror direction, none behind the light or in the shade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from assessor.simulate.gloss import EXPONENT, shine
from assessor.simulate.light import LightRecipe
from assessor.simulate.scene import Scene
from tests.simulate.conftest import camera_at


def _mean_shine(scene: Scene, azimuth_deg: float) -> float:
    at = np.linspace(-20, 20, 9, dtype=np.float32)
    x, y = np.meshgrid(at, at)
    return float(shine(x, y, camera_at(azimuth_deg, 30.0), scene).mean())


def test_a_level_floor_shines_opposite_the_sun(flat_scene: Scene) -> None:
    scene = replace(flat_scene, light=LightRecipe("sun", 90.0, 60.0, direct=0.8, gloss=0.1))
    facing, beside, behind = (_mean_shine(scene, azimuth) for azimuth in (270.0, 0.0, 90.0))
    # In the mirror direction the lobe is at its peak: gloss x share x (p + 8)/(8 pi).
    peak = 0.1 * 0.8 * (EXPONENT + 8) / (8 * np.pi)
    assert 0.85 * peak < facing <= peak
    assert facing > 3 * beside > 9 * behind


def test_no_shine_without_direct_light(flat_scene: Scene) -> None:
    scene = replace(flat_scene, light=LightRecipe("overcast", gloss=0.5))
    assert _mean_shine(scene, 270.0) == 0.0
