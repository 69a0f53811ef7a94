"""How places on the gradient read on an axis and in words."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from densite.figures import look

_LOGARITHM = re.compile(r"^log10\(1 \+ (.+)\)$")
_LEAST_TICKS = 2


@dataclass(frozen=True, slots=True)
class Gradient:
    """The gradient of a figure: its label with unit, and whether its places are log10(1 + measure)."""

    label: str
    log10: bool = False

    @classmethod
    def of(cls, name: str, unit: str) -> Gradient:
        """Return the gradient as it reads: a logarithm as what it is the logarithm of.

        Parameters
        ----------
        name, unit : str
            What the gradient measures, on the scale on which it is modelled.

        Returns
        -------
        Gradient
        """
        if found := _LOGARITHM.match(name):
            return cls(look.with_unit(found[1], unit.removeprefix("log10 of ")), log10=True)
        return cls(look.with_unit(name, unit))

    def told(self, place: float) -> str:
        """Return a place on the gradient in words, in the measure's own unit."""
        return look.number(10**place - 1 if self.log10 else place)

    def axis(self, axes: Axes) -> None:
        """Mark places on the horizontal axis, whose limits are set."""
        if not self.log10:
            axes.locator_params(axis="x", nbins=5)
            return
        ticks = round_numbers(*axes.get_xlim())
        axes.set_xticks([float(np.log10(1 + tick)) for tick in ticks], [f"{tick:g}" for tick in ticks])


def round_numbers(low: float, high: float) -> list[int]:
    """Return at least two round measures between two places log10(1 + measure), where there are two."""
    for first in ((1,), (1, 2, 5), range(1, 10)):
        ticks = [0, *(digit * 10**power for power in range(7) for digit in first)]
        found = [tick for tick in ticks if low <= np.log10(1 + tick) <= high]
        if len(found) >= _LEAST_TICKS:
            break
    return found
