"""Settlement patterns on grids: urban centres and clusters of people, large areas of wildland."""

from __future__ import annotations

import math
from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from densite.errors import LayerError
from densite.layers import Raster, cells_at, read_array, read_windows, to_layer_xy

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

CENTRE, CLUSTER, RURAL = "urban centre", "urban cluster", "rural"
CELL_M = 1000.0
CENTRE_DENSITY, CENTRE_PEOPLE = 1500.0, 50_000.0
CLUSTER_DENSITY, CLUSTER_PEOPLE = 300.0, 5_000.0
SMOOTH_NEIGHBOURS = 5
GAP_CELLS = 15
MAX_CELLS = 40_000_000

WILDLAND_M2, WILDLAND_SHARE, WILDLAND_REACH_M = 5e6, 0.75, 2400.0
BLOCK_M = 500.0
# Sums of cells carry rounding noise; a value this near to a threshold counts as reaching it.
SAME = 1e-9


def labelled(mask: Mask, *, corners: bool) -> Ints:
    """Number the groups of neighbouring cells.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, columns)
        Cells to group.
    corners : bool
        Whether cells that touch by a corner only are neighbours (8 neighbours, else 4).

    Returns
    -------
    ndarray of int, shape (rows, columns)
        0 outside ``mask``, else the group's number from 1.
    """
    place = np.full(mask.shape, -1, dtype=np.int64)
    place[mask] = np.arange(np.count_nonzero(mask))
    pairs = [(place[:, :-1], place[:, 1:]), (place[:-1], place[1:])]
    if corners:
        pairs += [(place[:-1, :-1], place[1:, 1:]), (place[:-1, 1:], place[1:, :-1])]
    joined = np.concatenate([_both(a, b) for a, b in pairs], axis=1)
    size = int(place.max(initial=-1)) + 1
    graph = coo_array((np.ones(joined.shape[1], dtype=np.int8), (joined[0], joined[1])), shape=(size, size))
    groups = np.zeros(mask.shape, dtype=np.int64)
    if size:
        groups[mask] = connected_components(graph, directed=False)[1] + 1
    return groups


def urbanisation(people: Floats) -> NDArray[np.int8]:
    """Class 1 km2 cells by the degree of urbanisation, level 1.

    Urban centres are grouped by sides and kept from 50,000 people upward, counted before gaps are
    filled. Then edges are smoothed: a cell of which at least five of the eight neighbours belong to
    one centre joins it, repeated until none does. Then gaps smaller than 15 km2 that one centre
    encloses are filled. A settlement that the grid's edge cuts counts with the people inside.

    Parameters
    ----------
    people : ndarray, shape (rows, columns)
        People per cell of 1 km2; NaN where unknown, which counts as nobody. [people]

    Returns
    -------
    ndarray of int8, shape (rows, columns)
        0 urban centre, 1 urban cluster, 2 rural, -1 unknown.

    Notes
    -----
    Sources: Eurostat 2021, Applying the Degree of Urbanisation, doi 10.2785/706535 (thresholds,
    contiguity); GHSL Data Package 2022 (majority of five in eight, repeated; holes under 15 km2). The
    option for built-up cells and the rules for cells of water are left out: they need more layers.
    That a gap is bounded by sides is our reading, since the sources do not say it.
    """
    known = np.nan_to_num(people)
    centres = _without_gaps(_smoothed(_populous(known, CENTRE_DENSITY, CENTRE_PEOPLE, corners=False)))
    clusters = _populous(known, CLUSTER_DENSITY, CLUSTER_PEOPLE, corners=True)
    codes = np.where(centres > 0, 0, np.where(clusters > 0, 1, 2)).astype(np.int8)
    codes[np.isnan(people) & (codes == 2)] = -1
    return codes


def urbanisation_at(
    points: gpd.GeoDataFrame, raster: Raster, *, per_km2: float | None
) -> tuple[list[str | None], list[str]]:
    """Return the degree of urbanisation of the 1 km2 cell in which each point falls.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        Population grid of square cells in metres, whose side is 1 km or divides it. Finer cells are
        added up, from the grid's upper left corner on; cells that make up no whole km2 at its
        right and lower edge are left out.
    per_km2 : float or None
        Factor that turns the cells' values into people per km2; None when they hold counts.

    Returns
    -------
    tuple of list
        Class names, None without one, and the reason.

    Raises
    ------
    LayerError
        Cells that are not square, not in metres, do not divide 1 km, or are too many.
    """
    factor = _cells_per_km(raster)
    values, _ = read_array(raster, max_cells=raster.shape[0] * raster.shape[1])
    if per_km2 is not None:
        values = values * per_km2 / factor**2
    codes = urbanisation(_block_sums(values, factor))
    row, col = cells_at(points, raster)
    told = [_told(codes, r / factor, c / factor) for r, c in zip(row, col, strict=True)]
    return [name for name, _ in told], [reason for _, reason in told]


def near_large_wildland(points: gpd.GeoDataFrame, raster: Raster, *, wild: Iterable[int], known: Iterable[int]) -> Mask:
    """Tell which points lie within 2.4 km of a large area of wildland vegetation.

    Land cover is gathered into blocks of about 500 m, counted from the raster's upper left corner.
    Blocks of which more than 75 % is wildland vegetation are joined by sides and corners, and areas of
    5 km2 and more count. The blocks stand in for the census blocks of the published maps.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        Land cover in a projected CRS.
    wild, known : iterable of int
        Codes of wildland vegetation, and all codes; other cells are missing, and a block of which
        more than half is missing does not count.

    Returns
    -------
    ndarray of bool, shape (n,)
        Whether each point is that near.

    Raises
    ------
    LayerError
        The land cover is in degrees, or the points spread over too many cells.

    Notes
    -----
    Sources: Federal Register 66:751 (2001); Radeloff et al. 2005, Ecological Applications 15: 799-805,
    doi 10.1890/04-1413 (from memory); distance, size and share as the US Geological Survey repeats
    them in describing its maps of 125 million buildings (Carlson et al. 2022).
    """
    if not len(points):
        return np.zeros(0, dtype=bool)
    metres = _metres_per_unit(raster)
    side = max(1, round(BLOCK_M / (abs(raster.transform.a) * metres)))
    high = max(1, round(BLOCK_M / (abs(raster.transform.e) * metres)))
    shares, top, left = _wild_shares(points, raster, (high, side), set(wild), set(known))
    groups = labelled(shares > WILDLAND_SHARE * (1 + SAME), corners=True)
    block_m2 = abs(raster.transform.a * raster.transform.e) * side * high * metres**2
    large = np.flatnonzero(np.bincount(groups.ravel()) * block_m2 >= WILDLAND_M2 * (1 - SAME))
    rows, cols = np.nonzero(np.isin(groups, large[large > 0]))
    t = raster.transform
    x, y = t.c + (left + cols * side) * t.a, t.f + (top + rows * high) * t.e
    boxes = shapely.box(x, y, x + side * t.a, y + high * t.e)
    spots = shapely.points(*to_layer_xy(points, raster.crs))
    reach = WILDLAND_REACH_M / metres
    near = np.zeros(len(points), dtype=bool)
    near[shapely.STRtree(boxes).query(spots, predicate="dwithin", distance=reach)[0]] = True
    return near


def _both(a: Ints, b: Ints) -> Ints:
    """Return the pairs of which both cells are in the mask."""
    both = (a >= 0) & (b >= 0)
    return np.stack([a[both], b[both]])


def _populous(people: Floats, density: float, total: float, *, corners: bool) -> Ints:
    """Number the groups of dense cells that hold enough people together."""
    groups = labelled(people >= density * (1 - SAME), corners=corners)
    enough = np.bincount(groups.ravel(), people.ravel()) >= total * (1 - SAME)
    enough[0] = False
    return np.where(enough[groups], groups, 0)


def _smoothed(centres: Ints) -> Ints:
    """Add cells of which at least five of the eight neighbours are one centre's, until none is added."""
    while True:
        grown = centres.copy()
        for number in np.unique(centres[centres > 0]):
            grown[(centres == 0) & (_neighbours(centres == number) >= SMOOTH_NEIGHBOURS)] = number
        if np.array_equal(grown, centres):
            return centres
        centres = grown


def _neighbours(mask: Mask) -> Ints:
    """Count for each cell how many of its eight neighbours are in the mask."""
    wide = np.pad(mask, 1).astype(np.int64)
    rows, cols = mask.shape
    around = sum(wide[i : i + rows, j : j + cols] for i in range(3) for j in range(3))
    return np.asarray(around) - mask


def _without_gaps(centres: Ints) -> Ints:
    """Fill gaps under 15 cells that a single centre encloses."""
    filled = centres.copy()
    gaps = labelled(centres == 0, corners=False)
    wide = np.pad(centres, 1)
    open_ended = {0, *gaps[0], *gaps[-1], *gaps[:, 0], *gaps[:, -1]}
    for gap in np.flatnonzero(np.bincount(gaps.ravel()) < GAP_CELLS):
        if gap in open_ended:
            continue
        rows, cols = np.nonzero(gaps == gap)
        beside = ((0, 1), (2, 1), (1, 0), (1, 2))
        around = np.unique(np.concatenate([wide[rows + i, cols + j] for i, j in beside]))
        if len(around[around > 0]) == 1:
            filled[rows, cols] = around[-1]
    return filled


def _cells_per_km(raster: Raster) -> int:
    """Return how many cells make up 1 km, if a whole number does."""
    metres = _metres_per_unit(raster)
    wide, high = abs(raster.transform.a) * metres, abs(raster.transform.e) * metres
    factor = max(1, round(CELL_M / wide))
    if not (math.isclose(wide, high, rel_tol=1e-6) and math.isclose(factor * wide, CELL_M, rel_tol=1e-6)):
        raise LayerError(
            f"layer '{raster.name}' has cells of {wide:g} x {high:g} m; the degree of urbanisation needs "
            "square cells of 1000 m, or cells that divide 1000 m: resample it (gdalwarp -tr 1000 1000 -r sum)"
        )
    if raster.shape[0] * raster.shape[1] > MAX_CELLS:
        raise LayerError(
            f"layer '{raster.name}' has {raster.shape[0]} x {raster.shape[1]} cells, more than the degree of "
            "urbanisation can hold at once: add them up to 1 km first (gdalwarp -tr 1000 1000 -r sum)"
        )
    return factor


def _metres_per_unit(raster: Raster) -> float:
    """Return the length of the layer's unit of coordinates, which may not be a degree."""
    if not raster.crs.is_projected:
        raise LayerError(
            f"layer '{raster.name}' is in degrees; cells of equal size are needed: project it first "
            "(gdalwarp -t_srs, an equal-area CRS is best)"
        )
    return float(raster.crs.axis_info[0].unit_conversion_factor)


def _block_sums(values: Floats, factor: int) -> Floats:
    """Add up blocks of cells; a block without any known cell stays unknown."""
    rows, cols = values.shape[0] // factor, values.shape[1] // factor
    blocks = values[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    sums: Floats = np.nan_to_num(blocks).sum(axis=(1, 3))
    sums[np.isnan(blocks).all(axis=(1, 3))] = np.nan
    return sums


def _told(codes: NDArray[np.int8], row: float, col: float) -> tuple[str | None, str]:
    """Return the class of the cell at a place of the grid, or why there is none."""
    if math.isnan(row) or math.isnan(col):
        return None, "no coordinates"
    if not (0 <= row < codes.shape[0] and 0 <= col < codes.shape[1]):
        return None, "outside the layer 'population'"
    code = int(codes[int(row), int(col)])
    if code < 0:
        return None, "no data of layer 'population' in the cell"
    return (CENTRE, CLUSTER, RURAL)[code], ""


def _wild_shares(
    points: gpd.GeoDataFrame, raster: Raster, block: tuple[int, int], wild: set[int], known: set[int]
) -> tuple[Floats, int, int]:
    """Return the share of wildland vegetation in blocks around all points, with the first row and column.

    The margin holds as many blocks beyond the reach as make up 5 km2: an area that starts within
    reach and leaves the window has that many blocks in it, so the answer does not depend on where
    the window ends.
    """
    row, col = cells_at(points, raster)
    size = np.array([abs(raster.transform.e), abs(raster.transform.a)]) * _metres_per_unit(raster)
    blocks = math.ceil(WILDLAND_M2 / (size[0] * size[1] * block[0] * block[1])) + 1
    margin = np.ceil(WILDLAND_REACH_M / size).astype(int) + blocks * np.array(block)
    first = np.floor([np.nanmin(row), np.nanmin(col)]).astype(int) - margin
    last = np.ceil([np.nanmax(row), np.nanmax(col)]).astype(int) + margin
    first = np.maximum(first // block, 0) * block
    last = np.minimum(-(-last // block) * block, -(-np.array(raster.shape) // block) * block)
    codes = _read(raster, first, np.maximum(last, first + block))
    return _shares(codes, block, wild, known), int(first[0]), int(first[1])


def _read(raster: Raster, first: Ints, last: Ints) -> Floats:
    """Read the cells from ``first`` up to ``last``, NaN outside the raster."""
    size = last - first
    if size[0] * size[1] > MAX_CELLS:
        raise LayerError(
            f"the points spread over {size[0]} x {size[1]} cells of layer '{raster.name}', too many to look "
            "for large wildland at once: take a coarser land cover, or one part of the study at a time"
        )
    half = size // 2
    middle = first + half
    _, windows = next(read_windows(raster, middle[:1], middle[1:], half_rows=half[:1], half_cols=half[1:]))
    return windows[0, : size[0], : size[1]]


def _shares(codes: Floats, block: tuple[int, int], wild: set[int], known: set[int]) -> Floats:
    """Return the share of wildland among the known cells of each block, NaN if most are unknown."""
    rows, cols = codes.shape[0] // block[0], codes.shape[1] // block[1]
    blocks = codes.reshape(rows, block[0], cols, block[1])
    valid = np.isin(blocks, list(known)).sum(axis=(1, 3))
    green = np.isin(blocks, list(wild)).sum(axis=(1, 3))
    return np.where(valid * 2 >= block[0] * block[1], green / np.maximum(valid, 1), np.nan)
