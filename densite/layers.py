"""Map layers: opened and checked once, then read only in small windows around the points."""

from __future__ import annotations

import hashlib
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Geod, Transformer
from pyproj.exceptions import CRSError
from rasterio.enums import MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from densite.errors import LayerError
from densite.settings import RASTER_LAYERS, LayerSettings, Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WGS84 = CRS.from_epsg(4326)
ELLIPSOID = Geod(ellps="WGS84")

WHOLE_HASH_BYTES = 64 * 2**20
END_HASH_BYTES = 2**20
VIRTUAL = "/vsi"  # GDAL's own file systems: object stores, archives; such a path is passed through
LARGEST_BLOCK = 2**30  # bytes of a raster's block that are unpacked at once; our choice
TILE_CELLS = 256
BATCH_CELLS = 4_000_000
DRIFT_CELLS = 0.01  # a rotation that moves no cell of the raster by more than this is rounding noise
LATTICE_POINTS = 5000  # fewer points get their own Jacobian each
LATTICE_NODES = (33, 129)  # nodes on a side; more where fewer are not enough
LATTICE_ERROR = 1e-7
STEP_RAD = 2e-6  # about 13 m on the ground: truncation and rounding of the difference both under 1e-9

# What each layer of study.toml may be made of; a layer that is not named here may be anything.
GEOMETRIES = {
    "roads": ("line", "polygon"),
    "streams": ("line", "polygon"),
    "buildings": ("point", "polygon"),
    "boundary": ("polygon",),
    "urban": ("polygon",),
    "landscape": ("polygon",),
}
KINDS = {
    "Point": "point",
    "MultiPoint": "point",
    "LineString": "line",
    "LinearRing": "line",
    "MultiLineString": "line",
    "Polygon": "polygon",
    "MultiPolygon": "polygon",
}


@dataclass(frozen=True, slots=True)
class Raster:
    """A raster file that passed its checks; band 1 is read, in windows, when values are asked for.

    ``transform`` has no rotation; ``shape`` is (rows, columns); ``nodata`` is in the file's raw
    values, before scale and offset; ``unit`` is as declared and may be None.
    """

    name: str
    path: Path
    crs: CRS
    transform: Affine
    shape: tuple[int, int]
    nodata: float | None
    unit: str | None
    year: int | None
    source: str | None
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Points:
    """Points as arrays, for very many: a geometry object for each of them is 400 bytes.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Coordinates, x (or longitude) first; NaN where there is no point. [units of ``crs``]
    crs : CRS
        CRS of the coordinates.
    index : Index, optional
        Labels of the points.
    """

    x: Floats
    y: Floats
    crs: CRS
    index: pd.Index[Any] | None = None

    @classmethod
    def of(cls, points: gpd.GeoDataFrame | Points) -> Points:
        """Return the coordinates of a frame's points; NaN where one is missing or empty.

        Parameters
        ----------
        points : GeoDataFrame or Points
            Points in any CRS.

        Returns
        -------
        Points

        Raises
        ------
        LayerError
            The points have no CRS.
        """
        if isinstance(points, Points):
            return points
        if points.crs is None:
            raise LayerError("the points have no CRS: say which with points.set_crs(...)")
        shapes = points.geometry.to_numpy()
        return cls(shapely.get_x(shapes), shapely.get_y(shapes), CRS.from_user_input(points.crs), points.index)


@dataclass(frozen=True, slots=True)
class Features:
    """A vector layer that passed its checks, in its own CRS.

    ``left_out`` counts its features without a geometry or with one that cannot be drawn, such as a
    ring of two corners; they are not in ``frame``.
    """

    name: str
    path: Path
    layer: str | None
    frame: gpd.GeoDataFrame
    fingerprint: str
    year: int | None
    source: str | None
    left_out: int = 0


def open_layers(settings: Settings, *, folder: Path) -> dict[str, Raster | Features]:
    """Open and check all layers that study.toml names.

    Parameters
    ----------
    settings : Settings
        The study's settings.
    folder : Path
        Folder to which the layers' paths are relative.

    Returns
    -------
    dict of str to Raster or Features
        Layers by name, in the order of study.toml.

    Raises
    ------
    LayerError
        One or more layers cannot be used; all problems are listed in one message.
    """
    opened: dict[str, Raster | Features] = {}
    problems: list[str] = []
    for name, layer in settings.layers.items():
        try:
            if name in RASTER_LAYERS:
                opened[name] = open_raster(name, layer, folder=folder)
            else:
                opened[name] = open_features(name, layer, folder=folder)
        except LayerError as error:
            problems.append(str(error))
    if problems:
        raise LayerError("\n".join(problems))
    return opened


def open_raster(name: str, settings: LayerSettings, *, folder: Path) -> Raster:
    """Open a raster file and check that it can be placed on the ground and read.

    Parameters
    ----------
    name : str
        Name of the layer in study.toml, for messages.
    settings : LayerSettings
        Path, and what the file does not say about itself. A ``crs``, ``nodata`` or ``unit`` given
        here goes before the file's own.
    folder : Path
        Folder to which the path is relative.

    Returns
    -------
    Raster
        The checked layer. Its unit is the declared one, else that of band 1, else that of the
        vertical part of a compound CRS, else None.

    Raises
    ------
    LayerError
        The file is missing, empty, truncated or no raster, has no CRS or no place on the ground,
        is rotated, or holds complex numbers.
    """
    path = _existing(name, settings, folder)
    where = f"layer '{name}': {path}"
    with _source(path, where) as source:
        crs, vertical_unit = _flat_crs(_raster_crs(source, settings, where), where)
        _check_grid(source, where)
        unit = settings.unit or source.units[0] or vertical_unit
        nodata = source.nodata if settings.nodata is None else settings.nodata
        transform, shape = source.transform, source.shape
    return Raster(
        name=name, path=path, crs=crs, transform=transform, shape=shape, nodata=nodata, unit=unit,
        year=settings.year, source=settings.source, fingerprint=fingerprint(path),
    )  # fmt: skip


def open_features(name: str, settings: LayerSettings, *, folder: Path) -> Features:
    """Read a vector layer and check its CRS and its kind of geometry.

    Parameters
    ----------
    name : str
        Name of the layer in study.toml; it says which kinds of geometry are expected.
    settings : LayerSettings
        Path, layer of a file with several, and a ``crs`` that goes before the file's own.
    folder : Path
        Folder to which the path is relative.

    Returns
    -------
    Features
        The checked layer.

    Raises
    ------
    LayerError
        The file is missing or unreadable, holds several layers of which none is named, has no CRS,
        no geometry, or another kind of geometry than the layer's purpose needs.
    """
    path = _existing(name, settings, folder)
    where = f"layer '{name}': {path}"
    layer = _layer_name(path, settings, where)
    frame = _read_frame(path, layer, where)
    known = _fingerprint_of_features(frame) if str(path).startswith(VIRTUAL) else fingerprint(path)
    if settings.crs is not None:
        frame = frame.set_crs(_stated_crs(settings.crs, where), allow_override=True)
    if frame.crs is None:
        raise LayerError(f"{where} has no CRS; give one as `crs` in [layers.{name}]")
    whole = len(frame)
    frame = frame[~(frame.geometry.is_empty | frame.geometry.isna())]
    _check_kinds(frame, name, where)
    return Features(
        name=name, path=path, layer=layer, frame=frame, fingerprint=known,
        year=settings.year, source=settings.source, left_out=whole - len(frame),
    )  # fmt: skip


def fingerprint(path: Path) -> str:
    """Return the SHA-256 by which a layer's file is known again.

    Of a file up to 64 MiB the whole content is hashed; of a larger one its size, its first and its
    last MiB, so that a change in the middle of a large file that keeps its size goes unseen. A
    folder counts as its files in order of name, a shapefile together with its companions. Of a raster on
    one of GDAL's virtual file systems its header, its first and its last block are hashed.

    Parameters
    ----------
    path : Path
        File or folder.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    if str(path).startswith(VIRTUAL):
        return _fingerprint_of_blocks(path)
    digest = hashlib.sha256()
    for part in _parts(path):
        size = part.stat().st_size
        with part.open("rb") as stream:
            if size <= WHOLE_HASH_BYTES:
                for piece in iter(lambda: stream.read(END_HASH_BYTES), b""):
                    digest.update(piece)
            else:
                digest.update(str(size).encode())
                digest.update(stream.read(END_HASH_BYTES))
                stream.seek(-END_HASH_BYTES, 2)
                digest.update(stream.read())
    return digest.hexdigest()


def _fingerprint_of_blocks(path: Path) -> str:
    """Hash what GDAL tells of a raster that is no local file, and its first and last block."""
    with _source(path, str(path)) as source:
        told = (source.crs, tuple(source.transform), source.shape, source.dtypes, source.nodatavals, source.tags())
        digest = hashlib.sha256(repr(told).encode())
        high, wide = source.block_shapes[0]
        last = (source.height - 1) // high, (source.width - 1) // wide
        for row, column in ((0, 0), last):
            digest.update(source.read(1, window=source.block_window(1, row, column)).tobytes())
    return digest.hexdigest()


def _fingerprint_of_features(frame: gpd.GeoDataFrame) -> str:
    """Hash what was read of a vector layer that is no local file: its CRS, shapes and attributes."""
    digest = hashlib.sha256(repr(frame.crs and frame.crs.to_wkt()).encode())
    for shape in frame.geometry.to_wkb():
        digest.update(shape or b"none")
    digest.update(frame.drop(columns=frame.geometry.name).to_csv(index=False).encode())
    return digest.hexdigest()


def lon_lat(points: gpd.GeoDataFrame) -> tuple[Floats, Floats]:
    """Return the coordinates of points in WGS 84, NaN where a point is missing or empty.

    Parameters
    ----------
    points : GeoDataFrame
        Points in any CRS.

    Returns
    -------
    tuple of ndarray
        Longitude and latitude, WGS 84. [deg]

    Raises
    ------
    LayerError
        The points have no CRS.
    """
    return to_layer_xy(points, WGS84)


def to_layer_xy(points: gpd.GeoDataFrame | Points, crs: CRS) -> tuple[Floats, Floats]:
    """Return points in a layer's CRS, x before y whatever the CRS itself says.

    Parameters
    ----------
    points : GeoDataFrame or Points
        Points in any CRS; in the layer's own nothing is computed.
    crs : CRS
        CRS of the layer.

    Returns
    -------
    tuple of ndarray
        x and y in the units of ``crs``; NaN where there is no point or it cannot be projected.

    Raises
    ------
    LayerError
        The points have no CRS.
    """
    found = Points.of(points)
    return (found.x, found.y) if found.crs == crs else _transformed(found.crs, crs, found.x, found.y)


def ground_jacobian(lon: ArrayLike, lat: ArrayLike, crs: CRS) -> NDArray[np.float64]:
    """Return how a CRS's coordinates change per metre on the ground.

    The projection is differentiated by central differences of the very transform that places the
    points, so that scale, grid convergence, degrees and feet all come from one formula. A metre
    east is 1 / (N cos lat) radians of longitude and a metre north 1 / M radians of latitude, with
    the prime-vertical radius N and the meridian radius M of the WGS 84 ellipsoid.

    Parameters
    ----------
    lon, lat : array_like, shape (n,)
        Longitude and latitude, WGS 84. [deg]
    crs : CRS
        CRS of the layer.

    Returns
    -------
    ndarray, shape (n, 2, 2)
        ``[[dx/dE, dx/dN], [dy/dE, dy/dN]]`` in units of ``crs`` per ground metre, E and N being
        true east and north. NaN where the point cannot be projected. Relative error under 1e-8.

    Notes
    -----
    Source: Snyder 1987, Map Projections: a working manual, USGS Professional Paper 1395,
    eq. 4-18 (M) and 4-20 (N). https://doi.org/10.3133/pp1395
    """
    lon, lat = np.atleast_1d(np.asarray(lon, float)), np.atleast_1d(np.asarray(lat, float))
    geographic = _geographic(crs)
    step = STEP_RAD / geographic.axis_info[0].unit_conversion_factor
    u, v = _transformed(WGS84, geographic, lon, lat)
    # differences inside the layer's own datum, since the shift from WGS 84 may change its method
    # between two points
    east = np.subtract(*(np.array(_transformed(geographic, crs, u + s, v)) for s in (step, -step)))
    north = np.subtract(*(np.array(_transformed(geographic, crs, u, v + s)) for s in (step, -step)))
    meridian, vertical = _radii(np.radians(lat))
    columns = [
        east / (2 * STEP_RAD * vertical * np.cos(np.radians(lat))),
        north / (2 * STEP_RAD * meridian),
    ]
    return np.moveaxis(np.stack(columns), (0, 1, 2), (2, 1, 0))


class GroundScales:
    """The ground Jacobian over a region, looked up between the nodes of a lattice.

    A map projection bends so slowly that a lattice of nodes gives the Jacobian between them to 1e-7;
    where it does not (checked on the lattice itself), or for few points, every point gets its own.

    Parameters
    ----------
    x, y : ndarray
        Places, or just two opposite corners of the box round them. [units of the CRS]
    crs : CRS
        CRS of the places.
    points : int
        At how many points the Jacobian will be asked.
    """

    def __init__(self, x: Floats, y: Floats, crs: CRS, *, points: int) -> None:
        self._crs = crs
        self._nodes: Floats | None = None
        if points > LATTICE_POINTS:
            low, high = (np.array([f(x), f(y)]) for f in (np.min, np.max))
            self._low, self._step = low, np.ones(2)
            for count in LATTICE_NODES:
                self._step = np.maximum(high - low, 1e-9) / (count - 1)
                self._nodes = self._lattice(count)
                if self._nodes is not None:
                    self._table = np.ascontiguousarray(self._nodes.reshape(-1, 2, 2).transpose(1, 2, 0))
                    break

    def _lattice(self, count: int) -> Floats | None:
        """Return the Jacobian at the nodes, shape (count, count, 2, 2); None where it bends too fast."""
        fine = 2 * count - 1
        steps = np.arange(fine) / 2
        x, y = np.meshgrid(self._low[0] + steps * self._step[0], self._low[1] + steps * self._step[1], indexing="ij")
        exact = self._exact(x.ravel(), y.ravel()).reshape(fine, fine, 2, 2)
        nodes = np.ascontiguousarray(exact[::2, ::2])
        middle = (nodes[:-1, :-1] + nodes[1:, :-1] + nodes[:-1, 1:] + nodes[1:, 1:]) / 4
        size = np.abs(middle).max(axis=(2, 3), keepdims=True)
        off = np.abs(middle - exact[1::2, 1::2]) / size
        return nodes if np.all(off < LATTICE_ERROR) else None

    def _exact(self, x: Floats, y: Floats) -> Floats:
        return ground_jacobian(*_transformed(self._crs, WGS84, x, y), self._crs)

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return the Jacobian as :func:`ground_jacobian` gives it, shape (n, 2, 2).

        Parameters
        ----------
        x, y : ndarray, shape (n,)
            Places in the region. [units of the CRS]

        Returns
        -------
        ndarray
        """
        if self._nodes is None:
            return self._exact(x, y)
        u, v = (x - self._low[0]) / self._step[0], (y - self._low[1]) / self._step[1]
        count = len(self._nodes)
        i, j = (np.minimum(np.maximum(w.astype(np.int64), 0), count - 2) for w in (u, v))
        u -= i
        v -= j
        i *= count
        i += j
        near, near_up, far, far_up = (self._table.take(i + k, axis=2, mode="clip") for k in (0, 1, count, count + 1))
        for low, high, share in ((near, far, u), (near_up, far_up, u), (near, near_up, v)):
            high -= low
            high *= share
            low += high
        return np.moveaxis(near, 2, 0)


def cells_at(points: gpd.GeoDataFrame | Points, raster: Raster) -> tuple[Floats, Floats]:
    """Return where points fall in a raster, counted in cells from its first row and column.

    Parameters
    ----------
    points : GeoDataFrame or Points
        Points in any CRS.
    raster : Raster
        The layer; one in degrees may run from 0 to 360.

    Returns
    -------
    tuple of ndarray
        Row and column as fractions (2.5 is the middle of the third cell); outside the raster they
        lie outside its shape, NaN where there is no point. [cells]

    Raises
    ------
    LayerError
        The points have no CRS.
    """
    x, y = to_layer_xy(points, raster.crs)
    t = raster.transform
    if raster.crs.is_geographic:
        turn = 2 * np.pi / raster.crs.axis_info[0].unit_conversion_factor
        west = min(t.c, t.c + t.a * raster.shape[1])
        x = np.where((x < west) & (x + turn < west + abs(t.a) * raster.shape[1]), x + turn, x)
    row, col = y - t.f, x - t.c
    row /= t.e
    col /= t.a
    return row, col


def read_windows(
    raster: Raster, rows: Ints, cols: Ints, *, half_rows: Ints, half_cols: Ints
) -> Iterator[tuple[Ints, Floats]]:
    """Read the cells around points, in batches of neighbours that bound the memory.

    Parameters
    ----------
    raster : Raster
        The layer.
    rows, cols : ndarray of int, shape (n,)
        Cell of each point; it may lie outside the raster. [cells]
    half_rows, half_cols : ndarray of int, shape (n,)
        How many cells to read on each side of it. [cells]

    Yields
    ------
    tuple of ndarray
        Positions (k,) of the batch's points in ``rows``, and their windows (k, h, w) in the file's
        order of rows, with the point's cell in the middle. h and w are the batch's largest, so a
        window may be wider than asked for. Scale and offset are applied; nodata, masked cells,
        cells that are not finite and cells outside the raster are NaN.

    Raises
    ------
    LayerError
        The file can no longer be read, for example because it is truncated.
    """
    with source_of(raster) as source:
        for which in _batches(rows, cols, half_rows, half_cols):
            high, wide = int(half_rows[which].max()), int(half_cols[which].max())
            top, left = int(rows[which].min()) - high, int(cols[which].min()) - wide
            bottom, right = int(rows[which].max()) + high + 1, int(cols[which].max()) + wide + 1
            block = _read_block(source, raster, (top, bottom), (left, right))
            views = np.lib.stride_tricks.sliding_window_view(block, (2 * high + 1, 2 * wide + 1))
            yield which, views[rows[which] - high - top, cols[which] - wide - left]


def read_array(raster: Raster, *, max_cells: int) -> tuple[Floats, Affine]:
    """Read a whole raster, thinned to at most so many cells, to be drawn.

    Parameters
    ----------
    raster : Raster
        The layer.
    max_cells : int
        Most cells to return; a larger raster is thinned to the nearest cells.

    Returns
    -------
    tuple of ndarray and Affine
        Values (rows, columns), NaN as in :func:`read_windows`, and the transform of the thinned grid.

    Raises
    ------
    LayerError
        The file can no longer be read.
    """
    rows, cols = raster.shape
    step = max(1.0, (rows * cols / max_cells) ** 0.5)
    shape = (max(1, int(rows / step)), max(1, int(cols / step)))
    with source_of(raster) as source:
        values = _values(source, raster, Window(0, 0, cols, rows), shape)
    t = raster.transform
    return values, Affine(t.a * cols / shape[1], 0.0, t.c, 0.0, t.e * rows / shape[0], t.f)


def _batches(rows: Ints, cols: Ints, half_rows: Ints, half_cols: Ints) -> Iterator[Ints]:
    """Split points into groups that lie in one tile of the raster and fit the memory bound."""
    if not len(rows):
        return
    tile = max(TILE_CELLS, 2 * int(max(half_rows.max(), half_cols.max())) + 1)
    key_row, key_col = rows // tile, cols // tile
    order = np.lexsort((key_col, key_row))
    changes = (np.diff(key_row[order]) != 0) | (np.diff(key_col[order]) != 0)
    for group in np.split(order, np.flatnonzero(changes) + 1):
        window = (2 * int(half_rows[group].max()) + 1) * (2 * int(half_cols[group].max()) + 1)
        size = max(1, BATCH_CELLS // window)
        yield from (group[start : start + size] for start in range(0, len(group), size))


def _read_block(source: Any, raster: Raster, rows: tuple[int, int], cols: tuple[int, int]) -> Floats:
    """Read a block that may hang over the raster's edge; NaN outside."""
    block = np.full((rows[1] - rows[0], cols[1] - cols[0]), np.nan)
    top, bottom = max(rows[0], 0), min(rows[1], raster.shape[0])
    left, right = max(cols[0], 0), min(cols[1], raster.shape[1])
    if top < bottom and left < right:
        window = Window(left, top, right - left, bottom - top)
        values = _values(source, raster, window, (bottom - top, right - left))
        block[top - rows[0] : bottom - rows[0], left - cols[0] : right - cols[0]] = values
    return block


def _values(source: Any, raster: Raster, window: Window, shape: tuple[int, int]) -> Floats:
    """Read band 1 with its scale and offset; NaN where the file or the settings say nodata."""
    raw = source.read(1, window=window, out_shape=shape)
    values: Floats = raw.astype(np.float64)
    missing = ~np.isfinite(values)
    if raster.nodata is not None and not np.isnan(raster.nodata):
        missing |= raw == as_stored(raster.nodata, raw.dtype)
    if {MaskFlags.per_dataset, MaskFlags.alpha} & set(source.mask_flag_enums[0]):
        missing |= source.read_masks(1, window=window, out_shape=shape) == 0
    values *= source.scales[0]
    values += source.offsets[0]
    values[missing] = np.nan
    return values


def as_stored(nodata: float, dtype: Any) -> Any:
    """Return nodata as the file stores it: -3.4e38 in float32 is another number in float64.

    Parameters
    ----------
    nodata : float
        As declared, in the file's raw values.
    dtype : numpy dtype
        Of the file.

    Returns
    -------
    scalar
    """
    if np.issubdtype(dtype, np.floating):
        with np.errstate(over="ignore"):
            return np.asarray(nodata).astype(dtype)
    return nodata


@contextmanager
def source_of(raster: Raster) -> Iterator[Any]:
    """Open the file of a checked layer for reading.

    Parameters
    ----------
    raster : Raster
        The layer.

    Yields
    ------
    rasterio dataset

    Raises
    ------
    LayerError
        The file is gone or can no longer be read.
    """
    with _source(raster.path, f"layer '{raster.name}': {raster.path}") as source:
        yield source


@contextmanager
def _source(path: Path, where: str) -> Iterator[Any]:
    """Open a raster and turn what GDAL says about a broken file into our own error."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            source = rasterio.open(path)
        with source:
            yield source
    except RasterioError as error:
        told = str(error.__cause__ or error).splitlines()[0]
        raise LayerError(f"{where} cannot be read as a raster ({told}): {_advice(path)}") from None


def _advice(path: Path) -> str:
    """Say what to do about a file that GDAL cannot read."""
    if str(path).startswith(VIRTUAL):
        return "is the address right, and can this machine reach it?"
    return "damaged, cut off or of another kind? Copy it again"


def _raster_crs(source: Any, settings: LayerSettings, where: str) -> CRS:
    """Return the CRS that the settings or the file state."""
    if settings.crs is not None:
        return _stated_crs(settings.crs, where)
    if source.crs is None:
        raise LayerError(f"{where} has no CRS; give one as `crs` in study.toml")
    return _stated_crs(source.crs.to_wkt(), where)


def _stated_crs(text: str, where: str) -> CRS:
    """Read a CRS and refuse one that has no place on the Earth."""
    try:
        return CRS.from_user_input(text)
    except CRSError:
        raise LayerError(f"{where}: CRS '{text}' is not known; expected for example EPSG:32611") from None


def _flat_crs(crs: CRS, where: str) -> tuple[CRS, str | None]:
    """Split a compound CRS into its horizontal part and its vertical unit."""
    unit = None
    if crs.is_compound:
        unit = crs.sub_crs_list[1].axis_info[0].unit_name
        crs = crs.sub_crs_list[0]
    if not (crs.is_geographic or crs.is_projected):
        raise LayerError(f"{where}: CRS '{crs.name}' is neither geographic nor projected")
    return crs, unit


def _check_grid(source: Any, where: str) -> None:
    """Refuse a raster without place, with rotation, with complex numbers, or cut off at its end."""
    t = source.transform
    if t.is_identity:
        raise LayerError(f"{where} has no geotransform: georeference it first (gdalwarp does)")
    drift = max(abs(t.b * source.height / t.a), abs(t.d * source.width / t.e)) if t.a and t.e else np.inf
    if drift > DRIFT_CELLS:
        raise LayerError(f"{where} is rotated against its CRS: make it north-up first (gdalwarp does)")
    if np.dtype(source.dtypes[0]).kind not in "iuf":
        raise LayerError(f"{where} holds {source.dtypes[0]} values; expected whole or real numbers")
    size = math.prod(source.block_shapes[0]) * np.dtype(source.dtypes[0]).itemsize
    if size > LARGEST_BLOCK:  # a few hundred bytes can unfold to it
        raise LayerError(
            f"{where} has blocks of {size / 2**30:.1f} GiB, at most {LARGEST_BLOCK / 2**30:.0f} is unpacked: write it "
            "in tiles (gdal_translate -co TILED=YES)"
        )
    source.read(1, window=Window(source.width - 1, source.height - 1, 1, 1))


def _existing(name: str, settings: LayerSettings, folder: Path) -> Path:
    """Return the path of a layer's file when there is something in it."""
    if settings.path.startswith(VIRTUAL):
        if "//" in settings.path:
            raise LayerError(
                f"layer '{name}': '//' in {settings.path}; write /vsicurl?url=https%3A%2F%2F... or "
                "/vsizip/{/folder/file.zip}/... instead"
            )
        return Path(settings.path)
    path = folder / settings.path
    if not path.exists():
        raise LayerError(f"layer '{name}': no file {path}; mend `path` in [layers.{name}]")
    if path.is_file() and path.stat().st_size == 0:
        raise LayerError(f"layer '{name}': {path} is empty (0 bytes): copy it again")
    return path


def _vector_errors() -> tuple[type[Exception], ...]:
    """Return what a vector layer that cannot be read raises; its reader is 30 MB and not loaded before."""
    from pyogrio.errors import DataLayerError, DataSourceError, GeometryError

    return DataSourceError, DataLayerError, GeometryError


def _layer_name(path: Path, settings: LayerSettings, where: str) -> str | None:
    """Return the layer to read, which must be named where a file has several."""
    import pyogrio

    try:
        names = [str(row[0]) for row in pyogrio.list_layers(path)]
    except _vector_errors() as error:
        raise LayerError(f"{where} cannot be read as a vector layer ({error}): {_advice(path)}") from None
    listed = ", ".join(names) or "none"
    if settings.layer is not None and settings.layer not in names:
        raise LayerError(f"{where} has no layer '{settings.layer}'; its layers: {listed}")
    if settings.layer is None and len(names) != 1:
        raise LayerError(f"{where} has {len(names)} layers; name one as `layer` in study.toml: {listed}")
    return settings.layer or names[0]


def _read_frame(path: Path, layer: str | None, where: str) -> gpd.GeoDataFrame:
    """Read all features of a layer."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # GDAL's remarks on M values and field widths change nothing here
            frame = gpd.read_file(path, layer=layer, on_invalid="fix")
    except _vector_errors() as error:
        raise LayerError(f"{where} cannot be read as a vector layer ({error}): {_advice(path)}") from None
    if not isinstance(frame, gpd.GeoDataFrame):
        raise LayerError(f"{where} has no geometry: a table, not a map layer")
    return frame


def _check_kinds(frame: gpd.GeoDataFrame, name: str, where: str) -> None:
    """Refuse a layer without features or with another kind of geometry than its purpose needs."""
    if frame.empty:
        raise LayerError(f"{where} has no features")
    kinds = frame.geometry.geom_type.map(KINDS).fillna("collection")
    allowed = GEOMETRIES.get(name, ("point", "line", "polygon"))
    wrong = kinds[~kinds.isin(allowed)]
    if len(wrong):
        found = ", ".join(f"{count} {kind}" for kind, count in wrong.value_counts().items())
        expected = " or ".join(allowed)
        raise LayerError(f"{where}: expected {expected} geometries, found {found} of {len(frame)} features")


def _parts(path: Path) -> list[Path]:
    """List the files that make up a layer."""
    if path.is_dir():
        return sorted(part for part in path.rglob("*") if part.is_file())
    if path.suffix.lower() == ".shp":
        return sorted(part for part in path.parent.glob(f"{path.stem}.*") if part.is_file())
    return [path]


def _transformed(source: CRS, target: CRS, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Transform coordinates, x before y; NaN where there is no answer."""
    x, y = Transformer.from_crs(source, target, always_xy=True).transform(x, y)
    lost = ~(np.isfinite(x) & np.isfinite(y))
    return np.where(lost, np.nan, x), np.where(lost, np.nan, y)


def _geographic(crs: CRS) -> CRS:
    """Return the geographic CRS on which a layer's CRS is built."""
    base = crs.geodetic_crs
    if base is None:
        raise LayerError(f"CRS '{crs.name}' is not tied to the Earth")
    return base.to_2d()


def _radii(phi: Floats) -> tuple[Floats, Floats]:
    """Return the meridian and prime-vertical radii of the WGS 84 ellipsoid. [m]"""
    w = 1 - ELLIPSOID.es * np.sin(phi) ** 2
    return ELLIPSOID.a * (1 - ELLIPSOID.es) / w**1.5, ELLIPSOID.a / np.sqrt(w)
