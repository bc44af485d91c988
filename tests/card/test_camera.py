"""Cameras of a capture against cameras that are known because the corners were made with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.bundle import CameraSettings
from assessor.card.camera import adjust_cameras
from assessor.errors import CardNotFlat, MixedCards, PoorGeometry
from assessor.values import CardSighting, FloatArray, PrintScale
from tests.card.sightings import (
    FLAT,
    Print,
    camera_over,
    exifs,
    sightings_of,
    usual_cameras,
    view_spread,
)

BARS = PrintScale(1.02, 0.985, 0.002, 0.002, True)


def capture(seed: int = 0, made: Print | None = None) -> list[CardSighting]:
    rng = np.random.default_rng(seed)
    return sightings_of(usual_cameras(rng), made or Print(), rng)


@pytest.mark.parametrize("focal_35mm", [26.0, 25.22 * 1.05, 25.22 * 0.95, None])
@pytest.mark.parametrize("bars", [BARS, PrintScale()], ids=["bars", "unchecked"])
def test_known_cameras_come_back(focal_35mm: float | None, bars: PrintScale) -> None:
    rng = np.random.default_rng(5)
    cameras = usual_cameras(rng)
    found = adjust_cameras(sightings_of(cameras, Print(), rng), exifs(4, focal_35mm), bars)
    assert view_spread(found.cameras) == pytest.approx(view_spread(cameras), rel=2e-3)
    aspect = found.print_scale.y / found.print_scale.x
    assert aspect == pytest.approx(0.985 / 1.02, rel=1e-3)
    # What was put in is 0.03 px on both axes; 800 numbers less some 190 parameters leave a little less.
    assert 0.022 < found.rms_px < 0.032
    assert found.rms_mm == pytest.approx(found.rms_px / 8.0)
    assert found.focal_source == ("exif" if focal_35mm else "solved")
    assert ("focal-unknown" in found.flags) == (focal_35mm is None)
    assert ("bars-unchecked" in found.flags) == (not bars.checked)


def test_view_directions_come_back_photo_by_photo() -> None:
    rng = np.random.default_rng(6)
    cameras = usual_cameras(rng)
    found = adjust_cameras(sightings_of(cameras, Print(), rng), exifs(4), BARS)
    for truth, fitted in zip(cameras, found.cameras, strict=True):
        directions = [c.position_mm[:2] / c.position_mm[2] for c in (truth, fitted)]
        # A sheet's own slope tilts all views alike and takes a plane off the floor, no texture: 0.01 is 0.6 deg.
        assert np.abs(directions[0] - directions[1]).max() < 0.01
        assert fitted.photo_name == truth.photo_name


def test_u_gain_covers_the_actual_error_and_is_not_far_too_wide() -> None:
    errors, claims = [], []
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        cameras = usual_cameras(rng)
        found = adjust_cameras(sightings_of(cameras, Print(), rng), exifs(4), BARS)
        errors.append(abs(view_spread(found.cameras) / view_spread(cameras) - 1))
        claims.append(found.u_gain)
    assert max(e / u for e, u in zip(errors, claims, strict=True)) < 3
    assert np.sqrt(np.mean(np.square(claims))) < 5 * np.sqrt(np.mean(np.square(errors)))


def test_the_bow_and_the_corners_offset_come_back() -> None:
    made = Print(bow_mm=(1.2, -0.4, 0.9), cockle_mm=0.02, offset_mm=0.05, noise_px=0.01)
    found = adjust_cameras(capture(2, made), exifs(4), BARS)
    np.testing.assert_allclose(found.bow_mm, (1.2, -0.4, 0.9), atol=0.1)
    np.testing.assert_allclose(found.marker_offset_mm, 0.05, atol=0.01)
    assert "card-bent" not in found.flags


def test_a_bent_sheet_is_flagged_and_a_rolled_one_refused() -> None:
    bent = adjust_cameras(capture(3, Print(bow_mm=(3.0, 0, 0))), exifs(4), BARS)
    assert "card-bent" in bent.flags
    assert bent.bow_mm[0] == pytest.approx(3.0, abs=0.4)
    settings = CameraSettings(u_bow_mm=10.0)
    with pytest.raises(
        CardNotFlat, match=r"bent by 1?\d\.\d mm, at most 6 mm can be used; weigh the sheet's"
    ):
        adjust_cameras(capture(3, Print(bow_mm=(9.0, 0, 0))), exifs(4), BARS, settings)


def test_order_of_photos_does_not_matter() -> None:
    sightings = capture(7)
    there = adjust_cameras(sightings, exifs(4), BARS)
    back = adjust_cameras(sightings[::-1], exifs(4), BARS)
    for a, b in zip(there.cameras, back.cameras[::-1], strict=True):
        np.testing.assert_allclose(a.position_mm, b.position_mm, atol=2e-3)


def test_one_photo_is_fitted_with_priors_and_claims_no_gain() -> None:
    rng = np.random.default_rng(8)
    camera = camera_over(30.0, 15.0, 340.0, focal_px=26 / 43.267 * 5000)
    made = replace(FLAT, noise_px=0.03)
    found = adjust_cameras(sightings_of([camera], made, rng), exifs(1), PrintScale())
    np.testing.assert_allclose(found.cameras[0].position_mm, camera.position_mm, rtol=0.02, atol=2)
    assert np.isnan(found.u_gain)


def test_a_marker_read_wrong_is_shrugged_off() -> None:
    sightings = capture(9)
    corners = np.array(sightings[1].corners_px)
    corners[5] += (4.0, -3.0)
    sightings[1] = replace(sightings[1], corners_px=corners)
    truth = usual_cameras(np.random.default_rng(9))
    found = adjust_cameras(sightings, exifs(4), BARS)
    assert view_spread(found.cameras) == pytest.approx(view_spread(truth), rel=3e-3)


def test_two_cards_are_refused() -> None:
    sightings = capture()
    sightings[3] = replace(sightings[3], serial=99)
    with pytest.raises(MixedCards, match="the photos show cards 99 and 4660; keep one spot"):
        adjust_cameras(sightings, exifs(4), BARS)


def test_a_serial_not_read_in_one_photo_is_no_second_card() -> None:
    sightings = capture()
    sightings[3] = replace(sightings[3], serial=None)
    assert adjust_cameras(sightings, exifs(4), BARS).rms_px < 0.032


def scrambled(sighting: CardSighting, noise_px: float) -> FloatArray:
    rng = np.random.default_rng(1)
    return np.asarray(sighting.corners_px + rng.normal(0, noise_px, sighting.corners_px.shape))


def test_corners_that_do_not_fit_are_refused() -> None:
    sightings = [replace(s, corners_px=scrambled(s, 3.0)) for s in capture()]
    with pytest.raises(
        PoorGeometry,
        match=r"the photos do not fit together: corners are off by [23]\.\d\d px rms, at most 0\.3 px can be used",
    ):
        adjust_cameras(sightings, exifs(4), BARS)


def test_no_usable_marker_is_refused() -> None:
    sightings = [replace(s, marker_ids=np.full(len(s.marker_ids), 250)) for s in capture()]
    with pytest.raises(PoorGeometry, match="no marker of the card could be used"):
        adjust_cameras(sightings, exifs(4), BARS)
