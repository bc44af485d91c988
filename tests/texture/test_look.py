"""What the model is shown: a floor of known colour reads as that colour; turns of window and light agree."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from assessor.card.decode import decode_photo
from assessor.estimating import look_at_photo
from assessor.intake import find_all
from assessor.settings import Settings
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, render_capture
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.spot import Laps, place_spot
from assessor.texture import look as seen
from assessor.values import Light, Lighting, PrintScale

RECIPE = CaptureRecipe(
    "plain",
    FloorRecipe("flat", 0.0, px_per_mm=5.0, contrast=0.5),
    LightRecipe("lamp", 70.0, 35.0, direct=0.7),
    photos=1,
    seed=5,
    size_px=(2000, 1500),
    focal_px=1450.0,
    distance_mm=(310.0, 330.0),
    tilt_deg=(4.0, 6.0),
)


@cache
def shown() -> tuple[RenderedCapture, seen.Look]:
    capture = render_capture(RECIPE)
    settings = replace(Settings(), quality=replace(Settings().quality, min_px_per_mm=3.0))
    photos = [decode_photo(data, name) for name, data in capture.photos.items()]
    found = find_all(photos, settings, (), None).found
    spot = place_spot(found, PrintScale(checked=True, u_x=0.001, u_y=0.001), settings, Laps(float))
    return capture, look_at_photo(spot, settings, Laps(float)).look


def light(azimuth_deg: float, elevation_deg: float = 30.0) -> Light:
    return Light(azimuth_deg, elevation_deg, 1.0, 0.5, 0.8, 0.02, 0.5, 0.2, None, ("a", "b"))


def test_a_level_floor_reads_as_its_colour() -> None:
    capture, look = shown()
    half = round(seen.HALF_MM * 5.0)
    middle = capture.floor.albedo_linear.shape[0] // 2
    true = capture.floor.albedo_linear[middle - half : middle + half, middle - half : middle + half]
    read = np.exp(look.log_rgb) - seen.FLOOR
    assert read.shape == true.shape
    # Over the paper's reflectance; the tone curve is read off the grey steps.
    assert np.median(read / true) == pytest.approx(1 / RECIPE.sheet.paper_white, rel=0.05)
    # Grain of a sample is blurred by the lens; what is wider than that is where it should be.
    grain = [image[..., 1] / image[..., 1].mean() for image in (read, true)]
    coarse = [np.asarray(g).reshape(108, 5, 108, 5).mean((1, 3)) for g in grain]
    assert np.corrcoef(coarse[0].ravel(), coarse[1].ravel())[0, 1] > 0.9


def test_its_light_is_the_one_it_was_lit_by() -> None:
    look = shown()[1]
    assert look.azimuth_deg == pytest.approx(70, abs=3)
    assert look.lighting is not None
    assert look.lighting.lights[0].elevation_deg == pytest.approx(35, abs=2)


@pytest.mark.parametrize("azimuth_deg", [0.0, 10.0, 44.0, 46.0, 100.0, 179.0, 200.0, 271.0, 330.0, 359.0])
def test_turns_bring_the_light_between_0_and_45_degrees(azimuth_deg: float) -> None:
    turns, mirror = seen.quarter_turns(azimuth_deg)
    turned = seen.turn_angle(azimuth_deg, turns, mirror)
    assert 0 <= (turned + 1e-9) % 360 <= 45 + 1e-6
    assert seen.unturn_angle(turned, turns, mirror) % 360 == pytest.approx(azimuth_deg % 360)
    # A window bright toward the light is bright toward it after the turn too.
    at = np.arange(21) - 10.0
    angle = math.radians(azimuth_deg)
    window = at[None, :] * math.cos(angle) - at[:, None] * math.sin(angle)  # rows run against y
    image = seen.turn(window, turns, mirror)
    again = math.radians(turned)
    assert np.allclose(image, at[None, :] * math.cos(again) - at[:, None] * math.sin(again))


def test_light_numbers_tell_what_is_known() -> None:
    assert not seen.light_numbers(None, 0, False).any()
    none_seen = seen.light_numbers(Lighting((), None, None, "the tabs show no shadow"), 0, False)
    assert none_seen[0] == 1 and not none_seen[1:].any()
    two = Lighting((light(100.0), replace(light(220.0, 45.0), share=0.1)), 0.1, None, "tabs")
    numbers = seen.light_numbers(two, *seen.quarter_turns(100.0))
    assert numbers[4] == pytest.approx(math.log(math.tan(math.radians(30))), abs=1e-6)
    assert numbers[3] == pytest.approx(math.sin(math.radians(10)), abs=1e-6)
    assert numbers[11] == 1 and numbers[13] == pytest.approx(0, abs=1e-6)
    assert numbers[14] == pytest.approx(math.cos(math.radians(120)), abs=1e-6)


def test_channels_have_no_mean_and_the_ratio_has_no_colour() -> None:
    look = shown()[1]
    for channel in seen.single_channels(look, 0, False):
        assert float(channel.mean()) == pytest.approx(0, abs=1e-4)
    ratio, mean = seen.pair_channels(look, look, 0, False)
    assert float(np.abs(ratio).max()) == 0
    assert float(mean.std()) > 0.01
