"""Raw rows turned into den sites and visits: place, bearing, slope and date are worked out here."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from densite import places
from densite.errors import Level, PlaceError, Problem
from densite.intake.rawrow import PROVENANCE, RawRow
from densite.records import DenSite, Visit, den_uuid, doubts, problems_of, read_number, row_key, visit_uuid
from densite.settings import Settings
from densite.terms import DEN_TERMS, by_name

_SPELLED_DATE = re.compile(r"(\d{1,2})\s+([A-Za-z]{3,9})\.?\s+(\d{4})")
_COMMA = re.compile(r"(?<=\d),(?=\d)")
_COPIED = tuple(
    term.name for term in DEN_TERMS
    if term.name not in {"den_id", "den_label", "aspect", "aspect_reference", "slope_deg", "slope_pct",
                         "uncertainty_m", "first_found"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ReadRow:
    """A row with what came of it: den and visit are None where an error stands in the way."""

    raw: RawRow
    den: DenSite | None
    visit: Visit | None
    problems: tuple[Problem, ...]

    @property
    def confirmed(self) -> bool:
        """Whether a person has confirmed the row's doubts."""
        return _yes(self.raw.values)


def _yes(values: Mapping[str, str]) -> bool:
    return values.get("confirmed", "").casefold() in {"yes", "y", "true", "1"}


class _Findings(list[Problem]):
    """Problems of one row, gathered on the way."""

    def error(self, message: str, field: str, value: str = "", hint: str = "") -> None:
        self.append(Problem(Level.ERROR, message, field, value, hint=hint))

    def note(self, message: str, field: str, value: str = "", hint: str = "") -> None:
        self.append(Problem(Level.NOTE, message, field, value, hint=hint))


def read_row(raw: RawRow, settings: Settings, *, now: dt.datetime) -> ReadRow:
    """Turn a raw row into a den site and a visit.

    Parameters
    ----------
    raw : RawRow
        From a crew file.
    settings : Settings
        Names the study, its time zone, and the datum or north that its files leave unsaid.
    now : datetime
        When the row is taken in, UTC.

    Returns
    -------
    ReadRow
        With all problems of the row, each placed in its file.
    """
    found = _Findings(raw.problems)
    values = _points_for_commas(raw.values, settings)
    day = _day(values, settings, found)
    fields = _place(values, settings, found)
    fields |= _bearing(values, fields, day, settings, found)
    fields |= _slope(values, found)
    key = key_of(raw)
    den = _den(values, fields, raw, key, settings, now, found)
    visit = _visit(values, den, day, raw, key, settings, now, found)
    if den is not None:
        found.extend(doubts(den))
    placed = tuple(p if p.file and p.line else p.at(raw.file, 0 if p.file else raw.line) for p in found)
    return ReadRow(raw, den, visit, placed)


def key_of(raw: RawRow) -> str:
    """Return the key of a raw row; where it came from before it was mended does not count.

    Parameters
    ----------
    raw : RawRow
        From a crew file.

    Returns
    -------
    str
        From :func:`densite.records.row_key`.
    """
    return row_key({name: value for name, value in raw.values.items() if name not in PROVENANCE})


def _points_for_commas(values: Mapping[str, str], settings: Settings) -> dict[str, str]:
    """Write decimal commas as points where the study says that its files use commas."""
    if settings.intake.decimal != ",":
        return dict(values)
    numeric = {t.name for t in by_name().values() if t.kind == "number"} | {"latitude", "longitude"}
    return {k: _COMMA.sub(".", v) if k in numeric else v for k, v in values.items()}


def _day(values: Mapping[str, str], settings: Settings, found: _Findings) -> dt.date | None:
    text = values.get("date", "")
    if not text:
        found.error("date is empty; write the day of the visit as 2026-02-24", "date")
        return None
    try:
        day = parse_day(text, ZoneInfo(settings.study.time_zone))
    except ValueError as error:
        found.error(f"date '{text}' {error}", "date", text)
        return None
    if text.endswith("Z"):
        said = f"{text} is {day.isoformat()} in {settings.study.time_zone}"
        found.note("time in UTC made a day in the study's zone", "date", text, said)
    return day


def parse_day(text: str, zone: ZoneInfo) -> dt.date:
    """Read a day, year first, or with the month in letters.

    Parameters
    ----------
    text : str
        ``2026-02-24``, ``2026-02-24T18:30:00Z``, ``24 Feb 2026``.
    zone : ZoneInfo
        The study's time zone, in which a time with an offset is read.

    Returns
    -------
    date

    Raises
    ------
    ValueError
        No such day, or an order of day and month that cannot be told; the message says which.
    """
    spelled = _SPELLED_DATE.fullmatch(text.strip())
    try:
        if spelled:
            return dt.datetime.strptime(f"{spelled[1]} {spelled[2][:3].title()} {spelled[3]}", "%d %b %Y").date()
        moment = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        if re.fullmatch(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}", text.strip()):
            raise ValueError("can be read two ways; write the year first: 2026-02-24") from None
        raise ValueError("is no day of the calendar; write 2026-02-24") from None
    return (moment.astimezone(zone) if moment.tzinfo else moment).date()


def _place(values: Mapping[str, str], settings: Settings, found: _Findings) -> dict[str, Any]:
    datum = values.get("datum") or settings.intake.datum or ""
    try:
        place = _located(values, datum)
    except PlaceError as error:
        message = str(error)
        found.error(message, message.split()[0])
        return {}
    given = _own_uncertainty(values, found)
    if place.note:
        found.note(place.note, "datum", datum)
    error_m = place.error_m if place.error_m >= 1 else 0.0
    return {
        "longitude": place.longitude, "latitude": place.latitude, "position_note": place.note or None,
        "uncertainty_m": None if given is None else round(math.hypot(given, error_m), 1),
    }  # fmt: skip


def _located(values: Mapping[str, str], datum: str) -> places.Place:
    """Choose the reading that the filled-in columns ask for."""
    if values.get("coordinates"):
        latitude, longitude = places.split_pair(values["coordinates"])
        return places.from_geographic(latitude, longitude, datum=datum)
    if values.get("latitude") or values.get("longitude"):
        _both(values, "latitude", "longitude")
        return places.from_geographic(values["latitude"], values["longitude"], datum=datum)
    if values.get("mgrs"):
        return places.from_mgrs(values["mgrs"], datum=datum)
    if values.get("easting") or values.get("northing"):
        _both(values, "easting", "northing")
        easting, northing = _metres(values, "easting"), _metres(values, "northing")
        return places.from_utm(easting, northing, values.get("utm_zone", ""), datum=datum)
    if values.get("x") or values.get("y"):
        _both(values, "x", "y")
        return places.from_xy(_metres(values, "x"), _metres(values, "y"), values.get("epsg", ""))
    raise PlaceError("coordinates are empty; give latitude and longitude, easting/northing/utm_zone, mgrs or x/y/epsg")


def _both(values: Mapping[str, str], first: str, second: str) -> None:
    for name in (first, second):
        if not values.get(name):
            raise PlaceError(f"{name} is empty; a place needs {first} and {second}")


def _metres(values: Mapping[str, str], name: str) -> float:
    try:
        number = read_number(values[name])
    except ValueError as error:
        raise PlaceError(f"{name} '{values[name]}' {error}") from None
    if number is None:
        raise PlaceError(f"{name} is empty")
    return float(number)


def _own_uncertainty(values: Mapping[str, str], found: _Findings) -> float | None:
    text = values.get("uncertainty_m", "")
    try:
        number = read_number(text)
    except ValueError as error:
        found.error(f"uncertainty_m '{text}' {error}", "uncertainty_m", text)
        return None
    if number is not None and number <= 0:
        found.error(f"uncertainty_m '{text}'; must be over 0 m: no point is exact", "uncertainty_m", text)
        return None
    return None if number is None else float(number)


def _bearing(
    values: Mapping[str, str],
    place: Mapping[str, Any],
    day: dt.date | None,
    settings: Settings,
    found: _Findings,
) -> dict[str, Any]:
    """Read the entrance aspect and turn a magnetic bearing into a true one."""
    text = values.get("aspect", "")
    said = values.get("aspect_reference", "").casefold() or settings.intake.aspect_reference
    if not text:
        return {}
    if said not in (None, "true", "magnetic"):
        found.error(f"aspect_reference '{said}'; allowed: true, magnetic", "aspect_reference", str(said))
        return {}
    if text.casefold() in {"flat", "none", "n/a"}:
        return {"aspect_read": text, "aspect_reference": said}
    try:
        bearing, error = places.parse_bearing(text)
    except PlaceError as problem:
        found.error(str(problem).replace("bearing", "aspect", 1), "aspect", text)
        return {}
    fields: dict[str, Any] = {"aspect_read": text, "aspect_reference": said, "aspect_error_deg": error}
    if said == "true":
        return fields | {"aspect_deg": bearing}
    if said is None or day is None or "longitude" not in place:
        return fields
    return fields | _from_magnetic(bearing, place, day, found)


def _from_magnetic(bearing: float, place: Mapping[str, Any], day: dt.date, found: _Findings) -> dict[str, Any]:
    try:
        turn = places.declination(place["longitude"], place["latitude"], day)
    except PlaceError as problem:
        found.error(str(problem), "aspect")
        return {}
    true = (bearing + turn.degrees) % 360
    said = f"{bearing:g} is {true:.0f} true, {turn.degrees:+.1f} deg by {turn.model}"
    found.note("magnetic bearing made true", "aspect", f"{bearing:g}", said)
    return {
        "aspect_deg": round(true, 2) % 360,
        "declination_deg": round(turn.degrees, 3), "declination_model": turn.model,
    }  # fmt: skip


def _slope(values: Mapping[str, str], found: _Findings) -> dict[str, Any]:
    degrees, percent = values.get("slope_deg", ""), values.get("slope_pct", "")
    if degrees and percent:
        found.error("slope_deg and slope_pct are both filled in: keep the one that was measured", "slope_pct", percent)
        return {}
    if not percent:
        return {"slope_deg": degrees, "slope_read": f"{degrees} deg" if degrees else None}
    try:
        number = read_number(percent)
    except ValueError as error:
        found.error(f"slope_pct '{percent}' {error}", "slope_pct", percent)
        return {}
    if number is None or number < 0:
        found.error(f"slope_pct '{percent}'; allowed: {by_name()['slope_pct'].allowed()}", "slope_pct", percent)
        return {}
    return {"slope_deg": round(math.degrees(math.atan(number / 100)), 2), "slope_read": f"{number:g} %"}


def _den(
    values: Mapping[str, str], fields: Mapping[str, Any], raw: RawRow, key: str, settings: Settings,
    now: dt.datetime, found: _Findings,
) -> DenSite | None:  # fmt: skip
    label = values.get("den_label", "")
    record: dict[str, Any] = {name: values[name] for name in _COPIED if name in values}
    record |= {k: v for k, v in fields.items() if v is not None and v != ""}
    record |= {
        "den_id": values.get("den_id") or den_uuid(settings.study.id, label or key),
        "label": label or f"unnamed-{key[:8]}",
        "den_type": values.get("den_type", ""),
        "first_found": _found_on(values, settings, found),
        "recorded_at": now,
    } | _source(raw)
    no_place = "longitude" not in record
    if no_place:
        record |= {"longitude": 0.0, "latitude": 0.0}  # so that the other fields are checked all the same
    try:
        den = DenSite.model_validate(record)
    except ValidationError as error:
        found.extend(problems_of(error))
        return None
    return None if no_place or any(p.level is Level.ERROR for p in found) else den


def _found_on(values: Mapping[str, str], settings: Settings, found: _Findings) -> dt.date | None:
    return _optional_day(values, "first_found", settings, found)


def _optional_day(values: Mapping[str, str], name: str, settings: Settings, found: _Findings) -> dt.date | None:
    text = values.get(name, "")
    if not text:
        return None
    try:
        return parse_day(text, ZoneInfo(settings.study.time_zone))
    except ValueError as error:
        found.error(f"{name} '{text}' {error}", name, text)
        return None


def _source(raw: RawRow) -> dict[str, Any]:
    """Name the file and line a row first came from, also after a rejected row was mended."""
    line = raw.values.get("source_line", "")
    if raw.values.get("source_file") and line.isdigit():
        return {"source_file": raw.values["source_file"], "source_line": int(line)}
    return {"source_file": raw.file, "source_line": raw.line}


def _visit(
    values: Mapping[str, str], den: DenSite | None, day: dt.date | None, raw: RawRow, key: str,
    settings: Settings, now: dt.datetime, found: _Findings,
) -> Visit | None:  # fmt: skip
    entered = _optional_day(values, "entered_at", settings, found)
    if day is not None and day > now.date() + dt.timedelta(days=1):
        found.error(f"date {day.isoformat()} lies in the future", "date", day.isoformat())
    if den is None or day is None or any(p.level is Level.ERROR for p in found):
        return None
    text: dict[str, Any] = {name: values.get(name) for name in ("crew", "observer", "female", "purpose")}
    return Visit(
        visit_id=visit_uuid(settings.study.id, key), den_id=den.den_id, observed_on=day, entered_at=entered,
        recorded_at=now, confirmed=_yes(values),
        row_key=key, as_recorded=json.dumps(raw.raw, ensure_ascii=False), **_source(raw), **text,
    )  # fmt: skip
