"""Ages and birth dates of cubs from a calibration, one birth date a litter, and what speaks against them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from densite.animals import settles
from densite.animalterms import KINDS
from densite.calibration import (
    LANDMARK_COLUMNS,
    Calibration,
    Floats,
    Measurement,
    foretell,
    same_landmark,
    shared_error,
)  # fmt: skip
from densite.cubsigns import Sign, out_of_season, signs
from densite.records import winter_of

AGE_COLUMNS = (
    "age_d", "se_d", "lower_d", "upper_d", "born_on", "born_from", "born_to", "reason", "remarks", "calibration",
)  # fmt: skip
BIRTH_COLUMNS = (
    "den_id", "den_label", "date", "female", "cubs", "measured", "age_d", "se_d", "lower_d", "upper_d",
    "born_on", "born_from", "born_to", "reason", "remarks", "known", "calibration",
)  # fmt: skip

NO_CALIBRATION = "no calibration: make one with `densite cubs fit` and name it in study.toml"
DEAD = "dead: it may have stopped growing before the day of the visit"
BORN_LATER = "the known birth date {} lies after the visit"


@dataclass(frozen=True, slots=True)
class LitterBirths:
    """Births of litters: ``frame``, a row for each visit, and ``shared`` (n, n), in d^2, row for row with it.

    ``shared`` is how the estimates err together because they rest on the same coefficients; zero for birth
    dates known from elsewhere and where there is no estimate. Its diagonal is a part of ``se_d`` squared.
    """

    frame: pd.DataFrame
    shared: Floats
    calibration: str


@dataclass(frozen=True, slots=True)
class _Estimate:
    """An age with its limits [d], why there is none, and what else is to be said, by field."""

    age: float = math.nan
    se: float = math.nan
    lower: float = math.nan
    upper: float = math.nan
    reason: str = ""
    signs: tuple[Sign, ...] = ()
    means: tuple[float, ...] = ()
    measured: int = 0
    known: bool = False

    def but(self, reason: str) -> _Estimate:
        """Return no age, and why."""
        return _Estimate(reason=reason, signs=self.signs, measured=self.measured)

    def with_signs(self, *more: Sign) -> _Estimate:
        """Return the same with more to be said."""
        return replace(self, signs=(*self.signs, *more))

    @property
    def exists(self) -> bool:
        """Whether there is an age."""
        return not math.isnan(self.age)


def cub_ages(
    cubs: pd.DataFrame, calibration: Calibration | None, *, confidence: float = 0.95, extrapolate: bool = False
) -> pd.DataFrame:
    """Return each cub's own age, as if it had no littermates.

    Parameters
    ----------
    cubs : DataFrame
        Records of kind ``cub``, as ``frame_of`` makes them.
    calibration : Calibration or None
        Without one no age is computed.
    confidence : float
        Level of the prediction intervals. [1]
    extrapolate : bool
        Whether ages outside the calibration's ranges are given too, with a remark.

    Returns
    -------
    DataFrame
        Indexed as ``cubs``: ``age_d``, ``se_d`` (of the prediction), ``lower_d``, ``upper_d`` [d];
        ``born_on``, ``born_from``, ``born_to`` (date or None, rounded as in :func:`litter_births`);
        ``reason`` why there is no age; ``remarks``; ``calibration``, with the word 'invented' where it is.
        Birth dates known from elsewhere are not used here. A dead cub has no age: its size on the day of the visit
        may be that of an earlier day.

    Raises
    ------
    StatisticsError
        ``confidence`` is not between 0 and 1.
    """
    rows = as_rows(cubs)
    told = [_litter_age([row], calibration, confidence, extrapolate) for row in rows]
    lines = [_line(one, row["date"]) for one, row in zip(told, rows, strict=True)]
    return _framed([line | {"calibration": _label(calibration)} for line in lines], AGE_COLUMNS, index=cubs.index)


def litter_births(
    cubs: pd.DataFrame, calibration: Calibration | None, *, confidence: float = 0.95, extrapolate: bool = False
) -> LitterBirths:
    """Return the birth date of each litter on each visit.

    Littermates are of one age: the calibration is given the mean of their measurements, and what each cub
    differs by averages out. Where the birth date is known from elsewhere it is taken as it is, for all cubs
    and visits of the litter (one mother and winter).

    Parameters
    ----------
    cubs : DataFrame
        Records of kind ``cub``.
    calibration : Calibration or None
        Without one only birth dates known from elsewhere are given.
    confidence : float
        Level of the prediction intervals. [1]
    extrapolate : bool
        Whether ages outside the calibration's ranges are given too, with a remark. The litter's mean is
        what must lie in the range of a measurement: leaving out single cubs beyond it would draw the mean
        to the middle. They are named in the remarks.

    Returns
    -------
    LitterBirths
        ``frame`` has a row for each (den_label, date) in order of date: ``den_id``, ``female``, ``cubs``
        (dead ones too, which the remarks tell), ``measured`` (living cubs on whose mean the age rests),
        ages in days, ``known``, ``reason`` and ``remarks``. The birth date is the visit's date less the
        age rounded to whole days (half a day counts as one more); its limits are rounded outwards, and
        none lies after the visit.

    Raises
    ------
    StatisticsError
        ``confidence`` is not between 0 and 1.
    """
    born = known_births(cubs)
    names = litter_names(cubs)
    lines, means = [], []
    for (_, label), group in cubs.groupby(["date", "den_label"], sort=True):
        rows = as_rows(group)
        estimate = _litter_age(rows, calibration, confidence, extrapolate)
        dates = () if len(_mothers(rows)) > 1 else born[names[group.index[0]]]
        found = _known(estimate, rows[0]["date"], dates, confidence).with_signs(*_dead(rows))
        lines.append(_head(str(label), rows, found, calibration) | _line(found, rows[0]["date"]))
        means.append(found.means)
    frame = _framed(lines, BIRTH_COLUMNS)
    return LitterBirths(frame, _shared(means, calibration), _label(calibration))


def one_birth_each(births: LitterBirths) -> LitterBirths:
    """Keep one row for each litter, where it was visited more than once.

    Parameters
    ----------
    births : LitterBirths
        A row for each visit; a litter is one mother (without her id: one den) in one winter.

    Returns
    -------
    LitterBirths
        A birth date known from elsewhere comes first, then the narrowest interval, then an age without
        interval, then the earlier visit. The remarks name the visits that were not used.
    """
    frame = births.frame
    width = frame["upper_d"] - frame["lower_d"]
    order = frame.assign(
        litter=litter_names(frame), unknown=~frame["known"].astype(bool),
        width=width.fillna(math.inf), ageless=frame["age_d"].isna(),
    ).sort_values(["unknown", "ageless", "width", "date", "den_label"], kind="stable")  # fmt: skip
    chosen = sorted(order.index[~order["litter"].duplicated()])
    kept = frame.loc[chosen].copy()
    for index in chosen:
        others = order[(order["litter"] == order.at[index, "litter"]) & (order.index != index)].sort_values("date")
        said = [_unused(row) for row in as_rows(others)]
        kept.at[index, "remarks"] = "; ".join([text for text in (str(kept.at[index, "remarks"]), *said) if text])
    shared = births.shared[np.ix_(chosen, chosen)]
    return LitterBirths(kept.reset_index(drop=True), shared, births.calibration)


def _unused(row: Mapping[str, Any]) -> str:
    gave = "gave no age" if pd.isna(row["age_d"]) else f"gave {row['born_on']}, not used"
    return f"the visit of {row['date']} {gave}"


def litter_names(rows: pd.DataFrame) -> pd.Series[str]:
    """Name the litter of each row by its mother and winter; by its den where the mother's id is missing.

    Parameters
    ----------
    rows : DataFrame
        ``female``, ``den_label``, ``date``.

    Returns
    -------
    Series of str
        Such as ``OB-031 2026`` or ``den D-2026-14 2026``.
    """
    blank = rows["female"].isna()
    # a row without the mother's id belongs to the mother whom its den's other rows of that day name
    by_den = rows[~blank].groupby(["den_label", "date"])["female"].first().to_dict()
    names = []
    for female, label, date in zip(rows["female"], rows["den_label"], rows["date"], strict=True):
        mother = by_den.get((label, date), f"den {label}") if pd.isna(female) else female
        names.append(f"{mother} {winter_of(date)}")
    return pd.Series(names, index=rows.index, dtype=object)


def as_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as mappings by column."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def doubted(cub: Mapping[str, Any], name: str) -> str:
    """Say that a number lies outside what its entry check takes for plausible, where nobody has confirmed it.

    Parameters
    ----------
    cub : mapping
        A row of the cubs' frame.
    name : str
        A column of numbers.

    Returns
    -------
    str
        Words, empty where the number is missing, plausible or confirmed: a slip that was only warned about
        must not shape what is computed for others.
    """
    value, usual = cub[name], _USUAL[name]
    low, high = -math.inf if usual.low is None else usual.low, math.inf if usual.high is None else usual.high
    if pd.isna(value) or low <= value <= high or settles(cub.get("settled"), name):
        return ""
    return f"{name} {value:g} outside {low:g} to {high:g} {usual.unit} and not confirmed"


_USUAL = {term.name: term for term in KINDS["cub"].terms if term.kind == "number"}


def known_births(cubs: pd.DataFrame) -> dict[str, tuple[dt.date, ...]]:
    """Return the birth dates known from elsewhere for each litter: none, one, or several that disagree.

    Parameters
    ----------
    cubs : DataFrame
        Records of kind ``cub``.

    Returns
    -------
    dict of str to tuple of date
        By the names of :func:`litter_names`.
    """
    found: dict[str, set[dt.date]] = {}
    for name, born in zip(litter_names(cubs), cubs["born_on"], strict=True):
        found.setdefault(name, set()).update([] if pd.isna(born) else [born])
    return {name: tuple(sorted(dates)) for name, dates in found.items()}


def hindrances(cub: Mapping[str, Any], measurements: Sequence[Measurement]) -> Iterator[Sign]:
    """Say why a cub's measurements cannot be used; nothing where they can.

    Parameters
    ----------
    cub : mapping
        A row of the cubs' frame.
    measurements : sequence of Measurement
        What is needed, with its landmarks.

    Yields
    ------
    tuple of str
        Field and words.
    """
    if cub.get("dead") == "yes":
        yield "dead", DEAD
    for one in measurements:
        field = LANDMARK_COLUMNS[one.column]
        if pd.isna(cub[one.column]):
            yield one.column, f"{one.column} not measured"
        elif said := doubted(cub, one.column):
            yield one.column, said
        elif field and pd.isna(cub[field]):
            yield field, f"{one.column} without {field}: the calibration's is '{one.landmark}'"
        elif field and not same_landmark(cub[field], one.landmark):
            yield field, f"{field} is '{cub[field]}', the calibration's is '{one.landmark}'"


def _litter_age(
    rows: Sequence[Mapping[str, Any]], calibration: Calibration | None, confidence: float, extrapolate: bool
) -> _Estimate:
    """Return the age from the mean of a litter's living, measured cubs on one visit."""
    if len(mothers := _mothers(rows)) > 1:
        return _Estimate(reason=f"cubs of several mothers ({', '.join(mothers)}): one litter a den and visit")
    if calibration is None:
        return _Estimate(reason=NO_CALIBRATION)
    why = [tuple(hindrances(row, calibration.measurements)) for row in rows]
    used = [row for row, found in zip(rows, why, strict=True) if not found]
    if not used:
        words = dict.fromkeys(text for found in why for _, text in found)
        return _Estimate(reason="; ".join(words))
    estimate = _bounded(_foretold(used, calibration, confidence), calibration, extrapolate)
    if len(rows) > 1:
        left = ((field, f"cub {_number(row)} left out: {text}") for row, found in zip(rows, why, strict=True)
                for field, text in found if field != "dead")  # fmt: skip
        estimate = estimate.with_signs(*left, *_beyond(used, calibration))
    told = [(field, f"cub {_number(row)}: {text}") for row in rows if row.get("dead") != "yes"
            for field, text in signs(row, estimate.lower, estimate.upper)]  # fmt: skip
    return estimate.with_signs(*told)


def _foretold(used: Sequence[Mapping[str, Any]], calibration: Calibration, confidence: float) -> _Estimate:
    means = np.array([[row[name] for name in calibration.columns] for row in used], float).mean(axis=0)
    one = foretell(calibration, means[None], [len(used)], confidence=confidence)
    limits = (float(one.se[0]), max(float(one.lower[0]), 0.0), float(one.upper[0]))
    # max(nan, 0) is nan: without an interval there is none
    told: list[Sign] = [("calibration", calibration.no_interval)] if calibration.no_interval else []
    widest = calibration.widest_fit_sd
    if widest is not None and one.fit_sd[0] > widest * (1 + 1e-9):
        told.append((calibration.columns[0], "measurements that the calibration's cubs never had together"))
    return _Estimate(float(one.age[0]), *limits, signs=tuple(told), means=tuple(means), measured=len(used))


def _bounded(estimate: _Estimate, calibration: Calibration, extrapolate: bool) -> _Estimate:
    """Take the age away where it lies beyond what the calibration rests on, or say that it does."""
    beyond = [f"{one.column} {mean:.1f} mm outside the calibration's {one.low_mm:g} to {one.high_mm:g} mm"
              for one, mean in zip(calibration.measurements, estimate.means, strict=True)
              if not one.low_mm <= mean <= one.high_mm]  # fmt: skip
    ages = calibration.age_d
    if not ages.low <= estimate.age <= ages.high:
        beyond.append(f"age {estimate.age:.1f} d outside the calibration's {ages.low:g} to {ages.high:g} d")
    if estimate.age < 0:
        return estimate.but("; ".join([*beyond, "an age below 0 d cannot be"]))
    if beyond and not extrapolate:
        return estimate.but("; ".join(beyond))
    return estimate.with_signs(("age", f"extrapolated: {'; '.join(beyond)}")) if beyond else estimate


def _beyond(used: Sequence[Mapping[str, Any]], calibration: Calibration) -> Iterator[Sign]:
    """Name single cubs that lie beyond a measurement's range."""
    for row in used:
        for one in calibration.measurements:
            if not one.low_mm <= row[one.column] <= one.high_mm:
                span = f"{one.low_mm:g} to {one.high_mm:g} mm"
                yield one.column, f"cub {_number(row)}: {one.column} {row[one.column]:g} mm outside {span}"


def _known(estimate: _Estimate, date: dt.date, born: tuple[dt.date, ...], confidence: float) -> _Estimate:
    """Put a birth date known from elsewhere before the estimate, and say where the two disagree."""
    if len(born) != 1:
        dates = ", ".join(map(str, born))
        said = ("born_on", f"known birth dates of littermates disagree, none is used: {dates}")
        return estimate.with_signs(said) if born else estimate
    age = float((date - born[0]).days)
    if age < 0:
        return _Estimate(reason=BORN_LATER.format(born[0]))
    exact = _Estimate(age, 0.0, age, age, measured=estimate.measured, known=True)
    if not (age < estimate.lower or age > estimate.upper):
        return exact
    span = f"{estimate.lower:.0f} to {estimate.upper:.0f} d"
    return exact.with_signs(("born_on", f"known age {age:.0f} d outside the {confidence:.0%} interval {span}"))


def _line(estimate: _Estimate, date: dt.date) -> dict[str, Any]:
    """Return the columns of an age and its birth date."""
    values = {"age_d": estimate.age, "se_d": estimate.se, "lower_d": estimate.lower, "upper_d": estimate.upper}
    born_on, born_from, born_to = _born(estimate, date)
    said = [text for _, text in estimate.signs]
    if born_on:
        said.append(out_of_season(born_from or born_on, born_to or born_on))
    return values | {
        "born_on": born_on, "born_from": born_from, "born_to": born_to, "reason": estimate.reason,
        "remarks": "; ".join(filter(None, said)),
    }  # fmt: skip


def _born(estimate: _Estimate, date: dt.date) -> tuple[dt.date | None, dt.date | None, dt.date | None]:
    """Return the birth date with its limits, the limits rounded outwards to whole days."""
    if not estimate.exists:
        return None, None, None
    born_on = date - dt.timedelta(days=math.floor(estimate.age + 0.5))
    if math.isnan(estimate.lower):
        return born_on, None, None
    limits = (math.ceil(estimate.upper), math.floor(estimate.lower))
    return born_on, date - dt.timedelta(days=limits[0]), date - dt.timedelta(days=limits[1])


def _head(
    label: str, rows: Sequence[Mapping[str, Any]], found: _Estimate, calibration: Calibration | None
) -> dict[str, Any]:
    """Return whose the litter is and what is in it."""
    mothers = _mothers(rows)
    den_ids = [row["den_id"] for row in rows if not pd.isna(row["den_id"])]
    return {
        "den_id": den_ids[0] if den_ids else None, "den_label": label, "date": rows[0]["date"],
        "female": mothers[0] if len(mothers) == 1 else None, "cubs": len(rows), "measured": found.measured,
        "known": found.known, "calibration": "known birth date" if found.known else _label(calibration),
    }  # fmt: skip


def _dead(rows: Sequence[Mapping[str, Any]]) -> Iterator[Sign]:
    if dead := sum(row.get("dead") == "yes" for row in rows):
        yield "dead", f"{dead} of {len(rows)} cubs dead: counted, but not measured for the age"


def _mothers(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    return sorted({str(row["female"]) for row in rows if not pd.isna(row["female"])})


def _shared(means: Sequence[tuple[float, ...]], calibration: Calibration | None) -> Floats:
    """Return the covariance between the litters' estimates; zero for those that have none."""
    shared = np.zeros((len(means), len(means)))
    rows = np.array([n for n, one in enumerate(means) if one], dtype=int)
    if calibration is not None and len(rows):
        shared[np.ix_(rows, rows)] = shared_error(calibration, np.array([means[n] for n in rows]))
    return shared


def _label(calibration: Calibration | None) -> str:
    return "no calibration" if calibration is None else calibration.label


def _number(row: Mapping[str, Any]) -> str:
    return f"{row['cub_no']:g}"


def _framed(
    lines: Sequence[Mapping[str, Any]], columns: Sequence[str], *, index: pd.Index | None = None
) -> pd.DataFrame:
    """Return rows as a frame: numbers as float, counts whole, all else as it is."""
    frame = pd.DataFrame([dict(line) for line in lines], columns=list(columns), index=index, dtype=object)
    for name in columns:
        if name.endswith("_d"):
            frame[name] = frame[name].astype(float)
        elif name in ("cubs", "measured"):
            frame[name] = frame[name].astype(int)
        elif name == "known":
            frame[name] = frame[name].astype(bool)
    return frame
