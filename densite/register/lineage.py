"""Where the values of a record come from: each change of each of its parts, across copies that were merged.

A part is a column, or columns that only make sense together. A change is known by a digest of what it
says, so a copy of a register knows it again. A merge writes into the reason of its journal entries which
changes it took over or settled, so the journal alone tells what a register knows.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache
from itertools import groupby
from types import MappingProxyType
from typing import Any, Literal

from sqlalchemy import Connection, Double, Table, select

from densite.register import journal, schema
from densite.register.columns import as_text, place_if_legible
from densite.register.journal import Entry
from densite.register.store import DESCRIBED_TOGETHER

PLACE = ("geom", "uncertainty_m", "position_method", "position_note")
SOURCE = ("recorded_at", "source_file", "source_line", "as_recorded")
MERGE = "merge "  # the sources of a merge's journal entries begin so
EVERY = "*"

_TOGETHER = (PLACE, SOURCE, *(group for group in DESCRIBED_TOGETHER if len(group) > 1))
_BLANKS: Mapping[str, Any] = MappingProxyType(
    {"den_type": "unknown", "morning_sun": "not recorded", "confirmed": False}
)
_NOTE = re.compile(r" ?\{(?P<items>[^{}]*)\}$")
_ITEM = re.compile(r"(?P<part>\*|\w+)(?P<how>[:~]?)=(?P<ids>[0-9a-f]{12}(?:,[0-9a-f]{12})*)")
_AUTHOR = re.compile(r"from .+?, there by (?P<who>.*?) at (?P<at>\S+Z)(?:: (?P<why>.*?))?(?: \{[^{}]*\})?", re.DOTALL)

Value = tuple[Any, ...]
Told = Mapping[str, tuple[str, Sequence[str]]]  # part: blank, ':' settled here or '~' a settlement taken over; ids
Verdict = Literal["same", "mine", "theirs", "conflict"]


@dataclass(frozen=True, slots=True)
class Event:
    """One change of one part: its name, its number in this journal, when, by whom, why, and the new values."""

    id: str
    seq: int
    at: str
    who: str
    why: str
    value: Value
    settled: bool = False


@dataclass(slots=True)
class Strand:
    """The story of one part of a record in one register, and all changes of it that this register knows."""

    events: list[Event] = field(default_factory=list)
    known: set[str] = field(default_factory=set)

    @property
    def current(self) -> Event:
        """The change that is in force."""
        return self.events[-1]

    @property
    def value(self) -> Value:
        """The part's values now."""
        return self.events[-1].value

    def ids(self) -> list[str]:
        """Return all that is known, the change in force first."""
        return [self.current.id, *sorted(self.known - {self.current.id})]

    def taken(self) -> tuple[str, list[str]]:
        """Return what a register notes that takes this part over."""
        return "~" if self.current.settled else "", self.ids()


Lineage = dict[str, Strand]


@cache
def parts(table: Table) -> Mapping[str, tuple[str, ...]]:
    """Divide the columns of a table into parts that are merged as one.

    Parameters
    ----------
    table : Table
        One of the journaled tables.

    Returns
    -------
    mapping of str to tuple of str
        Part, named by its first column, to its columns; the id is in none.
    """
    names = [c.name for c in table.c if c.name not in ("fid", schema.JOURNALED[table.name])]
    clocks = [(name, f"{name.removesuffix('_at')}_local") for name in names if name.endswith("_at")]
    found: dict[str, tuple[str, ...]] = {}
    for name in names:
        group = next((g for g in (*_TOGETHER, *clocks) if name in g), (name,))
        kept = tuple(n for n in group if n in names)
        found[kept[0]] = kept
    return MappingProxyType(found)


def blank(table: Table, part: str) -> Value:
    """Return what a part holds where nobody has recorded anything.

    Parameters
    ----------
    table : Table
        One of the journaled tables.
    part : str
        A name of :func:`parts`.

    Returns
    -------
    tuple
        None, or the word that stands for it, for each column.
    """
    return tuple(_BLANKS.get(name) for name in parts(table)[part])


def plain(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    """Bring a row to the form in which rows of two engines are compared.

    Parameters
    ----------
    table : Table
        The row's table.
    row : mapping
        Values by column, from a table or from the journal.

    Returns
    -------
    dict
        Points as our own well-known binary, numbers as float; without ``fid``.
    """
    told = {c.name: _plain(c.type, row[c.name], c.name) for c in table.c if c.name != "fid"}
    if table.name in ("den", "visit") and told["withdrawn"] != schema.WITHDRAWN:  # what else another program wrote
        told["withdrawn"] = None
    return told


def _plain(kind: Any, value: Any, name: str) -> Any:
    if value is None:
        return None
    if name == "geom":  # an entry keeps what another program wrote, even if it is no point
        return place_if_legible(value) or value
    return float(value) if isinstance(kind, Double) and isinstance(value, int) else value


def lineages(connection: Connection, table: Table, records: Iterable[str]) -> dict[str, Lineage]:
    """Read from the journal where the values of some records come from.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    table : Table
        One of the journaled tables.
    records : iterable of str
        Ids, some hundreds at most.

    Returns
    -------
    dict of str to dict of str to Strand
        Record to part to its story. A record without an entry is missing.
    """
    wanted, key = list(records), schema.journal.c
    if not wanted:
        return {}
    query = select(*(key[f.name] for f in fields(Entry))).order_by(key.record, key.seq)
    query = query.where(key.table_name == table.name, key.record.in_(wanted))
    told = [Entry(*row) for row in connection.execute(query)]
    return {record: _lineage(table, entries) for record, entries in groupby(told, key=lambda entry: entry.record)}


def _lineage(table: Table, entries: Iterable[Entry]) -> Lineage:
    made: Lineage = {part: Strand() for part in parts(table)}
    before: dict[str, Any] | None = None
    for entry in entries:
        if entry.before is not None:
            before = plain(table, journal.values(table, entry.before))
        after = plain(table, journal.values(table, entry.after or "{}"))
        _add(made, table, entry, before, after)
    return made


def _add(made: Lineage, table: Table, entry: Entry, before: dict[str, Any] | None, after: dict[str, Any]) -> None:
    own, told = _digest(table, entry, before, after), note_in(entry)
    who, at, why = author(entry)
    for part, columns in parts(table).items():
        value = tuple(after[name] for name in columns)
        changed = before is None or tuple(before[name] for name in columns) != value
        how, ids = told.get(part) or (told.get(EVERY) if changed else None) or ("", [])
        if not changed and not ids:
            continue
        name = ids[0] if ids and how != ":" else own
        strand = made[part]
        strand.known.update((name, *ids))
        strand.events.append(Event(name, entry.seq, at, who, why, value, settled=bool(how)))


def _digest(table: Table, entry: Entry, before: dict[str, Any] | None, after: dict[str, Any]) -> str:
    """Name a change by what it says; a record's first row by its values alone, so that it is known in any copy.

    Blanks do not count: a later schema may add columns.
    """
    told = [[n, v] for n, v in after.items() if v is not None and (before is not None or n not in SOURCE)]
    stamp = None if before is None else [entry.at, entry.who, [[n, v] for n, v in before.items() if v is not None]]
    text = json.dumps([table.name, entry.record, stamp, told], default=_text, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _text(value: Any) -> str:
    if isinstance(value, dt.datetime):
        return as_text(value)
    return value.hex() if isinstance(value, bytes) else str(value)


def note_in(entry: Entry) -> dict[str, tuple[str, list[str]]]:
    """Read what a merge has noted with a journal entry.

    Parameters
    ----------
    entry : Entry
        Any entry; those that no merge wrote note nothing.

    Returns
    -------
    dict of str to tuple
        Part, or ``*`` for all others, to ``:`` where a person settled it here, ``~`` where a settlement
        was taken over, else blank; and the changes it knows, of which the first is the one taken over.
    """
    match = _NOTE.search(entry.reason or "") if (entry.source or "").startswith(MERGE) else None
    if match is None:
        return {}
    return {m["part"]: (m["how"], m["ids"].split(",")) for m in _ITEM.finditer(match["items"])}


def note(told: Told) -> str:
    """Write what a merge has taken over or settled, as :func:`note_in` reads it.

    Parameters
    ----------
    told : mapping of str to tuple
        As :func:`note_in` returns it.

    Returns
    -------
    str
        Blank where there is nothing to tell.
    """
    items = [f"{part}{how}={','.join(ids)}" for part, (how, ids) in told.items()]
    return f" {{{' '.join(items)}}}" if items else ""


def author(entry: Entry) -> tuple[str, str, str]:
    """Say who made a change, when and why, also where a merge has brought it here.

    Parameters
    ----------
    entry : Entry
        Any entry.

    Returns
    -------
    tuple of str
        Who, when (UTC) and why.
    """
    who, why = entry.who or "another program", entry.reason or ""
    if not (entry.source or "").startswith(MERGE):
        return who, entry.at, why
    match = _AUTHOR.fullmatch(why)
    return (match["who"], match["at"], match["why"] or "") if match else (who, entry.at, _NOTE.sub("", why))


def decide(mine: Strand, theirs: Strand, empty: Value) -> Verdict:
    """Choose between the values that a part has in two registers.

    Parameters
    ----------
    mine, theirs : Strand
        The part's story in either.
    empty : tuple
        What it holds where nothing is recorded: the common ancestor of records made twice.

    Returns
    -------
    str
        ``same``; ``mine`` or ``theirs``, where that side knew the other's value and went on from it, or the
        other never changed it; ``conflict``.
    """
    if mine.value == theirs.value:
        return "same"
    here, there = theirs.current.id in mine.known, mine.current.id in theirs.known
    if here == there:
        here, there = _yields(theirs, mine, empty), _yields(mine, theirs, empty)
    if here == there:
        return "conflict"
    return "mine" if here else "theirs"


def _yields(side: Strand, other: Strand, empty: Value) -> bool:
    """Tell whether a value is one that the other side held too and gave up, or was never changed at all."""
    if any(event.value == side.value for event in other.events if event.id not in side.known):
        return True
    return not side.current.settled and side.value == base(side, other, empty)


def base(side: Strand, other: Strand, empty: Value) -> Value:
    """Return the last value that two registers had in common.

    Parameters
    ----------
    side, other : Strand
        A part's story in either.
    empty : tuple
        What it is where they have no change in common.

    Returns
    -------
    tuple
    """
    return next((event.value for event in reversed(side.events) if event.id in other.known), empty)
