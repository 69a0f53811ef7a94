"""One permit: when it is valid, how many animals and cubs it allows, and which procedures."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import unicodedata
from collections import defaultdict
from dataclasses import dataclass

import pandas as pd

from densite.animals import Row, listed, rows_of
from densite.animalterms import PROCEDURES
from densite.errors import Problem
from densite.placed import told

ALL_MONTHS = frozenset(range(1, 13))


@dataclass(frozen=True, slots=True)
class Permit:
    """What a permit says.

    ``max_animals`` and ``max_cubs`` count over the whole validity and are None where the permit states no
    number; ``procedures`` is empty where it lists none that densite knows; ``row`` is its record.
    """

    number: str
    valid_from: dt.date
    valid_to: dt.date
    max_animals: float | None
    max_cubs: float | None
    procedures: frozenset[str]
    months: frozenset[int]
    row: Row

    def covers_day(self, day: dt.date) -> bool:
        """Say whether a day is within its dates, first and last day included, and in one of its months."""
        return self.valid_from <= day <= self.valid_to and day.month in self.months

    def covers(self, day: dt.date, procedure: str) -> bool:
        """Say whether its text covers a procedure on a day; one that lists no procedures is not compared."""
        return self.covers_day(day) and (not self.procedures or procedure in self.procedures)


def read_permits(permits: pd.DataFrame) -> tuple[list[Permit], list[Problem]]:
    """Read permits from their records.

    Parameters
    ----------
    permits : DataFrame
        Records of this kind.

    Returns
    -------
    list of Permit
        One for each record, words and months that cannot be read left out.
    list of Problem
        Those words and months, permits without procedures, permits that end before they start, and
        several permits with one number at one time; a permit that was renewed under its number is none.
    """
    rows = rows_of(permits)
    problems = [problem for row in rows for problem in (*_about_words(row), *_about_dates(row))]
    return [_permit(row) for row in rows], [*problems, *_doubled(rows)]


def _doubled(rows: list[Row]) -> list[Problem]:
    """Tell permits of one number that are valid at one time, at the one that begins later."""
    found: list[Problem] = []
    numbers: dict[str, list[Row]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: row["valid_from"]):
        others = numbers[folded_number(row["permit"])]
        if any(other["valid_to"] >= row["valid_from"] for other in others):
            said = f"permit {row['permit']}: another permit of this number is valid on {row['valid_from']} too"
            found += told(row, said, field="permit", hint="withdraw the one that is replaced, or mend number or dates")
        others.append(row)
    return found


def folded_number(number: str) -> str:
    """Return a permit's number as numbers are compared: case, blanks and kinds of dashes do not count."""
    plain = re.sub("[\u2010-\u2015\u2212]", "-", unicodedata.normalize("NFKC", number))
    return "".join(plain.casefold().split())


def _permit(row: Row) -> Permit:
    months = frozenset(month for word in listed(row["months"]) if (month := _month(word)))
    return Permit(
        number=row["permit"], valid_from=row["valid_from"], valid_to=row["valid_to"],
        max_animals=row["max_animals"], max_cubs=row["max_cubs"],
        procedures=frozenset(listed(row["procedures"])) & frozenset(PROCEDURES),
        months=months if listed(row["months"]) else ALL_MONTHS, row=row,
    )  # fmt: skip


def _month(word: str) -> int | None:
    """Read the number of a month; None where it is none."""
    return int(word) if re.fullmatch(r"0?[1-9]|1[0-2]", word, re.ASCII) else None


def _about_words(row: Row) -> list[Problem]:
    name, words = f"permit {row['permit']}", listed(row["procedures"])
    found = []
    for word in dict.fromkeys(words):
        found += unknown_procedure(row, name, word)
    if not words:
        said = f"{name} lists no procedures: what is done under it is not compared with it"
        found += told(row, said, field="procedures", hint=f"one or more of: {'; '.join(PROCEDURES)}")
    for word in listed(row["months"]):
        if _month(word) is None:
            said = f"{name}: '{word}' is no month"
            found += told(row, said, field="months", hint="write numbers: 1; 2; 3; blank means all months")
    return found


def unknown_procedure(row: Row, name: str, word: str) -> list[Problem]:
    """Tell a word that names no procedure, with the one that may be meant.

    Parameters
    ----------
    row : dict
        Record on which it stands.
    name : str
        What the record is, in words.
    word : str
        A word of its procedures.

    Returns
    -------
    list of Problem
        Empty where the word is a procedure.
    """
    if word in PROCEDURES:
        return []
    near = [known for known in PROCEDURES if word in known] or difflib.get_close_matches(word, PROCEDURES, n=1)
    meant = f"did you mean '{near[0]}'? " if near else ""
    hint = f"{meant}Known: {'; '.join(PROCEDURES)}"
    return told(row, f"{name}: '{word}' is no procedure that densite knows", field="procedures", hint=hint)


def _about_dates(row: Row) -> list[Problem]:
    if row["valid_from"] <= row["valid_to"]:
        return []
    said = f"permit {row['permit']} ends on {row['valid_to']}, before it starts on {row['valid_from']}"
    return told(row, said, field="valid_to", hint="mend the dates: as they stand it covers no day")
