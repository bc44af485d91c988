"""Score patches and aggregate against truth: masks and found outlines in, rows out. Knows no kind of capture.

A true patch is a mask whose centre is the card's centre, row 0 at the largest y, at any size and px_per_mm. It and what
is found count within the area that is judged: the card's window less 6 mm a side, or the picture of an overview. Found
patches of kind "shadow" are never false, since nobody marks every shadow; any other is where less than a tenth of it
lies on true patches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from skimage.draw import polygon

from assessor.card.layout import WINDOW_MM, Rectangle
from assessor.evaluation_rows import (
    ABSTAINED,
    FALSE_PATCHES,
    FRACTIONS,
    NOT_MEASURED,
    PATCH,
    Estimate,
    FalseScore,
    PatchScore,
    ScoredRow,
    SurfaceScores,
    TruthRow,
    share_of,
)
from assessor.values import BoolArray, FloatArray
from assessor.values.surface import PATCH_KINDS, Aggregate, Patch, Patches, PatchKind, Surface

OUTSIDE = "outside-window"  # nothing of the true patch lies in what is judged
MARGIN_MM = 6.0  # the evaluation area of all captures, design section 8
MIN_IOU, MIN_OVERLAP = 0.2, 0.1
STRONG, WEAK, LARGE_MM2 = -0.3, -0.15, 200.0
CONFIDENT, AREA_OFF = 0.8, 0.15
# Everything is compared on one grid: fine against the smallest patch of 1 cm2, and small enough for an overview.
GRID_PX_PER_MM, GRID_SAMPLES = 5.0, 4e6
_PURE = {"", "1", "-", "none"}


@dataclass(frozen=True, eq=False)
class TruthMask:
    """Where a true patch lies: inside (H, W), row 0 at the largest y; its centre lies at x_mm, y_mm from the card's."""

    inside: BoolArray
    px_per_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class PatchScores:
    """Scores of the true patches in their order (None: outside the area), and of what was found beside them."""

    patches: tuple[PatchScore | None, ...]
    false_shown: int
    false: FalseScore


def is_of_surface(row: TruthRow) -> bool:
    """Whether a row is of patches or aggregate."""
    return row.quantity in {PATCH, FALSE_PATCHES, *FRACTIONS}


def score_surface(
    surface: Surface | None, truth: Sequence[TruthRow], masks: Mapping[str, TruthMask], seconds: float
) -> tuple[ScoredRow, ...]:
    """Score the rows of `truth` that are of patches or aggregate, in their order."""
    rows = [row for row in truth if is_of_surface(row)]
    if surface is None:
        return tuple(ScoredRow(row, Estimate(refused=NOT_MEASURED), seconds) for row in rows)
    of_patches = [row for row in rows if row.quantity == PATCH]
    true = [(row.patch, masks[row.mask]) for row in of_patches if row.patch]
    scores = score_patches(true, surface.patches, judged_area(surface, rows[0].kind if rows else ""))
    each = iter(scores.patches)
    return tuple(_row(row, surface.aggregate, scores, each, seconds) for row in rows)


def judged_area(surface: Surface, kind: str) -> Rectangle:
    """What is judged, mm: the window less its margin, or the whole picture of an overview."""
    half = WINDOW_MM / 2 - MARGIN_MM
    if kind != "overview":
        return Rectangle(-half, -half, half, half)
    image = surface.image
    rows, cols = image.valid.shape
    left, top = image.x_min_mm, image.y_max_mm
    return Rectangle(left, top - rows / image.px_per_mm, left + cols / image.px_per_mm, top)


def score_patches(
    true: Sequence[tuple[PatchKind, TruthMask]], patches: Patches, area: Rectangle
) -> PatchScores:
    """Score found against true patches of one capture within an area in mm."""
    size_mm2 = (area.x_max_mm - area.x_min_mm) * (area.y_max_mm - area.y_min_mm)
    px_per_mm = min(GRID_PX_PER_MM, math.sqrt(GRID_SAMPLES / size_mm2))
    drawn = [_resampled(mask, area, px_per_mm) for _, mask in true]
    found = [_drawn(patch.outline_mm, area, px_per_mm) for patch in patches.found]
    stains = [inside for (kind, _), inside in zip(true, drawn, strict=True) if kind != "shadow"]
    scores: list[PatchScore | None] = []
    for (kind, _), inside in zip(true, drawn, strict=True):
        if not inside.any():
            scores.append(None)
            continue
        every = zip(patches.found, found, strict=True)
        hits = [
            (patch, iou, float(outline.sum()) / px_per_mm**2)
            for patch, outline in every
            if (iou := _overlap(outline, inside)) is not None
            and not (kind == "shadow" and _lies_on(outline, stains))
        ]
        true_mm2 = float(inside.sum()) / px_per_mm**2
        scores.append(_patch_score(kind, true_mm2, hits, patches))
    on_floor = [kind for (kind, _), inside in zip(true, drawn, strict=True) if inside.any()]
    wrong = [
        patch for patch, outline in zip(patches.found, found, strict=True)
        if patch.kind != "shadow" and _is_false(outline, drawn)
    ]  # fmt: skip
    beside = FalseScore(len(wrong), sum(kind != "shadow" for kind in on_floor), patches.judged_mm2)
    return PatchScores(tuple(scores), sum(patch.sure for patch in wrong), beside)


def surface_scores(rows: Sequence[ScoredRow]) -> SurfaceScores | None:
    """Scores of a group of rows of one quantity; None where it is not of patches or aggregate."""
    quantity = rows[0].truth.quantity
    if quantity in FRACTIONS:
        told = [(row.said.estimate, row.truth.value) for row in rows if row.said.refused is None]
        off = [abs(said - value) for said, value in told if said is not None]
        return SurfaceScores(mae=float(np.mean(off)) if off else None)
    if quantity == FALSE_PATCHES:
        return _false_scores([row for row in rows if row.false is not None])
    return _patch_scores(rows) if quantity == PATCH else None


def _row(
    row: TruthRow,
    aggregate: Aggregate | None,
    scores: PatchScores,
    each: Iterator[PatchScore | None],
    seconds: float,
) -> ScoredRow:
    if row.quantity == FALSE_PATCHES:
        return ScoredRow(row, Estimate(float(scores.false_shown), bound="value"), seconds, false=scores.false)
    if row.quantity == PATCH:
        score = next(each)
        return ScoredRow(row, Estimate(refused=None if score else OUTSIDE), seconds, patch=score)
    return ScoredRow(row, _fraction(row, aggregate), seconds)


def _fraction(row: TruthRow, aggregate: Aggregate | None) -> Estimate:
    if aggregate is None or row.unit not in _PURE:
        return Estimate(refused=NOT_MEASURED)
    quantity = aggregate.coarse if row.quantity == FRACTIONS[0] else aggregate.visible
    if aggregate.abstained or not math.isfinite(quantity.value):
        return Estimate(refused=ABSTAINED)
    low90, high90 = (value if math.isfinite(value) else None for value in (quantity.low90, quantity.high90))
    low90 = low90 if quantity.bound == "value" else None
    return Estimate(quantity.value, low90, high90, quantity.bound, estimated=quantity.estimated)


def _patch_score(
    kind: PatchKind, true_mm2: float, hits: Sequence[tuple[Patch, float, float]], patches: Patches
) -> PatchScore:
    shown = [hit for hit in hits if hit[0].sure]
    if not shown:
        return PatchScore(False, bool(hits), None, None, None, None, None, true_mm2, patches.gloss)
    patch, iou, found_mm2 = max(shown, key=lambda hit: hit[1])
    wrong = max(patch.probability(other) for other in PATCH_KINDS if other != kind)
    ratio = found_mm2 / true_mm2
    return PatchScore(
        True, True, patch.kind, iou, ratio, patch.probability(kind), wrong, true_mm2, patches.gloss
    )


def _resampled(mask: TruthMask, area: Rectangle, px_per_mm: float) -> BoolArray:
    """The mask on the area's grid (row 0 at its top), False beyond the mask's own edges."""
    x, y = _grid(area, px_per_mm)
    rows, cols = mask.inside.shape
    row = np.floor(rows / 2 - (y - mask.y_mm) * mask.px_per_mm).astype(int)
    col = np.floor((x - mask.x_mm) * mask.px_per_mm + cols / 2).astype(int)
    seen = ((row >= 0) & (row < rows))[:, None] & ((col >= 0) & (col < cols))[None, :]
    inside = mask.inside[np.clip(row, 0, rows - 1)[:, None], np.clip(col, 0, cols - 1)[None, :]]
    return np.asarray(inside & seen)


def _drawn(outline_mm: FloatArray, area: Rectangle, px_per_mm: float) -> BoolArray:
    """A closed outline filled on the area's grid."""
    x, y = _grid(area, px_per_mm)
    image = np.zeros((y.size, x.size), bool)
    col = (outline_mm[:, 0] - area.x_min_mm) * px_per_mm - 0.5
    row = (area.y_max_mm - outline_mm[:, 1]) * px_per_mm - 0.5
    image[polygon(row, col, image.shape)] = True  # type: ignore[no-untyped-call]
    return image


def _grid(area: Rectangle, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """x of the columns and y of the rows, at sample centres."""
    cols = max(1, round((area.x_max_mm - area.x_min_mm) * px_per_mm))
    rows = max(1, round((area.y_max_mm - area.y_min_mm) * px_per_mm))
    x = area.x_min_mm + (np.arange(cols) + 0.5) / px_per_mm
    return x, area.y_max_mm - (np.arange(rows) + 0.5) / px_per_mm


def _overlap(found: BoolArray, true: BoolArray) -> float | None:
    """IoU where the found patch counts as lying on the true one, else None."""
    if not found.any():
        return None
    both = float((found & true).sum())
    iou = both / float((found | true).sum())
    row, col = (round(float(np.mean(place))) for place in np.nonzero(found))
    return iou if iou >= MIN_IOU or (both > 0 and true[row, col]) else None


def _is_false(found: BoolArray, true: Sequence[BoolArray]) -> bool:
    """Whether less than a tenth of a found patch lies on any one true patch; none of it in the area is not judged."""
    whole = float(found.sum())
    return whole > 0 and all(float((found & one).sum()) < MIN_OVERLAP * whole for one in true)


def _lies_on(found: BoolArray, stains: Sequence[BoolArray]) -> bool:
    """Whether half of a found patch lies on a stain: then it is of the stain, though a shadow falls there too."""
    return any(float((found & stain).sum()) >= 0.5 * float(found.sum()) for stain in stains)


def _patch_scores(rows: Sequence[ScoredRow]) -> SurfaceScores:
    scored = [(row.truth, row.patch) for row in rows if row.patch is not None]
    stains = [(of, score) for of, score in scored if of.patch != "shadow"]
    shadows = [score for of, score in scored if of.patch == "shadow"]
    found = [(of, score) for of, score in stains if score.found]
    large = [
        (of.contrast, score) for of, score in stains
        if of.contrast is not None and score.true_mm2 >= LARGE_MM2
    ]  # fmt: skip
    ious = [score.iou for _, score in found if score.iou is not None]
    ratios = [score.area_ratio for _, score in found if score.area_ratio is not None]
    mixed = [score.wrong_probability or 0.0 for of, score in found if of.patch in {"oil", "damp"}]
    return SurfaceScores(
        recall=share_of([score.found for _, score in stains]),
        recall_strong=share_of([score.found for contrast, score in large if contrast < STRONG]),
        recall_weak=share_of([score.found for contrast, score in large if STRONG <= contrast < WEAK]),
        recall_gloss_judged=share_of([score.found for _, score in stains if score.gloss == "judged"]),
        gloss_cannot_tell=share_of([score.gloss == "cannot-tell" for _, score in stains]),
        kind_right=share_of([score.given == of.patch for of, score in found]),
        cannot_tell=share_of([score.given == "unknown" for _, score in found]),
        wrong_and_confident=share_of([wrong > CONFIDENT for wrong in mixed]),
        median_iou=float(np.median(ious)) if ious else None,
        area_within_15=share_of([abs(ratio - 1) <= AREA_OFF for ratio in ratios]),
        shadow_called_stain=share_of([score.given not in {None, "shadow", "unknown"} for score in shadows]),
    )


def _false_scores(rows: Sequence[ScoredRow]) -> SurfaceScores:
    told = [(row.said.estimate or 0.0, row.false) for row in rows if row.false is not None]
    judged_m2 = sum(score.judged_mm2 for _, score in told) / 1e6
    shown = sum(count for count, _ in told)
    listed = sum(score.false_review for _, score in told)
    return SurfaceScores(
        false_share=share_of([count > 0 for count, _ in told]),
        false_clean=share_of([count > 0 for count, score in told if score.n_true == 0]),
        false_per_m2=shown / judged_m2 if judged_m2 else None,
        false_review_per_m2=listed / judged_m2 if judged_m2 else None,
    )
