"""Shares along the gradient by a fractional logit, fitted with each female left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from densite.compare.resample import Females, Floats

STEEPEST = 30.0  # log odds; beyond it a fit is running away
TURNS = 50
CLOSE = 1e-10
CELLS = 2_000_000  # females x dens held at a time


@dataclass(frozen=True, slots=True)
class Logits:
    """Intercept and slope (2,) of all dens, and (f, 2) without each female; NaN where there is no fit."""

    whole: Floats
    without: Floats


def fractional_logits(x: Floats, share: Floats, females: Females) -> Logits:
    """Fit log odds of shares as a line in x, for all dens and without each female.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Place on the gradient, not all alike.
    share : ndarray, shape (n,)
        Shares, 0 to 1. [1]
    females : Females
        Whose each den is.

    Returns
    -------
    Logits
        Intercept [log odds] and slope [log odds per unit of x].

    Notes
    -----
    Bernoulli quasi-likelihood by Newton's steps. Source: Papke & Wooldridge 1996, J. Appl. Econometrics
    11: 619-632, doi:10.1002/(SICI)1099-1255(199611)11:6<619::AID-JAE418>3.0.CO;2-1.
    """
    # Own code: a library's fit takes milliseconds and there is one for each female; the test compares.
    middle, reach = x.mean(), x.std()
    z = (x - middle) / reach
    whole = _newton(z, share, np.ones((1, len(z))), np.zeros(2))
    start = np.where(np.isfinite(whole[0]), whole[0], 0.0)
    portions = np.array_split(np.arange(females.count), 1 + females.count * len(z) // CELLS)
    rest = [_newton(z, share, (females.code != some[:, None]).astype(float), start) for some in portions]
    scaled = np.vstack([whole, *rest])
    slope = scaled[:, 1] / reach
    unscaled = np.stack([scaled[:, 0] - slope * middle, slope], axis=1)
    return Logits(unscaled[0], unscaled[1:])


def _newton(z: Floats, share: Floats, weights: Floats, start: Floats) -> Floats:
    """Return coefficients (k, 2) for rows of weights (k, n); NaN where they run away."""
    found = np.tile(start, (len(weights), 1))
    step = np.full_like(found, np.inf)
    for _ in range(TURNS):
        fitted = special.expit(np.clip(found[:, :1] + found[:, 1:] * z, -STEEPEST, STEEPEST))
        off, bend = weights * (share - fitted), weights * fitted * (1 - fitted)
        g0, g1 = off.sum(axis=1), off @ z
        h0, h1, h2 = bend.sum(axis=1), bend @ z, bend @ (z * z)
        size = h0 * h2 - h1 * h1
        size = np.where(size > 1e-12 * np.maximum(h0 * h2, 1e-300), size, np.nan)
        step = np.stack([(h2 * g0 - h1 * g1) / size, (h0 * g1 - h1 * g0) / size], axis=1)
        found = found + np.clip(step, -5, 5)
        if not (np.abs(step) > CLOSE).any():
            break
    edge = np.abs(found[:, :1] + found[:, 1:] * z).max(axis=1)
    good = (np.abs(step) <= 1e-6).all(axis=1) & (edge < STEEPEST)
    return np.where(good[:, None], found, np.nan)
