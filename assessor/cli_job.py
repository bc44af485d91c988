"""The commands under `job`: the record of a job, entered and read. Reads what was typed, calls the desk, shows it."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.console import Console

from assessor.desk import fields as job_fields
from assessor.desk.base import DEFAULT_STORE, JobOverview, Person, open_desk
from assessor.desk.plan import statistics_of
from assessor.errors import BadEntry
from assessor.job.blinding import blinded, disputed_spots
from assessor.job.chain import Place, Role
from assessor.job.entries import Content, JobOpened
from assessor.job.targets import target_of
from assessor.report import show_job

Store = Annotated[
    str,
    typer.Option("--store", envvar="ASSESSOR_STORE", help="Folder of the job store, or a PostgreSQL URL."),
]
Files = Annotated[
    str | None,
    typer.Option(
        "--files",
        envvar="ASSESSOR_FILES",
        help="Where photos are kept, if not in the store's folder (any URL).",
    ),
]
Who = Annotated[
    str, typer.Option("--who", envvar="ASSESSOR_WHO", help="Your name: everything in the record says who.")
]
InRole = Annotated[Role, typer.Option("--role", envvar="ASSESSOR_ROLE", help="In which role you enter this.")]
At = Annotated[Place, typer.Option("--at", help="Where you are; chips are read at the floor only.")]
JobCode = Annotated[str, typer.Argument(help="The job's code.")]
ZoneNumber = Annotated[int, typer.Argument(min=1, max=99, help="The zone's number.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")]

job = typer.Typer(
    help="The record of a job: zones, spots, photos, chip readings, rework, acceptance.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@job.command("open")
def open_(  # noqa: PLR0913 - one parameter per option
    code: Annotated[str, typer.Argument(help="Four capitals or digits that stand on the job's tags.")],
    *,
    name: Annotated[str, typer.Option(help="What the job is called.")],
    site: Annotated[str, typer.Option(help="Where it is.")],
    edition: Annotated[
        Literal["ten-chip", "nine-chip"], typer.Option(help="Which chip set is read in this job.")
    ] = "ten-chip",
    drops: Annotated[
        bool, typer.Option("--drops", help="The job asks for water drops in every zone.")
    ] = False,
    invented: Annotated[
        bool, typer.Option("--invented", help="Mark the job as invented, for training.")
    ] = False,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "lead",
) -> None:
    """Open a job. Makes the store where there is none."""
    content = job_fields.checked(
        {"kind": "job-opened", "name": name, "code": code, "site": site, "edition": edition,
         "invented": invented, "drops_asked": drops}
    )  # fmt: skip
    assert isinstance(content, JobOpened)
    with open_desk(store, files, create=True) as desk:
        desk.open_job(content, Person(who, role))
        print(f"Job {code} is open in {desk.store.where}")


@job.command("list")
def list_(store: Store = DEFAULT_STORE, files: Files = None, as_json: AsJson = False) -> None:
    """List all jobs with their zones and how each stands. Shows no suggestion."""
    with open_desk(store, files) as desk:
        found = desk.list_jobs()
        if as_json:
            print(json.dumps([_listed(each) for each in found]))
            return
        console = Console()
        for each in found:
            loud = [*["INVENTED"] * each.opened.invented, *["RENDERED PHOTOS"] * each.rendered]
            mark = f" ({', '.join(loud)})" if loud else ""
            show_job.line(
                console,
                f"{each.job}{mark}: {each.opened.name}, {each.opened.site}; {each.entries} entries, "
                f"{each.captures} captures, {each.unassessed} not assessed; last {each.last_at_utc[:16]}Z",
            )
            if each.zones:
                show_job.zones_table(console, each.laid_out, each.zones)
        if not found:
            print("No job yet: `assessor job open` begins one.")


@job.command()
def show(
    code: JobCode,
    *,
    zone: Annotated[int | None, typer.Option(help="Only this zone.")] = None,
    suggestions: Annotated[
        bool,
        typer.Option(
            "--suggestions", help="Show what the tool suggests, and put down that you have seen it (--who)."
        ),
    ] = False,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
    as_json: AsJson = False,
) -> None:
    """Show how a job's zones stand and what each still misses.

    Without --suggestions nothing of the tool's opinion is shown: chips are read blind.
    """
    with open_desk(store, files) as desk:
        book = desk.book(code)
        zones = sorted(book.zones) if zone is None else [zone]
        standings = [desk.standing(book, each) for each in zones]
        if suggestions:
            for each in standings:
                desk.show_suggestions(
                    code, each.zone, [s.spot for s in each.spots if s.tool], Person(who, role)
                )
        if as_json:
            rows = [asdict(each if suggestions else blinded(each)) for each in standings]
            print(json.dumps({"job": code, "zones": rows}))
            return
        console = Console()
        assert book.opened is not None
        mark = "INVENTED: " if book.opened.invented else ""
        show_job.line(console, f"{mark}{code}, {book.opened.name}, {book.opened.site}")
        for each in standings:
            show_job.zone(
                console, book, each, target_of(book, each.zone), statistics_of(book, each),
                with_suggestions=suggestions,
            )  # fmt: skip


def _listed(each: JobOverview) -> dict[str, object]:
    laid_out = {zone: content.model_dump(mode="json") for zone, content in each.laid_out.items()}
    return {**asdict(replace(each, laid_out={})), "opened": each.opened.model_dump(), "laid_out": laid_out}


@job.command()
def kinds(
    kind: Annotated[str | None, typer.Argument(help="Only this kind of entry.")] = None,
    as_json: AsJson = False,
) -> None:
    """List every kind of entry with its fields, as `job enter` takes them."""
    found = [each for each in job_fields.describe_kinds() if kind in (None, each.kind)]
    if not found:
        raise BadEntry(f"there is no kind of entry '{kind}'")
    if as_json:
        print(json.dumps([asdict(each) for each in found], indent=1))
        return
    for each in found:
        how = f"  (by `assessor {each.command}`)" if each.command else ""
        print(f"{each.kind}{how}\n  {each.what}")
        for field in () if each.command else each.fields:
            print(f"    {field.name}{'' if field.needed else ' (may be left out)'}: {field.takes}")


@job.command()
def enter(  # noqa: PLR0913 - one parameter per option
    code: JobCode,
    kind: Annotated[str | None, typer.Argument(help="Kind of entry, see `assessor job kinds`.")] = None,
    fields: Annotated[
        list[str] | None, typer.Argument(help="Its fields, such as zone=2 spot=7 chip=3-4 photo=IMG_7.jpg.")
    ] = None,
    *,
    file: Annotated[
        Path | None, typer.Option("--from", help="Take the entries from a TOML file of [[entry]] tables.")
    ] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "crew",
    at: At = "desk",
) -> None:
    """Enter what was done or seen. Files named in a field are stored with it. All entries are written, or none."""
    if (kind is None) == (file is None):
        raise BadEntry("name one kind of entry with its fields, or a file of entries with --from")

    def contents(keep: job_fields.Keep) -> tuple[Content, ...]:
        if file is not None:
            return job_fields.entries_from_file(file, keep)
        return (job_fields.entry_from_words(kind or "", fields or (), keep),)

    with open_desk(store, files) as desk:
        person = Person(who, role, at)
        # What the gates refuse leaves no file behind.
        desk.check(code, contents(job_fields.hash_only), person)
        for entry in desk.enter(code, contents(desk.store.keep_file), person):
            print(f"{code} entry {entry.number}: {entry.content.kind} [{entry.digest[:12]}]")


@job.command()
def history(
    code: JobCode,
    *,
    zone: Annotated[int | None, typer.Option(help="Only entries of this zone.")] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    as_json: AsJson = False,
) -> None:
    """Print every entry of a job: when, who, what, and its hash.

    Assessments are listed without what they suggest, and disputed spots without what was read there.
    """
    with open_desk(store, files) as desk:
        book = desk.book(code)
        standings = [desk.standing(book, each) for each in (book.zones if zone is None else [zone])]
        disputed = {(each.zone, spot) for each in standings for spot in disputed_spots(each)}
        own = None if zone is None else {note.number for note in book.zones[zone].notes}
        rows = [
            show_job.blind_row(entry, disputed)
            for entry in desk.store.entries(code)
            if own is None or entry.number in own
        ]
    if as_json:
        print(json.dumps(rows))
        return
    console = Console()
    for row in rows:
        show_job.line(console, show_job.history_line(row))
