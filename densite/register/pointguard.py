"""Rules in the database itself that refuse a den's point which is none, whoever writes it."""

from __future__ import annotations

from collections.abc import Iterator

# Only functions that any SQLite has, so that a GIS need not know ours. A GeoPackage geometry (OGC 12-128r17,
# clause 2.1.3): GP, version 0, flags, srs_id, an envelope or none; then well-known binary (OGC 06-103r4, clause
# 8.2.3, and ISO codes with height or measure) of either byte order. Doubles are compared as their bits, which
# rise with the number: 180 is 4066800000000000, 90 is 4056800000000000, and -180 and -90 begin with C instead of 4.
_ENVELOPES = "CASE hex(substr(NEW.geom, 4, 1)) {} END".format(
    " ".join(
        f"WHEN '{code << 1 | order:02X}' THEN {size}"
        for code, size in enumerate((0, 32, 48, 48, 64))
        for order in (0, 1)
    )
)
_ORDERED = """CASE hex(substr(g, w, 1)) WHEN '00' THEN hex(substr(g, w + {at}, 8)) ELSE {turned} END"""
_WITHIN = "({double} <= '4{most}' OR {double} BETWEEN '8000000000000000' AND 'C{most}')"
_REFUSED = """
CREATE TRIGGER den_point_{verb} BEFORE {event} ON den WHEN (
  SELECT typeof(g) = 'blob' AND hex(substr(g, 1, 3)) = '475000'
    AND hex(substr(g, 5, 4)) = CASE CAST(hex(substr(g, 4, 1)) AS INTEGER) & 1 WHEN 1 THEN 'E6100000' ELSE '000010E6' END
    AND length(g) = w + CASE hex(substr(g, w, 5))
      WHEN '0101000000' THEN 20 WHEN '01E9030000' THEN 28 WHEN '01D1070000' THEN 28 WHEN '01B90B0000' THEN 36
      WHEN '0000000001' THEN 20 WHEN '00000003E9' THEN 28 WHEN '00000007D1' THEN 28 WHEN '0000000BB9' THEN 36 END
    AND {longitude} AND {latitude}
  FROM (SELECT NEW.geom AS g, 9 + {envelopes} AS w)) IS NOT 1 BEGIN
  SELECT RAISE(ABORT, 'densite: a den needs one point in WGS 84, longitude within 180 and latitude within 90 degrees');
END"""
_POSTGRES = (
    "ALTER TABLE den ADD CONSTRAINT den_point_on_earth CHECK (NOT ST_IsEmpty(geom) "
    "AND ST_X(geom) BETWEEN -180 AND 180 AND ST_Y(geom) BETWEEN -90 AND 90)"  # NaN is above all numbers there
)


def sqlite_guards() -> Iterator[str]:
    """Yield the triggers of a GeoPackage.

    Yields
    ------
    str
        One CREATE TRIGGER each.
    """
    parts = {
        "longitude": _WITHIN.format(double=_double(5), most="066800000000000"),
        "latitude": _WITHIN.format(double=_double(13), most="056800000000000"),
        "envelopes": _ENVELOPES,
    }
    for verb, event in (("insert", "INSERT"), ("change", "UPDATE OF geom")):
        yield _REFUSED.format(verb=verb, event=event, **parts)


def _double(at: int) -> str:
    """Write the SQL of the bits of a double as a text, the highest first."""
    turned = " || ".join(f"hex(substr(g, w + {at + byte}, 1))" for byte in reversed(range(8)))
    return _ORDERED.format(at=at, turned=turned)


def postgres_guards() -> Iterator[str]:
    """Yield the constraint of a PostgreSQL register; its column type holds points in WGS 84 only.

    Yields
    ------
    str
        One ALTER TABLE each.
    """
    yield _POSTGRES
