"""Rolling shutter: every row sees from its own pose, on sheet, floor and tabs alike."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.simulate.camera import STILL, Motion, Shutter, ViewRecipe, place_camera, render_view
from assessor.simulate.scene import Scene
from assessor.simulate.tabs import draw_tabs, standing_points
from tests.simulate.conftest import PX_PER_MM, SIZE_PX, camera_at, floor_of, with_floor
from tests.simulate.test_geometry import _edge_offsets

ROWS = SIZE_PX[1]
FAST = Motion(np.array([1.5, -2.0, 0.8]), np.deg2rad([0.2, -0.15, 0.3]))


def _down(motion: Motion) -> Shutter:
    """A camera 300 mm straight above the card, its right = card +x, its down = card -y."""
    camera = place_camera("down", ViewRecipe(0.0, 0.0, 300.0, roll_deg=0.0, focal_px=1160.0), SIZE_PX)
    return Shutter(camera, motion, ROWS)


@pytest.mark.parametrize("y_mm", [-120.0, 0.0, 100.0])
def test_a_moving_phone_shifts_a_point_by_velocity_times_its_rows_time(y_mm: float) -> None:
    # Pinhole: a camera that is v t further right sees a point at depth Z shifted left by f v t / Z.
    shutter = _down(Motion(np.array([2.0, 0.0, 0.0]), np.zeros(3)))
    still = shutter.camera.project(np.array([[30.0, y_mm, 0.0]]))[0]
    seen = shutter.project(np.array([[30.0, y_mm, 0.0]]))[0]
    time = (still[1] - (ROWS - 1) / 2) / ROWS
    assert seen[0] - still[0] == pytest.approx(-1160.0 * 2.0 * time / 300.0, abs=1e-6)
    assert seen[1] == pytest.approx(still[1], abs=1e-9)
    assert abs(time) > 0.3 or y_mm == 0.0


def test_a_turning_phone_shears_the_picture() -> None:
    # A camera that turns right by a shifts what it sees left by f tan(a); rows above the middle, which are read
    # before it, shift right.
    turn = np.deg2rad(0.5)
    shutter = _down(Motion(np.zeros(3), np.array([0.0, turn, 0.0])))
    seen = shutter.project(np.array([[0.0, 130.0, 0.0]]))[0]
    time = (seen[1] - (ROWS - 1) / 2) / ROWS
    assert time < -0.35
    assert seen[0] - (SIZE_PX[0] - 1) / 2 == pytest.approx(-1160.0 * np.tan(turn * time), abs=0.02)


def test_feet_invert_projection_row_by_row() -> None:
    shutter = Shutter(camera_at(200.0, 18.0, k1=0.05, k2=-0.03), FAST, ROWS)
    x, y = np.meshgrid(np.linspace(0, SIZE_PX[0] - 1, 7), np.linspace(0, ROWS - 1, 5))
    foot_x, foot_y = shutter.feet(x, y)
    points = np.stack([foot_x, foot_y, np.zeros_like(x)], axis=-1).reshape(-1, 3)
    back = shutter.project(points)
    assert np.abs(back - np.stack([x, y], axis=-1).reshape(-1, 2)).max() < 1e-3
    level = shutter.camera.project(points)
    assert np.abs(back - level).max() > 5  # so that the check can fail


def test_markers_lie_where_the_rolling_camera_projects_them(flat_scene: Scene) -> None:
    shutter = Shutter(camera_at(40.0, k1=0.04, k2=-0.02), FAST, ROWS)
    image = np.ascontiguousarray(render_view(shutter.camera, SIZE_PX, flat_scene, FAST)[..., 1])
    offsets = _edge_offsets(image, flat_scene, shutter)
    assert np.sqrt((offsets**2).mean()) < 0.05
    middle_row = _edge_offsets(image, flat_scene, shutter.camera)
    assert np.sqrt(np.nanmean(middle_row**2)) > 0.5


def test_the_floor_rolls_with_the_sheet(flat_scene: Scene) -> None:
    n = round(140 * PX_PER_MM)
    at = (np.arange(n) + 0.5) / PX_PER_MM - 70
    spot = np.hypot(at[None, :] + 40, -at[:, None] - 45) < 1.5
    floor = floor_of(np.full((n, n), -2.0, np.float32), np.where(spot, 0.02, 0.4))
    shutter = Shutter(camera_at(130.0), FAST, ROWS)
    image = render_view(shutter.camera, SIZE_PX, with_floor(flat_scene, floor), FAST)[..., 1]
    px = shutter.project(np.array([[-40.0, 45.0, -2.0]]))[0]
    x0, y0 = np.round(px).astype(int) - 15
    dark = np.clip(0.2 - image[y0 : y0 + 31, x0 : x0 + 31], 0, None)
    row, col = np.mgrid[0:31, 0:31]
    seen = np.array([(dark * col).sum(), (dark * row).sum()]) / dark.sum() + (x0, y0)
    assert np.linalg.norm(seen - px) < 0.1
    assert np.linalg.norm(shutter.camera.project(np.array([-40.0, 45.0, -2.0])) - px) > 1.0


def test_the_tabs_roll_with_the_sheet(flat_scene: Scene) -> None:
    shutter = Shutter(camera_at(130.0), FAST, ROWS)
    image = np.zeros((ROWS, SIZE_PX[0], 3), np.float32)
    draw_tabs(image, shutter, flat_scene.sheet, flat_scene.light)
    for tab in flat_scene.sheet.layout.tabs:
        corners = standing_points(flat_scene.sheet, tab)
        # The middle of a triangle is the mean of its corners.
        px = np.mean([shutter.at(shutter.project(c[None])[0, 1]).project(c) for c in corners], axis=0)
        x0, y0 = np.round(px).astype(int) - 40
        part = image[y0 : y0 + 81, x0 : x0 + 81, 1]
        row, col = np.mgrid[0:81, 0:81]
        seen = np.array([(part * col).sum(), (part * row).sum()]) / part.sum() + (x0, y0)
        assert np.linalg.norm(seen - px) < 0.2
        assert np.linalg.norm(shutter.camera.project(corners).mean(0) - px) > 0.5


def test_no_motion_is_the_plain_camera(flat_scene: Scene) -> None:
    camera = camera_at(20.0)
    zero = Motion(np.zeros(3), np.zeros(3))
    one, other = (render_view(camera, SIZE_PX, flat_scene, motion) for motion in (STILL, zero))
    assert np.abs(one - other).max() < 0.02
