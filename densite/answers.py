"""Answers given one after the other, weighed as intake weighs a whole row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from densite.errors import Level, Problem
from densite.intake.rawrow import RawRow
from densite.intake.rows import read_row
from densite.intake.screening import screen, settle_names
from densite.known import known_of
from densite.records import DenSite, Visit
from densite.register import Register
from densite.settings import Settings
from densite.terms import COORDINATE_TERMS

PLACES = tuple(term.name for term in COORDINATE_TERMS if term.name != "datum")
_ANYWHERE = {"coordinates": "0.000001 N 0.000001 E", "datum": "WGS84", "uncertainty_m": "1"}


@dataclass(frozen=True, slots=True)
class Weighed:
    """What came of the answers so far: den and visit as read, None where an error stands in the way."""

    den: DenSite | None
    visit: Visit | None
    problems: tuple[Problem, ...]
    placed: bool


def has_place(values: Mapping[str, str]) -> bool:
    """Tell whether any column of a place is filled in.

    Parameters
    ----------
    values : mapping of str to str
        The answers under densite's names.

    Returns
    -------
    bool
    """
    return any(values.get(name) for name in PLACES)


def weigh(
    values: Mapping[str, str],
    *,
    register: Register,
    settings: Settings,
    area: Any | None,
    today: dt.date,
    due: Iterable[str] = (),
) -> Weighed:
    """Weigh a row of which not everything has been asked yet, by the rules of a whole one.

    What is not asked yet but never may be blank is stood in for, and what intake says of the stand-ins
    is left out.

    Parameters
    ----------
    values : mapping of str to str
        The answers under densite's names.
    register : Register
        Open register, only read.
    settings : Settings
        The study's settings.
    area : shapely geometry or Rectangle, optional
        Study area in WGS 84. [deg]
    today : date
        Day by the study's clock, stands in for the visit's.
    due : iterable of str
        Columns that were asked: where they are blank, nothing stands in.

    Returns
    -------
    Weighed
        Problems of given and of due columns only.
    """
    placed = has_place(values)
    stand_ins = _stand_ins(values, placed, today, settings, frozenset(due))
    padded = {**values, **stand_ins}
    raw = RawRow("", 0, padded, padded)
    known = known_of(register, settings, about=[raw])
    row = settle_names(read_row(raw, settings, now=dt.datetime.now(dt.UTC)), known)
    problems = (*row.problems, *screen(row, known, area if placed else None))
    return Weighed(row.den, row.visit, tuple(p for p in problems if _counts(p, stand_ins)), placed)


def _stand_ins(
    values: Mapping[str, str], placed: bool, today: dt.date, settings: Settings, due: frozenset[str]
) -> dict[str, str]:
    """Return what stands in for columns that are not asked yet; a stood-in place has its own datum."""
    needed = {"den_type": "unknown", "date": today.isoformat()}
    if placed and not (settings.intake.datum or values.get("epsg")):
        needed["datum"] = "WGS84"
    missing = {name: text for name, text in needed.items() if not values.get(name) and name not in due}
    return missing if placed or "coordinates" in due else missing | _ANYWHERE


def _counts(problem: Problem, stand_ins: Mapping[str, str]) -> bool:
    """Tell whether a problem is about what was answered; a stood-in place is far from every den."""
    if problem.field in stand_ins:
        return False
    return "coordinates" not in stand_ins or problem.field != "den_label" or problem.level is Level.ERROR
