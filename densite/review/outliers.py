"""Values that lie far from the study's own, by two published rules that must both say so."""

from __future__ import annotations

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.review.finding import Found, about, rows_of_dens
from densite.terms import by_name

Floats = NDArray[np.float64]

LEAST = 30  # values that a distribution needs before one is held against it; our own choice
FAR = 3.5  # modified z-score: Iglewicz & Hoaglin 1993
_TO_SD = 0.6745  # third quartile of the standard normal distribution
_WHISKER = 1.5  # adjusted boxplot: Hubert & Vandervieren 2008
_TIGHT, _WIDE = -4.0, 3.0
_PAIRS_FROM = 1001  # of more values as many, evenly spaced in rank, make the medcouple: it costs n squared

# Bearings go round and have no far end; the uncertainty of a point tells how it was taken, not where the den is.
COLUMNS = (
    "slope_deg", "canopy_pct", "concealment_pct", "entrance_height_cm", "entrance_width_cm", "depth_cm",
    "tree_diameter_cm", "entrance_above_ground_m",
)  # fmt: skip
DERIVED = ("elevation_m",)
METHOD = (
    "modified z-score above 3.5 (median and MAD; Iglewicz & Hoaglin 1993) and outside the adjusted boxplot "
    "(Hubert & Vandervieren 2008, doi:10.1016/j.csda.2007.11.008)"
)


@dataclass(frozen=True, slots=True)
class Spread:
    """How values are distributed; all in the values' own unit.

    Attributes
    ----------
    count : int
        Known values.
    median, mad : float
        Median, and median absolute deviation from it.
    lower, upper : float
        Fences of the adjusted boxplot.
    """

    count: int
    median: float
    mad: float
    lower: float
    upper: float

    def z(self, values: Floats) -> Floats:
        """Return modified z-scores. [1]"""
        return np.asarray(_TO_SD * (values - self.median) / self.mad)

    def far(self, values: Floats) -> NDArray[np.bool_]:
        """Tell which values both rules call far; missing ones are not."""
        with np.errstate(invalid="ignore"):
            beyond = (values < self.lower) | (values > self.upper)
            return np.asarray(beyond & (np.abs(self.z(values)) > FAR))


def spread_of(values: Floats) -> Spread | None:
    """Measure how values are distributed.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values in any one unit, NaN where missing.

    Returns
    -------
    Spread or None
        None where fewer than ``LEAST`` are known, or more than half are the same.

    Notes
    -----
    Sources: Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers, ASQC; Hubert & Vandervieren
    2008, Comput. Stat. Data Anal. 52:5186-5201, doi:10.1016/j.csda.2007.11.008.
    """
    known = values[np.isfinite(values)]
    if len(known) < LEAST:
        return None
    first, median, third = (float(q) for q in np.quantile(known, (0.25, 0.5, 0.75)))
    mad = float(np.median(np.abs(known - median)))
    if mad == 0:
        return None
    skew, reach = medcouple(known), _WHISKER * (third - first)
    down, up = (_TIGHT, _WIDE) if skew >= 0 else (-_WIDE, -_TIGHT)
    return Spread(len(known), median, mad, first - reach * math.exp(down * skew), third + reach * math.exp(up * skew))


def medcouple(values: Floats) -> float:
    """Return the medcouple, a robust measure of skewness from -1 to 1.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Known values; of more than 1001 those at 1001 evenly spaced ranks are taken.

    Returns
    -------
    float
        Above 0 for a long right tail. [1]

    Notes
    -----
    Source: Brys, Hubert & Struyf 2004, J. Comput. Graph. Stat. 13:996-1017, doi:10.1198/106186004X12632.
    """
    ordered = np.sort(values)
    if len(ordered) > _PAIRS_FROM:
        ordered = ordered[np.linspace(0, len(ordered) - 1, _PAIRS_FROM).round().astype(int)]
    away = ordered - np.median(ordered)
    above, below = away[away >= 0][:, None], away[away <= 0][None, :]
    with np.errstate(invalid="ignore", divide="ignore"):
        kernel = (above + below) / (above - below)
    if ties := int((away == 0).sum()):  # pairs of the median itself have a sign of their own
        steps = np.arange(ties)
        kernel[:ties, -ties:] = np.sign(steps[:, None] + steps[None, :] - (ties - 1))
    return float(np.median(kernel))


def outliers(dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> Found:
    """List values of dens that lie far from those of the study's other dens.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites, indexed by den_id.
    derived : DataFrame
        Derived values, indexed by den_id.

    Yields
    ------
    Finding
        With both fences and the number of dens; nothing is an error only because it is rare.
    """
    for name in (*COLUMNS, *DERIVED):
        values = _values(name, dens, derived)
        spread = None if values is None else spread_of(values)
        if values is not None and spread is not None:
            far = spread.far(values)
            seen = dict(zip(dens.index[far], values[far], strict=True))
            for den_id, row in rows_of_dens(dens.loc[far]):
                yield about("outlier", row, _said(name, seen[den_id], spread), name, value=f"{seen[den_id]:g}",
                            hint="read it again, or confirm it as it stands", den_id=den_id)  # fmt: skip


def unjudged(dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> list[str]:
    """Name the columns in which no value can be called far, with the reason.

    Parameters
    ----------
    dens, derived : DataFrame
        As for :func:`outliers`.

    Returns
    -------
    list of str
    """
    few, alike = list[str](), list[str]()
    for name in (*COLUMNS, *DERIVED):
        values = _values(name, dens, derived)
        known = 0 if values is None else int(np.isfinite(values).sum())
        if known < LEAST:
            few.append(f"{name} ({known})")
        elif values is not None and spread_of(values) is None:
            alike.append(name)
    said = [f"values far from the others, for want of {LEAST} dens: {', '.join(few)}"] if few else []
    return [*said, *([f"values far from the others, more than half are the same: {', '.join(alike)}"] if alike else [])]


def _values(name: str, dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> Floats | None:
    frame = derived.reindex(dens.index) if name in DERIVED else dens
    if name not in frame:
        return None
    return pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float)


def _said(name: str, value: float, spread: Spread) -> str:
    term = by_name()[name]
    side = "above" if value > spread.median else "below"
    fence = max(spread.upper, spread.median + FAR * spread.mad / _TO_SD) if side == "above" else min(
        spread.lower, spread.median - FAR * spread.mad / _TO_SD)  # fmt: skip
    return (
        f"{term.heading.lower()} {value:g} {term.unit} is far {side} the study's other {spread.count - 1} dens "
        f"(median {spread.median:.4g}, asked about {side} {fence:.4g} {term.unit})"
    )
