"""Values far from the study's own: closed forms, a reference medcouple, and how many are false."""

import numpy as np
import pandas as pd
import pytest
from made_questions_of_dens import dens_at
from scipy import stats
from statsmodels.stats.stattools import medcouple as reference_medcouple

from densite.review.outliers import LEAST, medcouple, outliers, spread_of, unjudged

NOTHING = pd.DataFrame()


@pytest.mark.parametrize("seed", range(4))
def test_medcouple_agrees_with_statsmodels(seed) -> None:
    """Skewed, symmetric, tied and left-skewed values."""
    rng = np.random.default_rng(seed)
    for values in (rng.lognormal(size=201), rng.normal(size=200), -rng.exponential(size=99),
                   rng.integers(0, 9, 120).astype(float)):  # fmt: skip
        assert medcouple(values) == pytest.approx(float(reference_medcouple(values)), abs=1e-12)


def test_medcouple_of_many_is_that_of_even_ranks() -> None:
    """Within 0.01 of the full one."""
    values = np.random.default_rng(5).lognormal(size=4001)
    assert medcouple(values) == pytest.approx(float(reference_medcouple(values)), abs=0.01)


def test_fences_by_hand() -> None:
    """0 to 40: quartiles 10 and 30, MAD 10, no skew: fences -20 and 60, z of 3.5 at 20 + 51.9."""
    spread = spread_of(np.arange(41.0))
    assert (spread.median, spread.mad, spread.lower, spread.upper) == pytest.approx((20, 10, -20, 60))
    assert spread.z(np.array([20 + 35 / 0.6745])) == pytest.approx([3.5])
    assert spread.far(np.array([61.0, 71.8, 71.95, -31.95, np.nan])).tolist() == [False, False, True, True, False]


def test_fences_of_skewed_values() -> None:
    """The longer tail gets the wider fence, after equation 5 of Hubert & Vandervieren 2008, in both directions."""
    values = np.random.default_rng(1).lognormal(size=300)
    skew = float(reference_medcouple(values))
    first, third = np.quantile(values, (0.25, 0.75))
    spread, mirrored = spread_of(values), spread_of(-values)
    assert spread.upper == pytest.approx(third + 1.5 * np.exp(3 * skew) * (third - first))
    assert spread.lower == pytest.approx(first - 1.5 * np.exp(-4 * skew) * (third - first))
    assert (mirrored.lower, mirrored.upper) == pytest.approx((-spread.upper, -spread.lower))


@pytest.mark.parametrize(("values", "said"), [([5.0] * (LEAST - 1), "for want of 30"), ([5.0] * 40, "the same")])
def test_nothing_is_said_without_a_distribution(values, said) -> None:
    """Too few dens, or more than half alike: no finding, and a line that says so."""
    dens = dens_at(len(values) + 1, slope_deg=[*values, 80.0])[: len(values)]
    assert list(outliers(dens, NOTHING)) == []
    assert any("slope_deg" in line and said in line for line in unjudged(dens, NOTHING))


def test_a_planted_value_is_found_and_told() -> None:
    """Millimetres in a column of centimetres; a bearing is never asked about."""
    depths = [*np.linspace(90, 210, 40), 1500.0]
    (found,) = outliers(dens_at(41, depth_cm=depths, aspect_deg=[10.0] * 40 + [190.0]), NOTHING)
    assert found.problem.field == "depth_cm"
    assert "den D-40: depth 1500 cm is far above the study's other 40 dens" in found.problem.message


@pytest.mark.parametrize(("draw", "most"), [(stats.norm(), 0.001), (stats.gamma(2), 0.012), (stats.lognorm(0.5), 0.01)])
def test_false_alarms_are_rare(draw, most) -> None:
    """Of 20,000 sound values at most so many are asked about: both rules must agree."""
    values = draw.rvs(20_000, random_state=3)
    assert spread_of(values).far(values).mean() < most
