"""Dens near each other: against esda, by brute force, and with females who repeat themselves."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import libpysal
import numpy as np
import pandas as pd
import pytest

from densite.compare.resample import Chance
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.compare.spatial import autocorrelation, dealt_within, moran, nearest_weights, same_joins
from densite.errors import StatisticsError

QUICK = Chance(permutations=199)


def block(x: Any, y: Any, female: Any, value: Any, *, winter: Any = None, chance: Chance = QUICK) -> Block:
    """Look at dens of one winter, unless told otherwise."""
    winters = [2024] * len(x) if winter is None else winter
    return autocorrelation(x, y, winters, female, value, what="tree den", chance=chance)


@pytest.fixture(scope="module")
def columbus() -> pd.DataFrame:
    """Return the 49 neighbourhoods of Columbus (Anselin 1988), an example that libpysal carries."""
    return gpd.read_file(libpysal.examples.get_path("columbus.shp"))


@pytest.mark.parametrize(("neighbours", "expected"), [(5, 0.6061440296894486), (8, 0.43667129958422735)])
def test_moran_is_that_of_esda(columbus: pd.DataFrame, neighbours: int, expected: float) -> None:
    """esda 2.9.0 with libpysal 4.14.1: Moran(CRIME, KNN.from_array(X, Y), transform 'r').I."""
    places, values = columbus[["X", "Y"]].to_numpy(), columbus["CRIME"].to_numpy()
    weights = nearest_weights(places, np.arange(49), neighbours=neighbours)
    assert moran(values[None, :], weights) == pytest.approx([expected], abs=1e-12)


def test_joins_are_those_of_esda(columbus: pd.DataFrame) -> None:
    """esda 2.9.0, Join_Counts(CRIME above its median, 5 nearest): bb 50, ww 45, bw 27.5 of 122.5."""
    places = columbus[["X", "Y"]].to_numpy()
    kinds = np.where(columbus["CRIME"] > columbus["CRIME"].median(), 1.0, -1.0)
    assert same_joins(kinds[None, :], nearest_weights(places, np.arange(49))) == pytest.approx([95 / 122.5])


def test_neighbours_are_those_of_libpysal(columbus: pd.DataFrame) -> None:
    """The same five nearest as libpysal 4.14.1 finds."""
    places = columbus[["X", "Y"]].to_numpy()
    theirs = libpysal.weights.KNN.from_array(places, k=5).neighbors
    ours = nearest_weights(places, np.arange(49))
    assert all(set(ours[[row]].nonzero()[1]) == set(theirs[row]) for row in range(49))


def test_neighbours_of_other_groups_by_hand() -> None:
    """On a line at 0, 1, 2, 3: a place of a group has only others', each row sums to 1."""
    places = np.array([[0.0, 0], [1, 0], [2, 0], [3, 0]])
    weights = nearest_weights(places, np.array([0, 0, 1, 2]), neighbours=2).toarray()
    assert weights.tolist() == [[0, 0, 0.5, 0.5], [0, 0, 0.5, 0.5], [0, 0.5, 0, 0.5], [0, 0.5, 0.5, 0]]


def test_coincident_places_are_neighbours_and_never_their_own() -> None:
    """Eight dens at one place: nobody is a neighbour of itself."""
    weights = nearest_weights(np.zeros((8, 2)), np.arange(8)).toarray()
    assert np.diag(weights).tolist() == [0] * 8
    assert weights.sum(axis=1) == pytest.approx(np.ones(8))


def test_dealing_stays_within_winters() -> None:
    """Each winter keeps its values; a winter with one den keeps its den's."""
    winter, values = np.array([0, 0, 0, 1, 1, 2]), np.arange(6.0)
    dealt = dealt_within(values, winter, draws=200, rng=np.random.default_rng(1))
    assert {tuple(sorted(row[:3])) for row in dealt} == {(0, 1, 2)}
    assert len({tuple(row[:5]) for row in dealt}) == 12
    assert set(dealt[:, 5]) == {5}


def test_permutations_agree_with_the_moments_of_moran(columbus: pd.DataFrame) -> None:
    """One winter: mean -1/48 and the variance under randomisation of esda 2.9.0, .0063972."""
    places, values = columbus[["X", "Y"]].to_numpy(), columbus["CRIME"].to_numpy()
    dealt = dealt_within(values, np.zeros(49, np.int64), draws=20_000, rng=np.random.default_rng(2))
    drawn = moran(dealt, nearest_weights(places, np.arange(49)))
    assert drawn.mean() == pytest.approx(-1 / 48, abs=0.002)
    assert drawn.var() == pytest.approx(0.006397222985988147, rel=0.04)


def test_a_pattern_over_the_land_is_found() -> None:
    """Tree dens in the north only, one den a female: everything says so."""
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 1e4, (2, 80))
    told = block(x, y, np.arange(80).astype(str), (y > 5000) * 1.0, winter=rng.integers(2018, 2024, 80))
    assert {result.key: result.p for result in told.results} == dict.fromkeys(
        ["spatial/moran/females", "spatial/moran/all", "spatial/joins/all", "spatial/moran/others",
         "spatial/joins/others"], 0.005,
    )  # fmt: skip
    assert told["spatial/moran/females"].headline
    assert told["spatial/moran/all"].assumes.startswith(AS_IF_INDEPENDENT)
    assert "y_m" not in told.frames["neighbours"]


def test_winters_means_are_no_pattern() -> None:
    """Every den of one winter alike, and each winter in its own valley: nothing is left beside the winters."""
    winter = np.repeat([1, 2, 3], 10)
    told = block(winter * 1e4 + np.arange(30), np.zeros(30), np.arange(30).astype(str), winter * 1.0, winter=winter)
    assert not told.results
    assert len(told.unsaid) == 3


MANY = np.arange(30.0)
NAMES = MANY.astype(str)
POOR: dict[str, dict[str, Any]] = {
    "no den": {"x": [], "y": [], "female": [], "value": []},
    "one den": {"x": [1], "y": [1], "female": ["a"], "value": [1]},
    "fewer dens than neighbours": {"x": MANY[:4], "y": MANY[:4], "female": NAMES[:4], "value": [0, 1, 0, 1]},
    "one place": {"x": MANY * 0, "y": MANY * 0, "female": NAMES, "value": MANY},
    "one value": {"x": MANY, "y": MANY, "female": NAMES, "value": MANY * 0 + 0.1},
    "all missing": {"x": MANY, "y": MANY, "female": NAMES, "value": [np.nan] * 30},
    "one female": {"x": MANY, "y": MANY, "female": ["a"] * 30, "value": MANY % 2},
    "few females": {"x": MANY, "y": MANY, "female": list("abc") * 10, "value": MANY % 2},
    "one den a winter": {"x": MANY, "y": MANY, "female": NAMES, "value": MANY % 2, "winter": np.arange(30)},
}


@pytest.mark.parametrize("case", POOR)
def test_poor_input_is_said_and_not_computed(case: str) -> None:
    """No number that is not finite, no warning; what cannot be had is said."""
    told = block(**POOR[case])
    numbers = [getattr(r, name) for r in told.results for name in ("estimate", "p")]
    assert np.isfinite(np.array(numbers, dtype=float)).all()
    assert told.unsaid


def test_pairs_of_coincident_dens_and_a_lonely_winter_are_fine() -> None:
    """Two dens at each place, a winter with one den, dens without winter or female: all is told."""
    winter = pd.array([2020] * 15 + [2021] * 10 + [2022] + [None] * 4, dtype="Int64")
    told = block(MANY // 2, MANY * 0, [*NAMES[:28], None, ""], MANY % 3, winter=winter)
    assert not told.unsaid
    assert told["spatial/moran/females"].dens == 29
    assert "alone in their winter" in told["spatial/moran/females"].note
    assert told["spatial/moran/all"].females == 28


def test_columns_of_other_lengths_are_named() -> None:
    """One value too few is an error, not a shift."""
    with pytest.raises(StatisticsError, match="residuals: 1 values for 2 dens"):
        block([1, 2], [1, 2], ["a", "b"], [1])


@pytest.mark.gate
@pytest.mark.parametrize("repeat", [0.0, 0.5, 0.8])
def test_size_of_the_headline(repeat: float) -> None:
    """Females in clumps, winters of their own share, types that females repeat: p at most .05 in 5 % of studies."""
    rng, found = np.random.default_rng(31), []
    for seed in range(2000):
        count = int(rng.choice([20, 40]))
        sizes = rng.integers(1, 5, count)
        code = np.repeat(np.arange(count), sizes)
        xy = rng.integers(0, 5, (count, 2))[code] * 5000 + rng.normal(0, 1500, (count, 2))[code]
        xy = xy + rng.normal(0, 800, (len(code), 2))
        winter = rng.integers(0, 6, len(code))
        kind = (rng.random(len(code)) < rng.uniform(0.3, 0.7, 6)[winter]) * 1.0
        first = np.append(0, np.cumsum(sizes)[:-1])[code]
        kind = np.where(rng.random(len(code)) < repeat, kind[first], kind)
        told = block(*xy.T, code.astype(str), kind, winter=winter, chance=Chance(seed=seed, permutations=199))
        found += [result.p for result in told.results if result.headline and result.p is not None]
    assert len(found) > 1900
    assert 0.035 <= np.mean(np.array(found) <= 0.05) <= 0.065
