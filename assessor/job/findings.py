"""What an assessment or an overview found that may want rework, as plain findings with a place in words.

A finding is a suspicion with a place, never a fact: only a person at the floor knows. Nothing here decides what to do
(`rework` does), and no finding means no more than that nothing showed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from assessor.tables.loader import load_methods
from assessor.tables.rework import FindingCode
from assessor.values.overview import Overview, StripKind
from assessor.values.surface import FloorState, Patch, PatchKind, PatchLook

Call = Literal["chip", "rework", "shot"]
Position = tuple[float, float]
TAKE_AGAIN = "Take the spot again, as the guide shows"
CROSSED_PROCESS = "scarified"  # the only process whose passes are crossed (common practice)
# A shadow or a stone isn't a cause to work on: the test says whether it is one.
_CODES: dict[PatchKind, FindingCode] = {
    "oil": "oil", "damp": "damp", "coating": "coating", "adhesive": "adhesive", "rubber": "rubber", "dust": "dust",
    "laitance": "laitance", "shadow": "unknown", "aggregate": "unknown", "unknown": "unknown",
}  # fmt: skip
_STRIPS: dict[StripKind, FindingCode] = {
    "less-worked": "missed-strip", "lane-gap": "lane-gap", "worked-twice": "lane-overlap", "unclear": "cant-tell",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class FindingSettings:
    """From where on something is a finding; working values of ours."""

    one_way_strength: float = 0.5  # 1 - Str: below it the texture has no direction by `values.Direction`
    one_way_share: float = (
        0.25  # of a zone: its lower 90 % limit, over the 10 % that seeded floors without lines show
    )
    uneven: float = (
        0.2  # spread of texture between blocks: its lower 90 % limit, twice what an even floor scatters by
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found: code of the rework table, place in words, what was seen of it, and its weight (0-1).

    test: code of the separating test, where one comes first; tested: a person did it, and it is what the code says.
    """

    code: FindingCode
    where: str
    detail: str = ""
    weight: float = 1.0
    test: str = ""
    tested: bool = False


@dataclass(frozen=True, slots=True)
class PatchPlace:
    """A patch as the crew is shown it. at_mm: centre in the card's (overview: the origin's) frame; chance: of kind."""

    kind: PatchKind
    look: PatchLook
    at_mm: Position
    area_mm2: float
    chance: float
    test: str


@dataclass(frozen=True, slots=True)
class SpotFindings:
    """What one assessment says that matters for rework, in plain values.

    where: such as "zone 2, spot 7". call and chances: the verdict on the target range, None where there is none;
    why_not: then what to do about it. direction_strength: 1 - Str, None unknown. process: of the grade scale.
    stones_plausible: False where more stone was outlined than cut concrete can show.
    """

    where: str
    call: Call | None = None
    p_short: float = 0.0
    p_over: float = 0.0
    next_shot: str | None = None
    why_not: str | None = None
    patches: tuple[PatchPlace, ...] = ()
    direction_strength: float | None = None
    process: str | None = None
    stones_plausible: bool = True
    floor: FloorState = "not-told"


@dataclass(frozen=True, slots=True)
class StripPlace:
    """A strip of an overview, ends right and up in m."""

    kind: StripKind
    start_m: Position
    end_m: Position
    width_m: float


@dataclass(frozen=True, slots=True)
class GapPlace:
    """A part of a zone that no photo shows, right and up in m."""

    centre_m: Position
    size_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ZoneFindings:
    """What one overview says that matters for rework, in plain values.

    where: such as "zone 2". origin: the sheet that patches are placed from. corner_mm: the zone's lower left corner in
    that sheet's frame, None unknown. from_corner: whether strips, gaps and smoothest_m count from the zone's corner or,
    where its size was not given, from the origin's sheet. one_way: share worked one way with u, None where not told.
    texture_spread: between blocks, with u and what chance gives; None where not told. smoothest_m: the block with
    least texture.
    """

    where: str
    origin: str = ""
    corner_mm: Position | None = None
    from_corner: bool = False
    strips: tuple[StripPlace, ...] = ()
    gaps: tuple[GapPlace, ...] = ()
    patches: tuple[PatchPlace, ...] = ()
    one_way: tuple[float, float] | None = None
    crossing_matters: bool = False
    texture_spread: tuple[float, float, float] | None = None
    smoothest_m: Position | None = None


def findings_of_assessment(
    seen: SpotFindings, settings: FindingSettings | None = None
) -> tuple[Finding, ...]:
    """Return what the assessment of one spot found. Of a rough spot no second pass is asked, whatever its lines."""
    settings = settings or FindingSettings()
    found: list[Finding] = []
    over = False
    if seen.call == "rework":
        over = seen.p_over >= seen.p_short
        code: FindingCode = "over" if over else "short"
        chance = seen.p_over if over else seen.p_short
        found.append(Finding(code, seen.where, f"{_percent(chance)} likely", chance))
    elif seen.call == "shot":
        found.append(Finding("cant-tell", seen.where, seen.next_shot or TAKE_AGAIN))
    elif seen.call is None and seen.why_not:
        found.append(Finding("cant-tell", seen.where, seen.why_not))
    if not seen.stones_plausible:
        shot = "Vacuum up loose stone, take the spot again when it is dry, and count points on it"
        found.append(Finding("cant-tell", seen.where, shot))
    lines = seen.direction_strength is not None and seen.direction_strength > settings.one_way_strength
    if lines and seen.process == CROSSED_PROCESS and not over:
        found.append(Finding("one-direction", seen.where, "lines one way", seen.direction_strength or 1.0))
    if seen.floor in ("told-damp", "looks-damp"):
        told = seen.floor == "told-damp"
        found.append(
            Finding(
                "damp", seen.where, "the floor was told to be damp" if told else "looks damp", tested=told
            )
        )
    found += [_of_patch(patch, f"{seen.where}: {card_place(patch.at_mm)}") for patch in seen.patches]
    return tuple(found)


def findings_of_zone(seen: ZoneFindings, settings: FindingSettings | None = None) -> tuple[Finding, ...]:
    """Return what the overview of one zone found."""
    settings = settings or FindingSettings()
    found = []
    for strip in seen.strips:
        place = (
            f"{seen.where}: strip about {100 * strip.width_m:.0f} cm wide, from {_at(strip.start_m)} to"
            f" {_at(strip.end_m)}, {_start(seen.origin, corner=seen.from_corner)}"
        )
        code = _STRIPS[strip.kind]
        shot = (
            "Lay the window card on the strip and once beside it, and shoot both"
            if code == "cant-tell"
            else ""
        )
        found.append(Finding(code, place, shot))
    for gap in seen.gaps:
        wide, high = gap.size_m
        place = f"{seen.where}: {_place(gap.centre_m, seen)}, about {wide:.1f} x {high:.1f} m"
        found.append(
            Finding("cant-tell", place, "Take one more overview photo of the part that no photo shows")
        )
    if seen.crossing_matters and seen.one_way is not None:
        share, u = seen.one_way
        if share - 1.645 * u > settings.one_way_share:
            found.append(Finding("one-direction", seen.where, f"on about {_percent(share)} of it", share))
    if seen.texture_spread is not None:
        spread, u, chance = seen.texture_spread
        if spread - 1.645 * u > max(settings.uneven, 2 * chance):
            least = f", least texture {_place(seen.smoothest_m, seen)}" if seen.smoothest_m else ""
            detail = f"blocks differ by {_percent(spread)}{least}"
            found.append(Finding("uneven", seen.where, detail, min(spread, 1.0)))
    found += [_of_patch(patch, f"{seen.where}: {_patch_place(patch.at_mm, seen)}") for patch in seen.patches]
    return tuple(found)


def findings_of_overview(
    overview: Overview, where: str, *, process: str | None = None, settings: FindingSettings | None = None
) -> tuple[Finding, ...]:
    """Return what an overview found; process: of the grade scale, where the overview itself was not told it."""
    return findings_of_zone(zone_findings(overview, where, process=process), settings)


def findings_of_method(method: str, where: str) -> tuple[Finding, ...]:
    """Return that a method bruises the skin, where the table says so; nothing for an unknown method."""
    row = load_methods().get(method)
    if row is None or row.bruising != "yes":
        return ()
    return (Finding("bruised", where, f"after {row.name[0].lower()}{row.name[1:]}", tested=True),)


def zone_findings(overview: Overview, where: str, *, process: str | None = None) -> ZoneFindings:
    """Return the plain values of an overview that matter for rework."""
    lay, zone, spread = overview.lay, overview.zone, overview.evenness.contrast_spread
    known = spread.value is not None and spread.u is not None and spread.chance is not None
    corner = (zone.x_mm, zone.y_mm) if zone else (0.0, 0.0)

    def metres(at_mm: Position) -> Position:
        return (at_mm[0] - corner[0]) / 1000, (at_mm[1] - corner[1]) / 1000

    smoothest_mm = _smoothest(overview)
    return ZoneFindings(
        where=where,
        origin=overview.fit.origin,
        corner_mm=corner if zone else None,
        from_corner=zone is not None,
        strips=tuple(
            StripPlace(strip.kind, metres(strip.start_mm), metres(strip.end_mm), strip.width_m)
            for strip in overview.strips
        ),
        gaps=tuple(GapPlace(metres(gap.centre_mm), gap.size_m) for gap in overview.coverage.gaps),
        patches=tuple(patch_place(patch) for patch in (overview.patches.shown if overview.patches else ())),
        one_way=None if lay.one_way is None or lay.u_share is None else (lay.one_way, lay.u_share),
        crossing_matters=lay.matters if lay.matters is not None else process == CROSSED_PROCESS,
        texture_spread=(spread.value or 0.0, spread.u or 0.0, spread.chance or 0.0) if known else None,
        smoothest_m=metres(smoothest_mm) if smoothest_mm else None,
    )


def patch_place(patch: Patch) -> PatchPlace:
    """Return the plain values of a patch."""
    chance = patch.likely * patch.probability(patch.kind)
    return PatchPlace(patch.kind, patch.look, patch.centre_mm, patch.area_mm2, chance, patch.test)


def card_place(at_mm: Position) -> str:
    """Where on or beside the card, as one reads it: "about 30 cm left of the card's middle, 5 cm below"."""
    right, up = (round(value / 10) for value in at_mm)
    parts = [f"{abs(right)} cm {'right' if right > 0 else 'left'} of the card's middle"] if right else []
    if up:
        side = "above" if up > 0 else "below"
        parts.append(f"{abs(up)} cm {side}{'' if parts else ' the middle of the card'}")
    return f"about {', '.join(parts)}" if parts else "at the card's middle"


def _patch_place(at_mm: Position, seen: ZoneFindings) -> str:
    start = seen.corner_mm or (0.0, 0.0)
    at_m = (at_mm[0] - start[0]) / 1000, (at_mm[1] - start[1]) / 1000
    return _from(at_m, seen.origin, corner=seen.corner_mm is not None)


def _place(at_m: Position, seen: ZoneFindings) -> str:
    return _from(at_m, seen.origin, corner=seen.from_corner)


def _from(at_m: Position, origin: str, *, corner: bool) -> str:
    return f"{_at(at_m)}, {_start(origin, corner=corner)}"


def _at(at_m: Position) -> str:
    """Right and up in metres, or left and down."""
    x, y = (round(value, 1) for value in at_m)
    return f"{abs(x):.1f} m {'left' if x < 0 else 'right'} and {abs(y):.1f} m {'down' if y < 0 else 'up'}"


def _start(origin: str, *, corner: bool) -> str:
    if corner:
        return "seen from the zone's lower left corner"
    return (
        "seen from the middle of the card" if origin == "card" else f"seen from the middle of sheet {origin}"
    )


def _of_patch(patch: PatchPlace, where: str) -> Finding:
    code = _CODES[patch.kind]
    if code == "coating" and patch.look == "glossy":
        code = "film"
    size = f"{patch.area_mm2 / 100:.0f} cm²" if patch.area_mm2 < 1e5 else f"{patch.area_mm2 / 1e6:.1f} m²"
    likely = "" if code == "unknown" else f", {_percent(patch.chance)} likely"
    return Finding(code, where, f"about {size}{likely}", patch.chance, patch.test)


def _smoothest(overview: Overview) -> Position | None:
    even = overview.evenness
    if not np.isfinite(even.contrast).any():
        return None
    row, column = np.unravel_index(int(np.nanargmin(even.contrast)), even.contrast.shape)
    half = even.block_mm / 2
    return even.x_min_mm + column * even.block_mm + half, even.y_max_mm - row * even.block_mm - half


def _percent(share: float) -> str:
    """Never "100 %" or "0 %" of what is not sure."""
    return f"{min(max(round(100 * share), 1), 99)} %"
