"""The file of a scale that readings refined: a whole scale, what it was derived from, how many readings moved it.

JSON or TOML with `format = 2`, read by `scale.load_scale` like an owner's file; `assessor` writes it. A `curve` is a
list: process, words, band_short_mm, band_long_mm, and per grade median_mm, log_sd (the spread of the next floor, as it
is used) and weight; n_readings is 0 where a curve is what it was. derived_digest is the digest of the scale before.
Curves nobody read stay what they were, so a refined prior is still a prior; rendered readings make any scale rendered.
"""

from __future__ import annotations

import json
import math
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from assessor.errors import ScaleInvalid
from assessor.grading.curves import GradeScale, Origin, ScaleCurve
from assessor.tables.loader import CHIPS, Edition, describe_invalid
from assessor.values import Band

FORMAT = 2
Amount = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1)]
_STRICT = ConfigDict(extra="forbid", frozen=True)


class _Curve(BaseModel):
    model_config = _STRICT
    process: Text
    words: Text
    band_short_mm: Amount
    band_long_mm: Amount
    median_mm: tuple[Amount, ...]
    log_sd: tuple[Amount, ...]
    weight: tuple[Amount, ...]
    at_most: Annotated[int, Field(ge=0)] = 0
    n_readings: Annotated[int, Field(ge=0)]


class RefinedFile(BaseModel):
    """What the file holds; n_readings, n_sites, n_readers count the chip readings that moved it."""

    model_config = _STRICT
    format: Literal[2]
    name: Text
    version: Annotated[int, Field(ge=1)]
    edition: Edition
    chip_set: Text
    origin: Origin
    is_prior: bool
    derived_from: Text
    derived_digest: Text
    n_readings: Annotated[int, Field(ge=1)]
    n_sites: Annotated[int, Field(ge=1)]
    n_readers: Annotated[int, Field(ge=1)]
    holds_for: Text
    who: Text
    date: date
    window_mm: tuple[float, float] | None = None
    curve: Annotated[tuple[_Curve, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _whole(self) -> RefinedFile:
        count = CHIPS[self.edition]
        for row in self.curve:
            where = f"curve '{row.process}' in {row.band_short_mm:g}-{row.band_long_mm:g} mm"
            if {len(row.median_mm), len(row.log_sd), len(row.weight)} != {count}:
                raise ValueError(f"{where}: every list needs {count} values, one a grade")
            if row.band_short_mm >= row.band_long_mm:
                raise ValueError(f"{where}: band_short_mm must be smaller than band_long_mm")
            if row.median_mm[-1] <= row.median_mm[0]:
                raise ValueError(f"{where}: the last grade must be rougher than the first")
        keys = [(row.process, row.band_short_mm, row.band_long_mm) for row in self.curve]
        if len(set(keys)) < len(keys):
            raise ValueError("a process has two curves in one band")
        return self


def parse_refined(told: Any, *, file: str | None) -> GradeScale:
    """Return the scale of a parsed file with format = 2; raises ScaleInvalid with what is wrong and where."""
    try:
        checked = RefinedFile.model_validate(told)
    except ValidationError as error:
        raise ScaleInvalid(describe_invalid(error), file=file) from error
    return scale_of(checked)


def refined_text(file: RefinedFile) -> str:
    """The file as JSON text; reading it gives the same scale."""
    return json.dumps(file.model_dump(mode="json", exclude_none=True), indent=1, ensure_ascii=False) + "\n"


def curve_row(curve: ScaleCurve, n_readings: int) -> dict[str, Any]:
    """A curve as the file holds it, medians to six digits."""
    return {
        "process": curve.process,
        "words": curve.words,
        "band_short_mm": curve.band.short_mm,
        "band_long_mm": curve.band.long_mm,
        "median_mm": [float(f"{math.exp(value):.6g}") for value in curve.log_median],
        "log_sd": [float(f"{value:.4g}") for value in curve.log_sd],
        "weight": list(curve.weight),
        "at_most": curve.at_most,
        "n_readings": n_readings,
    }


def scale_of(file: RefinedFile) -> GradeScale:
    """The scale that a checked file holds."""
    curves = tuple(
        ScaleCurve(
            process=row.process,
            words=row.words,
            band=Band(row.band_short_mm, row.band_long_mm),
            log_median=tuple(math.log(value) for value in row.median_mm),
            log_sd=row.log_sd,
            weight=row.weight,
            at_most=row.at_most,
        )
        for row in file.curve
    )
    moved = ", ".join(dict.fromkeys(row.words for row in file.curve if row.n_readings))
    told = "rendered spots" if file.origin == "rendered" else "spots"
    return GradeScale(
        name=f"{file.name}, version {file.version}",
        edition=file.edition,
        is_prior=file.is_prior,
        origin=file.origin,
        grades=tuple(range(1, CHIPS[file.edition] + 1)),
        curves=curves,
        chip_set=file.chip_set,
        who=file.who,
        date=file.date.isoformat(),
        window_mm=file.window_mm,
        derived_from=file.derived_from,
        refined=(
            f"{file.derived_from} moved by chip readings of {file.n_readings} {told} "
            f"({moved}; sites: {file.n_sites}; for {file.holds_for})"
        ),
    )
