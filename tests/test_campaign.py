"""Campaigns: tasks of neighbours, parts that are whole or not there, the values of a plain run."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from conftest import STUDY_TOML, write
from hypothesis import given, settings
from hypothesis import strategies as st
from served import served

from densite import campaign
from densite.campaign import collect, done, make_part, plan, work
from densite.covariates import covariates
from densite.errors import CampaignError, PointsError
from densite.layers import open_layers
from densite.pointfile import read_points
from densite.settings import load
from densite.testing import Grid, chequerboard, plane, write_raster
from densite.workers import run

pq = pytest.importorskip("pyarrow.parquet")

GRID = Grid("EPSG:32611", -117.0, 43.5, 10.0, size=301)
LAYERS = """
[layers.elevation]
path = "dem.tif"
unit = "m"
[layers.land_cover]
path = "cover.tif"
[sun]
start = 2026-03-01
end = 2026-03-02
reach_m = 500.0
[cover]
radii_m = [30.0, 100.0]
"""


def study_in(folder):
    """A study on a tilted plane whose west is forest and whose east is town."""
    folder.mkdir(exist_ok=True)
    dem = plane(*GRID.ground(), slope_deg=12.0, aspect_deg=200.0)
    codes = np.where(np.arange(301) < 150, chequerboard(301, codes=(41, 42)), chequerboard(301, codes=(21, 24)))
    write_raster(folder / "dem.tif", dem, crs=GRID.crs, transform=GRID.transform, unit="metre")
    write_raster(folder / "cover.tif", codes, crs=GRID.crs, transform=GRID.transform, dtype="uint8")
    write(folder / "study.toml", STUDY_TOML + LAYERS)
    return folder


@pytest.fixture
def study(tmp_path):
    """The study folder."""
    return study_in(tmp_path / "basin")


def points_on(count=60, seed=1):
    """Points all over the landscape, some beyond its edge and one without a place."""
    east, north = np.random.default_rng(seed).uniform(-1600, 1600, (2, count))
    points = GRID.points(east, north)
    points["den"] = np.arange(count)
    points.loc[5, "geometry"] = None
    return points


def planned(folder, out, points=None, task_points=10):
    """Tasks of the study."""
    chosen = load(folder)
    return plan(
        points_on() if points is None else points, settings=chosen, layers=open_layers(chosen, folder=folder),
        folder=folder, out=out, task_points=task_points,
    )  # fmt: skip


@pytest.fixture
def tiles(monkeypatch):
    """Small tiles, so that a small landscape has many."""
    monkeypatch.setattr(campaign, "TILE_CELLS", 50)


@pytest.mark.usefixtures("tiles")
def test_every_point_is_in_one_task_of_neighbours(study, tmp_path) -> None:
    """Rows are there once each; a task spans much less than the whole."""
    points = points_on(2000)
    tasks = planned(study, tmp_path / "out", points, task_points=50)
    rows = np.concatenate([task.rows for task in tasks])
    assert sorted(rows) == list(range(2000))
    assert all((np.diff(task.rows) > 0).all() for task in tasks)
    assert max(len(task.rows) for task in tasks) <= 100
    spread = np.median([np.nanstd(task.lat) for task in tasks])
    assert spread < np.nanstd(np.concatenate([task.lat for task in tasks])) / 2


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2**20 - 1), st.integers(0, 2**20 - 1)), min_size=1, max_size=20))
def test_the_curve_interleaves_bits(places) -> None:
    """Against the definition, written as text: the bits of row and column by turns."""
    down, across = np.array(places, dtype=float).T
    plain = [int("".join(a + b for a, b in zip(f"{d:020b}", f"{c:020b}", strict=True)), 2) for d, c in places]
    assert campaign._curve(down, across).tolist() == plain


@pytest.mark.usefixtures("tiles")
def test_the_parts_hold_what_one_plain_call_gives(study, tmp_path) -> None:
    """Values and reasons as of `covariates` at all points at once; shares of unseen classes are 0."""
    points, chosen = points_on(), load(study)
    tasks = planned(study, tmp_path / "out", points)
    assert len(tasks) > 3
    assert all(work(task).error == "" for task in tasks)
    whole = collect(tmp_path / "out")
    plain = covariates(points, settings=chosen, layers=open_layers(chosen, folder=study), folder=study)
    assert whole.index.tolist() == points.index.tolist()
    for name in plain.values.columns.difference(
        ["slope_difference_deg", "aspect_difference_deg", "slope_disagrees", "aspect_disagrees"]
    ):
        there, here = whole[name], plain.values[name]
        assert there.isna().tolist() == here.isna().tolist(), name
        kept = here.notna()
        if not pd.api.types.is_numeric_dtype(here):  # object in pandas 2, str in pandas 3
            assert there[kept].tolist() == here[kept].tolist(), name
        else:
            np.testing.assert_allclose(there[kept], here[kept].astype(float), rtol=1e-9, atol=1e-12, err_msg=name)
    assert whole["why_elevation_m"].tolist() == plain.reasons["elevation_m"].tolist()
    assert set(whole["cover_share_11_100m"].dropna()) == {0.0}


@pytest.mark.usefixtures("tiles")
def test_all_parts_have_one_schema(study, tmp_path) -> None:
    """Also where a class of cover occurs in no disc, or no point lies on a layer."""
    tasks = planned(study, tmp_path / "out")
    schemas = [pq.read_schema(make_part(task)).remove_metadata() for task in tasks]
    assert all(schema == schemas[0] for schema in schemas)
    sources = json.loads(pq.read_schema(tasks[0].part).metadata[b"densite_sources"])
    assert [s["covariate"] for s in sources][:2] == ["elevation_m", "derived_slope_deg"]


def test_a_part_is_made_again_byte_for_byte(study, tmp_path) -> None:
    """Neither time nor place is in it."""
    first, second = (planned(study, tmp_path / name) for name in ("one", "two"))
    for here, there in zip(first, second, strict=True):
        assert make_part(here).read_bytes() == make_part(there).read_bytes()
    assert {p.name for p in (tmp_path / "one").iterdir()} == {"campaign.json", *(t.part.name for t in first)}


@pytest.mark.usefixtures("tiles")
def test_workers_read_layers_from_an_address(study, tmp_path) -> None:
    """Processes that fetch blocks from a server make the values of the same files by path."""
    by_path = planned(study, tmp_path / "path")
    assert all(not outcome.error for outcome in run(by_path))
    with served(study) as address:
        for name in ("dem.tif", "cover.tif"):
            text = (study / "study.toml").read_text()
            write(study / "study.toml", text.replace(f'"{name}"', f'"{address}{name}"'))
        by_address = planned(study, tmp_path / "address")
        outcomes = run(by_address, workers=2)
    assert [outcome.error for outcome in outcomes] == [""] * len(by_path)
    # an address is known again by other marks than a file, and a part's metadata carry them
    assert not {task.fingerprint for task in by_path} & {task.fingerprint for task in by_address}
    here, there = (collect(tmp_path / name) for name in ("path", "address"))
    assert here["elevation_m"].notna().sum() > 30
    pd.testing.assert_frame_equal(there, here, check_exact=True)


def test_only_whole_parts_of_the_same_inputs_count_as_done(study, tmp_path) -> None:
    """Not a cut-off file, not one of other points, not leavings of a run that was killed."""
    tasks = planned(study, tmp_path / "out")
    task = tasks[0]
    assert not done(task)
    make_part(task)
    assert done(task)
    task.part.write_bytes(task.part.read_bytes()[:-20])
    assert not done(task)
    other = planned(study, tmp_path / "other", points_on(seed=2))[0]
    task.part.write_bytes(make_part(other).read_bytes())
    assert not done(task)
    write(tmp_path / "out/.unfinished-abc", "half")
    planned(study, tmp_path / "out")
    assert not list((tmp_path / "out").glob(".unf*"))


def test_collecting_says_what_is_missing(study, tmp_path) -> None:
    """No plan, missing parts, parts of another campaign, a damaged plan."""
    with pytest.raises(CampaignError, match=r"no campaign\.json"):
        collect(tmp_path)
    tasks = planned(study, tmp_path / "out")
    with pytest.raises(CampaignError, match="parts are missing"):
        collect(tmp_path / "out")
    for task in tasks:
        make_part(task)
    other = planned(study, tmp_path / "other", points_on(seed=2))[0]
    tasks[0].part.write_bytes(make_part(other).read_bytes())
    with pytest.raises(CampaignError, match="belongs to another"):
        collect(tmp_path / "out")
    write(tmp_path / "out/campaign.json", "{")
    with pytest.raises(CampaignError, match="is damaged"):
        collect(tmp_path / "out")


def test_a_folder_holds_one_campaign(study, tmp_path) -> None:
    """Other points, settings or layers are refused by name; parts without a plan too."""
    planned(study, tmp_path / "out")
    with pytest.raises(CampaignError, match="with other tasks"):
        planned(study, tmp_path / "out", points_on(seed=2))
    write(study / "study.toml", STUDY_TOML + LAYERS.replace("100.0]", "90.0]"))
    with pytest.raises(CampaignError, match="with other inputs, tasks"):
        planned(study, tmp_path / "out")
    (tmp_path / "out/campaign.json").rename(tmp_path / "out/part-000000.parquet")
    with pytest.raises(CampaignError, match="parts but no"):
        planned(study, tmp_path / "out")


def test_a_failing_task_is_tried_again_and_tells_its_last_error(study, tmp_path) -> None:
    """A layer that disappears, or is another one when a worker opens it, costs tries and leaves no part."""
    tasks = planned(study, tmp_path / "out")
    (study / "dem.tif").rename(study / "away.tif")
    outcome = work(tasks[0], tries=2, pause_s=0.0)
    assert outcome.tries == 2
    assert "no file" in outcome.error
    (study / "cover.tif").rename(study / "dem.tif")
    (study / "away.tif").rename(study / "cover.tif")
    assert "was changed since" in work(tasks[0], tries=1).error
    assert not done(tasks[0])


def test_a_passing_fault_costs_a_try_only(study, tmp_path, monkeypatch) -> None:
    """The second try finds the disk again."""
    tasks = planned(study, tmp_path / "out")
    made, tries = campaign.make_part, []

    def flaky(task):
        tries.append(task.number)
        if len(tries) == 1:
            raise OSError("the disk was away")
        return made(task)

    monkeypatch.setattr(campaign, "make_part", flaky)
    assert work(tasks[0], pause_s=0.0).tries == 2
    assert done(tasks[0])


def test_other_software_is_refused(study, tmp_path, monkeypatch) -> None:
    """A worker with another version would make other bytes."""
    tasks = planned(study, tmp_path / "out")
    monkeypatch.setattr(campaign, "software", lambda: (("numpy", "0.1"),))
    with pytest.raises(CampaignError, match=r"other software than the plan \(numpy 0\.1\)"):
        make_part(tasks[0])


def test_a_plan_needs_points_and_layers(study, tmp_path) -> None:
    """Each is said."""
    with pytest.raises(CampaignError, match="no points"):
        planned(study, tmp_path / "out", points_on().iloc[:0])
    write(study / "study.toml", STUDY_TOML)
    with pytest.raises(CampaignError, match="names no layers"):
        planned(study, tmp_path / "out")


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "parquet", "csv"])
def test_points_are_read_from_any_usual_file(tmp_path, ending) -> None:
    """Places and columns come back; a CSV must be told its CRS."""
    points, path = points_on().dropna(subset="geometry").reset_index(drop=True), tmp_path / f"p.{ending}"
    if ending == "csv":
        points.assign(longitude=points.geometry.x, latitude=points.geometry.y).drop(columns="geometry").to_csv(path)
    elif ending == "parquet":
        points.to_parquet(path)
    else:
        points.to_file(path)
    back = read_points(path, crs="EPSG:4326" if ending == "csv" else None)
    assert back.crs == 4326
    np.testing.assert_allclose(back.geometry.x, points.geometry.x, atol=1e-7)
    assert back["den"].tolist() == points["den"].tolist()
    if ending == "csv":
        with pytest.raises(PointsError, match="says no CRS and none is guessed"):
            read_points(path)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("p.csv", "a,b\n1,2\n", "no columns longitude and latitude"),
        ("p.csv", "x,y\n1,north\n", "line 2: no number"),
        ("p.csv", "x,y\n", "holds no points"),
        ("p.csv", "", "cannot be read"),
        ("p.gpkg", "no database", "cannot be read"),
        ("p.parquet", "no parquet", "cannot be read"),
        ("p.geojson", '{"type": "LineString", "coordinates": [[0, 0], [1, 1]]}', "holds LineString"),
    ],
)
def test_files_that_hold_no_points_are_said(tmp_path, name, text, said) -> None:
    """One clear error each, and for a file that is not there."""
    path = write(tmp_path / name, text)
    with pytest.raises(PointsError, match=said):
        read_points(path, crs="EPSG:4326")
    with pytest.raises(PointsError, match="no file"):
        read_points(tmp_path / "none.csv")
    with pytest.raises(PointsError, match="is not known"):
        read_points(write(tmp_path / "q.csv", "x,y\n1,2\n"), crs="Ondra grid")


def test_observed_slopes_are_held_against_the_derived(study, tmp_path) -> None:
    """Where the points file has them; a plane of 12 deg is 3 deg off a field slope of 15."""
    points = gpd.GeoDataFrame(points_on(), geometry="geometry").assign(slope_deg=15.0)
    for task in planned(study, tmp_path / "out", points):
        make_part(task)
    found = collect(tmp_path / "out")["slope_difference_deg"].dropna()
    assert found.to_numpy() == pytest.approx(3.0, abs=0.01)
