"""Which kind would have served the floor better: said where it is so, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor.grading.kinds import say_better_kind
from assessor.values import Band, SlopeMap, Texture
from tests.grading.helpers import texture

FINE, WIDE = Band(0.5, 8.0), Band(0.5, 25.0)
TOO_FINE = (
    "This floor is too fine for angles: add a torch capture of the same spot, which sees finer texture."
)
COARSE = "This floor is coarse for a torch: add four photos of the same spot from four sides (angles)."


def slopes(shadowed: float) -> SlopeMap:
    flat = np.zeros((4, 4), np.float32)
    return SlopeMap(
        flat, flat, np.ones((4, 4), bool), 10.0, -0.2, 0.2, None, np.ones((2, 2, 3)), 5.0, flat, 8, False, 0.8,
        shadowed, 0.02,
    )  # fmt: skip


def torch_texture(fine_mm: float, wide_mm: float | None) -> Texture:
    found = texture(fine_mm, band=FINE, kind="torch")
    if wide_mm is None:
        return found
    return replace(
        found, quantities=(*found.quantities, *texture(wide_mm, band=WIDE, kind="torch").quantities)
    )


@pytest.mark.parametrize("noise_mm", [0.03, 0.1])
def test_a_noisy_fine_floor_asks_for_a_torch(noise_mm: float) -> None:
    assert say_better_kind(replace(texture(0.1), noise_floor_mm=noise_mm), None) == TOO_FINE


def test_a_buried_floor_asks_for_a_torch_and_so_does_one_without_numbers() -> None:
    assert say_better_kind(texture(0.5, bound="upper"), None) == TOO_FINE
    assert say_better_kind(replace(texture(0.5), quantities=()), None) == TOO_FINE


def test_a_clear_angles_capture_asks_for_nothing() -> None:
    assert say_better_kind(replace(texture(0.1), noise_floor_mm=0.01), None) is None
    # No halves, no noise known: nothing is said about it.
    assert say_better_kind(replace(texture(0.1), noise_floor_mm=float("nan")), None) is None


def test_shadows_and_coarse_texture_ask_for_angles() -> None:
    assert say_better_kind(torch_texture(0.1, 0.15), slopes(0.15)) == COARSE
    assert say_better_kind(torch_texture(0.1, 0.5), slopes(0.02)) == COARSE


def test_a_fine_torch_capture_asks_for_nothing() -> None:
    assert say_better_kind(torch_texture(0.05, 0.08), slopes(0.02)) is None
    # The fine band's own Sq does not tell how coarse a floor is in long waves.
    assert say_better_kind(torch_texture(0.5, None), slopes(0.02)) is None
    assert say_better_kind(torch_texture(0.5, 0.5), None) is None


def test_both_kinds_together_ask_for_nothing() -> None:
    assert say_better_kind(texture(0.6, kind="fused"), slopes(0.3)) is None
