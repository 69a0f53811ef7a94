"""Stories from the journal: who, when, from what, what changed in words, and what other programs did."""

import json
import sqlite3
import time
from zoneinfo import ZoneInfo

import pytest
from conftest import STUDY_TOML, write

from densite.animalfiles import hand_in_records
from densite.animalterms import KINDS
from densite.deliveries import hand_in
from densite.errors import RegisterError
from densite.history import as_json, changed_since_derive, find, tell
from densite.places import moved
from densite.register import create_register, journal, schema
from densite.register.columns import encode_point, geopackage_blob
from densite.register.store import Provenance
from densite.settings import parse
from densite.withdrawals import withdraw

HEAD = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,observer,slope_deg,canopy_pct\n"
ROW = "D-1,2026-02-24,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,20,\n"
AGAIN = "D-1,2026-02-26,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,20,40\n"
CUBS = "cub_no,cub_id,female,den_label,date,sex,mass_g\n1,OB-101,OB-001,D-1,2026-02-24,male,2000\n"
ZONE = ZoneInfo("America/Boise")


@pytest.fixture
def register(tmp_path, monkeypatch):
    """A register with a den, two visits and a cub, recorded by K. R."""
    monkeypatch.setenv("DENSITE_WHO", "K. R.")
    settings = parse(STUDY_TOML)
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        options = {"register": register, "settings": settings, "out": tmp_path / "out"}
        hand_in(write(tmp_path / "crew.csv", HEAD + ROW), **options)
        hand_in(write(tmp_path / "later.csv", HEAD + AGAIN), **options)
        assert not hand_in_records(write(tmp_path / "cubs.csv", CUBS), KINDS["cub"], **options).held_back
        yield register


def elsewhere(register, statement, *values) -> None:
    """Change the register with another program."""
    with sqlite3.connect(register.backend.path) as other:
        other.execute(statement, values)
    other.close()


def told(register, text="D-1") -> list[str]:
    """The story's lines without their times."""
    lines = str(tell(register, text, zone=ZONE)).splitlines()
    return [line if line.startswith(" ") else line[17:] for line in lines[1:]]


def test_a_den_from_its_files(register) -> None:
    """Recorded, visited, filled in by a later file, its cub: in order, each with who, file and line."""
    assert told(register)[0] == "K. R., crew.csv line 2: den D-1 recorded"
    assert "Den type tree" in told(register)[1]
    assert "Ground slope 20 deg" in told(register)[1]
    heads = [line for line in told(register) if not line.startswith(" ")]
    assert heads[1:] == [
        "K. R., crew.csv line 2: visit of 2026-02-24 recorded",
        "K. R., later.csv: den D-1 changed",
        "K. R., later.csv line 2: visit of 2026-02-26 recorded",
        f"K. R., {heads[4].split(', ')[1]}",
    ]
    assert "  Canopy cover: blank to 40 %" in told(register)
    assert heads[4].endswith("of OB-001 recorded")


def test_times_are_the_studys_clock(register) -> None:
    """The journal's UTC with the zone's offset."""
    event = tell(register, "D-1", zone=ZONE).events[0]
    assert event.at.tzinfo == ZONE
    with register.reading() as connection:
        (at,) = connection.execute(schema.journal.select().with_only_columns(schema.journal.c.at).limit(1)).scalars()
    assert event.at.astimezone(ZoneInfo("UTC")).isoformat(timespec="milliseconds").replace("+00:00", "Z") == at


def test_a_point_moved_by_another_program(register) -> None:
    """Nobody's name; how far and in which direction, against the geodesic that made it."""
    place = moved(-115.52123, 43.51234, bearing_deg=225.0, distance_m=84.0)
    elsewhere(register, "UPDATE den SET geom = ?", geopackage_blob(encode_point(*place)))
    head, line = told(register)[-2:]
    assert head == "another program: den D-1 changed"
    assert line.startswith("  Place: moved 84 m to the SW (225 deg), 43.512340, -115.521230 to 43.51")
    event = tell(register, "D-1", zone=ZONE).events[-1]
    assert (event.moved_m, event.bearing_deg) == (pytest.approx(84, abs=1e-6), pytest.approx(225, abs=1e-6))


def test_what_no_point_can_be_is_told(register) -> None:
    """A geometry that another program spoilt leaves the rest of the story whole."""
    elsewhere(register, "DROP TRIGGER den_point_change")
    elsewhere(register, "UPDATE den SET geom = ?", b"spoilt")
    assert told(register)[-1].endswith("-115.521230 to blank")


def test_withdrawals_say_why(register) -> None:
    """And when they are taken back."""
    withdraw(register, "D-1", reason="a badger's den")
    withdraw(register, "d-1", reason="hairs found", undo=True)
    assert told(register)[-2:] == [
        "K. R., densite withdraw: den D-1 withdrawn, because: a badger's den",
        "K. R., densite withdraw: den D-1 taken back, because: hairs found",
    ]


def test_a_corrected_record_of_an_animal(register, tmp_path) -> None:
    """The correction names what changed, with units, and why; found from the first record's id too."""
    (cub,) = register.records("cub").index
    text = CUBS.replace("mass_g", "mass_g,corrects,correction_reason").replace("2000", f"2200,{cub},scale read wrong")
    options = {"register": register, "settings": parse(STUDY_TOML), "out": tmp_path / "out"}
    assert not hand_in_records(write(tmp_path / "fix.csv", text), KINDS["cub"], **options).held_back
    lines = told(register, cub[:8])
    assert len(lines) == 4
    assert lines[2].endswith("of OB-001 corrected, because: scale read wrong")
    assert lines[3].endswith("Mass: 2000 g to 2200 g")
    (new,) = register.records("cub").index
    assert told(register, new) == lines


@pytest.mark.parametrize(
    ("text", "kind", "tables"),
    [
        (" d-1 ", "den", {"den", "visit", "cub_record"}),
        ("D-1/2026-02-24", "visit", {"visit", "cub_record"}),
        ("ob 001", "animal", {"visit", "cub_record"}),
        ("OB-101", "animal", {"cub_record"}),
    ],
)
def test_what_people_call_it(register, text, kind, tables) -> None:
    """A den, a visit, an animal in any spelling."""
    with register.reading() as connection:
        found = find(connection, text)
    assert (found.kind, set(found.records)) == (kind, tables)


def test_ids_by_their_beginning(register) -> None:
    """Of dens and visits; seven characters are not enough."""
    den, visit = register.dens().index[0], register.visits().index[0]
    with register.reading() as connection:
        assert find(connection, den[:8]).name == "den D-1"
        assert find(connection, visit[:8].upper()).records["visit"] == [visit]
        with pytest.raises(RegisterError, match="nothing in the register is called"):
            find(connection, den[:7])


def test_a_den_by_an_earlier_label(register) -> None:
    """After its label was corrected."""
    with register.writing(reason="typed wrong") as connection:
        register.change(connection, "den", register.dens().index[0], {"label": "D-1A"})
    assert tell(register, "D-1", zone=ZONE).name == "den D-1A"
    assert told(register)[-1] == "  Den: D-1 to D-1A"


def test_labels_that_differ_by_case_only(register) -> None:
    """Each den is found by its own label; what may be either is asked back."""
    hand_in(
        write(register.backend.path.with_name("more.csv"), HEAD + ROW.replace("D-1", "D-2").replace("43.51", "43.61")),
        register=register, settings=parse(STUDY_TOML), out=register.backend.path.parent,
    )  # fmt: skip
    dens = {label: den_id for den_id, label in register.dens()["label"].items()}
    elsewhere(register, "UPDATE den SET label = 'Den a' WHERE label = 'D-1'")
    elsewhere(register, "UPDATE den SET label = 'den A' WHERE label = 'D-2'")
    with register.reading() as connection:
        assert find(connection, "Den a").records["den"] == [dens["D-1"]]
        assert find(connection, "den A").records["den"] == [dens["D-2"]]
        with pytest.raises(RegisterError, match=f"may be 2 dens: 'Den a' {dens['D-1']}, 'den A' {dens['D-2']}"):
            find(connection, "den a")


@pytest.mark.parametrize("text", ["D-9", "D-1/2026-02-30", "D-1/2027-02-24", "", "%", "' OR 1=1 --"])
def test_what_is_not_there(register, text) -> None:
    """One message, whatever was typed."""
    with pytest.raises(RegisterError):
        tell(register, text, zone=ZONE)


def test_json_holds_every_value(register) -> None:
    """Numbers as numbers, times with their offset."""
    story = json.loads(as_json(tell(register, "D-1", zone=ZONE)))
    change = story["events"][2]["changes"][0]
    assert change == {"column": "canopy_pct", "heading": "Canopy cover", "unit": "%", "before": None, "after": 40.0}
    assert story["events"][0]["at"][-6:] in ("-06:00", "-07:00")


def test_what_changed_since_derive(register) -> None:
    """Only of what values are derived from, only behind the derivation, and no more when changed back."""
    assert changed_since_derive(register) == {}
    den_id = register.dens().index[0]
    values = register.dens()[["slope_deg"]].rename(columns={"slope_deg": "elevation_m"})
    reasons = values.astype(object).map(lambda _: "")
    register.replace_derived(values, reasons, [Provenance("elevation_m", "elevation", "cell", "m")])
    assert changed_since_derive(register) == {}
    time.sleep(0.005)  # the journal's clock counts milliseconds
    elsewhere(register, "UPDATE den SET notes = 'x'")
    assert changed_since_derive(register) == {}
    elsewhere(register, "UPDATE den SET slope_deg = 30")
    assert changed_since_derive(register) == {den_id: "ground slope changed by another program since derive"}
    with register.writing(reason="x") as connection:
        register.change(connection, "den", den_id, {"uncertainty_m": 9.0})
    assert changed_since_derive(register)[den_id] == "horizontal uncertainty, ground slope corrected since derive"
    elsewhere(register, "UPDATE den SET slope_deg = 20, uncertainty_m = 5")
    assert changed_since_derive(register) == {}


def test_changes_between_reading_and_writing_count_as_since(register) -> None:
    """Which the values cannot know; those before the reading do not count, however little time there is between."""
    elsewhere(register, "UPDATE den SET slope_deg = 30")
    with register.reading() as connection:
        until = journal.last_entry(connection)
    dens = register.dens()[["slope_deg"]]
    elsewhere(register, "UPDATE den SET slope_deg = 31")
    register.replace_derived(dens, dens.astype(object).map(lambda _: ""), [Provenance("x", "y", "z")], read_until=until)
    assert list(changed_since_derive(register).values()) == ["ground slope changed by another program since derive"]
