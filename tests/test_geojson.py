"""GeoJSON by RFC 7946: WGS 84, longitude first, points."""

import json

import pytest
from conftest import write
from hypothesis import given
from hypothesis import strategies as st

from densite.errors import IntakeError
from densite.intake.geojson import read_geojson


def collection(*features, **extra) -> str:
    """Write a collection with one feature a line."""
    head = "".join(f"{json.dumps(k)}: {json.dumps(v)},\n" for k, v in extra.items())
    return (
        '{"type": "FeatureCollection",\n' + head + '"features": [\n' + ",\n".join(map(json.dumps, features)) + "\n]}\n"
    )


def point(lon, lat, **properties) -> dict:
    """Return a point feature."""
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [lon, lat]},
        "properties": properties,
    }


def test_place_line_and_datum(tmp_path) -> None:
    """Longitude stands first; the datum is the standard's; the line is where the feature starts."""
    path = write(tmp_path / "a.geojson", collection(point(-115.5, 43.5, den="D-1", canopy=40), point(-115.6, 43.6)))
    first, second = read_geojson(path, mapping={})
    assert first.values == {
        "datum": "WGS84",
        "den_label": "D-1",
        "canopy_pct": "40",
        "longitude": "-115.5",
        "latitude": "43.5",
    }
    assert (first.line, second.line) == (3, 4)


def test_unknown_properties_stay_with_the_row(tmp_path) -> None:
    """They are kept as recorded and come back in a rejected file."""
    path = write(tmp_path / "a.geojson", collection(point(-115.5, 43.5, **{"den": "D-1", "snow depth": "1 m"})))
    (row,) = read_geojson(path, mapping={})
    assert row.raw["snow depth"] == "1 m"
    assert "'snow depth'" in row.problems[0].message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("{", "not valid JSON"),
        ("[1]", "no GeoJSON FeatureCollection"),
        ('{"features": 3}', "no GeoJSON"),
        (collection(crs={"properties": {"name": "urn:ogc:def:crs:EPSG::32611"}}), "only WGS 84"),
    ],
)
def test_files_that_are_none(tmp_path, text, said) -> None:
    """One clear error each."""
    path = write(tmp_path / "a.geojson", text)
    with pytest.raises(IntakeError, match=said):
        list(read_geojson(path, mapping={}))


@pytest.mark.parametrize(
    "geometry", [None, {"type": "Polygon", "coordinates": []}, {"type": "Point", "coordinates": ["a", 1]}, 7]
)
def test_features_without_a_point_are_problems_of_the_row(tmp_path, geometry) -> None:
    """Other rows of the file are not lost."""
    path = write(
        tmp_path / "a.geojson",
        collection({"type": "Feature", "geometry": geometry, "properties": None}, point(1, 2)),
    )
    bad, good = read_geojson(path, mapping={})
    assert bad.problems
    assert not good.problems


wild = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["type", "geometry", "properties", "coordinates", "x"]), inner, max_size=3)
    ),
    max_leaves=10,
)


@given(st.lists(wild, max_size=4))
def test_any_features_end_in_rows_or_one_error(tmp_path_factory, features) -> None:
    """No other error than ours."""
    path = write(
        tmp_path_factory.mktemp("wild") / "a.geojson",
        json.dumps({"type": "FeatureCollection", "features": features}),
    )
    try:
        assert len(list(read_geojson(path, mapping={}))) == len(features)
    except IntakeError as error:
        assert "a.geojson" in str(error)


@pytest.mark.parametrize("value", ["1" * 5000, "[" * 100_000])
def test_values_that_no_program_can_hold(tmp_path, value) -> None:
    """A number of thousands of digits, brackets without end: one message."""
    path = write(tmp_path / "a.geojson", f'{{"type": "FeatureCollection", "features": [{value}')
    with pytest.raises(IntakeError, match="not valid JSON"):
        list(read_geojson(path, mapping={}))
