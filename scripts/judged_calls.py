"""The report of calls: of floors called ready, how many truly are short or over, and how often a call is made at all.

What truth is, and how captures are weighed: `weighing_calls`. Columns: `answered` is the share of calls other than
"can't tell", of floors whose true grade lies in the range or within two grades of it, since calls on floors far off are
easy. `found`: of floors truly in range, the share called ready. `n ready`: effective number of captures so called; of
these the share truly short and over, in percent with exact 95 % limits, and whether the goal is held: `holds` where
the upper limit lies inside it, `as seen` where only the share does, `fails` where the lower limit lies outside, else
`open`.
"In range of rework": of floors called rework, those truly in range.

"Stopped early": the same of crews that stop too soon, floors short of the range being three times as common; the
posterior knows nothing of that.
"""

from __future__ import annotations

from collections.abc import Sequence

from judged import Table, between
from judging import Note
from judging_calls import CELLS
from weighing_calls import (
    EDGES,
    RANGES,
    Rate,
    Said,
    answered,
    ask,
    early,
    found,
    reliability,
    score_of,
    tell,
    ways,
    wrong,
)

from assessor.grading.ranges import RangeSettings
from assessor.simulate.true_grade import SCALE_PROCESS

SHORT_GOAL, OVER_GOAL = 0.05, 0.10  # issue 8: of floors called in range, by kind and by process


def goal_words(seen: Rate | None, goal: float) -> str:
    """Share, limits and whether the goal is held."""
    if seen is None:
        return "never called"
    held = "holds" if seen.high95 <= goal else "as seen" if seen.share <= goal else "open"
    held = "fails" if seen.low95 > goal else held
    return f"{100 * seen.share:.1f} {between((seen.low95, seen.high95), sign=False)} {held}"


def report_calls(notes: Sequence[Note], ranges: str = "usual", settings: RangeSettings | None = None) -> None:
    """Print all tables."""
    use, targets = settings or RangeSettings(), RANGES[ranges]
    crashed = sum("crashed" in note for note in notes)
    print(f"{len(notes)} captures, {crashed} crashed; rendered floors, no photo of a real one")
    print(f"ranges: {', '.join(map(str, targets))}; {use}")
    for way in ways():
        told = tell(notes, way)
        if not told:
            continue
        said = ask(told, targets, way, use)
        calls_table(way.name, said).show()
        if way.spread:
            scores_table(way.name, said).show()
            reliability_table(way.name, said).show()
            early_table(way.name, said).show()


def _groups(said: Sequence[Said]) -> list[tuple[str, list[Said]]]:
    """By kind and process, by kind, by process, by what the call rests on, and all."""
    kinds = [k for k in CELLS if any(one.kind == k for one in said)]
    processes = [p for p in SCALE_PROCESS if any(one.process == p for one in said)]
    found = [
        (f"{k} {p}", [one for one in said if (one.kind, one.process) == (k, p)])
        for k in kinds
        for p in CELLS[k]
    ]
    found += [(f"{k}, all", [one for one in said if one.kind == k]) for k in kinds]
    found += [(f"{p}, all kinds", [one for one in said if one.process == p]) for p in processes]
    found += [(f"measured, {b}", [one for one in said if one.bound == b and not one.estimated])
              for b in ("value", "upper")]  # fmt: skip
    found.append(("all", list(said)))
    return [(name, some) for name, some in found if some]


def calls_table(name: str, said: Sequence[Said]) -> Table:
    """The calls by kind and process against the goals."""
    table = Table(
        f"{name}: calls (goals: of ready, short <= {SHORT_GOAL:.0%}, over <= {OVER_GOAL:.0%}; % [95 % limits])",
        "floors", "captures", "answered %", "found %", "n ready", "truly short", "truly over", "n rework",
        "in range of rework",
    )  # fmt: skip
    for group, some in _groups(said):
        ready, rework = wrong(some, "chip", 0), wrong(some, "rework", 1)
        made, hit = answered(some), found(some)
        table.add(
            group, str(len({one.capture for one in some})), f"{100 * made.share:.0f}" if made else "-",
            f"{100 * hit.share:.0f}" if hit else "-", f"{ready.n:.0f}" if ready else "0",
            goal_words(ready, SHORT_GOAL), goal_words(wrong(some, "chip", 2), OVER_GOAL),
            f"{rework.n:.0f}" if rework else "0",
            "-" if rework is None else f"{100 * rework.share:.1f} {between((rework.low95, rework.high95), sign=False)}",
        )  # fmt: skip
    return table


def scores_table(name: str, said: Sequence[Said]) -> Table:
    """Proper scores by kind."""
    table = Table(f"{name}: Brier score of what was stated (0 best, 2 worst)", "kind", "score", "of the scale",
                  "of the measurement", "guessing")  # fmt: skip
    for kind in CELLS:
        score = score_of(one for one in said if one.kind == kind)
        if score:
            table.add(kind, *(f"{v:.3f}" for v in (score.brier, score.scale, score.measured, score.guess)))
    return table


def reliability_table(name: str, said: Sequence[Said]) -> Table:
    """Stated against true, in bins, of measured values, of bounds and of estimates."""
    table = Table(
        f"{name}: stated chance -> true share, % [95 % limits] (captures)",
        "stated", "short", "in range", "over",
    )  # fmt: skip
    groups = (
        ("measured", [one for one in said if one.bound == "value" and not one.estimated]),
        ("at most", [one for one in said if one.bound == "upper"]),
        ("estimated", [one for one in said if one.bound == "value" and one.estimated]),
    )
    for group, some in groups:
        parts = [reliability(some, part) for part in range(3)]
        for k in range(len(EDGES) - 1):
            cells = [_stated(part.get(k)) for part in parts]
            if any(cells):
                table.add(f"{group}, {100 * EDGES[k]:.0f}-{100 * EDGES[k + 1]:.0f}", *cells)
    return table


def _stated(seen: tuple[float, Rate] | None) -> str:
    if seen is None:
        return ""
    stated, rate = seen
    limits = between((rate.low95, rate.high95), 0, sign=False)
    return f"{100 * stated:.1f} -> {100 * rate.share:.1f} {limits} ({rate.n:.0f})"


def early_table(name: str, said: Sequence[Said]) -> Table:
    """Errors of ready calls where crews stop early."""
    table = Table(
        f"{name}: ready calls where crews stopped early", "kind", "n ready", "truly short", "truly over"
    )
    for kind in CELLS:
        some = [one for one in said if one.kind == kind]
        short = wrong(some, "chip", 0, early)
        if short:
            over = wrong(some, "chip", 2, early)
            table.add(kind, f"{short.n:.0f}", goal_words(short, SHORT_GOAL), goal_words(over, OVER_GOAL))
    return table
