"""Tables of the register: dens, visits, the animals' records, and derived values with where they came from."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)  # fmt: skip

from densite.animals import ENVELOPE
from densite.animalterms import KINDS, Kind
from densite.records import DenSite, Visit, columns
from densite.register.columns import Identifier, Moment, PointBlob
from densite.terms import Term, by_name

SCHEMA_VERSION = 2  # 2: the animals' records

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
    Column("geom", PointBlob(), nullable=False),
    Column("den_id", Identifier(), nullable=False, unique=True),
    Column("label", Text, nullable=False, unique=True),
    *_columns(columns(DenSite), skip=("den_id", "label", "longitude", "latitude")),
)  # fmt: skip

visit = Table(
    "visit", metadata,
    Column("fid", Integer, primary_key=True),
    Column("visit_id", Identifier(), nullable=False, unique=True),
    Column("den_id", Identifier(), ForeignKey("den.den_id"), nullable=False),
    Column("row_key", Text, nullable=False, unique=True),
    *_columns(columns(Visit), skip=("visit_id", "den_id", "row_key")),
    Index("visit_of_den", "den_id"),
)  # fmt: skip

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
    UniqueConstraint("covariate", "radius_m"),
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
    )  # fmt: skip


record_tables = {kind.name: _table_of(kind) for kind in KINDS.values()}
