"""Scales made of captures of chips: the fit against worked numbers and scipy.stats; order kept, no bound averaged."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from assessor.errors import ChipsUnusable, ScaleInvalid
from assessor.grading.chips import ChipReading, ChipSq, ScaleHead, fit_chips, scale_text
from assessor.grading.posterior import weigh_grades
from assessor.grading.scale import load_scale
from assessor.values import Band
from tests.grading.helpers import BAND, STEP

FINE = Band(0.5, 8.0)
HEAD = ScaleHead('depot "A" chips', "invented set 2", "A. Example", "2026-03-01", (80.0, 105.0))


def reading(grade: int, take: int, value_mm: float, *, u: float = 0.02, band: Band = BAND) -> ChipReading:
    sq = ChipSq(band, value_mm, u * value_mm, value_mm * (1 + 1.645 * u), "value")
    return ChipReading(grade, f"chip{grade:02d}-{take}", "angles", "rendered", (sq,))


def chips(scatter: float = 0.04, takes: int = 6, u: float = 0.02, seed: int = 3) -> list[ChipReading]:
    """Ten chips, chip k at 0.01 mm * 10^((k-1)/5), each read so often with this scatter of ln Sq."""
    rng = np.random.default_rng(seed)
    return [
        reading(grade, take, 0.01 * STEP ** (grade - 1) * math.exp(rng.normal(0, scatter)), u=u)
        for grade in range(1, 11)
        for take in range(takes)
    ]


def bounded(one: ChipReading, high_mm: float) -> ChipReading:
    return replace(one, sq=(ChipSq(BAND, high_mm, high_mm, high_mm, "upper"),))


def test_a_worked_chip() -> None:
    """Five captures whose ln Sq are ln 0.1 + (-0.2, -0.1, 0, 0.1, 0.2): mean ln 0.1, sd sqrt(0.1 / 4) = 0.15811."""
    offs = (-0.2, -0.1, 0.0, 0.1, 0.2)
    readings = [reading(1, k, 0.1 * math.exp(off), u=0.02) for k, off in enumerate(offs)]
    row = fit_chips(readings, "ten-chip").rows[0]
    assert row.median_mm == pytest.approx(0.1)
    assert row.log_sd == pytest.approx(0.1581139)
    assert (row.low_mm, row.high_mm) == pytest.approx((0.1 * math.exp(-0.2), 0.1 * math.exp(0.2)))
    # The captures scatter by more than they say they are unsure: nothing is left that they share.
    assert row.shared_log_sd == 0
    assert row.u_log == pytest.approx(0.1581139 / math.sqrt(5))
    # The 90 % interval of the next capture is Student's (scipy.stats.t with 4 degrees of freedom).
    low, high = stats.t(4, loc=math.log(0.1), scale=0.1581139 * math.sqrt(1.2)).interval(0.9)
    assert high - low == pytest.approx(2 * 2.131847 * 0.1581139 * math.sqrt(1.2), rel=1e-5)


def test_what_captures_share_beyond_their_scatter_stays_in() -> None:
    """All five read alike but say +-10 %: more captures would not bring the chip nearer than that."""
    row = fit_chips([reading(1, k, 0.1, u=0.1) for k in range(5)], "ten-chip").rows[0]
    assert row.shared_log_sd == pytest.approx(math.sqrt(math.log1p(0.01)), abs=1e-4)
    assert row.u_log == pytest.approx(row.shared_log_sd, rel=1e-3)


def test_the_scale_reads_back_and_its_spread_is_students() -> None:
    fit = fit_chips(chips(), "ten-chip")
    scale = load_scale(scale_text(fit, HEAD))
    assert (scale.name, scale.who, scale.date, scale.origin) == (HEAD.name, HEAD.who, HEAD.date, "rendered")
    assert scale.window_mm == (80.0, 105.0)
    assert not scale.is_prior
    curve, rows = scale.curves[0], fit.of(BAND)
    for k, row in enumerate(rows):
        expected = stats.t(row.n - 1, scale=row.log_sd * math.sqrt(1 + 1 / row.n)).std()
        assert curve.log_sd[k] == pytest.approx(math.hypot(expected, row.shared_log_sd, 0.10), abs=2e-4)
        assert curve.log_median[k] == pytest.approx(math.log(row.median_mm), abs=1e-5)


def test_ninety_in_a_hundred_fits_hold_their_chip() -> None:
    """Student's interval of the mean of six captures, over 400 chips; Clopper-Pearson at 99.9 %."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        logs = math.log(0.1) + rng.normal(0, 0.05, 6)
        row = fit_chips([reading(1, k, math.exp(x), u=0.001) for k, x in enumerate(logs)], "ten-chip").rows[0]
        held += abs(math.log(row.median_mm / 0.1)) < stats.t(5).ppf(0.95) * row.u_log
    low, high = stats.binom(400, 0.9).interval(0.999)
    assert low <= held <= high


def test_steps_between_neighbours_carry_both_uncertainties() -> None:
    fit = fit_chips(chips(scatter=0.03), "ten-chip")
    assert [(step.low, step.high) for step in fit.steps] == [(k, k + 1) for k in range(1, 10)]
    rows = fit.of(BAND)
    for step, low, high in zip(fit.steps, rows, rows[1:], strict=False):
        assert step.ratio == pytest.approx(high.median_mm / low.median_mm)
        assert step.u_log == pytest.approx(math.hypot(low.u_log, high.u_log))
        assert abs(step.log_step - math.log(STEP)) < 4 * step.u_log
        assert step.order == "rises"
    assert fit.notes == ()


def test_a_broken_order_is_told_and_kept_as_measured() -> None:
    swap = {5: 6, 6: 5}
    readings = [replace(r, grade=swap.get(r.grade, r.grade)) for r in chips()]
    fit = fit_chips(readings, "ten-chip")
    rows = {row.grade: row for row in fit.of(BAND)}
    assert rows[5].median_mm > 1.4 * rows[6].median_mm
    assert [step.order for step in fit.steps] == ["rises"] * 4 + ["breaks"] + ["rises"] * 4
    assert len(fit.notes) == 1
    assert "CSP 5 to 6 break the order" in fit.notes[0]
    assert "surely" in fit.notes[0]
    text = scale_text(fit, HEAD)
    assert "# CSP 5 to 6 break the order" in text
    curve = load_scale(text).curves[0]
    assert curve.log_median[4] > curve.log_median[5]
    found = weigh_grades(np.array([curve.log_median[4]]), np.array([0.03]), (curve,)).probabilities[0]
    assert found[4] == pytest.approx(found[5])


def test_a_fall_within_the_uncertainty_is_told_as_such() -> None:
    readings = [r for r in chips() if r.grade != 6]
    readings += [reading(6, k, 0.01 * STEP**4 * math.exp(0.2 * (k % 2) - 0.13), u=0.05) for k in range(6)]
    fit = fit_chips(readings, "ten-chip")
    step = next(s for s in fit.steps if s.low == 5)
    assert step.log_step < 0
    assert step.order == "unsure"
    assert "within the uncertainty" in fit.notes[0]


def test_bounds_are_never_averaged_as_values() -> None:
    readings = [bounded(r, 0.02 + 0.001 * k) if r.grade == 1 and k == 2 else r for k, r in enumerate(chips())]
    fit = fit_chips(readings, "ten-chip")
    first = fit.of(BAND)[0]
    assert (first.bound, first.n) == ("upper", 6)
    assert first.median_mm == pytest.approx(0.022)
    assert fit.steps[0].low == 2
    assert any("at most 0.022 mm" in note for note in fit.notes)
    assert load_scale(scale_text(fit, HEAD)).curves[0].at_most == 1


def test_a_bound_among_measured_chips_leaves_the_band_out() -> None:
    readings = [bounded(r, 0.2) if r.grade == 5 else r for r in chips()]
    fit = fit_chips(readings, "ten-chip")
    assert fit.bands == ()
    with pytest.raises(ChipsUnusable, match=r"CSP 5 could only be said as at most"):
        scale_text(fit, HEAD)


def test_a_band_that_some_chips_lack_is_left_out_and_the_others_stay() -> None:
    readings = [
        replace(r, sq=(*r.sq, replace(r.sq[0], band=FINE))) if r.grade < 4 else r for r in chips(takes=5)
    ]
    fit = fit_chips(readings, "ten-chip")
    assert fit.bands == (BAND,)
    assert [band for band, _ in fit.left_out] == [FINE]
    assert fit.left_out[0][1].startswith(
        "CSP 4 has 0, CSP 5 has 0, CSP 6 has 0 and 4 others of the 5 captures"
    )
    assert load_scale(scale_text(fit, HEAD)).bands == (BAND,)


def test_four_captures_of_a_chip_are_too_few() -> None:
    fit = fit_chips([r for r in chips(takes=5) if r.capture != "chip07-0"], "ten-chip")
    with pytest.raises(ChipsUnusable, match=r"CSP 7 has 4 of the 5 captures needed"):
        scale_text(fit, HEAD)


def test_a_missing_chip_is_named() -> None:
    fit = fit_chips([r for r in chips() if r.grade != 10], "ten-chip")
    assert fit.bands == ()
    assert "CSP 10 has 0 of the 5" in fit.left_out[0][1]
    assert fit_chips([r for r in chips() if r.grade != 10], "nine-chip").bands == (BAND,)


def test_rendered_and_real_captures_never_make_one_scale() -> None:
    readings = chips()
    mixed = [replace(r, made="real") if r.grade > 3 else r for r in readings]
    with pytest.raises(ChipsUnusable, match=r"18 of 60 captures are rendered, not shot"):
        fit_chips(mixed, "ten-chip")
    with pytest.raises(ChipsUnusable, match="no capture of a chip"):
        fit_chips([], "ten-chip")


def test_a_capture_of_another_chip_is_shown_as_odd_and_still_counts() -> None:
    readings = [
        replace(r, sq=(replace(r.sq[0], value_mm=1.6 * r.sq[0].value_mm),)) if r.capture == "chip04-3" else r
        for r in chips(scatter=0.02)
    ]
    fit = fit_chips(readings, "ten-chip")
    row = fit.of(BAND)[3]
    assert row.odd == ("chip04-3",)
    assert row.n == 6
    assert any("chip04-3 lies far from the other captures" in note for note in fit.notes)


def test_heads_with_quotes_and_breaks_cannot_break_the_file() -> None:
    fit = fit_chips(chips(), "ten-chip")
    odd = replace(HEAD, name='a "b"\nrow = 1', chip_set="set\\3 ñ")
    scale = load_scale(scale_text(fit, odd))
    assert (scale.name, scale.chip_set) == (odd.name, odd.chip_set)
    with pytest.raises(ScaleInvalid):
        load_scale(scale_text(fit, replace(HEAD, name="prior-10")))
