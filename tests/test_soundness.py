"""Damage, tampering and other programs' edits are told, with the way out; a sound register is called sound."""

import contextlib
import json
import random
import shutil
import sqlite3
import subprocess
from pathlib import Path

import lives
import pytest
from click.testing import CliRunner, Result
from conftest import needs, write
from hypothesis import given, settings
from hypothesis import strategies as st
from test_register import den, visit

from densite.cli import cli
from densite.errors import Level
from densite.register import create_register, open_register, schema
from densite.register.soundness import look_at, look_into, newest_entry
from densite.withdrawals import withdraw

pytest_plugins = ("postgres",)

QUICK, MANY = 60, 150  # examples drawn
FREE, UNCHECKED = "DROP TRIGGER den_point_change", "PRAGMA ignore_check_constraints = ON"


def fill(path: Path, *, dens: int = 12) -> None:
    """Make a register with dens, visits, a change and derived values."""
    made = [den(f"D-{n}", -115.5 + n / 100, 43.5, slope_deg=n) for n in range(dens)]
    with (
        create_register(path, study_id=lives.STUDY_ID) as register,
        register.writing(source="crew.csv", who="K. R.") as connection,
    ):
        register.add(connection, made, [visit(d, f"k{d.label}") for d in made])
        register.change(connection, "den", str(made[0].den_id), {"notes": "corrected"})
    study = lives.open_at(path.parent, path)
    lives.derive(study, 1)
    study.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A register that is left as it is."""
    path = tmp_path_factory.mktemp("made") / "register.gpkg"
    fill(path)
    return path


@pytest.fixture
def path(made, tmp_path):
    """A copy to be damaged."""
    return Path(shutil.copy(made, tmp_path / "register.gpkg"))


def by_another_program(path: Path, *statements: str) -> None:
    """Change the file without densite, with foreign keys off as in most programs."""
    with contextlib.closing(sqlite3.connect(path)) as other:
        for statement in statements:
            other.execute(statement)
        other.commit()


def messages(path: Path) -> str:
    """What is told of a file, in one text."""
    return "\n".join(f"{p.level}: {p.message} ({p.hint})" for p in look_at(path) if p.hint != "make room")


def records(path: Path) -> dict:
    """Return every record of every journaled table, as SQLite holds it."""
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return {
            table: sorted(db.execute(f"SELECT {', '.join(names(table))} FROM {table}").fetchall(), key=repr)  # noqa: S608
            for table in schema.JOURNALED
        }
    finally:
        db.close()


def names(table: str) -> list[str]:
    """Columns of a table but for its row number."""
    return [f'"{c.name}"' for c in schema.metadata.tables[table].c if c.name != "fid"]


def test_a_sound_register_is_called_sound(path) -> None:
    """Open or closed; looking changes nothing and leaves nothing behind."""
    before = path.read_bytes()
    assert messages(path) == ""
    assert path.read_bytes() == before
    with open_register(path) as register:
        assert [p for p in look_into(register) if p.hint != "make room"] == []
    assert newest_entry(path).startswith("journal entry 25 of 20")


@pytest.mark.parametrize(
    ("statements", "told"),
    [
        (["PRAGMA application_id = 7"], "application_id is 0x7"),
        (["PRAGMA user_version = 99"], "user_version is 99"),
        (["UPDATE gpkg_spatial_ref_sys SET organization = 'x' WHERE srs_id = 4326"], "row 4326 is missing or not"),
        (["DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = 0"], "row 0 is missing"),
        (["DELETE FROM gpkg_contents WHERE table_name = 'visit'"], "does not list table visit"),
        (["INSERT INTO gpkg_contents (table_name, data_type) VALUES ('gone', 'attributes')"], "lists gone"),
        (["UPDATE gpkg_contents SET last_change = 'yesterday' WHERE table_name = 'den'"], "of den is 'yesterday'"),
        (["UPDATE gpkg_geometry_columns SET srs_id = 0"], "does not say that den.geom holds points in WGS 84"),
        (["DROP TABLE journal_context"], "table journal_context is not there"),
        (["ALTER TABLE visit RENAME COLUMN crew TO troop"], "visit lacks its columns crew"),
        (["DROP TRIGGER den_change"], "trigger den_change is gone"),
        (["DROP TRIGGER den_kept", "CREATE TRIGGER den_kept BEFORE DELETE ON den BEGIN SELECT 1; END"],
         "den_kept is altered"),
        (["CREATE TRIGGER spy AFTER INSERT ON den BEGIN SELECT 1; END"], "not densite's: spy"),
        ([FREE, "UPDATE den SET geom = x'00' WHERE label = 'D-3'"], "1 dens is no GeoPackage geometry (D-3)"),
        ([FREE, "UPDATE den SET geom = CAST(x'4750000100000000' || substr(geom, 9) AS BLOB) WHERE label = 'D-3'"],
         "1 dens is not in WGS 84"),
        ([FREE, "UPDATE den SET geom = 'POINT (1 2)' WHERE label = 'D-3'"], "is no GeoPackage geometry"),
        ([FREE, "UPDATE den SET geom = substr(geom, 1, 20) WHERE label = 'D-3'"], "1 dens cannot be read (D-3)"),
        ([FREE, "UPDATE den SET geom = substr(geom, 1, 21) || substr(geom, 14, 8)"], "is no GeoPackage geometry"),
        ([UNCHECKED, "UPDATE den SET withdrawn = 'no' WHERE label = 'D-3'"],
         "den: withdrawn 'no' counts as blank; allowed: yes, or blank; rows: 1 (D-3 "),
        (["UPDATE den SET slope_deg = 999 WHERE label <> 'D-3'"],
         "den: slope_deg '999.0'; allowed: 0 to 90 deg; rows: 11 (D-0 "),
        (["UPDATE den SET slope_deg = '20 %' WHERE label = 'D-3'"], "den: slope_deg '20 %' is no number but text"),
        (["UPDATE den SET den_type = 'Tree' WHERE label = 'D-3'"], "den_type 'Tree' is to be written 'tree'"),
        (["UPDATE den SET notes = char(27) || '[2J' WHERE label = 'D-3'"],
         "warning: den: notes '\\x1b[2J' has a character that is not written (U+001B, place 1)"),
        (["UPDATE visit SET observed_on = 'yesterday' WHERE row_key = 'kD-3'"], "visit: observed_on 'yesterday'"),
        (["UPDATE den SET recorded_at = '2026-02-24 12:00' WHERE label = 'D-3'"], "1 values are no UTC time"),
        (["UPDATE visit SET observed_on = '24.2.2026'"], "observed_on: 12 values are no day"),
        (["UPDATE visit SET observed_on = '2026-02-30'"], "observed_on: 12 values are no day"),
        (["DROP TRIGGER den_change", "UPDATE den SET slope_deg = 9 WHERE label = 'D-3'"],
         "(slope_deg)"),
        (["DROP TRIGGER den_change", "UPDATE den SET slope_deg = 9 WHERE label = 'D-3'"],
         "den: 1 records differ from their last journal entry"),
        (["DROP TRIGGER visit_kept", "DELETE FROM visit WHERE row_key = 'kD-3'"], "in the journal and not in"),
        (["DROP TRIGGER journal_DELETE", "DELETE FROM journal WHERE seq = 5"], "altered or damaged at entry 6"),
        (["DROP TRIGGER journal_UPDATE", "UPDATE journal SET who = 'A. B.' WHERE seq = 4"], "damaged at entry 4"),
        (["UPDATE visit SET den_id = 'nowhere' WHERE row_key = 'kD-3'"], "1 rows point to a den that is not there"),
        (["UPDATE study_info SET value = '99' WHERE key = 'schema_version'"], "version 99, this program knows"),
        (["UPDATE study_info SET value = '2' WHERE key = 'schema_version'"], "version 2, from before"),
        (["DROP TABLE study_info"], "no densite register"),
    ],
)  # fmt: skip
def test_what_another_program_did_is_told(path, statements, told) -> None:
    """One statement each; the way out is named."""
    by_another_program(path, *statements)
    said = messages(path)
    assert told in said
    assert all(problem.hint for problem in look_at(path))


def test_only_some_of_many_broken_rows_are_listed(path) -> None:
    """Five rows of a rule, twenty rules of a table; the rest is counted."""
    free = "UPDATE visit SET observed_on = 'day ' || fid"
    by_another_program(path, "UPDATE den SET slope_deg = -1", free,
                       "INSERT INTO visit (visit_id, den_id, row_key, observed_on, recorded_at) SELECT lower(hex("
                       "randomblob(4))) || substr(v.visit_id, 9), v.den_id, v.row_key || '-' || d.fid, "
                       "'day ' || v.fid || '-' || d.fid, v.recorded_at "
                       "FROM visit v, den d WHERE d.fid < 3")  # fmt: skip
    told = [p.message for p in look_at(path) if " rows: " in p.message or "more kinds" in p.message]
    assert told[0].startswith("den: slope_deg '-1.0'; allowed: 0 to 90 deg; rows: 12 (D-0 ")
    assert told[0].count("D-") == 5
    assert len(told) == 22
    assert told[-1] == "visit: 16 more kinds of such values"


@pytest.mark.parametrize("value", ["no", "", "YES"])
def test_only_yes_is_withdrawn(path, value) -> None:
    """Whatever else another program wrote, checks off, counts as blank everywhere; as a rule it is refused."""
    statement = f"UPDATE den SET withdrawn = '{value}' WHERE label = 'D-3'"  # noqa: S608 - ours
    with pytest.raises(sqlite3.IntegrityError, match="withdrawn_is_yes_or_blank"):
        by_another_program(path, statement)
    by_another_program(path, UNCHECKED, statement, statement.replace("den", "visit").replace("label", "row_key"))
    with open_register(path) as register:
        assert "D-3" in register.dens()["label"].tolist()
        assert len(register.visits()) == 12
        assert withdraw(register, "D-3", reason="a badger's den").said
        assert "D-3" not in register.dens()["label"].tolist()


def test_a_point_moved_in_a_gis_is_a_note(path) -> None:
    """Journaled by the trigger, so nothing is damaged."""
    by_another_program(path, "UPDATE den SET slope_deg = 9 WHERE label = 'D-3'")
    (found,) = (p for p in look_at(path) if p.hint != "make room")
    assert found.level == Level.NOTE
    assert found.message.startswith("other programs wrote 1 journal entries that are not sealed yet: den ")


def test_a_correction_of_nothing_is_told(path) -> None:
    """A record that corrects one that is not there."""
    columns = "record_id, row_key, corrects"
    rest = [c.name for c in schema.record_tables["animal"].c if not c.nullable and c.name not in (columns, "fid")]
    values = dict.fromkeys(rest, "x") | {"record_id": "r", "row_key": "k", "corrects": "nowhere"}
    by_another_program(path, f"INSERT INTO animal_record ({', '.join(values)}) VALUES {tuple(values.values())}")  # noqa: S608
    assert "animal_record: 1 records correct one that is not there: r" in messages(path)


def test_a_spatial_index_made_by_gdal(path) -> None:
    """Its triggers call functions that only a GIS has; densite brings them, so dens can still be recorded and moved."""
    subprocess.run([needs("ogrinfo"), path, "-sql", "SELECT CreateSpatialIndex('den', 'geom')"], check=True,
                   capture_output=True)  # fmt: skip
    assert [text for text in messages(path).splitlines() if not text.startswith("note")] == []
    with open_register(path) as register:
        with register.writing() as connection:
            register.add(connection, [new := den("D-99", -114.0, 44.0)], [visit(new, "k99")])
        assert [p for p in look_into(register) if p.hint != "make room"] == []
    done = subprocess.run([needs("ogrinfo"), "-ro", path, "den", "-spat", "-114.1", "43.9", "-113.9", "44.1", "-q"],
                          check=True, capture_output=True, text=True)  # fmt: skip
    assert done.stdout.count("OGRFeature") == 1
    assert "D-99" in done.stdout


def told_or_whole(path: Path, expected: dict) -> bool:
    """Damage is told, or every record reads back equal. Returns whether it was told."""
    told = [p for p in look_at(path) if p.hint != "make room"]
    assert all(p.message and p.hint for p in told)
    if not told:
        assert records(path) == expected
    return bool(told)


@pytest.mark.parametrize("examples", [QUICK, pytest.param(MANY, marks=pytest.mark.gate)])
def test_any_bit_flipped(made, tmp_path, figure, examples) -> None:
    """Told, or without effect on any record; never a traceback."""
    whole, expected, seen = made.read_bytes(), records(made), {"told": 0, "flips": 0}

    @settings(max_examples=examples, database=None, derandomize=True)
    @given(st.integers(0, len(whole) - 1), st.integers(0, 7))
    def flip(offset: int, bit: int) -> None:
        damaged = bytearray(whole)
        damaged[offset] ^= 1 << bit
        path = tmp_path / "register.gpkg"
        path.write_bytes(damaged)
        seen["told"] += told_or_whole(path, expected)
        seen["flips"] += 1

    flip()
    assert seen["told"]
    figure(f"bit flips anywhere: {seen['flips']}, told {seen['told']}, the rest without effect on any record")


@pytest.mark.parametrize("flips", [40, pytest.param(120, marks=pytest.mark.gate)])
def test_any_bit_of_a_record_flipped(made, tmp_path, figure, flips) -> None:
    """In the pages of dens and visits, where damage hurts."""
    whole, expected, told = made.read_bytes(), records(made), 0
    chance = random.Random("records")  # noqa: S311 - seeded
    offsets = [i for i in range(len(whole) - 4) if whole[i : i + 4] in (b"tree", b"kD-3", b"D-11")]
    for _ in range(flips):
        damaged = bytearray(whole)
        damaged[chance.choice(offsets) + chance.randrange(-60, 60)] ^= 1 << chance.randrange(8)
        path = tmp_path / "register.gpkg"
        path.write_bytes(damaged)
        told += told_or_whole(path, expected)
    figure(f"bit flips in and around records: {flips}, told {told}, the rest without effect on any record")
    assert told > flips / 2


@pytest.mark.parametrize("examples", [30, pytest.param(60, marks=pytest.mark.gate)])
def test_truncated_at_any_length(made, tmp_path, examples) -> None:
    """Always told."""
    whole, expected = made.read_bytes(), records(made)

    @settings(max_examples=examples, database=None, derandomize=True)
    @given(st.one_of(st.integers(0, len(whole) - 1), st.integers(0, len(whole) // 4096 - 1).map(lambda n: n * 4096)))
    def cut(length: int) -> None:
        path = tmp_path / "register.gpkg"
        path.write_bytes(whole[:length])
        assert told_or_whole(path, expected)

    cut()


def test_pages_lost(made, tmp_path) -> None:
    """A page of zeros, of an earlier state, or of another place, as a failing disk gives."""
    whole, expected = made.read_bytes(), records(made)
    chance = random.Random("pages")  # noqa: S311 - seeded
    pages, told = len(whole) // 4096, 0
    for n in range(40):
        at, other = chance.randrange(pages) * 4096, chance.randrange(pages) * 4096
        page = bytes(4096) if n % 2 else whole[other : other + 4096]
        path = tmp_path / "register.gpkg"
        path.write_bytes(whole[:at] + page + whole[at + 4096 :])
        told += told_or_whole(path, expected)
    assert told > 30


def test_in_postgres(tmp_path, postgis_url) -> None:
    """A value changed while the triggers were off, and the trigger that is still off."""
    target = postgis_url
    create_register(target, study_id=lives.STUDY_ID).close()
    study = lives.open_at(tmp_path, target)
    lives.intake(study, 1)
    assert look_into(study.register) == look_at(target) == []
    other = study.register.backend.engine.connect().execution_options(densite_writes=True)
    with other, other.begin():
        other.exec_driver_sql("ALTER TABLE den DISABLE TRIGGER den_journal")
        other.exec_driver_sql("UPDATE den SET slope_deg = 9 WHERE label = 'intake-1-0'")
        other.exec_driver_sql("ALTER TABLE visit DROP CONSTRAINT visit_den_id_fkey")
    told = [problem.message for problem in look_at(target)]
    assert any("trigger den_journal is off" in text for text in told)
    assert any("den: 1 records differ from their last journal entry" in text for text in told)
    assert any("1 foreign keys are gone" in text for text in told)
    study.close()


def deep(folder: Path, *words: str) -> Result:
    """Type the command."""
    return CliRunner().invoke(cli, ["check", "--deep", "--study", str(folder), *words])


def test_the_command(path) -> None:
    """Sound: exit code 0; damaged: 1, each finding with a way out, JSON for scripts."""
    write(path.parent / "study.toml", lives.TOML)
    done = deep(path.parent)
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith("Register: sound. Newest: journal entry 25 of ")
    path.write_bytes(path.read_bytes()[:100_000])
    done = deep(path.parent)
    assert done.exit_code == 1
    assert "densite restore" in done.stderr
    assert isinstance(done.exception, SystemExit)
    assert json.loads(deep(path.parent, "--json").stdout)[0]["level"] == "error"
