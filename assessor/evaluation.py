"""Score estimates against truth: rows in, rows and summary out. Knows no model, no file and no photo.

Format (design section 8): one truth row per capture and quantity; one scored row per truth row, with all of
its columns plus estimate, low90, high90, bound, refused, estimated and seconds; a summary by kind, quantity, process
and split, and by band too, since numbers of different bands must not be pooled. Groups whose process is "all" pool
every process; where truth rows name the light they were made under, groups of one light pool every process too, and
so do groups of one true kind of patch. Patches and aggregate are scored in `evaluation_surface`.

Errors: relative, (estimate - truth) / truth, for quantities in mm (`error_unit` "relative"); plain difference
for those without a unit and for grades; the shorter way round the half circle for `direction_deg` ("deg").
bias is the mean error, scatter its standard deviation (n - 1). Rows with an upper bound have no error, but
count for coverage: covered where the truth lies under the bound. Refused rows count in n and in the refused
share only. A gross error is a claim further than 25 % from the truth that nothing refused.

What a learned model estimated (one photo, or two with a torch) is off by factors, so its Sq is scored in octaves too:
mae_octaves is the mean of |log2(estimate / truth)|, median_half_width_octaves that of the 90 % intervals' half-widths.
Grades of every kind: mae_grades of the most probable grade, exact_share and within_one_share of the claims, coverage
whether the 90 % set holds the true grade. abstained_share: of n, where the photos were good and nothing was claimed.

What so many captures can tell is said beside each score, as limits at 95 % confidence (`..._low95`, `..._high95`):
Student's t for the bias, chi-square for the scatter (both take errors as normal), exact binomial limits for
shares, which hold for any n and any share (Clopper and Pearson 1934, Biometrika 26, 404).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from assessor.evaluation_rows import (
    ABSTAINED,
    ALL,
    NOT_MEASURED,
    PATCH,
    ErrorUnit,
    Estimate,
    ScoredRow,
    SummaryRow,
    TruthRow,
    mean_limits,
    scatter_limits,
    share_limits,
)
from assessor.evaluation_surface import TruthMask, is_of_surface, score_surface, surface_scores
from assessor.values import Band, CaptureResult, Surface

__all__ = [
    "ABSTAINED", "ALL", "NOT_MEASURED", "ErrorUnit", "Estimate", "ScoredRow", "SummaryRow", "TruthMask", "TruthRow",
    "bands_asked", "covered", "error_of", "error_unit", "gross", "half_octaves", "half_width", "mean_limits",
    "octaves_off", "read_estimate", "scatter_limits", "score_capture", "share_limits", "summarise",
]  # fmt: skip
GROSS = 0.25  # relative error that no capture may pass with
_Key = tuple[str, str, str, str, float | None, float | None, str, str]
_PURE = {"", "1", "-", "none"}
# These bring a band of their own, so asking for one would only cost time.
_OWN_BAND = {"grade", "direction_deg", "MPD", "ETD"}


def bands_asked(truth: Iterable[TruthRow]) -> tuple[Band, ...]:
    """The different bands in the truth rows, in their order, for the pipeline."""
    return tuple(dict.fromkeys(row.band for row in truth if row.band and row.quantity not in _OWN_BAND))


def read_estimate(result: CaptureResult, truth: TruthRow) -> Estimate:
    """What `result` says about the quantity and band of `truth`; "not-measured" where it says nothing."""
    if truth.quantity == "grade":
        return _grade(result)
    if truth.quantity == "direction_deg":
        return _direction(result)
    quantity = result.texture.get(truth.quantity, truth.band)
    if quantity is None or not math.isfinite(quantity.value):
        left = result.estimate is not None and result.estimate.abstained
        return Estimate(refused=ABSTAINED if left and truth.quantity == "Sq" else NOT_MEASURED)
    # A pure number is written "", "1" or "-" by different hands.
    if quantity.unit != truth.unit and not {quantity.unit, truth.unit} <= _PURE:
        return Estimate(refused=NOT_MEASURED)
    low90 = quantity.low90 if quantity.bound == "value" else None
    return Estimate(
        estimate=quantity.value,
        low90=_finite(low90),
        high90=_finite(quantity.high90),
        bound=quantity.bound,
        estimated=quantity.estimated,
    )


def score_capture(
    result: CaptureResult, truth: Sequence[TruthRow], masks: Mapping[str, TruthMask], seconds: float
) -> tuple[ScoredRow, ...]:
    """Score one capture, row by row; masks: by the name that its rows of patches give."""
    scored = score_surface(result.surface, truth, masks, seconds)
    return _in_order(truth, scored, lambda row: ScoredRow(row, read_estimate(result, row), seconds))


def score_overview(
    surface: Surface, truth: Sequence[TruthRow], masks: Mapping[str, TruthMask], seconds: float
) -> tuple[ScoredRow, ...]:
    """Score one zone's overview, row by row: its patches; heights are nothing that it measures."""
    scored = score_surface(surface, truth, masks, seconds)
    return _in_order(truth, scored, lambda row: ScoredRow(row, Estimate(refused=NOT_MEASURED), seconds))


def _in_order(
    truth: Sequence[TruthRow], of_surface: Sequence[ScoredRow], other: Callable[[TruthRow], ScoredRow]
) -> tuple[ScoredRow, ...]:
    """Rows of the surface as scored and all others, in the order of the truth."""
    surface = iter(of_surface)
    return tuple(next(surface) if is_of_surface(row) else other(row) for row in truth)


def summarise(rows: Sequence[ScoredRow]) -> tuple[SummaryRow, ...]:
    """Scores by kind, quantity, process, split and band, then pooled over processes ("all"), then by light as well."""
    groups: dict[_Key, list[ScoredRow]] = {}
    for row in rows:
        of = row.truth
        lit = [(ALL, of.light, ALL)] if of.light else []
        kinds = [(ALL, ALL, str(of.patch))] if of.quantity == PATCH else []
        for process, light, patch in [(of.process, ALL, ALL), (ALL, ALL, ALL), *kinds, *lit]:
            key = (of.kind, of.quantity, process, of.split, of.band_short_mm, of.band_long_mm, light, patch)
            groups.setdefault(key, []).append(row)
    ordered = sorted(
        groups,
        key=lambda k: (k[2] == ALL, k[6] != ALL, *k[:4], k[4] or 0.0, k[5] or 0.0, k[6], k[7] != ALL, k[7]),
    )
    return tuple(_summary(key, groups[key]) for key in ordered)


def error_of(row: ScoredRow) -> float | None:
    """Error of one row in its group's error unit; None where refused or only bounded."""
    said, truth = row.said, row.truth
    if said.refused or said.estimate is None or said.bound == "upper":
        return None
    unit = error_unit(truth)
    if unit == "deg":
        return (said.estimate - truth.value + 90.0) % 180.0 - 90.0
    difference = said.estimate - truth.value
    if unit == "relative":
        return difference / truth.value if truth.value > 0 else None
    return difference


def error_unit(truth: TruthRow) -> ErrorUnit:
    """How errors of this quantity are counted."""
    if truth.quantity == "grade":
        return "grades"
    if truth.quantity == "direction_deg":
        return "deg"
    return "relative" if truth.unit == "mm" else "same as value"


def covered(row: ScoredRow) -> bool | None:
    """Whether the 90 % claim holds the truth; None where there was no claim."""
    said, value = row.said, row.truth.value
    if said.refused or said.high90 is None:
        return None
    if said.bound == "upper":
        return value <= said.high90
    if said.low90 is None:
        return None
    if row.truth.quantity == "direction_deg":
        half = (said.high90 - said.low90) / 2
        middle = (said.high90 + said.low90) / 2
        return abs((value - middle + 90.0) % 180.0 - 90.0) <= half
    return said.low90 <= value <= said.high90


def gross(row: ScoredRow) -> bool:
    """Whether a claim about a quantity in mm is off by more than 25 % (a bound: lies that far under the truth)."""
    if row.said.bound == "upper" and row.said.high90 is not None and not row.said.refused:
        return row.said.high90 < (1 - GROSS) * row.truth.value
    error = error_of(row)
    return error is not None and error_unit(row.truth) == "relative" and abs(error) > GROSS


def half_width(row: ScoredRow) -> float | None:
    """Half of a 90 % interval over its estimate; None for bounds, refusals and what is not in mm."""
    said = row.said
    if said.refused or said.low90 is None or said.high90 is None or error_unit(row.truth) != "relative":
        return None
    return (said.high90 - said.low90) / 2 / said.estimate if said.estimate else None


def octaves_off(row: ScoredRow) -> float | None:
    """|log2(estimate / truth)| of an estimated quantity in mm; None for what was measured, bounded or refused."""
    said, value = row.said, row.truth.value
    if not said.estimated or error_of(row) is None or error_unit(row.truth) != "relative":
        return None
    return abs(math.log2(said.estimate / value)) if said.estimate and value > 0 else None


def half_octaves(row: ScoredRow) -> float | None:
    """Half of an estimate's 90 % interval in octaves; None where there is no such interval."""
    said = row.said
    if octaves_off(row) is None or not said.low90 or not said.high90:
        return None
    return 0.5 * math.log2(said.high90 / said.low90)


def _summary(key: _Key, rows: Sequence[ScoredRow]) -> SummaryRow:
    errors = np.array([error for row in rows if (error := error_of(row)) is not None])
    claims = [claim for row in rows if (claim := covered(row)) is not None]
    n, refused = len(rows), sum(row.said.refused is not None for row in rows)
    scatter = float(errors.std(ddof=1)) if errors.size > 1 else None
    none = (None, None)
    of_bias = none if scatter is None else mean_limits(errors)
    of_scatter = none if scatter is None else scatter_limits(scatter, errors.size)
    of_coverage = share_limits(sum(claims), len(claims)) if claims else none
    of_refused = share_limits(refused, n)
    in_mm = error_unit(rows[0].truth) == "relative"
    n_gross = sum(gross(row) for row in rows) if in_mm else None
    widths = [width for row in rows if (width := half_width(row)) is not None]
    return SummaryRow(
        *key[:6],
        light=key[6],
        patch=key[7],
        n=n,
        n_rendered=sum(row.truth.rendered for row in rows),
        error_unit=error_unit(rows[0].truth),
        bias=float(errors.mean()) if errors.size else None,
        scatter=scatter,
        largest_error=float(errors[np.abs(errors).argmax()]) if errors.size else None,
        coverage=sum(claims) / len(claims) if claims else None,
        upper_share=sum(row.said.bound == "upper" for row in rows) / n,
        refused_share=refused / n,
        bias_low95=of_bias[0],
        bias_high95=of_bias[1],
        scatter_low95=of_scatter[0],
        scatter_high95=of_scatter[1],
        coverage_low95=of_coverage[0],
        coverage_high95=of_coverage[1],
        refused_low95=of_refused[0],
        refused_high95=of_refused[1],
        n_gross=n_gross,
        gross_high95=None if n_gross is None else share_limits(n_gross, n)[1],
        median_half_width=float(np.median(widths)) if widths else None,
        abstained_share=sum(row.said.refused == ABSTAINED for row in rows) / n,
        surface=surface_scores(rows),
        **_estimate_scores(rows),
    )


def _estimate_scores(rows: Sequence[ScoredRow]) -> dict[str, Any]:
    """What is scored of estimates in octaves, and of grades in grades."""
    off = [octaves for row in rows if (octaves := octaves_off(row)) is not None]
    widths = [half for row in rows if (half := half_octaves(row)) is not None]
    scores: dict[str, Any] = {"mae_octaves": float(np.mean(off))} if off else {}
    if widths:
        scores["median_half_width_octaves"] = float(np.median(widths))
    grades = [abs(error) for row in rows if (error := error_of(row)) is not None]
    if error_unit(rows[0].truth) == "grades" and grades:
        scores["mae_grades"] = float(np.mean(grades))
        scores["exact_share"] = sum(error < 0.5 for error in grades) / len(grades)
        scores["within_one_share"] = sum(error < 1.5 for error in grades) / len(grades)
    return scores


def _grade(result: CaptureResult) -> Estimate:
    suggestion = result.suggestion
    if suggestion.best is None and suggestion.set90 and "at-most" in suggestion.flags:
        highest = float(max(suggestion.set90))
        return Estimate(highest, None, highest, "upper")
    if suggestion.best is None or not suggestion.set90:
        return Estimate(refused=ABSTAINED)
    return Estimate(
        float(suggestion.best), float(min(suggestion.set90)), float(max(suggestion.set90)), "value"
    )


def _direction(result: CaptureResult) -> Estimate:
    direction = result.texture.direction
    if direction.lay_deg is None:
        return Estimate(refused=NOT_MEASURED)
    if direction.u_deg is None:
        return Estimate(direction.lay_deg, bound="value")
    half = 1.645 * direction.u_deg
    return Estimate(direction.lay_deg, direction.lay_deg - half, direction.lay_deg + half, "value")


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
