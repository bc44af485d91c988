"""Scores of patches and aggregate in the terminal, as tables of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.table import Table

from assessor.evaluation import ALL, SummaryRow
from assessor.evaluation_rows import FALSE_PATCHES, FRACTIONS, PATCH, ShareOf

LEGEND = "patches: in brackets the exact 95 % limits of a share; kind: of those found, named rightly; area: within 15 %"


def surface_tables(rows: Sequence[SummaryRow]) -> list[Table]:
    """Of rows pooled over processes: what was found, what was found wrongly, and fractions; none where none is told."""
    named = {PATCH: _patches, FALSE_PATCHES: _false, FRACTIONS[0]: _fractions, FRACTIONS[1]: _fractions}
    tables = []
    for kind, split in dict.fromkeys((row.kind, row.split) for row in rows):
        for table in dict.fromkeys(named.values()):
            chosen = [
                row for row in rows if (row.kind, row.split) == (kind, split) and named[row.quantity] is table
            ]
            if chosen:
                tables.append(table(chosen, f"{kind}, {split}"))
    return tables


def _patches(rows: Sequence[SummaryRow], of_what: str) -> Table:
    headings = ("patch", "n", "refused", "found (95 %)", "kind", "can't tell", "IoU", "area")
    table = _table(f"patches found: {of_what}", headings)
    for row in rows:
        of = row.surface
        if of is None:
            continue
        told = of.shadow_called_stain if row.patch == "shadow" else of.recall
        name = "shadow as stain" if row.patch == "shadow" else row.patch
        iou = "" if of.median_iou is None else f"{of.median_iou:.2f}"
        table.add_row(
            name, str(row.n), f"{100 * row.refused_share:.0f} %", _limited(told),
            _share(of.kind_right), _share(of.cannot_tell), iou, _share(of.area_within_15),
        )  # fmt: skip
        if row.patch == ALL:
            for words, share in (
                ("dark, strong", of.recall_strong), ("dark, weak", of.recall_weak),
                ("wrong and sure", of.wrong_and_confident), ("shine can't tell", of.gloss_cannot_tell),
            ):  # fmt: skip
                if share is not None:
                    table.add_row(f"  {words}", str(share.n), "", _limited(share))
    return table


def _false(rows: Sequence[SummaryRow], of_what: str) -> Table:
    headings = ("captures", "refused", "any (95 %)", "of clean ones (95 %)", "per m2", "in review per m2")
    table = _table(f"patches where none is: {of_what}", headings)
    for row in rows:
        of = row.surface
        if of is None:
            continue
        table.add_row(
            str(row.n), f"{100 * row.refused_share:.0f} %", _limited(of.false_share), _limited(of.false_clean),
            *("" if value is None else f"{value:.2f}" for value in (of.false_per_m2, of.false_review_per_m2)),
        )  # fmt: skip
    return table


def _fractions(rows: Sequence[SummaryRow], of_what: str) -> Table:
    headings = ("fraction", "n", "mean off", "bias", "in 90 %", "can't tell")
    table = _table(f"aggregate by area: {of_what}", headings)
    for row in rows:
        mae = row.surface.mae if row.surface else None
        table.add_row(
            row.quantity.removesuffix("_fraction"), str(row.n),
            "" if mae is None else f"{mae:.3f}", "" if row.bias is None else f"{row.bias:+.3f}",
            "" if row.coverage is None else f"{100 * row.coverage:.0f} %", f"{100 * row.abstained_share:.0f} %",
        )  # fmt: skip
    return table


def _table(title: str, headings: Sequence[str]) -> Table:
    table = Table(box=SIMPLE_HEAD, padding=0, show_edge=False, title=title, title_justify="left")
    for heading in headings:
        table.add_column(heading, no_wrap=True)
    return table


def _share(share: ShareOf | None) -> str:
    return "" if share is None else f"{100 * share.share:.0f} %"


def _limited(share: ShareOf | None) -> str:
    if share is None:
        return ""
    return f"{100 * share.share:.0f} ({100 * share.low95:.0f}..{100 * share.high95:.0f}) %"
