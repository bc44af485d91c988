"""Geometry of the edge strip: the lower side of the window card by itself, for places that the sheet can't reach.

It is laid beside the spot and has no cut-out: the floor that is looked at is the 120 mm square above it, where the
window card has its window. All lengths in mm in the card frame (`layout`): the strip's markers, steps, tabs and bar
across are those of the window card, at the same places, so finding and cameras work alike. Three markers of its own
say that it is a strip, for a window card of which only the lower side is seen must not pass for one; a fourth carries
the half of the serial that the card has on its other sides.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from assessor.card.layout import SERIAL_ID_BASE, CardLayout, Marker, Rectangle, card_layout

STRIP_DESIGN = "strip-1"
STRIP_IDS = (40, 41, 42)
STRIP_MARKER_MM = 12.0
# Its upper edge is the lower edge of the window, so that no floor is lost between.
STRIP_PAPER = Rectangle(-101.0, -136.0, 101.0, -60.0)


def strip_markers() -> tuple[Marker, ...]:
    """The markers that only the strip has, between its large ones."""
    places = [(-17.0, -107.0), (17.0, -107.0), (17.0, -121.0)]
    return tuple(
        Marker(number, x, y, STRIP_MARKER_MM, "design")
        for number, (x, y) in zip(STRIP_IDS, places, strict=True)
    )


@cache
def strip_layout(serial: int = 0) -> CardLayout:
    """Geometry of the strip with this serial (0-65535); ValueError outside."""
    frame = card_layout(serial)
    kept = tuple(m for m in frame.markers if m.y_mm + m.side_mm / 2 < STRIP_PAPER.y_max_mm)
    low = Marker(SERIAL_ID_BASE + serial % 256, -17.0, -121.0, STRIP_MARKER_MM, "serial-low")
    return replace(
        frame,
        design=STRIP_DESIGN,
        markers=(*kept, *strip_markers(), low),
        steps=tuple(step for step in frame.steps if step.side == "bottom"),
        tabs=tuple(tab for tab in frame.tabs if tab.name.startswith("bottom")),
        extent=Rectangle(-100.0, -133.0, 100.0, STRIP_PAPER.y_max_mm),
    )
