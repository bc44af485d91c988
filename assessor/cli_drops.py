"""The command `drops`: what a timed record of water drops tells."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from assessor import water_drops
from assessor.asked import read_settings
from assessor.report.words_drops import lines
from assessor.water_drops import DropsRequest

EXIT_REFUSED = 3
_DROPS = DropsRequest(record=Path())


def drops(
    record: Annotated[
        Path | None,
        typer.Argument(help="The crew's record (TOML); its photos lie beside it.", show_default=False),
    ] = None,
    *,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = _DROPS.out,
    area_m2: Annotated[
        float | None,
        typer.Option(
            min=0.01, help="Floor area in m2 that the drops stand for; goes before the record's own."
        ),
    ] = _DROPS.area_m2,
    example: Annotated[
        bool, typer.Option("--example", help="Print a record to copy and change, and stop.")
    ] = False,
    settings_file: Annotated[
        Path | None, typer.Option("--settings", help="TOML file that changes stage settings, by stage.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> None:
    """Judge water drops: how fast the floor drinks, and whether something on it repels water.

    Reads a timed record (see --example) and its photos; writes drops.json, drops.html and a picture a photo. Exit code
    0: all was used; 2: the record cannot be used; 3: a photo was refused, the rest was judged.
    """
    if example:
        print(water_drops.example_record(), end="")
        return
    if record is None:
        raise typer.BadParameter("name the record of the drops, or ask for one to copy with --example")
    result = water_drops.assess_drops(DropsRequest(record, out, area_m2), read_settings(settings_file))
    if as_json:
        print(result.record.model_dump_json())
    else:
        print("\n".join(lines(result.record)))
        print(f"Results: {result.page.resolve()}")
    if not result.all_used:
        raise typer.Exit(EXIT_REFUSED)
