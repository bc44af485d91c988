"""Find, make or refuse a store by the place that a person names."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from assessor.errors import StoreUnusable
from assessor.store.database import Database, server_database, sqlite_database, upgrade
from assessor.store.kept import Files, LocalFiles, place_of
from assessor.store.ledger import Clock, Ledger
from assessor.store.trouble import clear_errors

RECORD_FILE = "record.sqlite"
FILES_FOLDER = "files"
# How long a command waits for another one that is writing.
WAIT_S = 30.0
# A temporary file this old belongs to no program that still runs.
_LEFT_BEHIND = timedelta(days=1)


def open_store(
    place: str | Path,
    files: str | Path | None = None,
    *,
    create: bool = True,
    read_only: bool = False,
    now: Clock | None = None,
    wait_s: float = WAIT_S,
) -> Ledger:
    """Open the store at a folder, an SQLite URL or a PostgreSQL URL, and bring its tables up to date.

    files: where stored files lie, a folder or any fsspec URL; in the folder, or beside the SQLite file, where none is
    named. A place that cannot be written is opened for reading. Raises StoreUnusable, without any password.
    """
    database, beside = _database(place, create=create, read_only=read_only, wait_s=wait_s)
    if files is None and beside is None:
        raise StoreUnusable("with a database server, name a place for the files too", file=database.where)
    clock = now or (lambda: datetime.now(UTC))
    try:
        kept = place_of(files if files is not None else beside or "")
        upgrade(database, create=create)
        if not database.read_only:
            _sweep(kept, clock)
    except BaseException:
        database.close()
        raise
    return Ledger(database, kept, clock)


def _database(
    place: str | Path, *, create: bool, read_only: bool, wait_s: float
) -> tuple[Database, Path | None]:
    """The database at a place, and the folder where its files lie if nothing else is said."""
    if isinstance(place, str) and "://" in place:
        url = _url(place)
        kind = url.get_backend_name()
        if kind == "postgresql":
            return server_database(url, read_only=read_only, wait_s=wait_s), None
        if kind != "sqlite" or not url.database or url.database == ":memory:":
            raise StoreUnusable(
                "a store is a folder, an SQLite file or a PostgreSQL database", file=f"{kind}://"
            )
        path = Path(url.database)
    else:
        path = Path(place) / RECORD_FILE
    with clear_errors(str(path)):
        _make_ready(path, create=create and not read_only)
        # Asked of the system rather than tried: a try would leave a file behind, or fail late.
        writable = os.access(path.parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))
        if not writable and not path.exists():
            raise StoreUnusable("no job record can be made here: the folder can only be read", file=str(path))
    return sqlite_database(
        path, read_only=read_only or not writable, wait_s=wait_s
    ), path.parent / FILES_FOLDER


def _make_ready(path: Path, *, create: bool) -> None:
    if create:
        path.parent.mkdir(parents=True, exist_ok=True)
    elif not path.exists():
        raise StoreUnusable("there is no job record", file=str(path))


def _url(place: str) -> URL:
    try:
        return make_url(place)
    except (ArgumentError, ValueError) as error:
        # What cannot be read may hold a password anywhere, so nothing of it but its kind is shown.
        raise StoreUnusable(
            "the address of the database cannot be read", file=place.split("://", 1)[0]
        ) from error


def _sweep(files: Files, now: Clock) -> None:
    if isinstance(files, LocalFiles):
        files.sweep((now() - _LEFT_BEHIND).timestamp())
