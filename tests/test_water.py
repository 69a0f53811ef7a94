"""Dens that the map puts into water, and how far their uncertainty reaches."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from made_questions_of_dens import dens_at
from shapely import Point

from densite.cover import Legend, read_legend
from densite.layers import open_raster
from densite.review.water import in_water, land_within, water_codes
from densite.settings import LayerSettings


@pytest.fixture
def lake(tmp_path):
    """West of easting 550000 water (11), east of it forest (42), in cells of 10 m."""
    codes = np.full((100, 100), 42, dtype="uint8")
    codes[:, :50] = 11
    place = Affine(10, 0, 549_500, 0, -10, 4_700_000)
    with rasterio.open(tmp_path / "cover.tif", "w", driver="GTiff", width=100, height=100, count=1, dtype="uint8",
                       crs="EPSG:32611", transform=place) as file:  # fmt: skip
        file.write(codes, 1)
    return open_raster("land_cover", LayerSettings(path="cover.tif"), folder=tmp_path), read_legend(
        "nlcd", folder=tmp_path
    )


def placed(*offsets, **values):
    """Return dens so many metres east of the shore."""
    points = gpd.GeoSeries([Point(550_000 + x, 4_699_500) for x in offsets], crs=32611).to_crs(4326)
    return dens_at(len(offsets), xy=[(p.x, p.y) for p in points], **values)


def test_published_classes(tmp_path) -> None:
    """Open water of both legends, never wetland, snow or ice; the study's own codes go first."""
    assert water_codes(read_legend("nlcd", folder=tmp_path)) == (11,)
    assert water_codes(read_legend("worldcover", folder=tmp_path)) == (80,)
    own = Legend("own.csv", "", {1: "Still water", 2: "Waterlogged fen", 3: "Forest"})
    assert water_codes(own) == (1,)
    assert water_codes(own, (2,)) == (2,)


def test_only_water_cells_are_asked_about(lake) -> None:
    """Land beside the shore is no finding though its uncertainty reaches the water."""
    raster, legend = lake
    dens = placed(-100, -2, 2, uncertainty_m=[20.0, 20.0, 20.0])
    far, near = in_water(dens, raster, legend, codes=(11,))
    assert (
        "'Open Water' of the land-cover map; there is only water within its uncertainty of 20 m" in far.problem.message
    )
    assert near.den_id == "d1"
    assert "land makes up 44% of the disc of its uncertainty of 20 m" in near.problem.message


def test_share_of_land_is_that_of_a_circle_cut_by_a_line(lake) -> None:
    """Segment beyond a chord at half the radius: (acos(h) - h sqrt(1 - h^2)) / pi = 0.1955."""
    raster, legend = lake
    share = land_within(placed(-20, uncertainty_m=[40.0]), raster, legend, codes=(11,))
    assert share["d0"] == pytest.approx((np.arccos(0.5) - 0.5 * np.sqrt(0.75)) / np.pi, abs=0.005)


def test_unknown_uncertainty(lake) -> None:
    """It is said, not guessed."""
    (found,) = in_water(placed(-100, uncertainty_m=[np.nan]), *lake, codes=(11,))
    assert "its uncertainty is not recorded" in found.problem.message
