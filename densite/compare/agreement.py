"""How well two descriptions of the same den agree: field against map, or one observer against another."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from densite.compare.entries import (
    INDEPENDENT_FEMALES,
    JACKKNIFE,
    LEAVING_OUT,
    Entries,
    Limits,
    as_numbers,
    as_words,
    dens,
    left_out,
    sentence,
    slug,
    without_female,
)
from densite.compare.frequencies import METHODS, ShareInterval, clustered_share
from densite.compare.leaveout import Scale, class_mean, combined, lines, mean_limits, total_sd
from densite.compare.resample import Chance, Females, Floats, Ints, jackknife_interval
from densite.compare.result import AS_IF_INDEPENDENT, Block

WITHIN = 45.0  # half the width of a quarter of the compass [deg]
NORMAL = 1.96  # standard deviations to either side that hold 95 % of normal differences
ENDS = (("lower", -NORMAL), ("upper", NORMAL))

TOO_FEW = "too few females, or dens that do not differ"
BLAND = "Bland & Altman 1999, Stat. Methods Med. Res. 8: 135-160, doi:10.1177/096228029900800204"
BLAND_REPEATED = "Bland & Altman 2007, J. Biopharm. Stat. 17: 571-582, doi:10.1080/10543400701329422"
ZOU = "Zou 2013, Stat. Methods Med. Res. 22: 630-642, doi:10.1177/0962280211402548"
FISHER_CIRCULAR = "Fisher 1993, Statistical Analysis of Circular Data, chapter 2 (from memory)"
JAMMALAMADAKA = "Jammalamadaka & SenGupta 2001, Topics in Circular Statistics, section 8.2 (from memory)"
COHEN = "Cohen 1960, Educational and Psychological Measurement 20: 37-46, doi:10.1177/001316446002000104"
FLEISS = "Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72: 323-327, doi:10.1037/h0028106"
COCHRAN = "Cochran 1977, Sampling Techniques, 3rd ed., sections 2.11 and 3.12 (from memory)"


def linear_agreement(
    observed: ArrayLike, derived: ArrayLike, female: ArrayLike, *, what: str, unit: str, chance: Chance
) -> Block:
    """Compare a number seen in the field with the same number from a map.

    Parameters
    ----------
    observed, derived : array_like, shape (n,)
        Number from the field and from the map at each den, NaN where missing. [``unit``]
    female : array_like of str, shape (n,)
        What the dens of one group share, usually the female; blank where not known.
    what : str
        The quantity, such as ``slope``; it names the block ``agreement-<what>``.
    unit : str
        Unit of both.
    chance : Chance
        Confidence level.

    Returns
    -------
    Block
        Bias (field minus map), limits of agreement, and change of the difference with the size of the
        quantity, with intervals over females; the first two also as if dens were independent. Frame
        ``pairs`` (observed, derived, mean, difference) [``unit``].

    Raises
    ------
    StatisticsError
        Columns of different lengths.

    Notes
    -----
    Source: Bland & Altman 1999, Stat. Methods Med. Res. 8: 135-160, doi:10.1177/096228029900800204; with
    several dens of a female, the spread is that between females and within them together: Bland &
    Altman 2007, J. Biopharm. Stat. 17: 571-582, doi:10.1080/10543400701329422.
    """
    entries = Entries(f"agreement-{slug(what)}")
    field, mapped, females, note = _pairs(observed, derived, female)
    difference, mean = field - mapped, (mapped + field) / 2
    frame = pd.DataFrame({"observed": field, "derived": mapped, "mean": mean, "difference": difference})
    if len(difference) < 2:
        entries.cannot(f"agreement in {what}", f"only {dens(len(difference))} with both numbers; two are needed")
        return entries.block({"pairs": frame})
    common = {"unit": unit, "note": note, "dens": len(difference), "females": females.known}
    _say_bias(entries, difference, females, what, common, chance=chance)
    _say_as_dens(entries, difference, what, common, chance=chance)
    _say_proportion(entries, mean, difference, females, what, common, chance=chance)
    return entries.block({"pairs": frame})


def bearing_agreement(
    observed_deg: ArrayLike, derived_deg: ArrayLike, female: ArrayLike, *, what: str = "aspect", chance: Chance
) -> Block:
    """Compare bearings by compass with bearings from a map.

    Parameters
    ----------
    observed_deg, derived_deg : array_like, shape (n,)
        Bearing from the field and from the map at each den, NaN where missing. [deg, clockwise from north]
    female : array_like of str, shape (n,)
        What the dens of one group share, usually the female; blank where not known.
    what : str
        The bearing; it names the block ``agreement-<what>``.
    chance : Chance
        Confidence level.

    Returns
    -------
    Block
        Mean direction of the differences (field minus map), mean absolute difference, share of dens
        within 45 degrees, and circular correlation, with intervals over females. Frame ``pairs``
        (observed, derived, mean, difference) [deg], the mean being halfway on the shorter arc and the
        difference between -180 and 180.

    Raises
    ------
    StatisticsError
        Columns of different lengths.

    Notes
    -----
    Mean direction: Fisher 1993, Statistical Analysis of Circular Data, chapter 2. Correlation:
    Jammalamadaka & SenGupta 2001, Topics in Circular Statistics, section 8.2.
    """
    entries = Entries(f"agreement-{slug(what)}")
    field, mapped, females, note = _pairs(observed_deg, derived_deg, female)
    difference = wrapped(field - mapped)
    frame = {"observed": field % 360, "derived": mapped % 360, "mean": (mapped + difference / 2) % 360}
    pairs = pd.DataFrame(frame | {"difference": difference})
    if len(difference) < 2:
        entries.cannot(f"agreement in {what}", f"only {dens(len(difference))} with both bearings; two are needed")
        return entries.block({"pairs": pairs})
    common = {"note": note, "dens": len(difference), "females": females.known}
    _say_turn(entries, difference, females, what, common, chance=chance)
    _say_distance(entries, difference, females, what, common, chance=chance)
    _say_within(entries, difference, females, what, common, chance=chance)
    _say_circular(entries, field, mapped, females, what, common, chance=chance)
    return entries.block({"pairs": pairs})


def kappa(first: ArrayLike, second: ArrayLike, female: ArrayLike | None = None, *, what: str, chance: Chance) -> Block:
    """Compare what two observers wrote about the same dens.

    Parameters
    ----------
    first, second : array_like of str, shape (n,)
        Word of each observer for each den, blank where missing.
    female : array_like of str, shape (n,), optional
        Female of each den; every den stands alone unless given.
    what : str
        What was described, such as ``type``; it names the block ``agreement-<what>``.
    chance : Chance
        Confidence level.

    Returns
    -------
    Block
        Share of equal words and Cohen's kappa, with intervals over females, and kappa's as if dens were
        independent. Frame ``pairs`` (observed, derived): the words of the first and the second observer.

    Raises
    ------
    StatisticsError
        Columns of different lengths.

    Notes
    -----
    Source: Cohen 1960, Educational and Psychological Measurement 20: 37-46,
    doi:10.1177/001316446002000104; error as if dens were independent: Fleiss, Cohen & Everitt 1969,
    Psychological Bulletin 72: 323-327, doi:10.1037/h0028106.
    """
    entries = Entries(f"agreement-{slug(what)}")
    one = as_words(first, what="first observer", size=np.size(np.asarray(first, dtype=object)))
    other = as_words(second, what="second observer", size=len(one))
    names = as_words(np.full(len(one), "") if female is None else female, what="females", size=len(one))
    both = (one != "") & (other != "")
    females = Females.of(names).within(both)
    frame = pd.DataFrame({"observed": one[both], "derived": other[both]})
    if len(frame) < 2:
        entries.cannot(f"agreement in {what}", f"only {dens(len(frame))} described by both observers; two are needed")
        return entries.block({"pairs": frame})
    note = sentence([left_out(int((~both).sum()), "not described by both"), without_female(females)])
    common = {"note": note, "dens": len(frame), "females": females.known}
    codes, words = pd.factorize(np.concatenate([one[both], other[both]]))
    rows, columns = np.split(codes.astype(np.int64), 2)
    _say_same(entries, rows == columns, females, what, common, chance=chance)
    _say_kappa(entries, rows, columns, females, len(words), what, common, chance=chance)
    return entries.block({"pairs": frame})


def wrapped(difference_deg: Floats) -> Floats:
    """Return differences of bearings on the shorter way round.

    Parameters
    ----------
    difference_deg : ndarray
        Differences of bearings. [deg]

    Returns
    -------
    ndarray
        Above -180, up to 180. [deg]
    """
    turned: Floats = 180.0 - (180.0 - difference_deg) % 360.0
    return turned


def circular_correlation(first_deg: Floats, second_deg: Floats, weights: Floats | None = None) -> Floats:
    """Return the circular correlation of two sets of bearings.

    Parameters
    ----------
    first_deg, second_deg : ndarray, shape (n,)
        Bearings. [deg]
    weights : ndarray, shape (k, n), optional
        How often each pair counts, a row for each correlation; once unless given.

    Returns
    -------
    ndarray, shape (k,)
        Correlations, 1 where they turn alike. [1] NaN where one of the two does not vary.

    Notes
    -----
    Source: Jammalamadaka & SenGupta 2001, Topics in Circular Statistics, section 8.2.
    """
    counts = np.ones((1, len(first_deg))) if weights is None else weights
    off = []
    for angle in (np.radians(first_deg), np.radians(second_deg)):
        middle = np.arctan2(counts @ np.sin(angle), counts @ np.cos(angle))
        off.append(np.sin(angle - middle[:, None]))
    together, *apart = ((counts * a * b).sum(axis=1) for a, b in ((off[0], off[1]), (off[0], off[0]), (off[1], off[1])))
    norm = np.sqrt(np.where((apart[0] > 1e-12) & (apart[1] > 1e-12), apart[0] * apart[1], np.nan))
    found: Floats = np.clip(together / norm, -1.0, 1.0)
    return found


def _pairs(observed: ArrayLike, derived: ArrayLike, female: ArrayLike) -> tuple[Floats, Floats, Females, str]:
    """Return the dens with both numbers, whose they are, and what was left out."""
    field = as_numbers(observed, what="observed")
    mapped = as_numbers(derived, what="derived", size=len(field))
    both = np.isfinite(field) & np.isfinite(mapped)
    females = Females.of(as_words(female, what="females", size=len(field))).within(both)
    note = sentence([left_out(int((~both).sum()), "one of the two is missing"), without_female(females)])
    return field[both], mapped[both], females, note


def _say_bias(
    entries: Entries, difference: Floats, females: Females, what: str, common: dict[str, Any], *, chance: Chance
) -> None:
    """Say bias and limits of agreement with intervals over females."""
    name = f"bias of the field's {what}"
    bias, limits = _mean(entries, name, difference, females, scale="plain", chance=chance)
    entries.say(
        "bias", what=name, where="all dens", estimate=bias, limits=limits, interval=LEAVING_OUT, headline=True,
        method="mean of field minus map over dens", assumes=INDEPENDENT_FEMALES, source=f"{BLAND}; {JACKKNIFE}",
        **common,
    )  # fmt: skip
    spread, spreads = total_sd(difference, np.zeros(len(difference), dtype=np.int64), females, number=1)
    if not np.isfinite(spread):
        why = "fewer than two females, or differences that are all alike"
        entries.cannot(f"limits of agreement in {what}", why)
        return
    wide = jackknife_interval(float(np.log(spread)), np.log(spreads), confidence=chance.confidence)
    for end, z in ENDS:
        name = f"{end} limit of agreement in {what}"
        around = limits and wide and _limit_of_agreement(bias, limits, z, spread, wide)
        if around is None:
            entries.cannot(f"interval of the {name}", TOO_FEW)
        entries.say(
            f"{end}-limit", what=name, where="all dens", estimate=bias + z * spread, limits=around,
            interval=f"limits of bias and of the standard deviation combined, each {LEAVING_OUT}",
            method=f"bias {z:+g} standard deviations between and within females together",
            assumes=f"{INDEPENDENT_FEMALES}; differences are near normal and equally spread at any size",
            source=f"{BLAND}; {BLAND_REPEATED}; {ZOU}", **common,
        )  # fmt: skip


def _limit_of_agreement(
    bias: float, limits: tuple[float, float], z: float, spread: float, wide: tuple[float, float]
) -> tuple[float, float]:
    """Return the interval of bias + z x spread from those of bias and of the logarithm of spread."""
    ends = sorted(-z * float(np.exp(end)) for end in wide)
    return combined(bias, limits, -z * spread, (ends[0], ends[1]))


def _mean(
    entries: Entries, name: str, values: Floats, females: Females, *, scale: Scale, chance: Chance
) -> tuple[float, Limits]:
    """Return a mean over dens with its interval, or say that there is none."""
    told = class_mean(values, females, np.ones(len(values), dtype=bool))
    limits = mean_limits(told, confidence=chance.confidence, scale=scale) if told else None
    if limits is None:
        entries.cannot(f"interval of the {name}", TOO_FEW)
    return float(values.mean()), limits


def _limits(entries: Entries, name: str, estimate: float, rest: Floats, *, chance: Chance) -> Limits:
    """Return a jackknife interval, or say that there is none."""
    limits = jackknife_interval(estimate, rest, confidence=chance.confidence)
    if limits is None or limits[1] - limits[0] <= 1e-12 * max(abs(estimate), 1e-300):
        entries.cannot(f"interval of the {name}", TOO_FEW)
        return None
    return limits


def _say_as_dens(entries: Entries, difference: Floats, what: str, common: dict[str, Any], *, chance: Chance) -> None:
    """Say bias and limits of agreement as published, each den counting as one subject."""
    n, bias, sd = len(difference), float(difference.mean()), float(difference.std(ddof=1))
    if sd <= 1e-12 * max(abs(bias), 1e-300):
        return
    t = stats.t.ppf(0.5 + chance.confidence / 2, n - 1)
    wide = 1 / n + NORMAL**2 / (2 * (n - 1))
    rows = (("bias", 0.0, 1 / n), *((f"{end} limit of agreement", z, wide) for end, z in ENDS))
    for name, deviations, share in rows:
        middle, half = bias + deviations * sd, float(t * sd * np.sqrt(share))
        entries.say(
            f"{slug(name).removesuffix('-of-agreement')}-as-dens", what=f"{name} in {what}", where="all dens",
            estimate=middle, limits=(middle - half, middle + half), proof="dens", source=BLAND,
            method="mean of field minus map" + (f" {deviations:+g} standard deviations" if deviations else ""),
            interval="t with dens - 1 degrees of freedom, normal variance of a limit",
            assumes=f"{AS_IF_INDEPENDENT}; differences are near normal", **common,
        )  # fmt: skip


def _say_proportion(
    entries: Entries, mean: Floats, difference: Floats, females: Females, what: str, common: dict[str, Any],
    *, chance: Chance,
) -> None:  # fmt: skip
    """Say how the difference changes with the size of the quantity."""
    name = f"change of the difference in {what} with its size"
    if len(mean) < 3 or np.ptp(mean) == 0:
        entries.cannot(name, "fewer than three dens, or all of the same size")
        return
    whole, rest = lines(mean, difference, females)
    entries.say(
        "proportional-bias", what=name, where="all dens", estimate=float(whole[1]), interval=LEAVING_OUT,
        limits=_limits(entries, name, float(whole[1]), rest[:, 1], chance=chance), source=f"{BLAND}; {JACKKNIFE}",
        method="slope of field minus map on the mean of both",
        assumes=f"{INDEPENDENT_FEMALES}; a slope also arises where one of the two is spread more widely",
        **common | {"unit": "1"},
    )  # fmt: skip


def _say_turn(
    entries: Entries, difference: Floats, females: Females, what: str, common: dict[str, Any], *, chance: Chance
) -> None:
    """Say the mean direction of differences of bearings."""
    angle = np.radians(difference)
    weights = np.vstack([np.ones(len(angle)), females.without_each()])
    cos, sin = weights @ np.cos(angle), weights @ np.sin(angle)
    count = np.maximum(weights.sum(axis=1), 1)
    name = f"mean turn of the field's {what}"
    if np.hypot(cos[0], sin[0]) / count[0] < 1e-9:
        entries.cannot(name, "the differences cancel out")
        return
    mean = float(np.degrees(np.arctan2(sin[0], cos[0])))
    sure = np.hypot(cos[1:], sin[1:]) / count[1:] > 1e-9
    rest = np.where(sure, mean + wrapped(np.degrees(np.arctan2(sin[1:], cos[1:])) - mean), np.nan)
    limits = _limits(entries, name, mean, rest, chance=chance)
    if limits and limits[1] - limits[0] >= 360:
        entries.cannot(f"interval of the {name}", "it covers the whole compass")
        limits = None
    entries.say(
        "turn", what=name, where="all dens", estimate=mean, unit="deg", limits=limits, interval=LEAVING_OUT,
        method="circular mean of field minus map over dens", assumes=INDEPENDENT_FEMALES,
        source=f"{FISHER_CIRCULAR}; {JACKKNIFE}", headline=True, **common,
    )  # fmt: skip


def _say_distance(
    entries: Entries, difference: Floats, females: Females, what: str, common: dict[str, Any], *, chance: Chance
) -> None:
    """Say the mean absolute difference of bearings."""
    name = f"mean absolute difference in {what}"
    mean, limits = _mean(entries, name, np.abs(difference), females, scale="log", chance=chance)
    entries.say(
        "distance", what=name, where="all dens", estimate=mean, unit="deg", interval=f"{LEAVING_OUT}, on the log scale",
        limits=limits and (limits[0], max(mean, min(limits[1], 180.0))), assumes=INDEPENDENT_FEMALES, source=JACKKNIFE,
        method="mean over dens of the difference the shorter way round; 90 deg where the two have nothing in common",
        **common,
    )  # fmt: skip


def _say_within(
    entries: Entries, difference: Floats, females: Females, what: str, common: dict[str, Any], *, chance: Chance
) -> None:
    """Say the share of dens where the bearings differ by no more than 45 degrees."""
    near = np.abs(difference) <= WITHIN + 1e-9
    told = clustered_share(females.totals(near), females.sizes, confidence=chance.confidence)
    entries.say(
        "within", what=f"share of dens with {what} within {WITHIN:g} deg", where="all dens", estimate=told.share,
        limits=_around(told), interval=METHODS[told.method], assumes=INDEPENDENT_FEMALES, source=COCHRAN,
        method=f"share over dens; {WITHIN / 180:g} where the two have nothing in common", **common,
    )  # fmt: skip


def _around(told: ShareInterval) -> Limits:
    """Return the limits of a share; rounding could put one of them beyond a share of 0 or 1."""
    return min(told.lower, told.share), max(told.upper, told.share)


def _say_circular(
    entries: Entries, field: Floats, mapped: Floats, females: Females, what: str, common: dict[str, Any],
    *, chance: Chance,
) -> None:  # fmt: skip
    """Say the circular correlation of both bearings."""
    name = f"circular correlation of {what}"
    told = float(circular_correlation(field, mapped)[0])
    if not np.isfinite(told):
        entries.cannot(name, "one of the two bearings does not vary")
        return
    limits = _limits(entries, name, told, circular_correlation(field, mapped, females.without_each()), chance=chance)
    entries.say(
        "correlation", what=name, where="all dens", estimate=told, interval=f"{LEAVING_OUT}, cut to -1 and 1",
        limits=limits and (max(limits[0], -1.0), min(limits[1], 1.0)), assumes=INDEPENDENT_FEMALES,
        method="correlation of the sines of deviations from the mean directions",
        source=f"{JAMMALAMADAKA}; {JACKKNIFE}", **common,
    )  # fmt: skip


def _say_same(
    entries: Entries, same: Ints, females: Females, what: str, common: dict[str, Any], *, chance: Chance
) -> None:
    """Say the share of dens for which both observers have the same word."""
    told = clustered_share(females.totals(same), females.sizes, confidence=chance.confidence)
    entries.say(
        "same", what=f"share of dens with the same {what} by both observers", where="all dens", estimate=told.share,
        limits=_around(told), interval=METHODS[told.method], assumes=INDEPENDENT_FEMALES, source=COCHRAN,
        method="share over dens", **common,
    )  # fmt: skip


def _say_kappa(
    entries: Entries, rows: Ints, columns: Ints, females: Females, number: int, what: str, common: dict[str, Any],
    *, chance: Chance,
) -> None:  # fmt: skip
    """Say Cohen's kappa, over females and as if dens were independent."""
    name = f"kappa of {what} between both observers"
    cells = np.eye(number * number)[rows * number + columns]
    each = females.totals(cells)
    tables = np.vstack([cells.sum(axis=0), cells.sum(axis=0) - each]).reshape(-1, number, number)
    told = _kappas(tables)
    if not np.isfinite(told[0]):
        entries.cannot(name, "both observers have one and the same word for all dens")
        return
    common = common | {"what": name, "where": "all dens", "estimate": float(told[0])}
    common["method"] = "agreement beyond that of two observers who use their words by chance, over the most possible"
    limits = _limits(entries, name, float(told[0]), told[1:], chance=chance)
    entries.say(
        "kappa", limits=limits and (max(limits[0], -1.0), min(limits[1], 1.0)),
        interval=f"{LEAVING_OUT}, cut to -1 and 1", assumes=INDEPENDENT_FEMALES, source=f"{COHEN}; {JACKKNIFE}",
        headline=True, **common,
    )  # fmt: skip
    half = float(stats.norm.ppf(0.5 + chance.confidence / 2)) * _kappa_error(tables[0])
    ends = (max(float(told[0]) - half, -1.0), min(float(told[0]) + half, 1.0))
    entries.say(
        "kappa-as-dens", limits=ends if half > 1e-9 else None, proof="dens", interval="large-sample error, normal",
        assumes=f"{AS_IF_INDEPENDENT}; many dens", source=f"{COHEN}; {FLEISS}", **common,
    )  # fmt: skip


def _kappas(tables: Floats) -> Floats:
    """Return kappa of each table (k, words, words); NaN where chance agreement is complete."""
    count = tables.sum(axis=(1, 2))
    n = np.maximum(count, 1)
    found = np.trace(tables, axis1=1, axis2=2) / n
    chance = (tables.sum(axis=1) * tables.sum(axis=2)).sum(axis=1) / n**2
    room = np.where((count > 0) & (chance < 1 - 1e-12), 1 - chance, np.nan)
    kappas: Floats = (found - chance) / room
    return kappas


def _kappa_error(table: Floats) -> float:
    """Return the large-sample standard error of kappa (Fleiss, Cohen & Everitt 1969)."""
    share = table / table.sum()
    row, column = share.sum(axis=1), share.sum(axis=0)
    found, chance = float(np.trace(share)), float(row @ column)
    told = (found - chance) / (1 - chance)
    both = column[:, None] + row[None, :]  # of word i by the second and word j by the first observer
    on = np.diag(share) @ (1 - np.diag(both) * (1 - told)) ** 2
    off = (1 - told) ** 2 * float(np.sum((share - np.diag(np.diag(share))) * both**2))
    square = on + off - (told - chance * (1 - told)) ** 2
    return float(np.sqrt(max(square, 0.0) / table.sum()) / (1 - chance))
