"""Older registers brought up to the schema of this program, step by step, each whole or not at all."""

from __future__ import annotations

import sys
from pathlib import Path

from sqlalchemy import Connection, text

from densite.errors import RegisterError
from densite.register import journal, schema, triggers
from densite.register.backend import version_in
from densite.register.backup import back_up, place_for, stamp
from densite.register.geopackage import GeoPackage, add_contents
from densite.register.store import Register

_REASON = "recorded before there was a journal"


def bring_up(register: Register, *, keep: bool = True) -> None:
    """Bring a GeoPackage register from an earlier version to this program's.

    Parameters
    ----------
    register : Register
        An open register that can be written.
    keep : bool
        Make a verified backup of the earlier version first, ``backups/before-version-N-TIME.gpkg`` beside the
        register, and say so on stderr. Without, only for a copy that nobody else knows.

    Raises
    ------
    RegisterError
        It cannot be written, or no backup can be made; it is as it was.
    """
    backend = register.backend
    if not isinstance(backend, GeoPackage):
        raise RegisterError(f"register {backend.where} is of an earlier version than there ever was in PostgreSQL")
    with backend.told_as_errors():
        connection = backend.engine.connect().execution_options(densite_writes=True)
        with connection, connection.begin():
            version = version_in(connection)
            if version >= schema.SCHEMA_VERSION:  # another program was first
                return
            kept = _kept(register, backend.path, version) if keep else None
            _step_up(connection, version)
    if kept is not None:
        print(f"densite: register {backend.where} was brought from version {version} to {schema.SCHEMA_VERSION}; "
              f"as it was before it is kept as {kept}", file=sys.stderr)  # fmt: skip


def _kept(register: Register, place: Path, version: int) -> Path:
    """Make a backup of the earlier version; the writers' lock is held, so that nothing can come between."""
    try:
        target = place_for(place.absolute().parent, f"before-version-{schema.SCHEMA_VERSION}-{stamp()}")
        return back_up(register, target).path
    except RegisterError as error:
        raise RegisterError(
            f"register {place} has version {version} and must be brought up to {schema.SCHEMA_VERSION}, which is only "
            f"done with a backup: {error}. Nothing was changed"
        ) from None


def _step_up(connection: Connection, version: int) -> None:
    """Take all steps from a version on."""
    for step in _STEPS[version - 1 :]:
        step(connection)
    told = {"v": str(schema.SCHEMA_VERSION)}
    connection.execute(text("UPDATE study_info SET value = :v WHERE key = 'schema_version'"), told)
    journal.seal(connection)


def _animals(connection: Connection) -> None:
    """1 to 2: tables of the animals' records."""
    _add_missing(connection, tuple(table.name for table in schema.record_tables.values()))


def _journal(connection: Connection) -> None:
    """2 to 3: withdrawals, derivations that stay when superseded, the journal with what is recorded already."""
    for table in ("den", "visit"):
        connection.exec_driver_sql(f"ALTER TABLE {table} ADD COLUMN withdrawn TEXT CHECK (withdrawn = 'yes')")
    for index in sorted({*schema.den.indexes, *schema.visit.indexes}, key=lambda index: str(index.name)):
        if index.name != "visit_of_den":  # of the first version
            index.create(connection)
    _keep_superseded(connection)
    _add_missing(connection, ("journal", "journal_context", "journal_seal"))
    for statement in triggers.sqlite_triggers():
        connection.exec_driver_sql(statement)
    for statement in triggers.sqlite_first_entries(_REASON):
        connection.exec_driver_sql(statement)


def _keep_superseded(connection: Connection) -> None:
    """Make derivation anew without its unique names; SQLite cannot drop a constraint."""
    for name in ("derived_value", "derivation"):
        connection.exec_driver_sql(f"ALTER TABLE {name} RENAME TO {name}_before")
    connection.exec_driver_sql("DROP INDEX derived_by")
    schema.metadata.create_all(connection, tables=[schema.derivation, schema.derived_value], checkfirst=False)
    for table, new in ((schema.derivation, "superseded_at"), (schema.derived_value, "")):
        names = ", ".join(f'"{c.name}"' for c in table.c if c.name != new)
        connection.exec_driver_sql(f"INSERT INTO {table.name} ({names}) SELECT {names} FROM {table.name}_before")  # noqa: S608 - names of ours
    for name in ("derived_value", "derivation"):
        connection.exec_driver_sql(f"DROP TABLE {name}_before")


def _add_missing(connection: Connection, names: tuple[str, ...]) -> None:
    tables = [schema.metadata.tables[name] for name in names]
    schema.metadata.create_all(connection, tables=tables, checkfirst=False)
    for table in tables:
        add_contents(connection, table)


_STEPS = (_animals, _journal)
