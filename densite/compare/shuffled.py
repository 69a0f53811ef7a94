"""How far values differ among classes, or follow the gradient: as found, and with females dealt anew."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from densite.compare.fidelity import value_weights
from densite.compare.resample import Females, Floats, Ints, permuted_classes, permuted_gradient, portions

CELLS = 100_000  # dens x draws held at a time, small enough for the processor's cache


def among_classes(
    values: Floats, klass: Ints, females: Females, *, number: int, draws: int, rng: np.random.Generator
) -> tuple[float, Floats]:
    """Return how much of the variance of ranks lies between classes, found and drawn by chance.

    Parameters
    ----------
    values : ndarray, shape (n,)
        A number at each den, not all alike.
    klass : ndarray of int, shape (n,)
        Class of each den, 0 to ``number`` - 1.
    females : Females
        Whose each den is.
    number : int
        How many classes.
    draws : int
        How often classes are dealt out anew among females.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    tuple of float and ndarray (draws,)
        Share of the variance of ranks between classes, a female's dens counted as her effective number
        of them; Kruskal-Wallis H, corrected for ties, over n - 1 where each female has one den. [1]

    Notes
    -----
    Source: Kruskal & Wallis 1952, J. American Statistical Association 47: 583-621; dealing as in
    :func:`densite.compare.resample.permuted_classes`.
    """
    ranks = stats.rankdata(values)
    weights = value_weights(ranks, females)
    drawn = [
        _heterogeneity(ranks, permuted_classes(klass, females, draws=some, rng=rng), number, weights)
        for some in portions(draws, len(ranks), cells=CELLS)
    ]
    return float(_heterogeneity(ranks, klass[None, :], number, weights)[0]), np.concatenate([np.empty(0), *drawn])


def along_gradient(
    x: Floats, y: Floats, females: Females, *, draws: int, rng: np.random.Generator
) -> tuple[float, Floats]:
    """Return the size of a correlation with the gradient, found and drawn by chance.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Place of each den on the gradient, or its rank; not all alike.
    y : ndarray, shape (n,)
        A number at each den, or its rank; not all alike.
    females : Females
        Whose each den is.
    draws : int
        How often places are dealt out anew among females.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    tuple of float and ndarray (draws,)
        Absolute correlations, a female's dens counted as her effective number of them. [1]

    Notes
    -----
    Dealing as in :func:`densite.compare.resample.permuted_gradient`. Ranks are dealt out as they are and
    not ranked anew.
    """
    weights = value_weights(y, females)
    drawn = [
        _steepness(permuted_gradient(x, females, draws=some, rng=rng), y, weights)
        for some in portions(draws, len(x), cells=CELLS)
    ]
    return float(_steepness(x[None, :], y, weights)[0]), np.concatenate([np.empty(0), *drawn])


def _heterogeneity(ranks: Floats, dealt: NDArray[np.integer], number: int, weights: Floats) -> Floats:
    """Return the share of the variance of ranks between classes, for each row of classes."""
    centred = ranks - np.average(ranks, weights=weights)
    pulls, between = np.column_stack([weights * centred, weights]), np.zeros(len(dealt))
    for klass in range(number):
        sums = (dealt == klass).astype(np.float64) @ pulls
        between += np.where(sums[:, 1] > 0, sums[:, 0] ** 2 / np.where(sums[:, 1] > 0, sums[:, 1], 1.0), 0.0)
    found: Floats = between / np.sum(weights * centred**2)
    return found


def _steepness(dealt: Floats, y: Floats, weights: Floats) -> Floats:
    """Return the size of the correlation of y with each row; 0 for a row that does not vary."""
    centred = y - np.average(y, weights=weights)
    off = dealt - (dealt @ weights / weights.sum())[:, None]
    spread = (off**2 @ weights) * np.sum(weights * centred**2)
    pull = np.abs(off @ (weights * centred))
    found: Floats = np.where(spread > 0, pull / np.sqrt(np.where(spread > 0, spread, 1.0)), 0.0)
    return found
