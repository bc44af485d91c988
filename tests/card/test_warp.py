"""The cubic that stands for a rolling shutter and a bent picture, against a phone that exposes row by row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.sampling import pixel_polynomials, square_grid
from assessor.card.warp import BENDS, Rolling, bend_terms, join_warp, row_time
from assessor.values import Camera, warp_terms
from tests.card.phones import RollingPhone
from tests.card.sightings import FOCAL_PX, camera_over

WAY_MM, TURN_RAD = np.array([0.4, -0.3, 0.5]), np.radians([0.08, 0.05, -0.1])


def floor(depth_mm: float, half_mm: float = 60.0) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(-half_mm, half_mm, 9), np.linspace(-half_mm, half_mm, 9))
    return np.stack([x, y, np.full_like(x, -depth_mm)], -1).reshape(-1, 3)


def views(size_px: tuple[int, int]) -> tuple[RollingPhone, Rolling]:
    centre = ((size_px[0] - 1) / 2 + 12, (size_px[1] - 1) / 2 - 9)
    camera = camera_over(70.0, 16.0, 340.0, radial=(0.05, -0.03), centre_px=centre, roll_deg=8.0)
    phone = RollingPhone(camera, WAY_MM, TURN_RAD, size_px=size_px)
    return phone, Rolling(WAY_MM, TURN_RAD, size_px)


@pytest.mark.parametrize("size_px", [(4000, 3000), (3000, 4000)], ids=["lying", "upright"])
@pytest.mark.parametrize(("depth_mm", "allowed_px"), [(0.0, 0.003), (3.0, 0.006), (15.0, 0.03)])
def test_the_cubic_follows_a_phone_that_reads_row_by_row(
    size_px: tuple[int, int], depth_mm: float, allowed_px: float
) -> None:
    phone, rolling = views(size_px)
    warp = join_warp(phone.camera, rolling, np.zeros((BENDS, 2)), FOCAL_PX)
    points = floor(depth_mm)
    true = phone.project(points)
    assert np.abs(replace(phone.camera, warp=warp).project(points) - true).max() < allowed_px
    assert np.abs(phone.camera.project(points) - true).max() > 0.5


def test_bends_come_through_unchanged() -> None:
    phone, _ = views((4000, 3000))
    bends = np.random.default_rng(1).normal(0, 0.2, (BENDS, 2))
    still = Rolling(np.zeros(3), np.zeros(3), (4000, 3000))
    warp = join_warp(phone.camera, still, bends, FOCAL_PX)
    points = floor(2.0, 100.0)
    plain = phone.camera.project(points)
    expected = bend_terms((plain - (1999.5, 1499.5)) / FOCAL_PX) @ bends
    np.testing.assert_allclose(replace(phone.camera, warp=warp).project(points) - plain, expected, atol=1e-6)


def test_rows_run_along_the_shorter_side_from_minus_half_to_half() -> None:
    corners = np.array([[0.0, 0.0], [3999.0, 2999.0]])
    np.testing.assert_allclose(row_time(corners, np.array([4000, 3000])), [-0.5, 0.5])
    np.testing.assert_allclose(row_time(corners[:, ::-1], np.array([3000, 4000])), [-0.5, 0.5])
    assert row_time(np.array([[3999.0, 0.0]]), np.array([4000, 3000]))[0] == -0.5


def test_terms_are_all_products_up_to_third_degree() -> None:
    terms = warp_terms(np.array([[2.0, 3.0]]))[0]
    assert sorted(terms) == sorted(2.0**i * 3.0**j for i in range(4) for j in range(4 - i))
    assert bend_terms(np.array([[0.4, 0.4]])) == pytest.approx(np.ones((1, BENDS)))


@pytest.mark.parametrize("z_ref_mm", [0.0, -3.0, -15.0])
def test_fast_positions_follow_the_warp(z_ref_mm: float) -> None:
    phone, rolling = views((4000, 3000))
    bends = np.random.default_rng(2).normal(0, 0.2, (BENDS, 2))
    camera: Camera = replace(phone.camera, warp=join_warp(phone.camera, rolling, bends, FOCAL_PX))
    grid = square_grid(55.0, 2.0)
    fields = [grid.evaluate(c) for c in pixel_polynomials(camera, grid.area, z_ref_mm)]
    at = -55.0 + (np.arange(grid.shape[0]) + 0.5) * 2.0
    x, y = np.meshgrid(at, at[::-1])
    for above in (-3.0, 1.5):
        near = [p0 + above * (p1 + above * p2) for p0, p1, p2 in (fields[:3], fields[3:])]
        exact = camera.project(np.stack([x, y, np.full_like(x, z_ref_mm + above)], -1))
        assert np.abs(np.stack(near, -1) - exact).max() < 0.01
