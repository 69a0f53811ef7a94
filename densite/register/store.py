"""What the rest of densite may ask of a register; knows tables, not how they are stored."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from sqlalchemy import Connection, Engine, Select, Table, delete, func, insert, select, update

from densite.animals import frame_of
from densite.errors import RegisterError
from densite.records import DenSite, Visit
from densite.register import geopackage, schema
from densite.register.columns import decode_geometry, encode_point


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a derived value came from: layer, method, radius [m], unit, parameters, fingerprint of the layer."""

    covariate: str
    layer: str
    method: str
    unit: str = ""
    radius_m: float | None = None
    parameters: Mapping[str, Any] | None = None
    layer_fingerprint: str = ""

    @property
    def column(self) -> str:
        """Name of the value's column: a covariate of a disc carries its radius."""
        return column_name(self.covariate, self.radius_m)


def column_name(covariate: str, radius_m: float | None) -> str:
    """Name a derived column.

    Parameters
    ----------
    covariate : str
        What was derived.
    radius_m : float or None
        Radius of its disc, if it has one. [m]

    Returns
    -------
    str
        ``canopy_mean_pct_500m``, or the covariate alone.
    """
    return covariate if radius_m is None or pd.isna(radius_m) else f"{covariate}_{radius_m:g}m"


class Register:
    """An open register. Use it as a context manager, or close it."""

    def __init__(self, engine: Engine, path: Path, *, version: int = schema.SCHEMA_VERSION) -> None:
        self._engine = engine
        self.path = path
        self._version = version

    def __enter__(self) -> Register:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    def close(self) -> None:
        """Let go of the file; the write-ahead log is folded in."""
        self._engine.dispose()

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a transaction that is kept whole or not at all."""
        with geopackage.told_as_errors(self.path):
            connection = self._engine.connect().execution_options(densite_writes=True)
            with connection, connection.begin():
                yield connection

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Connection]:
        with geopackage.told_as_errors(self.path), self._engine.connect() as connection, connection.begin():
            yield connection

    def add(self, connection: Connection, dens: Sequence[DenSite], visits: Sequence[Visit]) -> None:
        """Add den sites and visits inside a transaction of :meth:`writing`.

        Parameters
        ----------
        connection : Connection
            From :meth:`writing`.
        dens : sequence of DenSite
            New den sites, points in WGS 84. [deg]
        visits : sequence of Visit
            Their visits, or further visits of dens recorded before.
        """
        if dens:
            connection.execute(insert(schema.den), [_den_row(den) for den in dens])
            xs, ys = [den.longitude for den in dens], [den.latitude for den in dens]
            geopackage.note_change(connection, "den", (min(xs), min(ys), max(xs), max(ys)))
        if visits:
            connection.execute(insert(schema.visit), [visit.model_dump() for visit in visits])
            geopackage.note_change(connection, "visit", None)

    def add_records(self, connection: Connection, kind: str, records: Sequence[Mapping[str, Any]]) -> None:
        """Add records of the animals' side inside a transaction of :meth:`writing`.

        Parameters
        ----------
        connection : Connection
            From :meth:`writing`.
        kind : str
            A name of ``KINDS``.
        records : sequence of mapping
            Values by column, as :func:`densite.intake.animalrows.read_record` gives them.
        """
        if records:
            connection.execute(insert(schema.record_tables[kind]), [dict(record) for record in records])
            geopackage.note_change(connection, f"{kind}_record", None)

    def records(self, kind: str, *, every: bool = False) -> pd.DataFrame:
        """Return the records of one kind, those that were corrected or withdrawn left out.

        Parameters
        ----------
        kind : str
            A name of ``KINDS``.
        every : bool
            Also return what was corrected or withdrawn, and the rows that withdrew it.

        Returns
        -------
        DataFrame
            As :func:`densite.animals.frame_of` makes it, in the order in which they were recorded.
        """
        if self._version < _WITH_ANIMALS:  # an older register on a medium that cannot be written
            return frame_of(kind, [])
        table = schema.record_tables[kind]
        query = select(table).order_by(table.c.fid)
        if not every:
            replaced = select(table.c.corrects).where(table.c.corrects.is_not(None))
            query = query.where(table.c.record_id.not_in(replaced), func.coalesce(table.c.withdrawn, "") != "yes")
        with self._reading() as connection:
            return frame_of(kind, [dict(row) for row in connection.execute(query).mappings()])

    def fill_blanks(self, connection: Connection, den: DenSite) -> list[str]:
        """Fill in what a recorded den lacks and a later row knows; nothing recorded is overwritten.

        Parameters
        ----------
        connection : Connection
            From :meth:`writing`.
        den : DenSite
            The den as the later row describes it.

        Returns
        -------
        list of str
            Columns that were filled in.
        """
        row = connection.execute(select(schema.den).where(schema.den.c.den_id == str(den.den_id))).mappings().one()
        kept, told = _without_words_for_blank(dict(row)), _without_words_for_blank(_den_row(den))
        fresh = {name: told[name] for group in _DESCRIBED_TOGETHER for name in _blank_group(group, kept, told)}
        if fresh:
            connection.execute(update(schema.den).where(schema.den.c.den_id == str(den.den_id)).values(**fresh))
        return list(fresh)

    def dens(self, *, only: Sequence[str] | None = None) -> gpd.GeoDataFrame:
        """Return all den sites.

        Parameters
        ----------
        only : sequence of str, optional
            Columns to read besides den_id and geometry; all by default.

        Returns
        -------
        GeoDataFrame
            Points in EPSG:4326, one row a den, indexed by den_id, in order of label.
        """
        with self._reading() as connection:
            frame = _frame(
                connection.execute(_columns_of(schema.den, ("geom", "den_id"), only).order_by(schema.den.c.label))
            )
        points = shapely.from_wkb([decode_geometry(blob) for blob in frame.pop("geom")])
        return gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:4326").set_index("den_id")

    def visits(self, *, only: Sequence[str] | None = None) -> pd.DataFrame:
        """Return all visits in order of day.

        Parameters
        ----------
        only : sequence of str, optional
            Columns to read besides visit_id; all by default.

        Returns
        -------
        DataFrame
            One row a visit, indexed by visit_id; ``den_id`` joins it to its den.
        """
        query = _columns_of(schema.visit, ("visit_id",), only)
        with self._reading() as connection:
            ordered = query.order_by(schema.visit.c.observed_on, schema.visit.c.fid)
            return _frame(connection.execute(ordered)).set_index("visit_id")

    def counts(self) -> dict[str, int]:
        """Return how many dens and visits there are."""
        with self._reading() as connection:
            return {
                table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
                for table in (schema.den, schema.visit)
            }

    def replace_derived(self, values: pd.DataFrame, reasons: pd.DataFrame, sources: Sequence[Provenance]) -> None:
        """Store derived values in place of earlier ones of the same kind; records stay untouched.

        Parameters
        ----------
        values : DataFrame
            Indexed by den_id, one column for each source, in the same order.
        reasons : DataFrame
            Of the same shape: why a value is missing, else ''.
        sources : sequence of Provenance
            One for each column.
        """
        now = dt.datetime.now(dt.UTC)
        with self.writing() as connection:
            connection.execute(delete(schema.derivation))
            for position, source in enumerate(sources):
                number = self._add_derivation(connection, source, now)
                rows = _value_rows(values.iloc[:, position], reasons.iloc[:, position], number)
                if rows:
                    connection.execute(insert(schema.derived_value), rows)
            geopackage.note_change(connection, "derived_value", None)

    @staticmethod
    def _add_derivation(connection: Connection, source: Provenance, now: dt.datetime) -> int:
        row = {
            "covariate": source.covariate, "layer": source.layer, "method": source.method, "unit": source.unit,
            "radius_m": source.radius_m, "layer_fingerprint": source.layer_fingerprint, "computed_at": now,
            "parameters": json.dumps(dict(source.parameters or {}), ensure_ascii=False, sort_keys=True),
        }  # fmt: skip
        key = connection.execute(insert(schema.derivation).values(**row)).inserted_primary_key
        if key is None:
            raise RegisterError("the register gave no number to a derivation")
        return int(key[0])

    def derived(self) -> pd.DataFrame:
        """Return the derived values, one row a den.

        Returns
        -------
        DataFrame
            Indexed by den_id; a covariate in a disc is called ``name_500m``. Empty before ``derive``.
        """
        d, v = schema.derivation.c, schema.derived_value.c
        query = select(v.den_id, d.covariate, d.radius_m, v.number, v.words, d.fid).join_from(
            schema.derived_value, schema.derivation
        )
        with self._reading() as connection:
            long = _frame(connection.execute(query.order_by(d.fid)))
        return _wide(long)

    def reasons(self) -> pd.DataFrame:
        """Return why derived values are missing.

        Returns
        -------
        DataFrame
            Columns den_id, covariate, radius_m [m], reason.
        """
        d, v = schema.derivation.c, schema.derived_value.c
        query = select(v.den_id, d.covariate, d.radius_m, v.reason).join_from(schema.derived_value, schema.derivation)
        with self._reading() as connection:
            return _frame(connection.execute(query.where(v.reason.is_not(None))))

    def provenance(self) -> pd.DataFrame:
        """Return how each derived value was computed.

        Returns
        -------
        DataFrame
            Columns covariate, layer, method, radius_m [m], unit, parameters, layer_fingerprint, computed_at.
        """
        with self._reading() as connection:
            return _frame(connection.execute(select(schema.derivation).order_by(schema.derivation.c.fid))).drop(
                columns="fid"
            )


_WITH_ANIMALS = 2  # the schema's version from which on there are records of animals

# Columns that only make sense together: a bearing without its reference must not be mixed from two rows.
_ASPECT = (
    "aspect_read",
    "aspect_reference",
    "aspect_deg",
    "aspect_error_deg",
    "declination_deg",
    "declination_model",
)
_SLOPE = ("slope_read", "slope_deg")
_ALONE = (
    "den_type", "morning_sun", "den_subtype", "canopy_pct", "concealment_pct", "cover_species", "cover_notes",
    "entrance_height_cm",
    "entrance_width_cm", "depth_cm", "tree_species", "tree_diameter_cm", "entrance_above_ground_m",
    "protection_notes", "first_found", "notes",
)  # fmt: skip
_WORDS_FOR_BLANK = {"den_type": "unknown", "morning_sun": "not recorded"}
_DESCRIBED_TOGETHER = (_ASPECT, _SLOPE, *((name,) for name in _ALONE))


def _without_words_for_blank(row: dict[str, Any]) -> dict[str, Any]:
    return row | {name: None for name, word in _WORDS_FOR_BLANK.items() if row[name] == word}


def _blank_group(group: tuple[str, ...], row: Mapping[str, Any], told: Mapping[str, Any]) -> Iterable[str]:
    if any(row[name] is not None for name in group):
        return ()
    return [name for name in group if told[name] is not None]


def _columns_of(table: Table, always: Sequence[str], only: Sequence[str] | None) -> Select[Any]:
    names = [c.name for c in table.c if c.name not in (*always, "fid")] if only is None else only
    return select(*(table.c[name] for name in (*always, *names)))


def _den_row(den: DenSite) -> dict[str, Any]:
    row = den.model_dump()
    row["geom"] = encode_point(row.pop("longitude"), row.pop("latitude"))
    return row


def _frame(result: Any) -> pd.DataFrame:
    return pd.DataFrame(result.fetchall(), columns=list(result.keys()))


def _value_rows(values: pd.Series[Any], reasons: pd.Series[Any], derivation: int) -> list[dict[str, Any]]:
    return [
        {"den_id": den_id, "derivation": derivation, "number": _number(value), "words": _words(value),
         "reason": reason or None}
        for den_id, value, reason in zip(values.index, values, reasons, strict=True)
    ]  # fmt: skip


def _number(value: Any) -> float | None:
    if isinstance(value, str) or value is None or pd.isna(value):
        return None
    return float(value)


def _words(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _wide(long: pd.DataFrame) -> pd.DataFrame:
    if long.empty:
        return pd.DataFrame(index=pd.Index([], name="den_id"))
    names = [column_name(c, r) for c, r in zip(long["covariate"], long["radius_m"], strict=True)]
    long = long.assign(name=names, value=long["words"].where(long["words"].notna(), long["number"]))
    wide = long.pivot(index="den_id", columns="name", values="value")[list(dict.fromkeys(names))]
    numeric = long.groupby("name")["words"].count() == 0
    return pd.DataFrame({name: pd.to_numeric(wide[name]) if numeric[name] else wide[name] for name in wide.columns})


def create_register(path: Path, *, study_id: str) -> Register:
    """Make a new, empty register.

    Parameters
    ----------
    path : Path
        File to make; must not exist.
    study_id : str
        ``study.id`` of study.toml.

    Returns
    -------
    Register

    Raises
    ------
    RegisterError
        The file exists or cannot be written.
    """
    if path.exists():
        raise RegisterError(f"register {path} exists already: it is never overwritten")
    register = Register(geopackage.engine_for(path), path)
    info = {"schema_version": str(schema.SCHEMA_VERSION), "study_id": study_id}
    with register.writing() as connection:
        geopackage.lay_out(connection)
        connection.execute(insert(schema.study_info), [{"key": k, "value": v} for k, v in info.items()])
    return register


def open_register(path: Path, *, study_id: str = "") -> Register:
    """Open a register that exists.

    Parameters
    ----------
    path : Path
        The register's file.
    study_id : str
        ``study.id`` of study.toml, which must be the register's own; not compared where blank.

    Returns
    -------
    Register

    Raises
    ------
    RegisterError
        It is missing, damaged, in use, no register, newer than this program, or of another study.
    """
    if not path.is_file():
        raise RegisterError(f"no register at {path}: `densite new` makes one with a study folder")
    if not geopackage.is_database(path):  # looked at before SQLite, which would write into an empty file
        raise RegisterError(f"{path} is damaged or no GeoPackage. Nothing was changed")
    writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
    register = Register(geopackage.engine_for(path, read_only=not writable), path)
    with register._reading() as connection:
        version = geopackage.version_in(connection)
        owner = geopackage.study_in(connection) if version else ""
    if version == 0:
        raise RegisterError(f"{path} is no densite register: its study_info table is missing")
    if version > schema.SCHEMA_VERSION:
        raise RegisterError(
            f"register {path} has version {version}, this program knows {schema.SCHEMA_VERSION}: "
            "update densite. Nothing was read"
        )
    register._version = version
    if study_id and owner != study_id:
        raise RegisterError(
            f"register {path} belongs to the study with id {owner}, study.toml says {study_id}: "
            "record ids are made from it. Mend id in study.toml, or name the right register"
        )
    if writable and version < schema.SCHEMA_VERSION:
        with register.writing() as connection:
            geopackage.add_missing_tables(connection)
        register._version = schema.SCHEMA_VERSION
    return register
