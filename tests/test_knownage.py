"""Calibrations from known-age cubs: against statsmodels, lme4 and simulated growth."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from made_cubs import EAR, HAIR, cub, frame, grown, known
from scipy.stats import t
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.diagnostic import linear_reset

from densite.calibration import coefficients, foretell, read, write
from densite.errors import StatisticsError
from densite.knownage import _line, _litter_ratio, _Rows, fit, summary

# Potthoff & Roy 1964, Biometrika 51: distance from pituitary to pterygomaxillary fissure [mm] of 27 children at ages
# 8, 10, 12, 14, as in R package nlme 3.1-162, data set Orthodont.
CHILDREN = """26 25 29 31, 21.5 22.5 23 26.5, 23 22.5 24 27.5, 25.5 27.5 26.5 27, 20 23.5 22.5 26, 24.5 25.5 27 28.5,
22 22 24.5 26.5, 24 21.5 24.5 25.5, 23 20.5 31 26, 27.5 28 31 31.5, 23 23 23.5 25, 21.5 23.5 24 28, 17 24.5 26 29.5,
22.5 25.5 25.5 26, 23 24.5 26 30, 22 21.5 23.5 25, 21 20 21.5 23, 21 21.5 24 25.5, 20.5 24 24.5 26, 23.5 24.5 25 26.5,
21.5 23 22.5 23.5, 20 21 21 22.5, 21.5 22.5 23 25, 23 23 23.5 24, 20 21 22 21.5, 16.5 19 19 19.5, 24.5 25 28 28"""

# R 4.2.2, lme4 1.1-31: lmer(age_d ~ hair_mm + ear_mm + (1 | litter), REML = TRUE) on the means of tests/data/
# known_age_litters.csv by litter and visit (made up by made_cubs.grown; two decimals or fewer, so all read the same).
LME4 = (-10.828207305112, 0.801554916177, 0.999145533767)
LME4_VARIANCES = (6.88964819071, 1.07797257165)
LME4_COVARIANCE = (
    (4.639946985124, 0.2539135008583, -0.2754463898643),
    (0.253913500858, 0.0427978661544, -0.0358350157878),
    (-0.275446389864, -0.0358350157878, 0.0315254660547),
)


def rng(seed: int = 1) -> np.random.Generator:
    """Return a seeded generator."""
    return np.random.default_rng(seed)


def stored() -> pd.DataFrame:
    """Return the litters that lme4 was given."""
    return known(pd.read_csv(Path(__file__).parent / "data" / "known_age_litters.csv").to_numpy(float))


def test_litters_of_one_cub_as_statsmodels_predicts() -> None:
    """One cub a litter and one visit: obs intervals of OLS get_prediction, exactly."""
    cubs = known(grown(rng(), litters=20, sizes=(1,)))
    made = fit(cubs, validate=False).calibration
    X = sm.add_constant(cubs[["hair_mm", "ear_mm"]].to_numpy(float))
    ages = np.array([(a - b).days for a, b in zip(cubs["date"], cubs["born_on"], strict=True)], float)
    new = np.array([[15.0, 25.0], [25.0, 40.0], [80.0, 10.0]])
    for level in (0.8, 0.95, 0.99):
        told = sm.OLS(ages, X).fit().get_prediction(sm.add_constant(new, has_constant="add"))
        expected = told.summary_frame(alpha=1 - level)
        found = foretell(made, new, [1, 1, 1], confidence=level)
        assert found.age == pytest.approx(expected["mean"].to_numpy(), rel=1e-9)
        assert found.lower == pytest.approx(expected["obs_ci_lower"].to_numpy(), rel=1e-9)
        assert found.upper == pytest.approx(expected["obs_ci_upper"].to_numpy(), rel=1e-9)
        assert found.fit_sd == pytest.approx(expected["mean_se"].to_numpy(), rel=1e-9)


def test_bend_is_statsmodels_reset() -> None:
    """Without repeated visits, the p value of linear_reset with the square of the fitted values."""
    cubs = known(grown(rng(3), litters=30, sizes=(1,), bend=6))
    found = fit(cubs, validate=False)
    ages = [(a - b).days for a, b in zip(cubs["date"], cubs["born_on"], strict=True)]
    ols = sm.OLS(ages, sm.add_constant(cubs[["hair_mm", "ear_mm"]].to_numpy(float))).fit()
    assert found.bend_p == pytest.approx(float(linear_reset(ols, power=2, use_f=True).pvalue), rel=1e-6)


def test_repeated_litters_as_lme4_fits_them() -> None:
    """Coefficients, their covariance and the variances of R 4.2.2 lme4 1.1-31 on the same visits."""
    found = fit(stored(), validate=False)
    made = found.calibration
    assert found.mixed
    assert "REML" in made.method
    assert coefficients(made) == pytest.approx(LME4, rel=1e-5)
    assert np.array(made.covariance) == pytest.approx(np.array(LME4_COVARIANCE), rel=1e-4)
    litters, deviations = stored().groupby(["den_label", "date"]), stored()[["hair_mm", "ear_mm"]]
    spread = (deviations - litters[["hair_mm", "ear_mm"]].transform("mean")).to_numpy() @ LME4[1:]
    within = np.sum(spread**2) / (len(spread) - litters.ngroups)
    between = sum(LME4_VARIANCES) - within * np.mean(1 / litters.size())
    assert made.residual.within_sd**2 == pytest.approx(within, rel=1e-5)
    assert made.residual.between_sd**2 == pytest.approx(between, rel=1e-4)
    assert made.residual.degrees_of_freedom == made.support.litters - 3 < made.support.visits - 3


def test_bend_of_repeated_litters_counts_litters() -> None:
    """The p of statsmodels' GLS with the litters' covariance, but with litters for degrees of freedom."""
    found = fit(stored(), validate=False)
    litter = pd.factorize(found.visits["litter"])[0]
    means = stored().groupby(["female", "den_label", "date"], sort=True)[["hair_mm", "ear_mm"]].mean().to_numpy()
    X = np.column_stack([np.ones(len(means)), means, found.visits["fitted_d"] ** 2])
    between, within = LME4_VARIANCES
    V = between * (litter[:, None] == litter) + within * np.eye(len(litter))
    gls = sm.GLS(found.visits["age_d"].to_numpy(), X, sigma=V).fit()
    assert found.bend_p == pytest.approx(2 * t.sf(abs(gls.tvalues[-1]), len(set(litter)) - 4), rel=1e-3)


def test_children_as_lme4_fits_them() -> None:
    """Orthodont, lmer(distance ~ age + (1 | Subject)) of R 4.2.2 lme4 1.1-31."""
    y = np.array([float(one) for one in CHILDREN.replace(",", " ").split()])
    age, child = np.tile([8.0, 10, 12, 14], 27), np.repeat(np.arange(27), 4)
    rows = _Rows(y, np.column_stack([np.ones(108), age]), child, np.ones(108), np.zeros((108, 1)))
    ratio, note = _litter_ratio(rows)
    line = _line(rows, ratio)
    assert note == ""
    assert line.beta == pytest.approx([16.761111111111, 0.660185185185], rel=1e-9)
    assert line.variance == pytest.approx(4.47205552581 + 2.04945601661, rel=1e-5)
    assert ratio == pytest.approx(4.47205552581 / 2.04945601661, rel=1e-5)
    assert line.covariance.ravel() == pytest.approx(
        [0.6438380900164, -0.0417481781161, -0.0417481781161, 0.00379528891965], rel=1e-5
    )


def test_visits_that_do_not_hang_together_fall_back() -> None:
    """Litters without an effect of their own: variance zero, ordinary least squares, and it is told."""
    notes = [fit(known(grown(rng(seed), litters=12, visits=(2, 3), shared=0, own=0.01, by_visit=2)), validate=False)
             for seed in range(6)]  # fmt: skip
    fallen = [one for one in notes if not one.mixed]
    assert fallen
    assert all("variance 0" in one.remarks[0] and "least squares" in one.calibration.method for one in fallen)


def test_a_model_of_cubs_would_be_misled() -> None:
    """Random litters over cubs of one age each: the slope is drawn to zero; that of visits is not."""
    rows = grown(rng(), litters=25, sizes=(3,))
    naive = MixedLM(rows[:, 2], sm.add_constant(rows[:, 3:4]), groups=rows[:, 0]).fit(reml=True, method="powell")
    ours = fit(known(rows), measurements=("hair_mm",), validate=False).calibration
    assert abs(naive.fe_params[1]) < 0.1
    assert ours.measurements[0].coefficient == pytest.approx(2, abs=0.4)


def test_validation_leaves_whole_litters_out() -> None:
    """A litter's foretold ages are those of a fit without it; RMSE, bias and coverage follow from them."""
    cubs = stored()
    found = fit(cubs)
    away = cubs["female"] == "OB-003"
    other = fit(cubs[~away], validate=False).calibration
    own = found.visits[found.visits["litter"] == "OB-003 2026"]
    means = cubs[away].groupby("date")[["hair_mm", "ear_mm"]].mean().to_numpy()
    assert own["foretold_d"].to_numpy() == pytest.approx(foretell(other, means, own["cubs"]).age)
    assert own["lower_d"].to_numpy() == pytest.approx(foretell(other, means, own["cubs"]).lower)
    error = (found.visits["foretold_d"] - found.visits["age_d"]).groupby(found.visits["litter"])
    told = found.calibration.validation
    assert told.bias == pytest.approx(error.mean().mean())
    assert told.rmse == pytest.approx(np.sqrt(error.agg(lambda e: (e**2).mean()).mean()))
    assert 0.7 <= told.coverage <= 1


def test_left_out_rows_are_told() -> None:
    """Dead, unmeasured, without landmark, at another landmark, births that disagree or come after the visit, slips."""
    cubs = known(grown(rng(2), litters=14, sizes=(2,)))
    at = cubs.index
    cubs.loc[at[0], "dead"] = "yes"
    cubs.loc[at[2], "hair_mm"] = np.nan
    cubs.loc[at[4], "hair_landmark"] = None
    cubs.loc[at[6], "ear_landmark"] = "notch to tip"
    cubs.loc[at[8], "born_on"] = cubs.loc[at[9], "born_on"].replace(year=2025)
    cubs.loc[at[10:12], "born_on"] = cubs.loc[at[10], "date"].replace(month=6)
    cubs.loc[at[12:14], "born_on"] = None
    cubs.loc[at[14], "ear_mm"] = 350.0
    cubs.loc[at[16], ["ear_mm", "settled"]] = [81.0, "ear_mm"]
    found = fit(cubs, validate=False)
    said = " ".join(str(problem) for problem in found.left_out)
    assert len(found.left_out) == 9
    for words in ("dead", "hair_mm not measured", "without hair_landmark", "'notch to tip', in most litters at 'tragus",
                  "disagree", "lies after the visit", "ear_mm 350 outside 5 to 80 mm and not confirmed"):  # fmt: skip
        assert words in said
    assert "cubs.csv line 2: note: den D-000" in said
    assert found.calibration.support.litters == 11
    assert found.calibration.support.cubs == 17
    assert [one.landmark for one in found.calibration.measurements] == [HAIR, EAR]


def test_a_littermates_birth_date_counts_for_all() -> None:
    """Born_on of one cub is that of its litter, on every visit."""
    cubs = known(grown(rng(), litters=12, sizes=(3,)))
    first = cubs.index[~cubs["female"].duplicated()]
    sparse = cubs.assign(born_on=cubs["born_on"].where(cubs.index.isin(first)))
    assert fit(sparse, validate=False).calibration == fit(cubs, validate=False).calibration


def test_what_cannot_be_fitted() -> None:
    """Unknown measurement, none, nobody known, too few litters, one age, the same in all, twice the same."""
    cubs = known(grown(rng(), litters=9, sizes=(2,)))
    for change, said in (
        (lambda c: c.assign(born_on=None), "no cub has a birth date"),
        (lambda c: c[c["female"] < "OB-007"], "7 litters of known birth date can be used, 8 are needed"),
        (lambda c: c.assign(hair_mm=20.0), "hair_mm is the same in all litters"),
        (lambda c: c.assign(hair_mm=0.5 * c["ear_mm"] + 3), "say the same"),
        (lambda c: c.assign(born_on=c["date"].iloc[0].replace(month=1), date=c["date"].iloc[0]), "one age"),
        (lambda c: c.assign(hair_landmark=None), "0 litters .*left out"),
    ):
        with pytest.raises(StatisticsError, match=said):
            fit(change(cubs))
    with pytest.raises(StatisticsError, match="known: hair_mm"):
        fit(cubs, measurements=("mass_g",))
    with pytest.raises(StatisticsError, match="at least one"):
        fit(cubs, measurements=())
    ages = np.array([(a - b).days for a, b in zip(cubs["date"], cubs["born_on"], strict=True)])
    with pytest.raises(StatisticsError, match="without error"):
        fit(cubs.assign(hair_mm=ages / 2.0, ear_mm=ages / 3.0), measurements=("hair_mm",))


def test_one_measurement_and_the_width_of_the_skull() -> None:
    """Zygomatic width needs no landmark."""
    cubs = known(grown(rng(), litters=12))
    made = fit(cubs.assign(zygomatic_mm=cubs["ear_mm"]), measurements=("zygomatic_mm",)).calibration
    assert made.measurements[0].landmark is None
    assert made.measurements[0].high_mm == cubs["ear_mm"].max()


def test_a_fit_reads_back_and_is_summed_up(tmp_path) -> None:
    """File and summary; an invented one says so first."""
    found = fit(known(grown(rng(), litters=12)), name="Ondra", species="invented bear", invented=True)
    write(found.calibration, tmp_path / "c.toml")
    assert read(tmp_path / "c.toml") == found.calibration
    told = summary(found)
    assert told.startswith("Invented calibration 'Ondra', invented bear")
    for words in ("12 litters", "hair_mm (top of skull)", "RMSE", "left out once", "test for a bend"):
        assert words in told


def test_remarks() -> None:
    """A bend, no littermates, a coefficient below zero."""
    curved = fit(known(grown(rng(5), litters=40, bend=15, shared=0.5)), validate=False)
    assert any("bends away" in one for one in curved.remarks)
    assert curved.bend_p < 0.01
    alone = fit(known(grown(rng(), litters=12, sizes=(1,))), validate=False)
    assert any("no two littermates" in one for one in alone.remarks)
    assert alone.calibration.residual.within_sd == 0
    cubs = known(grown(rng(), litters=30, shared=0.1))
    odd = fit(cubs.assign(ear_mm=100 - rng(9).normal(cubs["hair_mm"], 4)), validate=False)
    assert any("below 0" in one for one in odd.remarks) == (odd.calibration.measurements[1].coefficient < 0)


def test_den_names_a_litter_whose_mother_is_unknown() -> None:
    """Litters are told apart by den and winter then."""
    cubs = known(grown(rng(), litters=12)).assign(female=None)
    assert fit(cubs, validate=False).calibration.support.litters == 12
    assert frame(cub()).shape[0] == 1


def covered(seed: int, *, visits, litters: int = 25, studies: int = 200, **growth) -> np.ndarray:
    """Simulate studies; return the share of new litters of 1, 2, 3, 4 cubs whose age lies in its interval."""
    made = rng(seed)
    shares = []
    for _ in range(studies):
        found = fit(known(grown(made, litters=litters, visits=visits, **growth)), validate=False).calibration
        for size in (1, 2, 3, 4):
            new = grown(made, litters=40, sizes=(size,), **growth)
            means = new[:, 3:].reshape(40, size, 2).mean(axis=1)
            told = foretell(found, means, np.full(40, size))
            shares.append(np.mean((told.lower <= new[::size, 2]) & (new[::size, 2] <= told.upper)))
    return np.array(shares).reshape(studies, 4).mean(axis=0)


@pytest.mark.gate
@pytest.mark.parametrize("visits", [(1,), (1, 2, 3)])
@pytest.mark.parametrize("growth", [{}, {"shared": 4.0}, {"own": 3.0}, {"shared": 0.3}], ids=str)
def test_gate_of_prediction_intervals(visits, growth) -> None:
    """Of new single cubs and litters of 2, 3, 4, 93 to 97 % lie in their 95 % intervals, by growth and not by model."""
    shares = covered(11, visits=visits, **growth)
    assert (shares >= 0.93).all()
    assert (shares <= 0.97).all()
