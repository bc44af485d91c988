"""A torch capture without the torches' places: lay and a number that ranks, no millimetres."""

from __future__ import annotations

import math

import pytest

from assessor.texture.rank import U_TANGENT, rank_only
from assessor.texture.torch_heights import TORCH_BANDS
from assessor.values import Band, Direction, Quantity, Texture

FINE, WIDE, _ = TORCH_BANDS
LAY = Direction(30.0, 4.0, 0.8, 120.0)


def quantity(name: str, value: float, u: float, unit: str, band: Band = FINE) -> Quantity:
    return Quantity(name, value, u, value - 1.645 * u, value + 1.645 * u, unit, band, 0.1, "test")


def texture(sdq: float, u: float = 0.002) -> Texture:
    found = (
        quantity("Sq", 0.05, 0.001, "mm"),
        quantity("Sdq", sdq, u, "1"),
        quantity("Sdq", 0.5 * sdq, u, "1", WIDE),
        quantity("Sz", 0.4, 0.01, "mm"),
    )
    return Texture("torch", found, LAY, 0.004, FINE, 0.97, ("torch-unplaced",))


def test_no_millimetres_are_left() -> None:
    ranked = rank_only(texture(0.1), 25.0)
    assert [(q.name, q.unit, q.band) for q in ranked.quantities] == [("contrast", "", FINE)]
    assert math.isnan(ranked.noise_floor_mm)
    assert ranked.get("Sq") is None
    assert ranked.get("Sdq") is None
    assert "no millimetres" in ranked.quantities[0].method


def test_what_needs_no_millimetres_stays() -> None:
    ranked = rank_only(texture(0.1), 25.0)
    assert (ranked.direction, ranked.kind, ranked.flags, ranked.valid_fraction) == (
        LAY, "torch", ("torch-unplaced",), 0.97,
    )  # fmt: skip


def test_contrast_is_shading_and_goes_with_slope() -> None:
    """Relative shading of a slope s under a torch e degrees high is s / tan(e) (Lambert's cosine on level ground's)."""
    plain, steep = (rank_only(texture(sdq), 25.0).quantities[0] for sdq in (0.1, 0.2))
    assert plain.value == pytest.approx(0.1 / math.tan(math.radians(25.0)))
    assert steep.value == pytest.approx(2 * plain.value)
    assert rank_only(texture(0.1), 45.0).quantities[0].value == pytest.approx(0.1)


def test_its_doubt_is_that_of_a_hand_that_holds_the_torch_anywhere() -> None:
    found = rank_only(texture(0.1, u=0.01), 45.0).quantities[0]
    assert found.u == pytest.approx(math.hypot(0.01, U_TANGENT * 0.1))
    assert found.high90 - found.value == pytest.approx(1.645 * found.u)
    assert found.low90 == pytest.approx(found.value - 1.645 * found.u)
    # 15 to 40 degrees, as the guide says, evenly: their tangents' sd over 25 degrees' tangent.
    tangents = [math.tan(math.radians(15 + 25 * k / 999)) for k in range(1000)]
    mean = sum(tangents) / 1000
    spread = math.sqrt(sum((t - mean) ** 2 for t in tangents) / 1000) / math.tan(math.radians(25))
    assert pytest.approx(spread, abs=0.1) == U_TANGENT
    assert rank_only(texture(0.1, u=1.0), 45.0).quantities[0].low90 == 0.0


def test_where_slopes_are_not_told_nothing_ranks() -> None:
    bare = Texture("torch", (quantity("Sq", 0.05, 0.001, "mm"),), LAY, 0.004, FINE, 0.97)
    assert rank_only(bare, 25.0).quantities == ()
