"""Dens with their visits as GeoJSON (RFC 7946): WGS 84, longitude first, every digit kept."""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from densite.exports.csvtables import MARK, marked
from densite.exports.held import Row, as_json, rows
from densite.register import schema
from densite.settings import Settings


def write_geojson(connection: Connection, settings: Settings, folder: Path) -> list[Path]:
    """Write a point feature a den, its visits among the properties; withdrawn ones are left out.

    Parameters
    ----------
    connection : Connection
        Reading one state of the register.
    settings : Settings
        Id of the study.
    folder : Path
        Where to write.

    Returns
    -------
    list of Path
        ``dens.geojson``.
    """
    visits: dict[str, list[Row]] = defaultdict(list)
    for visit in rows(connection, schema.visit, every=False):
        visits[visit["den_id"]].append(as_json(visit))
    path = folder / "dens.geojson"
    with path.open("w", encoding="utf-8") as file:
        file.write(f'{{"type": "FeatureCollection", "{MARK}": {json.dumps(marked(settings))}, "features": [')
        for number, den in enumerate(rows(connection, schema.den, every=False)):
            feature = json.dumps(_feature(den, visits[den["den_id"]]), ensure_ascii=False, allow_nan=False)
            file.write(f"{',' if number else ''}\n{feature}")
        file.write("\n]}\n")
    return [path]


def _feature(den: Row, visits: list[Row]) -> dict[str, Any]:
    place = [den["longitude"], den["latitude"]]
    told = {name: value for name, value in as_json(den).items() if name not in ("longitude", "latitude")}
    return {
        "type": "Feature", "id": den["den_id"], "geometry": {"type": "Point", "coordinates": place},
        "properties": told | {"visits": visits},
    }  # fmt: skip
