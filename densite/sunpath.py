"""Where the sun stands: its ephemeris, its path over a day, and the bending of its light."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import erfa
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP_HOUR_ANGLE_DEG = 2.5  # 10 minutes
TWILIGHT_DEG = -1.5  # below this no sun is seen over any horizon that counts
MOST_LIFT_DEG = 1.0  # more than air and half the disc lift the sun together
LOWEST_REFRACTED_DEG = -1.0
TICKS_PER_DAY = 86_400 * 10**9
JULIAN_1970 = 2_440_587.5
PARALLAX_DEG = 8.794 / 3600  # of the sun at one astronomical unit, Reda & Andreas 2004, eq. 35
# TT - UT1 in the years about 2020 (IERS, from memory); 27 s less in 1972, which moves the sun by 0.0003 deg.
DELTA_T_S = 69.0


@dataclass(frozen=True, slots=True)
class Ephemeris:
    """Hour angle at Greenwich and declination of the sun as seen from the Earth's centre. [deg]"""

    greenwich_deg: Floats
    declination_deg: Floats


def ephemeris_at(when: pd.DatetimeIndex, delta_t_s: float = DELTA_T_S) -> Ephemeris:
    """Return the sun's apparent place at times.

    Parameters
    ----------
    when : DatetimeIndex
        Times with a zone.
    delta_t_s : float
        TT - UT1. [s]

    Returns
    -------
    Ephemeris

    Notes
    -----
    Source: the models that :func:`densite.sun.sun_position` names.
    """
    days, ticks = np.divmod(when.as_unit("ns").asi8, TICKS_PER_DAY)
    universal = JULIAN_1970 + days, ticks / TICKS_PER_DAY
    terrestrial = universal[0], universal[1] + delta_t_s / 86_400
    from_sun, from_centre = erfa.epv00(*terrestrial)
    distance = np.linalg.norm(from_sun["p"], axis=-1)
    speed = from_centre["v"] * erfa.AULT / erfa.DAYSEC  # from au/day to the speed of light
    slowing = np.sqrt(1 - (speed**2).sum(axis=-1))
    seen = erfa.ab(-from_sun["p"] / distance[:, None], speed, distance, slowing)
    ascension, declination = erfa.c2s(erfa.rxp(erfa.pnm06a(*terrestrial), seen))
    hour = np.degrees(erfa.gst06a(*universal, *terrestrial) - ascension)
    return Ephemeris(hour, np.degrees(declination))


def altitude_azimuth(hour_deg: Floats, declination_deg: Floats, latitude_deg: Floats) -> tuple[Floats, Floats]:
    """Return where the sun is seen from the ground, without refraction.

    Parameters
    ----------
    hour_deg, declination_deg, latitude_deg : ndarray
        Hour angle and declination of the sun, latitude. [deg]

    Returns
    -------
    tuple of ndarray
        Altitude, and azimuth from true north. [deg]
    """
    declination = np.radians(declination_deg)
    return seen_at(np.sin(declination), np.cos(declination), np.radians(hour_deg), np.radians(latitude_deg))


def seen_at(sine: Floats, cosine: Floats, hour: Floats, latitude: Floats) -> tuple[Floats, Floats]:
    """Return the same as :func:`altitude_azimuth`.

    Parameters
    ----------
    sine, cosine : ndarray
        Of the declination. [1]
    hour, latitude : ndarray
        Hour angle and latitude. [rad]

    Returns
    -------
    tuple of ndarray
        Altitude, and azimuth from true north. [deg]
    """
    toward = cosine * np.cos(hour)
    east = -cosine * np.sin(hour)
    north = sine * np.cos(latitude) - toward * np.sin(latitude)
    up = sine * np.sin(latitude) + toward * np.cos(latitude)
    across = np.hypot(east, north)
    azimuth = np.degrees(np.arctan2(east, north)) % 360.0
    return np.degrees(np.arctan2(up, across)) - PARALLAX_DEG * across, np.where(azimuth == 360.0, 0.0, azimuth)


def refraction_deg(altitude_deg: Floats, pressure_hpa: ArrayLike = 1010.0, temperature_c: ArrayLike = 10.0) -> Floats:
    """Return by how much air lifts the sun.

    Parameters
    ----------
    altitude_deg : ndarray
        Altitude without refraction. [deg]
    pressure_hpa, temperature_c : array_like
        Air at the ground. [hPa, deg C]

    Returns
    -------
    ndarray
        Lift. [deg]

    Notes
    -----
    Source: Reda & Andreas 2004, Solar Energy 76: 577-589, eq. 42.
    """
    low = np.maximum(altitude_deg, LOWEST_REFRACTED_DEG)
    air = np.asarray(pressure_hpa, float) / 1010 * 283 / (273 + np.asarray(temperature_c, float))
    lift: Floats = air * 1.02 / (60 * np.tan(np.radians(low + 10.3 / (low + 5.11))))
    return lift


@dataclass(frozen=True, slots=True)
class Paths:
    """The sun's path over points between two whole degrees of longitude and of latitude.

    ``latitude`` [rad] and ``share`` of the way to the eastern longitude are of the points, shape (n,);
    ``hour`` angles [rad], noon among them, hold all daylight; ``sine`` and ``cosine`` of the
    declination at both longitudes have the shape (2, days, hours).
    """

    latitude: Floats
    share: Floats
    hour: Floats
    sine: Floats
    cosine: Floats

    def some(self, part: slice) -> Paths:
        """Return the paths over some of the points."""
        return Paths(self.latitude[part], self.share[part], self.hour, self.sine, self.cosine)


def sun_paths(lon: Floats, lat: Floats, start: dt.date, end: dt.date) -> Iterator[tuple[Ints, Paths]]:
    """Follow the sun over points, by cells of whole degrees: a lattice that is the same for any points.

    Parameters
    ----------
    lon, lat : ndarray, shape (n,)
        Longitude and latitude, WGS 84; NaN where there is no point. [deg]
    start, end : date
        First and last day.

    Yields
    ------
    tuple of ndarray of int and Paths
        Which points lie in a cell, and the sun's path over them.
    """
    placed = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    west, south = np.floor(lon[placed]), np.floor(lat[placed])
    noons = {degree: _noon_declinations(start, end, degree) for degree in {*west, *(west + 1)}}
    for x, y in sorted({*zip(west.tolist(), south.tolist(), strict=True)}):
        which = placed[(west == x) & (south == y)]
        sides = noons[x], noons[x + 1]
        hour_deg = _daylight(np.array([y, y + 1]), np.concatenate(sides))
        declination = np.radians([_over_days(side, hour_deg) for side in sides])
        trig = np.sin(declination), np.cos(declination)
        yield which, Paths(np.radians(lat[which]), lon[which] - x, np.radians(hour_deg), *trig)


def _noon_declinations(start: dt.date, end: dt.date, longitude: float) -> Floats:
    """Return the declination at mean noons from the day before the window to the day after. [deg]"""
    days = pd.date_range(pd.Timestamp(start) - pd.Timedelta(days=1), pd.Timestamp(end) + pd.Timedelta(days=1), tz="UTC")
    declinations: Floats = ephemeris_at(days + pd.Timedelta(hours=12 - longitude / 15)).declination_deg
    return declinations


def _daylight(latitude: Floats, noons: Floats) -> Floats:
    """Return hour angles, noon among them, that hold all daylight between latitudes on some days. [deg]"""
    L, D = np.radians(np.clip(latitude, -90.0, 90.0)), np.radians(noons)
    cosine = (np.sin(np.radians(TWILIGHT_DEG - MOST_LIFT_DEG)) - np.outer(np.sin(L), np.sin(D))) / np.outer(
        np.cos(L), np.cos(D)
    )
    widest = float(np.degrees(np.arccos(np.clip(cosine.min(), -1.0, 1.0))))
    steps = min(int(np.ceil(widest / STEP_HOUR_ANGLE_DEG)), int(180 / STEP_HOUR_ANGLE_DEG))
    return STEP_HOUR_ANGLE_DEG * np.arange(-steps, steps + 1, dtype=np.float64)


def _over_days(noons: Floats, hour_angles: Floats) -> Floats:
    """Spread declinations from noons over the hours of the days between, shape (days, hours). [deg]"""
    before, noon, after = noons[:-2, None], noons[1:-1, None], noons[2:, None]
    share = np.abs(hour_angles) / 360.0
    spread: Floats = noon + share * (np.where(hour_angles < 0, before, after) - noon)
    return spread
