"""Texture of training floors against the simulator's judge and against waves whose texture is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra `train`")

from assessor.simulate.floors import FloorRecipe, make_floor  # noqa: E402
from assessor.simulate.truth import band_heights, evaluation_heights  # noqa: E402
from assessor.training.noise import Draw, Grid, cells, spectral  # noqa: E402
from assessor.training.surfaces import FAMILIES, band_sq, make_surfaces, texture_of  # noqa: E402

GRID = Grid(648, 5.0, "cpu")


def test_sq_is_that_of_the_judge() -> None:
    floor = make_floor(FloorRecipe("scabbled", 0.4, side_mm=129.6, px_per_mm=10.0), np.random.default_rng(4))
    band = band_heights(evaluation_heights(floor), 10.0, 0.8, 25.0)
    expected = float(np.sqrt((band**2).mean()))
    got = float(band_sq(torch.tensor(np.array(floor.height_mm))[None], Grid(1296, 10.0, "cpu"))[0])
    assert got == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("lay_deg", [0, 30, 90, 150])
def test_a_wave_has_its_amplitude_over_root_two_and_its_lay(lay_deg: int) -> None:
    angle = math.radians(lay_deg)
    across = -GRID.x * math.sin(angle) + GRID.y * math.cos(angle)
    height = 0.2 * torch.sin(2 * math.pi * across / 5.0)
    log2_sq, lay = texture_of(height, GRID)
    assert float(2 ** log2_sq[0]) == pytest.approx(0.2 / math.sqrt(2), rel=0.06)
    assert float(torch.hypot(*lay[0])) > 0.9
    read = math.degrees(math.atan2(float(lay[0, 1]), float(lay[0, 0]))) / 2
    assert abs((read - lay_deg + 90) % 180 - 90) < 2


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_is_a_surface(family: str) -> None:
    surface = make_surfaces(Draw(2, 5, "cpu"), Grid(324, 2.5, "cpu"), (family,))
    assert bool(torch.isfinite(surface.height_mm).all())
    assert float(surface.height_mm.max()) < 0.8  # the card lies on the highest peaks
    assert bool(((surface.log2_sq > -9) & (surface.log2_sq < 1.6)).all())


def test_fields_have_unit_deviation_and_the_stretch_asked_for() -> None:
    draw = Draw(4, 6, "cpu")
    one = torch.ones(4, 1, 1)
    field = spectral(
        draw, GRID, short_mm=0.5 * one, long_mm=10 * one, hurst=0.5 * one, stretch=6 * one, angle=0 * one
    )
    assert float(field.std()) == pytest.approx(1, abs=0.01)
    slope_x, slope_y = field.diff(dim=2).std(), field.diff(dim=1).std()
    assert float(slope_y / slope_x) > 3  # long along x


def test_cells_name_the_nearest_particle() -> None:
    draw = Draw(1, 7, "cpu")
    found = cells(
        draw, Grid(200, 5.0, "cpu"), torch.full((1, 1, 1), 5.0), share=torch.ones(1, 1, 1), spread=0.0
    )
    distance = torch.hypot(found.dx, found.dy)
    assert torch.allclose(found.q, (distance / 2.5) ** 2, rtol=1e-3)
    # No sample of a jittered lattice lies further from a particle than a cell's diagonal and the jitter.
    assert float(distance.max()) < 5.0 * (math.sqrt(0.5) + 0.45 * math.sqrt(2))
