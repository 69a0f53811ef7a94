"""Growth: the mixed model is lme4's, cubs stand among the study's own, limits count females."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from made_litters import cub, dens, females, made
from scipy.stats import t

from densite.animals import frame_of
from densite.errors import StatisticsError
from densite.growth import growth, litter_ages, mixed_fit, weighed
from densite.litters import litters_of

# Invented masses, and what lme4 1.1.31 of R 4.2.2 fits to them: lmer(y ~ x + (1 | litter)), x the age less its mean,
# xtol_abs and ftol_abs 1e-12. Fixed effects, standard deviations of litters and of cubs.
LITTER = ["a", "a", "b", "b", "b", "c", "d", "d", "d", "e", "e", "f", "f", "f", "g", "g", "h", "h"]
AGE = [28, 28, 35, 35, 35, 41, 44, 44, 44, 50, 50, 57, 57, 57, 63, 63, 70, 70]
MASS = [1085, 1277, 847, 1023, 988, 1024, 1283, 1144, 1026, 1148, 1176, 1489, 1472, 1456, 2137, 1722, 2241, 2054]
LME4 = {
    ("log", True): (7.18438087014, 0.01813681023, 0.13496588889, 0.09310320685),
    ("log", False): (7.1844180222, 0.0181278823, 0.11143624866, 0.09342314959),
    ("plain", True): (1375.01009286, 26.87282244, 206.1223693, 131.9180843),
    ("plain", False): (1374.94487002, 26.84326313, 171.7056677, 132.1961126),
}


@pytest.mark.parametrize(("scale", "reml"), LME4)
def test_the_fit_is_that_of_lme4(scale, reml) -> None:
    """Same coefficients and standard deviations as R's lme4."""
    fit = mixed_fit(AGE, MASS, LITTER, scale=scale, reml=reml)
    told = (fit.intercept, fit.slope, fit.between_sd, fit.within_sd)
    assert told == pytest.approx(LME4[scale, reml], rel=1e-6)
    assert fit.remarks == ()


def study(number: int = 24, **options):
    """Growth of a made study."""
    records = made(number, **options)
    litters = litters_of(records.cubs, records.handlings, records.dens)
    return growth(records.cubs, litter_ages(records.cubs, records.births.frame), litters, ages_from="Invented ages.")


def test_growth_of_a_made_study() -> None:
    """Masses grow by 2.25 % a day on the log scale: the rate's limits hold it, the curve runs through the cubs."""
    found = study()
    assert found.fit.scale == "log"
    assert found.rate_lower < 0.0225 * found.fit.mass_g(found.fit.middle_d) < found.rate_upper
    assert (found.curve["lower"] < found.curve["mass_g"]).all()
    assert abs(found.frame["standing"].mean()) < 0.3
    spread = np.hypot(found.fit.between_sd, found.fit.within_sd)
    off = np.log(found.frame["mass_g"] / found.fit.mass_g(found.frame["age_d"]))
    assert found.frame["standing"].to_numpy() == pytest.approx((off / spread).to_numpy())
    assert found.frame["percentile"].mean() == pytest.approx(50)  # mid-ranks
    assert found.frame["percentile"].between(0, 100, inclusive="neither").all()
    assert found.ages_from == "Invented ages."
    assert "ships no 'normal' mass" in " ".join(found.notes)
    assert "Ages are estimates" in " ".join(found.notes)


def test_the_median_of_masses_by_quantile_regression_is_near_the_curve() -> None:
    """statsmodels' QuantReg, which knows no litters and no normal errors, gives the same slope within its error."""
    from statsmodels.regression.quantile_regression import QuantReg

    found = study(40)
    frame = found.frame
    design = np.column_stack([np.ones(len(frame)), frame["age_d"] - found.fit.middle_d])
    median = QuantReg(np.log(frame["mass_g"].to_numpy()), design).fit(q=0.5)
    assert found.fit.slope == pytest.approx(median.params[1], abs=3 * median.bse[1])
    assert found.fit.intercept == pytest.approx(median.params[0], abs=3 * median.bse[0])


def test_the_lightest_of_each_litter_is_told() -> None:
    """One sentence for the lightest of a litter of two or more, none for single cubs; no judgement."""
    frame = study().frame
    for (_, _), litter in frame.groupby(["litter", "date"]):
        said = litter[litter["said"] != ""]
        assert len(said) == (1 if len(litter) > 1 and (litter["mass_g"] == litter["mass_g"].min()).sum() == 1 else 0)
        assert (said["mass_g"] == litter["mass_g"].min()).all()
    worst = frame.loc[frame["standing"].idxmin()]
    assert f"{-worst['standing']:.1f} SD under what the study's own cubs weigh at this age" in worst["said"]


def test_grams_are_chosen_where_growth_is_straight() -> None:
    """Masses on a straight line with an even spread: the plain scale, and its reason."""
    rng = np.random.default_rng(2)
    rows, ages = [], []
    for j in range(30):
        age, shift = 20 + 2 * j, rng.normal(0, 25)
        for n in (1, 2, 3):
            rows.append(cub(f"D-{j}", number=n, female=f"OB-{j}", mass_g=300 + 30 * age + shift + rng.normal(0, 25)))
            ages.append((age, 0.0))
    cubs = frame_of("cub", rows)
    known = pd.DataFrame(ages, columns=["age_d", "se_d"], index=cubs.index)
    litters = litters_of(cubs, frame_of("handling", []), dens(*(f"D-{j}" for j in range(30))))
    found = growth(cubs, known, litters)
    assert found.fit.scale == "plain"
    assert found.rate_g_per_d == pytest.approx(30, abs=1.5)
    assert "in grams" in " ".join(found.notes)
    assert "Ages are estimates" not in " ".join(found.notes)


def test_a_cub_far_from_the_curve_is_told_and_kept() -> None:
    """A tenth of its mass, which the entry check lets pass: named, with growth without it; sound cubs are not."""
    records = made(24)
    litters = litters_of(records.cubs, records.handlings, records.dens)
    ages = litter_ages(records.cubs, records.births.frame)
    assert not any("Far from all others" in note for note in growth(records.cubs, ages, litters).notes)
    slipped = records.cubs.copy()
    heavy = slipped["mass_g"].idxmax()
    slipped.loc[heavy, "mass_g"] /= 10
    found = growth(slipped, ages, litters)
    note = next(note for note in found.notes if "Far from all others" in note)
    assert f"{slipped.loc[heavy, 'mass_g']:.0f} g at {ages.loc[heavy, 'age_d']:.0f} d" in note
    assert note.count(" g at ") == 1
    assert found.fit.scale == "log"
    assert heavy in found.frame.index
    without = growth(slipped.drop(heavy), ages, litters)
    assert f"is {without.rate_g_per_d:.0f} g a day" in note


def test_the_calibrations_error_widens_the_rate() -> None:
    """An error that stretches all ages about their middle by 5 % changes the rate by as much, exactly."""
    records = made(24)
    litters = litters_of(records.cubs, records.handlings, records.dens)
    ages = litter_ages(records.cubs, records.births.frame)
    alone = growth(records.cubs, ages, litters)
    stretch = 0.05 * (records.births.frame["age_d"].to_numpy() - alone.fit.middle_d)
    none, some = (growth(records.cubs, ages, litters, shared=np.outer(e, e)) for e in (0 * stretch, stretch))
    assert (none.rate_lower, none.rate_upper) == pytest.approx((alone.rate_lower, alone.rate_upper))
    change = alone.rate_g_per_d * (1 - 1 / 1.05) * t.ppf(0.975, alone.frame["female"].nunique() - 1)
    half = alone.rate_upper - alone.rate_g_per_d
    assert some.rate_upper - some.rate_g_per_d == pytest.approx(np.hypot(half, change))
    wide, narrow = (one.curve["upper"] / one.curve["lower"] for one in (some, alone))
    assert (wide[[0, 40]] > narrow[[0, 40]]).all()
    assert any("too narrow" in note for note in alone.notes)
    assert not any("too narrow" in note for note in some.notes)


def test_how_far_errors_of_ages_slow_growth() -> None:
    """Errors of 3 d at ages that vary by their own and the errors' variance: the part of the latter."""
    records = made(24)
    litters = litters_of(records.cubs, records.handlings, records.dens)
    ages = litter_ages(records.cubs, records.births.frame).assign(se_d=3.0)
    found = growth(records.cubs, ages, litters)
    assert found.too_slow == pytest.approx(9 / records.births.frame["age_d"].var())
    assert growth(records.cubs, ages.assign(se_d=0.0), litters).too_slow == 0


def few(litters: int, *, ages=lambda j: 30.0 + 5 * j, cubs: int = 2):
    """Growth of so many litters, one a female."""
    rows = [cub(f"D-{j}", number=n, female=f"OB-{j}", mass_g=900 + 100 * j + 40 * n + 13 * (j * n % 3))
            for j in range(litters) for n in range(1, cubs + 1)]  # fmt: skip
    frame = frame_of("cub", rows)
    age = [ages(int(female[3:])) for female in frame["female"]]
    known = pd.DataFrame({"age_d": age, "se_d": 0.0}, index=frame.index)
    return growth(frame, known, litters_of(frame, frame_of("handling", []), dens(*(f"D-{j}" for j in range(litters)))))


@pytest.mark.parametrize(("options", "why"), [
    ({"litters": 5}, "of 5 litters; 6 are needed"),
    ({"litters": 8, "ages": lambda _: 40.0}, "one or two ages only"),
    ({"litters": 8, "cubs": 1}, "no litter has two weighed cubs"),
])  # fmt: skip
def test_where_there_is_no_model_it_is_said(options, why) -> None:
    """Too few litters, one age, single cubs: masses within litters are told all the same."""
    found = few(**options)
    assert found.fit is None
    assert why in found.why
    assert found.curve.empty
    assert found.frame["standing"].isna().all()
    assert found.frame["in_litter"].notna().all() == (options.get("cubs", 2) > 1)


def test_litters_that_do_not_differ() -> None:
    """A variance of 0 between litters, where the line is that of least squares, is a remark."""
    rng = np.random.default_rng(3)
    age = np.repeat(np.linspace(30, 70, 10), 2)
    mass = 500 + 20 * age + np.tile([-50, 50], 10) + rng.normal(0, 1, 20)
    fit = mixed_fit(age, mass, np.repeat(np.arange(10), 2), scale="plain")
    assert fit.between_sd == 0
    assert fit.slope == pytest.approx(np.polyfit(age, mass, 1)[0])
    assert "estimated as 0" in fit.remarks[0]


def test_the_fit_is_that_of_statsmodels() -> None:
    """MixedLM of statsmodels, on a made study where litters do differ; tenfold, as it warns of variances below .01."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    found = study(40)
    frame, fit = found.frame, found.fit
    design = np.column_stack([np.ones(len(frame)), frame["age_d"] - fit.middle_d])
    other = MixedLM(10 * np.log(frame["mass_g"].to_numpy()), design, groups=frame["litter"]).fit()
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(np.asarray(other.fe_params) / 10), rel=1e-4)
    assert fit.between_sd**2 == pytest.approx(np.asarray(other.cov_re)[0, 0] / 100, rel=1e-3)
    assert fit.within_sd**2 == pytest.approx(other.scale / 100, rel=1e-3)


def test_what_cannot_be_fitted() -> None:
    """Ages all alike."""
    with pytest.raises(StatisticsError, match="not all alike"):
        mixed_fit([40, 40, 40], [900, 950, 1000], [1, 1, 2], scale="log")


def test_cubs_that_cannot_be_used_are_counted() -> None:
    """Without mass, without age, found dead: each told with its number."""
    rows = [cub(number=1, female="OB-1", mass_g=900), cub(number=2, female="OB-1"),
            cub(number=3, female="OB-1", mass_g=700, dead="yes"), cub("D-2", female="OB-2", mass_g=800),
            cub(number=4, female="OB-1", mass_g=2, cub_id="OB-1c"),
            cub(number=5, female="OB-1", mass_g=7000, settled="hair_mm,mass_g")]  # fmt: skip
    cubs = frame_of("cub", rows)
    ages = pd.DataFrame({"age_d": [40.0, 40.0, 40.0, np.nan, 40.0, 40.0], "se_d": 2.0}, index=cubs.index)
    found, said = weighed(cubs, ages, litters_of(cubs, frame_of("handling", []), dens("D-1", "D-2")))
    assert list(found["cub"]) == ["OB-1/2026 cub 1", "OB-1/2026 cub 5"]
    assert said == (
        "Cubs without a mass, left out: 1.",
        "Cubs with a mass outside the entry check that nobody has confirmed, left out: 1 (OB-1c: 2 g): correct the "
        "mass, or confirm it.",
        "Cubs without an age, left out: 1.", "Cubs found dead, left out: 1.",
    )  # fmt: skip


def test_a_cub_is_given_its_litters_age() -> None:
    """By den, day and mother; where two females are at one den, a cub without a mother has none."""
    cubs = frame_of("cub", [cub(number=1, female="OB-1"), cub(number=2, female="OB-2"), cub(number=3), cub("D-2")])
    births = pd.DataFrame({"den_label": ["D-1", "D-1", "D-2"], "date": [dt.date(2026, 2, 24)] * 3,
                           "female": ["OB-1", "OB-2", None], "age_d": [30.0, 40.0, 50.0], "se_d": 2.0})  # fmt: skip
    told = litter_ages(cubs, births)["age_d"].tolist()
    assert told[:2] == [30, 40]
    assert np.isnan(told[2])
    assert told[3] == 50
    assert litter_ages(cubs, births.set_index(["den_label", "date"]))["age_d"].tolist()[0] == 30


@pytest.mark.gate
def test_the_slopes_interval_covers() -> None:
    """Of 600 studies of 20 females with several litters, .92 to .97 of the intervals of the slope hold the truth."""
    from densite.compare.resample import jackknife_interval
    from densite.growth import MixedFit, _without_each

    rng, hits = np.random.default_rng(6), []
    for _ in range(600):
        code = females(20, rng)
        size = rng.integers(1, 4, len(code))
        litter = np.repeat(np.arange(len(code)), size)
        age = rng.uniform(25, 75, len(code))[litter]
        shift = (rng.normal(0, 0.08, 20)[code] + rng.normal(0, 0.08, len(code)))[litter]
        mass = np.exp(6 + 0.0225 * age + shift + rng.normal(0, 0.1, len(age)))
        fit = mixed_fit(age, mass, litter, scale="log")
        frame = pd.DataFrame({"age_d": age, "mass_g": mass, "litter": litter, "female": code[litter].astype(str)})
        limits = jackknife_interval(fit.slope, _without_each(frame, fit)[:, 1], confidence=0.95)
        assert isinstance(fit, MixedFit)
        hits.append(limits[0] <= 0.0225 <= limits[1])
    print(np.mean(hits))
    assert 0.92 <= np.mean(hits) <= 0.97
