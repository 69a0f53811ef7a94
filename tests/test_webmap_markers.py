"""Den records as popups show them."""

from datetime import date, datetime

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon

from densite.errors import MapError
from densite.terms import DEN_TYPES
from densite.webmap import PopupField, markers

GROUPS = [
    ("Observed at the den", [PopupField("slope_deg", "Ground slope", "deg"), PopupField("notes", "Notes")]),
    ("Derived from layers", [PopupField("elevation", "Elevation", "m")]),
]


def dens(**changes) -> gpd.GeoDataFrame:
    """Two dens, of which the second lacks what can be lacking."""
    columns = {
        "label": ["OB-D01", "OB-D02"], "den_type": ["tree", "unknown"], "slope_deg": [31.5, np.nan],
        "notes": ["by a creek", None], "elevation": [1432.6, np.nan],
    } | changes  # fmt: skip
    return gpd.GeoDataFrame(columns, geometry=[Point(-118.2, 44.5), Point(-118.25, 44.55)], crs=4326)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (31.5, "deg", "31.5°"),
        (0.0, "deg", "0°"),
        (-0.001, "", "-0.001"),
        (0.0123456, "", "0.0123"),
        (2.0, "m", "2 m"),
        (1432.6, "m", "1433 m"),
        (np.int64(7), "", "7"),
        (np.float32(0.5), "percent", "0.5 %"),
        (True, "", "yes"),
        (np.bool_(False), "", "no"),
        (date(2026, 2, 3), "", "2026-02-03"),
        (pd.Timestamp("2026-02-03"), "", "2026-02-03"),
        (datetime(2026, 2, 3, 7, 5), "", "2026-02-03 07:05"),
        (["hair", "scat"], "", "hair, scat"),
        ("  <b>  ", "", "  <b>  "),
    ],
)
def test_shown_writes_values_for_people(value, unit, text):
    """Numbers get sensible decimals and their unit, dates the ISO form, text stays as typed."""
    assert markers.shown(value, unit) == text


@pytest.mark.parametrize("value", [None, np.nan, float("inf"), pd.NaT, pd.NA, "", "   ", []])
def test_shown_knows_what_is_missing(value):
    """Nothing, in all its forms, is None and never 'nan'."""
    assert markers.shown(value, "m") is None


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_shown_number_is_close_to_the_value(value):
    """What is read is the value to 1 % or to half a hundredth, whichever is coarser."""
    text = markers.shown(value)
    assert text is not None
    assert float(text) == pytest.approx(value, rel=0.01, abs=0.0051)


def test_missing_words_differ_between_observed_and_derived():
    """A person did not record; a layer does not have."""
    table = markers.table(dens(), groups=GROUPS)
    assert [f["missing"] for f in table["groups"][0]["fields"]] == ["not recorded"] * 2
    assert [f["missing"] for f in table["groups"][1]["fields"]] == ["not available"]
    assert table["groups"][0]["texts"] == [["31.5°", None], ["by a creek", None]]
    assert table["groups"][1]["texts"] == [["1433 m", None]]


def test_field_can_name_its_own_missing_word():
    """A field's own word goes before its group's."""
    table = markers.table(dens(), groups=[("Visits", [PopupField("notes", "Notes", missing="none yet")])])
    assert table["groups"][0]["fields"] == [{"heading": "Notes", "missing": "none yet"}]


def test_table_keeps_places_and_types():
    """Six decimals of a degree are a tenth of a metre; types are places in the list of types."""
    table = markers.table(dens(), groups=[])
    assert table["latitudes"] == [44.5, 44.55]
    assert table["longitudes"] == [-118.2, -118.25]
    assert [DEN_TYPES[place] for place in table["types"]] == ["tree", "unknown"]


def test_other_crs_comes_out_in_degrees():
    """Points in UTM are drawn where they are."""
    table = markers.table(dens().to_crs(32611), groups=[])
    assert table["latitudes"] == pytest.approx([44.5, 44.55], abs=1e-6)


def test_dens_without_a_place_are_left_out_and_counted():
    """An empty or missing point cannot be drawn and is told."""
    frame = dens()
    frame.loc[0, "geometry"] = None
    assert markers.table(frame, groups=[])["labels"] == ["OB-D02"]
    assert markers.without_place(frame) == 1


def test_absent_columns_are_named_together():
    """All missing columns stand in one message, with those that exist."""
    groups = [("Observed", [PopupField("colour", "Colour"), PopupField("age", "Age")])]
    with pytest.raises(MapError, match="colour, age; they have: label"):
        markers.table(dens(), groups=groups)


@pytest.mark.parametrize("word", ["cave", None, ""])
def test_den_type_outside_the_list_is_refused(word):
    """The message names the den and the types that are allowed."""
    with pytest.raises(MapError, match=r"OB-D01.*allowed: tree, ground bed, rock ledge, brush, unknown"):
        markers.table(dens(den_type=[word, "tree"]), groups=[])


def test_dens_must_be_points_in_a_known_crs():
    """A polygon is no den site, and coordinates without CRS have no place."""
    frame = dens()
    with pytest.raises(MapError, match="no CRS"):
        markers.table(frame.set_crs(None, allow_override=True), groups=[])
    frame.loc[0, "geometry"] = Polygon([(0, 0), (1, 0), (1, 1)])
    with pytest.raises(MapError, match="drawn as points, but some are Polygon"):
        markers.table(frame, groups=[])
