"""Den types along the gradient, and their shares by landscape class."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from densite.compare.result import Block
from densite.figures import look
from densite.figures.gradient import Gradient

CURVE = ("gradient", "type", "share", "lower", "upper")

_PANEL_MM = 36.0
_ROW_MM = 9.0
_NAMES_MM, _GAP_MM = 31.0, 5.0


def types_along_gradient(
    block: Block, *, gradient: Gradient, urban_is_high: bool = True, level: str = look.LEVEL
) -> Figure:
    """Draw the predicted share of each den type along the gradient, a panel for each type.

    Parameters
    ----------
    block : Block
        Frames ``curve`` (gradient, type, share, lower, upper; shares of 1) and ``dens`` (gradient,
        type, one row a den).
    gradient : Gradient
        What the gradient measures, with its unit.
    urban_is_high : bool
        Whether the gradient rises toward people.
    level : str
        Confidence level of the intervals, as it is told.

    Returns
    -------
    Figure
        The line is the predicted share, the band its interval. Each den is a tick: above the panel of
        its own type, below the others.

    Raises
    ------
    NothingToDraw
        No row has all that is drawn.
    """
    curve, dens = look.rows_of(block, "curve", *CURVE), look.rows_of(block, "dens", "gradient", "type")
    types = list(dict.fromkeys(curve["type"]))
    across = len(types) if len(types) <= 4 else -(-len(types) // 2)
    down = -(-len(types) // across)
    words = (
        f"Line: predicted share of all dens; band: its {level} interval, with dens of one female kept together. Ticks: "
        f"{len(dens)} dens, those of the type above, all others below."
    )
    with look.calm():
        sheet = look.sheet(down * (_PANEL_MM + 12) + 5, title="Den types along the gradient", words=words)
        top, width = look.head_mm(words), (look.WIDTH_MM - 10 - 3 * across) / across
        for place, (kind, mark) in enumerate(look.marks(types).items()):
            left, above = 10 + (place % across) * (width + 3), top + (place // across) * (_PANEL_MM + 12)
            axes = sheet.panel(left, above + 6, width, _PANEL_MM)
            _curve(axes, curve[curve["type"] == kind], mark)
            _ticks(axes, dens["gradient"], dens["type"] == kind)
            _gradient_axes(axes, curve["gradient"], gradient, labelled=place % across == 0)
            sheet.symbol(left + 1.5, above + 3, mark)
            text = look.folded(kind, int((width - 4) / 1.5), lines=2)
            sheet.words(left + 4.5, above + 3, text, va="center", linespacing=1.1)
        _gradient_words(sheet, gradient.label, urban_is_high)
    return sheet.figure


def _curve(axes: Axes, curve: pd.DataFrame, mark: look.Mark) -> None:
    """Draw the band and the line of one type."""
    x = curve["gradient"].to_numpy(float)
    axes.fill_between(x, curve["lower"].to_numpy(float), curve["upper"].to_numpy(float),
                      color=look.band_colour(mark.colour), linewidth=0)  # fmt: skip
    axes.plot(x, curve["share"].to_numpy(float), color=look.line_colour(mark.colour), linewidth=1.4,
              linestyle=mark.dash, gid="share")  # fmt: skip


def _ticks(axes: Axes, gradient: pd.Series, own: pd.Series) -> None:
    """Mark dens of the type above the panel, the others below."""
    for chosen, low, high in ((own, 1.04, 1.10), (~own, -0.10, -0.04)):
        axes.vlines(np.sort(gradient[chosen].to_numpy(float)), low, high, color=look.INK, linewidth=0.45, alpha=0.55)


def _gradient_axes(axes: Axes, places: pd.Series, gradient: Gradient, *, labelled: bool) -> None:
    look.bare(axes)
    low, high = float(places.min()), float(places.max())
    room = 0.03 * (high - low or 1.0)
    axes.set_xlim(low - room, high + room)
    axes.set_ylim(-0.13, 1.12)
    gradient.axis(axes)
    look.percent_axis(axes.yaxis, step=25)
    axes.hlines((0, 0.25, 0.5, 0.75, 1), low - room, high + room, color=look.HAIR, linewidth=0.5, zorder=0.5)
    axes.tick_params(axis="y", length=0, labelleft=labelled)


def _gradient_words(sheet: look.Sheet, gradient: str, urban_is_high: bool) -> None:
    """Name the gradient below all panels, and say which end is urban."""
    middle = (10 + look.WIDTH_MM) / 2
    ends = ("more rural", "more urban") if urban_is_high else ("more urban", "more rural")
    below = sheet.height - 5.0
    sheet.words(10, below, f"← {ends[0]}", color=look.QUIET)
    sheet.words(look.WIDTH_MM - 3, below, f"{ends[1]} →", ha="right", color=look.QUIET)
    sheet.words(middle, below, gradient, ha="center")


def told_along_gradient(block: Block, *, gradient: Gradient, level: str = look.LEVEL) -> str:
    """Return the alternative text of :func:`types_along_gradient`, from the same numbers."""
    curve, dens = look.rows_of(block, "curve", *CURVE), look.rows_of(block, "dens", "gradient", "type")
    said = [f"Predicted share of each den type along {gradient.label}, with {level} intervals; {len(dens)} dens."]
    for kind, rows in curve.groupby("type", sort=False):
        places = rows.iloc[sorted({0, len(rows) // 2, len(rows) - 1})]
        said.append(f"{look.sentence_case(str(kind))}: {'; '.join(_told_places(places, gradient))}.")
    return " ".join(said)


def _told_places(rows: pd.DataFrame, gradient: Gradient) -> Iterator[str]:
    for row in look.each(rows):
        limits = f"{look.percent(row.lower)} to {look.percent(row.upper)}"
        yield f"{look.percent(row.share)} ({limits}) at {gradient.told(row.gradient)}"


def shares_by_class(block: Block, *, level: str = look.LEVEL) -> Figure:
    """Draw the shares of den types by landscape class: stacked bars, and each type with its intervals.

    Parameters
    ----------
    block : Block
        Frame ``shares`` (class, type, n, dens, females, share, lower, upper; shares of 1), classes and
        types in the order in which they are drawn.
    level : str
        Confidence level of the intervals, as it is told.

    Returns
    -------
    Figure
        A row for each class. A stack cannot carry intervals, so each type has a panel of its own
        beside it.

    Raises
    ------
    NothingToDraw
        No row has all that is drawn.
    """
    shares = look.rows_of(block, "shares", "class", "type", "dens", "share")
    classes, marks = list(dict.fromkeys(shares["class"])), look.marks(list(dict.fromkeys(shares["type"])))
    words = (
        "Bars: shares of all dens of a class, with the number of dens where there is room. Dots and lines: share of "
        f"each type and its {level} interval, with dens of one female kept together."
    )
    height, most = _ROW_MM * len(classes), _most(shares)
    columns = list(_columns(len(marks)))
    names = [look.folded(kind, int((columns[0][1] + _GAP_MM) / 1.45)) for kind in marks]
    head = 8 + 2.6 * max(name.count("\n") + 1 for name in names)
    with look.calm():
        sheet = look.sheet(height + head + 9, title="Den types by landscape class", words=words)
        top = look.head_mm(words) + head
        look.class_names(sheet, classes, [_sizes(shares, name) for name in classes], top=top, row=_ROW_MM)
        sheet.words(_NAMES_MM, top - head + 4.2, "all types", fontsize=look.SMALL_PT)
        _bars(sheet.panel(_NAMES_MM, top, _bars_mm(len(marks)), height), shares, classes, marks)
        for (kind, mark), name, (left, width) in zip(marks.items(), names, columns, strict=True):
            axes = sheet.panel(left, top, width, height)
            _intervals(axes, shares[shares["type"] == kind], classes, mark, most=most)
            sheet.symbol(left + 1.2, top - head + 2, mark)
            sheet.words(left, top - head + 4.2, name, fontsize=look.SMALL_PT, linespacing=1.1)
        sheet.words(_NAMES_MM, sheet.height - 4.5, "share of the dens of the class [%]")
    return sheet.figure


def _most(shares: pd.DataFrame) -> float:
    """Return where the axes of shares end: the next quarter above all limits. [1]"""
    return min(1.0, max(0.25, math.ceil(4 * float(np.nanmax(shares[["share", "upper"]].to_numpy(float)))) / 4))


def _bars_mm(types: int) -> float:
    """Return the width of the stacked bars: many types leave them less. [mm]"""
    return 36.0 if types <= 5 else 27.0


def _columns(types: int) -> Iterator[tuple[float, float]]:
    """Yield left edge and width of the panel of each type. [mm]"""
    left = _NAMES_MM + _bars_mm(types) + 7
    width = (look.WIDTH_MM - 4 - left - _GAP_MM * (types - 1)) / types
    for place in range(types):
        yield left + place * (width + _GAP_MM), width


def _sizes(shares: pd.DataFrame, name: str) -> str:
    row = shares[shares["class"] == name].iloc[0]
    return look.sizes(int(row["dens"]), int(row["females"]))


def _bars(axes: Axes, shares: pd.DataFrame, classes: list[str], marks: dict[str, look.Mark]) -> None:
    """Draw one stacked bar for each class."""
    look.class_axes(axes, len(classes), grid=())
    axes.set_xlim(0, 1)
    look.percent_axis(axes.xaxis, sign="")
    table = shares.pivot_table(index="class", columns="type", values="share", sort=False).reindex(classes)
    counts = shares.pivot_table(index="class", columns="type", values="n", sort=False).reindex(classes)
    start = np.zeros(len(classes))
    for kind, mark in marks.items():
        part = table[kind].fillna(0).to_numpy(float)
        drawn = axes.barh(range(len(classes)), part, left=start, height=0.62, color=mark.colour,
                          edgecolor=look.INK, linewidth=0.5, label=kind, clip_on=False)  # fmt: skip
        texts = [f"{n:.0f}" if share >= 0.09 else "" for n, share in zip(counts[kind], part, strict=True)]
        axes.bar_label(drawn, texts, label_type="center", fontsize=look.SMALL_PT,
                       color="white" if look.is_dark(mark.colour) else look.INK)  # fmt: skip
        start = start + part


def _intervals(axes: Axes, shares: pd.DataFrame, classes: list[str], mark: look.Mark, *, most: float) -> None:
    """Draw the share of one type in each class with its interval."""
    look.class_axes(axes, len(classes), grid=(0, most / 2, most))
    axes.set_xlim(-0.03 * most, 1.03 * most)
    axes.set_xticks([0, most], ["0", f"{100 * most:.0f}"])
    rows = [classes.index(name) for name in shares["class"]]
    axes.hlines(rows, shares["lower"], shares["upper"], color=look.INK, linewidth=1.1)
    dot = {**look.symbol_style(mark, 3.8), "marker": "o"}  # the symbol itself would hide a short interval
    axes.plot(shares["share"], rows, **dot, zorder=3, clip_on=False, gid="share")


def told_by_class(block: Block, *, level: str = look.LEVEL) -> str:
    """Return the alternative text of :func:`shares_by_class`, from the same numbers."""
    shares = look.rows_of(block, "shares", "class", "type", "dens", "share")
    said = [f"Shares of den types by landscape class, with {level} intervals over females."]
    for name, rows in shares.groupby("class", sort=False):
        parts = "; ".join(f"{row.type} {look.percent(row.share)}{_limits(row.lower, row.upper)}"
                          for row in look.each(rows))  # fmt: skip
        said.append(f"{look.sentence_case(str(name))} ({_sizes(shares, str(name))}): {parts}.")
    return " ".join(said)


def _limits(lower: float, upper: float) -> str:
    known = np.isfinite(lower) and np.isfinite(upper)
    return f" ({look.percent(lower)} to {look.percent(upper)})" if known else ""
