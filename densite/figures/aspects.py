"""Entrance aspects by landscape class over the aspects of the available ground."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from densite.compare.result import Block
from densite.figures import look

ASPECTS = "Entrance aspects by landscape class"
SECTORS = 16
_ACROSS = 4
_WINDS = ["N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"]
_FILL = "#8fa6ba"

Floats = NDArray[np.float64]


def aspects_by_class(block: Block, *, title: str = ASPECTS, what: str = "dens", level: str = look.LEVEL) -> Figure:
    """Draw a rose of aspects for each class: dens as filled sectors, available ground as an outline.

    Parameters
    ----------
    block : Block
        Frames ``dens`` (landscape_class, aspect_deg [deg from true north]; blank where a den has no
        class), ``available`` (share [1] of 16 sectors from north clockwise, the first one about north),
        ``means`` (landscape_class, direction_deg, direction_lower, direction_upper [deg], length [1]),
        classes in the order in which they are drawn.
    title : str
        What is drawn.
    what : str
        Whose aspects the filled sectors are.
    level : str
        Confidence level of the intervals, as it is told.

    Returns
    -------
    Figure
        North is up, bearings run clockwise. The area of a sector, not its radius, is in proportion to
        its share, on the same scale in all panels. Where all dens have one of eight aspects, there
        are eight sectors.

    Raises
    ------
    NothingToDraw
        No row has all that is drawn.
    """
    dens = _dens(block)
    classes = _in_order(block, dens)
    around = sector_count(dens["aspect_deg"].to_numpy(float))
    ground = _available(block, around)
    shares = {name: sector_shares(_aspects(dens, name), around) for name in classes}
    across = min(len(classes), _ACROSS)
    size = min(40.0, (look.WIDTH_MM - 6 * across) / across)
    reach = math.sqrt(max(part.max() for part in (*shares.values(), *(() if ground is None else (ground,)))))
    words = _words(what, around, reach, level, with_ground=ground is not None)
    with look.calm():
        sheet = look.sheet(-(-len(classes) // across) * (size + 18), title=title, words=words)
        for place, name in enumerate(classes):
            left = 3 + (place % across) * (size + 6)
            top = look.head_mm(words) + (place // across) * (size + 18)
            sheet.words(left + size / 2, top + 1, look.folded(name, 22, lines=2), ha="center", linespacing=1.1)
            axes = sheet.panel(left + 2, top + 11.5, size - 4, size - 4, projection="polar")
            _rose(axes, shares[name], ground, reach)
            _mean(axes, mean_of(block, name), reach)
            sheet.words(left + size / 2, top + size + 12, _count(len(_aspects(dens, name))), ha="center",
                        fontsize=look.SMALL_PT, color=look.QUIET)  # fmt: skip
    return sheet.figure


def _dens(block: Block) -> pd.DataFrame:
    """Return the dens with an aspect and a class."""
    dens = look.rows_of(block, "dens", "landscape_class", "aspect_deg")
    return look.filled(block, dens[dens["landscape_class"] != ""], "no den has both an aspect and a landscape class")


def _in_order(block: Block, dens: pd.DataFrame) -> list[str]:
    """Return the classes that have dens, in the order of their means."""
    listed = list(block.frames.get("means", pd.DataFrame({"landscape_class": []}))["landscape_class"])
    found = dict.fromkeys(dens["landscape_class"])
    return [*(name for name in listed if name in found), *(name for name in found if name not in listed)]


def _aspects(dens: pd.DataFrame, name: str) -> Floats:
    aspects: Floats = dens.loc[dens["landscape_class"] == name, "aspect_deg"].to_numpy(float)
    return aspects


def sector_count(aspects: Floats) -> int:
    """Return 8 where every aspect [deg] is one of the eight winds, else 16."""
    return 8 if len(aspects) and bool(np.all(aspects % 45 == 0)) else SECTORS


def sector_shares(aspects: Floats, around: int) -> Floats:
    """Return the share of aspects in each sector, the first one centred on north.

    Parameters
    ----------
    aspects : ndarray, shape (n,)
        Bearings. [deg]
    around : int
        Number of sectors.

    Returns
    -------
    ndarray, shape (around,)
        Shares. [1]
    """
    width = 360 / around
    sector = np.floor((aspects % 360 + width / 2) / width).astype(int) % around
    return np.bincount(sector, minlength=around) / max(1, len(aspects))


def eighths(shares: Floats) -> Floats:
    """Return the shares of 8 sectors from those of 16; a sector between two winds gives half to each. [1]"""
    return shares[::2] + (shares[1::2] + np.roll(shares[1::2], 1)) / 2


def _available(block: Block, around: int) -> Floats | None:
    """Return the shares of available ground, or None where they are not known."""
    frame = block.frames.get("available")
    if frame is None or len(frame) != SECTORS or frame["share"].isna().any():
        return None
    shares = frame["share"].to_numpy(float)
    return shares if around == SECTORS else eighths(shares)


def _rose(axes: Any, shares: Floats, ground: Floats | None, reach: float) -> None:
    """Draw the sectors of one class over the outline of the available ground."""
    _compass(axes, reach)
    step = 2 * math.pi / len(shares)
    middles = np.arange(len(shares)) * step
    axes.bar(middles, np.sqrt(shares), width=step, color=_FILL, edgecolor="white", linewidth=0.6, label="dens")
    if ground is not None:
        edges = np.append(middles, 2 * math.pi) - step / 2
        fine = np.concatenate([np.linspace(a, b, 9) for a, b in pairwise(edges)])
        radii = np.repeat(np.sqrt(ground), 9)
        axes.plot(np.append(fine, fine[0]), np.append(radii, radii[0]), color=look.INK, linewidth=0.9,
                  path_effects=look.halo(), label="available")  # fmt: skip


def _compass(axes: Any, reach: float) -> None:
    """Put north up and draw two circles with their shares."""
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    axes.set_ylim(0, reach * 1.04)
    axes.set_thetagrids((0, 90, 180, 270), ("N", "E", "S", "W"))
    axes.set_rgrids([math.sqrt(share) for share in rings(reach**2)], [])
    axes.tick_params(pad=-3.5, labelsize=look.SMALL_PT)
    axes.grid(color=look.HAIR, linewidth=0.6)
    axes.spines["polar"].set_visible(False)
    axes.patch.set_visible(False)


def rings(most: float) -> list[float]:
    """Return two round shares for the circles of a rose whose largest share is ``most``. [1]"""
    outer = next((share for share in (0.8, 0.6, 0.4, 0.3, 0.2, 0.1, 0.06, 0.04, 0.02) if share <= most), most)
    return [outer / 2, outer]


def _mean(axes: Axes, mean: pd.Series | None, reach: float) -> None:
    """Draw the mean direction as long as its resultant length, and its interval as an arc at the rim."""
    if mean is None:
        return
    rim, bearing = reach * 1.04, math.radians(mean["direction_deg"])
    axes.plot([bearing, bearing], [0, rim * mean["length"]], color=look.INK, linewidth=1.5, gid="mean")
    limits = mean[["direction_lower", "direction_upper"]].to_numpy(float)
    sure = bool(np.isfinite(limits).all())
    axes.plot([bearing], [rim], marker="o", markersize=3.4, color=look.INK, clip_on=False, zorder=4,
              markerfacecolor=look.INK if sure else "white", gid="direction")  # fmt: skip
    if sure:
        wide = (limits[1] - limits[0]) % 360
        arc = np.radians(np.linspace(limits[0], limits[0] + wide, 61))
        axes.plot(arc, np.full(61, rim), color=look.INK, linewidth=1.3, clip_on=False, gid="interval")


def mean_of(block: Block, name: str) -> pd.Series | None:
    """Return the row of ``means`` of a class, or None where it has no mean direction."""
    frame = block.frames.get("means")
    if frame is None:
        return None
    found = frame[(frame["landscape_class"] == name) & frame["direction_deg"].notna() & frame["length"].notna()]
    return found.iloc[0] if len(found) else None


def _words(what: str, around: int, reach: float, level: str, *, with_ground: bool) -> str:
    ground = "; dark outline: available ground" if with_ground else ""
    circles = " and ".join(look.percent(share) for share in rings(reach**2))
    return (
        f"Filled: {what}, in {around} sectors from true north{ground}. The area of a sector is in proportion to its "
        f"share; circles: {circles}. At the rim: mean direction and its {level} interval (hollow dot: none can be "
        "given). Line: resultant length, which would reach the rim if all faced one way."
    )


def _count(number: int) -> str:
    return f"{number} den{'' if number == 1 else 's'} with an aspect"


def told_aspects(block: Block, *, title: str = ASPECTS) -> str:
    """Return the alternative text of :func:`aspects_by_class`, from the same numbers."""
    dens = _dens(block)
    said = [f"{title}: roses, north up."]
    for name in _in_order(block, dens):
        aspects, mean = _aspects(dens, name), mean_of(block, name)
        said.append(f"{look.sentence_case(name)}: {_count(len(aspects))}{_told_mean(mean)}, {_most(aspects)}.")
    ground = _available(block, SECTORS)
    return " ".join(said if ground is None else [*said, f"Available ground: {_largest(ground)}."])


def _told_mean(mean: pd.Series | None) -> str:
    if mean is None:
        return ", no mean direction"
    limits = mean[["direction_lower", "direction_upper"]].to_numpy(float)
    around = f" (from {limits[0]:.0f}° clockwise to {limits[1]:.0f}°)" if np.isfinite(limits).all() else ""
    return f", mean direction {mean['direction_deg']:.0f}°{around}, resultant length {mean['length']:.2f}"


def _most(aspects: Floats) -> str:
    return _largest(sector_shares(aspects, sector_count(aspects)))


def _largest(shares: Floats) -> str:
    winds: Sequence[str] = _WINDS[:: SECTORS // len(shares)]
    return f"most in sector {winds[int(shares.argmax())]} ({look.percent(float(shares.max()))})"
