"""What a study puts into its phone form: names to choose from, permits, north. No den, and nothing secret."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from densite.animals import animal_key, frame_of, listed, rows_of
from densite.errors import PlaceError
from densite.magnetism import declination
from densite.marks import events_of, wearings
from densite.phoneform.rules import reading_of
from densite.settings import Settings

RECENT = dt.timedelta(days=800)  # about two winters back: who is offered as crew and observer
OFFERED = 40


@dataclass(frozen=True, slots=True)
class PermitLine:
    """What the crew has to know of a permit; an empty number where it states none."""

    number: str
    valid_from: str
    valid_to: str
    animals: str
    cubs: str
    procedures: str


@dataclass(frozen=True, slots=True)
class FormContent:
    """The study's part of a form.

    ``declination_deg`` is the magnetic declination in the middle of the study area on ``made_on``, rounded to
    a whole degree [deg], None where no boundary or no model says it: the form only shows it. ``reading`` says how
    the study's texts are read.
    """

    study_id: str
    label: str
    time_zone: str
    made_on: dt.date
    crew: tuple[str, ...] = ()
    observers: tuple[str, ...] = ()
    females: tuple[str, ...] = ()
    permits: tuple[PermitLine, ...] = ()
    aspect_reference: str = ""
    datum: str = ""
    declination_deg: int | None = None
    declination_model: str = ""
    reading: Mapping[str, Any] = field(default_factory=dict)


def form_content(
    settings: Settings,
    *,
    visits: pd.DataFrame,
    animals: pd.DataFrame,
    marks: pd.DataFrame,
    permits: pd.DataFrame,
    middle: tuple[float, float] | None,
    on: dt.date,
) -> FormContent:
    """Gather what the study puts into its form.

    Parameters
    ----------
    settings : Settings
        Of the study; its names of crews, observers and females go before those on file.
    visits : DataFrame
        With ``observed_on``, ``crew`` and ``observer``.
    animals, marks, permits : DataFrame
        Records of these kinds.
    middle : tuple of float, optional
        Longitude and latitude of the middle of the study area, WGS 84. [deg]
    on : date
        Day on which the form is made.

    Returns
    -------
    FormContent
    """
    chosen, north = settings.form, _north(middle, on)
    return FormContent(
        study_id=settings.study.id, label=settings.study.name, time_zone=settings.study.time_zone, made_on=on,
        crew=chosen.crew or _recent(visits, "crew", on),
        observers=chosen.observers or _recent(visits, "observer", on),
        females=chosen.females or expected_females(animals, marks),
        permits=_permits(permits, on),
        aspect_reference=settings.intake.aspect_reference or "", datum=settings.intake.datum or "",
        declination_deg=north[0], declination_model=north[1],
        reading=reading_of(settings),
    )  # fmt: skip


def expected_females(animals: pd.DataFrame, marks: pd.DataFrame) -> tuple[str, ...]:
    """Return the females that a crew may meet: those that wear a collar by what is on file.

    Parameters
    ----------
    animals, marks : DataFrame
        Records of these kinds.

    Returns
    -------
    tuple of str
        Their ids in order.
    """
    females = {animal_key(row["animal"]): str(row["animal"]) for row in rows_of(animals) if row["sex"] == "female"}
    worn = (one for one in wearings(events_of(marks, frame_of("cub", []))) if one.kind == "collar" and one.end is None)
    return tuple(sorted({females[key] for one in worn if (key := animal_key(one.first.animal)) in females}))


def _recent(visits: pd.DataFrame, name: str, on: dt.date) -> tuple[str, ...]:
    """Return the names of the last two winters, or all where there are none so late, the latest first."""
    if visits.empty:
        return ()
    days = pd.to_datetime(visits["observed_on"])
    late = days >= pd.Timestamp(on - RECENT)
    chosen = visits.loc[late if late.any() else days.notna()].assign(day=days).sort_values("day", ascending=False)
    return _distinct(chosen[name].dropna())


def _distinct(names: Iterable[object]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text for name in names if (text := str(name).strip())))[:OFFERED]


def _permits(permits: pd.DataFrame, on: dt.date) -> tuple[PermitLine, ...]:
    """Return the permits that are valid on the day or later."""
    rows = [row for row in rows_of(permits) if row["valid_to"] is None or row["valid_to"] >= on]
    return tuple(_line(row) for row in rows)


def _line(row: Mapping[str, object]) -> PermitLine:
    def said(name: str) -> str:
        value = row[name]
        return "" if value is None or value != value else f"{value:g}" if isinstance(value, float) else str(value)

    return PermitLine(
        number=said("permit"), valid_from=said("valid_from"), valid_to=said("valid_to"), animals=said("max_animals"),
        cubs=said("max_cubs"), procedures="; ".join(listed(said("procedures"))),
    )  # fmt: skip


def _north(middle: tuple[float, float] | None, on: dt.date) -> tuple[int | None, str]:
    if middle is None:
        return None, ""
    try:
        found = declination(*middle, on)
    except PlaceError:
        return None, ""
    return round(found.degrees), found.model
