"""Den-type shares by landscape class, with intervals that count females and not dens."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from densite.errors import StatisticsError

ALL_CLASSES = "all classes"
NO_CLASS = "no class"
NOT_RECORDED = "not recorded"
UNKNOWN = "unknown"

RATIO = "ratio"
WILSON_EFFECTIVE = "wilson-effective"
WILSON_FEMALES = "wilson-females"
NO_DENS = "no dens"

# The linearised interval is symmetric, which a share near 0 or 1 is not. In our simulations it
# covers .88 to .95 for shares of .05 to .25 among 20 or 40 females; with this bound, .93 or more.
FEMALES_FOR_RATIO = 10

COLUMNS = (
    "landscape_class", "den_type", "n", "dens", "females", "dens_without_female",
    "share", "lower", "upper", "interval_method", "wilson_lower", "wilson_upper",
)  # fmt: skip

METHODS = {
    RATIO: (
        "ratio estimator over females, linearised variance, t with females - 1 degrees of freedom "
        "(Cochran 1977, sections from memory 2.11 and 3.12)"
    ),
    WILSON_EFFECTIVE: (
        f"fewer than {FEMALES_FOR_RATIO} females with or without the type: Wilson's interval on the "
        "effective number of dens p(1 - p)/v, v being the ratio estimator's variance, with the same t"
    ),
    WILSON_FEMALES: ("no variation between females, or one female: Wilson's interval with the number of females as n"),
    NO_DENS: "no dens in the class: no share and no interval",
}


@dataclass(frozen=True, slots=True)
class ShareInterval:
    """A share with its confidence limits and the name of the method that gave them."""

    share: float
    lower: float
    upper: float
    method: str


def wilson(count: ArrayLike, n: ArrayLike, *, confidence: float = 0.95) -> tuple[Any, Any]:
    """Return Wilson's score interval of a share.

    Parameters
    ----------
    count : array_like
        Number of successes; may be fractional when ``n`` is an effective number. [dens]
    n : array_like
        Number of trials, above 0. [dens]
    confidence : float
        Confidence level, between 0 and 1. [1]

    Returns
    -------
    tuple of ndarray or float
        Lower and upper limit. [1]

    Raises
    ------
    StatisticsError
        ``n`` is not above 0, ``count`` is outside 0..``n``, or ``confidence`` is outside 0..1.

    Notes
    -----
    Source: Wilson 1927, Journal of the American Statistical Association 22: 209-212,
    doi 10.1080/01621459.1927.10502953; method 3 of Newcombe 1998, Statistics in Medicine 17: 857-872.
    """
    quantile = float(special.ndtri(0.5 + _checked(confidence) / 2))
    k, size = np.asarray(count, float), np.asarray(n, float)
    if not (np.all(size > 0) and np.all(k >= 0) and np.all(k <= size)):
        raise StatisticsError("a Wilson interval needs n above 0 and a count between 0 and n")
    return _score_interval(k / size, size, quantile)


def clustered_share(successes: ArrayLike, sizes: ArrayLike, *, confidence: float = 0.95) -> ShareInterval:
    """Return a share of dens and its interval when the dens of one female hang together.

    The share is the ratio of two totals over females. Its interval is, in this order of preference:

    ``ratio``
        share +- t(f - 1) x standard error, cut to 0..1; used when at least ``FEMALES_FOR_RATIO``
        females have a den of the type and as many have a den of another type.
    ``wilson-effective``
        Wilson's interval on the effective number of dens p(1 - p)/v (not above the number of dens),
        with t(f - 1) in place of the normal quantile; used when there are fewer such females.
    ``wilson-females``
        Wilson's interval with the number of females as n; used when the variance is zero (a share
        of 0 or 1, or the same split at every female) or there is one female.

    Parameters
    ----------
    successes : array_like, shape (f,)
        Dens of the type, per female. [dens]
    sizes : array_like, shape (f,)
        Dens of any type, per female, each above 0. [dens]
    confidence : float
        Confidence level, between 0 and 1. [1]

    Returns
    -------
    ShareInterval
        Share, limits within 0..1, and the method used.

    Raises
    ------
    StatisticsError
        No female, a female without den, or more successes than dens.

    Notes
    -----
    Sources: Cochran 1977, Sampling Techniques, 3rd ed., sections 2.11 and 3.12 (variance of a ratio,
    proportion in cluster sampling), without finite population correction. Effective sample size in a
    score interval: Kott & Carr 1997; Franco, Little, Louis & Slud 2019, Journal of Survey Statistics
    and Methodology 7: 334-364 (both citations from memory). The bound of 10 females is our own, set
    by simulation.
    """
    a, m = np.asarray(successes, float), np.asarray(sizes, float)
    if a.shape != m.shape or a.size == 0 or np.any(m <= 0) or np.any(a < 0) or np.any(a > m):
        raise StatisticsError("a share over females needs, for each, dens above 0 and no more successes")
    level = _checked(confidence)
    share = float(a.sum() / m.sum())
    variance = _ratio_variance(a, m)
    if variance <= 1e-14:
        return ShareInterval(share, *_wilson_females(share, a.size, level), WILSON_FEMALES)
    quantile = float(special.stdtrit(a.size - 1, 0.5 + level / 2))  # of t; scipy.stats loads slowly
    if min(np.count_nonzero(a), np.count_nonzero(m - a)) < FEMALES_FOR_RATIO:
        effective = min(share * (1 - share) / variance, float(m.sum()))
        lower, upper = _score_interval(share, effective, quantile)
        return ShareInterval(share, float(lower), float(upper), WILSON_EFFECTIVE)
    half = quantile * math.sqrt(variance)
    return ShareInterval(share, max(share - half, 0.0), min(share + half, 1.0), RATIO)


def frequencies(
    den_type: ArrayLike,
    landscape_class: ArrayLike,
    female: ArrayLike,
    *,
    types: Sequence[str],
    classes: Sequence[str],
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Count den types by landscape class, with shares and intervals.

    One entry of the three arrays is one den. A share is taken of all dens of the class, those of
    unknown type included. Blank types become ``not recorded`` and blank classes ``no class``; both
    are shown. A den without a female's id counts as a female of its own. A female with dens in two
    classes counts in each, and once in ``all classes``.

    Parameters
    ----------
    den_type, landscape_class, female : array_like of str, shape (n,)
        Type, class and female's id of each den; None, NaN or blank where missing.
    types, classes : sequence of str
        All types and classes, in the order of the table; those without dens are shown too. A type
        ``unknown`` that occurs is added when it is not listed.
    confidence : float
        Confidence level, between 0 and 1. [1]

    Returns
    -------
    DataFrame
        One row per class and type, then the group ``all classes`` (dens with a class), then
        ``no class`` when it occurs. Columns ``landscape_class``, ``den_type``, ``n`` [dens],
        ``dens`` in the class [dens], ``females`` known by id in the class, ``dens_without_female``
        [dens], ``share``, ``lower``, ``upper`` (see :func:`clustered_share`) [1],
        ``interval_method``, ``wilson_lower``, ``wilson_upper`` (as if dens were independent) [1].

    Raises
    ------
    StatisticsError
        Arrays of different lengths, or a type or class that is not listed.
    """
    dens = _dens(den_type, landscape_class, female)
    known = _with_extras(types, dens["den_type"], extras=(UNKNOWN, NOT_RECORDED), what="den type")
    _with_extras(classes, dens["landscape_class"], extras=(NO_CLASS,), what="landscape class")
    groups = [(name, dens[dens["landscape_class"] == name]) for name in classes]
    groups.append((ALL_CLASSES, dens[dens["landscape_class"] != NO_CLASS]))
    if (unclassed := dens[dens["landscape_class"] == NO_CLASS]).shape[0]:
        groups.append((NO_CLASS, unclassed))
    rows = [row for name, group in groups for row in _rows(name, group, known, confidence)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _dens(den_type: ArrayLike, landscape_class: ArrayLike, female: ArrayLike) -> pd.DataFrame:
    """Line the three arrays up, name what is missing, and give each den its cluster."""
    columns = [_words(values) for values in (den_type, landscape_class, female)]
    if len({len(column) for column in columns}) != 1:
        sizes = ", ".join(str(len(column)) for column in columns)
        raise StatisticsError(f"den types, classes, females differ in number: {sizes}; give one per den")
    frame = pd.DataFrame({"den_type": columns[0], "landscape_class": columns[1], "female": columns[2]})
    frame["den_type"] = frame["den_type"].where(frame["den_type"] != "", NOT_RECORDED)
    frame["landscape_class"] = frame["landscape_class"].where(frame["landscape_class"] != "", NO_CLASS)
    named, _ = pd.factorize(frame["female"])
    # Numbers below zero cannot meet a factor's code, so a den without female stands alone.
    frame["cluster"] = np.where(frame["female"] != "", named, -1 - np.arange(len(frame)))
    return frame


def _words(values: ArrayLike) -> list[str]:
    """Return stripped text, with an empty string for everything that is missing."""
    cells = np.asarray(values, dtype=object)
    return [v.strip() if isinstance(v, str) else "" if pd.isna(v) else str(v).strip() for v in cells]


def _with_extras(listed: Sequence[str], found: pd.Series[str], *, extras: tuple[str, ...], what: str) -> list[str]:
    """Return the listed names and the extras that occur; anything else is refused."""
    occurring = set(found)
    names = [*listed, *(extra for extra in extras if extra in occurring and extra not in listed)]
    if strange := sorted(occurring - set(names)):
        raise StatisticsError(f"{what} '{strange[0]}' is not listed; listed: {', '.join(listed)}")
    return names


def _rows(name: str, group: pd.DataFrame, types: Sequence[str], confidence: float) -> Iterator[dict[str, Any]]:
    """Yield the rows of a class, one a type."""
    clusters, cluster = np.unique(group["cluster"].to_numpy(), return_inverse=True)
    found = group["den_type"].to_numpy()
    known = int((clusters >= 0).sum())
    counts = {"dens": len(group), "females": known, "dens_without_female": len(clusters) - known}
    for den_type in types:
        row = {"landscape_class": name, "den_type": den_type, **counts}
        yield row | _share(found == den_type, cluster, confidence)


def _share(of_type: NDArray[np.bool_], cluster: NDArray[np.intp], confidence: float) -> dict[str, Any]:
    """Return how many dens are of a type and their share, with intervals."""
    n, size = int(of_type.sum()), len(of_type)
    if not size:
        missing = dict.fromkeys(("share", "lower", "upper", "wilson_lower", "wilson_upper"), math.nan)
        return {"n": n} | missing | {"interval_method": NO_DENS}
    told = clustered_share(np.bincount(cluster, of_type), np.bincount(cluster), confidence=confidence)
    low, high = wilson(n, size, confidence=confidence)
    row = {"share": told.share, "lower": told.lower, "upper": told.upper, "interval_method": told.method}
    return row | {"n": n, "wilson_lower": float(low), "wilson_upper": float(high)}


def _ratio_variance(a: NDArray[np.float64], m: NDArray[np.float64]) -> float:
    """Return the linearised variance of sum(a) / sum(m) over females; 0 for a single one."""
    if a.size < 2:
        return 0.0
    residual = a - a.sum() / m.sum() * m
    return float(a.size / (a.size - 1) * np.sum(residual**2) / m.sum() ** 2)


def _wilson_females(share: float, females: int, confidence: float) -> tuple[float, float]:
    """Return Wilson's limits with one trial per female."""
    lower, upper = wilson(share * females, females, confidence=confidence)
    return float(lower), float(upper)


def _score_interval(share: Any, n: Any, quantile: float) -> tuple[Any, Any]:
    """Return the score interval for a share of n trials, cut to 0..1 against rounding."""
    square = quantile**2
    centre = (share + square / (2 * n)) / (1 + square / n)
    half = quantile / (1 + square / n) * np.sqrt(share * (1 - share) / n + square / (4 * n**2))
    return np.maximum(centre - half, 0.0), np.minimum(centre + half, 1.0)


def _checked(confidence: float) -> float:
    """Return a confidence level that is one."""
    if not 0 < confidence < 1:
        raise StatisticsError(f"confidence {confidence} must lie between 0 and 1, such as 0.95")
    return confidence
