"""Drops of the record find their drop in the photo by the place named, or not at all."""

import numpy as np
import pytest

from assessor.surface.drop_match import match_drops, nearest_place
from assessor.surface.drop_record import DropEntry
from assessor.surface.drop_values import PhotoDrop


def entry(spot, at, control=False):
    return DropEntry(spot, control, 20.0, photo="a.jpg", at=at)


def drop(x, y, shape="bead"):
    return PhotoDrop((x, y), np.zeros((4, 2)), 6.0, 0.2, shape, "", None, ())


@pytest.mark.parametrize(
    ("centre", "place"),
    [((-25, 5), "left"), ((31, -3), "right"), ((2, 40), "top"), ((3, -22), "bottom"), ((4, -6), "middle")],
)
def test_places(centre, place):
    assert nearest_place(centre) == place


def test_two_drops_by_their_places():
    left, right = drop(-25, 0), drop(28, 4, "flat")
    matched, why = match_drops([entry("A", "left"), entry("A", "right", control=True)], [right, left])
    assert matched == {"A": left, "A control": right}
    assert not why


def test_a_lone_drop_needs_no_place_and_two_do():
    only = drop(10, 10)
    assert match_drops([entry("A", None)], [only])[0] == {"A": only}
    matched, why = match_drops([entry("A", None), entry("B", None)], [only])
    assert not matched
    assert "say where" in why["A"]


def test_beads_go_before_stains_and_two_of_a_sort_are_not_guessed():
    bead, stain = drop(-25, 0), drop(-30, 10, "flat")
    assert match_drops([entry("A", "left")], [stain, bead])[0] == {"A": bead}
    matched, why = match_drops([entry("A", "left")], [stain, drop(-20, -5, "flat")])
    assert not matched
    assert "more than one" in why["A"]


def test_nothing_there_and_the_same_place_twice():
    matched, why = match_drops([entry("A", "left")], [drop(30, 0)])
    assert not matched
    assert "nothing at the left" in why["A"]
    matched, why = match_drops([entry("A", "left"), entry("B", "left")], [drop(-30, 0)])
    assert not matched
    assert "same place" in why["B"]
