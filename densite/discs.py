"""Discs on the ground laid over raster cells: how much of every cell a circle covers, exactly."""

from __future__ import annotations

import importlib.util
import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import geopandas as gpd
import numpy as np
from numpy.typing import ArrayLike, NDArray

from densite.blocks import Block, BlockGrid, grid_of, visit
from densite.errors import LayerError
from densite.layers import Raster, cells_at, ground_jacobian, lon_lat

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Cells: TypeAlias = NDArray[np.unsignedinteger]
BlockTotals: TypeAlias = Callable[..., tuple[Floats, Floats]]

UNIT = 2.0**-50  # shares of a disc are whole multiples of this: their sums are exact, in whatever order
SLIVER = 1e-12  # share of a disc that rounding can leave: it counts as nothing
BAND_CELLS = 2**19  # a block is worked through in bands of so many cells, whatever its own size
TOGETHER = 4096  # discs of a block whose totals are held at once
STRANGERS = 250  # more codes than this that the legend does not hold: it is another legend's layer
DISC_COST = 1200  # cells that numpy counts in the time in which it starts a disc
COMPILED_FROM = 2e7  # cells; numpy counts fewer before the compiled kernel is loaded


@dataclass(frozen=True, slots=True)
class DiscTotals:
    """What the discs around n points hold of a raster, for r radii and c classes.

    ``shares`` (r, n, c) is the share of each disc's area by class and ``missing`` (r, n) that without
    class or value, 1 where nothing is known [0..1]; ``sums`` (r, n) the values times the shares;
    ``cell_area`` (n,) a cell's area [m2], NaN where a point has no coordinates. ``gap`` and ``lost``
    (r, n) tell where nodata or ground outside the raster is part of the disc, and where a block of
    the file under it could not be decoded. ``strangers`` holds the positions of the points whose
    largest disc has codes that are not among the classes, by code.
    """

    shares: Floats
    missing: Floats
    sums: Floats
    cell_area: Floats
    gap: Flags
    lost: Flags
    strangers: dict[float, Ints]

    @property
    def valid(self) -> Floats:
        """Share of each disc's area that has a class or a value, shape (r, n). [0..1]"""
        valid: Floats = np.where(self.missing < 1, self.shares.sum(axis=2), 0.0)
        return valid


@dataclass(frozen=True, slots=True)
class _Discs:
    """Centres (n,) in cells and the sides of a cell there [m]; NaN where there is no point."""

    row: Floats
    col: Floats
    high: Floats
    wide: Floats

    def seen_from(self, top: int, left: int, which: Ints) -> tuple[Floats, Floats, Floats, Floats]:
        """Return some of them with their centres counted from another cell than the first."""
        return self.row[which] - top, self.col[which] - left, self.high[which], self.wide[which]


@dataclass(frozen=True, slots=True)
class _Overlaps:
    """Which disc touches which block: the disc, the block's first cell, and how near it comes [m]."""

    disc: Ints
    row: Ints
    col: Ints
    near: Floats


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
    # rounding leaves cells outside the circle a sliver, which a huge value would turn into something
    near_x, near_y = _nearest(x), _nearest(y)
    areas[near_x[..., None, :] ** 2 + near_y[..., :, None] ** 2 >= radius_m**2] = 0.0
    return areas


def disc_totals(
    points: gpd.GeoDataFrame,
    raster: Raster,
    *,
    radii_m: Sequence[float],
    codes: Ints | None = None,
    threads: int | None = None,
    compiled: bool | None = None,
) -> DiscTotals:
    """Add up what discs around points hold of a raster, decoding each block under them once.

    Cells are taken as rectangles whose sides are the cell's sides on the ground at the point. In
    conformal CRSs (UTM, state plane, Mercator) and in degrees they are rectangles. Neglected are
    the change of their size within the disc and the shear of other projections: of an equal-area
    projection of a continent the shear is mostly under one degree, which moves parts of a disc's
    rim by under 1 % of its radius.

    A disc that lies over several blocks gets
    its part from each of them. Shares do not depend on the order of the blocks, so not on the number
    of threads: they are kept as multiples of 2^-50, whose sums are exact. Sums of values are added
    together with what rounding takes from them, so that the order shows in no digit that is kept,
    bar a tie in the last one.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer.
    radii_m : sequence of float
        Disc radii. [m]
    codes : ndarray of int, shape (c,), optional
        The classes of a layer of codes, rising. Without them the layer's values are added up, and
        there is one class: the cells that have a value.
    threads : int, optional
        Number of threads, see :func:`densite.blocks.visit`.
    compiled : bool, optional
        Whether to use the compiled kernel; by default where numba is installed and the discs are
        many enough to make up for loading it.

    Returns
    -------
    DiscTotals

    Raises
    ------
    LayerError
        No radius or one that is not positive, the layer cannot be opened, or it holds very many codes
        that are not among the classes.
    """
    _check(radii_m)
    discs = _Discs(*cells_at(points, raster), *cell_size(points, raster))
    overlaps = _overlaps(discs, grid_of(raster), max(radii_m))
    totals = _kernel(_cells(discs, radii_m) >= COMPILED_FROM if compiled is None else compiled)
    gathered = _Gathered(discs, overlaps.disc, np.array(radii_m, float), codes, totals, raster.name)
    undone = visit(raster, overlaps.row, overlaps.col, gathered.add, threads=threads)
    lost = np.zeros((len(radii_m), len(points)), dtype=bool)
    for r, radius in enumerate(radii_m):
        lost[r, overlaps.disc[undone & (overlaps.near < radius)]] = True
        gathered.add_outside(r, raster.shape)
    return gathered.result(lost)


def block_totals(
    cells: Cells, lookup: Cells, values: Floats, classes: int, row: Floats, col: Floats, high: Floats, wide: Floats,
    radii: Floats, unit: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return what discs hold of a block, in plain numpy: parameters and result as of the compiled twin.

    Parameters
    ----------
    cells : ndarray of unsigned int, shape (h, w)
        Number of each cell.
    lookup : ndarray of unsigned int, shape (m,)
        Class of each number, below ``classes``; with one number, the block is all of one class.
    values : ndarray, shape (h, w) or (0, 0)
        Values, 0 where missing; empty where there is nothing to sum.
    classes : int
        Number of classes.
    row, col : ndarray, shape (k,)
        Centres, from the block's first cell. [cells]
    high, wide : ndarray, shape (k,)
        Sides of a cell at each disc. [m]
    radii : ndarray, shape (r,)
        Radii. [m]
    unit : float
        Shares are rounded to multiples of this. [1]

    Returns
    -------
    tuple of ndarray
        Share of each disc by class (k, r, classes) and sum of values times shares (k, r).
    """
    shares, sums = np.zeros((len(row), len(radii), classes)), np.zeros((len(row), len(radii)))
    for k, (r, radius) in ((k, r) for k in range(len(row)) for r in enumerate(radii)):
        rows = _touched(row[k], radius / high[k], cells.shape[0])
        cols = _touched(col[k], radius / wide[k], cells.shape[1])
        if len(rows) and len(cols):
            y = (np.append(rows, rows[-1] + 1) - row[k]) * high[k]
            x = (np.append(cols, cols[-1] + 1) - col[k]) * wide[k]
            part = disc_weights(x, y, radius_m=radius) / (math.pi * radius**2)
            window = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
            shares[k, r] = np.bincount(lookup[cells[window]].ravel(), weights=part.ravel(), minlength=classes)
            sums[k, r] = (values[window] * part).sum() if values.size else 0.0
    return np.rint(shares / unit) * unit, sums


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


class _Gathered:
    """Totals of all discs, to which the blocks of a raster add their parts from several threads."""

    def __init__(
        self, discs: _Discs, requests: Ints, radii: Floats, codes: Ints | None, totals: BlockTotals, layer: str
    ) -> None:
        """``requests`` are the discs of the overlaps that are handed to :func:`densite.blocks.visit`."""
        self.discs, self.requests, self.radii, self.codes, self.totals = discs, requests, radii, codes, totals
        self.layer = layer
        # after the classes come nodata and, in a layer of codes, the codes that are none of them
        self.classes = 1 if codes is None else len(codes)
        self.kinds = 2 if codes is None else len(codes) + 2
        count = len(discs.row)
        self.lookup: Cells | None = None
        self.shares = np.zeros((count, len(radii), self.kinds))
        self.sums, self.rounding = np.zeros((count, len(radii))), np.zeros((count, len(radii)))
        self.strangers: dict[float, list[Ints]] = {}
        self.lock = threading.Lock()

    def add(self, block: Block, which: Ints) -> None:
        """Add what discs hold of a block."""
        mine = self.requests[which]
        for band in block.bands(BAND_CELLS):
            row, _, high, _ = self.discs.seen_from(band.top, band.left, mine)
            reach = self.radii.max() / high
            here = mine[(row + reach > 0) & (row - reach < len(band.raw))]
            if len(here):
                coded = self._coded(band)
                for start in range(0, len(here), TOGETHER):
                    self._add_part(band, *coded, here[start : start + TOGETHER])

    def add_outside(self, r: int, shape: tuple[int, int]) -> None:
        """Add what discs of one radius hold of the ground outside the raster."""
        radius, discs = self.radii[r], self.discs
        tall, broad = radius / discs.high, radius / discs.wide
        inside = (discs.row >= tall) & (discs.row <= shape[0] - tall)
        inside &= (discs.col >= broad) & (discs.col <= shape[1] - broad)
        over = np.flatnonzero(~inside & _placed(discs))
        row, col, high, wide = discs.seen_from(0, 0, over)
        endless = np.full(len(over), np.inf)
        x = np.stack([-endless, -col * wide, (shape[1] - col) * wide, endless], axis=1)
        y = np.stack([-endless, -row * high, (shape[0] - row) * high, endless], axis=1)
        areas = disc_weights(x, y, radius_m=radius)
        areas[:, 1, 1] = 0.0
        self.shares[over, r, self.classes] += np.rint(areas.sum(axis=(1, 2)) / (math.pi * radius**2) / UNIT) * UNIT

    def result(self, lost: Flags) -> DiscTotals:
        """Return the totals; of a disc that has lost a block nothing is known."""
        shares = np.moveaxis(self.shares, 0, 1)
        known, unknown = shares[..., : self.classes], shares[..., self.classes :]
        missing = unknown.sum(axis=2)
        missing[missing < SLIVER] = 0.0
        missing[(known.sum(axis=2) < SLIVER) | lost] = 1.0
        return DiscTotals(
            shares=known, missing=missing, sums=(self.sums + self.rounding).T,
            cell_area=np.where(_placed(self.discs), self.discs.high * self.discs.wide, np.nan),
            gap=unknown[..., 0] >= SLIVER, lost=lost,
            strangers={code: np.unique(np.concatenate(found)) for code, found in self.strangers.items()},
        )  # fmt: skip

    def _coded(self, band: Block) -> tuple[Cells, Cells, Floats]:
        """Return each cell's number, each number's class, and values where there are values to add up."""
        if self.codes is not None:
            return *self._numbered(band, self.codes), np.empty((0, 0))
        values = band.values()
        gone = np.isnan(values)
        values[gone] = 0.0
        return gone.view(np.uint8), np.arange(1 + gone.any(), dtype=np.uint16), values

    def _numbered(self, band: Block, codes: Ints) -> tuple[Cells, Cells]:
        """Return each cell's number and each number's class."""
        size = band.raw.dtype.itemsize
        if band.raw.dtype.kind not in "iu" or size > 2:
            return _places(band.values(), codes), np.arange(self.kinds, dtype=np.uint16)
        # few raw numbers are possible: each of them is looked up once for all blocks
        pattern = np.dtype(f"u{size}")
        if self.lookup is None:
            every = np.arange(2 ** (8 * size), dtype=pattern).view(band.raw.dtype)
            self.lookup = _places(replace(band, raw=every, missing=None).values(), codes)
        cells: Cells = band.raw.view(pattern)
        if band.missing is None:
            return cells, self.lookup
        return np.where(band.missing, np.uint16(len(codes)), self.lookup[cells]), np.arange(self.kinds, dtype=np.uint16)

    def _add_part(self, band: Block, cells: Cells, lookup: Cells, values: Floats, part: Ints) -> None:
        discs = self.discs.seen_from(band.top, band.left, part)
        shares, sums = self.totals(cells, lookup, values, self.kinds, *discs, self.radii, UNIT)
        with self.lock:
            self.shares[part] += shares
            if values.size:
                self._add_sums(part, sums)
        if self.codes is not None:
            strange = shares[:, self.radii.argmax(), -1] >= SLIVER
            if strange.any():
                self._note_strangers(band, lookup[cells] == self.kinds - 1, part[strange])

    def _add_sums(self, part: Ints, sums: Floats) -> None:
        """Add sums and keep what rounding takes from them, so that the order does not show.

        Source: Knuth 1997, The Art of Computer Programming 2, section 4.2.2, theorem B (citation from
        memory).
        """
        before = self.sums[part]
        after = before + sums
        taken = after - before
        self.rounding[part] += (before - (after - taken)) + (sums - taken)
        self.sums[part] = after

    def _note_strangers(self, band: Block, strange: Flags, part: Ints) -> None:
        """Note which discs of the largest radius hold which codes that are not among the classes."""
        found, places = np.unique(band.values()[strange], return_inverse=True)
        if len(found) > STRANGERS:
            raise LayerError(
                f"layer '{self.layer}' holds more than {STRANGERS} codes that its legend does not hold, "
                f"{found[0]:g} to {found[-1]:g}: is it a layer of classes? Give it its own `legend`"
            )
        cells = np.full(strange.shape, len(found), dtype=np.uint8)
        cells[strange] = places
        lookup = np.arange(len(found) + 1, dtype=np.uint16)
        discs = self.discs.seen_from(band.top, band.left, part)
        largest = np.array([self.radii.max()])
        shares, _ = self.totals(cells, lookup, np.empty((0, 0)), len(lookup), *discs, largest, UNIT)
        with self.lock:
            for i, code in enumerate(found):
                self.strangers.setdefault(float(code), []).append(part[shares[:, 0, i] >= SLIVER])


def _check(radii_m: Sequence[float]) -> None:
    if not len(radii_m) or not all(np.isfinite(radius) and radius > 0 for radius in radii_m):
        raise LayerError(f"disc radii {list(radii_m)}: expected one or more, each above 0 m")


def _cells(discs: _Discs, radii_m: Sequence[float]) -> float:
    """Return about how many cells numpy would have to count, each disc's own cost included."""
    per_m2 = 1 / (discs.high * discs.wide)[_placed(discs)]
    return float(sum((DISC_COST + math.pi * radius**2 * per_m2).sum() for radius in radii_m))


def _kernel(compiled: bool) -> BlockTotals:
    """Return the compiled kernel if it is wanted and there, else the plain one."""
    if compiled and importlib.util.find_spec("numba"):
        try:
            from densite import disckernel  # loading the compiler takes longer than a few discs
        except ImportError:  # numba refuses a numpy that is newer than it knows
            return block_totals
        return disckernel.block_totals
    return block_totals


def _placed(discs: _Discs) -> Flags:
    placed: Flags = np.isfinite(discs.row) & np.isfinite(discs.col) & np.isfinite(discs.high) & np.isfinite(discs.wide)
    return placed


def _overlaps(discs: _Discs, grid: BlockGrid, radius: float) -> _Overlaps:
    """List the blocks that discs touch."""
    placed = _placed(discs)
    first, last = {}, {}
    for i, (centre, side) in enumerate(((discs.row, discs.high), (discs.col, discs.wide))):
        size, block = grid.shape[i], grid.block[i]
        centre, reach = np.where(placed, centre, -1.0), np.where(placed, radius / side, 0.0)
        placed = placed & (centre + reach > 0) & (centre - reach < size)
        first[i] = np.clip(np.floor(centre - reach), 0, size - 1).astype(np.int64) // block
        last[i] = np.clip(np.ceil(centre + reach) - 1, 0, size - 1).astype(np.int64) // block
    across = last[1] - first[1] + 1
    count = np.where(placed, (last[0] - first[0] + 1) * across, 0)
    disc = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(disc)) - np.repeat(np.cumsum(count) - count, count)
    rows = (first[0][disc] + nth // across[disc]) * grid.block[0]
    cols = (first[1][disc] + nth % across[disc]) * grid.block[1]
    near = np.hypot(
        _distance(discs.row[disc], rows, grid.block[0]) * discs.high[disc],
        _distance(discs.col[disc], cols, grid.block[1]) * discs.wide[disc],
    )
    touched = near < radius  # the corners of a disc's frame are outside the disc
    return _Overlaps(disc[touched], rows[touched], cols[touched], near[touched])


def _distance(place: Floats, start: Ints, size: int) -> Floats:
    """Return how far places are from stretches of a line. [cells]"""
    distance: Floats = np.maximum(0.0, np.maximum(start - place, place - (start + size)))
    return distance


def _touched(place: float, reach: float, size: int) -> NDArray[np.intp]:
    """Return the rows or columns of a block that a disc can touch."""
    return np.arange(max(0, math.floor(place - reach)), min(size, math.ceil(place + reach)))


def _places(values: Floats, codes: Ints) -> NDArray[np.uint16]:
    """Return each value's place among the codes; after the last code come nodata and other codes."""
    place = np.searchsorted(codes, np.where(np.isnan(values), codes[0], values)).clip(max=len(codes) - 1)
    place = np.where(codes[place] == values, place, np.where(np.isnan(values), len(codes), len(codes) + 1))
    return place.astype(np.uint16)


def _nearest(edges: Floats) -> Floats:
    """Return how near each cell comes to the centre's column or row. [m]"""
    before, after = edges[..., :-1], edges[..., 1:]
    near: Floats = np.where((before < 0) != (after < 0), 0.0, np.minimum(np.abs(before), np.abs(after)))
    return near


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
