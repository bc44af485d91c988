"""Light on a batch against the simulator's own renderer, which shares no code with it, and against plain geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra `train`")

from assessor.simulate.floors import FloorRecipe, make_floor  # noqa: E402
from assessor.simulate.light import LightRecipe, light_floor  # noqa: E402
from assessor.training.lighting import (  # noqa: E402
    SKY_AZIMUTHS,
    SKY_LEVELS,
    Lamp,
    lamp_light,
    relief_of,
    shine,
    sky_light,
    sky_vectors,
)
from assessor.training.noise import Grid  # noqa: E402

PX_PER_MM = 5.0
MIDDLE = slice(54, -54)


def one(value: float) -> torch.Tensor:
    return torch.full((1, 1, 1), float(value))


def lamp(azimuth: float, elevation: float, distance: float) -> Lamp:
    return Lamp(
        one(math.radians(azimuth)),
        one(math.radians(elevation)),
        one(distance),
        one(math.radians(0.3)),
        one(1),
    )


def floor_of(process: str, sq_mm: float) -> np.ndarray:
    recipe = FloorRecipe(process, sq_mm, side_mm=129.6, px_per_mm=PX_PER_MM)
    return np.array(make_floor(recipe, np.random.default_rng(3)).height_mm)


@pytest.mark.parametrize(
    ("process", "sq_mm", "kind", "azimuth", "elevation", "distance"),
    [
        ("shot", 0.1, "lamp", 200, 45, 3000),
        ("scarified", 0.8, "lamp", 40, 20, 3000),
        ("scabbled", 0.5, "torch", 130, 25, 400),
    ],
)
def test_a_lamp_lights_as_the_simulator_has_it(
    process: str, sq_mm: float, kind: str, azimuth: float, elevation: float, distance: float
) -> None:
    height = floor_of(process, sq_mm)
    grey = np.full((*height.shape, 3), 0.4, np.float32)
    light = LightRecipe(kind, azimuth, elevation, direct=1.0, distance_mm=distance, bounce=0)
    expected = light_floor(height, grey, PX_PER_MM, light, window_half_mm=60.0)[MIDDLE, MIDDLE, 0] / 0.4
    relief = relief_of(torch.tensor(height)[None], Grid(len(height), PX_PER_MM, "cpu"))
    got = lamp_light(relief, lamp(azimuth, elevation, distance))[0][0].numpy()[MIDDLE, MIDDLE]
    assert got.mean() == pytest.approx(expected.mean(), rel=0.02)
    assert np.corrcoef(got.ravel(), expected.ravel())[0, 1] > 0.97
    assert (got < 0.05).mean() == pytest.approx((expected < 0.05).mean(), abs=0.03)


def test_a_sky_lights_as_the_simulator_has_it() -> None:
    height = floor_of("scabbled", 0.5)
    grey = np.full((*height.shape, 3), 0.4, np.float32)
    overcast = LightRecipe("overcast", bounce=0, ambient_rgb=(1, 1, 1))
    expected = light_floor(height, grey, PX_PER_MM, overcast, window_half_mm=60.0)[MIDDLE, MIDDLE, 0] / 0.4
    relief = relief_of(torch.tensor(height)[None], Grid(len(height), PX_PER_MM, "cpu"))
    sine = (torch.arange(SKY_LEVELS) + 0.5) / SKY_LEVELS
    weight = ((1 + 2 * sine) / 3 * sine).expand(1, SKY_AZIMUTHS, SKY_LEVELS)
    got = sky_light(relief, sky_vectors(relief, [weight / weight.sum()])[0])[0].numpy()[MIDDLE, MIDDLE]
    assert got.mean() == pytest.approx(expected.mean(), rel=0.02)
    assert np.corrcoef(got.ravel(), expected.ravel())[0, 1] > 0.97


def test_a_block_throws_a_shadow_of_its_height_over_the_tangent() -> None:
    grid = Grid(648, PX_PER_MM, "cpu")
    height = torch.where((grid.x.abs() < 2) & (grid.y.abs() < 20), 0.0, -3.0)
    lit = lamp_light(relief_of(height, grid), lamp(0, 30, 3000))[0][0, 324]
    x = grid.at_mm
    dark = x[(lit < 0.1) & (x < -2) & (x > -40)]
    assert float(-2 - dark.min()) == pytest.approx(3 / math.tan(math.radians(30)), abs=0.35)
    assert not bool((lit[(x > 2.5) & (x < 40)] < 0.1).any())


def test_a_level_film_shines_where_the_mirror_shows_the_lamp() -> None:
    grid = Grid(324, 2.5, "cpu")
    relief = relief_of(torch.zeros(1, 324, 324), grid)
    # The eye stands at tangent -1 at 350 mm, so a lamp at 45 degrees on the other side is mirrored at the centre.
    lobe = shine(relief, lamp(0, 45, 495), (one(-1), one(0)), one(0.05), one(200))[0]
    peak = int(lobe.argmax())
    x, y = grid.at_mm[peak % 324], -grid.at_mm[peak // 324]
    assert abs(float(x)) < 3 and abs(float(y)) < 3
