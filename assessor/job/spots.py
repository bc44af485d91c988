"""What a spot is worth now: the readings that count, what the tool says beside them, and where they contradict.

Only a blind reading at the floor counts: entered by a person who had seen no suggestion for the spot, since its last
rework. A contradiction is a reading on another side of a limit of the range than the tool or another reader, or more
than one grade away. It asks for a second reader and a closing entry; until then the spot is open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from assessor.job.book import FiledCapture, JobBook, Noted
from assessor.job.entries import ChipRead, ContradictionClosed
from assessor.values import TargetRange

Where = Literal["short", "in", "over"]
Status = Literal["unread", "contradicted", "short", "in", "over"]
MEASURED = frozenset({"angles", "torch", "fused"})
FAR = 1.0  # grades: neighbours are within a reader's own doubt, more is a contradiction


@dataclass(frozen=True, slots=True)
class ToolSays:
    """The suggestion that stands beside the readings of a spot: side of the range, None where it can't tell."""

    capture: str
    side: Where | None
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


def side_of(low: int, high: int, target: TargetRange) -> Where:
    """Where a reading lies: "between 3 and 4" is short of a range that begins at 4, and over one that ends at 3."""
    if low < target.low:
        return "short"
    return "over" if high > target.high else "in"


def counted(book: JobBook, zone: int, spot: int) -> tuple[Noted, ...]:
    """The blind readings of a spot since its last rework, each reader's last one, in order."""
    since = book.since(zone, spot)
    last: dict[str, Noted] = {}
    for note in book.readings.get((zone, spot), ()):
        if note.number > since and not book.has_seen(note.stamp.who, zone, spot, before=note.number):
            last[note.stamp.who] = note
    return tuple(sorted(last.values(), key=lambda note: note.number))


def tool_says(book: JobBook, zone: int, spot: int) -> ToolSays | None:
    """What the tool suggests of the spot's present round: its last measurement, else its last estimate."""
    now = book.round_of(zone, spot)
    found = [
        capture for capture in book.captures_at(zone, spot)
        if capture.phase == "after" and capture.round >= now and capture.assessed is not None
        and capture.assessed.status == "assessed"
    ]  # fmt: skip
    if not found:
        return None
    best = max(found, key=_worth)
    assert best.assessed is not None
    told = best.assessed
    side: Where | None = None
    if told.call == "chip":
        side = "in"
    elif told.call == "rework":
        side = "short" if (told.p_short or 0.0) >= (told.p_over or 0.0) else "over"
    return ToolSays(best.capture, side, told.best, best.assessed_number, told.sentence)


def _worth(capture: FiledCapture) -> tuple[bool, int]:
    assert capture.assessed is not None
    return capture.assessed.capture_kind in MEASURED, capture.assessed_number


def spot_state(book: JobBook, zone: int, spot: int, target: TargetRange) -> SpotState:
    """Judge one spot against the zone's range."""
    readings, tool = counted(book, zone, spot), tool_says(book, zone, spot)
    contradiction, number = find_contradiction(readings, tool, target)
    closing = _closing(book, zone, spot, number) if contradiction else None
    stands: tuple[int, int] | None = None
    if closing is not None:
        stands = closing.stands_low, closing.stands_high
    elif readings:
        stands = _last_reading(readings)
    status: Status
    if not readings:
        status = "unread"
    elif contradiction and closing is None:
        status = "contradicted"
    else:
        assert stands is not None
        status = side_of(*stands, target)
    return SpotState(
        zone=zone,
        spot=spot,
        round=book.round_of(zone, spot),
        status=status,
        stands=stands,
        readers=tuple(note.stamp.who for note in readings),
        tool=tool,
        contradiction=contradiction if closing is None else None,
        closed_by=closing.by if closing else None,
        failed_in_round=_failed_rounds(book, zone, spot, target),
    )


def find_contradiction(
    readings: tuple[Noted, ...], tool: ToolSays | None, target: TargetRange
) -> tuple[str | None, int]:
    """What does not agree, in words, and the number of the last entry that takes part; (None, 0) where all agrees."""
    told = [(note, note.content) for note in readings if isinstance(note.content, ChipRead)]
    words: list[str] = []
    number = 0
    for note, read in told:
        side, middle = side_of(read.chip_low, read.chip_high, target), (read.chip_low + read.chip_high) / 2
        if tool is not None:
            apart = tool.side is not None and tool.side != side
            far = tool.best is not None and abs(tool.best - middle) > FAR
            if apart or far:
                says = f"the tool suggests CSP {tool.best}" if tool.best is not None else "the tool suggests"
                words.append(
                    f"{note.stamp.who} read {read_words(read)}, {says} ({tool.side or 'can not tell'})"
                )
                number = max(number, note.number, tool.number)
        for other, theirs in told:
            if other.number < note.number:
                their_side = side_of(theirs.chip_low, theirs.chip_high, target)
                far = abs((theirs.chip_low + theirs.chip_high) / 2 - middle) > FAR
                if their_side != side or far:
                    words.append(
                        f"{other.stamp.who} read {read_words(theirs)}, {note.stamp.who} {read_words(read)}"
                    )
                    number = max(number, note.number)
    return ("; ".join(words), number) if words else (None, 0)


def read_words(read: ChipRead) -> str:
    """ "chip 3" or "between 3 and 4"."""
    if read.chip_low == read.chip_high:
        return f"chip {read.chip_low}"
    return f"between {read.chip_low} and {read.chip_high}"


def _closing(book: JobBook, zone: int, spot: int, after: int) -> ContradictionClosed | None:
    for note in reversed(book.closings.get((zone, spot), ())):
        if note.number > after and isinstance(note.content, ContradictionClosed):
            return note.content
    return None


def _last_reading(readings: tuple[Noted, ...]) -> tuple[int, int]:
    """Readings that do not contradict each other: the last one; all lie on one side of the range."""
    last = readings[-1].content
    assert isinstance(last, ChipRead)
    return last.chip_low, last.chip_high


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
            missed = side_of(told.chip_low, told.chip_high, target) != "in"
            outside[round_then] = outside.get(round_then, False) or missed
        elif isinstance(told, ContradictionClosed):
            outside[round_then] = side_of(told.stands_low, told.stands_high, target) != "in"
    return tuple(sorted(number for number, missed in outside.items() if missed))
