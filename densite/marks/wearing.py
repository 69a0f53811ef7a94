"""From when to when a mark was on an animal, pieced together from what crews wrote down each year."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

import pandas as pd

from densite.marks.codes import mark_words
from densite.marks.events import FAILED, PUT_ON, SEEN, MarkEvent, events_of

COLUMNS = (
    "animal", "mark_kind", "mark_code", "side", "colour", "on_from", "on_to", "ended_by", "last_seen", "how_known",
    "record_id",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wearing:
    """One mark on one animal without a break: its events, what ended it, and the end that came before it."""

    events: tuple[MarkEvent, ...]
    end: MarkEvent | None = None
    after: MarkEvent | None = None

    @property
    def first(self) -> MarkEvent:
        """The event that it is known from."""
        return next((event for event in self.events if event.event == PUT_ON), self.events[0])

    @property
    def kind(self) -> str:
        """What kind of mark it is."""
        return self.first.kind

    @property
    def put_on(self) -> bool:
        """Whether somebody wrote down that it was put on."""
        return self.first.event == PUT_ON

    @property
    def on_from(self) -> dt.date | None:
        """First day on which it was surely on; None where only its end is known."""
        return None if self.first is self.end else self.first.date

    @property
    def on_to(self) -> dt.date | None:
        """Day on which it was lost, removed or failed; None while it is on (or where that day is unknown)."""
        return self.end.date if self.end else None

    @property
    def last_seen(self) -> dt.date | None:
        """Last day on which a crew had it before them."""
        return max((event.date for event in self.events if event.date and event is not self.end), default=None)

    @property
    def side(self) -> str:
        """The ear, as written when it was put on, else as first written."""
        return self.first.side or next((event.side for event in self.events if event.side), "")

    @property
    def colour(self) -> str:
        """The colour, as written when it was put on, else as first written."""
        return self.first.colour or next((event.colour for event in self.events if event.colour), "")

    @property
    def words(self) -> str:
        """The mark, as a crew would name it."""
        return mark_words(self.first.kind, self.first.shown, side=self.side, colour=self.colour)

    @property
    def how_known(self) -> str:
        """On what the beginning rests."""
        if self.put_on:
            told = "put on" if self.first.date else "put on, day unknown"
            return f"{told} (cub record)" if self.first.cub else told
        if self.first is self.end:
            return f"only known as {self.end.event}"
        return f"seen, though {self.after.event} {self.after.day}" if self.after else "seen, never put on"

    def may_be_on(self, day: dt.date | None) -> bool:
        """Whether it may have been on all that day: not on its first or last; an unknown day may be any."""
        if day is None:
            return True
        return (self.first.date is None or self.first.date < day) and (self.on_to is None or day < self.on_to)

    def overlaps(self, other: Wearing) -> bool:
        """Whether both were on at one time; where a day is unknown they are taken not to clash."""
        if not self.on_from or not other.on_from or any(w.end and not w.on_to for w in (self, other)):
            return False
        latest = max(self.on_from, other.on_from)
        return all(w.on_to is None or w.on_to > latest for w in (self, other))


def history(marks: pd.DataFrame, cubs: pd.DataFrame) -> pd.DataFrame:
    """Return from when to when each mark was on each animal.

    Parameters
    ----------
    marks : DataFrame
        Current records of the kind ``mark``.
    cubs : DataFrame
        Current records of the kind ``cub``, whose transponders count too.

    Returns
    -------
    DataFrame
        One row a stretch: animal, mark_kind, mark_code (normalised), side, colour, on_from, on_to (None while
        it is on), ended_by (lost, removed, failed or None), last_seen, how_known, record_id of the record
        that it begins with. In order of animal, kind and day.
    """
    rows = [_row(wearing) for wearing in wearings(events_of(marks, cubs))]
    return pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)


def _row(wearing: Wearing) -> tuple[object, ...]:
    first, end = wearing.first, wearing.end
    return (
        first.animal, first.kind, first.code, wearing.side or None, wearing.colour or None, wearing.on_from,
        wearing.on_to, end.event if end else None, wearing.last_seen, wearing.how_known, first.record_id,
    )  # fmt: skip


def wearings(events: Iterable[MarkEvent]) -> list[Wearing]:
    """Piece events together to stretches during which a mark was on.

    Parameters
    ----------
    events : iterable of MarkEvent
        From :func:`densite.marks.events.events_of`, in any order.

    Returns
    -------
    list of Wearing
        In order of animal, kind and day. A tag seen in the other ear than it was put into stays one tag; a
        number that was put into both ears, or put on in two colours, is two.
    """
    marks: dict[tuple[str, str, str], list[MarkEvent]] = defaultdict(list)
    for event in events:
        marks[event.key, event.kind, event.code].append(event)
    found = [
        wearing
        for group in marks.values()
        for coloured in _split(group, "colour")
        for tag in _split(coloured, "side")
        for wearing in _stretches(tag)
    ]
    told = {id(event) for w in found if w.put_on for event in w.events}  # a tag seen, ear unknown, stands under both
    found = [w for w in found if w.put_on or not all(id(event) in told for event in w.events)]
    return sorted(found, key=lambda w: (w.first.key, w.first.kind, w.on_from or dt.date.min, w.first.code, w.side))


def _split(events: Sequence[MarkEvent], field: str) -> Iterator[Sequence[MarkEvent]]:
    """Split events of one number by ear or colour, where it was surely two tags."""
    values = _kinds_of_tag(events, field)
    if len(values) < 2:
        yield events
        return
    taken: set[int] = set()
    for value in sorted(values):
        own = [e for e in events if getattr(e, field) == value or (not getattr(e, field) and e.event == SEEN)]
        taken.update(map(id, own))
        yield own
    if left := [event for event in events if id(event) not in taken]:
        yield left


def _kinds_of_tag(events: Sequence[MarkEvent], field: str) -> set[str]:
    """Return the ears or colours that were put on; where none was, those that one crew saw on one day."""
    put_on = {getattr(event, field) for event in events if event.event == PUT_ON} - {""}
    if put_on:
        return put_on
    days: dict[dt.date | None, set[str]] = defaultdict(set)
    for event in events:
        days[event.date].add(getattr(event, field))
    return max(days.values(), key=len) - {""}


def _stretches(events: Sequence[MarkEvent]) -> Iterator[Wearing]:
    current: list[MarkEvent] = []
    end = after = None
    for event in _in_order(events):
        over = end is not None and not (end.event == FAILED and event.event != PUT_ON)
        if over:
            yield Wearing(tuple(current), end, after)
            current, end, after = [], None, end
        current.append(event)
        end = event if event.event not in (PUT_ON, SEEN) else None
    yield Wearing(tuple(current), end, after)


def _in_order(events: Sequence[MarkEvent]) -> Iterator[MarkEvent]:
    """Order events by day. On one day, what is on may be taken off and put on again; what is not, put on first."""

    def when(event: MarkEvent) -> dt.date:
        return event.date or (dt.date.min if event.event == PUT_ON else dt.date.max)

    on = False
    for _, day in groupby(sorted(events, key=when), key=when):
        order = {PUT_ON: 3 if on else 0, SEEN: 1}
        for _, event in sorted(((order.get(e.event, 2), e) for e in day), key=itemgetter(0)):
            yield event
            on = event.event in (PUT_ON, SEEN)
