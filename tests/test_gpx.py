"""GPX waypoints with the crew's words in the description."""

import pytest
from conftest import write

from densite.errors import IntakeError, Level
from densite.intake.gpx import read_gpx
from densite.intake.rawrow import understand

HEAD = '<?xml version="1.0"?>\n<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">\n'


def test_name_time_and_description(tmp_path) -> None:
    """Name is the label, time the date, `key: value` pairs the rest; other words become notes."""
    path = write(
        tmp_path / "a.gpx",
        HEAD + '<wpt lat="43.5" lon="-115.5">\n<ele>1800</ele><time>2025-02-11T01:20:00Z</time>'
        "<name>D-1</name><desc>type: tree; facing: NNE; deep snow</desc></wpt>\n</gpx>",
    )
    (row,) = read_gpx(path, mapping={})
    assert row.line == 3
    assert row.values == {
        "datum": "WGS84",
        "den_label": "D-1",
        "date": "2025-02-11T01:20:00Z",
        "notes": "deep snow",
        "den_type": "tree",
        "aspect": "NNE",
        "latitude": "43.5",
        "longitude": "-115.5",
    }


def test_waypoint_without_place(tmp_path) -> None:
    """A problem of that row."""
    path = write(tmp_path / "a.gpx", HEAD + "<wpt><name>D-1</name></wpt></gpx>")
    (row,) = read_gpx(path, mapping={})
    assert "lacks lat or lon" in row.problems[0].message


@pytest.mark.parametrize(
    ("text", "said"),
    [("", "no readable GPX"), ("<gpx>", "no readable GPX"), (HEAD + "</gpx>", "no waypoint")],
)
def test_files_that_are_none(tmp_path, text, said) -> None:
    """One clear error each."""
    with pytest.raises(IntakeError, match=said):
        list(read_gpx(write(tmp_path / "a.gpx", text), mapping={}))


def test_entity_bomb_is_refused(tmp_path) -> None:
    """Nested entities that would grow to gigabytes end in an error, not in memory."""
    bomb = '<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "' + "x" * 1000 + '">'
    for i, name in enumerate("bcdefghi"):
        bomb += f'<!ENTITY {name} "{("&" + "abcdefghi"[i] + ";") * 10}">'
    path = write(tmp_path / "a.gpx", bomb + ']><gpx><wpt lat="1" lon="1"><name>&i;</name></wpt></gpx>')
    with pytest.raises(IntakeError, match="no readable GPX"):
        list(read_gpx(path, mapping={}))


def test_a_rejected_waypoint_can_be_handed_in_again(tmp_path) -> None:
    """Its cells under the crew's own keys give the same values once more, without doubled columns."""
    text = (
        '<wpt lat="43.5" lon="-115.5"><name>D-1</name>'
        "<desc>type: burrow; accuracy: 5; found at 10:30</desc></wpt></gpx>"
    )
    (row,) = read_gpx(write(tmp_path / "a.gpx", HEAD + text), mapping={})
    heads = understand(list(row.raw), {}, file="again")
    assert heads.sort(row.raw) == row.values
    assert row.values["notes"] == "found at 10:30"


def test_only_the_waypoints_own_children_count(tmp_path) -> None:
    """A name inside an extension is another thing's name."""
    text = '<wpt lat="43.5" lon="-115.5"><name>D-1</name><extensions><x><name>junk</name></x></extensions></wpt></gpx>'
    (row,) = read_gpx(write(tmp_path / "a.gpx", HEAD + text), mapping={})
    assert row.values["den_label"] == "D-1"


def test_a_key_given_twice_is_told(tmp_path) -> None:
    """Tree or brush?"""
    text = '<wpt lat="43.5" lon="-115.5"><desc>type: tree; type: brush</desc></wpt></gpx>'
    (row,) = read_gpx(write(tmp_path / "a.gpx", HEAD + text), mapping={})
    assert "given twice" in row.problems[0].message


def test_tracks_and_routes_are_told_and_kept_out(tmp_path) -> None:
    """With how many points; a waypoint beside them is taken, a point that is described as a den is asked about."""
    point = '<{0} lat="43.6" lon="-115.5"><name>{1}</name><desc>{2}</desc></{0}>'
    walk = "".join(point.format("trkpt", "", text) for text in ("", "a tree", "den_type: brush"))
    text = (
        f"<gpx>{point.format('wpt', 'D-1', 'den_type: tree')}<trk><name>walk</name><trkseg>{walk}</trkseg></trk>"
        f"<rte><name>plan</name>{point.format('rtept', 'R-1', '')}</rte></gpx>"
    )
    first, offered = read_gpx(write(tmp_path / "a.gpx", text), mapping={})
    assert [p.message for p in first.problems] == [
        "track 'walk' with 3 points is kept out: a track is no den",
        "route 'plan' with 1 points is kept out: a route is no den",
    ]
    assert [p.level for p in offered.problems] == [Level.CONFIRM]
    assert offered.values["den_type"] == "brush"
    bare = write(tmp_path / "b.gpx", '<gpx><trk><name>walk</name><trkseg><trkpt lat="1" lon="1"/></trkseg></trk></gpx>')
    with pytest.raises(IntakeError, match="track 'walk' with 1 points"):
        list(read_gpx(bare, mapping={}))
