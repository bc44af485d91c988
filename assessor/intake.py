"""What comes in: every photo with its card and its checks; what fails is named and the rest goes on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from assessor.card.find import find_card
from assessor.card.lens import find_odd_photos, mixed_cameras
from assessor.card.photo_origin import check_not_scanned, check_origin
from assessor.card.quality import check_photo
from assessor.errors import CaptureError, PhotoError, TooFewPhotos, TooOblique
from assessor.settings import Settings
from assessor.values import CardSighting, Kind, Photo


@dataclass(frozen=True, eq=False)
class Found:
    """A photo with its card; unfit: why it cannot be used in an even light, where it can under a torch.

    low: taken so obliquely that it can only show shine.
    """

    photo: Photo
    sighting: CardSighting
    flags: tuple[str, ...]
    unfit: PhotoError | None = None
    low: bool = False


@dataclass(frozen=True, eq=False)
class Taken:
    """Photos of one capture, told apart: to measure or estimate from, low ones that only show shine, refused ones."""

    found: tuple[Found, ...]
    low: tuple[Found, ...]
    dropped: tuple[PhotoError, ...]


def is_measured(count: int, kind: Kind | None, settings: Settings) -> bool:
    """Whether so many usable photos are measured; fewer, or where a person asked for it, are only estimated."""
    return kind != "single" and count >= settings.heights.min_photos


def find_all(
    photos: Sequence[Photo], settings: Settings, refused: tuple[PhotoError, ...], kind: Kind | None
) -> Taken:
    """Find the card in every photo: those to measure or estimate from, low ones that only show shine, refused ones.

    Photos that fail, or were taken with another lens, join the refused ones. kind: what a person asked for, None to see
    it from the photos. Raises TooFewPhotos or MixedCameras.
    """
    found: list[Found] = []
    low: list[Found] = []
    dropped = list(refused)
    for photo in photos:
        try:
            one = _find_one(photo, settings)
            (low if one.low else found).append(one)
        except PhotoError as error:
            named = error.with_file(photo.name)
            assert isinstance(named, PhotoError)
            dropped.append(named)
    if not found:  # nothing to go with it: then it is a photo taken too obliquely
        dropped += [_too_low(one) for one in low]
    check_count(found, dropped, settings, kind)
    odd = find_odd_photos([one.photo for one in found], settings.lens)
    found = [one for one, error in zip(found, odd, strict=True) if error is None]
    dropped += [error for error in odd if error is not None]
    if len(found) < _least(kind, settings):
        raise _mixed(odd, dropped)
    return Taken(tuple(found), tuple(low), tuple(dropped))


def _find_one(photo: Photo, settings: Settings) -> Found:
    origin_flags = check_origin(photo, settings.origin)
    sighting = find_card(photo, settings.find)
    check_not_scanned(photo, sighting, settings.origin)
    unfit: PhotoError | None = None
    if sighting.tilt_deg > settings.quality.low_tilt_deg:
        flags = check_photo(photo, sighting, settings.quality.for_low())
        return Found(photo, sighting, (*origin_flags, *flags), low=True)
    try:
        flags = check_photo(photo, sighting, settings.quality)
    except PhotoError as error:
        flags = check_photo(photo, sighting, settings.quality, torch=True)
        named = error.with_file(photo.name)
        assert isinstance(named, PhotoError)
        unfit = named
    return Found(photo, sighting, (*origin_flags, *flags), unfit)


def _too_low(one: Found) -> PhotoError:
    found = f"the phone was tilted {one.sighting.tilt_deg:.0f} degrees, which shows shine but nothing else"
    return TooOblique(found, file=one.photo.name)


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
