"""Where the photos of a folder dump belong, by the tags in them: captures with their tag, and what could not be filed.

A tag says the spot, so photos are grouped by tag first: the same tag, the same card and no long gap are one capture.
The time alone is no help in a quick round, where the next spot follows within a minute. A photo whose tag cannot be
read joins where it lies between two of one tag; at the edge of two spots it could be of either, so it is left for a
person, with the likely spot named. Photos of different folders are never one capture, as in `grouping`.

Few photos have to be read: `look_for_tags` names those worth reading next, until what lies between two is certain.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import PurePath

from assessor.card.tag import Tag
from assessor.card.tag_read import TagOutcome
from assessor.grouping import Group, Names, PhotoRecord, Shot, count_shots, in_time, natural, say_duration

NOT_FILED = "not-filed"
# A photo in which these are seen contradicts its neighbours, wherever it lies.
CONTRARY = frozenset({"several", "other-job"})


@dataclass(frozen=True, slots=True)
class FilingSettings:
    """When photos of one tag are one capture, with reasons."""

    max_gap_s: float = 600.0  # the torch is fetched within ten minutes; later it is the same spot shot again
    trusted_span_s: float = (
        40.0  # nobody lays card and tag at another spot, shoots and lays them back in less
    )
    max_pause_s: float = 60.0  # between photos left out: those of one pause are shown together


@dataclass(frozen=True, slots=True)
class Filing:
    """Where the photos of one capture belong."""

    tag: Tag
    sentence: str


@dataclass(frozen=True, slots=True)
class NotFiled:
    """Why the photos of one capture cannot be filed by their tags, as a sentence."""

    reason: str


@dataclass(frozen=True, slots=True)
class TaggedGroup:
    """Photos of one capture with their tag, or photos that could not be filed (tag None) with the reason.

    card_serial: of the card in them, None where it was not read. joined: paths without a readable tag that lie
    between others. likely: where photos that were not filed probably belong, for a person to confirm.
    """

    group: Group
    tag: Tag | None
    card_serial: int | None = None
    reason: str = ""
    joined: tuple[str, ...] = ()
    likely: Tag | None = None


def file_of(outcomes: Sequence[TagOutcome]) -> Filing | NotFiled:
    """Where the photos of one capture belong that a crew kept in a folder of its own; outcomes: of those read."""
    contrary = [one for one in outcomes if one.said in CONTRARY]
    tags = Counter(one.tag for one in outcomes if one.said == "tag" and one.tag is not None)
    if contrary:
        return NotFiled(contrary[0].sentence)
    if len(tags) > 1:
        names = " and ".join(sorted(tag.name for tag in tags))
        return NotFiled(f"The photos show tags of {names}: put those of each spot into a folder of its own.")
    if not tags:
        return NotFiled(outcomes[0].sentence if outcomes else "No photo was looked at for a tag.")
    ((tag, count),) = tags.items()
    return Filing(tag, f"The tag in {count} of {len(outcomes)} photos says {tag.name}.")


def look_for_tags(
    records: Iterable[PhotoRecord],
    tags: Mapping[str, TagOutcome],
    settings: FilingSettings | None = None,
) -> tuple[str, ...]:
    """Paths whose tags should be read next, () where enough is known; tags: what was read so far, by path.

    First and last of a folder, then the middle one between two that differ or lie far apart in time. Videos are left
    out: whoever can read a frame of one may add it to `tags`.
    """
    settings = settings or FilingSettings()
    asked: list[str] = []
    for shots in _folders(records):
        stills = [shot for shot in shots if not shot.is_sweep]
        if not stills:
            continue
        asked += [s.path for s in dict.fromkeys((stills[0], stills[-1])) if s.path not in tags]
        read = [k for k, shot in enumerate(stills) if shot.path in tags]
        for a, b in pairwise(read):
            if b - a > 1 and not _certain(stills[a], stills[b], tags, settings):
                asked.append(stills[(a + b) // 2].path)
    return tuple(dict.fromkeys(asked))


def group_by_tags(
    records: Iterable[PhotoRecord],
    tags: Mapping[str, TagOutcome],
    settings: FilingSettings | None = None,
) -> tuple[TaggedGroup, ...]:
    """Photos to captures by their tags, each photo in exactly one group; those not filed come last of their folder.

    tags: what was read, by path; a path that is not in it was not looked at. Names are the tag's, with -2, -3 ... where
    a spot was shot again or in another folder.
    """
    settings = settings or FilingSettings()
    names = Names(())
    groups: list[TaggedGroup] = []
    for shots in _folders(records):
        filer = _Filer(tags, settings)
        for shot in shots:
            filer.take(shot)
        filer.end()
        groups += [_filed(run, names) for run in filer.runs]
        groups += [_left(part, names) for part in _parted(filer.left, settings)]
    return tuple(groups)


@dataclass(slots=True)
class _Run:
    """Photos of one tag as they come in."""

    tag: Tag
    shots: list[Shot]
    joined: list[Shot] = field(default_factory=list)
    serial: int | None = None


@dataclass(frozen=True, slots=True)
class _LeftOut:
    shot: Shot
    reason: str
    likely: Tag | None


class _Filer:
    """Takes a folder's photos in order of time; keeps those without a tag until the next tag decides."""

    def __init__(self, tags: Mapping[str, TagOutcome], settings: FilingSettings) -> None:
        self.runs: list[_Run] = []
        self.left: list[_LeftOut] = []
        self._tags, self._settings = tags, settings
        self._waiting: list[Shot] = []

    def take(self, shot: Shot) -> None:
        """One more photo."""
        outcome = self._tags.get(shot.path)
        if outcome is not None and outcome.said in CONTRARY:
            self.left.append(_LeftOut(shot, outcome.sentence, None))
        elif outcome is None or outcome.said != "tag" or outcome.tag is None:
            self._waiting.append(shot)
        elif (run := self._goes_on(outcome.tag, shot)) is not None:
            run.joined += self._waiting
            run.shots += [*self._waiting, shot]
            run.serial = shot.serial if run.serial is None else run.serial
            self._waiting = []
        else:
            self._leave(outcome.tag, shot)
            self.runs.append(_Run(outcome.tag, [shot], serial=shot.serial))

    def end(self) -> None:
        """No more photos."""
        self._leave(None, None)

    def _goes_on(self, tag: Tag, shot: Shot) -> _Run | None:
        """The run that this photo and those waiting belong to."""
        if not self.runs or self.runs[-1].tag != tag:
            return None
        run = self.runs[-1]
        serials = {s.serial for s in (*self._waiting, shot)} | {run.serial}
        gap = (shot.when_s or 0.0) - (run.shots[-1].when_s or 0.0)
        return run if gap <= self._settings.max_gap_s and len(serials - {None}) <= 1 else None

    def _leave(self, after: Tag | None, next_shot: Shot | None) -> None:
        """Those waiting lie between two spots, or at an end: say so, and name the nearer one in time."""
        before = self.runs[-1] if self.runs else None
        for shot in self._waiting:
            outcome = self._tags.get(shot.path)
            seen = "It was not looked at for a tag." if outcome is None else outcome.sentence
            since = _apart(before.shots[-1], shot) if before else None
            until = _apart(shot, next_shot) if next_shot else None
            near = before.tag if before else None
            if until is not None and (since is None or until < since):
                near = after
            times = [t for t in (since, until) if t is not None]
            likely = near if times and min(times) <= self._settings.max_pause_s else None
            hint = f" It was taken {say_duration(min(times))} from {likely.name}." if likely else ""
            self.left.append(_LeftOut(shot, seen + hint, likely))
        self._waiting = []


def _apart(first: Shot, second: Shot) -> float:
    return abs((second.when_s or 0.0) - (first.when_s or 0.0))


def _folders(records: Iterable[PhotoRecord]) -> list[list[Shot]]:
    """The photos of each folder in order of time; a path given twice counts once."""
    folders: dict[str, dict[str, PhotoRecord]] = {}
    for record in sorted(records, key=repr):
        folders.setdefault(str(PurePath(record.path).parent), {}).setdefault(record.path, record)
    return [in_time(folders[folder].values()) for folder in sorted(folders, key=natural)]


def _certain(a: Shot, b: Shot, tags: Mapping[str, TagOutcome], settings: FilingSettings) -> bool:
    """Whether what lies between two photos must be of their spot too."""
    one, other = tags[a.path], tags[b.path]
    if one.said != "tag" or other.said != "tag" or one.tag != other.tag or a.when_s is None:
        return False
    same_card = a.serial is None or b.serial is None or a.serial == b.serial
    return same_card and a.timed and b.timed and _apart(a, b) <= settings.trusted_span_s


def _filed(run: _Run, names: Names) -> TaggedGroup:
    card = "" if run.serial is None else f" on card {run.serial:05d}"
    why = f"{count_shots(run.shots)} with tag {run.tag.name}{card}"
    if run.joined:
        many = "1 lies" if len(run.joined) == 1 else f"{len(run.joined)} lie"
        why += f"; {many} between the others without a tag that was read"
    group = Group(names.take(run.tag.name), tuple(shot.path for shot in run.shots), why + ".")
    return TaggedGroup(group, run.tag, run.serial, joined=tuple(shot.path for shot in run.joined))


def _parted(left: Sequence[_LeftOut], settings: FilingSettings) -> list[list[_LeftOut]]:
    """Photos left out, together where one reason and no pause holds them."""
    parts: list[list[_LeftOut]] = []
    for one in sorted(left, key=lambda o: (o.shot.when_s or 0.0, natural(o.shot.path))):
        last = parts[-1][-1] if parts else None
        if last is not None and _alike(last, one) and _apart(last.shot, one.shot) <= settings.max_pause_s:
            parts[-1].append(one)
        else:
            parts.append([one])
    return parts


def _alike(one: _LeftOut, other: _LeftOut) -> bool:
    serials = {one.shot.serial, other.shot.serial} - {None}
    same = one.likely == other.likely if one.likely or other.likely else one.reason == other.reason
    return same and len(serials) <= 1


def _left(part: Sequence[_LeftOut], names: Names) -> TaggedGroup:
    shots = [one.shot for one in part]
    reason, likely = part[0].reason, part[0].likely
    serials = {shot.serial for shot in shots} - {None}
    why = f"{count_shots(shots)} not filed. {reason}"
    group = Group(names.take(NOT_FILED), tuple(shot.path for shot in shots), why)
    return TaggedGroup(group, None, serials.pop() if len(serials) == 1 else None, reason, likely=likely)
