"""Den type by class: published tables, R, brute force, simulated studies, and what cannot be said."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest
from scipy import stats

from densite.compare.contingency import _difference, _share, chi_square, dealt_tables, type_by_class
from densite.compare.precision import found_in, shares_for, simulated_types
from densite.compare.resample import Chance, Females, permuted_classes
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

CHANCE = Chance(permutations=999)
# Dens of two studies: nest, excavated, tree; Florida, Great Dismal Swamp.
# Garrison et al. 2012; Hellgren & Vaughan 1989. Statistics computed in R 4.2.2.
PUBLISHED = np.array([[45, 14], [7, 11], [1, 4]]).T
TYPES = ("nest", "excavated", "tree")
CLASSES = ("Florida", "swamp")


def listed(table: np.ndarray) -> tuple[list[str], list[str]]:
    """Types and classes of the dens of a table (class, type)."""
    cells = [(TYPES[t], CLASSES[c]) for c, t in np.ndindex(table.shape) for _ in range(table[c, t])]
    return [cell[0] for cell in cells], [cell[1] for cell in cells]


def block_of(kinds, places, females=None, *, types=TYPES, classes=CLASSES) -> Block:
    """The block, with every den its own female unless given; warnings are errors."""
    females = [f"F{i}" for i in range(len(kinds))] if females is None else females
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return type_by_class(kinds, places, females, types=types, classes=classes, chance=CHANCE)


def test_published_table() -> None:
    """Chi-square, exact p and adjusted residuals as R gives them for two published studies' dens."""
    block = block_of(*listed(PUBLISHED))
    assert block["type-by-class/chi-square"].estimate == pytest.approx(13.072465, abs=1e-6)
    assert block["type-by-class/exact"].p == pytest.approx(0.00125951, abs=1e-8)
    residuals = [block[f"type-by-class/residual/florida/{kind}"].estimate for kind in TYPES]
    np.testing.assert_allclose(residuals, [3.530, -2.586, -2.154], atol=5e-4)
    raw = np.sqrt(13.072465 / 82)
    assert raw == pytest.approx(0.399275, abs=1e-6)
    # Bergsma 2013 by hand: phi2 - (r-1)(c-1)/(n-1) over the smaller corrected dimension less one
    corrected = np.sqrt((raw**2 - 2 / 81) / min(3 - 4 / 81 - 1, 2 - 1 / 81 - 1))
    assert block["type-by-class/association"].estimate == pytest.approx(corrected, abs=1e-6)


def test_simultaneous_intervals_of_goodman() -> None:
    """Counts of Sison & Glaz 1995, as statsmodels' tests have them: first limits .085 and .166."""
    counts = [56, 72, 73, 59, 62, 87, 58]
    types = tuple(f"t{i}" for i in range(7))
    kinds = [types[t] for t, n in enumerate(counts) for _ in range(n)]
    block = block_of(kinds, ["a"] * len(kinds), types=types, classes=("a",))
    first = block["type-by-class/share-together/a/t0"]
    assert (first.lower, first.upper) == pytest.approx((0.085, 0.166), abs=5e-4)


def test_permutation_is_over_females() -> None:
    """Five females, two classes: p of all 10 deals of classes, and not of 2,520 deals of dens."""
    names = ["a", "a", "a", "b", "b", "c", "d", "d", "e"]
    kinds = ["nest"] * 3 + ["nest"] * 2 + ["tree"] + ["tree"] * 2 + ["nest"]
    places = ["Florida"] * 5 + ["swamp"] * 4
    one = np.array([[kind == t for t in TYPES] for kind in kinds], float)
    females = Females.of(names)
    statistics = []
    for chosen in itertools.combinations(range(5), 2):
        klass = np.isin(females.code, chosen).astype(np.int16)
        statistics.append(chi_square(dealt_tables(1 - klass[None], one, classes=2))[0])
    observed = chi_square(dealt_tables(np.array([[0] * 5 + [1] * 4], np.int16), one, classes=2))[0]
    exact = np.mean(np.array(statistics) >= observed - 1e-9)
    found = block_of(kinds, places, names)["type-by-class/test"]
    assert found.estimate == pytest.approx(observed)
    assert found.p == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 999))


def test_shares_differences_and_users() -> None:
    """Shares are of dens of known type; a type of one female has one user; the last class is compared with."""
    kinds = ["nest", "nest", "tree", "unknown", "nest", "tree", "tree", None]
    places = ["Florida"] * 4 + ["swamp"] * 3 + ["swamp"]
    block = block_of(kinds, places, ["a", "a", "b", "b", "c", "d", "e", "f"])
    share = block["type-by-class/share/florida/nest"]
    assert (share.estimate, share.dens, share.females) == (pytest.approx(2 / 3), 3, 2)
    frame = block.frames["shares"].set_index(["class", "type"])
    assert frame.loc[("Florida", "nest"), ["n", "dens", "users"]].tolist() == [2, 3, 1]
    difference = block["type-by-class/difference/florida/nest"]
    assert difference.estimate == pytest.approx(2 / 3 - 1 / 3)
    assert difference.lower < difference.estimate < difference.upper
    assert "2 dens left out: no known type" in block["type-by-class/test"].note


def test_every_number_says_how_it_was_had() -> None:
    """Keys are unique; rows as if dens were independent say so and are never headline."""
    block = block_of(*listed(PUBLISHED))
    assert len({result.key for result in block.results}) == len(block.results)
    for result in block.results:
        assert all((result.method, result.assumes, result.source))
        assert (result.proof == "dens") == result.assumes.startswith(AS_IF_INDEPENDENT)
        assert not (result.headline and result.proof == "dens")
        assert result.lower is None or result.lower <= result.estimate <= result.upper


@pytest.mark.parametrize(
    ("kinds", "places", "names", "said"),
    [
        ([], [], [], "no dens"),
        (["nest", "tree", "nest"], ["swamp"] * 3, ["a", "b", "c"], "in one class: swamp"),
        (["nest"] * 4, ["swamp", "Florida"] * 2, ["a", "b", "c", "d"], "all 4 dens are of one type: nest"),
        (["nest", "tree"], ["swamp", "Florida"], ["a", "b"], "2 females can hardly"),
        (["nest", "tree"] * 2, ["swamp", "Florida"] * 2, ["a"] * 4, "1 females can hardly"),
        (["unknown", None, ""], ["swamp", "Florida", ""], ["a", "b", "c"], "no dens"),
    ],
)
def test_what_cannot_be_compared_is_said(kinds, places, names, said) -> None:
    """One sentence instead of a test; no NaN, no warning."""
    block = block_of(kinds, places, names)
    assert any(said in told.why for told in block.unsaid)
    assert not any(result.key == "type-by-class/test" for result in block.results)
    assert all(np.isfinite([r.estimate, r.lower, r.upper]).all() for r in block.results)


def test_a_class_without_dens_is_said() -> None:
    """The other classes are compared all the same."""
    block = type_by_class(
        ["nest", "tree", "nest", "tree"], ["a", "b", "a", "b"], list("wxyz"), types=TYPES, classes=("a", "b", "c"),
        chance=CHANCE,
    )  # fmt: skip
    assert any(told.what == "den types in c" for told in block.unsaid)
    assert block["type-by-class/test"].p is not None


def test_unequal_columns_and_unknown_classes_are_refused() -> None:
    """With one message."""
    with pytest.raises(StatisticsError, match="1 values for 2 dens"):
        block_of(["nest", "tree"], ["swamp"], ["a", "b"])
    with pytest.raises(StatisticsError, match="'sea' is not listed"):
        block_of(["nest"], ["sea"], ["a"])


def studies(rng: np.random.Generator, *, females: int) -> tuple[np.ndarray, Females]:
    """Classes (mostly one a female) and females with one to four dens, classes of unequal size."""
    sizes = rng.integers(1, 5, females)
    names = np.repeat(np.arange(females), sizes)
    home = rng.choice(3, females, p=[0.2, 0.3, 0.5])
    home[:3] = range(3)
    klass = home[names]
    moved = rng.random(len(names)) < 0.05
    return np.where(moved, rng.integers(0, 3, len(names)), klass), Females.of(names.astype(str))


OVERALL = np.array([0.4, 0.3, 0.2, 0.1])


@pytest.mark.gate
@pytest.mark.parametrize("repeats", [0.0, 0.5, 0.8])
def test_gate_of_the_headline_p(repeats) -> None:
    """Without an effect, 40 designs of 24 females and 100 studies each: p <= .05 in .035 to .065 of them."""
    rng = np.random.default_rng(11)
    found = []
    for _ in range(40):
        klass, females = studies(rng, females=24)
        dealt = permuted_classes(klass, females, draws=199, rng=rng)
        kinds = simulated_types(np.tile(OVERALL, (3, 1)), klass, females, repeats, studies=100, rng=rng)
        found.append(found_in(kinds, klass, dealt, types=4))
    assert 0.035 <= np.mean(np.concatenate(found) <= 0.05) <= 0.065


@pytest.mark.gate
def test_gate_reproduces_that_dens_are_not_independent() -> None:
    """With repeating females the chi-square of dens finds effects that are not there in a fifth to a half of studies.

    Simulated elsewhere: .035, .197 and .499 for chances of repeating of 0, .5 and .8 (24 females, up to 4 dens).
    """
    rng = np.random.default_rng(12)
    for repeats, expected in ((0.0, 0.035), (0.5, 0.197), (0.8, 0.499)):
        found = []
        for _ in range(40):
            names = np.repeat(np.arange(24), rng.integers(1, 5, 24))
            klass = rng.integers(0, 3, 24)[names]
            own = rng.integers(0, 4, (50, 24))[:, names]
            kinds = np.where(rng.random(own.shape) < repeats, own, rng.integers(0, 4, own.shape))
            tables = np.stack(
                [[np.bincount(kind[klass == c], minlength=4) for c in range(3)] for kind in kinds]
            ).astype(float)
            found.append(stats.chi2.sf(chi_square(tables), 6) <= 0.05)
        assert np.mean(found) == pytest.approx(expected, abs=0.05)


@pytest.mark.gate
@pytest.mark.parametrize("females", [20, 40])
@pytest.mark.parametrize("repeats", [0.0, 0.5, 0.8])
def test_gate_of_shares_and_differences(females, repeats) -> None:
    """Shares of .2 to .5 and their differences are covered by 93 to 97 % of intervals (half the females a class)."""
    rng = np.random.default_rng([females, int(10 * repeats)])
    shares = np.array([[0.5, 0.3, 0.2], [0.3, 0.4, 0.3]])
    chance, share, difference = Chance(permutations=99), [], []
    for _ in range(500):
        names = np.repeat(np.arange(2 * females), rng.integers(1, 5, 2 * females))
        klass = (names % 2).astype(np.int64)
        kinds = simulated_types(shares, klass, Females.of(names.astype(str)), repeats, studies=1, rng=rng)[0]
        data = Females.of(names.astype(str))
        for t in range(3):
            told = _share(kinds[klass == 0] == t, data.within(klass == 0), chance)
            share.append(told.lower <= shares[0, t] <= told.upper)
            _, (low, high) = _difference(kinds == t, klass == 0, data, chance)
            difference.append(low <= shares[0, t] - shares[1, t] <= high)
    assert 0.93 <= np.mean(share) <= 0.97
    assert 0.93 <= np.mean(difference) <= 0.97


def test_effects_have_their_size() -> None:
    """Shares made for an effect w have chi-square / n = w squared."""
    klass = np.repeat([0, 1, 2], [30, 20, 50])
    shares = shares_for(0.25, klass, OVERALL, classes=3)
    table = shares * np.bincount(klass)[:, None]
    assert chi_square(table) / 100 == pytest.approx(0.25**2)
    np.testing.assert_allclose(table.sum(axis=0) / 100, OVERALL)
