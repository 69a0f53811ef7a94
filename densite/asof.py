"""A study's register as it stood at an earlier time, read from the journal, with the reading methods of a register."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
from collections.abc import Iterator, Sequence
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from sqlalchemy import ARRAY, Connection, Double, Table, Text, cast, func, select

from densite import gradient
from densite.animals import frame_of
from densite.errors import RegisterError, SettingsError, seen
from densite.register import Register, journal, schema
from densite.register.columns import as_text, place_if_legible
from densite.register.schema import WITHDRAWN
from densite.settings import GradientSettings, Settings

Rows = list[dict[str, Any]]


class RegisterAsOf(Register):
    """A register as it stood at a time. It is read like any other and cannot be written."""

    def __init__(self, register: Register, moment: dt.datetime) -> None:
        super().__init__(register.backend)
        self.moment = moment
        self.until = as_text(moment)
        self._refuse_before_the_journal()

    def _refuse_before_the_journal(self) -> None:
        with self.reading() as connection:
            begins = connection.execute(select(func.min(schema.journal.c.at))).scalar()
        if begins is None or self.until < begins:
            said = f"begins on {begins[:10]} ({begins})" if begins else "is empty"
            raise RegisterError(
                f"the journal of register {self.where} {said}: how it stood before, on {self.until}, is not known"
            )

    @contextlib.contextmanager
    def writing(self, *, source: str = "", reason: str = "", who: str = "") -> Iterator[Connection]:
        """Refuse: what was cannot be changed.

        Parameters
        ----------
        source, reason, who : str
            As for a register.

        Raises
        ------
        RegisterError
            Always.
        """
        del source, reason, who
        raise RegisterError(f"this is the register as it stood on {self.until}: it can be read, not changed")
        yield  # pragma: no cover - makes it a context manager like the one it stands for

    def dens(
        self, *, only: Sequence[str] | None = None, every: bool = False, if_legible: bool = False
    ) -> gpd.GeoDataFrame:
        """Return the den sites of that time, as :meth:`Register.dens` does.

        Parameters
        ----------
        only, every, if_legible
            As for :meth:`Register.dens`.

        Returns
        -------
        GeoDataFrame
        """
        with self.reading() as connection:
            held = self._state(connection, schema.den)
            order = _by_label(connection, [row["label"] for row in held])
        rows = sorted(
            (row for row in held if every or row["withdrawn"] != WITHDRAWN), key=lambda row: order[row["label"]]
        )
        frame = _frame(rows, _names(schema.den, ("geom", "den_id"), only))
        points = shapely.from_wkb([_place(row, if_legible=if_legible) for row in rows])
        frame = frame.drop(columns="geom")
        return gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:4326").set_index("den_id")

    def visits(self, *, only: Sequence[str] | None = None, every: bool = False) -> pd.DataFrame:
        """Return the visits of that time in order of day, as :meth:`Register.visits` does.

        Parameters
        ----------
        only, every
            As for :meth:`Register.visits`.

        Returns
        -------
        DataFrame
        """
        with self.reading() as connection:
            held, dens = self._state(connection, schema.visit), self._state(connection, schema.den)
        gone = {row["den_id"] for row in dens if row["withdrawn"] == WITHDRAWN}
        rows = [row for row in held if every or (row["withdrawn"] != WITHDRAWN and row["den_id"] not in gone)]
        rows.sort(key=lambda row: row["observed_on"])  # stable: within a day as they were recorded
        return _frame(rows, _names(schema.visit, ("visit_id",), only)).set_index("visit_id")

    def records(self, kind: str, *, every: bool = False) -> pd.DataFrame:
        """Return the records of one kind of that time, as :meth:`Register.records` does.

        Parameters
        ----------
        kind, every
            As for :meth:`Register.records`.

        Returns
        -------
        DataFrame
        """
        with self.reading() as connection:
            held = self._state(connection, schema.record_tables[kind])
        replaced = {row["corrects"] for row in held}
        shown = [r for r in held if every or (r["record_id"] not in replaced and r["withdrawn"] != WITHDRAWN)]
        return frame_of(kind, shown)

    def counts(self) -> dict[str, int]:
        """Return how many dens and visits there were."""
        with self.reading() as connection:
            return {table.name: len(self._state(connection, table)) for table in (schema.den, schema.visit)}

    def derived(self, *, at: dt.datetime | None = None, only: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the derived values that were in force then, or at an earlier time."""
        return super().derived(at=self._at(at), only=only)

    def reasons(self, *, at: dt.datetime | None = None) -> pd.DataFrame:
        """Return why derived values were missing then, or at an earlier time."""
        return super().reasons(at=self._at(at))

    def provenance(self, *, at: dt.datetime | None = None) -> pd.DataFrame:
        """Return how the values in force then, or at an earlier time, were computed."""
        return super().provenance(at=self._at(at))

    def _at(self, at: dt.datetime | None) -> dt.datetime:
        return self.moment if at is None else min(at, self.moment)

    def _state(self, connection: Connection, table: Table) -> Rows:
        """Return the rows of a table at that time, in the order in which they were recorded."""
        numbers = [c.name for c in table.c if isinstance(c.type, Double)]
        rows = list(journal.state(connection, table, until=self.until).values())
        for row in rows:  # JSON writes 5.0 as 5 in some engines
            row |= {name: float(row[name]) for name in numbers if row[name] is not None}
        return rows


def _place(row: dict[str, Any], *, if_legible: bool) -> bytes | None:
    point = place_if_legible(row["geom"])
    if point is None and not if_legible:
        raise RegisterError(
            f"den {seen(row['label'])} ({row['den_id']}) had no readable point at that time: another program had "
            "changed it. Choose another time; `densite history` tells when it changed"
        )
    return point


def _names(table: Table, always: Sequence[str], only: Sequence[str] | None) -> list[str]:
    """Choose columns as a register does."""
    own = [c.name for c in table.c if c.name not in (*always, "fid")] if only is None else only
    return [*always, *own]


def _frame(rows: Rows, names: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame([tuple(row[name] for name in names) for row in rows], columns=list(names))


def _by_label(connection: Connection, labels: Sequence[str]) -> dict[str, int]:
    """Return each label's place in the order that the engine would give them."""
    ordered: Sequence[str] = sorted(labels)  # SQLite compares UTF-8, which sorts as code points do
    if connection.dialect.name == "postgresql":  # by the database's own collation
        column = func.unnest(cast(list(labels), ARRAY(Text))).column_valued("label")
        ordered = list(connection.execute(select(column).order_by(column)).scalars())
    return {label: place for place, label in enumerate(ordered)}


def read_when(text: str, zone: dt.tzinfo) -> dt.datetime:
    """Read the time to which a study is to be put back.

    Parameters
    ----------
    text : str
        ``2026-03-01`` for the end of that day, or a time such as ``2026-03-01T14:30``.
    zone : tzinfo
        The study's time zone, for what has no offset of its own.

    Returns
    -------
    datetime
        Aware.

    Raises
    ------
    RegisterError
        It is no day and no time.
    """
    try:
        day = dt.date.fromisoformat(text.strip())
    except ValueError:
        pass
    else:
        return _end_of(day, zone)
    try:
        moment = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise RegisterError(f"'{text}' is no day and no time; write 2026-03-01, or 2026-03-01T14:30") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=zone)


def _end_of(day: dt.date, zone: dt.tzinfo) -> dt.datetime:
    try:
        return dt.datetime.fromisoformat(journal.end_of(day, zone))
    except OverflowError:  # its end lies beyond the calendar in UTC
        raise RegisterError(f"'{day}' is too late a day; write 2026-03-01, or 2026-03-01T14:30") from None


def settings_then(settings: Settings, provenance: pd.DataFrame) -> tuple[Settings, tuple[str, ...]]:
    """Return settings with the gradient by which values were derived, and the classes it made.

    Parameters
    ----------
    settings : Settings
        As study.toml says now.
    provenance : DataFrame
        Of the values in force, from :meth:`Register.provenance`.

    Returns
    -------
    tuple
        Settings, and the names of the landscape classes, urban first; none where they were not kept
        and cannot be told from study.toml.
    """
    made = provenance.loc[provenance["covariate"] == "landscape_class"]
    if made.empty:
        return settings, ()
    told, defined = json.loads(made["parameters"].iloc[0]), str(made["method"].iloc[0])
    for chosen in (_told(told), settings.gradient):
        if chosen is not None and _definition(chosen) == defined:
            then = settings.model_copy(update={"gradient": chosen})
            return then, tuple(told.get("classes") or _known_classes(chosen))
    return settings, tuple(told.get("classes", ()))


def _told(told: dict[str, Any]) -> GradientSettings | None:
    """Read the gradient that was kept with derived values; None where it was not kept whole."""
    try:
        return GradientSettings(**{name: told[name] for name in GradientSettings.model_fields if name in told})
    except ValueError:
        return None


def _definition(chosen: GradientSettings) -> str:
    try:
        return gradient.definition(chosen)
    except SettingsError:
        return ""


def _known_classes(chosen: GradientSettings) -> tuple[str, ...]:
    """Return the classes that a scheme always has; those of polygons stand in a layer."""
    return () if chosen.scheme == "polygons" else gradient.class_names(chosen)
