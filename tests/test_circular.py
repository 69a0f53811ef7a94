"""Statistics of bearings against printed examples, R and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, special

from densite.compare.circular import (
    concentration,
    direction_limits,
    equal_concentrations_p,
    ground_scores,
    grouping_factor,
    length_limits,
    mardia_watson_wheeler,
    mean_direction,
    rayleigh_p,
    resultant_length,
    sorted_bearings,
    uniform_scores,
    unit_vectors,
    watson_u2,
    watson_u2_of,
    watson_u2_p,
    watson_williams,
)
from densite.errors import StatisticsError

# Zar 2010, Biostatistical Analysis, 5th ed.: examples 26.4 and 27.1, 27.7, 27.8, 27.9, 27.10.
BUTTERFLIES = [45, 55, 81, 96, 110, 117, 132, 154]
TWO = ([94, 65, 45, 52, 38, 47, 73, 82, 90, 40, 87], [77, 70, 61, 45, 50, 35, 48, 65, 36])
THREE = ([135, 145, 125, 140, 165, 170], [150, 130, 175, 190, 180, 220], [140, 165, 185, 180, 125, 175, 140])
UNTIED = ([35, 45, 50, 55, 60, 70, 85, 95, 105, 120], [75, 80, 90, 100, 110, 130, 135, 140, 150, 155, 165])
TIED = ([40, 45, 50, 55, 70, 80, 80, 95, 105, 110, 110, 120], [30, 35, 50, 60, 65, 65, 75, 80, 90, 100])

bearings = st.lists(st.integers(0, 359), min_size=2, max_size=12)


def test_mean_and_length_are_those_of_zar() -> None:
    """Zar 2010, example 26.4, prints 99 degrees and .82522."""
    assert mean_direction(BUTTERFLIES) == pytest.approx(98.98775, abs=5e-6)
    assert resultant_length(BUTTERFLIES) == pytest.approx(0.8252177, abs=5e-8)


def test_rayleigh_p_by_both_formulas() -> None:
    """Zar 2010, example 27.1, z 5.448; series .0016442 as R circular 0.4-95, exponential .0018516 as astropy."""
    length = resultant_length(BUTTERFLIES)
    assert 8 * length**2 == pytest.approx(5.447875, abs=5e-7)
    assert rayleigh_p(8, length, formula="series") == pytest.approx(0.0016442, abs=5e-8)
    assert rayleigh_p(8, length) == pytest.approx(0.0018516, abs=5e-8)


def test_rayleigh_p_stays_between_0_and_1() -> None:
    """Eight bearings that agree: the series falls below 0 and is cut, the exponential stays positive."""
    assert rayleigh_p(8, 1.0, formula="series") == 0.0
    assert 0 < rayleigh_p(8, 1.0) < 1e-4
    assert rayleigh_p(1, 0.0) == 1.0


def test_rayleigh_p_by_simulation() -> None:
    """Twelve even bearings exceed the length that the formula puts at .05 in 5 % of draws."""
    length = optimize.brentq(lambda r: rayleigh_p(12, r, formula="series") - 0.05, 0.2, 0.9)
    drawn = unit_vectors(np.random.default_rng(1).uniform(0, 360, (40_000, 12)))
    assert np.mean(np.abs(drawn.mean(axis=1)) > length) == pytest.approx(0.05, abs=0.004)


def test_watson_williams_of_two_samples() -> None:
    """Zar 2010, example 27.7: F 1.61, p .22; 1.6128 with kappa of the weighted lengths (R's other kappa: 1.6173)."""
    told = watson_williams(TWO)
    assert told.statistic == pytest.approx(1.6128, abs=5e-5)
    assert round(told.p, 2) == 0.22


def test_watson_williams_of_three_samples() -> None:
    """Zar 2010, example 27.8: F 1.86, p .19 (data and values as in the tests of pycircstat2)."""
    told = watson_williams(THREE)
    assert (round(told.statistic, 2), round(told.p, 2)) == (1.86, 0.19)


def test_watson_u2_without_ties() -> None:
    """Zar 2010, example 27.9 prints .1458; R circular 0.4-95 gives .145743145743."""
    assert watson_u2(UNTIED) == pytest.approx(0.1457431457, abs=5e-11)
    assert 0.1 < watson_u2_p(watson_u2(UNTIED)) < 0.2


def test_watson_u2_with_ties() -> None:
    """Zar 2010, example 27.10 prints .0612 and p above .5 (data as in the tests of pycircstat2)."""
    assert watson_u2(TIED) == pytest.approx(0.0612, abs=5e-5)
    assert watson_u2_p(watson_u2(TIED)) > 0.5


def test_watson_u2_p_at_known_quantiles() -> None:
    """Limits of U2: .152 at 10 %, .187 at 5 %, .268 at 1 % (Zar 2010, table B.38a, from memory)."""
    for u2, p in ((0.152, 0.1), (0.187, 0.05), (0.268, 0.01)):
        assert watson_u2_p(u2) == pytest.approx(p, rel=0.02)
    assert watson_u2_p(0.0) == 1.0


def test_mardia_watson_wheeler_of_two_samples() -> None:
    """Zar 2010, example 27.11 prints W 3.678; R circular 0.4-95 gives 3.67827003589, p .158954859761."""
    told = mardia_watson_wheeler(UNTIED)
    assert (told.statistic, told.p) == pytest.approx((3.67827003589, 0.158954859761), abs=5e-11)


def test_mardia_watson_wheeler_of_three_samples() -> None:
    """R circular 0.4-95, watson.wheeler.test on untied bearings of 6, 4 and 6: W 3.54050240184."""
    given = np.array([135, 145, 125, 140, 165, 170, 150, 130, 175, 115, 150, 160, 180, 190, 210, 120])
    given = given + np.arange(1, 17) / 10
    assert mardia_watson_wheeler(np.split(given, [6, 10])).statistic == pytest.approx(3.54050240184, abs=5e-11)


def test_all_tied_bearings_do_not_differ() -> None:
    """One bearing everywhere: no evidence in scores, nor in U2."""
    told = mardia_watson_wheeler([[90, 90], [90, 90, 90]])
    assert (told.statistic, told.p) == (0.0, 1.0)
    assert watson_u2([[90, 90], [90, 90, 90]]) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("first", "second", "p"),
    [
        (*TWO, 0.312081732976),
        ([10, 50, 90, 170, 200, 340, 20, 60, 120, 5], [330, 20, 100, 140, 260, 40, 75, 15, 60, 95, 80], 0.694949796913),
        (
            [10, 50, 90, 170, 200, 340, 20, 280, 120, 5],
            [330, 20, 100, 140, 260, 40, 75, 215, 60, 295, 80],
            0.992166953274,
        ),
    ],
)
def test_equal_concentrations_as_in_r(first: list[int], second: list[int], p: float) -> None:
    """R circular 0.4-95, EqualKappaTestRad: lengths of .95, .50 and .28, one for each form of the test."""
    assert equal_concentrations_p([first, second]) == pytest.approx(p, abs=5e-11)


def test_concentration_solves_its_equation() -> None:
    """Against a root finder on I1/I0; kappa 2 has a length of .69777 (Zar 2010, table B.35, from memory)."""
    for length in (0.01, 0.3, 0.52, 0.54, 0.84, 0.86, 0.95, 0.999):
        root = optimize.brentq(lambda k, r=length: special.i1e(k) / special.i0e(k) - r, 0, 5000, xtol=1e-12)
        assert concentration(length) == pytest.approx(root, rel=1e-7)
    assert concentration(0.69777) == pytest.approx(2, abs=1e-4)
    assert concentration(0.0) == 0


def test_grouping_factor_is_that_of_a_sector() -> None:
    """Zar's c for d of 45 degrees against the mean of a million vectors in the octant; nothing for exact ones."""
    inside = (np.arange(1_000_000) + 0.5) / 1e6 * 45 - 22.5
    assert grouping_factor(22.5) == pytest.approx(1 / abs(unit_vectors(inside).mean()), rel=1e-9)
    assert grouping_factor([0, np.nan]) == pytest.approx([1, 1])


@given(first=bearings, second=bearings, turn=st.integers(0, 359))
def test_samples_may_be_turned_and_swapped(first: list[int], second: list[int], turn: int) -> None:
    """U2 and W see only the order on the circle: no north, no first sample."""
    there = [np.add(second, turn), np.add(first, turn)]
    assert watson_u2(there) == pytest.approx(watson_u2([first, second]), abs=1e-9)
    assert mardia_watson_wheeler(there).statistic == pytest.approx(
        mardia_watson_wheeler([first, second]).statistic, abs=1e-6
    )


def test_u2_of_rows_is_that_of_each() -> None:
    """Many rows of samples at once against one at a time."""
    rng = np.random.default_rng(3)
    given, dealt = rng.integers(0, 36, 15) * 10, np.array([rng.permutation(np.repeat([0, 1, 2], 5)) for _ in range(6)])
    order, ends = sorted_bearings(given)
    together = watson_u2_of(dealt[:, order], ends, 3)
    assert together == pytest.approx([watson_u2([given[row == k] for k in range(3)]) for row in dealt])


def test_tied_bearings_share_their_rank() -> None:
    """Of 10, 20, 20, 30 the middle two have rank 2.5; 360 is 0."""
    assert uniform_scores([10, 20, 20, 30]) == pytest.approx(np.exp(0.5j * np.pi * np.array([1, 2.5, 2.5, 4])))
    assert uniform_scores([360, 90]) == pytest.approx(uniform_scores([0, 90]))


def test_ground_scores_make_the_ground_even() -> None:
    """Scores of the available aspects cancel out; an octant's score is the mean over the ground in it."""
    ground = np.sort(np.degrees(np.random.default_rng(4).vonmises(0.6, 1.2, 100_000)) % 360)
    even = ground_scores(ground, np.zeros(len(ground)), ground).mean(axis=0)
    assert np.abs(even) == pytest.approx([0, 0], abs=1e-4)
    near = np.abs((ground - 0 + 180) % 360 - 180) < 22.5
    octant = ground_scores(np.array([0.0]), np.array([22.5]), ground)[0]
    inside = ground_scores(ground[near], np.zeros(near.sum()), ground).mean(axis=0)
    assert octant == pytest.approx(inside, abs=1e-3)


def test_direction_limits_by_hand() -> None:
    """Vectors 1, 1, 1j without clusters: the jackknife's error across the mean, and t of 2 degrees."""
    vectors = np.array([1, 1, 1j])
    mean, left_out = vectors.mean(), (vectors.sum() - vectors) / 2
    across = ((left_out - mean) * np.exp(-1j * np.angle(mean))).imag
    sine = 4.30265273 * np.sqrt(2 / 3 * np.sum(across**2)) / abs(mean)
    assert sine > 1
    assert direction_limits(complex(mean), left_out, confidence=0.95) is None
    half = np.degrees(np.arcsin(sine * 0.81649658 / 4.30265273))  # t of 2 degrees at .5
    lower, upper = direction_limits(complex(mean), left_out, confidence=0.5) or (0, 0)
    assert (lower, upper) == pytest.approx(((26.565051 - half) % 360, 26.565051 + half), abs=1e-5)


def test_no_limits_where_there_is_no_spread() -> None:
    """Females that agree, or two of them, give no interval of a length."""
    same, two = np.array([2 + 0j, 1 + 0j, 1 + 0j]), np.array([1 + 0j, 1j])
    assert length_limits(same, np.array([2.0, 1.0, 1.0]), np.ones((9, 3)), confidence=0.95) is None
    assert length_limits(two, np.ones(2), np.ones((9, 2)), confidence=0.95) is None
    assert direction_limits(1 + 0j, np.array([1 + 0j, 1 + 0j]), confidence=0.95) is None


def test_wrong_samples_are_named() -> None:
    """No bearing, an empty sample, one sample, or a length or width that is none."""
    with pytest.raises(StatisticsError, match="at least one bearing"):
        resultant_length([])
    with pytest.raises(StatisticsError, match="at least one bearing"):
        rayleigh_p(0, 0.5)
    with pytest.raises(StatisticsError, match="sizes found: 2, 0"):
        watson_u2([[1, 2], []])
    with pytest.raises(StatisticsError, match="more bearings than samples"):
        watson_williams([[1], [2]])
    with pytest.raises(StatisticsError, match="below 1"):
        concentration(1.0)
    with pytest.raises(StatisticsError, match="half the width"):
        grouping_factor(180)


def test_bearings_that_cancel_out_have_no_direction() -> None:
    """North and south, or nothing at all."""
    assert mean_direction([0, 180]) is None
    assert mean_direction([]) is None


COVER = [(20, 0.4, 0.5), (20, 0.8, 0.0), (20, 0.8, 0.5), (20, 0.8, 0.8), (40, 0.4, 0.0), (40, 0.6, 0.5), (40, 0.6, 0.8)]


@pytest.mark.gate
@pytest.mark.parametrize(("count", "length", "repeat"), COVER)
def test_intervals_cover_the_population(count: int, length: float, repeat: float) -> None:
    """95 % intervals of direction and length, with females of one to four dens who repeat an aspect."""
    rng, kappa = np.random.default_rng(11), float(concentration(length))
    runs = 3000
    hits = np.zeros(2)
    for _ in range(runs):
        sizes = rng.integers(1, 5, count)
        code = np.repeat(np.arange(count), sizes)
        aspect = rng.vonmises(1.0, kappa, len(code))
        first = np.append(0, np.cumsum(sizes)[:-1])[code]
        vectors = np.exp(1j * np.where(rng.random(len(code)) < repeat, aspect[first], aspect))
        totals = np.bincount(code, vectors.real) + 1j * np.bincount(code, vectors.imag)
        left_out = (totals.sum() - totals) / (len(code) - sizes)
        lower, upper = direction_limits(complex(vectors.mean()), left_out, confidence=0.95) or (0.0, 360.0)
        hits[0] += (np.degrees(1.0) - lower) % 360 <= (upper - lower) % 360 or upper - lower == 360
        weights = rng.multinomial(count, np.full(count, 1 / count), size=299).astype(float)
        limits = length_limits(totals, sizes.astype(float), weights, confidence=0.95)
        assert limits is not None
        hits[1] += limits[0] <= length <= limits[1]
    assert np.all((hits / runs >= 0.93) & (hits / runs <= 0.97)), hits / runs
