"""What another program may write as a den's point: any point that a GIS writes, and nothing else."""

import json
import math
import sqlite3
import struct
import subprocess
from itertools import product

import pytest
import shapely
from conftest import needs
from test_register import den

from densite.register import create_register, open_register
from densite.register.columns import UnreadablePlaceError, decode_place, geopackage_blob, place_if_legible

REFUSED = "densite: a den needs one point in WGS 84"


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A register with one den."""
    path = tmp_path_factory.mktemp("guarded") / "register.gpkg"
    with create_register(path, study_id="test") as register, register.writing() as connection:
        register.add(connection, [den()], [])
    return path


@pytest.fixture
def write(path):
    """Write a value as the den's point, as another program does, and take it back."""
    with sqlite3.connect(path, isolation_level=None) as other:

        def written(value: object) -> str:
            other.execute("BEGIN")
            try:
                other.execute("UPDATE den SET geom = ?", (value,))
            except sqlite3.IntegrityError as error:
                return str(error)
            finally:
                other.execute("ROLLBACK")
            return ""

        yield written
    other.close()


def blob(wkb: bytes, *, order: int = 1, envelope: int = 0, flags: int = 0, srs: int = 4326, start: bytes = b"GP\0"):
    """Put a header of any make before well-known binary (OGC 12-128r17, clause 2.1.3)."""
    count = (0, 4, 6, 6, 8, 0)[envelope]
    sides = struct.pack(f"{'<' if order else '>'}{count}d", *[1.0] * count)
    head = bytes([flags | envelope << 1 | order]) + srs.to_bytes(4, "little" if order else "big", signed=True)
    return start + head + sides + wkb


def point(x: float, y: float, *more: float, order: int = 1) -> bytes:
    """Write a point by shapely, with or without height."""
    return shapely.to_wkb(shapely.Point(x, y, *more), byte_order=order, flavor="iso")


@pytest.mark.parametrize(("order", "envelope", "inside"), list(product((0, 1), range(5), (0, 1))))
def test_points_of_any_make_are_taken(write, order, envelope, inside) -> None:
    """Either byte order, with envelopes or none, with height; up to the edges of the Earth."""
    for place in ((-115.5, 43.5), (180, 90), (-180, -90), (0.0, -0.0), (5e-324, -1e-300), (1, 2, 3)):
        made = blob(point(*place, order=inside), order=order, envelope=envelope)
        assert write(made) == ""
        assert decode_place(made) == point(*place[:2])
    for place in ((math.nextafter(180, 181), 1), (-181, 0), (0, math.nextafter(90, 91)), (0, -math.inf), (math.inf, 0)):
        made = blob(point(*place, order=inside), order=order, envelope=envelope)
        assert write(made).startswith(REFUSED)
        with pytest.raises(UnreadablePlaceError, match="is not on Earth"):
            decode_place(made)


WHOLE = geopackage_blob(point(1, 2))
NONE = {
    "nothing": None, "no bytes": b"", "a number": 5, "text": "POINT (1 2)", "bare": point(1, 2), "short": WHOLE[:-1],
    "long": WHOLE + b"x", "magic": blob(point(1, 2), start=b"GX\0"), "version": blob(point(1, 2), start=b"GP\1"),
    "envelope": blob(point(1, 2), envelope=5), "empty flag": blob(point(1, 2), flags=16),
    "extended": blob(point(1, 2), flags=32), "elsewhere": blob(point(1, 2), srs=32611),
    "empty": geopackage_blob(shapely.to_wkb(shapely.Point())),
    "half": geopackage_blob(struct.pack("<BIdd", 1, 1, math.nan, 1)),
    "line": geopackage_blob(shapely.to_wkb(shapely.LineString([(0, 0), (1, 1)]))),
    "points": geopackage_blob(shapely.to_wkb(shapely.MultiPoint([(0, 0)]))),
}  # fmt: skip


@pytest.mark.parametrize("name", NONE)
def test_what_is_no_point_is_refused(write, name) -> None:
    """With a clear message, whatever it is; and not read where it got in."""
    assert write(NONE[name]).startswith(REFUSED)
    if name not in ("bare", "long", "empty flag", "extended"):  # which hold a point all the same
        assert place_if_legible(NONE[name]) is None


def test_a_gis_writes_points(path) -> None:
    """GDAL, with its spatial index and its triggers: a new den, and a point moved."""
    ogr = needs("ogr2ogr")
    subprocess.run([needs("ogrinfo"), path, "-sql", "SELECT CreateSpatialIndex('den', 'geom')"], check=True,
                   capture_output=True)  # fmt: skip
    fields = {"den_id": "made", "label": "D-9", "den_type": "tree", "morning_sun": "not recorded",
              "source_file": "", "source_line": 0, "recorded_at": "2026-03-01T12:00:00.000Z"}  # fmt: skip
    feature = {"type": "Feature", "properties": fields, "geometry": {"type": "Point", "coordinates": [-115.1, 43.2]}}
    made = path.with_name("new.geojson")
    made.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    subprocess.run([ogr, "-append", "-update", path, made, "-nln", "den"], check=True, capture_output=True)
    with open_register(path) as register:
        assert [p.x for p in register.dens().geometry] == [-115.5, -115.1]
    swap = "UPDATE den SET geom = (SELECT geom FROM den WHERE label = 'D-1') WHERE label = 'D-9'"
    subprocess.run([needs("ogrinfo"), path, "-sql", swap], check=True, capture_output=True)
    with open_register(path) as register:
        assert [p.x for p in register.dens().geometry] == [-115.5, -115.5]
    far = path.with_name("far.geojson")
    far.write_text(made.read_text(encoding="utf-8").replace("-115.1", "500").replace("made", "far"), encoding="utf-8")
    done = subprocess.run([ogr, "-append", path, far, "-nln", "den"], check=False, capture_output=True, text=True)
    assert REFUSED in done.stderr
