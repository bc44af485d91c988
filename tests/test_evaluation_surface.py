"""Scores of patches and aggregate against masks, worked out by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from assessor.card.layout import Rectangle
from assessor.evaluation import (
    Estimate,
    ScoredRow,
    TruthMask,
    TruthRow,
    score_capture,
    share_limits,
    summarise,
)
from assessor.evaluation_surface import score_patches, score_surface
from assessor.values.surface import Patch, PatchKind
from tests.fake_surface import fake_aggregate, fake_patch, fake_surface, fraction, ring, square
from tests.fakes import fake_result

WINDOW = Rectangle(-60.0, -60.0, 60.0, 60.0)
BASE = TruthRow("a", "single", "ground", "tuned", True, "patch", "1", None, None, 0.0)


def mask_of(
    x_mm: float, y_mm: float, side_mm: float, *, px_per_mm: float = 4.0, wide_mm: float = 150.0
) -> TruthMask:
    """A square of this side, drawn as a renderer would: centre of the image is the card's centre, row 0 at the top."""
    cols, rows = round(wide_mm * px_per_mm), round((wide_mm - 20) * px_per_mm)
    x = (np.arange(cols) + 0.5 - cols / 2) / px_per_mm
    y = (rows / 2 - np.arange(rows) - 0.5) / px_per_mm
    return TruthMask(
        (abs(y - y_mm) < side_mm / 2)[:, None] & (abs(x - x_mm) < side_mm / 2)[None, :], px_per_mm
    )


def patch_row(kind: PatchKind, mask: str, **changes: object) -> TruthRow:
    return replace(BASE, patch=kind, mask=mask, px_per_mm=4.0, **changes)  # type: ignore[arg-type]


def scored(*found: Patch, true: tuple[PatchKind, TruthMask], **changes: object) -> Any:
    return score_patches([true], fake_surface(found, **changes).patches, WINDOW).patches[0]


def test_a_square_half_on_its_truth_has_an_iou_of_a_third() -> None:
    score = scored(fake_patch(square(20, 30, 20), "oil", chance=0.55), true=("oil", mask_of(10, 30, 20)))
    assert (score.found, score.given) == (True, "oil")
    assert score.iou == pytest.approx(1 / 3, abs=0.01)
    assert score.area_ratio == pytest.approx(1.0, abs=0.01)
    assert (score.probability, score.wrong_probability) == (pytest.approx(0.55), pytest.approx(0.05))
    assert score.true_mm2 == pytest.approx(400, abs=1)


@pytest.mark.parametrize("px_per_mm", [0.5, 1.0, 3.3, 10.0])
@pytest.mark.parametrize("wide_mm", [60.0, 130.0, 400.0])
def test_masks_of_any_size_and_scale_lie_in_the_same_place(px_per_mm: float, wide_mm: float) -> None:
    mask = mask_of(-12, 8, 24, px_per_mm=px_per_mm, wide_mm=wide_mm)
    score = scored(fake_patch(square(-12, 8, 24)), true=("oil", mask))
    assert score.iou > (0.9 if px_per_mm >= 1 else 0.8)
    mirrored = scored(fake_patch(square(-12, -8, 24)), true=("oil", mask))
    assert mirrored.iou is None or mirrored.iou < 0.4  # y runs up the sheet, rows run down


def test_what_lies_too_far_off_is_not_found_and_false() -> None:
    far = fake_surface((fake_patch(square(40, 40, 20)),)).patches
    scores = score_patches([("oil", mask_of(-20, -20, 20))], far, WINDOW)
    assert scores.patches[0] is not None
    assert (scores.patches[0].found, scores.patches[0].given, scores.patches[0].iou) == (False, None, None)
    assert (scores.false_shown, scores.false.false_review, scores.false.n_true) == (1, 1, 1)


def test_a_small_one_in_the_middle_of_a_large_truth_finds_it() -> None:
    score = scored(fake_patch(square(0, 0, 10)), true=("oil", mask_of(0, 0, 60)))
    assert score.found
    assert score.iou == pytest.approx(1 / 36, abs=0.002)


def test_the_review_list_finds_for_itself_only() -> None:
    unsure = fake_patch(square(0, 0, 20), sure=False)
    score = scored(unsure, true=("oil", mask_of(0, 0, 20)))
    assert (score.found, score.in_review) == (False, True)
    beside = score_patches([], fake_surface((unsure,)).patches, WINDOW)
    assert (beside.false_shown, beside.false.false_review) == (0, 1)


def test_a_shadow_named_shadow_is_never_false_and_a_stain_on_a_shadow_is_no_false_patch() -> None:
    shadow = fake_patch(square(0, 0, 20), "shadow")
    assert score_patches([], fake_surface((shadow,)).patches, WINDOW).false_shown == 0
    stain = fake_surface((fake_patch(square(0, 0, 20), "oil"),)).patches
    assert score_patches([("shadow", mask_of(0, 0, 20))], stain, WINDOW).false_shown == 0
    assert score_patches([], stain, WINDOW).false_shown == 1
    # A twentieth of it on a true patch is not enough; an eighth is.
    for shift, false in ((19.0, 1), (17.5, 0)):
        assert score_patches([("oil", mask_of(shift, 0, 20))], stain, WINDOW).false_shown == false


def test_a_truth_beside_the_window_is_not_judged_and_one_at_its_edge_only_within() -> None:
    surface = fake_surface((fake_patch(square(55, 0, 10)),))
    rows = [patch_row("oil", "out.png"), patch_row("oil", "edge.png")]
    masks = {"out.png": mask_of(68, 0, 12), "edge.png": mask_of(60, 0, 20)}
    out, edge = score_surface(surface, rows, masks, 1.0)
    assert (out.said.refused, out.patch) == ("outside-window", None)
    assert edge.patch is not None
    assert edge.patch.true_mm2 == pytest.approx(80, abs=1)  # 4 mm of it lie in the window less 6 mm a side
    # On an overview the picture is judged, not the window.
    wide = replace(surface, image=replace(surface.image, x_min_mm=-120.0, y_max_mm=120.0, px_per_mm=1.0))
    rows = [replace(row, kind="overview") for row in rows]
    far, _ = score_surface(wide, rows, masks, 1.0)
    assert far.patch is not None


def test_a_capture_is_scored_row_by_row_in_its_order() -> None:
    true = [
        replace(BASE, quantity="Sq", unit="mm", value=0.2),
        patch_row("oil", "1.png"),
        replace(BASE, quantity="false_patches"),
        replace(BASE, quantity="coarse_fraction", value=0.25),
        replace(BASE, quantity="visible_fraction", value=0.5),
    ]
    surface = fake_surface((fake_patch(square(0, 0, 20), "damp"),), aggregate=fake_aggregate())
    masks = {"1.png": mask_of(0, 0, 20)}
    rows = score_capture(replace(fake_result(), surface=surface), true, masks, 2.0)
    assert [row.truth for row in rows] == true
    told = [row.as_dict() for row in rows]
    assert [row["estimate"] for row in told] == [0.212, "damp", 0.0, 0.21, 0.34]
    assert [row["value"] for row in told] == [0.2, "oil", 0.0, 0.25, 0.5]
    assert told[1]["found"] is True
    assert (told[1]["mask"], told[1]["px_per_mm"], told[0]["found"]) == ("1.png", 4.0, None)
    assert (told[2]["n_true"], told[2]["judged_mm2"], told[2]["found"]) == (1, 13800.0, None)
    assert len({tuple(row) for row in told}) == 1
    json.dumps(told, allow_nan=False)
    summary = summarise(rows)
    json.dumps([row.as_dict() for row in summary], allow_nan=False)
    fractions = {row.quantity: row for row in summary if row.process == "all"}
    assert fractions["coarse_fraction"].coverage == 1.0
    assert fractions["visible_fraction"].coverage == 0.0
    assert fractions["visible_fraction"].surface is not None
    assert fractions["visible_fraction"].surface.mae == pytest.approx(0.16)


def test_nothing_judged_is_not_measured_and_an_abstention_is_one() -> None:
    rows = [patch_row("oil", "1.png"), replace(BASE, quantity="coarse_fraction", value=0.2)]
    plain = score_capture(fake_result(), rows, {"1.png": mask_of(0, 0, 20)}, 1.0)
    assert [row.said.refused for row in plain] == ["not-measured"] * 2
    surface = fake_surface((), aggregate=fake_aggregate(abstained=("few-valid",)))
    left = score_surface(surface, rows[1:], {}, 1.0)
    assert left[0].said.refused == "abstained"
    bound = replace(fraction("coarse_fraction", 0.05, 0.0, 0.05), bound="upper")
    told = score_surface(fake_surface((), aggregate=fake_aggregate(coarse=bound)), rows[1:], {}, 1.0)
    assert told[0].said == Estimate(0.05, None, 0.05, "upper")


def of_kind(
    kind: PatchKind, given: Patch | None, *, name: str, contrast: float = -0.4, **changes: object
) -> ScoredRow:
    """One true square of 20 mm, with or without a find on it."""
    row = patch_row(kind, f"{name}.png", capture=name, contrast=contrast)
    surface = fake_surface((given,) if given else (), **changes)
    return score_surface(surface, [row], {row.mask: mask_of(0, 0, 20)}, 1.0)[0]


def test_the_summary_counts_recall_wrong_kinds_and_shadows() -> None:
    here, small = square(0, 0, 20), square(0, 0, 17)
    rows = [
        of_kind("oil", fake_patch(here, "oil", chance=0.9), name="a"),
        of_kind("oil", fake_patch(here, "damp", chance=0.85), name="b"),  # wrong and confident
        of_kind(
            "damp", fake_patch(small, "oil", chance=0.7), name="c", contrast=-0.2
        ),  # wrong, 28 % too small
        of_kind("coating", None, name="d", contrast=-0.2),
        of_kind("coating", fake_patch(here, "unknown", chance=0.2), name="e", gloss="judged"),
        of_kind("shadow", fake_patch(here, "oil"), name="f"),
        of_kind("shadow", fake_patch(here, "unknown"), name="g"),
        of_kind("shadow", None, name="h"),
    ]
    groups = {row.patch: row.as_dict() for row in summarise(rows) if row.process == "all"}
    every = groups["all"]
    assert (every["recall"], every["recall_n"]) == (0.8, 5)
    assert (every["recall_low95"], every["recall_high95"]) == share_limits(4, 5)
    assert (every["recall_strong"], every["recall_strong_n"]) == (1.0, 3)
    assert (every["recall_weak"], every["recall_weak_n"]) == (0.5, 2)
    assert (every["kind_right"], every["cannot_tell"]) == (0.25, 0.25)
    assert (every["wrong_and_confident"], every["wrong_and_confident_n"]) == (pytest.approx(1 / 3), 3)
    assert every["area_within_15"] == 0.75
    assert every["median_iou"] == pytest.approx(1.0, abs=0.02)
    assert (every["shadow_called_stain"], every["shadow_called_stain_n"]) == (pytest.approx(1 / 3), 3)
    assert (every["gloss_cannot_tell"], every["recall_gloss_judged"]) == (0.8, 1.0)
    assert (groups["coating"]["n"], groups["coating"]["recall"]) == (2, 0.5)
    assert (groups["shadow"]["recall"], groups["shadow"]["shadow_called_stain_n"]) == (None, 3)
    assert (every["bias"], every["coverage"], every["false_share"]) == (None, None, None)


def test_clean_captures_and_those_with_patches_have_their_own_share_of_false_ones() -> None:
    row = replace(BASE, quantity="false_patches")
    odd = (fake_patch(square(-40, 40, 15)), fake_patch(square(40, 40, 15), sure=False))
    mask = {"1.png": mask_of(0, 0, 20)}
    rows = [
        *score_surface(fake_surface(odd), [row], {}, 1.0),
        *score_surface(fake_surface(()), [row], {}, 1.0),
        score_surface(fake_surface(()), [patch_row("oil", "1.png"), row], mask, 1.0)[1],
    ]
    told = summarise(rows)[-1].as_dict()
    assert (told["false_share"], told["false_share_n"]) == (pytest.approx(1 / 3), 3)
    assert (told["false_clean"], told["false_clean_n"]) == (0.5, 2)
    assert told["false_per_m2"] == pytest.approx(1 / (3 * 0.0138))
    assert told["false_review_per_m2"] == pytest.approx(2 / (3 * 0.0138))


def test_an_ellipse_of_known_area_is_drawn_at_its_size() -> None:
    """Area of the polygon against the mask of the ellipse's equation, pi a b (a = 20, b = 12 mm)."""
    px = 4.0
    x = (np.arange(480) + 0.5 - 240) / px
    inside = (x[None, :] / 20) ** 2 + (-x[:, None] / 12) ** 2 < 1
    score = scored(fake_patch(ring(0, 0, 40, 24)), true=("oil", TruthMask(inside, px)))
    assert score.true_mm2 == pytest.approx(np.pi * 20 * 12, rel=0.005)
    assert score.iou > 0.97
