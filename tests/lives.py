"""Processes that write into a register step by step, to be killed, stopped or run beside each other by tests.

A program: it loads densite once, then forks a process for each life that is asked for on its standard input.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from compiled import share_compiled

HEAD = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,observer,slope_deg\n"
TOML = '[study]\nname = "Basin"\nid = "7e570000-0000-4000-8000-000000000006"\ncrs = "EPSG:32611"\n'
STUDY_ID = "7e570000-0000-4000-8000-000000000006"
IN_A_FILE = 3
DERIVED = ("elevation_m", "canopy_mean_pct")


def line(label: str, place: int) -> str:
    """Write a crew file's line of a den that lies a kilometre from every other."""
    lon, lat = -119 + place % 300 * 0.015, 41 + place // 300 * 0.01
    return f"{label},2026-02-24,OB-001,{lat:.6f},{lon:.6f},WGS84,5,tree,KR,20\n"


def labels(kind: str, n: int, name: str = "") -> list[str]:
    """Name the dens of a step."""
    return [f"{name}{kind}-{n}-{i}" for i in range(IN_A_FILE if kind == "intake" else 1)]


def place(n: int, name: str = "") -> int:
    """Number the place of a step's first den; each writer has its own field of places."""
    return (int(name[1:]) * 1500 if name else 0) + n * IN_A_FILE


def intake(study: Any, n: int, name: str = "") -> None:
    """Hand in a crew file of a few dens."""
    file = study.folder / f"{name}crew-{n}.csv"
    lines = [line(label, place(n, name) + i) for i, label in enumerate(labels("intake", n, name))]
    file.write_text(HEAD + "".join(lines), encoding="utf-8")
    (delivery,) = study.hand_in(file)
    assert not delivery.held_back, delivery.problems


def log_or_change(study: Any, n: int, _: str = "") -> None:
    """Log a den, and every second time change one, with its visit."""
    if n % 2:
        change(study, n)
    else:
        log(study, n)


def log(study: Any, n: int, name: str = "") -> None:
    """Log a den."""
    values = line(labels("log", n, name)[0], place(n, name)).strip().split(",")
    delivery = study.log(dict(zip(HEAD.strip().split(","), values, strict=True)))
    assert not delivery.held_back, delivery.problems


def change(study: Any, n: int) -> None:
    """Correct the first den and its visit in one step."""
    register = study.register
    with register.writing(source="correct", reason=f"step {n}") as connection:
        register.change(connection, "den", first(study, "den"), {"slope_deg": n / 1000})
        register.change(connection, "visit", first(study, "visit"), {"observer": f"step {n}"})


def count(study: Any, _: int, name: str = "") -> None:
    """Add one to a number that every writer adds to, read and written in one step."""
    from sqlalchemy import select

    from densite.register import schema

    den = first(study, "den")
    with study.register.writing(source=name, reason="one more") as connection:
        slope = connection.execute(select(schema.den.c.slope_deg).where(schema.den.c.den_id == den)).scalar_one()
        study.register.change(connection, "den", den, {"slope_deg": slope + 1})


def first(study: Any, table: str) -> str:
    """Return the id of what was recorded first."""
    frame = study.register.dens(only=["label"]) if table == "den" else study.register.visits(only=["observer"])
    return str(frame.loc[frame["label"] == "base"].index[0] if table == "den" else frame.index[0])


def derive(study: Any, n: int, _: str = "") -> None:
    """Store two derived values at every den, all of them the number of the step."""
    import pandas as pd

    from densite.register.store import Provenance

    index = study.register.dens(only=["label"]).index
    values = pd.DataFrame({name: float(n) for name in DERIVED}, index=index)
    sources = [Provenance(name, "layer", "method") for name in DERIVED]
    study.register.replace_derived(values, values.astype(str).map(lambda _: ""), sources)


STEPS: dict[str, Callable[..., None]] = {
    "intake": intake, "log": log, "log or change": log_or_change, "derive": derive, "count": count,
}  # fmt: skip


def open_at(folder: Path, target: str) -> Any:
    """Open a study whose register is at a path or URL."""
    from densite.pipeline import Study
    from densite.register import open_register
    from densite.settings import parse

    return Study(folder, parse(TOML), open_register(target, study_id=STUDY_ID))


def _live(job: dict[str, Any]) -> None:
    """Do steps one after the other; each that is done is written down, with the seconds it took, and forced to disk."""
    study = open_at(Path(job["folder"]), job["target"])
    kinds = job["kinds"]
    with Path(job["done"]).open("a", encoding="utf-8") as done:
        for n in range(job["first"], job["last"]):
            kind, began = kinds[n % len(kinds)], time.monotonic()
            STEPS[kind](study, n, job.get("name", ""))
            done.write(f"{n} {time.monotonic() - began:.4f}\n")
            done.flush()
            os.fsync(done.fileno())
    study.close()


def _fork(job: dict[str, Any]) -> int:
    pid = os.fork()
    if pid:
        return pid
    try:
        _live(job)
    except BaseException as error:  # noqa: BLE001 - the test reads it
        print(f"{type(error).__name__}: {error}", file=sys.stderr, flush=True)
        os._exit(1)
    os._exit(0)


def _wait_for(job: dict[str, Any]) -> None:
    """Wait before the kill: from the beginning of the life, or from its first report, however slow the machine is."""
    done = Path(job["done"])
    size = done.stat().st_size if done.exists() else 0
    while job.get("once_reported") and (done.stat().st_size if done.exists() else 0) == size:
        time.sleep(0.002)
    time.sleep(job["kill_after"])


def _warm_up() -> None:
    """Load what a life loads late and compile its statements, once for all lives."""
    from densite.register import create_register

    share_compiled()
    with TemporaryDirectory() as folder:
        target = Path(folder) / "register.gpkg"
        create_register(target, study_id=STUDY_ID).close()
        study = open_at(Path(folder), str(target))
        study.hand_in(_written(Path(folder) / "base.csv", HEAD + line("base", 80_000)))
        for n, kind in enumerate(("intake", "log", "log or change", "derive")):
            STEPS[kind](study, 2 * n + 1)
        study.close()
    gc.collect()
    gc.freeze()  # what is here already need not be looked at, or copied, in each life


def _written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def main() -> None:
    """Fork, kill and reap as asked."""
    _warm_up()
    print("ready", flush=True)
    for asked in sys.stdin:
        job = json.loads(asked)
        pid = job["reap"] if "reap" in job else _fork(job)
        if "kill_after" in job:
            _wait_for(job)
            os.kill(pid, signal.SIGKILL)
        answer = pid if "reap" not in job and "kill_after" not in job else os.waitpid(pid, 0)[1]
        print(answer, flush=True)


class Nursery:
    """The program from the side of a test."""

    def __init__(self, errors: Path) -> None:
        self.errors = errors
        with errors.open("w") as file:
            self.program = subprocess.Popen(
                [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=file, text=True
            )
        assert self.program.stdout
        assert self.program.stdout.readline() == "ready\n"

    def ask(self, **job: Any) -> int:
        """Start a life and return its process; or, killed or reaped, what became of it."""
        assert self.program.stdin
        assert self.program.stdout
        self.program.stdin.write(json.dumps(job, default=str) + "\n")
        self.program.stdin.flush()
        return int(self.program.stdout.readline())

    def end(self) -> None:
        """Let the program go; lives that are left are reaped by the system."""
        self.program.communicate()


def finished(done: Path) -> list[tuple[int, float]]:
    """Return the steps that were reported as done, with the seconds that each took."""
    whole = done.read_text(encoding="utf-8").split("\n")[:-1] if done.exists() else []
    return [(int(text.split()[0]), float(text.split()[1])) for text in whole]


if __name__ == "__main__":
    main()
