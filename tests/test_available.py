"""Available points: inside and nowhere else, even on the ground, the same for the same seed."""

import json
import sys
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from conftest import STUDY_TOML, write
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from densite import available
from densite.available import available_points
from densite.cli import main
from densite.errors import LayerError, PointsError
from densite.layers import open_raster
from densite.pointfile import write_points
from densite.settings import LayerSettings
from densite.testing import Grid, chequerboard, write_raster

UTM = "EPSG:32611"
X, Y = 500_000.0, 4_800_000.0


def frame(*shapes, crs=UTM, **columns):
    """Polygons as a layer."""
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def star(points=40, radius=8000.0):
    """A jagged area with a hole."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    reach = np.where(np.arange(points) % 2, radius, radius / 3)
    ring = np.c_[X + reach * np.cos(angle), Y + reach * np.sin(angle)]
    return shapely.Polygon(ring, [shapely.Point(X, Y).buffer(500).exterior.coords])


LAKE = shapely.Point(X + 1500, Y + 900).buffer(900)


def xy(points, crs=UTM):
    """Coordinates in a layer's CRS."""
    there = points.to_crs(crs)
    return there.geometry.x.to_numpy(), there.geometry.y.to_numpy()


def test_all_points_lie_in_the_boundary_and_none_in_what_is_left_out() -> None:
    """Asked with shapely's plain predicate of the returned coordinates, one by one."""
    points = available_points(frame(star()), n=3000, seed=7, exclude=[frame(LAKE)])
    assert len(points) == 3000
    assert points.crs == 4326
    x, y = xy(points)
    plain = shapely.points(x, y)
    assert shapely.contains(star(), plain).all()
    assert not shapely.intersects(LAKE, plain).any()


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", UTM])
def test_points_are_even_on_the_ground(crs) -> None:
    """Bands of latitude get points by their geodesic area (Karney's), though Mercator shows them larger northwards."""
    edges = np.linspace(40.0, 60.0, 6)
    bands = [shapely.segmentize(shapely.box(-120, low, -110, high), 0.05) for low, high in pairwise(edges)]
    areas = []
    for band in bands:
        ring = Geodesic.WGS84.Polygon()
        for lon, lat in band.exterior.coords[:-1]:
            ring.AddPoint(lat, lon)
        areas.append(abs(ring.Compute()[2]))
    whole = frame(shapely.segmentize(shapely.box(-120, 40, -110, 60), 0.05), crs=4326).to_crs(crs)
    points = available_points(whole, n=40_000, seed=11)
    counted = np.histogram(points.geometry.y, edges)[0]
    expected = np.array(areas) / sum(areas) * counted.sum()
    assert chisquare(counted, expected).pvalue > 1e-4
    assert chisquare(counted, np.full(5, counted.sum() / 5)).pvalue < 1e-9, "even in degrees would be wrong"


def test_the_same_seed_gives_the_same_points_however_they_are_tried(monkeypatch) -> None:
    """Neither the size of a round nor the number asked for moves a point; another seed moves them all."""
    whole = available_points(frame(star()), n=5000, seed=7, exclude=[frame(LAKE)])
    monkeypatch.setattr(available, "ROUND_TRIES", available.LOT)
    small = available_points(frame(star()), n=5000, seed=7, exclude=[frame(LAKE)])
    few = available_points(frame(star()), n=100, seed=7, exclude=[frame(LAKE)])
    assert whole.geometry.tolist() == small.geometry.tolist()
    assert whole.geometry[:100].tolist() == few.geometry.tolist()
    other = available_points(frame(star()), n=5000, seed=8)
    assert not set(other.geometry.x) & set(whole.geometry.x)


def test_a_slender_area_is_not_searched_for_ever() -> None:
    """A corridor of 20 m across 80 km takes few tries, though it fills 1/2800 of the box round it."""
    corridor = shapely.LineString([(X - 28_000, Y - 28_000), (X + 28_000, Y + 28_000)]).buffer(10)
    points = available_points(frame(corridor), n=1000, seed=2)
    assert shapely.contains_xy(corridor, *xy(points)).all()
    assert points.attrs["available"]["tries"] < 1000 * 2800 / 10
    along = np.histogram(points.geometry.x, 4)[0]
    assert chisquare(along).pvalue > 1e-4


def test_each_female_has_her_points_in_her_area() -> None:
    """Her points do not change when another female is added, or when her area stands in another row."""
    west, east = shapely.box(X, Y, X + 2000, Y + 3000), shapely.box(X + 9000, Y, X + 9500, Y + 400)
    both = available_points(frame(west, east, who=["OB-031", "OB-007"]), n=50, seed=3, female="who")
    alone = available_points(frame(west, who=["OB-031"]), n=50, seed=3, female="who")
    assert both["female"].value_counts().to_dict() == {"OB-031": 50, "OB-007": 50}
    assert both["point_id"].tolist() == list(range(1, 101))
    assert both.loc[both["female"] == "OB-031"].geometry.tolist() == alone.geometry.tolist()
    assert shapely.contains_xy(east, *xy(both[both["female"] == "OB-007"])).all()


def test_a_grid_has_its_spacing_and_its_area() -> None:
    """Each node's nearest is a spacing away on the ground, and there are as many as cells have room."""
    points = available_points(frame(shapely.box(X, Y, X + 5000, Y + 4000)), seed=5, rule="grid", spacing_m=100.0)
    assert len(points) == pytest.approx(5000 * 4000 / 100**2, rel=0.03)
    first, second = points.geometry.iloc[0], points.geometry.iloc[1]
    apart = Geodesic.WGS84.Inverse(first.y, first.x, second.y, second.x)["s12"]
    assert apart == pytest.approx(100.0, rel=1e-5)
    moved = available_points(frame(shapely.box(X, Y, X + 5000, Y + 4000)), seed=6, rule="grid", spacing_m=100.0)
    assert not set(moved.geometry.x) & set(points.geometry.x)


@pytest.fixture
def land_cover(tmp_path):
    """A chequerboard of forest (41) and houses (21), 2.1 km wide."""
    grid = Grid(UTM, -117.0, 43.5, 100.0, size=21)
    path = write_raster(tmp_path / "cover.tif", chequerboard(21), crs=UTM, transform=grid.transform, dtype="uint8")
    return open_raster("land_cover", LayerSettings(path=str(path)), folder=tmp_path)


def test_codes_of_land_cover_are_left_out(land_cover) -> None:
    """Every point is in a cell of the other code; beyond the layer nothing is known, so nothing is drawn."""
    t = land_cover.transform
    wide = shapely.box(t.c - 1000, t.f - 3100, t.c + 3100, t.f + 1000)
    points = available_points(frame(wide), n=2000, seed=1, land_cover=land_cover, exclude_codes=[21])
    x, y = xy(points)
    cells = chequerboard(21)[np.floor((y - t.f) / t.e).astype(int), np.floor((x - t.c) / t.a).astype(int)]
    assert (cells == 41).all()


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-4e4, 4e4), st.floats(-4e4, 4e4)), min_size=3, max_size=9),
    st.integers(0, 2**63), st.sampled_from([UTM, "EPSG:4326", "EPSG:5070"]),
)  # fmt: skip
def test_any_area_holds_its_points(corners, seed, crs) -> None:
    """Hulls of wild corners, in three CRSs: all inside, or one clear error."""
    hull = shapely.MultiPoint([(X + a, Y + b) for a, b in corners]).convex_hull
    if hull.geom_type != "Polygon" or hull.area < 1e-3 * hull.length**2:  # slivers may find no room, and say so
        return
    area = frame(hull).to_crs(crs)
    if not area.geometry.is_valid.all():
        return
    points = available_points(area, n=20, seed=seed)
    assert shapely.contains_xy(area.geometry.iloc[0], *xy(points, crs)).all()


BOX = shapely.box(X, Y, X + 1000, Y + 1000)
BOWTIE = shapely.Polygon([(X, Y), (X + 9, Y + 9), (X + 9, Y), (X, Y + 9)])


@pytest.mark.parametrize(
    ("boundary", "more", "said"),
    [
        (frame(BOX, crs=None), {}, "no CRS"),
        (frame(BOX), {"n": 0}, "expected 1 or more"),
        (frame(BOX), {"n": -4}, "expected 1 or more"),
        (frame(BOX), {"seed": -1}, "expected 0 or more"),
        (frame(BOX), {"spacing_m": 5.0}, "not for both"),
        (frame(BOX), {"rule": "grid"}, "leave out the number"),
        (frame(BOX), {"rule": "grid", "n": None}, "expected metres above 0"),
        (frame(BOX), {"rule": "grid", "n": None, "spacing_m": 1e-9}, "choose a wider one"),
        (frame(BOX), {"rule": "grid", "n": None, "spacing_m": 1e9}, "choose a closer one"),
        (frame(BOX), {"rule": "spiral"}, "allowed: random, grid"),
        (frame(BOX, BOWTIE), {}, "polygon 1 is not valid"),
        (frame(shapely.Point(X, Y)), {}, "holds Point"),
        (frame(shapely.Polygon()), {}, "no polygons"),
        (frame(BOX), {"female": "who"}, "no column 'who'"),
        (frame(BOX, BOX, who=["OB-031", None]), {"female": "who"}, "polygons without a female: 1"),
        (frame(BOX), {"exclude_codes": [11]}, "but no land cover"),
        (frame(BOX), {"exclude": [frame(BOX, crs=None)]}, "to leave out has no CRS"),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_said(boundary, more, said) -> None:
    """One clear error for each kind of bad input."""
    with pytest.raises(PointsError, match=said):
        available_points(boundary, **{"n": 10, "seed": 1} | more)


def test_nothing_left_is_said(monkeypatch) -> None:
    """Everything left out, or all but a hair of it, ends in an error and not in an endless search."""
    monkeypatch.setattr(available, "GIVE_UP_TRIES", 2**14)
    monkeypatch.setattr(available, "MOST_TRIES", 2**20)
    with pytest.raises(PointsError, match="0 hit what is left"):
        available_points(frame(BOX), n=10, seed=1, exclude=[frame(BOX.buffer(10))])
    with pytest.raises(PointsError, match="Leave out less"):
        available_points(frame(BOX), n=10**6, seed=1, exclude=[frame(shapely.box(X, Y, X + 999, Y + 1001))])


def test_broken_polygons_to_leave_out_are_mended() -> None:
    """A bow tie leaves out both of its wings."""
    big = shapely.Polygon([(X, Y), (X + 1000, Y + 1000), (X + 1000, Y), (X, Y + 1000)])
    x, y = xy(available_points(frame(BOX), n=500, seed=1, exclude=[frame(big)]))
    wings = shapely.make_valid(big)
    assert not shapely.intersects_xy(wings, x, y).any()


def test_a_damaged_land_cover_is_said(land_cover) -> None:
    """Points are not silently kept out of the part that cannot be read."""
    area = gpd.GeoDataFrame(geometry=[shapely.box(*land_cover_box(land_cover))], crs=UTM)
    with rasterio.open(land_cover.path) as source:
        raw, profile = source.read(), source.profile | {"compress": "deflate"}
    with rasterio.open(land_cover.path, "w", **profile) as target:
        target.write(raw)
    with rasterio.open(land_cover.path) as source:
        start = int(source.get_tag_item("BLOCK_OFFSET_0_0", "TIFF", bidx=1))
    with land_cover.path.open("r+b") as file:
        file.seek(start)
        file.write(b"broken!!")
    with pytest.raises(LayerError, match="damaged in part"):
        available_points(area, n=10, seed=1, land_cover=land_cover, exclude_codes=[21])


def land_cover_box(raster):
    """Bounds of a raster."""
    t, (rows, cols) = raster.transform, raster.shape
    return t.c, t.f + t.e * rows, t.c + t.a * cols, t.f


@pytest.mark.parametrize("ending", ["csv", "gpkg", "parquet"])
def test_files_keep_points_and_rule(tmp_path, ending) -> None:
    """Coordinates come back to the last bit, with seed, rule and fingerprint; nothing unfinished is left."""
    if ending == "parquet":
        pytest.importorskip("pyarrow")
    points = available_points(frame(star()), n=200, seed=7)
    target = tmp_path / f"points.{ending}"
    write_points(points, target)
    assert {p.name for p in tmp_path.iterdir()} <= {target.name, "points.csv.json"}
    back, rule = read_back(target)
    assert back == [(p.x, p.y) for p in points.geometry]
    assert (rule["seed"], rule["rule"], rule["n"]) == (7, "random", 200)
    assert rule["boundary"] == available.fingerprint(frame(star()))


def read_back(path):
    """Read points and rule with other tools than ours."""
    if path.suffix == ".csv":
        lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()[1:]]
        return [(float(a), float(b)) for _, a, b in lines], json.loads(path.with_name("points.csv.json").read_text())
    if path.suffix == ".gpkg":
        told = pyogrio.read_info(path)["layer_metadata"]["densite_available"]
        return [(p.x, p.y) for p in gpd.read_file(path).geometry], json.loads(told)
    import pyarrow.parquet as pq

    told = pq.read_schema(path).metadata[b"densite_available"]
    return [(p.x, p.y) for p in gpd.read_parquet(path).geometry], json.loads(told)


def typed(monkeypatch, *words):
    """Type a command line and return its exit code."""
    monkeypatch.setattr(sys, "argv", ["densite", *map(str, words)])
    with pytest.raises(SystemExit) as left:
        main()
    return left.value.code or 0


def test_the_command_draws_in_the_study(tmp_path, monkeypatch, capsys, land_cover) -> None:
    """Boundary and land cover come from study.toml; wrong use has exit code 2 and a message."""
    box = shapely.box(*land_cover_box(land_cover))
    frame(box).to_file(tmp_path / "edge.gpkg")
    layers = '[layers.boundary]\npath = "edge.gpkg"\n[layers.land_cover]\npath = "cover.tif"\n'
    write(tmp_path / "study.toml", STUDY_TOML + layers)
    words = ("available", "--study", tmp_path, "--seed", 7, "--exclude-cover", "11,21")
    assert typed(monkeypatch, *words, "-n", 40, "-o", tmp_path / "p.csv") == 0
    assert "Available points: 40" in capsys.readouterr().out
    assert typed(monkeypatch, *words, "--grid", 50, "-o", tmp_path / "g.gpkg") == 0
    capsys.readouterr()
    assert typed(monkeypatch, *words, "-o", tmp_path / "p.csv") == 2
    assert typed(monkeypatch, *words, "-n", 4, "-o", tmp_path / "p.xyz") == 2
    assert "allowed: .csv, .gpkg, .parquet" in capsys.readouterr().err
