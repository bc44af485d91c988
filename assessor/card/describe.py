"""The card in numbers: everything a stranger needs to draw, cut and read it without our code.

`assessor card --json` prints this. Field names are permanent; a change that breaks a reader raises `schema`.
"""

from __future__ import annotations

from typing import Any

from assessor.card.layout import DICTIONARY, SERIAL_ID_BASE, CardLayout, Marker, Rectangle, Step, Tab
from assessor.card.raster import marker_bits
from assessor.card.sheet import CUT_WIDTH_MM, FOLD_DASH_MM, paper_size_mm

SCHEMA = "assessor-card/1"
FRAME = (
    "Right-handed frame in mm. Origin at the centre of the window and of the paper; +x to the right as one "
    "reads the sheet, +y toward the sheet's top, +z out of the paper toward the reader. "
    "Page coordinates (x right, y down, from the paper's top left corner) are page_origin_mm + (x, -y)."
)


def describe_card(layout: CardLayout, paper: str) -> dict[str, Any]:
    """Return the card as plain JSON values, all lengths in mm; ValueError for an unknown paper.

    Enough to draw it: paint `markers` (bits: 0 black, 1 white, row 0 on top, column 0 left, the 8 x 8 cells
    fill the square between the corners), `steps` and the rectangles of `check_bars`; cut out `window` and the
    `cut_mm` of each tab, fold it along `fold_mm`. Texts on the sheet carry no measure and are left out.
    """
    width_mm, height_mm = paper_size_mm(paper)
    return {
        "schema": SCHEMA,
        "design": layout.design,
        "serial": layout.serial,
        "units": {"length": "mm", "drawn_grey": "sRGB byte, 0 black to 255 white"},
        "frame": FRAME,
        "paper": {
            "name": paper,
            "width_mm": width_mm,
            "height_mm": height_mm,
            "page_origin_mm": [width_mm / 2, height_mm / 2],
        },
        "extent": _rectangle(layout.extent),
        "window": _rectangle(layout.window),
        "dictionary": {
            "name": DICTIONARY,
            "bits": "rows of 8 cells, border included; 0 black, 1 white; row 0 top, column 0 left",
            "serial": (
                f"256 * (id of serial-high - {SERIAL_ID_BASE}) + id of serial-low - {SERIAL_ID_BASE}; "
                "both are printed twice"
            ),
        },
        "corner_order": ["top left", "top right", "bottom right", "bottom left"],
        "markers": [_marker(marker) for marker in layout.markers],
        "steps": [_step(step) for step in layout.steps],
        "tabs": [_tab(tab) for tab in layout.tabs],
        "check_bars": [
            {
                "name": bar.name,
                "start_mm": list(bar.start_mm),
                "end_mm": list(bar.end_mm),
                "length_mm": bar.length_mm,
                "rectangles": [_rectangle(area) for area in bar.strokes()],
            }
            for bar in (layout.bar_along, layout.bar_across)
        ],
        "cut_line_width_mm": CUT_WIDTH_MM,
        "fold_line_dash_mm": list(FOLD_DASH_MM),
    }


def _marker(marker: Marker) -> dict[str, Any]:
    return {
        "id": marker.id,
        "role": marker.role,
        "centre_mm": [marker.x_mm, marker.y_mm],
        "side_mm": marker.side_mm,
        "corners_mm": marker.corners_mm().tolist(),
        "bits": (marker_bits(marker.id) > 0).astype(int).tolist(),
    }


def _step(step: Step) -> dict[str, Any]:
    return {"side": step.side, "srgb_byte": step.srgb_byte, "area": _rectangle(step.area)}


def _tab(tab: Tab) -> dict[str, Any]:
    return {
        "name": tab.name,
        "fold_mm": [list(point) for point in tab.base_mm],
        "cut_mm": [list(tab.base_mm[0]), list(tab.tip_flat_mm), list(tab.base_mm[1])],
        "tip_flat_mm": list(tab.tip_flat_mm),
        "tip_upright_mm": list(tab.tip_mm),
    }


def _rectangle(area: Rectangle) -> dict[str, float]:
    return {
        "x_min_mm": area.x_min_mm,
        "y_min_mm": area.y_min_mm,
        "x_max_mm": area.x_max_mm,
        "y_max_mm": area.y_max_mm,
    }
