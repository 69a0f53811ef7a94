"""Crew files as GPX 1.0 or 1.1: waypoints whose description may hold ``key: value; key: value``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from densite.errors import IntakeError, Level, Problem
from densite.intake.described import taken_apart
from densite.intake.rawrow import RawRow, understand
from densite.intake.xmlfile import MOST, XmlWalk, too_many
from densite.terms import recognised, spelled

_TEXTS = ("name", "time", "desc", "cmt", "sym", "type")
_POINTS = {"wpt": "waypoint", "trkpt": "track", "rtept": "route"}
_LINES = {"trk": "track", "rte": "route"}


@dataclass(slots=True)
class _Point:
    """A waypoint, or a point of a track or route; ``of`` names that line."""

    line: int
    latitude: str
    longitude: str
    tag: str
    texts: dict[str, str] = field(default_factory=dict)
    of: str = ""


@dataclass(slots=True)
class _Line:
    """A track or route: its name, its points, and those that have a description."""

    kind: str
    line: int
    name: str = ""
    points: int = 0
    described: list[_Point] = field(default_factory=list)


class _Gathered:
    """Gathers waypoints and lines while expat walks through the file."""

    def __init__(self, name: str) -> None:
        self.points: list[_Point] = []
        self.lines: list[_Line] = []
        self._name = name
        self._open: _Point | None = None
        self._line: _Line | None = None
        self.walk = XmlWalk(start=self._start, end=self._end, text=self._text)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag in _POINTS:
            self._open = _Point(self.walk.line, attributes.get("lat", ""), attributes.get("lon", ""), tag)
        elif tag in _LINES:
            self._line = _Line(_LINES[tag], self.walk.line)

    def _end(self, tag: str) -> None:
        if tag in _LINES and self._line is not None:
            self.lines.append(self._line)
            self._line = None
        if tag not in _POINTS or self._open is None:
            return
        point, self._open = self._open, None
        if tag == "wpt":
            self.points.append(point)
        elif self._line is not None:
            self._line.points += 1
            if point.texts.keys() & {"desc", "cmt"}:
                self._line.described.append(point)
        if len(self.points) > MOST or len(self.lines) > MOST:
            raise too_many(self._name, "waypoints or tracks")

    def _text(self, data: str) -> None:
        """Keep the text of a point's own children; extensions below them have names and times of their own."""
        way = self.walk.way
        if self._open is not None and way[-2:-1] == [self._open.tag] and way[-1] in _TEXTS:
            texts = self._open.texts
            texts[way[-1]] = texts.get(way[-1], "") + data
        elif self._line is not None and way[-1] == "name" and way[-2:-1] and way[-2] in _LINES:
            self._line.name += data


def read_gpx(path: Path, *, mapping: Mapping[str, str]) -> Iterator[RawRow]:
    """Read the waypoints of a GPX file; tracks and routes are told and kept out.

    Parameters
    ----------
    path : Path
        The file. GPX fixes its datum: WGS 84; times are UTC.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml, for the keys inside descriptions.

    Yields
    ------
    RawRow
        With the line of the ``<wpt>`` tag; name becomes the den's label, time the date. A point of a track or
        route is a row, to be confirmed, where its description has columns of den visits.

    Raises
    ------
    IntakeError
        The file is no XML, or holds no waypoint.
    """
    gathered = _Gathered(path.name)
    gathered.walk.through(path, "GPX")
    known = {*recognised(), *map(spelled, mapping)}
    points = [*gathered.points, *_offered(gathered.lines, known)]
    notes = tuple(_kept_out(line, path.name) for line in gathered.lines if line.points)
    if not points:
        said = "".join(f"; {note.message}" for note in notes[:3])
        raise IntakeError(f"{path.name} holds no waypoint <wpt>: tracks and routes are no den sites{said}")
    described = [taken_apart((point.texts.get(key, "") for key in ("desc", "cmt")), known) for point in points]
    headings = understand(list(dict.fromkeys(k for fields, _, _ in described for k in fields)), mapping, file=path.name)
    for point, (fields, prose, doubled) in zip(points, described, strict=True):
        place = {"datum": "WGS84", "latitude": point.latitude, "longitude": point.longitude}
        given = headings.sort(fields)
        standard = {name: text for name, text in _standard(point, prose).items() if name not in given}
        values, raw = headings.joined(fields, {name: text for name, text in place.items() if text} | standard)
        yield RawRow(path.name, point.line, values, raw, (*notes, *_missing(point), *doubled))
        notes = ()


def _offered(lines: Iterable[_Line], known: set[str]) -> Iterator[_Point]:
    """Yield the points of tracks and routes that a crew has described as a den."""
    for line in lines:
        for point in line.described:
            if taken_apart((point.texts.get(key, "") for key in ("desc", "cmt")), known)[0]:
                point.of = f"{line.kind} {line.name.strip()!r}"
                yield point


def _kept_out(line: _Line, file: str) -> Problem:
    said = f"{line.kind} {line.name.strip()!r} with {line.points} points is kept out: a {line.kind} is no den"
    return Problem(Level.NOTE, said, file=file, line=line.line)


def _standard(point: _Point, prose: str) -> dict[str, str]:
    texts = {k: v.strip() for k, v in point.texts.items() if v.strip()}
    found = {"den_label": texts.get("name", ""), "date": texts.get("time", ""), "notes": prose}
    return {k: v for k, v in found.items() if v}


def _missing(point: _Point) -> Iterator[Problem]:
    if not point.latitude or not point.longitude:
        yield Problem(Level.ERROR, "the waypoint lacks lat or lon", "latitude")
    if point.of:
        yield Problem(Level.CONFIRM, f"a point of the {point.of}, described as a den visit: is it one?", "position")
