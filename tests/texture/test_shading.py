"""Light that is wrong all over is levelled, texture stays; other light, exposure and fall-off leave the samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.card.layout import square
from assessor.card.sampling import square_grid
from assessor.texture.shading import STILL, Shading, WindowPhoto, WindowStack, _levelled, torch_fields
from assessor.values import FloatArray
from tests.texture.torch_windows import WHITE, Window, albedo_at, grid_mm, paper, ring, shoot, slopes_at

N, K = 240, 4  # 0.5 mm
X, Y = grid_mm(N)
INNER = np.s_[..., 12:-12, 12:-12]  # the 6 mm at the edge aren't evaluated


def cubic(k: int) -> FloatArray:
    """A smooth error of up to 5 % that has every power up to the third, another one in each photo."""
    u, v = X / 60, Y / 60
    shape = np.stack([u**3 - v, v**3 + u * v, u * u * v - u, u * v * v + u * u - v * v])[k]
    return np.asarray(0.05 * shape / np.abs(shape).max())


def wave(length_mm: float) -> FloatArray:
    return np.asarray(0.1 * np.cos(2 * np.pi * X / length_mm + 0.5))


def floor(length_mm: float) -> FloatArray:
    """Four photos under lights on four sides of one wave: their shading differs, its mean does not."""
    return np.stack([0.4 * (1 + sign * wave(length_mm)) for sign in (1, 0.3, -1, -0.3)])


def levelled(light: FloatArray) -> FloatArray:
    return _levelled(np.ascontiguousarray(light, np.float32), square_grid(60.0, 120.0 / light.shape[1]))


def test_a_smooth_error_of_the_light_is_taken_out_of_each_photo() -> None:
    wrong = np.stack([0.4 * np.exp(cubic(k)) for k in range(K)])
    before = np.log(wrong / wrong.mean(0))
    after = np.log(levelled(wrong) / wrong.mean(0))
    assert np.abs(before[INNER]).max() > 0.03
    assert np.abs(after[INNER]).max() < 0.003


def test_texture_of_10_mm_stays_and_waves_as_long_as_the_window_go() -> None:
    for length_mm, least, most in ((2.0, 0.99, 1.01), (10.0, 0.97, 1.01), (240.0, 0.0, 0.1)):
        light = floor(length_mm)
        kept = levelled(light)[0] - levelled(light)[2]
        there = light[0] - light[2]
        assert least <= np.sum(kept * there) / np.sum(there**2) <= most, length_mm


def test_levelling_mends_texture_under_a_wrong_light() -> None:
    light = floor(10.0)
    wrong = np.stack([part * np.exp(cubic(k)) for k, part in enumerate(light)])
    before, after = (np.log(seen / light)[INNER] for seen in (wrong, levelled(wrong)))
    assert before.std() > 0.01
    assert after.std() < 0.5 * before.std()


def test_what_all_photos_share_is_colour_and_stays() -> None:
    stones = albedo_at(X, Y)
    np.testing.assert_allclose(levelled(np.stack([stones] * K))[1], stones, rtol=1e-5)


def shading_of(window: Window, *, dark: bool) -> Shading:
    places = ring(4)
    made = shoot(places, window, dark=dark)
    windows = [
        WindowPhoto(photo, made.adjustment.cameras[0], made.curves[0], WHITE, square(60.0))
        for photo in made.photos
    ]
    night = None
    if made.dark is not None:
        night = WindowPhoto(made.dark, made.adjustment.cameras[4], made.curves[4], WHITE, square(60.0))
    return WindowStack(windows, night, made.papers).shading(square_grid(60.0, 0.5), [STILL] * (4 + dark))


@pytest.mark.parametrize("dark", [True, False])
def test_light_is_albedo_times_one_and_cotangent_times_slope(dark: bool) -> None:
    """Lambert's cosine on a face over that on level paper; without a dark photo `cot` carries the torch's share."""
    window = Window(ambient=0.25, noise=0.0)
    shading = shading_of(window, dark=dark)
    tint = np.array([0.2126, 0.7152, 0.0722]) @ [1.0, 0.9, 0.75]  # luminance, ITU-R BT.709
    sx, sy = slopes_at(X, Y)
    for k, place in enumerate(ring(4)):
        level = (place @ place / ((X - place[0]) ** 2 + (Y - place[1]) ** 2 + place[2] ** 2)) ** 1.5
        share = 1.0 if dark else level / (level + window.ambient)
        for seen, along in ((shading.cot_x[k], X - place[0]), (shading.cot_y[k], Y - place[1])):
            whole = np.broadcast_to(seen, X.shape)
            np.testing.assert_allclose(whole[INNER], (share * along / place[2])[INNER], atol=2e-3)
        expected = tint * albedo_at(X, Y) * (1 + shading.cot_x[k] * sx + shading.cot_y[k] * sy)
        ratio = (shading.light[k] / expected)[INNER]
        assert np.median(ratio) == pytest.approx(1.0, abs=0.02)
        assert np.percentile(np.abs(ratio - np.median(ratio)), 90) < 0.03
    # A sample says more where the torch is bright.
    near = shading.base[:, :40].mean((1, 2))
    assert near[1] > near[3]


def test_torch_fields_are_inverse_square_times_cosine() -> None:
    place = np.array([250.0, -120.0, 160.0])
    light, cot_x, cot_y = torch_fields(paper(place, Window()), square_grid(60.0, 0.2))
    x, y = grid_mm(600)
    square = (x - place[0]) ** 2 + (y - place[1]) ** 2 + place[2] ** 2
    np.testing.assert_allclose(light[INNER], ((place @ place / square) ** 1.5)[INNER], rtol=2e-3)
    np.testing.assert_allclose(cot_x[INNER], ((x - 250.0) / 160.0)[INNER], atol=2e-3)
    np.testing.assert_allclose(cot_y[INNER], ((y + 120.0) / 160.0)[INNER], atol=2e-3)


def test_burnt_out_samples_are_nan_and_photos_of_some_can_be_taken() -> None:
    made = shoot(ring(4), Window(), dark=False)
    rgb = made.photos[2].rgb_u8.copy()
    rgb[370:390, 370:390, 1] = 255
    photos = [*made.photos[:2], replace(made.photos[2], rgb_u8=rgb), made.photos[3]]
    windows = [
        WindowPhoto(p, made.adjustment.cameras[0], made.curves[0], WHITE, square(60.0)) for p in photos
    ]
    shading = WindowStack(windows, None, made.papers).shading(square_grid(60.0, 0.5), [STILL] * 4)
    assert np.isnan(shading.light[2, 119:121, 119:121]).all()
    assert np.isnan(shading.light).sum() < 100
    assert np.isfinite(shading.only([0, 1, 3]).light).all()
    assert shading.rows(10).light.shape == (4, 24, 240)
