"""Raw rows turned into den sites and visits: place, bearing, slope and date are worked out here."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from densite import magnetism, places
from densite.errors import Level, PlaceError, Problem
from densite.intake import standpoint
from densite.intake.location import located
from densite.intake.rawrow import LISTED, OF_ENTRY, PROVENANCE, RawRow, entry_of
from densite.records import DenSite, Visit, as_json, den_uuid, doubts, problems_of, read_number, row_key, visit_uuid
from densite.settings import DateOrder, Settings
from densite.terms import DEN_TERMS, SIGHTINGS, by_name

_DAY_MONTH = re.compile(r"(?P<day>\d{1,2})[\s-]+(?P<month>[A-Za-z]{3,9})\.?[\s-]+(?P<year>\d{4})")
_MONTH_DAY = re.compile(r"(?P<month>[A-Za-z]{3,9})\.?\s+(?P<day>\d{1,2}),?\s+(?P<year>\d{4})")
MONTHS = {
    name: i
    for i, name in enumerate(
        ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"], start=1
    )
}
EARLIEST = 1900
# All runs have an end: a long cell of signs that are no letters would take minutes.
_TOWARD = re.compile(r"\W{0,9}\b(toward|towards|to)\s{1,9}(the\s{1,9})?(den\s{1,9})?mouth\W{0,9}$", re.IGNORECASE)
COMMA = re.compile(r"(?<=\d),(?=\d)")
_COPIED = tuple(
    term.name for term in DEN_TERMS
    if term.name not in {"den_id", "den_label", "aspect", "aspect_reference", "aspect_sighted", "slope_deg",
                         "slope_pct", "uncertainty_m", "first_found"}
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
        return is_confirmed(self.raw.values)


def is_confirmed(values: Mapping[str, str]) -> bool:
    """Tell whether a person has confirmed a row's doubts.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names.

    Returns
    -------
    bool
    """
    return values.get("confirmed", "").casefold() in {"yes", "y", "true", "1"}


class _Findings(list[Problem]):
    """Problems of one row, gathered on the way."""

    def error(self, message: str, field: str, value: str = "", hint: str = "") -> None:
        self.append(Problem(Level.ERROR, message, field, value, hint=hint))

    def note(self, message: str, field: str, value: str = "", hint: str = "") -> None:
        self.append(Problem(Level.NOTE, message, field, value, hint=hint))


def read_row(raw: RawRow, settings: Settings, *, now: dt.datetime, key: str = "") -> ReadRow:
    """Turn a raw row into a den site and a visit.

    Parameters
    ----------
    raw : RawRow
        From a crew file.
    settings : Settings
        Names the study, its time zone, and the datum or north that its files leave unsaid.
    now : datetime
        When the row is taken in, UTC.
    key : str
        The row's key, where it is known already.

    Returns
    -------
    ReadRow
        With all problems of the row, each placed in its file.
    """
    found = _Findings(raw.problems)
    values = _points_for_commas(raw.values, settings)
    day = _day(values, settings, found)
    fields = _place(values, day, settings, found)
    fields |= _bearing(values, fields, day, settings, found)
    fields |= _slope(values, found)
    key = key or key_of(raw)
    den = _den(values, fields, raw, key, settings, now, found)
    visit = _visit(values, den, day, raw, key, settings, now, found)
    if den is not None:
        found.extend(doubts(den))
    placed = tuple(p if p.file and p.line else p.at(raw.file, 0 if p.file else raw.line) for p in found)
    return ReadRow(raw, den, visit, placed)


def key_of(raw: RawRow) -> str:
    """Return the key of a raw row: its entry's id, else made from its values; where it came from does not count.

    Parameters
    ----------
    raw : RawRow
        From a crew file.

    Returns
    -------
    str
        From :func:`densite.records.row_key`.
    """
    without = (*PROVENANCE, *LISTED, *OF_ENTRY)
    return entry_of(raw.values) or row_key({k: value for k, value in raw.values.items() if k not in without})


def _points_for_commas(values: Mapping[str, str], settings: Settings) -> dict[str, str]:
    """Write decimal commas as points where the study says that its files use commas."""
    if settings.intake.decimal != ",":
        return dict(values)
    numeric = {t.name for t in by_name().values() if t.kind == "number"} | {"latitude", "longitude", "coordinates"}
    return {k: COMMA.sub(".", v) if k in numeric else v for k, v in values.items()}


def _day(values: Mapping[str, str], settings: Settings, found: _Findings) -> dt.date | None:
    text = values.get("date", "")
    if not text:
        found.error("date is empty; write the day of the visit as 2026-02-24", "date")
        return None
    try:
        day = parse_day(text, ZoneInfo(settings.study.time_zone), settings.intake.date_order)
    except ValueError as error:
        found.error(f"date '{text}' {error}", "date", text)
        return None
    if text.endswith("Z"):
        said = f"{text} is {day.isoformat()} in {settings.study.time_zone}"
        found.note("time in UTC made a day in the study's zone", "date", text, said)
    return day


def parse_day(text: str, zone: ZoneInfo, order: DateOrder | None = None) -> dt.date:
    """Read a day: year first, with the month in letters, or in figures where only one reading is a day.

    Parameters
    ----------
    text : str
        ``2026-02-24``, ``2026-02-24T18:30:00Z``, ``24 Feb 2026``, ``Feb 24, 2026``, ``24/02/2026``.
    zone : ZoneInfo
        The study's time zone, in which a time with an offset is read.
    order : {'day first', 'month first'}, optional
        How the study's files write days in figures.

    Returns
    -------
    date

    Raises
    ------
    ValueError
        No such day, or an order of day and month that cannot be told; the message says which.
    """
    folded = text.strip()
    day = _with_letters(folded) or _in_figures(folded, order) or _year_first(folded, zone)
    if day.year < EARLIEST:
        raise ValueError(f"lies before {EARLIEST}: a slip in the year?")
    return day


def _with_letters(text: str) -> dt.date | None:
    """Read 24 Feb 2026, 24-Feb-2026 or Feb 24, 2026; None where the text is of another kind."""
    match = _DAY_MONTH.fullmatch(text) or _MONTH_DAY.fullmatch(text)
    if match is None:
        return None
    month = MONTHS.get(match["month"][:3].casefold())
    if month is None:
        raise ValueError(f"has no month '{match['month']}'; write 2026-02-24")
    return _calendar_day(int(match["year"]), month, int(match["day"]))


def _in_figures(text: str, order: DateOrder | None) -> dt.date | None:
    """Read 24/02/2026; a text that two orders can read needs the study's own order."""
    match = re.fullmatch(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4})", text)
    if match is None:
        return None
    first, second, year = (int(part) for part in match.groups())
    days = {"day first": (second, first), "month first": (first, second)}
    if order is not None:
        return _calendar_day(year, *days[order])
    possible = {(month, day) for month, day in days.values() if 1 <= month <= 12}
    if len(possible) > 1:
        raise ValueError("can be read two ways; write 2026-02-24, or set intake.date_order in study.toml")
    return _calendar_day(year, *possible.pop()) if possible else _calendar_day(year, 13, 1)


def _year_first(text: str, zone: ZoneInfo) -> dt.date:
    match = re.fullmatch(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", text)
    if match:
        return _calendar_day(*(int(part) for part in match.groups()))
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("is not understood; write the day as 2026-02-24") from None
    try:
        return (moment.astimezone(zone) if moment.tzinfo else moment).date()
    except OverflowError:
        raise ValueError("is no day of the calendar; write 2026-02-24") from None


def _calendar_day(year: int, month: int, day: int) -> dt.date:
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise ValueError("is no day of the calendar; write 2026-02-24") from None


def _place(values: Mapping[str, str], day: dt.date | None, settings: Settings, found: _Findings) -> dict[str, Any]:
    datum = values.get("datum") or settings.intake.datum or ""
    try:
        place = located(values, datum)
    except PlaceError as error:
        message = str(error)
        field = message.split()[0]
        found.error(message, field if field in by_name() else "coordinates")
        return {}
    given = _own_uncertainty(values, found)
    _one_place(values, place, datum, found)
    if place.note:
        found.note(place.note, "datum", datum)
    uncertainty = _uncertainty(given, place, settings, found)
    if standpoint.is_offset(values):
        return _seen(values, place, uncertainty, day, settings, found)
    return {
        "longitude": place.longitude, "latitude": place.latitude, "position_note": place.note or None,
        "uncertainty_m": uncertainty,
    }  # fmt: skip


def _seen(
    values: Mapping[str, str], place: places.Place, uncertainty: float | None, day: dt.date | None,
    settings: Settings, found: _Findings,
) -> dict[str, Any]:  # fmt: skip
    """Place a den that was seen from where the crew stood."""
    try:
        den = standpoint.seen(values, place, uncertainty, day, settings)
    except PlaceError as error:
        field = str(error).split()[0]
        found.error(str(error), field if field in by_name() else "offset_bearing")
        return {}
    found.note("the den lies where the crew saw it, not where it stood", "offset_bearing", hint=den.note)
    return {
        "longitude": den.at.longitude,
        "latitude": den.at.latitude,
        "uncertainty_m": round(den.at.uncertainty_m, 1),
        "position_note": "; ".join(filter(None, (place.note, den.note))),
    }


def _uncertainty(given: float | None, place: places.Place, settings: Settings, found: _Findings) -> float | None:
    """Join the crew's uncertainty with that of a datum change; doubt it where the place is written coarser. [m]"""
    assumed = settings.intake.assumed_uncertainty_m
    if given is not None:
        if place.reading_m > max(10 * given, 100):
            said = f"the place is written to {place.reading_m:.0f} m, uncertainty_m says {given:g} m: rounded?"
            found.append(Problem(Level.WARNING, said, "uncertainty_m", f"{given:g}"))
        return round(math.hypot(given, place.error_m), 1)
    least = math.hypot(place.error_m, place.reading_m)
    if least <= assumed:
        return None
    said = "no uncertainty given: what the written digits and the datum leave open is taken"
    found.note(said, "uncertainty_m", hint=f"{least:.0f} m")
    return round(least, 1)


def _one_place(values: Mapping[str, str], place: places.Place, datum: str, found: _Findings) -> None:
    """Ask when a row gives its place in two ways that lie apart."""
    for ways in (("mgrs",), ("easting", "northing", "utm_zone"), ("x", "y", "epsg")):
        given = {name: values[name] for name in ways if name in values}
        if len(given) < len(ways):
            continue
        try:
            other = located(given, datum)
        except PlaceError as error:
            found.error(str(error), ways[0])
            continue
        apart = places.distance_m(place.longitude, place.latitude, other.longitude, other.latitude)
        if apart > 10 + sum(p.error_m + p.reading_m for p in (place, other)):
            said = f"{' and '.join(ways)} lie {places.said_distance(apart)} from the place in the other columns"
            found.append(Problem(Level.CONFIRM, said, ways[0], hint="which of the two is right? Empty the other"))


def _own_uncertainty(values: Mapping[str, str], found: _Findings) -> float | None:
    text = values.get("uncertainty_m", "")
    try:
        number = read_number(text, unit="m")
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
    said = standpoint.NORTHS.get(said or "", said)
    if not text:
        return {}
    if said not in (None, "true", "magnetic"):
        found.error(f"aspect_reference '{said}'; allowed: true, magnetic", "aspect_reference", str(said))
        return {}
    if text.casefold() in {"flat", "none", "n/a"}:
        return {"aspect_read": text, "aspect_reference": said}
    try:
        bearing, error, text = _outward(text, values.get("aspect_sighted", ""), found)
    except PlaceError as problem:
        message = str(problem).replace("bearing", "aspect", 1)
        found.error(message, "aspect_sighted" if message.startswith("aspect_sighted") else "aspect", text)
        return {}
    fields: dict[str, Any] = {"aspect_read": text, "aspect_reference": said, "aspect_error_deg": error}
    if said == "true":
        return fields | {"aspect_deg": bearing}
    if said is None or day is None or "longitude" not in place:
        return fields
    return fields | _from_magnetic(bearing, error, place, day, found)


def _outward(text: str, sighted: str, found: _Findings) -> tuple[float, float, str]:
    """Return the bearing out of the mouth, half the width of the reading, and the reading so that it says which way."""
    toward, bare = _looked_toward(text, sighted), _TOWARD.sub("", text)
    bearing, error = places.parse_bearing(bare)
    if not toward:
        return bearing, error, text
    turned = places.back_bearing(bearing)
    found.note("sighted toward the mouth: turned round", "aspect", text, f"{bearing:g} faces {turned:g}")
    return turned, error, f"{bare} {SIGHTINGS[1]}"


def _looked_toward(text: str, sighted: str) -> bool:
    """Tell whether the observer looked toward the mouth, by its own column or by words after the bearing."""
    way = " ".join(sighted.casefold().split())
    written = bool(_TOWARD.search(text))
    if way not in ("", *SIGHTINGS):
        raise PlaceError(f"aspect_sighted '{sighted}'; allowed: {', '.join(SIGHTINGS)}")
    if written and way == SIGHTINGS[0]:
        raise PlaceError(f"aspect_sighted '{sighted}' contradicts the aspect '{text}': which of the two is right?")
    return written or way == SIGHTINGS[1]


def _from_magnetic(
    bearing: float, error: float, place: Mapping[str, Any], day: dt.date, found: _Findings
) -> dict[str, Any]:
    try:
        turn = magnetism.declination(place["longitude"], place["latitude"], day)
    except PlaceError as problem:
        found.error(str(problem), "aspect")
        return {}
    true = (bearing + turn.degrees) % 360
    said = f"{bearing:g} is {true:.0f} true, {turn}"
    found.note("magnetic bearing made true", "aspect", f"{bearing:g}", said)
    return {
        "aspect_deg": round(true, 2) % 360,
        "aspect_error_deg": round(math.hypot(error, turn.uncertainty_deg), 2),
        "declination_deg": round(turn.degrees, 3), "declination_model": turn.model,
    }  # fmt: skip


def _slope(values: Mapping[str, str], found: _Findings) -> dict[str, Any]:
    degrees, percent = values.get("slope_deg", ""), values.get("slope_pct", "")
    if degrees.endswith("%") and not percent:
        degrees, percent = "", degrees
    if degrees and percent:
        found.error("slope_deg and slope_pct are both filled in: keep the one that was measured", "slope_pct", percent)
        return {}
    if not percent:
        return {"slope_deg": degrees, "slope_read": degrees or None}
    try:
        number = read_number(percent, unit="%")
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
        "label": label or f"unnamed-{key}",
        "den_type": values.get("den_type", ""),
        "first_found": _optional_day(values, "first_found", settings, found),
        "recorded_at": now,
    } | source_of(raw)
    no_place = "longitude" not in record
    if no_place:
        record |= {"longitude": 0.0, "latitude": 0.0}  # so that the other fields are checked all the same
    try:
        den = DenSite.model_validate(record)
    except ValidationError as error:
        found.extend(problems_of(error))
        return None
    return None if no_place or any(p.level is Level.ERROR for p in found) else den


def _optional_day(values: Mapping[str, str], name: str, settings: Settings, found: _Findings) -> dt.date | None:
    text = values.get(name, "")
    if not text:
        return None
    try:
        return parse_day(text, ZoneInfo(settings.study.time_zone), settings.intake.date_order)
    except ValueError as error:
        found.error(f"{name} '{text}' {error}", name, text)
        return None


def source_of(raw: RawRow) -> dict[str, Any]:
    """Name the file and line a row first came from, also after a rejected row was mended.

    Parameters
    ----------
    raw : RawRow
        From a crew file.

    Returns
    -------
    dict
        ``source_file`` and ``source_line``.
    """
    line = raw.values.get("source_line", "")
    if raw.values.get("source_file") and line.isdigit():
        return {"source_file": raw.values["source_file"], "source_line": int(line)}
    return {"source_file": raw.file, "source_line": raw.line}


def _settled(values: Mapping[str, str], den: DenSite) -> str | None:
    """Name the fields whose doubts the crew has confirmed with this row."""
    fields = dict.fromkeys([*(p.field for p in doubts(den)), "position"]) if is_confirmed(values) else {}
    return ",".join(fields) or None


def _in_order(first_found: dt.date | None, day: dt.date, entered: dt.date | None, found: _Findings) -> None:
    """Doubt dates that stand in an order in which things do not happen."""
    if first_found is not None and first_found > day:
        said = f"first_found {first_found} is after the visit of {day}"
        found.append(Problem(Level.WARNING, said, "first_found", str(first_found)))
    if entered is not None and entered < day:
        found.append(Problem(Level.WARNING, f"entered_at {entered} is before the visit of {day}", "entered_at"))


def _visit(
    values: Mapping[str, str], den: DenSite | None, day: dt.date | None, raw: RawRow, key: str,
    settings: Settings, now: dt.datetime, found: _Findings,
) -> Visit | None:  # fmt: skip
    entered = _optional_day(values, "entered_at", settings, found)
    if day is not None and day > now.date() + dt.timedelta(days=1):
        found.error(f"date {day.isoformat()} lies in the future", "date", day.isoformat())
    if den is None or day is None or any(p.level is Level.ERROR for p in found):
        return None
    _in_order(den.first_found, day, entered, found)
    text: dict[str, Any] = {name: values.get(name) for name in ("crew", "observer", "female", "purpose")}
    try:
        return Visit(
            visit_id=visit_uuid(settings.study.id, key), den_id=den.den_id, observed_on=day, entered_at=entered,
            recorded_at=now, confirmed=is_confirmed(values), settled=_settled(values, den),
            row_key=key, as_recorded=as_json(raw.raw), **source_of(raw), **text,
        )  # fmt: skip
    except ValidationError as error:
        found.extend(problems_of(error))
        return None
