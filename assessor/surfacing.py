"""Clean, bare, even: what a spot's photos show beside its texture (patches, shine, aggregate).

Whatever the capture's kind, its photos are brought to one floor image of the window: the albedo where a torch gave it,
else the middle of all photos; two photos with the torch on different sides stay two, so that shadows are told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from assessor.card.rectify import rectify
from assessor.errors import CaptureError
from assessor.intake import Found
from assessor.settings import Settings
from assessor.spot import Laps, place_spot
from assessor.surface.aggregate import measure_aggregate
from assessor.surface.gloss import GlossMap, gloss_between, gloss_of_torch
from assessor.surface.patches import find_patches, joined
from assessor.surface.segment import load_segmenter, resample, segment
from assessor.values import (
    FloatArray,
    FloorImage,
    FloorState,
    Patches,
    PrintScale,
    Rectified,
    Segments,
    SlopeMap,
    Surface,
)

HALF_MM = 56.0  # the window less 4 mm: nearer, the paper's edge and its shadow show
MOST_LIGHTS = 3  # photos in different light that are looked at one by one
NO_LOW = "a film's shine does not show from straight above"  # the record asks for the low photo
LOW_LOST = "the low photo could not be used"


@dataclass(frozen=True, eq=False)
class Lit:
    """Photos of one spot as they reach this stage: rectified ones, the torch's slopes, low ones."""

    rectified: Sequence[Rectified]
    slopes: SlopeMap | None = None
    low: Sequence[Found] = field(default_factory=tuple)
    light_moved: bool = False
    apart: bool = False  # the photos stay apart: nobody knows whether light moved between them


def judge_surface(lit: Lit, print_scale: PrintScale, settings: Settings, laps: Laps) -> Surface:
    """Patches and aggregate of one spot's window. Raises ModelUnusable."""
    use = settings.surface
    density = load_segmenter(use.patches.model).px_per_mm
    base = [resample(floor_image(one), density) for one in lit.rectified]
    views = [resample(_albedo(lit.slopes), density)] if lit.slopes is not None else _views(base, lit)
    if lit.apart and len(views) > 1:
        lit = replace(lit, light_moved=light_differs(views, use.least_change))
    low, lost = _low_images(lit.low, print_scale, settings)
    gloss: GlossMap | None = None
    if low:
        gloss = gloss_between(base, [resample(image, density) for image in low], use.gloss)
    elif lit.slopes is not None:
        gloss = gloss_of_torch(_specular(lit.slopes, views[0]), density, use.gloss)
    elif len(base) >= use.least_sides and not lit.light_moved:
        gloss = gloss_between(base, (), use.gloss)
    laps.lap("gloss")
    seen = [segment(view, use.patches.model) for view in views]
    patches = find_patches(
        views,
        settings=use.patches,
        light_moved=lit.light_moved,
        gloss=gloss,
        gloss_why=f"{LOW_LOST}: {lost}" if lost else NO_LOW,
        segments=seen,
    )
    laps.lap("patches")
    aggregate = measure_aggregate(mean_segments(seen, light_moved=lit.light_moved), views[0], use.aggregate)
    laps.lap("aggregate")
    names = tuple(one.photo.name for one in lit.low)
    return Surface(patches, aggregate, views[0], floor_state(patches, use.floor), names)


def floor_state(patches: Patches, told: str) -> FloorState:
    """Whether the floor was damp: as a person said ("dry", "damp"), else where much of the window looks so."""
    if told == "damp":
        return "told-damp"
    wet = sum(patch.area_mm2 * patch.probability("damp") for patch in patches.found)
    if wet > 0.25 * max(patches.judged_mm2, 1.0):
        return "looks-damp"
    return "told-dry" if told == "dry" else "not-told"


def surface_flags(surface: Surface | None) -> tuple[str, ...]:
    """Codes of `flags.FLAGS` for the capture."""
    if surface is None:
        return ()
    patches, aggregate = surface.patches, surface.aggregate
    damp = {"told-damp": ("floor-damp",), "looks-damp": ("floor-damp-likely",)}.get(surface.floor, ())
    seen = [patch for patch in patches.shown if patch.kind not in ("shadow", "aggregate")]
    return (
        *(("patches-found",) if seen else ()),
        *patches.flags,
        *damp,
        *(aggregate.flags if aggregate is not None else ()),
    )


def mean_segments(seen: Sequence[Segments], *, light_moved: bool) -> Segments:
    """Several views of one floor as one."""
    if len(seen) == 1:
        return seen[0]

    def mean(name: str) -> FloatArray | None:
        parts = [getattr(one, name) for one in seen]
        return None if parts[0] is None else np.asarray(np.mean(parts, axis=0), np.float32)

    kinds = joined([one.kinds for one in seen], light_moved=light_moved)
    return replace(seen[0], kinds=kinds, visible=mean("visible"), coarse=mean("coarse"), rim=mean("rim"))


def floor_image(rectified: Rectified, *, burnt: bool = False) -> FloorImage:
    """The window's middle as a floor image at half the density; burnt: keep what is burnt out, for shine is."""
    n = round(HALF_MM * rectified.px_per_mm)
    middle = rectified.valid.shape[0] // 2
    part = slice(middle - n, middle + n), slice(middle - n, middle + n)
    reflectance = cv2.resize(np.asarray(rectified.reflectance[part]), (n, n), interpolation=cv2.INTER_AREA)
    usable = rectified.reflectance[part].max(2) > 0 if burnt else rectified.valid[part]
    valid = cv2.resize(usable.astype(np.float32), (n, n), interpolation=cv2.INTER_AREA) > 0.5
    return FloorImage(
        rectified.photo_name,
        np.asarray(reflectance, np.float32),
        valid,
        rectified.px_per_mm / 2,
        -HALF_MM,
        HALF_MM,
    )


def _views(images: list[FloorImage], lit: Lit) -> list[FloorImage]:
    """The floor images that are judged: the photos' middle, or some of them apart."""
    if lit.light_moved or lit.apart or len(images) == 1:
        return images[:: max(len(images) // MOST_LIGHTS, 1)][:MOST_LIGHTS]
    reflectance = np.median([image.reflectance for image in images], axis=0)
    valid = np.sum([image.valid for image in images], axis=0) * 2 > len(images)
    name = f"middle of {len(images)} photos"
    return [
        replace(
            images[0], name=name, reflectance=np.asarray(reflectance, np.float32), valid=np.asarray(valid)
        )
    ]


def light_differs(views: Sequence[FloorImage], least: float) -> bool:
    """Whether light or shadows moved between photos of one spot: their ratio, blurred over 5 mm, is uneven.

    least: standard deviation of the ratio's logarithm over the window that says so.
    """
    smooth = [
        np.log(
            np.clip(
                cv2.GaussianBlur(np.asarray(v.reflectance).mean(2), (0, 0), 2.5 * v.px_per_mm), 1e-3, None
            )
        )
        for v in views
    ]
    return any(float((one - smooth[0]).std()) > least for one in smooth[1:])


def _albedo(slopes: SlopeMap) -> FloorImage:
    """What the torch's photos say of colour, free of shading."""
    density = slopes.albedo_px_per_mm
    half = slopes.albedo_rgb.shape[0] / density / 2
    n = round(min(HALF_MM, half) * density)
    middle = slopes.albedo_rgb.shape[0] // 2
    part = slice(middle - n, middle + n), slice(middle - n, middle + n)
    reflectance = np.asarray(slopes.albedo_rgb[part], np.float32)
    side = n / density
    name = f"albedo of {slopes.n_lights} photos"
    return FloorImage(name, reflectance.copy(), reflectance.max(2) > 0, density, -side, side, flat=True)


def _specular(slopes: SlopeMap, image: FloorImage) -> FloatArray:
    """The torch's shine on an image's grid."""
    side = round(-2 * image.x_min_mm * slopes.albedo_px_per_mm)
    first = (slopes.specular.shape[0] - side) // 2
    part = np.asarray(slopes.specular[first : first + side, first : first + side], np.float32)
    return np.asarray(cv2.resize(part, image.valid.shape[::-1], interpolation=cv2.INTER_AREA))


def _low_images(
    low: Sequence[Found], print_scale: PrintScale, settings: Settings
) -> tuple[list[FloorImage], str]:
    """Low photos as floor images, and why the last one that failed did."""
    images, lost = [], ""
    for one in low:
        try:
            spot = place_spot([one], print_scale, settings, Laps(float))
            made = rectify(one.photo, spot.adjustment.cameras[0], spot.adjustment, settings.rectify)
        except CaptureError as error:
            lost = error.found
            continue
        images.append(floor_image(made, burnt=True))
    return images, lost
