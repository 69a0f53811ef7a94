"""Big rasters read block by block: each touched block is decoded once, by a few threads."""

from __future__ import annotations

import math
import os
import queue
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, TypeVar

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
Numbers = Ints | Floats

LEAST_CELLS = 2**16  # smaller blocks are read several at a time: a call costs as much as its cells
NOWHERE = -1  # the block of a cell outside the raster
CACHED_POINTS = 4096  # so many at once: a row of their numbers is 32 kB
CACHE_BYTES = 2**20  # GDAL keeps nothing: no block is read twice

Work = Callable[["Block", Ints], None]
Task = TypeVar("Task")
Requests = list[tuple[int, Ints]]  # a block's number and the positions of its requests


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
        return self._at((rows - self.top) * self.raw.shape[1] + (cols - self.left))

    def windows(self, rows: Numbers, cols: Numbers, half: int) -> Floats:
        """Return the cells around cells of the raster, all in this block, (k, h, h); NaN where missing."""
        wide, step = self.raw.shape[1], np.arange(-half, half + 1)
        places = (rows.astype(np.int64) - self.top) * wide + (cols.astype(np.int64) - self.left)
        found = self._at(places + (step[:, None] * wide + step)[:, :, None])
        return np.moveaxis(found, -1, 0)  # each place's numbers side by side in memory

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

    def _at(self, places: Ints) -> Floats:
        """Return the values at places counted along the rows."""
        missing = None if self.missing is None else self.missing.ravel().take(places)
        return self._valued(self.raw.ravel().take(places), missing)

    def _valued(self, raw: NDArray[Any], missing: Flags | None) -> Floats:
        values: Floats = raw.astype(np.float64)
        if self.scale != 1.0 or self.offset != 0.0:
            values = values * self.scale + self.offset
        gone = ~np.isfinite(values)
        if self.nodata is not None:
            gone |= raw == self.nodata
        if missing is not None:
            gone |= missing
        if gone.any():
            values[gone] = np.nan
        return values


def grid_of(raster: Raster) -> BlockGrid:
    """Return how a raster is cut into blocks, thin strips and small tiles joined.

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
    joined = max(1, LEAST_CELLS // (high * wide))
    if wide >= raster.shape[1]:
        return BlockGrid(raster.shape, (high * joined, wide))
    side = math.isqrt(joined)
    return BlockGrid(raster.shape, (high * side, wide * side))


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
    grid = grid_of(raster)
    lost = np.zeros(len(rows), dtype=bool)
    _visit(raster, grid, _grouped(grid.number(rows, cols)), work, lost, threads)
    return lost


def _visit(raster: Raster, grid: BlockGrid, requests: Requests, work: Work, lost: Flags, threads: int | None) -> None:
    """Decode the blocks of grouped requests, and mark what is lost."""
    tasks: queue.SimpleQueue[tuple[int, Ints]] = queue.SimpleQueue()
    for task in requests:
        tasks.put(task)
    stop = threading.Event()

    def run() -> None:
        with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), source_of(raster) as source:
            for number, which in until_empty(tasks, stop):
                block = decoded(source, raster, grid.window(number))
                if block is None:
                    lost[which] = True
                else:
                    work(block, which)

    run_in_threads(run, min(threads or default_threads(), tasks.qsize()), stop)


def run_in_threads(run: Callable[[], None], threads: int, stop: threading.Event) -> None:
    """Run in every thread; an error or Ctrl-C in one ends the others at their next block.

    Parameters
    ----------
    run : callable
        What each thread does; it looks at ``stop`` before each block.
    threads : int
        Number of threads; with one or none it runs in this one.
    stop : Event
        Set when the others are to end.
    """
    if threads <= 1:
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


def until_empty(tasks: queue.SimpleQueue[Task], stop: threading.Event) -> Iterator[Task]:
    """Take tasks from a queue that several threads share, until there are none or they are to stop.

    Parameters
    ----------
    tasks : SimpleQueue
        What is to be done.
    stop : Event
        Set when nothing more is to be taken.

    Yields
    ------
    task
    """
    while not stop.is_set():
        try:
            yield tasks.get_nowait()
        except queue.Empty:
            return


def _grouped(numbers: Ints) -> Requests:
    """Return each block's number and the positions of its requests, in the order of the file."""
    packed = numbers.astype(np.int64)  # number and position in one: sorted in place, without a second array
    packed <<= 32
    packed |= np.arange(len(numbers), dtype=np.uint32)
    packed.sort()
    groups, start = [], int(np.searchsorted(packed, 0))  # NOWHERE is below 0
    while start < len(packed):
        number = int(packed[start] >> 32)
        end = int(np.searchsorted(packed, (number + 1) << 32))
        groups.append((number, packed[start:end]))
        start = end
    packed &= 2**32 - 1
    return groups


def decoded(source: Any, raster: Raster, window: Window) -> Block | None:
    """Decode a part of a raster.

    Parameters
    ----------
    source : DatasetReader
        The opened file.
    raster : Raster
        The layer, for its nodata value.
    window : Window
        Which cells. [cells]

    Returns
    -------
    Block or None
        None where the file is damaged there.
    """
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
    rows: Numbers,
    cols: Numbers,
    work: Callable[[Ints, Floats], None],
    *,
    half: int = 1,
    threads: int | None = None,
) -> Flags:
    """Hand over the cells around points, block by block, without reading any block twice.

    A window inside one block is handed over with that block. A window that crosses a block's edge
    is asked for cell by cell, each cell from the block in which it lies, and handed over at the end.

    Parameters
    ----------
    raster : Raster
        The layer.
    rows, cols : ndarray, shape (n,)
        Cell of each point, as whole numbers or fractions; points outside the raster, or NaN, are not
        handed over. [cells]
    work : callable
        Gets the positions (k,) of points and their windows (k, h, h) in the file's order of rows,
        NaN for missing cells and cells outside the raster; runs in several threads at once.
    half : int
        Cells on each side of the point's own. [cells]
    threads : int, optional
        Number of decoding threads.

    Returns
    -------
    ndarray of bool, shape (n,)
        Points of whose window a block could not be decoded; the cells of that block are NaN.

    Raises
    ------
    LayerError
        The file cannot be opened at all.
    """
    grid, count, side = grid_of(raster), len(rows), 2 * half + 1
    numbers, whole = _addresses(grid, rows, cols, half)
    split = np.flatnonzero(~whole & (numbers != NOWHERE))
    cell_rows, cell_cols = _cells_around(rows[split], cols[split], half)
    cells = np.full(len(cell_rows), np.nan)

    def both(block: Block, which: Ints) -> None:
        own, single = np.split(which, [np.searchsorted(which, count)])  # which rises: points stand before single cells
        for mine in _parts(own[whole.take(own)]):
            work(mine, block.windows(rows.take(mine), cols.take(mine), half))
        single = single - count
        cells[single] = block.take(cell_rows[single], cell_cols[single])

    requests = _grouped(np.append(numbers, _addresses(grid, cell_rows, cell_cols, 0)[0]))
    del numbers  # memory is at its peak while threads run
    gone = np.zeros(count + len(cells), dtype=bool)
    _visit(raster, grid, requests, both, gone, threads)
    windows = np.moveaxis(cells.reshape(side, side, len(split)), -1, 0)
    for part in _parts(np.arange(len(split))):
        work(split[part], windows[part[0] : part[-1] + 1])
    for part in _parts(np.flatnonzero(gone[:count] & whole)):
        work(part, np.full((len(part), side, side), np.nan))
    lost = gone[:count]
    lost[split[np.flatnonzero(gone[count:]) % max(len(split), 1)]] = True
    return lost


def _parts(which: Ints) -> Iterator[Ints]:
    """Cut positions into parts whose windows stay in a processor's cache."""
    return (which[start : start + CACHED_POINTS] for start in range(0, len(which), CACHED_POINTS))


def _cells_around(rows: Numbers, cols: Numbers, half: int) -> tuple[Ints, Ints]:
    """Return the rows and columns of the cells around k cells, each (h, h, k) in one line."""
    step = np.arange(-half, half + 1)
    around = np.broadcast_arrays(rows.astype(np.int64) + step[:, None, None], cols.astype(np.int64) + step[:, None])
    return around[0].ravel(), around[1].ravel()


def _addresses(grid: BlockGrid, rows: Numbers, cols: Numbers, half: int) -> tuple[NDArray[np.int32], Flags]:
    """Return the number of each cell's block and whether its window lies wholly in that block and the raster."""
    numbers, whole = np.empty(len(rows), dtype=np.int32), np.empty(len(rows), dtype=bool)
    for start in range(0, len(rows), CACHED_POINTS):
        part = slice(start, start + CACHED_POINTS)
        numbers[part], whole[part] = _address(grid, rows[part], cols[part], half)
    return numbers, whole


def _address(grid: BlockGrid, rows: Numbers, cols: Numbers, half: int) -> tuple[Ints, Flags]:
    inside = (rows >= 0) & (rows < grid.shape[0]) & (cols >= 0) & (cols < grid.shape[1])
    whole = inside.copy()
    cells = [np.where(inside, at, 0).astype(np.int64) for at in (rows, cols)]
    for at, size, length in zip(cells, grid.block, grid.shape, strict=True):
        place = at - at // size * size  # numpy divides several times faster than it takes remainders
        whole &= (place >= half) & (place < size - half) & (at < length - half)
    return np.where(inside, grid.number(*cells), NOWHERE), whole
