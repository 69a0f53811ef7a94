"""Gradient and landscape classes: every break of every scheme, closed-form layers, location error."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pydantic import ValidationError
from pyproj import Transformer

from densite import cover, gradient
from densite.errors import LayerError, SettingsError
from densite.gradient import MEASURES, PUBLISHED, classify, gradient_at, landscape_at, landscape_grid
from densite.layers import Features, Raster, open_features, open_raster
from densite.settings import GradientSettings, LayerSettings

UTM = "EPSG:32611"
WEST, NORTH = 400_000.0, 4_930_000.0

HOUSING = GradientSettings(measure="housing", scheme="housing_density", radius_m=1000)
IMPERVIOUS = GradientSettings(measure="impervious", scheme="imperviousness", radius_m=300)
PEOPLE = GradientSettings(measure="population", scheme="degree_of_urbanisation", radius_m=1000)
WILD = GradientSettings(measure="housing", scheme="housing_beside_wildland", radius_m=500)
POLYGONS = GradientSettings(measure="housing", scheme="polygons", radius_m=1000)
EDGE = GradientSettings(measure="urban_edge", scheme="breaks", breaks=(0, 2000), names=("town", "fringe", "far"))
TENS = GradientSettings(measure="population", scheme="breaks", breaks=(10, 100), names=("low", "mid", "high"))
Layers = dict[str, Raster | Features]


def raster(
    folder: Path,
    name: str,
    values: np.ndarray,
    *,
    cell: float,
    unit: str | None = None,
    nodata: float | None = None,
) -> Raster:
    """Write a raster whose upper left corner is the study's, and open it."""
    path = folder / f"{name}.tif"
    profile = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype}
    place = {"crs": UTM, "transform": Affine(cell, 0, WEST, 0, -cell, NORTH), "nodata": nodata}
    with rasterio.open(path, "w", driver="GTiff", **profile, **place) as out:
        out.write(values, 1)
    return open_raster(name, LayerSettings(path=path.name, unit=unit), folder=folder)


def polygons(folder: Path, name: str, shapes: list[shapely.Geometry], **columns: list[str | None]) -> Features:
    """Write polygons in UTM and open them."""
    gpd.GeoDataFrame(columns, geometry=shapes, crs=UTM).to_file(folder / f"{name}.gpkg", layer=name)
    return open_features(name, LayerSettings(path=f"{name}.gpkg"), folder=folder)


def dens(*offsets: tuple[float, float], uncertainty: list[float] | None = None) -> gpd.GeoDataFrame:
    """Return dens so many metres east and south of the study's upper left corner."""
    east, south = np.array(offsets, float).T
    lon, lat = Transformer.from_crs(UTM, 4326, always_xy=True).transform(WEST + east, NORTH - south)
    labels = [f"den-{i}" for i in range(len(east))]
    frame = gpd.GeoDataFrame(geometry=shapely.points(lon, lat), crs=4326, index=labels)
    return frame if uncertainty is None else frame.assign(uncertainty_m=uncertainty)


def around(limit: float) -> list[float]:
    """Return values just below, at and just above a break."""
    return [limit * (1 - 1e-6), limit, limit * (1 + 1e-6)]


@pytest.mark.parametrize(
    ("hectares", "below", "at", "above"),
    [
        (0.1, "urban", "suburban", "suburban"),
        (0.68, "suburban", "exurban", "exurban"),
        (16.18, "exurban", "exurban", "rural"),
    ],
)
def test_housing_density_at_each_break_in_both_units(hectares: float, below: str, at: str, above: str) -> None:
    """Theobald 2005: < 0.1, 0.1-0.68, 0.68-16.18, > 16.18 ha per unit; density runs the other way."""
    land = around(hectares)
    assert classify(gradient.units_per_km2(land), settings=HOUSING).tolist() == [below, at, above]
    density = around(100 / hectares)
    assert classify(density, settings=HOUSING).tolist() == [above, at, below]


def test_housing_density_does_not_fall_into_the_unit_trap() -> None:
    """0.68 ha per unit is 147 per km2 and 16.18 is 6.18; no housing at all is rural."""
    assert gradient.units_per_km2([0.1, 0.68, 16.18]).round(2).tolist() == [1000.0, 147.06, 6.18]
    got = classify([0, 5, 7, 146, 148, 999, 1001, math.nan], settings=HOUSING).tolist()
    assert got == ["rural", "rural", "exurban", "exurban", "suburban", "suburban", "urban", None]


@pytest.mark.parametrize(
    ("limit", "below", "at"),
    [
        (20, "open space", "low intensity"),
        (50, "low intensity", "medium intensity"),
        (80, "medium intensity", "high intensity"),
    ],
)
def test_imperviousness_at_each_break(limit: float, below: str, at: str) -> None:
    """National land-cover legend: < 20, 20-49, 50-79, 80-100 %; fractions go with the percent below."""
    assert classify(around(limit), settings=IMPERVIOUS).tolist() == [below, at, at]


def test_imperviousness_between_whole_percents_and_at_the_ends() -> None:
    """49.5 is not yet 50; nothing sealed is not developed, anything sealed is; 100 is high."""
    got = classify([0, 1e-9, 19.5, 49.5, 79.9, 100], settings=IMPERVIOUS).tolist()
    assert got == [
        "not developed", "open space", "open space", "low intensity", "medium intensity", "high intensity",
    ]  # fmt: skip


@pytest.mark.parametrize("limit", [10.0, 100.0])
def test_a_value_equal_to_an_own_break_belongs_to_the_class_above(limit: float) -> None:
    """Just below, at, just above, and rounding noise of the last digits is no difference."""
    lower, upper = ("low", "mid") if limit == 10 else ("mid", "high")
    assert classify(around(limit), settings=TENS).tolist() == [lower, upper, upper]
    assert classify([limit * (1 - 1e-12)], settings=TENS).tolist() == [upper]


def test_own_breaks_on_distance_count_inside_as_urban() -> None:
    """Distance to the edge is negative inside, so rising names go from urban to rural."""
    assert classify([-1, 0, 1999, 2000], settings=EDGE).tolist() == ["town", "fringe", "fringe", "far"]
    assert gradient.class_names(EDGE) == ("town", "fringe", "far")


def test_class_names_go_from_urban_to_rural() -> None:
    """Names of own breaks rise with density and so are turned round."""
    own = GradientSettings(measure="housing", scheme="breaks", breaks=(5,), names=("empty", "settled"))
    assert gradient.class_names(own) == ("settled", "empty")
    for settings in (HOUSING, IMPERVIOUS):
        scheme = PUBLISHED[settings.scheme]
        assert set(scheme.classes) == set(scheme.rising)
        assert gradient.class_names(settings) == scheme.rising[::-1]


@pytest.mark.parametrize("scheme", ["housing_density", "housing_beside_wildland", "imperviousness"])
def test_scheme_on_another_measure_is_refused(scheme: str) -> None:
    """Housing classes cannot be made of population."""
    settings = GradientSettings.model_validate({"measure": "population", "scheme": scheme})
    with pytest.raises(SettingsError, match="is defined on measure"):
        gradient.definition(settings)


def test_definition_names_measure_unit_radius_rule_and_source() -> None:
    """One sentence holds all that a reader needs."""
    told = gradient.definition(HOUSING)
    for part in ("housing units per km2", "within 1000 m", "0.68", "more than 16.18", "Theobald 2005"):
        assert part in told
    spans = "low: below 10 people per km2; mid: 10 to below 100 people per km2; high: 100 and more"
    assert spans in gradient.definition(TENS)
    assert "within" not in gradient.definition(EDGE).split("Classes")[0]


def test_counts_become_a_density_whatever_the_cell_and_radius(tmp_path: Path) -> None:
    """Four units in each 100 m cell are 400 per km2 of map, within UTM's scale (.07 % in area) of ground."""
    layer = raster(tmp_path, "housing", np.full((60, 60), 4.0, np.float32), cell=100)
    for radius in (150, 1000):
        found = gradient_at(
            dens((3000, 3000), (2950, 3017)), settings=HOUSING.model_copy(update={"radius_m": radius}),
            layers={"housing": layer},
        )  # fmt: skip
        assert found["gradient"].tolist() == pytest.approx([400, 400], rel=1e-3)
        assert found["reason"].tolist() == ["", ""]
        assert found.index.tolist() == ["den-0", "den-1"]


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        (None, 400), ("count", 400), ("housing units", 400), ("units per cell", 400), ("units per km2", 4),
        ("units/km²", 4), ("1/km^2", 4), ("units per ha", 400), ("km-2", 4), ("people", 400),
    ],
)  # fmt: skip
def test_the_layers_unit_is_honoured(tmp_path: Path, unit: str | None, expected: float) -> None:
    """The same 4 is a count per 1 ha cell, a density per km2, or one per ha."""
    layer = raster(tmp_path, "housing", np.full((60, 60), 4.0, np.float32), cell=100, unit=unit)
    found = gradient_at(dens((3000, 3000)), settings=HOUSING, layers={"housing": layer})
    assert found["gradient"].tolist() == pytest.approx([expected], rel=1e-3)


@pytest.mark.parametrize("unit", ["ha per unit", "km2 per unit", "m", "units per acre"])
def test_a_unit_that_would_be_guessed_is_refused(tmp_path: Path, unit: str) -> None:
    """Land per unit is not units per land."""
    layer = raster(tmp_path, "housing", np.full((60, 60), 4.0, np.float32), cell=100, unit=unit)
    with pytest.raises(LayerError, match="mend its `unit`"):
        gradient_at(dens((3000, 3000)), settings=HOUSING, layers={"housing": layer})


def test_a_disc_partly_without_data_keeps_its_density_and_says_so(tmp_path: Path) -> None:
    """Half the disc is nodata: the density is that of the valid half; all nodata: no value."""
    values = np.full((60, 60), 4.0, np.float32)
    values[:, 30:] = -9999
    layer = raster(tmp_path, "housing", values, cell=100, nodata=-9999)
    spots = dens((3000, 3000), (5000, 3000), (1500, 3000))
    found = gradient_at(spots, settings=HOUSING, layers={"housing": layer})
    assert found["gradient"].iloc[[0, 2]].tolist() == pytest.approx([400, 400], rel=1e-3)
    assert math.isnan(found["gradient"].iloc[1])
    assert found["reason"].tolist() == [
        "50 % of the disc has no data in layer 'housing'", "no data of layer 'housing' in the disc", "",
    ]  # fmt: skip


def test_a_den_without_coordinates_has_a_reason(tmp_path: Path) -> None:
    """A missing point is no class and no error."""
    layer = raster(tmp_path, "housing", np.full((60, 60), 4.0, np.float32), cell=100)
    points = dens((3000, 3000), (3100, 3000), uncertainty=[5, 5])
    points.loc["den-1", "geometry"] = None
    found = landscape_at(points, settings=HOUSING, layers={"housing": layer}, folder=tmp_path)
    assert found["landscape_class"].tolist() == ["suburban", None]
    assert found["class_certain"].tolist() == [True, None]
    assert found.loc["den-1", "reason"] == "no coordinates"


def test_imperviousness_is_the_mean_of_the_disc(tmp_path: Path) -> None:
    """Half sealed, half not: 50 % at the border, and a fraction is told from a percent."""
    values = np.zeros((100, 100), np.float32)
    values[:, :50] = 100
    percent = raster(tmp_path, "impervious", values, cell=30)
    fraction = raster(tmp_path, "impervious_f", values / 100, cell=30, unit="fraction")
    spots = dens((1500, 1500), (400, 1500), (2600, 1500))
    for layer in (percent, fraction):
        found = gradient_at(spots, settings=IMPERVIOUS, layers={"impervious": layer})
        assert found["gradient"].tolist() == pytest.approx([50, 100, 0], abs=0.05)


def test_undeclared_nodata_in_imperviousness_is_told(tmp_path: Path) -> None:
    """127 and 255 are usual fill values; a mean over 100 % shows them."""
    layer = raster(tmp_path, "impervious", np.full((50, 50), 127, np.uint8), cell=30)
    with pytest.raises(LayerError, match="outside 0 to 100 %"):
        gradient_at(dens((700, 700)), settings=IMPERVIOUS, layers={"impervious": layer})


def test_distance_to_the_urban_edge_is_negative_inside(tmp_path: Path) -> None:
    """A square town of 4 km: 2 km deep in its middle, 1 km outside east of it."""
    town = shapely.box(WEST, NORTH - 4000, WEST + 4000, NORTH)
    layer = polygons(tmp_path, "urban", [town])
    found = landscape_at(
        dens((2000, 2000), (5000, 2000), (9000, 2000), uncertainty=[10, 10, 10]),
        settings=EDGE, layers={"urban": layer}, folder=tmp_path,
    )  # fmt: skip
    assert found["gradient"].tolist() == pytest.approx([-2000, 1000, 5000], rel=1e-3)
    assert found["landscape_class"].tolist() == ["town", "fringe", "far"]


def test_a_missing_layer_is_named() -> None:
    """The message says which layer and why."""
    with pytest.raises(LayerError, match="no layer 'housing', which measure = \"housing\" needs"):
        gradient_at(dens((0, 0)), settings=HOUSING, layers={})


def step(folder: Path) -> Layers:
    """Return land of 400 and, east of 6 km, of 4000 housing units per km2."""
    values = np.full((120, 120), 4.0, np.float32)
    values[:, 60:] = 40
    return {"housing": raster(folder, "housing", values, cell=100)}


def crossing(radius_m: float) -> float:
    """Return how far west of the step a disc mean of 1000 per km2 lies, by bisection of the closed form.

    The share of a disc beyond a line at distance d is (acos(u) - u sqrt(1 - u2)) / pi with u = d / r.
    """
    low, high = 0.0, 1.0
    for _ in range(60):
        u = (low + high) / 2
        share = (math.acos(u) - u * math.sqrt(1 - u * u)) / math.pi
        low, high = (u, high) if 400 + 3600 * share > 1000 else (low, u)
    return low * radius_m


def test_uncertainty_flags_exactly_the_dens_that_could_cross_the_break(tmp_path: Path) -> None:
    """West of a step in density the class changes at a known line; 100 m errors reach it or do not."""
    line = 6000 - crossing(1000)
    places = [(line + shift, 6000) for shift in (-120, -80, 80, 120, -80, 0)]
    spots = dens(*places, uncertainty=[100, 100, 100, 100, 10, math.nan])
    found = landscape_at(spots, settings=HOUSING, layers=step(tmp_path), folder=tmp_path)
    assert found["landscape_class"].tolist()[:5] == ["suburban", "suburban", "urban", "urban", "suburban"]
    assert found["class_certain"].tolist() == [True, False, False, True, True, None]
    assert found["class_could_be"].tolist() == ["", "urban", "suburban", "", "", ""]
    assert found["reason"].iloc[5] == "location uncertainty unknown, class not checked"


def test_uncertainty_in_no_special_direction_is_seen(tmp_path: Path) -> None:
    """Sixteen directions see a line to within cos(11.25 deg) of the radius, 1.9 % short at worst."""
    angle = math.radians(56.25)
    corners = [(WEST, NORTH), (WEST + 9000, NORTH), (WEST, NORTH - 9000 * math.tan(angle))]
    layers: Layers = {"urban": polygons(tmp_path, "urban", [shapely.Polygon(corners)])}
    normal = np.array([math.sin(angle), math.cos(angle)])
    foot = np.array([4500.0, 4500 * math.tan(angle)])
    spots = dens(*(tuple(foot + normal * d) for d in (97, 103)), uncertainty=[100, 100])
    found = landscape_at(spots, settings=EDGE, layers=layers, folder=tmp_path)
    assert found["class_certain"].tolist() == [False, True]
    assert found["class_could_be"].tolist() == ["town", ""]


@pytest.mark.parametrize("away", [500, 1000])
def test_a_hamlet_on_either_ring_is_seen(tmp_path: Path, away: int) -> None:
    """60 m of town at the radius of uncertainty or at half of it: the den could lie there."""
    hamlet = shapely.box(WEST + 5000 + away - 30, NORTH - 5030, WEST + 5000 + away + 30, NORTH - 4970)
    layers: Layers = {"urban": polygons(tmp_path, "urban", [hamlet])}
    found = landscape_at(dens((5000, 5000), uncertainty=[1000]), settings=EDGE, layers=layers, folder=tmp_path)
    assert found["landscape_class"].tolist() == ["fringe"]
    assert found["class_could_be"].tolist() == ["town"]


def test_a_ring_that_leaves_the_layer_is_not_called_certain(tmp_path: Path) -> None:
    """All that can be seen is the den's class, but not all can be seen."""
    settings = PEOPLE.model_copy(update={"measure": "housing"})
    layer = raster(tmp_path, "population", np.full((5, 5), 10.0, np.float32), cell=1000)
    spots = dens((150, 2500), (2500, 2500), uncertainty=[300, 300])
    found = landscape_at(spots, settings=settings, layers={"population": layer}, folder=tmp_path)
    assert found["class_certain"].tolist() == [None, True]
    assert "layers end within" in found["reason"].iloc[0]
    assert found["gradient"].isna().all()


def test_no_dens_give_an_empty_frame(tmp_path: Path) -> None:
    """An empty register is no error."""
    points = dens((0, 0), uncertainty=[1]).iloc[:0]
    found = landscape_at(points, settings=HOUSING, layers=step(tmp_path), folder=tmp_path)
    assert found.empty
    told = ["gradient", "missing_share", "landscape_class", "class_certain", "class_could_be", "reason"]
    assert found.columns.tolist() == told


def test_degree_of_urbanisation_through_the_whole_path(tmp_path: Path) -> None:
    """A town of 5 x 7 cells of 1500 is a centre; the same people in 250 m cells are the same town."""
    people = np.full((30, 30), 10.0)
    people[10:15, 10:17] = 1500
    fine = np.repeat(np.repeat(people / 16, 4, 0), 4, 1)
    dense = np.repeat(np.repeat(people, 4, 0), 4, 1)
    spots = dens((12_500, 12_500), (2500, 2500), (-500, 500))
    for name, values, cell, unit in (
        ("a", people, 1000, None), ("b", fine, 250, None), ("c", dense, 250, "people per km2"),
    ):  # fmt: skip
        layer = raster(tmp_path, name, values.astype(np.float32), cell=cell, unit=unit)
        found = landscape_at(spots, settings=PEOPLE, layers={"population": layer}, folder=tmp_path)
        assert found["landscape_class"].tolist() == ["urban centre", "rural", None]
        assert "outside the layer 'population'" in found["reason"].iloc[2]


@pytest.mark.parametrize("cell", [300, 700, 2000])
def test_population_cells_that_make_up_no_kilometre_are_refused(tmp_path: Path, cell: float) -> None:
    """300 m does not divide 1 km."""
    layer = raster(tmp_path, "population", np.ones((20, 20), np.float32), cell=cell)
    with pytest.raises(LayerError, match="cells that divide 1000 m"):
        landscape_at(dens((900, 900)), settings=PEOPLE, layers={"population": layer}, folder=tmp_path)


LAND_COVER = {"land_cover": LayerSettings(path="land_cover.tif", legend="nlcd")}


def wildland(folder: Path, *, density: float, codes: np.ndarray) -> Layers:
    """Return even housing and land cover of 100 m cells over 20 km."""
    folder.mkdir(exist_ok=True)
    return {
        "housing": raster(folder, "housing", np.full((200, 200), density), cell=100, unit="units per km2"),
        "land_cover": raster(folder, "land_cover", codes.astype(np.uint8), cell=100),
    }


def beside(folder: Path, layers: Layers, *offsets: tuple[float, float]) -> list[str | None]:
    """Return the housing-beside-wildland classes at dens."""
    spots = dens(*offsets)
    found = landscape_at(spots, settings=WILD, layers=layers, folder=folder, layer_settings=LAND_COVER)
    return found["landscape_class"].tolist()


def test_housing_beside_wildland_at_the_housing_break(tmp_path: Path) -> None:
    """Federal Register 66:751: from 6.17 units per km2 upward, here in full forest."""
    forest = np.full((200, 200), 42)
    lands = [wildland(tmp_path / f"{d}", density=d, codes=forest) for d in (6.16, 6.17, 6.18)]
    got = [beside(tmp_path, layers, (9000, 9000))[0] for layers in lands]
    assert got == ["below housing threshold", "intermix", "intermix"]


def test_housing_beside_wildland_at_half_cover(tmp_path: Path) -> None:
    """East of a forest's straight edge cover falls below 50 % and the den is at the interface."""
    half = np.full((200, 200), 82)
    half[:, :100] = 41
    layers = wildland(tmp_path, density=50, codes=half)
    got = beside(tmp_path, layers, (9990, 9000), (10_010, 9000), (12_390, 9000), (12_410, 9000))
    assert got == ["intermix", "interface", "interface", "housing away from wildland"]


def test_housing_beside_wildland_at_exactly_half_cover(tmp_path: Path) -> None:
    """On the forest's edge half of every disc is forest, whatever the last digit says: intermix."""
    half = np.full((200, 200), 82)
    half[:, :100] = 41
    layers = wildland(tmp_path, density=50, codes=half)
    south = np.random.default_rng(0).uniform(2000, 18_000, 40)
    assert set(beside(tmp_path, layers, *[(10_000, float(y)) for y in south])) == {"intermix"}


@pytest.mark.parametrize(("blocks", "expected"), [(20, "interface"), (19, "housing away from wildland")])
def test_interface_needs_five_square_kilometres(tmp_path: Path, blocks: int, expected: str) -> None:
    """Twenty blocks of 500 m are 5 km2, nineteen are not; they are joined by corners too."""
    codes = np.full((200, 200), 82)
    for i in range(blocks):
        row, col = 50 + 5 * (i % 10), 50 + 5 * (i // 10)
        codes[row : row + 5, col : col + 5] = 43
    layers = wildland(tmp_path, density=50, codes=codes)
    assert beside(tmp_path, layers, (8000, 7500)) == [expected]


def test_interface_needs_more_than_three_quarters_of_each_block(tmp_path: Path) -> None:
    """A chequered land of 3/4 forest is no large wildland; one cell more in each block makes it one."""
    codes = np.full((200, 200), 82)
    codes[50:100, 0:50] = 41
    for row in range(50, 100, 5):
        for col in range(0, 50, 5):
            codes[row : row + 5, col : col + 5].flat[:7] = 82
    layers = wildland(tmp_path, density=50, codes=codes)
    assert beside(tmp_path, layers, (6500, 7500)) == ["housing away from wildland"]
    codes[54:100:5, 0:50] = 41
    codes[50:100:5, 2:50:5] = 41
    assert beside(tmp_path, wildland(tmp_path, density=50, codes=codes), (6500, 7500)) == ["interface"]


def test_interface_does_not_depend_on_which_dens_are_asked(tmp_path: Path) -> None:
    """A long strip reaches out of the window of a single den and is still seen as large."""
    codes = np.full((200, 200), 82)
    codes[100:105, 50:150] = 71
    layers = wildland(tmp_path, density=50, codes=codes)
    alone = beside(tmp_path, layers, (3500, 10_250))
    together = beside(tmp_path, layers, (3500, 10_250), (16_000, 10_250), (16_000, 3000))
    assert alone == ["interface"]
    assert together == ["interface", "interface", "housing away from wildland"]


@pytest.mark.parametrize("said", [{}, {"land_cover": LayerSettings(path="x", legend="worldcover")}])
def test_another_legend_does_not_guess_its_wildland(tmp_path: Path, said: dict[str, LayerSettings]) -> None:
    """Only the national legend's wildland codes are published."""
    layers = wildland(tmp_path, density=50, codes=np.full((200, 200), 42))
    with pytest.raises(SettingsError, match=r"legend 'nlcd' only"):
        landscape_at(dens((9000, 9000)), settings=WILD, layers=layers, folder=tmp_path, layer_settings=said)


def zones(folder: Path) -> Layers:
    """Return three zones, two of which overlap, and one without name."""
    spans = ((0, 2000), (1900, 4000), (6000, 7000))
    shapes = [shapely.box(WEST + a, NORTH - 3000, WEST + b, NORTH) for a, b in spans]
    return {"landscape": polygons(folder, "landscape", shapes, zone=["town", "hills", None])}


def test_polygons_give_their_class_or_a_reason(tmp_path: Path) -> None:
    """Inside, in an overlap, outside, in a nameless polygon; without a housing layer no gradient."""
    said = {"landscape": LayerSettings(path="landscape.gpkg", field="zone")}
    spots = dens((1000, 1000), (1950, 1000), (5000, 1000), (6500, 1000), uncertainty=[10, 10, 10, 10])
    layers = zones(tmp_path)
    found = landscape_at(spots, settings=POLYGONS, layers=layers, folder=tmp_path, layer_settings=said)
    assert found["landscape_class"].tolist() == ["town", None, None, None]
    assert found["reason"].tolist() == [
        "", "in polygons of several classes: hills, town", "outside all polygons of layer 'landscape'",
        "in a polygon without class name",
    ]  # fmt: skip
    names = gradient.class_names(POLYGONS, layers=layers, layer_settings=said)
    assert names == ("town", "hills")


def test_polygons_need_the_field_that_names_them(tmp_path: Path) -> None:
    """The message lists the columns there are."""
    said = {"landscape": LayerSettings(path="landscape.gpkg", field="klass")}
    layers = zones(tmp_path)
    with pytest.raises(SettingsError, match=r"`field` \(klass\) must name .* its columns: zone"):
        gradient.class_names(POLYGONS, layers=layers, layer_settings=said)


def test_grid_has_the_classes_of_its_middles(tmp_path: Path) -> None:
    """Suburban west, urban east of the line, north up, and missing where the layer ends."""
    grid = landscape_grid(
        bounds=(WEST, NORTH - 12_000, WEST + 15_000, NORTH), crs=UTM, settings=HOUSING, layers=step(tmp_path),
        folder=tmp_path, cell_m=1000,
    )  # fmt: skip
    assert grid.codes.shape == (12, 15)
    assert grid.codes.dtype == np.int8
    middle = [grid.classes[code] if code >= 0 else None for code in grid.codes[6]]
    assert 500 < crossing(1000) < 1000  # so the sixth column, 500 m west of the step, is urban
    assert middle == ["suburban"] * 5 + ["urban"] * 8 + [None] * 2
    assert (grid.transform.c, grid.transform.f) == (WEST, NORTH)
    assert "Theobald" in grid.definition


@pytest.mark.parametrize(
    ("crs", "bounds", "cell"),
    [("EPSG:4326", (0, 0, 1, 1), 500), (UTM, (5, 5, 5, 9), 500), (UTM, (0, 0, 1e6, 1e6), 100)],
)
def test_grids_that_cannot_be_are_refused(
    tmp_path: Path, crs: str, bounds: tuple[float, float, float, float], cell: float
) -> None:
    """Degrees, no extent, and a hundred million cells."""
    told = {"settings": HOUSING, "layers": step(tmp_path), "folder": tmp_path}
    with pytest.raises(LayerError, match="grid"):
        landscape_grid(bounds=bounds, crs=crs, cell_m=cell, **told)


def test_layer_of_tells_where_the_class_comes_from() -> None:
    """Polygons and urbanisation do not come from the measure's layer."""
    assert [gradient.layer_of(s) for s in (HOUSING, PEOPLE, POLYGONS, EDGE)] == [
        "housing", "population", "landscape", "urban",
    ]  # fmt: skip
    assert {m.layer for m in MEASURES.values()} == {"housing", "impervious", "population", "urban"}


def test_settings_refuse_breaks_out_of_order() -> None:
    """The classes rely on rising breaks."""
    with pytest.raises(ValidationError):
        GradientSettings(scheme="breaks", breaks=(5, 1), names=("a", "b", "c"))


def test_wildland_codes_are_the_vegetation_of_the_national_legend(tmp_path: Path) -> None:
    """Read against the shipped legend's names: what is left out is no wildland vegetation."""
    classes = cover.read_legend("nlcd", folder=tmp_path).classes
    assert set(gradient.NLCD_WILDLAND) <= set(classes)
    words = ("water", "ice", "developed", "barren", "pasture", "crops")
    left_out = [name.lower() for code, name in classes.items() if code not in gradient.NLCD_WILDLAND]
    assert [name for name in left_out if not any(word in name for word in words)] == []
