"""What the terminal shows of judged calls."""

from __future__ import annotations

from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from assessor.evaluation_calls import CallRow, CallScore
from assessor.evaluation_rows import ALL, ShareOf


def calls(console: Console, target: str, rows: Sequence[CallRow], scores: Sequence[CallScore]) -> None:
    """How often the calls for a range were right, by kind and process, with the upper ends of exact 95 % limits."""
    if not rows:
        _line(console, f"No capture has a true grade, so no call for CSP {target} can be judged.")
        return
    title = f"calls for CSP {target}: count, of how many, and the most that the share may be (95 %)"
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False, title=title, title_justify="left")
    for heading in ("kind", "process"):
        table.add_column(heading, no_wrap=True)
    for heading in ("called", "ready: short", "ready: over", "rework: in range"):
        table.add_column(heading, justify="right", no_wrap=True)
    for score in scores:
        # With one process the pooled row would say the same thing twice.
        alone = [one for one in scores if one.kind == score.kind and one.process != ALL]
        if score.process == ALL and len(alone) == 1:
            continue
        made = f"{score.answered.count} of {score.answered.n}" if score.answered else "none"
        wrong = (score.ready_short, score.ready_over, score.rework_in_range)
        table.add_row(score.kind, score.process, made, *map(_share, wrong))
    console.print(table)
    rendered = sum(row.truth.rendered for row in rows)
    _line(
        console, f"{len(rows)} captures with a true grade, {rendered} of them RENDERED (no chip lay there)."
    )
    _line(
        console,
        "called: ready or rework; all others can't tell. Goals: of ready, short 5 %, over 10 % at most",
    )


def _share(seen: ShareOf | None) -> str:
    if seen is None:
        return "none"
    return f"{seen.count} of {seen.n}, <= {100 * seen.high95:.0f} %"


def _line(console: Console, text: str) -> None:
    console.print(text, markup=False, highlight=False, soft_wrap=True)
