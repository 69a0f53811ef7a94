"""What the register holds of the animals' side, gathered for reading rows: all for a file, little for a few rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Table, func, or_, select

from densite.animals import animal_key
from densite.animalterms import KINDS, Kind
from densite.intake.animalrows import ANIMALS, KnownRecords, natural_key
from densite.intake.rawrow import RawRow
from densite.intake.rows import key_of
from densite.intake.screening import squeezed
from densite.records import folded_label
from densite.register import Register, schema
from densite.register.nearby import FEMALE, LABEL, called
from densite.register.store import is_current
from densite.settings import Settings

_TIMED = ("handling", "drug", "reading")


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a few rows name: row keys, animals (their keys), labels of dens (folded), ids of records they correct."""

    keys: Set[str]
    animals: Set[str]
    labels: Set[str]
    corrected: Set[str]
    first: Set[str]  # the first value of each row's natural key, folded as _folded does

    @classmethod
    def of(cls, about: Sequence[RawRow], kind: Kind) -> _Asked:
        values = [raw.values for raw in about]
        return cls(
            {key_of(raw) for raw in about},
            {animal_key(row[name]) for row in values for name in ANIMALS if row.get(name)},
            {folded_label(row["den_label"]) for row in values if row.get("den_label")},
            {row["corrects"].strip().casefold() for row in values if row.get("corrects")},
            {_folded(kind.key[0], row[kind.key[0]]) for row in values if row.get(kind.key[0])},
        )


def _folded(column: str, value: str) -> str:
    return animal_key(value) if column in ANIMALS else folded_label(value)


def known_records(
    register: Register, kind: Kind, settings: Settings, *, about: Sequence[RawRow] = ()
) -> KnownRecords:  # fmt: skip
    """Gather what reading rows of a kind needs to know of the register.

    Parameters
    ----------
    register : Register
        Open register.
    kind : Kind
        What the file holds.
    settings : Settings
        For the study's zone.
    about : sequence of RawRow
        The few rows that are read; everything is gathered where it is left empty.

    Returns
    -------
    KnownRecords
        For ``about``, only of the dens, animals and records that they name.
    """
    known, asked = KnownRecords(), _Asked.of(about, kind) if about else None
    with register.reading() as connection:
        _dens(connection, known, asked)
        _names(_females(connection, asked), known, asked)
        animals = schema.record_tables["animal"]
        _names(_written(connection, animals, "animal", is_current(animals)), known, asked)
        _own(connection, kind, known, asked)
        _events(connection, known, asked)
    zone = ZoneInfo(settings.study.time_zone)
    known.latest = {event: at.astimezone(zone) for event, at in known.latest.items()}
    known.handled = {event: at.astimezone(zone) for event, at in known.handled.items()}
    return known


def _dens(connection: Connection, known: KnownRecords, asked: _Asked | None) -> None:
    """Remember dens and their visits; all dens where a row names one that is not there, to offer the like."""
    d, v = schema.den.c, schema.visit.c
    dens = select(d.den_id, d.label).where(schema.in_sight(schema.den)).order_by(d.label)
    chosen = dens if asked is None else dens.where(called(connection, LABEL, asked.labels))
    found = {folded_label(label): (str(den_id), label) for den_id, label in connection.execute(chosen)}
    if asked is not None and asked.labels - found.keys():
        found = {folded_label(label): (str(den_id), label) for den_id, label in connection.execute(dens)}
    known.dens.update(found)
    gone = select(d.den_id).where(d.withdrawn == schema.WITHDRAWN)
    visits = select(v.visit_id, v.den_id, v.observed_on).where(schema.in_sight(schema.visit), v.den_id.not_in(gone))
    if asked is not None:
        visits = visits.where(v.den_id.in_([found[label][0] for label in asked.labels & found.keys()]))
    for visit_id, den_id, day in connection.execute(visits.order_by(v.observed_on, v.fid)):
        known.visits.setdefault((den_id, day), str(visit_id))


def _females(connection: Connection, asked: _Asked | None) -> Iterator[str]:
    """Yield the females of visits as they were written, in order of their first visits."""
    d, v = schema.den.c, schema.visit.c
    gone = select(d.den_id).where(d.withdrawn == schema.WITHDRAWN)
    query = select(v.female).where(v.female.is_not(None), schema.in_sight(schema.visit), v.den_id.not_in(gone))
    if asked is not None:
        written = connection.execute(select(v.female).where(v.female.is_not(None)).distinct()).scalars()
        alike = {squeezed(name) for name in written if animal_key(name) in asked.animals}
        query = query.where(called(connection, FEMALE, alike))
    yield from connection.execute(
        query.group_by(v.female).order_by(func.min(v.observed_on), func.min(v.fid))
    ).scalars()  # fmt: skip


def _written(connection: Connection, table: Table, column: str, *some: ColumnElement[bool]) -> list[str]:
    """Return what stands in a column, each text once, in the order in which they were recorded."""
    c = table.c[column]
    query = select(c).where(c.is_not(None), *some).group_by(c).order_by(func.min(table.c.fid))
    return list(connection.execute(query).scalars())


def _names(names: Iterable[Any], known: KnownRecords, asked: _Asked | None = None) -> None:
    """Remember how animals were written first."""
    for name in names:
        if isinstance(name, str) and name and (asked is None or animal_key(name) in asked.animals):
            known.animals.setdefault(animal_key(name), name)


def _own(connection: Connection, kind: Kind, known: KnownRecords, asked: _Asked | None) -> None:
    """Remember the records of a kind, for a few rows those that may be the same, are corrected or name an animal."""
    table = schema.record_tables[kind.name]
    for record in _records(connection, table, *(_chosen(connection, table, kind, asked) if asked else ())):
        remember(record, kind, known, current=record.pop("is_current"))


def _chosen(connection: Connection, table: Table, kind: Kind, asked: _Asked) -> Iterator[ColumnElement[bool]]:
    told = [table.c.record_id.startswith(text, autoescape=True) for text in asked.corrected]
    ids = [record for text in told for record in connection.execute(select(table.c.record_id).where(text)).scalars()]
    first = kind.key[0]
    same = [value for value in _written(connection, table, first) if _folded(first, value) in asked.first]
    named = [
        table.c[column].in_([name for name in _written(connection, table, column) if animal_key(name) in asked.animals])
        for column in ("animal", "female", "cub_id") if column in table.c and column != first
    ]  # fmt: skip
    yield or_(
        table.c.row_key.in_(asked.keys), table.c.record_id.in_(ids), table.c.corrects.in_(ids),
        table.c.corrects.in_(select(table.c.record_id).where(table.c.row_key.in_(asked.keys))),
        table.c[first].in_(same), *named,
    )  # fmt: skip


def _records(connection: Connection, table: Table, *some: ColumnElement[bool]) -> Iterator[dict[str, Any]]:
    """Yield records by column, with ``is_current``, in the order in which they were recorded."""
    query = select(table, is_current(table).label("is_current")).where(*some).order_by(table.c.fid)
    yield from (dict(row) for row in connection.execute(query).mappings())


def _events(connection: Connection, known: KnownRecords, asked: _Asked | None) -> None:
    """Remember masses of mothers, and when work on each animal ended so far, of all kinds."""
    for name in _TIMED:
        table = schema.record_tables[name]
        some = [is_current(table)]
        if asked is not None:
            alike = [animal for animal in _written(connection, table, "animal") if animal_key(animal) in asked.animals]
            some.append(table.c.animal.in_(alike))
        for record in _records(connection, table, *some):
            _remember_times(record, KINDS[name], known)
            if name == "handling" and record["mass_kg"] is not None:
                known.masses[record["animal"], record["date"]] = record["mass_kg"]


def remember(record: dict[str, Any], kind: Kind, known: KnownRecords, *, current: bool = True) -> None:
    """Remember a record that is in, or has just come.

    Parameters
    ----------
    record : dict
        Its values by column.
    kind : Kind
        Its kind.
    known : KnownRecords
        Added to.
    current : bool
        Whether it was neither corrected nor withdrawn.
    """
    name, source = str(record["record_id"]), f"{record['source_file']} line {record['source_line']}"
    known.rows[record["row_key"]] = known.records[name] = source
    known.keyed[record["row_key"]] = name
    known.held[name] = record
    if isinstance(told := record.get("corrects"), str):
        known.replaced[told] = name
        if (key := known.keys.pop(told, None)) is not None:
            del known.current[key]
    if current and record.get("withdrawn") != "yes":
        key = natural_key(record, kind)
        if known.current.setdefault(key, name) == name:
            known.keys[name] = key
    _names([record.get(column) for column in ("animal", "female", "cub_id")], known)
    _remember_times(record, kind, known)


def _remember_times(record: Mapping[str, Any], kind: Kind, known: KnownRecords) -> None:
    """Keep the last time of an animal's day, so that a clock that runs back is known to have passed midnight."""
    if kind.name not in ("handling", "drug", "reading") or not record.get("animal"):
        return
    event = (record["animal"], record["date"])
    times = [record.get(f"{term.name}_at") for term in kind.terms if term.kind == "time"]
    for at in (at for at in times if at is not None):
        known.latest[event] = max(at, known.latest.get(event, at))
    if kind.name == "handling" and event in known.latest:
        known.handled[event] = max(at for at in times if at is not None) if any(times) else known.latest[event]
