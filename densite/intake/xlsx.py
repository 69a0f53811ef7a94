"""Crew files as XLSX workbooks: each sheet a table whose kind its headings tell, cells written as a crew would."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import warnings
import zipfile
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from densite.animalterms import Kind
from densite.errors import IntakeError, Level, Problem
from densite.intake.csvfile import ragged
from densite.intake.kinds import kind_of_headings
from densite.intake.part import Part, told_only
from densite.intake.rawrow import RawRow, about_unknown, meanings, shown, understand
from densite.intake.rejects import unguarded
from densite.intake.ziplimits import MIB, Allowance, opened, trouble
from densite.settings import IntakeSettings
from densite.terms import RECORDED_TERMS, Term

LAST_ROW = 2**20  # of a sheet, by the format
_SHEET, _OTHER = 128 * MIB, 64 * MIB  # bytes unfolded; a sheet is read row by row, what is beside it at once
_FORMULA = re.compile(rb"<(?:\w+:)?f[ />]")
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell ref="([A-Z]{1,3}\d{1,7}:[A-Z]{1,3}\d{1,7})"')
_BLOCK = 2**20
_COMPOUND = b"\xd0\xcf\x11\xe0"  # begins a compound file, into which locked workbooks are put


@dataclass(frozen=True, slots=True)
class _Cell:
    text: str
    formula: bool = False
    uncounted: bool = False
    error: bool = False


def read_workbook(
    path: Path, *, name: str, settings: IntakeSettings, told: str | None = None, anyway: bool = False
) -> Iterator[Part]:
    """Read a workbook: a part for each sheet.

    Parameters
    ----------
    path : Path
        An .xlsx or .xlsm file; macros are never run.
    name : str
        How people know it.
    settings : IntakeSettings
        Mapping of headings from study.toml.
    told : str, optional
        The kind of record of all sheets, as a person named it.
    anyway : bool
        Take a sheet none of whose headings is known, so that they can be learned.

    Yields
    ------
    Part
        Blank sheets left out; sheets without a known heading are told.

    Raises
    ------
    IntakeError
        It is no workbook, would unfold to too much, or no sheet has a known heading.
    """
    counted, merged = _looked_through(path)
    sheets = [_Sheet(path, name, title, counted, hidden) for title, hidden in _titles(path)]
    single = len(sheets) == 1
    parts = [part for sheet in sheets for part in _part(sheet, name if single else sheet.name, settings, told, anyway)]
    if all(part.rowless for part in parts):
        told_of = [part.failed or part.remarks[0].message for part in parts]
        said = "; ".join(told_of) or "all its sheets are blank"
        raise IntakeError(f"{name}: nothing to take in: {said}")
    first = next(number for number, part in enumerate(parts) if not part.rowless)
    if merged:
        parts[first] = replace(parts[first], remarks=(*parts[first].remarks, _about_merged(merged, name)))
    yield from parts


def _looked_through(path: Path) -> tuple[bool, list[str]]:
    """Look through a workbook before it is opened: sizes, entities; tell of formulas and of merged cells."""
    with path.open("rb") as file:
        if file.read(4) == _COMPOUND:
            raise IntakeError(
                f"{path.name} is locked with a password, or a workbook of an older format: save it without a password "
                "as .xlsx, or as CSV"
            )
    allowance, formulas, merged = Allowance(), False, list[str]()
    with opened(path, "XLSX workbook") as archive:
        for member in archive.infolist():
            allowance.take(member.file_size, path.name)
            is_sheet = member.filename.startswith("xl/worksheets/")
            said = trouble(member)
            if member.file_size > (_SHEET if is_sheet else _OTHER):
                said = f"would unfold to {member.file_size // MIB} MiB"
            if said:
                raise IntakeError(f"{path.name}: {member.filename} {said}: nothing was read. Save it as CSV")
            if member.filename.endswith((".xml", ".rels")):
                found, cells = _holds(archive, member, path.name)
                formulas |= found and is_sheet
                merged += cells if is_sheet else []
    return formulas, merged


def _holds(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> tuple[bool, list[str]]:
    """Tell whether a member holds formulas, and which of its cells are merged."""
    found, before, merged = False, b"", dict[str, None]()
    with archive.open(member) as file:
        while block := file.read(_BLOCK):
            if b"<!ENTITY" in before + block:
                raise IntakeError(f"{name}: {member.filename} declares entities, which no spreadsheet program writes")
            found = found or _FORMULA.search(before + block) is not None
            merged |= dict.fromkeys(cells.decode() for cells in _MERGED.findall(before + block))
            before = block[-64:]
    return found, list(merged)


@contextlib.contextmanager
def _workbook(path: Path, *, data_only: bool) -> Iterator[Any]:
    """Open a workbook for reading; whatever its reader stumbles over in a broken file becomes one message."""
    import openpyxl

    book = None
    try:
        with path.open("rb") as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # remarks on styles and extensions change no value
            try:
                book = openpyxl.load_workbook(file, read_only=True, data_only=data_only, keep_links=False)
                yield book
            finally:
                if book is not None:
                    book.close()
    except IntakeError:
        raise
    except Exception as error:  # noqa: BLE001 - a stranger's file makes its reader fail in any way
        raise IntakeError(f"{path.name} is no readable XLSX workbook: {_brief(error)}. Save it as CSV") from None


def _brief(error: Exception) -> str:
    return shown(" ".join(str(error).split())[:200]) or type(error).__name__


def _titles(path: Path) -> list[tuple[str, bool]]:
    with _workbook(path, data_only=True) as book:
        return [(sheet.title, sheet.sheet_state != "visible") for sheet in book.worksheets]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A sheet of a workbook, opened anew for each reading."""

    path: Path
    book: str
    title: str
    counted: bool
    hidden: bool

    @property
    def name(self) -> str:
        return f"{self.book} sheet {shown(self.title)}"

    def rows(self) -> Generator[tuple[int, list[_Cell]]]:
        """Yield line and cells of each row that is not blank, blank cells at its end left out."""
        with contextlib.ExitStack() as stack:
            values = self._cells(stack, data_only=True)
            formulas = self._cells(stack, data_only=False) if self.counted else None
            for line, cells in enumerate(values, start=1):
                if line > LAST_ROW:
                    raise IntakeError(f"{self.name} has more than {LAST_ROW} rows, more than the format knows")
                written = next(formulas, ()) if formulas is not None else ()
                found = [_cell(cell, _at(written, place)) for place, cell in enumerate(cells)]
                while found and not (found[-1].text or found[-1].uncounted):
                    found.pop()
                if found:
                    yield line, found

    def _cells(self, stack: contextlib.ExitStack, *, data_only: bool) -> Iterator[Sequence[Any]]:
        book = stack.enter_context(_workbook(self.path, data_only=data_only))
        sheet = next(sheet for sheet in book.worksheets if sheet.title == self.title)
        sheet.reset_dimensions()  # what a file says of its own size is not to be trusted
        rows: Iterator[Sequence[Any]] = sheet.iter_rows()
        return rows


def _at(cells: Sequence[Any], place: int) -> Any:
    return cells[place] if place < len(cells) else None


def _cell(cell: Any, written: Any) -> _Cell:
    formula = getattr(written, "data_type", "") == "f"
    text = text_of(cell.value, percent="%" in _format(cell))
    error = getattr(cell, "data_type", "") == "e"
    return _Cell(text, formula, uncounted=formula and cell.value is None, error=error)


def _format(cell: Any) -> str:
    if not isinstance(cell.value, int | float):
        return ""
    return str(cell.number_format or "")


def text_of(value: Any, *, percent: bool = False) -> str:
    """Write a typed cell as a crew would have written it.

    Parameters
    ----------
    value : object
        Text, number, day, time or truth value.
    percent : bool
        Whether the cell shows its number as percent.

    Returns
    -------
    str
        ``2026-02-24``, ``08:14``, ``2026-02-24T08:14:00``, ``yes``, ``40 %``; numbers to 15 digits, as they are kept.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value * 100:.15g} %" if percent else f"{value:.15g}" if isinstance(value, float) else str(value)
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(timespec="seconds")
    if isinstance(value, dt.time):
        return value.isoformat(timespec="seconds" if value.second else "minutes")
    if isinstance(value, dt.timedelta):
        minutes = round(value.total_seconds() / 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}"
    return "" if value is None else unguarded(str(value).strip())


def _part(sheet: _Sheet, name: str, settings: IntakeSettings, told: str | None, anyway: bool) -> Iterator[Part]:
    rows = sheet.rows()
    head = next(rows, None)
    if head is None:
        return
    heads = _heads(head[1])
    below = next(rows, None) is not None
    rows.close()
    try:
        kind = kind_of_headings(heads, settings.columns, told=told)
        terms = kind.terms if kind else RECORDED_TERMS
        names = understand(heads, settings.columns, file=name, terms=terms).names
    except IntakeError as error:
        yield told_only(name, failed=str(error))
        return
    if (names or anyway) and below:
        yield Part(name, kind, _rows(sheet, name, settings.columns, kind), remarks=_about_hidden(sheet, name))
        return
    unknown = f"no known column heading in line {head[0]}, its first; see `densite columns`"
    said = "headings but no rows" if names or anyway else unknown
    level = Level.NOTE if names or not below else Level.WARNING
    yield told_only(name, Problem(level, f"sheet {shown(sheet.title)} has {said}: nothing of it is taken"))


def _heads(cells: Sequence[_Cell]) -> list[str]:
    return [" ".join(cell.text.split()) or f"(column {_letters(n)})" for n, cell in enumerate(cells, start=1)]


def _letters(number: int) -> str:
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _rows(sheet: _Sheet, name: str, mapping: Mapping[str, str], kind: Kind | None) -> Iterator[RawRow]:
    terms: Sequence[Term] = kind.terms if kind else RECORDED_TERMS
    rows = sheet.rows()
    heads = _heads(next(rows)[1])
    headings = understand(heads, mapping, file=name, terms=terms)
    notes = tuple(about_unknown(headings, file=name, known=meanings(mapping, terms)))
    counted = sheet.counted
    for line, cells in rows:
        texts = [cell.text for cell in cells]
        raw = dict(zip(heads, texts, strict=False))
        more = [text for text in texts[len(heads) :] if text]
        if counted and any(cell.formula for cell in cells):
            notes, counted = (*notes, _about_formulas(name)), False
        problems = (*notes, *ragged(texts, heads, more), *_broken(cells, heads))
        notes = ()
        yield RawRow(name, line, headings.sort(raw), raw | ({"(more cells)": ";".join(more)} if more else {}), problems)


def _about_formulas(name: str) -> Problem:
    said = "some cells hold formulas: the values that the spreadsheet program last counted are taken"
    return Problem(Level.NOTE, said, file=name)


def _about_hidden(sheet: _Sheet, name: str) -> tuple[Problem, ...]:
    said = f"sheet {shown(sheet.title)} is hidden in the workbook; its rows are taken like any others"
    return (Problem(Level.WARNING, said, file=name),) if sheet.hidden else ()


def _about_merged(cells: Sequence[str], name: str) -> Problem:
    listed = ", ".join(cells[:5]) + (f" and {len(cells) - 5} more" if len(cells) > 5 else "")
    said = f"merged cells ({listed}): only the first cell of each has the value, the others are read as blank"
    return Problem(Level.WARNING, said, file=name, hint="part them and write the value in every row it is meant for")


def _broken(cells: Sequence[_Cell], heads: Sequence[str]) -> Iterator[Problem]:
    for place, cell in enumerate(cells):
        head = heads[place] if place < len(heads) else f"(column {_letters(place + 1)})"
        if cell.error:
            yield Problem(Level.ERROR, f"{head} holds the spreadsheet's error {cell.text}", head, cell.text)
        if cell.uncounted:
            hint = "open and save the file in the spreadsheet program, or write the value"
            yield Problem(Level.ERROR, f"{head} holds a formula that was never counted", head, hint=hint)
