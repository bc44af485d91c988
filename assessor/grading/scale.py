"""Load a grade scale: per grade, band and process, the distribution of log-amplitude of such a floor.

Chips, not numbers, define the grades, so the scale is data. What we ship is a prior: H(k) times shape and
share per process (tables/grade_scale_prior_*.toml), never measured on chips. An owner who photographs the
chips replaces it.

An owner's scale is TOML or JSON with these keys (`row` is a list):

    format = 1
    name = "depot chips"
    edition = "ten-chip"           # or "nine-chip": which chip set
    chip_set = "set 2, bought 2021"
    origin = "real"                # or "rendered": made from rendered photos
    who = "A. Example"
    date = 2026-03-01
    floor_vs_chip_log_sd = 0.10    # optional: how far a floor and the chip a person gives it differ in a band
    window_mm = [80, 105]          # optional: the window the chips were seen through; floors are then compared over
                                   # as large an area (the window less 6 mm a side)
    [[row]]
    grade = 1
    process = "any"                # optional; else a process such as "ground" whose floors the rows describe
    band_short_mm = 2.5
    band_long_mm = 25.0
    median_mm = 0.011              # median Sq of the captures of this chip
    log_sd = 0.06                  # sd of ln Sq over those captures
    n_captures = 5                 # at least 5, so that the sd means something
    shared_log_sd = 0.02           # optional: what the measurement is unsure by beyond that scatter, in ln Sq
    bound = "value"                # optional; "upper": the chip is too fine to measure, median_mm is "at most"

Every band and process needs every grade of its edition once. Medians may fall from one grade to the next: chip sets
of different editions were numbered differently, and the order is never forced. Amplitude can't tell such grades apart,
so they share what probability falls to them, and results say so. Only the last chip must be rougher than the first.
"at most" is allowed for the finest grades only; they can't be told apart either. With n captures the predictive spread
is log_sd * sqrt((1 + 1/n) * (n - 1) / (n - 3)), the standard deviation of Student's prediction, and shared_log_sd in
quadrature. The default floor_vs_chip_log_sd of 0.10 is a working value (derived: errors must stay under
10-15 % to name a grade at steps of x1.585). It holds for floors made the way the chip shows; others may
differ by far more.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Sequence
from datetime import date
from functools import cache
from typing import Annotated, Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from assessor.card.layout import WINDOW_MM
from assessor.errors import ScaleInvalid
from assessor.grading.curves import ANY, GradeScale, Origin, ScaleCurve, order_breaks
from assessor.grading.scale_refined import FORMAT, parse_refined
from assessor.tables.loader import CHIPS, Edition, GradeTable, describe_invalid, load_grade_table
from assessor.values import Band

__all__ = [
    "ANY",
    "GradeScale",
    "Origin",
    "ScaleCurve",
    "load_scale",
    "order_breaks",
    "predictive_log_sd",
    "scale_from_table",
    "shipped_scale",
]

SHIPPED: dict[str, Edition] = {"prior-10": "ten-chip", "prior-9": "nine-chip"}
Z90 = 1.6448536269514722  # half-width of a 90 % interval in standard deviations
LEAST_SIDE_MM = 60.0  # of a chip's window: two of the longest waves, with the rim
LEAST_CAPTURES = 5  # of each chip: fewer give no sd to speak of (domain figures 2.3)
# Amplitudes that "at most" leaves open: a factor of 4, about three grades of the prior, evenly in the logarithm.
AT_MOST_SPAN = math.log(4.0)
Amount = Annotated[float, Field(gt=0, allow_inf_nan=False)]


def load_scale(name_or_text: str, *, file: str | None = None) -> GradeScale:
    """Return a shipped scale by name ("prior-10", "prior-9") or an owner's scale from the text of its file.

    A scale that readings refined (format = 2, `scale_refined`) loads the same way. `file` only names the file in
    errors. Raises ScaleInvalid with what is wrong and where.
    """
    if name_or_text in SHIPPED:
        return shipped_scale(SHIPPED[name_or_text])
    if "=" not in name_or_text and "{" not in name_or_text:
        told = name_or_text.strip()[:40]
        found = f"there is no grade scale called '{told}'" if told else "the scale file is empty"
        raise ScaleInvalid(f"{found} (shipped: {', '.join(SHIPPED)})", file=file)
    told = _read(name_or_text, file)
    if isinstance(told, dict) and told.get("format") == FORMAT:
        return parse_refined(told, file=file)
    return _owner_scale(_checked(told, file), file)


@cache
def shipped_scale(edition: Edition) -> GradeScale:
    """Return the shipped prior of an edition as a scale; raises TableInvalid if our table is broken."""
    return scale_from_table(load_grade_table(edition))


def scale_from_table(table: GradeTable) -> GradeScale:
    """Turn a tabled prior into curves: ln Sq = ln H - ln(shape factor) + ln(share), spreads in quadrature."""
    step = math.log(table.grade[-1].height_mm / table.grade[0].height_mm) / (len(table.grade) - 1)
    shapes = {row.process: row for row in table.process}
    reached = [
        sum(_weight(table, row.reach_low, row.reach_high, grade.grade) for row in table.process)
        for grade in table.grade
    ]
    curves = []
    for share in table.share:
        shape = shapes[share.process]
        offset = math.log(share.share / shape.shape_factor)
        spread2 = shape.shape_log_sd**2 + share.log_sd**2
        curves.append(
            ScaleCurve(
                process=share.process,
                words=shape.words,
                band=Band(share.band_short_mm, share.band_long_mm),
                log_median=tuple(math.log(row.height_mm) + offset for row in table.grade),
                log_sd=tuple(math.hypot(row.spread_grades / Z90 * step, spread2**0.5) for row in table.grade),
                weight=tuple(
                    _weight(table, shape.reach_low, shape.reach_high, row.grade) / total
                    for row, total in zip(table.grade, reached, strict=True)
                ),
            )
        )
    return GradeScale(
        name=table.name,
        edition=table.edition,
        is_prior=table.is_prior,
        origin="prior",
        grades=tuple(row.grade for row in table.grade),
        curves=tuple(curves),
        chip_set="none: not measured on chips",
        who="shipped with assessor",
        date=f"table version {table.version}",
    )


def _weight(table: GradeTable, low: int, high: int, grade: int) -> float:
    # Method ranges disagree between trade lists by a grade or two, so outside is unlikely, never impossible.
    return 1.0 if low <= grade <= high else table.outside_reach_weight


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    grade: int
    process: Annotated[str, Field(min_length=1)] = ANY
    band_short_mm: Amount
    band_long_mm: Amount
    median_mm: Amount
    log_sd: Amount
    n_captures: Annotated[int, Field(ge=LEAST_CAPTURES)]
    shared_log_sd: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    bound: Literal["value", "upper"] = "value"

    @property
    def group(self) -> tuple[str, Band]:
        return self.process, Band(self.band_short_mm, self.band_long_mm)

    @property
    def predictive_log_sd(self) -> float:
        if self.bound == "upper":
            return AT_MOST_SPAN / math.sqrt(12.0)
        return predictive_log_sd(self.log_sd, self.n_captures, self.shared_log_sd)

    @property
    def log_median(self) -> float:
        """ln of the median; of a bound the middle of what it leaves open."""
        return math.log(self.median_mm) - (AT_MOST_SPAN / 2 if self.bound == "upper" else 0.0)


def predictive_log_sd(log_sd: float, n: int, shared_log_sd: float = 0.0) -> float:
    """Standard deviation of the next capture's ln Sq after n with this sd: Student's, and what all n share."""
    return math.hypot(log_sd * math.sqrt((1 + 1 / n) * (n - 1) / (n - 3)), shared_log_sd)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    format: Literal[1]
    name: Annotated[str, Field(min_length=1)]
    edition: Edition
    chip_set: Annotated[str, Field(min_length=1)]
    origin: Literal["real", "rendered"]
    who: Annotated[str, Field(min_length=1)]
    date: date
    floor_vs_chip_log_sd: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.10
    window_mm: tuple[float, float] | None = None
    row: Annotated[tuple[_Row, ...], Field(min_length=1)]


def _read(text: str, file: str | None) -> Any:
    is_json = text.lstrip().startswith("{")
    try:
        return json.loads(text) if is_json else tomllib.loads(text)
    except (json.JSONDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        kind = "JSON" if is_json else "TOML"
        raise ScaleInvalid(f"the scale is not valid {kind} ({error})", file=file) from error


def _checked(told: Any, file: str | None) -> _File:
    try:
        return _File.model_validate(told)
    except ValidationError as error:
        raise ScaleInvalid(describe_invalid(error), file=file) from error


def _owner_scale(told: _File, file: str | None) -> GradeScale:
    grades = tuple(range(1, CHIPS[told.edition] + 1))
    if told.name in SHIPPED:
        _refuse(f"name '{told.name}' belongs to a shipped scale; give yours another", file)
    if told.window_mm is not None and not all(LEAST_SIDE_MM <= side <= WINDOW_MM for side in told.window_mm):
        sides = " x ".join(f"{side:g}" for side in told.window_mm)
        _refuse(f"window_mm is {sides}, sides of {LEAST_SIDE_MM:g}-{WINDOW_MM:g} mm can be used", file)
    groups: dict[tuple[str, Band], list[_Row]] = {}
    for row in told.row:
        groups.setdefault(row.group, []).append(row)
    curves = []
    for (process, band), rows in groups.items():
        where = f"process '{process}' in {band}"
        rows.sort(key=lambda row: row.grade)
        _check_group(rows, grades, where=where, band=band, file=file)
        spreads = tuple(math.hypot(row.predictive_log_sd, told.floor_vs_chip_log_sd) for row in rows)
        curves.append(
            ScaleCurve(
                process=process,
                words="any process" if process == ANY else process,
                band=band,
                log_median=tuple(row.log_median for row in rows),
                log_sd=spreads,
                weight=tuple(1.0 for _ in rows),
                at_most=sum(row.bound == "upper" for row in rows),
            )
        )
    return GradeScale(
        name=told.name,
        edition=told.edition,
        is_prior=False,
        origin=told.origin,
        grades=grades,
        curves=tuple(curves),
        chip_set=told.chip_set,
        who=told.who,
        date=told.date.isoformat(),
        window_mm=told.window_mm,
    )


def _check_group(
    rows: Sequence[_Row], grades: tuple[int, ...], *, where: str, band: Band, file: str | None
) -> None:
    if band.short_mm >= band.long_mm:
        _refuse(f"{where}: band_short_mm must be smaller than band_long_mm", file)
    told = [row.grade for row in rows]
    for grade in grades:
        if told.count(grade) != 1:
            found = "no row" if grade not in told else f"{told.count(grade)} rows"
            _refuse(f"{where}: grade {grade} has {found}, one is needed", file)
    if len(told) != len(grades):
        outside = next(grade for grade in told if grade not in grades)
        _refuse(f"{where}: grade {outside} is not on a {len(grades)}-chip set", file)
    bounds = [row.grade for row in rows if row.bound == "upper"]
    if bounds != list(grades[: len(bounds)]):
        _refuse(f"{where}: only the finest grades may be 'upper', not {', '.join(map(str, bounds))}", file)
    if len(bounds) > len(grades) - 2:
        _refuse(f"{where}: at least two grades must be measured, {len(bounds)} are 'upper'", file)
    first, last = rows[0], rows[-1]
    if last.log_median <= first.log_median:
        _refuse(
            f"{where}: the last chip (grade {last.grade}, {last.median_mm:g} mm) is no rougher than the first"
            f" ({first.median_mm:g} mm); were folders mixed up?",
            file,
        )


def _refuse(found: str, file: str | None) -> NoReturn:
    raise ScaleInvalid(found, file=file)
