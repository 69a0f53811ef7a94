"""Power at a sample's own females: against the non-central chi-square, and against fidelity in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from densite.compare.precision import detectable, power, shares_for, simulated_types
from densite.compare.resample import Chance, Females

TYPES = ("tree", "ground bed", "rock ledge", "brush")
CLASSES = ("urban", "mixed", "rural")


@pytest.mark.parametrize(
    ("dens", "moderate", "strong"), [(12, 0.19, 0.58), (20, 0.31, 0.86), (30, 0.49, 0.96), (50, 0.75, 1.0)]
)
def test_power_of_independent_dens(dens, moderate, strong) -> None:
    """One den a female: the non-central chi-square's power to .04, and that of other simulations to .06.

    The latter are of three classes and four types with w .28 and .48, whose shares are not known.
    """
    klass = np.repeat([0, 1, 2], dens)
    females, rng = Females.of([f"F{i}" for i in range(3 * dens)]), np.random.default_rng(dens)
    for effect, simulated in ((0.28, moderate), (0.48, strong)):
        shares = shares_for(effect, klass, np.array([0.3, 0.3, 0.2, 0.2]), classes=3)
        found = power(shares, klass, females, 0.0, level=0.05, rng=rng)
        assert found == pytest.approx(stats.ncx2.sf(stats.chi2.ppf(0.95, 6), 6, 3 * dens * effect**2), abs=0.04)
        assert found == pytest.approx(simulated, abs=0.06)


def test_repeating_costs_power_and_the_least_effect_is_told() -> None:
    """The same dens, of 60 females or of 15 that repeat their type: the least effect found is larger."""
    rng = np.random.default_rng(2)
    klass = np.array(CLASSES)[np.repeat([0, 1, 2], 40)]
    least = []
    for names in (np.arange(120) // 2, np.arange(120) // 8):
        kinds = np.array(TYPES)[rng.integers(0, 4, 120)][names] if names.max() < 20 else rng.choice(TYPES, 120)
        block = detectable(kinds, klass, names.astype(str), types=TYPES, classes=CLASSES, chance=Chance())
        found = block.frames["power"]["power"].to_numpy()
        assert (np.diff(found) > -0.05).all()
        told = [r.estimate for r in block.results if r.key == "precision/least-effect"]
        least.append(told[0] if told else np.inf)
    assert least[0] < 0.45 < least[1]


@pytest.mark.parametrize("kinds", [[], ["tree", "tree", "tree"], ["tree", "brush"]])
def test_nothing_to_simulate(kinds) -> None:
    """One type, one class or two females: said."""
    places = ["urban", "rural", "rural"][: len(kinds)]
    block = detectable(kinds, places, list("abc")[: len(kinds)], types=TYPES, classes=CLASSES, chance=Chance())
    assert len(block.unsaid) == 1
    assert not block.results


def test_an_effect_too_large_for_its_shares_is_none() -> None:
    """A share below 0 cannot be."""
    klass = np.repeat([0, 1], [1, 99])
    assert shares_for(0.5, klass, np.array([0.5, 0.5]), classes=2) is None


def test_a_planted_effect_stays_where_females_have_dens_in_several_classes() -> None:
    """Each class has its shares, and pairs of one class agree as asked, however mixed a female's dens are."""
    rng = np.random.default_rng(6)
    klass, females = np.tile([0, 1], 20_000), Females.of((np.arange(40_000) // 2).astype(str))
    shares = np.array([[0.6, 0.3, 0.1], [0.2, 0.3, 0.5]])
    kinds = simulated_types(shares, klass, females, 0.7, studies=1, rng=rng)[0]
    for c in (0, 1):
        np.testing.assert_allclose(np.bincount(kinds[klass == c]) / 20_000, shares[c], atol=0.015)
