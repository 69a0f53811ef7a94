"""Horizon and hours of sun compiled to machine code, for many points; imported only where numba is installed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from densite.blockkernel import compiled

SHIFT = 4
SIDE = 1 << SHIFT  # the highest ground is kept for squares of so many cells
SLACK_M = np.float32(0.01)  # single precision may lift a bilinear height over its cells by less
LIFT_DEG = 1.0  # more than air and half the disc lift the sun together
ROUNDING_DEG = 0.01  # more than the sun's parallax and what air may take at the zenith


@compiled
def highest(values: Any) -> Any:
    """Return the highest of the cells that samples in each square can touch; NaN where one is.

    Parameters
    ----------
    values : ndarray of float32, shape (h, w)
        Heights. [m]

    Returns
    -------
    ndarray of float32, shape (ceil(h / 16), ceil(w / 16))
    """
    height, width = values.shape
    tops = np.empty((-(-height // SIDE), -(-width // SIDE)), np.float32)
    for i in range(tops.shape[0]):
        for j in range(tops.shape[1]):
            top, gap = np.float32(-np.inf), False
            for row in range(i * SIDE, min(height, (i + 1) * SIDE + 1)):
                for col in range(j * SIDE, min(width, (j + 1) * SIDE + 1)):
                    top = max(top, values[row, col])
                    gap |= math.isnan(values[row, col])
            tops[i, j] = np.float32(np.nan) if gap else top + SLACK_M
    return tops


@compiled
def _height(values: Any, row: int, col: int, down: Any, right: Any) -> Any:
    """Return the bilinear height at a share of the way down and right from a cell, in single precision."""
    above = (values[row, col + 1] - values[row, col]) * right + values[row, col]
    below = (values[row + 1, col + 1] - values[row + 1, col]) * right + values[row + 1, col]
    return (below - above) * down + above


@compiled
def tangents(
    values: Any, tops: Any, row: Any, col: Any, down: Any, right: Any, cell_m: Any, cells: Any, reach_m: float,
    bend: Any, fine: int,
) -> Any:  # fmt: skip
    """Return the tangents of the horizon as :func:`densite.sun._tangents` does, bit for bit.

    A sample is passed over where even the highest ground near it could not be seen over what stands
    before it.

    Parameters
    ----------
    values, tops : ndarray of float32
        Heights [m], and what :func:`highest` says of them.
    row, col : ndarray, shape (n,)
        Points. [cells]
    down, right : ndarray, shape (n, d)
        Cells moved in each direction. [1/m]
    cell_m : ndarray, shape (n,)
        Least ground distance between cells. [m]
    cells : ndarray, shape (k,)
        Distances of samples, the last at the reach or beyond. [cells]
    reach_m, bend : float, float32
        Reach [m], and the dip of level ground over its distance [1/m].
    fine : int
        Samples added on both sides of the highest one.

    Returns
    -------
    ndarray, shape (n, d)
        NaN where a ray meets nothing.
    """
    found = np.full(down.shape, np.nan)
    places = np.empty((2, len(cells)), np.int32), np.empty((3, len(cells)), np.float32)
    between = np.empty((2, fine), np.int32), np.empty((3, fine), np.float32)
    steps = np.arange(1, fine + 1) / (fine + 1)
    for k in range(len(row)):
        at_row, at_col = math.floor(row[k] - 0.5), math.floor(col[k] - 0.5)
        start = np.float32(row[k] - 0.5 - at_row), np.float32(col[k] - 0.5 - at_col)
        ground = _height(values, int(at_row), int(at_col), start[0], start[1])
        far = np.minimum(cells * cell_m[k], reach_m)
        for d in range(down.shape[1]):
            step = np.float32(down[k, d]), np.float32(right[k, d])
            _place(places, far, int(at_row), int(at_col), start, step)
            best, top = _best(values, tops, places, ground, bend, np.float32(-np.inf))
            if math.isnan(best):
                continue
            low, high = far[max(top - 1, 0)], far[min(top + 1, len(far) - 1)]
            _place(between, low + (high - low) * steps, int(at_row), int(at_col), start, step)
            found[k, d] = _best(values, tops, between, ground, bend, best)[0]
    return found


@compiled
def _place(places: Any, far: Any, at_row: int, at_col: int, start: Any, step: Any) -> None:
    """Note the cells of samples, the shares of the way to the next ones, and how far away they are."""
    cells, shares = places
    for i in range(len(far)):
        ahead = np.float32(far[i])
        on_row, on_col = step[0] * ahead + start[0], step[1] * ahead + start[1]
        whole_row, whole_col = np.floor(on_row), np.floor(on_col)
        cells[0, i], cells[1, i] = np.int32(at_row) + np.int32(whole_row), np.int32(at_col) + np.int32(whole_col)
        shares[0, i], shares[1, i], shares[2, i] = on_row - whole_row, on_col - whole_col, ahead


@compiled
def _best(values: Any, tops: Any, places: Any, ground: Any, bend: Any, best: Any) -> Any:
    """Return the largest tangent of samples, if it is over another, and which sample has it; NaN if one has."""
    (rows, cols), (down, right, far) = places
    top = 0
    for i in range(len(far)):
        row, col, ahead = rows[i], cols[i], far[i]
        if tops[row >> SHIFT, col >> SHIFT] - ground < (best + bend * ahead) * ahead:
            continue
        rise = (_height(values, row, col, down[i], right[i]) - ground) / ahead - bend * ahead
        if not rise <= best:
            best, top = rise, i
            if math.isnan(rise):
                break
    return best, top


@compiled
def meets_hole(holes: Any, row: Any, col: Any, down: Any, right: Any, cell_m: Any, reach_m: float) -> Any:
    """Tell which rays come within about a cell of nodata.

    Parameters
    ----------
    holes : ndarray of bool
        Cells within a cell of nodata.
    row, col, down, right, cell_m, reach_m
        As for :func:`tangents`.

    Returns
    -------
    ndarray of bool, shape (n, d)
    """
    met = np.zeros(down.shape, np.bool_)
    for k in range(len(row)):
        for d in range(down.shape[1]):
            for i in range(math.ceil(reach_m / cell_m[k]) + 1):
                ahead = min(i * cell_m[k], reach_m)
                if holes[int(row[k] + down[k, d] * ahead), int(col[k] + right[k, d] * ahead)]:
                    met[k, d] = True
                    break
    return met


@compiled
def _height_and_level(
    up: float, east: float, north: float, angles: Any, limb: float, parallax: float, lowest: float
) -> Any:  # fmt: skip
    """Return how high the sun is seen and how high the horizon is below it. [deg]"""
    across = math.hypot(east, north)
    height = math.degrees(math.atan2(up, across)) - parallax * across + limb
    low = max(height, lowest)
    height += 1.02 / (60 * math.tan(math.radians(low + 10.3 / (low + 5.11))))
    place = math.degrees(math.atan2(east, north)) % 360.0 * len(angles) / 360.0
    left = int(place)
    here, there = angles[left % len(angles)], angles[(left + 1) % len(angles)]
    return height, here + (place - left) * (there - here)


@compiled
def _share_above(left: float, right: float) -> float:
    """Return the share of a step in which a height, taken as straight, is over nought."""
    apart = abs(left) + abs(right)
    return (max(left, 0.0) + max(right, 0.0)) / apart if apart != 0 else 0.0


@compiled
def _bounds(latitude: float, angles: Any, hour: float, low_sine: float, high_sine: float) -> Any:
    """Return sines of altitudes over and under which the sun is surely over and under the horizon at an hour.

    At one hour the sun's azimuth moves one way with its declination, so it stays between those of two days.
    """
    first, last = len(angles), -1
    for sine in (low_sine, high_sine):
        cosine = math.sqrt(1.0 - sine * sine)
        north = sine * math.cos(latitude) - cosine * math.cos(hour) * math.sin(latitude)
        place = math.degrees(math.atan2(-cosine * math.sin(hour), north)) % 360.0 * len(angles) / 360.0
        first, last = min(first, int(place)), max(last, int(place) + 1)
    top, bottom = angles[first], angles[first]
    for direction in range(first, last + 1):
        angle = angles[direction % len(angles)]
        if math.isnan(angle):
            return 2.0, -2.0
        top, bottom = max(top, angle), min(bottom, angle)
    clear = math.sin(math.radians(max(top, 0.0) + ROUNDING_DEG)) if top < 89.0 else 2.0
    return clear, math.sin(math.radians(max(bottom - LIFT_DEG, -90.0)))


@compiled
def sums(
    latitude: Any, share: Any, angles: Any, hour: Any, sine: Any, cosine: Any, limb: float, parallax: float,
    twilight: float, lowest: float,
) -> Any:  # fmt: skip
    """Return what :func:`densite.sun._sums` does.

    Parameters
    ----------
    latitude, share : ndarray, shape (n,)
        Latitude [rad], and share of the way from the first longitude to the second.
    angles : ndarray, shape (n, d)
        Horizon. [deg]
    hour : ndarray, shape (h,)
        Hour angles. [rad]
    sine, cosine : ndarray, shape (2, days, h)
        Of the declination at both longitudes.
    limb, parallax, twilight, lowest : float
        Lift of the seen part of the disc; parallax; heights under which no sun is seen, and which air
        lifts no more. [deg]

    Returns
    -------
    ndarray, shape (3, n, 2)
    """
    found = np.zeros((3, len(latitude), 2))
    ups, heights, levels, clear, dim = np.empty((5, len(hour)))
    sin_hour, cos_hour = np.sin(hour), np.cos(hour)
    risen, set_ = math.sin(math.radians(ROUNDING_DEG)), math.sin(math.radians(twilight - LIFT_DEG))
    low, high = np.empty((2, len(hour)))
    for h in range(len(hour)):
        low[h], high[h] = sine[:, :, h].min(), sine[:, :, h].max()
    for k in range(len(latitude)):
        sin_lat, cos_lat = math.sin(latitude[k]), math.cos(latitude[k])
        for h in range(len(hour)):
            clear[h], dim[h] = _bounds(latitude[k], angles[k], hour[h], low[h], high[h])
        for day in range(sine.shape[1]):
            sin_sun = sine[0, day] + share[k] * (sine[1, day] - sine[0, day])
            cos_sun = cosine[0, day] + share[k] * (cosine[1, day] - cosine[0, day])
            toward = cos_sun * cos_hour
            ups[:] = sin_sun * sin_lat + toward * cos_lat
            known = -1
            for h in range(1, len(hour)):
                half = 0 if hour[h - 1] < 0 else 1
                under, over = min(ups[h - 1], ups[h]), max(ups[h - 1], ups[h])
                if over < set_:
                    continue
                if ups[h - 1] > clear[h - 1] and ups[h] > clear[h]:
                    found[0, k, half] += 1.0
                    found[2, k, half] += 1.0
                elif under > risen and ups[h - 1] < dim[h - 1] and ups[h] < dim[h]:
                    found[2, k, half] += 1.0
                else:
                    for end in range(max(h - 1, known + 1), h + 1):
                        east, north = -cos_sun[end] * sin_hour[end], sin_sun[end] * cos_lat - toward[end] * sin_lat
                        heights[end], levels[end] = _height_and_level(
                            ups[end], east, north, angles[k], limb, parallax, lowest
                        )
                    known = h
                    up = _share_above(heights[h - 1], heights[h])
                    lit = _share_above(heights[h - 1] - levels[h - 1], heights[h] - levels[h])
                    found[2, k, half] += up
                    if math.isnan(lit):
                        found[1, k, half] += up
                    elif max(heights[h - 1], heights[h]) >= twilight:
                        found[0, k, half] += lit
    return found
