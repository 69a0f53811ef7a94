"""What a register holds, row by row as an export writes it, and typed again as it is read back."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Boolean, Column, Connection, Date, Double, Integer, Select, Table, select

from densite.register import schema
from densite.register.columns import Moment, as_text, decode_point

Row = dict[str, Any]

_BATCH = 5000
# Dens first, then what refers to them: the order in which an empty register can take them.
TABLES = (schema.den, schema.visit, *schema.record_tables.values())


def key_of(table: Table) -> str:
    """Return the column that names a record of a table."""
    return schema.JOURNALED[table.name]


def names_of(table: Table) -> list[str]:
    """Return the columns of an exported table: the record's id first, a point as longitude and latitude. [deg]"""
    stored = [c.name for c in table.c if c.name not in ("fid", "geom", key_of(table))]
    if "geom" in table.c:
        stored[1:1] = ["longitude", "latitude"]
    return [key_of(table), *stored]


def rows(connection: Connection, table: Table, *, every: bool = True) -> Iterator[Row]:
    """Yield the rows of a table in the order in which they were recorded.

    Parameters
    ----------
    connection : Connection
        From :meth:`densite.register.Register.reading`.
    table : Table
        One of ``TABLES``.
    every : bool
        Also dens and visits that were withdrawn, and the visits of such dens.

    Yields
    ------
    dict
        Values by the names of :func:`names_of`: numbers, dates, UTC times, text or None.
    """
    names = names_of(table)
    query: Select[Any] = select(*(c for c in table.c if c.name != "fid")).order_by(table.c.fid)
    if not every:
        there = select(schema.den.c.den_id).where(schema.in_sight(schema.den))
        query = query.where(schema.in_sight(table), table.c.den_id.in_(there))
    for found in connection.execute(query.execution_options(yield_per=_BATCH)).mappings():
        row = dict(found)
        if "geom" in row:
            row["longitude"], row["latitude"] = decode_point(row.pop("geom"))
        yield {name: row[name] for name in names}


def as_json(row: Mapping[str, Any]) -> Row:
    """Return a row as JSON can hold it, missing values left out; numbers keep every digit."""
    return {name: _plain(value) for name, value in row.items() if value is not None}


def _plain(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return as_text(value)
    return value.isoformat() if isinstance(value, dt.date) else value


def as_cell(value: Any) -> str:
    """Return a value as text: blank where it is missing, numbers with every digit, days and times by ISO 8601."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(_plain(value))


def typed(table: Table, told: Mapping[str, Any]) -> Row:
    """Turn text or JSON values back into a row of a table.

    Parameters
    ----------
    table : Table
        One of ``TABLES``.
    told : mapping
        Values by the names of :func:`names_of`; blank, None or left out where missing.

    Returns
    -------
    dict
        As :func:`rows` yields it.

    Raises
    ------
    ValueError
        A value is not of its column's type; the message names the column.
    """
    if unknown := [name for name in told if name not in names_of(table)]:
        raise ValueError(f"column {unknown[0]!r} is not one of {table.name}")
    found: Row = {}
    for name in names_of(table):
        value = told.get(name)
        try:
            found[name] = None if value is None or value == "" else _read(table.c.get(name), value)
        except (ValueError, TypeError, OverflowError):
            raise ValueError(f"{name} {value!r} cannot be read") from None
    return found


def _read(column: Column[Any] | None, value: Any) -> Any:
    kind = Double() if column is None else column.type  # longitude and latitude stand for the point
    if isinstance(kind, Double):
        return _finite(float(value))
    if isinstance(kind, Moment):
        return dt.datetime.fromisoformat(value).astimezone(dt.UTC)
    if isinstance(kind, Date):
        return dt.date.fromisoformat(value)
    if isinstance(kind, Boolean):
        return {True: True, False: False, "true": True, "false": False}[value]
    if isinstance(kind, Integer):
        return int(value)
    if not isinstance(value, str):
        raise TypeError
    return value


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError
    return number
