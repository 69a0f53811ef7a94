"""What a comparison is asked: dens, gradient, classes, covariates, available ground, and other choices to try."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.compare.sample import Sample

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariate:
    """A value at each den that is compared: its column, words, unit, and whether it is a share or percent."""

    column: str
    heading: str
    unit: str
    share: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """The same dens with the gradient or the classes chosen otherwise.

    ``gradient`` (n,) is on the scale of the question's; ``landscape_class`` (n,) has None where a den
    has no class.
    """

    label: str
    gradient: Floats
    landscape_class: NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Everything that is compared, one entry a den of ``sample``.

    ``gradient`` (n,) is on the scale on which it is modelled, which ``gradient_name`` and
    ``gradient_unit`` say, rising toward people when ``urban_is_high``. ``classes`` go from urban to
    rural. ``available_deg`` are the aspects of ``available`` points; ``twice`` has the types that a
    first and a second observer gave to dens described twice. ``x_m``, ``y_m`` are in the study's CRS.
    """

    sample: Sample
    gradient: Floats
    gradient_name: str
    gradient_unit: str
    urban_is_high: bool
    definition: str
    classes: tuple[str, ...]
    contrast: str
    covariates: tuple[Covariate, ...] = ()
    available_deg: Floats = field(default_factory=lambda: np.empty(0))
    available: str = ""
    twice: pd.DataFrame = field(default_factory=lambda: pd.DataFrame({"first": [], "second": [], "female": []}))
    variants: tuple[Variant, ...] = ()
    x_m: Floats = field(default_factory=lambda: np.empty(0))
    y_m: Floats = field(default_factory=lambda: np.empty(0))

    def column(self, name: str) -> NDArray[np.object_]:
        """Return a column of the dens as it is, all missing where there is none (n,)."""
        frame = self.sample.frame
        found = frame[name] if name in frame else pd.Series([None] * len(frame))
        return found.to_numpy(dtype=object)

    def numbers(self, name: str) -> Floats:
        """Return a column of the dens as numbers, NaN where missing (n,)."""
        return pd.to_numeric(pd.Series(self.column(name)), errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
