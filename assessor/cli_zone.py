"""The command `overview`: standing-height photos of one zone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from assessor.report import words_overview
from assessor.zone_workflow import OverviewDone, OverviewRequest, run_overview

EXIT_REFUSED = 3
_OVERVIEW = OverviewRequest(inputs=())


def overview(
    photos: Annotated[
        list[Path], typer.Argument(help="Standing-height photos of one zone, or the folder that holds them.")
    ],
    *,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = _OVERVIEW.out,
    zone_size: Annotated[
        str | None,
        typer.Option(
            help="The zone's length and width in metres, such as 4x3: along the bottom edge of the sheet with the"
            " lowest number, and up from it. That sheet lies in the zone's lower left corner, squared to its edges."
        ),
    ] = _OVERVIEW.zone_size,
    process: Annotated[
        str | None, typer.Option(help="How the floor was prepared, if known (see `assessor scales`).")
    ] = _OVERVIEW.process,
    measured_bars: Annotated[
        tuple[float, float] | None,
        typer.Option(help="Tape readings of a sheet's check bars in mm: along, then across (249.1 179.6)."),
    ] = _OVERVIEW.measured_bars,
    settings_file: Annotated[
        Path | None, typer.Option("--settings", help="TOML file that changes stage settings, by stage.")
    ] = _OVERVIEW.settings_file,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> None:
    """Map patches, strips, evenness and what was not seen of one zone, from standing-height photos.

    Lay zone sheets (`assessor card --sheets 1-6`) or the card on the floor, one at least in every photo, and leave them
    there. Writes overview.json, overview.html and pictures. Exit code 0: every photo was used; 2: nothing was done;
    3: some photos were not used (listed). No heights are measured and no grade is suggested.
    """
    done = run_overview(OverviewRequest(tuple(photos), out, zone_size, process, measured_bars, settings_file))
    if as_json:
        print(done.record.model_dump_json())
    else:
        _say(done)
    console = Console(stderr=True)
    for photo in done.record.photos:
        if not photo.used:
            console.print(f"not used: {photo.why}", markup=False, soft_wrap=True)
    console.print(f"Results: {done.page.resolve()}", markup=False, soft_wrap=True)
    if not done.all_used:
        raise typer.Exit(EXIT_REFUSED)


def _say(done: OverviewDone) -> None:
    """The zone in a few sentences."""
    record = done.record
    lines = [words_overview.headline(record), *map(words_overview.strip_words, record.strips)]
    lines += [
        words_overview.spread_words(record.evenness.contrast, "Texture"),
        words_overview.spread_words(record.evenness.level, "Brightness"),
        words_overview.lay_words(record),
        *(f"Not seen: {words_overview.gap_words(gap)}" for gap in record.coverage.gaps),
        record.notice,
        words_overview.NO_HEIGHT,
    ]
    print("\n".join(lines))
