"""sRGB to linear light: known answers, round trips and an outside check."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2xyz

from assessor.card.linear import (
    bytes_from_linear,
    grey_bytes,
    linear_from_srgb,
    linear_grey,
    linear_of_byte,
    linear_rgb,
    srgb_from_linear,
)

ALL_BYTES = np.arange(256, dtype=np.uint8)


@pytest.mark.parametrize(
    # domain.md section 12, item 29 (from memory there, verify: IEC 61966-2-1)
    ("coded", "linear"),
    [(0.02, 0.001548), (0.04045, 0.003131), (0.2, 0.033105), (0.5, 0.214041), (1.0, 1.0), (0.0, 0.0)],
)
def test_known_answers_of_the_curve(coded: float, linear: float) -> None:
    assert float(linear_from_srgb(coded)) == pytest.approx(linear, abs=1e-6)
    assert float(srgb_from_linear(linear)) == pytest.approx(coded, abs=1e-5)


def test_known_answers_for_bytes() -> None:
    # domain.md section 12, items 30 and 31
    assert linear_of_byte()[[118, 128, 186]] == pytest.approx([0.1812, 0.2159, 0.4910], abs=1e-4)
    assert bytes_from_linear(np.array([0.18, 0.36, 0.59])).tolist() == [118, 162, 202]


def test_every_byte_comes_back() -> None:
    assert (bytes_from_linear(linear_rgb(ALL_BYTES)) == ALL_BYTES).all()


def test_light_beyond_the_range_is_clipped() -> None:
    assert bytes_from_linear(np.array([-0.5, 1.7])).tolist() == [0, 255]


def test_agrees_with_scikit_image() -> None:
    # Outside check: scikit-image's own IEC 61966-2-1; Y of a neutral pixel is its linear light (white Y = 1).
    grey = np.repeat(ALL_BYTES[:, None], 3, axis=1)[None]
    assert linear_of_byte() == pytest.approx(rgb2xyz(grey)[0, :, 1], abs=2e-4)


def test_grey_of_neutral_pixels_is_exact_and_keeps_the_shape() -> None:
    neutral = np.repeat(ALL_BYTES.reshape(8, 32)[..., None], 3, axis=2)
    result = linear_grey(neutral)
    assert result.shape == (8, 32)
    assert result.dtype == np.float32
    assert (result == linear_of_byte()[ALL_BYTES.reshape(8, 32)]).all()
    assert (grey_bytes(neutral) == ALL_BYTES.reshape(8, 32)).all()


@pytest.mark.parametrize("shape", [(5, 7, 3), (1, 9, 3), (4, 6), (3,), (0, 3)])
def test_linear_rgb_keeps_any_shape(shape: tuple[int, ...]) -> None:
    values = np.random.default_rng(3).integers(0, 256, shape, dtype=np.uint8)
    assert linear_rgb(values).shape == shape
    assert (linear_rgb(values) == linear_of_byte()[values]).all()


def test_tables_are_read_only() -> None:
    with pytest.raises(ValueError, match="read-only"):
        linear_of_byte()[0] = 1.0
