"""A throw-away PostgreSQL server for tests of the store, where PostgreSQL is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy.engine import URL


def _folder() -> Path | None:
    """Where initdb and pg_ctl lie: on the path, or where Debian puts them."""
    found = shutil.which("initdb")
    folders = (
        [Path(found).parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    )
    return next((each for each in folders if (each / "pg_ctl").exists()), None)


@pytest.fixture(scope="session")
def server() -> Iterator[URL]:
    """Address of a fresh server on a Unix socket, gone when the tests are."""
    pytest.importorskip("psycopg", reason="the driver psycopg is not installed")
    folder = _folder()
    if folder is None:
        pytest.skip("PostgreSQL is not installed here")
    # PostgreSQL will not run as root, and a socket's path may have 107 characters at most, so not in tmp_path.
    place = Path(tempfile.mkdtemp(prefix="pg-"))
    as_user: list[str] = []
    if os.geteuid() == 0:
        # It lies where a plain user's path does not lead.
        runuser = shutil.which("runuser", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
        if runuser is None:
            pytest.skip("PostgreSQL does not run as root, and there is no runuser here")
        try:
            shutil.chown(place, "postgres")
        except LookupError:
            pytest.skip("PostgreSQL does not run as root, and there is no user postgres here")
        as_user = [runuser, "-u", "postgres", "--"]

    def run(*words: str) -> None:
        done = subprocess.run([*as_user, *words], capture_output=True, text=True, cwd="/", check=False)
        if done.returncode:
            pytest.skip(f"PostgreSQL does not start here: {done.stderr[-300:]}")

    data, options = f"{place}/data", f"-k {place} -c listen_addresses='' -c fsync=off"
    run(f"{folder}/initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8", "--locale=C")
    # The log goes to a file: the server would keep our pipe open for ever.
    run(f"{folder}/pg_ctl", "-D", data, "-l", f"{place}/log", "-w", "-o", options, "start")
    try:
        yield URL.create(
            "postgresql+psycopg", username="tester", database="postgres", query={"host": str(place)}
        )
    finally:
        run(f"{folder}/pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(place, ignore_errors=True)


@pytest.fixture
def new_database(server: URL) -> str:
    """URL of the server's database, emptied (making one for each test takes five times as long)."""
    import psycopg  # noqa: PLC0415

    with psycopg.connect(
        host=str(server.query["host"]), user="tester", dbname="postgres", autocommit=True
    ) as link:
        link.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = 'postgres' AND pid != pg_backend_pid()"
        )
        link.execute("DROP SCHEMA public CASCADE")
        link.execute("CREATE SCHEMA public")
    return server.render_as_string(hide_password=False)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, str | None]:
    """What `open_store` takes for an empty store: once SQLite, once PostgreSQL."""
    if request.param == "sqlite":
        return str(tmp_path / "store"), None
    return request.getfixturevalue("new_database"), str(tmp_path / "files")
