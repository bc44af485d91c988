"""Turn what databases and disks complain of into one sentence that a person can act on."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from assessor.errors import RecordDamaged, StoreUnusable

FULL = "the disk is full; what was being entered is not in the record, all before it is"
READ_ONLY = "the job record can only be read here"
BUSY = "another program is writing the job record and did not finish in time"

_SQLITE = {
    sqlite3.SQLITE_BUSY: BUSY,
    sqlite3.SQLITE_LOCKED: BUSY,
    sqlite3.SQLITE_READONLY: READ_ONLY,
    sqlite3.SQLITE_PERM: READ_ONLY,
    sqlite3.SQLITE_IOERR: "the disk cannot be read or written",
    sqlite3.SQLITE_FULL: FULL,
    sqlite3.SQLITE_CANTOPEN: "the job record cannot be opened",
    sqlite3.SQLITE_NOTADB: "the file is no job record",
}
# SQLSTATE codes, https://www.postgresql.org/docs/15/errcodes-appendix.html; two characters name a class.
_POSTGRESQL = {
    "28": "the database server refuses this user or password",
    "3D": "the database server has no such database",
    "53": "the database server is full or has no connection left",
    "53100": "the database server's disk is full; what was being entered is not in the record, all before it is",
    "25006": READ_ONLY,
    "42501": "the database server does not let this user do that",
    "55P03": BUSY,
    "40": BUSY,
    "57": "the database server is stopping",
    "08": "the database server does not answer",
    "XX": "the database server says that its data are damaged",
}
_ERRNO = {
    errno.ENOSPC: FULL,
    errno.EDQUOT: FULL,
    errno.EFBIG: "the file is larger than this place takes; nothing was entered",
    errno.EROFS: READ_ONLY,
    errno.EACCES: READ_ONLY,
    errno.EPERM: READ_ONLY,
}


@contextmanager
def clear_errors(where: str) -> Iterator[None]:
    """Raise StoreUnusable, or RecordDamaged for a broken database file, in place of what drivers and disks raise."""
    try:
        yield
    except (RecordDamaged, StoreUnusable) as error:
        raise error.with_file(where) from error
    except DBAPIError as error:
        raise _told(error.orig or error, where) from error
    except (sqlite3.Error, SQLAlchemyError) as error:
        raise _told(error, where) from error
    except OSError as error:
        found = _ERRNO.get(error.errno or 0) or f"the place cannot be used ({error.strerror or error})"
        raise StoreUnusable(found, file=where) from error


def _told(error: BaseException, where: str) -> StoreUnusable | RecordDamaged:
    code = getattr(error, "sqlite_errorcode", None)
    if code is not None:
        # The low byte is the plain code; extended ones say where in SQLite it happened.
        if code & 0xFF == sqlite3.SQLITE_CORRUPT:
            return RecordDamaged("the database file is damaged", file=where)
        if code & 0xFF in _SQLITE:
            return StoreUnusable(_SQLITE[code & 0xFF], file=where)
    state = getattr(error, "sqlstate", None)
    if state:
        found = _POSTGRESQL.get(state) or _POSTGRESQL.get(state[:2])
        if found:
            return StoreUnusable(found, file=where)
    elif type(error).__module__.startswith("psycopg"):
        return StoreUnusable(_unreached(str(error)), file=where)
    # Drivers add the statement and its values on further lines; the first tells enough.
    return StoreUnusable(f"the job record cannot be used ({str(error).splitlines()[0]})", file=where)


def _unreached(message: str) -> str:
    """Why no connection came about. psycopg gives no code for it, and its text may name all hosts tried."""
    if "password" in message or "authentication" in message:
        return _POSTGRESQL["28"]
    if "does not exist" in message:
        return "the database server has no such database or user"
    return _POSTGRESQL["08"]
