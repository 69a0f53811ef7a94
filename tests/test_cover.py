"""Cover: classes, shares, means and sums against exactextract, rasterstats and closed forms."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import rasterstats
import shapely
from affine import Affine
from exactextract import exact_extract
from pyproj import Geod

from densite import discs
from densite.cover import (
    Legend,
    class_at,
    class_shares,
    disc_means,
    disc_sums,
    read_legend,
    value_at,
)
from densite.discs import cell_size
from densite.errors import LayerError
from densite.layers import Raster, open_raster, to_layer_xy
from densite.settings import LayerSettings
from densite.testing import Grid, chequerboard, write_raster

pytestmark = pytest.mark.usefixtures("blocks_as_written")

LC = Path("/usr/lib/R/site-library/stars/tif/lc.tif")  # where Debian's r-cran-stars puts it
CORNERS = 20_000
UTM = Grid("EPSG:32611", -117.0, 49.0, 30.0, size=101)
FAR_UTM = Grid("EPSG:32611", -112.2, 55.0, 30.0, size=101)
DEGREES = Grid("EPSG:4326", -110.0, 55.0, (0.0005, 0.0003), size=101)
FEET = Grid("EPSG:2263", -74.4, 40.6, 100.0, size=101)
NLCD = read_legend("nlcd", folder=Path())
RADII = (100.0, 500.0, 1000.0)


def raster_of(folder: Path, values: np.ndarray, grid: Grid, **known: object) -> Raster:
    """Write values on a grid and open them as land cover."""
    dtype = "float64" if np.issubdtype(values.dtype, np.floating) else "uint8"
    write_raster(folder / "a.tif", values, crs=grid.crs, transform=grid.transform, dtype=dtype)
    return open_raster("land_cover", LayerSettings.model_validate({"path": "a.tif"} | known), folder=folder)


def scattered(grid: Grid, count: int, reach: float, seed: int = 1) -> gpd.GeoDataFrame:
    """Random points around a grid's middle, with an index of their own."""
    east, north = np.random.default_rng(seed).uniform(-reach, reach, (2, count))
    points = grid.points(east.tolist(), north.tolist())
    points.index = [f"OB-{i:03d}" for i in range(count)]
    return points


def classes(size: int, seed: int = 2) -> np.ndarray:
    """Random class codes."""
    return np.random.default_rng(seed).choice([11, 21, 24, 41, 42, 71, 90], (size, size))


def ellipses(points: gpd.GeoDataFrame, raster: Raster, radius: float) -> gpd.GeoDataFrame:
    """Discs as many-cornered polygons in the raster's CRS, with cells as the rectangles of their sides.

    The corners stand a little outside the circle, so that the polygon has the circle's area.
    """
    turn = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    step = 2 * np.pi / CORNERS
    outer = radius * math.sqrt(step / math.sin(step))
    high, wide = cell_size(points, raster)
    x, y = to_layer_xy(points, raster.crs)
    shapes = []
    for i in range(len(points)):
        semi = outer * abs(raster.transform.a) / wide[i], outer * abs(raster.transform.e) / high[i]
        rim = np.column_stack([x[i] + semi[0] * np.cos(turn), y[i] + semi[1] * np.sin(turn)])
        shapes.append(shapely.Polygon(rim))
    return gpd.GeoDataFrame(geometry=shapes, crs=raster.crs, index=points.index)


def geodesic_discs(points: gpd.GeoDataFrame, crs: object, radius: float) -> gpd.GeoDataFrame:
    """Discs of geodesic radius on the WGS 84 ellipsoid, projected."""
    azimuth, ones = np.linspace(0, 360, CORNERS, endpoint=False), np.ones(CORNERS)
    shapes = []
    for point in points.geometry:
        lon, lat, _ = Geod(ellps="WGS84").fwd(point.x * ones, point.y * ones, azimuth, radius * ones)
        shapes.append(shapely.Polygon(np.column_stack([lon, lat])))
    return gpd.GeoDataFrame(geometry=shapes, crs=4326, index=points.index).to_crs(crs)


def extracted(raster: Path, discs: gpd.GeoDataFrame, codes: list[int]) -> np.ndarray:
    """Shares of codes in polygons by exactextract, whose weights are areas in the raster's plane."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # exactextract's own remarks on CRS texts
        found = exact_extract(raster, discs, ["unique", "frac"], output="pandas")
    table = np.zeros((len(discs), len(codes)))
    for i, (unique, frac) in enumerate(zip(found["unique"], found["frac"], strict=True)):
        for code, share in zip(unique, frac, strict=True):
            table[i, codes.index(int(code))] = share
    return table


@pytest.mark.usefixtures("kernel")
@pytest.mark.parametrize("grid", [UTM, FAR_UTM, DEGREES, FEET], ids=["UTM", "far UTM", "degrees", "US feet"])
def test_shares_are_those_of_exactextract(tmp_path: Path, grid: Grid) -> None:
    """Shares agree with exactextract to 1e-6 for discs of 20,000 corners."""
    raster = raster_of(tmp_path, classes(101), grid)
    points = scattered(grid, 8, 300)
    shares = class_shares(points, raster, legend=NLCD, radii_m=RADII)
    codes = [11, 21, 24, 41, 42, 71, 90]
    for radius in RADII:
        ours = shares[[f"share_{code}_{radius:g}m" for code in codes]].to_numpy()
        theirs = extracted(raster.path, ellipses(points, raster, radius), codes)
        np.testing.assert_allclose(ours, theirs, atol=1e-6)
        np.testing.assert_allclose(ours.sum(axis=1), 1, atol=1e-12)
    assert (shares.index == points.index).all()
    assert (shares["reason"] == "").all()


@pytest.mark.parametrize("grid", [UTM, FAR_UTM, FEET], ids=["UTM", "far UTM", "US feet"])
def test_shares_are_those_of_geodesic_discs(tmp_path: Path, grid: Grid) -> None:
    """Against discs drawn as geodesics and projected: what the rectangles neglect is under 1e-4."""
    raster = raster_of(tmp_path, classes(101), grid)
    points = scattered(grid, 8, 300)
    ours = class_shares(points, raster, legend=NLCD, radii_m=[1000])
    codes = [11, 21, 24, 41, 42, 71, 90]
    theirs = extracted(raster.path, geodesic_discs(points, raster.crs, 1000), codes)
    np.testing.assert_allclose(ours[[f"share_{code}_1000m" for code in codes]], theirs, atol=1e-4)


def test_shares_are_near_those_of_whole_cells(tmp_path: Path) -> None:
    """rasterstats, which counts cells whole by their middles, differs by less than the rim's share."""
    raster = raster_of(tmp_path, classes(101), UTM)
    points = scattered(UTM, 8, 300)
    ours = class_shares(points, raster, legend=NLCD, radii_m=[1000])
    discs = ellipses(points, raster, 1000)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # rasterstats calls rasterio in a way that it now warns of
        counts = rasterstats.zonal_stats(discs.geometry, str(raster.path), categorical=True)
    # the rim of length 2 pi r touches at most 8 r / side + 4 cells: at most half of each is wrong
    rim = 0.5 * (8 * 1000 / 30 + 4) / (math.pi * 1000**2 / 30**2)
    for (_, row), cells in zip(ours.iterrows(), counts, strict=True):
        whole = sum(cells.values())
        for code, count in cells.items():
            assert row[f"share_{code:g}_1000m"] == pytest.approx(count / whole, abs=rim)


def test_half_a_chequerboard(tmp_path: Path) -> None:
    """Around a corner of four fields each class holds half of any disc."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 10.0, size=100)
    raster = raster_of(tmp_path, chequerboard(100, field=50), grid)
    shares = class_shares(grid.points(), raster, legend=NLCD, radii_m=[30, 333])
    columns = ["share_21_30m", "share_41_30m", "share_21_333m", "share_41_333m"]
    np.testing.assert_allclose(shares.loc[0, columns].astype(float), 0.5, atol=1e-6)
    assert [c for c in shares if c.startswith("share_")] == columns


@pytest.fixture
def national() -> Raster:
    """A real land-cover raster with the national codes, whose 0 is an undeclared nodata."""
    if not LC.exists():
        pytest.skip("Debian's r-cran-stars is not installed")
    return open_raster("land_cover", LayerSettings(path=str(LC)), folder=Path())


def test_an_undeclared_nodata_is_told(national: Raster) -> None:
    """On real land cover the sea is coded 0: missing with the way out, never a class."""
    lon, lat = np.meshgrid(np.linspace(-67.0, -65.2, 12), np.linspace(17.9, 18.5, 6))
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon.ravel(), lat.ravel()), crs=4326)
    here = class_at(points, national, legend=NLCD)
    with rasterio.open(national.path) as source:
        places = zip(*to_layer_xy(points, national.crs), strict=True)
        sampled = np.array([value[0] for value in source.sample(places)])
    zero = (sampled == 0) & (here["reason"] != "outside the raster")
    told = "code 0 is not in legend nlcd: declare nodata = 0 in [layers.land_cover]"
    assert (here["reason"] == told).tolist() == zero.tolist()
    assert 0 < zero.sum() < len(points)
    assert here["code"].isna().tolist() == (sampled == 0).tolist()
    assert here.loc[~here["code"].isna(), "code"].tolist() == sampled[sampled > 0].tolist()
    assert (here["name"].isna() == here["code"].isna()).all()


def test_real_shares_with_nodata(national: Raster, tmp_path: Path) -> None:
    """On it shares of the valid area agree with exactextract to 1e-6, missing shares with its coverage."""
    points = gpd.GeoDataFrame(
        geometry=gpd.points_from_xy([-66.2, -66.7, -65.9, -66.1], [18.2, 18.4, 18.35, 18.45]), crs=4326
    )
    with rasterio.open(national.path) as source:
        cells = source.read(1).astype(float)
    cells[cells == 0] = np.nan
    path = write_raster(
        tmp_path / "lc.tif", cells, crs=national.crs.to_wkt(), transform=national.transform, dtype="uint8",
        nodata=0,
    )  # fmt: skip
    declared = open_raster("land_cover", LayerSettings(path=str(LC), nodata=0), folder=Path())
    shares = class_shares(points, declared, legend=NLCD, radii_m=[12_000])
    codes = [int(c.split("_")[1]) for c in shares if c.startswith("share_")]
    discs = ellipses(points, declared, 12_000)
    theirs = extracted(path, discs, codes)
    np.testing.assert_allclose(shares[[f"share_{c}_12000m" for c in codes]], theirs, atol=1e-6)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # exactextract's own remarks on CRS texts
        covered = exact_extract(path, discs, ["count"], output="pandas")["count"]
    whole = discs.area / 3000**2
    np.testing.assert_allclose(shares["missing_share_12000m"], 1 - covered / whole.to_numpy(), atol=1e-6)
    assert shares["missing_share_12000m"].max() > 0.1
    undeclared = class_shares(points, national, legend=NLCD, radii_m=[12_000])
    values = [c for c in shares if c != "reason"]
    np.testing.assert_allclose(undeclared[values], shares[values])
    gap = shares["missing_share_12000m"] > 0
    assert (shares["reason"] != "").tolist() == gap.tolist()
    assert undeclared.loc[gap, "reason"].str.contains("declare nodata = 0").all()


def test_what_albers_neglects_is_small(national: Raster) -> None:
    """Far outside its parallels an equal-area map shears cells by 2.5 deg: shares stay within 1 %."""
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy([-66.2, -66.5], [18.2, 18.25]), crs=4326)
    shares = class_shares(points, national, legend=NLCD, radii_m=[12_000])
    codes = [int(c.split("_")[1]) for c in shares if c.startswith("share_")]
    theirs = extracted(national.path, geodesic_discs(points, national.crs, 12_000), [0, *NLCD.classes])
    ours = shares.reindex(columns=[f"share_{c}_12000m" for c in NLCD.classes]).fillna(0)
    assert len(codes) > 5
    np.testing.assert_allclose(ours, theirs[:, 1:] / theirs[:, 1:].sum(axis=1, keepdims=True), atol=0.01)


@pytest.mark.usefixtures("kernel")
def test_means_are_those_of_exactextract(tmp_path: Path) -> None:
    """Means over valid cells agree with exactextract to 1e-6 of their size."""
    values = np.random.default_rng(5).uniform(0, 100, (101, 101))
    values[np.random.default_rng(6).random((101, 101)) < 0.2] = -1.0
    raster = raster_of(tmp_path, values, FAR_UTM, nodata=-1.0)
    points = scattered(FAR_UTM, 8, 300)
    means = disc_means(points, raster, radii_m=RADII)
    whole = write_raster(
        tmp_path / "b.tif", np.where(values < 0, np.nan, values), crs=FAR_UTM.crs,
        transform=FAR_UTM.transform, dtype="float64", nodata=-1,
    )  # fmt: skip
    for radius in RADII:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # exactextract's own remarks on CRS texts
            theirs = exact_extract(whole, ellipses(points, raster, radius), ["mean"], output="pandas")
        np.testing.assert_allclose(means[f"mean_{radius:g}m"], theirs["mean"], rtol=1e-6)
    assert means["missing_share_1000m"].between(0.15, 0.25).all()


def test_sums_of_an_even_count(tmp_path: Path) -> None:
    """Ten per cell give ten times the disc's area over the cell's, whatever the CRS."""
    for grid, cell_m2 in ((UTM, None), (FEET, (100 * 1200 / 3937) ** 2)):
        raster = raster_of(tmp_path, np.full((101, 101), 10.0), grid)
        high, wide = cell_size(grid.points(), raster)
        assert cell_m2 is None or high[0] * wide[0] == pytest.approx(cell_m2, rel=2e-4)
        sums = disc_sums(grid.points(), raster, radii_m=[30, 1000])
        for radius in (30, 1000):
            expected = 10 * math.pi * radius**2 / (high[0] * wide[0])
            assert sums.loc[0, f"sum_{radius}m"] == pytest.approx(expected, rel=1e-9)


def test_sums_count_a_cut_cell_by_its_share(tmp_path: Path) -> None:
    """A disc centred on a corner of one full cell takes a quarter of its own area of it."""
    grid = Grid("EPSG:32611", -117.0, 49.0, 1000.0, size=4)
    values = np.zeros((4, 4))
    values[1, 1] = 800
    sums = disc_sums(grid.points(), raster_of(tmp_path, values, grid), radii_m=[500])
    assert sums.loc[0, "sum_500m"] == pytest.approx(800 * math.pi / 4 * 0.25, rel=1e-3)


def test_missing_ground(tmp_path: Path) -> None:
    """Outside, on nodata, and without coordinates: values are missing with reasons, shares told."""
    values = np.full((101, 101), 41)
    values[50, 50] = 255
    raster = raster_of(tmp_path, values, UTM, nodata=255)
    points = UTM.points([0, 300, 1500, 9000, np.nan], [0, 0, 0, 0, np.nan])
    here = value_at(points, raster)
    assert here["reason"].tolist() == ["nodata", "", "", "outside the raster", "no coordinates"]
    assert class_at(points, raster, legend=NLCD)["name"].tolist()[1] == "Deciduous Forest"
    means, sums = disc_means(points, raster, radii_m=[10, 60]), disc_sums(points, raster, radii_m=[10, 60])
    shares = class_shares(points, raster, legend=NLCD, radii_m=[10, 60])
    for frame, column in ((means, "mean"), (sums, "sum"), (shares, "share_41")):
        assert frame[f"{column}_10m"].isna().tolist() == [True, False, False, True, True]
        assert frame[f"{column}_60m"].isna().tolist() == [False, False, False, True, True]
        assert frame["missing_share_10m"].tolist() == pytest.approx([1, 0, 0, 1, 1])
        assert 0 < frame.loc[2, "missing_share_60m"] < 0.5
    gap = "nodata or outside the raster"
    assert shares["reason"].tolist() == [gap, "", gap, gap, "no coordinates"]
    np.testing.assert_allclose(means["mean_60m"].dropna(), 41)


def test_no_points(tmp_path: Path) -> None:
    """An empty frame gives empty results."""
    raster = raster_of(tmp_path, classes(101), UTM)
    none = UTM.points().iloc[:0]
    assert len(value_at(none, raster)) == 0
    assert len(class_at(none, raster, legend=NLCD)) == 0
    assert list(disc_means(none, raster, radii_m=[30])) == ["mean_30m", "missing_share_30m", "reason"]
    assert list(class_shares(none, raster, legend=NLCD, radii_m=[30])) == ["missing_share_30m", "reason"]


def test_shipped_legends_are_the_published_ones() -> None:
    """Codes of both legends, and names that real files of theirs carry."""
    published = [11, 12, 21, 22, 23, 24, 31, 41, 42, 43, 51, 52, 71, 72, 73, 74, 81, 82, 90, 95]
    assert list(NLCD.classes) == published
    assert NLCD.classes[22] == "Developed, Low Intensity"
    assert (NLCD.name, NLCD.nodata) == ("nlcd", None)
    world = read_legend("worldcover", folder=Path())
    assert list(world.classes) == [10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]
    assert (world.classes[50], world.nodata) == ("Built-up", 0)
    assert "European Space Agency" in world.source


def test_the_national_legend_fits_a_real_file(national: Raster) -> None:
    """Every code but 0 that a real raster holds is in the shipped legend."""
    with rasterio.open(national.path) as source:
        assert set(np.unique(source.read(1)).tolist()) - {0} <= set(NLCD.classes)


def test_a_legend_of_ones_own(tmp_path: Path) -> None:
    """Any CSV with code and name, in any order, with a source and a nodata code."""
    text = '# source: Ondra Basin survey\n# nodata: 9\nname,colour,code\nscree,grey,3\n"fen, wet",blue,1\n'
    (tmp_path / "own.csv").write_text(text, encoding="utf-8")
    expected = Legend("own", "Ondra Basin survey", {3: "scree", 1: "fen, wet"}, 9)
    assert read_legend("own.csv", folder=tmp_path) == expected


def test_all_mistakes_of_a_legend_are_told(tmp_path: Path) -> None:
    """A legend's problems are listed together, with their lines."""
    text = "# nodata: none\ncode,name\n1,fen\nx,bog\n1,mire\n2,\n"
    (tmp_path / "own.csv").write_text(text, encoding="utf-8")
    with pytest.raises(LayerError) as told:
        read_legend("own.csv", folder=tmp_path)
    found = [line.split("own.csv: ")[1] for line in str(told.value).splitlines()]
    assert found == [
        "line 4: code 'x' is not a whole number",
        "line 5: code 1 stands twice",
        "line 6: code 2 has no name",
        "nodata 'none' is not a whole number",
    ]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("a,b\n1,2\n", "expected the columns code,name; found a, b"),
        ("", "found nothing"),
        ("code,name\n", "no classes"),
    ],
)
def test_a_legend_without_classes(tmp_path: Path, text: str, fault: str) -> None:
    """A file without the two columns or without rows is no legend."""
    (tmp_path / "own.csv").write_text(text, encoding="utf-8")
    with pytest.raises(LayerError, match=fault):
        read_legend("own.csv", folder=tmp_path)


def test_a_legend_that_is_not_there(tmp_path: Path) -> None:
    """A missing legend is told with the names of the shipped ones."""
    with pytest.raises(LayerError, match="no such file; expected nlcd, worldcover or a CSV"):
        read_legend("corine", folder=tmp_path)


def damaged(folder: Path) -> Raster:
    """Land cover of 3 x 3 tiles of 32 cells, of which the middle one was overwritten after opening."""
    path = folder / "tiles.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=96, width=96, count=1, dtype="uint8", crs="EPSG:32611",
        transform=Affine(30, 0, 500_000, 0, -30, 5_427_000), tiled=True, blockxsize=32, blockysize=32,
        compress="deflate",
    ) as target:  # fmt: skip
        target.write(classes(96).astype(np.uint8), 1)
    with rasterio.open(path) as source:
        start, size = (int(source.get_tag_item(f"BLOCK_{what}_1_1", "TIFF", bidx=1)) for what in ("OFFSET", "SIZE"))
    raster = open_raster("land_cover", LayerSettings(path=path.name), folder=folder)
    with path.open("r+b") as stream:
        stream.seek(start)
        stream.write(b"\xff" * size)
    return raster


@pytest.fixture(params=["numpy", "compiled"])
def kernel(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways of adding up discs, however few they are."""
    if request.param == "compiled":
        pytest.importorskip("numba")
    monkeypatch.setattr(discs, "COMPILED_FROM", 0 if request.param == "compiled" else math.inf)
    return str(request.param)


@pytest.mark.usefixtures("kernel")
def test_a_damaged_block_costs_only_the_discs_over_it(tmp_path: Path) -> None:
    """A tile that cannot be decoded: points in it, and discs that touch it, are missing and say why."""
    raster = damaged(tmp_path)
    # in the tile, 10 m west of it, 200 m west of it, at a corner of its frame, far from it
    x = 500_000 + np.array([48.5, 32 - 1 / 3, 32 - 20 / 3, 32 - 3, 10.5]) * 30
    y = 5_427_000 - np.array([48.5, 48.5, 48.5, 32 - 3, 10.5]) * 30
    points = gpd.GeoDataFrame(geometry=gpd.points_from_xy(x, y), crs=32611).to_crs(4326)
    lost = "a block of the file cannot be read"
    assert value_at(points, raster)["reason"].tolist() == [lost, "", "", "", ""]
    assert class_at(points, raster, legend=NLCD)["code"].isna().tolist() == [True, False, False, False, False]
    shares = class_shares(points, raster, legend=NLCD, radii_m=[20, 100, 125])
    means, sums = (f(points, raster, radii_m=[20, 100, 125]) for f in (disc_means, disc_sums))
    for radius, gone in ((20, [1, 1, 0, 0, 0]), (100, [1, 1, 0, 0, 0]), (125, [1, 1, 0, 0, 0])):
        for frame, column in ((shares, "share_41"), (means, "mean"), (sums, "sum")):
            assert frame[f"{column}_{radius}m"].isna().tolist() == [bool(g) for g in gone]
            assert frame[f"missing_share_{radius}m"].tolist() == gone
    for frame in (shares, means, sums):
        assert frame["reason"].tolist() == [lost, lost, "", "", ""]
    # 127.3 m from the corner's point to the tile, 200 m from the third
    wider = disc_means(points, raster, radii_m=[130, 210])
    assert wider["mean_130m"].isna().tolist() == [True, True, False, True, False]
    assert wider["mean_210m"].isna().tolist() == [True, True, True, True, False]
    assert wider["reason"].tolist() == [lost, lost, lost, lost, ""]


@pytest.mark.usefixtures("kernel")
def test_what_the_missing_part_is_made_of(tmp_path: Path) -> None:
    """Codes that the legend does not hold are told one by one, for the discs that hold them, then nodata."""
    values = np.full((101, 101), 41)
    values[:, 52], values[:, 54], values[:, 40] = 7, 3, 255
    raster = raster_of(tmp_path, values, UTM, nodata=255)
    points = UTM.points([0, 0, -300], [0, 1495, 0])
    shares = class_shares(points, raster, legend=NLCD, radii_m=[20, 130])
    told = [f"code {c} is not in legend nlcd: declare nodata = {c} in [layers.land_cover]" for c in (3, 7)]
    assert shares["reason"].tolist() == [
        "; ".join(told), "; ".join([*told, "nodata or outside the raster"]), "nodata or outside the raster",
    ]  # fmt: skip
    assert shares["missing_share_20m"].tolist() == pytest.approx([0, 0.18, 1], abs=0.2)
    known = Legend("nlcd", "", NLCD.classes, nodata=7)
    assert class_shares(points, raster, legend=known, radii_m=[130])["reason"][0] == f"{told[0]}; nodata"


def test_a_layer_that_is_no_classes(tmp_path: Path) -> None:
    """Hundreds of unknown codes are another legend's layer, or heights: said, not listed."""
    raster = raster_of(tmp_path, np.random.default_rng(4).uniform(500, 900, (101, 101)), UTM)
    with pytest.raises(LayerError, match="more than 250 codes that its legend does not hold"):
        class_shares(UTM.points(), raster, legend=NLCD, radii_m=[1000])


@pytest.mark.usefixtures("kernel")
def test_the_largest_radius_need_not_be_last(tmp_path: Path) -> None:
    """Radii in any order give the same columns, and reasons of the largest disc."""
    values = np.full((101, 101), 41)
    values[50, 53] = 255
    raster = raster_of(tmp_path, values, UTM, nodata=255)
    up, down = (class_shares(UTM.points(), raster, legend=NLCD, radii_m=r) for r in ([30, 200], [200, 30]))
    assert (up[list(down)] == down).all(axis=None)
    assert down["reason"].tolist() == ["nodata or outside the raster"]
