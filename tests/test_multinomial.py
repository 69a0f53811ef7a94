"""Multinomial logit: fits against R's nnet and statsmodels, the penalty in closed form, separation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from densite.compare.multinomial import fit, separation, shares

# Birth weights of 189 children, Springfield 1986: race (1 white, 2 black, 3 other) and mother's weight [lb];
# data `birthwt` of R's MASS 7.3 (Hosmer & Lemeshow 1989)
LWT = """\
182 155 105 108 107 124 118 103 123 113 95 150 95 107 100 100 98 118 120 120 121 100 202 120 120 167 122 150
168 113 113 90 121 155 125 140 138 124 215 109 185 189 130 160 90 90 132 132 115 85 120 128 130 95 115 110 110
153 103 119 119 119 110 140 133 169 115 250 141 158 112 150 115 112 135 229 140 134 121 190 131 170 110 127
123 120 105 130 175 125 133 134 235 95 135 135 154 147 147 137 110 184 110 110 120 241 112 169 120 170 186 120
130 117 170 134 135 130 120 95 158 160 115 129 130 120 170 120 116 123 120 130 187 105 85 150 97 128 132 165
105 91 115 130 92 150 200 155 103 125 89 102 112 117 138 130 120 130 130 80 110 105 109 148 110 121 100 96 102
110 187 122 105 115 120 142 130 120 110 120 154 105 190 101 95 100 94 142 130"""
RACE = """\
2311131311333311213131133111222121211111212111131313113333333331333312133212112111333331111311111111
11313211121311131313131111111131233332311133112133311113212313332133112223311112331313321"""
SMOKE = """\
0011100011000011010100000010100110011111100011000100110010000000100100111010011000000100000011100110
01000000100010100000000000010010100000011100110100001101110110001100101110011110001110101"""
AGE = """\
19 33 20 21 18 21 22 17 29 26 19 19 22 30 18 18 15 25 20 28 32 31 36 28 25 28 17 29 26 17 17 24 35 25 25 29 19
27 31 33 21 19 23 21 18 18 32 19 24 22 22 23 22 30 19 16 21 30 20 17 17 23 24 28 26 20 24 28 20 22 22 31 23 16
16 18 25 32 20 23 22 32 30 20 23 17 19 23 36 22 24 21 19 25 16 29 29 19 19 30 24 19 24 23 20 25 30 22 18 16 32
18 29 33 20 28 14 28 25 16 20 26 21 22 25 31 35 19 24 45 28 29 34 25 25 27 23 24 24 21 32 19 25 16 25 20 21 24
21 20 25 19 19 26 24 17 20 22 27 20 17 25 20 18 18 20 21 26 31 15 23 20 24 15 23 30 22 17 23 17 26 20 26 14 28
14 23 17 21"""


def births() -> tuple[np.ndarray, np.ndarray]:
    """Race with white as the reference (last), and age, weight, smoke with ones."""
    race = np.array([int(c) for c in "".join(RACE.split())])
    columns = [np.array(text.split(), dtype=float) for text in (AGE, LWT)]
    smoke = np.array([float(c) for c in "".join(SMOKE.split())])
    return race[:, None] == np.array([2, 3, 1]), np.column_stack([np.ones(len(race)), *columns, smoke])


def test_birthwt_as_nnet() -> None:
    """multinom of R's nnet: log-likelihood -159.75896 and all coefficients."""
    types, covariates = births()
    scale = np.array([1, 10, 50, 1])
    found = fit(types.astype(float), covariates / scale, np.ones((1, len(types))))
    assert found.found.all()
    assert found.value[0] == pytest.approx(-159.758964, abs=1e-5)
    expected = [[0.025622925, -0.1353121932, 0.0150081949, -0.702477829],
                [4.561699389, -0.0679300081, -0.0212722853, -1.951627542]]  # fmt: skip
    np.testing.assert_allclose(found.beta[0].T / scale, expected, atol=2e-5)


def test_many_fits_are_single_fits() -> None:
    """Leaving out dens by weights of 0, and doubling by weights of 2, equals fitting those dens with statsmodels."""
    types, covariates = births()
    rng = np.random.default_rng(1)
    weights = rng.integers(0, 3, (4, len(types))).astype(float)
    x = covariates[:, [0, 2]] / [1, 50]
    found = fit(types.astype(float), x, weights)
    kind = types.argmax(axis=1)
    for row, beta in zip(weights, found.beta, strict=True):
        times = row.astype(int)
        ordered = np.where(kind == 2, 0, kind + 1)  # statsmodels takes the first as the reference
        peer = sm.MNLogit(np.repeat(ordered, times), np.repeat(x, times, axis=0)).fit(disp=0)
        np.testing.assert_allclose(beta, peer.params, atol=1e-5)


def test_penalty_in_closed_form() -> None:
    """A two by two table has Jeffreys' estimates with half a den more in each cell (Firth 1993), also with a zero."""
    table = np.array([[0, 7], [5, 3]])
    kind = np.repeat([0, 1, 0, 1], table.ravel())
    where = np.repeat([0, 0, 1, 1], table.ravel())
    covariates = np.column_stack([np.ones(len(kind)), where])
    types = np.eye(2)[kind]
    assert separation(types, covariates) == "quasi-complete"
    found = fit(types, covariates, np.ones((1, len(kind))), penalised=True)
    more = table + 0.5
    first = np.log(more[0, 0] / more[0, 1])
    np.testing.assert_allclose(found.beta[0, :, 0], [first, np.log(more[1, 0] / more[1, 1]) - first], atol=1e-6)
    assert not fit(types, covariates, np.ones((1, len(kind)))).found[0]


@pytest.mark.parametrize(
    ("x", "kinds", "said"),
    [
        ([0, 1, 2, 3], [0, 0, 1, 1], "complete"),
        ([0, 1, 1, 3], [0, 0, 1, 1], "quasi-complete"),
        ([0, 1, 2, 3], [0, 1, 0, 1], ""),
        ([0, 1, 2, 3, 4, 5], [0, 1, 0, 1, 2, 2], "quasi-complete"),
        ([0, 1, 2, 3, 4, 5], [0, 1, 2, 0, 1, 2], ""),
    ],
)
def test_separation(x, kinds, said) -> None:
    """Parted types have no finite fit; one type of three parted from the others is enough."""
    covariates = np.column_stack([np.ones(len(x)), x])
    assert separation(np.eye(max(kinds) + 1)[kinds], covariates) == said


def test_shares_sum_to_one_however_far() -> None:
    """Log odds of thousands give shares of 0 and 1, not NaN."""
    found = shares(np.array([[[0.0, 1.0], [2000.0, -3000.0]]]), np.array([[1.0, -1.0], [1.0, 0.0], [1.0, 1.0]]))
    np.testing.assert_allclose(found.sum(axis=-1), 1)
    assert np.isfinite(found).all()
    np.testing.assert_allclose(found[0, 1], np.array([1, np.e, 1]) / (2 + np.e))
