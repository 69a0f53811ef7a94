"""Multinomial logit: published fits, the penalty against closed forms and a bias-reducing package, separation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from densite.compare.multinomial import fit, separation, shares

# R 4.2.2, package MASS 7.3-58.2, data set birthwt (Hosmer & Lemeshow 1989): race, age, lwt, smoke in its order.
LWT = """
182 155 105 108 107 124 118 103 123 113 95 150 95 107 100 100 98 118 120 120 121 100 202 120 120 167 122 150 168 113
113 90 121 155 125 140 138 124 215 109 185 189 130 160 90 90 132 132 115 85 120 128 130 95 115 110 110 153 103 119 119
119 110 140 133 169 115 250 141 158 112 150 115 112 135 229 140 134 121 190 131 170 110 127 123 120 105 130 175 125
133 134 235 95 135 135 154 147 147 137 110 184 110 110 120 241 112 169 120 170 186 120 130 117 170 134 135 130 120 95
158 160 115 129 130 120 170 120 116 123 120 130 187 105 85 150 97 128 132 165 105 91 115 130 92 150 200 155 103 125 89
102 112 117 138 130 120 130 130 80 110 105 109 148 110 121 100 96 102 110 187 122 105 115 120 142 130 120 110 120 154
105 190 101 95 100 94 142 130
"""
AGE = """
19 33 20 21 18 21 22 17 29 26 19 19 22 30 18 18 15 25 20 28 32 31 36 28 25 28 17 29 26 17 17 24 35 25 25 29 19 27 31
33 21 19 23 21 18 18 32 19 24 22 22 23 22 30 19 16 21 30 20 17 17 23 24 28 26 20 24 28 20 22 22 31 23 16 16 18 25 32
20 23 22 32 30 20 23 17 19 23 36 22 24 21 19 25 16 29 29 19 19 30 24 19 24 23 20 25 30 22 18 16 32 18 29 33 20 28 14
28 25 16 20 26 21 22 25 31 35 19 24 45 28 29 34 25 25 27 23 24 24 21 32 19 25 16 25 20 21 24 21 20 25 19 19 26 24 17
20 22 27 20 17 25 20 18 18 20 21 26 31 15 23 20 24 15 23 30 22 17 23 17 26 20 26 14 28 14 23 17 21
"""
RACE = (
    "23111313113333112131311331112221212111112121111313131133333333313333121332121121113333311113111111111131321112"
    "1311131313131111111131233332311133112133311113212313332133112223311112331313321"
)
SMOKE = (
    "00111000110000110101000000101001100111111000110001001100100000001001001110100110000001000000111001100100000010"
    "0010100000000000010010100000011100110100001101110110001100101110011110001110101"
)

# Endometrial cancer grade by neovasculation, pulsatility, height: Heinze & Schemper 2002, from R package brglm2 0.9.
NV = "0000000000000000000001111100000000000000000000011110000000000000000000100011010"
PI = """13 16 8 34 20 5 17 10 26 17 8 7 20 10 18 16 18 8 29 12 20 38 22 7 25 15 7 28 11 19 10 10 18 14 21 11 17 25 16
19 15 33 24 48 12 19 2 22 40 5 0 21 15 29 15 12 3 20 23 12 22 42 15 13 14 19 12 13 10 12 49 6 5 17 11 21 5 19 33"""
EH = """1.64 2.26 3.14 2.68 1.28 2.31 1.8 1.68 1.56 2.31 2.01 1.89 3.15 1.23 1.27 1.76 2 2.64 0.88 1.27 1.37 0.97 1.14
0.88 0.91 0.58 0.97 1.5 1.33 2.37 1.82 3.13 1.31 1.92 1.64 2.01 1.88 1.93 2.11 1.29 1.72 0.75 1.92 1.84 1.11 1.61 1.18
1.44 1.18 0.93 1.17 1.19 1.06 2.02 2.29 2.33 2.9 1.7 1.41 2.25 1.54 1.97 1.75 2.16 2.57 1.37 3.61 2.04 2.17 1.69 0.27
1.84 1.3 0.96 1.01 0.98 0.35 1.02 0.85"""
HG = "0000000000000000011111111110000000000000000111111111100000000000000001111111111"


def numbers(text: str) -> np.ndarray:
    """Return the numbers of a text, or the digits of a word."""
    return np.array(text.split() if " " in text else list(text), dtype=float)


def birthwt() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return race with the first as reference, covariates of about unit size, and their scale."""
    race = numbers(RACE)
    scale = np.array([1, 0.1, 0.01, 1])
    covariates = np.column_stack([np.ones(189), numbers(AGE), numbers(LWT), numbers(SMOKE)])
    return (race[:, None] == [2, 3, 1]).astype(float), covariates * scale, scale


def test_birthwt_as_in_r() -> None:
    """Log-likelihood and coefficients of R 4.2.2 nnet 7.3-18 multinom(race ~ age + lwt + smoke)."""
    kind, covariates, scale = birthwt()
    found = fit(kind, covariates, np.ones((1, 189)))
    assert found.found.all()
    assert found.value[0] == pytest.approx(-159.758964, abs=1e-6)
    expected = [
        [0.025622925, -0.1353121932, 0.0150081949, -0.702477829],
        [4.561699389, -0.0679300081, -0.0212722853, -1.951627542],
    ]
    assert found.beta[0].T * scale == pytest.approx(np.array(expected), abs=2e-5)


def test_birthwt_penalised_as_in_r() -> None:
    """Coefficients of R package brglm2 0.9, brmultinom(type = 'AS_mean')."""
    kind, covariates, scale = birthwt()
    found = fit(kind, covariates, np.ones((1, 189)), penalised=True)
    expected = [
        [-0.040542336573, -0.1270675035709, 0.0144222761907, -0.668107725975],
        [4.361147712819, -0.0648749871531, -0.0202593700920, -1.888736922234],
    ]
    assert found.beta[0].T * scale == pytest.approx(np.array(expected), rel=1e-5)


def test_endometrial_is_quasi_separated_and_penalised_as_in_r() -> None:
    """Heinze & Schemper's example: no finite fit by likelihood; brglm2 0.9 gives the penalised one."""
    grade = numbers(HG)
    covariates = np.column_stack([np.ones(79), numbers(NV), numbers(PI) / 10, numbers(EH)])
    kind = np.column_stack([grade, 1 - grade])
    assert separation(kind, covariates) == "quasi-complete"
    assert not fit(kind, covariates, np.ones((1, 79))).found[0]
    found = fit(kind, covariates, np.ones((1, 79)), penalised=True)
    assert found.found[0]
    expected = [3.7745593981357, 2.9292732585761, -0.347517494486, -2.6041638241447]
    assert found.beta[0, :, 0] == pytest.approx(expected, rel=1e-5)


def test_penalty_of_a_table_adds_half_a_den_to_each_cell() -> None:
    """In a saturated model Jeffreys' prior is Dirichlet(1/2): Firth 1993, section 4 (section from memory)."""
    place = np.repeat([0.0, 1.0], [7, 9])
    kind = np.eye(3)[[0, 0, 0, 1, 1, 2, 2, *[0] * 9]]
    found = fit(kind, np.column_stack([np.ones(16), place]), np.ones((1, 16)), penalised=True)
    told = shares(found.beta, np.array([[1.0, 0.0], [1.0, 1.0]]))[0]
    assert told == pytest.approx(np.array([[3.5, 2.5, 2.5], [9.5, 0.5, 0.5]]) / [[8.5], [10.5]], abs=1e-6)


@pytest.mark.parametrize("penalised", [False, True])
def test_many_weightings_are_many_samples(penalised) -> None:
    """A weighting of 0, 1 and 2 gives the fit of a sample with dens left out and doubled."""
    rng = np.random.default_rng(4)
    kind, covariates = np.eye(3)[rng.integers(0, 3, 40)], np.column_stack([np.ones(40), rng.normal(size=40)])
    weights = rng.integers(0, 3, (5, 40)).astype(float)
    found = fit(kind, covariates, weights, penalised=penalised)
    for beta, counts in zip(found.beta, weights.astype(int), strict=True):
        alone = fit(np.repeat(kind, counts, axis=0), np.repeat(covariates, counts, axis=0),
                    np.ones((1, counts.sum())), penalised=penalised)  # fmt: skip
        assert beta == pytest.approx(alone.beta[0], abs=1e-5)


def test_penalised_value_is_the_largest() -> None:
    """A general optimiser finds no better penalised fit, and none with the slope held at 0."""
    rng = np.random.default_rng(8)
    kind, covariates = np.eye(3)[rng.integers(0, 3, 15)], np.column_stack([np.ones(15), rng.normal(size=15)])

    def loss(beta: np.ndarray) -> float:
        p = shares(beta.reshape(1, 2, 2), covariates)[0]
        spread = [np.kron(np.outer(x, x), np.diag(q[:2]) - np.outer(q[:2], q[:2]))
                  for x, q in zip(covariates, p, strict=True)]  # fmt: skip
        return -np.log((p * kind).sum(axis=1)).sum() - np.linalg.slogdet(np.sum(spread, axis=0))[1] / 2

    free = optimize.minimize(loss, np.zeros(4), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    assert fit(kind, covariates, np.ones((1, 15)), penalised=True).value[0] == pytest.approx(-free.fun, abs=1e-7)
    held = optimize.minimize(lambda b: loss(np.append(b, [0, 0])), np.zeros(2), method="Nelder-Mead",
                             options={"xatol": 1e-8, "fatol": 1e-10})  # fmt: skip
    flat = fit(kind, covariates, np.ones((1, 15)), penalised=True, free=np.array([True, False]))
    assert flat.value[0] == pytest.approx(-held.fun, abs=1e-7)
    assert np.all(flat.beta[0, 1] == 0)


@pytest.mark.parametrize(
    ("place", "types", "told"),
    [
        ([1, 2, 3, 4], [0, 0, 1, 1], "complete"),
        ([1, 2, 2, 3], [0, 0, 1, 1], "quasi-complete"),
        ([1, 2, 3, 4], [0, 1, 0, 1], ""),
        ([1, 2, 3, 4, 5, 6], [0, 0, 1, 1, 2, 2], "complete"),
        ([1, 2, 3, 4, 5, 6], [0, 1, 0, 1, 2, 2], "quasi-complete"),
        ([1, 2, 3, 4, 5, 6], [0, 1, 2, 0, 1, 2], ""),
    ],
)
def test_separation(place, types, told) -> None:
    """Known arrangements, by hand: types in order along the line are parted, mixed ones are not."""
    covariates = np.column_stack([np.ones(len(place)), place])
    kind = np.eye(max(types) + 1)[types]
    assert separation(kind, covariates) == told
    assert fit(kind, covariates, np.ones((1, len(place)))).found[0] == (told == "")


def test_one_place_only_is_not_fitted() -> None:
    """Weightings that leave one value of the covariate have no fit, and do not disturb the others."""
    kind, covariates = np.eye(2)[[0, 1, 0, 1]], np.column_stack([np.ones(4), [1.0, 1.0, 2.0, 2.0]])
    found = fit(kind, covariates, np.array([[1, 1, 0, 0], [1, 1, 1, 1]], dtype=float), penalised=True)
    assert found.found.tolist() == [False, True]
    assert found.beta[1] == pytest.approx(np.zeros((2, 1)), abs=1e-9)


@pytest.mark.parametrize("parted", [False, True])
def test_penalised_fits_are_found_in_sparse_and_separated_samples(parted) -> None:
    """Few dens of up to four types, or two types parted at the crowded end of a skewed gradient: always found."""
    rng = np.random.default_rng(3)
    for _ in range(60):
        place = np.exp(2 * rng.normal(size=int(rng.integers(20, 60) if parted else rng.integers(4, 15))))
        types = place > np.median(place) if parted else rng.choice(4, len(place), p=rng.dirichlet([0.5] * 4))
        kind = np.eye(4)[types.astype(int)]
        kind = kind[:, kind.any(axis=0)]
        if kind.shape[1] > 1:
            covariates = np.column_stack([np.ones(len(place)), (place - place.mean()) / place.std()])
            assert fit(kind, covariates, np.ones((1, len(place))), penalised=True).found[0]


def test_a_step_that_loses_is_halved() -> None:
    """A sparse penalised sample in which whole steps do not arrive: the maximum is found, its slope 0."""
    rng = np.random.default_rng(613)
    dens, types = int(rng.integers(5, 25)), int(rng.integers(2, 4))
    place = np.exp(2 * rng.normal(size=dens))
    kind = np.eye(types)[rng.integers(0, types, dens)]
    covariates = np.column_stack([np.ones(dens), (place - place.mean()) / place.std()])
    whole = fit(kind, covariates, np.ones((1, dens)), penalised=True)
    assert whole.found[0]
    near = [fit(kind, covariates, np.ones((1, dens)), penalised=True, start=whole.beta[0] + off) for off in (-1, 1)]
    assert [other.value[0] for other in near] == pytest.approx([whole.value[0]] * 2, abs=1e-8)
