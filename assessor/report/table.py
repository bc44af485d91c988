"""The batch as one CSV table, a row per capture; columns keep their name, new ones go last.

No cell looks like "3-5": spreadsheets turn that into a date.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence

from assessor.report.schema import CaptureRecord, QuantityRecord
from assessor.report.words import headline

_QUANTITIES = ("Sq", "Sa", "Sz", "MPD", "ETD")
_PLAIN: dict[str, Callable[[CaptureRecord], object]] = {
    "capture": lambda r: r.capture,
    "status": lambda r: r.status,
    "origin": lambda r: r.origin,
    "kind": lambda r: r.kind,
    "n_photos": lambda r: len(r.photos),
    "n_used": lambda r: sum(photo.used for photo in r.photos),
    "print_checked": lambda r: _yes(r.print.checked),
    "scale": lambda r: r.scale.name,
    "scale_origin": lambda r: r.scale.origin,
    "set90": lambda r: " ".join(map(str, r.suggestion.set90)) if r.suggestion else None,
    "best_suggested_grade": lambda r: r.suggestion.best if r.suggestion else None,
    "best_probability": lambda r: r.suggestion.confidence if r.suggestion and r.suggestion.best else None,
    "target_low": lambda r: r.target_range[0] if r.target_range else None,
    "target_high": lambda r: r.target_range[1] if r.target_range else None,
    "p_short": lambda r: _verdict(r, "p_short"),
    "p_in_range": lambda r: _verdict(r, "p_in_range"),
    "p_over": lambda r: _verdict(r, "p_over"),
    "call": lambda r: _verdict(r, "call"),
    "noise_floor_mm": lambda r: r.texture.noise_floor_mm if r.texture else None,
    "direction_deg": lambda r: r.texture.direction.lay_deg if r.texture else None,
    "flags": lambda r: " ".join(flag.code for flag in r.flags),
    "refused": lambda r: " ".join(f"{row.file or r.capture}={row.code}" for row in r.refused),
    "headline": headline,
    "notice": lambda r: r.suggestion.notice if r.suggestion else None,
    "key": lambda r: r.key,
    "assessor_version": lambda r: r.assessor_version,
    "assessed_at_utc": lambda r: r.assessed_at_utc,
}
_PARTS: dict[str, Callable[[QuantityRecord], object]] = {
    "_mm": lambda q: q.value,
    "_low90_mm": lambda q: q.low90 if q.bound == "value" else None,
    "_high90_mm": lambda q: q.high90,
    "_bound": lambda q: q.bound,
    "_band_short_mm": lambda q: q.band.short_mm,
    "_band_long_mm": lambda q: q.band.long_mm,
}


def captures_csv(records: Sequence[CaptureRecord]) -> str:
    """Return the table as CSV text (RFC 4180, a header line, empty cells where nothing is known)."""
    out = io.StringIO(newline="")
    parts = [(name, suffix) for name in _QUANTITIES for suffix in _PARTS]
    writer = csv.writer(out)
    writer.writerow([*_PLAIN, *(name + suffix for name, suffix in parts)])
    for record in records:
        cells = [column(record) for column in _PLAIN.values()]
        for name, suffix in parts:
            quantity = record.quantity(name)
            cells.append(_PARTS[suffix](quantity) if quantity else None)
        writer.writerow([_cell(cell) for cell in cells])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    # A name that starts like a formula would run in a spreadsheet.
    return f"'{text}" if text[:1] in {"=", "+", "@", "\t"} or text.startswith("-") else text


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _verdict(record: CaptureRecord, field: str) -> object:
    verdict = record.suggestion.verdict if record.suggestion else None
    return getattr(verdict, field) if verdict else None
