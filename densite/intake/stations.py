"""Files of bearings to a signal: one row a bearing, with the place from which it was taken."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from densite import magnetism, places
from densite.errors import Level, PlaceError, Problem
from densite.intake.clock import read_moment
from densite.intake.csvfile import read_csv
from densite.intake.location import located
from densite.intake.rawrow import RawRow
from densite.intake.rows import COMMA, parse_day
from densite.intake.standpoint import north_of
from densite.records import read_number
from densite.settings import IntakeSettings
from densite.terms import STATION_TERMS
from densite.triangulation import Sighting

RADIUS_95 = 2.447747  # radius that holds 95 of 100 of two equal normal errors, root of chi-square's .95 on 2
_COARSE_M = 100.0  # as for dens; our choice, no source
_TERMS = {term.name: term for term in STATION_TERMS}
_NUMERIC = {t.name for t in STATION_TERMS if t.kind == "number"} | {"latitude", "longitude", "coordinates", "bearing"}


@dataclass(frozen=True, slots=True)
class Bearing:
    """A row that could be read: the bearing, when it was taken, and what was done to it."""

    sighting: Sighting
    day: dt.date | None
    at: dt.datetime | None
    said: str


def read_bearings(
    path: Path, *, intake: IntakeSettings | None = None, zone: ZoneInfo | None = None
) -> tuple[list[Bearing], list[Problem]]:
    """Read a file of bearings.

    Parameters
    ----------
    path : Path
        A text table with the columns of ``STATION_TERMS``, places in any spelling of crew files.
    intake : IntakeSettings, optional
        What the study says of files that do not say their datum, north, decimal mark or order of days.
    zone : ZoneInfo, optional
        The study's time zone; UTC when left out.

    Returns
    -------
    bearings : list of Bearing
        Rows without an error.
    problems : list of Problem
        All of the file, each with its line and column.

    Raises
    ------
    IntakeError
        No readable table, or none of its headings is known.
    """
    chosen, clock = intake or IntakeSettings(), zone or ZoneInfo("UTC")
    bearings: list[Bearing] = []
    problems: list[Problem] = []
    for raw in read_csv(path, mapping=chosen.columns, encoding=chosen.encoding, terms=STATION_TERMS):
        read, found = _read(raw, chosen, clock)
        problems += [p if p.file and p.line else p.at(raw.file, 0 if p.file else raw.line) for p in found]
        bearings += [read] if read else []
    return bearings, problems


def _read(raw: RawRow, intake: IntakeSettings, zone: ZoneInfo) -> tuple[Bearing | None, list[Problem]]:
    values = dict(raw.values)
    if intake.decimal == ",":
        values = {name: COMMA.sub(".", text) if name in _NUMERIC else text for name, text in values.items()}
    found = list(raw.problems)
    day, at = _when(values, intake, zone, found)
    numbers = dict(_numbers(values, found))
    try:
        place = located(values, values.get("datum") or intake.datum or "")
    except PlaceError as error:
        found.append(_wrong(str(error), values))
        return None, found
    try:
        true, turn, reading, said = _true(values, place, day, intake)
    except PlaceError as error:
        found.append(_wrong(str(error), values))
        return None, found
    if any(p.level is Level.ERROR for p in found):
        return None, found
    own = _error_of(place, numbers["uncertainty_m"], found)
    sd = numbers["sd_deg"] and max(numbers["sd_deg"], reading / math.sqrt(3))  # NNE is told no finer than it is read
    sighting = Sighting(place.longitude, place.latitude, true, sd,
                        turn.uncertainty_deg if turn else 0.0, own, values.get("station", ""))  # fmt: skip
    return Bearing(sighting, day, at, said), found


def _error_of(place: places.Place, given: float | None, found: list[Problem]) -> float:
    """Return a station's standard error on each axis: the crew's, else by its digits, with a datum change's. [m]"""
    if place.reading_m > max(10 * (given or 0.0), _COARSE_M):
        said = f"the station is written to {places.said_distance(place.reading_m)} only: is its place rounded?"
        found.append(Problem(Level.WARNING, said, "coordinates"))
    return math.hypot(place.reading_m / math.sqrt(3) if given is None else given / RADIUS_95, place.error_m)


def _wrong(message: str, values: Mapping[str, str]) -> Problem:
    field = message.split()[0]
    return Problem(Level.ERROR, message, field if field in _TERMS else "coordinates", values.get(field, ""))


def _true(
    values: Mapping[str, str], place: places.Place, day: dt.date | None, intake: IntakeSettings
) -> tuple[float, magnetism.Declination | None, float, str]:
    """Return the true bearing, the declination if one was added, half the width of the reading, and all in words."""
    if not values.get("bearing"):
        raise PlaceError("bearing is empty; write 0 to 360, or a compass point such as NNE")
    bearing, reading = places.parse_bearing(values["bearing"])
    if north_of(values.get("reference", ""), intake.aspect_reference, "reference") == "true":
        return bearing, None, reading, f"{bearing:g} true"
    if day is None:
        raise PlaceError("date is empty; a magnetic bearing needs the day to be made true")
    turn = magnetism.declination(place.longitude, place.latitude, day)
    true = (bearing + turn.degrees) % 360
    return true, turn, reading, f"{bearing:g} magnetic, {true:.1f} true ({turn})"


def _when(
    values: Mapping[str, str], intake: IntakeSettings, zone: ZoneInfo, found: list[Problem]
) -> tuple[dt.date | None, dt.datetime | None]:
    day = at = None
    for name in ("date", "time"):
        text = values.get(name, "")
        try:
            if text and name == "date":
                day = parse_day(text, zone, intake.date_order)
            elif text and day:
                at = read_moment(text, day, zone).at
        except ValueError as error:
            found.append(Problem(Level.ERROR, f"{name} '{text}' {error}", name, text))
    return day, at


def _numbers(values: Mapping[str, str], found: list[Problem]) -> Iterator[tuple[str, float | None]]:
    for name in ("uncertainty_m", "sd_deg"):
        text, term, number = values.get(name, ""), _TERMS[name], None
        try:
            number = read_number(text, unit=term.unit)
        except ValueError as error:
            found.append(Problem(Level.ERROR, f"{name} '{text}' {error}", name, text))
        if number is not None and (number <= 0 or (term.ceiling is not None and number >= term.ceiling)):
            under = "" if term.ceiling is None else f" and under {term.ceiling:g}"
            said = f"{name} '{text}'; allowed: over 0{under} {term.unit}: nothing is exact"
            found.append(Problem(Level.ERROR, said, name, text))
        yield name, number
