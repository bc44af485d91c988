"""What comes in: every photo with its card and its checks; what fails is named and the rest goes on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from assessor.card.find import find_card
from assessor.card.lens import find_odd_photos, mixed_cameras
from assessor.card.photo_origin import check_not_scanned, check_origin
from assessor.card.quality import check_photo
from assessor.errors import CaptureError, PhotoError, TooFewPhotos
from assessor.settings import Settings
from assessor.values import CardSighting, Kind, Photo


@dataclass(frozen=True, eq=False)
class Found:
    """A photo with its card; unfit: why it cannot be used in an even light, where it can under a torch."""

    photo: Photo
    sighting: CardSighting
    flags: tuple[str, ...]
    unfit: PhotoError | None = None


def is_measured(count: int, kind: Kind | None, settings: Settings) -> bool:
    """Whether so many usable photos are measured; fewer, or where a person asked for it, are only estimated."""
    return kind != "single" and count >= settings.heights.min_photos


def find_all(
    photos: Sequence[Photo], settings: Settings, refused: tuple[PhotoError, ...], kind: Kind | None
) -> tuple[list[Found], list[PhotoError]]:
    """Find the card in every photo; photos that fail, or were taken with another lens, join the refused ones.

    kind: what a person asked for, None to see it from the photos. Raises TooFewPhotos or MixedCameras.
    """
    found: list[Found] = []
    dropped = list(refused)
    for photo in photos:
        try:
            found.append(_find_one(photo, settings))
        except PhotoError as error:
            named = error.with_file(photo.name)
            assert isinstance(named, PhotoError)
            dropped.append(named)
    check_count(found, dropped, settings, kind)
    odd = find_odd_photos([one.photo for one in found], settings.lens)
    found = [one for one, error in zip(found, odd, strict=True) if error is None]
    dropped += [error for error in odd if error is not None]
    if len(found) < _least(kind, settings):
        raise _mixed(odd, dropped)
    return found, dropped


def _find_one(photo: Photo, settings: Settings) -> Found:
    origin_flags = check_origin(photo, settings.origin)
    sighting = find_card(photo, settings.find)
    check_not_scanned(photo, sighting, settings.origin)
    unfit: PhotoError | None = None
    try:
        flags = check_photo(photo, sighting, settings.quality)
    except PhotoError as error:
        flags = check_photo(photo, sighting, settings.quality, torch=True)
        named = error.with_file(photo.name)
        assert isinstance(named, PhotoError)
        unfit = named
    return Found(photo, sighting, (*origin_flags, *flags), unfit)


def _least(kind: Kind | None, settings: Settings) -> int:
    """Usable photos that a capture needs: one gives an estimate, unless a kind was asked for that needs more."""
    return settings.heights.min_photos if kind in ("angles", "fused") else 1


def check_count(
    found: Sequence[Found], dropped: Sequence[PhotoError], settings: Settings, kind: Kind | None
) -> None:
    """Refuse a capture of which too few photos are left (TooFewPhotos)."""
    if len(found) < _least(kind, settings):
        raise _too_few([one.photo for one in found], dropped, settings.heights.min_photos)


def _mixed(odd: Sequence[PhotoError | None], dropped: Sequence[PhotoError]) -> CaptureError:
    error = mixed_cameras([error for error in odd if error is not None])
    error.refused = tuple(dropped)
    return error


def _too_few(usable: Sequence[Photo], dropped: Sequence[PhotoError], needed: int) -> CaptureError:
    reasons = "".join(f"; {error.file or 'one photo'}: {error.found}" for error in dropped)
    many = "photo is" if len(usable) == 1 else "photos are"
    error = TooFewPhotos(f"{len(usable)} {many} usable of the {needed} needed{reasons}")
    error.refused = tuple(dropped)
    return error
