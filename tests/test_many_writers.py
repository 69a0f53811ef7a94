"""Sixteen processes that write into one register at once: nothing lost, nothing doubled, nobody starved."""

import os
import shutil
import time
from pathlib import Path

import lives
import pytest
from conftest import write
from lives import STUDY_ID, Nursery, finished, labels

from densite.register import create_register, journal, open_register
from densite.register.soundness import look_into

pytest_plugins = ("postgres",)

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked")
WRITERS = 16
KINDS = ["intake", "log", "count"]
LONGEST_S = 60  # densite's own patience: whoever waits longer is refused


@pytest.fixture
def nursery(tmp_path):
    """The program that forks writers."""
    made = Nursery(tmp_path / "errors.txt")
    yield made
    made.end()


@pytest.fixture
def geopackage_target(tmp_path):
    """A file to be made."""
    return str(tmp_path / "register.gpkg")


@pytest.fixture
def postgres_target(postgis_url):
    """A schema of its own in a private server."""
    return postgis_url


def started(folder: Path, target: str) -> None:
    """Make the register with the den that all writers change, its slope at 0."""
    create_register(target, study_id=STUDY_ID).close()
    study = lives.open_at(folder, target)
    study.hand_in(write(folder / "base.csv", lives.HEAD + lives.line("base", 80_000)))
    with study.register.writing(reason="start") as connection:
        study.register.change(connection, "den", lives.first(study, "den"), {"slope_deg": 0.0})
    study.close()


def run(nursery: Nursery, folder: Path, target: str, *, steps: int) -> tuple[list[float], float]:
    """Let all writers do their steps; return the seconds of each step, and of all together."""
    names = [f"w{n}" for n in range(1, WRITERS + 1)]
    jobs = {name: {"folder": folder, "target": target, "done": folder / f"done-{name}.txt", "name": name, "first": 0,
                   "last": steps, "kinds": KINDS} for name in names}  # fmt: skip
    began = time.monotonic()
    processes = [nursery.ask(**job) for job in jobs.values()]
    assert [nursery.ask(reap=pid) for pid in processes] == [0] * WRITERS, nursery.errors.read_text()
    lasted = time.monotonic() - began
    done = [finished(job["done"]) for job in jobs.values()]
    assert [len(each) for each in done] == [steps] * WRITERS
    return [seconds for each in done for _, seconds in each], lasted


def assert_all_there(target: str, *, steps: int) -> int:
    """Every den and visit once, every count added, the journal whole; return how many records there are."""
    expected = {"base"} | {
        label
        for w in range(1, WRITERS + 1)
        for n in range(steps)
        if KINDS[n % 3] != "count"
        for label in labels(KINDS[n % 3], n, f"w{w}")
    }
    counted = WRITERS * sum(KINDS[n % 3] == "count" for n in range(steps))
    with open_register(target, study_id=STUDY_ID) as register:
        dens, visits = register.dens(), register.visits()
        assert sorted(dens["label"]) == sorted(expected)
        assert sorted(visits["den_id"]) == sorted(dens.index)
        assert dens.set_index("label").at["base", "slope_deg"] == counted
        assert [problem for problem in look_into(register) if problem.hint != "make room"] == []
        with register.reading() as connection:
            entries = list(journal.entries(connection))
    assert [entry.seq for entry in entries] == sorted({entry.seq for entry in entries})
    assert len(entries) == 2 * len(expected) + 1 + counted
    return 2 * len(expected)


@pytest.mark.parametrize("steps", [3, pytest.param(12, marks=pytest.mark.gate)])
@pytest.mark.parametrize("engine", ["geopackage", "postgres"])
def test_sixteen_writers(nursery, tmp_path, request, figure, engine, steps) -> None:
    """Each hands in files, logs dens, and adds to one number that all of them change, without a pause."""
    target = request.getfixturevalue(f"{engine}_target")
    started(tmp_path, target)
    seconds, lasted = run(nursery, tmp_path, target, steps=steps)
    records = assert_all_there(target, steps=steps)
    assert max(seconds) < LONGEST_S
    figure(f"{engine}: {WRITERS} writers, {len(seconds)} steps in {lasted:.1f} s, {records} records, longest wait "
          f"{max(seconds):.1f} s; lost 0, doubled 0, deadlocks 0")  # fmt: skip


@pytest.mark.parametrize("engine", ["geopackage", "postgres"])
def test_the_same_file_from_all_writers(nursery, tmp_path, request, engine) -> None:
    """Sixteen crews hand in one and the same file at once: each record is there once."""
    target = request.getfixturevalue(f"{engine}_target")
    started(tmp_path, target)
    folders = [tmp_path / str(n) for n in range(WRITERS)]
    for folder in folders:
        folder.mkdir()
    once = {"target": target, "first": 0, "last": 1, "kinds": ["intake"]}
    jobs = [{"folder": folder, "done": folder / "done.txt"} | once for folder in folders]
    processes = [nursery.ask(**job) for job in jobs]
    assert [nursery.ask(reap=pid) for pid in processes] == [0] * WRITERS, nursery.errors.read_text()
    with open_register(target, study_id=STUDY_ID) as register:
        assert register.counts() == {"den": lives.IN_A_FILE + 1, "visit": lives.IN_A_FILE + 1}
        assert [problem for problem in look_into(register) if problem.hint != "make room"] == []


def test_opened_and_closed_by_all(nursery, tmp_path, geopackage_target) -> None:
    """The last to close folds the log in and deletes it, the next to open makes it: nobody is refused."""
    started(tmp_path, geopackage_target)
    for turn in range(3):
        jobs = [{"folder": tmp_path, "target": geopackage_target, "done": tmp_path / f"{turn}-{n}.txt", "first": 0,
                 "last": 1, "kinds": ["count"]} for n in range(WRITERS)]  # fmt: skip
        processes = [nursery.ask(**job) for job in jobs]
        assert [nursery.ask(reap=pid) for pid in processes] == [0] * WRITERS, nursery.errors.read_text()
    copy = shutil.copy(geopackage_target, tmp_path / "copy.gpkg")
    with open_register(copy) as register:
        assert register.dens()["slope_deg"].tolist() == [3 * WRITERS]
