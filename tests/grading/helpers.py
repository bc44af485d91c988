"""Small makers for grading tests: a texture with one Sq, an owner's scale file with evenly stepped chips."""

import json
from typing import Any

from assessor.values import Band, Bound, Direction, Kind, Quantity, Texture

BAND = Band(2.5, 25.0)
STEP = 10**0.2  # ratio of neighbouring grades of the prior, domain figures 2.2


def texture(
    sq_mm: float,
    relative_u: float = 0.03,
    *,
    bound: Bound = "value",
    band: Band = BAND,
    kind: Kind = "angles",
    flags: tuple[str, ...] = (),
) -> Texture:
    half = 1.645 * relative_u * sq_mm
    high = sq_mm if bound == "upper" else sq_mm + half
    sq = Quantity("Sq", sq_mm, relative_u * sq_mm, sq_mm - half, high, "mm", band, 0.1, "test", bound)
    return Texture(kind, (sq,), Direction(None, None, 0.1), 0.008, BAND, 0.98, flags)


def owner_file(**changes: Any) -> dict[str, Any]:
    """A scale of ten chips, chip k at 0.01 mm * 10^((k-1)/5), measured 8 times to 4 %."""
    rows = [
        {
            "grade": grade,
            "band_short_mm": 2.5,
            "band_long_mm": 25.0,
            "median_mm": 0.01 * STEP ** (grade - 1),
            "log_sd": 0.04,
            "n_captures": 8,
        }
        for grade in range(1, 11)
    ]
    told = {
        "format": 1,
        "name": "invented depot chips",
        "edition": "ten-chip",
        "chip_set": "invented set",
        "origin": "rendered",
        "who": "invented",
        "date": "2026-03-01",
        "floor_vs_chip_log_sd": 0.05,
        "row": rows,
    }
    return told | changes


def owner_text(**changes: Any) -> str:
    return json.dumps(owner_file(**changes))
