"""How much a column of somebody's table is like a column of ours: by its heading, and by what stands in it."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

from densite import places
from densite.errors import PlaceError
from densite.intake.clock import read_moment
from densite.intake.rows import COMMA, parse_day
from densite.records import folded, read_number
from densite.terms import Term, spelled

_UNITS = (
    "%", "percent", "pct", "deg", "degrees", "degree", "°", "m", "metres", "meters", "cm", "mm", "ft", "feet", "in",
    "inch", "inches", "kg", "g", "lb", "lbs", "pounds", "oz", "ounces", "c", "f", "°c", "°f", "ml", "cc", "min",
    "minutes", "s", "sec", "bpm", "y", "years",
)  # fmt: skip
_LITTLE_WORDS = ("a", "at", "by", "in", "of", "on", "or", "the", "to")
_SHAPES = {
    "mgrs": r"\d{1,2}\s*[C-HJ-NP-X]\s*[A-HJ-NP-Z]{2}[\s\d]*", "utm_zone": r"\d{1,2}\s*[C-HJ-NP-X]", "epsg": r"\d{4,6}",
    "den_id": r"[0-9a-fA-F]{8}-[0-9a-fA-F-]{27}", "transponder": r"[\d ]{15,20}",
}  # fmt: skip
_DAY = dt.date(2000, 2, 29)
_NOT_WORDS = 0.8  # so large a share of bare numbers is no text in words; our choice


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading taken apart: its words, and the unit that it names."""

    words: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Fit:
    """How many of a column's values a term can take, out of how many; one that it cannot take."""

    fitting: int
    of: int
    odd: str = ""

    @property
    def share(self) -> float:
        """From 0 to 1."""
        return self.fitting / self.of if self.of else 0.0


@lru_cache(maxsize=4096)  # each heading is held against every column of every kind of record
def taken_apart(heading: str) -> Heading:
    """Take a heading apart into its words and a unit.

    Parameters
    ----------
    heading : str
        ``Slope (%)``, ``Entrance hgt cm``, ``depth_in``.

    Returns
    -------
    Heading
        A single word is never a unit.
    """
    bare = re.sub(r"[(\[{].*?[)\]}]", " ", heading)
    inside = [spelled(part) for part in re.findall(r"[(\[{](.*?)[)\]}]", heading)]
    unit = next((part for part in inside if part in _UNITS), "")
    words = spelled(bare).split()
    if len(words) > 1 and words[-1] in _UNITS:
        unit, words = unit or words[-1], words[:-1]
    return Heading(" ".join(words) or spelled(heading), unit)


def likeness(heading: Heading, names: Iterable[str]) -> float:
    """Tell how like a heading is to the nearest of a term's names.

    Parameters
    ----------
    heading : Heading
        From :func:`taken_apart`.
    names : iterable of str
        A term's name, heading and other names.

    Returns
    -------
    float
        From 0 to 1; 1 for the same words.
    """
    return max((_alike(heading.words, taken_apart(name).words) for name in names), default=0.0)


@lru_cache(maxsize=16384)
def _alike(one: str, other: str) -> float:
    """Return the larger of the likeness letter by letter and word by word; the same letters count fully."""
    letters = difflib.SequenceMatcher(None, one, other).ratio()
    first, second = _telling_words(one), _telling_words(other)
    pairs = sum(any(_abbreviates(a, b) for b in second) for a in first)
    back = sum(any(_abbreviates(b, a) for a in first) for b in second)
    return max(letters, 0.95 * (pairs + back) / (len(first) + len(second)))


def _telling_words(text: str) -> list[str]:
    words = text.split()
    return [word for word in words if word not in _LITTLE_WORDS] or words


def _abbreviates(one: str, other: str) -> bool:
    """Tell whether one word is, begins or shortens the other: ent, hgt and entrance, height."""
    short, long = sorted((one, other), key=len)
    if short == long or (len(short) >= 3 and long.startswith(short)):
        return True
    rest = iter(long)
    return len(short) >= 3 and short[0] == long[0] and len(long) <= 3 * len(short) and all(c in rest for c in short)


def unit_fits(heading: Heading, term: Term) -> bool:
    """Tell whether the unit in a heading is the term's own: a mapping cannot convert.

    Parameters
    ----------
    heading : Heading
        From :func:`taken_apart`.
    term : Term
        A column of ours.

    Returns
    -------
    bool
        True where the heading names no unit.
    """
    if not heading.unit or term.kind != "number":
        return not heading.unit or term.unit == "deg"
    try:
        return bool(read_number(f"1 {heading.unit}", unit=term.unit) == 1)
    except ValueError:
        return False


def fit_of(term: Term, cells: Sequence[str]) -> Fit | None:
    """Count which of a column's values a term can take.

    Parameters
    ----------
    term : Term
        A column of ours.
    cells : sequence of str
        Values that are not blank.

    Returns
    -------
    Fit or None
        None where any text will do, so that the values tell nothing.
    """
    reader = _reader(term)
    if reader is None or not cells:
        return None
    odd = [cell for cell in cells if not _reads(reader, cell)]
    return Fit(len(cells) - len(odd), len(cells), odd[0] if odd else "")


def _reads(reader: Callable[[str], bool], cell: str) -> bool:
    try:
        return reader(cell)
    except (ValueError, PlaceError, OverflowError):
        return False


def _reader(term: Term) -> Callable[[str], bool] | None:
    """Return what tells whether a cell can stand in a term's column."""
    if term.name in ("latitude", "longitude"):
        return lambda cell: bool(places.parse_angle(_pointed(cell), axis=term.name) or True)
    if term.name == "coordinates":
        return _is_pair
    if term.name in ("aspect", "offset_bearing"):
        return lambda cell: cell.casefold() in ("flat", "none", "n/a") or places.parse_bearing(cell)[0] >= 0
    if term.name == "datum":
        return lambda cell: re.sub(r"[\s_-]", "", cell).upper() in places.DATUMS  # a bare number may be anything
    if term.name in _SHAPES:
        return lambda cell: re.fullmatch(_SHAPES[term.name], cell.strip()) is not None
    choices = {folded(choice) for choice in term.choices}
    kinds: dict[str, Callable[[str], bool]] = {
        "choice": lambda cell: folded(cell) in choices,
        "number": lambda cell: _is_possible(term, cell), "date": is_day, "time": _is_time,
    }  # fmt: skip
    return kinds.get(term.kind)


def _pointed(cell: str) -> str:
    return COMMA.sub(".", cell)


def _is_pair(cell: str) -> bool:
    latitude, longitude = places.split_pair(cell)
    places.parse_angle(latitude, axis="latitude")
    places.parse_angle(longitude, axis="longitude")
    return True


def _is_possible(term: Term, cell: str) -> bool:
    number = read_number(_pointed(cell), unit=term.unit)
    low = [bound for bound in (term.floor, term.low) if bound is not None]
    high = [bound for bound in (term.ceiling, term.high) if bound is not None]
    return number is not None and min(low, default=number) <= number <= max(high, default=number)


def is_day(cell: str) -> bool:
    """Tell whether a cell is a day in either order of day and month.

    Parameters
    ----------
    cell : str
        As it was written.

    Returns
    -------
    bool
    """
    try:
        return bool(parse_day(cell, ZoneInfo("UTC"), "day first"))
    except ValueError:
        return bool(parse_day(cell, ZoneInfo("UTC"), "month first"))


def _is_time(cell: str) -> bool:
    return bool(read_moment(cell, _DAY, ZoneInfo("UTC")))


def mostly_numbers(cells: Sequence[str]) -> bool:
    """Tell whether a column holds numbers rather than words.

    Parameters
    ----------
    cells : sequence of str
        Values that are not blank.

    Returns
    -------
    bool
    """
    bare = sum(re.fullmatch(r"[-+]?[\d.,]+", cell.strip()) is not None for cell in cells)
    return bool(cells) and bare >= _NOT_WORDS * len(cells)
