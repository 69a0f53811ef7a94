"""The register: a GeoPackage that any GIS opens, and that refuses what it cannot hold."""

import datetime as dt
import sqlite3
import struct
import subprocess
import uuid

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from conftest import needs

from densite.deliveries import Delivery
from densite.errors import RegisterError
from densite.pipeline import Study
from densite.records import DenSite, Visit
from densite.register import Register, create_register, open_register
from densite.register.columns import decode_geometry, encode_point, geopackage_blob
from densite.register.geopackage import GeoPackage

NOW = dt.datetime(2026, 3, 1, 12, 30, 15, 250000, tzinfo=dt.UTC)


def den(label="D-1", lon=-115.5, lat=43.5, **fields) -> DenSite:
    """Return a den."""
    return DenSite(
        den_id=uuid.uuid5(uuid.NAMESPACE_OID, label),
        label=label,
        longitude=lon,
        latitude=lat,
        den_type="tree",
        first_found="2026-01-02",
        recorded_at=NOW,
        **fields,
    )


def visit(of: DenSite, key="k1") -> Visit:
    """Return a visit of a den."""
    return Visit(
        visit_id=uuid.uuid5(uuid.NAMESPACE_OID, key),
        den_id=of.den_id,
        observed_on=dt.date(2026, 2, 24),
        recorded_at=NOW,
        row_key=key,
    )


@pytest.fixture
def register(tmp_path):
    """A register with two dens and a visit."""
    with create_register(tmp_path / "r.gpkg", study_id="test") as register:
        first, second = den(slope_deg=20), den("D-2", -115.25, 43.75)
        with register.writing() as connection:
            register.add(connection, [first, second], [visit(first)])
        yield register


def test_gdal_reads_it_clean(register) -> None:
    """ogrinfo lists every table without a warning; geometry type, CRS and extent are right."""
    register.close()
    done = subprocess.run(
        [needs("ogrinfo"), "-al", "-so", str(register.backend.path)], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert "ERROR" not in done.stdout
    assert "Geometry: Point" in done.stdout
    assert "Extent: (-115.500000, 43.500000) - (-115.250000, 43.750000)" in done.stdout
    assert 'ID["EPSG",4326]' in done.stdout
    for table in ("den", "visit", "derivation", "derived_value", "study_info"):
        assert f"Layer name: {table}" in done.stdout


def test_gdal_values_are_ours(register) -> None:
    """Every value as GDAL reads it, times with milliseconds."""
    register.close()
    frame = gpd.read_file(register.backend.path, layer="den")
    assert shapely.get_coordinates(frame.geometry).tolist() == [[-115.5, 43.5], [-115.25, 43.75]]
    assert frame.loc[0, "recorded_at"] == pd.Timestamp(NOW)
    assert frame.loc[0, "slope_deg"] == 20.0


def test_file_is_a_geopackage_by_the_standard(register) -> None:
    """OGC 12-128r17: application id, version, the three reference systems, contents with last change."""
    register.close()
    with sqlite3.connect(register.backend.path) as db:
        assert db.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
        assert db.execute("PRAGMA user_version").fetchone()[0] == 10300
        assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        assert {r[0] for r in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")} == {-1, 0, 4326}
        kinds = dict(db.execute("SELECT table_name, data_type FROM gpkg_contents"))
    assert kinds["den"] == "features"
    assert kinds["visit"] == "attributes"


def test_gdals_own_validation_finds_nothing(ondra: tuple[Study, list[Delivery]]) -> None:
    """GDAL's script after OGC 12-128r17, with its extra checks, warnings as errors; every table is filled.

    It comes with Debian's python3-gdal and needs Debian's own Python.
    """
    script = needs("/usr/lib/python3/dist-packages/osgeo_utils/samples/validate_gpkg.py")
    path = ondra[0].register.backend.path
    done = subprocess.run(
        [needs("/usr/bin/python3"), script, "-k", "--extra", "--warning-as-error", str(path)],
        capture_output=True, text=True, env={"PATH": "/usr/bin"},
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_geometry_of_other_programs_is_read() -> None:
    """Blobs with an envelope, as desktop GIS writes them, give the same point."""
    ours = geopackage_blob(encode_point(-115.5, 43.5))
    with_envelope = (
        ours[:3] + bytes([ours[3] | 2]) + ours[4:8] + struct.pack("<4d", -115.5, -115.5, 43.5, 43.5) + ours[8:]
    )
    for blob in (ours, with_envelope):
        assert shapely.from_wkb(decode_geometry(blob)).coords[0] == (-115.5, 43.5)
    with pytest.raises(RegisterError):
        decode_geometry(b"nothing of the kind")


def test_a_register_is_never_made_over_another(register) -> None:
    """The file stays."""
    with pytest.raises(RegisterError, match="never overwritten"):
        create_register(register.backend.path, study_id="x")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "damaged or no GeoPackage"),
        (b"not a database at all, certainly" * 40, "damaged"),
        (b"SQLite format 3\x00" + b"\xff" * 500, "damaged"),
    ],
)
def test_files_that_are_no_register(tmp_path, content, said) -> None:
    """Told, not half-read."""
    path = tmp_path / "r.gpkg"
    path.write_bytes(content)
    with pytest.raises(RegisterError, match=said):
        open_register(path)
    assert path.read_bytes() == content


def test_a_missing_register(tmp_path) -> None:
    """The way out is named."""
    with pytest.raises(RegisterError, match="densite new"):
        open_register(tmp_path / "none.gpkg")


def test_extent_grows_to_all_sides(register) -> None:
    """gpkg_contents holds the box of all dens."""
    with register.writing() as connection:
        register.add(connection, [den("D-3", -116.5, 42.5), den("D-4", -114.5, 44.5)], [])
    with register.backend.engine.connect() as connection:
        box = connection.exec_driver_sql("SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name='den'")
        assert box.one() == (-116.5, 42.5, -114.5, 44.5)


def test_a_register_that_cannot_be_written_can_be_read(register) -> None:
    """From a read-only share: dens are listed, writing is refused with advice."""
    register.close()
    reader = Register(GeoPackage(register.backend.path, writable=False))
    assert len(reader.dens()) == 2
    with pytest.raises(RegisterError, match="read-only"), reader.writing() as connection:
        reader.add(connection, [den("D-9")], [])
    reader.close()


def test_writers_take_the_lock_at_once(register) -> None:
    """What a writer has read before it writes cannot change under it."""
    with register.writing(), pytest.raises(sqlite3.OperationalError, match="locked"):
        sqlite3.connect(register.backend.path, timeout=0.05, isolation_level=None).execute("BEGIN IMMEDIATE")


def test_write_ahead_log_is_on(register) -> None:
    """Readers do not wait for writers."""
    with register.backend.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
