"""Windows of one spot and of others: patterns with known agreement."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from assessor.texture.look import SIDE_PX, Look
from assessor.texture.same_spot import unlike_the_rest
from assessor.values import FloatArray


def pattern(seed: int, sd_mm: float = 1.5) -> FloatArray:
    """Band-limited noise of unit deviation over the window."""
    noise = np.random.default_rng(seed).normal(0, 1, (SIDE_PX, SIDE_PX)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), sd_mm * 5)
    return np.asarray(smooth / smooth.std())


def look(name: str, brightness: FloatArray, colour: FloatArray | float = 0.0) -> Look:
    rgb = np.stack([brightness + colour, brightness, brightness - colour], -1) * 0.1 - 1.0
    return Look(name, rgb.astype(np.float32), None, 0.2, 8.0, (0.0, 0.0), 0.0)


def noise(seed: int) -> FloatArray:
    return np.random.default_rng(seed).normal(0, 1.0, (SIDE_PX, SIDE_PX))


def test_one_spot_in_three_lights() -> None:
    """Shading turns round with the torch; what is left of a side light has nothing in common but the colour."""
    shading, other, stones = pattern(1), pattern(2), pattern(3)
    photos = [
        look("a", shading + noise(7), stones),
        look("b", -shading + noise(8), stones),
        look("c", other, stones),
    ]
    assert unlike_the_rest(photos) == ()


def test_reversed_shading_alone_is_the_same_spot() -> None:
    assert unlike_the_rest([look("a", pattern(1) + noise(7)), look("b", -pattern(1) + noise(8))]) == ()


def test_a_window_displaced_by_parallax_is_the_same_spot() -> None:
    moved = np.roll(pattern(1), (12, -15), (0, 1))  # 2.4 and 3 mm
    assert unlike_the_rest([look("a", pattern(1)), look("b", moved)]) == ()


def test_other_spots_are_named() -> None:
    photos = [
        look("a", pattern(1), pattern(2)),
        look("b", pattern(3), pattern(4)),
        look("c", pattern(1) + noise(5)),
    ]
    assert unlike_the_rest(photos) == ("b",)


def test_a_chain_of_photos_holds_together() -> None:
    first, last = pattern(1), pattern(2)
    photos = [look("a", first), look("b", last), look("c", first + last)]
    assert unlike_the_rest(photos) == ()


def test_windows_without_any_pattern_say_nothing() -> None:
    plain = np.zeros((SIDE_PX, SIDE_PX))
    assert unlike_the_rest([look("a", plain), look("b", plain)]) == ()


@pytest.mark.parametrize("count", [0, 1])
def test_a_lone_photo_is_unlike_none(count: int) -> None:
    assert unlike_the_rest([look("a", pattern(1))][:count]) == ()


def test_chance_does_not_make_two_floors_one() -> None:
    """Thirty pairs of unrelated floors with the spacing of sand and of stones."""
    for seed in range(30):
        sd = 1.0 if seed % 2 else 2.0
        pair = [look("a", pattern(100 + seed, sd)), look("b", pattern(200 + seed, sd))]
        assert unlike_the_rest(pair) == ("b",), seed
