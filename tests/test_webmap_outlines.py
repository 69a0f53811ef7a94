"""Vector layers as light outlines that stay where they are."""

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box, shape

from densite.layers import Features
from densite.webmap import outlines
from densite.webmap.region import around

UTM = 32611
X, Y = 545_000, 4_680_000


def features(name: str, shapes: list, crs: int = UTM) -> Features:
    """Wrap shapes as a layer."""
    frame = gpd.GeoDataFrame(geometry=shapes, crs=crs)
    return Features(name=name, path=Path("made.gpkg"), layer=None, frame=frame, fingerprint="", year=None, source=None)


def region_of(*layers: Features):
    """Return the widened box around layers."""
    return around([layer.frame for layer in layers]).widened()


def wiggle(points: int, seed: int = 3) -> LineString:
    """Return a line that turns at every step."""
    steps = np.random.default_rng(seed).normal(0, 20, (points, 2))
    return LineString(np.array([X, Y]) + np.cumsum(steps, axis=0))


def drawn(outline: outlines.Outline):
    """Return the drawn shape in the layer's CRS."""
    return gpd.GeoSeries([shape(outline.geometry)], crs=4326).to_crs(UTM).iloc[0]


def test_lines_stay_within_the_stated_tolerance():
    """The farthest that a drawn line departs is 3 m plus the rounding of a metre."""
    roads = features("roads", [wiggle(2000)])
    (one,) = outlines.outline(roads, region=region_of(roads))
    assert one.note == "Simplified to 3 m"
    assert shapely.hausdorff_distance(drawn(one), roads.frame.geometry.iloc[0]) < 3.0 + 1.0
    assert one.kind == "line"


def test_coordinates_have_five_decimals():
    """A metre is fine enough to draw, and halves the file."""
    roads = features("roads", [wiggle(50)])
    (one,) = outlines.outline(roads, region=region_of(roads))
    numbers = json.dumps(one.geometry["coordinates"]).replace("[", " ").replace("]", " ").replace(",", " ").split()
    assert max(len(number.split(".")[1]) for number in numbers) <= 5


def test_too_many_vertices_are_simplified_further_and_said(monkeypatch):
    """The note names the tolerance that was needed; the drawn line keeps to it."""
    monkeypatch.setattr(outlines, "MOST_VERTICES", 200)
    roads = features("roads", [wiggle(3000)])
    (one,) = outlines.outline(roads, region=region_of(roads))
    tolerance = float(one.note.removeprefix("Simplified to ").removesuffix(" m"))
    assert tolerance > 3
    assert shapely.get_num_coordinates(drawn(one)) <= 200
    assert shapely.hausdorff_distance(drawn(one), roads.frame.geometry.iloc[0]) < tolerance + 1.0


def test_small_buildings_keep_their_form():
    """A hut of 6 by 8 m is still four corners, not a sliver of the tolerance."""
    buildings = features("buildings", [box(X, Y, X + 6, Y + 8)])
    (one,) = outlines.outline(buildings, region=region_of(buildings))
    assert shapely.get_num_coordinates(drawn(one)) == 5
    assert one.kind == "area"


def test_many_buildings_become_dots_and_none_is_lost(monkeypatch):
    """Every building is within the square of its dot."""
    monkeypatch.setattr(outlines, "MOST_VERTICES", 150)
    corners = np.random.default_rng(5).uniform([X, Y], [X + 5000, Y + 5000], (300, 2))
    buildings = features("buildings", [box(x, y, x + 12, y + 12) for x, y in corners])
    (one,) = outlines.outline(buildings, region=region_of(buildings))
    square = 3.0 if one.note == "Drawn as dots" else float(one.note.split(" m square")[0].rsplit(" ", 1)[1])
    dots = drawn(one)
    assert one.kind == "dot"
    assert len(dots.geoms) <= 150
    assert max(dots.distance(Point(x + 6, y + 6)) for x, y in corners) < square * 0.72 + 2


def test_dots_say_their_square_when_it_is_coarse(monkeypatch):
    """Where dots stand for several buildings, the note says over how much ground."""
    monkeypatch.setattr(outlines, "MOST_VERTICES", 4)
    buildings = features("buildings", [Point(X + 10 * k, Y) for k in range(100)])
    (one,) = outlines.outline(buildings, region=region_of(buildings))
    assert one.note == "One dot for each 384 m square that holds any"
    assert len(drawn(one).geoms) <= 4


def test_building_points_are_dots():
    """A layer of points is drawn as points."""
    buildings = features("buildings", [Point(X, Y), Point(X + 500, Y)])
    (one,) = outlines.outline(buildings, region=region_of(buildings))
    assert len(drawn(one).geoms) == 2


def test_a_layer_is_cut_to_the_region():
    """A national road network does not come along."""
    here, far = features("roads", [wiggle(30)]), LineString([(X - 200_000, Y), (X + 200_000, Y)])
    area = region_of(here)
    (one,) = outlines.outline(features("roads", [wiggle(30), far]), region=area)
    (south, west), (north, east) = area.corners()
    left, bottom, right, top = shape(one.geometry).bounds
    assert (left, bottom, right, top) >= (west - 1e-5, south - 1e-5, 0, 0)
    assert right <= east + 1e-5
    assert top <= north + 1e-5


@pytest.mark.parametrize("name", ["roads", "soil"])
def test_nothing_to_draw_is_no_outline(name):
    """A layer outside the region, or one that the map does not know, is passed over."""
    here = features("boundary", [box(X, Y, X + 1000, Y + 1000)])
    away = features(name, [LineString([(X + 90_000, Y), (X + 91_000, Y)])])
    assert outlines.outline(away, region=region_of(here)) == []


def test_broken_and_mixed_shapes_are_drawn_as_their_main_kind():
    """A bow tie is repaired; a stray line beside areas is left out; heights are dropped."""
    bow_tie = Polygon([(X, Y), (X + 900, Y + 900), (X + 900, Y), (X, Y + 900)])
    raised = Polygon([(X, Y, 5), (X - 500, Y, 5), (X - 500, Y - 500, 5)])
    layer = features("boundary", [bow_tie, raised, LineString([(X, Y), (X + 10, Y)]), None])
    (one,) = outlines.outline(layer, region=region_of(layer))
    assert one.geometry["type"] == "MultiPolygon"
    assert drawn(one).area == pytest.approx(405_000 + 125_000, rel=0.02)


def test_layers_in_feet_and_old_datums_land_in_place():
    """A square in NAD83 / Oregon North (ft) is drawn where the same square in UTM is."""
    square = box(X, Y, X + 1000, Y + 1000)
    feet = gpd.GeoSeries([square], crs=UTM).to_crs(2269)
    layer = features("boundary", list(feet), crs=2269)
    (one,) = outlines.outline(layer, region=region_of(layer))
    assert shapely.hausdorff_distance(drawn(one).geoms[0], square) < 4
