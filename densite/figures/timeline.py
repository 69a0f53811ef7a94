"""A handling over the clock: vitals in stacked panels, with times, drugs, limits and gaps."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from densite.figures import look
from densite.figures.drawing import Drawn
from densite.figures.files import save
from densite.figures.look import NothingToDraw, Sheet
from densite.handling import HEADINGS, Event, Moment, elapsed, minutes, moment, text
from densite.protocol import Limit
from densite.vitals import PRACTICE, PRACTICE_MIN, TERMS, Gap, Judged, Value, told_excursion, told_gap

DRAWN = ("heart_rate", "respiration", "temperature_c", "spo2_pct")

_LEFT_MM, _RIGHT_MM, _PANEL_MM, _BETWEEN_MM = 27.0, 10.0, 19.0, 3.0
_LABEL_MM, _SIGN_MM, _AXIS_MM = 3.3, 1.17, 10.0  # row of labels, width of a letter, room below the last panel
_MINUTES_MM, _NUMBER_MM = 9.0, 2.6  # room for the minutes of a gap, height of a limit's number
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440)  # [min] between ticks
_MOST_TICKS = 9
_LONGEST = 50  # letters of a label, and of a name in a file's name
_EDGE = 0.03  # free part of the time axis on both sides
_FAR = 0.16  # the part of a panel's height that is free above and below its values
_STROKES: dict[str, dict[str, Any]] = {
    "time": {"linestyle": "solid", "linewidth": 0.6, "color": "#b0b5ba"},
    "drug": {"linestyle": (0, (4, 1.6)), "linewidth": 0.9, "color": "#2f5d8a"},
    "reversal": {"linestyle": (0, (1.2, 1.2)), "linewidth": 1.2, "color": "#8a4b2f"},
}


@dataclass(frozen=True, slots=True)
class Line:
    """An upright line: its place in minutes since the start, its label and its kind."""

    place: float
    label: str
    kind: str


@dataclass(frozen=True, slots=True)
class Clock:
    """Minutes since the start of a handling, and the clock at the den at each of them."""

    start: Moment
    known: tuple[Moment, ...]

    @classmethod
    def of(cls, event: Event) -> Clock:
        """Return the clock of a handling.

        Raises
        ------
        NothingToDraw
            No time was recorded.
        """
        start = event.start
        if start is None:
            raise NothingToDraw("no time was recorded")
        return cls(start, tuple(sorted(_moments(event), key=lambda one: one.at)))

    def place(self, when: Moment) -> float:
        """Return minutes since the start."""
        return minutes(self.start, when)

    def offset(self, place: float) -> dt.timedelta:
        """Return how far the clock at the den is ahead of UTC at a place, by the last time known before it."""
        at = self.start.at + dt.timedelta(minutes=place)
        before = [one for one in self.known if one.at <= at] or list(self.known[:1])
        return before[-1].clock.utcoffset() or dt.timedelta()

    def shown(self, place: float) -> str:
        """Write the clock's time at a place."""
        at = self.start.at + dt.timedelta(minutes=place)
        return f"{(at + self.offset(place)):%H:%M}"

    @property
    def span(self) -> tuple[float, float]:
        """First and last time in minutes since the start, with a free edge."""
        first, last = self.place(self.known[0]), self.place(self.known[-1])
        edge = max(1.0, _EDGE * (last - first))
        return first - edge, last + edge

    def ticks(self) -> list[float]:
        """Return places of round times on the clock, but none where the clock is not known."""
        low, high = self.span
        step = next((one for one in _STEPS if (high - low) / one <= _MOST_TICKS), (high - low) / _MOST_TICKS)
        ahead = self.offset(0.0).total_seconds() / 60
        since = (self.start.at - dt.datetime(2000, 1, 1, tzinfo=dt.UTC)).total_seconds() / 60 + ahead
        first = -((since + low) // -step) * step - since
        places = (first + n * step for n in range(_MOST_TICKS + 2))
        return [place for place in places if place <= high and not self._unsure(place)]

    def _unsure(self, place: float) -> bool:
        """Whether a place lies between two known times with clocks apart: when they changed is not recorded."""
        at = self.start.at + dt.timedelta(minutes=place)
        around = [one for one in self.known if one.at <= at][-1:] + [one for one in self.known if one.at >= at][:1]
        return len({one.clock.utcoffset() for one in around}) > 1

    @property
    def changes(self) -> bool:
        """Whether the clock was put forward or back during the handling."""
        return len({one.clock.utcoffset() for one in self.known}) > 1


def _moments(event: Event) -> Iterator[Moment]:
    yield from event.moments.values()
    for rows, field in ((event.given, "given"), (event.read, "read")):
        yield from (when for row in rows if (when := moment(row, field)))


def file_name(event: Event) -> str:
    """Return the name of a handling's figure: letters, digits and hyphens, another one for every handling.

    Parameters
    ----------
    event : Event
        The handling.

    Returns
    -------
    str
    """
    plain = re.sub(r"[^A-Za-z0-9]+", "-", event.animal)[:_LONGEST]
    whole = hashlib.sha256(event.animal.encode("utf-8", "surrogatepass")).hexdigest()
    mark = "" if plain == event.animal else f"-{whole[:6]}"
    return f"handling-{plain}{mark}-{event.date or 'no-date'}"


def timeline(event: Event, judged: Judged, folder: Path, name: str) -> Drawn:
    """Draw a handling and write it as SVG and PNG.

    Parameters
    ----------
    event : Event
        The handling.
    judged : Judged
        Its readings against the protocol, as from :func:`densite.vitals.judge`.
    folder : Path
        Where the files go; made where it is missing. Files of the same name are replaced, and taken
        away where the figure can no longer be drawn.
    name : str
        Name of both files, such as :func:`file_name` gives.

    Returns
    -------
    Drawn
        Without files, and with the reason, where no time was recorded.
    """
    title = _title(event)
    try:
        figure = drawn(event, judged, title=title)
    except NothingToDraw as reason:
        for ending in ("svg", "png"):
            (folder / f"{name}.{ending}").unlink(missing_ok=True)
        return Drawn(name, title, why_not=f"{title}: no figure, because {reason}.")
    alt = _plain(told_timeline(event, judged))
    svg, png = save(figure, folder, name=name, title=title, alt=alt)
    return Drawn(name, title, alt, svg, png)


def _title(event: Event) -> str:
    """Name the handling; the day stands first, since a name may be long or run from right to left."""
    return f"{event.date or 'No date'}: handling of {_short(_plain(event.animal))}"


def _short(name: str) -> str:
    """Cut a name that is too long for a label, words without a blank too."""
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _plain(words: str) -> str:
    """Put a blank for control characters, which no SVG may hold."""
    return "".join(" " if unicodedata.category(sign) == "Cc" else sign for sign in words)


def drawn(event: Event, judged: Judged, *, title: str) -> Figure:
    """Draw a handling.

    Parameters
    ----------
    event, judged
        As for :func:`timeline`.
    title : str
        Its title.

    Returns
    -------
    Figure
        One panel for each vital that was read, over one clock: limits as bands only where a signed
        protocol in force sets them, triangles for readings beyond them, times without reading hatched.

    Raises
    ------
    NothingToDraw
        No time was recorded.
    """
    clock, vitals = Clock.of(event), [name for name in DRAWN if judged.values[name]]
    width = look.WIDTH_MM - _LEFT_MM - _RIGHT_MM
    rows = rows_of(lines_of(event, clock), clock, width)
    lane = _LABEL_MM * (1 + max((row for _, row in rows), default=0)) + 1.5
    body = max(1, len(vitals)) * (_PANEL_MM + _BETWEEN_MM)
    words = _words(event, judged, clock)
    with look.calm():
        sheet = look.sheet(lane + body + _AXIS_MM, title=title, words=words)
        top = look.head_mm(words) + 2
        _lane(sheet, rows, clock, top=top, lane=lane, height=lane + body - _BETWEEN_MM)
        for place, name in enumerate(vitals or [""]):
            axes = sheet.panel(_LEFT_MM, top + lane + place * (_PANEL_MM + _BETWEEN_MM), width, _PANEL_MM)
            _panel(axes, name, judged, clock)
            if place == 0:
                _gap_minutes(axes, judged, clock)
            _named(sheet, name, top + lane + place * (_PANEL_MM + _BETWEEN_MM))
        _clock_axis(sheet, axes, clock, event, top=top + lane + body - _BETWEEN_MM)
    return sheet.figure


def lines_of(event: Event, clock: Clock) -> list[Line]:
    """Return the upright lines: times of the handling and drugs, those of one minute and kind in one line.

    Parameters
    ----------
    event : Event
        The handling.
    clock : Clock
        Its clock. [min]

    Returns
    -------
    list of Line
        From left to right.
    """
    found = [
        Line(clock.place(when), HEADINGS[name], "reversal" if name == "reversed" else "time")
        for name, when in event.moments.items()
    ]
    for row in event.given:
        if when := moment(row, "given"):
            kind = "reversal" if text(row, "drug_purpose") == "reverse" else "drug"
            found.append(Line(clock.place(when), text(row, "drug") or "a drug", kind))
    joined: dict[tuple[float, str], list[str]] = {}
    for one in sorted(found, key=lambda line: (line.place, line.kind)):
        joined.setdefault((one.place, one.kind), []).append(one.label)
    return [
        Line(place, _short(_plain(", ".join(dict.fromkeys(labels)))), kind) for (place, kind), labels in joined.items()
    ]


def rows_of(lines: Sequence[Line], clock: Clock, width: float) -> list[tuple[Line, int]]:
    """Give each label a row in which it touches no other; ``width`` of the panel in mm."""
    low, high = clock.span
    ends: list[float] = []
    found = []
    for one in lines:
        left = _label_start(one, (one.place - low) / (high - low) * width, width)
        row = next((n for n, end in enumerate(ends) if end <= left), len(ends))
        ends[row:] = [left + _long(one), *ends[row + 1 :]]
        found.append((one, row))
    return found


def _long(line: Line) -> float:
    """Return the length of a label with a free space behind it. [mm]"""
    return _SIGN_MM * len(line.label) + 2.0


def _label_start(line: Line, place: float, width: float) -> float:
    """Return where a label begins: at its line, farther left where it would leave the panel. [mm]"""
    return min(place, width + _RIGHT_MM - _long(line))


def _lane(
    sheet: Sheet, rows: Sequence[tuple[Line, int]], clock: Clock, *, top: float, lane: float, height: float
) -> None:
    """Draw upright lines through all panels, each from its label down."""
    width = look.WIDTH_MM - _LEFT_MM - _RIGHT_MM
    axes = sheet.panel(_LEFT_MM, top, width, height)
    axes.set_axis_off()
    axes.set_xlim(*clock.span)
    axes.set_ylim(height, 0)
    low, high = clock.span
    for one, row in rows:
        stroke = _STROKES[one.kind]
        axes.vlines(one.place, (row + 0.2) * _LABEL_MM, height, **stroke, zorder=1 if one.kind == "time" else 1.2,
                    gid=one.kind)  # fmt: skip
        start = _label_start(one, (one.place - low) / (high - low) * width, width)
        sheet.words(_LEFT_MM + start + 0.6, top + row * _LABEL_MM + 0.3, one.label, fontsize=look.SMALL_PT,
                    color=look.QUIET if one.kind == "time" else stroke["color"], path_effects=look.halo())  # fmt: skip
    axes.hlines(lane - 0.6, *clock.span, color=look.HAIR, linewidth=0.5)


def _panel(axes: Axes, name: str, judged: Judged, clock: Clock) -> None:
    """Draw one vital; without a name, an empty panel that says that nothing was read."""
    look.bare(axes, keep="left")
    axes.set_xlim(*clock.span)
    axes.set_xticks([])
    values, limit = judged.values.get(name, []), judged.limit(name) if name else None
    axes.set_ylim(*_span(values, limit))
    for gap in _long_gaps(judged):
        axes.axvspan(clock.place(gap.start), clock.place(gap.end), facecolor="none", edgecolor="#d5d0c4",
                     hatch="////", linewidth=0, zorder=0.4, gid="gap")  # fmt: skip
    if not name:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "no vitals recorded", transform=axes.transAxes, ha="center", va="center", color=look.QUIET,
                  path_effects=look.halo())  # fmt: skip
        return
    if limit is not None:
        _band(axes, limit)
    _dots(axes, values, limit, judged, clock)
    axes.locator_params(axis="y", nbins=4)
    for one in judged.doubted:
        if one.vital == name:
            axes.plot(clock.place(one.at.when), 0.06, transform=axes.get_xaxis_transform(), marker="x", markersize=3.5,
                      color=look.QUIET, gid="left out", clip_on=False)  # fmt: skip


def _gap_minutes(axes: Axes, judged: Judged, clock: Clock) -> None:
    """Write the minutes of hatched gaps at the top of the first panel, the longest first, where there is room."""
    low, high = clock.span
    apart = (high - low) * _MINUTES_MM / (look.WIDTH_MM - _LEFT_MM - _RIGHT_MM)
    taken: list[float] = []
    for gap in sorted(_long_gaps(judged), key=lambda one: -one.minutes):
        middle = (clock.place(gap.start) + clock.place(gap.end)) / 2
        if any(abs(middle - other) < apart for other in taken):
            continue
        taken.append(middle)
        axes.text(middle, 0.97, f"{gap.minutes:.0f} min", transform=axes.get_xaxis_transform(), ha="center", va="top",
                  fontsize=look.SMALL_PT, color=look.QUIET, path_effects=look.halo())  # fmt: skip


def _span(values: Sequence[Value], limit: Limit | None) -> tuple[float, float]:
    """Return the limits of a panel's axis: its values and the protocol's limits, with free space."""
    ends = [] if limit is None else [end for end in (limit.low, limit.high) if end is not None]
    numbers = [*(one.value for one in values), *ends] or [0.0, 1.0]
    free = _FAR * (max(numbers) - min(numbers)) or 1.0
    return min(numbers) - free, max(numbers) + free


def _band(axes: Axes, limit: Limit) -> None:
    """Shade what the protocol allows, and name its limits at the right."""
    low, high = axes.get_ylim()
    axes.axhspan(low if limit.low is None else limit.low, high if limit.high is None else limit.high,
                 color=look.BAND, alpha=0.45, linewidth=0, zorder=0.3, gid="limits")  # fmt: skip
    near = _apart(limit) / (high - low) * _PANEL_MM < _NUMBER_MM
    for end, place in ((limit.low, "top"), (limit.high, "bottom")):
        if end is not None:
            axes.axhline(end, color=look.DOT, linewidth=0.6, zorder=0.5)
            axes.text(1.008, end, f"{end:g}", transform=axes.get_yaxis_transform(), va=place if near else "center",
                      fontsize=look.SMALL_PT, color=look.QUIET)  # fmt: skip


def _apart(limit: Limit) -> float:
    """Return how far high lies above low; without one of them there is nothing between which to count."""
    return float("inf") if limit.low is None or limit.high is None else limit.high - limit.low


def _dots(axes: Axes, values: Sequence[Value], limit: Limit | None, judged: Judged, clock: Clock) -> None:
    """Draw readings, joined by a pale line that breaks at a long gap."""
    breaks = {gap.start.at for gap in _long_gaps(judged)}
    for one, other in pairwise(values):
        if not any(one.when.at <= at < other.when.at for at in breaks):
            axes.plot([clock.place(one.when), clock.place(other.when)], [one.value, other.value], color="#b4bcc4",
                      linewidth=0.8, zorder=1.5)  # fmt: skip
    for marker, size, colour, chosen in _marked(values, limit):
        places = [clock.place(one.when) for one in chosen]
        axes.plot(places, [one.value for one in chosen], linestyle="none", marker=marker, markersize=size,
                  markerfacecolor=colour, markeredgecolor="white", markeredgewidth=0.5, gid=f"readings {marker}",
                  zorder=2, clip_on=False)  # fmt: skip


def _marked(values: Sequence[Value], limit: Limit | None) -> Iterator[tuple[str, float, str, list[Value]]]:
    """Part readings into those within, above and below the limits, each with its mark."""
    low = float("-inf") if limit is None or limit.low is None else limit.low
    high = float("inf") if limit is None or limit.high is None else limit.high
    yield "o", 4.4, look.DOT, [one for one in values if low <= one.value <= high]
    yield "^", 6.2, look.INK, [one for one in values if one.value > high]
    yield "v", 6.2, look.INK, [one for one in values if one.value < low]


def _long_gaps(judged: Judged) -> list[Gap]:
    """Return the gaps that are hatched: by the protocol's interval, else by common practice."""
    longest = PRACTICE_MIN if judged.interval_min is None else judged.interval_min
    return [gap for gap in judged.gaps if gap.minutes > longest]


def _named(sheet: Sheet, name: str, top: float) -> None:
    """Write a vital's name and unit at the left of its panel."""
    if name:
        unit = "°C" if TERMS[name].unit == "C" else TERMS[name].unit
        sheet.words(look.LEFT_MM, top + _PANEL_MM / 2 - 3, f"{TERMS[name].heading}\n[{unit}]", linespacing=1.25)


def _clock_axis(sheet: Sheet, axes: Axes, clock: Clock, event: Event, *, top: float) -> None:
    """Mark round times of the clock below the last panel, and minutes since the start below them."""
    ticks = clock.ticks()
    axes.spines["bottom"].set_visible(True)
    axes.set_xticks(ticks, [f"{clock.shown(one)}\n{one:+.0f}".replace("-", "\N{MINUS SIGN}") for one in ticks])
    begin = "darted" if event.moment("darted") else "start"
    utc = " (UTC)" if clock.start.clock is clock.start.at else ""
    sheet.words(look.LEFT_MM, top + 1.0, f"clock{utc}\nmin since {begin}", fontsize=look.SMALL_PT, color=look.QUIET,
                linespacing=1.2)  # fmt: skip


def _words(event: Event, judged: Judged, clock: Clock) -> str:
    """Say how the figure is to be read, and by what it judges or why it does not."""
    said = []
    if judged.why_not:
        said.append(f"Shown without judging: {judged.why_not}.")
    elif any(judged.limit(name) for name in DRAWN):
        said.append(f"Bands: limits of {judged.by}. Triangles: readings beyond them.")
    else:
        said.append(f"No limits for these vitals in {judged.by}.")
    if _long_gaps(judged):
        rule = f"more than {judged.interval_min:g} min, the protocol's interval" if judged.interval_min else (
            f"more than {PRACTICE_MIN:g} min ({PRACTICE}; not judged)")  # fmt: skip
        said.append(f"Hatched: without a reading for {rule}.")
    absent = [TERMS[name].heading for name in DRAWN if not judged.values[name]]
    said += [f"Not read: {', '.join(absent)}."] if absent and len(absent) < len(DRAWN) else []
    said += ["Cross: reads like another unit, left out."] if judged.doubted else []
    said += ["Clocks were changed on the way: minutes run on."] if clock.changes else []
    strokes = {one.kind for one in lines_of(event, clock)}
    said += ["Dashed: drugs; dotted: reversal."] if strokes & {"drug", "reversal"} else []
    return " ".join([*said, "Between readings nothing is known; the pale line only leads the eye."])


def told_timeline(event: Event, judged: Judged) -> str:
    """Return the alternative text of :func:`timeline`, from the same numbers.

    Parameters
    ----------
    event, judged
        As for :func:`timeline`.

    Returns
    -------
    str
        Times, drugs, ranges of the vitals with their units, the longest gap [min], and excursions with the
        protocol or why nothing is judged.
    """
    times = [f"{HEADINGS[name].lower()} {one.shown(event.date)}" for name, one in event.moments.items()]
    drugs = [
        f"{text(row, 'drug') or 'a drug'} {when.shown(event.date)}"
        for row in event.given
        if (when := moment(row, "given"))
    ]
    spans = [f"{span.what} {span.minutes:.0f} min" for span in elapsed(event) if span.minutes is not None]
    said = [f"Handling of {event.animal} on {event.date or 'no date'} over the clock."]
    said += [
        f"{head}: {', '.join(body)}." for head, body in (("Times", times), ("Drugs", drugs), ("Took", spans)) if body
    ]
    said += [_told_range(judged, name) for name in DRAWN]
    said += [f"Longest time without a reading: {told_gap(judged.longest, event)}."] if judged.longest else []
    if judged.why_not:
        return " ".join([*said, f"{look.sentence_case(judged.by)}."])
    beyond = [told_excursion(one, event) for one in judged.excursions if one.vital in DRAWN]
    return " ".join([*said, f"Judged by {judged.by}: {'; '.join(beyond) or 'no reading beyond its limits'}."])


def _told_range(judged: Judged, name: str) -> str:
    found = next((one for one in judged.summaries if one.vital == name), None)
    if found is None:
        return f"{TERMS[name].heading}: not read."
    many = f"{found.readings} reading{'' if found.readings == 1 else 's'}"
    return f"{TERMS[name].heading}: {many}, {found.low:g} to {found.high:g} {TERMS[name].unit}."
