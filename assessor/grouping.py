"""Which photos belong to one spot: photo files to captures, by folder, time and card serial.

A crew either keeps one folder per spot, or empties the phone into one. The folder always counts: photos of
different folders are never one capture. Inside a folder, in the order in which the photos were taken, a new
capture begins after a long pause or when another card is seen. A crew that lays the same card on the next
spot needs longer than the pause allowed; shots of one spot follow one another within seconds (common
practice). Photos without a time cannot show a pause: they stay beside their neighbour by file name, and a
folder of them stays whole. One video is a whole sweep of a spot: it joins the photos beside it, and a second one
begins a new capture.

Four to six photos are a spot from its sides, seven and more a spot under the torch, and both together up to two
dozen; so a number alone can't tell two spots from one. Above six, `look_at_cards` names the photos whose serial is
worth reading (three are read quickly, and all only where they differ). Both kinds of one spot may lie minutes apart,
since a torch has to be fetched: a folder that holds just two series, one of either size, is one capture.

Each group says in one sentence why it is one, since a wrong grouping is something only the person can see.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import PurePath

from assessor.values import Exif

_Key = tuple[tuple[tuple[bool, int, str], ...], str]


@dataclass(frozen=True, slots=True)
class GroupingSettings:
    """When a folder is cut into captures."""

    max_pause_s: float = 60.0  # between shots of one spot; laying the card anew takes longer
    max_photos: int = 24  # six from the sides, sixteen torches, one without; more is said, never cut blindly
    least_sides: int = 4  # the least that the sides ask for
    look_above: int = 6  # what the sides ask for; in a larger group the cards' serials are looked at
    both_kinds_pause_s: float = 600.0  # between the series of both kinds of one spot: fetch torch and helper
    odd_pause: float = 4.0  # times the usual pause: somebody may have moved the card, or fetched the torch
    odd_pause_s: float = 20.0  # and never less; shots of one series follow within 5-15 s (common practice)


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """What grouping knows of one file: its path, its Exif, the card serial read in it (None if unread).

    is_sweep: the file is a video. A video says no time we could set beside the photos' (it is kept in another zone).
    """

    path: str
    exif: Exif
    serial: int | None = None
    is_sweep: bool = False


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
    order = sorted(folders, key=natural)
    names = Names(folder_name(folder) for folder in order)
    groups = []
    for folder in order:
        base = folder_name(folder)
        parts = _parts(in_time(folders[folder].values()), settings)
        for n, part in enumerate(parts):
            why = _why(base, parts, n, settings)
            groups.append(Group(names.take(base), tuple(shot.path for shot in part.shots), why))
    return tuple(groups)


def look_at_cards(
    group: Group, serials: dict[str, int | None], sweeps: frozenset[str], settings: GroupingSettings
) -> tuple[str, ...]:
    """Paths of a group whose card serial should be read next, () where enough is known.

    serials: what was read so far (None where it could not be). First, middle and last of a large group; all of it
    where these differ or can't be read, or where it holds more than any capture has. Videos are left out.
    """
    stills = [path for path in group.paths if path not in sweeps]
    if len(stills) <= settings.look_above:
        return ()
    probes = (stills[0], stills[len(stills) // 2], stills[-1])
    told = {serials[path] for path in probes if path in serials}
    unlike = len(told) > 1 or None in told
    asked = stills if unlike or len(stills) > settings.max_photos else probes
    return tuple(path for path in dict.fromkeys(asked) if path not in serials)


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo in its place.

    when_s: seconds, borrowed from a neighbour where not `timed`; None where no photo of the folder has any.
    """

    path: str
    when_s: float | None
    timed: bool
    serial: int | None
    is_sweep: bool


@dataclass(frozen=True, slots=True)
class _Part:
    shots: tuple[Shot, ...]
    cut: str  # what made it begin, as words; empty for a folder's first part
    joined: str = ""  # why two series are one capture, as words


def natural(text: str) -> _Key:
    """Sort key that puts IMG_9 before IMG_10 and is unique per text."""
    pieces = re.split(r"([0-9]+)", text.casefold())
    return tuple((p.isdecimal(), int(p) if p.isdecimal() else 0, p) for p in pieces if p), text


def folder_name(folder: str) -> str:
    """Name of a folder for its captures."""
    name = PurePath(folder).name
    return name if name not in ("", ".", "..") else "photos"


def _seconds(exif: Exif) -> float | None:
    """Seconds since year 1 of the camera's local time; None where there is none that can be read."""
    try:
        taken = datetime.fromisoformat(exif.taken_at or "")
    except ValueError:
        return None
    return (taken.replace(tzinfo=None) - datetime.min).total_seconds()


def in_time(records: Iterable[PhotoRecord]) -> list[Shot]:
    """Order a folder's photos by time taken; one without a time borrows its neighbour's by file name."""
    by_name = sorted(records, key=lambda record: natural(record.path))
    times = [_seconds(record.exif) for record in by_name]
    last = next((t for t in times if t is not None), None)
    shots = []
    for record, time in zip(by_name, times, strict=True):
        last = last if time is None else time
        shots.append(Shot(record.path, last, time is not None, record.serial, record.is_sweep))
    return sorted(shots, key=lambda shot: (shot.when_s or 0.0, natural(shot.path)))


def _parts(shots: Sequence[Shot], settings: GroupingSettings) -> list[_Part]:
    """A folder's captures; two series that look like both kinds of one spot are one."""
    parts = list(_cut(shots, settings.max_pause_s))
    if len(parts) != 2 or len(shots) > settings.max_photos:
        return parts
    sides, torch = sorted((part.shots for part in parts), key=len)
    pause = (parts[1].shots[0].when_s or 0.0) - (parts[0].shots[-1].when_s or 0.0)
    serials = {shot.serial for shot in shots} - {None}
    sizes = len(sides) >= settings.least_sides and len(sides) <= settings.look_above < len(torch)
    if not sizes or not settings.max_pause_s < pause <= settings.both_kinds_pause_s or len(serials) > 1:
        return parts
    first, second = (len(part.shots) for part in parts)
    why = f"{first} and, after {say_duration(pause)}, {second}, as for both kinds of one spot"
    return [_Part(tuple(shots), "", f"{why}; if the card was moved between, put them into two folders")]


def _cut(shots: Sequence[Shot], max_pause_s: float) -> Iterator[_Part]:
    """Begin a new part after a long pause, and at a serial that is not the part's own or a second video."""
    start, cut, serial, swept = 0, "", None, False
    for n, shot in enumerate(shots):
        pause = (shot.when_s or 0.0) - (shots[max(n - 1, 0)].when_s or 0.0)
        reason = ""
        if pause > max_pause_s:
            reason = f"a pause of {say_duration(pause)}"
        elif serial is not None and shot.serial not in (None, serial):
            reason = f"a change of the card's serial from {serial} to {shot.serial}"
        elif swept and shot.is_sweep:
            reason = "one whole video"
        if reason:
            yield _Part(tuple(shots[start:n]), cut)
            start, cut, serial, swept = n, reason, None, False
        serial = serial if shot.serial is None else shot.serial
        swept = swept or shot.is_sweep
    yield _Part(tuple(shots[start:]), cut)


def say_duration(seconds: float) -> str:
    """Seconds as a person says them."""
    if seconds < 120:
        return f"{math.ceil(seconds)} s"  # up, so that it never reads like the limit
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def _why(base: str, parts: Sequence[_Part], n: int, settings: GroupingSettings) -> str:
    """One sentence on why these photos are one capture."""
    shots = parts[n].shots
    untimed = sum(not shot.timed for shot in shots)
    count = count_shots(shots)
    limit = f"{settings.max_pause_s:g} s"
    if len(parts) == 1:
        if len(shots) == 1:
            text = f"The only {'video' if shots[0].is_sweep else 'photo'} in folder {base}"
        elif parts[0].joined:
            text = f"All {count} in folder {base}: {parts[0].joined}"
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
    pause = _odd_pause(shots, settings)
    if len(shots) > settings.max_photos:
        text += f"; more than the {settings.max_photos} of one capture, so keep each spot in its own folder"
    elif pause is not None and not parts[n].joined:
        text += f"; one pause of {say_duration(pause)}: if the card was moved then, keep each spot in its own folder"
    return text + "."


def count_shots(shots: Sequence[Shot]) -> str:
    """How many photos and videos, as words."""
    n = {"photo": sum(not shot.is_sweep for shot in shots), "video": sum(shot.is_sweep for shot in shots)}
    return " and ".join(f"{many} {what}{'s' if many != 1 else ''}" for what, many in n.items() if many)


def _odd_pause(shots: Sequence[Shot], settings: GroupingSettings) -> float | None:
    """The longest pause of a large group where it stands out from the usual one, seconds; else None."""
    times = [shot.when_s for shot in shots if shot.timed and shot.when_s is not None]
    pauses = sorted(later - sooner for sooner, later in pairwise(times))
    if len(times) <= settings.look_above:
        return None
    limit = max(settings.odd_pause_s, settings.odd_pause * pauses[len(pauses) // 2])
    return pauses[-1] if pauses[-1] > limit else None


class Names:
    """Hands out names that are unique in the batch and never the plain name of another folder."""

    def __init__(self, folder_names: Iterable[str]) -> None:
        self._plain = {name.casefold() for name in folder_names}
        self._used: set[str] = set()

    def take(self, base: str) -> str:
        """The name, with -2, -3 ... where it is taken."""
        # Compared without case: on some disks "Spot" and "spot" are one folder of results.
        name, n = base, 1
        while name.casefold() in self._used or (n > 1 and name.casefold() in self._plain):
            n += 1
            name = f"{base}-{n}"
        self._used.add(name.casefold())
        return name
