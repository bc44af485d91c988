"""Which preparation methods reach a target range, which reach part of it, and why the others don't.

The ranges are the method table's: weak evidence, from memory or common practice, and marked so. A choice from them is
a starting point for a mock-up, never a promise: the mock-up and the chip decide.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from assessor.tables.loader import (
    CHIPS,
    Caution,
    Edition,
    Grades,
    Mark,
    MethodRow,
    MethodTable,
    SystemRow,
    load_methods,
    load_systems,
)
from assessor.values import TargetRange

Fit = Literal["whole", "part", "none", "not-listed"]
# What a site can't have. bruising counts from "light", the others where the table calls them high, or a fuel engine.
Hazard = Literal["dust", "exhaust", "noise", "vibration", "bruising", "water"]
HAZARDS: tuple[Hazard, ...] = get_args(Hazard)
THIN_MM = 0.25  # 10 mil, the upper end of the thin-film class: too deep a profile shows through

_FITS: tuple[Fit, ...] = get_args(Fit)
_LEVELS = {"none": 0, "low": 1, "low with collector": 1, "light": 1, "high": 2, "yes": 2, "very high": 3}
_WET = {"no": 0, "can be": 0, "yes": 1}


@dataclass(frozen=True, slots=True)
class MethodsAsked:
    """What a method is wanted for. system: key of `tables/systems.toml`; avoid: what the place can't have.

    edges: an edge, corner, column, drain or joint, where large machines don't get.
    """

    target: TargetRange
    edition: Edition = "ten-chip"
    indoors: bool = False
    system: str | None = None
    avoid: tuple[Hazard, ...] = ()
    fresh: bool = False
    edges: bool = False


@dataclass(frozen=True, slots=True)
class MethodFit:
    """One method against a target range.

    fit: whether it reaches the whole range, part of it, none, or that edition's table doesn't list it. covers: the part
    of the range it reaches. usable: it reaches some of the range and nothing bars it. why_not: why it can't be used;
    mind: what to know before it is chosen, the unmet part first. reach_mark: how far its range can be trusted.
    """

    row: MethodRow
    fit: Fit
    usable: bool
    reach: Grades | None
    reach_mark: Mark
    covers: Grades | None
    why_not: tuple[str, ...]
    mind: tuple[str, ...]
    cautions: tuple[Caution, ...]

    @property
    def key(self) -> str:
        """The method's key."""
        return self.row.key


def choose_methods(
    target: TargetRange,
    edition: Edition,
    *,
    indoors: bool,
    system: str | None = None,
    avoid: Collection[Hazard] = (),
    fresh: bool = False,
    edges: bool = False,
) -> tuple[MethodFit, ...]:
    """Judge every method of the table: the usable ones first, whole before part, gentle before harsh.

    system: key of the table of systems; avoid: hazards the place can't have; fresh: the concrete hasn't hardened;
    edges: an edge, corner, column, drain or joint.
    Raises ValueError for a range outside the edition's scale, KeyError for an unknown system.
    """
    check_target(target, edition)
    asked = MethodsAsked(target, edition, indoors, system, tuple(avoid), fresh, edges)
    placed = system_row(system)
    table = load_methods()
    fits = [_judge(row, asked, placed, table) for row in table.method]
    return tuple(sorted(fits, key=lambda fit: _order(fit, target)))


def check_target(target: TargetRange, edition: Edition) -> None:
    """Raise ValueError where a range leaves the edition's scale."""
    if not 1 <= target.low <= target.high <= CHIPS[edition]:
        raise ValueError(f"the {edition} scale runs from CSP 1 to {CHIPS[edition]}, not {target}")


def system_row(key: str | None) -> SystemRow | None:
    """Return the system of that key, None for None; KeyError if unknown."""
    if key is None:
        return None
    for row in load_systems().system:
        if row.key == key:
            return row
    raise KeyError(key)


def is_thin(system: SystemRow | None) -> bool:
    """Whether it goes down so thin (at most 0.25 mm) that too deep a profile shows through."""
    return system is not None and system.thickness_high_mm is not None and system.thickness_high_mm <= THIN_MM


def barred(
    row: MethodRow, *, indoors: bool, avoid: Collection[Hazard], fresh: bool = False, edges: bool = False
) -> tuple[str, ...]:
    """Why a method can't be used in a place, whatever it reaches; empty where nothing bars it."""
    why = []
    if indoors and row.indoors == "no":
        why.append("Not indoors: its dust, exhaust and noise can't be kept under control there.")
    if row.on == "fresh" and not fresh:
        why.append("Only on fresh concrete, and this has hardened.")
    if row.on == "hardened" and fresh:
        why.append("Not on fresh concrete.")
    if edges and not row.edges:
        why.append("Too large for edges, corners, columns, drains and joints.")
    levels = {"dust": row.dust, "noise": row.noise, "vibration": row.vibration}
    for hazard, level in levels.items():
        if hazard in avoid and _LEVELS[level] >= 2:
            why.append(f"Its {hazard} is {level}, which this place can't have.")
    if "exhaust" in avoid and row.exhaust == "yes":
        why.append("It gives off exhaust, which this place can't have.")
    if "bruising" in avoid and row.bruising != "none":
        lightly = " lightly" if row.bruising == "light" else ""
        why.append(f"It can bruise the skin of the concrete{lightly}, which this floor can't have.")
    if "water" in avoid and row.wet == "yes":
        why.append("It wets the floor, which this place can't have.")
    return tuple(why)


def usable(fits: Sequence[MethodFit]) -> tuple[MethodFit, ...]:
    """Those that reach some of the range and that nothing bars."""
    return tuple(fit for fit in fits if fit.usable)


def _judge(row: MethodRow, asked: MethodsAsked, system: SystemRow | None, table: MethodTable) -> MethodFit:
    target, reach = asked.target, row.reach(asked.edition)
    covers = _overlap(reach, target)
    fit: Fit = "not-listed" if reach is None else "none" if covers is None else "part"
    if covers == (target.low, target.high):
        fit = "whole"
    why = [] if covers else [_unreached(reach, asked)]
    why += barred(row, indoors=asked.indoors, avoid=asked.avoid, fresh=asked.fresh, edges=asked.edges)
    mind = _mind(row, reach, covers, asked)
    if is_thin(system) and reach is not None and reach[1] > target.high and covers:
        mind.append(
            "Too deep under a thin film can't be ground back: that wants a fill coat or the maker's word."
        )
    return MethodFit(
        row=row,
        fit=fit,
        usable=not why,
        reach=reach,
        reach_mark=row.reach_mark(asked.edition),
        covers=covers,
        why_not=tuple(why),
        mind=tuple(mind),
        cautions=table.caution_rows((*row.cautions, "machines-stopped")),
    )


def _overlap(reach: Grades | None, target: TargetRange) -> Grades | None:
    if reach is None:
        return None
    low, high = max(reach[0], target.low), min(reach[1], target.high)
    return (low, high) if low <= high else None


def _unreached(reach: Grades | None, asked: MethodsAsked) -> str:
    if reach is None:
        return f"The table for the {asked.edition} set doesn't list it."
    if reach[1] < asked.target.low:
        return f"Too gentle: it reaches CSP {reach[1]} at most."
    return f"Too rough: its lightest work leaves about CSP {reach[0]}."


def _mind(row: MethodRow, reach: Grades | None, covers: Grades | None, asked: MethodsAsked) -> list[str]:
    target = asked.target
    told = []
    if reach and covers and covers != (target.low, target.high):
        unmet = [
            csp((target.low, covers[0] - 1)) if covers[0] > target.low else "",
            csp((covers[1] + 1, target.high)) if covers[1] < target.high else "",
        ]
        missing = " and ".join(part for part in unmet if part)
        told.append(f"Meets only part of the range: {csp(covers)}. Out of its reach: {missing}.")
    if reach and covers and reach[1] > target.high:
        told.append(f"Can cut deeper than CSP {target.high}: begin with its lightest setting, on a mock-up.")
    if asked.indoors and row.indoors == "with controls":
        told.append("Indoors only with dust, fumes, water and noise under control.")
    if asked.indoors and row.exhaust in ("depends on drive", "many are petrol-driven: those not indoors"):
        told.append("Indoors with an electric machine only.")
    if row.bruising == "yes":
        told.append(
            "Bruises the skin: plan shot or water blasting and a pull-off after it, before a bonded layer."
        )
    if row.bruising == "light":
        told.append("May bruise the skin lightly: have a pull-off made before a bonded layer.")
    return told


def csp(grades: Grades) -> str:
    """ "CSP 3-5", or "CSP 3" for one grade."""
    low, high = grades
    return f"CSP {low}" if low == high else f"CSP {low}-{high}"


def _order(fit: MethodFit, target: TargetRange) -> tuple[int, ...]:
    """Usable first, whole before part, then the most of the range; then what harms least and overshoots least."""
    row = fit.row
    covered = fit.covers[1] - fit.covers[0] + 1 if fit.covers else 0
    overshoot = max(fit.reach[1] - target.high, 0) if fit.reach else 0
    acid = 5 if "acid" in row.cautions else 0
    harm = _LEVELS[row.dust] + _LEVELS[row.noise] + _LEVELS[row.vibration] + _WET[row.wet] + acid
    return (not fit.usable, _FITS.index(fit.fit), -covered, _LEVELS[row.bruising], harm, overshoot)
