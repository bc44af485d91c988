"""Shine: where a floor is brighter from the mirror direction than from elsewhere, or under one torch than the others.

A film mirrors a lamp into one direction, so it is told by photos from different directions of the same spot in the same
light: from straight above nothing shows (study of the method: block AUC 0.53-0.66). The card's matt paper is the
reference in every photo. Compared are photos blurred over 2.5 mm, for rough floors are seen displaced from the sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.surface.outline import Region, regions
from assessor.values import BoolArray, FloatArray, FloorImage, freeze

BLUR_MM = 2.5


@dataclass(frozen=True, slots=True)
class GlossSettings:
    """Limits; contrasts are natural logs of linear reflectance between photos."""

    least_contrast: float = 0.10  # weaker differences between photos come from facets and registration
    times_spread: float = 4.0  # over the robust spread of the rest of the window
    least_mm2: float = 120.0
    all_over: float = 0.45  # a whole window that gains so much toward the light shines everywhere
    least_angle_deg: float = 8.0  # directions nearer than this are one


@dataclass(frozen=True, eq=False)
class GlossMap:
    """Excess (H, W) of light toward the mirror direction, natural log, on the floor image's grid.

    regions: parts that stand out; limit: how much counts. whole: the excess of the whole window over the paper's.
    source: what it was seen by. all_over: the whole window shines.
    """

    excess: FloatArray
    regions: tuple[Region, ...]
    limit: float
    whole: float
    source: str
    all_over: bool

    def __post_init__(self) -> None:
        freeze(self.excess)


def gloss_between(
    base: Sequence[FloorImage], low: Sequence[FloorImage], settings: GlossSettings | None = None
) -> GlossMap | None:
    """Shine from photos of several directions: `low` photos toward the light against `base`; None where none differ.

    Without low photos the base photos are compared among each other (`angles`: the phone moved, the light did not).
    All images share one grid.
    """
    settings = settings or GlossSettings()
    levels = [_smooth_log(image) for image in base]
    if low:
        ground = np.median(levels, axis=0)
        excess = np.max([_smooth_log(image) - ground for image in low], axis=0)
        source = "low photo toward the light"
    elif len(levels) >= 3:
        # What every photo shares is colour; a trend over the window is light on tilted facets.
        stack = np.stack([level - _trend(level - np.median(levels, axis=0)) for level in levels])
        excess = stack.max(0) - np.median(stack, axis=0)
        source = f"{len(levels)} photos from different sides"
    else:
        return None
    valid = np.logical_and.reduce([image.valid for image in (*base, *low)])
    return _stand_out(np.asarray(excess, np.float32), valid, base[0].px_per_mm, source, settings)


def gloss_of_torch(specular: FloatArray, px_per_mm: float, settings: GlossSettings | None = None) -> GlossMap:
    """Shine from a torch on many sides: specular (H, W) as `SlopeMap.specular`, over the paper's light."""
    settings = settings or GlossSettings()
    smooth = cv2.GaussianBlur(np.asarray(specular, np.float32), (0, 0), BLUR_MM * px_per_mm / 2)
    valid = np.ones(specular.shape, bool)
    return _stand_out(smooth * 3.0, valid, px_per_mm, "torch on many sides", settings)


def _stand_out(
    excess: FloatArray, valid: BoolArray, px_per_mm: float, source: str, settings: GlossSettings
) -> GlossMap:
    known = excess[valid] if valid.any() else excess.ravel()
    # The lower half of the window is what does not shine; its spread sets the limit.
    middle = float(np.median(known))
    lower = known[known <= middle]
    spread = 1.4826 * float(np.median(middle - lower)) if lower.size else 0.0
    limit = max(settings.least_contrast, settings.times_spread * spread)
    over = np.where(valid, excess - middle, 0)
    chance = 1 / (1 + np.exp(-4 * (over / limit - 1)))
    found = regions(
        chance.astype(np.float32),
        over > 0.7 * limit,
        px_per_mm,
        seed=0.7,
        grow=0.4,
        least_mm2=settings.least_mm2,
    )
    return GlossMap(over.astype(np.float32), tuple(found), limit, middle, source, middle > settings.all_over)


def _smooth_log(image: FloorImage) -> FloatArray:
    grey = np.asarray(image.reflectance).mean(2)
    return np.asarray(np.log(np.clip(cv2.GaussianBlur(grey, (0, 0), BLUR_MM * image.px_per_mm / 2), 1e-3, None)))


def _trend(field: FloatArray) -> FloatArray:
    """A robust plane through a field."""
    rows, cols = field.shape
    v, u = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    design = np.stack([np.ones(field.size), u.ravel(), v.ravel()], 1)
    weight, values = np.ones(field.size), field.ravel()
    for _ in range(4):
        plane = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=None)[0]
        off = values - design @ plane
        weight = 1 / (1 + (off / max(1.4826 * float(np.median(np.abs(off))), 1e-4)) ** 2)
    return np.asarray((design @ plane).reshape(field.shape))


def directions_apart(places_mm: Sequence[FloatArray]) -> float:
    """Largest angle in degrees between the directions that some cameras at places_mm (3,) see the window from."""
    units = [np.asarray(p) / np.linalg.norm(p) for p in places_mm]
    cosines = [float(np.clip(a @ b, -1, 1)) for i, a in enumerate(units) for b in units[i + 1 :]]
    return math.degrees(math.acos(min(cosines))) if cosines else 0.0
