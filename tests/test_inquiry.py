"""What a study is asked: its dens by rule, gradient, covariates, ground, and choices that do not fit."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from conftest import STUDY_TOML

from densite import inquiry
from densite.errors import SettingsError, StatisticsError
from densite.layers import open_layers
from densite.settings import parse
from densite.testing import Grid, plane, write_raster

GRID = Grid("EPSG:32611", -117.0, 49.0, 20.0, size=301)
CLASSES = ("urban", "suburban", "exurban", "rural")
LAYERS = """
[layers.elevation]
path = "dem.tif"
[layers.housing]
path = "housing.tif"
[layers.boundary]
path = "area.gpkg"
[intake.columns]
"Kind of den" = "den_type"
[compare]
available = 200
radii_m = [500, 1000]
"""


@pytest.fixture
def folder(tmp_path):
    """A plane of 15 degrees facing 200, ten houses to the middle cell, a boundary."""
    write_raster(tmp_path / "dem.tif", plane(*GRID.ground(), slope_deg=15, aspect_deg=200), crs=GRID.crs,
                 transform=GRID.transform)  # fmt: skip
    houses = np.zeros((301, 301))
    houses[150, 150] = 100
    write_raster(tmp_path / "housing.tif", houses, crs=GRID.crs, transform=GRID.transform)
    with rasterio.open(tmp_path / "dem.tif") as source:
        west, south, east, north = source.bounds
    gpd.GeoDataFrame(geometry=gpd.points_from_xy([(west + east) / 2], [(south + north) / 2]), crs=GRID.crs).buffer(
        1500
    ).to_file(tmp_path / "area.gpkg")
    return tmp_path


def dens() -> gpd.GeoDataFrame:
    """Three dens with derived values."""
    points = gpd.points_from_xy([-117.0, -117.0, -116.99], [49.0, 49.003, 49.0])
    columns = {
        "den_type": ["tree", "brush", "unknown"], "gradient": [31.8, 0.0, np.nan],
        "landscape_class": ["exurban", "rural", None], "class_certain": [1.0, 0.0, None],
        "slope_deg": [15.0, 14.0, np.nan], "canopy_pct": [np.nan] * 3,
        "canopy_mean_pct_30m": [40.0, 50.0, 60.0], "canopy_mean_pct_100m": [41.0, 51.0, 61.0],
        "topographic_position_m_300m": [1.0, 2.0, 3.0], "cover_share_42_100m": [0.1, 0.2, 0.3],
    }  # fmt: skip
    return gpd.GeoDataFrame(columns, geometry=points, crs=4326, index=["a", "b", "c"])


HEADINGS = ("den_type", "Den type", "Kind of den")  # as densite, as listed, and as one study's sheets have it


def visits(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    """Visits of den, female, observer and den type as recorded."""
    return pd.DataFrame({
        "den_id": [r[0] for r in rows], "female": [r[1] for r in rows], "observer": [r[2] for r in rows],
        "observed_on": [f"2020-01-{day:02d}" for day in range(1, len(rows) + 1)],
        "as_recorded": [json.dumps({heading: r[3]}) for heading, r in zip(HEADINGS * 9, rows, strict=False)],
    })  # fmt: skip


SEEN = visits(("a", "OB-001", "A.B.", "Tree "), ("b", "OB-002", "A.B.", "brush"), ("a", "OB-001", "C.D.", "brush"),
              ("a", "OB-001", "A.B.", "brush"), ("b", "OB-002", "C.D.", "cave"))  # fmt: skip


def asked(folder, more: str = ""):
    """The question of the three dens."""
    settings = parse(STUDY_TOML + LAYERS + more)
    layers = open_layers(settings, folder=folder)
    return inquiry.ask(dens(), SEEN, settings=settings, layers=layers, folder=folder, classes=CLASSES)


def test_a_question_has_what_is_compared(folder) -> None:
    """Gradient by its logarithm, usual covariates that some den has, aspects of the ground, both observers' types."""
    found = asked(folder)
    np.testing.assert_allclose(found.gradient, np.log10([32.8, 1.0, np.nan]))
    assert found.gradient_name == "log10(1 + housing density)"
    assert [(c.column, c.heading, c.unit, c.share) for c in found.covariates] == [
        ("slope_deg", "Ground slope", "deg", False),
        ("topographic_position_m_300m", "Topographic position within 300 m", "m", False),
        ("canopy_mean_pct_100m", "Mean canopy within 100 m", "%", True),
    ]
    np.testing.assert_allclose(found.available_deg, 200, atol=0.05)
    assert found.available == "200 random points in the study boundary, seed 1"
    assert found.twice.to_dict("records") == [{"first": "tree", "second": "brush", "female": "OB-001"}]
    assert found.column("female").tolist() == ["OB-001", "OB-002", ""]
    assert np.isnan(found.numbers("nothing")).all()


def test_variants_are_other_radii_breaks_and_certain_dens(folder) -> None:
    """The disc of 500 m has four times the density in the middle; halved breaks move a den up."""
    found = {variant.label: variant for variant in asked(folder).variants}
    assert list(found) == [
        "gradient within 500 m", "class breaks times 0.5", "class breaks times 2", "dens of certain class only",
    ]  # fmt: skip
    density = 10 ** found["gradient within 500 m"].gradient[0] - 1
    assert density == pytest.approx(100 / (np.pi * 0.25), rel=0.01)
    assert found["class breaks times 0.5"].landscape_class.tolist() == ["exurban", "rural", None]
    certain = found["dens of certain class only"]
    assert certain.landscape_class.tolist() == ["exurban", None, None]
    assert np.isfinite(certain.gradient).tolist() == [True, False, False]


def test_choices_are_followed(folder) -> None:
    """Named covariates, the measure as it is, lumped types."""
    more = 'scale = "as measured"\ncovariates = ["cover_share_42_100m"]\ncontrast = "woody"\n'
    found = asked(folder, more + '[compare.lump]\nwoody = ["tree", "brush"]\n')
    np.testing.assert_allclose(found.gradient, [31.8, 0.0, np.nan])
    assert (found.covariates[0].heading, found.covariates[0].share) == ("Share of land cover 42 within 100 m", True)
    assert found.gradient_unit == "housing units per km2"
    assert found.sample.types == ("woody", "ground bed", "rock ledge")
    assert "woody = tree + brush" in found.sample.told[-1]


@pytest.mark.parametrize(
    ("more", "error", "said"),
    [
        ('covariates = ["wind"]\n', SettingsError, "no values 'wind'; there are"),
        ('covariates = ["den_type"]\n', SettingsError, "no values 'den_type'"),
        ('covariates = ["aspect_deg"]\n', SettingsError, "no values 'aspect_deg'"),
        ('contrast = "cave"\n', SettingsError, "contrast 'cave' is no den type; types: tree"),
        ('[compare.lump]\nx = ["cave"]\n', StatisticsError, "'cave' is no den type"),
        ('scale = "log"\n[gradient]\nmeasure = "urban_edge"\nscheme = "breaks"\nbreaks = [0]\nnames = ["a", "b"]\n',
         SettingsError, "negative inside"),
    ],
)  # fmt: skip
def test_choices_that_do_not_fit(folder, more, error, said) -> None:
    """One message that lists what is allowed."""
    with pytest.raises(error, match=said):
        asked(folder, more)


def test_without_boundary_there_is_no_ground(folder) -> None:
    """The question stands without it."""
    settings = parse(STUDY_TOML + LAYERS.replace('[layers.boundary]\npath = "area.gpkg"\n', ""))
    layers = open_layers(settings, folder=folder)
    found = inquiry.ask(dens(), SEEN, settings=settings, layers=layers, folder=folder, classes=CLASSES)
    assert not len(found.available_deg)
    assert found.available.startswith("no available points")
