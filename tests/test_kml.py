"""KML: placemarks with a point are rows, all else is told."""

import pytest
from conftest import write
from made_handins import kml, placemark

from densite.errors import IntakeError, Level
from densite.intake.kml import read_kml


def rows(tmp_path, text, **mapping):
    """Read a KML text."""
    return list(read_kml(write(tmp_path / "a.kml", text), mapping=mapping))


def test_columns_in_extended_data_and_descriptions(tmp_path) -> None:
    """Either way; longitude first; name is the label, the time stamp the date."""
    data = '<Data name="den_type"><value>tree</value></Data><SchemaData><SimpleData name="Slope_deg">20</SimpleData>'
    first, second, third = rows(
        tmp_path,
        kml(
            placemark(1, data=data + "</SchemaData>"),
            placemark(2, description="den_type: brush; by the creek"),
            placemark(
                3, description="<![CDATA[<table><tr><td>den_type</td><td>rock ledge</td></tr></table><b>old</b>]]>"
            ),
        ),
    )
    assert first.values == {
        "den_label": "D-1", "date": "2026-02-24", "latitude": "43.010000", "longitude": "-115.521230",
        "datum": "WGS84", "den_type": "tree", "slope_deg": "20",
    }  # fmt: skip
    assert (second.values["den_type"], second.values["notes"]) == ("brush", "by the creek")
    assert (third.values["den_type"], third.values["notes"]) == ("rock ledge", "old")
    assert [r.line for r in (first, second, third)] == [3, 4, 5]


def test_lines_and_areas_are_told(tmp_path) -> None:
    """Kept out with their names; a placemark without any geometry is a row that is held back."""
    line = "<Placemark><name>walk</name><LineString><coordinates>1,2 3,4</coordinates></LineString></Placemark>"
    first, bare = rows(tmp_path, kml(placemark(1), line, "<Placemark><name>D-2</name></Placemark>"))
    assert [p.message for p in first.problems] == ["1 line kept out: no den sites ('walk')"]
    assert [p.level for p in bare.problems] == [Level.ERROR]
    with pytest.raises(IntakeError, match="no placemark with a point; 1 line kept out"):
        rows(tmp_path, kml(line))


def test_what_is_said_twice_is_an_error(tmp_path) -> None:
    """Two points, or one column with two values."""
    data = '<Data name="den_type"><value>tree</value></Data><Data name="den_type"><value>brush</value></Data>'
    two = placemark(2).replace("<Point>", "<MultiGeometry><Point><coordinates>1,2</coordinates></Point><Point>")
    first, second = rows(
        tmp_path, kml(placemark(1, data=data), two.replace("</Placemark>", "</MultiGeometry></Placemark>"))
    )
    assert [p.message for p in first.problems] == ["den_type is given twice: tree, then brush"]
    assert [p.message for p in second.problems] == ["2 points in one placemark; a den has one"]


@pytest.mark.parametrize(
    "text",
    ["", "<kml>", '<!DOCTYPE a [<!ENTITY b "c">]><kml/>', '<?xml version="1.0" encoding="no-such"?><kml/>',
     '<?xml version="1.0" encoding="utf-7"?><kml/>', '<?xml version="1.0" encoding="big5"?><kml/>'],
)  # fmt: skip
def test_no_kml(tmp_path, text) -> None:
    """Broken XML, entities and encodings end in one message."""
    with pytest.raises(IntakeError):
        rows(tmp_path, text)


def test_a_description_in_bare_html(tmp_path) -> None:
    """Not packed into CDATA, as some programs write it: nothing of it is lost, and no tag in it makes a point."""
    html = "<b>den_type</b>: brush<br/><i>by the <name>creek</name></i><Point><coordinates>1,2</coordinates></Point>"
    (row,) = rows(tmp_path, kml(placemark(1, description=html)))
    assert (row.values["den_type"], row.values["den_label"]) == ("brush", "D-1")
    assert row.values["notes"] == "by the creek1,2"
    assert (row.values["longitude"], row.problems) == ("-115.521230", ())
