"""Den type along the gradient: proof by females, predicted shares, what cannot be said, chance and coverage."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from scipy import stats
from simulated import linked, types_of

from densite.compare import logit
from densite.compare.logit import change_interval, dens_along, gradient_test, score_statistic, type_along_gradient
from densite.compare.multinomial import fit
from densite.compare.resample import Chance, Females
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

TYPES = ("tree", "ground bed", "rock ledge", "brush")
INTERCEPTS, SLOPES = np.array([1.3, -1.5, -1.2]), np.array([-1.2, 0.9, 0.2])


def told(den_type, gradient, female, *, permutations: int = 99) -> Block:
    """Ask for types along a gradient of housing."""
    return type_along_gradient(
        den_type, gradient, female, types=TYPES, gradient_name="log10(1 + housing units per km2)",
        gradient_unit="tenfold", chance=Chance(permutations=permutations),
    )  # fmt: skip


def study(rng, females: int, repeat: float, slopes=SLOPES, *, crowded: bool = False):
    """Simulate dens: type, gradient, female. A den repeats its female's type with a chance, by a shared draw.

    The shared draw leaves each den's own chances as the logit has them, whatever her other dens are.
    """
    dens = rng.integers(1, 5, females)
    female = np.repeat(np.arange(females), dens)
    home = 3 * (rng.beta(0.7, 1.6, females) if crowded else rng.random(females))
    x = home[female] + rng.normal(0, 0.2, len(female))
    draw = np.where(rng.random(len(x)) < repeat, rng.random(females)[female], rng.random(len(x)))
    kind = (draw[:, None] > shares_at(x, slopes).cumsum(axis=1)[:, :-1]).sum(axis=1)
    return np.array(TYPES)[kind], x, np.array([f"OB-{number:03d}" for number in female], dtype=object)


def shares_at(x, slopes=SLOPES):
    """Return the simulated shares of the four types."""
    odds = np.exp(np.column_stack([INTERCEPTS + np.outer(x, slopes), np.zeros(len(x))]))
    return odds / odds.sum(axis=1, keepdims=True)


@pytest.fixture(scope="module")
def block() -> Block:
    """Types along the gradient of a study of 60 females."""
    return told(*study(np.random.default_rng(3), 60, 0.5), permutations=999)


def test_score_statistic_is_that_of_the_library() -> None:
    """Two types: n times the squared correlation; three: the quadratic form, written out with its inverse."""
    rng = np.random.default_rng(1)
    x, kind = rng.normal(size=50), np.eye(3)[rng.integers(0, 3, 50)]
    two = np.column_stack([kind[:, 0], 1 - kind[:, 0]])
    assert score_statistic(x[None], two)[0] == pytest.approx(50 * stats.pearsonr(x, kind[:, 0]).statistic ** 2)
    p, off = kind.mean(axis=0)[:2], x - x.mean()
    pull = off @ (kind[:, :2] - p)
    variance = off @ off * (np.diag(p) - np.outer(p, p))
    assert score_statistic(x[None], kind)[0] == pytest.approx(pull @ np.linalg.solve(variance, pull))


def test_permutation_against_every_order() -> None:
    """With one den a female, the p is that of all 720 orders of the gradient, but for chance."""
    x, kind = np.array([0.0, 0.4, 1.0, 1.7, 2.1, 3.0]), ["tree", "tree", "brush", "tree", "brush", "brush"]
    along = dens_along(kind, x, list("abcdef"), types=TYPES)
    observed = score_statistic(x[None], along.kind)[0]
    orders = np.array(list(itertools.permutations(x)))
    exact = np.mean(score_statistic(orders, along.kind) >= observed - 1e-9)
    found = gradient_test(along, part="p", gradient_name="housing", chance=Chance(permutations=9999))
    assert found.p == pytest.approx(exact, abs=4 * math.sqrt(exact / 9999))


def test_a_weight_is_that_many_dens() -> None:
    """The score statistic of dens with weights 0 to 3 is that of dens left out, doubled and trebled."""
    rng = np.random.default_rng(2)
    x, kind, weights = rng.normal(size=(4, 40)), np.eye(3)[rng.integers(0, 3, 40)], rng.integers(0, 4, 40)
    repeated = score_statistic(np.repeat(x, weights, axis=1), np.repeat(kind, weights, axis=0))
    assert score_statistic(x, kind, weights.astype(float)) == pytest.approx(repeated)


def test_permutation_of_females_against_every_order() -> None:
    """Six females, 1 to 3 dens each at one place: the p of all 720 orders of females, weights by hand.

    Of 5 pairs of dens of one female 4 are of one type, and of 10 dens 5 are in trees: the chance of that is .25 + .25,
    so r = (.8 - .5) / .5 = .6, and one of two dens counts 1 / 1.6, one of three 1 / 2.2.
    """
    sizes, home = [1, 1, 2, 2, 3, 1], np.array([0.0, 0.5, 0.9, 1.8, 2.2, 3.0])
    kind, female = np.repeat(["tree", "brush"], 5), np.repeat(np.arange(6), sizes)
    weights = np.repeat([1, 1, 1 / 1.6, 1 / 1.6, 1 / 2.2, 1], sizes)
    along = dens_along(kind, home[female], female.astype(str), types=TYPES)
    orders = np.array(list(itertools.permutations(home)))[:, female]
    drawn = score_statistic(orders, along.kind, weights)
    exact = np.mean(drawn >= drawn[0] - 1e-9)
    found = gradient_test(along, part="p", gradient_name="housing", chance=Chance(permutations=9999))
    assert f"score statistic {drawn[0]:.2f}" in found.note
    assert found.p == pytest.approx(exact, abs=4 * math.sqrt(exact / 9999))


def test_interval_of_a_change_is_made_on_the_arcsine_scale() -> None:
    """By hand for .8 and, without each of three females, .78 .8 .83; t table, 2 degrees of freedom: 4.302653."""
    error = math.sqrt(2 / 3 * sum((math.asin(change) - math.asin(0.8)) ** 2 for change in (0.78, 0.8, 0.83)))
    limits = [math.sin(math.asin(0.8) + side * 4.302653 * error) for side in (-1, 1)]
    assert change_interval(0.8, np.array([0.78, 0.8, 0.83]), confidence=0.95) == pytest.approx(limits, abs=1e-6)
    # Beyond the ends of the scale the sine would turn back: limits stop at 1.
    assert change_interval(0.8, np.array([0.5, 0.8, 0.95]), confidence=0.95)[1] == 1


def test_likelihood_ratio_and_shares_are_those_of_the_library(block) -> None:
    """statsmodels' multinomial logit gives the same likelihood ratio, slopes and predicted shares."""
    from statsmodels.discrete.discrete_model import MNLogit

    kind, x, _ = study(np.random.default_rng(3), 60, 0.5)
    codes = np.array([TYPES.index(name) for name in kind])
    model = MNLogit(codes, np.column_stack([np.ones(len(x)), x])).fit(disp=0)
    assert block["type-along-gradient/likelihood-ratio"].p == pytest.approx(model.llr_pvalue, rel=1e-5)
    ends = model.predict(np.column_stack([np.ones(2), np.quantile(x, [0.1, 0.9])]))
    slopes = np.append(0.0, model.params[1])
    for j, name in enumerate(TYPES):
        key = name.replace(" ", "-")
        assert block[f"type-along-gradient/share-low/{key}"].estimate == pytest.approx(ends[0, j], abs=1e-6)
        assert block[f"type-along-gradient/change/{key}"].estimate == pytest.approx(ends[1, j] - ends[0, j], abs=1e-6)
        if (slope := f"type-along-gradient/slope/{key}") in {result.key for result in block.results}:
            reference = TYPES.index(block[slope].where.split(" against ")[1])
            assert block[slope].estimate == pytest.approx(slopes[j] - slopes[reference], abs=1e-5)


def test_slope_interval_is_the_jackknife_over_females(block) -> None:
    """The limits are the estimate and t(f - 1) times the delete-one-female error, fitted one by one."""
    kind, x, female = study(np.random.default_rng(3), 60, 0.5)
    slope = next(result for result in block.results if "/slope/" in result.key)
    one, reference = slope.where.split(" against ")
    order = [name for name in TYPES if name not in (one, reference)]
    columns = (kind[:, None] == np.array([one, *order, reference])).astype(float)
    found = []
    for name in [None, *dict.fromkeys(female)]:
        kept = female != name
        covariates = np.column_stack([np.ones(kept.sum()), x[kept]])
        found.append(fit(columns[kept], covariates, np.ones((1, kept.sum()))).beta[0, 1, 0])
    error = math.sqrt(59 / 60 * np.sum((np.array(found[1:]) - found[0]) ** 2))
    half = stats.t.ppf(0.975, 59) * error
    assert (slope.lower, slope.upper) == pytest.approx((found[0] - half, found[0] + half), abs=1e-4)


def test_results_say_what_they_rest_on(block) -> None:
    """One headline p over females; the likelihood ratio is labelled; changes add up to nothing."""
    headlines = [result for result in block.results if result.headline]
    assert [result.key for result in headlines] == ["type-along-gradient/test"]
    assert headlines[0].proof == "females"
    ratio = block["type-along-gradient/likelihood-ratio"]
    assert ratio.proof == "dens"
    assert ratio.assumes.startswith(AS_IF_INDEPENDENT)
    changes = [result.estimate for result in block.results if "/change/" in result.key]
    assert len(changes) == 4
    assert sum(changes) == pytest.approx(0, abs=1e-9)
    assert not block.unsaid


def test_curve_has_bands_between_the_ends(block) -> None:
    """50 places between the sample's ends, shares that add to 1, bands around them."""
    curve, dens = block.frames["curve"], block.frames["dens"]
    assert list(curve.columns) == ["gradient", "type", "share", "lower", "upper"]
    assert curve.groupby("type").size().tolist() == [50] * 4
    assert (curve["gradient"].min(), curve["gradient"].max()) == (dens["gradient"].min(), dens["gradient"].max())
    assert curve.groupby("gradient")["share"].sum().to_numpy() == pytest.approx(np.ones(50))
    assert ((curve["lower"] < curve["share"]) & (curve["share"] < curve["upper"])).all()
    assert curve["lower"].min() >= 0
    assert curve["upper"].max() <= 1


def test_the_scale_of_the_gradient_does_not_matter() -> None:
    """Metres for kilometres: same p, same changes, slopes a thousandth."""
    kind, x, female = study(np.random.default_rng(5), 30, 0.5)
    one, other = told(kind, x, female), told(kind, 1000 * x + 1e6, female)
    for result in one.results:
        factor = 1000 if "/slope/" in result.key else 1
        if result.p is not None:
            assert other[result.key].p == pytest.approx(result.p, rel=1e-6)
        if result.estimate is not None:
            assert other[result.key].estimate * factor == pytest.approx(result.estimate, rel=1e-4, abs=1e-6)


def test_rare_types_stay_in_the_test_and_are_named() -> None:
    """A type with one den counts in test and fit; its slope is unsaid, and a type without den is named."""
    kind, x, female = study(np.random.default_rng(6), 40, 0.5)
    kind = np.where(kind == "brush", "tree", kind)
    kind[0] = "rock ledge"
    kind[1:][kind[1:] == "rock ledge"] = "ground bed"
    found = told(kind, x, female)
    assert found["type-along-gradient/test"].dens == len(kind)
    assert not any(result.key.endswith(("slope/rock-ledge", "change/rock-ledge")) for result in found.results)
    reasons = {unsaid.what: unsaid.why for unsaid in found.unsaid}
    assert "stays in the test" in reasons["slope and change of share of rock ledge"]
    assert reasons["brush along the gradient"] == "no den of this type"
    assert "rock ledge" in set(found.frames["curve"]["type"])
    assert "without one of the females a type is missing" in found["type-along-gradient/change/tree"].method


@pytest.mark.parametrize(("brush", "said"), [([0, 3, 6, 9], False), ([0, 1, 2, 3, 4], False), ([0, 1, 3, 4, 6], True)])
def test_a_slope_asks_for_five_dens_of_three_females(brush, said) -> None:
    """Females have three dens each: four dens, or five of two females, are too few; five of three are enough."""
    kind = np.where(np.arange(60) % 4 == 0, "tree", "ground bed").astype(object)
    kind[brush] = "brush"
    found = told(kind, np.sin(np.arange(60)), np.repeat(np.arange(20), 3).astype(str))
    assert ("type-along-gradient/change/brush" in {result.key for result in found.results}) == said
    assert any("of brush" in unsaid.what for unsaid in found.unsaid) != said


def test_keys_are_unique(block) -> None:
    """A row of the table is found by its key."""
    keys = [result.key for result in block.results]
    assert len(set(keys)) == len(keys) == 2 + 3 * 4 + 3


def test_separation_is_said_and_penalised() -> None:
    """Types in order along the gradient: named, finite estimates, the method labelled."""
    x = np.linspace(0, 3, 30)
    kind = np.where(x < 1.5, "tree", "brush")
    found = told(kind, x, [f"OB-{j // 2:03d}" for j in range(30)])
    change = found["type-along-gradient/change/brush"]
    assert "complete separation" in change.method
    assert "Firth" in change.method
    assert 0.8 < change.estimate < 1
    assert 0 < change.lower < change.upper <= 1
    assert "penalised" in found["type-along-gradient/likelihood-ratio"].method


def test_what_is_left_out_is_counted() -> None:
    """Dens of unknown type, without gradient and without a known female are told in the notes."""
    kind, x, female = study(np.random.default_rng(7), 30, 0)
    kind = kind.astype(object)
    kind[:3], x[2:5], female[5:9] = ["unknown", None, "cave"], np.nan, None
    note = told(kind, x, female)["type-along-gradient/test"].note
    assert "3 without a known type left out; 2 without a gradient value left out" in note
    assert "4 without a known female count as females of their own" in note


@pytest.mark.parametrize(
    ("kind", "x", "female", "why"),
    [
        ([], [], [], "no den has both"),
        (["tree", None], [None, 1.0], ["a", "b"], "no den has both"),
        (["tree", "tree"], [1.0, 2.0], ["a", "b"], "every den is of one type"),
        (["tree", "brush"], [2.0, 2.0], ["a", "b"], "the same at every den"),
        (["tree", "brush"], [1.0, 2.0], ["a", "a"], "of 1 female; 6 are needed"),
    ],
)
def test_what_cannot_be_said(kind, x, female, why) -> None:
    """No den, one type, one place, one female: a reason and no result."""
    found = told(kind, x, female)
    assert not found.results
    assert why in found.unsaid[0].why


def test_two_dens_have_reasons() -> None:
    """Two dens of two females: nothing but why not."""
    found = told(["tree", "brush"], [1.0, 2.0], ["a", "b"])
    assert not found.results
    assert "of 2 females; 6 are needed" in found.unsaid[0].why


def test_unequal_lengths_are_refused() -> None:
    """One entry a den in every array."""
    with pytest.raises(StatisticsError, match="differ in number: 2, 1, 2"):
        told(["tree", "brush"], [1.0], ["a", "b"])


KINDS = some.sampled_from([*TYPES, "unknown", "", None])
PLACES = some.one_of(some.sampled_from([0.0, 1.0, 1e6, math.nan, math.inf]), some.floats(-5, 5))
NAMES = some.sampled_from(["OB-001", "OB-002", "OB-003", "OB-004", "OB-005", "", None])


@settings(max_examples=80, deadline=None, derandomize=True)
@given(some.lists(some.tuples(KINDS, PLACES, NAMES), max_size=25))
def test_wild_input_never_gives_nonsense(rows) -> None:
    """Whatever the dens: finite numbers inside their limits, or a reason."""
    kind, x, female = zip(*rows, strict=True) if rows else ((), (), ())
    found = told(np.array(kind, dtype=object), x, female, permutations=9)
    assert found.results or found.unsaid
    for result in found.results:
        numbers = [value for value in (result.estimate, result.lower, result.upper, result.p) if value is not None]
        assert np.isfinite(numbers).all()
        if result.lower is not None:
            assert result.lower <= result.estimate <= result.upper
    assert all(frame.notna().all(axis=None) for frame in found.frames.values())


@pytest.mark.gate
@pytest.mark.parametrize("repeat", [0, 0.5, 0.8])
def test_type_one_error_holds_when_females_repeat(repeat) -> None:
    """Of 2,000 studies without effect on a crowded gradient, .035 to .065 have p <= .05."""
    rng = np.random.default_rng(11)
    found = []
    for seed in range(2000):
        along = dens_along(*study(rng, 20, repeat, np.zeros(3), crowded=True), types=TYPES)
        chance = Chance(seed=seed, permutations=199)
        found.append(gradient_test(along, part="p", gradient_name="", chance=chance).p)
    assert 0.035 <= np.mean(np.array(found) <= 0.05) <= 0.065


@pytest.mark.gate
@pytest.mark.parametrize(
    ("females", "repeat", "studies"), [(20, 0, 800), (20, 0.5, 1000), (20, 0.8, 800), (40, 0.8, 700)]
)
def test_intervals_of_changes_cover(females, repeat, studies) -> None:
    """Intervals of the change of all types' shares cover the true change in .93 to .97 of cases."""
    rng = np.random.default_rng(12)
    held = []
    for _ in range(studies):
        kind, x, female = study(rng, females, repeat)
        truth = dict(zip(TYPES, np.diff(shares_at(np.quantile(x, [0.1, 0.9])), axis=0)[0], strict=True))
        model = logit._modelled(dens_along(kind, x, female, types=TYPES), 0.95)
        for result in logit._changes(model, "tenfold"):
            held.append(result.lower <= truth[result.where.split(",")[0]] <= result.upper)
    assert 0.93 <= np.mean(held) <= 0.97


def test_females_are_counted_by_name() -> None:
    """The number of females told is of known ones; a den without one is a female of its own in the proof."""
    along = dens_along(["tree", "brush", "tree"], [1.0, 2.0, 3.0], ["a", "a", None], types=TYPES)
    assert (along.females.known, along.females.count) == (1, 2)
    assert isinstance(along.females, Females)


@pytest.mark.gate
@pytest.mark.parametrize("repeats", [0.0, 0.5, 0.8])
@pytest.mark.parametrize(("counts", "sizes"), [((4, 40), (5, 1)), ((30, 10), (1, 5)), ((15, 15, 15), (4, 2, 1))])
def test_type_one_error_holds_when_dens_go_with_the_gradient(counts, sizes, repeats) -> None:
    """Females near town have more dens, or fewer: without an effect 3.5 to 6.5 % of 1,500 studies have p <= .05."""
    rng, told_design, found = np.random.default_rng([3, *sizes, int(10 * repeats)]), linked(counts, sizes), []
    females = told_design.females
    for seed in range(1500):
        x = 2.0 * told_design.klass + rng.normal(size=females.count)[females.code]
        kinds = types_of(np.array([0.4, 0.3, 0.2, 0.1]), females, rng, repeats=repeats, studies=1)[0]
        data = dens_along(np.array(list("abcd"))[kinds], x, females.code.astype(str), types=list("abcd"))
        found.append(gradient_test(data, part="p", gradient_name="g", chance=Chance(seed, 199)).p)
    assert 0.035 <= np.mean(np.array(found) <= 0.05) <= 0.065
