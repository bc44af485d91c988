"""Overviews, one line per stage: standing-height photos of one zone in; patches, evenness, strips and coverage out.

No stage measures heights: what is worked less is told by colour and texture only, and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Protocol

import numpy as np

from assessor.card.lens import find_odd_photos
from assessor.card.photo_origin import check_origin
from assessor.card.zone_sheet import CARD_NAME, zone_sheet
from assessor.errors import BadZone, NoOverview, PhotoError
from assessor.settings import Settings
from assessor.spot import Laps
from assessor.surface.zone_cover import cover_zone
from assessor.surface.zone_even import measure_evenness, texture_of
from assessor.surface.zone_find import find_sheets
from assessor.surface.zone_fit import fit_zone
from assessor.surface.zone_lay import tell_lay
from assessor.surface.zone_mosaic import build_mosaic
from assessor.surface.zone_patches import find_zone_patches, without_strips
from assessor.surface.zone_settings import OverviewSettings
from assessor.surface.zone_strips import find_strips
from assessor.values import FloatArray, FloorImage, Patches, Photo, PrintScale
from assessor.values.overview import Overview, SheetsSighting, ZoneArea, ZoneFit

GLOSS_WHY = "shine is not looked for in overviews: take a low photo toward the light at a spot"


@dataclass(frozen=True, slots=True)
class ZoneAsked:
    """What a person said: size_m (along the lowest sheet's bottom edge, and up), process, the print's scale."""

    print_scale: PrintScale = field(default_factory=PrintScale)
    size_m: tuple[float, float] | None = None
    process: str | None = None


class Finder(Protocol):
    """Looks for patches in a floor image; centres_mm (N, 2): of the sheets, for distances."""

    def __call__(self, image: FloorImage, centres_mm: FloatArray) -> Patches:
        """Return all patches in the image."""


def packaged_finder(settings: OverviewSettings) -> Finder:
    """The learned finder that comes with the package; raises ModelUnusable when called without its weights."""

    def find(image: FloorImage, centres_mm: FloatArray) -> Patches:
        return find_zone_patches(image, centres_mm, settings.patches, settings.blobs, GLOSS_WHY)

    return find


def assess_zone(
    photos: Sequence[Photo],
    asked: ZoneAsked,
    *,
    finder: Finder | None,
    settings: Settings,
    refused: tuple[PhotoError, ...] = (),
    clock: Callable[[], float] = float,
) -> tuple[Overview, tuple[PhotoError, ...]]:
    """Assess all overview photos of one zone; returns the result and the photos that were not used, each with why.

    finder: None leaves patches out. Raises NoOverview where no photo is left, BadZone where the size cannot be laid
    to a sheet.
    """
    overview, print_scale = settings.overview, asked.print_scale
    laps = Laps(clock)
    kept, sightings, dropped, flags = _find_all(photos, print_scale, settings, overview, refused)
    laps.lap("find")
    fit, members, left = fit_zone(sightings, print_scale, overview.fit) if sightings else (None, (), ())
    dropped += left
    if fit is None:
        raise _nothing(dropped)
    kept = [kept[k] for k in members]
    zone = zone_area(fit, asked.size_m)
    laps.lap("fit")
    mosaic = build_mosaic(kept, fit, zone, print_scale, overview.mosaic)
    coverage = cover_zone(mosaic, zone, fit)
    laps.lap("mosaic")
    centres = np.array([[sheet.x_mm, sheet.y_mm] for sheet in fit.sheets])
    patches = finder(_within(mosaic.image, zone), centres) if finder is not None else None
    laps.lap("patches")
    # A missed strip may be found as a patch too: it is told once, as a strip.
    strips, strips_why = find_strips(mosaic, texture_of(mosaic, None, overview.even), overview.strips)
    patches = without_strips(patches, strips) if patches is not None else None
    texture = texture_of(mosaic, patches, overview.even)
    evenness = measure_evenness(mosaic, texture, overview.even)
    lay = tell_lay(mosaic, texture, asked.process, overview.lay)
    laps.lap("even")
    if not print_scale.checked:
        flags.append("bars-unchecked")
    if fit.focal_source == "solved":
        flags.append("focal-unknown")
    if dropped:
        flags.append("photos-dropped")
    result = Overview(
        fit, mosaic, zone, coverage, evenness, strips, strips_why, lay, patches, tuple(laps.seconds.items()),
        tuple(dict.fromkeys(flags)),
    )  # fmt: skip
    return result, tuple(dropped)


def zone_area(fit: ZoneFit, size_m: tuple[float, float] | None) -> ZoneArea | None:
    """The zone's place: the lower left corner of the lowest-numbered sheet's paper is its corner (the sheets' rule)."""
    if size_m is None:
        return None
    if fit.origin == CARD_NAME:
        raise BadZone("with the window card alone the zone's corner is not known, so its size cannot be used")
    x, y = zone_sheet(int(fit.origin)).corner_mm
    return ZoneArea(x, y, 1000 * size_m[0], 1000 * size_m[1])


def _within(image: FloorImage, zone: ZoneArea | None) -> FloorImage:
    """The floor of the zone alone: what lies beyond its edges is nobody's to mend."""
    if zone is None:
        return image
    rows, columns = image.valid.shape
    x, _ = image.place(np.zeros(1), np.arange(columns, dtype=float))
    _, y = image.place(np.arange(rows, dtype=float), np.zeros(1))
    across = (x >= zone.x_mm) & (x <= zone.x_mm + zone.length_mm)
    along = (y >= zone.y_mm) & (y <= zone.y_mm + zone.width_mm)
    return replace(image, valid=image.valid & along[:, None] & across[None])


def _find_all(
    photos: Sequence[Photo],
    print_scale: PrintScale,
    settings: Settings,
    overview: OverviewSettings,
    refused: tuple[PhotoError, ...],
) -> tuple[list[Photo], list[SheetsSighting], list[PhotoError], list[str]]:
    """Photos with their sheets, those that cannot be used, and flags."""
    kept: list[Photo] = []
    sightings: list[SheetsSighting] = []
    flags: list[str] = []
    dropped = list(refused)
    odd = find_odd_photos(list(photos), settings.lens) if len(photos) > 1 else (None,) * len(photos)
    look = partial(find_sheets, print_scale=print_scale, settings=overview.find)
    for photo, error in zip(photos, odd, strict=True):
        try:
            if error is not None:
                raise error
            flags += check_origin(photo, settings.origin)
            sighting = look(photo)
        except PhotoError as found:
            named = found.with_file(photo.name)
            assert isinstance(named, PhotoError)
            dropped.append(named)
            continue
        kept.append(photo)
        sightings.append(sighting)
    return kept, sightings, dropped, flags


def _nothing(dropped: Sequence[PhotoError]) -> NoOverview:
    reasons = "".join(f"; {error.file or 'one photo'}: {error.found}" for error in dropped)
    error = NoOverview(f"none of the {len(dropped)} photos can be used{reasons}")
    error.refused = tuple(dropped)
    return error
