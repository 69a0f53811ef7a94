"""Whole rasters of slope, aspect, elevation and shade: computed block by block, kept when interrupted."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import queue
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal, TypeAlias
from xml.sax.saxutils import escape

import numpy as np
import rasterio
import rasterio.shutil
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio._err import CPLE_BaseError  # what copying to a full disk raises; rasterio.errors has no name for it
from rasterio.errors import RasterioError
from rasterio.windows import Window

from densite.blocks import BlockGrid, decoded, default_threads, run_in_threads, until_empty
from densite.errors import LayerError
from densite.layers import WGS84, Floats, Ints, Raster, ground_jacobian, source_of
from densite.terrain import Method, aspect_deg, gradient, metres_per_unit, slope_deg

Band: TypeAlias = Literal["elevation", "slope", "aspect", "hillshade"]
Singles: TypeAlias = NDArray[np.float32]

NODATA = -9999.0
BLOCK_CELLS = 512  # side of the blocks that are computed at once
STRIP_CELLS = 2**14  # cells of a block whose windows are held at once: they stay in the processor's cache
CACHE_BYTES = 64 * 2**20  # GDAL keeps the last decoded blocks, since a neighbour needs their margin again
LATTICE_STEPS = (64, 32, 16, 8, 4, 2)  # cells between the nodes of the Jacobian; the widest that is good enough
LATTICE_ERROR = 1e-8  # relative; tested to stay under 1e-7 everywhere
PROBES = 12  # intervals in each direction in which the lattice is tried
SYNC_SECONDS = 2.0  # how much work an interruption may cost
FORMAT = 1  # of the scratch files: raised when their content changes meaning

UNITS: dict[Band, str] = {"elevation": "m", "slope": "deg", "aspect": "deg", "hillshade": "1"}
MEANINGS: dict[Band, str] = {
    "elevation": "elevation",
    "slope": "slope",
    "aspect": "aspect: downslope bearing from true north",
    "hillshade": "hillshade: cosine between light and ground",
}


@dataclass(frozen=True, slots=True)
class Made:
    """A raster that was written.

    ``damaged`` counts the blocks of the DEM that cannot be decoded, whose cells are nodata;
    ``resumed`` the computed blocks that an earlier, interrupted run had finished.
    """

    path: Path
    bands: tuple[Band, ...]
    damaged: int
    resumed: int


def terrain_raster(
    dem: Raster,
    out: Path,
    *,
    bands: Sequence[Band],
    method: Method = "horn",
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
    block: int = BLOCK_CELLS,
    threads: int | None = None,
    overwrite: bool = False,
    tick: Callable[[int], object] = lambda _: None,
) -> Made:
    """Write the shape of the ground in every cell of a DEM to a cloud-optimised GeoTIFF.

    The values are those of :func:`densite.terrain.terrain_at` at the middles of the cells, rounded to
    float32. Finished blocks are kept in a folder beside ``out``; a run that was interrupted goes on
    from them when DEM and options are the same. ``out`` itself appears when it is whole.

    Parameters
    ----------
    dem : Raster
        Elevations; without a declared unit they are taken to be metres.
    out : Path
        File to write. Its folder must exist.
    bands : sequence of {'elevation', 'slope', 'aspect', 'hillshade'}
        Bands to write, in this order: elevation [m], slope [deg], aspect [deg] downslope from true
        north, hillshade as the cosine between light and ground (0 in its own shade, to 1).
    method : {'horn', 'zevenbergen-thorne'}
        Estimator of the gradient, see :func:`densite.terrain.gradient`.
    azimuth_deg : float
        Bearing of the hillshade's light from true north, clockwise. [deg]
    altitude_deg : float
        Height of that light over the horizon. [deg]
    block : int
        Side of the blocks that are computed at once; the values do not depend on it. [cells]
    threads : int, optional
        Number of computing threads; the values do not depend on it.
    overwrite : bool
        Replace ``out`` if it is there.
    tick : callable
        Gets the number of steps done since the last call; :func:`step_count` says how many there are.

    Returns
    -------
    Made

    Raises
    ------
    LayerError
        A band or method is unknown, ``out`` is there already or its folder is not, the disk is full,
        or the DEM cannot be opened.

    Notes
    -----
    Cells at the raster's edge or beside nodata have no slope, aspect or shade, flat cells no aspect.
    Until it is done a run needs room for twice 4 bytes per cell and band. Overviews take the nearest
    cell, since a mean of bearings is none.
    """
    task = _Task(dem, _checked(bands, method, block), method, (azimuth_deg, altitude_deg), block)
    _check_target(dem, out, overwrite)
    with _told(out), rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES):
        with _Scratch.of(task, out) as scratch:
            resumed = len(scratch.done)
            _check_room(out, task.size * (2 - resumed / _count(task.grid)))
            tick(resumed)
            _compute(task, scratch, threads or default_threads(), tick)
        damaged = len(scratch.damaged)
        _check_room(out, task.size)
        _pack(task, scratch, out, threads or default_threads())
        shutil.rmtree(scratch.folder)
        tick(1)
    return Made(out, task.bands, damaged, resumed)


def step_count(dem: Raster, *, block: int = BLOCK_CELLS) -> int:
    """Return how many steps :func:`terrain_raster` ticks off: its blocks, and packing them.

    Parameters
    ----------
    dem : Raster
        Elevations.
    block : int
        Side of the blocks. [cells]

    Returns
    -------
    int
    """
    return _count(BlockGrid(dem.shape, (block, block))) + 1


class GroundLattice:
    """The ground Jacobian at the middles of a raster's cells, interpolated between nodes.

    The nodes stand at fixed cells of the raster, so a cell's Jacobian does not depend on the block in
    which it is asked for. Where a projection bends too fast for the closest nodes, and where a node
    cannot be projected, cells get their own.

    Parameters
    ----------
    dem : Raster
        The layer.
    """

    def __init__(self, dem: Raster) -> None:
        self._dem = dem
        self._to_wgs84 = Transformer.from_crs(dem.crs, WGS84, always_xy=True)
        self.step = next((step for step in LATTICE_STEPS if self._fits(step)), 1)

    def at(self, rows: slice, cols: slice) -> Floats:
        """Return the Jacobian of a block of cells as :func:`densite.layers.ground_jacobian` gives it.

        Parameters
        ----------
        rows, cols : slice
            Cells of the raster. [cells]

        Returns
        -------
        ndarray, shape (2, 2, rows, columns)
        """
        row, col = np.arange(rows.start, rows.stop), np.arange(cols.start, cols.stop)
        if self.step == 1:
            return self._exact(row, col)
        (i, s), (j, t) = self._between(row, self._dem.shape[0]), self._between(col, self._dem.shape[1])
        nodes = self._exact(self._nodes(i, self._dem.shape[0]), self._nodes(j, self._dem.shape[1]))
        i, j, s = i - i[0], j - j[0], s[:, None]
        across = nodes[..., j] * (1 - t) + nodes[..., j + 1] * t
        found: Floats = across[..., i, :] * (1 - s) + across[..., i + 1, :] * s
        lost = ~np.isfinite(found).all(axis=(0, 1))
        if lost.any():
            found[..., lost] = self._exact(row, col)[..., lost]
        return found

    def _between(self, cells: Ints, size: int) -> tuple[Ints, Floats]:
        """Return the interval between nodes in which each cell lies, and how far along it."""
        interval = np.minimum(cells // self.step, max(0, -(-(size - 1) // self.step) - 1))
        start = interval * self.step
        return interval, (cells - start) / np.maximum(np.minimum(self.step, size - 1 - start), 1)

    def _nodes(self, interval: Ints, size: int) -> Ints:
        """Return the cells of the nodes around intervals; the raster's last cell has one too."""
        nodes: Ints = np.minimum(np.arange(interval[0], interval[-1] + 2) * self.step, size - 1)
        return nodes

    def _fits(self, step: int) -> bool:
        """Tell whether interpolation over so many cells is good enough, at probes over the raster."""
        starts = [np.unique(np.linspace(0, max(0, n - 1 - step), PROBES).astype(np.int64)) for n in self._dem.shape]
        rows, cols = ((at[:, None] + np.array([0, step // 2, step])).ravel() for at in starts)
        found = self._exact(rows, cols).reshape(2, 2, len(starts[0]), 3, len(starts[1]), 3)
        corners = found[..., ::2, :, ::2].mean(axis=(3, 5))
        exact = found[..., 1, :, 1]
        off = np.abs(corners - exact) / np.abs(exact).max(axis=(0, 1))
        return not bool((off > LATTICE_ERROR).any())

    def _exact(self, rows: Ints, cols: Ints) -> Floats:
        t = self._dem.transform
        x, y = np.meshgrid(t.c + (cols + 0.5) * t.a, t.f + (rows + 0.5) * t.e)
        lon, lat = (np.where(np.isfinite(v), v, np.nan) for v in self._to_wgs84.transform(x.ravel(), y.ravel()))
        found = ground_jacobian(lon, lat, self._dem.crs)
        return np.moveaxis(found, 0, -1).reshape(2, 2, len(rows), len(cols))


@dataclass(frozen=True, slots=True)
class _Task:
    """What is to be computed."""

    dem: Raster
    bands: tuple[Band, ...]
    method: Method
    light: tuple[float, float]
    block: int

    @property
    def grid(self) -> BlockGrid:
        return BlockGrid(self.dem.shape, (self.block, self.block))

    @property
    def size(self) -> int:
        """Bytes of all values."""
        return 4 * len(self.bands) * self.dem.shape[0] * self.dem.shape[1]

    def key(self) -> str:
        """Return what a finished block must agree in to be used again, in one number."""
        dem = self.dem
        # the fingerprint of a large file does not see its middle
        changed = dem.path.stat().st_mtime_ns if dem.path.exists() else None
        parts = (FORMAT, dem.fingerprint, changed, dem.crs.to_wkt(), tuple(dem.transform), dem.shape, dem.nodata)
        text = repr((*parts, metres_per_unit(dem), self.bands, self.method, self.light, self.block))
        return hashlib.sha256(text.encode()).hexdigest()


class _Scratch:
    """A folder of finished blocks: plain numbers, and a journal of the blocks that are whole."""

    def __init__(self, folder: Path, task: _Task) -> None:
        self.folder = folder
        self.values = folder / "values.bsq"
        self._journal = folder / "finished.jsonl"
        self._task = task
        self._lock = threading.Lock()
        self._files: tuple[BinaryIO, BinaryIO] | None = None
        self._unsaid: list[str] = []  # lines of the journal whose blocks may not be on the disk yet
        self._said = time.monotonic()
        self.done: set[int] = set()
        self.damaged: set[int] = set()

    @classmethod
    def of(cls, task: _Task, out: Path) -> _Scratch:
        """Take up the folder of an interrupted run with the same inputs, else begin one.

        The inputs are in the folder's name, so two runs at once cannot mix different values.
        """
        key = task.key()
        folder = out.with_name(f"{out.name}.{key[:16]}.part")
        for other in out.parent.glob(f"{_literal(out.name)}.????????????????.part"):
            if other != folder:
                shutil.rmtree(other)
        folder.mkdir(exist_ok=True)
        scratch = cls(folder, task)
        scratch._take_up()
        return scratch

    def __enter__(self) -> _Scratch:
        with self.values.open("ab"):
            pass
        values, journal = self.values.open("r+b", buffering=0), self._journal.open("ab", buffering=0)
        values.truncate(self._task.size)
        self._files = values, journal
        return self

    def __exit__(self, *_: object) -> None:
        assert self._files is not None  # noqa: S101 (set by __enter__)
        values, journal = self._files
        try:
            self._say(values, journal)
        finally:
            values.close()
            journal.close()

    def write(self, number: int, cells: Singles, damaged: set[int]) -> None:
        """Keep a block's values (bands, rows, columns); now and then note those that are on the disk."""
        window = self._task.grid.window(number)
        rows, cols = self._task.dem.shape
        line = json.dumps({"block": number, "damaged": sorted(damaged)}) + "\n"
        with self._lock:
            assert self._files is not None  # noqa: S101 (only used inside `with`)
            values, journal = self._files
            for band, block in enumerate(np.ascontiguousarray(cells, "<f4")):
                for row, line_of_cells in enumerate(block, start=window.row_off):
                    values.seek(4 * ((band * rows + row) * cols + window.col_off))
                    _write_all(values, line_of_cells.tobytes())
            self._unsaid.append(line)
            self.damaged |= damaged
            if time.monotonic() - self._said > SYNC_SECONDS:
                self._say(values, journal)

    def _say(self, values: BinaryIO, journal: BinaryIO) -> None:
        """Note finished blocks, never before they are on the disk."""
        _sync(values)
        _write_all(journal, "".join(self._unsaid).encode())
        self._unsaid.clear()
        self._said = time.monotonic()

    def _take_up(self) -> None:
        """Read which blocks are whole, up to a line that was cut off or damaged."""
        kept = b""
        if self._journal.exists() and self.values.exists() and self.values.stat().st_size == self._task.size:
            for line in self._journal.read_bytes().splitlines(keepends=True):
                try:
                    entry = json.loads(line)
                    number, damaged = int(entry["block"]), set(map(int, entry["damaged"]))
                except (ValueError, KeyError, TypeError):
                    break
                self.done.add(number)
                self.damaged |= damaged
                kept += line.rstrip() + b"\n"
        self._journal.write_bytes(kept)


class _Reader:
    """Blocks of the DEM with a margin of one cell, by one handle whose cache all threads share."""

    def __init__(self, source: Any, dem: Raster) -> None:
        self._source = source
        self._dem = dem
        self._native = BlockGrid(dem.shape, source.block_shapes[0])
        self._metres = metres_per_unit(dem)

    def read(self, window: Window) -> tuple[Floats, set[int]]:
        """Return elevations [m] with their margin, NaN where missing, and the blocks that are damaged."""
        top, left = window.row_off - 1, window.col_off - 1
        found = np.full((window.height + 2, window.width + 2), np.nan)
        inner = Window(left, top, window.width + 2, window.height + 2).intersection(
            Window(0, 0, self._dem.shape[1], self._dem.shape[0])
        )
        damaged = set()
        for part, number in self._parts(inner):
            values = self._values(part)
            if values is None:
                damaged.add(number)
            else:
                row, col = part.row_off - top, part.col_off - left
                found[row : row + part.height, col : col + part.width] = values * self._metres
        return found, damaged

    def _parts(self, window: Window) -> Iterator[tuple[Window, int]]:
        """Cut a window at the edges of the file's own blocks, of which each may be damaged."""
        high, wide = self._native.block
        for row in range(window.row_off // high, (window.row_off + window.height - 1) // high + 1):
            for col in range(window.col_off // wide, (window.col_off + window.width - 1) // wide + 1):
                number = row * self._native.across + col
                yield self._native.window(number).intersection(window), number

    def _values(self, window: Window) -> Floats | None:
        """Return values of one of the file's blocks; None where it cannot be decoded."""
        block = decoded(self._source, self._dem, window)
        return None if block is None else block.values()


def _compute(task: _Task, scratch: _Scratch, threads: int, tick: Callable[[int], object]) -> None:
    """Compute the blocks that are not finished; an error or Ctrl-C ends all threads at their next block."""
    todo: queue.SimpleQueue[int] = queue.SimpleQueue()
    for number in range(_count(task.grid)):
        if number not in scratch.done:
            todo.put(number)
    lattice, reading, stop = GroundLattice(task.dem), threading.Lock(), threading.Event()

    with source_of(task.dem) as source:
        reader = _Reader(source, task.dem)

        def run() -> None:
            for number in until_empty(todo, stop):
                window = task.grid.window(number)
                with reading:
                    heights, damaged = reader.read(window)
                scratch.write(number, _surfaces(task, heights, window, lattice), damaged)
                tick(1)

        run_in_threads(run, threads, stop)


def _surfaces(task: _Task, heights: Floats, window: Window, lattice: GroundLattice) -> Singles:
    """Return the bands of a block (bands, rows, columns) from its heights with their margin."""
    found = np.empty((len(task.bands), window.height, window.width), np.float32)
    jacobian = lattice.at(*window.toslices())
    step = max(1, STRIP_CELLS // window.width)
    for start in range(0, window.height, step):
        stop = min(start + step, window.height)
        values = _strip(task, heights[start : stop + 2], jacobian[..., start:stop, :])
        found[:, start:stop] = np.where(np.isnan(values), NODATA, values)
    return found


def _strip(task: _Task, heights: Floats, jacobian: Floats) -> Floats:
    """Return the bands of some rows of a block, NaN where missing."""
    values: dict[str, Floats] = {"elevation": heights[1:-1, 1:-1]}
    if set(task.bands) != {"elevation"}:
        east, north = _ground_gradient(task, heights, jacobian)
        values["slope"] = slope_deg(east, north)
        if "aspect" in task.bands:
            values["aspect"] = aspect_deg(east, north)
        if "hillshade" in task.bands:
            values["hillshade"] = _shade(east, north, *task.light)
    return np.stack([values[band] for band in task.bands])


def _ground_gradient(task: _Task, heights: Floats, jacobian: Floats) -> tuple[Floats, Floats]:
    """Return the rise per ground metre to the true east and north. [1]"""
    t = task.dem.transform
    windows = np.lib.stride_tricks.sliding_window_view(heights, (3, 3))
    windows = windows[..., :: -1 if t.e > 0 else 1, :: -1 if t.a < 0 else 1]
    x, y = gradient(windows, cell_x=abs(t.a), cell_y=abs(t.e), method=task.method)
    return jacobian[0, 0] * x + jacobian[1, 0] * y, jacobian[0, 1] * x + jacobian[1, 1] * y


def _shade(east: Floats, north: Floats, azimuth_deg: float, altitude_deg: float) -> Floats:
    """Return the cosine between light and ground, as :func:`densite.terrain.hillshade` (Horn 1981)."""
    azimuth, altitude = np.radians(azimuth_deg), np.radians(altitude_deg)
    toward = np.cos(altitude) * (np.sin(azimuth) * east + np.cos(azimuth) * north)
    shade: Floats = np.clip((np.sin(altitude) - toward) / np.sqrt(1 + east**2 + north**2), 0.0, 1.0)
    return shade


def _pack(task: _Task, scratch: _Scratch, out: Path, threads: int) -> None:
    """Make the cloud-optimised GeoTIFF of the finished blocks, and give it its name when it is whole."""
    description = _describe(task, scratch)
    whole = scratch.folder / "whole.tif"
    rasterio.shutil.copy(
        description, whole, driver="COG", COMPRESS="DEFLATE", LEVEL="1", PREDICTOR="YES", BIGTIFF="IF_SAFER",
        OVERVIEW_RESAMPLING="NEAREST", NUM_THREADS=str(threads),
    )  # fmt: skip
    with whole.open("r+b") as file:
        _sync(file)
    whole.replace(out)


def _describe(task: _Task, scratch: _Scratch) -> Path:
    """Write what GDAL must know of the scratch file to read it as a raster."""
    rows, cols = task.dem.shape
    header = (
        f"ENVI\nsamples = {cols}\nlines = {rows}\nbands = {len(task.bands)}\nheader offset = 0\n"
        "file type = ENVI Standard\ndata type = 4\ninterleave = bsq\nbyte order = 0\n"
    )
    scratch.values.with_suffix(".hdr").write_text(header, encoding="utf-8")
    tags = {"method": task.method, "dem": task.dem.path.name, "dem_sha256": task.dem.fingerprint}
    if "hillshade" in task.bands:
        tags |= {"light_azimuth_deg": f"{task.light[0]:g}", "light_altitude_deg": f"{task.light[1]:g}"}
    metadata = "".join(f'<MDI key="{key}">{escape(value)}</MDI>' for key, value in tags.items())
    bands = "".join(
        f'<VRTRasterBand dataType="Float32" band="{i}"><Description>{MEANINGS[band]}</Description>'
        f"<UnitType>{UNITS[band]}</UnitType><NoDataValue>{NODATA}</NoDataValue><SimpleSource>"
        f'<SourceFilename relativeToVRT="1">{scratch.values.name}</SourceFilename><SourceBand>{i}</SourceBand>'
        "</SimpleSource></VRTRasterBand>"
        for i, band in enumerate(task.bands, start=1)
    )
    t = task.dem.transform
    path = scratch.folder / "values.vrt"
    path.write_text(
        f'<VRTDataset rasterXSize="{cols}" rasterYSize="{rows}"><SRS>{escape(task.dem.crs.to_wkt())}</SRS>'
        f"<GeoTransform>{', '.join(map(repr, t.to_gdal()))}</GeoTransform>"
        f"<Metadata>{metadata}</Metadata>{bands}</VRTDataset>",
        encoding="utf-8",
    )
    return path


def _checked(bands: Sequence[Band], method: str, block: int) -> tuple[Band, ...]:
    """Refuse bands, methods and sizes that there are not."""
    unknown = [band for band in bands if band not in UNITS]
    if unknown or not bands or len(set(bands)) < len(bands):
        raise LayerError(f"bands {', '.join(map(repr, bands)) or 'none'}; allowed, each once: {', '.join(UNITS)}")
    if method not in ("horn", "zevenbergen-thorne"):
        raise LayerError(f"method '{method}'; allowed: horn, zevenbergen-thorne")
    if block < 1:
        raise LayerError(f"block of {block} cells; expected at least 1, for example {BLOCK_CELLS}")
    return tuple(bands)


def _check_target(dem: Raster, out: Path, overwrite: bool) -> None:
    """Refuse a target that is the DEM, is there already, or has no folder."""
    if not out.parent.is_dir():
        raise LayerError(f"{out}: no folder {out.parent}; make it first")
    if out.is_dir():
        raise LayerError(f"{out} is a folder; name a file, for example {out / 'terrain.tif'}")
    if out.exists() and dem.path.exists() and out.samefile(dem.path):
        raise LayerError(f"{out} is the DEM itself; name another file")
    if out.exists() and not overwrite:
        raise LayerError(f"{out} is there already; name another file, or replace it with --force")
    if out.exists() and not _is_tiff(out):  # a register, a zip or a crew's file is nothing to replace
        raise LayerError(f"{out} is there already and no GeoTIFF; name another file")


def _is_tiff(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(2) in (b"II", b"MM")


def _check_room(out: Path, expected: float) -> None:
    """Refuse to begin what will not fit: packed numbers and their overviews take about as much as bare ones."""
    free = shutil.disk_usage(out.parent).free
    if free < expected:
        raise OSError(errno.ENOSPC, f"{free / 1e6:.0f} MB free, {expected / 1e6:.0f} MB needed")


@contextmanager
def _told(out: Path) -> Iterator[None]:
    """Turn what goes wrong in writing into one message."""
    try:
        yield
    except (OSError, RasterioError, CPLE_BaseError) as error:
        why = getattr(error, "strerror", None) or str(error.__cause__ or error).splitlines()[0]
        raise LayerError(
            f"{out} cannot be written ({why}): make room or choose another place; the same command goes on "
            "from the finished blocks"
        ) from None


def _count(grid: BlockGrid) -> int:
    return -(-grid.shape[0] // grid.block[0]) * grid.across


def _literal(name: str) -> str:
    """Return a file's name as a pattern that matches nothing else."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _write_all(file: BinaryIO, data: bytes) -> None:
    """Write to an unbuffered file, which may take less than all at a time."""
    left = memoryview(data)
    while left:
        left = left[file.write(left) :]


def _sync(file: BinaryIO) -> None:
    os.fsync(file.fileno())
