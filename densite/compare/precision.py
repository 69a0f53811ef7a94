"""How small a difference this sample could have found: power simulated at its own females and fidelity."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from densite.compare.contingency import Crossed, chi_square, crossed
from densite.compare.entries import INDEPENDENT_FEMALES, Entries
from densite.compare.resample import TIE, Chance, Females, Floats, Ints, jackknife_interval, permuted_classes
from densite.compare.result import Block

PART = "precision"

EFFECTS = (0.1, 0.2, 0.28, 0.3, 0.4, 0.48, 0.5, 0.6, 0.7, 0.8)  # Cohen's w; .28 and .48 as moderate and strong
STUDIES = 1000  # simulated for each effect
TOGETHER = 100
DEALS = 199  # permutations in each: p at .05 is exact with so many
WANTED = 0.8

COHEN = "Cohen 1988, Statistical Power Analysis, 2nd ed., chapter 7 (w); power by simulation here"
KAPPA = "agreement beyond chance of pairs, as Fleiss 1971, Psychological Bulletin 76: 378-382, doi:10.1037/h0031619"


def detectable(
    den_type: ArrayLike,
    landscape_class: ArrayLike,
    female: ArrayLike,
    *,
    types: Sequence[str],
    classes: Sequence[str],
    chance: Chance,
) -> Block:
    """Tell how often the test of types by class would find effects of stated sizes in such a sample.

    Parameters
    ----------
    den_type, landscape_class, female : array_like of str, shape (n,)
        Type, class and female of each den; blank, None or NaN where missing.
    types, classes : sequence of str
        All types and classes, in order.
    chance : Chance
        Seed and confidence level, at whose complement tests are judged.

    Returns
    -------
    Block
        Keys ``precision/fidelity`` (how far pairs of dens of a female are of one type beyond chance [1]),
        ``precision/power/<w>`` [1] and ``precision/least-effect`` (Cohen's w found in 80 % of studies).
        Frame ``power`` (effect, power).

    Raises
    ------
    StatisticsError
        As for :func:`densite.compare.contingency.crossed`.

    Notes
    -----
    Studies have this sample's females, dens, classes and overall shares of types. Along the order of
    the classes about half of the types gain and the others lose, such that chi-square over the number
    of dens is w squared. A further den of a female is of her first one's type with the chance that
    ``fidelity`` estimates, else drawn anew.
    """
    data = crossed(den_type, landscape_class, female, types=types, classes=classes)
    entries = Entries(PART)
    if len(np.unique(data.klass)) < 2 or len(np.unique(data.kind)) < 2 or data.females.count < 3:
        entries.cannot("which differences could have been found", "fewer than two classes or types, or three females")
        return entries.block({})
    repeats = _say_fidelity(entries, data, chance)
    rng = chance.rng(f"{PART}/power")
    overall = data.table.sum(axis=0) / data.table.sum()
    found = []
    for effect in EFFECTS:
        shares = shares_for(effect, data.klass, overall, classes=len(classes))
        if shares is not None:
            found.append(
                (effect, power(shares, data.klass, data.females, repeats, level=1 - chance.confidence, rng=rng))
            )
    frame = pd.DataFrame(found, columns=["effect", "power"])
    _say_power(entries, data, frame, chance)
    return entries.block({"power": frame})


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
        Of all dens, and without each female; NaN where no female has two dens, or all are of one type.

    Notes
    -----
    (P - E) / (1 - E), P being the share of pairs of one female that are of one type and E the chance of
    that among all dens. Source: Fleiss 1971, Psychological Bulletin 76: 378-382, doi:10.1037/h0031619,
    with pairs within females in place of pairs of raters.
    """
    counts = females.totals(np.eye(int(kind.max()) + 1)[kind])
    sizes = counts.sum(axis=1)
    same, pairs = (counts * (counts - 1)).sum(axis=1), sizes * (sizes - 1)
    total = np.vstack([counts.sum(axis=0), counts.sum(axis=0) - counts])
    same, pairs = (np.append(v.sum(), v.sum() - v) for v in (same, pairs))
    with np.errstate(divide="ignore", invalid="ignore"):
        by_chance = ((total / total.sum(axis=1, keepdims=True)) ** 2).sum(axis=1)
        found = (same / pairs - by_chance) / (1 - by_chance)
    return np.where(np.isfinite(found), found, np.nan)


def _say_fidelity(entries: Entries, data: Crossed, chance: Chance) -> float:
    """Say how faithful females are to a type; return the chance of repeating it that simulations take."""
    told = fidelity(data.kind, data.females)
    what = "females repeat their own den type (agreement of their dens beyond chance)"
    if not np.isfinite(told[0]):
        entries.cannot(what, "no female has two dens of known type")
        return 0.0
    entries.say(
        "fidelity", what=what, where="all females", estimate=float(told[0]), **data.numbers,
        limits=jackknife_interval(float(told[0]), told[1:], confidence=chance.confidence),
        interval="leaving out one female at a time, t with females - 1 degrees of freedom",
        method="share of pairs of dens of a female that are of one type, beyond what all dens give by chance; holds "
        "what females repeat by habit and what they share by place",
        assumes=INDEPENDENT_FEMALES, source=KAPPA, note=data.note,
    )  # fmt: skip
    # Later pairs of dens then agree by its square only: with many dens a female is simulated a little less faithful.
    return float(np.clip(told[0], 0.0, 1.0))


def shares_for(effect: float, klass: Ints, overall: Floats, *, classes: int) -> Floats | None:
    """Return shares of types in each class that differ by a stated effect along the order of classes.

    Parameters
    ----------
    effect : float
        Cohen's w: the square root of chi-square over the number of dens. [1]
    klass : ndarray of int, shape (n,)
        Class of each den, from 0.
    overall : ndarray, shape (t,)
        Share of each type over all dens. [1]
    classes : int
        Number of classes.

    Returns
    -------
    ndarray, shape (classes, t), or None
        None where so large an effect would need a share below 0.
    """
    score = np.arange(classes, dtype=np.float64)
    spread = score[klass].std()
    score = (score - score[klass].mean()) / spread
    gains = _half(overall)
    share = overall[gains].sum()
    pull = np.where(gains, np.sqrt((1 - share) / share), -np.sqrt(share / (1 - share)))
    found = overall * (1 + effect * score[:, None] * pull)
    occurring = np.bincount(klass, minlength=classes) > 0
    return None if (found[occurring] < 0).any() else np.clip(found, 0.0, 1.0)


def _half(overall: Floats) -> NDArray[np.bool_]:
    """Choose the types that gain: the first ones, up to about half of all dens, with at least one on each side."""
    held = np.flatnonzero(overall > 0)
    below = np.cumsum(overall[held])[:-1]
    last = int(np.argmin(np.abs(below - 0.5)))
    gains = np.zeros(len(overall), dtype=bool)
    gains[held[: last + 1]] = True
    return gains


def simulated_types(shares: Floats, klass: Ints, females: Females, repeats: float, *, studies: int,
                    rng: np.random.Generator) -> NDArray[np.int64]:  # fmt: skip
    """Draw den types for many studies with the same females, dens and classes.

    Parameters
    ----------
    shares : ndarray, shape (c, t)
        Share of each type in each class. [1]
    klass : ndarray of int, shape (n,)
        Class of each den, from 0.
    females : Females
        Whose each den is.
    repeats : float
        Chance that a further den of a female is of her first one's type. [1]
    studies : int
        How many studies.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    ndarray of int, shape (studies, n)
    """
    steps = np.cumsum(shares, axis=1)[klass]
    steps = steps / steps[:, -1:]
    fresh = (rng.random((studies, len(klass)))[:, :, None] > steps[None]).sum(axis=2)
    _, first = np.unique(females.code, return_index=True)
    again = rng.random(fresh.shape) < repeats
    return np.asarray(np.where(again, fresh[:, first[females.code]], fresh), dtype=np.int64)


def power(
    shares: Floats, klass: Ints, females: Females, repeats: float, *, level: float, rng: np.random.Generator
) -> float:
    """Return the share of simulated studies in which the permutation test finds a difference.

    Parameters
    ----------
    shares : ndarray, shape (c, t)
        Share of each type in each class. [1]
    klass : ndarray of int, shape (n,)
        Class of each den, from 0.
    females : Females
        Whose each den is.
    repeats : float
        Chance that a further den of a female is of her first one's type. [1]
    level : float
        p at or below which a difference counts as found. [1]
    rng : Generator
        Where chance comes from.

    Returns
    -------
    float
    """
    found = 0
    for _ in range(STUDIES // TOGETHER):  # each lot has its own deals, whose chance errors then even out
        dealt = permuted_classes(klass, females, draws=DEALS, rng=rng)
        kinds = simulated_types(shares, klass, females, repeats, studies=TOGETHER, rng=rng)
        found += int(np.count_nonzero(found_in(kinds, klass, dealt, types=shares.shape[1]) <= level))
    return found / STUDIES


def found_in(kinds: Ints, klass: Ints, dealt: NDArray[np.int16], *, types: int) -> Floats:
    """Return the permutation p over females of each of many studies with the same females and classes.

    Parameters
    ----------
    kinds : ndarray of int, shape (studies, n)
        Type of each den in each study, from 0.
    klass : ndarray of int, shape (n,)
        Class of each den, from 0.
    dealt : ndarray of int, shape (draws, n)
        Classes dealt out anew, see :func:`densite.compare.resample.permuted_classes`.
    types : int
        Number of types.

    Returns
    -------
    ndarray, shape (studies,)
    """
    deals = np.vstack([klass.astype(dealt.dtype), dealt])
    one = (kinds[:, :, None] == np.arange(types)).astype(np.float32)
    wide = one.transpose(1, 0, 2).reshape(len(klass), -1)
    tables = [
        ((deals == c).astype(np.float32) @ wide).reshape(len(deals), len(kinds), types)
        for c in range(int(klass.max()) + 1)
    ]
    statistic = chi_square(np.stack(tables, axis=2).astype(np.float64))
    reached = (statistic[1:] >= statistic[0] * (1 - TIE) - TIE).sum(axis=0)
    return np.asarray((reached + 1) / len(deals))


def _say_power(entries: Entries, data: Crossed, frame: pd.DataFrame, chance: Chance) -> None:
    """Say the power for each effect, and the least effect that is found in most studies."""
    common: dict[str, Any] = {
        "assumes": "females repeat types as in this sample; types change along the order of classes, half of them up",
        "source": COHEN, **data.numbers,
    }  # fmt: skip
    method = (
        f"{STUDIES} simulated studies with these females, dens and classes; permutation over females, {DEALS} draws"
    )
    for effect, found in frame.itertuples(index=False):
        error = np.sqrt(max(found * (1 - found), 1 / STUDIES) / STUDIES)
        entries.say(
            f"power/{effect:g}".replace(".", "-"), what="chance of finding an effect", where=f"effect w = {effect:g}",
            estimate=found, method=method, note=f"standard error {error:.3f}", **common,
        )  # fmt: skip
    what = f"least effect found in {WANTED:.0%} of such studies"
    if frame.empty or frame["power"].max() < WANTED:
        why = "no effect that was tried is found so often"
        if len(frame):
            why += f": {frame['power'].max():.0%} of studies find one of w = {frame['effect'].max():g}"
        entries.cannot(what, why)
        return
    rising = np.maximum.accumulate(frame["power"].to_numpy())
    above = int(np.argmax(rising >= WANTED))
    least = float(np.interp(WANTED, np.r_[1 - chance.confidence, rising][: above + 2],
                            np.r_[0.0, frame["effect"].to_numpy()][: above + 2]))  # fmt: skip
    entries.say(
        "least-effect", what=what, where="Cohen's w", estimate=least, method=f"{method}; between effects by a line",
        note="a weak effect is about .1, a moderate .3, a strong .5 (Cohen 1988)", **common,
    )  # fmt: skip
