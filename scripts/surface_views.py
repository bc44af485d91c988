"""Captures of a check set as floor images with their true masks, for calibrating and judging surface models."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
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
    tags: dict[str, Any] = field(default_factory=dict)

    @property
    def area_mm2(self) -> float:
        """Area that is looked at."""
        image = self.images[0]
        return float(image.valid.sum()) / image.px_per_mm**2


def read_windows(folders: list[Path], px_per_mm: float) -> Iterator[Seen]:
    """Captures of one photo or more that are not of torch or angles, first photo as it is judged."""
    settings = Settings()
    for folder in folders:
        for part in sorted((folder / "parts").glob("*.json")):
            told = json.loads(part.read_text())
            scale = scale_from_bars(*told["note"]["measured_bars"], settings=settings.bars)
            files = sorted((folder / "photos" / part.stem).iterdir())
            photos = [decode_photo(file.read_bytes(), file.name, settings.decode) for file in files]
            try:
                found = find_all(photos, settings, (), "single").found
                images = []
                for one in found[:1]:
                    spot = place_spot([one], scale, settings, Laps(float))
                    curve = read_tone(spot.photos, spot.adjustment, settings.tone).curves[0]
                    made = rectify(
                        one.photo, spot.adjustment.cameras[0], spot.adjustment, settings.rectify, curve=curve
                    )
                    images.append(resample(floor_image(made), px_per_mm))
            except AssessorError as error:
                print(f"{part.stem}: {error}")
                continue
            labels = masks_on(images[0], told["rows"], folder, {})
            yield Seen(part.stem, tuple(images), labels, told["rows"], told["note"].get("tags") or {})


def read_overviews(folders: list[Path], px_per_mm: float) -> Iterator[Seen]:
    """Zones as the overview stage puts them together."""
    from zone_views import zone_image  # noqa: PLC0415 - only here

    for folder in folders:
        notes = json.loads((folder / "captures.json").read_text())
        for part in sorted((folder / "parts").glob("*.json")):
            told = json.loads(part.read_text())
            image = zone_image(sorted((folder / "photos" / part.stem).iterdir()), notes[part.stem])
            if image is None:
                print(f"{part.stem}: no floor")
                continue
            image = resample(image, px_per_mm)
            labels = masks_on(image, told["rows"], folder, notes[part.stem].get("mask_centres_mm", {}))
            yield Seen(part.stem, (image,), labels, told["rows"], notes[part.stem])


def masks_on(image: FloorImage, rows: list[dict[str, Any]], folder: Path, centres: dict[str, Any]) -> Any:
    """True masks on an image's grid, the later over the earlier."""
    labels = np.zeros(image.valid.shape, np.int64)
    rows_, cols_ = (np.arange(n, dtype=np.float32) for n in labels.shape)
    x, y = image.place(*np.meshgrid(rows_, cols_, indexing="ij"))
    for row in rows:
        if row["quantity"] != "patch":
            continue
        mask = cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE)
        assert mask is not None
        density = float(row["px_per_mm"])
        cx, cy = centres.get(row["mask"], (0.0, 0.0))
        at_x = (x - cx) * density + mask.shape[1] / 2 - 0.5
        at_y = mask.shape[0] / 2 - 0.5 - (y - cy) * density
        inside = cv2.remap(mask, at_x.astype(np.float32), at_y.astype(np.float32), cv2.INTER_LINEAR) > 127
        labels[inside] = 1 + PATCH_KINDS.index(row["value"])
    return labels
