"""Crew files as KML: placemarks with a point, columns in their extended data or description."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

from densite.errors import IntakeError, Level, Problem
from densite.intake.described import taken_apart
from densite.intake.rawrow import RawRow, about_unknown, understand
from densite.intake.xmlfile import MOST, XmlWalk, too_many
from densite.terms import recognised, spelled

_SHAPES = ("Point", "LineString", "LinearRing", "Polygon", "Model", "Track", "MultiTrack")
_TEXTS = ("name", "description", "when", "begin", "coordinates", "value")
_BREAKS = ("br", "p", "tr", "li", "div", "table", "h1", "h2", "h3")


@dataclass(slots=True)
class _Placemark:
    line: int
    texts: dict[str, str] = field(default_factory=dict)
    points: list[str] = field(default_factory=list)
    shapes: list[str] = field(default_factory=list)
    data: list[tuple[str, str]] = field(default_factory=list)


class _Gathered:
    """Gathers placemarks while expat walks through the file."""

    def __init__(self, name: str) -> None:
        self.found: list[_Placemark] = []
        self._name = name
        self._open: _Placemark | None = None
        self._key = ""
        self._parts: list[str] = []
        self.walk = XmlWalk(start=self._start, end=self._end, text=self._text)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        if self._open is not None and self._in_description:
            self._parts.append(
                f"<{tag}>"
            )  # HTML that was not packed into CDATA: put together again, to be read as such
            return
        if tag == "Placemark":
            self._open = _Placemark(self.walk.line)
        elif self._open is None:
            return
        if tag in ("Data", "SimpleData"):
            self._key = attributes.get("name", "")
        if tag in _SHAPES and self._open is not None:
            self._open.shapes.append(tag)
        if tag in _TEXTS or tag == "SimpleData":
            self._parts = []

    @property
    def _in_description(self) -> bool:
        return "description" in self.walk.way[:-1]

    def _end(self, tag: str) -> None:
        if self._open is None:
            return
        if self._in_description:
            self._parts.append(f"</{tag}>")
            return
        text = "".join(self._parts).strip()
        if tag == "Placemark":
            self.found.append(self._open)
            self._open = None
            if len(self.found) > MOST:
                raise too_many(self._name, "placemarks")
        elif tag == "coordinates":
            if self.walk.way[-2] == "Point":
                self._open.points.append(text)
        elif tag == "SimpleData" or (tag == "value" and self.walk.way[-2] == "Data"):
            self._open.data.append((self._key, text))
        elif tag in _TEXTS and self.walk.way[-2] in ("Placemark", "TimeStamp", "TimeSpan"):
            self._open.texts.setdefault(tag, text)

    def _text(self, data: str) -> None:
        if self._open is not None and (self._in_description or self.walk.way[-1] in (*_TEXTS, "SimpleData")):
            self._parts.append(data)


def read_kml(path: Path, *, mapping: Mapping[str, str]) -> Iterator[RawRow]:
    """Read the placemarks of a KML file that have a point; lines and areas are told and kept out.

    Parameters
    ----------
    path : Path
        The file. KML fixes its datum: WGS 84, longitude first.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml, for extended data and keys inside descriptions.

    Yields
    ------
    RawRow
        With the line of the ``<Placemark>`` tag; name becomes the den's label, the time stamp the date.

    Raises
    ------
    IntakeError
        The file is no XML, or holds no placemark with a point.
    """
    gathered = _Gathered(path.name)
    gathered.walk.through(path, "KML")
    taken = [mark for mark in gathered.found if mark.points or not mark.shapes]
    notes = tuple(_kept_out([mark for mark in gathered.found if mark.shapes and not mark.points], path.name))
    if not taken:
        said = "".join(f"; {note.message}" for note in notes)
        raise IntakeError(f"{path.name} holds no placemark with a point{said}")
    known = {*recognised(), *map(spelled, mapping)}
    described = [taken_apart([_plain(mark.texts.get("description", ""))], known) for mark in taken]
    own = [_fields(mark, fields) for mark, (fields, _, _) in zip(taken, described, strict=True)]
    headings = understand(list(dict.fromkeys(k for fields in own for k in fields)), mapping, file=path.name)
    notes = (*notes, *about_unknown(headings, file=path.name))
    for mark, fields, (_, prose, doubled) in zip(taken, own, described, strict=True):
        place, problems = _place(mark)
        given = headings.sort(fields)
        standard = {name: text for name, text in _standard(mark, prose).items() if name not in given}
        values, raw = headings.joined(fields, {"datum": "WGS84"} | place | standard)
        yield RawRow(path.name, mark.line, values, raw, (*notes, *problems, *doubled, *_twice(mark)))
        notes = ()


def _fields(mark: _Placemark, described: Mapping[str, str]) -> dict[str, str]:
    """Join extended data and described fields; extended data goes before."""
    data = {key or "(no name)": text for key, text in reversed(mark.data)}
    same = {spelled(key) for key in data}
    return data | {key: text for key, text in described.items() if spelled(key) not in same}


def _twice(mark: _Placemark) -> Iterator[Problem]:
    counts = Counter(key for key, _ in mark.data)
    for key in (key for key, count in counts.items() if count > 1):
        values = [text for name, text in mark.data if name == key]
        if len(set(values)) > 1:
            yield Problem(Level.ERROR, f"{key} is given twice: {', then '.join(values)}", key, hint="keep one")


def _standard(mark: _Placemark, prose: str) -> dict[str, str]:
    when = mark.texts.get("when") or mark.texts.get("begin", "")
    found = {"den_label": mark.texts.get("name", ""), "date": when, "notes": prose}
    return {name: text for name, text in found.items() if text}


def _place(mark: _Placemark) -> tuple[dict[str, str], tuple[Problem, ...]]:
    if len(mark.points) != 1:
        said = f"{len(mark.points)} points in one placemark; a den has one"
        return {}, (Problem(Level.ERROR, said, "coordinates"),)
    parts = [part.strip() for part in mark.points[0].split(",")]
    if len(parts) not in (2, 3) or not all(parts[:2]):
        said = f"coordinates '{mark.points[0][:60]}'; expected longitude,latitude"
        return {}, (Problem(Level.ERROR, said, "coordinates", mark.points[0][:60]),)
    return {"longitude": parts[0], "latitude": parts[1]}, ()


def _kept_out(marks: list[_Placemark], file: str) -> Iterator[Problem]:
    kinds = {"LineString": "line", "Track": "track", "MultiTrack": "track", "Model": "model"}
    counts = Counter(kinds.get(mark.shapes[0], "area") for mark in marks)
    for kind, count in counts.items():
        names = ", ".join(repr(m.texts.get("name", "")) for m in marks if kinds.get(m.shapes[0], "area") == kind)
        said = f"{count} {kind}{'s' if count > 1 else ''} kept out: no den sites ({names[:200]})"
        yield Problem(Level.NOTE, said, file=file)


class _Words(HTMLParser):
    """Takes the words out of a description in HTML: what begins a new line begins a part, a second cell is a value."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self._cells = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002 - the base class's own
        """Begin a part, or go on from heading to value."""
        if tag in _BREAKS:
            self.words.append("; ")
            self._cells = 0
        elif tag in ("td", "th"):
            self._cells += 1
            self.words.append(": " if self._cells == 2 else " ")

    def handle_endtag(self, tag: str) -> None:
        """End a part."""
        if tag in _BREAKS:
            self.words.append("; ")
            self._cells = 0

    def handle_data(self, data: str) -> None:
        """Keep the words."""
        self.words.append(data)


def _plain(text: str) -> str:
    """Return a description without its HTML, its lines parted by semicolons."""
    if "<" in text:
        reader = _Words()
        reader.feed(text)
        reader.close()
        text = "".join(reader.words)
    parts = (" ".join(part.split()) for line in text.splitlines() for part in line.split(";"))
    return "; ".join(part for part in parts if part)
