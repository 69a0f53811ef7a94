"""Registers of every earlier version are brought up whole, with a backup, or stay as they are.

The fixtures were made by densite as it was: version 1 by the code before there were animals' records, version 2 by
the code before there was a journal. Each handed in the same four rows of dens by ``hand_in``, and stored three
covariates with reasons by ``replace_derived``; version 2 also a handling, a reading, two cubs and a correction of
one. Then ``PRAGMA journal_mode = DELETE``, ``VACUUM``, gzip.
"""

import contextlib
import gzip
import json
import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from conftest import needs
from sqlalchemy import event

from densite.errors import RegisterError
from densite.register import Register, journal, migrations, open_register, schema
from densite.register.backup import contents
from densite.register.geopackage import GeoPackage
from densite.register.soundness import look_at
from densite.register.store import Provenance

DATA = Path(__file__).parent / "data"
STUDY_ID = "7e570000-0000-4000-8000-000000000001"
VERSIONS = (1, 2)


@pytest.fixture(params=VERSIONS)
def old(request, tmp_path):
    """A register of an earlier version."""
    return unpacked(tmp_path, request.param)


def unpacked(folder: Path, version: int) -> Path:
    """Unpack a fixture."""
    path = folder / "register.gpkg"
    path.write_bytes(gzip.decompress((DATA / f"register-v{version}.gpkg.gz").read_bytes()))
    return path


def dump(path: Path) -> dict[str, list[dict]]:
    """Read every row of the register's own tables without densite, its number and changed layout left out."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        names = [r[0] for r in db.execute("SELECT table_name FROM gpkg_contents")]
        return {name: [dict(row) for row in db.execute(f"SELECT * FROM {name} ORDER BY fid")]  # noqa: S608
                for name in names if not name.startswith("journal") and name != "study_info"}  # fmt: skip


def backups(path: Path) -> list[Path]:
    """List the backups beside a register."""
    return sorted((path.parent / "backups").glob("*"))


def test_nothing_is_lost_on_the_way_up(old, capsys) -> None:
    """Every value of every row, derived values, reasons and provenance; what is new is blank."""
    before = dump(old)
    open_register(old, study_id=STUDY_ID).close()
    after = dump(old)
    new = {"withdrawn", "superseded_at"}
    for table, rows in before.items():
        fresh = new - set(rows[0]) if rows else new
        assert all(row[name] is None for row in after[table] for name in fresh & set(row))
        assert [{k: v for k, v in row.items() if k not in fresh} for row in after[table]] == rows, table
    assert all(not after[table] for table in after.keys() - before.keys())
    assert f"is kept as {backups(old)[0]}" in capsys.readouterr().err


def test_the_values_are_those_that_were_recorded(old) -> None:
    """Read by this version: figures of the crew file, decimals to the last digit, blanks with their reasons."""
    with open_register(old) as register:
        dens, visits = register.dens(), register.visits()
        assert list(dens["label"]) == ["D-1", "D-2", "D-3"]
        assert dens.geometry.iloc[2].coords[0] == (-115.4, 43.612345678)
        assert dens["notes"].iloc[1] == "Grüner Felsen"
        assert len(visits) == 4
        derived, reasons = register.derived(), register.reasons()
        assert derived.at[dens.index[1], "derived_slope_deg"] == 0.1 + 0.2
        assert list(derived.columns) == ["derived_slope_deg", "land_cover", "canopy_mean_pct_500m"]
        assert sorted(reasons["reason"]) == ["half of the disc is blank", "no class", "outside of the layer"]
        assert list(register.provenance()["layer_fingerprint"]) == ["ab12", "cd34", "ef56"]


def test_the_animals_records_of_version_2(tmp_path) -> None:
    """The correction holds; what it corrected is there too."""
    with open_register(unpacked(tmp_path, 2)) as register:
        cubs = register.records("cub")
        assert len(cubs) == 2
        assert len(register.records("cub", every=True)) == 3
        assert "scale read wrong" in set(cubs["correction_reason"])
        assert len(register.records("handling")) == len(register.records("reading")) == 1


def test_the_journal_begins_with_every_record(old) -> None:
    """One entry each, sealed, equal to the table; the deep check finds nothing."""
    with open_register(old) as register, register.reading() as connection:
        held = contents(connection)
        entries = list(journal.entries(connection))
        assert len(entries) == held.records == held.seq
        assert {entry.reason for entry in entries} == {"recorded before there was a journal"}
        assert all(json.loads(entry.after) for entry in entries)
    assert [p for p in look_at(old) if p.hint != "make room"] == []


def test_the_next_steps_work(old) -> None:
    """Values are derived again, the earlier ones kept; a change is journaled."""
    with open_register(old) as register:
        ids = register.dens().index
        values, reasons = pd.DataFrame({"a": [1.0, 2.0, 3.0]}, index=ids), pd.DataFrame({"a": [""] * 3}, index=ids)
        register.replace_derived(values, reasons, [Provenance("derived_slope_deg", "dem.tif", "Horn 1981")])
        assert list(register.derived().columns) == ["derived_slope_deg"]
        with register.writing(reason="looked again") as connection:
            register.change(connection, "den", ids[0], {"notes": "changed"})
            assert connection.exec_driver_sql("SELECT count(*) FROM derivation").scalar() == 4


def test_gdal_reads_what_was_brought_up(old) -> None:
    """Every table, without a warning."""
    open_register(old).close()
    done = subprocess.run([needs("ogrinfo"), "-al", "-so", str(old)], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert "Geometry: Point" in done.stdout
    for table in schema.metadata.tables:
        assert f"Layer name: {table}" in done.stdout


def test_a_backup_is_made_first(old) -> None:
    """The earlier version, row for row, private; only once."""
    before, version = dump(old), dump_version(old)
    open_register(old).close()
    open_register(old).close()
    (kept,) = backups(old)
    assert kept.name.startswith(f"before-version-{schema.SCHEMA_VERSION}-")
    assert dump(kept) == before
    assert dump_version(kept) == version
    assert dump_version(old) == str(schema.SCHEMA_VERSION)
    assert (kept.stat().st_mode & 0o777, kept.parent.stat().st_mode & 0o777) == (0o600, 0o700)


def dump_version(path: Path) -> str:
    """Read the version without densite."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        return str(db.execute("SELECT value FROM study_info WHERE key = 'schema_version'").fetchone()[0])


def test_without_a_backup_nothing_is_brought_up(old) -> None:
    """Where the folder of backups cannot be made, the register stays as it was and can be brought up later."""
    before = dump(old)
    (old.parent / "backups").write_text("a file is in the way")
    with pytest.raises(RegisterError, match=r"only done with a backup: .*Nothing was changed"):
        open_register(old)
    assert dump(old) == before
    (old.parent / "backups").unlink()
    open_register(old).close()


class BrokenOffError(Exception):
    """What goes wrong in the middle."""


def raise_before(number: int):
    """Return a listener that raises before a statement of a migration."""
    seen = 0

    def listen(connection, *_: object) -> None:
        nonlocal seen
        if connection.get_execution_options().get("densite_writes"):
            seen += 1
            if seen == number:
                raise BrokenOffError

    return listen


def statements_of(path: Path) -> int:
    """Count the statements of a migration."""
    count = 0

    def listen(connection, *_: object) -> None:
        nonlocal count
        count += bool(connection.get_execution_options().get("densite_writes"))

    register = Register(GeoPackage(path))
    event.listen(register.backend.engine, "before_cursor_execute", listen)
    migrations.bring_up(register, keep=False)
    register.close()
    return count


@pytest.mark.parametrize("version", VERSIONS)
def test_broken_off_at_any_statement(version, tmp_path) -> None:
    """The earlier version is whole, however far it was."""
    path = unpacked(tmp_path, version)
    before = dump(path)
    total = statements_of(path)
    assert total > 50
    path = unpacked(tmp_path, version)
    for number in range(1, total + 1):
        register = Register(GeoPackage(path))
        event.listen(register.backend.engine, "before_cursor_execute", raise_before(number))
        with pytest.raises(BrokenOffError):
            migrations.bring_up(register, keep=False)
        register.close()
        if number % 7 == 0 or number == total:
            assert dump(path) == before
            assert dump_version(path) == str(version)
    open_register(path).close()


_KILLED = """
import os, signal, sys
from sqlalchemy import event
from densite.register import Register, migrations
from densite.register.geopackage import GeoPackage

def life(path, number):
    register, seen = Register(GeoPackage(path)), 0
    def listen(connection, *_):
        nonlocal seen
        seen += bool(connection.get_execution_options().get("densite_writes"))
        if seen == number:
            os.kill(os.getpid(), signal.SIGKILL)
    event.listen(register.backend.engine, "after_cursor_execute", listen)
    migrations.bring_up(register, keep=False)

for number in map(int, sys.argv[2:]):
    child = os.fork()
    if child == 0:
        life(__import__("pathlib").Path(sys.argv[1]), number)
        os._exit(0)
    print(os.waitpid(child, 0)[1])
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks")
@pytest.mark.parametrize("version", VERSIONS)
def test_killed_in_the_middle(version, tmp_path) -> None:
    """kill -9 again and again: the earlier version each time."""
    total = statements_of(unpacked(tmp_path, version))
    path = unpacked(tmp_path, version)
    before = dump(path)
    moments = [str(n) for n in range(1, total + 1, max(1, total // 12))]
    done = subprocess.run([sys.executable, "-c", _KILLED, path, *moments], capture_output=True, text=True, check=True)
    assert {os.WTERMSIG(int(line)) for line in done.stdout.split()} == {signal.SIGKILL}, done.stderr
    assert len(done.stdout.split()) == len(moments)
    assert dump(path) == before
    assert dump_version(path) == str(version)
    open_register(path).close()


def test_two_programs_at_once(old) -> None:
    """Both find the older version; one brings it up, the other finds it done."""
    first, second = Register(GeoPackage(old)), Register(GeoPackage(old))
    migrations.bring_up(first)
    migrations.bring_up(second)
    first.close()
    second.close()
    assert len(backups(old)) == 1


def test_an_older_register_that_cannot_be_written_is_not_half_read(old, monkeypatch) -> None:
    """It is refused with advice, and is as it was."""
    content = old.read_bytes()
    monkeypatch.setattr("densite.register.opening._writable", lambda _: False)
    with pytest.raises(RegisterError, match=r"read-only\. Copy the study folder"):
        open_register(old)
    assert old.read_bytes() == content
    assert backups(old) == []


def test_a_newer_register_is_refused(tmp_path) -> None:
    """With advice, unread."""
    path = unpacked(tmp_path, 1)
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE study_info SET value = '99' WHERE key = 'schema_version'")
    with pytest.raises(RegisterError, match="update densite"):
        open_register(path)
