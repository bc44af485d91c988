"""Pages out of a job's record: those of a spot's captures, and the rework list of a zone."""

from __future__ import annotations

from pathlib import Path

from assessor.desk.base import JobDesk, Person
from assessor.desk.judging import ReworkSheet
from assessor.errors import NoJob
from assessor.report.rework_page import rework_page
from assessor.store.files import check_writable, write_bytes, write_text


def write_pages(
    desk: JobDesk, job: str, zone: int, spot: int, person: Person, *, out: Path
) -> tuple[Path, ...]:
    """Write the pages of a spot's captures to a folder, after putting down that the person sees them.

    Raises NoJob where nothing is assessed there.
    """
    book = desk.book(job)
    desk.standing(book, zone)
    captures = [capture for capture in book.captures_at(zone, spot) if capture.assessed]
    if not captures:
        raise NoJob(f"nothing is assessed at zone {zone}, spot {spot}")
    check_writable(out)
    desk.show_suggestions(job, zone, [spot], person)
    written = []
    for capture in captures:
        assert capture.assessed is not None
        if capture.assessed.page is not None:
            path = out / f"{job}-{capture.capture}.html"
            write_bytes(path, desk.store.read_file(capture.assessed.page))
            written.append(path)
    return tuple(written)


def write_rework(sheet: ReworkSheet, job: str, zone: int, out: Path) -> Path:
    """Write a rework list as a page that prints on one sheet."""
    path = out / f"{job}-Z{zone:02d}-rework.html"
    write_text(path, rework_page(sheet.lines, sheet.head))
    return path
