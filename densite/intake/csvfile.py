"""Crew files as text tables: comma, semicolon or tab, in UTF-8, UTF-16 or one declared encoding."""

from __future__ import annotations

import contextlib
import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TextIO

from densite.errors import IntakeError, Level, Problem
from densite.intake.rawrow import RawRow, about_unknown, meanings, understand
from densite.intake.rejects import unguarded
from densite.terms import RECORDED_TERMS, Term

LONGEST_CELL = 2**24
_LONGEST_LINE = 2**25  # bytes
DELIMITERS = ",;\t|"
_NAMED = re.compile(r'"?sep=(?P<mark>[,;\t|])"?', re.IGNORECASE)


def read_csv(
    path: Path, *, mapping: Mapping[str, str], encoding: str | None = None, terms: Sequence[Term] = RECORDED_TERMS
) -> Iterator[RawRow]:
    """Read a text table row by row, without holding it whole.

    Parameters
    ----------
    path : Path
        The file.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml.
    encoding : str, optional
        Encoding to insist on; found out from the bytes otherwise.
    terms : sequence of Term
        The columns that such a file may have: those of den visits by default.

    Yields
    ------
    RawRow
        With the physical line on which the row starts.

    Raises
    ------
    IntakeError
        The file is empty, no text, of mixed encodings, or its header cannot be used.
    """
    with _opened(path, encoding) as file:
        yield from _rows(file, path.name, mapping, terms)


def headings_of(path: Path, *, encoding: str | None = None) -> list[str]:
    """Read the headings of a text table.

    Parameters
    ----------
    path : Path
        The file.
    encoding : str, optional
        Encoding to insist on; found out from the bytes otherwise.

    Returns
    -------
    list of str
        As they stand in the first line.

    Raises
    ------
    IntakeError
        As for :func:`read_csv`.
    """
    with _opened(path, encoding) as file:
        return _heads(file, path.name)[0]


@contextlib.contextmanager
def _opened(path: Path, encoding: str | None) -> Iterator[TextIO]:
    csv.field_size_limit(LONGEST_CELL)  # the module knows no limit for one reader alone
    encoding = _encoding_by_mark(path) or encoding or encoding_of(path)
    try:
        with path.open(encoding=encoding, newline="") as file:
            yield file
    except (UnicodeError, LookupError) as error:
        raise IntakeError(f"{path.name} is not in the encoding {encoding}: {error}") from None
    except csv.Error as error:
        raise IntakeError(f"{path.name} is no readable table: {error}") from None


def encoding_of(path: Path) -> str:
    """Find out the encoding of a text file from all of its bytes.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        ``utf-8-sig``, ``utf-16``, or ``cp1252`` when no line is UTF-8 beyond ASCII.

    Raises
    ------
    IntakeError
        The file is empty, binary, or mixes UTF-8 lines with lines of another encoding.
    """
    if path.stat().st_size == 0:
        raise IntakeError(f"{path.name} is empty: nothing to take in")
    utf8: list[int] = []
    other: list[int] = []
    marked = _encoding_by_mark(path)
    if marked == "utf-16":
        return marked
    with path.open("rb") as file:
        for number, line in enumerate(iter(lambda: file.readline(_LONGEST_LINE + 1), b""), start=1):
            if len(line) > _LONGEST_LINE:
                raise IntakeError(f"{path.name} line {number} is longer than {_LONGEST_LINE} bytes: not a text table")
            if b"\x00" in line:
                raise IntakeError(f"{path.name} line {number} holds NUL bytes: not a text table. Export it as CSV")
            if not line.isascii():
                (utf8 if _is_utf8(line) else other).append(number)
    if utf8 and other:
        raise IntakeError(
            f"{path.name} mixes encodings: line {utf8[0]} is UTF-8, line {other[0]} is not. "
            "Save it anew as UTF-8, or set intake.encoding in study.toml"
        )
    return "cp1252" if other else "utf-8-sig"


def _encoding_by_mark(path: Path) -> str | None:
    """Return the encoding that a byte-order mark names; it goes before a declared one."""
    with path.open("rb") as file:
        start = file.read(3)
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    return "utf-8-sig" if start == b"\xef\xbb\xbf" else None


def _is_utf8(line: bytes) -> bool:
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _heads(file: TextIO, name: str) -> tuple[list[str], str, int]:
    """Read the first line: headings and delimiter; a spreadsheet may name the delimiter in a line before them."""
    first, line = next(file, ""), 1
    told = _NAMED.fullmatch(first.strip())
    if told:
        first, line = next(file, ""), 2
    if not first.strip():
        raise IntakeError(f"{name} line {line} is blank: the first line must hold the column headings")
    delimiter = told["mark"] if told else max(DELIMITERS, key=first.count)
    return [unguarded(head.strip()) for head in next(csv.reader([first], delimiter=delimiter))], delimiter, line


def _rows(file: TextIO, name: str, mapping: Mapping[str, str], terms: Sequence[Term]) -> Iterator[RawRow]:
    heads, delimiter, above = _heads(file, name)
    headings = understand(heads, mapping, file=name, terms=terms)
    if not headings.names:
        raise IntakeError(
            f"{name} line {above}: no known column heading in {delimiter.join(heads)[:200]!r}; see `densite columns`"
        )
    notes = tuple(about_unknown(headings, file=name, known=meanings(mapping, terms)))
    reader = csv.reader(file, delimiter=delimiter)
    start = above + 1
    for cells in reader:
        line, start = start, reader.line_num + above + 1
        if not any(cell.strip() for cell in cells):
            continue
        raw = dict(zip(heads, map(unguarded, cells), strict=False))
        more = [cell for cell in cells[len(heads) :] if cell.strip()]
        problems = notes + ragged(cells, heads, more) + _run_over(cells, delimiter, line, start - 1)
        notes = ()
        yield RawRow(
            name, line, headings.sort(raw), raw | ({"(more cells)": delimiter.join(more)} if more else {}), problems
        )


def ragged(cells: Sequence[str], heads: Sequence[str], more: Sequence[str]) -> tuple[Problem, ...]:
    """Refuse a row with cells beyond the headings.

    Parameters
    ----------
    cells : sequence of str
        All cells of the row.
    heads : sequence of str
        The headings.
    more : sequence of str
        The cells beyond them that are not blank.

    Returns
    -------
    tuple of Problem
    """
    if not more:
        return ()
    return (Problem(Level.ERROR, f"{len(cells)} cells under {len(heads)} headings",
                    hint="a separator inside a text without quotes, or a decimal comma?"),)  # fmt: skip


def _run_over(cells: list[str], delimiter: str, first: int, last: int) -> tuple[Problem, ...]:
    """Ask when a cell runs over lines that look like rows: a quote that was never closed swallows them."""
    lines = [line for cell in cells for line in cell.splitlines()[1:]]
    if not any(line.count(delimiter) >= (len(cells) - 1) / 2 > 0 for line in lines):
        return ()
    said = f"a cell runs over lines {first} to {last} and holds what look like rows"
    return (Problem(Level.CONFIRM, said, hint="is a quote not closed?"),)
