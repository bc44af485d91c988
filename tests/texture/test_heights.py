"""Heights from several views against surfaces that are known because the photos were made from them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from assessor.card.layout import square
from assessor.card.sampling import square_grid
from assessor.errors import HeightsDisagree, TooFewPhotos, ViewsTooAlike
from assessor.simulate.floors import FloorRecipe, make_floor
from assessor.texture.heights import _halves_agree, measure_heights, split_halves, transfer_of
from assessor.texture.measure import measure_texture
from assessor.texture.stereo_view import HeightSettings, View, agreement, unit
from assessor.texture.sweep import find_start
from assessor.values import FloatArray, HeightMap, Photo
from tests.card.sightings import camera_over
from tests.texture.views import (
    PX_PER_MM,
    adjusted,
    camera_at,
    four_sides,
    grid_mm,
    on_map,
    photo_of,
    photos_of,
    waves,
)


@cache
def egg_box() -> tuple[list[Photo], HeightMap]:
    cameras = four_sides()
    photos = photos_of(cameras, waves())
    return photos, measure_heights(photos, adjusted(cameras))


@cache
def floor(process: str, sq_mm: float = 0.2) -> FloatArray:
    recipe = FloorRecipe(process, sq_mm, px_per_mm=PX_PER_MM)
    return make_floor(recipe, np.random.default_rng(1)).height_mm


def measured(height_mm: FloatArray) -> HeightMap:
    cameras = four_sides()
    return measure_heights(photos_of(cameras, height_mm), adjusted(cameras))


def smooth(height: FloatArray, cutoff_mm: float = 2.5) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(height, (0, 0), 1.874 * cutoff_mm), dtype=np.float32)


def test_known_waves_come_back() -> None:
    heights = egg_box()[1]
    error = heights.height_mm - on_map(waves())
    assert heights.height_mm.shape == (1100, 1100)
    assert heights.valid.mean() > 0.98
    assert abs(float(error.mean())) < 0.005
    assert float(error.std()) < 0.04
    assert float(smooth(error).std()) < 0.015
    # In phase and in amplitude: the regression on the truth.
    truth = smooth(on_map(waves())) - waves().mean()
    assert float((truth * smooth(heights.height_mm)).sum() / (truth**2).sum()) == pytest.approx(1, abs=0.03)


def test_the_halves_tell_the_noise_honestly() -> None:
    heights = egg_box()[1]
    assert heights.halves is not None
    first, second = heights.halves
    said = float(((first - second) / 2)[heights.valid].std())
    actual = float((heights.height_mm - on_map(waves()))[heights.valid].std())
    assert said == pytest.approx(actual, rel=0.3)
    np.testing.assert_allclose((first + second) / 2, heights.height_mm, atol=1e-5)


def test_raising_the_floor_by_a_millimetre_raises_the_map_by_one() -> None:
    raised = measured(waves(level_mm=-1.0))
    difference = raised.height_mm - egg_box()[1].height_mm
    assert float(difference.mean()) == pytest.approx(1.0, abs=0.005)
    assert float(smooth(difference).std()) < 0.02


@pytest.mark.slow
def test_a_deep_floor_is_found() -> None:
    deep = measured(waves(level_mm=-18.0))
    assert float(deep.height_mm.mean()) == pytest.approx(-18.0, abs=0.02)
    assert float(smooth(deep.height_mm - on_map(waves(level_mm=-18.0))).std()) < 0.02


def test_turning_the_phone_changes_nothing() -> None:
    """The four phones held at 0, 90, 180 and 270 degrees see the same surface."""
    cameras = [camera_at(a, roll_deg=r) for a, r in zip((4, 97, 182, 266), (0, 90, 180, 270), strict=True)]
    turned = measure_heights(photos_of(cameras, waves()), adjusted(cameras))
    assert float(smooth(turned.height_mm - egg_box()[1].height_mm).std()) < 0.015


def test_rows_and_columns_lie_as_the_map_says() -> None:
    """One bump at x = 25, y = 35 mm: right of the middle, above it; found by a coarse look, no refinement."""
    x, y = grid_mm()
    bump = (-3.0 + 1.5 * np.exp(-((x - 25) ** 2 + (y - 35) ** 2) / (2 * 6.0**2))).astype(np.float32)
    cameras, settings = four_sides(), HeightSettings()
    stack = [
        View(p, c, square(55.0), settings) for p, c in zip(photos_of(cameras, bump), cameras, strict=True)
    ]
    start = cv2.GaussianBlur(find_start(stack, settings), (0, 0), 3)
    row, col = np.unravel_index(int(start.argmax()), start.shape)
    spacing = 110 / len(start)
    assert (col + 0.5) * spacing - 55 == pytest.approx(25, abs=1.5)
    assert 55 - (row + 0.5) * spacing == pytest.approx(35, abs=1.5)
    assert float(start.max()) == pytest.approx(-1.5, abs=0.3)
    assert float(np.median(start)) == pytest.approx(-3.0, abs=0.1)


@pytest.mark.parametrize(
    ("process", "sign"), [("bumps", 1), pytest.param("pits", -1, marks=pytest.mark.slow)]
)
def test_bumps_and_pits_are_told_apart(process: str, sign: int) -> None:
    ssk = measure_texture(measured(floor(process))).get("Ssk")
    assert ssk is not None
    low, high = sorted((sign * ssk.low90, sign * ssk.high90))
    assert low > 0, (low, high)


@pytest.mark.slow
def test_known_sq_of_a_shot_floor_within_five_percent() -> None:
    sq = measure_texture(measured(floor("shot"))).get("Sq")
    assert sq is not None
    assert str(sq.band) == "2.5-25 mm"
    assert sq.value == pytest.approx(0.2, rel=0.05)
    assert sq.low90 < 0.2 < sq.high90


def test_a_flat_floor_gives_at_most_and_a_noise_floor() -> None:
    texture = measure_texture(measured(np.full((700, 700), -2.0, np.float32)))
    sq = texture.get("Sq")
    assert sq is not None
    assert sq.bound == "upper"
    assert 0 < sq.high90 < 0.01
    assert 0.004 < texture.noise_floor_mm < 0.02
    assert "at-most" in texture.flags


def test_transfer_says_what_a_short_wave_loses() -> None:
    short = waves(wavelength_mm=2.5, amplitude_mm=0.08)
    heights = measured(short)
    truth = on_map(short) - short.mean()
    passed = float((truth * heights.height_mm).sum() / (truth**2).sum())
    wavelength = 2.5 / np.hypot(1, 1.25)
    # At these 4 px/mm, below what real photos must have, 0.78 passes where the model says 0.90.
    assert passed == pytest.approx(float(heights.transfer.at(wavelength)), abs=0.16)
    assert passed < 0.9
    assert np.all(np.diff(heights.transfer.amplitude) >= 0)
    assert float(heights.transfer.at(25.0)) == pytest.approx(1, abs=1e-3)


def test_what_one_photo_does_not_show_is_not_valid() -> None:
    """A leaf on the floor in the first photo only: marked there and hardly elsewhere."""
    photos, before = egg_box()
    cameras = four_sides()
    covered = photos[0].rgb_u8.copy()
    column, row = (round(float(v)) for v in cameras[0].project(np.array([20.0, -10.0, -2.0])))
    covered[row - 25 : row + 25, column - 25 : column + 25] = 90
    after = measure_heights([replace(photos[0], rgb_u8=covered), *photos[1:]], adjusted(cameras))
    middle = after.valid[650 - 40 : 650 + 40, 750 - 40 : 750 + 40]
    assert middle.mean() < 0.5  # the patch covers half of it
    away = after.valid[:500, :600]
    assert away.mean() > 0.98
    np.testing.assert_array_equal(photos[0].rgb_u8.shape, covered.shape)
    assert before.valid[610:690, 710:790].mean() > 0.98


def test_uncertainty_of_every_height_joins_print_and_views() -> None:
    assert egg_box()[1].u_scale == pytest.approx(np.hypot(0.003, 0.001))
    assert 0.3 < egg_box()[1].agreement <= 1


def views_of(*places_deg: tuple[float, float]) -> FloatArray:
    cameras = [camera_over(a, t, 340.0) for a, t in places_deg]
    at = np.array([c.position_mm[:2] / c.position_mm[2] for c in cameras])
    return np.asarray(at - at.mean(0))


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (2, 0, 3, 1), (0, 2, 1, 3)])
def test_four_sides_split_into_the_opposed_pairs(order: tuple[int, ...]) -> None:
    sides = [(5.0, 15.0), (93.0, 14.0), (184.0, 16.0), (270.0, 15.0)]
    halves, crossing = split_halves(views_of(*(sides[k] for k in order)))
    assert {frozenset(order[k] for k in half) for half in halves} == {frozenset({0, 2}), frozenset({1, 3})}
    assert crossing > 0.99


def test_every_view_of_five_and_six_is_used_once() -> None:
    for count in (5, 6):
        halves, crossing = split_halves(views_of(*((360.0 * k / count, 15.0) for k in range(count))))
        assert sorted(halves[0] + halves[1]) == list(range(count))
        assert min(len(half) for half in halves) >= 2
        assert crossing > 0.5


def test_crossing_baselines_are_preferred_to_longer_parallel_ones() -> None:
    """Five scattered views whose two longest baselines run parallel, which aliases (study E2)."""
    halves, crossing = split_halves(views_of((105, 16), (0, 17), (285, 9), (75, 10), (330, 19)))
    assert {frozenset(h) for h in halves} == {frozenset({1, 2}), frozenset({0, 3, 4})}
    assert crossing > 0.95


def test_two_sides_only_are_too_alike() -> None:
    cameras = [camera_at(a, t) for a, t in ((0, 12), (2, 16), (180, 12), (178, 16))]
    photos = egg_box()[0]
    with pytest.raises(ViewsTooAlike, match=r"span only \d degrees in one direction, at least 3 degrees"):
        measure_heights(photos, adjusted(cameras))


def test_four_photos_from_one_place_are_too_alike() -> None:
    cameras = [camera_at(a, 15) for a in (0, 1, 2, 3)]
    with pytest.raises(ViewsTooAlike, match="take one photo from each of the four sides"):
        measure_heights(egg_box()[0], adjusted(cameras))


def test_three_photos_are_too_few() -> None:
    with pytest.raises(TooFewPhotos, match=r"3 usable photos of the spot, at least 4 are needed; take four"):
        measure_heights(egg_box()[0][:3], adjusted(four_sides()[:3]))


def test_photos_of_two_spots_are_refused() -> None:
    """Photos 3 and 4 show other ground: other paste and other relief."""
    cameras = four_sides()
    photos = [*egg_box()[0][:2], *photos_of(cameras[2:], waves(21.0, 0.5), seed=9)]
    with pytest.raises(HeightsDisagree, match=r"^4\.jpg, 97\.jpg.* shade the spot, hold still, tilt"):
        measure_heights(photos, adjusted(cameras))


def test_inputs_are_unchanged_and_the_map_is_read_only() -> None:
    photos, heights = egg_box()
    again = photo_of(four_sides()[0], waves(), np.full((700, 700), 0.3, np.float32))
    assert not again.rgb_u8.flags.writeable
    assert not photos[0].rgb_u8.flags.writeable
    for array in (heights.height_mm, heights.valid, *(heights.halves or ())):
        assert not array.flags.writeable


def test_a_view_follows_a_point_at_its_height() -> None:
    """The sampler at the true height shows the paste where it lies on the card, whatever the view."""
    settings = HeightSettings()
    flat = np.full((700, 700), -4.0, np.float32)
    grid = square_grid(60.0 - settings.inset_mm, 0.4)
    cameras = four_sides()
    views = [View(p, c, grid.area, settings) for p, c in zip(photos_of(cameras, flat), cameras, strict=True)]
    middle = (slice(20, -20), slice(20, -20))
    right, wrong = (
        float(agreement([v.sampler(grid, -4.0).normalised(3).at(above) for v in views], 3)[middle].mean())
        for above in (0.0, 1.0)
    )
    # The level itself depends on the paste's contrast over the noise that `unit` allows for; the drop does not.
    assert right > 0.2
    assert wrong < 0.25 * right


def test_unit_takes_gain_and_offset_out() -> None:
    noise = np.random.default_rng(3).normal(0, 1, (60, 80)).astype(np.float32)
    ours = unit(noise, 9)
    assert abs(float(cv2.blur(ours, (9, 9))[10:-10, 10:-10].mean())) < 0.02
    np.testing.assert_allclose(unit(3 * noise + 7, 9), ours, atol=2e-3)


def test_agreement_is_a_correlation() -> None:
    """Equal views give 1 less the tenth that the floor on the local spread takes; unrelated ones give 0."""
    rng = np.random.default_rng(4)
    views = [unit(rng.normal(0, 1, (60, 80)).astype(np.float32), 9) for _ in range(4)]
    assert float(agreement([views[0]] * 4, 9).mean()) == pytest.approx(1 / 1.1, abs=0.02)
    assert float(agreement([views[0], -views[0]], 9).mean()) == pytest.approx(-1 / 1.1, abs=0.02)
    assert abs(float(agreement(views, 9).mean())) < 0.03


def test_black_ground_beside_a_bright_edge_keeps_numbers() -> None:
    # Sharpening pushes the dark side of an edge below zero; the mean that the view is divided by must not vanish.
    camera = four_sides()[0]
    photo = photos_of([camera], waves())[0]
    edge = np.zeros_like(photo.rgb_u8)
    # Edges from 0 to 255 strong, so that somewhere the mean beside one would cancel whatever it is offset by.
    edge[:, edge.shape[1] // 2 :] = np.linspace(0, 255, edge.shape[0]).astype(np.uint8)[:, None, None]
    level = View(replace(photo, rgb_u8=edge), camera, square(55.0), HeightSettings()).level(0.1)[0]
    assert np.abs(level).max() < 5


def test_the_transfer_knows_soft_photos() -> None:
    sharp, soft, unknown = transfer_of([0.25] * 4), transfer_of([0.4] * 4), transfer_of([])
    assert sharp.at(1.25) > unknown.at(1.25) > soft.at(1.25) > 0.4
    assert unknown.u_at(1.25) > sharp.u_at(1.25)
    assert sharp.at(10.0) == pytest.approx(1.0, abs=0.002)


def test_halves_tilted_against_each_other_agree() -> None:
    rng = np.random.default_rng(3)
    one = rng.normal(0, 0.01, (200, 200)).astype(np.float32)
    ramp = np.linspace(-0.5, 0.5, 200, dtype=np.float32)[None, :]
    assert _halves_agree([one, one + ramp], HeightSettings()).all()


def test_a_card_pushed_between_photos_is_refused() -> None:
    # The pushed cameras fit the markers as before, but the floor lies elsewhere: along one pair's baseline, so that
    # this pair still matches, at wrong heights.
    cameras = four_sides()
    push = np.array([1.4, 0.03, 0.0])
    moved = [
        camera if k < 2 else replace(camera, shift_mm=camera.shift_mm + camera.camera_from_card @ push)
        for k, camera in enumerate(cameras)
    ]
    photos = photos_of(moved, floor("ground", 0.05))
    with pytest.raises(HeightsDisagree, match="match each other"):
        measure_heights(photos, adjusted(cameras))
