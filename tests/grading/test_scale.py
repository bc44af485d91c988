"""Scales load by name and from an owner's file; a bad file gets one sentence."""

import json
import math

import pytest
from scipy import stats

from assessor.card.layout import Rectangle
from assessor.errors import ScaleInvalid
from assessor.grading.scale import SHIPPED, load_scale, order_breaks, predictive_log_sd
from assessor.values import Band
from tests.grading.helpers import BAND, owner_file, owner_text


@pytest.mark.parametrize(("name", "last"), [("prior-10", 10), ("prior-9", 9)])
def test_shipped_scales_say_prior_and_edition(name, last):
    scale = load_scale(name)
    assert (scale.is_prior, scale.origin, scale.grades[-1]) == (True, "prior", last)
    assert scale.edition == SHIPPED[name]
    assert scale.bands == (Band(2.5, 25.0), Band(0.8, 25.0))


def test_prior_curves_rise_and_longer_band_holds_more():
    scale = load_scale("prior-10")
    for process in scale.processes:
        (trusted,), (wide,) = scale.curves_for(BAND, process), scale.curves_for(Band(0.8, 25.0), process)
        assert list(trusted.log_median) == sorted(trusted.log_median)
        assert all(a < b for a, b in zip(trusted.log_median, wide.log_median, strict=True)), process


def test_process_weights_sum_to_one_per_grade_so_grades_stay_equally_likely():
    scale = load_scale("prior-10")
    for k in range(10):
        assert sum(c.weight[k] for c in scale.curves_for(BAND, None)) == pytest.approx(1.0)


def test_curves_for_prefers_own_process_then_any_then_all():
    prior, owner = load_scale("prior-10"), load_scale(owner_text())
    assert len(prior.curves_for(BAND, "ground")) == 1
    assert len(prior.curves_for(BAND, None)) == len(prior.processes)
    assert owner.curves_for(BAND, "ground")[0].process == "any"
    assert prior.curves_for(Band(1.0, 10.0), None) == ()


def test_owner_scale_reads_alike_from_json_and_toml():
    told = owner_file()
    lines = [f"{key} = {json.dumps(value)}" for key, value in told.items() if key not in ("row", "date")]
    lines.append(f"date = {told['date']}")
    for row in told["row"]:
        lines += ["[[row]]", *(f"{key} = {value}" for key, value in row.items())]
    scale = load_scale("\n".join(lines))
    assert scale == load_scale(json.dumps(told))
    assert (scale.is_prior, scale.origin, scale.date) == (False, "rendered", "2026-03-01")
    assert scale.curves[0].log_median[0] == pytest.approx(math.log(0.01))


def test_a_broken_order_is_kept_as_it_is_and_told():
    told = owner_file()
    told["row"][4]["median_mm"], told["row"][5]["median_mm"] = (
        0.1,
        0.063,
    )  # chips 5 and 6 numbered the other way round
    curve = load_scale(json.dumps(told)).curves[0]
    assert curve.log_median[4:6] == pytest.approx((math.log(0.1), math.log(0.063)))
    assert curve.breaks == curve.tied == ((4, 5),)


def test_breaks_that_overlap_are_one_run_and_others_stay_apart():
    assert order_breaks([1, 2, 3, 4]) == ()
    assert order_breaks([1, 1, 2, 2]) == ()
    assert order_breaks([1, 3, 2, 4, 6, 5]) == ((1, 2), (4, 5))
    assert order_breaks([1, 4, 2, 3, 5]) == ((1, 3),)
    assert order_breaks([3, 4, 2, 3.5, 5]) == ((0, 3),)


def test_bounds_of_the_finest_grades_are_no_values():
    told = owner_file()
    for row in told["row"][:2]:
        row |= {"bound": "upper", "median_mm": 0.02}
    curve = load_scale(json.dumps(told)).curves[0]
    assert curve.at_most == 2
    assert curve.tied == ((0, 1),)
    # Evenly in the logarithm from a quarter of the bound up to it.
    uniform = stats.uniform(math.log(0.005), math.log(4))
    assert curve.log_median[0] == pytest.approx(uniform.mean())
    assert curve.log_sd[0] == pytest.approx(math.hypot(uniform.std(), 0.05))


@pytest.mark.parametrize("n", [5, 8, 30])
def test_the_predictive_spread_is_that_of_students_prediction(n):
    """The next of n + 1 normal values lies at t(n - 1) s sqrt(1 + 1/n) about the mean (scipy.stats.t)."""
    expected = stats.t(n - 1, scale=0.04 * math.sqrt(1 + 1 / n)).std()
    assert predictive_log_sd(0.04, n) == pytest.approx(expected)
    assert predictive_log_sd(0.04, n, 0.03) == pytest.approx(math.hypot(expected, 0.03))
    told = owner_file()
    told["row"][0] |= {"n_captures": n, "shared_log_sd": 0.03}
    assert load_scale(json.dumps(told)).curves[0].log_sd[0] == pytest.approx(math.hypot(expected, 0.03, 0.05))


def test_a_scale_tells_the_window_of_its_chips():
    assert load_scale(owner_text()).window is None
    assert load_scale(owner_text(window_mm=[80, 105])).window == Rectangle(-40, -52.5, 40, 52.5)


def test_rows_may_come_in_any_order_and_chips_may_tie():
    told = owner_file()
    told["row"][4]["median_mm"] = told["row"][3]["median_mm"]
    ordered = load_scale(json.dumps(told))
    told["row"].reverse()
    assert load_scale(json.dumps(told)) == ordered


def changed(row: int, **changes):
    told = owner_file()
    told["row"][row] |= changes
    return json.dumps(told)


BAD = {
    "the scale file is empty": "",
    "no grade scale called 'prior-11' .shipped: prior-10, prior-9.": "prior-11",
    "not valid TOML": "name = = 3",
    "not valid JSON": '{"name": ',
    r"row 3 of \[\[row\]\]: median_mm: input should be greater than 0": changed(2, median_mm=0),
    r"row 3 of \[\[row\]\]: median_mm: input should be a finite number": changed(2, median_mm=math.nan),
    r"row 1 of \[\[row\]\]: n_captures: input should be greater than or equal to 5": changed(0, n_captures=2),
    "grade 4 has no row, one is needed": changed(3, grade=5),
    "grade 11 is not on a 10-chip set": json.dumps(
        owner_file(row=[*owner_file()["row"], owner_file()["row"][9] | {"grade": 11}])
    ),
    "grade 4 has 2 rows": json.dumps(owner_file(row=[*owner_file()["row"], owner_file()["row"][3]])),
    "only the finest grades may be 'upper', not 4": changed(3, bound="upper"),
    "at least two grades must be measured, 9 are 'upper'": json.dumps(
        owner_file(
            row=[row | {"bound": "upper"} for row in owner_file()["row"][:9]] + owner_file()["row"][9:]
        )
    ),
    "the last chip .grade 10, 0.005 mm. is no rougher than the first .0.01 mm.": changed(9, median_mm=0.005),
    "window_mm is 8 x 10.5, sides of 60-120 mm can be used": owner_text(window_mm=[8, 10.5]),
    "grade 10 has no row": json.dumps(owner_file(row=owner_file()["row"][:9])),
    "the last chip .grade 10, 0.1 mm. is no rougher": json.dumps(
        owner_file(row=[row | {"median_mm": 0.1} for row in owner_file()["row"]])
    ),
    "band_short_mm must be smaller": json.dumps(
        owner_file(row=[row | {"band_short_mm": 30.0} for row in owner_file()["row"]])
    ),
    "edition: input should be 'ten-chip' or 'nine-chip'": owner_text(edition="old"),
    "is_prior: extra inputs are not permitted": owner_text(is_prior=True),
    "belongs to a shipped scale": owner_text(name="prior-10"),
    "origin: input should be 'real' or 'rendered'": owner_text(origin="prior"),
    "row: .*at least 1 item": owner_text(row=[]),
    "date: input should be a valid date": owner_text(date="last spring"),
}


@pytest.mark.parametrize("sentence", BAD)
def test_bad_scale_file_gets_one_sentence(sentence):
    with pytest.raises(ScaleInvalid, match=sentence) as caught:
        load_scale(BAD[sentence], file="chips.json")
    told = str(caught.value)
    assert told.startswith("chips.json: ")
    assert told.endswith("correct the scale file or leave --scale out.")
    assert "\n" not in told
