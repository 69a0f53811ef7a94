"""Marks that cannot belong to two animals, and animals that cannot carry two marks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import combinations

from densite.animals import animal_key
from densite.marks.events import LOST, REMOVED, SEEN, MarkEvent
from densite.marks.known import FOR_LIFE, Finding, Found, Marks, placed
from densite.marks.near import one_slip
from densite.marks.wearing import Wearing

ENOUGH_TATTOOS = 5  # our own: with fewer, that tattoos repeat tags may be chance


def one_visit(known: Marks) -> Found:
    """Find cubs of one litter with one transponder on one visit.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
    """
    visits: dict[tuple[str, object, str], list[MarkEvent]] = defaultdict(list)
    for event in known.events:
        if event.cub:
            visits[event.den, event.date, event.code].append(event)
    for events in visits.values():
        if len({event.key for event in events}) > 1:
            others = " and ".join(event.animal for event in events[:-1])
            yield placed(
                events[-1], f"{events[-1].words} was written for {others} too, on the same visit",
                hint="one chip is in one cub: take the codes from the packets or read both again", also=tuple(events),
            )  # fmt: skip


def two_animals(known: Marks) -> Found:
    """Find marks that are on two animals: put on both, or seen on both and put on neither.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
        A transponder or tattoo whenever that was; ear tags (of one colour) and collars where the times overlap.
    """
    marks: dict[tuple[str, str], list[Wearing]] = defaultdict(list)
    for wearing in known.wearings:
        mark = wearing.first.kind, wearing.first.code
        if wearing.put_on or mark not in known.put_on:
            marks[mark].append(wearing)
    for worn in marks.values():
        told: set[str] = set()
        for one, other in combinations(sorted(worn, key=lambda w: str(w.on_from)), 2):
            if other.first.key not in told and _clash(one, other):
                told.add(other.first.key)
                yield _on_both(one, other)


def _on_both(one: Wearing, other: Wearing) -> Finding:
    how = "put on" if one.put_on else "seen"
    until = f", {one.end.event} {one.end.day}" if one.end else ""
    message = f"{other.words} is on {one.first.animal} too, {how} {one.first.day}{until}"
    return placed(other.first, message, hint=_whose(one, other), also=(one.first,))


def _clash(one: Wearing, other: Wearing) -> bool:
    first, second = one.first, other.first
    if first.key == second.key or (first.cub and second.cub and (first.den, first.date) == (second.den, second.date)):
        return False  # the second is told as one visit's
    if first.kind in FOR_LIFE:
        return True
    return not (one.colour and other.colour and one.colour != other.colour) and one.overlaps(other)


def _whose(one: Wearing, other: Wearing) -> str:
    """Say how one number may have come to two animals."""
    cub, since = sorted((one.first, other.first), key=lambda event: not event.cub)
    if cub.cub and animal_key(cub.mother) == since.key:
        return f"{cub.animal} is her cub: was the cub's chip written under the mother?"
    if cub.cub:
        return f"is {since.animal} the cub {cub.animal}, grown up? Then it is one animal under two ids"
    if one.first.kind in FOR_LIFE:
        return "a number is never used again: read it again, or is it one animal under two ids?"
    return f"was it lost or removed from {one.first.animal}? Then add that record; else read it again"


def disagreeing(known: Marks) -> Found:
    """Find days on which marks seen on an animal are another's: a mark misread, or another animal.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
        One an animal and day; says which marks are whose.
    """
    days: dict[tuple[str, object], list[MarkEvent]] = defaultdict(list)
    for event in known.events:
        if event.event in (SEEN, LOST, REMOVED):
            days[event.key, event.date].append(event)
    for events in days.values():
        owned = [(event, known.owners(event)) for event in events]
        strange = [(e, found) for e, found in owned if found and e.key not in {w.first.key for w in found}]
        if strange:
            yield _whose_marks(strange, [e for e, found in owned if e.key in {w.first.key for w in found}])


def _whose_marks(strange: list[tuple[MarkEvent, list[Wearing]]], own: list[MarkEvent]) -> Finding:
    first = strange[0][0]
    said = "; ".join(f"{event.words} is {_carriers(found)}" for event, found in strange)
    also = f"{', '.join(event.words for event in own)} is its own" if own else "no mark of its own was seen"
    animals = sorted({w.first.animal for _, found in strange for w in found})
    hint = f"is the animal {' or '.join(animals)}? Look at every mark of both"
    if len(own) > len(strange):
        hint = f"most marks say {first.animal}: was {strange[0][0].words} misread?"
    return placed(first, f"marks disagree: {said}; {also}", hint=hint, also=tuple(event for event, _ in strange[1:]))


def _carriers(found: list[Wearing]) -> str:
    return " or ".join(dict.fromkeys(f"{w.first.animal}'s, put on {w.first.day}" for w in found))


def two_at_once(known: Marks) -> Found:
    """Find animals that got a second mark of a kind (tags: in one ear) while the first was not lost.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
        Transponders one slip apart are left out: :func:`densite.marks.slips.slips` tells them.
    """
    for worn in _by_place(known):
        for at, later in enumerate(worn):
            open_ones = [w for w in worn[:at] if w.overlaps(later) and w.words != later.words]
            if open_ones and not _typed_twice(open_ones[-1], later):
                yield _second(open_ones[-1], later)


def _typed_twice(one: Wearing, other: Wearing) -> bool:
    return other.kind == "transponder" and bool(one_slip(one.first.code, other.first.code))


def _second(first: Wearing, later: Wearing) -> Finding:
    return placed(
        later.first, f"{later.words} was put on, but {first.words}, put on {first.first.day}, was neither lost nor "
        "removed nor did it fail", field="mark_event", also=(first.first,),
        hint=f"add what became of {first.words}, or is one of the two another animal's?",
    )  # fmt: skip


def _by_place(known: Marks) -> Iterator[list[Wearing]]:
    """Yield stretches that were put on, by animal, kind and ear, in order of day; tags without an ear are left out."""
    places: dict[tuple[str, str, str], list[Wearing]] = defaultdict(list)
    for wearing in known.wearings:
        ear = wearing.side if wearing.kind == "ear tag" else "any"
        if wearing.put_on and wearing.on_from and ear:
            places[wearing.first.key, wearing.kind, ear].append(wearing)
    yield from places.values()


def tattoo_of_another(known: Marks) -> Found:
    """Find tattoos that are another animal's tag number, in a study that tattoos the tag's number.

    Parameters
    ----------
    known : Marks
        The study's marks. That tattoos repeat tags is seen from the records: most of at least five
        animals with both have it so.

    Yields
    ------
    Finding
    """
    tags: dict[str, set[str]] = defaultdict(set)
    carriers: dict[str, set[str]] = defaultdict(set)
    for wearing in known.wearings:
        if wearing.kind == "ear tag":
            tags[wearing.first.key].add(wearing.first.code)
            carriers[wearing.first.code].add(wearing.first.animal)
    tattoos = [w for w in known.wearings if w.kind == "lip tattoo" and w.put_on and w.first.key in tags]
    same = sum(w.first.code in tags[w.first.key] for w in tattoos)
    if len(tattoos) < ENOUGH_TATTOOS or 2 * same <= len(tattoos):
        return
    for wearing in tattoos:
        others = " and ".join(sorted(carriers[wearing.first.code]))
        if wearing.first.code not in tags[wearing.first.key] and others:
            yield placed(
                wearing.first, f"{wearing.words} is none of its ear tags' numbers, but that of {others}",
                hint=f"{same} of {len(tattoos)} tattoos repeat a tag of the same animal: read tattoo and tags again",
            )  # fmt: skip
