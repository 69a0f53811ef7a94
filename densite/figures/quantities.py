"""Measured quantities by landscape class and along the gradient."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from densite.compare.result import Block
from densite.figures import look
from densite.figures.gradient import Gradient

_ROW_MM, _LEAST_MM = 11.0, 40.0
_NAMES_MM, _ROWS_MM, _TREND_MM = 31.0, 62.0, 50.0
_DOTS_MM = (1.25, 1.1, 0.95, 0.8, 0.65)  # room of a dot: the largest whose columns fit is taken
_DOT_PT = 2.4  # size of a dot in points for a mm of its room
_STACK = 0.62  # part of a row's height that is free for dots
_INTERVAL = 0.31  # how far below the middle of a row its median stands, in rows
_GROUP, _MOST, _FEW = 20, 8, 5  # dens in a group along the gradient, most groups, fewest dens that are told

Floats = NDArray[np.float64]
Columns = tuple[Floats, Floats]  # where dots stand, and how many are below each


def quantity_by_class(block: Block, *, heading: str, unit: str, gradient: Gradient, level: str = look.LEVEL) -> Figure:
    """Draw one measured quantity: its distribution in each class, and its trend along the gradient.

    Parameters
    ----------
    block : Block
        Frames ``dens`` (landscape_class, gradient, value, one row a den), ``classes`` (landscape_class,
        dens, females, median, median_lower, median_upper) and ``trend`` (gradient, value, lower, upper).
    heading, unit : str
        The quantity and its unit.
    gradient : Gradient
        What the gradient measures, with its unit.
    level : str
        Confidence level of the intervals, as it is told.

    Returns
    -------
    Figure
        Left: every den is a dot, within half a dot of its value; dots that would touch form a column.
        Right: the trend, and dens in groups along the gradient. No single dens there: places on the
        gradient would link the values of a den from figure to figure, and all of them together give
        its place away. Without a trend, the classes stand alone.

    Raises
    ------
    NothingToDraw
        No row has all that is drawn.
    """
    dens, classes = _frames(block)
    trend = _trend(block, dens)
    words = _words(len(dens), level, with_trend=trend is not None)
    height = max(_LEAST_MM, _ROW_MM * len(classes))
    with look.calm():
        sheet = look.sheet(height + 16, title=f"{heading} by landscape class", words=words)
        top, row = look.head_mm(words) + 5, height / len(classes)
        below = [look.sizes(int(one.dens), int(one.females)) for one in look.each(classes)]
        look.class_names(sheet, list(classes["landscape_class"]), below, top=top, row=row)
        width = _ROWS_MM if trend is not None else look.WIDTH_MM - _NAMES_MM - 5
        axes = sheet.panel(_NAMES_MM, top, width, height)
        _rows(axes, dens, classes, width, row)
        named = look.with_unit(heading, unit)
        text = look.folded(named, int(width / 1.35), lines=2)
        sheet.words(_NAMES_MM + width / 2, top + height + 5.5, text, ha="center", linespacing=1.1)
        if trend is not None:
            left = look.WIDTH_MM - _TREND_MM - 3
            _along(sheet.panel(left, top, _TREND_MM, height), dens, trend, gradient)
            text = look.folded(named, 42, lines=2)
            sheet.words(left - 8, top - 1, text, va="bottom", linespacing=1.1)
            text = look.folded(gradient.label, 40, lines=2)
            sheet.words(left + _TREND_MM / 2, top + height + 5.5, text, ha="center", linespacing=1.1)
    return sheet.figure


def _frames(block: Block) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the dens with a class, and the classes that have any."""
    dens = look.rows_of(block, "dens", "landscape_class", "value")
    classes = look.rows_of(block, "classes", "landscape_class", "median")
    dens = dens[dens["landscape_class"].isin(classes["landscape_class"])]
    look.filled(block, dens, "no den has both a value and a landscape class")
    return dens, classes[classes["landscape_class"].isin(dens["landscape_class"])]


def _trend(block: Block, dens: pd.DataFrame) -> pd.DataFrame | None:
    """Return the trend along the gradient as far as such values can be, or None where there is none."""
    frame = block.frames.get("trend", pd.DataFrame())
    if frame.empty or frame[["gradient", "value"]].isna().any(axis=None):
        return None
    least = 0.0 if dens["value"].min() >= 0 else -np.inf  # a line may fall below what there can be: it ends there
    limits = frame[["lower", "upper"]].clip(lower=least)
    return frame.assign(
        value=frame["value"].where(frame["value"] >= least), lower=limits["lower"], upper=limits["upper"]
    )


def _words(dens: int, level: str, *, with_trend: bool) -> str:
    trend = (
        f" Right: trend along the gradient with its {level} band; dots and strokes are mean and middle half of "
        "neighbouring dens, in groups."
    )
    return (
        f"Each small dot is one of {dens} dens. Upright stroke and line below: median and its {level} interval, with "
        f"dens of one female kept together.{trend if with_trend else ''}"
    )


def _rows(axes: Axes, dens: pd.DataFrame, classes: pd.DataFrame, width: float, row: float) -> None:
    """Stack the dens of each class as dots over their median with its interval."""
    look.class_axes(axes, len(classes), grid=())
    low, high = _span(dens["value"].to_numpy(float))
    axes.set_xlim(low, high)
    axes.locator_params(axis="x", nbins=6)
    axes.hlines(np.arange(len(classes)) + 0.5, low, high, color=look.HAIR, linewidth=0.5, zorder=0.5)
    of_class = dens.groupby("landscape_class")["value"]
    values = [np.sort(of_class.get_group(name).to_numpy(float)) for name in classes["landscape_class"]]
    dot, stacks = _fitting(values, room=_STACK * row, scale=(high - low) / width)
    for place, (one, (places, rise)) in enumerate(zip(look.each(classes), stacks, strict=True)):
        step = min(dot / row, _STACK / max(1, rise.max()))
        axes.plot(places, place + 0.18 - rise * step, linestyle="none", marker="o", markersize=_DOT_PT * dot,
                  markerfacecolor=look.DOT, markeredgecolor="white", markeredgewidth=0.2 * dot, gid="dens")  # fmt: skip
        _median(axes, one.median, one.median_lower, one.median_upper, place + _INTERVAL)


def _fitting(values: list[Floats], *, room: float, scale: float) -> tuple[float, list[Columns]]:
    """Return the largest dot whose columns all fit into the room, else the least, and the columns. [mm]"""
    for dot in _DOTS_MM:
        stacks = [columns(ones, dot=scale * dot) for ones in values]
        if max(rise.max() for _, rise in stacks) * dot <= room:
            break
    return dot, stacks


def _median(axes: Axes, median: float, lower: float, upper: float, place: float) -> None:
    """Draw a median, and its interval where it has one."""
    if np.isfinite(lower) and np.isfinite(upper):
        axes.plot([lower, upper], [place, place], color=look.INK, linewidth=1.1, solid_capstyle="butt", gid="interval")
    axes.plot([median], [place], marker="|", markersize=6, markeredgewidth=1.6, color=look.INK, gid="median")


def _span(values: Floats) -> tuple[float, float]:
    """Return the ends of an axis with a little room on both sides."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.03 * (high - low) or max(0.05 * abs(low), 0.5)
    return low - room, high + room


def columns(values: Floats, *, dot: float) -> Columns:
    """Return where dots stand when those that would touch form a column.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values, rising. [any unit]
    dot : float
        Width of a dot in the same unit.

    Returns
    -------
    tuple of ndarray, shape (n,)
        Place of each dot, at most half a dot from its value, and the number of dots below it.

    Notes
    -----
    Source: Wilkinson 1999, Dot plots, The American Statistician 53: 276-281 (from memory).
    """
    places, rise = np.empty(len(values)), np.empty(len(values))
    start = 0
    while start < len(values):
        end = int(np.searchsorted(values, values[start] + dot, side="left"))
        end = max(end, start + 1)
        places[start:end] = (values[start] + values[end - 1]) / 2
        rise[start:end] = np.arange(end - start)
        start = end
    return places, rise


def _along(axes: Axes, dens: pd.DataFrame, trend: pd.DataFrame, gradient: Gradient) -> None:
    """Draw the trend with its band, and the dens in groups along the gradient."""
    look.bare(axes)
    x, line, lower, upper = (trend[name].to_numpy(float) for name in ("gradient", "value", "lower", "upper"))
    place, mean, low, high = grouped(dens["gradient"].to_numpy(float), dens["value"].to_numpy(float)).T
    axes.set_xlim(*_span(x))
    axes.set_ylim(*_span(np.concatenate([line, lower, upper, mean, low, high])))
    axes.fill_between(x, lower, upper, color=look.BAND, alpha=0.75, linewidth=0)
    axes.plot(x, line, color=look.INK, linewidth=1.3, gid="trend")
    axes.vlines(place, low, high, color=look.DOT, linewidth=1.1, zorder=2.1)
    axes.plot(place, mean, linestyle="none", marker="o", markersize=4.6, markerfacecolor=look.DOT,
              markeredgecolor="white", markeredgewidth=0.7, gid="groups")  # fmt: skip
    gradient.axis(axes)
    axes.locator_params(axis="y", nbins=5)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", color=look.HAIR, linewidth=0.5)


def grouped(gradient: Floats, value: Floats) -> Floats:
    """Return dens in groups of about equal size along the gradient.

    Parameters
    ----------
    gradient, value : ndarray, shape (n,)
        Place of each den on the gradient, NaN where not known, and its value. [any units]

    Returns
    -------
    ndarray, shape (m, 4)
        Mean place, mean value, lower and upper quartile of the values. Dens at the same place stay
        together; groups of fewer than 5 dens are left out.
    """
    known = np.isfinite(gradient)
    place, measured = gradient[known], value[known]
    number = int(np.clip(len(place) // _GROUP, 1, _MOST))
    edges = np.unique(np.quantile(place, np.arange(1, number) / number)) if number > 1 else np.empty(0)
    group = np.searchsorted(edges, place)
    chosen = [group == one for one in range(len(edges) + 1) if (group == one).sum() >= _FEW]
    rows = [(place[one].mean(), measured[one].mean(), *np.quantile(measured[one], (0.25, 0.75))) for one in chosen]
    return np.array(rows).reshape(-1, 4)


def told_quantity(block: Block, *, heading: str, unit: str, gradient: Gradient, level: str = look.LEVEL) -> str:
    """Return the alternative text of :func:`quantity_by_class`, from the same numbers."""
    dens, classes = _frames(block)
    said = [f"{heading} at {len(dens)} dens by landscape class; medians with {level} intervals over females."]
    for one in look.each(classes):
        limits = f" ({look.measured(one.median_lower, unit)} to {look.measured(one.median_upper, unit)})"
        known = np.isfinite(one.median_lower) and np.isfinite(one.median_upper)
        said.append(f"{look.sentence_case(one.landscape_class)} ({look.sizes(int(one.dens), int(one.females))}): "
                    f"{look.measured(one.median, unit)}{limits if known else ', no interval'}.")  # fmt: skip
    trend = _trend(block, dens)
    return " ".join(said if trend is None else [*said, _told_trend(trend, unit, gradient)])


def _told_trend(trend: pd.DataFrame, unit: str, gradient: Gradient) -> str:
    drawn = trend.dropna(subset=["value"])
    if drawn.empty:
        return "Along the gradient the trend lies below zero."
    ends = [
        f"{look.measured(one.value, unit)} at {gradient.told(one.gradient)}" for one in look.each(drawn.iloc[[0, -1]])
    ]
    beyond = "; beyond, it falls below zero" if len(drawn) < len(trend) else ""
    return f"Along the gradient the trend runs from {ends[0]} to {ends[1]}{beyond}."
