"""Sun at dens: closed forms, a plain ray march on geodesics, and the published positions of the sun."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import geopandas as gpd
import matplotlib.cbook
import numpy as np
import pandas as pd
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer
from scipy.ndimage import gaussian_filter, map_coordinates

from densite import sun
from densite.errors import LayerError
from densite.layers import Raster, open_raster
from densite.settings import LayerSettings
from densite.sun import Horizon, direct_sun_hours, horizon_at, incidence_deg, sun_at, sun_position
from densite.testing import Grid, cone, plane, write_raster

pytestmark = pytest.mark.usefixtures("blocks_as_written")

UTM = Grid("EPSG:32611", -116.6, 44.0, 10.0, size=401)
FLAT_EARTH = 1.0  # light that bends as the Earth does
DEMO = Path(__file__).parents[1] / "layers_demo"
GOLDEN = (-105.1786, 39.742476)
LATE_WINTER = {"start": dt.date(2026, 2, 1), "end": dt.date(2026, 3, 31)}


def dem_of(folder: Path, heights: np.ndarray, grid: Grid, *, name: str = "dem.tif", **known: object) -> Raster:
    """Write heights on a grid and open them."""
    path = write_raster(folder / name, heights, crs=grid.crs, transform=grid.transform, dtype="float64", nodata=-9e3)
    return open_raster("elevation", LayerSettings.model_validate({"path": path.name} | known), folder=folder)


def plain_march(
    points: gpd.GeoDataFrame, dem: Raster, heights: np.ndarray, *, reach_m: float, cell_m: float, per_cell: int = 4
) -> np.ndarray:
    """Look along geodesics in steps of a fraction of a cell: slow, and obviously right. [deg]"""
    bend, geod = 0.87 / (2 * 6_371_008.8), Geod(ellps="WGS84")
    into = Transformer.from_crs(4326, dem.crs, always_xy=True)
    far = np.append(np.arange(cell_m, reach_m, cell_m / per_cell), reach_m)
    angles = np.empty((len(points), 72))

    def height(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        col, row = cells(dem, *into.transform(lon, lat))
        return map_coordinates(heights, [row - 0.5, col - 0.5], order=1, cval=np.nan, prefilter=False)

    for i, point in enumerate(points.geometry):
        ground = height(np.array([point.x]), np.array([point.y]))
        for k in range(72):
            each = np.full(len(far), 1.0)
            lon, lat, _ = geod.fwd(each * point.x, each * point.y, each * k * 5, far)
            angles[i, k] = np.degrees(np.arctan(((height(lon, lat) - ground) / far - bend * far).max()))
    return angles


def cells(dem: Raster, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Column and row of places on the map."""
    t = dem.transform
    return (x - t.c) / t.a, (y - t.f) / t.e


def level(points: gpd.GeoDataFrame, angle: float = 0.0) -> Horizon:
    """A horizon of one angle all round."""
    angles = pd.DataFrame(angle, index=points.index, columns=np.arange(72) * 5.0)
    return Horizon(angles, pd.Series("", index=points.index), 1e4)


def at(*places: tuple[float, float]) -> gpd.GeoDataFrame:
    """Points by longitude and latitude."""
    return gpd.GeoDataFrame(geometry=gpd.points_from_xy(*zip(*places, strict=True)), crs=4326)


# --- the terrain's horizon ---------------------------------------------------------------------


@pytest.mark.parametrize("distance", [105.0, 505.0, 1505.0])
def test_a_wall(tmp_path: Path, distance: float) -> None:
    """A wall of height h at distance d stands atan(h / d) over the ground, h cos(angle) / d aside."""
    grid = Grid("EPSG:3857", 0.0, 0.0, 10.0, size=401)  # Mercator on the equator: the grid's north is true
    east = grid.ground()[0]
    found = horizon_at(grid.points(), dem_of(tmp_path, np.where(east > distance, 80.0, 0.0), grid), reach_m=1900)
    first = east[east > distance].min()  # the middle of the wall's first cell
    across = np.cos(np.radians(np.arange(72) * 5.0 - 90))
    seen = across * 1850 > first
    bend = 0.87 / (2 * 6_371_008.8)
    expected = np.degrees(np.arctan(80 * across[seen] / first - bend * first / across[seen]))
    # the crest is met to one fine step, the 17th part of two steps
    fine = 2 * max(2.5, 0.015 * first) / 17
    atol = np.degrees(80 * fine / first**2) + 0.005
    np.testing.assert_allclose(found.angles.to_numpy()[0, seen], expected, atol=atol)
    assert (found.angles.to_numpy()[0, across < 0.05] <= 0).all()
    assert found.reason.tolist() == [""]


@pytest.mark.parametrize(
    "grid",
    [
        Grid("EPSG:32611", -112.2, 55.0, 10.0, size=201),
        Grid("EPSG:32611", -112.2, 55.0, 10.0, size=201, south_up=True),
        Grid("EPSG:3857", -110.0, 60.0, 20.0, size=201),
        Grid("EPSG:2263", -74.4, 40.6, 30.0, size=241),
        Grid("EPSG:4326", -110.0, 55.0, (0.0002, 0.0001), size=201),
    ],
    ids=["UTM far out", "rows from the south", "Web Mercator", "US feet", "degrees"],
)
def test_a_tilted_plane(tmp_path: Path, grid: Grid) -> None:
    """Of a plane that falls to a true bearing the horizon is atan(-tan(slope) cos(angle)), in any CRS."""
    dem = dem_of(tmp_path, plane(*grid.ground(), slope_deg=25, aspect_deg=130), grid)
    found = horizon_at(grid.points(), dem, reach_m=900, refraction=FLAT_EARTH)
    across = np.cos(np.radians(np.arange(72) * 5.0 - 130))
    expected = np.degrees(np.arctan(-np.tan(np.radians(25)) * across))
    np.testing.assert_allclose(found.angles.to_numpy()[0], expected, atol=0.005)


def test_a_mountain(tmp_path: Path) -> None:
    """From the plain a cone shows its summit at atan(h / D), and aside the angle of its outline.

    Along a ray at bearing b from the summit's, the tangent s (F - rho(t)) / t of a cone of slope s
    and foot F at distance D is largest where D (D - t cos b) = F rho(t): a quadratic in t.
    """
    slope, foot, distance = np.tan(np.radians(30)), 900.0, 1500.0
    east, north = UTM.ground()
    heights = np.maximum(cone(east - distance, north, slope_deg=30, summit_m=foot * slope), 0.0)
    found = horizon_at(UTM.points(), dem_of(tmp_path, heights, UTM), reach_m=1900, refraction=FLAT_EARTH)
    for bearing in (0, 5, 10, 20, 30):
        b = np.cos(np.radians(bearing))
        roots = np.roots([
            distance**2 * b**2 - foot**2, -2 * distance * b * (distance**2 - foot**2),
            distance**2 * (distance**2 - foot**2),
        ])  # fmt: skip
        t = roots[np.isreal(roots)].real
        rho = np.sqrt(distance**2 + t**2 - 2 * distance * t * b)
        expected = np.degrees(np.arctan((slope * (foot - rho) / t).max()))
        for side in (90 + bearing, 90 - bearing):
            assert found.angles.loc[0, float(side)] == pytest.approx(expected, abs=0.15)  # the summit is 10 m wide


def test_curvature_hides_the_foot_of_far_ground(tmp_path: Path) -> None:
    """On level ground the horizon dips by (1 - k) d / 2R one cell away; refraction makes it less."""
    dem = dem_of(tmp_path, np.zeros((401, 401)), UTM)
    dip = {k: horizon_at(UTM.points(), dem, reach_m=1900, refraction=k).angles.max(axis=None) for k in (0.0, 0.13, 1.0)}
    assert dip[0.0] == pytest.approx(-np.degrees(10 / (2 * 6_371_008.8)), rel=1e-2)
    assert dip[0.13] == pytest.approx(0.87 * dip[0.0], rel=1e-6)
    assert dip[1.0] == 0


def test_feet(tmp_path: Path) -> None:
    """Heights in feet give the horizon of the ground."""
    heights = plane(*UTM.ground(), slope_deg=20, aspect_deg=0)
    metres = horizon_at(UTM.points(), dem_of(tmp_path, heights, UTM), reach_m=1000)
    feet = horizon_at(UTM.points(), dem_of(tmp_path, heights / 0.3048, UTM, unit="ft"), reach_m=1000)
    np.testing.assert_allclose(feet.angles, metres.angles, atol=1e-3)


def errors_of(points: gpd.GeoDataFrame, dem: Raster, heights: np.ndarray, cell_m: float, per_cell: int) -> np.ndarray:
    """Fast minus plain to 10 km, all directions of all points, without sign. [deg]"""
    fast = horizon_at(points, dem).angles.to_numpy()
    assert not np.isnan(fast).any()
    return np.abs(fast - plain_march(points, dem, heights, reach_m=1e4, cell_m=cell_m, per_cell=per_cell))


def test_against_a_plain_march_on_the_demo() -> None:
    """10 km on the demo's 10 m DEM: under 0.05 deg at the 99th percentile."""
    dem = open_raster("elevation", LayerSettings(path="elevation.tif"), folder=DEMO)
    rng = np.random.default_rng(7)
    x, y = rng.uniform(10_100, 28_900, (2, 6))
    lon, lat = Transformer.from_crs(dem.crs, 4326, always_xy=True).transform(dem.transform.c + x, dem.transform.f - y)
    with rasterio.open(dem.path) as source:
        heights = source.read(1).astype(float)
    error = errors_of(at(*zip(lon, lat, strict=True)), dem, heights, 10.0, 4)
    assert np.percentile(error, 99) < 0.05
    assert error.max() < 0.2


def test_against_a_plain_march_on_real_ground(tmp_path: Path) -> None:
    """A real DEM in degrees (matplotlib's Jacksboro fault), whose rays bend on the map."""
    data = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")
    heights = data["elevation"].astype(float)
    # ymin and ymax are swapped in the file: row 0 looks north
    north = float(max(data["ymin"], data["ymax"]))
    transform = Affine(float(data["dx"]), 0, float(data["xmin"]), 0, -float(data["dy"]), north)
    path = write_raster(tmp_path / "real.tif", heights, crs="EPSG:4326", transform=transform, dtype="int16")
    dem = open_raster("elevation", LayerSettings(path=path.name), folder=tmp_path)
    rng = np.random.default_rng(3)
    row, col = rng.uniform(125, 215, 12), rng.uniform(145, 255, 12)
    points = at(*zip(transform.c + col * transform.a, transform.f + row * transform.e, strict=True))
    # steps in whole metres between cells of 75 m make kinks that a quarter cell would step over
    error = errors_of(points, dem, heights, 74.55, 16)
    assert np.percentile(error, 99) < 0.05
    assert error.max() < 0.3


def test_what_is_unknown_is_told(tmp_path: Path) -> None:
    """The raster's edge, a hole far away, a point outside or without coordinates: never filled."""
    heights = np.full((401, 401), 500.0)
    heights[200, 380] = np.nan  # one cell, 1,800 m to the east, between two samples of the far steps
    points = UTM.points([0, -1500, 9e4, np.nan, 1800], [0, 0, 0, np.nan, 0])
    points.index = list("abcde")
    found = horizon_at(points, dem_of(tmp_path, heights, UTM), reach_m=1900)
    assert np.flatnonzero(found.angles.loc["a"].isna()).tolist() == [18]
    assert found.reason["a"] == "nodata within 1900 m: 1% of the horizon unknown"
    beyond = np.cos(np.radians(np.arange(72) * 5.0 - 270)) > 505 / 1900
    assert found.angles.loc["b"].isna().to_numpy()[beyond].all()
    assert not found.angles.loc["b"].isna().to_numpy()[np.arange(72) * 5.0 < 175].any()
    assert found.reason["b"].startswith("the raster's edge or nodata within 1900 m: 4")
    assert found.reason[["c", "d"]].tolist() == ["outside the raster", "no coordinates"]
    assert found.unknown_share[["c", "d", "e"]].tolist() == [1, 1, 1]


def tiled(dem: Raster, block: int) -> Raster:
    """Write a layer again in compressed tiles."""
    path = dem.path.with_name("tiled.tif")
    with rasterio.open(dem.path) as old:
        kept = old.profile | {"tiled": True, "blockxsize": block, "blockysize": block, "compress": "deflate"}
        with rasterio.open(path, "w", **kept) as new:
            new.write(old.read(1), 1)
    return open_raster("elevation", LayerSettings(path=path.name), folder=path.parent)


def test_a_damaged_block_costs_only_its_rays(tmp_path: Path) -> None:
    """Where the file is spoilt there is no horizon; elsewhere it is as before."""
    dem = tiled(dem_of(tmp_path, np.random.default_rng(0).normal(500, 5, (401, 401)), UTM), 64)
    points = UTM.points([0, 0], [1500, -1000])
    whole = horizon_at(points, dem, reach_m=450)
    with dem.path.open("r+b") as file:
        file.seek(int(dem.path.stat().st_size * 0.7))
        file.write(b"\xff" * 200_000)
    cut = horizon_at(points, dem, reach_m=450)
    np.testing.assert_array_equal(cut.angles.loc[0], whole.angles.loc[0])
    known = cut.angles.loc[1].notna()
    np.testing.assert_array_equal(cut.angles.loc[1, known], whole.angles.loc[1, known])
    assert cut.unknown_share[1] > 0
    assert cut.reason[1].startswith("a damaged part of the file or nodata within 450 m")


def test_wrong_use_is_told(tmp_path: Path) -> None:
    """Reaches, directions, windows and parts that cannot be meant."""
    dem, points = dem_of(tmp_path, np.zeros((401, 401)), UTM), UTM.points()
    for wrong, said in (({"reach_m": 5}, "under a cell"), ({"reach_m": -1}, "above 0 m"), ({"directions": 2}, "four")):
        with pytest.raises(LayerError, match=said):
            horizon_at(points, dem, **wrong)
    with pytest.raises(LayerError, match="coarser DEM"):
        horizon_at(points, dem, reach_m=90_000)
    for changed, said in (
        ({"start": dt.date(2026, 4, 1)}, "later year"), ({"part_of_day": ("noon",)}, "allowed: day"),
        ({"disc": "edge"}, "upper limb"),
    ):  # fmt: skip
        with pytest.raises(LayerError, match=said):
            direct_sun_hours(points, level(points), **(LATE_WINTER | changed))
    with pytest.raises(LayerError, match="another index"):
        direct_sun_hours(points, level(at((0, 0), (1, 1))), **LATE_WINTER)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(
    seed=st.integers(0, 2**32 - 1), holes=st.integers(0, 6), block=st.sampled_from([16, 64]),
    tile=st.sampled_from([7, 40, 1024]), threads=st.integers(1, 3),
)  # fmt: skip
def test_wild_rasters(
    tmp_path_factory: pytest.TempPathFactory, seed: int, holes: int, block: int, tile: int, threads: int
) -> None:
    """On rough ground with holes the fast way is near the plain one, whatever blocks, tiles and threads."""
    folder, rng = tmp_path_factory.mktemp("wild"), np.random.default_rng(seed)
    grid = Grid("EPSG:32611", -116.6, 44.0, 10.0, size=80)
    heights = gaussian_filter(rng.normal(1000, 100, (80, 80)), 2)
    heights[tuple(rng.integers(0, 80, (2, holes)))] = np.nan
    dem = dem_of(folder, heights, grid)
    points = grid.points(rng.uniform(-380, 380, 5).tolist(), rng.uniform(-380, 380, 5).tolist())
    once = horizon_at(points, dem, reach_m=200, threads=1).angles
    plain = plain_march(points, dem, heights, reach_m=200, cell_m=10.0, per_cell=16)
    known = once.notna().to_numpy()
    assert not np.isnan(plain[known]).any()  # what the plain way does not know, the fast way does not know either
    np.testing.assert_allclose(once.to_numpy()[known], plain[known], atol=0.5)  # slopes up to 60 deg from cell to cell
    order = rng.permutation(len(points))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sun, "TILE_CELLS", tile)
        patch.setattr(sun, "WINDOW_CELLS", 0)
        again = horizon_at(points.iloc[order], tiled(dem, block), reach_m=200, threads=threads).angles
    pd.testing.assert_frame_equal(again.sort_index(), once)


def test_compiled_horizons_are_the_same_bit_for_bit(tmp_path: Path) -> None:
    """The compiled march passes over samples that cannot count, and finds what numpy finds."""
    pytest.importorskip("numba")
    rng = np.random.default_rng(8)
    heights = gaussian_filter(rng.normal(1000, 150, (401, 401)), 3)
    heights[tuple(rng.integers(0, 401, (2, 4)))] = np.nan
    dem = dem_of(tmp_path, heights, UTM)
    points = UTM.points(rng.uniform(-2100, 2100, 60).tolist(), rng.uniform(-2100, 2100, 60).tolist())
    plain, fast = (horizon_at(points, dem, reach_m=700, compiled=compiled) for compiled in (False, True))
    pd.testing.assert_frame_equal(fast.angles, plain.angles, check_exact=True)
    pd.testing.assert_series_equal(fast.reason, plain.reason)
    whole, none = plain.angles.notna().all(axis=1), plain.angles.isna().all(axis=1)
    assert whole.any()
    assert none.any()
    assert (~whole & ~none).any()


def test_each_block_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Groups of points whose surroundings overlap share blocks, which are dropped when done with."""
    dem = dem_of(tmp_path, np.zeros((401, 401)), UTM)
    seen: list[int] = []
    decode = sun._decode

    def watched(dem: Raster, grid: object, numbers: list[int], held: dict, metres: float) -> None:
        seen.extend(numbers)
        decode(dem, grid, numbers, held, metres)

    monkeypatch.setattr(sun, "_decode", watched)
    monkeypatch.setattr(sun, "TILE_CELLS", 50)
    monkeypatch.setattr(sun, "WINDOW_CELLS", 0)
    places = [(e, n) for e in range(-1500, 1501, 250) for n in range(-1500, 1501, 250)]
    horizon_at(UTM.points(*map(list, zip(*places, strict=True))), dem, reach_m=400)
    assert len(seen) > 1
    assert len(seen) == len(set(seen))


# --- the sun ------------------------------------------------------------------------------------


def test_the_published_example() -> None:
    """Reda & Andreas 2004, appendix: zenith 50.11162, azimuth 194.34024 (checks/terrain.md)."""
    air = {"pressure_hpa": 820, "temperature_c": 11, "delta_t_s": 67}
    zenith, azimuth = sun_position("2003-10-17 12:30:30-07:00", *GOLDEN, **air)
    assert zenith[0] == pytest.approx(50.11162, abs=1e-4)
    assert azimuth[0] == pytest.approx(194.34024, abs=1e-4)


@pytest.mark.parametrize(
    "time",
    [
        "2015-01-02 07:21:55-07:00", "2015-01-02 16:47:43-07:00", "2015-08-02 05:00:27-07:00",
        "2015-08-01 19:13:58-07:00", "2003-10-17 06:12:43-07:00", "2003-10-16 17:20:19-07:00",
    ],
)  # fmt: skip
def test_published_sunrise_and_sunset(time: str) -> None:
    """Times for Golden by NREL's own program, to the second (they stand in pvlib's and other tests).

    The sun's middle is then at a zenith of 90.8333 deg, without air. The program gives the sunset
    of the day of UTC, which in August and October is that of the evening before.
    """
    zenith, _ = sun_position(time, *GOLDEN, pressure_hpa=0.0)
    assert zenith[0] == pytest.approx(90.8333, abs=0.005)  # the sun climbs or falls 0.003 deg a second


@pytest.mark.parametrize(
    ("place", "day", "hours"),
    [
        (GOLDEN, "2015-01-02", 9 + 25.8 / 60),  # NREL's program: 07:21:55 to 16:47:43
        ((-78.65, 35.0 + 47 / 60), "2015-07-12", 14 + 24 / 60),  # US Naval Observatory: 10:08 to 24:32 UTC
    ],
)
def test_published_length_of_day(place: tuple[float, float], day: str, hours: float) -> None:
    """On a level horizon, by the almanacs' rule of the upper limb, to a minute."""
    date = dt.date.fromisoformat(day)
    found = direct_sun_hours(at(place), level(at(place)), start=date, end=date, disc="upper limb")
    assert found.loc[0, "day_h"] == pytest.approx(hours, abs=1 / 60)


def test_morning_and_afternoon_by_true_noon() -> None:
    """Level ground has as much sun before as after true noon; centre and limb differ by the disc."""
    points = at((-116.4, 42.3), (-116.4, 0.0), (-116.4, -42.3))
    found = direct_sun_hours(points, level(points), **LATE_WINTER)
    np.testing.assert_allclose(found["morning_h"] + found["afternoon_h"], found["day_h"])
    np.testing.assert_allclose(found["morning_h"], found["afternoon_h"], atol=0.03)  # the days grow
    limb = direct_sun_hours(points, level(points), **LATE_WINTER, disc="upper limb")
    # half a disc of 0.267 deg at both ends of the day, at 15 deg an hour on the equator
    assert limb.loc[1, "day_h"] - found.loc[1, "day_h"] == pytest.approx(2 * 0.26667 / 15, rel=0.1)


def test_equinox_in_closed_form() -> None:
    """At the equator on an equinox a horizon of 30 degrees takes two hours at each end of the day."""
    points = at((0.0, 0.0))
    day = dt.date(2026, 3, 20)
    found = direct_sun_hours(points, level(points, 30.0), start=day, end=day)
    assert found.loc[0, "day_h"] == pytest.approx(8.0, abs=0.01)
    east = level(points)
    east.angles.loc[:, 0.0:175.0] = 90.0
    assert direct_sun_hours(points, east, start=day, end=day).loc[0, "morning_h"] == pytest.approx(0, abs=0.2)


def test_midnight_sun_and_polar_night() -> None:
    """Beyond the polar circle the sun is up all day or not at all."""
    points = at((20.0, 80.0))
    for month, hours in ((6, 24.0), (12, 0.0)):
        day = dt.date(2026, month, 21)
        assert direct_sun_hours(points, level(points), start=day, end=day).loc[0, "day_h"] == pytest.approx(hours)


def test_hours_against_minute_by_minute() -> None:
    """Ten-minute steps against the sun's position at every minute of some days, over a rough horizon."""
    points = at((-116.4, 42.3))
    rng = np.random.default_rng(5)
    rough = level(points)
    rough.angles.loc[0] = rng.uniform(0, 25, 72)
    start, end = dt.date(2026, 2, 1), dt.date(2026, 2, 6)
    minutes = pd.date_range("2026-02-01", periods=6 * 1440, freq="min", tz="UTC") + pd.Timedelta(hours=116.4 / 15)
    zenith, azimuth = sun_position(minutes, -116.4, 42.3)
    angles = np.interp(azimuth, np.arange(73) * 5.0, np.append(rough.angles.loc[0], rough.angles.iloc[0, 0]))
    expected = (90 - zenith > angles).sum() / 60 / 6
    found = direct_sun_hours(points, rough, start=start, end=end)
    # 25 deg up and down every 5 deg of azimuth is rougher than any ground
    assert found.loc[0, "day_h"] == pytest.approx(expected, abs=2 / 60)


def test_sun_below_the_level_is_seen_from_a_height() -> None:
    """Over a horizon 1.4 deg down the day lasts as long as at every minute, though air lifts the sun by most there."""
    for latitude in np.arange(0.95, 60):
        points = at((0.0, latitude))
        minutes = pd.date_range("2026-04-10", periods=1440, freq="min", tz="UTC")
        expected = (90 - sun_position(minutes, 0.0, latitude)[0] > -1.4).sum() / 60
        found = direct_sun_hours(points, level(points, -1.4), start=dt.date(2026, 4, 10), end=dt.date(2026, 4, 10))
        assert found.loc[0, "day_h"] == pytest.approx(expected, abs=2 / 60)


@pytest.mark.parametrize("disc", ["centre", "upper limb"])
@pytest.mark.parametrize("month", [3, 6, 12])
def test_compiled_hours_are_the_same(disc: str, month: int) -> None:
    """Rough, unknown and deep horizons, and none, from the equator to the pole, by numpy and compiled."""
    pytest.importorskip("numba")
    rng = np.random.default_rng(month)
    points = at(*zip(rng.uniform(-3, 3, 80), np.append(rng.uniform(-90, 90, 78), [90, np.nan]), strict=True))
    horizon = level(points)
    horizon.angles.iloc[:] = rng.uniform(-3, 20, (80, 72)) * rng.integers(0, 2, (80, 1))
    horizon.angles.iloc[40:60, 10:20] = np.nan
    horizon.angles.iloc[60] = 90.0
    window = {"start": dt.date(2026, month, 1), "end": dt.date(2026, month, 20), "part_of_day": sun.PARTS}
    plain, fast = (
        direct_sun_hours(points, horizon, disc=disc, compiled=compiled, **window) for compiled in (False, True)
    )
    pd.testing.assert_frame_equal(fast, plain, rtol=0, atol=1e-9)
    assert plain["day_h"].isna().sum() > 5
    assert plain["day_h"].nunique() > 20


def test_hours_do_not_depend_on_the_other_points() -> None:
    """Points hundreds of kilometres apart get together what each gets alone."""
    points = at(*[(-116.4 + k / 3, 42.3 - k / 4) for k in range(9)])
    together = direct_sun_hours(points, level(points, 7.0), **LATE_WINTER)
    for k in points.index:
        alone = points.loc[[k]]
        found = direct_sun_hours(alone, level(alone, 7.0), **LATE_WINTER)
        pd.testing.assert_frame_equal(found, together.loc[[k]], rtol=0, atol=1e-12)


def test_unknown_horizon_towards_the_sun() -> None:
    """Hours are missing only where the sun passes the unknown part; a gap to the north costs nothing."""
    points = at((-116.4, 42.3), (-116.4, 42.3))
    horizon = level(points)
    horizon.angles.loc[0, 350.0:355.0] = np.nan
    horizon.angles.loc[1, 100.0:140.0] = np.nan
    horizon = Horizon(horizon.angles, pd.Series(["nodata within 10000 m: 3% of the horizon unknown"] * 2), 1e4)
    found = direct_sun_hours(points, horizon, **LATE_WINTER)
    assert found.loc[0].notna().all()
    assert found.loc[0, "reason"] == ""
    assert found.loc[1, ["day_h", "morning_h"]].isna().all()
    assert found.loc[1, "afternoon_h"] == found.loc[0, "afternoon_h"]
    assert 0.3 < found.loc[1, "morning_unknown_share"] < 0.8
    assert "towards the sun: day" in found.loc[1, "reason"]


def test_no_points_and_no_coordinates() -> None:
    """An empty frame stays empty, a point without coordinates has no hours."""
    nowhere = gpd.GeoDataFrame(geometry=gpd.points_from_xy([np.nan], [np.nan]), crs=4326)
    horizon = Horizon(level(nowhere, np.nan).angles, pd.Series(["no coordinates"]), 1e4)
    found = direct_sun_hours(nowhere, horizon, **LATE_WINTER)
    assert np.isnan(found.loc[0, "day_h"])
    assert found.loc[0, "reason"] == "no coordinates"
    nothing = nowhere.iloc[:0]
    assert direct_sun_hours(nothing, level(nothing), **LATE_WINTER).empty


# --- the slope ----------------------------------------------------------------------------------


def test_incidence_in_closed_form() -> None:
    """Level ground: the zenith angle. Facing the sun: zenith minus slope. Turned away: their sum."""
    assert incidence_deg(0, np.nan, 40, 123) == pytest.approx(40)
    assert incidence_deg(30, 123, 40, 123) == pytest.approx(10)
    assert incidence_deg(40, 123, 40, 123) == pytest.approx(0, abs=1e-9)
    assert incidence_deg(30, 303, 40, 123) == pytest.approx(70)
    assert incidence_deg(60, 303, 40, 123) == pytest.approx(100)
    assert incidence_deg(90, 180, 90, 90) == pytest.approx(90)
    assert np.isnan(incidence_deg(30, np.nan, 40, 123))


@settings(derandomize=True, deadline=None)
@given(st.floats(0, 90), st.floats(0, 360), st.floats(0, 120), st.floats(0, 360))
def test_incidence_is_the_angle_of_two_vectors(slope: float, aspect: float, zenith: float, azimuth: float) -> None:
    """The same as the arccosine of the scalar product of sun and normal."""

    def vector(tilt: float, bearing: float) -> np.ndarray:
        t, b = np.radians([tilt, bearing])
        return np.array([np.sin(t) * np.sin(b), np.sin(t) * np.cos(b), np.cos(t)])

    cosine = np.clip(vector(slope, aspect) @ vector(zenith, azimuth), -1, 1)
    assert np.cos(np.radians(incidence_deg(slope, aspect, zenith, azimuth))) == pytest.approx(cosine, abs=1e-9)


def test_sun_at_a_time() -> None:
    """In the morning a west slope of 60 degrees is in its own shade; a high horizon hides the sun; at night all."""
    points = at(*[(-116.4, 42.3)] * 4)
    horizon = level(points)
    horizon.angles.loc[1] = 30.0
    horizon.angles.loc[2] = np.nan
    morning = pd.Timestamp("2026-02-20 09:00-07:00")
    found = sun_at(points, horizon, morning, slope_deg=[60, 60, 0, np.nan], aspect_deg=[270, 90, np.nan, 90])
    assert 100 < found.loc[0, "azimuth_deg"] < 140
    assert found["behind_slope"].tolist() == [True, False, False, pd.NA]
    assert found["behind_horizon"].tolist() == [False, True, pd.NA, False]
    night = sun_at(points, horizon, "2026-02-20 08:00", slope_deg=0, aspect_deg=np.nan)  # UTC
    assert night["behind_horizon"].tolist() == [True] * 4
