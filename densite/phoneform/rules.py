"""Rules by which the phone form judges an entry: made from the terms and tables that intake itself reads with.

What the phone cannot know, and so leaves to intake: everything that stands in the register (whether a den, a visit or
a record corrected is there; the spelling an animal's id had before; doubles and duplicates; a cub as heavy as its
mother), the study's boundary, which EPSG codes are datums, how far two ways of writing one place lie apart, whether a
grid reference is a place on Earth, for which years there is a magnetic model and how far off its declination may be. A
record of another kind takes its den and day from the visit; a time past midnight is seen within a record, not between
two.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib import resources
from types import MappingProxyType
from typing import Any

from densite import animals, places, records
from densite.animalterms import KINDS, Kind
from densite.intake import animalrows, rows, standpoint
from densite.settings import Settings
from densite.terms import RECORDED_TERMS, SIGHTINGS, Term

DEN = "den"
FORM_KINDS = (DEN, "mark", "handling", "drug", "reading", "cub", "sample", "check")
SCRIPTS = ("readings.js", "checks.js", "standpoint.js", "position.js", "bearing.js", "photos.js", "handover.js")

# Days on which something was done or seen: they cannot lie ahead. Permits and drop-offs may.
_DONE = ("date", "checked_on", "born_on", "first_seen", "reported_on", "entered_at")

# Every message that the scripts can give, with its {placeholders}.
MESSAGES: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "check.empty": (), "check.place_empty": (), "check.other_half": (),
    "check.no_number": ("text",), "check.not_finite": ("text",), "check.decimal_comma": ("text", "meant"),
    "check.other_unit": ("text", "written", "unit"),
    "check.outside": ("text", "floor", "ceiling", "unit"), "check.under": ("text", "floor", "unit"),
    "check.over_nought": ("text", "unit"), "check.unusual": ("text", "low", "high", "unit"),
    "check.slip": ("text", "unit"), "check.slip_unit": ("text", "unit", "other", "turned"),
    "check.unusual_unit": ("text", "low", "high", "unit", "other", "turned"),
    "check.slope_percent": ("text", "low", "high"), "check.slope_twice": (),
    "check.no_choice": ("text", "allowed"),
    "check.no_angle": ("text",), "check.other_axis": ("text", "letter"), "check.two_letters": ("text",),
    "check.sixty": ("text",), "check.sign_and_letter": ("text", "letter"),
    "check.off_globe": ("text", "limit"), "check.no_pair": ("text",), "check.no_zone": ("text",),
    "check.no_grid_reference": ("text",), "check.no_datum": ("text",), "check.which_datum": (),
    "check.datum_changed": ("text",), "check.coarse": ("text", "metres"), "check.from_digits": ("metres",),
    "check.how_far_off": (),
    "check.no_bearing": ("text",), "check.over_circle": ("text",), "check.which_north": (),
    "check.made_true": ("text",), "check.turned_round": ("text", "degrees"), "check.two_sightings": ("text",),
    "check.seen": ("metres",), "check.seen_unusual": ("metres", "low", "high"), "check.stand_off": (),
    "check.trials": (), "check.day_for_bearing": (), "check.straight_up": ("text",),
    "check.no_day": ("text",), "check.no_month": ("text", "month"), "check.two_days": ("text",),
    "check.too_early": ("text",), "check.ahead": ("text",), "check.utc_day": ("text", "day"),
    "check.found_later": ("text", "day"), "check.entered_before": ("text", "day"),
    "check.no_time": ("text",), "check.no_offset": ("text",), "check.skipped": ("text", "day"),
    "check.happened_twice": ("text", "day"), "check.next_day": ("text",), "check.out_of_order": ("text", "before"),
    "check.no_tooth": ("text", "word"), "check.tooth_twice": ("text", "word"), "check.no_tree": ("text",),
    "check.withdraws_nothing": (),
    "position.waiting": (), "position.taking": ("accuracy",), "position.weak": ("accuracy",),
    "position.denied": (), "position.timeout": (), "position.unavailable": (), "position.insecure": (),
    "position.absent": (), "position.paused": (),
    "bearing.waiting": (), "bearing.reading": ("degrees",), "bearing.denied": (), "bearing.absent": (),
    "photo.too_big": (), "photo.unreadable": (), "photo.no_room": (),
})  # fmt: skip


def rules_of(term: Term) -> dict[str, Any]:
    """Return what the browser needs to judge an entry in a column.

    Parameters
    ----------
    term : Term
        A column of a crew file.

    Returns
    -------
    dict
        JSON values: ``kind`` (text, number, choice, date, time), and where the term has them ``unit``,
        ``floor``, ``ceiling``, ``low``, ``high`` (in that unit) and ``choices``; ``vital`` where ``low`` and
        ``high`` only find slips of the pen in a vital sign and must not be shown beside an animal.
    """
    bounds = {name: getattr(term, name) for name in ("floor", "ceiling", "low", "high")}
    rules: dict[str, Any] = {"kind": term.kind} | {name: value for name, value in bounds.items() if value is not None}
    if term.unit:
        rules["unit"] = term.unit
    if term.low is not None and term in KINDS["reading"].terms:
        rules["vital"] = True
    if term.choices:
        rules["choices"] = list(term.choices)
    return rules


def terms_of(kind: str) -> tuple[Term, ...]:
    """Return the columns that an entry of a kind may have.

    Parameters
    ----------
    kind : str
        One of ``FORM_KINDS``; ``den`` holds the place, the den and the visit.

    Returns
    -------
    tuple of Term
    """
    return RECORDED_TERMS if kind == DEN else KINDS[kind].terms


def needed_of(kind: str) -> list[str]:
    """Return the columns that intake does not do without.

    Parameters
    ----------
    kind : str
        One of ``FORM_KINDS``.

    Returns
    -------
    list of str
        In the order of the columns. A den's place may be given in other columns than latitude and longitude.
    """
    asked = {"latitude", "longitude", "den_type", "date"} if kind == DEN else {*KINDS[kind].needed, "sex"}
    return [term.name for term in terms_of(kind) if term.name in asked]


def rules(kinds: Iterable[str] = FORM_KINDS) -> dict[str, dict[str, Any]]:
    """Return the rules of all columns of some kinds, keyed ``kind.column``.

    Parameters
    ----------
    kinds : iterable of str
        Names out of ``FORM_KINDS``.

    Returns
    -------
    dict of str to dict
        From :func:`rules_of`.
    """
    return {f"{kind}.{term.name}": rules_of(term) for kind in kinds for term in terms_of(kind)}


def reading_of(settings: Settings) -> dict[str, Any]:
    """Return how texts are read: the study's own choices, and the tables that intake reads with.

    Parameters
    ----------
    settings : Settings
        Of the study; nothing but its zone, its order of day and month, its decimal mark, its north, its datum,
        the uncertainty it assumes and the errors of its sightings is taken.

    Returns
    -------
    dict
        JSON values for ``PAGE.reading``.
    """
    intake = settings.intake
    return {
        "time_zone": settings.study.time_zone, "date_order": intake.date_order, "decimal": intake.decimal,
        "aspect_reference": intake.aspect_reference, "datum": intake.datum or "",
        "assumed_uncertainty_m": intake.assumed_uncertainty_m, "earliest_year": rows.EARLIEST,
        "offset_errors": intake.offset_errors.model_dump(),
    } | _tables()  # fmt: skip


def _tables() -> dict[str, Any]:
    """Hand on intake's own tables, so that a unit or spelling added there is known on the phone too."""
    kinds: list[Kind] = [KINDS[name] for name in FORM_KINDS if name != DEN]
    return {
        "units": dict(records.SPELLINGS), "sizes": [dict(sizes) for sizes in records.SIZES],
        "mixed": {unit: list(others) for unit, others in records.OFTEN_MIXED.items()},
        "short": dict(animals.SHORT), "tooth": _plain_groups(animals.TOOTH.pattern),
        "norths": dict(standpoint.NORTHS), "sightings": list(SIGHTINGS), "offset": list(standpoint.NAMES),
        "months": dict(rows.MONTHS), "done": list(_DONE),
        "times": {kind.name: [t.name for t in kind.terms if t.kind == "time"] for kind in kinds},
        "in_order": [list(pair) for pair in animalrows.IN_ORDER],
        "datums": dict(places.DATUMS), "compass": list(places.COMPASS), "compass_words": dict(places.COMPASS_WORDS),
        "metres_per_degree": places.METRES_PER_DEGREE,
    }  # fmt: skip


def _plain_groups(pattern: str) -> str:
    """Write named groups as JavaScript does (ECMA-262 2018)."""
    return pattern.replace("(?P<", "(?<")


def browser_text(name: str) -> str:
    """Return a file of the form's browser side.

    Parameters
    ----------
    name : str
        One of ``SCRIPTS``, or another file of the folder ``browser``.

    Returns
    -------
    str
        Of a script, JavaScript with functions at its top level.
    """
    return resources.files("densite.phoneform").joinpath("browser", name).read_text(encoding="utf-8")
