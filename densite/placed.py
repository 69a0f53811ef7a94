"""Findings placed at the record they are about, left out where a person has confirmed the field."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from densite.animals import Row, settles, text_of
from densite.errors import Level, Problem


def problem_at(row: Row, message: str, *, field: str, hint: str = "") -> Problem:
    """Return one finding placed at a record, whether or not a person has confirmed that field.

    Parameters
    ----------
    row, message, field, hint
        As for :func:`told`.

    Returns
    -------
    Problem
        A warning.
    """
    shown = _shown(row.get(field, row.get(f"{field}_local")))
    line = int(row.get("source_line") or 0)
    return Problem(Level.WARNING, message, field, shown, row.get("source_file") or "", line, hint)


def _shown(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) and value == value else text_of(value)


def told(row: Row, message: str, *, field: str, hint: str = "") -> list[Problem]:
    """Return one finding placed at a record, or none where a person has confirmed that field.

    Parameters
    ----------
    row : dict
        The record that the finding is about.
    message : str
        What is the matter.
    field : str
        Column that it is about; of a time the local one is shown.
    hint : str
        What to do next.

    Returns
    -------
    list of Problem
        None or one, a warning.
    """
    if settles(row.get("settled"), field):
        return []
    return [problem_at(row, message, field=field, hint=hint)]


def listing(words: Iterable[str], *, most: int = 5) -> str:
    """Name several things in one line, the first few of many.

    Parameters
    ----------
    words : iterable of str
        What to name.
    most : int
        So many are named.

    Returns
    -------
    str
        ``S-1, S-2 and 7 more``.
    """
    named = list(words)
    more = f" and {len(named) - most} more" if len(named) > most else ""
    return ", ".join(named[:most]) + more
