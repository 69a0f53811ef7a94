"""Magnitudes by class and along the gradient, against R, statsmodels and simulated studies."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy import special, stats
from simulated import linked

from densite.compare.fractions import fractional_logits
from densite.compare.leaveout import (
    class_mean,
    correlations,
    difference_limits,
    lines,
    mean_limits,
    median_limits,
    total_sd,
)
from densite.compare.magnitudes import magnitude
from densite.compare.resample import Chance, Females, jackknife_interval, permutation_p
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.compare.shuffled import along_gradient, among_classes
from densite.errors import StatisticsError

CLASSES = ("rural", "middle", "urban")
FEW = Chance(permutations=199)

# airquality without missing ozone: ozone [ppb], month, temperature [F]; R's datasets
OZONE = [
    41, 36, 12, 18, 28, 23, 19, 8, 7, 16, 11, 14, 18, 14, 34, 6, 30, 11, 1, 11, 4, 32, 23, 45, 115, 37, 29, 71, 39, 23,
    21, 37, 20, 12, 13, 135, 49, 32, 64, 40, 77, 97, 97, 85, 10, 27, 7, 48, 35, 61, 79, 63, 16, 80, 108, 20, 52, 82, 50,
    64, 59, 39, 9, 16, 78, 35, 66, 122, 89, 110, 44, 28, 65, 22, 59, 23, 31, 44, 21, 9, 45, 168, 73, 76, 118, 84, 85,
    96, 78, 73, 91, 47, 32, 20, 23, 21, 24, 44, 21, 28, 9, 13, 46, 18, 13, 24, 16, 13, 23, 36, 7, 14, 30, 14, 18, 20,
]  # fmt: skip
TEMPERATURE = [
    67, 72, 74, 62, 66, 65, 59, 61, 74, 69, 66, 68, 58, 64, 66, 57, 68, 62, 59, 73, 61, 61, 67, 81, 79, 76, 82, 90, 87,
    82, 77, 72, 65, 73, 76, 84, 85, 81, 83, 83, 88, 92, 92, 89, 73, 81, 80, 81, 82, 84, 87, 85, 74, 86, 85, 82, 86, 88,
    86, 83, 81, 81, 81, 82, 86, 85, 87, 89, 90, 90, 86, 82, 80, 77, 79, 76, 78, 78, 77, 72, 79, 81, 86, 97, 94, 96, 94,
    91, 92, 93, 93, 87, 84, 80, 78, 75, 73, 81, 76, 77, 71, 71, 78, 67, 76, 68, 82, 64, 71, 81, 69, 63, 70, 75, 76, 68,
]  # fmt: skip
MONTH = np.repeat(["5", "6", "7", "8", "9"], [26, 9, 26, 26, 29])

# Extra sleep of ten patients under two drugs [h]; R's datasets, Student 1908
SLEEP = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0, 1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def compared(values, klass=None, gradient=None, females=None, **options) -> Block:
    """Compare with defaults for everything that a test does not care about."""
    n = len(values)
    rest = {
        "name": "slope_deg", "heading": "slope", "unit": "deg", "share": False, "classes": CLASSES,
        "gradient_name": "built-up share", "chance": FEW,
    }  # fmt: skip
    klass = [CLASSES[i % 3] for i in range(n)] if klass is None else klass
    gradient = np.linspace(0, 1, n) if gradient is None else gradient
    females = [f"F{i}" for i in range(n)] if females is None else females
    return magnitude(values, klass, gradient, females, **(rest | options))


def keys(block: Block) -> set[str]:
    """Return the keys of a block without its part."""
    return {result.key.split("/", 1)[1] for result in block.results}


def test_ranks_among_classes_match_r() -> None:
    """R 4.2.2 kruskal.test(Ozone ~ Month, airquality): H 29.2665763061, df 4, p 6.901e-06."""
    block = compared(OZONE, MONTH, TEMPERATURE, classes=list("56789"))
    result = block["magnitude-slope-deg/classes-as-dens"]
    assert result.estimate * 115 == pytest.approx(29.2665763061, abs=1e-9)
    assert result.p == pytest.approx(6.901e-06, rel=1e-4)
    assert result.assumes.startswith(AS_IF_INDEPENDENT)


def test_rank_correlation_matches_r() -> None:
    """R 4.2.2 cor.test(Ozone, Temp, method = 'spearman', exact = FALSE), airquality: rho .774042955461."""
    result = compared(OZONE, MONTH, TEMPERATURE, classes=list("56789"))["magnitude-slope-deg/rank"]
    assert result.estimate == pytest.approx(0.774042955461, abs=1e-11)
    assert result.lower < result.estimate < result.upper


def test_difference_of_means_is_welchs_where_each_female_has_one_den() -> None:
    """R's help page of t.test, extra ~ group in sleep: 95 % limits -3.3654832 and .2054832, df 17.776."""
    block = compared(SLEEP, ["first"] * 10 + ["second"] * 10, classes=["second", "first"])
    result = block["magnitude-slope-deg/mean-difference/first"]
    assert (result.lower, result.upper) == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)


def test_superiority_is_that_of_the_rank_sum_test() -> None:
    """The share of pairs is Mann-Whitney's U over the number of pairs (scipy)."""
    block = compared(SLEEP, ["first"] * 10 + ["second"] * 10, classes=["first", "second"])
    u = stats.mannwhitneyu(SLEEP[10:], SLEEP[:10]).statistic
    assert block["magnitude-slope-deg/superiority/second"].estimate == pytest.approx(u / 100)


def test_standard_deviation_matches_reml_on_balanced_data() -> None:
    """R lme4 1.1.31, Dyestuff (Davies 1947): 1764.05 between batches and 2451.25 within; root of the sum 64.9253."""
    batches = [
        [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
    ]  # fmt: skip
    values, females = np.ravel(batches).astype(float), Females.of(np.repeat(list("ABCDEF"), 5))
    told, rest = total_sd(values, np.zeros(30, dtype=np.int64), females, number=1)
    assert told == pytest.approx(64.92534, abs=1e-4)
    left = total_sd(values[5:], np.zeros(25, dtype=np.int64), Females.of(np.repeat(list("BCDEF"), 5)), number=1)
    assert rest[0] == pytest.approx(left[0])


def test_fractional_logit_matches_r() -> None:
    """R 4.2.2 glm(y ~ x, quasibinomial), and its slope without each of the ten."""
    x = np.array([0.1, 0.3, 0.5, 0.7, 0.9, 1.2, 1.5, 1.8, 2.2, 2.6])
    y = np.array([0, 0.05, 0.2, 0.1, 0.3, 0.4, 0.35, 0.8, 0.7, 1])
    fitted = fractional_logits(x, y, Females.of(list("abcdefghij")))
    assert fitted.whole == pytest.approx([-3.25762767379, 2.21650320555], abs=1e-8)
    slopes = [2.105032611, 2.174825771, 2.398863946, 2.147977781, 2.291213662, 2.227779409, 2.298561389, 2.082815783]
    assert fitted.without[:, 1] == pytest.approx([*slopes, 2.562281303, 1.995014913], abs=1e-8)


def test_fractional_logit_interval_is_near_the_sandwich() -> None:
    """statsmodels' GLM with errors clustered by female: same slope, and a standard error 0 to 15 % smaller."""
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    values, _, gradient, code = study(60, 0.5, np.random.default_rng(2), share=True)
    block = compared(100 * values, ["rural"] * len(code), gradient, [f"F{i}" for i in code], share=True, unit="%")
    result = block["magnitude-slope-deg/log-odds"]
    design = np.column_stack([np.ones_like(gradient), gradient])
    fit = GLM(values, design, family=Binomial()).fit(cov_type="cluster", cov_kwds={"groups": code})
    half = stats.t.ppf(0.975, 59) * fit.bse[1]
    assert result.estimate == pytest.approx(fit.params[1], abs=1e-8)
    assert half < (result.upper - result.lower) / 2 < 1.15 * half


def test_slope_interval_is_hc3_where_each_female_has_one_den() -> None:
    """statsmodels' HC3 error times (n - 1) / n under the root, t with n - 1 degrees of freedom."""
    from statsmodels.regression.linear_model import OLS

    x, y = np.array(TEMPERATURE, float), np.array(OZONE, float)
    result = compared(OZONE, MONTH, TEMPERATURE, classes=list("56789"))["magnitude-slope-deg/slope"]
    fit = OLS(y, np.column_stack([np.ones_like(x), x])).fit()
    half = stats.t.ppf(0.975, 115) * fit.HC3_se[1] * np.sqrt(115 / 116)
    assert result.estimate == pytest.approx(fit.params[1])
    assert result.upper - result.estimate == pytest.approx(half)


def test_leaving_out_is_computing_anew() -> None:
    """Each leave-one-female-out number equals the same number of the dens that remain."""
    values, klass, gradient, code = study(20, 0.5, np.random.default_rng(3))
    females = Females.of([f"F{i}" for i in code])
    kept = code != 4
    fewer = Females.of([f"F{i}" for i in code[kept]])
    assert lines(gradient, values, females)[1][4] == pytest.approx(lines(gradient[kept], values[kept], fewer)[0])
    assert correlations(gradient, values, females)[1][4] == pytest.approx(
        correlations(gradient[kept], values[kept], fewer)[0]
    )
    told = class_mean(values, females, klass == klass[code == 4][0])
    rest = class_mean(values[kept], fewer, klass[kept] == klass[code == 4][0])
    assert told.shift[4] / np.sqrt((told.females - 1) / told.females) == pytest.approx(rest.mean - told.mean)
    both = total_sd(values, klass, females, number=3)[1][4], total_sd(values[kept], klass[kept], fewer, number=3)[0]
    assert both[0] == pytest.approx(both[1])


def test_permutation_is_that_of_all_orders() -> None:
    """With five females of one den each, drawn chances approach those of all 120 orders."""
    values, klass = np.array([1.0, 5.0, 4.0, 9.0, 8.0]), np.array([0, 0, 1, 1, 1])
    females, rng = Females.of(list("abcde")), np.random.default_rng(1)
    p = permutation_p(*among_classes(values, klass, females, number=2, draws=20_000, rng=rng))
    every = [
        stats.kruskal(values[list(o[:2])], values[list(o[2:])]).statistic for o in itertools.permutations(range(5))
    ]
    assert p == pytest.approx(
        np.mean(np.array(every) >= stats.kruskal(values[:2], values[2:]).statistic - 1e-9), abs=0.01
    )
    x = np.array([0.1, 0.2, 0.5, 0.6, 0.9])
    p = permutation_p(*along_gradient(x, values, females, draws=20_000, rng=rng))
    every = [abs(np.corrcoef(x, values[list(o)])[0, 1]) for o in itertools.permutations(range(5))]
    assert p == pytest.approx(np.mean(np.array(every) >= abs(np.corrcoef(x, values)[0, 1]) - 1e-9), abs=0.01)


def test_median_limits_are_the_cumulated_shares() -> None:
    """Twenty females with one den each: .5 +- t(19) x sqrt(.25 / 19) is .26 to .74, the 6th and 15th value."""
    assert median_limits(np.arange(1.0, 21.0), Females.of(list("abcdefghijklmnopqrst")), confidence=0.95) == (6, 15)
    assert median_limits(np.arange(1.0, 6.0), Females.of(list("abcde")), confidence=0.95) is None  # too few


def test_shares_stay_within_their_bounds() -> None:
    """Limits of a percent lie within 0 and 100, of means, differences and the curve."""
    rng = np.random.default_rng(5)
    values = np.clip(rng.normal(5, 10, 40), 0, 100)
    block = compared(values, gradient=rng.random(40), share=True, unit="%")
    means = [r for r in block.results if "/mean/" in r.key]
    assert all(0 < r.lower < r.estimate < r.upper < 100 for r in means)
    curve = block.frames["trend"]
    assert ((curve["lower"] > 0) & (curve["upper"] < 100) & (curve["lower"] <= curve["value"])).all()


def test_planted_trend_is_found() -> None:
    """A slope of 10 per unit of the gradient lies in its interval, with the least p that can be."""
    values, klass, gradient, code = study(40, 0.5, np.random.default_rng(8))
    block = compared(values + 10 * gradient, [CLASSES[k] for k in klass], gradient, [f"F{i}" for i in code])
    slope = block["magnitude-slope-deg/slope"]
    assert slope.lower < 10 < slope.upper
    assert slope.p == 1 / 200
    assert slope.headline
    assert (slope.dens, slope.females) == (len(code), 40)


def test_against_another_class() -> None:
    """The class of reference can be named; a class that is not listed cannot."""
    assert "mean-difference/rural" in keys(compared(np.arange(12.0), against="urban"))
    with pytest.raises(StatisticsError, match="not listed"):
        compared(np.arange(12.0), against="city")
    with pytest.raises(StatisticsError, match="'city' is not listed"):
        compared(np.arange(3.0), ["city"] * 3)


def test_wrong_input_is_named() -> None:
    """Shares beyond their bounds and columns of different lengths are refused."""
    with pytest.raises(StatisticsError, match="between 0 and 1"):
        compared([0.5, 1.5, 0.2], share=True, unit="1")
    with pytest.raises(StatisticsError, match="2 values for 3 dens"):
        compared([1.0, 2.0, 3.0], gradient=[0.1, 0.2])


def test_missing_values_are_counted() -> None:
    """Dens without value, class or gradient leave only what needs them, and the note says how many."""
    values = np.arange(12.0)
    values[0] = np.nan
    gradient = np.linspace(0, 1, 12)
    gradient[3:5] = np.nan
    block = compared(values, [None, ""] + ["rural", "urban"] * 5, gradient, [None] + [f"F{i}" for i in range(11)])
    assert "2 dens left out" in block["magnitude-slope-deg/classes"].note
    assert "3 dens left out" in block["magnitude-slope-deg/slope"].note
    assert block["magnitude-slope-deg/slope"].dens == 9


@pytest.mark.parametrize(
    ("values", "classes", "females", "said"),
    [
        ([], [], [], "no den there has a value"),
        ([np.nan] * 4, ["rural"] * 4, list("abcd"), "no den there has a value"),
        ([7.0] * 6, ["rural", "urban"] * 3, list("abcdef"), "all dens have the same value"),
        ([1.0, 2.0], ["rural", "urban"], ["a", "b"], "it needs two or more females"),
        ([1.0, 2.0, 3.0], ["rural"] * 3, list("abc"), "fewer than two classes"),
        ([1.0, 2.0, 3.0, 4.0], ["rural", "rural", "urban", "urban"], ["a"] * 4, "females"),
        ([0.0, 0.0, 0.0, 5.0, 6.0, 7.0], ["rural"] * 3 + ["urban"] * 3, list("abcdef"), "do not differ"),
    ],
)
@pytest.mark.parametrize("share", [False, True])
def test_what_cannot_be_said_is_said(values, classes, females, said, share) -> None:
    """Degenerate dens give clear statements and no missing numbers."""
    block = compared(values, classes, females=females, share=share, unit="%")
    assert any(said in unsaid.why for unsaid in block.unsaid)
    assert_finite(block)


def assert_finite(block: Block) -> None:
    """Check that every number of every result is one, and limits lie around estimates."""
    for result in block.results:
        numbers = [n for n in (result.estimate, result.lower, result.upper, result.p) if n is not None]
        assert np.isfinite(numbers).all(), result
        assert (result.lower is None) == (result.upper is None) == (result.interval == "")
        assert result.p is None or 0 <= result.p <= 1
        assert all([result.method, result.assumes, result.source, result.what])
        if result.lower is not None:
            assert result.lower <= result.estimate <= result.upper, result
    assert len({result.key for result in block.results}) == len(block.results)


@hypothesis_settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.0, 1.0, 0.5, 0.25, np.nan, np.inf]),
            st.sampled_from(["rural", "urban", "middle", "", None]),
            st.sampled_from([0.0, 0.3, 1.0, np.nan]),
            st.sampled_from(["a", "b", "c", "d", None]),
        ),
        max_size=12,
    ),
    st.booleans(),
)
def test_wild_dens_give_numbers_or_reasons(dens, share) -> None:
    """Whatever is missing or alike, there is no warning, no error and no missing number."""
    columns = [list(column) for column in zip(*dens, strict=True)] or [[], [], [], []]
    assert_finite(compared(*columns, share=share, unit="1", chance=Chance(permutations=19)))


def test_same_chance_same_numbers() -> None:
    """The same seed gives the same block; frames have the promised columns."""
    first, second = (compared(OZONE, MONTH, TEMPERATURE, classes=list("56789")) for _ in range(2))
    assert first.results == second.results
    assert list(first.frames["trend"]) == ["gradient", "value", "lower", "upper"]
    assert list(first.frames["dens"]) == ["landscape_class", "gradient", "female", "value"]
    assert len(first.frames["classes"]) == 5


def study(females: int, likeness: float, rng: np.random.Generator, *, share: bool = False, mixed: float = 0.2):
    """Return values, classes, gradient and females of a study without any effect.

    Half, three and two tenths of the females live in the three classes and have 1 to 4 dens; the dens
    of some lie in two classes. ``likeness`` is the correlation of the normal scores of one female's dens.
    """
    home = np.repeat([0, 1, 2], [females // 2, 3 * females // 10, females // 5])
    code = np.repeat(np.arange(females), rng.integers(1, 5, females))
    klass, n = home[code], len(code)
    away = (rng.random(females) < mixed)[code] & (rng.random(n) < 0.5)
    klass = np.where(away, (klass + 1) % 3, klass)
    gradient = (0.3 * home + 0.3 * rng.random(females))[code] + 0.05 * rng.standard_normal(n)
    score = np.sqrt(likeness) * rng.standard_normal(females)[code] + np.sqrt(1 - likeness) * rng.standard_normal(n)
    return (special.ndtr(-0.5 + 1.2 * score) if share else score), klass, gradient, code


CELLS = [(females, likeness) for females in (20, 40) for likeness in (0.0, 0.5, 0.8)]


@pytest.mark.gate
@pytest.mark.parametrize(("females", "likeness"), CELLS)
def test_headline_p_keeps_its_level(females, likeness) -> None:
    """Of 2,000 studies without effect, .035 to .065 have p of .05 or less, among classes and for the slope."""
    rng = np.random.default_rng([females, int(10 * likeness)])
    found = np.array([headline_p(females, likeness, rng) for _ in range(2000)])
    rates = (found <= 0.05).mean(axis=0)
    print(females, likeness, rates)
    assert ((rates >= 0.035) & (rates <= 0.065)).all(), rates


def headline_p(females: int, likeness: float, rng: np.random.Generator) -> tuple[float, float]:
    """Return p among classes and of the slope for one study without effect."""
    values, klass, gradient, code = study(females, likeness, rng)
    whose = Females(code, np.ones(females, dtype=bool))
    classes = among_classes(values, klass, whose, number=3, draws=199, rng=rng)
    return permutation_p(*classes), permutation_p(*along_gradient(gradient, values, whose, draws=199, rng=rng))


@pytest.mark.gate
@pytest.mark.parametrize("share", [False, True])
@pytest.mark.parametrize(("females", "likeness"), CELLS)
def test_headline_intervals_cover(females, likeness, share) -> None:
    """Of 2,000 studies, .93 to .97 of the intervals of means, differences and slopes hold the truth."""
    rng = np.random.default_rng([females, int(10 * likeness), share])
    hits = np.array([covered(females, likeness, share, rng) for _ in range(2000)], dtype=float)
    had = np.isfinite(hits)
    rates = np.nansum(hits, axis=0) / np.maximum(had.sum(axis=0), 1)
    print(females, likeness, share, rates.round(3), "medians had", had.mean(axis=0).round(2)[-3:])
    assert ((rates[:6] >= 0.93) & (rates[:6] <= 0.97)).all(), rates
    assert (rates[6:][had[:, 6:].any(axis=0)] >= 0.93).all(), rates  # medians are no headline and may cover more


def covered(females: int, likeness: float, share: bool, rng: np.random.Generator) -> list[float]:
    """Return hits of three means, two differences and a slope, and of three medians (NaN without interval)."""
    values, klass, gradient, code = study(females, likeness, rng, share=share, mixed=0.0)
    whose = Females(code, np.ones(females, dtype=bool))
    scale, mean = ("logit", float(special.ndtr(-0.5 / np.sqrt(1 + 1.44)))) if share else ("plain", 0.0)
    told = [class_mean(values, whose, klass == number) for number in range(3)]
    whole, rest = lines(gradient, values, whose)
    known = [(mean_limits(m, confidence=0.95, scale=scale), mean) for m in told]
    known += [(difference_limits(told[i], told[0], confidence=0.95, scale=scale), 0.0) for i in (1, 2)]
    known.append((jackknife_interval(float(whole[1]), rest[:, 1], confidence=0.95), 0.0))
    middle = float(special.ndtr(-0.5)) if share else 0.0
    for number in range(3):
        chosen = klass == number
        known.append((median_limits(values[chosen], whose.within(chosen), confidence=0.95), middle))
    return [np.nan if limits is None else limits[0] <= truth <= limits[1] for limits, truth in known]


@pytest.mark.gate
@pytest.mark.parametrize("alike", [0.0, 0.5, 0.8])
@pytest.mark.parametrize(("counts", "sizes"), [((4, 40), (5, 1)), ((30, 10), (1, 5)), ((15, 15, 15), (4, 2, 1))])
def test_type_one_error_holds_when_dens_go_with_class(counts, sizes, alike) -> None:
    """Females of one class have more dens: without an effect 3.5 to 6.5 % of 1,500 slopes have p <= .05.

    The test among classes, which is no headline, is a little too large where a class has four females (.069 of
    5,000 studies): 3 to 8 % here.
    """
    rng, design = np.random.default_rng([4, *sizes, int(10 * alike)]), linked(counts, sizes)
    females, classes, slopes = design.females, [], []
    for _ in range(1500):
        own = rng.normal(size=females.count)[females.code]
        value = np.sqrt(alike) * own + np.sqrt(1 - alike) * rng.normal(size=len(own))
        x = 2.0 * design.klass + rng.normal(size=females.count)[females.code]
        observed, drawn = among_classes(value, design.klass, females, number=len(counts), draws=199, rng=rng)
        classes.append(permutation_p(observed, drawn))
        observed, drawn = along_gradient(x, value, females, draws=199, rng=rng)
        slopes.append(permutation_p(observed, drawn))
    assert 0.03 <= np.mean(np.array(classes) <= 0.05) <= 0.08
    assert 0.035 <= np.mean(np.array(slopes) <= 0.05) <= 0.065
