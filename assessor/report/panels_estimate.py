"""The panels of a capture that was only estimated: the window as seen, and the interval against the scale's grades.

Same rules as `panels`: dark on white, no meaning that rests on colour alone. There is no height map here to draw.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle as Box

from assessor.card.layout import card_layout
from assessor.report.panels import HALO, INK, PALE, scale_bar, title
from assessor.report.schema import CaptureRecord, SuggestionRecord
from assessor.report.schema_base import QuantityRecord
from assessor.report.words import band_words, interval_words
from assessor.values import CardSighting, Lighting, Photo, U8Array

_WINDOW_PX_PER_MM = 6.0
_ARROW_MM = 16.0


def window_from_above(photo: Photo, sighting: CardSighting) -> U8Array:
    """The window of one photo as seen from straight above, top up; (H, W, 3) sRGB bytes at 6 px per mm."""
    window = card_layout().window
    step = 1.0 / _WINDOW_PX_PER_MM
    wide, high = window.x_max_mm - window.x_min_mm, window.y_max_mm - window.y_min_mm
    mm_from_out = np.array(
        [[step, 0, window.x_min_mm + step / 2], [0, -step, window.y_max_mm - step / 2], [0, 0, 1.0]]
    )
    return np.asarray(
        cv2.warpPerspective(
            photo.rgb_u8,
            np.asarray(sighting.px_from_mm) @ mm_from_out,
            (round(wide / step), round(high / step)),
            flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
        ),
        np.uint8,
    )


def draw_window(
    axes: Axes, photo: Photo, sighting: CardSighting, lighting: Lighting | None, *, name: str
) -> None:
    """The window with a scale bar, and arrows from where the light came."""
    window = card_layout().window
    extent = (window.x_min_mm, window.x_max_mm, window.y_min_mm, window.y_max_mm)
    axes.imshow(window_from_above(photo, sighting), extent=extent, interpolation="antialiased")
    lights = lighting.lights if lighting else ()
    for light in lights:
        turn = math.radians(light.azimuth_deg)
        x, y = math.cos(turn), math.sin(turn)
        out = 0.72 * window.x_max_mm
        axes.annotate(
            "", (x * (out - _ARROW_MM), y * (out - _ARROW_MM)), (x * out, y * out), annotation_clip=False,
            arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 2.5, "path_effects": HALO},
        )  # fmt: skip
        axes.text(
            x * (out + 6), y * (out + 4), "light", ha="center", va="center", fontsize=9, weight="bold",
            path_effects=HALO,
        )  # fmt: skip
    scale_bar(axes, extent)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_anchor("N")
    axes.set_xlabel(
        "as the photo shows it" if lights else "as the photo shows it; light not read", fontsize=8
    )
    title(axes, name)


def draw_interval(axes: Axes, quantity: QuantityRecord, suggestion: SuggestionRecord, *, number: int) -> None:
    """The estimated Sq with its 90 % interval on a log axis, over a middling floor of each grade."""
    marks = [(c.grade, c.typical_mm) for c in suggestion.chances if c.typical_mm]
    ends = [mm for _, mm in marks]
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    axes.set_yticks([])
    axes.set_ylim(0, 1)
    low, value, high = (float(v or math.nan) for v in (quantity.low90, quantity.value, quantity.high90))
    axes.set_xscale("log")
    axes.set_xlim(min([low, *ends]) / 1.35, max([high, *ends]) * 1.35)
    axes.add_patch(Box((low, 0.52), high - low, 0.22, fc=PALE, ec=INK, lw=1.6, hatch="////"))
    axes.plot([value, value], [0.48, 0.78], color=INK, lw=4, path_effects=HALO)
    axes.text(low, 0.63, f"{low:.2g} ", ha="right", va="center", fontsize=10, weight="bold")
    axes.text(high, 0.63, f" {high:.2g}", ha="left", va="center", fontsize=10, weight="bold")
    axes.text(value, 0.8, f"{value:.2g}", ha="center", va="bottom", fontsize=12, weight="bold")
    for grade, mm in marks:
        axes.plot([mm, mm], [0, 0.14], color=INK, lw=1.2)
        axes.text(mm, 0.16, str(grade), ha="center", va="bottom", fontsize=10)
    ticks = [
        v for v in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5) if axes.get_xlim()[0] < v < axes.get_xlim()[1]
    ]
    axes.set_xticks(ticks, [f"{v:g}" for v in ticks], fontsize=8)
    axes.set_xticks([], minor=True)
    below = "; figures over the line: CSP of a middling floor by the scale" if marks else ""
    axes.set_xlabel(f"Sq in mm, {band_words(quantity.band)}{below}", fontsize=8)
    title(axes, f"{number}  Estimated Sq; 90 % interval hatched ({interval_words(quantity)} mm)")


def window_names(record: CaptureRecord) -> list[str]:
    """A title for each window that is drawn: both of a pair, else the first."""
    estimate = record.estimate
    if estimate is not None and estimate.form == "pair":
        return ["2  Window, torch on one side", "3  Window, torch on another"]
    return ["2  Window"]
