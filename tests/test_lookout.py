"""What the maps and the register say at a place, on a plane of known slope and in the demo study."""

import numpy as np
import pytest

from densite import places
from densite.lookout import Ground, ground_at, match, nearest_den, said_ground, said_near, said_shape
from densite.settings import TerrainSettings, parse
from densite.testing import Grid, plane, write_raster

GRID = Grid("EPSG:32611", -116.3, 42.3, 10.0)
STUDY = '[study]\nname = "T"\nid = "7e570000-0000-4000-8000-000000000001"\ncrs = "EPSG:32611"\n'


@pytest.fixture(scope="module")
def tilted(tmp_path_factory):
    """Settings and folder of a study whose DEM is a plane of 31 deg that falls toward 112 deg."""
    folder = tmp_path_factory.mktemp("tilted")
    heights = plane(*GRID.ground(), slope_deg=31, aspect_deg=112)
    write_raster(folder / "dem.tif", heights, crs=GRID.crs, transform=GRID.transform, unit="m")
    cover = np.full((GRID.size, GRID.size), 42)
    write_raster(folder / "cover.tif", cover, crs=GRID.crs, transform=GRID.transform, dtype="uint8")
    layers = '[layers.elevation]\npath = "dem.tif"\n[layers.land_cover]\npath = "cover.tif"\nlegend = "nlcd"\n'
    return parse(STUDY + layers), folder


def test_the_ground_of_a_plane(tilted) -> None:
    """Slope and aspect that were put in come out, from true north."""
    ground = ground_at(-116.3, 42.3, settings=tilted[0], folder=tilted[1])
    assert ground.elevation_m == pytest.approx(1000, abs=0.01)
    assert (ground.slope_deg, ground.aspect_deg) == pytest.approx((31, 112), abs=0.05)
    assert said_ground(ground) == "1,000 m high by the DEM; land cover: Evergreen Forest"
    assert said_shape(ground.slope_deg, ground.aspect_deg) == "31 deg facing 112 deg (ESE)"


def test_what_is_missing_is_said_and_stops_nothing(tilted) -> None:
    """Off the map, without layers, and with a layer whose file is gone."""
    settings, folder = tilted
    off = ground_at(-110.0, 42.3, settings=settings, folder=folder)
    assert off.elevation_m is None and off.cover is None
    assert [why.split(":")[0] for why in off.why] == ["DEM", "land cover"]
    assert ground_at(-116.3, 42.3, settings=parse(STUDY), folder=folder) == Ground()
    gone = ground_at(-116.3, 42.3, settings=settings, folder=folder / "elsewhere")
    assert gone.slope_deg is None and len(gone.why) == 2


@pytest.mark.parametrize(
    ("slope", "aspect", "off"),
    [(31, 112, (False, False)), (41.5, 112, (True, False)), (None, 158, (False, True)), (30, 68, (False, False))],
)
def test_matching_by_the_studys_tolerances(slope, aspect, off) -> None:
    """Ten and 45 degrees by default."""
    held = match(Ground(slope_deg=31, aspect_deg=112), slope, aspect, TerrainSettings())
    assert (held.slope_off, held.aspect_off) == off
    assert (held.slope_difference_deg is None) == (slope is None)


def test_aspects_match_across_north() -> None:
    """350 and 10 degrees are 20 degrees apart."""
    held = match(Ground(slope_deg=20, aspect_deg=350), None, 10, TerrainSettings())
    assert held.aspect_difference_deg == pytest.approx(20)
    assert not held.aspect_off


def test_the_nearest_den_is_that_of_a_search_through_all(ondra) -> None:
    """Whatever band of latitude it lies in, near or a third of the world away."""
    study, _ = ondra
    dens, visits = study.dens, study.visits
    rng = np.random.default_rng(7)
    west, south, east, north = dens.total_bounds
    points = [(rng.uniform(west, east), rng.uniform(south, north)) for _ in range(12)]
    for lon, lat in [*points, (west - 2, north + 1), (20.0, -30.0)]:
        all_m = [places.distance_m(lon, lat, p.x, p.y) for p in dens.geometry]
        near = nearest_den(study.register, lon, lat)
        assert near.distance_m == pytest.approx(min(all_m))
        assert dens.loc[near.den_id, "label"] == near.label
        assert near.last_visit == max(visits.loc[visits["den_id"] == near.den_id, "observed_on"])
    other = nearest_den(study.register, lon, lat, but={near.den_id})
    assert other.distance_m == pytest.approx(sorted(all_m)[1])
    assert said_near(near).startswith(f"{near.label} ({near.den_type}), ")
