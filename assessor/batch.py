"""What is done with one capture, from its files to its results on disk; runs in a worker.

A task goes in and an outcome comes back, both small and picklable, so the same call runs in this process, in
a pool of processes or on a cluster. Whatever goes wrong with one capture ends up in its outcome; only a
folder that cannot be written or a broken file of our own stops the batch.
"""

from __future__ import annotations

import os
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, as_completed
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import cv2

from assessor.card.decode import decode_photo
from assessor.card.find import find_card
from assessor.card.video import is_video, read_sweep
from assessor.errors import AssessorError, CaptureError, PhotoError, SetupError
from assessor.evaluation import Estimate, ScoredRow, TruthRow, score_capture, score_overview
from assessor.evaluation_calls import CallRow, read_calls
from assessor.grading.scale import GradeScale
from assessor.pipeline import assess_capture
from assessor.report.page import CAPTURE_PAGE, capture_page
from assessor.report.picture import draw_picture, thumbnail
from assessor.report.record import RecordHead, assessed_record, failed_record, refused_record
from assessor.report.schema import CaptureRecord
from assessor.report.surface_picture import picture_names, pictures_of
from assessor.settings import Settings
from assessor.store.files import RECORD, read_photo_bytes, shown_name, write_bytes, write_text
from assessor.store.truth_surface import read_masks
from assessor.values import Band, CaptureResult, Kind, Photo, PrintScale, Surface, TargetRange
from assessor.zone import ZoneAsked, assess_zone, packaged_finder

PICTURE, SMALL_PHOTO = "picture.png", "photo.jpg"
INTERNAL = "internal-error"
Task = TypeVar("Task")
Outcome = TypeVar("Outcome")


@dataclass(frozen=True, slots=True)
class Job:
    """The photos and videos of one capture and how they are to be assessed; `kind` None: see from the photos."""

    paths: tuple[Path, ...]
    print_scale: PrintScale
    scale: GradeScale
    target: TargetRange | None
    bands: tuple[Band, ...]
    settings: Settings
    kind: Kind | None = None


@dataclass(frozen=True, slots=True)
class CaptureTask:
    """A job, what is known of it before measuring, and the folder for its results."""

    job: Job
    head: RecordHead
    folder: Path


@dataclass(frozen=True, slots=True)
class CaptureOutcome:
    """The stored record and, after our own error, its details for the log."""

    record: CaptureRecord
    trace: str | None = None


@dataclass(frozen=True, slots=True)
class TruthTask:
    """A job with the truth about its capture; where that holds several kinds, of one of them. folder: of the masks."""

    capture: str
    job: Job
    rows: tuple[TruthRow, ...]
    folder: Path = Path()


@dataclass(frozen=True, slots=True)
class TruthOutcome:
    """Scored rows of one capture, its calls where a range was asked for and, after our own error, its details."""

    capture: str
    rows: tuple[ScoredRow, ...]
    calls: tuple[CallRow, ...] = ()
    sentence: str | None = None
    trace: str | None = None


def prepare_worker() -> None:
    """Set up a worker process: one OpenCV thread each, since the captures themselves run side by side."""
    cv2.setNumThreads(1)
    # A damaged video is said in one sentence of ours; the decoder's own lines would only bury it.
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")


def run_capture(task: CaptureTask) -> CaptureOutcome:
    """Assess one capture and write its record, picture, small photo and page."""
    head = replace(task.head, assessed_at_utc=datetime.now(UTC).isoformat(timespec="seconds"))
    trace = None
    pictures: dict[str, bytes] = {}
    of_surface: dict[str, bytes] = {}
    try:
        result = _assess(task.job)
        record = assessed_record(head, result)
        of_surface = pictures_of(result.surface, record)
        pictures = {PICTURE: draw_picture(result, record), SMALL_PHOTO: thumbnail(result)}
    except SetupError:
        raise
    except AssessorError as error:
        refused = error.refused if isinstance(error, CaptureError) else ()
        record = refused_record(head, refused, error)
    except Exception as error:  # one capture must never stop the batch
        trace = traceback.format_exc()
        record = failed_record(head, internal_sentence(error))
    # A capture that failed half-way shows no picture.
    of_surface = of_surface if record.status == "assessed" else {}
    for name, data in {**pictures, **of_surface}.items():
        write_bytes(task.folder / name, data)
    write_text(task.folder / CAPTURE_PAGE, capture_page(record, pictures.get(PICTURE), of_surface))
    # The record comes last: where it lies, everything else is whole.
    write_text(task.folder / RECORD, record.model_dump_json(indent=1))
    return CaptureOutcome(record, trace)


def files_of(record: CaptureRecord) -> tuple[str, ...]:
    """The files that lie beside a record where its results are whole."""
    if record.status != "assessed":
        return (CAPTURE_PAGE,)
    return PICTURE, SMALL_PHOTO, CAPTURE_PAGE, *picture_names(record)


def failed_capture(task: CaptureTask, error: BaseException) -> CaptureOutcome:
    """Outcome of a capture whose worker died or could not hand over; the next run tries again."""
    head = replace(task.head, assessed_at_utc=datetime.now(UTC).isoformat(timespec="seconds"))
    return CaptureOutcome(failed_record(head, internal_sentence(error)), trace=_trace(error))


def run_truth(task: TruthTask) -> TruthOutcome:
    """Assess one capture of known truth and score it; nothing is written."""
    start = time.perf_counter()
    calls: tuple[CallRow, ...] = ()
    try:
        masks = read_masks(task.folder, task.rows)
        if task.rows[0].kind == "overview":
            surface = _assess_overview(task.job)
            rows = score_overview(surface, task.rows, masks, time.perf_counter() - start)
        else:
            result = _assess(task.job)
            calls = read_calls(result, task.rows, task.job.target)
            rows = score_capture(result, task.rows, masks, time.perf_counter() - start)
    except SetupError:
        raise
    except AssessorError as error:
        return _all_refused(task, error.code, time.perf_counter() - start, sentence=str(error))
    except Exception as error:  # one capture must never stop the batch
        spent = time.perf_counter() - start
        return _all_refused(
            task, INTERNAL, spent, sentence=internal_sentence(error), trace=traceback.format_exc()
        )
    return TruthOutcome(task.capture, rows, calls)


def failed_truth(task: TruthTask, error: BaseException) -> TruthOutcome:
    """Outcome of a capture whose worker died."""
    return _all_refused(task, INTERNAL, 0.0, sentence=internal_sentence(error), trace=_trace(error))


def read_serial(task: tuple[Path, Settings]) -> int | None:
    """The card's serial in one photo, or None where it cannot be read (the assessment will say why)."""
    path, settings = task
    try:
        return find_card(_decode(path, settings)[0], settings.find).serial
    except AssessorError:
        return None
    except Exception:  # grouping goes on without it; the assessment meets the same error and logs it
        return None


def run_all(
    executor: Executor,
    work: Callable[[Task], Outcome],
    tasks: Sequence[Task],
    failed: Callable[[Task, BaseException], Outcome],
) -> Iterator[tuple[Task, Outcome]]:
    """Run `work` on every task and yield (task, outcome) as they end; `failed` speaks for a worker that died.

    An error of the batch itself (such as OutputNotWritable) or an interrupt cancels what has not begun.
    """
    if isinstance(executor, SerialExecutor):
        # One after the other: what is done is handed on before the next begins, and a kill costs one task.
        for task in tasks:
            yield task, _outcome(_submit(executor, work, task), task, failed)
        return
    futures: dict[Future[Outcome], Task] = {}
    try:
        for task in tasks:
            futures[_submit(executor, work, task)] = task
        for future in as_completed(futures):
            yield futures[future], _outcome(future, futures[future], failed)
    finally:
        for future in futures:
            future.cancel()


def _outcome(
    future: Future[Outcome], task: Task, failed: Callable[[Task, BaseException], Outcome]
) -> Outcome:
    try:
        return future.result()
    except AssessorError:
        raise
    except Exception as error:  # a dead worker, or trouble in writing that is nobody's request
        return failed(task, error)


class SerialExecutor(Executor):
    """Runs each call at once, in this process: one worker, no pool."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run the call now and return its finished future."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:  # handed over with the future, as every executor does
            future.set_exception(error)
        return future


def internal_sentence(error: BaseException) -> str:
    """One sentence for our own error or for a worker process that died."""
    if isinstance(error, BrokenExecutor):
        return "internal error (a worker process died, perhaps out of memory); run again with --workers 1"
    first = (str(error).splitlines() or [""])[0][:120]
    what = f"{type(error).__name__}: {first}" if first else type(error).__name__
    return f"internal error ({what}), please report it with errors.log"


def _trace(error: BaseException) -> str:
    return "".join(traceback.format_exception(error))


def _decode_all(job: Job) -> tuple[list[Photo], list[PhotoError]]:
    """The photos that can be decoded, and why the others can't."""
    photos: list[Photo] = []
    refused: list[PhotoError] = []
    for path in job.paths:
        try:
            photos += _decode(path, job.settings)
        except PhotoError as error:
            refused.append(error)
    return photos, refused


def _assess_overview(job: Job) -> Surface:
    """What the overview photos of one zone show, as its patches are scored."""
    photos, refused = _decode_all(job)
    finder = packaged_finder(job.settings.overview)
    asked = ZoneAsked(job.print_scale)
    result, _ = assess_zone(photos, asked, finder=finder, settings=job.settings, refused=tuple(refused))
    assert result.patches is not None
    return Surface(result.patches, None, result.mosaic.image)


def _assess(job: Job) -> CaptureResult:
    """Decode the photos that can be decoded and assess them; the time of both is in `seconds`."""
    start = time.perf_counter()
    photos, refused = _decode_all(job)
    decoded = time.perf_counter() - start
    try:
        result = assess_capture(
            photos,
            print_scale=job.print_scale,
            scale=job.scale,
            target=job.target,
            bands=job.bands,
            settings=job.settings,
            kind=job.kind,
            refused=tuple(refused),
            clock=time.perf_counter,
        )
    except CaptureError as error:
        # Where the pipeline tells nothing itself, the photos that could not be decoded are still told.
        error.refused = error.refused or tuple(refused)
        raise
    return replace(result, seconds={"decode": decoded, **result.seconds})


def read_source(path: Path, settings: Settings) -> bytes:
    """The bytes of a photo or video, up to what its decoder takes; raises PhotoError where they can't be read."""
    stage = settings.sweep if is_video(path) else settings.decode
    return read_photo_bytes(path, max_bytes=stage.max_bytes)


def _decode(path: Path, settings: Settings) -> tuple[Photo, ...]:
    """The photo of a file, or the frames picked from a video."""
    data = read_source(path, settings)
    if is_video(path):
        return read_sweep(data, shown_name(path), settings.sweep)
    return (decode_photo(data, shown_name(path), settings.decode),)


def _submit(executor: Executor, work: Callable[[Task], Outcome], task: Task) -> Future[Outcome]:
    try:
        return executor.submit(work, task)
    except BrokenExecutor as error:
        future: Future[Outcome] = Future()
        future.set_exception(error)
        return future


def _all_refused(
    task: TruthTask, code: str, seconds: float, *, sentence: str, trace: str | None = None
) -> TruthOutcome:
    rows = tuple(ScoredRow(truth, Estimate(refused=code), seconds) for truth in task.rows)
    calls = read_calls(None, task.rows, task.job.target)
    return TruthOutcome(task.capture, rows, calls, sentence=sentence, trace=trace)
