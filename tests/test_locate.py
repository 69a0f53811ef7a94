"""Files of bearings and the command that locates a signal by them."""

import json
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner
from conftest import STUDY_TOML, write
from geographiclib.geodesic import Geodesic

from densite import triangulation
from densite.cli import locate as locate_module
from densite.cli.locate import locate as command
from densite.intake.csvfile import read_csv
from densite.intake.geojson import read_geojson
from densite.intake.rows import read_row
from densite.intake.stations import read_bearings
from densite.magnetism import declination
from densite.places import distance_m, moved
from densite.settings import IntakeSettings, parse

HERE = (-115.5, 43.5)
SHORT = "station,coordinates,datum,bearing,reference,sd"
HEAD = "station,coordinates,datum,bearing,reference,date,time,sd"


def bearings(*, off=(1.0, -1.0, 0.5), sd="2", north="magnetic", day="2026-02-24"):
    """Write the rows of three stations round the source, with bearings to a tenth."""
    import datetime as dt

    lines = [HEAD]
    for i, (bearing, turn) in enumerate(zip((10, 130, 250), off, strict=False)):
        lon, lat = moved(*HERE, bearing_deg=bearing, distance_m=900 + 200 * i)
        seen = Geodesic.WGS84.Inverse(lat, lon, HERE[1], HERE[0])["azi1"] + turn
        if north == "magnetic":
            seen -= declination(lon, lat, dt.date.fromisoformat(day)).degrees
        lines.append(f"S{i + 1},{lat:.7f} N {-lon:.7f} W,WGS84,{seen % 360:.1f},{north},{day},08:{10 + 20 * i},{sd}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def run(tmp_path):
    """Run the command on a text, in a folder without a study unless one is written there."""

    def call(text, *options, code=0):
        path = write(tmp_path / "bearings.csv", text)
        done = CliRunner().invoke(command, [str(path), "--study", str(tmp_path), *options])
        assert done.exit_code == code, done.output
        return done

    return call


def test_magnetic_bearings_find_the_source(run) -> None:
    """The source lies in the ellipse; stations, models, residuals and cautions are told."""
    done = run(bearings())
    lat, lon = map(float, done.stdout.split(" (")[0].split(", "))
    assert distance_m(lon, lat, *HERE) < 40
    assert "by maximum likelihood (Lenth 1981), bearing error 2.0 deg as given; 95 % ellipse" in done.stdout
    assert "WMM2025" in done.stdout
    assert "taken over 40 min" in done.stderr


@pytest.mark.parametrize("form", ["csv", "geojson"])
def test_the_row_can_be_handed_in(run, tmp_path, settings, form) -> None:
    """Intake reads it: the same place, the longer half axis as uncertainty."""
    import datetime as dt

    told = json.loads(run(bearings(), "--json", "--den-label", "D-9", "--female", "OB-031").stdout)
    path = write(tmp_path / f"located.{form}", run(bearings(), "--format", form, "--den-label", "D-9").stdout)
    (raw,) = (read_csv if form == "csv" else read_geojson)(path, mapping={})
    row = read_row(raw, settings, now=dt.datetime(2026, 6, 1, tzinfo=dt.UTC))
    assert (row.den.latitude, row.den.longitude) == pytest.approx((told["latitude"], told["longitude"]), abs=1e-6)
    assert 0 <= row.den.uncertainty_m - told["ellipse"]["semi_major_m"] <= 1
    assert (row.den.label, row.den.den_type, row.den.position_method) == ("D-9", "unknown", "estimate")
    assert str(row.visit.observed_on) == "2026-02-24"
    assert told["row"]["female"] == "OB-031"
    assert told["outline"]["coordinates"][0][0] == told["outline"]["coordinates"][0][-1]
    assert "43." not in row.den.notes


def test_two_bearings_give_no_row(run) -> None:
    """A crossing is told, without error; as a file it is refused."""
    text = bearings(off=(0.0, 0.0))
    assert "no row: its error is unknown" in run(text).stdout
    assert "take a third bearing" in str(run(text, "--format", "csv", code=1).exception)


def test_wrong_rows_are_told_by_file_line_and_field(run) -> None:
    """All of them at once; nothing is estimated."""
    rows = bearings().splitlines()
    rows[1] = rows[1].replace("WGS84", "")
    rows[2] = rows[2].replace("magnetic", "grid")
    rows[3] = rows[3].replace(",08:50,2", ",2578,-1")
    done = run("\n".join([*rows, "S4,43.5 N 115.5 W,WGS84,400,true,,,2"]), code=1)
    assert done.stdout == ""
    for said in ("line 2: error: datum is missing", "line 3: error: reference 'grid'", "line 4: error: time '2578'",
                 "line 4: error: sd_deg '-1'", "line 5: error: bearing 400 is over 360"):  # fmt: skip
        assert f"bearings.csv {said}" in done.stderr


def test_the_study_says_what_the_file_does_not(tmp_path) -> None:
    """Datum, north, decimal comma and order of days of study.toml."""
    text = "station;lat;lon;azimuth;day;clock\nS1;43,51000;-115,50000;172,5;24/02/2026;814\n"
    chosen = IntakeSettings(datum="WGS84", aspect_reference="true", decimal=",", date_order="day first")
    path = write(tmp_path / "b.csv", text)
    (read,), problems = read_bearings(path, intake=chosen, zone=ZoneInfo("America/Boise"))
    assert problems == []
    assert (read.sighting.latitude, read.sighting.bearing_deg, read.sighting.sd_deg) == (43.51, 172.5, None)
    assert read.at.isoformat() == "2026-02-24T08:14:00-07:00"
    assert read_bearings(path)[0] == []
    assert parse(STUDY_TOML).intake.offset_errors.bearing_deg is None


def test_days_apart_are_a_caution(run) -> None:
    """The animal may have moved."""
    text = bearings().replace("2026-02-24,08:50", "2026-02-25,08:50")
    assert "bearings of 2 days" in run(text).stderr


def test_an_empty_table_is_told(run) -> None:
    """Headings alone."""
    assert "no bearing in it" in run(HEAD + "\n", code=1).stderr


def test_a_compass_point_is_no_finer_than_it_is_read(tmp_path) -> None:
    """NNE stands for 11.25 degrees to each side: 6.5 degrees of deviation at least, whatever the trials gave."""
    rows = [f"S,43.50000 N 115.50000 W,WGS84,{bearing},true,{sd}" for bearing, sd in (("NNE", 2), (22, 2), ("NNE", ""))]
    read, problems = read_bearings(write(tmp_path / "b.csv", "\n".join([SHORT, *rows])))
    assert problems == []
    assert [b.sighting.sd_deg for b in read] == [pytest.approx(11.25 / 3**0.5), 2.0, None]


@pytest.mark.parametrize(("place", "least", "most"), [
    ("43.50 N 115.50 W,WGS84,", 200, 330),  # half a hundredth of a degree, over the square root of 3
    ("43.50 N 115.50 W,WGS84,4", 1.633, 1.635),  # a radius of 95 in 100 is 2.448 deviations on each axis
    ("43.50000 N 115.50000 W,NAD27,4", 1.7, 20),  # PROJ says of that change some metres
])  # fmt: skip
def test_a_station_is_no_surer_than_it_is_written(tmp_path, place, least, most) -> None:
    """By its digits, the crew's word and the datum change; rounded places are doubted."""
    text = f"station,coordinates,datum,uncertainty_m,bearing,reference,sd\nS1,{place},10,true,2\n"
    (read,), problems = read_bearings(write(tmp_path / "b.csv", text))
    assert least <= read.sighting.uncertainty_m <= most
    assert [p.field for p in problems] == (["coordinates"] if "43.50 " in place else [])


def test_a_deviation_of_no_use_is_told_with_what_is_allowed(run) -> None:
    """Nothing, and more than a quarter of the circle."""
    done = run(bearings(sd="120").replace(",120\n", ",0\n", 1), code=1)
    assert "line 2: error: sd_deg '0'; allowed: over 0 and under 90 deg" in done.stderr
    assert "line 3: error: sd_deg '120'; allowed: over 0 and under 90 deg" in done.stderr


def test_the_command_offers_every_estimator() -> None:
    """It names them itself, for a quick start."""
    assert locate_module.ESTIMATORS == triangulation.ESTIMATORS
