"""How far females repeat their own den type, and what a further den of one female then counts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from densite.compare.resample import Females, Floats, Ints


def fidelity(kind: Ints, females: Females) -> Floats:
    """Return how far pairs of dens of one female are of one type beyond chance.

    Parameters
    ----------
    kind : ndarray of int, shape (n,)
        Type of each den, from 0.
    females : Females
        Whose each den is.

    Returns
    -------
    ndarray, shape (1 + f,)
        Of all dens, and without each female [1]; NaN where no female has two dens, or all are of one
        type.

    Notes
    -----
    (P - E) / (1 - E), P being the share of pairs of one female that are of one type and E the chance of
    that among all dens. Source: Fleiss 1971, Psychological Bulletin 76: 378-382, doi:10.1037/h0031619,
    with pairs within females in place of pairs of raters.
    """
    counts = females.totals(np.eye(int(kind.max()) + 1)[kind])
    same, pairs = _pairs(counts)
    total = np.vstack([counts.sum(axis=0), counts.sum(axis=0) - counts])
    same, pairs = (np.append(v.sum(), v.sum() - v) for v in (same, pairs))
    return _beyond_chance(same, pairs, total)


def den_weights(kinds: Ints, females: Females, *, types: int) -> Floats:
    """Return how much each den counts, so that a female's dens count as her effective number of them.

    Parameters
    ----------
    kinds : ndarray of int, shape (studies, n)
        Type of each den in each study, from 0.
    females : Females
        Whose each den is.
    types : int
        Number of types.

    Returns
    -------
    ndarray, shape (studies, n)
        1 / (1 + (m - 1) r) for each of the m dens of a female, r being the study's :func:`fidelity`: m
        dens count as m independent ones at r = 0, and as a single one at r = 1. [dens]

    Notes
    -----
    r may fall below 0, so far that no den counts more than two: cut at 0 it would be too large on average,
    and the test by classes found .060 to .065 instead of .05 of effects that were not there, where females
    of one class have more dens and repeat nothing. Sources: effective numbers by the design effect, Rao &
    Scott 1992, Biometrics 48: 577-585; the same weights for one share, Kleinman 1973, J. American
    Statistical Association 68: 46-54.
    """
    studies = len(kinds)
    cell = (np.arange(studies)[:, None] * females.count + females.code) * types + kinds
    counts = np.bincount(cell.ravel(), minlength=studies * females.count * types).astype(np.float64)
    counts = counts.reshape(studies, females.count, types)
    same, pairs = (v.sum(axis=1) for v in _pairs(counts))
    return _effective(np.nan_to_num(_beyond_chance(same, pairs, counts.sum(axis=1)))[:, None], females)


def value_weights(values: Floats | NDArray[np.complex128], females: Females) -> Floats:
    """Return how much each den counts, as :func:`den_weights` does, for a number at each den.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Numbers, or unit vectors as complex numbers; not all alike.
    females : Females
        Whose each den is.

    Returns
    -------
    ndarray, shape (n,)
        With r the mean product of the deviations of two dens of one female over the mean square. [dens]

    Notes
    -----
    Source: intraclass correlation over pairs, Fisher 1925, Statistical Methods for Research Workers,
    section 38 (from memory); the design effect as for :func:`den_weights`.
    """
    off = values - values.mean()
    both = np.column_stack([off.real, off.imag])
    pairs = float((females.sizes * (females.sizes - 1)).sum())
    spread = float((both**2).mean(axis=0).sum())
    alike = float((females.totals(both) ** 2).sum() - (both**2).sum())
    return _effective(np.float64(alike / pairs / spread if pairs and spread > 0 else 0.0), females)


def _effective(alike: Floats | np.float64, females: Females) -> Floats:
    """Return what each den counts when dens of one female are alike by so much; none counts more than two."""
    least = -0.5 / max(int(females.sizes.max(initial=2)) - 1, 1)
    further = (females.sizes - 1)[females.code]
    return np.asarray(1 / (1 + further * np.clip(alike, least, 1.0)))


def _pairs(counts: Floats) -> tuple[Floats, Floats]:
    """Return twice the pairs of dens of one type, and of all, for counts (..., f, t)."""
    sizes = counts.sum(axis=-1)
    return np.asarray((counts * (counts - 1)).sum(axis=-1)), np.asarray(sizes * (sizes - 1))


def _beyond_chance(same: Floats, pairs: Floats, total: Floats) -> Floats:
    """Return the agreement of pairs beyond chance, for totals of types (..., t); NaN where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        by_chance = ((total / total.sum(axis=-1, keepdims=True)) ** 2).sum(axis=-1)
        found = (same / pairs - by_chance) / (1 - by_chance)
    return np.where(np.isfinite(found), found, np.nan)
