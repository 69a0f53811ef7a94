"""Big rasters read block by block: each touched block is decoded once, by a few threads."""

from __future__ import annotations

import importlib.util
import os
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import MaskFlags
from rasterio.errors import RasterioError
from rasterio.windows import Window

from densite.layers import Raster, as_stored, source_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LEAST_CELLS = 2**16  # smaller blocks (single strips) are read several at a time: a call costs as much as its cells
COMPILED_FROM = 50_000  # points from which compiled code pays where numba is loaded already
COLD_FROM = 2_000_000  # and where it must be loaded first, which takes half a second
CACHE_BYTES = 2**20  # GDAL keeps nothing: no block is read twice

Work = Callable[["Block", Ints], None]


@dataclass(frozen=True, slots=True)
class BlockGrid:
    """How a raster's file is cut: ``shape`` of the raster and of a block. [cells]"""

    shape: tuple[int, int]
    block: tuple[int, int]

    @property
    def across(self) -> int:
        """Number of blocks side by side."""
        return -(-self.shape[1] // self.block[1])

    def number(self, rows: Ints, cols: Ints) -> Ints:
        """Return the number of the block in which each cell lies."""
        return rows // self.block[0] * self.across + cols // self.block[1]

    def window(self, number: int) -> Window:
        """Return the cells of a block; the last ones of a row or column may be smaller."""
        top, left = number // self.across * self.block[0], number % self.across * self.block[1]
        return Window(left, top, min(self.block[1], self.shape[1] - left), min(self.block[0], self.shape[0] - top))


@dataclass(frozen=True, slots=True)
class Block:
    """A decoded block: raw cells, which of them are missing, and how raw numbers become values."""

    top: int
    left: int
    raw: NDArray[Any]
    missing: Flags | None
    nodata: Any
    scale: float
    offset: float

    def take(self, rows: Ints, cols: Ints) -> Floats:
        """Return the values of cells of the raster that lie in this block; NaN where missing."""
        places = (rows - self.top) * self.raw.shape[1] + (cols - self.left)
        missing = None if self.missing is None else self.missing.ravel().take(places)
        return self._valued(self.raw.ravel().take(places), missing)

    def windows(self, rows: Ints, cols: Ints, half: int, kernel: Any = None) -> Floats:
        """Return the cells around cells of the raster, all in this block, (k, h, h); NaN where missing."""
        if kernel is None or self.missing is not None:
            step = np.arange(-half, half + 1)
            return self.take(rows[:, None, None] + step[:, None], cols[:, None, None] + step)
        nodata = np.array([] if self.nodata is None else [self.nodata], dtype=self.raw.dtype)
        found: Floats = kernel.windows(
            self.raw, rows - self.top, cols - self.left, half, nodata, float(self.scale), float(self.offset)
        )  # fmt: skip
        return found

    def values(self) -> Floats:
        """Return the values of all cells of this block (rows, columns); NaN where missing."""
        return self._valued(self.raw, self.missing)

    def bands(self, cells: int) -> Iterator[Block]:
        """Cut the block into bands of whole rows with about so many cells each."""
        step = max(1, cells // self.raw.shape[1])
        for start in range(0, len(self.raw), step):
            rows = slice(start, start + step)
            missing = None if self.missing is None else self.missing[rows]
            yield replace(self, top=self.top + start, raw=self.raw[rows], missing=missing)

    def _valued(self, raw: NDArray[Any], missing: Flags | None) -> Floats:
        values: Floats = raw.astype(np.float64)
        if self.scale != 1.0 or self.offset != 0.0:
            values = values * self.scale + self.offset
        gone = ~np.isfinite(values)
        if self.nodata is not None:
            gone |= raw == self.nodata
        if missing is not None:
            gone |= missing
        values[gone] = np.nan
        return values


def grid_of(raster: Raster) -> BlockGrid:
    """Return how a raster is cut into blocks, thin strips joined.

    Parameters
    ----------
    raster : Raster
        The layer.

    Returns
    -------
    BlockGrid

    Raises
    ------
    LayerError
        The file can no longer be read.
    """
    with source_of(raster) as source:
        high, wide = source.block_shapes[0]
    joined = max(1, LEAST_CELLS // (high * wide)) if wide >= raster.shape[1] else 1
    return BlockGrid(raster.shape, (high * joined, wide))


def compiled_kernel(points: int) -> Any:
    """Return the compiled kernel where numba is installed and the points are many enough to load it.

    Parameters
    ----------
    points : int
        How many there are.

    Returns
    -------
    module or None
        :mod:`densite.blockkernel`.
    """
    loaded = "numba" in sys.modules
    if points < (COMPILED_FROM if loaded else COLD_FROM) or not importlib.util.find_spec("numba"):
        return None
    try:
        from densite import blockkernel  # loading the compiler takes longer than some thousand points
    except ImportError:  # numba refuses a numpy that is newer than it knows
        return None
    return blockkernel


def default_threads() -> int:
    """Return how many threads decode blocks: as many as processors, two at most.

    More do not help: one thread decodes while another computes.
    """
    return min(2, os.cpu_count() or 1)


def visit(raster: Raster, rows: Ints, cols: Ints, work: Work, *, threads: int | None = None) -> Flags:
    """Decode every block that holds a requested cell once, and hand it over with its requests.

    Parameters
    ----------
    raster : Raster
        The layer.
    rows, cols : ndarray of int, shape (n,)
        Requested cells, all inside the raster; any order, repeats allowed. [cells]
    work : callable
        Gets a block and the positions (k,) of its requests; runs in several threads at once, so it
        may only write to places of its own requests.
    threads : int, optional
        Number of decoding threads.

    Returns
    -------
    ndarray of bool, shape (n,)
        Requests whose block could not be decoded (a truncated or damaged file); ``work`` did not
        see them.

    Raises
    ------
    LayerError
        The file cannot be opened at all.
    """
    lost = np.zeros(len(rows), dtype=bool)
    if not len(rows):
        return lost
    grid = grid_of(raster)
    tasks: queue.SimpleQueue[tuple[int, Ints]] = queue.SimpleQueue()
    for task in _grouped(grid.number(rows, cols)):
        tasks.put(task)
    stop = threading.Event()

    def run() -> None:
        with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), source_of(raster) as source:
            for number, which in _until_empty(tasks, stop):
                block = _decoded(source, raster, grid.window(number))
                if block is None:
                    lost[which] = True
                else:
                    work(block, which)

    _run_all(run, min(threads or default_threads(), tasks.qsize()), stop)
    return lost


def _run_all(run: Callable[[], None], threads: int, stop: threading.Event) -> None:
    """Run in every thread; an error or Ctrl-C in one ends the others at their next block."""
    if threads == 1:
        run()
        return
    with ThreadPoolExecutor(threads) as pool:
        running = [pool.submit(run) for _ in range(threads)]
        try:
            for future in running:
                future.result()
        except BaseException:
            stop.set()
            raise


def _until_empty(tasks: queue.SimpleQueue[tuple[int, Ints]], stop: threading.Event) -> Iterator[tuple[int, Ints]]:
    while not stop.is_set():
        try:
            yield tasks.get_nowait()
        except queue.Empty:
            return


def _grouped(numbers: Ints) -> Iterator[tuple[int, Ints]]:
    """Yield each block's number and the positions of its requests, in the order of the file."""
    if numbers.max() < 2**16:
        numbers = numbers.astype(np.uint16)  # numpy sorts these by radix, in a tenth of the time
    order = np.argsort(numbers, kind="stable")
    ranked = numbers[order]
    starts = np.flatnonzero(np.diff(ranked)) + 1
    for number, which in zip(ranked[np.append(0, starts)], np.split(order, starts), strict=True):
        yield int(number), which


def _decoded(source: Any, raster: Raster, window: Window) -> Block | None:
    """Decode a block; None where the file is damaged there."""
    try:
        raw = source.read(1, window=window)
        masked = {MaskFlags.per_dataset, MaskFlags.alpha} & set(source.mask_flag_enums[0])
        missing = source.read_masks(1, window=window) == 0 if masked else None
    except RasterioError:
        return None
    nodata = None if raster.nodata is None or np.isnan(raster.nodata) else as_stored(raster.nodata, raw.dtype)
    return Block(
        int(window.row_off), int(window.col_off), raw, missing, nodata, source.scales[0], source.offsets[0]
    )  # fmt: skip


def around(
    raster: Raster,
    rows: Ints,
    cols: Ints,
    work: Callable[[Ints, Floats], None],
    *,
    half: int = 1,
    threads: int | None = None,
    kernel: Any = None,
) -> Flags:
    """Hand over the cells around points, block by block, without reading any block twice.

    A window inside one block is handed over with that block. A window that crosses a block's edge
    is asked for cell by cell, each cell from the block in which it lies, and handed over at the end.

    Parameters
    ----------
    raster : Raster
        The layer.
    rows, cols : ndarray of int, shape (n,)
        Cell of each point, inside the raster. [cells]
    work : callable
        Gets the positions (k,) of points and their windows (k, h, h) in the file's order of rows,
        NaN for missing cells and cells outside the raster; runs in several threads at once.
    half : int
        Cells on each side of the point's own. [cells]
    threads : int, optional
        Number of decoding threads.
    kernel : module, optional
        :mod:`densite.blockkernel`, to take windows with compiled code.

    Returns
    -------
    ndarray of bool, shape (n,)
        Points of whose window a block could not be decoded; the cells of that block are NaN.

    Raises
    ------
    LayerError
        The file cannot be opened at all.
    """
    step = np.arange(-half, half + 1)
    side = len(step)
    whole = _inside_one(grid_of(raster), rows, cols, half)
    inner, split = np.flatnonzero(whole), np.flatnonzero(~whole)
    cell_rows = np.broadcast_to(rows[split, None, None] + step[:, None], (len(split), side, side)).ravel()
    cell_cols = np.broadcast_to(cols[split, None, None] + step[None, :], (len(split), side, side)).ravel()
    inside = np.flatnonzero(
        (cell_rows >= 0) & (cell_rows < raster.shape[0]) & (cell_cols >= 0) & (cell_cols < raster.shape[1])
    )
    cells = np.full(len(cell_rows), np.nan)

    def both(block: Block, which: Ints) -> None:
        count = np.searchsorted(which, len(inner))  # which rises: whole windows stand before single cells
        mine, single = inner[which[:count]], inside[which[count:] - len(inner)]
        if len(mine):
            work(mine, block.windows(rows[mine], cols[mine], half, kernel))
        cells[single] = block.take(cell_rows[single], cell_cols[single])

    asked = (np.concatenate([rows[inner], cell_rows[inside]]), np.concatenate([cols[inner], cell_cols[inside]]))
    gone = visit(raster, *asked, both, threads=threads)
    if len(split):
        work(split, cells.reshape(-1, side, side))
    lost = np.zeros(len(rows), dtype=bool)
    lost[inner] = gone[: len(inner)]
    lost[split[np.unique(inside[gone[len(inner) :]] // side**2)]] = True
    if lost[inner].any():
        missing = inner[lost[inner]]
        work(missing, np.full((len(missing), side, side), np.nan))
    return lost


def _inside_one(grid: BlockGrid, rows: Ints, cols: Ints, half: int) -> Flags:
    """Tell which windows lie wholly in their point's block and in the raster."""
    high, wide = grid.block
    row, col = rows % high, cols % wide
    inside: Flags = (row >= half) & (row < high - half) & (col >= half) & (col < wide - half)
    inside &= (rows < grid.shape[0] - half) & (cols < grid.shape[1] - half)
    return inside
