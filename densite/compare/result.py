"""One finding of a comparison with everything a referee asks for, and what cannot be said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Literal, TypeAlias

import pandas as pd

Unit: TypeAlias = Literal["females", "dens"]

AS_IF_INDEPENDENT = "as if dens were independent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One row of a comparison's table.

    ``key`` names it for good and is unique within a comparison, for example
    ``type-by-class/share/rural/tree``; ``part`` is the block in which it stands; ``what`` says in
    words what is estimated, ``where`` for which class, contrast or place on the gradient.
    ``estimate``, ``lower``, ``upper`` are in ``unit`` ('1' for a share or a ratio), ``p`` is a
    p-value; each is None where there is none. ``proof`` says what was taken as independent:
    females, or dens, which are shown only beside the former. ``headline`` marks the result by which
    the block answers its question: its p enters the declared family of tests.
    """

    key: str
    part: str
    what: str
    where: str = ""
    estimate: float | None = None
    unit: str = "1"
    lower: float | None = None
    upper: float | None = None
    p: float | None = None
    dens: int
    females: int
    proof: Unit = "females"
    method: str
    interval: str = ""
    assumes: str
    source: str
    note: str = ""
    headline: bool = False
    p_adjusted: float | None = None


@dataclass(frozen=True, slots=True)
class Unsaid:
    """What cannot be said from these dens, and why."""

    part: str
    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Block:
    """The answers to one question: results, what cannot be said, and frames that figures draw."""

    part: str
    results: tuple[Result, ...] = ()
    unsaid: tuple[Unsaid, ...] = ()
    frames: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    title: str = ""

    def __getitem__(self, key: str) -> Result:
        """Return the result with this key."""
        return next(result for result in self.results if result.key == key)


def p_in_words(p: float) -> str:
    """Write a p-value: four digits where small, else two.

    Parameters
    ----------
    p : float
        p-value. [1]

    Returns
    -------
    str
    """
    return "<0.0001" if p < 0.00005 else f"{p:.4f}" if p < 0.0995 else f"{p:.2f}"


def as_frame(results: Iterable[Result]) -> pd.DataFrame:
    """Return results as a tidy table.

    Parameters
    ----------
    results : iterable of Result
        In the order of the table.

    Returns
    -------
    DataFrame
        One row each, a column for each field of :class:`Result`; missing numbers are NaN.
    """
    columns = [f.name for f in fields(Result)]
    numbers = ["estimate", "lower", "upper", "p", "p_adjusted"]
    return pd.DataFrame([asdict(result) for result in results], columns=columns).astype(dict.fromkeys(numbers, float))
