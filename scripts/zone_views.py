"""Zones of a check set put together as the overview stage does, for calibrating the model of overviews."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from assessor.card.decode import decode_photo
from assessor.errors import AssessorError
from assessor.settings import Settings
from assessor.values import FloatArray, FloorImage, Patches, PrintScale
from assessor.zone import ZoneAsked, assess_zone

CHECKED = PrintScale(checked=True, u_x=0.0015, u_y=0.0015)


def zone_image(files: list[Path], note: dict[str, Any]) -> FloorImage | None:
    """The floor of a zone in plan, within its edges; None where its photos cannot be put together."""
    settings, kept = Settings(), []

    def keep(image: FloorImage, centres_mm: FloatArray) -> Patches:
        kept.append((image, np.asarray(centres_mm)))
        return Patches((), 0.0, "cannot-tell", "", "", (image.name,))

    photos = [decode_photo(file.read_bytes(), file.name, settings.decode) for file in files]
    length, width = note["zone_size_m"]
    try:
        assess_zone(photos, ZoneAsked(CHECKED, (length, width)), finder=keep, settings=settings)
    except AssessorError as error:
        print(f"{files[0].parent.name}: {error}")
        return None
    return kept[0][0]
