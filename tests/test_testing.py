"""The landscapes with known answers are what they say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import Geod

from densite.testing import Grid, chequerboard, cone, plane, ridge, write_raster


@pytest.mark.parametrize(
    ("crs", "cell"),
    [("EPSG:32611", 20.0), ("EPSG:3857", 30.0), ("EPSG:4326", (3e-4, 2e-4)), ("EPSG:5070", 25)],
)
def test_ground_distances_are_geodesics(crs: str, cell: float) -> None:
    """Length and bearing from the middle are those of the geodesic (GeographicLib's, through pyproj)."""
    grid = Grid(crs, -113.0, 52.0, cell, size=11)
    east, north = grid.ground()
    lon, lat = grid.lon_lat()
    middle = np.full(lon.shape, -113.0), np.full(lon.shape, 52.0)
    bearing, _, length = Geod(ellps="WGS84").inv(*middle, lon, lat)
    np.testing.assert_allclose(np.hypot(east, north), length, atol=1e-5)
    off_middle = length > 1
    turned = (np.degrees(np.arctan2(east, north)) - bearing + 180) % 360 - 180
    np.testing.assert_allclose(turned[off_middle], 0, atol=1e-5)


def test_points_stand_on_their_cells() -> None:
    """A point put at a cell's ground distance has that cell's position."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=5)
    east, north = grid.ground()
    lon, lat = grid.lon_lat()
    points = grid.points(east.ravel().tolist(), north.ravel().tolist())
    np.testing.assert_allclose(points.geometry.x, lon.ravel(), atol=1e-10)
    np.testing.assert_allclose(points.geometry.y, lat.ravel(), atol=1e-10)


def test_plane_cone_and_ridge_fall_as_told() -> None:
    """100 m down a slope of 45 degrees are 100 m lower; along the contour nothing changes."""
    assert plane(100.0, 0.0, slope_deg=45, aspect_deg=90, middle_m=500) == pytest.approx(400)
    assert plane(100.0, 0.0, slope_deg=45, aspect_deg=180, middle_m=500) == pytest.approx(500)
    assert cone(60.0, -80.0, slope_deg=45, summit_m=500) == pytest.approx(400)
    assert ridge(0.0, 100.0, slope_deg=45, bearing_deg=0, crest_m=500) == pytest.approx(500)
    assert ridge([-100.0, 100.0], [7.0, 7.0], slope_deg=45, bearing_deg=0, crest_m=500) == pytest.approx(400)


def test_chequerboard_alternates() -> None:
    """Neighbouring fields differ, and half of an even board is of each code."""
    board = chequerboard(8, field=2, codes=(1, 2))
    assert (board == 1).sum() == 32
    assert board[:4, :4].tolist() == [[1, 1, 2, 2], [1, 1, 2, 2], [2, 2, 1, 1], [2, 2, 1, 1]]


def test_what_is_written_is_read(tmp_path: Path) -> None:
    """Nodata, unit, scale, offset and the order of rows survive the file."""
    grid = Grid("EPSG:2263", -74.0, 40.8, 30.0, size=3, south_up=True)
    heights = np.array([[1.5, np.nan, 2.0], [0.0, 1.0, 3.0], [4.0, 5.0, 6.0]])
    path = write_raster(
        tmp_path / "a.tif", heights, crs=grid.crs, transform=grid.transform, dtype="int16", nodata=-1,
        unit="us-ft", scale=0.5, offset=-2.0,
    )  # fmt: skip
    with rasterio.open(path) as source:
        stored = source.read(1)
        assert (source.nodata, source.units, source.crs.to_epsg()) == (-1, ("us-ft",), 2263)
        assert source.transform == grid.transform
        assert source.transform.e > 0
    assert stored.tolist() == [[7, -1, 8], [4, 6, 10], [12, 14, 16]]
