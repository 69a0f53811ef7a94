"""Crew files as GPX 1.0 or 1.1: waypoints whose description may hold ``key: value; key: value``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from densite.errors import IntakeError, Level, Problem
from densite.intake.rawrow import RawRow, about_unknown, understand

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
        self._tag = ""
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "wpt":
            line = self.parser.CurrentLineNumber
            self._open = _Waypoint(line, attributes.get("lat", ""), attributes.get("lon", ""))
        self._tag = tag

    def _end(self, tag: str) -> None:
        if tag == "wpt" and self._open is not None:
            self.found.append(self._open)
            self._open = None
        self._tag = ""

    def _text(self, data: str) -> None:
        if self._open is not None and self._tag in _TEXTS:
            texts = self._open.texts
            texts[self._tag] = texts.get(self._tag, "") + data


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
    described = [_described(w) for w in waypoints]
    headings = understand(list(dict.fromkeys(k for d in described for k in d)), mapping, file=path.name)
    notes = tuple(about_unknown(headings, file=path.name))
    for waypoint, fields in zip(waypoints, described, strict=True):
        values = {"datum": "WGS84"} | _standard(waypoint) | headings.sort(fields)
        values |= {"latitude": waypoint.latitude, "longitude": waypoint.longitude}
        yield RawRow(path.name, waypoint.line, values, fields | values, notes + _missing(waypoint))
        notes = ()


def _parse(path: Path) -> list[_Waypoint]:
    waypoints = _Waypoints()
    try:
        with path.open("rb") as file:
            waypoints.parser.ParseFile(file)
    except expat.ExpatError as error:
        raise IntakeError(f"{path.name} is no readable GPX: {error}") from None
    return waypoints.found


def _standard(waypoint: _Waypoint) -> dict[str, str]:
    texts = {k: v.strip() for k, v in waypoint.texts.items() if v.strip()}
    found = {"den_label": texts.get("name", ""), "date": texts.get("time", ""), "notes": _prose(texts)}
    return {k: v for k, v in found.items() if v}


def _prose(texts: Mapping[str, str]) -> str:
    parts = [p.strip() for key in ("desc", "cmt") for p in texts.get(key, "").split(";")]
    return "; ".join(p for p in parts if p and ":" not in p)


def _described(waypoint: _Waypoint) -> dict[str, str]:
    parts = [p for key in ("desc", "cmt") for p in waypoint.texts.get(key, "").split(";") if ":" in p]
    pairs = (part.split(":", 1) for part in parts)
    return {key.strip(): value.strip() for key, value in pairs}


def _missing(waypoint: _Waypoint) -> tuple[Problem, ...]:
    if waypoint.latitude and waypoint.longitude:
        return ()
    return (Problem(Level.ERROR, "the waypoint lacks lat or lon", "latitude"),)
