"""Scores worked out by hand, and what is said of a capture."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from assessor.evaluation import (
    Estimate,
    ScoredRow,
    TruthRow,
    bands_asked,
    covered,
    error_of,
    gross,
    half_octaves,
    half_width,
    mean_limits,
    read_estimate,
    scatter_limits,
    share_limits,
    summarise,
)
from assessor.values import Band
from tests.fakes import BAND, fake_estimated_result, fake_result, fake_torch_result


def truth(quantity: str = "Sq", value: float = 0.2, **changes: object) -> TruthRow:
    unit = {"Ssk": "", "grade": "", "direction_deg": "deg"}.get(quantity, "mm")
    row = TruthRow("a", "angles", "ground", "tuned", True, quantity, unit, 2.5, 25.0, value)
    return replace(row, **changes)  # type: ignore[arg-type]


def scored(row: TruthRow, estimate: float, half: float = 0.01) -> ScoredRow:
    return ScoredRow(row, Estimate(estimate, estimate - half, estimate + half, "value"), 1.0)


def test_bias_and_scatter_by_hand() -> None:
    rows = [scored(truth(value=0.2), 0.21), scored(truth(value=0.4), 0.40), scored(truth(value=0.1), 0.11)]
    row, _ = summarise(rows)
    assert row.error_unit == "relative"
    assert row.bias == pytest.approx((0.05 + 0.0 + 0.1) / 3)
    assert row.scatter == pytest.approx(0.05)  # of 0.05, 0, 0.1 about 0.05, over n - 1
    assert row.largest_error == pytest.approx(0.1)
    assert row.coverage == 1.0
    assert (row.n, row.n_rendered, row.refused_share) == (3, 3, 0.0)


@pytest.mark.parametrize(
    ("said", "true", "error"), [(179.0, 1.0, -2.0), (2.0, 178.0, 4.0), (95.0, 90.0, 5.0)]
)
def test_direction_errors_go_the_shorter_way_round(said: float, true: float, error: float) -> None:
    row = scored(truth("direction_deg", true), said, half=3.0)
    assert error_of(row) == pytest.approx(error)
    assert covered(row) is (abs(error) <= 3.0)


def test_an_upper_bound_is_covered_when_the_truth_lies_under_it_and_has_no_error() -> None:
    bound = Estimate(0.012, None, 0.012, "upper")
    assert covered(ScoredRow(truth(value=0.012), bound, 1.0)) is True
    assert covered(ScoredRow(truth(value=0.013), bound, 1.0)) is False
    row, _ = summarise([ScoredRow(truth(value=0.01), bound, 1.0)])
    assert (row.bias, row.coverage, row.upper_share) == (None, 1.0, 1.0)


def test_refused_rows_count_only_as_refused() -> None:
    rows = [scored(truth(), 0.2), ScoredRow(truth(), Estimate(refused="too-few-photos"), 1.0)]
    row, _ = summarise(rows)
    assert (row.n, row.refused_share, row.coverage, row.bias) == (2, 0.5, 1.0, 0.0)
    assert row.scatter is None


def test_groups_and_the_pooled_groups() -> None:
    rows = [scored(truth(), 0.2), scored(truth(process="blasted"), 0.22), scored(truth("MPD", 0.5), 0.5)]
    groups = [(row.quantity, row.process, row.n) for row in summarise(rows)]
    assert groups == [
        ("MPD", "ground", 1), ("Sq", "blasted", 1), ("Sq", "ground", 1), ("MPD", "all", 1), ("Sq", "all", 2),
    ]  # fmt: skip


def test_bands_are_never_pooled() -> None:
    rows = [scored(truth(), 0.2), scored(truth(band_short_mm=0.8), 0.3)]
    pooled = [row for row in summarise(rows) if row.process == "all"]
    assert [(row.band_short_mm, row.n, row.bias) for row in pooled] == [
        (0.8, 1, pytest.approx(0.5)), (2.5, 1, 0.0),
    ]  # fmt: skip


def test_numbers_without_unit_and_grades_are_differences() -> None:
    assert error_of(scored(truth("Ssk", -0.5), -0.3)) == pytest.approx(0.2)
    assert error_of(scored(truth("grade", 4.0), 5.0)) == pytest.approx(1.0)


def test_a_capture_is_read_by_quantity_and_band() -> None:
    result = fake_result()
    said = read_estimate(result, truth("Sq"))
    assert (said.estimate, said.bound, said.refused) == (0.212, "value", None)
    assert read_estimate(result, truth("Sq", band_short_mm=0.8)).refused == "not-measured"
    assert read_estimate(result, truth("Sq", band_short_mm=None, band_long_mm=None)).estimate == 0.212
    assert read_estimate(result, truth("coarse_fraction", unit="")).refused == "not-measured"
    assert read_estimate(result, truth("Ssk")).refused == "not-measured"  # NaN in the fake


def test_a_torch_capture_is_read_in_its_fine_band_and_in_the_shared_one() -> None:
    result = fake_torch_result()
    fine = {"kind": "torch", "band_short_mm": 0.5, "band_long_mm": 8.0}
    assert read_estimate(result, truth("Sq", **fine)).estimate == 0.021
    assert read_estimate(result, truth("Sa", **fine)).estimate == 0.016
    assert read_estimate(result, truth("Sdq", unit="1", **fine)).estimate == 0.11
    assert read_estimate(result, truth("Sdq", unit="", **fine)).estimate == 0.11
    assert read_estimate(result, truth("Sq", kind="torch")).estimate == 0.212
    assert read_estimate(result, truth("Sq", kind="torch", band_short_mm=0.5)).refused == "not-measured"


def test_a_capture_gives_grade_and_direction() -> None:
    result = fake_result()
    assert read_estimate(result, truth("grade")) == Estimate(5.0, 3.0, 6.0, "value")
    lay = read_estimate(result, truth("direction_deg"))
    assert lay.estimate == 90.0
    assert lay.high90 == pytest.approx(90 + 1.645 * 2)


def test_abstained_grades_are_refused_or_bounds() -> None:
    result = fake_result()
    wide = replace(result.suggestion, best=None, abstained_because="too wide")
    assert read_estimate(replace(result, suggestion=wide), truth("grade")).refused == "abstained"
    fine = replace(wide, set90=(1, 2, 3), flags=("at-most",))
    said = read_estimate(replace(result, suggestion=fine), truth("grade"))
    assert said == Estimate(3.0, None, 3.0, "upper")


def test_bands_come_once_and_not_from_grades() -> None:
    rows = [truth(), truth("MPD", band_long_mm=100.0), truth("Sa"), truth("grade", band_short_mm=1.0)]
    assert bands_asked(rows) == (BAND,)
    assert bands_asked([truth("Sdq", band_short_mm=0.8)]) == (Band(0.8, 25.0),)


def test_a_row_prints_all_its_columns() -> None:
    row = scored(truth(), 0.2).as_dict()
    assert list(row) == [
        "capture", "kind", "process", "split", "rendered", "quantity", "unit", "band_short_mm",
        "band_long_mm", "value", "light", "mask", "px_per_mm", "contrast", "x_mm", "y_mm",
        "estimate", "low90", "high90", "bound",
        "refused", "estimated", "seconds", "found", "in_review", "iou", "area_ratio", "probability",
        "wrong_probability", "true_mm2", "gloss", "false_review", "n_true", "judged_mm2",
    ]  # fmt: skip
    assert not any(isinstance(value, float) and math.isnan(value) for value in row.values())


def test_a_summary_says_what_so_many_captures_can_tell() -> None:
    rows = [scored(truth(), 0.2 + 0.001 * k) for k in range(9)]
    rows += [scored(truth(), 0.3), ScoredRow(truth(), Estimate(refused="too-far"), 1.0)]
    row = summarise(rows)[1]
    errors = [0.005 * k for k in range(9)] + [0.5]
    assert (row.bias_low95, row.bias_high95) == pytest.approx(mean_limits(errors))
    assert row.scatter is not None
    assert (row.scatter_low95, row.scatter_high95) == pytest.approx(scatter_limits(row.scatter, 10))
    # The interval is 0.01 to each side: nine of ten hold 0.2.
    assert (row.coverage, row.coverage_low95, row.coverage_high95) == (0.9, *share_limits(9, 10))
    assert (row.refused_low95, row.refused_high95) == share_limits(1, 11)
    assert (row.n_gross, row.gross_high95) == (1, share_limits(1, 11)[1])
    assert row.median_half_width == pytest.approx((0.01 / 0.204 + 0.01 / 0.205) / 2)


def test_limits_are_null_where_one_capture_tells_nothing() -> None:
    row = summarise([scored(truth(), 0.2)])[1]
    assert (row.bias, row.bias_low95, row.scatter_high95) == (0.0, None, None)
    assert (row.coverage_low95, row.coverage_high95) == (pytest.approx(0.025), 1.0)
    grade = summarise([ScoredRow(truth("grade", 4.0), Estimate(refused="abstained"), 1.0)])[1]
    assert (grade.n_gross, grade.gross_high95, grade.coverage_low95, grade.median_half_width) == (None,) * 4


def test_gross_errors_are_claims_and_nothing_else() -> None:
    assert gross(scored(truth(), 0.26))
    assert not gross(scored(truth(), 0.245))
    assert not gross(ScoredRow(truth(), Estimate(refused="too-far"), 1.0))
    assert gross(ScoredRow(truth(), Estimate(0.1, None, 0.1, "upper"), 1.0))
    assert not gross(ScoredRow(truth(), Estimate(0.9, None, 0.9, "upper"), 1.0))  # at most so much is true
    assert not gross(scored(truth("Ssk", -0.5), 0.5))
    assert half_width(scored(truth("Ssk", -0.5), 0.5)) is None


def test_limits_of_impossible_counts_are_refused() -> None:
    for count, n in ((-1, 4), (5, 4), (0, 0)):
        with pytest.raises(ValueError, match="is no share"):
            share_limits(count, n)
    with pytest.raises(ValueError, match="two values"):
        mean_limits([1.0])
    with pytest.raises(ValueError, match="two values"):
        scatter_limits(1.0, 1)


def estimated(row: TruthRow, value: float, half_octaves: float) -> ScoredRow:
    low, high = value / 2**half_octaves, value * 2**half_octaves
    return ScoredRow(row, Estimate(value, low, high, "value", estimated=True), 1.0)


def test_estimates_are_scored_in_octaves_and_measurements_are_not() -> None:
    of = {"kind": "single", "band_short_mm": 0.8}
    rows = [
        estimated(truth(value=0.1, **of), 0.2, 1.1),  # one octave up, held
        estimated(truth(value=0.4, **of), 0.1, 0.9),  # two octaves down, missed
        estimated(truth(value=0.1, **of), 0.1, 0.7),
        ScoredRow(truth(value=0.1, **of), Estimate(refused="abstained"), 1.0),
        ScoredRow(truth(value=0.1, **of), Estimate(refused="too-blurred"), 1.0),
    ]
    row = summarise(rows)[-1]
    assert row.mae_octaves == pytest.approx(1.0)  # (1 + 2 + 0) / 3
    assert row.median_half_width_octaves == pytest.approx(0.9)
    assert row.coverage == pytest.approx(2 / 3)
    assert (row.abstained_share, row.refused_share) == (0.2, 0.4)
    assert row.bias == pytest.approx((1.0 - 0.75 + 0.0) / 3)  # the relative error of measured kinds stays
    measured = summarise([scored(truth(), 0.21)])[-1]
    assert (measured.mae_octaves, measured.median_half_width_octaves, measured.mae_grades) == (None,) * 3


def test_grades_are_scored_in_grades() -> None:
    rows = [scored(truth("grade", 4.0), best, half=1.0) for best in (4.0, 5.0, 7.0)]
    rows.append(ScoredRow(truth("grade", 4.0), Estimate(refused="abstained"), 1.0))
    row = summarise(rows)[-1]
    assert row.mae_grades == pytest.approx((0 + 1 + 3) / 3)
    assert (row.exact_share, row.within_one_share) == (pytest.approx(1 / 3), pytest.approx(2 / 3))
    assert (row.coverage, row.abstained_share) == (pytest.approx(2 / 3), 0.25)
    assert row.mae_octaves is None


def test_lights_that_are_told_get_groups_of_their_own() -> None:
    rows = [
        estimated(truth(value=0.1, light="sun"), 0.2, 1.0),
        estimated(truth(value=0.1, light="window", process="shot"), 0.1, 1.0),
        estimated(truth(value=0.1), 0.1, 1.0),
    ]
    groups = {(row.process, row.light): (row.n, row.mae_octaves) for row in summarise(rows)}
    assert groups == {
        ("ground", "all"): (2, 0.5), ("shot", "all"): (1, 0.0), ("all", "all"): (3, pytest.approx(1 / 3)),
        ("all", "sun"): (1, 1.0), ("all", "window"): (1, 0.0),
    }  # fmt: skip


def test_an_estimate_is_read_as_one_and_an_abstention_as_one() -> None:
    row = truth(kind="single", band_short_mm=0.8)
    result = fake_estimated_result("single")
    said = read_estimate(result, row)
    assert result.estimate is not None
    assert (said.estimated, said.estimate) == (True, pytest.approx(result.estimate.sq_mm))
    half = half_octaves(ScoredRow(row, said, 1.0))
    assert half == pytest.approx(result.estimate.half90, rel=1e-6)
    left = fake_estimated_result("single", abstained=("estimate-wide",))
    assert read_estimate(left, row).refused == "abstained"
    assert read_estimate(left, truth("grade")).refused == "abstained"
    assert read_estimate(left, truth("MPD")).refused == "not-measured"
    assert not read_estimate(fake_result(), truth()).estimated
