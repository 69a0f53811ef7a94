"""Whole rasters: the values at points, GDAL's own, any block size and thread count, and interruptions."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import matplotlib.cbook
import numpy as np
import pytest
import rasterio
from affine import Affine
from click.testing import CliRunner
from conftest import needs
from pyproj import CRS, Proj, Transformer
from rasterio._err import CPLE_BaseError

from densite import surfaces
from densite.cli import cli
from densite.errors import LayerError
from densite.layers import Raster, ground_jacobian, open_raster
from densite.settings import LayerSettings
from densite.surfaces import GroundLattice, step_count, terrain_raster
from densite.terrain import hillshade, terrain_at
from densite.testing import Grid, write_raster

ALL = ("elevation", "slope", "aspect", "hillshade")
GRIDS = {
    "UTM": Grid("EPSG:32611", -112.2, 55.0, 10.0, size=65),
    "UTM, rows from the south": Grid("EPSG:32611", -112.2, 55.0, 10.0, size=65, south_up=True),
    "state plane in US feet": Grid("EPSG:2263", -74.4, 40.6, 30.0, size=65),
    "degrees": Grid("EPSG:4326", -110.0, 55.0, (0.0002, 0.0001), size=65),
}


def rough(size: int = 65) -> np.ndarray:
    """Random ground in whole metres, with holes and a flat part."""
    rng = np.random.default_rng(5)
    heights = np.round(rng.normal(size=(size, size)).cumsum(axis=0).cumsum(axis=1) / 5)
    heights[rng.random(heights.shape) < 0.01] = np.nan
    heights[20:30, 40:60] = 17
    return heights


def dem_of(folder: Path, heights: np.ndarray, grid: Grid, **known: object) -> Raster:
    """Write heights on a grid and open them."""
    write_raster(folder / "dem.tif", heights, crs=grid.crs, transform=grid.transform, dtype="float64", nodata=-9999)
    return opened(folder / "dem.tif", **known)


def opened(path: Path, **known: object) -> Raster:
    """Open a DEM."""
    return open_raster("DEM", LayerSettings.model_validate({"path": path.name} | known), folder=path.parent)


def read(path: Path) -> np.ndarray:
    """All bands; NaN where nodata."""
    with rasterio.open(path) as source:
        return source.read(masked=True).astype(float).filled(np.nan)


def angle(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """The smaller angle between bearings. [deg]"""
    return np.abs((np.asarray(a) - np.asarray(b) + 180) % 360 - 180)


@pytest.mark.parametrize("grid", GRIDS.values(), ids=GRIDS.keys())
@pytest.mark.parametrize("method", ["horn", "zevenbergen-thorne"])
def test_values_are_those_at_points(tmp_path, monkeypatch, grid, method) -> None:
    """With each cell's own Jacobian, as few points have: terrain_at at the middles, to 1e-9, then rounded."""
    unrounded = []
    strip = surfaces._strip
    monkeypatch.setattr(surfaces, "LATTICE_STEPS", ())
    monkeypatch.setattr(surfaces, "_strip", lambda *given: unrounded.append(strip(*given)) or unrounded[-1])
    dem = dem_of(tmp_path, rough(), grid, unit="ft")
    made = terrain_raster(dem, tmp_path / "out.tif", bands=ALL[:3], method=method, block=75, threads=1)
    rows, cols = (a.ravel() + 0.5 for a in np.indices(dem.shape))
    t = grid.transform
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(t.c + t.a * cols, t.f + t.e * rows), crs=grid.crs)
    expected = terrain_at(points, dem, method=method, position_radius_m=10)[["elevation_m", "slope_deg", "aspect_deg"]]
    exact = np.concatenate(unrounded, axis=1).reshape(3, -1).T
    np.testing.assert_array_equal(np.isnan(exact), expected.isna())
    np.testing.assert_allclose(exact[:, :2], expected.to_numpy()[:, :2], rtol=0, atol=1e-9)
    assert np.nanmax(angle(exact[:, 2], expected["aspect_deg"])) < 1e-9
    np.testing.assert_array_equal(read(made.path).reshape(3, -1).T, exact.astype(np.float32))


@pytest.mark.parametrize(
    ("crs", "lon", "lat", "cell", "step"),
    [("EPSG:32611", -112.2, 55, 10.0, 64), ("EPSG:32611", -112.2, 55, 1000.0, 1), ("EPSG:3857", -110, 60, 30.0, 16),
     ("EPSG:5070", -70, 45, 30.0, 32), ("EPSG:4326", -110, 70, 0.001, 4)],
)  # fmt: skip
def test_jacobian_between_nodes(tmp_path, crs, lon, lat, cell, step) -> None:
    """In every third cell the interpolated Jacobian is within 1e-7 of the exact one."""
    grid = Grid(crs, lon, lat, cell, size=301)
    lattice = GroundLattice(dem_of(tmp_path, np.zeros((301, 301)), grid))
    assert lattice.step >= step
    found = lattice.at(slice(0, 301), slice(0, 301))[:, :, ::3, ::3]
    lon, lat = (a[::3, ::3] for a in grid.lon_lat())
    exact = np.moveaxis(ground_jacobian(lon.ravel(), lat.ravel(), CRS(crs)), 0, -1).reshape(found.shape)
    assert np.max(np.abs(found - exact) / np.abs(exact).max(axis=(0, 1))) < 1e-7
    part = lattice.at(slice(100, 203), slice(33, 301))
    np.testing.assert_array_equal(part, lattice.at(slice(0, 301), slice(0, 301))[:, :, 100:203, 33:])


def test_lattice_reaches_to_the_pole(tmp_path) -> None:
    """A raster of the whole Earth has a Jacobian in each of its cells."""
    grid = Grid("EPSG:4326", 0.0, 0.0, (3.6, 1.8), size=100)
    lattice = GroundLattice(dem_of(tmp_path, np.zeros((100, 100)), grid))
    assert np.isfinite(lattice.at(slice(0, 100), slice(0, 100))).all()


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The DEM that matplotlib carries (jacksboro_fault_dem.npz), taken as 90 m square cells."""
    heights = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")["elevation"]
    path = tmp_path_factory.mktemp("real") / "dem.tif"
    t = Affine(90, 0, 700_000, 0, -90, 4_070_000)
    return write_raster(path, heights, crs="EPSG:32616", transform=t, dtype="int16")


@pytest.mark.parametrize(("method", "options"), [("horn", ()), ("zevenbergen-thorne", ("-alg", "ZevenbergenThorne"))])
def test_gdaldem_agrees(real, tmp_path, method, options) -> None:
    """Its slope times the map's scale is ours to 2e-5 deg, its aspect plus the convergence to 1e-4 deg.

    Scale and convergence are PROJ's own factors; UTM is conformal, so one scale holds in all directions.
    """
    theirs = {}
    for what in ("slope", "aspect"):
        subprocess.run([needs("gdaldem"), what, real, tmp_path / f"{what}.tif", "-q", *options], check=True)
        theirs[what] = read(tmp_path / f"{what}.tif")[0]
    found = read(terrain_raster(opened(real), tmp_path / "out.tif", bands=("slope", "aspect"), method=method).path)
    rows, cols = np.indices(found.shape[1:])
    x, y = 700_000 + 90 * (cols + 0.5), 4_070_000 - 90 * (rows + 0.5)
    lon, lat = Transformer.from_crs(32616, 4326, always_xy=True).transform(x, y)
    factors = Proj(CRS(32616)).get_factors(lon, lat)
    scaled = np.degrees(np.arctan(np.tan(np.radians(theirs["slope"])) * factors.meridional_scale))
    np.testing.assert_allclose(found[0], scaled, atol=2e-5)
    np.testing.assert_array_equal(np.isnan(found[1]), np.isnan(theirs["aspect"]))
    assert np.nanmax(angle(found[1], theirs["aspect"] + factors.meridian_convergence)) < 1e-4


def test_hillshade_and_elevation(tmp_path) -> None:
    """On a UTM zone's meridian, where north is true, the shade is that of terrain.hillshade; feet become metres."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=65)
    heights = np.nan_to_num(rough())
    dem = dem_of(tmp_path, heights, grid, unit="us-ft")
    made = terrain_raster(dem, tmp_path / "out.tif", bands=("hillshade", "elevation"))
    shade, metres = read(made.path)
    side = 10 / 0.9996  # UTM's scale at its meridian
    np.testing.assert_allclose(shade, hillshade(heights * 1200 / 3937, cell_x=side, cell_y=side), atol=1e-4)
    np.testing.assert_allclose(metres, heights * 1200 / 3937, rtol=1e-7)


def test_block_size_and_threads_do_not_matter(tmp_path) -> None:
    """Blocks of 7 cells by four threads, and the whole raster at once, give equal numbers."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    found = [
        read(terrain_raster(dem, tmp_path / f"{block}-{threads}.tif", bands=ALL, block=block, threads=threads).path)
        for block, threads in ((7, 4), (32, 2), (32, 1), (500, 1))
    ]
    for other in found[1:]:
        np.testing.assert_array_equal(found[0], other)
    assert np.isnan(found[0][1, 0]).all()
    assert np.isnan(found[0][2, 22:28, 42:58]).all()
    assert (found[0][1, 22:28, 42:58] == 0).all()


def test_layout(tmp_path) -> None:
    """A valid COG of named bands with units, nodata, overviews and its provenance; nothing else is left."""
    grid = Grid("EPSG:32611", -112.2, 55.0, 10.0, size=601)
    dem = dem_of(tmp_path, np.zeros((601, 601)), grid)
    ticks: list[int] = []
    out = terrain_raster(dem, tmp_path / "out.tif", bands=ALL, block=300, tick=ticks.append).path
    assert sum(ticks) == step_count(dem, block=300) == 10
    told = subprocess.run([needs("gdalinfo"), out], capture_output=True, text=True, check=True).stdout
    assert "LAYOUT=COG" in told
    assert "COMPRESSION=DEFLATE" in told
    with rasterio.open(out) as source:
        assert [name.split(":")[0] for name in source.descriptions] == list(ALL)
        assert source.units == ("m", "deg", "deg", "1")
        assert set(source.nodatavals) == {-9999}
        assert source.overviews(1)[:1] == [2]
        assert (CRS(source.crs), source.transform) == (dem.crs, dem.transform)
        assert source.tags()["dem_sha256"] == dem.fingerprint
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dem.tif", "out.tif"]


KILLED = """
import os, signal, sys
from pathlib import Path
from densite import surfaces
from densite.layers import open_raster
from densite.settings import LayerSettings
surfaces.SYNC_SECONDS = 0
seen = []
def tick(n):
    seen.append(n)
    if len(seen) == 5: os.kill(os.getpid(), signal.SIGKILL)
dem = open_raster("DEM", LayerSettings(path="dem.tif"), folder=Path(sys.argv[1]))
surfaces.terrain_raster(dem, Path(sys.argv[1]) / "out.tif", bands=("slope", "aspect"), block=20, tick=tick)
"""


def test_killed_in_the_middle(tmp_path) -> None:
    """After kill -9 there is no result; the next run goes on, with equal values, and other options begin anew."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    killed = subprocess.run([sys.executable, "-c", KILLED, tmp_path], check=False)
    assert killed.returncode == -signal.SIGKILL
    out = tmp_path / "out.tif"
    assert not out.exists()
    (part,) = tmp_path.glob("*.part")
    shutil.copytree(part, tmp_path / "kept")
    with (part / "finished.jsonl").open("a") as journal:
        journal.write('{"block": 15, "dam')  # as if killed while writing it
    made = terrain_raster(dem, out, bands=("slope", "aspect"), block=20)
    assert 4 <= made.resumed < 16
    whole = terrain_raster(dem, tmp_path / "whole.tif", bands=("slope", "aspect"), block=20)
    assert whole.resumed == 0
    np.testing.assert_array_equal(read(out), read(whole.path))
    shutil.copytree(tmp_path / "kept", part)
    assert terrain_raster(dem, out, bands=("aspect",), block=20, overwrite=True).resumed == 0
    assert not part.exists()


def interrupted(dem: Raster, out: Path) -> None:
    """Press Ctrl-C after the first block."""

    def stop(steps: int) -> None:
        if steps:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        terrain_raster(dem, out, bands=("slope",), block=40, threads=1, tick=stop)
    assert not out.exists()


def test_ctrl_c_keeps_finished_blocks(tmp_path) -> None:
    """The same command goes on from them; with a DEM that has changed since they are not used."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    interrupted(dem, tmp_path / "out.tif")
    assert terrain_raster(dem, tmp_path / "out.tif", bands=("slope",), block=40).resumed == 1
    interrupted(dem, tmp_path / "other.tif")
    other = dem_of(tmp_path, rough() + 1000 * np.eye(65), GRIDS["UTM"])
    made = terrain_raster(other, tmp_path / "other.tif", bands=("slope",), block=40)
    assert made.resumed == 0
    fresh = terrain_raster(other, tmp_path / "fresh.tif", bands=("slope",), block=65)
    np.testing.assert_array_equal(read(made.path), read(fresh.path))
    assert not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize("journal", [b"\0" * 50, b'{"block": 1}\n', b"[]\n", b'{"block": 0, "damaged": []}'])
def test_a_damaged_journal(tmp_path, journal) -> None:
    """What cannot be read in it counts for nothing; a missing file of values makes all of it void."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    interrupted(dem, tmp_path / "out.tif")
    (part,) = tmp_path.glob("*.part")
    (part / "finished.jsonl").write_bytes(journal)
    made = terrain_raster(dem, tmp_path / "out.tif", bands=("slope",), block=40)
    assert made.resumed == ("damaged" in journal.decode())
    interrupted(dem, tmp_path / "again.tif")
    next(tmp_path.glob("*.part/values.bsq")).unlink()
    again = terrain_raster(dem, tmp_path / "again.tif", bands=("slope",), block=40)
    assert again.resumed == 0
    np.testing.assert_array_equal(read(made.path), read(again.path))


def test_a_damaged_block_is_nodata(tmp_path) -> None:
    """Cells in and beside a tile that cannot be decoded are missing, counted and told; the rest is as before."""
    t = Affine(10, 0, 500_000, 0, -10, 5_000_000)
    heights = np.random.default_rng(2).normal(size=(128, 128)).astype("float32")
    path = tmp_path / "dem.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=128, height=128, count=1, dtype="float32", crs="EPSG:32611", transform=t,
        tiled=True, blockxsize=64, blockysize=64, compress="deflate",
    ) as sink:  # fmt: skip
        sink.write(heights, 1)
    with rasterio.open(path) as source:
        at = int(source.get_tag_item("BLOCK_OFFSET_1_0", "TIFF", bidx=1))
    whole = read(terrain_raster(opened(path), tmp_path / "whole.tif", bands=("elevation", "slope")).path)
    data = bytearray(path.read_bytes())
    data[at : at + 400] = b"\xff" * 400
    path.write_bytes(data)
    out = tmp_path / "out.tif"
    done = CliRunner().invoke(cli, ["terrain", str(path), "--slope", "--elevation", "-o", str(out)])
    assert done.exit_code == 1
    assert "1 blocks cannot be read" in done.stderr
    lost = np.zeros((2, 128, 128), dtype=bool)
    lost[0, :64, 64:] = lost[1, :65, 63:] = True
    np.testing.assert_array_equal(read(out), np.where(lost, np.nan, whole))


def test_command(tmp_path) -> None:
    """It writes, says so, does not overwrite unasked, and refuses what it cannot do in one message."""
    dem_of(tmp_path, rough(), GRIDS["UTM"])
    dem, out = str(tmp_path / "dem.tif"), tmp_path / "out.tif"

    def run(*words: str) -> str:
        done = CliRunner().invoke(cli, ["terrain", dem, *words])
        return done.output if done.exit_code == 0 else f"{done.exit_code}: {done.exception} {done.stderr}"

    assert run("--aspect", "--slope", "-o", str(out)) == f"{out}: slope, aspect\n"
    assert "there already" in run("--slope", "-o", str(out))
    assert run("--slope", "--force", "--unit", "ft", "-o", str(out)) == f"{out}: slope\n"
    assert "one or more of --elevation, --slope" in run("-o", str(out))
    assert "no folder" in run("--slope", "-o", str(tmp_path / "no" / "out.tif"))
    assert "is the DEM itself" in run("--slope", "--force", "-o", dem)
    zipped = CliRunner().invoke(
        cli, ["terrain", "/vsizip//a/dem.zip/dem.tif", "--slope", "-o", str(tmp_path / "z.tif")]
    )
    assert "/vsizip/{/folder/file.zip}/..." in str(zipped.exception)


@pytest.mark.parametrize(
    "options",
    [{"bands": ()}, {"bands": ("slope", "slope")}, {"bands": ("curvature",)}, {"bands": ("slope",), "method": "sobel"},
     {"bands": ("slope",), "block": 0}],
)  # fmt: skip
def test_unknown_options(tmp_path, options) -> None:
    """Bands, methods and sizes that there are not are refused with those that there are."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    with pytest.raises(LayerError, match=r"allowed|expected"):
        terrain_raster(dem, tmp_path / "out.tif", **options)


def raising(error: Exception) -> Callable[..., None]:
    """A function that fails."""

    def fail(*_: object, **__: object) -> None:
        raise error

    return fail


@pytest.mark.parametrize(
    ("place", "name", "error"),
    [
        (surfaces, "_write_all", OSError(28, "No space left on device")),
        (rasterio.shutil, "copy", CPLE_BaseError(3, 1, "No space left on device")),
    ],
    ids=["computing", "packing"],
)
def test_a_full_disk_is_told(tmp_path, monkeypatch, place, name, error) -> None:
    """No room in the middle: one message with the next step, no result, and the next run works."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    with monkeypatch.context() as patch:
        patch.setattr(place, name, raising(error))
        with pytest.raises(LayerError, match=r"No space left on device\): make room"):
            terrain_raster(dem, tmp_path / "out.tif", bands=("slope",))
    assert not (tmp_path / "out.tif").exists()
    made = terrain_raster(dem, tmp_path / "out.tif", bands=("slope",))
    assert made.resumed == (name == "copy")


def test_room_is_looked_for_first(tmp_path, monkeypatch) -> None:
    """Nothing is computed where twice the bare numbers do not fit."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=2 * 4 * 65 * 65 - 1))
    with pytest.raises(LayerError, match="0 MB free"):
        terrain_raster(dem, tmp_path / "out.tif", bands=("slope",), tick=raising(AssertionError()))


def test_a_file_that_is_no_geotiff_is_never_replaced(tmp_path) -> None:
    """Not even when asked: it may be the register."""
    dem = dem_of(tmp_path, rough(), GRIDS["UTM"])
    register = tmp_path / "register.gpkg"
    register.write_bytes(b"SQLite format 3\0")
    with pytest.raises(LayerError, match="no GeoTIFF; name another file"):
        terrain_raster(dem, register, bands=("slope",), overwrite=True)
    assert register.read_bytes() == b"SQLite format 3\0"
