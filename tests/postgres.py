"""A private PostgreSQL server with PostGIS for the tests: name it in a test file's ``pytest_plugins``."""

from __future__ import annotations

import contextlib
import importlib.util
import itertools
import os
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import pytest

USER = "postgres"  # of the system, where root runs the tests: PostgreSQL refuses root; and of the database
_PATIENCE_S = 30
_NUMBERS = itertools.count(1)
# Fast rather than safe: this server holds nothing that must outlive a crash.
_SETTINGS = ("fsync=off", "shared_buffers=32MB", "max_connections=60", "log_min_messages=warning")


@dataclass(frozen=True)
class Server:
    """A running server: port, the superuser's password, and the file of its log."""

    port: int
    password: str
    log: Path

    def url(self, database: str, *, user: str = USER, password: str = "", schema: str = "") -> str:
        """Return a register's URL, password and all."""
        query = f"?search_path={schema}" if schema else ""
        return f"postgresql+psycopg://{user}:{password or self.password}@127.0.0.1:{self.port}/{database}{query}"

    def connect(self, database: str = "postgres", *, user: str = USER, password: str = "") -> Any:
        """Connect as another program does, without densite; every statement is kept at once."""
        import psycopg

        told = {"host": "127.0.0.1", "port": self.port, "dbname": database, "user": user}
        return psycopg.connect(**told, password=password or self.password, autocommit=True)

    def run(self, statement: str, *values: Any, database: str = "postgres") -> None:
        """Run a statement as the superuser."""
        with self.connect(database) as connection:
            connection.execute(statement, values or None)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Server]:
    """A server of its own on a free port, with a database ``studies`` that has PostGIS; stopped in the end."""
    bin_folder = _found()
    folder = Path(tempfile.mkdtemp(prefix="densite-postgres-"))
    who = USER if os.geteuid() == 0 else None
    if who:
        shutil.chown(folder, who)
    try:
        with _running(bin_folder, folder, who) as server:
            server.run("CREATE DATABASE studies")
            server.run("CREATE EXTENSION postgis", database="studies")
            yield server
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgis_url(postgres_server: Server) -> str:
    """The URL of a schema that is not there yet, in a database with PostGIS."""
    return postgres_server.url("studies", schema=f"study_{next(_NUMBERS)}")


@pytest.fixture
def new_database(postgres_server: Server) -> Iterator[Callable[..., str]]:
    """A function that makes a database, with PostGIS or without, and returns its name."""
    made: list[str] = []

    def make(*, postgis: bool = True) -> str:
        made.append(f"apart_{next(_NUMBERS)}")
        postgres_server.run(f"CREATE DATABASE {made[-1]} TEMPLATE {'studies' if postgis else 'template1'}")
        return made[-1]

    yield make
    for name in made:
        postgres_server.run(f"DROP DATABASE {name} WITH (FORCE)")


def _found() -> Path:
    """Find the server's programs, Debian's first; skip without them, but never in CI."""
    for path in (*sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True), *_on_path()):
        if (path / "initdb").is_file() and importlib.util.find_spec("psycopg"):
            return path
    return _missing("PostgreSQL or psycopg")


def _on_path() -> list[Path]:
    found = shutil.which("initdb")
    return [Path(found).parent] if found else []


def _missing(what: str) -> NoReturn:
    if os.environ.get("CI"):
        pytest.fail(f"{what} is missing: .ci/run must install it")
    pytest.skip(f"{what} is not installed")


@contextlib.contextmanager
def _running(bin_folder: Path, folder: Path, who: str | None) -> Iterator[Server]:
    """Make a cluster in a folder and run its server until the end."""
    server = Server(_free_port(), secrets.token_urlsafe(12), folder / "log")
    handed = folder / "password"
    handed.write_text(server.password, encoding="utf-8")
    as_user: dict[str, Any] = {"user": who, "group": who, "extra_groups": ()} if who else {}
    if who:
        shutil.chown(handed, who)
    data = str(folder / "data")
    subprocess.run(
        [bin_folder / "initdb", "-D", data, "-U", USER, "-A", "scram-sha-256", f"--pwfile={handed}", "-E", "UTF8",
         "--locale=C.UTF-8", "--no-sync"],
        check=True, capture_output=True, cwd=folder, **as_user,
    )  # fmt: skip
    options = [part for setting in _SETTINGS for part in ("-c", setting)]
    with server.log.open("wb") as log:
        process = subprocess.Popen(
            [bin_folder / "postgres", "-D", data, "-h", "127.0.0.1", "-p", str(server.port), "-k", folder, *options],
            stdout=log, stderr=log, cwd=folder, **as_user,
        )  # fmt: skip
    try:
        _wait_for(server, process)
        yield server
    finally:
        process.send_signal(signal.SIGINT)  # clients are cut off, then it stops
        process.wait(_PATIENCE_S)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_for(server: Server, process: subprocess.Popen[bytes]) -> None:
    """Wait until the server answers."""
    import psycopg

    until = time.monotonic() + _PATIENCE_S
    while True:
        try:
            server.connect().close()
            return
        except psycopg.OperationalError:
            if process.poll() is not None or time.monotonic() > until:
                pytest.fail(f"PostgreSQL did not start: {server.log.read_text(errors='replace')[-2000:]}")
            time.sleep(0.1)
