"""Seeded recipes of captures with tags beside the card: what reading tags is judged on.

Floors, lights, prints and phones are those of `quick_catalogue.plan_single` (most lights low and from one side); the
phone is held 300-450 mm away, 0-20 degrees tilted, and once low. Tags lie anywhere round the sheet, mostly with the
arrow to it, some thrown down at any turn, some overlapping its edge.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from assessor.card.layout import PAPERS_MM
from assessor.card.tag import Tag
from assessor.card.tag_sheet import HEIGHT_MM, WIDTH_MM
from assessor.simulate.capture import CaptureRecipe
from assessor.simulate.quick_catalogue import plan_single
from assessor.simulate.tag import LaidTag, beside
from assessor.values import FloatArray

CASES = ("one", "one", "one", "other-job", "two", "none", "one", "one", "scratched", "one")
JOB, OTHER_JOB = "K7QX", "R2D9"
SIDES = ("top", "right", "bottom", "left")


@dataclass(frozen=True, slots=True)
class PlannedTags:
    """A capture of three photos, the last one low, and what lies beside its card."""

    recipe: CaptureRecipe
    case: str


def plan_tags(count: int, seed: int, data_dir: Path | None = None) -> list[PlannedTags]:
    """Plan `count` captures; the k-th depends on seed and data only."""
    plans = []
    for k, quick in enumerate(plan_single(count, seed, data_dir=data_dir)):
        rng = np.random.default_rng([seed, k, 41])
        case = CASES[k % len(CASES)]
        side = float(rng.uniform(0, 360))
        recipe = replace(
            quick.recipe,
            name=f"t{seed:02d}-{k:03d}-{case}",
            photos=2,
            sides_deg=(side, side + 180.0),
            tilt_deg=(0.0, 20.0),
            distance_mm=(300.0, 450.0),
            low_photo=True,
            sensor=replace(quick.recipe.sensor, defocus_px=float(rng.choice([0.0, 0.0, 1.0, 2.0, 3.0]))),
        )
        plans.append(PlannedTags(replace(recipe, tags=_tags(case, recipe, rng)), case))
    return plans


def paper_corners_mm(laid: LaidTag) -> FloatArray:
    """(4, 2) outer corners of a laid tag's paper in the card frame."""
    turn = np.deg2rad(laid.turn_deg)
    to_card = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    half = np.array([WIDTH_MM, HEIGHT_MM]) / 2 * laid.scale
    return np.asarray(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ to_card + laid.at_mm)


def _tags(case: str, recipe: CaptureRecipe, rng: np.random.Generator) -> tuple[LaidTag, ...]:
    if case == "none":
        return ()
    sides = rng.permutation(SIDES)
    tags = [_tag(rng, OTHER_JOB if case == "other-job" else JOB) for _ in range(2 if case == "two" else 1)]
    laid = [_laid(tag, str(side), recipe, rng) for tag, side in zip(tags, sides, strict=False)]
    if case == "scratched":
        laid = [replace(one, scratched=float(rng.uniform(0.02, 0.3))) for one in laid]
    return tuple(laid)


def _tag(rng: np.random.Generator, job: str) -> Tag:
    zone, spot, turn = (int(rng.integers(1, most + 1)) for most in (99, 99, 9))
    return Tag(job, zone, spot, "after" if rng.uniform() < 0.5 else "before", turn)


def _laid(tag: Tag, side: str, recipe: CaptureRecipe, rng: np.random.Generator) -> LaidTag:
    width, height = PAPERS_MM[recipe.sheet.paper]
    half = width / 2 * recipe.sheet.scale_x, height / 2 * recipe.sheet.scale_y
    reach = (half[0] if side in ("top", "bottom") else half[1]) - 30.0
    x, y, turn = beside(side, float(rng.uniform(-reach, reach)), float(rng.uniform(0.0, 12.0)), half)
    if rng.uniform() < 0.3:  # thrown down: any turn, and so far out that no corner need lie on the sheet
        out = np.array({"top": (0, 1), "bottom": (0, -1), "left": (-1, 0), "right": (1, 0)}[side])
        x, y = np.array([x, y]) + out * rng.uniform(4.0, 16.0)
        turn = float(rng.uniform(0, 360))
    else:
        turn += float(rng.normal(0, 6))
    return LaidTag(
        tag,
        (float(x), float(y)),
        turn % 360,
        scale=float(rng.uniform(0.96, 1.02)),
        paper_white=float(rng.uniform(0.78, 0.9)),
    )
