"""Discs over cells: exact areas against closed forms and against counting."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_discs import disc_cells

import densite
from densite import blocks, discs
from densite.discs import block_totals, disc_totals, disc_weights
from densite.errors import LayerError
from densite.layers import Raster, open_raster
from densite.settings import LayerSettings
from densite.testing import Grid, write_raster

pytestmark = pytest.mark.usefixtures("blocks_as_written")

metres = st.floats(0.5, 500, allow_nan=False)
offsets = st.floats(0, 1)


def edges(side: float, offset: float, radius: float) -> np.ndarray:
    """Edges of cells that reach over a circle."""
    reach = math.ceil(radius / side) + 1
    return (np.arange(-reach, reach + 2) - offset) * side


@settings(derandomize=True, deadline=None)
@given(radius=metres, wide=metres, high=metres, dx=offsets, dy=offsets)
def test_areas_sum_to_the_disc(radius: float, wide: float, high: float, dx: float, dy: float) -> None:
    """Cells that cover the circle hold all of it: pi r^2 to 1e-9."""
    small = max(radius / 200, 0.0)
    x, y = edges(max(wide, small), dx, radius), edges(max(high, small), dy, radius)
    areas = disc_weights(x, y, radius_m=radius)
    assert areas.sum() == pytest.approx(math.pi * radius**2, rel=1e-9)
    cells = np.outer(np.diff(y), np.diff(x))
    assert (areas <= cells * (1 + 1e-9) + 1e-9 * radius**2).all()


@settings(derandomize=True, deadline=None)
@given(wide=st.floats(0.1, 3), high=st.floats(0.1, 3), dx=offsets, dy=offsets)
def test_areas_agree_with_counting(wide: float, high: float, dx: float, dy: float) -> None:
    """Counting 60 x 60 spots in each cell is off by less than the spots that the rim can touch."""
    x, y = edges(wide, dx, 1.0), edges(high, dy, 1.0)
    middles = (np.arange(60) + 0.5) / 60
    spots_x = (x[:-1, None] + np.diff(x)[:, None] * middles).ravel()
    spots_y = (y[:-1, None] + np.diff(y)[:, None] * middles).ravel()
    inside = np.hypot(spots_x[None, :], spots_y[:, None]) <= 1.0
    counted = inside.reshape(len(y) - 1, 60, len(x) - 1, 60).mean(axis=(1, 3))
    exact = disc_weights(x, y, radius_m=1.0) / np.outer(np.diff(y), np.diff(x))
    # a convex line crosses at most 2 x 60 + 1 rows and columns of spots, on each of its two sides
    assert np.abs(exact - counted).max() < 2 * 121 / 60**2


def test_known_parts_of_the_unit_circle() -> None:
    """Quarter, half, whole, the square inside it, and a segment of height 1/2."""
    assert disc_weights([0, 2], [0, 2], radius_m=1.0)[0, 0] == pytest.approx(math.pi / 4, rel=1e-14)
    assert disc_weights([-2, 0], [-2, 2], radius_m=1.0)[0, 0] == pytest.approx(math.pi / 2, rel=1e-14)
    side = math.sqrt(0.5)
    assert disc_weights([-side, side], [-side, side], radius_m=1.0)[0, 0] == pytest.approx(2, rel=1e-14)
    segment = math.pi / 3 - math.sqrt(3) / 4  # (r^2 / 2)(theta - sin theta), theta = 120 degrees
    assert disc_weights([0.5, 5], [-5, 5], radius_m=1.0)[0, 0] == pytest.approx(segment, rel=1e-14)
    assert disc_weights([1.0, 2.0], [-1, 1], radius_m=1.0)[0, 0] == 0.0
    assert disc_weights([0, 2], [2, 0], radius_m=1.0)[0, 0] == pytest.approx(math.pi / 4, rel=1e-14)


@pytest.mark.parametrize(
    ("crs", "lon", "lat", "cell"),
    [
        ("EPSG:32611", -112.0, 55.0, 6.0),
        ("EPSG:3857", -110.0, 60.0, 11.0),
        ("EPSG:2263", -74.0, 40.8, 20.0),
        ("EPSG:4326", -110.0, 55.0, (0.0001, 0.00005)),
    ],
)
def test_the_disc_is_round_on_the_ground(
    tmp_path: Path, crs: str, lon: float, lat: float, cell: float | tuple[float, float]
) -> None:
    """The mean of the squared ground distance to the east, and to the north, is r^2 / 4 in any CRS."""
    grid = Grid(crs, lon, lat, cell, size=201)
    for i, distance in enumerate(grid.ground()):
        path = write_raster(tmp_path / f"{i}.tif", distance**2, crs=crs, transform=grid.transform, dtype="float64")
        raster = open_raster("canopy", LayerSettings(path=path.name), folder=tmp_path)
        [disc] = disc_cells(grid.points(), raster, radii_m=[500.0])
        mean = (disc.values * disc.areas).sum() / disc.areas.sum()
        assert mean == pytest.approx(500**2 / 4, rel=3e-4)


def test_small_discs_come_from_the_same_window(tmp_path: Path) -> None:
    """Each radius is given once a point; all have their full area, missing outside the raster."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=41)
    write_raster(tmp_path / "a.tif", np.ones((41, 41)), crs=grid.crs, transform=grid.transform)
    raster = open_raster("canopy", LayerSettings(path="a.tif"), folder=tmp_path)
    points = grid.points([3.0, 205.0, np.nan, 9000.0], [4.0, 0.0, 0.0, 0.0])
    missing = {}
    for disc in disc_cells(points, raster, radii_m=[5, 100]):
        assert disc.areas.sum(axis=(1, 2)) == pytest.approx(math.pi * disc.radius_m**2, rel=1e-9)
        missing |= dict(zip(((disc.radius_m, i) for i in disc.which), disc.missing_share, strict=True))
    assert sorted(missing) == [(r, i) for r in (5.0, 100.0) for i in (0, 1, 3)]
    assert missing[100.0, 0] == 0
    assert missing[100.0, 1] == pytest.approx(0.5, abs=0.01)
    assert missing[100.0, 3] == pytest.approx(1)


@pytest.mark.parametrize("radii", [[], [0.0], [-5.0, 10.0], [float("nan")]])
def test_impossible_radii(tmp_path: Path, radii: list[float]) -> None:
    """No radius, or one that is not above 0, is refused."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=5)
    write_raster(tmp_path / "a.tif", np.ones((5, 5)), crs=grid.crs, transform=grid.transform)
    raster = open_raster("canopy", LayerSettings(path="a.tif"), folder=tmp_path)
    with pytest.raises(LayerError, match="above 0 m"):
        disc_totals(grid.points(), raster, radii_m=radii)


def test_no_points_give_no_discs(tmp_path: Path) -> None:
    """An empty frame is no error."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=5)
    write_raster(tmp_path / "a.tif", np.ones((5, 5)), crs=grid.crs, transform=grid.transform)
    raster = open_raster("canopy", LayerSettings(path="a.tif"), folder=tmp_path)
    none = gpd.GeoDataFrame(geometry=[], crs=4326)
    assert list(disc_cells(none, raster, radii_m=[10.0])) == []


@dataclass(frozen=True)
class Case:
    """A random raster, how its file is cut, and discs on it."""

    seed: int
    dtype: str
    shape: tuple[int, int]
    block: tuple[int, int] | int
    crs: str
    south_up: bool
    nodata: bool
    masked: bool
    scaled: bool
    radii: list[float]


cases = st.builds(
    Case,
    seed=st.integers(0, 2**32 - 1),
    dtype=st.sampled_from(["uint8", "int8", "int16", "uint16", "int32", "float32", "float64"]),
    shape=st.tuples(st.integers(1, 70), st.integers(1, 70)),
    block=st.one_of(st.sampled_from([(16, 16), (32, 16), (64, 64)]), st.integers(1, 70)),
    crs=st.sampled_from(["EPSG:32611", "EPSG:4326"]),
    south_up=st.booleans(),
    nodata=st.booleans(),
    masked=st.booleans(),
    scaled=st.booleans(),
    radii=st.lists(st.floats(1, 1500), min_size=1, max_size=3, unique=True),
)


def cells_of(case: Case) -> np.ndarray:
    """Raw cells in patches: codes 1 to 5, holes of 0 and, in real numbers, of NaN."""
    rng = np.random.default_rng(case.seed)
    patches = rng.integers(0, 6, (case.shape[0] // 9 + 1, case.shape[1] // 9 + 1))
    raw = np.kron(patches, np.ones((9, 9), int))[: case.shape[0], : case.shape[1]].astype(case.dtype)
    spots = rng.random(case.shape) < 0.2
    raw[spots] = rng.integers(0, 6, spots.sum())
    if raw.dtype.kind == "f":
        raw[rng.random(case.shape) < 0.1] = np.nan
    return raw


def file_of(case: Case, path: Path) -> Raster:
    """Write a case's raster, tiled or in strips, and open it."""
    raw = cells_of(case)
    cut = {"tiled": False, "blockysize": case.block}
    if isinstance(case.block, tuple):
        cut = {"tiled": True, "blockysize": case.block[0], "blockxsize": case.block[1]}
    cell = 30.0 if case.crs == "EPSG:32611" else 0.0003
    left, top = (500_000.0, 5_427_000.0) if cell == 30.0 else (-117.0, 49.0)
    down = cell if case.south_up else -cell
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(
        path, "w", driver="GTiff", height=case.shape[0], width=case.shape[1], count=1, dtype=case.dtype,
        crs=case.crs, transform=Affine(cell, 0, left, 0, down, top), nodata=0 if case.nodata else None,
        compress="deflate", **cut,
    ) as target:  # fmt: skip
        target.write(raw, 1)
        if case.scaled:
            target.scales, target.offsets = (2.0,), (-1.0,)
        if case.masked and not case.nodata:
            target.write_mask(np.random.default_rng(case.seed + 1).random(case.shape) > 0.1)
    return open_raster("land_cover", LayerSettings(path=path.name), folder=path.parent)


def points_on(case: Case, raster: Raster) -> gpd.GeoDataFrame:
    """Points in and around a raster, on its corners, edges and middle, and one without coordinates."""
    rng = np.random.default_rng(case.seed + 2)
    col = np.concatenate([rng.uniform(-0.5, 1.5, 10) * case.shape[1], [0, case.shape[1], case.shape[1] - 1, 7]])
    row = np.concatenate([rng.uniform(-0.5, 1.5, 10) * case.shape[0], [0, case.shape[0], case.shape[0] // 2, 7]])
    x, y = raster.transform * (col, row)
    points = gpd.GeoSeries(gpd.points_from_xy(x, y), crs=raster.crs).to_crs(4326)
    return gpd.GeoDataFrame(geometry=[*points, None], crs=4326)


def by_windows(
    points: gpd.GeoDataFrame, raster: Raster, radius: float, codes: np.ndarray | None
) -> tuple[np.ndarray, ...]:
    """Shares, missing shares and sums from the whole window of cells around each point, one by one."""
    count = 1 if codes is None else len(codes)
    shares, missing, sums = np.zeros((len(points), count)), np.ones(len(points)), np.zeros(len(points))
    for disc in disc_cells(points, raster, radii_m=[radius]):
        whole = math.pi * radius**2
        groups = [np.isfinite(disc.values)] if codes is None else [disc.values == code for code in codes]
        for i, chosen in enumerate(groups):
            shares[disc.which, i] = np.where(chosen, disc.areas, 0).sum(axis=(1, 2)) / whole
        missing[disc.which] = 1 - shares[disc.which].sum(axis=1)
        sums[disc.which] = np.nansum(disc.values * disc.areas, axis=(1, 2)) / whole
    return shares, missing, sums


@pytest.mark.parametrize("codes", [np.array([1, 2, 4, 5, 7]), None], ids=["classes", "values"])
def test_all_ways_agree(codes: np.ndarray | None, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Plain and compiled, one thread and two, any cut of the file: the same as whole windows, to 1e-9.

    Whatever the number of threads, shares are the same to the last bit, and sums to 1e-12.
    """
    pytest.importorskip("numba")
    folder = tmp_path_factory.mktemp("discs")

    @settings(derandomize=True, deadline=None, max_examples=40)
    @given(case=cases)
    def check(case: Case) -> None:
        raster = file_of(case, folder / "a.tif")
        points = points_on(case, raster)
        found = {
            (compiled, threads): disc_totals(
                points, raster, radii_m=case.radii, codes=codes, compiled=compiled, threads=threads
            )
            for compiled, threads in ((False, 1), (False, 2), (True, 1), (True, 2))
        }
        for r, radius in enumerate(case.radii):
            shares, missing, sums = by_windows(points, raster, radius, codes)
            for totals in found.values():
                np.testing.assert_allclose(totals.shares[r], shares, rtol=0, atol=1e-9)
                np.testing.assert_allclose(totals.missing[r], missing, rtol=0, atol=1e-9)
                assert codes is not None or totals.sums[r] == pytest.approx(sums, rel=1e-9, abs=1e-9)
        for compiled in (False, True):
            one, two = found[compiled, 1], found[compiled, 2]
            assert (one.shares == two.shares).all()
            np.testing.assert_allclose(one.sums, two.sums, rtol=1e-12)
            assert not one.lost.any()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "LEAST_CELLS", 1)  # strips stay thin, so that discs lie over many
        patch.setattr(discs, "TOGETHER", 3)
        patch.setattr(discs, "BAND_CELLS", 400)
        check()


@pytest.mark.parametrize("gaps", [False, True])
def test_a_disc_holds_the_same_in_any_company(gaps: bool) -> None:
    """Alone, when its cells are counted one by one, a disc gets the bits that it gets among many."""
    disckernel = pytest.importorskip("densite.disckernel")
    rng = np.random.default_rng(4)
    cells, values = rng.integers(0, 5, (150, 131)).astype(np.uint8), rng.normal(size=(150, 131))
    lookup = np.array([2, 0, 3, 1, 2], np.uint16) if gaps else np.zeros(1, np.uint16)
    row, col = rng.uniform(-20, 170, (2, 60))
    high, wide, radii = np.full(60, 10.0), np.full(60, 7.0), np.array([4.0, 60.0, 333.0])

    def held(which: slice) -> tuple[np.ndarray, np.ndarray]:
        mine = row[which], col[which], high[which], wide[which]
        found: tuple[np.ndarray, np.ndarray] = disckernel.block_totals(
            cells if gaps else cells * 0, lookup, values, 4, *mine, radii, discs.UNIT
        )
        return found

    shares, sums = held(slice(None))
    for k in range(60):
        alone = held(slice(k, k + 1))
        assert (alone[0][0] == shares[k]).all()
        assert (alone[1][0] == sums[k]).all()


def tiled_cover(folder: Path, size: int = 96, block: int = 16, name: str = "tiles.tif") -> Raster:
    """A raster of three classes in small tiles."""
    with rasterio.open(
        folder / name, "w", driver="GTiff", height=size, width=size, count=1, dtype="uint8", crs="EPSG:32611",
        transform=Affine(30, 0, 500_000, 0, -30, 5_427_000), tiled=True, blockxsize=block, blockysize=block,
        compress="deflate",
    ) as target:  # fmt: skip
        target.write(np.random.default_rng(1).choice([11, 41, 90], (size, size)).astype(np.uint8), 1)
    return open_raster("land_cover", LayerSettings(path=name), folder=folder)


def test_every_block_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Discs of three radii around many points read each block under them one time, no other block."""
    raster, seen, decode = tiled_cover(tmp_path), [], blocks.decoded
    monkeypatch.setattr(blocks, "decoded", lambda s, r, window: seen.append(window) or decode(s, r, window))
    x, y = np.random.default_rng(3).uniform(0, 47 * 30 - 500, (2, 200))
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(500_000 + x, 5_427_000 - y), crs=32611).to_crs(4326)
    disc_totals(points, raster, radii_m=[30, 200, 480])
    corners = [(window.row_off, window.col_off) for window in seen]
    assert sorted(corners) == sorted(set(corners)) == [(16 * i, 16 * j) for i in range(3) for j in range(3)]


@pytest.mark.parametrize("compiled", [False, True])
def test_a_huge_value_stays_in_its_cell(tmp_path: Path, compiled: bool) -> None:
    """1e30 in a row does not drown the values of discs beside it."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 30.0, size=101)
    values = np.full((101, 101), 0.1)
    values[:, 0] = 1e30
    path = write_raster(tmp_path / "a.tif", values, crs=grid.crs, transform=grid.transform, dtype="float64")
    raster = open_raster("canopy", LayerSettings(path=path.name), folder=tmp_path)
    totals = disc_totals(grid.points(), raster, radii_m=[1000], compiled=compiled)
    assert totals.sums[0, 0] == pytest.approx(0.1, rel=1e-12)


def test_few_discs_do_not_load_the_compiler() -> None:
    """Discs that numpy counts sooner than the compiler loads are left to numpy."""
    assert discs._kernel(False) is block_totals
    none = discs._Discs(*(np.array([0.0]),) * 2, *(np.array([30.0]),) * 2)
    assert discs._cells(none, [30.0, 1000.0]) < discs.COMPILED_FROM
    many = discs._Discs(*(np.zeros(20_000),) * 2, *(np.full(20_000, 30.0),) * 2)
    assert discs._cells(many, [30.0, 1000.0]) > discs.COMPILED_FROM


def test_without_the_compiler(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where numba is not installed, or refuses to be imported, numpy does the work."""
    for name in ("disckernel", "blockkernel"):
        monkeypatch.delitem(sys.modules, f"densite.{name}", raising=False)
        monkeypatch.delattr(densite, name, raising=False)
    monkeypatch.setitem(sys.modules, "numba", None)  # what an import that fails looks like
    monkeypatch.setattr(discs.importlib.util, "find_spec", str)
    assert discs._kernel(True) is block_totals
    monkeypatch.setattr(discs.importlib.util, "find_spec", {}.get)
    assert discs._kernel(True) is block_totals


def test_nowhere_to_keep_machine_code() -> None:
    """In an installation that cannot be written to, without a home, the kernel is compiled all the same."""
    pytest.importorskip("numba")
    code = (
        "from numba.core import caching\n"
        "caching.CacheImpl._locator_classes.clear()\n"
        "from densite import disckernel\n"
        "print(disckernel._under_arc(0.0, 1.0, 1.0), disckernel._other_leg(0.6, 1.0))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["0.0", "0.8"], done.stderr
