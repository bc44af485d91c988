"""Page one, the window sheet, as a draw list: what the finder measures, and what people read and cut.

The making of the card is explained inside the window, because that piece is cut away: the words can be large
and nothing of them is left beside the concrete. What a crew needs every time stands in the free places
between the large markers. The ring of paper round the window stays plain: it is the white and the light
meter, and the tabs' shadows fall into the corners.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from assessor.card import pictograms
from assessor.card.ink import (
    WHITE,
    Area,
    Ink,
    Label,
    Page,
    Point,
    Stroke,
    box,
    disc,
    paragraph,
    paragraph_height_mm,
    placed,
    rectangle,
)
from assessor.card.layout import PAPERS_MM, CardLayout, Marker, Tab
from assessor.card.raster import marker_bits
from assessor.values import BoolArray

CUT_WIDTH_MM = 0.2
FOLD_DASH_MM = (1.2, 0.8)

Line = tuple[Callable[[], tuple[Ink, ...]], str, str]  # picture, English, Spanish

# Number, picture, English, Spanish. In this order a wrong print is found before anything is cut.
MAKE_STEPS = (
    (pictograms.printer, "Print at 100 % on heavy matt paper", "Imprima al 100 % en papel mate grueso"),
    (
        pictograms.tape,
        "Check both bars with a tape, note it at the top",
        "Mida las dos barras con cinta y anótelo arriba",
    ),
    (pictograms.scissors, "Cut out this window", "Recorte esta ventana por la línea"),
    (
        pictograms.tab_up,
        "Cut two sides of each tab, fold it up on the dashes",
        "Corte dos lados de cada pestaña y dóblela hacia arriba",
    ),
)
EVERY_TIME = (
    (pictograms.vacuum, "Vacuum the floor first", "Aspire el piso primero"),
    (pictograms.weights, "Dry, flat, tabs up", "Seca, plana, pestañas arriba"),
    (pictograms.no_flash, "No flash, 1x zoom", "Sin flash, zoom 1x"),
    (pictograms.four_sides, "One photo from each side", "Una foto desde cada lado"),
)


def sheet_page(layout: CardLayout, paper: str) -> Page:
    """Return page one on this paper ("a4" or "letter"; ValueError otherwise)."""
    return Page(*paper_size_mm(paper), measured_inks(layout) + annotation_inks(layout, paper))


def paper_size_mm(paper: str) -> tuple[float, float]:
    """(width, height) of a paper by name, mm; ValueError with the known names otherwise."""
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}, not {paper!r}")
    return PAPERS_MM[paper]


def measured_inks(layout: CardLayout) -> tuple[Ink, ...]:
    """Markers, steps and check bars: exactly what `raster.card_raster` paints."""
    inks: list[Ink] = [marker_ink(marker, n) for n, marker in enumerate(layout.markers)]
    for n, step in enumerate(layout.steps):
        inks.append(rectangle(step.area, step.srgb_byte, f"step-{step.side}-{n // 4}"))
    for bar in (layout.bar_along, layout.bar_across):
        for part, area in zip(("line", "tick-start", "tick-end"), bar.strokes(), strict=True):
            inks.append(rectangle(area, name=f"bar-{bar.name}-{part}"))
    return tuple(inks)


def annotation_inks(layout: CardLayout, paper: str) -> tuple[Ink, ...]:
    """Cut and fold lines, serial, instructions: all that is printed for people."""
    return (*frame_inks(layout, paper), *short_lines(EVERY_TIME), *_making())


def frame_inks(layout: CardLayout, paper: str) -> tuple[Ink, ...]:
    """What every design has for people: cut and fold lines, which way is up, number, and what the tape said."""
    w = layout.window
    edge = (
        (w.x_min_mm, w.y_max_mm),
        (w.x_max_mm, w.y_max_mm),
        (w.x_max_mm, w.y_min_mm),
        (w.x_min_mm, w.y_min_mm),
    )
    return (
        Stroke(edge, CUT_WIDTH_MM, closed=True, name="cut-window"),
        *(ink for tab in layout.tabs for ink in _tab(tab)),
        *_bar_texts(layout),
        *_identity(layout, paper),
    )


def tab_cut(tab: Tab) -> tuple[Point, Point, Point]:
    """The tab's cut as one line: base end, tip, base end."""
    return tab.base_mm[0], tab.tip_flat_mm, tab.base_mm[1]


@cache
def white_rings(marker_id: int) -> tuple[tuple[tuple[int, int], ...], ...]:
    """Outlines of a marker's white parts on the grid of its cells (see `cell_rings`).

    With the marker's own outline as one more ring and the even-odd rule the rings are the black print.
    """
    return cell_rings(marker_bits(marker_id) > 0)


def cell_rings(cells: BoolArray) -> tuple[tuple[tuple[int, int], ...], ...]:
    """Outlines of the cells (rows, cols) that are True, as (col, row) corners, row 0 on top; even-odd rule.

    Neighbouring cells are merged: painted one by one they leave hairlines between them in many viewers.
    """
    white = np.pad(cells, 1)
    ends: dict[tuple[int, int], list[tuple[int, int]]] = {}

    def edge(a: tuple[int, int], b: tuple[int, int]) -> None:
        ends.setdefault(a, []).append(b)

    for row, col in np.argwhere(white):
        r, c = int(row) - 1, int(col) - 1  # undo the padding; each side faces black once, clockwise
        if not white[row - 1, col]:
            edge((c, r), (c + 1, r))
        if not white[row, col + 1]:
            edge((c + 1, r), (c + 1, r + 1))
        if not white[row + 1, col]:
            edge((c + 1, r + 1), (c, r + 1))
        if not white[row, col - 1]:
            edge((c, r + 1), (c, r))
    rings = []
    while ends:
        ring = [next(iter(ends))]
        while True:
            followers = ends[ring[-1]]
            point = followers.pop()
            if not followers:
                del ends[ring[-1]]
            if point == ring[0]:
                break
            ring.append(point)
        rings.append(_corners_only(ring))
    return tuple(rings)


def _corners_only(ring: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    kept = []
    for before, at, after in zip([ring[-1], *ring[:-1]], ring, [*ring[1:], ring[0]], strict=True):
        if (at[0] - before[0]) * (after[1] - at[1]) != (at[1] - before[1]) * (after[0] - at[0]):
            kept.append(at)
    return tuple(kept)


def marker_ink(marker: Marker, n: int) -> Area:
    """A marker's black print as one shape; n only names it."""
    left, top = marker.x_mm - marker.side_mm / 2, marker.y_mm + marker.side_mm / 2
    cell = marker.side_mm / 8
    square = ((0, 0), (8, 0), (8, 8), (0, 8))
    rings = tuple(
        tuple((left + col * cell, top - row * cell) for col, row in ring)
        for ring in (square, *white_rings(marker.id))
    )
    return Area(rings, name=f"marker-{n}-id-{marker.id}")


def _tab(tab: Tab) -> tuple[Ink, ...]:
    return (
        Stroke(tab_cut(tab), CUT_WIDTH_MM, name=f"cut-tab-{tab.name}"),
        Stroke(tab.base_mm, CUT_WIDTH_MM, dash_mm=FOLD_DASH_MM, name=f"fold-tab-{tab.name}"),
    )


def _bar_texts(layout: CardLayout) -> tuple[Ink, ...]:
    along, across = layout.bar_along, layout.bar_across
    return (
        Label(
            f"{along.length_mm:g} mm", (along.start_mm[0] - 1.2, 67.0), 2.6, "centre", bold=True, turn_deg=90
        ),
        Label(f"{across.length_mm:g} mm", (0.0, across.start_mm[1] + 0.8), 2.6, "centre", bold=True),
    )


def _identity(layout: CardLayout, paper: str) -> tuple[Ink, ...]:
    """The place between the upper large markers: which way is up, which print this is, what the tape said."""
    boxes: list[Ink] = []
    for bar, x, upright in ((layout.bar_along, -10.6, True), (layout.bar_across, 14.2, False)):
        boxes += [Stroke(box((x, 103.4), 16.8, 6.6), 0.25, closed=True)]
        boxes += _bar_sign((x - (10.6 if upright else 11.4), 103.4), upright=upright)
        boxes += [
            Label(f"{bar.length_mm:g}:", (x - 7.9, 104.9), 1.6),
            Label("mm", (x + 7.9, 101.0), 2.2, "right"),
        ]
    up = ((-6.0, 0.0), (0.0, 6.8), (6.0, 0.0), (2.0, 0.0), (2.0, -5.2), (-2.0, -5.2), (-2.0, 0.0))
    return (
        Area((tuple((x - 14.5, y + 122.2) for x, y in up),), name="top-arrow"),
        Label("TOP", (-6.0, 123.6), 6.2, bold=True),
        Label("ARRIBA", (-6.0, 118.0), 4.2),
        Label(f"No. {layout.serial:05d}", (-22.6, 112.2), 3.2, bold=True, name="serial"),
        Label(f"{layout.design}, {_paper_name(paper)}", (22.6, 112.2), 2.4, "right", name="design"),
        Label("By tape", (-22.6, 108.0), 2.2, bold=True),
        Label("Con cinta", (-11.0, 108.0), 2.2),
        *boxes,
    )


def _bar_sign(at: Point, *, upright: bool) -> tuple[Ink, ...]:
    """A bar between two ticks, 4 mm long, upright or lying: which of the two bars a box is for."""
    sign = (
        Stroke(((-2, 0), (2, 0)), 0.3),
        Stroke(((-2, -0.8), (-2, 0.8)), 0.3),
        Stroke(((2, -0.8), (2, 0.8)), 0.3),
    )
    return placed(sign, at, turn_deg=90 if upright else 0)


def short_lines(lines: tuple[Line, ...]) -> tuple[Ink, ...]:
    """Four lines of few words between the lower large markers: what a crew needs every time."""
    inks: list[Ink] = []
    for k, (picture, english, spanish) in enumerate(lines):
        y = -101.6 - 7.1 * k
        inks += placed(picture(), (-18.9, y), 0.38)
        inks.append(Label(english, (-13.4, y + 0.4), 2.4, bold=True))
        inks.append(Label(spanish, (-13.4, y - 2.4), 2.3))
    return tuple(inks)


def _making() -> tuple[Ink, ...]:
    inks: list[Ink] = [
        Label("Make the card", (-54, 47.5), 7.0, bold=True),
        Label("Prepare la tarjeta", (-54, 40.5), 5.0),
    ]
    for k, (picture, english, spanish) in enumerate(MAKE_STEPS):
        y = 26.0 - 23.5 * k
        inks += [Stroke(((-54, y + 11.75), (54, y + 11.75)), 0.25, 128)]
        inks += [
            disc((-50, y), 4.0),
            Label(str(k + 1), (-50, y - 1.75), 4.8, "centre", bold=True, gray=WHITE),
        ]
        inks += placed(picture(), (-31.0, y))
        above = paragraph_height_mm(english, 69.0, 4.0, bold=True)
        top = y + (above + 1.2 + paragraph_height_mm(spanish, 69.0, 3.8)) / 2
        inks += paragraph(english, (-15.0, top), 69.0, 4.0, bold=True)
        inks += paragraph(spanish, (-15.0, top - above - 1.2), 69.0, 3.8)
    return tuple(inks)


def _paper_name(paper: str) -> str:
    return {"a4": "A4", "letter": "Letter"}[paper]
