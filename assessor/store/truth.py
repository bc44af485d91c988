"""Read a folder with known truth (design section 8): `truth.csv`, `photos/<capture>/*`, optional JSON files.

truth.csv: a header line, then one row per capture and quantity with the columns capture, kind, process,
split, rendered, quantity, unit, band_short_mm, band_long_mm, value. The band may be empty for grade and lay. Columns
light (scores by light), mask, px_per_mm and contrast are read where there are any; other columns are passed over.
A row of quantity `patch` is one true patch: its value is the patch's kind and its mask an 8-bit PNG in the folder, over
127 inside, whose centre is the card's centre, row 0 at the largest y. `false_patches` has the value 0.
card.json: where every print has the same size, `{"measured_bars": [along_mm, across_mm]}`.
captures.json: per capture, `{"capture": {"measured_bars": [along_mm, across_mm]}}`; goes before card.json.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from assessor.card.designs import designs
from assessor.card.layout import DESIGN
from assessor.errors import BadTruth
from assessor.evaluation import TruthRow
from assessor.store.files import find_photos
from assessor.store.truth_surface import check_mask, check_surface_value, number_in, surface_cells

OPTIONAL = ("light", "mask", "px_per_mm", "contrast", "x_mm", "y_mm")
COLUMNS = tuple(name for name in TruthRow.__dataclass_fields__ if name not in {*OPTIONAL, "patch"})
QUANTITIES_MM = {"Sq", "Sa", "Sz", "MPD", "ETD"}
KINDS = {"single", "angles", "torch", "fused", "overview"}
_FLAGS = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}
Bars = tuple[float, float]


class _Card(BaseModel):
    model_config = ConfigDict(frozen=True)
    design: str = DESIGN
    measured_bars: Bars | None = None


class _Capture(BaseModel):
    model_config = ConfigDict(frozen=True)
    measured_bars: Bars | None = None


@dataclass(frozen=True, slots=True)
class TruthCapture:
    """One capture of the folder: its photos, truth rows and tape readings (along, across), if any."""

    name: str
    photos: tuple[Path, ...]
    rows: tuple[TruthRow, ...]
    measured_bars: Bars | None


def read_truth_folder(folder: Path) -> tuple[TruthCapture, ...]:
    """Return the captures of a folder with known truth, in the order of their first row.

    Raises BadTruth with the row's number where the table, a JSON file or a capture's photos are wrong.
    """
    file = str(folder / "truth.csv")
    rows = read_truth(_text(folder / "truth.csv"), file=file, folder=folder)
    card = _json(folder / "card.json", TypeAdapter(_Card)) or _Card()
    if card.design not in designs():
        known = ", ".join(designs())
        raise BadTruth(
            f"the card's design is '{card.design}', known: {known}", file=str(folder / "card.json")
        )
    own: dict[str, _Capture] = _json(folder / "captures.json", TypeAdapter(dict[str, _Capture])) or {}
    captures = []
    for name in dict.fromkeys(row.capture for row in rows):
        place = folder / "photos" / name
        if not place.is_dir():
            raise BadTruth(f"capture '{name}' has no folder {place}", file=file)
        bars = own[name].measured_bars if name in own else None
        captures.append(
            TruthCapture(
                name=name,
                photos=find_photos([place]),
                rows=tuple(row for row in rows if row.capture == name),
                measured_bars=bars or card.measured_bars,
            )
        )
    return tuple(captures)


def read_truth(text: str, *, file: str, folder: Path | None = None) -> tuple[TruthRow, ...]:
    """Parse the text of a truth.csv; raises BadTruth with the number of the row (the header is row 1).

    folder: where masks lie; without it they are not looked at.
    """
    reader = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        raise BadTruth(f"row 1: missing columns: {', '.join(missing)}", file=file)
    rows, seen = [], set()
    for cells in reader:
        # line_num counts lines as an editor shows them, even where a quoted cell holds a line break.
        where = f"row {reader.line_num}"
        row = _row(cells, where=where, file=file)
        key = (row.capture, row.kind, row.quantity, row.band, row.mask)
        if key in seen:
            what = f" with mask {row.mask}" if row.mask else ""
            raise BadTruth(f"{where}: {row.quantity} of '{row.capture}'{what} stands there twice", file=file)
        if folder is not None and row.patch:
            check_mask(folder, row, where=where, file=file)
        seen.add(key)
        rows.append(row)
    if not rows:
        raise BadTruth("the table has no rows", file=file)
    return tuple(rows)


def _row(cells: Mapping[str, Any], *, where: str, file: str) -> TruthRow:
    text = {name: (cells[name] or "").strip() for name in COLUMNS}
    for name in ("capture", "kind", "process", "split", "quantity"):
        if not text[name]:
            raise BadTruth(f"{where}: {name} is empty", file=file)
    if Path(text["capture"]).name != text["capture"] or text["capture"] in {".", ".."}:
        raise BadTruth(f"{where}: capture '{text['capture']}' is not a plain folder name", file=file)
    if text["kind"] not in KINDS:
        raise BadTruth(f"{where}: kind '{text['kind']}' is not one of {', '.join(sorted(KINDS))}", file=file)
    if text["rendered"].lower() not in _FLAGS:
        raise BadTruth(f"{where}: rendered must be true or false, not '{text['rendered']}'", file=file)
    quantity, unit = text["quantity"], text["unit"]
    if quantity in QUANTITIES_MM and unit != "mm":
        raise BadTruth(f"{where}: {quantity} must be in mm, not '{unit}'", file=file)
    surface = surface_cells(cells, where=where, file=file)
    value = 0.0 if surface.patch else number_in(text["value"], where=f"{where}: value", file=file)
    check_surface_value(quantity, unit, value, where=where, file=file)
    short_mm, long_mm = (
        number_in(text[name], where=f"{where}: {name}", file=file) if text[name] else None
        for name in ("band_short_mm", "band_long_mm")
    )
    if (short_mm is None) != (long_mm is None):
        raise BadTruth(f"{where}: give both ends of the band or neither", file=file)
    if short_mm is not None and long_mm is not None and not 0 < short_mm < long_mm:
        raise BadTruth(f"{where}: the band {short_mm:g}-{long_mm:g} mm runs backwards or from 0", file=file)
    return TruthRow(
        capture=text["capture"],
        kind=text["kind"],
        process=text["process"],
        split=text["split"],
        rendered=_FLAGS[text["rendered"].lower()],
        quantity=quantity,
        unit=unit,
        band_short_mm=short_mm,
        band_long_mm=long_mm,
        value=value,
        light=(cells.get("light") or "").strip(),
        mask=surface.mask,
        px_per_mm=surface.px_per_mm,
        contrast=surface.contrast,
        patch=surface.patch,
        x_mm=surface.x_mm,
        y_mm=surface.y_mm,
    )


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise BadTruth(f"the file cannot be read ({error.strerror})", file=str(path)) from error
    except UnicodeDecodeError as error:
        raise BadTruth("the file is not UTF-8 text", file=str(path)) from error


def _json(path: Path, adapter: TypeAdapter[Any]) -> Any:
    """The checked content of an optional JSON file, or None where there is none."""
    if not path.exists():
        return None
    try:
        return adapter.validate_python(json.loads(_text(path)))
    except (json.JSONDecodeError, RecursionError) as error:
        raise BadTruth(f"the file is not valid JSON ({error})", file=str(path)) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the top"
        raise BadTruth(f"{where}: {first['msg']}", file=str(path)) from error
