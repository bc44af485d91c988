"""Captures of a check set as floor images with their true masks, for calibrating and judging surface models."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.card.rectify import rectify
from assessor.card.tone import read_tone
from assessor.errors import AssessorError
from assessor.intake import find_all
from assessor.settings import Settings
from assessor.spot import Laps, place_spot
from assessor.surface.segment import resample
from assessor.surfacing import floor_image
from assessor.values import PATCH_KINDS, FloorImage


@dataclass(frozen=True, eq=False)
class Seen:
    """One capture's floor images on the model's grid; labels (H, W): 0 bare, else 1 + place in PATCH_KINDS."""

    name: str
    images: tuple[FloorImage, ...]
    labels: Any
    rows: list[dict[str, Any]]

    @property
    def area_mm2(self) -> float:
        """Area that is looked at."""
        image = self.images[0]
        return float(image.valid.sum()) / image.px_per_mm**2


def read_window(folder: Path, part: Path, px_per_mm: float) -> Seen | None:
    """One capture of a check set of kind surface; its first usable photo as it is judged. None where none is."""
    settings = Settings()
    told = json.loads(part.read_text())
    scale = scale_from_bars(*told["note"]["measured_bars"], settings=settings.bars)
    files = sorted((folder / "photos" / part.stem).iterdir())
    try:
        photos = [decode_photo(file.read_bytes(), file.name, settings.decode) for file in files]
        one = find_all(photos, settings, (), "single").found[0]
        spot = place_spot([one], scale, settings, Laps(float))
        curve = read_tone(spot.photos, spot.adjustment, settings.tone).curves[0]
        made = rectify(one.photo, spot.adjustment.cameras[0], spot.adjustment, settings.rectify, curve=curve)
    except AssessorError as error:
        print(f"{part.stem}: {error}")
        return None
    image = resample(floor_image(made), px_per_mm)
    return Seen(part.stem, (image,), masks_on(image, told["rows"], folder, {}), told["rows"])


def read_overview(folder: Path, part: Path, px_per_mm: float) -> Seen | None:
    """One zone of a check set of kind overview, as the overview stage puts it together."""
    from zone_views import zone_image  # noqa: PLC0415 - only here

    told = json.loads(part.read_text())
    note = told["note"]
    image = zone_image(sorted((folder / "photos" / part.stem).iterdir()), note)
    if image is None:
        print(f"{part.stem}: no floor")
        return None
    image = resample(image, px_per_mm)
    labels = masks_on(image, told["rows"], folder, note.get("mask_centres_mm", {}))
    # Things that lie about and missed strips are no bare floor and no patch either: nothing is learnt from them.
    corner, size = note["zone_corner_mm"], note["zone_size_m"]
    centre = (corner[0] + 500 * size[0], corner[1] + 500 * size[1])
    for name, odd_value in (("debris", 1), ("passes", 0)):
        found = cv2.imread(str(folder / "masks" / part.stem / f"{name}.png"), cv2.IMREAD_UNCHANGED)
        if found is not None:
            odd = sampled((found == odd_value).astype(np.uint8) * 255, image, centre, note["px_per_mm"])
            labels[odd & (labels == 0)] = -1
    return Seen(part.stem, (image,), labels, told["rows"])


def masks_on(image: FloorImage, rows: list[dict[str, Any]], folder: Path, centres: dict[str, Any]) -> Any:
    """True masks on an image's grid, the later over the earlier."""
    labels = np.zeros(image.valid.shape, np.int64)
    for row in rows:
        if row["quantity"] != "patch":
            continue
        mask = cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE)
        assert mask is not None
        inside = sampled(mask, image, centres.get(row["mask"], (0.0, 0.0)), float(row["px_per_mm"]))
        labels[inside] = 1 + PATCH_KINDS.index(row["value"])
    return labels


def sampled(mask: Any, image: FloorImage, centre_mm: tuple[float, float], px_per_mm: float) -> Any:
    """A mask (0 or 255) about centre_mm on an image's grid, as True and False."""
    rows, cols = (np.arange(n, dtype=np.float32) for n in image.valid.shape)
    x, y = image.place(*np.meshgrid(rows, cols, indexing="ij"))
    at_x = (x - centre_mm[0]) * px_per_mm + mask.shape[1] / 2 - 0.5
    at_y = mask.shape[0] / 2 - 0.5 - (y - centre_mm[1]) * px_per_mm
    return cv2.remap(mask, at_x.astype(np.float32), at_y.astype(np.float32), cv2.INTER_LINEAR) > 127
