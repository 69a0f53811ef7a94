"""Rows against the register: repeats, duplicates, moved labels, slips of the datum, places outside."""

import datetime as dt

import pytest
import shapely

from densite import places
from densite.errors import Level
from densite.intake.rawrow import RawRow
from densite.intake.rows import read_row
from densite.intake.screening import Known, Rectangle, other_reading, screen

NOW = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
HERE = (-115.5, 43.5)


def row(settings, lon=HERE[0], lat=HERE[1], **changes):
    """Read a row of den D-1 at a place."""
    values = {
        "den_label": "D-1",
        "date": "2026-02-24",
        "latitude": f"{lat:.7f}",
        "longitude": f"{lon:.7f}",
        "datum": "WGS84",
        "uncertainty_m": "5",
        "den_type": "tree",
        "observer": "KR",
        "female": "OB-001",
    } | changes
    read = read_row(RawRow("crew.csv", 3, values, values), settings, now=NOW)
    assert read.den is not None, read.problems
    return read


def known_with(*rows) -> Known:
    """Return what is known after some rows went in."""
    known = Known(assumed_uncertainty_m=10.0)
    for read in rows:
        known.take(read.den, read.visit)
    return known


def moved(bearing_deg, distance_m):
    """Return longitude and latitude some way from HERE."""
    return places.moved(*HERE, bearing_deg=bearing_deg, distance_m=distance_m)


def test_a_new_den_far_from_others_is_fine(settings) -> None:
    """A kilometre away, nothing to say."""
    lon, lat = moved(90, 1000)
    assert screen(row(settings, lon, lat, den_label="D-2"), known_with(row(settings)), None) == []


@pytest.mark.parametrize(("away", "asked"), [(9, True), (11, False)])
def test_duplicates_are_within_both_uncertainties(settings, away, asked) -> None:
    """5 m and 5 m: a den 9 m off may be the same one, 11 m off not."""
    lon, lat = moved(200, away)
    found = screen(row(settings, lon, lat, den_label="D-2"), known_with(row(settings)), None)
    assert [p.level for p in found] == ([Level.CONFIRM] if asked else [])


def test_duplicates_across_a_cell_edge(settings) -> None:
    """The search grid has no seams: pairs 4 m apart are found wherever they lie."""
    for step in range(40):
        lon, lat = HERE[0] + step * 0.000251, HERE[1] + step * 0.000127
        near = places.moved(lon, lat, bearing_deg=step * 9, distance_m=4)
        known = known_with(row(settings, lon, lat))
        assert screen(row(settings, *near, den_label="D-2"), known, None)


def test_wide_uncertainties_are_searched_as_wide(settings) -> None:
    """Two points 550 m apart at 60 north, each known to 300 m, may be one den."""
    first = row(settings, -115.5, 60.5, uncertainty_m="300")
    near = places.moved(-115.5, 60.5, bearing_deg=90, distance_m=550)
    assert screen(row(settings, *near, den_label="D-2", uncertainty_m="300"), known_with(first), None)


def test_an_uncertainty_not_given_is_assumed(settings) -> None:
    """10 m by the study's choice: a den 14 m off (5 m known) may be the same, one 16 m off not."""
    known = known_with(row(settings, uncertainty_m=""))
    for away, asked in ((14, 1), (16, 0)):
        assert len(screen(row(settings, *moved(45, away), den_label="D-2"), known, None)) == asked


def test_the_winter_tells_a_duplicate_from_a_reuse(settings) -> None:
    """Same winter: one den twice? Another winter: re-used?"""
    lon, lat = moved(0, 3)
    known = known_with(row(settings))
    (same,) = screen(row(settings, lon, lat, den_label="D-2"), known, None)
    (later,) = screen(row(settings, lon, lat, den_label="D-2", date="2025-02-24"), known, None)
    assert "one den twice" in same.message
    assert "re-used" in later.message


def test_a_second_visit_of_a_den_is_fine(settings) -> None:
    """The same label, a few metres off, another day."""
    lon, lat = moved(0, 6)
    assert screen(row(settings, lon, lat, date="2026-03-20"), known_with(row(settings)), None) == []


def test_a_moved_label_is_asked_about(settings) -> None:
    """200 m from where the den was recorded first."""
    (found,) = screen(row(settings, *moved(135, 200), date="2026-03-20"), known_with(row(settings)), None)
    assert found.level is Level.CONFIRM
    assert "200 m" in found.message
    assert "NAD27" not in found.hint


def test_the_datum_shift_is_recognised(settings) -> None:
    """A den re-recorded with NAD27 coordinates taken for WGS 84 lies off by just that shift."""
    shift, bearing = places.datum_shift_m(*HERE, datum="NAD27")
    (found,) = screen(row(settings, *moved(bearing, shift), date="2026-03-20"), known_with(row(settings)), None)
    assert "NAD27" in found.hint


def test_same_day_same_observer_other_values(settings) -> None:
    """A correction handed in as a new row is not taken for a second visit."""
    known = known_with(row(settings))
    (found,) = screen(row(settings, notes="changed"), known, None)
    assert "recorded already" in found.message
    assert screen(row(settings, observer="MB"), known, None) == []


def test_another_type_for_a_known_den_is_a_warning(settings) -> None:
    """The record stays; unknown says nothing against it."""
    known = known_with(row(settings))
    (found,) = screen(row(settings, date="2026-03-20", den_type="brush"), known, None)
    assert found.level is Level.WARNING
    assert screen(row(settings, date="2026-03-20", den_type="unknown"), known, None) == []


AREA = shapely.box(-116, 43, -115, 44)


def test_just_outside_the_area_is_a_warning(settings) -> None:
    """500 m beyond the line."""
    (found,) = screen(row(settings, -114.994, 43.5), known_with(), AREA)
    assert found.level is Level.WARNING
    assert "0.5 km outside" in found.message


def test_far_outside_must_be_confirmed(settings) -> None:
    """Further than the study area is wide."""
    (found,) = screen(row(settings, -105.5, 43.5), known_with(), AREA)
    assert found.level is Level.CONFIRM


def test_wrong_zone_is_recognised(settings) -> None:
    """UTM of zone 11 under the heading 12N lands far away; zone 11N would be inside."""
    cells = {"latitude": "", "longitude": "", "easting": "621245", "northing": "4817440", "utm_zone": "12N"}
    values = {
        "den_label": "D-1",
        "date": "2026-02-24",
        "datum": "WGS84",
        "den_type": "tree",
        "uncertainty_m": "5",
    } | cells
    read = read_row(RawRow("crew.csv", 3, values, values), settings, now=NOW)
    (found,) = screen(read, known_with(), AREA)
    assert found.level is Level.CONFIRM
    assert "zone 11N" in found.hint


def test_lost_minus_is_recognised(settings) -> None:
    """115.5 east instead of west."""
    (found,) = screen(row(settings, 115.5, 43.5), known_with(), AREA)
    assert "minus lost" in found.hint


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"coordinates": "43.5 115.5"}, "sign of the longitude"),
        ({"coordinates": "43.5 N 115.5 E"}, "sign of the longitude"),
        ({"latitude": "-115.5", "longitude": "43.5"}, "swapped"),
        ({"coordinates": "115.5, 43.5"}, "swapped, and the sign"),
        ({"coordinates": "43.5 S 115.5 W"}, "sign of the latitude"),
        ({"easting": "621267", "northing": "4817434", "utm_zone": "12N"}, "zone 11N"),
    ],
)
def test_usual_slips_of_a_place_are_recognised(typed, said) -> None:
    """Each of them, in one cell or two, comes back as the place that was meant."""
    other = other_reading(typed, Rectangle(-116, 43, -115, 44))
    assert other is not None
    assert said in other.said
    assert (other.place.longitude, other.place.latitude) == pytest.approx((-115.5, 43.5), abs=1e-4)


def test_a_place_that_no_slip_explains_has_no_other_reading() -> None:
    """Nothing is made up."""
    area = Rectangle(-116, 43, -115, 44)
    assert other_reading({"coordinates": "10 N 20 E"}, area) is None
    assert other_reading({"coordinates": "under the fir"}, area) is None
