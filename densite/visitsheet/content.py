"""What the records say of one visit to one den and one female."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from densite.animals import frame_of
from densite.animalterms import KINDS
from densite.errors import DensiteError
from densite.marks import animal_key, events_of, wearings
from densite.terms import DEN_TERMS, VISIT_TERMS, Term

Record = Mapping[str, Any]

_AS_SEEN = ("ear tag", "lip tattoo", "transponder", "collar")  # kinds of mark, as a crew comes to see them


class SheetError(DensiteError):
    """A sheet that cannot be made or written."""


@dataclass(frozen=True)
class SheetContent:
    """Records of one visit, by the names of their columns; empty where nothing is on file.

    ``expected`` are marks that the female should carry, in words, for a blank sheet.
    """

    den_label: str = ""
    date: dt.date | None = None
    female: str = ""
    den: Record = field(default_factory=dict)
    visit: Record = field(default_factory=dict)
    handlings: tuple[Record, ...] = ()
    drugs: tuple[Record, ...] = ()
    readings: tuple[Record, ...] = ()
    marks: tuple[Record, ...] = ()
    cubs: tuple[Record, ...] = ()
    samples: tuple[Record, ...] = ()
    checks: tuple[Record, ...] = ()
    expected: tuple[str, ...] = ()

    @property
    def handling(self) -> Record:
        """The handling that stands on the front; any other of that day follows behind."""
        return self.handlings[0] if self.handlings else {}


def sheet_content(
    frames: Mapping[str, pd.DataFrame],
    *,
    den_id: str,
    den: Record,
    visits: pd.DataFrame,
    date: dt.date,
    female: str = "",
) -> SheetContent:
    """Gather what is on file of one visit.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Current records by kind, as ``animals.frame_of`` makes them; kinds that are missing are empty.
    den_id : str
        The den.
    den : mapping
        Its row of the register, with its ``geometry`` in EPSG:4326.
    visits : DataFrame
        Visits, with ``den_id`` and ``observed_on``.
    date : date
        Day of the visit.
    female : str
        The female; where it is empty only what hangs on the den is gathered.

    Returns
    -------
    SheetContent
        Drugs, readings and marks are those of (female, date), cubs and checks those of (den, date),
        samples those of either; in order of time, cubs by number.
    """
    label = str(den["label"])
    at_den = {name: _at_den(frames.get(name), den_id, label) for name in ("cub", "check", "sample")}

    def hers(kind: str, order: str) -> tuple[Record, ...]:
        return _chosen(frames.get(kind), order, animal=female, date=date) if female else ()

    cubs = _chosen(at_den["cub"], "cub_no", date=date)
    animals = {female, *(str(cub["cub_id"]) for cub in cubs if cub.get("cub_id"))} - {""}
    return SheetContent(
        den_label=label, date=date, female=female, den=_present(den), visit=_of_day(visits, den_id, date),
        handlings=hers("handling", "darted_at"), drugs=hers("drug", "given_at"), readings=hers("reading", "read_at"),
        marks=hers("mark", "mark_kind"), cubs=cubs, checks=_chosen(at_den["check"], "checked_on", date=date),
        samples=_samples(frames.get("sample"), at_den["sample"], animals, date),
    )  # fmt: skip


def marks_to_expect(marks: pd.DataFrame, female: str) -> tuple[str, ...]:
    """Say which marks a female should carry by what is on file.

    Parameters
    ----------
    marks : DataFrame
        Current records of the kind ``mark``.
    female : str
        Her id, in any spelling.

    Returns
    -------
    tuple of str
        ``ear tag blue 14 left``, as ``densite animal`` names them: those that were put on or seen and have
        not been lost, removed or failed since.
    """
    hers = marks.loc[marks["animal"].map(animal_key) == animal_key(female)]
    worn = [wearing for wearing in wearings(events_of(hers, frame_of("cub", []))) if wearing.end is None]
    return tuple(wearing.words for wearing in sorted(worn, key=lambda w: _AS_SEEN.index(w.kind)))


def terms_of(kind: str) -> tuple[Term, ...]:
    """Return the terms of a kind of record, of ``den`` or of ``visit``."""
    return {"den": DEN_TERMS, "visit": VISIT_TERMS}.get(kind) or KINDS[kind].terms


def _chosen(frame: pd.DataFrame | None, order: str, **wanted: Any) -> tuple[Record, ...]:
    """Return the rows whose columns have the wanted values, in order of a column, missing ones last."""
    if frame is None or frame.empty:
        return ()
    fits = pd.Series(True, index=frame.index)
    for name, value in wanted.items():
        fits &= frame[name].map(lambda held, value=value: held == value).astype(bool)
    rows = frame.loc[fits].sort_values(order, kind="stable", na_position="last")
    return tuple(_present(row) for row in rows.to_dict("records"))


def _present(row: Mapping[Any, Any]) -> Record:
    """Leave out what is missing, however pandas spells it."""
    return {str(name): value for name, value in row.items() if not (pd.api.types.is_scalar(value) and pd.isna(value))}


def _at_den(frame: pd.DataFrame | None, den_id: str, label: str) -> pd.DataFrame | None:
    """Return the records of a den; the label counts where a record was not joined to a den."""
    if frame is None:
        return None
    loose = frame["den_id"].isna() & (frame["den_label"] == label)
    return frame.loc[(frame["den_id"] == den_id) | loose]


def _of_day(visits: pd.DataFrame, den_id: str, date: dt.date) -> Record:
    """Return the first visit to the den on that day."""
    for row in visits.loc[visits["den_id"] == den_id].to_dict("records"):
        if pd.Timestamp(row["observed_on"]).date() == date:
            return _present(row)
    return {}


def _samples(
    frame: pd.DataFrame | None, at_den: pd.DataFrame | None, animals: set[str], date: dt.date
) -> tuple[Record, ...]:
    """Return the samples of that day that were taken at the den or from these animals."""
    if frame is None or at_den is None:
        return ()
    wanted = frame.index.isin(at_den.index) | frame["animal"].isin(list(animals)).to_numpy()
    return _chosen(frame.loc[wanted], "sample_label", date=date)
