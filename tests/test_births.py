"""Birth dates: means that know what the calibration does not, the true spread, and chances of an age."""

import datetime as dt
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from made_litters import CLASSES, MEAN_DAY, Births, females, made, sampled
from scipy.stats import t, ttest_ind

from densite import births
from densite.births import (
    BirthDistribution,
    birth_dates,
    births_of_litters,
    chance_of_age,
    distribution_of,
    shown,
    winter_day,
)
from densite.compare.resample import Chance, Females, jackknife_interval
from densite.errors import StatisticsError
from densite.litters import litters_of

FEW = Chance(permutations=199)


def plain(days, *, codes=None, se=0.0, shared=0.0, winter=None, klass="urban", known=False) -> tuple[Births, object]:
    """Births on days from 1 January, with a constant shared covariance, and their litters."""
    days = np.asarray(days, float)
    codes = np.arange(len(days)) if codes is None else codes
    winters = np.broadcast_to(2026 if winter is None else winter, len(days))
    frame = pd.DataFrame({
        "den_label": [f"D-{i}" for i in range(len(days))], "female": [f"OB-{code}" for code in codes],
        "date": [dt.date(int(w), 3, 1) for w in winters],
    })  # fmt: skip
    start = np.array([(dt.date(int(w), 3, 1) - dt.date(int(w), 1, 1)).days for w in winters])
    frame = frame.assign(age_d=start - days, se_d=se, known=known, reason="")
    frame = frame.assign(lower_d=frame["age_d"] - 2 * se, upper_d=frame["age_d"] + 2 * se)
    litters = frame.assign(winter=winters, landscape_class=klass, den_type="tree", gradient=1.0)
    names = pd.Index([f"{f}/{w}/{i}" for i, (f, w) in enumerate(zip(litters["female"], winters, strict=True))])
    return Births(frame, np.full((len(days), len(days)), shared)), litters.set_index(names.rename("litter"))


def distribution(days, **options) -> BirthDistribution:
    """The distribution of births on some days, one litter a female."""
    births, litters = plain(days, **options)
    return distribution_of(births_of_litters(births, litters), births)


@pytest.mark.parametrize(("day", "told", "count"), [
    ("2026-01-01", "1 Jan", 0), ("2026-01-22", "22 Jan", 21), ("2025-12-28", "28 Dec", -4),
    ("2024-02-22", "22 Feb", 52),
])  # fmt: skip
def test_days_of_a_winter(day, told, count) -> None:
    """Days count from 1 January, December before it, and read as dates."""
    assert winter_day(dt.date.fromisoformat(day)) == count
    assert shown(count) == told
    assert (shown(59), shown(59, winter=2024), shown(60, winter=2024)) == ("1 Mar", "29 Feb", "1 Mar")


def test_a_missing_day_reads_as_nothing() -> None:
    """No date is made up."""
    assert shown(float("nan")) == ""


def test_a_known_date_goes_before_estimates_and_the_surest_before_others() -> None:
    """Two visits to one litter: one birth date; visits that do not agree are told."""
    frame = pd.DataFrame({
        "den_label": ["D-1", "D-1", "D-2", "D-2"], "female": ["OB-1", "OB-1", None, None],
        "date": [dt.date(2026, 3, 1), dt.date(2026, 3, 15)] * 2, "age_d": [40.0, 50.0, 30.0, 46.0],
        "se_d": [3.0, 2.0, 3.0, 0.0], "lower_d": [34.0, 46.0, 24.0, 46.0], "upper_d": [46.0, 54.0, 36.0, 46.0],
        "known": [False, False, False, True], "reason": "",
    })  # fmt: skip
    litters = pd.DataFrame({"female": ["OB-1", "unknown-D-2"], "winter": 2026, "den_label": ["D-1", "D-2"],
                            "landscape_class": "urban", "den_type": "tree", "gradient": 1.0},
                           index=pd.Index(["OB-1/2026", "unknown-D-2/2026"], name="litter"))  # fmt: skip
    found = births_of_litters(Births(frame, np.zeros((4, 4))), litters)
    assert found["day"].tolist() == [73 - 50, 73 - 46]
    assert found["se_d"].tolist() == [2.0, 0.0]
    assert found["known"].tolist() == [False, True]
    assert found["remarks"].tolist() == ["", ""]
    frame["age_d"], frame["lower_d"], frame["upper_d"] = [40, 70, 30, 46], [34, 66, 24, 46], [46, 74, 36, 46]
    assert "do not agree" in births_of_litters(Births(frame, np.zeros((4, 4))), litters)["remarks"].iloc[0]


def test_without_errors_the_interval_is_the_jackknife_over_females() -> None:
    """Known dates: only females make it uncertain, and the true spread is the spread found."""
    rng = np.random.default_rng(1)
    days = rng.normal(21, 8, 12)
    births, litters = plain(days, known=True, shared=4.0)  # a shared error does not touch known dates
    row = birth_dates(births, litters, classes=CLASSES, chance=FEW).frame.iloc[0]
    without = (days.sum() - days) / 11
    assert (row["lower"], row["upper"]) == pytest.approx(jackknife_interval(days.mean(), without, confidence=0.95))
    assert row["sd"] == pytest.approx(np.std(days, ddof=1))
    assert (row["known"], row["shared_se"]) == (12, 0)


def test_degrees_of_freedom_are_those_of_females() -> None:
    """Four litters of each of eight females: t with 7, also of differences (Welch's and within winters)."""
    rng = np.random.default_rng(11)
    code, winter = np.repeat(np.arange(16), 4), np.tile([2023, 2024, 2025, 2026], 16)
    days = 21 + rng.normal(0, 6, 16)[code] + rng.normal(0, 4, 64)
    klass = np.where(code % 2 == 1, "rural", "urban")
    table = birth_dates(*plain(days, codes=code, winter=winter, klass=klass, known=True), classes=CLASSES, chance=FEW)
    of = pd.Series(days).groupby(code).mean().to_numpy()  # equal numbers: all are statistics of females' means
    urban, rural = of[::2], of[1::2]
    row = table.frame[table.frame["group"] == "urban"].iloc[0]
    half = t.ppf(0.975, 7) * urban.std(ddof=1) / np.sqrt(8)
    assert (row["lower"], row["upper"]) == pytest.approx((urban.mean() - half, urban.mean() + half))
    welch = ttest_ind(rural, urban, equal_var=False).confidence_interval(0.95)
    tests = table.tests.set_index("what")
    raw = tests.loc["difference in mean birth date"]
    assert (raw["lower"], raw["upper"]) == pytest.approx(tuple(welch))
    within = tests.loc["difference in mean birth date within winters"]
    assert within["estimate"] == pytest.approx(raw["estimate"])
    shift = np.array([(side.sum() - side) / 7 - side.mean() for side in (urban, rural)])
    jackknife = np.sqrt(15 / 16 * np.sum(shift**2))
    assert within["upper"] - within["estimate"] == pytest.approx(t.ppf(0.975, 7) * jackknife)


def test_a_shared_error_enters_differences_and_spread_by_its_weights() -> None:
    """An error of slope, which stretches days about 21, widens the spread; one of a class's own, the difference."""
    rng = np.random.default_rng(12)
    days, upper = 21 + rng.normal(0, 8, 30), np.arange(30) % 3 == 0
    klass = np.where(upper, "rural", "urban")
    births, litters = plain(days, se=1.0, klass=klass)
    rows = []
    for error in (np.zeros(30), 0.2 * (days - days.mean()), 2.0 * upper):
        table = birth_dates(Births(births.frame, np.outer(error, error)), litters, classes=CLASSES, chance=FEW)
        rows.append((table.frame.iloc[0], table.tests.set_index("what").loc["difference in mean birth date"]))
    (plain_row, plain_test), (stretched, _), (_, moved) = rows
    assert stretched["sd_upper"] - stretched["sd_lower"] > 1.2 * (plain_row["sd_upper"] - plain_row["sd_lower"])
    halves = [(one["upper"] - one["estimate"]) for one in (plain_test, moved)]
    quantile = t.ppf(0.975, welch_of(days[upper], days[~upper]))
    assert halves[1] ** 2 - halves[0] ** 2 == pytest.approx((2 * quantile) ** 2)


def welch_of(first, second) -> float:
    """Welch's degrees of freedom of two samples."""
    return float(ttest_ind(first, second, equal_var=False).df)


def test_a_known_date_shares_no_error_with_estimates() -> None:
    """Half the dates known: the calibration moves the mean by half its error, and not by that of known ones."""
    births, litters = plain(np.random.default_rng(3).normal(21, 8, 20), se=3.0, shared=4.0)
    births.frame["known"] = np.arange(20) % 2 == 0
    row = birth_dates(births, litters, classes=CLASSES, chance=FEW).frame.iloc[0]
    assert row["shared_se"] == pytest.approx(1)
    assert row["known"] == 10


def test_the_dates_of_one_in_ten_have_limits() -> None:
    """Mean + z SD: limits over females by leaving each out, wider than the mean's, and with the calibration's shift."""
    days = np.random.default_rng(6).normal(21, 8, 25)
    row, moved = (birth_dates(*plain(days, se=2.0, shared=shared), classes=CLASSES, chance=FEW).frame.iloc[0]
                  for shared in (0.0, 4.0))  # fmt: skip
    z, rest = NormalDist().inv_cdf(0.1), [np.delete(days, j) for j in range(25)]
    whole = days.mean() + z * np.sqrt(np.var(days, ddof=1) - 4)
    without = np.array([one.mean() + z * np.sqrt(np.var(one, ddof=1) - 4) for one in rest])
    limits = jackknife_interval(whole, without, confidence=0.95)
    assert (row["q10_lower"], row["q10"], row["q10_upper"]) == pytest.approx((limits[0], whole, limits[1]))
    assert row["q50_upper"] == pytest.approx(row["upper"])
    assert moved["q90_upper"] - moved["q90_lower"] > row["q90_upper"] - row["q90_lower"]


def test_a_shared_error_does_not_average_out() -> None:
    """Calibration's variance of 4 d2 adds to that of the mean whole, however many litters there are."""
    days = np.random.default_rng(1).normal(21, 8, 40)
    alone, both = (
        birth_dates(*plain(days, se=3.0, shared=shared), classes=CLASSES, chance=FEW).frame.iloc[0]
        for shared in (0.0, 4.0)
    )
    half = [(row["upper"] - row["lower"]) / 2 / 2.0227 for row in (alone, both)]  # t(39)
    assert half[1] ** 2 - half[0] ** 2 == pytest.approx(4, rel=1e-3)
    assert both["shared_se"] == pytest.approx(2)


def test_errors_are_taken_out_of_the_spread() -> None:
    """Variance found less the mean of se2 plus the mean shared: a shared shift spreads nothing."""
    days = np.random.default_rng(2).normal(21, 8, 30)
    row = birth_dates(*plain(days, se=3.0, shared=4.0), classes=CLASSES, chance=FEW).frame.iloc[0]
    assert row["sd"] ** 2 == pytest.approx(np.var(days, ddof=1) - 9 + 4)
    normal = NormalDist(days.mean(), row["sd"])
    assert [row["q10"], row["q90"]] == pytest.approx([normal.inv_cdf(0.1), normal.inv_cdf(0.9)])


def test_a_spread_below_the_errors_is_said() -> None:
    """Estimates closer than their errors: no spread, no quantiles, no chance of an age."""
    births, litters = plain(21 + np.linspace(-2, 2, 12), se=5.0)
    table = birth_dates(births, litters, classes=CLASSES, chance=FEW)
    row = table.frame.iloc[0]
    assert row["sd"] == 0
    assert "no further apart than their own errors" in row["sd_why"]
    assert np.isnan(row["q10"])
    told = chance_of_age(60, table.distribution, 35, 55)
    assert np.isnan(told.chance)
    assert "not told" in told.why


def test_classes_and_winters() -> None:
    """A planted 7 days between classes and 10 between winters, told apart where winters are mixed unevenly."""
    rng = np.random.default_rng(4)
    upper, winter = np.arange(40) % 2 == 1, np.where(np.arange(40) < 20, 2025, 2026)
    winter[::8] = 2026
    days = 20 + 7 * upper + 10 * (winter == 2026) + rng.normal(0, 0.5, 40)
    births, litters = plain(days, winter=winter, klass=np.where(upper, "rural", "urban"), se=0.3)
    table = birth_dates(births, litters, classes=CLASSES, chance=FEW)
    tests = table.tests.set_index("what")
    within = tests.loc["difference in mean birth date within winters"]
    assert within["lower"] < 7 < within["upper"]
    assert within["upper"] - within["lower"] < 2
    raw = tests.loc["difference in mean birth date"]
    assert raw["estimate"] == pytest.approx(days[upper].mean() - days[~upper].mean())
    assert tests.loc["birth date among landscape classes"]["p"] < 0.05
    shifts = tests.loc["shift of a winter's mean birth date"]
    assert shifts["estimate"].iloc[1] > 5
    assert list(table.frame["by"]) == ["all litters", *["landscape class"] * 2, *["winter"] * 2]


def test_few_females_have_no_interval() -> None:
    """Five females: a mean, no interval, no p, and why."""
    table = birth_dates(*plain([10, 20, 30, 15, 25]), classes=CLASSES, chance=FEW)
    assert np.isnan(table.frame.iloc[0]["lower"])
    assert "6 are needed" in table.frame.iloc[0]["why"]
    assert table.tests["p"].isna().all()


def test_birth_dates_that_do_not_differ_have_no_interval() -> None:
    """Eight litters of one day: how litters spread is not known, known or estimated; and nothing breaks."""
    for options in ({"known": True}, {"se": 2.0, "shared": 1.0}):
        table = birth_dates(*plain([18.0] * 8, **options), classes=CLASSES, chance=FEW)
        row = table.frame.iloc[0]
        assert row["mean"] == 18
        assert np.isnan(row["lower"])
        assert "do not differ" in row["why"]
        assert table.tests["p"].isna().all()


def test_one_litter_and_none() -> None:
    """A single litter has a date and no spread; none at all is an own error."""
    births, litters = plain([12.0])
    assert birth_dates(births, litters, classes=CLASSES, chance=FEW).frame.iloc[0]["sd_why"].startswith("too few")
    births.frame["age_d"] = np.nan
    with pytest.raises(StatisticsError, match="no litter has a birth date"):
        birth_dates(births, litters, classes=CLASSES)


def test_estimates_without_standard_error_are_told() -> None:
    """A calibration without covariance: the means and differences are there, no interval, and it is said why."""
    klass = np.where(np.arange(24) % 2 == 1, "rural", "urban")
    winter = np.where(np.arange(24) < 12, 2025, 2026)
    table = birth_dates(*plain(np.arange(24.0) % 7, se=np.nan, klass=klass, winter=winter), classes=CLASSES, chance=FEW)
    row = table.frame.iloc[0]
    assert np.isfinite(row[["mean", "sd", "q10"]].astype(float)).all()
    assert row[["lower", "sd_lower", "q10_lower"]].isna().all()
    assert "without covariance" in row["why"]
    assert table.tests["estimate"].notna().all()
    assert table.tests["lower"].isna().all()
    assert np.isnan(chance_of_age(60, table.distribution, 35, 55).lower)
    assert "24 estimates have no standard error" in " ".join(table.notes)


def test_litters_without_a_birth_date_are_told() -> None:
    """Three of fifteen litters could not be aged."""
    births, litters = plain(np.arange(15.0))
    births.frame.loc[:2, "age_d"] = np.nan
    table = birth_dates(births, litters, classes=CLASSES, chance=FEW, ages_from="Ages come from an invented file.")
    assert "3 litters have none" in " ".join(table.notes)
    assert table.ages_from == "Ages come from an invented file."


def test_frames_indexed_by_den_and_date() -> None:
    """The same births, their den and date in the index."""
    births, litters = plain(np.arange(12.0))
    indexed = Births(births.frame.set_index(["den_label", "date"]), births.shared)
    assert births_of_litters(indexed, litters)["day"].tolist() == list(range(12))


def test_chance_of_an_age() -> None:
    """On day 71, cubs born on day 21 (SD 10) are 40 to 60 days old with the normal's chance of +-1 SD."""
    days = 21 + 10 * np.array([NormalDist().inv_cdf((i + 0.5) / 60) for i in range(60)])
    spread = distribution(days * 1.0)
    told = chance_of_age(71, spread, 40, 60)
    normal = NormalDist(spread.mean_day, spread.sd_d)
    assert told.chance == pytest.approx(normal.cdf(31) - normal.cdf(11))
    assert told.lower < told.chance < told.upper
    assert chance_of_age(dt.date(2027, 3, 13), spread, 40, 60) == told
    assert chance_of_age(400, spread, 40, 60).chance == pytest.approx(0)
    with pytest.raises(StatisticsError, match="must be the smaller"):
        chance_of_age(71, spread, 60, 40)


def test_a_calibrations_error_widens_the_chance() -> None:
    """The same births, the mean uncertain by 5 days more."""
    days = np.random.default_rng(5).normal(21, 10, 40)
    sure, unsure = (chance_of_age(60, distribution(days, shared=shared), 35, 45) for shared in (0.0, 25.0))
    assert unsure.upper - unsure.lower > 1.5 * (sure.upper - sure.lower)


def test_few_females_give_a_chance_without_interval() -> None:
    """Four females: the chance, and why it has no limits."""
    told = chance_of_age(60, distribution([10.0, 20.0, 30.0, 25.0]), 30, 50)
    assert 0 < told.chance < 1
    assert np.isnan(told.lower)
    assert "4 females" in told.why


def test_a_whole_study() -> None:
    """Births of a made study join their litters; the mean of the estimates is the table's."""
    study = made()
    litters = litters_of(study.cubs, study.handlings, study.dens)
    table = birth_dates(study.births, litters, classes=CLASSES, chance=FEW)
    assert len(table.litters) == len(litters)
    row = table.frame.iloc[0]
    assert row["lower"] < MEAN_DAY < row["upper"]
    assert row["mean"] == pytest.approx(table.litters["day"].mean())


@pytest.mark.gate
@pytest.mark.parametrize("number", [20, 40])
def test_intervals_cover(number) -> None:
    """Of 1,500 studies, each with a calibration of its own, .93 to .97 of the means' intervals hold the truth.

    The true spread's cover .91 or more: a calibration draws estimates a little to its middle.
    """
    rng = np.random.default_rng(number)
    rows = [table_of(number, rng) for _ in range(1500)]
    mean = np.mean([row["lower"] <= MEAN_DAY <= row["upper"] for row in rows])
    sd = np.mean([row["sd_lower"] <= 10 <= row["sd_upper"] for row in rows])
    print(number, mean, sd, np.mean([row["sd"] for row in rows]))
    assert 0.93 <= mean <= 0.97
    assert 0.91 <= sd <= 0.97


@pytest.mark.gate
@pytest.mark.parametrize("number", [20, 40])
def test_the_intervals_of_a_chance_and_of_differences_cover(number) -> None:
    """Of 600 studies, .92 to .98 of the intervals of a chance of an age and of two differences hold the truth."""
    rng, truth = np.random.default_rng(number), NormalDist(MEAN_DAY, 10).cdf(35) - NormalDist(MEAN_DAY, 10).cdf(15)
    hits = []
    for _ in range(600):
        drawn = sampled(number, rng)
        data = births._Births(drawn.day, drawn.variance, drawn.shared, Females.of(drawn.code.astype(str)))
        told = chance_of_age(70.0, births._distribution(data, ()), 35, 55)
        upper = (rng.integers(0, 2, number) == 1)[drawn.code]
        raw = births._difference(data, upper, "", 0.95)
        within = births._within_winters(data, upper, rng.integers(2021, 2025, len(upper)), "", 0.95)
        rows = [(told.lower, truth, told.upper), *((row["lower"], 0.0, row["upper"]) for row in (raw, within))]
        hits.append([low <= true <= high if np.isfinite(low) else np.nan for low, true, high in rows])
    rates = np.nanmean(np.array(hits, dtype=float), axis=0)
    print(number, rates)
    assert ((rates >= 0.92) & (rates <= 0.98)).all(), rates


@pytest.mark.gate
def test_without_the_shared_error_the_mean_covers_too_little() -> None:
    """A calibration from 8 litters: the females' interval alone misses the truth, the whole one does not."""
    rng = np.random.default_rng(8)
    hits = []
    for _ in range(1500):
        code, shift = females(40, rng), rng.normal(0, 3)
        days = MEAN_DAY + shift + rng.normal(0, 8, len(code))
        rows = [
            birth_row(days, code, np.full((len(code), len(code)), shared)) for shared in (0.0, 9.0)
        ]  # fmt: skip
        hits.append([row["lower"] <= MEAN_DAY <= row["upper"] for row in rows])
    alone, both = np.mean(hits, axis=0)
    assert alone < 0.6
    assert 0.93 <= both <= 0.97


def table_of(number: int, rng: np.random.Generator) -> dict:
    """The row of all litters of one study."""
    drawn = sampled(number, rng)
    return birth_row(drawn.day, drawn.code, drawn.shared, drawn.variance)


def birth_row(days, code, shared, variance=None) -> dict:
    """The row of all litters, from arrays."""
    whose = Females.of(code.astype(str))
    data = births._Births(days, np.diag(shared) if variance is None else variance, shared, whose)
    return births._row("all litters", "all litters", data, pd.DataFrame({"known": [False] * len(days)}), 0.95)
