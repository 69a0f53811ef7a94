"""What `densite check --deep` looks at: the register itself, its journal, and what other programs did to it."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select, text, type_coerce
from sqlalchemy.types import NullType

from densite.errors import DensiteError, Level, Problem, RegisterError, seen
from densite.register import conformance, journal, misplaced, rowmodels, schema, triggers
from densite.register.backend import version_in
from densite.register.conformance import SHOWN
from densite.register.geopackage import GeoPackage, is_database
from densite.register.opening import is_url, open_register
from densite.register.store import Register

_BATCH = 5000
Check = Callable[[Connection], Iterator[Problem]]
_RESTORE = (
    "keep this register as it is, with the -wal file beside it, under another name, and put the newest sound backup "
    "in its place: `densite restore`"
)
_HISTORY = "`densite history` shows what the journal says; correct the record, or restore a backup"
_FIRST_ROOM = 16 << 20  # for what a step of common size writes besides; with it one backup still fits [byte]


def look_into(register: Register) -> list[Problem]:
    """Look for damage, tampering and what other programs changed; nothing is written.

    Parameters
    ----------
    register : Register
        Open, of either engine. It may be damaged: what the engine can still read is looked at.

    Returns
    -------
    list of Problem
        Errors and warnings with the way out; a note where other programs have written.

    Notes
    -----
    Source of what a GeoPackage must be: OGC 12-128r17, requirements 2 to 33. Derived values are not in the
    journal: of them only what SQLite itself finds is told, and ``derive`` makes them anew.
    """
    version = _run(_version, register)
    if version:
        return version
    own = conformance.CHECKS if register.backend.kind == "GeoPackage" else (_triggers_on, _keys_on, _points_on_earth)
    found = [problem for check in (*own, *_CHECKS) for problem in _run(check, register)]
    return list(dict.fromkeys([*found, *_room(register)]))


def look_at(target: str | Path) -> list[Problem]:
    """Look into a register that may be too damaged to be opened.

    Parameters
    ----------
    target : str or Path
        The register's file, or the URL of a database.

    Returns
    -------
    list of Problem
        As :func:`look_into`. A file is opened without writing, and not brought up to a newer version.

    Raises
    ------
    RegisterError
        There is no such file, or the database cannot be reached.
    """
    if not is_url(target) and not _begins_well(Path(target)):
        what = "does not begin as an SQLite database does" if Path(target).stat().st_size else "is empty"
        said = f"the file {what}: it is damaged or no register"
        return [Problem(Level.ERROR, said, file=str(target), hint=_RESTORE)]
    with _as_it_is(target) as register:
        return look_into(register)


def newest_entry(target: str | Path) -> str:
    """Say in one line how far the journal reaches, to compare a copy with where it came from.

    Parameters
    ----------
    target : str or Path
        As for :func:`look_at`.

    Returns
    -------
    str
        ``journal entry 512 of 2026-03-01T12:30:15.250Z, seal 3fa9c0...``: an older copy has a lower number.
        Blank where that cannot be read.
    """
    try:
        with _as_it_is(target) as register, register.reading() as connection:
            seq, hashed = journal.last_seal(connection)
            at = connection.execute(select(schema.journal.c.at).where(schema.journal.c.seq == seq)).scalar_one_or_none()
    except (DensiteError, ValueError, TypeError):
        return ""
    return f"journal entry {seq} of {at}, seal {hashed[:16]}" if seq else "no journal entry yet"


def _begins_well(path: Path) -> bool:
    if not path.is_file():
        raise RegisterError(f"no register at {path}: `densite new` makes one with a study folder")
    return is_database(path)


def _as_it_is(target: str | Path) -> Register:
    """Open a register whatever its state: a file without writing, and without bringing it up."""
    return open_register(target) if is_url(target) else Register(GeoPackage(Path(target), writable=False))


def _run(check: Check, register: Register) -> list[Problem]:
    """Run one check in a transaction of its own: what fails in one does not hide the next."""
    try:
        with register.reading() as connection:
            found = list(check(connection))
    except DensiteError as error:
        found = [Problem(Level.ERROR, _short(str(error)), hint=_RESTORE)]
    except Exception as error:  # noqa: BLE001 - a damaged file fails in any way, and each is told
        what = (check.__doc__ or check.__name__).splitlines()[0].rstrip(".")
        said = f"the register cannot be read to {what[0].lower()}{what[1:]}: {_short(str(error))}"
        found = [Problem(Level.ERROR, said, hint=_RESTORE)]
    return [replace(problem, file=problem.file or register.where) for problem in found]


def _short(said: str) -> str:
    return said if len(said) <= 300 else f"{said[:300]} ..."


def _version(connection: Connection) -> Iterator[Problem]:
    """Find out of which version the register is."""
    version = version_in(connection)
    if version == 0:
        yield Problem(Level.ERROR, "this is no densite register, or the table study_info is damaged", hint=_RESTORE)
    elif version > schema.SCHEMA_VERSION:
        yield Problem(Level.ERROR, f"the register has version {version}, this program knows {schema.SCHEMA_VERSION}: "
                      "nothing was looked at", hint="update densite")  # fmt: skip
    elif version < schema.SCHEMA_VERSION:
        yield Problem(Level.WARNING, f"the register has version {version}, from before {schema.SCHEMA_VERSION}: "
                      "nothing was looked at", hint="any other command brings it up; then look again")  # fmt: skip
        yield from conformance.whole(connection)


def _chain(connection: Connection) -> Iterator[Problem]:
    """Follow the journal's chain of hashes."""
    broken = journal.broken(connection)
    if broken is not None:
        yield Problem(Level.ERROR, f"the journal was altered or damaged at entry {broken}: it does not fit its seal",
                      hint=_RESTORE)  # fmt: skip


def _unsealed(connection: Connection) -> Iterator[Problem]:
    """Count what other programs wrote since densite last did."""
    count = journal.unsealed(connection)
    if count:
        last, _ = journal.last_seal(connection)
        names = dict.fromkeys(f"{entry.table_name} {entry.record}" for entry in journal.entries(connection, after=last))
        shown = ", ".join(list(names)[:SHOWN]) + (", ..." if len(names) > SHOWN else "")
        yield Problem(Level.NOTE, f"other programs wrote {count} journal entries that are not sealed yet: {shown}",
                      hint="`densite history` shows each; the next step of densite seals them")  # fmt: skip


def _as_journaled(table: Table) -> Check:
    """Return the check that a table holds what its journal says."""

    def check(connection: Connection) -> Iterator[Problem]:
        held = {key: _digest(row) for key, row in _held(connection, table)}
        told = {key: _digest(row) for key, row in _told(connection, table)}
        changed = sorted(key for key in held.keys() & told.keys() if held[key] != told[key])
        for said, keys in (
            ("differ from their last journal entry: changed by damage, or with the triggers off", changed),
            ("are in the journal and not in the table", sorted(told.keys() - held.keys())),
            ("are in the table and not in the journal", sorted(held.keys() - told.keys())),
        ):
            if keys:
                shown = _with_columns(connection, table, keys[:SHOWN]) + (", ..." if len(keys) > SHOWN else "")
                yield Problem(Level.ERROR, f"{table.name}: {len(keys)} records {said}: {shown}", hint=_HISTORY)

    check.__doc__ = f"Compare {table.name} with its journal."
    return check


Rows = Iterator[tuple[str, dict[str, Any]]]


def _held(connection: Connection, table: Table) -> Rows:
    """Yield a table's rows with their ids; from a file bare, for other programs may write what our types refuse."""
    bare = connection.dialect.name == "sqlite"
    names = [c.name for c in table.c if c.name != "fid"]
    query = select(*((type_coerce(table.c[n], NullType) if bare else table.c[n]).label(n) for n in names))
    key = schema.JOURNALED[table.name]
    for row in connection.execute(query.execution_options(yield_per=_BATCH)).mappings():
        yield str(row[key]), dict(row)


def _told(connection: Connection, table: Table) -> Rows:
    """Yield the rows that the journal tells, as :func:`_held` does, each after those that it replaces."""
    read = _bare if connection.dialect.name == "sqlite" else journal.values
    j = schema.journal.c
    query = select(j.record, j.after).where(j.table_name == table.name).order_by(j.seq)
    for row in connection.execute(query.execution_options(yield_per=_BATCH)):
        yield str(row.record), read(table, row.after)


def _bare(table: Table, after: str) -> dict[str, Any]:
    told = json.loads(after)
    named = {c.name: told.get(c.name) for c in table.c if c.name != "fid"}
    return named | {"geom": bytes.fromhex(named["geom"])} if named.get("geom") else named


def _digest(row: dict[str, Any]) -> int:
    """Stand for a row in little memory; of numbers, 3 and 3.0 are the same."""
    return hash(repr([_plain(value) for value in row.values()]))


def _plain(value: Any) -> Any:
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _with_columns(connection: Connection, table: Table, keys: list[str]) -> str:
    """Name some records, with the columns that differ between table and journal."""
    held = {key: row for key, row in _held(connection, table) if key in keys}
    told = {key: row for key, row in _told(connection, table) if key in keys}
    return ", ".join(_with_differing(key, held.get(key), told.get(key)) for key in keys)


def _with_differing(key: str, held: dict[str, Any] | None, told: dict[str, Any] | None) -> str:
    if held is None or told is None:
        return key
    return f"{key} ({', '.join(name for name, value in held.items() if _plain(value) != _plain(told[name]))})"


def _corrections(connection: Connection) -> Iterator[Problem]:
    """Look for corrections of records that are not there."""
    for table in schema.record_tables.values():
        there = select(table.c.record_id)
        lost = select(table.c.record_id).where(table.c.corrects.is_not(None), table.c.corrects.not_in(there))
        records = list(connection.execute(lost).scalars())
        if records:
            yield Problem(Level.ERROR, f"{table.name}: {len(records)} records correct one that is not there: "
                          f"{', '.join(records[:SHOWN])}", hint=_HISTORY)  # fmt: skip


def _triggers_on(connection: Connection) -> Iterator[Problem]:
    """Look for the triggers that write the journal, in PostgreSQL."""
    query = text(
        "SELECT t.tgname, t.tgenabled FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = current_schema() AND NOT t.tgisinternal"
    )
    there = {row[0]: str(row[1]) for row in connection.execute(query)}
    wanted = (re.match(r"CREATE TRIGGER (\w+)", statement) for statement in triggers.postgres_triggers())
    for name in (match[1] for match in wanted if match):
        if there.get(name, "D") not in ("O", "b'O'", "A"):
            how = "off" if name in there else "gone"
            yield Problem(Level.ERROR, f"trigger {name} is {how}: changes since then may not be in the journal",
                          hint="let the register's owner put it on again, and look what differs")  # fmt: skip


def _keys_on(connection: Connection) -> Iterator[Problem]:
    """Look for the foreign keys, in PostgreSQL, which holds the rows to them."""
    query = text(
        "SELECT count(*) FROM pg_constraint k JOIN pg_namespace n ON n.oid = k.connamespace "
        "WHERE n.nspname = current_schema() AND k.contype = 'f' AND k.convalidated"
    )
    there = int(connection.execute(query).scalar_one())
    wanted = sum(len(table.foreign_key_constraints) for table in schema.metadata.tables.values())
    if there < wanted:
        yield Problem(Level.ERROR, f"{wanted - there} foreign keys are gone or not validated", hint=_RESTORE)


def _points_on_earth(connection: Connection) -> Iterator[Problem]:
    """Look at every den's point, in PostgreSQL."""
    found = list(misplaced.misplaced(connection))
    if found:
        named = ", ".join(seen(label) for label, _, _ in found[:SHOWN]) + (", ..." if len(found) > SHOWN else "")
        yield Problem(Level.ERROR, f"the point of {len(found)} dens is empty, no point or not on Earth ({named})",
                      field="geom", hint=misplaced.WAY_OUT)  # fmt: skip


def _room(register: Register) -> Iterator[Problem]:
    """Look whether the disk has room for the next step and a backup."""
    if isinstance(register.backend, GeoPackage):
        path = register.backend.path
        try:
            wanted, free = path.stat().st_size + _FIRST_ROOM, shutil.disk_usage(path.absolute().parent).free
        except OSError as error:
            yield Problem(Level.ERROR, f"the file cannot be looked at: {error}", file=str(path), hint=_RESTORE)
            return
        if free < wanted:
            yield Problem(Level.WARNING, f"the disk has {free >> 20} MB left; the next step and a backup may need "
                          f"{(wanted >> 20) + 1} MB", file=str(path), hint="make room")  # fmt: skip


_CHECKS: tuple[Check, ...] = (
    _chain,
    _unsealed,
    *(_as_journaled(schema.metadata.tables[name]) for name in schema.JOURNALED),
    _corrections,
    *rowmodels.CHECKS,
)
