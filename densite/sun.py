"""Sun at dens: the terrain's horizon, hours of direct sun, and the angle at which the sun meets the slope."""

from __future__ import annotations

import datetime as dt
import importlib.util
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import binary_dilation

from densite.blocks import Block, BlockGrid, grid_of, visit
from densite.errors import LayerError
from densite.layers import Raster, cells_at, ground_jacobian, lon_lat
from densite.sunpath import (
    DELTA_T_S,
    LOWEST_REFRACTED_DEG,
    PARALLAX_DEG,
    STEP_HOUR_ANGLE_DEG,
    TWILIGHT_DEG,
    Paths,
    altitude_azimuth,
    ephemeris_at,
    refraction_deg,
    seen_at,
    sun_paths,
)  # fmt: skip
from densite.terrain import metres_per_unit

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
PartOfDay: TypeAlias = Literal["day", "morning", "afternoon"]
Box: TypeAlias = tuple[int, int, int, int]  # first and last (exclusive) row, then column
Disc: TypeAlias = Literal["centre", "upper limb"]
PARTS: tuple[PartOfDay, ...] = ("day", "morning", "afternoon")

NO_POINT = "no coordinates"
OUTSIDE = "outside the raster"
NODATA = "nodata"

# The mean radius of the Earth: Moritz 2000, J. Geodesy 74:128-133, doi:10.1007/s001900050278.
EARTH_RADIUS_M = 6_371_008.8
SEMIDIAMETER_DEG = 0.26667  # of the sun, Reda & Andreas 2004, section 3.11

STEP_CELLS = 0.25  # first step along a ray; measured errors: see horizon_at
STEP_RATIO = 0.015  # later steps as a share of the distance
FINE_STEPS = 16  # samples added on both sides of the highest one
TILE_CELLS = 1024  # side of the squares by which points are taken together, at least
WINDOW_CELLS = 4096  # side of what is read around them, where the reach allows it
CHUNK_VALUES = 120_000  # samples in hand at once, so that they stay in the processor's cache
PIECE = 32  # points in hand at once
COMPILED_FROM = 1000  # points; numpy does fewer before the compiled kernel is loaded
MAX_WINDOW_CELLS = 64_000_000  # 256 MB


@dataclass(frozen=True, slots=True)
class Horizon:
    """The terrain's horizon around points.

    ``angles`` has the index of the points and one column per direction, named by its azimuth from
    true north [deg]; its values are the angles of the terrain over the horizontal [deg], negative
    where all ground lies lower, NaN where the direction is not known. ``reason`` says why something
    is missing, else ''.
    """

    angles: pd.DataFrame
    reason: pd.Series[Any]
    reach_m: float

    @property
    def unknown_share(self) -> pd.Series[Any]:
        """Share of the directions of which the horizon is not known. [0..1]"""
        return self.angles.isna().mean(axis=1)


@dataclass(frozen=True, slots=True)
class _Window:
    """Part of a DEM around a group of points, in metres; ``top`` and ``left`` are its first cell."""

    values: Singles
    top: int
    left: int
    holes: Flags | None
    damaged: bool


@dataclass(frozen=True, slots=True)
class _Rays:
    """Rays from points: cells in a window (n,), cells moved per metre in each direction (n, d), and limits."""

    row: Floats
    col: Floats
    down: Floats
    right: Floats
    reach_m: float
    bend: float

    @property
    def cell_m(self) -> Floats:
        """Least ground distance between cells at each point, shape (n,). [m]"""
        cells: Floats = 1.0 / np.hypot(self.down, self.right).max(axis=1)
        return cells

    def some(self, which: Ints, *, top: int = 0, left: int = 0) -> _Rays:
        """Return the rays of some points, counted from another first cell."""
        return _Rays(
            self.row[which] - top, self.col[which] - left, self.down[which], self.right[which],
            self.reach_m, self.bend,
        )  # fmt: skip


def horizon_at(
    points: gpd.GeoDataFrame,
    dem: Raster,
    *,
    directions: int = 72,
    reach_m: float = 10_000.0,
    refraction: float = 0.13,
    threads: int | None = None,
    compiled: bool | None = None,
) -> Horizon:
    """Return how high the terrain stands around points.

    Along each direction the DEM is sampled bilinearly between the middles of its cells, from one
    cell away (nearer ground is finer than the DEM) in steps of a quarter cell, which from 17 cells
    on grow by 1.5 %, and again more densely on both sides of the highest sample. The eye is on the
    ground: the DEM's own bilinear height at the point.

    A height z at ground distance d stands over the horizontal by
    ``atan((z - z0) / d - (1 - k) d / (2 R))``, which takes in the Earth's curvature and, with k,
    the bending of light along the ground. Rays are straight lines on the map that start in the
    right bearing with the right scale, both from the map's Jacobian at the point. Neglected are
    the change of scale and the bend of the geodesic within the reach: in UTM nothing that counts, in
    Mercator or degrees at 60 deg north up to 0.3 % of the distance or 0.1 deg of azimuth at 10 km.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    dem : Raster
        Elevations, in the layer's unit (metres where none is declared).
    directions : int
        Number of directions, the first of which is true north.
    reach_m : float
        How far to look. Ground beyond is not seen. [m]
    refraction : float
        Coefficient k of terrestrial refraction: the curvature of light over the Earth's; 1 leaves
        a flat Earth. [1]
    threads : int or None
        Number of threads; all processors, at most four, by default. The result is the same.
    compiled : bool, optional
        False keeps to numpy; by default many points are computed by compiled code where numba is
        installed. The result is the same.

    Returns
    -------
    Horizon
        A direction in which the raster ends within the reach, or which comes within about a cell
        of nodata, is not known: NaN, with the reason and the share of such directions.

    Raises
    ------
    LayerError
        The reach is under a cell, there are fewer than four directions, the DEM is too fine for the
        reach, its unit is unknown, or the file can no longer be opened.

    Notes
    -----
    Source of k: Gauss 1826 found 0.13 in the Hannover arc (after Brunner 1984, Geodetic Refraction,
    Springer, p. 2, quoted from memory); surveyors and map programs use 0.13 to 0.14.

    Measured to 10 km against a plain march: 0.01 deg off at the 99th percentile on the demo's 10 m
    DEM, 0.04 deg on a rough DEM of 75 m cells.
    """
    _check(directions, reach_m)
    metres = metres_per_unit(dem)
    azimuths = np.arange(directions) * 360.0 / directions
    rays = _rays(points, dem, azimuths, reach_m, (1.0 - refraction) / (2 * EARTH_RADIUS_M))
    inside = _inside(rays.row, rays.col, dem) & np.isfinite(rays.down).all(axis=1)
    tangents, damaged = np.full((len(points), directions), np.nan), np.zeros(len(points), bool)
    kernel = _kernel(len(points) >= COMPILED_FROM if compiled is None else compiled)
    with ThreadPoolExecutor(threads or _threads()) as pool:
        for which, window in _windows(dem, rays, np.flatnonzero(inside), metres):
            here = rays.some(which, top=window.top, left=window.left)
            look = partial(_tangents, window) if kernel is None else _compiled(kernel, window)
            parts = (here.some(part) for part in _parts(here, window))
            tangents[which] = np.concatenate(list(pool.map(look, parts)))
            damaged[which] = window.damaged
    angles = pd.DataFrame(np.degrees(np.arctan(tangents)), index=points.index, columns=azimuths)
    return Horizon(angles, pd.Series(_reasons(angles, rays, dem, damaged), index=points.index, dtype=object), reach_m)


def sun_position(
    when: Any,
    longitude: ArrayLike,
    latitude: ArrayLike,
    *,
    pressure_hpa: ArrayLike = 1010.0,
    temperature_c: ArrayLike = 10.0,
    delta_t_s: float = DELTA_T_S,
) -> tuple[Floats, Floats]:
    """Return where the middle of the sun's disc is seen.

    Parameters
    ----------
    when : datetime-like or sequence of them
        Times; those with an offset become UTC, those without are taken as UTC.
    longitude, latitude : array_like
        Place, WGS 84; broadcast against the times. [deg]
    pressure_hpa, temperature_c : array_like
        Air at the place, for refraction. [hPa], [deg C]
    delta_t_s : float
        Terrestrial time minus UT1. UT1 is taken as UTC, which is under 0.9 s off, 0.004 deg. [s]

    Returns
    -------
    tuple of ndarray
        Zenith angle lifted by refraction, and azimuth from true north, 0 <= azimuth < 360. [deg]

    Notes
    -----
    Sources: apparent place of the sun by the IAU's SOFA routines (Earth's path epv00, aberration,
    precession-nutation IAU 2006/2000A, sidereal time gst06a; as in pyerfa,
    doi:10.5281/zenodo.3564896); refraction and parallax after Reda & Andreas 2004, Solar position
    algorithm for solar radiation applications, Solar Energy 76:577-589,
    doi:10.1016/j.solener.2003.12.003, whose worked example is met to 0.0001 deg.
    """
    ephemeris = ephemeris_at(pd.DatetimeIndex(np.atleast_1d(pd.to_datetime(when, utc=True))), delta_t_s)
    hour_angle = ephemeris.greenwich_deg + np.asarray(longitude, float)
    altitude, azimuth = altitude_azimuth(hour_angle, ephemeris.declination_deg, np.asarray(latitude, float))
    lifted = altitude + refraction_deg(altitude, pressure_hpa, temperature_c)
    return 90.0 - lifted, azimuth


def incidence_deg(slope_deg: ArrayLike, aspect_deg: ArrayLike, zenith_deg: ArrayLike, azimuth_deg: ArrayLike) -> Floats:
    """Return the angle between the direction of the sun and the slope's normal.

    Parameters
    ----------
    slope_deg : array_like
        Slope. [deg]
    aspect_deg : array_like
        Downslope bearing from true north; not needed where the slope is 0. [deg]
    zenith_deg, azimuth_deg : array_like
        Zenith angle of the sun, and its azimuth from true north. [deg]

    Returns
    -------
    ndarray
        0 where the sun meets the ground squarely; over 90 the sun is behind the slope. [deg]

    Notes
    -----
    Source: the scalar product of the two directions; Iqbal 1983, An introduction to solar
    radiation, Academic Press, section 1.6 (from memory).
    """
    slope, zenith = np.radians(np.asarray(slope_deg, float)), np.radians(np.asarray(zenith_deg, float))
    aside = np.where(slope == 0, 0.0, np.radians(np.subtract(azimuth_deg, aspect_deg, dtype=float)))
    # half-angle form: the arccosine of the scalar product loses half its digits near 0
    apart = np.sin((zenith - slope) / 2) ** 2 + np.sin(zenith) * np.sin(slope) * np.sin(aside / 2) ** 2
    angle: Floats = np.degrees(2 * np.arcsin(np.sqrt(np.clip(apart, 0.0, 1.0))))
    return angle


def sun_at(
    points: gpd.GeoDataFrame, horizon: Horizon, when: Any, *, slope_deg: ArrayLike, aspect_deg: ArrayLike
) -> pd.DataFrame:
    """Return how the sun stands to the ground of points at given times.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    horizon : Horizon
        From :func:`horizon_at` for the same points.
    when : datetime-like or sequence of them, shape (n,)
        One time for all points, or one for each; without an offset taken as UTC.
    slope_deg, aspect_deg : array_like, shape (n,)
        Slope and downslope bearing from true north, of the DEM or from the field. [deg]

    Returns
    -------
    DataFrame
        Index of ``points``, with

        - ``zenith_deg``, ``azimuth_deg``: of the middle of the sun's disc, with refraction. [deg]
        - ``incidence_deg``: see :func:`incidence_deg`. [deg]
        - ``behind_slope``: whether the sun is behind the slope; missing without a slope.
        - ``behind_horizon``: whether it is behind the terrain or the horizontal; missing where the
          horizon is not known and the sun is over the horizontal.

    Raises
    ------
    LayerError
        Points and horizon have another index.
    """
    _check_same(points, horizon)
    lon, lat = lon_lat(points)
    zenith, azimuth = (np.broadcast_to(v, lon.shape) for v in sun_position(when, lon, lat))
    incidence = incidence_deg(slope_deg, aspect_deg, zenith, azimuth)
    above = 90.0 - zenith - _horizon_towards(horizon.angles.to_numpy(), azimuth[:, None])[:, 0]
    down = zenith >= 90.0
    columns = {
        "zenith_deg": zenith,
        "azimuth_deg": azimuth,
        "incidence_deg": incidence,
        "behind_slope": _flag(incidence > 90.0, ~np.isnan(incidence)),
        "behind_horizon": _flag(~(above > 0), ~np.isnan(above) | down),
    }
    return pd.DataFrame(columns, index=points.index)


def direct_sun_hours(
    points: gpd.GeoDataFrame,
    horizon: Horizon,
    *,
    start: dt.date,
    end: dt.date,
    part_of_day: Sequence[PartOfDay] = PARTS,
    disc: Disc = "centre",
    threads: int | None = None,
    compiled: bool | None = None,
) -> pd.DataFrame:
    """Return how long the sun can shine on points on a mean day of a window of dates.

    Clouds, trees and snow are not in it. The sun shines when the middle of its disc, lifted by
    refraction, stands over the terrain's horizon, which is taken as straight between its directions.
    Where the sun is up but the horizon in its direction is not known, the hours are missing and
    the share of such hours is told.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    horizon : Horizon
        From :func:`horizon_at` for the same points.
    start, end : date
        First and last day, both in the window. Days are the solar days of the points.
    part_of_day : sequence of {'day', 'morning', 'afternoon'}
        Morning is before the sun is in the meridian (true solar noon, whatever the clock says),
        afternoon after it.
    disc : {'centre', 'upper limb'}
        Part of the sun that must stand over the horizon; almanacs take the upper limb.
    threads : int or None
        Number of threads; all processors, at most four, by default. The result is the same.
    compiled : bool, optional
        False keeps to numpy; by default many points are computed by compiled code where numba is
        installed. The result is the same to 1e-9 h.

    Returns
    -------
    DataFrame
        Index of ``points``, with for each part of the day

        - ``day_h``, ``morning_h``, ``afternoon_h``: mean hours of direct sun a day; times the number
          of days it is the sum of the window. [h/day]
        - ``day_unknown_share`` and so on: share of the time with the sun over the horizontal in
          which the horizon is not known. [0..1]
        - ``reason``: why something is missing, else ''.

    Raises
    ------
    LayerError
        The window ends before it starts, a part of the day or of the disc is not known, or points
        and horizon have another index.

    Notes
    -----
    The sun's path is followed in hour angle, 10 minutes a step; within a step it crosses the
    horizon where the difference of the two, taken as straight, is nought. Its declination is
    computed for noon of every day at whole degrees of longitude, and taken as straight between them
    and between noons: what a point gets does not depend on the others.
    """
    _check_same(points, horizon)
    _check_window(start, end, part_of_day, disc)
    frame = pd.DataFrame(index=points.index)
    kernel = _kernel(len(points) >= COMPILED_FROM if compiled is None else compiled)
    add_up = _sums if kernel is None else partial(_compiled_sums, kernel)
    limb_deg = SEMIDIAMETER_DEG if disc == "upper limb" else 0.0
    angles, sums = horizon.angles.to_numpy(), np.full((3, len(points), 2), np.nan)
    with ThreadPoolExecutor(threads or _threads()) as pool:
        for which, paths in sun_paths(*lon_lat(points), start, end):
            parts = [slice(k, k + PIECE) for k in range(0, len(which), PIECE)]
            pieces = ((paths.some(part), angles[which[part]], limb_deg) for part in parts)
            sums[:, which] = np.concatenate(list(pool.map(add_up, *zip(*pieces, strict=True))), axis=1)
    hours, unknown = _hours(sums, (end - start).days + 1)
    for part in part_of_day:
        column = PARTS.index(part)
        frame[f"{part}_h"] = np.where(unknown[:, column] > 0, np.nan, hours[:, column])
        frame[f"{part}_unknown_share"] = unknown[:, column]
    frame["reason"] = _sun_reasons(horizon, frame, part_of_day)
    return frame


def _kernel(compiled: bool) -> Any:
    """Return the module of compiled code if it is wanted and there, else None."""
    if compiled and importlib.util.find_spec("numba"):
        try:
            from densite import sunkernel  # loading the compiler takes longer than a few points
        except ImportError:  # numba refuses a numpy that is newer than it knows
            return None
        return sunkernel
    return None


def _threads() -> int:
    return min(4, os.cpu_count() or 1)


def _check(directions: int, reach_m: float) -> None:
    if directions < 4:
        raise LayerError(f"{directions} directions; expected four or more, 72 is every 5 degrees")
    if not (np.isfinite(reach_m) and reach_m > 0):
        raise LayerError(f"reach of {reach_m} m; expected a distance above 0 m, such as 10000")


def _check_same(points: gpd.GeoDataFrame, horizon: Horizon) -> None:
    if not points.index.equals(horizon.angles.index):
        raise LayerError("points and horizon have another index: compute the horizon for these very points")


def _check_window(start: dt.date, end: dt.date, parts: Sequence[str], disc: str) -> None:
    if end < start:
        raise LayerError(f"the window ends on {end}, before it starts on {start}: give the later year")
    wrong = [part for part in parts if part not in PARTS]
    if wrong or not parts:
        raise LayerError(f"part of day {', '.join(wrong) or 'none'}; allowed: {', '.join(PARTS)}")
    if disc not in ("centre", "upper limb"):
        raise LayerError(f"disc '{disc}'; allowed: centre, upper limb")


def _rays(points: gpd.GeoDataFrame, dem: Raster, azimuths: Floats, reach_m: float, bend: float) -> _Rays:
    """Set out the rays from all points, in cells of the raster."""
    row, col = cells_at(points, dem)
    per_metre = ground_jacobian(*lon_lat(points), dem.crs)
    bearing = np.radians(azimuths)
    on_map = per_metre @ np.stack([np.sin(bearing), np.cos(bearing)])
    return _Rays(row, col, on_map[:, 1] / dem.transform.e, on_map[:, 0] / dem.transform.a, reach_m, bend)


def _inside(row: Floats, col: Floats, dem: Raster) -> Flags:
    inside: Flags = (row >= 0) & (row < dem.shape[0]) & (col >= 0) & (col < dem.shape[1])
    return inside


def _windows(dem: Raster, rays: _Rays, which: Ints, metres: float) -> Iterator[tuple[Ints, _Window]]:
    """Read the DEM around groups of neighbouring points; each block of the file is decoded once.

    Groups go from the raster's first row down, and a block is dropped after the last group that needs
    it, so that memory holds one band of the raster as high as twice the reach, and of it only what
    rays can touch.
    """
    groups = list(_groups(rays, which))
    boxes = [_box(rays.some(group), dem) for group in groups]
    grid = grid_of(dem)
    needed = [_blocks_under(box, grid) for box in boxes]
    last = {number: turn for turn, numbers in enumerate(needed) for number in numbers.tolist()}
    held: dict[int, Singles] = {}
    for turn, (group, box) in enumerate(zip(groups, boxes, strict=True)):
        _decode(dem, grid, [number for number in needed[turn].tolist() if number not in held], held, metres)
        whole = {number: held[number] for number in needed[turn].tolist() if number in held}
        yield group, _pasted(box, whole, grid, len(whole) < len(needed[turn]))
        held = {number: values for number, values in held.items() if last[number] > turn}


def _groups(rays: _Rays, which: Ints) -> Iterator[Ints]:
    """Split points by tiles of the raster, from the first row down."""
    if not len(which):
        return
    side = max(TILE_CELLS, WINDOW_CELLS - 2 * rays.reach_m / rays.cell_m[which].min())
    key_row, key_col = (np.floor(cell[which] / side) for cell in (rays.row, rays.col))
    order = np.lexsort((key_col, key_row))
    changes = (np.diff(key_row[order]) != 0) | (np.diff(key_col[order]) != 0)
    yield from np.split(which[order], np.flatnonzero(changes) + 1)


def _box(rays: _Rays, dem: Raster) -> Box:
    """Return the cells that the rays' samples can touch."""
    if (rays.cell_m > rays.reach_m).any():
        raise LayerError(f"reach of {rays.reach_m:g} m is under a cell of layer '{dem.name}': look farther")
    sides = []
    for cell, step in ((rays.row, rays.down), (rays.col, rays.right)):
        reach = np.abs(step).max(axis=1) * rays.reach_m + 2
        sides.append((int(np.floor((cell - reach).min())), int(np.ceil((cell + reach).max())) + 1))
    (top, bottom), (left, right) = sides
    if (bottom - top) * (right - left) > MAX_WINDOW_CELLS:
        raise LayerError(
            f"layer '{dem.name}': {bottom - top} x {right - left} cells lie within {rays.reach_m:g} m, too many to "
            "hold: use a coarser DEM for the horizon (gdalwarp -tr 10 10 -r average) or a shorter reach"
        )
    return top, bottom, left, right


def _blocks_under(box: Box, grid: BlockGrid) -> Ints:
    """List the numbers of the file's blocks under a box."""
    top, bottom, left, right = box
    rows = np.arange(max(top, 0) // grid.block[0], -(-min(bottom, grid.shape[0]) // grid.block[0]))
    cols = np.arange(max(left, 0) // grid.block[1], -(-min(right, grid.shape[1]) // grid.block[1]))
    return (rows[:, None] * grid.across + cols).ravel()


def _decode(dem: Raster, grid: BlockGrid, numbers: list[int], held: dict[int, Singles], metres: float) -> None:
    """Decode blocks and hold their heights; one that is damaged is not held, which costs the rays through it."""
    windows = [grid.window(number) for number in numbers]
    rows, cols = (np.array([getattr(w, side) for w in windows], np.int64) for side in ("row_off", "col_off"))

    def hold(block: Block, which: Ints) -> None:
        held[numbers[int(which[0])]] = _heights(block, metres)

    visit(dem, rows, cols, hold)


def _heights(block: Block, metres: float) -> Singles:
    """Return a block's heights in metres; NaN where missing."""
    values = ((block.raw * block.scale + block.offset) * metres).astype(np.float32)
    gone = ~np.isfinite(values)
    if block.nodata is not None:
        gone |= block.raw == block.nodata
    if block.missing is not None:
        gone |= block.missing
    values[gone] = np.nan
    return values


def _pasted(box: Box, blocks: dict[int, Singles], grid: BlockGrid, damaged: bool) -> _Window:
    """Put blocks together; outside the raster and in damaged ones there is nothing."""
    top, bottom, left, right = box
    values = np.full((bottom - top, right - left), np.nan, np.float32)
    for number, heights in blocks.items():
        row, col = (int(off) for off in (grid.window(number).row_off, grid.window(number).col_off))
        rows = slice(max(row, top), min(row + heights.shape[0], bottom))
        cols = slice(max(col, left), min(col + heights.shape[1], right))
        part = heights[rows.start - row : rows.stop - row, cols.start - col : cols.stop - col]
        values[rows.start - top : rows.stop - top, cols.start - left : cols.stop - left] = part
    holed = damaged or any(np.isnan(heights.min()) for heights in blocks.values())
    return _Window(values, top, left, _near_holes(values, box, grid) if holed else None, damaged)


def _near_holes(values: Singles, box: Box, grid: BlockGrid) -> Flags:
    """Tell which cells are nodata or beside it."""
    top, _, left, _ = box
    inner = (slice(max(-top, 0), grid.shape[0] - top), slice(max(-left, 0), grid.shape[1] - left))
    # rays stay outside where the raster ends, so only holes within it can be stepped over
    holes = np.zeros(values.shape, bool)
    holes[inner] = np.isnan(values[inner])
    near: Flags = binary_dilation(holes, np.ones((3, 3)))
    return near


def _parts(rays: _Rays, window: _Window) -> Iterator[Ints]:
    """Split points so that the samples in hand stay few."""
    samples = rays.down.shape[1] * len(_distances(float(rays.reach_m / rays.cell_m.min())))
    if window.holes is not None:
        samples += int(rays.down.shape[1] * rays.reach_m / rays.cell_m.min())
    size = max(1, CHUNK_VALUES // samples)
    everyone = np.arange(len(rays.row))
    yield from (everyone[start : start + size] for start in range(0, len(everyone), size))


def _distances(reach_cells: float) -> Floats:
    """Return the distances of samples along a ray up to a reach; the last is at or beyond it. [cells]"""
    linear = np.arange(1.0, STEP_CELLS / STEP_RATIO, STEP_CELLS)
    turns = max(0, int(np.ceil(np.log(reach_cells / linear[-1]) / np.log1p(STEP_RATIO))))
    return np.concatenate([linear, linear[-1] * (1 + STEP_RATIO) ** np.arange(1.0, turns + 1)])


def _compiled(kernel: Any, window: _Window) -> Callable[[_Rays], Floats]:
    """Return what does for a window the same as :func:`_tangents` from compiled code."""
    return partial(_compiled_tangents, kernel, window, kernel.highest(window.values))


def _compiled_tangents(kernel: Any, window: _Window, tops: Singles, rays: _Rays) -> Floats:
    where = rays.row, rays.col, rays.down, rays.right, rays.cell_m
    cells = _distances(float(rays.reach_m / rays.cell_m.min()))
    found: Floats = kernel.tangents(
        window.values, tops, *where, cells, rays.reach_m, np.float32(rays.bend), FINE_STEPS
    )  # fmt: skip
    if window.holes is not None:
        found[kernel.meets_hole(window.holes, *where, rays.reach_m)] = np.nan
    return found


def _tangents(window: _Window, rays: _Rays) -> Floats:
    """Return the tangent of the horizon of a few points, NaN where a ray meets nothing, shape (n, d)."""
    cell = rays.cell_m
    distances = cell[:, None] * _distances(float(rays.reach_m / cell.min()))
    distances = np.minimum(distances, rays.reach_m)[:, None, :]
    ground = _bilinear(window.values, rays, np.zeros((1, 1, 1), np.float32))
    rises = _rises(window, rays, distances, ground)
    top = rises.argmax(axis=2)[..., None]
    low, high = (
        np.take_along_axis(distances, np.clip(top + side, 0, distances.shape[2] - 1), axis=2) for side in (-1, 1)
    )
    between = low + (high - low) * (np.arange(1, FINE_STEPS + 1) / (FINE_STEPS + 1))
    found: Floats = np.maximum(rises.max(axis=2), _rises(window, rays, between, ground).max(axis=2)).astype(np.float64)
    if window.holes is not None:
        found[_meets_hole(window.holes, rays)] = np.nan
    return found


def _rises(window: _Window, rays: _Rays, distances: Floats, ground: Singles) -> Singles:
    """Return the tangents of the angles under which samples are seen, shape (n, d, k)."""
    far = distances.astype(np.float32)
    seen = _bilinear(window.values, rays, far)
    seen -= ground
    seen /= far
    seen -= np.float32(rays.bend) * far
    return seen


def _bilinear(values: Singles, rays: _Rays, distances: Singles) -> Singles:
    """Sample a window along rays, shape (n, d, k); NaN where one of the four cells is."""
    width, flat = values.shape[1], values.ravel()
    first, rest = [], []
    for start, step in ((rays.row, rays.down), (rays.col, rays.right)):
        # counted from the point's own cell, so that single precision serves
        whole = np.floor(start - 0.5)
        along = step.astype(np.float32)[..., None] * distances
        along += (start - 0.5 - whole).astype(np.float32)[:, None, None]
        floor = np.floor(along)
        along -= floor
        first.append((whole, floor))
        rest.append(along)
    (row, down), (col, right) = first
    index = down.astype(np.int32)
    index *= width
    index += right.astype(np.int32)
    index += (row * width + col).astype(np.int32)[:, None, None]
    above = _between(flat, index, rest[1])
    index += width
    below = _between(flat, index, rest[1])
    below -= above
    below *= rest[0]
    below += above
    return below


def _between(flat: Singles, index: NDArray[np.int32], share: Singles) -> Singles:
    """Return what lies a share of the way from cells to their right neighbours."""
    left, right = flat.take(index), flat[1:].take(index)
    right -= left
    right *= share
    right += left
    return right


def _meets_hole(holes: Flags, rays: _Rays) -> Flags:
    """Tell which rays come within about a cell of nodata, shape (n, d)."""
    cell = rays.cell_m
    steps = np.minimum(np.arange(int(np.ceil(rays.reach_m / cell.min())) + 1) * cell[:, None], rays.reach_m)
    row = (rays.row[:, None, None] + rays.down[..., None] * steps[:, None, :]).astype(np.int64)
    col = (rays.col[:, None, None] + rays.right[..., None] * steps[:, None, :]).astype(np.int64)
    met: Flags = np.asarray(holes[row, col].any(axis=2))
    return met


def _reasons(angles: pd.DataFrame, rays: _Rays, dem: Raster, damaged: Flags) -> list[str]:
    """Say for each point what of its horizon is missing and why."""
    share = angles.isna().to_numpy().mean(axis=1)
    inside = _inside(rays.row, rays.col, dem)
    ends = np.zeros(len(angles), bool)
    for cell, step, size in ((rays.row, rays.down, dem.shape[0]), (rays.col, rays.right, dem.shape[1])):
        tips = cell[:, None] + step * rays.reach_m
        ends |= ((tips < 0.5) | (tips > size - 0.5)).any(axis=1)
    reasons = []
    for i in range(len(angles)):
        if np.isnan(rays.row[i]):
            reasons.append(NO_POINT)
        elif not inside[i]:
            reasons.append(OUTSIDE)
        elif share[i] == 0:
            reasons.append("")
        else:
            causes = ["the raster's edge"] * bool(ends[i]) + ["a damaged part of the file"] * bool(damaged[i])
            cause = " or ".join([*causes, "nodata"])
            reasons.append(f"{cause} within {rays.reach_m:g} m: {share[i]:.0%} of the horizon unknown")
    return reasons


def _compiled_sums(kernel: Any, paths: Paths, angles: Floats, limb_deg: float) -> Floats:
    """Return the same as :func:`_sums` from compiled code."""
    tables = paths.latitude, paths.share, np.ascontiguousarray(angles), paths.hour, paths.sine, paths.cosine
    sums: Floats = kernel.sums(*tables, limb_deg, PARALLAX_DEG, TWILIGHT_DEG, LOWEST_REFRACTED_DEG)
    return sums


def _sums(paths: Paths, angles: Floats, limb_deg: float) -> Floats:
    """Count steps with sun, of unknown sun, and with the sun up, before and after noon, shape (3, n, 2)."""
    share = paths.share[:, None, None]
    sine, cosine = (side[0] + share * (side[1] - side[0]) for side in (paths.sine, paths.cosine))
    altitude, azimuth = seen_at(sine, cosine, paths.hour, paths.latitude[:, None, None])
    altitude += limb_deg
    altitude += refraction_deg(altitude)
    level = _horizon_towards(angles, azimuth.reshape(len(angles), -1)).reshape(azimuth.shape)
    morning = paths.hour[:-1] < 0
    kinds = (*_lit(altitude, level), _share_above(altitude))
    halves = [[kind[..., half].sum(axis=(1, 2)) for half in (morning, ~morning)] for kind in kinds]
    return np.array(halves).swapaxes(1, 2)


def _share_above(height: Floats) -> Floats:
    """Return the share of each step in which a height, taken as straight, is over nought; NaN stays."""
    left, right = height[..., :-1], height[..., 1:]
    over = np.maximum(left, 0) + np.maximum(right, 0)
    apart = np.abs(left) + np.abs(right)
    return np.asarray(np.divide(over, apart, out=np.zeros_like(over), where=apart != 0), np.float64)


def _lit(altitude: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Return which share of each step the sun shines, and which share of it is not known."""
    share, up = _share_above(altitude - level), _share_above(altitude)
    lost = np.isnan(share)
    night = (altitude < TWILIGHT_DEG)[..., :-1] & (altitude < TWILIGHT_DEG)[..., 1:]
    return np.where(lost | night, 0.0, share), np.where(lost, up, 0.0)


def _hours(sums: Floats, days: int) -> tuple[Floats, Floats]:
    """Turn counts of steps into mean hours a day and unknown shares, for day, morning and afternoon, (n, 3)."""
    lit, lost, up = np.concatenate([sums.sum(axis=2, keepdims=True), sums], axis=2)
    return lit * STEP_HOUR_ANGLE_DEG / 15.0 / days, np.divide(lost, up, out=np.zeros_like(lost), where=up > 0)


def _horizon_towards(angles: Floats, azimuths: Floats) -> Floats:
    """Return the horizon (n, d) in other azimuths (n, k), straight between directions. [deg]"""
    place = azimuths * angles.shape[1] / 360.0
    left = np.floor(place).astype(np.int64)
    share = place - left
    here = np.take_along_axis(angles, left % angles.shape[1], axis=1)
    there = np.take_along_axis(angles, (left + 1) % angles.shape[1], axis=1)
    towards: Floats = here + share * (there - here)
    return towards


def _flag(values: Flags, known: Flags) -> pd.arrays.BooleanArray:
    return pd.arrays.BooleanArray(np.asarray(values), ~np.asarray(known))


def _sun_reasons(horizon: Horizon, frame: pd.DataFrame, parts: Sequence[PartOfDay]) -> list[str]:
    """Say for each point whose hours are missing why."""
    reasons = []
    for i, told in enumerate(horizon.reason):
        lost = [f"{part} {share:.0%}" for part in parts if (share := frame[f"{part}_unknown_share"].iloc[i]) > 0]
        if told in (NO_POINT, OUTSIDE):
            reasons.append(str(told))
        else:
            reasons.append(f"{told}; towards the sun: {', '.join(lost)}" if lost else "")
    return reasons
