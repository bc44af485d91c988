"""Water drops as a use case, beside `workflow`: a crew's record and its photos in, verdicts, pictures and a page out.

A photo that cannot be used is named and the rest goes on: the times and what the eye saw stand by themselves.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assessor import __version__
from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.card.rectify import rectify
from assessor.errors import BadDrops, CaptureError, PhotoError
from assessor.estimating import read_light
from assessor.intake import find_all
from assessor.report.drops_page import drops_page
from assessor.report.drops_picture import draw_drops
from assessor.report.drops_record import photo_record, refused_photo, round_record
from assessor.report.record import SourceFile, origin_of
from assessor.report.schema_drops import DropPhotoRecord, DropsRecord
from assessor.settings import Settings
from assessor.spot import Laps, Spot, place_spot
from assessor.store.files import check_writable, read_photo_bytes, shown_name, write_bytes, write_text
from assessor.surface.drop_match import match_drops
from assessor.surface.drop_record import DropRecord, before_of, example_record, parse_record
from assessor.surface.drop_values import DropPhoto, PhotoDrop
from assessor.surface.drop_verdict import judge_drops
from assessor.surface.drops import DROP_GRID, read_drops
from assessor.values import Exif, PrintScale, Rectified

__all__ = [
    "DROPS_JSON",
    "DROPS_PAGE",
    "DropsRequest",
    "DropsResult",
    "LookedAt",
    "assess_drops",
    "example_record",
    "look_at_drops",
    "window_of",
]

DROPS_JSON, DROPS_PAGE = "drops.json", "drops.html"
MOST_BYTES = 1_000_000  # of a record; it is a page of text


@dataclass(frozen=True, slots=True)
class DropsRequest:
    """What a person asks of `drops`; photos are looked for beside the record. area_m2: over the record's own."""

    record: Path
    out: Path = Path("assessor_drops")
    area_m2: float | None = None


@dataclass(frozen=True, slots=True)
class DropsResult:
    """The round as stored, and where to look."""

    record: DropsRecord
    page: Path

    @property
    def all_used(self) -> bool:
        """Whether every photo named could be used."""
        return all(photo.refused is None and photo.before_refused is None for photo in self.record.photos)


@dataclass(frozen=True, eq=False)
class _Shot:
    """One photo of the record: as stored, its drops by name, and its picture where it could be used."""

    record: DropPhotoRecord
    matched: dict[str, PhotoDrop]
    picture: bytes | None


def assess_drops(request: DropsRequest, settings: Settings | None = None) -> DropsResult:
    """Judge a round of drops and write drops.json, a page and a picture a photo.

    Raises BadDrops where the record cannot be used, OutputNotWritable where results cannot be written.
    """
    settings = settings or Settings()
    data = _read(request.record)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadDrops("the record is not text in UTF-8", file=shown_name(request.record)) from error
    record = parse_record(text, file=shown_name(request.record))
    bars = record.measured_bars_mm
    scale = scale_from_bars(*bars, settings=settings.bars) if bars else PrintScale()
    check_writable(request.out)
    shots = []
    for number, name in enumerate(record.photos, 1):
        shots.append(_shot(record, name, request.record.parent, (scale, settings), number))
    seen = {name: drop for shot in shots for name, drop in shot.matched.items()}
    verdict = judge_drops(record, seen, area_m2=request.area_m2, settings=settings.drop_verdict)
    stored = round_record(
        record,
        verdict,
        [shot.record for shot in shots],
        area_m2=request.area_m2,
        file=(shown_name(request.record), hashlib.sha256(data).hexdigest()),
        made=(__version__, datetime.now(UTC).isoformat(timespec="seconds")),
    )
    pictures = {}
    for shot in shots:
        if shot.picture is not None and shot.record.picture is not None:
            write_bytes(request.out / shot.record.picture, shot.picture)
            pictures[shot.record.file] = shot.picture
    write_text(request.out / DROPS_PAGE, drops_page(stored, pictures))
    write_text(request.out / DROPS_JSON, stored.model_dump_json(indent=1))
    return DropsResult(stored, request.out / DROPS_PAGE)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadDrops(f"the record cannot be read ({error.strerror})", file=shown_name(path)) from error
    if len(data) > MOST_BYTES:
        raise BadDrops("the file is far too large for a record of drops", file=shown_name(path))
    return data


def _shot(
    record: DropRecord, name: str, folder: Path, how: tuple[PrintScale, Settings], number: int
) -> _Shot:
    """One photo taken at the end, with the one before the drops where there is one."""
    scale, settings = how
    entries = [drop for drop in record.drop if drop.photo == name]
    digest, before, lost = "", None, None
    before_name = before_of(record, name)
    try:
        data = read_photo_bytes(folder / name, max_bytes=settings.decode.max_bytes)
        digest = hashlib.sha256(data).hexdigest()
        if before_name is not None:
            try:
                dry = read_photo_bytes(folder / before_name, max_bytes=settings.decode.max_bytes)
                before = window_of(dry, before_name, scale, settings).rectified
            except (PhotoError, CaptureError) as error:
                lost = _sentence(error, before_name)
        found = look_at_drops(data, name, scale, settings, volume_ml=record.drop_volume_ml, before=before)
    except (PhotoError, CaptureError) as error:
        names = [entry.name for entry in entries]
        return _Shot(refused_photo(name, digest, _sentence(error, name), names), {}, None)
    matched, why = match_drops(entries, found.drops.drops)
    stored = photo_record(
        found.drops,
        file=(name, digest),
        before=(before_name, lost),
        rendered=origin_of([SourceFile(name, digest, found.window.exif)]) == "rendered",
        matched=matched,
        why=why,
        picture=f"drops-{number}.png",
    )
    return _Shot(stored, matched, draw_drops(found.window.rectified, stored))


def _sentence(error: PhotoError | CaptureError, name: str) -> str:
    """Why a photo was not used; of one photo its own refusal says it all."""
    refused = error.refused if isinstance(error, CaptureError) else ()
    return str((refused[-1] if refused else error).with_file(name))


@dataclass(frozen=True, eq=False)
class Window:
    """One photo's window on `DROP_GRID`, where the photo lies, and what the camera wrote."""

    rectified: Rectified
    spot: Spot
    exif: Exif


@dataclass(frozen=True, eq=False)
class LookedAt:
    """The drops of one photo and the window they lie in."""

    drops: DropPhoto
    window: Window


def window_of(data: bytes, name: str, print_scale: PrintScale, settings: Settings) -> Window:
    """Bring the window in one photo's bytes to the card plane; raises PhotoError or CaptureError."""
    photo = decode_photo(data, name, settings.decode)
    found = find_all([photo], settings, (), "single").found
    spot = place_spot(found, print_scale, settings, Laps(float))
    return Window(rectify(photo, spot.adjustment.cameras[0], spot.adjustment, DROP_GRID), spot, photo.exif)


def look_at_drops(
    data: bytes,
    name: str,
    print_scale: PrintScale,
    settings: Settings,
    *,
    volume_ml: float | None,
    before: Rectified | None = None,
) -> LookedAt:
    """The drops in one photo's bytes; raises PhotoError or CaptureError where it can't be used.

    volume_ml: of one drop, None where not known; before: the same window before the drops (`window_of`).
    """
    window = window_of(data, name, print_scale, settings)
    drops = read_drops(
        window.rectified,
        lighting=read_light(window.spot, settings),
        camera_mm=window.spot.adjustment.cameras[0].position_mm,
        sighting=window.spot.sightings[0],
        volume_mm3=None if volume_ml is None else 1000 * volume_ml,
        print_scale=window.spot.adjustment.print_scale,
        before=before,
        settings=settings.drops,
    )
    return LookedAt(drops, window)
