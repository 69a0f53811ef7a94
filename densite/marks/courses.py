"""A mark's course on one animal: what was never put on, changed ears, or came back after its loss."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

from densite.marks.events import PUT_ON, SEEN, MarkEvent
from densite.marks.known import Finding, Found, Marks, placed
from densite.marks.near import one_slip
from densite.marks.wearing import Wearing


def wrong_ear(known: Marks) -> Found:
    """Find tags seen in the other ear than before, all tags of one animal and day together.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
    """
    hint = "left and right are the animal's own: were the sides swapped?"
    return _changed(known, "side", lambda event, wearing: f"{event.words}, which was {wearing.side} before", hint)


def other_colour(known: Marks) -> Found:
    """Find tags seen in another colour than before.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
    """
    hint = "colours bleach and look alike by lamplight: which is it, or is it another animal's tag?"
    return _changed(known, "colour", lambda event, wearing: f"{event.words}, which was {wearing.colour} before", hint)


def _changed(known: Marks, field: str, said: Callable[[MarkEvent, Wearing], str], hint: str) -> Found:
    days: dict[tuple[str, object], list[tuple[MarkEvent, Wearing]]] = defaultdict(list)
    for wearing in known.wearings:
        for event in wearing.events:
            if getattr(event, field) and getattr(event, field) != getattr(wearing, field):
                days[event.key, event.date].append((event, wearing))
    for changed in days.values():
        events = [event for event, _ in changed]
        message = "; ".join(said(event, wearing) for event, wearing in changed)
        yield placed(events[0], message, field=field, hint=hint, also=tuple(events[1:]))


def never_put_on(known: Marks, told: set[int]) -> Found:
    """Find marks that were seen or lost on an animal without ever having been put on.

    Parameters
    ----------
    known : Marks
        The study's marks.
    told : set of int
        ``id`` of events that another finding is about.

    Yields
    ------
    Finding
        Marks that no other finding explains.
    """
    for wearing in known.wearings:
        if wearing.put_on or any(id(event) in told for event in wearing.events):
            continue
        said = f"{wearing.words} was {wearing.first.event}, but never put on"
        yield placed(wearing.first, said, field="mark_event", hint=_nearest(known, wearing), also=wearing.events)


def _nearest(known: Marks, wearing: Wearing) -> str:
    """Name what the animal does carry of this kind."""
    own = known.own.get((wearing.first.key, wearing.kind), [])
    near = [w for w in own if one_slip(w.first.code, wearing.first.code) and len(wearing.first.code) > 2]
    same = [w for w in own if w.first.code == wearing.first.code]
    if same:
        return f"its number was put on as {' and '.join(w.words for w in same)}: which is meant?"
    if near:
        return f"it has {near[0].words}: was that meant?"
    if own:
        return f"it has {', '.join(w.words for w in own)}: misread, or the putting on left out?"
    return "add when it was put on; if that was before this study, confirm it"


def after_loss(known: Marks) -> Found:
    """Find marks that were seen, or lost again, after they had been lost or removed.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
    """
    for wearing in known.wearings:
        if wearing.after and not wearing.put_on:
            said = f"{wearing.words} was {wearing.first.event}, though it was {wearing.after.event} {wearing.after.day}"
            yield placed(wearing.first, said, field="mark_event", also=(wearing.after,),
                         hint="was it put on again, was it not lost, or is it another animal's?")  # fmt: skip


def twice(known: Marks) -> Found:
    """Find marks that were put on again while on, or seen before they were put on.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
    """
    for wearing in known.wearings:
        put_on = [event for event in wearing.events if event.event == PUT_ON]
        if len(put_on) > 1:
            yield _again(wearing, put_on)
        before = [event for event in wearing.events if event.event == SEEN and event.date]
        if put_on and put_on[0].date and before and before[0].date and before[0].date < put_on[0].date:
            yield placed(
                before[0], f"{wearing.words} was seen before it was put on, {put_on[0].day}", field="mark_event",
                hint="which day is wrong?", also=(put_on[0],),
            )  # fmt: skip


def _again(wearing: Wearing, put_on: list[MarkEvent]) -> Finding:
    said = f"{wearing.words} was put on again, though it was put on {put_on[0].day} and not lost since"
    return placed(put_on[-1], said, field="mark_event", hint="write seen for a mark that is still there",
                  also=(put_on[0],))  # fmt: skip
