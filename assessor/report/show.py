"""Results in the terminal, for a person: tables and lines, nothing computed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from assessor.evaluation import ALL, ScoredRow, SummaryRow
from assessor.grading.scale import ANY, GradeScale
from assessor.grouping import Group
from assessor.report.schema import CaptureRecord
from assessor.report.show_surface import LEGEND, surface_tables
from assessor.report.words import (
    NOTICE,
    STATUS,
    estimate_words,
    grades_words,
    interval_words,
    percent,
    quantity_words,
)
from assessor.report.words_surface import NOT_CLEAN, actions, surface_words

_MOST_GROUPS = 12
_SHORT_CALLS = {"chip": "ready for chip", "rework": "rework", "shot": "can't tell"}


def grouping(console: Console, groups: Sequence[Group], *, n_standing: int) -> None:
    """How the photos were grouped into captures, with the reason, and how many results stand."""
    for group in groups[:_MOST_GROUPS]:
        _line(console, f"{group.name}: {group.why}")
    if len(groups) > _MOST_GROUPS:
        _line(
            console, f"... and {len(groups) - _MOST_GROUPS} more captures, each with its reason on its page"
        )
    if n_standing:
        _line(
            console,
            f"{n_standing} of {len(groups)} captures are done already and unchanged (--force repeats)",
        )


def batch(console: Console, records: Sequence[CaptureRecord]) -> None:
    """One row per capture: suggestion, call, Sq, and MPD or, where there was a torch, the fine Sq."""
    if any(record.origin != "camera" for record in records):
        _line(console, "RENDERED photos among these: made by a computer, no real floor")
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False, title=NOTICE, title_justify="left")
    is_fine = any(record.fine("Sq") for record in records)
    last = ("Sq 0.5-8",) if is_fine else ("MPD",) if any(record.quantity("MPD") for record in records) else ()
    for heading in ("capture", "CSP (90 %)", "likeliest", "target", "Sq", *last):
        table.add_column(heading, no_wrap=heading != "capture", overflow="fold")
    for record in records:
        suggestion = record.suggestion
        verdict = suggestion.verdict if suggestion else None
        best = suggestion.best if suggestion else None
        table.add_row(
            Text(record.capture),
            _grades_words(record),
            f"{best} ({percent(suggestion.confidence or 0.0)})"
            if suggestion and best is not None
            else "none",
            _SHORT_CALLS[verdict.call] if verdict else "",
            _sq_words(record),
            *(quantity_words(record.fine("Sq") if is_fine else record.quantity("MPD")) for _ in last),
        )
    console.print(table)
    for record in records:
        if loud := estimate_words(record):
            _line(console, f"{record.capture}: {loud}")
            if record.suggestion and record.suggestion.narrows:
                _line(console, f"  next: {record.suggestion.narrows}")
        if record.slopes and not record.slopes.confirmed:
            _line(console, f"{record.capture}: not confirmed, so few torch photos can't check themselves")
        if record.better_kind:
            _line(console, f"{record.capture}: {record.better_kind}")
        if record.surface:
            _line(console, f"{record.capture}: {surface_words(record)}")
    for advice, captures in _shots(records).items():
        _line(console, f"can't tell, do this: {advice}")
        _line(console, f"  at {', '.join(captures)}")
    for name, how, places in actions(records):
        _line(console, f"to do: {name}: {how}")
        _line(console, f"  at {'; '.join(f'{capture}: {what}' for capture, what in places)}")
    if any(record.surface for record in records):
        _line(console, NOT_CLEAN)
    if any(record.scale.is_prior for record in records):
        _line(console, "Scale: prior, not measured on chips; grades may be off by one, at both ends by two.")


def _shots(records: Sequence[CaptureRecord]) -> dict[str, list[str]]:
    """What to do where the target range can't be told, each once, with the captures it is for."""
    shots: dict[str, list[str]] = {}
    for record in records:
        verdict = record.suggestion.verdict if record.suggestion else None
        if verdict and verdict.next_shot and record.estimate is None:  # an estimate's stands with it
            shots.setdefault(verdict.next_shot, []).append(record.capture)
    return shots


def _grades_words(record: CaptureRecord) -> str:
    if record.suggestion is None:
        return STATUS[record.status]
    if record.estimate is None:
        return grades_words(record.suggestion.set90)
    return "no estimate" if record.estimate.abstained else f"est. {grades_words(record.suggestion.set90)}"


def _sq_words(record: CaptureRecord) -> str:
    """Sq as measured, or the interval of an estimate: narrow enough for a terminal of 80 columns."""
    guess = record.estimated("Sq")
    return f"est. {interval_words(guess)} mm" if guess else quantity_words(record.quantity("Sq"))


def refusals(console: Console, records: Sequence[CaptureRecord]) -> None:
    """Every photo and capture that was refused, with its sentence."""
    for record in records:
        for row in record.refused:
            where = "" if row.file else f"{record.capture}: "
            _line(console, f"refused: {where}{row.sentence}")
        if record.failure:
            _line(console, f"failed: {record.capture}: {record.failure}")


def evaluation(console: Console, rows: Sequence[ScoredRow], summary: Sequence[SummaryRow]) -> None:
    """The summary as a table, with how many rows are rendered."""
    n_rendered = sum(row.truth.rendered for row in rows)
    _line(console, f"{len(rows)} truth rows, {n_rendered} of them from RENDERED photos (no real floor)")
    on_floor = [row for row in summary if row.surface is not None]
    summary = [row for row in summary if row not in on_floor]
    lit = [row for row in summary if row.light != ALL]
    summary = [row for row in summary if row.light == ALL]
    # With one process the pooled row would say the same thing twice.
    told = Counter((row.kind, row.split, _named(row)) for row in summary)
    summary = [row for row in summary if row.process != ALL or told[row.kind, row.split, _named(row)] > 2]
    for kind, split in dict.fromkeys((row.kind, row.split) for row in summary):
        title = f"captures of kind {kind}, {split}"
        chosen = [row for row in summary if (row.kind, row.split) == (kind, split)]
        console.print(_scores(title, chosen))
        # Where processes are pooled, the pool tells most.
        pooled = {_named(row) for row in chosen if row.process == ALL}
        console.print(_limits([row for row in chosen if row.process == ALL or _named(row) not in pooled]))
        guessed = [*chosen, *(row for row in lit if (row.kind, row.split) == (kind, split))]
        guessed = [row for row in guessed if row.mae_octaves is not None or row.mae_grades is not None]
        if guessed:
            console.print(_estimates(guessed))
    for table in surface_tables([row for row in on_floor if row.light == ALL and row.process == ALL]):
        console.print(table)
    if on_floor:
        _line(console, LEGEND)
    _line(
        console,
        "quantity: with its band in mm; bias, scatter, worst: of the error, in % of the truth where it is in mm",
    )
    _line(console, "in 90 %: how often the 90 % interval or upper bound holds the truth")


def _scores(title: str, rows: Sequence[SummaryRow]) -> Table:
    """Scores of one kind and split; narrow enough for a terminal of 80 columns."""
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False, title=title, title_justify="left")
    for heading in ("quantity", "process"):
        table.add_column(heading, no_wrap=True)
    for heading in ("n", "bias", "scatter", "worst", "in 90 %", "at most", "refused"):
        table.add_column(heading, justify="right", no_wrap=True)
    for row in rows:
        unit = row.error_unit
        table.add_row(
            _named(row),
            row.process,
            str(row.n),
            _error(row.bias, unit),
            _error(row.scatter, unit, signed=False),
            _error(row.largest_error, unit),
            _share(row.coverage),
            _share(row.upper_share),
            _share(row.refused_share),
        )
    return table


def _limits(rows: Sequence[SummaryRow]) -> Table:
    """What so many captures can tell about each quantity."""
    title = "95 % limits: where the figures of very many such captures may lie"
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False, title=title, title_justify="left")
    table.add_column("quantity", no_wrap=True)
    for heading in ("bias", "scatter", "in 90 %", "over 25 % off"):
        table.add_column(heading, justify="right", no_wrap=True)
    for row in rows:
        unit = row.error_unit
        table.add_row(
            _named(row),
            _span(_error(row.bias_low95, unit), _error(row.bias_high95, unit)),
            _span(
                _error(row.scatter_low95, unit, signed=False), _error(row.scatter_high95, unit, signed=False)
            ),
            _span(_share(row.coverage_low95), _share(row.coverage_high95)),
            "" if row.n_gross is None else f"{row.n_gross}, <= {_share(row.gross_high95)}",
        )
    return table


def _estimates(rows: Sequence[SummaryRow]) -> Table:
    """Estimates of Sq in octaves (1 octave: twice or half), and grades in grades."""
    title = "estimates and grades: mean distance from the truth"
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False, title=title, title_justify="left")
    for heading in ("quantity", "of"):
        table.add_column(heading, no_wrap=True)
    for heading in ("n", "octaves", "90 % +-", "grades", "exact", "+-1", "in 90 %", "can't tell"):
        table.add_column(heading, justify="right", no_wrap=True)
    for row in rows:
        numbers = (row.mae_octaves, row.median_half_width_octaves, row.mae_grades)
        table.add_row(
            _named(row),
            row.process if row.light == ALL else f"{row.light} light",
            str(row.n),
            *("" if value is None else f"{value:.2f}" for value in numbers),
            *(_share(value) for value in (row.exact_share, row.within_one_share, row.coverage)),
            _share(row.abstained_share),
        )
    return table


def _span(low: str, high: str) -> str:
    """Two limits with their common unit said once."""
    return f"{low.removesuffix(' %')}..{high}" if low and high else ""


def _named(row: SummaryRow) -> str:
    if row.band_short_mm is None or row.band_long_mm is None:
        return row.quantity
    return f"{row.quantity} {row.band_short_mm:g}-{row.band_long_mm:g}"


def scales(console: Console, found: Sequence[GradeScale]) -> None:
    """Shipped scales with edition, origin, bands and processes."""
    table = Table("scale", "chip set", "origin", "bands", "processes (for --process)")
    for scale in found:
        processes = "\n".join(name for name in scale.processes if name != ANY)
        table.add_row(
            scale.name, scale.edition, scale.origin, "\n".join(map(str, scale.bands)), processes or "any"
        )
    console.print(table)
    _line(console, "A prior was never measured on chips. Photograph your own chips to make your own scale.")


def _error(value: float | None, unit: str, *, signed: bool = True) -> str:
    if value is None:
        return ""
    sign = "+" if signed else ""
    if unit == "relative":
        return f"{100 * value:{sign}.1f} %"
    return f"{value:{sign}.2f}{'°' if unit == 'deg' else ''}"


def _share(value: float | None) -> str:
    return "" if value is None else f"{100 * value:.0f} %"


def _line(console: Console, text: str) -> None:
    console.print(text, markup=False, highlight=False, soft_wrap=True)
