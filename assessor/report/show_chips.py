"""A fit of chips for people: a table per band, steps between neighbours, and what to know before using it."""

from __future__ import annotations

import math
from typing import Any

from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table

from assessor.grading.chips import ChipFit, ChipRow, ChipStep, nearest_band

_ORDER = {"rises": "", "breaks": "BROKEN", "unsure": "broken?"}
_LEGEND = (
    "n: captures. low, high: 90 % interval of the median. sd ln: of ln Sq over the captures; shared:\n"
    "what all are unsure by beyond it. next: how many times as rough the next chip is, +-: its\n"
    "standard uncertainty."
)


def show_chips(console: Console, fit: ChipFit) -> None:
    """Print the fit: bands that make the scale as tables (of none, the nearest), why others do not, then the notes."""
    if fit.made == "rendered":
        console.print(
            "Made of rendered photos, not of real ones: it says nothing about real chips.", markup=False
        )
    nearest = nearest_band(fit)
    for band in fit.bands or ((nearest,) if nearest else ()):
        steps = {step.low: step for step in fit.steps if step.band == band}
        table = Table(
            title=f"Sq in {band}, mm", title_justify="left", box=SIMPLE, padding=(0, 1), collapse_padding=True
        )
        for name in ("CSP", "n", "shot"):
            table.add_column(name, no_wrap=True)
        for name in ("median", "low", "high", "sd ln", "shared", "next", "+-"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("order", no_wrap=True)
        for row in fit.of(band):
            table.add_row(*_cells(row, steps.get(row.grade)))
        console.print(table)
        console.print(_LEGEND, markup=False, soft_wrap=True)
    for band, why in fit.left_out:
        console.print(f"left out: {band}: {why}", markup=False, soft_wrap=True)
    for note in fit.notes:
        console.print(f"note: {note}", markup=False, soft_wrap=True)


def _cells(row: ChipRow, step: ChipStep | None) -> tuple[str, ...]:
    head = (str(row.grade), str(row.n), ", ".join(row.kinds))
    if row.bound == "upper":
        return (*head, f"<= {row.median_mm:.4f}", *[""] * 7)
    if row.n == 1:
        return (*head, f"{row.median_mm:.4f}", "", "", "", "", *_step(step))
    reach = math.exp(1.645 * row.u_log)
    return (
        *head,
        f"{row.median_mm:.4f}",
        f"{row.median_mm / reach:.4f}",
        f"{row.median_mm * reach:.4f}",
        f"{row.log_sd:.3f}",
        f"{row.shared_log_sd:.3f}",
        *_step(step),
    )


def _step(step: ChipStep | None) -> tuple[str, str, str]:
    if step is None:
        return "", "", ""
    doubt = f"{step.ratio * step.u_log:.2f}" if math.isfinite(step.u_log) else ""
    return f"x {step.ratio:.2f}", doubt, _ORDER[step.order]


def chips_as_dict(fit: ChipFit, more: dict[str, Any]) -> dict[str, Any]:
    """The fit as plain JSON values; infinite and unknown numbers are null."""
    return {
        "edition": fit.edition,
        "origin": fit.made,
        "bands_mm": [[band.short_mm, band.long_mm] for band in fit.bands],
        "left_out": [{"band_mm": [band.short_mm, band.long_mm], "why": why} for band, why in fit.left_out],
        "rows": [
            {
                "grade": row.grade,
                "band_mm": [row.band.short_mm, row.band.long_mm],
                "captures": row.n,
                "kinds": list(row.kinds),
                "bound": row.bound,
                "median_mm": _finite(row.median_mm),
                "log_sd": None if row.bound == "upper" else _finite(row.log_sd),
                "shared_log_sd": None if row.bound == "upper" else _finite(row.shared_log_sd),
                "u_log_median": _finite(row.u_log),
                "lowest_mm": None if row.bound == "upper" else row.low_mm,
                "highest_mm": row.high_mm,
                "odd_captures": list(row.odd),
            }
            for row in fit.rows
        ],
        "steps": [
            {
                "low": step.low,
                "high": step.high,
                "band_mm": [step.band.short_mm, step.band.long_mm],
                "ratio": step.ratio,
                "u_log_ratio": _finite(step.u_log),
                "order": step.order,
            }
            for step in fit.steps
        ],
        "notes": list(fit.notes),
        **more,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
