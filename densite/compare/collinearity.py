"""Which measured quantities say the same: rank correlations and variance inflation."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from densite.compare.entries import (
    INDEPENDENT_FEMALES,
    LEAVING_OUT,
    Entries,
    as_numbers,
    as_words,
    dens,
    left_out,
    sentence,
    slug,
    without_female,
)
from densite.compare.leaveout import correlation_limits, correlations
from densite.compare.resample import Chance, Females, Floats
from densite.compare.result import AS_IF_INDEPENDENT, Block

PART = "collinearity"
TOO_CLOSE = 0.7  # absolute rank correlation beyond which two quantities are shown (Dormann et al. 2013)
EXACT = 1e-10  # share of variance left over; below it a quantity is taken to follow from the others

DORMANN = "Dormann et al. 2013, Ecography 36: 27-46, doi:10.1111/j.1600-0587.2012.07348.x"
SPEARMAN = "Spearman 1904, American J. Psychology 15: 72-101 (from memory)"
MARQUARDT = "Marquardt 1970, Technometrics 12: 591-612 (from memory)"


def collinear(frame: pd.DataFrame, female: ArrayLike, *, headings: Mapping[str, str], chance: Chance) -> Block:
    """Screen measured quantities for those that say the same.

    Parameters
    ----------
    frame : DataFrame
        A row for each den, a column for each quantity; NaN where missing.
    female : array_like of str, shape (n,)
        Female of each den; blank where not known.
    headings : mapping of str to str
        Heading of each column; the column's name where there is none.
    chance : Chance
        Confidence level.

    Returns
    -------
    Block
        Results: number of pairs beyond .7, each of these pairs, and the inflation of each quantity.
        Frames: ``correlations`` (first, second, rho, lower, upper, dens), every pair once with
        headings, NaN where missing; ``inflation`` (quantity, inflation). [1]

    Raises
    ------
    StatisticsError
        Another number of females than of rows.

    Notes
    -----
    A correlation uses the dens with both quantities, an inflation the dens with all of them. Source:
    Dormann et al. 2013, Ecography 36: 27-46, doi:10.1111/j.1600-0587.2012.07348.x.
    """
    entries = Entries(PART)
    females = Females.of(as_words(female, what="females", size=len(frame)))
    columns = _usable(entries, frame, headings)
    correlations_found = _say_pairs(entries, columns, females, chance=chance)
    inflation = _say_inflations(entries, columns, females)
    return entries.block({"correlations": correlations_found, "inflation": inflation})


def _usable(entries: Entries, frame: pd.DataFrame, headings: Mapping[str, str]) -> dict[str, Floats]:
    """Return the columns that vary, by heading; say which do not."""
    columns = {}
    for name in frame.columns:
        heading = headings.get(name, str(name))
        values = as_numbers(frame[name], what=heading)
        known = values[np.isfinite(values)]
        if len(known) < 3:
            entries.cannot(f"collinearity of {heading}", f"only {dens(len(known))} with a value; three are needed")
        elif np.ptp(known) == 0:
            entries.cannot(f"collinearity of {heading}", "all dens have the same value")
        else:
            columns[heading] = values
    return columns


def _say_pairs(entries: Entries, columns: Mapping[str, Floats], females: Females, *, chance: Chance) -> pd.DataFrame:
    """Say how many pairs are close, and which; return all pairs."""
    rows, close = [], []
    for first, second in combinations(columns, 2):
        both = np.isfinite(columns[first]) & np.isfinite(columns[second])
        told = _pair(columns[first][both], columns[second][both], females.within(both), chance=chance)
        if told is None:
            entries.cannot(
                f"rank correlation of {first} and {second}", "too few dens with both, or no variation among them"
            )
            continue
        rows.append((first, second, *told, int(both.sum())))
        if abs(told[0]) > TOO_CLOSE:
            close.append((first, second, told, both))
    if len(columns) > 1:
        _say_number(entries, females, close=len(close), pairs=len(rows))
    else:
        entries.cannot("rank correlations", "fewer than two quantities vary")
    for first, second, told, both in close:
        _say_pair(entries, first, second, told, females.within(both), missing=int((~both).sum()))
    return pd.DataFrame(rows, columns=["first", "second", "rho", "lower", "upper", "dens"])


def _pair(x: Floats, y: Floats, females: Females, *, chance: Chance) -> tuple[float, float, float] | None:
    """Return a rank correlation with its limits (NaN where they cannot be had)."""
    if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    rho, rest = correlations(stats.rankdata(x), stats.rankdata(y), females)
    limits = correlation_limits(rho, rest, confidence=chance.confidence)
    return rho, *(limits or (np.nan, np.nan))


def _say_number(entries: Entries, females: Females, *, close: int, pairs: int) -> None:
    """Say how many pairs are close."""
    entries.say(
        "pairs", what=f"pairs of quantities with a rank correlation beyond {TOO_CLOSE:g} either way", unit="pairs",
        where="all quantities", estimate=float(close), method=f"count among {pairs} pairs", source=DORMANN,
        assumes=f"beyond {TOO_CLOSE:g}, effects of two quantities can hardly be told apart",
        dens=len(females.code), females=females.known,
    )  # fmt: skip


def _say_pair(
    entries: Entries, first: str, second: str, told: tuple[float, float, float], females: Females, *, missing: int
) -> None:
    """Say the correlation of one close pair."""
    limits = (told[1], told[2]) if np.isfinite(told[1:]).all() else None
    if limits is None:
        entries.cannot(f"interval of the rank correlation of {first} and {second}", "too few females, or it is perfect")
    entries.say(
        f"rank/{slug(first)}/{slug(second)}", what="rank correlation", where=f"{first} and {second}", estimate=told[0],
        limits=limits, method="Spearman's rank correlation over dens", assumes=INDEPENDENT_FEMALES,
        interval=f"{LEAVING_OUT}, on Fisher's scale, with the ranks of all dens",
        source=f"{SPEARMAN}; {DORMANN}", dens=len(females.code), females=females.known,
        note=sentence([left_out(missing, "one of the two is missing"), without_female(females)]),
    )  # fmt: skip


def _say_inflations(entries: Entries, columns: Mapping[str, Floats], females: Females) -> pd.DataFrame:
    """Say by how much each quantity's variance is inflated by the others; return all."""
    rows = []
    table = np.column_stack(list(columns.values())) if columns else np.empty((0, 0))
    whole = np.array(np.isfinite(table).all(axis=1), dtype=bool)
    if table.shape[1] < 2:
        entries.cannot("variance inflation", "fewer than two quantities vary")
    elif whole.sum() <= table.shape[1] + 1:
        entries.cannot("variance inflation", f"only {dens(int(whole.sum()))} with all {table.shape[1]} quantities")
    else:
        within = females.within(whole)
        common: dict[str, Any] = {"dens": len(within.code), "females": within.known}
        common |= {"note": left_out(int((~whole).sum()), "a quantity is missing")}
        for heading, factor in zip(columns, inflations(table[whole]), strict=True):
            if np.isfinite(factor):
                _say_inflation(entries, heading, float(factor), common)
                rows.append((heading, float(factor)))
            else:
                why = "it does not vary among dens with all quantities, or follows exactly from the others"
                entries.cannot(f"variance inflation of {heading}", why)
    return pd.DataFrame(rows, columns=["quantity", "inflation"])


def _say_inflation(entries: Entries, heading: str, factor: float, common: Mapping[str, Any]) -> None:
    """Say one quantity's variance inflation."""
    entries.say(
        f"inflation/{slug(heading)}", what="variance inflation", where=heading, estimate=factor,
        method="1 / (1 - R2), R2 from a least-squares fit of the quantity by all others", source=MARQUARDT,
        proof="dens", assumes=f"{AS_IF_INDEPENDENT}; a description of these dens, without interval", **common,
    )  # fmt: skip


def inflations(table: Floats) -> Floats:
    """Return the variance inflation factor of each column.

    Parameters
    ----------
    table : ndarray, shape (n, k)
        Columns in any units, none missing.

    Returns
    -------
    ndarray, shape (k,)
        1 / (1 - R2) of each column fitted by all others. [1] NaN where it does not vary or follows
        exactly from them.

    Notes
    -----
    Source: Marquardt 1970, Technometrics 12: 591-612.
    """
    centred = table - table.mean(axis=0)
    size = np.sqrt(np.sum(centred**2, axis=0))
    varies = size > 1e-12 * np.maximum(np.abs(table).max(axis=0) * np.sqrt(len(table)), 1e-300)
    scaled = centred[:, varies] / size[varies]
    found = np.full(table.shape[1], np.nan)
    left = np.array([_left_over(scaled, column) for column in range(scaled.shape[1])])
    found[varies] = np.where(left > EXACT, 1 / np.maximum(left, EXACT), np.nan)
    return found


def _left_over(scaled: Floats, column: int) -> float:
    """Return the share of a column's variance that the others do not explain."""
    others = np.delete(scaled, column, axis=1)
    fit = others @ np.linalg.lstsq(others, scaled[:, column], rcond=None)[0]
    return float(np.sum((scaled[:, column] - fit) ** 2))
