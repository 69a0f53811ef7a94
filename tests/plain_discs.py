"""The plain way to discs: windows of whole cells with the area that the circle has of each, the tests' oracle."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from densite.discs import cell_size, disc_weights
from densite.layers import Raster, cells_at, read_windows

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
