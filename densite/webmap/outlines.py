"""Vector layers as light outlines: cut to the region, simplified, and rounded to about a metre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import mapping

from densite.layers import Features
from densite.webmap.palette import LINE_STYLES, LineStyle
from densite.webmap.region import SCREEN_CRS, Region

FINEST_TOLERANCE_M = 3.0
MOST_VERTICES = 40_000
COARSEST_TOLERANCE_M = 400.0
_DECIMALS = 5  # 0.00001 degree of latitude is 1.1 m


@dataclass(frozen=True, slots=True)
class Outline:
    """One vector layer ready to be drawn; ``geometry`` is GeoJSON in WGS 84 degrees."""

    key: str
    geometry: dict[str, Any]
    style: LineStyle
    note: str

    @property
    def kind(self) -> str:
        """How the legend shows it: ``line``, ``area`` or ``dot``."""
        if self.geometry["type"] == "MultiPoint":
            return "dot"
        return "area" if self.style.fill else "line"


def outline(features: Features, *, region: Region) -> list[Outline]:
    """Return a vector layer as one outline.

    Shapes are simplified (Douglas-Peucker; areas keep their topology) to 3 m, small areas to a tenth
    of their own size. If that leaves more than 40,000 vertices, buildings become dots, one for each
    square that holds any; of other layers the tolerance is doubled until they fit, up to 400 m,
    after which the smallest pieces are left out. The note says what was done.

    Parameters
    ----------
    features : Features
        The layer, in any CRS.
    region : Region
        The part to show.

    Returns
    -------
    list of Outline
        One outline, or none when nothing of the layer lies in the region.
    """
    style = LINE_STYLES.get(features.name)
    shapes = _shapes_in(features.frame, region)
    if style is None or not len(shapes):
        return []
    drawn, note = _fitting(shapes, scale=region.ground_scale, dots=style.dots)
    degrees = gpd.GeoSeries([_merged(drawn)], crs=SCREEN_CRS).to_crs("EPSG:4326").iloc[0]
    return [Outline(features.name, _rounded(mapping(degrees)), style, note)]


def _shapes_in(frame: gpd.GeoDataFrame, region: Region) -> Any:
    """Return the simple parts of all shapes, cut to the region, in EPSG:3857."""
    shapes = frame.geometry.to_crs(SCREEN_CRS)
    known = shapes[~(shapes.isna() | shapes.is_empty)]
    valid = known.where(known.is_valid, known.make_valid())
    cut = valid.clip_by_rect(region.left, region.bottom, region.right, region.top)
    parts = shapely.force_2d(cut[~cut.is_empty].explode().to_numpy())
    # A cut or a repair may leave stray points or lines beside areas: the layer keeps its main kind.
    kinds = shapely.get_dimensions(parts)
    return parts[kinds == kinds.max()] if len(parts) else parts


def _fitting(shapes: Any, *, scale: float, dots: bool) -> tuple[Any, str]:
    """Simplify until the shapes fit; ``scale`` is ground metres per projected metre."""
    kind = int(shapely.get_dimensions(shapes)[0])
    if kind == 0:
        return _dots(shapes, scale)
    tolerance = FINEST_TOLERANCE_M
    while _vertices(simple := _simplified(shapes, tolerance / scale)).sum() > MOST_VERTICES:
        if dots and kind == 2:
            return _dots(shapely.point_on_surface(shapes), scale)
        if tolerance >= COARSEST_TOLERANCE_M:
            return _largest(simple), f"Simplified to {tolerance:g} m; the smallest pieces are left out"
        tolerance = min(tolerance * 2, COARSEST_TOLERANCE_M)
    return simple, f"Simplified to {tolerance:g} m"


def _simplified(shapes: Any, tolerance: float) -> Any:
    """Simplify, but never so far that a small area loses its form."""
    if int(shapely.get_dimensions(shapes)[0]) == 1:
        return shapely.simplify(shapes, tolerance, preserve_topology=False)
    own = np.sqrt(shapely.area(shapes)) / 10
    return shapely.simplify(shapes, np.minimum(own, tolerance), preserve_topology=True)


def _vertices(shapes: Any) -> Any:
    return shapely.get_num_coordinates(shapes)


def _dots(points: Any, scale: float) -> tuple[Any, str]:
    """Put points on a grid and keep one for each square, in ever coarser squares until they fit."""
    places = shapely.get_coordinates(points)
    tolerance = FINEST_TOLERANCE_M
    while True:
        cell = tolerance / scale
        squares = np.unique(np.floor(places / cell), axis=0)
        if len(squares) <= MOST_VERTICES:
            finest = tolerance == FINEST_TOLERANCE_M
            note = "Drawn as dots" if finest else f"One dot for each {tolerance:g} m square that holds any"
            return shapely.points((squares + 0.5) * cell), note
        tolerance *= 2


def _largest(shapes: Any) -> Any:
    """Keep the longest lines or largest areas that fit, and one in any case."""
    size = np.where(shapely.get_dimensions(shapes) == 2, shapely.area(shapes), shapely.length(shapes))
    order = np.argsort(-size, kind="stable")
    fitting = int((np.cumsum(_vertices(shapes)[order]) <= MOST_VERTICES).sum())
    return shapes[order[: max(1, fitting)]]


def _merged(shapes: Sequence[Any]) -> Any:
    """Put shapes of one kind into one multi-shape."""
    makers: dict[int, Any] = {0: shapely.multipoints, 1: shapely.multilinestrings, 2: shapely.multipolygons}
    return makers[int(shapely.get_dimensions(shapes)[0])](shapes)


def _rounded(geometry: Any) -> dict[str, Any]:
    return {"type": geometry["type"], "coordinates": _round(geometry["coordinates"])}


def _round(part: Any) -> Any:
    if isinstance(part[0], float):
        return [round(part[0], _DECIMALS), round(part[1], _DECIMALS)]
    return [_round(inner) for inner in part]
