"""Raw rows of the animals' side turned into records: days, times, numbers, words, and whose they are."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from densite.animals import SETTLED, animal_key, model_of, read_teeth, record_uuid
from densite.animalterms import COMMON_TERMS, Kind, kept_as
from densite.errors import Level, Problem
from densite.intake.clock import read_moment
from densite.intake.rawrow import RawRow
from densite.intake.rows import COMMA, is_confirmed, key_of, parse_day, source_of
from densite.records import as_json, folded_label, problems_of, unusual
from densite.settings import Settings
from densite.terms import Term

_ID = re.compile(r"[0-9a-f]{8}(?:-?[0-9a-f]{1,4}){0,3}(?:-?[0-9a-f]{1,12})?", re.IGNORECASE)
ANIMALS = ("animal", "female", "cub_id", "dam", "sire")


@dataclass(slots=True)
class KnownRecords:
    """What reading needs to know of the register and of the rows before: dens, visits, animals, records, times."""

    dens: dict[str, tuple[str, str]] = field(default_factory=dict)  # folded label: den_id, label
    visits: dict[tuple[str, dt.date], str] = field(default_factory=dict)  # den_id, day: visit_id
    animals: dict[str, str] = field(default_factory=dict)  # squeezed id: the id as it was first written
    rows: dict[str, str] = field(default_factory=dict)  # row key: where it came from
    keyed: dict[str, str] = field(default_factory=dict)  # row key: record id
    records: dict[str, str] = field(default_factory=dict)  # record id: where it came from
    replaced: dict[str, str] = field(default_factory=dict)  # record id: the record that corrects it
    current: dict[tuple[str, ...], str] = field(default_factory=dict)  # natural key: record id
    keys: dict[str, tuple[str, ...]] = field(default_factory=dict)  # record id: natural key
    held: dict[str, dict[str, Any]] = field(default_factory=dict)  # record id: its values, of this kind
    latest: dict[tuple[str, dt.date], dt.datetime] = field(default_factory=dict)  # animal, day: last time so far
    handled: dict[tuple[str, dt.date], dt.datetime] = field(default_factory=dict)  # animal, day: handling's last time
    masses: dict[tuple[str, dt.date], float] = field(default_factory=dict)  # female, day: mass [kg]


@dataclass(frozen=True, slots=True)
class ReadRecord:
    """A row with the record that came of it, None where an error stands in the way."""

    raw: RawRow
    record: dict[str, Any] | None
    problems: tuple[Problem, ...]

    @property
    def confirmed(self) -> bool:
        """Whether a person has confirmed the row's doubts."""
        return is_confirmed(self.raw.values)


class _Found(list[Problem]):
    """Problems of one row, gathered on the way."""

    def say(self, level: Level, message: str, field: str, value: str = "", hint: str = "") -> None:
        self.append(Problem(level, message, field, value, hint=hint))


def read_record(raw: RawRow, kind: Kind, settings: Settings, known: KnownRecords, *, now: dt.datetime) -> ReadRecord:
    """Turn a raw row into a record of a kind.

    Parameters
    ----------
    raw : RawRow
        From a file of that kind.
    kind : Kind
        One of ``KINDS``.
    settings : Settings
        The study's zone, decimal mark and order of day and month.
    known : KnownRecords
        What is recorded, or stands earlier in the same file.
    now : datetime
        When the row is taken in, UTC.

    Returns
    -------
    ReadRecord
        With all problems of the row, each placed in its file.
    """
    found = _Found(raw.problems)
    values = _plain(raw.values, kind, settings)
    values |= {name: _one_spelling(name, values[name], known, found) for name in ANIMALS if values.get(name)}
    days = {t.name: _day(values, t, settings, found) for t in kind.terms if t.kind == "date"}
    _in_the_past(days, kind, now, found)
    plain = {t.name for t in kind.terms if t.kind not in ("date", "time")}
    fields = {name: value for name, value in values.items() if name in plain}
    fields |= days | _times(values, days, kind, settings, known, found)
    fields |= _den(values, days, kind, known, found)
    _corrected(fields, known, found)
    _teeth(fields, found)
    record = _checked(fields, raw, kind, settings, now, found)
    if record is not None:
        found.extend(_doubts(record, kind, known))
        record["settled"] = _settled(raw, found)
    placed = tuple(p if p.file and p.line else p.at(raw.file, 0 if p.file else raw.line) for p in found)
    failed = any(p.level is Level.ERROR for p in placed)
    return ReadRecord(raw, None if failed else record, placed)


def _plain(values: Mapping[str, str], kind: Kind, settings: Settings) -> dict[str, str]:
    if settings.intake.decimal != ",":
        return dict(values)
    numeric = {t.name for t in kind.terms if t.kind == "number"}
    return {k: COMMA.sub(".", v) if k in numeric else v for k, v in values.items()}


def _one_spelling(name: str, text: str, known: KnownRecords, found: _Found) -> str:
    """Bring an animal's id to the spelling that the register knows."""
    spelled = known.animals.get(animal_key(text), text)
    if spelled != text:
        hint = f"{text} taken for {spelled}"
        found.say(Level.NOTE, f"{name} written in another way before", name, text, hint)
    return spelled


def _day(values: Mapping[str, str], term: Term, settings: Settings, found: _Found) -> dt.date | None:
    text = values.get(term.name, "")
    if not text:
        return None
    try:
        return parse_day(text, ZoneInfo(settings.study.time_zone), settings.intake.date_order)
    except ValueError as error:
        found.say(Level.ERROR, f"{term.name} '{text}' {error}", term.name, text)
        return None


def _in_the_past(days: Mapping[str, dt.date | None], kind: Kind, now: dt.datetime, found: _Found) -> None:
    """Refuse work that was done in the future; permits and drop-offs may reach into it."""
    if kind.name == "permit":
        return
    for name in ("date", "checked_on", "born_on", "first_seen", "reported_on", "entered_at"):
        day = days.get(name)
        if day is not None and day > now.date() + dt.timedelta(days=1):
            found.say(Level.ERROR, f"{name} {day.isoformat()} lies in the future", name, day.isoformat())


def _times(
    values: Mapping[str, str], days: Mapping[str, dt.date | None], kind: Kind, settings: Settings,
    known: KnownRecords, found: _Found,
) -> dict[str, Any]:  # fmt: skip
    """Read the times of a row in the order of the work; each in UTC and on the clock of the study."""
    day = days.get("checked_on") or days.get("date")
    written = [term for term in kind.terms if term.kind == "time" and values.get(term.name)]
    if day is None or not written:
        return {}
    zone, fields = ZoneInfo(settings.study.time_zone), dict[str, Any]()
    event = (values.get("animal", ""), day)
    latest, sure = known.handled.get(event) or known.latest.get(event), event in known.handled or len(written) > 1
    for term in written:
        text = values[term.name]
        try:
            moment = read_moment(text, day, zone, after=latest)
        except ValueError as error:
            found.say(Level.ERROR, f"{term.name} '{text}' {error}", term.name, text)
            continue
        latest = max(moment.at, latest or moment.at, key=lambda at: at.astimezone(dt.UTC))
        for level, said in ((Level.NOTE if sure else Level.WARNING, moment.note), (Level.WARNING, moment.doubt)):
            if said:
                found.say(level, f"{term.name} {text}: {said}", term.name, text)
        fields |= {f"{term.name}_at": moment.at.astimezone(dt.UTC), f"{term.name}_local": moment.local}
    return fields


def _den(
    values: Mapping[str, str], days: Mapping[str, dt.date | None], kind: Kind, known: KnownRecords, found: _Found
) -> dict[str, Any]:
    """Find the den and the visit to which a row belongs."""
    label, day = values.get("den_label", ""), days.get("date")
    if not label:
        return {}
    if folded_label(label) not in known.dens:
        near = difflib.get_close_matches(label, [told for _, told in known.dens.values()], n=2)
        hint = f"did you mean {' or '.join(near)}? " if near else ""
        said = f"den_label '{label}': no den of that label in the register"
        found.say(Level.ERROR, said, "den_label", label, f"{hint}hand in the den's own row first")
        return {}
    den_id, told = known.dens[folded_label(label)]
    visit = known.visits.get((den_id, day)) if day else None
    if visit is None and day is not None and kind.name != "sample":
        said = f"no visit to den {told} on {day.isoformat()} is in the register"
        found.say(
            Level.WARNING, said, "date", day.isoformat(), "is the day right? Or hand in the den's row of that day"
        )
    return {"den_label": told, "den_id": den_id, "visit_id": visit}


def _corrected(fields: dict[str, Any], known: KnownRecords, found: _Found) -> None:
    """Make a correction name a record that is there, and a reason."""
    told = (fields.get("corrects") or "").strip().casefold()
    if not told:
        if fields.get("withdrawn", "").casefold() in ("yes", "y"):
            found.say(Level.ERROR, "withdrawn without corrects", "withdrawn", "yes", "name the record under corrects")
        return
    hits = [name for name in known.records if name.startswith(told)] if _ID.fullmatch(told) else []
    if len(hits) != 1:
        said = f"corrects '{told}': {'several records begin so' if hits else 'no such record of this kind'}"
        found.say(Level.ERROR, said, "corrects", told, "copy the record id, at least its first eight characters")
    elif hits[0] in known.replaced:
        said = f"corrects '{told}': that record was corrected already by {known.replaced[hits[0]][:8]}"
        found.say(Level.ERROR, said, "corrects", told, "correct the newest record")
    if not fields.get("correction_reason"):
        found.say(Level.ERROR, "correction_reason is empty; a correction needs its reason", "correction_reason")
    fields["corrects"] = hits[0] if len(hits) == 1 else None


def _teeth(fields: Mapping[str, Any], found: _Found) -> None:
    try:
        read_teeth(fields.get("teeth"))
    except ValueError as error:
        found.say(Level.ERROR, f"teeth: {error}", "teeth", fields.get("teeth") or "")


def _checked(
    fields: dict[str, Any], raw: RawRow, kind: Kind, settings: Settings, now: dt.datetime, found: _Found
) -> dict[str, Any] | None:
    key = key_of(raw)
    envelope = {
        "record_id": record_uuid(settings.study.id, kind.name, key), "recorded_at": now, "row_key": key,
        "as_recorded": as_json(raw.raw), **source_of(raw),
    }  # fmt: skip
    given = {name: value for name, value in fields.items() if value is not None and value != ""}
    try:
        record = model_of(kind).model_validate(envelope | given)
    except ValidationError as error:
        told = {p.field for p in found if p.level is Level.ERROR}
        terms = {term.name: term for term in kind.terms}
        found.extend(p for p in problems_of(error, terms) if p.field not in told)
        return None
    for term in (t for t in kind.terms if t.kind == "time" and t.name in kind.needed):
        if not raw.values.get(term.name):
            found.say(Level.ERROR, f"{term.name} is empty; write the time as 08:14", term.name)
    return record.model_dump()


def natural_key(record: Mapping[str, Any], kind: Kind) -> tuple[str, ...]:
    """Return what tells a record from others of its kind.

    Parameters
    ----------
    record : mapping
        Its values by column.
    kind : Kind
        Its kind.

    Returns
    -------
    tuple of str
        Folded, blank where a value is missing.
    """
    values = (record.get(name) for name in kind.key)
    return tuple("" if value is None else " ".join(str(value).casefold().split()) for value in values)


def _doubts(record: Mapping[str, Any], kind: Kind, known: KnownRecords) -> Iterator[Problem]:
    """Say what is possible but unusual about a record by itself and beside its like."""
    yield from (p for term in kind.terms if (p := unusual(term, record.get(term.name))))
    yield from _lost_by_correction(record, kind, known)
    same = known.current.get(natural_key(record, kind))
    if same is not None and record.get("corrects") != same:
        said = f"such a record is there already, with other values ({known.records[same]})"
        hint = (
            f"to correct it write {same[:8]} under corrects and why under correction_reason; confirm if both are true"
        )
        yield Problem(Level.CONFIRM, said, kind.key[0], hint=hint)
    if kind.name == "cub":
        yield from _heavy_cub(record, known)
    if kind.name == "handling":
        yield from _out_of_order(record, kind)
    if kind.name == "permit" and record["valid_to"] < record["valid_from"]:
        yield Problem(Level.CONFIRM, f"valid_to {record['valid_to']} is before valid_from {record['valid_from']}",
                      "valid_to", str(record["valid_to"]))  # fmt: skip


def same_record(record: Mapping[str, Any], kind: Kind, known: KnownRecords) -> str:
    """Find the current record that says just what a row says, in whatever spelling.

    Parameters
    ----------
    record : mapping
        The row's values by column.
    kind : Kind
        Its kind.
    known : KnownRecords
        What is recorded.

    Returns
    -------
    str
        Its record id; '' where there is none.
    """
    same = known.current.get(natural_key(record, kind), "")
    names = [name for name in kind.columns if name not in ("confirmed", "entered_at", "observer")]
    equal = bool(same) and all(_alike(record.get(name), known.held[same].get(name)) for name in names)
    return same if equal and not record.get("corrects") else ""


def _alike(one: Any, other: Any) -> bool:
    return one == other or (isinstance(one, float) and isinstance(other, float) and math.isclose(one, other))


def _lost_by_correction(record: Mapping[str, Any], kind: Kind, known: KnownRecords) -> Iterator[Problem]:
    """Ask when a correction leaves blank what the corrected record holds: the whole row takes its place."""
    before = known.held.get(record.get("corrects") or "")
    if before is None or record.get("withdrawn") == "yes":
        return
    ours = {term.name for term in COMMON_TERMS}
    names = [t.name for t in kind.terms if t.name not in ours and _kept(before, t) and not _kept(record, t)]
    if names:
        said = f"the correction leaves {', '.join(names)} blank, which the record holds"
        yield Problem(Level.CONFIRM, said, names[0], hint="repeat the whole row; confirm if they were wrong")


def _kept(record: Mapping[str, Any], term: Term) -> bool:
    return any(record.get(name) is not None for name in kept_as(term))


def _heavy_cub(record: Mapping[str, Any], known: KnownRecords) -> Iterator[Problem]:
    mother, mass = known.masses.get((record.get("female") or "", record["date"])), record.get("mass_g")
    if mother is not None and mass is not None and mass / 1000 >= mother:
        said = f"a cub of {mass / 1000:g} kg is as heavy as its mother ({mother:g} kg)"
        yield Problem(Level.CONFIRM, said, "mass_g", f"{mass:g}", hint="in grams?")


IN_ORDER = (
    ("approached", "darted"), ("darted", "down"), ("down", "first_handled"), ("first_handled", "last_handled"),
    ("down", "reversed"), ("down", "head_up"),
)  # fmt: skip


def _out_of_order(record: Mapping[str, Any], kind: Kind) -> Iterator[Problem]:
    headings = {term.name: term.heading for term in kind.terms}
    for before, after in IN_ORDER:
        first, second = record.get(f"{before}_at"), record.get(f"{after}_at")
        if first is not None and second is not None and second < first:
            said = f"{headings[after]} {clock(record, after)} is before {headings[before]} {clock(record, before)}"
            yield Problem(Level.CONFIRM, said, after, clock(record, after), hint="which of the two is right?")


def clock(record: Mapping[str, Any], name: str) -> str:
    """Return a time of a record as the clock at the den showed it.

    Parameters
    ----------
    record : mapping
        Its values by column.
    name : str
        Name of the time.

    Returns
    -------
    str
        ``08:14``; blank where it is missing.
    """
    return str(record.get(f"{name}_local") or "")[11:16]


def _settled(raw: RawRow, found: list[Problem]) -> str | None:
    """Name the fields whose doubts the crew has confirmed with this row.

    A confirmed correction settles all of them: whoever writes it has seen what `densite check` says.
    """
    if not is_confirmed(raw.values):
        return None
    if raw.values.get("corrects"):
        return SETTLED
    return ",".join(dict.fromkeys(p.field for p in found if p.field)) or None
