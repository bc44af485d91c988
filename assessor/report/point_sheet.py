"""The point count for a person: two printed pages, and a page for a phone; the same points on the same picture.

Paper: the window at 1.6 times its size with a numbered cross at every point, then boxes to write in, the sum and a
table to read the interval from without a computer. Fits A4 and Letter. Screen: one file without any outside part, so
it works on a floor without a network; it saves a small JSON that `assessor points --counted` reads.
"""

from __future__ import annotations

import base64
import io
import json
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from scipy.stats import norm

from assessor.card.ink import register_fonts, text_width_mm, wrap
from assessor.surface.points import COARSE_MM, LEVEL, Mark, PointGrid, wilson

PT_PER_MM = 72 / 25.4
PAGE_MM = (210.0, 279.0)  # what A4 and Letter have in common
LEFT_MM, PICTURE_MM = 12.0, 186.0
# What a person says of a point: letters for paper, words in English and Spanish.
CHOICES: tuple[tuple[Mark, str, str, str], ...] = (
    ("coarse", "C", "coarse stone", "piedra gruesa"),
    ("coarse-edge", "C/", "on its edge", "en su borde"),
    ("fine", "F", "fine stone", "piedra fina"),
    ("fine-edge", "F/", "on its edge", "en su borde"),
    ("paste", "P", "paste, sand", "pasta, arena"),
    ("unclear", "?", "can't tell", "no se ve"),
)
HOW = (
    "Look what lies under the middle of each cross. A stone wider than the ring is coarse (over {coarse:g} mm), a "
    "smaller one is fine, down to 2 mm; anything smaller is paste. A middle on a stone's edge counts one half. Do not "
    "skip a point."
)
HOW_SPANISH = (
    "Mire el centro de cada cruz. Una piedra mayor que el anillo es gruesa; una menor es fina, hasta 2 mm; lo demás es "
    "pasta. Un centro sobre el borde de una piedra cuenta la mitad. No salte ningún punto."
)


@dataclass(frozen=True, slots=True)
class PointSheet:
    """A window to count on: JPEG of the square of +-half_mm about its centre, the grid, and where the photo is from."""

    photo_name: str
    photo_sha256: str
    serial: int
    jpeg: bytes
    half_mm: float
    grid: PointGrid
    rendered: bool


def draw_points_pdf(sheet: PointSheet) -> bytes:
    """Two pages to print and count on."""
    target = io.BytesIO()
    canvas = Canvas(
        target, pagesize=(PAGE_MM[0] * PT_PER_MM, PAGE_MM[1] * PT_PER_MM), invariant=1, pageCompression=1, lang="en"
    )  # fmt: skip
    canvas.setTitle(f"Point count of {sheet.photo_name}")
    canvas.setAuthor("assessor")
    register_fonts()
    pen = _Pen(canvas)
    _picture_page(pen, sheet)
    canvas.showPage()
    _tally_page(pen, sheet)
    canvas.showPage()
    canvas.save()
    return target.getvalue()


def points_page(sheet: PointSheet) -> str:
    """One HTML file with picture and script inside, to tap through on a phone without a network."""
    environment = Environment(
        loader=PackageLoader("assessor.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    grid = sheet.grid
    facts = {
        "photo": sheet.photo_name,
        "photo_sha256": sheet.photo_sha256,
        "serial": sheet.serial,
        "rows": grid.rows,
        "cols": grid.cols,
        "spacing_mm": round(grid.spacing_mm, 3),
        "rendered": sheet.rendered,
    }
    given = {
        "facts": facts,
        "points": [[round(float(x), 3), round(float(y), 3)] for x, y in grid.points_mm],
        "half_mm": sheet.half_mm,
        "coarse_mm": COARSE_MM,
        "z": float(norm.ppf(0.5 + LEVEL / 2)),
        "choices": [{"mark": mark, "letter": letter, "words": words} for mark, letter, words, _ in CHOICES],
    }
    # Inside a script element only these could end it or start a comment.
    text = json.dumps(given).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    picture = Markup(f"data:image/jpeg;base64,{base64.b64encode(sheet.jpeg).decode()}")
    how = (
        HOW.format(coarse=COARSE_MM).replace("each cross", "the cross"),
        HOW_SPANISH.replace("cada cruz", "la cruz"),
    )
    template = environment.get_template("points.html")
    return template.render(
        sheet=sheet, choices=CHOICES, given=Markup(text), picture=picture, how=how, spacing=grid.spacing_mm
    )


@dataclass(frozen=True, eq=False)
class _Pen:
    """Draws in mm from the page's lower left corner, in black on white."""

    canvas: Canvas

    def text(
        self, text: str, x: float, y: float, *, size: float = 3.2, bold: bool = False, anchor: str = "left"
    ) -> None:
        self.canvas.setFont(register_fonts()[bold], size * PT_PER_MM)
        width = text_width_mm(text, size, bold=bold)
        shift = {"left": 0.0, "centre": width / 2, "right": width}[anchor]
        self.canvas.drawString((x - shift) * PT_PER_MM, y * PT_PER_MM, text)

    def lines(self, text: str, x: float, y: float, *, width: float, size: float = 3.2) -> float:
        """Wrapped text; returns the height below its last line."""
        for line in wrap(text, width, size):
            self.text(line, x, y, size=size)
            y -= 1.4 * size
        return y

    def box(self, x: float, y: float, width: float, height: float, line: float = 0.25) -> None:
        self.canvas.setLineWidth(line * PT_PER_MM)
        self.canvas.rect(x * PT_PER_MM, y * PT_PER_MM, width * PT_PER_MM, height * PT_PER_MM)

    def stroke(self, points: list[tuple[float, float]], line: float, gray: float = 0.0) -> None:
        self.canvas.setStrokeGray(gray)
        self.canvas.setLineWidth(line * PT_PER_MM)
        path = self.canvas.beginPath()
        for a, b in zip(points[::2], points[1::2], strict=True):
            path.moveTo(a[0] * PT_PER_MM, a[1] * PT_PER_MM)
            path.lineTo(b[0] * PT_PER_MM, b[1] * PT_PER_MM)
        self.canvas.drawPath(path, stroke=1, fill=0)
        self.canvas.setStrokeGray(0)

    def ring(self, x: float, y: float, radius: float, line: float) -> None:
        self.canvas.setLineWidth(line * PT_PER_MM)
        self.canvas.circle(x * PT_PER_MM, y * PT_PER_MM, radius * PT_PER_MM, stroke=1, fill=0)


def _picture_page(pen: _Pen, sheet: PointSheet) -> None:
    top = PAGE_MM[1] - 14
    pen.text("Point count", LEFT_MM, top, size=6.5, bold=True)
    pen.text("Conteo de puntos", LEFT_MM + 52, top, size=4.5)
    pen.text(f"Card No. {sheet.serial:05d}", LEFT_MM + PICTURE_MM, top, size=3.6, anchor="right")
    name = sheet.photo_name if len(sheet.photo_name) < 80 else f"...{sheet.photo_name[-76:]}"
    pen.text(f"{name}, points {sheet.grid.spacing_mm:.1f} mm apart", LEFT_MM, top - 6.5, size=3.4)
    if sheet.rendered:
        pen.text(
            "RENDERED PHOTO: made by a computer, no real floor", LEFT_MM, top - 11.5, size=3.4, bold=True
        )
    y0 = top - 14 - PICTURE_MM
    pen.canvas.drawImage(
        ImageReader(io.BytesIO(sheet.jpeg)), LEFT_MM * PT_PER_MM, y0 * PT_PER_MM, PICTURE_MM * PT_PER_MM,
        PICTURE_MM * PT_PER_MM,
    )  # fmt: skip
    pen.box(LEFT_MM, y0, PICTURE_MM, PICTURE_MM, 0.5)
    scale = PICTURE_MM / (2 * sheet.half_mm)
    size = min(sheet.grid.spacing_mm * scale / 17, 1.0) ** 1.5
    for number, (x, y) in enumerate(sheet.grid.points_mm, start=1):
        at = LEFT_MM + (x + sheet.half_mm) * scale, y0 + (y + sheet.half_mm) * scale
        _cross(pen, at, str(number), size)
    radius = COARSE_MM / 2 * scale
    pen.ring(LEFT_MM + 7, y0 - 4 - radius, radius, 0.5)
    pen.text(
        f"{COARSE_MM:g} mm", LEFT_MM + radius + 1, y0 - 8 - 2 * radius, size=3.2, bold=True, anchor="centre"
    )
    below = pen.lines(HOW.format(coarse=COARSE_MM), LEFT_MM + 20, y0 - 6, width=PICTURE_MM - 20, size=3.4)
    pen.lines(HOW_SPANISH, LEFT_MM + 20, below - 1.5, width=PICTURE_MM - 20, size=3.1)


def _cross(pen: _Pen, at: tuple[float, float], number: str, size: float) -> None:
    """A cross open in its middle, black in a white rim, with its number: seen on dark and light stones alike.

    size: 1 for a grid of ten; less on denser ones, so that stones stay in sight.
    """
    x, y = at
    near, far = 0.7, 0.7 + 2.5 * size
    arms = [(x + s * r * u, y + s * r * v) for u, v in ((1, 0), (0, 1)) for s in (-1, 1) for r in (near, far)]
    pen.stroke(arms, 0.6 + 0.7 * size, gray=1.0)
    pen.stroke(arms, 0.2 + 0.25 * size)
    high = 1.2 + 1.2 * size
    width = text_width_mm(number, high, bold=True) + 0.8
    pen.canvas.setFillGray(1)
    pen.canvas.rect(
        (x + 0.9) * PT_PER_MM, (y + 0.9) * PT_PER_MM, width * PT_PER_MM, (high + 0.2) * PT_PER_MM, stroke=0, fill=1
    )  # fmt: skip
    pen.canvas.setFillGray(0)
    pen.text(number, x + 1.3, y + 0.9 + 0.2 * high, size=high, bold=True)


def _tally_page(pen: _Pen, sheet: PointSheet) -> None:
    grid = sheet.grid
    y = PAGE_MM[1] - 14
    pen.text("Write one of these in each box", LEFT_MM, y, size=5, bold=True)
    pen.text("Escriba uno de estos en cada casilla", LEFT_MM + 96, y, size=3.6)
    for k, (mark, letter, words, spanish) in enumerate(CHOICES):
        x, row = LEFT_MM + (k % 3) * 62, y - 8 - (k // 3) * 7
        of = "" if "edge" not in mark else ("coarse: " if mark.startswith("coarse") else "fine: ")
        pen.text(letter, x, row, size=4.2, bold=True)
        pen.text(f"{of}{words}", x + 9, row, size=3.2)
        pen.text(spanish, x + 9, row - 3.3, size=2.5)
    y -= 24
    width, height = PICTURE_MM / grid.cols, min(9.5, 104 / grid.rows)
    for k in range(grid.rows * grid.cols):
        x, row = LEFT_MM + (k % grid.cols) * width, y - (k // grid.cols + 1) * height
        pen.box(x, row, width, height)
        pen.text(str(k + 1), x + 0.7, row + height - 2.6, size=2.1)
    y -= grid.rows * height + 9
    _sums(pen, y)
    _interval_table(pen, sheet, y - 46)
    pen.text(
        "Counted by ______________________   Date ______________   Zone, spot ______________",
        LEFT_MM,
        9,
        size=3.4,
    )


def _sums(pen: _Pen, y: float) -> None:
    """Boxes for the six counts, and the two sums."""
    pen.text("Count the letters", LEFT_MM, y, size=4.2, bold=True)
    for k, (_, letter, _, _) in enumerate(CHOICES):
        pen.text(letter, LEFT_MM + 46 + k * 24, y, size=4, bold=True, anchor="right")
        pen.box(LEFT_MM + 47 + k * 24, y - 2.5, 14, 7.5)
    rows = (
        ("Points that count", "all boxes less the ?", "n ="),
        ("Coarse stone", "(C + half of C/) over n", "coarse ="),
        ("All stone", "(C + F + half of C/ and F/) over n", "visible ="),
    )
    for k, (what, how, sign) in enumerate(rows):
        row = y - 13 - 10 * k
        pen.text(what, LEFT_MM, row, size=3.8, bold=True)
        pen.text(how, LEFT_MM + 42, row, size=3.8)
        pen.text(sign, LEFT_MM + 134, row, size=4, bold=True, anchor="right")
        pen.box(LEFT_MM + 136, row - 2.5, 30, 7.5, 0.4)


def _interval_table(pen: _Pen, sheet: PointSheet, y: float) -> None:
    """Wilson's 90 % limits for this many points, by hits."""
    n = len(sheet.grid.points_mm)
    pen.text(f"How sure that is: 90 % limits for {n} points (Wilson)", LEFT_MM, y, size=4.2, bold=True)
    hits = [round(n * k / 20) for k in range(17)]
    width = (PICTURE_MM - 22) / len(hits)
    for k, name in enumerate(("stones", "share", "from", "to")):
        pen.text(name, LEFT_MM, y - 7 - 5 * k, size=3.2, bold=k == 0)
    for k, hit in enumerate(hits):
        low, high = wilson(hit, n)
        x = LEFT_MM + 22 + (k + 0.5) * width
        for row, text in enumerate((str(hit), f"{hit / n:.2f}", f"{low:.2f}", f"{high:.2f}")):
            pen.text(text, x, y - 7 - 5 * row, size=3.0, bold=row == 0, anchor="centre")
    pen.lines(
        f"The limits hold for the floor around the window only where the points, {sheet.grid.spacing_mm:.1f} mm apart, "
        "lie further apart than the largest stone: else neighbours share a stone, and the truth may lie outside more "
        "often. For this picture alone they are right or on the safe side. A fully cut floor shows at most about 0.45 "
        "of coarse stone.",
        LEFT_MM, y - 28, width=PICTURE_MM, size=3.2,
    )  # fmt: skip
