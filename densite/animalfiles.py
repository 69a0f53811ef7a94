"""A crew file of the animals' side handed in: read, recorded in one transaction, doubtful rows held back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from densite.animals import animal_key, rows_of
from densite.animalterms import KINDS, Kind
from densite.deliveries import BATCH, Delivery, DryRun, Tick, hold_back, told
from densite.errors import Level, Problem
from densite.intake.animalrows import KnownRecords, ReadRecord, natural_key, read_record, same_record
from densite.intake.csvfile import read_csv
from densite.intake.rawrow import RawRow
from densite.intake.rejects import set_aside
from densite.intake.rows import key_of
from densite.records import folded_label
from densite.register import Register
from densite.settings import Settings


def hand_in_records(
    path: Path, kind: Kind, *, register: Register, settings: Settings, out: Path, dry_run: bool = False,
    tick: Tick = lambda _: None,
) -> Delivery:  # fmt: skip
    """Take a file of one kind of record into the register.

    Good rows are recorded in one transaction; rows with errors or unconfirmed doubts are written to
    ``out/rejected-<file>.csv``. A row that is recorded already changes nothing, and nothing recorded
    is overwritten: a correction is a row of its own.

    Parameters
    ----------
    path : Path
        A text table.
    kind : Kind
        What it holds.
    register : Register
        Open register.
    settings : Settings
        The study's settings.
    out : Path
        Folder for held-back rows.
    dry_run : bool
        Say what would happen and change nothing.
    tick : callable
        Called with the number of rows done since the last call.

    Returns
    -------
    Delivery

    Raises
    ------
    IntakeError
        The file as a whole cannot be read; the register is unchanged.
    RegisterError
        The register cannot be written; it is unchanged.
    """
    chosen = settings.intake
    rows = read_csv(path, mapping=chosen.columns, encoding=chosen.encoding, terms=kind.terms)
    delivery = Delivery(path.name, kind=kind.heading.lower(), dry_run=dry_run)
    try:
        with register.writing() as connection:
            known = known_records(register, kind, settings)  # inside the lock: nobody else adds meanwhile
            _take_all(rows, kind, delivery, known, register, connection, settings, tick)
            hold_back(delivery, path, out)
            if dry_run:
                raise DryRun
    except DryRun:
        return delivery
    if not delivery.held_back:
        delivery.mended = set_aside(path, out)
    return delivery


def _take_all(
    rows: Iterator[RawRow], kind: Kind, delivery: Delivery, known: KnownRecords, register: Register,
    connection: Connection, settings: Settings, tick: Tick,
) -> None:  # fmt: skip
    now = dt.datetime.now(dt.UTC)
    while chunk := list(islice(rows, BATCH)):
        batch: list[dict[str, Any]] = []
        for raw in chunk:
            delivery.rows += 1
            source = known.rows.get(key_of(raw))
            if source is not None:
                _repeated(raw, source, delivery)
                continue
            row = read_record(raw, kind, settings, known, now=now)
            if row.record is not None and (same := same_record(row.record, kind, known)):
                _repeated(raw, known.records[same], delivery)
            elif record := _taken(row, delivery):
                batch.append(record)
                remember(record, kind, known)
        register.add_records(connection, kind.name, batch)
        tick(len(chunk))


def _repeated(raw: RawRow, source: str, delivery: Delivery) -> None:
    """Count a row that is recorded already; one that stands twice in its file is noted."""
    delivery.known += 1
    if source.startswith(f"{raw.file} line ") and not source.endswith(f" {raw.line}"):
        delivery.problems.append(Problem(Level.NOTE, f"repeats {source}: counted once", file=raw.file, line=raw.line))


def _taken(row: ReadRecord, delivery: Delivery) -> dict[str, Any] | None:
    """Return the record of a row that can go in; hold any other row back."""
    delivery.problems.extend(row.problems)
    stops = [p for p in row.problems if p.level.holds_back and not (p.level is Level.CONFIRM and row.confirmed)]
    if stops or row.record is None:
        delivery.held_back.append((row.raw, "; ".join(told(p) for p in stops)))
        return None
    delivery.records += 1
    return row.record


def known_records(register: Register, kind: Kind, settings: Settings) -> KnownRecords:
    """Gather what reading rows of a kind needs to know of the register.

    Parameters
    ----------
    register : Register
        Open register.
    kind : Kind
        What the file holds.
    settings : Settings
        For the study's zone.

    Returns
    -------
    KnownRecords
    """
    known = KnownRecords()
    for den_id, label in register.dens(only=("label",))["label"].items():
        known.dens[folded_label(label)] = (str(den_id), label)
    visits = register.visits(only=("den_id", "observed_on", "female"))
    for visit_id, den_id, day, female in visits.itertuples():
        known.visits.setdefault((den_id, day), str(visit_id))
        _name(female, known)
    for name in register.records("animal")["animal"]:
        _name(name, known)
    everything = register.records(kind.name, every=True)
    current = set(register.records(kind.name).index)
    for record in rows_of(everything):
        remember(record, kind, known, current=record["record_id"] in current)
    _remember_events(register, known, ZoneInfo(settings.study.time_zone))
    return known


def _name(animal: Any, known: KnownRecords) -> None:
    if isinstance(animal, str) and animal:
        known.animals.setdefault(animal_key(animal), animal)


def remember(record: dict[str, Any], kind: Kind, known: KnownRecords, *, current: bool = True) -> None:
    """Remember a record that is in, or has just come.

    Parameters
    ----------
    record : dict
        Its values by column.
    kind : Kind
        Its kind.
    known : KnownRecords
        Added to.
    current : bool
        Whether it was neither corrected nor withdrawn.
    """
    name, source = str(record["record_id"]), f"{record['source_file']} line {record['source_line']}"
    known.rows[record["row_key"]] = known.records[name] = source
    known.held[name] = record
    if isinstance(told := record.get("corrects"), str):
        known.replaced[told] = name
        known.current.pop(known.keys.get(told, ()), None)
    if current and record.get("withdrawn") != "yes":
        known.keys[name] = natural_key(record, kind)
        known.current.setdefault(known.keys[name], name)
    for column in ("animal", "female", "cub_id"):
        _name(record.get(column), known)
    _remember_times(record, kind, known)


def _remember_times(record: dict[str, Any], kind: Kind, known: KnownRecords) -> None:
    """Keep the last time of an animal's day, so that a clock that runs back is known to have passed midnight."""
    if kind.name not in ("handling", "drug", "reading") or not record.get("animal"):
        return
    event = (record["animal"], record["date"])
    times = [record.get(f"{term.name}_at") for term in kind.terms if term.kind == "time"]
    for at in (at for at in times if at is not None):
        known.latest[event] = max(at, known.latest.get(event, at))
    if kind.name == "handling" and event in known.latest:
        known.handled[event] = max(at for at in times if at is not None) if any(times) else known.latest[event]


def _remember_events(register: Register, known: KnownRecords, zone: ZoneInfo) -> None:
    """Remember masses of mothers, and when work on each animal ended so far, of all kinds."""
    for name in ("handling", "drug", "reading"):
        for record in rows_of(register.records(name)):
            _remember_times(record, KINDS[name], known)
            if name == "handling" and record["mass_kg"] is not None:
                known.masses[record["animal"], record["date"]] = record["mass_kg"]
    known.latest = {event: at.astimezone(zone) for event, at in known.latest.items()}
    known.handled = {event: at.astimezone(zone) for event, at in known.handled.items()}
