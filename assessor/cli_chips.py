"""The command `chips`: a grade scale of one's own from photos of the physical chips."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from assessor import chip_workflow
from assessor.chip_workflow import ChipsRequest
from assessor.cli_shared import DEFAULT_WORKERS, SettingsFile, Workers, executor_of, progress
from assessor.errors import ChipsUnusable
from assessor.report.show_chips import chips_as_dict, show_chips
from assessor.tables.loader import Edition

EXIT_REFUSED = 3
_CHIPS = ChipsRequest(photos=Path())


def chips(  # noqa: PLR0913 - one parameter per option
    photos: Annotated[
        Path,
        typer.Argument(help="Folder with one folder a capture, in folders named after the grade (3/1, 3/2)."),
    ],
    *,
    chip_set: Annotated[str, typer.Option(help="Which physical set this is, such as 'set 2, bought 2021'.")],
    who: Annotated[str, typer.Option(help="Who photographed it.")],
    edition: Annotated[Edition, typer.Option(help="How many chips the set has.")] = _CHIPS.edition,
    name: Annotated[str, typer.Option(help="Name of the scale, as results show it.")] = _CHIPS.name,
    out: Annotated[Path, typer.Option(help="File of the scale to write.")] = _CHIPS.out,
    captures: Annotated[
        Path | None,
        typer.Option(help="Folder for each capture's own results; beside the scale if not named."),
    ] = _CHIPS.captures,
    made_on: Annotated[
        str | None, typer.Option("--date", help="Date of the photos (2026-03-01); today if not named.")
    ] = _CHIPS.made_on,
    measured_bars: Annotated[
        tuple[float, float] | None,
        typer.Option(help="Tape readings of the chip sheet's check bars in mm: along, then across."),
    ] = _CHIPS.measured_bars,
    workers: Workers = DEFAULT_WORKERS,
    settings_file: SettingsFile = _CHIPS.settings_file,
    force: Annotated[bool, typer.Option("--force", help="Assess again what is already done.")] = _CHIPS.force,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> None:
    """Make a grade scale of your own from photos of your chips under the chip sheet (assessor card --design chip).

    Every chip at least five times, one folder a capture; chips.csv (folder, grade) may name the grades instead. Exit
    code 0: the scale is written; 2: none can be made, and why; 3: written, but some captures gave nothing (listed).
    """
    request = ChipsRequest(
        photos=photos,
        out=out,
        edition=edition,
        name=name,
        chip_set=chip_set,
        who=who,
        made_on=made_on,
        measured_bars=measured_bars,
        captures=captures,
        settings_file=settings_file,
        force=force,
    )
    console = Console(stderr=True)
    plan = chip_workflow.plan_chips(request)
    with executor_of(workers) as executor, progress(console, "assessing chips") as step:
        result = chip_workflow.make_scale(plan, executor, step)
    if as_json:
        print(json.dumps(chips_as_dict(result.fit, result.as_dict()), indent=1))
    else:
        show_chips(Console(), result.fit)
    for capture, why in result.unused:
        console.print(f"not used: {capture}: {why}", markup=False, soft_wrap=True)
    if result.because is not None:
        raise ChipsUnusable(result.because)
    if not as_json:
        print(
            f"Scale: {result.scale}\nSHA-256 of the file: {result.sha256}\nDigest in results: {result.digest}"
        )
    if result.unused:
        raise typer.Exit(EXIT_REFUSED)
