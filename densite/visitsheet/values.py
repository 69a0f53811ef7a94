"""Records' values as they are printed, and how much room they take."""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Mapping
from typing import Any

import pandas as pd

from densite.terms import Term
from densite.visitsheet.content import SheetContent
from densite.visitsheet.layout import printed_keys, term_of

POINT_MM = 25.4 / 72
LABEL_PT, VALUE_PT = 7.0, 7.5
_SLIM, _BROAD = frozenset("iljtfrI.,;:|!'()[]/ "), frozenset("mwMW@%")
_BOLD = 1.09  # bold type of the same fonts


def text_width(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Estimate how wide a line of text is, rather too wide than too narrow.

    Parameters
    ----------
    text : str
        One line.
    size_pt : float
        Size of the font. [pt]
    bold : bool
        Whether the type is bold.

    Returns
    -------
    float
        Width in a font like Arial, Helvetica or Liberation Sans. [mm]
    """
    return sum(map(_em, text)) * size_pt * POINT_MM * (_BOLD if bold else 1)


def _em(char: str) -> float:
    """Width of a character as a share of the font's size."""
    if char in _SLIM:
        return 0.32
    if unicodedata.east_asian_width(char) in "WF":
        return 1.0
    return 0.9 if char in _BROAD else (0.7 if char.isupper() else 0.56)


def shown(term: Term, row: Mapping[str, Any], *, day: dt.date | None = None) -> str:
    """Return a record's value as text.

    Parameters
    ----------
    term : Term
        Which value.
    row : mapping
        The record, by column.
    day : date, optional
        Day of the visit; a time on another day says so.

    Returns
    -------
    str
        In the term's unit, without it; empty where it is missing. A time is the clock's at the den.
    """
    if term.kind == "time":
        return clock(row.get(f"{term.name}_local"), row.get(f"{term.name}_at"), day=day)
    value = row.get(term.name)
    if value is None or pd.isna(value):
        return ""
    if term.kind == "number":
        return f"{float(value):.10g}"
    if term.kind == "date":
        return pd.Timestamp(value).date().isoformat()
    return " ".join(str(value).split())


def clock(local: str | None, at: Any = None, *, day: dt.date | None = None) -> str:
    """Return a time of day as the clock at the den showed it.

    Parameters
    ----------
    local : str or None
        ISO 8601 with offset.
    at : Timestamp, optional
        The time in UTC, for where the local one is missing.
    day : date, optional
        Day of the visit.

    Returns
    -------
    str
        ``08:14``, ``00:10 +1d`` on the next day, ``15:14 UTC`` where the local clock is not known.
    """
    if isinstance(local, str):
        moment, zone = dt.datetime.fromisoformat(local), ""
    elif at is not None and not pd.isna(at):
        moment, zone = pd.Timestamp(at).to_pydatetime(), " UTC"
    else:
        return ""
    days = (moment.date() - day).days if day and not zone else 0
    return f"{moment:%H:%M}{zone}{f' {days:+d}d' if days else ''}"


def clocks(content: SheetContent) -> str:
    """Return by which clock the times of a sheet are, and the day of those past midnight.

    Parameters
    ----------
    content : SheetContent
        The records.

    Returns
    -------
    str
        ``UTC-07:00; past midnight: 2026-02-25``; empty where no record has a time.
    """
    records = (*content.handlings, *content.drugs, *content.readings)
    texts = (value for row in records for name, value in row.items() if name.endswith("_local"))
    moments = [dt.datetime.fromisoformat(text) for text in texts if isinstance(text, str)]
    zones = sorted({moment.strftime("%z") for moment in moments} - {""})
    later = sorted({moment.date().isoformat() for moment in moments if content.date and moment.date() > content.date})
    said = ", ".join(f"UTC{zone[:3]}:{zone[3:5]}" for zone in zones)
    return f"{said}; past midnight: {', '.join(later)}" if later else said


def single_values(content: SheetContent, *, with_place: bool) -> dict[str, str]:
    """Return the values of the fields that a sheet has once.

    Parameters
    ----------
    content : SheetContent
        The records.
    with_place : bool
        Print where the den is.

    Returns
    -------
    dict of str to str
        By key: ``handling.mass_kg``.
    """
    check = content.checks[0] if content.checks else {}
    rows: dict[str, Mapping[str, Any]] = {
        "den": {**content.den, "aspect": content.den.get("aspect_read")},
        "visit": content.visit, "handling": content.handling, "check": check,
    }  # fmt: skip
    found = {
        key: shown(term_of(key), rows[kind], day=day_of(kind, rows[kind], content))
        for key in printed_keys()
        if (kind := key.split(".")[0]) in rows
    }
    found |= {"den.den_label": content.den_label, "visit.female": content.female,
              "visit.date": content.date.isoformat() if content.date else ""}  # fmt: skip
    found["handling.observer"] = found["handling.observer"] or str(content.visit.get("observer") or "")
    found["reading.thermometer"] = common_thermometer(content)
    return {**found, **(_place(content.den) if with_place else {})}


def day_of(kind: str, record: Mapping[str, Any], content: SheetContent) -> dt.date | None:
    """Return the day that stands beside a record's times: that of the visit, of a check its own."""
    own = record.get("checked_on") if kind == "check" else None
    return own or content.date


def common_thermometer(content: SheetContent) -> str:
    """Return how the temperature was taken, where all readings agree."""
    ways = {str(row["thermometer"]) for row in content.readings if row.get("thermometer")}
    return ways.pop() if len(ways) == 1 else ""


def _place(den: Mapping[str, Any]) -> dict[str, str]:
    """Write the den's point, which the register keeps in WGS 84, as ISO 6709 counts it."""
    point = den.get("geometry")
    if point is None:
        return {}
    ns, ew = "NS"[point.y < 0], "EW"[point.x < 0]
    return {"place.coordinates": f"{abs(point.y):.5f} {ns} {abs(point.x):.5f} {ew}", "place.datum": "WGS84"}
