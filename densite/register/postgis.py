"""The register in PostgreSQL with PostGIS: engine, errors in words, layout."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError

from densite.errors import RegisterError
from densite.register import schema, triggers
from densite.register.databaseurl import DatabaseUrl, read_url

WAIT_MS = 30_000
_EXTRA = 'pip install "densite[postgis]"'

# PostGIS may lie in a schema of its own. pg_temp comes last: named nowhere, it would be searched first, and a
# temporary table called journal would catch what the triggers write.
_SEARCH_PATH = """
SELECT set_config('search_path', concat_ws(', ', quote_ident(%s), coalesce((SELECT quote_ident(n.nspname)
  FROM pg_catalog.pg_extension e JOIN pg_catalog.pg_namespace n ON n.oid = e.extnamespace
  WHERE e.extname = 'postgis'), 'public'), 'pg_temp'), false)"""


class PostGIS:
    """A register in a database's schema: its engine and its errors in words; the password is never shown."""

    kind = "PostgreSQL"
    writable = True

    def __init__(self, url: str) -> None:
        self.url: DatabaseUrl = read_url(url)
        try:
            self.engine = _engine(self.url)
        except ModuleNotFoundError:
            raise RegisterError(f"a register in PostgreSQL needs psycopg: {_EXTRA}") from None

    def __repr__(self) -> str:
        """Name the place without secrets."""
        return f"PostGIS({self.where!r})"

    @property
    def schema(self) -> str:
        """Name of the database's schema in which the tables lie."""
        return self.url.schema

    @property
    def where(self) -> str:
        """How messages name the register: server, database and schema, without its password."""
        return self.url.where

    @contextlib.contextmanager
    def told_as_errors(self) -> Iterator[None]:
        """Turn what the database says into one message that names the register and the way out."""
        try:
            yield
        except IntegrityError as error:
            raise RegisterError(
                f"register {self.where}: a record contradicts one that is there ({self._said(error)}). "
                "Nothing was changed. Is another program writing into it?"
            ) from None
        except DBAPIError as error:
            raise RegisterError(
                f"register {self.where}: {self._said(error)}. Nothing was changed{_advice(error)}"
            ) from None

    def _said(self, error: DBAPIError) -> str:
        """Return the first line of what the database said; no password can be in it."""
        lines = str(error.orig).strip().splitlines() or [type(error.orig).__name__]
        return lines[0].replace(self.url.password, "***") if self.url.password else lines[0]

    def lay_out(self, connection: Connection) -> None:
        """Create the register's tables and triggers in the URL's schema; the role must be allowed to."""
        self._need_schema(connection)
        postgis = self._need_postgis(connection)
        schema.metadata.create_all(connection, checkfirst=False)
        for statement in (*_LAID_OUT, *triggers.postgres_triggers(own=self.schema, postgis=postgis), *_GUARDED):
            connection.exec_driver_sql(statement)

    def _need_schema(self, connection: Connection) -> None:
        """Make the schema where it is missing; say what its owner must do where that is not allowed."""
        query = "SELECT has_schema_privilege(oid, 'CREATE') FROM pg_namespace WHERE nspname = :name"
        open_to_us = connection.execute(text(query), {"name": self.schema}).scalar()
        if open_to_us:
            return
        user, database, may_make = connection.execute(
            text("SELECT current_user, current_database(), has_database_privilege(current_database(), 'CREATE')")
        ).one()
        if open_to_us is None and may_make:
            connection.exec_driver_sql(f"CREATE SCHEMA {self.schema}")
            return
        advice = (
            f'CREATE SCHEMA {self.schema} AUTHORIZATION "{user}"'
            if open_to_us is None
            else f'GRANT CREATE, USAGE ON SCHEMA {self.schema} TO "{user}"'
        )
        raise RegisterError(
            f"register {self.where}: role {user} may not make tables there. Nothing was changed: let the owner of "
            f"database {database} run once: {advice}"
        )

    def _need_postgis(self, connection: Connection) -> str:
        """Return the schema of PostGIS, added where missing, or say what the database's owner must do."""
        asked = "SELECT extnamespace::regnamespace::text FROM pg_extension WHERE extname = 'postgis'"
        if there := connection.execute(text(asked)).scalar():
            return str(there)
        if not connection.execute(text("SELECT 1 FROM pg_available_extensions WHERE name = 'postgis'")).scalar():
            raise RegisterError(
                f"register {self.where}: the server has no PostGIS. Nothing was changed: let its administrator install "
                "it (Debian: postgresql-15-postgis-3), then try again"
            )
        try:
            connection.exec_driver_sql("CREATE EXTENSION postgis SCHEMA public")
        except DBAPIError as error:
            database = connection.engine.url.database
            raise RegisterError(
                f"register {self.where}: {self._said(error)}. Nothing was changed: let the owner of database "
                f"{database} (a superuser) run once in it: CREATE EXTENSION postgis"
            ) from None
        return "public"

    def say_who(self, connection: Connection, *, who: str | None, source: str, reason: str) -> None:
        """Take the writers' lock and tell the journal who writes, from what and why, for this transaction."""
        if who is None:
            return  # the settings end with the transaction
        connection.execute(text("SELECT densite_wait()"))
        for name, value in (("who", who), ("source", source), ("reason", reason)):
            connection.execute(text(f"SELECT set_config('densite.{name}', :value, true)"), {"value": value})

    def note_change(self, connection: Connection, table: str, bounds: tuple[float, float, float, float] | None) -> None:
        """Write nothing: PostGIS keeps extents itself."""


# Labels sort by code point, as in a GeoPackage, whatever the database's language. No index and no statistics on
# geom: PostGIS tells their extent to every role, rights or not (ST_EstimatedExtent, _postgis_stats,
# _postgis_index_extent), and for few dens the extent is their exact place.
_LAID_OUT = (
    'ALTER TABLE den ALTER COLUMN label TYPE text COLLATE "C"',
    "ALTER TABLE den ALTER COLUMN geom SET STATISTICS 0",
)
# Whoever may execute a trigger function can hang it on a table of his own, and so write into the journal.
_GUARDED = tuple(f"REVOKE EXECUTE ON FUNCTION {name}() FROM PUBLIC" for name in triggers.POSTGRES_FUNCTIONS)


def _engine(url: DatabaseUrl) -> Engine:
    """Return an engine whose statements name the schema, and whose readers see one state."""
    secret = {"password": url.password} if url.password else {}
    options = f"{url.query.get('options', '')} -c lock_timeout={WAIT_MS} -c timezone=UTC".strip()
    engine = create_engine(
        url.plain, connect_args={"connect_timeout": 10, **url.query, **secret, "options": options}, pool_pre_ping=True,
        execution_options={"schema_translate_map": {None: url.schema}}, hide_parameters=True,
    )  # fmt: skip

    @event.listens_for(engine, "connect")
    def _set_up(connection: Any, _: Any) -> None:
        connection.execute(_SEARCH_PATH, (url.schema,))
        connection.commit()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A writer must see what was committed while it waited for the lock, so it reads committed rows.
        writes = connection.get_execution_options().get("densite_writes", False)
        level = "READ COMMITTED" if writes else "REPEATABLE READ, READ ONLY"
        connection.exec_driver_sql(f"SET TRANSACTION ISOLATION LEVEL {level}")

    return engine


def _advice(error: DBAPIError) -> str:
    said, kind = str(error.orig), type(error.orig).__name__
    if kind == "LockNotAvailable":
        return f": another writer held it for {WAIT_MS // 1000} s; try again"
    if kind == "InsufficientPrivilege":
        return ": this database role may not do that; `densite roles` says what each role may"
    if isinstance(error, OperationalError) and "connect" in said:
        return ": is the server running, and are host, port, user and password right?"
    return ""
