"""Photos of a job: file them where they belong, and assess what has no assessment under today's key.

Work is a query, not a queue: a capture without an assessment under the key of today's photos, settings, scale, range
and version is still to do. Each result is entered the moment it is there, so a batch that is killed goes on where it
was, and two that run side by side do nothing twice that lasts.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

from assessor.asked import read_scale, read_settings, with_process
from assessor.batch import CaptureOutcome, CaptureTask, failed_capture, run_all, run_capture
from assessor.capture_plan import Asked, AskedCapture, plan_captures, source_file
from assessor.card.video import is_video
from assessor.desk.base import JobDesk, Person, Versions
from assessor.errors import BadEntry, OutputNotWritable, UnreadablePhoto
from assessor.grading.scale import GradeScale, load_scale
from assessor.grouping import Group
from assessor.job.book import FiledCapture, JobBook
from assessor.job.entries import Assessed, CaptureFiled, OverviewFiled, PatchSeen, ScaleAccepted
from assessor.job.parts import FileRef, Phase
from assessor.job.targets import target_of
from assessor.report.page import CAPTURE_PAGE
from assessor.report.record import SourceFile
from assessor.report.schema import CaptureRecord
from assessor.report.schema_surface import SurfaceRecord
from assessor.report.words_surface import label_words
from assessor.settings import Settings
from assessor.store.files import clean_text, find_photos, shown_name
from assessor.tables.loader import load_methods
from assessor.values import Exif
from assessor.workflow import DEFAULT_SCALE
from assessor.zone_workflow import OVERVIEW_PAGE, OverviewRequest, run_overview

OnDone = Callable[[int, int, str], None]
AT_ONCE = 32  # captures whose photos are laid out at a time: a batch of hundreds must not fill the disk


@dataclass(frozen=True, slots=True)
class SpotTold:
    """Where a person says that photos belong, where no tag does."""

    zone: int
    spot: int
    phase: Phase = "after"
    round: int | None = None


@dataclass(frozen=True, slots=True)
class JobAssessed:
    """What a run did: captures assessed now, refused now, failed by our own error, and those that stood already."""

    assessed: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]
    failed: tuple[tuple[str, str], ...]
    standing: int
    traces: tuple[str, ...] = ()

    def with_more(self, other: JobAssessed) -> JobAssessed:
        """Both together."""
        return JobAssessed(
            self.assessed + other.assessed, self.refused + other.refused, self.failed + other.failed,
            self.standing + other.standing, self.traces + other.traces,
        )  # fmt: skip


def file_photos(
    desk: JobDesk, job: str, inputs: Sequence[Path], told: SpotTold, person: Person,
    *, bars_mm: tuple[float, float] | None = None, serial: int | None = None,
) -> str:  # fmt: skip
    """Store all photos named as one capture of one spot, as a person says; returns the capture's name."""
    book = desk.book(job)
    paths = find_photos(inputs)
    name = capture_name(
        book, told.zone, told.spot, told.phase, told.round or book.round_of(told.zone, told.spot)
    )
    content = CaptureFiled(
        capture=name, zone=told.zone, spot=told.spot, phase=told.phase,
        round=told.round or book.round_of(told.zone, told.spot), photos=desk.store.keep_files(sources(hashes(paths))),
        card_serial=serial, measured_bars_mm=bars_mm, filed_by="hand",
    )  # fmt: skip
    desk.enter(job, (content,), person)
    return name


def capture_name(
    book: JobBook, zone: int, spot: int, phase: str, round_: int, taken: Iterable[str] = ()
) -> str:
    """A name for a further capture: Z01-S03-after-r1, then with -2, -3 ..."""
    base = f"Z{zone:02d}-S{spot:02d}-{phase}-r{round_}"
    used = {*book.captures, *book.overviews, *taken}
    number = 1
    while (name := base if number == 1 else f"{base}-{number}") in used:
        number += 1
    return name


def assess_job(
    desk: JobDesk, job: str, executor: Executor, person: Person,
    *, scale: str = DEFAULT_SCALE, settings_file: Path | None = None, on_done: OnDone | None = None,
) -> JobAssessed:  # fmt: skip
    """Assess every capture of a job that has no assessment under today's key, and enter each as it is done."""
    book = desk.book(job)
    settings, use_scale = read_settings(settings_file), scale_in_use(desk, book, scale)
    captures = tuple(sorted(book.captures.values(), key=lambda capture: capture.filed))
    pending = _pending(book, captures, settings, use_scale, desk.store.assessed_keys(job))
    done = JobAssessed((), (), (), len(captures) - len(pending))
    entering = _Entering(desk, job, person)
    for first in range(0, len(pending), AT_ONCE):
        with tempfile.TemporaryDirectory(prefix="assessor-") as folder:
            ready = [_ready(desk, book, *each, Path(folder)) for each in pending[first : first + AT_ONCE]]
            shown = _shifted(on_done, first, len(pending))
            done = done.with_more(_run(entering, executor, ready, shown))
    return done


def _pending(
    book: JobBook, captures: Sequence[FiledCapture], settings: Settings, scale: GradeScale,
    done: frozenset[tuple[str, str]],
) -> list[tuple[FiledCapture, Asked]]:  # fmt: skip
    """The captures without an assessment under today's key. No photo is read for it: hashes are in the record."""
    room = Path("photos-of-the-job")
    found = []
    for zone, of_zone in _by_zone(captures).items():
        asked = _asked(book, zone, settings, scale)
        files = {path: file for each in of_zone for path, file in _known(each, room)}
        wanted = [_asked_capture(book, each, room) for each in of_zone]
        tasks, _ = plan_captures(wanted, files, asked, room / "out", force=True)
        found += [
            (capture, asked)
            for capture, task in zip(of_zone, tasks, strict=True)
            if (capture.capture, task.head.key) not in done
        ]
    return sorted(found, key=lambda each: each[0].filed)


def _shifted(on_done: OnDone | None, before: int, every: int) -> OnDone | None:
    """The same report of progress, counted over all rounds of a run."""
    return None if on_done is None else lambda done, _, name: on_done(before + done, every, name)


def scale_in_use(desk: JobDesk, book: JobBook, scale: str) -> GradeScale:
    """The scale named; where none is, the last that was accepted in this job, else the shipped one."""
    if scale != DEFAULT_SCALE or not book.scales:
        return read_scale("prior-9" if _nine(book) and scale == DEFAULT_SCALE else scale)
    accepted = book.scales[-1].content
    assert isinstance(accepted, ScaleAccepted)
    return load_scale(desk.store.read_file(accepted.scale).decode("utf-8"), file=accepted.scale.name)


def _nine(book: JobBook) -> bool:
    return book.opened is not None and book.opened.edition == "nine-chip"


def file_overview(
    desk: JobDesk, job: str, zone: int, inputs: Sequence[Path], person: Person,
    *, bars_mm: tuple[float, float] | None = None, settings_file: Path | None = None,
) -> OverviewFiled:  # fmt: skip
    """Assess a zone's overview photos and enter what they show; raises what `run_overview` raises."""
    book = desk.book(job)
    desk.standing(book, zone)
    laid_out = book.zones[zone].laid_out
    size = f"{laid_out.length_m:g}x{laid_out.width_m:g}" if laid_out.length_m and laid_out.width_m else None
    method = load_methods().get(laid_out.method)
    paths = find_photos(inputs)
    photos = desk.store.keep_files(sources(hashes(paths)))
    number = 1 + sum(1 for name in book.overviews)
    with tempfile.TemporaryDirectory(prefix="assessor-") as folder:
        result = run_overview(
            OverviewRequest(
                inputs=tuple(paths), out=Path(folder) / "out", zone_size=size,
                process=method.process if method else None, measured_bars=bars_mm, settings_file=settings_file,
            )
        )  # fmt: skip
        record = result.record
        ref, _ = desk.store.keep_files([
            (record.model_dump_json(indent=1).encode(), f"overview-{number}.json"),
            (result.page.read_bytes(), OVERVIEW_PAGE),
        ])  # fmt: skip
    content = OverviewFiled(
        capture=f"Z{zone:02d}-overview-{number}", zone=zone, photos=photos, record=ref,
        covered_share=record.coverage.share, patches=_patches(record.surface),
        findings=tuple(f"{strip.kind}: {strip.length_m:.1f} x {strip.width_m:.2f} m" for strip in record.strips),
    )  # fmt: skip
    desk.enter(job, (content,), person)
    return content


def _by_zone(captures: Sequence[FiledCapture]) -> dict[int, list[FiledCapture]]:
    found: dict[int, list[FiledCapture]] = {}
    for capture in captures:
        found.setdefault(capture.zone, []).append(capture)
    return found


def _asked(book: JobBook, zone: int, settings: Settings, scale: GradeScale) -> Asked:
    """How a zone's captures are assessed: with the process of its method, where the scale knows it, and its range."""
    method = load_methods().get(book.zones[zone].laid_out.method)
    if method is not None and method.process in scale.processes:
        assert method.process is not None
        settings = with_process(settings, method.process, scale)
    target = target_of(book, zone).grades
    if target is not None and (target.low not in scale.grades or target.high not in scale.grades):
        raise BadEntry(f"the range CSP {target} leaves the {scale.edition} scale {scale.name}")
    return Asked(settings, scale, target)


def _asked_capture(book: JobBook, capture: FiledCapture, room: Path) -> AskedCapture:
    content = capture.content
    bars = content.measured_bars_mm or book.prints.get(
        content.card_serial if content.card_serial is not None else -1
    )
    group = Group(capture.capture, tuple(path for path, _ in _known(capture, room)), _why(content))
    return AskedCapture(group, None, bars)


def _why(content: CaptureFiled) -> str:
    by = {"tag": "by the tag in its photos", "folder": "by its folder", "hand": "by hand"}
    return f"filed {by[content.filed_by]} under zone {content.zone}, spot {content.spot}"


def _known(capture: FiledCapture, room: Path) -> tuple[tuple[str, SourceFile], ...]:
    """Where each photo will lie, and what the record knows of it without reading it."""
    found: dict[str, SourceFile] = {}
    for photo in capture.content.photos:
        name = Path(photo.name).name or "photo"
        where = room / "photos" / capture.capture
        if str(where / name) in found:
            name = f"{photo.sha256[:8]}-{name}"
        path = where / name
        found[str(path)] = SourceFile(f"{capture.capture}/{name}", photo.sha256, Exif(), is_video(path))
    return tuple(found.items())


def _ready(desk: JobDesk, book: JobBook, capture: FiledCapture, asked: Asked, room: Path) -> CaptureTask:
    """The task of one capture, its photos laid out under their own names."""
    files: dict[str, SourceFile] = {}
    for (text, known), photo in zip(_known(capture, room), capture.content.photos, strict=True):
        path = Path(text)
        path.parent.mkdir(parents=True, exist_ok=True)
        local = desk.store.file_path(photo)
        try:
            if local is not None:
                path.symlink_to(local.absolute())
            else:
                path.write_bytes(desk.store.read_file(photo))
        except OSError as error:
            raise OutputNotWritable(f"cannot write here ({error.strerror})", file=str(path)) from error
        told = source_file(path, asked.settings)
        files[text] = replace(told, name=known.name, sha256=known.sha256)
    tasks, _ = plan_captures([_asked_capture(book, capture, room)], files, asked, room / "out", force=True)
    return tasks[0]


@dataclass(frozen=True, slots=True)
class _Entering:
    """Where results go, and in whose name."""

    desk: JobDesk
    job: str
    person: Person


def _run(
    to: _Entering, executor: Executor, tasks: Sequence[CaptureTask], on_done: OnDone | None
) -> JobAssessed:
    assessed: list[str] = []
    refused: list[tuple[str, str]] = []
    failed: list[tuple[str, str]] = []
    traces: list[str] = []
    for number, (task, outcome) in enumerate(run_all(executor, run_capture, tasks, failed_capture), start=1):
        record = outcome.record
        if record.status == "failed":
            failed.append((record.capture, record.failure or ""))
            traces.append(outcome.trace or "")
        else:
            _enter(to, task, outcome)
            if record.status == "assessed":
                assessed.append(record.capture)
            else:
                refused.append((record.capture, record.refused[-1].sentence if record.refused else ""))
        if on_done is not None:
            on_done(number, len(tasks), record.capture)
    return JobAssessed(tuple(assessed), tuple(refused), tuple(failed), 0, tuple(traces))


def _enter(to: _Entering, task: CaptureTask, outcome: CaptureOutcome) -> None:
    """Store one result and enter it, unless another run has entered the same meanwhile."""
    record, desk, job = outcome.record, to.desk, to.job
    if (record.capture, record.key) in desk.store.assessed_keys(job):
        return
    page = (task.folder / CAPTURE_PAGE).read_bytes()
    refs = desk.store.keep_files([
        (record.model_dump_json(indent=1).encode(), f"{record.capture}.json"),
        (page, f"{record.capture}.html"),
    ])  # fmt: skip
    versions = Versions(
        model=record.surface.model if record.surface else "",
        scale=f"{record.scale.name} {record.scale.digest[:12]}",
        settings=record.settings_digest[:12],
    )
    desk.enter(job, (assessed_entry(record, *refs),), to.person, versions)


def assessed_entry(record: CaptureRecord, stored: FileRef, page: FileRef | None = None) -> Assessed:
    """A stored record as the entry that stands for it."""
    suggestion = record.suggestion
    verdict = suggestion.verdict if suggestion else None
    measured = record.kind if record.estimate is None else "estimate"
    sentence = record.refused[-1].sentence if record.status == "refused" and record.refused else ""
    # Where nothing was measured or estimated, or only a limit, the chances are the scale's and no evidence.
    told = record.texture.quantities if record.texture else ()
    chances = verdict if any(q.name == "Sq" and q.bound == "value" for q in told) else None
    return Assessed(
        capture=record.capture,
        key=record.key,
        status="assessed" if record.status == "assessed" else "refused",
        capture_kind=measured or "",
        record=stored,
        page=page,
        call=verdict.call if verdict else None,
        p_short=chances.p_short if chances else None,
        p_in_range=chances.p_in_range if chances else None,
        p_over=chances.p_over if chances else None,
        best=suggestion.best if suggestion else None,
        set90=suggestion.set90 if suggestion else (),
        sentence=verdict.sentence if verdict else sentence,
        patches=_patches(record.surface),
        origin=record.origin,
    )


def _patches(surface: SurfaceRecord | None) -> tuple[PatchSeen, ...]:
    """The patches that the crew sees; those of the review list alone open nothing."""
    shown = surface.shown if surface else ()
    return tuple(PatchSeen(patch=p.number, cause=label_words(p), area_mm2=p.area_mm2) for p in shown)


def hashes(paths: Sequence[Path]) -> dict[Path, str]:
    """SHA-256 of each file, by path; of files that hold the same only the first. Raises UnreadablePhoto."""
    found: dict[str, Path] = {}
    for path in paths:
        try:
            with path.open("rb") as file:
                found.setdefault(hashlib.file_digest(file, "sha256").hexdigest(), path)
        except OSError as error:
            raise UnreadablePhoto(
                f"the file cannot be read ({error.strerror})", file=shown_name(path)
            ) from error
    return {path: digest for digest, path in found.items()}


def sources(paths: Iterable[Path]) -> list[tuple[bytes | Path, str]]:
    """Files as the store takes them, with the names they came by."""
    return [(path, clean_text(path.name)) for path in paths]
