"""What is to be taken of a record that two registers hold differently, and what a person must settle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, or_, select

from densite.errors import RegisterError
from densite.register import lineage, schema
from densite.register.conflicts import Choice, Conflict, heading, impossible, shown, typed
from densite.register.lineage import MERGE, SOURCE, Lineage, Strand, base, blank, decide, parts
from densite.register.sides import Change, Row, Sides, batches, id_of, label_of, rows_of, unique


def compared(sides: Sides, table: Table, records: Sequence[str]) -> Iterator[Change]:
    """Compare the records that both registers hold; yield those of which something is to be taken."""
    mine, theirs = rows_of(sides.mine, table, records), rows_of(sides.theirs, table, records)
    settled = _settled(sides, table, records)
    differing = [r for r in theirs if r in mine and (mine[r] != theirs[r] or r in settled)]
    if not differing:
        return
    stories = [lineage.lineages(connection, table, differing) for connection in (sides.mine, sides.theirs)]
    for record in differing:  # one by one: those held back take no room
        must_be_sound(table, record, mine[record], stories[0].get(record), sides.register.where)
        must_be_sound(table, record, theirs[record], stories[1].get(record), sides.name)
        here, there = stories[0][record], stories[1][record]
        label = label_of(sides.theirs, table, theirs[record])
        change = Change(table, record, mine[record], theirs[record], there, label)
        _weigh(sides, change, here, there)
        sides.result.conflicts.extend(change.conflicts)
        if not change.conflicts and change.noted:
            yield change


def _settled(sides: Sides, table: Table, records: Sequence[str]) -> set[str]:
    """List records of which something was settled on the other side: that is taken over where values are equal too."""
    key = schema.journal.c
    query = select(key.record).where(key.table_name == table.name, key.record.in_(records), key.seq > sides.fork)
    told = (key.reason.like("%{%:=%"), key.reason.like("%{%~=%"))
    return set(sides.theirs.execute(query.where(key.source.like(f"{MERGE}%"), or_(*told))).scalars())


def must_be_sound(table: Table, record: str, row: Row, story: Lineage | None, where: str) -> None:
    """Refuse a record that is not as its journal tells.

    Parameters
    ----------
    table : Table
        Its table.
    record : str
        Its id.
    row : dict
        Its values by column.
    story : dict of str to Strand or None
        From :func:`densite.register.lineage.lineages`.
    where : str
        How messages name the register.

    Raises
    ------
    RegisterError
        It was changed with the triggers off.
    """
    if story is None or any(story[p].value != tuple(row[n] for n in names) for p, names in parts(table).items()):
        raise RegisterError(
            f"register {where}: {table.name} {record} is not as its journal tells: was it changed with the triggers "
            "off? `densite check --deep` tells more. Nothing was merged"
        )


def _weigh(sides: Sides, change: Change, here: Lineage, there: Lineage) -> None:
    """Choose the value of each part, or ask."""
    table = change.table
    verdicts = {part: decide(here[part], there[part], blank(table, part)) for part in parts(table)}
    held_against = _withdrawn_unaware(sides, change, verdicts, here, there) if "withdrawn" in verdicts else ""
    if held_against:
        verdicts["withdrawn"] = "conflict"
    for part, verdict in verdicts.items():
        if verdict == "conflict" and part == SOURCE[0]:
            verdict = "theirs" if str(there[part].value) < str(here[part].value) else "mine"
        if verdict == "same" and there[part].current.settled and there[part].current.id not in here[part].known:
            change.noted[part] = there[part].taken()
        elif verdict == "theirs" and not renamed(sides, change, part):
            _take(change, part)
        elif verdict == "conflict":
            _ask(sides, change, part, here, there, held_against if part == "withdrawn" else "")
    _hold_impossible(change, here, there)
    if change.conflicts:  # the record waits whole, with what is chosen already
        change.conflicts.extend(change.asked)


def renamed(sides: Sides, change: Change, part: str) -> bool:
    """Give a record whose label is taken here the one that a person chose for it."""
    choice = sides.choice(label_taken(change, part, "")) if part == unique(change.table) else None
    if choice is None or choice.keep == "theirs":
        return False
    try:
        if choice.keep == "value":
            change.values[part] = typed(change.table, change.theirs, part, choice.value)
    except ValueError:  # told again with what is wrong about theirs
        return False
    change.noted[part] = (":", change.strands[part].ids())
    return True


def _take(change: Change, part: str) -> None:
    change.noted[part] = change.strands[part].taken()
    change.values |= {n: change.theirs[n] for n in parts(change.table)[part] if change.theirs[n] != change.row[n]}


def _ask(sides: Sides, change: Change, part: str, here: Lineage, there: Lineage, why: str = "") -> None:
    """Settle a part as a person has chosen, or note its conflicts."""
    asked = _conflicts(change, part, here[part], there[part], why)
    chosen = [sides.choice(conflict) for conflict in asked]
    known = there[part].ids()
    if part == "withdrawn":  # to settle it is to know all that was changed on the other side
        known += sorted({name for strand in there.values() for name in strand.known} - set(known))
    values: Row = {}
    for column, choice in zip(_differing(change, part), chosen, strict=True):
        if choice is None:
            change.conflicts.extend(asked)
            return
        try:
            values[column] = _chosen(change, column, choice)
        except ValueError as error:
            change.conflicts.extend(_conflicts(change, part, here[part], there[part], str(error)))
            return
    change.values |= values
    change.noted[part] = (":", known)
    change.asked.extend(_conflicts(change, part, here[part], there[part], ""))


def _differing(change: Change, part: str) -> list[str]:
    return [name for name in parts(change.table)[part] if change.row.get(name) != change.theirs[name]]


def _chosen(change: Change, column: str, choice: Choice) -> Any:
    if choice.keep == "value":
        return typed(change.table, change.theirs | change.row, column, choice.value)
    return (change.row if choice.keep == "mine" else change.theirs)[column]


def _conflicts(change: Change, part: str, here: Strand, there: Strand, why: str) -> list[Conflict]:
    before = base(here, there, blank(change.table, part))
    was = dict(zip(parts(change.table)[part], before, strict=True))
    return [
        Conflict(
            change.table.name, change.record, change.label, heading(name), shown(name, was[name]),
            shown(name, change.row.get(name)), shown(name, change.theirs[name]),
            here.current.who, here.current.at, there.current.who, there.current.at, why,
        )
        for name in _differing(change, part)
    ]  # fmt: skip


def _hold_impossible(change: Change, here: Lineage, there: Lineage) -> None:
    """Turn what was taken into conflicts where both records are possible and the merged one is not."""
    if not change.values or change.conflicts:
        return
    why = impossible(change.table, change.row | change.values)
    if why and not impossible(change.table, change.row) and not impossible(change.table, change.theirs):
        for part in change.noted.keys() - set(change.settled):
            change.conflicts.extend(_conflicts(change, part, here[part], there[part], why))


def _withdrawn_unaware(sides: Sides, change: Change, verdicts: Mapping[str, str], here: Lineage, there: Lineage) -> str:
    """Say what the side that withdrew a record did not know: changes, or visits and records that came to it."""
    winner = {"mine": here, "theirs": there}.get(verdicts["withdrawn"])
    if winner is None or winner["withdrawn"].value != (schema.WITHDRAWN,):
        return ""
    loser, connections = (there, (sides.mine, sides.theirs)) if winner is here else (here, (sides.theirs, sides.mine))
    for part, strand in loser.items():
        known = winner[part].known | winner["withdrawn"].known
        unknown = strand.current.id not in known and strand.value != winner[part].value
        if unknown and part not in ("withdrawn", SOURCE[0]):
            return f"withdrawn on one side, {heading(part)} changed on the other"
    for child in schema.JOURNALED:
        late = _late(schema.metadata.tables[child], change, winner["withdrawn"].current.seq, *connections)
        if late:
            return f"withdrawn on one side, {late} {child.replace('_', ' ')} added to it on the other"
    return ""


def _late(child: Table, change: Change, seq: int, withdrew: Connection, other: Connection) -> int:
    """Count the other side's rows of a withdrawn record that were not there when it was withdrawn."""
    column = schema.JOURNALED[change.table.name]
    if column not in child.c or child is change.table:
        return 0
    query = select(id_of(child)).where(child.c[column] == change.record, schema.in_sight(child))
    ids = list(other.execute(query).scalars())
    key, there = schema.journal.c, set[str]()
    for batch in batches(ids):
        seen = select(key.record).where(key.table_name == child.name, key.record.in_(batch), key.seq < seq)
        there.update(withdrew.execute(seen).scalars())
    return len(set(ids) - there)


def label_taken(change: Change, column: str, holder: str) -> Conflict:
    """Return the conflict of a record whose label, or row, another record holds here.

    Parameters
    ----------
    change : Change
        What was to happen to the record.
    column : str
        ``label`` or ``row_key``.
    holder : str
        Id of the record that holds it here.

    Returns
    -------
    Conflict
    """
    there = change.strands[column].current
    return Conflict(
        change.table.name, change.record, change.label, column, "", shown(column, change.row.get(column)),
        shown(column, change.theirs[column]), theirs_by=there.who, theirs_at=there.at,
        why=f"{column} is that of another record here ({holder[:8]}): write a new one for theirs under value",
    )  # fmt: skip
