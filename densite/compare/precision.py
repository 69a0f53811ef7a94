"""How small a difference this sample could have found: power simulated at its own females and fidelity."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from densite.compare.contingency import Crossed, crossed
from densite.compare.entries import INDEPENDENT_FEMALES, LEAVING_OUT, Entries
from densite.compare.fidelity import den_weights, fidelity
from densite.compare.resample import Chance, Females, Floats, Ints, jackknife_interval, permuted_classes, too_few
from densite.compare.result import Block

PART = "precision"

EFFECTS = (0.1, 0.2, 0.28, 0.3, 0.4, 0.48, 0.5, 0.6, 0.7, 0.8)  # Cohen's w; .28 and .48 as moderate and strong
STUDIES = 1000  # simulated for each effect
TOGETHER = 100
SINGLE = 1e-6  # relative; statistics in single precision this close are equal
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
    of dens is w squared. Dens of a female agree beyond chance as ``fidelity`` estimates, any two alike.
    """
    data = crossed(den_type, landscape_class, female, types=types, classes=classes)
    entries = Entries(PART)
    if len(np.unique(data.klass)) < 2 or len(np.unique(data.kind)) < 2 or too_few(data.females):
        entries.cannot("which differences could have been found", "fewer than two classes or types, or too few females")
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
        interval=LEAVING_OUT,
        method="share of pairs of dens of a female that are of one type, beyond what all dens give by chance; holds "
        "what females repeat by habit and what they share by place",
        assumes=INDEPENDENT_FEMALES, source=KAPPA, note=data.note,
    )  # fmt: skip
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
        How far any two dens of a female agree beyond chance, 0 to 1. [1]
    studies : int
        How many studies.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    ndarray of int, shape (studies, n)

    Notes
    -----
    With chance sqrt(repeats) a den's place on the cumulated shares is its female's own draw, else a fresh
    one. So both dens of a pair have her draw with chance ``repeats``, and each den keeps the shares of its
    own class, also where a female's dens lie in several.
    """
    steps = np.cumsum(shares, axis=1)[klass]
    steps = steps / steps[:, -1:]
    place = rng.random((studies, len(klass)))
    own = rng.random((studies, females.count))[:, females.code]
    place = np.where(rng.random(place.shape) < np.sqrt(repeats), own, place)
    return np.asarray((place[:, :, None] > steps[None, :, :-1]).sum(axis=2), dtype=np.int64)


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
        How far any two dens of a female agree beyond chance, 0 to 1. [1]
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
        p = found_in(kinds, klass, females, dealt, types=shares.shape[1])
        found += int(np.count_nonzero(p <= level))
    return found / STUDIES


def found_in(kinds: Ints, klass: Ints, females: Females, dealt: NDArray[np.int16], *, types: int) -> Floats:
    """Return the permutation p over females of each of many studies with the same females and classes.

    Parameters
    ----------
    kinds : ndarray of int, shape (studies, n)
        Type of each den in each study, from 0.
    klass : ndarray of int, shape (n,)
        Class of each den, from 0.
    females : Females
        Whose each den is.
    dealt : ndarray of int, shape (draws, n)
        Classes dealt out anew, see :func:`densite.compare.resample.permuted_classes`.
    types : int
        Number of types.

    Returns
    -------
    ndarray, shape (studies,)
    """
    deals = np.vstack([klass.astype(dealt.dtype), dealt])
    weights = den_weights(kinds, females, types=types).astype(np.float32)
    one = np.stack([np.where(kinds == t, weights, np.float32(0)).T for t in range(types)], axis=1)  # (n, t, studies)
    wide, whole = one.reshape(len(klass), -1), np.maximum(one.sum(axis=0), np.float32(SINGLE))
    statistic = np.zeros((len(deals), len(kinds)), dtype=np.float32)
    for c in range(int(klass.max()) + 1):
        table = ((deals == c).astype(np.float32) @ wide).reshape(len(deals), types, -1)
        size = np.maximum(table.sum(axis=1), np.float32(SINGLE))
        statistic += (table * table / whole).sum(axis=1) / size
    # The sum over cells of n2 / (row x column) is 1 + chi-square / n: it ranks deals as chi-square does.
    reached = (statistic[1:] >= statistic[0] * (1 - SINGLE)).sum(axis=0)
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
