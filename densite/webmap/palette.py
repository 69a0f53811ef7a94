"""Colours and shapes of the maps.

Den symbols: the shape says what the den is, so that a grey print still reads. A tree den is an
upright crown on a trunk, a ground bed a shallow bowl, a rock ledge an overhanging block, brush a
rounded bush, and an unknown den an empty diamond. Their fills differ in lightness first (steps of
at least 10 L*) and in hue second, which keeps them apart under the three common kinds of colour
blindness and in grey; a dark outline and a white halo keep them apart from any ground.

Grounds: relief is a light grey. Surfaces are multiplied onto it, so they are pale, few and calm;
nothing on the ground is as dark as a den symbol. Ordered things (slope, landscape classes) go from
light to dark in one direction; kinds of cover take the hue that a person expects of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from densite.terms import DEN_TYPES

OUTLINE = "#20252b"
UNNAMED = "#9a9a9a"  # a class of which only the code is known


@dataclass(frozen=True, slots=True)
class Symbol:
    """How one den type is drawn: fill colour and SVG path in a box of 28 by 28 units."""

    colour: str
    path: str
    shape: str


_BUSH = "M7 24 A6 6 0 0 1 5.5 12 A9 9 0 0 1 22.5 12 A6 6 0 0 1 21 24 Z"

DEN_SYMBOLS = dict(
    zip(
        DEN_TYPES,
        (
            Symbol("#12705f", "M14 2 L23 18 H17 V26 H11 V18 H5 Z", "crown on a trunk"),
            Symbol("#c9672f", "M2 9 H26 A12 13 0 0 1 2 9 Z", "bowl"),
            Symbol("#3a2f73", "M3 4 H25 V12 H14 V24 H3 Z", "overhanging block"),
            Symbol("#e6c34d", _BUSH, "rounded bush"),
            Symbol("#fbfbf8", "M14 2 L26 14 L14 26 L2 14 Z", "empty diamond"),
        ),
        strict=True,
    )
)


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How one vector layer is drawn.

    ``width`` is the line's width [screen pixels] close in; ``dots`` allows dots where shapes are too
    many; ``on`` says whether the layer is switched on when the map opens.
    """

    title: str
    colour: str
    width: float
    dash: str = ""
    fill: str = ""
    dots: bool = False
    on: bool = True


LINE_STYLES = {
    "boundary": LineStyle("Study boundary", "#3f3f46", 2.2, dash="9 5"),
    "streams": LineStyle("Streams", "#5b93ba", 1.4),
    "roads": LineStyle("Roads", "#84503f", 1.6),
    "buildings": LineStyle("Buildings", "#4a4a50", 0.8, fill="#6b6b72", dots=True, on=False),
    "urban": LineStyle("Urban area", "#8e4a6b", 1.4, dash="3 3"),
    "landscape": LineStyle("Landscape polygons", "#8e4a6b", 1.0),
}

_SLOPE_RAMP = ("#f6f0da", "#e0b878", "#b26c48", "#6d3a3d")
_CLASS_RAMP = ("#dfe8cd", "#f1d8a2", "#dc9672", "#8f4d6d")

# The first row with a word in the class's name gives its colour: narrow meanings stand before wide ones.
_COVER_HUES: tuple[tuple[tuple[str, ...], str], ...] = (
    (("ice", "snow"), "#e4edf4"),
    (("woody wetland", "mangrove", "swamp"), "#8db4ae"),
    (("wetland", "marsh", "bog"), "#b3d0c6"),
    (("water", "lake", "river"), "#a6c5db"),
    (("open space",), "#e9d6d2"),
    (("low intensity", "suburb"), "#dcb0a8"),
    (("medium intensity", "town"), "#c5837b"),
    (("high intensity", "city"), "#a05453"),
    (("developed", "built", "urban", "settlement"), "#c5837b"),
    (("evergreen", "conifer", "needle"), "#8db396"),
    (("deciduous", "broadlea"), "#bdd29c"),
    (("mixed forest", "mixed wood"), "#a4c297"),
    (("forest", "tree", "wood"), "#9abc95"),
    (("shrub", "scrub", "heath"), "#dacfa6"),
    (("moss", "lichen"), "#d8dcc4"),
    (("pasture", "hay", "meadow"), "#e4df86"),
    (("crop", "cultivated", "field"), "#dab56c"),
    (("grass", "herbaceous", "sedge"), "#e6e4b0"),
    (("barren", "bare", "rock", "sparse", "sand"), "#c8c0b5"),
)
_OTHER_HUES = ("#c9b6d6", "#b9c4d9", "#d9bfae", "#bfd6c9", "#d6c9b9", "#b6cfd6")


def slope_colours(count: int) -> list[str]:
    """Return ``count`` colours for slope steps, gentle to steep."""
    return _ramp(_SLOPE_RAMP, count)


def class_colours(count: int) -> list[str]:
    """Return ``count`` colours for landscape classes in their order: urban first (dark), rural last."""
    return _ramp(_CLASS_RAMP, count)[::-1]


def cover_colours(names: Iterable[str]) -> list[str]:
    """Return one colour for each land-cover class, chosen by the words of its name, no two alike."""
    taken: set[str] = set()
    return [_free(_cover_hue(name, place), taken) for place, name in enumerate(names)]


def rgb(colour: str) -> tuple[int, int, int]:
    """Return the red, green and blue parts (0 to 255) of a ``#rrggbb`` colour."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _hex(parts: Iterable[float]) -> str:
    return "#" + "".join(f"{min(255, max(0, round(part))):02x}" for part in parts)


def _ramp(anchors: Sequence[str], count: int) -> list[str]:
    """Spread ``count`` colours evenly over a chain of anchor colours."""
    if count == 1:
        return [anchors[1]]
    return [_between(anchors, step * (len(anchors) - 1) / (count - 1)) for step in range(count)]


def _between(anchors: Sequence[str], position: float) -> str:
    """Mix the two anchors that enclose ``position``."""
    left = min(int(position), len(anchors) - 2)
    share = position - left
    pair = zip(rgb(anchors[left]), rgb(anchors[left + 1]), strict=True)
    return _hex(a + (b - a) * share for a, b in pair)


def _cover_hue(name: str, place: int) -> str:
    lower = name.lower()
    for words, colour in _COVER_HUES:
        if any(word in lower for word in words):
            return colour
    return _OTHER_HUES[place % len(_OTHER_HUES)]


def _free(colour: str, taken: set[str]) -> str:
    """Darken a colour in small steps until nobody else has it."""
    while colour in taken:
        darker = _hex(part * 0.93 for part in rgb(colour))
        if darker == colour:
            break
        colour = darker
    taken.add(colour)
    return colour
