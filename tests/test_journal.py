"""The journal's own arithmetic: hashes, values out of JSON, ends of days. What it promises: test_register_contract."""

import datetime as dt
import hashlib
import sqlite3
from zoneinfo import ZoneInfo

import pytest
from made_copies import in_gis, made
from sqlalchemy import event
from test_register import den, visit

from densite.register import create_register, journal, schema
from densite.register.columns import encode_point


@pytest.fixture
def register(tmp_path, monkeypatch):
    """A register with one den and its visit, recorded by a known person."""
    monkeypatch.setenv("DENSITE_WHO", "K. R.")
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        with register.writing(source="crew.csv") as connection:
            first = den("D-1", -115.5, 43.5)
            register.add(connection, [first], [visit(first, "k1")])
        yield register


def entries(register, **options):
    """All entries of a register's journal."""
    with register.reading() as connection:
        return list(journal.entries(connection, **options))


def by_another_program(register, statement, *values) -> None:
    """Change the register's file without densite."""
    with sqlite3.connect(register.backend.path) as other:
        other.execute(statement, values)
    other.close()


def test_a_hash_is_of_the_one_before_and_the_entry_as_json() -> None:
    """Written out by hand, so that another program can check the chain (SHA-256, FIPS 180-4)."""
    entry = journal.Entry(7, "2026-03-01T00:00:00.000Z", None, 'a"b', "ä", "den", "id", "insert", None, "{}")
    told = '[7,"2026-03-01T00:00:00.000Z",null,"a\\"b","ä","den","id","insert",null,"{}"]'
    assert entry.hashed("abc") == hashlib.sha256(f"abc\n{told}".encode()).hexdigest()
    assert entry.hashed("abd") != entry.hashed("abc")


def test_the_seals_of_a_file_are_that_chain(register) -> None:
    """Each on top of the one before."""
    with register.reading() as connection:
        seals = [row.hash for row in connection.execute(schema.journal_seal.select())]
    previous, chain = "", []
    for entry in entries(register):
        previous = entry.hashed(previous)
        chain.append(previous)
    assert seals == chain
    assert len(seals) == 2


def test_seals_are_made_in_batches(register, monkeypatch) -> None:
    """A million entries of other programs are never held at once; the chain runs on from batch to batch."""
    monkeypatch.setattr(journal, "_BATCH", 3)
    for number in range(8):
        by_another_program(register, "UPDATE den SET notes = ?", str(number))
    sizes = []
    event.listen(register.backend.engine, "before_cursor_execute", lambda *told: sizes.append(len(told[3])))
    with register.writing() as connection:
        assert journal.seal(connection) == 8
        assert journal.broken(connection) is None
    assert max(sizes) == 3


@pytest.mark.parametrize(
    "statement",
    ["DELETE FROM den", "DELETE FROM journal", "UPDATE journal SET who = 'x'", "UPDATE journal_seal SET hash = 'x'"],
)
def test_a_file_refuses_other_programs_by_a_constraint(register, statement) -> None:
    """So that a GIS undoes its edit."""
    with pytest.raises(sqlite3.IntegrityError, match="densite: "):
        by_another_program(register, statement)


def test_values_are_of_the_columns_types() -> None:
    """Points as well-known binary, times aware in UTC, days as dates, yes and no as such."""
    point = encode_point(-115.5, 43.5)
    text = f'{{"geom": "{point.hex()}", "recorded_at": "2026-03-01T12:30:15.250Z", "first_found": "2026-01-02"}}'
    told = journal.values(schema.den, text)
    assert told["geom"] == point
    assert told["recorded_at"] == dt.datetime(2026, 3, 1, 12, 30, 15, 250000, tzinfo=dt.UTC)
    assert told["first_found"] == dt.date(2026, 1, 2)
    assert told["notes"] is None
    assert journal.values(schema.visit, '{"confirmed": 1}')["confirmed"] is True


def test_a_day_ends_in_the_studys_zone() -> None:
    """The last millisecond, also of the day on which the clocks change."""
    boise = ZoneInfo("America/Boise")
    assert journal.end_of(dt.date(2026, 1, 31), boise) == "2026-02-01T06:59:59.999Z"
    assert journal.end_of(dt.date(2026, 3, 8), boise) == "2026-03-09T05:59:59.999Z"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE OR REPLACE den SET label = 'D-2' WHERE label = 'D-1'",
        "UPDATE OR REPLACE den SET fid = 2 WHERE fid = 1",
        "UPDATE den SET den_id = 'another' WHERE label = 'D-2'",
        "INSERT OR REPLACE INTO den SELECT * FROM den WHERE label = 'D-1'",
        "INSERT OR REPLACE INTO journal SELECT * FROM journal WHERE seq = 1",
        "INSERT OR REPLACE INTO journal_seal SELECT * FROM journal_seal WHERE seq = 1",
    ],
)
def test_nothing_is_replaced(tmp_path, statement) -> None:
    """OR REPLACE deletes rows, which SQLite tells no trigger of deletion."""
    path = made(tmp_path / "a.gpkg", "D-1", "D-2")
    with pytest.raises(sqlite3.IntegrityError, match="densite"):
        in_gis(path, statement)
