"""Raw rows become dens and visits; bearings become true, slopes degrees, times days."""

import datetime as dt
import math
from zoneinfo import ZoneInfo

import pytest
from conftest import STUDY_TOML
from hypothesis import example, given
from hypothesis import strategies as st

from densite import magnetism, places
from densite.errors import Level
from densite.intake.rawrow import RawRow
from densite.intake.rows import parse_day, read_row
from densite.settings import parse
from densite.terms import RECORDED_TERMS

NOW = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
GOOD = {
    "den_label": "D-1",
    "date": "2026-02-24",
    "latitude": "43.51234",
    "longitude": "-115.52123",
    "datum": "WGS84",
    "uncertainty_m": "5",
    "den_type": "tree",
}


def read(settings, **changes):
    """Read the good row with some cells changed; None empties a cell."""
    values = {k: v for k, v in (GOOD | changes).items() if v is not None}
    return read_row(RawRow("crew.csv", 7, values, values), settings, now=NOW)


def messages(row, level=Level.ERROR):
    """Return the row's messages of one level."""
    return [p.message for p in row.problems if p.level is level]


def test_a_good_row(settings) -> None:
    """Den, visit, no problem."""
    row = read(settings)
    assert row.problems == ()
    assert (row.den.latitude, row.den.longitude, row.den.uncertainty_m) == (43.51234, -115.52123, 5.0)
    assert row.visit.observed_on == dt.date(2026, 2, 24)
    assert row.visit.den_id == row.den.den_id
    assert (row.den.source_file, row.den.source_line) == ("crew.csv", 7)


def test_magnetic_bearing_becomes_true(settings) -> None:
    """WMM2025 gives about +12.8 degrees here in 2026; the note says so, the reading is kept."""
    row = read(settings, aspect="140", aspect_reference="magnetic")
    turn = magnetism.declination(-115.52123, 43.51234, dt.date(2026, 2, 24))
    assert row.den.aspect_deg == pytest.approx(140 + turn.degrees, abs=0.01)
    assert row.den.aspect_read == "140"
    assert row.den.declination_model == "WMM2025"
    assert "magnetic" in messages(row, Level.NOTE)[0]


def test_true_bearing_stays_and_wraps(settings) -> None:
    """360 is north; NNE is 22.5 and known to 11.25."""
    assert read(settings, aspect="360", aspect_reference="true").den.aspect_deg == 0
    den = read(settings, aspect="NNE", aspect_reference="true").den
    assert (den.aspect_deg, den.aspect_error_deg) == (22.5, 11.25)


def test_bearing_without_north_is_kept_but_not_used(settings) -> None:
    """The row goes in; the true aspect is missing; a warning says why."""
    row = read(settings, aspect="140")
    assert row.den.aspect_deg is None
    assert row.den.aspect_read == "140"
    assert messages(row, Level.WARNING)


def test_study_may_say_the_north_of_its_files() -> None:
    """[intake] aspect_reference fills in for files that are silent."""
    chosen = parse(STUDY_TOML + "[intake]\naspect_reference='true'\ndatum='WGS84'")
    row = read(chosen, aspect="140", datum=None)
    assert row.den.aspect_deg == 140


def test_flat_ground_has_no_aspect(settings) -> None:
    """The word flat is understood and no number is made of it."""
    row = read(settings, aspect="flat", aspect_reference="true")
    assert row.den.aspect_deg is None
    assert not messages(row)


def test_percent_becomes_degrees(settings) -> None:
    """100 % is 45 degrees; both columns at once are refused."""
    den = read(settings, slope_pct="100 %").den
    assert den.slope_deg == pytest.approx(45)
    assert den.slope_read == "100 %"
    assert "both filled in" in messages(read(settings, slope_pct="10", slope_deg="10"))[0]


def test_uncertainty_grows_by_the_datum_change(settings) -> None:
    """5 m of the crew and some 7 m of the NAD27 change; no uncertainty stays none."""
    row = read(settings, datum="NAD27")
    assert "PROJ gives" in messages(row, Level.NOTE)[0]
    assert row.den.uncertainty_m > math.hypot(5, 5)
    assert read(settings, uncertainty_m=None).den.uncertainty_m is None


def test_trailing_zeros_do_not_count(settings) -> None:
    """A spreadsheet writes 43.5100 as 43.51: the crew's 5 m stay; only both being short is doubted."""
    row = read(settings, latitude="43.51")
    assert row.den.uncertainty_m == 5
    assert not row.problems
    row = read(settings, latitude="43.51", longitude="-115.52")
    assert row.den.uncertainty_m == 5
    assert "rounded?" in messages(row, Level.WARNING)[0]


def test_a_coarse_place_without_uncertainty_takes_what_its_digits_leave_open(settings) -> None:
    """MGRS to the kilometre is half a diagonal off at most: 707 m."""
    row = read(settings, latitude=None, longitude=None, mgrs="11TPJ1918", uncertainty_m=None)
    assert row.den.uncertainty_m == pytest.approx(707.1)


def test_two_ways_to_say_a_place_must_agree(settings) -> None:
    """Latitude and longitude beside an MGRS reference 10 km off are asked about."""
    row = read(settings, mgrs="11TPJ1952628773")
    assert [p.level for p in row.problems] == [Level.CONFIRM]
    assert not read(settings, mgrs="11TPJ1952618773").problems


def test_a_datum_must_not_contradict_the_crs(settings) -> None:
    """EPSG 32611 is on WGS 84, not on NAD27."""
    cells = {"latitude": None, "longitude": None, "x": "619526.53", "y": "4818773.96", "epsg": "32611"}
    assert "contradicts" in messages(read(settings, **cells, datum="NAD27"))[0]
    assert not read(settings, **cells, datum="WGS84").problems


def test_percent_under_degrees_is_taken_as_percent(settings) -> None:
    """40 % typed into slope_deg is 21.8 degrees; 175 % is 60.3 degrees (arctangent)."""
    assert read(settings, slope_deg="40 %").den.slope_deg == pytest.approx(21.80, abs=0.01)
    assert read(settings, slope_pct="175").den.slope_deg == pytest.approx(60.26, abs=0.01)
    assert "is in 'deg'" in messages(read(settings, slope_pct="35 deg"))[0]


def test_dates_in_a_strange_order_are_doubted(settings) -> None:
    """Found after the visit, entered before it."""
    row = read(settings, first_found="2026-03-01", entered_at="2026-02-01")
    assert len(messages(row, Level.WARNING)) == 2


def test_all_problems_of_a_row_are_told_at_once(settings) -> None:
    """Five slips, five messages, each placed."""
    row = read(settings, latitude="-115.5", den_type="cave", date="2026-02-30", slope_deg="118", aspect="400")
    assert row.den is None
    assert row.visit is None
    assert len(messages(row)) == 5
    assert {(p.file, p.line) for p in row.problems} == {("crew.csv", 7)}


def test_future_date(settings) -> None:
    """A visit cannot lie ahead; a day is left for time zones."""
    assert not read(settings, date="2026-06-02").problems
    assert "future" in messages(read(settings, date="2026-06-03"))[0]
    assert "future" in messages(read(settings, date="2062-02-24"))[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("02/03/2026", "two ways"),
        ("2026-13-01", "no day"),
        ("soon", "not understood"),
        ("31 Feb 2026", "no day"),
        ("30.02.2026", "no day"),
        ("13/13/2026", "no day"),
        ("0206-02-24", "before 1900"),
        ("46077", "not understood"),
    ],
)
def test_days_that_are_none(text, said) -> None:
    """Told, not guessed."""
    with pytest.raises(ValueError, match=said):
        parse_day(text, ZoneInfo("UTC"))


def test_utc_time_is_a_day_of_the_study() -> None:
    """01:20 UTC on the eleventh is the evening of the tenth in Boise."""
    assert parse_day("2025-02-11T01:20:00Z", ZoneInfo("America/Boise")) == dt.date(2025, 2, 10)


@pytest.mark.parametrize(
    "text",
    ["24 Feb. 2026", "24-Feb-2026", "Feb 24, 2026", "24/02/2026", "24.2.2026", "2/24/2026", "2026/02/24", "2026-2-24"],
)
def test_days_that_one_reading_fits(text) -> None:
    """Letters, figures of which only one can be the month, and other marks between."""
    assert parse_day(text, ZoneInfo("UTC")) == dt.date(2026, 2, 24)


def test_the_study_may_say_its_order_of_day_and_month() -> None:
    """2/3/2026 by declaration."""
    assert parse_day("2/3/2026", ZoneInfo("UTC"), "day first") == dt.date(2026, 3, 2)
    assert parse_day("2/3/2026", ZoneInfo("UTC"), "month first") == dt.date(2026, 2, 3)


def test_decimal_comma_by_declaration() -> None:
    """[intake] decimal = "," reads 43,51234; without it the comma is an error."""
    chosen = parse(STUDY_TOML + "[intake]\ndecimal=','")
    assert read(chosen, latitude="43,51234", longitude="-115,52123").den.latitude == 43.51234


@pytest.mark.parametrize(
    "cells",
    [
        {"coordinates": "43.51234 N 115.52123 W"},
        {"latitude": "43 30 44.424 N", "longitude": "115 31 16.428 W"},
        {"easting": "619526.53", "northing": "4818773.96", "utm_zone": "11N"},
        {"mgrs": "11TPJ1952618773"},
        {"x": "-115.52123", "y": "43.51234", "epsg": "4326", "datum": None},
    ],
)
def test_every_way_to_say_a_place(settings, cells) -> None:
    """Decimal, sexagesimal, UTM, MGRS and any EPSG code give the same place within a metre."""
    row = read(settings, **({"latitude": None, "longitude": None} | cells))
    assert not messages(row)
    assert places.distance_m(row.den.longitude, row.den.latitude, -115.52123, 43.51234) < 1


def test_half_a_place_is_told(settings) -> None:
    """A latitude alone, a UTM without zone, nothing at all."""
    assert "longitude is empty" in messages(read(settings, longitude=None))[0]
    assert "no zone" in messages(read(settings, latitude=None, longitude=None, easting="5e5", northing="4e6"))[
        0
    ].replace("is not a zone", "no zone")
    assert "coordinates are empty" in messages(read(settings, latitude=None, longitude=None))[0]


def test_mended_row_keeps_its_first_source(settings) -> None:
    """A row from a rejected file still says where it first came from."""
    row = read(settings, source_file="winter.csv", source_line="12")
    assert (row.visit.source_file, row.visit.source_line) == ("winter.csv", 12)
    assert row.visit.row_key == read(settings).visit.row_key


names = st.sampled_from([t.name for t in RECORDED_TERMS])


@given(
    st.dictionaries(
        names,
        st.text(max_size=12) | st.sampled_from(["1", "-1", "44.5", "yes", "NaN", "1e400", "2026-02-24"]),
        max_size=8,
    )
)
@example({"crew": "\x08"})
def test_wild_cells_end_in_problems_not_in_errors(wild) -> None:
    """Whatever stands in the cells: a row with or without den, never another error."""
    settings = parse(STUDY_TOML)
    values = GOOD | {k: v for k, v in wild.items() if v.strip()}
    row = read_row(RawRow("crew.csv", 7, values, values), settings, now=NOW)
    assert (row.den is None) == any(p.level is Level.ERROR for p in row.problems) or row.visit is None


OFFSET = {"offset_bearing": "90", "offset_reference": "true", "offset_bearing_error_deg": "2",
          "offset_distance_m": "100", "offset_by": "laser", "offset_distance_error_m": "1"}  # fmt: skip


def test_a_den_seen_from_afar_lies_where_it_was_seen(settings) -> None:
    """100 m east; 5 m, 1.96 times 1 m and 100 m x hypot(2, 0.5 / sqrt 3) deg across; the note gives no place away."""
    den = read(settings, **OFFSET).den
    lon, lat = places.moved(-115.52123, 43.51234, bearing_deg=90, distance_m=100)
    assert (den.longitude, den.latitude) == pytest.approx((lon, lat), abs=1e-9)
    across = 100 * math.radians(math.hypot(2, 0.5 / math.sqrt(3)))
    assert den.uncertainty_m == pytest.approx(math.hypot(5, 1.959964, 1.959964 * across), abs=0.051)
    assert den.position_note.startswith("den seen from where the crew stood, 100 m by laser at 90 true")
    assert "115." not in den.position_note


def test_a_magnetic_sight_is_turned_by_the_declination_of_the_day(settings) -> None:
    """With the uncertainty of the declination carried on, and the model named."""
    turn = magnetism.declination(-115.52123, 43.51234, dt.date(2026, 2, 24))
    den = read(settings, **OFFSET | {"offset_reference": "magnetic", "offset_distance_m": "1000"}).den
    lon, lat = places.moved(-115.52123, 43.51234, bearing_deg=90 + turn.degrees, distance_m=1000)
    assert (den.longitude, den.latitude) == pytest.approx((lon, lat), abs=1e-9)
    across = 1000 * math.radians(math.hypot(2, 0.5 / math.sqrt(3), turn.uncertainty_deg))
    assert den.uncertainty_m == pytest.approx(math.hypot(5, 1.959964, 1.959964 * across), abs=0.051)
    assert "WMM2025" in den.position_note


def test_errors_of_a_sight_are_asked_for_never_guessed(settings) -> None:
    """Each blank is told by its column; the study's own trials fill them where study.toml has them."""
    for name in ("offset_bearing", "offset_reference", "offset_bearing_error_deg", "offset_distance_m", "offset_by",
                 "offset_distance_error_m", "uncertainty_m"):  # fmt: skip
        row = read(settings, **OFFSET | {name: None})
        assert row.den is None
        assert [p.field for p in row.problems if p.level is Level.ERROR] == [name], row.problems
    own = parse(f"{STUDY_TOML}\n[intake.offset_errors]\nbearing_deg = 2\nestimate_pct = 20\n")
    blank = {"offset_bearing_error_deg": None, "offset_distance_error_m": None}
    told = read(own, **OFFSET | blank | {"offset_by": "estimate"}).den
    same = read(settings, **OFFSET | {"offset_by": "estimate", "offset_distance_error_m": "20 %"}).den
    assert told.uncertainty_m == same.uncertainty_m > 20
    assert "offset_distance_error_m" in messages(read(own, **OFFSET | blank))[0]  # 20 % is not for a laser


def test_slips_in_a_sight_are_told_by_their_column(settings) -> None:
    """Wrong words, units and ranges."""
    slips = {
        "offset_by": "radar",
        "offset_distance_m": "far",
        "offset_tilt_deg": "95",
        "offset_bearing": "400",
        "offset_reference": "grid",
        "offset_bearing_error_deg": "-1",
        "offset_distance_error_m": "3 kg",
    }
    for name, value in slips.items():
        row = read(settings, **OFFSET | {name: value})
        assert [p.field for p in row.problems if p.level is Level.ERROR] == [name], row.problems


def test_a_bearing_toward_the_mouth_is_turned_round(settings) -> None:
    """By the column or by words in the cell; kept so that it can be read again."""
    true = {"aspect_reference": "true"}
    by_column = read(settings, aspect="320", aspect_sighted="toward the mouth", **true)
    in_words = read(settings, aspect="320 deg, toward mouth", **true)
    assert by_column.den.aspect_deg == in_words.den.aspect_deg == 140
    assert by_column.den.aspect_read == in_words.den.aspect_read.replace(" deg", "") == "320 toward the mouth"
    assert read(settings, aspect=by_column.den.aspect_read, **true).den.aspect_deg == 140
    assert read(settings, aspect="NNE", aspect_sighted="Outward from the mouth", **true).den.aspect_deg == 22.5
    assert "allowed: outward" in messages(read(settings, aspect="320", aspect_sighted="sideways", **true))[0]
    wrong = read(settings, aspect="320 toward the mouth", aspect_sighted="outward from the mouth", **true)
    assert "contradicts" in messages(wrong)[0]


def test_an_old_winter_by_the_reference_field(settings) -> None:
    """A bearing of 1975 is made true by IGRF; its uncertainty is a least, and that is said."""
    row = read(settings, date="1975-03-01", aspect="140", aspect_reference="magnetic")
    assert row.den.declination_model == "IGRF-14"
    assert "at least" in next(p.hint for p in row.problems if p.field == "aspect")
