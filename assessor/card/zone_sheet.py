"""Geometry of the zone sheets: one large marker a sheet, laid about a zone for photos from standing height.

All lengths in mm in the sheet's own frame: origin at the marker's centre, +x right as one reads the number, +y to the
sheet's top. The same drawing fits A4 and Letter. Several sheets lie on the floor and stay there, so nothing has to be
moved between photos. Plain white paper round the marker is the reflectance white.

The markers are of the window card's family (`layout`), with ids that no card uses: the card has 0-35 and 300-555, the
sheets 560-583. At 160 mm a cell is 20 mm: 9 pixels where a pixel covers 2.2 mm, the coarsest that is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from assessor.card.layout import (
    PAPERS_MM,
    SERIAL_COUNT,
    SERIAL_ID_BASE,
    Bar,
    CardLayout,
    Marker,
    Rectangle,
    card_layout,
)
from assessor.values import FloatArray

ZONE_DESIGN = "zone-1"
ZONE_ID_BASE, ZONE_COUNT = 560, 24
ZONE_SIDE_MM = 160.0
ABOVE_MIDDLE_MM = 25.0  # the marker's centre lies so far above the paper's middle
CARD_NAME = "card"  # what the window card is called where sheets have numbers
_RING = 256  # serial markers: two bytes
assert SERIAL_ID_BASE + _RING <= ZONE_ID_BASE
assert _RING * _RING == SERIAL_COUNT


@dataclass(frozen=True, slots=True)
class ZoneSheet:
    """One zone sheet: its marker, both check bars (as long as the card's), plain white areas, and the paper's outline.

    paper holds A4 and Letter both: floor begins outside it. corner_mm: the paper's lower left corner (A4), which of the
    sheet with the lowest number lies in the zone's corner; Letter's is 9 mm off.
    """

    design: str
    number: int
    marker: Marker
    bar_along: Bar
    bar_across: Bar
    white: tuple[Rectangle, ...]
    paper: Rectangle
    corner_mm: tuple[float, float]


@cache
def zone_sheet(number: int) -> ZoneSheet:
    """Geometry of the zone sheet with this number (1-24); ValueError outside."""
    if not 1 <= number <= ZONE_COUNT:
        raise ValueError(f"a zone sheet's number must be 1-{ZONE_COUNT}, not {number}")
    half = ZONE_SIDE_MM / 2
    width = max(w for w, _ in PAPERS_MM.values()) / 2
    height = max(h for _, h in PAPERS_MM.values()) / 2
    a4_width, a4_height = PAPERS_MM["a4"]
    return ZoneSheet(
        design=ZONE_DESIGN,
        number=number,
        marker=Marker(ZONE_ID_BASE + number - 1, 0.0, 0.0, ZONE_SIDE_MM, "zone"),
        # In page coordinates exactly where the window card has its bars, so a tape's readings mean the same.
        bar_along=Bar("along", (98.5, -125.0 - ABOVE_MIDDLE_MM), (98.5, 125.0 - ABOVE_MIDDLE_MM), 250.0),
        bar_across=Bar("across", (-90.0, -131.5 - ABOVE_MIDDLE_MM), (90.0, -131.5 - ABOVE_MIDDLE_MM), 180.0),
        white=(
            Rectangle(-half, half + 5, half, half + 28),
            Rectangle(-half - 21, -half, -half - 5, half + 28),
            Rectangle(half + 5, -half, half + 16, half + 10),
        ),
        paper=Rectangle(-width, -height - ABOVE_MIDDLE_MM, width, height - ABOVE_MIDDLE_MM),
        corner_mm=(-a4_width / 2, -a4_height / 2 - ABOVE_MIDDLE_MM),
    )


def zone_markers() -> dict[int, tuple[str, Marker]]:
    """Markers that an overview reads, by id: whose they are ("1"-"24" or the card), and where they lie on it.

    Of the window card only the large ring can be read from standing height.
    """
    found = {
        marker.id: (str(number), marker)
        for number in range(1, ZONE_COUNT + 1)
        for marker in (zone_sheet(number).marker,)
    }
    found |= {m.id: (CARD_NAME, m) for m in card_layout().markers if m.role == "large"}
    return found


def paper_outline_mm(name: str) -> FloatArray:
    """(4, 2) outline in mm of the paper of a sheet by its name, in the sheet's (or card's) frame."""
    if name == CARD_NAME:
        width, height = (max(side) / 2 for side in zip(*PAPERS_MM.values(), strict=True))
        area = Rectangle(-width, -height, width, height)
    else:
        area = zone_sheet(int(name)).paper
    x0, y0, x1, y1 = area.x_min_mm, area.y_min_mm, area.x_max_mm, area.y_max_mm
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def white_points_of(name: str, step_mm: float = 4.0) -> FloatArray:
    """(N, 2) places of plain white paper in mm, clear of the print by 5 mm (blur of distant pixels)."""
    areas = _card_white(card_layout()) if name == CARD_NAME else zone_sheet(int(name)).white
    points = []
    for a in areas:
        x, y = np.meshgrid(
            np.arange(a.x_min_mm, a.x_max_mm + 0.1, step_mm), np.arange(a.y_min_mm, a.y_max_mm + 0.1, step_mm)
        )
        points.append(np.column_stack([x.ravel(), y.ravel()]))
    return np.concatenate(points)


def _card_white(layout: CardLayout) -> tuple[Rectangle, ...]:
    """The ring of plain paper between window and small markers: 13 mm wide, its middle third."""
    inner, outer = layout.window.x_max_mm + 4.5, 73.0 - 4.5
    return (
        Rectangle(-50.0, inner, 50.0, outer),
        Rectangle(-50.0, -outer, 50.0, -inner),
        Rectangle(inner, -50.0, outer, 50.0),
        Rectangle(-outer, -50.0, -inner, 50.0),
    )
