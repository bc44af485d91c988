"""Reflectance of a flat drawn card with known patches in its window, under light that falls off."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from assessor.card.layout import card_layout
from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.card.raster import card_raster
from assessor.card.rectify import RectifySettings, rectify, window_valid
from assessor.card.white import white_points_mm
from assessor.simulate.camera import feet_on_card
from assessor.values import Adjustment, Camera, Exif, FloatArray, Photo, PrintScale, Rectified
from tests.card.sightings import camera_over

SIZE_PX = (1600, 1200)
PAPER_MM, PX_PER_MM = (210.0, 297.0), 6.0
WHITE = 0.85
PATCHES = {(30.0, 30.0): 0.05, (-30.0, 30.0): 0.2, (30.0, -30.0): 0.4, (-30.0, -30.0): 0.7}
CAMERA = camera_over(
    200.0, 14.0, 370.0, focal_px=1160.0, centre_px=(805.0, 596.0), radial=(0.03, -0.02), roll_deg=90.0
)
Light = Callable[[FloatArray, FloatArray], FloatArray]


def side_light(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Brightest at one side: 1.7 times over the sheet, with some curvature."""
    return np.asarray(0.9 * np.exp(-0.15 * x_mm / 100 - 0.1 * y_mm / 100 - 0.05 * (x_mm / 100) ** 2))


def even_light(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    return np.full_like(x_mm, 0.9)


@cache
def plane() -> FloatArray:
    """Reflectance of sheet and window (row 0 = top edge): patches of 30 mm on concrete of 0.3."""
    linear = linear_of_byte()[card_raster(card_layout(5), PX_PER_MM, PAPER_MM)].astype(np.float32)
    field = 0.04 + (WHITE - 0.04) * linear
    middle = np.array(field.shape) / 2

    def fill(x: float, y: float, half: float, value: float) -> None:
        row, col = middle + np.array([-y, x]) * PX_PER_MM
        n = half * PX_PER_MM
        field[round(row - n) : round(row + n), round(col - n) : round(col + n)] = value

    fill(0, 0, 60, 0.3)
    for (x, y), value in PATCHES.items():
        fill(x, y, 15, value)
    return field


@lru_cache(maxsize=2)
def feet(camera: Camera) -> tuple[FloatArray, FloatArray]:
    """Card-plane mm under every pixel, from every fourth pixel (the map is smooth)."""
    column, row = np.meshgrid(np.arange(-1.5, SIZE_PX[0] + 4, 4.0), np.arange(-1.5, SIZE_PX[1] + 4, 4.0))
    coarse = [v.astype(np.float32) for v in feet_on_card(camera, column - 1.0, row - 1.0)]
    enlarged = [cv2.resize(v, None, fx=4, fy=4, interpolation=cv2.INTER_LINEAR) for v in coarse]
    # Node 0 stands at pixel -2.5 and at 1.5 of the enlarged map.
    x, y = (np.asarray(v[4 : 4 + SIZE_PX[1], 4 : 4 + SIZE_PX[0]], np.float32) for v in enlarged)
    return x, y


def photo(
    light: Light = side_light, camera: Camera = CAMERA, *, gain: tuple[float, ...] = (1, 1, 1)
) -> Photo:
    x, y = feet(camera)
    at = [(x + PAPER_MM[0] / 2) * PX_PER_MM - 0.5, (PAPER_MM[1] / 2 - y) * PX_PER_MM - 0.5]
    seen = cv2.remap(
        plane(), at[0].astype(np.float32), at[1].astype(np.float32), cv2.INTER_LINEAR, borderValue=0.3
    )
    linear = cv2.GaussianBlur(seen * light(x, y), (0, 0), 0.6)
    noise = np.random.default_rng(1).standard_normal(linear.shape, dtype=np.float32)
    linear = linear + 0.003 * noise
    table = bytes_from_linear(np.arange(8192) / 8191)
    bytes_u8 = [table[np.clip(8191 * g * linear, 0, 8191).astype(np.int32)] for g in sorted(set(gain))]
    order = [sorted(set(gain)).index(g) for g in gain]
    return Photo("one.jpg", np.stack([bytes_u8[k] for k in order], -1), Exif(), "0" * 64)


def rectified(taken: Photo, camera: Camera = CAMERA, settings: RectifySettings | None = None) -> Rectified:
    adjustment = Adjustment((camera,), PrintScale(), np.zeros(3), (0.0,), 0.03, 0.004, "exif", 0.001)
    return rectify(taken, camera, adjustment, settings)


def part(values: NDArray[Any], x_mm: float, y_mm: float, half_mm: float = 10.0) -> NDArray[Any]:
    """The square about a point of a (600, 600) raster of +-75 mm, row 0 at the largest y."""
    row, col, n = round((75 - y_mm) * 4), round((75 + x_mm) * 4), round(4 * half_mm)
    return values[row - n : row + n, col - n : col + n]


@pytest.mark.parametrize("light", [even_light, side_light])
def test_patches_have_their_reflectance_relative_to_the_paper(light: Light) -> None:
    seen = rectified(photo(light))
    assert seen.reflectance.shape == (600, 600, 3)
    for (x, y), value in PATCHES.items():
        np.testing.assert_allclose(part(seen.reflectance, x, y).mean((0, 1)), value / WHITE, rtol=0.03)


def test_row_0_is_the_top_of_the_sheet_and_column_0_its_left() -> None:
    """The darkest patch lies at +x +y, so it must appear top right, whichever side the phone stood on."""
    for roll_deg in (0.0, 180.0):
        camera = camera_over(80.0, 14.0, 380.0, focal_px=1100.0, centre_px=(799.5, 599.5), roll_deg=roll_deg)
        seen = rectified(photo(camera=camera), camera).reflectance[..., 1]
        middle = seen[150:450, 150:450]
        quarters = {
            "top left": middle[:150, :150],
            "top right": middle[:150, 150:],
            "bottom left": middle[150:, :150],
            "bottom right": middle[150:, 150:],
        }
        order = sorted(quarters, key=lambda k: float(quarters[k].mean()))
        assert order == ["top right", "top left", "bottom right", "bottom left"]


def test_edges_of_a_patch_lie_where_they_were_drawn() -> None:
    seen = rectified(photo(even_light)).reflectance[..., 1]
    x = -75 + (np.arange(600) + 0.5) / 4
    row = seen[400:440].mean(0)  # through y = -30
    half = (0.3 + 0.7) / 2 / WHITE
    near = (x > -55) & (x < -40)
    crossing = np.interp(half, row[near], x[near])
    assert crossing == pytest.approx(-45.0, abs=0.06)


def test_white_balance_is_taken_out() -> None:
    seen = rectified(photo(gain=(1.0, 0.85, 0.7)))
    patch = part(seen.reflectance, 30, -30).mean((0, 1))
    np.testing.assert_allclose(patch, 0.4 / WHITE, rtol=0.03)


def test_the_lights_fall_off_is_measured() -> None:
    seen = rectified(photo())
    points = white_points_mm()
    field = side_light(points[:, 0], points[:, 1])
    assert seen.light_gradient == pytest.approx(field.max() / field.min() - 1, rel=0.05)
    np.testing.assert_allclose(seen.white_fit[1:4, 1], (-0.15, -0.1, -0.05), atol=0.02)
    assert seen.white_spread < 0.03
    assert rectified(photo(even_light)).light_gradient < 0.05


def test_a_dirty_quarter_of_the_paper_drops_out() -> None:
    def dirty(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where((x > 62) & (y < -20), 0.35, 1.0) * even_light(x, y)

    seen = rectified(photo(dirty))
    for (x, y), value in PATCHES.items():
        np.testing.assert_allclose(part(seen.reflectance, x, y)[..., 1].mean(), value / WHITE, rtol=0.05)


def test_burnt_out_and_black_places_are_not_valid() -> None:
    def spots(x: FloatArray, y: FloatArray) -> FloatArray:
        bright = np.where(np.hypot(x, y - 45) < 6, 20.0, 1.0)
        return np.where(np.hypot(x, y + 45) < 6, 1e-4, bright) * even_light(x, y)

    taken = photo(spots)
    valid = rectified(taken).valid
    assert valid.dtype == bool
    assert not part(valid, 0, 45, 4).any()
    assert not part(valid, 0, -45, 4).all()
    assert part(valid, 30, 30).all()
    assert window_valid(rectified(taken), 50.0).mean() < window_valid(rectified(photo()), 50.0).mean() == 1.0


def test_what_the_photo_does_not_show_is_not_valid() -> None:
    camera = camera_over(0.0, 10.0, 340.0, focal_px=1160.0, centre_px=(100.0, 599.5))
    seen = rectified(photo(camera=camera), camera)
    assert not seen.valid[300, :60].any()
    assert seen.valid[300, 330:].all()


def test_arrays_are_read_only_and_the_photo_is_untouched() -> None:
    taken = photo()
    before = taken.rgb_u8.copy()
    seen = rectified(taken)
    np.testing.assert_array_equal(taken.rgb_u8, before)
    with pytest.raises(ValueError, match="read-only"):
        seen.reflectance[0, 0] = 1


def test_white_points_keep_off_everything_printed() -> None:
    linear = plane()
    points = white_points_mm()
    assert len(points) > 300
    middle = np.array(linear.shape) / 2
    for dx, dy in ((0, 0), (1.2, 0), (-1.2, 0), (0, 1.2), (0, -1.2)):
        row = np.rint(middle[0] - (points[:, 1] + dy) * PX_PER_MM - 0.5).astype(int)
        col = np.rint(middle[1] + (points[:, 0] + dx) * PX_PER_MM - 0.5).astype(int)
        np.testing.assert_allclose(linear[row, col], WHITE, atol=1e-3)
