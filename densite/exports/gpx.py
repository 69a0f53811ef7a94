"""Visits as GPX 1.1 waypoints, for GPS receivers; densite's own intake reads them back as far as GPX can hold them."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from densite.exports import NOTICE
from densite.exports.held import Row, as_cell, rows
from densite.exports.xmltext import DECLARATION, element
from densite.records import DenSite, columns
from densite.register import schema
from densite.settings import Settings
from densite.terms import DEN_TERMS

NAMESPACE = "http://www.topografix.com/GPX/1/1"
_LEAST_DECIMALS = 9
_OF_DEN = tuple(
    term.name for term in DEN_TERMS if term.name in columns(DenSite) and term.name not in ("slope_deg", "observer")
)
_OF_VISIT = ("crew", "observer", "female", "purpose", "entered_at")


def write_gpx(connection: Connection, settings: Settings, folder: Path) -> list[Path]:
    """Write a waypoint a visit: the first visit of a den tells all of the den, later ones its place and type.

    A description holds ``key: value; key: value``, so a semicolon inside a value becomes a comma, a run
    of white space a space, and what XML cannot hold U+FFFD. The crew's own row, ids of visits, what was
    confirmed, and the animals' records have no place in it. Withdrawn dens and visits are left out.

    Parameters
    ----------
    connection : Connection
        Reading one state of the register.
    settings : Settings
        Name and time zone of the study.
    folder : Path
        Where to write.

    Returns
    -------
    list of Path
        ``visits.gpx``.
    """
    dens = {den["den_id"]: den for den in rows(connection, schema.den, every=False)}
    told: set[str] = set()
    path = folder / "visits.gpx"
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(f'{DECLARATION}\n<gpx xmlns="{NAMESPACE}" version="1.1" creator="densite">\n')
        file.write(f"<metadata>{element('name', settings.study.name)}{element('desc', NOTICE)}</metadata>\n")
        for visit in rows(connection, schema.visit, every=False):
            first = visit["den_id"] not in told
            told.add(visit["den_id"])
            file.write(_waypoint(dens[visit["den_id"]], visit, ZoneInfo(settings.study.time_zone), first=first))
        file.write("</gpx>\n")
    return [path]


def _waypoint(den: Row, visit: Row, zone: ZoneInfo, *, first: bool) -> str:
    """Write one waypoint; GPX wants a time, so noon of the visit's day is given."""
    noon = dt.datetime.combine(visit["observed_on"], dt.time(12), tzinfo=zone).astimezone(dt.UTC)
    said = "; ".join(f"{key}: {value}" for key, value in _described(den, visit, first=first))
    return (
        f'<wpt lat="{_degrees(den["latitude"])}" lon="{_degrees(den["longitude"])}">'
        f"{element('time', noon.strftime('%Y-%m-%dT%H:%M:%SZ'))}{element('name', den['label'])}"
        f"{element('desc', said)}</wpt>\n"
    )


def _degrees(number: float) -> str:
    """Write every digit, and so many decimals that the place is not taken for a rounded one. [deg]"""
    plain = f"{number:.{_LEAST_DECIMALS}f}"
    return plain if float(plain) == number else f"{number:.17f}" if abs(number) < 1e-4 else repr(number)


def _described(den: Row, visit: Row, *, first: bool) -> Iterator[tuple[str, str]]:
    yield "date", visit["observed_on"].isoformat()
    yield from ((name, told) for name in _OF_VISIT if (told := _told(visit[name])))
    if not first:
        yield from ((name, told) for name in ("den_id", "den_type", "uncertainty_m") if (told := _told(den[name])))
        return
    yield from ((name, told) for name in _OF_DEN if (told := _told(den[name])))
    if told := _told(den["aspect_read"]):
        yield "aspect", told
    if told := _told(den["slope_read"] or den["slope_deg"]):
        yield "slope_pct" if told.endswith("%") else "slope_deg", told


def _told(value: object) -> str:
    return re.sub(r"\s+", " ", as_cell(value).replace(";", ",")).strip()
