"""Birth dates of litters by landscape class, and mass of cubs against age with litters joined."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from densite.births import BirthTable, shown
from densite.compare.frequencies import NO_CLASS
from densite.figures import look
from densite.figures.quantities import columns
from densite.growth import Growth

BIRTHS = "Birth dates of litters by landscape class"
GROWTH = "Mass of cubs against age"

_ROW_MM, _NAMES_MM, _HIGH_MM = 13.0, 31.0, 82.0
_DOT_MM, _DOT_PT = 1.15, 2.8
_STACK = 0.55  # part of a row's height that is free for dots
_LITTER = "#b4bcc4"


def births_by_class(table: BirthTable, *, level: str = look.LEVEL, about: str = "") -> Figure:
    """Draw birth dates: every litter a dot, and the mean of each landscape class with its interval.

    Parameters
    ----------
    table : BirthTable
        The numbers.
    level : str
        Confidence level of the intervals, as it is told.
    about : str
        What the reader must know of the ages, such as that the calibration is invented.

    Returns
    -------
    Figure

    Raises
    ------
    NothingToDraw
        No litter with a birth date has a landscape class.
    """
    rows = _class_rows(table)
    words = (
        f"Each dot is one litter; dark dots: birth known from elsewhere. Upright stroke and line below: mean and its "
        f"{level} interval over females, with what the calibration leaves open. {about}"
    ).strip()
    height = _ROW_MM * len(rows)
    with look.calm():
        sheet = look.sheet(height + 16, title=BIRTHS, words=words)
        top, width = look.head_mm(words) + 5, look.WIDTH_MM - _NAMES_MM - 5
        below = [f"{one.litters} litters, {one.females} females" for one in look.each(rows)]
        look.class_names(sheet, list(rows["group"]), below, top=top, row=_ROW_MM)
        axes = sheet.panel(_NAMES_MM, top, width, height)
        _rows(axes, rows, table.litters, width)
        sheet.words(_NAMES_MM + width / 2, top + height + 5.5, "Birth date", ha="center")
    return sheet.figure


def told_births_figure(table: BirthTable, *, level: str = look.LEVEL) -> str:
    """Tell the figure's numbers in words, for those who cannot see it.

    Parameters
    ----------
    table : BirthTable
        The numbers.
    level : str
        Confidence level of the intervals, as it is told.

    Returns
    -------
    str
    """
    said = [f"{BIRTHS}, as dots with means and {level} intervals."]
    for one in look.each(_class_rows(table)):
        limits = ", no interval" if math.isnan(one.lower) else f" ({shown(one.lower)} to {shown(one.upper)})"
        said.append(f"{look.sentence_case(one.group)}: {one.litters} litters of {one.females} females, mean "
                    f"{shown(one.mean)}{limits}.")  # fmt: skip
    return " ".join(said)


def _class_rows(table: BirthTable) -> pd.DataFrame:
    """Return the rows of landscape classes."""
    rows = table.frame[(table.frame["by"] == "landscape class") & (table.frame["group"] != NO_CLASS)]
    if rows.empty:
        raise look.NothingToDraw("no litter with a birth date has a landscape class")
    return rows


def _rows(axes: Axes, rows: pd.DataFrame, litters: pd.DataFrame, width: float) -> None:
    """Draw one row a class."""
    there = litters[litters["landscape_class"].isin(rows["group"])]
    days = there["day"].to_numpy(float)
    ends = rows[["lower", "upper"]].to_numpy(float)
    low, high = np.nanmin([days.min(), np.nanmin(np.append(ends, np.inf))]), np.nanmax(np.append(ends, days.max()))
    low, high = low - 3, high + 3
    ticks = _ticks(low, high)
    look.class_axes(axes, len(rows), grid=ticks)
    axes.set_xlim(low, high)
    axes.set_xticks(ticks, [shown(tick) for tick in ticks])
    for place, one in enumerate(look.each(rows)):
        own = there[there["landscape_class"] == one.group].sort_values("day")
        _dots(axes, own, place, scale=(high - low) / width)
        if not math.isnan(one.lower):
            axes.plot([one.lower, one.upper], [place + 0.3] * 2, color=look.INK, linewidth=1.1,
                      solid_capstyle="butt", gid="interval")  # fmt: skip
        axes.plot([one.mean], [place + 0.3], marker="|", markersize=6, markeredgewidth=1.6, color=look.INK, gid="mean")


def _dots(axes: Axes, own: pd.DataFrame, place: int, *, scale: float) -> None:
    """Stack a class's litters as dots above its mean; those of known birth are dark."""
    places, rise = columns(own["day"].to_numpy(float), dot=scale * _DOT_MM)
    step = min(_DOT_MM / _ROW_MM, _STACK / max(1.0, rise.max(initial=1.0)))
    known = own["known"].to_numpy(bool)
    for chosen, colour in ((~known, look.DOT), (known, look.INK)):
        axes.plot(places[chosen], place + 0.12 - rise[chosen] * step, linestyle="none", marker="o",
                  markersize=_DOT_PT, markerfacecolor=colour, markeredgecolor="white", markeredgewidth=0.25,
                  gid="litters")  # fmt: skip


def _ticks(low: float, high: float) -> list[float]:
    """Return days 1, 11 and 21 of each month, or fewer over a long span, between two days from 1 January."""
    wanted = ("1", "11", "21") if high - low < 100 else ("1",)
    days = [float(day) for day in range(math.ceil(low), math.floor(high) + 1)]
    return [day for day in days if shown(day).split()[0] in wanted] or [float(round((low + high) / 2))]


def growth_figure(found: Growth, *, level: str = look.LEVEL, about: str = "") -> Figure:
    """Draw mass against age: every weighed cub a dot, littermates joined, the study's own curve with its band.

    Parameters
    ----------
    found : Growth
        The numbers.
    level : str
        Confidence level of the band, as it is told.
    about : str
        What the reader must know of the ages, such as that the calibration is invented.

    Returns
    -------
    Figure

    Raises
    ------
    NothingToDraw
        No cub has both a mass and an age.
    """
    if found.frame.empty:
        raise look.NothingToDraw("no cub has both a mass and an age")
    words = f"Each dot is one weighed cub; thin lines join the cubs of one litter. {_curve_words(found, level)} {about}"
    with look.calm():
        sheet = look.sheet(_HIGH_MM + 16, title=GROWTH, words=words.strip())
        top, width = look.head_mm(words.strip()) + 6, look.WIDTH_MM - 24
        axes = sheet.panel(17, top, width, _HIGH_MM)
        _masses(axes, found)
        sheet.words(look.LEFT_MM, top - 1.5, "Mass [g]", va="bottom")
        sheet.words(17 + width / 2, top + _HIGH_MM + 5.5, "Age [d]", ha="center")
    return sheet.figure


def told_growth_figure(found: Growth, *, level: str = look.LEVEL) -> str:
    """Tell the figure's numbers in words, for those who cannot see it.

    Parameters
    ----------
    found : Growth
        The numbers.
    level : str
        Confidence level of the band, as it is told.

    Returns
    -------
    str
    """
    frame = found.frame
    said = f"{GROWTH}: {len(frame)} weighed cubs of {frame['litter'].nunique()} litters."
    if found.curve.empty:
        return f"{said} {look.sentence_case(found.why)}."
    ends = [f"{look.number(one.mass_g)} g at {one.age_d:.0f} days" for one in look.each(found.curve.iloc[[0, -1]])]
    limits = (
        "" if math.isnan(found.rate_lower) else f" ({level} interval {found.rate_lower:.0f} to {found.rate_upper:.0f})"
    )
    return f"{said} The curve runs from {ends[0]} to {ends[1]}, by {found.rate_g_per_d:.0f} g a day{limits} in between."


def _curve_words(found: Growth, level: str) -> str:
    """Say what the curve is, or why there is none."""
    if found.curve.empty:
        return f"{look.sentence_case(found.why)}."
    band = "" if found.curve["lower"].isna().any() else f" with its {level} band over females"
    return f"Curve: median of the study's own cubs{band}; it is no norm."


def _masses(axes: Axes, found: Growth) -> None:
    """Draw litters, cubs and the curve."""
    look.bare(axes)
    axes.spines["left"].set_visible(True)
    for _, litter in found.frame.groupby("litter", sort=True):
        own = litter.sort_values(["age_d", "mass_g"])
        axes.plot(own["age_d"], own["mass_g"], color=_LITTER, linewidth=0.6, zorder=1, gid="litter")
    if not found.curve.empty:
        age = found.curve["age_d"]
        axes.fill_between(age, found.curve["lower"], found.curve["upper"], color=look.HAIR, linewidth=0, zorder=0.5)
        axes.plot(age, found.curve["mass_g"], color=look.INK, linewidth=1.1, path_effects=look.halo(), zorder=2)
    look.dots(axes, found.frame["age_d"], found.frame["mass_g"], size=_DOT_PT)
    axes.set_ylim(bottom=0)
    axes.locator_params(nbins=6)
