"""Which photos belong to one spot: photo files to captures, by folder, time and card serial.

A crew either keeps one folder per spot, or empties the phone into one. The folder always counts: photos of
different folders are never one capture. Inside a folder, in the order in which the photos were taken, a new
capture begins after a long pause or when another card is seen. A crew that lays the same card on the next
spot needs longer than the pause allowed; shots of one spot follow one another within seconds (common
practice). Photos without a time cannot show a pause: they stay beside their neighbour by file name, and a
folder of them stays whole.

Each group says in one sentence why it is one, since a wrong grouping is something only the person can see.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath

from assessor.values import Exif

_Key = tuple[tuple[tuple[bool, int, str], ...], str]


@dataclass(frozen=True, slots=True)
class GroupingSettings:
    """When a folder is cut into captures."""

    max_pause_s: float = 60.0  # between shots of one spot; laying the card anew takes longer
    max_photos: int = 6  # what a capture asks for; more in one group is said, never cut blindly


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """What grouping knows of one photo: its path, its Exif, the card serial read in it (None if unread)."""

    path: str
    exif: Exif
    serial: int | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """The photos of one capture: a name unique in the batch, paths in order of time, why they are one."""

    name: str
    paths: tuple[str, ...]
    why: str


def group_photos(
    records: Iterable[PhotoRecord], settings: GroupingSettings | None = None
) -> tuple[Group, ...]:
    """Group photos into captures, each photo in exactly one.

    The result depends on the set of photos only, not on their order; a path given twice counts once. Groups
    come sorted by folder, then by time. The name is the folder's, with -2, -3 ... where a folder is cut or
    two folders are called the same.
    """
    settings = settings or GroupingSettings()
    folders: dict[str, dict[str, PhotoRecord]] = {}
    for record in sorted(records, key=repr):
        folders.setdefault(str(PurePath(record.path).parent), {}).setdefault(record.path, record)
    order = sorted(folders, key=_natural)
    names = _Names(_folder_name(folder) for folder in order)
    groups = []
    for folder in order:
        base = _folder_name(folder)
        parts = list(_cut(_in_time(folders[folder].values()), settings.max_pause_s))
        for n, part in enumerate(parts):
            why = _why(base, parts, n, settings)
            groups.append(Group(names.take(base), tuple(shot.path for shot in part.shots), why))
    return tuple(groups)


@dataclass(frozen=True, slots=True)
class _Shot:
    """One photo in its place.

    when_s: seconds, borrowed from a neighbour where not `timed`; None where no photo of the folder has any.
    """

    path: str
    when_s: float | None
    timed: bool
    serial: int | None


@dataclass(frozen=True, slots=True)
class _Part:
    shots: tuple[_Shot, ...]
    cut: str  # what made it begin, as words; empty for a folder's first part


def _natural(text: str) -> _Key:
    """Sort key that puts IMG_9 before IMG_10 and is unique per text."""
    pieces = re.split(r"([0-9]+)", text.casefold())
    return tuple((p.isdecimal(), int(p) if p.isdecimal() else 0, p) for p in pieces if p), text


def _folder_name(folder: str) -> str:
    name = PurePath(folder).name
    return name if name not in ("", ".", "..") else "photos"


def _seconds(exif: Exif) -> float | None:
    """Seconds since year 1 of the camera's local time; None where there is none that can be read."""
    try:
        taken = datetime.fromisoformat(exif.taken_at or "")
    except ValueError:
        return None
    return (taken.replace(tzinfo=None) - datetime.min).total_seconds()


def _in_time(records: Iterable[PhotoRecord]) -> list[_Shot]:
    """Order a folder's photos by time taken; one without a time borrows its neighbour's by file name."""
    by_name = sorted(records, key=lambda record: _natural(record.path))
    times = [_seconds(record.exif) for record in by_name]
    last = next((t for t in times if t is not None), None)
    shots = []
    for record, time in zip(by_name, times, strict=True):
        last = last if time is None else time
        shots.append(_Shot(record.path, last, time is not None, record.serial))
    return sorted(shots, key=lambda shot: (shot.when_s or 0.0, _natural(shot.path)))


def _cut(shots: Sequence[_Shot], max_pause_s: float) -> Iterator[_Part]:
    """Begin a new part after a long pause and where a serial is seen that is not the part's own."""
    start, cut, serial = 0, "", None
    for n, shot in enumerate(shots):
        pause = (shot.when_s or 0.0) - (shots[max(n - 1, 0)].when_s or 0.0)
        reason = ""
        if pause > max_pause_s:
            reason = f"a pause of {_duration(pause)}"
        elif serial is not None and shot.serial not in (None, serial):
            reason = f"a change of the card's serial from {serial} to {shot.serial}"
        if reason:
            yield _Part(tuple(shots[start:n]), cut)
            start, cut, serial = n, reason, None
        serial = serial if shot.serial is None else shot.serial
    yield _Part(tuple(shots[start:]), cut)


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{math.ceil(seconds)} s"  # up, so that it never reads like the limit
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def _why(base: str, parts: Sequence[_Part], n: int, settings: GroupingSettings) -> str:
    """One sentence on why these photos are one capture."""
    shots = parts[n].shots
    untimed = sum(not shot.timed for shot in shots)
    count = f"{len(shots)} photo{'s' if len(shots) != 1 else ''}"
    limit = f"{settings.max_pause_s:g} s"
    if len(parts) == 1:
        if len(shots) == 1:
            text = f"The only photo in folder {base}"
        elif untimed == len(shots):
            text = f"All {count} in folder {base}, in file-name order since none says when it was taken"
        else:
            text = f"All {count} in folder {base}, taken without a pause over {limit}"
    else:
        text = f"{count}, part {n + 1} of {len(parts)} of folder {base}"
        begins, ends = parts[n].cut, parts[n + 1].cut if n + 1 < len(parts) else ""
        text += f", begins after {begins}" if begins else ""
        text += f", ends at {ends}" if ends and not begins else ""
        text += f" (limit {limit})" if (begins or ends).startswith("a pause") else ""
    if untimed and (untimed < len(shots) or len(parts) > 1) and len(shots) > 1:
        text += f"; {untimed} without a time placed by file name"
    if len(shots) > settings.max_photos:
        text += f"; more than the {settings.max_photos} of one capture, so keep each spot in its own folder"
    return text + "."


class _Names:
    """Hands out names that are unique in the batch and never the plain name of another folder."""

    def __init__(self, folder_names: Iterable[str]) -> None:
        self._plain = {name.casefold() for name in folder_names}
        self._used: set[str] = set()

    def take(self, base: str) -> str:
        # Compared without case: on some disks "Spot" and "spot" are one folder of results.
        name, n = base, 1
        while name.casefold() in self._used or (n > 1 and name.casefold() in self._plain):
            n += 1
            name = f"{base}-{n}"
        self._used.add(name.casefold())
        return name
