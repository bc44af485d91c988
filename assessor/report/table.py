"""The batch as one CSV table, a row per capture; columns keep their name, new ones go last.

No cell looks like "3-5": spreadsheets turn that into a date.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence

from assessor.report.schema import CaptureRecord
from assessor.report.schema_base import QuantityRecord
from assessor.report.schema_surface import PatchRecord
from assessor.report.schema_torch import TorchRecord
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
_FINE = ("Sq", "Sa", "Sdq")
# Columns of the torch, after all that stood there before.
_TORCH: dict[str, Callable[[CaptureRecord], object]] = {
    "better_kind": lambda r: r.better_kind,
    "dark_photo": lambda r: r.torches.dark_photo if r.torches else None,
    "n_torches": lambda r: r.slopes.n_lights if r.slopes else None,
    "torch_confirmed": lambda r: _yes(r.slopes.confirmed) if r.slopes else None,
    "torch_share": lambda r: r.slopes.torch_share if r.slopes else None,
    "torch_shadowed": lambda r: r.slopes.shadowed if r.slopes else None,
    "torch_residual": lambda r: r.slopes.residual if r.slopes else None,
    "torch_azimuths_deg": lambda r: _list(r, lambda torch: torch.azimuth_deg),
    "torch_elevations_deg": lambda r: _list(r, lambda torch: torch.elevation_deg),
    "torch_u_tan_common": lambda r: r.torches.u_tan_common if r.torches else None,
    "tone_relit": lambda r: r.tone.relit if r.tone else None,
    "tone_misfit": lambda r: r.tone.misfit if r.tone else None,
    "passed_0.5_mm": lambda r: _passed(r, 0.5),
    "passed_1_mm": lambda r: _passed(r, 1.0),
    "passed_2_mm": lambda r: _passed(r, 2.0),
}
# Estimates have columns of their own, so that no mean or chart over a column mixes them with what was measured.
_ESTIMATE: dict[str, Callable[[CaptureRecord], object]] = {
    "result_is": lambda r: None if r.suggestion is None else "estimate" if r.estimate else "measurement",
    "estimated_from": lambda r: r.estimate.form if r.estimate else None,
    "estimate_model": lambda r: r.estimate.model if r.estimate else None,
    "estimated_Sq_mm": lambda r: _part(r.estimated("Sq"), lambda q: q.value),
    "estimated_Sq_low90_mm": lambda r: _part(r.estimated("Sq"), lambda q: q.low90),
    "estimated_Sq_high90_mm": lambda r: _part(r.estimated("Sq"), lambda q: q.high90),
    "estimated_Sq_band_short_mm": lambda r: _part(r.estimated("Sq"), lambda q: q.band.short_mm),
    "estimated_Sq_band_long_mm": lambda r: _part(r.estimated("Sq"), lambda q: q.band.long_mm),
    "estimate_light_known": lambda r: _yes(r.estimate.light_known) if r.estimate else None,
    "estimate_strangeness": lambda r: r.estimate.strangeness if r.estimate else None,
}
# Columns of patches and aggregate, after all that stood there before. Empty where nothing was judged, never 0.
_SURFACE: dict[str, Callable[[CaptureRecord], object]] = {
    "patches_shown": lambda r: len(r.surface.shown) if r.surface else None,
    "patches_to_review": lambda r: len(r.surface.review) if r.surface else None,
    "patches_area_mm2": lambda r: sum(patch.area_mm2 for patch in r.surface.shown) if r.surface else None,
    "patches_judged_mm2": lambda r: r.surface.judged_mm2 if r.surface else None,
    "worst_patch_kind": lambda r: _worst(r, lambda patch: patch.kind),
    "worst_patch_probability": lambda r: _worst(r, lambda patch: patch.probabilities[patch.kind]),
    "worst_patch_area_mm2": lambda r: _worst(r, lambda patch: patch.area_mm2),
    "worst_patch_test": lambda r: _worst(r, lambda patch: patch.test.code),
    "gloss": lambda r: r.surface.gloss if r.surface else None,
    "floor": lambda r: r.surface.floor if r.surface else None,
    "n_for_shine": lambda r: sum(photo.for_shine for photo in r.photos) if r.surface else None,
    "surface_notice": lambda r: r.surface.notice if r.surface else None,
    **{
        f"{name}{suffix}": lambda r, name=name, part=part: _fraction(r, name, part)  # type: ignore[misc]
        for name in ("coarse_fraction", "visible_fraction")
        for suffix, part in {
            "": lambda q: q.value,
            "_low90": lambda q: q.low90 if q.bound == "value" else None,
            "_high90": lambda q: q.high90,
            "_bound": lambda q: q.bound,
        }.items()
    },
    "aggregate_uneven": lambda r: r.surface.aggregate.uneven if r.surface and r.surface.aggregate else None,
    "aggregate_plausible": lambda r: (
        _yes(r.surface.aggregate.plausible) if r.surface and r.surface.aggregate else None
    ),
}
_PARTS: dict[str, Callable[[QuantityRecord], object]] = {
    "_mm": lambda q: q.value,
    "_low90_mm": lambda q: q.low90 if q.bound == "value" else None,
    "_high90_mm": lambda q: q.high90,
    "_bound": lambda q: q.bound,
    "_band_short_mm": lambda q: q.band.short_mm,
    "_band_long_mm": lambda q: q.band.long_mm,
}
# The fine band needs no columns of its own: it is 0.5-8 mm.
_FINE_PARTS = {suffix: part for suffix, part in _PARTS.items() if "band" not in suffix}


def captures_csv(records: Sequence[CaptureRecord]) -> str:
    """Return the table as CSV text (RFC 4180, a header line, empty cells where nothing is known)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    plain = [name + suffix for name in _QUANTITIES for suffix in _PARTS]
    fine = [
        f"{name}_fine{suffix if name != 'Sdq' else suffix.removesuffix('_mm')}"
        for name in _FINE
        for suffix in _FINE_PARTS
    ]
    writer.writerow([*_PLAIN, *plain, *_TORCH, *fine, *_ESTIMATE, *_SURFACE])
    for record in records:
        cells = [column(record) for column in _PLAIN.values()]
        cells += [_part(record.quantity(name), part) for name in _QUANTITIES for part in _PARTS.values()]
        cells += [column(record) for column in _TORCH.values()]
        cells += [_part(record.fine(name), part) for name in _FINE for part in _FINE_PARTS.values()]
        cells += [column(record) for column in (*_ESTIMATE.values(), *_SURFACE.values())]
        writer.writerow([_cell(cell) for cell in cells])
    return out.getvalue()


def _part(quantity: QuantityRecord | None, part: Callable[[QuantityRecord], object]) -> object:
    return None if quantity is None else part(quantity)


def _worst(record: CaptureRecord, of: Callable[[PatchRecord], object]) -> object:
    """Of the shown patch that most surely is one; shadows come last."""
    shown = record.surface.shown if record.surface else ()
    first = sorted(shown, key=lambda patch: (patch.kind == "shadow", -patch.likely, -patch.area_mm2))
    return of(first[0]) if first else None


def _fraction(record: CaptureRecord, name: str, part: Callable[[QuantityRecord], object]) -> object:
    aggregate = record.surface.aggregate if record.surface else None
    quantity = aggregate and (aggregate.coarse if name == "coarse_fraction" else aggregate.visible)
    return part(quantity) if quantity else None


def _list(record: CaptureRecord, of: Callable[[TorchRecord], float | None]) -> str | None:
    """One number per torch, in the order of the photos; spaces apart, as no spreadsheet takes for a date."""
    told = [of(torch) for torch in record.torches.torches] if record.torches else []
    return " ".join(f"{number:.0f}" for number in told if number is not None) or None


def _passed(record: CaptureRecord, wavelength_mm: float) -> float | None:
    rows = record.heights.passed if record.heights else ()
    return next((row.amplitude for row in rows if row.wavelength_mm == wavelength_mm), None)


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
