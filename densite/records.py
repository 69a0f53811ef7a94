"""Den sites and visits as checked records; what is doubtful about them is said, not refused."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import uuid
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Annotated, Any, Literal
from unicodedata import category

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from densite.errors import Level, Problem, seen
from densite.terms import DEN_TERMS, Term, by_name

DenType = Literal["tree", "ground bed", "rock ledge", "brush", "unknown"]
PositionMethod = Literal["gps averaged", "gps single", "map", "estimate"]
MorningSun = Literal["yes", "no", "not recorded"]
AspectReference = Literal["true", "magnetic"]

as_json = json.JSONEncoder(ensure_ascii=False).encode  # of every row, so made once
_MEASURED = re.compile(r"(?P<number>[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\d\s.,].*)?")
SPELLINGS = {
    "%": "%", "percent": "%", "pct": "%", "deg": "deg", "degrees": "deg", "degree": "deg", "°": "deg",
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "cm": "cm", "mm": "mm", "ft": "ft", "feet": "ft", "'": "ft",
    "in": "in", "inch": "in", "inches": "in", '"': "in",
    "kg": "kg", "g": "g", "lb": "lb", "lbs": "lb", "pounds": "lb", "oz": "oz", "ounces": "oz",
    "c": "C", "deg c": "C", "°c": "C", "f": "F", "deg f": "F", "°f": "F",
    "ml": "mL", "cc": "mL", "min": "min", "minutes": "min", "s": "s", "sec": "s",
    "bpm": "/min", "/min": "/min", "y": "y", "years": "y",
}  # fmt: skip
# Inch, foot and pound of 1959; units of one row turn into each other.
SIZES = (
    {"m": 100.0, "cm": 1.0, "mm": 0.1, "ft": 30.48, "in": 2.54},
    {"kg": 1000.0, "g": 1.0, "lb": 453.59237, "oz": 28.349523125},
)


def read_number(value: Any, *, unit: str = "") -> Any:
    """Read a number as crews write it: ``40``, ``40 %``, ``12.5 cm``; blank is missing.

    Parameters
    ----------
    value : object
        Text, number or None.
    unit : str
        Unit of the field. Lengths, masses and temperatures in another unit that the text names are
        converted; any other unit is refused, so that 3 m is never taken for 3 cm nor 40 % for 40 degrees.

    Returns
    -------
    float or None
        In the field's unit.

    Raises
    ------
    ValueError
        The text is no number, or in a unit that does not fit; the message offers the decimal point
        where a comma was written. pydantic turns it into its own error, and :func:`problems_of`
        that into a problem.
    """
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("is no finite number")
    if not isinstance(value, str):
        return value
    text = value.strip()
    if not text:
        return None
    match = _MEASURED.fullmatch(text)
    if match is None:
        raise ValueError("is no number; leave it empty where nothing was measured")
    if "," in match["number"]:
        meant = match["number"].replace(",", ".")
        raise ValueError(
            f'is no number. Decimal comma: did you mean {meant}? For a whole file: decimal = "," under [intake]'
        )
    number = float(match["number"])
    if not math.isfinite(number):
        raise ValueError("is no finite number")
    return _in_unit(number, match["unit"], unit)


def _in_unit(number: float, written: str | None, unit: str) -> float:
    """Turn a number in the written unit into one in the field's unit."""
    if not written:
        return number
    known = SPELLINGS.get(written.strip().casefold())
    if known == unit and known:
        return number
    if (known, unit) == ("F", "C"):
        return (number - 32) / 1.8
    for sizes in SIZES:
        if known in sizes and unit in sizes:
            return number * sizes[known] / sizes[unit]
    raise ValueError(f"is in '{written.strip()}', this column is in {unit or 'no unit'}")


def measured(name: str) -> BeforeValidator:
    """Read a number in the unit of a term."""
    unit = by_name()[name].unit
    return BeforeValidator(lambda value: read_number(value, unit=unit))


def within(name: str) -> AfterValidator:
    """Hold a number against what is possible for a term, from the table of terms."""
    term = by_name()[name]

    def checked(value: float | None) -> float | None:
        low, high = term.floor, term.ceiling
        if value is None or ((low is None or value >= low) and (high is None or value <= high)):
            return value
        raise PydanticCustomError("out_of_range", "out of range")

    return AfterValidator(checked)


def folded(value: Any) -> Any:
    """Make a coded word comparable: case, spaces, dashes and underscores do not count."""
    return " ".join(re.sub(r"[_-]", " ", value).casefold().split()) if isinstance(value, str) else value


LONGEST_LABEL = 100  # ours: a label is written on a tree, a vial and a map
_JOINERS = "\u200c\u200d"  # without them words of some scripts are spelled otherwise


def is_hidden(character: str) -> bool:
    """Tell what nobody sees but a terminal or a page obeys: control and direction characters, halves of pairs.

    Parameters
    ----------
    character : str
        One character.

    Returns
    -------
    bool
        False for a new line, a tab, and what joins or parts letters.
    """
    return category(character) in ("Cc", "Cf", "Cs") and character not in f"\n\t{_JOINERS}"


def unseen(text: str) -> str:
    """Say which character of a text nobody can see.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Words that follow the text; blank where every character is one that is written.
    """
    if text.isprintable():
        return ""
    found = next(((i, c) for i, c in enumerate(text, start=1) if is_hidden(c)), None)
    return (
        f"has a character that is not written (U+{ord(found[1]):04X}, place {found[0]}): leave it out" if found else ""
    )


def _seen_text(value: str | None) -> str | None:
    if value is not None and (wrong := unseen(value)):
        raise PydanticCustomError("text_form", wrong)
    return value


def _on_one_line(value: str) -> str:
    if len(value.splitlines()) > 1 or "\t" in value:
        raise PydanticCustomError("text_form", "has more than one line, or a tab")
    if len(value) > LONGEST_LABEL:
        raise PydanticCustomError("text_form", f"has {len(value)} characters, {LONGEST_LABEL} at most")
    return value


def _blank_is_none(value: Any) -> Any:
    return None if isinstance(value, str) and not value.strip() else value


Text = Annotated[str | None, AfterValidator(_seen_text), BeforeValidator(_blank_is_none)]
Label = Annotated[str, Field(min_length=1), AfterValidator(_on_one_line), AfterValidator(_seen_text)]


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class DenSite(_Record):
    """A den site as seen by a crew: bearings from true north, slope in degrees, point in WGS 84."""

    den_id: uuid.UUID
    label: Label
    study: Text = None
    longitude: float = Field(ge=-180, le=180)
    latitude: float = Field(ge=-90, le=90)
    uncertainty_m: Annotated[float | None, within("uncertainty_m"), measured("uncertainty_m")] = None
    position_method: Annotated[PositionMethod | None, BeforeValidator(_blank_is_none), BeforeValidator(folded)] = None
    position_note: Text = None
    den_type: Annotated[DenType, BeforeValidator(folded)]
    den_subtype: Text = None
    aspect_read: Text = None
    aspect_reference: AspectReference | None = None
    aspect_deg: Annotated[float | None, within("aspect_deg"), measured("aspect_deg")] = None
    aspect_error_deg: float | None = None
    declination_deg: float | None = None
    declination_model: Text = None
    slope_read: Text = None
    slope_deg: Annotated[float | None, within("slope_deg"), measured("slope_deg")] = None
    canopy_pct: Annotated[float | None, within("canopy_pct"), measured("canopy_pct")] = None
    concealment_pct: Annotated[float | None, within("concealment_pct"), measured("concealment_pct")] = None
    cover_species: Text = None
    cover_notes: Text = None
    entrance_height_cm: Annotated[float | None, within("entrance_height_cm"), measured("entrance_height_cm")] = None
    entrance_width_cm: Annotated[float | None, within("entrance_width_cm"), measured("entrance_width_cm")] = None
    depth_cm: Annotated[float | None, within("depth_cm"), measured("depth_cm")] = None
    tree_species: Text = None
    tree_diameter_cm: Annotated[float | None, within("tree_diameter_cm"), measured("tree_diameter_cm")] = None
    entrance_above_ground_m: Annotated[
        float | None, within("entrance_above_ground_m"), measured("entrance_above_ground_m")
    ] = None
    protection_notes: Text = None
    morning_sun: Annotated[MorningSun, BeforeValidator(folded)] = "not recorded"
    first_found: dt.date | None = None
    observer: Text = None
    notes: Text = None
    source_file: str = ""
    source_line: int = 0
    recorded_at: dt.datetime


class Visit(_Record):
    """One crew at one den on one day, with the crew's own row word for word."""

    visit_id: uuid.UUID
    den_id: uuid.UUID
    observed_on: dt.date
    entered_at: dt.date | None = None
    recorded_at: dt.datetime
    crew: Text = None
    observer: Text = None
    female: Text = None
    purpose: Text = None
    confirmed: bool = False
    settled: Text = None
    filled: Text = None
    source_file: str = ""
    source_line: int = 0
    row_key: str
    as_recorded: str = "{}"


def problems_of(error: ValidationError, terms: Mapping[str, Term] | None = None) -> list[Problem]:
    """Turn pydantic's findings into problems in the words of the terms table.

    Parameters
    ----------
    error : ValidationError
        From a record model.
    terms : mapping of str to Term, optional
        The record's columns by name: those of den visits by default.

    Returns
    -------
    list of Problem
        One for each field that is wrong, all at level error.
    """
    known = by_name() if terms is None else terms
    return [_problem(item, known.get(str(item["loc"][0]))) for item in error.errors()]


def _problem(item: Any, term: Term | None) -> Problem:
    field, value = str(item["loc"][0]), None if item["type"] == "missing" else item["input"]
    said = item["msg"].removeprefix("Value error, ")
    shown = "" if value is None else str(value)
    if item["type"] == "text_form":
        return Problem(Level.ERROR, f"{field} '{seen(shown)}' {said}", field, shown)
    if term is None:
        return Problem(Level.ERROR, f"{field} '{seen(shown)}': {said}", field, shown)
    if not shown.strip():
        return Problem(Level.ERROR, f"{field} is empty; allowed: {term.allowed()}", field, "", hint=_if_unknown(term))
    if item["type"] == "value_error":
        return Problem(Level.ERROR, f"{field} '{seen(shown)}' {said}", field, shown)
    return Problem(
        Level.ERROR, f"{field} '{seen(shown)}'; allowed: {term.allowed()}", field, shown, hint=_hint(term, value)
    )


def _if_unknown(term: Term) -> str:
    return "write 'unknown' if nobody could tell" if "unknown" in term.choices else ""


def _hint(term: Term, value: Any) -> str:
    """Guess what the crew may have meant."""
    if term.name == "slope_deg" and not str(value).strip().startswith("-"):
        return "in percent? Then use the column slope_pct"
    return ""


def doubts(den: DenSite) -> list[Problem]:
    """List what is possible but unusual about a den, for a person to look at again.

    Parameters
    ----------
    den : DenSite
        A checked record.

    Returns
    -------
    list of Problem
        Warnings only.
    """
    found = [p for term in _with_usual_range() if (p := unusual(term, getattr(den, term.name, None)))]
    if den.aspect_error_deg is not None and den.aspect_deg is None:
        found.append(Problem(
            Level.WARNING, f"aspect '{den.aspect_read}' does not say true or magnetic: kept as read, not used",
            "aspect_reference", "", hint="fill in aspect_reference, or set it for the study in study.toml",
        ))  # fmt: skip
    if den.uncertainty_m is None:
        found.append(Problem(Level.WARNING, "uncertainty_m is not recorded", "uncertainty_m",
                             hint="how far off may the point be?"))  # fmt: skip
    if den.den_type != "tree" and den.tree_diameter_cm is not None:
        found.append(Problem(Level.WARNING, f"a {den.den_type} den with a tree diameter", "tree_diameter_cm",
                             f"{den.tree_diameter_cm:g}", hint="is it a tree den?"))  # fmt: skip
    return found


@cache
def _with_usual_range() -> tuple[Term, ...]:
    """List the terms of a den that have a plausible range; asked for once a row, so kept."""
    fields = set(columns(DenSite))
    return tuple(t for t in DEN_TERMS if t.name in fields and t.low is not None)


def unusual(term: Term, value: Any) -> Problem | None:
    """Say when a number is outside what its term calls plausible, and in which unit it would be inside.

    Parameters
    ----------
    term : Term
        Column with ``low`` and ``high``, in its own unit.
    value : object
        The recorded number; anything else is passed over.

    Returns
    -------
    Problem or None
        A warning.
    """
    if not isinstance(value, float) or term.low is None or term.high is None:
        return None
    if term.low <= value <= term.high:
        return None
    hint = _other_unit(term, value) or term.source
    if term.name == "slope_deg" and value > term.high:
        hint = "in percent? Then use the column slope_pct"
    return Problem(
        Level.WARNING, f"{term.name} {value:g} {term.unit} is unusual ({term.low:g} to {term.high:g})",
        term.name, f"{value:g}", hint=hint,
    )  # fmt: skip


OFTEN_MIXED = {"C": ("F",), "kg": ("lb", "g"), "g": ("kg", "lb", "oz"), "cm": ("in", "mm"), "mm": ("in", "cm")}


def _other_unit(term: Term, value: float) -> str:
    """Name the unit, if any, in which a number would be usual."""
    for unit in OFTEN_MIXED.get(term.unit, ()):
        turned = _in_unit(value, unit, term.unit)
        if term.low is not None and term.high is not None and term.low <= turned <= term.high:
            return f"read in {unit}? {value:g} {unit} is {turned:.4g} {term.unit}: then write '{value:g} {unit}'"
    return ""


def row_key(values: Mapping[str, str]) -> str:
    """Fingerprint a crew's row, so that the same row goes into the register once.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names; blanks, and whether it was confirmed, do not count.

    Returns
    -------
    str
        UUID made from the content (RFC 9562, version 5).
    """
    kept = sorted((k, " ".join(v.split())) for k, v in values.items() if v.strip() and k != "confirmed")
    return str(uuid.uuid5(uuid.NAMESPACE_OID, as_json(kept)))


def folded_label(label: str) -> str:
    """Make labels of dens comparable: case and runs of spaces do not count.

    Parameters
    ----------
    label : str
        As it was written.

    Returns
    -------
    str
    """
    return " ".join(label.casefold().split())


def den_uuid(study_id: str, key: str) -> uuid.UUID:
    """Make a den's lasting id from the study and its label.

    The same label in two copies of one study's register gives the same id, so copies can be joined.

    Parameters
    ----------
    study_id : str
        ``study.id`` of study.toml.
    key : str
        The den's label, or the key of its row where it has none.

    Returns
    -------
    UUID
        Version 5.
    """
    return uuid.uuid5(uuid.NAMESPACE_OID, f"densite:{study_id}:den:{folded_label(key)}")


def visit_uuid(study_id: str, key: str) -> uuid.UUID:
    """Make a visit's lasting id from the study and the key of its row.

    Parameters
    ----------
    study_id : str
        ``study.id`` of study.toml.
    key : str
        From :func:`row_key`.

    Returns
    -------
    UUID
        Version 5.
    """
    return uuid.uuid5(uuid.NAMESPACE_OID, f"densite:{study_id}:visit:{key}")


def winter_of(day: dt.date) -> int:
    """Return the winter a day belongs to, named by its January.

    Parameters
    ----------
    day : date
        Any day; July to December count to the winter that follows.

    Returns
    -------
    int
        2026 for 1 July 2025 to 30 June 2026.
    """
    return day.year + (day.month >= 7)


def columns(model: type[BaseModel]) -> Iterable[str]:
    """Return the field names of a record in their order.

    Parameters
    ----------
    model : type
        DenSite or Visit.

    Returns
    -------
    iterable of str
    """
    return model.model_fields.keys()
