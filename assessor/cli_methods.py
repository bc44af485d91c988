"""The command `methods`: which preparation methods reach a range."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from assessor.asked import shipped_scales
from assessor.errors import BadRange, SettingUnknown
from assessor.grading.ranges import parse_range
from assessor.job.choose import HAZARDS, Hazard, MethodsAsked, choose_methods, system_row
from assessor.report.show_methods import methods_answer, methods_json, methods_lines
from assessor.tables.loader import load_systems
from assessor.values import TargetRange

EditionName = Literal["ten-chip", "nine-chip"]


def methods(  # noqa: PLR0913 - one parameter per option
    *,
    target_range: Annotated[
        str | None,
        typer.Option("--range", help="Grades the data sheet asks for, such as 3-5.", show_default=False),
    ] = None,
    indoors: Annotated[
        bool,
        typer.Option("--indoors/--outdoors", help="Where the floor is; some methods aren't for indoors."),
    ] = True,
    edition: Annotated[
        EditionName, typer.Option(help="Chip set: ten-chip (2013) or nine-chip (1997); they differ.")
    ] = "ten-chip",
    system: Annotated[
        str | None,
        typer.Option(
            help="What goes on the floor, such as thin-film; without --range its default range is used."
        ),
    ] = None,
    avoid: Annotated[
        str, typer.Option(help=f"What this place can't have, with commas between: {', '.join(HAZARDS)}.")
    ] = "",
    fresh: Annotated[bool, typer.Option("--fresh", help="The concrete hasn't hardened yet.")] = False,
    edges: Annotated[
        bool, typer.Option("--edges", help="For edges, corners, columns, drains and joints.")
    ] = False,
    show_all: Annotated[
        bool, typer.Option("--all", help="Also the methods that can't be used here, and why.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> None:
    """Say which preparation methods reach a range, which reach part of it, and what to mind with each.

    The ranges are weak evidence and marked so; the data sheet, local codes and the chip on a mock-up decide.
    """
    asked = MethodsAsked(
        target=_target(target_range, edition, system),
        edition=edition,
        indoors=indoors,
        system=system,
        avoid=_avoid(avoid),
        fresh=fresh,
        edges=edges,
    )
    fits = choose_methods(
        asked.target, edition, indoors=indoors, system=system, avoid=asked.avoid, fresh=fresh, edges=edges
    )
    answer = methods_answer(asked, fits)
    print(methods_json(answer) if as_json else "\n".join(methods_lines(answer, show_all=show_all)))


def _target(text: str | None, edition: EditionName, system: str | None) -> TargetRange:
    """The range asked for, or the system's default; raises BadRange or SettingUnknown."""
    try:
        row = system_row(system)
    except KeyError:
        known = ", ".join(one.key for one in load_systems().system)
        raise SettingUnknown(f"there is no system '{system}' (known: {known})") from None
    if text is not None:
        scale = next(scale for scale in shipped_scales() if scale.edition == edition)
        return parse_range(text, scale)
    if row is None:
        raise BadRange("no range was given, nor a system that has a default one")
    if row.csp_low is None or row.csp_high is None:
        raise BadRange(f"our table has no range for '{row.key}': the data sheet says it")
    if edition != "ten-chip":
        raise BadRange(f"our range for '{row.key}' is of the ten-chip set: give the range for this one")
    return TargetRange(row.csp_low, row.csp_high)


def _avoid(text: str) -> tuple[Hazard, ...]:
    """The hazards named; raises SettingUnknown for one we don't judge by."""
    told = dict.fromkeys(part.strip() for part in text.split(",") if part.strip())
    for name in told:
        if name not in HAZARDS:
            raise SettingUnknown(f"--avoid doesn't know '{name}' (known: {', '.join(HAZARDS)})")
    return tuple(name for name in HAZARDS if name in told)
