"""An export read back: every den, visit and record as it was kept, into a register of the same study."""

from __future__ import annotations

import csv
import json
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection, Table

from densite.animals import model_of, record_uuid
from densite.animalterms import KINDS
from densite.errors import IntakeError
from densite.exports.csvtables import MARK, PACKAGE, hash_of
from densite.exports.held import TABLES, Row, key_of, names_of, rows, typed
from densite.intake.csvfile import LONGEST_CELL
from densite.intake.rejects import unguarded
from densite.records import DenSite, Visit, problems_of, visit_uuid
from densite.register import Register, schema
from densite.settings import Settings

_BATCH = 2000
_Told = tuple[str, Mapping[str, Any]]  # where a row stands, and its values as they were written


@dataclass(slots=True)
class Taken:
    """How many rows came back, and how many were there already."""

    rows: int = 0
    dens: int = 0
    visits: int = 0
    records: int = 0
    known: int = 0


def is_export(path: Path) -> bool:
    """Tell whether a file is an export of densite's own: a data package, or a GeoJSON file with its mark.

    Parameters
    ----------
    path : Path
        A file that was handed in.

    Returns
    -------
    bool
    """
    if path.suffix.lower() not in (".json", ".geojson") or not path.is_file():
        return False
    with path.open("rb") as file:
        return f'"{MARK}"'.encode() in file.read(4096)


def take_back(path: Path, register: Register, connection: Connection, settings: Settings) -> Taken:
    """Take an export into a register as it was kept: nothing is derived anew and nothing overwritten.

    Parameters
    ----------
    path : Path
        ``datapackage.json`` with its CSV tables beside it, or a GeoJSON file.
    register : Register
        Open register.
    connection : Connection
        From :meth:`densite.register.Register.writing`.
    settings : Settings
        The study's settings: its id must be the export's.

    Returns
    -------
    Taken

    Raises
    ------
    IntakeError
        The export is of another study, was changed, is damaged, or holds a record that is kept with
        other values; the transaction must not be kept.
    """
    told = _json(path)
    _same_study(told.get(MARK), path, settings)
    found = _of_package(told, path) if path.name == PACKAGE else _of_geojson(told, path)
    taken = Taken()
    for table, given in found:
        for chunk in _chunks(_fresh(given, table, connection, taken)):
            _add(register, connection, table, chunk, settings, taken)
    return taken


def _json(path: Path) -> dict[str, Any]:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise IntakeError(f"{path.name} is no readable JSON: {error}") from None
    if not isinstance(told, dict):
        raise IntakeError(f"{path.name} is no export of densite")
    return told


def _same_study(mark: Any, path: Path, settings: Settings) -> None:
    told = mark if isinstance(mark, dict) else {}
    if told.get("version") != 1:
        raise IntakeError(f"{path.name} is an export of a version that this program does not know: update densite")
    if told.get("study_id") != settings.study.id:
        raise IntakeError(
            f"{path.name} is an export of the study with id {told.get('study_id')}, this is {settings.study.id}: "
            "record ids are made from it. Hand it in to a study with that id in study.toml"
        )


def _of_package(told: Mapping[str, Any], path: Path) -> Iterator[tuple[Table, Iterator[_Told]]]:
    """Yield each table with its rows; files are found by our own names, never by what the package says."""
    resources = told.get("resources")
    listed = (
        {r.get("name"): r.get("hash") for r in resources if isinstance(r, dict)} if isinstance(resources, list) else {}
    )
    for table in TABLES:
        file = path.with_name(f"{table.name}.csv")
        if not file.is_file():
            raise IntakeError(f"{path.name}: {file.name} is missing beside it. Nothing was recorded")
        if hash_of(file) != listed.get(table.name):
            raise IntakeError(
                f"{file.name} was changed since it was exported. Nothing was recorded. Hand in changes as a crew "
                "file of their own, or correct the record in the register"
            )
        yield table, _csv_rows(file, table)


def _csv_rows(file: Path, table: Table) -> Iterator[_Told]:
    csv.field_size_limit(LONGEST_CELL)
    with file.open(encoding="utf-8", newline="") as lines:
        reader = csv.reader(lines)
        try:
            if next(reader, []) != names_of(table):
                raise IntakeError(f"{file.name} line 1: not the columns of this program: update densite")
            for cells in reader:
                told = dict(zip(names_of(table), map(unguarded, cells), strict=True))
                yield f"{file.name} line {reader.line_num}", told
        except (ValueError, csv.Error) as error:  # another program has written the file and its hash
            said = f"{file.name} line {reader.line_num} cannot be read ({error})"
            raise IntakeError(f"{said}. Nothing was recorded. Export it again") from None


def _of_geojson(told: Mapping[str, Any], path: Path) -> Iterator[tuple[Table, Iterator[_Told]]]:
    features = told.get("features")
    if not isinstance(features, list):
        raise IntakeError(f"{path.name} is no GeoJSON FeatureCollection")
    try:
        dens, visits = [], []
        for number, feature in enumerate(features, start=1):
            own = dict(feature["properties"])
            visits += [(f"{path.name} feature {number}", visit) for visit in own.pop("visits")]
            longitude, latitude = feature["geometry"]["coordinates"]
            own |= {"longitude": longitude, "latitude": latitude}
            dens.append((f"{path.name} feature {number}", own))
    except (TypeError, KeyError, ValueError, AttributeError):
        raise IntakeError(f"{path.name} feature {number}: no den with its visits, as densite exports it") from None
    yield schema.den, iter(dens)
    yield schema.visit, iter(visits)


def _fresh(given: Iterable[_Told], table: Table, connection: Connection, taken: Taken) -> Iterator[tuple[str, Row]]:
    """Yield the rows that are not kept yet; a row that is kept with other values ends it all."""
    key = key_of(table)
    kept = {row[key]: row for row in rows(connection, table)}
    for where, told in given:
        taken.rows += 1
        try:
            row = typed(table, told)
        except (ValueError, AttributeError) as error:
            raise IntakeError(f"{where}: {error}. Nothing was recorded") from None
        same = kept.get(row[key])
        if same is None:
            yield where, row
            continue
        taken.known += 1
        if differs := [name for name in row if row[name] != (None if same[name] == "" else same[name])]:
            raise IntakeError(
                f"{where}: {table.name} {row[key]} is kept with another {', '.join(differs)}. Nothing was recorded. "
                "To join two registers use `densite merge`"
            )


def _chunks(found: Iterator[tuple[str, Row]]) -> Iterator[list[tuple[str, Row]]]:
    chunk: list[tuple[str, Row]] = []
    for one in found:
        chunk.append(one)
        if len(chunk) == _BATCH:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _add(
    register: Register, connection: Connection, table: Table, chunk: list[tuple[str, Row]], settings: Settings,
    taken: Taken,
) -> None:  # fmt: skip
    if table not in (schema.den, schema.visit):
        kind = table.name.removesuffix("_record")
        register.add_records(connection, kind, [_record(kind, row, where, settings) for where, row in chunk])
        taken.records += len(chunk)
        return
    if table is schema.den:
        made = [_checked(DenSite, _kept(row), where) for where, row in chunk]
        register.add(connection, made, [])
        taken.dens += len(made)
    else:
        made = [_visit(row, where, settings) for where, row in chunk]
        register.add(connection, [], made)
        taken.visits += len(made)
    for (_, row), model in zip(chunk, made, strict=True):
        if rest := _beyond(row, model.model_dump()):
            register.change(connection, table.name, row[key_of(table)], rest)


def _beyond(row: Row, made: Mapping[str, Any]) -> Row:
    """Return what was kept and a model does not hold: a withdrawal, blanks round a text that another program wrote."""
    return {name: value for name, value in row.items() if isinstance(value, str) and value != str(made.get(name))}


def _kept(row: Row) -> Row:
    """Leave to a model's defaults what is missing."""
    return {name: value for name, value in row.items() if value is not None and name != "withdrawn"}


def _visit(row: Row, where: str, settings: Settings) -> Visit:
    _own_id(row["visit_id"], visit_uuid(settings.study.id, str(row["row_key"])), where)
    made: Visit = _checked(Visit, _kept(row), where)
    return made


def _record(kind: str, row: Row, where: str, settings: Settings) -> Row:
    _own_id(row["record_id"], record_uuid(settings.study.id, kind, str(row["row_key"])), where)
    given = {name: value for name, value in row.items() if value is not None}
    return dict(_checked(model_of(KINDS[kind]), given, where, kind).model_dump()) | given


def _own_id(told: Any, made: uuid.UUID, where: str) -> None:
    if told != str(made):
        raise IntakeError(f"{where}: id {told} was not made from this study's id and its row. Nothing was recorded")


def _checked(model: Any, values: Row, where: str, kind: str = "") -> Any:
    try:
        return model.model_validate(values)
    except ValidationError as error:
        terms = {term.name: term for term in KINDS[kind].terms} if kind else None
        said = "; ".join(problem.message for problem in problems_of(error, terms))
        raise IntakeError(f"{where}: {said}. Nothing was recorded") from None
