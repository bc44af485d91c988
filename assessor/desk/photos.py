"""Photos of a job: file them where they belong, and assess what has no assessment under today's key.

Work is a query, not a queue: a capture without an assessment under the key of today's photos, settings, scale, range
and version is still to do. Each result is entered the moment it is there, so a batch that is killed goes on where it
was, and two that run side by side do nothing twice that lasts.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

from assessor.asked import read_scale, read_settings, with_process
from assessor.batch import CaptureOutcome, CaptureTask, failed_capture, run_all, run_capture
from assessor.capture_plan import Asked, AskedCapture, plan_captures, source_file
from assessor.card.video import is_video
from assessor.desk.base import JobDesk, Person, Versions
from assessor.desk.incoming import (
    capture_name,
    check_bars,
    check_new,
    check_zone,
    doubt_of,
    hash_of,
    hashes,
    serial_of,
    sources,
)
from assessor.errors import BadBars, BadEntry, OutputNotWritable, RecordDamaged
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
from assessor.store.files import find_photos, shown_name
from assessor.tables.loader import load_methods
from assessor.values import Exif
from assessor.workflow import DEFAULT_SCALE
from assessor.zone_workflow import OVERVIEW_PAGE, OverviewRequest, run_overview

OnDone = Callable[[int, int, str], None]
AT_ONCE = 32  # captures whose photos are laid out at a time: a batch of hundreds must not fill the disk
MOST_NAME = 200  # bytes of a photo's name; a file system takes 255


@dataclass(frozen=True, slots=True)
class SpotTold:
    """Where a person says that photos belong, where no tag does."""

    zone: int
    spot: int
    phase: Phase = "after"
    round: int | None = None


@dataclass(frozen=True, slots=True)
class PhotosFiled:
    """A capture as it was filed, and why it counts for nothing there as things stand (empty where it counts)."""

    capture: str
    doubt: str


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
    *, bars_mm: tuple[float, float] | None = None, serial: int | None = None, settings_file: Path | None = None,
) -> PhotosFiled:  # fmt: skip
    """Store all photos named as one capture of one spot, as a person says. serial: read from the photos if not told.

    Raises NoJob for an unknown zone, BadBars, and BadEntry for photos that the record has elsewhere; nothing is kept
    then.
    """
    book, settings = desk.book(job), read_settings(settings_file)
    check_zone(book, told.zone)
    check_bars(bars_mm, settings)
    round_ = told.round or book.round_of(told.zone, told.spot)
    digests = hashes(find_photos(inputs))
    check_new(book, digests, (told.zone, told.spot, told.phase, round_))
    desk.stamp(person)
    content = CaptureFiled(
        capture=capture_name(book, told.zone, told.spot, told.phase, round_), zone=told.zone, spot=told.spot,
        phase=told.phase, round=round_, photos=desk.store.keep_files(sources(digests)),
        card_serial=serial_of(tuple(digests), settings) if serial is None else serial,
        measured_bars_mm=bars_mm, filed_by="hand",
    )  # fmt: skip
    desk.enter(job, (content,), person)
    return PhotosFiled(content.capture, doubt_of(book, told.zone, told.spot, told.phase, round_))


def assess_job(
    desk: JobDesk, job: str, executor: Executor, person: Person,
    *, scale: str = DEFAULT_SCALE, settings_file: Path | None = None, on_done: OnDone | None = None,
) -> JobAssessed:  # fmt: skip
    """Assess every capture of a job that has no assessment under today's key, and enter each as it is done."""
    book = desk.book(job)
    settings, use_scale = read_settings(settings_file), scale_in_use(desk, book, scale)
    captures = tuple(sorted(book.captures.values(), key=lambda capture: capture.filed))
    pending, unusable = _pending(book, captures, settings, use_scale)
    done = JobAssessed((), (), unusable, len(captures) - len(pending) - len(unusable))
    entering = _Entering(desk, job, person)
    desk.stamp(person)
    for first in range(0, len(pending), AT_ONCE):
        with tempfile.TemporaryDirectory(prefix="assessor-") as folder:
            ready: list[CaptureTask] = []
            for capture, asked in pending[first : first + AT_ONCE]:
                try:
                    ready.append(_ready(desk, book, capture, asked, Path(folder)))
                except RecordDamaged as error:  # one damaged file must not stop the others
                    done = done.with_more(JobAssessed((), (), ((capture.capture, str(error)),), 0))
            shown = _shifted(on_done, first, len(pending))
            done = done.with_more(_run(entering, executor, ready, shown))
    return done


def _pending(
    book: JobBook, captures: Sequence[FiledCapture], settings: Settings, scale: GradeScale
) -> tuple[list[tuple[FiledCapture, Asked]], tuple[tuple[str, str], ...]]:
    """The captures whose newest assessment is not under today's key, and those that can't be assessed, with the reason.

    The newest, not any: where a range or a scale goes back to what it was, what was said under the other one must not
    stand. No photo is read for it: hashes are in the record.
    """
    room = Path("photos-of-the-job")
    found: list[tuple[FiledCapture, Asked]] = []
    unusable: list[tuple[str, str]] = []
    for zone, of_zone in _by_zone(captures).items():
        asked = _asked(book, zone, settings, scale)
        usable = []
        for each in of_zone:
            try:
                check_bars(_bars_mm(book, each), settings)
                usable.append(each)
            except BadBars as error:
                unusable.append((each.capture, str(error)))
        files = {path: file for each in usable for path, file in _known(each, room)}
        wanted = [_asked_capture(book, each, room) for each in usable]
        tasks, _ = plan_captures(wanted, files, asked, room / "out", force=True)
        found += [
            (each, asked)
            for each, task in zip(usable, tasks, strict=True)
            if each.assessed is None or each.assessed.key != task.head.key
        ]
    return sorted(found, key=lambda each: each[0].filed), tuple(unusable)


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
    settings = read_settings(settings_file)
    check_bars(bars_mm, settings)
    digests = hashes(find_photos(inputs))
    old = next((path for path, digest in digests.items() if digest in book.files), None)
    if old is not None:
        raise BadEntry(
            "this photo is in the record already: an overview after further work needs new photos",
            file=shown_name(old),
        )
    desk.stamp(person)
    number = 1 + len(book.overviews)
    with tempfile.TemporaryDirectory(prefix="assessor-") as folder:
        result = run_overview(
            OverviewRequest(
                inputs=tuple(digests), out=Path(folder) / "out", zone_size=size,
                process=method.process if method else None, measured_bars=bars_mm, settings_file=settings_file,
            )
        )  # fmt: skip
        record = result.record
        ref, _, *photos = desk.store.keep_files([
            (record.model_dump_json(indent=1).encode(), f"overview-{number}.json"),
            (result.page.read_bytes(), OVERVIEW_PAGE),
            *sources(digests),
        ])  # fmt: skip
    content = OverviewFiled(
        capture=f"Z{zone:02d}-overview-{number}", zone=zone, photos=tuple(photos), record=ref,
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
    group = Group(capture.capture, tuple(path for path, _ in _known(capture, room)), _why(capture))
    return AskedCapture(group, None, _bars_mm(book, capture))


def _bars_mm(book: JobBook, capture: FiledCapture) -> tuple[float, float] | None:
    """Tape readings of the capture's print: its own, else those entered for its card's serial."""
    content = capture.content
    return content.measured_bars_mm or book.prints.get(
        content.card_serial if content.card_serial is not None else -1
    )


def _why(capture: FiledCapture) -> str:
    by = {"tag": "by the tag in its photos", "folder": "by its folder", "hand": "by hand"}
    how = "re-filed" if capture.moved else f"filed {by[capture.content.filed_by]}"
    return f"{how} under zone {capture.zone}, spot {capture.spot}"


def _known(capture: FiledCapture, room: Path) -> tuple[tuple[str, SourceFile], ...]:
    """Where each photo will lie, and what the record knows of it without reading it."""
    found: dict[str, SourceFile] = {}
    for photo in capture.content.photos:
        name = Path(photo.name).name or "photo"
        if len(name.encode()) > MOST_NAME:
            name = f"{photo.sha256[:8]}{Path(name).suffix[:10]}"
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
            if local is not None and local.is_file():
                path.symlink_to(local.absolute())
            else:
                path.write_bytes(desk.store.read_file(photo))
        except OSError as error:
            raise OutputNotWritable(f"cannot write here ({error.strerror})", file=str(path)) from error
        told = source_file(path, asked.settings)
        # Of a file larger than we take it reads only a part; then the whole is hashed.
        if photo.sha256 != told.sha256 and photo.sha256 != hash_of(path):
            raise RecordDamaged(f"the stored file {photo.sha256} ({photo.name}) is not what was once stored")
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

    def stands(book: JobBook) -> bool:
        assessed = book.captures[record.capture].assessed
        return assessed is not None and assessed.key == record.key

    if stands(desk.book(job)):
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
    desk.enter(job, (assessed_entry(record, *refs),), to.person, versions, unless=stands)


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
