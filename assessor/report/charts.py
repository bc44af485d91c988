"""Small inline SVG charts for the pages: grade bars and the transfer curve; nothing is loaded."""

from __future__ import annotations

import math
from html import escape

from assessor.report.schema import SuggestionRecord
from assessor.report.schema_heights import TransferRecord
from assessor.report.words import percent

_HEAD = '<svg viewBox="0 0 {w} {h}" role="img" aria-label="{label}" xmlns="http://www.w3.org/2000/svg">'
_TEXT = '<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}">{text}</text>'
_LINE = '<path d="{path}" fill="none" stroke="#000" stroke-width="{width}"/>'


def grade_bars_svg(suggestion: SuggestionRecord) -> str:
    """Probability per grade: solid bars hold 90 %, hollow ones the rest; a bracket marks the target range."""
    chances = suggestion.chances
    pitch, base, tallest = 32.0, 110.0, 74.0
    width = pitch * len(chances)
    top = max(chance.probability for chance in chances) or 1.0
    named = suggestion.abstained_because is None
    parts = [_head(width, 132, "probability of each grade")]
    for k, chance in enumerate(chances):
        height = tallest * chance.probability / top
        x = k * pitch
        solid = named and chance.grade in suggestion.set90
        parts.append(
            f'<rect x="{x + 4:.1f}" y="{base - height:.1f}" width="{pitch - 8:.1f}" height="{height:.1f}" '
            f'fill="{"#000" if solid else "#fff"}" stroke="#000" stroke-width="1.5"/>'
        )
        if chance.probability >= 0.005:
            parts.append(_text(x + pitch / 2, base - height - 3, percent(chance.probability), size=10.5))
        parts.append(_text(x + pitch / 2, base + 17, str(chance.grade), size=17))
    if suggestion.verdict:
        places = {chance.grade: k for k, chance in enumerate(chances)}
        left = places[suggestion.verdict.low] * pitch + 2
        right = (places[suggestion.verdict.high] + 1) * pitch - 2
        parts.append(_LINE.format(path=f"M{left} 22V16H{right}V22", width=2.5))
        parts.append(_text((left + right) / 2, 12, "asked for", size=13))
    parts.append(_LINE.format(path=f"M0 {base}H{width}", width=1.5))
    return "".join([*parts, "</svg>"])


def transfer_svg(transfer: TransferRecord) -> str:
    """Amplitude passed against wavelength (log axis), with its standard uncertainty as a grey band."""
    left, right, top, bottom = 40.0, 350.0, 12.0, 150.0
    nodes = [
        (wavelength, amplitude, spread or 0.0)
        for wavelength, amplitude, spread in zip(
            transfer.wavelength_mm, transfer.amplitude, transfer.u_amplitude, strict=True
        )
        if amplitude is not None and wavelength > 0
    ]
    parts = [_head(360, 190, "share of the amplitude that is passed, by wavelength")]
    if len(nodes) < 2:
        return "".join([*parts, _text(180, 90, "not known", size=13), "</svg>"])
    low, high = math.log(nodes[0][0]), math.log(nodes[-1][0])
    highest = max(1.0, *(amplitude + spread for _, amplitude, spread in nodes))

    def at(wavelength: float, amplitude: float) -> str:
        x = left + (right - left) * (math.log(wavelength) - low) / (high - low)
        return f"{x:.1f} {bottom - (bottom - top) * max(amplitude, 0.0) / highest:.1f}"

    upper = [at(wavelength, amplitude + spread) for wavelength, amplitude, spread in nodes]
    lower = [at(wavelength, amplitude - spread) for wavelength, amplitude, spread in reversed(nodes)]
    parts.append(f'<path d="M{"L".join([*upper, *lower])}Z" fill="#ccc"/>')
    line = [at(wavelength, amplitude) for wavelength, amplitude, _ in nodes]
    parts.append(_LINE.format(path="M" + "L".join(line), width=2))
    for share in (0.0, 0.5, 1.0):
        y = bottom - (bottom - top) * share / highest
        parts.append(
            f'<path d="M{left} {y:.1f}H{right}" stroke="#888" stroke-width="0.6" stroke-dasharray="3 3"/>'
        )
        parts.append(_text(left - 5, y + 4, f"{100 * share:.0f} %", size=11, anchor="end"))
    for tick in (0.3, 0.5, 1, 2, 5, 10, 25):
        if low - 1e-9 <= math.log(tick) <= high + 1e-9:
            x = float(at(tick, 0).split()[0])
            parts.append(_LINE.format(path=f"M{x} {bottom}v4", width=1))
            parts.append(_text(x, bottom + 16, f"{tick:g}", size=11))
    parts.append(_LINE.format(path=f"M{left} {top}V{bottom}H{right}", width=1.2))
    parts.append(_text((left + right) / 2, bottom + 33, "wavelength, mm", size=11))
    return "".join([*parts, "</svg>"])


def _head(width: float, height: float, label: str) -> str:
    return _HEAD.format(w=f"{width:g}", h=f"{height:g}", label=escape(label))


def _text(x: float, y: float, text: str, *, size: float, anchor: str = "middle") -> str:
    return _TEXT.format(x=x, y=y, size=size, anchor=anchor, text=escape(text))
