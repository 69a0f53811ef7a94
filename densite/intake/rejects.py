"""Rows held back, written so that they can be mended and handed in again."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from densite.intake.rawrow import PROVENANCE, RawRow

if TYPE_CHECKING:
    import pandas as pd

PREFIX = "rejected-"
CONFIRMED = "confirmed"
FORMULA = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"  # the last four are full-width, which some spreadsheets run too
_RUN = re.compile(f"'*[{re.escape(FORMULA)}]")
MENDED = "mended-"
_UNSAFE = re.compile(r"[^\w .,()+-]")
_LONGEST_NAME = 180  # bytes; file systems bear 255


def write_rejects(rows: Sequence[tuple[RawRow, str]], *, folder: Path, handed_in: Path, name: str = "") -> Path:
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
    name : str
        How the part of it is called that they came from; the file's own name by default.

    Returns
    -------
    Path
        The file written.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = _free_name(folder, handed_in, name or handed_in.name)
    heads = list(dict.fromkeys(key for row, _ in rows for key in row.raw if key not in PROVENANCE))
    known = {name for row, _ in rows for name in row.values}
    extra = [] if CONFIRMED in known or CONFIRMED in heads else [CONFIRMED]
    scratch = path.with_suffix(".part")
    with scratch.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*PROVENANCE, *map(guarded, heads), *extra])
        for row, reason in rows:
            source = (row.values.get("source_file") or row.file, row.values.get("source_line") or row.line)
            cells = (guarded(row.raw.get(h) or "") for h in heads)
            writer.writerow([reason, *source, *cells, *([""] * len(extra))])
    same = [old for old in folder.glob(f"{PREFIX}*.csv") if old.read_bytes() == scratch.read_bytes()]
    if same:
        scratch.unlink()
        return same[0]
    scratch.replace(path)
    return path


def set_aside(handed_in: Path, folder: Path) -> Path | None:
    """Rename a rejected file of which every row is recorded now, so that it is not taken for open work.

    Parameters
    ----------
    handed_in : Path
        The file that was handed in.
    folder : Path
        Where rejected files are written.

    Returns
    -------
    Path or None
        Its new name; None where it is no rejected file of this study.
    """
    if not handed_in.name.startswith(PREFIX) or not folder.is_dir() or not handed_in.parent.samefile(folder):
        return None
    return handed_in.replace(handed_in.with_name(MENDED + handed_in.name.removeprefix(PREFIX)))


def guarded(cell: str) -> str:
    """Keep a spreadsheet from running a cell as a formula: an apostrophe before it, numbers left alone.

    A cell that has apostrophes before such a sign gets one more, so that :func:`unguarded` gives back every text.
    """
    return f"'{cell}" if _RUN.match(cell) and not _is_number(cell) else cell


def guarded_csv(frame: pd.DataFrame) -> str:
    """Write a table for people as CSV, its text guarded, numbers left alone.

    Parameters
    ----------
    frame : DataFrame
        Headings of ours; text may be anybody's.

    Returns
    -------
    str
        Comma-separated, with a header line, without the index.
    """
    texts = {str(name): _texts(column) for name, column in frame.items() if column.dtype.kind not in "biufMm"}
    return str(frame.assign(**texts).to_csv(index=False, lineterminator="\n"))


def _texts(column: pd.Series[Any]) -> pd.Series[Any]:
    """Guard the text of a column; of objects, so that a whole number beside a missing one stays whole."""
    import pandas as pd

    cells = [guarded(value) if isinstance(value, str) else value for value in column]
    return pd.Series(cells, index=column.index, dtype=object)


def unguarded(cell: str) -> str:
    """Take the apostrophe of :func:`guarded` away again."""
    return cell[1:] if cell[:1] == "'" and _RUN.match(cell, 1) else cell


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _free_name(folder: Path, handed_in: Path, name: str) -> Path:
    name = _UNSAFE.sub("-", name)
    if len(name.encode()) > _LONGEST_NAME:
        name = name.encode()[-_LONGEST_NAME:].decode(errors="ignore")  # its end tells more than its beginning
    stem = name if name.lower().endswith(".csv") else f"{name}.csv"
    path = folder / (PREFIX + stem.removeprefix(PREFIX))
    number = 2
    while path.exists() and not (handed_in.exists() and path.samefile(handed_in)):
        path = folder / f"{PREFIX}{Path(stem.removeprefix(PREFIX)).stem}-{number}.csv"
        number += 1
    return path
