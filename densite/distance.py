"""Distance over the ground from points to the nearest road, building, stream or urban edge."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from densite.errors import LayerError
from densite.layers import ELLIPSOID, WGS84, Features, lon_lat

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shapes: TypeAlias = "NDArray[Any]"

NO_POINT = "no coordinates"

VERTEX_STEP_M = 500.0  # a chord this long leaves its line by under 1 cm at 60 degrees of latitude
TILE_DEG = 0.25  # points of one tile share a projection; it bends distances by under 1e-5 there
METRES_PER_DEG = 110_574.0  # the shortest degree of the meridian, so that boxes are never too small
HALF_TURN = 181.0  # and a little, since what only touches a box is cut off
SLACK = 1.02  # boxes in degrees are taken this much larger, to outweigh their curved sides


def distance_to(points: gpd.GeoDataFrame, features: Features) -> pd.DataFrame:
    """Return the distance from each point to the nearest feature.

    Straight lines of the layer are straight in its own CRS: they are given extra vertices there
    before they are placed on the ellipsoid. The nearest place is looked for in an azimuthal
    equidistant projection centred on each small group of points, and the distance to it is the
    geodesic on the WGS 84 ellipsoid, so that zones, long layers, feet and datums do not matter.
    The result is never short, and long by under 1e-5 of itself.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    features : Features
        Points, lines or polygons in any CRS.

    Returns
    -------
    DataFrame
        ``distance_m`` [m], 0 on a line or inside a polygon, and ``reason`` (why it is missing,
        else ''). Index of ``points``.

    Raises
    ------
    LayerError
        The points are not in EPSG:4326.

    Notes
    -----
    Source of the geodesic: Karney 2013, J. Geodesy 87:43-55.
    https://doi.org/10.1007/s00190-012-0578-z
    """
    lon, lat = lon_lat(points)
    shapes = _on_ellipsoid(_flat(features.frame), features.frame.crs)
    distance = _nearest(lon, lat, _outlines(shapes))
    distance[_inside(lon, lat, shapes)] = 0.0
    return _result(distance, lon, points)


def distance_to_edge(points: gpd.GeoDataFrame, features: Features) -> pd.DataFrame:
    """Return the distance from each point to the edge of an area, negative inside it.

    Polygons that touch or overlap are one area: their common sides are no edge.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    features : Features
        Polygons in any CRS, for example the urban area.

    Returns
    -------
    DataFrame
        ``distance_m`` to the nearest edge, negative for points inside [m], and ``reason`` (why it is
        missing, else ''). Index of ``points``.

    Raises
    ------
    LayerError
        The layer is not made of polygons, or the points are not in EPSG:4326.
    """
    if not np.isin(shapely.get_type_id(features.frame.geometry.to_numpy()), (3, 6)).all():
        raise LayerError(f"layer '{features.name}': {features.path}: an edge needs polygons, found others")
    flat = _flat(features.frame)
    area = shapely.union_all(flat[shapely.get_type_id(flat) == 3])
    lon, lat = lon_lat(points)
    shapes = _on_ellipsoid(np.array([area]), features.frame.crs)
    distance = _nearest(lon, lat, _outlines(shapes))
    distance[_inside(lon, lat, shapes)] *= -1.0
    return _result(distance, lon, points)


def _result(distance: Floats, lon: Floats, points: gpd.GeoDataFrame) -> pd.DataFrame:
    """Put distances beside the reasons why they are missing."""
    reason = np.where(np.isnan(lon), NO_POINT, "")
    return pd.DataFrame({"distance_m": distance, "reason": reason}, index=points.index)


def _flat(frame: gpd.GeoDataFrame) -> Shapes:
    """Return the single geometries of a layer without heights, rings that cross themselves untangled.

    Untangled first, because giving a tangled polygon extra vertices makes GEOS drop a part of it.
    """
    valid = shapely.make_valid(shapely.force_2d(frame.geometry.to_numpy()))
    parts: Shapes = shapely.get_parts(shapely.get_parts(valid))
    return parts


def _on_ellipsoid(shapes: Shapes, crs: Any) -> Shapes:
    """Place geometries on the WGS 84 ellipsoid, in degrees, straight lines kept true."""
    own = CRS.from_user_input(crs)
    factor = own.axis_info[0].unit_conversion_factor
    metres = ELLIPSOID.a * factor if own.is_geographic else factor
    dense = shapely.segmentize(shapes, VERTEX_STEP_M / metres)
    return _moved(dense, Transformer.from_crs(own, WGS84, always_xy=True))


def _moved(shapes: Shapes, transformer: Transformer) -> Shapes:
    """Transform geometries; parts that cannot be transformed become empty."""

    def move(xy: Floats) -> Floats:
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))

    moved: Shapes = shapely.transform(shapes, move)
    return moved


def _outlines(shapes: Shapes) -> Shapes:
    """Return lines and points, with polygons turned into their rings."""
    parts = shapely.get_parts(shapes)
    polygon = shapely.get_type_id(parts) == 3
    lines: Shapes = np.concatenate([parts[~polygon], shapely.get_parts(shapely.boundary(parts[polygon]))])
    return lines


def _inside(lon: Floats, lat: Floats, shapes: Shapes) -> NDArray[np.bool_]:
    """Tell which points lie in any of the polygons."""
    parts = shapely.get_parts(shapes)
    polygons = parts[shapely.get_type_id(parts) == 3]
    inside = np.zeros(len(lon), dtype=bool)
    if len(polygons):
        shapely.prepare(polygons)
        inside[shapely.STRtree(polygons).query(shapely.points(lon, lat), predicate="intersects")[0]] = True
    return inside


def _nearest(lon: Floats, lat: Floats, outlines: Shapes) -> Floats:
    """Return the geodesic distance to the nearest of lines and points; NaN where there is no point."""
    distance = np.full(len(lon), np.nan)
    tree = shapely.STRtree(outlines)
    for which in _tiles(lon, lat):
        centre = (float(lon[which].mean()), float(lat[which].mean()))
        reach = _search_radius(centre, lon[which], lat[which], tree)
        near = _clipped(tree, centre, reach)
        distance[which] = _local(centre, lon[which], lat[which], near)
    return distance


def _tiles(lon: Floats, lat: Floats) -> Iterator[Ints]:
    """Group points into small tiles, by position."""
    placed = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    if not len(placed):
        return
    row = np.floor(lat[placed] / TILE_DEG)
    col = np.floor(lon[placed] * np.cos(np.radians((row + 0.5) * TILE_DEG)) / TILE_DEG)
    order = np.lexsort((col, row))
    changes = (np.diff(row[order]) != 0) | (np.diff(col[order]) != 0)
    yield from (placed[group] for group in np.split(order, np.flatnonzero(changes) + 1))


def _search_radius(centre: tuple[float, float], lon: Floats, lat: Floats, tree: shapely.STRtree) -> float:
    """Return a radius around a tile's centre in which the nearest feature of all its points lies. [m]

    Any feature at distance u of the centre bounds it: a point at distance s of the centre is
    within u + s of that feature, so its nearest one lies within u + 2 s of the centre.
    """
    point = shapely.Point(centre)
    some = tree.geometries[tree.nearest(point)]
    end = shapely.get_coordinates(shapely.shortest_line(point, some))[1]
    to_some = ELLIPSOID.inv(*centre, *end)[2]
    x, y = np.full(len(lon), centre[0]), np.full(len(lon), centre[1])
    return float(to_some + 2 * ELLIPSOID.inv(x, y, lon, lat)[2].max()) + 1.0


def _clipped(tree: shapely.STRtree, centre: tuple[float, float], reach: float) -> Shapes:
    """Return what lies in a box of degrees around a centre, also across the date line."""
    high = reach * SLACK / METRES_PER_DEG
    south, north = max(centre[1] - high, -90.0), min(centre[1] + high, 90.0)
    poleward = np.cos(np.radians(max(abs(south), abs(north))))
    wide = min(HALF_TURN, high / poleward) if poleward > 1e-6 else HALF_TURN
    found = []
    for turn in (-360.0, 0.0, 360.0):
        west, east = centre[0] - wide + turn, centre[0] + wide + turn
        hits = tree.geometries[tree.query(shapely.box(west, south, east, north))]
        found.append(shapely.get_parts(shapely.clip_by_rect(hits, west, south, east, north)))
    pieces: Shapes = np.concatenate(found)
    return pieces[~shapely.is_empty(pieces)]


def _local(centre: tuple[float, float], lon: Floats, lat: Floats, near: Shapes) -> Floats:
    """Return geodesic distances to the nearest of the features around one tile's centre. [m]"""
    plane = CRS.from_proj4(f"+proj=aeqd +lon_0={centre[0]!r} +lat_0={centre[1]!r} +datum=WGS84 +units=m")
    there = Transformer.from_crs(WGS84, plane, always_xy=True)
    back = Transformer.from_crs(plane, WGS84, always_xy=True)
    shapes, points = _moved(near, there), shapely.points(*there.transform(lon, lat))
    closest = shapes[shapely.STRtree(shapes).nearest(points)]
    ends = shapely.get_coordinates(shapely.shortest_line(points, closest))[1::2]
    distance: Floats = np.asarray(ELLIPSOID.inv(lon, lat, *back.transform(ends[:, 0], ends[:, 1]))[2])
    return distance
