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
def _right_of(x: float, low: float, top: float, under_low: float, under_top: float, radius: float) -> float:
    """Area of the disc in a strip from low to top, right of x >= 0. [m2]

    The strip is cut to the height that the circle has over x; what is left is the area between the
    circle and the vertical axis less the rectangle up to x.
    """
    if x >= radius:
        return 0.0
    reach = _other_leg(x, radius)
    if low < -reach:
        low, under_low = -reach, -_under_arc(reach, x, radius)
    if top > reach:
        top, under_top = reach, _under_arc(reach, x, radius)
    return max(0.0, under_top - under_low - x * (top - low)) if top > low else 0.0


@compiled
def _left_of(x: float, low: float, top: float, under_low: float, under_top: float, radius: float) -> float:
    """Area of the disc in a strip from low to top, left of x. [m2]"""
    if x < 0.0:
        return _right_of(-x, low, top, under_low, under_top, radius)
    return 2.0 * (under_top - under_low) - _right_of(x, low, top, under_low, under_top, radius)


@compiled
def _counts_before(index: Any, classes: int) -> Any:
    """Count each class in each row before every 16th column, class innermost."""
    rows, cols = index.shape
    before = np.zeros((rows, cols // COLUMNS + 1, classes), np.int32)
    for i in range(rows):
        for group in range(cols // COLUMNS):
            for c in range(classes):
                before[i, group + 1, c] = before[i, group, c]
            for j in range(group * COLUMNS, (group + 1) * COLUMNS):
                before[i, group + 1, index[i, j]] += 1
    return before


@compiled
def _grouped(values: Any) -> Any:
    """Sum each row's values in groups: not from the row's start, where one huge value would drown the rest."""
    rows, cols = values.shape
    sums = np.zeros((rows, cols // GROUP), np.float64)
    for i in range(rows):
        for group in range(cols // GROUP):
            total = 0.0
            for j in range(group * GROUP, (group + 1) * GROUP):
                total += values[i, j]
            sums[i, group] = total
    return sums


@compiled
def _count_run(index: Any, before: Any, i: int, start: int, stop: int, counts: Any) -> None:
    """Add the cells of a row from start to stop to the counts of their classes."""
    if stop - start <= COLUMNS:
        for j in range(start, stop):
            counts[index[i, j]] += 1
        return
    # the nearest kept columns, and the few cells between them and the run's ends
    first = min((start + COLUMNS // 2) // COLUMNS, before.shape[1] - 1)
    last = min((stop + COLUMNS // 2) // COLUMNS, before.shape[1] - 1)
    for c in range(len(counts)):
        counts[c] += before[i, last, c] - before[i, first, c]
    for j in range(start, first * COLUMNS):
        counts[index[i, j]] += 1
    for j in range(first * COLUMNS, start):
        counts[index[i, j]] -= 1
    for j in range(last * COLUMNS, stop):
        counts[index[i, j]] += 1
    for j in range(stop, last * COLUMNS):
        counts[index[i, j]] -= 1


@compiled
def _sum_run(values: Any, groups: Any, start: int, stop: int) -> float:
    """Sum the values of a row from start to stop."""
    total = 0.0
    first, last = -(-start // GROUP), stop // GROUP
    if first >= last:
        for j in range(start, stop):
            total += values[j]
        return total
    for j in range(start, first * GROUP):
        total += values[j]
    for group in range(first, last):
        total += groups[group]
    for j in range(last * GROUP, stop):
        total += values[j]
    return total


@compiled
def _disc(
    index: Any, before: Any, values: Any, groups: Any, row: float, col: float, high: float, wide: float,
    radius: float, counts: Any, cuts: Any,
) -> float:  # fmt: skip
    """Add a disc's cells to the counts of whole and the areas of cut ones; return values times areas.

    Row and column count from the block's first cell. In each row the circle leaves out cells on the
    left, cuts some, holds some wholly, cuts some and leaves out the rest.
    """
    rows, cols = index.shape
    weighted, sums = values.shape[0] > 0, 0.0
    first, last = max(0, math.floor(row - radius / high)), min(rows, math.ceil(row + radius / high))
    top = min(radius, max(-radius, (first - row) * high))
    under_top = _under_arc(top, _other_leg(top, radius), radius)
    for i in range(first, last):
        low, under_low = top, under_top
        top = min(radius, max(-radius, (i + 1 - row) * high))
        under_top = _under_arc(top, _other_leg(top, radius), radius)
        near = 0.0 if low < 0.0 < top else min(abs(low), abs(top))
        outer, inner = _other_leg(near, radius) / wide, _other_leg(max(abs(low), abs(top)), radius) / wide
        begin, end = max(0, math.floor(col - outer)), min(cols, math.ceil(col + outer))
        whole, cut = max(begin, math.ceil(col - inner)), min(end, math.floor(col + inner))
        if cut <= whole:
            whole = cut = end
        else:
            if len(before) > 0:
                _count_run(index, before, i, whole, cut, counts)
            else:
                counts[0] += cut - whole
            if weighted:
                sums += _sum_run(values[i], groups[i], whole, cut) * (high * wide)
        for side in range(2):
            start, stop = (begin, whole) if side == 0 else (cut, end)
            if start < stop:
                left = _left_of((start - col) * wide, low, top, under_low, under_top, radius)
            for j in range(start, stop):
                right = _left_of((j + 1 - col) * wide, low, top, under_low, under_top, radius)
                area = max(0.0, right - left)
                cuts[index[i, j]] += area
                if weighted:
                    sums += values[i, j] * area
                left = right
    return sums


@compiled
def block_totals(
    index: Any, values: Any, classes: int, row: Any, col: Any, high: Any, wide: Any, radii: Any, unit: float
) -> tuple[Floats, Floats]:
    """Return what discs hold of a block; the compiled twin of :func:`densite.discs.block_totals`.

    Parameters
    ----------
    index : ndarray of int, shape (h, w)
        Class of each cell, below ``classes``.
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
        Areas are rounded to this part of the disc. [1]

    Returns
    -------
    tuple of ndarray
        Share of each disc by class (r, k, classes) and sum of values times shares (r, k).
    """
    shares = np.zeros((len(radii), len(row), classes))
    sums = np.zeros((len(radii), len(row)))
    # a block without gaps, the rule in layers of values, is all of class 0: nothing to count
    before, groups = _counts_before(index if index.max() > 0 else index[:0], classes), _grouped(values)
    counts, cuts = np.zeros(classes, np.int32), np.zeros(classes)
    for r in range(len(radii)):
        disc = math.pi * radii[r] ** 2
        for k in range(len(row)):
            counts[:] = 0
            cuts[:] = 0.0
            found = _disc(
                index, before, values, groups, row[k], col[k], high[k], wide[k], radii[r], counts, cuts
            )  # fmt: skip
            sums[r, k] = found / disc
            for c in range(classes):
                area = counts[c] * (high[k] * wide[k]) + cuts[c]
                shares[r, k, c] = np.rint(area / disc / unit) * unit
    return shares, sums
