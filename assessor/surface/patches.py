"""Patches: parts of a floor that do not look like bare concrete, what they may be, and the test that would tell.

A learned segmentation finds them (`segment`), photos in other light or from another side sort out shadows and shine,
and what can be measured of each (contrast, colour, texture, edge, shine) stands beside it as evidence. Nothing here
says that a floor is clean: much that breaks bonds cannot be seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from assessor.surface.gloss import GlossMap
from assessor.surface.outline import Region, distance_to, regions, trace
from assessor.surface.segment import Segmenter, load_segmenter, resample, segment
from assessor.surface.separating import cheapest_test
from assessor.values import (
    PATCH_KINDS,
    BoolArray,
    Evidence,
    FloatArray,
    FloorImage,
    Patch,
    Patches,
    PatchKind,
    PatchLook,
    Segments,
)  # fmt: skip

FINE_MM = (0.5, 2.5)  # band of the texture that a film fills, as two blurs
CENTRE_MM = np.zeros((1, 2))
# By how much each kind becomes more likely where a patch shines, in the order of PATCH_KINDS (common practice: a film,
# water and fresh oil shine; dust, salts, rubber and shade do not).
SHINES = np.array([2.0, 2.0, 4.0, 1.0, 0.4, 0.2, 0.2, 0.05, 0.5, 1.0])
DULL = np.array([0.9, 0.8, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
# What a patch that only shines is, where nothing else shows (common practice; calibrated on nothing yet).
ONLY_SHINE = np.array([0.08, 0.12, 0.70, 0.01, 0.01, 0.0, 0.0, 0.0, 0.03, 0.05])


@dataclass(frozen=True, slots=True)
class PatchSettings:
    """Which network, where an outline lies, and what is shown. The numbers come from `scripts/calibrate_surface`."""

    model: str = "window-surface"
    seed: float = 0.55  # somewhere in a patch its probability is at least this
    grow: float = 0.45  # and its outline lies here
    least_mm2: float = 50.0  # smaller ones are not listed
    # `likely` from which the crew sees it: on 300 rendered captures (seed 801) a false patch on 2 % of clean floors.
    shown: float = 0.82
    shown_shine: float = 0.7  # the same of what only shines
    split: bool = True  # cut a shadow off the stain that it touches
    border_mm: float = 1.5  # the rim of the picture or of what was seen, where a paper's edge shows
    clear: float = 0.6  # a kind less probable is "unknown": under it as many shadows as damp were called damp


def find_patches(
    views: Sequence[FloorImage],
    *,
    settings: PatchSettings | None = None,
    light_moved: bool = False,
    gloss: GlossMap | None = None,
    gloss_why: str = "",
    centres_mm: FloatArray = CENTRE_MM,
    segments: Sequence[Segments] = (),
) -> Patches:
    """Find patches in one floor image, or in several of one floor on one grid.

    light_moved: the views differ in where the light stood, so what is shadow in one only is no stain, and what stays is
    no shadow. gloss: from photos of other directions; None means that shine cannot be judged, and gloss_why says so.
    centres_mm (N, 2): cards or sheets, for distances. segments: of the views, where the caller has them already.
    Raises ModelUnusable.
    """
    settings = settings or PatchSettings()
    network = load_segmenter(settings.model)
    seen = list(segments) or [segment(view, settings.model) for view in views]
    kinds = joined([one.kinds for one in seen], light_moved=light_moved and len(seen) > 1)
    if views[0].flat:
        kinds = without_shadow(kinds)
    image = _mean_image([resample(view, network.px_per_mm) for view in views])
    usable = _well_inside(image.valid, settings.border_mm * image.px_per_mm)
    chance = np.where(usable, 1 - kinds[0], 0).astype(np.float32)
    parts = regions(
        chance,
        chance > 0.3,
        image.px_per_mm,
        seed=settings.seed,
        grow=settings.grow,
        least_mm2=settings.least_mm2,
    )
    sight = _Sight(image, kinds, chance, seen[0], gloss, centres_mm, network)
    found = [
        _patch(part, sight, settings)
        for part in (_split(parts, kinds, image.px_per_mm, settings) if settings.split else parts)
    ]
    if gloss is not None:
        found += [
            _shiny(part, sight, settings)
            for part in gloss.regions
            if not _known(part, chance > settings.grow)
        ]
    found.sort(key=lambda patch: (-patch.sure, -patch.area_mm2))
    return Patches(
        found=tuple(found),
        judged_mm2=float(usable.sum()) / image.px_per_mm**2,
        gloss="cannot-tell" if gloss is None else "judged",
        gloss_why=gloss_why if gloss is None else f"judged from {gloss.source}",
        model=network.title,
        photo_names=tuple(view.name for view in views),
        flags=("floor-shines",) if gloss is not None and gloss.all_over else (),
    )


def joined(kinds: Sequence[FloatArray], *, light_moved: bool) -> FloatArray:
    """Probabilities (11, H, W) of several views as one: the mean of their logs, as if each were a witness.

    With the light moved a shadow that stays where it is is none.
    """
    if len(kinds) == 1:
        return kinds[0]
    logs = np.mean([np.log(one + 1e-4) for one in kinds], axis=0)
    if light_moved:
        logs[1 + PATCH_KINDS.index("shadow")] -= 2.5
    together = np.exp(logs - logs.max(0))
    return np.asarray(together / together.sum(0), np.float32)


def without_shadow(kinds: FloatArray) -> FloatArray:
    """The same where there can be none: what looked like one counts as bare floor."""
    out = np.array(kinds)
    place = 1 + PATCH_KINDS.index("shadow")
    out[0] += out[place]
    out[place] = 0
    return out


@dataclass(frozen=True, eq=False)
class _Sight:
    """All that is known of the floor while its patches are described."""

    image: FloorImage
    kinds: FloatArray
    chance: FloatArray
    segments: Segments
    gloss: GlossMap | None
    centres_mm: FloatArray
    network: Segmenter


def _split(parts: list[Region], kinds: FloatArray, px_per_mm: float, settings: PatchSettings) -> list[Region]:
    """Cut a part where a shadow and a stain touch: they are two things."""
    out: list[Region] = []
    place = 1 + PATCH_KINDS.index("shadow")
    for part in parts:
        own = part.of(kinds)
        shade = part.inside & (own[place] > 0.5 * own[1:].sum(0))
        share = shade.sum() / max(part.inside.sum(), 1)
        if not 0.1 < share < 0.9:
            out.append(part)
            continue
        for side in (shade, part.inside & ~shade):
            whole = np.zeros(kinds.shape[1:], np.float32)
            height, width = side.shape
            solid = cv2.morphologyEx(side.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
            whole[part.row : part.row + height, part.col : part.col + width] = solid
            none = np.zeros(whole.shape, bool)  # a half's ring may touch the other half
            out += regions(whole, none, px_per_mm, seed=0.5, grow=0.5, least_mm2=settings.least_mm2)
    return out


def _patch(part: Region, sight: _Sight, settings: PatchSettings) -> Patch:
    own = part.of(sight.kinds)[:, part.inside]
    weights = own[1:].mean(1)
    shine = _mean_in(sight.gloss.excess, part) if sight.gloss is not None else None
    if shine is not None and sight.gloss is not None:
        weights = weights * (SHINES if shine > sight.gloss.limit else DULL)
    chances = (weights / max(weights.sum(), 1e-9)) ** (1 / sight.network.kind_temperature)
    logit = float(np.dot(sight.network.likely, likely_features(part, sight.chance, sight.image)))
    return _described(part, chances / chances.sum(), 1 / (1 + math.exp(-logit)), sight, settings)


def likely_features(part: Region, chance: FloatArray, image: FloorImage) -> FloatArray:
    """What tells a patch from the floor's own colour, (5,): 1, logits of its mean and highest probability, ln of its
    area in cm2, and how far its tone lies from the floor's around, in that floor's own spread.
    """
    own = part.of(chance)[part.inside]
    mean, high = (float(np.clip(v, 0.01, 0.99)) for v in (own.mean(), np.quantile(own, 0.95)))
    grey = np.log(np.clip(np.asarray(part.of(np.moveaxis(image.reflectance, 2, 0))).mean(0), 1e-3, None))
    soft = cv2.GaussianBlur(grey, (0, 0), 1.5 * image.px_per_mm)
    around = soft[part.ring] if part.ring.any() else soft[~part.inside]
    off = abs(float(soft[part.inside].mean() - around.mean())) if around.size else 0.0
    tone = min(off / max(float(around.std()) if around.size else 1.0, 0.01), 8.0)
    return np.array(
        [
            1.0,
            math.log(mean / (1 - mean)),
            math.log(high / (1 - high)),
            math.log(part.area_mm2 / 100),
            math.log(tone + 0.1),
        ]
    )


def _shiny(part: Region, sight: _Sight, settings: PatchSettings) -> Patch:
    """A part that only shines: nothing but a film, water or oil does."""
    likely = (
        min(0.95, 0.6 + 0.12 * _mean_in(sight.gloss.excess, part) / sight.gloss.limit) if sight.gloss else 0.5
    )
    return _described(part, ONLY_SHINE / ONLY_SHINE.sum(), likely, sight, settings, glossy=True)


def _described(
    part: Region,
    chances: FloatArray,
    likely: float,
    sight: _Sight,
    settings: PatchSettings,
    *,
    glossy: bool = False,
) -> Patch:
    image = sight.image
    evidence, contrast, u_contrast, shines = measure(part, sight)
    outline = trace(part, image.px_per_mm, image.x_min_mm, image.y_max_mm)
    order = np.argsort(-chances)
    top: PatchKind = PATCH_KINDS[int(order[0])]
    kind: PatchKind = top if chances[order[0]] >= settings.clear else "unknown"
    look: PatchLook = "dark" if contrast < 0 else "light"
    if top in ("coating", "adhesive"):
        look = "coating"
    if glossy or (shines and top != "shadow"):
        look = "glossy"
    return Patch(
        outline_mm=outline,
        area_mm2=part.area_mm2,
        u_area_mm2=part.u_area_mm2,
        distance_mm=distance_to(outline, sight.centres_mm),
        look=look,
        contrast=contrast,
        u_contrast=u_contrast,
        probabilities=tuple(float(c) for c in chances),
        kind=kind,
        likely=likely,
        evidence=tuple(evidence),
        test=cheapest_test(top, PATCH_KINDS[int(order[1])]),
        sure=likely >= (settings.shown_shine if glossy else settings.shown),
    )


def measure(part: Region, sight: _Sight) -> tuple[list[Evidence], float, float, bool]:
    """Evidence of one part, its contrast with standard uncertainty, and whether it shines."""
    image = sight.image
    log = np.log(np.clip(part.of(np.moveaxis(np.asarray(image.reflectance), 2, 0)), 1e-3, None))
    grey = log.mean(0)
    inside, ring = part.inside, part.ring
    if not ring.any():
        ring = ~inside
    around = grey[ring] if ring.any() else grey[inside]
    contrast = float(np.median(grey[inside]) - np.median(around))
    # Neighbouring samples repeat one another: count one in nine.
    u = float(1.2533 * np.hypot(_spread(grey[inside]) / max(inside.sum() / 9, 1) ** 0.5,
                                _spread(around) / max(around.size / 9, 1) ** 0.5))  # fmt: skip
    evidence = [Evidence("contrast", contrast, u, _contrast_words(contrast))]
    tint = log[0] - log[2]
    warmer = float(np.median(tint[inside]) - np.median(tint[ring])) if ring.any() else 0.0
    if abs(warmer) > 0.03:
        words = (
            "warmer than the floor around (brown, yellow)" if warmer > 0 else "cooler than the floor around"
        )
        evidence.append(Evidence("colour", warmer, None, words))
    fine = _fine(grey, image.px_per_mm)
    ratio = float(_spread(fine[inside]) / max(_spread(fine[ring]), 1e-4)) if ring.any() else 1.0
    if ratio < 0.6:
        evidence.append(
            Evidence("texture", ratio, None, "fine texture is missing inside, as where a film fills it")
        )
    edge = 4 * part.u_area_mm2 / max(_perimeter(inside) / image.px_per_mm, 1e-6)
    evidence.append(Evidence("edge_mm", edge, None, "a sharp edge" if edge < 1.5 else "a soft edge"))
    shines = False
    if sight.gloss is not None:
        shine = _mean_in(sight.gloss.excess, part)
        shines = shine > sight.gloss.limit
        words = "shines toward the light" if shines else "does not shine toward the light"
        evidence.append(Evidence("shine", shine, None, f"{words} ({sight.gloss.source})"))
    if sight.segments.visible is not None:
        stone = float(part.of(np.asarray(sight.segments.visible))[inside].mean())
        if stone > 0.5:
            evidence.append(Evidence("stone", stone, None, "much of it is cut stone"))
    return evidence, contrast, u, shines


def _contrast_words(contrast: float) -> str:
    percent = abs(100 * (np.exp(contrast) - 1))
    return f"{percent:.0f} % {'darker' if contrast < 0 else 'lighter'} than the floor around"


def _fine(grey: FloatArray, px_per_mm: float) -> FloatArray:
    small, large = (
        cv2.GaussianBlur(np.asarray(grey, np.float32), (0, 0), mm * px_per_mm / 2) for mm in FINE_MM
    )
    return np.asarray(small - large)


def _spread(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if values.size else 0.0


def _perimeter(inside: BoolArray) -> float:
    lines, _ = cv2.findContours(inside.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return float(sum(cv2.arcLength(line, True) for line in lines))


def _mean_in(field: FloatArray, part: Region) -> float:
    values = part.of(field)[part.inside]
    return float(values.mean()) if values.size else 0.0


def _known(part: Region, taken: BoolArray) -> bool:
    """Whether most of a part lies in patches that are listed already."""
    return bool(part.of(taken)[part.inside].mean() > 0.4)


def _well_inside(valid: BoolArray, width_px: float) -> BoolArray:
    """Valid samples further than width_px from the image's border and from what is not valid."""
    away = cv2.distanceTransform(np.pad(valid, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    return np.asarray(away > width_px)


def _mean_image(views: Sequence[FloorImage]) -> FloorImage:
    """The mean of several views in the logarithm."""
    if len(views) == 1:
        return views[0]
    logs = np.mean([np.log(np.clip(v.reflectance, 1e-3, None)) for v in views], axis=0)
    valid = np.logical_and.reduce([v.valid for v in views])
    return replace(views[0], reflectance=np.asarray(np.exp(logs), np.float32), valid=valid)
