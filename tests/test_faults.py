"""Killed, cut off, filled up, locked out: a step is there whole or not at all, and what was reported is never lost."""

import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import lives
import pytest
from compiled import compiled_once
from conftest import write
from lives import DERIVED, STUDY_ID, Nursery, finished, labels

from densite.errors import RegisterError
from densite.register import create_register, geopackage, open_register
from densite.register.soundness import look_at, look_into

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks, /proc and mounts of Linux")
LIFE_S = 0.1  # a killed process lives up to so long, from its beginning or from the first step it reported
REGISTERS_OF = 10  # so many kills on one register


@pytest.fixture(scope="module", autouse=True)
def looked_at_fast():
    """Statements are compiled once; what reaches the disk, and when, stays as it is for everybody."""
    with compiled_once():
        yield


@pytest.fixture(scope="module")
def nursery(tmp_path_factory):
    """The program that forks writers."""
    made = Nursery(tmp_path_factory.mktemp("lives") / "errors.txt")
    yield made
    made.end()
    assert made.errors.read_text() == ""


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """A register with one den, to be copied."""
    folder = tmp_path_factory.mktemp("base")
    create_register(folder / "register.gpkg", study_id=STUDY_ID).close()
    study = lives.open_at(folder, folder / "register.gpkg")
    study.hand_in(write(folder / "base.csv", lives.HEAD + lives.line("base", 80_000)))
    study.close()
    return folder / "register.gpkg"


@pytest.fixture
def tell(figure):
    """Tell a figure in CI."""
    return figure


def job_in(folder: Path, base: Path, kind: str) -> dict:
    """A new register in a folder of its own, and the life that writes into it."""
    folder.mkdir()
    target = shutil.copy(base, folder / "register.gpkg")
    return {"folder": folder, "target": target, "done": folder / "done.txt", "kinds": [kind], "first": 1, "last": 10**6}


def steps_held(register, kind: str) -> int:
    """Return the last step that a register holds, after making sure that every step up to it is there whole."""
    if kind == "derive":
        return _derived_step(register)
    held = set(register.dens(only=["label"])["label"]) - {"base"}
    visited = register.visits(only=["den_id", "observer"]).merge(register.dens(only=["label"]), on="den_id")
    assert sorted(visited["label"]) == sorted(held | {"base"})  # every den with its visit, none twice
    steps = {int(label.split("-")[1]) for label in held}
    if kind == "log or change":
        steps |= _changed_steps(register, visited)
    last = max(steps, default=0)
    assert steps == set(range(1, last + 1))
    recorded = [n for n in steps if kind == "intake" or n % 2 == 0]
    assert held == {label for n in recorded for label in labels(kind.split()[0], n)}
    return last


def _changed_steps(register, visited) -> set[int]:
    """Return the steps that changed the first den; den and visit must tell the same."""
    note = visited.set_index("label").at["base", "observer"]
    slope = register.dens(only=["label", "slope_deg"]).set_index("label").at["base", "slope_deg"]
    if note == "KR":
        assert slope == 20
        return set()
    assert note == f"step {round(slope * 1000)}"
    return set(range(1, round(slope * 1000) + 1, 2))


def _derived_step(register) -> int:
    values = register.derived()
    if values.empty:
        return 0
    (step,) = {float(v) for v in values.to_numpy().ravel()}
    with register.reading() as connection:
        count = connection.exec_driver_sql("SELECT count(*) FROM derivation").scalar_one()
        rows = connection.exec_driver_sql("SELECT count(*) FROM derived_value").scalar_one()
    assert list(values.columns) == list(DERIVED)
    assert len(register.provenance()) == 2  # in force; those of earlier steps are kept beside, one value each
    assert count == rows
    assert count % 2 == 0
    return int(step)


@pytest.mark.parametrize("kind", ["intake", "derive", "log or change"])
@pytest.mark.parametrize("kills", [10, pytest.param(100, marks=pytest.mark.gate)])
def test_killed_at_any_moment(nursery, base, tmp_path, tell, kind, kills) -> None:
    """kill -9 while it opens, reads, writes, commits or closes: whole steps, and every reported one."""
    chance = random.Random(f"{kind} {kills}")  # noqa: S311 - seeded
    done_in_all, redone = 0, 0
    for n in range(kills):
        if n % REGISTERS_OF == 0:
            job = job_in(tmp_path / f"{kind}{n}", base, kind)
            before = 0
        status = nursery.ask(**job, kill_after=chance.uniform(0, LIFE_S), once_reported=n % 2 == 0)
        assert os.WIFSIGNALED(status), nursery.errors.read_text()
        reported = max([before, *(step for step, _ in finished(job["done"]))])
        with open_register(job["target"], study_id=STUDY_ID) as register:
            held = steps_held(register, kind)
            assert look_into(register) == []
        assert held in (reported, reported + 1)
        done_in_all, redone = done_in_all + reported - before, redone + held - reported
        job["first"], before = reported + 1, reported  # a step that was not reported is done again: nothing doubles
    tell(f"kill -9 in {kind}: {kills} moments, {done_in_all} steps reported, {redone} whole but unreported; losses: 0")


@contextlib.contextmanager
def alive(nursery, job):
    """A life that goes on until the block is left."""
    pid = nursery.ask(**job)
    try:
        yield pid
    finally:
        os.kill(pid, signal.SIGKILL)
        nursery.ask(reap=pid)


def image(pid: int, job: dict, to: Path) -> int:
    """Copy register and log of a living writer as they are at one instant; return the last step reported before it."""
    os.kill(pid, signal.SIGSTOP)
    try:
        while ") T " not in Path(f"/proc/{pid}/stat").read_text():
            time.sleep(0.001)  # the signal is on its way
        reported = max((step for step, _ in finished(job["done"])), default=0)
        to.mkdir()
        for file in job["folder"].glob("register.gpkg*"):
            shutil.copy(file, to / file.name)
    finally:
        os.kill(pid, signal.SIGCONT)
    return reported


def held_in(folder: Path, kind: str) -> int:
    """Return the last step in an image, which must be sound."""
    with open_register(folder / "register.gpkg", study_id=STUDY_ID) as register:
        assert look_into(register) == []
        return steps_held(register, kind)


def cut(folder: Path, to: Path, chance: random.Random) -> Path:
    """Copy an image with its write-ahead log cut off anywhere, the rest of the sector lost or torn; no -shm."""
    to.mkdir()
    shutil.copy(folder / "register.gpkg", to)
    log = (folder / "register.gpkg-wal").read_bytes()
    torn = bytes(chance.randrange(256) for _ in range(chance.choice([0, 0, 512, 4096])))
    (to / "register.gpkg-wal").write_bytes(log[: chance.randrange(len(log) + 1)] + torn)
    return to


@pytest.mark.parametrize("kind", ["intake", "derive", "log or change"])
@pytest.mark.parametrize("images", [4, pytest.param(15, marks=pytest.mark.gate)])
def test_power_lost_at_any_moment(nursery, base, tmp_path, tell, kind, images) -> None:
    """Images of the disk while a process writes: as they are, without -shm, and with the end of the log lost."""
    chance = random.Random(f"power {kind} {images}")  # noqa: S311 - seeded
    cuts = 0
    for n in range(images):
        if n % REGISTERS_OF == 0:
            job = job_in(tmp_path / f"{kind}{n}", base, kind)
        with alive(nursery, job) as pid:
            time.sleep(chance.uniform(0.05, 0.3))
            reported = image(pid, job, taken := tmp_path / f"image{n}")
        if (taken / "register.gpkg-wal").exists() and _never_folded(taken, base):
            for m in range(3):
                assert held_in(cut(taken, tmp_path / f"cut{n}-{m}", chance), kind) <= reported + 1
                cuts += 1
        if n % 2:
            (taken / "register.gpkg-shm").unlink(missing_ok=True)
        assert held_in(taken, kind) in (reported, reported + 1)
        job["first"] = max((step for step, _ in finished(job["done"])), default=0) + 1
    assert cuts
    tell(
        f"power lost in {kind}: {images} images, losses of reported steps: 0; {cuts} with the log cut: whole steps only"
    )


def _never_folded(taken: Path, base: Path) -> bool:
    """Tell whether no change was folded into the file yet: only before that may the log still be lost."""
    return (taken / "register.gpkg").read_bytes() == base.read_bytes()


@pytest.fixture
def small_disk(tmp_path):
    """A disk of four megabytes, mounted for the test."""
    disk = tmp_path / "disk"
    disk.mkdir()
    tool = shutil.which("mount")
    done = tool and subprocess.run(
        [tool, "-t", "tmpfs", "-o", "size=4m", "tmpfs", disk], capture_output=True, check=False
    )
    if not done or done.returncode:
        if os.environ.get("CI") and os.geteuid() == 0:
            pytest.fail("a small disk cannot be mounted here, and CI must show what a full one does")
        pytest.skip("mounting needs root")
    yield disk
    subprocess.run(["umount", "--lazy", disk], check=True)  # what a failed opening left is closed when it is collected


def fill(disk: Path, leave: int) -> Path:
    """Fill a disk but for some bytes."""
    filler = disk / "filler"
    filler.write_bytes(b"x" * (shutil.disk_usage(disk).free - leave))
    return filler


def test_the_disk_is_full(small_disk, base, tell) -> None:
    """One clear error, whole steps, nothing lost; with room again the same step goes in."""
    chance = random.Random("full")  # noqa: S311 - seeded
    done_in_all = 0
    for n in range(6):
        folder = small_disk / f"full{n}"
        folder.mkdir()
        shutil.copy(base, folder)
        study = lives.open_at(folder, folder / "register.gpkg")
        filler = fill(small_disk, chance.randrange(150_000, 900_000))
        kind, step = ["intake", "log or change", "derive"][n % 3], 0
        said = ""
        while not said:
            step += 1
            said = _refused(study, kind, step)
        done_in_all += step - 1
        assert ("The disk is full" in said) or ("No space left" in said), said
        filler.unlink()
        assert steps_held(study.register, kind) == step - 1
        assert [problem.field for problem in look_into(study.register) if problem.hint != "make room"] == []
        assert _refused(study, kind, step) == ""
        assert steps_held(study.register, kind) == step
        study.close()
        shutil.rmtree(folder)
    tell(f"full disk: 6 times, after {done_in_all} steps; losses: 0")


def _refused(study, kind: str, step: int) -> str:
    """Do a step; return with what words it was refused."""
    try:
        lives.STEPS[kind](study, step)
    except (RegisterError, OSError) as error:
        return str(error)
    return ""


def test_little_room_is_told_before(small_disk, base) -> None:
    """By check --deep, with how much there is."""
    shutil.copy(base, small_disk)
    (found,) = look_at(small_disk / "register.gpkg")
    assert "the disk has 3 MB left" in found.message


def test_a_read_only_folder(small_disk, base) -> None:
    """Read, not written; the advice says what to do."""
    shutil.copy(base, small_disk)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    study = lives.open_at(small_disk, small_disk / "register.gpkg")
    assert list(study.dens["label"]) == ["base"]
    assert [p.message[:8] for p in look_into(study.register)] == ["the disk"]
    with pytest.raises(RegisterError, match=r"read-only.*copy the study folder"), study.register.writing():
        pass
    study.close()


def test_a_read_only_folder_with_a_log_left_behind(small_disk, base, tmp_path, nursery) -> None:
    """What is in the log is not passed over in silence."""
    job = job_in(tmp_path / "log", base, "log or change")
    nursery.ask(**job, kill_after=0.1, once_reported=True)
    for name in ("register.gpkg", "register.gpkg-wal"):
        shutil.copy(job["folder"] / name, small_disk)
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with pytest.raises(RegisterError, match=r"-wal file .* copy both files"):
        open_register(small_disk / "register.gpkg")


def held_by_another(path: Path) -> sqlite3.Connection:
    """Another program that holds the writers' lock."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    return other


@pytest.fixture
def hasty(monkeypatch):
    """Patience of a third of a second, told after a tenth."""
    monkeypatch.setattr(geopackage, "WAIT_MS", 300)
    monkeypatch.setattr(geopackage, "TELL_MS", 100)


@pytest.mark.usefixtures("hasty")
def test_a_lock_held_by_another_program(base, tmp_path, capsys) -> None:
    """Waiting is told once, then given up with advice; readers do not wait."""
    path = Path(shutil.copy(base, tmp_path))
    other = held_by_another(path)
    with open_register(path) as register:
        assert register.counts() == {"den": 1, "visit": 1}
        gives_up = pytest.raises(RegisterError, match=r"in use by another program, waited 0.3 s: close it .* or wait")
        with gives_up, register.writing():
            pass
        told = capsys.readouterr().err
        assert told.count("waiting up to 0.3 s") == 1
        other.close()
        with register.writing():  # let go: goes in at once, and nothing is said
            pass
    assert capsys.readouterr().err == ""


@pytest.mark.usefixtures("hasty")
def test_a_lock_that_keeps_readers_out(base, tmp_path) -> None:
    """A program that opened the file for itself alone."""
    path = Path(shutil.copy(base, tmp_path))
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(RegisterError, match="in use by another program, waited"):
        open_register(path)
    other.close()


def test_a_file_copied_while_open_is_older_but_whole(base, tmp_path, nursery) -> None:
    """Without its log; how far its journal reaches tells it from the one that it was copied from."""
    from densite.register.soundness import newest_entry

    job = job_in(tmp_path / "log", base, "log or change")
    nursery.ask(**job, kill_after=0.1, once_reported=True)
    copy = Path(shutil.copy(job["target"], tmp_path / "copy.gpkg"))
    assert look_at(copy) == []
    ours, theirs = newest_entry(job["target"]), newest_entry(copy)
    assert int(theirs.split()[2]) < int(ours.split()[2])


def test_no_register_in_its_place(tmp_path) -> None:
    """A folder, an empty file: told, and left as they are."""
    with pytest.raises(RegisterError, match="is a folder, no register"):
        open_register(tmp_path)
    with pytest.raises(RegisterError, match="never overwritten"):
        create_register(tmp_path, study_id="x")
    empty = write(tmp_path / "register.gpkg", "")
    with pytest.raises(RegisterError, match="damaged or no GeoPackage"):
        open_register(empty)
    assert "is empty" in look_at(empty)[0].message
    assert empty.read_bytes() == b""
    with pytest.raises(RegisterError, match="no register at"):
        look_at(tmp_path / "none.gpkg")


def test_the_command_line_tells_one_line(small_disk, base) -> None:
    """A full disk from the shell: one message, exit code 2, no traceback."""
    shutil.copy(base, small_disk)
    write(small_disk / "study.toml", lives.TOML)
    rows = "".join(lives.line(f"D-{n}", n) for n in range(400))
    write(small_disk / "crew.csv", lives.HEAD + rows)
    fill(small_disk, 200_000)
    done = subprocess.run([sys.executable, "-m", "densite", "intake", "--study", small_disk, small_disk / "crew.csv"],
                          capture_output=True, text=True, check=False)  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert done.stderr.strip().startswith("densite: ")
    assert len(done.stderr.strip().splitlines()) == 1
    assert "The disk is full: make room" in done.stderr
