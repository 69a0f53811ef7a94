"""One handling of one female on one day: its times in order, its drugs and its readings."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import pandas as pd

from densite.animals import frame_of, number_of, rows_of, text_of
from densite.animalterms import KINDS, TIMES
from densite.protocol import VITALS

HEADINGS = {term.name: term.heading for kind in ("handling", "drug", "reading") for term in KINDS[kind].terms}

# What is counted in minutes: from which time to which.
SPANS = (
    ("approach to darted", "approached", "darted"),
    ("induction: darted to down", "darted", "down"),
    ("down to head up", "down", "head_up"),
    ("handled: first to last touch", "first_handled", "last_handled"),
    ("reversal to head up", "reversed", "head_up"),
    ("in all: approach to crew away", "approached", "left"),
)

Row = Any  # one record: its values by column, with its record_id
Key = tuple[str, dt.date | None]


@dataclass(frozen=True, slots=True)
class Moment:
    """A time: in UTC for counting, and as the clock at the den showed it (ISO 8601 with offset) for people."""

    at: dt.datetime
    local: str = ""

    @property
    def clock(self) -> dt.datetime:
        """The time by the clock at the den; in UTC where the local time is not known."""
        try:
            read = dt.datetime.fromisoformat(self.local)
        except ValueError:
            return self.at
        return self.at if read.tzinfo is None else self.at.astimezone(read.tzinfo)

    def shown(self, day: dt.date | None = None) -> str:
        """Write the clock's time, with its date where that is another ``day``, with UTC where it is that."""
        clock = self.clock
        text = f"{clock:%H:%M:%S}" if clock.second else f"{clock:%H:%M}"
        zone = " UTC" if clock is self.at else ""
        other = f" on {clock.date()}" if day is not None and clock.date() != day else ""
        return f"{text}{zone}{other}"


@dataclass(frozen=True, slots=True)
class Span:
    """Minutes between two times of a handling; None with the reason why they are not known. [min]"""

    what: str
    minutes: float | None
    why_not: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """One animal handled on one day.

    ``handling`` is its record (a row) or None where only drugs or readings were handed in; ``given`` and
    ``read`` are the records of its drugs and its readings in the order of time, those without a time
    last. ``others`` holds further handling records of the same animal and day, which there should not be.
    """

    animal: str
    date: dt.date | None
    handling: Row | None
    given: tuple[Row, ...]
    read: tuple[Row, ...]
    others: tuple[Row, ...] = ()

    @property
    def drugs(self) -> pd.DataFrame:
        """Its drugs as a frame, as from :func:`densite.animals.frame_of`, in the order of time."""
        return frame_of("drug", self.given)

    @property
    def readings(self) -> pd.DataFrame:
        """Its readings as a frame, as from :func:`densite.animals.frame_of`, in the order of time."""
        return frame_of("reading", self.read)

    @property
    def named(self) -> str:
        """Animal and day, as messages name a handling."""
        return f"{self.animal}, {self.date or 'no date'}"

    @property
    def den_label(self) -> str:
        """The den's label; empty where it is not recorded."""
        return "" if self.handling is None else text(self.handling, "den_label")

    def moment(self, name: str) -> Moment | None:
        """Return one of the handling's times, or None where it was not recorded.

        Parameters
        ----------
        name : str
            Name of the time, such as ``darted``.

        Returns
        -------
        Moment or None
        """
        return None if self.handling is None else moment(self.handling, name)

    @property
    def moments(self) -> dict[str, Moment]:
        """All recorded times of the handling by name, in the order in which they should follow."""
        found = {term.name: self.moment(term.name) for term in TIMES}
        return {name: one for name, one in found.items() if one is not None}

    @property
    def start(self) -> Moment | None:
        """The time from which minutes are counted: darted, else the first drug, else the first time of all."""
        drugs = [one for row in self.given if (one := moment(row, "given"))]
        read = [one for row in self.read if (one := moment(row, "read"))]
        known = [*self.moments.values(), *drugs, *read]
        return self.moment("darted") or next(iter(drugs), None) or min(known, key=lambda one: one.at, default=None)


def text(row: Row, name: str) -> str:
    """Return a record's text, empty where it is missing."""
    return text_of(row.get(name))


def number(row: Row, name: str) -> float | None:
    """Return a record's number in its term's unit, None where it is missing."""
    return number_of(row.get(name))


def moment(row: Row, name: str) -> Moment | None:
    """Return a record's time, None where it is missing."""
    at = row.get(f"{name}_at")
    if at is None or pd.isna(at):
        return None
    return Moment(pd.Timestamp(at).to_pydatetime(warn=False), text(row, f"{name}_local"))


def minutes(start: Moment, end: Moment) -> float:
    """Return the minutes from one time to another, true over midnight and a change of clocks. [min]"""
    return (end.at - start.at).total_seconds() / 60


def is_reading(row: Row) -> bool:
    """Whether a record of vitals has a time and at least one vital."""
    return moment(row, "read") is not None and any(number(row, name) is not None for name in VITALS)


def events(handlings: pd.DataFrame, drugs: pd.DataFrame, readings: pd.DataFrame) -> list[Event]:
    """Bring together what belongs to one animal on one day.

    Parameters
    ----------
    handlings, drugs, readings : DataFrame
        Records as from :func:`densite.animals.frame_of`.

    Returns
    -------
    list of Event
        By date, then animal; those without a date last. Records without an animal belong to none.
    """
    kinds = [_gathered(frame) for frame in (handlings, drugs, readings)]
    keys = sorted({key for found in kinds for key in found}, key=_order)
    return [_event(key, *(found.get(key, []) for found in kinds)) for key in keys]


def _order(key: Key) -> tuple[bool, dt.date, str]:
    return key[1] is None, key[1] or dt.date.min, key[0]


def _gathered(frame: pd.DataFrame) -> dict[Key, list[Row]]:
    """Return the records of each animal and day."""
    found: dict[Key, list[Row]] = {}
    for row in rows_of(frame):
        if animal := text(row, "animal"):
            found.setdefault((animal, row["date"]), []).append(row)
    return found


def _event(key: Key, handled: list[Row], given: list[Row], read: list[Row]) -> Event:
    first = handled[0] if handled else None
    return Event(*key, first, _in_time(given, "given"), _in_time(read, "read"), tuple(handled[1:]))


def _in_time(rows: list[Row], field: str) -> tuple[Row, ...]:
    """Put records in the order of time; those of one time stay as they are, those without one come last."""
    timed = [(row, moment(row, field)) for row in rows]
    known = sorted(((row, when) for row, when in timed if when), key=lambda pair: pair[1].at)
    return (*(row for row, _ in known), *(row for row, when in timed if when is None))


def elapsed(event: Event) -> list[Span]:
    """Return how long each part of a handling took.

    Parameters
    ----------
    event : Event
        The handling.

    Returns
    -------
    list of Span
        One for each part of ``SPANS``; the minutes are None where a time is missing or the end lies
        before the start, and ``why_not`` says which. [min]
    """
    return [_span(event, *one) for one in SPANS]


def _span(event: Event, what: str, first: str, last: str) -> Span:
    start, end = event.moment(first), event.moment(last)
    if start is None or end is None:
        absent = [HEADINGS[name].lower() for name, one in ((first, start), (last, end)) if one is None]
        return Span(what, None, f"not recorded: {' and '.join(absent)}")
    taken = minutes(start, end)
    if taken < 0:
        return Span(what, None, f"{HEADINGS[last].lower()} stands before {HEADINGS[first].lower()}")
    return Span(what, taken)
