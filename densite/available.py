"""Available points: places that a female could have used, drawn to be compared with those she used."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from densite.cover import UNREADABLE, value_at
from densite.errors import LayerError, PointsError
from densite.layers import WGS84, Features, Raster, open_features, open_raster
from densite.settings import LayerSettings, Settings

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rule = Literal["random", "grid"]

LOT = 4096  # tries drawn from one stream; fixed, so that the points do not depend on how the work is cut
ROUND_TRIES = 2**19  # most tries held in memory at a time
GIVE_UP_TRIES = 2**22  # tries without one hit after which there is no room
MOST_TRIES = 2**27  # some minutes
SIDE = 64  # a box is cut into so many strips each way; those that miss the area are not tried
EDGE_STEPS = 256  # pieces into which a boundary's longest side is cut before it is bent by a projection
ALL = ""  # the female of study-wide points


@dataclass(frozen=True, slots=True)
class _Area:
    """One area to draw in: its polygons, those left out, and codes of land cover left out."""

    polygons: gpd.GeoSeries
    left_out: tuple[gpd.GeoSeries, ...]
    land_cover: Raster | None
    codes: tuple[int, ...]
    who: str


def available_points(
    boundary: gpd.GeoDataFrame,
    *,
    n: int | None = None,
    seed: int,
    rule: Rule = "random",
    spacing_m: float | None = None,
    exclude: Sequence[gpd.GeoDataFrame] = (),
    land_cover: Raster | None = None,
    exclude_codes: Sequence[int] = (),
    female: str | None = None,
) -> gpd.GeoDataFrame:
    """Draw points inside a boundary minus what is left out, evenly on the ground.

    Points are drawn in Lambert's azimuthal equal-area projection round the middle of the area, so every
    square metre has the same chance. Whether a point lies inside is asked in the boundary's own CRS of
    the very coordinates that are returned. Tries come in numbered lots, each with its own stream of
    random numbers (PCG64): the same seed gives the same points however many are tried at a time, fewer
    points are the first of more, and one female's points do not change when another is added.

    Parameters
    ----------
    boundary : GeoDataFrame
        Polygons in any CRS: the study area, or the females' areas.
    n : int, optional
        Number of points with ``rule="random"``, for each female where ``female`` is given.
    seed : int
        Not negative. With ``rule="grid"`` it places the grid's origin.
    rule : {'random', 'grid'}
        Independent points, or all nodes of a square grid.
    spacing_m : float, optional
        Side of the grid with ``rule="grid"``, on the ground in the middle of the area (the projection
        stretches it by less than 0.1 % within 500 km). [m]
    exclude : sequence of GeoDataFrame
        Polygons to leave out, such as water and built-up land, each in any CRS. Their edge is left out
        too; invalid ones are mended first.
    land_cover : Raster, optional
        Layer of class codes; points where it has no value are left out when codes are given.
    exclude_codes : sequence of int
        Codes of ``land_cover`` to leave out.
    female : str, optional
        Column of ``boundary`` that tells whose area a polygon is.

    Returns
    -------
    GeoDataFrame
        Points in EPSG:4326 with ``point_id`` from 1 and, where asked, ``female``. What they were drawn
        with stands in ``attrs["available"]``.

    Raises
    ------
    PointsError
        The boundary has no CRS, is no valid polygon or empty; nothing is left of it; numbers do not fit.
    LayerError
        The land cover cannot be read.

    Notes
    -----
    Source: Snyder 1987, Map Projections: a working manual, USGS Professional Paper 1395, ch. 24.
    https://doi.org/10.3133/pp1395
    """
    _check_numbers(n, seed, rule, spacing_m)
    codes = tuple(sorted({int(code) for code in exclude_codes}))
    if codes and land_cover is None:
        raise PointsError("codes of land cover to leave out, but no land cover: name [layers.land_cover] in study.toml")
    groups = _groups(_checked(boundary, "boundary"), female)
    left_out = tuple(_mended(frame) for frame in exclude)
    parts, tries = [], 0
    for who, polygons in groups.items():
        area = _Area(polygons, left_out, land_cover, codes, who)
        lon, lat, tried = _grid(area, seed, spacing_m) if spacing_m else _random(area, seed, n or 0)
        parts.append((who, lon, lat))
        tries += tried
    frame = _frame(parts, named=female is not None)
    frame.attrs["available"] = {
        "rule": rule, "seed": seed, "n": n, "spacing_m": spacing_m, "per_female": female is not None,
        "boundary": fingerprint(boundary), "left_out": [fingerprint(e) for e in exclude],
        "left_out_codes": list(codes), "land_cover": land_cover.fingerprint if land_cover and codes else None,
        "tries": tries, "points": len(frame), "densite": version("densite"),
    }  # fmt: skip
    return frame


def study_points(
    settings: Settings,
    *,
    folder: Path,
    n: int | None = None,
    seed: int,
    spacing_m: float | None = None,
    within: Path | None = None,
    female: str | None = None,
    exclude: Sequence[Path] = (),
    exclude_codes: Sequence[int] = (),
) -> gpd.GeoDataFrame:
    """Draw available points in a study's boundary, or in the polygons of a file.

    Parameters
    ----------
    settings : Settings
        For the layers boundary and land_cover.
    folder : Path
        Study folder.
    n, seed, spacing_m, female, exclude_codes
        As for :func:`available_points`; a spacing asks for a grid. [m]
    within : Path, optional
        File of polygons to draw in instead of the boundary.
    exclude : sequence of Path
        Files of polygons to leave out.

    Returns
    -------
    GeoDataFrame
        As of :func:`available_points`.

    Raises
    ------
    PointsError, LayerError
        As for :func:`available_points`, or a layer is missing or unreadable.
    """
    if within is None and "boundary" not in settings.layers:
        raise PointsError("nothing to draw in: name [layers.boundary] in study.toml, or give a file with --within")
    drawn = _polygons(within) if within else open_features("boundary", settings.layers["boundary"], folder=folder)
    chosen = settings.layers.get("land_cover")
    return available_points(
        drawn.frame, n=n, seed=seed, rule="grid" if spacing_m is not None else "random", spacing_m=spacing_m,
        female=female, exclude=[_polygons(path).frame for path in exclude], exclude_codes=exclude_codes,
        land_cover=open_raster("land_cover", chosen, folder=folder) if chosen and exclude_codes else None,
    )  # fmt: skip


def _polygons(path: Path) -> Features:
    return open_features("boundary", LayerSettings(path=str(path)), folder=Path())


def fingerprint(frame: gpd.GeoDataFrame) -> str:
    """Return the SHA-256 by which geometries and their CRS are known again, in their order.

    Parameters
    ----------
    frame : GeoDataFrame
        Any geometries.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    digest = hashlib.sha256(b"" if frame.crs is None else frame.crs.to_wkt().encode())
    for wkb in shapely.to_wkb(frame.geometry.to_numpy(), byte_order=1):
        digest.update(wkb or b"-")
    return digest.hexdigest()


def _check_numbers(n: int | None, seed: int, rule: str, spacing_m: float | None) -> None:
    if seed < 0:
        raise PointsError(f"seed {seed}: expected 0 or more")
    if rule == "random":
        if spacing_m is not None:
            raise PointsError("a spacing belongs to a grid: ask for random points or for a grid, not for both")
        if n is None or n <= 0:
            raise PointsError(f"{n} points: expected 1 or more")
    elif rule == "grid":
        if n is not None:
            raise PointsError("a grid has as many points as find room: leave out the number")
        if spacing_m is None or not 0 < spacing_m < np.inf:
            raise PointsError(f"grid spacing {spacing_m}: expected metres above 0")
    else:
        raise PointsError(f"rule '{rule}'; allowed: random, grid")


def _checked(frame: gpd.GeoDataFrame, what: str) -> gpd.GeoDataFrame:
    """Return polygons that can be drawn in."""
    if frame.crs is None:
        raise PointsError(f"the {what} has no CRS: say which with set_crs(...) or in study.toml")
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if frame.empty:
        raise PointsError(f"the {what} has no polygons")
    kinds = set(frame.geometry.geom_type) - {"Polygon", "MultiPolygon"}
    if kinds:
        raise PointsError(f"the {what} holds {', '.join(sorted(kinds))}; expected polygons only")
    broken = frame.index[~frame.geometry.is_valid]
    if len(broken):
        why = shapely.is_valid_reason(frame.geometry.loc[broken[0]])
        raise PointsError(
            f"the {what}: polygon {broken[0]} is not valid ({why}); {len(broken)} in all. Mend it first "
            "(ogr2ogr -makevalid, or the fix-geometries tool of a GIS)"
        )
    return frame


def _mended(frame: gpd.GeoDataFrame) -> gpd.GeoSeries:
    """Return the polygons of a layer to leave out, one part a row."""
    if frame.crs is None:
        raise PointsError("a layer to leave out has no CRS: say which with set_crs(...) or in its file")
    shapes = frame.geometry
    wrong = ~shapes.is_valid
    parts = shapes.where(~wrong, shapes.make_valid()).explode(index_parts=False) if wrong.any() else shapes
    parts = parts.explode(index_parts=False)
    return parts[parts.geom_type == "Polygon"]


def _groups(boundary: gpd.GeoDataFrame, female: str | None) -> dict[str, gpd.GeoSeries]:
    """Return the polygons of each female, or all of them together."""
    parts = boundary.explode(index_parts=False)
    if female is None:
        return {ALL: parts.geometry}
    if female not in boundary:
        raise PointsError(f"the boundary has no column '{female}'; its columns: {', '.join(map(str, boundary))}")
    if boundary[female].isna().any():
        raise PointsError(f"polygons without a female: {int(boundary[female].isna().sum())}; fill in '{female}'")
    return {str(who): group.geometry for who, group in sorted(parts.groupby(parts[female].astype(str)))}


def _random(area: _Area, seed: int, n: int) -> tuple[Floats, Floats, int]:
    """Draw tries in rounds until there are enough hits; return the first n and how many were tried."""
    plane, box, cells = _plane(area.polygons)
    found: list[tuple[Floats, Floats]] = []
    hits = tries = 0
    while hits < n:
        rate = (hits + 1) / (tries + 1) if tries else 0.5
        if (tries >= GIVE_UP_TRIES and not hits) or (hits and n / rate > MOST_TRIES):
            raise PointsError(
                f"{_for(area)}of {tries} tries {hits} hit what is left of the area: no room for {n} points. "
                "Leave out less, or draw a closer boundary"
            )
        lots = int(min(max(1.05 * (n - hits) / rate, LOT), ROUND_TRIES) // LOT) + 1
        lon, lat = _lon_lat(_in_cells(_tries(seed, area.who, tries // LOT, lots), box, cells), plane)
        keep = _inside(area, lon, lat)
        found.append((lon[keep], lat[keep]))
        hits, tries = hits + int(keep.sum()), tries + lots * LOT
    lon, lat = (np.concatenate([pair[axis] for pair in found])[:n] for axis in (0, 1))
    return lon, lat, tries


def _tries(seed: int, who: str, first: int, lots: int) -> Floats:
    """Return the tries of some lots, evenly in the unit square, shape (lots * LOT, 2).

    Taken from the generator's raw bits, which numpy promises never to change, unlike its distributions.
    """
    own = int.from_bytes(hashlib.sha256(who.encode()).digest()[:8], "big")
    raw = [
        np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(own, lot))).random_raw(2 * LOT)
        for lot in range(first, first + lots)
    ]
    shares: Floats = (np.concatenate(raw) >> np.uint64(11)).astype(np.float64) * 2.0**-53
    return shares.reshape(-1, 2)


def _grid(area: _Area, seed: int, spacing_m: float) -> tuple[Floats, Floats, int]:
    """Return the nodes of a grid that lie inside, from north to south and west to east."""
    plane, (west, south, east, north), _ = _plane(area.polygons)
    across, down = int((east - west) / spacing_m) + 2, int((north - south) / spacing_m) + 2
    if across * down > MOST_TRIES:
        raise PointsError(f"{_for(area)}a grid of {spacing_m:g} m has {across * down} nodes: choose a wider one")
    shift = _tries(seed, area.who, 0, 1)[0] * spacing_m
    x = west - shift[0] + np.arange(across) * spacing_m
    found = []
    step = max(1, ROUND_TRIES // across)
    for top in range(0, down, step):
        y = north + shift[1] - np.arange(top, min(top + step, down)) * spacing_m
        nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        lon, lat = _lon_lat(nodes, plane)
        keep = _inside(area, lon, lat)
        found.append((lon[keep], lat[keep]))
    lon, lat = (np.concatenate([pair[axis] for pair in found]) for axis in (0, 1))
    if not len(lon):
        raise PointsError(f"{_for(area)}no node of a grid of {spacing_m:g} m lies inside: choose a closer one")
    return lon, lat, across * down


Box = tuple[float, float, float, float]


def _plane(polygons: gpd.GeoSeries) -> tuple[CRS, Box, Floats]:
    """Return an equal-area projection round the polygons, the box that holds them in it, and cells to try.

    A cell is the lower left corner, in strips, of one of the box's SIDE x SIDE rectangles.
    """
    west, south, east, north = polygons.total_bounds
    middle = Transformer.from_crs(polygons.crs, WGS84, always_xy=True)
    lon, lat = middle.transform((west + east) / 2, (south + north) / 2)
    plane = CRS.from_proj4(f"+proj=laea +lon_0={lon:.6f} +lat_0={lat:.6f} +datum=WGS84 +units=m")
    longest = max(east - west, north - south) / EDGE_STEPS
    bent = gpd.GeoSeries(shapely.segmentize(polygons.to_numpy(), longest), crs=polygons.crs).to_crs(plane)
    left, bottom, right, top = bent.total_bounds
    # a piece of a side still bulges, by a part of its length that is smaller by far than this
    margin = max(right - left, top - bottom) / EDGE_STEPS
    box = (left - margin, bottom - margin, right + margin, top + margin)
    cells = np.stack(np.meshgrid(np.arange(SIDE), np.arange(SIDE)), axis=-1).reshape(-1, 2).astype(np.float64)
    low, high = _in_box(cells, box), _in_box(cells + 1, box)
    reach = shapely.box(*(low - margin / 2).T, *(high + margin / 2).T)
    hit, _ = shapely.STRtree(bent.to_numpy()).query(reach, predicate="intersects")
    return plane, box, cells[np.unique(hit)]


def _in_box(strips: Floats, box: Box) -> Floats:
    """Return places in a plane that are given in strips of a box, shape (n, 2)."""
    corner, far = np.array(box[:2]), np.array(box[2:])
    placed: Floats = corner + strips / SIDE * (far - corner)
    return placed


def _in_cells(tries: Floats, box: Box, cells: Floats) -> Floats:
    """Spread tries evenly over cells: the first number chooses the cell and, with what is left of it, the place."""
    chosen = np.floor(tries[:, 0] * len(cells))
    within = np.stack([tries[:, 0] * len(cells) - chosen, tries[:, 1]], axis=1)
    return _in_box(cells[chosen.astype(np.int64)] + within, box)


def _lon_lat(places: Floats, plane: CRS) -> tuple[Floats, Floats]:
    """Return longitude and latitude of places in a plane. [deg]"""
    lon, lat = Transformer.from_crs(plane, WGS84, always_xy=True).transform(places[:, 0], places[:, 1])
    return lon, lat


def _inside(area: _Area, lon: Floats, lat: Floats) -> Flags:
    """Tell which places lie in the area's polygons and in nothing that is left out."""
    keep = _within(area.polygons, lon, lat, edge=False)
    for layer in area.left_out:
        here = np.flatnonzero(keep)
        keep[here] = ~_within(layer, lon[here], lat[here], edge=True)
    if area.codes and area.land_cover is not None:
        here = np.flatnonzero(keep)
        keep[here] = _allowed(area.land_cover, area.codes, lon[here], lat[here])
    return keep


def _within(polygons: gpd.GeoSeries, lon: Floats, lat: Floats, *, edge: bool) -> Flags:
    """Tell which places lie in any of the polygons, asked in the polygons' CRS."""
    x, y = Transformer.from_crs(WGS84, polygons.crs, always_xy=True).transform(lon, lat)
    if polygons.crs.is_geographic:  # a boundary across the 180th meridian may count on beyond it
        x = np.where(x < polygons.total_bounds[0], x + 360.0, x)
    shapes = polygons.to_numpy()
    shapely.prepare(shapes)  # once: later calls find it done
    asked = shapely.intersects_xy if edge else shapely.contains_xy
    if len(shapes) == 1:
        alone: Flags = asked(shapes[0], x, y)
        return alone
    point, shape = shapely.STRtree(shapes).query(shapely.points(x, y))
    hit = asked(shapes[shape], x[point], y[point])
    found = np.zeros(len(x), dtype=bool)
    found[point[hit]] = True
    return found


def _allowed(land_cover: Raster, codes: tuple[int, ...], lon: Floats, lat: Floats) -> Flags:
    frame = gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)
    cover = value_at(frame, land_cover)
    if (cover["reason"] == UNREADABLE).any():
        raise LayerError(f"layer '{land_cover.name}': {land_cover.path} is damaged in part: copy it again")
    allowed: Flags = (cover["value"].notna() & ~cover["value"].isin(codes)).to_numpy()
    return allowed


def _frame(parts: Iterable[tuple[str, Floats, Floats]], *, named: bool) -> gpd.GeoDataFrame:
    whose, lons, lats = zip(*parts, strict=True)
    columns: dict[str, Any] = {"point_id": np.arange(1, sum(map(len, lons)) + 1)}
    if named:
        columns["female"] = np.repeat(np.array(whose, dtype=object), [len(lon) for lon in lons])
    places = gpd.points_from_xy(np.concatenate(lons), np.concatenate(lats))
    return gpd.GeoDataFrame(columns, geometry=places, crs=4326)


def _for(area: _Area) -> str:
    return f"female {area.who}: " if area.who else ""
