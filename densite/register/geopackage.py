"""The register as a GeoPackage file (OGC 12-128r17): engine, system tables, extents."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import random
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, Table, create_engine, delete, event, text
from sqlalchemy.exc import DatabaseError, IntegrityError

from densite.animalterms import KINDS
from densite.errors import RegisterError
from densite.register import schema, triggers
from densite.register.columns import UnreadablePlaceError, decode_geometry

APPLICATION_ID = 0x47504B47  # 'GPKG', clause 1.1.1.1.1
USER_VERSION = 10300  # GeoPackage 1.3.0
WAIT_MS = 60_000  # sixteen crews writing without pause waited 5 s at most, measured; a GIS may save for longer
TELL_MS = 3000  # so long a person takes for slow what is waiting
_STEP_MS = 10  # shorter than a step of ours, and drawn at random: whoever asks often is not always first

_SYSTEM_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))
"""

_DESCRIPTIONS = {
    **{f"{kind.name}_record": f"{kind.heading}: {kind.meaning}" for kind in KINDS.values()},
    "den": "Den sites: exact places, for the crew only",
    "visit": "Visits: one crew at one den on one day",
    "derivation": "How each derived value was computed",
    "derived_value": "Values computed from layers at each den",
    "study_info": "Which study this is",
    "journal": "Every change of a record: who, when, before and after; only added to",
    "journal_context": "Who is writing just now",
    "journal_seal": "The journal's chain of hashes",
}


class GeoPackage:
    """A register's file: its engine, its errors in words, and what the standard asks to be written."""

    kind = "GeoPackage"

    def __init__(self, path: Path, *, writable: bool = True) -> None:
        self.path = path
        self.writable = writable
        self.engine = _engine(path, read_only=not writable)

    @property
    def where(self) -> str:
        """How messages name the register."""
        return str(self.path)

    @contextlib.contextmanager
    def told_as_errors(self) -> Iterator[None]:
        """Turn what the database says into one message that names the register and the way out."""
        with _told_as_errors(self.path):
            yield

    def lay_out(self, connection: Connection) -> None:
        """Create system tables, the register's own tables and triggers in an empty file."""
        _lay_out(connection)

    def say_who(self, connection: Connection, *, who: str | None, source: str, reason: str) -> None:
        """Tell the journal who writes, from what and why; all None or blank clears it again."""
        connection.execute(delete(schema.journal_context))
        if who is not None:
            row = {"who": who, "source": source or None, "reason": reason or None}
            connection.execute(schema.journal_context.insert().values(**row))

    def note_change(self, connection: Connection, table: str, bounds: tuple[float, float, float, float] | None) -> None:
        """Write the time of change and widen the extent [deg] of a table in gpkg_contents."""
        note_change(connection, table, bounds)


def _engine(path: Path, *, read_only: bool) -> Engine:
    """Return an engine: foreign keys on, write-ahead log, explicit transactions."""
    place = f"file:{quote(str(path.absolute()))}?{_without_writing(path)}&uri=true" if read_only else str(path)
    engine = create_engine(f"sqlite+pysqlite:///{place}", connect_args={"timeout": WAIT_MS / 1000})
    pragmas = ["foreign_keys = ON", "cell_size_check = ON"]
    if not read_only:  # fullfsync: on macOS only that reaches the disk itself
        pragmas += ["journal_mode = WAL", "synchronous = FULL", "fullfsync = ON", "checkpoint_fullfsync = ON"]

    @event.listens_for(engine, "connect")
    def _set_up(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # transactions are begun below, not by the driver's own guess
        _add_functions(connection)
        _patiently(connection, path, lambda: [connection.execute(f"PRAGMA {pragma}") for pragma in pragmas])

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("densite_writes", False)
        driver = connection.connection.dbapi_connection
        _patiently(driver, path, lambda: _start(driver, writes=writes))

    return engine


def _without_writing(path: Path) -> str:
    """Choose how a register is read without a change: beside writers where that can be, else as it lies there.

    ``immutable`` leaves out the write-ahead log; what others have in there would be passed over in silence.
    """
    alone = not os.access(path.absolute().parent, os.W_OK) and not _unfolded(path)
    return "mode=ro&immutable=1" if alone else "mode=ro"


def _unfolded(path: Path) -> bool:
    """Tell whether changes lie in the write-ahead log beside a register."""
    log = path.with_name(path.name + "-wal")
    return log.is_file() and log.stat().st_size > 0


def _start(driver: Any, *, writes: bool) -> None:
    """Begin a transaction: with the writers' lock, or with the state that is to be read."""
    driver.execute("BEGIN IMMEDIATE" if writes else "BEGIN")
    if writes:
        return
    try:
        driver.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error:
        driver.rollback()
        raise


def _patiently(driver: Any, path: Path, start: Callable[[], object]) -> None:
    """Try until the register is free; after some seconds say once on stderr that this is what takes so long.

    SQLite's own waiting ends in naps of 100 ms, so that a program that writes again and again keeps others
    out, and cannot be stopped by Ctrl-C.
    """
    began, told = time.monotonic(), False
    driver.execute("PRAGMA busy_timeout = 0")
    while True:
        try:
            start()
            break
        except sqlite3.OperationalError as error:
            waited = (time.monotonic() - began) * 1000
            if not _is_busy(error) or waited > WAIT_MS:
                raise
            if waited > TELL_MS and not told:
                told = True
                print(f"densite: {path} is in use by another program; waiting up to {_seconds(WAIT_MS)}. "
                      "Is it being edited in a GIS? Save and close it there", file=sys.stderr)  # fmt: skip
            time.sleep(random.uniform(1, _STEP_MS) / 1000)  # noqa: S311 - a nap, no secret
    driver.execute(f"PRAGMA busy_timeout = {WAIT_MS}")


def _is_busy(error: BaseException | None) -> bool:
    return any(word in str(error) for word in ("locked", "busy", "locking protocol"))


def _seconds(milliseconds: int) -> str:
    return f"{milliseconds / 1000:g} s"


def _add_functions(driver: Any) -> None:
    """Add what the triggers of a spatial index call, which a GIS may have made (OGC 12-128r17, clause F.3)."""
    for name, side in (("ST_MinX", 0), ("ST_MinY", 1), ("ST_MaxX", 2), ("ST_MaxY", 3)):
        driver.create_function(name, 1, lambda blob, side=side: _bounds(blob)[side], deterministic=True)
    driver.create_function("ST_IsEmpty", 1, lambda blob: _bounds(blob)[0] is None, deterministic=True)


def _bounds(blob: bytes | None) -> tuple[float | None, ...]:
    """Return west, south, east, north of a geometry blob; None of what is blank, empty or no geometry."""
    import shapely  # loads slowly, and only another program's triggers ask for bounds

    try:
        shape = None if blob is None else shapely.from_wkb(decode_geometry(blob))
    except (UnreadablePlaceError, shapely.errors.ShapelyError, TypeError):
        shape = None
    return (None,) * 4 if shape is None or shape.is_empty else shape.bounds


@contextlib.contextmanager
def _told_as_errors(path: Path) -> Iterator[None]:
    """Turn what the database says into one message that names the register and the way out."""
    try:
        yield
    except IntegrityError as error:
        raise RegisterError(
            f"register {path}: a record contradicts one that is there ({error.orig}). Nothing was changed. "
            "Is another program writing into it?"
        ) from None
    except DatabaseError as error:
        raise _as_told(path, error.orig) from None
    except sqlite3.Error as error:
        raise _as_told(path, error) from None


def _as_told(path: Path, error: BaseException | None) -> RegisterError:
    said = str(error)
    if _is_busy(error):
        return RegisterError(
            f"register {path} is in use by another program, waited {_seconds(WAIT_MS)}: "
            "close it there (a GIS in edit mode?) or wait until it is done, and try again. Nothing was changed"
        )
    if not isinstance(error, sqlite3.OperationalError):
        return RegisterError(
            f"register {path} is damaged or no GeoPackage: {said}. Nothing was changed. "
            "`densite check --deep` says what is damaged; `densite restore` puts a backup in its place"
        )
    advice = next((way for words, way in _WAYS_OUT.items() if words in said), "")
    return RegisterError(f"register {path} cannot be used: {said}. Nothing was changed.{advice}")


_WAYS_OUT = {
    "full": " The disk is full: make room and do the step again",
    "readonly": " The file or its folder is read-only: copy the study folder to a disk of yours, or ask for the right",
    "unable to open": " Can the folder be written? Changes that another program left in the -wal file beside the "
    "register can only be read there: copy both files to a disk of yours",
    "disk I/O": " Is the disk full, or the folder read-only or on a network?",
}


def _lay_out(connection: Connection) -> None:
    """Create the system tables and the register's own tables in an empty file.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    """
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.exec_driver_sql(f"PRAGMA user_version = {USER_VERSION}")
    for statement in _SYSTEM_TABLES.split(";"):
        connection.exec_driver_sql(statement)
    _add_reference_systems(connection)
    schema.metadata.create_all(connection, checkfirst=False)
    for table in schema.metadata.sorted_tables:
        add_contents(connection, table)
    for statement in triggers.sqlite_triggers():
        connection.exec_driver_sql(statement)


def _add_reference_systems(connection: Connection) -> None:
    """Fill in the three rows that every GeoPackage holds (clause 1.1.2.1.2)."""
    from pyproj import CRS  # only a new register asks for it

    rows = [
        (
            "Undefined cartesian SRS",
            -1,
            "NONE",
            -1,
            "undefined",
            "undefined cartesian coordinate reference system",
        ),
        (
            "Undefined geographic SRS",
            0,
            "NONE",
            0,
            "undefined",
            "undefined geographic coordinate reference system",
        ),
        (
            "WGS 84 geodetic",
            4326,
            "EPSG",
            4326,
            CRS.from_epsg(4326).to_wkt("WKT1_GDAL"),
            "longitude, latitude",
        ),
    ]
    connection.exec_driver_sql("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", rows)


def add_contents(connection: Connection, table: Table) -> None:
    """Enter a table into the GeoPackage's own list of contents.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    table : Table
        A table of the register.
    """
    spatial = "geom" in table.c
    connection.execute(
        text(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
            "VALUES (:t, :kind, :t, :said, :srs)"
        ),
        {"t": table.name, "kind": "features" if spatial else "attributes", "said": _DESCRIPTIONS[table.name],
         "srs": 4326 if spatial else None},
    )  # fmt: skip
    if spatial:
        connection.execute(
            text("INSERT INTO gpkg_geometry_columns VALUES (:t, 'geom', 'POINT', 4326, 0, 0)"),
            {"t": table.name},
        )


def note_change(connection: Connection, table: str, bounds: tuple[float, float, float, float] | None) -> None:
    """Write the time of change and widen the extent of a table in gpkg_contents.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    table : str
        Name of the table.
    bounds : tuple of float or None
        West, south, east, north of what was added. [deg]
    """
    now = dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
    connection.execute(
        text("UPDATE gpkg_contents SET last_change = :now WHERE table_name = :t"), {"now": now, "t": table}
    )
    if bounds is None:
        return
    west, south, east, north = bounds
    connection.execute(
        text(
            "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, :w), :w), min_y = min(coalesce(min_y, :s), :s), "
            "max_x = max(coalesce(max_x, :e), :e), max_y = max(coalesce(max_y, :n), :n) WHERE table_name = :t"
        ),
        {"w": west, "s": south, "e": east, "n": north, "t": table},
    )


def is_database(path: Path) -> bool:
    """Tell by its first bytes whether a file is an SQLite database."""
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\x00"
