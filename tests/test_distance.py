"""Distances against GeographicLib, a plain way and, on real layers, geopandas in a metric CRS."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import libpysal
import numpy as np
import pandas as pd
import pyrosm
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj, Transformer
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import translate

from densite.distance import distance_to, distance_to_edge, edges, outlines
from densite.errors import LayerError
from densite.layers import Features, open_features
from densite.settings import LayerSettings

EXAMPLES = Path(libpysal.__file__).parent / "examples"
COUNTIES = Path("/usr/lib/R/site-library/sf/shape/nc.shp")  # where Debian's r-cran-sf puts it
GEODESIC = Geodesic.WGS84


def layer(shapes: list[shapely.Geometry], crs: str) -> Features:
    """A layer made of shapes."""
    frame = gpd.GeoDataFrame(geometry=shapes, crs=crs)
    return Features("roads", Path("roads.gpkg"), None, frame, "", None, None)


def points(*lon_lat: tuple[float, float]) -> gpd.GeoDataFrame:
    """Points in EPSG:4326 with letters for index."""
    names = list("abcdefghij"[: len(lon_lat)])
    return gpd.GeoDataFrame(geometry=[Point(p) for p in lon_lat], crs=4326, index=names)


def scattered(bounds: np.ndarray, count: int) -> gpd.GeoDataFrame:
    """Random points in a box of degrees."""
    west, south, east, north = bounds
    rng = np.random.default_rng(3)
    lon, lat = rng.uniform(west, east, count), rng.uniform(south, north, count)
    return gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)


def measured(places: gpd.GeoDataFrame, features: Features, crs: CRS) -> np.ndarray:
    """Distances by geopandas in a metric CRS."""
    step = 0.002 if features.frame.crs.is_geographic else 1000
    frame = features.frame.geometry.make_valid().segmentize(step).to_crs(crs)
    return np.array([frame.distance(point).min() for point in places.to_crs(crs).geometry])


@pytest.mark.parametrize(
    ("here", "there"),
    [
        ((-117.0, 49.0), (-117.01, 49.02)),
        ((-117.0, 49.0), (-110.0, 55.0)),
        ((179.99, -16.0), (-179.98, -16.01)),
        ((20.0, 89.9), (-160.0, 89.95)),
        ((0.0, 0.0), (100.0, 30.0)),
    ],
)
def test_to_a_point_it_is_the_geodesic(here: tuple[float, float], there: tuple[float, float]) -> None:
    """From 2 km to a third of the globe, across the date line and the pole: GeographicLib's geodesic."""
    found = distance_to(points(here), layer([Point(there)], "EPSG:4326"))
    expected = GEODESIC.Inverse(here[1], here[0], there[1], there[0])["s12"]
    assert found.loc["a", "distance_m"] == pytest.approx(expected, rel=1e-9, abs=1e-6)
    assert found.loc["a", "reason"] == ""


def nearest_by_search(lon: float, lat: float, line: LineString, crs: str) -> float:
    """Least GeographicLib geodesic to a line that is straight in its CRS, by golden-section search."""
    to_degrees = Transformer.from_crs(crs, 4326, always_xy=True).transform

    def away(share: float) -> float:
        x, y = to_degrees(*line.interpolate(share, normalized=True).coords[0])
        return GEODESIC.Inverse(lat, lon, y, x)["s12"]

    low, high, cut = 0.0, 1.0, (5**0.5 - 1) / 2
    for _ in range(60):
        a, b = high - cut * (high - low), low + cut * (high - low)
        low, high = (low, b) if away(a) < away(b) else (a, high)
    return away((low + high) / 2)


@pytest.mark.parametrize(
    ("crs", "ends"),
    [
        ("EPSG:32611", [(300_000, 5_500_000), (900_000, 5_900_000)]),
        ("EPSG:3857", [(-13_200_000, 6_300_000), (-12_400_000, 6_700_000)]),
        ("EPSG:5070", [(-1_700_000, 2_900_000), (-900_000, 3_000_000)]),
        ("EPSG:4326", [(-119.0, 49.0), (-109.0, 53.0)]),
    ],
)
def test_long_straight_lines(crs: str, ends: list[tuple[float, float]]) -> None:
    """A line of hundreds of km with two vertices, across zones: geodesics found by search, to 1e-5."""
    line = LineString(ends)
    places = points((-116.0, 50.5), (-113.0, 51.5), (-114.5, 50.0), (-111.0, 52.6))
    found = distance_to(places, layer([line], crs))["distance_m"]
    expected = [nearest_by_search(p.x, p.y, line, crs) for p in places.geometry]
    np.testing.assert_allclose(found, expected, rtol=1e-5, atol=0.01)
    # the search knows only geodesics: no nearer place on the line exists
    assert (found > np.array(expected) * (1 - 1e-7) - 0.01).all()


def test_the_nearest_of_many() -> None:
    """With features far and near, on both sides of a zone's border, the nearest is taken for each point."""
    features = layer([Point(-114.001, 50.0), Point(-113.999, 50.0), Point(-100.0, 40.0)], "EPSG:4326")
    found = distance_to(points((-114.0009, 50.0), (-113.9991, 50.0), (-100.0, 40.1)), features)["distance_m"]
    expected = [
        GEODESIC.Inverse(50, 0, 50, 0.0001)["s12"],
        GEODESIC.Inverse(50, 0, 50, 0.0001)["s12"],
        GEODESIC.Inverse(40.1, -100, 40, -100)["s12"],
    ]
    np.testing.assert_allclose(found, expected, rtol=1e-8)


def test_inside_a_polygon_and_in_its_hole() -> None:
    """Inside it is 0; in a hole it is the distance to the hole's rim."""
    ring = Polygon(box(0, 0, 3000, 3000).exterior, [box(1000, 1000, 2000, 2000).exterior])
    shift = translate(ring, 500_000, 5_500_000)
    lon, lat = Transformer.from_crs(32611, 4326, always_xy=True).transform(
        500_000 + np.array([500, 1500, 3300]), 5_500_000 + np.array([500, 1400, 1500])
    )
    places = points(*zip(lon, lat, strict=True))
    features = layer([shift], "EPSG:32611")
    # on the zone's meridian the map is 0.9996 of the ground
    to, edge = distance_to(places, features)["distance_m"], distance_to_edge(places, features)["distance_m"]
    np.testing.assert_allclose(to * 0.9996, [0, 400, 300], rtol=1e-5)
    np.testing.assert_allclose(edge * 0.9996, [-500, 400, 300], rtol=1e-5)


def test_common_sides_are_no_edge() -> None:
    """Polygons that touch or overlap are one area: in their middle the edge is at the outside."""
    parts = [box(499_000, 5_500_000, 500_000, 5_502_000), box(500_000, 5_500_000, 501_000, 5_502_000)]
    overlapping = [*parts, box(499_500, 5_500_500, 500_500, 5_501_500)]
    lon, lat = Transformer.from_crs(32611, 4326, always_xy=True).transform(500_000, 5_501_000)
    for shapes in (parts, overlapping, [MultiPolygon([parts[0]]), parts[1]]):
        found = distance_to_edge(points((lon, lat)), layer(shapes, "EPSG:32611"))
        assert found.loc["a", "distance_m"] == pytest.approx(-1000 / 0.9996, rel=1e-5)


def test_an_edge_needs_polygons() -> None:
    """Lines have no inside."""
    with pytest.raises(LayerError, match="needs polygons"):
        distance_to_edge(points((0, 0)), layer([LineString([(0, 0), (1, 1)])], "EPSG:4326"))


def test_a_ring_that_crosses_itself_keeps_both_halves() -> None:
    """Both lobes of a bow-tie count."""
    tie = Polygon([(0, 0), (2000, 2000), (2000, 0), (0, 2000)])
    shift = translate(tie, 500_000, 5_500_000)
    lon, lat = Transformer.from_crs(32611, 4326, always_xy=True).transform(
        500_000 + np.array([-100, 2100, 300, 1700, 1000]),
        5_500_000 + np.array([1000, 1000, 1000, 1000, 1500]),
    )
    found = distance_to(points(*zip(lon, lat, strict=True)), layer([shift], "EPSG:32611"))["distance_m"]
    np.testing.assert_allclose(found * 0.9996, [100, 100, 0, 0, 500 / 2**0.5], atol=0.01)


def test_heights_of_a_layer_do_not_count() -> None:
    """A line with heights is as far as the same line without."""
    line = LineString([(-117.0, 49.0, 5000.0), (-117.0, 50.0, 0.0)])
    found = distance_to(points((-117.01, 49.5)), layer([line], "EPSG:4326")).loc["a", "distance_m"]
    assert found == pytest.approx(GEODESIC.Inverse(49.5, -117.01, 49.5, -117.0)["s12"], rel=1e-6)


def test_points_without_coordinates() -> None:
    """A missing point has no distance and says why; an empty frame gives an empty result."""
    places = points((-117.0, 49.0), (0, 0))
    places.loc["b", "geometry"] = None
    found = distance_to(places, layer([Point(-117.0, 49.0)], "EPSG:4326"))
    assert found["distance_m"].tolist() == pytest.approx([0, np.nan], nan_ok=True)
    assert found["reason"].tolist() == ["", "no coordinates"]
    assert len(distance_to(places.iloc[:0], layer([Point(0, 0)], "EPSG:4326"))) == 0


def test_real_streets_in_us_feet() -> None:
    """libpysal's streets in Arizona state-plane feet, against geopandas in a projection of the place."""
    features = open_features("roads", LayerSettings(path="geodanet/streets.shp"), folder=EXAMPLES)
    assert CRS(features.frame.crs).axis_info[0].unit_conversion_factor == pytest.approx(1200 / 3937)
    places = scattered(features.frame.to_crs(4326).total_bounds, 300)
    local = CRS.from_proj4(f"+proj=tmerc +lon_0={places.geometry.x.mean()} +k=1 +datum=WGS84 +units=m")
    np.testing.assert_allclose(
        distance_to(places, features)["distance_m"],
        measured(places, features, local),
        rtol=1e-5,
        atol=0.001,
    )


@pytest.mark.parametrize("source", ["libpysal", "Debian"])
def test_real_counties_in_nad27_degrees(source: str) -> None:
    """Counties in NAD27 degrees: the CRS stated (libpysal's sids2) or in the file (Debian's r-cran-sf)."""
    if source == "Debian" and not COUNTIES.exists():
        pytest.skip("Debian's r-cran-sf is not installed")
    stated = {
        "libpysal": LayerSettings(path=str(EXAMPLES / "sids2/sids2.shp"), crs="EPSG:4267"),
        "Debian": LayerSettings(path=str(COUNTIES)),
    }
    features = open_features("urban", stated[source], folder=Path())
    assert CRS(features.frame.crs).geodetic_crs.datum.name.startswith("North American Datum 1927")
    places = scattered(np.array([-80.0, 36.7, -78.0, 37.2]), 40)
    local = CRS.from_proj4("+proj=tmerc +lon_0=-79 +k=1 +datum=WGS84 +units=m")
    found = distance_to(places, features)["distance_m"]
    # 90 km from its meridian the projection stretches by 1e-4
    np.testing.assert_allclose(found, measured(places, features, local), rtol=1e-4, atol=0.01)
    moved = replace(features, frame=features.frame.set_crs(4326, allow_override=True))
    shift = np.abs(distance_to(places, moved)["distance_m"] - found)
    assert shift.median() > 5  # read as WGS 84 the same layer lies elsewhere


@pytest.mark.parametrize(("part", "name"), [("lines", "roads"), ("multipolygons", "buildings")])
def test_real_openstreetmap(part: str, name: str) -> None:
    """Roads and buildings of pyrosm's packaged extract, against geopandas in the country's own CRS."""
    folder = Path(pyrosm.__file__).parent / "data"
    features = open_features(name, LayerSettings(path="Helsinki.osm.pbf", layer=part), folder=folder)
    places = scattered(features.frame.total_bounds, 150)
    found = distance_to(places, features)["distance_m"]
    expected = measured(places, features, CRS(3067))
    np.testing.assert_allclose(found, expected, rtol=5e-4, atol=0.002)  # the scale of EPSG:3067 there
    assert (found == 0).tolist() == (expected == 0).tolist()


def plain(places: gpd.GeoDataFrame, features: Features) -> np.ndarray:
    """Distance of each point to each part, one by one, in an equidistant projection around the point itself.

    Distances from the centre of that projection are geodesics, so nothing is approximated but the
    pieces of 200 m between two vertices.
    """
    own = CRS(features.frame.crs)
    unit = own.axis_info[0].unit_conversion_factor * (6378137 if own.is_geographic else 1)
    shapes = shapely.get_parts(shapely.get_parts(shapely.make_valid(features.frame.geometry.to_numpy())))
    edges = np.where(shapely.get_type_id(shapes) == 3, shapely.boundary(shapes), shapes)
    xy_to_degrees = Transformer.from_crs(own, 4326, always_xy=True).transform
    in_degrees = shapely.transform(shapely.segmentize(edges, 200 / unit), xy_to_degrees, interleaved=False)
    found = []
    for place in places.geometry:
        around = CRS.from_proj4(f"+proj=aeqd +lon_0={place.x!r} +lat_0={place.y!r} +datum=WGS84")
        to_plane = Transformer.from_crs(4326, around, always_xy=True).transform
        away = shapely.distance(Point(0, 0), shapely.transform(in_degrees, to_plane, interleaved=False))
        found.append(np.nanmin(away))  # NaN is an empty part
    spots = places.to_crs(own).geometry.to_numpy()
    inside = [bool((shapely.intersects(shapes, spot) & (shapely.get_type_id(shapes) == 3)).any()) for spot in spots]
    return np.where(inside, 0.0, found)


# A CRS, a place in it where layers are drawn, and the size of its unit: zones, feet, datums, date line, poles
GROUNDS = [
    ("EPSG:32611", 500_000, 5_500_000, 1.0),
    ("EPSG:32611", 760_000, 5_500_000, 1.0),  # beyond the zone's edge
    ("EPSG:32660", 790_000, -1_800_000 + 10_000_000, 1.0),  # far north
    ("EPSG:32760", 815_000, 8_200_000, 1.0),  # across the date line
    ("EPSG:2225", 6_500_000, 2_000_000, 0.3048006096),
    ("EPSG:4326", -117.0, 49.0, 111_000),
    ("EPSG:4326", 179.99, -16.0, 111_000),  # drawn past the date line
    ("EPSG:4326", 20.0, 89.9, 111_000),
    ("EPSG:4267", -117.0, 49.0, 111_000),
    ("EPSG:3031", 0.0, 0.0, 1.0),  # around the pole
    ("EPSG:5070", -1_000_000, 2_500_000, 1.0),
]


@st.composite
def drawn_layers(draw: st.DrawFn) -> tuple[Features, gpd.GeoDataFrame]:
    """A layer of random shapes within some km, and points around them, some of them on its corners."""
    crs, x, y, unit = draw(st.sampled_from(GROUNDS))
    reach = draw(st.sampled_from([100.0, 4000.0]))
    number = st.one_of(st.integers(-3, 3).map(lambda k: k * reach / 3), st.floats(-reach, reach))
    corner = st.tuples(number, number).map(lambda c: (x + c[0] / unit, min(y + c[1] / unit, 90.0 if unit > 9 else 1e9)))
    corners = st.lists(corner, min_size=4, max_size=6)
    shape = st.one_of(
        corner.map(Point),
        corners.map(LineString),
        corner.map(lambda c: LineString([c, c])),
        corners.map(Polygon),
        corner.map(lambda c: Point(c).buffer(reach / 2 / unit, 4).difference(Point(c).buffer(reach / 4 / unit, 3))),
        corners.map(lambda cs: MultiPolygon([Polygon(cs), Point(cs[0]).buffer(reach / 9 / unit, 2)])),
        st.just(LineString()),
    )
    shapes = [Point(x, y), *draw(st.lists(shape, max_size=8))]
    spots = [Point(c) for c in draw(st.lists(corner, min_size=1, max_size=6))]
    return layer(shapes, crs), gpd.GeoDataFrame(geometry=spots, crs=crs).to_crs(4326)


@given(drawn_layers())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_as_by_the_plain_way(drawn: tuple[Features, gpd.GeoDataFrame]) -> None:
    """Random points, lines, polygons with holes, duplicates, pieces without length and empty parts."""
    features, places = drawn
    found = distance_to(places, features)["distance_m"]
    np.testing.assert_allclose(found, plain(places, features), rtol=2e-6, atol=0.02)


def test_the_peers_distances_over_the_maps_scale() -> None:
    """3000 points and lines in UTM: geopandas.sjoin_nearest divided by PROJ's scale at the point."""
    rng = np.random.default_rng(8)
    start = rng.uniform(0, 20_000, (3000, 1, 2)) + np.array((480_000, 5_400_000))
    lines = shapely.linestrings(np.concatenate([start, start + rng.normal(0, 80, (3000, 1, 2))], axis=1))
    spots = gpd.GeoDataFrame(
        geometry=shapely.points(rng.uniform(0, 20_000, (3000, 2)) + np.array((480_000, 5_400_000))), crs=32611
    )
    features = layer(list(lines), "EPSG:32611")
    peer = gpd.sjoin_nearest(spots, features.frame, distance_col="away")["away"].to_numpy()
    places = spots.to_crs(4326)
    scale = Proj(32611).get_factors(places.geometry.x, places.geometry.y).meridional_scale
    np.testing.assert_allclose(distance_to(places, features)["distance_m"], peer / scale, rtol=1e-6, atol=1e-3)


def test_far_places_are_ranked_by_geodesics() -> None:
    """3000 km away the straight line through the Earth would choose the place that is farther by 5e-5."""
    east = GEODESIC.Direct(0, 0, 90, 3_000_000)
    north = GEODESIC.Direct(0, 0, 0, 3_000_000 * (1 + 5e-5))
    ends = [Point(place["lon2"], place["lat2"]) for place in (east, north)]
    for pair in (ends, ends[::-1]):
        found = distance_to(points((0.0, 0.0), (0.01, 0.01)), layer(pair, "EPSG:4326"))["distance_m"]
        assert found["a"] == pytest.approx(3_000_000, rel=1e-9)


def test_far_lines_that_leave_the_reach() -> None:
    """Of a line that leads away only the near part is looked at again; it does not run on to the next feature."""
    features = layer([LineString([(-3.0, 0.0), (-3.0, 70.0)]), Point(3.1, 0.0)], "EPSG:4326")
    found = distance_to(points((0.0, 0.0)), features).loc["a", "distance_m"]
    assert found == pytest.approx(GEODESIC.Inverse(0, 0, 0, -3)["s12"], rel=1e-6)


def test_parts_that_overlap_are_mended() -> None:
    """A multipolygon whose parts overlap, and a ring that winds twice: as GEOS mends them, by the plain way."""
    boxes = MultiPolygon([box(0, 0, 0.04, 0.04), box(0.02, 0.02, 0.06, 0.06)])
    twice = Polygon([(0.1, 0), (0.2, 0), (0.2, 0.1), (0.1, 0.1), (0.1, 0), (0.15, 0), (0.15, 0.05), (0.1, 0.05)])
    features = layer([boxes, twice], "EPSG:4326")
    places = scattered(np.array([-0.02, -0.02, 0.22, 0.12]), 60)
    expected = plain(places, features)
    np.testing.assert_allclose(distance_to(places, features)["distance_m"], expected, rtol=1e-6, atol=0.01)
    edge = distance_to_edge(places, features)["distance_m"]
    np.testing.assert_allclose(np.maximum(edge, 0), expected, rtol=1e-6, atol=0.01)


def test_a_polygon_across_the_date_line() -> None:
    """A polygon of a UTM zone, one drawn past 180 degrees, and one drawn past -180: inside is inside on both sides."""
    utm = layer([box(780_000, 8_200_000, 860_000, 8_240_000)], "EPSG:32760")
    east = layer([box(179.6, -16.4, 180.4, -15.9)], "EPSG:4326")
    west = layer([box(-180.4, -16.4, -179.6, -15.9)], "EPSG:4326")
    places = points((179.9, -16.1), (-179.9, -16.1), (-179.0, -16.1), (0.0, -16.1))
    for features in (utm, east, west):
        assert (distance_to(places, features)["distance_m"] == 0).tolist() == [True, True, False, False]
        edge = distance_to_edge(places, features)["distance_m"]
        assert (edge < 0).tolist() == [True, True, False, False]


def test_a_pole_inside_a_polygon() -> None:
    """Around the South Pole in a polar projection: the pole is inside, and its distance to the rim is known."""
    found = distance_to_edge(
        points((0.0, -90.0), (50.0, -89.0)), layer([box(-50_000, -50_000, 50_000, 50_000)], "EPSG:3031")
    )
    # EPSG:3031 is true at 71 degrees south; at the pole its scale is 0.9728 (PROJ's own factor)
    scale = Proj(3031).get_factors(0, -89.9999).meridional_scale
    assert found.loc["a", "distance_m"] == pytest.approx(-50_000 / scale, rel=1e-4)
    assert found.loc["b", "distance_m"] > 0


def test_a_feature_that_spans_the_earth() -> None:
    """A box of all degrees holds every point; a line along the equator is as far as the geodesic says."""
    places = points((-117.0, 49.0), (20.0, -3.0), (179.9, 0.5))
    world = layer([box(-180, -90, 180, 90)], "EPSG:4326")
    assert distance_to(places, world)["distance_m"].tolist() == [0.0, 0.0, 0.0]
    found = distance_to(places, layer([LineString([(-180, 0), (180, 0)])], "EPSG:4326"))["distance_m"]
    expected = [GEODESIC.Inverse(p.y, p.x, 0, p.x)["s12"] for p in places.geometry]
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_broken_geometries_cost_only_themselves() -> None:
    """Vertices without a number or beyond the Earth are left out with the pieces at them; the rest counts."""
    with np.errstate(invalid="ignore"):
        broken = LineString([(-117.0, 49.0), (np.nan, 49.0), (-117.0, 49.2), (-117.0, 49.3)])
    wild = [LineString([(-117.0, 49.0), (1e20, 1e20)]), Point(-100.0, 95.0), Point(np.inf, 0.0)]
    found = distance_to(points((-117.0, 49.1), (-117.0, 49.25)), layer([broken, *wild], "EPSG:4326"))["distance_m"]
    expected = min(GEODESIC.Inverse(49.1, -117, y, -117)["s12"] for y in (49.0, 49.2))
    assert found.tolist() == pytest.approx([expected, 0.0], rel=1e-9, abs=1e-3)
    far = layer([LineString([(0, 0), (1e12, 0)]), Point(0, 0)], "EPSG:3857")
    assert distance_to(points((0.0, 0.0)), far).loc["a", "distance_m"] == 0


def test_layers_without_a_place() -> None:
    """An empty layer, one of empty parts, one beyond the Earth: no distance, and the reason."""
    for shapes in ([], [LineString(), Polygon()], [Point(0.0, 100.0)]):
        features = layer(shapes, "EPSG:4326")
        found = distance_to(points((-117.0, 49.0)), features)
        assert found["distance_m"].isna().all()
        assert found["reason"].tolist() == ["the layer has no feature that can be placed"]
    assert distance_to_edge(points((0, 0)), layer([], "EPSG:4326"))["distance_m"].isna().all()


def test_a_latitude_beyond_the_pole() -> None:
    """A latitude of 95 degrees is no place, and its row says so; the others are answered."""
    found = distance_to(points((-117.0, 95.0), (-117.0, 49.0)), layer([Point(-117.0, 49.0)], "EPSG:4326"))
    assert found["reason"].tolist() == ["no place on the Earth", ""]
    assert found["distance_m"].tolist() == pytest.approx([np.nan, 0.0], nan_ok=True)


def test_a_layer_made_ready_once() -> None:
    """What outlines() and edges() make gives the same distances again, for any number of threads."""
    features = layer([box(-117, 49, -116, 50), box(-116, 49, -115, 50)], "EPSG:4326")
    places = scattered(np.array([-118, 48, -114, 51]), 500)
    pd.testing.assert_frame_equal(distance_to(places, outlines(features)), distance_to(places, features, threads=1))
    whole = distance_to_edge(places, edges(features), threads=2)
    pd.testing.assert_frame_equal(whole, distance_to_edge(places, features))
    parts = [distance_to_edge(places.iloc[rows], edges(features)) for rows in (slice(0, 7), slice(7, None))]
    pd.testing.assert_frame_equal(pd.concat(parts), whole)
