"""Handlings made up for tests: one morning in the Ondra Basin, with limits that nobody would set."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from densite.animals import frame_of
from densite.handling import Event, events
from densite.protocol import Protocol, parse

BOISE = ZoneInfo("America/Boise")
DAY = dt.date(2026, 2, 24)

# Two whole numbers side by side for every limit: made up, and meant to look it.
SIGNED = """
[signed]
veterinarian = "Nobody Anyone"
date = 2026-01-10
version = "made up 1"
[limits.heart_rate]
low = 11
high = 111
[limits.temperature_c]
low = 33
high = 34
[intervals]
reading_min = 7
"""

TIMES = {
    "approached": "08:02", "darted": "08:14", "down": "08:21", "first_handled": "08:25", "last_handled": "09:08",
    "reversed": "09:10", "head_up": "09:22", "left": "09:30",
}  # fmt: skip


def protocol(text: str = SIGNED) -> Protocol:
    """Return the made-up protocol."""
    return parse(text)


def at(name: str, clock: str | None, day: dt.date = DAY, *, fold: int = 0) -> dict:
    """Return both columns of a time by the clock in Boise."""
    if clock is None:
        return {}
    hour, minute = map(int, clock.split(":"))
    when = dt.datetime(day.year, day.month, day.day, hour, minute, tzinfo=BOISE, fold=fold)
    utc = when.astimezone(dt.UTC)
    return {f"{name}_at": utc, f"{name}_local": utc.astimezone(BOISE).isoformat()}


def handling(number: int = 1, *, times: dict[str, str | None] | None = None, day: dt.date = DAY, **fields) -> dict:
    """Return a handling record; ``times`` replaces single times, None takes one away."""
    clocks = TIMES | (times or {})
    filled = [at(name, clock, day) for name, clock in clocks.items()]
    columns = {name: value for one in filled for name, value in one.items()}
    given = {"animal": "OB-031", "date": day, "den_label": "D-2026-14", "source_file": "handled.csv"}
    return {"record_id": f"h{number}", "source_line": number, **given, **columns, **fields}


def drug(number: int, clock: str | None, **fields) -> dict:
    """Return a record of a drug."""
    given = {"animal": "OB-031", "date": DAY, "drug": "agent A", "source_file": "drugs.csv", "source_line": number}
    return {"record_id": f"d{number}", **given, **at("given", clock, fields.get("date", DAY)), **fields}


def reading(number: int, clock: str | None, *, day: dt.date = DAY, **fields) -> dict:
    """Return a record of vitals."""
    given = {"animal": "OB-031", "date": DAY, "source_file": "vitals.csv", "source_line": number}
    return {"record_id": f"r{number}", **given, **at("read", clock, day), **fields}


def readings(*rows: tuple[str, float], vital: str = "temperature_c") -> list[dict]:
    """Return records of one vital at some times."""
    return [reading(number + 2, clock, **{vital: value}) for number, (clock, value) in enumerate(rows)]


DRUGS = [drug(2, "08:14", drug_purpose="immobilise"), drug(3, "09:10", drug="antagonist A", drug_purpose="reverse")]
SOUND = readings(("08:26", 33.9), ("08:33", 33.8), ("08:40", 33.6), ("08:47", 33.5), ("08:54", 33.4), ("09:01", 33.2),
                 ("09:08", 33.1))  # fmt: skip


def frames(handlings=None, drugs=None, read=None) -> tuple:
    """Return the three frames, sound ones where none are given."""
    kinds = ("handling", [handling()], handlings), ("drug", DRUGS, drugs), ("reading", SOUND, read)
    return tuple(frame_of(kind, sound if given is None else given) for kind, sound, given in kinds)


def event(handlings=None, drugs=None, read=None) -> Event:
    """Return the first handling of such frames."""
    return events(*frames(handlings, drugs, read))[0]
