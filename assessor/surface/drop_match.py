"""Which drop of the record is which in a photo: by the place a person named, and never by guessing."""

from __future__ import annotations

import math
from collections.abc import Sequence

from assessor.surface.drop_record import DropEntry, Place
from assessor.surface.drop_values import PhotoDrop

# Where the words lie in the window, mm; a drop belongs to the nearest.
PLACES_MM: dict[Place, tuple[float, float]] = {
    "left": (-30.0, 0.0), "right": (30.0, 0.0), "top": (0.0, 30.0), "bottom": (0.0, -30.0), "middle": (0.0, 0.0),
}  # fmt: skip


def match_drops(
    entries: Sequence[DropEntry], drops: Sequence[PhotoDrop]
) -> tuple[dict[str, PhotoDrop], dict[str, str]]:
    """The photo's drop of each entry by name, and for the others why there is none.

    entries: those of one photo. A standing bead goes before flat patches, which stones and stains look like.
    """
    matched: dict[str, PhotoDrop] = {}
    why: dict[str, str] = {}
    for entry in entries:
        rivals = [other for other in entries if other.at == entry.at and other is not entry]
        if entry.at is None and len(entries) > 1:
            why[entry.name] = "several drops share the photo: say where each lies (at)"
        elif rivals:
            why[entry.name] = f"another drop of the record is said to lie at the same place ({entry.at})"
        else:
            there = [drop for drop in drops if entry.at is None or nearest_place(drop.centre_mm) == entry.at]
            found = _only(there)
            where = "in the window" if entry.at is None else f"at the {entry.at} of the window"
            if found is not None:
                matched[entry.name] = found
            elif there:
                why[entry.name] = f"more than one patch {where} could be the drop"
            else:
                why[entry.name] = f"nothing {where} that can be told as a drop"
    return matched, why


def nearest_place(centre_mm: tuple[float, float]) -> Place:
    """The word for a place in the window."""
    return min(PLACES_MM, key=lambda place: math.dist(PLACES_MM[place], centre_mm))


def _only(drops: Sequence[PhotoDrop]) -> PhotoDrop | None:
    for shapes in (("bead",), ("flat", "cannot-tell")):
        some = [drop for drop in drops if drop.shape in shapes]
        if some:
            return some[0] if len(some) == 1 else None
    return None
