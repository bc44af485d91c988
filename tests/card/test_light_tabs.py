"""Lights read back from tab shadows that trigonometry drew."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.card.light import read_lights
from assessor.errors import LightMoved
from assessor.values import Lighting, Photo
from tests.card.tab_photos import PX_PER_MM, SIZE_PX, Lamp, Tabs, photo, seen


def read(*photos: Photo) -> Lighting:
    return read_lights(list(photos), *seen(list(photos)))


def turn_deg(found: float, true: float) -> float:
    return (found - true + 180) % 360 - 180


@pytest.mark.parametrize(
    ("azimuth", "elevation"), [(35.0, 20.0), (130.0, 34.0), (222.0, 45.0), (304.0, 50.0), (51.0, 27.0)]
)
def test_the_suns_direction_is_read_to_a_fifth_of_a_degree(azimuth: float, elevation: float) -> None:
    (light,) = read(photo((Lamp(azimuth, elevation),))).lights
    assert light.elevation_deg == pytest.approx(elevation, abs=0.2)
    assert turn_deg(light.azimuth_deg, azimuth) == pytest.approx(0, abs=0.3)
    assert light.share == pytest.approx(0.8, abs=0.03)
    assert light.softness_deg < 1
    assert light.position_mm is None
    assert len(light.tabs_used) == 4


def test_a_light_along_the_sheet_meets_two_tabs_edge_on() -> None:
    """Then lean and elevation look alike in the two that are left, and the uncertainty says so."""
    (light,) = read(photo((Lamp(2.0, 27.0),))).lights
    assert turn_deg(light.azimuth_deg, 2) == pytest.approx(0, abs=0.3)
    assert abs(light.elevation_deg - 27) < max(light.u_elevation_deg, 0.5)
    assert 0.5 < light.u_elevation_deg < 1.5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tabs_that_lean_and_are_cut_badly_stay_within_the_uncertainty(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lean, taller = (tuple(float(v) for v in rng.normal(0, sd, 4)) for sd in (4.0, 0.3))
    (light,) = read(photo((Lamp(130.0, 34.0),), Tabs(lean, taller))).lights  # type: ignore[arg-type]
    assert 0.2 < light.u_elevation_deg < 0.8
    assert abs(light.elevation_deg - 34) < 2.5 * light.u_elevation_deg
    assert abs(turn_deg(light.azimuth_deg, 130)) < 2.5 * light.u_azimuth_deg


def test_a_near_lamp_has_a_place() -> None:
    (light,) = read(photo((Lamp(60.0, 30.0, 0.6, 0.5, 400.0),))).lights
    true = 400 * np.array([np.cos(np.pi / 6) / 2, np.cos(np.pi / 6) * np.sqrt(0.75), 0.5])
    assert light.position_mm is not None
    assert np.linalg.norm(light.position_mm - true) < 40
    assert light.elevation_deg == pytest.approx(30, abs=1.0)
    assert turn_deg(light.azimuth_deg, 60) == pytest.approx(0, abs=1.5)


def test_softness_is_the_half_angle_of_the_disc() -> None:
    for half_angle in (2.0, 5.0):
        (light,) = read(photo((Lamp(140.0, 35.0, 0.7, half_angle),))).lights
        assert light.softness_deg == pytest.approx(half_angle, abs=0.12 * half_angle)
        assert abs(light.elevation_deg - 35) < 1.5 * light.u_elevation_deg < 1.2


def test_two_lights_are_two() -> None:
    found = read(photo((Lamp(130.0, 34.0, 0.45), Lamp(250.0, 30.0, 0.35)))).lights
    assert len(found) == 2
    for light, (azimuth, elevation, share) in zip(found, ((130, 34, 0.45), (250, 30, 0.35)), strict=True):
        assert turn_deg(light.azimuth_deg, azimuth) == pytest.approx(0, abs=0.6)
        assert light.elevation_deg == pytest.approx(elevation, abs=0.5)
        assert light.share == pytest.approx(share, abs=0.04)


def test_no_shadow_no_light() -> None:
    for lighting in (read(photo(())), read(photo((Lamp(130.0, 34.0),), Tabs(up=(False,) * 4)))):
        assert lighting.lights == ()
        assert lighting.diffuse_share is None
        assert lighting.method == "the tabs show no shadow"
        assert lighting.sentence == "no direction to be seen"


def test_a_tab_that_lies_flat_is_left_out() -> None:
    (light,) = read(photo((Lamp(130.0, 34.0),), Tabs(up=(True, False, True, True)))).lights
    assert light.tabs_used == ("top-left", "bottom-right", "bottom-left")
    assert light.elevation_deg == pytest.approx(34, abs=0.5)


def test_a_still_light_is_still() -> None:
    lighting = read(*(photo((Lamp(130.0, 34.0),), name=f"{k}", seed=k) for k in range(3)))
    assert lighting.moved_deg is not None
    assert lighting.moved_deg < 0.5
    assert lighting.flags == ()
    assert lighting.sentence.startswith("one, from 130 degrees at 34.0 degrees elevation (+-0.")


def test_a_lamp_that_moved_is_refused_by_photo() -> None:
    still = [photo((Lamp(130.0, 34.0),), name=f"{k}.jpg", seed=k) for k in range(3)]
    with pytest.raises(
        LightMoved, match=r"^d\.jpg: the light from 13\d degrees stands [67] degrees from"
    ):  # 8 x cos(34)
        read(*still, photo((Lamp(138.0, 34.0),), name="d.jpg"))
    with pytest.raises(
        LightMoved, match=r"^d\.jpg: the light from 130 degrees is .* weaker than in the other photos"
    ):
        read(*still, photo((), name="d.jpg"))


def side_shade(
    depth: float, edge_mm: float, soft_mm: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """Light left where everything right of edge_mm is `depth` darker, (H, W)."""
    x = (np.arange(SIZE_PX[0]) + 0.5 - SIZE_PX[0] / 2) / PX_PER_MM
    step = 1 / (1 + np.exp(-(x - edge_mm) / soft_mm))
    return np.repeat((1 - depth * step)[None].astype(np.float32), SIZE_PX[1], 0)


def test_a_bodys_shadow_is_flagged_or_refused_with_its_side() -> None:
    still = [photo((Lamp(130.0, 34.0, 0.5),), name=f"{k}.jpg", seed=k) for k in range(3)]
    soft = photo((Lamp(130.0, 34.0, 0.5),), name="d.jpg", shade=side_shade(0.2, 20.0, 15.0))
    lighting = read(*still, soft)
    assert lighting.flags == ("body-shadow",)
    assert "; in d.jpg the right side of the card is 1" in lighting.sentence
    hard = photo((Lamp(130.0, 34.0, 0.5),), name="d.jpg", shade=side_shade(0.5, 20.0, 1.0))
    with pytest.raises(
        LightMoved, match=r"^d\.jpg: a shadow covers the right side of the card: [345]\d% of the"
    ):
        read(*still, hard)
