"""A laboratory's own file, one row a sample and one column a determination, as determinations one by one."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from densite.animalterms import SAMPLE
from densite.errors import IntakeError
from densite.intake.csvfile import DELIMITERS, LONGEST_CELL, encoding_of
from densite.intake.rejects import unguarded
from densite.terms import spelled

LONGEST_PREAMBLE = 60  # lines of title, address and remarks that laboratories set above the table
LABEL_HEADINGS = (SAMPLE.name, SAMPLE.heading, *SAMPLE.also)


@dataclass(frozen=True, slots=True)
class Determination:
    """One value that a laboratory determined on one sample, and the line on which it stands."""

    label: str
    determination: str
    value: str
    line: int


def read_laboratory_file(
    path: Path, *, label_column: str | None = None, only: Collection[str] = ()
) -> list[Determination]:
    """Read a laboratory's table, wide or long.

    Parameters
    ----------
    path : Path
        Text table with commas, semicolons, tabs or bars, in UTF-8, UTF-16 or Windows-1252. Lines above
        the table are passed over. A table with the columns determination and value is long; in any other
        each column but the label's is a determination. A column headed as the one before it, or not at
        all, is its second value, such as a locus' second allele: ``G10B``, ``G10B (2)``.
    label_column : str, optional
        Heading of the column of labels; densite's own headings for it otherwise.

    only : collection of str
        Headings of the determinations that are wanted, where the file has other columns (well, plate);
        all of them otherwise. A heading stands for its further values too.

    Returns
    -------
    list of Determination
        In the order of the file; blank values and rows without a label are left out.

    Raises
    ------
    IntakeError
        The file cannot be read as text, or has no column with that heading.
    """
    lines = _cells(path)
    headings = [label_column] if label_column else list(LABEL_HEADINGS)
    start, column = _table(lines, {spelled(heading) for heading in headings}, path, headings)
    names = _named(lines[start][1])
    found = []
    for line, cells in lines[start + 1 :]:
        label = cells[column] if len(cells) > column else ""
        if len(cells) > len(names) and any(cells[len(names) :]):
            raise IntakeError(f"{path.name} line {line}: {len(cells)} cells under {len(names)} headings")
        pairs = (pair for pair in _pairs(names, cells, column) if not only or _base(pair[0]) in map(spelled, only))
        found += [Determination(label, name, value, line) for name, value in pairs if label and name and value]
    return found


def _cells(path: Path) -> list[tuple[int, list[str]]]:
    """Return each filled line's number and cells, split at the character that splits most lines alike."""
    csv.field_size_limit(LONGEST_CELL)  # the module knows no limit for one reader alone
    encoding = encoding_of(path)
    try:
        text = path.read_text(encoding=encoding)
    except UnicodeError as error:
        raise IntakeError(f"{path.name} is not in the encoding {encoding}: {error}") from None
    lines = io.StringIO(text).readlines()
    delimiter = max(DELIMITERS, key=lambda mark: sum(mark in line for line in lines))
    reader = csv.reader(lines, delimiter=delimiter)
    try:
        rows = [(reader.line_num, [unguarded(cell.strip()) for cell in cells]) for cells in reader]
    except csv.Error as error:
        raise IntakeError(f"{path.name} is no readable table: {error}") from None
    return [(line, cells) for line, cells in rows if any(cells)]


def _table(
    lines: Sequence[tuple[int, list[str]]], wanted: set[str], path: Path, headings: Sequence[str]
) -> tuple[int, int]:
    """Return where the table's headings stand and which column holds the labels."""
    for start, (line, cells) in enumerate(lines[:LONGEST_PREAMBLE]):
        places = [place for place, cell in enumerate(cells) if spelled(cell) in wanted]
        if len(places) > 1:
            raise IntakeError(f"{path.name} line {line}: two columns of labels; name one with --label-column")
        if places:
            return start, places[0]
    seen = ", ".join(repr(cell) for cell in lines[0][1] if cell) if lines else "nothing"
    raise IntakeError(
        f"{path.name}: no column headed {' or '.join(map(repr, headings))}; its first line holds {seen[:200]}. "
        'Say which column holds the labels: --label-column "Sample ID"'
    )


def _named(heads: Sequence[str]) -> list[str]:
    """Name each column; one headed as the column before it, or not at all, is that one's next value."""
    names: list[str] = []
    base, number = "", 1
    for head in heads:
        same = not head or spelled(head) == spelled(base)
        base, number = (base, number + 1) if same and base else (head, 1)
        names.append(base if number == 1 else f"{base} ({number})")
    return names


def _base(name: str) -> str:
    return spelled(re.sub(r" \(\d+\)$", "", name))


def _pairs(names: Sequence[str], cells: Sequence[str], column: int) -> list[tuple[str, str]]:
    """Return the determinations of one line with their values."""
    words = [spelled(name) for name in names]
    row = dict(zip(words, cells, strict=False))
    if "determination" in words and "value" in words:
        return [(row.get("determination", ""), row.get("value", ""))]
    return [pair for place, pair in enumerate(zip(names, cells, strict=False)) if place != column]
