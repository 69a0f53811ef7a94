"""The part of the world that a map shows, in the coordinates of the screen (EPSG:3857)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd

SCREEN_CRS = "EPSG:3857"
EARTH_RADIUS_M = 6_378_137.0  # of the sphere on which EPSG:3857 is defined (EPSG method 1024)
_MARGIN = 0.08
_MINIMUM_MARGIN_M = 1500.0
_WORLD_EDGE_M = math.pi * EARTH_RADIUS_M


@dataclass(frozen=True, slots=True)
class Region:
    """A box in EPSG:3857. All four sides are in projected metres. [m]"""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def latitude(self) -> float:
        """Latitude of the box's middle. [deg]"""
        return _degrees(0.0, (self.bottom + self.top) / 2)[0]

    @property
    def ground_scale(self) -> float:
        """Ground metres per projected metre in the box's middle (Mercator stretches by 1/cos)."""
        return math.cos(math.radians(self.latitude))

    def corners(self) -> list[list[float]]:
        """Return [[south, west], [north, east]] in WGS 84 degrees, as Leaflet wants bounds."""
        low = _degrees(self.left, self.bottom)
        high = _degrees(self.right, self.top)
        return [[round(value, 6) for value in low], [round(value, 6) for value in high]]

    def widened(self) -> Region:
        """Return the box with room around it: 8 % of its longer side, at least 1500 m."""
        longer = max(self.right - self.left, self.top - self.bottom)
        margin = max(longer * _MARGIN, _MINIMUM_MARGIN_M)
        return Region(
            max(self.left - margin, -_WORLD_EDGE_M),
            max(self.bottom - margin, -_WORLD_EDGE_M),
            min(self.right + margin, _WORLD_EDGE_M),
            min(self.top + margin, _WORLD_EDGE_M),
        )

    def overlap(self, other: Region) -> Region | None:
        """Return the part that both boxes share, or None when they do not meet."""
        shared = Region(
            max(self.left, other.left),
            max(self.bottom, other.bottom),
            min(self.right, other.right),
            min(self.top, other.top),
        )
        return shared if shared.left < shared.right and shared.bottom < shared.top else None


def around(frames: Iterable[gpd.GeoDataFrame]) -> Region | None:
    """Return the smallest box around all places of some frames.

    Parameters
    ----------
    frames : iterable of GeoDataFrame
        Frames with a CRS; empty ones and missing places are passed over.

    Returns
    -------
    Region or None
        The box, or None when there is no place at all.
    """
    boxes = [frame.to_crs(SCREEN_CRS).total_bounds for frame in frames if len(frame)]
    known = [box for box in boxes if all(math.isfinite(side) for side in box)]
    if not known:
        return None
    lefts, bottoms, rights, tops = zip(*known, strict=True)
    return Region(float(min(lefts)), float(min(bottoms)), float(max(rights)), float(max(tops)))


def _degrees(x: float, y: float) -> tuple[float, float]:
    """Return latitude and longitude [deg] of a point of EPSG:3857 (inverse spherical Mercator).

    Source: IOGP Guidance Note 7-2, method 1024 (Popular Visualisation Pseudo-Mercator).
    """
    latitude = math.degrees(2 * math.atan(math.exp(y / EARTH_RADIUS_M)) - math.pi / 2)
    return latitude, math.degrees(x / EARTH_RADIUS_M)
