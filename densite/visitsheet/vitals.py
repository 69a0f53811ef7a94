"""Readings of the vitals put into the grid of a row every five minutes since darting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from densite.visitsheet.layout import LAST_MIN, SPARE_READINGS, STEP_MIN

Record = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Line:
    """A row of the grid: the minutes since darted that are printed on it, and its reading if there is one."""

    minutes: str
    reading: Record | None = None


def grid(readings: Sequence[Record], darted: pd.Timestamp | None) -> tuple[list[Line], list[Line]]:
    """Put readings into the rows of the sheet.

    Parameters
    ----------
    readings : sequence of mapping
        In order of time.
    darted : Timestamp or None
        When she was darted, UTC.

    Returns
    -------
    tuple of list of Line
        The sheet's rows (every five minutes, then the spare ones), and what is continued behind. A reading
        goes to the row nearest to it; a second one for that row, one before darting or after the last
        row, and one without a time go to a spare row with their own minutes. Where nobody knows when
        she was darted, or no reading has a time, the readings stand in their order without minutes.
    """
    taken: dict[int, Line] = {}
    others: list[Line] = []
    if readings and darted is None:
        others = [Line("", row) for row in readings]
        lines = [*others, *[Line("")] * (_rows() + SPARE_READINGS - len(others))]
        return lines[: _rows() + SPARE_READINGS], lines[_rows() + SPARE_READINGS :]
    for row in readings:
        minutes = _minutes(row, darted)
        slot = None if minutes is None else math.floor(minutes / STEP_MIN + 0.5)
        if slot is None or slot in taken or not 0 <= slot < _rows():
            others.append(Line("" if minutes is None else f"{minutes:+.0f}", row))
        else:
            taken[slot] = Line(f"{slot * STEP_MIN:+d}", row)
    spare = [*others, *[Line("")] * max(SPARE_READINGS - len(others), 0)]
    front = [taken.get(slot, Line(f"{slot * STEP_MIN:+d}")) for slot in range(_rows())]
    return [*front, *spare[:SPARE_READINGS]], spare[SPARE_READINGS:]


def _rows() -> int:
    return LAST_MIN // STEP_MIN + 1


def _minutes(row: Record, darted: pd.Timestamp | None) -> float | None:
    at = row.get("read_at")
    if at is None or darted is None or pd.isna(at):
        return None
    return float((at - darted) / pd.Timedelta(minutes=1))
