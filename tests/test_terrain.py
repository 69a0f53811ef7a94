"""Slope, aspect and their kin: windows worked by hand, closed forms, GDAL, and a real DEM."""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import matplotlib.cbook
import numpy as np
import pandas as pd
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj, Transformer

from densite import blocks, terrain, testing
from densite.discs import cell_size
from densite.errors import LayerError
from densite.layers import Points, Raster, cells_at, ground_jacobian, open_raster, to_layer_xy
from densite.settings import LayerSettings
from densite.terrain import (
    agreement,
    aspect_deg,
    direct_radiation,
    gradient,
    heat_load,
    hillshade,
    metres_per_unit,
    slope_deg,
    slope_grid,
    terrain_at,
)
from densite.testing import Grid, cone, plane, ridge, write_raster

GRIDS = {
    "UTM far from its meridian": Grid("EPSG:32611", -112.2, 55.0, 10.0, size=61),
    "UTM, rows from the south": Grid("EPSG:32611", -112.2, 55.0, 10.0, size=61, south_up=True),
    "Web Mercator": Grid("EPSG:3857", -110.0, 60.0, 20.0, size=61),
    "state plane in US feet": Grid("EPSG:2263", -74.4, 40.6, 30.0, size=61),
    "Albers": Grid("EPSG:5070", -70.0, 45.0, 10.0, size=61),
    "degrees": Grid("EPSG:4326", -110.0, 55.0, (0.0002, 0.0001), size=61),
}
NE_DEG = list(range(0, 360, 45))


def dem_of(folder: Path, heights: np.ndarray, grid: Grid, **known: object) -> Raster:
    """Write heights on a grid and open them."""
    settings = LayerSettings.model_validate({"path": "dem.tif"} | known)
    write_raster(folder / "dem.tif", heights, crs=grid.crs, transform=grid.transform, dtype="float64", nodata=-9)
    return open_raster("elevation", settings, folder=folder)


def angle(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """The smaller angle between bearings. [deg]"""
    return np.abs((np.asarray(a) - np.asarray(b) + 180) % 360 - 180)


def test_steep_window_by_hand() -> None:
    """75.25762 degrees, worked by hand from Horn's formula (checks/terrain.md).

    The hand took 1.31349 for the arctangent, so its fourth decimal is not exact.
    """
    east, north = gradient([[50, 45, 50], [30, 30, 30], [8, 10, 10]], cell_x=5, cell_y=5)
    assert (east, north) == (pytest.approx(0.05), pytest.approx(3.8))  # q = -3.8 with rows counted downward
    assert slope_deg(east, north) == pytest.approx(75.25762, abs=5e-5)


def test_east_window_by_hand() -> None:
    """92.64 degrees, worked by hand from Horn's formula; gdaldem 3.6.2 agrees (checks/terrain.md)."""
    east, north = gradient([[101, 92, 85], [101, 92, 85], [101, 91, 84]], cell_x=1, cell_y=1)
    assert (east, north) == (pytest.approx(-8.125), pytest.approx(0.375))
    assert aspect_deg(east, north) == pytest.approx(92.64, abs=0.005)


@pytest.mark.parametrize("method", ["horn", "zevenbergen-thorne"])
@pytest.mark.parametrize("hole", range(9))
def test_any_missing_cell_leaves_no_slope(method: str, hole: int) -> None:
    """A nodata cell anywhere in the window, its middle included, never yields a slope."""
    window = np.arange(9.0)
    window[hole] = np.nan
    assert np.isnan(gradient(window.reshape(3, 3), cell_x=1, cell_y=1, method=method)).all()


@settings(derandomize=True, deadline=None)
@given(st.integers(-9000, 9000), st.sampled_from([0.1, 0.3048, 1200 / 3937]), st.integers(1, 50))
def test_ground_that_is_flat_in_the_file_is_flat_in_metres(height: int, unit: float, step: int) -> None:
    """Unequal whole feet whose weighted sums are equal leave no slope from rounding, and no aspect."""
    window = np.array([[0, step, 0], [0, 0, 0], [step, 0, step]]) + height
    slopes = gradient(window * unit, cell_x=10, cell_y=10)
    assert slopes == (0, 0)
    assert np.isnan(aspect_deg(*slopes))


def test_aspect_stays_below_360() -> None:
    """A fall a hair west of north is 0, never 360."""
    assert aspect_deg(1e-20, -1.0) == 0.0
    np.testing.assert_allclose(aspect_deg([0, -1, 0, 1], [-1, 0, 1, 0]), [0, 90, 180, 270])


def test_unknown_methods_and_shapes() -> None:
    """A method that does not exist, or windows of another size, are refused."""
    with pytest.raises(LayerError, match="allowed: horn"):
        gradient(np.ones((3, 3)), cell_x=1, cell_y=1, method="sobel")  # type: ignore[arg-type]
    with pytest.raises(LayerError, match="3, 3"):
        gradient(np.ones((5, 5)), cell_x=1, cell_y=1)


@pytest.mark.parametrize("grid", GRIDS.values(), ids=GRIDS.keys())
@pytest.mark.parametrize("method", ["horn", "zevenbergen-thorne"])
def test_tilted_planes(tmp_path: Path, grid: Grid, method: str) -> None:
    """A plane of 25 degrees that falls to a true bearing has that slope and aspect in any CRS."""
    for aspect in NE_DEG:
        dem = dem_of(tmp_path, plane(*grid.ground(), slope_deg=25, aspect_deg=aspect), grid)
        found = terrain_at(grid.points(), dem, method=method, position_radius_m=50).iloc[0]
        assert found["slope_deg"] == pytest.approx(25, abs=1e-6)
        assert angle(found["aspect_deg"], aspect) < 1e-6
        assert found["elevation_m"] == pytest.approx(1000)
        assert found["topographic_position_m"] == pytest.approx(0, abs=1e-3)
        assert found["reason"] == ""


@pytest.mark.parametrize("grid", GRIDS.values(), ids=GRIDS.keys())
def test_cone(tmp_path: Path, grid: Grid) -> None:
    """Around a cone the aspect is the bearing from its summit."""
    dem = dem_of(tmp_path, cone(*grid.ground(), slope_deg=30), grid)
    east, north = 150 * np.sin(np.radians(NE_DEG)), 150 * np.cos(np.radians(NE_DEG))
    points = grid.points(east.tolist(), north.tolist())
    found = terrain_at(points, dem, position_radius_m=30)
    # the window belongs to the cell's middle, up to half a diagonal off the point, and the cone
    # bends within it: the tolerances are a cell's size at 150 m
    np.testing.assert_allclose(found["slope_deg"], 30, atol=0.2)
    assert (angle(found["aspect_deg"], NE_DEG) < 4.5).all()


def test_position_on_a_ridge(tmp_path: Path) -> None:
    """A crest stands tan(slope) 4 r / (3 pi) above the mean of its disc; a valley the same below."""
    grid = Grid("EPSG:32611", -112.2, 55.0, 5.0, size=101)
    heights = ridge(*grid.ground(), slope_deg=25, bearing_deg=30)
    expected = np.tan(np.radians(25)) * 4 * 200 / (3 * np.pi)
    crest = terrain_at(grid.points(), dem_of(tmp_path, heights, grid), position_radius_m=200)
    valley = terrain_at(grid.points(), dem_of(tmp_path, -heights, grid), position_radius_m=200)
    assert crest["topographic_position_m"].iloc[0] == pytest.approx(expected, rel=1e-3)
    assert valley["topographic_position_m"].iloc[0] == pytest.approx(-expected, rel=1e-3)


@pytest.mark.parametrize(
    ("unit", "metres"),
    [("ft", 0.3048), ("us-ft", 1200 / 3937), ("US survey foot", 1200 / 3937), ("m", 1), (None, 1)],
)
def test_vertical_units(tmp_path: Path, unit: str | None, metres: float) -> None:
    """Heights in feet give the slope of the ground (0.3048 and 1200/3937 m: NIST SP 811)."""
    grid = GRIDS["state plane in US feet"]
    heights = plane(*grid.ground(), slope_deg=25, aspect_deg=100) / metres
    dem = dem_of(tmp_path, heights, grid, unit=unit)
    found = terrain_at(grid.points(), dem, position_radius_m=50).iloc[0]
    assert found["slope_deg"] == pytest.approx(25, abs=1e-6)
    assert found["elevation_m"] == pytest.approx(1000)
    assert found["topographic_position_m"] == pytest.approx(0, abs=1e-3)


def test_an_unknown_unit_is_refused(tmp_path: Path) -> None:
    """A unit that is no length is told with what is allowed."""
    grid = GRIDS["degrees"]
    dem = dem_of(tmp_path, np.ones((61, 61)), grid, unit="fathom?")
    with pytest.raises(LayerError, match="'fathom\\?'; allowed: m, ft, us-ft"):
        metres_per_unit(dem)


def test_map_distances_keep_true_north(tmp_path: Path) -> None:
    """On request slopes are those of the map, too gentle by Mercator's scale; aspect stays true."""
    grid = GRIDS["Web Mercator"]
    dem = dem_of(tmp_path, plane(*grid.ground(), slope_deg=25, aspect_deg=90), grid)
    found = terrain_at(grid.points(), dem, distances="map", position_radius_m=50).iloc[0]
    # at 60 deg north a metre to the east is 1 / cos(60) = 2 on the sphere, a / N = 0.99749 of that here
    assert np.tan(np.radians(found["slope_deg"])) == pytest.approx(np.tan(np.radians(25)) / 1.99498, rel=1e-4)
    assert found["aspect_deg"] == pytest.approx(90, abs=1e-6)
    with pytest.raises(LayerError, match="in degrees"):
        terrain_at(points_at(0, 0), dem_of(tmp_path, np.ones((61, 61)), GRIDS["degrees"]), distances="map")


def points_at(lon: float, lat: float) -> gpd.GeoDataFrame:
    """One point."""
    return gpd.GeoDataFrame(geometry=gpd.points_from_xy([lon], [lat]), crs=4326)


def test_what_is_missing_is_told(tmp_path: Path) -> None:
    """Edge, hole, outside, flat and no coordinates: missing values with reasons, other values kept."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=41)
    heights = np.full((41, 41), 700.0)
    heights[20, 20] = np.nan  # in the middle
    points = grid.points([0, 10, 200, 900, -100, np.nan], [0, 0, 0, 0, 0, np.nan])
    points.index = list("abcdef")
    found = terrain_at(points, dem_of(tmp_path, heights, grid), position_radius_m=25)
    reasons = {
        "a": "nodata",
        "b": "nodata beside the cell: no slope; gap in the disc of 25 m: no position",
        "c": "at the raster's edge: no slope; gap in the disc of 25 m: no position",
        "d": "outside the raster",
        "e": "flat: no aspect",
        "f": "no coordinates",
    }
    assert found["reason"].to_dict() == reasons
    assert found["elevation_m"].isna().tolist() == [True, False, False, True, False, True]
    assert found["slope_deg"].isna().tolist() == [True, True, True, True, False, True]
    assert found.loc["e", "slope_deg"] == 0
    assert np.isnan(found.loc["e", "aspect_deg"])
    assert found.loc["e", "heat_load"] == found.loc["e", "direct_radiation"]


def test_no_heat_load_beyond_60_north(tmp_path: Path) -> None:
    """North of the equations' limit the values are missing and the reason says so."""
    grid = Grid("EPSG:32611", -117.0, 61.0, 10.0, size=21)
    dem = dem_of(tmp_path, plane(*grid.ground(), slope_deg=10, aspect_deg=45), grid)
    found = terrain_at(grid.points(), dem, position_radius_m=50).iloc[0]
    assert np.isnan([found["heat_load"], found["direct_radiation"]]).all()
    assert found["slope_deg"] == pytest.approx(10)
    assert found["reason"] == "latitude beyond 0..60 deg north: no heat load or direct radiation"


@pytest.mark.parametrize(("slope", "aspect", "value"), [(30, 0, -0.889), (30, 180, -0.005), (0, np.nan, -0.202)])
def test_mccune_keon_table_2(slope: float, aspect: float, value: float) -> None:
    """Latitude 40, equation 2: table 2 of McCune & Keon 2002 as public code quotes it."""
    assert direct_radiation(40, slope, aspect, equation=2) == pytest.approx(value, abs=5e-4)


@pytest.mark.parametrize("equation", [1, 2, 3])
def test_heat_load_is_folded_about_north_east_to_south_west(equation: int) -> None:
    """Heat load is even about the south-west and higher there; radiation is even about the south."""
    bearings = np.arange(0.0, 360.0, 15.0)
    heat = heat_load(45, 30, bearings, equation=equation)
    assert heat_load(45, 30, 225, equation=equation) > heat_load(45, 30, 135, equation=equation)
    np.testing.assert_allclose(heat, heat_load(45, 30, (450 - bearings) % 360, equation=equation))
    light = direct_radiation(45, 30, bearings, equation=equation)
    np.testing.assert_allclose(light, direct_radiation(45, 30, (360 - bearings) % 360, equation=equation))
    np.testing.assert_allclose(heat, direct_radiation(45, 30, bearings - 45, equation=equation))


def test_the_three_equations_agree_roughly() -> None:
    """Fitted to the same data, they differ by under a fifth where all three hold."""
    light = [direct_radiation(45, [5, 20, 35], [90, 180, 135], equation=e) for e in (1, 2, 3)]
    np.testing.assert_allclose(np.exp(light[0]), np.exp(light[1]), rtol=0.2)
    np.testing.assert_allclose(np.exp(light[1]), light[2], rtol=0.2)


@pytest.mark.parametrize(
    ("equation", "latitude", "slope"),
    [(1, 61, 10), (1, -5, 10), (2, 40, 61), (3, 29, 10), (3, 40, 61), (1, 40, 91), (1, np.nan, 10)],
)
def test_outside_their_limits_there_is_no_value(equation: int, latitude: float, slope: float) -> None:
    """Beyond the latitudes and slopes of the paper the result is missing."""
    assert np.isnan(heat_load(latitude, slope, 90, equation=equation))
    assert np.isnan(direct_radiation(latitude, slope, 90, equation=equation))


def test_there_is_no_fourth_equation() -> None:
    """An equation that the paper does not have is refused."""
    with pytest.raises(LayerError, match="1, 2 and 3"):
        heat_load(40, 10, 90, equation=4)  # type: ignore[arg-type]


def test_field_against_dem() -> None:
    """Differences are observed minus derived, around north the short way, flagged beyond the tolerance."""
    observed = pd.DataFrame({"s": [20.0, 35, np.nan, 5], "a": [350.0, 10, 90, 0]}, index=list("wxyz"))
    derived = pd.DataFrame({"s": [22.0, 20, 10, 5], "a": [20.0, 340, np.nan, 180]}, index=list("wxyz"))
    found = agreement(
        observed["s"], observed["a"], derived["s"], derived["a"], slope_tolerance_deg=10,
        aspect_tolerance_deg=45,
    )  # fmt: skip
    assert list(found.index) == list("wxyz")
    np.testing.assert_allclose(found["slope_difference_deg"], [-2, 15, np.nan, 0])
    np.testing.assert_allclose(found["aspect_difference_deg"], [-30, 30, np.nan, -180])
    assert found["slope_flag"].tolist() == [False, True, False, False]
    assert found["aspect_flag"].tolist() == [False, False, False, True]


@dataclass
class Real:
    """A real DEM as a file of 90 m cells in UTM, and its heights."""

    path: Path
    heights: np.ndarray


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Real:
    """The DEM that matplotlib carries (jacksboro_fault_dem.npz), taken as 90 m square cells."""
    heights = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")["elevation"]
    transform = Affine(90, 0, 700_000, 0, -90, 4_070_000)
    path = tmp_path_factory.mktemp("real") / "dem.tif"
    return Real(write_raster(path, heights, crs="EPSG:32616", transform=transform, dtype="int16"), heights)


def gdaldem(real: Real, what: str, *options: str) -> np.ndarray:
    """Run GDAL's own terrain program; NaN where it has no value."""
    program = shutil.which("gdaldem")
    if program is None:
        told = "gdaldem (Debian gdal-bin) is not installed"
        if os.environ.get("CI") == "true":
            pytest.fail(told)
        pytest.skip(told)
    target = real.path.with_name(f"{what}{len(options)}.tif")
    subprocess.run([program, what, real.path, target, "-q", *options], check=True)
    with rasterio.open(target) as source:
        return source.read(1, masked=True).astype(float).filled(np.nan)


@pytest.mark.parametrize(("method", "options"), [("horn", ()), ("zevenbergen-thorne", ("-alg", "ZevenbergenThorne"))])
def test_slope_and_aspect_are_those_of_gdaldem(real: Real, method: str, options: tuple[str, ...]) -> None:
    """On a real DEM slope agrees with gdaldem to 1e-5 deg and aspect to 1e-4 deg; flat cells have none."""
    windows = np.lib.stride_tricks.sliding_window_view(real.heights.astype(float), (3, 3))
    rises = gradient(windows, cell_x=90, cell_y=90, method=method)
    slope, aspect = gdaldem(real, "slope", *options), gdaldem(real, "aspect", *options)
    np.testing.assert_allclose(slope_deg(*rises), slope[1:-1, 1:-1], atol=1e-5)
    ours, theirs = aspect_deg(*rises), aspect[1:-1, 1:-1]
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    assert np.nanmax(angle(ours, theirs)) < 1e-4
    if method == "horn":
        assert np.isnan(ours).sum() == 235  # checks/terrain.md


def test_points_on_a_real_dem_agree_with_gdaldem(real: Real) -> None:
    """From points to values with map distances: gdaldem's slope, and its aspect plus the convergence."""
    rows, cols = (a.ravel() for a in np.meshgrid(np.arange(1, 343, 9), np.arange(1, 402, 9)))
    lon, lat = Transformer.from_crs(32616, 4326, always_xy=True).transform(
        700_000 + 90 * (cols + 0.5), 4_070_000 - 90 * (rows + 0.5)
    )
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)
    dem = open_raster("elevation", LayerSettings(path="dem.tif"), folder=real.path.parent)
    found = terrain_at(points, dem, distances="map", position_radius_m=100)
    convergence = Proj(CRS(32616)).get_factors(lon, lat).meridian_convergence
    np.testing.assert_allclose(found["elevation_m"], real.heights[rows, cols])
    np.testing.assert_allclose(found["slope_deg"], gdaldem(real, "slope")[rows, cols], atol=1e-5)
    assert np.nanmax(angle(found["aspect_deg"], gdaldem(real, "aspect")[rows, cols] + convergence)) < 1e-4
    assert np.abs(convergence).min() > 1.0


def test_the_real_dem_in_degrees(real: Real, tmp_path: Path) -> None:
    """Its own grid of 1/1200 degree: cells of 74.4-74.7 x 92.5 m, mean slope 12.833 deg.

    Source of the values: checks/terrain.md.
    """
    step = 0.00083333
    t = Affine(step, 0, -84.41375, 0, -step, 36.73291667)  # the file's ymin and ymax are swapped
    write_raster(tmp_path / "dem.tif", real.heights, crs="EPSG:4326", transform=t, dtype="int16")
    dem = open_raster("elevation", LayerSettings(path="dem.tif"), folder=tmp_path)
    rows, cols = (a.ravel() for a in np.meshgrid(np.arange(1, 343), np.arange(1, 402)))
    lon, lat = t.c + step * (cols + 0.5), t.f - step * (rows + 0.5)
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)
    high, wide = cell_size(points, dem)
    assert (wide.min(), wide.max()) == (pytest.approx(74.4, abs=0.05), pytest.approx(74.7, abs=0.05))
    assert (high.min(), high.max()) == (pytest.approx(92.5, abs=0.05), pytest.approx(92.5, abs=0.05))
    found = terrain_at(points, dem, position_radius_m=40)
    assert found["slope_deg"].mean() == pytest.approx(12.833, abs=5e-4)
    assert found["aspect_deg"].isna().sum() == 235


def test_the_two_estimators_differ(real: Real) -> None:
    """On the real DEM Horn's slope and Zevenbergen and Thorne's differ by 0.77 deg (checks/terrain.md)."""
    windows = np.lib.stride_tricks.sliding_window_view(real.heights.astype(float), (3, 3))
    horn, four = (slope_deg(*gradient(windows, cell_x=90, cell_y=90, method=m)) for m in ("horn", "zevenbergen-thorne"))
    assert np.abs(horn - four).mean() == pytest.approx(0.77, abs=0.005)


def test_grids_to_be_drawn_are_those_of_gdaldem(real: Real) -> None:
    """Slope grid and hillshade agree with gdaldem, which scales the cosine to 1..255 and rounds it."""
    slope = slope_grid(real.heights, cell_x=90, cell_y=90)
    np.testing.assert_allclose(slope[1:-1, 1:-1], gdaldem(real, "slope")[1:-1, 1:-1], atol=1e-5)
    shade = hillshade(real.heights, cell_x=90, cell_y=90)
    assert np.isnan(shade[0]).all()
    assert np.isnan(shade[:, -1]).all()
    theirs = gdaldem(real, "hillshade")[1:-1, 1:-1]
    assert np.abs(1 + 254 * shade[1:-1, 1:-1] - theirs).max() < 1.0
    assert np.isnan(hillshade([[1.0, 2.0]], cell_x=1, cell_y=1)).all()


@dataclass
class Rough:
    """Random ground with nodata and flat parts in small tiles, its heights, and points on and off it."""

    dem: Raster
    heights: np.ndarray
    points: Points


def rough(folder: Path, crs: str, count: int) -> Rough:
    """Make such ground."""
    rng = np.random.default_rng(3)
    grid = testing.Grid(crs, -117.0, 34.0, 0.001 if crs == "EPSG:4326" else 100.0, size=201)
    heights = np.round(rng.normal(size=(201, 201)).cumsum(axis=0).cumsum(axis=1) / 50).astype("float32")
    heights[rng.random(heights.shape) < 0.02] = -9999
    with rasterio.open(
        folder / "a.tif", "w", driver="GTiff", height=201, width=201, count=1, dtype="float32", crs=crs, nodata=-9999,
        transform=grid.transform, tiled=True, blockxsize=32, blockysize=32,
    ) as target:  # fmt: skip
        target.write(heights, 1)
    t = grid.transform
    x, y = (
        rng.uniform(t.c - t.a, t.c + 202 * t.a, count),
        rng.uniform(t.f + 202 * t.e, t.f - t.e, count),
    )
    dem = open_raster("elevation", LayerSettings(path="a.tif"), folder=folder)
    return Rough(dem, np.where(heights == -9999, np.nan, heights.astype(float)), Points(x, y, CRS(crs)))


def plainly(ground: Rough, method: str) -> np.ndarray:
    """Elevation, slope and aspect from the whole array, with every point's own Jacobian."""
    row, col = (np.floor(v).astype(int) for v in cells_at(ground.points, ground.dem))
    inside = (row >= 0) & (row < 201) & (col >= 0) & (col < 201)
    padded = np.pad(ground.heights, 3, constant_values=np.nan)
    row, col = np.where(inside, row, -2), np.where(inside, col, -2)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (3, 3))[row + 2, col + 2]
    t = ground.dem.transform
    rises = np.stack(gradient(windows, cell_x=abs(t.a), cell_y=abs(t.e), method=method), axis=1)
    lon, lat = to_layer_xy(ground.points, CRS(4326))
    east, north = np.einsum("nij,ni->jn", ground_jacobian(lon, lat, ground.dem.crs), rises)
    return np.stack([windows[:, 1, 1], slope_deg(east, north), aspect_deg(east, north)], axis=1)


@pytest.mark.parametrize("method", ["horn", "zevenbergen-thorne"])
@pytest.mark.parametrize("crs", ["EPSG:32611", "EPSG:4326", "EPSG:2229"])
@pytest.mark.parametrize(("count", "off_deg"), [(4000, 1e-9), (8000, 5e-6)])
def test_blocks_give_the_values_of_the_whole_array(tmp_path, monkeypatch, method, crs, count, off_deg) -> None:
    """To 1e-9 deg with every point's own Jacobian, to 5e-6 with the lattice of very many points."""
    monkeypatch.setattr(blocks, "LEAST_CELLS", 1)
    ground = rough(tmp_path, crs, count)
    found = terrain.slope_aspect_at(ground.points, ground.dem, method=method)
    expected = plainly(ground, method)
    values = found.iloc[:, :3].to_numpy()
    np.testing.assert_array_equal(np.isnan(values), np.isnan(expected))
    np.testing.assert_array_equal(values[:, 0], expected[:, 0])
    assert np.nanmax(np.abs(values[:, 1] - expected[:, 1])) < off_deg
    assert np.nanmax(angle(values[:, 2], expected[:, 2])) < max(off_deg, 1e-9)


def test_arrays_frames_and_threads_give_the_same(tmp_path, monkeypatch) -> None:
    """Points as arrays or as a frame, one thread or three, small blocks joined or not: equal to the bit."""
    ground = rough(tmp_path, "EPSG:32611", 8000)
    p = ground.points
    frame = gpd.GeoDataFrame(geometry=gpd.points_from_xy(p.x, p.y), crs=p.crs, index=np.arange(8000)[::-1])
    once = terrain.slope_aspect_at(frame, ground.dem, threads=1)
    again = terrain.slope_aspect_at(Points(p.x, p.y, p.crs, frame.index), ground.dem, threads=3)
    pd.testing.assert_frame_equal(once, again, check_exact=True)
    monkeypatch.setattr(blocks, "LEAST_CELLS", 1)
    apart = terrain.slope_aspect_at(p, ground.dem, threads=2)
    pd.testing.assert_frame_equal(once.reset_index(drop=True), apart, check_exact=True)
