"""A few rows of a file read through a mapping that is not accepted yet; nothing is recorded."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from densite.animalterms import kept_as
from densite.errors import Level, Problem
from densite.intake.animalrows import KnownRecords, read_record
from densite.intake.learning import Lesson
from densite.intake.rawrow import RawRow, understand
from densite.intake.rows import read_row
from densite.settings import Settings

ROWS = 3
_OF_OTHERS = ("den_label", "animal", "female", "corrects")  # held against the register, which a trial does not know
_OF_DENS = (
    "label", "latitude", "longitude", "uncertainty_m", "den_type", "aspect_deg", "slope_deg", "canopy_pct",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Trial:
    """A row under densite's names, what came of it, and what is wrong or doubtful about it."""

    line: int
    values: Mapping[str, str]
    became: Mapping[str, str]
    problems: tuple[Problem, ...]


def settled_with(settings: Settings, *, columns: Mapping[str, str], values: Mapping[str, str]) -> Settings:
    """Return settings as they would be with headings and settings of ``[intake]`` added.

    Parameters
    ----------
    settings : Settings
        As study.toml says.
    columns : mapping of str to str
        Headings with the column that each means.
    values : mapping of str to str
        Such as ``decimal``.

    Returns
    -------
    Settings
    """
    intake = settings.intake.model_copy(update={**values, "columns": {**settings.intake.columns, **columns}})
    return settings.model_copy(update={"intake": intake})


def tried(lesson: Lesson, settings: Settings, *, rows: int = ROWS) -> list[Trial]:
    """Read the first rows of a table with a mapping.

    Parameters
    ----------
    lesson : Lesson
        The table and its kind of record.
    settings : Settings
        With the mapping, see :func:`settled_with`.
    rows : int
        How many.

    Returns
    -------
    list of Trial
        Whether its den and animal are known is not asked.

    Raises
    ------
    IntakeError
        Two headings mean the same column.
    """
    headings = understand(lesson.sheet.headings, settings.intake.columns, file=lesson.sheet.file, terms=lesson.terms)
    chosen = lesson.sheet.rows[:rows]
    return [_tried(replace(row, values=headings.sort(row.raw), problems=()), lesson, settings) for row in chosen]


def _tried(row: RawRow, lesson: Lesson, settings: Settings) -> Trial:
    now = dt.datetime.now(dt.UTC)
    if lesson.kind is None:
        den = read_row(row, settings, now=now)
        problems, became = den.problems, _of_den(den.den.model_dump() if den.den else {}, den.visit)
    else:
        record = read_record(row, lesson.kind, settings, KnownRecords(), now=now)
        problems = tuple(p for p in record.problems if p.field not in _OF_OTHERS)
        names = [name for term in lesson.terms for name in kept_as(term)[-1:]]
        became = _texts({name: (record.record or {}).get(name) for name in names})
    return Trial(row.line, row.values, became, tuple(p for p in problems if p.level is not Level.NOTE))


def _of_den(den: Mapping[str, Any], visit: Any) -> dict[str, str]:
    day = {"date": visit.observed_on.isoformat()} if visit else {}
    female = {"female": visit.female} if visit and visit.female else {}
    return _texts({name: den.get(name) for name in _OF_DENS} | day | female)


def _texts(values: Mapping[str, Any]) -> dict[str, str]:
    return {name: _text(value) for name, value in values.items() if value not in (None, "")}


def _text(value: Any) -> str:
    return f"{round(value, 6):.15g}" if isinstance(value, float) else str(value)
