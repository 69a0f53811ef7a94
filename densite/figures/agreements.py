"""What was seen in the field against what the map gives."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from densite.compare.result import Block
from densite.figures import look

_PAIRS = ("observed", "derived", "mean", "difference")
_SIDE_MM, _RIGHT_MM = 54.0, 62.0
_HALF_TURN = 180.0
_NEAR = 45.0  # the share of dens within 45 degrees is told beside the figure [deg]

Line = tuple[float, str, str]  # where, words, linestyle


def agreement(block: Block, *, what: str, unit: str) -> Figure:
    """Draw a number from the map against the one from the field, and their differences with limits.

    Parameters
    ----------
    block : Block
        Frame ``pairs`` (observed, derived, mean, difference); results ``bias``, ``lower-limit`` and
        ``upper-limit`` where they could be said.
    what, unit : str
        The quantity and its unit.

    Returns
    -------
    Figure
        Left: the two numbers and the line on which they are equal. Right: field minus map by the mean
        of both.

    Raises
    ------
    NothingToDraw
        No row has all that is drawn.

    Notes
    -----
    Source of the right panel: Bland & Altman 1999, Stat. Methods Med. Res. 8: 135-160,
    doi:10.1177/096228029900800204.
    """
    pairs = look.rows_of(block, "pairs", *_PAIRS)
    words = (
        f"{_count(pairs)}. Left: the line is where both are equal. Right: difference by the mean of both, with the "
        "mean difference (solid) and the limits within which 95 % of differences are expected (dashed)."
    )
    with look.calm():
        sheet, left, right = _two_panels(f"{look.sentence_case(what)}: map against field", words, what, unit)
        low, high = _reach(pairs[["observed", "derived"]].to_numpy(float))
        _equal(left, pairs, low, high)
        lines = list(_limits(block, unit))
        right.set_xlim(low, high)
        far = np.abs([*pairs["difference"], *(place for place, _, _ in lines)]).max() * 1.12 or 1.0
        right.set_ylim(-far, far)
        look.dots(right, pairs["mean"], pairs["difference"], size=3)
        _level(right, lines)
    return sheet.figure


def bearing_agreement(block: Block, *, what: str = "aspect") -> Figure:
    """Draw a bearing from the map against the one from the field, and their differences round the compass.

    Parameters
    ----------
    block : Block
        Frame ``pairs`` (observed, derived, mean, difference) [deg], differences from -180 to 180;
        results ``turn`` and ``within`` where they could be said.
    what : str
        The bearing.

    Returns
    -------
    Figure
        Left: the two bearings and the line on which they are equal. Right: field minus map, the
        shorter way round, by the bearing halfway.

    Raises
    ------
    NothingToDraw
        No row has all that is drawn.
    """
    pairs = look.rows_of(block, "pairs", *_PAIRS)
    words = (
        f"{_count(pairs)}. Left: the line is where both are equal; north is at both ends. Right: difference the "
        "shorter way round, by the bearing halfway, with the mean turn (solid) and 45° to either side (dashed)."
    )
    with look.calm():
        sheet, left, right = _two_panels(f"{look.sentence_case(what)}: map against field", words, what, "")
        _equal(left, pairs, 0, 360)
        for axis in (left.xaxis, left.yaxis, right.xaxis):
            axis.set_ticks([0, 90, 180, 270, 360], list("NESWN"))
        right.set_xlim(-8, 368)
        right.set_ylim(-_HALF_TURN - 6, _HALF_TURN + 6)
        right.set_yticks([-180, -90, 0, 90, 180])
        look.dots(right, pairs["mean"], pairs["difference"], size=3)
        _level(right, list(_turn(block)))
    return sheet.figure


def _two_panels(title: str, words: str, what: str, unit: str) -> tuple[look.Sheet, Axes, Axes]:
    """Return the sheet with a square panel at the left and a wide one at the right, their axes named."""
    sheet = look.sheet(_SIDE_MM + 17, title=title, words=words)
    top, start = look.head_mm(words) + 6, 12 + _SIDE_MM + 13
    left, right = sheet.panel(11, top, _SIDE_MM, _SIDE_MM), sheet.panel(start, top, _RIGHT_MM, _SIDE_MM)
    for axes in (left, right):
        look.bare(axes)
        axes.grid(color=look.HAIR, linewidth=0.5)
        axes.tick_params(axis="y", length=0)
        axes.locator_params(nbins=5)
    sheet.words(3, top - 5, look.with_unit(f"{what} from the map", unit))
    sheet.words(start - 8, top - 5, look.with_unit("field minus map", unit or "deg"))
    sheet.words(11 + _SIDE_MM / 2, top + _SIDE_MM + 5.5, look.with_unit(f"{what} in the field", unit), ha="center")
    sheet.words(start + _RIGHT_MM / 2, top + _SIDE_MM + 5.5, look.with_unit(f"mean {what} of both", unit), ha="center")
    return sheet, left, right


def _equal(axes: Axes, pairs: pd.DataFrame, low: float, high: float) -> None:
    """Draw both numbers over the line of equality."""
    axes.plot([low, high], [low, high], color=look.INK, linewidth=0.8, gid="equal")
    room = 0.02 * (high - low)
    axes.set_xlim(low - room, high + room)
    axes.set_ylim(low - room, high + room)
    look.dots(axes, pairs["observed"], pairs["derived"], size=3)


def _reach(values: np.ndarray) -> tuple[float, float]:
    """Return the common ends of both axes; zero is shown where values come near it."""
    low, high = float(values.min()), float(values.max())
    span = high - low or abs(high) or 1.0
    return (0.0 if 0 <= low < span else low - 0.04 * span), high + 0.04 * span


def _limits(block: Block, unit: str) -> Iterator[Line]:
    """Yield mean difference and limits of agreement, where they could be said."""
    for key, words, style in (("bias", "mean", "solid"), ("upper-limit", "upper limit", "dashed"),
                              ("lower-limit", "lower limit", "dashed")):  # fmt: skip
        found = look.result(block, key)
        if found is not None and found.estimate is not None:
            yield found.estimate, f"{words}\n{look.measured(found.estimate, unit)}", style


def _turn(block: Block) -> Iterator[Line]:
    """Yield the mean turn and the lines at 45 degrees, with the share of dens between them."""
    turn, within = look.result(block, "turn"), look.result(block, "within")
    if turn is not None and turn.estimate is not None:
        yield turn.estimate, f"mean turn\n{look.measured(turn.estimate, 'deg')}", "solid"
    share = "" if within is None or within.estimate is None else f"\n{look.percent(within.estimate)} between"
    yield _NEAR, f"+45°{share}", "dashed"
    yield -_NEAR, "\N{MINUS SIGN}45°", "dashed"


def _level(axes: Axes, lines: list[Line]) -> None:
    """Draw level lines with their words at the right of the panel, moved apart where they would touch."""
    axes.axhline(0, color=look.QUIET, linewidth=0.5)
    low, high = axes.get_ylim()
    least = (high - low) * 6.2 / _SIDE_MM
    places = apart([place for place, _, _ in lines], least)
    for (where, words, style), text in zip(lines, places, strict=True):
        axes.axhline(where, color=look.INK, linewidth=1.0, linestyle=style, gid="level")
        axes.text(1.02, text, words, transform=axes.get_yaxis_transform(), va="center", fontsize=look.SMALL_PT,
                  linespacing=1.15)  # fmt: skip


def apart(places: list[float], least: float) -> list[float]:
    """Return places moved upward and downward from the middle one until neighbours are ``least`` apart.

    Parameters
    ----------
    places : list of float
        In any order. [any unit]
    least : float
        Smallest distance between two. [the same unit]

    Returns
    -------
    list of float
        In the order of ``places``.
    """
    order = sorted(range(len(places)), key=places.__getitem__)
    moved, middle = list(places), len(order) // 2
    for before, after in zip(order[middle:], order[middle + 1 :], strict=False):
        moved[after] = max(moved[after], moved[before] + least)
    for after, before in zip(order[middle::-1], order[:middle][::-1], strict=False):
        moved[before] = min(moved[before], moved[after] - least)
    return moved


def _count(pairs: pd.DataFrame) -> str:
    return f"{len(pairs)} den{'' if len(pairs) == 1 else 's'} with both"


def told_agreement(block: Block, *, what: str) -> str:
    """Return the alternative text of both figures, from the same numbers."""
    pairs = look.rows_of(block, "pairs", *_PAIRS)
    said = [f"{look.sentence_case(what)} from the map against the field, {_count(pairs)}."]
    for key in ("bias", "lower-limit", "upper-limit", "turn", "distance", "within"):
        found = look.result(block, key)
        if found is not None and found.estimate is not None:
            said.append(f"{look.sentence_case(found.what)}: {look.estimated(found, share=key == 'within')}.")
    return " ".join(said)
