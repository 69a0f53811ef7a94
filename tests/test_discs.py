"""Discs over cells: exact areas against closed forms and against counting."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from densite.discs import disc_cells, disc_weights
from densite.errors import LayerError
from densite.layers import open_raster
from densite.settings import LayerSettings
from densite.testing import Grid, write_raster

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
        next(disc_cells(grid.points(), raster, radii_m=radii))


def test_no_points_give_no_discs(tmp_path: Path) -> None:
    """An empty frame is no error."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=5)
    write_raster(tmp_path / "a.tif", np.ones((5, 5)), crs=grid.crs, transform=grid.transform)
    raster = open_raster("canopy", LayerSettings(path="a.tif"), folder=tmp_path)
    none = gpd.GeoDataFrame(geometry=[], crs=4326)
    assert list(disc_cells(none, raster, radii_m=[10.0])) == []
