"""One part of what a crew hands in: rows of one kind of record, or why nothing of it can be taken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from densite.animalterms import KINDS, Kind
from densite.errors import DensiteError, IntakeError, Problem
from densite.intake.rawrow import RawRow

# What hangs on a den comes after it, and what hangs on a handling after that.
ORDER = ("", "mark", "handling", "drug", "reading", "cub", "sample", "check")
_LAST = (*ORDER, *(name for name in KINDS if name not in ORDER))


@dataclass(frozen=True, slots=True)
class Photograph:
    """A photograph that came with a record: its name, its bytes in Base64, and the den entry to which it belongs."""

    name: str
    data: str
    entry: str
    visit: str


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of one kind of record in a file; ``kind`` is None for den visits.

    ``file`` names the part for people: ``season.xlsx``, ``season.xlsx sheet Cubs``, ``trip.zip/dens.csv``.
    ``keyed`` is said of rows that bring a lasting key of their own, as entries of the field form do.
    ``remarks`` tell what was kept out. A part that is ``rowless`` only tells
    something; one that cannot be taken says why in ``failed``.
    """

    file: str
    kind: Kind | None
    rows: Iterator[RawRow]
    keyed: bool = False
    remarks: tuple[Problem, ...] = ()
    failed: str = ""
    photographs: tuple[Photograph, ...] = field(default=(), repr=False)
    rowless: bool = False


@dataclass(frozen=True, slots=True)
class CrewFile:
    """A file as people know it, and where it can be read: unpacked files lie elsewhere. ``refused`` says why not."""

    name: str
    path: Path
    refused: str = ""


def told_only(file: str, *remarks: Problem, failed: str = "") -> Part:
    """Return a part that brings no rows: something was kept out, or cannot be read.

    Parameters
    ----------
    file : str
        How the part is called.
    remarks : Problem
        What is told about it.
    failed : str
        Why it cannot be taken; blank where nothing is wrong.

    Returns
    -------
    Part
    """
    placed = tuple(p.at(file, p.line) for p in remarks)
    return Part(file, None, iter(()), remarks=placed, failed=failed, rowless=True)


def rank(part: Part) -> int:
    """Return the place of a part in the order in which parts are taken in.

    Parameters
    ----------
    part : Part
        Any part.

    Returns
    -------
    int
    """
    return _LAST.index(part.kind.name if part.kind else "")


def named(rows: Iterator[RawRow], name: str, file: str) -> Iterator[RawRow]:
    """Give rows, their problems and errors the name by which people know their file.

    Parameters
    ----------
    rows : iterator of RawRow
        From a reader.
    name : str
        The name that people know.
    file : str
        The name that the reader saw.

    Yields
    ------
    RawRow

    Raises
    ------
    IntakeError
        As the reader raises it.
    """
    if name == file:
        yield from rows
        return
    try:
        for row in rows:
            problems = tuple(p.at(name, p.line) if p.file == file else p for p in row.problems)
            yield replace(row, file=name, problems=problems)
    except IntakeError as error:
        raise IntakeError(said_of(name, file, error)) from None


def said_of(name: str, file: str, error: DensiteError) -> str:
    """Put the name that people know into an error's message.

    Parameters
    ----------
    name : str
        The name that people know.
    file : str
        The name that the reader saw.
    error : DensiteError
        From the reader.

    Returns
    -------
    str
    """
    said = str(error)
    if said.startswith(name):
        return said
    return name + said.removeprefix(file) if said.startswith(file) else f"{name}: {said}"
