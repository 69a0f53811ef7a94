"""What a register needs of the engine under it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Protocol

from sqlalchemy import Connection, Engine, inspect, select

from densite.register import schema


class Backend(Protocol):
    """An engine that holds a register: a GeoPackage file, or PostgreSQL with PostGIS."""

    kind: str
    writable: bool
    engine: Engine

    @property
    def where(self) -> str:
        """How messages name the register, without secrets."""

    def told_as_errors(self) -> AbstractContextManager[None]:
        """Turn what the database says into one message that names the register and the way out."""

    def lay_out(self, connection: Connection) -> None:
        """Create the register's tables and triggers where there are none."""

    def say_who(self, connection: Connection, *, who: str | None, source: str, reason: str) -> None:
        """Tell the journal who writes, from what and why; None ends it."""

    def note_change(self, connection: Connection, table: str, bounds: tuple[float, float, float, float] | None) -> None:
        """Note that a table was changed within bounds [deg], where the engine keeps such notes."""


def has_register(connection: Connection) -> bool:
    """Tell whether there is a register; in PostgreSQL only its own schema counts, not the whole search path.

    Parameters
    ----------
    connection : Connection
        Reading or writing.

    Returns
    -------
    bool
    """
    own = connection.get_execution_options().get("schema_translate_map", {}).get(None)
    return inspect(connection).has_table(schema.study_info.name, schema=own)


def info(connection: Connection, key: str) -> str:
    """Return what ``study_info`` says under a key; blank where it says nothing or is not there.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    key : str
        ``study_id`` or ``schema_version``.

    Returns
    -------
    str
    """
    if not has_register(connection):
        return ""
    query = select(schema.study_info.c.value).where(schema.study_info.c.key == key)
    return str(connection.execute(query).scalar_one_or_none() or "")


def version_in(connection: Connection) -> int:
    """Return the schema version of a register, 0 where there is no register of ours.

    Parameters
    ----------
    connection : Connection
        Reading or writing.

    Returns
    -------
    int
    """
    said = info(connection, "schema_version")
    return int(said) if said.isdigit() else 0
