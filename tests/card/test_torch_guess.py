"""The torch's side from the fall-off of its light over the paper: made-up lights by inverse square times cosine."""

from __future__ import annotations

import math

import numpy as np
import pytest

from assessor.card.torch_guess import guess_torches
from assessor.card.white import white_basis, white_points_mm
from assessor.values import Exif, FloatArray, Torches

POINTS = white_points_mm()
BASIS = white_basis(POINTS[:, 0], POINTS[:, 1]).T
EXIF = Exif(exposure_s=0.01, iso=100.0)
AZIMUTHS = (5.0, 50.0, 95.0, 140.0, 185.0, 230.0, 275.0, 320.0)


def torch(azimuth_deg: float, elevation_deg: float = 25.0, distance_mm: float = 430.0) -> FloatArray:
    """Light (N,) on the paper over that at the centre: Lambert 1760, from a near point."""
    turn, up = math.radians(azimuth_deg), math.radians(elevation_deg)
    place = distance_mm * np.array(
        [math.cos(up) * math.cos(turn), math.cos(up) * math.sin(turn), math.sin(up)]
    )
    square = ((POINTS - place[:2]) ** 2).sum(1) + place[2] ** 2
    return np.asarray((distance_mm**2 / square) ** 1.5)


def fit(light: FloatArray) -> FloatArray:
    """As `Rectified.white_fit`: log of the light per channel, a quadratic."""
    told = np.linalg.lstsq(BASIS, np.log(light), rcond=None)[0]
    return np.stack([told, told, told - 0.1], axis=1) * [[1.0, 1.0, 1.0]] * np.ones((6, 1))


def off_deg(found: Torches, true: tuple[float, ...] = AZIMUTHS) -> float:
    turns = [light.azimuth_deg - azimuth for light, azimuth in zip(found.lights, true, strict=True)]
    return max(abs((turn + 180) % 360 - 180) for turn in turns)


def names(n: int) -> list[str]:
    return [f"{k}.jpg" for k in range(n)]


@pytest.mark.parametrize("elevation_deg", [18.0, 25.0, 38.0])
def test_the_side_is_told_whatever_the_height(elevation_deg: float) -> None:
    fits = [fit(torch(azimuth, elevation_deg)) for azimuth in AZIMUTHS]
    found = guess_torches(names(8), fits, None, [EXIF] * 8)
    assert off_deg(found) < 5
    assert found.photo_names == tuple(names(8))


def test_a_sheet_is_not_square_and_the_side_is_still_told() -> None:
    # Paper is longer along y; a light from 45 degrees must not be read as one from there.
    found = guess_torches(names(1), [fit(torch(45.0))], None, [EXIF])
    assert found.lights[0].azimuth_deg == pytest.approx(45.0, abs=3)


def test_a_window_behind_is_taken_off_by_the_dark_photo() -> None:
    room = 0.8 * np.exp(-0.8 * POINTS[:, 0] / 100)  # brighter at the left
    fits = [fit(torch(azimuth) + room) for azimuth in AZIMUTHS]
    with_dark = guess_torches(names(8), fits, fit(room), [EXIF] * 9)
    assert off_deg(with_dark) < 8
    without = guess_torches(names(8), fits, None, [EXIF] * 8)
    assert off_deg(without, tuple(AZIMUTHS[names(8).index(name)] for name in without.photo_names)) > 15


def test_another_exposure_of_the_dark_photo_is_taken_from_exif() -> None:
    room = 0.8 * np.exp(-0.8 * POINTS[:, 0] / 100)
    fits = [fit(torch(azimuth) + room) for azimuth in AZIMUTHS]
    longer = Exif(exposure_s=0.03, iso=100.0)
    assert off_deg(guess_torches(names(8), fits, fit(3 * room), [*[EXIF] * 8, longer])) < 8
    # Where EXIF is silent the exposure was locked.
    assert off_deg(guess_torches(names(8), fits, fit(room), [Exif()] * 9)) < 8


def test_even_light_has_no_side() -> None:
    even = fit(np.ones(len(POINTS)))
    assert guess_torches(names(1), [even], None, [EXIF]).lights == ()
    found = guess_torches(names(3), [even, fit(torch(95.0)), even], None, [EXIF] * 3)
    assert found.photo_names == ("1.jpg",)
    assert len(found.u_tan_own) == 1
    assert found.sentence == "torch seen on 1 sides, but no tab tells how high it was held"


def test_the_height_is_a_habit_and_says_so() -> None:
    found = guess_torches(names(1), [fit(torch(95.0, 38.0))], None, [EXIF])
    (light,) = found.lights
    assert light.elevation_deg == 25.0
    assert light.u_elevation_deg >= 8
    assert light.tabs_used == ()
    assert found.flags == ("torch-unplaced",)
    assert math.isinf(found.u_tan_common)
    assert all(math.isinf(u) for u in found.u_tan_own)
    assert light.position_mm is not None
    x, y, z = light.position_mm
    assert math.hypot(x, y, z) == pytest.approx(430.0)
    assert math.degrees(math.atan2(y, x)) == pytest.approx(light.azimuth_deg)
    assert math.degrees(math.asin(z / 430.0)) == pytest.approx(25.0)
