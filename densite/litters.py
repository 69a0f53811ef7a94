"""Litters: one for each female and winter, their size and sex ratio by den type, landscape class and winter."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from densite.compare.entries import INDEPENDENT_FEMALES, JACKKNIFE, LEAVING_OUT, PERMUTED
from densite.compare.frequencies import NO_CLASS, NOT_RECORDED, clustered_share
from densite.compare.leaveout import class_mean, difference_limits, lines, mean_limits
from densite.compare.resample import (
    LEAST_FEMALES,
    Chance,
    Females,
    Floats,
    jackknife_interval,
    permutation_p,
    permutation_rule,
)
from densite.compare.shuffled import along_gradient, among_classes
from densite.errors import StatisticsError
from densite.records import winter_of

ALL_LITTERS = "all litters"
MOST_LISTED = 5  # litters of so many cubs or more are counted together
BY = {"den type": "den_type", "landscape class": "landscape_class", "winter": "winter"}

COLUMNS = (
    "den_id", "den_label", "den_type", "landscape_class", "gradient", "female", "female_known", "winter", "first_seen",
    "visits", "counted_on", "cubs", "dead", "alive", "male_cubs", "female_cubs", "unsexed_cubs", "remarks",
)  # fmt: skip
TESTED = (
    "what", "where", "estimate", "lower", "upper", "unit", "p", "litters", "females", "method", "assumes", "source",
    "why",
)  # fmt: skip

# Mean litter sizes of black bears elsewhere, to hold against and not to judge by: they were counted at other
# ages of the cubs, in other years, and by other rules.
PUBLISHED = (
    ("2.0, 26 litters", "thesis, Virginia 1994-96"),
    ("2.32, standard error 0.11, 53 litters", "Echols 2000, Virginia 1995-98"),
    ("2.2", "Ryan 1997, Virginia"),
    ("2.30, 27 litters", "Elowe & Dodge 1989, Massachusetts"),
    ("2.3 to 2.6", "state agency's summary of 2007, Minnesota"),
)

METHOD = (
    f"Means over litters; intervals by {LEAVING_OUT}. Shares of males are of sexed cubs, as the ratio of two totals "
    "over females; where fewer than 10 females have cubs of either sex, Wilson's interval on the effective number of "
    "cubs; where females do not differ, on the number of females (densite.compare.frequencies)."
)
NOT_BORN = (
    "Cubs are counted at the visit: cubs that died and vanished before it are missing, so litters at birth were as "
    "large or larger."
)
SHARED_WINTERS = "Litters of one winter share its food and weather, which intervals over females do not hold."


@dataclass(frozen=True, slots=True)
class _Cub:
    name: str
    sex: str
    dead: bool


@dataclass(slots=True)
class _Visit:
    """What one visit saw of one female's litter."""

    female: str
    den: str
    den_id: str
    date: dt.date
    cubs: list[_Cub] = field(default_factory=list)
    counted: list[int] = field(default_factory=list)
    remark: str = ""

    @property
    def number(self) -> int:
        """Cubs counted or measured, whichever is more."""
        return max([len(self.cubs), *self.counted])

    @property
    def sexed(self) -> int:
        """Cubs whose sex was told."""
        return sum(cub.sex in ("male", "female") for cub in self.cubs)


def litters_of(
    cubs: pd.DataFrame, handlings: pd.DataFrame, dens: pd.DataFrame, visits: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Gather cubs and counts of cubs into litters: one row for each female and winter.

    Parameters
    ----------
    cubs, handlings : DataFrame
        Current records as :func:`densite.animals.frame_of` returns them.
    dens : DataFrame
        Den sites, indexed by den_id, with ``den_type``, ``landscape_class`` and ``gradient`` where known.
    visits : DataFrame, optional
        ``den_id``, ``observed_on``, ``female``: they name a mother, or a den, that the other records leave blank.

    Returns
    -------
    DataFrame
        Indexed by ``litter`` (FEMALE/WINTER), with ``COLUMNS``: the den in which the litter was first seen; cubs in
        all, dead among them [cubs]; ``remarks`` says which count was used where several do not agree. A litter
        whose mother is not known has the female ``unknown-DEN`` and ``female_known`` False.

    Notes
    -----
    Of several counts the largest is used: a cub is missed, or gone, more easily than one too many is
    counted. Cubs known by id or transponder add up over visits. A count of 0 makes no litter.
    """
    found = _visits(cubs, handlings, dens, visits)
    groups: dict[tuple[str, int], list[_Visit]] = {}
    for visit in sorted(found, key=lambda v: (v.date, v.den, v.female)):
        groups.setdefault((visit.female, winter_of(visit.date)), []).append(visit)
    rows = [_litter(winter, own, dens) for (_, winter), own in groups.items() if any(v.number for v in own)]
    index = pd.Index([f"{row['female']}/{row['winter']}" for row in rows], name="litter", dtype=object)
    return pd.DataFrame(rows, columns=list(COLUMNS), index=index).astype({"gradient": float})


def without_cubs(cubs: pd.DataFrame, handlings: pd.DataFrame) -> tuple[int, int]:
    """Count females that are no litters: handled, but without cubs, or without a word about cubs.

    Parameters
    ----------
    cubs, handlings : DataFrame
        As for :func:`litters_of`.

    Returns
    -------
    tuple of int
        Female-winters with a count of 0 and no cub, and those with neither count nor cub.
    """
    found = _visits(cubs, handlings, pd.DataFrame(), None)
    groups: dict[tuple[str, int], list[_Visit]] = {}
    for visit in found:
        groups.setdefault((visit.female, winter_of(visit.date)), []).append(visit)
    empty = [any(v.counted for v in own) for own in groups.values() if not any(v.number for v in own)]
    return sum(empty), len(empty) - sum(empty)


def _visits(
    cubs: pd.DataFrame, handlings: pd.DataFrame, dens: pd.DataFrame, visits: pd.DataFrame | None
) -> list[_Visit]:
    """Return what each visit saw of each litter."""
    found: dict[tuple[str, dt.date, str], _Visit] = {}
    mothers = _Mothers.of(cubs, handlings, visits)
    for row in cubs.to_dict("records"):
        female, remark = mothers.of_cub(row)
        visit = _visit(found, female, row, _text(row["den_label"]))
        visit.remark = visit.remark or remark
        visit.cubs.append(_Cub(_text(row["cub_id"]) or _text(row["transponder"]), _text(row["sex"]),
                               row["dead"] == "yes"))  # fmt: skip
    for row in handlings.to_dict("records"):
        female = _text(row["animal"])
        visit = _visit(found, female, row, _den_of(row, found, dens, visits))
        if not pd.isna(row["cubs_counted"]):
            visit.counted.append(round(row["cubs_counted"]))
    return list(found.values())


def _visit(found: dict[tuple[str, dt.date, str], _Visit], female: str, row: Mapping[Any, Any], den: str) -> _Visit:
    """Return the visit to a female's den on a day, a new one where there is none yet."""
    key = (female, row["date"], den.casefold())
    visit = found.setdefault(key, _Visit(female, den, _text(row["den_id"]), row["date"]))
    visit.den_id = visit.den_id or _text(row["den_id"])
    return visit


def _den_of(
    row: Mapping[Any, Any], found: Mapping[Any, _Visit], dens: pd.DataFrame, visits: pd.DataFrame | None
) -> str:
    """Return the den of a handling: its own, that of her cubs on that day, that of the visit on that day."""
    if own := _text(row["den_label"]):
        return own
    female, date = _text(row["animal"]), row["date"]
    if theirs := {v.den for v in found.values() if v.female == female and v.date == date}:
        return sorted(theirs)[0]
    if visits is None or "label" not in dens:
        return ""
    same = (visits["female"] == female) & (visits["observed_on"].astype(str).str[:10] == date.isoformat())
    labels = [str(dens.at[den, "label"]) for den in visits.loc[same, "den_id"] if den in dens.index]
    return labels[0] if labels else ""


@dataclass(frozen=True, slots=True)
class _Mothers:
    """Females named at each den on each day: by cub rows, by handlings, by visits."""

    named: tuple[tuple[str, Mapping[tuple[str, dt.date], set[str]]], ...]

    @classmethod
    def of(cls, cubs: pd.DataFrame, handlings: pd.DataFrame, visits: pd.DataFrame | None) -> _Mothers:
        """Gather who was named where and when."""
        rows = _named(cubs, "den_label", "date", "female")
        hands = _named(handlings, "den_label", "date", "animal")
        seen = {} if visits is None else _named(visits, "den_id", "observed_on", "female")
        return cls((("the litter's other rows", rows), ("the handling", hands), ("the den's visit", seen)))

    def of_cub(self, row: Mapping[Any, Any]) -> tuple[str, str]:
        """Return a cub's mother, and a remark where its own row does not name her."""
        if own := _text(row["female"]):
            return own, ""
        for (whence, named), place in zip(self.named, ("den_label", "den_label", "den_id"), strict=True):
            females = named.get((_text(row[place]).casefold(), row["date"]), set())
            if len(females) == 1:
                return next(iter(females)), f"mother taken from {whence}"
            if females:
                break  # two females at one den on one day: guessing would join the wrong ones
        return f"unknown-{_text(row['den_label'])}", "mother not known: counted as a female of her own"


def _named(frame: pd.DataFrame, place: str, day: str, female: str) -> dict[tuple[str, dt.date], set[str]]:
    """Return the females named at each place on each day."""
    named: dict[tuple[str, dt.date], set[str]] = {}
    for den, when, name in zip(frame[place], frame[day], frame[female], strict=True):
        if _text(name) and _text(den) and not pd.isna(when):
            date = when if isinstance(when, dt.date) else dt.date.fromisoformat(str(when)[:10])
            named.setdefault((_text(den).casefold(), date), set()).add(_text(name))
    return named


def _litter(winter: int, visits: list[_Visit], dens: pd.DataFrame) -> dict[str, Any]:
    """Return one litter from all visits that saw it, in order of day."""
    most = max(visits, key=lambda v: (v.number, len(v.cubs)))
    told = {cub.name for v in visits for cub in v.cubs if cub.name}
    cubs = max(most.number, len(told))
    males, females, twofold = _sexes(visits, cubs)
    dead = min(_dead(visits), cubs)
    first = next((v for v in visits if v.number), visits[0])
    return {
        **_den(first, dens), "female": first.female, "female_known": not first.female.startswith("unknown-"),
        "winter": winter, "first_seen": first.date, "visits": len({v.date for v in visits}), "counted_on": most.date,
        "cubs": cubs, "dead": dead, "alive": cubs - dead, "male_cubs": males, "female_cubs": females,
        "unsexed_cubs": cubs - males - females,
        "remarks": "; ".join(dict.fromkeys(_remarks(visits, cubs, len(told), twofold))),
    }  # fmt: skip


def _den(visit: _Visit, dens: pd.DataFrame) -> dict[str, Any]:
    """Return the den of a visit with what is known of it."""
    known = visit.den_id if visit.den_id in dens.index else ""
    if not known and "label" in dens and visit.den:
        known = next(iter(dens.index[dens["label"].astype(str).str.casefold() == visit.den.casefold()]), "")
    row: Any = dens.loc[known] if known else {}
    words = {name: _text(row.get(name)) or None for name in ("den_type", "landscape_class")}
    gradient = row.get("gradient")
    label = visit.den or _text(row.get("label")) or None
    place = np.nan if gradient is None or pd.isna(gradient) else float(gradient)
    return {"den_id": known or visit.den_id or None, "den_label": label, **words, "gradient": place}


def _sexes(visits: Iterable[_Visit], cubs: int) -> tuple[int, int, list[str]]:
    """Return males and females, from the visit that sexed most and cubs known by id on others; ids of two sexes."""
    best = max(visits, key=lambda v: v.sexed)
    seen: dict[str, set[str]] = {}
    for visit in visits:
        for cub in visit.cubs:
            if cub.name and cub.sex in ("male", "female"):
                seen.setdefault(cub.name, set()).add(cub.sex)
    twofold = [name for name, sexes in seen.items() if len(sexes) > 1]
    there = {cub.name for cub in best.cubs if cub.name}
    known = {name: next(iter(sexes)) for name, sexes in seen.items() if len(sexes) == 1}
    sexes = [cub.sex for cub in best.cubs if not cub.name and cub.sex in ("male", "female")]
    sexes += [known[name] for name in sorted(known, key=lambda name: name not in there)]
    told = sexes[: max(cubs - len(twofold), 0)]
    return told.count("male"), told.count("female"), twofold


def _dead(visits: Iterable[_Visit]) -> int:
    """Return dead cubs: those known by id over all visits, or the most on one visit."""
    named = {cub.name for v in visits for cub in v.cubs if cub.dead and cub.name}
    return max(len(named), *(sum(cub.dead for cub in v.cubs) for v in visits))


def _remarks(visits: Sequence[_Visit], cubs: int, told: int, twofold: list[str]) -> Iterator[str]:
    """Yield what a person should know about how a litter was counted."""
    yield from (v.remark for v in visits if v.remark)
    for visit in visits:
        for counted in visit.counted:
            if visit.cubs and counted != len(visit.cubs):
                yield f"{visit.date}: {counted} counted, {len(visit.cubs)} with a row; the larger is used"
    numbers = [(v.date, v.number) for v in visits if v.cubs or v.counted]
    if len({number for _, number in numbers}) > 1:
        counts = ", ".join(f"{number} on {date}" for date, number in numbers)
        yield f"counts of the visits differ ({counts}); the largest is used"
    if told == cubs and told > max(number for _, number in numbers):
        yield f"{told} cubs are known by id over the visits, more than any visit counted"
    if len(labels := list(dict.fromkeys(v.den for v in visits if v.den))) > 1:
        yield f"seen in the dens {', '.join(labels)}; the first one counts"
    yield from (f"{name} has two sexes: counted as unsexed" for name in twofold)


def _text(value: Any) -> str:
    """Return text, empty where it is missing."""
    return "" if value is None or pd.isna(value) else str(value).strip()


@dataclass(frozen=True, slots=True)
class LitterTable:
    """Litter size and sex ratio by den type, landscape class and winter.

    Attributes
    ----------
    frame : DataFrame
        One row a group: ``by``, ``group``, ``litters``, ``females`` (mothers), ``cubs``; ``mean``, ``lower``,
        ``upper`` of the litter size [cubs] and ``why`` there is no interval; ``of_1`` to ``of_5_or_more`` [litters];
        ``male_cubs``, ``female_cubs``, ``unsexed_cubs``; ``male_share``, ``share_lower``, ``share_upper`` [1] and
        ``share_why``.
    tests : DataFrame
        Differences between classes and types and the trend along the gradient, with ``TESTED`` columns.
    method : str
        How intervals are made.
    notes : tuple of str
        What must be known to use the numbers.
    confidence : float
        Confidence level. [1]
    """

    frame: pd.DataFrame
    tests: pd.DataFrame
    method: str
    notes: tuple[str, ...]
    confidence: float


def litter_table(
    litters: pd.DataFrame, *, types: Sequence[str], classes: Sequence[str], gradient_name: str = "gradient",
    chance: Chance | None = None, no_litters: tuple[int, int] = (0, 0),
) -> LitterTable:  # fmt: skip
    """Tell litter size and sex ratio of all litters, by den type, landscape class and winter.

    Parameters
    ----------
    litters : DataFrame
        From :func:`litters_of`.
    types, classes : sequence of str
        Den types and landscape classes in the order of the table.
    gradient_name : str
        What the gradient measures.
    chance : Chance, optional
        Seed, permutations and confidence level.
    no_litters : tuple of int
        Female-winters without cubs and without a count, from :func:`without_cubs`.

    Returns
    -------
    LitterTable
        Females are the unit of proof: a female's litters hang together.

    Raises
    ------
    StatisticsError
        There are no litters.
    """
    if litters.empty:
        raise StatisticsError("there are no litters: no cub has a row and no handling counts cubs")
    chosen = chance or Chance()
    rows = [
        _row(by, name, group, chosen.confidence)
        for by, name, group in groups(litters, types=types, classes=classes)
    ]  # fmt: skip
    tests = [*_tests(litters, types, classes, chosen), _slope(litters, gradient_name, chosen)]
    return LitterTable(
        pd.DataFrame(rows), pd.DataFrame(tests, columns=list(TESTED)), METHOD, _notes(litters, no_litters),
        chosen.confidence,
    )  # fmt: skip


def groups(
    litters: pd.DataFrame, *, types: Sequence[str] = (), classes: Sequence[str] = ()
) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Yield litters in groups: all, then by den type, landscape class and winter.

    Parameters
    ----------
    litters : DataFrame
        With ``den_type``, ``landscape_class`` and ``winter``.
    types, classes : sequence of str
        Order of types and classes; others that occur follow, and blank ones come last.

    Yields
    ------
    tuple of str, str and DataFrame
        What the group is by, its name, its litters; groups without litters are left out.
    """
    yield ALL_LITTERS, ALL_LITTERS, litters
    for by, order, blank in (("den type", types, NOT_RECORDED), ("landscape class", classes, NO_CLASS)):
        words = litters[BY[by]].map(_text).replace("", blank)
        others = sorted(set(words) - {*order, blank})
        yield from ((by, name, litters[words == name]) for name in (*order, *others, blank) if (words == name).any())
    yield from (("winter", str(winter), own) for winter, own in litters.groupby("winter", sort=True))


def _row(by: str, name: str, group: pd.DataFrame, confidence: float) -> dict[str, Any]:
    """Return one row of the table."""
    females = Females.of(group["female"])
    size = group["cubs"].to_numpy(np.float64)
    mean, lower, upper, why = mean_over_females(size, females, confidence=confidence)
    listed = np.minimum(size, MOST_LISTED)
    names = [*(f"of_{number}" for number in range(1, MOST_LISTED)), f"of_{MOST_LISTED}_or_more"]
    sums = {column: int(group[column].sum()) for column in ("cubs", "male_cubs", "female_cubs", "unsexed_cubs")}
    return {
        "by": by, "group": name, "litters": len(group), "females": females.count, "mean": mean,
        "lower": max(lower, 1.0) if np.isfinite(lower) else lower, "upper": upper, "why": why,
        **{column: int((listed == number).sum()) for number, column in enumerate(names, 1)}, **sums,
        **_share(group, females, confidence),
    }  # fmt: skip


def mean_over_females(values: Floats, females: Females, *, confidence: float) -> tuple[float, float, float, str]:
    """Return a mean over litters, its limits from leaving out females, and why there are none.

    Parameters
    ----------
    values : ndarray, shape (n,)
        A number at each litter.
    females : Females
        Whose each litter is.
    confidence : float
        Confidence level. [1]

    Returns
    -------
    tuple
        Mean, lower and upper limit (NaN without interval), reason.
    """
    told = class_mean(values, females, np.ones(len(values), dtype=bool))
    if told is None:
        raise StatisticsError("a mean needs at least one litter")
    why = few_females(females)
    limits = None if why else mean_limits(told, confidence=confidence)
    if limits is None:
        return told.mean, np.nan, np.nan, why or "the litters do not differ, so their spread is not known"
    return told.mean, *limits, ""


def few_females(females: Females) -> str:
    """Say why there is no interval over so few females; '' where there can be one.

    Parameters
    ----------
    females : Females
        Whose each litter is.

    Returns
    -------
    str
    """
    if females.count >= LEAST_FEMALES:
        return ""
    whose = "1 female" if females.count == 1 else f"{females.count} females"
    return f"no interval: the litters are of {whose}; {LEAST_FEMALES} are needed"


def _share(group: pd.DataFrame, females: Females, confidence: float) -> dict[str, Any]:
    """Return the share of males among sexed cubs."""
    males = females.totals(group["male_cubs"])
    sexed = males + females.totals(group["female_cubs"])
    there = sexed > 0
    if not there.any():
        return {"male_share": np.nan, "share_lower": np.nan, "share_upper": np.nan, "share_why": "no cub was sexed"}
    told = clustered_share(males[there], sexed[there], confidence=confidence)
    if there.sum() < LEAST_FEMALES:
        why = f"no interval: cubs of {there.sum()} females were sexed; {LEAST_FEMALES} are needed"
        return {"male_share": told.share, "share_lower": np.nan, "share_upper": np.nan, "share_why": why}
    return {"male_share": told.share, "share_lower": told.lower, "share_upper": told.upper, "share_why": ""}


def _tests(
    litters: pd.DataFrame, types: Sequence[str], classes: Sequence[str], chance: Chance
) -> Iterator[dict[str, Any]]:
    """Yield how litter size differs among classes and among types, and each from the first one."""
    for by, order in (("landscape class", classes), ("den type", types)):
        words = litters[BY[by]].map(_text)
        names = [name for name in (*order, *sorted(set(words) - {*order, ""})) if (words == name).any()]
        placed = litters[words.isin(names)]
        klass = words[words.isin(names)].map(names.index).to_numpy(np.int64)
        size, females = placed["cubs"].to_numpy(np.float64), Females.of(placed["female"])
        yield permutation(size, klass, females, names=names, what=f"litter size among {plural(by)}", chance=chance)
        for number, name in enumerate(names[1:], 1):
            yield _difference(size, klass, females, number=number, where=f"{name} minus {names[0]}", chance=chance)


def permutation(
    values: Floats, klass: np.ndarray[Any, np.dtype[np.int64]], females: Females, *, names: Sequence[str], what: str,
    chance: Chance,
) -> dict[str, Any]:  # fmt: skip
    """Say how likely differences among classes as large as these are by chance between females.

    Parameters
    ----------
    values : ndarray, shape (n,)
        A number at each litter.
    klass : ndarray of int, shape (n,)
        Class of each litter, from 0.
    females : Females
        Whose each litter is.
    names : sequence of str
        Names of the classes.
    what : str
        What is compared among what.
    chance : Chance
        Seed and permutations.

    Returns
    -------
    dict
        A row of a table of tests, with ``why`` where there is no p.
    """
    row = tested(what, ", ".join(names), females, len(values))
    if len(names) < 2 or np.ptp(values) == 0 or females.count < LEAST_FEMALES:
        why = "fewer than two groups have litters" if len(names) < 2 else "all litters are alike"
        return row | {"why": few_females(females).replace("no interval", "no test") or why}
    observed, drawn = among_classes(
        values, klass, females, number=len(names), draws=chance.permutations, rng=chance.rng(what)
    )
    if np.ptp(np.append(drawn, observed)) < 1e-12:
        return row | {"why": "these females allow no other order"}
    rule = permutation_rule(klass, females).replace("dens", "litters")
    return row | {
        "estimate": observed, "p": permutation_p(observed, drawn), "source": PERMUTED,
        "method": f"share of the variance of ranks between groups; {rule}",
        "assumes": "without an effect, a female's litters depend neither on her group nor on how many she has",
    }  # fmt: skip


def _difference(
    size: Floats, klass: np.ndarray[Any, np.dtype[np.int64]], females: Females, *, number: int, where: str,
    chance: Chance,
) -> dict[str, Any]:  # fmt: skip
    """Say how the mean of one group differs from that of the first."""
    pair = np.isin(klass, (0, number))
    own = females.within(pair)
    first, second = (class_mean(size[pair], own, klass[pair] == group) for group in (number, 0))
    row = tested("difference in litter size", where, own, int(pair.sum())) | {"unit": "cubs"}
    if first is None or second is None:
        return row | {"why": "one of the groups has no litters"}
    row |= {"estimate": first.mean - second.mean, "method": "difference of means over litters"}
    if min(first.females, second.females) < LEAST_FEMALES:
        counts = f"{first.females} and {second.females} females"
        return row | {"why": f"no interval: the groups have {counts}; {LEAST_FEMALES} are needed in each"}
    limits = difference_limits(first, second, confidence=chance.confidence)
    if limits is None:
        return row | {"why": "no interval: the litters of a group do not differ"}
    return row | {
        "lower": limits[0], "upper": limits[1], "assumes": INDEPENDENT_FEMALES.replace("dens", "litters"),
        "source": WELCH_SOURCE,
    }  # fmt: skip


def _slope(litters: pd.DataFrame, gradient: str, chance: Chance) -> dict[str, Any]:
    """Say how litter size changes along the gradient."""
    placed = litters[litters["gradient"].notna()]
    size, x = (placed[name].to_numpy(np.float64) for name in ("cubs", "gradient"))
    females = Females.of(placed["female"])
    row = tested("slope of litter size", f"along {gradient}", females, len(placed))
    row |= {"unit": f"cubs per unit of {gradient}"}
    if females.count < LEAST_FEMALES or np.ptp(size) == 0 or np.ptp(x) == 0:
        why = "litters, or their places on the gradient, are all alike"
        return row | {"why": few_females(females).replace("no interval", "no slope") or why}
    whole, without = lines(x, size, females)
    limits = jackknife_interval(float(whole[1]), without[:, 1], confidence=chance.confidence)
    observed, drawn = along_gradient(x, size, females, draws=chance.permutations, rng=chance.rng("litter size slope"))
    row |= {
        "estimate": float(whole[1]), "p": permutation_p(observed, drawn), "source": f"{JACKKNIFE}; {PERMUTED}",
        "method": "least-squares line over litters; p with places on the gradient dealt out anew among females",
        "assumes": INDEPENDENT_FEMALES.replace("dens", "litters"),
    }  # fmt: skip
    if limits is None:
        return row | {"why": "no interval: without one of the females the gradient does not vary"}
    return row | {"lower": limits[0], "upper": limits[1]}


def tested(what: str, where: str, females: Females, litters: int) -> dict[str, Any]:
    """Return an empty row of a table of tests.

    Parameters
    ----------
    what, where : str
        What is compared, and between what.
    females : Females
        Whose each litter is.
    litters : int
        How many.

    Returns
    -------
    dict
        ``TESTED`` columns.
    """
    blank = dict.fromkeys(TESTED, "") | dict.fromkeys(("estimate", "lower", "upper", "p"), np.nan)
    return blank | {"what": what, "where": where, "litters": litters, "females": females.count}


def plural(by: str) -> str:
    """Return 'landscape classes' for 'landscape class'."""
    return f"{by}es" if by.endswith("s") else f"{by}s"


def _notes(litters: pd.DataFrame, no_litters: tuple[int, int]) -> tuple[str, ...]:
    """Tell in sentences what the numbers hold and what they do not."""
    empty, untold = no_litters
    unknown = int((~litters["female_known"].astype(bool)).sum())
    conflicts = int(litters["remarks"].str.contains("is used", regex=False).sum())
    notes = [NOT_BORN]
    if empty:
        notes.append(f"Females with a count of 0 cubs in a winter: {empty}. They are no litters of size 0 and in no "
                     "mean: the table tells nothing about how many females have cubs.")  # fmt: skip
    if untold:
        notes.append(f"Animals handled without a word about cubs in a winter: {untold}. If some had cubs, their "
                     "litters are missing; write cubs_counted for females, 0 too.")  # fmt: skip
    if unknown:
        notes.append(f"Litters without a known mother: {unknown}. Each stands for a female of her own.")
    if conflicts:
        notes.append(f"{conflicts} litters have counts that do not agree; the largest is used, their remarks say so.")
    published = "; ".join(f"{value} ({source})" for value, source in PUBLISHED)
    return (*notes, SHARED_WINTERS, f"Published mean litter sizes, to hold against and not to judge by: {published}.")


WELCH_SOURCE = f"Welch 1947, Biometrika 34: 28-35, doi:10.1093/biomet/34.1-2.28; {JACKKNIFE}"
