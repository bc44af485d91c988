"""Everything that can be entered in a job's record, one small frozen model per kind of entry.

A job's record is a list of entries that only grows (`chain` seals it). Nothing else is stored of a job: zones, spots,
what was confirmed and whether a zone is accepted are read from the entries (`state`, `acceptance`), so a mistake is
mended by a further entry and never by a change. `kind` is stored for ever; fields may be added with a default, never
renamed. Zones and spots are numbered 1-99, as on the tags that lie in the photos.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter, model_validator

from assessor.job.entries_site import (
    DataSheetFiled,
    HazardChecked,
    JobOpened,
    MockUpApproved,
    PrintMeasured,
    SlabFacts,
    SurfacePrepared,
    SystemNamed,
    ZoneLaidOut,
)
from assessor.job.parts import (
    Call,
    Closing,
    Direction,
    DrawnSpot,
    FileRef,
    Grade,
    Number,
    PatchSeen,
    Phase,
    Resolved,
    Share,
    Told,
    Words,
)

__all__ = [
    "CONTENT",
    "KINDS",
    "Assessed",
    "CaptureFiled",
    "ChipRead",
    "Content",
    "ContradictionClosed",
    "DataSheetFiled",
    "Disturbed",
    "DrawnSpot",
    "DropsRecorded",
    "FileRef",
    "HazardChecked",
    "JobOpened",
    "KeptClean",
    "MockUpApproved",
    "OverviewFiled",
    "OverviewRefiled",
    "PatchResolved",
    "PatchSeen",
    "PlanDrawn",
    "PrintMeasured",
    "Refiled",
    "ReworkDone",
    "ReworkOrdered",
    "ScaleAccepted",
    "ScaleProposed",
    "SignedOff",
    "SlabFacts",
    "SpotRedrawn",
    "SpreadDrawn",
    "SuggestionShown",
    "SurfacePrepared",
    "SystemNamed",
    "Waived",
    "ZoneLaidOut",
    "files_of",
]


class PlanDrawn(Told):
    """The spots of one lot as the tool drew them from `seed`."""

    kind: Literal["plan-drawn"] = "plan-drawn"
    zone: Number
    lot: Number
    seed: Annotated[int, Field(ge=0)]
    spots: Annotated[tuple[DrawnSpot, ...], Field(min_length=1)]


class SpreadDrawn(Told):
    """Neighbours of a failed spot, which show where the failing part ends. blocked: where there is no more floor."""

    kind: Literal["spread-drawn"] = "spread-drawn"
    zone: Number
    lot: Number
    failed_spot: Number
    spots: tuple[DrawnSpot, ...]
    blocked: tuple[Direction, ...] = ()


class SpotRedrawn(Told):
    """Another place that the tool drew for a spot where no sheet can lie; why: what is in the way."""

    kind: Literal["spot-redrawn"] = "spot-redrawn"
    zone: Number
    lot: Number
    place: DrawnSpot
    attempt: Annotated[int, Field(ge=1)]
    why: Words


class CaptureFiled(Told):
    """Photos of one spot at one time. filed_by: what said where they belong."""

    kind: Literal["capture-filed"] = "capture-filed"
    capture: Words
    zone: Number
    spot: Number
    phase: Phase
    round: Annotated[int, Field(ge=1, le=9)]
    photos: Annotated[tuple[FileRef, ...], Field(min_length=1)]
    card_serial: int | None = None
    measured_bars_mm: tuple[float, float] | None = None
    filed_by: Literal["tag", "folder", "hand"]
    taken_at: str | None = None


class Refiled(Told):
    """A capture that a wrong tag or folder put in the wrong place; the photos stay as they are."""

    kind: Literal["refiled"] = "refiled"
    capture: Words
    zone: Number
    spot: Number
    phase: Phase
    round: Annotated[int, Field(ge=1, le=9)]
    why: Words


class Assessed(Told):
    """What the tool said of a capture under `key` (photos, settings, scale, range and version); a suggestion only.

    record: the stored assessment.json. call and the three chances are None where nothing could be said.
    """

    kind: Literal["assessed"] = "assessed"
    capture: Words
    key: Words
    status: Literal["assessed", "refused"]
    capture_kind: str = ""
    record: FileRef
    page: FileRef | None = None
    call: Call | None = None
    p_short: Share | None = None
    p_in_range: Share | None = None
    p_over: Share | None = None
    best: Grade | None = None
    set90: tuple[Grade, ...] = ()
    sentence: str = ""
    patches: tuple[PatchSeen, ...] = ()
    origin: Literal["camera", "rendered", "mixed", "unknown"] = "unknown"


class OverviewFiled(Told):
    """An overview of a zone from standing height: patches, strips, coverage."""

    kind: Literal["overview-filed"] = "overview-filed"
    capture: Words
    zone: Number
    photos: Annotated[tuple[FileRef, ...], Field(min_length=1)]
    record: FileRef
    covered_share: Share | None = None
    patches: tuple[PatchSeen, ...] = ()
    findings: tuple[str, ...] = ()


class OverviewRefiled(Told):
    """An overview that was filed in the wrong zone; the photos and what they show stay as they are."""

    kind: Literal["overview-refiled"] = "overview-refiled"
    capture: Words
    zone: Number
    why: Words


class SuggestionShown(Told):
    """The person who enters this has seen the tool's suggestion for the spot, and no longer reads it blind."""

    kind: Literal["suggestion-shown"] = "suggestion-shown"
    zone: Number
    spot: Number


class ChipRead(Told):
    """A reading at the floor: chip on the concrete, seen and touched, one photo of both. low = high for one chip.

    chip_low and chip_high name two neighbours for "between 3 and 4". feel_grit: which loose grit paper it feels like.
    """

    kind: Literal["chip-read"] = "chip-read"
    zone: Number
    spot: Number
    chip_low: Grade
    chip_high: Grade
    edition: Literal["ten-chip", "nine-chip"]
    chip_set: Words
    photo: FileRef
    touched: Literal[True]
    feel_grit: Annotated[int, Field(ge=12, le=240)] | None = None
    note: str = ""

    @model_validator(mode="after")
    def _neighbours(self) -> ChipRead:
        if self.chip_high - self.chip_low not in {0, 1}:
            raise ValueError("a reading is one chip, or between two neighbours")
        return self


class ContradictionClosed(Told):
    """How a contradiction at a spot ends: a second reader, a replica or a pull-off, and which reading stands."""

    kind: Literal["contradiction-closed"] = "contradiction-closed"
    zone: Number
    spot: Number
    by: Closing
    stands_low: Grade
    stands_high: Grade
    why: Words
    document: FileRef | None = None


class PatchResolved(Told):
    """A patch of a capture or an overview that was tested again, worked over, or is left with a reason."""

    kind: Literal["patch-resolved"] = "patch-resolved"
    zone: Number
    capture: Words
    patch: Annotated[int, Field(ge=1)]
    how: Resolved
    why: Words
    photo: FileRef | None = None


class DropsRecorded(Told):
    """Water drops on a zone: absorbed everywhere, or not. record: the stored drop record."""

    kind: Literal["drops-recorded"] = "drops-recorded"
    zone: Number
    places: Annotated[int, Field(ge=1)]
    passed: bool
    words: Words
    record: FileRef | None = None


class ReworkOrdered(Told):
    """A zone or some of its spots go back to the crew, in the crew's words. spots empty: the whole zone."""

    kind: Literal["rework-ordered"] = "rework-ordered"
    zone: Number
    spots: tuple[Number, ...] = ()
    lines: Annotated[tuple[Words, ...], Field(min_length=1)]


class ReworkDone(Told):
    """The crew worked over a zone or some of its spots: what was seen there before no longer counts."""

    kind: Literal["rework-done"] = "rework-done"
    zone: Number
    spots: tuple[Number, ...] = ()
    method: Words
    note: str = ""


class KeptClean(Told):
    """Somebody looked: the zone is clean, dry as it should be, and closed to traffic. Holds for `hours`."""

    kind: Literal["kept-clean"] = "kept-clean"
    zone: Number
    hours: Annotated[float, Field(gt=0, le=168)]
    note: str = ""


class Disturbed(Told):
    """Something happened to a zone: rain, traffic, a spill, dust from next door. It reopens an accepted zone."""

    kind: Literal["disturbed"] = "disturbed"
    zone: Number
    what: Words


class Waived(Told):
    """A condition of acceptance is waived by a named person with a reason. It stays visible for ever.

    rework: lets off the rework ordered so far, such as an order for the wrong zone; readings decide as before.
    """

    kind: Literal["waived"] = "waived"
    zone: Number
    what: Literal["overview", "drops", "measured", "data-sheet", "mock-up", "rework"]
    why: Words


class SignedOff(Told):
    """The QA lead accepts a zone."""

    kind: Literal["signed-off"] = "signed-off"
    zone: Number
    words: str = ""


class ScaleProposed(Told):
    """A scale refined by this job's readings: the stored proposal and its difference in words. Nothing uses it yet."""

    kind: Literal["scale-proposed"] = "scale-proposed"
    scale: FileRef
    derived_from: Words
    n_readings: Annotated[int, Field(ge=1)]
    differences: tuple[Words, ...]


class ScaleAccepted(Told):
    """A proposed scale is taken by a named person; captures from now on are weighed with it."""

    kind: Literal["scale-accepted"] = "scale-accepted"
    scale: FileRef
    why: Words


Content = (
    JobOpened | SlabFacts | HazardChecked | SystemNamed | DataSheetFiled | ZoneLaidOut | PrintMeasured
    | SurfacePrepared | MockUpApproved | PlanDrawn | SpotRedrawn | SpreadDrawn | CaptureFiled | Refiled | Assessed
    | OverviewFiled | OverviewRefiled | SuggestionShown | ChipRead | ContradictionClosed | PatchResolved
    | DropsRecorded | ReworkOrdered | ReworkDone | KeptClean | Disturbed | Waived | SignedOff | ScaleProposed
    | ScaleAccepted
)  # fmt: skip
CONTENT: TypeAdapter[Content] = TypeAdapter(Annotated[Content, Field(discriminator="kind")])
KINDS: tuple[str, ...] = tuple(kind.model_fields["kind"].default for kind in Content.__args__)


def files_of(content: Content) -> tuple[FileRef, ...]:
    """Every stored file that an entry names."""
    found: list[FileRef] = []
    for value in (getattr(content, name) for name in type(content).model_fields):
        parts = value if isinstance(value, tuple) else (value,)
        found += [part for part in parts if isinstance(part, FileRef)]
    return tuple(found)
