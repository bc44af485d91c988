"""The weighing is right: sums, order, ends, calibration against truths drawn from the scale itself."""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.grading.posterior import explain_width, highest_unexcluded, shortest_run, weigh_grades
from assessor.grading.scale import load_scale
from tests.grading.helpers import BAND, owner_file, owner_text

PRIOR = load_scale("prior-10")
MIXTURE = PRIOR.curves_for(BAND, None)
AMPLITUDES = np.log(np.geomspace(0.002, 20, 60))


def weigh(log_value, log_sd=0.05, curves=MIXTURE, **options):
    values = np.atleast_1d(log_value)
    return weigh_grades(values, np.full(values.size, log_sd), curves, **options).probabilities


def swapped(first: int = 4, second: int = 5):
    """Ten evenly stepped chips of which two are numbered the other way round."""
    told = owner_file()
    rows = told["row"]
    rows[first]["median_mm"], rows[second]["median_mm"] = rows[second]["median_mm"], rows[first]["median_mm"]
    return load_scale(json.dumps(told)).curves


def test_grades_whose_order_is_broken_share_what_falls_to_them():
    curves = swapped()
    middle = np.array(curves[0].log_median)
    found = weigh(middle, curves=curves)
    assert np.allclose(found.sum(axis=1), 1.0)
    assert np.allclose(found[:, 4], found[:, 5])
    assert found[4, 4] + found[4, 5] > 0.8
    assert found[5, 4] + found[5, 5] > 0.8
    # Away from the swapped pair nothing changes.
    even = weigh(middle, curves=load_scale(owner_text()).curves)
    assert np.abs(found[[0, 1, 8, 9]] - even[[0, 1, 8, 9]]).max() < 0.01


def test_a_broken_order_never_makes_a_floor_surer_than_an_even_scale_does():
    even, broken = load_scale(owner_text()).curves, swapped()
    values = np.log(np.geomspace(0.03, 0.2, 30))
    assert (weigh(values, curves=broken).max(axis=1) <= weigh(values, curves=even).max(axis=1) + 1e-9).all()


@given(st.lists(st.floats(-5, 0), min_size=10, max_size=10), st.floats(-7, 2), st.integers(0, 4))
def test_whatever_the_order_chances_sum_to_one_and_runs_share_evenly(medians, value, at_most):
    rising = sorted(medians)
    medians[0], medians[-1] = rising[0] - 0.1, rising[-1] + 0.1
    plain = load_scale(owner_text()).curves[0]
    curve = replace(plain, log_median=tuple(medians), at_most=at_most)
    for upper in (False, True):
        found = weigh(value, curves=(curve,), upper=upper)[0]
        assert found.sum() == pytest.approx(1.0)
        for first, last in curve.tied:
            assert np.ptp(found[first : last + 1]) < 1e-12
    ends = [run for run in curve.tied if run[0] < run[1]]
    assert all(a[1] < b[0] for a, b in pairwise(ends))
    highest = highest_unexcluded(value, 0.05, (curve,))
    assert all(highest == last or highest < first or highest > last for first, last in curve.tied)


def test_a_floor_is_held_against_the_chips_that_are_as_rough_whatever_their_numbers():
    # 0.05 mm lies midway between chip 4 (0.040) and the chip numbered 6 (0.063): both are open, and 5 shares with 6.
    found = weigh(np.log(0.0501), curves=swapped())[0]
    assert found[3] == pytest.approx(0.5, abs=0.03)
    assert found[4] == pytest.approx(found[5])
    assert found[4] + found[5] == pytest.approx(0.5, abs=0.03)


def test_a_width_can_be_told_where_the_curve_turns_back():
    curves = swapped()
    for value in np.log([0.05, 0.0631, 0.08, 0.1, 0.12]):
        width = explain_width(value, 0.05, curves, np.ones(1))
        assert 1 < width.position < 10
        assert width.scale > 0
    # A width is told along roughness: midway between the two chips is midway between the fifth and sixth roughest.
    assert explain_width(np.log(0.0794), 0.05, curves, np.ones(1)).position == pytest.approx(5.5, abs=0.01)


def test_a_bound_excludes_grades_of_a_broken_run_together():
    curves = swapped()
    assert (
        highest_unexcluded(np.log(0.06), 0.05, curves) == 5
    )  # the chip numbered 6 is not excluded, so 5 is not
    assert highest_unexcluded(np.log(0.04), 0.05, curves) == 3
    assert highest_unexcluded(np.log(0.11), 0.05, curves) == 5


def test_finest_grades_of_which_only_a_bound_is_known_are_not_told_apart():
    told = owner_file()
    for row in told["row"][:3]:
        row |= {"bound": "upper", "median_mm": 0.03}
    curves = load_scale(json.dumps(told)).curves
    found = weigh(np.log([0.001, 0.008, 0.2]), curves=curves)
    assert np.allclose(found[:, :3], found[:, :1])
    assert found[0, :3].sum() > 0.95
    assert found[2, :3].sum() < 0.01


@given(st.floats(-40, 40), st.floats(1e-6, 3), st.booleans())
def test_probabilities_sum_to_one_however_far_off(log_value, log_sd, upper):
    probabilities = weigh(log_value, log_sd, upper=upper)[0]
    assert np.all(probabilities >= 0)
    assert probabilities.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("process", [None, *PRIOR.processes])
def test_rougher_floors_never_get_smoother_grades(process):
    expected = weigh(AMPLITUDES, curves=PRIOR.curves_for(BAND, process)) @ np.arange(1, 11)
    assert np.all(np.diff(expected) > -1e-9)
    assert expected[0] < 1.1
    assert expected[-1] > 9.9


def test_prior_is_wider_at_both_ends_than_in_the_middle():
    curve = PRIOR.curves_for(BAND, "blasted")
    best = weigh(np.array(curve[0].log_median), curves=curve)
    middle = best[4:7, 4:7].diagonal()
    assert best[1, 1] < middle.min() - 0.05
    assert best[8, 8] < middle.min() - 0.05


def test_process_told_narrows_the_mixture():
    told = weigh(np.log(0.1), curves=PRIOR.curves_for(BAND, "blasted"))[0]
    assert np.ptp(shortest_run(told)) < np.ptp(shortest_run(weigh(np.log(0.1))[0]))


def test_processes_weigh_by_the_grades_they_are_known_for():
    # A very fine floor fits etching and grinding, a very rough one the breaker and the jet.
    names = [curve.process for curve in MIXTURE]
    posterior = weigh_grades(np.log([0.01, 1.0]), np.array([0.05, 0.05]), MIXTURE)
    fine, rough = (dict(zip(names, row, strict=True)) for row in posterior.processes)
    assert fine["etched"] + fine["ground"] > 0.5
    assert min(fine["etched"], fine["ground"]) > 5 * max(fine["milled"], fine["broken"])
    assert rough["broken"] + rough["standing"] > 0.4
    assert rough["ground"] < 0.1


def test_finer_grid_changes_nothing_to_speak_of():
    for curves in (MIXTURE, load_scale(owner_text()).curves):
        coarse, fine = weigh(AMPLITUDES, curves=curves), weigh(AMPLITUDES, curves=curves, grid_step=0.005)
        assert np.abs(coarse - fine).max() < 2e-3


def test_upper_bound_says_nothing_about_how_far_below():
    probabilities = weigh(np.log(0.03), 0.10, upper=True)[0]
    assert np.all(np.diff(probabilities[1:8]) <= 0)
    assert probabilities[0] > probabilities[2] > 0.05


def test_upper_bound_never_excludes_what_could_hide_under_it():
    curve = PRIOR.curves_for(BAND, "blasted")
    for k, log_bound in enumerate(curve[0].log_median):
        assert highest_unexcluded(log_bound, 0.10, curve) >= k
    assert highest_unexcluded(np.log(1e-6), 0.10, curve) == 0
    assert highest_unexcluded(np.log(1e3), 0.10, curve) == 9


@pytest.mark.parametrize(
    ("probabilities", "run"),
    [
        ([0.02, 0.9, 0.08], (1, 1)),
        ([0.1, 0.5, 0.4], (1, 2)),
        ([0.45, 0.0, 0.45, 0.1], (0, 2)),
        ([0.04, 0.32, 0.32, 0.32], (1, 3)),
        ([0.25, 0.25, 0.25, 0.25], (0, 3)),
    ],
)
def test_shortest_run_has_no_hole_and_is_smallest(probabilities, run):
    assert shortest_run(probabilities) == run


def draw(curves, n, u, seed):
    """Truths drawn from the scale: position, then process, then amplitude, then measurement error."""
    rng = np.random.default_rng(seed)
    count = len(curves[0].log_median)
    at = np.arange(1, count + 1)
    y = rng.uniform(-0.5, count + 1.5, n)
    weight = np.stack([np.interp(y, at, c.weight) for c in curves])
    pick = (rng.random(n) > np.cumsum(weight / weight.sum(axis=0), axis=0)).sum(axis=0)
    log_value = u * rng.standard_normal(n)
    for index, c in enumerate(curves):
        mine = pick == index
        slope = (c.log_median[-1] - c.log_median[0]) / (count - 1)
        beyond = np.minimum(y - 1, 0) + np.maximum(y - count, 0)
        median = np.interp(y, at, c.log_median) + slope * beyond
        log_value[mine] += (median + np.interp(y, at, c.log_sd) * rng.standard_normal(n))[mine]
    return np.clip(np.rint(y), 1, count).astype(int) - 1, log_value, rng.random(n)


CALIBRATED = [
    ("prior-10", None, 0.05),
    ("prior-10", "ground", 0.30),
    ("prior-9", None, 0.10),
    ("prior-10", "scarified", 0.05),
    (owner_text(), None, 0.10),
]


@pytest.mark.parametrize(("name", "process", "u"), CALIBRATED)
def test_central_90_percent_holds_87_to_93_percent_of_truths(name, process, u):
    """Grades are steps, so the exact test of 90 % splits the true grade's own probability at random (PIT)."""
    curves = load_scale(name).curves_for(BAND, process)
    truth, log_value, dice = draw(curves, 2000, u, seed=3)
    p = weigh(log_value, u, curves)
    rows = np.arange(truth.size)
    rank = np.cumsum(p, axis=1)[rows, truth] - dice * p[rows, truth]
    assert 0.87 < np.mean((rank > 0.05) & (rank < 0.95)) < 0.93
    assert np.mean(rank) == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize(("name", "process", "u"), CALIBRATED)
def test_90_percent_sets_hold_what_they_state(name, process, u):
    """A set of whole grades holds 90 % or more: as many truths as the probability it states, within 2 %."""
    curves = load_scale(name).curves_for(BAND, process)
    truth, log_value, _ = draw(curves, 2000, u, seed=4)
    p = weigh(log_value, u, curves)
    runs = np.array([shortest_run(row) for row in p])
    hit = np.mean((truth >= runs[:, 0]) & (truth <= runs[:, 1]))
    stated = np.mean([row[first : last + 1].sum() for row, (first, last) in zip(p, runs, strict=True)])
    assert hit == pytest.approx(stated, abs=0.02)
    assert hit > 0.89


def test_upper_bounds_hold_for_every_true_grade():
    """Bounds drawn about each grade's smoothest floor: "k or below" is right nine times in ten or more."""
    rng = np.random.default_rng(5)
    (curve,) = PRIOR.curves_for(BAND, "blasted")
    for k in (2, 4, 6):
        median = np.interp(k + 0.5, np.arange(1, 11), curve.log_median)
        spread = np.hypot(np.interp(k + 0.5, np.arange(1, 11), curve.log_sd), 0.10)
        bounds = median + spread * rng.standard_normal(400)
        right = [highest_unexcluded(bound, 0.10, (curve,)) >= k for bound in bounds]
        assert np.mean(right) > 0.86


def test_width_names_its_largest_part():
    told = PRIOR.curves_for(BAND, "blasted")
    one = np.ones(1)
    assert explain_width(np.log(0.1), 0.05, told, one).dominant == "scale"
    assert explain_width(np.log(0.1), 1.00, told, one).dominant == "measurement"
    posterior = weigh_grades(np.log([0.1]), np.array([0.05]), MIXTURE)
    mixed = explain_width(np.log(0.1), 0.05, MIXTURE, posterior.processes[0])
    assert mixed.dominant == "process"
    assert mixed.process > 0
