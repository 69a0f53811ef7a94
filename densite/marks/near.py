"""Codes that one slip of the pen turns into each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.transponder import DIGITS

ONE_OFF = "one digit off"
SWAPPED = "two neighbouring digits swapped"
MISSING = "one character missing or too many"

Integers = NDArray[np.int64]


def near_pairs(codes: Sequence[str]) -> pd.DataFrame:
    """Find all pairs of transponder codes with one digit off or two neighbouring digits swapped.

    Parameters
    ----------
    codes : sequence of str
        Different codes of 15 digits.

    Returns
    -------
    DataFrame
        One row a pair: first, second (positions in ``codes``), slip (in words), place (0 to 14, of the first
        digit in which the two differ).

    Notes
    -----
    Codes that share all digits but one meet in one bucket when that digit is blanked; sorting finds the
    buckets. So the work goes with the number of codes, and not with the number of pairs.
    """
    values = np.array([int(code) for code in codes], dtype=np.int64)
    blocks = [_one_off(values, place) for place in range(DIGITS)]
    blocks += [_swapped(values, place) for place in range(DIGITS - 1)]
    return pd.concat(blocks, ignore_index=True)


def _digit(values: Integers, place: int) -> Integers:
    return np.asarray(values // 10 ** (DIGITS - 1 - place) % 10, dtype=np.int64)


def _block(first: Integers, second: Integers, slip: str, place: int) -> pd.DataFrame:
    low, high = np.minimum(first, second), np.maximum(first, second)
    return pd.DataFrame({"first": low, "second": high, "slip": slip, "place": place})


def _one_off(values: Integers, place: int) -> pd.DataFrame:
    blanked = values - _digit(values, place) * 10 ** (DIGITS - 1 - place)
    order = np.argsort(blanked, kind="stable")
    firsts, seconds = [], []
    for lag in range(1, 10):  # a bucket holds ten codes at most
        same = np.flatnonzero(blanked[order[lag:]] == blanked[order[:-lag]]) if lag < len(order) else order[:0]
        firsts.append(order[same])
        seconds.append(order[same + lag])
    return _block(np.concatenate(firsts), np.concatenate(seconds), ONE_OFF, place)


def _swapped(values: Integers, place: int) -> pd.DataFrame:
    left, right = _digit(values, place), _digit(values, place + 1)
    turned = values + (right - left) * 9 * 10 ** (DIGITS - 2 - place)
    order = np.argsort(values, kind="stable")
    at = np.searchsorted(values[order], turned)
    rising = (left < right) & (at < len(values))  # each pair once
    found = np.flatnonzero(rising)
    found = found[values[order][at[found]] == turned[found]]
    return _block(found, order[at[found]], SWAPPED, place)


def one_slip(one: str, other: str) -> str:
    """Say by which single slip two texts differ.

    Parameters
    ----------
    one, other : str
        Codes, made comparable.

    Returns
    -------
    str
        In words; '' where they are equal or differ by more.
    """
    if len(one) > len(other):
        one, other = other, one
    if len(other) - len(one) == 1:
        return MISSING if any(other[:at] + other[at + 1 :] == one for at in range(len(other))) else ""
    differ = [at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b]
    if len(one) != len(other) or not 1 <= len(differ) <= 2:
        return ""
    if len(differ) == 1:
        return ONE_OFF
    at, then = differ
    return SWAPPED if then == at + 1 and one[at] == other[then] and one[then] == other[at] else ""
