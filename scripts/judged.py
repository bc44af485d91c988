"""What many notes of `judging` say, as tables of figures with their statistical limits and the goals they are held to.

Limits are two-sided at 95 %: Student's t (mean), chi-square (scatter), exact binomial (shares, and medians by order
statistics). A figure `holds` where its limits lie inside the goal, `fails` where they lie outside; in between it is
`open`, with where the figure itself lies, because so many captures cannot tell. The goal for coverage is about the
share seen (87-93 % is as wide as 400 captures scatter about 90 %): inside, it `holds, as seen`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from judging import WAVELENGTHS_MM, Note
from scipy.stats import binom

from assessor.evaluation import (
    ALL,
    Estimate,
    ScoredRow,
    TruthRow,
    covered,
    error_of,
    gross,
    half_width,
    mean_limits,
    scatter_limits,
    share_limits,
    summarise,
)

Pair = tuple[float, float]
LEVELS_MM = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8, math.inf)
MAIN = (("Sq", 2.5), ("Sa", 2.5), ("MPD", 2.5), ("Sq", 0.8), ("Sa", 0.8))
Z90 = 1.645


def rows_of(notes: Iterable[Note]) -> list[ScoredRow]:
    """The scored rows of notes, as evaluation knows them."""
    keys = TruthRow.__dataclass_fields__
    scored = []
    for note in notes:
        for row in note["rows"]:
            said = Estimate(*(row[k] for k in ("estimate", "low90", "high90", "bound", "refused")))
            scored.append(ScoredRow(TruthRow(**{k: row[k] for k in keys if k in row}), said, row["seconds"]))
    return scored


def rows_named(
    notes: Iterable[Note], quantity: str, short_mm: float, long_mm: float | None = None
) -> list[ScoredRow]:
    """The rows of one quantity and band; long_mm where bands of a kind share their short end."""
    return [
        r
        for r in rows_of(notes)
        if (r.truth.quantity, r.truth.band_short_mm) == (quantity, short_mm)
        and long_mm in (None, r.truth.band_long_mm)
    ]


def main_rows(notes: Iterable[Note]) -> list[ScoredRow]:
    """Sq in the band that each capture's kind is judged by: 0.5-8 mm with a torch, else 2.5-25 mm."""
    found = []
    for note in notes:
        band = (0.5, 8.0) if note.get("kind", "angles") != "angles" else (2.5, 25.0)
        found += rows_named([note], "Sq", *band)
    return found


def median_limits(values: Sequence[float]) -> Pair:
    """Limits of the median by order statistics, whatever the distribution; the extremes where n is small."""
    ordered, n = sorted(values), len(values)
    k = max(int(binom.ppf(0.025, n, 0.5)), 1)  # P(below the k-th) <= 0.025
    return ordered[k - 1], ordered[n - k]


def verdict(value: float, limits: Pair, goal: Pair) -> str:
    """`holds`, `fails`, or `open` with where the figure itself lies."""
    if goal[0] <= limits[0] and limits[1] <= goal[1]:
        return "holds"
    if limits[1] < goal[0] or limits[0] > goal[1]:
        return "fails"
    return "open (inside)" if goal[0] <= value <= goal[1] else "open (outside)"


class Table:
    """Rows of text, printed in columns."""

    def __init__(self, title: str, *heads: str) -> None:
        self.title, self.rows = title, [heads]

    def add(self, *cells: str) -> None:
        """Add a row."""
        self.rows.append(cells)

    def show(self) -> None:
        """Print with two spaces between columns, the first left-aligned; nothing where there is no row."""
        if len(self.rows) == 1:
            return
        widths = [max(len(row[k]) for row in self.rows if k < len(row)) for k in range(len(self.rows[0]))]
        print(f"\n{self.title}")
        for row in self.rows:
            first = row[0].ljust(widths[0])
            print("  ".join([first, *(cell.rjust(w) for cell, w in zip(row[1:], widths[1:], strict=False))]))


def percent(value: float, digits: int = 1) -> str:
    """A signed share in percent."""
    return f"{100 * value:+.{digits}f} %"


def between(limits: Pair, digits: int = 1, *, sign: bool = True) -> str:
    """Limits in percent."""
    form = f"{'+' if sign else ''}.{digits}f"
    return f"[{100 * limits[0]:{form}}, {100 * limits[1]:{form}}]"


def goal_row(table: Table, figure: str, value: float, limits: Pair, goal: Pair, **how: Any) -> None:
    """Add a figure in percent with its limits and what the goal says of it."""
    digits, text, n = how.get("digits", 1), how.get("text", ""), how["n"]
    sign = bool(how.get("sign", True))
    shown = f"{100 * value:{'+' if sign else ''}.{digits}f}"
    told = verdict(value, limits, goal) if text else ""
    if how.get("seen") and told.startswith("open (inside"):
        told = "holds, as seen"
    table.add(figure, str(n), shown, between(limits, digits, sign=sign), text, told)


def errors_of(rows: Iterable[ScoredRow]) -> list[float]:
    """Relative errors of the rows that have one."""
    return [e for row in rows if (e := error_of(row)) is not None]


def normalised(rows: Iterable[ScoredRow]) -> list[float]:
    """Errors over their stated standard uncertainty; 90 % intervals are right where these scatter by 1."""
    found = []
    for row in rows:
        width, error = half_width(row), error_of(row)
        if width and error is not None and row.said.estimate:
            found.append(error * row.truth.value / (width * row.said.estimate / Z90))
    return found


def set_goals(notes: Sequence[Note]) -> Table:
    """The goals that the check set is held to, in percent."""
    table = Table("GOALS, % with 95 % limits", "figure", "n", "measured", "limits", "goal", "verdict")
    for quantity in ("Sq", "Sa"):
        rows = rows_named(notes, quantity, 2.5)
        for process in [ALL, *sorted({r.truth.process for r in rows})]:
            errors = errors_of(r for r in rows if process in (ALL, r.truth.process))
            if len(errors) < 2:
                continue
            name, n, sd = f"{quantity} 2.5-25 {process}", len(errors), float(np.std(errors, ddof=1))
            goal_row(table, f"{name} bias", float(np.mean(errors)), mean_limits(errors), (-0.03, 0.03),
                     text="+-3", n=n)  # fmt: skip
            goal_row(table, f"{name} scatter", sd, scatter_limits(sd, n), (0, 0.04),
                     text="<= 4", n=n, sign=False)  # fmt: skip
    depth = errors_of(rows_named(notes, "MPD", 2.5))
    wide = [
        e for r in rows_named(notes, "Sq", 0.8) if r.truth.value >= 0.1 and (e := error_of(r)) is not None
    ]
    for name, errors, goal in (("MPD", depth, 0.05), ("Sq 0.8-25, Sq >= 0.1,", wide, 0.07)):
        if len(errors) > 1:
            goal_row(table, f"{name} bias", float(np.mean(errors)), mean_limits(errors), (-goal, goal),
                     text=f"+-{100 * goal:g}", n=len(errors))  # fmt: skip
            goal_row(table, f"{name} share of captures within {goal:.0%}", *share_within(errors, goal), (0, 1),
                     n=len(errors), sign=False)  # fmt: skip
    shaped = [r for r in rows_named(notes, "Ssk", 2.5) if r.truth.process in ("bumps", "pits")]
    signs = [r.said.estimate * r.truth.value > 0 for r in shaped if r.said.estimate is not None]
    if signs:
        goal_row(table, "Ssk of bumps and pits: right sign", sum(signs) / len(signs),
                 share_limits(sum(signs), len(signs)), (0.9, 1), text="all", n=len(signs), sign=False)  # fmt: skip
    _transfer_goals(table, notes)
    _honesty_goals(table, notes)
    return table


def share_within(errors: Sequence[float], limit: float) -> tuple[float, Pair]:
    """Share of errors within a limit, and its limits."""
    inside = sum(abs(e) <= limit for e in errors)
    return inside / len(errors), share_limits(inside, len(errors))


def _transfer_goals(table: Table, notes: Sequence[Note]) -> None:
    """Median transfer at 1.2 and 2 mm."""
    curves = np.array([n["transfer"] for n in notes if "transfer" in n])
    for wave, goal in ((1.2, 0.7), (2.0, 0.93)):
        seen = (
            [float(v) for v in curves[:, WAVELENGTHS_MM.index(wave)] if math.isfinite(v)]
            if len(curves)
            else []
        )
        if len(seen) > 1:
            limits, text = median_limits(seen), f">= {100 * goal:g}"
            goal_row(table, f"transfer of the map at {wave:g} mm, median", float(np.median(seen)), limits,
                     (goal, math.inf), text=text, n=len(seen), sign=False)  # fmt: skip


def _honesty_goals(table: Table, notes: Sequence[Note]) -> None:
    """Coverage, width, refusals and gross errors."""
    for quantity, short in MAIN:
        rows = [r for r in rows_named(notes, quantity, short) if r.said.bound == "value"]
        claims = [c for r in rows if (c := covered(r)) is not None]
        if claims:
            name = f"{quantity} {short:g}-: 90 % intervals hold"
            goal_row(table, name, sum(claims) / len(claims), share_limits(sum(claims), len(claims)),
                     (0.87, 0.93), text="87-93", n=len(claims), sign=False, seen=True)  # fmt: skip
    rows = rows_named(notes, "Sq", 2.5)
    bounds = [c for r in rows if r.said.bound == "upper" and (c := covered(r)) is not None]
    if bounds:
        goal_row(table, "Sq 2.5-: 'at most' holds", sum(bounds) / len(bounds), share_limits(sum(bounds), len(bounds)),
                 (0.9, 1), text=">= 90", n=len(bounds), sign=False)  # fmt: skip
    widths = [w for r in rows if (w := half_width(r)) is not None]
    if widths:
        goal_row(table, "Sq 2.5-: half-width of the interval, median", float(np.median(widths)),
                 median_limits(widths), (0, 0.1), text="<= 10", n=len(widths), sign=False)  # fmt: skip
    n = len(rows)
    refused = sum(r.said.refused is not None for r in rows)
    if n:
        goal_row(
            table, "refused", refused / n, share_limits(refused, n), (0, 0.05), text="<= 5", n=n, sign=False
        )
    for quantity, short in MAIN:
        rows = rows_named(notes, quantity, short)
        if rows:
            k = sum(gross(r) for r in rows)
            low, high = share_limits(k, len(rows))
            table.add(f"{quantity} {short:g}-: gross errors (> 25 %) not refused", str(len(rows)), str(k),
                      between((low, high), 2, sign=False), "0", "none seen" if k == 0 else "fails")  # fmt: skip


def summary_table(notes: Sequence[Note]) -> Table:
    """What `assessor evaluate` would say of them."""
    table = Table("SUMMARY (error over truth; deg for the lay, plain difference for Ssk)",
                  "quantity", "process", "n", "bias", "scatter", "worst", "held", "at most", "refused")  # fmt: skip
    for line in summarise(rows_of(notes)):
        numbers = (line.bias, line.scatter, line.largest_error, line.coverage)
        shown = ["-" if v is None else f"{v:+.3f}" for v in numbers]
        table.add(f"{line.quantity} {line.band_short_mm:g}-", line.process, str(line.n), *shown,
                  f"{line.upper_share:.2f}", f"{line.refused_share:.2f}")  # fmt: skip
    return table


def group_tables(notes: Sequence[Note], quantity: str = "Sq", short_mm: float = 2.5) -> list[Table]:
    """One quantity by process, fault, light and level."""
    return [
        group_table(notes, what, key, (quantity, short_mm))
        for what, key in (
            ("process", lambda n: n["process"]), ("fault", lambda n: n["fault"]),
            ("light", lambda n: n["light"]), ("true Sq", _level), ("process x level", _cell),
        )
    ]  # fmt: skip


def _level(note: Note) -> str:
    true = next(r["value"] for r in note["rows"] if r["quantity"] == "Sq" and r["band_short_mm"] == 2.5)
    k = next(k for k, top in enumerate(LEVELS_MM[1:]) if true < top)
    top = "" if math.isinf(LEVELS_MM[k + 1]) else f"{LEVELS_MM[k + 1]:g}"
    return f"{LEVELS_MM[k]:g}-{top} mm"


def _cell(note: Note) -> str:
    return f"{note['process']} {_level(note)}"


def group_table(
    notes: Sequence[Note], what: str, key: Callable[[Note], str], of: tuple[str, float], long_mm: float = 25.0
) -> Table:
    """One quantity by what `key` says of a capture."""
    band = f"{of[1]:g}-{long_mm:g} mm"
    table = Table(f"{of[0]} {band} BY {what.upper()}, % with 95 % limits; z: error over stated u, rms",
                  what, "n", "bias", "", "scatter", "", "worst", "held", "", "z", "refused", "", "gross")  # fmt: skip
    scored = [n for n in notes if n["rows"]]
    for group in sorted({key(n) for n in scored}):
        rows = rows_named((n for n in scored if key(n) == group), *of)
        rows = [r for r in rows if r.truth.band_long_mm == long_mm or of[0] == "MPD"]
        if not rows:
            continue
        errors, z = errors_of(rows), normalised(rows)
        claims = [c for r in rows if (c := covered(r)) is not None]
        refused, n = sum(r.said.refused is not None for r in rows), len(rows)
        many = len(errors) > 1
        sd = float(np.std(errors, ddof=1)) if many else math.nan
        table.add(
            group, str(n),
            f"{100 * np.mean(errors):+.1f}" if errors else "-", between(mean_limits(errors)) if many else "",
            f"{100 * sd:.1f}" if many else "-", between(scatter_limits(sd, len(errors)), sign=False) if many else "",
            f"{100 * max(errors, key=abs):+.1f}" if errors else "-",
            f"{100 * sum(claims) / len(claims):.0f}" if claims else "-",
            between(share_limits(sum(claims), len(claims)), 0, sign=False) if claims else "",
            f"{np.sqrt(np.mean(np.square(z))):.2f}" if z else "-",
            f"{refused}/{n}", between(share_limits(refused, n), 0, sign=False), str(sum(gross(r) for r in rows)),
        )  # fmt: skip
    return table


def transfer_table(notes: Sequence[Note]) -> Table:
    """Transfer of the map as it is, after the spectrum's division, and how well its stated value holds."""
    table = Table("TRANSFER, in-phase amplitude of the map over the true one; divided: by the stated curve where > 0.5",
                  "wavelength, mm", *(f"{w:g}" for w in WAVELENGTHS_MM))  # fmt: skip
    given = [n for n in notes if "transfer" in n and any(map(math.isfinite, n["transfer"]))]
    if not given:
        return table
    raw, stated, u = (np.array([n[k] for n in given]) for k in ("transfer", "stated_transfer", "u_transfer"))
    divided = np.where(stated > 0.5, raw / np.maximum(stated, 0.5), np.nan)
    for name, curves in (("map", raw), ("divided", divided), ("stated", stated)):
        for share in (10, 50, 90):
            known = np.isfinite(curves).any(0)
            values = [
                float(np.nanpercentile(c, share)) if k else math.nan
                for c, k in zip(curves.T, known, strict=True)
            ]
            table.add(f"{name} p{share}", *("-" if math.isnan(v) else f"{v:.3f}" for v in values))
    inside = (np.abs(raw - stated) <= Z90 * u).sum(0)
    table.add("stated +-1.645 u holds, %", *(f"{100 * k / len(raw):.0f}" for k in inside))
    return table
