"""Den type along the continuous gradient: a multinomial logit whose proof rests on females."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from densite.compare.entries import JACKKNIFE, LEAVING_OUT, PERMUTED, sentence, slug
from densite.compare.fidelity import den_weights
from densite.compare.frequencies import NOT_RECORDED, UNKNOWN
from densite.compare.multinomial import Fits, fit, separation, shares
from densite.compare.resample import (
    Chance,
    Females,
    Floats,
    jackknife_interval,
    permutation_p,
    permuted_gradient,
    too_few,
)
from densite.compare.result import AS_IF_INDEPENDENT, Block, Result, Unsaid
from densite.errors import StatisticsError

PART = "type-along-gradient"
GRID = 50
ENDS = (0.1, 0.9)

# Below these a slope is a story about single females; our own choice.
FEWEST_DENS = 5
FEWEST_FEMALES = 3

LINE = "the log odds of any two types change in a straight line along the gradient"
APART = "females are independent of each other, while the dens of one may hang together in any way"
LOGIT_SOURCE = "Agresti 2002, Categorical Data Analysis, 2nd ed., section 7.1 (from memory)"
FIRTH_SOURCE = (
    "Firth 1993, Biometrika 80: 27-38, doi:10.1093/biomet/80.1.27; "
    "Heinze & Schemper 2002, Statistics in Medicine 21: 2409-2419, doi:10.1002/sim.1047"
)
PERMUTATION_SOURCE = (
    f"{PERMUTED}; Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9: 39, doi:10.2202/1544-6115.1585"
)
PERMUTATION_ASSUMES = (
    "without an effect, a female's place on the gradient has nothing to do with her dens' types, "
    "with how many they are or how far they are spread; her dens could have been used in any order"
)


@dataclass(frozen=True, slots=True)
class Along:
    """Dens that have a type and a place on the gradient.

    ``kind`` (n, t): 1 in the column of each den's type, for the types ``names`` that occur, in order.
    ``x`` (n,): gradient. ``told``: what was left out or taken for granted.
    """

    kind: Floats
    names: tuple[str, ...]
    x: Floats
    females: Females
    told: str

    @property
    def dens(self) -> int:
        """Number of dens."""
        return len(self.x)

    @property
    def users(self) -> NDArray[np.int64]:
        """Number of females with a den of each type (t,)."""
        return np.asarray(np.count_nonzero(self.females.totals(self.kind), axis=0), dtype=np.int64)

    @property
    def scaled(self) -> Floats:
        """Ones and the gradient in its standard deviations from its mean (n, 2)."""
        return self.at(self.x)

    def at(self, places: Floats) -> Floats:
        """Return the covariates at places on the gradient (m, 2)."""
        return np.column_stack([np.ones(len(places)), (places - self.x.mean()) / self.x.std()])

    def only(self, one: str) -> Along:
        """Return the same dens with one type against all others."""
        of_one = self.kind[:, self.names.index(one)] if one in self.names else np.zeros(self.dens)
        return Along(np.column_stack([of_one, 1 - of_one]), (one, f"not {one}"), self.x, self.females, self.told)


def dens_along(den_type: ArrayLike, gradient: ArrayLike, female: ArrayLike, *, types: Sequence[str] | None) -> Along:
    """Take the dens that have a known type and a place on the gradient.

    Parameters
    ----------
    den_type, female : array_like of str, shape (n,)
        Type and female of each den; blank, None or NaN where missing.
    gradient : array_like, shape (n,)
        Gradient at each den, NaN where missing.
    types : sequence of str, optional
        Types that count, in order; by default all that occur but 'unknown' and 'not recorded'.

    Returns
    -------
    Along

    Raises
    ------
    StatisticsError
        Arrays of different lengths.
    """
    texts = ["" if pd.isna(word) else str(word).strip() for word in np.asarray(den_type, dtype=object)]
    words = np.array(texts, dtype=object)
    x = pd.to_numeric(pd.Series(np.asarray(gradient)), errors="coerce").to_numpy(dtype=np.float64)
    names = np.asarray(female, dtype=object)
    if not len(words) == len(x) == len(names):
        sizes = f"{len(words)}, {len(x)}, {len(names)}"
        raise StatisticsError(f"den types, gradient values, females differ in number: {sizes}; give one per den")
    listed = tuple(types) if types is not None else tuple(sorted({*words} - {"", UNKNOWN, NOT_RECORDED}))
    typed, placed = np.isin(words, np.array(listed, dtype=object)), np.isfinite(x)
    females = Females.of(names[typed & placed])
    kind = (words[typed & placed, None] == np.array(listed, dtype=object)[None]).astype(np.float64)
    occurs = kind.any(axis=0)
    present = tuple(name for name, there in zip(listed, occurs, strict=True) if there)
    return Along(kind[:, occurs], present, x[typed & placed], females, _told(typed, placed, females))


def along_reasons(along: Along, part: str) -> tuple[Unsaid, ...]:
    """Say why nothing can be said along the gradient, if so.

    Parameters
    ----------
    along : Along
        Dens with type and gradient.
    part : str
        Part of the comparison that asks.

    Returns
    -------
    tuple of Unsaid
    """
    what = "den type along the gradient"
    if not along.dens:
        return (Unsaid(part, what, "no den has both a known type and a gradient value"),)
    occurring = [along.names[j] for j in np.flatnonzero(along.kind.any(axis=0))]
    if len(occurring) < 2:
        return (Unsaid(part, what, f"every den is of one type: {occurring[0]} (dens: {along.dens})"),)
    if along.x.std() <= 1e-12 * np.abs(along.x).max():
        return (Unsaid(part, what, f"the gradient is the same at every den (dens: {along.dens})"),)
    if why := too_few(along.females):
        return (Unsaid(part, what, why),)
    return ()


def score_statistic(gradients: Floats, kind: Floats, weights: Floats | None = None) -> Floats:
    """Return the score statistic for no slope of a multinomial logit, for many gradients at once.

    Parameters
    ----------
    gradients : ndarray, shape (d, n)
        Gradient at each den, in each draw.
    kind : ndarray, shape (n, t)
        1 in the column of each den's type, else 0; every type occurs.
    weights : ndarray, shape (n,), optional
        How much each den counts; 1 unless given. [dens]

    Returns
    -------
    ndarray, shape (d,)
        Chi-square with t - 1 degrees of freedom, if dens were independent. [1]

    Notes
    -----
    With U_j the sum of (y_j - p_j)(x - mean x) over dens, the quadratic form in the inverse of its
    variance S (diag p - p p'), S being the sum of (x - mean x)^2, is the sum over types of
    U_j^2 / (p_j S). Source: Rao's score test, derived here.
    """
    counted = np.ones(len(kind)) if weights is None else weights
    total = counted.sum()
    off = gradients - (gradients @ counted / total)[:, None]
    pull = (off * counted) @ kind
    return np.asarray((pull**2 / (counted @ kind / total)).sum(axis=1) / (off**2 @ counted))


def gradient_test(along: Along, *, part: str, gradient_name: str, chance: Chance) -> Result:
    """Test by permutation over females whether den types change along the gradient.

    Parameters
    ----------
    along : Along
        Dens with type and gradient.
    part : str
        Part of the comparison that asks.
    gradient_name : str
        What the gradient measures, as modelled.
    chance : Chance
        Seed and number of draws.

    Returns
    -------
    Result
        The headline p of the part.
    """
    rng = chance.rng(f"{part}/test")
    weights = den_weights(along.kind.argmax(axis=1)[None], along.females, types=along.kind.shape[1])[0]
    observed = float(score_statistic(along.x[None], along.kind, weights)[0])
    dealt = permuted_gradient(along.x, along.females, draws=chance.permutations, rng=rng)
    drawn = score_statistic(dealt, along.kind, weights)
    return Result(
        key=f"{part}/test", part=part, what="den type changes along the gradient", where=gradient_name,
        p=permutation_p(observed, drawn), dens=along.dens, females=along.females.known,
        method=f"permutation over females, {chance.permutations} draws: mean places of females on the gradient "
        "dealt out anew, differences among her own dens shuffled; statistic: score test for no slope in a logit, a "
        "female's dens counted as her effective number of them, by how far females repeat types",
        assumes=PERMUTATION_ASSUMES, source=PERMUTATION_SOURCE, headline=True,
        note=sentence([f"score statistic {observed:.2f}", along.told]),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Model:
    """The fit of all dens and those without each female, reference type last, ``order`` of ``names``."""

    along: Along
    order: NDArray[np.int64]
    fits: Fits
    why: str
    level: float

    @property
    def reference(self) -> str:
        return self.along.names[int(self.order[-1])]

    @property
    def few(self) -> NDArray[np.bool_]:
        """Types on which too few dens or females bear (t,), in the order of names."""
        return np.asarray((self.along.kind.sum(axis=0) < FEWEST_DENS) | (self.along.users < FEWEST_FEMALES))

    @property
    def method(self) -> str:
        start = "multinomial logit of den type on the gradient"
        return f"{start}, Jeffreys-penalised (Firth) since {self.why}" if self.why else f"{start}, maximum likelihood"

    @property
    def source(self) -> str:
        return "; ".join([LOGIT_SOURCE, JACKKNIFE, *([FIRTH_SOURCE] if self.why else [])])

    @property
    def template(self) -> Result:
        """A result with what all results of the model share."""
        return Result(
            key="", part=PART, what="", dens=self.along.dens, females=self.along.females.known, method=self.method,
            assumes=f"{LINE}; {APART}", source=self.source, note=self.along.told,
        )  # fmt: skip

    def shares(self, places: Floats) -> Floats:
        """Return shares of all females and without each: (1 + f, m, t), in the order of names."""
        found = shares(self.fits.beta, self.along.at(places))
        return found[..., np.argsort(self.order)]


def type_along_gradient(
    den_type: ArrayLike,
    gradient: ArrayLike,
    female: ArrayLike,
    *,
    types: Sequence[str],
    gradient_name: str,
    gradient_unit: str,
    chance: Chance,
) -> Block:
    """Tell how the shares of den types change along the gradient.

    Parameters
    ----------
    den_type, female : array_like of str, shape (n,)
        Type and female of each den; blank, None or NaN where missing. A type not among ``types``
        counts as unknown: its den is left out here, and counted in the notes.
    gradient : array_like, shape (n,)
        Gradient at each den on the scale on which it is modelled, for example log10 of 1 + housing
        units per km2; NaN where missing.
    types : sequence of str
        All den types in order.
    gradient_name, gradient_unit : str
        What the gradient measures and the unit of one step of it, as modelled.
    chance : Chance
        Seed, number of permutations, confidence level.

    Returns
    -------
    Block
        Keys ``type-along-gradient/...``: ``test`` (headline p over females), ``likelihood-ratio`` (as
        if dens were independent), ``change/<type>`` (of its predicted share between the gradient's
        10th and 90th percentile [1]), ``share-low/<type>`` and ``share-high/<type>`` (there [1]),
        ``slope/<type>`` (against the commonest type [log odds per unit]). Frames: ``curve`` (gradient,
        type, share, lower, upper; bands hold at each place, not along the whole curve) and ``dens``
        (gradient, type).

    Raises
    ------
    StatisticsError
        Arrays of different lengths.

    Notes
    -----
    A type with fewer than 5 dens or 3 females stays in the test and in the fit; its slope and change
    are not said. Intervals of a change are made on the arcsine scale, on which they cover .95 to .96 of
    true changes in our simulations with 20 and 40 females (.93 to .98 for a single type), against .90 to
    .97 on the plain scale; those of a share on the log-odds scale, .95 to .98. Sources:
    :func:`densite.compare.multinomial.fit`, :func:`densite.compare.resample.jackknife_interval`.
    """
    along = dens_along(den_type, gradient, female, types=types)
    if reasons := along_reasons(along, PART):
        return Block(PART, unsaid=reasons)
    frames = {"dens": pd.DataFrame({"gradient": along.x, "type": np.array(along.names)[along.kind.argmax(axis=1)]})}
    test = gradient_test(along, part=PART, gradient_name=gradient_name, chance=chance)
    model = _modelled(along, chance.confidence)
    ratio = _likelihood_ratio(model)
    unsaid = [*_absent(along, types), *_rare(model)]
    if not model.fits.found.all():
        why = "no fit is found without one of the females, such as when the gradient then no longer varies"
        unsaid.append(Unsaid(PART, "slopes, shares and their changes along the gradient", why))
        return Block(PART, (test, *ratio), tuple(unsaid), frames)
    frames["curve"] = _curve(model)
    results = (test, *_changes(model, gradient_unit), *_ends(model, gradient_unit), *_slopes(model, gradient_unit))
    return Block(PART, (*results, *ratio), tuple(unsaid), frames)


def fitted(kind: Floats, along: Along, *, penalised: bool) -> Fits:
    """Fit a logit to all dens and to those without each female.

    Parameters
    ----------
    kind : ndarray, shape (n, t)
        Types, the reference last.
    along : Along
        The dens.
    penalised : bool
        With Jeffreys' penalty.

    Returns
    -------
    Fits
        Of 1 + f weightings, all dens first.
    """
    whole = fit(kind, along.scaled, np.ones((1, along.dens)), penalised=penalised)
    without = fit(kind, along.scaled, along.females.without_each(), penalised=penalised, start=whole.beta[0])
    pairs = zip((whole.beta, whole.value, whole.found), (without.beta, without.value, without.found), strict=True)
    return Fits(*(np.concatenate(pair) for pair in pairs))


def penalty_reason(kind: Floats, along: Along, fits: Fits) -> str:
    """Say why a fit by maximum likelihood will not do, or nothing.

    Parameters
    ----------
    kind : ndarray, shape (n, t)
        Types, the reference last.
    along : Along
        The dens.
    fits : Fits
        By maximum likelihood, of all dens and without each female.

    Returns
    -------
    str
    """
    if fits.found.all():
        return ""
    if not fits.found[0]:
        parted = separation(kind, along.scaled)
        return f"the gradient separates types ({parted} separation)" if parted else "types are all but separated"
    return "without one of the females a type is missing or the gradient separates types"


def _told(typed: NDArray[np.bool_], placed: NDArray[np.bool_], females: Females) -> str:
    """Say what was left out, and how many dens have no known female."""
    untyped, unplaced = np.count_nonzero(~typed), np.count_nonzero(typed & ~placed)
    alone = females.count - females.known
    return sentence(
        [
            f"{untyped} without a known type left out" if untyped else "",
            f"{unplaced} without a gradient value left out" if unplaced else "",
            f"{alone} without a known female count as females of their own" if alone else "",
        ]
    )


def _modelled(along: Along, level: float) -> _Model:
    """Fit by maximum likelihood, or with the penalty where that runs away."""
    order = np.argsort(along.kind.sum(axis=0), kind="stable")
    kind = along.kind[:, order]
    fits = fitted(kind, along, penalised=False)
    why = penalty_reason(kind, along, fits)
    return _Model(along, order, fitted(kind, along, penalised=True) if why else fits, why, level)


def _absent(along: Along, types: Sequence[str]) -> Iterator[Unsaid]:
    for name in types:
        if name not in along.names:
            yield Unsaid(PART, f"{name} along the gradient", "no den of this type")


def _rare(model: _Model) -> Iterator[Unsaid]:
    """Name the types of which too few dens are known for a slope."""
    counts = model.along.kind.sum(axis=0)
    for name, few, dens, users in zip(model.along.names, model.few, counts, model.along.users, strict=True):
        if few:
            why = (
                f"dens of this type: {dens:.0f}, females with one: {users}; a slope asks for {FEWEST_DENS} dens and "
                f"{FEWEST_FEMALES} females; the type stays in the test and in the fit"
            )
            yield Unsaid(PART, f"slope and change of share of {name}", why)


def _changes(model: _Model, unit: str) -> Iterator[Result]:
    """Tell the change of each type's share between the gradient's 10th and 90th percentile."""
    low, high = np.quantile(model.along.x, ENDS)
    found = model.shares(np.array([low, high]))
    change = found[:, 1] - found[:, 0]
    for j in np.flatnonzero(~model.few):
        limits = change_interval(float(change[0, j]), change[1:, j], confidence=model.level)
        if limits is None:
            continue
        yield replace(
            model.template, key=f"{PART}/change/{slug(model.along.names[j])}", what="change of predicted share",
            where=f"{model.along.names[j]}, from {low:.3g} to {high:.3g} (10th to 90th percentile; unit: {unit})",
            estimate=float(change[0, j]), lower=limits[0], upper=limits[1],
            interval=f"{LEAVING_OUT}, on the arcsine scale",
        )  # fmt: skip


def _ends(model: _Model, unit: str) -> Iterator[Result]:
    """Tell each type's share at the gradient's 10th and 90th percentile."""
    places = np.quantile(model.along.x, ENDS)
    found = model.shares(places)
    lower, upper = share_bands(found, model.level)
    for j in np.flatnonzero(~model.few):
        for at, name in enumerate(("share-low", "share-high")):
            yield replace(
                model.template, key=f"{PART}/{name}/{slug(model.along.names[j])}", what="predicted share",
                where=f"{model.along.names[j]} at {places[at]:.3g} ({ENDS[at] * 100:.0f}th percentile; unit: {unit})",
                estimate=float(found[0, at, j]), lower=float(lower[at, j]), upper=float(upper[at, j]),
                interval=f"{LEAVING_OUT}, on the log-odds scale",
            )  # fmt: skip


def _slopes(model: _Model, unit: str) -> Iterator[Result]:
    """Tell the slopes of the log odds against the commonest type."""
    slopes = model.fits.beta[:, 1] / model.along.x.std()
    for column, j in enumerate(model.order[:-1]):
        limits = jackknife_interval(float(slopes[0, column]), slopes[1:, column], confidence=model.level)
        if model.few[j] or model.few[model.order[-1]] or limits is None:
            continue
        yield replace(
            model.template, key=f"{PART}/slope/{slug(model.along.names[j])}", what="slope of log odds",
            where=f"{model.along.names[j]} against {model.reference}", unit=f"log odds per {unit}",
            estimate=float(slopes[0, column]), lower=limits[0], upper=limits[1], interval=LEAVING_OUT,
        )  # fmt: skip


def change_interval(change: float, left_out: Floats, *, confidence: float) -> tuple[float, float] | None:
    """Return the interval of a difference between two shares, from leaving out one female at a time.

    Parameters
    ----------
    change : float
        The difference, -1..1. [1]
    left_out : ndarray, shape (f,)
        The same without each female. [1]
    confidence : float
        Confidence level. [1]

    Returns
    -------
    tuple of float, or None
        Limits within -1..1; None where they cannot be had. [1]

    Notes
    -----
    On the scale of the arcsine, on which a difference near its bounds varies as much as one near 0.
    The scale is our own choice, set by simulation; Fisher's transformation for the same purpose: Zou &
    Donner 2004, Controlled Clinical Trials 25: 3-12 (from memory).
    """
    limits = jackknife_interval(math.asin(change), np.arcsin(left_out), confidence=confidence)
    if limits is None:
        return None
    bound = math.pi / 2
    return math.sin(max(limits[0], -bound)), math.sin(min(limits[1], bound))


def share_bands(found: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the limits of shares, on the log-odds scale, from leaving out one female at a time.

    Parameters
    ----------
    found : ndarray, shape (1 + f, m, t)
        Shares of all females, then without each. [1]
    level : float
        Confidence level. [1]

    Returns
    -------
    lower, upper : ndarray, shape (m, t)
        [1]
    """
    inside = np.clip(found, 1e-12, 1 - 1e-12)
    odds = np.log(inside) - np.log1p(-inside)
    limits = np.empty((2, *found.shape[1:]))
    for at in np.ndindex(found.shape[1:]):
        limits[:, *at] = jackknife_interval(odds[0][at], odds[1:, *at], confidence=level)
    limits = 1 / (1 + np.exp(-np.clip(limits, -700, 700)))
    return limits[0], limits[1]


def _curve(model: _Model) -> pd.DataFrame:
    """Return shares with bands on a grid between the ends of the sample's gradient."""
    places = np.linspace(model.along.x.min(), model.along.x.max(), GRID)
    found = model.shares(places)
    lower, upper = share_bands(found, model.level)
    columns = {"share": found[0], "lower": lower, "upper": upper}
    names = np.repeat(np.array(model.along.names), GRID)
    return pd.DataFrame(
        {"gradient": np.tile(places, len(model.along.names)), "type": names}
        | {name: values.T.ravel() for name, values in columns.items()}
    )


def _likelihood_ratio(model: _Model) -> tuple[Result, ...]:
    """Test for no slope by the likelihood, as if dens were independent."""
    along, kind = model.along, model.along.kind[:, model.order]
    flat = fit(
        kind, along.scaled, np.ones((1, along.dens)), penalised=bool(model.why), free=np.array([True, False])
    )  # fmt: skip
    if not (flat.found[0] and model.fits.found[0]):
        return ()
    ratio, freedom = max(0.0, 2 * float(model.fits.value[0] - flat.value[0])), kind.shape[1] - 1
    penalised = ", both likelihoods Jeffreys-penalised (Firth)" if model.why else ""
    return (
        replace(
            model.template, key=f"{PART}/likelihood-ratio", what="den type changes along the gradient", proof="dens",
            p=float(stats.chi2.sf(ratio, freedom)), assumes=f"{AS_IF_INDEPENDENT}; {LINE}",
            method=f"likelihood-ratio test of a multinomial logit against one without slope{penalised}",
            source="; ".join([LOGIT_SOURCE, *([FIRTH_SOURCE] if model.why else [])]),
            note=sentence([f"chi-square {ratio:.2f}, degrees of freedom {freedom}", along.told]),
        ),
    )  # fmt: skip
