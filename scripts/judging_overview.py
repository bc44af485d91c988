"""Zones in memory: rendered, assessed by the pipeline as it is, and held against what was rendered; one note a zone."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from zone_set import LEAST_MM2, true_patches

from assessor.card.decode import decode_photo
from assessor.card.zone_sheet import zone_sheet
from assessor.errors import AssessorError
from assessor.settings import Settings
from assessor.simulate.overview import ZoneRecipe, ZoneScene, render_zone, sheet_mask
from assessor.simulate.zone_floor import TrueStrip
from assessor.values import PATCH_KINDS, Patch, PrintScale
from assessor.values.overview import Overview, Strip
from assessor.zone import ZoneAsked, assess_zone, packaged_finder

Mask = NDArray[np.bool_]
MIN_PX_PER_MM = 0.45  # what the pipeline calls fine enough
CHECKED = PrintScale(checked=True, u_x=0.0015, u_y=0.0015)


@dataclass(frozen=True, slots=True)
class HowZones:
    """patches: whether the packaged finder is asked."""

    patches: bool = True


def judge_zone(recipe: ZoneRecipe, how: HowZones) -> dict[str, Any]:
    """Render one zone, assess it, and note what was right."""
    cv2.setNumThreads(1)
    scene = render_zone(recipe)
    settings = Settings()
    size = (recipe.floor.length_mm / 1000, recipe.floor.width_mm / 1000)
    start = time.process_time()
    photos = [decode_photo(data, name, settings.decode) for name, data in scene.photos.items()]
    decode_s = time.process_time() - start
    note: dict[str, Any] = {"name": recipe.name, "process": recipe.floor.process, "photos": len(photos)}
    try:
        finder = packaged_finder(settings.overview) if how.patches else None
        asked = ZoneAsked(CHECKED, size, recipe.floor.process)
        result, dropped = assess_zone(
            photos, asked, finder=finder, settings=settings, clock=time.process_time
        )
    except AssessorError as error:
        return {**note, "refused": str(error)}
    seconds = {"decode": decode_s, **dict(result.seconds)}
    note |= {"dropped": [error.code for error in dropped], "seconds": seconds}
    note |= _sheets(scene, result) | _cover(scene, result) | _strips(scene, result) | _lay(scene, result)
    return note | (_patches(scene, result) if how.patches else {})


def _sheets(scene: ZoneScene, result: Overview) -> dict[str, Any]:
    true = {sheet.name: sheet for sheet in scene.recipe.sheets}
    rows = [
        {"off_mm": float(np.hypot(s.x_mm - true[s.name].x_mm, s.y_mm - true[s.name].y_mm)), "u_mm": s.u_mm}
        for s in result.fit.sheets
        if s.name != result.fit.origin
    ]
    return {
        "sheets": rows,
        "sheets_laid": len(true),
        "origin": result.fit.origin,
        "rms_px": result.fit.rms_px,
    }


def _cover(scene: ZoneScene, result: Overview) -> dict[str, Any]:
    """Covered area by the true cameras, on a grid of 20 mm, by differences of projected points."""
    floor, corner = scene.recipe.floor, zone_sheet(1).corner_mm
    x, y = np.meshgrid(
        np.arange(10, floor.length_mm, 20) + corner[0], np.arange(10, floor.width_mm, 20) + corner[1]
    )
    points = np.stack([x, y, np.zeros_like(x)], -1)
    seen = np.zeros(x.shape, bool)
    width, height = scene.recipe.size_px
    for camera in scene.cameras:
        here, right, up = (camera.project(points + step) for step in ((0, 0, 0), (1.0, 0, 0), (0, 1.0, 0)))
        front = (points @ camera.camera_from_card.T + camera.shift_mm)[..., 2] > 200
        smallest = np.linalg.svd(np.stack([right - here, up - here], -1), compute_uv=False)[..., -1]
        inside = (here > 4).all(-1) & (here[..., 0] < width - 5) & (here[..., 1] < height - 5)
        seen |= front & inside & (smallest >= MIN_PX_PER_MM)
    hidden = _look(sheet_mask(scene, pad_mm=10) > 0, scene, x, y)
    true_m2 = float((seen & ~hidden).sum()) * 4e-4
    told = result.coverage
    return {"covered_m2": told.covered_m2, "true_covered_m2": true_m2, "u_covered_m2": told.u_covered_m2}


def _look(mask: Mask, scene: ZoneScene, x: Any, y: Any) -> Mask:
    floor = scene.floor
    columns = ((x - floor.x_min_mm) * floor.px_per_mm).astype(int)
    rows = ((floor.y_max_mm - y) * floor.px_per_mm).astype(int)
    return np.asarray(mask[np.clip(rows, 0, mask.shape[0] - 1), np.clip(columns, 0, mask.shape[1] - 1)])


def _patches(scene: ZoneScene, result: Overview) -> dict[str, Any]:
    """True marks of at least 1 cm2 in what was seen of the zone, and patches where nothing is."""
    assert result.patches is not None
    seen = _seen(scene, result)
    shapes = [(patch, *_raster(patch, scene)) for patch in result.patches.found]
    marks = []
    for true in true_patches(scene):
        rows, cols = true["box"]
        mask = true["mask"]
        if seen[rows, cols][mask].mean() < 0.8:
            continue
        best: dict[str, Any] = {"iou": 0.0, "found": False, "shown": False}
        for patch, box, shape in shapes:
            overlap, centre_in = _meet((rows, cols), mask, box, shape)
            if overlap == 0:
                continue
            iou = overlap / (mask.sum() + shape.sum() - overlap)
            hit = iou >= 0.2 or centre_in
            if hit and (patch.sure, iou) > (best["shown"], best["iou"]):
                best = {"iou": float(iou), "found": True, "shown": patch.sure, "given": patch.kind,
                        "area_ratio": float(shape.sum() / mask.sum())}  # fmt: skip
        marks.append(
            {"kind": true["kind"], "area_mm2": true["area_mm2"], "contrast": true["contrast"], **best}
        )
    # A rim of 5 mm, and of 30 mm round things that are no floor: what is found there is theirs.
    something = ((scene.marks.kinds > 0) | (scene.floor.passes == 0)).astype(np.uint8)
    things = scene.marks.debris.astype(np.uint8) | sheet_mask(scene)
    something = (
        cv2.dilate(something, np.ones((9, 9), np.uint8)) | cv2.dilate(things, np.ones((49, 49), np.uint8))
    ) > 0
    false = []
    for patch, (rows, cols), shape in shapes:
        part = something[rows, cols][shape]
        if shape.any() and part.mean() < 0.1:
            false.append({"shown": patch.sure, "kind": patch.kind, "area_mm2": patch.area_mm2})
    return {
        "marks": marks,
        "false": false,
        "judged_m2": result.patches.judged_mm2 / 1e6,
        "bare": not (scene.marks.kinds > 0).any(),
    }


def _seen(scene: ZoneScene, result: Overview) -> Mask:
    """(H, W) on the truth's grid: looked at by the pipeline and within the zone."""
    image, floor = result.mosaic.image, scene.floor
    x, y = floor.grid()
    columns = np.floor((x - image.x_min_mm) * image.px_per_mm).astype(int)
    rows = np.floor((image.y_max_mm - y) * image.px_per_mm).astype(int)
    inside = (columns >= 0) & (columns < image.valid.shape[1]) & (rows >= 0) & (rows < image.valid.shape[0])
    value = image.valid[
        np.clip(rows, 0, image.valid.shape[0] - 1), np.clip(columns, 0, image.valid.shape[1] - 1)
    ]
    corner, recipe = zone_sheet(1).corner_mm, scene.recipe.floor
    zone = (
        (x > corner[0])
        & (x < corner[0] + recipe.length_mm)
        & (y > corner[1])
        & (y < corner[1] + recipe.width_mm)
    )
    return np.asarray(inside & value & zone)


def _raster(patch: Patch, scene: ZoneScene) -> tuple[tuple[slice, slice], Mask]:
    """A found patch on the truth's grid: its box and its mask there."""
    floor = scene.floor
    at = (
        np.stack([patch.outline_mm[:, 0] - floor.x_min_mm, floor.y_max_mm - patch.outline_mm[:, 1]], -1)
        * floor.px_per_mm
        - 0.5
    )
    height, width = floor.passes.shape
    low = np.clip(np.floor(at.min(0)).astype(int), 0, (width - 1, height - 1))
    high = np.clip(np.ceil(at.max(0)).astype(int) + 1, 1, (width, height))
    mask = np.zeros((max(high[1] - low[1], 1), max(high[0] - low[0], 1)), np.uint8)
    cv2.fillPoly(mask, [np.round(at - low).astype(np.int32)], 1)
    return (slice(low[1], low[1] + mask.shape[0]), slice(low[0], low[0] + mask.shape[1])), mask > 0


def _meet(box: tuple[slice, slice], mask: Mask, other: tuple[slice, slice], shape: Mask) -> tuple[int, bool]:
    """Samples that two masks share, and whether the middle of the second lies in the first."""
    r0, r1 = max(box[0].start, other[0].start), min(box[0].stop, other[0].stop)
    c0, c1 = max(box[1].start, other[1].start), min(box[1].stop, other[1].stop)
    if r0 >= r1 or c0 >= c1:
        return 0, False
    a = mask[r0 - box[0].start : r1 - box[0].start, c0 - box[1].start : c1 - box[1].start]
    b = shape[r0 - other[0].start : r1 - other[0].start, c0 - other[1].start : c1 - other[1].start]
    rows, cols = np.nonzero(shape)
    row, col = (
        int(rows.mean()) + other[0].start - box[0].start,
        int(cols.mean()) + other[1].start - box[1].start,
    )
    middle = 0 <= row < mask.shape[0] and 0 <= col < mask.shape[1] and bool(mask[row, col])
    return int((a & b).sum()), middle


def _strips(scene: ZoneScene, result: Overview) -> dict[str, Any]:
    """True strips within the zone, and found ones that lie on none."""
    corner, floor = zone_sheet(1).corner_mm, scene.recipe.floor
    rows = []
    for true in scene.floor.strips:
        points = np.linspace(true.start_mm, true.end_mm, 201) - corner
        inside = ((points > 0) & (points < (floor.length_mm, floor.width_mm))).all(1)
        length = float(np.linalg.norm(np.subtract(true.end_mm, true.start_mm))) * float(inside.mean())
        if length < 600:
            continue
        on = [s for s in result.strips if _lies_on(s, true)]
        best = max(on, key=lambda s: s.length_m, default=None)
        rows.append(
            {"kind": true.kind, "length_m": length / 1000, "width_mm": true.width_mm, "found": best is not None,
             "named": None if best is None else best.kind,
             "width_off_mm": None if best is None else 1000 * best.width_m - true.width_mm,
             "length_off_m": None if best is None else best.length_m - length / 1000}
        )  # fmt: skip
    strange = [s.kind for s in result.strips if not any(_lies_on(s, true) for true in scene.floor.strips)]
    return {"strips": rows, "strange_strips": strange}


def _lies_on(strip: Strip, true: TrueStrip) -> bool:
    """At least half of a found strip's middle line lies in the true strip, or within 20 mm of it."""
    points = np.linspace(strip.start_mm, strip.end_mm, 21)
    start, end = np.array(true.start_mm), np.array(true.end_mm)
    way = (end - start) / np.linalg.norm(end - start)
    off = points - (start + end) / 2
    along, across = np.abs(off @ way), np.abs(off @ np.array([-way[1], way[0]]))
    return bool(
        ((along < np.linalg.norm(end - start) / 2 + 100) & (across < true.width_mm / 2 + 20)).mean() >= 0.5
    )


def _lay(scene: ZoneScene, result: Overview) -> dict[str, Any]:
    floor = scene.recipe.floor
    true = ("crossed" if floor.crossed else "one-way") if floor.process == "scarified" else "none"
    return {"lay": result.lay.state, "true_lay": true, "level_spread": result.evenness.level_spread.value,
            "contrast_spread": result.evenness.contrast_spread.value}  # fmt: skip


__all__ = ["LEAST_MM2", "PATCH_KINDS", "HowZones", "judge_zone"]
