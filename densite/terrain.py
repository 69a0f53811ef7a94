"""Terrain at points: elevation, slope, aspect, heat load, direct radiation, topographic position."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from densite.blocks import around
from densite.discs import disc_totals
from densite.errors import LayerError
from densite.layers import GroundScales, Points, Raster, cells_at, lon_lat

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Method: TypeAlias = Literal["horn", "zevenbergen-thorne"]
Equation: TypeAlias = Literal[1, 2, 3]

NO_POINT = "no coordinates"
OUTSIDE = "outside the raster"
NODATA = "nodata"
DAMAGED = "a block of the file cannot be read"
EDGE = "at the raster's edge: no slope"
HOLE = "nodata beside the cell: no slope"
FLAT = "flat: no aspect"

ROUNDING = 4 * np.finfo(np.float64).eps  # of sums of eight heights, relative to all nine
FULL_DISC = 1e-9  # share of a disc that rounding may leave uncovered

# The foot is 0.3048 m by the international agreement of 1959, the US survey foot 1200/3937 m by the
# Mendenhall order of 1893 (NIST Special Publication 811, appendix B).
METRES = {
    **dict.fromkeys(("m", "metre", "meter", "metres", "meters"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "international foot", "international feet"), 0.3048),
    **dict.fromkeys(("us-ft", "us survey foot", "us survey feet", "ftus", "foot_us"), 1200 / 3937),
    **dict.fromkeys(("dm", "decimetre", "decimeter"), 0.1),
    **dict.fromkeys(("cm", "centimetre", "centimeter"), 0.01),
}


@dataclass(frozen=True, slots=True)
class _Limits:
    """For which latitudes [deg north] and slopes [deg] an equation was fitted."""

    south_deg: float
    north_deg: float
    steepest_deg: float


LIMITS: dict[int, _Limits] = {1: _Limits(0, 60, 90), 2: _Limits(0, 60, 60), 3: _Limits(30, 60, 60)}


def terrain_at(
    points: gpd.GeoDataFrame,
    dem: Raster,
    *,
    method: Method = "horn",
    position_radius_m: float = 300.0,
    distances: Literal["ground", "map"] = "ground",
) -> pd.DataFrame:
    """Return elevation and the shape of the ground at points.

    Slope and aspect come from the 3x3 cells around the cell in which a point falls. The gradient on
    the map is turned into one on the ground with the map's own Jacobian at the point, so that cells
    in degrees, feet or a stretched projection have their true sides and aspect counts from true
    north.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    dem : Raster
        Elevations. Their unit is the layer's (m, ft, us-ft, dm or cm); where none is declared, metres
        are assumed.
    method : {'horn', 'zevenbergen-thorne'}
        Estimator of the gradient, see :func:`gradient`.
    position_radius_m : float
        Radius of the disc for topographic position. [m]
    distances : {'ground', 'map'}
        ``map`` takes distances on the map for those on the ground, as common map programs do; aspect
        still counts from true north.

    Returns
    -------
    DataFrame
        Index of ``points``, with

        - ``elevation_m``: of the cell. [m]
        - ``slope_deg``: steepest slope, 0..90. [deg]
        - ``aspect_deg``: downslope bearing from true north, 0 <= aspect < 360. [deg]
        - ``heat_load``, ``direct_radiation``: equation 1 of McCune & Keon 2002. [ln(MJ cm-2 yr-1)]
        - ``topographic_position_m``: elevation minus the area-weighted mean of the disc, which
          includes the cell itself. [m]
        - ``reason``: why something is missing, else ''.

        A cell at the edge of the raster or beside nodata has no slope, a flat cell no aspect, and a
        disc that is not fully covered no topographic position.

    Raises
    ------
    LayerError
        The unit of elevation is unknown, map distances are asked of a DEM in degrees, or the layer
        cannot be read.

    Notes
    -----
    Source of topographic position: Guisan, Weiss & Weiss 1999, Plant Ecology 143:107-122,
    https://doi.org/10.1023/A:1009841519580, who take the mean of a disc (citation from memory).
    """
    frame = slope_aspect_at(points, dem, method=method, distances=distances)
    reason = frame.pop("reason")
    lat = lon_lat(points)[1]
    slope, aspect = frame["slope_deg"].to_numpy(), frame["aspect_deg"].to_numpy()
    frame["heat_load"] = heat_load(lat, slope, aspect)
    frame["direct_radiation"] = direct_radiation(lat, slope, aspect)
    metres = metres_per_unit(dem)
    frame["topographic_position_m"] = _position(points, dem, frame["elevation_m"], metres, position_radius_m)
    frame["reason"] = _joined_reasons(reason, _further_reasons(frame, lat, position_radius_m))
    return frame


def slope_aspect_at(
    points: gpd.GeoDataFrame | Points,
    dem: Raster,
    *,
    method: Method = "horn",
    distances: Literal["ground", "map"] = "ground",
    threads: int | None = None,
) -> pd.DataFrame:
    """Return elevation, slope and aspect at points, as :func:`terrain_at` does, and nothing else.

    Every touched block of the raster is decoded once, whatever the number of points.

    Parameters
    ----------
    points : GeoDataFrame or Points
        Points in any CRS; in the DEM's own they need not be transformed.
    dem : Raster
        Elevations.
    method, distances
        As for :func:`terrain_at`.
    threads : int, optional
        Number of decoding threads.

    Returns
    -------
    DataFrame
        Index of ``points``, with ``elevation_m`` [m], ``slope_deg`` [deg], ``aspect_deg`` [deg] and
        ``reason``. A point in a block that cannot be decoded is missing with a reason.

    Raises
    ------
    LayerError
        As for :func:`terrain_at`.
    """
    metres = metres_per_unit(dem)
    row, col = cells_at(points, dem)
    inside = (row >= 0) & (row < dem.shape[0]) & (col >= 0) & (col < dem.shape[1])
    scales = _Scales(_corners(dem, row, col, inside), int(inside.sum()), dem, distances)
    values = np.empty((len(row), 3))  # filled by the threads, and only then in memory
    values[~inside] = np.nan
    flips = slice(None, None, -1 if dem.transform.e > 0 else 1), slice(None, None, -1 if dem.transform.a < 0 else 1)

    def compute(which: Ints, windows: Floats) -> None:
        windows = windows[:, flips[0], flips[1]] * metres
        values[which] = _shape(windows, scales.at(*_places(dem, row.take(which), col.take(which))), dem, method)

    lost = around(dem, row, col, compute, threads=threads)
    frame = pd.DataFrame(values, index=points.index, columns=["elevation_m", "slope_deg", "aspect_deg"], copy=False)
    frame["reason"] = _reasons(values, row, col, lost, dem)
    return frame


def gradient(windows: ArrayLike, *, cell_x: float, cell_y: float, method: Method = "horn") -> tuple[Floats, Floats]:
    """Return the gradient of the ground in windows of 3x3 cells.

    Sign: ``dz_dx`` is positive where the ground rises to the east, ``dz_dy`` where it rises to the
    north. (Horn's own q and the formulas of many handbooks count rows downward and have the other
    sign for the second.)

    Parameters
    ----------
    windows : array_like, shape (..., 3, 3)
        Elevations, rows from north to south, columns from west to east.
    cell_x, cell_y : float
        Width and height of a cell, in the unit in which the gradient's distances shall count. [m]
    method : {'horn', 'zevenbergen-thorne'}
        Horn's third-order finite difference weighs all eight neighbours, Zevenbergen and Thorne's
        second-order one the four nearest.

    Returns
    -------
    tuple of ndarray, each of shape (...)
        ``dz_dx`` and ``dz_dy``; NaN where any of the nine cells is NaN, also one that the method
        itself does not use. [1]

    Raises
    ------
    LayerError
        The method is unknown, or a window is not 3x3.

    Notes
    -----
    Source: Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69(1):14-47,
    https://doi.org/10.1109/PROC.1981.11918. Zevenbergen & Thorne 1987, Quantitative analysis of
    land surface topography, Earth Surf. Process. Landf. 12:47-56,
    https://doi.org/10.1002/esp.3290120107.
    """
    z = np.asarray(windows, dtype=np.float64)
    if z.shape[-2:] != (3, 3):
        raise LayerError(f"windows have the shape {z.shape}, expected (..., 3, 3)")
    (a, b, c), (d, _, f), (g, h, i) = ((z[..., r, 0], z[..., r, 1], z[..., r, 2]) for r in range(3))
    if method == "horn":
        rise_x, rise_y, cells = (c + 2 * f + i) - (a + 2 * d + g), (a + 2 * b + c) - (g + 2 * h + i), 8
    elif method == "zevenbergen-thorne":
        rise_x, rise_y, cells = f - d, b - h, 2
    else:
        raise LayerError(f"method '{method}'; allowed: horn, zevenbergen-thorne")
    size = np.abs(z).sum(axis=(-2, -1))
    dz_dx = _without_noise(rise_x, size) / (cells * cell_x)
    dz_dy = _without_noise(rise_y, size) / (cells * cell_y)
    return dz_dx, dz_dy


def slope_deg(dz_dx: ArrayLike, dz_dy: ArrayLike) -> Floats:
    """Return the slope of a gradient.

    Parameters
    ----------
    dz_dx, dz_dy : array_like
        Rise per distance to the east and to the north. [1]

    Returns
    -------
    ndarray
        Angle from the horizontal, 0..90. [deg]
    """
    slope: Floats = np.degrees(np.arctan(np.hypot(dz_dx, dz_dy)))
    return slope


def aspect_deg(dz_dx: ArrayLike, dz_dy: ArrayLike) -> Floats:
    """Return the bearing in which the ground falls.

    Parameters
    ----------
    dz_dx, dz_dy : array_like
        Rise per distance to the east and to the north. [1]

    Returns
    -------
    ndarray
        Downslope bearing from the north to which ``dz_dy`` counts, clockwise, 0 <= aspect < 360; NaN
        where the ground is flat. [deg]
    """
    x, y = np.asarray(dz_dx, float), np.asarray(dz_dy, float)
    bearing = np.degrees(np.arctan2(-x, -y)) + 0.0  # no negative zero
    bearing = np.where(bearing < 0, bearing + 360.0, bearing)
    bearing = np.where(bearing == 360.0, 0.0, bearing)  # what rounding makes of a bearing just below 0
    return np.where((x == 0) & (y == 0), np.nan, bearing)


def slope_grid(array: ArrayLike, *, cell_x: float, cell_y: float) -> Floats:
    """Return Horn's slope of every cell of a grid, to be drawn.

    Parameters
    ----------
    array : array_like, shape (rows, columns)
        Elevations, rows from north to south. [m]
    cell_x, cell_y : float
        Width and height of a cell on the ground. [m]

    Returns
    -------
    ndarray, shape (rows, columns)
        Slope, NaN at the edge and beside NaN. [deg]
    """
    return _over_grid(array, lambda z: slope_deg(*gradient(z, cell_x=cell_x, cell_y=cell_y)))


def hillshade(
    array: ArrayLike, *, cell_x: float, cell_y: float, azimuth_deg: float = 315.0, altitude_deg: float = 45.0
) -> Floats:
    """Return the shading of every cell of a grid, to be drawn.

    Parameters
    ----------
    array : array_like, shape (rows, columns)
        Elevations, rows from north to south. [m]
    cell_x, cell_y : float
        Width and height of a cell on the ground. [m]
    azimuth_deg : float
        Bearing of the light, clockwise from the grid's north. [deg]
    altitude_deg : float
        Height of the light over the horizon. [deg]

    Returns
    -------
    ndarray, shape (rows, columns)
        Cosine of the angle between light and ground, 0 (in its own shade) to 1; NaN at the edge and
        beside NaN.

    Notes
    -----
    Source: Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69(1):14-47, the reflectance
    map of an ideal diffuse surface. https://doi.org/10.1109/PROC.1981.11918
    """
    azimuth, altitude = np.radians(azimuth_deg), np.radians(altitude_deg)
    light = np.sin(azimuth) * np.cos(altitude), np.cos(azimuth) * np.cos(altitude), np.sin(altitude)

    def shade(z: Floats) -> Floats:
        east, north = gradient(z, cell_x=cell_x, cell_y=cell_y)
        # the ground's normal is (-dz/dx, -dz/dy, 1), made one long
        cosine = (light[2] - light[0] * east - light[1] * north) / np.sqrt(1 + east**2 + north**2)
        clipped: Floats = np.clip(cosine, 0.0, 1.0)
        return clipped

    return _over_grid(array, shade)


def direct_radiation(
    latitude_deg: ArrayLike, slope_deg: ArrayLike, aspect_deg: ArrayLike, *, equation: Equation = 1
) -> Floats:
    """Return the potential annual direct incident radiation of McCune & Keon 2002.

    The aspect is folded about the north-south line, so that east and west are alike. The equations
    know neither clouds nor the shade of other ground.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude. [deg north]
    slope_deg : array_like
        Slope. [deg]
    aspect_deg : array_like
        Downslope bearing from true north; not needed where the slope is 0. [deg]
    equation : {1, 2, 3}
        1 holds for 0..60 deg north and slopes to 90 deg, 2 for slopes to 60 deg, 3 for 30..60 deg
        north and slopes to 60 deg.

    Returns
    -------
    ndarray
        As the paper's equation gives it: ln(MJ cm-2 yr-1) for equations 1 and 2, MJ cm-2 yr-1 for
        equation 3. NaN outside the equation's limits, the southern hemisphere included, for which
        the equations were not fitted.

    Raises
    ------
    LayerError
        There is no such equation.

    Notes
    -----
    Source: McCune & Keon 2002, Equations for potential annual direct incident radiation and heat
    load, J. Veg. Sci. 13:603-606. https://doi.org/10.1111/j.1654-1103.2002.tb02087.x
    """
    return _mccune_keon(latitude_deg, slope_deg, aspect_deg, equation, axis_deg=180.0)


def heat_load(
    latitude_deg: ArrayLike, slope_deg: ArrayLike, aspect_deg: ArrayLike, *, equation: Equation = 1
) -> Floats:
    """Return the heat load index of McCune & Keon 2002.

    The same equations as for :func:`direct_radiation`, with the aspect folded about the line from
    north-east to south-west, since afternoons are warmer than mornings. It is an index, although it
    comes out in the unit of radiation.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude. [deg north]
    slope_deg : array_like
        Slope. [deg]
    aspect_deg : array_like
        Downslope bearing from true north; not needed where the slope is 0. [deg]
    equation : {1, 2, 3}
        As for :func:`direct_radiation`.

    Returns
    -------
    ndarray
        On the scale of :func:`direct_radiation`; NaN outside the equation's limits.

    Raises
    ------
    LayerError
        There is no such equation.

    Notes
    -----
    Source: McCune & Keon 2002, J. Veg. Sci. 13:603-606.
    https://doi.org/10.1111/j.1654-1103.2002.tb02087.x
    """
    return _mccune_keon(latitude_deg, slope_deg, aspect_deg, equation, axis_deg=225.0)


def agreement(
    observed_slope_deg: pd.Series[float] | ArrayLike,
    observed_aspect_deg: pd.Series[float] | ArrayLike,
    derived_slope_deg: pd.Series[float] | ArrayLike,
    derived_aspect_deg: pd.Series[float] | ArrayLike,
    *,
    slope_tolerance_deg: float,
    aspect_tolerance_deg: float,
) -> pd.DataFrame:
    """Hold slope and aspect measured at the den against those of the DEM.

    Parameters
    ----------
    observed_slope_deg, derived_slope_deg : Series or array_like, shape (n,)
        Slopes. [deg]
    observed_aspect_deg, derived_aspect_deg : Series or array_like, shape (n,)
        Bearings, both from true north. [deg]
    slope_tolerance_deg, aspect_tolerance_deg : float
        Largest difference, up or down, that needs no second look. [deg]

    Returns
    -------
    DataFrame
        ``slope_difference_deg`` and ``aspect_difference_deg``, observed minus derived, the latter the
        signed smaller angle (-180 <= difference < 180), NaN where either is missing [deg];
        ``slope_flag`` and ``aspect_flag``, true where the tolerance is exceeded. Index of
        ``observed_slope_deg`` where it is a Series.
    """
    index = observed_slope_deg.index if isinstance(observed_slope_deg, pd.Series) else None
    slope = np.asarray(observed_slope_deg, float) - np.asarray(derived_slope_deg, float)
    turn = np.asarray(observed_aspect_deg, float) - np.asarray(derived_aspect_deg, float)
    aspect = (turn + 180.0) % 360.0 - 180.0
    columns = {
        "slope_difference_deg": slope,
        "aspect_difference_deg": aspect,
        "slope_flag": np.abs(slope) > slope_tolerance_deg,
        "aspect_flag": np.abs(aspect) > aspect_tolerance_deg,
    }
    return pd.DataFrame(columns, index=index)


def metres_per_unit(dem: Raster) -> float:
    """Return the length of a DEM's vertical unit.

    Parameters
    ----------
    dem : Raster
        Elevations; without a declared unit they are taken to be metres.

    Returns
    -------
    float
        Metres per unit. [m]

    Raises
    ------
    LayerError
        The declared unit is unknown.
    """
    if dem.unit is None:
        return 1.0
    try:
        return METRES[dem.unit.strip().lower().replace("us_survey_foot", "us survey foot")]
    except KeyError:
        raise LayerError(
            f"layer '{dem.name}': {dem.path}: unit of elevation '{dem.unit}'; allowed: m, ft, us-ft, dm, cm"
        ) from None


def _without_noise(rise: Floats, size: Floats) -> Floats:
    """Take a rise that rounding alone can leave for none, so that flat ground gets no aspect.

    Sums of unequal heights that are equal in the file (whole feet, whole decimetres with a scale)
    differ in their last bits once they are metres. ``size`` is the sum of the nine heights' amounts.
    """
    return np.where(np.abs(rise) <= ROUNDING * size, 0.0, rise + 0.0 * size)  # NaN where any of the nine is


def _places(dem: Raster, row: Floats, col: Floats) -> tuple[Floats, Floats]:
    """Return where cells counted as fractions lie in the DEM's CRS."""
    return dem.transform.c + col * dem.transform.a, dem.transform.f + row * dem.transform.e


def _corners(dem: Raster, row: Floats, col: Floats, inside: Flags) -> tuple[Floats, Floats]:
    """Return the x and y of two opposite corners of the box round the points inside."""
    ends = [[f(v, where=inside, initial=i) for f, i in ((np.min, np.inf), (np.max, -np.inf))] for v in (row, col)]
    return _places(dem, *np.array(ends))


class _Scales:
    """Map units per ground metre to the true east and north, shape (n, 2, 2), on the ground or on the map."""

    def __init__(self, corners: tuple[Floats, Floats], points: int, dem: Raster, distances: str) -> None:
        if distances not in ("ground", "map"):
            raise LayerError(f"distances '{distances}'; allowed: ground, map")
        if distances == "map" and dem.crs.is_geographic:
            raise LayerError(f"layer '{dem.name}': {dem.path} is in degrees: it has no map distances, use ground")
        self._ground = GroundScales(*corners, dem.crs, points=points)
        self._unit = dem.crs.axis_info[0].unit_conversion_factor if distances == "map" else None

    def at(self, x: Floats, y: Floats) -> Floats:
        scales = self._ground.at(x, y)
        if self._unit is None:
            return scales
        north = scales[:, :, 1] / np.linalg.norm(scales[:, :, 1], axis=1, keepdims=True)
        east = np.stack([north[:, 1], -north[:, 0]], axis=1)
        turn: Floats = np.stack([east, north], axis=2) / self._unit
        return turn


def _shape(windows: Floats, scales: Floats, dem: Raster, method: Method) -> Floats:
    """Return elevation, slope and aspect of windows, shape (n, 3)."""
    east, north = _ground_gradient(windows, dem, scales, method)
    return np.column_stack([windows[:, 1, 1], slope_deg(east, north), aspect_deg(east, north)])


def _ground_gradient(windows: Floats, dem: Raster, scales: Floats, method: Method) -> tuple[Floats, Floats]:
    """Turn the gradient on the map into one per ground metre to the true east and north."""
    cell_x, cell_y = abs(dem.transform.a), abs(dem.transform.e)
    dx, dy = gradient(windows, cell_x=cell_x, cell_y=cell_y, method=method)
    return scales[:, 0, 0] * dx + scales[:, 1, 0] * dy, scales[:, 0, 1] * dx + scales[:, 1, 1] * dy


def _position(
    points: gpd.GeoDataFrame, dem: Raster, elevation: pd.Series[float], metres: float, radius_m: float
) -> Floats:
    """Return elevation minus the mean of the disc; NaN where the disc has a gap. [m]"""
    totals = disc_totals(points, dem, radii_m=[radius_m])
    whole = totals.missing[0] <= FULL_DISC
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = totals.sums[0] / totals.shares[0, :, 0]
    return np.where(whole, elevation.to_numpy() - mean * metres, np.nan)


def _reasons(values: Floats, row: Floats, col: Floats, lost: Flags, dem: Raster) -> NDArray[np.object_]:
    """Say for each point what of elevation, slope and aspect is missing and why."""
    reasons = np.full(len(row), "", dtype=object)
    some = np.flatnonzero(np.isnan(values[:, 2]))  # what lacks anything lacks an aspect
    values, lost = values[some], lost[some]
    rows, cols = np.floor(row[some]), np.floor(col[some])
    nowhere = np.isnan(rows)
    outside = (rows < 0) | (rows >= dem.shape[0]) | (cols < 0) | (cols >= dem.shape[1])
    edge = (rows == 0) | (rows == dem.shape[0] - 1) | (cols == 0) | (cols == dem.shape[1] - 1)
    here, sloped, facing = ~np.isnan(values.T)
    reasons[some] = _said(
        (nowhere, NO_POINT),
        (~nowhere & outside, OUTSIDE),
        (lost, DAMAGED),
        (~nowhere & ~outside & ~here & ~lost, NODATA),
        (here & ~sloped & edge & ~lost, EDGE),
        (here & ~sloped & ~edge & ~lost, HOLE),
        (sloped & ~facing, FLAT),
    )
    return reasons


def _further_reasons(frame: pd.DataFrame, lat: Floats, radius_m: float) -> NDArray[np.object_]:
    """Say what else is missing at points that have an elevation."""
    here = frame["elevation_m"].notna().to_numpy()
    beyond = (lat < LIMITS[1].south_deg) | (lat > LIMITS[1].north_deg)
    return _said(
        (here & beyond, "latitude beyond 0..60 deg north: no heat load or direct radiation"),
        (here & frame["topographic_position_m"].isna().to_numpy(), f"gap in the disc of {radius_m:g} m: no position"),
    )


def _said(*checks: tuple[Flags, str]) -> NDArray[np.object_]:
    """Join for each point the texts that apply, one join for each combination that occurs."""
    bits = sum((found.astype(np.int64) << i for i, (found, _) in enumerate(checks)), start=np.int64(0))
    kinds, which = np.unique(bits, return_inverse=True)
    texts = ["; ".join(text for i, (_, text) in enumerate(checks) if kind >> i & 1) for kind in kinds.tolist()]
    return np.array(texts, dtype=object)[which]


def _joined_reasons(first: pd.Series[str], more: NDArray[np.object_]) -> list[str]:
    return ["; ".join(text for text in pair if text) for pair in zip(first, more, strict=True)]


def _over_grid(array: ArrayLike, compute: Callable[[Floats], Floats]) -> Floats:
    """Compute something from the 3x3 cells around every cell; NaN at the grid's edge."""
    z = np.asarray(array, dtype=np.float64)
    grid = np.full(z.shape, np.nan)
    if min(z.shape) >= 3:
        grid[1:-1, 1:-1] = compute(np.lib.stride_tricks.sliding_window_view(z, (3, 3)))
    return grid


def _mccune_keon(
    latitude_deg: ArrayLike, slope_deg: ArrayLike, aspect_deg: ArrayLike, equation: int, *, axis_deg: float
) -> Floats:
    """Compute one of the three equations with the aspect folded about an axis."""
    if equation not in LIMITS:
        raise LayerError(f"equation {equation}; McCune & Keon 2002 has 1, 2 and 3")
    latitude, slope, aspect = (np.asarray(v, float) for v in (latitude_deg, slope_deg, aspect_deg))
    limits = LIMITS[equation]
    fits = (latitude >= limits.south_deg) & (latitude <= limits.north_deg)
    fits &= (slope >= 0) & (slope <= limits.steepest_deg)
    # on flat ground sin S is 0 and the aspect, which does not exist there, has no weight
    bearing = np.where(slope == 0, 0.0, aspect % 360.0)
    A = np.radians(np.abs(180.0 - np.abs(bearing - axis_deg)))
    L, S = np.radians(latitude), np.radians(slope)
    return np.where(fits, _EQUATIONS[equation](L, S, A), np.nan)


def _equation_1(L: Floats, S: Floats, A: Floats) -> Floats:
    return (
        -1.467 + 1.582 * np.cos(L) * np.cos(S) - 1.500 * np.cos(A) * np.sin(S) * np.sin(L)
        - 0.262 * np.sin(L) * np.sin(S) + 0.607 * np.sin(A) * np.sin(S)
    )  # fmt: skip


def _equation_2(L: Floats, S: Floats, A: Floats) -> Floats:
    return (
        -1.236 + 1.350 * np.cos(L) * np.cos(S) - 1.376 * np.cos(A) * np.sin(S) * np.sin(L)
        - 0.331 * np.sin(L) * np.sin(S) + 0.375 * np.sin(A) * np.sin(S)
    )  # fmt: skip


def _equation_3(L: Floats, S: Floats, A: Floats) -> Floats:
    return (
        0.339 + 0.808 * np.cos(L) * np.cos(S) - 0.196 * np.sin(L) * np.sin(S)
        - 0.482 * np.cos(A) * np.sin(S)
    )  # fmt: skip


_EQUATIONS: dict[int, Callable[[Floats, Floats, Floats], Floats]] = {
    1: _equation_1, 2: _equation_2, 3: _equation_3,
}  # fmt: skip
