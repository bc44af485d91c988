"""The entries of one job, sorted as they come: what was last said of each thing, and since when it counts.

`JobBook` is the one reading of the record that gates, acceptance, lists and pages share. It takes entries one after
another and forgets nothing; every question it answers is about "now", after the last entry taken. It judges nothing:
what a spot is worth stands in `spots`, whether a zone is accepted in `acceptance`, what may be entered in `gates`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from assessor.job.chain import Entry, Stamp
from assessor.job.entries import (
    Assessed,
    CaptureFiled,
    ChipRead,
    Content,
    ContradictionClosed,
    DataSheetFiled,
    HazardChecked,
    JobOpened,
    MockUpApproved,
    OverviewFiled,
    OverviewRefiled,
    PatchResolved,
    PlanDrawn,
    PrintMeasured,
    Refiled,
    ReworkDone,
    ScaleAccepted,
    ScaleProposed,
    SpotRedrawn,
    SpreadDrawn,
    SuggestionShown,
    SurfacePrepared,
    SystemNamed,
    Waived,
    ZoneLaidOut,
    files_of,
)
from assessor.job.parts import DrawnSpot, PatchSeen, Phase


@dataclass(frozen=True, slots=True)
class Noted:
    """An entry as the book needs it: number within the job, content, stamp."""

    number: int
    content: Content
    stamp: Stamp


LAST_ROUND = 9  # one digit on the tags


def person(who: str) -> str:
    """One person under however many ways to type a name: case and spaces make no second reader."""
    return " ".join(who.split()).casefold()


@dataclass(frozen=True, slots=True)
class FiledCapture:
    """A capture where it is filed now; filed: number of its first entry; moved: of the last that re-filed it, or 0.

    assessed and assessed_number: the newest assessment, or None and 0; told: every one with its number, in order.
    """

    capture: str
    zone: int
    spot: int
    phase: Phase
    round: int
    content: CaptureFiled
    filed: int
    moved: int = 0
    assessed: Assessed | None = None
    assessed_number: int = 0
    told: tuple[tuple[int, Assessed], ...] = ()

    @property
    def is_rendered(self) -> bool:
        """Whether its assessment rests on photos made by a computer, all or some."""
        return self.assessed is not None and self.assessed.origin in {"rendered", "mixed"}

    @property
    def placed(self) -> int:
        """Number of the entry that put it where it is."""
        return max(self.filed, self.moved)


@dataclass(frozen=True, slots=True)
class PlacedSpot:
    """A spot of a plan with its lot."""

    drawn: DrawnSpot
    lot: int
    number: int


@dataclass
class ZoneBook:
    """What was entered of one zone, in order; see JobBook."""

    laid_out: ZoneLaidOut
    notes: list[Noted] = field(default_factory=list)
    spots: dict[int, PlacedSpot] = field(default_factory=dict)

    def of(self, kind: type[Content]) -> Iterator[Noted]:
        """The zone's entries of one kind, in order."""
        return (note for note in self.notes if isinstance(note.content, kind))


class JobBook:
    """One job's record, read."""

    def __init__(self, entries: Iterable[Entry] = ()) -> None:
        self.opened: JobOpened | None = None
        self.last: Noted | None = None
        self.notes: list[Noted] = []
        self.notes_of_job: list[Noted] = []
        self.zones: dict[int, ZoneBook] = {}
        self.captures: dict[str, FiledCapture] = {}
        self.overviews: dict[str, Noted] = {}
        self.hazards: dict[str, Noted] = {}
        self.system: SystemNamed | None = None
        self.data_sheet: Noted | None = None
        self.resolved: dict[tuple[str, int], int] = {}
        self.shown: dict[str, list[tuple[int, int, frozenset[str], int]]] = {}
        self.readings: dict[tuple[int, int], list[Noted]] = {}
        self.closings: dict[tuple[int, int], list[Noted]] = {}
        self.reworked: dict[int, list[Noted]] = {}
        self.prints: dict[int, tuple[float, float]] = {}
        self.proposals: dict[str, Noted] = {}
        self.scales: list[Noted] = []
        self.files: set[str] = set()
        self.by_photos: dict[frozenset[str], str] = {}
        self.at_spot: dict[tuple[int, int], set[str]] = {}
        for entry in entries:
            self.take(Noted(entry.number, entry.content, entry.stamp))

    def take(self, note: Noted) -> None:
        """Sort one more entry in."""
        self.last = note
        self.notes.append(note)
        content = note.content
        self.files.update(file.sha256 for file in files_of(content))
        if isinstance(content, ZoneLaidOut):
            known = self.zones.get(content.zone)
            if known is None:
                self.zones[content.zone] = ZoneBook(content)
            else:
                known.laid_out = content
        zone = getattr(content, "zone", None)
        if zone in self.zones:
            self.zones[zone].notes.append(note)
        elif isinstance(content, HazardChecked | SystemNamed | DataSheetFiled):
            self.notes_of_job.append(note)
        if isinstance(content, JobOpened):
            self.opened = content
        elif isinstance(content, HazardChecked):
            self.hazards[content.hazard] = note
        elif isinstance(content, SystemNamed):
            self.system = content
        elif isinstance(content, DataSheetFiled):
            self.data_sheet = note
        elif isinstance(
            content, CaptureFiled | Refiled | Assessed | OverviewFiled | OverviewRefiled | PatchResolved
        ):
            self._take_capture(note, content)
        elif isinstance(content, PlanDrawn | SpreadDrawn):
            for spot in content.spots:
                self.zones[content.zone].spots[spot.spot] = PlacedSpot(spot, content.lot, note.number)
        elif isinstance(content, SpotRedrawn):
            self.zones[content.zone].spots[content.place.spot] = PlacedSpot(
                content.place, content.lot, note.number
            )
        elif isinstance(content, SuggestionShown):
            there = frozenset(self.at_spot.get((content.zone, content.spot), ()))
            seen = self.shown.setdefault(person(note.stamp.who), [])
            seen.append((content.zone, content.spot, there, note.number))
        elif isinstance(content, ChipRead):
            self.readings.setdefault((content.zone, content.spot), []).append(note)
        elif isinstance(content, ContradictionClosed):
            self.closings.setdefault((content.zone, content.spot), []).append(note)
        elif isinstance(content, ReworkDone):
            self.reworked.setdefault(content.zone, []).append(note)
        elif isinstance(content, PrintMeasured):
            self.prints[content.serial] = content.along_mm, content.across_mm
        elif isinstance(content, ScaleProposed):
            self.proposals[content.scale.sha256] = note
        elif isinstance(content, ScaleAccepted):
            self.scales.append(note)

    def _take_capture(
        self,
        note: Noted,
        content: CaptureFiled | Refiled | Assessed | OverviewFiled | OverviewRefiled | PatchResolved,
    ) -> None:
        name = content.capture
        if isinstance(content, CaptureFiled):
            self.captures[name] = FiledCapture(
                name, content.zone, content.spot, content.phase, content.round, content, note.number
            )
            self.at_spot.setdefault((content.zone, content.spot), set()).add(name)
            self.by_photos.setdefault(frozenset(photo.sha256 for photo in content.photos), name)
        elif isinstance(content, Refiled):
            old = self.captures[name]
            self.captures[name] = replace(
                old, zone=content.zone, spot=content.spot, phase=content.phase, round=content.round,
                moved=note.number,
            )  # fmt: skip
            self.at_spot[old.zone, old.spot].discard(name)
            self.at_spot.setdefault((content.zone, content.spot), set()).add(name)
            if old.zone != content.zone:
                self.zones[old.zone].notes.append(note)
        elif isinstance(content, Assessed):
            capture = self.captures[name]
            self.captures[name] = replace(
                capture, assessed=content, assessed_number=note.number,
                told=(*capture.told, (note.number, content)),
            )  # fmt: skip
            self.zones[capture.zone].notes.append(note)
        elif isinstance(content, OverviewFiled):
            self.overviews[name] = note
        elif isinstance(content, OverviewRefiled):
            # It keeps its number: what was done to the floor since it was filed still came after it.
            before = self.overviews[name]
            assert isinstance(before.content, OverviewFiled)
            moved = replace(before, content=before.content.model_copy(update={"zone": content.zone}))
            self.overviews[name] = moved
            self.zones[before.content.zone].notes.remove(before)
            self.zones[content.zone].notes.append(moved)
            if before.content.zone != content.zone:
                self.zones[before.content.zone].notes.append(note)
        else:
            self.resolved[name, content.patch] = note.number

    def prepared(self, zone: int) -> tuple[Noted, ...]:
        """The work entered for a zone, in order."""
        return tuple(self.zones[zone].of(SurfacePrepared))

    def lots(self, zone: int) -> tuple[int, ...]:
        """The lots of a zone that were prepared, in order."""
        found = [
            note.content.lot for note in self.prepared(zone) if isinstance(note.content, SurfacePrepared)
        ]
        return tuple(dict.fromkeys(found))

    def planned(self, zone: int, lot: int) -> bool:
        """Whether the lot has its plan."""
        return any(
            isinstance(note.content, PlanDrawn) and note.content.lot == lot for note in self.zones[zone].notes
        )

    def reworks(self, zone: int, spot: int) -> tuple[Noted, ...]:
        """The rework done on a spot, or on the whole zone with it."""
        return tuple(
            note
            for note in self.reworked.get(zone, ())
            if isinstance(note.content, ReworkDone) and (not note.content.spots or spot in note.content.spots)
        )

    def round_of(self, zone: int, spot: int) -> int:
        """The round in which a spot is now: 1, and one more after every rework; tags end at 9."""
        return min(1 + len(self.reworks(zone, spot)), LAST_ROUND)

    def since(self, zone: int, spot: int) -> int:
        """Number of the last rework of a spot: only what comes after it counts; 0 where there was none."""
        reworks = self.reworks(zone, spot)
        return reworks[-1].number if reworks else 0

    def captures_at(self, zone: int, spot: int) -> tuple[FiledCapture, ...]:
        """The captures filed at a spot now, all rounds and phases, by the order of their filing."""
        found = [self.captures[name] for name in self.at_spot.get((zone, spot), ())]
        return tuple(sorted(found, key=lambda capture: capture.filed))

    def shots(self, zone: int, spot: int) -> tuple[FiledCapture, ...]:
        """The captures of a drawn spot as it is now: after preparation, since its last rework.

        What was filed under a spot's number before that spot was drawn is a slip of a tag and counts for nothing.
        """
        drawn, now = self.zones[zone].spots.get(spot), self.round_of(zone, spot)
        # The last round's tags tell nothing of the reworks in it.
        since = self.since(zone, spot) if now == LAST_ROUND else 0
        return tuple(
            capture
            for capture in self.captures_at(zone, spot)
            if capture.phase == "after" and capture.round >= now
            and drawn is not None and capture.placed > max(drawn.number, since)
        )  # fmt: skip

    def captures_in(self, zone: int) -> tuple[FiledCapture, ...]:
        """The captures filed in a zone now."""
        found = [capture for capture in self.captures.values() if capture.zone == zone]
        return tuple(sorted(found, key=lambda capture: capture.filed))

    def has_seen(self, who: str, zone: int, spot: int, *, before: int | None = None) -> bool:
        """Whether a person has seen a suggestion that bears on a spot's present round (up to entry `before`)."""
        since, here = self.since(zone, spot), self.at_spot.get((zone, spot), set())
        now = self.round_of(zone, spot)
        current = {name for name in here if self.captures[name].round >= now}
        return any(
            (before is None or number < before)
            and (((there, at) == (zone, spot) and number > since) or bool(seen & current))
            for there, at, seen, number in self.shown.get(person(who), ())
        )  # fmt: skip

    def approved(self, zone: int) -> frozenset[str]:
        """Which sides have approved a mock-up since it was last worked on."""
        worked = [*self.prepared(zone), *self.reworked.get(zone, ())]
        since = max((note.number for note in worked), default=0)
        return frozenset(
            note.content.side
            for note in self.zones[zone].of(MockUpApproved)
            if isinstance(note.content, MockUpApproved) and note.number > since
        )

    def waived(self, zone: int, what: str) -> bool:
        """Whether a condition was waived for a zone."""
        return bool(self.waivers(zone, what))

    def waivers(self, zone: int, what: str) -> tuple[Noted, ...]:
        """The entries that waived a condition for a zone, in order."""
        return tuple(
            note
            for note in self.zones[zone].of(Waived)
            if isinstance(note.content, Waived) and note.content.what == what
        )

    def open_patches(self, zone: int) -> tuple[tuple[str, PatchSeen], ...]:
        """Patches of the zone's captures (after preparation) and overviews that nobody has resolved since."""
        found = [
            (capture.capture, patch)
            for capture in self.captures_in(zone)
            if capture.phase == "after" and capture.assessed is not None
            for patch in capture.assessed.patches
            if self.resolved.get((capture.capture, patch.patch), 0) < capture.assessed_number
        ]
        for note in self.zones[zone].of(OverviewFiled):
            if isinstance(note.content, OverviewFiled):
                found += [
                    (note.content.capture, patch)
                    for patch in note.content.patches
                    if self.resolved.get((note.content.capture, patch.patch), 0) < note.number
                ]
        return tuple(found)
