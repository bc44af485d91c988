"""Overviews as a use case, beside `workflow`: photos of one zone to a folder of results, and the sheets to print."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assessor import __version__
from assessor.asked import read_scale, read_settings
from assessor.batch import read_source
from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.card.video import is_video
from assessor.card.zone_page import draw_zone_sheets_pdf
from assessor.card.zone_sheet import ZONE_COUNT
from assessor.errors import BadZone, OutputNotWritable, PhotoError, SettingUnknown
from assessor.grading.scale import ANY
from assessor.report.overview_page import overview_page
from assessor.report.overview_picture import overview_pictures
from assessor.report.record import SourceFile, origin_of
from assessor.report.record_overview import OverviewHead, overview_record
from assessor.report.schema_overview import OverviewRecord
from assessor.store.files import check_writable, clean_text, find_photos, shown_name, write_bytes, write_text
from assessor.values import Photo, PrintScale
from assessor.values.overview import Overview
from assessor.workflow import DEFAULT_SCALE
from assessor.zone import Finder, ZoneAsked, assess_zone, packaged_finder

OVERVIEW_RECORD, OVERVIEW_PAGE = "overview.json", "overview.html"
MAX_SIDE_M = 60.0  # larger zones belong into several


@dataclass(frozen=True, slots=True)
class OverviewRequest:
    """What a person asks of `overview`."""

    inputs: tuple[Path, ...]
    out: Path = Path("overview_out")
    zone_size: str | None = None
    process: str | None = None
    measured_bars: tuple[float, float] | None = None
    settings_file: Path | None = None


@dataclass(frozen=True, slots=True)
class OverviewDone:
    """The stored record and where to look."""

    record: OverviewRecord
    page: Path

    @property
    def all_used(self) -> bool:
        """Whether every photo was used."""
        return all(photo.used for photo in self.record.photos)


def run_overview(request: OverviewRequest, finder: Finder | None = None) -> OverviewDone:
    """Assess one zone and write its record, page and pictures; finder: another than the packaged one.

    Raises the InputError, SetupError or CaptureError that concerns the zone; single photos never stop it.
    """
    settings = read_settings(request.settings_file)
    bars = request.measured_bars
    print_scale = scale_from_bars(*bars, settings=settings.bars) if bars else PrintScale()
    asked = ZoneAsked(print_scale, parse_size(request.zone_size), _known_process(request.process))
    paths = [path for path in find_photos(request.inputs, leave_out=request.out) if not is_video(path)]
    if request.out.resolve() in {path.parent.resolve() for path in paths}:
        raise OutputNotWritable("the results would land among the photos", file=str(request.out))
    check_writable(request.out)
    photos: list[Photo] = []
    refused: list[PhotoError] = []
    for path in paths:
        try:
            photos.append(decode_photo(read_source(path, settings), shown_name(path), settings.decode))
        except PhotoError as error:
            named = error.with_file(shown_name(path))
            assert isinstance(named, PhotoError)
            refused.append(named)
    result, dropped = assess_zone(
        photos, asked, finder=finder or packaged_finder(settings.overview), settings=settings,
        refused=tuple(refused), clock=time.perf_counter,
    )  # fmt: skip
    used = {camera.photo_name for camera in result.fit.cameras}
    head = OverviewHead(
        assessor_version=__version__,
        assessed_at_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        settings_digest=settings.digest(),
        origin_of_photos=origin_of([SourceFile(p.name, p.sha256, p.exif) for p in photos if p.name in used]),
        bars_checked=print_scale.checked,
        process=asked.process,
        zone_size_m=asked.size_m,
    )
    return _write(request.out, result, overview_record(head, result, dropped))


def _write(out: Path, result: Overview, record: OverviewRecord) -> OverviewDone:
    pictures = overview_pictures(result, record)
    for name, data in pictures.items():
        write_bytes(out / name, data)
    corner = (result.zone.x_mm, result.zone.y_mm) if result.zone is not None else (0.0, 0.0)
    write_text(out / OVERVIEW_PAGE, overview_page(record, pictures, corner))
    # The record comes last: where it lies, everything else is whole.
    write_text(out / OVERVIEW_RECORD, record.model_dump_json(indent=1))
    return OverviewDone(record, out / OVERVIEW_PAGE)


def parse_size(text: str | None) -> tuple[float, float] | None:
    """ "4x3" to metres; raises BadZone."""
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*m?\s*[xX×]\s*(\d+(?:[.,]\d+)?)\s*m?\s*", text)
    if not found:
        raise BadZone(f"the zone's size '{clean_text(text)}' is not two lengths")
    length, width = (float(part.replace(",", ".")) for part in found.groups())
    if not all(0.3 <= side <= MAX_SIDE_M for side in (length, width)):
        raise BadZone(f"a zone of {length:g} x {width:g} m was given, sides may be 0.3 to {MAX_SIDE_M:g} m")
    return length, width


def parse_sheets(text: str) -> tuple[int, ...]:
    """ "1-6" or "1,3,5" to sheet numbers; raises BadZone."""
    numbers: list[int] = []
    for part in text.split(","):
        found = re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+)\s*)?", part)
        if not found:
            raise BadZone(f"'{clean_text(text)}' names no sheets")
        first, last = int(found[1]), int(found[2] or found[1])
        if not 1 <= first <= last <= ZONE_COUNT:
            raise BadZone(f"sheets {first}-{last} were asked for, there are 1 to {ZONE_COUNT}")
        numbers += range(first, last + 1)
    return tuple(dict.fromkeys(numbers))


def write_sheets(sheets: str, paper: str, out: Path | None) -> Path:
    """Draw zone sheets to a PDF and return the file."""
    numbers = parse_sheets(sheets)
    path = out or Path(f"zone-sheets-{paper}.pdf")
    write_bytes(path, draw_zone_sheets_pdf(numbers, paper))
    return path


def _known_process(process: str | None) -> str | None:
    """The process, if a shipped scale knows it."""
    if process is None:
        return None
    known = [name for name in read_scale(DEFAULT_SCALE).processes if name != ANY]
    if process not in known:
        raise SettingUnknown(f"there is no process '{clean_text(process)}' (known: {', '.join(known)})")
    return process
