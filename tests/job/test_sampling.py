"""The tool draws the spots: evenly spread, uniform, reproducible, walkable, and within the budget of a day."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kstest

from assessor.errors import BadEntry
from assessor.job.outline import area_m2, draw_places, outline_of
from assessor.job.sampling import (
    Lot,
    SamplingSettings,
    draw_plan,
    effort_of,
    redraw,
    shape_of,
    wanted_spots,
)

BAY = Lot(1, "Monday", "grinder 2", "grinding", 96.0, 12.0, 8.0, corner="grid line B/3")
L_SHAPE = ((0.0, 0.0), (10.0, 0.0), (10.0, 4.0), (4.0, 4.0), (4.0, 9.0), (0.0, 9.0))
L_BAY = Lot(2, "Monday", "grinder 2", "grinding", 60.0, corners_m=L_SHAPE)
STRIP = Lot(3, "Monday", "edge grinder", "grinding", 9.0, 30.0, 0.3)


@pytest.mark.parametrize(("area", "wanted"), [(1, 3), (60, 3), (60.1, 4), (100, 5), (100.1, 6), (400, 20)])
def test_three_at_least_and_five_per_100_m2(area, wanted):
    assert wanted_spots(area) == wanted


def test_a_plan_gives_every_lot_its_random_spots_and_one_worst_place():
    plan = draw_plan([BAY, L_BAY], seed=7)
    for lot, wanted in ((BAY, 5), (L_BAY, 3)):
        spots = plan.spots_of(lot)
        assert [spot.role for spot in spots] == ["random"] * wanted + ["worst"]
        assert [spot.number for spot in spots] == list(range(1, wanted + 2))
    assert "grid line B/3: " in plan.spots[0].where
    assert " m along the long side, then " in plan.spots[0].where
    assert plan.spots_of(L_BAY)[0].where.startswith("pin on the plan ")
    assert plan.spots_of(BAY)[-1].x_m is None


def test_the_same_seed_gives_the_same_plan_and_another_seed_another():
    assert draw_plan([BAY, L_BAY], seed=7) == draw_plan([BAY, L_BAY], seed=7)
    assert draw_plan([BAY], seed=7).spots != draw_plan([BAY], seed=8).spots
    # A lot's places do not hang on which lots are drawn with it.
    assert draw_plan([L_BAY], seed=7).spots == draw_plan([BAY, L_BAY], seed=7).spots_of(L_BAY)


def test_a_plan_of_a_known_seed_stays_what_it_was():
    """A recorded plan is drawn again from its seed. Should numpy ever change its streams, this says so: the recorded
    places stay what they are, only stand-ins would be drawn elsewhere."""
    drawn = [(spot.x_m, spot.y_m) for spot in draw_plan([BAY], seed=7).spots[:-1]]
    assert drawn == [(3.38, 4.77), (6.87, 4.05), (9.88, 4.3), (9.99, 7.55), (4.12, 7.56)]


def test_numbers_go_on_where_the_zone_stopped():
    second = replace(BAY, shift="Tuesday", number=2)
    plan = draw_plan([BAY, second], seed=1)
    assert [spot.number for spot in plan.spots] == list(range(1, 13))
    assert [s.number for s in draw_plan([second], seed=1, taken={1: 6}).spots] == list(range(7, 13))


def test_one_spot_in_five_is_measured_and_all_of_a_mock_up():
    large = replace(BAY, area_m2=400.0, length_m=20.0, width_m=20.0)
    assert sum(spot.effort == "measured" for spot in draw_plan([large], seed=3).spots) == 4
    mock_up = draw_plan([replace(BAY, is_mock_up=True, measure_with="torch")], seed=3)
    assert [spot.effort for spot in mock_up.spots] == ["measured"] * 5 + ["quick"]
    assert mock_up.spots[0].shots.startswith("torch: eight sides")


def test_effort_is_the_budget_of_the_job():
    large = replace(BAY, area_m2=400.0, length_m=20.0, width_m=20.0)
    effort = effort_of(draw_plan([large], seed=3, settings=SamplingSettings(overview_s=0.0)))
    # 16 quick ones and the worst place at 45 s, 4 measured at 3 min; 21 of 50 spots a day.
    assert (effort.quick, effort.measured) == (17, 4)
    assert effort.minutes == pytest.approx(17 * 0.75 + 4 * 3.0)
    assert effort.days == pytest.approx(21 / 50)
    assert "17 quick (45 s each) and 4 measured (3 min each)" in effort.sentence


def test_a_lot_without_a_shape_is_told_in_shares_of_its_length_and_width():
    (first, *_) = draw_plan([Lot(4, "night", "blaster", "shot-blasting", 40.0)], seed=1).spots
    assert first.x_m is None
    assert first.pin is not None
    assert "of the part's length along and" in first.where


@pytest.mark.parametrize(
    ("width", "room", "said"),
    [
        (0.8, 0.25, ""),
        (0.5, 0.15, ""),
        (0.3, 0.11, "long side along the strip"),
        (0.2, 0.05, "lay the edge strip"),
    ],
)
def test_narrow_strips_keep_the_room_they_have_and_say_how_to_lay_the_sheet(width, room, said):
    strip = replace(STRIP, area_m2=30 * width, width_m=width)
    assert shape_of(strip).room_m == pytest.approx(room, rel=0.05)
    for spot in draw_plan([strip], seed=5).spots[:-1]:
        assert room - 0.01 <= spot.y_m <= width - room + 0.01
        assert spot.where.endswith(f"{said}" if said else " m in")


def test_a_thin_strip_round_a_corner_is_drawn_in_its_middle():
    strip = ((0, 0), (40.03, 0), (40.03, 20.01), (39.83, 20.01), (39.83, 0.2), (0, 0.2))
    lot = Lot(4, "a", "b", "c", 12.0, corners_m=strip)
    assert shape_of(lot).room_m == pytest.approx(0.05, rel=0.15)
    for spot in draw_plan([lot], seed=2).spots[:-1]:
        assert cv2.pointPolygonTest(np.array(strip, np.float32), (spot.x_m, spot.y_m), True) > 0.03


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    length=st.floats(1.0, 60.0),
    width=st.floats(0.8, 30.0),
    per_100=st.floats(1.0, 10.0),
)
def test_every_random_spot_lies_a_sheet_away_from_the_edge(seed, length, width, per_100):
    area = length * width
    lot = Lot(1, "a", "b", "c", area, length, width)
    chosen = SamplingSettings(per_100_m2=min(per_100, 9000 / area))
    plan = draw_plan([lot], seed, settings=chosen)
    outline = shape_of(lot, chosen)
    random = plan.spots[:-1]
    assert len(random) == wanted_spots(area, chosen)
    assert outline.size_m == pytest.approx((max(length, width), min(length, width)))
    for spot in random:
        # Rounded to a centimetre.
        assert outline.room_m - 0.006 <= spot.x_m <= outline.size_m[0] - outline.room_m + 0.006
        assert outline.room_m - 0.006 <= spot.y_m <= outline.size_m[1] - outline.room_m + 0.006


def test_places_in_a_drawn_outline_stay_inside_it():
    contour = np.array(L_SHAPE, np.float32)
    for seed in range(60):
        for spot in draw_plan([L_BAY], seed).spots[:-1]:
            assert cv2.pointPolygonTest(contour, (spot.x_m, spot.y_m), True) > 0.24


def test_every_place_of_the_lot_is_as_likely():
    """Over many seeds x and y of all spots are uniform (Kolmogorov-Smirnov), on a rectangle and on an L."""
    xy = np.array(
        [(s.x_m, s.y_m) for seed in range(300) for s in draw_plan([BAY], seed).spots if s.role == "random"]
    )
    # One spot a plan: those of one plan are spread out, so together they are not independent.
    rng = np.random.default_rng(1)
    one = xy.reshape(300, 5, 2)[np.arange(300), rng.integers(0, 5, 300)]
    assert kstest(one[:, 0], "uniform", (0.25, 11.5)).pvalue > 0.01
    assert kstest(one[:, 1], "uniform", (0.25, 7.5)).pvalue > 0.01

    outline = outline_of(L_SHAPE, (0.0,))
    places = np.concatenate([draw_places(outline, 6, np.random.default_rng(s))[:, 0] for s in range(200)])
    in_foot = np.mean(places[:, 1] < 4)  # 40 of 60 m2
    assert in_foot == pytest.approx(40 / 60, abs=0.03)


def test_spots_spread_out_more_than_chance_would_place_them():
    """Of 20 spots in as many parts the share of the left half varies less than a binomial (stratified sampling)."""
    lot = replace(BAY, area_m2=400.0, length_m=20.0, width_m=20.0)
    left = [sum(s.x_m < 10 for s in draw_plan([lot], seed).spots[:-1]) for seed in range(60)]
    assert np.mean(left) == pytest.approx(10, abs=0.6)
    assert np.var(left) < 0.5 * 20 * 0.25


def test_who_cannot_lay_the_sheet_gets_another_place_of_the_same_part():
    plan = draw_plan([BAY, L_BAY], seed=7)
    spot = plan.spots[1]
    drawn = [redraw(BAY, spot, plan, attempt=n) for n in (1, 2, 3)]
    assert len({(s.x_m, s.y_m) for s in [spot, *drawn]}) == 4
    assert {s.number for s in drawn} == {spot.number}
    assert redraw(BAY, spot, plan) == drawn[0]
    others = np.array([(s.x_m, s.y_m) for s in plan.spots_of(BAY)[:-1] if s != spot])
    for other in drawn:
        # Parts do not overlap, so it can't land on another spot.
        assert np.hypot(*(others - (other.x_m, other.y_m)).T).min() > 0.02
    with pytest.raises(BadEntry, match="spot 6 was not drawn at random"):
        redraw(BAY, plan.spots_of(BAY)[-1], plan)
    with pytest.raises(BadEntry, match="make what blocks it a zone of its own"):
        redraw(BAY, spot, plan, attempt=1000)


BAD = {
    "an area of 0 m2 cannot be sampled": replace(BAY, area_m2=0.0),
    "an area of nan m2": replace(BAY, area_m2=float("nan")),
    r"its shape has 96.0 m2, but 120.0 m2 were told": replace(BAY, area_m2=120.0),
    "length and width must be positive": replace(BAY, width_m=-8.0),
    "at least three corners": replace(L_BAY, corners_m=((0.0, 0.0), (1.0, 1.0))),
    "the outline crosses itself": replace(L_BAY, corners_m=((0.0, 0.0), (8.0, 8.0), (8.0, 0.0), (0.0, 8.0))),
    "the outline has no area": replace(L_BAY, corners_m=((0.0, 0.0), (8.0, 0.0), (4.0, 0.0))),
    "tags go to 99: cut it in two": replace(BAY, area_m2=2100.0, length_m=70.0, width_m=30.0),
}


@pytest.mark.parametrize("sentence", BAD)
def test_a_lot_that_cannot_be_drawn_gets_one_sentence(sentence):
    with pytest.raises(BadEntry, match=sentence) as caught:
        draw_plan([BAD[sentence]], seed=1)
    assert "\n" not in str(caught.value)


def test_plans_refuse_twin_lots_a_negative_seed_and_a_full_zone():
    with pytest.raises(BadEntry, match="same number"):
        draw_plan([BAY, BAY], seed=1)
    with pytest.raises(BadEntry, match="whole number from 0"):
        draw_plan([BAY], seed=-1)
    with pytest.raises(BadEntry, match="cut it in two"):
        draw_plan([BAY], seed=1, taken={1: 95})


def test_area_of_outlines_by_hand():
    assert area_m2(np.array(L_SHAPE)) == 60.0
    assert area_m2(np.array([(0, 0), (3, 0), (0, 4)], float)) == 6.0
