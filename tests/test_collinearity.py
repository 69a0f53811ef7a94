"""Rank correlations and variance inflation, against R and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from densite.compare.collinearity import collinear, inflations
from densite.compare.resample import Chance
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

# Longley 1967, J. American Statistical Association 62: 819-841; as in R's datasets
LONGLEY = pd.DataFrame({
    "deflator": [83, 88.5, 88.2, 89.5, 96.2, 98.1, 99, 100, 101.2, 104.6, 108.4, 110.8, 112.6, 114.2, 115.7, 116.9],
    "gnp": [234.289, 259.426, 258.054, 284.599, 328.975, 346.999, 365.385, 363.112, 397.469, 419.18, 442.769, 444.546,
            482.704, 502.601, 518.173, 554.894],
    "unemployed": [235.6, 232.5, 368.2, 335.1, 209.9, 193.2, 187, 357.8, 290.4, 282.2, 293.6, 468.1, 381.3, 393.1,
                   480.6, 400.7],
    "forces": [159, 145.6, 161.6, 165, 309.9, 359.4, 354.7, 335, 304.8, 285.7, 279.8, 263.7, 255.2, 251.4, 257.2,
               282.7],
    "population": [107.608, 108.632, 109.773, 110.929, 112.075, 113.27, 115.094, 116.219, 117.388, 118.734, 120.445,
                   121.95, 123.366, 125.368, 127.852, 130.081],
    "year": list(range(1947, 1963)),
})  # fmt: skip


def screened(frame, females=None, **headings) -> Block:
    """Screen columns; every den has its own female unless given."""
    frame = pd.DataFrame(frame)
    females = [f"F{i}" for i in range(len(frame))] if females is None else females
    return collinear(frame, females, headings=headings, chance=Chance())


def assert_finite(block: Block) -> None:
    """Check that every number of every result is one, and keys are unique."""
    for result in block.results:
        numbers = [n for n in (result.estimate, result.lower, result.upper) if n is not None]
        assert np.isfinite(numbers).all(), result
    assert len({result.key for result in block.results}) == len(block.results)


def test_inflation_matches_r() -> None:
    """R 4.2.2 diag(solve(cor(longley[, 1:6]))); the same figures are in many textbooks."""
    known = [135.53243827998, 1788.51348271761, 33.61889059604, 3.58893019345, 399.15102231252, 758.98059740682]
    assert inflations(LONGLEY.to_numpy()) == pytest.approx(known, rel=1e-8)
    result = screened(LONGLEY, forces="Armed forces")["collinearity/inflation/armed-forces"]
    assert result.estimate == pytest.approx(3.58893019345)
    assert result.proof == "dens"
    assert result.assumes.startswith(AS_IF_INDEPENDENT)


def test_rank_correlations_match_r() -> None:
    """R 4.2.2 cor(longley[, 1:6], method = 'spearman')."""
    pairs = screened(LONGLEY).frames["correlations"].set_index(["first", "second"])["rho"]
    assert pairs["deflator", "unemployed"] == pytest.approx(0.664705882353)
    assert pairs["unemployed", "forces"] == pytest.approx(-0.341176470588)
    assert pairs["gnp", "year"] == pytest.approx(0.994117647059)
    assert len(pairs) == 15


def test_close_pairs_are_shown() -> None:
    """Of the 15 pairs of Longley's columns, the six among four that grow are beyond .7; a perfect one has no limits."""
    block = screened(LONGLEY)
    assert block["collinearity/pairs"].estimate == 6
    shown = [result for result in block.results if "/rank/" in result.key]
    assert len(shown) == 6
    assert block["collinearity/rank/population/year"].lower is None
    assert any("population and year" in unsaid.what for unsaid in block.unsaid)
    close = block["collinearity/rank/deflator/gnp"]
    assert 0.9 < close.lower < close.estimate < close.upper < 1


def test_interval_counts_females() -> None:
    """Writing every den down three times for its female changes neither the correlation nor its interval."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=30)
    frame = pd.DataFrame({"a": x, "b": x + 0.5 * rng.normal(size=30)})
    once, thrice = screened(frame), screened(pd.concat([frame] * 3), [f"F{i}" for i in range(30)] * 3)
    first, second = (block["collinearity/rank/a/b"] for block in (once, thrice))
    assert (second.estimate, second.lower, second.upper) == pytest.approx((first.estimate, first.lower, first.upper))
    assert (second.dens, second.females) == (90, 30)


def test_exact_combination_is_said() -> None:
    """A quantity that is the sum of two others has no inflation, and the block says so."""
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(rng.normal(size=(20, 2)), columns=["a", "b"])
    frame["c"] = frame["a"] + frame["b"]
    frame["d"] = rng.normal(size=20)
    block = screened(frame)
    assert [result.where for result in block.results if "/inflation/" in result.key] == ["d"]
    assert sum("exactly from the others" in unsaid.why for unsaid in block.unsaid) == 3


@pytest.mark.parametrize(
    ("frame", "said"),
    [
        ({}, "fewer than two quantities vary"),
        ({"a": []}, "0 dens with a value"),
        ({"a": [np.nan] * 5, "b": [1.0, 2, 3, 4, 5]}, "0 dens with a value"),
        ({"a": [3.0] * 5, "b": [1.0, 2, 3, 4, 5]}, "all dens have the same value"),
        ({"a": ["x"] * 5, "b": [1.0, 2, 3, 4, 5]}, "0 dens with a value"),
        ({"a": [1.0, 2], "b": [2.0, 1]}, "2 dens with a value"),
        ({"a": [1.0, 2, 3, np.nan, np.nan, np.nan], "b": [np.nan, np.nan, np.nan, 1, 2, 3]}, "too few dens with both"),
        ({"a": [1.0, 1, 2, 5, np.nan], "b": [1.0, 2, 3, np.nan, np.inf]}, "only 3 dens with all 2 quantities"),
    ],
)
def test_what_cannot_be_said_is_said(frame, said) -> None:
    """Empty, missing, constant and unreadable columns give clear statements."""
    block = screened(frame)
    assert any(said in unsaid.why for unsaid in block.unsaid), block.unsaid
    assert_finite(block)


def test_one_female() -> None:
    """Dens of one female give correlations without interval."""
    block = screened({"a": [1.0, 2, 3, 4, 5, 6], "b": [1.0, 3, 2, 4, 6, 5]}, ["F"] * 6)
    assert block["collinearity/rank/a/b"].lower is None
    assert_finite(block)


def test_as_many_females_as_dens() -> None:
    """Females and rows must be equally many."""
    with pytest.raises(StatisticsError, match="2 values for 3 dens"):
        screened({"a": [1.0, 2, 3]}, ["F", "G"])


@pytest.mark.gate
@pytest.mark.parametrize("females", [20, 40])
@pytest.mark.parametrize("likeness", [0.0, 0.5, 0.8])
def test_correlation_intervals_cover(females, likeness) -> None:
    """Of 1,000 studies, .93 to .97 of the intervals of a close pair hold its rank correlation."""
    rng = np.random.default_rng([females, int(10 * likeness)])
    truth = 6 / np.pi * np.arcsin(0.8 / 2)  # of normal quantities correlated .8, Pearson 1907
    hits = [covered(females, likeness, truth, rng) for _ in range(1000)]
    print(females, likeness, np.mean(hits))
    assert 0.93 <= np.mean(hits) <= 0.97


def covered(females: int, likeness: float, truth: float, rng: np.random.Generator) -> bool:
    """Return whether the interval of one simulated pair holds the truth."""
    code = np.repeat(np.arange(females), rng.integers(1, 5, females))

    def quantity() -> np.ndarray:
        own = rng.standard_normal(females)[code]
        return np.sqrt(likeness) * own + np.sqrt(1 - likeness) * rng.standard_normal(len(code))

    x = quantity()
    frame = pd.DataFrame({"a": x, "b": 0.8 * x + 0.6 * quantity()})
    pairs = screened(frame, code).frames["correlations"]
    return bool(pairs["lower"][0] <= truth <= pairs["upper"][0])
