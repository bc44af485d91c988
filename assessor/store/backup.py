"""Write the whole record into one file, and bring it back from there, on the same kind of database or the other."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TypeVar

from sqlalchemy import Connection, select

from assessor import __version__
from assessor.errors import BackupInvalid, RecordDamaged, StoreUnusable
from assessor.job.chain import START, Entry
from assessor.job.entries import files_of
from assessor.store.backup_format import (
    ENTRIES,
    FILES,
    KEPT,
    MANIFEST,
    BackupFile,
    BackupJob,
    Manifest,
    OpenBackup,
    entry_line,
    json_line,
    open_backup,
)  # fmt: skip
from assessor.store.kept import Files, Incoming, is_whole, pieces, sync
from assessor.store.ledger import Ledger
from assessor.store.models import REVISION, EntryRow, KeptRow
from assessor.store.opening import RECORD_FILE, open_store
from assessor.store.queries import JobHead, heads_of, insert_entries, insert_kept
from assessor.store.rows import COLUMNS, entry_of
from assessor.store.trouble import clear_errors

_BATCH = 500
_Each = TypeVar("_Each")


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What a backup holds; `jobs` gives each job's last hash, worth writing down elsewhere."""

    file: str
    program: str
    made_at_utc: str
    jobs: tuple[JobHead, ...]
    entries: int
    files: int
    bytes: int


def backup(store: Ledger, file: Path) -> BackupReport:
    """Write the record as it is at one instant, and every file it keeps, into a new file, whole or not at all.

    Everything is checked by its hash on the way. Raises RecordDamaged where the store is not whole, StoreUnusable
    where the file is there already (a backup is never written over) or cannot be written.
    """
    if file.exists():
        raise StoreUnusable("a file of this name is there already, and is not written over", file=str(file))
    temporary = file.with_name(f".{file.name[:40]}.{secrets.token_hex(8)}.tmp")
    try:
        with clear_errors(str(file)):
            file.parent.mkdir(parents=True, exist_ok=True)
            with temporary.open("xb") as target:
                with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
                    manifest, heads = _write(store, archive)
                target.flush()
                os.fsync(target.fileno())
            temporary.replace(file)
            sync(file.parent)
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    return _report(file, manifest, heads)


def restore(file: Path, place: str | Path, files: str | Path | None = None) -> BackupReport:
    """Bring a backup back into an empty place, all or nothing.

    The backup is checked whole before anything is written, and what was written is checked again before it counts.
    Raises BackupInvalid where the backup is damaged or the place holds a record already, StoreUnusable where it
    cannot be written.
    """
    with open_backup(file) as source, clear_errors(str(file)):
        _check(source)
        with clear_errors(str(place)):
            fresh = _fresh_folder(place)
        try:
            with open_store(place, files) as store:
                heads = _fill(store, source)
        except BaseException:
            if fresh is not None:
                shutil.rmtree(fresh, ignore_errors=True)
            raise
        return _report(file, source.manifest, heads)


def _write(store: Ledger, archive: zipfile.ZipFile) -> tuple[Manifest, tuple[JobHead, ...]]:
    kept: list[BackupFile] = []
    with store.database.reading() as connection:
        heads = heads_of(connection)
        entries_sha256 = _write_lines(archive, ENTRIES, _entry_lines(connection))
        kept_sha256 = _write_lines(archive, KEPT, _kept_lines(connection, kept))
    made_at = store.now()
    for each in kept:
        _write_file(store.files, archive, each, made_at)
    manifest = Manifest(
        format="assessor-backup-1",
        program=__version__,
        tables=REVISION,
        made_at_utc=made_at.isoformat(),
        jobs=tuple(BackupJob(job=head.job, entries=head.entries, digest=head.digest) for head in heads),
        files=tuple(kept),
        entries_sha256=entries_sha256,
        kept_sha256=kept_sha256,
    )
    archive.writestr(_member(MANIFEST, made_at), manifest.model_dump_json(indent=1))
    return manifest, heads


def _entry_lines(connection: Connection) -> Iterator[bytes]:
    wanted = select(*COLUMNS).order_by(EntryRow.job, EntryRow.number)
    chain = _Chain()
    for row in connection.execute(wanted, execution_options={"yield_per": _BATCH}):
        entry = entry_of(row)
        chain.add(entry)
        yield entry_line(entry)


def _kept_lines(connection: Connection, kept: list[BackupFile]) -> Iterator[bytes]:
    wanted = select(KeptRow.sha256, KeptRow.bytes, KeptRow.name, KeptRow.at_utc).order_by(KeptRow.sha256)
    for sha256, size, name, at_utc in connection.execute(wanted, execution_options={"yield_per": _BATCH}):
        kept.append(BackupFile(sha256=sha256, bytes=size))
        yield json_line({"sha256": sha256, "bytes": size, "name": name, "at_utc": at_utc})


def _write_lines(archive: zipfile.ZipFile, member: str, lines: Iterable[bytes]) -> str:
    digest = hashlib.sha256()
    packed = zipfile.ZipInfo(member)
    packed.compress_type = zipfile.ZIP_DEFLATED
    with archive.open(packed, "w", force_zip64=True) as target:
        for line in lines:
            digest.update(line)
            target.write(line)
    return digest.hexdigest()


def _write_file(files: Files, archive: zipfile.ZipFile, wanted: BackupFile, made_at: datetime) -> None:
    digest, size = hashlib.sha256(), 0
    try:
        with (
            files.open(wanted.sha256) as source,
            archive.open(_member(FILES + wanted.sha256, made_at), "w", force_zip64=True) as target,
        ):
            for piece in pieces(source):
                digest.update(piece)
                size += len(piece)
                target.write(piece)
    except FileNotFoundError as error:
        raise RecordDamaged(f"the stored file {wanted.sha256} is missing", file=files.where) from error
    if (digest.hexdigest(), size) != (wanted.sha256, wanted.bytes):
        raise RecordDamaged(f"the stored file {wanted.sha256} is not what was once stored", file=files.where)


def _member(name: str, made_at: datetime) -> zipfile.ZipInfo:
    return zipfile.ZipInfo(name, made_at.timetuple()[:6])


class _Chain:
    """Follows the chains of jobs that come one after the other, and what files they name."""

    def __init__(self) -> None:
        self.heads: dict[str, tuple[int, str]] = {}
        self.files: set[str] = set()

    def add(self, entry: Entry) -> None:
        """Take the next entry; raises RecordDamaged where it does not follow its job's last one."""
        number, previous = self.heads.get(entry.job, (0, START))
        if entry.number != number + 1 or entry.previous != previous:
            raise RecordDamaged(f"job {entry.job}: entry {entry.number} does not follow the one before")
        self.heads[entry.job] = (entry.number, entry.digest)
        self.files.update(ref.sha256 for ref in files_of(entry.content))

    def must_be(self, manifest: Manifest, name: str) -> None:
        """Raise BackupInvalid where the chains do not end as the manifest says, or files are missing."""
        if self.heads != {job.job: (job.entries, job.digest) for job in manifest.jobs}:
            raise BackupInvalid("its entries do not end as its manifest says", file=name)
        if not self.files <= {file.sha256 for file in manifest.files}:
            raise BackupInvalid("its entries name files that it does not hold", file=name)


def _check(source: OpenBackup) -> None:
    """Read a backup whole; raises BackupInvalid."""
    chain = _Chain()
    for entry in source.entries():
        chain.add(entry)
    chain.must_be(source.manifest, source.name)
    told = {(line.sha256, line.bytes) for line in source.kept()}
    if told != {(file.sha256, file.bytes) for file in source.manifest.files}:
        raise BackupInvalid("its list of files is not that of its manifest", file=source.name)
    for file in source.manifest.files:
        digest = hashlib.sha256()
        with source.open(file.sha256) as packed:
            for piece in pieces(packed):
                digest.update(piece)
        if digest.hexdigest() != file.sha256:
            raise BackupInvalid(f"its file {file.sha256} is not what was once stored", file=source.name)


def _fresh_folder(place: str | Path) -> Path | None:
    """The folder that the restored store will be alone in; None where something else lives beside it."""
    if isinstance(place, str) and "://" in place:
        return None
    folder = Path(place)
    if not folder.exists():
        return folder
    there = {each.name for each in folder.iterdir()}
    if there and RECORD_FILE not in there:
        raise BackupInvalid("the folder to restore to is not empty", file=str(folder))
    return None if there else folder


def _fill(store: Ledger, source: OpenBackup) -> tuple[JobHead, ...]:
    with store.database.reading() as connection:
        _must_be_empty(connection, store.where)
    with clear_errors(store.files.where):
        for files in _batches(source.manifest.files):
            wanted = [
                Incoming(partial(source.open, file.sha256), file.sha256, file.bytes)
                for file in files
                if not is_whole(store.files, file.sha256, file.bytes)
            ]
            store.files.put(wanted)
            for each in wanted:
                if not is_whole(store.files, each.sha256, each.size):
                    raise StoreUnusable(
                        f"the file {each.sha256} was not written as it is", file=store.files.where
                    )
    with store.database.writing() as connection:
        _must_be_empty(connection, store.where)
        for lines in _batches(source.kept()):
            insert_kept(connection, [line.model_dump() for line in lines])
        for entries in _batches(source.entries()):
            insert_entries(connection, entries)
        chain = _Chain()
        written = select(*COLUMNS).order_by(EntryRow.job, EntryRow.number)
        for row in connection.execute(written, execution_options={"yield_per": _BATCH}):
            chain.add(entry_of(row))
        chain.must_be(source.manifest, source.name)
        return heads_of(connection)


def _must_be_empty(connection: Connection, where: str) -> None:
    if connection.execute(select(KeptRow.sha256).limit(1)).first() or heads_of(connection):
        raise BackupInvalid("the place to restore to holds a record already", file=where)


def _batches(values: Iterable[_Each]) -> Iterator[list[_Each]]:
    them = iter(values)
    while batch := list(islice(them, _BATCH)):
        yield batch


def _report(file: Path, manifest: Manifest, heads: tuple[JobHead, ...]) -> BackupReport:
    return BackupReport(
        file=str(file),
        program=manifest.program,
        made_at_utc=manifest.made_at_utc,
        jobs=heads,
        entries=sum(head.entries for head in heads),
        files=len(manifest.files),
        bytes=sum(each.bytes for each in manifest.files),
    )
