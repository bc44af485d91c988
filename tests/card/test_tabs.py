"""Maps of the paper round the tabs, heights of the sheet, and one shadow against brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from assessor.card.layout import card_layout
from assessor.card.linear import linear_of_byte
from assessor.card.rectify import rectify
from assessor.card.shadow import Source, _normal, cast_shadow, points_needed, shadow_end, stand
from assessor.card.sky_shadow import hidden_sky
from assessor.card.tabs import SheetHeights, map_tabs
from assessor.values import Adjustment, FloatArray, PrintScale, ToneCurve
from tests.card.sightings import FLAT, Print, sightings_of, usual_cameras
from tests.card.tab_photos import CAMERA, Lamp, photo, seen

FOLD = np.array([[-5.0, 0.0, 0.0], [5.0, 0.0, 0.0]])
TAB = stand(FOLD, np.array([0.0, 1.0]), 14.0, 0.0)


def grid(half_mm: float = 40.0, step_mm: float = 0.5) -> FloatArray:
    at = np.arange(-half_mm, half_mm, step_mm) + step_mm / 2
    x, y = np.meshgrid(at, at)
    return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])


def test_plain_paper_is_1_and_a_shadow_takes_the_lights_share() -> None:
    pictures = [photo((Lamp(130.0, 34.0, 0.7),))]
    maps = map_tabs(pictures, *seen(pictures))
    assert maps.ratio.shape == maps.weight.shape == (1, 4, *maps.x_mm.shape[1:])
    assert maps.x_mm[0, 0, -1] > maps.x_mm[0, 0, 0]
    assert maps.y_mm[0, 0, 0] > maps.y_mm[0, -1, 0]
    ratio, weight = maps.ratio[0, 0], maps.weight[0, 0]
    assert np.median(ratio[weight > 0.9]) == pytest.approx(1, abs=0.01)
    # Halfway between the fold (-83, 79) and the tip's shadow, 14 / tan(34) = 20.8 mm to the lower right.
    x, y = -83 + 10.4 * np.cos(np.radians(50)), 79 - 10.4 * np.sin(np.radians(50))
    inside = (np.hypot(maps.x_mm[0] - x, maps.y_mm[0] - y) < 0.6) & (weight > 0.9)
    assert np.median(ratio[inside]) == pytest.approx(0.3, abs=0.02)


def test_a_photo_with_a_tone_curve_of_its_own_shows_the_same_light() -> None:
    plain = photo((Lamp(130.0, 34.0, 0.7),))
    table = (np.arange(256) / 255) ** 1.7  # another power than sRGB's
    byte = np.round(255 * linear_of_byte().astype(float) ** (1 / 1.7)).astype(np.uint8)
    bent = replace(plain, rgb_u8=byte[plain.rgb_u8])
    curve = ToneCurve(plain.name, table, 0.0, 0.0, 0.1, 0.1, 0.01)
    sightings, adjustment, rectified = seen([plain])
    told = [rectify(bent, CAMERA, adjustment, curve=curve)]
    wanted = map_tabs([plain], sightings, adjustment, rectified)
    found = map_tabs([bent], sightings, adjustment, told, [curve])
    use = (wanted.weight > 0.9) & (found.weight > 0.9)
    assert np.abs(found.ratio - wanted.ratio)[use].max() < 0.03
    untold = map_tabs([bent], sightings, adjustment, [rectify(bent, CAMERA, adjustment)])
    assert np.abs(untold.ratio - wanted.ratio)[use].max() > 0.06


def test_window_hole_and_edges_of_the_print_do_not_count() -> None:
    pictures = [photo(())]
    maps = map_tabs(pictures, *seen(pictures))
    for t, tab in enumerate(card_layout(0).tabs):
        x, y, weight = maps.x_mm[t], maps.y_mm[t], maps.weight[0, t]
        assert not weight[(np.abs(x) < 61.5) & (np.abs(y) < 61.5)].any()
        flat = np.mean([*tab.base_mm, tab.tip_flat_mm], axis=0)
        assert not weight[np.hypot(x - flat[0], y - flat[1]) < 2].any()
    assert 0.5 < (maps.weight > 0).mean() < 0.9


def test_burnt_out_paper_leaves_no_map() -> None:
    bright = [photo(())]
    burnt = replace(bright[0], rgb_u8=np.full_like(bright[0].rgb_u8, 255))
    assert not map_tabs([burnt], *seen(bright)).weight.any()


def test_the_sheets_waves_are_read_from_the_markers() -> None:
    rng = np.random.default_rng(3)
    made = Print(scale=(1.0, 1.0), bow_mm=(0.8, -0.3, 0.4), cockle_mm=0.0, offset_mm=0.0, noise_px=0.03)
    cameras = usual_cameras(rng)
    sightings = sightings_of(cameras, made, rng)
    adjustment = Adjustment(
        tuple(cameras), PrintScale(), np.array([0.5, -0.3, 0.4]), (0.0,) * 4, 0.03, 0.004, "exif", 0.001
    )
    x, y = np.array([83.0, -83.0, 60.0]), np.array([79.0, -79.0, 85.0])
    u, v = x / 100, y / 133
    true = 0.8 * u * u - 0.3 * u * v + 0.4 * v * v  # the adjustment's bow is 0.3 mm short along x
    np.testing.assert_allclose(SheetHeights(sightings, adjustment).at(x, y), true, atol=0.06)
    adjustment = replace(adjustment, bow_mm=np.zeros(3))
    flat = SheetHeights(sightings_of(cameras, FLAT, rng), adjustment)
    np.testing.assert_allclose(flat.at(x, y), 0, atol=0.03)


def test_the_normal_curve_is_scipys() -> None:
    t = np.linspace(-5, 5, 2001, dtype=np.float32)
    share, density = _normal(t)
    np.testing.assert_allclose(share, ndtr(t), atol=2e-4)
    np.testing.assert_allclose(density, np.exp(-t * t / 2) / np.sqrt(2 * np.pi), atol=2e-3)


@pytest.mark.parametrize("half_angle_deg", [0.3, 2.5, 6.0, 14.0])
def test_a_soft_shadow_is_the_mean_of_sharp_ones(half_angle_deg: float) -> None:
    source = Source(np.radians(200.0), np.radians(35.0), 0.0, np.radians(half_angle_deg), 1.0)
    at, lit = grid(), 0.0
    total = np.zeros(len(at))
    for k in range(400):
        radius, turn = source.half_angle * np.sqrt((k + 0.5) / 400), 2.39996 * k
        elevation = source.elevation + radius * np.sin(turn)
        azimuth = source.azimuth + radius * np.cos(turn) / np.cos(source.elevation)
        ray = Source(azimuth, elevation, 0.0, 0.0, 1.0)
        total = total + np.sin(elevation) * cast_shadow(TAB, ray, at, blur_mm=0.3, points=1).share
        lit += np.sin(elevation)
    points = points_needed(source.half_angle, source.elevation, 14.0)
    soft = cast_shadow(TAB, source, at, blur_mm=0.3, points=points).share
    assert np.abs(soft - total / lit).max() < 0.12
    assert np.sqrt(np.mean((soft - total / lit) ** 2)) < 0.01
    assert soft.sum() == pytest.approx((total / lit).sum(), rel=0.02)


def test_slopes_are_those_of_the_shadow() -> None:
    source = Source(np.radians(230.0), np.radians(40.0), 1 / 400, np.radians(1.0), 1.0)
    at = grid()
    base = cast_shadow(TAB, source, at, blur_mm=0.4, points=7)
    wider = cast_shadow(TAB, replace(source, half_angle=source.half_angle + 1e-4), at, blur_mm=0.4, points=7)
    moved = replace(source, elevation=source.elevation + 1e-4)
    pull = (shadow_end(TAB, moved) - shadow_end(TAB, source)) / 1e-4
    by_elevation = (cast_shadow(TAB, moved, at, blur_mm=0.4, points=7).share - base.share) / 1e-4
    by_half_angle = (wider.share - base.share) / 1e-4
    for expected, found in ((by_elevation, base.by_end @ pull), (by_half_angle, base.by_half_angle)):
        left = np.sqrt(np.mean((expected - found) ** 2)) / np.sqrt(np.mean(expected**2))
        assert left < 0.15


def test_shadow_length_follows_the_tangent() -> None:
    for elevation_deg in (20.0, 45.0):
        source = Source(np.radians(90.0), np.radians(elevation_deg), 0.0, 0.0, 1.0)
        end = shadow_end(TAB, source)
        assert end == pytest.approx([0, -14 / np.tan(np.radians(elevation_deg))], abs=1e-9)
    near = Source(np.radians(90.0), np.radians(30.0), 1 / 300, 0.0, 1.0)
    lamp = 300 * np.array([0, np.cos(np.pi / 6), 0.5])
    assert shadow_end(TAB, near)[1] == pytest.approx(-lamp[1] * 14 / (lamp[2] - 14), rel=1e-9)


def test_a_tab_hides_the_same_sky_on_both_sides() -> None:
    x, y = np.meshgrid(np.arange(-20.0, 21.0), np.arange(-20.0, 21.0))
    hidden = hidden_sky(FOLD, np.array([0.0, 1.0]), x, y)
    np.testing.assert_allclose(hidden, hidden[::-1], atol=0.01)
    np.testing.assert_allclose(hidden, hidden[:, ::-1], atol=0.01)
    # 1 mm before the middle of a wide wall an overcast sky is nearly half gone; the triangle is narrower.
    assert 0.25 < hidden[19, 20] < 0.5
    assert hidden[0].max() < 0.02
