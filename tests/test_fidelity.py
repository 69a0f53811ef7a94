"""How far females repeat their den type, in closed form, and what their dens then count."""

from __future__ import annotations

import numpy as np
import pytest

from densite.compare.fidelity import den_weights, fidelity
from densite.compare.precision import simulated_types
from densite.compare.resample import Females


def test_fidelity_in_closed_form() -> None:
    """All dens of a female alike: 1. Every pair as often alike as chance has it: near 0. No pair: none."""
    females = Females.of(list("aabbcc"))
    assert fidelity(np.array([0, 0, 1, 1, 0, 0]), females)[0] == pytest.approx(1)
    rng = np.random.default_rng(4)
    many = Females.of(np.repeat(np.arange(3000), 2).astype(str))
    assert fidelity(rng.integers(0, 3, 6000), many)[0] == pytest.approx(0, abs=0.05)
    assert fidelity(np.where(np.arange(6000) % 2, 1, 0), many)[0] == pytest.approx(-1)
    assert np.isnan(fidelity(np.array([0, 1]), Females.of(["a", "b"]))[0])
    # pairs that agree with chance r beyond chance have a fidelity of r
    kinds = simulated_types(np.array([[0.5, 0.3, 0.2]]), np.zeros(6000, int), many, 0.6, studies=1, rng=rng)[0]
    assert fidelity(kinds, many)[0] == pytest.approx(0.6, abs=0.05)


@pytest.mark.parametrize(
    ("kinds", "names", "weights"),
    [
        ([0, 0, 1, 1, 0], "aabbc", [0.5, 0.5, 0.5, 0.5, 1]),  # each true to her type: she counts once
        ([0, 1, 0, 1], "aabb", [2, 2, 2, 2]),  # P = 0, E = 1/2, r = -1: cut so that a den counts two
        ([0, 1, 2], "abc", [1, 1, 1]),  # no pairs
        ([1, 1, 1], "aab", [1, 1, 1]),  # one type: agreement beyond chance is not defined
        # 2 of 4 pairs alike, E = (6^2 + 2^2) / 8^2: r = (1/2 - 5/8) / (3/8) = -1/3
        ([0, 1, 0, 0, 0, 1, 0, 0], "aabbccdd", [1.5] * 8),
        # 3 of 4 pairs alike, E = (5^2 + 3^2) / 8^2: r = (3/4 - 34/64) / (30/64) = 7/15
        ([0, 0, 0, 0, 1, 1, 0, 1], "aabbccdd", [15 / 22] * 8),
    ],
)
def test_what_a_den_counts(kinds, names, weights) -> None:
    """1 / (1 + (m - 1) r), worked by hand."""
    found = den_weights(np.array([kinds, kinds]), Females.of(list(names)), types=3)
    np.testing.assert_allclose(found, [weights, weights])


def test_many_studies_have_each_their_own_fidelity() -> None:
    """As one at a time by the plain function."""
    rng = np.random.default_rng(3)
    females = Females.of(rng.integers(0, 12, 40).astype(str))
    kinds = simulated_types(np.full((1, 3), 1 / 3), np.zeros(40, int), females, 0.7, studies=20, rng=rng)
    for kind, weight in zip(kinds, den_weights(kinds, females, types=3), strict=True):
        repeats = np.clip(fidelity(kind, females)[0], -0.5 / (females.sizes.max() - 1), 1)
        np.testing.assert_allclose(weight, 1 / (1 + (females.sizes - 1) * repeats)[females.code])
