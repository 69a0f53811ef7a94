"""Entries of the field form that come again: the same, changed on the phone since, or withdrawn there."""

from __future__ import annotations

import datetime as dt
import json
import math
import shlex
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, select

from densite.animalterms import Kind, kept_as
from densite.errors import Level, Problem
from densite.intake.animalrows import KnownRecords, read_record
from densite.intake.rawrow import GONE, OF_ENTRY, PRINT, PROVENANCE, RawRow, entry_of, understand
from densite.intake.rows import is_confirmed, key_of, read_row
from densite.register import schema
from densite.register.columns import decode_point
from densite.settings import Settings
from densite.terms import PLACE_TERMS, RECORDED_TERMS, Term

_OF_VISIT = ("date", "crew", "observer", "female", "purpose", "entered_at")
_PLACE = tuple(term.name for term in PLACE_TERMS)
_KEPT_AS = {
    **dict.fromkeys(_PLACE, ("longitude", "latitude")), "den_label": ("label",), "date": ("observed_on",),
    "aspect": ("aspect_read",), "slope_deg": ("slope_deg",), "slope_pct": ("slope_deg",),
}  # fmt: skip
_NOT_HELD = ("confirmed", "study", "den_id")
_LEAVE = "or write yes under confirmed to leave the record as it is"
Differences = dict[str, tuple[str, str]]


def withdrawn_there(raw: RawRow) -> bool:
    """Tell whether a row is an entry that the crew withdrew on the phone.

    Parameters
    ----------
    raw : RawRow
        From any crew file.

    Returns
    -------
    bool
    """
    return bool(entry_of(raw.values)) and raw.values.get(GONE) == "yes"


def visit_again(raw: RawRow, connection: Connection, settings: Settings) -> list[Problem]:
    """Hold a den entry that is recorded already against the record.

    Parameters
    ----------
    raw : RawRow
        With the entry's id.
    connection : Connection
        Reading or writing.
    settings : Settings
        By which the row is read.

    Returns
    -------
    list of Problem
        What a person must look at; empty where the phone says what is recorded, or said when it was.
    """
    v, d = schema.visit, schema.den
    query = select(v, d.c.label, d.c.withdrawn.label("den_withdrawn")).join(d, v.c.den_id == d.c.den_id)
    held = connection.execute(query.where(v.c.row_key == key_of(raw))).mappings().first()
    if held is None or is_confirmed(raw.values):  # not yet written: it stands twice in its file
        return [] if held is not None else _wrong_id(raw)
    name = f"{held['label']}/{held['observed_on']}"
    if withdrawn_there(raw):
        gone = held["withdrawn"] or held["den_withdrawn"]
        return [] if gone else [_withdrawn(raw, f"`densite withdraw {shlex.quote(name)} --reason {_reason(raw)}`")]
    found = _differences(raw, json.loads(held["as_recorded"]), RECORDED_TERMS, settings)
    if found:
        row = read_row(raw, settings, now=dt.datetime.now(dt.UTC))
        den = connection.execute(select(d).where(d.c.den_id == held["den_id"])).mappings().one()
        known = dict(den) | dict(zip(("longitude", "latitude"), decode_point(den["geom"]), strict=True))
        read = (row.den.model_dump() if row.den else {}), (row.visit.model_dump() if row.visit else {})
        found = {k: pair for k, pair in found.items() if not _settled(k, read, (known, dict(held)))}
    return [_changed(raw, found, _commands(name, str(held["label"]), found))] if found else _wrong_id(raw)


def record_again(
    raw: RawRow, kind: Kind, known: KnownRecords, settings: Settings, *, now: dt.datetime
) -> list[Problem]:
    """Hold an entry of the animals' side that is recorded already against the record.

    Parameters
    ----------
    raw : RawRow
        With the entry's id.
    kind : Kind
        Its kind.
    known : KnownRecords
        What is recorded.
    settings : Settings
        By which the row is read.
    now : datetime
        When the row is taken in, UTC.

    Returns
    -------
    list of Problem
        As for :func:`visit_again`.
    """
    if is_confirmed(raw.values):
        return []
    first = known.keyed[key_of(raw)]
    newest = first
    while newest in known.replaced:
        newest = known.replaced[newest]
    held = known.held[newest]
    if withdrawn_there(raw):
        way = f"write {newest[:8]} under corrects, yes under withdrawn and why under correction_reason"
        return [] if held.get("withdrawn") == "yes" else [_withdrawn(raw, way)]
    found = _differences(raw, json.loads(known.held[first]["as_recorded"]), kind.terms, settings)
    if found:
        read = read_record(raw, kind, settings, known, now=now).record or {}
        terms = {term.name: kept_as(term) for term in kind.terms}
        found = {k: pair for k, pair in found.items() if not _same(terms[k], read, held)}
    way = f"right on the phone? Write {newest[:8]} under corrects and why under correction_reason"
    return [_changed(raw, found, way)] if found else _wrong_id(raw)


def _wrong_id(raw: RawRow) -> list[Problem]:
    return [p.at(raw.file, raw.line) for p in raw.problems if p.field == "id"]


def _differences(raw: RawRow, recorded: Mapping[str, str], terms: Sequence[Term], settings: Settings) -> Differences:
    """Return by column what was recorded and what the phone says now; nothing where it says what it said then."""
    if recorded.get(PRINT) == raw.raw.get(PRINT):
        return {}
    names = understand(list(recorded), settings.intake.columns, file=raw.file, terms=terms)
    before, now = names.sort(recorded), raw.values
    columns = [t.name for t in terms if t.name not in _NOT_HELD and t.name not in (*OF_ENTRY, *PROVENANCE)]
    pairs = {name: (before.get(name, ""), now.get(name, "")) for name in columns}
    return {name: pair for name, pair in pairs.items() if " ".join(pair[0].split()) != " ".join(pair[1].split())}


def _settled(name: str, read: tuple[Mapping[str, Any], ...], held: tuple[Mapping[str, Any], ...]) -> bool:
    """Tell whether the register says by now what the phone says."""
    columns = _KEPT_AS.get(name, (name,))
    side = 1 if name in _OF_VISIT else 0
    return _same(columns, read[side], held[side])


def _same(columns: Sequence[str], read: Mapping[str, Any], held: Mapping[str, Any]) -> bool:
    return bool(read) and all(_alike(read.get(column), held.get(column)) for column in columns)


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return (one or None) == (other or None)


def _changed(raw: RawRow, found: Differences, way: str) -> Problem:
    told = "; ".join(f"{name}: recorded '{old}', on the phone now '{new}'" for name, (old, new) in found.items())
    said = f"this entry is recorded and was changed on the phone since: {told}"
    return Problem(Level.CONFIRM, said, next(iter(found)), file=raw.file, line=raw.line, hint=f"{way}; {_LEAVE}")


def _withdrawn(raw: RawRow, way: str) -> Problem:
    said = "this entry is recorded and was withdrawn on the phone since"
    why = raw.values.get("withdrawn_reason", "")
    said += f" ('{why}')" if why else ""
    return Problem(Level.CONFIRM, said, GONE, file=raw.file, line=raw.line, hint=f"{way}; {_LEAVE}")


def _reason(raw: RawRow) -> str:
    return shlex.quote(raw.values.get("withdrawn_reason") or "WHY")


def _commands(visit: str, den: str, found: Differences) -> str:
    """Say how the register is brought to what the phone says."""
    return "right on the phone? " + ", and ".join(
        f"`densite correct {shlex.quote(name)} {' '.join(fields)} --reason WHY`"
        for name, fields in ((den, list(_fields(found, visit=False))), (visit, list(_fields(found, visit=True))))
        if fields
    )


def _fields(found: Differences, *, visit: bool) -> Iterator[str]:
    for name, (_, new) in found.items():
        if (name in _OF_VISIT) == visit:
            yield shlex.quote(f"{name}={new}")
