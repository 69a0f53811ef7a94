"""What another register holds written into this one: dens before visits before records, labels never doubled."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import shapely
from sqlalchemy import Table, func, insert, or_, select, update

from densite.register import doubles, lineage, schema
from densite.register.lineage import EVERY, Lineage
from densite.register.sides import Change, Row, Sides, batches, holders, id_of, label_of, rows_of, unique
from densite.register.weighing import compared, label_taken, must_be_sound, renamed

_PARENTS = {"den_id": schema.den, "visit_id": schema.visit}


def _touched(sides: Sides, table: Table) -> list[str]:
    """List their records with entries since the copies parted, and those that are withdrawn here."""
    key = schema.journal.c
    query = select(key.record, func.min(key.seq)).where(key.table_name == table.name, key.seq > sides.fork)
    found = [row[0] for row in sides.theirs.execute(query.group_by(key.record).order_by(func.min(key.seq)))]
    if table.name in ("den", "visit"):
        withdrawn = select(id_of(table)).where(table.c.withdrawn == schema.WITHDRAWN)
        found += sides.mine.execute(withdrawn).scalars().all()
    return list(dict.fromkeys(found))


def take_table(sides: Sides, table: Table) -> None:
    """Take what the other register holds of one table; tables that others point to come first.

    Parameters
    ----------
    sides : Sides
        Both registers, this one inside a transaction of :meth:`Register.writing`.
    table : Table
        One of the journaled tables.

    Raises
    ------
    RegisterError
        A record is not as its journal tells.
    """
    touched = _touched(sides, table)
    relabelled = []
    for change in (change for batch in batches(touched) for change in compared(sides, table, batch)):
        if unique(table) in change.values:
            relabelled.append(change)
        else:
            _write(sides, change)
    _relabel(sides, table, relabelled)
    for batch in batches(touched):
        _add(sides, table, batch)
    if table is schema.den and touched:
        sides.result.doubts.extend(doubles.alike(sides.mine, set(touched)))


def _relabel(sides: Sides, table: Table, changes: Sequence[Change]) -> None:
    """Write the changes of labels in an order in which none is doubled at any moment."""
    column = unique(table)
    waiting = {change.record: change for change in changes}
    held = holders(sides, table, [change.values[column] for change in changes])
    _refuse_taken(sides, waiting, held, column)
    while waiting:
        free = next((c for c in waiting.values() if held.get(c.values[column], c.record) == c.record), None)
        change = free or next(iter(waiting.values()))
        if free is None:  # labels were exchanged in a ring: one steps aside for a moment
            sides.say(f"from {sides.name}: set aside while labels are exchanged")
            _update(sides, change, {column: f"{change.row[column]} ({change.record[:8]})"})
        else:
            _write(sides, waiting.pop(change.record))
        held = {value: record for value, record in held.items() if record != change.record}


def _refuse_taken(sides: Sides, waiting: dict[str, Change], held: Mapping[Any, str], column: str) -> None:
    """Drop changes whose label another record here keeps, until a person names another."""
    wanted = Counter(change.values[column] for change in waiting.values())
    while blocked := [
        change for change in waiting.values()
        if held.get(label := change.values[column], change.record) not in waiting or wanted[label] > 1
    ]:  # fmt: skip
        for change in blocked:
            del waiting[change.record]
            wanted[change.values[column]] -= 1
            sides.result.conflicts.append(label_taken(change, column, held.get(change.values[column], "")))
            sides.result.conflicts.extend(told for told in change.asked if told.field != column)


def _update(sides: Sides, change: Change, values: Row) -> None:
    own = {id_of(change.table).name: change.record}  # a choice of what stands here already is journaled too
    sides.mine.execute(update(change.table).where(id_of(change.table) == change.record).values(own | values))


def _write(sides: Sides, change: Change) -> None:
    """Write a change with what is known now, unless the den or visit that it points to is not here yet."""
    name, result = change.table.name, sides.result
    if _without_parents(sides, change.table, {change.record: change.values}):
        result.waiting[name] += 1
        result.conflicts.extend(change.asked)
        return
    sides.say(change.reason(sides.name))
    _update(sides, change, change.values)
    sides.register.backend.note_change(sides.mine, name, _bounds([change.values]))
    if change.values:
        result.changed[name] += 1
        result.fields[name] += len(change.values)
    elif not change.settled:
        result.learned += 1
    result.settled += len(change.settled)
    sides.heed(change)
    result.derive |= name == "den" and bool({"geom", "withdrawn", "slope_deg", "aspect_deg"} & set(change.values))


def _bounds(rows: Sequence[Row]) -> tuple[float, float, float, float] | None:
    """Return west, south, east and north of points. [deg]"""
    points = [shapely.from_wkb(row["geom"]) for row in rows if "geom" in row]
    if not points:
        return None
    west, south, east, north = shapely.total_bounds(points)
    return float(west), float(south), float(east), float(north)


def _without_parents(sides: Sides, table: Table, rows: Mapping[str, Row]) -> set[str]:
    """Tell which rows point to a den or a visit that is not here."""
    lost = set[str]()
    for column, parent in _PARENTS.items():
        if table is parent or column not in table.c:
            continue
        wanted = {str(row[column]) for row in rows.values() if row.get(column) is not None}
        here = set(sides.mine.execute(select(id_of(parent)).where(id_of(parent).in_(wanted))).scalars())
        lost |= {record for record, row in rows.items() if row.get(column) is not None and row[column] not in here}
    return lost


def _add(sides: Sides, table: Table, records: Sequence[str]) -> None:
    """Add their records that are not here."""
    theirs, here = rows_of(sides.theirs, table, records), rows_of(sides.mine, table, records)
    fresh = {record: theirs[record] for record in records if record in theirs and record not in here}
    if not fresh:
        return
    lost = _without_parents(sides, table, fresh)
    if lost:
        sides.result.waiting[table.name] += len(lost)
    fresh = {record: row for record, row in fresh.items() if record not in lost}
    held = holders(sides, table, [row[unique(table)] for row in fresh.values()])
    storied = _storied(sides, table, fresh) | {r for r, row in fresh.items() if row[unique(table)] in held}
    as_made = [row for record, row in fresh.items() if record not in storied]
    sides.result.doubts.extend(doubles.doubled(sides.mine, table, list(fresh.values())))
    _insert(sides, table, as_made, f"from {sides.name}")
    stories = lineage.lineages(sides.theirs, table, storied)
    for record in storied:
        must_be_sound(table, record, fresh[record], stories.get(record), sides.name)
        label = label_of(sides.theirs, table, fresh[record])
        _add_storied(sides, Change(table, record, {}, fresh[record], stories[record], label), held)


def _storied(sides: Sides, table: Table, records: Mapping[str, Row]) -> set[str]:
    """List records that were changed since they were made, so that what is known of them must be noted."""
    key = schema.journal.c
    query = select(key.record).where(key.table_name == table.name, key.record.in_(list(records)))
    changed = or_(key.action == "change", key.reason.like("%{%"))
    return set(sides.theirs.execute(query.where(changed)).scalars())


def _add_storied(sides: Sides, change: Change, held: Mapping[Any, str]) -> None:
    """Add a record that was changed since it was made, or whose label is taken here."""
    column = unique(change.table)
    change.noted = _all_known(change.strands)
    change.values = dict(change.theirs)
    renamed(sides, change, column)
    wanted = change.values[column]
    if wanted in held or (column in change.settled and holders(sides, change.table, [wanted])):
        sides.result.conflicts.append(label_taken(change, column, held.get(change.theirs[column], "")))
        return
    _insert(sides, change.table, [change.values], change.reason(sides.name))
    sides.result.settled += len(change.settled)
    sides.heed(change)


def _all_known(strands: Lineage) -> dict[str, tuple[str, list[str]]]:
    """Gather what is known of a whole record, most parts under one star."""
    known = {part: strand.taken() for part, strand in strands.items()}
    most = Counter((how, *ids) for how, ids in known.values()).most_common(1)[0][0]
    every = (most[0], list(most[1:]))
    return {EVERY: every} | {part: told for part, told in known.items() if told != every}


def _insert(sides: Sides, table: Table, rows: Sequence[Row], reason: str) -> None:
    if not rows:
        return
    sides.say(reason)
    sides.mine.execute(insert(table), list(rows))
    sides.register.backend.note_change(sides.mine, table.name, _bounds(rows))
    sides.result.new[table.name] += len(rows)
    sides.result.derive |= table is schema.den
