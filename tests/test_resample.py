"""Chance over females: what may be exchanged, exact p-values on tiny studies, intervals in closed form."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from densite.compare.resample import (
    Chance,
    Females,
    female_weights,
    holm,
    jackknife_interval,
    percentile_interval,
    permutation_p,
    permutation_rule,
    permuted_classes,
    permuted_gradient,
)
from densite.errors import StatisticsError

RNG = np.random.default_rng(3)


def test_a_den_without_a_female_stands_alone() -> None:
    """Blank, None and NaN are nobody; the same name is one female, and a number is a name."""
    females = Females.of(["OB-001", None, "OB-001 ", "", float("nan"), 7, "7"])
    assert females.code.tolist() == [0, 1, 0, 2, 3, 4, 4]
    assert (females.count, females.known) == (5, 2)
    assert females.sizes.tolist() == [2, 1, 1, 1, 2]
    some = females.within(np.array([False, True, True, False, False, False, True]))
    assert some.code.tolist() == [1, 0, 2]
    assert (some.count, some.known) == (3, 2)
    np.testing.assert_array_equal(females.totals(np.arange(7.0)), [2, 1, 3, 4, 11])


def test_all_deals_of_a_tiny_study_occur_equally_often() -> None:
    """Three females, one with two dens: each of the six deals of three classes, in one sixth of the draws."""
    females = Females.of(["a", "b", "a", "c"])
    drawn = permuted_classes(np.array([0, 1, 0, 2]), females, draws=6000, rng=RNG)
    deals, counts = np.unique(drawn, axis=0, return_counts=True)
    expected = {(x, y, x, z) for x, y, z in itertools.permutations(range(3))}
    assert set(map(tuple, deals.tolist())) == expected
    assert stats.chisquare(counts).pvalue > 0.001


def test_mixed_females_pass_on_whole_patterns() -> None:
    """Patterns go to females with equally many dens only, and constant ones among themselves."""
    names = ["a", "a", "b", "b", "c", "c", "c", "d", "e"]
    classes = np.array([0, 1, 2, 3, 0, 0, 4, 5, 6])
    drawn = permuted_classes(classes, Females.of(names), draws=4000, rng=RNG)
    assert {frozenset(pattern) for pattern in np.unique(drawn[:, :2], axis=0).tolist()} == {
        frozenset({0, 1}), frozenset({2, 3}),
    }  # fmt: skip
    assert len(np.unique(drawn[:, :4], axis=0)) == 8
    assert {tuple(sorted(p)) for p in drawn[:, 4:7].tolist()} == {(0, 0, 4)}
    assert len(np.unique(drawn[:, 4:7], axis=0)) == 3
    assert np.unique(drawn[:, 7:], axis=0).tolist() == [[5, 6], [6, 5]]
    assert "2 females with all dens in one class" in permutation_rule(classes, Females.of(names))
    assert "3 with dens in several classes" in permutation_rule(classes, Females.of(names))


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["a", "b", "c", "d", ""]), st.integers(0, 3)), min_size=1, max_size=20))
def test_every_deal_keeps_what_must_stay(dens) -> None:
    """Each female keeps her number of dens in one class or several; mixed females' dens keep their classes' counts."""
    names, classes = zip(*dens, strict=True)
    females = Females.of(names)
    drawn = permuted_classes(np.array(classes), females, draws=20, rng=RNG)
    for deal in drawn:
        for female in range(females.count):
            own = females.code == female
            assert (np.ptp(deal[own]) > 0) == (np.ptp(np.array(classes)[own]) > 0)
    x = permuted_gradient(np.array(classes, float), females, draws=20, rng=RNG)
    np.testing.assert_allclose(np.sort([females.totals(row) / females.sizes for row in x], axis=1),
                               np.tile(np.sort(females.totals(np.array(classes, float)) / females.sizes), (20, 1)),
                               atol=1e-12)  # fmt: skip


def test_the_gradient_is_dealt_out_as_means_and_deviations() -> None:
    """Two females with two and one dens: two places for the means, two orders of the deviations."""
    drawn = permuted_gradient([0.0, 2.0, 10.0], Females.of(["a", "a", "b"]), draws=500, rng=RNG)
    assert np.unique(drawn, axis=0).tolist() == [[0, 2, 10], [2, 0, 10], [9, 11, 1], [11, 9, 1]]


def test_p_counts_ties_up_to_rounding() -> None:
    """Of four draws two reach the observed value, one by rounding: (2 + 1) / (4 + 1)."""
    assert permutation_p(0.3, np.array([0.1 + 0.2 - 1e-15, 0.5, 0.1, 0.2])) == 0.6


def test_holm_against_published_values() -> None:
    """Values of statsmodels' multipletests."""
    np.testing.assert_allclose(holm([0.03, 0.001, 0.2, 0.04, 0.012]), [0.09, 0.005, 0.2, 0.09, 0.048])
    assert holm([]).size == 0


def test_jackknife_of_a_mean_is_the_t_interval() -> None:
    """One den a female: the interval of the mean that scipy gives."""
    x = RNG.normal(size=12)
    found = jackknife_interval(x.mean(), (x.sum() - x) / 11, confidence=0.9)
    np.testing.assert_allclose(found, stats.t.interval(0.9, 11, x.mean(), stats.sem(x)))
    assert jackknife_interval(1.0, np.array([1.0]), confidence=0.95) is None
    assert jackknife_interval(1.0, np.array([1.0, np.nan]), confidence=0.95) is None


def test_expanded_percentiles_of_a_normal_mean() -> None:
    """Of exactly normal draws with the plug-in spread: the t interval (Hesterberg 2015)."""
    draws = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000) * np.sqrt(9 / 10) / np.sqrt(10)
    found = percentile_interval(draws, females=10, confidence=0.95)
    np.testing.assert_allclose(found, stats.t.interval(0.95, 9, 0, 1 / np.sqrt(10)), rtol=1e-3)
    assert percentile_interval(draws, females=1, confidence=0.95) is None
    assert percentile_interval(np.array([1.0, np.nan]), females=9, confidence=0.95) is None


def test_weights_count_females() -> None:
    """Each resample holds as many females as there are, and each is expected once."""
    weights = female_weights(Females.of(["a", "b", "b", "c"]), draws=3000, rng=RNG)
    assert (weights.sum(axis=1) == 3).all()
    np.testing.assert_allclose(weights.mean(axis=0), 1, atol=0.06)


def test_chance_is_a_parts_own() -> None:
    """The same seed and name give the same numbers, another name or seed gives others."""
    first = Chance(seed=4).rng("aspect").random(3)
    np.testing.assert_array_equal(first, Chance(seed=4).rng("aspect").random(3))
    assert not np.array_equal(first, Chance(seed=4).rng("slope").random(3))
    assert not np.array_equal(first, Chance(seed=5).rng("aspect").random(3))
    with pytest.raises(StatisticsError, match="between 0 and 1"):
        percentile_interval(np.zeros(9), females=9, confidence=95)
