"""Layers: what is refused and how it is told, windows, the map's Jacobian."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import libpysal
import numpy as np
import pandas as pd
import pyrosm
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj
from served import served
from shapely import LineString, Point, box

from densite import layers
from densite.errors import LayerError
from densite.layers import (
    GroundScales,
    cells_at,
    ground_jacobian,
    open_features,
    open_layers,
    open_raster,
    read_array,
    read_windows,
    to_layer_xy,
)
from densite.settings import LayerSettings, Settings, StudySettings
from densite.terrain import slope_aspect_at
from densite.testing import write_raster

UTM = "EPSG:32611"
T10 = Affine(10, 0, 500_000, 0, -10, 5_600_000)
EXAMPLES = Path(libpysal.__file__).parent / "examples"


def said(path: str, **known: object) -> LayerSettings:
    """Settings of a layer."""
    return LayerSettings.model_validate({"path": path} | known)


def points(lon: list[float], lat: list[float]) -> gpd.GeoDataFrame:
    """Points in EPSG:4326."""
    return gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)


@pytest.fixture
def dem(tmp_path: Path) -> Path:
    """A small raster file of the numbers 0 to 2399."""
    return write_raster(tmp_path / "dem.tif", np.arange(2400.0).reshape(40, 60), crs=UTM, transform=T10)


def test_a_raster_tells_its_place_and_its_own_unit(tmp_path: Path) -> None:
    """Shape, CRS, nodata and unit come from the file, year and source from the settings."""
    write_raster(tmp_path / "a.tif", np.ones((4, 6)), crs=UTM, transform=T10, nodata=-9, unit="ft")
    raster = open_raster("elevation", said("a.tif", year=2020, source="survey"), folder=tmp_path)
    assert (raster.shape, raster.nodata, raster.unit, raster.year) == ((4, 6), -9, "ft", 2020)
    assert raster.crs == CRS(UTM)
    assert raster.transform == T10
    assert raster.fingerprint == hashlib.sha256((tmp_path / "a.tif").read_bytes()).hexdigest()


def test_settings_go_before_the_file(tmp_path: Path) -> None:
    """A stated CRS, nodata and unit replace the file's."""
    write_raster(tmp_path / "a.tif", np.ones((4, 6)), crs=None, transform=T10, nodata=-9, unit="ft")
    raster = open_raster("elevation", said("a.tif", crs=UTM, nodata=1, unit="m"), folder=tmp_path)
    assert (raster.crs, raster.nodata, raster.unit) == (CRS(UTM), 1, "m")


def test_a_compound_crs_gives_its_vertical_unit(tmp_path: Path) -> None:
    """Heights in a CRS with a vertical part in US feet are known to be in US feet."""
    write_raster(tmp_path / "a.tif", np.ones((4, 6)), crs="EPSG:32611+6360", transform=T10)
    raster = open_raster("elevation", said("a.tif"), folder=tmp_path)
    assert raster.unit == "US survey foot"
    assert not raster.crs.is_compound


def broken_files(folder: Path) -> dict[str, str]:
    """Write rasters that cannot be used; the part of the message that names the fault, by file."""
    whole = write_raster(folder / "whole.tif", np.ones((400, 400)), crs=UTM, transform=T10)
    (folder / "cut.tif").write_bytes(whole.read_bytes()[:200_000])
    (folder / "empty.tif").write_bytes(b"")
    (folder / "text.tif").write_text("not a raster", encoding="utf-8")
    write_raster(folder / "nowhere.tif", np.ones((4, 4)), crs=None, transform=T10)
    turned = Affine(10, 2, 500_000, 2, -10, 5_600_000)
    write_raster(folder / "turned.tif", np.ones((4, 4)), crs=UTM, transform=turned)
    write_raster(folder / "complex.tif", np.ones((4, 4)), crs=UTM, transform=T10, dtype="complex64")
    return {
        "missing.tif": "no file",
        "cut.tif": "cannot be read as a raster",
        "empty.tif": "0 bytes",
        "text.tif": "cannot be read as a raster",
        "nowhere.tif": "has no CRS; give one as `crs`",
        "turned.tif": "rotated",
        "complex.tif": "complex64",
    }


def test_broken_rasters_are_named_with_their_fault(tmp_path: Path) -> None:
    """Each kind of broken raster gives one LayerError that names layer, file and fault."""
    for name, fault in broken_files(tmp_path).items():
        with pytest.raises(LayerError, match=f"layer 'canopy'.*{name}") as told:
            open_raster("canopy", said(name), folder=tmp_path)
        assert fault in str(told.value)


def test_a_raster_without_place_is_refused(tmp_path: Path) -> None:
    """A picture with neither CRS nor geotransform is refused even when a CRS is stated."""
    with pytest.warns(rasterio.errors.NotGeoreferencedWarning):
        write_raster(tmp_path / "a.tif", np.ones((4, 4)), crs=None, transform=Affine.identity())
    with pytest.raises(LayerError, match="no geotransform"):
        open_raster("canopy", said("a.tif", crs=UTM), folder=tmp_path)


def test_a_raster_that_unfolds_to_gigabytes_is_refused(tmp_path: Path) -> None:
    """Some hundred bytes with one block of 6 GB: told before anything is unpacked."""
    shape = {"width": 40_000, "height": 40_000, "count": 1, "blockxsize": 40_000, "blockysize": 40_000, "tiled": True}
    path = tmp_path / "bomb.tif"
    rasterio.open(
        path, "w", driver="GTiff", dtype="float32", crs=UTM, transform=T10, sparse_ok=True, compress="deflate", **shape
    ).close()
    assert path.stat().st_size < 1000
    with pytest.raises(LayerError, match=r"blocks of 6\.0 GiB.*TILED=YES"):
        open_raster("canopy", said("bomb.tif"), folder=tmp_path)


@pytest.mark.parametrize(("crs", "fault"), [("EPSG:999999", "not known"), ("EPSG:4978", "neither")])
def test_impossible_crs(dem: Path, crs: str, fault: str) -> None:
    """A CRS that does not exist or has no map is refused."""
    with pytest.raises(LayerError, match=fault):
        open_raster("canopy", said("dem.tif", crs=crs), folder=dem.parent)


def test_all_problems_of_all_layers_are_told_at_once(tmp_path: Path, dem: Path) -> None:
    """open_layers lists every layer that cannot be used, and returns all when there is none."""
    study = StudySettings(name="Ondra Basin", id="ondra-basin", crs=UTM)
    bad = {"elevation": said("dem.tif"), "canopy": said("a.tif"), "roads": said("b.gpkg")}
    with pytest.raises(LayerError) as told:
        open_layers(Settings(study=study, layers=bad), folder=tmp_path)
    assert [line[:16] for line in str(told.value).splitlines()] == ["layer 'canopy': ", "layer 'roads': n"]
    opened = open_layers(Settings(study=study, layers={"elevation": said(dem.name)}), folder=tmp_path)
    assert list(opened) == ["elevation"]


def test_a_file_cut_off_after_opening_is_told(tmp_path: Path) -> None:
    """A raster that loses its end between opening and reading gives a LayerError, not a traceback."""
    path = write_raster(tmp_path / "a.tif", np.ones((400, 400)), crs=UTM, transform=T10)
    raster = open_raster("canopy", said("a.tif"), folder=tmp_path)
    path.write_bytes(path.read_bytes()[:200_000])
    rows, none = np.array([399]), np.array([0])
    with pytest.raises(LayerError, match="cut off"):
        list(read_windows(raster, rows, rows, half_rows=none, half_cols=none))


@settings(max_examples=40, derandomize=True, deadline=None)
@given(st.data())
def test_windows_are_the_padded_array(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Whatever the points and halves, a window is the slice of the array in a frame of NaN."""
    folder = tmp_path_factory.mktemp("windows")
    array = np.arange(2400.0).reshape(40, 60)
    write_raster(folder / "a.tif", array, crs=UTM, transform=T10)
    raster = open_raster("canopy", said("a.tif"), folder=folder)
    count, high, wide = (data.draw(st.integers(low, 7)) for low in (1, 0, 0))
    place = st.lists(st.integers(-20, 80), min_size=count, max_size=count)
    rows, cols = np.array(data.draw(place)), np.array(data.draw(place))
    padded = np.pad(array, 100, constant_values=np.nan)
    halves = {"half_rows": np.full(count, high), "half_cols": np.full(count, wide)}
    seen = []
    for which, windows in read_windows(raster, rows, cols, **halves):
        for i, window in zip(which, windows, strict=True):
            r, c = rows[i] + 100, cols[i] + 100
            expected = padded[r - high : r + high + 1, c - wide : c + wide + 1]
            np.testing.assert_array_equal(window, expected)
        seen += list(which)
    assert sorted(seen) == list(range(count))


def read_all(raster: layers.Raster) -> np.ndarray:
    """All values of a small raster through read_windows."""
    half = np.array([max(raster.shape)])
    _, windows = next(read_windows(raster, np.array([0]), np.array([0]), half_rows=half, half_cols=half))
    return windows[0, half[0] : half[0] + raster.shape[0], half[0] : half[0] + raster.shape[1]]


def test_nodata_scale_and_offset(tmp_path: Path) -> None:
    """Nodata is compared before the scale is applied, also for a float32 nodata that is no float64."""
    heights = np.array([[1.5, np.nan], [20.0, 3.0]])
    write_raster(tmp_path / "a.tif", heights, crs=UTM, transform=T10, dtype="int16", nodata=-99, scale=0.5, offset=1.0)
    np.testing.assert_array_equal(read_all(open_raster("canopy", said("a.tif"), folder=tmp_path)), heights)
    write_raster(tmp_path / "b.tif", heights, crs=UTM, transform=T10, nodata=-3.4e38)
    np.testing.assert_array_equal(read_all(open_raster("canopy", said("b.tif"), folder=tmp_path)), heights)
    stated = open_raster("canopy", said("b.tif", nodata=20), folder=tmp_path)
    assert np.isnan(read_all(stated)[1, 0])
    write_raster(tmp_path / "c.tif", [[-3.4e38, 0.1, 2.0]], crs=UTM, transform=T10)
    for nodata, missing in ((-3.4e38, [True, False, False]), (0.1, [False, True, False])):
        stated = open_raster("canopy", said("c.tif", nodata=nodata), folder=tmp_path)
        assert np.isnan(read_all(stated)[0]).tolist() == missing


def test_infinite_cells_are_missing(tmp_path: Path) -> None:
    """A cell that holds infinity has no value."""
    write_raster(tmp_path / "a.tif", [[np.inf, 1.0]], crs=UTM, transform=T10)
    values = read_all(open_raster("canopy", said("a.tif"), folder=tmp_path))
    np.testing.assert_array_equal(values, [[np.nan, 1.0]])


def test_a_mask_band_is_honoured(tmp_path: Path, dem: Path) -> None:
    """Cells that the file's mask hides are missing."""
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(dem, "r+") as target:
        mask = np.full((40, 60), 255, np.uint8)
        mask[0, 1] = 0
        target.write_mask(mask)
    values = read_all(open_raster("canopy", said("dem.tif"), folder=tmp_path))
    assert np.argwhere(np.isnan(values)).tolist() == [[0, 1]]


def test_a_huge_raster_is_never_read_whole(tmp_path: Path) -> None:
    """A raster of 160 GB (all of it unwritten) gives windows at its far ends at once."""
    with rasterio.open(
        tmp_path / "a.tif", "w", driver="GTiff", width=400_000, height=400_000, count=1, dtype="uint8",
        crs=UTM, transform=Affine(1, 0, 0, 0, -1, 6_000_000), tiled=True, blockxsize=4096, blockysize=4096,
        sparse_ok=True, bigtiff=True,
    ):  # fmt: skip
        pass
    raster = open_raster("canopy", said("a.tif"), folder=tmp_path)
    ends, half = np.array([5, 399_995]), np.array([100, 100])
    found = list(read_windows(raster, ends, ends, half_rows=half, half_cols=half))
    assert [windows.shape for _, windows in found] == [(1, 201, 201)] * 2


def test_a_thinned_array_keeps_its_extent(tmp_path: Path, dem: Path) -> None:
    """A raster thinned to be drawn covers the same ground."""
    raster = open_raster("elevation", said(dem.name), folder=tmp_path)
    values, t = read_array(raster, max_cells=150)
    assert values.shape == (10, 15)
    assert (t.c + t.a * 15, t.f + t.e * 10) == (500_600, 5_599_600)


def test_a_raster_from_0_to_360_degrees(tmp_path: Path) -> None:
    """A western point is found in a raster whose longitudes run from 0 to 360."""
    t = Affine(1, 0, 0, 0, -1, 90)
    write_raster(tmp_path / "a.tif", np.ones((180, 360)), crs="EPSG:4326", transform=t)
    raster = open_raster("canopy", said("a.tif"), folder=tmp_path)
    row, col = cells_at(points([-117.5, 117.5], [49.5, 49.5]), raster)
    np.testing.assert_allclose((row, col), [[40.5, 40.5], [242.5, 117.5]])


def test_x_comes_before_y_whatever_the_crs_says() -> None:
    """EPSG:4267 names latitude first and still gives longitude as x."""
    x, y = to_layer_xy(points([-115.0, np.nan], [50.0, np.nan]), CRS("EPSG:4267"))
    assert x[0] == pytest.approx(-115, abs=0.01)
    assert y[0] == pytest.approx(50, abs=0.01)
    assert np.isnan([x[1], y[1]]).all()


def test_points_may_be_in_any_crs_but_must_have_one() -> None:
    """The same places in UTM and in degrees fall on the same spot of a layer; without CRS they are refused."""
    degrees = points([-115.5, -115.4], [43.5, 43.6])
    for there in (degrees, degrees.to_crs(32611), degrees.to_crs(5070)):
        x, y = to_layer_xy(there, CRS.from_epsg(32611))
        expected = degrees.to_crs(32611).geometry
        assert x == pytest.approx(expected.x, abs=1e-4)
        assert y == pytest.approx(expected.y, abs=1e-4)
    with pytest.raises(LayerError, match="no CRS"):
        to_layer_xy(degrees.set_crs(None, allow_override=True), CRS.from_epsg(32611))


@pytest.mark.parametrize("crs", ["EPSG:32611", "EPSG:5070", "EPSG:3857", "EPSG:4326", "EPSG:2229"])
def test_the_lattice_of_scales_is_the_jacobian(crs) -> None:
    """Between the nodes over 300 km the Jacobian is off by at most 1e-7 of its size."""
    rng = np.random.default_rng(5)
    lon, lat = rng.uniform(-118, -115, 6000), rng.uniform(33, 36, 6000)
    x, y = to_layer_xy(points(lon, lat), CRS.from_user_input(crs))
    found = GroundScales(x, y, CRS.from_user_input(crs), points=len(x)).at(x, y)
    exact = ground_jacobian(lon, lat, CRS.from_user_input(crs))
    assert np.abs(found - exact).max() < 1.5e-7 * np.abs(exact).max()


@pytest.mark.parametrize(
    ("crs", "lon", "lat"),
    [(UTM, -110, 60), ("EPSG:5070", -70, 45), ("EPSG:2263", -74, 40.7), ("EPSG:3035", 20, 60)],
)
def test_jacobian_is_that_of_proj(crs: str, lon: float, lat: float) -> None:
    """Scale along the meridian and the parallel, and convergence, are those of PROJ's own derivatives."""
    [[[xe, xn], [ye, yn]]] = ground_jacobian([lon], [lat], CRS(crs))
    unit = CRS(crs).axis_info[0].unit_conversion_factor
    known = Proj(crs).get_factors(lon, lat)
    assert np.hypot(xn, yn) * unit == pytest.approx(known.meridional_scale, rel=1e-8)
    assert np.hypot(xe, ye) * unit == pytest.approx(known.parallel_scale, rel=1e-8)
    assert np.degrees(np.arctan2(-xn, yn)) == pytest.approx(known.meridian_convergence, abs=1e-7)


def test_jacobian_gives_utm_convergence_and_scale() -> None:
    """33.3 N 44.4 E in zone 38N: convergence -0.329422222, scale 0.999638469 (GeographicLib 2.1.2)."""
    [[_, xn], [_, yn]] = ground_jacobian([44.4], [33.3], CRS("EPSG:32638"))[0]
    assert np.degrees(np.arctan2(-xn, yn)) == pytest.approx(-0.329422222, abs=2e-9)
    assert np.hypot(xn, yn) == pytest.approx(0.999638469, abs=2e-9)


def test_jacobian_of_web_mercator_is_that_of_the_ellipsoid() -> None:
    """Web Mercator stretches a metre to the north more than one to the east: a^2 against radii N, M."""
    [[[xe, _], [_, yn]]] = ground_jacobian([10.0], [45.0], CRS("EPSG:3857"))
    # a = 6378137, N(45) = 6388838.29, M(45) = 6367381.82: WGS 84, computed by hand from its defining values
    sec = 1 / np.cos(np.radians(45))
    assert xe == pytest.approx(sec * 6378137 / 6388838.29, rel=1e-8)
    assert yn == pytest.approx(sec * 6378137 / 6367381.82, rel=1e-8)


def test_a_large_file_is_known_by_its_size_and_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above the bound, a change of size or at an end changes the fingerprint."""
    monkeypatch.setattr(layers, "WHOLE_HASH_BYTES", 1000)
    monkeypatch.setattr(layers, "END_HASH_BYTES", 100)
    prints = []
    for content in (b"a" * 2000, b"a" * 2001, b"a" * 1999 + b"b", b"b" + b"a" * 1999):
        (tmp_path / "x").write_bytes(content)
        prints.append(layers.fingerprint(tmp_path / "x"))
    assert len(set(prints)) == 4


def test_a_shapefile_is_known_by_all_its_parts(tmp_path: Path) -> None:
    """A changed attribute table changes a shapefile's fingerprint."""
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[Point(0, 0)], crs=UTM)
    frame.to_file(tmp_path / "x.shp")
    before = layers.fingerprint(tmp_path / "x.shp")
    frame.assign(a=2).to_file(tmp_path / "x.shp")
    assert layers.fingerprint(tmp_path / "x.shp") != before


def test_layers_of_a_geopackage_must_be_named(tmp_path: Path) -> None:
    """A file with two layers is refused with their names, and read when one is named."""
    frame = gpd.GeoDataFrame(geometry=[LineString([(0, 0), (1, 1)])], crs=UTM)
    for layer in ("trails", "highways"):
        frame.to_file(tmp_path / "a.gpkg", layer=layer)
    with pytest.raises(LayerError, match=r"has 2 layers; name one .*: trails, highways"):
        open_features("roads", said("a.gpkg"), folder=tmp_path)
    with pytest.raises(LayerError, match="no layer 'rails'; its layers: trails, highways"):
        open_features("roads", said("a.gpkg", layer="rails"), folder=tmp_path)
    assert open_features("roads", said("a.gpkg", layer="trails"), folder=tmp_path).layer == "trails"


def test_the_wrong_kind_of_geometry_is_counted(tmp_path: Path) -> None:
    """A boundary of points and lines is refused with what was found."""
    shapes = [Point(0, 0), Point(1, 1), LineString([(0, 0), (1, 1)]), box(0, 0, 1, 1)]
    gpd.GeoDataFrame(geometry=shapes, crs=UTM).to_file(tmp_path / "a.gpkg")
    with pytest.raises(LayerError, match="expected polygon geometries, found 2 point, 1 line of 4 features"):
        open_features("boundary", said("a.gpkg"), folder=tmp_path)


def test_an_empty_layer_a_table_and_a_text_are_refused(tmp_path: Path) -> None:
    """A layer without features, without geometry, or that is no layer at all, is told."""
    gpd.GeoDataFrame(geometry=[Point()], crs=UTM).to_file(tmp_path / "a.gpkg")
    (tmp_path / "b.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    (tmp_path / "c.gpkg").write_text("no layer", encoding="utf-8")
    for name, fault in (("a.gpkg", "no features"), ("b.csv", "no geometry"), ("c.gpkg", "cannot be read")):
        with pytest.raises(LayerError, match=fault):
            open_features("roads", said(name), folder=tmp_path)


def test_a_layer_without_crs_takes_the_stated_one() -> None:
    """Real counties (libpysal's sids2), whose file does not say its CRS."""
    with pytest.raises(LayerError, match=r"no CRS; give one as `crs` in \[layers.urban\]"):
        open_features("urban", said("sids2/sids2.shp"), folder=EXAMPLES)
    features = open_features("urban", said("sids2/sids2.shp", crs="EPSG:4267"), folder=EXAMPLES)
    assert features.frame.crs == CRS("EPSG:4267")
    assert (len(features.frame), features.left_out) == (100, 0)


def test_features_that_cannot_be_drawn_are_counted() -> None:
    """Real buildings (pyrosm's OpenStreetMap extract), a few of which are rings of two corners."""
    folder = Path(pyrosm.__file__).parent / "data"
    features = open_features("buildings", said("test.osm.pbf", layer="multipolygons"), folder=folder)
    assert len(features.frame) == 2294
    assert features.left_out == 8


# --- files that are no local files ---------------------------------------------------------------


def lakes() -> gpd.GeoDataFrame:
    """Two areas, one with a hole in its attributes."""
    return gpd.GeoDataFrame({"name": ["a", None]}, geometry=[box(0, 0, 1, 1), box(2, 0, 3, 1)], crs=4326)


@pytest.fixture(params=["vsizip", "vsicurl"])
def elsewhere(request: pytest.FixtureRequest, dem: Path) -> Iterator[str]:
    """What GDAL calls the folder of the raster and some areas, in an archive and on a server."""
    lakes().to_file(dem.with_name("lakes.gpkg"))
    if request.param == "vsicurl":
        with served(dem.parent) as address:
            yield address
        return
    with zipfile.ZipFile(dem.with_name("all.zip"), "w") as archive:
        for name in ("dem.tif", "lakes.gpkg"):
            archive.write(dem.with_name(name), name)
    yield f"/vsizip/{{{dem.with_name('all.zip')}}}/"


def test_a_raster_elsewhere_has_the_values_of_the_local_file(dem: Path, elsewhere: str) -> None:
    """Grid and windows, from an archive and from a server."""
    local, far = (
        open_raster("elevation", said(path), folder=dem.parent) for path in ("dem.tif", f"{elsewhere}dem.tif")
    )
    assert (far.shape, far.transform, far.crs) == (local.shape, local.transform, local.crs)
    x, y = T10 * np.random.default_rng(0).uniform(0, [60, 40], (200, 2)).T
    spots = gpd.GeoDataFrame(geometry=gpd.points_from_xy(x, y), crs=UTM).to_crs(4326)
    here, there = (slope_aspect_at(spots, raster) for raster in (local, far))
    assert here["slope_deg"].notna().sum() > 100
    pd.testing.assert_frame_equal(there, here, check_exact=True)


def test_areas_elsewhere_are_those_of_the_local_file(dem: Path, elsewhere: str) -> None:
    """Features are read whole; another attribute or shape is another layer."""
    local, far = (
        open_features("urban_edges", said(path), folder=dem.parent) for path in ("lakes.gpkg", f"{elsewhere}lakes.gpkg")
    )
    assert far.frame.equals(local.frame)
    changed = [
        lakes(),
        lakes().assign(name=["a", "b"]),
        lakes().translate(1).to_frame("geometry"),
        lakes().to_crs(3857),
    ]
    prints = {layers._fingerprint_of_features(frame) for frame in changed}
    assert len(prints) == 4
    assert far.fingerprint in prints


@pytest.mark.parametrize("what", ["dem2.tif", "lakes2.gpkg"])
def test_nothing_at_an_address(dem: Path, elsewhere: str, what: str) -> None:
    """One error that asks for the right address."""
    opened = open_raster if what.endswith("tif") else open_features
    with pytest.raises(LayerError, match=r"2\.\w+ cannot be read .*is the address right"):
        opened("urban_edges", said(elsewhere + what), folder=dem.parent)


def test_two_slashes_are_refused(tmp_path: Path) -> None:
    """A path would lose one of them."""
    with pytest.raises(LayerError, match="write /vsicurl"):
        open_raster("elevation", said("/vsicurl/http://127.0.0.1/dem.tif"), folder=tmp_path)


def test_a_raster_elsewhere_is_known_by_its_header_and_first_and_last_block(tmp_path: Path) -> None:
    """The same content has the same mark at any address; other ends, nodata, place or tags have others."""
    heights = np.arange(300.0 * 300).reshape(300, 300)  # written in several strips
    first, last = heights.copy(), heights.copy()
    first[0, 4], last[299, 60] = -1, -1
    kinds = {
        "same": (heights, T10, {}), "first": (first, T10, {}), "last": (last, T10, {}),
        "nodata": (heights, T10, {"nodata": -9.0}), "moved": (heights, T10 * Affine.translation(1, 0), {}),
    }  # fmt: skip
    for name, (values, transform, more) in ({"whole": kinds["same"]} | kinds).items():
        write_raster(tmp_path / f"{name}.tif", values, crs=UTM, transform=transform, **more)
    with served(tmp_path) as address:
        marks = {
            name: open_raster("elevation", said(f"{address}{name}.tif"), folder=tmp_path).fingerprint
            for name in ("whole", *kinds)
        }
    assert marks.pop("whole") == marks["same"]
    assert len(set(marks.values())) == len(kinds)
