"""The register at growing sizes: intake, opening, one log, the table; memory and bytes a den.

    python tests/bench/bench_register.py [--small] [--sizes 1000,10000] [--folder KEPT]

A size is a number of den rows; with them come as many further visits of the same dens and as many
vitals readings, so that 100,000 dens have 200,000 visits and 100,000 readings. Every step runs in a
process of its own, as a crew's command does; the files are handed in as a crew hands them in.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import gc
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
WEST, SOUTH, STEP = -116.9, 42.1, 0.001  # about 80 m by 110 m between dens: far enough to be no duplicates
TYPES = ("tree", "ground bed", "rock ledge", "brush")


def lines(count: int, day: str, *, first: bool) -> Iterator[list[str]]:
    """Yield den rows on a lattice: every column a crew fills in on the first visit, fewer on a later one."""
    side = int(count**0.5) + 1
    for i in range(count):
        place = f"{SOUTH + STEP * (i // side):.6f}", f"{WEST + STEP * (i % side):.6f}"
        row = [f"D-{i}", day, f"OB-{i % (count // 3 + 1)}", *place, "WGS84", "5", TYPES[i % 4], "KR"]
        more = [str(i % 360), "magnetic", str(i % 45), str(i % 100), "under the roots of a fallen tree", "120", "60"]
        yield row + (more if first else [""] * len(more))


HEADS = ("den_label", "date", "female", "latitude", "longitude", "datum", "uncertainty_m", "den_type", "observer",
         "aspect", "aspect_reference", "slope_deg", "canopy_pct", "notes",
         "entrance_height_cm", "depth_cm")  # fmt: skip


def make(folder: Path, count: int) -> None:
    """Make a study and its crew files."""
    from densite.studyfolder import new_study

    new_study(folder / "study", name="bench", crs="EPSG:32611")
    written(folder / "dens.csv", HEADS, lines(count, "2025-02-24", first=True))
    written(folder / "visits.csv", HEADS, lines(count, "2026-02-24", first=False))
    heads = ("animal", "date", "read", "heart_rate", "respiration", "temperature_c", "thermometer")
    females = count // 3 + 1
    readings = (
        [f"OB-{i % females}", "2026-02-24", f"08:{10 + i // females:02d}", "60", "12", "37.5", "rectal deep"]
        for i in range(count)
    )
    written(folder / "readings.csv", heads, readings)


def written(path: Path, heads: tuple[str, ...], rows: Iterator[list[str]]) -> None:
    """Write a crew file."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(heads)
        writer.writerows(rows)


def intake(folder: Path, name: str) -> dict[str, Any]:
    """Hand in one of the crew files."""
    from densite.pipeline import open_study

    with open_study(folder / "study") as study:
        (delivery,) = study.hand_in(folder / name)
        assert not delivery.held_back, delivery.held_back[0]
    return {"recorded": delivery.visits + delivery.records}


def opened(folder: Path) -> dict[str, Any]:
    """Open the register and count, without the imports that every command has."""
    from densite.register import open_register

    begin = time.perf_counter()
    with open_register(folder / "study" / "register.gpkg") as register:
        inside = time.perf_counter() - begin
        return register.counts() | {"seconds": inside}


def table(folder: Path) -> dict[str, Any]:
    """Make the table of den types; the classes are stored first, since layers are no part of this."""
    import pandas as pd

    from densite import gradient
    from densite.pipeline import open_study
    from densite.register.store import Provenance

    with open_study(folder / "study") as study:
        if study.register.derived().empty:
            index = study.register.dens(only=("label",)).index
            names = gradient.class_names(study.settings.gradient)
            values = pd.DataFrame(
                {"gradient": 1.0, "landscape_class": [names[i % len(names)] for i in range(len(index))],
                 "class_certain": 1.0}, index=index,
            )  # fmt: skip
            said = gradient.definition(study.settings.gradient)
            sources = [Provenance(n, "housing", said if n == "landscape_class" else "made") for n in values.columns]
            study.register.replace_derived(values, pd.DataFrame("", index=index, columns=values.columns), sources)
    with open_study(folder / "study") as study:
        begin = time.perf_counter()
        made = study.table()
        return {"seconds": time.perf_counter() - begin, "rows": len(made.frame)}


def log(folder: Path, number: int) -> dict[str, Any]:
    """Log one visit by the command itself; wall time with the start of Python."""
    words = ["log", "--study", str(folder / "study"), "--den-label", f"LOG-{number}", "--date", "2026-02-24",
             "--latitude", f"{SOUTH - 0.2 - number * STEP:.6f}", "--longitude", "-116.500000", "--datum", "WGS84",
             "--uncertainty-m", "5", "--den-type", "tree"]  # fmt: skip
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, "-m", "densite", *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return {"seconds": time.perf_counter() - begin}


def bytes_of(folder: Path, dens: int) -> dict[str, Any]:
    """Return the register's size a den row, and the journal's share of it."""
    import sqlite3

    path = folder / "study" / "register.gpkg"
    with contextlib.closing(sqlite3.connect(path)) as db:
        whole = path.stat().st_size
        query = "SELECT sum(pgsize) FROM dbstat WHERE name LIKE 'journal%' OR name LIKE 'sqlite_autoindex_journal%'"
        with contextlib.suppress(sqlite3.OperationalError):  # dbstat is a compile-time option of SQLite
            share = db.execute(query).fetchone()[0]
            return {"bytes_a_den": whole / dens, "journal_bytes_a_den": share / dens}
    return {"bytes_a_den": whole / dens}


STEPS: dict[str, Callable[..., dict[str, Any]]] = {
    "make": lambda folder, arg: make(folder, int(arg)) or {},
    "intake": intake,
    "open": lambda folder, _: opened(folder),
    "table": lambda folder, _: table(folder),
    "log": lambda folder, arg: log(folder, int(arg)),
    "bytes": lambda folder, arg: bytes_of(folder, int(arg)),
}


def step(name: str, folder: Path, argument: str = "") -> dict[str, Any]:
    """Run a step in a process of its own; seconds of its work and the most memory it held."""
    words = [sys.executable, str(HERE), "--step", name, "--folder", str(folder), "--argument", argument]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def child(name: str, folder: Path, argument: str) -> None:
    """Do one step and print what came of it."""
    gc.set_threshold(50_000)  # as the command line does
    begin = time.perf_counter()
    found = {"seconds": 0.0} | STEPS[name](folder, argument)
    found["seconds"] = found["seconds"] or time.perf_counter() - begin
    used = resource.getrusage(resource.RUSAGE_CHILDREN if name == "log" else resource.RUSAGE_SELF)
    print(json.dumps(found | {"peak_mb": used.ru_maxrss / 1024, "cpu": used.ru_utime + used.ru_stime}))


def size(folder: Path, count: int) -> None:
    """Print one line of the table."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "study").exists():
        step("make", folder, str(count))
    taken = [step("intake", folder, f"{name}.csv") for name in ("dens", "visits", "readings")]
    bytes_a_den = step("bytes", folder, str(count))
    found = [min((step(name, folder, str(i)) for i in range(3)), key=lambda one: one["seconds"])
             for name in ("open", "log", "table")]  # fmt: skip
    seconds = [one["seconds"] for one in taken]
    cells = [f"{count}", *(f"{s:.1f} s" for s in seconds), f"{sum(seconds):.1f} s"]
    cells += [f"{sum(one['cpu'] for one in taken):.1f} s"]
    cells += [f"{max(one['peak_mb'] for one in taken):.0f} MB"]
    cells += [f"{one['seconds']:.2f} s" for one in found]
    cells += [f"{bytes_a_den['bytes_a_den']:.0f}", f"{bytes_a_den.get('journal_bytes_a_den', float('nan')):.0f}"]
    print(f"| {' | '.join(cells)} |", flush=True)


def main() -> None:
    """Print the table, or do the one step that a child was started for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="up to 10,000 dens")
    parser.add_argument("--sizes", help="numbers of den rows, separated by commas")
    parser.add_argument("--folder", type=Path, help="where studies are kept")
    parser.add_argument("--step", help=argparse.SUPPRESS)
    parser.add_argument("--argument", default="", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.step:
        return child(options.step, options.folder, options.argument)
    usual = [10**3, 10**4] if options.small else [10**3, 10**4, 10**5, 10**6]
    sizes = [int(text) for text in options.sizes.split(",")] if options.sizes else usual
    heads = ("dens", "dens in", "visits in", "readings in", "together", "of processor", "peak", "open", "log", "table",
             "bytes a den", "of which journal")  # fmt: skip
    print(f"{os.cpu_count()} processors\n| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    with tempfile.TemporaryDirectory() as made:
        for count in sizes:
            size((options.folder or Path(made)) / str(count), count)
    return None


if __name__ == "__main__":
    main()
