"""One capture is one lens: which photos were taken with another phone, lens, zoom or size than the rest?

The cameras of a capture are fitted with one focal length and one distortion. Phones change the lens by themselves:
near the card they switch to the ultra-wide, which focuses closer; two fingers on the screen zoom in. Exif tells
(LensModel, FocalLength, FocalLengthIn35mmFilm, DigitalZoomRatio; CIPA DC-008, Exif 2.32), and so does the size. The
photos that agree with most others are the capture; the odd ones leave, each with its own remedy, and the rest goes on.

What a file doesn't say matches everything, so a photo without Exif is odd only by its size. A switch that left no
trace in the file is not seen here; the fitted cameras show it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from assessor.errors import LensSwitched, MixedCameras, OtherPhone, PhotoError, ZoomUsed
from assessor.values import CardSighting, Exif


@dataclass(frozen=True, slots=True)
class LensSettings:
    """How far what the camera wrote may differ between photos of one lens."""

    # Written as ratios of whole numbers; the lenses of one phone differ by 30 % or more (common practice).
    focal_tolerance: float = 0.01
    equivalent_tolerance_mm: float = 1.0  # whole millimetres, rounded this way or that
    # Some phones write 1.003 for no zoom (from memory, verify); the smallest step that people use is 1.1.
    zoom_tolerance: float = 0.02
    usual_equivalent_mm: float = 26.0  # main cameras have 23-28: the tie between two groups goes to these


class Shot(Protocol):
    """What is compared: a decoded photo or anything with its name, size and Exif."""

    @property
    def name(self) -> str:
        """What the person knows the photo by."""

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) in pixels."""

    @property
    def exif(self) -> Exif:
        """What the camera wrote."""


def find_odd_photos(
    shots: Sequence[Shot], settings: LensSettings | None = None
) -> tuple[PhotoError | None, ...]:
    """Say for every photo whether it belongs to the capture's lens: None, or the error to refuse it with.

    The largest group of photos that agree with one another is the capture; among equals, the one whose 35 mm
    equivalent is nearest to a main camera's. Errors are OtherPhone, LensSwitched or ZoomUsed. The order of the photos
    doesn't matter.
    """
    settings = settings or LensSettings()
    groups = _groups(shots, settings)
    if len(groups) < 2:
        return (None,) * len(shots)
    main = max(groups, key=lambda group: _rank([shots[k] for k in group], settings))
    errors: list[PhotoError | None] = []
    for k, shot in enumerate(shots):
        pairs = () if k in main else (_difference(shot, shots[m], settings) for m in main)
        odd = next((pair for pair in pairs if pair), None)
        errors.append(odd[0](odd[1], file=shot.name) if odd else None)
    return tuple(errors)


def mixed_cameras(odd: Sequence[PhotoError]) -> MixedCameras:
    """Make the error for a capture that cannot go on without its odd photos, naming these and why they are odd."""
    names = ", ".join(error.file or "one photo" for error in odd)
    error = MixedCameras("; ".join(dict.fromkeys(error.found for error in odd)), file=names)
    error.refused = tuple(odd)
    return error


@dataclass(frozen=True, slots=True)
class _Sighted:
    name: str
    size_px: tuple[int, int]
    exif: Exif


def check_same_camera(
    sightings: Sequence[CardSighting], exifs: Sequence[Exif], settings: LensSettings | None = None
) -> None:
    """Refuse photos that can't be fitted together with one lens (MixedCameras, naming the odd ones)."""
    shots = [_Sighted(s.photo_name, s.size_px, e) for s, e in zip(sightings, exifs, strict=True)]
    odd = [error for error in find_odd_photos(shots, settings) if error]
    if odd:
        raise mixed_cameras(odd)


def _groups(shots: Sequence[Shot], settings: LensSettings) -> list[list[int]]:
    """Indices of photos that agree with one another, each photo in one group, the fullest record first in it."""

    def order(k: int) -> tuple[int, str]:
        exif = shots[k].exif
        said = (exif.model, exif.lens_model, exif.focal_mm, exif.focal_35mm, exif.digital_zoom_ratio)
        return said.count(None), repr((said, sorted(shots[k].size_px), shots[k].name))

    groups: list[list[int]] = []
    for k in sorted(range(len(shots)), key=order):
        fits = [g for g in groups if not any(_difference(shots[k], shots[m], settings) for m in g)]
        if fits:
            max(fits, key=len).append(k)
        else:
            groups.append([k])
    return groups


def _rank(group: Sequence[Shot], settings: LensSettings) -> tuple[float, ...]:
    """Larger for the group that is the capture."""
    equivalents = [shot.exif.focal_35mm for shot in group if shot.exif.focal_35mm]
    off = abs(math.log(equivalents[0] / settings.usual_equivalent_mm)) if equivalents else math.inf
    return len(group), -off, -_zoom(group[0]), math.prod(group[0].size_px)


def _zoom(shot: Shot) -> float:
    """Digital zoom; a camera that signs its photos and writes none used none."""
    return shot.exif.digital_zoom_ratio or 1.0


def _difference(shot: Shot, other: Shot, settings: LensSettings) -> tuple[type[PhotoError], str] | None:
    """What tells `shot` from `other`, as the error's class and sentence; None where they may be one camera."""
    a, b = shot.exif, other.exif
    phones = [" ".join(filter(None, (e.make, e.model))) for e in (a, b) if e.model]
    if len(phones) == 2 and phones[0] != phones[1]:
        return (
            OtherPhone,
            f"it was taken with another phone than the rest ({phones[0]}, the rest {phones[1]})",
        )
    if a.focal_mm and b.focal_mm and abs(math.log(a.focal_mm / b.focal_mm)) > settings.focal_tolerance:
        # A longer lens comes in by zooming, a shorter one by going near.
        kind = LensSwitched if a.focal_mm < b.focal_mm else ZoomUsed
        return kind, f"it was taken with another lens ({a.focal_mm:g} mm, the rest {b.focal_mm:g} mm)"
    if a.lens_model and b.lens_model and a.lens_model != b.lens_model:
        return LensSwitched, f"it was taken with another lens ({a.lens_model}, the rest {b.lens_model})"
    if (
        a.focal_35mm
        and b.focal_35mm
        and abs(a.focal_35mm - b.focal_35mm) > settings.equivalent_tolerance_mm + 1e-9
    ):
        kind = LensSwitched if a.focal_35mm < b.focal_35mm and not (a.focal_mm and b.focal_mm) else ZoomUsed
        return kind, (
            "it shows another angle of view"
            f" (35 mm equivalent {a.focal_35mm:g} mm, the rest {b.focal_35mm:g} mm)"
        )
    signed = all(e.focal_mm or e.focal_35mm or e.digital_zoom_ratio for e in (a, b))
    if signed and abs(math.log(_zoom(shot) / _zoom(other))) > settings.zoom_tolerance:
        return ZoomUsed, f"it was taken at {_zoom(shot):g}x zoom, the rest at {_zoom(other):g}x"
    if sorted(shot.size_px) != sorted(other.size_px):
        here, there = (f"{max(s.size_px)} x {min(s.size_px)} px" for s in (shot, other))
        return ZoomUsed, f"it has another size ({here}, the rest {there})"
    return None
