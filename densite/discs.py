"""Discs on the ground laid over raster cells: how much of every cell a circle covers, exactly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import ArrayLike, NDArray

from densite.errors import LayerError
from densite.layers import Raster, cells_at, ground_jacobian, lon_lat, read_windows

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class DiscCells:
    """The cells under the discs of one radius around a batch of points.

    ``which`` (k,) are the points' positions; ``values`` (k, h, w) the cells, NaN where missing;
    ``areas`` (k, h, w) what the disc covers of each cell [m2]; ``cell_area`` (k,) a cell's whole
    area [m2].
    """

    which: Ints
    radius_m: float
    values: Floats
    areas: Floats
    cell_area: Floats

    @property
    def missing_share(self) -> Floats:
        """Share of each disc's area that is nodata or outside the raster, shape (k,). [0..1]"""
        return self.share(np.isnan(self.values))

    def share(self, chosen: NDArray[np.bool_]) -> Floats:
        """Return the share of each disc's area that chosen cells (k, h, w) hold, shape (k,). [0..1]"""
        return _total(np.where(chosen, self.areas, 0.0)) / _total(self.areas)


def disc_weights(x_edges: ArrayLike, y_edges: ArrayLike, *, radius_m: float) -> Floats:
    """Return the area of a circle around the origin that lies in each cell of a rectangular grid.

    The signed area F(x, y) of the part of the disc between the axes and the point (x, y) is the
    double integral of the disc from (0, 0); it is odd in x and in y. A cell's area then follows
    by inclusion and exclusion, F(x1, y1) - F(x0, y1) - F(x1, y0) + F(x0, y0), in whichever
    quadrants its corners lie. For x, y >= 0, cut down to the radius r:

    - inside the circle (x^2 + y^2 <= r^2) the part is the rectangle x y;
    - outside it the part is the rectangle as far as the circle is higher than y, that is up to
      a = sqrt(r^2 - y^2), and from there the ground under the arc:
      F = y a + H(x) - H(a) with H(t) = (t sqrt(r^2 - t^2) + r^2 asin(t / r)) / 2.

    Parameters
    ----------
    x_edges : array_like, shape (..., w + 1)
        Edges of the columns from the circle's centre, rising or falling. [m]
    y_edges : array_like, shape (..., h + 1)
        Edges of the rows from the circle's centre, rising or falling. [m]
    radius_m : float
        Radius of the circle. [m]

    Returns
    -------
    ndarray, shape (..., h, w)
        Area of the circle in each cell. [m2]
    """
    x, y = np.asarray(x_edges, float), np.asarray(y_edges, float)
    x_in, y_in = (np.minimum(np.abs(side), radius_m) for side in (x, y))
    under_x = _under_arc(x_in, _other_leg(x_in, radius_m), radius_m)
    reach = _other_leg(y_in, radius_m)
    beyond = y_in * reach - _under_arc(reach, y_in, radius_m)
    inside = x_in[..., None, :] <= reach[..., :, None]
    rectangle = x_in[..., None, :] * y_in[..., :, None]
    part = np.where(inside, rectangle, under_x[..., None, :] + beyond[..., :, None])
    part *= np.sign(x)[..., None, :] * np.sign(y)[..., :, None]
    areas: Floats = np.abs(np.diff(np.diff(part, axis=-1), axis=-2))
    return areas


def disc_cells(points: gpd.GeoDataFrame, raster: Raster, *, radii_m: Sequence[float]) -> Iterator[DiscCells]:
    """Read the cells under discs around points, once for all radii.

    Cells are taken as rectangles whose sides are the cell's sides on the ground at the point. In
    conformal CRSs (UTM, state plane, Mercator) and in degrees they are rectangles. Neglected are
    the change of their size within the disc and the shear of other projections: of an equal-area
    projection of a continent the shear is mostly under one degree, which moves parts of a disc's
    rim by under 1 % of its radius.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer.
    radii_m : sequence of float
        Disc radii. [m]

    Yields
    ------
    DiscCells
        One batch of points and one radius at a time; points without coordinates are left out.

    Raises
    ------
    LayerError
        No radius or one that is not positive, or the layer cannot be read.
    """
    if not len(radii_m) or not all(np.isfinite(radius) and radius > 0 for radius in radii_m):
        raise LayerError(f"disc radii {list(radii_m)}: expected one or more, each above 0 m")
    row, col = cells_at(points, raster)
    high, wide = cell_size(points, raster)
    placed = np.flatnonzero(np.isfinite(row) & np.isfinite(high) & np.isfinite(wide))
    row, col, high, wide = row[placed], col[placed], high[placed], wide[placed]
    rows, cols = np.floor(row).astype(np.int64), np.floor(col).astype(np.int64)
    half_rows, half_cols = (_reach(max(radii_m), side) for side in (high, wide))
    for which, values in read_windows(raster, rows, cols, half_rows=half_rows, half_cols=half_cols):
        for radius in radii_m:
            trim = tuple(_trim(values.shape[i], _reach(radius, s[which])) for i, s in ((1, high), (2, wide)))
            x_edges = _edges(col[which] - cols[which], wide[which], values.shape[2], trim[1])
            y_edges = _edges(row[which] - rows[which], high[which], values.shape[1], trim[0])
            yield DiscCells(
                which=placed[which],
                radius_m=float(radius),
                values=values[:, trim[0] : values.shape[1] - trim[0], trim[1] : values.shape[2] - trim[1]],
                areas=disc_weights(x_edges, y_edges, radius_m=float(radius)),
                cell_area=high[which] * wide[which],
            )


def cell_size(points: gpd.GeoDataFrame, raster: Raster) -> tuple[Floats, Floats]:
    """Return the sides of a raster's cells on the ground at points.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer.

    Returns
    -------
    tuple of ndarray
        Height (along a column) and width (along a row) of a cell at each point. [m]
    """
    lon, lat = lon_lat(points)
    (xe, xn), (ye, yn) = np.moveaxis(ground_jacobian(lon, lat, raster.crs), 0, -1)
    determinant = np.abs(xe * yn - xn * ye)
    # lengths of the columns of the inverse Jacobian: ground metres per unit of x and of y
    width = np.hypot(yn, ye) / determinant * abs(raster.transform.a)
    height = np.hypot(xn, xe) / determinant * abs(raster.transform.e)
    return height, width


def _other_leg(leg: Floats, radius: float) -> Floats:
    """Return how high the circle is over a leg, or how far it reaches at a height. [m]"""
    other: Floats = np.sqrt((radius - leg) * (radius + leg))
    return other


def _under_arc(t: Floats, height: Floats, radius: float) -> Floats:
    """Return the area under the circle's arc from 0 to t, where the circle is ``height`` high. [m2]

    The arctangent of both legs keeps the digits that the arcsine of t / r loses near t = r.
    """
    area: Floats = (t * height + radius**2 * np.arctan2(t, height)) / 2
    return area


def _reach(radius: float, side: Floats) -> Ints:
    """Return how many cells to each side of a point's own the disc can touch. [cells]"""
    return np.ceil(radius / side).astype(np.int64)


def _trim(size: int, reach: Ints) -> int:
    """Return how many cells at each end of a window a smaller disc does not touch. [cells]"""
    return max(0, (size - 1) // 2 - int(reach.max()))


def _edges(offset: Floats, side: Floats, size: int, trim: int) -> Floats:
    """Return the edges of a window's cells from its point, shape (k, cells + 1). [m]"""
    steps = np.arange(trim, size - trim + 1) - (size - 1) // 2
    return (steps[None, :] - offset[:, None]) * side[:, None]


def _total(cells: Floats) -> Floats:
    """Sum over the cells of each window."""
    total: Floats = cells.sum(axis=(1, 2))
    return total
