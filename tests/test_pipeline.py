"""The job from files to table and map, on a landscape with known answers."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from conftest import write

import densite
from densite import terrain, testing
from densite.errors import LayerError, MapError, RegisterError
from densite.layers import fingerprint
from densite.studyfolder import lay_out, study_text

CRS = "EPSG:32611"
LON, LAT = -115.5, 43.5
LAYERS = """
[layers.elevation]
path = "layers/dem.tif"
[layers.land_cover]
path = "layers/cover.tif"
[layers.canopy]
path = "layers/canopy.tif"
[layers.housing]
path = "layers/housing.tif"
[layers.roads]
path = "layers/lines.gpkg"
[layers.boundary]
path = "layers/area.gpkg"
"""
HEAD = "den_label,date,female,longitude,latitude,datum,uncertainty_m,den_type,aspect,aspect_reference,slope_deg,notes\n"


@pytest.fixture
def grid():
    """A grid of 10 m cells, 3 km wide."""
    return testing.Grid(CRS, LON, LAT, 10.0, size=301)


@pytest.fixture
def folder(tmp_path, grid):
    """A study on a plane of 20 degrees facing 112: forest, 40 % canopy, 2 houses in the middle cell."""
    folder = lay_out(tmp_path / "study", study_text(name="Plane", crs=CRS, layers=LAYERS, study_id="plane-study"))
    plane = testing.plane(*grid.ground(), slope_deg=20, aspect_deg=112)
    raster = {"crs": CRS, "transform": grid.transform}
    testing.write_raster(folder / "layers/dem.tif", plane, **raster)
    testing.write_raster(folder / "layers/cover.tif", np.full(plane.shape, 42), dtype="uint8", nodata=0, **raster)
    testing.write_raster(folder / "layers/canopy.tif", np.full(plane.shape, 40), dtype="uint8", nodata=255, **raster)
    houses = np.zeros(plane.shape)
    houses[150, 150] = 200
    testing.write_raster(folder / "layers/housing.tif", houses, **raster)
    t = grid.transform
    x, y = t.c + 150.5 * t.a, t.f + 150.5 * t.e
    line = shapely.LineString([(x + 500, y - 1400), (x + 500, y + 1400)])
    gpd.GeoDataFrame(geometry=[line], crs=CRS).to_file(folder / "layers/lines.gpkg")
    gpd.GeoDataFrame(geometry=[shapely.box(x - 1400, y - 1400, x + 1400, y + 1400)], crs=CRS).to_file(
        folder / "layers/area.gpkg"
    )
    return folder


def row(label, lon, lat, den_type="tree", **cells) -> str:
    """Return a line of a crew file."""
    aspect, slope = cells.get("aspect", "112"), cells.get("slope", "20")
    place = f"{lon:.6f},{lat:.6f},WGS84,5"
    return f"{label},2026-02-24,OB-001,{place},{den_type},{aspect},true,{slope},{cells.get('notes', '')}\n"


@pytest.fixture
def study(folder):
    """The study with three dens: in the middle, 300 m west of it, and off the DEM."""
    write(
        folder / "crew.csv",
        HEAD
        + row("D-1", LON, LAT)
        + row("D-2", LON - 0.0037, LAT, "brush", aspect="20", slope="45")
        + row("D-3", LON + 0.0200, LAT, "rock ledge"),
    )
    with densite.open_study(folder) as study:
        study.intake([folder / "crew.csv"])
        yield study


def test_five_lines_in_a_notebook(study) -> None:
    """Records in, GeoDataFrame with terrain, cover, distance and class out."""
    frame = study.derive().set_index("label")
    first = frame.loc["D-1"]
    assert first["derived_slope_deg"] == pytest.approx(20, abs=0.01)
    assert first["derived_aspect_deg"] == pytest.approx(112, abs=0.05)
    assert first["cover_class"] == "Evergreen Forest"
    assert first["cover_share_42_100m"] == pytest.approx(1)
    assert first["canopy_mean_pct_500m"] == pytest.approx(40)
    assert first["roads_distance_m"] == pytest.approx(500 / 0.9997, rel=5e-4)  # ground metres, not map metres
    assert first["gradient"] == pytest.approx(200 / np.pi, rel=1e-3)
    assert first["landscape_class"] == "exurban"
    assert frame.crs.to_epsg() == 4326


def test_any_points_get_the_same_values(study) -> None:
    """Dens in another CRS, without their records: the values that derive() stores."""
    stored = study.derive()
    found = study.covariates_at(study.dens[["geometry"]].to_crs(CRS))
    for name in ("derived_slope_deg", "canopy_mean_pct_100m", "roads_distance_m", "landscape_class"):
        pd.testing.assert_series_equal(found[name], stored[name].reindex(found.index), check_exact=False, rtol=1e-6)
    with pytest.raises(LayerError, match="no CRS"):
        study.covariates_at(study.dens[["geometry"]].set_crs(None, allow_override=True))


def test_a_correction_made_while_deriving_asks_for_derive(study, folder) -> None:
    """By another session, after the dens were read: told afterwards, and no more once derived again."""

    def meanwhile(_: str) -> None:
        if not said:
            with densite.open_study(folder) as other:
                said.append(other.correct("D-1", {"uncertainty_m": "9"}, reason="field book", confirm=True).done)

    said: list[bool] = []
    study.derive(step=meanwhile)
    assert said == [True]
    (told,) = (p for p in study.check() if "since derive" in p.message)
    assert "D-1" in str(told)
    study.derive()
    assert not [p for p in study.check() if "since derive" in p.message]


def test_observed_stands_beside_derived(study) -> None:
    """45 degrees in the field on a plane of 20: difference and flag; neither changes the other."""
    frame = study.derive().set_index("label")
    assert frame.loc["D-2", "slope_difference_deg"] == pytest.approx(25, abs=0.01)
    assert frame.loc["D-2", "aspect_difference_deg"] == pytest.approx(-92, abs=0.05)
    assert frame.loc[["D-1", "D-2"], "slope_disagrees"].tolist() == [0, 1]
    assert frame.loc["D-2", "slope_deg"] == 45
    said = [str(p) for p in study.check()]
    assert any("slope 45 deg in the field, 20 deg in the DEM" in s for s in said)


def test_each_value_stands_under_its_own_name(study) -> None:
    """Heat load is no radiation; a certain class is not called uncertain; the chosen method and radius are used."""
    frame = study.derive().set_index("label").loc["D-1"]
    lat = study.dens.geometry.iloc[0].y
    assert frame["heat_load"] == pytest.approx(terrain.heat_load(lat, 20.0, 112.0), abs=1e-3)
    assert frame["direct_radiation"] == pytest.approx(terrain.direct_radiation(lat, 20.0, 112.0), abs=1e-3)
    assert abs(frame["heat_load"] - frame["direct_radiation"]) > 0.01
    assert frame["class_certain"] == 1
    provenance = study.register.provenance().set_index("covariate")
    assert provenance.at["topographic_position_m", "radius_m"] == 300
    assert provenance.at["derived_slope_deg", "method"] == "horn"
    assert provenance.at["elevation_m", "layer_fingerprint"] == fingerprint(study.folder / "layers/dem.tif")
    assert provenance.at["gradient", "layer"] == "housing"


def test_settings_of_terrain_are_used(study) -> None:
    """On a cone the two methods and two radii give different values."""
    grid = testing.Grid(CRS, LON, LAT, 10.0, size=301)
    cone = testing.cone(*grid.ground(), slope_deg=30)
    testing.write_raster(study.folder / "layers/dem.tif", cone, crs=CRS, transform=grid.transform)
    first = study.derive().set_index("label")
    other = study.settings.terrain.model_copy(update={"method": "zevenbergen-thorne", "position_radius_m": 100.0})
    study.settings = study.settings.model_copy(update={"terrain": other})
    second = study.derive().set_index("label")
    assert first.loc["D-2", "derived_slope_deg"] != second.loc["D-2", "derived_slope_deg"]
    # the summit of a cone stands 2/3 r tan(slope) above the mean of its disc
    for frame, radius in ((first, 300), (second, 100)):
        expected = 2 / 3 * radius * np.tan(np.radians(30))
        assert frame.loc["D-1", f"topographic_position_m_{radius}m"] == pytest.approx(expected, rel=0.03)


def test_the_first_known_female_counts(study, folder) -> None:
    """A den used by another female later stays with the first one recorded in it."""
    again = row("D-1", LON, LAT).replace("2026-02-24", "2027-02-24").replace("OB-001", "OB-009")
    early = row("D-1", LON, LAT).replace("2026-02-24", "2025-02-24").replace("OB-001", "")
    study.settings = study.settings.model_copy(update={"layers": {}})
    write(folder / "more.csv", HEAD + early)
    study.intake(folder / "more.csv")
    assert study.frame.set_index("label").loc["D-1", "female"] == "OB-001"
    write(folder / "late.csv", HEAD + again.replace("2027", "2024"))
    study.intake(folder / "late.csv")
    assert study.frame.set_index("label").loc["D-1", "female"] == "OB-009"


def test_a_den_without_class_says_why_in_the_table(study) -> None:
    """Off the housing layer there is no class; the reason stands in a footnote."""
    study.derive()
    with study.register.writing() as connection:
        connection.exec_driver_sql(
            "UPDATE derived_value SET words = NULL, reason = 'no data of layer' WHERE derivation = "
            "(SELECT fid FROM derivation WHERE covariate = 'landscape_class') AND den_id = "
            "(SELECT den_id FROM den WHERE label = 'D-3')"
        )
    assert "no data of layer" in str(study.table())


def test_the_map_is_not_written_into_a_mistyped_folder(study, tmp_path) -> None:
    """Exact places go only where they are meant to."""
    with pytest.raises(MapError, match="no folder"):
        study.map(tmp_path / "nowhere" / "map.html")


def test_a_new_study_folder_is_private(study) -> None:
    """Only its owner may look into it."""
    assert (study.folder.stat().st_mode & 0o077) == 0
    assert (study.out.stat().st_mode & 0o077) == 0


def test_a_den_off_the_layers_has_reasons_not_values(study) -> None:
    """Nothing is filled in; check lists why."""
    frame = study.derive().set_index("label")
    assert np.isnan(frame.loc["D-3", "elevation_m"])
    assert any("D-3" in str(p) and "elevation_m" in str(p) for p in study.check())
    assert any("D-3" in str(p) and "outside the study area" in str(p) for p in study.check())


def test_table_says_how_the_classes_were_made(study) -> None:
    """Before derive there is none; after it the definition stands in it; a changed gradient asks for derive."""
    with pytest.raises(RegisterError, match="derive"):
        study.table()
    study.derive()
    table = study.table()
    assert "Theobald" in table.definition
    assert table.counts["dens"] == 3
    paths = study.write_tables(table)
    assert {p.suffix for p in paths} == {".txt", ".csv", ".md", ".json"}
    assert all("Theobald" in p.read_text(encoding="utf-8") for p in paths)
    study.settings = study.settings.model_copy(
        update={"gradient": study.settings.gradient.model_copy(update={"radius_m": 500.0})}
    )
    with pytest.raises(RegisterError, match="changed since"):
        study.table()


def test_manifest_names_layers_and_settings(study) -> None:
    """What is needed to derive it again."""
    study.derive()
    manifest = json.loads((study.out / "manifest.json").read_text(encoding="utf-8"))
    assert set(manifest["layers"]) == {"elevation", "land_cover", "canopy", "housing", "roads", "boundary"}
    assert manifest["settings"]["gradient"]["scheme"] == "housing_density"
    provenance = study.register.provenance()
    assert (provenance["layer_fingerprint"].str.len() >= 32).all()


def test_deriving_twice_gives_the_same(study) -> None:
    """Values and records alike."""
    first = study.derive().drop(columns="geometry")
    second = study.derive().drop(columns="geometry")
    assert first.equals(second)


def test_dens_added_later_are_asked_for(study, folder) -> None:
    """They stand in the table as without class, with the reason, until derived."""
    study.derive()
    write(folder / "more.csv", HEAD + row("D-4", LON, LAT + 0.004, "ground bed"))
    study.intake([folder / "more.csv"])
    assert any("1 dens have no derived values" in str(p) for p in study.check())
    assert study.table().counts["dens"] == 4


def test_map_is_written_whole_and_says_what_it_is(study) -> None:
    """One HTML file that shows exact places and says so."""
    study.derive()
    page = study.map().read_text(encoding="utf-8")
    assert "not for publication" in page
    assert "D-1" in page


def test_layers_that_cannot_be_used_are_listed_together(study, folder) -> None:
    """A missing file and a broken one, in one message; the register is as before."""
    (folder / "layers/dem.tif").unlink()
    (folder / "layers/canopy.tif").write_bytes(b"")
    with pytest.raises(LayerError) as told:
        study.derive()
    assert "dem.tif" in str(told.value)
    assert "canopy.tif" in str(told.value)
    assert study.register.derived().empty


def test_no_layers_and_no_dens_are_told(tmp_path) -> None:
    """Each with the next step."""
    folder = lay_out(tmp_path / "s", study_text(name="n", crs=CRS))
    with densite.open_study(folder) as study:
        with pytest.raises(RegisterError, match="no dens"):
            study.derive()
        write(folder / "crew.csv", HEAD + row("D-1", LON, LAT))
        study.intake([folder / "crew.csv"])
        with pytest.raises(LayerError, match="names no layers"):
            study.derive()
