"""A suggestion is honest: prior named, grades sent to the chips, abstains, says what narrows it."""

import json
import re
import time
from dataclasses import asdict, replace

import pytest

from assessor.errors import SettingUnknown
from assessor.flags import FLAGS
from assessor.grading.ranges import CONFIRM
from assessor.grading.scale import load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from assessor.values import Band, TargetRange
from tests.grading.helpers import STEP, owner_file, owner_text, texture

PRIOR = load_scale("prior-10")
OWNER = load_scale(owner_text())


def chip_sq(position: float) -> float:
    """Sq of the owner's chips at a position on the scale."""
    return float(0.01 * STEP ** (position - 1))


@pytest.mark.parametrize("grade", range(1, 11))
def test_narrow_owner_scale_names_the_chip_with_confidence(grade):
    # Half a step is 26 % in amplitude (domain figures 2.3); 3 % measured and 7 % scale stay well inside.
    found = suggest_grade(texture(chip_sq(grade)), OWNER)
    assert found.best == grade
    assert found.confidence > 0.98
    assert found.set90 == (grade,)
    assert not found.scale_is_prior
    assert found.flags == ()


def test_halfway_between_two_chips_is_a_toss_up():
    found = suggest_grade(texture(chip_sq(4.5)), OWNER)
    assert found.set90 == (4, 5)
    assert found.probabilities[3] == pytest.approx(0.5, abs=0.02)


def test_chips_that_tie_are_never_told_apart():
    told = owner_file()
    told["row"][4]["median_mm"] = told["row"][3]["median_mm"]
    found = suggest_grade(texture(chip_sq(4)), load_scale(json.dumps(told)))
    assert {4, 5} <= set(found.set90)


@pytest.mark.parametrize("name", ["prior-10", "prior-9"])
@pytest.mark.parametrize("sq_mm", [0.005, 0.04, 0.2, 1.0, 6.0])
def test_prior_and_edition_stand_in_every_suggestion(name, sq_mm):
    scale = load_scale(name)
    found = suggest_grade(texture(sq_mm), scale, TargetRange(3, 5))
    assert found.scale_is_prior
    assert "scale-prior" in found.flags
    assert found.scale_edition == scale.edition
    assert sum(found.probabilities) == pytest.approx(1.0)
    assert len(found.probabilities) == len(scale.grades)
    assert any("prior" in reason and scale.edition in reason for reason in found.reasons)
    assert all(flag in FLAGS for flag in found.flags)


def sentences(found):
    verdict = [found.verdict.sentence] if found.verdict else []
    told = [*found.reasons, found.narrows or "", found.abstained_because or "", *verdict]
    return [sentence for sentence in told if sentence]


@pytest.mark.parametrize("bound", ["value", "upper"])
@pytest.mark.parametrize("scale", [PRIOR, OWNER], ids=["prior", "owner"])
@pytest.mark.parametrize("method", ["", "grinding", "scarifying"])
def test_every_sentence_that_names_a_grade_sends_the_reader_to_the_chips(bound, scale, method):
    settings = SuggestSettings(method=method)
    for sq_mm in (0.002, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 12.0):
        found = suggest_grade(texture(sq_mm, bound=bound), scale, TargetRange(3, 5), settings)
        for sentence in sentences(found):
            if re.search(r"CSP \d", sentence):
                assert "confirm against the chips" in sentence
            assert sentence.endswith(".")


def test_upper_bound_abstains_with_or_below():
    found = suggest_grade(texture(0.012, bound="upper"), PRIOR)
    assert found.best is None
    assert re.search(r"CSP \d or below; confirm against the chips", found.abstained_because)
    assert found.set90[0] == 1
    assert found.flags == ("scale-prior", "at-most")
    assert "torch" in found.narrows


def test_upper_bound_asks_for_a_torch_only_where_there_is_one():
    settings = SuggestSettings(torch_available=False)
    told = suggest_grade(texture(0.012, bound="upper"), PRIOR, None, settings).narrows
    assert "six photos" in told
    assert "torch" not in told


@pytest.mark.parametrize("kind", ["torch", "fused"])
def test_under_the_torch_an_upper_bound_asks_for_shade_and_not_for_the_torch_again(kind):
    told = suggest_grade(texture(0.012, bound="upper", kind=kind), PRIOR).narrows
    assert "eight sides" in told
    assert "only the hand on the chip" in told


def test_a_torch_without_the_scales_band_asks_for_the_other_kind():
    fine = texture(0.02, band=Band(0.5, 8.0), kind="torch")
    told = suggest_grade(fine, PRIOR)
    assert told.best is None
    assert "four photos" in told.narrows
    assert "both kinds of one spot are joined" in told.narrows
    assert "joined" not in suggest_grade(replace(fine, kind="angles"), PRIOR).narrows


def test_upper_bound_that_excludes_nothing_says_so():
    found = suggest_grade(texture(5.0, bound="upper"), PRIOR)
    assert found.set90 == PRIOR.grades
    assert "excludes none" in found.abstained_because


def test_upper_bound_set_keeps_a_grade_that_only_the_flat_prior_makes_unlikely():
    # Below a loose bound many grades share the prior, so the last one that fits holds under 10 % of it.
    found = suggest_grade(texture(chip_sq(9), bound="upper"), OWNER)
    assert sum(found.probabilities[:8]) > 0.90
    assert found.set90[-1] == 9


def test_looser_upper_bound_never_shrinks_the_set():
    tops = [suggest_grade(texture(sq, bound="upper"), PRIOR).set90[-1] for sq in (0.01, 0.03, 0.1, 0.3)]
    assert tops == sorted(tops)
    assert tops[0] < tops[-1]


def test_too_wide_a_set_abstains():
    found = suggest_grade(texture(0.2, 0.8), PRIOR)
    assert len(found.set90) > 5
    assert found.best is None
    assert found.abstained_because.startswith("Can't name a grade: anything from CSP")


def test_missing_or_impossible_sq_abstains_without_a_guess():
    elsewhere = texture(0.1, band=Band(0.5, 8.0))
    for bad in (elsewhere, texture(float("nan")), texture(-0.1), replace(elsewhere, quantities=())):
        found = suggest_grade(bad, PRIOR, TargetRange(3, 5))
        assert found.best is None
        assert set(found.probabilities) == {0.1}
        assert "no Sq in 2.5-25 mm or 0.8-25 mm" in found.abstained_because
        assert found.verdict.call == "shot"


def test_another_shared_band_is_used_where_the_preferred_one_is_missing():
    found = suggest_grade(texture(0.15, band=Band(0.8, 25.0)), PRIOR)
    assert found.best is not None
    assert "0.8-25 mm" in found.reasons[1]


def test_what_narrows_is_the_largest_part():
    ask = suggest_grade
    blasted = SuggestSettings(process="blasted")
    assert "how the floor was prepared" in ask(texture(0.1), PRIOR).narrows
    assert "your own chips" in ask(texture(0.1), PRIOR, None, blasted).narrows
    assert "six photos" in ask(texture(0.1, 0.5), OWNER).narrows
    assert "four photos" in ask(texture(0.1, 0.5, kind="single"), OWNER).narrows
    wide = load_scale(owner_text(floor_vs_chip_log_sd=0.4))
    assert "chip a few more times" in ask(texture(0.1), wide).narrows
    tight = load_scale(owner_text(floor_vs_chip_log_sd=0.0, row=narrow_rows()))
    unchecked = texture(chip_sq(4.5), 0.02, flags=("bars-unchecked",))
    assert "check bars" in ask(unchecked, tight).narrows


def narrow_rows():
    return [row | {"log_sd": 0.005} for row in owner_file()["row"]]


def test_method_gives_its_process():
    told = suggest_grade(texture(0.1), PRIOR, None, SuggestSettings(method="shot-blast"))
    same = suggest_grade(texture(0.1), PRIOR, None, SuggestSettings(process="blasted"))
    assert told.probabilities == same.probabilities


def test_method_range_is_weak_and_off_by_default():
    off = SuggestSettings(process="ground", method="grinding")
    weak = replace(off, method_odds=3.0)
    plain = suggest_grade(texture(0.03), PRIOR, None, SuggestSettings(process="ground"))
    assert suggest_grade(texture(0.03), PRIOR, None, off).probabilities == plain.probabilities
    weighed = suggest_grade(texture(0.03), PRIOR, None, weak).probabilities
    odds = (sum(weighed[:3]) / sum(weighed[3:])) / (
        sum(plain.probabilities[:3]) / sum(plain.probabilities[3:])
    )
    assert odds == pytest.approx(3.0)
    assert sum(weighed) == pytest.approx(1.0)


def test_method_that_cannot_reach_the_grade_is_questioned():
    found = suggest_grade(texture(0.5), PRIOR, None, SuggestSettings(method="grinding"))
    assert any("said to reach CSP 1 to 3, which doesn't fit" in reason for reason in found.reasons)


def test_unknown_process_or_method_is_refused():
    with pytest.raises(SettingUnknown, match="no process 'sanded' in prior-10"):
        suggest_grade(texture(0.1), PRIOR, None, SuggestSettings(process="sanded"))
    with pytest.raises(SettingUnknown, match="no method 'licking'"):
        suggest_grade(texture(0.1), PRIOR, None, SuggestSettings(method="licking"))


def test_settings_can_be_overridden_by_name():
    # Every default must be a plain value or table, or the settings file could not replace it.
    plain = asdict(SuggestSettings(method="grinding"))
    assert plain["ranges"]["short_at_most"] == 0.05
    assert all(isinstance(value, (str, int, float, bool, dict)) for value in plain.values())


def test_verdict_ready_and_rework_with_the_owners_scale():
    target = TargetRange(3, 5)
    calls = [suggest_grade(texture(chip_sq(g)), OWNER, target).verdict.call for g in (1, 2, 4, 6, 8)]
    assert calls == ["rework", "rework", "chip", "rework", "rework"]


def test_prior_says_what_narrows_where_it_cannot_tell():
    found = suggest_grade(texture(0.07), PRIOR, TargetRange(3, 5), SuggestSettings(process="blasted"))
    assert found.verdict.call == "shot"
    assert "your own chips" in found.verdict.next_shot
    assert found.verdict.next_shot in found.verdict.sentence


def test_rendered_chips_are_never_passed_off_as_real():
    assert any("rendered photos, not real" in reason for reason in suggest_grade(texture(0.1), OWNER).reasons)


def test_a_suggestion_takes_under_five_milliseconds():
    suggest_grade(texture(0.1), PRIOR)
    best = min(_seconds() for _ in range(20))
    assert best < 0.005


def _seconds():
    start = time.process_time()
    suggest_grade(texture(0.1), PRIOR, TargetRange(3, 5))
    return time.process_time() - start


def swapped_scale():
    told = owner_file(window_mm=[80, 105])
    rows = told["row"]
    rows[4]["median_mm"], rows[5]["median_mm"] = rows[5]["median_mm"], rows[4]["median_mm"]
    return load_scale(json.dumps(told))


def test_a_scale_whose_chips_break_the_order_names_no_one_grade_there_and_says_so():
    found = suggest_grade(texture(0.1), swapped_scale(), area_mm=(68.0, 93.0))
    assert found.best is None
    assert found.abstained_because is not None
    assert "CSP 5 or 6" in found.abstained_because
    assert found.set90 == (5, 6)
    assert "scale-order" in found.flags
    assert any("CSP 5 and 6 do not grow rougher with the number" in reason for reason in found.reasons)
    assert any("middle 68 x 93 mm" in reason for reason in found.reasons)
    assert found.area_mm == (68.0, 93.0)
    assert found.weighed == texture(0.1).quantities[0]
    for reason in (found.abstained_because, *(r for r in found.reasons if "grow rougher" in r)):
        assert CONFIRM in reason


def test_away_from_the_broken_order_a_scale_is_as_good_as_any():
    found = suggest_grade(texture(0.25), swapped_scale())
    assert (found.best, found.area_mm) == (8, None)
    assert "scale-order" not in found.flags


def test_a_range_that_parts_a_broken_run_is_never_called_ready():
    verdict = suggest_grade(texture(0.1), swapped_scale(), TargetRange(3, 5)).verdict
    assert verdict is not None
    assert verdict.call == "shot"
    assert verdict.p_in_range == pytest.approx(verdict.p_over, abs=0.05)
    whole = suggest_grade(texture(0.1), swapped_scale(), TargetRange(4, 6)).verdict
    assert whole is not None
    assert whole.call == "chip"
