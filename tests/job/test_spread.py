"""A failed spot spreads out until two neighbours in a row pass, or to the lot's edge, and always comes to an end."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessor.errors import BadEntry
from assessor.job.sampling import Lot, draw_plan
from assessor.job.spread import DIRECTIONS, spread

BAY = Lot(1, "Monday", "grinder 2", "grinding", 96.0, 12.0, 8.0)
SPOT = replace(draw_plan([BAY], seed=7).spots[0], x_m=6.0, y_m=4.0)


def follow(passes, *, spot=SPOT, lot=BAY, step_m=1.5):
    """Shoot until it is done; passes(x, y) says what lies there. Returns the last value and all neighbours shot."""
    failed, passed, number = [], [], 10
    for _ in range(60):
        found = spread(spot, failed, passed, lot=lot, next_number=number, step_m=step_m)
        if found.done:
            return found, failed, passed
        for own in found.next_spots:
            (passed if passes(own.x_m, own.y_m) else failed).append(own)
        number += len(found.next_spots)
    raise AssertionError("does not end")


def test_a_lone_failure_takes_two_neighbours_on_each_of_four_sides():
    found, failed, passed = follow(lambda x, y: True)
    assert (len(failed), len(passed)) == (0, 8)
    assert dict(found.closed) == dict.fromkeys(DIRECTIONS, "passed")
    assert dict(found.reach_m) == dict.fromkeys(DIRECTIONS, 1.5)
    assert found.ends_at_edge == 0
    assert found.sentence.startswith("Round spot 1 work over again: 1.5 m further along the long side")
    first = spread(SPOT, [], [], lot=BAY, next_number=10)
    assert [s.number for s in first.next_spots] == list(range(10, 18))
    assert {s.role for s in first.next_spots} == {"spread"}
    assert first.next_spots[0].where == "from spot 1: 1.50 m further along the long side"
    assert (first.next_spots[0].x_m, first.next_spots[0].y_m) == (7.5, 4.0)
    assert "shoot 8 neighbours, outward until two in a row pass" in first.sentence


def test_a_failing_part_is_followed_to_where_it_ends():
    # Fails between x = 4 and 9.5: two steps along, one back; across it passes at once.
    found, failed, _ = follow(lambda x, y: not 4 < x < 9.5 or abs(y - 4) > 1)
    assert {(s.direction, s.steps) for s in failed} == {("along", 1), ("along", 2), ("back", 1)}
    assert dict(found.reach_m) == {"along": 4.5, "back": 3.0, "in": 1.5, "out": 1.5}


def test_pass_fail_pass_pass_is_no_end_before_the_second_pair():
    found, failed, passed = follow(lambda x, y: round(x, 2) != 9.0)
    assert [(s.direction, s.steps) for s in failed] == [("along", 2)]
    assert max(s.steps for s in passed if s.direction == "along") == 3
    # x = 12 would be the wall, so one that passed closes it there.
    assert dict(found.closed)["along"] == "edge"
    assert dict(found.reach_m)["along"] == 4.5


def test_a_floor_that_fails_everywhere_is_reworked_to_its_edges():
    found, _, passed = follow(lambda x, y: False)
    assert passed == []
    assert found.ends_at_edge == 4
    assert dict(found.reach_m) == pytest.approx({"along": 6.0, "back": 6.0, "in": 4.0, "out": 4.0}, abs=0.06)
    assert found.sentence.count("(to the edge)") == 4


def test_an_outline_stops_the_walk_at_its_notch_and_speaks_of_the_plan():
    notched = Lot(
        1, "a", "b", "c", 60.0, corners_m=((0, 0), (10, 0), (10, 4), (4, 4), (4, 9), (0, 9))
    )  # fmt: skip
    spot = replace(SPOT, x_m=2.0, y_m=6.0)
    found = spread(spot, [], [], lot=notched, next_number=10)
    assert {(s.direction, s.steps) for s in found.next_spots} == {
        ("along", 1), ("back", 1), ("in", 1), ("out", 1), ("out", 2)
    }  # fmt: skip
    assert "to the right on the plan" in found.next_spots[0].where


def test_without_a_known_place_the_crew_says_where_the_floor_ends():
    worst = replace(SPOT, x_m=None, y_m=None, role="worst")
    found = spread(worst, [], [], lot=BAY, next_number=10, blocked={"in", "out"})
    assert {s.direction for s in found.next_spots} == {"along", "back"}
    assert dict(found.closed) == {"in": "edge", "out": "edge"}
    assert found.next_spots[0].x_m is None


def test_neighbours_of_another_spot_do_not_count():
    first = spread(SPOT, [], [], lot=BAY, next_number=10)
    others = [replace(s, spread_from=2) for s in first.next_spots]
    assert len(spread(SPOT, [], others, lot=BAY, next_number=20).next_spots) == 8


def test_bad_steps_and_full_zones_are_refused():
    with pytest.raises(BadEntry, match="must be positive"):
        spread(SPOT, [], [], lot=BAY, next_number=10, step_m=0)
    with pytest.raises(BadEntry, match="no spot numbers left"):
        spread(SPOT, [], [], lot=BAY, next_number=95)


@settings(max_examples=60, deadline=None)
@given(
    x=st.floats(0.25, 11.75),
    y=st.floats(0.25, 7.75),
    step_m=st.floats(0.9, 4.0),
    bad=st.sets(st.tuples(st.sampled_from(sorted(DIRECTIONS)), st.integers(1, 8))),
)
def test_whatever_passes_it_ends_stays_on_the_lot_and_closes_by_the_rule(x, y, step_m, bad):
    spot = replace(SPOT, x_m=x, y_m=y)
    failed, passed = [], []
    for _ in range(40):
        found = spread(spot, failed, passed, lot=BAY, next_number=10, step_m=step_m)
        if found.done:
            break
        assert found.next_spots
        for own in found.next_spots:
            (failed if (own.direction, own.steps) in bad else passed).append(own)
    assert found.done
    shot = [(s.direction, s.steps) for s in [*failed, *passed]]
    assert len(shot) == len(set(shot))
    for own in [*failed, *passed]:
        assert -0.01 <= own.x_m <= 12.01
        assert -0.01 <= own.y_m <= 8.01
    good = {(s.direction, s.steps) for s in passed}
    for way, why in found.closed:
        steps = [n for w, n in shot if w == way]
        assert sorted(steps) == list(range(1, len(steps) + 1))
        if why == "passed":
            # The last two passed, and no two in a row before them.
            assert all((way, n) in good for n in sorted(steps)[-2:])
            assert not any((way, n) in good and (way, n + 1) in good for n in range(1, len(steps) - 1))
        # Everything that failed lies nearer than the part to be worked over reaches.
        reach = dict(found.reach_m)[way]
        assert all(n * step_m < reach + 0.01 for w, n in [(s.direction, s.steps) for s in failed] if w == way)
