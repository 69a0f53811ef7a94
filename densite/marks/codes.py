"""Spellings of marks and of animals' ids made comparable."""

from __future__ import annotations

import re
import unicodedata
from typing import Any

from densite.animals import animal_key, runs, text_of
from densite.errors import TransponderError
from densite.transponder import DIGITS, read_transponder

__all__ = ["animal_key", "mark_key", "mark_words", "text_of"]

_NO_CODE = frozenset({"TAG", "EAR", "NO", "NR", "NUMBER", "TATTOO", "COLLAR", "SERIAL", "SN"})


def mark_key(kind: str, code: Any, *, side: str = "", colour: str = "") -> str:
    """Return what all spellings of a mark share.

    Parameters
    ----------
    kind : str
        One of ``MARK_KINDS``.
    code : object
        Number or text as written, or missing.
    side, colour : str
        Ear and colour, which people often write into the number too: ``L red 014``.

    Returns
    -------
    str
        15 digits of a transponder that can be read, else letters and digits alone, leading zeros dropped.
    """
    text = text_of(code)
    if kind == "transponder":
        try:
            return read_transponder(text).code
        except TransponderError:
            return "".join(re.findall(r"[^\W_]", unicodedata.normalize("NFKC", text).upper()))
    found = runs(text)
    beside = {*runs(colour), side.upper(), side[:1].upper()} | _NO_CODE
    return _joined([run for run in found if run not in beside] or found)


def _joined(found: list[str]) -> str:
    """Join runs; two runs of digits keep a dash, or 1-23 and 12-3 would be one mark."""
    joined = ""
    for run in found:
        joined += f"-{run}" if joined and joined[-1].isdecimal() and run[0].isdecimal() else run
    return joined


def mark_words(kind: str, code: str, *, side: str = "", colour: str = "") -> str:
    """Name a mark as a crew would.

    Parameters
    ----------
    kind, code : str
        Kind and number.
    side, colour : str
        Ear and colour, where known.

    Returns
    -------
    str
        ``ear tag red 14 left``; a transponder's digits in groups, so that a person can compare them.
    """
    if kind == "transponder" and len(code) == DIGITS:
        code = " ".join(code[at : at + 3] for at in range(0, DIGITS, 3))
    return " ".join(part for part in (kind, colour, code, side) if part)
