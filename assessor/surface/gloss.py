"""Shine: where a floor is brighter from the mirror direction than from elsewhere, or under one torch than the others.

A film mirrors a lamp into one direction, so it is told by photos from different directions of the same spot in the same
light: from straight above nothing shows (study of the method: block AUC 0.53-0.66). The card's matt paper is the
reference in every photo. The floor lies below the card, so each photo is first moved onto the others. What is left of
rough floors seen from other sides is as often darker as brighter, a highlight is only brighter: the one is taken off
the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.surface.outline import Region, regions
from assessor.values import BoolArray, FloatArray, FloorImage, freeze

FINE_MM, WIDE_MM = 0.6, 2.0  # standard deviations: of what is compared, and of what is asked of a place
MOST_SHIFT_MM = 3.0  # further off a match is chance: a low photo sees a floor 1 mm below the card 1-2 mm off


@dataclass(frozen=True, slots=True)
class GlossSettings:
    """Limits; contrasts are natural logs of linear reflectance between photos."""

    least_contrast: float = 0.014  # weaker differences between photos come from facets and registration
    times_spread: float = 4.0  # over the robust spread of the rest of the window
    least_mm2: float = 200.0
    all_over: float = 0.45  # a whole window that gains so much toward the light shines everywhere


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
    px_per_mm = base[0].px_per_mm
    levels = [_level(image) for image in base]
    levels = [levels[0], *(_onto(levels[0], level, px_per_mm) for level in levels[1:])]
    ground = np.median(levels, axis=0)
    if low:
        seen = [_onto(ground, _level(image), px_per_mm) - ground for image in low]
        seen = [one - _trend(one) + np.median(one) for one in seen]
        excess = np.max([_wide(one, px_per_mm) for one in seen], axis=0)
        source = "low photo toward the light"
    elif len(levels) >= 3:
        # What every photo shares is colour; a trend over the window is light on tilted facets.
        stack = np.stack([level - ground - _trend(level - ground) for level in levels])
        middle = np.median(stack, axis=0)
        lopsided = (stack.max(0) - middle) - (middle - stack.min(0))
        excess = _wide(np.asarray(lopsided), px_per_mm)
        source = f"{len(levels)} photos from different sides"
    else:
        return None
    valid = np.logical_and.reduce([image.valid for image in (*base, *low)])
    return _stand_out(np.asarray(excess, np.float32), valid, px_per_mm, source, settings)


def gloss_of_torch(specular: FloatArray, px_per_mm: float, settings: GlossSettings | None = None) -> GlossMap:
    """Shine from a torch on many sides: specular (H, W) as `SlopeMap.specular`, over the paper's light."""
    settings = settings or GlossSettings()
    smooth = _wide(specular, px_per_mm)
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
    over = np.where(valid, excess - middle, 0).astype(np.float32)
    found = regions(
        _chance(over, limit), over > 0.7 * limit, px_per_mm, seed=0.7, grow=0.4, least_mm2=settings.least_mm2
    )
    # The blur carries a strong shine outward: its outline lies at half of its own height.
    tight = np.zeros_like(over)
    for part in found:
        height = max(0.5 * float(np.quantile(part.of(over)[part.inside], 0.8)), 0.9 * limit)
        rows, cols = part.inside.shape
        place = slice(part.row, part.row + rows), slice(part.col, part.col + cols)
        tight[place] = np.where(part.inside, _chance(over[place], height / 0.9), tight[place])
    found = regions(tight, over > 0.7 * limit, px_per_mm, seed=0.7, grow=0.4, least_mm2=settings.least_mm2)
    return GlossMap(over, tuple(found), limit, middle, source, middle > settings.all_over)


def _chance(over: FloatArray, limit: float) -> FloatArray:
    """0..1 about a limit; 0.4 at nine tenths of it."""
    return np.asarray(1 / (1 + np.exp(np.clip(-4 * (over / limit - 1), -50, 50))), np.float32)


def _level(image: FloorImage) -> FloatArray:
    """Log luminance, lightly blurred."""
    grey = np.asarray(image.reflectance).mean(2)
    fine = cv2.GaussianBlur(np.clip(grey, 1e-3, 4), (0, 0), FINE_MM * image.px_per_mm)
    return np.asarray(np.log(fine), np.float32)


def _wide(field: FloatArray, px_per_mm: float) -> FloatArray:
    return np.asarray(cv2.GaussianBlur(np.asarray(field, np.float32), (0, 0), WIDE_MM * px_per_mm))


def _onto(fixed: FloatArray, moving: FloatArray, px_per_mm: float) -> FloatArray:
    """A photo moved onto another by the shift between them; left where it is if none is found."""
    wide = [_wide(one, px_per_mm) for one in (fixed, moving)]
    sharp = [np.asarray(one - far, np.float32) for one, far in zip((fixed, moving), wide, strict=True)]
    window = np.asarray(cv2.createHanningWindow(fixed.shape[::-1], cv2.CV_32F), np.float32)
    (dx, dy), _ = cv2.phaseCorrelate(sharp[0], sharp[1], window)
    if math.hypot(dx, dy) > MOST_SHIFT_MM * px_per_mm:
        return moving
    shift = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    size = fixed.shape[1], fixed.shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(moving, shift, size, flags=flags, borderMode=cv2.BORDER_REPLICATE))


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
