"""What reopens an accepted zone, and how it is told to somebody at the floor."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

from assessor.job.book import JobBook, Noted
from assessor.job.entries import (
    Assessed,
    ChipRead,
    ContradictionClosed,
    DataSheetFiled,
    Disturbed,
    DropsRecorded,
    HazardChecked,
    OverviewFiled,
    OverviewRefiled,
    PlanDrawn,
    Refiled,
    ReworkDone,
    ReworkOrdered,
    SpotRedrawn,
    SpreadDrawn,
    SurfacePrepared,
    SystemNamed,
    ZoneLaidOut,
)
from assessor.job.statistics import place_of
from assessor.values import TargetRange

# What reopens an accepted zone whatever it says; captures, overviews, readings and drops reopen by what they show.
_REOPENING = (
    Disturbed, ReworkOrdered, ReworkDone, SurfacePrepared, Refiled, PlanDrawn, SpreadDrawn, ZoneLaidOut,
    ContradictionClosed, SpotRedrawn, OverviewRefiled,
)  # fmt: skip
# Nothing of what was read or suggested: a second reader may see this.
_WORDS = {
    "disturbed": "something happened to the floor, as entered",
    "rework-ordered": "rework was ordered",
    "rework-done": "rework was entered",
    "surface-prepared": "more work was entered",
    "refiled": "photos were re-filed",
    "overview-refiled": "an overview was re-filed",
    "plan-drawn": "more spots were drawn",
    "spread-drawn": "neighbours of a spot were drawn",
    "spot-redrawn": "a spot was drawn again",
    "zone-laid-out": "the zone was laid out again",
    "contradiction-closed": "a contradiction was closed",
    "assessed": "photos that show a patch were assessed",
    "overview-filed": "an overview that shows a patch was filed",
    "drops-recorded": "water drops that did not pass were entered",
    "chip-read": "another chip reading was entered",
    "data-sheet-filed": "another data sheet was filed",
    "system-named": "another system was named",
    "hazard-checked": "a survey was entered as not cleared",
}


def reopened_by(book: JobBook, zone: int, signed: Noted, target: TargetRange | None) -> str | None:
    """What reopened a zone after its sign-off, who and when, in words; None where nothing was entered that does."""
    mine = [note for note in book.zones[zone].notes if note.number > signed.number and reopens(note, target)]
    all_zones = [note for note in book.notes_of_job if note.number > signed.number and _job_reopens(note)]
    first = min([*mine, *all_zones], key=lambda note: note.number, default=None)
    if first is None:
        return None
    when = local_time(datetime.fromisoformat(first.stamp.at_utc), first)
    what = f" ({first.content.what})" if isinstance(first.content, Disturbed) else ""
    return f"{_WORDS[first.content.kind]} by {first.stamp.who}, {when}{what}"


def reopens(note: Noted, target: TargetRange | None) -> bool:
    """Whether an entry of a zone, coming after a sign-off, reopens it."""
    content = note.content
    if isinstance(content, _REOPENING):
        return True
    if isinstance(content, Assessed | OverviewFiled):
        return bool(content.patches)
    if isinstance(content, DropsRecorded):
        return not content.passed
    if isinstance(content, ChipRead):
        return target is None or place_of(content.chip_low, content.chip_high, target) != "in"
    return False


def local_time(moment: datetime, note: Noted) -> str:
    """A moment by the clock of the person who made an entry, to the minute."""
    zone = timezone(timedelta(minutes=note.stamp.offset_min))
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def _job_reopens(note: Noted) -> bool:
    """Whether an entry on the whole job reopens every zone: another system or data sheet, a survey withdrawn."""
    if isinstance(note.content, HazardChecked):
        return not note.content.cleared
    return isinstance(note.content, SystemNamed | DataSheetFiled)
