"""Scales load by name and from an owner's file; a bad file gets one sentence."""

import json
import math

import pytest

from assessor.errors import ScaleInvalid
from assessor.grading.scale import SHIPPED, load_scale
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
    "grade 6 has median_mm 0.01, below grade 5": changed(5, median_mm=0.01),
    "grade 10 has no row": json.dumps(owner_file(row=owner_file()["row"][:9])),
    "all grades have the same median_mm": json.dumps(
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
