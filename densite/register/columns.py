"""Column types that a GeoPackage and PostGIS each store in their own standard way."""

from __future__ import annotations

import datetime as dt
import math
import struct
import uuid
from typing import Any

from sqlalchemy import func
from sqlalchemy.types import Text, TypeDecorator, UserDefinedType

from densite.errors import RegisterError

_POINT = struct.Struct("<BIdd")  # OGC 06-103r4, clause 8.2.3: little endian, 1 for a point, x, y
_HEADER = struct.Struct("<2sBBi")
_ENVELOPE_BYTES = (0, 32, 48, 48, 64)  # by the envelope code in the flags, GeoPackage 1.3, clause 2.1.3
WGS84 = 4326
_PLAIN_POINT = b"\x01\x01\x00\x00\x00"  # how _POINT begins
_PLAIN_HEADER = _HEADER.pack(b"GP", 0, 1, WGS84)


def encode_point(longitude: float, latitude: float) -> bytes:
    """Write a point as well-known binary.

    Parameters
    ----------
    longitude, latitude : float
        Place in WGS 84. [deg]

    Returns
    -------
    bytes
        Little endian, without a CRS of its own.
    """
    return _POINT.pack(1, 1, longitude, latitude)


class UnreadablePlaceError(RegisterError):
    """The register holds a point that is none; the message completes the words 'the point ...'."""


def decode_point(wkb: bytes) -> tuple[float, float]:
    """Read a point of well-known binary, whoever wrote it.

    Parameters
    ----------
    wkb : bytes
        Any byte order, with or without height.

    Returns
    -------
    tuple of float
        Longitude and latitude. [deg]

    Raises
    ------
    UnreadablePlaceError
        It is no point, or a point that is not on Earth.
    """
    if len(wkb) == _POINT.size and wkb.startswith(_PLAIN_POINT):
        longitude, latitude = _POINT.unpack(wkb)[2:]
    else:
        longitude, latitude = _other_point(wkb)
    if abs(longitude) <= 180 and abs(latitude) <= 90:  # so NaN is refused too
        return longitude, latitude
    raise UnreadablePlaceError("is not on Earth" if not math.isnan(longitude + latitude) else "is empty")


def _other_point(wkb: bytes) -> tuple[float, float]:
    import shapely  # loads slowly, and our own points need it not

    try:
        shape = shapely.from_wkb(wkb)
    except (shapely.errors.ShapelyError, ValueError, TypeError):
        raise UnreadablePlaceError("cannot be read") from None
    if not isinstance(shape, shapely.Point) or shape.is_empty:
        raise UnreadablePlaceError("is empty or no point")
    return shape.x, shape.y


def decode_place(blob: Any) -> bytes:
    """Read the place that an engine holds, whoever wrote it.

    Parameters
    ----------
    blob : object
        A GeoPackage geometry or well-known binary; any value, where another program wrote it.

    Returns
    -------
    bytes
        The point as :func:`encode_point` writes it.

    Raises
    ------
    UnreadablePlaceError
        It is no point in WGS 84.
    """
    if isinstance(blob, memoryview):
        blob = bytes(blob)
    if not isinstance(blob, bytes):
        raise UnreadablePlaceError("is no GeoPackage geometry")
    return encode_point(*decode_point(decode_geometry(blob)))


def geopackage_blob(wkb: bytes, *, srs_id: int = WGS84) -> bytes:
    """Put the header of a GeoPackage geometry before well-known binary.

    Parameters
    ----------
    wkb : bytes
        The geometry.
    srs_id : int
        Row of gpkg_spatial_ref_sys.

    Returns
    -------
    bytes

    Notes
    -----
    Source: OGC 12-128r17, GeoPackage 1.3.0, clause 2.1.3: little endian, no envelope.
    """
    return _HEADER.pack(b"GP", 0, 1, srs_id) + wkb


def decode_geometry(blob: bytes) -> bytes:
    """Return the WKB inside a GeoPackage geometry blob, whoever wrote it; plain WKB passes as it is.

    Parameters
    ----------
    blob : bytes
        With or without envelope.

    Returns
    -------
    bytes

    Raises
    ------
    UnreadablePlaceError
        The bytes are no GeoPackage geometry, or not in WGS 84.
    """
    if blob.startswith(_PLAIN_HEADER) or blob[:1] in (b"\x00", b"\x01"):
        return blob[_HEADER.size :] if blob[:1] == b"G" else blob
    if len(blob) <= _HEADER.size or blob[:2] != b"GP":
        raise UnreadablePlaceError("is no GeoPackage geometry")
    if blob[2] != 0:
        raise UnreadablePlaceError(f"has version {blob[2]} of the geometry's header, not 0")
    if int.from_bytes(blob[4:8], "little" if blob[3] & 1 else "big", signed=True) != WGS84:
        raise UnreadablePlaceError(f"is not in WGS 84 (srs_id {WGS84})")
    envelope = (blob[3] >> 1) & 7
    if envelope >= len(_ENVELOPE_BYTES):
        raise UnreadablePlaceError("is no GeoPackage geometry")
    return blob[_HEADER.size + _ENVELOPE_BYTES[envelope] :]


class Place(UserDefinedType[bytes]):
    """A point in WGS 84, well-known binary in and out: a GeoPackage blob, or geometry(Point, 4326) of PostGIS."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        """Return the declared type that a GeoPackage asks for."""
        return "POINT"

    def bind_processor(self, dialect: Any) -> Any:
        """Give each engine the bytes that it takes."""
        if dialect.name == "postgresql":
            return lambda wkb: wkb
        return lambda wkb: None if wkb is None else geopackage_blob(wkb)

    def result_processor(self, dialect: Any, coltype: Any) -> Any:  # noqa: ARG002 - SQLAlchemy's own
        """Read back well-known binary."""
        return decode_place


class _PostgisPlace(Place):
    """The same in PostGIS, through its own functions."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        return f"geometry(Point,{WGS84})"

    def bind_expression(self, bindvalue: Any) -> Any:
        return func.ST_GeomFromWKB(bindvalue, WGS84, type_=self)

    def column_expression(self, column: Any) -> Any:
        return func.ST_AsBinary(column, type_=self)


class _IfLegible:
    """What makes of an unreadable point None, so that the den's other values can be read and it can be mended."""

    def result_processor(self, dialect: Any, coltype: Any) -> Any:  # noqa: ARG002 - SQLAlchemy's own
        """Read back well-known binary, or None."""
        return place_if_legible


class _LegiblePlace(_IfLegible, Place):
    cache_ok = True


class _LegiblePostgisPlace(_IfLegible, _PostgisPlace):
    cache_ok = True


def place_if_legible(blob: Any) -> bytes | None:
    """Read a place as :func:`decode_place` does.

    Parameters
    ----------
    blob : object
        Any value.

    Returns
    -------
    bytes or None
        None where it is no point in WGS 84.
    """
    try:
        return decode_place(blob)
    except UnreadablePlaceError:
        return None


def place(*, if_legible: bool = False) -> Any:
    """Return the type of a point column on either engine.

    Parameters
    ----------
    if_legible : bool
        Read None where another program has left no point; an :class:`UnreadablePlaceError` is raised by default.
    """
    if if_legible:
        return _LegiblePlace().with_variant(_LegiblePostgisPlace(), "postgresql")
    return Place().with_variant(_PostgisPlace(), "postgresql")


class Moment(TypeDecorator[dt.datetime]):
    """A UTC time: ISO 8601 text with milliseconds and Z in a GeoPackage, timestamptz in PostgreSQL."""

    impl = UserDefinedType
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        """Declare the column DATETIME, or TIMESTAMP WITH TIME ZONE."""
        if dialect.name == "postgresql":
            from sqlalchemy.dialects import postgresql  # loads slowly, and a GeoPackage needs it not

            return dialect.type_descriptor(postgresql.TIMESTAMP(timezone=True, precision=3))
        return dialect.type_descriptor(_Declared("DATETIME"))

    def process_bind_param(self, value: dt.datetime | None, dialect: Any) -> Any:
        """Write UTC with Z, the only form a GeoPackage DATETIME takes."""
        if value is None or dialect.name == "postgresql":
            return value and value.astimezone(dt.UTC).replace(microsecond=value.microsecond // 1000 * 1000)
        return as_text(value)

    def process_result_value(self, value: Any, dialect: Any) -> dt.datetime | None:  # noqa: ARG002 - SQLAlchemy's own
        """Read back an aware time in UTC."""
        if value is None:
            return None
        moment = dt.datetime.fromisoformat(value) if isinstance(value, str) else value
        return moment if moment.tzinfo is dt.UTC else moment.astimezone(dt.UTC)


def as_text(moment: dt.datetime) -> str:
    """Write a time as a GeoPackage does.

    Parameters
    ----------
    moment : datetime
        Aware.

    Returns
    -------
    str
        ``2026-02-24T15:14:00.000Z``.
    """
    plain = moment.astimezone(dt.UTC).replace(tzinfo=None)  # strftime would write the year 999 in three figures
    return plain.isoformat(timespec="milliseconds") + "Z"


class Identifier(TypeDecorator[uuid.UUID]):
    """A UUID as 36 characters of text."""

    impl = UserDefinedType
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        """Declare the column TEXT."""
        return dialect.type_descriptor(Text() if dialect.name == "postgresql" else _Declared("TEXT"))

    def process_bind_param(self, value: Any, dialect: Any) -> Any:  # noqa: ARG002 - SQLAlchemy's own
        """Write the canonical form."""
        return None if value is None else str(value)


class _Declared(UserDefinedType[str]):
    """A column whose values pass as they are under a declared type."""

    cache_ok = True

    def __init__(self, spec: str) -> None:
        self.spec = spec

    def get_col_spec(self, **_: Any) -> str:
        return self.spec
