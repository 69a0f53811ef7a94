"""What happened to marks, day by day, from the mark records and the cub records together."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from densite.animals import Row, animal_key, cub_name, rows_of, text_of
from densite.marks.codes import mark_key, mark_words

__all__ = ["MarkEvent", "cub_name", "day_of", "events_of"]

PUT_ON, SEEN, LOST, REMOVED, FAILED = "put on", "seen", "lost", "removed", "failed"


@dataclass(frozen=True, slots=True)
class MarkEvent:
    """One thing that happened to one mark; ``animal`` and ``written`` as the crew wrote them, ``row`` their record."""

    animal: str
    kind: str
    code: str
    written: str
    side: str
    colour: str
    date: dt.date | None
    event: str
    row: Row = field(repr=False, compare=False)
    cub: bool = False
    mother: str = ""
    den: str = ""

    @property
    def key(self) -> str:
        """The animal, whatever the spelling of its id."""
        return animal_key(self.animal)

    @property
    def record_id(self) -> str:
        """The record that says so."""
        return str(self.row["record_id"])

    @property
    def shown(self) -> str:
        """The code as it stands on the mark: as written, but without what belongs in other columns."""
        return self.code if self.kind in ("transponder", "ear tag") else self.written

    @property
    def words(self) -> str:
        """The mark, as a crew would name it."""
        return mark_words(self.kind, self.shown, side=self.side, colour=self.colour)

    @property
    def day(self) -> str:
        """The day in words."""
        return self.date.isoformat() if self.date else "on an unknown day"


def events_of(marks: pd.DataFrame, cubs: pd.DataFrame) -> list[MarkEvent]:
    """Return all events of marks.

    Parameters
    ----------
    marks : DataFrame
        Current records of the kind ``mark``.
    cubs : DataFrame
        Current records of the kind ``cub``: the first record of a cub's transponder puts it on, unless a
        mark record does; later ones have seen it.

    Returns
    -------
    list of MarkEvent
        Mark records first, each in the order of its frame.
    """
    found = [_from_mark(row) for row in rows_of(marks)]
    known = [event for event in found if event.animal and event.code]
    return [*known, *_from_cubs(cubs, known)]


def day_of(value: Any) -> dt.date | None:
    """Return a day, None where it is missing.

    Parameters
    ----------
    value : object
        A date, or None or NaN.

    Returns
    -------
    date or None
    """
    return None if value is None or pd.isna(value) else value


def _from_mark(row: Row) -> MarkEvent:
    kind, side, colour = text_of(row["mark_kind"]), text_of(row["side"]), text_of(row["colour"]).casefold()
    code = mark_key(kind, row["mark_code"], side=side, colour=colour)
    return MarkEvent(
        text_of(row["animal"]), kind, code, text_of(row["mark_code"]), side, colour, row["date"],
        text_of(row["mark_event"]), row,
    )  # fmt: skip


def _from_cubs(cubs: pd.DataFrame, known: list[MarkEvent]) -> list[MarkEvent]:
    carriers = defaultdict(list)
    for event in known:
        if event.kind == "transponder":
            carriers[event.code].append(event)
    put_on = {(event.key, event.code) for event in known if event.event == PUT_ON}
    names: dict[tuple[str, str], tuple[dt.date | None, str]] = {}
    found = []
    chipped = cubs.loc[cubs["transponder"].notna()].sort_values("date", kind="stable", na_position="last")
    for row in rows_of(chipped):
        code = mark_key("transponder", row["transponder"])
        animal = text_of(row["cub_id"]) or _nameless(row, code, carriers[code], names)
        happened = SEEN if (animal_key(animal), code) in put_on else PUT_ON
        put_on.add((animal_key(animal), code))
        found.append(MarkEvent(
            animal, "transponder", code, text_of(row["transponder"]), "", "", row["date"], happened, row,
            cub=True, mother=text_of(row["female"]), den=text_of(row["den_label"]),
        ))  # fmt: skip
    return found


def _nameless(row: Row, code: str, carriers: list[MarkEvent], names: dict[tuple[str, str], Any]) -> str:
    """Name a cub without an id: by the one animal that carries its transponder since, else by its litter."""
    day = row["date"]
    later = [e for e in carriers if e.event != PUT_ON or e.date == day]
    if carriers and len(later) == len(carriers) and len({e.key for e in carriers}) == 1:
        return carriers[0].animal
    first_day, name = names.setdefault((text_of(row["den_label"]), code), (day, cub_name(row)))
    return cub_name(row) if day == first_day else name
