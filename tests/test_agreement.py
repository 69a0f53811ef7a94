"""Agreement of field and map, and of two observers, against published examples and R."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from densite.compare.agreement import bearing_agreement, circular_correlation, kappa, linear_agreement, wrapped
from densite.compare.resample import Chance
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

CHANCE = Chance()

# Peak flow of 17 people by two meters [l/min]; Bland & Altman 1986, Lancet i: 307-310 (data from memory;
# that they give the printed mean and limits shows that they are right)
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

# Two dermatologists on 88 patients; SAS/STAT user's guide, PROC FREQ, getting started (skin condition)
SKIN = [[10, 4, 1, 0], [5, 10, 12, 2], [2, 4, 12, 5], [0, 2, 6, 13]]


def sloped(derived, observed, females=None) -> Block:
    """Compare slopes, the map's first; every den has its own female unless given."""
    females = [f"F{i}" for i in range(len(observed))] if females is None else females
    return linear_agreement(observed, derived, females, what="slope", unit="deg", chance=CHANCE)


def turned(derived, observed, females=None) -> Block:
    """Compare aspects, the map's first; every den has its own female unless given."""
    females = [f"F{i}" for i in range(len(observed))] if females is None else females
    return bearing_agreement(observed, derived, females, chance=CHANCE)


def words(table) -> tuple[np.ndarray, np.ndarray]:
    """Write a table of two observers out as words."""
    rows, columns = np.indices(np.shape(table))
    counts = np.ravel(table)
    return np.repeat(np.ravel(rows), counts).astype(str), np.repeat(np.ravel(columns), counts).astype(str)


def assert_finite(block: Block) -> None:
    """Check that every number of every result is one, and limits lie around estimates."""
    for result in block.results:
        numbers = [n for n in (result.estimate, result.lower, result.upper) if n is not None]
        assert np.isfinite(numbers).all(), result
        assert (result.lower is None) == (result.upper is None) == (result.interval == "")
        assert result.lower is None or result.lower <= result.estimate <= result.upper, result
        assert all([result.method, result.assumes, result.source])
    assert len({result.key for result in block.results}) == len(block.results)


def test_bias_and_limits_match_bland_and_altman() -> None:
    """Printed 1986: mean -2.1, sd 38.8, 95 % limits of the mean -22.0 to 17.8 l/min (large minus mini meter)."""
    block = sloped(MINI, LARGE)
    bias = block["agreement-slope/bias-as-dens"]
    assert (bias.estimate, bias.lower, bias.upper) == pytest.approx((-2.1, -22.0, 17.8), abs=0.06)
    lower, upper = (block[f"agreement-slope/{end}-limit-as-dens"] for end in ("lower", "upper"))
    assert (upper.estimate - lower.estimate) / 2 / 1.96 == pytest.approx(38.8, abs=0.05)
    # printed with 2 standard deviations and variance 3 s2 / n, which they later refined: -79.7 (-114.3 to -45.1)
    assert (lower.upper - lower.lower) / 2 == pytest.approx((114.3 - 45.1) / 2, abs=0.2)
    assert bias.assumes.startswith(AS_IF_INDEPENDENT)
    assert not bias.headline


def test_limits_match_bland_and_altman_1999() -> None:
    """Printed 1999 for 85 people, -16.29 and sd 19.61 mmHg: limits -54.7 and 22.1, from -61.9 to 29.3.

    All from memory; the outer figures were worked out from rounded parts (1.71 sd / sqrt n), hence .11.
    """
    spread = np.random.default_rng(1).normal(size=85)
    difference = -16.29 + 19.61 * (spread - spread.mean()) / spread.std(ddof=1)
    block = sloped(np.full(85, 130.0), 130 + difference)
    lower, upper = (block[f"agreement-slope/{end}-limit-as-dens"] for end in ("lower", "upper"))
    assert (lower.estimate, lower.lower, lower.upper) == pytest.approx((-54.7, -61.9, -47.5), abs=0.11)
    assert (upper.estimate, upper.lower, upper.upper) == pytest.approx((22.1, 14.9, 29.3), abs=0.11)


def test_one_den_a_female_is_as_published() -> None:
    """Where every female has one den, bias, its interval and the limits over females equal those over dens."""
    block = sloped(MINI, LARGE)
    for key in ("bias", "lower-limit", "upper-limit"):
        assert block[f"agreement-slope/{key}"].estimate == pytest.approx(
            block[f"agreement-slope/{key}-as-dens"].estimate
        )
    over, dens = block["agreement-slope/bias"], block["agreement-slope/bias-as-dens"]
    assert (over.lower, over.upper) == pytest.approx((dens.lower, dens.upper))


def test_repeated_dens_add_nothing() -> None:
    """Writing each den down three times narrows the interval as if dens were independent, not the one over females."""
    once, thrice = sloped(MINI, LARGE), sloped(MINI * 3, LARGE * 3, [f"F{i}" for i in range(17)] * 3)
    width = [b["agreement-slope/bias"].upper - b["agreement-slope/bias"].lower for b in (once, thrice)]
    naive = [b["agreement-slope/bias-as-dens"].upper - b["agreement-slope/bias-as-dens"].lower for b in (once, thrice)]
    assert width[1] == pytest.approx(width[0])
    assert naive[1] < 0.6 * naive[0]


def test_proportional_bias_is_found() -> None:
    """A crew that reads eight tenths of the slope has a difference that falls by 2/9 per degree of the mean."""
    slope = np.linspace(5, 40, 20)
    result = sloped(slope, 0.8 * slope + 0.01 * (-1) ** np.arange(20))["agreement-slope/proportional-bias"]
    assert result.estimate == pytest.approx(-0.2 / 0.9, abs=1e-3)
    assert result.lower < -0.2 / 0.9 < result.upper
    assert result.unit == "1"


def test_circular_correlation_matches_r() -> None:
    """R 4.2.2 circular 0.4.95, cor.circular."""
    first = np.array([45, 55, 81, 96, 110, 117, 132, 154.0]), np.array([70, 50, 100, 90, 140, 95, 160, 120.0])
    second = (
        np.array([350, 5, 20, 90, 180, 270, 300, 10, 45, 135.0]),
        np.array([10, 355, 40, 80, 200, 250, 310, 30, 20, 150.0]),
    )
    assert circular_correlation(*first)[0] == pytest.approx(0.798382393646, abs=1e-11)
    assert turned(*second)["agreement-aspect/correlation"].estimate == pytest.approx(0.91331122208, abs=1e-10)
    assert turned(*second)["agreement-aspect/turn"].estimate == pytest.approx(4.13497144413, abs=1e-9)


def test_bearings_cross_north() -> None:
    """350 and 10 degrees differ by 20, and their mean is north."""
    block = turned([350, 10, 355], [10, 350, 5])
    assert list(block.frames["pairs"]["difference"]) == [20, -20, 10]
    assert list(block.frames["pairs"]["mean"]) == [0, 0, 0]
    assert block["agreement-aspect/distance"].estimate == pytest.approx(50 / 3)
    assert block["agreement-aspect/within"].estimate == 1
    assert wrapped(np.array([180.0, -180.0, 540.0, 0.0])) == pytest.approx([180, 180, 180, 0])


def test_turned_compass_is_found() -> None:
    """A compass turned by 30 degrees shows a turn of 30, whatever the aspects are."""
    rng = np.random.default_rng(3)
    field = rng.uniform(0, 360, 40)
    result = turned(field, (field + 30 + rng.normal(0, 15, 40)) % 360)["agreement-aspect/turn"]
    assert result.lower < 30 < result.upper
    assert result.upper - result.lower < 15


def test_share_within_45_is_a_clustered_share() -> None:
    """Opposite bearings at one female of four: three quarters of the dens are within 45 degrees."""
    block = turned([0, 0, 0, 0], [10, 45, 316, 180])
    result = block["agreement-aspect/within"]
    assert result.estimate == 0.75
    assert 0 < result.lower < 0.75 < result.upper < 1


def test_kappa_matches_sas() -> None:
    """SAS: skin condition .3449, .2030 to .4868 (from memory); in statsmodels' tests .4842, .2137 to .7547."""
    first = kappa(*words(SKIN), what="type", chance=CHANCE)["agreement-type/kappa-as-dens"]
    assert (first.estimate, first.lower, first.upper) == pytest.approx((0.3449, 0.2030, 0.4868), abs=5e-5)
    table = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]
    second = kappa(*words(table), what="type", chance=CHANCE)["agreement-type/kappa-as-dens"]
    assert (second.estimate, second.lower, second.upper) == pytest.approx((0.4842, 0.2137, 0.7547), abs=5e-5)


def test_kappa_over_females_is_near_the_large_sample_error() -> None:
    """With a den each for many females, leaving out females gives nearly the published error."""
    block = kappa(*words(np.array(SKIN) * 4), what="type", chance=CHANCE)
    over, dens = block["agreement-type/kappa"], block["agreement-type/kappa-as-dens"]
    assert over.upper - over.lower == pytest.approx(dens.upper - dens.lower, rel=0.02)
    assert over.headline


def test_observers_who_always_agree() -> None:
    """Kappa is 1 without interval; the share of equal words still has one."""
    block = kappa(["tree", "nest", "tree"], ["tree", "nest", "tree"], ["a", "b", None], what="type", chance=CHANCE)
    assert block["agreement-type/kappa"].estimate == 1
    assert block["agreement-type/kappa"].lower is None
    assert block["agreement-type/same"].lower < 1
    assert "1 den without a known female" in block["agreement-type/same"].note
    assert_finite(block)


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ([], [], "0 dens described by both"),
        (["tree", None], [None, "tree"], "0 dens described by both"),
        (["tree", "tree", "tree"], ["tree", "tree", "tree"], "one and the same word"),
    ],
)
def test_kappa_that_cannot_be_said(first, second, said) -> None:
    """Nothing described twice, or one word for all, is said."""
    block = kappa(first, second, what="type", chance=CHANCE)
    assert any(said in unsaid.why for unsaid in block.unsaid)
    assert_finite(block)


@pytest.mark.parametrize(
    ("observed", "derived", "females", "said"),
    [
        ([], [], [], "0 dens with both"),
        ([1.0, np.nan], [np.nan, 2.0], ["a", "b"], "0 dens with both"),
        ([5.0, 5.0, 5.0], [5.0, 5.0, 5.0], list("abc"), "do not differ"),
        ([5.0, 6.0, 7.0], [4.0, 6.5, 7.5], ["a"] * 3, "too few females"),
    ],
)
@pytest.mark.parametrize("compared", [sloped, turned])
def test_what_cannot_be_said_is_said(observed, derived, females, said, compared) -> None:
    """Degenerate pairs give clear statements and no missing numbers."""
    block = compared(observed, derived, females)
    assert any(said in unsaid.why for unsaid in block.unsaid), block.unsaid
    assert_finite(block)


def test_differences_that_cancel_out() -> None:
    """Differences of 90 to either side have a mean of 0; those of 90 all round have none."""
    assert any("cancel out" in unsaid.why for unsaid in turned([0, 0, 0, 0], [0, 90, 180, 270]).unsaid)


def test_columns_of_different_lengths_are_refused() -> None:
    """One value per den."""
    with pytest.raises(StatisticsError, match="2 values for 1 dens"):
        sloped([1.0, 2.0], [1.0])
    with pytest.raises(StatisticsError, match="1 values for 2 dens"):
        kappa(["a", "b"], ["a"], what="type", chance=CHANCE)


NUMBERS = st.sampled_from([0.0, 0.0, 10.0, 90.0, 180.0, 359.0, np.nan, np.inf])


@hypothesis_settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(NUMBERS, NUMBERS, st.sampled_from(["a", "b", "c", None])), max_size=9))
def test_wild_pairs_give_numbers_or_reasons(pairs) -> None:
    """Whatever is missing or alike, there is no warning, no error and no missing number."""
    first, second, females = [list(column) for column in zip(*pairs, strict=True)] or [[], [], []]
    for block in (sloped(first, second, females), turned(first, second, females)):
        assert_finite(block)
    assert_finite(kappa(first, second, females, what="type", chance=CHANCE))


@pytest.mark.gate
@pytest.mark.parametrize("females", [20, 40])
@pytest.mark.parametrize("likeness", [0.0, 0.5, 0.8])
def test_headline_intervals_cover(females, likeness) -> None:
    """Of 2,000 studies, .93 to .97 of the intervals of bias and turn hold the truth; others are printed."""
    rng = np.random.default_rng([females, int(10 * likeness)])
    hits = np.array([covered(females, likeness, rng) for _ in range(2000)]).mean(axis=0)
    print(females, likeness, hits.round(3))
    assert ((hits[:2] >= 0.93) & (hits[:2] <= 0.97)).all(), hits


def covered(females: int, likeness: float, rng: np.random.Generator) -> list[bool]:
    """Return hits of bias, turn, lower limit of agreement, absolute difference and share within 45 degrees."""
    code = np.repeat(np.arange(females), rng.integers(1, 5, females))
    own = np.sqrt(likeness) * rng.standard_normal(females)[code]
    score = own + np.sqrt(1 - likeness) * rng.standard_normal(len(code))
    field = rng.uniform(0, 360, len(code))
    slope, aspect = sloped(field, field + score, code), turned(field, field + 40 * score, code)
    rows = [slope["agreement-slope/bias"], aspect["agreement-aspect/turn"], slope["agreement-slope/lower-limit"]]
    rows += [aspect["agreement-aspect/distance"], aspect["agreement-aspect/within"]]
    truth = [0.0, 0.0, -1.96, 40 * np.sqrt(2 / np.pi), 0.7394]  # the last: chance of |N(0, 40)| up to 45
    return [row.lower <= known <= row.upper for row, known in zip(rows, truth, strict=True)]
