"""Patches and aggregate as a foreman reads them. Nothing here ever says that a floor is clean."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from assessor.report.schema import CaptureRecord
from assessor.report.schema_base import QuantityRecord
from assessor.report.schema_surface import AggregateRecord, PatchRecord, SieveRecord, SurfaceRecord
from assessor.report.words import clock_words, decimals, percent
from assessor.values.surface import FloorState, PatchKind, PatchLook

# Silicones and many maintenance products can't be seen: domain.md section 6 (trade literature).
NOT_CLEAN = (
    "No patch seen does not mean clean: silicone, curing compound, wax, salt and thin oil often don't show in a"
    " photo."
)
NOTHING_SEEN = "NO PATCH SEEN. THAT IS NOT PROOF OF A CLEAN FLOOR."
LOW_PHOTO = (
    "one low photo toward the lamp or window: card in view, phone low, 50-60 degrees from straight down"
)
IMPLAUSIBLE = (
    "More than about 45 % coarse stone: cut concrete hardly ever shows that much. Check it by a point count, or look "
    "for loose gravel, a stone-like coating or a wet floor."
)
CAUSES: dict[PatchKind, str] = {
    "oil": "oil or grease",
    "damp": "damp",
    "coating": "sealer or old coating",
    "adhesive": "glue or mastic left",
    "rubber": "rubber marks",
    "dust": "dust or dried slurry",
    "laitance": "weak skin or salt bloom",
    "shadow": "only a shadow",
    "aggregate": "stone or a repair",
    "unknown": "something else",
}
SHORT: dict[PatchKind, str] = {
    "oil": "oil", "damp": "damp", "coating": "film", "adhesive": "glue", "rubber": "rubber", "dust": "dust",
    "laitance": "weak skin", "shadow": "shadow", "aggregate": "stone", "unknown": "something else",
}  # fmt: skip
LOOKS: dict[PatchLook, str] = {
    "dark": "dark patch",
    "light": "light patch",
    "glossy": "shiny patch",
    "coating": "patch like a coating",
}
FLOORS: dict[FloorState, str] = {
    "told-dry": "told to be dry",
    "told-damp": "told to be DAMP: what is said here is of a damp floor",
    "looks-damp": "LOOKS DAMP, which hides or imitates other patches; nobody told",
    "not-told": "nobody told whether it was dry",
}
Place = tuple[str, str]  # a capture, and what of it
Group = Literal["dark", "light", "film", "shadow"]
GROUPS: dict[Group, str] = {
    "dark": "darker than the floor",
    "light": "lighter than the floor",
    "film": "shine or film",
    "shadow": "perhaps only a shadow",
}
_CLOSE = 0.6  # a second cause this near the first is named beside it
_MAYBE = 0.2  # from here on a cause is worth a word on the picture
_LEAST = 0.05  # causes less likely than this are not worth a foreman's time


def group_of(patch: PatchRecord) -> Group:
    """Which hatch a patch gets on the picture."""
    if patch.kind == "shadow":
        return "shadow"
    return "film" if patch.look in {"glossy", "coating"} else "dark" if patch.look == "dark" else "light"


def ranked(patch: PatchRecord) -> list[tuple[PatchKind, float]]:
    """Causes by falling probability."""
    return sorted(patch.probabilities.items(), key=lambda cause: -cause[1])


def label_words(patch: PatchRecord) -> str:
    """Few words for the picture: "oil or damp?", "oil? damp?" where neither is clear, or "can't tell"."""
    if patch.kind == "unknown":
        maybe = [kind for kind, chance in ranked(patch) if kind != "unknown" and chance >= _MAYBE][:2]
        return " ".join(f"{SHORT[kind]}?" for kind in maybe) or "can't tell"
    first, second = ranked(patch)[:2]
    if second[1] >= _CLOSE * first[1] and second[0] != "unknown":
        return f"{SHORT[first[0]]} or {SHORT[second[0]]}?"
    return f"{SHORT[first[0]]}?"


def title_words(patch: PatchRecord) -> str:
    """Heading of a patch: "Dark patch, 9.4 cm²"."""
    look = LOOKS[patch.look]
    return f"{look[0].upper()}{look[1:]}, {size_words(patch)}"


def chance_words(probability: float) -> str:
    """ "likely", in the words that stand beside every number."""
    bounds = ((0.8, "very likely"), (0.5, "likely"), (0.2, "maybe"), (0.0, "hardly"))
    return next(words for least, words in bounds if probability >= least)


def causes_words(patch: PatchRecord) -> list[str]:
    """Likely causes with words and numbers, at most four: "oil or grease: likely (62 %)"."""
    told = [(kind, chance) for kind, chance in ranked(patch) if chance >= _LEAST][:4]
    return [f"{CAUSES[kind]}: {chance_words(chance)} ({percent(chance)})" for kind, chance in told]


def verdict_line(patch: PatchRecord) -> str:
    """One line: what it may be, or that nobody can tell from the photo."""
    first, second = ranked(patch)[:2]
    if patch.kind == "unknown":
        named = [kind for kind, chance in ranked(patch) if kind != "unknown" and chance >= _LEAST][:3]
        maybe = ", or ".join(CAUSES[kind] for kind in named)
        return f"Can't tell what it is from the photo{f': {maybe}' if maybe else ''}."
    line = f"Perhaps {CAUSES[first[0]]} ({percent(first[1])})"
    if second[1] >= _MAYBE:
        line += f", or {CAUSES[second[0]]} ({percent(second[1])})"
    return f"{line}."


def contrast_words(patch: PatchRecord) -> str:
    """How much darker or lighter it is, with the 90 % interval in reflectance."""
    middle = math.expm1(patch.contrast)
    low, high = sorted(abs(math.expm1(patch.contrast + side * 1.645 * patch.u_contrast)) for side in (-1, 1))
    if abs(patch.contrast) < max(0.05, 1.645 * patch.u_contrast):
        return "about as bright as the floor around"
    word = "darker" if middle < 0 else "lighter"
    return f"{100 * abs(middle):.0f} % {word} than the floor around ({100 * low:.0f} to {100 * high:.0f} %)"


def size_words(patch: PatchRecord) -> str:
    """Area with its 90 % interval: "9.4 ± 0.9 cm²"."""
    value, half = patch.area_mm2 / 100, 1.645 * patch.u_area_mm2 / 100
    digits = min(decimals(half), 1) if half > 0 else 1
    return f"{value:.{digits}f} ± {half:.{digits}f} cm²"


def place_words(patch: PatchRecord) -> str:
    """Where to look for it: distance and side, as on a clock's face laid on the sheet."""
    x, y = patch.centre_mm
    side = clock_words(math.degrees(math.atan2(y, x)) % 360.0)
    if patch.distance_mm < 5:
        return "reaches the card's centre"
    return (
        f"begins {patch.distance_mm / 10:.0f} cm from the card's centre, toward {side} (12 is the card's top)"
    )


def surface_words(record: CaptureRecord) -> str:
    """Patches in one line for a table of captures."""
    surface = record.surface
    if surface is None:
        return "patches: not looked at"
    shown = surface.shown
    if not shown:
        return "no patch seen (not proof of clean)"
    named = ", ".join(f"{patch.number} {label_words(patch)}" for patch in shown[:4])
    more = f", {len(shown) - 4} more" if len(shown) > 4 else ""
    return f"{len(shown)} {'patch' if len(shown) == 1 else 'patches'} to test: {named}{more}"


def fraction_words(quantity: QuantityRecord | None) -> str:
    """ "21 % (16 to 27 %)", "at most 5 %", or "can't tell"."""
    if quantity is None or quantity.value is None or quantity.high90 is None:
        return "can't tell"
    if quantity.bound == "upper":
        return f"at most {math.ceil(100 * quantity.high90 - 1e-9):.0f} %"
    if quantity.low90 is None:
        return f"{100 * quantity.value:.0f} %"
    return f"{100 * quantity.value:.0f} % ({100 * quantity.low90:.0f} to {100 * quantity.high90:.0f} %)"


def around_words(limits: tuple[float, float] | None) -> str:
    """What one window tells of the floor around it; "" where it tells nothing."""
    if limits is None or limits[1] - limits[0] > 0.98:
        return ""
    return f"{100 * limits[0]:.0f} to {100 * limits[1]:.0f} %"


def even_words(aggregate: AggregateRecord) -> str:
    """How even the stones are spread over the window."""
    if aggregate.uneven is None or aggregate.uneven_low90 is None or aggregate.uneven_high90 is None:
        return "How even: can't tell from so small a window."
    spread = f"between blocks of {aggregate.block_mm:.0f} mm the visible share"
    low, high = 100 * aggregate.uneven_low90, 100 * aggregate.uneven_high90
    if low <= 0.5:
        return (
            f"Even, as far as one window tells: {spread} differs as chance would (at most {high:.0f} points)."
        )
    middle = 100 * aggregate.uneven
    return f"Uneven: {spread} differs by {middle:.0f} points ({low:.0f} to {high:.0f}) beyond chance."


def sieve_words(row: SieveRecord) -> str:
    """ "38 % (30 to 47 %)"; of what surely passes or surely doesn't, plainly so."""
    if row.high90 - row.low90 < 0.005:
        return f"{100 * row.passing:.0f} %"
    return f"{100 * row.passing:.0f} % ({100 * row.low90:.0f} to {100 * row.high90:.0f} %)"


def gloss_line(surface: SurfaceRecord) -> str:
    """Whether a film's shine could have been seen; where not, the photo that would show it, as a request."""
    why = surface.gloss_why.rstrip(".")
    why = f"{why[:1].upper()}{why[1:]}."
    return f"SHINE LOOKED FOR. {why}" if surface.gloss == "judged" else f"SHINE: CAN'T TELL. {why}"


def actions(records: Sequence[CaptureRecord]) -> list[tuple[str, str, list[Place]]]:
    """What to do on the floor, by test, the most places first: its name, how, and where."""
    found: dict[str, tuple[str, str, list[Place]]] = {}
    for record in records:
        if record.surface is None:
            continue
        for patch in record.surface.shown:
            test = patch.test
            places = found.setdefault(test.code, (test.name, test.sentence, []))[2]
            places.append((record.capture, f"patch {patch.number} ({label_words(patch)})"))
        if record.surface.next_shot and not any(
            patch.test.code == "low-photo" for patch in record.surface.shown
        ):
            name, how = "Low photo toward the light", f"Take {record.surface.next_shot}."
            found.setdefault("low-photo", (name, how, []))[2].append((record.capture, "shine not judged"))
    return sorted(found.values(), key=lambda action: -len(action[2]))
