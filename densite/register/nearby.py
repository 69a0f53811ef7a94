"""Keys by which a GeoPackage finds a den by its place or label, or an animal's visits, without reading them all.

A key is made with SQLite's own functions only, so that every program can write to a table that is indexed by it.
It is blank where those functions cannot tell; rows with a blank key are always among what may be meant.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from typing import Any

from sqlalchemy import ColumnElement, Connection, literal_column, or_, true

# The first four bytes of the latitude, most significant first, of a point as densite and most programs write it:
# 8 bytes of header without an envelope, then little-endian WKB (OGC 12-128r17, clause 2.1.3; OGC 06-103r4, 8.2.3).
LATITUDE = (
    "CASE WHEN length(geom) = 29 AND hex(substr(geom, 9, 1)) = '01' THEN hex(substr(geom, 29, 1)) || "
    "hex(substr(geom, 28, 1)) || hex(substr(geom, 27, 1)) || hex(substr(geom, 26, 1)) ELSE '' END"
)
# SQLite folds the letters of ASCII only, which is what lower() does then in any build of it.
LABEL = "CASE WHEN label GLOB '*[^ -~]*' OR label GLOB '*  *' THEN '' ELSE lower(trim(label)) END"
FEMALE = (
    "CASE WHEN female GLOB '*[^ -~]*' THEN '' "
    "ELSE lower(replace(replace(replace(female, ' ', ''), '-', ''), '_', '')) END"
)


def between(connection: Connection, south: float, north: float) -> ColumnElement[bool]:
    """Choose the dens that may lie between two latitudes.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    south, north : float
        Latitudes. [deg]

    Returns
    -------
    ColumnElement
        True of all that do, and of some others; of every den in PostgreSQL, where an index would tell every role
        where dens are.
    """
    if connection.dialect.name != "sqlite":
        return true()
    key: ColumnElement[Any] = literal_column(LATITUDE)
    ranges = [(abs(max(south, 0.0)), abs(north))] if north >= 0 else []
    if south <= 0:  # zero has both signs, and the bits of negative numbers run the other way
        ranges.append((-abs(min(north, 0.0)), -abs(south)))
    return or_(key == "", *(key.between(_bits(low), _bits(high)) for low, high in ranges))


def _bits(latitude: float) -> str:
    return struct.pack(">d", latitude)[:4].hex().upper()


def called(connection: Connection, key: str, names: Iterable[str]) -> ColumnElement[bool]:
    """Choose the rows that may bear one of some names.

    Parameters
    ----------
    connection : Connection
        Reading or writing.
    key : str
        ``LABEL`` of dens, or ``FEMALE`` of visits.
    names : iterable of str
        Folded in full, by Python.

    Returns
    -------
    ColumnElement
        True of all that do, and of some others; of every row in PostgreSQL.
    """
    return literal_column(key).in_(["", *names]) if connection.dialect.name == "sqlite" else true()
