"""The use cases, and the only thing the command line calls: files in, work to an executor, results out.

`plan_batch` finds the photos, groups them and says what is still to do; `assess_batch` does it on the
executor it is given and writes the table and the page; `evaluate_folder` scores a folder with known truth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from assessor.asked import FloorTold, read_scale, read_settings, with_floor, with_process
from assessor.batch import (
    SMALL_PHOTO,
    CaptureOutcome,
    CaptureTask,
    Job,
    TruthOutcome,
    TruthTask,
    failed_capture,
    failed_truth,
    read_serial,
    run_all,
    run_capture,
    run_truth,
)
from assessor.capture_plan import Asked, AskedCapture, plan_captures, source_file
from assessor.card.bars import scale_from_bars
from assessor.card.describe import describe_card
from assessor.card.draw import draw_card_pdf, draw_card_png, draw_card_svg
from assessor.card.layout import card_layout
from assessor.evaluation import ScoredRow, SummaryRow, bands_asked, summarise
from assessor.evaluation_calls import CallRow, CallScore, summarise_calls
from assessor.grading.ranges import parse_range
from assessor.grouping import Group, PhotoRecord, group_photos, look_at_cards
from assessor.report.page import index_page
from assessor.report.record import SourceFile
from assessor.report.schema import CaptureRecord
from assessor.report.table import captures_csv
from assessor.settings import Settings
from assessor.store.files import (
    RECORD,
    append_text,
    check_writable,
    clean_text,
    find_photos,
    write_bytes,
    write_text,
)
from assessor.store.truth import read_truth_folder
from assessor.texture.measure import MAIN_BANDS
from assessor.values import Kind, PrintScale

INDEX, TABLE, LOG = "index.html", "captures.csv", "errors.log"
CardFormat = Literal["pdf", "svg", "png"]
Paper = Literal["a4", "letter"]
KindAsked = Literal["auto", "single", "angles", "torch", "fused"]

DEFAULT_SCALE = "prior-10"
_KINDS: dict[str, Kind] = {"single": "single", "angles": "angles", "torch": "torch", "fused": "fused"}


@dataclass(frozen=True, slots=True)
class AssessRequest:
    """What a person asks of `assess`; the command line takes its defaults from here."""

    inputs: tuple[Path, ...]
    out: Path = Path("assessor_out")
    target_range: str | None = None
    measured_bars: tuple[float, float] | None = None
    scale: str = DEFAULT_SCALE
    process: str | None = None
    kind: KindAsked = "auto"
    floor: FloorTold = "not-told"
    settings_file: Path | None = None
    force: bool = False


@dataclass(frozen=True, slots=True)
class CardRequest:
    """What a person asks of `card`."""

    paper: Paper = "a4"
    serial: int = 0
    format: CardFormat = "pdf"
    out: Path | None = None


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """Captures still to do, results that stand, and how the photos were grouped."""

    out: Path
    groups: tuple[Group, ...]
    tasks: tuple[CaptureTask, ...]
    standing: tuple[CaptureRecord, ...]


@dataclass(frozen=True, slots=True)
class BatchResult:
    """Records of all captures of the batch in the order of its groups, and where to look."""

    records: tuple[CaptureRecord, ...]
    n_new: int
    index: Path
    table: Path
    log: Path | None

    @property
    def all_assessed(self) -> bool:
        """Whether every photo of every capture was used."""
        return all(record.status == "assessed" and not record.refused for record in self.records)


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Scored rows in the order of the truth table, their summary, and what went wrong by capture.

    calls: None where no target range was asked for.
    """

    rows: tuple[ScoredRow, ...]
    summary: tuple[SummaryRow, ...]
    sentences: dict[str, str]
    traces: dict[str, str]
    calls: tuple[CallRow, ...] | None = None

    @property
    def call_scores(self) -> tuple[CallScore, ...]:
        """How often the calls were right."""
        return summarise_calls(self.calls or ())

    def as_dict(self) -> dict[str, Any]:
        """The JSON of design section 8; with calls where a range was asked for."""
        told = {
            "rows": [row.as_dict() for row in self.rows],
            "summary": [row.as_dict() for row in self.summary],
        }
        if self.calls is not None:
            told["calls"] = [row.as_dict() for row in self.calls]
            told["call_summary"] = [score.as_dict() for score in self.call_scores]
        return told


def plan_batch(request: AssessRequest, executor: Executor) -> BatchPlan:
    """Find and group the photos and decide what is still to do.

    Raises the InputError or SetupError that concerns the whole batch, before any photo is measured.
    """
    settings = read_settings(request.settings_file)
    scale = read_scale(request.scale)
    if request.process is not None:
        settings = with_process(settings, request.process, scale)
    settings = with_floor(settings, request.floor)
    target = parse_range(request.target_range, scale) if request.target_range else None
    bars = request.measured_bars
    if bars:
        scale_from_bars(*bars, settings=settings.bars)  # refuses impossible readings before any photo is read
    paths = find_photos(request.inputs, leave_out=request.out)
    check_writable(request.out)
    files = {str(path): source_file(path, settings) for path in paths}
    groups = tuple(
        replace(group, name=clean_text(group.name), why=clean_text(group.why))
        for group in _group(files, settings, executor)
    )
    kind = None if request.kind == "auto" else request.kind
    asked = [AskedCapture(group, kind, bars) for group in groups]
    how = Asked(settings, scale, target)
    tasks, standing = plan_captures(asked, files, how, request.out, force=request.force)
    return BatchPlan(request.out, groups, tasks, standing)


def assess_batch(
    plan: BatchPlan, executor: Executor, on_done: Callable[[int, int, str], None] | None = None
) -> BatchResult:
    """Assess what is still to do and write the batch's table and page; `on_done` is told (done, all, name).

    Raises OutputNotWritable where results cannot be written; no other error of a capture stops the batch.
    """
    records = {record.capture: record for record in plan.standing}
    log: Path | None = None
    done = run_all(executor, run_capture, plan.tasks, failed_capture)
    for n, (task, outcome) in enumerate(done, start=1):
        records[task.head.capture] = outcome.record
        if outcome.trace:
            log = plan.out / LOG
            append_text(log, _log_entry(outcome))
        if on_done:
            on_done(n, len(plan.tasks), task.head.capture)
    ordered = tuple(records[group.name] for group in plan.groups)
    write_text(plan.out / TABLE, captures_csv(ordered))
    names = {record.capture for record in ordered}
    others = {path.parent.name for path in plan.out.glob(f"*/{RECORD}")} - names
    write_text(plan.out / INDEX, index_page(ordered, _thumbnails(plan.out, ordered), others=sorted(others)))
    return BatchResult(ordered, len(plan.tasks), plan.out / INDEX, plan.out / TABLE, log)


def evaluate_folder(
    folder: Path,
    executor: Executor,
    *,
    scale: str = DEFAULT_SCALE,
    settings_file: Path | None = None,
    target_range: str | None = None,
    on_done: Callable[[int, int, str], None] | None = None,
) -> Evaluation:
    """Score a folder with known truth (design section 8); raises BadTruth where it cannot be read.

    target_range: judge the calls for it too, wherever the truth holds a grade.
    """
    settings, grade_scale = read_settings(settings_file), read_scale(scale)
    target = parse_range(target_range, grade_scale) if target_range else None
    captures = read_truth_folder(folder)
    tasks = []
    for capture in captures:
        bars = capture.measured_bars
        print_scale = scale_from_bars(*bars, settings=settings.bars) if bars else PrintScale()
        bands = tuple(dict.fromkeys((*MAIN_BANDS, *bands_asked(capture.rows))))
        kinds = tuple(dict.fromkeys(row.kind for row in capture.rows))
        for kind in kinds:
            # One kind is recognised, as a crew's photos are; of several, each is assessed on its own.
            asked = _KINDS.get(kind) if len(kinds) > 1 else None
            job = Job(capture.photos, print_scale, grade_scale, target, bands, settings, asked)
            of_kind = tuple(row for row in capture.rows if row.kind == kind)
            tasks.append(TruthTask(capture.name, job, of_kind, folder))
    outcomes: list[TruthOutcome] = []
    for task, outcome in run_all(executor, run_truth, tasks, failed_truth):
        outcomes.append(outcome)
        if on_done:
            on_done(len(outcomes), len(tasks), task.capture)
    scored = {row.truth: row for outcome in outcomes for row in outcome.rows}
    rows = tuple(scored[row] for capture in captures for row in capture.rows)
    return Evaluation(
        rows=rows,
        summary=summarise(rows),
        sentences={outcome.capture: outcome.sentence for outcome in outcomes if outcome.sentence},
        traces={outcome.capture: outcome.trace for outcome in outcomes if outcome.trace},
        calls=tuple(call for outcome in outcomes for call in outcome.calls) if target else None,
    )


def write_card(request: CardRequest) -> Path:
    """Draw the card and write it; returns the file."""
    layout = card_layout(request.serial)
    path = request.out or Path(f"card-{request.paper}-{request.serial:05d}.{request.format}")
    if request.format == "pdf":
        data = draw_card_pdf(layout, request.paper)
    elif request.format == "svg":
        data = draw_card_svg(layout, request.paper).encode()
    else:
        data = draw_card_png(layout, request.paper)
    write_bytes(path, data)
    return path


def card_numbers(request: CardRequest) -> dict[str, Any]:
    """The card's geometry as plain values, all lengths in mm."""
    return describe_card(card_layout(request.serial), request.paper)


def _group(files: dict[str, SourceFile], settings: Settings, executor: Executor) -> tuple[Group, ...]:
    """Group by folder and time; where more photos stay together than the sides ask for, by the cards' serials too."""
    records = {path: PhotoRecord(path, file.exif, is_sweep=file.is_sweep) for path, file in files.items()}
    sweeps = frozenset(path for path, file in files.items() if file.is_sweep)
    serials: dict[str, int | None] = {}
    while True:
        groups = group_photos(records.values(), settings.grouping)
        wanted = [look_at_cards(group, serials, sweeps, settings.grouping) for group in groups]
        tasks = [(Path(path), settings) for paths in wanted for path in paths]
        if not tasks:
            return groups
        for (path, _), serial in run_all(executor, read_serial, tasks, lambda task, error: None):
            serials[str(path)] = serial
            records[str(path)] = replace(records[str(path)], serial=serial)


def _thumbnails(out: Path, records: Sequence[CaptureRecord]) -> dict[str, bytes]:
    found = {}
    for record in records:
        path = out / record.capture / SMALL_PHOTO
        if record.status == "assessed" and path.is_file():
            found[record.capture] = path.read_bytes()
    return found


def _log_entry(outcome: CaptureOutcome) -> str:
    record = outcome.record
    head = f"{record.assessed_at_utc} assessor {record.assessor_version} capture {record.capture}"
    return f"{head}\n{record.failure}\n{outcome.trace}\n"
