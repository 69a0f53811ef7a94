"""When a photograph was taken: by its GPS, by its clock with a known zone, or asked for; never guessed."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from densite.intake.clock import read_moment
from densite.intake.exif import Camera, Exif, Gps, number_of, text_of
from densite.settings import fixed_offset

CLOCKS_APART = dt.timedelta(minutes=1)  # of a camera's clock and GPS, told from here on; our choice, no source
_QUARTER = 900  # zones lie whole quarters of an hour apart [s]
_LARGEST_OFFSET = 14 * 3600  # of a zone in use [s]


@dataclass(frozen=True, slots=True)
class When:
    """The moment of a photograph, aware, or None; how it was found; and what is odd about its clocks."""

    at: dt.datetime | None
    said: str
    doubts: tuple[str, ...] = ()

    @property
    def written(self) -> str:
        """The moment for a column of days: ISO 8601 with Z or its offset; blank where it must be asked for."""
        return "" if self.at is None else self.at.isoformat(timespec="seconds").replace("+00:00", "Z")


def when(exif: Exif, zone: str | None) -> When:
    """Find out when a photograph was taken.

    GPS date and time are UTC and go first. Then the camera's clock with the offset that stands beside it, then in
    the zone that the study says its cameras run in. Without any of them the moment is left open.

    Parameters
    ----------
    exif : Exif
        Of the picture.
    zone : str or None
        ``[intake] camera_time_zone`` of study.toml.

    Returns
    -------
    When

    Notes
    -----
    Source: CIPA DC-008-2024 (Exif 3.0): GPSDateStamp and GPSTimeStamp (UTC), DateTimeOriginal, OffsetTimeOriginal.
    """
    by_gps = _gps_moment(exif)
    naive = _clock(text_of(exif.camera.get(Camera.DateTimeOriginal)))
    by_camera, how, doubts = _camera_moment(exif, naive, zone)
    if by_gps is not None:
        return When(by_gps, f"taken {_plain(by_gps)} UTC by its GPS", (*_apart(by_gps, by_camera, naive), *doubts))
    if by_camera is not None:
        return When(by_camera, f"taken {_plain(by_camera)} UTC{by_camera:%z} by the camera's clock, {how}", doubts)
    if naive is None:
        return When(None, "no time in its EXIF: write the date of the visit", doubts)
    asked = "which zone? Set camera_time_zone under [intake] in study.toml, or write the date"
    return When(None, f"the camera's clock showed {_plain(naive)} of a zone not told: {asked}", doubts)


def _plain(moment: dt.datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M:%S}"


def _gps_moment(exif: Exif) -> dt.datetime | None:
    day = re.fullmatch(r"(\d{4})[:/-](\d{2})[:/-](\d{2})", text_of(exif.gps.get(Gps.GPSDateStamp)))
    clock = exif.gps.get(Gps.GPSTimeStamp)
    numbers = [number_of(part) for part in clock] if isinstance(clock, tuple) and len(clock) == 3 else [None]
    if day is None or None in numbers:
        return None
    hours, minutes, seconds = (int(number or 0) for number in numbers)
    try:
        date = dt.date(*map(int, day.groups()))
        return dt.datetime.combine(date, dt.time(hours, minutes, seconds), dt.UTC)
    except (ValueError, OverflowError):
        return None


def _clock(text: str) -> dt.datetime | None:
    """Read the clock of a camera: 2026:02:24 11:30:02; blanks and noughts stand for a clock that was never set."""
    match = re.fullmatch(r"(\d{4})[:/-](\d{2})[:/-](\d{2})[ T](\d{2}):(\d{2}):(\d{2})(\.\d+)?", text)
    try:
        return dt.datetime(*map(int, match.groups()[:6])) if match else None  # type: ignore[arg-type]
    except ValueError:
        return None


def _camera_moment(
    exif: Exif, naive: dt.datetime | None, zone: str | None
) -> tuple[dt.datetime | None, str, tuple[str, ...]]:
    """Put the camera's clock into its zone; a change of clocks may have skipped an hour or shown it twice."""
    offset = fixed_offset(text_of(exif.camera.get(Camera.OffsetTimeOriginal)))
    if naive is None or (offset is None and not zone):
        return None, "", ()
    if offset is not None:
        return naive.replace(tzinfo=offset), "with the offset that stands beside it", ()
    how = f"in the zone {zone} that study.toml says"
    told = fixed_offset(zone or "")
    if told is not None:
        return naive.replace(tzinfo=told), how, ()
    try:
        moment = read_moment(f"{naive:%H:%M:%S}", naive.date(), ZoneInfo(zone or "UTC"))
    except ValueError as error:
        return None, "", (f"the camera's clock showed {_plain(naive)}, which {error}",)
    return moment.at, how, (moment.doubt,) if moment.doubt else ()


def _apart(gps: dt.datetime, camera: dt.datetime | None, naive: dt.datetime | None) -> tuple[str, ...]:
    """Say when the camera's clock and GPS time differ: a clock that is off, or a position older than the picture."""
    if camera is not None and abs(camera - gps) > CLOCKS_APART:
        ahead = "ahead of" if camera > gps else "behind"
        span = said_span(abs(camera - gps))
        why = "an older position, or a clock that is off" if camera > gps else "a clock that is off"
        return (f"the camera's clock is {span} {ahead} GPS time: {why}",)
    if camera is not None or naive is None:
        return ()
    apart = (naive.replace(tzinfo=dt.UTC) - gps).total_seconds()
    quarters = round(apart / _QUARTER) * _QUARTER
    like = ""
    if abs(apart - quarters) <= CLOCKS_APART.total_seconds() and abs(quarters) <= _LARGEST_OFFSET:
        like = f", as a clock at UTC{dt.timezone(dt.timedelta(seconds=quarters)).tzname(None)[3:] or '+00:00'} would"
    return (f"the camera's clock showed {_plain(naive)}{like}",)


def said_span(span: dt.timedelta) -> str:
    """Say a time span in words.

    Parameters
    ----------
    span : timedelta
        Not negative.

    Returns
    -------
    str
        ``17 min``, ``7 h 2 min``, ``3 days``.
    """
    minutes = round(span.total_seconds() / 60)
    if minutes >= 2880:
        return f"{minutes // 1440} days"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
