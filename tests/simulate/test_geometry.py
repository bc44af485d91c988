"""Photos obey the camera they were made with: card, window and heights land where `Camera.project` says."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from assessor.card.layout import DICTIONARY
from assessor.simulate.camera import feet_on_card, render_view
from assessor.simulate.march import march_floor
from assessor.simulate.scene import Scene
from assessor.values import FloatArray
from tests.simulate.conftest import PX_PER_MM, SIZE_PX, camera_at, floor_of, with_floor


def test_feet_invert_projection() -> None:
    camera = camera_at(200.0, 18.0, k1=0.05, k2=-0.03)
    x, y = np.meshgrid(np.linspace(0, SIZE_PX[0] - 1, 7), np.linspace(0, SIZE_PX[1] - 1, 5))
    foot_x, foot_y = feet_on_card(camera, x, y)
    back = camera.project(np.stack([foot_x, foot_y, np.zeros_like(x)], axis=-1))
    assert np.abs(back - np.stack([x, y], axis=-1)).max() < 1e-4


def _edge_offsets(image: FloatArray, scene: Scene, camera: object) -> FloatArray:
    """Distance in px between each marker side's 50 % crossing in the photo and its true projection."""
    offsets = []
    along, across = np.linspace(0.15, 0.85, 24)[:, None], np.linspace(-2.5, 2.5, 41)
    for marker in scene.sheet.layout.markers:
        corners = marker.corners_mm()
        for a, b in zip(corners, np.roll(corners, -1, 0), strict=True):
            line = camera.project(scene.sheet.true_mm(a + along * (b - a)))  # type: ignore[attr-defined]
            direction = (line[-1] - line[0]) / np.linalg.norm(line[-1] - line[0])
            normal = np.array([direction[1], -direction[0]])
            points = (line[:, None] + across[None, :, None] * normal).astype(np.float32)
            profile = cv2.remap(image, points[..., 0], points[..., 1], cv2.INTER_CUBIC)
            low, high = profile[:, :4].mean(1), profile[:, -4:].mean(1)
            level = ((profile - low[:, None]) / (high - low)[:, None]).mean(0)
            offsets.append(np.interp(0.5, level, across) if level[0] < level[-1] else np.nan)
    return np.array(offsets)


@pytest.mark.parametrize("azimuth", [270.0, 40.0])
def test_marker_edges_lie_where_the_camera_projects_them(flat_scene: Scene, azimuth: float) -> None:
    # Issue brief: without lens and sensor, within 0.05 px; the sheet is bowed, cockled and stretched here.
    camera = camera_at(azimuth, k1=0.04, k2=-0.02)
    image = render_view(camera, SIZE_PX, flat_scene)
    offsets = _edge_offsets(np.ascontiguousarray(image[..., 1]), flat_scene, camera)
    assert np.isfinite(offsets).all()
    assert np.sqrt((offsets**2).mean()) < 0.05
    assert abs(offsets.mean()) < 0.01


def test_aruco_module_finds_every_marker_in_place(flat_scene: Scene) -> None:
    # Outside check: OpenCV's own detector, whose corners err by some tenths of a pixel.
    camera = camera_at(90.0)
    grey = np.clip(render_view(camera, SIZE_PX, flat_scene)[..., 1], 0, 1)
    encoded = np.round(255 * grey ** (1 / 2.2)).astype(np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(encoded)
    truth = {
        m.id: camera.project(flat_scene.sheet.true_mm(m.corners_mm()))
        for m in flat_scene.sheet.layout.fixed_markers().values()
    }
    found = {int(i): c[0] for c, i in zip(corners, ids.ravel(), strict=True) if int(i) in truth}
    assert set(found) == set(truth)
    errors = np.concatenate([found[i] - truth[i] for i in truth])
    assert np.sqrt((errors**2).mean()) < 0.4
    assert np.linalg.norm(errors.mean(0)) < 0.1


def _bump(height_mm: float, at_mm: tuple[float, float] = (10.0, -15.0)) -> FloatArray:
    """A level floor at -2 mm with one 8 mm wide dome (or bowl) at a place without symmetry."""
    n = round(140 * PX_PER_MM)
    at = (np.arange(n) + 0.5) / PX_PER_MM - 70
    r2 = (at[None, :] - at_mm[0]) ** 2 + (-at[:, None] - at_mm[1]) ** 2
    return (-2.0 + height_mm * np.exp(-r2 / (2 * 2.5**2))).astype(np.float32)


@pytest.mark.parametrize(("height", "azimuth"), [(1.5, 0.0), (-1.5, 130.0)])
def test_raised_points_move_away_from_the_cameras_foot(
    flat_scene: Scene, height: float, azimuth: float
) -> None:
    """A dark spot on a bump's top is seen (on the card plane) shifted by h (x - C)/(C_z - h), design section 4."""
    field = _bump(height)
    n = field.shape[0]
    at = (np.arange(n) + 0.5) / PX_PER_MM - 70
    spot = np.hypot(at[None, :] - 10, -at[:, None] + 15) < 1.0
    floor = floor_of(field, np.where(spot, 0.02, 0.4))
    scene = with_floor(flat_scene, floor)
    camera = camera_at(azimuth, 18.0)
    image = render_view(camera, SIZE_PX, scene)[..., 1]
    px = camera.project(np.array([10.0, -15.0, -2.0 + height]))
    x0, y0 = np.round(px).astype(int) - 20
    dark = np.clip(0.2 - image[y0 : y0 + 41, x0 : x0 + 41], 0, None)
    row, col = np.mgrid[0:41, 0:41]
    seen = np.array([(dark * col).sum(), (dark * row).sum()]) / dark.sum() + (x0, y0)
    assert np.linalg.norm(seen - px) < 0.3
    # The wrong sign of the height would be off by this much, so the check can fail.
    wrong = camera.project(np.array([10.0, -15.0, -2.0 - height]))
    assert np.linalg.norm(px - wrong) > 2.0
    foot = np.stack(feet_on_card(camera, seen[:1], seen[1:]), -1)[0]
    level = np.stack(
        feet_on_card(camera, *(v[None] for v in camera.project(np.array([10.0, -15.0, -2.0])))), -1
    )[0]
    away = np.array([10.0, -15.0]) - camera.position_mm[:2]
    assert np.sign((foot - level) @ away) == np.sign(height)


def test_march_agrees_with_a_fine_brute_force_search(flat_scene: Scene) -> None:
    rng = np.random.default_rng(5)
    n = round(140 * PX_PER_MM)
    at = (np.arange(n) + 0.5) / PX_PER_MM
    field = (-3 + 1.5 * np.sin(at[None, :] * 1.1) * np.cos(at[:, None] * 0.3)).astype(np.float32)
    scene = with_floor(flat_scene, floor_of(field))
    centre = np.array([90.0, -40.0, 320.0])
    foot_x, foot_y = (rng.uniform(-45, 45, (6, 9)).astype(np.float32) for _ in "xy")
    x, y = march_floor(foot_x, foot_y, centre, scene.floor)
    levels = np.linspace(0, -5, 5001)
    for i, j in np.ndindex(foot_x.shape):
        foot = np.array([foot_x[i, j], foot_y[i, j]])
        line = foot + (centre[:2] - foot) * (levels / centre[2])[:, None]
        col, row = scene.floor.pixels(line[:, 0], line[:, 1])
        ground = cv2.remap(
            field, col.astype(np.float32)[None], row.astype(np.float32)[None], cv2.INTER_LINEAR
        )[0]
        first = line[np.argmax(ground >= levels)]
        assert np.hypot(x[i, j] - first[0], y[i, j] - first[1]) < 0.02
