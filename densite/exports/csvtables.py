"""The whole register as CSV tables in a data package: what comes back is equal in every column."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table

from densite.exports import NOTICE
from densite.exports.held import TABLES, as_cell, names_of, rows
from densite.exports.tableschema import table_schema
from densite.intake.rejects import guarded
from densite.settings import Settings

PACKAGE = "datapackage.json"
MARK = "densite_export"
_GUARDED = "text that a spreadsheet would run as a formula (it starts with = + - @ or the like) carries an apostrophe"


def write_csv(connection: Connection, settings: Settings, folder: Path) -> list[Path]:
    """Write every den, visit and record, withdrawn and corrected ones too, as CSV with a data package.

    Parameters
    ----------
    connection : Connection
        Reading one state of the register.
    settings : Settings
        Name and id of the study.
    folder : Path
        Where to write.

    Returns
    -------
    list of Path
        ``datapackage.json``, then one CSV a table (RFC 4180, UTF-8).
    """
    paths = [_write_table(connection, table, folder) for table in TABLES]
    resources = [_resource(table, path) for table, path in zip(TABLES, paths, strict=True)]
    package = folder / PACKAGE
    said = {
        MARK: marked(settings),
        "profile": "tabular-data-package",
        "name": "densite-export",
        "title": settings.study.name,
        "description": f"{NOTICE}. {_GUARDED}.",
        "resources": resources,
    }
    package.write_text(json.dumps(said, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return [package, *paths]


def marked(settings: Settings) -> dict[str, Any]:
    """Return by what densite knows an export of its own: the study, and that places are exact."""
    study = settings.study
    return {"version": 1, "study_id": study.id, "crs": study.crs, "time_zone": study.time_zone, "notice": NOTICE}


def _write_table(connection: Connection, table: Table, folder: Path) -> Path:
    path = folder / f"{table.name}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(names_of(table))
        for row in rows(connection, table):
            writer.writerow([guarded(v) if isinstance(v, str) else as_cell(v) for v in row.values()])
    return path


def _resource(table: Table, path: Path) -> dict[str, Any]:
    return {
        "profile": "tabular-data-resource", "name": table.name, "path": path.name, "format": "csv",
        "mediatype": "text/csv", "encoding": "utf-8", "bytes": path.stat().st_size, "hash": hash_of(path),
        "description": NOTICE, "schema": table_schema(table),
    }  # fmt: skip


def hash_of(path: Path) -> str:
    """Return the hash of a file as a data package writes it: ``sha256:`` and 64 digits."""
    with path.open("rb") as file:
        return f"sha256:{hashlib.file_digest(file, 'sha256').hexdigest()}"
