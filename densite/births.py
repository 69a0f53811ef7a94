"""Birth dates of litters: by landscape class and winter, with what the calibration does not know."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from densite.compare.entries import JACKKNIFE
from densite.compare.leaveout import ClassMean, class_mean, total_sd, welch_degrees
from densite.compare.resample import LEAST_FEMALES, Chance, Females, Floats, Ints
from densite.errors import StatisticsError
from densite.litters import TESTED, WELCH_SOURCE, few_females, groups, permutation, tested
from densite.records import winter_of

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
QUANTILES = (10, 50, 90)
ANY_WINTER = 2001  # has no leap day
LEAP_DAY = 59  # days from 1 January, from which the calendars of leap years and others part
DRAWS = 4000  # of mean and spread, for the interval of a chance

LITTER_COLUMNS = (
    "female", "winter", "landscape_class", "den_type", "gradient", "visited_on", "day", "se_d", "known", "lower_d",
    "upper_d", "place", "remarks",
)  # fmt: skip

METHOD = (
    "Means are over litters. Their intervals hold two uncertainties: females differ (leaving out one at a time, t "
    "with females - 1 degrees of freedom), and the calibration that gives ages is itself estimated; the error that "
    "comes from there is shared by all litters and does not get smaller with more of them."
)
TRUE_SPREAD = (
    "The spread of true birth dates is that of the estimates with their own errors taken out (variance found, less the "
    "mean of the squared standard errors, plus the mean of the errors' shared part); the first and last estimate lie "
    "further apart than the first and last birth, since each errs."
)
CALIBRATED = (
    "Errors of ages are taken as independent of the true ages, which holds where the calibration's cubs were of a "
    "wider range of ages than the study's at their visits. A calibration from a narrow range draws estimates to its "
    "middle, and the true spread is larger than told."
)
NORMAL = (
    "The dates by which 10, 50 and 90 % of litters are born assume a normal distribution of true birth dates. In our "
    "simulated studies without winters of their own, 95 % intervals of the spread held the truth in 91 to 96 of 100 (6 "
    "to 40 females), those of the dates of 10 and 90 % in 89 to 94 (8 to 25 females): a little too narrow."
)
ONE_WINTER = (
    "Litters of one winter may be early or late together, which intervals over females hold only in part: means are "
    "those of the winters that were seen, and a winter to come may lie outside them."
)
ALIKE = "no interval: the birth dates do not differ, so their spread is not known"
UNTOLD = "no interval: the errors of the estimated ages are not told (a calibration without covariance or residual)"
SAME_AGES = (
    "classes were visited at about the same ages of the cubs (else an error in the calibration's slope looks like a "
    "difference in birth dates)"
)


class LitterBirths(Protocol):
    """What :func:`densite.cubs.litter_births` returns."""

    @property
    def frame(self) -> pd.DataFrame:
        """One row a litter on a visit: den_label, date, female, age_d, se_d [d], born_on, reason, known."""

    @property
    def shared(self) -> NDArray[np.float64]:
        """Covariance of the ages' errors that comes from the calibration's coefficients (n, n). [d2]"""


@dataclass(frozen=True, slots=True)
class _Births:
    """Litters with a birth date: ``day`` counted from 1 January, ``variance`` of its error, NaN if not told [d2]."""

    day: Floats
    variance: Floats
    shared: Floats
    females: Females

    @property
    def untold(self) -> str:
        """Say why there is no interval where errors of the estimates are not told; '' where they are."""
        return UNTOLD if np.isnan(self.variance).any() else ""

    def at(self, chosen: NDArray[np.bool_]) -> _Births:
        """Return some of the litters."""
        shared = self.shared[np.ix_(chosen, chosen)]
        return _Births(self.day[chosen], self.variance[chosen], shared, self.females.within(chosen))


@dataclass(frozen=True, slots=True)
class BirthDistribution:
    """How true birth dates of litters are distributed, and how well that is known.

    ``mean_day`` counts from 1 January (0), negative before it [d]; ``sd_d`` is the spread of true birth
    dates [d], NaN where it cannot be told; ``mean_without`` and ``sd_without`` (f,) are the same without each
    female; ``shared`` (2, 2) is what the calibration adds to the covariance of the mean [d] and log ``sd_d``;
    ``untold`` why there can be no interval.
    """

    mean_day: float
    sd_d: float
    mean_without: Floats
    sd_without: Floats
    shared: Floats
    litters: int
    females: int
    winters: tuple[int, ...]
    untold: str = ""


@dataclass(frozen=True, slots=True)
class AgeChance:
    """Chance that the cubs of a litter are of a certain age on a day, with its interval; ``why`` there is none."""

    chance: float
    lower: float
    upper: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class BirthTable:
    """Birth dates by landscape class and winter.

    Attributes
    ----------
    frame : DataFrame
        One row a group: ``by``, ``group``, ``litters``, ``females``, ``known`` [litters]; ``mean``, ``lower``,
        ``upper``, ``median``, ``first``, ``last`` as days from 1 January (0; December is negative); ``shared_se``, the
        calibration's part of the mean's standard error [d]; ``sd`` of true birth dates with ``sd_lower``,
        ``sd_upper`` and the ``sd_estimated`` of the estimates [d]; ``q10``, ``q50``, ``q90`` of the true ones, each
        with ``_lower`` and ``_upper``; ``why`` and ``sd_why``.
    tests : DataFrame
        Differences between classes, as found and between litters of the same winter; shifts of winters.
    litters : DataFrame
        One row a litter with a birth date.
    method : str
        How intervals are made.
    notes : tuple of str
        What must be known to use the numbers.
    ages_from : str
        The calibration in words, and whether it is invented.
    distribution : BirthDistribution
        Of all litters, for :func:`chance_of_age`.
    confidence : float
        Confidence level. [1]
    """

    frame: pd.DataFrame
    tests: pd.DataFrame
    litters: pd.DataFrame
    method: str
    notes: tuple[str, ...]
    ages_from: str
    distribution: BirthDistribution
    confidence: float


def winter_day(day: dt.date) -> int:
    """Return the days from 1 January of a day's winter: 0 on it, negative before.

    Parameters
    ----------
    day : date
        Any day; July to December count to the winter that follows.

    Returns
    -------
    int
        Days. [d]
    """
    return (day - dt.date(winter_of(day), 1, 1)).days


def shown(day: float, *, winter: int = ANY_WINTER) -> str:
    """Write a day counted from 1 January as ``22 Jan``; '' where it is missing.

    Parameters
    ----------
    day : float
        Days from 1 January; rounded. [d]
    winter : int
        Winter of the day. Unless given, a year without a leap day is shown: over several winters the day after
        28 February reads as 1 March.

    Returns
    -------
    str
    """
    if not math.isfinite(day):
        return ""
    date = dt.date(winter, 1, 1) + dt.timedelta(days=math.floor(day + 0.5))
    return f"{date.day} {MONTHS[date.month - 1]}"


def births_of_litters(births: LitterBirths, litters: pd.DataFrame) -> pd.DataFrame:
    """Return one birth date a litter, from all visits to it.

    Parameters
    ----------
    births : LitterBirths
        From :func:`densite.cubs.litter_births`: one row a litter on a visit.
    litters : DataFrame
        From :func:`densite.litters.litters_of`.

    Returns
    -------
    DataFrame
        Indexed by litter, with ``LITTER_COLUMNS``: ``day`` of birth from 1 January, its standard error ``se_d`` (0
        where the date is known) [d], ``lower_d`` and ``upper_d`` as days from 1 January, ``place`` of its row in
        ``births``. A known date goes before an estimate, of several estimates the one with the least standard error:
        their errors hang together (the same cubs), so they are not averaged.
    """
    rows = [row for row in _dated(births, litters) if math.isfinite(row["day"])]
    found = pd.DataFrame(rows, columns=["litter", *LITTER_COLUMNS])
    found = found.sort_values(["known", "se_d"], ascending=[False, True], kind="stable")
    best = found.drop_duplicates("litter").set_index("litter")
    spread = found.groupby("litter").agg(latest=("lower_d", "max"), earliest=("upper_d", "min"))
    apart = spread.index[spread["latest"] > spread["earliest"]]
    best.loc[best.index.isin(apart), "remarks"] = "birth dates from several visits do not agree; the surest is used"
    return best.reindex(litters.index[litters.index.isin(best.index)])


def _dated(births: LitterBirths, litters: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Yield each visit's birth date with its litter."""
    frame = births.frame if "den_label" in births.frame else births.frame.reset_index()
    key = dict(zip(zip(litters["female"], litters["winter"], strict=True), litters.index, strict=True))
    alone = {(den, winter): litter for den, winter, litter in _by_den(litters)}
    for place, row in enumerate(frame.to_dict("records")):
        date, winter = row["date"], winter_of(row["date"])
        litter = key.get((row["female"], winter)) or alone.get((str(row["den_label"]).casefold(), winter))
        if litter is None or pd.isna(row["age_d"]):
            continue
        start, known = winter_day(date), bool(row["known"])
        told = {name: litters.at[litter, name] for name in ("female", "winter", "landscape_class", "den_type")}
        ends = {name: start - float(row[of]) for name, of in (("lower_d", "upper_d"), ("upper_d", "lower_d"))}
        yield told | ends | {
            "litter": litter, "gradient": litters.at[litter, "gradient"], "visited_on": date, "known": known,
            "day": start - float(row["age_d"]), "se_d": 0.0 if known else float(row["se_d"]),
            "place": place, "remarks": "",
        }  # fmt: skip


def _by_den(litters: pd.DataFrame) -> Iterator[tuple[str, int, str]]:
    """Yield dens with one litter in a winter: births without a female's name are found by them."""
    dens = litters[litters["den_label"].notna()]
    label = dens["den_label"].astype(str).str.casefold()
    single = ~pd.DataFrame({"den": label, "winter": dens["winter"]}).duplicated(keep=False)
    yield from zip(label[single], dens["winter"][single], dens.index[single], strict=True)


def birth_dates(
    births: LitterBirths, litters: pd.DataFrame, *, classes: Sequence[str], chance: Chance | None = None,
    ages_from: str = "",
) -> BirthTable:  # fmt: skip
    """Tell when litters were born, by landscape class and winter.

    Parameters
    ----------
    births : LitterBirths
        From :func:`densite.cubs.litter_births`.
    litters : DataFrame
        From :func:`densite.litters.litters_of`.
    classes : sequence of str
        Landscape classes in the order of the table.
    chance : Chance, optional
        Seed, permutations and confidence level.
    ages_from : str
        The calibration in words, and whether it is invented.

    Returns
    -------
    BirthTable

    Raises
    ------
    StatisticsError
        No litter has a birth date.

    Notes
    -----
    With w the weights by which a statistic takes up the litters' dates and S the shared covariance, its variance is
    the jackknife's over females plus w'Sw: the jackknife sees what differs between litters, their own errors
    included, but not an error that moves all of them. Degrees of freedom are those of the females, since the
    calibration's covariance rests on few litters too. Source of the jackknife: MacKinnon, Nielsen & Webb 2023,
    J. Appl. Econometrics 38: 671-694, doi:10.1002/jae.2969.
    """
    chosen = chance or Chance()
    dated = births_of_litters(births, litters)
    if dated.empty:
        raise StatisticsError(
            "no litter has a birth date: no cub has an age or a known birth date; an age needs a calibration, and the "
            "measurements with the landmarks that it names"
        )
    unsure = dated["se_d"].isna()
    data = _data(dated, births)
    rows = [
        _row(by, name, data.at(dated.index.isin(group.index)), group, chosen.confidence)
        for by, name, group in groups(dated, classes=classes) if by != "den type"
    ]  # fmt: skip
    tests = [*_between_classes(dated, data, classes, chosen), *_winters(dated, data, chosen)]
    return BirthTable(
        pd.DataFrame(rows), pd.DataFrame(tests, columns=list(TESTED)), dated, METHOD,
        _notes(dated, litters, births, int(unsure.sum())), ages_from, distribution_of(dated, births), chosen.confidence,
    )  # fmt: skip


def _data(dated: pd.DataFrame, births: LitterBirths) -> _Births:
    """Return days and errors as arrays; a known date has none."""
    place, known = dated["place"].to_numpy(np.int64), dated["known"].to_numpy(bool)
    shared = np.array(births.shared, dtype=np.float64)[np.ix_(place, place)]
    shared[known] = 0.0
    shared[:, known] = 0.0
    variance = dated["se_d"].to_numpy(np.float64) ** 2
    return _Births(dated["day"].to_numpy(np.float64), variance, shared, Females.of(dated["female"]))


def _row(by: str, name: str, data: _Births, group: pd.DataFrame, confidence: float) -> dict[str, Any]:
    """Return one row of the table."""
    told = _mean(data)
    why = few_females(data.females) or data.untold or ("" if told.variance > 0 else ALIKE)
    shared = _shared(data.shared, np.ones(len(data.day)))
    half = math.nan if why else _half(told.variance + shared, data.females.count - 1, confidence)
    return {
        "by": by, "group": name, "litters": len(data.day), "females": data.females.count,
        "known": int(group["known"].sum()), "mean": told.mean, "lower": told.mean - half, "upper": told.mean + half,
        "shared_se": math.sqrt(shared), "median": float(np.median(data.day)), "first": data.day.min(),
        "last": data.day.max(), "why": why, **_spread(data, confidence),
    }  # fmt: skip


def _mean(data: _Births) -> ClassMean:
    """Return the mean day, and its change without each female."""
    told = class_mean(data.day, data.females, np.ones(len(data.day), dtype=bool))
    if told is None:
        raise StatisticsError("a mean needs at least one litter")
    return told


def _shared(shared: Floats, weights: Floats) -> float:
    """Return the variance of a weighted mean that comes from the calibration. [d2]"""
    share = weights / weights.sum()
    return max(float(share @ shared @ share), 0.0)


def _half(variance: float, degrees: float, confidence: float) -> float:
    """Return half the width of an interval. [d]"""
    return float(stats.t.ppf(0.5 + confidence / 2, degrees) * math.sqrt(variance))


def _spread(data: _Births, confidence: float) -> dict[str, Any]:
    """Return the spread of true birth dates and quantiles of their distribution."""
    ends = (f"q{q}{end}" for q in QUANTILES for end in ("", "_lower", "_upper"))
    blank = dict.fromkeys(("sd", "sd_lower", "sd_upper", "sd_estimated", *ends), math.nan)
    if len(data.day) < 3 or data.females.count < 2:
        return blank | {"sd_why": "too few litters for a spread"}
    found, without = _found_sd(data)
    errors = _error_variance(data)
    variance = found**2 - errors
    enough = data.females.count >= LEAST_FEMALES and not data.untold
    low, high = _sd_limits(data, found, without, confidence) if enough else (math.nan, math.nan)
    told = {"sd_estimated": found, "sd_lower": low, "sd_upper": high}
    if variance <= 0:
        why = "the estimates lie no further apart than their own errors would put them: the true spread is not told"
        return blank | told | {"sd": 0.0, "sd_why": why}
    sd = math.sqrt(variance)
    quantiles = {name: day for q in QUANTILES for name, day in _quantile(data, q, confidence).items()}
    return blank | told | quantiles | {"sd": sd, "sd_why": few_females(data.females) or data.untold}


def _quantile(data: _Births, percent: int, confidence: float) -> dict[str, float]:
    """Return the day by which so many litters are born, with limits over females and calibrations. [d]

    It is m + z s, m the mean and s the true spread; its variance is the jackknife's over females and, by the delta
    method, what the calibration adds to m and log s.
    """
    told, z = _distribution(data, ()), float(stats.norm.ppf(percent / 100))
    day = told.mean_day + z * told.sd_d
    off, pull = told.mean_without + z * told.sd_without - day, np.array([1.0, z * told.sd_d])
    count = told.females
    variance = (count - 1) / count * float(off @ off) + max(float(pull @ told.shared @ pull), 0.0)
    enough = count >= LEAST_FEMALES and math.isfinite(variance) and not data.untold
    half = _half(variance, count - 1, confidence) if enough else math.nan
    return {f"q{percent}": day, f"q{percent}_lower": day - half, f"q{percent}_upper": day + half}


def _found_sd(data: _Births) -> tuple[float, Floats]:
    """Return the spread of the estimates between and within females, and the same without each female. [d]"""
    sd, without = total_sd(data.day, np.zeros(len(data.day), dtype=np.int64), data.females, number=1)
    return (sd if math.isfinite(sd) else float(np.std(data.day, ddof=1))), without


def _error_variance(data: _Births) -> float:
    """Return the part of the estimates' variance that their errors make. [d2]

    With C the covariance of the errors, the expected variance of n of them about their mean is the mean of its
    diagonal less the mean of what stands beside it.
    """
    n = len(data.day)
    beside = (data.shared.sum() - np.trace(data.shared)) / (n * (n - 1))
    return float(np.nan_to_num(data.variance).mean() - beside)


def _pull(data: _Births) -> Floats:
    """Return by how much each litter's day pulls the variance of the estimates (n,). [d]"""
    pull: Floats = 2 * (data.day - data.day.mean()) / (len(data.day) - 1)
    return pull


def _sd_limits(data: _Births, found: float, without: Floats, confidence: float) -> tuple[float, float]:
    """Return limits of the true spread: those of the estimates' variance on the log scale, less their errors. [d]

    An error in the calibration's slope stretches all estimates alike, which leaving out females does not show.
    """
    if not (np.isfinite(without).all() and without.min() > 0 and found > 0):
        return math.nan, math.nan
    count, pull = len(without), _pull(data)
    variance = (count - 1) / count * float(np.sum((2 * np.log(without / found)) ** 2))
    variance += float(pull @ data.shared @ pull) / found**4
    half = _half(variance, count - 1, confidence)
    errors = _error_variance(data)
    low, high = (math.sqrt(max(found**2 * math.exp(end) - errors, 0.0)) for end in (-half, half))
    return low, high


def distribution_of(dated: pd.DataFrame, births: LitterBirths) -> BirthDistribution:
    """Return how true birth dates of some litters are distributed.

    Parameters
    ----------
    dated : DataFrame
        Rows of :func:`births_of_litters`, all or those of one class.
    births : LitterBirths
        From which they are.

    Returns
    -------
    BirthDistribution
    """
    winters = tuple(sorted({int(winter) for winter in dated["winter"]}))
    return _distribution(_data(dated, births), winters)


def _distribution(data: _Births, winters: tuple[int, ...]) -> BirthDistribution:
    """Return how true birth dates are distributed, and the same without each female."""
    total, size = data.females.totals(data.day), data.females.sizes
    with np.errstate(divide="ignore", invalid="ignore"):  # a single female leaves nothing
        mean_without = (total.sum() - total) / (size.sum() - size)
    if len(data.day) < 3 or data.females.count < 2:
        found, without, errors = math.nan, np.full(data.females.count, np.nan), 0.0
    else:
        (found, without), errors = _found_sd(data), _error_variance(data)
    with np.errstate(invalid="ignore", divide="ignore"):  # no spread is told where errors explain it all
        sds = np.sqrt(np.append(found, without) ** 2 - errors)
        weights = np.stack([np.full(len(data.day), 1 / len(data.day)), _pull(data) / (2 * sds[0] ** 2)])
        shared = weights @ data.shared @ weights.T
    return BirthDistribution(
        float(data.day.mean()),
        float(sds[0]),
        mean_without,
        sds[1:],
        shared,
        len(data.day),
        data.females.count,
        winters,
        data.untold,
    )


def chance_of_age(
    day: dt.date | float, distribution: BirthDistribution, low_d: float, high_d: float, *, chance: Chance | None = None
) -> AgeChance:
    """Return the chance that the cubs of a litter are between two ages on a day.

    Parameters
    ----------
    day : date or float
        Day of the visit, as a date or counted from 1 January. [d]
    distribution : BirthDistribution
        Of true birth dates.
    low_d, high_d : float
        Least and largest age. [d]
    chance : Chance, optional
        Seed and confidence level.

    Returns
    -------
    AgeChance
        Chance and limits [1]. It is that of a litter drawn from all winters of the distribution; a winter to come may
        be early or late as a whole.

    Raises
    ------
    StatisticsError
        The window is empty.

    Notes
    -----
    P = F((t - low - m) / s) - F((t - high - m) / s), F the normal distribution. Limits are percentiles of P under
    draws of m and log s from a multivariate t with females - 1 degrees of freedom, its scale the jackknife's over
    females plus the calibration's variance of m.
    """
    if not low_d < high_d:
        raise StatisticsError(f"ages of {low_d:g} to {high_d:g} days: the first must be the smaller one")
    if not distribution.sd_d > 0:
        return AgeChance(math.nan, math.nan, math.nan, "the spread of true birth dates is not told")
    at = float(winter_day(day)) if isinstance(day, dt.date) else float(day)

    def share(mean: Any, sd: Any) -> Any:
        return stats.norm.cdf((at - low_d - mean) / sd) - stats.norm.cdf((at - high_d - mean) / sd)

    told = float(share(distribution.mean_day, distribution.sd_d))
    if distribution.females < LEAST_FEMALES or not (distribution.sd_without > 0).all():
        why = f"no interval: birth dates of {distribution.females} females; more, or a clearer spread, are needed"
        return AgeChance(told, math.nan, math.nan, why)
    if distribution.untold:
        return AgeChance(told, math.nan, math.nan, distribution.untold)
    chosen = chance or Chance()
    mean, log_sd = _drawn(distribution, chosen.rng("chance of age"))
    tail = 0.5 - chosen.confidence / 2
    lower, upper = np.quantile(share(mean, np.exp(log_sd)), [tail, 1 - tail])
    return AgeChance(told, float(lower), float(upper))


def _drawn(distribution: BirthDistribution, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Draw means and logarithms of spreads as far as they are known."""
    count = distribution.females
    centre = np.array([distribution.mean_day, math.log(distribution.sd_d)])
    off = np.column_stack([distribution.mean_without, np.log(distribution.sd_without)]) - centre
    covariance = (count - 1) / count * off.T @ off + distribution.shared
    normal = rng.multivariate_normal(np.zeros(2), covariance, size=DRAWS, method="eigh")
    stretched = normal * np.sqrt((count - 1) / rng.chisquare(count - 1, size=(DRAWS, 1)))
    return centre[0] + stretched[:, 0], centre[1] + stretched[:, 1]


def _between_classes(
    dated: pd.DataFrame, data: _Births, classes: Sequence[str], chance: Chance
) -> Iterator[dict[str, Any]]:
    """Yield the test among classes, and each class against the first: as found, and within winters."""
    words = dated["landscape_class"].fillna("").astype(str)
    names = [name for name in (*classes, *sorted(set(words) - {*classes, ""})) if (words == name).any()]
    placed = words.isin(names).to_numpy()
    klass: Ints = np.array([names.index(word) for word in words[placed]], dtype=np.int64)
    own, what = data.at(placed), "birth date among landscape classes"
    row = permutation(own.day, klass, own.females, names=names, what=what, chance=chance)
    yield row | {"assumes": "; ".join(part for part in (row["assumes"], SAME_AGES) if part)}
    winter = dated["winter"].to_numpy(np.int64)[placed]
    for number, name in enumerate(names[1:], 1):
        where = f"{name} minus {names[0]}"
        pair = np.isin(klass, (0, number))
        yield _difference(own.at(pair), klass[pair] == number, where, chance.confidence)
        yield _within_winters(own.at(pair), klass[pair] == number, winter[pair], where, chance.confidence)


def _difference(data: _Births, upper: NDArray[np.bool_], where: str, confidence: float) -> dict[str, Any]:
    """Say how the mean birth date of one class differs from that of another. [d]"""
    row = tested("difference in mean birth date", where, data.females, len(upper)) | {"unit": "d"}
    first, second = (class_mean(data.day, data.females, chosen) for chosen in (upper, ~upper))
    if first is None or second is None:
        return row | {"why": "one of the classes has no litter with a birth date"}
    told = first.mean - second.mean
    row |= {"estimate": told, "method": "difference of means over litters", "source": WELCH_SOURCE}
    if min(first.females, second.females) < LEAST_FEMALES:
        counts = f"{first.females} and {second.females} females"
        return row | {"why": f"no interval: the two groups have {counts}; {LEAST_FEMALES} are needed in each"}
    if data.untold:
        return row | {"why": data.untold}
    if min(first.variance, second.variance) <= 0:
        return row | {"why": "no interval: the birth dates of a group do not differ"}
    weights = upper / upper.sum() - ~upper / (~upper).sum()
    variance = float(np.sum((first.shift - second.shift) ** 2)) + float(weights @ data.shared @ weights)
    half = _half(variance, welch_degrees(first, second), confidence)
    return row | {"lower": told - half, "upper": told + half, "assumes": "females are independent of each other"}


def _within_winters(
    data: _Births, upper: NDArray[np.bool_], winter: NDArray[np.int64], where: str, confidence: float
) -> dict[str, Any]:
    """Say how two classes differ between litters of the same winter. [d]"""
    row = tested("difference in mean birth date within winters", where, data.females, len(upper)) | {"unit": "d"}
    winters = np.unique(winter)
    design = np.column_stack([upper, winter[:, None] == winters]).astype(np.float64)
    if len(winters) < 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return row | {"why": "the classes share no two winters in which both have litters"}
    weights = np.linalg.pinv(design)[0]
    told = float(weights @ data.day)
    row |= {"estimate": told, "method": "least squares with an effect of each winter", "source": JACKKNIFE}
    counts = [data.females.within(side).count for side in (upper, ~upper)]
    if min(counts) < LEAST_FEMALES:
        return row | {"why": f"no interval: the classes have {counts[0]} and {counts[1]} females; {LEAST_FEMALES} "
                      "are needed in each"}  # fmt: skip
    if data.untold:
        return row | {"why": data.untold}
    without = np.array([_class_effect(design[keep > 0], data.day[keep > 0]) for keep in data.females.without_each()])
    if not np.isfinite(without).all():
        return row | {"why": "no interval: without one of the females the classes share no winter"}
    count = len(without)
    variance = (count - 1) / count * float(np.sum((without - told) ** 2)) + float(weights @ data.shared @ weights)
    half = _half(variance, min(counts) - 1, confidence)
    assumes = "classes differ alike in all winters; females are independent of each other"
    return row | {"lower": told - half, "upper": told + half, "assumes": assumes}


def _class_effect(design: Floats, day: Floats) -> float:
    """Return the effect of the class; NaN where winters and classes cannot be told apart. [d]"""
    kept = design[:, design.any(axis=0)]
    if not design[:, 0].any() or np.linalg.matrix_rank(kept) < kept.shape[1]:
        return math.nan
    return float(np.linalg.lstsq(kept, day, rcond=None)[0][0])


def _winters(dated: pd.DataFrame, data: _Births, chance: Chance) -> Iterator[dict[str, Any]]:
    """Yield how each winter's mean lies beside that of all others. [d]"""
    winter = dated["winter"].to_numpy(np.int64)
    winters = np.unique(winter)
    for one in winters if len(winters) > 1 else ():
        row = _difference(data, winter == one, f"{one} minus the other winters", chance.confidence)
        yield row | {"what": "shift of a winter's mean birth date"}


def _notes(dated: pd.DataFrame, litters: pd.DataFrame, births: LitterBirths, unsure: int) -> tuple[str, ...]:
    """Tell in sentences what the numbers hold and what they do not."""
    missing, known = len(litters) - len(dated), int(dated["known"].sum())
    apart = int((dated["remarks"] != "").sum())
    notes = [f"{len(dated)} of {len(litters)} litters have a birth date, {known} of them known from "
             "elsewhere and taken as exact."]  # fmt: skip
    if missing:
        notes.append(f"{missing} litters have none: if early or late litters are measured less often, the means err.")
    if beyond := int(births.frame["reason"].astype(str).str.contains("outside the calibration's").sum()):
        notes.append(f"{beyond} visits gave no age because cubs were smaller or larger than the calibration's: these "
                     "are the youngest and oldest; without them the spread is too small and the mean may err."
                     )  # fmt: skip
    if (dated["day"] >= LEAP_DAY).any():
        notes.append("Where several winters are told together, the day after 28 February reads as 1 March.")
    if unsure:
        notes.append(f"{unsure} estimates have no standard error (a calibration without covariance): there are no "
                     "intervals, and the spread of true birth dates is told too large.")  # fmt: skip
    if apart:
        notes.append(f"{apart} litters have birth dates from several visits that do not agree; the surest is used.")
    return (*notes, TRUE_SPREAD, CALIBRATED, NORMAL, ONE_WINTER)
