"""The commands under `job` that draw spots and take photos: plan, follow, tags, file, assess, overview, page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.console import Console

from assessor.cli_job import Files, InRole, JobCode, Store, Who, ZoneNumber, job
from assessor.cli_shared import DEFAULT_WORKERS, Scale, SettingsFile, Workers, executor_of, progress
from assessor.desk import filing, pages
from assessor.desk import photos as job_photos
from assessor.desk import plan as job_plan
from assessor.desk.base import DEFAULT_STORE, Person, open_desk
from assessor.desk.photos import SpotTold
from assessor.errors import BadEntry
from assessor.job.parts import Direction, Phase
from assessor.report.show_job import line
from assessor.store.files import append_text
from assessor.workflow import DEFAULT_SCALE

EXIT_REFUSED = 3
ERRORS_LOG = Path("errors.log")
SpotNumber = Annotated[int, typer.Argument(min=1, max=99, help="The spot's number.")]
Bars = Annotated[
    tuple[float, float] | None,
    typer.Option("--measured-bars", help="Tape readings of the check bars in mm: along, then across."),
]


@job.command()
def plan(
    code: JobCode,
    zone: ZoneNumber,
    *,
    redraw: Annotated[
        int | None, typer.Option(help="Draw another place for this spot, where no sheet can lie; say --why.")
    ] = None,
    why: Annotated[str, typer.Option(help="What is in the way.")] = "",
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
) -> None:
    """Draw the spots of a zone at random, once for every lot, and enter them. The tool draws, not the crew."""
    person = Person(who, role)
    with open_desk(store, files) as desk:
        if redraw is not None:
            new = job_plan.redraw_spot(desk, code, zone, redraw, person, why=why).place
            print(f"Spot {new.spot}: {new.where}")
            return
        made = job_plan.draw_spots(desk, code, zone, person)
    for one, effort in zip(made.plans, made.efforts, strict=True):
        for spot in one.spots:
            print(f"Spot {spot.number} ({spot.role}, {spot.effort}): {spot.where}. Shoot {spot.shots}.")
        print(effort.sentence)
        print(job_plan.what_all_passing_proves(one))
        print(f"Drawn from seed {one.seed}.")


@job.command()
def follow(
    code: JobCode,
    zone: ZoneNumber,
    spot: SpotNumber,
    *,
    blocked: Annotated[
        list[str] | None,
        typer.Option(
            help="A direction in which there is no more floor: along, back, in or out. May be repeated."
        ),
    ] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
) -> None:
    """Draw the neighbours of a failed spot, outward until two in a row pass on every side."""
    ways: list[Direction] = []
    for way in blocked or ():
        if way not in {"along", "back", "in", "out"}:
            raise BadEntry(f"'{way}' is no direction: along, back, in or out")
        ways.append(way)  # type: ignore[arg-type]
    with open_desk(store, files) as desk:
        found, drawn = job_plan.follow_spot(desk, code, zone, spot, Person(who, role), blocked=ways)
    print(found.sentence)
    for one in drawn:
        print(f"Spot {one.spot}: {one.where}")


@job.command()
def tags(
    code: JobCode,
    zones: Annotated[list[int] | None, typer.Argument(help="Zones; all that have spots if left out.")] = None,
    *,
    out: Annotated[Path | None, typer.Option(help="PDF to write.")] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option(help="Paper size.")] = "a4",
    phase: Annotated[Phase, typer.Option(help="Tags for photos before or after preparation.")] = "after",
    store: Store = DEFAULT_STORE,
    files: Files = None,
) -> None:
    """Print sheets of tags for the spots' present rounds: a tag in the photo says where the photo belongs."""
    with open_desk(store, files) as desk:
        path, count = job_plan.write_tags(desk, code, tuple(zones or ()), phase=phase, paper=paper, out=out)
    print(
        f"{path}\n{count} tags. Print at 100 %, cut, and lay the right one at the card's edge in every photo."
    )


@job.command("file")
def file_(  # noqa: PLR0913 - one parameter per option
    code: JobCode,
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders that hold them.")],
    *,
    zone: Annotated[
        int | None, typer.Option(min=1, max=99, help="File all of them under this zone, tags or not.")
    ] = None,
    spot: Annotated[int | None, typer.Option(min=1, max=99, help="The spot, with --zone.")] = None,
    phase: Annotated[Phase, typer.Option(help="Before or after preparation, with --zone.")] = "after",
    round_: Annotated[
        int | None,
        typer.Option(
            "--round", min=1, max=9, help="The round, with --zone; the spot's present one if left out."
        ),
    ] = None,
    measured_bars: Bars = None,
    workers: Workers = DEFAULT_WORKERS,
    settings_file: SettingsFile = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
) -> None:
    """File photos by the tags that lie in them, or where --zone and --spot say. Photos are kept as they are.

    Exit code 3: some photos were not filed; each is listed with the reason and is not kept.
    """
    if (zone is None) != (spot is None):
        raise BadEntry("name both --zone and --spot, or neither")
    person = Person(who, role)
    with open_desk(store, files) as desk:
        if zone is not None and spot is not None:
            told = SpotTold(zone, spot, phase, round_)
            one = job_photos.file_photos(
                desk, code, photos, told, person, bars_mm=measured_bars, settings_file=settings_file
            )
            print(f"{one.capture}: filed by hand{f'. BUT {one.doubt}' if one.doubt else ''}")
            return
        with executor_of(workers) as executor, progress(Console(stderr=True), "reading tags") as step:
            filed = filing.file_by_tags(
                desk, code, photos, person, bars_mm=measured_bars, settings_file=settings_file,
                executor=executor, on_done=step,
            )  # fmt: skip
    for name, reason in filed.filed:
        print(f"{name}: {reason}")
    if filed.known:
        print(f"{filed.known} photos are in the record already")
    console = Console(stderr=True)
    for name, reason in filed.left:
        line(console, f"not filed: {name}: {reason}")
    if filed.left:
        raise typer.Exit(EXIT_REFUSED)


@job.command()
def assess(
    code: JobCode,
    *,
    scale: Scale = DEFAULT_SCALE,
    workers: Workers = DEFAULT_WORKERS,
    settings_file: SettingsFile = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
) -> None:
    """Assess every capture that has no assessment under today's versions. Prints no suggestion.

    A run that is stopped goes on where it was. Exit code 3: a capture was refused or failed (listed with its reason);
    one that failed is tried again by the next run.
    """
    console = Console(stderr=True)
    with (
        open_desk(store, files) as desk,
        executor_of(workers) as executor,
        progress(console, "assessing") as step,
    ):
        done = job_photos.assess_job(
            desk, code, executor, Person(who, role), scale=scale, settings_file=settings_file, on_done=step
        )
    print(f"{len(done.assessed)} captures assessed, {done.standing} were done already")
    for name, sentence in done.refused:
        line(console, f"refused: {name}: {sentence}")
    for name, sentence in done.failed:
        line(console, f"failed: {name}: {sentence}")
    if any(done.traces):
        append_text(ERRORS_LOG, "\n".join(done.traces))
        line(console, f"Details of internal errors: {ERRORS_LOG.absolute()}")
    if done.refused or done.failed:
        raise typer.Exit(EXIT_REFUSED)


@job.command()
def overview(  # noqa: PLR0913 - one parameter per option
    code: JobCode,
    zone: ZoneNumber,
    photos: Annotated[list[Path], typer.Argument(help="Photos from standing height, or a folder of them.")],
    *,
    measured_bars: Bars = None,
    settings_file: SettingsFile = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
) -> None:
    """Assess a zone's overview photos and enter what they show."""
    with open_desk(store, files) as desk:
        content = job_photos.file_overview(
            desk, code, zone, photos, Person(who, role), bars_mm=measured_bars, settings_file=settings_file
        )
    seen = (
        "no size of the zone is known"
        if content.covered_share is None
        else f"{content.covered_share:.0%} seen"
    )
    print(f"{content.capture}: {seen}, {len(content.patches)} patches that want a test")
    for finding in content.findings:
        print(f"  {finding}")


@job.command()
def page(
    code: JobCode,
    zone: ZoneNumber,
    spot: SpotNumber,
    *,
    out: Annotated[Path, typer.Option(help="Folder for the pages.")] = Path("assessor_pages"),
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
) -> None:
    """Write the pages of a spot's captures, and put down that you have seen what the tool suggests there."""
    with open_desk(store, files) as desk:
        for path in pages.write_pages(desk, code, zone, spot, Person(who, role), out=out):
            print(path)
