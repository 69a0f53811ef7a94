"""The map's symbols, which are paths of SVG, as outlines for matplotlib."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

import numpy as np
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

BOX = 28.0  # the symbols are drawn in a box of 28 by 28 units
_PIECE = re.compile(r"([MLHVAZ])([^MLHVAZ]*)")
_NUMBER = re.compile(r"-?\d*\.?\d+")

Points = NDArray[np.float64]


def outline(path: str) -> Outline:
    """Return an SVG path as a closed outline around the middle of its box, upward positive.

    Parameters
    ----------
    path : str
        Absolute commands M, L, H, V, A and Z only; coordinates in a box of 28 by 28 units.

    Returns
    -------
    matplotlib.path.Path
        Arcs are chains of 24 short lines.
    """
    points = np.array(list(_points(path)))
    return Outline((points - BOX / 2) * (1, -1), closed=True)


def _points(path: str) -> Iterator[tuple[float, float]]:
    """Yield the corners of a path; the start comes again at its end."""
    start = here = (0.0, 0.0)
    for command, text in _PIECE.findall(path):
        numbers = [float(number) for number in _NUMBER.findall(text)]
        if command == "A":
            yield from arc(here, (numbers[5], numbers[6]), radii=(numbers[0], numbers[1]), flags=numbers[3:5])
        here = _next(command, numbers, here, start)
        start = here if command == "M" else start
        yield here


def _next(
    command: str, numbers: list[float], here: tuple[float, float], start: tuple[float, float]
) -> tuple[float, float]:
    """Return where the pen is after a command."""
    if command == "Z":
        return start
    if command == "H":
        return numbers[0], here[1]
    if command == "V":
        return here[0], numbers[0]
    return numbers[-2], numbers[-1]


def arc(
    begin: tuple[float, float], end: tuple[float, float], *, radii: tuple[float, float], flags: list[float]
) -> Iterator[tuple[float, float]]:
    """Yield points along an unturned elliptical arc of SVG, its end left out.

    Parameters
    ----------
    begin, end : tuple of float
        Where the arc begins and ends. [units of the path]
    radii : tuple of float
        Half axes along x and y; made larger where they do not reach. [units of the path]
    flags : list of float
        SVG's large-arc and sweep flags, 0 or 1.

    Yields
    ------
    tuple of float

    Notes
    -----
    Source: W3C Scalable Vector Graphics 1.1, appendix F.6.5 (from end points to centre), without rotation.
    """
    a, b = np.array(begin) / radii, np.array(end) / radii  # on a circle of radius 1
    half = (b - a) / 2
    reach = max(1.0, math.hypot(*half))  # F.6.6: radii too small are scaled up
    height = math.sqrt(max(0.0, reach**2 - float(half @ half)))
    side = 1.0 if flags[0] != flags[1] else -1.0
    centre = (a + b) / 2 + side * height * _unit(np.array([-half[1], half[0]]))
    first, last = (math.atan2(*(point - centre)[::-1]) for point in (a, b))
    turn = (last - first) % (2 * math.pi) if flags[1] else -((first - last) % (2 * math.pi))
    for step in np.linspace(0, 1, 25)[1:-1]:
        angle = first + turn * step
        yield tuple((centre + reach * np.array([math.cos(angle), math.sin(angle)])) * radii)


def _unit(vector: Points) -> Points:
    length = math.hypot(*vector)
    return vector / length if length else vector
