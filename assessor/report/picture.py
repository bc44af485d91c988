"""One page per capture that shows why: photo, heights, a line across, grade bars, numbers, what to mind.

Matplotlib by its object interface (no pyplot, no rc settings): nothing global is touched, so worker processes
and threads can draw side by side.
"""

from __future__ import annotations

import io
import textwrap
from typing import Any

import cv2
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle as Box

from assessor.report.panels import (
    INK,
    direction_arrow,
    draw_grades,
    draw_map,
    draw_photo,
    draw_profile,
    middle_profile,
    outlined_photo,
    printable,
    title,
)
from assessor.report.panels_estimate import draw_interval, draw_window, window_names
from assessor.report.panels_torch import (
    draw_albedo,
    draw_torches,
    heights_label,
    in_band,
    shown_band,
)
from assessor.report.schema import CaptureRecord, SuggestionRecord
from assessor.report.words import (
    INTERVAL_NOTE,
    NAMES,
    NOTICE,
    band_words,
    call_words,
    direction_words,
    estimate_words,
    headline,
    interval_words,
    is_placed,
    is_silent,
    light_words,
    origin_words,
    quantity_words,
    scale_words,
    torch_words,
)
from assessor.report.words_surface import surface_words
from assessor.values import CaptureResult, HeightMap

WIDTH_PX, HEIGHT_PX, DPI = 1600, 2260, 200
_SHOWN = ("Sq", "Sa", "Sz", "MPD", "ETD")
# Few lines fit: what makes a torch's numbers doubtful goes before what is usual.
_MIND_FIRST = {
    "not-confirmed",
    "kinds-disagree",
    "torch-steep",
    "torch-uneven",
    "torch-weak",
    "no-dark-photo",
}
_FINE, _COARSE = ("Sq", "Sa", "Sdq", "contrast"), ("Sq", "MPD")


def draw_picture(result: CaptureResult, record: CaptureRecord) -> bytes:
    """Draw the page of an assessed capture and return it as PNG, 1600 x 2260 pixels.

    `record` is the stored form of the same result: every word comes from there, every curve from `result`.
    """
    if record.suggestion is None or record.texture is None:
        raise ValueError("only an assessed capture has a picture")
    figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    _banner(figure, record, record.suggestion)
    heights = result.heights
    if heights is None:
        _estimate_panels(figure, result, record, record.suggestion)
        _estimate_numbers(figure, record)
    elif result.slopes is not None and result.torches is not None and result.torches.lights:
        _torch_panels(figure, result, heights, record)
        _numbers(figure, record)
    else:
        _panels(figure, result, heights, record)
        _numbers(figure, record)
    _remarks(figure, record)
    out = io.BytesIO()
    software = {"Software": f"assessor {record.assessor_version}"}
    figure.savefig(out, format="png", dpi=DPI, metadata=software, pil_kwargs={"compress_level": 4})
    return out.getvalue()


def _panels(figure: Figure, result: CaptureResult, heights: HeightMap, record: CaptureRecord) -> None:
    """Photo and heights side by side, the line across, the grades."""
    draw_photo(_axes(figure, 0.03, 0.545, 0.44, 0.265), result)
    band = shown_band(record)
    level = in_band(heights, band)
    lay_deg = _lay_deg(record)
    profile = middle_profile(heights, level, lay_deg)
    map_axes, bar_axes = _axes(figure, 0.495, 0.545, 0.375, 0.265), _axes(figure, 0.885, 0.56, 0.02, 0.235)
    label = heights_label(band)
    draw_map(map_axes, bar_axes, heights, level, profile, label=label, name="2  Heights in the window")
    if lay_deg is not None:
        direction_arrow(map_axes, lay_deg)
    draw_profile(_axes(figure, 0.085, 0.405, 0.885, 0.095), profile)
    _grades(figure, record, number=4)


def _torch_panels(figure: Figure, result: CaptureResult, heights: HeightMap, record: CaptureRecord) -> None:
    """Where the torch stood, colour and heights side by side, the line across with its noise, the grades."""
    slopes, torches = result.slopes, result.torches
    if slopes is None or torches is None:
        raise ValueError("a torch's panels need its slopes and its places")
    draw_torches(_axes(figure, 0.03, 0.608, 0.265, 0.188), result, torches)
    _text(figure, 0.03, 0.592, _wrap(torch_words(record), 46), size=8)
    draw_albedo(_axes(figure, 0.315, 0.601, 0.275, 0.202), slopes)
    band = shown_band(record)
    level = in_band(heights, band)
    lay_deg = _lay_deg(record)
    profile = middle_profile(heights, level, lay_deg)
    map_axes, bar_axes = _axes(figure, 0.615, 0.601, 0.275, 0.202), _axes(figure, 0.902, 0.61, 0.017, 0.185)
    in_mm = is_placed(record)
    label = heights_label(band, in_mm=in_mm)
    draw_map(map_axes, bar_axes, heights, level, profile, label=label, name="3  Heights in the window")
    if lay_deg is not None:
        direction_arrow(map_axes, lay_deg)
    noise_mm = record.texture.noise_floor_mm if record.texture else None
    line_axes = _axes(figure, 0.085, 0.405, 0.885, 0.118)
    draw_profile(line_axes, profile, number=4, noise_mm=noise_mm)
    if not in_mm:
        bar_axes.set_yticks([])
        line_axes.set_yticks([])
        line_axes.set_ylabel("relief, no scale", fontsize=8)
        title(line_axes, "4  One line across (no scale of height)")
    _grades(figure, record, number=5)


def _grades(figure: Figure, record: CaptureRecord, *, number: int) -> None:
    if record.suggestion is not None:
        draw_grades(_axes(figure, 0.03, 0.158, 0.44, 0.192), record.suggestion, number=number)


def _estimate_panels(
    figure: Figure, result: CaptureResult, record: CaptureRecord, suggestion: SuggestionRecord
) -> None:
    """The photo, its window (of a pair both), the interval against the scale, the grades."""
    names = window_names(record)
    if len(names) == 1:
        places = [(0.03, 0.522, 0.44, 0.25), (0.495, 0.522, 0.44, 0.25)]
    else:
        places = [(0.03, 0.53, 0.3, 0.235), (0.35, 0.53, 0.3, 0.235), (0.67, 0.53, 0.3, 0.235)]
    photo_axes = _axes(figure, *places[0])
    draw_photo(photo_axes, result)
    photo_axes.set_anchor("N")
    if len(names) > 1:
        title(photo_axes, "1  First photo")
    photo_axes.set_xlabel("lines: the print found, and its window", fontsize=8)
    lightings = result.lightings or (None,) * len(result.photos)
    shown = zip(names, places[1:], result.photos, result.sightings, lightings, strict=False)
    for name, place, photo, sighting, lighting in shown:
        draw_window(_axes(figure, *place), photo, sighting, lighting, name=name)
    number = len(names) + 2
    quantity = record.estimated("Sq")
    if quantity is None:
        _text(figure, 0.03, 0.475, "No number. What to do next:", size=14, weight="bold")
        _text(
            figure, 0.03, 0.445, _wrap(suggestion.narrows or suggestion.abstained_because or "", 84), size=11
        )
        return
    draw_interval(_axes(figure, 0.03, 0.408, 0.94, 0.075), quantity, suggestion, number=number)
    _grades(figure, record, number=number + 1)


def _lay_deg(record: CaptureRecord) -> float | None:
    return record.texture.direction.lay_deg if record.texture else None


def thumbnail(result: CaptureResult, width_px: int = 480) -> bytes:
    """The first photo with the card's outline as a small JPEG."""
    rgb = outlined_photo(result, width_px)
    good, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 80])
    if not good:
        raise RuntimeError("OpenCV could not write a JPEG")
    return data.tobytes()


def _axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    return figure.add_axes((left, bottom, width, height))


def _banner(figure: Figure, record: CaptureRecord, suggestion: SuggestionRecord) -> None:
    """Black strip with the notice, then the capture, the suggestion and the call."""
    strip = _axes(figure, 0, 0.962, 1, 0.038)
    strip.set_facecolor(INK)
    strip.set_xticks([])
    strip.set_yticks([])
    white: dict[str, Any] = {"color": "white", "va": "center", "transform": strip.transAxes}
    strip.text(0.03, 0.5, NOTICE, fontsize=12, weight="bold", **white)
    strip.text(0.97, 0.5, f"scale: {record.scale.origin}", fontsize=12, weight="bold", ha="right", **white)
    top = 0.94
    if loud := estimate_words(record):
        _loud(figure, loud)
        top -= 0.034
    _text(figure, 0.03, top, _fit(record.capture, 38), size=12)
    if origin := origin_words(record):
        box = {"boxstyle": "square,pad=0.35", "fc": "white", "ec": INK, "lw": 2.5}
        figure.text(0.97, top, origin, ha="right", va="top", fontsize=10, weight="bold", bbox=box)
    line, size = _wrap(headline(record), 56), 16
    if "\n" in line:
        line, size = _wrap(headline(record), 56 if not loud else 80), 12
    _text(figure, 0.03, top - 0.028, line, size=size, weight="bold")
    low = 0.85 if not loud else 0.813
    if suggestion.verdict:
        call, said = call_words(record), suggestion.verdict.sentence
        if loud and suggestion.verdict.next_shot:  # it is long, and stands below
            said = said.replace(f" {suggestion.verdict.next_shot}", "")
        long = len(call) > 22
        box = {"boxstyle": "square,pad=0.3", "fc": INK, "ec": INK}
        size = 10 if long else 12
        figure.text(0.037, low, call, color="white", fontsize=size, weight="bold", va="center", bbox=box)
        left = 0.43 if long else 0.31
        _text(figure, left, low, _wrap(said, round(136 * (1 - left))), size=8, va="center")
    else:
        _text(figure, 0.03, low, scale_words(record.scale), size=9, va="center")


def _loud(figure: Figure, words: str) -> None:
    """A barred box over the whole width, so that nobody takes an estimate for a measurement."""
    strip = _axes(figure, 0.03, 0.918, 0.94, 0.036)
    strip.set_xticks([])
    strip.set_yticks([])
    strip.set_facecolor("white")
    for spine in strip.spines.values():
        spine.set_linewidth(2.5)
    for left in (0.0, 0.96):
        strip.add_patch(
            Box((left, 0), 0.04, 1, transform=strip.transAxes, fc="white", ec=INK, lw=0, hatch="////")
        )
    size = min(17.0, 17 * 38 / len(words))  # as much as fits between the bars
    strip.text(
        0.5, 0.48, words, fontsize=size, weight="bold", ha="center", va="center", transform=strip.transAxes
    )


def _numbers(figure: Figure, record: CaptureRecord) -> None:
    """The last panel: the numbers with their interval and band, those of the torch's fine band first."""
    texture = record.texture
    if texture is None:
        return
    heading = "6  Numbers" if record.slopes else "5  Numbers"
    if record.slopes and not record.slopes.confirmed:
        heading += f": NOT CONFIRMED ({record.slopes.n_lights} torches)"
    _text(figure, 0.51, 0.355, heading, size=10, weight="bold", va="bottom")
    y = 0.344
    shown = [(name, record.quantity(name)) for name in (_COARSE if record.slopes else _SHOWN)]
    fine = [(name, record.fine(name)) for name in _FINE if record.slopes]
    for name, quantity in (*fine, *shown):
        if quantity is None:
            continue
        _text(figure, 0.51, y, name, size=12 if len(name) < 5 else 8, weight="bold")
        _text(figure, 0.575, y, quantity_words(quantity), size=11 if fine else 12)
        _text(figure, 0.79, y, f"{NAMES[name]}\n{band_words(quantity.band)}", size=7)
        y -= 0.025
    lines = [
        f"{INTERVAL_NOTE}; only numbers of the same band compare",
        f"noise floor (Sq): {_mm(texture.noise_floor_mm)} in {band_words(texture.noise_band)}",
        f"measured: {100 * texture.valid_fraction:.0f} % of the window",
        f"texture {direction_words(record)}",
        f"print {'checked' if record.print.checked else 'NOT checked'} with a tape",
        _wrap(scale_words(record.scale), 60),
    ]
    _text(figure, 0.51, y - 0.004, "\n".join(lines), size=8)


def _estimate_numbers(figure: Figure, record: CaptureRecord) -> None:
    """The last panel of an estimate: its one number and what it rests on."""
    texture, estimate, quantity = record.texture, record.estimate, record.estimated("Sq")
    if texture is None or estimate is None:
        return
    _text(figure, 0.51, 0.355, "Numbers: NOTHING WAS MEASURED", size=10, weight="bold", va="bottom")
    y = 0.344
    if quantity is not None and quantity.value is not None:
        _text(figure, 0.51, y, f"Sq about {quantity.value:.2g} mm", size=13, weight="bold")
        _text(
            figure,
            0.51,
            y - 0.02,
            f"90 %: {interval_words(quantity)} mm, in {band_words(quantity.band)}",
            size=10,
        )
        y -= 0.044
    lines = [
        f"model {estimate.model}: learned from simulated floors",
        f"light: {light_words(record)}",
        *(() if quantity is None else (f"texture {direction_words(record)}",)),
        f"print {'checked' if record.print.checked else 'NOT checked'} with a tape",
        scale_words(record.scale),
    ]
    wrapped = "\n".join(_wrap(line, 60) for line in lines)
    _text(figure, 0.51, y, wrapped, size=8)


def _remarks(figure: Figure, record: CaptureRecord) -> None:
    """Bottom: what to mind and what to do next, as many lines as fit; the page has all of them."""
    flags = sorted(record.flags, key=lambda flag: flag.code not in _MIND_FIRST)
    remarks = [f"{flag.sentence} To do: {flag.remedy}." for flag in flags if flag.code != "scale-prior"]
    remarks += [f"Not used: {refusal.sentence}" for refusal in record.refused]
    suggestion = record.suggestion
    if suggestion and not is_silent(record):  # a silent one shows what to do next in large type
        shot = suggestion.verdict.next_shot if suggestion.verdict else None
        first = [shot, suggestion.narrows if suggestion.narrows != shot else None]
        remarks = [f"Next: {line}" for line in (*first, record.better_kind) if line] + remarks
    if record.surface:
        shine = "; shine: can't tell, take a low photo" if record.surface.next_shot else ""
        remarks.insert(0, f"Clean and bare: {surface_words(record)}{shine}.")
    lines = [line for remark in remarks for line in textwrap.wrap(f"- {remark}", 124, subsequent_indent="  ")]
    if len(lines) > 6:
        lines = [*lines[:5], "- more: see the page of this capture"]
    _text(figure, 0.03, 0.118, "To mind", size=10, weight="bold")
    _text(figure, 0.03, 0.102, "\n".join(lines) or "- nothing", size=8)
    foot = f"assessor {record.assessor_version}, {record.assessed_at_utc}, record {record.key[:12]}"
    figure.text(0.97, 0.006, foot, fontsize=6, ha="right", va="bottom")


def _text(
    figure: Figure, x: float, y: float, text: str, *, size: float, weight: str = "normal", va: str = "top"
) -> None:
    """Plain text at a place in figure coordinates."""
    figure.text(
        x, y, printable(text), fontsize=size, weight=weight, va=va, linespacing=1.35, parse_math=False
    )


def _mm(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2g} mm"


def _wrap(text: str, width: int) -> str:
    return "\n".join(textwrap.wrap(text, width))


def _fit(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 3] + "..."
