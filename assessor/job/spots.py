"""What a spot is worth now: the readings that count, what the tool says beside them, and where they contradict.

Only a blind reading at the floor counts: entered by a person who had seen no suggestion for the spot, since its last
rework. A contradiction is a reading on another side of a limit of the range than the tool or another reader, or more
than one grade away. It asks for a second reader and a closing entry; until then the spot is open, whatever is read or
assessed later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from assessor.job.book import FiledCapture, JobBook, Noted, person
from assessor.job.entries import Assessed, ChipRead, ContradictionClosed
from assessor.job.parts import Closing
from assessor.job.statistics import Side, place_of
from assessor.values import TargetRange

Status = Literal["unread", "contradicted", "short", "in", "over"]
MEASURED = frozenset({"angles", "torch", "fused"})
MAJORITY = 2  # readers who agree, for a second reader to close a contradiction
FAR = 1.0  # grades: neighbours are within a reader's own doubt, more is a contradiction


@dataclass(frozen=True, slots=True)
class ToolSays:
    """The suggestion that stands beside the readings of a spot: side of the range, None where it can't tell."""

    capture: str
    side: Side | None
    best: int | None
    number: int
    sentence: str


@dataclass(frozen=True, slots=True)
class SpotState:
    """A spot now. stands: the grades that count (low, high); contradiction: what does not agree, in words."""

    zone: int
    spot: int
    round: int
    status: Status
    stands: tuple[int, int] | None
    readers: tuple[str, ...]
    tool: ToolSays | None
    contradiction: str | None
    closed_by: str | None
    failed_in_round: tuple[int, ...]


def blind(book: JobBook, zone: int, spot: int) -> tuple[Noted, ...]:
    """The blind readings of a spot since its last rework, in order: nothing that a reader once saw is taken back."""
    since = book.since(zone, spot)
    return tuple(
        note
        for note in book.readings.get((zone, spot), ())
        if note.number > since and not book.has_seen(note.stamp.who, zone, spot, before=note.number)
    )


def counted(book: JobBook, zone: int, spot: int) -> tuple[Noted, ...]:
    """The blind readings of a spot since its last rework, each reader's last one, in order."""
    last = {person(note.stamp.who): note for note in blind(book, zone, spot)}
    return tuple(sorted(last.values(), key=lambda note: note.number))


def tool_says(book: JobBook, zone: int, spot: int) -> ToolSays | None:
    """What the tool suggests of the spot's present round: its last measurement, else its last estimate."""
    return _says(book.shots(zone, spot), None)


def _says(shots: Sequence[FiledCapture], upto: int | None) -> ToolSays | None:
    """The same of these captures; upto: as it was after that entry, None: now."""
    found = [
        (told.capture_kind in MEASURED, max(number, shot.placed), number, told)
        for shot in shots
        for number, told in [_told(shot, upto)]
        if told is not None and told.status == "assessed"
    ]
    if not found:
        return None
    _, placed, _, told = max(found, key=lambda each: each[:3])
    side: Side | None = None
    if told.call == "chip":
        side = "in"
    elif told.call == "rework":
        side = "short" if (told.p_short or 0.0) >= (told.p_over or 0.0) else "over"
    return ToolSays(told.capture, side, told.best, placed, told.sentence)


def _told(shot: FiledCapture, upto: int | None) -> tuple[int, Assessed | None]:
    """The last assessment of a capture at a moment, when it lay where it lies now."""
    if upto is None:
        return shot.assessed_number, shot.assessed
    if shot.placed > upto:
        return 0, None
    return next(((number, told) for number, told in reversed(shot.told) if number <= upto), (0, None))


def spot_state(book: JobBook, zone: int, spot: int, target: TargetRange) -> SpotState:
    """Judge one spot against the zone's range."""
    readings = counted(book, zone, spot)
    dispute = settle(book, zone, spot, target)
    status: Status
    if not readings or dispute.stands is None:
        status = "unread"
    elif dispute.words:
        status = "contradicted"
    else:
        status = place_of(*dispute.stands, target)
    return SpotState(
        zone=zone,
        spot=spot,
        round=book.round_of(zone, spot),
        status=status,
        stands=dispute.stands,
        readers=tuple(note.stamp.who for note in readings),
        tool=tool_says(book, zone, spot),
        contradiction="; ".join(dispute.words) or None,
        closed_by=dispute.closed_by if not dispute.words else None,
        failed_in_round=_failed_rounds(book, zone, spot, target),
    )


@dataclass
class Dispute:
    """What a spot's readings and the tool came to: what stands, what does not agree yet, and how the last one ended."""

    stands: tuple[int, int] | None = None
    words: list[str] = field(default_factory=list)
    closed_by: Closing | None = None


def settle(book: JobBook, zone: int, spot: int, target: TargetRange) -> Dispute:
    """Go through a spot's round as it happened: a contradiction, once there, ends only by a closing entry.

    Neither a later reading of the same person nor another assessment takes it away. A closing entry settles all that
    came before it; what comes later is held against what stands. The same opinion of the tool on the same capture,
    told again by a later version, is nothing new.
    """
    found, live = Dispute(), _Live()
    now: _Opinion | None = None
    overruled: set[_Opinion] = set()
    readings = {note.number: note for note in blind(book, zone, spot)}
    closings = {note.number: note.content for note in book.closings.get((zone, spot), ())}
    shots = book.shots(zone, spot)
    told = {max(number, shot.placed) for shot in shots for number, _ in shot.told}
    for number in sorted({*readings, *closings, *told}):
        closing = closings.get(number)
        if isinstance(closing, ContradictionClosed):
            before = [note for note in readings.values() if note.number < number]
            if found.words and closing_lacks(closing, before, target) is None:
                found = Dispute((closing.stands_low, closing.stands_high), [], closing.by)
                overruled |= live.opinions
                live = _Live(settled=found.stands)
        elif number in readings:
            found.words += live.against_reading(readings[number], target)
            found.stands = _grades(readings[number])
        tool = _says(shots, number)
        opinion = (tool.capture, tool.side, tool.best) if tool is not None else None
        if opinion in overruled:
            live.tool = None
        elif opinion != now:
            live.tool = tool
            found.words += [line for line in live.against_tool(target) if line not in found.words]
        now = opinion
    return found


_Opinion = tuple[str, Side | None, int | None]


@dataclass
class _Live:
    """What a new reading or suggestion is held against: what was settled, and all that came since."""

    settled: tuple[int, int] | None = None
    readings: list[Noted] = field(default_factory=list)
    tool: ToolSays | None = None
    opinions: set[_Opinion] = field(default_factory=set)

    def against_reading(self, note: Noted, target: TargetRange) -> list[str]:
        """Take a reading in; what it doesn't agree with."""
        mine, said = _grades(note), f"{note.stamp.who} read {grades_words(*_grades(note))}"
        words = [
            f"{other.stamp.who} read {grades_words(*_grades(other))}, {said}"
            for other in self.readings
            if _apart(mine, _grades(other), target)
        ]
        if self.settled is not None and _apart(mine, self.settled, target):
            words.append(f"{grades_words(*self.settled)} stood, {said}")
        if self.tool is not None and _tool_apart(self.tool, mine, target):
            words.append(f"{said}, {_tool_words(self.tool)}")
        self.readings.append(note)
        return words

    def against_tool(self, target: TargetRange) -> list[str]:
        """What the suggestion that came in doesn't agree with."""
        if self.tool is None:
            return []
        self.opinions.add((self.tool.capture, self.tool.side, self.tool.best))
        words = [
            f"{note.stamp.who} read {grades_words(*_grades(note))}, {_tool_words(self.tool)}"
            for note in self.readings
            if _tool_apart(self.tool, _grades(note), target)
        ]
        if self.settled is not None and _tool_apart(self.tool, self.settled, target):
            words.append(f"{grades_words(*self.settled)} stood, {_tool_words(self.tool)}")
        return words


def closing_lacks(closing: ContradictionClosed, readings: Sequence[Noted], target: TargetRange) -> str | None:
    """What a closing entry lacks, in words, given the blind readings before it; None where it holds.

    A second reader closes only where two persons agree on what stands; a replica or a pull-off brings a spot into the
    range only beside a reading made at the floor. A surface that they show outside it needs no reader.
    """
    last = {person(note.stamp.who): _grades(note) for note in readings}
    stands = closing.stands_low, closing.stands_high
    agree = sum(not _apart(read, stands, target) for read in last.values())
    if closing.by == "second-reader" and agree < MAJORITY:
        said = "reader agrees" if agree == 1 else "readers agree"
        return f"a second reader closes it only where two agree; {agree} {said} with {grades_words(*stands)}"
    if not agree and place_of(*stands, target) == "in":
        return f"nobody read {grades_words(*stands)} at the floor: have it read there, then close it"
    return None


def _grades(note: Noted) -> tuple[int, int]:
    assert isinstance(note.content, ChipRead)
    return note.content.chip_low, note.content.chip_high


def _apart(one: tuple[int, int], other: tuple[int, int], target: TargetRange) -> bool:
    """On different sides of a limit, or more than one grade from each other."""
    return place_of(*one, target) != place_of(*other, target) or abs(sum(one) - sum(other)) / 2 > FAR


def _tool_apart(tool: ToolSays, read: tuple[int, int], target: TargetRange) -> bool:
    apart = tool.side is not None and tool.side != place_of(*read, target)
    return apart or (tool.best is not None and abs(tool.best - sum(read) / 2) > FAR)


def _tool_words(tool: ToolSays) -> str:
    sides = {"short": "too smooth", "over": "too rough", "in": "in range", None: "it can't tell the side"}
    best = f"CSP {tool.best}, " if tool.best is not None else ""
    return f"the tool suggests {best}{sides[tool.side]}"


def grades_words(low: int, high: int) -> str:
    """ "chip 3" or "between 3 and 4"."""
    return f"chip {low}" if low == high else f"between {low} and {high}"


def _failed_rounds(book: JobBook, zone: int, spot: int, target: TargetRange) -> tuple[int, ...]:
    """The rounds in which a reading lay outside the range and no closing entry overruled it."""
    reworks = [note.number for note in book.reworks(zone, spot)]
    outside: dict[int, bool] = {}
    for note in sorted(
        (*book.readings.get((zone, spot), ()), *book.closings.get((zone, spot), ())),
        key=lambda note: note.number,
    ):
        round_then = 1 + sum(number < note.number for number in reworks)
        told = note.content
        if isinstance(told, ChipRead):
            missed = place_of(told.chip_low, told.chip_high, target) != "in"
            outside[round_then] = outside.get(round_then, False) or missed
        elif isinstance(told, ContradictionClosed):
            outside[round_then] = place_of(told.stands_low, told.stands_high, target) != "in"
    return tuple(sorted(number for number, missed in outside.items() if missed))
