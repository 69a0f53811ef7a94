"""The field form's own file: GeoJSON whose entries keep the ids that the phone gave them."""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from densite.animalterms import KINDS, Kind
from densite.errors import IntakeError, Level, Problem
from densite.intake.geojson import collection_of, lines_of, text_of
from densite.intake.part import Part, Photograph, told_only
from densite.intake.rawrow import ENTRY, GONE, PRINT, RawRow, about_unknown, shown, understand, whole
from densite.records import row_key
from densite.settings import Settings
from densite.terms import RECORDED_TERMS, Term

VERSION = 1
_HEAD = 4096  # bytes at either end in which the head is looked for
_KEPT = ("begun_at", "changed_at", "fixes")  # beside the columns, kept with the row word for word
_OURS = (*_KEPT, "record", "visit", GONE, "withdrawn_reason", "photos")
_APART_DEG = 1e-4  # about 10 m: text and point of one entry say the same place to more digits than that


@dataclass(frozen=True, slots=True)
class _Entry:
    """One record of a field file."""

    id: str
    kind: str
    line: int
    texts: dict[str, str]
    beside: dict[str, str]
    point: tuple[float, float] | None
    visit: str
    photographs: tuple[Photograph, ...]
    problems: tuple[Problem, ...] = ()


def is_field_file(path: Path) -> bool:
    """Tell whether a file is one of the field form's own, whatever its name ends in.

    Parameters
    ----------
    path : Path
        A .geojson, .json or .txt file: some phones share only the last two.

    Returns
    -------
    bool
    """
    if path.suffix.lower() not in (".geojson", ".json", ".txt"):
        return False
    with path.open("rb") as file:
        start = file.read(_HEAD)
        file.seek(max(_HEAD, path.stat().st_size - _HEAD))
        end = file.read()  # a program that wrote the file anew may have put the head last
    return start.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{" and b'"field_file"' in start + end


def read_field_file(path: Path, *, name: str, settings: Settings) -> Iterator[Part]:
    """Read a field file: a part for each kind of record in it.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        How people know it.
    settings : Settings
        The study whose file it must be, and its mapping of headings.

    Yields
    ------
    Part
        Its rows carry the entry's id, which is their key.

    Raises
    ------
    IntakeError
        It is no field file, of a version that is not known, or of another study.
    """
    text = text_of(path)
    collection = collection_of(text, path.name)
    _of_this_study(collection.get("densite"), path.name, settings)
    features = collection["features"]
    entries = [_entry(feature, line) for feature, line in zip(features, lines_of(text, len(features)), strict=True)]
    entries = _filled(_doubled(entries))
    for kind in (None, *KINDS.values()):
        some = [entry for entry in entries if entry.kind == (kind.name if kind else "den")]
        if some:
            own = f"{name} ({kind.heading.lower()})" if kind else name
            photographs = tuple(p for entry in some for p in entry.photographs if GONE not in entry.beside)
            rows = _rows(some, own, kind, settings)
            yield Part(own, kind, rows, keyed=True, photographs=photographs)
    strange = [entry for entry in entries if entry.kind not in ("den", *KINDS)]
    if strange:
        listed = ", ".join(sorted({repr(entry.kind) for entry in strange}))[:200]
        first = f"{len(strange)} entries of kinds that are not known ({listed}), the first in line {strange[0].line}"
        yield told_only(name, failed=f"{name} holds {first}: update densite")
    if not entries:
        raise IntakeError(f"{name} holds no entries: nothing to take in")


def _of_this_study(head: Any, name: str, settings: Settings) -> None:
    head = head if isinstance(head, dict) else {}
    if head.get("field_file") != VERSION:
        raise IntakeError(f"{name} is a field file of a version that this program does not know: update densite")
    if head.get("study") != settings.study.id:
        raise IntakeError(
            f"{name} is a field file of the study with id {shown(str(head.get('study')))[:60]}, this is "
            f"{settings.study.id} ({settings.study.name}): hand it in to the study whose form the crew had"
        )


def _entry(feature: Any, line: int) -> _Entry:
    """Read one feature; what is wrong with it goes with its row, so that nothing of it is lost."""
    feature = feature if isinstance(feature, dict) else {}
    told = feature.get("properties")
    told = told if isinstance(told, dict) else {}
    key, kind = _uuid(feature.get("id")), whole(str(told.get("record")))
    texts = {whole(k): _text(v) for k, v in told.items() if k not in _OURS and v is not None}
    beside = {k: shown(_text(told[k])) for k in _KEPT if told.get(k)}
    if told.get(GONE) == "yes":
        beside |= {GONE: "yes", "withdrawn_reason": shown(_text(told.get("withdrawn_reason") or ""))}
    visit = _uuid(told.get("visit"))
    if visit:
        beside["visit_entry"] = visit
    problems = () if key else (Problem(Level.ERROR, "the entry has no UUID under id", "id"),)
    photographs = _photographs(told.get("photos"), key, visit or key)
    return _Entry(key, kind, line, texts, beside, _point(feature.get("geometry")), visit, photographs, problems)


def _text(value: Any) -> str:
    return whole(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))


def _uuid(value: Any) -> str:
    try:
        return str(uuid.UUID(value)) if isinstance(value, str) else ""
    except ValueError:
        return ""


def _point(geometry: Any) -> tuple[float, float] | None:
    told = geometry.get("coordinates") if isinstance(geometry, dict) and geometry.get("type") == "Point" else None
    if not isinstance(told, list) or len(told) < 2:
        return None
    longitude, latitude = told[:2]
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (longitude, latitude))
    return (longitude, latitude) if numbers else None


def _photographs(told: Any, entry: str, visit: str) -> tuple[Photograph, ...]:
    """Gather the photographs of an entry; one without bytes stays, so that it is told and not passed over."""
    found = told if isinstance(told, list) else [told] if told else []
    return tuple(_photograph(one if isinstance(one, dict) else {}, entry, visit) for one in found)


def _photograph(told: Mapping[str, Any], entry: str, visit: str) -> Photograph:
    data = told.get("data")
    return Photograph(shown(str(told.get("name", "")))[:80], data if isinstance(data, str) else "", entry, visit)


def _doubled(entries: Sequence[_Entry]) -> list[_Entry]:
    """Refuse the second of two entries of one id that say different things."""
    seen: dict[str, _Entry] = {}
    made = []
    for entry in entries:
        first = seen.setdefault(entry.id, entry) if entry.id else entry
        if _said(first) != _said(entry):
            said = f"the id {entry.id} stands in line {first.line} with other values: which are right?"
            entry = _with(entry, problems=(*entry.problems, Problem(Level.ERROR, said, "id")))
        made.append(entry)
    return made


def _said(entry: _Entry) -> tuple[object, ...]:
    return entry.kind, entry.texts, entry.beside, entry.point


def _filled(entries: Sequence[_Entry]) -> list[_Entry]:
    """Give a record the day and the den of the den entry to which it belongs, where its own are blank."""
    visits = {entry.id: entry for entry in entries if entry.kind == "den"}
    made = []
    for entry in entries:
        kind, den = KINDS.get(entry.kind), visits.get(entry.visit)
        names = {term.name for term in kind.terms} if kind and den else set()
        from_den = {"date": den.texts.get("date", ""), "den_label": _label(den)} if den else {}
        blanks = {k: v for k, v in from_den.items() if k in names and v and not entry.texts.get(k)}
        made.append(_with(entry, texts=entry.texts | blanks) if blanks else entry)
    return made


def _label(den: _Entry) -> str:
    """Return the label that a den gets in the register, also one without a label."""
    return den.texts.get("den_label", "").strip() or (f"unnamed-{den.id}" if den.id else "")


def _with(entry: _Entry, **changes: Any) -> _Entry:
    return replace(entry, **changes)


def _rows(entries: Sequence[_Entry], name: str, kind: Kind | None, settings: Settings) -> Iterator[RawRow]:
    terms: Sequence[Term] = kind.terms if kind else RECORDED_TERMS
    heads = list(dict.fromkeys(key for entry in entries for key in entry.texts))
    headings = understand(heads, settings.intake.columns, file=name, terms=terms)
    notes = tuple(about_unknown(headings, file=name))
    needed = (*kind.needed, *kind.telling[:1]) if kind else ("den_label", "date", "den_type")
    blank = dict.fromkeys((term for term in needed if term not in headings.names.values()), "")
    for entry in entries:
        values = headings.sort(entry.texts)
        place, problems = _placed(entry, values) if kind is None else ({}, ())
        own = _own(entry, row_key(values | place))
        raw = blank | entry.texts | place | own
        yield RawRow(name, entry.line, values | place | own, raw, (*notes, *entry.problems, *problems))
        notes = ()


def _own(entry: _Entry, fingerprint: str) -> dict[str, str]:
    """Return what tells a row as that of its entry: its id, what the phone said, and what stands beside."""
    return ({ENTRY: entry.id} if entry.id else {}) | {PRINT: fingerprint} | entry.beside


def _placed(entry: _Entry, values: Mapping[str, str]) -> tuple[dict[str, str], tuple[Problem, ...]]:
    """Take the point where the columns say no place; ask where both do and lie apart."""
    if entry.point is None or values.get("offset_distance_m"):  # the point is the crew's, the den lies off it
        return {}, ()
    longitude, latitude = entry.point
    if not any(values.get(name) for name in ("latitude", "longitude", "coordinates", "easting", "mgrs", "x")):
        return {"latitude": repr(latitude), "longitude": repr(longitude), "datum": "WGS84"}, ()
    written = [values.get("latitude", ""), values.get("longitude", "")]
    if all(re.fullmatch(r"-?\d{1,3}(\.\d+)?", text) for text in written):
        apart = [abs(float(text) - value) for text, value in zip(written, (latitude, longitude), strict=True)]
        if max(apart) > _APART_DEG:
            said = "latitude and longitude are not those of the entry's point: which are right?"
            return {}, (Problem(Level.CONFIRM, said, "latitude", written[0]),)
    return {}, ()
