"""Dens that a row places by bearing and distance from where the crew stood."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass

from densite import magnetism, offsets, places
from densite.errors import PlaceError
from densite.records import read_number
from densite.settings import OffsetErrors, Settings
from densite.terms import OFFSET_TERMS, OFFSET_WAYS, by_name

NAMES = tuple(term.name for term in OFFSET_TERMS)
NORTHS = {"mag": "magnetic", "m": "magnetic", "magnetic north": "magnetic", "t": "true", "true north": "true"}


@dataclass(frozen=True, slots=True)
class Seen:
    """The den's place as seen from the crew's, and what was done, in words without coordinates."""

    at: offsets.Offset
    note: str


def is_offset(values: Mapping[str, str]) -> bool:
    """Tell whether a row says that its coordinates are those of the crew and not of the den.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names.

    Returns
    -------
    bool
    """
    return any(values.get(name) for name in NAMES)


def seen(
    values: Mapping[str, str], place: places.Place, uncertainty_m: float | None, day: dt.date | None, settings: Settings
) -> Seen:
    """Work out where the den lies that a crew saw from its own place.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names.
    place : Place
        Where the crew stood.
    uncertainty_m : float, optional
        Its uncertainty. [m]
    day : date, optional
        Day of the visit, by which a magnetic bearing is made true.
    settings : Settings
        The study's own errors of its instruments, and its north.

    Returns
    -------
    Seen

    Raises
    ------
    PlaceError
        Bearing, distance, north or an error is missing or cannot be read; the message begins with the column.
    """
    told = settings.intake.offset_errors
    if uncertainty_m is None:
        raise PlaceError("uncertainty_m is empty; write how far off the place may be where the crew stood")
    bearing, reading, true, turn = _true_bearing(values, place, day, settings)
    distance = _number(values, "offset_distance_m", "m")
    if distance is None:
        raise PlaceError("offset_distance_m is empty; write the distance from where the crew stood to the den")
    bearing_error = _bearing_error(values, told)
    turned = turn.uncertainty_deg if turn else 0.0
    at = offsets.seen_from(
        place.longitude, place.latitude, uncertainty_m=uncertainty_m,
        bearing_deg=true, bearing_error_deg=math.hypot(bearing_error, reading / math.sqrt(3), turned),
        distance_m=distance, distance_error_m=_distance_error(values, distance, told),
        tilt_deg=_tilt(values),
    )  # fmt: skip
    north = f"{bearing:g} magnetic, {true:.1f} true ({turn})" if turn else f"{bearing:g} true"
    note = (
        f"den seen from where the crew stood, {distance:g} m by {values['offset_by'].casefold()} at {north}; "
        f"error {uncertainty_m:.1f} m of that place, {at.along_m:.1f} m along, {at.across_m:.1f} m across"
    )
    return Seen(at, note)


def north_of(said: str, study: str | None, name: str) -> str:
    """Return the north that a bearing counts from.

    Parameters
    ----------
    said : str
        What the row says; blank where it does not.
    study : str, optional
        ``[intake] aspect_reference`` of study.toml.
    name : str
        The column, for messages.

    Returns
    -------
    str
        ``true`` or ``magnetic``.

    Raises
    ------
    PlaceError
        Neither says it, or the text is something else.
    """
    north = said.casefold() or study or ""
    north = NORTHS.get(north, north)
    if north not in ("true", "magnetic"):
        what = f"'{said}'; allowed: true, magnetic" if said else "is empty; write true or magnetic: never guessed"
        raise PlaceError(f"{name} {what}")
    return north


def _true_bearing(
    values: Mapping[str, str], place: places.Place, day: dt.date | None, settings: Settings
) -> tuple[float, float, float, magnetism.Declination | None]:
    """Return the bearing as read, half the width of the reading, the true bearing and the declination."""
    text = values.get("offset_bearing", "")
    if not text:
        raise PlaceError("offset_bearing is empty; write the bearing from where the crew stood to the den")
    try:
        bearing, reading = places.parse_bearing(text)
    except PlaceError as error:
        raise PlaceError(str(error).replace("bearing", "offset_bearing", 1)) from None
    if north_of(values.get("offset_reference", ""), settings.intake.aspect_reference, "offset_reference") == "true":
        return bearing, reading, bearing, None
    if day is None:
        raise PlaceError("offset_bearing is magnetic: a date is needed to make it true")
    turn = magnetism.declination(place.longitude, place.latitude, day)
    return bearing, reading, (bearing + turn.degrees) % 360, turn


def _bearing_error(values: Mapping[str, str], told: OffsetErrors) -> float:
    given = _number(values, "offset_bearing_error_deg", "deg")
    error = told.bearing_deg if given is None else given
    if error is None:
        raise PlaceError(
            "offset_bearing_error_deg is empty; write how far off your bearings are in trials, or set bearing_deg "
            "under [intake.offset_errors] in study.toml: never guessed"
        )
    return error


def _distance_error(values: Mapping[str, str], distance: float, told: OffsetErrors) -> float:
    """Return the standard error of the distance: the row's own, else the study's for that way. [m]"""
    way = values.get("offset_by", "").casefold()
    if way not in OFFSET_WAYS:
        raise PlaceError(f"offset_by '{values.get('offset_by', '')}'; allowed: {', '.join(OFFSET_WAYS)}")
    text = values.get("offset_distance_error_m", "")
    if text.endswith("%"):
        return distance * (_number(values, "offset_distance_error_m", "%") or 0.0) / 100
    given = _number(values, "offset_distance_error_m", "m")
    if given is not None:
        return given
    known = {"laser": told.laser_m, "tape": told.tape_m,
             "estimate": None if told.estimate_pct is None else distance * told.estimate_pct / 100}  # fmt: skip
    error = known[way]
    if error is None:
        raise PlaceError(
            "offset_distance_error_m is empty; write how far off such distances are in trials (0.5, or 20 %), or set "
            "it under [intake.offset_errors] in study.toml: never guessed"
        )
    return error


def _tilt(values: Mapping[str, str]) -> float:
    tilt = _number(values, "offset_tilt_deg", "deg") or 0.0
    if abs(tilt) >= 90:
        raise PlaceError(f"offset_tilt_deg '{values['offset_tilt_deg']}' is straight up or down: there is no bearing")
    return tilt


def _number(values: Mapping[str, str], name: str, unit: str) -> float | None:
    try:
        number = read_number(values.get(name, ""), unit=unit)
    except ValueError as error:
        raise PlaceError(f"{name} '{values[name]}' {error}") from None
    if number is None:
        return None
    term = by_name()[name]
    low, high = term.floor, term.ceiling
    if (low is not None and number < low) or (high is not None and number > high):
        raise PlaceError(f"{name} '{values[name]}'; allowed: {term.allowed()}")
    return float(number)
