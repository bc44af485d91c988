"""Open the database of the job record, SQLite or PostgreSQL, bring it up to date, or say what is in the way."""

from __future__ import annotations

import os
import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL
from sqlalchemy.pool import NullPool, QueuePool

from assessor.errors import StoreUnusable
from assessor.store.models import REVISION
from assessor.store.trouble import clear_errors

MIGRATIONS = Path(__file__).parent / "migrations"
# Lets one program at a time upgrade a PostgreSQL store; any fixed number does.
_UPGRADE_LOCK = 7_301_608


class Database:
    """Connections to one store, one transaction at a time. Each process gets its own, also after a fork."""

    def __init__(self, engine: Engine, *, where: str, read_only: bool) -> None:
        self.where, self.read_only = where, read_only
        self._engine, self._pid = engine, os.getpid()

    @property
    def is_sqlite(self) -> bool:
        """Whether the store is an SQLite file."""
        return self._engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees the record at one instant, whatever others write meanwhile."""
        options: dict[str, Any] = {} if self.is_sqlite else {"isolation_level": "REPEATABLE READ"}
        with clear_errors(self.where), self._connect(options) as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that writes all or nothing; with SQLite nobody else writes meanwhile. Raises StoreUnusable."""
        if self.read_only:
            raise StoreUnusable("the job record can only be read here", file=self.where)
        with clear_errors(self.where), self._connect({"writes": True}) as connection, connection.begin():
            yield connection

    def close(self) -> None:
        """Give all connections back."""
        self._engine.dispose(close=os.getpid() == self._pid)

    @contextmanager
    def _connect(self, options: dict[str, Any]) -> Iterator[Connection]:
        if os.getpid() != self._pid:
            # Connections must not cross a fork: the parent's are left to the parent, unclosed.
            self._engine.dispose(close=False)
            self._pid = os.getpid()
        with self._engine.connect().execution_options(**options) as connection:
            yield connection


def sqlite_database(path: Path, *, read_only: bool, wait_s: float) -> Database:
    """Open an SQLite file; it is made where it is not there and may be written."""

    def connect() -> sqlite3.Connection:
        if read_only:
            return _connect_read_only(path, wait_s)
        # isolation_level None: transactions begin where we say so, not where the driver thinks.
        connection = sqlite3.connect(path, timeout=wait_s, isolation_level=None, check_same_thread=False)
        try:
            _use_wal(connection, time.monotonic() + wait_s)
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute("PRAGMA foreign_keys=ON")
        except BaseException:
            connection.close()
            raise
        return connection

    pool = NullPool if read_only else QueuePool
    engine = create_engine("sqlite://", creator=connect, poolclass=pool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        # IMMEDIATE takes the write lock before anything is read, so what is checked cannot change before it is written.
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return Database(engine, where=str(path), read_only=read_only)


def _use_wal(connection: sqlite3.Connection, until_s: float) -> None:
    while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as error:
            # Two programs that open a new store at once block each other here, and SQLite waits for neither.
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
            time.sleep(random.uniform(0.001, 0.02))


def _connect_read_only(path: Path, wait_s: float) -> sqlite3.Connection:
    address = f"file:{quote(str(path.absolute()))}?mode=ro"
    connection = sqlite3.connect(
        address, timeout=wait_s, isolation_level=None, uri=True, check_same_thread=False
    )
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        waiting = Path(f"{path}-wal")
        if waiting.exists() and waiting.stat().st_size:
            # Entries wait in the log, and SQLite cannot read it here. Without them the record would look cut off.
            raise
        # A write-ahead log needs a shared file beside the database, which a read-only folder does not let it make.
        connection = sqlite3.connect(
            f"{address}&immutable=1", isolation_level=None, uri=True, check_same_thread=False
        )
    return connection


def server_database(url: URL, *, read_only: bool, wait_s: float) -> Database:
    """Connect to a PostgreSQL server by psycopg; raises StoreUnusable where the driver is missing."""
    where = shown_url(url)
    timeout = {} if "connect_timeout" in url.query else {"connect_timeout": max(int(wait_s), 1)}
    try:
        engine = create_engine(
            url.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,
            connect_args={"client_encoding": "utf8", **timeout},
        )
    except ImportError as error:
        raise StoreUnusable(
            "the driver for PostgreSQL is missing (pip install 'assessor[postgres]')", file=where
        ) from error

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _: object) -> None:
        connection.execute(f"SET lock_timeout = {int(wait_s * 1000)}")
        # A server may be set to answer before its disk has the entry. Ours may not.
        connection.execute("SET synchronous_commit = on")
        connection.commit()

    return Database(engine, where=where, read_only=read_only)


def shown_url(url: URL) -> str:
    """The address as it may be shown: no password, no options."""
    return url.set(query={}, password=None).render_as_string()


def upgrade(database: Database, *, create: bool) -> None:
    """Bring the store to this program's tables; raises StoreUnusable where that cannot or must not be."""
    with database.reading() as connection:
        if _revision(connection, database.where) == REVISION:
            return
    if database.read_only:
        raise StoreUnusable(
            "the job record was made by an older program, and cannot be brought up to date where it can only be read",
            file=database.where,
        )
    with database.writing() as connection:
        if not database.is_sqlite:
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _UPGRADE_LOCK})
        _migrate(connection, database.where, create=create)


def _migrate(connection: Connection, where: str, *, create: bool) -> None:
    # Imported here: it takes longer than all the rest, and a store that is up to date never needs it.
    from alembic import command  # noqa: PLC0415
    from alembic.config import Config  # noqa: PLC0415
    from alembic.script import ScriptDirectory  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    revision = _revision(connection, where)
    if revision is None and not create:
        raise StoreUnusable("there is no job record", file=where)
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if revision is not None and revision not in known:
        raise StoreUnusable(
            f"the job record was made by a newer program (its tables are {revision}, this program knows {REVISION}): "
            "install that program or a newer one",
            file=where,
        )
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _revision(connection: Connection, where: str) -> str | None:
    """Revision of the tables that are there; None where there are none at all."""
    tables = inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        if tables:
            raise StoreUnusable("this database belongs to something else", file=where)
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
