"""The register as a GeoPackage file (OGC 12-128r17): engine, system tables, extents."""

from __future__ import annotations

import contextlib
import datetime as dt
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pyproj import CRS
from sqlalchemy import Connection, Engine, Table, create_engine, event, text
from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError

from densite.animalterms import KINDS
from densite.errors import RegisterError
from densite.register import schema

APPLICATION_ID = 0x47504B47  # 'GPKG', clause 1.1.1.1.1
USER_VERSION = 10300  # GeoPackage 1.3.0
WAIT_MS = 5000

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
}


def engine_for(path: Path, *, read_only: bool = False) -> Engine:
    """Return an engine on a GeoPackage file: foreign keys on, write-ahead log, explicit transactions.

    Parameters
    ----------
    path : Path
        The register's file.
    read_only : bool
        Read as from a medium that cannot be written, without a write-ahead log of its own.

    Returns
    -------
    Engine
    """
    place = f"file:{quote(str(path.absolute()))}?mode=ro&immutable=1&uri=true" if read_only else str(path)
    engine = create_engine(f"sqlite+pysqlite:///{place}", connect_args={"timeout": WAIT_MS / 1000})
    pragmas = ["foreign_keys = ON", f"busy_timeout = {WAIT_MS}"]
    if not read_only:
        pragmas += ["journal_mode = WAL", "synchronous = NORMAL"]

    @event.listens_for(engine, "connect")
    def _set_up(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # transactions are begun below, not by the driver's own guess
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("densite_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextlib.contextmanager
def told_as_errors(path: Path) -> Iterator[None]:
    """Turn what the database says into one message that names the register and the way out."""
    try:
        yield
    except OperationalError as error:
        said = str(error.orig)
        if "locked" in said or "busy" in said:
            raise RegisterError(
                f"register {path} is in use by another program, waited {WAIT_MS // 1000} s: "
                "close it there (a GIS in edit mode?) and try again. Nothing was changed"
            ) from None
        advice = " Is the disk full, or the folder read-only?" if "disk" in said or "readonly" in said else ""
        raise RegisterError(f"register {path} cannot be used: {said}. Nothing was changed.{advice}") from None
    except IntegrityError as error:
        raise RegisterError(
            f"register {path}: a record contradicts one that is there ({error.orig}). Nothing was changed. "
            "Is another program writing into it?"
        ) from None
    except DatabaseError as error:
        raise RegisterError(f"register {path} is damaged or no GeoPackage: {error.orig}. Nothing was changed") from None
    except sqlite3.Error as error:
        raise RegisterError(f"register {path} cannot be used: {error}. Nothing was changed") from None


def lay_out(connection: Connection) -> None:
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
        _add_contents(connection, table)


def add_missing_tables(connection: Connection) -> None:
    """Give an older register the tables that it lacks; what it holds stays as it is.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    """
    there = {row[0] for row in connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'")}
    missing = [table for table in schema.metadata.sorted_tables if table.name not in there]
    schema.metadata.create_all(connection, tables=missing, checkfirst=False)
    for table in missing:
        _add_contents(connection, table)
    connection.execute(
        text("UPDATE study_info SET value = :v WHERE key = 'schema_version'"), {"v": str(schema.SCHEMA_VERSION)}
    )


def _add_reference_systems(connection: Connection) -> None:
    """Fill in the three rows that every GeoPackage holds (clause 1.1.2.1.2)."""
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


def _add_contents(connection: Connection, table: Table) -> None:
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


def study_in(connection: Connection) -> str:
    """Return the id of the study to which a register belongs."""
    return str(connection.execute(text("SELECT value FROM study_info WHERE key = 'study_id'")).scalar_one_or_none())


def version_in(connection: Connection) -> int:
    """Return the schema version of a register, 0 where the file is no register of ours."""
    known = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master WHERE name = 'study_info'").scalar_one()
    if not known:
        return 0
    value = connection.execute(text("SELECT value FROM study_info WHERE key = 'schema_version'")).scalar_one_or_none()
    return int(value) if value and str(value).isdigit() else 0
