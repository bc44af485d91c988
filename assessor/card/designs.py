"""Designs of the sheet: prints that share the window card's frame and differ in the window.

Every design has the frame of `layout` (ring, large markers, steps, tabs, bars, at the same places), so finding,
cameras and light work alike on all. What differs is a row here: the window, and a few markers of its own on the paper
that a smaller window leaves. Once the frame is found these places are read, and tell which design lies there.

Ids (AprilTag 36h11, 0-586): the frame has 0-35 and 300-555, zone sheets 560-583, the designs below what they list.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from assessor.card.layout import DESIGN, CardLayout, Marker, Rectangle, card_layout
from assessor.card.reading import marker_cells_mm, read_known
from assessor.card.strip_layout import STRIP_DESIGN, strip_layout, strip_markers
from assessor.errors import MixedCards
from assessor.values import CardSighting, FloatArray

CHIP_DESIGN = "chip-1"
CHIP_WINDOW_MM = (80.0, 105.0)  # a chip of about 90 x 115 mm carries 5 mm of the sheet on every side
CHIP_IDS = (36, 37, 38, 39)
CHIP_MARKER_MM = 12.0
LEAST_READ = 2  # of a design's markers: concrete passes for one less than once in a million


@dataclass(frozen=True, slots=True)
class Design:
    """A sheet that shares the frame: its name, its window in mm and the markers that tell it from the others."""

    name: str
    window: Rectangle
    markers: tuple[Marker, ...] = ()

    @property
    def window_mm(self) -> tuple[float, float]:
        """Width and height of the window, mm."""
        return self.window.size_mm


def _chip() -> Design:
    """The chip sheet: two markers on the strip left of the window and two on the right one, 4 mm from its edge."""
    half_x, half_y = (side / 2 for side in CHIP_WINDOW_MM)
    places = [(-50.0, 30.0), (50.0, 30.0), (50.0, -30.0), (-50.0, -30.0)]
    markers = [
        Marker(number, x, y, CHIP_MARKER_MM, "design")
        for number, (x, y) in zip(CHIP_IDS, places, strict=True)
    ]
    return Design(CHIP_DESIGN, Rectangle(-half_x, -half_y, half_x, half_y), tuple(markers))


@cache
def designs() -> dict[str, Design]:
    """All designs by name, the window card first."""
    window = card_layout(0).window
    rows = (Design(DESIGN, window), _chip(), Design(STRIP_DESIGN, window, strip_markers()))
    return {row.name: row for row in rows}


@cache
def design_layout(design: str = DESIGN, serial: int = 0) -> CardLayout:
    """The whole geometry of one print of a design; KeyError for an unknown design, ValueError for the serial."""
    if design == STRIP_DESIGN:  # only a part of the frame
        return strip_layout(serial)
    row, frame = designs()[design], card_layout(serial)
    return replace(frame, design=row.name, window=row.window, markers=(*frame.markers, *row.markers))


def window_of(design: str) -> Rectangle:
    """The window of a design, mm; KeyError for an unknown one."""
    return designs()[design].window


def common_design(sightings: Sequence[CardSighting]) -> str:
    """The design that the photos of one capture show; the window card where none shows another.

    A shadow or a hand may hide a design's markers in one photo, so one that shows them speaks for all. Raises
    MixedCards where they show two.
    """
    seen = sorted({s.design for s in sightings} - {DESIGN})
    if len(seen) > 1:
        names = ", ".join(s.photo_name for s in sightings)
        raise MixedCards(f"the photos show sheets {' and '.join(seen)}", file=names)
    return seen[0] if seen else DESIGN


def read_design(
    image_u8: NDArray[np.uint8], project: Callable[[FloatArray], FloatArray], min_share: float
) -> str:
    """Tell the design in a grey image; project: card (P, 8, 8, 2) mm to its pixels; min_share as in `read_markers`."""
    best, most = DESIGN, LEAST_READ - 1
    for row in designs().values():
        if not row.markers:
            continue
        centres = project(marker_cells_mm(row.markers))
        count = int(read_known(image_u8, [m.id for m in row.markers], centres, min_share).sum())
        if count > most:
            best, most = row.name, count
    return best
