"""Films shine toward the mirror direction and nowhere else; a caster takes the direct light and nothing besides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.simulate.caster import Caster, CasterRecipe
from assessor.simulate.film import STRAIGHT_ON, film_shine
from assessor.simulate.light import LightRecipe, light_floor
from assessor.simulate.scene import Scene, build_scene, cast_shadow
from assessor.simulate.sheet import SheetRecipe, make_sheet
from assessor.simulate.soil import Film
from assessor.values import FloatArray
from tests.simulate.conftest import PX_PER_MM, camera_at, floor_of

N = round(140 * PX_PER_MM)
SUN = LightRecipe("sun", 90.0, 35.0, direct=0.7)


def _with_film(scene: Scene, light: LightRecipe, exponent: float = 100.0) -> Scene:
    strength = np.zeros((N, N), np.float32)
    strength[:, N // 2 :] = 1.0  # the half at positive x
    return replace(scene, light=light, films=(Film(strength, exponent),))


def _shine(scene: Scene, azimuth_deg: float, tilt_deg: float, x_mm: float = 15.0) -> float:
    at = np.linspace(-8, 8, 5, dtype=np.float32)
    x, y = np.meshgrid(at + np.float32(x_mm), at)
    return float(film_shine(x, y, camera_at(azimuth_deg, tilt_deg), scene)[..., 1].mean())


@pytest.mark.parametrize("light", [SUN, LightRecipe("window", 90.0, 35.0)])
def test_a_film_shines_in_the_mirror_direction_only(flat_scene: Scene, light: LightRecipe) -> None:
    scene = _with_film(flat_scene, light)
    toward = _shine(scene, 270.0, 55.0)
    assert toward > 0.1
    # Straight down, from beside, from the light's own side, or where no film lies there is next to nothing.
    assert _shine(scene, 270.0, 0.0) < 0.03 * toward
    assert _shine(scene, 0.0, 55.0) < 0.03 * toward
    assert _shine(scene, 90.0, 55.0) < 0.03 * toward
    assert _shine(scene, 270.0, 55.0, x_mm=-20.0) == 0.0


def test_the_peak_is_what_a_dielectric_mirrors(flat_scene: Scene) -> None:
    # Blinn's lobe at its peak times Schlick's reflectance at 55 degrees, over a white Lambert face.
    exponent = 60.0
    scene = _with_film(flat_scene, SUN, exponent)
    mirror = STRAIGHT_ON + (1 - STRAIGHT_ON) * (1 - np.cos(np.deg2rad(55.0))) ** 5
    peak = np.pi * mirror * 0.7 * (exponent + 8) / (8 * np.pi)
    assert 0.85 * peak < _shine(scene, 270.0, 55.0) <= 1.1 * peak


def test_no_shine_under_an_even_sky(flat_scene: Scene) -> None:
    assert _shine(_with_film(flat_scene, LightRecipe("overcast")), 270.0, 55.0) == 0.0


def _lit(light: LightRecipe) -> tuple[Scene, FloatArray]:
    """A level floor in a light, and its ambient part."""
    floor = floor_of(np.full((N, N), -0.3, np.float32))
    sheet = make_sheet(SheetRecipe(tabs_up=False), np.random.default_rng(1))
    half = sheet.layout.window.x_max_mm

    def lit(one: LightRecipe) -> FloatArray:
        return light_floor(floor.height_mm, floor.albedo_linear, PX_PER_MM, one, window_half_mm=half)

    ambient = lit(replace(light, direct=0.0)) * np.float32(1 - light.direct)
    return build_scene(floor, sheet, lit(light), light, ambient), ambient


def test_a_cast_shadow_takes_the_direct_light_only() -> None:
    scene, ambient = _lit(SUN)
    shaded = cast_shadow(scene, Caster(CasterRecipe("wall", (0.0, 0.0), 500.0), SUN))
    passed = shaded.open_direct
    assert passed is not None
    assert passed.min() == 0.0
    assert passed.max() == 1.0
    dark, bright = passed == 0, passed == 1
    assert np.allclose(shaded.floor.radiance[dark], ambient[dark], atol=1e-6)
    assert np.allclose(shaded.floor.radiance[bright], scene.floor.radiance[bright], atol=1e-6)
    # The sheet lies in the same light.
    assert float(shaded.sheet_radiance.min()) < 0.5 * float(scene.sheet_radiance.max())


def test_the_penumbra_is_as_wide_as_source_and_distance_make_it() -> None:
    # An edge 800 mm away (level) under a lamp at 40 degrees with a radius of 1 degree: sideways 2 x 1044 mm x tan 1.
    light = LightRecipe("lamp", 90.0, 40.0, half_angle_deg=1.0, direct=0.7)
    caster = Caster(CasterRecipe("wall", (0.0, 0.0), 800.0), light)
    x = np.linspace(-60, 60, 1201, dtype=np.float32)[None]
    passed = caster.open_direct(x, np.zeros_like(x))[0]
    partly = (passed > 0.001) & (passed < 0.999)
    expected = 2 * 800 / np.cos(np.deg2rad(40)) * np.tan(np.deg2rad(1.0))
    assert float(np.ptp(x[0][partly])) == pytest.approx(expected, rel=0.08)
    assert abs(float(x[0][np.argmin(np.abs(passed - 0.5))])) < 1.0


def test_a_shadow_puts_out_the_shine() -> None:
    scene = _with_film(_lit(SUN)[0], SUN)
    hidden = cast_shadow(scene, Caster(CasterRecipe("phone", (15.0, 0.0), 350.0, size=1.0), SUN))
    assert _shine(scene, 270.0, 55.0) > 0.3
    assert _shine(hidden, 270.0, 55.0) < 0.02


def test_an_unknown_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="shape must be one of head"):
        CasterRecipe("dog")
