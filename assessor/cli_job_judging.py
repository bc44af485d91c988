"""The commands under `job` that judge: rework, agree, refine, check, demo; and `backup` and `restore`."""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from assessor.cli_job import AsJson, Files, InRole, JobCode, Store, Who, ZoneNumber, job
from assessor.cli_shared import DEFAULT_WORKERS, Scale, Workers, executor_of, progress
from assessor.desk import demo as job_demo
from assessor.desk import judging, pages
from assessor.desk.base import DEFAULT_STORE, Person, open_desk
from assessor.desk.review import Concern, review
from assessor.errors import BadEntry
from assessor.grading.refine import NotProposed
from assessor.report.show_job import line
from assessor.report.words_rework import rework_text
from assessor.store.backup import backup as back_up
from assessor.store.backup import restore as bring_back
from assessor.store.checking import check_store
from assessor.store.files import write_text
from assessor.workflow import DEFAULT_SCALE

EXIT_REFUSED = 3


@job.command("review")
def review_(
    code: JobCode,
    *,
    zone: Annotated[int | None, typer.Option(help="Only this zone.")] = None,
    only: Annotated[Concern | None, typer.Option(help="Only spots of this concern.")] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "lead",
    as_json: AsJson = False,
) -> None:
    """List all spots for a desk, what needs it first. A desk sorts, asks and sends back; it never confirms.

    The list tells what the tool suggests, so whoever asks for it can't read these chips blind any more.
    """
    with open_desk(store, files) as desk:
        rows = review(desk, code, Person(who, role), zone=zone, only=only)
    if as_json:
        print(json.dumps([asdict(row) for row in rows]))
        return
    console = Console()
    for row in rows:
        line(console, f"zone {row.zone} spot {row.spot} (round {row.round}): {row.words}")
        if row.chances:
            line(console, f"    {row.capture}, {row.capture_kind}: {row.chances}")
        if row.patches:
            line(console, f"    open patches: {', '.join(row.patches)}")


@job.command()
def rework(
    code: JobCode,
    zone: ZoneNumber,
    *,
    order: Annotated[
        bool, typer.Option("--order", help="Enter the list as an order to the crew (QA lead).")
    ] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for the list as a page to print.")] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "lead",
) -> None:
    """Print what a zone wants done, in the order of work: where, what, how, then which photos.

    The list tells what the tool suggests, so whoever asks for it can't read the zone's chips blind any more.
    """
    person = Person(who, role)
    with open_desk(store, files) as desk:
        sheet = judging.rework_sheet(desk, code, zone, person)
        print(rework_text(sheet.lines, sheet.head))
        if out is not None:
            print(pages.write_rework(sheet, code, zone, out))
        if order:
            content = judging.order_rework(desk, code, zone, sheet, person)
            spots = ", ".join(map(str, content.spots)) or "the whole zone"
            print(f"Ordered for {spots}.")


@job.command()
def agree(
    codes: Annotated[list[str] | None, typer.Argument(help="Jobs; all of the store if left out.")] = None,
    *,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    as_json: AsJson = False,
) -> None:
    """Say how the tool and blind readers agree, and readers with each other, with limits."""
    with open_desk(store, files) as desk:
        jobs = codes or [head.job for head in desk.store.jobs()]
        found = judging.agreement_of(desk, jobs)
    if as_json:
        print(json.dumps(asdict(found)))
        return
    if found.rendered:
        print(f"{found.rendered} of the tool's captures are RENDERED photos: no real floor.")
    print("The tool and the readers:")
    for sentence in found.tool.sentences:
        print(f"  {sentence}")
    if found.unnamed:
        print(f"  At {found.unnamed} further spots that were read the tool named no grade.")
    print("Readers with each other:")
    for sentence in found.readers.sentences:
        print(f"  {sentence}")
    for bias in found.biases:
        print(f"  {bias.sentence}")


@job.command()
def refine(  # noqa: PLR0913 - one parameter per option
    code: JobCode,
    *,
    name: Annotated[str, typer.Option(help="What the refined scale is called.")],
    also: Annotated[
        list[str] | None, typer.Option(help="A further job whose readings count. May be repeated.")
    ] = None,
    scale: Scale = DEFAULT_SCALE,
    out: Annotated[
        Path | None, typer.Option(help="File for the proposed scale; NAME.json here if left out.")
    ] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
    who: Who = "",
    role: InRole = "trainer",
) -> None:
    """Propose a grade scale refined by blind chip readings, with every difference in words. Nothing uses it yet.

    It is used once the QA lead enters `scale-accepted`. Exit code 3: the readings do not carry a proposal.
    """
    with open_desk(store, files) as desk:
        found = judging.refine_scale(desk, [code, *(also or ())], Person(who, role), name, scale=scale)
        for each in found.left_out:
            print(f"left out: {each}")
        if isinstance(found, NotProposed):
            print(found.reason)
            raise typer.Exit(EXIT_REFUSED)
        for sentence in (
            *found.sentences,
            *found.differences,
            *(f"look at: {odd}" for odd in found.odd_spots),
        ):
            print(sentence)
        path = out or Path(f"{name}.json")
        write_text(path, found.file_text)
        print(f"Accept it with: assessor job enter {code} scale-accepted 'scale={path}' why=...")


@job.command()
def check(
    *,
    known: Annotated[
        list[str] | None,
        typer.Option(
            help="JOB=HASH: a hash from a print or a backup that the job's chain must hold. May be repeated."
        ),
    ] = None,
    store: Store = DEFAULT_STORE,
    files: Files = None,
) -> None:
    """Check every entry's hash, every chain and every stored file. Exit code 3: something is not whole.

    Prints each job's last hash. Keep it elsewhere: with --known it shows later that no entry was cut off since.
    """
    heads = dict(each.partition("=")[::2] for each in known or ())
    bad = next((job for job, digest in heads.items() if not re.fullmatch("[0-9a-f]{64}", digest)), None)
    if bad is not None:
        raise BadEntry(f"'{bad}' is not followed by =HASH, 64 digits and letters a to f")
    with open_desk(store, files) as desk:
        report = check_store(desk.store, known_heads=heads)
    print(f"{len(report.jobs)} jobs, {report.entries} entries, {report.files} files checked")
    for head in report.jobs:
        print(f"{head.job}: {head.entries} entries, last hash {head.digest}")
    for damage in report.damage:
        print(f"damaged: {damage.found}{f' [{damage.name}]' if damage.part == 'file' else ''}")
    if not report.whole:
        raise typer.Exit(EXIT_REFUSED)


@job.command()
def demo(
    *,
    out: Annotated[
        Path, typer.Option(help="Folder for the store and the pages; must be empty or new.")
    ] = Path("assessor_job_demo"),
    photos: Annotated[
        Path | None, typer.Option(help="Folder calibration_images, if it is not beside the program.")
    ] = None,
    workers: Workers = DEFAULT_WORKERS,
) -> None:
    """Build an invented job from the rendered photos that come with the program: two zones fail, one passes."""
    console = Console(stderr=True)
    with executor_of(workers) as executor, progress(console, "building the job") as step:
        story = job_demo.build_demo(out, photos, executor, step)
    for sentence in story:
        line(Console(), sentence)


def backup(
    file: Annotated[Path, typer.Argument(help="File to write; must not exist yet.")],
    *,
    store: Store = DEFAULT_STORE,
    files: Files = None,
) -> None:
    """Write the whole job store, photos included, to one file that `assessor restore` can check and bring back."""
    with open_desk(store, files) as desk:
        report = back_up(desk.store, file)
    print(f"{file}: {len(report.jobs)} jobs, {report.entries} entries, {report.files} files")


def restore(
    file: Annotated[Path, typer.Argument(help="A file that `assessor backup` wrote.")],
    *,
    store: Store = DEFAULT_STORE,
    files: Files = None,
) -> None:
    """Bring a backup back into an empty place, after checking every hash; all of it or nothing."""
    report = bring_back(file, store, files)
    # An address may hold a password.
    where = "the database" if "://" in store else store
    print(
        f"{where}: {len(report.jobs)} jobs, {report.entries} entries, {report.files} files, all hashes checked"
    )
