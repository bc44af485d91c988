"""The JSON that the counting page saves, checked when it comes back."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from assessor.errors import BadCount
from assessor.surface.points import MOST_A_SIDE, Mark

Side = Annotated[int, Field(ge=1, le=MOST_A_SIDE)]


class PointRecord(BaseModel):
    """One count; marks run in the grid's order, None where a point was not marked."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    kind: Literal["point-count"]
    version: Literal[1]
    photo: str
    photo_sha256: str
    serial: int
    rows: Side
    cols: Side
    spacing_mm: Annotated[float, Field(gt=0, lt=200, allow_inf_nan=False)]
    rendered: bool
    marks: tuple[Mark | None, ...]
    counted_by: str = ""
    counted_at: str = ""


def read_point_record(text: str, file: str) -> PointRecord:
    """Read what the page saved; raises BadCount where it is something else, or no point is marked."""
    try:
        record = PointRecord.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise BadCount(f"this is no saved count ({where}: {first['msg'].lower()})", file=file) from error
    if len(record.marks) != record.rows * record.cols:
        found = f"{len(record.marks)} marks do not fit a grid of {record.rows} x {record.cols}"
        raise BadCount(found, file=file)
    if all(mark in (None, "unclear") for mark in record.marks):
        raise BadCount("no point of this count could be told", file=file)
    return record
