"""A job in the terminal: how its zones stand, what is missing, and who entered what. Computes nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from assessor.job.acceptance import Missing, Standing, ZoneStanding
from assessor.job.blinding import blind_sentence, blinded
from assessor.job.book import JobBook
from assessor.job.chain import Entry
from assessor.job.entries import (
    Assessed,
    ChipRead,
    ContradictionClosed,
    PatchResolved,
    ReworkOrdered,
    Waived,
    ZoneLaidOut,
)
from assessor.job.spots import SpotState, Status, counted, grades_words
from assessor.job.statistics import ZoneStatistics
from assessor.job.targets import Target

STANDINGS: dict[Standing, str] = {
    "laid-out": "not begun",
    "in-work": "in work",
    "ready-to-sign": "ready to sign",
    "accepted": "ACCEPTED",
    "reopened": "REOPENED",
}
STATUSES: dict[Status, str] = {
    "unread": "no chip reading",
    "contradicted": "contradicted",
    "short": "too smooth",
    "over": "too rough",
    "in": "in range",
}
BLIND = (
    "Suggestions are not shown here, so that chips are read blind. `assessor job show --suggestions` shows them "
    "and puts down that you have seen them."
)
RENDERED = "RENDERED PHOTOS are among those of this zone: a computer made them, they show no real floor."
# Said once for all spots that miss it.
_ALIKE = {
    "spot-unshot": "a photo after preparation in the spot's present round",
    "spot-unassessed": "the assessment of photos that are filed (`assessor job assess`)",
    "spot-refused": "photos that can be used (shoot again)",
    "spot-not-measured": "a measurement where the plan asks for one (angles or torch), now only estimated",
    "spot-unread": "a blind chip reading in the spot's present round",
    "spot-outside": "rework, new photos and a new reading where the chip read outside the range",
}
# Fields that suggest a grade or a side; of readings and closings only where the spot is disputed.
_NOT_BLIND: dict[type[Any], set[str]] = {
    Assessed: {"call", "p_short", "p_in_range", "p_over", "best", "set90", "sentence"},
    ReworkOrdered: {"lines"},
    ChipRead: {"chip_low", "chip_high", "feel_grit", "note"},
    ContradictionClosed: {"stands_low", "stands_high", "why"},
}


def zones_table(
    console: Console, zones: Mapping[int, ZoneLaidOut], standings: Sequence[ZoneStanding]
) -> None:
    """One row per zone: area, method, range, spots read, how it stands."""
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False)
    for heading in ("zone", "name", "m2", "method", "target", "spots in range", "stands"):
        table.add_column(heading, overflow="fold")
    for each in standings:
        laid_out = zones[each.zone]
        inside = sum(state.status == "in" for state in each.spots)
        table.add_row(
            str(each.zone),
            Text(f"{laid_out.name}{' (mock-up)' if laid_out.is_mock_up else ''}"),
            f"{laid_out.area_m2:g}",
            laid_out.method,
            f"CSP {each.target}" if each.target else "none",
            f"{inside} of {len(each.spots)}",
            STANDINGS[each.standing],
        )
    console.print(table)


def zone(
    console: Console, book: JobBook, standing: ZoneStanding, target: Target, statistics: ZoneStatistics | None,
    *, with_suggestions: bool,
) -> None:  # fmt: skip
    """One zone: its spots, what is missing, what the readings show."""
    laid_out = book.zones[standing.zone].laid_out
    hides = not with_suggestions and any(state.tool for state in standing.spots)
    standing = standing if with_suggestions else blinded(standing)
    line(console, f"Zone {standing.zone}, {laid_out.name}: {STANDINGS[standing.standing]}")
    if any(each.is_rendered for each in book.captures_in(standing.zone)):
        line(console, f"  {RENDERED}")
    line(console, f"  target: {target.sentence}")
    if target.conflict:
        line(console, f"  CONFLICT: {target.conflict}")
    if standing.signed_by:
        line(console, f"  signed by {standing.signed_by} at {standing.signed_at_utc}")
    if standing.reopened_by:
        line(console, f"  reopened: {standing.reopened_by}")
    for state in standing.spots:
        for text in _spot_lines(book, state, with_suggestions=with_suggestions):
            line(console, text)
    for text in missing_lines(standing.missing, blind=not with_suggestions):
        line(console, f"  missing: {text}")
    for text in _waiver_lines(book, standing.zone):
        line(console, f"  {text}")
    for sentence in statistics.sentences if statistics else ():
        line(console, f"  {sentence}")
    if hides:
        line(console, f"  {BLIND}")


def missing_lines(missing: Sequence[Missing], *, blind: bool) -> list[str]:
    """What is missing, alike spots in one line. blind: a contradiction then names neither readings nor suggestion."""
    lines: list[str] = []
    together: dict[str, list[int]] = {}
    patches: list[str] = []
    for each in missing:
        if each.spot is not None and each.code in _ALIKE:
            together.setdefault(each.code, []).append(each.spot)
        elif each.code == "patch-open":
            patches.append(each.sentence.removeprefix("Patch ").partition(" is open")[0])
        else:
            lines.append(blind_sentence(each) if blind else each.sentence)
    alike = [f"{_ALIKE[code]}: {_spots_words(spots)}." for code, spots in together.items()]
    if patches:
        lines.append(f"Patches to test again, work over or waive: {', '.join(patches)}.")
    return [*alike, *lines]


def _waiver_lines(book: JobBook, zone: int) -> list[str]:
    """What was waived, by whom and why: it stays visible, whatever the zone is called."""
    lines = []
    for note in book.zones[zone].notes:
        what = ""
        if isinstance(note.content, Waived):
            what = note.content.what
        elif isinstance(note.content, PatchResolved) and note.content.how == "waived":
            what = f"patch {note.content.patch} of {note.content.capture}"
        if what:
            why = getattr(note.content, "why", "")
            lines.append(f"waived: {what}, by {note.stamp.who} on {note.stamp.at_utc[:10]}: {why}")
    return lines


def _spots_words(spots: Sequence[int]) -> str:
    return f"spot {spots[0]}" if len(spots) == 1 else f"spots {', '.join(map(str, spots))}"


def _spot_lines(book: JobBook, state: SpotState, *, with_suggestions: bool) -> list[str]:
    """One spot: why it is one, how it stands, where it lies, who read it, and what the tool suggests."""
    drawn = book.zones[state.zone].spots[state.spot].drawn
    stands = STATUSES[state.status] + (f" (closed by {state.closed_by})" if state.closed_by else "")
    lines = [f"  spot {state.spot} ({drawn.role}, {drawn.effort}), round {state.round}: {stands}"]
    lines.append(f"    {drawn.where}")
    # A second reader must know neither the suggestion nor the first reading.
    hidden = not with_suggestions and state.status == "contradicted"
    for note in counted(book, state.zone, state.spot):
        if isinstance(read := note.content, ChipRead):
            told = "has read it" if hidden else f"read {grades_words(read.chip_low, read.chip_high)}"
            feel = f", feels like {read.feel_grit} grit" if read.feel_grit and not hidden else ""
            lines.append(f"    {note.stamp.who} {told}{feel}")
    for shot in book.shots(state.zone, state.spot):
        if shot.assessed is not None and shot.assessed.status == "refused":
            lines.append(f"    {shot.capture} was refused: {shot.assessed.sentence}")
    if with_suggestions:
        best = state.tool and state.tool.best
        grade = f"CSP {best}" if best else "no grade"
        lines.append(f"    tool: {grade}. {state.tool.sentence}" if state.tool else "    tool: nothing yet")
    return lines


def blind_row(entry: Entry, disputed: Collection[tuple[int, int]] = ()) -> dict[str, Any]:
    """An entry for lists and programs, without what the tool suggests and what was read at disputed (zone, spot)."""
    content = entry.content
    hidden = next((fields for kind, fields in _NOT_BLIND.items() if isinstance(content, kind)), set[str]())
    if isinstance(content, ChipRead | ContradictionClosed) and (content.zone, content.spot) not in disputed:
        hidden = set()
    return {
        "number": entry.number,
        "content": content.model_dump(mode="json", exclude=hidden),
        "stamp": asdict(entry.stamp),
        "digest": entry.digest,
    }


def history_line(row: dict[str, Any]) -> str:
    """An entry on a line: number, when, who, where, what, and the first digits of its hash."""
    stamp, content = row["stamp"], row["content"]
    told = {
        name: value
        for name, value in content.items()
        if name != "kind" and value not in (None, "", [], False)
    }
    words = ", ".join(f"{name} {_short(value)}" for name, value in told.items())
    return (
        f"{row['number']:>5} {stamp['at_utc'][:19]}Z {stamp['who']} ({stamp['role']}, {stamp['place']}) "
        f"{content['kind']}: {words} [{row['digest'][:8]}]"
    )


def _short(value: object) -> str:
    if isinstance(value, dict) and "sha256" in value:
        return f"{value.get('name', '')} [{str(value['sha256'])[:8]}]"
    text = str(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def line(console: Console, text: str) -> None:
    """One line as it is: no markup, no wrapping inside words."""
    console.print(text, markup=False, highlight=False, soft_wrap=True)
