"""Corrections: read as intake reads, together with what hangs on them, with a reason and all problems at once."""

import pytest
import shapely
from conftest import STUDY_TOML, write
from test_history import CUBS

from densite.animalfiles import hand_in_records
from densite.animalterms import KINDS
from densite.corrections import correct
from densite.deliveries import hand_in
from densite.errors import Level, RegisterError
from densite.known import known_of
from densite.magnetism import declination
from densite.places import distance_m, from_geographic
from densite.register import create_register, journal
from densite.settings import parse
from densite.withdrawals import withdraw

HEAD = (
    "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,aspect,aspect_reference,slope_deg,observer\n"
)
FIRST = "D-1,2026-02-24,OB-001,43.512340,-115.521230,WGS84,5,tree,NNE,magnetic,20,KR\n"
SECOND = "D-2,2026-02-25,OB-002,43.522340,-115.521230,NAD27,8,brush,140,true,,KR\n"
SETTINGS = parse(STUDY_TOML)


@pytest.fixture
def register(tmp_path):
    """Two dens: one read with a magnetic compass, one on an old datum."""
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        path = write(tmp_path / "crew.csv", HEAD + FIRST + SECOND)
        assert not hand_in(path, register=register, settings=SETTINGS, out=tmp_path / "out").held_back
        yield register


def mend(register, text="D-1", reason="field book", **values):
    """Correct with the values' names as they stand."""
    options = {name: values.pop(name) for name in ("area", "confirm", "dry_run", "shown") if name in values}
    return correct(register, text, values, reason=reason, settings=SETTINGS, **options)


def den(register, label="D-1"):
    """Return a den as it is recorded."""
    return register.dens().reset_index().set_index("label").loc[label]


def last(register):
    """Return the journal's entries, newest last."""
    with register.reading() as connection:
        return list(journal.entries(connection))


def test_a_slope_in_percent_is_kept_in_degrees(register) -> None:
    """As read and as kept change together; who, from what and why stand in the journal."""
    made = mend(register, slope_pct="100")
    assert made.done
    assert made.lines() == ["Slope as read: 20 to 100 %", "Ground slope: 20 deg to 45 deg"]
    assert (den(register)["slope_deg"], den(register)["slope_read"]) == (45.0, "100 %")
    entry = last(register)[-1]
    assert (entry.source, entry.reason, set(entry.changed())) == (
        "densite correct", "field book", {"slope_deg", "slope_read"},
    )  # fmt: skip


def test_a_bearing_is_made_true_by_the_days_declination(register) -> None:
    """Magnetic as before; the declination is that of the place and of the visit's day (World Magnetic Model)."""
    turn = declination(-115.52123, 43.51234, den(register)["recorded_at"].date().replace(year=2026, month=2, day=24))
    assert mend(register, aspect="100").done
    row = den(register)
    assert (row["aspect_read"], row["aspect_reference"]) == ("100", "magnetic")
    assert row["aspect_deg"] == pytest.approx(100 + turn.degrees, abs=0.01)
    assert mend(register, **{"Bearing from": "true"}).done
    row = den(register)
    assert (row["aspect_deg"], row["declination_deg"], row["declination_model"]) == (100.0, None, None) or (
        row["aspect_deg"] == 100.0 and row["declination_deg"] != row["declination_deg"]
    )


def test_another_day_turns_the_bearing_too(register) -> None:
    """Two years later the declination is another; visit and den change in one step."""
    before = den(register)["declination_deg"]
    made = mend(register, "D-1/2026-02-24", date="2024-02-24", confirm=True)
    assert {table for table, _ in made.changes} == {"visit", "den"}
    assert den(register)["declination_deg"] != before
    assert register.visits()["observed_on"].astype(str).tolist() == ["2024-02-24", "2026-02-25"]


def test_another_place_turns_the_bearing_too(register) -> None:
    """Place, note and uncertainty change together; the bearing follows where the declination does."""
    made = mend(register, coordinates="44.2 N 117.9 W", datum="WGS84", uncertainty_m="50", confirm=True)
    (pairs,) = (pairs for (table, _), pairs in made.changes.items() if table == "den")
    assert {"longitude", "latitude", "uncertainty_m", "aspect_deg", "declination_deg"} <= pairs.keys()
    row = den(register)
    assert (row.geometry.x, row.geometry.y, row["uncertainty_m"]) == (-117.9, 44.2, 50.0)
    assert "moved" in made.lines()[0]
    assert "km to the" in made.lines()[0]


def test_a_datum_alone(register) -> None:
    """The crew's own coordinates are read again on it; what the change adds to the uncertainty is not lost."""
    was = den(register)
    made = mend(register, datum="NAD27")
    assert made.done
    row, place = den(register), from_geographic("43.512340", "-115.521230", datum="NAD27")
    assert (row.geometry.x, row.geometry.y, row["position_note"]) == (place.longitude, place.latitude, place.note)
    assert row["uncertainty_m"] == pytest.approx((5**2 + place.error_m**2) ** 0.5, abs=0.06)
    assert distance_m(row.geometry.x, row.geometry.y, was.geometry.x, was.geometry.y) > 50
    assert mend(register, "D-2", datum="WGS84").done
    assert den(register, "D-2").geometry.y == 43.52234
    assert register.dens()["position_note"].notna().tolist() == [True, False]


def test_half_a_place_is_completed_from_the_crews_row_only_while_it_holds(register) -> None:
    """A digit of the longitude; after a move by hand the row no longer stands for the place."""
    assert mend(register, longitude="-115.511230").done
    assert den(register).geometry.coords[0] == (-115.51123, 43.51234)
    made = mend(register, longitude="-115.521230")
    assert [p.message.split(";")[0] for p in made.stops] == ["latitude is empty"]


def test_all_problems_at_once(register) -> None:
    """A column that is none, one of visits, a type that is none, a slope beyond the vertical: nothing changes."""
    before = len(last(register))
    made = mend(register, colour="red", female="OB-9", den_type="cave", slope_deg="20")
    assert [p.field for p in made.stops] == ["colour", "female"]
    made = mend(register, den_type="cave", slope_deg="95", canopy_pct="many")
    assert {p.field for p in made.stops} == {"den_type", "slope_deg", "canopy_pct"}
    assert not made.done
    assert len(last(register)) == before


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"slope_deg": "20"}, "recorded already"),
        ({"notes": ""}, "recorded already"),
        ({"aspect": "NNE"}, "recorded already"),
        ({"latitude": "43.512340", "longitude": "-115.521230", "datum": "WGS84"}, "recorded already"),
    ],
)
def test_what_is_recorded_already(register, values, said) -> None:
    """Reading a value again gives the very same, to the bit: no change."""
    with pytest.raises(RegisterError, match=said):
        mend(register, **values)


def test_a_reason_is_needed(register) -> None:
    """Blanks are none."""
    with pytest.raises(RegisterError, match="needs a reason"):
        mend(register, slope_deg="22", reason="  ")


def test_doubts_need_a_person_and_are_settled_then(register) -> None:
    """An unusual slope is told, held, and once confirmed not listed again with the den's visit."""
    made = mend(register, slope_deg="72")
    assert (made.done, [p.field for p in made.doubts]) == (False, ["slope_deg"])
    assert den(register)["slope_deg"] == 20
    assert mend(register, slope_deg="72", confirm=True).done
    assert register.visits().loc[register.visits()["den_id"] == den(register)["den_id"], "settled"].tolist() == [
        "slope_deg"
    ]
    assert not mend(register, canopy_pct="40").doubts  # the old doubt is not told again


def test_a_place_is_held_against_others_and_the_area(register) -> None:
    """On the spot of another den, and outside the boundary."""
    place = {"latitude": "43.522340", "longitude": "-115.521230", "datum": "NAD27"}
    area = shapely.box(-115.6, 43.5, -115.5, 43.515)
    made = mend(register, **place, area=area)
    assert not made.done
    assert {p.field for p in made.doubts} >= {"den_label", "position"}
    assert mend(register, **place, area=area, confirm=True).done


def test_labels_stay_unique(register) -> None:
    """Of another den, of a withdrawn one, none at all; case alone may change."""
    assert "is that of den" in mend(register, den_label="d-2").stops[0].message
    withdraw(register, "D-2", reason="x")
    assert "withdrawn den" in mend(register, label="D-2").stops[0].message
    assert mend(register, label="").stops
    assert mend(register, label="d-1").done
    assert set(register.dens()["label"]) == {"d-1"}


def test_an_emptied_field(register) -> None:
    """Nothing after the sign: a bearing goes with all that was read of it, a type cannot."""
    assert mend(register, aspect="").done
    names = ("aspect_read", "aspect_reference", "aspect_deg", "aspect_error_deg", "declination_deg")
    assert den(register)[list(names)].isna().all()
    assert mend(register, den_type="").stops


def test_a_visit(register) -> None:
    """Another female in the register's own spelling, another day; the future is refused."""
    made = mend(register, "d-1/2026-02-24", female="ob 002", observer="M. B.")
    assert made.done
    visit = register.visits().iloc[0]
    assert (visit["female"], visit["observer"]) == ("OB-002", "M. B.")
    assert mend(register, "D-1/2026-02-24", date="2999-01-01").stops
    assert mend(register, "D-1/2026-02-24", slope_deg="3").stops


def test_two_visits_of_a_day_are_told_apart_by_id(register, tmp_path) -> None:
    """And one that becomes the other is doubted."""
    row = FIRST.replace("KR", "MB")
    assert not hand_in(
        write(tmp_path / "b.csv", HEAD + row), register=register, settings=SETTINGS, out=tmp_path
    ).held_back
    with pytest.raises(RegisterError, match="by its id") as error:
        mend(register, "D-1/2026-02-24", observer="KR")
    second = str(error.value).rsplit(", ", 1)[1]
    assert "recorded already" in mend(register, second[:8], observer="KR").doubts[0].message


def test_animals_records_of_a_moved_visit_are_named(register, tmp_path) -> None:
    """They keep their own day."""
    cubs = hand_in_records(
        write(tmp_path / "cubs.csv", CUBS), KINDS["cub"], register=register, settings=SETTINGS, out=tmp_path
    )
    assert not cubs.held_back
    made = mend(register, "D-1/2026-02-24", date="2026-02-23")
    assert next(p.message for p in made.problems if p.level is Level.NOTE).endswith("cub 1")


def test_what_was_agreed_to_is_what_is_done(register) -> None:
    """A change in between is not written over."""
    shown = mend(register, slope_deg="22", dry_run=True)
    assert not shown.done
    assert mend(register, slope_deg="23").done
    with pytest.raises(RegisterError, match="meanwhile"):
        mend(register, slope_deg="22", shown=shown)


@pytest.mark.parametrize("text", ["OB-001", "D-9"])
def test_only_dens_and_visits(register, text) -> None:
    """An animal's records are corrected by rows of their own."""
    with pytest.raises(RegisterError):
        mend(register, text, slope_deg="22")


def test_what_another_program_spoilt_can_be_mended(register) -> None:
    """A type that no den has does not stand in the way of a correction, of it or of another value."""
    with register.writing(reason="as another program would") as connection:
        register.change(connection, "den", den(register)["den_id"], {"den_type": "cave"})
    assert mend(register, canopy_pct="40").done
    assert mend(register, den_type="Rock-Ledge").done
    assert den(register)["den_type"] == "rock ledge"


def test_withdrawing_hides_and_undo_shows(register) -> None:
    """A den takes its visits with it; a visit goes alone; twice is refused."""
    assert "visits 1" in withdraw(register, "D-1", reason="a badger's").said
    assert (len(register.dens()), len(register.visits())) == (1, 1)
    with pytest.raises(RegisterError, match="withdrawn already"):
        withdraw(register, "D-1", reason="again")
    with pytest.raises(RegisterError, match="is withdrawn"):
        mend(register, slope_deg="22")
    with pytest.raises(RegisterError, match="is withdrawn"):
        mend(register, "D-1/2026-02-24", observer="X")
    with pytest.raises(RegisterError, match="reason"):
        withdraw(register, "D-1", reason="", undo=True)
    withdraw(register, "D-1", reason="hairs", undo=True)
    withdraw(register, "D-1/2026-02-24", reason="never happened")
    assert (len(register.dens()), len(register.visits())) == (2, 1)
    withdraw(register, "D-1", reason="x")
    assert "still withdrawn" in withdraw(register, "D-1/2026-02-24", reason="did", undo=True).said
    with pytest.raises(RegisterError, match="not withdrawn"):
        withdraw(register, "D-2", reason="x", undo=True)


def test_rows_for_a_withdrawn_den_end_in_a_clear_problem(register, tmp_path) -> None:
    """A new visit to it is held back with the way out; the same row again is known; no integrity error."""
    withdraw(register, "D-1", reason="a badger's")
    path = write(tmp_path / "more.csv", HEAD + FIRST + FIRST.replace("02-24", "02-28"))
    made = hand_in(path, register=register, settings=SETTINGS, out=tmp_path / "out")
    assert (made.known, len(made.held_back), made.visits) == (1, 1, 0)
    assert "the label D-1 belongs to a withdrawn den" in made.held_back[0][1]
    withdraw(register, "D-1", reason="hairs", undo=True)
    again = hand_in(made.rejected, register=register, settings=SETTINGS, out=tmp_path / "out")
    assert again.visits == 1


def test_a_withdrawn_visits_row_is_known(register, tmp_path) -> None:
    """Handed in again it neither doubles nor fails; a new den may lie where a withdrawn one did."""
    withdraw(register, "D-1/2026-02-24", reason="x")
    withdraw(register, "D-2", reason="x")
    rows = FIRST + SECOND.replace("D-2", "D-7").replace("02-25", "02-26")
    made = hand_in(write(tmp_path / "again.csv", HEAD + rows), register=register, settings=SETTINGS, out=tmp_path)
    assert (made.known, made.dens, made.held_back) == (1, 1, [])


def test_a_row_under_a_label_that_was_corrected(register, tmp_path) -> None:
    """It says which label the den has now."""
    assert mend(register, label="D-1A").done
    path = write(tmp_path / "old.csv", HEAD + FIRST.replace("02-24", "02-28"))
    made = hand_in(path, register=register, settings=SETTINGS, out=tmp_path / "out")
    assert "the label D-1 was that of den D-1A" in made.held_back[0][1]
    assert known_of(register, SETTINGS).label_of("d-1a")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("D\x001", "U+0000, place 2"), ("\x1b[2J", "U+001B, place 1"), ("D-1\u202e9", "U+202E, place 4"),
        ("D\ud8001", "U+D800"), ("D-1\nD-2", "more than one line"), ("D\t1", "more than one line, or a tab"),
        ("D" * 101, "has 101 characters, 100 at most"),
    ],
)  # fmt: skip
def test_a_label_that_a_terminal_would_obey_is_refused(register, text, said) -> None:
    """Control and direction characters, lines and length; the message shows them and does not send them on."""
    (stop,) = mend(register, label=text).stops
    assert said in stop.message
    assert stop.message.isprintable()
    assert len(stop.message) < 250


def test_notes_may_have_lines_and_nothing_hidden(register) -> None:
    """So for other texts, and for the reason, which is kept for good."""
    assert mend(register, notes="one\ntwo\tthree").done
    assert "U+0007" in mend(register, notes="bell\a").stops[0].message
    with pytest.raises(RegisterError, match=r"U\+001B"):
        mend(register, notes="x", reason="\x1b[2J")
    with pytest.raises(RegisterError, match=r"U\+001B"):
        withdraw(register, "D-1", reason="\x1b[2J")


SEEN = HEAD.strip() + (
    ",aspect_sighted,offset_bearing,offset_reference,offset_bearing_error_deg,offset_distance_m,offset_by,"
    "offset_distance_error_m\n"
    "D-3,2026-02-26,OB-003,43.532340,-115.521230,WGS84,5,tree,320,true,20,KR,toward the mouth,"
    "90,magnetic,2,100,laser,1\n"
)


def test_a_sight_is_corrected_from_where_the_crew_stood(register, tmp_path) -> None:
    """A distance alone, then the crew's latitude: the den moves with it, as the bearing says."""
    path = write(tmp_path / "seen.csv", SEEN)
    assert not hand_in(path, register=register, settings=SETTINGS, out=tmp_path / "out").held_back
    stood, was = (-115.52123, 43.53234), den(register, "D-3").geometry
    assert distance_m(was.x, was.y, *stood) == pytest.approx(100, abs=0.01)
    assert mend(register, "D-3", offset_distance_m="150", confirm=True).done
    now = den(register, "D-3").geometry
    assert distance_m(now.x, now.y, *stood) == pytest.approx(150, abs=0.01)
    assert mend(register, "D-3", latitude="43.533340", longitude="-115.521230", datum="WGS84", confirm=True).done


def test_where_the_observer_looked_is_corrected(register, tmp_path) -> None:
    """The same reading the other way round."""
    hand_in(write(tmp_path / "seen.csv", SEEN), register=register, settings=SETTINGS, out=tmp_path / "out")
    assert den(register, "D-3")["aspect_deg"] == 140
    assert mend(register, "D-3", aspect_sighted="outward from the mouth").done
    assert (den(register, "D-3")["aspect_deg"], den(register, "D-3")["aspect_read"]) == (320, "320")
    assert mend(register, "D-3", aspect_sighted="toward the mouth").done
    assert den(register, "D-3")["aspect_deg"] == 140
