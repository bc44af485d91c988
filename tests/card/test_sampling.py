"""The fast pixel positions against the projection they stand for."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.card.layout import Rectangle
from assessor.card.sampling import Grid, pixel_polynomials, square_grid
from assessor.values import Camera, FloatArray
from tests.card.sightings import camera_over


def exact(camera: Camera, grid: Grid, above_mm: float, z_ref_mm: float) -> FloatArray:
    """(n, n, 2) pixels by the projection itself; row 0 lies at the largest y, sample k at (k + 0.5) spacing."""
    (rows, columns), area = grid.shape, grid.area
    x, y = np.meshgrid(
        area.x_min_mm + (np.arange(columns) + 0.5) * grid.spacing_mm,
        (area.y_min_mm + (np.arange(rows) + 0.5) * grid.spacing_mm)[::-1],
    )
    return camera.project(np.stack([x, y, np.full_like(x, z_ref_mm + above_mm)], -1))


@pytest.mark.parametrize("z_ref_mm", [0.0, -3.0, -15.0])
@pytest.mark.parametrize(
    ("azimuth_deg", "tilt_deg", "roll_deg"), [(20, 15, 0), (110, 20, 90), (250, 10, 180)]
)
def test_positions_are_good_to_a_hundredth_of_a_pixel(
    azimuth_deg: float, tilt_deg: float, roll_deg: float, z_ref_mm: float
) -> None:
    camera = camera_over(azimuth_deg, tilt_deg, 300.0, radial=(0.05, -0.03), roll_deg=roll_deg)
    grid = square_grid(55.0, 1.0)
    fields = [grid.evaluate(c) for c in pixel_polynomials(camera, grid.area, z_ref_mm)]
    for above in (-4.0, -1.7, 0.0, 2.3, 4.0):
        near = [p0 + above * (p1 + above * p2) for p0, p1, p2 in (fields[:3], fields[3:])]
        assert np.abs(np.stack(near, -1) - exact(camera, grid, above, z_ref_mm)).max() < 0.01


def test_the_wider_square_of_the_paper_is_good_to_a_twentieth() -> None:
    camera = camera_over(20, 15, 300.0, radial=(0.05, -0.03))
    grid = square_grid(75.0, 1.5)
    fields = [grid.evaluate(c) for c in pixel_polynomials(camera, grid.area, 0.0)]
    near = np.stack([fields[0], fields[3]], -1)
    assert np.abs(near - exact(camera, grid, 0.0, 0.0)).max() < 0.05


def test_a_window_that_is_neither_square_nor_centred_is_as_good() -> None:
    """A chip's window is 80 x 105 mm; one that reaches a wall lies off the middle."""
    camera = camera_over(110, 15, 320.0, radial=(0.05, -0.03), roll_deg=90)
    grid = Grid(Rectangle(-35.0, -47.0, 35.0, 57.0), 1.0)
    assert grid.shape == (104, 70)
    fields = [grid.evaluate(c) for c in pixel_polynomials(camera, grid.area, 0.0)]
    near = np.stack([fields[0], fields[3]], -1)
    assert np.abs(near - exact(camera, grid, 0.0, 0.0)).max() < 0.01
    x, y = grid.places_mm()
    at = camera.project(np.stack([x, y, np.zeros_like(x)], -1))
    np.testing.assert_allclose(at, exact(camera, grid, 0.0, 0.0), atol=1e-6)


def test_offset_is_taken_off() -> None:
    camera = camera_over(20, 15, 320.0)
    grid = square_grid(40.0, 2.0)
    plain, off = (pixel_polynomials(camera, grid.area, 0.0, o) for o in ((0.0, 0.0), (700.0, -30.0)))
    np.testing.assert_allclose(grid.evaluate(plain[0]) - grid.evaluate(off[0]), 700.0, atol=1e-2)
    np.testing.assert_allclose(grid.evaluate(plain[3]) - grid.evaluate(off[3]), -30.0, atol=1e-2)
    for k in (1, 2, 4, 5):
        np.testing.assert_allclose(plain[k], off[k], atol=1e-9)


def test_rows_run_down_the_sheet_and_columns_to_the_right() -> None:
    grid = square_grid(10.0, 0.5)
    x_and_y = np.zeros((5, 5))
    x_and_y[0, 1], x_and_y[1, 0] = 10.0, 1000.0  # x in mm plus 100 y
    values = grid.evaluate(x_and_y)
    assert values.shape == (40, 40)
    assert values[0, 0] == pytest.approx(-9.75 + 975)
    assert values[-1, -1] == pytest.approx(9.75 - 975)
    assert values[0, -1] == pytest.approx(9.75 + 975)
