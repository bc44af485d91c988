"""Photos on their way into a job's record: what is known of them before anything is stored."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from assessor.batch import read_serial
from assessor.card.bars import scale_from_bars
from assessor.card.video import is_video
from assessor.errors import BadEntry, NoJob, UnreadablePhoto
from assessor.job.book import JobBook
from assessor.job.parts import Phase
from assessor.settings import Settings
from assessor.store.files import clean_text, shown_name

SERIALS_READ = (
    3  # photos that are looked at for the card's serial; the next one shows it where one is blurred
)


def capture_name(book: JobBook, zone: int, spot: int, phase: str, round_: int) -> str:
    """A name for a further capture: Z01-S03-after-r1, then with -2, -3 ..."""
    base = f"Z{zone:02d}-S{spot:02d}-{phase}-r{round_}"
    used = {*book.captures, *book.overviews}
    number = 1
    while (name := base if number == 1 else f"{base}-{number}") in used:
        number += 1
    return name


def check_bars(bars_mm: tuple[float, float] | None, settings: Settings) -> None:
    """Raise BadBars now: in the record, readings that can't be would stand in the way of every assessment."""
    if bars_mm is not None:
        scale_from_bars(*bars_mm, settings=settings.bars)


def check_zone(book: JobBook, zone: int) -> None:
    """Raise NoJob before photos of a zone that isn't there are stored."""
    if zone not in book.zones:
        known = ", ".join(map(str, sorted(book.zones))) or "none"
        raise NoJob(f"there is no zone {zone} in this job (zones: {known})")


def check_new(book: JobBook, digests: Mapping[Path, str], where: tuple[int, int, Phase, int]) -> None:
    """Raise BadEntry where a photo belongs to another place or round already: it shows one spot at one time."""
    own = {digest: path for path, digest in digests.items()}
    for capture in book.captures.values():
        if (capture.zone, capture.spot, capture.phase, capture.round) == where:
            continue
        for photo in capture.content.photos:
            if photo.sha256 in own:
                raise BadEntry(
                    f"this photo is in the record already, in capture '{capture.capture}': where that lies in the "
                    "wrong place, re-file it",
                    file=shown_name(own[photo.sha256]),
                )


def doubt_of(book: JobBook, zone: int, spot: int, phase: Phase, round_: int) -> str:
    """Why photos filed here count for nothing as things stand, in words; empty where they count."""
    if phase != "after":
        return ""
    if spot not in book.zones[zone].spots:
        return f"zone {zone} has no spot {spot}, so this counts for nothing: re-file it where it belongs"
    now = book.round_of(zone, spot)
    if round_ < now:
        return f"spot {spot} is in round {now} by now, so round {round_} counts for nothing: re-file it, or shoot again"
    if round_ > now:
        return f"spot {spot} is in round {now}, not {round_}: enter the rework, or re-file it"
    return ""


def serial_of(paths: Sequence[Path], settings: Settings) -> int | None:
    """The card's serial in the first photos that show it; tape readings entered by serial hold by it."""
    for path in [each for each in paths if not is_video(each)][:SERIALS_READ]:
        serial = read_serial((path, settings))
        if serial is not None:
            return serial
    return None


def hashes(paths: Iterable[Path]) -> dict[Path, str]:
    """SHA-256 of each file, by path; of files that hold the same only the first. Raises UnreadablePhoto."""
    found: dict[str, Path] = {}
    for path in paths:
        found.setdefault(hash_of(path), path)
    return {path: digest for digest, path in found.items()}


def hash_of(path: Path) -> str:
    """SHA-256 of a file; raises UnreadablePhoto."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise UnreadablePhoto(f"the file cannot be read ({error.strerror})", file=shown_name(path)) from error


def sources(paths: Iterable[Path]) -> list[tuple[bytes | Path, str]]:
    """Files as the store takes them, with the names they came by."""
    return [(path, clean_text(path.name)) for path in paths]
