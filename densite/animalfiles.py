"""A crew file of the animals' side handed in: read, recorded in one transaction, doubtful rows held back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from densite.animalterms import Kind
from densite.deliveries import BATCH, Delivery, DryRun, Tick, hold, hold_back, if_few, told
from densite.errors import Level, Problem
from densite.fieldentries import record_again, withdrawn_there
from densite.intake.animalrows import KnownRecords, ReadRecord, read_record, same_record
from densite.intake.crewfile import read_crew_file
from densite.intake.part import Part
from densite.intake.rawrow import RawRow, entry_of
from densite.intake.rejects import set_aside
from densite.intake.rows import key_of
from densite.knownrecords import known_records, remember
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
    part = Part(path.name, kind, read_crew_file(path, settings.intake, kind=kind))
    return take_records(part, kind, path, register=register, settings=settings, out=out, dry_run=dry_run, tick=tick)


def take_records(
    part: Part, kind: Kind, path: Path, *, register: Register, settings: Settings, out: Path, dry_run: bool = False,
    tick: Tick = lambda _: None,
) -> Delivery:  # fmt: skip
    """Take the records of one part of a file into the register.

    Parameters
    ----------
    part : Part
        With rows of one kind of record.
    kind : Kind
        That kind.
    path : Path
        The file that was handed in.
    register, settings, out, dry_run, tick
        As for :func:`hand_in_records`.

    Returns
    -------
    Delivery

    Raises
    ------
    IntakeError, RegisterError
        As for :func:`hand_in_records`.
    """
    about, rows = if_few(part.rows)
    delivery = Delivery(part.file, kind=kind.heading.lower(), dry_run=dry_run)
    try:
        with register.writing(source=part.file) as connection:
            known = known_records(register, kind, settings, about=about)  # inside the lock: nobody else adds meanwhile
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
            if _came_before(raw, kind, delivery, known, settings, now):
                continue
            row = read_record(raw, kind, settings, known, now=now)
            if row.record is not None and (same := same_record(row.record, kind, known)):
                _repeated(raw, known.records[same], delivery)
            elif record := _taken(row, delivery):
                batch.append(record)
                remember(record, kind, known)
        register.add_records(connection, kind.name, batch)
        tick(len(chunk))


def _came_before(
    raw: RawRow, kind: Kind, delivery: Delivery, known: KnownRecords, settings: Settings, now: dt.datetime
) -> bool:
    """Tell whether a row brings nothing to record: known already, or an entry that was changed or withdrawn."""
    source = known.rows.get(key_of(raw))
    if source is None:
        delivery.left_out += withdrawn_there(raw)
        return withdrawn_there(raw)
    if entry_of(raw.values) and (found := record_again(raw, kind, known, settings, now=now)):
        hold(raw, found, delivery)
    else:
        _repeated(raw, source, delivery)
    return True


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
