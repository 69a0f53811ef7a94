"""Magnetic declination by place and day: which model gave it, and how far off that may be."""

from __future__ import annotations

import calendar
import datetime as dt
import math
from dataclasses import dataclass
from functools import cache
from typing import Any

from pygeomag import GeoMag

from densite.errors import PlaceError

# Each model for its own five years; 2015v2 is the published correction of 2015.
_WORLD_MODELS = (
    ("WMM2015v2", "wmm/WMM_2015v2.COF", 2015),
    ("WMM2020", "wmm/WMM_2020.COF", 2020),
    ("WMM2025", "wmm/WMM_2025.COF", 2025),
)
FIRST_YEAR = 1900
LAST_YEAR = 2029
_OF_WORLD_MODEL = "error model of its technical report, NOAA NCEI and BGS"
# Standard deviations of the field measured on the ground about the IGRF, north and east component. [nT]
_IGRF_NORTH, _IGRF_EAST = 144.0, 136.0
_IGRF_SINCE = 1980  # first year of the measurements behind them
_OF_IGRF = "Beggan 2022, doi:10.1186/s40623-022-01572-y"


@dataclass(frozen=True, slots=True)
class Declination:
    """Magnetic declination with the model that gave it.

    ``degrees`` is east positive; ``uncertainty_deg`` one standard deviation, after ``source``. It holds
    the model and the crust, not iron beside the compass. ``at_least`` says that no source gives it for so
    early a year, and that the figure of later years stands in as the least it can be.
    """

    degrees: float
    model: str
    uncertainty_deg: float
    source: str
    at_least: bool = False

    def __str__(self) -> str:
        """Say declination, model and uncertainty in a few words."""
        least = "at least " if self.at_least else ""
        return f"{self.degrees:+.1f} deg by {self.model}, give or take {least}{self.uncertainty_deg:.1f}"


def declination(longitude: float, latitude: float, on: dt.date) -> Declination:
    """Return the magnetic declination at a place and day.

    Parameters
    ----------
    longitude, latitude : float
        Place in WGS 84, at sea level. [deg]
    on : date
        Day of the reading, 1900 to 2029.

    Returns
    -------
    Declination
        East of true north is positive.

    Raises
    ------
    PlaceError
        No model here covers the date.

    Notes
    -----
    Source: from 2015 the World Magnetic Model of the day's own five years (NOAA NCEI and BGS), computed by
    pygeomag, with the error model of its technical report. Before 2015 the International Geomagnetic
    Reference Field, 14th generation (IAGA, doi:10.5281/zenodo.14218973), computed by ppigrf; its
    uncertainty after Beggan 2022, doi:10.1186/s40623-022-01572-y, for the years since 1980.
    """
    if not FIRST_YEAR <= on.year <= LAST_YEAR:
        raise PlaceError(
            f"no magnetic model here covers {on.isoformat()} ({FIRST_YEAR} to {LAST_YEAR}): give the true bearing"
        )
    return (_by_igrf if on.year < _WORLD_MODELS[0][2] else _by_world_model)(longitude, latitude, on)


def _by_world_model(longitude: float, latitude: float, on: dt.date) -> Declination:
    model, file, _ = next(known for known in reversed(_WORLD_MODELS) if known[2] <= on.year)
    result = world_model(file).calculate(glat=latitude, glon=longitude, alt=0, time=decimal_year(on))
    return Declination(float(result.d), model, float(result.calculate_uncertainty().d), _OF_WORLD_MODEL)


def _by_igrf(longitude: float, latitude: float, on: dt.date) -> Declination:
    from ppigrf import igrf  # brings pandas, which most commands do without

    moment = dt.datetime(on.year, on.month, on.day)
    turned = min(latitude, 89.9999) if latitude > 0 else max(latitude, -89.9999)  # at a pole no direction is north
    east, north = (float(part.item()) for part in igrf(longitude, turned, 0.0, moment)[:2])
    degrees = math.degrees(math.atan2(east, north))
    across = math.hypot(east / math.hypot(east, north) * _IGRF_NORTH, north / math.hypot(east, north) * _IGRF_EAST)
    spread = min(math.degrees(across / math.hypot(east, north)), 180.0)
    return Declination(degrees, "IGRF-14", spread, _OF_IGRF, at_least=on.year < _IGRF_SINCE)


def decimal_year(on: dt.date) -> float:
    """Return a day as a year with its fraction.

    Parameters
    ----------
    on : date
        The day, taken at its start.

    Returns
    -------
    float
        2026.5 about the middle of 2026. [year]
    """
    return on.year + (on.timetuple().tm_yday - 1) / (366 if calendar.isleap(on.year) else 365)


@cache
def world_model(file: str) -> Any:
    """Return a World Magnetic Model by the name of its coefficient file in pygeomag."""
    return GeoMag(coefficients_file=file)
