"""The nearest of many places and straight pieces, in a space of two or three dimensions."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FIRST_LOOK = 6  # stations looked at first; fewer prove too few answers, more cost without need
WIDER = 4  # factor by which a search grows that has not proved its answer yet
BATCH = 16_384  # points searched together: their arrays stay in the processor's cache
LEAST_SQUARE = 1e-24  # a piece shorter than a picometre is a place; dividing by its square could overflow [m2]
MOST_PAIRS = 2**20  # pairs of a point and a station held at once
CURVE_BITS = 21  # cells per axis of the space-filling curve, as a power of two


@dataclass(frozen=True, slots=True)
class Stations:
    """Places along lines, by whose distances the nearest piece is found.

    ``at`` (m, d) are the places [m], ``step`` (m, d) leads from each to the next one of its line, 0
    where there is none [m], ``inverse`` (m,) is 1 / the squared length of ``step``, 0 where there is
    none [1/m2].

    A piece can be nearer than both its ends, but the square of the distance by no more than a quarter
    of its squared length. ``tree`` holds each place with one coordinate more, such that the squared
    distance in it, less ``most`` [m2], is the least that the pieces at this place may have.
    """

    at: Floats
    step: Floats
    inverse: Floats
    most: float
    tree: cKDTree


@dataclass(slots=True)
class _Best:
    """The nearest found so far for each of some points: squared distance, piece, and how far along it."""

    square: Floats
    piece: Ints
    share: Floats


def stations(at: Floats, joined: Bools) -> Stations:
    """Make places searchable.

    Parameters
    ----------
    at : ndarray, shape (m, d)
        Places, those of a line one after the other. Neighbours in space are best neighbours in the
        array as well (see :func:`curve_order`); it is faster, and the result is the same. [m]
    joined : ndarray, shape (m,)
        Whether a straight piece leads from each place to the next one.

    Returns
    -------
    Stations
        About 115 bytes a place are held in three dimensions.
    """
    step = np.zeros_like(at)
    step[:-1] = np.diff(at, axis=0)
    step[~joined] = 0.0
    square = _dot(step, step)
    inverse = np.divide(1.0, square, out=np.zeros(len(at)), where=square > LEAST_SQUARE)
    gain = np.maximum(square, np.roll(square, 1)) / 4
    most = float(gain.max(initial=0.0))
    tree = cKDTree(np.column_stack([at, np.sqrt(most - gain)]), leafsize=16, balanced_tree=False)
    return Stations(at=at, step=step, inverse=inverse, most=most, tree=tree)


def nearest_places(points: Floats, to: Stations, *, threads: int = 1) -> Floats:
    """Return the nearest place on any piece or station, for each point.

    The foot on a piece is at most half its length from one of its ends, so by Pythagoras its squared
    distance is at least that of the nearer end less a quarter of the squared length. Stations are
    taken in the order of this bound: when that of the next one is not below the best distance seen,
    no piece is nearer. Points for which this is not yet so look at four times as many stations.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        Finite points; best ordered along a curve. [m]
    to : Stations
        At least one station.
    threads : int
        Threads to use. The result does not depend on it.

    Returns
    -------
    ndarray, shape (n, d)
        The nearest places. [m]

    Notes
    -----
    Squares are compared in double precision: of two places whose distances differ by less than 1e-8
    of the longest piece, either may be returned.
    """
    found = np.empty_like(points)
    starts = range(0, len(points), BATCH)

    def work(start: int) -> None:
        part = slice(start, start + BATCH)
        found[part] = _search(points[part], to, FIRST_LOOK)

    if threads == 1 or len(starts) == 1:
        for start in starts:
            work(start)
        return found
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, starts))
    return found


def curve_order(x: Floats, y: Floats) -> Ints:
    """Return a key that is close for places that are close: their position on a Z-shaped curve.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Finite coordinates in any unit.

    Returns
    -------
    ndarray, shape (n,)
        Whole numbers to sort by.

    Notes
    -----
    Source: Morton 1966, A computer oriented geodetic data base and a new technique in file
    sequencing, IBM.
    """
    if not len(x):
        return np.zeros(0, dtype=np.int64)
    return _spread(_cells(x)) | (_spread(_cells(y)) << 1)


def _search(points: Floats, to: Stations, count: int) -> Floats:
    """Search among the first stations, more of them where the answer is not proved."""
    count = min(count, len(to.at))
    lifted, which = to.tree.query(np.column_stack([points, np.zeros(len(points))]), k=np.arange(1, count + 1))
    least = lifted**2 - to.most
    best = _Best(np.full(len(points), np.inf), np.zeros(len(points), dtype=np.int64), np.zeros(len(points)))
    _improve(best, points, to, least, which)
    places: Floats = to.at[best.piece] + to.step[best.piece] * best.share[:, None]
    if count < len(to.at):
        unproved = np.flatnonzero(least[:, -1] < best.square)
        for some in _batches(unproved, count * WIDER):
            places[some] = _search(points[some], to, count * WIDER)
    return places


def _batches(which: Ints, count: int) -> list[Ints]:
    """Cut rows into parts that hold a bounded number of pairs, none if there are no rows."""
    size = max(1, MOST_PAIRS // count)
    return [which[i : i + size] for i in range(0, len(which), size)]


def _improve(best: _Best, points: Floats, to: Stations, least: Floats, which: Ints) -> None:
    """Measure the pieces on both sides of each station in turn, where they may be nearer than the best."""
    for column in range(which.shape[1]):
        rows = np.flatnonzero(least[:, column] < best.square)
        if not len(rows):
            return
        station = which[rows, column]
        away = points[rows] - to.at[station]
        square = _dot(away, away)
        after, share_after = _foot(away, to, station, 1.0)
        before, share_before = _foot(away, to, station - 1, -1.0)
        back = before > after
        square -= np.where(back, before, after)
        nearer = square < best.square[rows]
        kept, back = rows[nearer], back[nearer]
        best.square[kept] = square[nearer]
        best.piece[kept] = station[nearer] - back
        best.share[kept] = np.where(back, 1.0 - share_before[nearer], share_after[nearer])


def _foot(away: Floats, to: Stations, piece: Ints, sense: float) -> tuple[Floats, Floats]:
    """Return how much less than at its station the squared distance is on a piece, and at which share of it.

    The piece before the first station is numbered -1, that is the one after the last: it leads nowhere.
    """
    along = _dot(away, to.step[piece]) * sense
    inverse = to.inverse[piece]
    share = np.clip(along * inverse, 0.0, 1.0)
    whole = share == 1.0
    less = along * share
    less[whole] = 2 * along[whole] - 1 / inverse[whole]
    return less, share


def _dot(a: Floats, b: Floats) -> Floats:
    """Return the scalar products of rows."""
    product: Floats = np.einsum("ij,ij->i", a, b)
    return product


def _cells(values: Floats) -> Ints:
    """Number the cells of an axis in which values lie."""
    low, wide = float(values.min()), float(np.ptp(values)) or 1.0
    cells: Ints = ((values - low) / wide * (2**CURVE_BITS - 1)).astype(np.int64)
    return cells


def _spread(cells: Ints) -> Ints:
    """Put a zero between any two bits."""
    for shift, mask in (
        (16, 0x0000FFFF0000FFFF), (8, 0x00FF00FF00FF00FF), (4, 0x0F0F0F0F0F0F0F0F),
        (2, 0x3333333333333333), (1, 0x5555555555555555),
    ):  # fmt: skip
        cells = (cells | (cells << shift)) & mask
    return cells
