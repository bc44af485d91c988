"""Zones of overviews to a folder: photos, truth rows and masks; what `check_set --kind overview` writes."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy import ndimage

from assessor.card.zone_sheet import zone_sheet
from assessor.simulate.overview import ZoneRecipe, ZoneScene, render_zone, sheet_mask
from assessor.values import PATCH_KINDS

LEAST_MM2 = 100.0  # smaller marks are no truth: nobody looks for them from standing height


def true_patches(scene: ZoneScene) -> list[dict[str, Any]]:
    """Marks of at least 1 cm2 that no sheet hides by half: kind, area, box (rows, columns) and mask in the box."""
    floor, hidden = scene.floor, sheet_mask(scene) > 0
    found = []
    for code, kind in enumerate(PATCH_KINDS, start=1):
        labels, count = ndimage.label(scene.marks.kinds == code)
        for k, box in enumerate(ndimage.find_objects(labels, count), start=1):
            mask = labels[box] == k
            area = float(mask.sum()) / floor.px_per_mm**2
            if area < LEAST_MM2 or hidden[box][mask].mean() > 0.5:
                continue
            found.append(
                {
                    "kind": kind,
                    "area_mm2": area,
                    "box": box,
                    "mask": mask,
                    "contrast": _contrast(scene, box, mask),
                }
            )
    return found


def _contrast(scene: ZoneScene, box: tuple[slice, slice], mask: np.ndarray[Any, np.dtype[np.bool_]]) -> float:
    """Mean log reflectance of a mark over that of the floor within 30 mm round it."""
    pad = round(30 * scene.floor.px_per_mm)
    rows = slice(max(box[0].start - pad, 0), box[0].stop + pad)
    cols = slice(max(box[1].start - pad, 0), box[1].stop + pad)
    log = np.log(scene.floor.albedo[rows, cols, 1])
    inside = np.zeros(log.shape, bool)
    r, c = box[0].start - rows.start, box[1].start - cols.start
    inside[r : r + mask.shape[0], c : c + mask.shape[1]] = mask
    around = (scene.marks.kinds[rows, cols] == 0) & ~scene.marks.debris[rows, cols]
    return float(log[inside].mean() - (log[around].mean() if around.any() else log.mean()))


def centre_of(scene: ZoneScene, box: tuple[slice, slice]) -> tuple[float, float]:
    """Middle of a box of the scene's grid in the frame of sheet 1, mm."""
    floor = scene.floor
    x = floor.x_min_mm + (box[1].start + box[1].stop) / 2 / floor.px_per_mm
    y = floor.y_max_mm - (box[0].start + box[0].stop) / 2 / floor.px_per_mm
    return float(x), float(y)


def render_one_zone(recipe: ZoneRecipe, out: Path, split: str) -> tuple[str, float]:
    """Render one zone and write its photos, masks, rows and notes; returns its name and CPU seconds."""
    cv2.setNumThreads(1)
    start = time.process_time()
    done = out / "parts" / f"{recipe.name}.json"
    if done.exists():
        return recipe.name, 0.0
    scene = render_zone(recipe)
    folder, masks = out / "photos" / recipe.name, out / "masks" / recipe.name
    folder.mkdir(parents=True, exist_ok=True)
    masks.mkdir(parents=True, exist_ok=True)
    for file, data in scene.photos.items():
        (folder / file).write_bytes(data)
    rows, centres = [], {}
    light = "sun" if recipe.light.sun_share else "overcast"
    px_per_mm = scene.floor.px_per_mm

    def row(quantity: str, unit: str, value: str | float, **more: str | float) -> None:
        rows.append(
            {"capture": recipe.name, "kind": "overview", "process": recipe.floor.process, "split": split,
             "rendered": "true", "quantity": quantity, "unit": unit, "band_short_mm": None, "band_long_mm": None,
             "value": value, "light": light, **more}
        )  # fmt: skip

    for k, patch in enumerate(true_patches(scene), start=1):
        name = f"masks/{recipe.name}/{k:03d}-{patch['kind']}.png"
        cv2.imwrite(str(out / name), patch["mask"].astype(np.uint8) * 255)
        centres[name] = centre_of(scene, patch["box"])
        place = {"x_mm": round(centres[name][0], 2), "y_mm": round(centres[name][1], 2)}
        contrast = round(patch["contrast"], 4)
        row("patch", "", patch["kind"], mask=name, px_per_mm=px_per_mm, contrast=contrast, **place)
    row("false_patches", "", 0)
    whole = (slice(0, scene.floor.passes.shape[0]), slice(0, scene.floor.passes.shape[1]))
    for name, mask in (("kinds", scene.marks.kinds), ("debris", scene.marks.debris.astype(np.uint8)),
                       ("sheets", sheet_mask(scene)), ("passes", scene.floor.passes)):  # fmt: skip
        cv2.imwrite(str(masks / f"{name}.png"), mask)
        centres[f"masks/{recipe.name}/{name}.png"] = centre_of(scene, whole)
    note = {
        "rendered": True, "zone_size_m": [recipe.floor.length_mm / 1000, recipe.floor.width_mm / 1000],
        "zone_corner_mm": zone_sheet(1).corner_mm, "px_per_mm": px_per_mm, "mask_centres_mm": centres,
        "kinds": ["bare", *PATCH_KINDS], "strips": [asdict(strip) for strip in scene.floor.strips],
        "sheets": [asdict(sheet) for sheet in recipe.sheets], "recipe": asdict(recipe),
    }  # fmt: skip
    done.parent.mkdir(exist_ok=True)
    done.write_text(json.dumps({"rows": rows, "note": note}))
    return recipe.name, time.process_time() - start
