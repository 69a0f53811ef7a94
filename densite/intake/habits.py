"""What a file does not say of itself: decimal mark, order of day and month, datum, north; told by values, or asked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from densite.intake.learning import Lesson
from densite.intake.likeness import taken_apart
from densite.places import DATUMS
from densite.settings import IntakeSettings
from densite.terms import ASPECT_REFERENCES

_COMMA = re.compile(r"[-+]?\d+,\d+(?!\d*[.,])")
_POINT = re.compile(r"[-+]?\d*\.\d+")
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(,\d{3})+")
_FIGURES = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-]\d{4}")
_PLACES = {"latitude", "longitude", "coordinates", "easting", "northing", "mgrs"}
_NORTH_WORDS = {"magnetic": {"mag", "magnetic", "compass"}, "true": {"true", "geographic"}}


@dataclass(frozen=True, slots=True)
class Habit:
    """A setting under ``[intake]`` that the values tell, and why."""

    key: str
    value: str
    why: str


@dataclass(frozen=True, slots=True)
class Question:
    """A setting under ``[intake]`` that no value tells: only a person knows."""

    key: str
    choices: tuple[str, ...]
    why: str


def habits_of(lesson: Lesson, settings: IntakeSettings) -> tuple[Habit | Question, ...]:
    """Tell or ask what a file leaves unsaid, where study.toml does not say it already.

    Parameters
    ----------
    lesson : Lesson
        The table with what its headings mean.
    settings : IntakeSettings
        What study.toml says; none of it is changed.

    Returns
    -------
    tuple of Habit or Question
    """
    said = settings.model_fields_set
    found = {"decimal": _decimal, "date_order": _date_order, "datum": _datum, "aspect_reference": _north}
    return tuple(habit for key, of in found.items() if key not in said for habit in of(lesson))


def _cells(lesson: Lesson, *kinds: str) -> list[str]:
    """Gather the cells of all columns of some kinds."""
    of_kind = {term.name for term in lesson.terms if term.kind in kinds}
    if "number" in kinds:
        of_kind |= {"latitude", "longitude"}
    return [
        cell for heading, name in lesson.columns().items() if name in of_kind for cell in lesson.sheet.cells(heading)
    ]


def _decimal(lesson: Lesson) -> Iterator[Habit | Question]:
    cells = _cells(lesson, "number")
    commas = [cell for cell in cells if _COMMA.match(cell)]
    if not commas:
        return
    points = [cell for cell in cells if _POINT.match(cell)]
    seen = f"{len(commas)} numbers with a comma, such as '{commas[0]}'"
    if points:
        yield Question("decimal", (",", "."), f"{seen}, and {len(points)} with a point, such as '{points[0]}'")
    elif all(_THOUSANDS.fullmatch(cell) for cell in commas):
        yield Question("decimal", (",", "."), f"{seen}, which may be thousands: is the comma a decimal mark?")
    else:
        yield Habit("decimal", ",", f"{seen}, none with a point")


def _date_order(lesson: Lesson) -> Iterator[Habit | Question]:
    days = [match for cell in _cells(lesson, "date") if (match := _FIGURES.fullmatch(cell))]
    if not days:
        return
    first = [match[0] for match in days if int(match[1]) > 12]
    second = [match[0] for match in days if int(match[2]) > 12]
    if first and not second:
        yield Habit("date_order", "day first", f"'{first[0]}' and {len(first) - 1} more have no other reading")
    elif second and not first:
        yield Habit("date_order", "month first", f"'{second[0]}' and {len(second) - 1} more have no other reading")
    else:
        both = f"'{first[0]}' and '{second[0]}' stand in one file" if first else ""
        why = both or f"all can be read both ways: '{days[0][0]}'"
        yield Question("date_order", ("day first", "month first"), why)


def _datum(lesson: Lesson) -> Iterator[Habit | Question]:
    names = set(lesson.columns().values())
    if names & _PLACES and "datum" not in names and not lesson.sheet.datum_known:
        yield Question("datum", tuple(DATUMS), "places without a datum; it is never guessed: what was the GPS set to?")


def _north(lesson: Lesson) -> Iterator[Habit | Question]:
    columns = lesson.columns()
    heading = next((heading for heading, name in columns.items() if name == "aspect"), None)
    if heading is None or "aspect_reference" in columns.values() or not lesson.sheet.cells(heading):
        return
    words = set(re.split(r"[^a-z]+", heading.casefold())) | set(taken_apart(heading).words.split())
    told = [north for north, spellings in _NORTH_WORDS.items() if words & spellings]
    if len(told) == 1:
        yield Habit("aspect_reference", told[0], f"the heading '{heading}' says so")
    else:
        yield Question("aspect_reference", ASPECT_REFERENCES, f"bearings under '{heading}' without their north")
