"""What a desk looks at first: every spot of a job, the doubtful ones on top. Nothing is confirmed here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from assessor.desk.base import JobDesk, Person
from assessor.job.book import FiledCapture, JobBook
from assessor.job.parts import PatchSeen
from assessor.job.spots import SpotState
from assessor.report.words import percent

Concern = Literal[
    "contradicted",
    "refused",
    "outside",
    "rework",
    "patches",
    "not-assessed",
    "cant-tell",
    "unread",
    "in-range",
]
# In the order in which a desk has to deal with them.
CONCERNS: tuple[Concern, ...] = get_args(Concern)
WORDS: dict[Concern, str] = {
    "contradicted": "readings and suggestion do not agree: second reader, replica or pull-off",
    "refused": "no photo could be used: shoot again",
    "outside": "read outside the range: rework",
    "rework": "the tool suggests rework: read the chip, then send it back",
    "patches": "patches want a test",
    "not-assessed": "photographed, not assessed",
    "cant-tell": "the tool can't tell: take the shot it asks for",
    "unread": "no chip reading yet",
    "in-range": "in range by a blind chip reading",
}


@dataclass(frozen=True, slots=True)
class ReviewRow:
    """One spot with what concerns a desk. patches: numbers still open; chances: of the newest suggestion, in words."""

    zone: int
    spot: int
    round: int
    concern: Concern
    words: str
    capture: str | None
    capture_kind: str
    chances: str
    p_short: float | None
    p_over: float | None
    patches: tuple[str, ...]


def review(
    desk: JobDesk, job: str, person: Person, *, zone: int | None = None, only: Concern | None = None
) -> tuple[ReviewRow, ...]:
    """Return the spots of a job, what needs a desk first; of equals those likeliest outside the range.

    The list tells what the tool suggests, so the person is put down as having seen that. Raises NoJob.
    """
    book = desk.book(job)
    zones = sorted(book.zones) if zone is None else [zone]
    rows: list[ReviewRow] = []
    for number in zones:
        standing = desk.standing(book, number)
        states = {state.spot: state for state in standing.spots}
        spots = sorted(
            {*book.zones[number].spots, *(c.spot for c in book.captures_in(number) if c.phase == "after")}
        )
        patches = book.open_patches(number)
        found = [_row(book, (number, spot), states.get(spot), patches) for spot in spots]
        found = [row for row in found if only in (None, row.concern)]
        seen = [row.spot for row in found if row.capture is not None]
        desk.show_suggestions(job, number, seen, person)
        rows += found
    return tuple(sorted(rows, key=_urgency))


def _urgency(row: ReviewRow) -> tuple[int, float, int, int]:
    doubt = max(row.p_short or 0.0, row.p_over or 0.0)
    return CONCERNS.index(row.concern), -doubt, row.zone, row.spot


def _row(
    book: JobBook, place: tuple[int, int], state: SpotState | None, of_zone: Sequence[tuple[str, PatchSeen]]
) -> ReviewRow:
    zone, spot = place
    captures = [each for each in book.captures_at(zone, spot) if each.phase == "after"]
    last = next((each for each in reversed(captures) if each.assessed is not None), None)
    told = last.assessed if last is not None else None
    names = {each.capture for each in captures}
    patches = tuple(f"{patch.patch} ({patch.cause})" for name, patch in of_zone if name in names)
    shares = (told.p_short, told.p_in_range, told.p_over) if told is not None else (None, None, None)
    chances = ", ".join(
        f"{percent(share)} {words}"
        for share, words in zip(shares, ("too smooth", "in range", "too rough"), strict=True)
        if share is not None
    )
    concern = _concern(state, captures, last, has_patches=bool(patches))
    return ReviewRow(
        zone=zone,
        spot=spot,
        round=book.round_of(zone, spot),
        concern=concern,
        words=WORDS[concern],
        capture=last.capture if last is not None else None,
        capture_kind=told.capture_kind if told is not None else "",
        chances=chances,
        p_short=told.p_short if told is not None else None,
        p_over=told.p_over if told is not None else None,
        patches=patches,
    )


def _concern(
    state: SpotState | None, captures: list[FiledCapture], last: FiledCapture | None, *, has_patches: bool
) -> Concern:
    status = state.status if state is not None else "unread"
    told = last.assessed if last is not None else None
    if status == "contradicted":
        return "contradicted"
    if status in {"short", "over"}:
        return "outside"
    if told is not None and told.status == "refused":
        return "refused"
    if has_patches:
        return "patches"
    if status == "in":
        return "in-range"
    if told is not None and told.call == "rework":
        return "rework"
    if captures and last is None:
        return "not-assessed"
    return "cant-tell" if told is not None and told.call == "shot" else "unread"
