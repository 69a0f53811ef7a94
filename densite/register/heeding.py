"""Choices of a person that came to nothing, or wait: each told with its line, and what is expected there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from densite.errors import Level, Problem
from densite.register import doubles, schema
from densite.register.conflicts import POINT, Choice, Conflict, Key, typed
from densite.register.sides import Sides, rows_of

_FORK = "corrects"  # the field of a conflict of two corrections, with a number where there are more


def unheeded(sides: Sides) -> Iterator[Problem]:
    """Tell of each choice that was not carried out why, and what is expected.

    Parameters
    ----------
    sides : Sides
        Both registers, all that could be merged taken.

    Yields
    ------
    Problem
        A note where the choice waits for others and stands in the new file of conflicts; a warning where it
        came to nothing. Nothing for a choice that holds here already.
    """
    still = {conflict.key: conflict for conflict in sides.result.conflicts}
    for key, choice in sorted(sides.choices.items(), key=lambda item: item[1].line):
        if key not in sides.result.heeded and not (key not in still and _holds(sides, key, choice)):
            yield _told(key, choice, still.get(key))


def _told(key: Key, choice: Choice, conflict: Conflict | None) -> Problem:
    table, record, column = key
    level, of = Level.WARNING, f"choice for {table} {record[:8]} {column}"
    if conflict is None:
        said = f"{of} was not used: there is no such conflict (settled otherwise, or the row was altered)"
        hint = "`densite history` shows what holds; take the choice out of this line if that is right"
    elif conflict.seen != choice.seen:
        said = f"{of} was not used: the values changed since this file was written, or its column seen was altered"
        hint = "choose again in the file of conflicts that is written now"
    elif conflict.why or column.startswith(_FORK):
        said = f"{of} was not used: {conflict.why or 'two corrections of one record'}"
        hint = "write mine or theirs" if column.startswith(_FORK) else "choose again"
    else:
        level, said = Level.NOTE, f"{of} waits: the record stays as it is until all its fields are settled"
        hint = "it stands in the file of conflicts that is written now; choose for the record's other lines too"
    return Problem(level, said, column, file=choice.file, line=choice.line, hint=hint)


def _holds(sides: Sides, key: Key, choice: Choice) -> bool:
    """Tell whether what was chosen holds here already, from an earlier time that the file was handed in."""
    name, record, field = key
    if name not in schema.JOURNALED:
        return False
    if field.startswith(_FORK):
        dropped = choice.theirs if choice.keep == "mine" else choice.mine
        return choice.keep != "value" and doubles.is_withdrawn(sides.mine, name, dropped)
    table, column = schema.metadata.tables[name], "geom" if field == POINT else field
    row = rows_of(sides.mine, table, [record]).get(record, {})
    return column in row and _wanted(table, row, column, choice) == (row[column],)


def _wanted(table: Any, row: Mapping[str, Any], column: str, choice: Choice) -> tuple[Any, ...]:
    """Return the value that was chosen; nothing where no such record may have it."""
    text = {"mine": choice.mine, "theirs": choice.theirs}.get(choice.keep, choice.value)
    try:
        return (typed(table, row, column, text),)
    except ValueError:
        return ()
