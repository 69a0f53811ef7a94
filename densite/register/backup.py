"""Copies of a register's file, made while it is in use and verified by reading them back."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, func, inspect, select

from densite.errors import RegisterError
from densite.register import journal, schema
from densite.register.backend import info, version_in
from densite.register.geopackage import GeoPackage
from densite.register.store import Register

FOLDER = "backups"
_PRIVATE_FILE, _PRIVATE_FOLDER = 0o600, 0o700


@dataclass(frozen=True, slots=True)
class Contents:
    """What a register holds at a moment: version, study, rows of each table, number and hash of the last seal."""

    version: int
    study_id: str
    rows: dict[str, int]
    seq: int
    seal: str

    @property
    def records(self) -> int:
        """How many dens, visits and records of animals there are, corrected and withdrawn ones too."""
        return sum(count for name, count in self.rows.items() if name in schema.JOURNALED)

    def __str__(self) -> str:
        """Say it in one line."""
        told = f"{self.records} records"
        return f"{told}, last seal {self.seq} {self.seal[:16]}" if self.seal else f"{told}, no journal yet"


@dataclass(frozen=True, slots=True)
class Backup:
    """A verified copy of a register, and what it holds."""

    path: Path
    holds: Contents


def stamp(at: dt.datetime | None = None) -> str:
    """Write a time so that it can stand in a file's name.

    Parameters
    ----------
    at : datetime, optional
        Aware; now by default.

    Returns
    -------
    str
        ``20260301T123015Z``.
    """
    return (at or dt.datetime.now(dt.UTC)).astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")


def place_for(folder: Path, name: str) -> Path:
    """Return a free path in the private folder of a study's backups.

    Parameters
    ----------
    folder : Path
        Folder in which the register lies.
    name : str
        Name without ending; a number is added where it is taken.

    Returns
    -------
    Path
        ``FOLDER/backups/NAME.gpkg``; the folder is there, and only its owner can enter it if it was made now.

    Raises
    ------
    RegisterError
        The name would lead elsewhere, backups is a link, or the folder cannot be made.
    """
    backups = folder / FOLDER
    if Path(name).name != name or name in ("", ".", ".."):
        raise RegisterError(f"a backup cannot be called '{name}': give a plain name")
    if backups.is_symlink():
        raise RegisterError(f"{backups} is a link to another place: backups hold exact den places. Make it a folder")
    try:
        backups.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    except OSError as error:
        raise RegisterError(f"{backups} cannot be made: {error.strerror or error}. No backup was made") from None
    numbers = (f"-{n}" if n else "" for n in range(10_000))
    return next(path for n in numbers if not (path := backups / f"{name}{n}.gpkg").exists())


def back_up(register: Register, target: Path) -> Backup:
    """Copy a register's file as it is at one moment, while others may read and write it.

    Parameters
    ----------
    register : Register
        Open, of any version; it is only read.
    target : Path
        File to make; never overwritten.

    Returns
    -------
    Backup
        One plain file, without a write-ahead log, that only its owner can read. It was read back: it is whole by
        SQLite's own check, its journal's chain holds, and it holds what the register held at that moment.

    Raises
    ------
    RegisterError
        The target is there, the register is in a database or damaged, or the copy could not be written or
        verified; then there is no file under the target's name.

    Notes
    -----
    SQLite's online backup (sqlite3_backup_step, all pages in one step) copies what the reading transaction sees.
    A register in PostgreSQL is not copied into a file: the journal's seals are over the rows as PostgreSQL writes
    them, and would not fit what a GeoPackage holds. ``pg_dump`` keeps seals, triggers and roles.
    """
    if not isinstance(register.backend, GeoPackage):
        raise RegisterError(_with_pg_dump(register))
    if _is_there(target):
        raise RegisterError(f"{target} is there already: a backup is never written over a file. Name another")
    with _scratch_for(target) as scratch:
        with register.reading() as connection:
            held = contents(connection)
            _copy(connection, scratch)
        _verify(scratch, held)
        _publish(scratch, target)
    return Backup(target, held)


def contents(connection: Connection) -> Contents:
    """Read what a register of any version holds.

    Parameters
    ----------
    connection : Connection
        Reading or writing.

    Returns
    -------
    Contents
    """
    there = set(inspect(connection).get_table_names())
    tables = [table for name, table in schema.metadata.tables.items() if name in there]
    rows = {t.name: int(connection.execute(select(func.count()).select_from(t)).scalar_one()) for t in tables}
    seq, seal = journal.last_seal(connection) if schema.journal_seal.name in there else (0, "")
    return Contents(version_in(connection), info(connection, "study_id"), rows, seq, seal)


def _with_pg_dump(register: Register) -> str:
    name = getattr(register.backend, "schema", "public")
    return (
        f"register {register.where} is in PostgreSQL, whose own tool makes its backup: "
        f"pg_dump --format=custom --schema={name} --file=register.dump -d DATABASE; pg_restore brings it back. "
        "To read the records elsewhere: `densite export`"
    )


def _is_there(path: Path) -> bool:
    return path.exists() or path.is_symlink()


@contextlib.contextmanager
def _scratch_for(target: Path) -> Iterator[Path]:
    """Make an empty private file beside a target, and take away what is left of it."""
    scratch = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        os.close(os.open(scratch, os.O_CREAT | os.O_EXCL | os.O_RDWR, _PRIVATE_FILE))
        yield scratch
    except OSError as error:
        raise RegisterError(f"{target} cannot be written: {error.strerror or error}. No backup was made") from None
    finally:
        for ending in ("", "-journal", "-wal", "-shm"):
            scratch.with_name(scratch.name + ending).unlink(missing_ok=True)


def _copy(connection: Connection, scratch: Path) -> None:
    """Copy what a reading transaction sees, and make it one plain file."""
    source = connection.connection.driver_connection
    if source is None:
        raise RegisterError("the register was closed while it was copied. No backup was made")
    try:
        with contextlib.closing(sqlite3.connect(scratch)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        raise RegisterError(
            f"the copy could not be written ({error}): is the disk full, or the register damaged? No backup was made"
        ) from None


def _verify(scratch: Path, held: Contents) -> None:
    """Read a copy back from its file, and compare it with what was copied."""
    engine = _reader(scratch)
    try:
        with GeoPackage(scratch, writable=False).told_as_errors(), engine.connect() as connection, connection.begin():
            said = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
            broken = journal.broken(connection) if held.seal else None
            read = contents(connection)
    finally:
        engine.dispose()
    if said != "ok" or broken is not None:
        what = f"its journal breaks at entry {broken}" if said == "ok" else str(said).splitlines()[0]
        raise RegisterError(
            f"the copy is not sound ({what}), as the register itself: `densite check --deep` says more. No backup "
            "was made"
        )
    if read != held:
        raise RegisterError(
            f"the copy does not hold what was copied ({read}; the register: {held}). No backup was made"
        )


def _reader(path: Path) -> Engine:
    """Return an engine for a file that nobody else writes."""
    engine = create_engine(f"sqlite+pysqlite:///{path}")

    @event.listens_for(engine, "connect")
    def _set_up(connection: sqlite3.Connection, _: object) -> None:
        connection.execute("PRAGMA query_only = ON")
        connection.execute("PRAGMA cell_size_check = ON")

    return engine


def _publish(scratch: Path, target: Path) -> None:
    """Give a verified copy its name, once it is on the disk; another's file under that name is left alone."""
    sync(scratch)
    try:
        os.link(scratch, target)
    except FileExistsError:
        raise RegisterError(f"{target} is there already: a backup is never written over a file. Name another") from None
    except OSError:  # a file system without links
        if _is_there(target):
            raise RegisterError(f"{target} is there already: a backup is never written over a file") from None
        shutil.move(scratch, target)
    sync(target.parent)


def sync(path: Path) -> None:
    """Wait until a file or folder is on the disk, where the system can say so.

    Parameters
    ----------
    path : Path
        File or folder.
    """
    if path.is_dir() and os.name == "nt":
        return
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    except OSError:
        if not path.is_dir():  # some file systems cannot do it for folders
            raise
    finally:
        os.close(number)
