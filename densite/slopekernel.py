"""Slope and aspect compiled to machine code, for many points; imported only where numba is installed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from densite.blockkernel import compiled


@compiled
def slope_and_aspect(
    windows: Any, scales: Any, cell_x: float, cell_y: float, horn: bool, rounding: float
) -> Any:  # fmt: skip
    """Return elevation, slope and aspect as the functions of :mod:`densite.terrain` do.

    Parameters
    ----------
    windows : ndarray, shape (k, 3, 3)
        Elevations, rows from north to south. [m]
    scales : ndarray, shape (k, 2, 2)
        Map units per ground metre to the true east and north.
    cell_x, cell_y : float
        Sides of a cell. [map units]
    horn : bool
        Horn's estimator (8 cells), else Zevenbergen and Thorne's (4 cells).
    rounding : float
        Rises smaller than this share of the nine heights are rounding.

    Returns
    -------
    ndarray, shape (3, k)
        Elevation [m], slope [deg], aspect [deg]; NaN where missing.

    Notes
    -----
    Source: Horn 1981, doi:10.1109/PROC.1981.11918; Zevenbergen & Thorne 1987, doi:10.1002/esp.3290120107.
    """
    found = np.empty((3, len(windows)))
    for k in range(len(windows)):
        z = windows[k]
        if horn:
            rise_x = (z[0, 2] + 2 * z[1, 2] + z[2, 2]) - (z[0, 0] + 2 * z[1, 0] + z[2, 0])
            rise_y = (z[0, 0] + 2 * z[0, 1] + z[0, 2]) - (z[2, 0] + 2 * z[2, 1] + z[2, 2])
            cells = 8
        else:
            rise_x, rise_y, cells = z[1, 2] - z[1, 0], z[0, 1] - z[2, 1], 2
        size = 0.0
        for i in range(3):
            for j in range(3):
                size += abs(z[i, j])
        if abs(rise_x) <= rounding * size:
            rise_x = 0.0
        if abs(rise_y) <= rounding * size:
            rise_y = 0.0
        dx, dy = rise_x / (cells * cell_x), rise_y / (cells * cell_y)
        east = scales[k, 0, 0] * dx + scales[k, 1, 0] * dy
        north = scales[k, 0, 1] * dx + scales[k, 1, 1] * dy
        found[0, k] = z[1, 1]
        if math.isnan(size):
            found[1, k], found[2, k] = np.nan, np.nan
            continue
        found[1, k] = math.degrees(math.atan(math.hypot(east, north)))
        flat = east == 0 and north == 0
        aspect = math.degrees(math.atan2(-east, -north)) % 360.0
        found[2, k] = np.nan if flat else (0.0 if aspect == 360.0 else aspect)
    return found
