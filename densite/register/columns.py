"""Column types that a GeoPackage stores as the standard asks."""

from __future__ import annotations

import datetime as dt
import struct
import uuid
from typing import Any

import shapely
from sqlalchemy.types import TypeDecorator, UserDefinedType

from densite.errors import RegisterError

_HEADER = struct.Struct("<2sBBi")
_ENVELOPE_BYTES = (0, 32, 48, 48, 64)  # by the envelope code in the flags, GeoPackage 1.3, clause 2.1.3


def encode_point(longitude: float, latitude: float, *, srs_id: int = 4326) -> bytes:
    """Write a point as a GeoPackage geometry blob.

    Parameters
    ----------
    longitude, latitude : float
        Place in WGS 84. [deg]
    srs_id : int
        Row of gpkg_spatial_ref_sys.

    Returns
    -------
    bytes

    Notes
    -----
    Source: OGC 12-128r17, GeoPackage 1.3.0, clause 2.1.3: little endian, no envelope.
    """
    return _HEADER.pack(b"GP", 0, 1, srs_id) + bytes(shapely.to_wkb(shapely.Point(longitude, latitude), byte_order=1))


def decode_geometry(blob: bytes) -> bytes:
    """Return the WKB inside a GeoPackage geometry blob, whoever wrote it.

    Parameters
    ----------
    blob : bytes
        With or without envelope.

    Returns
    -------
    bytes

    Raises
    ------
    RegisterError
        The bytes are no GeoPackage geometry.
    """
    envelope = (blob[3] >> 1) & 7 if len(blob) > _HEADER.size and blob[:2] == b"GP" else 9
    if envelope >= len(_ENVELOPE_BYTES):
        raise RegisterError("the register holds a geometry that is no GeoPackage geometry: is the file damaged?")
    return blob[_HEADER.size + _ENVELOPE_BYTES[envelope] :]


class PointBlob(UserDefinedType[bytes]):
    """A geometry column, declared POINT as the standard asks, bytes in and out."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        """Return the declared type."""
        return "POINT"


class Moment(TypeDecorator[dt.datetime]):
    """A UTC time as ISO 8601 text with milliseconds and Z, the only form a GeoPackage DATETIME takes."""

    impl = UserDefinedType
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        """Declare the column DATETIME."""
        return dialect.type_descriptor(_Declared("DATETIME"))

    def process_bind_param(self, value: dt.datetime | None, dialect: Any) -> Any:  # noqa: ARG002 - SQLAlchemy's own
        """Write UTC with Z."""
        return value and value.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{value.microsecond // 1000:03d}Z"

    def process_result_value(self, value: Any, dialect: Any) -> dt.datetime | None:  # noqa: ARG002 - as above
        """Read back an aware time."""
        return value and dt.datetime.fromisoformat(value)


class Identifier(TypeDecorator[uuid.UUID]):
    """A UUID as 36 characters of text."""

    impl = UserDefinedType
    cache_ok = True

    def load_dialect_impl(self, dialect: Any) -> Any:
        """Declare the column TEXT."""
        return dialect.type_descriptor(_Declared("TEXT"))

    def process_bind_param(self, value: Any, dialect: Any) -> Any:  # noqa: ARG002 - as above
        """Write the canonical form."""
        return None if value is None else str(value)

    def process_result_value(self, value: Any, dialect: Any) -> Any:  # noqa: ARG002 - as above
        """Read the text as it is."""
        return value


class _Declared(UserDefinedType[str]):
    """A column whose values pass as they are under a declared type."""

    cache_ok = True

    def __init__(self, spec: str) -> None:
        self.spec = spec

    def get_col_spec(self, **_: Any) -> str:
        return self.spec
