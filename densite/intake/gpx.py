"""Crew files as GPX 1.0 or 1.1: waypoints whose description may hold ``key: value; key: value``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from densite.errors import IntakeError, Level, Problem
from densite.intake.rawrow import RawRow, understand
from densite.terms import recognised, spelled

_TEXTS = ("name", "time", "desc", "cmt", "sym", "type")


@dataclass(slots=True)
class _Waypoint:
    line: int
    latitude: str
    longitude: str
    texts: dict[str, str] = field(default_factory=dict)


class _Waypoints:
    """Gathers waypoints while expat walks through the file (expat knows the line, ElementTree does not)."""

    def __init__(self) -> None:
        self.found: list[_Waypoint] = []
        self._open: _Waypoint | None = None
        self._way: list[str] = []
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "wpt":
            line = self.parser.CurrentLineNumber
            self._open = _Waypoint(line, attributes.get("lat", ""), attributes.get("lon", ""))
        self._way.append(tag)

    def _end(self, tag: str) -> None:
        if tag == "wpt" and self._open is not None:
            self.found.append(self._open)
            self._open = None
        self._way.pop()

    def _text(self, data: str) -> None:
        """Keep the text of a waypoint's own children; extensions below them have names and times of their own."""
        if self._open is not None and self._way[-2:-1] == ["wpt"] and self._way[-1] in _TEXTS:
            texts = self._open.texts
            texts[self._way[-1]] = texts.get(self._way[-1], "") + data


def read_gpx(path: Path, *, mapping: Mapping[str, str]) -> Iterator[RawRow]:
    """Read the waypoints of a GPX file.

    Parameters
    ----------
    path : Path
        The file. GPX fixes its datum: WGS 84; times are UTC.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml, for the keys inside descriptions.

    Yields
    ------
    RawRow
        With the line of the ``<wpt>`` tag; name becomes the den's label, time the date.

    Raises
    ------
    IntakeError
        The file is no XML, or holds no waypoint.
    """
    waypoints = _parse(path)
    if not waypoints:
        raise IntakeError(f"{path.name} holds no waypoint <wpt>: tracks and routes are no den sites")
    known = {*recognised(), *map(spelled, mapping)}
    described = [_described(w, known) for w in waypoints]
    headings = understand(list(dict.fromkeys(k for fields, _, _ in described for k in fields)), mapping, file=path.name)
    for waypoint, (fields, prose, doubled) in zip(waypoints, described, strict=True):
        place = {"datum": "WGS84", "latitude": waypoint.latitude, "longitude": waypoint.longitude}
        given = headings.sort(fields)
        standard = {name: text for name, text in _standard(waypoint, prose).items() if name not in given}
        values, raw = headings.joined(fields, {name: text for name, text in place.items() if text} | standard)
        yield RawRow(path.name, waypoint.line, values, raw, (*_missing(waypoint), *doubled))


def _parse(path: Path) -> list[_Waypoint]:
    waypoints = _Waypoints()
    try:
        with path.open("rb") as file:
            waypoints.parser.ParseFile(file)
    except expat.ExpatError as error:
        raise IntakeError(f"{path.name} is no readable GPX: {error}") from None
    return waypoints.found


def _standard(waypoint: _Waypoint, prose: str) -> dict[str, str]:
    texts = {k: v.strip() for k, v in waypoint.texts.items() if v.strip()}
    found = {"den_label": texts.get("name", ""), "date": texts.get("time", ""), "notes": prose}
    return {k: v for k, v in found.items() if v}


def _described(waypoint: _Waypoint, known: Set[str]) -> tuple[dict[str, str], str, tuple[Problem, ...]]:
    """Split descriptions into fields under known headings, the rest in words, and keys given twice."""
    fields: dict[str, str] = {}
    words: list[str] = []
    doubled: list[Problem] = []
    for part in (p.strip() for key in ("desc", "cmt") for p in waypoint.texts.get(key, "").split(";")):
        key, _, value = (text.strip() for text in part.partition(":"))
        if not value or spelled(key) not in known:
            words.append(part)
        elif fields.setdefault(key, value) != value:
            said = f"{key} is given twice: {fields[key]}, then {value}"
            doubled.append(Problem(Level.ERROR, said, key, value, hint="keep one"))
    return fields, "; ".join(word for word in words if word), tuple(doubled)


def _missing(waypoint: _Waypoint) -> tuple[Problem, ...]:
    if waypoint.latitude and waypoint.longitude:
        return ()
    return (Problem(Level.ERROR, "the waypoint lacks lat or lon", "latitude"),)
