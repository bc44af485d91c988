"""Acceptance statistics: shares and means with intervals, readings between chips, lots of unlike density."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.grading.intervals import mean_of, t_interval
from assessor.job.sampling import Lot
from assessor.job.statistics import (
    SpotReading,
    place_of,
    spots_to_show,
    what_it_proves,
    zone_statistics,
)
from assessor.values import TargetRange

TARGET = TargetRange(3, 5)
BAY = Lot(1, "Monday", "grinder 2", "grinding", 100.0, 10.0, 10.0)
SMALL = replace(BAY, shift="Tuesday", area_m2=10.0, length_m=5.0, width_m=2.0, number=2)


def read(*grades, lot=1, role="random", first=1):
    """Readings by grade; 3.5 is between 3 and 4."""
    return [
        SpotReading(first + k, lot, math.floor(g), math.ceil(g), role) for k, g in enumerate(grades)
    ]  # fmt: skip


def test_five_of_five_shows_only_that_over_57_percent_is_in_range():
    proof = what_it_proves(5, 5)
    assert proof.low95 == pytest.approx(0.566, abs=5e-4)
    assert proof.high95 == 1.0
    assert "shows only that over about 57 % of the floor is" in proof.sentence
    assert "would still pass 5 of 5 with chance 6 %" in proof.sentence
    assert "16 spots would show 80 %, 35 spots 90 %" in proof.sentence
    assert "53 % to 98 %" in what_it_proves(8, 7).sentence
    assert what_it_proves(4, 0).exact_low95 == 0.0


@given(n=st.integers(1, 300))
def test_a_floor_at_the_exact_limit_passes_all_with_chance_one_in_forty(n):
    proof = what_it_proves(n, n)
    assert proof.exact_low95**n == pytest.approx(0.025)
    # Wilson promises a little more at few spots, and no more from 46.
    assert (proof.exact_low95 < proof.low95) == (n < 46)


@given(share=st.floats(0.05, 0.98))
def test_spots_to_show_is_the_smallest_number_that_does(share):
    n = spots_to_show(share)
    assert what_it_proves(n, n).low95 >= share - 1e-9
    assert n == 1 or what_it_proves(n - 1, n - 1).low95 < share


def test_shares_outside_0_to_1_are_refused():
    for share in (0.0, 1.0, -1.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            spots_to_show(share)
    with pytest.raises(ValueError, match="no share"):
        what_it_proves(3, 4)


@pytest.mark.parametrize(
    ("low", "high", "place"),
    [
        (3, 3, "in"),
        (5, 5, "in"),
        (2, 2, "short"),
        (6, 6, "over"),
        (2, 3, "short"),
        (5, 6, "over"),
        (4, 5, "in"),
    ],
)
def test_between_two_chips_is_in_range_only_where_both_are(low, high, place):
    assert place_of(low, high, TARGET) == place


def test_a_zone_is_told_by_share_mean_spread_extremes_and_lots():
    found = zone_statistics(4, read(3, 3.5, 4, 2.5, 3), TARGET, [BAY])
    assert (found.read, found.passed, found.missing) == (5, 4, 0)
    assert found.share == pytest.approx(0.8)
    assert (found.mean.mean, found.mean.least, found.mean.most) == (3.2, 2.5, 4.0)
    assert found.mean.sd == pytest.approx(np.std([3, 3.5, 4, 2.5, 3], ddof=1))
    assert found.counts == ((2.5, 1), (3.0, 2), (3.5, 1), (4.0, 1))
    assert found.sentences[0] == (
        "Zone 4: 4 of 5 random spots read in CSP 3-5 (80 % of the floor; 95 %: 38 % to 96 %)."
    )
    assert found.sentences[1] == "Readings: mean CSP 3.2 (95 %: 2.5 to 3.9), spread 0.6, from 2.5 to 4."
    assert found.sentences[2] == "Spot 4 (random) was read between CSP 2 and 3: smoother than the range."


def test_worst_places_and_neighbours_of_failed_spots_never_move_the_share():
    only = zone_statistics(4, read(3, 3, 3, 4, 4), TARGET, [BAY])
    chosen = [*read(1, role="worst", first=6), *read(2, 7, role="spread", first=7)]
    both = zone_statistics(4, read(3, 3, 3, 4, 4) + chosen, TARGET, [BAY])
    assert (both.share, both.mean, both.read) == (only.share, only.mean, only.read)
    assert [reading.spot for reading in both.off] == [6, 7, 8]
    assert both.sentences[-1] == "Spot 8 (spread) was read CSP 7: rougher than the range."


def test_a_small_lot_weighs_as_much_as_its_floor():
    readings = read(3, 3, 3, 3, 3) + read(2, 2, 2, lot=2, first=6)
    found = zone_statistics(4, readings, TARGET, [BAY, SMALL])
    assert found.share == pytest.approx(100 / 110)  # 5 of 8 without the weights
    assert found.effective == pytest.approx(110**2 / (100**2 / 5 + 10**2 / 3))
    assert found.effective < 8
    assert [(lot.read, lot.passed) for lot in found.by_lot] == [(5, 5), (3, 0)]
    assert "by area" in found.sentences[0]
    assert any(line.startswith("zone 1, lot 2 (Tuesday") and "0 of 3" in line for line in found.sentences)


def test_even_lots_need_no_weights():
    second = replace(BAY, shift="Tuesday", number=2)
    found = zone_statistics(
        4, read(3, 3, 3, 3, 3) + read(2, 3, 3, 3, 3, lot=2, first=6), TARGET, [BAY, second]
    )
    assert found.share == pytest.approx(0.9)
    assert found.effective == pytest.approx(10)
    assert "by area" not in found.sentences[0]


def test_missing_spots_and_none_at_all_are_said():
    some = zone_statistics(4, read(3, 3), TARGET, [BAY])
    assert some.missing == 3
    assert some.sentences[0] == "Zone 4: 3 random spots are still to be read."
    none = zone_statistics(4, [], TARGET, [BAY])
    assert (none.share, none.low95, none.mean, none.missing) == (None, None, None, 5)
    assert "nothing can be said" in none.sentences[-1]
    with pytest.raises(ValueError, match="no lot 9"):
        zone_statistics(4, read(3, lot=9), TARGET, [BAY])


def test_readings_all_alike_hide_their_spread():
    found = zone_statistics(4, read(3, 3, 3, 3, 3), TARGET, [BAY])
    assert (found.mean.sd, found.mean.low95, found.mean.high95) == (0.0, None, None)
    assert "chips' steps hide" in found.sentences[1]
    one = zone_statistics(4, read(3), TARGET, [BAY])
    assert one.mean.sd is None
    assert any("one spot says nothing about the spread" in line for line in one.sentences)


def test_mean_of_nothing_is_refused_and_one_value_has_no_interval():
    with pytest.raises(ValueError, match="no values"):
        mean_of([])
    assert t_interval(1.0, 0.1, 1) is None


@given(values=st.lists(st.floats(0.01, 10.0), min_size=2, max_size=30))
def test_the_mean_lies_in_its_interval_and_between_the_extremes(values):
    found = mean_of(values)
    assert found.least - 1e-9 <= found.mean <= found.most + 1e-9
    if found.low95 is not None:
        assert found.low95 <= found.mean <= found.high95


def test_limits_of_two_readings_are_not_told_beyond_the_chips():
    """Student's limits about 2.5 with two readings reach to -3.9, where there is no chip."""
    found = zone_statistics(4, read(2, 3), TARGET, [BAY])
    assert found.mean is not None and found.mean.low95 == pytest.approx(2.5 - 12.706 / 2, abs=1e-3)
    assert any("mean CSP 2.5 (95 %: 1.0 to 8.9)" in sentence for sentence in found.sentences)
