"""What is to be done with grouped photos: one task per capture, unless its result stands.

The key of a capture covers everything that can change its result, so work is a query: a capture without a record under
today's key is still to do, wherever its records are kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from assessor import __version__
from assessor.batch import CaptureTask, Job, files_of, read_source
from assessor.card.bars import scale_from_bars
from assessor.card.decode import read_exif
from assessor.card.video import is_video
from assessor.errors import OutputNotWritable, PhotoError
from assessor.grading.scale import GradeScale
from assessor.grouping import Group
from assessor.report.record import RecordHead, SourceFile
from assessor.report.schema import CaptureRecord, ScaleRecord
from assessor.settings import Settings, digest_of
from assessor.store.files import RECORD, shown_name
from assessor.texture.measure import MAIN_BANDS
from assessor.values import Exif, Kind, PrintScale, TargetRange


@dataclass(frozen=True, slots=True)
class Asked:
    """How captures are to be assessed: settings, scale, target range."""

    settings: Settings
    scale: GradeScale
    target: TargetRange | None


@dataclass(frozen=True, slots=True)
class AskedCapture:
    """The photos of one capture, its kind where a person named it, and its print's tape readings in mm."""

    group: Group
    kind: Kind | None = None
    bars_mm: tuple[float, float] | None = None


def plan_captures(
    captures: Sequence[AskedCapture], files: Mapping[str, SourceFile], asked: Asked, out: Path, *, force: bool
) -> tuple[tuple[CaptureTask, ...], tuple[CaptureRecord, ...]]:
    """Return what is to do and what stands; files: by path. Raises BadBars and OutputNotWritable."""
    bands = tuple(dict.fromkeys((*MAIN_BANDS, *asked.scale.bands)))
    photo_folders = {Path(path).parent.resolve() for path in files}
    # Once for all: they hash hundreds of values.
    digests = asked.settings.digest(), digest_of(asked.scale)
    tasks, standing = [], []
    for capture in captures:
        bars, group = capture.bars_mm, capture.group
        print_scale = scale_from_bars(*bars, settings=asked.settings.bars) if bars else PrintScale()
        paths = tuple(map(Path, group.paths))
        job = Job(paths, print_scale, asked.scale, asked.target, bands, asked.settings, capture.kind)
        head = _head(group, tuple(files[path] for path in group.paths), job, bars, digests)
        folder = out / group.name
        if folder.resolve() in photo_folders:
            raise OutputNotWritable("the results would land among the photos", file=str(folder))
        record = None if force else _standing(folder, head.key)
        if record is None:
            tasks.append(CaptureTask(job, head, folder))
        else:
            standing.append(record)
    return tuple(tasks), tuple(standing)


def source_file(path: Path, settings: Settings) -> SourceFile:
    """Name, SHA-256 and Exif of a photo or video; one that cannot be read is refused later, with its capture."""
    is_sweep = is_video(path)
    try:
        data = read_source(path, settings)
        exif = Exif() if is_sweep else read_exif(data)
    except PhotoError:
        return SourceFile(shown_name(path), "", Exif(), is_sweep)
    return SourceFile(shown_name(path), hashlib.sha256(data).hexdigest(), exif, is_sweep)


def _head(
    group: Group,
    files: tuple[SourceFile, ...],
    job: Job,
    bars: tuple[float, float] | None,
    digests: tuple[str, str],
) -> RecordHead:
    settings_digest, scale_digest = digests
    key = digest_of(
        {
            "version": __version__,
            "schema": CaptureRecord.model_fields["schema_version"].default,
            "photos": sorted([file.name, file.sha256] for file in files),
            "settings": settings_digest,
            "scale": scale_digest,
            "bars": bars,
            "target": str(job.target),
            "bands": [str(band) for band in job.bands],
            "kind": job.kind,
        }
    )
    return RecordHead(
        capture=group.name,
        why_grouped=group.why,
        key=key,
        assessor_version=__version__,
        assessed_at_utc="",
        settings_digest=settings_digest,
        scale=_scale_record(job.scale, scale_digest),
        target=job.target,
        print_scale=job.print_scale,
        measured_bars_mm=bars,
        files=files,
    )


def _scale_record(scale: GradeScale, digest: str) -> ScaleRecord:
    return ScaleRecord(
        name=scale.name,
        edition=scale.edition,
        is_prior=scale.is_prior,
        origin=scale.origin,
        chip_set=scale.chip_set,
        who=scale.who,
        date=scale.date,
        digest=digest,
    )


def _standing(folder: Path, key: str) -> CaptureRecord | None:
    """The record of an earlier run where it is whole and its key is today's; our errors are tried again."""
    try:
        record = CaptureRecord.model_validate_json((folder / RECORD).read_bytes())
    except (OSError, ValidationError):
        return None
    whole = all((folder / name).is_file() for name in files_of(record))
    return record if record.key == key and record.status != "failed" and whole else None
