"""The questions of `densite log`: their order and wording, and what an answer stands for."""

from __future__ import annotations

import datetime as dt
import re
import textwrap
from collections.abc import Iterable, Mapping

import click

from densite.terms import Term, by_name

WIDTH = 79
ORDER = (
    "date", "observer", "crew", "female", "purpose", "coordinates", "datum", "uncertainty_m", "den_label", "den_type",
    "aspect", "aspect_reference", "slope_deg", "canopy_pct", "notes",
)  # fmt: skip
NEEDED = frozenset({"date", "coordinates", "datum", "den_type"})
_TAKES = {
    "date": "today, yesterday, or 2026-02-24",
    "coordinates": "44.51 N 118.22 W, or UTM 11N 378125 4818231, or MGRS",
    "datum": "WGS84, NAD83, NAD27 or an EPSG code",
    "aspect": "0 to 360 deg, or N, NNE, NE ...",
    "slope_deg": "0 to 90 deg, or 40 %",
    "uncertainty_m": "m, as the GPS shows",
    "den_label": "blank if it has none",
}
_HEADINGS = {
    "coordinates": "Where is the den", "den_label": "Label of the den", "aspect": "Entrance aspect",
    "aspect_reference": "Which north does it count from",
}  # fmt: skip
_MORE = {
    "coordinates": "Degrees may be decimal, or with minutes and seconds: 44 30 36 N, 118 13 12 W. South and west "
    "take S and W, or a minus.",
    "datum": "It stands in the settings of the GPS, or on the map. It is never guessed: NAD27 read as WGS84 puts "
    "a den 15 to 90 m off.",
    "uncertainty_m": "Radius in metres, more than 0: no point is exact.",
    "den_label": "The label of a den that is known already makes this another visit to it.",
    "aspect": "Put 'toward the mouth' behind it if you sighted the mouth from outside: it is turned round then. "
    "'flat' where the ground falls nowhere.",
    "aspect_reference": "A compass shows magnetic, unless its declination was set. Blank: the bearing is kept, "
    "but not used.",
    "slope_deg": "A bare number is in degrees; with % it is rise over run.",
}
_UTM = re.compile(
    r"(?:UTM\s*)?(\d{1,2})\s*([A-Z])[\s,]+(\d{5,7}(?:\.\d+)?)\s*(?:M?E)?[\s,]+(\d{1,8}(?:\.\d+)?)\s*(?:M?N)?"
)
_MGRS = re.compile(
    r"(?:MGRS\s*)?(\d{1,2}\s*[C-X]\s*[A-Z]{2}\s*\d{2,10}|\d{1,2}\s*[C-X]\s*[A-Z]{2}\s*\d{1,5}\s+\d{1,5})"
)


def heading(name: str) -> str:
    """Return what a question is about.

    Parameters
    ----------
    name : str
        Column.

    Returns
    -------
    str
    """
    return _HEADINGS.get(name, by_name()[name].heading)


def takes(term: Term) -> str:
    """Say which answers a question takes, with the unit.

    Parameters
    ----------
    term : Term
        Column that is asked for.

    Returns
    -------
    str
        Blank where any text will do.
    """
    if term.name in _TAKES:
        return _TAKES[term.name]
    if term.kind in ("text", "date") and not term.unit:
        return "" if term.kind == "text" else term.allowed()
    return term.allowed().replace("a number of at least 0 ", "0 or more, ")


def prompt(name: str, *, number: str, present: str = "") -> str:
    """Return the line on which a question is answered.

    Parameters
    ----------
    name : str
        Column.
    number : str
        Which question it is: ``5/15``.
    present : str
        Answer that stands already.

    Returns
    -------
    str
        A long hint stands on a line of its own.
    """
    hint = takes(by_name()[name])
    first = f"{number}  {heading(name)}"
    kept = f"{' ' * len(number)}  now: {present}   (Enter keeps it, - empties it)\n" if present else ""
    if len(first) + len(hint) > 58:
        return f"{first}: {hint}\n{kept}{' ' * len(number)}  "
    line = first + (f" ({hint})" if hint else "")
    return f"{line}\n{kept}{' ' * len(number)}  " if present else f"{line}: "


def explained(name: str) -> str:
    """Say what a question means and which answers are allowed, for '?'.

    Parameters
    ----------
    name : str
        Column.

    Returns
    -------
    str
        A few lines.
    """
    term = by_name()[name]
    said = [f"{term.meaning[0].upper()}{term.meaning[1:]}.", _MORE.get(name, "")]
    if takes(term):
        said.append(f"Allowed: {takes(term)}.")
    if term.low is not None and term.high is not None:
        said.append(
            f"Usual: {term.low:g} to {term.high:g} {term.unit}; anything else is asked again.".replace(" ;", ";")
        )
    if term.choices:
        said.append("The first letters are enough.")
    said.append("It must be answered." if name in NEEDED else "Enter skips it.")
    return wrapped(" ".join(filter(None, said)))


def wrapped(text: str, *, indent: str = "      ") -> str:
    """Break a text so that it fits 80 columns.

    Parameters
    ----------
    text : str
        On one line.
    indent : str
        Before each line.

    Returns
    -------
    str
    """
    return textwrap.fill(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
    )  # a path is copied whole


def columns(name: str, text: str, *, today: dt.date) -> dict[str, str]:
    """Return the columns that an answer fills in.

    Parameters
    ----------
    name : str
        Column that was asked for.
    text : str
        The answer.
    today : date
        Day by the study's clock, for 'today' and 'yesterday'.

    Returns
    -------
    dict of str to str
        Empty for a blank answer.
    """
    if not text:
        return {}
    if name == "coordinates":
        return _place(text)
    if name == "slope_deg" and text.endswith("%"):
        return {"slope_pct": text}
    days = {"today": 0, "yesterday": 1}
    if name == "date" and text.casefold() in days:
        return {"date": (today - dt.timedelta(days=days[text.casefold()])).isoformat()}
    return {name: chosen(text, by_name()[name].choices)}


def chosen(text: str, choices: Iterable[str]) -> str:
    """Return the one choice that begins with a text, else the text itself.

    Parameters
    ----------
    text : str
        As typed.
    choices : iterable of str
        What may be chosen.

    Returns
    -------
    str
    """
    begun = [choice for choice in choices if choice.startswith(text.casefold())]
    return begun[0] if len(begun) == 1 else text


def _place(text: str) -> dict[str, str]:
    """Tell UTM and MGRS from latitude and longitude."""
    upper = text.upper().strip()
    if match := _UTM.fullmatch(upper):
        zone, letter, easting, northing = match.groups()
        return {"easting": easting, "northing": northing, "utm_zone": f"{zone}{letter}"}
    if match := _MGRS.fullmatch(upper):
        return {"mgrs": match[1]}
    return {"coordinates": text}


def say(text: str, *, indent: str = "      ") -> None:
    """Write a remark on stderr, within 80 columns."""
    click.echo(wrapped(text, indent=indent), err=True)


def typed(text: str) -> str:
    """Ask on stderr for a line; a line with keys that are no letters in it is asked for again."""
    from densite.records import is_hidden

    while True:
        line = str(click.prompt(text, default="", show_default=False, prompt_suffix="", err=True))
        if not any(is_hidden(c) or c == "\t" for c in line):
            return line.strip()
        say("That line holds keys that are no letters, arrows perhaps. Please type it again.")


def yes(question: str) -> bool | None:
    """Ask for yes or no; '<' is None."""
    words = {"y": True, "yes": True, "n": False, "no": False, "<": None}
    while (answer := typed(f"      {question} (y, n) ").casefold()) not in words:
        say("Type y for yes, n for no, or < to go back.")
    return words[answer]


def answer_of(name: str, values: Mapping[str, str]) -> str:
    """Return the answer that stands for a question, as it may be typed again."""
    if name == "slope_deg":
        return values.get("slope_deg") or values.get("slope_pct", "")
    if name != "coordinates":
        return values.get(name, "")
    parts = ("coordinates", "latitude", "longitude", "utm_zone", "easting", "northing", "mgrs", "x", "y", "epsg")
    return " ".join(values[part] for part in parts if part in values)
