"""Go through a whole store and say what is not what was once written."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import Connection, select, text

from assessor.errors import RecordDamaged, StoreUnusable
from assessor.job.chain import START
from assessor.job.entries import files_of
from assessor.store.kept import sha256_of
from assessor.store.ledger import Ledger
from assessor.store.models import EntryFileRow, EntryRow, KeptRow
from assessor.store.queries import JobHead, heads_of
from assessor.store.rows import COLUMNS, entry_of
from assessor.store.trouble import clear_errors

_SQLITE_GUARDS = {
    "entry_no_update", "entry_no_delete", "kept_no_update", "kept_no_delete", "entry_file_no_update",
    "entry_file_no_delete", "kept_no_replace", "entry_in_order",
}  # fmt: skip
_SERVER_GUARDS = {
    "entry_no_change", "entry_no_truncate", "kept_no_change", "kept_no_truncate", "entry_file_no_change",
    "entry_file_no_truncate", "entry_in_order",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Damage:
    """One thing that is not whole. name: the job, the file's SHA-256, or the store's place; number: of the entry."""

    part: Literal["database", "entry", "file"]
    name: str
    found: str
    number: int | None = None


@dataclass(frozen=True, slots=True)
class StoreReport:
    """What was gone through. leftovers: files that no row names, left by programs that were killed; they do no harm."""

    jobs: tuple[JobHead, ...]
    entries: int
    files: int
    leftovers: int
    damage: tuple[Damage, ...]

    @property
    def whole(self) -> bool:
        """Whether nothing is damaged."""
        return not self.damage


def check_store(
    store: Ledger, *, known_heads: Mapping[str, str] | None = None, files: bool = True
) -> StoreReport:
    """Check every entry's hash and chain, every file's hash, and the database itself.

    known_heads: a hash per job from a printed report or a backup's manifest, which has to be in that job's chain:
    without it nobody can tell that the newest entries were cut off. files: False leaves the files unread.
    """
    jobs: tuple[JobHead, ...] = ()
    damage: list[Damage] = []
    entries, kept, leftovers = 0, 0, 0
    try:
        with store.database.reading() as connection:
            damage += (Damage("database", store.where, found) for found in _database(connection))
            entries = _entries(connection, damage, dict(known_heads or {}))
            sizes = {
                row[0]: (row[1], row[2])
                for row in connection.execute(select(KeptRow.sha256, KeptRow.bytes, KeptRow.name))
            }
            kept, jobs = len(sizes), heads_of(connection)
        if files:
            damage += _files(store, sizes)
            with clear_errors(store.files.where):
                leftovers = sum(name not in sizes for name in store.files.names())
    except RecordDamaged as error:
        damage.append(Damage("database", store.where, error.found))
    return StoreReport(jobs, entries, kept, leftovers, tuple(damage))


def _database(connection: Connection) -> Iterator[str]:
    if connection.dialect.name == "sqlite":
        for (told,) in connection.execute(text("PRAGMA integrity_check")):
            if told != "ok":
                yield f"the database file is damaged ({told})"
        if connection.execute(text("PRAGMA foreign_key_check")).first():
            yield "rows name entries or files that are not there"
        wanted, asked = _SQLITE_GUARDS, "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    else:
        # O: fires as usual. A guard that was switched off is as good as gone.
        wanted, asked = (
            _SERVER_GUARDS,
            "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled = 'O'",
        )
    there = {row[0] for row in connection.execute(text(asked))}
    if not wanted <= there:
        yield f"guards against changes were taken away ({', '.join(sorted(wanted - there))})"


def _entries(connection: Connection, damage: list[Damage], known: dict[str, str]) -> int:
    """Add what is wrong with entries; return how many there are."""
    links: dict[tuple[str, int], set[str]] = defaultdict(set)
    for job, number, sha256 in connection.execute(
        select(EntryFileRow.job, EntryFileRow.number, EntryFileRow.sha256)
    ):
        links[job, number].add(sha256)
    wanted = select(*COLUMNS).order_by(EntryRow.job, EntryRow.number)
    rows = connection.execute(wanted, execution_options={"yield_per": 500})
    count, at, previous = 0, "", START
    after = 0
    for row in rows:
        count += 1
        if row.job != at:
            at, after, previous = row.job, 0, START
        if known.get(at) == row.digest:
            del known[at]
        found = _entry(row, after, previous, links.get((row.job, row.number), set()))
        if found:
            damage.append(Damage("entry", row.job, found, row.number))
        after, previous = row.number, row.digest
    for job, digest in known.items():
        damage.append(Damage("entry", job, f"the entry with the hash {digest} is gone"))
    return count


def _entry(row: object, after: int, previous: str, links: set[str]) -> str:
    """What is wrong with one row, empty where nothing is."""
    job, number, _, before = row[:4]  # type: ignore[index]
    if number != after + 1:
        return f"job {job}: entry {number} follows entry {after}"
    if before != previous:
        return f"job {job}: entry {number} does not name the hash of the one before"
    try:
        entry = entry_of(row)  # type: ignore[arg-type]
    except RecordDamaged as error:
        return error.found
    except StoreUnusable:
        # Its hash holds; a newer program can say what it means.
        return ""
    if {ref.sha256 for ref in files_of(entry.content)} != links:
        return f"job {job}: the files of entry {number} are not those that it names"
    return ""


def _files(store: Ledger, sizes: Mapping[str, tuple[int, str]]) -> Iterator[Damage]:
    for sha256, (size, name) in sizes.items():
        with clear_errors(store.files.where):
            try:
                there = store.files.size(sha256)
                if there is None:
                    yield Damage("file", sha256, f"the stored file {name} is missing")
                elif there != size or sha256_of(store.files, sha256) != sha256:
                    yield Damage("file", sha256, f"the stored file {name} is not what was once stored")
            except OSError as error:
                yield Damage(
                    "file", sha256, f"the stored file {name} cannot be read ({error.strerror or error})"
                )
