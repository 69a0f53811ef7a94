"""What a block gathers while it is written: results, what cannot be said, and the words for both."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from densite.compare.resample import Females, Floats
from densite.compare.result import Block, Result, Unsaid
from densite.errors import StatisticsError

Limits = tuple[float, float] | None

INDEPENDENT_FEMALES = "females are independent of each other; dens of one female need not be"
LEAVING_OUT = "leaving out one female at a time, t with females - 1 degrees of freedom"
JACKKNIFE = "MacKinnon, Nielsen & Webb 2023, J. Appl. Econometrics 38: 671-694, doi:10.1002/jae.2969"
PERMUTED = "Winkler et al. 2015, NeuroImage 123: 253-268, doi:10.1016/j.neuroimage.2015.05.092"


@dataclass(slots=True)
class Entries:
    """The rows of one block, in the order in which they are written; ``about`` stands before what each says."""

    part: str
    about: str = ""
    results: list[Result] = field(default_factory=list)
    unsaid: list[Unsaid] = field(default_factory=list)

    def say(
        self,
        key: str,
        *,
        what: str,
        estimate: float | None = None,
        limits: Limits = None,
        interval: str = "",
        **others: Any,
    ) -> None:
        """Add a result; an interval is named only where there is one."""
        if estimate is not None and not math.isfinite(estimate):
            self.cannot(f"{what} {others.get('where', '')}".strip(), "it is not defined for these dens")
            return
        lower, upper = limits if limits is not None else (None, None)
        fields = {
            "what": self.about + what,
            "lower": lower,
            "upper": upper,
            "interval": interval if limits is not None else "",
        }
        self.results.append(
            Result(key=f"{self.part}/{key}", part=self.part, estimate=estimate, **fields, **others)  # type: ignore[arg-type]
        )

    def cannot(self, what: str, why: str) -> None:
        """Add what cannot be said, and why."""
        self.unsaid.append(Unsaid(self.part, self.about + what, why))

    def block(self, frames: Mapping[str, pd.DataFrame]) -> Block:
        """Return the block with the frames that figures draw."""
        return Block(self.part, tuple(self.results), tuple(self.unsaid), dict(frames))


def slug(text: str) -> str:
    """Return a name in lower-case letters of any script, digits and dashes, as keys have it."""
    return re.sub(r"[\W_]+", "-", text.lower()).strip("-")


def sentence(parts: Iterable[str]) -> str:
    """Join the parts of a note that are not empty."""
    return "; ".join(part for part in parts if part)


def without_female(females: Females) -> str:
    """Say how many dens stand alone because their female is not known, if any."""
    alone = females.count - females.known
    return f"{dens(alone)} without a known female, each counted as another female" if alone else ""


def left_out(count: int, why: str) -> str:
    """Say how many dens a number goes without, if any."""
    return f"{dens(count)} left out: {why}" if count else ""


def dens(count: int) -> str:
    """Return a number of dens in words."""
    return f"{count} den" if count == 1 else f"{count} dens"


def as_numbers(values: ArrayLike, *, what: str, size: int | None = None) -> Floats:
    """Return one number a den, NaN where there is none.

    Parameters
    ----------
    values : array_like, shape (n,)
        Numbers; None, NaN, infinite or unreadable where missing.
    what : str
        What they are, for the error.
    size : int, optional
        How many there must be. [dens]

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    StatisticsError
        Another number of values than of dens.
    """
    array = np.asarray(pd.to_numeric(pd.Series(values), errors="coerce"), dtype=np.float64)
    if size is not None and len(array) != size:
        raise StatisticsError(f"{what}: {len(array)} values for {size} dens; give one per den")
    return np.where(np.isfinite(array), array, np.nan)


def as_words(values: ArrayLike, *, what: str, size: int) -> NDArray[np.object_]:
    """Return one stripped word a den, an empty one where there is none.

    Parameters
    ----------
    values : array_like, shape (n,)
        Words; None, NaN or blank where missing.
    what : str
        What they are, for the error.
    size : int
        How many there must be. [dens]

    Returns
    -------
    ndarray of str, shape (n,)

    Raises
    ------
    StatisticsError
        Another number of values than of dens.
    """
    words = ["" if pd.isna(value) else str(value).strip() for value in np.asarray(values, dtype=object)]
    if len(words) != size:
        raise StatisticsError(f"{what}: {len(words)} values for {size} dens; give one per den")
    return np.array(words, dtype=object)
