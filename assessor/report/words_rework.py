"""The rework list as a foreman gets it, and findings read out of stored records."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace

from assessor.job.findings import (
    CROSSED_PROCESS,
    TAKE_AGAIN,
    GapPlace,
    PatchPlace,
    SpotFindings,
    StripPlace,
    ZoneFindings,
)
from assessor.job.rework import ReworkLine
from assessor.report.schema import CaptureRecord
from assessor.report.schema_overview import OverviewRecord
from assessor.report.schema_surface import PatchRecord
from assessor.tables.loader import Caution
from assessor.tables.rework import load_rework
from assessor.values import Kind

SUSPICIONS = (
    "Suspicions from photos, no findings: look, test and read the chip before you work. Work down the list: begin a"
    " line when all lines above it for the same place are done and tested."
)
NOTHING = "Nothing to rework showed. That is not proof of a good floor: the chip and the tests decide."
RESHOOT: dict[Kind, str] = {
    "single": "one photo with the card at the same place",
    "angles": "four photos from four sides, card at the same place",
    "torch": "torch photos, card at the same place",
    "fused": "four photos from four sides and torch photos, card at the same place",
    "overview": "the zone from standing height, sheets where they were",
}
_LOW = "one low photo toward the light, card at the same place"
_WIDTH = 100


@dataclass(frozen=True, slots=True)
class SheetHead:
    """What stands above a rework list. made_on: as it reads; loud: that photos are rendered or a job invented."""

    job: str
    zone: str
    range_words: str = ""
    method: str = ""
    made_by: str = ""
    made_on: str = ""
    loud: str = ""


def rework_text(lines: Sequence[ReworkLine], head: SheetHead | None = None) -> str:
    """Return the list as plain text: numbered, in the order of work, cautions beside each line and in full below."""
    told = [*head_words(head)] if head else []
    if not lines:
        return "\n".join([*told, NOTHING])
    told += [*_wrap(SUSPICIONS), ""]
    for line in lines:
        told.append(f"{line.number}. {title_words(line)}")
        for label, words in parts(line):
            first = f"   {label + ':':<7}"
            told += _wrap(words, first, " " * 10)
        told.append("")
    told += [*_wrap(load_rework().after_all), "", "Cautions in full"]
    for caution in cautions_in_full(lines):
        told += _wrap(caution.sentence, "- ", "  ")
    told += _wrap(load_rework().defers)
    told += _wrap(sources_words(lines))
    return "\n".join(told)


def head_words(head: SheetHead) -> list[str]:
    """What the list is of, a line each."""
    facts = (
        f"Range: {head.range_words}" if head.range_words else "",
        f"Prepared by: {head.method}" if head.method else "",
        f"Listed by {head.made_by}" if head.made_by else "",
        head.made_on,
    )
    told = ". ".join(fact for fact in facts if fact)
    return [
        f"REWORK LIST: {head.job}, {head.zone}",
        *([head.loud] if head.loud else []),
        *([f"{told}."] if told else []),
    ]


def title_words(line: ReworkLine) -> str:
    """ "DEGREASE: oil or grease"."""
    step = load_rework().step_words(line.step)
    return f"{step.upper()}: {line.title[0].lower()}{line.title[1:]}"


def parts(line: ReworkLine) -> list[tuple[str, str]]:
    """What stands under a line's title, label and words, in the order it is read."""
    told = [("Where", line.where), ("What", line.what)]
    if line.after:
        told.append(("First", f"{_lines(line.after)} done and tested. Nothing is cut into oil."))
    if line.keep_off:
        told.append(("Not", f"on the places of {_lines(line.keep_off)}: too rough already."))
    told += [("How", line.how), ("Then", line.then)]
    if line.retest_after_hours is not None:
        told.append(("Again", f"look and test once more after {line.retest_after_hours:g} hours."))
    if shoot := reshoot_words(line):
        told.append(("Shoot", shoot))
    told.append(("Mind", "; ".join(caution.short for caution in line.cautions) + "."))
    return [(label, f"{words[0].upper()}{words[1:]}") for label, words in told]


def line_words(line: ReworkLine, *, at_most: int = 2000) -> str:
    """One line as running text, without its number: for a record's entry, which holds so many characters.

    Where it would be longer, places are left out and counted, never a caution; ValueError if that can't suffice.
    """
    for kept in range(len(line.places), 0, -1):
        left = len(line.places) - kept
        more = (f"and {left} more on the sheet",) if left else ()
        told = " ".join(
            f"{label}: {words}" for label, words in parts(replace(line, places=(*line.places[:kept], *more)))
        )
        words = f"{title_words(line)}. {told}"
        if len(words) <= at_most:
            return words
    raise ValueError(f"a line of rework takes more than {at_most} characters")


def reshoot_words(line: ReworkLine) -> str:
    """Which photos to take when it is done; "" where none are asked for."""
    if line.reshoot is None:
        return ""
    low = f", and {_LOW}" if line.reshoot_low else ""
    return f"{RESHOOT[line.reshoot]}{low}; tag of the next round."


def cautions_in_full(lines: Sequence[ReworkLine]) -> tuple[Caution, ...]:
    """Every caution of a list once."""
    return tuple({caution.key: caution for line in lines for caution in line.cautions}.values())


def sources_words(lines: Sequence[ReworkLine]) -> str:
    """How far the advice of each line can be trusted, and where it comes from."""
    table = load_rework()
    every = [f"{line.number}: {line.mark} ({line.source})." for line in lines]
    return f"Sources. {' '.join(every)} Last: {table.after_all_mark} ({table.after_all_source})."


def spot_findings(record: CaptureRecord, where: str, *, process: str | None = None) -> SpotFindings:
    """Return what matters for rework in the stored record of one capture; where: such as "zone 2, spot 7".

    process: of the grade scale (the method table names it), which a record does not hold.
    """
    suggestion, surface = record.suggestion, record.surface
    verdict = suggestion.verdict if suggestion else None
    direction = record.texture.direction if record.texture else None
    aggregate = surface.aggregate if surface else None
    return SpotFindings(
        where=where,
        call=verdict.call if verdict else None,
        p_short=verdict.p_short if verdict else 0.0,
        p_over=verdict.p_over if verdict else 0.0,
        next_shot=verdict.next_shot if verdict else None,
        why_not=_why_not(record),
        patches=tuple(_patch(patch) for patch in surface.shown) if surface else (),
        direction_strength=direction.strength if direction else None,
        process=process,
        stones_plausible=aggregate.plausible if aggregate else True,
        floor=surface.floor if surface else "not-told",
    )


def zone_findings(record: OverviewRecord, where: str, *, process: str | None = None) -> ZoneFindings:
    """Return what matters for rework in the stored record of one overview; process: where it wasn't told it."""
    lay, spread = record.lay, record.evenness.contrast
    known = spread.value is not None and spread.u is not None and spread.chance is not None
    return ZoneFindings(
        where=where,
        origin=record.origin,
        from_corner=record.zone_size_m is not None,
        strips=tuple(
            StripPlace(strip.kind, strip.start_m, strip.end_m, strip.width_m) for strip in record.strips
        ),
        gaps=tuple(GapPlace(gap.centre_m, gap.size_m) for gap in record.coverage.gaps),
        patches=tuple(_patch(patch) for patch in record.surface.shown) if record.surface else (),
        one_way=None if lay.one_way is None or lay.u_share is None else (lay.one_way, lay.u_share),
        crossing_matters=lay.matters if lay.matters is not None else process == CROSSED_PROCESS,
        texture_spread=(spread.value or 0.0, spread.u or 0.0, spread.chance or 0.0) if known else None,
    )


def _why_not(record: CaptureRecord) -> str | None:
    """What to do where a capture gave no verdict: of the refusal that stopped it, else None."""
    if record.status == "assessed":
        return None
    last = record.refused[-1] if record.refused else None
    return f"Take the spot again: {last.sentence}" if last else TAKE_AGAIN


def _patch(patch: PatchRecord) -> PatchPlace:
    chance = patch.likely * patch.probabilities.get(patch.kind, 0.0)
    return PatchPlace(patch.kind, patch.look, patch.centre_mm, patch.area_mm2, chance, patch.test.code)


def _lines(numbers: Sequence[int]) -> str:
    """ "line 2", "lines 2 and 5"."""
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    return f"lines {', '.join(str(number) for number in numbers[:-1])} and {numbers[-1]}"


def _wrap(words: str, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(words, _WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)
