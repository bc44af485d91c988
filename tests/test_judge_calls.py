"""Judging calls: known error rates are recovered, limits are exact, truth is the scale's own, notes are kept whole."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from assessor.grading.ranges import RangeSettings
from assessor.grading.scale import load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from assessor.simulate.true_grade import true_grade
from assessor.values import Band, TargetRange
from tests.fakes import fake_estimated_result, fake_result
from tests.programs import SCRIPTS, program, script

PRIOR = load_scale("prior-10")
WIDE = Band(2.5, 25.0)
TARGET = TargetRange(3, 5)
BAND = {"short_mm": 2.5, "long_mm": 25.0}


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def a_note(sq_mm: float = 0.05, *, error: float = 0.0, u: float = 0.02, **changed: Any) -> dict[str, Any]:
    """A capture of a shot-blasted floor as `judge_calls` keeps it, off by `error` in ln Sq."""
    value = sq_mm * math.exp(error)
    quantity = {
        "name": "Sq", "value": value, "u": u * value, "low90": value * (1 - 1.645 * u),
        "high90": value * (1 + 1.645 * u), "unit": "mm", "band": dict(BAND), "spacing_mm": 0.1,
        "method": "test", "bound": "value",
        "estimated": False,
    }  # fmt: skip
    note = {
        "mode": "calls", "capture": f"c{sq_mm:.6f}", "kind": "angles", "process": "shot", "kind_said": "angles",
        "true_mm": {"2.5-25 mm": sq_mm, "0.8-25 mm": 1.3 * sq_mm}, "flags": ["scale-prior"], "quantities": [quantity],
        "noise_floor_mm": 0.004, "noise_band": dict(BAND),
    }  # fmt: skip
    return note | changed


def said(
    k: int, truth: list[float], call: str, *, stated: tuple[float, float, float] | None = None, **changed: Any
):
    one = script("weighing_calls").Said(
        k, "angles", "shot", np.array(truth), 1.0, TARGET, call, stated, "value", False
    )  # fmt: skip
    return replace(one, **changed)


def certain(grade: int) -> list[float]:
    return [float(k == grade) for k in range(1, 11)]


@pytest.mark.parametrize(("count", "n"), [(0, 12), (3, 40), (7, 90), (12, 12)])
def test_limits_are_exact_binomial(count, n):
    ours = script("weighing_calls").exact_limits(count / n, n)
    assert ours == pytest.approx(tuple(binomtest(count, n).proportion_ci(0.95, "exact")), abs=1e-9)


def test_limits_of_a_known_table():
    """Worked example: 0 of 60 gives 0 to 1 - 0.025 ** (1/60) (rule of Clopper and Pearson, closed form at zero)."""
    assert script("weighing_calls").exact_limits(0.0, 60) == pytest.approx((0.0, 1 - 0.025 ** (1 / 60)))


def test_known_error_rates_come_back():
    judge = script("weighing_calls")
    calls = [said(k, certain(2 if k % 20 == 0 else 6 if k % 10 == 1 else 4), "chip") for k in range(100)]
    calls += [said(k + 100, certain(4 if k < 3 else 1), "rework") for k in range(30)]
    calls += [said(k + 200, certain(4), "shot") for k in range(70)]
    short, over, back = (
        judge.wrong(calls, "chip", 0),
        judge.wrong(calls, "chip", 2),
        judge.wrong(calls, "rework", 1),
    )
    assert (short.share, over.share, back.share) == pytest.approx((0.05, 0.1, 0.1))
    assert (short.n, back.n) == pytest.approx((100, 30))
    assert (short.low95, short.high95) == pytest.approx(tuple(binomtest(5, 100).proportion_ci(0.95, "exact")))
    assert judge.found(calls).share == pytest.approx(85 / (85 + 3 + 70))
    assert judge.answered(calls).share == pytest.approx(130 / 200)
    assert judge.wrong(calls[100:], "chip", 0) is None


def test_a_capture_counts_once_however_many_ranges_it_is_asked_about():
    judge = script("weighing_calls")
    calls = [
        said(k, certain(4), "chip", target=TargetRange(low, 5)) for k in range(10) for low in (1, 2, 3, 4)
    ]
    assert judge.wrong(calls, "chip", 0).n == pytest.approx(10)


def test_weights_carry_into_share_and_effective_number():
    judge = script("weighing_calls")
    calls = [said(0, certain(2), "chip", weight=3.0), said(1, certain(4), "chip", weight=1.0)]
    short = judge.wrong(calls, "chip", 0)
    assert (short.share, short.n) == pytest.approx((0.75, 16 / 10))


def test_crews_that_stop_early_have_more_short_floors():
    judge = script("weighing_calls")
    half = [0.0, 0.1, 0.9] + [0.0] * 7
    calls = [said(k, half, "chip") for k in range(5)]
    assert judge.wrong(calls, "chip", 0).share == pytest.approx(0.1)
    assert judge.wrong(calls, "chip", 0, judge.early).share == pytest.approx(0.3 / 1.2)
    far = [said(0, certain(10), "rework"), said(1, certain(6), "shot")]
    assert judge.answered(far).share == 0.0  # ten is five grades off the range


def test_reliability_bins_hold_what_was_stated_and_what_was_true():
    judge = script("weighing_calls")
    calls = [said(k, certain(2 if k < 6 else 4), "shot", stated=(0.3, 0.6, 0.1)) for k in range(20)] + [
        said(99, certain(4), "shot")
    ]  # nothing stated
    bins = judge.reliability(calls, 0)
    ((k, (stated, seen)),) = bins.items()
    assert judge.EDGES[k] <= 0.3 < judge.EDGES[k + 1]
    assert (stated, seen.share, seen.n) == pytest.approx((0.3, 0.3, 20))


def test_score_is_that_of_drawn_readings_and_best_when_the_truth_is_stated():
    """The kept-whole truth gives what endless draws of readings give (drawn here)."""
    judge = script("weighing_calls")
    truth, stated = [0.0, 0.2, 0.1, 0.3, 0.1, 0.3, 0, 0, 0, 0], (0.1, 0.6, 0.3)
    score = judge.score_of([said(0, truth, "shot", stated=stated)])
    rng = np.random.default_rng(5)
    grades = rng.choice(np.arange(1, 11), size=200_000, p=truth)
    seen = np.stack([grades < 3, (grades >= 3) & (grades <= 5), grades > 5], axis=1)
    assert score.brier == pytest.approx(((np.array(stated) - seen) ** 2).sum(1).mean(), abs=0.005)
    right = judge.score_of([said(0, truth, "shot", stated=(0.2, 0.5, 0.3))])
    assert right.brier == pytest.approx(right.scale) and right.brier < score.brier
    assert right.measured == pytest.approx(0.0)


def test_truth_is_what_draws_from_the_scale_give():
    """Draw positions and ln Sq as the scale says, keep those near one Sq: their grades are `truth_of`."""
    judge = script("weighing_calls")
    (curve,) = PRIOR.curves_for(WIDE, "blasted")
    rng = np.random.default_rng(3)
    y = rng.uniform(-0.5, 11.5, 400_000)
    step = (curve.log_median[-1] - curve.log_median[0]) / 9
    log_sq = rng.normal(curve.log_median[0] + step * (y - 1), np.interp(y, np.arange(1, 11), curve.log_sd))
    for grade in (3, 5, 8):
        near = np.abs(log_sq - curve.log_median[grade - 1]) < 0.04
        drawn = np.bincount(np.clip(np.rint(y[near]), 1, 10).astype(int), minlength=11)[1:] / near.sum()
        assert np.abs(drawn - judge.truth_of(curve.log_median[grade - 1], curve)).max() < 0.02


def test_density_is_the_marginal_of_the_scale():
    judge = script("weighing_calls")
    (curve,) = judge.owner_scale().curves_for(WIDE, "any")
    points = np.linspace(curve.log_median[0] - 1.5, curve.log_median[-1] + 1.5, 500)
    values = np.array([judge.density(p, curve) for p in points])
    inside = (points > curve.log_median[1]) & (points < curve.log_median[8])
    assert values[0] < 0.01 * values[inside].mean() and values[-1] < 0.01 * values[inside].mean()
    # With even positions a narrow scale gives every Sq inside the same weight, over its step.
    steps = np.diff(curve.log_median)
    assert values[inside].max() / values[inside].min() < 1.2 * steps.max() / steps.min()


def test_owner_scale_is_narrow_and_in_order():
    owner = script("weighing_calls").owner_scale()
    assert not owner.is_prior
    for curve in owner.curves:
        assert np.all(np.diff(curve.log_median) > 0.2)
        assert max(curve.log_sd) < 0.15 < min(PRIOR.curves_for(curve.band, "ground")[0].log_sd)


def test_the_tools_own_call_is_asked():
    judge = script("weighing_calls")
    way = judge.ways()[0]
    notes = [a_note(sq) for sq in np.geomspace(0.01, 0.6, 12)]
    told = judge.tell(notes, way)
    for one, call in zip(told, judge.ask(told, [TARGET], way), strict=True):
        verdict = suggest_grade(one.texture, PRIOR, TARGET, SuggestSettings(process="blasted")).verdict
        assert (call.call, call.stated) == (
            verdict.call,
            (verdict.p_short, verdict.p_in_range, verdict.p_over),
        )
    assert {call.call for call in judge.ask(told, [TARGET], way)} >= {"rework", "shot"}
    strict = judge.ask(told, [TARGET], way, RangeSettings(short_at_most=0.0, rework_at_least=2.0))
    assert {call.call for call in strict} == {"shot"}


def test_exact_measurements_are_told_as_the_scale_promises():
    """Without measurement error the stated chances are the true ones, told or owner's, whatever the range."""
    judge = script("weighing_calls")
    notes = [a_note(sq, u=1e-4) for sq in np.geomspace(0.01, 0.6, 40)]
    for way in (judge.ways()[0], judge.ways()[2]):
        calls = judge.ask(judge.tell(notes, way), judge.RANGES["usual"], way)
        assert max(abs(one.stated[0] - judge.chances(one)[1][0]) for one in calls) < 0.01
        assert judge.score_of(calls).measured < 1e-3


def test_a_measurement_that_reads_too_rough_is_found_out():
    """Floors read 65 % too rough, with a small uncertainty stated: the owner's calls break the goal for short."""
    judge = script("weighing_calls")
    way = judge.ways()[2]
    notes = [a_note(sq, error=0.5, u=0.02) for sq in np.geomspace(0.01, 0.6, 80)]
    short = judge.wrong(judge.ask(judge.tell(notes, way), judge.RANGES["usual"], way), "chip", 0)
    assert short.low95 > 0.05
    assert script("judged_calls").goal_words(short, 0.05).endswith("fails")


def test_median_truth_is_the_nearest_grade_and_moves_by_whole_grades():
    judge = script("weighing_calls")
    (curve,) = PRIOR.curves_for(WIDE, "blasted")
    for grade in (2, 5, 9):
        note = a_note(math.exp(curve.log_median[grade - 1] + 0.1))
        (told, lower, lowest, higher) = (judge.tell([note], judge.ways()[k])[0].truth for k in (3, 4, 5, 6))
        found = [int(truth.argmax()) + 1 for truth in (told, lower, lowest, higher)]
        assert found == [grade, grade - 1, max(grade - 2, 1), grade + 1]
        assert told.sum() == lower.sum() == 1.0
    # What `true_grade` says of the other band is the same where the scale is even.
    (fine,) = PRIOR.curves_for(Band(0.8, 25.0), "blasted")
    assert int(judge.nearest(math.log(0.2), fine).argmax()) + 1 == true_grade(0.2, "shot")


def test_refused_and_unclaimed_captures_are_another_shot():
    judge = script("weighing_calls")
    way = judge.ways()[0]
    refused = a_note(code="too-few-photos")
    silent = a_note(0.06, quantities=[])
    crashed = a_note(0.07, crashed="Traceback")
    calls = judge.ask(judge.tell([refused, silent, crashed], way), [TARGET], way)
    assert [(one.call, one.stated, one.bound) for one in calls] == [
        ("shot", None, "refused"),
        ("shot", None, "none"),
    ]


def test_notes_of_judge_set_are_read_as_well():
    """Its rows hold what was measured; floors of no process of the scale and estimates are left out."""
    row = {"quantity": "Sq", "band_short_mm": 2.5, "band_long_mm": 25.0, "value": 0.05, "estimate": 0.052,
           "low90": 0.05, "high90": 0.054, "bound": "value", "refused": None}  # fmt: skip
    coarse = {"band_short_mm": 0.5, "band_long_mm": 8.0, "value": 9.0, "estimate": 9.0}
    note = {
        "mode": "set",
        "capture": "t1",
        "kind": "torch",
        "process": "flush",
        "rows": [row | coarse, row],
        "flags": ["x"],
    }
    plan = script("judging_calls")
    (kept,) = plan.calls_of([note, note | {"process": "grit"}, note | {"form": "pair"}])
    texture = plan.texture_of(kept)
    quantity = texture.get("Sq", WIDE)
    assert quantity is not None and len(texture.quantities) == 1
    assert (quantity.value, quantity.u) == pytest.approx((0.052, 0.002 / 1.645), rel=1e-3)
    assert kept["true_mm"] == {"2.5-25 mm": 0.05}
    (refused,) = plan.calls_of(
        [note | {"code": "too-far", "rows": [row | {"estimate": None, "refused": "too-far"}]}]
    )
    assert refused["code"] == "too-far" and refused["true_mm"] == {"2.5-25 mm": 0.05}
    bounded = row | {"bound": "upper", "low90": None, "high90": 0.06, "estimate": 0.06}
    (upper,) = plan.calls_of([note | {"rows": [bounded]}])
    assert plan.texture_of(upper).quantities[0].bound == "upper"
    ours = plan.calls_of([a_note()])
    assert ours == [a_note()]  # what judge_calls measured stays as it is
    judge = script("weighing_calls")
    assert len(judge.ask(judge.tell([kept, refused, upper], judge.ways()[2]), [TARGET], judge.ways()[2])) == 3


def test_plans_cover_kinds_and_reach_and_do_not_depend_on_count():
    plan = script("judging_calls")
    few, many = plan.plan_calls(45, 7), plan.plan_calls(90, 7)
    assert few == many[:45] and plan.plan_calls(45, 7, first=40) == few[40:]
    assert {(job.kind, job.plan.recipe.floor.process) for job in few} == {
        (kind, process) for kind, names in plan.CELLS.items() for process in names
    }
    for job in many:
        low, high = plan.reach_mm(job.plan.recipe.floor.process, plan.BAND_OF[job.kind])
        assert low <= job.plan.recipe.floor.sq_mm <= high
    ground = [job.plan.recipe.floor.sq_mm for job in plan.plan_calls(400, 7) if job.name.endswith("ground")]
    middle = norm.cdf(0)  # half of them lie below the middle of the reach
    low, high = plan.reach_mm("ground", WIDE)
    assert np.mean(np.array(ground) < math.sqrt(low * high * 1.3)) == pytest.approx(middle, abs=0.12)


def test_reach_is_the_tables_two_grades_wider():
    plan = script("judging_calls")
    (curve,) = PRIOR.curves_for(WIDE, "scarified")
    step = math.log(10) / 5
    low, high = (math.log(v) for v in plan.reach_mm("scarified", WIDE))
    assert low == pytest.approx(curve.log_median[0] + step * 1, abs=0.01)  # 4 - 2 = grade 2
    assert high == pytest.approx(curve.log_median[0] + step * 9, abs=0.01)  # 8 + 2 = grade 10


def test_a_note_keeps_all_that_a_suggestion_rests_on():
    """What goes through JSON gives the suggestion that the result itself gives, of measurements and of estimates."""
    plan = script("judging_calls")
    for result in (fake_result(), fake_estimated_result()):
        kept = json.loads(json.dumps(plan.told_of(result) | {"kind": "angles"}))
        texture, estimate = plan.texture_of(kept), plan.estimate_of(kept)
        assert (estimate is None) == (result.estimate is None)
        ours = suggest_grade(texture, PRIOR, TARGET, estimate=estimate)
        own = suggest_grade(result.texture, PRIOR, TARGET, estimate=result.estimate)
        assert (ours.probabilities, ours.verdict) == (own.probabilities, own.verdict)
        assert ours.weighed is not None


def test_report_prints_every_table(capsys, tmp_path, monkeypatch):
    record = script("judging").Record(tmp_path / "calls.json", {"count": 3})
    record.notes += [a_note(sq) for sq in np.geomspace(0.01, 0.6, 12)] + [a_note(0.9, crashed="Traceback")]
    record.write()
    run = program("judge_calls")
    monkeypatch.setattr(
        "sys.argv", ["judge_calls", "--read", str(tmp_path / "calls.json"), "--rule", "over_at_most=0.2"]
    )
    assert run.main() == 0
    printed = capsys.readouterr().out
    assert "13 captures, 1 crashed; rendered floors, no photo of a real one" in printed
    assert "over_at_most=0.2" in printed
    for way in ("prior, told", "prior, not told", "owner", "median", "a grade lower"):
        assert f"{way}: calls (goals: of ready, short <= 5%, over <= 10%" in printed
    assert "owner: stated chance -> true share" in printed and "owner: Brier score" in printed
