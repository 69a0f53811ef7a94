"""What a register promises, the same for a GeoPackage and for PostgreSQL with PostGIS."""

# ruff: noqa: S608 - statements of our own

import contextlib
import datetime as dt
import json
import re
import sqlite3
import threading
import uuid
from dataclasses import dataclass
from typing import Any

import pandas as pd
import pytest
import shapely
from conftest import STUDY_TOML, write
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from test_register import NOW, den, visit

from densite.animalfiles import hand_in_records
from densite.animalterms import KINDS
from densite.deliveries import hand_in
from densite.errors import RegisterError
from densite.intake.kinds import kind_in
from densite.register import create_register, geopackage, journal, open_register, postgis, schema
from densite.register.columns import encode_point, geopackage_blob
from densite.register.store import Provenance
from densite.settings import parse

pytest_plugins = ("postgres",)
ENGINES = ("geopackage", "postgis")


@dataclass(frozen=True)
class Place:
    """Where a register lies, and how another program gets at it."""

    target: Any
    server: Any = None

    @property
    def schema(self) -> str:
        """The schema that the URL names."""
        return str(self.target).rpartition("=")[2]

    def by_another_program(self, statement: str, *values: Any) -> list[Any]:
        """Run a statement without densite, ? for a value; errors are the database's own."""
        if self.server is None:
            with contextlib.closing(sqlite3.connect(self.target)) as other, other:
                return other.execute(statement, values).fetchall()
        with self.server.connect("studies") as other:
            other.execute(f"SET search_path = {self.schema}, public")
            done = other.execute(statement.replace("?", "%s"), values or None)
            return done.fetchall() if done.description else []

    def move(self, longitude: float, latitude: float) -> None:
        """Move every den, as a desktop GIS does."""
        wkb = encode_point(longitude, latitude)
        if self.server is None:
            self.by_another_program("UPDATE den SET geom = ?", geopackage_blob(wkb))
        else:
            self.by_another_program("UPDATE den SET geom = ST_GeomFromWKB(?, 4326)", wkb)

    def disarm(self, table: str, verb: str) -> None:
        """Drop the trigger that keeps a table of the journal from being changed."""
        name = f"{table}_{verb}" if self.server is None else f"{table}_append_only ON {table}"
        self.by_another_program(f"DROP TRIGGER {name}")


@pytest.fixture(params=ENGINES)
def place(request, tmp_path):
    """An empty place for a register, in a file and in a database."""
    if request.param == "geopackage":
        return Place(tmp_path / "register.gpkg")
    return Place(request.getfixturevalue("postgis_url"), request.getfixturevalue("postgres_server"))


@pytest.fixture
def empty(place, monkeypatch):
    """An empty register, written into by a known person."""
    monkeypatch.setenv("DENSITE_WHO", "K. R.")
    with create_register(place.target, study_id="test") as register:
        yield register


@pytest.fixture
def register(empty):
    """A register with two dens and a visit."""
    first, second = den(slope_deg=20), den("D-2", -115.25, 43.75)
    with empty.writing(source="crew.csv") as connection:
        empty.add(connection, [first, second], [visit(first)])
    return empty


def add(register, *dens, visits=(), **said) -> None:
    """Add dens and visits in one step."""
    with register.writing(**said) as connection:
        register.add(connection, dens, visits)


def entries(register, **options):
    """All entries of a register's journal."""
    with register.reading() as connection:
        return list(journal.entries(connection, **options))


def held(connection, name):
    """Every record of a table as the table itself holds it."""
    table, key = schema.metadata.tables[name], schema.JOURNALED[name]
    rows = connection.execute(select(table)).mappings()
    return {row[key]: {column: value for column, value in row.items() if column != "fid"} for row in rows}


def records_are_what_the_journal_says(register) -> None:
    """Tables and journal agree in every value, and the chain is whole."""
    with register.reading() as connection:
        for name in schema.JOURNALED:
            assert journal.state(connection, schema.metadata.tables[name]) == held(connection, name), name
        assert (journal.broken(connection), journal.unsealed(connection)) == (None, 0)


# Records


def test_what_goes_in_comes_out(register) -> None:
    """Points, numbers, days and UTC times."""
    dens = register.dens()
    assert dens.crs.to_epsg() == 4326
    assert [(p.x, p.y) for p in dens.geometry] == [(-115.5, 43.5), (-115.25, 43.75)]
    first = dens.iloc[0]
    assert (first["slope_deg"], first["first_found"], first["recorded_at"]) == (20.0, dt.date(2026, 1, 2), NOW)
    assert register.visits().iloc[0]["observed_on"] == dt.date(2026, 2, 24)
    assert register.visits()["confirmed"].tolist() == [False]
    assert register.counts() == {"den": 2, "visit": 1}
    records_are_what_the_journal_says(register)


def test_only_the_columns_asked_for(register) -> None:
    """Besides id and geometry."""
    assert list(register.dens(only=("label", "den_type")).columns) == ["label", "den_type", "geometry"]
    assert list(register.visits(only=("den_id",)).columns) == ["den_id"]


HARD_TEXTS = (
    "O'Brien; DROP TABLE den; --", '"; DELETE FROM den', "%s %(who)s ? :x $1", "\\x00 \\' \\", "Bärenhöhle 熊 🐻 ́e",
    "tab\tline\r\nend", "=1+1", "{}[]null", "a" * 100_000, "\u202eright to left", "__[SCHEMA__none]", "NULL",
)  # fmt: skip


def test_hostile_texts_stay_texts(empty) -> None:
    """As label, note and key: kept letter by letter, journaled so, and nothing is run."""
    dens = [  # whatever their models would refuse
        den(f"D-{i}", -115.0 - i / 100, 43.0).model_copy(update={"label": text, "notes": text})
        for i, text in enumerate(HARD_TEXTS)
    ]
    visits = [visit(of, key=of.label) for of in dens]
    add(empty, *dens, visits=visits, source=HARD_TEXTS[0], reason=HARD_TEXTS[1])
    assert set(empty.dens()["label"]) == set(empty.dens()["notes"]) == set(HARD_TEXTS)
    assert set(empty.visits()["row_key"]) == set(HARD_TEXTS)
    assert (entries(empty)[0].source, entries(empty)[0].reason) == HARD_TEXTS[:2]
    with pytest.raises(RegisterError, match="no den"), empty.writing() as connection:
        empty.change(connection, "den", "x' OR '1'='1", {"notes": "x"})
    records_are_what_the_journal_says(empty)


def test_a_nul_is_kept_or_the_step_refused_whole(empty, place) -> None:
    """PostgreSQL holds no NUL and says so; nothing is cut off silently."""
    told = den().model_copy(update={"notes": "before\x00after"})
    if place.server is None:
        add(empty, told)
        assert empty.dens()["notes"].tolist() == ["before\x00after"]
    else:
        with pytest.raises(RegisterError, match=r"NUL.*Nothing was changed"):
            add(empty, den("D-2", -115, 43), told)
        assert empty.counts() == {"den": 0, "visit": 0}
    records_are_what_the_journal_says(empty)


def test_numbers_to_the_last_bit(empty) -> None:
    """Of points and values, 17 digits, in table and journal."""
    numbers = [0.1 + 0.2, 1 / 3, 2**53 + 2.0, 1e-7, 0.0, -1e15 / 7, 123456789.12345679]
    dens = [
        den(f"D-{i}", -115 - (i + 1) / 7, 43 + (i + 1) / 11).model_copy(update={"aspect_error_deg": value})
        for i, value in enumerate(numbers)
    ]
    add(empty, *dens)
    frame = empty.dens()
    assert frame["aspect_error_deg"].tolist() == numbers
    assert [(p.x, p.y) for p in frame.geometry] == [(d.longitude, d.latitude) for d in dens]
    records_are_what_the_journal_says(empty)


# SQLite writes numbers far outside what is ever measured with a last digit of its own (1.8e308, 5e-324).
MEASURED = st.floats(-1e15, 1e15).filter(lambda x: x == 0 or abs(x) > 1e-15)


@pytest.mark.parametrize("engine", ENGINES)
def test_any_number_and_text_comes_back(engine, request, tmp_path) -> None:
    """Found by hypothesis: a den's point, number, note, day and time."""
    target = tmp_path / "r.gpkg" if engine == "geopackage" else request.getfixturevalue("postgis_url")
    texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00")).map(str.strip)
    moments = st.datetimes(dt.datetime(1, 1, 2), dt.datetime(9999, 12, 30), timezones=st.just(dt.UTC))
    with create_register(target, study_id="test") as register:
        add(register, den())
        den_id = register.dens().index[0]

        @given(st.floats(-180, 180), st.floats(-90, 90), MEASURED, texts,
               st.dates(), moments)  # fmt: skip
        def comes_back(lon, lat, number, note, day, moment) -> None:
            told = {"aspect_error_deg": number, "notes": note, "first_found": day, "recorded_at": moment}
            with register.writing(reason="x") as connection:
                register.change(connection, "den", den_id, told | {"geom": encode_point(lon, lat)})
            row = register.dens().iloc[0]
            assert (row.geometry.x, row.geometry.y, row["aspect_error_deg"], row["notes"]) == (lon, lat, number, note)
            whole = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
            assert (row["first_found"], row["recorded_at"]) == (day, whole)
            with register.reading() as connection:
                told = journal.state(connection, schema.den)[den_id]
                assert told == held(connection, "den")[den_id]

        comes_back()


def test_times_keep_milliseconds_and_are_utc_whatever_zone_they_came_in(empty) -> None:
    """And are cut, not rounded, as the file's format has it."""
    zone = dt.timezone(dt.timedelta(hours=-7))
    told = den().model_copy(update={"recorded_at": dt.datetime(2026, 3, 1, 23, 59, 59, 999999, tzinfo=zone)})
    add(empty, told)
    back = empty.dens()["recorded_at"].iloc[0]
    assert back == dt.datetime(2026, 3, 2, 6, 59, 59, 999000, tzinfo=dt.UTC)
    assert back.utcoffset() == dt.timedelta(0)


def test_labels_sort_by_code_point_whatever_the_language(empty) -> None:
    """So that a table has the same order on either engine."""
    labels = ["a", "B", "Z", "ä", "_", "D-10", "D-2", "d-1", "É", "🐻"]
    add(empty, *(den(label, -115 - i / 10, 43) for i, label in enumerate(labels)))
    assert empty.dens()["label"].tolist() == sorted(labels)


def test_foreign_keys_hold(register) -> None:
    """A visit without its den is refused, and the whole step with it."""
    lost = den("D-9")
    with pytest.raises(RegisterError, match="Nothing was changed"):
        add(register, den("D-3", -115, 43), visits=[visit(lost, "k9")])
    assert register.counts() == {"den": 2, "visit": 1}
    with pytest.raises(RegisterError, match="Nothing was changed"), register.writing() as connection:
        register.add_records(connection, "cub", [record(den_id=str(lost.den_id))])
    assert register.records("cub", every=True).empty


@pytest.mark.parametrize("twice", ["label", "den_id", "row_key"])
def test_what_is_unique_is_refused_twice(register, twice) -> None:
    """A label, an id, a row of a file; said in one message, and nothing is changed."""
    there = den(slope_deg=20)
    dens = {"label": [there.model_copy(update={"den_id": uuid.uuid4()})],
            "den_id": [there.model_copy(update={"label": "other"})]}.get(twice, [])  # fmt: skip
    visits = [visit(there).model_copy(update={"visit_id": uuid.uuid4()})] if twice == "row_key" else []
    with pytest.raises(RegisterError, match=r"contradicts one that is there.*Nothing was changed"):
        add(register, *dens, visits=visits)
    assert register.counts() == {"den": 2, "visit": 1}
    records_are_what_the_journal_says(register)


def record(**values):
    """A record of the animals' side, all but what it must have left blank."""
    key = values.pop("row_key", "k1")
    return {
        "record_id": str(uuid.uuid5(uuid.NAMESPACE_OID, key)), "recorded_at": NOW, "source_file": "cubs.csv",
        "source_line": 2, "row_key": key, "as_recorded": "{}", **values,
    }  # fmt: skip


def test_records_corrected_and_withdrawn_are_kept_out_of_sight(register) -> None:
    """Append-only: the newest row counts, every row is there on demand, in its order."""
    first, second, gone = (record(row_key=key, mass_g=mass) for key, mass in (("a", 1800), ("b", 1810), ("c", 1)))
    second["corrects"] = first["record_id"]
    gone |= {"corrects": second["record_id"], "withdrawn": "yes"}
    for number, row in enumerate((first, second, gone)):
        with register.writing() as connection:
            register.add_records(connection, "cub", [row])
        current = register.records("cub")["mass_g"].tolist()
        assert current == [[1800.0], [1810.0], []][number]
    assert register.records("cub", every=True)["mass_g"].tolist() == [1800.0, 1810.0, 1.0]
    records_are_what_the_journal_says(register)


def test_every_kind_of_record_can_be_kept(register) -> None:
    """All columns of all kinds, filled."""
    for kind in KINDS:
        table = schema.record_tables[kind]
        told = record() | {
            c.name: {"DATETIME": NOW, "DATE": dt.date(2026, 2, 24), "FLOAT": 1.5, "DOUBLE": 1.5}.get(_sort(c), "yes")
            for c in table.c
            if c.name not in (*record(), "fid", "den_id", "visit_id", "corrects", "withdrawn", "record_id")
        }
        with register.writing() as connection:
            register.add_records(connection, kind, [told])
        row = register.records(kind).iloc[0]
        assert all(row[name] == value for name, value in told.items() if name != "record_id"), kind
    records_are_what_the_journal_says(register)


def _sort(column) -> str:
    from densite.register.columns import Moment

    return "DATETIME" if isinstance(column.type, Moment) else type(column.type).__name__.upper()


def test_blanks_are_filled_and_nothing_recorded_is_overwritten(register) -> None:
    """A bearing with its reference only together; a word that stands for blank is a blank."""
    later = den(slope_deg=35, notes="by the creek", aspect_read="120", aspect_deg=132.5, aspect_reference="true",
                tree_species="larch", morning_sun="yes")  # fmt: skip
    with register.writing() as connection:
        filled = register.fill_blanks(connection, later)
        assert register.fill_blanks(connection, later) == []
    assert sorted(filled) == sorted(
        ["notes", "aspect_read", "aspect_deg", "aspect_reference", "tree_species", "morning_sun"]
    )
    row = register.dens().iloc[0]
    assert (row["slope_deg"], row["notes"], row["aspect_deg"], row["morning_sun"]) == (20, "by the creek", 132.5, "yes")
    assert entries(register)[-1].changed().keys() == set(filled)


def test_a_failed_step_leaves_nothing(register) -> None:
    """Records, changes and journal are one transaction, also where our own code fails."""
    before = entries(register)
    with pytest.raises(ZeroDivisionError), register.writing() as connection:
        register.add(connection, [den("D-3", -115, 43)], [])
        register.change(connection, "den", register.dens().index[0], {"slope_deg": 1.0})
        _ = 1 / 0
    with pytest.raises(RegisterError), register.writing() as connection:
        register.change(connection, "den", register.dens().index[0], {"slope_deg": 1.0})
        register.change(connection, "den", "none", {"slope_deg": 1.0})
    assert entries(register) == before
    assert register.counts() == {"den": 2, "visit": 1}
    assert register.dens()["slope_deg"].iloc[0] == 20


def test_a_reader_sees_one_state(register) -> None:
    """What is committed meanwhile shows in the next transaction only."""
    with register.reading() as connection:
        first = connection.execute(select(schema.den.c.label)).all()
        add(register, den("D-3", -115, 43))
        assert connection.execute(select(schema.den.c.label)).all() == first
    assert register.counts()["den"] == 3


def test_a_second_writer_waits_and_sees_what_the_first_did(register, place) -> None:
    """No lost and no doubled record: the second reads inside the lock."""
    started, seen = threading.Event(), []

    def second() -> None:
        with open_register(place.target) as other:
            started.set()
            with other.writing():
                seen.append(other.counts()["den"])

    with register.writing() as connection:
        thread = threading.Thread(target=second)
        thread.start()
        assert started.wait(20)
        thread.join(0.3)
        assert not seen
        register.add(connection, [den("D-3", -115, 43)], [])
    thread.join(20)
    assert seen == [3]


def test_a_writer_that_waits_too_long_is_told(register, place, monkeypatch) -> None:
    """One message with what to do; it changed nothing."""
    monkeypatch.setattr(geopackage, "WAIT_MS", 50)
    monkeypatch.setattr(postgis, "WAIT_MS", 50)
    with (
        open_register(place.target) as other,
        register.writing(),
        pytest.raises(RegisterError, match=r"in use by another program|another writer held it"),
        other.writing(),
    ):
        pytest.fail("two writers at once")


# Derived values


def _derive(register, height: float) -> None:
    index = register.dens().index
    values = pd.DataFrame(
        {"elevation_m": [height, None], "cover_class": ["Mixed Forest", None], "canopy_mean_pct_500m": [40.0, 50.0]},
        index=index,
    )
    reasons = pd.DataFrame({"a": ["", "outside the raster"], "b": ["", "code 0"], "c": ["", ""]}, index=index)
    register.replace_derived(
        values, reasons,
        [Provenance("elevation_m", "elevation", "value of the cell", "m", None, {"vertical_unit": "m"}, "abc"),
         Provenance("cover_class", "land_cover", "class of the cell"),
         Provenance("canopy_mean_pct", "canopy", "mean", "%", 500.0)],
    )  # fmt: skip


def test_derived_values_stand_apart_with_their_source(register) -> None:
    """Numbers, words, reasons and provenance; a second run takes the first one's place; records stay as they were."""
    before, index = register.dens().to_csv(), register.dens().index
    assert register.derived().empty
    for _ in range(2):
        _derive(register, 1200.5)
    derived = register.derived()
    assert list(derived.columns) == ["elevation_m", "cover_class", "canopy_mean_pct_500m"]
    assert derived["elevation_m"].dtype == float
    assert derived.loc[index[0]].tolist() == [1200.5, "Mixed Forest", 40.0]
    assert register.reasons()["reason"].tolist() == ["outside the raster", "code 0"]
    source = register.provenance().iloc[0]
    told = (source["layer"], source["layer_fingerprint"], json.loads(source["parameters"]))
    assert told == ("elevation", "abc", {"vertical_unit": "m"})
    assert len(register.provenance()) == 3
    assert register.dens().to_csv() == before


def test_derived_values_of_an_earlier_time(register) -> None:
    """Superseded ones are kept: values, reasons and provenance as they were in force."""
    _derive(register, 1.0)
    first = register.provenance()["computed_at"].iloc[0]
    _derive(register, 2.0)
    second = register.provenance()["computed_at"].iloc[0]
    if first < second:  # else both fell into one millisecond
        assert register.derived(at=first)["elevation_m"].dropna().tolist() == [1.0]
        assert register.provenance(at=first)["computed_at"].iloc[0] == first
    assert register.derived(at=second)["elevation_m"].dropna().tolist() == [2.0]
    assert len(register.reasons(at=second)) == 2
    long_ago = first - dt.timedelta(days=1)
    assert register.derived(at=long_ago).empty
    assert register.reasons(at=long_ago).empty
    assert register.provenance(at=long_ago).empty


# Journal


def test_what_is_recorded_is_journaled(register, place) -> None:
    """Who, from what, and the whole row; PostgreSQL also knows who logged in."""
    first, _, third = entries(register)
    told = (first.seq, first.table_name, first.action, first.who, first.source)
    who = "K. R." if place.server is None else "K. R. (postgres)"
    assert told == (1, "den", "insert", who, "crew.csv")
    assert first.before is None
    assert json.loads(first.after)["label"] == "D-1"
    assert third.table_name == "visit"
    assert first.at <= third.at
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", first.at)
    assert [e.seq for e in entries(register, after=1, records=(third.record,))] == [3]


def test_a_change_keeps_before_and_after_with_its_reason(register) -> None:
    """And the den shows the new value."""
    den_id = register.dens().index[0]
    with register.writing(source="correct", reason="typed twice") as connection:
        register.change(connection, "den", den_id, {"slope_deg": 0.1 + 0.2})  # 17 digits: kept to the last bit
    last = entries(register)[-1]
    assert (last.action, last.reason) == ("change", "typed twice")
    assert last.changed() == {"slope_deg": (20.0, 0.1 + 0.2)}
    assert register.dens()["slope_deg"].iloc[0] == 0.1 + 0.2
    records_are_what_the_journal_says(register)


def test_who_writes_ends_with_the_step(register, place) -> None:
    """Nobody's later change is put down to an earlier writer."""
    place.by_another_program("UPDATE den SET notes = 'x' WHERE label = 'D-1'")
    last = entries(register)[-1]
    assert (last.who, last.source, last.reason) == (None if place.server is None else "postgres", None, None)


def test_another_programs_edit_is_journaled_and_sealed_later(register, place) -> None:
    """A point moved in a desktop GIS: before and after, chained when densite next writes."""
    place.move(-115.4, 43.6)
    assert list(entries(register)[-1].changed()) == ["geom"]
    assert {(p.x, p.y) for p in register.dens().geometry} == {(-115.4, 43.6)}
    with register.reading() as connection:
        assert journal.unsealed(connection) == 2
    with register.writing():
        pass
    with register.reading() as connection:
        state = journal.state(connection, schema.den)
    assert {row["geom"] for row in state.values()} == {encode_point(-115.4, 43.6)}
    records_are_what_the_journal_says(register)


@pytest.mark.parametrize(
    "statement",
    [
        *(f"DELETE FROM {name}" for name in (*schema.JOURNALED, "journal", "journal_seal")),
        "UPDATE journal SET who = 'x'",
        "UPDATE journal_seal SET hash = 'x'",
    ],
)
def test_nothing_is_deleted_and_the_journal_is_only_added_to(register, place, statement) -> None:
    """By another program either."""
    with register.writing() as connection:
        for kind in KINDS:
            register.add_records(connection, kind, [record()])
    with pytest.raises(Exception, match="densite: "):
        place.by_another_program(statement)
    records_are_what_the_journal_says(register)


def test_an_id_never_changes(register, place) -> None:
    """Nor the number of a row, by which a desktop GIS knows it; by another program either."""
    with register.writing() as connection:
        for kind in KINDS:
            register.add_records(connection, kind, [record()])
    for name, key in schema.JOURNALED.items():
        for column, value in ((key, "another"), ("fid", 77)):
            with pytest.raises(Exception, match="densite: an id never changes"):
                place.by_another_program(f"UPDATE {name} SET {column} = ?", value)
    records_are_what_the_journal_says(register)


def test_tampering_with_the_triggers_off_shows(register, place) -> None:
    """A value changed behind the journal's back breaks the chain at that entry."""
    place.disarm("journal", "UPDATE")
    place.by_another_program("UPDATE journal SET after = replace(after, 'D-1', 'D-7') WHERE seq = 1")
    with register.reading() as connection:
        assert journal.broken(connection) == 1


def test_an_entry_that_is_gone_shows(register, place) -> None:
    """Its seal is left over."""
    place.disarm("journal", "DELETE")
    place.by_another_program("DELETE FROM journal WHERE seq = 3")
    with register.reading() as connection:
        assert journal.broken(connection) == 3


def test_state_of_an_earlier_time(register) -> None:
    """Before a change the old value, before the first entry nothing."""
    before = entries(register)[-1].at
    den_id = register.dens().index[0]
    threading.Event().wait(0.005)  # the journal's clock has milliseconds
    with register.writing(reason="x") as connection:
        register.change(connection, "den", den_id, {"withdrawn": "yes"})
    with register.reading() as connection:
        assert journal.state(connection, schema.den, until=before)[den_id]["withdrawn"] is None
        assert journal.state(connection, schema.den)[den_id]["withdrawn"] == "yes"
        assert journal.state(connection, schema.den, until="2000-01-01T00:00:00.000Z") == {}


def test_a_withdrawn_den_is_out_of_sight_with_its_visits(register) -> None:
    """Kept, and listed on demand."""
    den_id = register.visits()["den_id"].iloc[0]
    with register.writing(reason="not a den") as connection:
        register.change(connection, "den", den_id, {"withdrawn": "yes"})
    assert register.dens()["label"].tolist() == ["D-2"]
    assert register.visits().empty
    assert len(register.dens(every=True)) == 2
    assert len(register.visits(every=True)) == 1


# Made and opened


@pytest.mark.usefixtures("register")
def test_a_register_is_never_made_over_another(place) -> None:
    """What is there stays."""
    with pytest.raises(RegisterError, match="never overwritten"):
        create_register(place.target, study_id="x")
    with open_register(place.target, study_id="test") as same:
        assert same.counts() == {"den": 2, "visit": 1}


@pytest.mark.usefixtures("register")
def test_a_register_of_another_study_is_refused(place) -> None:
    """Record ids are made from the study's id."""
    open_register(place.target, study_id="test").close()
    with pytest.raises(RegisterError, match="belongs to the study with id test"):
        open_register(place.target, study_id="other")


@pytest.mark.usefixtures("register")
def test_a_newer_register_is_refused(place) -> None:
    """With advice, never half-read."""
    place.by_another_program("UPDATE study_info SET value = '99' WHERE key = 'schema_version'")
    with pytest.raises(RegisterError, match=r"version 99.*update densite"):
        open_register(place.target)


def test_what_is_no_register_is_told(place) -> None:
    """Missing, or without our tables."""
    with pytest.raises(RegisterError, match=r"no register at|is no densite register"):
        open_register(place.target)


# Both engines side by side

CREW = """den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,aspect,aspect_reference,slope_deg,notes
D-1,2026-03-07,OB-001,43.512340,-115.521230,WGS84,5,tree,112,magnetic,20,"Bär; 'quoted' 熊"
D-2,2026-02-24,OB-002,43.612345,-115.421230,WGS84,4.5,brush,,,,
d-3,2026-02-25,,43.7,-115.3,WGS84,7,unknown,20,true,45,=1+1
D-2,2026-03-01,OB-002,43.612345,-115.421230,WGS84,4.5,brush,44,true,12.5,later
D-4,2026-02-25,,43.7,-115.3,WGS84,5,cave,20,true,45,held back
"""
ANIMALS = {
    "animals.csv": "animal,sex,age_class,born_on\nOB-001,F,adult,2015-01-20\nOB-002,F,adult,\n",
    "handlings.csv": "animal,date,den,darted,down,head up,mass,permit\n"
    "OB-001,2026-03-07,D-1,22:40,22:52,00:31,182 lb,P-1\n",
    "vitals.csv": "animal,date,time,hr,temperature\nOB-001,2026-03-07,00:05,40,98.6 F\n",
    "cubs.csv": "den,date,mother,cub,sex,mass,hair,teeth,notes\nD-1,2026-03-07,OB-001,1,F,1800,12,uc,\n"
    "D-1,2026-03-07,OB-001,2,,1800,12,uc,\n",
    "correction.csv": "animal,date,den,darted,down,head up,mass,permit,corrects,correction reason\n"
    "OB-001,2026-03-07,D-1,22:40,22:52,00:31,82 kg,P-1,{handling},digits swapped\n",
}


def _taken_in(register, folder) -> list[tuple[int, ...]]:
    """Hand in a crew's files; return what came of each."""
    chosen = parse(STUDY_TOML.replace("[study]", '[study]\ntime_zone = "America/Boise"', 1))
    given = {"register": register, "settings": chosen, "out": folder / "out"}
    folder.mkdir()
    done = [hand_in(write(folder / "crew.csv", CREW), **given)]
    for name, text in ANIMALS.items():
        if "{handling}" in text:
            text = text.format(handling=register.records("handling").index[0])
        path = write(folder / name, text)
        done.append(hand_in_records(path, kind_in(path, chosen.intake), **given))
    done.append(hand_in(write(folder / "crew.csv", CREW), **given))
    return [(d.rows, d.dens, d.visits, d.records, d.known, len(d.held_back)) for d in done]


def _frames(register) -> dict[str, pd.DataFrame]:
    """Every frame that a register gives."""
    dens = register.dens(every=True)
    places = pd.Series(shapely.to_wkb(dens.geometry), index=dens.index)
    frames = {"den": pd.DataFrame(dens.drop(columns="geometry")).assign(place=places), "visit": register.visits()}
    frames |= {kind: register.records(kind, every=True) for kind in KINDS}
    frames |= {f"{kind} now": register.records(kind) for kind in KINDS}
    _derive_for_all(register)
    return frames | {"derived": register.derived(), "reasons": register.reasons(), "source": register.provenance()}


def _derive_for_all(register) -> None:
    index = register.dens().index
    values = pd.DataFrame({"a": [1 / 3] * len(index), "b": ["x", *[None] * (len(index) - 1)]}, index=index)
    reasons = pd.DataFrame({"a": [""] * len(index), "b": ["", *["off"] * (len(index) - 1)]}, index=index)
    register.replace_derived(values, reasons, [Provenance("a", "l", "m"), Provenance("b", "l", "m", "", 30.0)])


def test_the_same_files_give_equal_registers(tmp_path, postgis_url) -> None:
    """Every frame is equal in every value, type and order; so is every entry of the journal but time and login."""
    frames, told, stories = [], [], []
    for target in (tmp_path / "register.gpkg", postgis_url):
        with create_register(target, study_id=parse(STUDY_TOML).study.id) as register:
            told.append(_taken_in(register, tmp_path / f"files{len(told)}"))
            frames.append(_frames(register))
            records_are_what_the_journal_says(register)
            with register.reading() as connection:
                tables = [journal.state(connection, schema.metadata.tables[name]) for name in schema.JOURNALED]
            stories.append(
                [
                    (e.table_name, e.record, e.action, e.who.removesuffix(" (postgres)"), set(e.changed()))
                    for e in entries(register)
                ]
            )
            assert all(tables[:2])
    assert told[0] == told[1]
    assert [n[3] for n in told[0]] == [0, 2, 1, 1, 1, 1, 0]
    assert told[0][0] == (5, 3, 4, 0, 0, 1)
    assert stories[0] == stories[1]
    for name, frame in frames[0].items():
        left, right = (
            f.drop(columns=[c for c in f if c in ("recorded_at", "computed_at")]) for f in (frame, frames[1][name])
        )
        pd.testing.assert_frame_equal(left, right, check_exact=True, obj=name)
