"""Which grades a zone has to reach, and who says so: the data sheet governs, our table is only a default."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from assessor.job.book import JobBook
from assessor.job.entries import DataSheetFiled, SystemNamed
from assessor.tables.loader import SystemRow, load_systems
from assessor.values import TargetRange


@dataclass(frozen=True, slots=True)
class Target:
    """The range, where it comes from ("data sheet", "our table", None where nothing says), and a conflict in words."""

    grades: TargetRange | None
    origin: Literal["data sheet", "our table"] | None
    sentence: str
    conflict: str | None


def target_of(book: JobBook, zone: int | None = None) -> Target:
    """The target of a zone, or of the job; our table counts only for a zone whose data sheet was waived by name."""
    row = system_row(book.system) if book.system is not None else None
    default = None
    if row is not None and row.csp_low is not None and row.csp_high is not None:
        default = TargetRange(row.csp_low, row.csp_high)
    sheet = book.data_sheet.content if book.data_sheet is not None else None
    if isinstance(sheet, DataSheetFiled):
        grades = TargetRange(sheet.csp_low, sheet.csp_high)
        conflict = None
        if row is not None and default is not None and grades != default:
            conflict = (
                f"The data sheet asks for CSP {grades}, our table has CSP {default} for {row.name}. "
                "The data sheet governs; if the difference looks wrong, ask the maker."
            )
        named = f"{sheet.document.name}, edition {sheet.edition}, page {sheet.page}"
        return Target(grades, "data sheet", f"CSP {grades} by the data sheet ({named})", conflict)
    if default is not None and row is not None and zone is not None and book.waived(zone, "data-sheet"):
        words = f"CSP {default} by our table for {row.name}, a default only: the data sheet was waived"
        return Target(default, "our table", words, None)
    hint = f"; our table has CSP {default} for it, which is only a default" if default else ""
    return Target(None, None, f"no data sheet is filed{hint}", None)


def system_row(system: SystemNamed) -> SystemRow | None:
    """The row of our table that the system names, or None."""
    return next((row for row in load_systems().system if row.key == system.system), None)
