"""What happened to a den, a visit, an animal's records or one record, told in order from the journal."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Connection, or_, select

from densite import places
from densite.animalterms import KINDS
from densite.errors import RegisterError, seen
from densite.records import folded_label
from densite.register import Register, schema
from densite.register.columns import UnreadablePlaceError, as_text, decode_place, decode_point
from densite.register.journal import Entry
from densite.register.store import READ_UNTIL
from densite.terms import Term, by_name

if TYPE_CHECKING:
    import pandas as pd

LEAST_ID = 8  # so many characters of an id are enough to name a record
ANOTHER = "another program"
DERIVED_FROM = {
    "geom": "place", "uncertainty_m": "horizontal uncertainty", "aspect_deg": "entrance aspect",
    "slope_deg": "ground slope",
}  # fmt: skip
_ANIMALS = ("animal", "female", "cub_id")
_UNTOLD = {
    "den_id", "visit_id", "record_id", "row_key", "as_recorded", "recorded_at", "source_file", "source_line",
    "confirmed", "settled", "filled", "corrects", "correction_reason", "withdrawn", "label",
}  # fmt: skip
_IDS = re.compile(r"[0-9a-f-]+")

Ids = dict[str, list[str]]


@dataclass(frozen=True, slots=True)
class Found:
    """What a name stands for: ``den``, ``visit``, ``animal`` or ``record``, its name, and its records by table."""

    kind: str
    name: str
    records: Ids


@dataclass(frozen=True, slots=True)
class Change:
    """One value that changed or was recorded, as the journal holds it; ``unit`` in brackets' place."""

    column: str
    heading: str
    unit: str
    before: Any
    after: Any


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of a story.

    ``at`` is by the study's clock; ``moved_m`` [m] and ``bearing_deg`` [deg, from true north] say how
    far and in which direction a point moved.
    """

    seq: int
    at: dt.datetime
    who: str
    source: str
    reason: str
    table: str
    record: str
    name: str
    action: str
    changes: tuple[Change, ...]
    moved_m: float | None = None
    bearing_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Story:
    """What happened to what was asked for, in order."""

    name: str
    events: tuple[Event, ...]

    def __str__(self) -> str:
        """Read as the story for people."""
        return as_words(self)


def tell(register: Register, text: str, *, zone: dt.tzinfo) -> Story:
    """Tell the story of what a text names.

    Parameters
    ----------
    register : Register
        Open register.
    text : str
        A den's label, ``DEN/2026-02-24``, an animal's id, or eight or more characters of an id.
    zone : tzinfo
        The study's time zone.

    Returns
    -------
    Story

    Raises
    ------
    RegisterError
        Nothing, or more than one record, goes by that name.
    """
    with register.reading() as connection:
        found = find(connection, text)
        told = list(_entries(connection, found.records))
        earlier = _corrected(connection, told)
    return Story(found.name, tuple(_event(entry, earlier, zone) for entry in told))


def find(connection: Connection, text: str) -> Found:
    """Find what a text names, what was withdrawn or corrected too.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    text : str
        As for :func:`tell`.

    Returns
    -------
    Found

    Raises
    ------
    RegisterError
        As for :func:`tell`.
    """
    for look in (_den, _visit, _animal, _by_id, _old_label):
        if found := look(connection, text.strip()):
            return found
    raise RegisterError(
        f"nothing in the register is called '{text}': give a den, DEN/2026-02-24, an animal, "
        f"or at least {LEAST_ID} characters of a record's id"
    )


def changed_since_derive(register: Register, *, until: str | None = None) -> dict[str, str]:
    """Say for each den what changed, after its values were derived, of that from which they follow.

    Parameters
    ----------
    register : Register
        Open register.
    until : str, optional
        Only changes up to this time, UTC as text.

    Returns
    -------
    dict of str to str
        den_id to words; empty before ``derive``.
    """
    derived = register.provenance()
    if derived.empty:
        return {}
    j = schema.journal.c
    query = select(j.record, j.who, j.before, j.after).order_by(j.seq)
    query = query.where(j.table_name == "den", j.action == "change", _unknown_to(derived))
    if until is not None:
        query = query.where(j.at <= until)
    with register.reading() as connection:
        rows = connection.execute(query).all()
    by_den: dict[str, list[Any]] = {}
    for row in rows:
        by_den.setdefault(row.record, []).append(row)
    return {den_id: said for den_id, own in by_den.items() if (said := _since(own))}


def _unknown_to(derived: pd.DataFrame) -> ColumnElement[bool]:
    """Choose the entries that came after the dens had been read for values; of older values only the time is known."""
    read = [json.loads(told).get(READ_UNTIL) for told in derived["parameters"].unique()]
    if None in read:
        return schema.journal.c.at > as_text(derived["computed_at"].min())
    return schema.journal.c.seq > int(min(read))


def _since(rows: Sequence[Any]) -> str:
    """Compare a den before its first change with the den after its last."""
    before, after = json.loads(rows[0].before), json.loads(rows[-1].after)
    names = [said for column, said in DERIVED_FROM.items() if before.get(column) != after.get(column)]
    how = "changed by another program" if all(row.who is None for row in rows) else "corrected"
    return f"{', '.join(names)} {how} since derive" if names else ""


def _den(connection: Connection, text: str) -> Found | None:
    """Find a den by its label: as it is written, else the one that is spelled so but for case and blanks."""
    d = schema.den.c
    sought, told = folded_label(text), connection.execute(select(d.den_id, d.label))
    near = [row for row in told if folded_label(row.label) == sought]
    rows = [row for row in near if row.label == text] or near
    if len(rows) > 1:  # other programs, or a merge, may have made labels that differ by case only
        listed = ", ".join(f"'{row.label}' {row.den_id}" for row in rows)
        raise RegisterError(f"'{text}' may be {len(rows)} dens: {listed}; give the label just so, or the id")
    return _of_den(connection, rows[0].den_id, f"den {rows[0].label}") if rows else None


def _of_den(connection: Connection, den_id: str, name: str) -> Found:
    visits = _ids(connection, "visit", schema.visit.c.den_id == den_id)
    records = _of_records(connection, lambda table: table.c.den_id == den_id)
    return Found("den", name, {"den": [den_id], "visit": visits, **records})


def _visit(connection: Connection, text: str) -> Found | None:
    """Find all visits of a den on a day."""
    label, _, day = text.rpartition("/")
    den = _den(connection, label) if label else None
    if den is None:
        return None
    try:
        on = dt.date.fromisoformat(day.strip())
    except ValueError:
        raise RegisterError(f"'{text}': '{day}' is no day; write DEN/2026-02-24") from None
    v = schema.visit.c
    ids = _ids(connection, "visit", (v.den_id == den.records["den"][0]) & (v.observed_on == on))
    if not ids:
        days = connection.execute(select(v.observed_on).where(v.den_id == den.records["den"][0])).scalars()
        raise RegisterError(f"{den.name} has no visit on {on}; visits: {', '.join(sorted(map(str, days))) or 'none'}")
    records = _of_records(connection, lambda table: table.c.visit_id.in_(ids))
    return Found("visit", f"visit {den.name.removeprefix('den ')}/{on}", {"visit": ids, **records})


def _animal(connection: Connection, text: str) -> Found | None:
    """Find the records of an animal, by its id in any spelling."""
    wanted = _squeezed(text)
    names: dict[str, None] = {}
    found: Ids = {}
    tables = {table.name: table for table in (schema.visit, *schema.record_tables.values())}
    for table in tables.values():
        for column in (table.c[name] for name in _ANIMALS if name in table.c):
            spelled = [
                n for n in connection.execute(select(column).distinct()).scalars() if n and _squeezed(n) == wanted
            ]
            if spelled:
                names |= dict.fromkeys(spelled)
                found.setdefault(table.name, []).extend(_ids(connection, table.name, column.in_(spelled)))
    return Found("animal", f"animal {next(iter(names))}", found) if wanted and names else None


def _squeezed(animal: str) -> str:
    return re.sub(r"[\s_-]", "", animal).casefold()


def _by_id(connection: Connection, text: str) -> Found | None:
    """Find one record by the beginning of its id, with those that it corrects or that correct it."""
    start = text.casefold()
    if len(start) < LEAST_ID or not _IDS.fullmatch(start):
        return None
    keys = {name: schema.metadata.tables[name].c[key] for name, key in schema.JOURNALED.items()}
    hits = [(name, found) for name, key in keys.items() for found in _ids(connection, name, key.startswith(start))]
    if len(hits) > 1:
        raise RegisterError(f"'{text}' is the beginning of {len(hits)} ids: {', '.join(i for _, i in hits[:5])}")
    return _of_id(connection, *hits[0]) if hits else None


def _of_id(connection: Connection, table: str, record: str) -> Found:
    if table == "den":
        label = connection.execute(select(schema.den.c.label).where(schema.den.c.den_id == record)).scalar_one()
        return _of_den(connection, record, f"den {label}")
    if table == "visit":
        records = _of_records(connection, lambda table: table.c.visit_id == record)
        return Found("visit", f"visit {record[:LEAST_ID]}", {"visit": [record], **records})
    return Found("record", f"{_noun(table)} {record[:LEAST_ID]}", {table: _chain(connection, table, record)})


def _chain(connection: Connection, table: str, record: str) -> list[str]:
    """Follow corrections both ways."""
    r = schema.metadata.tables[table].c
    chain, size = [record], 0
    while len(chain) > size:
        size = len(chain)
        query = select(r.record_id, r.corrects).where(or_(r.record_id.in_(chain), r.corrects.in_(chain)))
        chain = list(dict.fromkeys([*chain, *(i for row in connection.execute(query) for i in row if i)]))
    return chain


def _old_label(connection: Connection, text: str) -> Found | None:
    """Find a den by a label that it had before it was corrected."""
    j = schema.journal.c
    query = select(j.record, j.before).where(j.table_name == "den", j.action == "change").order_by(j.seq.desc())
    for row in connection.execute(query):
        if folded_label(str(json.loads(row.before).get("label"))) == folded_label(text):
            return _of_id(connection, "den", row.record)
    return None


def _ids(connection: Connection, table: str, condition: Any) -> list[str]:
    held = schema.metadata.tables[table]
    query = select(held.c[schema.JOURNALED[table]]).where(condition).order_by(held.c.fid)
    return [str(found) for found in connection.execute(query).scalars()]


def _of_records(connection: Connection, condition: Any) -> Ids:
    return {t.name: ids for t in schema.record_tables.values() if (ids := _ids(connection, t.name, condition(t)))}


def _entries(connection: Connection, records: Ids) -> Iterator[Entry]:
    """Yield the entries of records in their order; asked for by table, as they are indexed."""
    j = schema.journal.c
    found = []
    for table, ids in records.items():
        for start in range(0, len(ids), 500):
            some = (j.table_name == table) & j.record.in_(ids[start : start + 500])
            names = Entry.__dataclass_fields__
            found += [Entry(*row) for row in connection.execute(select(*(j[name] for name in names)).where(some))]
    return iter(sorted({entry.seq: entry for entry in found}.values(), key=lambda entry: entry.seq))


def _corrected(connection: Connection, told: Sequence[Entry]) -> dict[str, dict[str, Any]]:
    """Return what records said that others correct, by id."""
    wanted: Ids = {}
    for entry in told:
        if corrects := _row(entry.after).get("corrects"):
            wanted.setdefault(entry.table_name, []).append(corrects)
    return {entry.record: _row(entry.after) for entry in _entries(connection, wanted)}


def _row(text: str | None) -> dict[str, Any]:
    row: dict[str, Any] = json.loads(text) if text else {}
    return row


def _event(entry: Entry, earlier: Mapping[str, Mapping[str, Any]], zone: dt.tzinfo) -> Event:
    after = _row(entry.after)
    action, pairs = _what(entry, after, earlier)
    places_ = pairs.pop("geom", None)
    changes = [*_changes(entry.table_name, pairs)]
    moved = _way(*places_) if places_ else (None, None)
    if places_:
        changes.insert(0, Change("place", "Place", "deg, WGS 84", *(_place(told) for told in places_)))
    source = f"{after.get('source_file')} line {after.get('source_line')}" if entry.action == "insert" else entry.source
    return Event(
        entry.seq, dt.datetime.fromisoformat(entry.at).astimezone(zone), _who(entry), source or "",
        entry.reason or after.get("correction_reason") or "", entry.table_name, entry.record,
        _name(entry.table_name, after), action, tuple(changes), *moved,
    )  # fmt: skip


def _who(entry: Entry) -> str:
    """Name who wrote; only densite itself can give a reason without a name."""
    return entry.who or ("densite" if entry.reason else ANOTHER)


def _what(
    entry: Entry, after: Mapping[str, Any], earlier: Mapping[str, Mapping[str, Any]]
) -> tuple[str, dict[str, tuple[Any, Any]]]:
    """Say what an entry is, and which columns it tells of with their values before and after."""
    told = entry.changed()  # a database's JSON has its own order: take the table's
    pairs = {c.name: told[c.name] for c in schema.metadata.tables[entry.table_name].c if c.name in told}
    if entry.action == "change":
        only = list(pairs) == ["withdrawn"]
        return _gone_or_back(after) if only else "changed", pairs
    shown = {name: pair for name, pair in pairs.items() if name not in _UNTOLD and pair[1] is not None}
    if not (old := earlier.get(after.get("corrects") or "")):
        return "recorded", shown
    if after.get("withdrawn") == schema.WITHDRAWN:
        return "withdrawn", {}
    names = [name for name in dict.fromkeys([*old, *after]) if name not in _UNTOLD]
    return "corrected", {n: (old.get(n), after.get(n)) for n in names if old.get(n) != after.get(n)}


def _gone_or_back(after: Mapping[str, Any]) -> str:
    return "withdrawn" if after["withdrawn"] == schema.WITHDRAWN else "taken back"


def _name(table: str, row: Mapping[str, Any]) -> str:
    if table == "den":
        return f"den {row['label']}"
    if table == "visit":
        return f"visit of {row['observed_on']}"
    whose = row.get("animal") or row.get("female") or ""
    return f"{_noun(table)} {row['record_id'][:LEAST_ID]}{f' of {whose}' if whose else ''}"


def _noun(table: str) -> str:
    return f"{table.removesuffix('_record')} record"


@cache
def _terms(table: str) -> dict[str, Term]:
    """Return the terms of a table's columns."""
    kind = KINDS.get(table.removesuffix("_record"))
    if kind is None:
        return dict(by_name())
    return dict(by_name()) | {t.name: t for t in kind.terms} | {f"{t.name}_local": t for t in kind.terms}


def _changes(table: str, pairs: Mapping[str, tuple[Any, Any]]) -> Iterator[Change]:
    """Yield changes under their headings; of a time only the clock at the den."""
    terms = _terms(table)
    for column, (before, after) in pairs.items():
        if column.endswith("_at") and f"{column[:-3]}_local" in terms and terms[f"{column[:-3]}_local"].kind == "time":
            continue
        term = terms.get(column)
        heading = term.heading if term else column.replace("_", " ").capitalize()
        unit = term.unit if term and term.kind == "number" else ""
        yield Change(column, heading, unit, before, after)


def _place(told: str | None) -> str | None:
    """Write a point of the journal as latitude and longitude."""
    point = _point(told)
    return f"{point[1]:.6f}, {point[0]:.6f}" if point else None


def _point(told: str | None) -> tuple[float, float] | None:
    """Return longitude and latitude [deg] of a point in the journal; None where another program left none."""
    try:
        return decode_point(decode_place(bytes.fromhex(told or "")))
    except (UnreadablePlaceError, ValueError):
        return None


def _way(before: str | None, after: str | None) -> tuple[float | None, float | None]:
    first, second = _point(before), _point(after)
    if first is None or second is None:
        return None, None
    return places.distance_m(*first, *second), places.bearing_deg(*first, *second)


def as_words(story: Story) -> str:
    """Lay a story out for people.

    Parameters
    ----------
    story : Story
        From :func:`tell`.

    Returns
    -------
    str
        A line for each entry, with its changes set in under it.
    """
    lines = [f"{story.name}, entries: {len(story.events)}"]
    for event in story.events:
        why = f", because: {event.reason}" if event.reason else ""
        source = f", {event.source}" if event.source else ""
        lines.append(f"{event.at:%Y-%m-%d %H:%M} {event.who}{source}: {event.name} {event.action}{why}")
        lines += [f"  {line}" for line in _lines(event)]
    return "\n".join(seen(line, most=len(line)) for line in lines) + "\n"


def _lines(event: Event) -> Iterator[str]:
    if event.action in ("withdrawn", "taken back"):
        return
    if event.action == "recorded":
        yield "; ".join(f"{c.heading} {said(c.after, c.unit)}" for c in event.changes)
        return
    for change in event.changes:
        moved = ""
        if change.column == "place" and event.moved_m is not None and event.bearing_deg is not None:
            moved = f" {said_move(event.moved_m, event.bearing_deg)},"
        yield f"{change.heading}:{moved} {said(change.before, change.unit)} to {said(change.after, change.unit)}"


def said_move(moved_m: float, bearing_deg: float) -> str:
    """Say how far and in which direction a point moved.

    Parameters
    ----------
    moved_m : float
        Distance. [m]
    bearing_deg : float
        From true north. [deg]

    Returns
    -------
    str
        ``moved 84 m to the SW (225 deg)``.
    """
    away = places.said_distance(moved_m) if moved_m >= 10 else f"{moved_m:.2g} m"
    return f"moved {away} to the {places.compass_point(bearing_deg)} ({bearing_deg:.0f} deg)"


def said(value: Any, unit: str = "") -> str:
    """Write a value of the journal for people.

    Parameters
    ----------
    value : object
        As JSON holds it.
    unit : str
        Its unit.

    Returns
    -------
    str
        ``20 deg``, ``blank``.
    """
    if value is None or value == "":
        return "blank"
    if isinstance(value, bool):
        return "yes" if value else "no"
    number = isinstance(value, int | float)
    return f"{value:.12g}{f' {unit}' if unit else ''}" if number else str(value)


def as_json(story: Story) -> str:
    """Write a story for a script.

    Parameters
    ----------
    story : Story
        From :func:`tell`.

    Returns
    -------
    str
        One object with ``name`` and ``events``; times with their offset.
    """
    told = {"name": story.name, "events": [asdict(event) | {"at": event.at.isoformat()} for event in story.events]}
    return json.dumps(told, indent=2, ensure_ascii=False) + "\n"
