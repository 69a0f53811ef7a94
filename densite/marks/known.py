"""All that is known of a study's marks, and a finding about them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from densite.animals import animal_key, text_of
from densite.errors import Problem
from densite.marks.events import MarkEvent
from densite.marks.wearing import Wearing, wearings
from densite.placed import problem_at


@dataclass(frozen=True, slots=True)
class Finding:
    """A problem with the events that it is about; it is placed at the first."""

    events: tuple[MarkEvent, ...]
    problem: Problem


Found = Iterator[Finding]

FOR_LIFE = ("transponder", "lip tattoo")  # numbers that no second animal is given


@dataclass(frozen=True)
class Marks:
    """A study's animals and all events of their marks, looked up in several ways."""

    animals: pd.DataFrame
    events: list[MarkEvent]

    @cached_property
    def wearings(self) -> list[Wearing]:
        """Stretches during which a mark was on an animal."""
        return wearings(self.events)

    @cached_property
    def listed(self) -> dict[str, str]:
        """Ids in the list of animals, by key."""
        return {animal_key(name): text_of(name) for name in self.animals["animal"]}

    @cached_property
    def put_on(self) -> dict[tuple[str, str], list[Wearing]]:
        """Stretches that began with a mark being put on, by kind and number."""
        found: dict[tuple[str, str], list[Wearing]] = defaultdict(list)
        for wearing in self.wearings:
            if wearing.put_on:
                found[wearing.first.kind, wearing.first.code].append(wearing)
        return dict(found)

    @cached_property
    def own(self) -> dict[tuple[str, str], list[Wearing]]:
        """Stretches that began with a mark being put on, by animal and kind."""
        found: dict[tuple[str, str], list[Wearing]] = defaultdict(list)
        for wearing in self.wearings:
            if wearing.put_on:
                found[wearing.first.key, wearing.kind].append(wearing)
        return dict(found)

    def owners(self, event: MarkEvent) -> list[Wearing]:
        """Return the stretches of the mark that an event may be about, on whatever animal.

        Tags and collars are used again: what was on another animal before or after that day only is left out.
        """
        found = self.put_on.get((event.kind, event.code), [])
        found = [w for w in found if not (event.colour and w.colour and event.colour != w.colour)]
        if event.kind in FOR_LIFE:
            return found
        return [w for w in found if w.first.key == event.key or w.may_be_on(event.date)]


def placed(
    event: MarkEvent, message: str, *, field: str = "mark_code", hint: str = "", also: tuple[MarkEvent, ...] = ()
) -> Finding:
    """Place a finding at the record of an event.

    Parameters
    ----------
    event : MarkEvent
        The event to look at.
    message : str
        What is wrong.
    field : str
        Column of the mark record; that of a cub record is found from it.
    hint : str
        What to do next.
    also : tuple of MarkEvent
        Other events that the same message is about.

    Returns
    -------
    Finding
    """
    field = {"mark_code": "transponder", "animal": "cub_id"}.get(field, field) if event.cub else field
    said = f"{event.animal}, {event.day}: {message}"
    return Finding((event, *also), problem_at(event.row, said, field=field, hint=hint))
