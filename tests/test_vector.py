"""GeoPackages and shapefiles: the layer's CRS goes with each row and is never guessed."""

import geopandas as gpd
import pandas as pd
import pytest
from made_handins import layer
from shapely.geometry import LineString, Point

from densite.errors import IntakeError, Level
from densite.intake.vector import read_layers
from densite.register import create_register
from densite.settings import IntakeSettings


def parts(path, **columns):
    """Read a vector file."""
    return list(read_layers(path, name=path.name, settings=IntakeSettings(columns=columns)))


@pytest.mark.parametrize("ending", [".gpkg", ".shp"])
@pytest.mark.parametrize("crs", [4326, 32611, 26911, 4267])
def test_the_crs_goes_with_the_row(tmp_path, ending, crs) -> None:
    """Latitude and longitude on WGS 84, else x and y with the EPSG code, from .prj too."""
    (part,) = parts(layer(tmp_path / f"a{ending}", [1, 2], crs=crs))
    first, second = part.rows
    assert (first.values["den_label"], first.values["date"], first.values["den_type"]) == ("D-1", "2026-02-24", "tree")
    if crs == 4326:
        assert (first.values["latitude"], first.values["longitude"]) == ("43.01", "-115.52123")
        assert first.values["datum"] == "WGS84"
    else:
        assert first.values["epsg"] == str(crs)
        assert "datum" not in first.values
    assert (first.line, second.line, first.problems) == (1, 2, ())


@pytest.mark.parametrize("ending", [".gpkg", ".shp"])
def test_without_crs_it_is_asked_for(tmp_path, ending) -> None:
    """x and y are kept, and each row is held back until a person writes the code."""
    (part,) = parts(layer(tmp_path / f"a{ending}", [1], crs=None))
    (row,) = part.rows
    assert [(p.level, p.field) for p in row.problems] == [(Level.ERROR, "epsg")]
    assert (row.raw["x"], row.raw["epsg"]) == ("-115.52123", "")


def test_lines_are_told_and_tables_have_their_kind(tmp_path) -> None:
    """A layer of lines is no den; a table without geometry is told by its headings."""
    path = layer(tmp_path / "a.gpkg", [1])
    gpd.GeoDataFrame({"a": [1]}, geometry=[LineString([(0, 0), (1, 1)])], crs=4326).to_file(path, layer="walk")
    import pyogrio

    cubs = gpd.pd.DataFrame({"den_label": ["D-1"], "date": ["2026-02-24"], "cub_no": [1], "mass_g": [900.0]})
    pyogrio.write_dataframe(cubs, path, layer="cubs", append=True)
    found = {part.file: part for part in parts(path)}
    assert "kept out" in found["a.gpkg layer walk"].remarks[0].message
    assert found["a.gpkg layer cubs"].kind.name == "cub"
    (row,) = found["a.gpkg layer cubs"].rows
    assert row.values == {"den_label": "D-1", "date": "2026-02-24", "cub_no": "1", "mass_g": "900"}


def test_days_times_and_blanks(tmp_path) -> None:
    """A missing number is blank, not nan; a day with a time keeps its offset."""
    when = gpd.pd.to_datetime(["2026-02-24T18:30:00Z", None], utc=True)
    path = layer(tmp_path / "a.gpkg", [1, 2], slope_deg=[20.0, None], first_found=when)
    first, second = parts(path)[0].rows
    assert (first.values["slope_deg"], first.values["first_found"]) == ("20", "2026-02-24T18:30:00+00:00")
    assert not {"slope_deg", "first_found"} & second.values.keys()


def test_many_features_come_in_batches(tmp_path, monkeypatch) -> None:
    """All of them, in order."""
    monkeypatch.setattr("densite.intake.vector.BATCH", 7)
    (part,) = parts(layer(tmp_path / "a.gpkg", range(20)))
    assert [row.values["den_label"] for row in part.rows] == [f"D-{n}" for n in range(20)]


def test_no_crew_file(tmp_path) -> None:
    """A register, a file that only claims its name, half a shapefile: each told with the way out."""
    create_register(tmp_path / "register.gpkg", study_id="x").close()
    with pytest.raises(IntakeError, match="densite merge"):
        parts(tmp_path / "register.gpkg")
    (tmp_path / "a.gpkg").write_text('<OGRVRTDataSource><OGRVRTLayer name="x"/></OGRVRTDataSource>')
    with pytest.raises(IntakeError, match="no GeoPackage"):
        parts(tmp_path / "a.gpkg")
    layer(tmp_path / "b.shp", [1])
    (tmp_path / "b.dbf").unlink()
    with pytest.raises(IntakeError, match=r"\.dbf file is missing"):
        parts(tmp_path / "b.shp")
    gpd.GeoDataFrame({"colour": ["x"]}, geometry=[Point(0, 0)], crs=4326).to_file(tmp_path / "c.gpkg")
    with pytest.raises(IntakeError, match="no known column heading"):
        parts(tmp_path / "c.gpkg")


def test_a_date_with_time_in_a_shapefile(tmp_path) -> None:
    """A shapefile has no type for it: what GDAL writes instead is read as the day and time that it was."""
    day = pd.to_datetime(["2026-02-24 00:00:00", "2026-02-24 08:14:00"])
    (part,) = parts(layer(tmp_path / "a.shp", [1, 2], date=day))
    assert [row.values["date"] for row in part.rows] == ["2026-02-24", "2026-02-24T08:14:00"]
