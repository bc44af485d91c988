"""The columns of truth.csv that are of patches and aggregate, and the masks they name."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from PIL import Image

from assessor.errors import BadTruth
from assessor.evaluation import TruthMask, TruthRow
from assessor.evaluation_rows import FALSE_PATCHES, FRACTIONS, PATCH
from assessor.values import BoolArray
from assessor.values.surface import PATCH_KINDS, PatchKind

EIGHT_BIT = {"L", "LA", "P", "PA", "RGB", "RGBA", "1"}
MAX_PX = 100e6  # as photos
# What others may call a kind; design section 4 and the trade name them by several words.
ALIASES: dict[str, PatchKind] = {
    "grease": "oil", "moisture": "damp", "water": "damp", "sealer": "coating", "film": "coating", "glue": "adhesive",
    "mastic": "adhesive", "tyre": "rubber", "tire": "rubber", "slurry": "dust", "efflorescence": "laitance",
    "repair": "aggregate", "rust": "unknown", "tape": "unknown", "leaf": "unknown",
}  # fmt: skip
_PURE = {"", "1", "-", "none"}


@dataclass(frozen=True, slots=True)
class SurfaceCells:
    """What a row says of a patch: its kind, mask, the mask's px_per_mm and its contrast."""

    mask: str
    px_per_mm: float | None
    contrast: float | None
    patch: PatchKind | Literal[""]
    x_mm: float = 0.0
    y_mm: float = 0.0


def surface_cells(cells: Mapping[str, Any], *, where: str, file: str) -> SurfaceCells:
    """Read mask, px_per_mm and contrast where they are told, and the kind of a patch; raises BadTruth."""
    text = {
        name: (cells.get(name) or "").strip()
        for name in ("quantity", "value", "mask", "px_per_mm", "contrast", "x_mm", "y_mm")
    }
    px_per_mm, contrast = (
        number_in(text[name], where=f"{where}: {name}", file=file) if text[name] else None
        for name in ("px_per_mm", "contrast")
    )
    patch: PatchKind | Literal[""] = ""
    if text["quantity"] == PATCH:
        found = kind_named(text["value"])
        if found is None:
            known = ", ".join(PATCH_KINDS)
            raise BadTruth(
                f"{where}: value of a patch must be one of {known}, not '{text['value']}'", file=file
            )
        patch = found
        if not text["mask"]:
            raise BadTruth(f"{where}: a patch needs a mask, a PNG of where it lies", file=file)
    if patch and (px_per_mm is None or not px_per_mm > 0):
        raise BadTruth(f"{where}: px_per_mm of the mask must be a number over 0", file=file)
    x_mm, y_mm = (
        number_in(text[name], where=f"{where}: {name}", file=file) if text[name] else 0.0
        for name in ("x_mm", "y_mm")
    )
    return SurfaceCells(text["mask"], px_per_mm, contrast, patch, x_mm, y_mm)


def kind_named(words: str) -> PatchKind | None:
    """The kind that a code, or words such as "sealer or coating" or "tyre marks", name first; None where none is."""
    named: dict[str, PatchKind] = {**{kind: kind for kind in PATCH_KINDS}, **ALIASES}
    return next((named[word] for word in re.findall(r"[a-z]+", words.lower()) if word in named), None)


def check_surface_value(quantity: str, unit: str, value: float, *, where: str, file: str) -> None:
    """Refuse a fraction that is none and false patches that are not 0."""
    if quantity in FRACTIONS and not 0 <= value <= 1:
        raise BadTruth(f"{where}: {quantity} must lie between 0 and 1, not at {value:g}", file=file)
    if quantity in {*FRACTIONS, PATCH, FALSE_PATCHES} and unit not in _PURE:
        raise BadTruth(f"{where}: {quantity} has no unit (write 1), not '{unit}'", file=file)
    if quantity == FALSE_PATCHES and value != 0:
        raise BadTruth(f"{where}: the value of false_patches is always 0, not {value:g}", file=file)


def check_mask(folder: Path, row: TruthRow, *, where: str, file: str) -> None:
    """Raise BadTruth where a row's mask can't be read, lies outside the folder, or has nothing inside."""
    try:
        inside = _inside(folder, row.mask)
    except BadTruth as error:
        raise BadTruth(f"{where}: {error.found}", file=file) from error
    if not inside.any():
        raise BadTruth(f"{where}: mask '{row.mask}' has no pixel over 127, so no patch", file=file)


def read_masks(folder: Path, rows: Iterable[TruthRow]) -> dict[str, TruthMask]:
    """The masks that rows of patches name; raises BadTruth."""
    return {
        row.mask: TruthMask(_inside(folder, row.mask), row.px_per_mm, row.x_mm, row.y_mm)
        for row in rows
        if row.quantity == PATCH and row.px_per_mm is not None
    }


def number_in(text: str, *, where: str, file: str) -> float:
    """The number in a cell; raises BadTruth."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise BadTruth(f"{where} must be a number, not '{text}'", file=file)
    return number


def _inside(folder: Path, mask: str) -> BoolArray:
    path = folder / mask
    if not path.resolve().is_relative_to(folder.resolve()):
        raise BadTruth(f"mask '{mask}' lies outside the folder", file=str(folder))
    try:
        with Image.open(path, formats=("PNG",)) as image:
            if image.mode not in EIGHT_BIT:
                raise BadTruth(f"mask '{mask}' is not an 8-bit PNG", file=str(path))
            if image.width * image.height > MAX_PX:
                raise BadTruth(f"mask '{mask}' has over {MAX_PX / 1e6:.0f} million pixels", file=str(path))
            # Over a palette or colours, brightness decides, as a person sees it.
            return np.asarray(image.convert("L")) > 127
    except FileNotFoundError as error:
        raise BadTruth(f"mask '{mask}' is not there", file=str(path)) from error
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise BadTruth(f"mask '{mask}' can't be read as a PNG", file=str(path)) from error
