"""protocol.toml: limits and intervals that the study's veterinarian set and signed; none come with densite."""

from __future__ import annotations

import datetime as dt
import difflib
import hashlib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from densite.animalterms import KINDS
from densite.errors import Level, Problem, SettingsError
from densite.terms import Term

FILE_NAME = "protocol.toml"
VITALS = ("heart_rate", "respiration", "temperature_c", "spo2_pct", "refill_s")
_NEEDED = ("veterinarian", "date", "version")  # without these a protocol is not signed
SHORT = 12  # so many signs of the fingerprint are shown to people

_TERMS: Mapping[str, Term] = MappingProxyType({t.name: t for t in KINDS["reading"].terms if t.name in VITALS})
_BLANK = ("", "-", "?", "tbd", "todo", "n/a", "none")
_ALSO_UNIT = MappingProxyType({
    "degc": "C", "celsius": "C", "/minute": "/min", "perminute": "/min", "bpm": "/min", "1/min": "/min",
    "percent": "%", "sec": "s", "seconds": "s",
})  # fmt: skip


def _day(value: Any) -> Any:
    """Return None for a day that is left blank."""
    return None if isinstance(value, str) and not value.strip() else value


def _word(value: Any) -> Any:
    """Take a version that was written as a number."""
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


Day = Annotated[dt.date | None, BeforeValidator(_day)]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class _Part(BaseModel):
    """A frozen part of the protocol that refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Signature(_Part):
    """Who signed the protocol, when, which version, and until when it holds."""

    veterinarian: str
    date: Day
    version: Annotated[str, BeforeValidator(_word)]
    valid_to: Day = None

    @model_validator(mode="after")
    def _holds_some_time(self) -> Self:
        if self.date and self.valid_to and self.valid_to < self.date:
            raise ValueError(f"valid_to {self.valid_to} lies before the signature's date {self.date}")
        return self

    def missing(self) -> list[str]:
        """Name what a signature needs and this one lacks."""
        words = {"veterinarian": self.veterinarian, "version": self.version}
        blank = [name for name, word in words.items() if word.casefold() in _BLANK]
        return [*blank, *([] if self.date else ["date"])]


class Limit(_Part):
    """Lowest and highest value that the protocol allows; a value on the limit is within."""

    low: Number | None = None
    high: Number | None = None
    unit: str | None = None


def _wrong(limit: Limit, term: Term) -> list[str]:
    said = []
    if limit.low is None and limit.high is None:
        said.append("names neither low nor high: leave the table out where there is no limit")
    if limit.low is not None and limit.high is not None and limit.low >= limit.high:
        said.append(f"low {limit.low:g} is not below high {limit.high:g}")
    if limit.unit is not None and _unit(limit.unit) != term.unit:
        said.append(f"unit '{limit.unit}': limits of {term.name} are in {term.unit}; convert them")
    said += [text for end in ("low", "high") if (text := _impossible(end, getattr(limit, end), term))]
    return said


def _unit(text: str) -> str:
    word = "".join(text.split()).replace("°", "deg").casefold()
    return _ALSO_UNIT.get(word, word.upper() if word == "c" else word)


def _impossible(end: str, value: float | None, term: Term) -> str:
    """Say why a limit cannot be meant in the term's unit.

    A temperature limit in degrees Fahrenheit or an SpO2 limit as a share would never be crossed, or
    always: both would go unnoticed.
    """
    if value is None:
        return ""
    floor, ceiling = term.floor, term.ceiling
    if (floor is not None and value < floor) or (ceiling is not None and value > ceiling):
        return f"{end} {value:g} is not possible in {term.unit}"
    low, high = term.low, term.high
    if term.unit == "C" and low is not None and high is not None:
        celsius = round((value - 32) / 1.8, 9)
        if not low <= value <= high and low <= celsius <= high:
            return f"{end} {value:g} reads like degrees Fahrenheit; limits of {term.name} are in C"
    if term.unit == "%" and value <= 1:
        return f"{end} {value:g} reads like a share; limits of {term.name} are in %"
    return ""


class Limits(_Part):
    """The limits of each vital, all of them optional."""

    heart_rate: Limit | None = None
    respiration: Limit | None = None
    temperature_c: Limit | None = None
    spo2_pct: Limit | None = None
    refill_s: Limit | None = None

    @field_validator("*")
    @classmethod
    def _fits(cls, limit: Limit | None, info: ValidationInfo) -> Limit | None:
        wrong = [] if limit is None else _wrong(limit, _TERMS[str(info.field_name)])
        if wrong:
            raise ValueError("; ".join(wrong))
        return limit


class Intervals(_Part):
    """How often the protocol asks for a reading. [min]"""

    reading_min: Annotated[Number, Field(gt=0, le=24 * 60)] | None = None


class _File(_Part):
    """What stands in protocol.toml."""

    signed: Signature
    limits: Limits = Field(default_factory=Limits)
    intervals: Intervals = Field(default_factory=Intervals)


class Protocol(_File):
    """The protocol with the fingerprint of its text (SHA-256, hexadecimal)."""

    fingerprint: str

    def limit(self, vital: str) -> Limit | None:
        """Return the limits of a vital, or None where the protocol sets none.

        Parameters
        ----------
        vital : str
            One of ``VITALS``; limits are in the unit of its term.

        Returns
        -------
        Limit or None
        """
        found: Limit | None = getattr(self.limits, vital)
        return found

    @property
    def named(self) -> str:
        """Version, signature and fingerprint, as they are printed with each judgement."""
        signed = self.signed
        until = f", valid to {signed.valid_to}" if signed.valid_to else ""
        return (
            f"protocol version {signed.version or '(blank)'}, signed {signed.date or '(no date)'} by "
            f"{signed.veterinarian or '(no name)'}{until}, fingerprint {self.fingerprint[:SHORT]}"
        )

    def objection(self, on: dt.date | None) -> str:
        """Say why the protocol cannot judge what was done on a day.

        Parameters
        ----------
        on : date or None
            Day of the handling.

        Returns
        -------
        str
            Empty where it was signed and in force on that day.
        """
        signed, missing = self.signed, self.signed.missing()
        if missing or signed.date is None:
            return f"the protocol is not signed: {', '.join(missing)} left blank under [signed]"
        if on is None:
            return "the day of the handling is not known"
        if signed.date > on:
            return f"the protocol is signed {signed.date}, after {on}: it was not in force yet"
        if signed.valid_to is not None and signed.valid_to < on:
            return f"the protocol expired on {signed.valid_to}, before {on}"
        return ""


def load(path: Path) -> Protocol | None:
    """Read a study's protocol.

    Parameters
    ----------
    path : Path
        The study's protocol.toml.

    Returns
    -------
    Protocol or None
        None where there is no such file. An unsigned, future-dated or expired protocol is returned:
        :meth:`Protocol.objection` tells why it does not judge.

    Raises
    ------
    SettingsError
        The file cannot be read, is no TOML, or holds unknown keys or impossible values; all of them
        are listed at once.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} cannot be read: it is not UTF-8 ({error.reason}). Save it as UTF-8") from None
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error}") from None
    return parse(text, where=str(path))


def parse(text: str, *, where: str = FILE_NAME) -> Protocol:
    """Read a protocol from TOML text.

    Parameters
    ----------
    text : str
        The text of a protocol.toml.
    where : str
        How error messages name the text.

    Returns
    -------
    Protocol

    Raises
    ------
    SettingsError
        As for :func:`load`.
    """
    try:
        read = _File.model_validate(tomllib.loads(text))
    except ValidationError as error:
        lines = [_told(item) for item in error.errors()]
        raise SettingsError(f"{where}:\n  " + "\n  ".join(lines)) from None
    except (ValueError, RecursionError) as error:
        raise SettingsError(
            f"{where} is not valid TOML: {error}. Numbers have a decimal point and no quotes, days stand as "
            "2026-02-24, texts in quotes"
        ) from None
    mark = hashlib.sha256(text.encode()).hexdigest()
    return Protocol(signed=read.signed, limits=read.limits, intervals=read.intervals, fingerprint=mark)


def problems(protocol: Protocol | None, *, today: dt.date, file: str = FILE_NAME) -> list[Problem]:
    """List what keeps a protocol from judging handlings of today, and limits that need a second look.

    Parameters
    ----------
    protocol : Protocol or None
        As from :func:`load`.
    today : date
        The day on which it is asked.
    file : str
        How the file is named.

    Returns
    -------
    list of Problem
        Empty where there is a signed protocol in force. Without a file a note only: a study may
        work without one.
    """
    if protocol is None:
        hint = "the veterinarian fills in and signs protocol.toml; densite sets no limits of its own"
        return [Problem(Level.NOTE, "no protocol on file: vitals are shown without judging", file=file, hint=hint)]
    said = protocol.objection(today)
    found = [Problem(Level.WARNING, f"{said}: vitals of today are shown without judging", "signed", file=file)]
    return [*(found if said else []), *_unusual(protocol, file)]


def _unusual(protocol: Protocol, file: str) -> list[Problem]:
    """Ask about limits outside the range in which entries pass without a question."""
    found = []
    for name, term in _TERMS.items():
        limit = protocol.limit(name) or Limit()
        for end, value in (("low", limit.low), ("high", limit.high)):
            if value is not None and not (term.low or 0) <= value <= (term.high or float("inf")):
                said = f"limits.{name}.{end} = {value:g} {term.unit} lies outside {term.low:g} to {term.high:g}"
                found.append(Problem(Level.WARNING, said, f"limits.{name}", f"{value:g}", file, hint=term.source))
    return found


def _told(item: Any) -> str:
    """Turn one pydantic finding into a sentence that names the key."""
    path = item["loc"]
    key = ".".join(str(part) for part in path)
    if item["type"] == "extra_forbidden":
        if len(path) == 1 and key in Signature.model_fields:
            return f"'{key}' stands outside its table: put it below the line [signed]"
        known = _known_keys(path[:-1])
        return f"unknown key '{key}'{_closest(str(path[-1]), known)}; known here: {', '.join(known)}"
    if item["type"] == "missing":
        table = f": the table [signed] with {', '.join(_NEEDED)}" if path == ("signed",) else ""
        return f"'{key}' is missing{table}"
    said = _said(item)
    return f"'{key}': {said}" if isinstance(item["input"], dict) else f"'{key}' = {_shown(item['input'])}: {said}"


def _said(item: Any) -> str:
    """Say what is expected in words that do not come from a library."""
    if item["type"].startswith("date"):
        return "no day; write it as 2026-02-24, year first"
    if item["type"] == "float_type":
        return "no number; write it without quotes and without a unit"
    said = str(item["msg"]).removeprefix("Value error, ")
    return said.replace("Input should be", "must be", 1)


def _shown(value: Any) -> str:
    """Show a value as it stands in the file."""
    return str(value) if isinstance(value, dt.date) else repr(value)


def _known_keys(path: tuple[str | int, ...]) -> list[str]:
    """List the keys that the table at ``path`` may hold."""
    tables: dict[tuple[str | int, ...], type[BaseModel]] = {
        (): _File, ("signed",): Signature, ("limits",): Limits, ("intervals",): Intervals,
    }  # fmt: skip
    return list(tables.get(path, Limit).model_fields)


def _closest(word: str, allowed: list[str]) -> str:
    """Suggest the allowed word that the given one most resembles."""
    near = difflib.get_close_matches(word, allowed, n=1)
    return f" (did you mean '{near[0]}'?)" if near else ""


def template() -> str:
    """Return the text of a protocol.toml in which everything is blank.

    Returns
    -------
    str
        TOML with comments and without a single limit; it reads as a protocol that is not signed.
    """
    tables = "\n".join(
        f'# [limits.{name}]    # {term.meaning}\n# low =\n# high =\n# unit = "{term.unit}"\n'
        for name, term in _TERMS.items()
    )
    return f"{_HEAD}\n{tables}"


_HEAD = """\
# What the study's veterinarian has set for handling animals. To be filled in and signed by the
# veterinarian: densite comes with no limits and gives none. Until a name, a date and a version stand
# here, vitals are shown without judging. Whoever changes a word makes another protocol: give it a new
# version and have it signed again; version and fingerprint are printed with each judgement.

[signed]
veterinarian = ""    # name of the veterinarian who signed
date = ""            # day from which it holds: year-month-day
version = ""         # version of the protocol
valid_to = ""        # last day on which it holds; blank: until another takes its place

[intervals]
# reading_min =      # longest time between two readings, in minutes; also from down to the first
                     # reading and from the last reading to the reversal

# Limits: take the sign # away and fill in. A value on a limit is within. What is left out is not
# judged. The unit is checked.
"""
