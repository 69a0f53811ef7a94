"""Tables of the register: dens, visits, the animals' records, and derived values with where they came from."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    ColumnElement,
    Date,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    func,
    text,
)  # fmt: skip

from densite.animals import ENVELOPE
from densite.animalterms import KINDS, Kind
from densite.records import DenSite, Visit, columns
from densite.register import nearby
from densite.register.columns import Identifier, Moment, place
from densite.terms import Term, by_name

SCHEMA_VERSION = 3  # 2: the animals' records; 3: the journal, withdrawals, derivations kept when superseded

WITHDRAWN = "yes"  # what the column withdrawn holds of a den or visit that was; a record may also say no

_TEXT_DAYS = ("first_found", "observed_on", "entered_at")
_IDENTIFIERS = ("den_id", "visit_id")


def _type(name: str) -> Any:
    if name in _IDENTIFIERS:
        return Identifier()
    if name in _TEXT_DAYS:
        return Date()
    if name == "recorded_at":
        return Moment()
    if name == "confirmed":
        return Boolean()
    if name == "source_line":
        return Integer()
    term = by_name().get(name)
    return Double() if name in ("longitude", "latitude") or (term and term.kind == "number") else Text()


def _columns(names: Iterable[str], *, skip: tuple[str, ...] = ()) -> list[Column[Any]]:
    return [Column(name, _type(name)) for name in names if name not in skip]


def _withdrawn_is_said() -> CheckConstraint:
    return CheckConstraint(f"withdrawn = '{WITHDRAWN}'", name="withdrawn_is_yes_or_blank")  # blank: NULL


def in_sight(table: Table) -> ColumnElement[bool]:
    """Choose the rows of a table that were not withdrawn themselves: all that do not say ``yes``.

    Parameters
    ----------
    table : Table
        One of the journaled tables.

    Returns
    -------
    ColumnElement
    """
    return func.coalesce(table.c.withdrawn, "") != WITHDRAWN


metadata = MetaData()

study_info = Table(
    "study_info", metadata,
    Column("fid", Integer, primary_key=True),
    Column("key", Text, nullable=False, unique=True),
    Column("value", Text, nullable=False),
)  # fmt: skip

den = Table(
    "den", metadata,
    Column("fid", Integer, primary_key=True),
    Column("geom", place(), nullable=False),
    Column("den_id", Identifier(), nullable=False, unique=True),
    Column("label", Text, nullable=False, unique=True),
    *_columns(columns(DenSite), skip=("den_id", "label", "longitude", "latitude")),
    Column("withdrawn", Text),
    _withdrawn_is_said(),
)  # fmt: skip

Index("den_by_uncertainty", den.c.uncertainty_m)
Index("den_withdrawn", den.c.withdrawn, sqlite_where=den.c.withdrawn.is_not(None),
      postgresql_where=den.c.withdrawn.is_not(None))  # fmt: skip

visit = Table(
    "visit", metadata,
    Column("fid", Integer, primary_key=True),
    Column("visit_id", Identifier(), nullable=False, unique=True),
    Column("den_id", Identifier(), ForeignKey("den.den_id"), nullable=False),
    Column("row_key", Text, nullable=False, unique=True),
    *_columns(columns(Visit), skip=("visit_id", "den_id", "row_key")),
    Column("withdrawn", Text),
    _withdrawn_is_said(),
    Index("visit_of_den", "den_id"),
)  # fmt: skip

for _index in (
    Index("den_by_latitude", text(nearby.LATITUDE), _table=den),
    Index("den_by_label", text(nearby.LABEL), _table=den),
    Index("visit_by_female", text(nearby.FEMALE), visit.c.female),
):
    _index.ddl_if(dialect="sqlite")

derivation = Table(
    "derivation", metadata,
    Column("fid", Integer, primary_key=True),
    Column("covariate", Text, nullable=False),
    Column("layer", Text, nullable=False),
    Column("method", Text, nullable=False),
    Column("radius_m", Double),
    Column("unit", Text, nullable=False),
    Column("parameters", Text, nullable=False),
    Column("layer_fingerprint", Text, nullable=False),
    Column("computed_at", Moment(), nullable=False),
    Column("superseded_at", Moment()),
)  # fmt: skip

derived_value = Table(
    "derived_value", metadata,
    Column("fid", Integer, primary_key=True),
    Column("den_id", Identifier(), ForeignKey("den.den_id"), nullable=False),
    Column("derivation", Integer, ForeignKey("derivation.fid", ondelete="CASCADE"), nullable=False),
    Column("number", Double),
    Column("words", Text),
    Column("reason", Text),
    Index("derived_by", "derivation", "den_id", unique=True),
)  # fmt: skip

# Written by triggers only, so that what another program changes is in it too.
journal = Table(
    "journal", metadata,
    Column("seq", Integer, primary_key=True, autoincrement=True),
    Column("at", Text, nullable=False),
    Column("who", Text),
    Column("source", Text),
    Column("reason", Text),
    Column("table_name", Text, nullable=False),
    Column("record", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("before", Text),
    Column("after", Text),
    Index("journal_of_record", "table_name", "record"),
    sqlite_autoincrement=True,
)  # fmt: skip

# Who writes, from what, and why, while a transaction of densite lasts; empty when another program writes.
journal_context = Table(
    "journal_context", metadata,
    Column("fid", Integer, primary_key=True),
    Column("who", Text),
    Column("source", Text),
    Column("reason", Text),
)  # fmt: skip

journal_seal = Table(
    "journal_seal", metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("hash", Text, nullable=False),
)  # fmt: skip


def _typed(term: Term) -> list[Column[Any]]:
    if term.kind == "time":
        return [Column(f"{term.name}_at", Moment()), Column(f"{term.name}_local", Text)]
    kinds: dict[str, Any] = {"number": Double(), "date": Date()}
    return [Column(term.name, kinds.get(term.kind) or Text())]


def _table_of(kind: Kind) -> Table:
    """Lay out the table of a kind of record: the envelope, then its columns."""
    name = f"{kind.name}_record"
    linked = ("record_id", "den_id", "visit_id", "row_key")
    return Table(
        name, metadata,
        Column("fid", Integer, primary_key=True),
        Column("record_id", Identifier(), nullable=False, unique=True),
        Column("den_id", Identifier(), ForeignKey("den.den_id")),
        Column("visit_id", Identifier(), ForeignKey("visit.visit_id")),
        Column("row_key", Text, nullable=False, unique=True),
        *_columns(ENVELOPE, skip=linked),
        *(column for term in kind.terms for column in _typed(term)),
        Index(f"{name}_corrects", "corrects"),
        CheckConstraint("withdrawn IN ('yes', 'no')", name="withdrawn_is_yes_no_or_blank"),
    )  # fmt: skip


record_tables = {kind.name: _table_of(kind) for kind in KINDS.values()}

# The tables whose every change is journaled, with the column that names a record.
JOURNALED = {"den": "den_id", "visit": "visit_id"} | {table.name: "record_id" for table in record_tables.values()}
