"""Whether a register's file is still a GeoPackage by the standard, whoever wrote into it last."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Column, Connection, Table
from sqlalchemy.types import Date

from densite.errors import Level, Problem, seen
from densite.register import schema, triggers
from densite.register.columns import WGS84, Moment, UnreadablePlaceError, decode_place
from densite.register.geopackage import APPLICATION_ID
from densite.register.misplaced import WAY_OUT

SHOWN = 5  # so many records of one kind of damage are named
_VERSIONS = (10200, 10300, 10400)  # 'user_version' of GeoPackage 1.2 to 1.4, requirement 2
_DAY = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]"
_MINUTE = f"{_DAY}T[0-9][0-9]:[0-9][0-9]"
_SYSTEMS = {4326: "epsg 4326", -1: "none -1", 0: "none 0"}
# What a GIS may add: a spatial index (clause F.3), and the count of rows that GDAL keeps.
_OF_GIS = re.compile(r"rtree_.+|trigger_(insert|delete)_feature_count_.+|gpkg_tile_.+", re.IGNORECASE)
_AGAIN = "write it in the form of the standard where it was changed, or correct it with densite"
_REPAIR = "restore a backup with `densite restore`, or let the GIS that changed it save the file anew"


def whole(connection: Connection) -> Iterator[Problem]:
    """Ask SQLite for damage of pages, rows and indexes (requirement 6)."""
    told = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check(20)")]
    if told != ["ok"]:
        yield Problem(Level.ERROR, f"the file is damaged, SQLite finds: {'; '.join(told[:SHOWN])}", hint=_REPAIR)


def foreign_keys(connection: Connection) -> Iterator[Problem]:
    """Ask SQLite for rows whose den, visit or derivation is not there (requirement 7)."""
    lost: dict[tuple[str, str], list[int]] = {}
    for table, row, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        lost.setdefault((table, parent), []).append(row)
    for (table, parent), rows in lost.items():
        yield Problem(Level.ERROR, f"{table}: {len(rows)} rows point to a {parent} that is not there "
                      f"(fid {_some(rows)})", hint=_REPAIR)  # fmt: skip


def header(connection: Connection) -> Iterator[Problem]:
    """Look at what says that the file is a GeoPackage, and of which version (requirement 2)."""
    application = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
    version = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
    if application != APPLICATION_ID:
        said = f"application_id is {application:#x}, not {APPLICATION_ID:#x} (GPKG)"
        yield Problem(Level.WARNING, said, hint=_REPAIR)
    if version // 100 * 100 not in _VERSIONS:
        yield Problem(Level.WARNING, f"user_version is {version}: no GeoPackage 1.2 to 1.4", hint=_REPAIR)


def reference_systems(connection: Connection) -> Iterator[Problem]:
    """Look for the three rows that every GeoPackage holds (requirement 11)."""
    query = "SELECT srs_id, lower(organization) || ' ' || organization_coordsys_id FROM gpkg_spatial_ref_sys"
    there = {row[0]: row[1] for row in connection.exec_driver_sql(query)}
    for number, said in _SYSTEMS.items():
        if there.get(number) != said:
            yield Problem(Level.WARNING, f"gpkg_spatial_ref_sys: row {number} is missing or not '{said}'", hint=_REPAIR)


def contents(connection: Connection) -> Iterator[Problem]:
    """Compare gpkg_contents with the tables that are there (requirements 13 to 15)."""
    rows = connection.exec_driver_sql("SELECT table_name, last_change FROM gpkg_contents")
    listed = {str(row[0]): str(row[1]) for row in rows}
    names = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")
    there = {row[0] for row in names}
    for name in sorted(set(schema.metadata.tables) - listed.keys()):
        yield Problem(Level.WARNING, f"gpkg_contents does not list table {name}: a GIS will not show it", hint=_REPAIR)
    for name in sorted(listed.keys() - there):
        yield Problem(Level.WARNING, f"gpkg_contents lists {name}, which is not there", hint=_REPAIR)
    for name, changed in listed.items():
        if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?Z", changed):
            said = f"gpkg_contents: last_change of {name} is '{changed}', no UTC time"
            yield Problem(Level.WARNING, said, hint=_AGAIN)


def geometry_columns(connection: Connection) -> Iterator[Problem]:
    """Look at what is said of the dens' points (requirements 22 to 29)."""
    query = "SELECT table_name, column_name, upper(geometry_type_name), srs_id FROM gpkg_geometry_columns"
    there = {tuple(row) for row in connection.exec_driver_sql(query)}
    if ("den", "geom", "POINT", WGS84) not in there:
        yield Problem(Level.ERROR, "gpkg_geometry_columns does not say that den.geom holds points in WGS 84",
                      hint=_REPAIR)  # fmt: skip


def layout(connection: Connection) -> Iterator[Problem]:
    """Look for the register's own tables and columns."""
    for table in schema.metadata.sorted_tables:
        there = {row[1] for row in connection.exec_driver_sql(f'PRAGMA table_info("{table.name}")')}
        missing = [c.name for c in table.c if c.name not in there]
        if not there:
            yield Problem(Level.ERROR, f"table {table.name} is not there", hint=_REPAIR)
        elif missing:
            yield Problem(Level.ERROR, f"table {table.name} lacks its columns {', '.join(missing)}", hint=_REPAIR)


def trigger_texts(connection: Connection) -> Iterator[Problem]:
    """Compare the triggers that write the journal with what densite made."""
    query = "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'"
    there = {row[0]: (row[1], _plain(row[2])) for row in connection.exec_driver_sql(query)}
    ours = {text.split()[2]: _plain(text) for text in triggers.sqlite_triggers()}
    for name in (name for name, text in ours.items() if there.get(name, ("", ""))[1] != text):
        how = "altered" if name in there else "gone"
        yield Problem(Level.ERROR, f"trigger {name} is {how}: changes since then may not be in the journal",
                      hint=_REPAIR)  # fmt: skip
    for name, (table, _) in there.items():
        if name not in ours and table in schema.metadata.tables and not _OF_GIS.fullmatch(name):
            yield Problem(Level.WARNING, f"table {table} has a trigger that is not densite's: {name}",
                          hint="another program made it, and it runs with every change: ask who, and drop it if nobody "
                          "needs it")  # fmt: skip


def _plain(statement: str | None) -> str:
    return " ".join((statement or "").split())


def points(connection: Connection) -> Iterator[Problem]:
    """Look at every den's point: header, reference system, one finite place on Earth (requirements 19, 32, 33)."""
    wrong: dict[str, list[str]] = {}
    for label, blob in connection.exec_driver_sql("SELECT label, CASE typeof(geom) WHEN 'blob' THEN geom END FROM den"):
        said = _of_point(blob)
        if said:
            wrong.setdefault(said, []).append(seen(str(label)))
    for said, labels in wrong.items():
        yield Problem(Level.ERROR, f"the point of {len(labels)} dens {said} ({_some(labels)})", field="geom",
                      hint=WAY_OUT)  # fmt: skip


def _of_point(blob: Any) -> str:
    """Say what is wrong with a point's blob; blank where nothing is."""
    if not isinstance(blob, bytes) or blob[:2] != b"GP":
        return "is no GeoPackage geometry"
    try:
        decode_place(blob)
    except UnreadablePlaceError as error:
        return str(error)
    return ""


def forms(connection: Connection) -> Iterator[Problem]:
    """Look at the form of every day and time (table 1 of the standard, DATE and DATETIME)."""
    for table in schema.metadata.sorted_tables:
        for column in table.c:
            form = _form(column)
            if form:
                yield from _out_of_form(connection, table, column, form)


def _form(column: Column[Any]) -> str:
    """Write the SQL that holds for a well-formed day or time; blank for other columns."""
    name = f'"{column.name}"'
    if isinstance(column.type, Date):
        return f"({name} GLOB '{_DAY}' AND date({name}, '+0 days') = {name})"
    if isinstance(column.type, Moment):
        tails = " OR ".join(f"{name} GLOB '{_MINUTE}{tail}Z'" for tail in ("", ":[0-9][0-9]", ":[0-9][0-9].[0-9]*"))
        day = f"substr({name}, 1, 10)"
        return f"(({tails}) AND date({day}, '+0 days') = {day} AND julianday({name}) IS NOT NULL)"
    return ""


def _out_of_form(connection: Connection, table: Table, column: Column[Any], form: str) -> Iterator[Problem]:
    query = f'SELECT "{column.name}" FROM {table.name} WHERE "{column.name}" IS NOT NULL AND NOT {form}'  # noqa: S608 - names of ours
    wrong = [row[0] for row in connection.exec_driver_sql(query)]
    if wrong:
        kind = "day, YYYY-MM-DD" if isinstance(column.type, Date) else "UTC time, YYYY-MM-DDTHH:MM:SS.SSSZ"
        yield Problem(Level.ERROR, f"{table.name}.{column.name}: {len(wrong)} values are no {kind} ({_some(wrong)})",
                      field=column.name, hint=_AGAIN)  # fmt: skip


def _some(values: list[Any]) -> str:
    """Name the first few."""
    return ", ".join(seen(str(value)) for value in values[:SHOWN]) + (", ..." if len(values) > SHOWN else "")


CHECKS = (
    whole, foreign_keys, header, reference_systems, contents, geometry_columns, layout, trigger_texts, points, forms,
)  # fmt: skip
