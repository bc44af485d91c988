"""Tags as pages to print and cut: one small piece of paper a spot, phase and round, to lay at the card's edge.

The code is a QR code (ISO/IEC 18004), version 1 with error correction level Q, made by OpenCV's encoder: any phone
reads it too. Beside it stands the same in large type. All lengths in mm in the tag's own frame: origin at its middle,
+x right and +y up as one reads it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np

from assessor.card import pictograms
from assessor.card.draw import pages_pdf
from assessor.card.ink import (
    BLACK,
    WHITE,
    Area,
    Ink,
    Label,
    Page,
    Point,
    Stroke,
    arrow,
    box,
    paragraph,
    placed,
    rectangle,
    text_width_mm,
)
from assessor.card.layout import Rectangle
from assessor.card.sheet import cell_rings, paper_size_mm
from assessor.card.tag import Tag, tag_text
from assessor.errors import BadTag
from assessor.values import BoolArray

WIDTH_MM, HEIGHT_MM = 62.0, 34.0
MODULES = 21  # a version 1 code; four more of white all round are its quiet zone
MODULE_MM = 1.1
CODE_MM = MODULES * MODULE_MM
CODE_AT_MM = (-14.0, 0.0)  # its middle: white of 5.4 mm to the left and both edges, of 4.4 mm to the words
ACROSS = 3
HEAD_MM = 17.0  # of a page, for the words at its top
_PHASES = {"before": ("BEFORE", "ANTES"), "after": ("AFTER", "DESPUÉS")}


@lru_cache(maxsize=512)
def code_modules(text: str) -> BoolArray:
    """The code of a tag's text, (21, 21) True where it is dark, row 0 on top; BadTag where it is too long."""
    how = cv2.QRCodeEncoder.Params()
    how.version = 1
    how.correction_level = cv2.QRCODE_ENCODER_CORRECT_LEVEL_Q
    how.mode = cv2.QRCODE_ENCODER_MODE_ALPHANUMERIC
    try:
        drawn = np.asarray(cv2.QRCodeEncoder.create(how).encode(text))
    except cv2.error:
        raise BadTag(f"the text {text!r} does not fit a tag's code") from None
    rim = (len(drawn) - MODULES) // 2  # the encoder draws some of the quiet zone
    dark = np.asarray(drawn[rim : rim + MODULES, rim : rim + MODULES] < 128)
    dark.flags.writeable = False
    return dark


def draw_tag_sheets_pdf(tags: Sequence[Tag], paper: str) -> bytes:
    """Return a PDF of the tags in the order given, 24 a page on A4 and 21 on Letter.

    paper is "a4" or "letter" (ValueError otherwise). Raises BadTag where there are none, or of several jobs.
    """
    jobs = sorted({tag.job_code for tag in tags})
    if len(jobs) != 1:
        raise BadTag(f"a sheet holds tags of one job, not of {len(jobs)}")
    many = tags_per_page(paper)
    pages = [tag_page(tags[k : k + many], paper) for k in range(0, len(tags), many)]
    return pages_pdf(pages, f"Tags of job {jobs[0]}, {len(tags)} ({paper})")


def tags_per_page(paper: str) -> int:
    """How many tags a page holds."""
    return ACROSS * int((paper_size_mm(paper)[1] - HEAD_MM - 5.0) // HEIGHT_MM)


def tag_page(tags: Sequence[Tag], paper: str) -> Page:
    """One page of at most `tags_per_page` tags, from the top left, row by row."""
    width, height = paper_size_mm(paper)
    rows = -(-len(tags) // ACROSS)
    inks: list[Ink] = [*_head(tags[0].job_code, width, height)]
    for k, tag in enumerate(tags):
        inks += placed(tag_inks(tag), tag_middle_mm(k, paper))
    left, top = -ACROSS * WIDTH_MM / 2, height / 2 - HEAD_MM
    for row in range(rows + 1):
        y = top - row * HEIGHT_MM
        inks.append(Stroke(((left - 1.5, y), (-left + 1.5, y)), 0.15, 128, name=f"cut-row-{row}"))
    for column in range(ACROSS + 1):
        x = left + column * WIDTH_MM
        inks.append(
            Stroke(
                ((x, top + 1.5), (x, top - rows * HEIGHT_MM - 1.5)), 0.15, 128, name=f"cut-column-{column}"
            )
        )
    return Page(width, height, tuple(inks))


def tag_middle_mm(k: int, paper: str) -> Point:
    """Where the middle of a page's k-th tag lies, in the page's frame."""
    row, column = divmod(k, ACROSS)
    top = paper_size_mm(paper)[1] / 2 - HEAD_MM
    return (column - (ACROSS - 1) / 2) * WIDTH_MM, top - (row + 0.5) * HEIGHT_MM


def tag_inks(tag: Tag) -> tuple[Ink, ...]:
    """One tag in its own frame: code, large words, and the arrow that points to the card."""
    text = tag_text(tag)
    english, spanish = _PHASES[tag.phase]
    after = tag.phase == "after"
    band = Rectangle(2.4, -8.6, 29.6, 0.4)
    ink = WHITE if after else BLACK
    job_mm = min(2.7, 8.8 / text_width_mm(tag.job_code, 1.0, bold=True))  # beside a spot of two figures
    return (
        code_ink(text),
        Label(f"Z{tag.zone}", (2.4, 9.6), 8.5, bold=True, name="zone"),
        Label(f"S{tag.spot}", (2.4, 2.4), 8.5, bold=True, name="spot"),
        Label(f"R{tag.round}", (29.6, 11.4), 5.0, "right", bold=True, name="round"),
        Label("Job", (29.6, 5.9), 2.2, "right"),
        Label(tag.job_code, (29.6, 2.4), job_mm, "right", bold=True, name="job"),
        # Before is an outlined word, after a white word on black: told apart without reading.
        rectangle(band) if after else Stroke(box((16.0, -4.1), 26.6, 8.4), 0.6, closed=True),
        Label(english, (16.0, -3.6), 4.6, "centre", bold=True, gray=ink, name="phase"),
        Label(spanish, (16.0, -7.5), 3.2, "centre", gray=ink),
        Label(text, (29.6, -10.9), 1.9, "right", name="text"),
        Label("to the card", (2.4, -13.6), 2.1, bold=True),
        Label("a la tarjeta", (2.4, -16.1), 2.1),
        *(ink for x in (20.0, 26.0) for ink in arrow((x, -11.9), (x, -16.8), 0.8, 2.6)),
    )


def code_ink(text: str) -> Area:
    """The code as one shape, in the tag's frame."""
    left, top = CODE_AT_MM[0] - CODE_MM / 2, CODE_AT_MM[1] + CODE_MM / 2
    rings = tuple(
        tuple((left + column * MODULE_MM, top - row * MODULE_MM) for column, row in ring)
        for ring in cell_rings(code_modules(text))
    )
    return Area(rings, name=f"code-{text}")


def _beside() -> tuple[Ink, ...]:
    """Picture: a tag beside the card, its arrow to the card."""
    return (
        Stroke(box((-3.5, 0.0), 13.0, 18.0), 0.6, closed=True),
        Stroke(box((-3.5, 0.0), 7.0, 7.0), 0.5, closed=True),
        Stroke(box((8.0, -1.0), 8.0, 13.0), 0.6, closed=True),
        rectangle(Rectangle(5.8, 0.4, 10.2, 4.8)),
        *arrow((11.0, -4.2), (4.6, -4.2), 0.7, 2.6),
    )


# Picture, English, Spanish.
_LINES = (
    (pictograms.printer, "Print at 100 % on matt paper, cut along the lines. One tag for one spot.",
     "Imprima al 100 % en papel mate y corte por las líneas. Una etiqueta por sitio."),
    (_beside, "Lay it beside the card, arrow to the card, flat and whole in every photo.",
     "Póngala junto a la tarjeta, flecha hacia la tarjeta, plana y entera en cada foto."),
)  # fmt: skip


def _head(job_code: str, width: float, height: float) -> tuple[Ink, ...]:
    left, top = -ACROSS * WIDTH_MM / 2, height / 2 - 3.6
    inks: list[Ink] = [
        Label("Tags", (left, top - 5.0), 6.0, bold=True),
        Label(f"Etiquetas  {job_code}", (left, top - 9.4), 3.0),
    ]
    for k, (picture, english, spanish) in enumerate(_LINES):
        x = left + 34.0 + k * 78.0
        inks += placed(picture(), (x, top - 5.0), 0.42)
        inks += paragraph(english, (x + 7.5, top), 65.0, 2.3, bold=True)
        inks += paragraph(spanish, (x + 7.5, top - 5.9), 65.0, 2.2)
    foot = -height / 2 + 3.6
    inks += [
        Label(
            "Z zone, S spot, R round: 1 the first time, 2 after the first rework",
            (left, foot),
            2.1,
            bold=True,
        ),
        Label(
            "Z zona, S sitio, R ronda: 1 la primera vez, 2 tras repetir el trabajo",
            (-left, foot),
            2.0,
            "right",
        ),
    ]
    return tuple(inks)
