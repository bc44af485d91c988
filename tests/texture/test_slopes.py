"""Slopes and colour of a window drawn by textbook formulas (`torch_windows`) come back from its photos."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.errors import TooCoarseForTorch, TorchesAlike
from assessor.texture.slopes import measure_slopes
from assessor.values import FloatArray, Photo, SlopeMap
from tests.texture.torch_windows import (
    QUICK,
    TINT,
    WHITE,
    Shoot,
    Window,
    albedo_at,
    cameras,
    grid_mm,
    paper,
    ring,
    shoot,
    slopes_at,
)

INNER = np.s_[40:-40, 40:-40]  # 8 mm off the edge
ROOM = Window(ambient=0.25)  # a torch that gives 80 % of the light


def measure(of: Shoot) -> SlopeMap:
    return measure_slopes(of.photos, of.dark, of.adjustment, of.papers, of.curves, settings=QUICK)


@cache
def plain() -> Shoot:
    """Eight torches and no other light."""
    return shoot(ring(8), dark=False)


def true_slopes(like: SlopeMap) -> tuple[FloatArray, FloatArray]:
    return slopes_at(*grid_mm(like.slope_x.shape[0]))


def correlation(one: FloatArray, other: FloatArray) -> float:
    return float(np.corrcoef(one[INNER].ravel(), other[INNER].ravel())[0, 1])


def amplitude(seen: FloatArray, true: FloatArray) -> float:
    """Slope of the line through the origin of seen on true."""
    return float(np.sum(seen[INNER] * true[INNER]) / np.sum(true[INNER] ** 2))


def shaded(of: Shoot, share: float) -> list[Photo]:
    """The photos with blocks of 1.5 mm in deep shadow, elsewhere in each."""
    rng = np.random.default_rng(1)
    photos = []
    for photo in of.photos:
        rgb = photo.rgb_u8.copy()
        rgb[np.kron(rng.random((95, 95)) < share, np.ones((8, 8), bool))] //= 10
        photos.append(replace(photo, rgb_u8=rgb))
    return photos


@pytest.mark.parametrize("lights", [4, 8])
@pytest.mark.parametrize("dark", [True, False])
def test_slopes_and_colour_come_back_whatever_the_other_light(lights: int, dark: bool) -> None:
    """Woodham 1980 (Opt. Eng. 19, 139): slopes and albedo apart, from light on three sides and more."""
    found = measure(shoot(ring(lights), ROOM, dark=dark))
    for seen, true in zip((found.slope_x, found.slope_y), true_slopes(found), strict=True):
        assert correlation(seen, true) > 0.99
        assert amplitude(seen, true) == pytest.approx(1.0, abs=0.02)
    colour = albedo_at(*grid_mm(found.albedo_rgb.shape[0]))[..., None] * TINT
    ratio = (found.albedo_rgb / colour)[20:-20, 20:-20]
    np.testing.assert_allclose(ratio.mean((0, 1)), 1.0, atol=0.02)
    assert ratio.std((0, 1)).max() < 0.05
    # Stones are not taken for slopes: what is wrong in the slopes does not follow the colour.
    stones = np.gradient(np.log(albedo_at(*grid_mm(found.slope_x.shape[0]))), axis=1)
    assert abs(correlation(found.slope_x - true_slopes(found)[0], stones)) < 0.15
    assert found.valid.mean() > 0.99
    assert found.torch_share == pytest.approx(0.8)


def test_slopes_go_with_the_share_of_the_torch_that_is_told() -> None:
    """Other light left in: relative shading is weakened by the torch's share (study.md part 4, E1), and no more."""
    photos = shoot(ring(8), ROOM, dark=False)
    unaware = replace(photos, papers=[paper(place, ROOM, share=1.0) for place in ring(8)])
    found, true = measure(unaware), true_slopes(measure(photos))
    assert amplitude(found.slope_x, true[0]) == pytest.approx(0.8, abs=0.02)


def test_photos_of_a_window_below_the_card_are_registered_first() -> None:
    """Without registration the displaced colours pass for slopes: correlation 0.8 on such photos."""
    below = replace(ROOM, below_mm=2.0)
    made = shoot(ring(8), below, cameras=cameras(2))
    found = measure(made)
    # Where the map lies is the mean of the photos: a point 2 mm below is seen moved toward under the cameras.
    places = np.mean([camera.position_mm for camera in made.adjustment.cameras[:8]], axis=0)
    share = np.mean([2.0 / camera.position_mm[2] for camera in made.adjustment.cameras[:8]])
    x, y = grid_mm(found.slope_x.shape[0])
    for seen, true in zip(
        (found.slope_x, found.slope_y),
        slopes_at(x * (1 + share) - share * places[0], y * (1 + share) - share * places[1]),
        strict=True,
    ):
        assert correlation(seen, true) > 0.98


def test_colour_is_that_of_the_ground_not_of_its_tilted_faces() -> None:
    """A slope s turns the face by cos = 1 / sqrt(1 + s^2), 4 % of light on the mean here; the colour is free of it."""
    found = measure(shoot(ring(8, elevation_deg=45.0), replace(ROOM, strength=2.2)))
    colour = albedo_at(*grid_mm(found.albedo_rgb.shape[0]))[..., None] * TINT
    assert (found.albedo_rgb / colour)[20:-20, 20:-20].mean() == pytest.approx(1.0, abs=0.012)


def test_a_flat_floor_of_strong_colours_has_no_slopes() -> None:
    found = measure(shoot(ring(8), replace(ROOM, strength=0.0)))
    true = true_slopes(found)
    assert found.slope_x[INNER].std() < 0.1 * true[0].std()
    assert found.slope_y[INNER].std() < 0.1 * true[1].std()


def test_halves_are_independent_and_agree() -> None:
    found = measure(plain())
    assert found.halves is not None
    assert not found.noise_is_modelled
    assert found.flags == ()
    for axis, true in enumerate(true_slopes(found)):
        one, two = (half[axis] for half in found.halves)
        assert correlation(one, two) > 0.98
        assert not np.array_equal(one, two)
        off = [half - true for half in (one, two)]
        assert abs(correlation(*off)) < 0.3
        # Half the difference of independent halves is as noisy as their mean.
        missed = ((found.slope_x, found.slope_y)[axis] - true)[INNER].std()
        assert ((one - two) / 2)[INNER].std() == pytest.approx(missed, rel=0.3)


def test_four_lights_say_that_nothing_confirms_them_and_model_their_noise() -> None:
    found = measure(shoot(ring(4), ROOM))
    assert found.noise_is_modelled
    assert found.flags == ("not-confirmed",)
    assert found.n_lights == 4
    assert found.halves is not None
    (one, _), (two, _) = found.halves
    np.testing.assert_allclose((one + two) / 2, found.slope_x, atol=1e-6)
    missed = (found.slope_x - true_slopes(found)[0])[INNER].std()
    assert ((one - two) / 2)[INNER].std() == pytest.approx(missed, rel=0.3)


def test_five_lights_are_not_confirmed_and_six_are() -> None:
    assert measure(shoot(ring(5))).flags == ("not-confirmed",)
    assert measure(shoot(ring(6))).flags == ()


def test_torches_on_one_side_are_refused() -> None:
    measure(shoot(ring(6, arc_deg=276), dark=False))  # leaves 130 degrees out
    with pytest.raises(TorchesAlike, match=r"^0\.jpg, .*: no torch stood in 152 degrees of the circle round"):
        measure(shoot(ring(6, arc_deg=250), dark=False))


def test_three_lights_are_too_few() -> None:
    with pytest.raises(TorchesAlike, match=r"^0\.jpg, 1\.jpg, 2\.jpg: 3 usable torch photos .* at least 4"):
        measure(shoot(ring(3), dark=False))


def test_shadows_are_told_flagged_and_at_last_refused() -> None:
    whole = plain()
    clean = measure(whole)
    some = measure(replace(whole, photos=shaded(whole, 0.10)))
    assert clean.shadowed < 0.02
    assert "torch-steep" in some.flags
    assert "torch-steep" not in clean.flags
    assert some.shadowed - clean.shadowed == pytest.approx(0.10, abs=0.05)
    with pytest.raises(TooCoarseForTorch, match=r"% of the floor's samples lie in the torch's shadow"):
        measure(replace(whole, photos=shaded(whole, 0.25)))


def test_a_patch_that_shines_is_told_and_left_out() -> None:
    """A film throws light of the torch's own colour to the phone, here under one torch, whatever lies below."""
    whole = plain()
    assert measure(whole).flags == ()
    photos = []
    for k, photo in enumerate(whole.photos):
        light = linear_of_byte()[photo.rgb_u8]
        light[250:420, 250:420] += {2: 0.15}.get(k, 0.0) * WHITE
        photos.append(replace(photo, rgb_u8=bytes_from_linear(light)))
    found = measure(replace(whole, photos=photos))
    assert "shine" in found.flags
    patch = np.s_[220:320, 220:320]
    assert found.valid[patch].mean() < 0.1
    assert found.valid[420:, :].mean() > 0.95
    # 32 mm a side, and up to 5 mm more all round to be sure.
    assert (32 / 120) ** 2 <= found.shining < (42 / 120) ** 2


@pytest.mark.parametrize(
    "side_mm",
    [
        2,
        19,
    ],
)
def test_a_burnt_out_photo_of_a_place_is_left_out_there_and_does_no_harm_elsewhere(side_mm: int) -> None:
    whole = plain()
    rgb = whole.photos[0].rgb_u8.copy()
    reach = round(side_mm * 5.3)
    rgb[300 : 300 + reach, 300 : 300 + reach] = 255
    found = measure(replace(whole, photos=[replace(whole.photos[0], rgb_u8=rgb), *whole.photos[1:]]))
    true = true_slopes(found)[0]
    assert (found.slope_x - true)[INNER].std() < 0.1 * true.std()
    assert found.valid[INNER].mean() > 0.99
