"""An overview as a foreman reads it. Nothing here ever says that a floor is clean, bare or even enough."""

from __future__ import annotations

import math

from assessor.report.schema_overview import GapRecord, OverviewRecord, SpreadRecord, StripRecord
from assessor.report.words import percent
from assessor.values.overview import StripKind

STRIPS: dict[StripKind, str] = {
    "less-worked": "worked less than beside it: look for old skin",
    "lane-gap": "gap between lanes: look for old skin",
    "worked-twice": "worked twice, or deeper: overlap of lanes",
    "unclear": "other colour, same texture: can't tell why",
}
SHORT_STRIPS: dict[StripKind, str] = {
    "less-worked": "worked less?", "lane-gap": "lane gap?", "worked-twice": "worked twice?", "unclear": "can't tell",
}  # fmt: skip
NO_STRIP = (
    "No strip stands out. That is not proof that every lane was worked alike: depth can't be seen from here."
)
NO_HEIGHT = (
    "Told by colour and texture from standing height. No height is measured here and no grade suggested: use the"
    " window card at spots for that."
)


def patches_words(record: OverviewRecord) -> str:
    """Patches in one line."""
    if record.surface is None:
        return "Patches: not looked for."
    n = len(record.surface.shown)
    if not n:
        return "NO PATCH SEEN. THAT IS NOT PROOF OF A CLEAN FLOOR."
    return f"{n} {'patch' if n == 1 else 'patches'} to test: none is proven."


def coverage_words(record: OverviewRecord) -> str:
    """What was seen, with the 90 % limits."""
    told = record.coverage
    half = 1.645 * told.u_covered_m2
    seen = f"{told.covered_m2:.1f} ± {half:.1f} m² seen"
    if told.share is None or told.u_share is None or told.zone_m2 is None:
        return f"{seen}. Share of the zone: can't tell without --zone-size."
    low, high = (max(min(told.share + side * 1.645 * told.u_share, 1.0), 0.0) for side in (-1, 1))
    # A share is never rounded up to all.
    share = f"{math.floor(100 * told.share + 1e-9):.0f} %" if told.gaps else percent(told.share)
    return f"{seen}: {share} of the zone's {told.zone_m2:.1f} m² ({100 * low:.0f} to {100 * high:.0f} %)."


def gap_words(gap: GapRecord) -> str:
    """Where a part lies that was not seen."""
    x, y = gap.centre_m
    wide, high = gap.size_m
    return (
        f"{gap.area_m2:.2f} m² about {x:.1f} m right and {y:.1f} m up from the zone's corner"
        f" ({wide:.1f} x {high:.1f} m): take one more photo there."
    )


def strip_words(strip: StripRecord) -> str:
    """A strip with place, size and what it may be."""
    (x0, y0), (x1, y1) = strip.start_m, strip.end_m
    size = (
        f"{strip.length_m:.1f} ± {1.645 * strip.u_length_m:.1f} m long,"
        f" {100 * strip.width_m:.0f} ± {max(164.5 * strip.u_width_m, 1):.0f} cm wide"
    )
    texture = math.expm1(strip.contrast)
    more = "more" if texture > 0 else "less"
    half = 1.645 * strip.u_contrast * math.exp(strip.contrast)
    return (
        f"{STRIPS[strip.kind][0].upper()}{STRIPS[strip.kind][1:]}. From {x0:.1f} m right, {y0:.1f} m up to {x1:.1f} m"
        f" right, {y1:.1f} m up; {size}; {100 * abs(texture):.0f} ± {100 * half:.0f} % {more} texture than beside it."
    )


def spread_words(spread: SpreadRecord, what: str) -> str:
    """How much blocks differ, or that it can't be told."""
    if spread.value is None or spread.u is None or spread.chance is None:
        return f"{what}: can't tell ({spread.why})."
    half = 1.645 * spread.u
    line = f"{what}: blocks differ by {100 * spread.value:.0f} ± {100 * half:.0f} % (standard deviation)"
    if spread.value - half <= spread.chance:
        return f"{line}, as an even floor would by chance."
    return f"{line}; an even floor would by {100 * spread.chance:.0f} %."


def lay_words(record: OverviewRecord) -> str:
    """One way or crossed, and whether that matters."""
    lay = record.lay
    if lay.one_way is None or lay.crossed is None or lay.none is None or lay.u_share is None:
        return f"Direction: can't tell ({lay.why})."
    half = 164.5 * lay.u_share
    shares = (
        f"lines one way on {100 * lay.one_way:.0f} %, both ways on {100 * lay.crossed:.0f} %, none seen on"
        f" {100 * lay.none:.0f} % of the floor (± {half:.0f})"
    )
    heads = {"one-way": "Worked one way", "crossed": "Crossed passes", "none": "No direction shows"}
    head = heads.get(lay.state, f"Direction: can't tell as a whole ({lay.why})")
    if lay.matters is None:
        tail = "Crossed passes matter after scarifying only; give --process to be told."
    elif not lay.matters:
        tail = "After this process it does not matter: crossed passes are asked for after scarifying only."
    elif lay.state == "one-way":
        tail = "After scarifying a second pass across is usual practice: ask who specified this zone."
    else:
        tail = "After scarifying crossed passes are usual practice."
    return f"{head}: {shares}. Lines that run toward the light are hidden. {tail}"


def headline(record: OverviewRecord) -> str:
    """One line for the terminal and the page's top."""
    worse = sum(strip.kind in ("less-worked", "lane-gap") for strip in record.strips)
    strips = (
        f"{worse} strip{'' if worse == 1 else 's'} worked less"
        if worse
        else "no strip seen that was worked less"
    )
    return f"{patches_words(record)} {strips[0].upper()}{strips[1:]}. {coverage_words(record)}"
