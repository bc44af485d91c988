"""The photos of one spot with their cards and cameras, and how long each stage took."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from assessor.card.camera import adjust_cameras
from assessor.card.designs import common_design, window_of
from assessor.card.layout import DESIGN, Rectangle
from assessor.card.rectify import fit_white
from assessor.intake import Found
from assessor.settings import Settings
from assessor.values import Adjustment, CardSighting, FloatArray, Photo, PrintScale


@dataclass(frozen=True, eq=False)
class Spot:
    """Photos that passed their checks, with sightings, cameras and the log of the smooth light on the paper (6, 3).

    All run alike. design: which sheet lies there (`card.designs`).
    """

    photos: tuple[Photo, ...]
    sightings: tuple[CardSighting, ...]
    adjustment: Adjustment
    white_fits: tuple[FloatArray, ...]
    design: str = DESIGN

    @property
    def window(self) -> Rectangle:
        """Where the floor shows, mm in the card frame."""
        return window_of(self.design)

    def only(self, members: Sequence[int]) -> Spot:
        """The same of some photos, in their order."""
        offsets = self.adjustment.marker_offset_mm
        own = replace(
            self.adjustment,
            cameras=tuple(self.adjustment.cameras[k] for k in members),
            marker_offset_mm=tuple(offsets[k] for k in members) if offsets else (),
        )
        return Spot(
            photos=tuple(self.photos[k] for k in members),
            sightings=tuple(self.sightings[k] for k in members),
            adjustment=own,
            white_fits=tuple(self.white_fits[k] for k in members),
            design=self.design,
        )


class Laps:
    """Seconds by stage on the caller's clock."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self.seconds: dict[str, float] = {}
        self._clock, self._last = clock, clock()

    def lap(self, stage: str) -> None:
        """End a stage."""
        now = self._clock()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._last
        self._last = now


def place_spot(found: Sequence[Found], print_scale: PrintScale, settings: Settings, laps: Laps) -> Spot:
    """Fit the cameras of all photos together and read the light on their paper."""
    photos, sightings = [one.photo for one in found], [one.sighting for one in found]
    adjustment = adjust_cameras(sightings, [photo.exif for photo in photos], print_scale, settings.camera)
    laps.lap("cameras")
    size = adjustment.print_scale.x, adjustment.print_scale.y
    whites = tuple(
        fit_white(photo, camera, size, settings.rectify)[0]
        for photo, camera in zip(photos, adjustment.cameras, strict=True)
    )
    return Spot(tuple(photos), tuple(sightings), adjustment, whites, common_design(sightings))
