"""The study of an earlier day: read from the journal, equal to what was printed then, to the byte."""

import datetime as dt
import sqlite3
import time
from zoneinfo import ZoneInfo

import geopandas.testing
import pandas as pd
import pytest
from conftest import write
from test_pipeline import HEAD, LAT, LON, folder, grid, row  # noqa: F401 - fixtures
from test_register import den as a_den

import densite
from densite.animalterms import KINDS
from densite.asof import RegisterAsOf, read_when, settings_then
from densite.errors import RegisterError
from densite.register import create_register, journal
from densite.register.columns import encode_point, geopackage_blob
from densite.tables import WRITERS

CUBS = "den_label,date,cub_no,sex,mass_g\nD-1,2026-02-24,1,male,2000\nD-1,2026-02-24,2,female,1900\n"
BREAKS = (
    '[gradient]\nmeasure = "housing"\nradius_m = 500\nscheme = "breaks"\nbreaks = [0.5]\nnames = ["wild", "settled"]\n'
)


def now_of(register) -> str:
    """Return the time of the journal's last entry or derivation, as text; what follows is later by milliseconds."""
    with register.reading() as connection:
        last = max(entry.at for entry in journal.entries(connection))
    computed = register.provenance()["computed_at"]
    time.sleep(0.005)
    return last if computed.empty else max(last, computed.max().strftime("%Y-%m-%dT%H:%M:%S.%f")[:23] + "Z")


@pytest.fixture
def study(folder):  # noqa: F811 - the fixture
    """The plane's study with three dens and two cubs, derived."""
    lines = row("D-1", LON, LAT), row("D-2", LON - 0.0037, LAT, "brush"), row("D-3", LON + 0.02, LAT, "rock ledge")
    write(folder / "crew.csv", HEAD + "".join(lines))
    write(folder / "cubs.csv", CUBS)
    with densite.open_study(folder) as study:
        assert not any(made.held_back for made in study.intake([folder / "crew.csv", folder / "cubs.csv"]))
        study.derive()
        yield study


def printed(study) -> dict[str, str]:
    """Return the table in every format."""
    table = study.table()
    return {ending: write_as(table) for ending, write_as in WRITERS.items()}


def a_year_later(study) -> None:
    """More files, corrections, withdrawals, a GIS at work, another derive with other breaks."""
    write(study.folder / "more.csv", HEAD + row("D-4", LON, LAT + 0.004, "ground bed") + row("D-5", LON, LAT - 0.004))
    assert not any(made.held_back for made in study.intake([study.folder / "more.csv"]))
    (cub, *_) = study.records("cub").index
    fix = "den_label,date,cub_no,sex,mass_g,corrects,correction_reason\nD-1,2026-02-24,1,male,2200,{},scale\n"
    study.intake([write(study.folder / "fix.csv", fix.format(cub))])
    assert study.correct("D-2", {"den_type": "tree", "slope_deg": "31"}, reason="field book").done
    assert study.correct("D-2/2026-02-24", {"female": "OB-077"}, reason="collar read again").done
    assert study.correct("D-1", {"label": "D-1A"}, reason="typed wrong").done
    study.withdraw("D-3", reason="a badger's")
    with sqlite3.connect(study.register.backend.path) as other:
        other.execute("UPDATE den SET geom = ? WHERE label = 'D-5'", (geopackage_blob(encode_point(LON, LAT - 0.005)),))
    other.close()
    toml = study.folder / "study.toml"
    text = toml.read_text(encoding="utf-8")
    start = text.index("[gradient]")
    end = text.find("\n[", start + 1)
    toml.write_text(text[:start] + BREAKS + (text[end:] if end > 0 else ""), encoding="utf-8")
    with densite.open_study(study.folder) as again:
        again.derive()


def test_last_years_table_to_the_byte(study) -> None:
    """In every format, also for whoever opens the study with the new breaks; today's is another."""
    then, first, frame = now_of(study.register), printed(study), study.frame
    a_year_later(study)
    with densite.open_study(study.folder) as later:
        assert printed(later.as_of(then)) == first
        assert printed(later) != first
        assert all(printed(later)[ending] != text for ending, text in first.items())
        geopandas.testing.assert_geodataframe_equal(later.as_of(then).frame, frame)
        assert later.as_of(then).class_names() == ("urban", "suburban", "exurban", "rural")
        assert later.class_names() == ("settled", "wild")


def test_dens_visits_and_records_are_those_of_the_day(study) -> None:
    """And now is now: every frame equals the register's own, withdrawn and corrected rows too."""
    register = study.register
    then = now_of(register)
    old = {kind: register.records(kind) for kind in KINDS}
    dens, visits, counts, found = register.dens(), register.visits(), register.counts(), study.check()
    a_year_later(study)
    past = study.as_of(then)
    geopandas.testing.assert_geodataframe_equal(past.register.dens(), dens)
    pd.testing.assert_frame_equal(past.register.visits(), visits)
    assert past.register.counts() == counts
    assert past.check() == found
    now = RegisterAsOf(register, dt.datetime.now(dt.UTC))
    for every in (False, True):
        geopandas.testing.assert_geodataframe_equal(now.dens(every=every), register.dens(every=every))
        pd.testing.assert_frame_equal(now.visits(every=every), register.visits(every=every))
        for kind, records in old.items():
            pd.testing.assert_frame_equal(now.records(kind, every=every), register.records(kind, every=every))
            pd.testing.assert_frame_equal(past.register.records(kind), records)
    pd.testing.assert_frame_equal(now.dens(only=("label", "slope_deg")), register.dens(only=("label", "slope_deg")))


def test_check_says_what_is_corrected_since_derive(study) -> None:
    """A slope or place that changed; not a note; no more after the next derive."""
    assert not [p for p in study.check() if p.field == "derived" and "since" in p.message]
    time.sleep(0.005)
    assert study.correct("D-2", {"slope_deg": "31", "notes": "wet"}, reason="field book").done
    assert study.correct("D-1", {"notes": "dry"}, reason="field book").done
    (problem,) = [p for p in study.check() if "since derive" in p.message]
    assert str(problem).endswith("den D-2: ground slope corrected since derive (run `densite derive`)")
    then = now_of(study.register)
    study.derive()
    assert not [p for p in study.check() if "since derive" in p.message]
    assert [p for p in study.as_of(then).check() if "since derive" in p.message] == [problem]


def test_a_past_cannot_be_changed(study) -> None:
    """Neither by intake nor by derive or corrections."""
    past = study.as_of(now_of(study.register))
    for act in (
        lambda: past.log({"den_label": "D-9"}),
        lambda: past.withdraw("D-1", reason="x"),
        lambda: past.correct("D-1", {"slope_deg": "3"}, reason="x"),
        past.derive,
    ):
        with pytest.raises(RegisterError, match="can be read, not changed"):
            act()


def test_before_the_journal(study) -> None:
    """The day on which it begins is told."""
    with pytest.raises(RegisterError, match=r"journal of register .* begins on 20"):
        study.as_of("2001-01-01")


def test_an_empty_register(tmp_path) -> None:
    """There is no past."""
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        with pytest.raises(RegisterError, match="is empty"):
            RegisterAsOf(register, dt.datetime.now(dt.UTC))
        with register.writing() as connection:
            register.add(connection, [a_den("b", -115.5, 43.5), a_den("A", -115.4, 43.5), a_den("Ä", -115, 43)], [])
        past = RegisterAsOf(register, dt.datetime.now(dt.UTC))
        assert past.dens().index.tolist() == register.dens().index.tolist()
        assert past.derived().empty


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-03-01", "2026-03-02T06:59:59.999000+00:00"),
        ("2026-03-08", "2026-03-09T05:59:59.999000+00:00"),  # the clocks are set forward on that day
        ("2026-03-01T14:30", "2026-03-01T21:30:00+00:00"),
        ("2026-03-01T14:30:00Z", "2026-03-01T14:30:00+00:00"),
    ],
)
def test_a_day_ends_by_the_studys_clock(text, utc) -> None:
    """A time without offset is the study's too."""
    assert read_when(text, ZoneInfo("America/Boise")).astimezone(dt.UTC).isoformat() == utc


@pytest.mark.parametrize("text", ["yesterday", "2026-02-30", ""])
def test_what_is_no_day(text) -> None:
    """One message."""
    with pytest.raises(RegisterError, match="no day"):
        read_when(text, dt.UTC)


def test_a_day_beyond_the_calendar() -> None:
    """The last day that can be written ends after it in UTC, west of Greenwich."""
    with pytest.raises(RegisterError, match="too late a day"):
        read_when("9999-12-31", ZoneInfo("America/Boise"))


def test_classes_that_were_not_kept(study) -> None:
    """Values derived before classes were kept: a published scheme is known all the same, own breaks are not."""
    provenance = study.register.provenance()
    bare = provenance.assign(parameters='{"measure": "housing", "scheme": "housing_density", "radius_m": 1000.0}')
    other = study.settings.model_copy(
        update={"gradient": study.settings.gradient.model_copy(update={"radius_m": 500.0})}
    )
    chosen, classes = settings_then(other, bare)
    assert chosen.gradient.radius_m == 1000
    assert classes == ("urban", "suburban", "exurban", "rural")
    assert settings_then(other, bare.iloc[:0]) == (other, ())
    lost = bare.assign(method="Gradient: own breaks.", parameters='{"scheme": "breaks"}')
    assert settings_then(other, lost) == (other, ())


def test_classes_that_cannot_be_told_are_not_made_up(study) -> None:
    """The table of that day is refused with the reason."""
    past = study.as_of(now_of(study.register))
    past._classes = ()
    with pytest.raises(RegisterError, match="were not kept"):
        past.table()
