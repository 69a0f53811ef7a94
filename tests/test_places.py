"""Coordinates, datums and bearings against published values."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densite import places
from densite.errors import PlaceError


def test_utm_against_geographiclib() -> None:
    """GeographicLib 2.1.2: 33.3 N 44.4 E is 38N 444140.545 3684706.356; 51.2 N 7.5 E is 32N."""
    place = places.from_utm(444140.545, 3684706.356, "38N", datum="WGS84")
    assert (place.latitude, place.longitude) == pytest.approx((33.3, 44.4), abs=1e-8)
    place = places.from_utm(395201.310, 5673135.241, "32 n", datum="wgs 84")
    assert (place.latitude, place.longitude) == pytest.approx((51.2, 7.5), abs=1e-8)


def test_mgrs_takes_the_middle_of_the_square() -> None:
    """GeographicLib: 38SMB4414084706; its middle is half a metre further north and east."""
    place = places.from_mgrs("38S MB 44140 84706", datum="WGS84")
    middle = places.from_utm(444140.5, 3684706.5, "38N", datum="WGS84")
    assert places.distance_m(place.longitude, place.latitude, middle.longitude, middle.latitude) < 0.01
    coarse = places.from_mgrs("38SMB4484", datum="WGS84")
    assert coarse.reading_m == pytest.approx(1000 / math.sqrt(2))


def test_mgrs_exception_zone() -> None:
    """60 N 5 E lies in zone 32 by the exception for south-west Norway (NGA.SIG.0012)."""
    place = places.from_mgrs("32VKM77344 58290", datum="WGS84")
    assert (place.latitude, place.longitude) == pytest.approx((60, 5), abs=0.01)


def test_convergence_against_geographiclib() -> None:
    """GeographicLib 2.1.2: -0.329422222 deg at 33.3 N 44.4 E in zone 38."""
    assert places.convergence_deg(44.4, 33.3, "EPSG:32638") == pytest.approx(-0.329422222, abs=1e-8)


def test_nad27_is_moved_and_says_how_sure() -> None:
    """In the west of the United States NAD27 lies 15 to 90 m or more off; PROJ offline gives 7 m here."""
    place = places.from_geographic("44.512340", "-118.221230", datum="NAD27")
    away = places.distance_m(place.longitude, place.latitude, -118.22123, 44.51234)
    assert 60 < away < 100
    assert 5 <= place.error_m <= 15
    assert "North American Datum 1927" in place.note


def test_datum_is_never_guessed() -> None:
    """Blank and unknown datums are refused with what is allowed."""
    for datum in ("", "local"):
        with pytest.raises(PlaceError, match=r"NAD27.*never guessed"):
            places.from_geographic("44.5", "-118.2", datum=datum)


@pytest.mark.parametrize(
    ("text", "axis", "said"),
    [
        ("-118.2", "latitude", "swapped with longitude"),
        ("118.2 W", "latitude", "swapped"),
        ("44,5123", "latitude", "did you mean 44.5123"),
        ("44 61 0", "latitude", "under 60"),
        ("-44.5 N", "latitude", "both a sign and the letter"),
        ("north", "latitude", "no angle"),
        ("181", "longitude", "outside"),
        ("", "longitude", "no angle"),
    ],
)
def test_slips_in_angles_are_told(text, axis, said) -> None:
    """Each says what was expected."""
    with pytest.raises(PlaceError, match=said):
        places.parse_angle(text, axis=axis)


@pytest.mark.parametrize("text", ["44 30 44.3 N", "44°30'44.3\"N", "N 44 30 44.3", "44:30:44.3", "44d30m44.3s"])
def test_spellings_of_an_angle(text) -> None:
    """Degrees, minutes and seconds by hand: 44 + 30/60 + 44.3/3600."""
    assert places.parse_angle(text, axis="latitude") == pytest.approx(44 + 30 / 60 + 44.3 / 3600, abs=1e-12)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_angles_round_trip_over_the_whole_earth(lat, lon) -> None:
    """Decimal degrees, and degrees-minutes-seconds with a letter, come back."""
    for value, axis, letters in ((lat, "latitude", "NS"), (lon, "longitude", "EW")):
        assert places.parse_angle(f"{value:.9f}", axis=axis) == pytest.approx(value, abs=1e-9)
        degrees, rest = divmod(round(abs(value) * 3600, 4), 3600)
        minutes, seconds = divmod(rest, 60)
        text = f"{degrees:.0f} {minutes:.0f} {seconds:.4f} {letters[value < 0]}"
        if seconds < 59.9999:
            assert places.parse_angle(text, axis=axis) == pytest.approx(value, abs=1e-7)


@given(st.floats(-79.9, 83.9), st.floats(-179.9, 179.9))
def test_utm_round_trips(lat, lon) -> None:
    """Forward by PROJ in the point's own zone, back by our reading."""
    from pyproj import Transformer

    zone = int((lon + 180) // 6) + 1
    code = (32600 if lat >= 0 else 32700) + zone
    x, y = Transformer.from_crs(4326, code, always_xy=True).transform(lon, lat)
    place = places.from_utm(x, y, f"{zone}{'N' if lat >= 0 else 'S'}", datum="WGS84")
    assert (place.latitude, place.longitude) == pytest.approx((lat, lon), abs=1e-7)


@given(st.text(max_size=30))
def test_wild_text_never_ends_in_another_error(text) -> None:
    """Whatever is typed as angle, pair, bearing, zone or reference: a value or a PlaceError."""
    for read in (
        lambda: places.parse_angle(text, axis="latitude"),
        lambda: places.split_pair(text),
        lambda: places.parse_bearing(text),
        lambda: places.from_utm(5e5, 5e6, text, datum="WGS84"),
        lambda: places.from_mgrs(text, datum="WGS84"),
        lambda: places.from_xy(1, 1, text),
        lambda: places.geographic_crs(text),
    ):
        try:
            read()
        except PlaceError as error:
            assert str(error)


@pytest.mark.parametrize(
    ("text", "bearing", "half"),
    [
        ("NNE", 22.5, 11.25),
        ("south-west", 225, 22.5),
        ("north", 0, 22.5),
        ("w", 270, 22.5),
        ("north-northwest", 337.5, 11.25),
        ("140", 140, 0.5),
        ("360", 0, 0.5),
        ("12.5 deg", 12.5, 0.5),
        ("South East", 135, 22.5),
    ],
)
def test_bearings_in_words_and_degrees(text, bearing, half) -> None:
    """The sixteen points of the compass are 22.5 degrees apart."""
    assert places.parse_bearing(text) == (bearing, half)


@pytest.mark.parametrize("text", ["400", "NEN", "up", "-20", ""])
def test_no_bearing(text) -> None:
    """Refused, with what can be written."""
    with pytest.raises(PlaceError, match=r"bearing|360"):
        places.parse_bearing(text)


def test_few_decimals_cost_precision() -> None:
    """44.51 is known to half a hundredth of a degree: 557 m on the equator."""
    assert places.reading_error_m("44.51") == pytest.approx(556.6)
    assert places.reading_error_m("44 30 44.3 N") == pytest.approx(1.546, abs=1e-3)


def test_pairs_in_one_cell() -> None:
    """With letters, commas or spaces."""
    assert places.split_pair("44.51 N 118.22 W") == ("44.51 N", "118.22 W")
    assert places.split_pair("44.51, -118.22") == ("44.51", "-118.22")
    assert places.split_pair("118.22 W 44.51 N") == ("44.51 N", "118.22 W")
    assert places.split_pair("N44° 32.100' W118° 15.200'") == ("N44° 32.100'", "W118° 15.200'")
    with pytest.raises(PlaceError):
        places.split_pair("44.51")


def test_zone_letters() -> None:
    """N and S are hemispheres; another letter is a latitude band (NGA.STND.0037)."""
    north = places.from_utm(5e5, 4.8e6, "11N", datum="WGS84")
    assert places.from_utm(5e5, 4.8e6, "11T", datum="WGS84") == north
    assert places.from_utm(5e5, 4.8e6, "11S", datum="WGS84").latitude < 0
    assert places.from_utm(5e5, 4.8e6, "11H", datum="WGS84").latitude < 0


def test_utm_on_nad83_and_nad27_are_other_places() -> None:
    """The same figures on NAD83 lie within 2 m, on NAD27 some 200 m off (the grids' ellipsoids differ)."""
    here = places.from_utm(5e5, 4.8e6, "11N", datum="WGS84")
    for datum, least, most in (("NAD83", -1, 2), ("NAD27", 100, 300)):
        other = places.from_utm(5e5, 4.8e6, "11N", datum=datum)
        away = places.distance_m(here.longitude, here.latitude, other.longitude, other.latitude)
        assert least < away < most
        assert datum[3:] in other.note


@pytest.mark.parametrize("code", ["4978", "4979"])
def test_crs_of_three_coordinates_are_refused(code) -> None:
    """Geocentric x and y are no place on the ground."""
    with pytest.raises(PlaceError, match="no CRS of two coordinates"):
        places.from_xy(1, 2, code)


@pytest.mark.parametrize("bearing", [0.0, 12.5, 225.0, 348.8])
def test_bearing_undoes_a_move(bearing) -> None:
    """The way there, by the geodesic, in the words of the compass."""
    there = places.moved(-115.5, 43.5, bearing_deg=bearing, distance_m=900.0)
    assert places.bearing_deg(-115.5, 43.5, *there) == pytest.approx(bearing, abs=1e-6)
    assert places.compass_point(bearing) == {0.0: "N", 12.5: "NNE", 225.0: "SW", 348.8: "N"}[bearing]


@pytest.mark.parametrize(("bearing", "sixteen", "eight"), [(0, "N", "N"), (33.6, "NNE", "NE"), (348.8, "N", "N"),
                                                            (292.4, "WNW", "W"), (247.6, "WSW", "W")])  # fmt: skip
def test_points_and_octants(bearing, sixteen, eight) -> None:
    """The nearest of 16 and of 8 points, across north too."""
    assert (places.compass_point(bearing), places.compass_point(bearing, points=8)) == (sixteen, eight)


@given(st.floats(0, 359.999))
def test_bearings_round_trip(bearing) -> None:
    """Written and read again; a point of the compass holds the bearing it stands for; back and back again is ahead."""
    assert places.parse_bearing(f"{bearing:.3f}")[0] == pytest.approx(round(bearing, 3) % 360, abs=1e-9)
    for points in (16, 8):
        middle, _ = places.parse_bearing(places.compass_point(bearing, points=points))
        assert abs((bearing - middle + 180) % 360 - 180) <= 180 / points + 1e-9
    assert places.back_bearing(places.back_bearing(bearing)) == pytest.approx(bearing)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_pairs_round_trip_over_the_whole_earth(lat, lon) -> None:
    """Latitude and longitude in one cell, with signs or letters, either first where letters tell."""
    north, east = "NS"[lat < 0], "EW"[lon < 0]
    spellings = (f"{lat:.8f}, {lon:.8f}", f"{abs(lat):.8f} {north} {abs(lon):.8f} {east}",
                 f"{abs(lon):.8f}{east}, {abs(lat):.8f}{north}")  # fmt: skip
    for text in spellings:
        place = places.from_geographic(*places.split_pair(text), datum="WGS84")
        assert (place.latitude, place.longitude) == pytest.approx((lat, lon), abs=1e-8)
