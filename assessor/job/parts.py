"""The parts that entries of a job's record are made of: plain values, checked."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Words = Annotated[str, Field(min_length=1, max_length=2000, pattern=r"\S")]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Number = Annotated[int, Field(ge=1, le=99)]
Grade = Annotated[int, Field(ge=1, le=10)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Amount = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Phase = Literal["before", "after"]
Part = Literal["field", "edge", "corner", "column", "drain", "joint"]
Hazard = Literal["asbestos-lead", "buried-services"]
Moisture = Literal["dry", "saturated-surface-dry", "as-data-sheet"]
Side = Literal["client", "maker"]
Closing = Literal["second-reader", "replica", "pull-off"]
Resolved = Literal["retested", "reworked", "waived"]
SpotRole = Literal["random", "worst", "spread"]
Effort = Literal["quick", "measured"]
Direction = Literal["along", "back", "in", "out"]
Call = Literal["chip", "rework", "shot"]


class Told(BaseModel):
    """Base of all entries and their parts: frozen, no unknown fields, no NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class FileRef(Told):
    """A stored file by its SHA-256, with the name it came by."""

    sha256: Sha256
    name: Words


class Layer(Told):
    """An old coating, adhesive or hidden layer on the slab, with how much of it there is."""

    what: Words
    area_m2: Amount | None = None
    thickness_mm: Amount | None = None


class DrawnSpot(Told):
    """One spot of a plan: where, in words that a crew can walk, and how it is to be shot (`sampling.PlannedSpot`)."""

    spot: Number
    role: SpotRole
    effort: Effort
    shots: str = ""
    where: Words
    x_m: float | None = None
    y_m: float | None = None
    pin: tuple[float, float] | None = None
    spread_from: Number | None = None
    direction: Direction | None = None
    steps: Annotated[int, Field(ge=1)] | None = None


class PatchSeen(Told):
    """A patch that wants a test, as an assessment listed it."""

    patch: Annotated[int, Field(ge=1)]
    cause: Words
    area_mm2: Amount | None = None
