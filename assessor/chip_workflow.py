"""The use case of one's own chips: photos of every chip in, each assessed as any capture, a grade scale out.

Photos lie in one folder a capture, in folders named after the grade (chips/3/1/*.jpg), or in any folders that a table
`chips.csv` beside them gives grades (columns folder, grade). Captures that are done are not done again, so photos can
be added chip by chip.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from assessor.asked import read_scale, read_settings
from assessor.capture_plan import Asked, AskedCapture, plan_captures, source_file
from assessor.card.designs import CHIP_DESIGN, CHIP_WINDOW_MM, design_layout
from assessor.card.draw import pages_pdf
from assessor.card.guide_chips import chip_pages
from assessor.errors import ChipsUnusable
from assessor.grading.chips import (
    ChipFit,
    ChipReading,
    ChipSq,
    Made,
    ScaleHead,
    fit_chips,
    scale_text,
)
from assessor.grading.scale import SHIPPED, load_scale
from assessor.grouping import Group, Names, folder_name, natural
from assessor.report.schema import CaptureRecord
from assessor.settings import digest_of
from assessor.store.files import check_writable, find_photos, shown_name, write_bytes, write_text
from assessor.tables.loader import CHIPS, Edition
from assessor.values import Band
from assessor.workflow import BatchPlan, BatchResult, Paper, assess_batch

TABLE_OF_CHIPS = "chips.csv"


@dataclass(frozen=True, slots=True)
class ChipsRequest:
    """What a person asks of `chips`; the command line takes its defaults from here.

    captures: folder for each capture's own results, None for one beside the scale. made_on: ISO date, None for today.
    """

    photos: Path
    out: Path = Path("chip_scale.toml")
    edition: Edition = "ten-chip"
    name: str = "own chips"
    chip_set: str = ""
    who: str = ""
    made_on: str | None = None
    measured_bars: tuple[float, float] | None = None
    captures: Path | None = None
    settings_file: Path | None = None
    force: bool = False

    @property
    def captures_out(self) -> Path:
        """Where each capture's own results go."""
        return self.captures or self.out.with_name(f"{self.out.stem}_captures")


@dataclass(frozen=True, slots=True)
class ChipsPlan:
    """The captures of all chips: what is to do, and the grade of each by its name."""

    request: ChipsRequest
    batch: BatchPlan
    grades: dict[str, int]


@dataclass(frozen=True, slots=True)
class ChipsResult:
    """The fit, the captures' own results, and the scale.

    unused: captures that gave nothing, with why. scale, sha256, digest: the scale's file, its bytes' SHA-256 and the
    digest that results carry; None with `because` where no scale can be made yet.
    """

    fit: ChipFit
    batch: BatchResult
    unused: tuple[tuple[str, str], ...]
    scale: Path | None
    sha256: str | None
    digest: str | None
    because: str | None

    def as_dict(self) -> dict[str, Any]:
        """What stands beside the fit, as plain JSON values."""
        return {
            "unused": [{"capture": name, "why": why} for name, why in self.unused],
            "scale": None if self.scale is None else str(self.scale),
            "sha256": self.sha256,
            "digest": self.digest,
            "because": self.because,
        }


def plan_chips(request: ChipsRequest) -> ChipsPlan:
    """Find the captures of every chip and decide what is still to do.

    Raises the InputError or SetupError that concerns them all, before any photo is measured.
    """
    for told, option in ((request.chip_set, "--chip-set"), (request.who, "--who"), (request.name, "--name")):
        if not told.strip():
            raise ChipsUnusable(f"a scale says which chips it was made of and by whom: {option} is empty")
    if request.name in SHIPPED:
        raise ChipsUnusable(
            f"the name '{request.name}' belongs to a shipped scale; give yours another with --name"
        )
    if request.made_on is not None:
        _check_date(request.made_on)
    settings = read_settings(request.settings_file)
    shipped = next(name for name, edition in SHIPPED.items() if edition == request.edition)
    out = request.captures_out
    paths = find_photos((request.photos,), leave_out=out)
    check_writable(out)
    check_writable(request.out.parent)
    folders = _by_folder(paths)
    grades_of = _grades(request, list(folders))
    groups, grades, names = [], {}, Names(())
    for folder in sorted(folders, key=lambda f: natural(str(f))):
        grade = grades_of[folder]
        name = names.take(f"csp{grade:02d}-{folder_name(str(folder))}")
        grades[name] = grade
        groups.append(Group(name, tuple(map(str, folders[folder])), f"the photos of {shown_name(folder)}"))
    files = {str(path): source_file(path, settings) for path in paths}
    asked = [AskedCapture(group, None, request.measured_bars) for group in groups]
    how = Asked(settings, read_scale(shipped), None)
    tasks, standing = plan_captures(asked, files, how, out, force=request.force)
    return ChipsPlan(request, BatchPlan(out, tuple(groups), tasks, standing), grades)


def make_scale(
    plan: ChipsPlan, executor: Executor, on_done: Callable[[int, int, str], None] | None = None
) -> ChipsResult:
    """Assess what is still to do, fit all chips and write the scale, unless too little was measured for one.

    Raises ChipsUnusable where nothing was measured or rendered captures are mixed with real ones.
    """
    request = plan.request
    batch = assess_batch(plan.batch, executor, on_done)
    readings, unused = [], []
    for record in batch.records:
        why = _why_unused(record)
        if why is None:
            readings.append(_reading(record, plan.grades[record.capture]))
        else:
            unused.append((record.capture, why))
    if not readings and unused:
        raise ChipsUnusable(
            f"none of the {len(unused)} captures gave a reading; {unused[0][0]}: {unused[0][1]}"
        )
    fit = fit_chips(readings, request.edition)
    head = ScaleHead(
        name=request.name,
        chip_set=request.chip_set,
        who=request.who,
        date=request.made_on or date.today().isoformat(),
        window_mm=CHIP_WINDOW_MM,
    )
    try:
        text = scale_text(fit, head)
    except ChipsUnusable as error:
        return ChipsResult(fit, batch, tuple(unused), None, None, None, error.found)
    scale = load_scale(text, file=str(request.out))
    write_text(request.out, text)
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    return ChipsResult(fit, batch, tuple(unused), request.out, sha256, digest_of(scale), None)


def write_chip_sheet(paper: Paper, serial: int, out: Path | None = None) -> Path:
    """Draw the chip sheet with its instructions as a PDF and write it; returns the file."""
    layout = design_layout(CHIP_DESIGN, serial)
    path = out or Path(f"chip-sheet-{paper}-{serial:05d}.pdf")
    write_bytes(path, pages_pdf(chip_pages(layout, paper), f"Chip sheet No. {serial:05d} ({paper})"))
    return path


def _check_date(text: str) -> None:
    try:
        date.fromisoformat(text)
    except ValueError as error:
        raise ChipsUnusable(f"'{text[:40]}' is no date; write it as 2026-03-01") from error


def _by_folder(paths: Sequence[Path]) -> dict[Path, list[Path]]:
    folders: dict[Path, list[Path]] = {}
    for path in paths:
        folders.setdefault(path.parent, []).append(path)
    return folders


def _grades(request: ChipsRequest, folders: Sequence[Path]) -> dict[Path, int]:
    """The grade of every folder that holds photos, from chips.csv or from the folder named after it."""
    table = request.photos / TABLE_OF_CHIPS
    if table.is_file():
        told = _read_table(table, request.edition)
        found = {folder: told.get(folder.resolve()) for folder in folders}
        missing = [folder for folder, grade in found.items() if grade is None]
        if missing:
            raise ChipsUnusable(
                f"the table gives no grade to folder {shown_name(missing[0])}", file=str(table)
            )
        return {folder: grade for folder, grade in found.items() if grade is not None}
    grades = {}
    for folder in folders:
        inside = folder.relative_to(request.photos).parts if folder != request.photos else ()
        if not inside:
            raise ChipsUnusable(
                "photos lie outside the folders of the chips; put each capture into <grade>/<capture>, such as 3/1",
                file=str(folder),
            )
        grades[folder] = _grade(inside[0], request.edition, str(folder))
    return grades


def _grade(text: str, edition: Edition, file: str) -> int:
    """A grade of the edition from a folder's name or a table's cell."""
    digits = text.strip().lower().removeprefix("csp").strip(" -_")
    if not digits.isdecimal() or not 1 <= int(digits) <= CHIPS[edition]:
        raise ChipsUnusable(f"'{text[:40]}' is no grade of a {edition} set (1-{CHIPS[edition]})", file=file)
    return int(digits)


def _read_table(table: Path, edition: Edition) -> dict[Path, int]:
    """Folder to grade from chips.csv."""
    try:
        text = table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ChipsUnusable("the table cannot be read as text", file=str(table)) from error
    rows = csv.DictReader(io.StringIO(text))
    if not {"folder", "grade"} <= set(rows.fieldnames or ()):
        raise ChipsUnusable("the table needs the columns folder and grade", file=str(table))
    return {
        (table.parent / (row["folder"] or "").strip()).resolve(): _grade(
            row["grade"] or "", edition, str(table)
        )
        for row in rows
    }


def _why_unused(record: CaptureRecord) -> str | None:
    """Why a capture gives no reading of its chip, or None."""
    if record.status != "assessed":
        return record.failure or (record.refused[-1].sentence if record.refused else "refused")
    designs = {photo.card.design for photo in record.photos if photo.card is not None}
    if CHIP_DESIGN not in designs:
        return f"shot with sheet {', '.join(sorted(designs))}, chips need the chip sheet (assessor card --design chip)"
    if record.origin == "mixed":
        return "some of its photos are rendered and some are not"
    if record.texture is None or not any(q.name == "Sq" for q in record.texture.quantities):
        return "no Sq was measured"
    return None


def _reading(record: CaptureRecord, grade: int) -> ChipReading:
    assert record.texture is not None
    made: Made = "rendered" if record.origin == "rendered" else "real"
    found = []
    for q in record.texture.quantities:
        if q.name != "Sq" or q.estimated or q.value is None or q.u is None or q.high90 is None:
            continue
        if q.value > 0:
            band = Band(q.band.short_mm, q.band.long_mm)
            found.append(ChipSq(band, q.value, q.u, q.high90, q.bound))
    return ChipReading(grade, record.capture, str(record.kind), made, tuple(found))
