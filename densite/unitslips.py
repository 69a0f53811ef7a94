"""Values that fit only when they are read in another unit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from densite.terms import Term

LEAST_OTHERS = 2  # one neighbour may be the one that is wrong

_DIGITS = 9  # break points are exact in decimals, not in binary


@dataclass(frozen=True, slots=True)
class Misreading:
    """How a number may have come into a column of another unit, and what it then means there."""

    words: str
    meant: Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Slip:
    """A value that fits when it is read as ``words`` say; ``meant`` is what it then is, in the column's unit."""

    value: float
    unit: str
    meant: float
    words: str

    def __str__(self) -> str:
        """Read as ``98.6 C is 37.0 C if it was read in degrees Fahrenheit``."""
        return f"{self.value:g} {self.unit} is {_rounded(self.meant)} {self.unit} if {self.words}"


def _by(factor: float, other: str, unit: str) -> tuple[Misreading, Misreading]:
    """Return both ways in which two units with a common zero are taken for each other."""
    return (
        Misreading(f"it was read in {other}", lambda value: value * factor),
        Misreading(f"it was in {unit} already and was converted from {other} once more", lambda value: value / factor),
    )


# Exact by definition: NIST Special Publication 811 (2008), appendix B. A share of SpO2 is 1/100 of its percent.
_MISREADINGS: Mapping[str, tuple[Misreading, ...]] = MappingProxyType({
    "C": (
        Misreading("it was read in degrees Fahrenheit", lambda value: (value - 32) / 1.8),
        Misreading("it was in C already and was converted from degrees Fahrenheit once more",
                   lambda value: value * 1.8 + 32),
    ),
    "kg": _by(0.45359237, "lb", "kg"),
    "g": (*_by(1000, "kg", "g")[:1], *_by(453.59237, "lb", "g"), *_by(28.349523125, "oz", "g")),
    "cm": _by(2.54, "inches", "cm"),
    "mm": (*_by(10, "cm", "mm")[:1], *_by(25.4, "inches", "mm")),
    "%": (Misreading("it was written as a share of 1", lambda value: value * 100),),
})  # fmt: skip


def by_range(value: float | None, term: Term) -> Slip | None:
    """Tell a value outside its usual range that lies inside when it is read in another unit.

    Parameters
    ----------
    value : float or None
        In the term's unit; None or NaN where it is missing.
    term : Term
        Its column, with the range that entries are checked against.

    Returns
    -------
    Slip or None
        None where the value is missing or usual, or no other unit explains it.

    Notes
    -----
    Conversions are exact: NIST Special Publication 811 (2008), appendix B. The range itself only
    asks for a second look, so a slip is a question, never a correction.
    """
    if value is None or math.isnan(value) or _usual(value, term):
        return None
    read = ((one, one.meant(value)) for one in _MISREADINGS.get(term.unit, ()))
    return next((Slip(value, term.unit, meant, one.words) for one, meant in read if _usual(meant, term)), None)


def by_neighbours(value: float | None, others: Sequence[float], term: Term) -> Slip | None:
    """Tell a value that lies off its neighbours, but among them when it is read in another unit.

    Parameters
    ----------
    value : float or None
        In the term's unit.
    others : sequence of float
        Values of the same animal near it in time, of which at least two are needed. [term's unit]
    term : Term
        Their column; its range plays no part.

    Returns
    -------
    Slip or None
        Among them means: no farther beyond the lowest or highest of them than these lie apart.
    """
    if value is None or math.isnan(value) or len(others) < LEAST_OTHERS:
        return None
    apart = max(others) - min(others)
    low, high = min(others) - apart, max(others) + apart
    if low <= value <= high:
        return None
    read = ((one, one.meant(value)) for one in _MISREADINGS.get(term.unit, ()))
    among = ((one, meant) for one, meant in read if low <= round(meant, _DIGITS) <= high)
    return next((Slip(value, term.unit, meant, f"{one.words}, like its neighbours") for one, meant in among), None)


def by_ratio(value: float | None, beside: float | None, term: Term) -> Slip | None:
    """Tell a value that another one of the same thing explains by the factor between two units.

    Parameters
    ----------
    value, beside : float or None
        The value and the one it is held against, such as the mass estimated before. [term's unit]
    term : Term
        Their column.

    Returns
    -------
    Slip or None
        Where the ratio of the two is nearer, as a logarithm, to the factor between the units than half
        of that factor's logarithm: nearer to the factor than to 1. No threshold but the factor itself.
    """
    if not (_positive(value) and _positive(beside)) or term.unit == "C":
        return None
    assert value is not None and beside is not None  # noqa: S101  # for the type checker: both are positive
    for one in _MISREADINGS.get(term.unit, ()):
        meant = one.meant(value)
        if abs(math.log(meant / beside)) < abs(math.log(meant / value)) / 2:
            return Slip(value, term.unit, meant, one.words)
    return None


def _positive(value: float | None) -> bool:
    return value is not None and math.isfinite(value) and value > 0


def _usual(value: float, term: Term) -> bool:
    low = -math.inf if term.low is None else term.low
    high = math.inf if term.high is None else term.high
    return low <= round(value, _DIGITS) <= high


def _rounded(value: float) -> str:
    return f"{value:.1f}" if abs(value) < 1000 else f"{value:.0f}"
