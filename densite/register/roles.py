"""Who may do what in a register on PostgreSQL: the SQL of four roles, printed before it runs."""

# ruff: noqa: S608 - names are words: Roles and DatabaseUrl refuse all else

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass

from sqlalchemy import Connection, text
from sqlalchemy.engine import Row

from densite.errors import RegisterError
from densite.register import schema
from densite.register.postgis import PostGIS
from densite.register.publication import TOLD, planner_schema, publication, table_of_told
from densite.register.store import DESCRIBED_TOGETHER, WORDS_FOR_BLANK, Register
from densite.register.triggers import POSTGRES_FUNCTIONS

_NAME = re.compile(r"[a-z_][a-z0-9_]{0,62}")
_TABLES = tuple(table.name for table in schema.metadata.sorted_tables)
_RECORDS = tuple(schema.JOURNALED)
_FILLABLE = tuple(name for group in DESCRIBED_TOGETHER for name in group)
_DERIVED = ("derivation", "derived_value")
_FUNCTIONS = (*POSTGRES_FUNCTIONS, "densite_fills_blanks")


@dataclass(frozen=True, slots=True)
class Roles:
    """Names of the four roles of a register."""

    owner: str
    analyst: str
    crew: str
    planner: str

    def __post_init__(self) -> None:
        """Refuse names that would need quoting, and one name for two roles."""
        for name in astuple(self):
            if not _NAME.fullmatch(name) or name.startswith("pg_") or name == "public":
                raise RegisterError(
                    f"role name {name!r}: use small letters, figures and _, starting with a letter, not with pg_"
                )
        if len(set(astuple(self))) != len(astuple(self)):
            raise RegisterError("each role needs a name of its own: owner, analyst, crew, planner")


def default_roles(register: Register) -> Roles:
    """Return the usual names: those of the register's schema, or densite where that is public.

    Parameters
    ----------
    register : Register
        In PostgreSQL.

    Returns
    -------
    Roles
    """
    name = _backend(register).schema
    stem = "densite" if name == "public" else name
    return Roles(f"{stem}_owner", f"{stem}_analyst", f"{stem}_crew", f"{stem}_planner")


def statements(register: Register, roles: Roles) -> list[str]:
    """Return the SQL that makes the roles and gives each its rights; running it again changes nothing.

    Parameters
    ----------
    register : Register
        In PostgreSQL.
    roles : Roles
        Their names.

    Returns
    -------
    list of str
        In order. No role may log in by itself and none has a password: a person's own login is made a member.

    Raises
    ------
    RegisterError
        The register is a file, which has no roles.

    Notes
    -----
    Rights are given by table and not by row-level security: a policy chooses rows, while a planner must not see
    the columns of any row. The planner's table holds generalised counts only, and no query on it reaches a den.
    """
    own = _backend(register).schema
    return [
        *_made(roles), *_taken_back(own, roles), *_without_extent(own), *_owned(own, roles), *_crew(own, roles),
        *_analyst(own, roles), *_planner(own, roles),
    ]  # fmt: skip


def apply(register: Register, roles: Roles) -> None:
    """Run the SQL in one transaction and see for itself that the planner can read nothing else.

    Parameters
    ----------
    register : Register
        In PostgreSQL, opened by a role that may make roles and owns the register.
    roles : Roles
        Their names.

    Raises
    ------
    RegisterError
        It may not be done, or some role has rights from elsewhere; nothing was changed.
    """
    with _running(register, statements(register, roles)) as connection:
        _refuse(list(_too_much(connection, _backend(register).schema, roles)))


def publishing(register: Register) -> str:
    """Return the SQL that tells planners the numbers of now.

    Parameters
    ----------
    register : Register
        In PostgreSQL.

    Returns
    -------
    str
    """
    return publication(_backend(register).schema)


def publish(register: Register) -> int:
    """Tell planners the numbers of now; until the next time their table stays as it is.

    Parameters
    ----------
    register : Register
        In PostgreSQL, with roles, opened by a member of the owner's.

    Returns
    -------
    int
        How many groups of dens are told then.

    Raises
    ------
    RegisterError
        There are no roles yet, or this login is not the owner's.
    """
    told = f"{planner_schema(_backend(register).schema)}.{TOLD}"
    with _running(register, [publishing(register)]) as connection:
        return int(connection.exec_driver_sql(f"SELECT count(*) FROM {told}").scalar_one())


@contextlib.contextmanager
def _running(register: Register, told: Iterable[str]) -> Iterator[Connection]:
    """Run statements in one transaction, which also holds what is done with the connection."""
    backend = _backend(register)
    with backend.told_as_errors():
        connection = backend.engine.connect().execution_options(densite_writes=True)
        with connection, connection.begin():
            for statement in told:
                connection.exec_driver_sql(statement, execution_options={"no_parameters": True})  # % is a %
            yield connection


def _backend(register: Register) -> PostGIS:
    if not isinstance(register.backend, PostGIS):
        raise RegisterError(
            f"register {register.where} is a file, which has no roles: whoever can open it reads everything. "
            "Roles need a register in PostgreSQL (`densite new --register URL`)"
        )
    return register.backend


def _made(roles: Roles) -> Iterator[str]:
    for name in astuple(roles):
        yield (
            f"DO $$ BEGIN IF NOT EXISTS (SELECT FROM pg_catalog.pg_roles WHERE rolname = '{name}') "
            f"THEN CREATE ROLE {name} NOLOGIN; END IF; END $$"
        )
    yield f"GRANT {roles.owner} TO CURRENT_USER"


def _taken_back(own: str, roles: Roles) -> Iterator[str]:
    """Take back whatever the roles and everybody had, so that what follows is all they have."""
    everybody = f"PUBLIC, {roles.analyst}, {roles.crew}, {roles.planner}"
    for table in _TABLES:
        yield f"REVOKE ALL ON {own}.{table} FROM {everybody}"
    yield f"REVOKE UPDATE ({', '.join(_FILLABLE)}) ON {own}.den FROM {everybody}"
    yield f"REVOKE UPDATE (superseded_at) ON {own}.derivation FROM {everybody}"
    if own != "public":
        yield f"REVOKE ALL ON SCHEMA {own} FROM {everybody}"


def _without_extent(own: str) -> Iterator[str]:
    """Forget what PostGIS would tell every role of where the dens lie, rights or not: index and statistics."""
    yield (
        "DO $$ DECLARE found text; BEGIN FOR found IN SELECT i.indexrelid::regclass::text FROM pg_catalog.pg_index i "
        "JOIN pg_catalog.pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = ANY (i.indkey) "
        f"WHERE i.indrelid = '{own}.den'::regclass AND a.attname = 'geom' "
        "LOOP EXECUTE 'DROP INDEX ' || found; END LOOP; END $$"
    )
    yield (f"ALTER TABLE {own}.den ALTER COLUMN geom TYPE geometry(Point,4326), ALTER COLUMN geom SET STATISTICS 0")


def _owned(own: str, roles: Roles) -> Iterator[str]:
    """Give everything to the owner, in whose name migrations run, and guard what fills blanks."""
    yield f"GRANT USAGE, CREATE ON SCHEMA {own} TO {roles.owner}"
    yield _fills_blanks(own)
    yield f"DROP TRIGGER IF EXISTS den_fills_blanks ON {own}.den"
    yield (
        f"CREATE TRIGGER den_fills_blanks BEFORE UPDATE ON {own}.den "
        f"FOR EACH ROW EXECUTE FUNCTION {own}.densite_fills_blanks()"
    )
    for table in _TABLES:
        yield f"ALTER TABLE {own}.{table} OWNER TO {roles.owner}"
    for name in _FUNCTIONS:
        yield f"ALTER FUNCTION {own}.{name}() OWNER TO {roles.owner}"
        yield f"REVOKE ALL ON FUNCTION {own}.{name}() FROM PUBLIC"


def _fills_blanks(own: str) -> str:
    """Write the function that lets a role without the right to move a den fill its blanks only."""
    words = " OR ".join(f"(o.key = '{name}' AND o.value = '\"{word}\"')" for name, word in WORDS_FOR_BLANK.items())
    return f"""CREATE OR REPLACE FUNCTION {own}.densite_fills_blanks() RETURNS trigger LANGUAGE plpgsql
  SET search_path = pg_catalog, pg_temp AS $$
DECLARE overwritten text;
BEGIN
  IF has_column_privilege(current_user, TG_RELID, 'geom', 'UPDATE') THEN RETURN NEW; END IF;
  SELECT string_agg(o.key, ', ') INTO overwritten
    FROM jsonb_each(to_jsonb(OLD) - 'geom') o JOIN jsonb_each(to_jsonb(NEW) - 'geom') n USING (key)
    WHERE o.value <> n.value AND o.value <> 'null' AND NOT ({words});
  IF overwritten IS NOT NULL THEN
    RAISE EXCEPTION 'densite: this role fills in blanks only; recorded already: %', overwritten;
  END IF;
  RETURN NEW;
END $$"""


def _crew(own: str, roles: Roles) -> Iterator[str]:
    """Add records and fill blanks; corrections of a den or a visit, and withdrawals, are the owner's."""
    yield f"GRANT USAGE ON SCHEMA {own} TO {roles.crew}"
    for table in ("study_info", *_RECORDS, "journal", "journal_seal"):
        yield f"GRANT SELECT ON {own}.{table} TO {roles.crew}"
    for table in _RECORDS:
        yield f"GRANT INSERT ({', '.join(_insertable(table))}) ON {own}.{table} TO {roles.crew}"
        yield f"GRANT USAGE ON SEQUENCE {own}.{table}_fid_seq TO {roles.crew}"
    yield f"GRANT UPDATE ({', '.join(_FILLABLE)}) ON {own}.den TO {roles.crew}"
    yield from _writing(own, roles.crew)


def _writing(own: str, role: str) -> Iterator[str]:
    """Let a role wait for its turn to write, and seal in the end, what other programs changed too."""
    for name in ("densite_wait", "densite_seal"):
        yield f"GRANT EXECUTE ON FUNCTION {own}.{name}() TO {role}"


def _insertable(table: str) -> list[str]:
    """Choose what a new row may hold: not the number of a row to come, and nobody adds a withdrawn den."""
    kept_back = {"fid", "withdrawn"} if table in ("den", "visit") else {"fid"}
    return [f'"{column.name}"' for column in schema.metadata.tables[table].c if column.name not in kept_back]


def _analyst(own: str, roles: Roles) -> Iterator[str]:
    """Read everything, and store derived values; never a record."""
    yield f"GRANT USAGE ON SCHEMA {own} TO {roles.analyst}"
    for table in _TABLES:
        yield f"GRANT SELECT ON {own}.{table} TO {roles.analyst}"
    for table in _DERIVED:
        yield f"GRANT INSERT ON {own}.{table} TO {roles.analyst}"
        yield f"GRANT USAGE ON SEQUENCE {own}.{table}_fid_seq TO {roles.analyst}"
    yield f"GRANT UPDATE (superseded_at) ON {own}.derivation TO {roles.analyst}"
    yield from _writing(own, roles.analyst)


def _planner(own: str, roles: Roles) -> Iterator[str]:
    """Read one table of counts in a schema of its own; what it tells is published apart from this."""
    apart = planner_schema(own)
    yield from table_of_told(own)
    yield f"GRANT USAGE, CREATE ON SCHEMA {apart} TO {roles.owner}"
    yield f"ALTER TABLE {apart}.{TOLD} OWNER TO {roles.owner}"
    yield f"REVOKE ALL ON {apart}.{TOLD} FROM PUBLIC, {roles.analyst}, {roles.crew}, {roles.planner}"
    for name in (roles.planner, roles.analyst):
        yield f"GRANT USAGE ON SCHEMA {apart} TO {name}"
        yield f"GRANT SELECT ON {apart}.{TOLD} TO {name}"


_ATTRIBUTES = "rolsuper OR rolbypassrls OR rolcreaterole OR pg_has_role(oid, 'pg_read_all_data', 'MEMBER')"
_FORBIDDEN = """
SELECT CAST(:role AS text) AS role, c.oid::regclass::text AS what FROM pg_catalog.pg_class c
WHERE c.relnamespace = CAST(CAST(:own AS text) AS regnamespace) AND c.relname = ANY(:tables)
  AND has_any_column_privilege(CAST(CAST(:role AS text) AS name), c.oid, :rights)"""
# A function there could stand in for one that another, the owner too, calls (search path of the engine).
_MAKING = """
SELECT r.rolname AS role, n.nspname AS place FROM pg_catalog.pg_roles r CROSS JOIN pg_catalog.pg_namespace n
WHERE r.rolname = ANY(:names) AND has_schema_privilege(r.oid, n.oid, 'CREATE') AND (n.nspname = ANY(:places)
  OR n.oid = (SELECT extnamespace FROM pg_catalog.pg_extension WHERE extname = 'postgis'))"""


def _too_much(connection: Connection, own: str, roles: Roles) -> Iterator[str]:
    """Look for rights that a role has from elsewhere: an attribute, a membership, a column."""
    query = text(f"SELECT rolname FROM pg_catalog.pg_roles WHERE rolname = ANY(:names) AND ({_ATTRIBUTES})")
    limited = [roles.analyst, roles.crew, roles.planner]
    for row in connection.execute(query, {"names": limited}):
        yield f"{row.rolname} is a role above others"
    asked: dict[str, object] = {"names": limited, "places": [own, planner_schema(own)]}
    for row in connection.execute(text(_MAKING), asked):
        yield f"{row.role} may make functions in schema {row.place} (REVOKE CREATE ON SCHEMA {row.place} FROM PUBLIC)"
    limits: Sequence[tuple[str, str, Sequence[str]]] = (
        (roles.planner, "SELECT, INSERT, UPDATE, REFERENCES", _TABLES),
        (roles.analyst, "INSERT, UPDATE", [name for name in _TABLES if name not in _DERIVED]),
        (roles.crew, "INSERT, UPDATE", [name for name in _TABLES if name not in _RECORDS]),
        (roles.crew, "UPDATE", _RECORDS[1:]),
    )
    for role, rights, tables in limits:
        asked = {"role": role, "own": own, "tables": list(tables), "rights": rights}
        found: Sequence[Row[tuple[str, str]]] = connection.execute(text(_FORBIDDEN), asked).all()
        yield from (f"{row.role} has rights on {row.what}" for row in found)


def _refuse(found: list[str]) -> None:
    if found:
        raise RegisterError(
            f"roles have rights from elsewhere: {'; '.join(found)}. Nothing was changed: take these rights or "
            "memberships away (REVOKE), or choose other role names"
        )
