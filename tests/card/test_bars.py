"""Tape readings to print scale."""

from __future__ import annotations

import pytest

from assessor.card.bars import scale_from_bars
from assessor.errors import BadBars


def test_readings_scale_their_own_axis() -> None:
    scale = scale_from_bars(247.5, 181.8)
    assert scale.x == pytest.approx(1.01)
    assert scale.y == pytest.approx(0.99)
    assert scale.checked


def test_reading_uncertainty_follows_the_tape() -> None:
    scale = scale_from_bars(250.0, 180.0)
    assert scale.u_y == pytest.approx(0.3 / 250)
    assert scale.u_x == pytest.approx(0.3 / 180)


@pytest.mark.parametrize(
    ("along", "across", "sentence"),
    [
        (180.0, 250.0, "look swapped"),
        (9.84, 7.09, r"bar along the sheet was read as 9.84 mm \(inches\?\), possible is 235-265 mm"),
        (250.0, 150.0, "bar across the sheet was read as 150 mm, possible is 169-191 mm"),
        (float("nan"), 180.0, "bar along"),
        (-250.0, 180.0, "bar along"),
    ],
)
def test_impossible_readings_are_refused(along: float, across: float, sentence: str) -> None:
    with pytest.raises(BadBars, match=sentence):
        scale_from_bars(along, across)
