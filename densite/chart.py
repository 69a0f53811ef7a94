"""One handling as a page of text, as a line, and as plain data for a script."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from densite.animalterms import KINDS
from densite.errors import Problem
from densite.handling import HEADINGS, Event, Moment, Row, elapsed, is_reading, minutes, moment, number, text
from densite.protocol import SHORT, VITALS
from densite.terms import Term
from densite.vitals import PRACTICE, TERMS, Judged, told_excursion, told_gap

CAUTION = (
    "Immobilise only under permit and a veterinary protocol. Drugs are dangerous to people: know the emergency plan. "
    "Watch for hypothermia and hyperthermia; keep cubs warm; have a plan for orphans; wear gloves (zoonoses). "
    "densite gives no dose, no clinical limit and no action."
)

_HANDLING: Mapping[str, Term] = {term.name: term for term in KINDS["handling"].terms}
_CARE = ("eyes_lubricated", "eyes_covered", "airway_checked", "condition_score", "lactating", "injuries")
_MEASURES = ("estimated_mass_kg", "mass_kg", "zygomatic_mm", "body_length_cm", "girth_cm", "cubs_counted")
_WORDS = ("thermometer", "airway", "mucous_colour", "action")
_DRUG_WORDS = ("drug", "lot", "route", "drug_purpose")


def told(event: Event, judged: Judged, problems: Sequence[Problem] = ()) -> str:
    """Write one handling as text.

    Parameters
    ----------
    event : Event
        The handling.
    judged : Judged
        Its readings against the protocol, as from :func:`densite.vitals.judge`.
    problems : sequence of Problem
        What in its records needs a second look.

    Returns
    -------
    str
        Lines for a terminal. What was not recorded is said, never left out.
    """
    den = f", den {event.den_label}" if event.den_label else ""
    head = [f"Handling of {event.animal} on {event.date or 'no date'}{den}", CAUTION]
    parts = {
        "Times (clock at the den, minutes)": _times(event), "Elapsed": _elapsed(event),
        "Drugs, as the crew wrote them": _drugs(event), "As recorded": _recorded(event),
        "Readings": _readings(event), "Gaps": _gaps(event, judged), "Limits": _limits(event, judged),
        "Slope of the temperature": _slopes(judged), "Look again": [problem.message for problem in problems],
    }  # fmt: skip
    lines = [line for name, body in parts.items() if body for line in ("", name, *(f"  {one}" for one in body))]
    return "\n".join([*head, *lines])


def _times(event: Event) -> list[str]:
    found = event.moments
    if not found:
        return ["none recorded"]
    wide = max(len(HEADINGS[name]) for name in found)
    return [f"{HEADINGS[name]:<{wide}}  {_clock(event, one)}" for name, one in found.items()]


def _clock(event: Event, one: Moment | None) -> str:
    """Write a time with its minutes since the start."""
    if one is None or event.start is None:
        return "no time"
    return f"{one.shown(event.date)}  {minutes(event.start, one):+.0f}"


def _elapsed(event: Event) -> list[str]:
    return [
        f"{span.what}: {span.why_not if span.minutes is None else f'{span.minutes:.0f} min'}" for span in elapsed(event)
    ]


def _drugs(event: Event) -> list[str]:
    found = []
    for row in event.given:
        volume = number(row, "volume_ml")
        said = [f"lot {word}" if name == "lot" else word for name in _DRUG_WORDS if (word := text(row, name))]
        amount = "volume not recorded" if volume is None else f"{volume:g} mL"
        found.append(f"{_clock(event, moment(row, 'given'))}  {', '.join([*said, amount])}")
    return found or ["none recorded"]


def _recorded(event: Event) -> list[str]:
    """List care, measures and findings as recorded: shown, not judged."""
    if event.handling is None:
        return ["no handling record"]
    return [f"{_HANDLING[name].heading}: {_value(event.handling, _HANDLING[name])}" for name in (*_CARE, *_MEASURES)]


def _value(row: Row, term: Term) -> str:
    if term.kind != "number":
        return text(row, term.name) or "not recorded"
    value = number(row, term.name)
    return "not recorded" if value is None else f"{value:g} {term.unit}".strip()


def _readings(event: Event) -> list[str]:
    """Write the readings as a table; columns without any value are left out."""
    rows = event.read
    if not rows:
        return ["none recorded"]
    vitals = [name for name in VITALS if any(number(row, name) is not None for row in rows)]
    words = [name for name in _WORDS if any(text(row, name) for row in rows)]
    heads = ["Time", *(f"{TERMS[name].heading} [{TERMS[name].unit}]" for name in vitals)]
    table = [[_clock(event, moment(row, "read")), *(_short(number(row, name)) for name in vitals)] for row in rows]
    sizes = [max(len(line[place]) for line in (heads, *table)) for place in range(len(heads))]
    said = [HEADINGS[name] for name in words], *([text(row, name) for name in words] for row in rows)
    return [_aligned(line, more, sizes) for line, more in zip((heads, *table), said, strict=True)]


def _short(value: float | None) -> str:
    return "." if value is None else f"{value:g}"


def _aligned(cells: Sequence[str], words: Iterable[str], sizes: Sequence[int]) -> str:
    numbers = "  ".join(f"{cell:>{size}}" for cell, size in zip(cells[1:], sizes[1:], strict=True))
    return f"{cells[0]:<{sizes[0]}}  {numbers}  {'; '.join(word for word in words if word)}".rstrip()


def _gaps(event: Event, judged: Judged) -> list[str]:
    if judged.longest is None:
        return [f"not known: no two times between which to count ({PRACTICE})"]
    own = [f"{HEADINGS[one.vital].lower()} {one.longest_min:.0f} min" for one in judged.summaries if one.longest_min]
    lines = [f"longest: {told_gap(judged.longest, event)}"]
    lines += [f"longest from value to value: {', '.join(own)}"] if own else []
    if judged.interval_min is None:
        return [*lines, f"{PRACTICE}; not judged: {judged.why_not or 'the protocol sets no interval'}"]
    long = [gap for gap in judged.gaps if gap.too_long]
    lines.append(f"longer than the {judged.interval_min:g} min of the protocol: {len(long) or 'none'}")
    return [*lines, *(told_gap(gap, event) for gap in long if gap is not judged.longest)]


def _limits(event: Event, judged: Judged) -> list[str]:
    lines = [judged.by]
    if not judged.why_not:
        beyond = [told_excursion(one, event) for one in judged.excursions]
        without = [TERMS[name].heading for name in VITALS if judged.values[name] and judged.limit(name) is None]
        lines += beyond or ["no reading beyond a limit; between readings nothing is known"]
        lines += [f"no limit in the protocol, not judged: {', '.join(without)}"] if without else []
    return [*lines, *_left_out(event, judged)]


def _left_out(event: Event, judged: Judged) -> list[str]:
    return [
        f"left out until corrected: {TERMS[one.vital].heading} at {one.at.when.shown(event.date)}: {one.slip}"
        for one in judged.doubted
    ]


def _slopes(judged: Judged) -> list[str]:
    found = []
    for one in judged.slopes:
        said = "not known" if one.per_hour is None else f"{one.per_hour:+.2f} C per hour"
        if one.lower is not None and one.upper is not None:
            said += f" (95 % interval {one.lower:+.2f} to {one.upper:+.2f}, as if readings scattered about a line)"
        many = f"{one.readings} reading{'' if one.readings == 1 else 's'}"
        found.append(f"{one.over} ({many}): {said}{f'; {one.remark}' if one.remark else ''}")
    return found


def line(event: Event, judged: Judged) -> str:
    """Write one handling as a line of a list.

    Parameters
    ----------
    event : Event
        The handling.
    judged : Judged
        Its readings against the protocol.

    Returns
    -------
    str
        Date, animal, den, readings, longest gap, and how many excursions there are by which protocol, or why
        that is not judged.
    """
    read = sum(is_reading(row) for row in event.read)
    longest = "gap not known" if judged.longest is None else f"longest gap {judged.longest.minutes:.0f} min"
    day, den = str(event.date or "no date"), event.den_label or "no den"
    return "  ".join((day, event.animal, den, f"{read} reading{'' if read == 1 else 's'}", longest, _beyond(judged)))


def _beyond(judged: Judged) -> str:
    """Count excursions, never without the protocol by which they are some."""
    if judged.why_not or judged.protocol is None:
        return f"not judged: {judged.why_not}"
    held = judged.protocol
    many = len(judged.excursions)
    by = f"protocol version {held.signed.version}, fingerprint {held.fingerprint[:SHORT]}"
    return f"{many} excursion{'' if many == 1 else 's'} by {by}"


def data(event: Event, judged: Judged, problems: Sequence[Problem] = ()) -> dict[str, Any]:
    """Return one handling as plain data for a script.

    Parameters
    ----------
    event, judged, problems
        As for :func:`told`.

    Returns
    -------
    dict
        Text, numbers and lists only; times in UTC (ISO 8601) and as the clock showed them; None for
        what is not known. Minutes in [min], vitals in the units of their terms.
    """
    return {
        "animal": event.animal, "date": None if event.date is None else event.date.isoformat(),
        "den_label": event.den_label or None, "caution": CAUTION,
        "times": {name: _plain(one) for name, one in event.moments.items()},
        "elapsed_min": {span.what: span.minutes for span in elapsed(event)},
        "readings": list(_plain_readings(event)), "judged": not judged.why_not,
        "why_not_judged": judged.why_not or None,
        "protocol": _plain_protocol(judged), "interval_min": judged.interval_min,
        "gaps": [_plain(asdict(gap)) for gap in judged.gaps],
        "excursions": [_plain(asdict(one)) for one in judged.excursions],
        "temperature_slopes": [asdict(one) for one in judged.slopes],
        "left_out": [{"vital": one.vital, "read": _plain(one.at.when), "value": one.at.value, "why": str(one.slip)}
                     for one in judged.doubted],
        "look_again": [asdict(one) for one in problems],
    }  # fmt: skip


def _plain(value: Any) -> Any:
    """Return times as UTC and local text, however deep they stand."""
    if isinstance(value, Moment):
        return {"utc": value.at.isoformat(), "local": value.local or None}
    if isinstance(value, dict):
        if value.keys() == {"at", "local"}:
            return {"utc": value["at"].isoformat(), "local": value["local"] or None}
        return {name: _plain(one) for name, one in value.items()}
    return value


def _plain_readings(event: Event) -> Iterator[dict[str, Any]]:
    for row in event.read:
        when = moment(row, "read")
        words = {name: text(row, name) or None for name in _WORDS}
        yield {"read": _plain(when), **{name: number(row, name) for name in VITALS}, **words}


def _plain_protocol(judged: Judged) -> dict[str, Any] | None:
    if judged.protocol is None:
        return None
    signed = judged.protocol.signed
    return {
        "version": signed.version or None, "veterinarian": signed.veterinarian or None,
        "date": None if signed.date is None else signed.date.isoformat(),
        "valid_to": None if signed.valid_to is None else signed.valid_to.isoformat(),
        "fingerprint": judged.protocol.fingerprint,
    }  # fmt: skip
