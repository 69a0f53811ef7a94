"""The parts of what a crew hands in: each a table of rows of one kind of record."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

from densite.errors import IntakeError, Level, Problem
from densite.intake.archive import ARCHIVES, files_in
from densite.intake.crewfile import KINDS as PLAIN
from densite.intake.crewfile import read_crew_file
from densite.intake.fieldfile import is_field_file, read_field_file
from densite.intake.kinds import kind_in
from densite.intake.part import CrewFile, Part, Photograph, named, rank, said_of, told_only
from densite.intake.photograph import is_photograph, read_photographs
from densite.intake.rawrow import RawRow
from densite.intake.vector import read_layers
from densite.intake.xlsx import read_workbook
from densite.intake.ziplimits import Allowance
from densite.settings import Settings

__all__ = ["ENDINGS", "Part", "Photograph", "parts_in"]

WORKBOOKS, LAYERS = (".xlsx", ".xlsm"), (".gpkg", ".shp")
ENDINGS = (*PLAIN, *WORKBOOKS, *LAYERS, *ARCHIVES)
_BESIDE = (".shx", ".dbf", ".prj", ".cpg", ".qpj", ".sbn", ".sbx", ".qix", ".qmd", ".gpkg-wal", ".gpkg-shm")
_INSTEAD = {".xls": "save it as .xlsx or CSV", ".ods": "save it as .xlsx or CSV", ".rar": "pack it as .zip",
            ".7z": "pack it as .zip", ".gz": "pack it as .zip"}  # fmt: skip


def parts_in(
    path: Path, settings: Settings, told: str | None = None, *, labels: Callable[[], Iterable[str]] = tuple
) -> Iterator[Part]:
    """Find the parts of a file, a folder or an archive, dens first, then what hangs on them.

    Parameters
    ----------
    path : Path
        What was handed in.
    settings : Settings
        The study's settings.
    told : str, optional
        The kind of record as a person named it: ``den`` or a name of ``KINDS``.
    labels : callable
        Gives the labels of the study's dens; only asked where there are photographs.

    Yields
    ------
    Part
        To be read before the next one is asked for: unpacked files go when all are through. In a folder or an
        archive, what cannot be read is a part that says why.

    Raises
    ------
    IntakeError
        It cannot be read at all.
    """
    with _scratch(path) as scratch:
        files = list(files_in(path, Path(scratch), allowance=Allowance()))
        single = len(files) == 1 and files[0].path == path
        parts = [part for file in _readable(files) for part in _parts_of(file, settings, told, single=single)]
        if photographs := [file for file in files if is_photograph(file.path) and not file.refused]:
            parts += _photographs(photographs, settings, tuple(labels()), single=single)
        if not parts:
            raise IntakeError(f"{path.name} holds no file that can be taken in; allowed endings: {', '.join(ENDINGS)}")
        yield from sorted(parts, key=rank)


def _scratch(path: Path) -> AbstractContextManager[str]:
    """Return a folder for what is unpacked, for its owner alone: it holds exact den places. A plain file needs none."""
    if path.is_dir() or path.suffix.lower() in ARCHIVES:
        return tempfile.TemporaryDirectory(prefix="densite-")
    return nullcontext("")


def _readable(files: Sequence[CrewFile]) -> Iterator[CrewFile]:
    """Leave out photographs, which are read together, and files that only belong to a shapefile."""
    shapes = {file.path.with_suffix("").name for file in files if _ending(file) == ".shp"}
    for file in files:
        belongs = _ending(file) in _BESIDE and file.path.name.split(".")[0] in {s.split(".")[0] for s in shapes}
        if file.refused or not (belongs or is_photograph(file.path)):
            yield file


def _ending(file: CrewFile) -> str:
    return file.path.suffix.lower()


def _parts_of(file: CrewFile, settings: Settings, told: str | None, *, single: bool) -> list[Part]:
    """Read one file; beside others, one that cannot be read is told and stops nothing."""
    try:
        if file.refused:
            raise IntakeError(f"{file.name} {file.refused}")
        return list(_read(file, settings, told, single=single))
    except IntakeError as error:
        if single:
            raise
        return [told_only(file.name, failed=said_of(file.name, file.path.name, error))]


def _read(file: CrewFile, settings: Settings, told: str | None, *, single: bool) -> Iterator[Part]:
    ending, path = _ending(file), file.path
    if ending in WORKBOOKS:
        yield from read_workbook(path, name=file.name, settings=settings.intake, told=told)
    elif ending in LAYERS:
        yield from read_layers(path, name=file.name, settings=settings.intake, told=told)
    elif ending in PLAIN and is_field_file(path):
        yield from read_field_file(path, name=file.name, settings=settings)
    elif single and ending not in PLAIN:
        hint = f"; {_INSTEAD[ending]}" if ending in _INSTEAD else ""
        raise IntakeError(f"{file.name}: kind not known{hint}; allowed endings: {', '.join(ENDINGS)}")
    elif ending in PLAIN:
        kind = kind_in(path, settings.intake, told=told)
        rows = read_crew_file(path, settings.intake, kind=kind)
        yield Part(file.name, kind, named(rows, file.name, path.name))
    else:
        hint = _INSTEAD.get(ending, f"allowed endings: {', '.join(ENDINGS)}")
        level = Level.WARNING if ending in _INSTEAD else Level.NOTE
        yield told_only(file.name, Problem(level, "is of a kind that is not taken in", hint=hint))


def _photographs(
    files: Sequence[CrewFile], settings: Settings, labels: Sequence[str], *, single: bool
) -> Iterator[Part]:
    """Offer photographs as den points, all of a folder in one part; only their headers are read."""
    remarks: list[Problem] = []
    rows: list[RawRow] = []
    for file in files:
        told: list[Problem] = []
        found = read_photographs([file.path], settings.intake, told=told.append, labels=labels)
        rows += named(found, file.name, file.path.name)
        remarks += (problem.at(file.name, 0) for problem in told)
    if single and not rows:
        raise IntakeError(f"{files[0].name}: {remarks[0].message}")
    name = files[0].name if len(files) == 1 else f"{files[0].name.split('/')[0]} photographs"
    yield Part(name, None, iter(rows), remarks=tuple(remarks), rowless=not rows)
