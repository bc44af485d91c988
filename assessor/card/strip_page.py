"""The edge strip as a page to print: the strip to cut out, and below it how it is made and used."""

from __future__ import annotations

from assessor.card import pictograms
from assessor.card.draw import pages_pdf
from assessor.card.ink import (
    WHITE,
    Ink,
    Label,
    Page,
    Point,
    Stroke,
    arrow,
    box,
    disc,
    paragraph,
    paragraph_height_mm,
    placed,
    rectangle,
)
from assessor.card.layout import CardLayout, Rectangle
from assessor.card.pictograms import PALE
from assessor.card.sheet import CUT_WIDTH_MM, FOLD_DASH_MM, marker_ink, paper_size_mm, tab_cut
from assessor.card.strip_layout import STRIP_PAPER, strip_layout

TOP_MM = 9.0  # from the page's upper edge to the strip's
_FLOOR = 190
# Picture, English, Spanish.
MAKE = (
    (pictograms.printer, "Print at 100 % on heavy matt paper", "Imprima al 100 % en papel mate grueso"),
    (pictograms.tape, "Check the bar of 180 mm with a tape", "Mida la barra de 180 mm con cinta"),
    (pictograms.scissors, "Cut the strip out along its line", "Recorte la tira por la línea"),
    (pictograms.tab_up, "Fold both tabs up on the dashes", "Doble las dos pestañas hacia arriba"),
)
USE = (
    "Only where the whole card does not fit: edges, corners, columns, drains. It gives a rough estimate, never a "
    "measurement.",
    "Lay the strip flat with its plain edge (arrows) to the floor you look at. That floor is 120 mm wide and high.",
    "Phone straight above strip and floor, 300-420 mm up, no flash. One light low from one side (20-50 degrees).",
    "Strip, both tabs and that floor must be in the photo. Keep feet and shadows off both.",
)
USO = (
    "Solo donde no cabe la tarjeta: bordes, esquinas, columnas, desagües. Da una estimación, nunca una medida.",
    "Ponga la tira plana, el borde liso (flechas) hacia el piso que mira: 120 mm de ancho y de alto.",
    "Teléfono derecho sobre tira y piso, a 300-420 mm, sin flash. Una luz baja de un lado (20-50 grados).",
    "Tira, dos pestañas y ese piso en la foto. Sin pies ni sombras encima.",
)
CAUTION = (
    "Machines off and dust settled before you kneel. Near drops, openings or traffic: barrier first.",
    "Máquinas apagadas y polvo asentado antes de agacharse. Junto a huecos o tránsito: primero la barrera.",
)


def draw_strip_pdf(serial: int, paper: str) -> bytes:
    """Return the strip with this serial (0-65535) as a PDF; paper is "a4" or "letter" (ValueError for either)."""
    layout = strip_layout(serial)
    return pages_pdf([strip_page(layout, paper)], f"Edge strip {layout.design} No. {serial:05d} ({paper})")


def strip_page(layout: CardLayout, paper: str) -> Page:
    """Return the page; the strip keeps its card frame, moved up the page as one piece."""
    width, height = paper_size_mm(paper)
    up = height / 2 - TOP_MM - STRIP_PAPER.y_max_mm
    strip = placed((*measured_strip_inks(layout), *_strip_words(layout, paper)), (0.0, up))
    return Page(width, height, (*strip, *_below(STRIP_PAPER.y_min_mm + up - 9.0)))


def measured_strip_inks(layout: CardLayout) -> tuple[Ink, ...]:
    """Markers, steps and the bar across, in the card frame."""
    inks: list[Ink] = [marker_ink(marker, n) for n, marker in enumerate(layout.markers)]
    inks += [
        rectangle(step.area, step.srgb_byte, f"step-{step.side}-{n}") for n, step in enumerate(layout.steps)
    ]
    for part, area in zip(("line", "tick-start", "tick-end"), layout.bar_across.strokes(), strict=True):
        inks.append(rectangle(area, name=f"bar-across-{part}"))
    return tuple(inks)


def _strip_words(layout: CardLayout, paper: str) -> tuple[Ink, ...]:
    a = STRIP_PAPER
    edge = (
        (a.x_min_mm, a.y_max_mm), (a.x_max_mm, a.y_max_mm), (a.x_max_mm, a.y_min_mm), (a.x_min_mm, a.y_min_mm),
    )  # fmt: skip
    return (
        Stroke(edge, CUT_WIDTH_MM, closed=True, name="cut-strip"),
        *(Stroke(tab_cut(tab), CUT_WIDTH_MM, name=f"cut-tab-{tab.name}") for tab in layout.tabs),
        *(
            Stroke(tab.base_mm, CUT_WIDTH_MM, dash_mm=FOLD_DASH_MM, name=f"fold-tab-{tab.name}")
            for tab in layout.tabs
        ),
        # Where the window card has its bar along: readers of paper and shadows leave that out.
        *arrow((98.0, -76.0), (98.0, -62.0), 0.8, 3.2),
        Label("floor", (0.0, -104.2), 3.0, "centre", bold=True),
        Label("piso", (0.0, -107.8), 2.8, "centre"),
        *arrow((0.0, -115.6), (0.0, -109.6), 0.8, 2.8),
        Label(f"No. {layout.serial:05d}", (0.0, -120.2), 3.0, "centre", bold=True, name="serial"),
        Label(layout.design, (0.0, -123.5), 2.2, "centre", name="design"),
        Label("A4" if paper == "a4" else "Letter", (0.0, -126.2), 2.1, "centre"),
        Label("180 mm", (0.0, -130.7), 2.4, "centre", bold=True),
        Label("By tape / con cinta:                  mm", (-88.0, -135.2), 2.3),
    )


def _below(top: float) -> tuple[Ink, ...]:
    """What stands below the strip and is cut away: making, using, picture."""
    inks: list[Ink] = [
        Label("Edge strip", (-92.0, top - 3.0), 6.5, bold=True),
        Label("Tira de borde", (-50.0, top - 3.0), 4.6),
    ]
    y = top - 15.0
    for k, (picture, english, spanish) in enumerate(MAKE):
        x = -92.0 + 94.0 * (k % 2)
        row = y - 20.0 * (k // 2)
        inks.append(disc((x + 3.0, row), 3.0))
        inks.append(Label(str(k + 1), (x + 3.0, row - 1.3), 3.8, "centre", bold=True, gray=WHITE))
        inks += placed(picture(), (x + 16.5, row), 0.72)
        inks += _both((english, spanish), (x + 27.0, row + 5.6), 62.0, 3.3)[0]
    inks += placed(_picture(), (-58.0, y - 80.0))
    at = y - 36.0
    for words in zip(USE, USO, strict=True):
        lines, height = _both(words, (-16.0, at), 108.0, 3.5)
        inks += lines
        at -= height + 3.6
    inks += placed(pictograms.caution(), (-86.0, at - 7.5), 0.6)
    inks += _both(CAUTION, (-76.0, at - 1.0), 168.0, 3.5)[0]
    return tuple(inks)


def _both(words: tuple[str, str], at: Point, width: float, size: float) -> tuple[tuple[Ink, ...], float]:
    """English over Spanish, and how high both are."""
    above = paragraph_height_mm(words[0], width, size, bold=True) + 0.6
    below = paragraph_height_mm(words[1], width, 0.93 * size)
    inks = (
        *paragraph(words[0], at, width, size, bold=True),
        *paragraph(words[1], (at[0], at[1] - above), width, 0.93 * size),
    )
    return inks, above + below


def _picture() -> tuple[Ink, ...]:
    """From above: strip, the floor above it up to a wall, and what the photo holds; about 68 mm wide and 72 mm high."""

    def at(x: float, y: float) -> Point:
        return x / 3.3, (y + 30.0) / 3.3

    a, side = STRIP_PAPER, 120 / 3.3
    floor = Rectangle(*at(-60.0, -60.0), *at(60.0, 60.0))
    paper = Rectangle(*at(a.x_min_mm, a.y_min_mm), *at(a.x_max_mm, a.y_max_mm))
    inks: list[Ink] = [
        rectangle(Rectangle(*at(-112.0, 64.0), *at(112.0, 84.0)), 110, "wall"),
        rectangle(floor, _FLOOR),
        Stroke(box((0.0, at(0, 0)[1]), side, side), 0.6, dash_mm=(1.6, 1.1), closed=True),
        rectangle(paper, WHITE),
        Stroke(box((0.0, (paper.y_min_mm + paper.y_max_mm) / 2), 202 / 3.3, 76 / 3.3), 0.5, closed=True),
    ]  # fmt: skip
    for marker in strip_layout().markers:
        h = marker.side_mm / 2
        if marker.role != "design":
            inks.append(
                rectangle(
                    Rectangle(*at(marker.x_mm - h, marker.y_mm - h), *at(marker.x_mm + h, marker.y_mm + h)),
                    40,
                )
            )
    for x in (-84.0, 84.0):
        inks.append(rectangle(Rectangle(*at(x - 6, -88.0), *at(x + 6, -78.0)), PALE))
    frame = Rectangle(*at(-118.0, -142.0), *at(118.0, 70.0))
    middle = ((frame.x_min_mm + frame.x_max_mm) / 2, (frame.y_min_mm + frame.y_max_mm) / 2)
    inks += [
        Stroke(
            box(middle, frame.x_max_mm - frame.x_min_mm, frame.y_max_mm - frame.y_min_mm, 2.0),
            0.8,
            closed=True,
        ),
        Label("120 mm", (0.0, at(0, 0)[1] - 1.0), 4.0, "centre", bold=True),
        Label("wall, column / muro, columna", (0.0, at(0, 71.0)[1]), 3.0, "centre", bold=True, gray=WHITE),
    ]
    return tuple(inks)
