"""One den type or not along the gradient, with females who repeat: population odds, a female's odds."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats
from scipy.special import expit, logsumexp

from densite.compare.entries import JACKKNIFE, LEAVING_OUT, sentence, slug
from densite.compare.logit import (
    APART,
    FEWEST_DENS,
    FEWEST_FEMALES,
    FIRTH_SOURCE,
    Along,
    along_reasons,
    dens_along,
    fitted,
    gradient_test,
    penalty_reason,
)
from densite.compare.multinomial import fit
from densite.compare.resample import Chance, Females, Floats, jackknife_interval
from densite.compare.result import AS_IF_INDEPENDENT, Block, Result, Unsaid

POINTS = 40  # with 20, a spread near 5 log odds is off by .02 and its likelihood by .0005
WIDEST = 10.0  # log odds; beyond it females differ by more than dens can tell
NONE = 1e-3  # log odds; below it no difference between females is found

LINE = "the log odds change in a straight line along the gradient"
POPULATION = (
    "answers how the share of the type among all females' dens changes along the gradient; the odds ratio of one "
    "female lies farther from 1"
)
OWN = (
    "answers how the odds of one female would change if she denned elsewhere on the gradient; the odds ratio of the "
    "population lies nearer to 1"
)
GEE_SOURCE = (
    "Liang & Zeger 1986, Biometrika 73: 13-22, doi:10.1093/biomet/73.1.13; errors: Mancl & DeRouen 2001, "
    "Biometrics 57: 126-134, doi:10.1111/j.0006-341X.2001.00126.x"
)
MIXED_SOURCE = (
    "Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4: 12-35, doi:10.1080/10618600.1995.10474663; degrees of "
    "freedom: Li & Redden 2015, BMC Med. Res. Methodol. 15: 38, doi:10.1186/s12874-015-0026-x"
)
SPREAD_SOURCE = "Self & Liang 1987, J. Am. Stat. Assoc. 82: 605-610, doi:10.1080/01621459.1987.10478472"


@dataclass(frozen=True, slots=True)
class RandomIntercept:
    """A logit with a normal intercept for each female.

    ``beta`` (q,): coefficients of a female of the middle. [log odds] ``spread``: standard deviation of
    the intercepts. [log odds] ``errors`` (q,): standard errors of ``beta``. [log odds] ``value``: the
    log-likelihood. ``trouble``: why the fit must not be used, or ''.
    """

    beta: Floats
    spread: float
    errors: Floats
    value: float
    trouble: str


def random_intercept(
    successes: Floats, covariates: Floats, females: Females, *, points: int = POINTS
) -> RandomIntercept:
    """Fit a logit with a random intercept by adaptive Gauss-Hermite quadrature.

    Parameters
    ----------
    successes : ndarray, shape (n,)
        1 for a den of the type, else 0.
    covariates : ndarray, shape (n, q)
        Covariates with a column of ones; best of about unit size.
    females : Females
        Whose each den is.
    points : int
        Nodes for each female.

    Returns
    -------
    RandomIntercept

    Notes
    -----
    Own code: statsmodels has only a Bayesian and a Laplace version. The spread enters as a multiplier
    of a standard normal, by which 0 is an ordinary point and the likelihood is even in it. Source:
    Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4: 12-35, doi:10.1080/10618600.1995.10474663.
    """
    quadrature = _Quadrature.of(successes, covariates, females, points)
    kind = np.column_stack([successes, 1 - successes])
    plain = fit(kind, covariates, np.ones((1, len(kind)))).beta[0, :, 0]
    found = optimize.minimize(quadrature.loss, np.append(plain, 1.0), jac=True, method="BFGS", options={"gtol": 1e-7})
    curvature = _curvature(quadrature, found.x)
    flat = bool(np.abs(quadrature.loss(found.x)[1]).max() < 1e-3)
    spread = abs(float(found.x[-1])) if abs(found.x[-1]) > NONE else 0.0
    positive = bool(np.isfinite(curvature).all() and np.linalg.eigvalsh(curvature)[0] > 1e-8)
    errors = np.sqrt(np.diag(np.linalg.inv(curvature)))[:-1] if positive else np.full(len(plain), math.inf)
    return RandomIntercept(found.x[:-1], spread, errors, -float(found.fun), _trouble(spread, flat and positive))


def type_contrast(
    den_type: ArrayLike,
    gradient: ArrayLike,
    female: ArrayLike,
    *,
    one_type: str = "tree",
    gradient_name: str,
    gradient_unit: str,
    chance: Chance,
) -> Block:
    """Tell how the odds of one den type against all others change along the gradient.

    Parameters
    ----------
    den_type, female : array_like of str, shape (n,)
        Type and female of each den; blank, None or NaN where missing. Dens of unknown type are left
        out, and counted in the notes.
    gradient : array_like, shape (n,)
        Gradient at each den on the scale on which it is modelled; NaN where missing.
    one_type : str
        The type that is held against all others.
    gradient_name, gradient_unit : str
        What the gradient measures and the unit of one step of it, as modelled.
    chance : Chance
        Seed, number of permutations, confidence level.

    Returns
    -------
    Block
        Keys ``contrast-<type>/...``: ``test`` (headline p over females); ``odds-ratio/population`` and
        ``correlation/females`` (generalised estimating equations); ``odds-ratio/female`` and
        ``spread/females`` (random-intercept logit [log odds]); ``odds-ratio/dens`` (plain logit, as if
        dens were independent); ``odds-ratio/penalised`` when the gradient separates the type. An odds
        ratio is for one unit of the gradient. [1]

    Raises
    ------
    StatisticsError
        Arrays of different lengths.

    Notes
    -----
    Sources: those of the results.
    """
    part = f"contrast-{slug(one_type)}"
    along = dens_along(den_type, gradient, female, types=None).only(one_type)
    if reasons := along_reasons(along, part):
        return Block(part, unsaid=reasons)
    contrast = _Contrast(along, one_type, part, gradient_name, gradient_unit, chance.confidence)
    test = gradient_test(along, part=part, gradient_name=gradient_name, chance=chance)
    test = replace(test, what=f"odds of {one_type} change along the gradient")
    told = [test, *_models(contrast)]
    return Block(
        part,
        tuple(one for one in told if isinstance(one, Result)),
        tuple(one for one in told if isinstance(one, Unsaid)),
    )


@dataclass(frozen=True, slots=True)
class _Quadrature:
    """The likelihood of a random-intercept logit; dens lie female by female, from ``starts`` on."""

    successes: Floats
    covariates: Floats
    code: NDArray[np.int64]
    starts: NDArray[np.int64]
    nodes: Floats
    weights: Floats

    @classmethod
    def of(cls, successes: Floats, covariates: Floats, females: Females, points: int) -> _Quadrature:
        order = np.argsort(females.code, kind="stable")
        starts = np.append(0, np.cumsum(females.sizes)[:-1]).astype(np.int64)
        nodes, weights = np.polynomial.hermite.hermgauss(points)
        return cls(successes[order], covariates[order], females.code[order], starts, nodes, np.log(weights) + nodes**2)

    def loss(self, parameters: Floats) -> tuple[float, Floats]:
        """Return the negative log-likelihood and its slope."""
        line, spread = self.covariates @ parameters[:-1], parameters[-1]
        middle, curvature = self._modes(line, spread)
        scale = np.sqrt(2 / curvature)
        z = middle[:, None] + scale[:, None] * self.nodes
        odds = line[:, None] + spread * z[self.code]
        told = self.successes[:, None] * odds - np.logaddexp(0, odds)
        joint = np.add.reduceat(told, self.starts) - z**2 / 2 + self.weights
        value = logsumexp(joint, axis=1)
        # Fisher's identity: the slope of the likelihood is the mean slope given what was seen.
        given = np.exp(joint - value[:, None])[self.code]
        pull = given * (self.successes[:, None] - expit(odds))
        slope = np.append(self.covariates.T @ pull.sum(axis=1), (pull * z[self.code]).sum())
        constant = np.log(scale) - 0.5 * math.log(2 * math.pi)
        return -float((value + constant).sum()), -slope

    def _modes(self, line: Floats, spread: float) -> tuple[Floats, Floats]:
        """Return each female's most likely intercept, in standard deviations, and the curvature there."""
        z = np.zeros(len(self.starts))
        for _ in range(50):
            p = expit(line + spread * z[self.code])
            slope = spread * np.add.reduceat(self.successes - p, self.starts) - z
            curvature = spread**2 * np.add.reduceat(p * (1 - p), self.starts) + 1
            step = np.clip(slope / curvature, -1.0, 1.0)
            z = z + step
            if np.abs(step).max() < 1e-10:
                break
        return z, curvature


@dataclass(frozen=True, slots=True)
class _Contrast:
    along: Along
    one_type: str
    part: str
    gradient_name: str
    gradient_unit: str
    level: float

    @property
    def successes(self) -> Floats:
        return self.along.kind[:, 0]

    @property
    def few(self) -> bool:
        return bool(self.along.kind.sum(axis=0).min() < FEWEST_DENS or self.along.users.min() < FEWEST_FEMALES)

    @property
    def repeats(self) -> bool:
        """Whether any female has more than one den."""
        return bool(self.along.females.sizes.max() > 1)

    @property
    def degrees(self) -> str:
        return "t with females - 2 degrees of freedom"

    @property
    def template(self) -> Result:
        """A result with what all of the contrast share."""
        return Result(
            key="", part=self.part, what="", where=f"{self.one_type} against all other types", method="", assumes="",
            source="", dens=self.along.dens, females=self.along.females.known, note=self.along.told,
        )  # fmt: skip

    def odds_ratio(self, template: Result, slope: float, limits: tuple[float, float]) -> Result | Unsaid:
        """Tell the odds ratio for one unit, of a slope for one standard deviation of the gradient."""
        what = f"odds ratio for a rise of {self.gradient_name} by 1 [{self.gradient_unit}]"
        per_unit = np.array([slope, *limits]) / self.along.x.std()
        if not np.all(np.abs(per_unit) < 300):
            why = f"one unit is far more than the sample spans ({np.ptp(self.along.x):.3g}); take a smaller unit"
            return Unsaid(self.part, what, why)
        estimate, lower, upper = (float(value) for value in np.exp(per_unit))
        return replace(template, what=what, estimate=estimate, lower=lower, upper=upper)

    def tested(self, template: Result, slope: float, error: float) -> Result | Unsaid:
        """Tell the odds ratio with Wald's interval and p."""
        freedom = max(self.along.females.count - 2, 1)
        half = float(stats.t.ppf(0.5 + self.level / 2, freedom)) * error
        p = float(2 * stats.t.sf(abs(slope / error), freedom))
        return self.odds_ratio(replace(template, p=p), slope, (slope - half, slope + half))

    def unsaid(self, what: str, why: str) -> Unsaid:
        return Unsaid(self.part, what, why)


def _models(contrast: _Contrast) -> Iterator[Result | Unsaid]:
    """Fit every model that these dens allow."""
    if contrast.few:
        dens, users = contrast.along.kind.sum(axis=0), contrast.along.users
        counts = f"of the type {dens[0]:.0f} (females: {users[0]}), of others {dens[1]:.0f} (females: {users[1]})"
        why = f"dens {counts}; an odds ratio asks for {FEWEST_DENS} dens of {FEWEST_FEMALES} females of either kind"
        yield contrast.unsaid("odds ratios", why)
        return
    fits = fitted(contrast.along.kind, contrast.along, penalised=False)
    if why := penalty_reason(contrast.along.kind, contrast.along, fits):
        yield _penalised(contrast, why)
    if not fits.found[0]:
        yield contrast.unsaid("odds ratios of population and female", f"{why}: no finite estimate")
        return
    yield _as_if_independent(contrast, fits.beta[0, :, 0], float(fits.value[0]))
    yield from _population(contrast)
    yield from _own(contrast, float(fits.value[0]))


def _as_if_independent(contrast: _Contrast, beta: Floats, value: float) -> Result | Unsaid:
    """Tell the odds ratio of a plain logit."""
    design = contrast.along.scaled
    p = expit(design @ beta)
    error = math.sqrt(np.linalg.inv(design.T @ (design * (p * (1 - p))[:, None]))[1, 1])
    half = float(stats.norm.ppf(0.5 + contrast.level / 2)) * error
    share = contrast.successes.mean()
    flat = contrast.along.dens * (share * math.log(share) + (1 - share) * math.log(1 - share))
    template = replace(
        contrast.template, key=f"{contrast.part}/odds-ratio/dens", proof="dens", interval="Wald, normal",
        p=float(stats.chi2.sf(max(0.0, 2 * (value - flat)), 1)), assumes=f"{AS_IF_INDEPENDENT}; {LINE}",
        method="logit, maximum likelihood; p by likelihood ratio",
        source="Agresti 2002, Categorical Data Analysis, 2nd ed., section 5.2 (from memory)",
    )  # fmt: skip
    return contrast.odds_ratio(template, beta[1], (beta[1] - half, beta[1] + half))


def _penalised(contrast: _Contrast, why: str) -> Result | Unsaid:
    """Tell the odds ratio of a penalised logit, where the likelihood alone runs away."""
    fits = fitted(contrast.along.kind, contrast.along, penalised=True)
    slopes = fits.beta[:, 1, 0]
    limits = jackknife_interval(float(slopes[0]), slopes[1:], confidence=contrast.level)
    if limits is None or not fits.found.all():
        return contrast.unsaid("penalised odds ratio", "no fit is found without one of the females")
    template = replace(
        contrast.template, key=f"{contrast.part}/odds-ratio/penalised", interval=LEAVING_OUT,
        method=f"logit, Jeffreys-penalised (Firth) since {why}", assumes=f"{LINE}; {APART}",
        source=f"{FIRTH_SOURCE}; {JACKKNIFE}", note=sentence([POPULATION, contrast.along.told]),
    )  # fmt: skip
    return contrast.odds_ratio(template, float(slopes[0]), limits)


def _population(contrast: _Contrast) -> Iterator[Result | Unsaid]:
    """Tell the odds ratio of the population, by generalised estimating equations."""
    along = contrast.along
    beta, errors, correlation, trouble = estimating_equations(contrast.successes, along.scaled, along.females)
    if trouble:
        yield contrast.unsaid("odds ratio of the population by generalised estimating equations", trouble)
        return
    shared = replace(
        contrast.template, key=f"{contrast.part}/odds-ratio/population", assumes=f"{LINE}; {APART}", source=GEE_SOURCE,
        method="generalised estimating equations, exchangeable correlation within females, bias-reduced errors",
    )  # fmt: skip
    wald = replace(shared, note=sentence([POPULATION, along.told]), interval=contrast.degrees)
    yield contrast.tested(wald, beta[1], errors[1])
    what = "correlation between dens of one female"
    if contrast.repeats:
        yield replace(shared, key=f"{contrast.part}/correlation/females", what=what, estimate=correlation)
    else:
        yield contrast.unsaid(what, "no female has more than one den")


def estimating_equations(successes: Floats, covariates: Floats, females: Females) -> tuple[Floats, Floats, float, str]:
    """Fit a logit by generalised estimating equations with exchangeable correlation.

    Parameters
    ----------
    successes : ndarray, shape (n,)
        1 for a den of the type, else 0.
    covariates : ndarray, shape (n, q)
        Covariates with a column of ones; best of about unit size.
    females : Females
        Whose each den is.

    Returns
    -------
    beta, errors : ndarray, shape (q,)
        Coefficients and their bias-reduced standard errors. [log odds]
    correlation : float
        Between dens of one female; 0 where no female has two. [1]
    trouble : str
        Why the fit must not be used, or ''.

    Notes
    -----
    Source: Liang & Zeger 1986, Biometrika 73: 13-22, doi:10.1093/biomet/73.1.13; errors Mancl &
    DeRouen 2001, Biometrics 57: 126-134, doi:10.1111/j.0006-341X.2001.00126.x.
    """
    from statsmodels.genmod.cov_struct import Exchangeable, Independence
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_estimating_equations import GEE

    structure = Exchangeable() if females.sizes.max() > 1 else Independence()
    model = GEE(successes, covariates, groups=females.code, family=Binomial(), cov_struct=structure)
    try:
        # What the library warns of is what is looked at below: convergence and finite numbers.
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            found = model.fit(maxiter=200, cov_type="bias_reduced")
            beta, errors = np.asarray(found.params), np.sqrt(np.diag(found.cov_robust_bc))
            correlation = float(np.ravel(structure.dep_params)[0]) if females.sizes.max() > 1 else 0.0
    except (np.linalg.LinAlgError, ValueError, ZeroDivisionError, FloatingPointError):
        return np.zeros(0), np.zeros(0), 0.0, "the equations have no solution for these dens"
    fine = found.converged and np.isfinite([*beta, *errors, correlation]).all() and np.all(errors > 0)
    return beta, errors, correlation, "" if fine else "the equations did not settle on a solution"


def _own(contrast: _Contrast, pooled: float) -> Iterator[Result | Unsaid]:
    """Tell the odds ratio of one female, by a logit with a random intercept."""
    what = "odds ratio of one female by a random-intercept logit"
    if not contrast.repeats:
        yield contrast.unsaid(what, "no female has more than one den, so females cannot be told from dens")
        return
    model = random_intercept(contrast.successes, contrast.along.scaled, contrast.along.females)
    if model.trouble:
        yield contrast.unsaid(what, model.trouble)
        return
    shared = replace(
        contrast.template, key=f"{contrast.part}/odds-ratio/female", source=MIXED_SOURCE,
        method=f"logit with a random intercept, adaptive Gauss-Hermite quadrature with {POINTS} points",
        assumes=f"{LINE}; intercepts of females are normal; given hers, a female's dens are independent",
    )  # fmt: skip
    wald = replace(shared, note=sentence([OWN, contrast.along.told]), interval=f"Wald, {contrast.degrees}")
    yield contrast.tested(wald, float(model.beta[1]), float(model.errors[1]))
    # Half a chi-square: under no spread the estimate is 0 in half of all samples.
    p = float(stats.chi2.sf(max(0.0, 2 * (model.value - pooled)), 1) / 2) if model.spread else 1.0
    yield replace(
        shared, key=f"{contrast.part}/spread/females", what="standard deviation of females' intercepts",
        estimate=model.spread, unit="log odds", p=p, source=f"{MIXED_SOURCE}; p: {SPREAD_SOURCE}",
    )  # fmt: skip


def _trouble(spread: float, settled: bool) -> str:
    if spread > WIDEST:
        return (
            f"females keep to their type so firmly that their spread cannot be bounded (beyond {WIDEST:.0f} log odds)"
        )
    return "" if settled else "the likelihood has no clear maximum"


def _curvature(quadrature: _Quadrature, at: Floats) -> Floats:
    """Return the curvature of the negative log-likelihood, by differences of its slope."""
    steps = 1e-4 * np.maximum(np.abs(at), 1.0)
    rows = [
        (quadrature.loss(at + step)[1] - quadrature.loss(at - step)[1]) / (2 * step.sum()) for step in np.diag(steps)
    ]
    rough = np.array(rows)
    return np.asarray((rough + rough.T) / 2)
