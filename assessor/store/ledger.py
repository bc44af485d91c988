"""The job record on disk: entries that are only ever added, in a chain per job, and the files they name.

    with open_store("site-a") as store:
        photo = store.keep_file(Path("IMG_0001.jpg"))
        store.append("HALL", [CaptureFiled(..., photos=(photo,))], stamp, check=rules)

A store is a folder (`record.sqlite` and `files/`) or a PostgreSQL URL with a place for files. What `append` has
returned is on the disk; a program that is killed at any instant leaves whole entries only, and the next goes on there.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType

from sqlalchemy import Connection, text

from assessor.errors import BadEntry, NoJob, RecordDamaged, StoreUnusable
from assessor.job.chain import START, Entry, Stamp, seal
from assessor.job.entries import Content
from assessor.job.parts import FileRef
from assessor.store.database import Database
from assessor.store.files import clean_text
from assessor.store.kept import Files, Incoming, incoming, is_whole
from assessor.store.models import EntryRow
from assessor.store.queries import (
    JobHead,
    ListedCapture,
    assessed_keys_of,
    captures_of,
    heads_of,
    insert_entries,
    insert_kept,
    kept_sizes,
    last_of,
    of_job,
)  # fmt: skip
from assessor.store.rows import entry_of, must_follow
from assessor.store.trouble import clear_errors

Check = Callable[[tuple[Entry, ...]], None]
Clock = Callable[[], datetime]


class Ledger:
    """An open store; made by `opening.open_store`. Everything raises StoreUnusable where the place fails."""

    def __init__(self, database: Database, files: Files, now: Clock) -> None:
        self._database, self._files, self._now = database, files, now
        self._seen: tuple[Entry, ...] = ()

    @property
    def read_only(self) -> bool:
        """Whether nothing can be written here."""
        return self._database.read_only

    @property
    def where(self) -> str:
        """The store's place as it may be shown."""
        return self._database.where

    @property
    def now(self) -> Clock:
        """The clock that the store was opened with."""
        return self._now

    @property
    def database(self) -> Database:
        """For `checking` and `backup`."""
        return self._database

    @property
    def files(self) -> Files:
        """For `checking` and `backup`."""
        return self._files

    def close(self) -> None:
        """Give all connections back."""
        self._database.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self.close()

    # Files

    def keep_file(self, source: bytes | Path, name: str = "") -> FileRef:
        """Store a file as it is; when this returns it is on the disk. name: what it came by."""
        return self.keep_files([(source, name)])[0]

    def keep_files(self, sources: Sequence[tuple[bytes | Path, str]]) -> tuple[FileRef, ...]:
        """Store several files at once, which is much faster than one by one.

        Raises RecordDamaged where the same file was stored before and is no longer whole.
        """
        self._must_write()
        with clear_errors(self._files.where):
            came = [incoming(source) for source, _ in sources]
        names = [_name(source, name, file) for (source, name), file in zip(sources, came, strict=True)]
        new = {file.sha256: (file, name) for file, name in reversed(list(zip(came, names, strict=True)))}
        with self._database.reading() as connection:
            known = kept_sizes(connection, new)
        with clear_errors(self._files.where):
            self._files.put([file for file, _ in new.values() if self._is_wanted(file, known)])
        rows = [
            {"sha256": file.sha256, "bytes": file.size, "name": name, "at_utc": self._now().isoformat()}
            for file, name in new.values()
            if file.sha256 not in known
        ]
        if rows:
            with self._database.writing() as connection:
                insert_kept(connection, rows)
        return tuple(FileRef(sha256=file.sha256, name=name) for file, name in zip(came, names, strict=True))

    def _is_wanted(self, file: Incoming, known: Mapping[str, int]) -> bool:
        """Whether a file has to be written: not there, or left half written where no row names it."""
        if file.sha256 not in known:
            if not is_whole(self._files, file.sha256, file.size):
                return True
            # Another program may have put it there a moment ago, and not waited for the disk yet.
            self._files.settle(file.sha256)
            return False
        size = self._files.size(file.sha256)
        if size is not None and size != file.size:
            raise RecordDamaged(f"the stored file {file.sha256} has {size} bytes in place of {file.size}")
        return size is None

    def read_file(self, ref: FileRef | str) -> bytes:
        """A stored file, checked by its hash; raises BadEntry where it never was stored, RecordDamaged if not whole."""
        sha256 = _sha256(ref)
        try:
            with clear_errors(self._files.where):
                return _whole(self._files, sha256)
        except StoreUnusable as error:
            if isinstance(error.__cause__, FileNotFoundError):
                with self._database.reading() as connection:
                    kept = kept_sizes(connection, [sha256])
                if kept:
                    raise RecordDamaged(
                        f"the stored file {sha256} is missing", file=self._files.where
                    ) from error
                raise BadEntry(f"no file {sha256} was stored here") from error
            raise

    def file_path(self, ref: FileRef | str) -> Path | None:
        """Where a stored file lies on this machine (its hash is not checked), None in a remote place."""
        return self._files.path(_sha256(ref))

    # Entries

    def append(
        self, job: str, contents: Sequence[Content], stamp: Stamp, *, check: Check | None = None
    ) -> tuple[Entry, ...]:
        """Seal and write entries at the end of a job's record, all or none; when this returns they are on the disk.

        check: sees all entries of the job as they are, while nobody else can add any, and raises to refuse. Raises
        BadEntry where an entry names a file that is not stored, and RecordDamaged where the last entry is not whole.
        """
        self._must_write()
        _must_fit(job, contents, stamp)
        with self._database.writing() as connection:
            self._lock(connection, job)
            if check is not None:
                check(self._all(connection, job))
            last = last_of(connection, job)
            added: list[Entry] = []
            for content in contents:
                number, previous = (last.number + 1, last.digest) if last else (1, START)
                last = seal(job, number, content, stamp, previous)
                added.append(last)
            insert_entries(connection, added)
        return tuple(added)

    def entries(
        self, job: str, *, kinds: Iterable[str] | None = None, zone: int | None = None, after: int = 0
    ) -> tuple[Entry, ...]:
        """A job's entries in order, each checked by its hash, all of them also as a chain. Empty without such a job."""
        wanted = of_job(job, after)
        if kinds is not None:
            wanted = wanted.where(EntryRow.kind.in_(tuple(kinds)))
        if zone is not None:
            wanted = wanted.where(EntryRow.zone == zone)
        with self._database.reading() as connection:
            found = tuple(entry_of(row) for row in connection.execute(wanted))
            if kinds is None and zone is None and not after:
                must_follow(job, found, None)
        return found

    def entry(self, job: str, number: int) -> Entry:
        """One entry, checked by its hash; raises NoJob."""
        with self._database.reading() as connection:
            row = connection.execute(of_job(job, number - 1).limit(1)).first()
            if row is None or row[1] != number:
                raise NoJob(f"there is no entry {number} in job {job}")
            return entry_of(row)

    def jobs(self) -> tuple[JobHead, ...]:
        """Every job's head, by name."""
        with self._database.reading() as connection:
            return heads_of(connection)

    def head(self, job: str) -> JobHead | None:
        """One job's head, None where there is no such job."""
        with self._database.reading() as connection:
            return next(iter(heads_of(connection, job)), None)

    def captures(self, job: str) -> tuple[ListedCapture, ...]:
        """Every capture of a job with its newest place and assessment, in the order of filing."""
        with self._database.reading() as connection:
            return captures_of(connection, job)

    def assessed_keys(self, job: str) -> frozenset[tuple[str, str]]:
        """Every capture of a job with every key under which it was assessed or refused."""
        with self._database.reading() as connection:
            return assessed_keys_of(connection, job)

    def unassessed(self, job: str, wanted: Mapping[str, str]) -> tuple[str, ...]:
        """Captures that have no assessment under the key wanted of each: the work that is left, in the order given."""
        done = self.assessed_keys(job)
        return tuple(capture for capture, key in wanted.items() if (capture, key) not in done)

    def _all(self, connection: Connection, job: str) -> tuple[Entry, ...]:
        """All entries of a job inside a transaction. They never change, so those seen before are not read again."""
        seen = self._seen if self._seen and self._seen[-1].job == job else ()
        rows = connection.execute(of_job(job, max(len(seen) - 1, 0))).all()
        if seen and (not rows or rows[0].digest != seen[-1].digest):
            seen, rows = (), list(connection.execute(of_job(job, 0)).all())
        new = tuple(entry_of(row) for row in rows[1 if seen else 0 :])
        must_follow(job, new, seen[-1] if seen else None)
        self._seen = (*seen, *new)
        return self._seen

    def _lock(self, connection: Connection, job: str) -> None:
        # SQLite lets one writer in at a time anyway.
        if not self._database.is_sqlite:
            connection.execute(text("SELECT pg_advisory_xact_lock(hashtextextended(:job, 0))"), {"job": job})

    def _must_write(self) -> None:
        if self.read_only:
            raise StoreUnusable("the job record can only be read here", file=self.where)


def _whole(files: Files, sha256: str) -> bytes:
    with files.open(sha256) as file:
        data = file.read()
    if incoming(data).sha256 != sha256:
        raise RecordDamaged(f"the stored file {sha256} is not what was once stored")
    return data


def _sha256(ref: FileRef | str) -> str:
    """The hash asked for. It becomes part of a path, so nothing else may come through here."""
    told = ref if isinstance(ref, str) else ref.sha256
    if not re.fullmatch(r"[0-9a-f]{64}", told):
        raise BadEntry("a stored file is asked for by 64 characters 0-9 and a-f")
    return told


def _name(source: bytes | Path, name: str, file: Incoming) -> str:
    name = clean_text(name or ("" if isinstance(source, bytes) else source.name)).replace("\0", "")
    return name[:2000] if name.strip() else file.sha256[:12]


def _must_fit(job: str, contents: Sequence[Content], stamp: Stamp) -> None:
    """Refuse what one of the two databases would not take, before anything is written."""
    if not contents:
        raise BadEntry("nothing was entered")
    if not job.strip() or not stamp.who.strip() or not stamp.tool.strip():
        raise BadEntry("an entry needs a job, a name and a tool")
    told = [job, *(str(getattr(stamp, name)) for name in stamp.__dataclass_fields__)]
    told += (str(vars(content).get(name, "")) for content in contents for name in ("capture", "key"))
    if any("\0" in each or each != clean_text(each) for each in told):
        raise BadEntry("a name holds a character that cannot be stored")
    try:
        offset = datetime.fromisoformat(stamp.at_utc).utcoffset()
    except ValueError as error:
        raise BadEntry(f"{stamp.at_utc} is no time") from error
    if offset != timedelta(0):
        raise BadEntry(f"{stamp.at_utc} is not in UTC")
