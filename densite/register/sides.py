"""The two registers of a merge, each in one state, and what is to happen to a record of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Table, select

from densite.errors import Problem
from densite.register import lineage, schema
from densite.register.conflicts import Choice, Conflict, Key, heading, shown
from densite.register.lineage import EVERY, MERGE, Lineage
from densite.register.store import Register

_BATCH = 500
Row = dict[str, Any]


@dataclass(slots=True)
class Merged:
    """What came of a merge: records taken by table, what waits, what a person must settle or look at."""

    other: str
    new: Counter[str] = field(default_factory=Counter)
    changed: Counter[str] = field(default_factory=Counter)
    fields: Counter[str] = field(default_factory=Counter)
    settled: int = 0
    learned: int = 0
    waiting: Counter[str] = field(default_factory=Counter)
    conflicts: list[Conflict] = field(default_factory=list)
    doubts: list[Problem] = field(default_factory=list)
    heeded: set[Key] = field(default_factory=set)
    unheeded: list[Problem] = field(default_factory=list)
    derive: bool = False
    dry_run: bool = False

    @property
    def nothing(self) -> bool:
        """Whether the register stays as it is."""
        return not (self.new.total() or self.changed.total() or self.settled or self.learned)

    def lines(self) -> Iterator[str]:
        """Say in lines what came of it."""
        would = "would be " if self.dry_run else ""
        if self.nothing:
            yield f"{self.other}: nothing new"
        if self.new.total():
            yield f"{self.other}: {would}recorded: {_counted(self.new)}"
        if self.changed.total():
            yield f"{self.other}: {would}changed: {_counted(self.changed)} in {self.fields.total()} fields"
        if self.settled:
            yield f"{self.other}: {would}settled: {self.settled}"
        if self.learned:
            yield f"{self.other}: {would}taken over as settled there: {self.learned}"
        if self.conflicts:
            records = len({conflict.key[:2] for conflict in self.conflicts})
            yield f"{self.other}: conflicts: {len(self.conflicts)} in {records} records, which stay as they are here"
        if self.waiting.total():
            yield f"{self.other}: waiting for a den or visit with a conflict: {_counted(self.waiting)}"


def _counted(counts: Counter[str]) -> str:
    names = {"den": "dens", "visit": "visits"}
    told = ((names.get(name, f"{name.removesuffix('_record')} records"), n) for name, n in counts.items() if n)
    return ", ".join(f"{name} {n}" for name, n in told)


@dataclass(frozen=True, slots=True)
class Sides:
    """Both registers while they are merged, each in one state, and what a person has chosen."""

    register: Register
    mine: Connection
    theirs: Connection
    name: str
    who: str
    fork: int
    choices: Mapping[Key, Choice]
    result: Merged

    def say(self, reason: str) -> None:
        """Tell the journal why the next records change."""
        self.register.backend.say_who(self.mine, who=self.who, source=f"{MERGE}{self.name}", reason=reason)

    def choice(self, conflict: Conflict) -> Choice | None:
        """Return what a person chose, if the values are still those that the person saw."""
        chosen = self.choices.get(conflict.key)
        return chosen if chosen is not None and chosen.seen == conflict.seen else None

    def heed(self, change: Change) -> None:
        """Note that the choices of a person about a record were carried out just now."""
        columns = (name for part in change.settled for name in lineage.parts(change.table)[part])
        self.result.heeded.update((change.table.name, change.record, heading(name)) for name in columns)


@dataclass(slots=True)
class Change:
    """What is to happen to one record that both registers hold, or that is new here."""

    table: Table
    record: str
    row: Row
    theirs: Row
    strands: Lineage
    label: str = ""
    values: Row = field(default_factory=dict)
    noted: dict[str, tuple[str, list[str]]] = field(default_factory=dict)
    conflicts: list[Conflict] = field(default_factory=list)
    asked: list[Conflict] = field(default_factory=list)  # what the choices settle, asked again where the record waits

    @property
    def settled(self) -> list[str]:
        """The parts that a person has settled just now."""
        return [part for part, (how, _) in self.noted.items() if how == ":"]

    def reason(self, name: str) -> str:
        """Say for the journal from whom the values come, why, and what is known now."""
        last = max((self.strands[part].current for part in self._named()), key=lambda event: event.at)
        told = f"from {name}, there by {last.who} at {last.at}{f': {last.why}' if last.why else ''}"
        if self.settled:
            told = f"settled with {name}: {', '.join(map(heading, self.settled))}"
        return told + lineage.note(self.noted)

    def _named(self) -> list[str]:
        return list(self.strands) if EVERY in self.noted else list(self.noted)


def id_of(table: Table) -> Any:
    """Return the column of a journaled table that names a record."""
    return table.c[schema.JOURNALED[table.name]]


def rows_of(connection: Connection, table: Table, records: Sequence[str]) -> dict[str, Row]:
    """Return some records by id, in the form in which rows of two engines are compared."""
    query = select(table).where(id_of(table).in_(records))
    found = connection.execute(query).mappings().all()
    return {str(row[id_of(table).name]): lineage.plain(table, dict(row)) for row in found}


_LABELS = ("label", "sample_label", "animal", "cub_id", "female", "den_label", "observed_on", "date", "permit")


def label_of(connection: Connection, table: Table, row: Row) -> str:
    """Name a record for a person, a visit with its den."""
    told = [shown(name, row[name]) for name in _LABELS if row.get(name) is not None]
    if table is schema.visit:
        den = select(schema.den.c.label).where(schema.den.c.den_id == row["den_id"])
        told.insert(0, str(connection.execute(den).scalar_one_or_none() or ""))
    return " ".join(told)


def batches(records: Sequence[Any]) -> Iterator[Sequence[Any]]:
    """Cut a long list, so that memory is bounded and no statement has too many values."""
    return (records[i : i + _BATCH] for i in range(0, len(records), _BATCH))


def unique(table: Table) -> str:
    """Name the column, besides the id, of which no value may stand twice in a table."""
    return "label" if table is schema.den else "row_key"


def holders(sides: Sides, table: Table, wanted: Sequence[Any]) -> dict[Any, str]:
    """Return which records here hold values that must be unique."""
    column, held = table.c[unique(table)], dict[Any, str]()
    for batch in batches(wanted):
        found = sides.mine.execute(select(column, id_of(table)).where(column.in_(batch)))
        held |= {value: str(record) for value, record in found}
    return held
