"""Windows of blocks compiled to machine code, for many points; imported only where numba is installed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function, free of the GIL, and keep the machine code on disk where that is possible.

    Parameters
    ----------
    function : callable
        A function of numbers and arrays.

    Returns
    -------
    callable
        The same, compiled at its first call.
    """
    try:
        return cast(Function, numba.njit(nogil=True, error_model="numpy", cache=True)(function))
    except RuntimeError:  # no folder can be written to: compiled anew in every process
        return cast(Function, numba.njit(nogil=True, error_model="numpy")(function))


@compiled
def windows(raw: Any, rows: Any, cols: Any, half: int, nodata: Any, scale: float, offset: float) -> Any:
    """Return the cells around cells of a block as :meth:`densite.blocks.Block.take` does.

    Parameters
    ----------
    raw : ndarray, shape (h, w)
        Raw cells of a block without a mask of its own.
    rows, cols : ndarray of int, shape (k,)
        Cells, counted from the block's corner; their windows lie inside it. [cells]
    half : int
        Cells on each side of the point's own. [cells]
    nodata : ndarray, shape (0,) or (1,)
        The raw number that means no data, if there is one.
    scale, offset : float
        What makes values of raw numbers.

    Returns
    -------
    ndarray, shape (k, 2 half + 1, 2 half + 1)
        NaN where missing.
    """
    side = 2 * half + 1
    found = np.empty((len(rows), side, side))
    for k in range(len(rows)):
        for i in range(side):
            for j in range(side):
                cell = raw[rows[k] + i - half, cols[k] + j - half]
                value = np.float64(cell) * scale + offset
                if not np.isfinite(value) or (len(nodata) and cell == nodata[0]):
                    value = np.float64(np.nan)
                found[k, i, j] = value
    return found


@compiled
def between_nodes(nodes: Any, u: Any, v: Any) -> Any:
    """Interpolate 2x2 matrices bilinearly between the nodes of a lattice.

    Parameters
    ----------
    nodes : ndarray, shape (m, m, 2, 2)
        Matrices at the nodes.
    u, v : ndarray, shape (n,)
        Places, counted in nodes. [nodes]

    Returns
    -------
    ndarray, shape (n, 2, 2)
    """
    last = nodes.shape[0] - 2
    found = np.empty((len(u), 2, 2))
    for k in range(len(u)):
        i, j = min(max(int(u[k]), 0), last), min(max(int(v[k]), 0), last)
        s, t = u[k] - i, v[k] - j
        for a in range(2):
            for b in range(2):
                low = nodes[i, j, a, b] * (1 - s) + nodes[i + 1, j, a, b] * s
                high = nodes[i, j + 1, a, b] * (1 - s) + nodes[i + 1, j + 1, a, b] * s
                found[k, a, b] = low * (1 - t) + high * t
    return found
