"""Distance over the ground from points to the nearest road, building, stream or urban edge."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from densite.errors import LayerError
from densite.layers import ELLIPSOID, WGS84, Features, lon_lat, to_layer_xy
from densite.nearest import Stations, curve_order, nearest_places, stations

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Shapes: TypeAlias = "NDArray[Any]"

NO_POINT = "no coordinates"
OFF_EARTH = "no place on the Earth"
NO_FEATURE = "the layer has no feature that can be placed"

LONGEST_STEP_M = 500.0  # a chord this long leaves its line by under 1 cm at 60 degrees of latitude
STEP_MEANS = 2.0  # pieces longer than this many mean pieces are cut: few more stations, short searches
BEYOND_EARTH_M = 2e8  # a straight piece longer than five times around the Earth is broken
FAR_M = 200_000.0  # up to here the straight line through the Earth ranks as the geodesic does, to 1e-6
TILE_DEG = 0.25  # far points of one tile share a projection; it bends distances by under 1e-5 there
LOOSE_RADIUS_M = 6.4e6  # larger than any radius of curvature of the ellipsoid
ROUNDING_M = 1e-6
BATCH = 65_536


@dataclass(frozen=True, slots=True)
class Outlines:
    """A layer made ready for any number of questions: where its lines, points and edges are.

    ``lines`` are its stations on the ellipsoid, in geocentric coordinates; ``polygons`` are in the
    layer's own CRS ``crs``, which is where their sides are straight, and ``tree`` finds them by their
    bounds.
    """

    lines: Stations | None
    polygons: Shapes
    tree: shapely.STRtree
    crs: CRS


def distance_to(points: gpd.GeoDataFrame, features: Features | Outlines, *, threads: int | None = None) -> pd.DataFrame:
    """Return the distance from each point to the nearest feature.

    Straight lines of the layer are straight in its own CRS: they are cut there into pieces of at
    most 500 m before they are placed on the ellipsoid. The nearest place is looked for in geocentric
    coordinates, along straight lines through the Earth, and the distance to it is the geodesic on
    the WGS 84 ellipsoid, so that zones, the date line, poles, long layers, feet and datums do not
    matter. Where the nearest place is over 200 km away, straight lines and geodesics can rank two
    places differently: it is looked for again in an azimuthal equidistant projection around the
    points. The result is never short; it is long by under 1e-6 of itself up to 200 km and under 1e-5
    beyond, or by the centimetre that a piece of 500 m may leave its line.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    features : Features or Outlines
        Points, lines or polygons in any CRS, or what :func:`outlines` made of them, which saves time
        when the same layer is asked again.
    threads : int, optional
        Threads to use; as many as there are processors by default. The result does not depend on it.

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
    Measured memory above the data: 230 bytes for each vertex of the layer (and each place where a long
    line is cut) while it is made ready and 115 afterwards; 120 for each point. Not in it: the index of
    the sides of polygons within whose bounds a point lies.

    Source of the geodesic: Karney 2013, J. Geodesy 87:43-55.
    https://doi.org/10.1007/s00190-012-0578-z
    """
    count = threads or _threads()
    layer = features if isinstance(features, Outlines) else outlines(features, threads=count)
    return _measured(points, layer, inside=0.0, threads=count)


def distance_to_edge(
    points: gpd.GeoDataFrame, features: Features | Outlines, *, threads: int | None = None
) -> pd.DataFrame:
    """Return the distance from each point to the edge of an area, negative inside it.

    Polygons that touch or overlap are one area: their common sides are no edge.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    features : Features or Outlines
        Polygons in any CRS, for example the urban area, or what :func:`edges` made of them.
    threads : int, optional
        Threads to use; as many as there are processors by default. The result does not depend on it.

    Returns
    -------
    DataFrame
        ``distance_m`` to the nearest edge, negative for points inside [m], and ``reason`` (why it is
        missing, else ''). Index of ``points``. Exact as :func:`distance_to` is.

    Raises
    ------
    LayerError
        The layer is not made of polygons, or the points are not in EPSG:4326.
    """
    count = threads or _threads()
    layer = features if isinstance(features, Outlines) else edges(features, threads=count)
    return _measured(points, layer, inside=-1.0, threads=count)


def outlines(features: Features, *, threads: int | None = None) -> Outlines:
    """Make a layer ready for :func:`distance_to`.

    Parameters
    ----------
    features : Features
        Points, lines or polygons in any CRS.
    threads : int, optional
        Threads to use; as many as there are processors by default.

    Returns
    -------
    Outlines
        About 115 bytes are held for each vertex and each place where a long line is cut.
    """
    return _outlined(_flat(features.frame.geometry.to_numpy()), features.frame.crs, threads or _threads())


def edges(features: Features, *, threads: int | None = None) -> Outlines:
    """Make a layer ready for :func:`distance_to_edge`: its polygons become one area.

    Parameters
    ----------
    features : Features
        Polygons in any CRS.
    threads : int, optional
        Threads to use; as many as there are processors by default.

    Returns
    -------
    Outlines
        About 115 bytes are held for each vertex and each place where a long edge is cut.

    Raises
    ------
    LayerError
        The layer is not made of polygons.
    """
    shapes = features.frame.geometry.to_numpy()
    if not np.isin(shapely.get_type_id(shapes), (3, 6)).all():
        raise LayerError(f"layer '{features.name}': {features.path}: an edge needs polygons, found others")
    flat = _flat(shapes)
    area = shapely.disjoint_subset_union_all(flat[_polygonal(flat)])
    return _outlined(_parts(np.array([area])), features.frame.crs, threads or _threads())


def _measured(points: gpd.GeoDataFrame, layer: Outlines, *, inside: float, threads: int) -> pd.DataFrame:
    """Return distances, those inside polygons times ``inside``, beside the reasons why they are missing."""
    lon, lat = lon_lat(points)
    distance = np.full(len(lon), np.nan)
    placed = np.flatnonzero(_on_earth(lon, lat))
    placed = placed[np.argsort(curve_order(lon[placed], lat[placed]))]
    if layer.lines is not None and len(placed):
        distance[placed] = _to_lines(lon[placed], lat[placed], layer.lines, threads)
        if len(layer.polygons):
            distance[placed[_inside(points.iloc[placed], layer, threads)]] *= inside
    reason = np.full(len(lon), "", dtype=object)
    reason[np.isnan(distance)] = NO_FEATURE
    reason[~_on_earth(lon, lat)] = OFF_EARTH
    reason[np.isnan(lon) | np.isnan(lat)] = NO_POINT
    return pd.DataFrame({"distance_m": distance, "reason": reason}, index=points.index)


def _threads() -> int:
    """Return the number of processors."""
    return os.cpu_count() or 1


def _shared(work: Callable[[slice], None], count: int, threads: int) -> None:
    """Do some work in batches of rows, on several threads if there are several batches."""
    parts = [slice(start, start + BATCH) for start in range(0, count, BATCH)]
    with ThreadPoolExecutor(max(1, min(threads, len(parts)))) as pool:
        list(pool.map(work, parts))


def _on_earth(lon: Floats, lat: Floats) -> Bools:
    """Tell which coordinates in degrees can be a place; longitudes may be counted on past 180."""
    on_earth: Bools = (np.abs(lat) <= 90) & (np.abs(lon) <= 540)
    return on_earth


def _polygonal(shapes: Shapes) -> Bools:
    """Tell which geometries are single polygons."""
    polygonal: Bools = shapely.get_type_id(shapes) == 3
    return polygonal


def _flat(shapes: Shapes) -> Shapes:
    """Return the single geometries of a layer, rings that cross themselves untangled.

    Lines need no untangling: what they cover is the same.
    """
    areal = np.isin(shapely.get_type_id(shapes), (3, 6, 7))
    areal[areal] = ~shapely.is_valid(shapes[areal])
    if areal.any():
        shapes = shapes.copy()
        shapes[areal] = shapely.make_valid(shapely.force_2d(shapes[areal]))
    return _parts(shapes)


def _parts(shapes: Shapes) -> Shapes:
    """Take collections apart until none is left, and leave out what is empty or missing."""
    while (shapely.get_type_id(shapes) > 3).any():
        shapes = shapely.get_parts(shapes)
    return shapes[~(shapely.is_empty(shapes) | shapely.is_missing(shapes))]


def _outlined(shapes: Shapes, crs: Any, threads: int) -> Outlines:
    """Place single geometries on the ellipsoid."""
    own = CRS.from_user_input(crs)
    polygonal = _polygonal(shapes)
    polygons = shapes[polygonal]
    outline = np.concatenate([shapes[~polygonal], shapely.get_rings(polygons)]) if polygonal.any() else shapes
    xy, part = shapely.get_coordinates(outline, return_index=True)
    lines = _stations(xy, part, own, threads)
    return Outlines(lines=lines, polygons=polygons, tree=shapely.STRtree(polygons), crs=own)


def _stations(xy: Floats, part: Ints, crs: CRS, threads: int) -> Stations | None:
    """Return the stations of lines, near ones near in memory; None if no vertex can be placed."""
    lon, lat = _degrees(xy, crs, threads)
    placed = _on_earth(lon, lat)
    joined = np.zeros(len(xy), dtype=bool)
    joined[:-1] = (part[1:] == part[:-1]) & placed[1:] & placed[:-1]
    if not placed.any():
        return None
    order = _by_place(lon, lat, part, placed)
    xy, lon, lat, joined = xy[order], lon[order], lat[order], joined[order]
    at, joined = _cut(xy, _geocentric(lon, lat, threads), joined, crs, threads)
    return stations(at, joined)


def _by_place(lon: Floats, lat: Floats, part: Ints, placed: Bools) -> Ints:
    """Order the vertices that can be placed along a curve, those of a line together."""
    kept = np.flatnonzero(placed)
    first = np.flatnonzero(np.diff(part[kept], prepend=-1))
    count = np.diff(first, append=len(kept))
    line = np.argsort(curve_order(lon[kept[first]], lat[kept[first]]))
    count = count[line]
    skipped = first[line] - (np.cumsum(count) - count)
    ordered: Ints = kept[np.arange(len(kept)) + np.repeat(skipped, count)]
    return ordered


def _cut(xy: Floats, at: Floats, joined: Bools, crs: CRS, threads: int) -> tuple[Floats, Bools]:
    """Put stations into long pieces, straight in the layer's CRS; leave out pieces without a length."""
    step = np.zeros_like(xy)
    step[:-1] = np.diff(xy, axis=0)
    length = np.hypot(step[:, 0], step[:, 1]) * _metres(crs)
    joined = joined & (length > 0) & (length < BEYOND_EARTH_M)
    length[~joined] = 0.0
    if not joined.any():
        return at, joined
    longest = min(LONGEST_STEP_M, STEP_MEANS * float(length[joined].mean()))
    pieces = np.maximum(np.ceil(length / longest), 1.0).astype(np.int64)
    if (pieces == 1).all():
        return at, joined
    return _with_stations(xy, at, step, pieces, crs, threads), np.repeat(joined, pieces)


def _with_stations(xy: Floats, at: Floats, step: Floats, pieces: Ints, crs: CRS, threads: int) -> Floats:
    """Return the places of vertices, and of those that cut the steps after them into equal pieces."""
    source = np.repeat(np.arange(len(xy)), pieces)
    ordinal = np.arange(len(source)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    places = at[source]
    new = np.flatnonzero(ordinal)
    share = ordinal[new] / pieces[source[new]]
    lon, lat = _degrees(xy[source[new]] + step[source[new]] * share[:, None], crs, threads)
    places[new] = _geocentric(lon, lat, threads)
    return places


def _metres(crs: CRS) -> float:
    """Return the metres of one unit of a CRS, along the equator if it is an angle."""
    factor = float(crs.axis_info[0].unit_conversion_factor)
    return float(ELLIPSOID.a) * factor if crs.is_geographic else factor


def _degrees(xy: Floats, crs: CRS, threads: int) -> tuple[Floats, Floats]:
    """Transform coordinates of a layer to WGS 84; infinite where there is no answer. [deg]"""
    lon, lat = np.empty(len(xy)), np.empty(len(xy))

    def work(part: slice) -> None:
        transformer = Transformer.from_crs(crs, WGS84, always_xy=True)
        lon[part], lat[part] = transformer.transform(xy[part, 0], xy[part, 1])

    _shared(work, len(xy), threads)
    return lon, lat


def _geocentric(lon: Floats, lat: Floats, threads: int) -> Floats:
    """Return places on the ellipsoid as X, Y, Z from the Earth's centre. [m]

    Source: EPSG Guidance Note 7-2, method 9602, with height 0.
    """
    at = np.empty((len(lon), 3))

    def work(part: slice) -> None:
        lam, phi = np.radians(lon[part]), np.radians(lat[part])
        sine, cosine = np.sin(phi), np.cos(phi)
        nu = ELLIPSOID.a / np.sqrt(1 - ELLIPSOID.es * sine**2)
        at[part, 0] = nu * cosine * np.cos(lam)
        at[part, 1] = nu * cosine * np.sin(lam)
        at[part, 2] = (1 - ELLIPSOID.es) * nu * sine

    _shared(work, len(lon), threads)
    return at


def _geographic(at: Floats) -> tuple[Floats, Floats]:
    """Return longitude and latitude of places on the ellipsoid, or under it by some millimetres. [deg]"""
    x, y, z = at.T
    lat = np.arctan2(z, (1 - ELLIPSOID.es) * np.hypot(x, y))
    return np.degrees(np.arctan2(y, x)), np.degrees(lat)


def _to_lines(lon: Floats, lat: Floats, lines: Stations, threads: int) -> Floats:
    """Return geodesic distances to the nearest place of lines. [m]"""
    found = nearest_places(_geocentric(lon, lat, threads), lines, threads=threads)
    distance = np.empty(len(lon))

    def work(part: slice) -> None:
        distance[part] = _geodesic(lon[part], lat[part], *_geographic(found[part]))

    _shared(work, len(lon), threads)
    for which, centre in _tiles(lon, lat, distance > FAR_M):
        distance[which] = _far(lon[which], lat[which], distance[which], centre, lines)
    distance[distance < ROUNDING_M] = 0.0
    return distance


def _geodesic(lon: Floats, lat: Floats, to_lon: Floats, to_lat: Floats) -> Floats:
    """Return the lengths of geodesics. [m]"""
    length: Floats = np.asarray(ELLIPSOID.inv(lon, lat, to_lon, to_lat)[2])
    return length


def _tiles(lon: Floats, lat: Floats, far: Bools) -> Iterator[tuple[Ints, tuple[float, float]]]:
    """Group far points into small tiles by position, each with the longitude and latitude of its middle."""
    placed = np.flatnonzero(far)
    row = np.floor(lat[placed] / TILE_DEG)
    narrow = np.cos(np.radians((row + 0.5) * TILE_DEG))
    col = np.floor(lon[placed] * narrow / TILE_DEG)
    order = np.lexsort((col, row))
    changes = np.flatnonzero((np.diff(row[order]) != 0) | (np.diff(col[order]) != 0)) + 1
    for group in np.split(order, changes) if len(placed) else ():
        one = group[0]
        middle = ((col[one] + 0.5) * TILE_DEG / narrow[one], (row[one] + 0.5) * TILE_DEG)
        yield placed[group], (float(middle[0]), float(middle[1]))


def _far(lon: Floats, lat: Floats, upper: Floats, centre: tuple[float, float], lines: Stations) -> Floats:
    """Return geodesics from the points of one tile, ranked in an equidistant projection of its middle. [m]

    A point at distance s of the middle whose nearest place is no farther than u has it within s + u
    of the middle.
    """
    own = _around(centre, lon, lat)
    reach = float((np.hypot(own[:, 0], own[:, 1]) + upper).max()) + LONGEST_STEP_M
    middle = _geocentric(np.array([centre[0]]), np.array([centre[1]]), 1)
    chord = 2 * LOOSE_RADIUS_M * np.sin(min(reach / LOOSE_RADIUS_M, np.pi) / 2)
    near = np.linalg.norm(lines.at - middle, axis=1) <= chord
    joined = (lines.inverse > 0) & near & np.roll(near, -1)
    plane = stations(_around(centre, *_geographic(lines.at[near])), joined[near])
    found = nearest_places(own, plane)
    azimuth, away = np.degrees(np.arctan2(found[:, 0], found[:, 1])), np.hypot(found[:, 0], found[:, 1])
    ends = ELLIPSOID.fwd(np.full(len(lon), centre[0]), np.full(len(lon), centre[1]), azimuth, away)
    return np.minimum(upper, _geodesic(lon, lat, ends[0], ends[1]))


def _around(centre: tuple[float, float], lon: Floats, lat: Floats) -> Floats:
    """Return places in the azimuthal equidistant projection around a centre. [m]

    Source: Snyder 1987, USGS Professional Paper 1395, chapter 25. https://doi.org/10.3133/pp1395
    """
    azimuth, _, away = ELLIPSOID.inv(np.full(len(lon), centre[0]), np.full(len(lon), centre[1]), lon, lat)
    bearing = np.radians(azimuth)
    return np.column_stack([away * np.sin(bearing), away * np.cos(bearing)])


def _inside(points: gpd.GeoDataFrame, layer: Outlines, threads: int) -> Bools:
    """Tell which points lie in any of the polygons, in the layer's own CRS, where their sides are straight."""
    inside = np.zeros(len(points), dtype=bool)
    x, y = to_layer_xy(points, layer.crs)
    for turn in _turns(layer):
        spot, near = layer.tree.query(shapely.points(x + turn, y))
        _prepare(layer.polygons[np.unique(near)])

        def work(part: slice, turn: float = turn, spot: Ints = spot, near: Ints = near) -> None:
            who = spot[part]
            inside[who[shapely.intersects_xy(layer.polygons[near[part]], x[who] + turn, y[who])]] = True

        _shared(work, len(spot), threads)
    return inside


def _prepare(polygons: Shapes) -> None:
    """Make polygons ready for many points; their index is built at the first, which must not be in a thread."""
    shapely.prepare(polygons)
    west, south, _, _ = shapely.bounds(polygons).T
    shapely.intersects_xy(polygons, west, south)


def _turns(layer: Outlines) -> list[float]:
    """Return what to add to x so that polygons drawn past the date line are met, in units of the CRS."""
    if not layer.crs.is_geographic:
        return [0.0]
    turn = 2 * np.pi / float(layer.crs.axis_info[0].unit_conversion_factor)
    west, _, east, _ = shapely.total_bounds(layer.polygons)
    return [k * turn for k in (-1, 0, 1) if west < (k + 0.5) * turn and east > (k - 0.5) * turn]
