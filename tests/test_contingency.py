"""Den type by class: published tables, R, brute force, simulated studies, and what cannot be said."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest
from scipy import stats
from simulated import Design, design, linked, partly_mixed, types_of

from densite.compare.contingency import _difference, _share, chi_square, dealt_tables, type_by_class
from densite.compare.fidelity import den_weights
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
    """Six females, two classes: p of all 15 deals of classes, and not of 210 deals of dens."""
    names = ["a", "a", "a", "b", "b", "c", "d", "d", "e", "f"]
    kinds = ["nest"] * 3 + ["nest"] * 2 + ["tree"] + ["tree"] * 2 + ["nest", "tree"]
    places = ["Florida"] * 5 + ["swamp"] * 5
    one = np.array([[kind == t for t in TYPES] for kind in kinds], float)
    females = Females.of(names)
    # 5 pairs of dens of one female, all of one type: fidelity is 1
    one /= females.sizes[females.code][:, None]
    statistics = []
    for chosen in itertools.combinations(range(6), 2):
        klass = np.isin(females.code, chosen).astype(np.int16)
        statistics.append(chi_square(dealt_tables(1 - klass[None], one, classes=2))[0])
    observed = chi_square(dealt_tables(np.array([[0] * 5 + [1] * 5], np.int16), one, classes=2))[0]
    exact = np.mean(np.array(statistics) >= observed - 1e-9)
    found = block_of(kinds, places, names)["type-by-class/test"]
    assert found.estimate == pytest.approx(observed)
    assert found.p == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 999))


def test_shares_differences_and_users() -> None:
    """Shares are of dens of known type; a type of one female has one user; the last class is compared with."""
    kinds = ["nest", "nest", "tree", "unknown", "nest", "tree", "tree", None]
    places = ["Florida"] * 4 + ["swamp"] * 3 + ["swamp"]
    block = block_of([*kinds, "tree"], [*places, "swamp"], ["a", "a", "b", "b", "c", "d", "e", "f", "g"])
    share = block["type-by-class/share/florida/nest"]
    assert (share.estimate, share.dens, share.females) == (pytest.approx(2 / 3), 3, 2)
    frame = block.frames["shares"].set_index(["class", "type"])
    assert frame.loc[("Florida", "nest"), ["n", "dens", "users"]].tolist() == [2, 3, 1]
    difference = block["type-by-class/difference/florida/nest"]
    assert difference.estimate == pytest.approx(2 / 3 - 1 / 4)
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
        (["nest", "tree"], ["swamp", "Florida"], ["a", "b"], "of 2 females; 6 are needed"),
        (["nest", "tree"] * 2, ["swamp", "Florida"] * 2, ["a"] * 4, "of 1 female; 6 are needed"),
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
        ["nest", "tree"] * 3, ["a", "b"] * 3, list("uvwxyz"), types=TYPES, classes=("a", "b", "c"),
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


OVERALL = np.array([0.4, 0.3, 0.2, 0.1])
EVEN = np.full(4, 0.25)
LINKED = {
    "many females with many dens": ((18, 9, 9), (4, 2, 1)),
    "few females with many dens": ((4, 20, 20), (5, 1, 1)),
    "most females with many dens": ((8, 8, 25), (1, 1, 4)),
}


def chances_of(told: Design, rng: np.random.Generator, *, shares: np.ndarray, repeats: float) -> np.ndarray:
    """Headline p of 100 studies of a design without any effect of class."""
    dealt = permuted_classes(told.klass, told.females, draws=199, rng=rng)
    kinds = types_of(shares, told.females, rng, repeats=repeats, studies=100)
    return found_in(kinds, told.klass, told.females, dealt, types=4)


@pytest.mark.gate
@pytest.mark.parametrize("repeats", [0.0, 0.5, 0.8])
def test_gate_of_the_headline_p(repeats) -> None:
    """Without an effect, 40 designs of 24 females and 100 studies each: p <= .05 in .035 to .065 of them."""
    rng = np.random.default_rng(11)
    designs = [design(rng, females=24, chances=[0.2, 0.3, 0.5]) for _ in range(40)]
    mixed = [partly_mixed(told, rng, share=0.05) for told in designs]
    found = [chances_of(told, rng, shares=OVERALL, repeats=repeats) for told in mixed]
    assert 0.035 <= np.mean(np.concatenate(found) <= 0.05) <= 0.065


@pytest.mark.gate
@pytest.mark.parametrize("repeats", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("name", LINKED)
def test_gate_of_the_headline_p_where_dens_go_with_class(name, repeats) -> None:
    """As above where females of one class have more dens; whole dens give .01 to .10 here."""
    rng = np.random.default_rng(13)
    found = [chances_of(linked(*LINKED[name]), rng, shares=OVERALL, repeats=repeats) for _ in range(40)]
    assert 0.035 <= np.mean(np.concatenate(found) <= 0.05) <= 0.065


@pytest.mark.gate
@pytest.mark.parametrize(
    ("repeats", "simulated"),
    [(0.0, (0.035, 0.038, 0.045)), (0.5, (0.197, 0.212, 0.054)), (0.8, (0.499, 0.519, 0.054))],
)
def test_gate_reproduces_that_dens_are_not_independent(repeats, simulated) -> None:
    """Chi-square of dens, dens dealt out, females dealt out: errors as simulated elsewhere in 1200 studies.

    24 females with up to 4 dens, 3 classes, 4 types. Both simulations have a standard error; they must lie
    within three of their difference.
    """
    rng, found = np.random.default_rng(12), []
    for _ in range(60):
        told = design(rng, females=24)
        alone = Females.of(np.arange(len(told.klass)).astype(str))
        kinds = types_of(EVEN, told.females, rng, repeats=repeats, studies=100)
        tables = dealt_tables(told.klass[None], np.eye(4)[kinds].transpose(1, 0, 2).reshape(-1, 400), classes=3)
        statistic = chi_square(tables.reshape(3, 100, 4).transpose(1, 0, 2))
        by = [stats.chi2.sf(statistic, 6)]
        for females in (alone, told.females):
            dealt = permuted_classes(told.klass, females, draws=199, rng=rng)
            by.append(found_in(kinds, told.klass, females, dealt, types=4))
        found.append([np.mean(p <= 0.05) for p in by])
    rates = np.array(found)
    own = rates.std(axis=0, ddof=1) / np.sqrt(len(rates))
    theirs = np.sqrt(np.array(simulated) * (1 - np.array(simulated)) / 1200)
    assert (np.abs(rates.mean(axis=0) - simulated) <= 3 * np.hypot(own, theirs)).all()


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


def test_many_studies_at_once_give_the_same_p() -> None:
    """As a plain loop over studies and deals of the chi-square of effective dens."""
    rng = np.random.default_rng(8)
    told = partly_mixed(design(rng, females=9), rng, share=0.2)
    kinds = types_of(OVERALL, told.females, rng, repeats=0.6, studies=12)
    dealt = permuted_classes(told.klass, told.females, draws=99, rng=rng)
    fast = found_in(kinds, told.klass, told.females, dealt, types=4)
    for kind, weight, p in zip(kinds, den_weights(kinds, told.females, types=4), fast, strict=True):
        one = np.eye(4)[kind] * weight[:, None]
        statistic = chi_square(dealt_tables(np.vstack([told.klass, dealt]), one, classes=3))
        assert p == pytest.approx(np.mean(statistic >= statistic[0] - 1e-9))


def test_effects_have_their_size() -> None:
    """Shares made for an effect w have chi-square / n = w squared."""
    klass = np.repeat([0, 1, 2], [30, 20, 50])
    shares = shares_for(0.25, klass, OVERALL, classes=3)
    table = shares * np.bincount(klass)[:, None]
    assert chi_square(table) / 100 == pytest.approx(0.25**2)
    np.testing.assert_allclose(table.sum(axis=0) / 100, OVERALL)
