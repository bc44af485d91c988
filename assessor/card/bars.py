"""Tape readings of the check bars to the scale of a print.

Printers scale a sheet by a few percent, not alike in both directions, and nothing in a photo can tell (a card
that is larger in every direction looks like one that is nearer). So a person lays a tape along both bars.
"""

from __future__ import annotations

from dataclasses import dataclass

from assessor.card.layout import card_layout
from assessor.errors import BadBars
from assessor.values import PrintScale


@dataclass(frozen=True, slots=True)
class BarSettings:
    """How well a person reads a tape, and what no printer does."""

    # Half-millimetre marks give 0.5 / sqrt(12) = 0.14 mm (JCGM 100:2008, 4.3.7); two ends set by eye, 0.14 mm
    # each, and the tape itself (0.2 mm, from memory, verify: class II) make 0.3 mm together.
    u_reading_mm: float = 0.3
    max_departure: float = 0.06  # printers scale 96-102 %; "fit to page" of the other paper stays within this


def scale_from_bars(along_mm: float, across_mm: float, *, settings: BarSettings | None = None) -> PrintScale:
    """Turn tape readings of both bars (mm, centre to centre of the end ticks) into the scale of the print.

    Raises BadBars where a reading cannot come from this card, e.g. swapped or in inches.
    """
    settings = settings or BarSettings()
    layout = card_layout()
    drawn = {"along": layout.bar_along.length_mm, "across": layout.bar_across.length_mm}
    read = {"along": along_mm, "across": across_mm}

    def fits(reading: float, length: float) -> bool:
        return abs(reading / length - 1) <= settings.max_departure

    if fits(along_mm, drawn["across"]) and fits(across_mm, drawn["along"]):
        raise BadBars("the bar readings look swapped: the first is the long bar, the second the short one")
    for name, reading in read.items():
        if not fits(reading, drawn[name]):
            hint = " (inches?)" if fits(reading * 25.4, drawn[name]) else ""
            low, high = (drawn[name] * (1 + sign * settings.max_departure) for sign in (-1, 1))
            raise BadBars(
                f"the bar {name} the sheet was read as {reading:g} mm{hint}, "
                f"possible is {low:.0f}-{high:.0f} mm"
            )
    return PrintScale(
        x=across_mm / drawn["across"],
        y=along_mm / drawn["along"],
        u_x=settings.u_reading_mm / across_mm,
        u_y=settings.u_reading_mm / along_mm,
        checked=True,
    )
