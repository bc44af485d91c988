"""Entries on the job, the slab and the zones: what is known and agreed before and while the floor is cut."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from assessor.job.parts import (
    Amount,
    FileRef,
    Grade,
    Hazard,
    Layer,
    Moisture,
    Number,
    Part,
    Side,
    Told,
    Words,
)


class JobOpened(Told):
    """First entry of every job. code: four characters that stand on its tags."""

    kind: Literal["job-opened"] = "job-opened"
    name: Words
    code: Annotated[str, Field(pattern=r"^[A-Z0-9]{4}$")]
    site: Words
    edition: Literal["ten-chip", "nine-chip"] = "ten-chip"
    invented: bool = False
    indoors: bool = True
    drops_asked: bool = False
    clean_hours: Amount = 24.0


class SlabFacts(Told):
    """What is known of the slab before work: age, aggregate, layers with quantities, sounding, condition photos."""

    kind: Literal["slab-facts"] = "slab-facts"
    age_days: Annotated[int, Field(ge=0)] | None = None
    aggregate: str = ""
    layers: tuple[Layer, ...] = ()
    sounding: str = ""
    photos: tuple[FileRef, ...] = ()


class HazardChecked(Told):
    """A survey before any cut: asbestos and lead in old layers, or cables, heating and tendons in the slab."""

    kind: Literal["hazard-checked"] = "hazard-checked"
    hazard: Hazard
    cleared: bool
    how: Words
    surveyor: Words
    document: FileRef | None = None


class SystemNamed(Told):
    """The system to be placed: a row of our table of systems, and the slab's moisture when it goes down."""

    kind: Literal["system-named"] = "system-named"
    system: Words
    product: str = ""
    thickness_mm: Amount | None = None
    moisture: Moisture
    moisture_words: str = ""


class DataSheetFiled(Told):
    """The maker's data sheet as a stored file, and the grades it asks for. It governs. water_allowed: rinsing."""

    kind: Literal["data-sheet-filed"] = "data-sheet-filed"
    document: FileRef
    edition: Words
    page: Words
    csp_low: Grade
    csp_high: Grade
    water_allowed: bool | None = None

    @model_validator(mode="after")
    def _in_order(self) -> DataSheetFiled:
        if self.csp_low > self.csp_high:
            raise ValueError("csp_low must not be above csp_high")
        return self


class ZoneLaidOut(Told):
    """A zone: an area with one target range. Edges, corners, columns, drains and joints are zones of their own.

    corners_m: outline for zones that are no rectangle. mock_up_zone: the mock-up that this zone refers to; a zone
    with is_mock_up is one itself.
    """

    kind: Literal["zone-laid-out"] = "zone-laid-out"
    zone: Number
    name: Words
    part: Part = "field"
    area_m2: Amount
    length_m: Amount | None = None
    width_m: Amount | None = None
    corners_m: tuple[tuple[float, float], ...] = ()
    method: Words
    is_mock_up: bool = False
    mock_up_zone: Number | None = None


class PrintMeasured(Told):
    """Tape readings of a print's check bars, mm: they hold for every capture of the job with that card serial."""

    kind: Literal["print-measured"] = "print-measured"
    serial: Annotated[int, Field(ge=0, le=65535)]
    along_mm: Amount
    across_mm: Amount


class SurfacePrepared(Told):
    """Work done on a zone, or on a part of it: one lot is one zone, shift, machine and method."""

    kind: Literal["surface-prepared"] = "surface-prepared"
    zone: Number
    lot: Number
    shift: Words
    method: Words
    machine: Words
    tooling: Words
    machine_settings: str = ""
    speed: str = ""
    passes: Annotated[int, Field(ge=1, le=50)] = 1
    area_m2: Amount
    length_m: Amount | None = None
    width_m: Amount | None = None
    corner: str = ""


class MockUpApproved(Told):
    """The client or the product's maker approves the mock-up: name and date as on paper."""

    kind: Literal["mock-up-approved"] = "mock-up-approved"
    zone: Number
    side: Side
    name: Words
    on: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]
