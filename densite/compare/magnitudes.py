"""Slope, cover, canopy, distances, elevation and sun at dens: by landscape class and along the gradient."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from densite.compare.entries import (
    INDEPENDENT_FEMALES,
    JACKKNIFE,
    LEAVING_OUT,
    PERMUTED,
    Entries,
    Limits,
    as_numbers,
    as_words,
    left_out,
    sentence,
    slug,
    without_female,
)
from densite.compare.fractions import Logits, fractional_logits
from densite.compare.leaveout import (
    ClassMean,
    Scale,
    class_mean,
    combined,
    correlation_limits,
    correlations,
    difference_limits,
    lines,
    mean_limits,
    median_limits,
    total_sd,
)
from densite.compare.resample import (
    Chance,
    Females,
    Floats,
    Ints,
    jackknife_interval,
    permutation_p,
    permutation_rule,
    too_few,
)
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.compare.shuffled import along_gradient, among_classes
from densite.errors import StatisticsError

STEPS = 41  # places along the gradient at which a trend is drawn
ENDS = (10, 90)  # percentiles of the gradient between which a share's change is told [%]

ON_SCALE = {"plain": "", "log": ", on the log scale", "logit": ", on the log-odds scale"}

WOODRUFF = "Woodruff 1952, J. American Statistical Association 47: 635-646 (from memory)"
WELCH = "Welch 1947, Biometrika 34: 28-35, doi:10.1093/biomet/34.1-2.28"
ZOU = "Zou & Donner 2008, Statistics in Medicine 27: 1693-1702, doi:10.1002/sim.3095"
HEDGES = "Hedges 2007, J. Educ. Behav. Stat. 32: 341-370, doi:10.3102/1076998606298043"
OBUCHOWSKI = "Obuchowski 1997, Biometrics 53: 567-578, doi:10.2307/2533958"
KRUSKAL = "Kruskal & Wallis 1952, J. American Statistical Association 47: 583-621 (from memory)"
SPEARMAN = "Spearman 1904, American J. Psychology 15: 72-101 (from memory)"
PAPKE = "Papke & Wooldridge 1996, J. Appl. Econometrics 11: 619-632, doi:10.1002/(SICI)1099-1255(199611)11:6<619::AID-JAE418>3.0.CO;2-1"  # fmt: skip  # noqa: E501


@dataclass(frozen=True, slots=True)
class _Quantity:
    """What is compared: its words, and the scale on which its intervals are made."""

    heading: str
    unit: str
    gradient: str
    scale: Scale
    whole: float  # what a share of 1 is in this unit


@dataclass(frozen=True, slots=True)
class _Dens:
    """Dens with a value: ``klass`` numbers the classes, -1 where there is none; ``gradient`` may be NaN."""

    value: Floats
    klass: Ints
    gradient: Floats
    females: Females
    missing: int

    def at(self, chosen: NDArray[np.bool_]) -> _Dens:
        """Return some of the dens; the others count as missing."""
        rest = int(np.count_nonzero(~chosen))
        females = self.females.within(chosen)
        return _Dens(self.value[chosen], self.klass[chosen], self.gradient[chosen], females, self.missing + rest)

    @property
    def numbers(self) -> dict[str, int]:
        """Dens and females known by id."""
        return {"dens": len(self.value), "females": self.females.known}


def magnitude(
    values: ArrayLike, landscape_class: ArrayLike, gradient: ArrayLike, female: ArrayLike,
    *, name: str, heading: str, unit: str, share: bool, classes: Sequence[str], gradient_name: str, chance: Chance,
    against: str | None = None,
) -> Block:  # fmt: skip
    """Compare one measured quantity between landscape classes and along the gradient.

    Parameters
    ----------
    values : array_like, shape (n,)
        The quantity at each den, NaN where missing. [``unit``]
    landscape_class : array_like of str, shape (n,)
        Class of each den; blank where there is none.
    gradient : array_like, shape (n,)
        Place of each den on the urban-to-rural gradient, NaN where missing.
    female : array_like of str, shape (n,)
        Female of each den; blank where not known.
    name, heading : str
        The quantity's column, which names the block, and its heading.
    unit : str
        Unit of the quantity, ``%`` for percents, ``1`` for shares of 1.
    share : bool
        Whether the quantity is a share, between 0 and 1 (or 100 %).
    classes : sequence of str
        All classes, in order.
    gradient_name : str
        What the gradient measures.
    chance : Chance
        Seed, draws and confidence level.
    against : str, optional
        Class with which the others are compared; the first one unless given.

    Returns
    -------
    Block
        Frames: ``dens`` (landscape_class, gradient, female, value), for distributions; ``classes``
        (landscape_class, dens, females, mean, mean_lower, mean_upper, median, median_lower,
        median_upper); ``trend`` (gradient, value, lower, upper), the line or, for a share, the curve
        with pointwise limits. Missing numbers in frames are NaN.

    Raises
    ------
    StatisticsError
        Columns of different lengths, a class that is not listed, or a share beyond its bounds.

    Notes
    -----
    The headline is the slope along the gradient. Sources stand with each result.
    """
    dens, frame = _lined_up(values, landscape_class, gradient, female, classes=classes, heading=heading)
    quantity = _quantity(dens.value, heading=heading, unit=unit, share=share, gradient=gradient_name)
    entries = Entries(f"magnitude-{slug(name)}")
    reference = _listed(against, classes) if classes else 0
    frames = {"dens": frame, "classes": _say_classes(entries, dens, quantity, classes=classes, chance=chance)}
    placed = dens.at(dens.klass >= 0)
    _say_differences(entries, placed, quantity, classes=classes, reference=reference, chance=chance)
    _say_test(entries, placed, quantity, number=len(classes), chance=chance)
    along = dens.at(np.isfinite(dens.gradient))
    frames["trend"] = _say_trend(entries, along, quantity, chance=chance)
    return entries.block(frames)


def _lined_up(
    values: ArrayLike, landscape_class: ArrayLike, gradient: ArrayLike, female: ArrayLike,
    *, classes: Sequence[str], heading: str,
) -> tuple[_Dens, pd.DataFrame]:  # fmt: skip
    """Return the dens with a value, and the same as a frame."""
    value = as_numbers(values, what=heading)
    words = as_words(landscape_class, what="landscape classes", size=len(value))
    place = as_numbers(gradient, what="gradient", size=len(value))
    names = as_words(female, what="females", size=len(value))
    if strange := sorted(set(words) - set(classes) - {""}):
        raise StatisticsError(f"landscape class '{strange[0]}' is not listed; listed: {', '.join(classes)}")
    klass = np.array([classes.index(word) if word else -1 for word in words], dtype=np.int64)
    known = np.isfinite(value)
    dens = _Dens(value, klass, place, Females.of(names), 0).at(known)
    columns = {"landscape_class": words, "gradient": place, "female": names, "value": value}
    return dens, pd.DataFrame(columns)[known].reset_index(drop=True)


def _quantity(value: Floats, *, heading: str, unit: str, share: bool, gradient: str) -> _Quantity:
    """Choose the scale of the intervals: log odds for shares, log for what is never negative."""
    whole = 100.0 if share and unit == "%" else 1.0
    if share and len(value) and not (value.min() >= 0 and value.max() <= whole):
        found = f"{value.min():g} to {value.max():g}"
        raise StatisticsError(f"{heading}: a share must lie between 0 and {whole:g} {unit}; found {found}")
    scale: Scale = "logit" if share else "log" if len(value) and value.min() >= 0 else "plain"
    return _Quantity(heading, unit, gradient, scale, whole)


def _listed(name: str | None, classes: Sequence[str]) -> int:
    """Return the number of a class."""
    if name is None:
        return 0
    if name not in classes:
        raise StatisticsError(f"landscape class '{name}' is not listed; listed: {', '.join(classes)}")
    return list(classes).index(name)


def _missing(dens: _Dens, needed: str) -> str:
    """Say which dens a number goes without."""
    return sentence([left_out(dens.missing, f"no {needed}"), without_female(dens.females)])


def _say_classes(
    entries: Entries, dens: _Dens, quantity: _Quantity, *, classes: Sequence[str], chance: Chance
) -> pd.DataFrame:
    """Say mean and median of each class, and return them as a frame."""
    rows = []
    for number, name in enumerate(classes):
        group = dens.at(dens.klass == number)
        if not len(group.value):
            entries.cannot(f"mean and median of {quantity.heading} in {name}", "no den there has a value")
            continue
        mean = _say_mean(entries, group, quantity, name=name, chance=chance)
        median = _say_median(entries, group, quantity, name=name, chance=chance)
        rows.append((name, len(group.value), group.females.known, *mean, *median))
    ends = [f"{what}{end}" for what in ("mean", "median") for end in ("", "_lower", "_upper")]
    return pd.DataFrame(rows, columns=["landscape_class", "dens", "females", *ends])


def _say_mean(entries: Entries, group: _Dens, quantity: _Quantity, *, name: str, chance: Chance) -> Floats:
    """Say the mean of a class; return it with its limits."""
    told = _mean(group, np.ones(len(group.value), dtype=bool), quantity)
    limits = mean_limits(told, confidence=chance.confidence, scale=quantity.scale)
    limits = limits and (limits[0] * quantity.whole, limits[1] * quantity.whole)
    what, mean = f"mean {quantity.heading}", told.mean * quantity.whole
    if limits is None:
        entries.cannot(f"interval of the {what} in {name}", _why_no_interval(told.females))
    entries.say(
        f"mean/{slug(name)}", what=what, where=name, estimate=mean, unit=quantity.unit, limits=limits,
        method="mean over dens", interval=LEAVING_OUT + ON_SCALE[quantity.scale], assumes=INDEPENDENT_FEMALES,
        source=JACKKNIFE, note=without_female(group.females), **group.numbers,
    )  # fmt: skip
    return np.array([mean, *(limits or (np.nan, np.nan))])


def _say_median(entries: Entries, group: _Dens, quantity: _Quantity, *, name: str, chance: Chance) -> Floats:
    """Say the median of a class; return it with its limits."""
    limits = median_limits(group.value, group.females, confidence=chance.confidence)
    what, median = f"median {quantity.heading}", float(np.median(group.value))
    if limits is None:
        why = f"{group.females.count} females are too few, or their dens too alike, for limits within the values"
        entries.cannot(f"interval of the {what} in {name}", why)
    entries.say(
        f"median/{slug(name)}", what=what, where=name, estimate=median, unit=quantity.unit, limits=limits,
        method="median over dens", interval="limits of the share of dens below, read off the cumulated shares",
        assumes=INDEPENDENT_FEMALES, source=WOODRUFF, note=without_female(group.females), **group.numbers,
    )  # fmt: skip
    return np.array([median, *(limits or (np.nan, np.nan))])


def _mean(dens: _Dens, chosen: NDArray[np.bool_], quantity: _Quantity) -> ClassMean:
    """Return the mean of some dens, as a share of 1 where it is a share."""
    told = class_mean(dens.value / quantity.whole, dens.females, chosen)
    if told is None:
        raise StatisticsError("a mean needs at least one den")
    return told


def _why_no_interval(females: int) -> str:
    """Say why there is no interval around a mean."""
    return "it needs two or more females" if females < 2 else "the dens there do not differ, so their spread is unknown"


def _say_differences(
    entries: Entries, dens: _Dens, quantity: _Quantity, *, classes: Sequence[str], reference: int, chance: Chance
) -> None:
    """Say how each class differs from the class of reference."""
    counts = np.bincount(dens.klass, minlength=len(classes))
    for number, name in enumerate(classes):
        if number == reference:
            continue
        where = f"{name} minus {classes[reference]}"
        if empty := [classes[i] for i in (number, reference) if not counts[i]]:
            entries.cannot(f"difference in {quantity.heading}, {where}", f"no den in {empty[0]} has a value")
            continue
        pair = dens.at(np.isin(dens.klass, (number, reference)))
        pair = _Dens(pair.value, (pair.klass == number).astype(np.int64), pair.gradient, pair.females, 0)
        _say_difference(entries, pair, quantity, where=where, key=slug(name), chance=chance)
        _say_median_difference(entries, pair, quantity, where=where, key=slug(name), chance=chance)
        _say_effects(entries, pair, quantity, where=where, key=slug(name), chance=chance)


def _say_difference(
    entries: Entries, pair: _Dens, quantity: _Quantity, *, where: str, key: str, chance: Chance
) -> None:
    """Say the difference of two means; class 1 minus class 0."""
    first, second = (_mean(pair, pair.klass == number, quantity) for number in (1, 0))
    limits = difference_limits(first, second, confidence=chance.confidence, scale=quantity.scale)
    limits = limits and (limits[0] * quantity.whole, limits[1] * quantity.whole)
    what = f"difference in mean {quantity.heading}"
    if limits is None:
        entries.cannot(f"interval of the {what}, {where}", _why_no_interval(min(first.females, second.females)))
    interval = "leaving out one female at a time, t with Welch's degrees of freedom over females"
    logit = quantity.scale == "logit"
    entries.say(
        f"mean-difference/{key}", what=what, where=where, estimate=(first.mean - second.mean) * quantity.whole,
        unit=quantity.unit, limits=limits, method="difference of means over dens",
        interval=interval + (", limits of both means on the log-odds scale combined" if logit else ""),
        assumes=INDEPENDENT_FEMALES, source=f"{WELCH}; {ZOU if logit else JACKKNIFE}",
        note=without_female(pair.females), **pair.numbers,
    )  # fmt: skip


def _say_median_difference(
    entries: Entries, pair: _Dens, quantity: _Quantity, *, where: str, key: str, chance: Chance
) -> None:
    """Say the difference of two medians; class 1 minus class 0."""
    groups = [pair.at(pair.klass == number) for number in (1, 0)]
    first, second = (float(np.median(group.value)) for group in groups)
    ends = [median_limits(group.value, group.females, confidence=chance.confidence) for group in groups]
    what, limits = f"difference in median {quantity.heading}", None
    if ends[0] is None or ends[1] is None:
        entries.cannot(f"interval of the {what}, {where}", "one of the medians has no interval")
    else:
        limits = combined(first, ends[0], second, ends[1])
    entries.say(
        f"median-difference/{key}", what=what, where=where, estimate=first - second, unit=quantity.unit, limits=limits,
        method="difference of medians over dens", interval="limits of both medians combined",
        assumes=f"{INDEPENDENT_FEMALES}; the two medians are independent of each other", source=f"{ZOU}; {WOODRUFF}",
        note=without_female(pair.females), **pair.numbers,
    )  # fmt: skip


def _say_effects(entries: Entries, pair: _Dens, quantity: _Quantity, *, where: str, key: str, chance: Chance) -> None:
    """Say two effects without unit: of class 1 over class 0."""
    common = {"where": where, "assumes": INDEPENDENT_FEMALES, "note": without_female(pair.females), **pair.numbers}
    told, rest = _superiority(pair)
    limits = _odds_limits(told, rest, chance=chance)
    what = f"chance that a den of the former class has more {quantity.heading} than one of the latter"
    if limits is None:
        entries.cannot(f"interval of the {what}, {where}", "too few females, or the classes do not overlap")
    entries.say(
        f"superiority/{key}", what=what, estimate=told, limits=limits, source=OBUCHOWSKI,
        method="share of pairs of dens, ties counted half; 0.5 is no difference",
        interval=LEAVING_OUT + ON_SCALE["logit"], **common,
    )  # fmt: skip
    told, rest = _standardised(pair)
    if not np.isfinite(told):
        entries.cannot(f"standardised difference in {quantity.heading}, {where}", "the dens of a class do not differ")
        return
    limits = jackknife_interval(told, rest, confidence=chance.confidence)
    entries.say(
        f"standardised-difference/{key}", what=f"standardised difference in {quantity.heading}", estimate=told,
        limits=limits, source=HEDGES, interval=LEAVING_OUT,
        method="difference of means over the standard deviation of dens within classes, which is that between females "
        "and that within them together", **common,
    )  # fmt: skip


def _superiority(pair: _Dens) -> tuple[float, Floats]:
    """Return the share of pairs in which class 1 has more, and the same without each female."""
    upper, lower = pair.klass == 1, pair.klass == 0
    more = pair.value[upper][:, None] - pair.value[lower][None, :]
    won = 0.5 + 0.5 * np.sign(more)
    count = pair.females.count
    rows, columns = pair.females.code[upper], pair.females.code[lower]
    of_row = np.bincount(rows, won.sum(axis=1), minlength=count)
    of_column = np.bincount(columns, won.sum(axis=0), minlength=count)
    own, other = rows[:, None] == columns[None, :], np.broadcast_to(rows[:, None], won.shape)
    of_both = np.bincount(other[own], won[own], minlength=count)
    sizes = (len(rows) - np.bincount(rows, minlength=count)) * (len(columns) - np.bincount(columns, minlength=count))
    left = won.sum() - of_row - of_column + of_both
    return float(won.mean()), np.where(sizes > 0, left / np.maximum(sizes, 1), np.nan)


def _odds_limits(told: float, rest: Floats, *, chance: Chance) -> Limits:
    """Return the interval of a share on the log-odds scale from leaving out females."""
    if not (np.isfinite(rest).all() and min(told, rest.min(initial=1)) > 0 and max(told, rest.max(initial=0)) < 1):
        return None
    limits = jackknife_interval(float(special.logit(told)), special.logit(rest), confidence=chance.confidence)
    return limits and (float(special.expit(limits[0])), float(special.expit(limits[1])))


def _standardised(pair: _Dens) -> tuple[float, Floats]:
    """Return the difference of means in standard deviations, and the same without each female."""
    spread, spreads = total_sd(pair.value, pair.klass, pair.females, number=2)
    one = np.eye(2)[pair.klass]
    size, total = pair.females.totals(one), pair.females.totals(one * pair.value[:, None])
    mean = total.sum(axis=0) / size.sum(axis=0)
    rest = size.sum(axis=0) - size
    means = np.where(rest > 0, (total.sum(axis=0) - total) / np.maximum(rest, 1), np.nan)
    return float((mean[1] - mean[0]) / spread), (means[:, 1] - means[:, 0]) / spreads


def _say_test(entries: Entries, dens: _Dens, quantity: _Quantity, *, number: int, chance: Chance) -> None:
    """Say how likely differences among classes as large as these are by chance."""
    what = f"difference in {quantity.heading} among classes"
    if len(np.unique(dens.klass)) < 2:
        entries.cannot(what, "fewer than two classes have dens with a value")
        return
    if np.ptp(dens.value) == 0:
        entries.cannot(what, "all dens have the same value")
        return
    observed, drawn = among_classes(
        dens.value, dens.klass, dens.females, number=number, draws=chance.permutations,
        rng=chance.rng(f"{entries.part}/classes"),
    )  # fmt: skip
    common: dict[str, Any] = {"what": what, "where": "all classes", "estimate": observed, **dens.numbers}
    method = "share of the variance of ranks that lies between classes (Kruskal-Wallis H over dens - 1)"
    counted = "a female's dens counted as her effective number of them, by how alike they are"
    note = _missing(dens, "value or no class")
    p = _p(entries, what, observed, drawn, dens.females)
    if p is not None:
        entries.say(
            "classes", p=p, method=f"{method}, {counted}; {permutation_rule(dens.klass, dens.females)}",
            assumes="without an effect of class, a female's values depend neither on where she lives nor on how many "
            "dens she has",
            source=f"{KRUSKAL}; {PERMUTED}", note=sentence([note, _least(drawn)]), **common,
        )  # fmt: skip
    as_dens = stats.kruskal(*(dens.value[dens.klass == k] for k in np.unique(dens.klass)))
    common["estimate"] = float(as_dens.statistic) / (len(dens.value) - 1)
    entries.say(
        "classes-as-dens", p=float(as_dens.pvalue), proof="dens",
        method=f"{method}, chi-square", assumes=f"{AS_IF_INDEPENDENT}, large classes", source=KRUSKAL, note=note,
        **common,
    )  # fmt: skip


def _p(entries: Entries, what: str, observed: float, drawn: Floats, females: Females) -> float | None:
    """Return the p of a statistic; None, and why, where females cannot be dealt out otherwise."""
    if why := too_few(females):
        entries.cannot(f"chance of the {what}", why)
        return None
    if np.ptp(np.append(drawn, observed)) < 1e-12:
        entries.cannot(f"chance of the {what}", f"{females.count} females allow no other order")
        return None
    return permutation_p(observed, drawn)


def _least(drawn: Floats) -> str:
    """Say so where even the strongest order of these females could not give a p of .05."""
    least = permutation_p(float(drawn.max(initial=0.0)), drawn)
    return f"these females can give no p below {least:.2g}" if least > 0.05 else ""


def _say_trend(entries: Entries, dens: _Dens, quantity: _Quantity, *, chance: Chance) -> pd.DataFrame:
    """Say the trend along the gradient, and return the line or curve as a frame."""
    nothing = pd.DataFrame(columns=["gradient", "value", "lower", "upper"], dtype=float)
    what = f"trend of {quantity.heading} along {quantity.gradient}"
    for missing, why in (
        (len(dens.value) < 3, "fewer than three dens have a value and a place on the gradient"),
        (not len(dens.value) or np.ptp(dens.value) == 0, "all dens have the same value"),
        (not len(dens.value) or np.ptp(dens.gradient) == 0, "all dens are at the same place on the gradient"),
    ):
        if missing:
            entries.cannot(what, why)
            return nothing
    whole, without = lines(dens.gradient, dens.value, dens.females)
    _say_slope(entries, dens, quantity, whole, without, chance=chance)
    _say_rank(entries, dens, quantity, chance=chance)
    grid = np.linspace(dens.gradient.min(), dens.gradient.max(), STEPS)
    if quantity.scale == "logit":
        curves = _say_fraction(entries, dens, quantity, chance=chance)
        if curves is None:
            return nothing
        return _band(grid, curves.whole, curves.without, chance=chance, whole=quantity.whole)
    return _band(grid, whole, without, chance=chance, whole=None)


def _say_slope(
    entries: Entries, dens: _Dens, quantity: _Quantity, whole: Floats, without: Floats, *, chance: Chance
) -> None:
    """Say the slope of the line with its interval and its p over females."""
    limits = jackknife_interval(float(whole[1]), without[:, 1], confidence=chance.confidence)
    what = f"slope of {quantity.heading} along {quantity.gradient}"
    if limits is None:
        entries.cannot(f"interval of the {what}", "without one of the females the gradient does not vary")
    observed, drawn = along_gradient(
        dens.gradient, dens.value, dens.females, draws=chance.permutations, rng=chance.rng(f"{entries.part}/slope")
    )
    note = sentence([_missing(dens, "value or no place on the gradient"), _least(drawn)])
    entries.say(
        "slope", what=what, where="whole gradient", estimate=float(whole[1]), limits=limits,
        p=_p(entries, what, observed, drawn, dens.females),
        unit=f"{quantity.unit} per unit of {quantity.gradient}", headline=True, interval=LEAVING_OUT,
        method="least-squares line over dens; p from the correlation, with places on the gradient dealt out anew among "
        "females and a female's dens counted as her effective number of them",
        assumes=f"{INDEPENDENT_FEMALES}; the line tells the average change, whether or not the change is even",
        source=f"{JACKKNIFE}; {PERMUTED}", note=note, **dens.numbers,
    )  # fmt: skip


def _say_rank(entries: Entries, dens: _Dens, quantity: _Quantity, *, chance: Chance) -> None:
    """Say the rank correlation with the gradient, over females and as if dens were independent."""
    x, y = stats.rankdata(dens.gradient), stats.rankdata(dens.value)
    told, rest = correlations(x, y, dens.females)
    what = f"rank correlation of {quantity.heading} with {quantity.gradient}"
    common: dict[str, Any] = {"what": what, "where": "whole gradient", "estimate": told, **dens.numbers}
    common["note"] = _missing(dens, "value or no place on the gradient")
    limits = correlation_limits(told, rest, confidence=chance.confidence)
    if limits is None:
        entries.cannot(f"interval of the {what}", "too few females, or a perfect correlation")
    draw = along_gradient(x, y, dens.females, draws=chance.permutations, rng=chance.rng(f"{entries.part}/rank"))
    entries.say(
        "rank", p=_p(entries, what, *draw, dens.females), limits=limits, assumes=INDEPENDENT_FEMALES,
        method="Spearman's rank correlation over dens; p with ranks on the gradient dealt out anew among females",
        interval=f"{LEAVING_OUT}, on Fisher's scale, ranks kept", source=f"{SPEARMAN}; {PERMUTED}", **common,
    )  # fmt: skip
    free = len(x) - 2
    with np.errstate(divide="ignore"):  # a perfect correlation has an infinite t and p 0
        t = told * np.sqrt(free / np.maximum(1 - told**2, 0))
    entries.say(
        "rank-as-dens", p=float(2 * stats.t.sf(abs(t), free)), proof="dens", source=SPEARMAN,
        method="Spearman's rank correlation, t", assumes=AS_IF_INDEPENDENT, **common,
    )  # fmt: skip


def _say_fraction(entries: Entries, dens: _Dens, quantity: _Quantity, *, chance: Chance) -> Logits | None:
    """Say the trend of a share on the log-odds scale, where it cannot leave 0 to 1."""
    what = f"trend of {quantity.heading} along {quantity.gradient} on the log-odds scale"
    fitted = fractional_logits(dens.gradient, dens.value / quantity.whole, dens.females)
    if not np.isfinite(fitted.whole).all():
        entries.cannot(what, "the shares go from none to all along the gradient, so the log odds have no limit")
        return None
    common = {"assumes": f"{INDEPENDENT_FEMALES}; log odds change evenly along the gradient", "source": PAPKE}
    common |= {"method": "fractional logit over dens", "note": _missing(dens, "value or no place on the gradient")}
    odds = jackknife_interval(float(fitted.whole[1]), fitted.without[:, 1], confidence=chance.confidence)
    entries.say(
        "log-odds", what=what, where="whole gradient", estimate=float(fitted.whole[1]), limits=odds,
        interval=LEAVING_OUT, unit=f"log odds per unit of {quantity.gradient}", **common, **dens.numbers,
    )  # fmt: skip
    ends = np.percentile(dens.gradient, ENDS)
    change = quantity.whole * np.diff(_curve(ends, np.vstack([fitted.whole, fitted.without])), axis=1)[:, 0]
    entries.say(
        "predicted-change", what=f"change of {quantity.heading} along {quantity.gradient}", unit=quantity.unit,
        where=f"from {ends[0]:.4g} to {ends[1]:.4g}, the {ENDS[0]} and {ENDS[1]} % points of dens",
        estimate=float(change[0]),
        limits=jackknife_interval(float(change[0]), change[1:], confidence=chance.confidence),
        interval=LEAVING_OUT, **common, **dens.numbers,
    )  # fmt: skip
    if odds is None:
        entries.cannot(f"interval of the {what}", "without one of the females the share does not vary")
    return fitted


def _curve(grid: Floats, coefficients: Floats) -> Floats:
    """Return shares of 1 (k, places) from log-odds lines (k, 2)."""
    shares: Floats = special.expit(coefficients[:, :1] + coefficients[:, 1:] * grid)
    return shares


def _band(grid: Floats, line: Floats, without: Floats, *, chance: Chance, whole: float | None) -> pd.DataFrame:
    """Return a line, or for a share of a whole a log-odds curve, with pointwise limits from leaving out females."""
    fits = line[0] + line[1] * grid
    each = without[:, :1] + without[:, 1:] * grid
    ends = [
        jackknife_interval(float(fit), each[:, i], confidence=chance.confidence) or (np.nan, np.nan)
        for i, fit in enumerate(fits)
    ]
    table = np.column_stack([fits, np.array(ends)])
    if whole is not None:
        table = whole * special.expit(table)
    return pd.DataFrame({"gradient": grid, "value": table[:, 0], "lower": table[:, 1], "upper": table[:, 2]})
