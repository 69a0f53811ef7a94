"""Labels on vials: when two spellings are one label, and which labels are one slip apart."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import takewhile

# Dashes of all lengths (as a spreadsheet or a telephone sets them), blanks, dots and slashes.
_SEPARATORS = re.compile(r"[\s_./\\\-\u2010-\u2015\u2212]+")
_LEADING_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")
_LOOK_ALIKE = str.maketrans("oi", "01")


@lru_cache(maxsize=2**16)
def folded_label(label: str) -> str:
    """Fold a label to the form in which labels are compared.

    Parameters
    ----------
    label : str
        As written on a vial, in a list or in a laboratory's file.

    Returns
    -------
    str
        The letter O as 0 and I as 1, small letters; separators left out, except that those between
        two digits become one dash: 26-1-12 and 26-11-2 are not the same label. Blank where the label
        holds nothing but separators.
    """
    plain = unicodedata.normalize("NFKC", label).casefold().translate(_LOOK_ALIKE)
    whole = ""
    for part in filter(None, _SEPARATORS.split(plain)):
        whole += f"-{part}" if whole[-1:].isdigit() and part[0].isdigit() else part
    return whole


def one_slip_apart(one: str, other: str) -> bool:
    """Say whether two labels differ by one slip of the pen.

    Parameters
    ----------
    one, other : str
        Labels in any spelling.

    Returns
    -------
    bool
        True where one character is wrong, missing or too many, two neighbours are swapped, or leading
        zeros are lost, as spreadsheets lose them. False for two spellings of one label.
    """
    a, b = folded_label(one), folded_label(other)
    if a == b:
        return False
    if _LEADING_ZEROS.sub("", a) == _LEADING_ZEROS.sub("", b):
        return True
    start = _shared(a, b)
    end = _shared(a[start:][::-1], b[start:][::-1])
    x, y = a[start : len(a) - end], b[start : len(b) - end]
    return max(len(x), len(y)) == 1 or (len(x) == 2 and x == y[::-1])


def _shared(one: str, other: str) -> int:
    """Count the characters with which both texts start."""
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


class LabelBook:
    """The labels of a register, to be found in any spelling.

    Parameters
    ----------
    labels : iterable of str
        As they stand in the register.
    """

    def __init__(self, labels: Iterable[str]) -> None:
        self._labels = dict.fromkeys(labels)
        self._spellings: dict[str, list[str]] = defaultdict(list)
        self._worn: dict[str, list[str]] = defaultdict(list)
        for label in self._labels:
            self._spellings[folded_label(label)].append(label)
            for worn in _worn(label):
                self._worn[worn].append(label)

    def find(self, label: str | None) -> str | None:
        """Return the register's spelling of a label; None where there is none or more than one.

        Parameters
        ----------
        label : str or None
            In any spelling; its very own spelling goes before all others.

        Returns
        -------
        str or None
        """
        if not label or label in self._labels:
            return label or None
        alike = self._spellings.get(folded_label(label), []) if folded_label(label) else []
        return alike[0] if len(alike) == 1 else None

    def near(self, label: str) -> list[str]:
        """Return the labels that may be meant where :meth:`find` found none.

        Parameters
        ----------
        label : str
            In any spelling.

        Returns
        -------
        list of str
            Other spellings of the same label first, then labels that are one slip apart, by name.
        """
        alike = [same for same in self._spellings.get(folded_label(label), []) if same != label]
        candidates = {found for worn in _worn(label) for found in self._worn.get(worn, [])}
        return [*alike, *sorted(found for found in candidates if one_slip_apart(label, found))]


def _worn(label: str) -> Iterator[str]:
    """Yield a label with one character worn away at each place: labels one slip apart share one of these."""
    whole = folded_label(label)
    yield from {whole, *(whole[:n] + whole[n + 1 :] for n in range(len(whole)))}
    yield "zeros " + _LEADING_ZEROS.sub("", whole)
