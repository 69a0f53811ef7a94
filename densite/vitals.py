"""Vitals of one handling held against the study's own protocol: gaps, excursions, slope of the temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from densite.animalterms import KINDS
from densite.handling import HEADINGS, Event, Moment, is_reading, minutes, moment, number, text
from densite.protocol import VITALS, Limit, Protocol
from densite.terms import Term
from densite.unitslips import Slip, by_neighbours, by_range

TERMS: dict[str, Term] = {term.name: term for term in KINDS["reading"].terms}
PRACTICE = "common practice, no source: a reading every 5 to 10 minutes"
PRACTICE_MIN = 10.0  # the longer end of it; nothing is judged by it
RECENT_MIN = 30.0  # the last part of the temperature's series whose slope is told beside that of all
NO_PROTOCOL = "no protocol on file"

Floats = NDArray[np.float64]

# What ends the watch over a sleeping animal, and what begins it: the first that was recorded counts.
_BEGIN, _END = ("down", "first_handled"), ("reversed", "head_up", "last_handled")
_LEAST_FOR_INTERVAL = 3
_NO_SCATTER = 1e-12  # [deg C squared] mean square of what rounding leaves of readings on one line


@dataclass(frozen=True, slots=True)
class Value:
    """One value of one vital at a time, in the unit of its term."""

    when: Moment
    value: float
    record_id: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """Time without a reading. [min]  ``too_long`` is None where no protocol sets an interval."""

    start: Moment
    end: Moment
    minutes: float
    what: str
    too_long: bool | None = None


@dataclass(frozen=True, slots=True)
class Excursion:
    """Readings of one vital in a row beyond a limit of the protocol.

    ``at_least_min`` lies between the first and the last reading outside, ``at_most_min`` between the
    reading before and the one after; it is None where one of those is missing. Between readings
    nothing is known.
    """

    vital: str
    side: str
    limit: float
    first: Moment
    last: Moment
    worst: Value
    readings: int
    at_least_min: float
    at_most_min: float | None


@dataclass(frozen=True, slots=True)
class Slope:
    """Least-squares slope of the temperature with its 95 % interval. [deg C per hour]

    ``per_hour`` and the limits are None where too few readings leave them open; ``remark`` says why,
    or what to keep in mind.
    """

    over: str
    readings: int
    per_hour: float | None
    lower: float | None = None
    upper: float | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Summary:
    """Range of one vital over a handling, and its own longest gap. [unit of the vital; min]"""

    vital: str
    readings: int
    low: float
    high: float
    longest_min: float | None


@dataclass(frozen=True, slots=True)
class Doubted:
    """A value that reads like another unit: neither judged nor corrected nor drawn as it stands."""

    vital: str
    at: Value
    slip: Slip


@dataclass(frozen=True, slots=True)
class Judged:
    """What the readings of one handling say, and what the protocol says to them.

    ``why_not`` is empty where a signed protocol was in force on the day; else the readings are shown
    without judging, and it says why.
    """

    protocol: Protocol | None
    why_not: str
    values: dict[str, list[Value]]
    gaps: list[Gap]
    excursions: list[Excursion]
    slopes: list[Slope]
    summaries: list[Summary]
    doubted: list[Doubted]

    @property
    def by(self) -> str:
        """By what is judged, or why nothing is."""
        if self.why_not:
            named = f" ({self.protocol.named})" if self.protocol else ""
            return f"{self.why_not}: shown without judging{named}"
        return "" if self.protocol is None else self.protocol.named

    @property
    def interval_min(self) -> float | None:
        """Longest time between readings that the protocol in force allows. [min]"""
        return None if self.protocol is None or self.why_not else self.protocol.intervals.reading_min

    @property
    def longest(self) -> Gap | None:
        """The longest gap."""
        return max(self.gaps, key=lambda gap: gap.minutes, default=None)

    def limit(self, vital: str) -> Limit | None:
        """Return the limits of a vital that judge this handling, or None where nothing does.

        Parameters
        ----------
        vital : str
            One of ``VITALS``.

        Returns
        -------
        Limit or None
            In the unit of the vital's term.
        """
        return None if self.protocol is None or self.why_not else self.protocol.limit(vital)


def judge(event: Event, protocol: Protocol | None) -> Judged:
    """Hold the readings of one handling against the study's protocol.

    Parameters
    ----------
    event : Event
        The handling.
    protocol : Protocol or None
        The study's protocol. It judges only where it was signed and in force on the day of the handling.

    Returns
    -------
    Judged
        Values that read like another unit are left out of ranges, slopes and excursions and listed
        under ``doubted``.
    """
    why_not = NO_PROTOCOL if protocol is None else protocol.objection(event.date)
    active = None if why_not else protocol
    doubted = unit_doubts(event)
    left_out = {(one.vital, one.at.record_id) for one in doubted}
    values = {name: [one for one in series(event, name) if (name, one.record_id) not in left_out] for name in VITALS}
    limits = {name: limit for name in VITALS if active and (limit := active.limit(name))}
    return Judged(
        protocol, why_not, values, gaps(event, longest_min=active.intervals.reading_min if active else None),
        [one for name, limit in limits.items() for one in excursions(values[name], limit, vital=name)],
        slopes(event, values["temperature_c"]), _summaries(values), doubted,
    )  # fmt: skip


def series(event: Event, vital: str) -> list[Value]:
    """Return the values of one vital in the order of time.

    Parameters
    ----------
    event : Event
        The handling.
    vital : str
        One of ``VITALS``.

    Returns
    -------
    list of Value
        Readings without a time or without this vital are left out. [unit of the vital's term]
    """
    found = []
    for row in event.read:
        when, value = moment(row, "read"), number(row, vital)
        if when is not None and value is not None and math.isfinite(value):
            found.append(Value(when, value, row["record_id"]))
    return found


def unit_doubts(event: Event) -> list[Doubted]:
    """Return values of the vitals that read like another unit.

    Parameters
    ----------
    event : Event
        The handling.

    Returns
    -------
    list of Doubted
        Also those that a person has confirmed: whoever confirms a row confirms all of it, and no body
        is at 98 degrees Celsius.
    """
    return [Doubted(name, *pair) for name in VITALS for pair in _slips(series(event, name), TERMS[name])]


def _slips(values: list[Value], term: Term) -> list[tuple[Value, Slip]]:
    ranged = {place: slip for place, one in enumerate(values) if (slip := by_range(one.value, term))}
    found = []
    for place, one in enumerate(values):
        others = [other.value for n, other in enumerate(values) if n != place and n not in ranged]
        if slip := ranged.get(place) or by_neighbours(one.value, others, term):
            found.append((one, slip))
    return found


def gaps(event: Event, *, longest_min: float | None = None) -> list[Gap]:
    """Return the times without a reading, from down to the reversal.

    Parameters
    ----------
    event : Event
        The handling.
    longest_min : float or None
        Longest time between readings that the protocol allows. [min]

    Returns
    -------
    list of Gap
        From down (else the first touch) to the first reading, between readings, and from the last
        reading to the reversal (head up or the last touch where there is none after it). Where there
        is no reading at all, one gap from begin to end.
    """
    read = [when for row in event.read if is_reading(row) and (when := moment(row, "read"))]
    begin = next((one for name in _BEGIN if (one := event.moment(name))), None)
    ends = [one for name in _END if (one := event.moment(name)) and (not read or one.at >= read[-1].at)]
    end = next(iter(ends), None)
    if not read:
        pairs = [(begin, end, "without any reading")]
    else:
        between = [(one, other, "between readings") for one, other in pairwise(read)]
        pairs = [(begin, read[0], "before the first reading"), *between, (read[-1], end, "after the last reading")]
    return [
        Gap(one, other, taken, what, None if longest_min is None else taken > longest_min)
        for one, other, what in pairs
        if one is not None and other is not None and (taken := minutes(one, other)) > 0
    ]


def excursions(values: Sequence[Value], limit: Limit, *, vital: str) -> list[Excursion]:
    """Return where a vital was read beyond the protocol's limits.

    Parameters
    ----------
    values : sequence of Value
        In the order of time. [unit of the vital's term]
    limit : Limit
        The protocol's limits; a value on a limit is within. [unit of the vital's term]
    vital : str
        Its name.

    Returns
    -------
    list of Excursion
        One for each run of readings on the same side.
    """
    runs = [
        (side, [place for place, _ in group])
        for side, group in groupby(enumerate(values), key=lambda pair: _side(pair[1].value, limit))
    ]
    return [_excursion(values, run, side, limit, vital) for side, run in runs if side]


def _side(value: float, limit: Limit) -> str:
    if limit.low is not None and value < limit.low:
        return "below"
    return "above" if limit.high is not None and value > limit.high else ""


def _excursion(values: Sequence[Value], run: list[int], side: str, limit: Limit, vital: str) -> Excursion:
    outside = [values[place] for place in run]
    choose = min if side == "below" else max
    bound = limit.low if side == "below" else limit.high
    before, after = run[0] - 1, run[-1] + 1
    bounded = before >= 0 and after < len(values)
    return Excursion(
        vital=vital, side=side, limit=float("nan") if bound is None else bound,
        first=outside[0].when, last=outside[-1].when, worst=choose(outside, key=lambda one: one.value),
        readings=len(run), at_least_min=minutes(outside[0].when, outside[-1].when),
        at_most_min=minutes(values[before].when, values[after].when) if bounded else None,
    )  # fmt: skip


def slopes(event: Event, values: Sequence[Value]) -> list[Slope]:
    """Return the slope of the temperature over all readings and over the last 30 minutes of them.

    Parameters
    ----------
    event : Event
        The handling, which knows by what thermometer each reading was taken.
    values : sequence of Value
        Temperatures in the order of time. [deg C]

    Returns
    -------
    list of Slope
        Empty where no temperature was read. The second one is left out where it holds all readings.
    """
    if not values:
        return []
    recent = [one for one in values if minutes(one.when, values[-1].when) <= RECENT_MIN]
    found = [_slope(event, values, "all readings")]
    return found if len(recent) == len(values) else [*found, _slope(event, recent, f"the last {RECENT_MIN:g} min")]


def _slope(event: Event, values: Sequence[Value], over: str) -> Slope:
    hours = np.array([minutes(values[0].when, one.when) / 60 for one in values])
    fit = slope_per_hour(hours, np.array([one.value for one in values]))
    used = {one.record_id for one in values}
    ways = sorted({way for row in event.read if row["record_id"] in used and (way := text(row, "thermometer"))})
    mixed = f"thermometers differ ({', '.join(ways)}): part of it may be theirs" if len(ways) > 1 else ""
    if fit is None:
        return Slope(over, len(values), None, remark="readings at one time only: no slope")
    few = len(values) < _LEAST_FOR_INTERVAL
    remark = "" if fit[1] is not None else f"{'too few readings' if few else 'readings on one line'}: no interval"
    return Slope(over, len(values), *fit, remark="; ".join(part for part in (remark, mixed) if part))


def slope_per_hour(hours: Floats, celsius: Floats) -> tuple[float, float | None, float | None] | None:
    """Return the least-squares slope of temperature on time with its 95 % interval.

    Parameters
    ----------
    hours : ndarray, shape (n,)
        Times of the readings. [h]
    celsius : ndarray, shape (n,)
        Temperatures. [deg C]

    Returns
    -------
    tuple of float or None
        Slope, lower and upper limit; the limits are None for fewer than 3 readings and for
        readings on one line, whose scatter is not known. None where all were taken at one time. [deg C per hour]

    Notes
    -----
    b = Sxy / Sxx, its standard error the square root of s2 / Sxx with s2 = residual sum of squares /
    (n - 2), and the t quantile with n - 2 degrees of freedom. Source: textbook, from memory: Draper &
    Smith 1998, Applied Regression Analysis, 3rd ed., chapter 1. The interval takes readings to
    scatter independently about a line, which a body that cools or warms does only roughly.
    """
    away = hours - hours.mean()
    spread = float(away @ away)
    if spread == 0:
        return None
    slope = float(away @ (celsius - celsius.mean())) / spread
    free = len(hours) - 2
    if free < 1:
        return slope, None, None
    rest = celsius - celsius.mean() - slope * away
    if float(rest @ rest) < _NO_SCATTER * len(rest):
        return slope, None, None
    half = float(stats.t.ppf(0.975, free)) * math.sqrt(float(rest @ rest) / free / spread)
    return slope, slope - half, slope + half


def _summaries(values: dict[str, list[Value]]) -> list[Summary]:
    found = []
    for name, ones in values.items():
        if ones:
            numbers = [one.value for one in ones]
            longest = max((minutes(a.when, b.when) for a, b in pairwise(ones)), default=None)
            found.append(Summary(name, len(ones), min(numbers), max(numbers), longest))
    return found


def told_gap(gap: Gap, event: Event) -> str:
    """Write a gap in words: ``12 min between readings, 08:20 to 08:32``.

    Parameters
    ----------
    gap : Gap
        The gap. [min]
    event : Event
        Its handling.

    Returns
    -------
    str
    """
    return f"{gap.minutes:.0f} min {gap.what}, {gap.start.shown(event.date)} to {gap.end.shown(event.date)}"


def told_excursion(one: Excursion, event: Event) -> str:
    """Write an excursion in words, with what is known of its length and what is not.

    Parameters
    ----------
    one : Excursion
        The excursion. [unit of its vital; min]
    event : Event
        Its handling.

    Returns
    -------
    str
    """
    unit = TERMS[one.vital].unit
    many = f"{one.readings} readings" if one.readings > 1 else "1 reading"
    if one.readings > 1:
        span = f"{one.first.shown(event.date)} to {one.last.shown(event.date)}"
    else:
        span = one.first.shown(event.date)
    most = "at most: not known" if one.at_most_min is None else f"at most {one.at_most_min:.0f} min"
    return (
        f"{HEADINGS[one.vital]} {one.side} {one.limit:g} {unit}: {many}, {span}, worst {one.worst.value:g} {unit} at "
        f"{one.worst.when.shown(event.date)}; at least {one.at_least_min:.0f} min, {most}"
    )
