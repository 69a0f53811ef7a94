"""The look of all figures: a sheet measured in millimetres, quiet axes, and the map's symbols."""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.path import Path as Outline
from matplotlib.patheffects import withStroke
from numpy.typing import ArrayLike

from densite.compare.result import Block, Result
from densite.figures.shapes import outline
from densite.webmap.palette import DEN_SYMBOLS, OUTLINE, rgb

LEVEL = "95 %"
WIDTH_MM = 160.0
LEFT_MM = 1.5  # free edge at the left and the right of a sheet
MM_PER_INCH = 25.4
LINE_MM = 3.1  # from line to line of small text

INK = OUTLINE
QUIET = "#5b626a"
HAIR = "#e2e2dc"
BAND = "#c9ced3"
DOT = "#7d8a97"

TITLE_PT, WORDS_PT, SMALL_PT = 9.5, 7.0, 6.3

# Everything that a person's own matplotlib settings could change is set back first ("default"). Dollar
# signs in a class's name are dollar signs. Text becomes outlines, so that a figure needs no font.
_SETTINGS: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": WORDS_PT,
    "text.color": INK,
    "text.parse_math": False,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.labelsize": WORDS_PT,
    "axes.linewidth": 0.5,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",
    "svg.image_inline": True,
    "path.simplify": False,
}

_SIGNS = {"deg": "°", "1": ""}

_DASHES: tuple[Any, ...] = (
    "solid", (0, (4.5, 1.6)), (0, (6, 1.4, 1.2, 1.4)), (0, (1.3, 1.3)), (0, (9, 2)),
)  # fmt: skip
_OTHER_DASHES = (
    (0, (3, 1, 1, 1, 1, 1)), (0, (2.5, 2.5)), (0, (9, 1.5, 3, 1.5)), (0, (1, 3)), (0, (12, 3)), (0, (4, 1, 4, 3)),
)  # fmt: skip
# For types that the map does not know (several lumped into one): lightness between those of the map.
_OTHER_COLOURS = ("#8d9bab", "#5a4d47", "#b9c7a8", "#6f8f3a", "#d9a3a0", "#45607a")
_OTHER_MARKS = ("s", "^", "D", "v", "p", "h")


class NothingToDraw(Exception):  # noqa: N818  # no error: the caller tells the reason and goes on
    """Why a figure cannot be drawn, in words that follow 'because'."""


@dataclass(frozen=True, slots=True)
class Mark:
    """How one den type is drawn: fill colour, outline of its symbol, dashes of its line."""

    colour: str
    symbol: Outline | str
    dash: Any


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure of a report's width on which places are told in millimetres from its left and top edge."""

    figure: Figure
    height: float

    def panel(self, left: float, top: float, width: float, height: float, **options: Any) -> Axes:
        """Add axes without frame; all sizes in mm."""
        box = (left / WIDTH_MM, 1 - (top + height) / self.height, width / WIDTH_MM, height / self.height)
        return self.figure.add_axes(box, **options)

    def words(self, left: float, top: float, text: str, **options: Any) -> None:
        """Write text with its upper left corner (unless told otherwise) at a place in mm."""
        options = {"va": "top", "ha": "left", **options}
        self.figure.text(left / WIDTH_MM, 1 - top / self.height, text, **options)

    def symbol(self, left: float, top: float, mark: Mark, *, size: float = 7.5) -> None:
        """Put a den type's symbol with its centre at a place in mm."""
        place = ([left / WIDTH_MM], [1 - top / self.height])
        self.figure.add_artist(Line2D(*place, transform=self.figure.transFigure, **symbol_style(mark, size)))


@contextmanager
def calm(salt: str = "") -> Iterator[None]:
    """Draw with our own settings, and leave everybody's settings as they were; ``salt`` goes into ids of SVG."""
    with style.context(["default", {**_SETTINGS, "svg.hashsalt": f"densite {salt}"}]), warnings.catch_warnings():
        # A name in a script that the font lacks is drawn with boxes; the alternative text has it whole.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def sheet(height_mm: float, *, title: str, words: str) -> Sheet:
    """Return an empty sheet with its title and a sentence or two below it.

    Parameters
    ----------
    height_mm : float
        Height of the drawing below the words. [mm]
    title, words : str
        What is shown; how it is to be read.

    Returns
    -------
    Sheet
        Its height is that of drawing and head; the drawing begins at :func:`head_mm` from the top.
    """
    height = height_mm + head_mm(words)
    empty = Sheet(Figure(figsize=(WIDTH_MM / MM_PER_INCH, height / MM_PER_INCH)), height)
    empty.words(LEFT_MM, 1.5, title, fontsize=TITLE_PT)
    empty.words(LEFT_MM, 7.2, "\n".join(_lines(words)), color=QUIET, linespacing=1.35)
    return empty


def head_mm(words: str) -> float:
    """Return the height of title and words. [mm]"""
    return 9.5 + LINE_MM * 1.08 * len(_lines(words))


def marks(types: Sequence[str]) -> dict[str, Mark]:
    """Return how each den type is drawn: as on the map, and lumped types with marks of their own."""
    strange = [kind for kind in types if kind not in DEN_SYMBOLS]
    return {kind: _known(kind) if kind in DEN_SYMBOLS else _other(strange.index(kind)) for kind in types}


def halo() -> list[withStroke]:
    """Return the effect that keeps a dark line apart from what lies below it."""
    return [withStroke(linewidth=2.4, foreground="white")]


def result(block: Block, key: str) -> Result | None:
    """Return a result of a block by the end of its key, or None where it could not be said."""
    return next((found for found in block.results if found.key == f"{block.part}/{key}"), None)


def with_unit(words: str, unit: str) -> str:
    """Add a unit in square brackets, degrees as a sign; nothing for a number without unit."""
    shown = _SIGNS.get(unit, unit).replace("km2", "km²")
    return f"{words} [{shown}]" if shown else words


def measured(value: float, unit: str) -> str:
    """Write a number with three digits and its unit."""
    sign = _SIGNS.get(unit, unit)
    return f"{number(value)}{'' if sign in ('', '°') else ' '}{sign}"


def number(value: float) -> str:
    """Write a number with three digits, larger ones whole, without exponents."""
    text = f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return text.replace("-", "\N{MINUS SIGN}")


def estimated(result: Result, *, share: bool = False) -> str:
    """Write the estimate of a result with its interval, a share in percent."""
    numbers = [number for number in (result.estimate, result.lower, result.upper) if number is not None]
    texts = [percent(number) if share else measured(number, result.unit) for number in numbers]
    return f"{texts[0]} ({texts[1]} to {texts[2]})" if len(texts) == 3 else "".join(texts[:1]) or "not known"


def dots(axes: Axes, x: ArrayLike, y: ArrayLike, *, size: float) -> None:
    """Draw one dot a den, in the order of the values: that of the dens would link one figure to the next."""
    places = np.column_stack([np.asarray(x, float), np.asarray(y, float)])
    places = places[np.lexsort(places.T[::-1])]
    axes.plot(*places.T, linestyle="none", marker="o", markersize=size, markerfacecolor=DOT, markeredgecolor="white",
              markeredgewidth=0.1 * size, gid="dens")  # fmt: skip


def symbol_style(mark: Mark, size: float) -> dict[str, Any]:
    """Return the options with which a line draws a symbol; ``size`` in points."""
    return {
        "marker": mark.symbol, "markersize": size, "markerfacecolor": mark.colour, "markeredgecolor": INK,
        "markeredgewidth": 0.6, "linestyle": "none",
    }  # fmt: skip


def band_colour(colour: str) -> str:
    """Return the colour of a band around a line: the colour mixed with white, or grey where it is white itself."""
    return (
        BAND if luma(colour) > 230 else "#" + "".join(f"{round(255 + (part - 255) * 0.38):02x}" for part in rgb(colour))
    )


def line_colour(colour: str) -> str:
    """Return a colour dark enough for a line on white: pale fills are mixed with ink."""
    if luma(colour) > 230:
        return QUIET
    parts = zip(rgb(colour), rgb(INK), strict=True)
    return colour if is_dark(colour) else "#" + "".join(f"{round(0.55 * a + 0.45 * b):02x}" for a, b in parts)


def is_dark(colour: str) -> bool:
    """Whether white text reads better on a colour than ink."""
    return luma(colour) < 140


def luma(colour: str) -> float:
    """Return how light a colour is, 0 to 255 (luma of Rec. ITU-R BT.601)."""
    red, green, blue = rgb(colour)
    return 0.299 * red + 0.587 * green + 0.114 * blue


def bare(axes: Axes, *, keep: str = "bottom") -> None:
    """Take the box away, keep one side, and make ticks small."""
    for side, spine in axes.spines.items():
        spine.set_visible(side == keep)
    axes.tick_params(length=1.8, width=0.5, pad=1.8)
    axes.patch.set_visible(False)


def percent_axis(axis: Any, *, step: int = 50, sign: str = " %") -> None:
    """Name shares of 1 in percent, with the sign at 100 only."""
    ticks = range(0, 101, step)
    axis.set_ticks([tick / 100 for tick in ticks], [f"{tick}{sign if tick == 100 else ''}" for tick in ticks])


def class_names(sheet: Sheet, classes: Sequence[str], below: Sequence[str], *, top: float, row: float) -> None:
    """Write the names of classes at the left of their rows, urban first, with a quiet line below each."""
    for place, (name, words) in enumerate(zip(classes, below, strict=True)):
        middle = top + (place + 0.5) * row
        text = folded(name, 19, lines=2)
        start = middle - 1.5 * (text.count("\n") + 2)
        sheet.words(LEFT_MM, start, text, linespacing=1.1)
        sheet.words(LEFT_MM, start + 3.0 * (text.count("\n") + 1), words, fontsize=SMALL_PT, color=QUIET)


def class_axes(axes: Axes, rows: int, *, grid: Sequence[float]) -> None:
    """Give each class a row, the first one on top, and draw quiet upright lines at ``grid``."""
    bare(axes)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_yticks([])
    axes.vlines(grid, -0.5, rows - 0.5, color=HAIR, linewidth=0.5, zorder=0.5)


def sizes(dens: int, females: int) -> str:
    """Write numbers of dens and females."""
    return f"{dens} den{'' if dens == 1 else 's'}, {females} female{'' if females == 1 else 's'}"


def sentence_case(words: str) -> str:
    """Begin with a capital letter, and leave the rest as it is."""
    return words[:1].upper() + words[1:]


def percent(share: float) -> str:
    """Write a share of 1 in percent, with a decimal below 10 % only where it tells something."""
    number = 100 * share
    return f"{number:.1f} %" if 0 < number < 1 else f"{number:.0f} %"


def rows_of(block: Block, name: str, *columns: str) -> pd.DataFrame:
    """Return the complete rows of one of a block's frames.

    Parameters
    ----------
    block : Block
        A part of a comparison.
    name : str
        The frame.
    columns : str
        Those that are drawn; rows with a missing value in one of them are left out.

    Returns
    -------
    DataFrame

    Raises
    ------
    NothingToDraw
        There is no such frame, or it has no such column or no complete row.
    """
    if name not in block.frames:
        return filled(block, pd.DataFrame(), "this was not compared")
    if absent := [column for column in columns if column not in block.frames[name]]:
        return filled(block, pd.DataFrame(), f"the numbers of '{block.part}' ({name}) lack {', '.join(absent)}")
    whole = block.frames[name].dropna(subset=list(columns)).reset_index(drop=True)
    return filled(block, whole, f"the numbers of '{block.part}' ({name}) have no complete row")


def filled(block: Block, frame: pd.DataFrame, otherwise: str) -> pd.DataFrame:
    """Return a frame that has rows; why the block could not say something is why there is nothing to draw."""
    if frame.empty:
        raise NothingToDraw(block.unsaid[0].why if block.unsaid else otherwise)
    return frame


def each(frame: pd.DataFrame) -> Iterator[Any]:
    """Yield the rows of a frame as named tuples."""
    yield from frame.itertuples()


def folded(text: str, width: int, *, lines: int = 3) -> str:
    """Break a long name into lines of at most ``width`` characters; what does not fit ends in an ellipsis."""
    return "\n".join(textwrap.wrap(text, width, max_lines=lines, placeholder="…")) or text


def _lines(words: str) -> list[str]:
    return textwrap.wrap(words, 122)


def _known(kind: str) -> Mark:
    symbol = DEN_SYMBOLS[kind]
    return Mark(symbol.colour, outline(symbol.path), _DASHES[list(DEN_SYMBOLS).index(kind)])


def _other(number: int) -> Mark:
    place = number % len(_OTHER_COLOURS)
    return Mark(_OTHER_COLOURS[place], _OTHER_MARKS[place], _OTHER_DASHES[place])
