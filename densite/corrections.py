"""Corrections of dens and visits: values read as intake reads them, changed with a reason."""

from __future__ import annotations

import datetime as dt
import difflib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pydantic import ValidationError

from densite import history, places
from densite.deliveries import DryRun
from densite.errors import IntakeError, Level, Problem, RegisterError, seen
from densite.intake.rawrow import RawRow, meanings, understand
from densite.intake.rows import ReadRow, read_row
from densite.intake.screening import Known, screen, settle_names
from densite.known import known_of
from densite.records import DenSite, columns, doubts, problems_of, unseen
from densite.register import Register
from densite.register.columns import encode_point
from densite.register.misplaced import WAY_OUT
from densite.settings import Settings
from densite.terms import DEN_TERMS, OFFSET_TERMS, PLACE_TERMS, RECORDED_TERMS, SIGHTINGS, by_name, spelled

SOURCE = "densite correct"
_PLACE = tuple(term.name for term in PLACE_TERMS)
_WAYS = (
    ("coordinates",),
    ("latitude", "longitude"),
    ("mgrs",),
    ("easting", "northing", "utm_zone"),
    ("x", "y", "epsg"),
)
_OF_DEN = frozenset({*_PLACE, *(t.name for t in DEN_TERMS)} - {"den_id"})
_OF_VISIT = frozenset({"date", "crew", "observer", "female", "purpose", "entered_at"})
_BEARING = ("aspect_read", "aspect_reference", "aspect_deg", "aspect_error_deg", "declination_deg", "declination_model")
# Columns that only make sense together are changed together.
_TOGETHER = {
    **dict.fromkeys(_PLACE, ("longitude", "latitude", "position_note", "uncertainty_m")),
    **dict.fromkeys(("aspect", "aspect_reference", "aspect_sighted"), _BEARING),
    **dict.fromkeys(("slope_deg", "slope_pct"), ("slope_read", "slope_deg")),
    "den_label": ("label",), "date": ("observed_on",),
}  # fmt: skip
_WITH_PLACE = ("datum", "uncertainty_m")
_WITH_DAY = ("date", "first_found", "entered_at")
_MOVE_BEARING = {*_PLACE, "date"}  # a magnetic bearing is made true by place and day

Row = dict[str, Any]


@dataclass(slots=True)
class Correction:
    """What a correction changes: by record, column to value before and after; with all its problems."""

    name: str
    changes: dict[tuple[str, str], dict[str, tuple[Any, Any]]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    done: bool = False

    @property
    def stops(self) -> list[Problem]:
        """Return what stands in the way whatever a person confirms."""
        return [p for p in self.problems if p.level is Level.ERROR]

    @property
    def doubts(self) -> list[Problem]:
        """Return what a person must confirm."""
        return [p for p in self.problems if p.level in (Level.CONFIRM, Level.WARNING)]

    def lines(self) -> list[str]:
        """Say each change in words, under headings and units of the table of terms."""
        return [line for (table, _), pairs in self.changes.items() for line in _lines(table, pairs)]


@dataclass(slots=True)
class _Held:
    """What the register holds, as a correction needs it."""

    register: Register
    settings: Settings
    area: Any | None
    dens: gpd.GeoDataFrame
    visits: pd.DataFrame

    def den(self, den_id: str) -> Row:
        """Return a den's values, its place in degrees."""
        row = _plain(self.dens.loc[den_id].to_dict())
        point = row.pop("geometry")  # None where another program has left none
        lon, lat = (point.x, point.y) if point is not None else (None, None)
        return row | {"den_id": den_id, "longitude": lon, "latitude": lat}

    def visit(self, visit_id: str) -> Row:
        """Return a visit's values."""
        return _plain(self.visits.loc[visit_id].to_dict()) | {"visit_id": visit_id}

    def first(self, den: Row) -> Row | None:
        """Return the visit whose row made the den."""
        v = self.visits
        own = v.loc[v["den_id"] == den["den_id"]]
        made = own.loc[(own["source_file"] == den["source_file"]) & (own["source_line"] == den["source_line"])]
        return next((self.visit(str(some.index[0])) for some in (made, own) if len(some)), None)

    def describing(self, den: Row) -> Row | None:
        """Return the visit on which the den's bearing was read: the one that filled it in, else the first."""
        own = self.visits.loc[self.visits["den_id"] == den["den_id"]]
        filled = own.loc[own["filled"].fillna("").str.split(",").map(lambda names: "aspect_read" in names)]
        return self.visit(str(filled.index[0])) if len(filled) else self.first(den)


def correct(
    register: Register, text: str, values: Mapping[str, str], *, reason: str, settings: Settings,
    area: Any | None = None, confirm: bool = False, dry_run: bool = False, shown: Correction | None = None,
) -> Correction:  # fmt: skip
    """Correct values of a den or a visit.

    Parameters
    ----------
    register : Register
        Open register.
    text : str
        A den's label, ``DEN/2026-02-24``, or the id of a den or a visit.
    values : mapping of str to str
        Text under names or headings of columns, as a crew file would have it; blank empties a column.
    reason : str
        Why; kept in the journal.
    settings : Settings
        The study's settings.
    area : shapely geometry, optional
        Study boundary in WGS 84, prepared. [deg]
    confirm : bool
        A person looked at the doubts and they are right.
    dry_run : bool
        Only say what would change.
    shown : Correction, optional
        What a person has seen and agreed to; a register that has changed since is not touched.

    Returns
    -------
    Correction
        ``done`` only where nothing stands in the way.

    Raises
    ------
    RegisterError
        No such record, no reason, nothing to change, or the register cannot be written.
    """
    if not reason.strip():
        raise RegisterError("a correction needs a reason, which is kept for good: --reason WHY")
    if wrong := unseen(reason):
        raise RegisterError(f"the reason '{seen(reason)}' {wrong}")
    made = Correction("")
    try:
        with register.writing(source=SOURCE, reason=reason.strip()) as connection:
            made = _planned(register, _one(register, text), values, settings, area)
            if made.stops or dry_run or (made.doubts and not confirm):
                raise DryRun
            if shown is not None and shown.changes != made.changes:
                raise RegisterError(
                    f"{made.name} was changed by somebody else meanwhile: look again. Nothing was changed"
                )
            for (table, record), pairs in made.changes.items():
                _write(register, connection, table, record, pairs)
    except DryRun:
        return made
    made.done = True
    return made


def _one(register: Register, text: str) -> tuple[str, str, str]:
    """Return table, id and name of the one den or visit that a text names, which must not be withdrawn."""
    found = found_one(register, text)
    table, record = found.kind, found.records[found.kind][0]
    if record not in (register.dens(only=(), if_legible=True) if table == "den" else register.visits(only=())).index:
        what = found.name if table == "den" else f"{found.name} (or its den)"
        raise RegisterError(f"{what} is withdrawn: first take that back, `densite withdraw --undo`")
    return table, record, found.name


def found_one(register: Register, text: str) -> history.Found:
    """Find the one den or visit that a text names.

    Parameters
    ----------
    register : Register
        Open register.
    text : str
        A den's label, ``DEN/2026-02-24``, or an id.

    Returns
    -------
    Found

    Raises
    ------
    RegisterError
        There is none, more than one, or it is a record of the animals' side.
    """
    with register.reading() as connection:
        found = history.find(connection, text)
    if found.kind not in ("den", "visit"):
        raise RegisterError(
            f"{found.name} is of the animals' side: hand in the right row with its record_id under corrects "
            "(`densite records KIND` lists them)"
        )
    ids = found.records[found.kind]
    if len(ids) > 1:
        raise RegisterError(f"{found.name} stands for {len(ids)} visits; give one by its id: {', '.join(ids)}")
    return found


def _planned(
    register: Register, target: tuple[str, str, str], values: Mapping[str, str], settings: Settings, area: Any | None
) -> Correction:
    """Work out what changes."""
    table, record, name = target
    made = Correction(name)
    given = _named(values, table, settings, made)
    if made.stops:
        return made
    held = _Held(register, settings, area, register.dens(every=True, if_legible=True), register.visits())
    (_plan_den if table == "den" else _plan_visit)(record, given, held, made)
    made.changes = {key: pairs for key, pairs in made.changes.items() if pairs}
    if not made.changes and not made.stops:
        raise RegisterError(f"{name}: these values are recorded already, nothing to change")
    return made


def _named(values: Mapping[str, str], table: str, settings: Settings, made: Correction) -> dict[str, str]:
    """Bring the fields to their names; those that do not exist, or belong elsewhere, are problems."""
    known = meanings(settings.intake.columns, RECORDED_TERMS) | {"label": "den_label"}
    allowed, other = (_OF_DEN, "a visit: name it as DEN/DATE") if table == "den" else (_OF_VISIT, "a den: name that")
    named: dict[str, str] = {}
    for written, value in values.items():
        name = known.get(spelled(written))
        if name is None:
            near = difflib.get_close_matches(spelled(written), known, n=1)
            hint = f"did you mean {known[near[0]]}?" if near else "`densite columns` lists them"
            made.problems.append(Problem(Level.ERROR, f"no column '{seen(written)}'", written, value, hint=hint))
        elif name not in allowed:
            said = f"{name} cannot be corrected" if name in ("den_id", "confirmed") else f"{name} belongs to {other}"
            made.problems.append(Problem(Level.ERROR, said, name, value))
        elif wrong := unseen(value):
            made.problems.append(Problem(Level.ERROR, f"{name} '{seen(value)}' {wrong}", name, value))
        elif name in named:
            made.problems.append(Problem(Level.ERROR, f"{name} is given twice", name, value))
        else:
            named[name] = value.strip()
    if not values:
        made.problems.append(Problem(Level.ERROR, "no value given: write FIELD=VALUE, for example slope_deg=22"))
    return named


def _plan_den(
    den_id: str, given: Mapping[str, str], held: _Held, made: Correction, *, day: dt.date | None = None
) -> None:
    """Work out what changes of a den; with another day only its bearing."""
    old = held.den(den_id)
    if _refused_without_place(old, given, made):
        return
    touched = {*given, *(("date",) if day else ())}
    base = _base(old, given, held) | _base_bearing(old, touched, held, day)
    row = _read(base, given, held.settings)
    made.problems.extend(_about(row, touched))
    if row.den is None:
        return
    new = old | {name: getattr(row.den, name) for name in _columns_of(touched - {"date"})}
    made.problems.extend(_doubts_of(old, new))
    made.problems.extend(_against_others(row, given, held, den_id))
    made.changes["den", den_id] = _changed(old, new)
    _settle(made, held.first(old), den_id)


def _base_bearing(den: Row, touched: set[str], held: _Held, day: dt.date | None) -> dict[str, str]:
    """Return the day and, where it must be read anew, the bearing; ``touched`` is added to."""
    seen = held.describing(den)
    read_on = day or (seen["observed_on"] if seen else den["first_found"] or den["recorded_at"].date())
    moved = bool(touched & _MOVE_BEARING) and den["aspect_reference"] == "magnetic"
    if not moved and not touched & {"aspect", "aspect_reference", "aspect_sighted"}:
        return {"date": str(read_on)}
    touched.add("aspect")
    read = den["aspect_read"] or ""
    if "aspect_sighted" in touched:  # said anew
        read = read.removesuffix(f" {SIGHTINGS[1]}")
    return {"date": str(read_on)} | _text({"aspect": read, "aspect_reference": den["aspect_reference"]})


def _plan_visit(visit_id: str, given: Mapping[str, str], held: _Held, made: Correction) -> None:
    """Work out what changes of a visit, and of the den's bearing if it was read on that day."""
    old = held.visit(visit_id)
    den = held.den(old["den_id"])
    if _refused_without_place(den, {}, made):
        return
    names = {"date": "observed_on"} | {name: name for name in _OF_VISIT - {"date"}}
    base = _base(den, {}, held) | _text({term: old[column] for term, column in names.items()})
    known = known_of(held.register, held.settings)
    known.forget_visit(den["den_id"], old["observed_on"], old["observer"] or "", old["female"] or "")
    row = settle_names(_read(base, given, held.settings), known)
    made.problems.extend(_about(row, set(given)))
    if row.visit is None:
        return
    if {"date", "observer", "female"} & given.keys():
        made.problems.extend(p for p in screen(row, known, None) if p.field == "date")
    new = old | {names[name]: getattr(row.visit, names[name]) for name in given}
    made.changes["visit", visit_id] = _changed(old, new)
    made.problems.extend(_left_behind(visit_id, old, new, held))
    describing = held.describing(den)
    if new["observed_on"] != old["observed_on"] and describing and describing["visit_id"] == visit_id:
        _plan_den(den["den_id"], {}, held, made, day=new["observed_on"])


def _refused_without_place(den: Row, given: Mapping[str, str], made: Correction) -> bool:
    """Refuse to correct anything else of a den whose point is unreadable: what is checked hangs on the place."""
    without = den["longitude"] is None and not given.keys() & set(_PLACE)
    if without:
        said = f"the point of den {seen(den['label'])} cannot be read: another program wrote it"
        made.problems.append(Problem(Level.ERROR, said, "latitude", hint="correct the den's place first: " + WAY_OUT))
    return without


def _text(values: Mapping[str, Any]) -> dict[str, str]:
    return {name: str(value) for name, value in values.items() if value is not None and value != ""}


def _base(den: Row, given: Mapping[str, str], held: _Held) -> dict[str, str]:
    """Return a row that says of a den what it must, for the given cells to be read beside it."""
    told = {"den_id": den["den_id"], "den_label": den["label"], "first_found": den["first_found"]}
    return _text(told | {"den_type": "unknown"}) | _base_place(den, given, held)


def _base_place(den: Row, given: Mapping[str, str], held: _Held) -> dict[str, str]:
    """Return the place as the crew wrote it, if that is still the den's place; else in WGS 84.

    So a datum or a zone can be corrected alone, and what a change of datum adds to the crew's own
    uncertainty is not lost.
    """
    first, touched = held.first(den), given.keys() & set(_PLACE)
    written = _as_written(first, held.settings) if first else {}
    if den["longitude"] is None:
        placed = _text({"uncertainty_m": den["uncertainty_m"]})
    elif not _same_place(den, written, held.settings, first["observed_on"] if first else None):
        written = {}
        placed = {"latitude": f"{den['latitude']:.10f}", "longitude": f"{den['longitude']:.10f}", "datum": "WGS84"}
        placed |= _text({"uncertainty_m": den["uncertainty_m"]})
    else:
        placed = written
    if not touched:
        return placed
    return _incomplete(written, touched) | {n: placed[n] for n in ("uncertainty_m",) if n in placed}


def _incomplete(written: Mapping[str, str], touched: set[str]) -> dict[str, str]:
    """Return the crew's cells that complete a place of which only some cells are given."""
    ways = [way for way in _WAYS if set(way) & touched]
    if not ways:  # the datum alone
        return {name: text for name, text in written.items() if name in _PLACE}
    lacking = [name for way in ways for name in way if name not in touched]
    from_there = [term.name for term in OFFSET_TERMS if term.name not in touched]  # the crew's place, not the den's
    names = [*lacking, *(("datum",) if lacking else ()), *from_there]
    return {name: written[name] for name in names if name in written}


def _as_written(visit: Row, settings: Settings) -> dict[str, str]:
    """Return the place's cells of the crew's row, word for word, under their names."""
    raw = {str(k): str(v) for k, v in json.loads(visit["as_recorded"] or "{}").items() if v is not None}
    try:
        values = understand(list(raw), settings.intake.columns, file=visit["source_file"]).sort(raw)
    except IntakeError:  # the study's own mapping was changed since
        return {}
    return {name: values[name] for name in (*_PLACE, "uncertainty_m") if name in values}


def _same_place(den: Row, written: Mapping[str, str], settings: Settings, day: dt.date | None) -> bool:
    """Tell whether the crew's cells give the place and uncertainty that the den has now."""
    if not written:
        return False
    others = {"den_label": "x", "den_type": "unknown", "date": str(day)}
    read = _read(others | dict(written), {}, settings).den
    names = ("longitude", "latitude", "uncertainty_m")
    return read is not None and all(getattr(read, name) == den[name] for name in names)


def _read(base: Mapping[str, str], given: Mapping[str, str], settings: Settings) -> ReadRow:
    """Read a row as intake does: the base with the given cells in place, blank ones empty."""
    values = {name: value for name, value in {**base, **given}.items() if value}
    return read_row(RawRow("", 0, values, dict(given)), settings, now=dt.datetime.now(dt.UTC))


def _about(row: ReadRow, touched: set[str]) -> Iterator[Problem]:
    """Yield the errors of a row, and what else it says of the cells that were touched; a den's doubts stand apart."""
    fields = {
        *touched,
        *(_WITH_PLACE if touched & set(_PLACE) else ()),
        *(_WITH_DAY if touched & set(_WITH_DAY) else ()),
    }
    known = {p.message for p in (doubts(row.den) if row.den else ())}
    for problem in row.problems:
        if problem.level is Level.ERROR or (problem.field in fields and problem.message not in known):
            yield problem


def _columns_of(touched: set[str]) -> list[str]:
    return list(dict.fromkeys(column for name in touched for column in _TOGETHER.get(name, (name,))))


def _doubts_of(old: Row, new: Row) -> Iterator[Problem]:
    """Yield the doubts that the changed den raises and the old one did not."""
    before = {p.message for p in _doubtful(old)}
    yield from (p for p in _doubtful(new) if p.message not in before)


def _doubtful(den: Row) -> list[Problem]:
    fields = {name: den[name] for name in columns(DenSite) if den.get(name) is not None}
    try:
        return doubts(DenSite.model_validate(fields))
    except ValidationError as error:  # another program has written what no den can hold
        return [replace(p, level=Level.WARNING) for p in problems_of(error)]


def _against_others(row: ReadRow, given: Mapping[str, str], held: _Held, den_id: str) -> Iterator[Problem]:
    """Hold a new label or place against the other dens and the study area."""
    if not given.keys() & {"den_label", "uncertainty_m", *_PLACE}:
        return
    known = known_of(held.register, held.settings, if_legible=True)
    known.forget_den(den_id)
    if "den_label" in given:
        yield from _label_taken(given["den_label"], known)
    if given.keys() & {*_PLACE, "uncertainty_m"}:
        yield from screen(row, known, held.area)


def _label_taken(label: str, known: Known) -> Iterator[Problem]:
    if not label:
        yield Problem(Level.ERROR, "den_label is empty: a den keeps a label", "den_label")
    elif owner := known.label_of(label):
        whose = f"den {owner[0]}" if owner[0] else "a withdrawn den"
        yield Problem(Level.ERROR, f"the label {owner[1]} is that of {whose}", "den_label", label,
                      hint="choose another label")  # fmt: skip


def _changed(old: Row, new: Row) -> dict[str, tuple[Any, Any]]:
    pairs = {name: (old[name], new[name]) for name in new if old[name] != new[name]}
    if {"longitude", "latitude"} & pairs.keys():
        pairs |= {name: (old[name], new[name]) for name in ("longitude", "latitude")}
    return pairs


def _settle(made: Correction, visit: Row | None, den_id: str) -> None:
    """Keep with the den's first visit that a person has confirmed the doubts, so that check does not repeat them."""
    fields = [p.field for p in made.doubts if p.field in (*DenSite.model_fields, "position")]
    if visit is None or not fields or not made.changes["den", den_id]:
        return
    before = visit["settled"] or ""
    settled = ",".join(dict.fromkeys([*filter(None, before.split(",")), *fields]))
    if settled != before:
        made.changes.setdefault(("visit", visit["visit_id"]), {})["settled"] = (visit["settled"], settled)


def _left_behind(visit_id: str, old: Row, new: Row, held: _Held) -> Iterator[Problem]:
    """Say how many records of the animals' side name the visit's old day or female and stay as they are."""
    if old["observed_on"] == new["observed_on"] and old["female"] == new["female"]:
        return
    with held.register.reading() as connection:
        records = history.find(connection, visit_id).records  # by its id
    counts = {table: len(ids) for table, ids in records.items() if table != "visit"}
    if counts:
        listed = ", ".join(f"{table.removesuffix('_record')} {n}" for table, n in counts.items())
        said = f"records of animals on this visit keep their own day and animal: {listed}"
        yield Problem(Level.NOTE, said, "date", hint="correct them too: `densite records KIND`")


def _write(register: Register, connection: Any, table: str, record: str, pairs: Mapping[str, tuple[Any, Any]]) -> None:
    values = {name: after for name, (_, after) in pairs.items()}
    if "longitude" in values:
        lon, lat = values.pop("longitude"), values.pop("latitude")
        values["geom"] = encode_point(lon, lat)
        register.backend.note_change(connection, "den", (lon, lat, lon, lat))
    register.change(connection, table, record, values)


def _plain(row: Mapping[Any, Any]) -> Row:
    """Return None for what pandas uses as missing, and plain Python values."""
    return {str(k): None if not isinstance(v, shapely.Geometry) and pd.isna(v) else _python(v) for k, v in row.items()}


def _python(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return value.item() if hasattr(value, "item") else value


def _moved(old: tuple[Any, Any], new: tuple[float, float]) -> str:
    if old[0] is None:
        return "unreadable"
    move = history.said_move(places.distance_m(*old, *new), places.bearing_deg(*old, *new))
    return f"{move}, {old[1]:.6f}, {old[0]:.6f}"


def _lines(table: str, pairs: Mapping[str, tuple[Any, Any]]) -> Iterator[str]:
    """Say changes in words; a move with its distance and direction."""
    if "longitude" in pairs:
        old, new = ((pairs["longitude"][i], pairs["latitude"][i]) for i in (0, 1))
        yield f"Place: {_moved(old, new)} to {new[1]:.6f}, {new[0]:.6f}"
    for column, (before, after) in pairs.items():
        if column not in ("longitude", "latitude"):
            term = by_name()[column]
            unit = term.unit if term.kind == "number" else ""
            where = "Visit: " if table == "visit" and column == "settled" else ""
            yield f"{where}{term.heading}: {history.said(before, unit)} to {history.said(after, unit)}"
