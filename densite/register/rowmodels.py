"""Whether the rows of a register are ones that densite would have taken, whoever wrote them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cache
from typing import Any

from pydantic import BaseModel, ValidationError
from sqlalchemy import Connection, Double, Integer, Table, select, type_coerce
from sqlalchemy.types import NullType

from densite.animals import model_of
from densite.animalterms import KINDS
from densite.errors import Level, Problem, seen
from densite.records import DenSite, Visit, problems_of
from densite.register import schema
from densite.register.columns import decode_point, place, place_if_legible
from densite.terms import Term, by_name

SHOWN = 5  # so many rows that break one rule are named
LISTED = 20  # so many rules broken are listed for a table
_BATCH = 5000
_HINT = "`densite history` says who wrote it; correct it with densite, or where it was written"
_OF_ALL = {"label", "observed_on", "animal", "female"}  # what names a row for people

Row = dict[str, Any]
Check = Callable[[Connection], Iterator[Problem]]


def _as_modelled(table: Table) -> Check:
    """Return the check that each row of a table fits its model."""

    def check(connection: Connection) -> Iterator[Problem]:
        broken: dict[tuple[Level, str], list[str]] = {}
        counts: dict[tuple[Level, str], int] = {}
        for row in _rows(connection, table):
            for rule in _breaks(table, row):
                counts[rule] = counts.get(rule, 0) + 1
                if counts[rule] <= SHOWN and (rule in broken or len(broken) < LISTED):
                    broken.setdefault(rule, []).append(_name(table, row))
        for (level, said), names in broken.items():
            n = counts[level, said]
            more = ", ..." if n > len(names) else ""
            yield Problem(level, f"{table.name}: {said}; rows: {n} ({', '.join(names)}{more})", hint=_HINT)
        if len(counts) > LISTED:
            yield Problem(Level.ERROR, f"{table.name}: {len(counts) - LISTED} more kinds of such values", hint=_HINT)

    check.__doc__ = f"Hold every row of {table.name} against its model."
    return check


def _rows(connection: Connection, table: Table) -> Iterator[Row]:
    """Yield a table's rows; from a file bare, for other programs may write what our types refuse."""
    bare = connection.dialect.name == "sqlite"
    columns = [
        (type_coerce(c, NullType()) if bare else c).label(c.name) for c in table.c if c.name not in ("fid", "geom")
    ]
    if "geom" in table.c:
        point = type_coerce(table.c.geom, NullType() if bare else place(if_legible=True))
        columns.append(point.label("geom"))
    for row in connection.execute(select(*columns).execution_options(yield_per=_BATCH)).mappings():
        yield dict(row)


def _name(table: Table, row: Row) -> str:
    told = [str(row[name]) for name in row if name in _OF_ALL and row[name] is not None]
    return seen(" ".join([*told, str(row[schema.JOURNALED[table.name]])]))


def _breaks(table: Table, row: Row) -> Iterator[tuple[Level, str]]:
    """Yield what of a row densite would not have taken, in words that are the same for all such rows."""
    told = {name: value for name, value in row.items() if value is not None}
    if "geom" in row:
        point = place_if_legible(told.pop("geom", None))  # one that is unreadable is told apart from this
        told |= dict(zip(("longitude", "latitude"), decode_point(point) if point else (0.0, 0.0), strict=True))
    if table.name in ("den", "visit") and (gone := told.pop("withdrawn", schema.WITHDRAWN)) != schema.WITHDRAWN:
        yield Level.ERROR, f"withdrawn '{seen(str(gone))}' counts as blank; allowed: {schema.WITHDRAWN}, or blank"
    for name in _numbers(table):
        if isinstance(told.get(name), str | bytes):
            yield Level.ERROR, f"{name} '{seen(str(told.pop(name)))}' is no number but text"
    try:
        made = _model(table).model_validate(told)
    except ValidationError as error:
        forms = {str(item["loc"][0]) for item in error.errors() if item["type"] == "text_form"}
        for problem in problems_of(error, _terms(table)):
            yield Level.WARNING if problem.field in forms else Level.ERROR, problem.message
        return
    for name in _choices(table):
        if told.get(name) is not None and told[name] != getattr(made, name) and told[name] != "":
            yield Level.ERROR, f"{name} '{seen(str(told[name]))}' is to be written '{getattr(made, name)}'"


def _model(table: Table) -> type[BaseModel]:
    models: dict[str, type[BaseModel]] = {"den": DenSite, "visit": Visit}
    return models.get(table.name) or model_of(KINDS[table.name.removesuffix("_record")])


@cache
def _terms(table: Table) -> Mapping[str, Term]:
    kind = KINDS.get(table.name.removesuffix("_record"))
    return by_name() if kind is None else {term.name: term for term in kind.terms}


@cache
def _numbers(table: Table) -> tuple[str, ...]:
    return tuple(c.name for c in table.c if isinstance(c.type, Double | Integer) and c.name != "fid")


@cache
def _choices(table: Table) -> tuple[str, ...]:
    terms = _terms(table)
    return tuple(
        c.name for c in table.c if c.name in terms and terms[c.name].choices and c.name in _model(table).model_fields
    )


CHECKS = tuple(_as_modelled(schema.metadata.tables[name]) for name in schema.JOURNALED)
