"""Triggers that write the journal and keep records from being deleted, for either engine."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Column, Double, Table

from densite.register import pointguard, schema

_MOST_PAIRS = 60  # SQLite takes 127 arguments in a function

_SQLITE_ROW = """
CREATE TRIGGER {name}_{action} AFTER {verb} ON {name} BEGIN
  INSERT INTO journal (at, who, source, reason, table_name, record, action, before, after) VALUES (
    strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), (SELECT who FROM journal_context), (SELECT source FROM journal_context),
    (SELECT reason FROM journal_context), '{name}', {side}.{key}, '{action}', {before}, {after});
END"""

_SQLITE_KEPT = """
CREATE TRIGGER {name}_kept BEFORE DELETE ON {name} BEGIN
  SELECT RAISE(ABORT, 'densite: nothing is deleted; withdraw the record instead');
END"""

_SQLITE_APPEND_ONLY = """
CREATE TRIGGER {name}_{verb} BEFORE {verb} ON {name} BEGIN
  SELECT RAISE(ABORT, 'densite: the journal is only added to');
END"""

# OR REPLACE deletes rows without a word to the triggers of DELETE.
_SQLITE_ONCE = """
CREATE TRIGGER {name}_once BEFORE INSERT ON {name} WHEN EXISTS (SELECT 1 FROM {name} WHERE {same}) BEGIN
  SELECT RAISE(ABORT, 'densite: this is recorded already; nothing is replaced');
END"""

_SQLITE_STAYS = """
CREATE TRIGGER {name}_stays BEFORE UPDATE OF fid, {key}, {unique} ON {name}
WHEN NEW.fid IS NOT OLD.fid OR NEW.{key} IS NOT OLD.{key}
  OR NEW.{unique} IS NOT OLD.{unique} AND EXISTS (SELECT 1 FROM {name} WHERE {unique} = NEW.{unique}) BEGIN
  SELECT RAISE(ABORT, 'densite: an id never changes, and no other record is replaced');
END"""

# Every function names where it looks: the catalogue first, so that nobody's own function or temporary table stands
# in for what is meant, whatever search path the writer has set; PostGIS is named where it is asked.
# One writer at a time, as in a GeoPackage, by the lock of a table that stays empty here: an advisory lock could be
# held by anybody who may log in. Other programs wait for their turn too, before they lock a row: an entry that was
# numbered early and committed late would stand behind the last seal for ever.
# Anybody may claim a name in densite.who, so the one who logged in, whom PostgreSQL knows, stands behind it.
# No role writes seals itself; densite_seal makes them from the entries alone, as journal.Entry.hashed does. An
# older state would show it an older last seal, and the chain would fork.
_POSTGRES_FUNCTIONS = """
CREATE FUNCTION densite_wait() RETURNS void LANGUAGE plpgsql SECURITY DEFINER
  SET search_path = pg_catalog, "{own}", pg_temp AS $$
BEGIN LOCK TABLE journal_context IN EXCLUSIVE MODE; END $$;
CREATE FUNCTION densite_turn() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
  SET search_path = pg_catalog, "{own}", pg_temp AS $$
BEGIN PERFORM densite_wait(); RETURN NULL; END $$;
CREATE FUNCTION densite_journal() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
  SET search_path = pg_catalog, "{own}", pg_temp AS $$
DECLARE old_row jsonb; new_row jsonb; key text := TG_ARGV[0]; login text := session_user;
  claimed text := regexp_replace(current_setting('densite.who', true), '[[:cntrl:][:space:]]+', ' ', 'g');
BEGIN
  claimed := left(btrim(claimed), 100);
  new_row := to_jsonb(NEW);
  IF TG_OP <> 'INSERT' THEN old_row := to_jsonb(OLD); END IF;
  IF TG_TABLE_NAME = 'den' THEN
    new_row := new_row || jsonb_build_object('geom', upper(encode({postgis}.ST_AsBinary(NEW.geom), 'hex')));
    IF TG_OP <> 'INSERT' THEN
      old_row := old_row || jsonb_build_object('geom', upper(encode({postgis}.ST_AsBinary(OLD.geom), 'hex')));
    END IF;
  END IF;
  INSERT INTO journal (at, who, source, reason, table_name, record, action, before, after) VALUES (
    to_char(clock_timestamp() AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.MS"Z"'),
    CASE WHEN claimed <> '' AND claimed <> login THEN claimed || ' (' || login || ')' ELSE login END,
    nullif(current_setting('densite.source', true), ''), nullif(current_setting('densite.reason', true), ''),
    TG_TABLE_NAME, coalesce(new_row, old_row) ->> key,
    CASE TG_OP WHEN 'INSERT' THEN 'insert' ELSE 'change' END, old_row::text, new_row::text);
  RETURN NEW;
END $$;
CREATE FUNCTION densite_seal() RETURNS bigint LANGUAGE plpgsql SECURITY DEFINER
  SET search_path = pg_catalog, "{own}", pg_temp AS $$
DECLARE last integer; chain text; entry journal; sealed bigint := 0;
BEGIN
  IF current_setting('transaction_isolation') <> 'read committed' THEN
    RAISE EXCEPTION 'densite: the journal is sealed by a transaction that reads what is committed meanwhile';
  END IF;
  PERFORM densite_wait();
  SELECT s.seq, s.hash INTO last, chain FROM journal_seal s ORDER BY s.seq DESC LIMIT 1;
  FOR entry IN SELECT * FROM journal j WHERE j.seq > coalesce(last, 0) ORDER BY j.seq LOOP
    chain := encode(sha256(convert_to(concat(chain, E'\\n[', entry.seq, ',', substr(array_to_json(ARRAY[entry.at,
      entry.who, entry.source, entry.reason, entry.table_name, entry.record, entry.action, entry.before,
      entry.after])::text, 2)), 'UTF8')), 'hex');
    INSERT INTO journal_seal (seq, hash) VALUES (entry.seq, chain);
    sealed := sealed + 1;
  END LOOP;
  RETURN sealed;
END $$;
CREATE FUNCTION densite_kept() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
BEGIN RAISE EXCEPTION 'densite: nothing is deleted; withdraw the record instead'; END $$;
CREATE FUNCTION densite_stays() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
BEGIN RAISE EXCEPTION 'densite: an id never changes'; END $$;
CREATE FUNCTION densite_append_only() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, pg_temp AS $$
BEGIN RAISE EXCEPTION 'densite: the journal is only added to'; END $$;
"""
POSTGRES_FUNCTIONS = tuple(re.findall(r"CREATE FUNCTION (\w+)", _POSTGRES_FUNCTIONS))


def sqlite_triggers() -> Iterator[str]:
    """Yield the statements that make all triggers of a GeoPackage register.

    Yields
    ------
    str
        One CREATE TRIGGER each. A change by any program writes its row before and after into the journal.
    """
    for name, key in schema.JOURNALED.items():
        table = schema.metadata.tables[name]
        old, new = _sqlite_json(table, "OLD"), _sqlite_json(table, "NEW")
        shared = {"name": name, "key": key}
        yield _SQLITE_ROW.format(action="insert", verb="INSERT", side="NEW", before="NULL", after=new, **shared)
        yield _SQLITE_ROW.format(action="change", verb="UPDATE", side="OLD", before=old, after=new, **shared)
        yield _SQLITE_KEPT.format(name=name)
        unique = "label" if table is schema.den else "row_key"
        yield _SQLITE_ONCE.format(name=name, same=_same("fid", key, unique))
        yield _SQLITE_STAYS.format(unique=unique, **shared)
    for name in ("journal", "journal_seal"):
        yield _SQLITE_ONCE.format(name=name, same=_same("seq"))
        for verb in ("UPDATE", "DELETE"):
            yield _SQLITE_APPEND_ONLY.format(name=name, verb=verb)
    yield from pointguard.sqlite_guards()


def _same(*columns: str) -> str:
    return " OR ".join(f"{name} = NEW.{name}" for name in columns)


def sqlite_first_entries(reason: str) -> Iterator[str]:
    """Yield the statements that enter what is recorded already into a new journal.

    Parameters
    ----------
    reason : str
        Words of ours, kept with each entry.

    Yields
    ------
    str
        One INSERT a table.
    """
    for name, key in schema.JOURNALED.items():
        after = _sqlite_json(schema.metadata.tables[name], name)
        yield (
            "INSERT INTO journal (at, reason, table_name, record, action, after) "  # noqa: S608 - names of ours
            f"SELECT strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), '{reason}', '{name}', {key}, 'insert', {after} "
            f"FROM {name} ORDER BY fid"
        )


def _sqlite_json(table: Table, side: str) -> str:
    """Write the SQL that makes one JSON object of a row."""
    pairs = [f"'{c.name}', {_sqlite_value(c, side)}" for c in table.c if c.name != "fid"]
    parts = [f"json_object({', '.join(pairs[i : i + _MOST_PAIRS])})" for i in range(0, len(pairs), _MOST_PAIRS)]
    text = parts[0]
    for part in parts[1:]:
        text = f"json_patch({text}, {part})"
    return text


def _sqlite_value(column: Column[Any], side: str) -> str:
    """Write the SQL of a value in the journal; SQLite's own JSON would keep 15 digits of a number only."""
    value = f'{side}."{column.name}"'
    if column.name == "geom":
        return f"hex({value})"
    if isinstance(column.type, Double):
        return f"CASE typeof({value}) WHEN 'real' THEN json(printf('%!.17g', {value})) ELSE {value} END"
    return value


def postgres_triggers(*, own: str = "public", postgis: str = "public") -> Iterator[str]:
    """Yield the statements that make all triggers of a PostgreSQL register.

    Parameters
    ----------
    own : str
        The register's schema.
    postgis : str
        The schema in which PostGIS lies.

    Yields
    ------
    str
        Functions first, then one CREATE TRIGGER each.
    """
    yield _POSTGRES_FUNCTIONS.format(own=own, postgis=postgis)
    for name, key in schema.JOURNALED.items():
        yield (
            f"CREATE TRIGGER {name}_turn BEFORE INSERT OR UPDATE ON {name} "
            "FOR EACH STATEMENT EXECUTE FUNCTION densite_turn()"
        )
        yield (
            f"CREATE TRIGGER {name}_journal AFTER INSERT OR UPDATE ON {name} "
            f"FOR EACH ROW EXECUTE FUNCTION densite_journal('{key}')"
        )
        yield f"CREATE TRIGGER {name}_kept BEFORE DELETE OR TRUNCATE ON {name} EXECUTE FUNCTION densite_kept()"
        yield (
            f"CREATE TRIGGER {name}_stays BEFORE UPDATE ON {name} FOR EACH ROW "
            f"WHEN ((NEW.fid, NEW.{key}) IS DISTINCT FROM (OLD.fid, OLD.{key})) EXECUTE FUNCTION densite_stays()"
        )
    for name in ("journal", "journal_seal"):
        yield (
            f"CREATE TRIGGER {name}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {name} "
            "EXECUTE FUNCTION densite_append_only()"
        )
    yield from pointguard.postgres_guards()
