"""A calibration from a study's own cubs whose birth date is known from elsewhere."""

from __future__ import annotations

import datetime as dt
import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from densite.calibration import (
    LANDMARK_COLUMNS,
    AgeRange,
    Calibration,
    Floats,
    Measurement,
    Residual,
    Support,
    Validation,
    design,
    foretell,
)  # fmt: skip
from densite.cubs import DEAD, as_rows, doubted, known_births, litter_names
from densite.errors import Level, Problem, StatisticsError
from densite.records import folded

MEASUREMENTS = ("hair_mm", "ear_mm")
SPARE_LITTERS = 5  # litters beyond the coefficients: with 5 degrees of freedom a residual SD is unsure by a third; ours
LEAST_RATIO = 1e-4  # a litter variance below this part of the residual's counts as none
CURVED = 0.05  # level of the test for a bend
COVERAGE = 0.95

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Fit:
    """A calibration with what it was made from.

    ``visits`` has a row for each visit of a litter: ``litter``, ``den_label``, ``date``, ``cubs``, ``age_d``,
    ``fitted_d``, ``residual_d`` (known minus fitted), and, foretold while the whole litter was left out,
    ``foretold_d``, ``lower_d``, ``upper_d`` [d]. ``left_out`` are rows that could not be used, ``remarks``
    what the fit is to be read with. ``bend_p`` is the p value of a bend, ``bend_d`` how far it takes the
    line at the ends of its range from the straight one [d].
    """

    calibration: Calibration
    visits: pd.DataFrame
    left_out: tuple[Problem, ...]
    remarks: tuple[str, ...]
    mixed: bool
    bend_p: float
    bend_d: float


@dataclass(frozen=True, slots=True)
class _Rows:
    """Visits as arrays: ages y (v,), design X (v, p), litter (v,), cubs (v,); deviations (c, m) of cubs."""

    y: Floats
    X: Floats
    litter: Ints
    cubs: Floats
    deviations: Floats

    def without(self, litter: int, of_cubs: Ints) -> _Rows:
        """Return the same without one litter."""
        keep, cubs = self.litter != litter, of_cubs != litter
        return _Rows(self.y[keep], self.X[keep], self.litter[keep], self.cubs[keep], self.deviations[cubs])


@dataclass(frozen=True, slots=True)
class _Line:
    """A fitted line: coefficients, their covariance, variance of a visit about it [d^2], variance ratio of litters."""

    beta: Floats
    covariance: Floats
    variance: float
    ratio: float
    note: str = ""


def fit(
    cubs: pd.DataFrame,
    *,
    measurements: Sequence[str] = MEASUREMENTS,
    name: str = "own known-age cubs",
    species: str = "not recorded",
    source: str = "the study's own cubs of known birth date",
    invented: bool = False,
    made_on: dt.date | None = None,
    validate: bool = True,
) -> Fit:
    """Fit age on measurements from cubs of known birth date.

    The row of the fit is a litter's visit: known age against the mean of its cubs' measurements. A model on
    cubs with the litter as random effect would be misled: littermates are of one age, so the model, which
    has a litter's own level for free, learns from them that no measurement tells an age, draws the slope
    to zero and takes the ages for litter effects. Where a litter was measured at several ages, its visits
    hang together, and the litter is a random intercept over visits (statsmodels MixedLM, REML); else, and
    where its variance is zero, ordinary least squares.

    The spread of littermates' b'x about their litter's mean (pooled, cubs - visits degrees of freedom) is
    ``within_sd``; the variance of visits about the line less within^2 / cubs is ``between_sd`` squared: what
    cubs of a litter share on a visit. A litter of n cubs then varies by between^2 + within^2 / n.

    Parameters
    ----------
    cubs : DataFrame
        Current records of kind ``cub``; those with ``born_on``, or a littermate that has it, are used.
    measurements : sequence of str
        Of ``hair_mm``, ``ear_mm``, ``zygomatic_mm``.
    name, species, source : str
        Told in the calibration.
    invented : bool
        Whether the records are made up: every output then says so.
    made_on : date, optional
        Day of the fit; today if not given.
    validate : bool
        Whether to leave each litter out once; simulations of many studies do without.

    Returns
    -------
    Fit

    Raises
    ------
    StatisticsError
        An unknown measurement, too few litters (coefficients + 5 are needed, a bound of our own), ages or
        measurements that do not vary or say the same.

    Notes
    -----
    Degrees of freedom are litters minus coefficients. In our simulations of growth with litter, visit and
    cub effects, 95 % intervals from 25 litters cover 94 to 97 % of new single cubs and litters of 2 to 4;
    from 8 litters 96 to 99 %, for single cubs borrow the litters' few degrees of freedom.
    Validation: each litter is left out once, with all its visits, and foretold.
    """
    columns = _checked(measurements)
    used, left_out, landmarks = _usable(cubs, columns)
    visits, rows, of_cubs = _visits(used, columns, left_out)
    line = _fitted(rows)
    base = {
        "name": name, "species": species, "source": source, "invented": invented, "made_on": made_on or dt.date.today(),
        "made_with": f"densite {version('densite')}", "method": _method(line),
        "age_d": _ages(rows), "measurements": _measured(used, columns, landmarks, line),
    }  # fmt: skip
    foretold = _left_out_each(rows, of_cubs, base) if validate else {}
    validation = _validation(rows, foretold) if validate else None
    calibration = _calibration(rows, line, base, validation=validation)
    fitted = rows.X @ line.beta
    visits = visits.assign(fitted_d=fitted, residual_d=rows.y - fitted, **foretold)
    p, bend = _bend(rows, line)
    remarks = tuple(_remarks(rows, line, calibration, p, bend))
    return Fit(calibration, visits, tuple(left_out), remarks, line.ratio > 0, p, bend)


def _checked(measurements: Sequence[str]) -> tuple[str, ...]:
    columns = tuple(dict.fromkeys(measurements))
    if strange := [name for name in columns if name not in LANDMARK_COLUMNS]:
        known = ", ".join(LANDMARK_COLUMNS)
        raise StatisticsError(f"'{strange[0]}' is no measurement from which an age can be fitted; known: {known}")
    if not columns:
        raise StatisticsError(f"name at least one measurement of {', '.join(LANDMARK_COLUMNS)}")
    return columns


def _usable(cubs: pd.DataFrame, columns: Sequence[str]) -> tuple[pd.DataFrame, list[Problem], dict[str, str]]:
    """Return the rows of known age with all measurements at one landmark, why others are not, and the landmarks."""
    litters = litter_names(cubs)
    births = known_births(cubs)
    known = cubs.assign(litter=litters, births=litters.map(births))
    known = known[known["births"].map(len) > 0]
    if known.empty:
        raise StatisticsError("no cub has a birth date known from elsewhere: fill in born_on and born_known_by")
    left_out: list[Problem] = []
    used = _sifted(known, (_hindrance(row, columns) for row in as_rows(known)), left_out)
    landmarks: dict[str, str] = {}
    for column in columns:
        if (field := LANDMARK_COLUMNS[column]) and len(used):
            landmarks[column], why = _one_landmark(used, column, field)
            used = _sifted(used, why, left_out)
    births_on = [one[0] for one in used["births"]]
    ages = [(date - born).days for date, born in zip(used["date"], births_on, strict=True)]
    return used.assign(age_d=np.array(ages, float)), left_out, landmarks


def _sifted(rows: pd.DataFrame, why: Any, left_out: list[Problem]) -> pd.DataFrame:
    """Return the rows that nothing speaks against, and note the others."""
    keep = []
    for row, (field, text) in zip(as_rows(rows), why, strict=True):
        keep.append(not text)
        if text:
            said = f"{row['date']}, cub {row['cub_no']:g}: left out of the fit: {text}"
            left_out.append(Problem(Level.NOTE, said, field, file=row["source_file"], line=int(row["source_line"]),
                                    den=str(row["den_label"])))  # fmt: skip
    return rows[np.array(keep, bool)]


def _hindrance(row: Mapping[str, Any], columns: Sequence[str]) -> tuple[str, str]:
    """Return why a cub of known birth date cannot be used, by field; empty texts where it can."""
    if row["dead"] == "yes":
        return "dead", DEAD
    if len(row["births"]) > 1:
        return "born_on", f"known birth dates of littermates disagree: {', '.join(map(str, row['births']))}"
    if row["births"][0] > row["date"]:
        return "born_on", f"the known birth date {row['births'][0]} lies after the visit"
    for column in columns:
        field = LANDMARK_COLUMNS[column]
        if pd.isna(row[column]):
            return column, f"{column} not measured"
        if said := doubted(row, column):
            return column, said
        if field and pd.isna(row[field]):
            return field, f"{column} without {field}"
    return "", ""


def _one_landmark(used: pd.DataFrame, column: str, field: str) -> tuple[str, Iterator[tuple[str, str]]]:
    """Return the landmark of most litters, and for each row whether its own is another one."""
    same = used[field].map(folded)
    litters = used.groupby(same)["litter"].nunique().sort_index().sort_values(ascending=False, kind="stable")
    kept = litters.index[0]
    written = str(used.loc[same == kept, field].iloc[0])
    why = (("", "") if one == kept else (field, f"{column} measured at '{one}', in most litters at '{written}'")
           for one in same)  # fmt: skip
    return written, why


def _visits(
    used: pd.DataFrame, columns: Sequence[str], left_out: Sequence[Problem]
) -> tuple[pd.DataFrame, _Rows, Ints]:
    """Return each litter's visit with the means of its cubs, as a frame and as arrays; and the litter of each cub."""
    litters, need = used["litter"].nunique(), 1 + len(columns) + SPARE_LITTERS
    if litters < need:
        why = f" ({len(left_out)} cubs of known birth date were left out: {left_out[0].message})" if left_out else ""
        raise StatisticsError(
            f"{litters} litters of known birth date can be used, {need} are needed for {' and '.join(columns)}: "
            f"intercept and coefficients, and {SPARE_LITTERS} more for what is left unsaid, a bound of our own{why}"
        )
    keys = ["litter", "den_label", "date"]
    groups = used.groupby(keys, sort=True)
    visits = groups["age_d"].agg(cubs="size", age_d="first").reset_index()
    means = groups[list(columns)].mean().to_numpy(float)
    code = groups.ngroup().to_numpy()
    litter = pd.factorize(visits["litter"])[0].astype(np.int64)
    deviations = used[list(columns)].to_numpy(float) - means[code]
    rows = _Rows(visits["age_d"].to_numpy(float), design(means), litter, visits["cubs"].to_numpy(float), deviations)
    _check_variation(rows, columns)
    return visits, rows, litter[code]


def _check_variation(rows: _Rows, columns: Sequence[str]) -> None:
    """Refuse ages or measurements from which no line can be told."""
    if np.ptp(rows.y) == 0:
        raise StatisticsError(f"all litters were measured at one age ({rows.y[0]:.0f} d): nothing tells age apart")
    spread = rows.X[:, 1:].std(axis=0)
    flat = [name for name, one in zip(columns, spread, strict=True) if one == 0]
    if flat:
        raise StatisticsError(f"{flat[0]} is the same in all litters: leave it out of the measurements")
    scaled = (rows.X[:, 1:] - rows.X[:, 1:].mean(axis=0)) / spread
    if np.linalg.matrix_rank(scaled, tol=1e-6 * math.sqrt(len(scaled))) < len(columns):
        raise StatisticsError(f"{' and '.join(columns)} say the same in all litters: leave one out")


def _fitted(rows: _Rows) -> _Line:
    """Fit the line: mixed model where litters have several visits, else ordinary least squares."""
    if np.bincount(rows.litter).max() < 2:
        return _line(rows, 0.0)
    ratio, note = _litter_ratio(rows)
    return _line(rows, ratio, note=note)


def _litter_ratio(rows: _Rows) -> tuple[float, str]:
    """Return the variance of litters as a multiple of the visits', by REML; 0 and why where it cannot be had."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    # Its warnings say what is judged below by the numbers themselves: a variance of zero, no convergence.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            found = MixedLM(rows.y, rows.X, groups=rows.litter).fit(reml=True, method="powell")
        except np.linalg.LinAlgError:
            return 0.0, "the mixed model is singular: ordinary least squares of visits instead"
    ratio = float(np.asarray(found.cov_re)[0, 0]) / float(found.scale)
    if not math.isfinite(ratio) or not found.converged:
        return 0.0, "the mixed model did not converge: ordinary least squares of visits instead"
    if ratio < LEAST_RATIO:
        return 0.0, "visits of one litter are no more alike than others (variance 0): ordinary least squares instead"
    return ratio, ""


def _line(rows: _Rows, ratio: float, *, extra: Floats | None = None, note: str = "") -> _Line:
    """Fit by least squares, visits of a litter sharing ``ratio`` of a visit's variance.

    The covariance is s^2 (X'W^-1 X)^-1, as lme4 gives it. That of MixedLM takes the doubt about the ratio
    in by the Hessian; the two are alike where litters do not hang together with their measurements, and we
    follow the form whose intervals were simulated.
    """
    X = rows.X if extra is None else np.column_stack([rows.X, extra])
    y, X = _whitened(rows.y[:, None], rows.litter, ratio)[:, 0], _whitened(X, rows.litter, ratio)
    beta = np.asarray(np.linalg.lstsq(X, y, rcond=None)[0], np.float64)
    own = float(np.sum((y - X @ beta) ** 2)) / (len(y) - X.shape[1])
    root = np.linalg.pinv(X)
    return _Line(beta, own * (root @ root.T), own * (1 + ratio), ratio, note)


def _whitened(values: Floats, litter: Ints, ratio: float) -> Floats:
    """Return rows freed of what visits of one litter share: each less a part of its litter's mean."""
    number = np.bincount(litter)
    sums = np.zeros((len(number), values.shape[1]))
    np.add.at(sums, litter, values)
    part = (1 - 1 / np.sqrt(1 + ratio * number)) / np.maximum(number, 1)
    return np.asarray(values - (part[:, None] * sums)[litter], np.float64)


def _method(line: _Line) -> str:
    if line.ratio > 0:
        return f"mixed model of visits, litter as random intercept, REML (statsmodels {version('statsmodels')} MixedLM)"
    return "ordinary least squares of visits"


def _calibration(
    rows: _Rows, line: _Line, base: Mapping[str, Any], *, validation: Validation | None = None
) -> Calibration:
    """Put a line and what it leaves unsaid into a calibration."""
    litters = len(np.unique(rows.litter))
    parts = [one.model_copy(update={"coefficient": float(b)})
             for one, b in zip(base["measurements"], line.beta[1:], strict=True)]  # fmt: skip
    widest = np.sqrt(np.einsum("ij,jk,ik->i", rows.X, line.covariance, rows.X).max())
    return Calibration(
        **{**base, "measurements": tuple(parts)}, intercept=float(line.beta[0]), widest_fit_sd=float(widest),
        covariance=tuple(tuple(map(float, row)) for row in (line.covariance + line.covariance.T) / 2),
        residual=_residual(rows, line, litters - len(line.beta)), validation=validation,
        support=Support(litters=litters, visits=len(rows.y), cubs=len(rows.deviations)),
    )  # fmt: skip


def _residual(rows: _Rows, line: _Line, free: int) -> Residual:
    """Part the variance of visits into what littermates share and what averages out among them."""
    if line.variance <= 1e-12 * float(np.var(rows.y)):
        raise StatisticsError("the measurements tell every age without error: these are not cubs that were measured")
    spare = len(rows.deviations) - len(rows.y)
    within = float(np.sum((rows.deviations @ line.beta[1:]) ** 2)) / spare if spare else 0.0
    between = max(line.variance - within * float(np.mean(1 / rows.cubs)), 0.0)
    return Residual(between_sd=math.sqrt(between), within_sd=math.sqrt(within), degrees_of_freedom=free)


def _ages(rows: _Rows) -> AgeRange:
    return AgeRange(low=float(rows.y.min()), high=float(rows.y.max()))


def _measured(
    used: pd.DataFrame, columns: Sequence[str], landmarks: Mapping[str, str], line: _Line
) -> tuple[Measurement, ...]:
    return tuple(
        Measurement(column=name, landmark=landmarks.get(name), low_mm=float(used[name].min()),
                    high_mm=float(used[name].max()), coefficient=float(b))
        for name, b in zip(columns, line.beta[1:], strict=True)
    )  # fmt: skip


def _left_out_each(rows: _Rows, of_cubs: Ints, base: Mapping[str, Any]) -> dict[str, Floats]:
    """Foretell each litter's visits from all other litters."""
    names = ("foretold_d", "lower_d", "upper_d")
    told = {name: np.full(len(rows.y), math.nan) for name in names}
    for litter in np.unique(rows.litter):
        others = rows.without(int(litter), of_cubs)
        own = rows.litter == litter
        one = foretell(
            _calibration(others, _fitted(others), base), rows.X[own, 1:], rows.cubs[own], confidence=COVERAGE
        )
        for name, values in zip(names, (one.age, one.lower, one.upper), strict=True):
            told[name][own] = values
    return told


def _validation(rows: _Rows, told: Mapping[str, Floats]) -> Validation:
    """Sum up how well the litters were foretold, each litter weighing the same."""
    error = told["foretold_d"] - rows.y
    covered = (told["lower_d"] <= rows.y) & (rows.y <= told["upper_d"])
    number = np.bincount(rows.litter)
    by_litter = [np.bincount(rows.litter, one) / number for one in (error, error**2, covered.astype(float))]
    bias, square, coverage = (float(one.mean()) for one in by_litter)
    return Validation(litters=len(number), rmse=math.sqrt(square), bias=bias, coverage=min(coverage, 1.0),
                      confidence=COVERAGE)  # fmt: skip


def _bend(rows: _Rows, line: _Line) -> tuple[float, float]:
    """Test whether age bends away from the line: its square as one more term.

    Source: Ramsey 1969, Journal of the Royal Statistical Society B 31: 350-371 (from memory), with the
    square alone. Without repeated visits it is the F test of statsmodels' linear_reset.
    """
    fitted = rows.X @ line.beta
    place = (fitted - (fitted.max() + fitted.min()) / 2) / (np.ptp(fitted) / 2)
    free = len(np.unique(rows.litter)) - len(line.beta) - 1
    more = _line(rows, line.ratio, extra=place**2)
    t = more.beta[-1] / math.sqrt(more.covariance[-1, -1])
    return float(2 * stats.t.sf(abs(t), free)), float(abs(more.beta[-1]))


def _remarks(rows: _Rows, line: _Line, calibration: Calibration, p: float, bend: float) -> Iterator[str]:
    """Say with what the fit is to be read."""
    if line.note:
        yield line.note
    if p < CURVED:
        yield (
            f"age bends away from the line (p {p:.3f}; the ends lie {bend:.1f} d off against the middle): a straight "
            "line is poor over this range of ages; nothing was transformed. Fit fewer ages or other measurements"
        )
    if len(rows.deviations) == len(rows.y):
        yield "no two littermates were measured on one day: what they share and what not cannot be told apart"
    if calibration.residual and calibration.residual.between_sd == 0:
        yield "littermates scatter as much as litters do: no variance is left between litters"
    for one in calibration.measurements:
        if one.coefficient < 0:
            yield f"the coefficient of {one.column} is below 0: it adds little to the others; try without it"
    if (told := calibration.validation) and told.coverage is not None:
        covered = round(told.coverage * told.litters)
        if stats.binom.cdf(covered, told.litters, COVERAGE) < CURVED:
            yield f"left out, only {told.coverage:.0%} of litters lay in their {COVERAGE:.0%} intervals: too narrow"


def summary(fit: Fit) -> str:
    """Return a fit in words and numbers, for people.

    Parameters
    ----------
    fit : Fit
        From :func:`fit`.

    Returns
    -------
    str
        Lines; the first says whether the calibration is invented.
    """
    made = fit.calibration
    left, told, base = made.residual, made.validation, made.support
    terms = [
        f"{one.coefficient:+.4g} x {one.named} [{one.low_mm:g} to {one.high_mm:g} mm]" for one in made.measurements
    ]
    lines = [f"{made.label[0].upper()}{made.label[1:]}, {made.species}; {made.source}", made.method,
             f"age [d] = {made.intercept:.4g} {' '.join(terms)}"]  # fmt: skip
    if base:
        ages = f"{made.age_d.low:g} to {made.age_d.high:g} d"
        lines.append(f"made from {base.litters} litters, {base.visits} visits, {base.cubs} cubs of {ages}")
    if left:
        lines.append(f"not told by the measurements: {left.between_sd:.2f} d shared by a litter, "
                     f"{left.within_sd:.2f} d between littermates "
                     f"(SD; {left.degrees_of_freedom:g} degrees of freedom)")  # fmt: skip
    if told:
        covered = (
            "" if told.coverage is None else f", {told.coverage:.0%} of litters in the {told.confidence:.0%} interval"
        )
        lines.append(f"each litter left out once: off by {told.rmse:.2f} d (RMSE), bias {told.bias:+.2f} d{covered}")
    lines.append(f"test for a bend: p {fit.bend_p:.3f}")
    return "\n".join([*lines, *(f"note: {remark}" for remark in fit.remarks)])
