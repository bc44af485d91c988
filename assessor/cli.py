"""The command line: read what was typed, call the workflow, show what came back. No defaults of its own."""

from __future__ import annotations

import json
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Annotated, Literal, NoReturn

import typer
from rich.console import Console

from assessor import __version__, asked, workflow
from assessor.asked import FloorTold
from assessor.chip_workflow import write_chip_sheet
from assessor.cli_chips import chips
from assessor.cli_drops import drops
from assessor.cli_job import job
from assessor.cli_job_judging import backup, restore
from assessor.cli_job_photos import file_ as _  # noqa: F401 - registers its commands under `job`
from assessor.cli_methods import methods
from assessor.cli_points import points
from assessor.cli_shared import DEFAULT_WORKERS, Scale, SettingsFile, Workers, executor_of, progress
from assessor.cli_zone import overview
from assessor.errors import AssessorError
from assessor.report import show, show_calls
from assessor.report.schema import json_schema
from assessor.strip_workflow import write_strip
from assessor.workflow import AssessRequest, CardFormat, CardRequest, KindAsked, Paper
from assessor.zone_workflow import write_sheets

EXIT_USAGE, EXIT_REFUSED = 2, 3
_ASSESS, _CARD = AssessRequest(inputs=()), CardRequest()

app = typer.Typer(
    help="Measure prepared concrete floors from phone photos and a printed card, and suggest a surface "
    "profile grade. A person confirms every suggestion against the chips.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")]


@app.callback(invoke_without_command=True)
def _main(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        print(f"assessor {__version__}")
        raise typer.Exit


@app.command()
def assess(  # noqa: PLR0913 - one parameter per option
    photos: Annotated[
        list[Path], typer.Argument(help="Photos and videos, or folders that hold them (one per spot).")
    ],
    *,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = _ASSESS.out,
    target_range: Annotated[
        str | None, typer.Option("--range", help="Grades the next product asks for, such as 3-5.")
    ] = _ASSESS.target_range,
    measured_bars: Annotated[
        tuple[float, float] | None,
        typer.Option(help="Tape readings of the check bars in mm: along, then across (249.1 179.6)."),
    ] = _ASSESS.measured_bars,
    scale: Scale = _ASSESS.scale,
    process: Annotated[
        str | None, typer.Option(help="How the floor was prepared, if known (see `assessor scales`).")
    ] = _ASSESS.process,
    kind: Annotated[
        KindAsked,
        typer.Option(
            help="How all spots were shot; auto sees it from the photos. single: only estimate, from each photo "
            "by itself, however many there are. torch with two photos: the quick pair, which estimates too."
        ),
    ] = _ASSESS.kind,
    floor: Annotated[
        FloorTold,
        typer.Option(
            help="Whether the floor was dry to the eye; damp marks every result as of a damp floor."
        ),
    ] = _ASSESS.floor,
    workers: Workers = DEFAULT_WORKERS,
    settings_file: SettingsFile = _ASSESS.settings_file,
    force: Annotated[
        bool, typer.Option("--force", help="Assess again what is already done.")
    ] = _ASSESS.force,
    as_json: AsJson = False,
) -> None:
    """Assess photos of one or many spots: four or more are measured, fewer estimated.

    Writes one folder per capture, captures.csv and index.html. Exit code 0: every photo was used; 2: nothing
    was done, the request cannot be met; 3: some photos or captures were refused (listed).
    """
    request = AssessRequest(
        inputs=tuple(photos),
        out=out,
        target_range=target_range,
        measured_bars=measured_bars,
        scale=scale,
        process=process,
        kind=kind,
        floor=floor,
        settings_file=settings_file,
        force=force,
    )
    console = Console(stderr=True)
    with executor_of(workers) as executor:
        plan = workflow.plan_batch(request, executor)
        show.grouping(console, plan.groups, n_standing=len(plan.standing))
        with progress(console, "assessing") as step:
            result = workflow.assess_batch(plan, executor, step)
    if as_json:
        captures = [record.model_dump(mode="json") for record in result.records]
        print(json.dumps({"captures": captures, "index": str(result.index), "table": str(result.table)}))
    else:
        show.batch(Console(), result.records)
    show.refusals(console, result.records)
    if result.log:
        console.print(f"Details of internal errors: {result.log}", markup=False, soft_wrap=True)
    console.print(f"Results: {result.index.resolve()}", markup=False, soft_wrap=True)
    if not result.all_assessed:
        raise typer.Exit(EXIT_REFUSED)


@app.command()
def card(
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = _CARD.paper,
    serial: Annotated[int, typer.Option(min=0, max=65535, help="Number of this print.")] = _CARD.serial,
    format: Annotated[
        CardFormat, typer.Option(help="File format; the PDF also holds the guide.")
    ] = _CARD.format,
    out: Annotated[Path | None, typer.Option(help="File to write.")] = _CARD.out,
    design: Annotated[
        Literal["window", "chip", "strip"],
        typer.Option(
            help="window: the card. chip: the sheet for your chips. strip: for edges and corners (PDF)."
        ),
    ] = "window",
    sheets: Annotated[
        str | None,
        typer.Option(help="Draw zone sheets for overviews instead of the card, such as 1-6 (there are 24)."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the card's geometry in mm instead of drawing it.")
    ] = False,
) -> None:
    """Draw the card to print, with the shooting guide on the pages after it."""
    if sheets is not None:
        print(
            f"{write_sheets(sheets, paper, out)}\nPrint at 100 % on matt paper, then measure both bars with a tape."
        )
        return
    if design != "window":
        write = write_chip_sheet if design == "chip" else write_strip
        print(
            f"{write(paper, serial, out)}\nPrint at 100 % on matt paper, then measure the check bars with a tape."
        )
        return
    request = CardRequest(paper=paper, serial=serial, format=format, out=out)
    if as_json:
        print(json.dumps(workflow.card_numbers(request), indent=1))
        return
    path = workflow.write_card(request)
    print(f"{path}\nPrint it at 100 % on matt paper, then measure both check bars with a tape.")


@app.command()
def evaluate(
    folder: Annotated[Path, typer.Argument(help="Folder with photos/<capture>/ and truth.csv.")],
    scale: Scale = _ASSESS.scale,
    target_range: Annotated[
        str | None,
        typer.Option("--range", help="Judge the calls for this range where the truth holds a grade."),
    ] = None,
    workers: Workers = DEFAULT_WORKERS,
    settings_file: SettingsFile = _ASSESS.settings_file,
    as_json: AsJson = False,
) -> None:
    """Score this tool on a folder of captures with known truth.

    Prints bias, scatter and how often the 90 % intervals hold the truth, by kind, quantity, process and
    split.
    """
    console = Console(stderr=True)
    with executor_of(workers) as executor, progress(console, "evaluating") as step:
        result = workflow.evaluate_folder(
            folder,
            executor,
            scale=scale,
            settings_file=settings_file,
            target_range=target_range,
            on_done=step,
        )
    if as_json:
        print(json.dumps(result.as_dict(), allow_nan=False))
    else:
        show.evaluation(Console(), result.rows, result.summary)
        if result.calls is not None:
            show_calls.calls(Console(), target_range or "", result.calls, result.call_scores)
    for name, sentence in result.sentences.items():
        console.print(f"refused: {name}: {sentence}", markup=False, soft_wrap=True)
    if result.traces:
        _keep_log("\n".join(result.traces.values()))


@app.command()
def scales(as_json: AsJson = False) -> None:
    """List the grade scales that come with the package, with the processes they know."""
    found = asked.shipped_scales()
    if as_json:
        rows = [
            {
                "name": scale.name,
                "edition": scale.edition,
                "origin": scale.origin,
                "grades": scale.grades,
                "processes": scale.processes,
                "bands_mm": [[band.short_mm, band.long_mm] for band in scale.bands],
            }
            for scale in found
        ]
        print(json.dumps(rows, indent=1))
        return
    show.scales(Console(), found)


@app.command()
def schema() -> None:
    """Print the JSON Schema of assessment.json, with the meaning of every field."""
    print(json.dumps(json_schema(), indent=1))


app.command()(chips)
app.command()(methods)
app.command()(backup)
app.command()(restore)
app.add_typer(job, name="job")
app.command()(points)
app.command()(overview)
app.command()(drops)


def main() -> NoReturn:
    """Run the command line; every error of a user ends as one sentence and exit code 2."""
    try:
        app()
    except AssessorError as error:
        print(f"assessor: {error}", file=sys.stderr)
        sys.exit(EXIT_USAGE)
    except Exception as error:  # a traceback is no answer to a person on a floor
        print(
            f"assessor: internal error ({type(error).__name__}: {error}), please report it", file=sys.stderr
        )
        _keep_log(traceback.format_exc())
        sys.exit(EXIT_USAGE)
    sys.exit(0)


def _keep_log(text: str) -> None:
    path = Path(tempfile.gettempdir()) / "assessor-errors.log"
    try:
        path.write_text(text, encoding="utf-8", errors="surrogateescape")
    except OSError:
        return
    print(f"Details: {path}", file=sys.stderr)


if __name__ == "__main__":
    main()
