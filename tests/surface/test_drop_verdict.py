"""Verdicts of water drops: time and shape apart, the control decides, can't tell where it must."""

from datetime import datetime

import numpy as np
import pytest

from assessor.surface.drop_record import DropEntry, DropRecord
from assessor.surface.drop_values import PhotoDrop
from assessor.surface.drop_verdict import judge_drops


def record(*drops, **more):
    known = {"slab_temperature_c": 18.0, "drop_volume_ml": 0.05, "water_allowed": True}
    return DropRecord(
        "water-drops", 1, "job", "who", datetime(2026, 3, 2), "pipette", tuple(drops), **{**known, **more}
    )


def drop(spot="A", control=False, s=None, watched=None, seen=()):
    return DropEntry(spot, control, s, watched, tuple(seen))


def photo(shape):
    return PhotoDrop((0, 0), np.zeros((4, 2)), 6.0, 0.2, shape, "too coarse", None, ())


def judge(*drops, seen=None, **more):
    return judge_drops(record(*drops, **more), seen).drops


@pytest.mark.parametrize(
    ("s", "watched", "porosity"),
    [(20, None, "porous"), (54, None, "porous"), (58, None, "cannot-tell"), (63, None, "cannot-tell"),
     (80, None, "dense"), (None, 60, "dense"), (None, 30, "cannot-tell")],
)  # fmt: skip
def test_the_minute_tells_porosity(s, watched, porosity):
    assert judge(drop(s=s, watched=watched))[0].porosity == porosity


def test_missing_volume_or_temperature_widens_the_minute():
    assert judge(drop(s=45), slab_temperature_c=None)[0].porosity == "cannot-tell"
    assert judge(drop(s=45), drop_volume_ml=None)[0].porosity == "cannot-tell"
    assert judge(drop(s=30), drop_volume_ml=None, slab_temperature_c=None)[0].porosity == "porous"
    assert judge(drop(watched=60), slab_temperature_c=None)[0].porosity == "cannot-tell"
    assert judge(drop(watched=90), slab_temperature_c=None)[0].porosity == "dense"
    assert judge(drop(s=45), slab_temperature_c=1.0)[0].porosity == "cannot-tell"


def test_a_bead_beside_a_control_that_takes_water_repels():
    one, _ = judge(drop(watched=60, seen=["bead"]), drop(control=True, s=20, seen=["film"]))
    assert one.repels == "repels"
    assert "after a day" in one.next_step


def test_a_bead_without_a_control_tells_nothing_of_what_repels():
    (one,) = judge(drop(watched=60, seen=["bead"]))
    assert one.repels == "cannot-tell"
    assert "no control" in one.repels_why


def test_a_dense_floor_is_not_called_contaminated():
    one, _ = judge(drop(watched=60, seen=["film"]), drop(control=True, watched=60, seen=["film"]))
    assert (one.porosity, one.repels) == ("dense", "cannot-tell")
    assert "dense" in one.repels_why


def test_time_never_makes_a_verdict_of_what_repels():
    # Slow on the spot, quick on the control, but spread flat: a trowelled skin does that too.
    one, _ = judge(drop(watched=120, seen=["film"]), drop(control=True, s=10, seen=["film"]))
    assert one.repels == "cannot-tell"


def test_alike_is_no_more_than_none_found():
    one, _ = judge(drop(s=20, seen=["film"]), drop(control=True, s=15, seen=["film"]))
    assert one.repels == "none-found"
    one, _ = judge(drop(s=20, seen=["film", "colour"]), drop(control=True, s=15, seen=["film"]))
    assert one.repels == "cannot-tell"
    assert "colour" in one.repels_why


def test_a_beading_control_is_no_control():
    one, _ = judge(drop(watched=60, seen=["bead"]), drop(control=True, watched=60, seen=["bead"]))
    assert one.repels == "cannot-tell"
    assert "deeper" in one.next_step


def test_eye_and_photo_must_not_disagree():
    entry = drop(watched=60, seen=["film"])
    assert judge(entry, seen={"A": photo("bead")})[0].shape == "cannot-tell"
    assert judge(drop(watched=60), seen={"A": photo("bead")})[0].shape == "bead"
    assert judge(drop(watched=60, seen=["bead"]), seen={"A": photo("flat")})[0].shape == "bead"
    absorbed = judge(drop(s=20, seen=["bead"]), seen={"A": photo("bead")})[0]
    assert absorbed.porosity == "cannot-tell"


def test_no_verdict_says_clean():
    shapes, times = (
        ([], ["bead"], ["film"], ["film", "odd-shape"]),
        ((20, None), (70, None), (None, 60), (None, 20)),
    )
    for mine in shapes:
        for control in shapes:
            for s, watched in times:
                for cs, cw in times:
                    told = judge_drops(
                        record(drop(s=s, watched=watched, seen=mine), drop("A", True, cs, cw, control))
                    )
                    words = repr(told).lower()
                    assert "clean" not in words
                    assert told.drops[0].repels_why
                    assert told.drops[0].next_step


def test_counts_and_notes():
    told = judge_drops(record(drop(s=20)), area_m2=929.03)
    assert (told.spots, told.needed) == (1, 6)
    assert told.count_words.startswith("TOO FEW")
    assert "5 more" in told.count_words
    assert judge_drops(record(drop(s=20))).needed is None
    assert judge_drops(record(drop(control=True, s=20))).spots == 0
    told = judge_drops(record(drop(s=20), water_allowed=False, drop_volume_ml=None, slab_temperature_c=None))
    assert len(told.notes) == 4
    assert "forbids" in told.notes[0]
