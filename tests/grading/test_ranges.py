"""Target ranges are read strictly, and each call has its sentence."""

import re

import numpy as np
import pytest

from assessor.errors import BadRange
from assessor.grading.ranges import judge_range, parse_range, percent
from assessor.grading.scale import load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from assessor.values import TargetRange
from tests.grading.helpers import texture

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
        (spread(g2=0.05, g3=0.5, g4=0.35, g6=0.1), "chip", "Ready for the chip: 85 % for CSP 3-5, 5 % that"),
        (spread(g2=0.06, g3=0.5, g4=0.44), "shot", "Can't tell: 6 % too smooth for CSP 3-5"),
        (
            spread(g3=0.5, g4=0.39, g6=0.11),
            "shot",
            "Can't tell: under 1 % too smooth for CSP 3-5, 89 % in it, 11 %",
        ),
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


@pytest.mark.parametrize(
    ("chance", "own", "call"),
    [
        (0.3, spread(g3=0.96, g6=0.04), "chip"),
        (0.3, spread(g2=0.2, g3=0.8), "shot"),  # were it this process, the floor would be short
        (0.3, spread(g3=0.8, g6=0.2), "shot"),
        (0.04, spread(g2=1.0), "chip"),  # too unlikely to make more than one call in twenty wrong
    ],
)
def test_ready_holds_for_every_likely_process(chance, own, call):
    likely = spread(g2=0.01, g3=0.5, g4=0.49)
    verdict = judge_range(
        likely,
        TARGET,
        PRIOR,
        set90=(3, 4),
        by_process=((1 - chance, likely), (chance, own)),
        narrows="Shoot again.",
    )
    assert verdict.call == call
    assert pytest.approx(0.01) == verdict.p_short  # what is stated is the mixture
    if call == "shot":
        assert "that depends on how the floor was prepared" in verdict.sentence
        assert verdict.next_shot == "Say how the floor was prepared, then it can be called."


def test_processes_do_not_speak_where_the_mixture_is_not_ready():
    short = spread(g2=0.5, g3=0.5)
    verdict = judge_range(
        short, TARGET, PRIOR, set90=(2, 3), by_process=((0.5, short), (0.5, short)), narrows="Shoot again."
    )
    assert (verdict.call, verdict.next_shot) == ("shot", "Shoot again.")
    gone = spread(g1=0.95, g3=0.05)
    assert (
        judge_range(gone, TARGET, PRIOR, set90=(1,), by_process=((0.5, gone), (0.5, short))).call == "rework"
    )


def test_a_bound_is_ready_only_where_no_likely_process_lies_over():
    target, low, high = TargetRange(1, 3), spread(g1=0.9, g3=0.1), spread(g1=0.5, g3=0.3, g4=0.2)
    for own, call in ((low, "chip"), (high, "shot")):
        verdict = judge_range(
            low, target, PRIOR, set90=(1, 2, 3), bound="upper", by_process=((0.7, low), (0.3, own))
        )
        assert verdict.call == call


def test_ready_untold_is_ready_whatever_likely_process_is_told():
    """Over all of the amplitudes: a call that nobody's word about the process would take back."""
    called = []
    for sq_mm in np.geomspace(0.003, 2.0, 60):
        alone = suggest_grade(texture(sq_mm, 0.02), PRIOR, TargetRange(5, 10)).verdict
        assert alone is not None
        called.append(alone.call)
        for process in ("ground", "blasted", "scarified", "standing") if alone.call == "chip" else ():
            told = suggest_grade(
                texture(sq_mm, 0.02), PRIOR, TargetRange(5, 10), SuggestSettings(process=process)
            )
            assert told.verdict is not None and told.verdict.p_short <= 0.05
    assert "chip" in called and "shot" in called and "rework" in called


def test_nothing_measured_is_never_a_call():
    verdict = judge_range([0.1] * 10, TargetRange(1, 10), PRIOR, set90=PRIOR.grades, bound=None)
    assert verdict.call == "shot"
    assert "nothing was measured" in verdict.sentence


def test_target_off_the_scale_is_a_programmers_mistake():
    with pytest.raises(ValueError, match="not on the scale"):
        judge_range([0.1] * 10, TargetRange(3, 12), PRIOR, set90=(3,))


def test_percent_is_never_certain():
    assert (percent(0.0), percent(1.0), percent(0.456)) == ("under 1 %", "over 99 %", "46 %")
