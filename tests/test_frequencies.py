"""Shares of den types by class: intervals against published values and by simulation."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from densite.compare.frequencies import (
    ALL_CLASSES,
    METHODS,
    NO_CLASS,
    NO_DENS,
    NOT_RECORDED,
    RATIO,
    WILSON_EFFECTIVE,
    WILSON_FEMALES,
    clustered_share,
    frequencies,
    wilson,
)
from densite.errors import StatisticsError

TYPES = ("tree", "ground bed", "rock ledge", "brush")
CLASSES = ("urban", "rural")

# Schools of 15 districts of apiclus1, a one-stage cluster sample that the R package survey 4.1.1
# carries; rows are districts (dnum), columns elementary, high, middle.
DISTRICTS = np.array(
    [
        [10, 0, 3], [34, 0, 0], [2, 1, 1], [10, 0, 3], [13, 0, 3], [2, 0, 0], [1, 0, 0], [2, 1, 1],
        [9, 1, 2], [16, 2, 3], [4, 4, 1], [8, 1, 2], [30, 3, 4], [1, 0, 1], [2, 1, 1],
    ]
)  # fmt: skip


@pytest.mark.parametrize(
    ("count", "n", "lower", "upper"),
    [(81, 263, 0.2553, 0.3662), (0, 20, 0.0, 0.1611), (15, 148, 0.0624, 0.1605), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_prints_what_newcombe_prints(count: int, n: int, lower: float, upper: float) -> None:
    """Newcombe 1998, table I, method 3 (the last two from memory).

    R's Hmisc 4.8.0 binconf agrees but for the lower limit of 1/29, which it replaces on purpose.
    """
    low, high = wilson(count, n)
    assert (round(float(low), 4), round(float(high), 4)) == (lower, upper)


def test_wilson_matches_r_to_eight_digits() -> None:
    """Hmisc 4.8.0, binconf(81, 263, method='wilson'): 0.25528852, 0.36620958."""
    low, high = wilson(81, 263)
    assert (float(low), float(high)) == pytest.approx((0.25528852, 0.36620958), abs=5e-9)


def test_ratio_estimator_worked_by_hand() -> None:
    """Sizes 1 2 3 2, trees 1 1 0 2: p = 4/8, residuals .5 0 -1.5 1, v = 4/3 x 3.5/64."""
    told = clustered_share([1, 1, 0, 2], [1, 2, 3, 2])
    assert told.share == 0.5
    # Here only three females have the type, so the same v enters by way of the effective number.
    effective = 0.25 / (4 / 3 * 3.5 / 64)
    t = 3.182446305  # t table, 3 degrees of freedom, .975
    half = t / (1 + t**2 / effective) * math.sqrt(0.25 / effective + t**2 / (4 * effective**2))
    assert told.method == WILSON_EFFECTIVE
    assert (told.lower, told.upper) == pytest.approx((0.5 - half, 0.5 + half), abs=1e-9)


def test_ratio_interval_is_that_of_the_survey_package() -> None:
    """R survey 4.1.1 on apiclus1: svymean(~awards), confint with 14 df, no finite correction."""
    no = [3, 8, 1, 4, 3, 0, 0, 1, 1, 7, 5, 2, 13, 1, 4]
    yes = [10, 26, 3, 9, 13, 2, 1, 3, 11, 14, 4, 9, 24, 1, 0]
    told = clustered_share(yes, np.add(no, yes))
    assert told.method == RATIO
    assert (told.lower, told.upper) == pytest.approx((0.6388530785, 0.7819119489), abs=1e-9)


def test_variance_is_that_of_the_survey_package_when_few_clusters_hold_the_type() -> None:
    """R survey 4.1.1, apiclus1, svymean(~stype): SE of H .02707985593; it sets the effective number."""
    told = clustered_share(DISTRICTS[:, 1], DISTRICTS.sum(axis=1))
    p, effective, t = 14 / 183, (14 / 183) * (169 / 183) / 0.02707985593**2, 2.144786688
    centre = (p + t**2 / (2 * effective)) / (1 + t**2 / effective)
    assert told.method == WILSON_EFFECTIVE
    assert told.share == pytest.approx(0.07650273224, abs=1e-11)
    assert (told.lower + told.upper) / 2 == pytest.approx(centre, abs=1e-8)


@pytest.mark.parametrize(("trees", "sizes"), [([0] * 20, [2] * 20), ([2] * 20, [2] * 20)])
def test_no_variation_falls_back_to_the_number_of_females(trees: list[int], sizes: list[int]) -> None:
    """Twenty females of one habit are 0/20 (Newcombe 1998: 0 to .1611), however many dens they had."""
    told = clustered_share(trees, sizes)
    width = told.upper - told.lower
    assert (told.method, round(width, 4)) == (WILSON_FEMALES, 0.1611)


@pytest.mark.parametrize(("few", "method"), [(9, WILSON_EFFECTIVE), (10, RATIO)])
def test_few_females_with_the_type(few: int, method: str) -> None:
    """All of thirty females have other dens; nine with the type are too few for a symmetric interval."""
    assert clustered_share([1] * few + [0] * (30 - few), [2] * 30).method == method


@pytest.mark.parametrize(("few", "method"), [(9, WILSON_EFFECTIVE), (10, RATIO)])
def test_few_females_without_the_type(few: int, method: str) -> None:
    """All of thirty females have dens of the type; nine that have others are too few."""
    assert clustered_share([1] * few + [2] * (30 - few), [2] * 30).method == method


def test_one_female_says_almost_nothing() -> None:
    """Nine dens of one female weigh as one."""
    told = clustered_share([9], [9])
    assert told.method == WILSON_FEMALES
    assert (round(told.lower, 3), told.upper) == (0.207, 1.0)


def test_clustering_widens_the_interval() -> None:
    """Forty dens of twenty true-to-type females are wider than forty dens of forty females."""
    paired = clustered_share([2] * 10 + [0] * 10, [2] * 20)
    single = clustered_share([1] * 20 + [0] * 20, [1] * 40)
    assert paired.upper - paired.lower > 1.3 * (single.upper - single.lower)


@pytest.mark.parametrize(("a", "m"), [([], []), ([1], [0]), ([2], [1]), ([1, 1], [1])])
def test_impossible_counts_are_refused(a: list[int], m: list[int]) -> None:
    """No female, no den, more successes than dens, different lengths."""
    with pytest.raises(StatisticsError):
        clustered_share(a, m)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0])
def test_confidence_is_a_share(confidence: float) -> None:
    """95 instead of .95 is told."""
    with pytest.raises(StatisticsError, match=r"between 0 and 1"):
        clustered_share([1, 0], [1, 1], confidence=confidence)


@given(st.lists(st.tuples(st.integers(0, 6), st.integers(1, 6)), min_size=1, max_size=30))
@settings(max_examples=150, deadline=None)
def test_limits_stay_within_bounds_and_hold_the_share(pairs: list[tuple[int, int]]) -> None:
    """Whatever the females do: 0 <= lower <= share <= upper <= 1, and never a missing number."""
    told = clustered_share([min(a, m) for a, m in pairs], [m for _, m in pairs])
    assert 0 <= told.lower <= told.share + 1e-12
    assert told.share - 1e-12 <= told.upper <= 1
    assert told.method in METHODS


def coverage(*, females: int, share: float, repeat: float, runs: int, seed: int) -> float:
    """Simulate females with 1 to 4 dens who repeat a type; return how often the interval holds it."""
    draw = np.random.default_rng(seed)
    hits = 0
    for _ in range(runs):
        sizes = draw.integers(1, 5, females)
        chain = draw.random((females, 4)) < share
        keeps = draw.random((females, 4)) < repeat
        for den in range(1, 4):
            chain[:, den] = np.where(keeps[:, den], chain[:, den - 1], chain[:, den])
        told = clustered_share((chain & (np.arange(4) < sizes[:, None])).sum(axis=1), sizes)
        hits += told.lower <= share <= told.upper
    return hits / runs


@pytest.mark.parametrize(("females", "share"), [(20, 0.5), (20, 0.1), (40, 0.5), (40, 0.1)])
def test_coverage_when_females_repeat_types(females: int, share: float) -> None:
    """Nominal .95 within .925-.98 (its 1200 runs have a standard error of .006)."""
    assert 0.925 <= coverage(females=females, share=share, repeat=0.5, runs=1200, seed=11) <= 0.98


def example() -> pd.DataFrame:
    """Return eight dens of five females, one without female, one without class."""
    return pd.DataFrame(
        {
            "den_type": ["tree", "tree", "ground bed", "tree", "unknown", "brush", "", "tree"],
            "landscape_class": ["urban", "urban", "urban", "rural", "rural", "rural", "rural", None],
            "female": ["OB-001", "OB-001", "OB-002", "OB-003", None, "OB-002", "OB-004", "OB-005"],
        }
    )


def tabled(dens: pd.DataFrame) -> pd.DataFrame:
    """Return the frequencies of dens in the example's types and classes."""
    return frequencies(dens["den_type"], dens["landscape_class"], dens["female"], types=TYPES, classes=CLASSES)


def test_rows_come_in_the_order_asked_for_and_drop_nothing() -> None:
    """Unknown, blank type and blank class each have a row; counts add up to the dens handed in."""
    table = tabled(example())
    assert list(table["landscape_class"].unique()) == [*CLASSES, ALL_CLASSES, NO_CLASS]
    assert list(table["den_type"].unique()) == [*TYPES, "unknown", NOT_RECORDED]
    by_class = table.groupby("landscape_class")["n"].sum()
    assert by_class.to_dict() == {"urban": 3, "rural": 4, ALL_CLASSES: 7, NO_CLASS: 1}
    assert table.groupby("landscape_class")["share"].sum().tolist() == pytest.approx([1.0] * 4)


def test_females_are_counted_once_per_group() -> None:
    """OB-002 has dens in both classes: in each once, in all classes once."""
    table = tabled(example()).groupby("landscape_class")[["dens", "females", "dens_without_female"]].first()
    assert table.loc["urban"].tolist() == [3, 2, 0]
    assert table.loc["rural"].tolist() == [4, 3, 1]
    assert table.loc[ALL_CLASSES].tolist() == [7, 4, 1]


def test_dens_without_female_are_each_their_own_cluster() -> None:
    """Twelve dens without id are twelve females; the same with one id are one."""
    types, place = ["tree", "brush"] * 6, ["urban"] * 12
    loose = frequencies(types, place, [None] * 12, types=TYPES, classes=["urban"]).iloc[0]
    one = frequencies(types, place, ["OB-009"] * 12, types=TYPES, classes=["urban"]).iloc[0]
    own = frequencies(types, place, [f"OB-{i}" for i in range(12)], types=TYPES, classes=["urban"]).iloc[0]
    assert (loose["lower"], loose["upper"]) == (own["lower"], own["upper"])
    assert one["interval_method"] == WILSON_FEMALES
    assert one["upper"] - one["lower"] > loose["upper"] - loose["lower"]


def test_empty_class_says_so_without_a_number() -> None:
    """No dens in a class: the rows stand, without share, and nothing warns."""
    table = frequencies(["tree"], ["rural"], ["OB-001"], types=TYPES, classes=CLASSES)
    urban = table[table["landscape_class"] == "urban"]
    assert set(urban["interval_method"]) == {NO_DENS}
    assert urban[["share", "lower", "upper", "wilson_lower", "wilson_upper"]].isna().all(axis=None)
    assert urban["n"].tolist() == [0] * len(TYPES)


def test_no_dens_at_all() -> None:
    """An empty register gives an empty table with its rows."""
    table = frequencies([], [], [], types=TYPES, classes=CLASSES)
    assert table["n"].sum() == 0
    assert len(table) == len(TYPES) * (len(CLASSES) + 1)


def test_wilson_column_is_the_one_for_independent_dens() -> None:
    """81 trees among 263 dens: Newcombe's limits stand beside ours."""
    types = ["tree"] * 81 + ["brush"] * 182
    row = frequencies(types, ["rural"] * 263, [None] * 263, types=TYPES, classes=["rural"]).iloc[0]
    assert (round(row["wilson_lower"], 4), round(row["wilson_upper"], 4)) == (0.2553, 0.3662)


def test_unlisted_names_are_refused() -> None:
    """A type or class that the table does not know is never dropped."""
    with pytest.raises(StatisticsError, match="den type 'cave' is not listed; listed: tree"):
        frequencies(["cave"], ["urban"], ["OB-001"], types=TYPES, classes=CLASSES)
    with pytest.raises(StatisticsError, match="landscape class 'suburb' is not listed"):
        frequencies(["tree"], ["suburb"], ["OB-001"], types=TYPES, classes=CLASSES)


def test_columns_of_different_length_are_refused() -> None:
    """One type, class and female per den."""
    with pytest.raises(StatisticsError, match="differ in number: 1, 2, 1"):
        frequencies(["tree"], ["urban", "urban"], ["OB-001"], types=TYPES, classes=CLASSES)
