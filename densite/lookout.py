"""What the maps and the register say at one place: the ground there, and the nearest known den."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, func, select, type_coerce

from densite import places
from densite.errors import LayerError
from densite.records import DenSite
from densite.register import Register, schema
from densite.register.columns import decode_point, place
from densite.register.nearby import between
from densite.settings import Settings, TerrainSettings

# rasterio, pandas and geopandas are imported when the maps are asked: logging a den must start at once
if TYPE_CHECKING:
    import geopandas as gpd

_DEGREE_M = 110_500.0  # the shortest degree of latitude
_BANDS_DEG = (0.01, 0.1, 1.0, 180.0)


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground at a place by the study's layers; ``why`` says what is missing and for which reason.

    ``elevation_m`` [m]; ``slope_deg`` [deg]; ``aspect_deg``, downslope from true north [deg]; ``cover`` is the
    name of the land-cover class. None where a layer does not tell.
    """

    elevation_m: float | None = None
    slope_deg: float | None = None
    aspect_deg: float | None = None
    cover: str | None = None
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NearDen:
    """The nearest known den: distance [m], bearing from true north [deg], type and last visit."""

    den_id: str
    label: str
    den_type: str
    distance_m: float
    bearing_deg: float
    last_visit: dt.date | None = None


@dataclass(frozen=True, slots=True)
class Match:
    """Slope and aspect of the field minus those of the DEM [deg], None where either is missing."""

    slope_difference_deg: float | None
    aspect_difference_deg: float | None
    slope_off: bool
    aspect_off: bool


def ground_at(longitude: float, latitude: float, *, settings: Settings, folder: Path) -> Ground:
    """Look a place up on the DEM and on the land cover; only these two layers are opened.

    Parameters
    ----------
    longitude, latitude : float
        The place in WGS 84. [deg]
    settings : Settings
        Layers and the method of slope and aspect.
    folder : Path
        Study folder, to which the layers' paths are relative.

    Returns
    -------
    Ground
        A layer that cannot be used is told in ``why``: a den can be logged without it.
    """
    import geopandas as gpd

    point = gpd.GeoDataFrame(geometry=gpd.points_from_xy([longitude], [latitude]), crs=4326)
    elevation, slope, aspect, cover, why = None, None, None, None, []
    if "elevation" in settings.layers:
        try:
            elevation, slope, aspect, reason = _on_dem(point, settings, folder)
        except LayerError as error:
            reason = str(error)
        why += [f"DEM: {reason}"] if reason else []
    if "land_cover" in settings.layers:
        try:
            cover, reason = _on_cover(point, settings, folder)
        except LayerError as error:
            reason = str(error)
        why += [f"land cover: {reason}"] if reason else []
    return Ground(elevation, slope, aspect, cover, tuple(why))


def _on_dem(
    point: gpd.GeoDataFrame, settings: Settings, folder: Path
) -> tuple[float | None, float | None, float | None, str]:
    from densite.layers import open_raster
    from densite.terrain import slope_aspect_at

    dem = open_raster("elevation", settings.layers["elevation"], folder=folder)
    row = slope_aspect_at(point, dem, method=settings.terrain.method, threads=1).iloc[0]
    elevation, slope, aspect = (
        None if math.isnan(row[name]) else float(row[name]) for name in ("elevation_m", "slope_deg", "aspect_deg")
    )
    return elevation, slope, aspect, str(row["reason"])


def _on_cover(point: gpd.GeoDataFrame, settings: Settings, folder: Path) -> tuple[str | None, str]:
    from densite.cover import class_at, read_legend
    from densite.layers import open_raster

    chosen = settings.layers["land_cover"]
    raster = open_raster("land_cover", chosen, folder=folder)
    row = class_at(point, raster, legend=read_legend(chosen.legend or "nlcd", folder=folder), threads=1).iloc[0]
    return (row["name"] or None), str(row["reason"])


def match(ground: Ground, slope_deg: float | None, aspect_deg: float | None, chosen: TerrainSettings) -> Match:
    """Hold slope and aspect of the field against the DEM's, by the study's tolerances.

    Parameters
    ----------
    ground : Ground
        From :func:`ground_at`.
    slope_deg, aspect_deg : float or None
        As read at the den, the aspect from true north. [deg]
    chosen : TerrainSettings
        With the tolerances.

    Returns
    -------
    Match
        As :func:`densite.terrain.agreement` compares them.
    """
    from densite.terrain import agreement

    numbers = (slope_deg, aspect_deg, ground.slope_deg, ground.aspect_deg)
    row = agreement(
        *([math.nan if number is None else number] for number in numbers),
        slope_tolerance_deg=chosen.slope_tolerance_deg, aspect_tolerance_deg=chosen.aspect_tolerance_deg,
    ).iloc[0]  # fmt: skip
    slope, aspect = float(row["slope_difference_deg"]), float(row["aspect_difference_deg"])
    return Match(
        None if math.isnan(slope) else slope, None if math.isnan(aspect) else aspect,
        bool(row["slope_flag"]), bool(row["aspect_flag"]),
    )  # fmt: skip


def nearest_den(register: Register, longitude: float, latitude: float, *, but: Collection[str] = ()) -> NearDen | None:
    """Find the nearest known den, in bands of latitude that widen until no other can be nearer.

    Parameters
    ----------
    register : Register
        Open register.
    longitude, latitude : float
        The place in WGS 84. [deg]
    but : collection of str
        Ids of dens that are passed over.

    Returns
    -------
    NearDen or None
        None where the register knows no (other) den.
    """
    with register.reading() as connection:
        for band in _BANDS_DEG:
            dens = _dens(connection, latitude - band, latitude + band, but)
            found = [(places.distance_m(longitude, latitude, *at), den, at) for den, at in dens]
            best = min(found, default=None, key=lambda near: (near[0], near[1][1]))
            if best is not None and (best[0] <= band * _DEGREE_M or band == _BANDS_DEG[-1]):
                away, (den_id, label, den_type), at = best
                bearing = places.bearing_deg(longitude, latitude, *at)
                return NearDen(den_id, label, den_type, away, bearing, _last_visit(connection, den_id))
    return None


def _dens(
    connection: Connection, south: float, north: float, but: Collection[str]
) -> Iterator[tuple[tuple[str, str, str], tuple[float, float]]]:
    """Yield id, label and type of the dens that may lie between two latitudes [deg], with their places."""
    d = schema.den.c
    legible = type_coerce(d.geom, place(if_legible=True)).label("geom")
    query = select(d.den_id, d.label, d.den_type, legible).where(
        schema.in_sight(schema.den), between(connection, south, north)
    )
    for den_id, label, den_type, point in connection.execute(query):
        if point is not None and den_id not in but:
            yield (den_id, label, den_type), decode_point(point)


def _last_visit(connection: Connection, den_id: str) -> dt.date | None:
    v = schema.visit.c
    query = select(func.max(v.observed_on)).where(v.den_id == den_id, schema.in_sight(schema.visit))
    day: dt.date | None = connection.execute(query).scalar_one()
    return day


def said_ground(ground: Ground) -> str:
    """Say elevation and land cover, which show whether the place is the right one.

    Parameters
    ----------
    ground : Ground
        From :func:`ground_at`.

    Returns
    -------
    str
        ``1,432 m high by the DEM; land cover: Evergreen Forest``; what is missing with its reason.
    """
    height = [] if ground.elevation_m is None else [f"{ground.elevation_m:,.0f} m high by the DEM"]
    cover = [f"land cover: {ground.cover}"] if ground.cover else []
    return "; ".join([*height, *cover, *ground.why])


def said_shape(slope_deg: float | None, aspect_deg: float | None) -> str:
    """Say a slope and the way it faces.

    Parameters
    ----------
    slope_deg, aspect_deg : float or None
        Slope, and aspect from true north. [deg]

    Returns
    -------
    str
        ``31 deg facing 112 deg (ESE)``.
    """
    slope = "no slope" if slope_deg is None else f"{slope_deg:.0f} deg"
    if aspect_deg is None:
        return slope
    return f"{slope} facing {round(aspect_deg) % 360} deg ({places.compass_point(aspect_deg)})"


def said_near(near: NearDen) -> str:
    """Say where the nearest den lies.

    Parameters
    ----------
    near : NearDen
        From :func:`nearest_den`.

    Returns
    -------
    str
        ``D-2026-14 (tree), 12 m to the NNE (23 deg), last visit 2026-02-20``.
    """
    away = places.said_distance(near.distance_m)
    way = f" to the {places.compass_point(near.bearing_deg)} ({near.bearing_deg:.0f} deg)"
    seen = f", last visit {near.last_visit}" if near.last_visit else ", no visit recorded"
    return f"{near.label} ({near.den_type}), {away}{way if near.distance_m >= 1 else ''}{seen}"


def said_look(den: DenSite, *, register: Register, settings: Settings, folder: Path) -> str:
    """Say in one line what maps and register know of a den's place.

    Parameters
    ----------
    den : DenSite
        As it is being logged; it does not count as its own neighbour.
    register, settings, folder
        As for :func:`nearest_den` and :func:`ground_at`.

    Returns
    -------
    str
        Ground by the DEM, land cover, nearest known den.
    """
    at = (den.longitude, den.latitude)
    ground = ground_at(*at, settings=settings, folder=folder)
    near = nearest_den(register, *at, but={str(den.den_id)})
    shape = [] if ground.slope_deg is None else [said_shape(ground.slope_deg, ground.aspect_deg)]
    nearest = f"nearest known den: {said_near(near)}" if near else "no other den is known"
    return "; ".join(filter(None, [said_ground(ground), *shape, nearest]))
