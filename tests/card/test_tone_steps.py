"""Grey steps of flat card photos: printed reflectance comes back, shadow edges and burnt paper are marked."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from assessor.card.layout import STEP_BYTES
from assessor.card.linear import linear_of_byte
from assessor.card.steps import StepReading, read_steps
from assessor.values import FloatArray, Photo
from tests.card.photos import INK_REFLECTANCE, PAPER_REFLECTANCE, Scene, camera_of, photo_of

SCENE = Scene(
    size_px=(2200, 1650), distance_mm=250.0, roll_deg=84.0, tilt_deg=12.0, azimuth_deg=30.0, serial=4711,
    k1=0.03, print_scale=(0.97, 1.01),
)  # fmt: skip


def gentle_slope(x: FloatArray, y: FloatArray) -> FloatArray:
    """Light falling smoothly to 60 % over the card."""
    return (0.8 - 0.002 * x + 0.001 * y).astype(np.float32)


def half_shade(x: FloatArray, y: FloatArray) -> FloatArray:
    """A hard shadow edge right across the card."""
    return np.where(x + 0.4 * y > 10, 1, 0.2).astype(np.float32)


@cache
def plain() -> Photo:
    return photo_of(SCENE, jpeg_quality=92)


def steps_of(photo: Photo, scene: Scene = SCENE) -> tuple[StepReading, ...]:
    return read_steps(photo, camera_of(scene), scene.print_scale)


def test_steps_over_their_white_give_the_printed_reflectance() -> None:
    readings = steps_of(photo_of(replace(SCENE, light=gentle_slope), jpeg_quality=92))
    drawn = linear_of_byte()[list(STEP_BYTES)]
    printed = (INK_REFLECTANCE + (PAPER_REFLECTANCE - INK_REFLECTANCE) * drawn) / PAPER_REFLECTANCE
    truth = dict(zip(STEP_BYTES, printed, strict=True))
    assert len(readings) == 24
    for reading in readings:
        assert reading.even
        ratio = reading.level_rgb / reading.white_rgb
        assert ratio == pytest.approx(truth[reading.step.srgb_byte], rel=0.02, abs=0.002)


def test_steps_in_a_shadow_edge_are_marked() -> None:
    shaded = [r.even for r in steps_of(photo_of(replace(SCENE, light=half_shade), jpeg_quality=92))]
    assert 0 < sum(shaded) < 24


def test_steps_out_of_frame_or_burnt_out_are_marked() -> None:
    away = replace(SCENE, aim_mm=(120.0, 0.0))
    assert 0 < sum(r.even for r in steps_of(plain(), away)) < 24
    assert not any(r.even for r in steps_of(photo_of(replace(SCENE, exposure=1.5), jpeg_quality=92)))


def test_colour_of_the_light_stays_in_the_channels() -> None:
    warm = np.rint(plain().rgb_u8 * np.array([1.0, 0.9, 0.7])).astype(np.uint8)
    reading = steps_of(replace(plain(), rgb_u8=warm))[2]
    red, green, blue = reading.white_rgb
    assert red > 1.15 * green > 1.3 * blue
    ratio = reading.level_rgb / reading.white_rgb
    assert ratio == pytest.approx(np.full(3, ratio[0]), rel=0.05)
