"""Outside check of light and cameras of the simulator: Mitsuba 3, and a closed form that holds Mitsuba itself.

Mitsuba 3 (Jakob et al., BSD), extra `cross`; skipped without it. Closed form: between any two pieces of a sphere's
inside the share of light exchanged is the same, so the wall of a spherical pit under an even sky of radiance L is
evenly bright: rho L (1 - f) / (1 - rho f), with f the wall's share of the whole sphere (the integrating sphere; Siegel
and Howell, "Thermal Radiation Heat Transfer").
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("mitsuba", reason="needs the extra `cross`")
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

import cross_lights
import mitsuba_scene

from assessor.simulate.camera import ViewRecipe, place_camera
from assessor.simulate.light import LightRecipe

pytestmark = pytest.mark.slow
SUN, WINDOW, OVERCAST = LightRecipe("sun", 140.0, 40.0), LightRecipe("window", 30.0, 35.0), LightRecipe()


@pytest.mark.parametrize("bounces", [0, 6])
def test_a_round_pit_under_an_even_sky_is_as_bright_as_the_closed_form_says(bounces: int) -> None:
    pit = cross_lights.pit()
    share, albedo = cross_lights.PIT_SHARE, cross_lights.ALBEDO
    # The rim is left out: its samples lie partly on the plane.
    got = cross_lights.mitsubas(pit, 1.0, pit < -0.5, bounces, 32)
    exact = (1 - share) / (1 - albedo * share) if bounces else 1 - share
    assert got == pytest.approx(exact, rel=0.006)


@pytest.mark.parametrize("light", [SUN, WINDOW, OVERCAST], ids=lambda light: light.kind)
def test_both_light_a_level_floor_to_one(light: LightRecipe) -> None:
    level = np.zeros((cross_lights.SIDE_PX, cross_lights.SIDE_PX), np.float32)
    spot = cross_lights.middle()
    assert cross_lights.ours(level, light, spot) == pytest.approx(1.0, rel=0.001)
    assert cross_lights.mitsubas(level, light, spot, 0, 128) == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("light", [SUN, WINDOW], ids=lambda light: light.kind)
@pytest.mark.parametrize("way", [(1, 0), (0, -1)])
def test_light_comes_from_the_stated_side(light: LightRecipe, way: tuple[int, int]) -> None:
    x = (np.arange(cross_lights.SIDE_PX) + 0.5 - cross_lights.SIDE_PX / 2) / cross_lights.PX_PER_MM
    plane = (0.5 * (way[0] * x[None, :] - way[1] * x[:, None])).astype(np.float32)
    spot = cross_lights.middle()
    ours = cross_lights.ours(plane, replace(light, bounce=0.0), spot)
    assert abs(ours - 1) > 0.05, "the plane must turn visibly toward or away from the light"
    assert cross_lights.mitsubas(plane, light, spot, 0, 128) == pytest.approx(ours, rel=0.012)


def test_the_camera_is_mitsubas_pinhole_with_its_centre_off_the_middle() -> None:
    recipe = ViewRecipe(100.0, 15.0, 350.0, 87.0, (3.0, -4.0), 725.0, (9.0, -6.0))
    size, area = (1000, 750), (440, 310, 150, 120)
    camera = place_camera("oblique", recipe, size)
    at = np.linspace(-8, 8, 200)
    relief = (2 * np.sin(at[None, :]) * np.cos(0.6 * at[:, None])).astype(np.float32)
    scene = mitsuba_scene.open_scene(relief, 0.5, 2.0, 1.0)
    where = mitsuba_scene.mi.load_dict({"type": "aov", "aovs": "place:position"})
    view = mitsuba_scene.sensor(camera, size, area)
    points = np.array(mitsuba_scene.mi.render(scene, sensor=view, integrator=where, spp=64), dtype=float)
    seen = camera.project(points[..., -3:].reshape(-1, 3)).reshape(area[3], area[2], 2)
    cols, rows = np.meshgrid(area[0] + np.arange(area[2]), area[1] + np.arange(area[3]))
    off = seen - np.stack([cols, rows], -1)
    assert np.abs(off.mean((0, 1))).max() < 0.02
    # One ray in some 100 000 slips through between two triangles, and spoils its pixel's mean.
    assert np.quantile(np.abs(off), 0.999) < 0.05
