"""One type against all others: published fits of both models, fallbacks, what cannot be said, chance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from scipy import integrate, stats
from scipy.special import expit

from densite.compare.logit import dens_along, gradient_test
from densite.compare.repeated import estimating_equations, random_intercept, type_contrast
from densite.compare.resample import Chance, Females
from densite.compare.result import AS_IF_INDEPENDENT, Block

# R 4.2.2, package geepack 1.3.9, data set ohio (Fitzmaurice & Laird 1993): wheezing at ages -2, -1, 0, 1, number of
# children of mothers who do not smoke and who do.
OHIO = {
    "0000": (237, 118), "0001": (10, 6), "0010": (15, 8), "0011": (4, 2), "0100": (16, 11), "0101": (2, 1),
    "0110": (7, 6), "0111": (3, 4), "1000": (24, 7), "1001": (3, 3), "1010": (3, 3), "1011": (2, 1), "1100": (6, 4),
    "1101": (2, 2), "1110": (5, 4), "1111": (11, 7),
}  # fmt: skip

# R 4.2.2, package lme4 1.1-31, data set cbpp (Lesnoff et al. 2004): cases/animals of each herd in periods 1, 2, ...
CBPP = (
    "2/14 3/12 4/9 0/5", "3/22 1/18 1/21", "8/22 2/16 0/16 2/20", "2/10 0/10 2/9 0/6", "5/18 0/25 0/24 1/4",
    "3/17 0/17 0/18 1/20", "8/16 1/10 3/9 0/5", "12/34", "2/9 0/6 0/8 0/6", "1/22 1/22 0/18 2/22",
    "0/25 5/27 3/22 1/22", "2/10 1/8 0/6 0/5", "1/21 2/24 0/19 0/23", "11/19 0/2 0/3 0/2", "1/19 1/15 1/15 0/15",
)  # fmt: skip


def ohio() -> tuple[np.ndarray, np.ndarray, Females]:
    """Return wheezing, ones with age, smoking and their product, and children."""
    rows, child = [], 0
    for pattern, numbers in OHIO.items():
        for smoke, number in enumerate(numbers):
            for _ in range(number):
                child += 1
                rows += [(child, int(ill), age, smoke) for ill, age in zip(pattern, (-2, -1, 0, 1), strict=True)]
    who, ill, age, smoke = np.array(rows, dtype=float).T
    return ill, np.column_stack([np.ones(len(ill)), age, smoke, age * smoke]), Females.of(who.astype(int))


def cbpp() -> tuple[np.ndarray, np.ndarray, Females]:
    """Return each animal's disease, ones with the period, and herds."""
    rows = []
    for herd, counts in enumerate(CBPP):
        for period, count in enumerate(counts.split(), start=1):
            cases, animals = (int(number) for number in count.split("/"))
            rows += [(herd, period, int(j < cases)) for j in range(animals)]
    herd, period, ill = np.array(rows, dtype=float).T
    return ill, np.column_stack([np.ones(len(ill)), period]), Females.of(herd.astype(int))


def study(rng, females: int, *, slope: float = 0.0, spread: float = 0.0, most: int = 5):
    """Simulate dens of which some are in trees: type, gradient, female; females lean to trees or not."""
    female = np.repeat(np.arange(females), rng.integers(1, most + 1, females))
    x = 3 * rng.beta(0.7, 1.6, females)[female] + rng.normal(0, 0.3, len(female))
    lean = rng.normal(0, spread, females)[female] if spread else 0.0
    tree = rng.random(len(x)) < expit(-0.5 + slope * (x - 1) + lean)
    return np.where(tree, "tree", "brush"), x, [f"OB-{number:03d}" for number in female]


def told(den_type, gradient, female, *, one_type: str = "tree", permutations: int = 99) -> Block:
    """Ask for one type along a gradient of housing."""
    return type_contrast(
        den_type, gradient, female, one_type=one_type, gradient_name="log10(1 + housing units per km2)",
        gradient_unit="tenfold", chance=Chance(permutations=permutations),
    )  # fmt: skip


@pytest.fixture(scope="module")
def block() -> Block:
    """Trees along the gradient of a study of 60 females."""
    return told(*study(np.random.default_rng(2), 60, slope=-1, spread=1))


def test_estimating_equations_as_in_r() -> None:
    """Coefficients and correlation of R 4.2.2 geepack 1.3.9 geeglm(resp ~ age * smoke, exchangeable)."""
    ill, covariates, children = ohio()
    beta, errors, correlation, trouble = estimating_equations(ill, covariates, children)
    assert not trouble
    assert beta == pytest.approx([-1.9004951789, -0.1412359097, 0.3138257883, 0.0708318387], abs=1e-6)
    assert correlation == pytest.approx(0.354604982, abs=3e-4)
    # geepack's plain sandwich; the bias-reduced errors are a little wider, the more so the fewer children bear on one.
    plain = np.array([0.1190869816, 0.0582008852, 0.1878418151, 0.0882788524])
    assert np.all((errors > plain) & (errors < 1.006 * plain))


def test_bias_reduced_errors_are_those_of_the_formula() -> None:
    """Without repeats: the sandwich of residuals over 1 - leverage, Mancl & DeRouen 2001, written out."""
    rng = np.random.default_rng(3)
    covariates, y = np.column_stack([np.ones(25), rng.normal(size=25)]), rng.integers(0, 2, 25).astype(float)
    beta, errors, correlation, _ = estimating_equations(y, covariates, Females.of(range(25)))
    p = expit(covariates @ beta)
    bread = np.linalg.inv(covariates.T @ (covariates * (p * (1 - p))[:, None]))
    leverage = p * (1 - p) * np.einsum("nq,qr,nr->n", covariates, bread, covariates)
    pull = covariates * ((y - p) / (1 - leverage))[:, None]
    assert errors == pytest.approx(np.sqrt(np.diag(bread @ pull.T @ pull @ bread)), rel=1e-6)
    assert correlation == 0


def test_random_intercept_as_in_r_cbpp() -> None:
    """R 4.2.2 lme4 1.1-31 glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), nAGQ = 20)."""
    found = random_intercept(*cbpp(), points=20)
    assert found.beta == pytest.approx([-0.9333689929, -0.5589967386], abs=2e-6)
    assert found.spread == pytest.approx(0.6691574086, abs=2e-6)
    assert found.errors == pytest.approx([0.305079320, 0.123416054], abs=2e-6)


def test_random_intercept_as_in_r_ohio() -> None:
    """R 4.2.2 lme4 1.1-31 glmer(resp ~ smoke + (1 | id), nAGQ = 25), to its own tolerance."""
    ill, covariates, children = ohio()
    found = random_intercept(ill, covariates[:, [0, 2]], children, points=25)
    assert found.value == pytest.approx(-801.058591, abs=1e-5)
    assert found.beta == pytest.approx([-2.988052234, 0.395597968], abs=1e-4)
    assert found.spread == pytest.approx(2.14360379, abs=1e-4)
    assert found.errors == pytest.approx([0.210847110, 0.270880909], abs=1e-4)


def test_quadrature_is_the_integral() -> None:
    """The likelihood at the estimate is the product of the females' integrals, by scipy's quad."""
    kind, x, female = study(np.random.default_rng(4), 20, spread=2)
    females, y = Females.of(female), (kind == "tree").astype(float)
    found = random_intercept(y, np.column_stack([np.ones(len(x)), x]), females)
    line = found.beta[0] + found.beta[1] * x

    def seen(z: float, of: np.ndarray) -> float:
        p = expit(line[of] + found.spread * z)
        return float(np.prod(np.where(y[of] == 1, p, 1 - p)) * stats.norm.pdf(z))

    chances = [integrate.quad(seen, -9, 9, args=(females.code == j,), limit=200)[0] for j in range(females.count)]
    assert found.value == pytest.approx(np.log(chances).sum(), abs=1e-6)


def test_no_spread_is_the_plain_logit() -> None:
    """Females who differ less than chance: a spread of 0 and the coefficients of a plain logit."""
    kind, x, female = study(np.random.default_rng(0), 60)
    found = told(kind, x, female)
    assert found["contrast-tree/spread/females"].estimate == 0
    assert found["contrast-tree/spread/females"].p == 1
    pair = (found[f"contrast-tree/odds-ratio/{key}"].estimate for key in ("female", "dens"))
    assert next(pair) == pytest.approx(next(pair), rel=1e-5)


def test_plain_odds_ratio_is_the_library_s(block) -> None:
    """statsmodels' logit gives the odds ratio, its Wald limits and the likelihood ratio."""
    from statsmodels.discrete.discrete_model import Logit

    kind, x, _ = study(np.random.default_rng(2), 60, slope=-1, spread=1)
    model = Logit((kind == "tree").astype(float), np.column_stack([np.ones(len(x)), x])).fit(disp=0)
    found = block["contrast-tree/odds-ratio/dens"]
    assert found.estimate == pytest.approx(math.exp(model.params[1]), rel=1e-5)
    assert [found.lower, found.upper] == pytest.approx(np.exp(model.conf_int()[1]), rel=1e-4)
    assert found.p == pytest.approx(model.llr_pvalue, rel=1e-4)
    assert found.proof == "dens"
    assert found.assumes.startswith(AS_IF_INDEPENDENT)


def test_population_and_female_answer_different_questions(block) -> None:
    """With females who lean, the odds ratio of one lies farther from 1 than that of all, and both say so."""
    population, female = (block[f"contrast-tree/odds-ratio/{key}"] for key in ("population", "female"))
    assert female.estimate < population.estimate < 1
    assert "all females' dens" in population.note
    assert "one female" in female.note
    assert block["contrast-tree/spread/females"].estimate > 0.3
    assert [result.key for result in block.results if result.headline] == ["contrast-tree/test"]
    assert not block.unsaid


def test_limits_and_p_are_wald_s_with_females_less_two(block) -> None:
    """Both models: exp(b +- t(58) error), two-sided p, for one unit of the gradient."""
    kind, x, female = study(np.random.default_rng(2), 60, slope=-1, spread=1)
    y, females, t = (kind == "tree").astype(float), Females.of(female), stats.t(58)
    covariates = np.column_stack([np.ones(len(x)), x])
    population = [values[1] for values in estimating_equations(y, covariates, females)[:2]]
    own = random_intercept(y, covariates, females)
    for key, (slope, error) in {"population": population, "female": (own.beta[1], own.errors[1])}.items():
        found = block[f"contrast-tree/odds-ratio/{key}"]
        limits = np.exp(slope + np.array([-1, 1]) * t.ppf(0.975) * error)
        assert [found.lower, found.upper] == pytest.approx(limits, rel=1e-4)
        assert found.p == pytest.approx(2 * t.sf(abs(slope / error)), rel=1e-2)
        assert found.what == "odds ratio for a rise of log10(1 + housing units per km2) by 1 [tenfold]"


def test_p_of_the_spread_is_half_a_chi_square(block) -> None:
    """Self & Liang 1987, case 5 (case from memory): half the p of 1 degree of freedom against statsmodels' logit."""
    from statsmodels.discrete.discrete_model import Logit

    kind, x, female = study(np.random.default_rng(2), 60, slope=-1, spread=1)
    y, covariates = (kind == "tree").astype(float), np.column_stack([np.ones(len(x)), x])
    gain = random_intercept(y, covariates, Females.of(female)).value - Logit(y, covariates).fit(disp=0).llf
    assert block["contrast-tree/spread/females"].p == pytest.approx(stats.chi2.sf(2 * gain, 1) / 2, rel=1e-3)


def test_keys_are_unique(block) -> None:
    """A row of the table is found by its key."""
    keys = [result.key for result in block.results]
    assert len(set(keys)) == len(keys) == 6


def test_separation_has_a_penalised_odds_ratio() -> None:
    """Trees below, brush above: no likelihood estimate, said; the penalised one is labelled."""
    x = np.linspace(0, 3, 30)
    found = told(np.where(x < 1.5, "tree", "brush"), x, [f"OB-{j // 2:03d}" for j in range(30)])
    ratio = found["contrast-tree/odds-ratio/penalised"]
    assert "complete separation" in ratio.method
    assert 0 < ratio.lower < ratio.estimate < min(0.1, ratio.upper)
    assert any("no finite estimate" in unsaid.why for unsaid in found.unsaid)
    assert "contrast-tree/odds-ratio/female" not in {result.key for result in found.results}


def test_one_den_each_leaves_the_spread_unsaid() -> None:
    """Where no female has two dens, neither correlation nor spread can be told."""
    kind, x, _ = study(np.random.default_rng(6), 30, most=1)
    found = told(kind, x, [f"OB-{j:03d}" for j in range(len(x))])
    assert "contrast-tree/odds-ratio/population" in {result.key for result in found.results}
    assert sum("no female has more than one den" in unsaid.why for unsaid in found.unsaid) == 2


def test_firm_females_have_no_bounded_spread() -> None:
    """Females who never change leave the random intercept without a bound, which is said."""
    rng = np.random.default_rng(9)
    female = np.repeat(np.arange(30), 4)
    kind = np.where(rng.random(30) < 0.5, "tree", "brush")[female]
    found = told(kind, rng.random(120), [f"OB-{j:03d}" for j in female])
    reasons = [unsaid.why for unsaid in found.unsaid if "one female" in unsaid.what]
    assert len(reasons) == 1
    assert "firmly" in reasons[0]


@pytest.mark.parametrize(
    ("kind", "x", "female", "why"),
    [
        ([], [], [], "no den has both"),
        (["brush", "brush"], [1.0, 2.0], ["a", "b"], "every den is of one type: not tree"),
        (["tree", "brush"], [2.0, 2.0], ["a", "b"], "the same at every den"),
        (["tree", "brush"], [1.0, 2.0], ["a", "a"], "of 1 female; 6 are needed"),
        (["tree", "brush"] * 3, [1.0, 2.0] * 3, list("abcdef"), "an odds ratio asks for 5 dens of 3 females"),
    ],
)
def test_what_cannot_be_said(kind, x, female, why) -> None:
    """No den, one kind, one place, one female, few dens: a reason."""
    assert any(why in unsaid.why for unsaid in told(kind, x, female).unsaid)


def test_a_unit_beyond_the_sample_is_said() -> None:
    """An odds ratio for a unit a million times the sample's span is not written down."""
    kind, x, female = study(np.random.default_rng(2), 60, slope=-1, spread=1)
    found = told(kind, x * 1e-6, female)
    assert any("take a smaller unit" in unsaid.why for unsaid in found.unsaid)


KINDS = some.sampled_from(["tree", "brush", "unknown", None])
PLACES = some.one_of(some.sampled_from([0.0, 1.0, math.nan]), some.floats(-5, 5))
NAMES = some.sampled_from(["OB-001", "OB-002", "OB-003", "OB-004", "OB-005", None])


@settings(max_examples=60, deadline=None, derandomize=True)
@given(some.lists(some.tuples(KINDS, PLACES, NAMES), min_size=8, max_size=30))
def test_wild_input_never_gives_nonsense(rows) -> None:
    """Whatever the dens: finite numbers inside their limits, or a reason."""
    found = told(*(np.array(column, dtype=object) for column in zip(*rows, strict=True)), permutations=9)
    assert found.results or found.unsaid
    for result in found.results:
        numbers = [value for value in (result.estimate, result.lower, result.upper, result.p) if value is not None]
        assert np.isfinite(numbers).all()
        if result.lower is not None:
            assert result.lower <= result.estimate <= result.upper


@pytest.mark.gate
@pytest.mark.parametrize("spread", [0, 1, 3])
def test_type_one_error_holds_when_females_lean(spread) -> None:
    """Of 2,000 studies without effect on a crowded gradient, .035 to .065 have p <= .05."""
    rng = np.random.default_rng(21)
    found = []
    for seed in range(2000):
        along = dens_along(*study(rng, 20, spread=spread), types=None).only("tree")
        if along.kind.any(axis=0).all():
            chance = Chance(seed=seed, permutations=199)
            found.append(gradient_test(along, part="p", gradient_name="", chance=chance).p)
    assert len(found) > 1900
    assert 0.035 <= np.mean(np.array(found) <= 0.05) <= 0.065
