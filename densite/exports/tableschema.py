"""Table Schema of the register's tables, made from the tables of terms.

Source: Frictionless Table Schema and Data Package, version 1 (https://specs.frictionlessdata.io), from
memory, checked with the package frictionless by hand.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from sqlalchemy import Boolean, Column, Date, Double, Integer, Table

from densite.animalterms import KINDS
from densite.exports.held import key_of, names_of
from densite.register import schema
from densite.register.columns import Moment
from densite.terms import Term, by_name

_TYPES = ((Double, "number"), (Moment, "datetime"), (Date, "date"), (Boolean, "boolean"), (Integer, "integer"))
_OWN = {
    term.name: term for term in (
        Term("longitude", "Longitude", "number", "kept", "longitude in WGS 84", unit="deg", floor=-180, ceiling=180),
        Term("latitude", "Latitude", "number", "kept", "latitude in WGS 84", unit="deg", floor=-90, ceiling=90),
        Term("record_id", "Record id", "text", "kept", "the record's lasting id (UUID)"),
        Term("withdrawn", "Withdrawn", "text", "kept", "yes where the record was withdrawn; it is kept"),
    )
}  # fmt: skip


def table_schema(table: Table) -> dict[str, Any]:
    """Describe a table of the register.

    Parameters
    ----------
    table : Table
        One of the tables that are exported.

    Returns
    -------
    dict
        A Table Schema: fields with type, title, meaning, unit and constraints, keys and foreign keys.
    """
    return {
        "fields": [_field(table, name) for name in names_of(table)],
        "missingValues": [""],
        "primaryKey": key_of(table),
        "foreignKeys": list(_foreign_keys(table)),
    }


def _field(table: Table, name: str) -> dict[str, Any]:
    column, term = table.c.get(name), _terms(table.name).get(name)
    field: dict[str, Any] = {"name": name, "type": _type(column)}
    if term is not None:
        field |= {"title": term.heading, "description": _meaning(term, name)}
        field |= {"unit": term.unit} if term.unit else {}
    constraints = _constraints(column, term if field["type"] in ("number", "string") else None)
    return field | ({"constraints": constraints} if constraints else {})


def _type(column: Column[Any] | None) -> str:
    if column is None:
        return "number"
    return next((said for kind, said in _TYPES if isinstance(column.type, kind)), "string")


def _meaning(term: Term, name: str) -> str:
    if term.kind != "time":
        return term.meaning
    said = term.meaning.split(";")[0]
    return f"{said}; {'in UTC' if name.endswith('_at') else 'as the clock at the den showed it, with its offset'}"


def _constraints(column: Column[Any] | None, term: Term | None) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if column is None or not column.nullable:
        found["required"] = True
    if column is not None and column.unique:
        found["unique"] = True
    if term is None:
        return found
    bounds = {"minimum": term.floor, "maximum": term.ceiling} if term.kind == "number" else {}
    found |= {name: bound for name, bound in bounds.items() if bound is not None}
    return found | ({"enum": list(term.choices)} if term.choices else {})


@cache
def _terms(table: str) -> Mapping[str, Term]:
    """Return the term behind each column of a table."""
    kind = KINDS.get(table.removesuffix("_record"))
    if kind is None:
        return dict(by_name()) | _OWN
    own = {name: term for term in kind.terms for name in ((term.name, f"{term.name}_at", f"{term.name}_local")
                                                          if term.kind == "time" else (term.name,))}  # fmt: skip
    return dict(by_name()) | _OWN | own


def _foreign_keys(table: Table) -> Iterator[dict[str, Any]]:
    for name, of in (("den_id", schema.den), ("visit_id", schema.visit)):
        if name in table.c and name != key_of(table):
            yield {"fields": name, "reference": {"resource": of.name, "fields": name}}
    if "corrects" in table.c:
        yield {"fields": "corrects", "reference": {"resource": "", "fields": key_of(table)}}
