"""Dens seen from where one stood: the place at a bearing and distance, with the errors of all three carried on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densite import places
from densite.errors import PlaceError

IN_95 = 1.959964  # standard errors within which a normal value lies 95 times of 100


@dataclass(frozen=True, slots=True)
class Offset:
    """A place seen from another one, in WGS 84.

    ``uncertainty_m`` is a radius in which the true place lies at least 95 times of 100; ``along_m`` and
    ``across_m`` are the standard errors along and across the line of sight. [m]
    """

    longitude: float
    latitude: float
    uncertainty_m: float
    along_m: float
    across_m: float


def seen_from(
    longitude: float, latitude: float, *, uncertainty_m: float, bearing_deg: float, bearing_error_deg: float,
    distance_m: float, distance_error_m: float, tilt_deg: float = 0.0,
) -> Offset:  # fmt: skip
    """Return the place at a bearing and distance from where one stood.

    Parameters
    ----------
    longitude, latitude : float
        Where one stood, in WGS 84. [deg]
    uncertainty_m : float
        Radius in which that place lies 95 times of 100. [m]
    bearing_deg : float
        From true north. [deg]
    bearing_error_deg : float
        Standard error of the bearing, with that of the declination in it. [deg]
    distance_m : float
        As measured, along the line of sight. [m]
    distance_error_m : float
        Its standard error. [m]
    tilt_deg : float
        Angle of the line of sight above the level; 0 where the distance is one on the level. [deg]

    Returns
    -------
    Offset

    Raises
    ------
    PlaceError
        A distance or an error is negative or no number, or the line of sight is vertical.

    Notes
    -----
    Errors are taken as independent and small. Distance and bearing move the place along and across the
    line of sight, so squares add up (propagation of errors to the first order): that of the place's own
    radius, and those of 1.96 standard errors along and across. The radius so made is right where one of the
    two rules and up to 13 % too wide where they are alike. An error of the tilt is not counted.
    """
    for name, value in (("uncertainty", uncertainty_m), ("bearing error", bearing_error_deg),
                        ("distance", distance_m), ("distance error", distance_error_m)):  # fmt: skip
        if not (math.isfinite(value) and value >= 0):
            raise PlaceError(f"{name} {value:g} must be 0 or more")
    if not abs(tilt_deg) < 90:
        raise PlaceError(f"tilt {tilt_deg:g} must lie between -90 and 90 degrees: straight up has no bearing")
    level = distance_m * math.cos(math.radians(tilt_deg))
    lon, lat = places.moved(longitude, latitude, bearing_deg=bearing_deg, distance_m=level)
    along = distance_error_m * math.cos(math.radians(tilt_deg))
    across = level * math.radians(bearing_error_deg)
    return Offset(lon, lat, math.hypot(uncertainty_m, IN_95 * along, IN_95 * across), along, across)
