"""What is asked of the tables, each in one statement, inside a transaction that the caller holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, insert, select

from assessor.errors import BadEntry
from assessor.job.chain import Entry
from assessor.job.entries import files_of
from assessor.store.models import EntryFileRow, EntryRow, KeptRow
from assessor.store.rows import COLUMNS, entry_of, row_of

# SQLite takes 32766 values in one statement; older builds 999.
_AT_ONCE = 900


@dataclass(frozen=True, slots=True)
class JobHead:
    """A job's last entry: how many there are, its hash, and when the first and the last were made (ISO 8601, UTC)."""

    job: str
    entries: int
    digest: str
    first_at_utc: str
    last_at_utc: str


@dataclass(frozen=True, slots=True)
class ListedCapture:
    """A capture as filed (its photos), where it belongs by now, and what was last assessed of it, if anything."""

    filed: Entry
    placed: Entry
    assessed: Entry | None


def heads_of(connection: Connection, job: str | None = None) -> tuple[JobHead, ...]:
    """Every job's head by name, or that of one."""
    ends = select(EntryRow.job, func.max(EntryRow.number).label("last")).group_by(EntryRow.job)
    if job is not None:
        ends = ends.where(EntryRow.job == job)
    end = ends.subquery()
    wanted = select(EntryRow.job, EntryRow.number, EntryRow.digest, EntryRow.at_utc, end.c.last).join(
        end, (EntryRow.job == end.c.job) & ((EntryRow.number == end.c.last) | (EntryRow.number == 1))
    )
    first: dict[str, str] = {}
    last: dict[str, tuple[int, str, str]] = {}
    for name, number, digest, at_utc, highest in connection.execute(wanted):
        if number == 1:
            first[name] = at_utc
        if number == highest:
            last[name] = (number, digest, at_utc)
    return tuple(
        JobHead(name, number, digest, first.get(name, ""), at_utc)
        for name, (number, digest, at_utc) in sorted(last.items())
    )


def captures_of(connection: Connection, job: str) -> tuple[ListedCapture, ...]:
    """Every capture of a job with its newest place and assessment, in the order of filing."""
    kinds = ("capture-filed", "refiled", "assessed")
    newest = (
        select(func.max(EntryRow.number).label("number"))
        .where(EntryRow.job == job, EntryRow.kind.in_(kinds))
        .group_by(EntryRow.capture, EntryRow.kind)
        .subquery()
    )
    wanted = select(*COLUMNS).join(newest, EntryRow.number == newest.c.number).where(EntryRow.job == job)
    found: dict[str, dict[str, Entry]] = {kind: {} for kind in kinds}
    for row in connection.execute(wanted):
        found[row.kind][row.capture] = entry_of(row)
    return tuple(
        ListedCapture(filed, _newer(filed, found["refiled"].get(capture)), found["assessed"].get(capture))
        for capture, filed in sorted(found["capture-filed"].items(), key=lambda item: item[1].number)
    )


def assessed_keys_of(connection: Connection, job: str) -> frozenset[tuple[str, str]]:
    """Every capture of a job with every key under which it was assessed or refused."""
    wanted = select(EntryRow.capture, EntryRow.work_key).where(
        EntryRow.job == job, EntryRow.kind == "assessed"
    )
    return frozenset((capture or "", key or "") for capture, key in connection.execute(wanted))


def insert_entries(connection: Connection, entries: Sequence[Entry]) -> None:
    """Write sealed entries and what files they name; raises BadEntry where a file is not stored."""
    links = {
        (entry.job, entry.number, ref.sha256): ref for entry in entries for ref in files_of(entry.content)
    }
    kept = kept_sizes(connection, {sha256 for _, _, sha256 in links})
    for (_, _, sha256), ref in links.items():
        if sha256 not in kept:
            raise BadEntry(f"the file {ref.name} ({sha256}) was not stored before it was entered")
    connection.execute(insert(EntryRow), [row_of(entry) for entry in entries])
    if links:
        rows = [{"job": job, "number": number, "sha256": sha256} for job, number, sha256 in links]
        connection.execute(insert(EntryFileRow), rows)


def insert_kept(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows of stored files, but for those that another program has written by now."""
    if connection.dialect.name == "sqlite":
        known = kept_sizes(connection, [row["sha256"] for row in rows])
        rows = [row for row in rows if row["sha256"] not in known]
        statement: Any = insert(KeptRow)
    else:
        from sqlalchemy.dialects.postgresql import insert as insert_or_pass  # noqa: PLC0415

        statement = insert_or_pass(KeptRow).on_conflict_do_nothing()
    if rows:
        # In one order for all programs, so that two that store the same files never wait for each other in a ring.
        connection.execute(statement, sorted(rows, key=lambda row: str(row["sha256"])))


def of_job(job: str, after: int) -> Any:
    """Select a job's entries in order, from the one after a number."""
    return select(*COLUMNS).where(EntryRow.job == job, EntryRow.number > after).order_by(EntryRow.number)


def last_of(connection: Connection, job: str) -> Entry | None:
    """A job's last entry, checked by its hash."""
    wanted = select(*COLUMNS).where(EntryRow.job == job).order_by(EntryRow.number.desc()).limit(1)
    row = connection.execute(wanted).first()
    return None if row is None else entry_of(row)


def kept_sizes(connection: Connection, sha256s: Iterable[str]) -> dict[str, int]:
    """Size of each of these files that has a row."""
    wanted, found = list(sha256s), {}
    for start in range(0, len(wanted), _AT_ONCE):
        some = wanted[start : start + _AT_ONCE]
        rows = connection.execute(select(KeptRow.sha256, KeptRow.bytes).where(KeptRow.sha256.in_(some)))
        found.update({row[0]: row[1] for row in rows})
    return found


def _newer(filed: Entry, refiled: Entry | None) -> Entry:
    return refiled if refiled and refiled.number > filed.number else filed
