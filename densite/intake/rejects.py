"""Rows held back, written so that they can be mended and handed in again."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from densite.intake.rawrow import PROVENANCE, RawRow

PREFIX = "rejected-"
CONFIRMED = "confirmed"


def write_rejects(rows: Sequence[tuple[RawRow, str]], *, folder: Path, handed_in: Path) -> Path:
    """Write held-back rows to ``rejected-<file>.csv`` with the reason first.

    A file that somebody may be mending is never written over, unless it is the very file handed in.

    Parameters
    ----------
    rows : sequence of (RawRow, str)
        Rows and why each was held back.
    folder : Path
        Where to write, usually the study's ``out``.
    handed_in : Path
        The crew file the rows came from.

    Returns
    -------
    Path
        The file written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = _free_name(folder, handed_in)
    heads = list(dict.fromkeys(key for row, _ in rows for key in row.raw if key not in PROVENANCE))
    known = {name for row, _ in rows for name in row.values}
    extra = [] if CONFIRMED in known or CONFIRMED in heads else [CONFIRMED]
    scratch = path.with_suffix(".part")
    with scratch.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*PROVENANCE, *heads, *extra])
        for row, reason in rows:
            source = (row.values.get("source_file") or row.file, row.values.get("source_line") or row.line)
            writer.writerow([reason, *source, *(row.raw.get(h) or "" for h in heads), *([""] * len(extra))])
    same = [old for old in folder.glob(f"{PREFIX}*.csv") if old.read_bytes() == scratch.read_bytes()]
    if same:
        scratch.unlink()
        return same[0]
    scratch.replace(path)
    return path


def _free_name(folder: Path, handed_in: Path) -> Path:
    stem = handed_in.name if handed_in.suffix.lower() == ".csv" else f"{handed_in.name}.csv"
    path = folder / (PREFIX + stem.removeprefix(PREFIX))
    number = 2
    while path.exists() and not (handed_in.exists() and path.samefile(handed_in)):
        path = folder / f"{PREFIX}{Path(stem.removeprefix(PREFIX)).stem}-{number}.csv"
        number += 1
    return path
