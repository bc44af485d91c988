"""Target ranges are read strictly, and each call has its sentence."""

import re

import pytest

from assessor.errors import BadRange
from assessor.grading.ranges import judge_range, parse_range, percent
from assessor.grading.scale import load_scale
from assessor.values import TargetRange

PRIOR = load_scale("prior-10")
TARGET = TargetRange(3, 5)


def spread(**weights):
    return [weights.get(f"g{grade}", 0.0) for grade in range(1, 11)]


@pytest.mark.parametrize(
    ("text", "low", "high"), [("3-5", 3, 5), (" 3 - 5 ", 3, 5), ("1–10", 1, 10), ("4-4", 4, 4)]
)
def test_ranges_are_read(text, low, high):
    assert parse_range(text, PRIOR) == TargetRange(low, high)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("5-3", "'5-3' runs from rough to smooth"),
        ("0-4", "'0-4' leaves the ten-chip scale, which runs from CSP 1 to 10"),
        ("11-12", "'11-12' leaves the ten-chip scale"),
        ("3", "'3' is not a range of two grades"),
        ("a-b", "'a-b' is not a range of two grades"),
        ("", "'' is not a range"),
        ("3-5-7", "is not a range"),
        ("3.5-5", "is not a range"),
        ("-3-5", "is not a range"),
        ("٣-٥", "is not a range"),
    ],
)
def test_bad_ranges_get_one_sentence(text, sentence):
    with pytest.raises(BadRange, match=sentence) as caught:
        parse_range(text, PRIOR)
    assert "such as 3-5" in str(caught.value)


def test_ten_is_off_the_nine_chip_scale():
    with pytest.raises(BadRange, match="nine-chip scale, which runs from CSP 1 to 9"):
        parse_range("8-10", load_scale("prior-9"))


@pytest.mark.parametrize(
    ("probabilities", "call", "sentence"),
    [
        (spread(g2=0.04, g3=0.5, g4=0.4, g6=0.06), "chip", "Ready for the chip: 90 % for CSP 3-5, 4 % that"),
        (spread(g2=0.06, g3=0.5, g4=0.44), "shot", "Can't tell: 6 % too smooth for CSP 3-5"),
        (spread(g4=0.7, g6=0.3), "shot", "Can't tell: under 1 % too smooth for CSP 3-5, 70 % in it, 30 %"),
        (spread(g1=0.6, g2=0.32, g3=0.08), "rework", "Not there yet: 92 % that it is too smooth for CSP 3-5"),
        (spread(g6=0.5, g7=0.45, g5=0.05), "rework", "Too rough: 95 % that it is rougher .*Don't cut more"),
        (spread(g2=0.48, g6=0.48, g4=0.04), "shot", "Can't tell: 48 %"),
    ],
)
def test_calls_follow_the_probabilities(probabilities, call, sentence):
    verdict = judge_range(probabilities, TARGET, PRIOR, set90=(3, 4))
    assert verdict.call == call
    assert pytest.approx(1.0) == verdict.p_short + verdict.p_in_range + verdict.p_over
    assert "confirm against the chips" in verdict.sentence
    assert (verdict.next_shot is None) == (call != "shot")
    assert re.match(sentence, verdict.sentence)


@pytest.mark.parametrize(
    ("set90", "target", "call"),
    [
        ((1, 2), TARGET, "rework"),
        ((1, 2, 3), TARGET, "shot"),
        ((1, 2, 3), TargetRange(1, 3), "chip"),
        ((1, 2, 3, 4), TargetRange(1, 3), "shot"),
    ],
)
def test_upper_bound_judges_by_the_set_not_by_the_prior_below_it(set90, target, call):
    # 95 % lies short by the flat prior alone; that must not send a floor to rework.
    verdict = judge_range(spread(g1=0.8, g2=0.15, g3=0.05), target, PRIOR, set90=set90, bound="upper")
    assert verdict.call == call
    assert f"CSP {set90[-1]} or below" in verdict.sentence
    assert "confirm against the chips" in verdict.sentence


def test_nothing_measured_is_never_a_call():
    verdict = judge_range([0.1] * 10, TargetRange(1, 10), PRIOR, set90=PRIOR.grades, bound=None)
    assert verdict.call == "shot"
    assert "nothing was measured" in verdict.sentence


def test_target_off_the_scale_is_a_programmers_mistake():
    with pytest.raises(ValueError, match="not on the scale"):
        judge_range([0.1] * 10, TargetRange(3, 12), PRIOR, set90=(3,))


def test_percent_is_never_certain():
    assert (percent(0.0), percent(1.0), percent(0.456)) == ("under 1 %", "over 99 %", "46 %")
