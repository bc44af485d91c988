"""File a dump of photos by the tags that lie in them: the native camera all day, a folder or a cable at night."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

from assessor.asked import read_settings
from assessor.batch import SerialExecutor, internal_sentence, read_source, run_all
from assessor.card.decode import decode_photo, read_exif
from assessor.card.find import find_card
from assessor.card.tag_filing import CONTRARY, Filing, TaggedGroup, file_of, group_by_tags, look_for_tags
from assessor.card.tag_read import TagOutcome, judge_tags, read_tags
from assessor.card.video import is_video, read_sweep
from assessor.desk.base import JobDesk, Person
from assessor.desk.incoming import capture_name, check_bars, doubt_of, hash_of, sources
from assessor.desk.photos import OnDone
from assessor.errors import BadEntry, GateClosed, NoJob, PhotoError, UnreadablePhoto
from assessor.grouping import PhotoRecord
from assessor.job.entries import CaptureFiled
from assessor.settings import Settings
from assessor.store.files import find_photos, shown_name
from assessor.values import Exif, Photo


@dataclass(frozen=True, slots=True)
class FiledPhotos:
    """What a dump was filed as: capture and why; and photos left out, each with the reason. known: filed before."""

    filed: tuple[tuple[str, str], ...]
    left: tuple[tuple[str, str], ...]
    known: int


@dataclass(frozen=True, slots=True)
class SeenTag:
    """What one photo says of itself: its tag and its card's serial."""

    outcome: TagOutcome
    serial: int | None


def file_by_tags(
    desk: JobDesk, job: str, inputs: Sequence[Path], person: Person,
    *, bars_mm: tuple[float, float] | None = None, settings_file: Path | None = None,
    executor: Executor | None = None, on_done: OnDone | None = None,
) -> FiledPhotos:  # fmt: skip
    """Store the photos whose tags say where they belong, one capture a spot, phase, round and time.

    A photo that is in the record already is passed over, so the same folder may be filed again. Photos without a
    readable tag, with tags of another job, or of a zone that the job does not have are left out, never guessed.
    """
    book = desk.book(job)
    settings = read_settings(settings_file)
    check_bars(bars_mm, settings)
    desk.stamp(person)
    assert book.opened is not None
    digests, unreadable = _hashed(find_photos(inputs))
    new = [path for path, digest in digests.items() if digest not in book.files]
    records = {str(path): _record(path, settings) for path in new}
    tags: dict[str, TagOutcome] = {}
    while todo := _look_next(records.values(), tags):
        tasks = [(Path(path), settings, book.opened.code) for path in todo]
        for (path, _, _), seen in run_all(executor or SerialExecutor(), read_tag_of, tasks, _unread):
            tags[str(path)] = seen.outcome
            records[str(path)] = replace(records[str(path)], serial=seen.serial)
            if on_done is not None:
                on_done(len(tags), len(records), path.name)
    groups = group_by_tags(records.values(), tags)
    filed, left = _enter_groups(desk, job, groups, person, records=records, bars_mm=bars_mm)
    return FiledPhotos(tuple(filed), (*unreadable, *left), len(digests) - len(new))


def _hashed(paths: Sequence[Path]) -> tuple[dict[Path, str], list[tuple[str, str]]]:
    """SHA-256 of each file, of files that hold the same only the first; and those that can't be read, with why."""
    found: dict[str, Path] = {}
    unreadable = []
    for path in paths:
        try:
            found.setdefault(hash_of(path), path)
        except UnreadablePhoto as error:
            unreadable.append((shown_name(path), error.found))
    return {path: digest for digest, path in found.items()}, unreadable


def _look_next(records: Iterable[PhotoRecord], tags: Mapping[str, TagOutcome]) -> tuple[str, ...]:
    """Paths whose tags are read next: what `look_for_tags` wants, and every video, as nothing else tells of it."""
    them = tuple(records)
    videos = [record.path for record in them if record.is_sweep and record.path not in tags]
    return (*look_for_tags(them, tags), *videos)


def read_tag_of(task: tuple[Path, Settings, str]) -> SeenTag:
    """What one photo's tags say, or a video's, and the serial of its card; never raises for what can't be read."""
    path, settings, job_code = task
    try:
        data = read_source(path, settings)
        if is_video(path):
            return _of_video(read_sweep(data, shown_name(path), settings.sweep), settings, job_code)
        return _of_photo(decode_photo(data, shown_name(path), settings.decode), settings, job_code)
    except PhotoError as error:
        return SeenTag(TagOutcome("unreadable", None, f"It can't be read: {error}"), None)


def _of_photo(photo: Photo, settings: Settings, job_code: str) -> SeenTag:
    try:
        sighting = find_card(photo, settings.find)
    except PhotoError:
        sighting = None
    outcome = judge_tags(read_tags(photo, sighting), job_code)
    return SeenTag(outcome, sighting.serial if sighting else None)


def _of_video(frames: Sequence[Photo], settings: Settings, job_code: str) -> SeenTag:
    """First, middle and last frame: a tag that one of them shows counts, two different ones don't."""
    picked = {0, len(frames) // 2, len(frames) - 1} if frames else set[int]()
    seen = [_of_photo(frames[n], settings, job_code) for n in sorted(picked)]
    filing = file_of([each.outcome for each in seen])
    serial = next((each.serial for each in seen if each.serial is not None), None)
    if isinstance(filing, Filing):
        return SeenTag(TagOutcome("tag", filing.tag, filing.sentence), serial)
    contrary = next((each.outcome for each in seen if each.outcome.said in CONTRARY), None)
    return SeenTag(contrary or TagOutcome("unreadable", None, filing.reason), serial)


def _unread(task: tuple[Path, Settings, str], error: BaseException) -> SeenTag:
    return SeenTag(
        TagOutcome("unreadable", None, f"The photo can't be read ({internal_sentence(error)})."), None
    )


def _record(path: Path, settings: Settings) -> PhotoRecord:
    """What grouping knows of a photo; one that can't be read has no time."""
    if is_video(path):
        return PhotoRecord(str(path), Exif(), is_sweep=True)
    try:
        return PhotoRecord(str(path), read_exif(read_source(path, settings)))
    except PhotoError:
        return PhotoRecord(str(path), Exif())


def _enter_groups(
    desk: JobDesk, job: str, groups: Sequence[TaggedGroup], person: Person,
    *, records: Mapping[str, PhotoRecord], bars_mm: tuple[float, float] | None,
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:  # fmt: skip
    """Store and enter each group that has a tag of this job's zones, one by one: what is entered stays entered."""
    filed, left = [], []
    for group in groups:
        tag = group.tag
        book = desk.book(job)
        if tag is None or tag.zone not in book.zones:
            reason = (
                group.reason or f"the tag says zone {tag.zone if tag else 0}, which this job does not have"
            )
            left += [(shown_name(Path(path)), reason) for path in group.group.paths]
            continue
        name = capture_name(book, tag.zone, tag.spot, tag.phase, tag.round)
        photos = desk.store.keep_files(sources(Path(path) for path in group.group.paths))
        content = CaptureFiled(
            capture=name, zone=tag.zone, spot=tag.spot, phase=tag.phase, round=tag.round, photos=photos,
            card_serial=group.card_serial, measured_bars_mm=bars_mm, filed_by="tag",
            taken_at=records[group.group.paths[0]].exif.taken_at,
        )  # fmt: skip
        try:
            desk.enter(job, (content,), person)
        except (GateClosed, BadEntry, NoJob) as error:
            left += [(shown_name(Path(path)), str(error)) for path in group.group.paths]
            continue
        doubt = doubt_of(book, tag.zone, tag.spot, tag.phase, tag.round)
        filed.append((name, f"{group.group.why}{f' BUT {doubt}.' if doubt else ''}"))
    return filed, left
