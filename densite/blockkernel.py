"""How functions are compiled to machine code; imported only where numba is installed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

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
