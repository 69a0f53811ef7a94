"""Chance by resampling females: permutations of classes or of the gradient, and bootstrap intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from densite.errors import StatisticsError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_FEMALES = 6  # fewer cannot be dealt out often enough to judge chance between them; our own bound
TIE = 1e-9  # relative; a drawn statistic this close below the observed one counts as equal to it


@dataclass(frozen=True, slots=True)
class Chance:
    """How chance is drawn: a seed, and how many draws.

    Every part of a comparison asks for a generator by its own name, so its numbers depend neither
    on the order of the parts nor on which of them are run.
    """

    seed: int = 1
    permutations: int = 9999
    bootstraps: int = 1999
    confidence: float = 0.95

    def rng(self, name: str) -> np.random.Generator:
        """Return the generator for a part, seeded by the seed and the part's name."""
        return np.random.default_rng([self.seed, *name.encode()])


@dataclass(frozen=True, slots=True)
class Females:
    """Whose each den is: ``code`` (n,) numbers females from 0, ``named`` (f,) says which are known."""

    code: Ints
    named: NDArray[np.bool_]

    @classmethod
    def of(cls, names: ArrayLike) -> Females:
        """Number females in the order in which they appear; a den without one stands alone.

        Parameters
        ----------
        names : array_like of str, shape (n,)
            Female of each den; None, NaN or blank where unknown.

        Returns
        -------
        Females
        """
        texts = ["" if pd.isna(name) else str(name).strip() for name in np.asarray(names, dtype=object)]
        numbers: dict[str | int, int] = {}
        code = [numbers.setdefault(text or i, len(numbers)) for i, text in enumerate(texts)]
        return cls(np.array(code, dtype=np.int64), np.array([isinstance(key, str) for key in numbers], dtype=bool))

    @property
    def count(self) -> int:
        """Number of females, each den without a known one counted as another."""
        return len(self.named)

    @property
    def known(self) -> int:
        """Number of females known by id."""
        return int(self.named.sum())

    @property
    def sizes(self) -> Ints:
        """Dens of each female (f,)."""
        return np.bincount(self.code, minlength=self.count)

    def within(self, chosen: NDArray[np.bool_]) -> Females:
        """Return the females of some of the dens, numbered anew."""
        used, code = np.unique(self.code[chosen], return_inverse=True)
        return Females(code.astype(np.int64), self.named[used])

    def without_each(self) -> Floats:
        """Return weights of dens (f, n) that leave out one female each."""
        return np.not_equal.outer(np.arange(self.count), self.code).astype(np.float64)

    def totals(self, values: ArrayLike) -> Floats:
        """Add up values of dens (n,) or (n, k) over each female: (f,) or (f, k)."""
        array = np.asarray(values, dtype=np.float64)
        sums = np.zeros((self.count, *array.shape[1:]))
        np.add.at(sums, self.code, array)
        return sums


def too_few(females: Females) -> str:
    """Say why chance cannot be judged between so few females; '' where it can.

    Parameters
    ----------
    females : Females
        Whose each den is.

    Returns
    -------
    str
    """
    if females.count >= LEAST_FEMALES:
        return ""
    whose = "1 female" if females.count == 1 else f"{females.count} females"
    return f"chance is judged between females, and the dens are of {whose}; {LEAST_FEMALES} are needed"


def permuted_classes(classes: Ints, females: Females, *, draws: int, rng: np.random.Generator) -> NDArray[np.int16]:
    """Draw landscape classes as chance would deal them out to females.

    A female whose dens all lie in one class passes that class on to another such female, however many
    dens each has. Females with dens in several classes pass on the whole pattern, among those with
    equally many dens, and it is shuffled among a female's own dens. Nothing else is moved, so the
    types stay with their females.

    Parameters
    ----------
    classes : ndarray of int, shape (n,)
        Class of each den, from 0.
    females : Females
        Whose each den is.
    draws : int
        Number of draws.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    ndarray of int16, shape (draws, n)

    Notes
    -----
    Valid where, without any effect, a female's types are independent of her classes, and these of how many
    dens she has; where they are not, statistics that count a female's dens as her effective number of them
    keep the test's size (:mod:`densite.compare.fidelity`). Dens of a female must be exchangeable where they
    lie in several classes. Source: restricted permutation of whole blocks and within
    blocks, Winkler, Webster, Vidaurre, Nichols & Smith 2015, NeuroImage 123: 253-268,
    doi:10.1016/j.neuroimage.2015.05.092.
    """
    n = len(classes)
    dealt = np.empty((draws, n), dtype=np.int16)
    order = np.argsort(females.code, kind="stable")
    groups = np.split(order, np.cumsum(females.sizes)[:-1])
    mixed = np.array([np.ptp(classes[dens]) > 0 for dens in groups], dtype=bool)
    constant = np.flatnonzero(~mixed)
    own = np.array([classes[dens[0]] for dens in groups], dtype=np.int16)
    passed = np.tile(own, (draws, 1))
    passed[:, constant] = rng.permuted(np.tile(own[constant], (draws, 1)), axis=1)
    dealt[:] = passed[:, females.code]
    for size in np.unique(females.sizes[mixed]):
        dens = np.stack([groups[j] for j in np.flatnonzero(mixed & (females.sizes == size))])
        dealt[:, dens] = _patterns(classes[dens], draws, rng)
    return dealt


def permutation_rule(classes: Ints, females: Females) -> str:
    """Say in words how :func:`permuted_classes` deals these classes out.

    Parameters
    ----------
    classes : ndarray of int, shape (n,)
        Class of each den, from 0.
    females : Females
        Whose each den is.

    Returns
    -------
    str
    """
    low, high = np.full(females.count, np.iinfo(np.int64).max), np.full(females.count, -1)
    np.minimum.at(low, females.code, classes)
    np.maximum.at(high, females.code, classes)
    mixed = int(np.count_nonzero(low != high))
    if not mixed:
        return f"classes dealt out anew among {females.count} females, each with all her dens"
    return (
        f"classes dealt out anew among the {females.count - mixed} females with all dens in one class; the patterns of "
        f"{mixed} with dens in several classes among those with equally many dens, and within each"
    )


def permuted_gradient(values: ArrayLike, females: Females, *, draws: int, rng: np.random.Generator) -> Floats:
    """Draw gradient values as chance would deal them out to females.

    The means of females are exchanged among all of them; the deviations of a female's dens from her
    mean stay hers and are shuffled among her dens.

    Parameters
    ----------
    values : array_like, shape (n,)
        Gradient at each den.
    females : Females
        Whose each den is.
    draws : int
        Number of draws.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    ndarray, shape (draws, n)

    Notes
    -----
    Valid where, without any effect, a female's place on the gradient is independent of her dens' types
    or values, of how many they are and of how far they are spread. Source: as :func:`permuted_classes`.
    """
    x = np.asarray(values, dtype=np.float64)
    mean = females.totals(x) / females.sizes
    dealt: Floats = rng.permuted(np.tile(mean, (draws, 1)), axis=1)[:, females.code]
    off = x - mean[females.code]
    order = np.argsort(females.code, kind="stable")
    groups = np.split(order, np.cumsum(females.sizes)[:-1])
    for size in np.unique(females.sizes[females.sizes > 1]):
        dens = np.stack([group for group in groups if len(group) == size])
        dealt[:, dens] += rng.permuted(np.tile(off[dens], (draws, 1, 1)), axis=2)
    return dealt


def portions(draws: int, dens: int, *, cells: int) -> list[int]:
    """Split a number of draws so that each portion of draws x dens stays small.

    Parameters
    ----------
    draws, dens : int
        How many.
    cells : int
        Draws x dens held at a time, at most.

    Returns
    -------
    list of int
        Draws of each portion.
    """
    portion = max(1, cells // max(dens, 1))
    return [min(portion, draws - start) for start in range(0, draws, portion)]


def permutation_p(observed: float, drawn: Floats) -> float:
    """Return the chance of a statistic as large as the observed one.

    Parameters
    ----------
    observed : float
        The statistic, large when it speaks against chance.
    drawn : ndarray, shape (draws,)
        The same under permutation.

    Returns
    -------
    float
        (b + 1) / (B + 1), b counting draws at least as large up to rounding. [1]

    Notes
    -----
    Source: Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9: 39, doi:10.2202/1544-6115.1585.
    """
    reached = np.count_nonzero(drawn >= observed - TIE * max(1.0, abs(observed)))
    return float((reached + 1) / (len(drawn) + 1))


def female_weights(females: Females, *, draws: int, rng: np.random.Generator) -> Floats:
    """Draw how often each female is in a resample of females with replacement.

    Parameters
    ----------
    females : Females
        Whose each den is.
    draws : int
        Number of resamples.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    ndarray, shape (draws, f)
        Counts that sum to f in each row.

    Notes
    -----
    Source: resampling whole clusters, Field & Welsh 2007, J. R. Stat. Soc. B 69: 369-390,
    doi:10.1111/j.1467-9868.2007.00593.x.
    """
    share = np.full(females.count, 1 / females.count)
    return rng.multinomial(females.count, share, size=draws).astype(np.float64)


def percentile_interval(drawn: Floats, *, females: int, confidence: float) -> tuple[float, float] | None:
    """Return a bootstrap interval from percentiles that are moved outward for few females.

    Parameters
    ----------
    drawn : ndarray, shape (draws,)
        The statistic in resamples; NaN where it could not be computed.
    females : int
        Number of females that were resampled.
    confidence : float
        Confidence level. [1]

    Returns
    -------
    tuple of float, or None
        Limits; None for fewer than two females, or when more than a tenth of the resamples has no
        statistic.

    Notes
    -----
    Source: expanded percentile interval, Hesterberg 2015, The American Statistician 69: 371-386,
    doi:10.1080/00031305.2015.1089789.
    """
    found = drawn[np.isfinite(drawn)]
    if females < 2 or len(found) < 0.9 * len(drawn) or not len(found):
        return None
    wider = np.sqrt(females / (females - 1)) * stats.t.ppf(0.5 + _level(confidence) / 2, females - 1)
    tail = float(stats.norm.cdf(-wider))
    lower, upper = np.quantile(found, [tail, 1 - tail])
    return float(lower), float(upper)


def jackknife_interval(estimate: float, left_out: Floats, *, confidence: float) -> tuple[float, float] | None:
    """Return an interval from leaving out one female at a time.

    Parameters
    ----------
    estimate : float
        The statistic of all females.
    left_out : ndarray, shape (f,)
        The statistic without each female; NaN where it could not be computed.
    confidence : float
        Confidence level. [1]

    Returns
    -------
    tuple of float, or None
        estimate +- t(f - 1) x standard error; None for fewer than two females or where a statistic is
        missing.

    Notes
    -----
    Source: variance of the delete-one jackknife over clusters (around the estimate itself), with t of
    clusters - 1: MacKinnon, Nielsen & Webb 2023, J. Appl. Econometrics 38: 671-694, doi:10.1002/jae.2969.
    """
    count = len(left_out)
    if count < 2 or not np.isfinite(left_out).all():
        return None
    error = np.sqrt((count - 1) / count * np.sum((left_out - estimate) ** 2))
    half = float(stats.t.ppf(0.5 + _level(confidence) / 2, count - 1) * error)
    return estimate - half, estimate + half


def holm(p: ArrayLike) -> Floats:
    """Adjust p-values of one declared family by Holm's step-down rule.

    Parameters
    ----------
    p : array_like, shape (k,)
        p-values. [1]

    Returns
    -------
    ndarray, shape (k,)
        Adjusted p-values, not above 1. [1]

    Notes
    -----
    Source: Holm 1979, Scandinavian Journal of Statistics 6: 65-70.
    """
    values = np.asarray(p, dtype=np.float64)
    order = np.argsort(values, kind="stable")
    stepped = np.maximum.accumulate(values[order] * np.arange(len(values), 0, -1))
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _patterns(classes: Ints, draws: int, rng: np.random.Generator) -> NDArray[np.int16]:
    """Pass on patterns (k, size) among females and shuffle each: (draws, k, size)."""
    k = len(classes)
    who = rng.permuted(np.tile(np.arange(k), (draws, 1)), axis=1)
    return rng.permuted(classes.astype(np.int16)[who], axis=2)


def _level(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise StatisticsError(f"confidence {confidence} must lie between 0 and 1, such as 0.95")
    return confidence
