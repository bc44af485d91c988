"""Grade tables and weighing against the figures of the trade and against scipy's distributions.

Marks: [trade] common practice, no printed source; [memory] from memory, verify; [derived] arithmetic of ours.
"""

import math

import numpy as np
import pytest
from scipy import stats

from assessor.grading.posterior import weigh_grades
from assessor.grading.scale import load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from assessor.tables.loader import load_grade_table, load_methods, load_systems
from tests.grading.helpers import BAND, owner_text, texture

TEN = load_grade_table("ten-chip")
STEP = math.log(10) / 5


@pytest.mark.parametrize(("grade", "height_mm"), [(1, 0.100), (3, 0.2512), (6, 1.000), (10, 6.310)])
def test_height_of_grades(grade, height_mm):
    # Check value 41 [derived]: H(k) = 0.10 mm * 10^((k-1)/5).
    assert TEN.grade[grade - 1].height_mm == pytest.approx(height_mm, rel=1e-4)


@pytest.mark.parametrize(("height_mm", "grade"), [(0.162, 2.05), (0.269, 3.15), (6.0, 9.89)])
def test_grade_of_heights(height_mm, grade):
    # Check values 41 and 44 [derived].
    assert TEN.position_of_height(height_mm) == pytest.approx(grade, abs=0.005)


@pytest.mark.parametrize("process", [row.process for row in TEN.process])
@pytest.mark.parametrize("height_mm", [6.0, 6.31, 8.0, 12.0, 30.0])
def test_amplitude_above_6_mm_is_never_graded_below_10(process, height_mm):
    # Check value 44 [derived] of "CSP 10: amplitude over 6 mm (1/4 in)" [trade].
    shape = next(row.shape_factor for row in TEN.process if row.process == process)
    share = next(row.share for row in TEN.share if row.process == process and row.band_short_mm == 2.5)
    sq_mm = height_mm / shape * share
    found = suggest_grade(texture(sq_mm), load_scale("prior-10"), None, SuggestSettings(process=process))
    assert found.best == 10


@pytest.mark.parametrize(
    ("process", "half_mm", "low", "high"), [("broken", 1.50, 8.3, 8.5), ("broken", 3.75, 10.3, 10.5)]
)
def test_jackhammered_amplitudes_land_at_the_top(process, half_mm, low, high):
    # Half-amplitude 1.50-3.75 mm, jack-hammered and hydrojetted (Bissonnette et al., "Concrete repair and
    # interfacial bond", abstract): grade 8.4 to 10.4 [derived].
    assert low < TEN.position_of_height(2 * half_mm) < high
    found = suggest_grade(
        texture(2 * half_mm / 6 * 0.70), load_scale("prior-10"), None, SuggestSettings(process=process)
    )
    assert found.set90[-1] == 10
    assert found.best >= 8


def test_scarified_and_blasted_stay_below_grade_eight():
    # Half-amplitude under 1.00 mm, scarified, shot-blasted, sandblasted (same abstract): below about 7.5.
    assert TEN.position_of_height(2.0) == pytest.approx(7.5, abs=0.02)


def test_ridge_shape_factor_is_worth_1_2_to_1_6_grades():
    # A sine or ridge has H/Sq 2.8-3.5; read with H/6 it comes out 1.2-1.6 grades too rough [derived].
    for process in ("scarified", "milled"):
        shape = next(row.shape_factor for row in TEN.process if row.process == process)
        assert 2.8 < shape < 3.5
        assert 1.15 < math.log(6.0 / shape) / STEP < 1.65


def test_sine_ridge_has_the_tabled_lower_shape_factor():
    # Sine of amplitude A: peak to valley 2 A, Sq = A / sqrt 2 (check value 13 [memory]): H/Sq = 2.83;
    # triangle ridge: Sq = A / sqrt 3 (check value 15 [derived]): 3.46. The table sits between.
    x = np.linspace(0, 2 * np.pi, 20001)
    assert np.ptp(np.sin(x)) / np.std(np.sin(x)) == pytest.approx(2.83, abs=0.01)
    assert 2 * math.sqrt(2) < 3.13 < 2 * math.sqrt(3)
    assert next(r.shape_factor for r in TEN.process if r.process == "scarified") == 3.13


def test_band_share_spans_175_hundredths_of_a_grade():
    # Share of full-band Sq left in 2.5-25 mm: 0.41 (ground) to 0.92 (standing aggregate), about 1.75 grades.
    share = {row.process: row.share for row in TEN.share if row.band_short_mm == 2.5}
    assert (share["ground"], share["standing"]) == (0.41, 0.92)
    assert math.log(share["standing"] / share["ground"]) / STEP == pytest.approx(1.75, abs=0.02)


@pytest.mark.parametrize(
    ("method", "ten", "nine"),
    [
        ("acid-etch", (1, 3), (1, 3)),  # [memory]
        ("grinding", (1, 3), (1, 3)),  # [memory]; 2-4 with a cup wheel [trade] stands as a claim
        ("needle-scaling", (2, 4), (5, 8)),  # [memory]
        ("abrasive-blast", (2, 7), (2, 5)),  # [trade]; 1997 [memory]
        ("shot-blast", (2, 9), (3, 8)),  # [memory]
        ("scarifying", (4, 7), (4, 9)),  # [memory]
        ("rotomilling", (6, 9), (9, 9)),  # [memory]
        ("scabbling", (7, 9), (7, 9)),  # [memory]
        ("water-jet", (3, 10), (6, 9)),  # [memory]
        ("breaker", (7, 10), None),  # [memory]
    ],
)
def test_method_ranges(method, ten, nine):
    row = load_methods().get(method)
    assert (row.csp_10, row.csp_9) == (ten, nine)


def test_thickness_classes_agree_with_mils():
    # Check value 39 [derived]: 3 mil = 76.2 um, 10 mil = 254 um, 40 mil = 1.016 mm, 50 mil = 1.27 mm.
    edges = {row.key: row for row in load_systems().system}
    for key, mil in (("penetrating-sealer", 3), ("thin-film", 10), ("high-build", 40)):
        assert edges[key].thickness_high_mm == pytest.approx(mil * 0.0254, rel=0.02)
    assert edges["self-levelling"].thickness_low_mm == pytest.approx(50 * 0.0254, rel=0.02)


def test_inner_grades_follow_the_normal_distribution():
    """With an even scale of constant spread the grid must give scipy's normal cell probabilities."""
    (curve,) = load_scale(owner_text()).curves
    position, log_sd = 5.3, 0.10
    log_value = curve.log_median[0] + STEP * (position - 1)
    found = weigh_grades(np.array([log_value]), np.array([log_sd]), (curve,)).probabilities[0]
    spread = math.hypot(log_sd, curve.log_sd[0]) / STEP
    edges = stats.norm.cdf(np.arange(0.5, 11), loc=position, scale=spread)
    assert found == pytest.approx(np.diff(edges), abs=1e-3)


def test_few_captures_widen_as_students_prediction_does():
    """The spread of a chip from n captures is that of scipy's t with n - 1 degrees of freedom."""
    (curve,) = load_scale(owner_text(floor_vs_chip_log_sd=0.0)).curves
    n, log_sd = 8, 0.04
    assert curve.log_sd[0] == pytest.approx(stats.t(n - 1, scale=log_sd * math.sqrt(1 + 1 / n)).std())


def test_adjacent_grades_differ_by_1585_and_half_a_step_by_26_percent():
    # Domain figures 2.3 [derived].
    (curve,) = load_scale("prior-10").curves_for(BAND, "ground")
    ratio = math.exp(curve.log_median[5] - curve.log_median[4])
    assert ratio == pytest.approx(1.585, abs=1e-3)
    assert math.sqrt(ratio) - 1 == pytest.approx(0.26, abs=0.002)
