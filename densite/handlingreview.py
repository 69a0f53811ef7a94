"""What in the records of handlings a person should look at again."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from densite.animals import animal_key, rows_of
from densite.animalterms import KINDS
from densite.errors import Problem
from densite.handling import HEADINGS, Event, Moment, Row, events, is_reading, minutes, moment, number, text
from densite.placed import told
from densite.terms import Term
from densite.unitslips import by_range, by_ratio
from densite.vitals import TERMS as VITAL_TERMS
from densite.vitals import unit_doubts

LEAST_FEMALES = 10  # so many others are needed before one mass is held against girths; our own
OUTLYING_SD = 3.0  # our own: about 1 in 370 of a normal distribution lies beyond
LINE_FROM = 1000  # of more handlings as many, spread over all girths, make the line: slopes of all pairs cost n squared
HALF_A_DAY = 12 * 60.0  # [min] on a clock, a longer step forward may as well be a step back

_TERMS: dict[str, Term] = {term.name: term for term in KINDS["handling"].terms}
_IN_ORDER = ("approached", "darted", "down", "first_handled", "last_handled")
_CHECKED_UNITS = ("estimated_mass_kg", "mass_kg", "zygomatic_mm", "body_length_cm", "girth_cm")
_AGAINST_EARLIER = ("mass_kg", "body_length_cm", "girth_cm")
_MAD_TO_SD = 1.4826  # of a normal distribution: 1 / its third quartile

Floats = NDArray[np.float64]
Found = Iterator[Problem]


def findings(
    handlings: pd.DataFrame, drugs: pd.DataFrame, readings: pd.DataFrame, *, cubs: pd.DataFrame | None = None
) -> list[Problem]:
    """List the open questions of all handlings.

    Parameters
    ----------
    handlings, drugs, readings : DataFrame
        Records as from :func:`densite.animals.frame_of`.
    cubs : DataFrame or None
        Records of cubs, against which litters and mothers' masses are held.

    Returns
    -------
    list of Problem
        Placed by the file and line of the record; doubts that a person has confirmed are left out.
        Nothing here is a clinical judgement: those are the protocol's (:mod:`densite.vitals`).
    """
    handled = events(handlings, drugs, readings)
    found = [problem for event in handled for problem in of_event(event)]
    found += [*_against_earlier(handled), *_against_girth(handled)]
    if cubs is not None:
        of_day = _by_day(rows_of(cubs))
        found += [*_litters(handled, of_day), *_heavy_cubs(handled, of_day)]
    return found


def of_event(event: Event) -> list[Problem]:
    """List the open questions of one handling that its own records show.

    Parameters
    ----------
    event : Event
        The handling.

    Returns
    -------
    list of Problem
        As :func:`findings`, without what only other handlings or cubs show.
    """
    return [problem for check in _OF_ONE for problem in check(event)]


def _doubt(event: Event, row: Row, said: str, field: str, *, hint: str = "") -> list[Problem]:
    """Place a doubt about a record of a handling, unless a person has confirmed it."""
    return told(row, f"{event.named}: {said}", field=field, hint=hint)


def _name(field: str) -> str:
    return HEADINGS[field].lower()


def _times_out_of_order(event: Event) -> Found:
    known = event.moments
    pairs = list(pairwise(name for name in _IN_ORDER if name in known))
    drugged = next((name for name in ("down", "darted", "approached") if name in known), None)
    pairs += [(drugged, name) for name in ("reversed", "head_up") if drugged and name in known]
    others = [name for name in known if name != "left"]
    if others and "left" in known:
        pairs.append((max(others, key=lambda name: known[name].at), "left"))
    for first, last in pairs:
        if known[last].at < known[first].at:
            yield from _misplaced(event, first, last)


def _misplaced(event: Event, first: str, last: str) -> list[Problem]:
    one, other = event.moment(first), event.moment(last)
    assert one is not None and other is not None  # noqa: S101  # for the type checker: both are among the moments
    said = f"{_name(last)} {other.shown(event.date)} stands before {_name(first)} {one.shown(event.date)}"
    return _doubt(event, event.handling, said, last,
                  hint="which of the two was mistyped? Correct the record")  # fmt: skip


def _up_before_reversal(event: Event) -> Found:
    up, reversal = event.moment("head_up"), event.moment("reversed")
    if up and reversal and up.at < reversal.at:
        said = f"head up {up.shown(event.date)}, {minutes(up, reversal):.0f} min before the reversal"
        yield from _doubt(event, event.handling, said, "reversed",
                     hint="did she wake before the reversal, or was a time mistyped? Confirm or correct")  # fmt: skip


def _half_a_day(event: Event) -> Found:
    """Tell a time more than half a day after the first: a step back on the clock, taken as past midnight."""
    timed = list(_timed(event))
    if not timed:
        return
    first = min(timed, key=lambda one: one[2].at)[2]
    for row, field, when in timed:
        if minutes(first, when) > HALF_A_DAY:
            said = f"{_name(field)} {when.shown(event.date)} is {minutes(first, when) / 60:.0f} h after the first time"
            yield from _doubt(event, row, said, field,
                         hint="was it mistyped, so that it was taken as past midnight?")  # fmt: skip


def _timed(event: Event) -> Iterator[tuple[Row, str, Moment]]:
    """Yield every recorded time of a handling with its record and its field."""
    yield from ((event.handling, name, when) for name, when in event.moments.items())
    for rows, field in ((event.given, "given"), (event.read, "read")):
        yield from ((row, field, when) for row in rows if (when := moment(row, field)))


def _drugs_out_of_time(event: Event) -> Found:
    for row in event.given:
        yield from _out_of_time(event, row, "given", text(row, "drug") or "a drug", before=("darted", "approached"))


def _readings_out_of_time(event: Event) -> Found:
    for row in event.read:
        yield from _out_of_time(event, row, "read", "vitals", before=("darted", "approached"))


def _out_of_time(event: Event, row: Row, field: str, what: str, *, before: tuple[str, ...]) -> Found:
    """Tell what was done before she was darted (where that is not known, before the approach) or after all left."""
    when, verb = moment(row, field), "read" if field == "read" else "given"
    early = next((name for name in before if event.moment(name)), None)
    for name, too in ((early, "before"), ("left", "after")):
        edge = event.moment(name) if name else None
        if when is None or edge is None or name is None:
            continue
        if (when.at < edge.at) if too == "before" else (when.at > edge.at):
            said = f"{what} {verb} {when.shown(event.date)}, {too} {_name(name)} {edge.shown(event.date)}"
            yield from _doubt(event, row, said, field, hint="correct the time that is wrong, or confirm")


def _reversal_and_drug(event: Event) -> Found:
    given = [row for row in event.given if text(row, "drug_purpose") == "reverse"]
    if event.moment("reversed") and not given:
        other = [text(row, "drug") for row in event.given if not text(row, "drug_purpose")]
        hint = f"was it {', '.join(sorted(set(other)))}? Say what each drug was given for" if other else ""
        yield from _doubt(event, event.handling, "a reversal has a time, but no drug is recorded as given to reverse",
                     "reversed", hint=hint or "hand in the drug's record")  # fmt: skip
    if given and event.handling is not None and event.moment("reversed") is None:
        said = f"{text(given[0], 'drug') or 'a drug'} was given to reverse, but the reversal has no time"
        yield from _doubt(event, event.handling, said, "reversed", hint="add it with a correction")


def _induction(event: Event) -> Found:
    if event.handling is None or not _immobilised(event):
        return
    absent = [name for name in ("darted", "down") if event.moment(name) is None]
    if absent:
        said = f"no time for {' and '.join(_name(name) for name in absent)}: how long induction took is not known"
        yield from _doubt(
            event, event.handling, said, absent[0], hint="add it with a correction, or confirm that it is lost"
        )


def _immobilised(event: Event) -> bool:
    """Whether anything recorded says that she was drugged."""
    times = any(event.moment(name) for name in ("darted", "down", "reversed", "head_up"))
    return times or bool(event.given) or "immobilise" in (text(event.handling or {}, "procedures")).casefold()


def _without_handling(event: Event) -> Found:
    if event.handling is not None:
        return
    for rows, what in ((event.read, "vitals"), (event.given, "drugs")):
        for row in rows[:1]:
            said = f"{len(rows)} records of {what}, but no handling of this animal on this day"
            yield from _doubt(event, row, said, "animal",
                         hint="hand in the handling, or correct the animal or the day")  # fmt: skip


def _without_readings(event: Event) -> Found:
    if event.handling is not None and _immobilised(event) and not any(is_reading(row) for row in event.read):
        yield from _doubt(event, event.handling, "handled under drugs, but no vitals are recorded", "read",
                     hint="hand in the vitals' file, or confirm that none were taken")  # fmt: skip


def _twice(event: Event) -> Found:
    for row in event.others:
        yield from _doubt(event, row, "a second handling of this animal on this day; only the first one counts", "date",
                     hint="withdraw one, or correct its animal or day")  # fmt: skip


def _readings_as_written(event: Event) -> Found:
    """Tell readings that go back in time down the page (corrections stand at its end), and two at one time."""
    read = [(row, when) for row in event.read if (when := moment(row, "read"))]
    written = [one for one in read if not text(one[0], "corrects")]
    written.sort(key=lambda one: (text(one[0], "source_file"), number(one[0], "source_line") or 0))
    for (above, before), (row, when) in pairwise(written):
        if text(above, "source_file") == text(row, "source_file") and when.at < before.at:
            said = f"a reading of {when.shown(event.date)} stands below one of {before.shown(event.date)}"
            yield from _doubt(event, row, said, "read", hint="mistyped, or written down later?")
    for (_, before), (row, when) in pairwise(read):
        if when.at == before.at:
            yield from _doubt(event, row, f"two readings at {when.shown(event.date)}", "read",
                         hint="was one of the two times mistyped?")  # fmt: skip


def _vitals_in_other_units(event: Event) -> Found:
    rows = {row["record_id"]: row for row in event.read}
    for one in unit_doubts(event):
        said = f"{HEADINGS[one.vital].lower()} at {one.at.when.shown(event.date)}: {one.slip}"
        yield from _doubt(event, rows[one.at.record_id], said, one.vital,
                     hint=f"correct it in {VITAL_TERMS[one.vital].unit}, or confirm it as it stands")  # fmt: skip


def _measures_in_other_units(event: Event) -> Found:
    for field in _CHECKED_UNITS if event.handling is not None else ():
        if slip := by_range(number(event.handling, field), _TERMS[field]):
            yield from _doubt(event, event.handling, f"{_name(field)}: {slip}", field,
                         hint=f"correct it in {slip.unit}, or confirm it as it stands")  # fmt: skip


def _mass_beside_estimate(event: Event) -> Found:
    if event.handling is None:
        return
    mass, guess = number(event.handling, "mass_kg"), number(event.handling, "estimated_mass_kg")
    if mass is None or guess is None or not by_ratio(mass, guess, _TERMS["mass_kg"]):
        return
    said = f"mass {mass:g} kg is {mass / guess:.2g} times the estimate of {guess:g} kg; a pound taken for a kilogram " \
           "makes 2.2"  # fmt: skip
    yield from _doubt(event, event.handling, said, "mass_kg", hint="is one of the two in lb? Correct or confirm")


_OF_ONE: tuple[Callable[[Event], Found], ...] = (
    _times_out_of_order, _up_before_reversal, _half_a_day, _drugs_out_of_time, _readings_out_of_time,
    _reversal_and_drug, _induction, _without_handling, _without_readings, _twice, _readings_as_written,
    _vitals_in_other_units, _measures_in_other_units, _mass_beside_estimate,
)  # fmt: skip


def _against_earlier(handled: Iterable[Event]) -> Found:
    """Hold masses and lengths against the same animal's last ones: a unit's factor between them is told."""
    last: dict[tuple[str, str], tuple[float, dt.date | None]] = {}
    for event in handled:
        for field in _AGAINST_EARLIER:
            value = None if event.handling is None else number(event.handling, field)
            if value is None:
                continue
            before, when = last.get((event.animal, field), (None, None))
            if slip := by_ratio(value, before, _TERMS[field]):
                said = f"{_name(field)} {value:g} {slip.unit}, but {before:g} {slip.unit} on {when}; {slip}"
                yield from _doubt(event, event.handling, said, field, hint="correct or confirm")
            last[event.animal, field] = (value, event.date)


def _against_girth(handled: list[Event]) -> Found:
    """Tell a mass that lies off the line of the study's other females, of which there must be enough."""
    rows = [(event, mass, girth) for event in handled if event.handling is not None
            and (mass := number(event.handling, "mass_kg")) and (girth := number(event.handling, "girth_cm"))
            and mass > 0 and girth > 0]  # fmt: skip
    animals = np.array([event.animal for event, _, _ in rows], dtype=object)
    if len(set(animals)) <= LEAST_FEMALES:
        return
    away = residuals(np.array([girth for *_, girth in rows]), np.array([mass for _, mass, _ in rows]))
    for place, (event, mass, girth) in enumerate(rows):
        others = away[animals != animals[place]]
        distance = robust_distance(away[place], others)
        if distance is not None and abs(distance) > OUTLYING_SD:
            said = (
                f"mass {mass:g} kg at a girth of {girth:g} cm lies {abs(distance):.1f} robust SDs "
                f"{'above' if distance > 0 else 'below'} the line of the study's other {len(set(animals)) - 1} females"
            )
            yield from _doubt(event, event.handling, said, "mass_kg",
                         hint="logarithms, the study's own data, no outside norm; correct or confirm")  # fmt: skip


def residuals(girth_cm: Floats, mass_kg: Floats) -> Floats:
    """Return how far masses lie off their line on girth.

    Parameters
    ----------
    girth_cm : ndarray, shape (n,)
        Chest girths. [cm]
    mass_kg : ndarray, shape (n,)
        Masses. [kg]

    Returns
    -------
    ndarray, shape (n,)
        Residuals of log mass about the median-of-slopes line on log girth, which single slips do not
        turn; plain deviations where all girths are alike. [1]

    Notes
    -----
    Source: Theil 1950 and Sen 1968, doi:10.1080/01621459.1968.10480934, as in scipy.stats.theilslopes.
    """
    x, y = np.log(girth_cm), np.log(mass_kg)
    some = np.argsort(x, kind="stable")[np.linspace(0, len(x) - 1, min(len(x), LINE_FROM)).astype(int)]
    slope = 0.0 if np.ptp(x) == 0 else float(stats.theilslopes(y[some], x[some]).slope)
    rest = y - slope * x
    return np.asarray(rest - np.median(rest))


def robust_distance(value: float, others: Floats) -> float | None:
    """Return how far a value lies from the median of others, in robust standard deviations.

    Parameters
    ----------
    value : float
        The value. [any unit]
    others : ndarray, shape (n,)
        The values it is held against. [the same unit]

    Returns
    -------
    float or None
        None where the others do not scatter. The standard deviation is 1.4826 times the median
        absolute deviation. [1]
    """
    middle = float(np.median(others))
    spread = _MAD_TO_SD * float(np.median(np.abs(others - middle)))
    return None if spread < 1e-9 or not math.isfinite(spread) else (value - middle) / spread


def _litters(handled: Iterable[Event], of_day: Mapping[dt.date | None, list[Row]]) -> Found:
    """Hold the number of cubs counted against the records of single cubs."""
    for event in handled:
        counted = None if event.handling is None else number(event.handling, "cubs_counted")
        if counted is None:
            continue
        written = sum(_is_of(row, event) for row in of_day.get(event.date, []))
        if written != counted:
            said = f"{counted:g} cubs counted in the den, but {written} described one by one"
            hint = "hand in what is missing, correct the count, or confirm that not all were handled"
            yield from _doubt(event, event.handling, said, "cubs_counted", hint=hint)


def _by_day(rows: Iterable[Row]) -> dict[dt.date | None, list[Row]]:
    found: dict[dt.date | None, list[Row]] = {}
    for row in rows:
        if row["date"] is not None:
            found.setdefault(row["date"], []).append(row)
    return found


def _is_of(row: Row, event: Event) -> bool:
    """Whether a cub of the same day belongs to a handling: the same mother, or (without her) the same den."""
    female, den = text(row, "female"), text(row, "den_label")
    return animal_key(female) == animal_key(event.animal) if female else bool(den) and den == event.den_label


def _heavy_cubs(handled: Iterable[Event], of_day: Mapping[dt.date | None, list[Row]]) -> Found:
    for event in handled:
        field = next((name for name in ("mass_kg", "estimated_mass_kg") if number(event.handling or {}, name)), "")
        mother = number(event.handling, field) if field else None
        for row in of_day.get(event.date, []):
            mass, cub = number(row, "mass_g"), number(row, "cub_no")
            if mother is None or mass is None or mass / 1000 < mother or not _is_of(row, event):
                continue
            said = (
                f"cub {'' if cub is None else f'{cub:g} '}of {mass:g} g is as heavy as its mother ({mother:g} kg, "
                f"{_name(field)})"
            )
            yield from _doubt(event, row, said, "mass_g", hint="is the cub's mass in g, and the mother's in kg?")
