"""Descriptions of points that hold ``key: value; key: value`` beside words."""

from __future__ import annotations

from collections.abc import Iterable, Set

from densite.errors import Level, Problem
from densite.terms import spelled


def taken_apart(texts: Iterable[str], known: Set[str]) -> tuple[dict[str, str], str, tuple[Problem, ...]]:
    """Split descriptions into fields under known headings, the rest in words, and keys given twice.

    Parameters
    ----------
    texts : iterable of str
        Descriptions of one point.
    known : set of str
        Headings that are understood, folded by :func:`densite.terms.spelled`.

    Returns
    -------
    fields : dict of str to str
    words : str
        What is no field, joined by semicolons.
    problems : tuple of Problem
        Keys that are given twice with different values.
    """
    fields: dict[str, str] = {}
    words: list[str] = []
    doubled: list[Problem] = []
    for part in (p.strip() for text in texts for p in text.split(";")):
        key, _, value = (text.strip() for text in part.partition(":"))
        if not value or spelled(key) not in known:
            words.append(part)
        elif fields.setdefault(key, value) != value:
            said = f"{key} is given twice: {fields[key]}, then {value}"
            doubled.append(Problem(Level.ERROR, said, key, value, hint="keep one"))
    return fields, "; ".join(word for word in words if word), tuple(doubled)
