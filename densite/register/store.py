"""What the rest of densite may ask of a register; knows tables, not how they are stored."""

from __future__ import annotations

import contextlib
import datetime as dt
import gc
import getpass
import json
import math
import os
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Connection, Select, Table, bindparam, func, insert, select, type_coerce, update

from densite.animals import frame_of
from densite.errors import RegisterError
from densite.records import DenSite, Visit
from densite.register import journal, misplaced, schema
from densite.register.backend import Backend
from densite.register.columns import UnreadablePlaceError, encode_point, place

READ_UNTIL = "journal_read_until"  # among a derivation's parameters: the newest entry before the dens were read

if TYPE_CHECKING:  # they load where a frame is made: a den that is logged needs none
    import geopandas as gpd
    import pandas as pd


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
    return covariate if radius_m is None or math.isnan(radius_m) else f"{covariate}_{radius_m:g}m"


class Register:
    """An open register. Use it as a context manager, or close it."""

    def __init__(self, backend: Backend) -> None:
        self.backend = backend

    @property
    def where(self) -> str:
        """How messages name the register, without secrets."""
        return self.backend.where

    def __enter__(self) -> Register:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    def close(self) -> None:
        """Let go of the file; the write-ahead log is folded in."""
        self.backend.engine.dispose()

    @contextlib.contextmanager
    def writing(self, *, source: str = "", reason: str = "", who: str = "") -> Iterator[Connection]:
        """Open a transaction that is kept whole or not at all, journaled and sealed.

        Parameters
        ----------
        source : str
            From what the change comes: a crew file, a command.
        reason : str
            Why, where a person was asked.
        who : str
            Who writes; the user of this computer, or DENSITE_WHO, where left blank.

        Yields
        ------
        Connection
            One writer at a time: others wait.
        """
        with self._placed(), self.backend.told_as_errors():
            connection = self.backend.engine.connect().execution_options(densite_writes=True)
            with connection, connection.begin():
                self.backend.say_who(connection, who=who or writer(), source=source, reason=reason)
                yield connection
                self.backend.say_who(connection, who=None, source="", reason="")
                journal.seal(connection)

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the register."""
        with (
            self._legible(), self.backend.told_as_errors(), self.backend.engine.connect() as connection,
            connection.begin(),
        ):  # fmt: skip
            yield connection

    @contextlib.contextmanager
    def _legible(self) -> Iterator[None]:
        """Tell of a value, such as a day that is none, which another program has written and nobody can read."""
        try:
            with self._placed():
                yield
        except ValueError as error:
            raise RegisterError(
                f"register {self.where} holds a value that cannot be read ({error}): `densite check --deep` says where"
            ) from None

    @contextlib.contextmanager
    def _placed(self) -> Iterator[None]:
        """Name the dens whose points another program has made unreadable."""
        try:
            yield
        except UnreadablePlaceError:
            if said := misplaced.told(self.backend):
                raise RegisterError(said) from None
            raise

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
            self.backend.note_change(connection, "den", (min(xs), min(ys), max(xs), max(ys)))
        if visits:
            connection.execute(insert(schema.visit), [visit.model_dump() for visit in visits])
            self.backend.note_change(connection, "visit", None)

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
            self.backend.note_change(connection, f"{kind}_record", None)

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
        table = schema.record_tables[kind]
        query = select(table).order_by(table.c.fid)
        if not every:
            query = query.where(is_current(table))
        with self.reading() as connection:
            return frame_of(kind, [dict(row) for row in connection.execute(query).mappings()])

    def fill_blanks(self, connection: Connection, den: DenSite, *, but: Container[str] = ()) -> list[str]:
        """Fill in what a recorded den lacks and a later row knows; nothing recorded is overwritten.

        Parameters
        ----------
        connection : Connection
            From :meth:`writing`.
        den : DenSite
            The den as the later row describes it.
        but : container of str
            Columns that are known, and not asked for again.

        Returns
        -------
        list of str
            Columns that were filled in.
        """
        told = _without_words_for_blank({n: None if n in but else getattr(den, n) for n in _DESCRIBED})
        if all(value is None for value in told.values()):
            return []
        row = connection.execute(_DESCRIPTION, {"den": str(den.den_id)}).mappings().one()
        kept = _without_words_for_blank(dict(row))
        fresh = {name: told[name] for group in DESCRIBED_TOGETHER for name in _blank_group(group, kept, told)}
        if fresh:
            connection.execute(update(schema.den).where(schema.den.c.den_id == str(den.den_id)).values(**fresh))
        return list(fresh)

    def change(self, connection: Connection, table: str, record: str, values: Mapping[str, Any]) -> None:
        """Change a den or a visit, or withdraw it; the journal keeps what was there.

        Parameters
        ----------
        connection : Connection
            From :meth:`writing`, with the reason of the change.
        table : str
            ``den`` or ``visit``.
        record : str
            Its id.
        values : mapping
            New values by column, checked already; ``geom`` as well-known binary.

        Raises
        ------
        RegisterError
            There is no such record.
        """
        changed = schema.metadata.tables[table]
        done = connection.execute(update(changed).where(changed.c[f"{table}_id"] == record).values(**values))
        if done.rowcount != 1:
            raise RegisterError(f"no {table} {record} in the register: nothing was changed")
        self.backend.note_change(connection, table, None)

    def dens(
        self, *, only: Sequence[str] | None = None, every: bool = False, if_legible: bool = False
    ) -> gpd.GeoDataFrame:
        """Return all den sites.

        Parameters
        ----------
        only : sequence of str, optional
            Columns to read besides den_id and geometry; all by default.
        every : bool
            Also those that were withdrawn.
        if_legible : bool
            Give None for a point that another program has made unreadable; an error by default.

        Returns
        -------
        GeoDataFrame
            Points in EPSG:4326, one row a den, indexed by den_id, in order of label.
        """
        import geopandas as gpd
        import shapely

        point = type_coerce(schema.den.c.geom, place(if_legible=if_legible)).label("geom")
        query = _columns_of(schema.den, ("den_id",), only, skip=("geom",)).add_columns(point)
        if not every:
            query = query.where(schema.in_sight(schema.den))
        with self.reading() as connection:
            frame = _frame(connection.execute(query.order_by(schema.den.c.label)))
        points = shapely.from_wkb(list(frame.pop("geom")))
        return gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:4326").set_index("den_id")

    def visits(self, *, only: Sequence[str] | None = None, every: bool = False) -> pd.DataFrame:
        """Return all visits in order of day.

        Parameters
        ----------
        only : sequence of str, optional
            Columns to read besides visit_id; all by default.
        every : bool
            Also those that were withdrawn, or whose den was.

        Returns
        -------
        DataFrame
            One row a visit, indexed by visit_id; ``den_id`` joins it to its den.
        """
        query = _columns_of(schema.visit, ("visit_id",), only)
        if not every:
            gone = select(schema.den.c.den_id).where(schema.den.c.withdrawn == schema.WITHDRAWN)  # few or none
            query = query.where(schema.in_sight(schema.visit), schema.visit.c.den_id.not_in(gone))
        with self.reading() as connection:
            ordered = query.order_by(schema.visit.c.observed_on, schema.visit.c.fid)
            return _frame(connection.execute(ordered)).set_index("visit_id")

    def counts(self) -> dict[str, int]:
        """Return how many dens and visits there are."""
        with self.reading() as connection:
            return {
                table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
                for table in (schema.den, schema.visit)
            }

    def replace_derived(
        self, values: pd.DataFrame, reasons: pd.DataFrame, sources: Sequence[Provenance], *,
        read_until: int | None = None,
    ) -> None:  # fmt: skip
        """Store derived values in place of earlier ones of the same kind; records stay untouched.

        Parameters
        ----------
        values : DataFrame
            Indexed by den_id, one column for each source, in the same order.
        reasons : DataFrame
            Of the same shape: why a value is missing, else ''.
        sources : sequence of Provenance
            One for each column.
        read_until : int, optional
            The journal's newest entry before the dens were read: what came later is not in the values.
        """
        with self.writing(source="derive") as connection:
            now = dt.datetime.now(dt.UTC)  # not before the lock: else another's would be superseded before it was made
            d = schema.derivation.c
            connection.execute(update(schema.derivation).where(d.superseded_at.is_(None)).values(superseded_at=now))
            for position, source in enumerate(sources):
                number = self._add_derivation(connection, source, now, read_until)
                rows = _value_rows(values.iloc[:, position], reasons.iloc[:, position], number)
                if rows:
                    connection.execute(insert(schema.derived_value), rows)
            self.backend.note_change(connection, "derived_value", None)

    @staticmethod
    def _add_derivation(connection: Connection, source: Provenance, now: dt.datetime, read_until: int | None) -> int:
        known = {} if read_until is None else {READ_UNTIL: read_until}
        row = {
            "covariate": source.covariate, "layer": source.layer, "method": source.method, "unit": source.unit,
            "radius_m": source.radius_m, "layer_fingerprint": source.layer_fingerprint, "computed_at": now,
            "parameters": json.dumps(dict(source.parameters or {}) | known, ensure_ascii=False, sort_keys=True),
        }  # fmt: skip
        key = connection.execute(insert(schema.derivation).values(**row)).inserted_primary_key
        if key is None:
            raise RegisterError("the register gave no number to a derivation")
        return int(key[0])

    def derived(self, *, at: dt.datetime | None = None, only: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the derived values, one row a den.

        Parameters
        ----------
        only : sequence of str, optional
            Covariates to read; all by default.
        at : datetime, optional
            Those that were in force then; now by default.

        Returns
        -------
        DataFrame
            Indexed by den_id; a covariate in a disc is called ``name_500m``. Empty before ``derive``.
        """
        import pandas as pd

        d, v = schema.derivation.c, schema.derived_value.c
        chosen = select(d.fid, d.covariate, d.radius_m).where(_in_force(at)).order_by(d.fid)
        if only is not None:
            chosen = chosen.where(d.covariate.in_(only))
        found: dict[str, pd.Series[Any]] = {}
        indexes: dict[tuple[str, ...], pd.Index[Any]] = {}  # a run derives all at the same dens: one index
        with self.reading() as connection:
            for fid, covariate, radius_m in connection.execute(chosen).fetchall():
                rows = select(v.den_id, v.number, v.words).where(v.derivation == fid).order_by(v.den_id)
                values, ids = _values(_fetched(connection.execute(rows)))
                index = indexes.setdefault(ids, pd.Index(ids, name="den_id", dtype=object))
                found[column_name(covariate, radius_m)] = values.set_axis(index)
        return pd.DataFrame(found) if found else pd.DataFrame(index=pd.Index([], name="den_id"))

    def reasons(self, *, at: dt.datetime | None = None) -> pd.DataFrame:
        """Return why derived values are missing.

        Parameters
        ----------
        at : datetime, optional
            Those that were in force then; now by default.

        Returns
        -------
        DataFrame
            Columns den_id, covariate, radius_m [m], reason.
        """
        d, v = schema.derivation.c, schema.derived_value.c
        query = select(v.den_id, d.covariate, d.radius_m, v.reason).join_from(schema.derived_value, schema.derivation)
        with self.reading() as connection:
            return _frame(connection.execute(query.where(v.reason.is_not(None), _in_force(at))))

    def provenance(self, *, at: dt.datetime | None = None) -> pd.DataFrame:
        """Return how each derived value was computed.

        Parameters
        ----------
        at : datetime, optional
            Those that were in force then; now by default.

        Returns
        -------
        DataFrame
            Columns covariate, layer, method, radius_m [m], unit, parameters, layer_fingerprint, computed_at.
        """
        with self.reading() as connection:
            query = select(schema.derivation).where(_in_force(at)).order_by(schema.derivation.c.fid)
            return _frame(connection.execute(query)).drop(columns=["fid", "superseded_at"])


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
WORDS_FOR_BLANK = {"den_type": "unknown", "morning_sun": "not recorded"}
DESCRIBED_TOGETHER = (_ASPECT, _SLOPE, *((name,) for name in _ALONE))
_DESCRIBED = {name for group in DESCRIBED_TOGETHER for name in group}
# Asked for with every further visit, so built once.
_DESCRIPTION = select(*(schema.den.c[name] for name in sorted(_DESCRIBED))).where(
    schema.den.c.den_id == bindparam("den")
)


def _without_words_for_blank(row: dict[str, Any]) -> dict[str, Any]:
    return row | {name: None for name, word in WORDS_FOR_BLANK.items() if row[name] == word}


def _blank_group(group: tuple[str, ...], row: Mapping[str, Any], told: Mapping[str, Any]) -> Iterable[str]:
    if any(row[name] is not None for name in group):
        return ()
    return [name for name in group if told[name] is not None]


def writer() -> str:
    """Name who writes: DENSITE_WHO, else the user of this computer."""
    return os.environ.get("DENSITE_WHO", "").strip() or getpass.getuser()


def is_current(table: Table) -> ColumnElement[bool]:
    """Choose the records of a kind that were neither corrected nor withdrawn.

    Parameters
    ----------
    table : Table
        Of ``schema.record_tables``.

    Returns
    -------
    ColumnElement
    """
    replaced = select(table.c.corrects).where(table.c.corrects.is_not(None))
    return table.c.record_id.not_in(replaced) & schema.in_sight(table)


def _in_force(at: dt.datetime | None) -> ColumnElement[bool]:
    """Choose the derivations that were in force at a time."""
    d = schema.derivation.c
    if at is None:
        return d.superseded_at.is_(None)
    return (d.computed_at <= at) & (d.superseded_at.is_(None) | (d.superseded_at > at))


def _columns_of(
    table: Table, always: Sequence[str], only: Sequence[str] | None, *, skip: Sequence[str] = ()
) -> Select[Any]:
    names = [c.name for c in table.c if c.name not in (*always, *skip, "fid")] if only is None else only
    return select(*(table.c[name] for name in (*always, *names)))


def _den_row(den: DenSite) -> dict[str, Any]:
    row = den.model_dump()
    row["geom"] = encode_point(row.pop("longitude"), row.pop("latitude"))
    return row


def _frame(result: Any) -> pd.DataFrame:
    import pandas as pd

    names, rows = list(result.keys()), _fetched(result)
    if not rows:
        return pd.DataFrame([], columns=names, dtype=object)
    return pd.DataFrame(dict(zip(names, zip(*rows, strict=True), strict=True)))  # faster than from rows


def _fetched(result: Any) -> Any:
    """Fetch all rows; Python's collector rests meanwhile, which would look through all of them again and again."""
    running = gc.isenabled()
    gc.disable()
    try:
        return result.fetchall()
    finally:
        if running:
            gc.enable()


def _value_rows(values: pd.Series[Any], reasons: pd.Series[Any], derivation: int) -> list[dict[str, Any]]:
    return [
        {"den_id": den_id, "derivation": derivation, "number": _number(value), "words": _words(value),
         "reason": reason or None}
        for den_id, value, reason in zip(values.index, values, reasons, strict=True)
    ]  # fmt: skip


def _number(value: Any) -> float | None:
    import pandas as pd

    if isinstance(value, str) or value is None or pd.isna(value):
        return None
    return float(value)


def _words(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _values(rows: Sequence[Any]) -> tuple[pd.Series[Any], tuple[str, ...]]:
    """Return one derived column, numbers, or objects where there are words, and the dens' ids."""
    import pandas as pd

    ids, numbers, words = zip(*rows, strict=True) if rows else ((), (), ())
    if not any(words):
        return pd.Series(numbers, dtype=float), ids
    told = [word or (math.nan if number is None else number) for number, word in zip(numbers, words, strict=True)]
    return pd.Series(told, dtype=object), ids
