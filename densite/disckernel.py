"""Disc totals compiled to machine code, for many discs; imported only where numba is installed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from densite.blockkernel import compiled

Floats = NDArray[np.float64]

COLUMNS = 16  # every so many columns the counts of each class are kept
GROUP = 16  # so many values of a row are summed ahead


@compiled
def _under_arc(t: float, height: float, radius: float) -> float:
    """Area under the circle from 0 to t, where it is ``height`` high. [m2]"""
    # the arctangent of one leg over the other is quicker than that of both
    angle = math.atan(t / height) if abs(t) <= height else math.copysign(math.pi / 2.0, t) - math.atan(height / t)
    return (t * height + radius * radius * angle) / 2.0


@compiled
def _other_leg(leg: float, radius: float) -> float:
    """How high the circle is over a leg; 0 beyond it. [m]"""
    return math.sqrt(max(0.0, (radius - leg) * (radius + leg)))


@compiled
def _right_of(
    x: float, low: float, top: float, under_low: float, under_top: float, reach: float, under_reach: float
) -> float:
    """Area of the disc in a strip from low to top, right of x >= 0. [m2]

    The strip is cut to the height ``reach`` that the circle has over x; what is left is the area between
    the circle and the vertical axis less the rectangle up to x.
    """
    if low < -reach:
        low, under_low = -reach, -under_reach
    if top > reach:
        top, under_top = reach, under_reach
    return max(0.0, under_top - under_low - x * (top - low)) if top > low else 0.0


@compiled
def _left_of(
    x: float, low: float, top: float, under_low: float, under_top: float, reach: float, under_reach: float
) -> float:
    """Area of the disc in a strip from low to top, left of x. [m2]"""
    right = _right_of(abs(x), low, top, under_low, under_top, reach, under_reach)
    return right if x < 0.0 else 2.0 * (under_top - under_low) - right


@compiled
def _counts_before(cells: Any, lookup: Any, classes: int) -> Any:
    """Count each class in each row before every 16th column, class innermost."""
    rows, cols = cells.shape
    before = np.zeros((rows, cols // COLUMNS + 1, classes), np.int32)
    for i in range(rows):
        for group in range(cols // COLUMNS):
            for c in range(classes):
                before[i, group + 1, c] = before[i, group, c]
            for j in range(group * COLUMNS, (group + 1) * COLUMNS):
                before[i, group + 1, lookup[cells[i, j]]] += 1
    return before


@compiled
def _group(values: Any, i: int, group: int) -> float:
    """Sum a group of values of a row."""
    total = 0.0
    for j in range(group * GROUP, (group + 1) * GROUP):
        total += values[i, j]
    return total


@compiled
def _grouped(values: Any) -> Any:
    """Sum each row's values in groups: not from the row's start, where one huge value would drown the rest."""
    rows, cols = values.shape
    sums = np.zeros((rows, cols // GROUP), np.float64)
    for i in range(rows):
        for group in range(cols // GROUP):
            sums[i, group] = _group(values, i, group)
    return sums


@compiled
def _count_run(cells: Any, lookup: Any, ahead: Any, i: int, start: int, stop: int, counts: Any) -> None:
    """Add the cells of a row from start to stop to the counts of their classes."""
    if len(lookup) == 1:
        counts[lookup[0]] += stop - start
        return
    if stop - start <= COLUMNS or len(ahead) == 0:
        for j in range(start, stop):
            counts[lookup[cells[i, j]]] += 1
        return
    # the nearest kept columns, and the few cells between them and the run's ends
    first = min((start + COLUMNS // 2) // COLUMNS, ahead.shape[1] - 1)
    last = min((stop + COLUMNS // 2) // COLUMNS, ahead.shape[1] - 1)
    for c in range(len(counts)):
        counts[c] += ahead[i, last, c] - ahead[i, first, c]
    for j in range(start, first * COLUMNS):
        counts[lookup[cells[i, j]]] += 1
    for j in range(first * COLUMNS, start):
        counts[lookup[cells[i, j]]] -= 1
    for j in range(last * COLUMNS, stop):
        counts[lookup[cells[i, j]]] += 1
    for j in range(stop, last * COLUMNS):
        counts[lookup[cells[i, j]]] -= 1


@compiled
def _sum_run(values: Any, ahead: Any, i: int, start: int, stop: int) -> float:
    """Sum the values of a row from start to stop, in the same groups whether they are summed ahead or not."""
    total = 0.0
    first, last = -(-start // GROUP), stop // GROUP
    if first >= last:
        for j in range(start, stop):
            total += values[i, j]
        return total
    for j in range(start, first * GROUP):
        total += values[i, j]
    if len(ahead) > 0:
        for group in range(first, last):
            total += ahead[i, group]
    else:
        for group in range(first, last):
            total += _group(values, i, group)
    for j in range(last * GROUP, stop):
        total += values[i, j]
    return total


@compiled
def _disc(
    cells: Any, lookup: Any, counts_ahead: Any, values: Any, sums_ahead: Any, row: float, col: float, high: float,
    wide: float, radius: float, counts: Any, cuts: Any, edges: Any,
) -> float:  # fmt: skip
    """Add a disc's cells to the counts of whole and the areas of cut ones; return values times areas.

    Row and column count from the block's first cell. In each row the circle leaves out cells on the
    left, cuts some, holds some wholly, cuts some and leaves out the rest. Where it crosses the columns'
    edges is the same in all rows, and found once.
    """
    rows, cols = cells.shape
    weighted, sums = values.shape[0] > 0, 0.0
    first, last = max(0, math.floor(row - radius / high)), min(rows, math.ceil(row + radius / high))
    if first >= last:
        return sums
    for j in range(max(0, math.floor(col - radius / wide)), min(cols, math.ceil(col + radius / wide)) + 1):
        x = abs(j - col) * wide
        edges[j, 0] = _other_leg(x, radius)
        edges[j, 1] = _under_arc(edges[j, 0], min(x, radius), radius)
    top = min(radius, max(-radius, (first - row) * high))
    top_reach = _other_leg(top, radius)
    under_top = _under_arc(top, top_reach, radius)
    for i in range(first, last):
        low, low_reach, under_low = top, top_reach, under_top
        top = min(radius, max(-radius, (i + 1 - row) * high))
        top_reach = _other_leg(top, radius)
        under_top = _under_arc(top, top_reach, radius)
        outer = (radius if low < 0.0 < top else max(low_reach, top_reach)) / wide
        inner = min(low_reach, top_reach) / wide
        begin, end = max(0, math.floor(col - outer)), min(cols, math.ceil(col + outer))
        whole, cut = max(begin, math.ceil(col - inner)), min(end, math.floor(col + inner))
        if cut <= whole:
            whole = cut = end
        else:
            _count_run(cells, lookup, counts_ahead, i, whole, cut, counts)
            if weighted:
                sums += _sum_run(values, sums_ahead, i, whole, cut) * (high * wide)
        for side in range(2):
            start, stop = (begin, whole) if side == 0 else (cut, end)
            if start < stop:
                x = (start - col) * wide
                left = _left_of(x, low, top, under_low, under_top, edges[start, 0], edges[start, 1])
            for j in range(start, stop):
                x = (j + 1 - col) * wide
                right = _left_of(x, low, top, under_low, under_top, edges[j + 1, 0], edges[j + 1, 1])
                area = max(0.0, right - left)
                cuts[lookup[cells[i, j]]] += area
                if weighted:
                    sums += values[i, j] * area
                left = right
    return sums


@compiled
def block_totals(
    cells: Any, lookup: Any, values: Any, classes: int, row: Any, col: Any, high: Any, wide: Any, radii: Any,
    unit: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return what discs hold of a block; the compiled twin of :func:`densite.discs.block_totals`.

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
        Areas are rounded to this part of the disc, a power of 2. [1]

    Returns
    -------
    tuple of ndarray
        Share of each disc by class (k, r, classes) and sum of values times shares (k, r).
    """
    shares, sums = np.zeros((len(row), len(radii), classes)), np.zeros((len(row), len(radii)))
    # few discs are counted cell by cell, for many the counts are made ahead
    many = math.pi * (radii**2).sum() * (1.0 / (high * wide)).sum() > cells.size
    counts_ahead = _counts_before(cells if many and len(lookup) > 1 else cells[:0], lookup, classes)
    sums_ahead = _grouped(values if many else values[:0])
    counts, cuts, edges = np.zeros(classes, np.int32), np.zeros(classes), np.empty((cells.shape[1] + 1, 2))
    per_unit = 1.0 / unit
    for k in range(len(row)):
        for r in range(len(radii)):
            disc = math.pi * radii[r] ** 2
            counts[:] = 0
            cuts[:] = 0.0
            found = _disc(
                cells, lookup, counts_ahead, values, sums_ahead, row[k], col[k], high[k], wide[k], radii[r], counts,
                cuts, edges,
            )  # fmt: skip
            sums[k, r] = found / disc
            for c in range(classes):
                area = counts[c] * (high[k] * wide[k]) + cuts[c]
                shares[k, r, c] = np.rint(area / disc * per_unit) * unit
    return shares, sums
