"""What a round of water drops tells: its time how porous the floor is, its shape whether something repels water.

The two are kept apart. A dense floor with nothing on it holds a drop for long, and a porous one with a little oil in it
drinks. What repels water is only told against a drop on a freshly abraded place beside it (the control). Nothing here
ever says that a floor is free of contamination.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from assessor.surface.drop_record import DropEntry, DropRecord, drops_needed
from assessor.surface.drop_values import PhotoDrop, PhotoShape

Porosity = Literal["porous", "dense", "cannot-tell"]
Shape = Literal["bead", "film", "cannot-tell"]
Repels = Literal["repels", "none-found", "cannot-tell"]

# ASTM F3191 as told in trade literature: absorbed in under a minute = porous.
LIMIT_S = 60.0


@dataclass(frozen=True, slots=True)
class VerdictSettings:
    """Widths about the minute, as ratios of time.

    hand_timing: a watch in the hand and the moment at which the shine goes (common practice, not measured).
    no_temperature: water of 5 degrees C flows 1.5 times as slowly as of 20 (viscosity 1.52 over 1.00 mPa s, from
    memory, verify), and a slab is rarely colder where floors are laid. no_volume: drops of 0.03 to 0.08 mL.
    """

    hand_timing: float = 1.1
    no_temperature: float = 1.5
    no_volume: float = 1.5
    coldest_c: float = 5.0
    warmest_c: float = 35.0


@dataclass(frozen=True, slots=True)
class DropVerdict:
    """What one drop tells.

    porosity by time alone, shape by eye and photo, repels against the control beside it (None for a control).
    Each has its reason in words; next_step: what to do.
    """

    spot: str
    control: bool
    porosity: Porosity
    porosity_why: str
    shape: Shape
    shape_why: str
    repels: Repels | None
    repels_why: str
    next_step: str
    odd: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DropsVerdict:
    """All drops, how many spots were tested and how many the standard asks for (None: area unknown), what to mind."""

    drops: tuple[DropVerdict, ...]
    spots: int
    needed: int | None
    count_words: str
    notes: tuple[str, ...]


def judge_drops(
    record: DropRecord,
    seen: Mapping[str, PhotoDrop] | None = None,
    *,
    area_m2: float | None = None,
    settings: VerdictSettings | None = None,
) -> DropsVerdict:
    """Judge a round of drops.

    seen: what the photos at the end show, by the drop's name; area_m2: over the record's own. ValueError unless over 0.
    """
    settings = settings or VerdictSettings()
    seen = seen or {}
    width = _width(record, settings)
    first = [_alone(drop, seen.get(drop.name), width) for drop in record.drop]
    controls = {one.spot: one for one in first if one.control}
    judged = tuple(one if one.control else _against(one, controls.get(one.spot)) for one in first)
    spots = len({drop.spot for drop in record.drop if not drop.control})
    needed, words = _count(spots, area_m2 if area_m2 is not None else record.floor_area_m2)
    return DropsVerdict(judged, spots, needed, words, _notes(record, judged, settings))


def _width(record: DropRecord, settings: VerdictSettings) -> tuple[float, float]:
    """Ratios by which a time must stay off the minute: when it was seen to end, and when it was watched in vain."""
    missing = 0.0
    temperature = record.temperature_c
    if temperature is None or not settings.coldest_c <= temperature <= settings.warmest_c:
        missing += math.log(settings.no_temperature) ** 2
    if record.drop_volume_ml is None:
        missing += math.log(settings.no_volume) ** 2
    hand = math.log(settings.hand_timing) ** 2
    return math.exp(math.sqrt(missing + hand)), math.exp(math.sqrt(missing))


def _alone(drop: DropEntry, photo: PhotoDrop | None, width: tuple[float, float]) -> DropVerdict:
    """What a drop tells by itself."""
    porosity, porosity_why = _porosity(drop, width)
    if photo is not None and photo.shape == "bead" and drop.seconds_to_absorb is not None:
        porosity = "cannot-tell"
        porosity_why = (
            f"the record says absorbed after {drop.seconds_to_absorb:g} s, but the photo shows it standing"
        )
    shape, shape_why = _shape(drop, photo)
    odd = tuple(_ODD[code] for code in drop.seen if code in _ODD)
    return DropVerdict(drop.spot, drop.control, porosity, porosity_why, shape, shape_why, None, "", "", odd)


_ODD = {"odd-shape": "an odd outline", "colour": "a colour in the water"}


def _porosity(drop: DropEntry, width: tuple[float, float]) -> tuple[Porosity, str]:
    ended, vain = LIMIT_S * width[0], LIMIT_S * width[1]
    if drop.seconds_to_absorb is not None:
        time_s = drop.seconds_to_absorb
        if time_s < LIMIT_S / width[0]:
            return "porous", f"absorbed after {time_s:g} s, under a minute"
        if time_s > ended:
            return "dense", f"absorbed only after {time_s:g} s, over a minute"
        return "cannot-tell", (
            f"absorbed after {time_s:g} s, too near the minute: told apart only under {LIMIT_S / width[0]:.0f} s"
            f" or over {ended:.0f} s here"
        )
    watched_s = drop.not_absorbed_after_s or 0.0
    if watched_s >= vain:
        return "dense", f"not absorbed after {watched_s:g} s"
    return "cannot-tell", f"watched for {watched_s:g} s only; {vain:.0f} s are needed here"


def _shape(drop: DropEntry, photo: PhotoDrop | None) -> tuple[Shape, str]:
    """The eye saw how it stood at first; the photo shows the end, when a bead may have spread or gone."""
    eye: Shape = "bead" if "bead" in drop.seen else "film" if "film" in drop.seen else "cannot-tell"
    shown: PhotoShape = photo.shape if photo is not None else "cannot-tell"
    if eye == "cannot-tell" and shown == "bead":
        return "bead", "the photo shows a standing bead"
    if eye == "cannot-tell" and shown == "flat":
        return "film", "the photo shows a flat wet patch or a damp mark"
    if eye == "cannot-tell":
        return "cannot-tell", "nobody noted bead or film" + _photo_why(photo)
    if eye == "film" and shown == "bead":
        return "cannot-tell", "the eye saw a film, the photo shows a bead"
    if eye == "bead" and shown == "flat":
        return "bead", "seen as a bead; by the time of the photo it had spread or gone in"
    both = ", and the photo agrees" if shown != "cannot-tell" else _photo_why(photo)
    return eye, f"seen as a {eye}{both}"


def _photo_why(photo: PhotoDrop | None) -> str:
    return "" if photo is None else f"; the photo can't tell ({photo.why})"


AGAIN = (
    "Degrease and rinse where water is allowed, take the place to bare concrete, test again, and once more after a day,"
    " since oil wicks back."
)
CONTROL = "Abrade a coin-sized place beside it, wipe the dust off, and put one drop on each."


def _against(one: DropVerdict, control: DropVerdict | None) -> DropVerdict:
    """A spot's drop against its control."""
    repels, why, step = _compare(one, control)
    if repels == "none-found" and one.odd:
        repels = "cannot-tell"
        why = f"it took water like the control, but with {' and '.join(one.odd)}: a hint of something on the floor"
        step = AGAIN
    return DropVerdict(
        one.spot, one.control, one.porosity, one.porosity_why, one.shape, one.shape_why, repels, why, step, one.odd
    )  # fmt: skip


def _compare(one: DropVerdict, control: DropVerdict | None) -> tuple[Repels, str, str]:
    if control is None:
        why = "there is no control drop, and dense concrete with nothing on it can hold a drop too"
        return "cannot-tell", why, CONTROL
    takes = control.shape == "film" or (control.shape != "bead" and control.porosity == "porous")
    stands = one.shape == "bead" and one.porosity != "porous"
    if stands and takes:
        why = (
            "it stands as a bead while the abraded place beside it takes the water: oil, grease, sealer or curing"
            " compound"
        )
        return "repels", why, AGAIN
    if control.shape == "bead":
        why = "the control stands as a bead too: not abraded deep enough, or what repels water goes deeper"
        return "cannot-tell", why, f"Abrade the control deeper and test again. {AGAIN}"
    if one.shape == "bead" and one.porosity == "porous":
        why = "it stood as a bead at first but went in within a minute"
        return "cannot-tell", why, f"Test again with a fresh control. {CONTROL}"
    if one.shape in ("bead", "cannot-tell") or not takes:
        if one.porosity == "dense" and control.porosity == "dense":
            why = "both drops stay: the concrete is dense, and what repels water doesn't show"
            return "cannot-tell", why, "Tell by another test: knife scratch, cloth wipe, or a pull-off test."
        why = "bead or film is not known of both drops"
        return "cannot-tell", why, "Test again and note bead or film for the drop and for its control."
    if one.porosity == "dense" and control.porosity == "porous":
        why = "it spread, but stays while the abraded place drinks: a sealed skin or only the dense trowelled one"
        return "cannot-tell", why, "Take the skin off there and test again."
    if one.porosity == "dense" and control.porosity == "dense":
        why = "both drops stay: the concrete is dense, and what repels water may not show"
        return "cannot-tell", why, "Tell by another test: knife scratch, cloth wipe, or a pull-off test."
    if "cannot-tell" in (one.porosity, control.porosity):
        why = "the times of the drop and of its control are not both known well enough"
        return "cannot-tell", why, "Test again and watch both until they have gone, or for two minutes."
    why = "the drop and its control took the water alike; much that spoils a bond does not show this way"
    return "none-found", why, "Go on with the other tests that the data sheet asks for."


def _count(spots: int, area_m2: float | None) -> tuple[int | None, str]:
    if area_m2 is None:
        return None, (
            f"{spots} {_spots(spots)} tested; how many are needed can't be told without the area (give --area-m2 or"
            " floor_area_m2)."
        )
    needed = drops_needed(area_m2)
    words = (
        f"{spots} {_spots(spots)} tested, {needed} needed for {area_m2:g} m2 (ASTM F3191 as told in trade literature: 3"
        " in the first 2,000 ft2, then one in each 3,000 ft2)"
    )
    if spots < needed:
        return needed, f"TOO FEW: {words}: {needed - spots} more."
    return needed, f"{words}."


def _spots(count: int) -> str:
    return "spot" if count == 1 else "spots"


def _notes(record: DropRecord, judged: tuple[DropVerdict, ...], settings: VerdictSettings) -> tuple[str, ...]:
    notes = []
    temperature = record.temperature_c
    if record.water_allowed is False:
        notes.append("The record says that the data sheet forbids water on this floor: no more drops here.")
    elif record.water_allowed is None:
        notes.append("The record doesn't say whether the data sheet allows water: look before the next drop.")
    if temperature is None:
        notes.append("Slab temperature not measured: times near the minute can't be told.")
    elif not settings.coldest_c <= temperature <= settings.warmest_c:
        notes.append(
            f"The slab has {temperature:.0f} degrees C, outside {settings.coldest_c:g} to {settings.warmest_c:g}:"
            " times near the minute can't be told."
        )
    if record.drop_volume_ml is None:
        notes.append("Drop volume not known: times near the minute and contact angles are wide.")
    without = [one.spot for one in judged if one.repels is not None and one.spot not in _controlled(judged)]
    if without:
        notes.append(f"No control drop at {', '.join(without)}: nothing is told there of what repels water.")
    alone = [spot for spot in record.spots if spot not in {one.spot for one in judged if not one.control}]
    if alone:
        notes.append(f"Only a control drop at {', '.join(alone)}: it counts as no test.")
    return tuple(notes)


def _controlled(judged: tuple[DropVerdict, ...]) -> set[str]:
    return {one.spot for one in judged if one.control}
