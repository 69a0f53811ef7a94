"""Multinomial logit: many weighted fits at once, plain or penalised, and whether the types are separated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Floats = NDArray[np.float64]

FARTHEST = 15.0  # log odds beyond which a fit is taken to run away: no sample of dens tells 1 in 3 million
CLOSE = 1e-8
SETTLED = 1e-6
STEPS = 60
NUDGE = 1e-6
HALVINGS = 12


@dataclass(frozen=True, slots=True)
class Fits:
    """Fits of one model to d weightings of the same dens.

    ``beta`` (d, q, j): coefficients of each type but the reference, the last one, in log odds.
    ``value`` (d,): log-likelihood, with the penalty when penalised. ``found`` (d,): whether a finite
    maximum was reached; where it was not, ``beta`` is where the search stopped.
    """

    beta: Floats
    value: Floats
    found: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Dens:
    """Types (n, j) without the reference, covariates (n, q) and their products (n, q q), weights (d, n)."""

    types: Floats
    covariates: Floats
    products: Floats
    weights: Floats
    penalised: bool


def fit(
    types: Floats,
    covariates: Floats,
    weights: Floats,
    *,
    penalised: bool = False,
    start: Floats | None = None,
    free: NDArray[np.bool_] | None = None,
) -> Fits:
    """Fit a multinomial logit to each weighting of the dens.

    Parameters
    ----------
    types : ndarray, shape (n, t)
        1 in the column of each den's type, else 0; the last column is the reference type.
    covariates : ndarray, shape (n, q)
        Covariates with a column of ones; best of about unit size.
    weights : ndarray, shape (d, n)
        How often each den counts in each fit; 0 leaves it out.
    penalised : bool
        Add half the log determinant of the information (Jeffreys' prior), by which estimates stay
        finite under separation and lose their first-order bias.
    start : ndarray, shape (q, t - 1), optional
        Where to start; 0 by default.
    free : ndarray of bool, shape (q,), optional
        Covariates whose coefficients are estimated; the others are held at the start.

    Returns
    -------
    Fits

    Notes
    -----
    Own Newton steps with halving, since a library fits one sample at a time and a jackknife asks for
    one fit per female. Source of the penalty: Firth 1993, Biometrika 80: 27-38,
    doi:10.1093/biomet/80.1.27; as a remedy for separation, Heinze & Schemper 2002, Statistics in
    Medicine 21: 2409-2419, doi:10.1002/sim.1047.
    """
    draws, (n, q), j = len(weights), covariates.shape, types.shape[1] - 1
    determined = _determined(covariates, weights)
    usable = np.where(determined[:, None], weights, 1.0)
    products = (covariates[:, :, None] * covariates[:, None, :]).reshape(n, q * q)
    dens = _Dens(types[:, :-1], covariates, products, usable, penalised)
    beta = np.tile(np.zeros((q, j)) if start is None else start, (draws, 1, 1))
    held = np.zeros(q * j, dtype=bool) if free is None else np.repeat(~free, j)
    beta, value, found = _climb(dens, beta, held)
    return Fits(beta, value, found & determined)


def shares(beta: Floats, covariates: Floats) -> Floats:
    """Return the share of each type.

    Parameters
    ----------
    beta : ndarray, shape (d, q, t - 1)
        Coefficients, as in :class:`Fits`. [log odds]
    covariates : ndarray, shape (m, q)
        Covariates at m places.

    Returns
    -------
    ndarray, shape (d, m, t)
        The reference type last. [1]
    """
    odds = covariates @ beta
    odds = np.concatenate([odds, np.zeros((*odds.shape[:-1], 1))], axis=-1)
    odds = np.exp(odds - odds.max(axis=-1, keepdims=True))
    return np.asarray(odds / odds.sum(axis=-1, keepdims=True))


def separation(types: Floats, covariates: Floats) -> str:
    """Say whether some combination of the covariates parts the types, so that no finite fit exists.

    Parameters
    ----------
    types : ndarray, shape (n, t)
        1 in the column of each den's type, else 0; every type occurs.
    covariates : ndarray, shape (n, q)
        Covariates with a column of ones.

    Returns
    -------
    str
        'complete', 'quasi-complete' (parted but for ties) or '' (not separated).

    Notes
    -----
    Linear programme: directions in which no den's own type loses against another. Source: Albert &
    Anderson 1984, Biometrika 71: 1-10, doi:10.1093/biomet/71.1.1 (the definition); Konis 2007, Linear
    programming algorithms for detecting separated data in binary logistic regression models, thesis,
    University of Oxford (the programme; here for several types).
    """
    gains = _gains(types, covariates)
    if _largest(gains.sum(axis=0), gains) <= CLOSE:
        return ""
    margin = np.column_stack([gains, -np.ones(len(gains))])
    aim = np.append(np.zeros(gains.shape[1]), 1.0)
    return "complete" if _largest(aim, margin) > CLOSE else "quasi-complete"


def _determined(covariates: Floats, weights: Floats) -> NDArray[np.bool_]:
    """Return for which weightings the covariates are not collinear."""
    weighted = np.einsum("dn,np,nq->dpq", weights, covariates, covariates)
    size = np.sqrt(np.einsum("dqq->dq", weighted))
    size[size == 0] = 1.0
    scaled = weighted / (size[:, :, None] * size[:, None, :])
    return np.asarray(np.linalg.eigvalsh(scaled)[:, 0] > 1e-10)


def _climb(dens: _Dens, beta: Floats, held: NDArray[np.bool_]) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Climb to the maximum of each weighting: coefficients, value, whether it was reached."""
    value, score, information = _evaluated(dens, beta)
    arrived, lost = np.zeros(len(beta), dtype=bool), np.zeros(len(beta), dtype=bool)
    for _ in range(STEPS):
        curvature = _curved(dens, beta, score, information) if dens.penalised else information
        step = _step(score, curvature, held, reach=4.0 + np.abs(beta).max(axis=(1, 2))).reshape(beta.shape)
        step[lost] = 0.0
        beta, value, score, information = _halved(dens, beta, step, value)
        arrived = np.abs(step).max(axis=(1, 2), initial=0.0) < SETTLED
        if not dens.penalised:
            lost |= np.abs(dens.covariates @ beta).max(axis=(1, 2), initial=0.0) > FARTHEST
        if np.all(arrived | lost):
            break
    return beta, value, arrived & ~lost


def _evaluated(dens: _Dens, beta: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the value (d,), its slope (d, q j) and the information (d, q j, q j)."""
    draws, q, j = beta.shape
    p = shares(beta, dens.covariates)
    own = 1.0 - dens.types.sum(axis=1)
    likely = np.einsum("dnj,nj->dn", p[..., :-1], dens.types) + p[..., -1] * own
    value = np.einsum("dn,dn->d", dens.weights, np.log(np.maximum(likely, 1e-300)))
    p = p[..., :-1]
    information = _information(dens, p)
    pull = dens.weights[..., None] * (dens.types - p)
    if dens.penalised:
        value = value + np.linalg.slogdet(information)[1] / 2
        pull = pull + dens.weights[..., None] * _penalty(dens, p, information)
    return value, (dens.covariates.T @ pull).reshape(draws, q * j), information


def _information(dens: _Dens, p: Floats) -> Floats:
    draws, n, j = p.shape
    q = dens.covariates.shape[1]
    spread = -p[..., :, None] * p[..., None, :]
    spread[..., np.arange(j), np.arange(j)] += p
    weighted = (dens.weights[..., None, None] * spread).reshape(draws, n, j * j)
    blocks = (dens.products.T @ weighted).reshape(draws, q, q, j, j)
    return np.asarray(blocks.transpose(0, 1, 3, 2, 4).reshape(draws, q * j, q * j))


def _penalty(dens: _Dens, p: Floats, information: Floats) -> Floats:
    """Return what each den adds to the slope by the penalty, from the third cumulants: (d, n, j)."""
    draws, n, j = p.shape
    q = dens.covariates.shape[1]
    inverse = np.linalg.inv(information).reshape(draws, q, j, q, j).transpose(0, 1, 3, 2, 4)
    leverage = (dens.products @ inverse.reshape(draws, q * q, j * j)).reshape(draws, n, j, j)
    along = np.einsum("dnjk,dnk->dnj", leverage, p)
    diagonal = np.einsum("dnjj->dnj", leverage)
    common = 2 * np.einsum("dnj,dnj->dn", along, p) - np.einsum("dnj,dnj->dn", diagonal, p)
    return np.asarray(0.5 * p * (diagonal - 2 * along + common[..., None]))


def _curved(dens: _Dens, beta: Floats, score: Floats, information: Floats) -> Floats:
    """Return the curvature with that of the penalty, by differences; the information where it does not curve down."""
    # The information alone will do in theory, but in small samples it takes hundreds of steps.
    nudges = NUDGE * np.eye(score.shape[1]).reshape(-1, *beta.shape[1:])
    rough = np.stack([(score - _evaluated(dens, beta + nudge)[1]) / NUDGE for nudge in nudges], axis=1)
    curvature = (rough + rough.transpose(0, 2, 1)) / 2
    sound = np.linalg.eigvalsh(curvature)[:, 0] > 1e-3 * np.linalg.eigvalsh(information)[:, 0]
    return np.where(sound[:, None, None], curvature, information)


def _step(score: Floats, information: Floats, held: NDArray[np.bool_], *, reach: Floats) -> Floats:
    """Return Newton's step, cut to a reach that cannot overshoot by much, and 0 for what is held."""
    free = np.flatnonzero(~held)
    step = np.zeros_like(score)
    # A fit that runs away has an information that fades; the trifle keeps it solvable.
    kept = information[:, free[:, None], free] + 1e-12 * np.eye(len(free))
    step[:, free] = np.linalg.solve(kept, score[:, free, None])[..., 0]
    longest = np.abs(step).max(axis=1, initial=0.0, keepdims=True)
    return np.asarray(step * np.minimum(1.0, reach[:, None] / np.maximum(longest, CLOSE)))


def _halved(dens: _Dens, beta: Floats, step: Floats, value: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Take the step, or as much of it as does not lose."""
    share = np.ones((len(beta), 1, 1))
    for _ in range(HALVINGS):
        reached = _evaluated(dens, beta + share * step)
        worse = reached[0] < value - 1e-9 * np.maximum(1.0, np.abs(value))
        if not worse.any():
            break
        share[worse] /= 2
    return beta + share * step, *reached


def _gains(types: Floats, covariates: Floats) -> Floats:
    """Return, for each den and each type but its own, by how much its own type gains for each coefficient."""
    n, t = types.shape
    against = types[:, None, :] - np.eye(t)[None]
    others = types == 0
    rows = (covariates[:, None, :, None] * against[:, :, None, :-1]).reshape(n, t, -1)
    return np.asarray(rows[others])


def _largest(aim: Floats, gains: Floats) -> float:
    """Return the largest value of ``aim`` over coefficients in -1..1 by which no row of ``gains`` loses."""
    told = linprog(-aim, A_ub=-gains, b_ub=np.zeros(len(gains)), bounds=(-1, 1), method="highs")
    return float(-told.fun) if told.success else 0.0
