"""Outside check of the cameras: OpenCV's projection, pose and calibration on the same corners.

OpenCV 5.0 `projectPoints`, `solvePnP` and `calibrateCamera` (Zhang 2000, "A flexible new technique for camera
calibration"); distortion in its order k1, k2, p1, p2, k3.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from assessor.card.bundle import CameraSettings
from assessor.card.camera import adjust_cameras
from assessor.card.layout import card_layout
from assessor.values import Camera, FloatArray, PrintScale
from tests.card.sightings import (
    FLAT,
    FOCAL_PX,
    SERIAL,
    SIZE_PX,
    camera_over,
    exifs,
    sightings_of,
    view_spread,
)

PLAIN = PrintScale(1.0, 1.0, 1e-4, 1e-4, True)


def plane_mm() -> FloatArray:
    """(144, 3) drawn corners."""
    xy = np.array([m.corners_mm() for m in card_layout(SERIAL).markers]).reshape(-1, 2)
    return np.column_stack([xy, np.zeros(len(xy))])


def cameras(radial: tuple[float, float] = (0.05, -0.03)) -> list[Camera]:
    places = ((10.0, 15.0, 340.0), (95.0, 13.0, 360.0), (170.0, 17.0, 330.0), (280.0, 15.0, 350.0))
    return [camera_over(*place, radial=radial, roll_deg=20.0 * k) for k, place in enumerate(places)]


def matrix(camera: Camera) -> FloatArray:
    f, (cx, cy) = camera.focal_px, camera.centre_px
    return np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])


def test_projection_is_opencvs() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(-130, 130, (500, 3)) * (1, 1, 0.1)
    for camera in cameras((0.08, -0.05)):
        turn = cv2.Rodrigues(np.array(camera.camera_from_card))[0]
        theirs = cv2.projectPoints(
            points, turn, np.array(camera.shift_mm), matrix(camera), np.array([camera.k1, camera.k2, 0, 0])
        )[0]
        np.testing.assert_allclose(camera.project(points), theirs[:, 0], rtol=0, atol=1e-9)


def test_poses_agree_with_solve_pnp_given_our_lens() -> None:
    """0.02 px of noise moves a single pose by some 0.05 mm; the joint fit must lie within three times that."""
    rng = np.random.default_rng(3)
    truth = cameras()
    sightings = sightings_of(truth, replace(FLAT, noise_px=0.02), rng)
    found = adjust_cameras(sightings, exifs(4, FOCAL_PX * 43.267 / 5000), PLAIN)
    for sighting, camera in zip(sightings, found.cameras, strict=True):
        lens = np.array([camera.k1, camera.k2, 0, 0])
        done, turn, shift = cv2.solvePnP(
            plane_mm(), np.array(sighting.corners_px).reshape(-1, 2), matrix(camera), lens
        )
        assert done
        rotation = cv2.Rodrigues(turn)[0]
        angle = np.degrees(np.linalg.norm(cv2.Rodrigues(rotation @ camera.camera_from_card.T)[0]))
        theirs = -rotation.T @ shift.ravel()
        assert np.linalg.norm(theirs - camera.position_mm) < 0.3
        assert angle < 0.05


def test_lens_and_views_agree_with_calibrate_camera() -> None:
    """Without noise both must find the truth: focal length to 1e-4, views to 1e-5."""
    truth = cameras()
    sightings = sightings_of(truth, FLAT, np.random.default_rng(4))
    rms, theirs, lens, turns, shifts = cv2.calibrateCamera(
        [plane_mm().astype(np.float32)] * 4,
        [np.array(s.corners_px, np.float32).reshape(-1, 1, 2) for s in sightings],
        SIZE_PX,
        np.eye(3),
        np.zeros(5),
        flags=cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_ASPECT_RATIO,
    )
    # OpenCV's model has neither a rolling shutter nor bends.
    same = CameraSettings(u_way_mm=1e-5, u_turn_deg=1e-5, u_bend_px=1e-5)
    ours = adjust_cameras(sightings, exifs(4, FOCAL_PX * 43.267 / 5000), PLAIN, same)
    assert rms < 1e-3
    assert ours.rms_px < 2e-3
    views = [
        Camera(
            "",
            theirs[0, 0],
            (0, 0),
            0,
            0,
            np.asarray(cv2.Rodrigues(t)[0], float),
            np.asarray(s, float).ravel(),
        )
        for t, s in zip(turns, shifts, strict=True)
    ]
    assert view_spread(ours.cameras) == pytest.approx(view_spread(views), rel=1e-4)
    assert view_spread(views) == pytest.approx(view_spread(truth), rel=1e-5)
    assert ours.cameras[0].focal_px == pytest.approx(theirs[0, 0], rel=1e-3)
    assert ours.cameras[0].k1 == pytest.approx(lens.ravel()[0], abs=2e-3)
    assert ours.cameras[0].k2 == pytest.approx(lens.ravel()[1], abs=5e-3)
