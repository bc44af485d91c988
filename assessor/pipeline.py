"""The main job, one line per stage: photos of one spot in, texture and a suggestion out.

Read this file first; every stage is a pure function between the values of `values`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from assessor.card.camera import adjust_cameras
from assessor.card.find import find_card
from assessor.card.lens import find_odd_photos, mixed_cameras
from assessor.card.light import check_light, read_lights
from assessor.card.photo_origin import check_not_scanned, check_origin
from assessor.card.quality import check_photo
from assessor.card.rectify import rectify
from assessor.card.tone import read_tone
from assessor.errors import CaptureError, PhotoError, TooFewPhotos
from assessor.grading.scale import GradeScale
from assessor.grading.suggest import suggest_grade
from assessor.settings import Settings
from assessor.texture.heights import measure_heights
from assessor.texture.measure import measure_texture
from assessor.values import Band, CaptureResult, CardSighting, Photo, PrintScale, TargetRange


def assess_capture(
    photos: Sequence[Photo],
    *,
    print_scale: PrintScale,
    scale: GradeScale,
    target: TargetRange | None,
    bands: tuple[Band, ...],
    settings: Settings,
    refused: tuple[PhotoError, ...] = (),
    clock: Callable[[], float] = float,
) -> CaptureResult:
    """Assess one capture of kind `angles`.

    refused: photos of this capture that could not even be decoded. A photo that fails its checks joins them and the
    rest goes on while enough remain. clock: where timings are wanted, a function that returns seconds. Raises
    CaptureError when the spot cannot be measured.
    """
    laps = _Laps(clock)
    usable, sightings, flags, dropped = _find_all(photos, settings, refused)
    laps.lap("find")
    exifs = [photo.exif for photo in usable]
    adjustment = adjust_cameras(sightings, exifs, print_scale, settings.camera)
    laps.lap("cameras")
    tone = read_tone(usable, adjustment, settings.tone)
    laps.lap("tone")
    rectified = tuple(
        rectify(photo, camera, adjustment, settings.rectify, curve=curve)
        for photo, camera, curve in zip(usable, adjustment.cameras, tone.curves, strict=True)
    )
    light_flags = check_light(rectified, exifs, settings.light)
    laps.lap("rectify")
    lighting = read_lights(usable, sightings, adjustment, rectified, settings.light)
    laps.lap("light")
    edges = [sighting.edge_width_mm for sighting in sightings]
    heights = measure_heights(usable, adjustment, settings.heights, edge_width_mm=edges)
    laps.lap("heights")
    texture = measure_texture(heights, bands, settings.texture)
    laps.lap("texture")
    suggestion = suggest_grade(texture, scale, target, settings.suggest)
    laps.lap("suggest")
    stages = (adjustment, tone, lighting, heights, texture, suggestion)
    all_flags = (*flags, *light_flags, *(flag for stage in stages for flag in stage.flags))
    return CaptureResult(
        kind="angles",
        photos=tuple(usable),
        sightings=tuple(sightings),
        adjustment=adjustment,
        rectified=rectified,
        heights=heights,
        texture=texture,
        suggestion=suggestion,
        refused=tuple(dropped),
        seconds=laps.seconds,
        flags=tuple(dict.fromkeys(all_flags)),
        lighting=lighting,
        tone=tone,
    )


def _find_all(
    photos: Sequence[Photo], settings: Settings, refused: tuple[PhotoError, ...]
) -> tuple[list[Photo], list[CardSighting], list[str], list[PhotoError]]:
    """Find the card in every photo; photos that fail, or were taken with another lens, join the refused ones."""
    found: list[tuple[Photo, CardSighting, tuple[str, ...]]] = []
    dropped = list(refused)
    for photo in photos:
        try:
            origin_flags = check_origin(photo, settings.origin)
            sighting = find_card(photo, settings.find)
            check_not_scanned(photo, sighting, settings.origin)
            photo_flags = (*origin_flags, *check_photo(photo, sighting, settings.quality))
        except PhotoError as error:
            named = error.with_file(photo.name)
            assert isinstance(named, PhotoError)
            dropped.append(named)
            continue
        found.append((photo, sighting, photo_flags))
    if len(found) < settings.heights.min_photos:
        raise _too_few([photo for photo, _, _ in found], dropped, settings.heights.min_photos)
    odd = find_odd_photos([photo for photo, _, _ in found], settings.lens)
    found = [one for one, error in zip(found, odd, strict=True) if error is None]
    dropped += [error for error in odd if error is not None]
    if len(found) < settings.heights.min_photos:
        raise _mixed(odd, dropped)
    flags = [flag for _, _, photo_flags in found for flag in photo_flags]
    if dropped:
        flags.append("photos-dropped")
    return [photo for photo, _, _ in found], [sighting for _, sighting, _ in found], flags, dropped


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


class _Laps:
    """Seconds by stage on the caller's clock."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self.seconds: dict[str, float] = {}
        self._clock, self._last = clock, clock()

    def lap(self, stage: str) -> None:
        """End a stage."""
        now = self._clock()
        self.seconds[stage] = now - self._last
        self._last = now
