"""Clock times as crews write them, made moments of UTC and of the study's own clock."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo

_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})(?:[:.h](?P<minute>\d{2})(?::(?P<second>\d{2}))?)\s*(?P<half>[ap]\.?m\.?)?"
    r"\s*(?P<offset>Z|[+-]\d{2}:?\d{2})?",
    re.IGNORECASE,
)
_FIGURES = re.compile(r"(?P<hour>\d{1,2})(?P<minute>\d{2})")  # 0814, or 814 where a spreadsheet took the nought
HALF_DAY = dt.timedelta(hours=12)
DAY = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Moment:
    """A time with its offset in the study's zone, and what had to be said about how it was read."""

    at: dt.datetime
    note: str = ""
    doubt: str = ""

    @property
    def local(self) -> str:
        """The clock at the den with its offset, ISO 8601."""
        return self.at.isoformat(timespec="seconds" if self.at.second else "minutes")


def read_moment(text: str, day: dt.date, zone: ZoneInfo, *, after: dt.datetime | None = None) -> Moment:
    """Read a clock time of a day.

    Parameters
    ----------
    text : str
        ``08:14``, ``0814``, ``8:14 pm``, ``08:14-07:00``, or an ISO 8601 date and time.
    day : date
        Day on which the work began.
    zone : ZoneInfo
        The study's time zone.
    after : datetime, optional
        An earlier time of the same work, aware: a clock that shows more than twelve hours less has
        passed midnight.

    Returns
    -------
    Moment
        In the study's zone. A note says that midnight was passed, a doubt that the clocks were set
        back and the hour happened twice.

    Raises
    ------
    ValueError
        No time of day, or one that the clocks skipped; the message says which.
    """
    whole = _iso(text, zone)
    if whole is not None:
        return Moment(whole)
    clock, offset = _clock(text)
    moment = _placed(clock, day, zone, offset, after)
    if after is None or after.astimezone(dt.UTC) - moment.at.astimezone(dt.UTC) <= HALF_DAY:
        return moment
    later = _placed(clock, day + DAY, zone, offset, after)
    return Moment(later.at, note=f"after midnight: taken as {later.at:%Y-%m-%d %H:%M}", doubt=later.doubt)


def _iso(text: str, zone: ZoneInfo) -> dt.datetime | None:
    if not re.match(r"\d{4}-\d{2}-\d{2}[T ]\d", text.strip()):
        return None
    try:
        moment = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError("is no date and time; write 08:14, or 2026-02-24T08:14") from None
    if moment.tzinfo is not None:
        return moment.astimezone(zone)
    return _placed(moment.time(), moment.date(), zone, None, None).at


def _clock(text: str) -> tuple[dt.time, dt.timezone | None]:
    match = _CLOCK.fullmatch(text.strip())
    parts = match.groupdict() if match else (_FIGURES.fullmatch(text.strip()) or _no_time()).groupdict()
    hour, half = int(parts["hour"]), (parts.get("half") or "")[:1].casefold()
    if half and not 1 <= hour <= 12:
        _no_time()
    hour = hour % 12 + (12 if half == "p" else 0) if half else hour
    try:
        clock = dt.time(hour, int(parts["minute"]), int(parts.get("second") or 0))
    except ValueError:
        _no_time()
    return clock, _offset(parts.get("offset") or "")


def _no_time() -> re.Match[str]:
    raise ValueError("is no time of day; write 08:14 (24 hours)")


def _offset(text: str) -> dt.timezone | None:
    if not text:
        return None
    if text in "Zz":
        return dt.UTC
    hours, minutes = int(text[1:3]), int(text[-2:])
    if hours > 14 or minutes > 59:
        raise ValueError(f"has the offset {text}, which is none; write 08:14-07:00")
    return dt.timezone((1 if text[0] == "+" else -1) * dt.timedelta(hours=hours, minutes=minutes))


def _placed(
    clock: dt.time, day: dt.date, zone: ZoneInfo, offset: dt.timezone | None, after: dt.datetime | None
) -> Moment:
    """Put a clock time on a day; the change of clocks may have skipped it or shown it twice."""
    naive = dt.datetime.combine(day, clock)
    if offset is not None:
        return Moment(naive.replace(tzinfo=offset).astimezone(zone))
    first, second = (naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return Moment(first)
    if first.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None) != naive:
        raise ValueError(f"does not exist on {day}: the clocks were set forward then; which time was meant?")
    if after is not None and first < after.astimezone(dt.UTC) <= second:
        return Moment(second)
    said = f"{clock:%H:%M} happened twice on {day}: taken as {first:%H:%M%z}; write the offset to say which"
    return Moment(first, doubt=said)
