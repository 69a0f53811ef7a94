"""Records of marks that cannot all be right, each placed at the row to look at."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pandas as pd

from densite.animals import settles
from densite.errors import Problem, TransponderError
from densite.marks.clashes import disagreeing, one_visit, tattoo_of_another, two_animals, two_at_once
from densite.marks.courses import after_loss, never_put_on, other_colour, twice, wrong_ear
from densite.marks.events import MarkEvent, events_of
from densite.marks.known import Finding, Found, Marks, placed
from densite.marks.near import one_slip
from densite.marks.slips import slips
from densite.transponder import read_transponder


def findings(animals: pd.DataFrame, marks: pd.DataFrame, cubs: pd.DataFrame) -> list[Problem]:
    """List what in the records of marks a person should look at again.

    Parameters
    ----------
    animals, marks, cubs : DataFrame
        Current records of the kinds ``animal``, ``mark`` and ``cub``.

    Returns
    -------
    list of Problem
        Placed by file and line of the record to look at; fields that its ``settled`` names are left out.

    Notes
    -----
    Two transponders that were both put on, on two animals, and differ in their last two digits only are not
    listed, since boxes hold neighbouring numbers (common practice, no source). Nor are those of a series: six
    codes or more, and one number in a thousand or more, within the reach of the digit that differs; so dense a
    series has pairs one digit off by chance. :func:`densite.marks.near.near_pairs` gives them all.
    """
    known = Marks(animals, events_of(marks, cubs))
    found = [*_unreadable(known), *_strangers(known), *one_visit(known), *two_animals(known), *disagreeing(known),
             *wrong_ear(known), *other_colour(known), *slips(known), *after_loss(known)]  # fmt: skip
    told = {id(event) for each in found for event in each.events if each.problem.field != "animal"}
    found += [*two_at_once(known), *never_put_on(known, told), *twice(known), *tattoo_of_another(known)]
    return [each.problem for each in found if not _settled(each)]


def _settled(finding: Finding) -> bool:
    """Whether a person has confirmed the field in the very record at which the finding is placed."""
    return settles(finding.events[0].row["settled"], finding.problem.field)


def _each_once(events: Iterable[MarkEvent]) -> Iterator[MarkEvent]:
    """Yield the first event of each mark on each animal."""
    seen = set()
    for event in events:
        if (event.key, event.kind, event.code) not in seen:
            seen.add((event.key, event.kind, event.code))
            yield event


def _unreadable(known: Marks) -> Found:
    for event in _each_once(event for event in known.events if event.kind == "transponder"):
        try:
            code = read_transponder(event.written)
        except TransponderError as error:
            yield placed(event, str(error), hint="read it again, or confirm it if it is right")
            continue
        if code.kind == "test":
            said, hint = "is a test code (999), which identifies nobody", "was the right chip read?"
            yield placed(event, f"transponder {code} {said}", hint=hint)
        elif code.number == 0:
            yield placed(event, f"transponder {code} has no number", hint="an empty chip, or digits left out?")


def _strangers(known: Marks) -> Found:
    """Find marks of animals that nobody listed."""
    if not known.listed:
        return
    told = {*known.listed, *(event.key for event in known.events if event.cub)}
    for event in known.events:
        if event.key not in told:
            told.add(event.key)
            near = sorted(name for key, name in known.listed.items() if one_slip(key, event.key))[:3]
            hint = f"is it {' or '.join(near)}? " if near else ""
            yield placed(event, "has marks, but is not in the list of animals", field="animal",
                         hint=f"{hint}Add the animal, or correct the id")  # fmt: skip
