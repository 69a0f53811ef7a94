"""What in the cubs' records speaks against their ages: findings for `densite check`."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from densite.animals import settles
from densite.calibration import LANDMARK_COLUMNS, Calibration, coefficients
from densite.cubs import BORN_LATER, DEAD, as_rows, hindrances, known_births, litter_births, litter_names
from densite.cubsigns import out_of_season, signs
from densite.errors import Level, Problem
from densite.records import winter_of

SURELY = 0.999  # level beyond which an age is called a conflict; our own, so that few sound litters are asked about

Row = Mapping[str, Any]
Rows = Sequence[Row]


def findings(cubs: pd.DataFrame, calibration: Calibration | None) -> list[Problem]:
    """List implausible or conflicting ages of cubs and what keeps an age from being computed.

    Parameters
    ----------
    cubs : DataFrame
        Current records of kind ``cub``.
    calibration : Calibration or None
        Without one only birth dates known from elsewhere and missing landmarks are looked at.

    Returns
    -------
    list of Problem
        Warnings, each placed at the row of a cub and naming the field in doubt; what a person has settled
        by confirming the row is left out. Intervals are those of 95 %, but littermates and known birth
        dates conflict only beyond 99.9 %.
    """
    if cubs.empty:
        return []
    rows = as_rows(cubs.assign(litter=litter_names(cubs)))
    found = [
        *(p for row in rows for p in _of_row(row, calibration)),
        *_births_apart(rows, cubs),
        *_second_winters(rows),
    ]
    if calibration is not None:
        found += _of_visits(cubs, rows, calibration)
    return found


def _of_row(row: Row, calibration: Calibration | None) -> Iterator[Problem]:
    """Look at one cub by itself: a birth after the visit, a landmark that is missing or another one."""
    if not pd.isna(row["born_on"]) and row["born_on"] > row["date"]:
        yield from _told(row, "born_on", BORN_LATER.format(row["born_on"]), "one of the two dates is wrong")
    for column, field in LANDMARK_COLUMNS.items():
        if field and not pd.isna(row[column]) and pd.isna(row[field]):
            hint = f"correct the row and name {field}; the measurement is kept"
            yield from _told(row, field, f"{column} without its landmark: no age can be computed from it", hint)
    for field, text in hindrances(row, calibration.measurements) if calibration else ():
        if text != DEAD and field.endswith("_landmark") and not pd.isna(row[field]):
            yield from _told(row, field, f"{text}: no age", "measured elsewhere, or written differently?")


def _births_apart(rows: Rows, cubs: pd.DataFrame) -> Iterator[Problem]:
    """Say where littermates have different known birth dates."""
    for litter, dates in known_births(cubs).items():
        if len(dates) > 1:
            row = next(r for r in rows if r["litter"] == litter and r["born_on"] == dates[-1])
            said = f"known birth dates of littermates disagree: {', '.join(map(str, dates))}"
            yield from _told(row, "born_on", said, "littermates share one birth date; none is used until it is mended")


def _second_winters(rows: Rows) -> Iterator[Problem]:
    """Say where a mother has cubs in two winters running, unless all of the earlier ones were found dead.

    Young stay with her for a second winter, and she has a next litter after that or when she lost one: common
    practice, no source.
    """
    litters: dict[tuple[str, int], list[Row]] = {}
    for row in rows:
        if not pd.isna(row["female"]):
            litters.setdefault((str(row["female"]), winter_of(row["date"])), []).append(row)
    for (female, winter), own in litters.items():
        before = litters.get((female, winter - 1), [])
        if any(row["dead"] != "yes" for row in before):
            said = f"{female} has cubs in the winter before too ({before[0]['date']})"
            yield from _told(
                own[0], "female", said, "was that litter lost, or are these its young in their second winter?"
            )


def _of_visits(cubs: pd.DataFrame, rows: Rows, calibration: Calibration) -> Iterator[Problem]:
    """Look at each litter's age on each visit, and at the visits of one litter together."""
    births = litter_births(cubs, calibration).frame
    measured = litter_births(cubs.assign(born_on=None), calibration, confidence=SURELY).frame
    visits = [[r for r in rows if (r["den_label"], r["date"]) == key]
              for key in zip(births["den_label"], births["date"], strict=True)]  # fmt: skip
    for visit, birth, estimate in zip(visits, as_rows(births), as_rows(measured), strict=True):
        yield from _of_age(visit, birth, estimate, calibration)
        yield from _littermates_apart(visit, calibration)
    yield from _visits_apart(visits, measured)


def _of_age(visit: Rows, birth: Row, estimate: Row, calibration: Calibration) -> Iterator[Problem]:
    """Compare a litter's age with its known birth date, its eyes and teeth, and the season."""
    first = visit[0]
    if "several mothers" in birth["reason"]:
        yield from _told(first, "female", birth["reason"], "is a mother's id or a den label wrong?")
    if "below 0 d" in estimate["reason"]:
        hint = "are the measurements in mm, and of this litter?"
        yield from _told(first, calibration.columns[0], f"no age: {estimate['reason']}", hint)
    if birth["known"] and not estimate["lower_d"] <= birth["age_d"] <= estimate["upper_d"]:
        yield from _known_apart(visit, birth, estimate)
    for row in visit if not birth["known"] else ():
        for field, text in signs(row, birth["lower_d"], birth["upper_d"]) if row["dead"] != "yes" else ():
            yield from _told(row, field, text, "look at the measurements again; neither is proof")
    if birth["born_on"] and (said := out_of_season(birth["born_from"] or birth["born_on"], birth["born_to"] or
                                                   birth["born_on"])):  # fmt: skip
        yield from _told(first, "born_on" if birth["known"] else "date", said, "only as plausibility")


def _known_apart(visit: Rows, birth: Row, estimate: Row) -> Iterator[Problem]:
    """Say that a known birth date lies outside nearly every interval of the measurements."""
    if pd.isna(estimate["lower_d"]):
        return
    row = next((r for r in visit if not pd.isna(r["born_on"])), visit[0])
    said = (
        f"known birth date {birth['born_on']} makes {birth['age_d']:.0f} d, the measurements "
        f"{estimate['lower_d']:.0f} to {estimate['upper_d']:.0f} d ({SURELY:.1%} interval)"
    )
    yield from _told(row, "born_on", said, "is it known from elsewhere, and of this litter?")


def _littermates_apart(visit: Rows, calibration: Calibration) -> Iterator[Problem]:
    """Name the cub whose own age is further from its littermates' than the calibration's cubs ever scatter."""
    used = [row for row in visit if not any(hindrances(row, calibration.measurements))]
    if calibration.residual is None or len(used) < 2 or calibration.residual.within_sd == 0:
        return
    parts = np.array([[r[name] for name in calibration.columns] for r in used], float) * coefficients(calibration)[1:]
    n = len(used)
    apart = (parts - parts.mean(axis=0)) * n / (n - 1)  # of each cub from the mean of the others
    worst = int(np.argmax(np.abs(apart.sum(axis=1))))
    own = abs(float(apart[worst].sum()))
    allowed = _quantile(calibration, n) * calibration.residual.within_sd * math.sqrt(n / (n - 1))
    if own <= allowed:
        return
    field = calibration.columns[int(np.argmax(np.abs(apart[worst])))]
    others = "the other cub" if n == 2 else "its littermates"
    said = (
        f"cub {used[worst]['cub_no']:g} is {own:.0f} d apart from {others} by its measurements, expected {allowed:.0f}"
    )
    yield from _told(used[worst], field, f"{said} at most", "a slip in a measurement, or a cub of another litter?")


def _quantile(calibration: Calibration, cubs: int) -> float:
    """Return the two-sided quantile for the largest of several cubs (Bonferroni)."""
    chance = (1 - SURELY) / (2 * cubs)
    support = calibration.support
    free = support.cubs - support.visits if support else 0
    return float(stats.t.isf(chance, free) if free > 0 else stats.norm.isf(chance))


def _visits_apart(visits: Sequence[Rows], measured: pd.DataFrame) -> Iterator[Problem]:
    """Say where two visits of one litter give birth dates whose intervals do not touch."""
    births = measured.assign(litter=[visit[0]["litter"] for visit in visits], row=range(len(visits)))
    for _, group in births[births["born_from"].notna()].groupby("litter"):
        visited = as_rows(group)
        latest, earliest = max(visited, key=itemgetter("born_from")), min(visited, key=itemgetter("born_to"))
        if latest["born_from"] > earliest["born_to"]:
            said = (
                f"born between {latest['born_from']} and {latest['born_to']} by this visit's measurements, between "
                f"{earliest['born_from']} and {earliest['born_to']} by those of {earliest['date']}"
            )
            yield from _told(visits[latest["row"]][0], "date", said, "one litter? One of the visits has a slip")


def _told(row: Row, field: str, said: str, hint: str) -> Iterator[Problem]:
    """Place a finding at a cub's row, unless a person has settled the field."""
    if settles(row["settled"], field):
        return
    value = row.get(field)
    shown = "" if value is None or pd.isna(value) else f"{value:g}" if isinstance(value, float) else str(value)
    where = f"{row['date']}, cub {row['cub_no']:g}"
    yield Problem(Level.WARNING, f"{where}: {said}", field, shown, row["source_file"], int(row["source_line"]), hint,
                  str(row["den_label"]))  # fmt: skip
