"""Small simulated studies with known truth: females, their dens, classes or places on a gradient, and den types."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from densite.compare.resample import Females


@dataclass(frozen=True)
class Design:
    """Whose each den is, and the class of each: nothing yet of types."""

    females: Females
    klass: np.ndarray


def design_of(sizes: np.ndarray, home: np.ndarray) -> Design:
    """Females with so many dens each (f,), all in one class each (f,)."""
    whose = np.repeat(np.arange(len(sizes)), sizes)
    return Design(Females.of(whose.astype(str)), np.asarray(home, dtype=np.int64)[whose])


def design(rng: np.random.Generator, *, females: int, classes: int = 3, most: int = 4, chances=None) -> Design:
    """One to ``most`` dens a female; a female's class is drawn with these chances, or evenly."""
    return design_of(rng.integers(1, most + 1, females), rng.choice(classes, females, p=chances))


def linked(counts: tuple[int, ...], sizes: tuple[int, ...]) -> Design:
    """So many females of each class, all with so many dens: how many dens she has goes with her class."""
    return design_of(np.repeat(sizes, counts), np.repeat(np.arange(len(counts)), counts))


def partly_mixed(told: Design, rng: np.random.Generator, *, share: float, classes: int = 3) -> Design:
    """Let each den lie in any class with this chance, else in its female's."""
    moved = rng.random(len(told.klass)) < share
    return Design(told.females, np.where(moved, rng.integers(0, classes, len(moved)), told.klass))


def types_of(
    shares: np.ndarray, females: Females, rng: np.random.Generator, *, repeats: float, studies: int
) -> np.ndarray:
    """Draw types (studies, n) from the shares at each den (n, t), or (t,) everywhere.

    With the chance ``repeats`` a den takes the place of its female's own draw on the scale of cumulated
    shares, which all her dens have in common, else a fresh one: each den has its shares whatever ``repeats``.
    """
    steps = np.cumsum(np.broadcast_to(shares, (len(females.code), shares.shape[-1])), axis=1)[:, :-1]
    own = rng.random((studies, females.count))[:, females.code]
    fresh = rng.random(own.shape)
    drawn = np.where(rng.random(own.shape) < repeats, own, fresh)
    return (drawn[:, :, None] > steps).sum(axis=2)
