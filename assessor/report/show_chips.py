"""A fit of chips for people: a table per band, steps between neighbours, and what to know before using it."""

from __future__ import annotations

import math
from typing import Any

from rich.console import Console
from rich.table import Table

from assessor.grading.chips import ChipFit, ChipRow, ChipStep

_ORDER = {"rises": "", "breaks": "BREAKS THE ORDER", "unsure": "falls, within its uncertainty"}


def show_chips(console: Console, fit: ChipFit) -> None:
    """Print the fit: bands that make the scale as tables, the others with why not, then the notes."""
    if fit.made == "rendered":
        console.print(
            "Made of rendered photos, not of real ones: it says nothing about real chips.", markup=False
        )
    for band in fit.bands:
        steps = {step.low: step for step in fit.steps if step.band == band}
        table = Table(title=f"Sq in {band}, mm", title_justify="left")
        for name in ("CSP", "captures", "shot as"):
            table.add_column(name)
        for name in ("median", "90 %", "sd of ln Sq", "shared", "lowest - highest", "next chip"):
            table.add_column(name, justify="right")
        for row in fit.of(band):
            table.add_row(*_cells(row, steps.get(row.grade)))
        console.print(table)
    for band, why in fit.left_out:
        console.print(f"left out: {band}: {why}", markup=False, soft_wrap=True)
    for note in fit.notes:
        console.print(f"note: {note}", markup=False, soft_wrap=True)


def _cells(row: ChipRow, step: ChipStep | None) -> tuple[str, ...]:
    head = (str(row.grade), str(row.n), ", ".join(row.kinds))
    if row.bound == "upper":
        return (*head, f"at most {row.median_mm:.4f}", "", "", "", "", "")
    reach = math.exp(1.645 * row.u_log)
    return (
        *head,
        f"{row.median_mm:.4f}",
        f"{row.median_mm / reach:.4f} - {row.median_mm * reach:.4f}",
        f"{row.log_sd:.3f}",
        f"{row.shared_log_sd:.3f}",
        f"{row.low_mm:.4f} - {row.high_mm:.4f}",
        ""
        if step is None
        else f"x {step.ratio:.2f} +- {step.ratio * step.u_log:.2f} {_ORDER[step.order]}".rstrip(),
    )


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
