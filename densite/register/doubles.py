"""What two crews recorded twice: one visit, one measurement, two corrections of one record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from densite.animals import SETTLED, record_uuid
from densite.animalterms import KINDS
from densite.errors import Level, Problem
from densite.intake.animalrows import natural_key
from densite.records import folded_label, row_key
from densite.register import schema
from densite.register.conflicts import Conflict
from densite.register.lineage import Lineage, lineages
from densite.register.store import Register

_SOURCE = "densite merge"
_WHY = "two corrections of one record: both are kept, choose which holds"
Row = Mapping[str, Any]


def doubled(connection: Connection, table: Table, rows: Sequence[Row]) -> list[Problem]:
    """List doubts about records that are about to be added beside their like.

    Parameters
    ----------
    connection : Connection
        Of the register that takes them.
    table : Table
        Their table.
    rows : sequence of mapping
        Values by column; their ids are not in this register.

    Returns
    -------
    list of Problem
        A warning for each visit to the same den on the same day, or record of the same thing.
    """
    if table is schema.visit:
        return list(_visits(connection, rows))
    return list(_records(connection, table, rows)) if schema.JOURNALED[table.name] == "record_id" else []


def alike(connection: Connection, dens: set[str]) -> list[Problem]:
    """List dens whose label differs from another's by case or blanks only.

    Parameters
    ----------
    connection : Connection
        Of the register that has taken them.
    dens : set of str
        Ids: pairs of which neither is among them are passed over.

    Returns
    -------
    list of Problem
        A warning for each den whose label folds to that of one recorded before it; withdrawn ones do not count.
    """
    d, first, found = schema.den.c, dict[str, Any](), list[Problem]()
    query = select(d.den_id, d.label, d.source_file, d.source_line).where(schema.in_sight(schema.den)).order_by(d.fid)
    for row in map(dict, connection.execute(query).mappings()):
        other = first.setdefault(folded_label(row["label"]), row)
        if other is not row and {row["den_id"], other["den_id"]} & dens:
            said = f"den '{row['label']}' is written as '{other['label']}' is, but for case or blanks"
            way = f"one den? Then `densite withdraw` one; else `densite correct {row['den_id']} label=...`"
            found.append(_doubt(said, row, "label", way, den=row["label"]))
    return found


def _visits(connection: Connection, rows: Sequence[Row]) -> Iterator[Problem]:
    v = schema.visit.c
    dens = {row["den_id"] for row in rows}
    query = select(v.den_id, v.observed_on, v.source_file, v.source_line, schema.den.c.label)
    query = query.join_from(schema.visit, schema.den).where(v.den_id.in_(dens), schema.in_sight(schema.visit))
    here = {(row.den_id, row.observed_on): row for row in connection.execute(query)}
    for row in rows:
        same = here.get((row["den_id"], row["observed_on"]))
        if same is not None and row["withdrawn"] != schema.WITHDRAWN:
            yield _doubt(
                f"visit on {row['observed_on']} is recorded already from {same.source_file} line {same.source_line}",
                row, "observed_on", "one visit written down twice? Then withdraw one of the two", den=same.label,
            )  # fmt: skip


def _records(connection: Connection, table: Table, rows: Sequence[Row]) -> Iterator[Problem]:
    kind = KINDS[table.name.removesuffix("_record")]
    wanted = {natural_key(row, kind): row for row in rows if row["withdrawn"] != "yes" and row["corrects"] is None}
    c, first = table.c, kind.key[0]
    replaced = select(c.corrects).where(c.corrects.is_not(None))
    query = select(c.record_id, *(c[name] for name in kind.key)).where(
        func.lower(c[first]).in_({str(row[first]).lower() for row in wanted.values()}),
        c.record_id.not_in(replaced), func.coalesce(c.withdrawn, "") != "yes",
    )  # fmt: skip
    for other in map(dict, connection.execute(query).mappings()):
        row = wanted.get(natural_key(other, kind))
        if row is not None:
            said = f"{kind.name} {', '.join(filter(None, natural_key(row, kind)))} is recorded already"
            yield _doubt(said, row, kind.key[0], f"if it is the same, withdraw one: {row['record_id'][:8]} or "
                         f"{other['record_id'][:8]}")  # fmt: skip


def _doubt(said: str, row: Row, field: str, hint: str, den: str = "") -> Problem:
    return Problem(
        Level.WARNING, said, field, file=row["source_file"] or "", line=row["source_line"] or 0, hint=hint, den=den
    )


def corrections(connection: Connection, kind: str) -> list[Conflict]:
    """List records that two rows correct, neither of which was withdrawn.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    kind : str
        A name of ``KINDS``.

    Returns
    -------
    list of Conflict
        ``mine`` is the id of the one that was recorded here first.
    """
    after = _by_corrected(connection, kind)
    # of a correction that was itself corrected twice one tip stands for all: that fork is told by itself
    live = {root: [tip for row in told for tip in _tips(row, after)[:1]] for root, told in after.items()}
    pairs = [(root, number, tips[0], tip) for root, tips in live.items() for number, tip in enumerate(tips[1:])]
    stories = lineages(connection, schema.record_tables[kind], {row.record_id for pair in pairs for row in pair[2:]})
    return [_conflict(kind, *pair, stories) for pair in pairs]


def _by_corrected(connection: Connection, kind: str) -> dict[str, list[Any]]:
    """Gather corrections under the record that each corrects, in the order in which they were recorded."""
    c = schema.record_tables[kind].c
    query = select(c.record_id, c.corrects, c.withdrawn).where(c.corrects.is_not(None)).order_by(c.fid)
    after: dict[str, list[Any]] = {}
    for row in connection.execute(query):
        after.setdefault(row.corrects, []).append(row)
    return after


def _tips(row: Any, after: Mapping[str, list[Any]]) -> list[Any]:
    """Follow a correction to what holds of it now; nothing where it was withdrawn."""
    if row.withdrawn == "yes":
        return []
    return [tip for later in after[row.record_id] for tip in _tips(later, after)] if row.record_id in after else [row]


def _conflict(
    kind: str, root: str, number: int, first: Any, other: Any, stories: Mapping[str, Lineage]
) -> Conflict:  # fmt: skip
    told = [stories[row.record_id]["corrects"].current for row in (first, other)]
    return Conflict(
        f"{kind}_record", root, root[:8], f"corrects {number}" if number else "corrects", "",
        first.record_id, other.record_id, told[0].who, told[0].at, told[1].who, told[1].at, _WHY,
    )  # fmt: skip


def both_withdrawn(connection: Connection, kind: str) -> list[Problem]:
    """List records of which every correction was withdrawn, because two crews chose differently.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    kind : str
        A name of ``KINDS``.

    Returns
    -------
    list of Problem
        A warning each.
    """
    c = schema.record_tables[kind].c
    merged = select(c.corrects).where(c.withdrawn == "yes", c.source_file == _SOURCE)
    dropped = select(c.corrects).where(c.record_id.in_(merged), c.corrects.is_not(None))
    twice = connection.execute(dropped.group_by(c.corrects).having(func.count() > 1)).scalars().all()
    after = _by_corrected(connection, kind) if twice else {}
    return [
        Problem(Level.WARNING, f"{kind} {root[:8]}: two corrections, each withdrawn by one crew in favour of the other",
                "corrects", hint="hand in the row that holds once more")
        for root in twice
        if not any(_tips(row, after) for row in after[root])
    ]  # fmt: skip


def is_withdrawn(connection: Connection, table: str, record: str) -> bool:
    """Tell whether a record of the animals' side was withdrawn by a row of its own.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    table : str
        Name of its table.
    record : str
        Its id.

    Returns
    -------
    bool
    """
    c = schema.metadata.tables[table].c
    query = select(c.record_id).where(c.corrects == record, c.withdrawn == schema.WITHDRAWN)
    return connection.execute(query).first() is not None


def withdraw(register: Register, connection: Connection, kind: str, record: str, *, study_id: str) -> None:
    """Withdraw one of two corrections by a row of its own; both are kept.

    Parameters
    ----------
    register : Register
        Open register.
    connection : Connection
        From :meth:`Register.writing`.
    kind : str
        A name of ``KINDS``.
    record : str
        Id of the correction that does not hold.
    study_id : str
        ``study.id`` of study.toml, from which the new row's id is made: the same in every copy.
    """
    table = schema.record_tables[kind]
    row = dict(connection.execute(select(table).where(table.c.record_id == record)).mappings().one())
    row.pop("fid")
    key = row_key({"corrects": record, "withdrawn": "yes"})
    told = {
        "record_id": str(record_uuid(study_id, kind, key)), "row_key": key, "corrects": record, "withdrawn": "yes",
        "correction_reason": "another correction of the same record was kept when copies were merged",
        "recorded_at": dt.datetime.now(dt.UTC), "settled": SETTLED, "source_file": _SOURCE, "source_line": 0,
        "as_recorded": "{}",
    }  # fmt: skip
    connection.execute(insert(table).values(row | told))
    register.backend.note_change(connection, table.name, None)
