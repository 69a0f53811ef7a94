"""The journal: every change of a record, sealed by a chain of hashes, and what was recorded at any time."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, Table, func, insert, select
from sqlalchemy.types import Boolean, Date, Double

from densite.register import schema
from densite.register.columns import Moment, as_text, place_if_legible

_BATCH = 5000
_FIELDS = ("seq", "at", "who", "source", "reason", "table_name", "record", "action", "before", "after")


@dataclass(frozen=True, slots=True)
class Entry:
    """One change: when (UTC), who (None: another program), from what, why, and the row before and after."""

    seq: int
    at: str
    who: str | None
    source: str | None
    reason: str | None
    table_name: str
    record: str
    action: str
    before: str | None
    after: str | None

    def hashed(self, previous: str) -> str:
        """Return the hash of this entry on top of the one before it (SHA-256, FIPS 180-4)."""
        told = json.dumps([getattr(self, name) for name in _FIELDS], ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(f"{previous}\n{told}".encode()).hexdigest()

    def changed(self) -> dict[str, tuple[Any, Any]]:
        """Return what changed: column to value before and after, as JSON holds them."""
        before, after = (json.loads(text) if text else {} for text in (self.before, self.after))
        names = dict.fromkeys([*before, *after])
        return {n: (before.get(n), after.get(n)) for n in names if n != "fid" and before.get(n) != after.get(n)}


def entries(
    connection: Connection,
    *,
    after: int = 0,
    until: str | None = None,
    records: tuple[str, ...] = (),
    most: int | None = None,
) -> Iterator[Entry]:
    """Yield entries in their order.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    after : int
        Only entries behind this number.
    until : str, optional
        Only entries made up to this time, UTC as text.
    records : tuple of str
        Only entries of these records; all by default.
    most : int, optional
        Not more than the first so many.

    Yields
    ------
    Entry
    """
    query: Select[Any] = select(*(schema.journal.c[name] for name in _FIELDS)).order_by(schema.journal.c.seq)
    query = query.where(schema.journal.c.seq > after)
    if until is not None:
        query = query.where(schema.journal.c.at <= until)
    if records:
        query = query.where(schema.journal.c.record.in_(records))
    if most is not None:
        query = query.limit(most)
    with connection.execute(query.execution_options(yield_per=_BATCH)) as found:
        for row in found:
            yield Entry(*row)


def seal(connection: Connection) -> int:
    """Chain all entries that are not sealed yet, those of other programs too.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.

    Returns
    -------
    int
        How many were sealed.
    """
    if connection.dialect.name == "postgresql":  # where nobody who writes may write seals himself
        return int(connection.execute(select(func.densite_seal())).scalar_one())
    sealed = 0
    while fresh := _chained(connection):
        connection.execute(insert(schema.journal_seal), fresh)
        sealed += len(fresh)
    return sealed


def _chained(connection: Connection) -> list[dict[str, Any]]:
    """Hash the next entries behind the last seal; not all at once, there may be a million of them."""
    last, previous = last_seal(connection)
    fresh = []
    for entry in entries(connection, after=last, most=_BATCH):
        previous = entry.hashed(previous)
        fresh.append({"seq": entry.seq, "hash": previous})
    return fresh


def last_seal(connection: Connection) -> tuple[int, str]:
    """Return number and hash of the last sealed entry; 0 and '' where there is none."""
    s = schema.journal_seal.c
    row = connection.execute(select(s.seq, s.hash).order_by(s.seq.desc()).limit(1)).first()
    return (int(row.seq), str(row.hash)) if row else (0, "")


def last_entry(connection: Connection) -> int:
    """Return the number of the newest entry, sealed or not; 0 where there is none."""
    return int(connection.execute(select(func.coalesce(func.max(schema.journal.c.seq), 0))).scalar_one())


def broken(connection: Connection) -> int | None:
    """Find the first entry that does not fit its seal, or a seal without its entry.

    Parameters
    ----------
    connection : Connection
        Reading or writing.

    Returns
    -------
    int or None
        Its number; None where the chain is whole. Entries behind the last seal are not looked at.
    """
    s = schema.journal_seal.c
    seals = {int(row.seq): str(row.hash) for row in connection.execute(select(s.seq, s.hash))}
    previous, last = "", max(seals, default=0)
    for entry in entries(connection):
        if entry.seq > last:
            break
        previous = entry.hashed(previous)
        if seals.pop(entry.seq, None) != previous:
            return entry.seq
    return min(seals, default=None)


def unsealed(connection: Connection) -> int:
    """Count the entries behind the last seal: what other programs wrote since densite last did."""
    last, _ = last_seal(connection)
    query = select(func.count()).select_from(schema.journal).where(schema.journal.c.seq > last)
    return int(connection.execute(query).scalar_one())


def state(connection: Connection, table: Table, *, until: str | None = None) -> dict[str, dict[str, Any]]:
    """Return every record of a table as it stood at a time, from the journal alone.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    table : Table
        One of the journaled tables.
    until : str, optional
        The time, UTC as text; now by default.

    Returns
    -------
    dict of str to dict
        Record id to its values by column, of the types that the table gives.
    """
    key = schema.journal.c
    query = select(key.record, key.after).where(key.table_name == table.name).order_by(key.seq)
    if until is not None:
        query = query.where(key.at <= until)
    latest = {row.record: row.after for row in connection.execute(query.execution_options(yield_per=_BATCH))}
    return {record: values(table, text) for record, text in latest.items()}


def values(table: Table, text: str) -> dict[str, Any]:
    """Turn the journal's JSON of a row into values by column.

    Parameters
    ----------
    table : Table
        The row's table.
    text : str
        ``before`` or ``after`` of an entry.

    Returns
    -------
    dict
        ``geom`` as well-known binary, or the bytes as they are if they are no point, times aware in UTC, days as dates.
    """
    told: Mapping[str, Any] = json.loads(text)
    return {c.name: _value(c.type, told.get(c.name), c.name) for c in table.c if c.name != "fid"}


def _value(kind: Any, value: Any, name: str) -> Any:
    if value is None:
        return None
    if name == "geom":
        held = bytes.fromhex(value)  # what another program wrote may be no point, and was there all the same
        return place_if_legible(held) or held
    if isinstance(kind, Moment):
        return dt.datetime.fromisoformat(value).astimezone(dt.UTC)
    if isinstance(kind, Date):
        return dt.date.fromisoformat(value)
    if isinstance(kind, Double):
        return float(value)  # PostgreSQL writes 3.0 as 3
    return bool(value) if isinstance(kind, Boolean) else value


def end_of(day: dt.date, zone: dt.tzinfo) -> str:
    """Return the last moment of a day in a zone, UTC as the journal writes it.

    Parameters
    ----------
    day : date
        The day.
    zone : tzinfo
        The study's time zone.

    Returns
    -------
    str
    """
    return as_text(dt.datetime.combine(day, dt.time(23, 59, 59, 999000), tzinfo=zone))
