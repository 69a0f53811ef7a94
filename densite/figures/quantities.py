"""Measured quantities by landscape class and along the gradient."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from densite.compare.result import Block
from densite.errors import FigureError
from densite.figures import look
from densite.figures.gradient import Gradient

_ROW_MM, _LEAST_MM = 11.0, 40.0
_NAMES_MM, _ROWS_MM, _TREND_MM = 31.0, 62.0, 50.0
_DOT_MM = 1.25
_STACK = 0.62  # part of a row's height that is free for dots
_INTERVAL = 0.31  # how far below the middle of a row its median stands, in rows

Floats = NDArray[np.float64]


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
        Every den is a dot, within half a dot of its value; dots that would touch form a
        column. Without a trend, the classes stand alone.

    Raises
    ------
    FigureError
        Nothing to draw.
    """
    dens, classes = _frames(block)
    trend = _trend(block)
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
        sheet.words(_NAMES_MM + width / 2, top + height + 5.5, look.with_unit(heading, unit), ha="center")
        if trend is not None:
            left = look.WIDTH_MM - _TREND_MM - 3
            _along(sheet.panel(left, top, _TREND_MM, height), dens, trend, gradient)
            text = look.folded(look.with_unit(heading, unit), 42, lines=2)
            sheet.words(left - 8, top - 1, text, va="bottom", linespacing=1.1)
            text = look.folded(gradient.label, 40, lines=2)
            sheet.words(left + _TREND_MM / 2, top + height + 5.5, text, ha="center", linespacing=1.1)
    return sheet.figure


def _frames(block: Block) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the dens with a class, and the classes that have any."""
    dens = look.rows_of(block, "dens", "landscape_class", "value")
    classes = look.rows_of(block, "classes", "landscape_class", "median")
    dens = dens[dens["landscape_class"].isin(classes["landscape_class"])]
    if dens.empty:
        raise FigureError(f"no den of '{block.part}' has both a value and a landscape class")
    return dens, classes


def _trend(block: Block) -> pd.DataFrame | None:
    """Return the trend along the gradient, or None where there is none."""
    frame = block.frames.get("trend", pd.DataFrame())
    return None if frame.empty or frame[["gradient", "value"]].isna().any(axis=None) else frame


def _words(dens: int, level: str, *, with_trend: bool) -> str:
    trend = f" Right: the same dens along the gradient, with the trend and its {level} band." if with_trend else ""
    return (
        f"Each dot is one of {dens} dens. Upright stroke and line below the dots: median and its {level} interval, "
        f"with dens of one female kept together.{trend}"
    )


def _rows(axes: Axes, dens: pd.DataFrame, classes: pd.DataFrame, width: float, row: float) -> None:
    """Stack the dens of each class as dots over their median with its interval."""
    look.class_axes(axes, len(classes), grid=())
    low, high = _span(dens["value"].to_numpy(float))
    axes.set_xlim(low, high)
    axes.locator_params(axis="x", nbins=6)
    axes.hlines(np.arange(len(classes)) + 0.5, low, high, color=look.HAIR, linewidth=0.5, zorder=0.5)
    for place, one in enumerate(look.each(classes)):
        values = np.sort(dens.loc[dens["landscape_class"] == one.landscape_class, "value"].to_numpy(float))
        places, rise = columns(values, dot=(high - low) * _DOT_MM / width)
        step = min(_DOT_MM / row, _STACK / max(1, rise.max()))
        axes.plot(places, place + 0.18 - rise * step, linestyle="none", marker="o", markersize=2.7,
                  markerfacecolor=look.DOT, markeredgecolor="white", markeredgewidth=0.25, gid="dens")  # fmt: skip
        _median(axes, one.median, one.median_lower, one.median_upper, place + _INTERVAL)


def _median(axes: Axes, median: float, lower: float, upper: float, place: float) -> None:
    """Draw a median, and its interval where it has one."""
    if np.isfinite(lower) and np.isfinite(upper):
        axes.plot([lower, upper], [place, place], color=look.INK, linewidth=1.1, solid_capstyle="butt", gid="interval")
    axes.plot([median], [place], marker="|", markersize=6, markeredgewidth=1.6, color=look.INK, gid="median")


def _span(values: Floats) -> tuple[float, float]:
    """Return the ends of an axis with a little room on both sides."""
    low, high = float(values.min()), float(values.max())
    room = 0.03 * (high - low) or max(0.05 * abs(low), 0.5)
    return low - room, high + room


def columns(values: Floats, *, dot: float) -> tuple[Floats, Floats]:
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
    """Draw the dens along the gradient with the trend and its band."""
    look.bare(axes)
    x, line = trend["gradient"].to_numpy(float), trend["value"].to_numpy(float)
    axes.set_xlim(*_span(x))
    values = dens["value"].to_numpy(float)
    least = 0.0 if values.min() >= 0 else -np.inf  # a line may fall below what there can be: it ends there
    line = np.where(line >= least, line, np.nan)
    axes.set_ylim(*_span(np.concatenate([values, line[np.isfinite(line)]])))
    look.dots(axes, dens["gradient"], dens["value"], size=2.3)
    lower, upper = trend["lower"].to_numpy(float), trend["upper"].to_numpy(float)
    axes.fill_between(x, np.maximum(lower, least), np.maximum(upper, least), color=look.BAND, alpha=0.75, linewidth=0)
    axes.plot(x, line, color=look.INK, linewidth=1.3, gid="trend")
    gradient.axis(axes)
    axes.locator_params(axis="y", nbins=5)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", color=look.HAIR, linewidth=0.5)


def told_quantity(block: Block, *, heading: str, unit: str, gradient: Gradient, level: str = look.LEVEL) -> str:
    """Return the alternative text of :func:`quantity_by_class`, from the same numbers."""
    dens, classes = _frames(block)
    said = [f"{heading} at {len(dens)} dens by landscape class; medians with {level} intervals over females."]
    for one in look.each(classes):
        limits = f" ({look.measured(one.median_lower, unit)} to {look.measured(one.median_upper, unit)})"
        known = np.isfinite(one.median_lower) and np.isfinite(one.median_upper)
        said.append(f"{look.sentence_case(one.landscape_class)} ({look.sizes(int(one.dens), int(one.females))}): "
                    f"{look.measured(one.median, unit)}{limits if known else ', no interval'}.")  # fmt: skip
    if (trend := _trend(block)) is not None:
        ends = [
            f"{look.measured(end.value, unit)} at {gradient.told(end.gradient)}"
            for end in look.each(trend.iloc[[0, -1]])
        ]
        said.append(f"Along the gradient the trend runs from {ends[0]} to {ends[1]}.")
    return " ".join(said)
