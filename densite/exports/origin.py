"""Which study an export came from: its id, name, CRS and time zone, as its data package tells them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from densite.errors import IntakeError
from densite.exports.csvtables import MARK, PACKAGE
from densite.exports.held import TABLES
from densite.settings import StudySettings

_NAMES = {table.name for table in TABLES}
_LARGEST = 2**24  # bytes; a data package of ours has some ten thousand


def package_of(place: Path) -> Path:
    """Return the data package of an export that is named by its folder or by that file."""
    return place / PACKAGE if place.is_dir() else place


def handed_in(path: Path) -> Path:
    """Return the file by which an export comes back, where its folder is handed in; anything else as it is.

    Parameters
    ----------
    path : Path
        What was handed in.

    Returns
    -------
    Path

    Raises
    ------
    IntakeError
        A single table of an export: read as a crew file, its records would get other ids.
    """
    if path.is_dir():
        return package_of(path) if package_of(path).is_file() and MARK in _said(package_of(path)) else path
    package = path.with_name(PACKAGE)
    if path.suffix == ".csv" and path.stem in _NAMES and package.is_file() and MARK in _said(package):
        raise IntakeError(
            f"{path} is one table of an export: hand in {package}, which brings all its tables back as they were kept"
        )
    return path


def read_origin(path: Path) -> StudySettings:
    """Read what a new study needs to take in an export: record ids are made from the id of the study.

    Parameters
    ----------
    path : Path
        The ``datapackage.json`` that `densite export` made.

    Returns
    -------
    StudySettings
        Id, name, CRS and time zone of the exported study.

    Raises
    ------
    IntakeError
        There is no data package of densite, or it does not tell the study.
    """
    if not path.is_file():
        raise IntakeError(f"{path}: no such file. Name a folder that `densite export --format csv` made")
    told = _said(path)
    mark = told.get(MARK)
    if not isinstance(mark, dict):
        raise IntakeError(f"{path} is no export ('{MARK}' is missing): name a folder that `densite export` made")
    if mark.get("version") != 1:
        raise IntakeError(f"{path} is an export of a version that this program does not know: update densite")
    given = {"name": told.get("title"), "id": mark.get("study_id"), "crs": mark.get("crs"),
             "time_zone": mark.get("time_zone")}  # fmt: skip
    try:
        return StudySettings.model_validate({key: value for key, value in given.items() if value is not None})
    except ValidationError as error:
        wrong = ", ".join(f"{_KEYS[str(item['loc'][0])]} ({item['msg']})" for item in error.errors())
        raise IntakeError(f"{path} does not tell the study it came from: {wrong}. Export it again") from None


_KEYS = {"name": "title", "id": f"{MARK}.study_id", "crs": f"{MARK}.crs", "time_zone": f"{MARK}.time_zone"}


def _said(path: Path) -> dict[str, Any]:
    if path.stat().st_size > _LARGEST:
        raise IntakeError(f"{path} is too large for a data package ({path.stat().st_size} bytes): name its folder")
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise IntakeError(f"{path} is no readable JSON: {error}") from None
    if not isinstance(told, dict):
        raise IntakeError(f"{path} is no data package: it holds no JSON object")
    return told
