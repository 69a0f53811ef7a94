"""Landscapes whose answers are known in closed form, written as GeoTIFFs in any CRS, unit and type."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Grid:
    """A north-up grid of cells around a place, in any CRS.

    Parameters
    ----------
    crs : str
        Any CRS that pyproj knows.
    lon, lat : float
        WGS 84 position of the middle of the grid's middle cell. [deg]
    cell : float or (float, float)
        Side of a cell, or its width and height. [units of crs]
    size : int
        Number of rows and of columns; an odd number puts a cell on the middle.
    south_up : bool
        Store the southernmost row first, as some programs do.
    """

    crs: str
    lon: float
    lat: float
    cell: float | tuple[float, float]
    size: int = 41
    south_up: bool = False

    @property
    def transform(self) -> Affine:
        """Affine transform from column and row to the CRS."""
        width, height = self.cell if isinstance(self.cell, tuple) else (self.cell, self.cell)
        x, y = Transformer.from_crs(4326, self.crs, always_xy=True).transform(self.lon, self.lat)
        down = height if self.south_up else -height
        return Affine(width, 0.0, x - width * self.size / 2, 0.0, down, y - down * self.size / 2)

    def lon_lat(self) -> tuple[Floats, Floats]:
        """Return the position of every cell's middle, WGS 84, shape (rows, columns). [deg]"""
        steps = np.arange(self.size) + 0.5
        t = self.transform
        x, y = np.meshgrid(t.c + t.a * steps, t.f + t.e * steps)
        lon, lat = Transformer.from_crs(self.crs, 4326, always_xy=True).transform(x, y)
        return lon, lat

    def ground(self) -> tuple[Floats, Floats]:
        """Return every cell's ground distance from the grid's middle, to the true east and north. [m]

        The distances are those of an azimuthal equidistant projection of the WGS 84 ellipsoid: right
        at the middle, and in their length everywhere.
        """
        plane = CRS.from_proj4(f"+proj=aeqd +lon_0={self.lon!r} +lat_0={self.lat!r} +datum=WGS84")
        east, north = Transformer.from_crs(4326, plane, always_xy=True).transform(*self.lon_lat())
        return east, north

    def points(self, east: Sequence[float] = (0.0,), north: Sequence[float] = (0.0,)) -> gpd.GeoDataFrame:
        """Return points at ground distances from the grid's middle, in EPSG:4326.

        Parameters
        ----------
        east, north : sequence of float
            Distances to the true east and north. [m]
        """
        plane = CRS.from_proj4(f"+proj=aeqd +lon_0={self.lon!r} +lat_0={self.lat!r} +datum=WGS84")
        back = Transformer.from_crs(plane, 4326, always_xy=True)
        lon, lat = back.transform(np.array(east), np.array(north))
        return gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)


def plane(
    east: ArrayLike, north: ArrayLike, *, slope_deg: float, aspect_deg: float, middle_m: float = 1000.0
) -> Floats:
    """Return a tilted plane: one slope and one aspect everywhere.

    Parameters
    ----------
    east, north : array_like
        Ground distances from the middle, as from :meth:`Grid.ground`. [m]
    slope_deg : float
        Its slope. [deg]
    aspect_deg : float
        The true bearing in which it falls. [deg]
    middle_m : float
        Its height in the middle. [m]

    Returns
    -------
    ndarray
        Heights. [m]
    """
    bearing = np.radians(aspect_deg)
    down = np.asarray(east, float) * np.sin(bearing) + np.asarray(north, float) * np.cos(bearing)
    return np.asarray(middle_m - np.tan(np.radians(slope_deg)) * down)


def cone(east: ArrayLike, north: ArrayLike, *, slope_deg: float, summit_m: float = 3000.0) -> Floats:
    """Return a cone around the middle: one slope, and the aspect is the bearing from the summit.

    Parameters
    ----------
    east, north : array_like
        Ground distances from the summit. [m]
    slope_deg : float
        Its slope. [deg]
    summit_m : float
        Height of the summit. [m]

    Returns
    -------
    ndarray
        Heights. [m]
    """
    return np.asarray(summit_m - np.tan(np.radians(slope_deg)) * np.hypot(east, north))


def ridge(
    east: ArrayLike, north: ArrayLike, *, slope_deg: float, bearing_deg: float, crest_m: float = 2000.0
) -> Floats:
    """Return a ridge through the middle: two planes that fall away square to its crest.

    A disc of radius r around a point on the crest lies on average 4 r / (3 pi) from the crest, so
    the crest stands tan(slope) 4 r / (3 pi) above the mean of the disc.

    Parameters
    ----------
    east, north : array_like
        Ground distances from a point of the crest. [m]
    slope_deg : float
        Slope of both sides. [deg]
    bearing_deg : float
        True bearing along the crest. [deg]
    crest_m : float
        Height of the crest. [m]

    Returns
    -------
    ndarray
        Heights. [m]
    """
    along = np.radians(bearing_deg)
    off = np.asarray(east, float) * np.cos(along) - np.asarray(north, float) * np.sin(along)
    return np.asarray(crest_m - np.tan(np.radians(slope_deg)) * np.abs(off))


def chequerboard(size: int, *, field: int = 1, codes: tuple[int, int] = (41, 21)) -> NDArray[np.int64]:
    """Return a chequerboard of two classes.

    Around a corner of four fields, any disc that stays within them is half of each class.

    Parameters
    ----------
    size : int
        Number of rows and of columns.
    field : int
        Side of a field. [cells]
    codes : (int, int)
        Code of the first field and of its neighbours.

    Returns
    -------
    ndarray, shape (size, size)
        Codes.
    """
    row, col = np.indices((size, size)) // field
    return np.where((row + col) % 2 == 0, *codes)


def write_raster(
    path: Path,
    array: ArrayLike,
    *,
    crs: str | None,
    transform: Affine,
    dtype: str = "float32",
    nodata: float | None = None,
    unit: str | None = None,
    scale: float = 1.0,
    offset: float = 0.0,
) -> Path:
    """Write an array as a GeoTIFF of one band.

    Parameters
    ----------
    path : Path
        File to write.
    array : array_like, shape (rows, columns)
        Values in the unit of the file; NaN becomes ``nodata``.
    crs : str or None
        CRS, or None for a file that does not say.
    transform : Affine
        As from :attr:`Grid.transform`.
    dtype : str
        Type of the stored numbers.
    nodata : float or None
        Stored value that means nodata.
    unit : str or None
        Unit that the band declares.
    scale, offset : float
        The file stores (value - offset) / scale. [1]

    Returns
    -------
    Path
        ``path``.
    """
    values = (np.asarray(array, dtype=np.float64) - offset) / scale
    if nodata is not None:
        values = np.where(np.isnan(values), nodata, values)
    if np.issubdtype(np.dtype(dtype), np.integer):
        values = np.rint(values)
    rows, cols = values.shape
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=cols, count=1, dtype=dtype,
        crs=None if crs is None else CRS.from_user_input(crs).to_wkt(), transform=transform, nodata=nodata,
    ) as target:  # fmt: skip
        target.write(values.astype(dtype), 1)
        target.scales, target.offsets = (scale,), (offset,)
        if unit is not None:
            target.units = (unit,)
    return path
