"""The zone sheet as a page to print: what `zone_sheet` measures, and what people read on it."""

from __future__ import annotations

from collections.abc import Sequence

from assessor.card import pictograms
from assessor.card.draw import pages_pdf
from assessor.card.ink import Ink, Label, Page, Stroke, arrow, paragraph, placed, rectangle
from assessor.card.layout import Bar
from assessor.card.sheet import marker_ink, paper_size_mm
from assessor.card.zone_sheet import ABOVE_MIDDLE_MM, ZONE_DESIGN, ZoneSheet, zone_sheet

# Picture, English, Spanish.
_LINES = (
    (pictograms.printer, "Print at 100 % on matt paper, one side only. Check both bars with a tape.",
     "Imprima al 100 % en papel mate, por un lado. Mida las dos barras con cinta."),
    (pictograms.weights, "Lay all sheets flat, then don't move them. Dry floor only: paper soaks up damp.",
     "Ponga las hojas planas y no las mueva. Solo piso seco: el papel absorbe humedad."),
    (pictograms.caution, "Paper slips under the foot: walk round it. Leave no sheet where machines run.",
     "El papel resbala: no lo pise. No deje hojas donde trabajan máquinas."),
)  # fmt: skip


def draw_zone_sheets_pdf(numbers: Sequence[int], paper: str) -> bytes:
    """Return a PDF with one zone sheet a page; paper is "a4" or "letter" (ValueError otherwise)."""
    pages = [zone_page(zone_sheet(number), paper) for number in numbers]
    listed = ", ".join(str(number) for number in numbers)
    return pages_pdf(pages, f"Zone sheets {ZONE_DESIGN} No. {listed} ({paper})")


def zone_page(sheet: ZoneSheet, paper: str) -> Page:
    """Return one sheet as a page (its frame's origin lies 25 mm above the page's middle)."""
    inks = (*measured_zone_inks(sheet), *_words(sheet, paper))
    return Page(*paper_size_mm(paper), placed(inks, (0.0, ABOVE_MIDDLE_MM)))


def measured_zone_inks(sheet: ZoneSheet) -> tuple[Ink, ...]:
    """Marker and check bars, in the sheet's frame."""
    inks: list[Ink] = [marker_ink(sheet.marker, sheet.number)]
    for bar in (sheet.bar_along, sheet.bar_across):
        inks += [
            rectangle(area, name=f"bar-{bar.name}-{part}")
            for part, area in zip(("line", "tick-start", "tick-end"), bar.strokes(), strict=True)
        ]
    return tuple(inks)


def _words(sheet: ZoneSheet, paper: str) -> tuple[Ink, ...]:
    inks: list[Ink] = [
        Label(str(sheet.number), (-84.0, -136.0), 58.0, bold=True, name="number"),
        Label(f"{sheet.design}, {'A4' if paper == 'a4' else 'Letter'}", (-84.0, -142.5), 2.6, name="design"),
        *_bar_texts(sheet.bar_along, sheet.bar_across),
        *_corner(paper),
    ]
    for k, (picture, english, spanish) in enumerate(_LINES):
        top = -88.0 - 15.8 * k
        inks += placed(picture(), (4.0, top - 5.5), 0.5)
        inks += paragraph(english, (14.0, top), 76.0, 2.9, bold=True)
        inks += paragraph(spanish, (14.0, top - 7.4), 76.0, 2.7)
    return tuple(inks)


def _bar_texts(along: Bar, across: Bar) -> tuple[Ink, ...]:
    return (
        Label(
            f"{along.length_mm:g} mm",
            (along.start_mm[0] - 1.2, -118.0),
            2.6,
            "centre",
            bold=True,
            turn_deg=90,
        ),
        Label(f"{across.length_mm:g} mm", (60.0, across.start_mm[1] + 0.8), 2.6, "centre", bold=True),
    )


def _corner(paper: str) -> tuple[Ink, ...]:
    """The sheet with the lowest number marks the zone's corner: which corner of the paper that is."""
    width, height = paper_size_mm(paper)
    x, y = -width / 2 + 7.0, -height / 2 - ABOVE_MIDDLE_MM + 7.0
    mark: tuple[Ink, ...] = (
        Stroke(((x, y + 7.0), (x, y), (x + 7.0, y)), 0.8),
        *arrow((x + 6.5, y + 6.5), (x + 1.5, y + 1.5), 0.6, 2.6),
    )
    words = (
        Label("Lowest number: this corner into the zone's corner, squared to it.", (-84.0, -147.6), 2.8, bold=True),
        Label("Número más bajo: esta esquina en la esquina de la zona, bordes con sus lados.", (-84.0, -151.4), 2.6),
    )  # fmt: skip
    return (*mark, *words)
