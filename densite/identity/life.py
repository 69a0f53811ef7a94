"""What is known of one animal over the years, gathered from all kinds of records."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from densite.animalterms import KINDS
from densite.identity.beware import beware
from densite.marks.codes import animal_key, text_of
from densite.marks.events import cub_name, day_of
from densite.marks.known import Marks
from densite.marks.wearing import Wearing
from densite.terms import Term

DAYS_A_YEAR = 365.25
MEASURED = ("mass_kg", "estimated_mass_kg", "condition_score", "lactating", "zygomatic_mm", "body_length_cm",
            "girth_cm", "cubs_counted", "injuries")  # fmt: skip
NECK = ("neck_cm", "collar_gap_cm")
CUB_MEASURED = ("mass_g", "eyes", "teeth", "zygomatic_mm", "ear_mm", "hair_mm", "state_back", "dead")

Row = Mapping[Any, Any]


@dataclass(frozen=True, slots=True)
class WornMark:
    """A mark with the days between which it was on, and its name in words; ``ended_by`` is '' while it is on."""

    mark_kind: str
    mark_code: str
    side: str
    colour: str
    on_from: dt.date | None
    on_to: dt.date | None
    ended_by: str
    last_seen: dt.date | None
    how_known: str
    words: str


@dataclass(frozen=True, slots=True)
class DenUse:
    """A den in which the animal was on a day, and the kind of record that says so."""

    date: dt.date | None
    den_label: str
    den_type: str
    landscape_class: str
    known_from: str


@dataclass(frozen=True, slots=True)
class Litter:
    """The cubs of one den in one winter, named by the year of its January."""

    winter: int | None
    den_label: str
    cubs: int
    sexes: Mapping[str, int]
    dead: int
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured on one day: number or word, with its unit, by column."""

    date: dt.date | None
    den_label: str
    values: Mapping[str, tuple[Any, str]]


@dataclass(frozen=True, slots=True)
class Identity:
    """One animal that may be the one asked for, and how well and by what it fits."""

    animal: str
    match: str
    why: tuple[str, ...]
    sex: str
    age: str
    age_y: float | None
    dam: str
    sire: str
    marks: tuple[WornMark, ...]
    dens: tuple[DenUse, ...]
    litters: tuple[Litter, ...]
    young: tuple[str, ...]
    measured: tuple[Measured, ...]
    as_cub: tuple[Measured, ...]
    beware: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Records:
    """The frames of a study from which an animal's life is gathered."""

    known: Marks
    marks: pd.DataFrame
    cubs: pd.DataFrame
    handlings: pd.DataFrame
    dens: pd.DataFrame
    visits: pd.DataFrame


def life(key: str, name: str, *, match: str, why: Iterable[str], records: Records, today: dt.date) -> Identity:
    """Gather what is known of one animal.

    Parameters
    ----------
    key, name : str
        Its key (:func:`densite.marks.animal_key`) and its id as listed.
    match : str
        ``exact``, ``fragment`` or ``one slip off``.
    why : iterable of str
        The marks by which it was found.
    records : Records
        The study's records.
    today : date
        Day for which its age is told.

    Returns
    -------
    Identity
    """
    listed = _row_of(records.known.animals, "animal", key)
    worn = [wearing for wearing in records.known.wearings if wearing.first.key == key]
    as_cub = _own_cub_rows(key, records)
    handled = _rows(records.handlings, "animal", key)
    litters = tuple(_litters(_rows(records.cubs, "female", key)))
    age, years = _age(listed, as_cub, today)
    reasons = tuple(dict.fromkeys(why))
    by_transponder = any(reason.startswith("transponder") for reason in reasons)
    return Identity(
        animal=name, match=match, why=reasons, sex=_sex(listed, as_cub, bool(litters)), age=age,
        age_y=years, dam=_first(listed, "dam") or _first(as_cub, "female"), sire=_first(listed, "sire"),
        marks=tuple(_worn(wearing) for wearing in worn), dens=tuple(_dens(key, handled, as_cub, records)),
        litters=litters, young=tuple(_young(key, records)),
        measured=tuple(_by_day([*_measured(handled, "handling", MEASURED), *_necks(key, records)])),
        as_cub=tuple(_measured(as_cub, "cub", CUB_MEASURED)),
        beware=beware(worn, records.known, by_transponder=by_transponder),
    )  # fmt: skip


def _rows(frame: pd.DataFrame, column: str, key: str) -> list[Row]:
    chosen = frame.loc[frame[column].map(animal_key) == key]
    return sorted(chosen.to_dict("records"), key=lambda row: str(row["date"]))


def _row_of(frame: pd.DataFrame, column: str, key: str) -> list[Row]:
    chosen: list[Row] = [*frame.loc[frame[column].map(animal_key) == key].to_dict("records")]
    return chosen


def _own_cub_rows(key: str, records: Records) -> list[Row]:
    """Return the cub records of the animal itself: by its id, or by its transponder where the cub had no id."""
    own = {event.record_id for event in records.known.events if event.cub and event.key == key}
    frame = records.cubs
    chosen = frame.loc[(frame["cub_id"].map(animal_key) == key) | frame.index.astype(str).isin(own)]
    return sorted(chosen.to_dict("records"), key=lambda row: str(row["date"]))


def _first(rows: Iterable[Row], column: str) -> str:
    return next((said for row in rows if (said := text_of(row[column]))), "")


def _sex(listed: list[Row], as_cub: list[Row], has_litters: bool) -> str:
    said = [text_of(row["sex"]) for row in (*listed, *as_cub)]
    known = list(dict.fromkeys(sex for sex in said if sex not in ("", "unknown")))
    return " or ".join(known) or ("female" if has_litters else "unknown")


def _age(listed: list[Row], as_cub: list[Row], today: dt.date) -> tuple[str, float | None]:
    """Return the age in words with how it is known, and in years."""
    for row in (*listed, *as_cub):
        if born := day_of(row["born_on"]):
            years = round((today - born).days / DAYS_A_YEAR, 1)
            return f"{years:g} y (born {born}, known)", years
    for row in listed:
        age, year = row["cementum_age_y"], row["cementum_year"]
        if not pd.isna(age):
            if pd.isna(year):
                return f"{age:g} y when its tooth was drawn, year not recorded", None
            years = age + today.year - year
            return f"{years:g} y in {today.year} (by its tooth {age:g} y in {year:g})", float(years)
    if as_cub and (handled := day_of(as_cub[0]["date"])):
        return f"{today.year - handled.year} y (a cub in {handled.year})", float(today.year - handled.year)
    return _age_class(listed), None


def _age_class(listed: list[Row]) -> str:
    said, seen = _first(listed, "age_class"), _first(listed, "first_seen")
    if said in ("", "unknown"):
        return "unknown"
    return f"{said} when first seen{f', {seen}' if seen else ''}"


def _worn(wearing: Wearing) -> WornMark:
    return WornMark(
        wearing.kind, wearing.first.code, wearing.side, wearing.colour, wearing.on_from, wearing.on_to,
        wearing.end.event if wearing.end else "", wearing.last_seen, wearing.how_known,
        wearing.words,
    )  # fmt: skip


def _dens(key: str, handled: list[Row], as_cub: list[Row], records: Records) -> list[DenUse]:
    """Return the dens by day; of several records of one day the visit's counts."""
    labels = {den_id: text_of(label) for den_id, label in records.dens["label"].items()}
    visits = records.visits.loc[records.visits["female"].map(animal_key) == key].to_dict("records")
    seen = [(day_of(row["observed_on"]), labels.get(row["den_id"], ""), "visit") for row in visits]
    for rows, kind in ((handled, "handling"), (as_cub, "cub record"), (_rows(records.cubs, "female", key), "cubs")):
        seen += [(day_of(row["date"]), text_of(row["den_label"]), kind) for row in rows]
    types = {text_of(row["label"]): row for row in records.dens.to_dict("records")}
    found: dict[tuple[dt.date | None, str], DenUse] = {}
    for date, label, kind in seen:
        if label:
            den = types.get(label, {})
            use = DenUse(date, label, text_of(den.get("den_type")), text_of(den.get("landscape_class")), kind)
            found.setdefault((date, label), use)
    return sorted(found.values(), key=lambda use: (str(use.date), use.den_label))


def _litters(rows: list[Row]) -> Iterator[Litter]:
    """Yield litters; a cub met on two visits is one, by its id, else by its number in the litter."""
    litters: dict[tuple[int | None, str], list[Row]] = defaultdict(list)
    for row in rows:
        day = day_of(row["date"])
        winter = None if day is None else day.year + (day.month == 12)
        litters[winter, text_of(row["den_label"])].append(row)
    for (winter, label), met in litters.items():
        cubs = {text_of(row["cub_no"]): row for row in met if not text_of(row["cub_id"])}
        numbered = {text_of(row["cub_no"]) for row in met if text_of(row["cub_id"])}
        cubs = {number: row for number, row in cubs.items() if number not in numbered}
        cubs |= {animal_key(row["cub_id"]): row for row in met if text_of(row["cub_id"])}
        sexes = pd.Series([text_of(row["sex"]) or "unknown" for row in cubs.values()]).value_counts()
        dead = sum(text_of(row["dead"]) == "yes" for row in cubs.values())
        names = tuple(text_of(row["cub_id"]) or cub_name(row) for row in cubs.values())
        counts = {str(sex): int(number) for sex, number in sorted(sexes.items(), key=str)}
        yield Litter(winter, label, len(cubs), counts, dead, names)


def _young(key: str, records: Records) -> list[str]:
    """Return the animals in the list of which it is dam or sire."""
    animals = records.known.animals
    parent = (animals["dam"].map(animal_key) == key) | (animals["sire"].map(animal_key) == key)
    return sorted(text_of(name) for name in animals.loc[parent, "animal"])


def _measured(rows: list[Row], kind: str, columns: tuple[str, ...]) -> Iterator[Measured]:
    terms: dict[str, Term] = {term.name: term for term in KINDS[kind].terms}
    for row in rows:
        values = {name: (row[name], terms[name].unit) for name in columns if text_of(row[name])}
        if values:
            yield Measured(day_of(row["date"]), text_of(row.get("den_label")), values)


def _necks(key: str, records: Records) -> Iterator[Measured]:
    """Yield the neck and the gap as measured when a collar was fitted."""
    fitted = records.marks.loc[records.marks["neck_cm"].notna() | records.marks["collar_gap_cm"].notna()]
    return _measured(_rows(fitted, "animal", key), "mark", NECK)


def _by_day(measured: list[Measured]) -> Iterator[Measured]:
    """Join what was measured on one day."""
    days: dict[dt.date | None, Measured] = {}
    for each in measured:
        before = days.setdefault(each.date, each)
        days[each.date] = replace(before, values={**before.values, **each.values})
    yield from sorted(days.values(), key=lambda each: str(each.date))
