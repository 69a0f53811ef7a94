"""Mass of cubs against their age: how the study's own cubs grow, and how each stands among them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, stats

from densite.compare.resample import LEAST_FEMALES, Females, Floats, jackknife_interval
from densite.cubs import doubted
from densite.errors import StatisticsError
from densite.litters import few_females
from densite.records import winter_of

Scale: TypeAlias = Literal["log", "plain"]

LEAST_LITTERS = 6  # fewer litters say too little about how litters differ; our own bound
STEPS = 41  # ages at which the curve is drawn
AFAR = 0.05  # chance that any of the study's cubs lies so far from the curve, were all as the rest; our own bound
CLEARLY = 2.0  # so much worse by AIC, the usual scale is given up; Burnham & Anderson 2002, from memory

COLUMNS = (
    "litter", "female", "winter", "landscape_class", "den_label", "date", "cub", "sex", "age_d", "se_d", "mass_g",
)  # fmt: skip

RELATIVE = (
    "Cubs are held against the study's own cubs only: densite ships no 'normal' mass, and light among these is no "
    "finding of health."
)
ESTIMATED_AGES = (
    "Ages are estimates from the cubs' own measurements and share the calibration's error: a litter that grows fast "
    "looks older, which hides part of the differences between litters, and an error in the calibration's slope passes "
    "into the growth rate. Littermates are given one age, so how they stand to each other is not touched."
)
OVER_FEMALES = (
    "The intervals hold how females and their litters differ, not the calibration's own error, which stretches or "
    "shortens all ages and with them the growth rate: they are too narrow."
)
AND_CALIBRATION = (
    "The intervals hold how females and their litters differ, and the error of the calibration's coefficients, which "
    "stretches or shortens all ages and with them the growth rate."
)
UNCONFIRMED = "with a mass outside the entry check that nobody has confirmed"
LEFT_OUT = ("without a mass", UNCONFIRMED, "without an age", "found dead", "without a litter")
NO_LITTERS = "Litters differ no more than cubs of one litter do: the variance between them is estimated as 0."
NOT_FOLLOWED = (
    "The curve joins litters of different ages, each seen mostly once. It is the growth of a cub only as far as "
    "litters seen young and old do not differ otherwise."
)


@dataclass(frozen=True, slots=True)
class MixedFit:
    """A straight line with a random intercept for each litter, on grams or on their natural logarithm.

    ``intercept`` at ``middle_d`` days, ``slope`` a day; ``between_sd`` of litters, ``within_sd`` of cubs in a litter.
    """

    scale: Scale
    middle_d: float
    intercept: float
    slope: float
    between_sd: float
    within_sd: float
    remarks: tuple[str, ...] = ()

    @property
    def total_sd(self) -> float:
        """Standard deviation of a cub drawn from any litter, on the scale."""
        return math.hypot(self.between_sd, self.within_sd)

    def mass_g(self, age_d: Any) -> Any:
        """Return the median mass at an age. [g]"""
        line = self.intercept + self.slope * (np.asarray(age_d, dtype=np.float64) - self.middle_d)
        return np.exp(line) if self.scale == "log" else line


@dataclass(frozen=True, slots=True)
class Growth:
    """How the study's own cubs grow.

    Attributes
    ----------
    frame : DataFrame
        One row a weighed cub with an age: ``COLUMNS``; ``expected_g`` at its age [g]; ``standing`` in standard
        deviations of the study's cubs, ``percentile`` among them (each against its own age) [%]; ``in_litter``, its
        mass over the mean of its litter on that day [1]; ``said``, a sentence for the lightest of a litter.
    curve : DataFrame
        ``age_d`` [d], ``mass_g``, ``lower``, ``upper`` of the median [g]; empty without a model.
    fit : MixedFit or None
        None where there are too few litters; ``why`` says so.
    rate_g_per_d, rate_lower, rate_upper : float
        Growth at the middle age, with limits over females and, where it was given, the calibration's error. [g/d]
    notes : tuple of str
        How the model was chosen and checked, and what the numbers do not tell.
    ages_from : str
        The calibration in words, and whether it is invented.
    too_slow : float
        By which part growth may be told too slow, for ages are estimates: the mean of their error variances over the
        variance of ages of litters on a day. So it is where the errors do not depend on the true ages, as from a
        calibration of a much wider range of ages; from one of the same ages it is not slowed (our simulations). [1]
    """

    frame: pd.DataFrame
    curve: pd.DataFrame
    fit: MixedFit | None
    rate_g_per_d: float
    rate_lower: float
    rate_upper: float
    why: str
    notes: tuple[str, ...]
    ages_from: str
    confidence: float
    too_slow: float = 0.0


def litter_ages(cubs: pd.DataFrame, births: pd.DataFrame) -> pd.DataFrame:
    """Return for each cub the age of its litter on that day.

    Parameters
    ----------
    cubs : DataFrame
        Current cub records.
    births : DataFrame
        ``frame`` of :func:`densite.cubs.litter_births`: den_label, date, female, age_d, se_d [d].

    Returns
    -------
    DataFrame
        Indexed as ``cubs``: ``age_d``, ``se_d`` [d], NaN where the litter has none, and ``place``, the row of
        ``births`` (-1 for none). A cub's own age would not do: it is read from its size, so that a large cub would
        look old instead of heavy.
    """
    frame = births if "den_label" in births else births.reset_index()
    found: dict[tuple[str, Any], list[Any]] = {}
    for place, row in enumerate(frame.to_dict("records")):
        found.setdefault((_word(row["den_label"]), row["date"]), []).append(row | {"place": place})
    rows = [
        _own(found.get((_word(cub["den_label"]), cub["date"]), []), _word(cub["female"]))
        for cub in cubs.to_dict("records")
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["age_d", "se_d", "place"], index=cubs.index, dtype=float).astype({"place": int})


def _own(rows: list[Any], female: str) -> tuple[float, float, int]:
    """Return age, error and place of a cub's litter among those of its den on that day."""
    named = [row for row in rows if _word(row["female"]) == female] or (rows if len(rows) == 1 else [])
    if not named:
        return math.nan, math.nan, -1
    return float(named[0]["age_d"]), float(named[0]["se_d"]), named[0]["place"]


def weighed(cubs: pd.DataFrame, ages: pd.DataFrame, litters: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the cubs with mass, age and litter, and sentences on those left out.

    Parameters
    ----------
    cubs : DataFrame
        Current cub records.
    ages : DataFrame
        Indexed as ``cubs``: ``age_d``, ``se_d`` [d], from :func:`litter_ages` or cubs of known age.
    litters : DataFrame
        From :func:`densite.litters.litters_of`.

    Returns
    -------
    tuple of DataFrame and tuple of str
        ``COLUMNS``, indexed by record_id.
    """
    of_female = {(str(f), int(w)): name for name, f, w in litters[["female", "winter"]].itertuples()}
    of_den: dict[tuple[str, int], list[str]] = {}
    for name, den, winter in litters[["den_label", "winter"]].itertuples():
        of_den.setdefault((_word(den), int(winter)), []).append(name)
    rows, left_out, seen = [], Counter[str](), []
    for record, cub in cubs.join(ages[["age_d", "se_d"]]).iterrows():
        winter = winter_of(cub["date"])
        own = of_den.get((_word(cub["den_label"]), winter), [])
        litter = of_female.get((str(cub["female"]), winter)) or (own[0] if len(own) == 1 else None)
        if (why := _why_left_out(cub, litter)) or litter is None:
            left_out[why] += 1
            seen += [f"{_cub_name(cub, litter)}: {cub['mass_g']:g} g"] if why == UNCONFIRMED else []
            continue
        rows.append(_weighed(record, cub, litter, litters))
    frame = pd.DataFrame(rows, columns=["record_id", *COLUMNS]).set_index("record_id")
    named = {UNCONFIRMED: f" ({'; '.join(seen)}): correct the mass, or confirm it"}
    order = (why for why in LEFT_OUT if left_out[why])
    return frame, tuple(f"Cubs {why}, left out: {left_out[why]}{named.get(why, '')}." for why in order)


def _why_left_out(cub: Any, litter: str | None) -> str:
    """Say why a cub's mass is not used; '' where it is."""
    if not cub["mass_g"] > 0:
        return "without a mass"
    if cub["dead"] == "yes":
        return "found dead"
    if doubted(cub, "mass_g"):
        return UNCONFIRMED
    return "without an age" if pd.isna(cub["age_d"]) else "" if litter else "without a litter"


def _weighed(record: Any, cub: Any, litter: str, litters: pd.DataFrame) -> dict[str, Any]:
    """Return one row of weighed cubs."""
    told = {name: litters.at[litter, name] for name in ("female", "winter", "landscape_class")}
    kept = {name: cub[name] for name in ("den_label", "date", "sex", "age_d", "se_d", "mass_g")}
    return {"record_id": record, "litter": litter, "cub": _cub_name(cub, litter), **told, **kept}


def _cub_name(cub: Any, litter: str | None) -> str:
    """Return a cub's id, or else its litter and number."""
    number = "" if pd.isna(cub["cub_no"]) else f" cub {cub['cub_no']:g}"
    return cub["cub_id"] if isinstance(cub["cub_id"], str) else f"{litter or cub['den_label']}{number}"


def growth(
    cubs: pd.DataFrame, ages: pd.DataFrame, litters: pd.DataFrame, *, shared: Floats | None = None,
    confidence: float = 0.95, ages_from: str = "",
) -> Growth:  # fmt: skip
    """Fit mass against age over the study's own cubs, and say how each stands among them.

    Parameters
    ----------
    cubs, ages, litters : DataFrame
        As for :func:`weighed`.
    shared : ndarray, shape (n, n), optional
        Covariance of the ages' errors that comes from the calibration, by the ``place`` of ``ages``: ``shared`` of
        :class:`densite.cubs.LitterBirths`. Without it intervals are over females alone, and it is said. [d2]
    confidence : float
        Confidence level. [1]
    ages_from : str
        The calibration in words, and whether it is invented.

    Returns
    -------
    Growth

    Notes
    -----
    Mixed model by restricted maximum likelihood, litter as random intercept (:func:`mixed_fit`). Limits by leaving
    out one female with all her litters at a time, at the variances of the whole fit; t with females - 1 degrees of
    freedom. To its variance comes that of the calibration: ages are moved along each principal axis of ``shared``
    by its standard deviation, and the squares of what that does to the number add up. Grams or their logarithm by
    AIC of both (maximum likelihood, the logarithm's with its Jacobian), the logarithm where they do not differ by
    more than ``CLEARLY``: the spread of masses grows with the mass, and a mass cannot be negative. Cubs far from
    all others stay in the model but have no say in this choice.
    """
    frame, left_out = weighed(cubs, ages, litters)
    said = [*left_out, RELATIVE]
    if not (frame["se_d"] == 0).all():
        whole = shared is not None and frame["se_d"].notna().all()
        said += [ESTIMATED_AGES, AND_CALIBRATION if whole else OVER_FEMALES]
    if why := _cannot(frame):
        blank = frame.assign(expected_g=math.nan, standing=math.nan, percentile=math.nan, in_litter=_in_litter(frame),
                             said="")  # fmt: skip
        return Growth(blank, _no_curve(), None, math.nan, math.nan, math.nan, why, tuple(said), ages_from, confidence)
    far = _afar(frame)
    far &= not _cannot(frame[~far])
    scale, reason = _choice(frame[~far])
    fit = mixed_fit(frame["age_d"], frame["mass_g"], frame["litter"], scale=scale)
    moved = np.zeros((0, 2)) if shared is None else _moved(frame, fit, ages["place"][frame.index], shared)
    curve, rate = _curve(frame, fit, moved, confidence)
    why = few_females(Females.of(frame["female"]))
    said += [reason, *_checks(frame, fit), *_told_afar(frame, far, fit), NOT_FOLLOWED, *fit.remarks]
    return Growth(_standing(frame, fit), curve, fit, *rate, why, tuple(said), ages_from, confidence, _too_slow(frame))


def _too_slow(frame: pd.DataFrame) -> float:
    """Return the mean error variance of litters' ages over the variance of these ages."""
    seen = frame.drop_duplicates(["litter", "date"])
    return float(seen["se_d"].fillna(0.0).pow(2).mean() / seen["age_d"].var())


def _no_curve() -> pd.DataFrame:
    return pd.DataFrame(columns=["age_d", "mass_g", "lower", "upper"], dtype=float)


def _cannot(frame: pd.DataFrame) -> str:
    """Say why there is no model; '' where there can be one."""
    litters = frame["litter"].nunique()
    if litters < LEAST_LITTERS:
        whose = "1 litter" if litters == 1 else f"{litters} litters"
        return f"no model: weighed cubs with an age are of {whose}; {LEAST_LITTERS} are needed"
    if frame["age_d"].groupby(frame["litter"]).mean().round(1).nunique() < 3:
        return "no model: the litters are of one or two ages only"
    if len(frame) <= litters:
        return "no model: no litter has two weighed cubs, so litters cannot be told from cubs"
    return ""


def mixed_fit(age_d: Any, mass_g: Any, litter: Any, *, scale: Scale, reml: bool = True) -> MixedFit:
    """Fit mass on age with a random intercept for each litter.

    Parameters
    ----------
    age_d, mass_g : array_like, shape (n,)
        Age [d] and mass [g] of each cub; ages are not all alike.
    litter : array_like, shape (n,)
        Its litter.
    scale : {'log', 'plain'}
        Whether the natural logarithm of the mass is modelled.
    reml : bool
        Restricted maximum likelihood; otherwise maximum likelihood.

    Returns
    -------
    MixedFit

    Raises
    ------
    StatisticsError
        Masses are not above 0, or ages are all alike.

    Notes
    -----
    With one variance ratio the likelihood is profiled to a function of it alone and searched from 0 on, since
    general optimisers stop beside the optimum where litters do not differ. Source: Bates, Maechler, Bolker & Walker
    2015, J. Statistical Software 67(1), doi:10.18637/jss.v067.i01, section 3.
    """
    age, mass = (np.asarray(v, dtype=np.float64) for v in (age_d, mass_g))
    if len(age) < 3 or not (mass > 0).all() or np.ptp(age) == 0:
        raise StatisticsError("mass on age needs three or more cubs, masses above 0 and ages that are not all alike")
    return _fitted(age, mass, np.asarray(litter, dtype=object), scale, reml=reml)[0]


def _fitted(age: Floats, mass: Floats, litter: Any, scale: Scale, *, reml: bool) -> tuple[MixedFit, float]:
    """Return the fit and its log likelihood on the scale of grams."""
    y = np.log(mass) if scale == "log" else mass
    middle, unit, spread = float(age.mean()), float(np.std(age)), float(np.std(y)) or 1.0
    table = np.column_stack([np.ones_like(age), (age - middle) / unit, (y - y.mean()) / spread])
    sums = _Sums.of(table, pd.factorize(litter)[0])
    ratio = _best_ratio(sums, reml=reml)
    line, within, deviance = sums.at(ratio, reml=reml)
    fit = MixedFit(
        scale, middle, float(y.mean() + spread * line[0]), float(spread * line[1] / unit),
        spread * math.sqrt(ratio * within), spread * math.sqrt(within), (NO_LITTERS,) if ratio == 0 else (),
    )  # fmt: skip
    to_grams = float(np.log(mass).sum()) if scale == "log" else 0.0
    return fit, -deviance / 2 - len(y) * math.log(spread) - to_grams


@dataclass(frozen=True, slots=True)
class _Sums:
    """What the likelihood needs of 1, x and y: their products in all (3, 3), sums (l, 3) and size (l,) by litter."""

    products: Floats
    totals: Floats
    sizes: Floats

    @classmethod
    def of(cls, table: Floats, code: NDArray[np.int64]) -> _Sums:
        """Add up 1, x, y of each litter."""
        totals = np.zeros((int(code.max()) + 1, 3))
        np.add.at(totals, code, table)
        return cls(table.T @ table, totals, totals[:, 0])

    def at(self, ratio: float, *, reml: bool) -> tuple[Floats, float, float]:
        """Return line, variance within litters and deviance at a ratio of variances between over within litters."""
        share = ratio / (1 + self.sizes * ratio)
        whole = self.products - (self.totals * share[:, None]).T @ self.totals
        line: Floats = np.linalg.solve(whole[:2, :2], whole[:2, 2]).astype(np.float64)
        free = float(self.sizes.sum()) - 2 * reml
        within = max(float(whole[2, 2] - line @ whole[:2, 2]), 1e-12) / free
        deviance = free * (math.log(2 * math.pi * within) + 1) + float(np.log1p(self.sizes * ratio).sum())
        return line, within, deviance + (float(np.linalg.slogdet(whole[:2, :2])[1]) if reml else 0.0)


def _best_ratio(sums: _Sums, *, reml: bool) -> float:
    """Return the ratio of variances of the least deviance; 0 where none above it is better."""

    def deviance(share: float) -> float:
        return sums.at(share / (1 - share), reml=reml)[2]

    grid = np.linspace(0, 0.999, 50)
    best = int(np.argmin([deviance(share) for share in grid]))
    ends = (grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)])
    found = optimize.minimize_scalar(deviance, bounds=ends, method="bounded", options={"xatol": 1e-9})
    share = float(found.x) if found.fun < deviance(0.0) - 1e-9 else 0.0
    return share / (1 - share)


def _choice(frame: pd.DataFrame) -> tuple[Scale, str]:
    """Choose grams or their logarithm, and say why."""
    arrays = (frame["age_d"].to_numpy(np.float64), frame["mass_g"].to_numpy(np.float64), frame["litter"].to_numpy())
    log, plain = (-2 * _fitted(*arrays, scale, reml=False)[1] for scale in ("log", "plain"))
    told = f"AIC {log - plain:+.1f} for the logarithm against grams, as many parameters"
    if plain < log - CLEARLY:
        return "plain", f"Mass is modelled in grams: it fits better ({told})."
    reason = "it fits better" if log < plain - CLEARLY else "neither fits clearly better, and spread grows with mass"
    return "log", f"The logarithm of the mass is modelled: {reason} ({told})."


def _checks(frame: pd.DataFrame, fit: MixedFit) -> Iterator[str]:
    """Yield how the model's two assumptions look: a straight line, and an even spread."""
    age = frame["age_d"].to_numpy(np.float64)
    off = _residuals(frame, fit)
    females = Females.of(frame["female"])
    middle = np.column_stack([np.ones_like(age), age - age.mean(), (age - age.mean()) ** 2])
    for what, design, values, place, then in (
        ("line", middle, off, 2, "the line bends: read the curve's ends with care"),
        ("spread", middle[:, :2], np.abs(off), 1, "spread changes with age: standings at the ends are off"),
    ):
        limits = _coefficient_limits(design, values, females, place)
        if limits is None:
            yield f"Whether the {what} is even could not be checked: too few females."
        elif limits[0] > 0 or limits[1] < 0:
            yield f"Checked over females: {then}."
        else:
            yield f"Checked over females: no sign that the {what} is uneven (which does not prove that it is even)."


def _afar(frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which cubs lie far from the others on either scale, by a line and a spread that they do not move.

    The line is that of the median slope between two cubs (Sen 1968, J. American Statistical Association 63:
    1379-1389, from memory), the spread the median absolute deviation over that of a normal distribution (0.6745). So
    far lies any of n normal cubs with a chance of ``AFAR`` (Bonferroni).
    """
    age, mass = frame["age_d"].to_numpy(np.float64), frame["mass_g"].to_numpy(np.float64)
    bound = float(stats.norm.isf(AFAR / (2 * len(age))) / stats.norm.ppf(0.75))
    far = np.ones(len(age), dtype=bool)
    for y in (mass, np.log(mass)):
        line = stats.theilslopes(y, age)
        off = np.abs(y - line[1] - line[0] * age)
        far &= off > max(bound * float(np.median(off)), 1e-9 * float(np.ptp(y)))
    return far


def _told_afar(frame: pd.DataFrame, far: NDArray[np.bool_], fit: MixedFit) -> Iterator[str]:
    """Yield the cubs that lie far from the others, and what they do to growth."""
    if not far.any():
        return
    listed = "; ".join(f"{row['cub']}: {row['mass_g']:.0f} g at {row['age_d']:.0f} d" for row in
                       frame[far].to_dict("records"))  # fmt: skip
    other = f"{_rate_of(frame[~far], fit):.0f} g a day"
    yield f"Far from all others, and kept: {listed}. Look at mass and age again; without them growth is {other}."


def _rate_of(frame: pd.DataFrame, like: MixedFit) -> float:
    """Return growth at the middle age of another fit, from other cubs. [g/d]"""
    fit = mixed_fit(frame["age_d"], frame["mass_g"], frame["litter"], scale=like.scale)
    at = fit.intercept + fit.slope * (like.middle_d - fit.middle_d)
    return float(_rates(np.array([[at, fit.slope]]), fit.scale)[0])


def _coefficient_limits(
    design: Floats, values: Floats, females: Females, place: int
) -> tuple[float, float] | None:  # fmt: skip
    """Return the 95 % limits of one least-squares coefficient from leaving out females."""
    if females.count < LEAST_FEMALES:
        return None
    whole = np.linalg.lstsq(design, values, rcond=None)[0][place]
    without = np.array([
        np.linalg.lstsq(design[keep > 0], values[keep > 0], rcond=None)[0][place] for keep in females.without_each()
    ])  # fmt: skip
    return jackknife_interval(float(whole), without, confidence=0.95)


def _residuals(frame: pd.DataFrame, fit: MixedFit) -> Floats:
    """Return masses less what is expected at their age, on the scale of the fit."""
    mass, expected = frame["mass_g"].to_numpy(np.float64), fit.mass_g(frame["age_d"])
    return np.asarray(np.log(mass / expected) if fit.scale == "log" else mass - expected, dtype=np.float64)


def _curve(
    frame: pd.DataFrame, fit: MixedFit, moved: Floats, confidence: float
) -> tuple[pd.DataFrame, tuple[float, float, float]]:  # fmt: skip
    """Return the median mass along age, and growth at the middle age, with limits over females and calibrations."""
    age = np.linspace(frame["age_d"].min(), frame["age_d"].max(), STEPS)
    whole, without = np.array([fit.intercept, fit.slope]), _without_each(frame, fit)
    enough = len(without) >= LEAST_FEMALES
    design = np.column_stack([np.ones_like(age), age - fit.middle_d])
    ends = [
        _limits(row @ whole, without @ row, moved @ row, confidence) if enough else (math.nan, math.nan)
        for row in design
    ]  # fmt: skip
    table = np.column_stack([design @ whole, np.array(ends)])
    table = np.exp(table) if fit.scale == "log" else table
    curve = pd.DataFrame({"age_d": age, "mass_g": table[:, 0], "lower": table[:, 1], "upper": table[:, 2]})
    rate, rates = _rates(whole[None, :], fit.scale)[0], _rates(without, fit.scale)
    shifted = _rates(whole + moved, fit.scale) - rate
    limits = _limits(rate, rates, shifted, confidence) if enough else (math.nan, math.nan)
    return curve, (float(rate), *limits)


def _rates(lines: Floats, scale: Scale) -> Floats:
    """Return growth at the middle age of lines (k, 2). [g/d]"""
    return np.asarray(lines[:, 1] * np.exp(lines[:, 0]) if scale == "log" else lines[:, 1], dtype=np.float64)


def _limits(told: float, without: Floats, shifted: Floats, confidence: float) -> tuple[float, float]:
    """Return limits over females, widened by how far the calibration's error shifts a number."""
    found = jackknife_interval(float(told), without, confidence=confidence)
    if found is None:
        return math.nan, math.nan
    quantile = float(stats.t.ppf(0.5 + confidence / 2, len(without) - 1))
    half = math.hypot(found[1] - told, quantile * float(np.linalg.norm(shifted)))
    return told - half, told + half


def _without_each(frame: pd.DataFrame, fit: MixedFit) -> Floats:
    """Return intercepts and slopes (f, 2) without each female, at the fit's variances."""
    parts = _gls_parts(frame, frame["age_d"].to_numpy(np.float64), fit)
    whole = parts.sum(axis=0)
    return np.array([_solved(whole - part) for part in parts])


def _moved(frame: pd.DataFrame, fit: MixedFit, place: pd.Series[int], shared: Floats) -> Floats:
    """Return what each principal axis of the ages' shared errors does to intercept and slope (k, 2)."""
    rows, where = np.unique(place.to_numpy(), return_inverse=True)
    size, axes = np.linalg.eigh(shared[np.ix_(rows, rows)])
    age, told = frame["age_d"].to_numpy(np.float64), size > 1e-9 * max(float(size.max()), 1e-9)
    errors = (axes[:, told] * np.sqrt(size[told])).T[:, where]
    lines = [_solved(_gls_parts(frame, age + error, fit).sum(axis=0)) for error in errors]
    return np.array(lines).reshape(-1, 2) - [fit.intercept, fit.slope]


def _gls_parts(frame: pd.DataFrame, age: Floats, fit: MixedFit) -> Floats:
    """Return each female's part of the normal equations at some ages, X'V-1X beside X'V-1y: (f, 2, 3)."""
    females, mass, litter = Females.of(frame["female"]), frame["mass_g"].to_numpy(np.float64), frame["litter"]
    x, y = age - fit.middle_d, np.log(mass) if fit.scale == "log" else mass
    parts = np.zeros((females.count, 2, 3))
    between, within = fit.between_sd**2, fit.within_sd**2
    for name in pd.unique(litter):
        own = (litter == name).to_numpy()
        table = np.column_stack([np.ones(own.sum()), x[own], y[own]])
        sums = table.sum(axis=0)
        share = between / (within + own.sum() * between)
        both = (table.T @ table - share * np.outer(sums, sums)) / within
        parts[females.code[own][0]] += both[:2]
    return parts


def _solved(part: Floats) -> Floats:
    """Return intercept and slope from normal equations; NaN where ages no longer differ."""
    if np.linalg.matrix_rank(part[:, :2]) < 2:
        return np.full(2, np.nan)
    return np.asarray(np.linalg.solve(part[:, :2], part[:, 2]), dtype=np.float64)


def _in_litter(frame: pd.DataFrame) -> pd.Series[float]:
    """Return masses over the mean of the litter on that day; NaN for a cub weighed alone."""
    by = frame.groupby(["litter", "date"], sort=False)["mass_g"]
    return (frame["mass_g"] / by.transform("mean")).where(by.transform("size") > 1)


def _standing(frame: pd.DataFrame, fit: MixedFit) -> pd.DataFrame:
    """Return the cubs with how each stands among the study's own."""
    standing = _residuals(frame, fit) / fit.total_sd
    ranks = pd.Series(standing, index=frame.index).rank()
    told = frame.assign(
        expected_g=fit.mass_g(frame["age_d"]), standing=standing, percentile=100 * (ranks - 0.5) / len(frame),
        in_litter=_in_litter(frame),
    )  # fmt: skip
    by = told.groupby(["litter", "date"], sort=False)["mass_g"]
    lightest = (by.rank(method="max") == 1) & (by.transform("size") > 1)  # of two equally light ones neither
    said = [_said(z) if light else "" for z, light in zip(standing, lightest, strict=True)]
    return told.assign(said=said)


def _said(standing: float) -> str:
    """Say how the lightest of a litter stands."""
    where = f"{abs(standing):.1f} SD {'under' if standing < 0 else 'over'}"
    return f"the lightest of its litter, {where} what the study's own cubs weigh at this age"


def _word(value: Any) -> str:
    """Return text in small letters, empty where it is missing."""
    return "" if value is None or pd.isna(value) else str(value).strip().casefold()
