"""Copies of a register that two crews carried apart: joined, nothing lost, nothing doubled, conflicts settled once."""

from __future__ import annotations

import datetime as dt
import itertools
import shutil
import sqlite3
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner
from compiled import compiled_once
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_copies import (
    NOW,
    STUDY,
    animal,
    change,
    choices,
    copied,
    den,
    entry_count,
    held,
    histories,
    id_of,
    in_gis,
    live,
    made,
    opened,
    visit,
)  # fmt: skip

import densite
from densite.cli.merge import merge as merge_command
from densite.errors import IntakeError, RegisterError
from densite.records import visit_uuid
from densite.register import create_register, geopackage, journal, merging, open_register, weighing
from densite.register.columns import encode_point, geopackage_blob
from densite.register.conflicts import Choice, read_choices, write_conflicts
from densite.register.merging import common_entries, merge
from densite.review.recorded import of_records

pytest_plugins = ("postgres",)

FIGURES = {"histories": 0, "with conflicts": 0, "records": 0, "lost": 0, "doubled": 0, "rounds": 0, "threes": 0}


@pytest.fixture(autouse=True)
def figures(figure):
    """Told in CI: nothing lost, nothing doubled."""
    before = sum(FIGURES.values())
    yield
    if sum(FIGURES.values()) > before:
        figure("merging: " + ", ".join(f"{name} {count}" for name, count in FIGURES.items()))
    assert (FIGURES["lost"], FIGURES["doubled"]) == (0, 0)


@pytest.fixture(scope="module", autouse=True)
def hurried():
    """Statements are compiled once, and nothing waits for the disk: crashes are other tests' matter."""
    with compiled_once(to_disk=False):
        yield


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """The register from which copies part."""
    return made(tmp_path_factory.mktemp("base") / "base.gpkg", "D-1", "D-2", "D-3")


@pytest.fixture
def copies(base, tmp_path):
    """Two open copies of one register with three dens, and their files."""
    base = Path(shutil.copy(base, tmp_path))
    registers = opened(copied(base, "mine"), copied(base, "north"))
    yield registers
    for register in registers:
        register.close()


def of(register):
    """The file of a register, with all of its write-ahead log in it."""
    register.close()
    return register.backend.path


def value(register, label, name):
    """One value of a den."""
    return held(register)["den", id_of(label)][name]


# --- each rule by hand ---


def test_changed_on_one_side_only_is_taken_field_by_field(copies) -> None:
    """Of one den the slope from here, the notes from there; the journal says by whom and why."""
    mine, north = copies
    change(mine, "D-1", slope_deg=25.0)
    change(north, "D-1", who="L. M.", notes="wet")
    merged = merge(mine, of(north), who="K. R.")
    assert (merged.changed["den"], merged.fields["den"], merged.conflicts) == (1, 1, [])
    assert (value(mine, "D-1", "slope_deg"), value(mine, "D-1", "notes")) == (25.0, "wet")
    with mine.reading() as connection:
        last = list(journal.entries(connection))[-1]
    assert (last.who, last.source) == ("K. R.", "merge north.gpkg")
    assert last.reason.startswith("from north.gpkg, there by L. M. at 20")
    assert ": seen again {notes=" in last.reason


def test_new_records_of_every_kind_are_taken(copies) -> None:
    """Dens before visits before records, counted by kind."""
    mine, north = copies
    with north.writing() as connection:
        fresh = den("D-9")
        north.add(connection, [fresh], [visit(fresh, "k9")])
        north.add_records(connection, "animal", [animal("9", den_id=str(fresh.den_id))])
    merged = merge(mine, of(north))
    assert merged.new == {"den": 1, "visit": 1, "animal_record": 1}
    assert merged.derive
    assert list(merged.lines()) == ["north.gpkg: recorded: dens 1, visits 1, animal records 1"]
    assert held(mine) == held(north)


def test_the_same_change_on_both_sides_is_nothing(copies) -> None:
    """And either may go on from it."""
    mine, north = copies
    for register in copies:
        change(register, "D-1", slope_deg=25.0)
    assert merge(mine, of(north)).nothing
    change(north, "D-1", slope_deg=26.0)
    assert merge(mine, of(north)).conflicts == []
    assert value(mine, "D-1", "slope_deg") == 26.0
    assert merge(north, of(mine)).nothing


def test_changed_differently_is_a_conflict_and_the_record_waits(copies) -> None:
    """Told with both values, by whom and when; the record's other fields wait, other records do not."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", who="L. M.", slope_deg=25.0, notes="wet")
    change(north, "D-2", notes="dry")
    merged = merge(mine, of(north))
    (told,) = merged.conflicts
    assert (told.table, told.record, told.label, told.field) == ("den", id_of("D-1"), "D-1", "slope_deg")
    assert (told.before, told.mine, told.theirs, told.mine_by, told.theirs_by) == (
        "20.0",
        "22.0",
        "25.0",
        "K. R.",
        "L. M.",
    )
    assert "den D-1: slope_deg: was 20.0; mine 22.0 (K. R., 20" in str(told)
    assert (value(mine, "D-1", "notes"), value(mine, "D-2", "notes")) == (None, "dry")
    assert [c.field for c in merge(north, of(mine)).conflicts] == ["slope_deg"]


@pytest.mark.parametrize(("keep", "text", "kept"), [("mine", "", 22.0), ("theirs", "", 25.0), ("value", "23.5", 23.5)])
def test_a_settled_conflict_is_told_once(copies, keep, text, kept) -> None:
    """Neither side hears of it again, nor does a third copy; either may go on from it."""
    mine, north = copies
    third = open_register(copied(of(north), "third"))
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0, notes="wet")
    told = merge(mine, of(north)).conflicts
    merged = merge(mine, of(north), choices=choices(told, keep, text))
    assert (merged.settled, merged.conflicts) == (1, [])
    assert (value(mine, "D-1", "slope_deg"), value(mine, "D-1", "notes")) == (kept, "wet")
    assert merge(mine, of(north)).nothing
    for register, other in ((north, mine), (third, north), (third, mine), (mine, third), (north, third)):
        assert merge(register, of(other)).conflicts == []
    assert held(mine) == held(north) == held(third)
    change(north, "D-1", slope_deg=31.0)
    for register, other in ((third, north), (mine, third), (north, mine)):
        assert merge(register, of(other)).conflicts == []
    assert value(mine, "D-1", "slope_deg") == 31.0
    third.close()


def test_both_settle_differently_is_a_conflict_again(copies) -> None:
    """Each gave way to the other before they met: nobody may win in silence."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0)
    before = [copied(of(register), f"{of(register).stem}-before") for register in copies]
    for register, other in ((mine, before[1]), (north, before[0])):
        merge(register, other, choices=choices(merge(register, other).conflicts, "theirs"))
    assert (value(mine, "D-1", "slope_deg"), value(north, "D-1", "slope_deg")) == (25.0, 22.0)
    told = merge(mine, of(north)).conflicts
    assert [(c.mine, c.theirs) for c in told] == [("25.0", "22.0")]
    assert merge(mine, of(north), choices=choices(told, "mine")).conflicts == []
    assert merge(north, of(mine)).conflicts == []
    assert held(mine) == held(north)


def test_both_settle_alike_and_go_on(copies) -> None:
    """Agreed on the telephone: equal, and either may change it afterwards."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0)
    before = [copied(of(register), f"{of(register).stem}-before") for register in copies]
    for register, other, keep in ((mine, before[1], "theirs"), (north, before[0], "mine")):
        merge(register, other, choices=choices(merge(register, other).conflicts, keep))
    change(mine, "D-1", slope_deg=31.0)
    assert merge(north, of(mine)).conflicts == []
    assert merge(mine, of(north)).conflicts == []
    assert held(mine) == held(north)


@pytest.mark.parametrize("kept", ["22", "20"])
def test_a_settled_value_does_not_yield_to_a_change_that_knew_nothing_of_it(copies, kept) -> None:
    """Kept here against 25, be it the value of old; there somebody wrote 27 meanwhile: asked again."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0)
    told = merge(mine, of(north)).conflicts
    merge(mine, of(north), choices=choices(told, "value", kept))
    change(north, "D-1", slope_deg=27.0)
    assert [c.theirs for c in merge(mine, of(north)).conflicts] == ["27.0"]


def test_a_choice_made_on_other_values_is_not_used(copies) -> None:
    """The other side has changed meanwhile: asked anew."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0)
    told = merge(mine, of(north)).conflicts
    change(north, "D-1", slope_deg=27.0)
    merged = merge(mine, of(north), choices=choices(told, "theirs"))
    assert (merged.settled, len(merged.conflicts)) == (0, 1)
    assert value(mine, "D-1", "slope_deg") == 22.0


def test_a_change_taken_back_after_an_exchange_is_no_conflict(copies) -> None:
    """North saw 25, then found 20 was right: the older value wins here too."""
    mine, north = copies
    change(north, "D-1", slope_deg=25.0)
    merge(mine, of(north))
    change(north, "D-1", slope_deg=20.0)
    assert merge(mine, of(north)).conflicts == []
    assert value(mine, "D-1", "slope_deg") == 20.0
    assert merge(north, of(mine)).nothing


def test_a_record_taken_whole_is_known_with_its_story(copies) -> None:
    """New and changed there before it came; changed back here: no conflict there."""
    mine, north = copies
    with north.writing() as connection:
        north.add(connection, [den("D-9", slope_deg=20.0)], [])
    change(north, "D-9", slope_deg=25.0)
    merge(mine, of(north))
    change(mine, "D-9", slope_deg=20.0)
    assert merge(north, of(mine)).conflicts == []
    assert value(north, "D-9", "slope_deg") == 20.0


def test_values_that_go_together_are_not_mixed(copies) -> None:
    """A point from here with the uncertainty from there would be wrong: both are asked for."""
    mine, north = copies
    change(mine, "D-1", geom=encode_point(-115.4, 43.4))
    change(north, "D-1", uncertainty_m=3.0)
    told = merge(mine, of(north)).conflicts
    assert {c.field: (c.mine, c.theirs) for c in told} == {
        "place": ("43.4 -115.4", "43.5 -115.5"), "uncertainty_m": ("", "3.0"),
    }  # fmt: skip
    keys = {c.field: c for c in told}
    one = {keys["place"].key: Choice("value", "43.45, -115.45", keys["place"].seen)}
    assert len(merge(mine, of(north), choices=one).conflicts) == 2
    both = one | {keys["uncertainty_m"].key: Choice("theirs", "", keys["uncertainty_m"].seen)}
    assert merge(mine, of(north), choices=both).settled == 1
    assert value(mine, "D-1", "geom") == encode_point(-115.45, 43.45)
    assert value(mine, "D-1", "uncertainty_m") == 3.0


def test_one_label_on_both_sides_is_one_den(copies) -> None:
    """Blanks are filled from either; what both recorded differently is asked for; the earlier source is kept."""
    mine, north = copies
    later = NOW + dt.timedelta(hours=1)
    for register, fresh in (
        (mine, den("D-9", slope_deg=20.0, notes="wet", source_file="a.csv", recorded_at=later)),
        (north, den("D-9", canopy_pct=40.0, notes="dry", source_file="b.csv")),
    ):
        with register.writing() as connection:
            register.add(connection, [fresh], [visit(fresh, fresh.source_file)])
    merged = merge(mine, of(north))
    assert [c.field for c in merged.conflicts] == ["notes"]
    assert merged.new == {"visit": 1}
    assert [str(p) for p in merged.doubts] == [
        "warning: den D-9: visit on 2026-02-24 is recorded already from  line 0 "
        "(one visit written down twice? Then withdraw one of the two)"
    ]
    merge(mine, of(north), choices=choices(merged.conflicts, "theirs"))
    row = held(mine)["den", id_of("D-9")]
    assert (row["slope_deg"], row["canopy_pct"], row["notes"], row["source_file"]) == (20.0, 40.0, "dry", "b.csv")
    assert merge(north, of(mine)).conflicts == []
    assert held(mine) == held(north)


def test_a_label_that_another_den_has_here_is_a_conflict(copies) -> None:
    """Renamed here, recorded anew there: their den and its visit wait for another label."""
    mine, north = copies
    change(mine, "D-1", label="D-9")
    with north.writing() as connection:
        north.add(connection, [den("D-9")], [visit(den("D-9"), "k9")])
    merged = merge(mine, of(north))
    assert [(c.record, c.field, c.theirs) for c in merged.conflicts] == [(id_of("D-9"), "label", "D-9")]
    assert merged.waiting == {"visit": 1}
    assert [c.field for c in merge(north, of(mine)).conflicts] == ["label"]
    assert len(merge(mine, of(north), choices=choices(merged.conflicts, "value", "D-2")).conflicts) == 1
    assert len(merge(mine, of(north), choices=choices(merged.conflicts, "value", " ")).conflicts) == 1
    merged = merge(mine, of(north), choices=choices(merged.conflicts, "value", "D-9b"))
    assert (merged.conflicts, merged.new) == ([], {"den": 1, "visit": 1})
    assert merge(north, of(mine)).conflicts == []
    assert held(mine) == held(north)
    assert (value(north, "D-1", "label"), value(north, "D-9", "label")) == ("D-9", "D-9b")


def test_one_label_given_to_two_dens_is_asked_again(copies) -> None:
    """Both renamed there to what dens here are called; the person names one new label twice."""
    mine, north = copies
    with mine.writing() as connection:
        mine.add(connection, [den("N-1"), den("N-2")], [])
    change(north, "D-1", label="N-1")
    change(north, "D-2", label="N-2")
    told = merge(mine, of(north)).conflicts
    assert [c.field for c in told] == ["label", "label"]
    assert len(merge(mine, of(north), choices=choices(told, "value", "Z")).conflicts) == 2
    assert merge(mine, of(north), choices=choices(told, "mine")).conflicts == []


def test_labels_exchanged_there_are_exchanged_here(copies) -> None:
    """In a ring of three, though no label may stand twice at any moment."""
    mine, north = copies
    for label, new in (("D-1", "x"), ("D-2", "D-1"), ("D-3", "D-2"), ("D-1", "D-3")):
        change(north, label, label=new)
    assert merge(mine, of(north)).conflicts == []
    assert [value(mine, f"D-{i}", "label") for i in (1, 2, 3)] == ["D-3", "D-1", "D-2"]
    assert merge(north, of(mine)).nothing


def test_withdrawn_here_and_changed_there_is_a_conflict(copies) -> None:
    """On either side; settled, it is not asked again."""
    mine, north = copies
    change(mine, "D-1", withdrawn="yes")
    change(north, "D-1", notes="used again")
    told = merge(mine, of(north)).conflicts
    assert [(c.field, c.mine, c.theirs, c.why) for c in told] == [
        ("withdrawn", "yes", "", "withdrawn on one side, notes changed on the other")
    ]
    assert len(merge(north, of(mine)).conflicts) == 1
    assert merge(mine, of(north), choices=choices(told, "theirs")).conflicts == []
    assert merge(north, of(mine)).conflicts == []
    assert held(mine) == held(north)
    assert (value(mine, "D-1", "withdrawn"), value(mine, "D-1", "notes")) == (None, "used again")


def test_withdrawn_in_knowledge_of_what_was_given_up_is_asked_once(copies) -> None:
    """The other side wrote what this side wrote and gave up: told, settled, not told again."""
    mine, north = copies
    change(mine, "D-1", notes="wet")
    change(mine, "D-1", notes="dry", withdrawn="yes")
    change(north, "D-1", notes="wet")
    told = merge(mine, of(north)).conflicts
    assert [c.field for c in told] == ["withdrawn"]
    assert merge(mine, of(north), choices=choices(told, "mine")).conflicts == []
    assert merge(mine, of(north)).nothing
    assert merge(north, of(mine)).conflicts == []
    assert held(mine) == held(north)


def test_a_visit_to_a_den_withdrawn_on_the_other_side_is_not_lost_from_sight(copies) -> None:
    """The visit is taken; whether the den stays withdrawn is asked until somebody says so."""
    mine, north = copies
    change(mine, "D-1", withdrawn="yes")
    with north.writing() as connection:
        north.add(connection, [], [visit(id_of("D-1"), "new")])
    for _ in range(2):
        told = merge(mine, of(north)).conflicts
        assert [c.why for c in told] == ["withdrawn on one side, 1 visit added to it on the other"]
        assert len(merge(north, of(mine)).conflicts) == 1
    assert merge(mine, of(north), choices=choices(told, "mine")).conflicts == []
    assert merge(north, of(mine)).conflicts == []
    assert value(north, "D-1", "withdrawn") == "yes"
    assert merge(mine, of(north)).nothing


def test_withdrawn_with_nothing_against_it_is_taken(copies) -> None:
    """A den and a visit."""
    mine, north = copies
    change(north, "D-1", withdrawn="yes")
    merged = merge(mine, of(north))
    assert (merged.conflicts, merged.changed) == ([], {"den": 1})
    assert len(mine.dens()) == 2


def corrected(register, sex, who="A"):
    """Correct the first animal."""
    told = str(animal("D-1")["record_id"])
    with register.writing(source="animals.csv", who=who) as connection:
        row = animal(f"corrected by {who}", sex=sex, corrects=told, correction_reason="seen well")
        register.add_records(connection, "animal", [row])
    return str(row["record_id"])


def test_two_corrections_of_one_record_are_both_kept_and_asked_for(copies) -> None:
    """The one that does not hold is withdrawn by a row of its own, the same on both sides."""
    mine, north = copies
    first, other = corrected(mine, "male", "A"), corrected(north, "unknown", "B")
    told = merge(mine, of(north)).conflicts
    assert [(c.table, c.field, c.mine, c.theirs, c.mine_by) for c in told] == [
        ("animal_record", "corrects", first, other, "A")
    ]
    assert {first, other} <= set(mine.records("animal").index)
    assert len(merge(north, of(mine)).conflicts) == 1
    assert merge(mine, of(north), choices=choices(told, "theirs")).conflicts == []
    assert other in mine.records("animal").index
    assert first not in mine.records("animal").index
    assert first in mine.records("animal", every=True).index
    merge(north, of(mine))
    assert merge(mine, of(north)).nothing
    assert held(mine) == held(north)


def test_two_corrections_each_withdrawn_are_told(copies) -> None:
    """Both crews gave way to the other: the record would be out of sight."""
    mine, north = copies
    corrected(mine, "male", "A")
    corrected(north, "unknown", "B")
    told = merge(mine, of(north)).conflicts
    merge(north, of(mine))
    before = copied(of(north), "before")
    merge(mine, before, choices=choices(told, "theirs"))
    theirs = merge(north, before.with_name("base.gpkg")).conflicts
    merge(north, before.with_name("base.gpkg"), choices=choices(theirs, "theirs"))
    merged = merge(mine, of(north))
    assert any("each withdrawn by one crew" in str(doubt) for doubt in merged.doubts)


def test_the_same_thing_recorded_twice_is_a_doubt(copies) -> None:
    """Other rows, other ids, one animal: both are kept and told."""
    mine, north = copies
    for register, key in ((mine, "a"), (north, "b")):
        with register.writing() as connection:
            register.add_records(connection, "animal", [animal(key, animal="OB-9" if key == "a" else "ob-9")])
    merged = merge(mine, of(north))
    assert merged.new == {"animal_record": 1}
    assert ["animal ob-9 is recorded already" in str(doubt) for doubt in merged.doubts] == [True]


def test_another_programs_edit_is_merged(copies) -> None:
    """Also one that densite has not sealed yet, in a write-ahead log; the other file stays byte for byte."""
    mine, north = copies
    path = of(north)
    in_gis(path, "UPDATE den SET geom = ? WHERE label = 'D-1'", geopackage_blob(encode_point(-115.4, 43.6)))
    writer = sqlite3.connect(path)
    writer.execute("PRAGMA journal_mode = WAL")
    writer.execute("UPDATE den SET notes = 'still open in a GIS' WHERE label = 'D-1'")
    writer.commit()
    before = path.read_bytes(), path.with_name("north.gpkg-wal").read_bytes()
    merged = merge(mine, path)
    assert (path.read_bytes(), path.with_name("north.gpkg-wal").read_bytes()) == before
    writer.close()
    assert merged.fields["den"] == 2
    assert value(mine, "D-1", "geom") == encode_point(-115.4, 43.6)
    assert value(mine, "D-1", "notes") == "still open in a GIS"


def test_registers_made_anew_from_the_same_files(tmp_path) -> None:
    """No common journal: equal records are one, whenever each was taken in; what differs is asked for."""
    with create_register(tmp_path / "a.gpkg", study_id=STUDY) as mine, create_register(
        tmp_path / "b.gpkg", study_id=STUDY
    ) as other:  # fmt: skip
        for register, later in ((mine, 1), (other, 0)):
            at = NOW + dt.timedelta(days=later)
            with register.writing() as connection:
                dens = [den(f"D-{i}", recorded_at=at) for i in range(5)]
                register.add(connection, dens, [visit(d, f"k{d.label}", recorded_at=at) for d in dens])
        change(other, "D-1", notes="wet")
        with mine.reading() as a, other.reading() as b:
            assert common_entries(a, b) == 0
        assert merge(mine, of(other)).conflicts == []
        assert merge(other, of(mine)).nothing
        assert held(mine) == held(other)
        assert value(mine, "D-1", "notes") == "wet"


def test_a_merge_that_makes_an_impossible_record_is_a_conflict(copies, monkeypatch) -> None:
    """Each side possible by itself, together not: the record stays as it is."""
    mine, north = copies

    def wet_and_steep(_: object, row: dict) -> str:
        return "wet dens are flat" if row.get("notes") == "wet" and row.get("slope_deg") == 40.0 else ""

    monkeypatch.setattr(weighing, "impossible", wet_and_steep)
    change(mine, "D-1", slope_deg=40.0)
    change(north, "D-1", notes="wet")
    told = merge(mine, of(north)).conflicts
    assert [(c.field, c.theirs, c.why) for c in told] == [("notes", "wet", "wet dens are flat")]
    assert value(mine, "D-1", "notes") is None


@pytest.mark.parametrize("text", ["steep", "-4", "99999"])
def test_a_value_that_no_den_can_have_is_refused(copies, text) -> None:
    """The conflict stays and says why."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0)
    told = merge(mine, of(north)).conflicts
    merged = merge(mine, of(north), choices=choices(told, "value", text))
    assert [c.why != "" for c in merged.conflicts] == [True]
    assert value(mine, "D-1", "slope_deg") == 22.0


def test_the_point_where_copies_parted(copies) -> None:
    """The last entry that both have."""
    mine, north = copies
    with mine.reading() as a, north.reading() as b:
        parted = journal.last_seal(a)[0]
        assert common_entries(a, b) == parted
    change(mine, "D-1", notes="x")
    for _ in range(3):
        change(north, "D-2", notes="y")
    with mine.reading() as a, north.reading() as b:
        assert common_entries(a, b) == common_entries(b, a) == parted


def test_dry_run_changes_nothing(copies) -> None:
    """It says what would happen."""
    mine, north = copies
    change(north, "D-1", notes="wet")
    before = entry_count(mine)
    merged = merge(mine, of(north), dry_run=True)
    assert list(merged.lines()) == ["north.gpkg: would be changed: dens 1 in 1 fields"]
    assert (entry_count(mine), value(mine, "D-1", "notes")) == (before, None)


# --- what is refused ---


def test_what_is_not_another_copy_is_refused(copies, tmp_path) -> None:
    """Missing, itself, another study, damaged: told by its own name, with the way out."""
    mine, north = copies
    stranger = made(tmp_path / "stranger.gpkg", "D-1", study_id="other")
    broken = tmp_path / "broken.gpkg"
    broken.write_bytes(of(north).read_bytes()[:20000])
    for path, said in (
        (tmp_path / "none.gpkg", "no register at"), (mine.backend.path, "this register itself"),
        (stranger, "belongs to the study with id other"), (broken, r"broken\.gpkg.*damaged"),
    ):  # fmt: skip
        with pytest.raises(RegisterError, match=said) as told:
            merge(mine, path)
        assert tempfile.gettempdir() + "/densite-" not in str(told.value)


def test_a_newer_one_and_a_lock_of_our_own_are_told_as_they_are(copies, monkeypatch) -> None:
    """No new copy would help; whose register is meant is plain."""
    mine, north = copies
    monkeypatch.setattr(geopackage, "WAIT_MS", 50)
    mine.close()
    other = sqlite3.connect(mine.backend.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RegisterError, match=r"mine\.gpkg is in use by another program") as told:
        merge(mine, of(north))
    assert "other crew" not in str(told.value)
    other.close()
    in_gis(of(north), "UPDATE study_info SET value = '99' WHERE key = 'schema_version'")
    with pytest.raises(RegisterError, match=r"north\.gpkg has version 99.*update densite\. Nothing was merged"):
        merge(mine, of(north))


@pytest.mark.parametrize("times", [1, 1000])
def test_a_file_that_is_written_while_it_is_copied(copies, monkeypatch, times) -> None:
    """Half of the one state and half of the next is never read: copied again, or told."""
    mine, north = copies
    path, copyfile, left = of(north), shutil.copyfile, [times]

    def disturbed(source, target):
        copyfile(source, target)
        if left[0] and source == path:
            left[0] -= 1
            in_gis(path, "UPDATE den SET notes = ? WHERE label = 'D-1'", f"{left[0]} more" * 100)

    monkeypatch.setattr(merging.shutil, "copyfile", disturbed)
    monkeypatch.setattr(merging, "_NAP_S", 0)
    if times == 1:
        assert merge(mine, path).fields["den"] == 1
        assert value(mine, "D-1", "notes") == "0 more" * 100
    else:
        with pytest.raises(RegisterError, match=r"being written by another program.*Nothing was merged"):
            merge(mine, path)


def test_an_index_that_is_damaged_is_refused(copies) -> None:
    """A record that cannot be found by its index would be passed over in silence."""
    mine, north = copies
    with north.writing() as connection:
        north.add(connection, [], [visit(id_of("D-1"), "new")])
    path, fresh = of(north), visit(id_of("D-1"), "new").visit_id
    with sqlite3.connect(path) as other:
        (root,) = other.execute("SELECT rootpage FROM sqlite_master WHERE name = 'journal_of_record'").fetchone()
        (size,) = other.execute("PRAGMA page_size").fetchone()
    other.close()
    content = bytearray(path.read_bytes())
    at = content.index(str(fresh).encode(), (root - 1) * size, root * size)
    content[at + 35] ^= 1  # in order as before, and of no record
    path.write_bytes(content)
    with pytest.raises(RegisterError, match="damaged"):
        merge(mine, path)


def test_a_copy_merged_with_its_ancestor(copies) -> None:
    """Nothing comes back from it; the ancestor takes all that was changed since."""
    mine, north = copies
    ancestor = of(north).with_name("base.gpkg")
    change(mine, "D-1", slope_deg=25.0)
    change(mine, "D-2", withdrawn="yes")
    assert merge(mine, ancestor).nothing
    with open_register(ancestor) as old:
        assert merge(old, of(mine)).conflicts == []
        assert held(old) == held(mine)


def test_a_broken_chain_is_refused(copies) -> None:
    """Tampering behind the journal's back does not spread."""
    mine, north = copies
    in_gis(of(north), "DROP TRIGGER journal_UPDATE")
    in_gis(of(north), "UPDATE journal SET who = 'x' WHERE seq = 2")
    with pytest.raises(RegisterError, match=r"chain is broken at entry 2.*Nothing was merged"):
        merge(mine, of(north))


def test_a_record_that_is_not_as_its_journal_tells_is_refused(copies) -> None:
    """Changed with the triggers off."""
    mine, north = copies
    change(north, "D-1", notes="wet")
    in_gis(of(north), "DROP TRIGGER den_change")
    in_gis(of(north), "UPDATE den SET slope_deg = 1 WHERE label = 'D-1'")
    with pytest.raises(RegisterError, match="not as its journal tells"):
        merge(mine, of(north))


# --- properties of random histories ---


def parted(base, *lived):
    """Copies of a register after each crew lived its history."""
    paths = [copied(base, name) for name, _ in zip("abc", lived, strict=False)]
    for path, history, own in zip(paths, lived, "ABC", strict=False):
        with open_register(path) as register:
            live(register, history, own)
    return paths


def into(path, name, *others):
    """A copy of a register into which others were merged; its records and the conflicts of each merge."""
    target = copied(path, name)
    with open_register(target) as register:
        told = [merge(register, other, who="R").conflicts for other in others]
        return target, held(register), told


def records_of(conflicts):
    """The records that wait."""
    return {conflict.key[:2] for conflict in conflicts}


def both_ways(base, lived, picks) -> None:
    """Merge two copies both ways, settle, exchange, and hold all promises."""
    a, b = parted(base, *lived)
    (one, here, (told,)), (other, there, (told_there,)) = into(a, "a1", b), into(b, "b1", a)
    waits = records_of(told)
    lost = (everything(a) | everything(b)) ^ here.keys()
    FIGURES["histories"] += 1
    FIGURES["with conflicts"] += bool(told)
    FIGURES["records"] += len(here)
    FIGURES["lost"] += len(lost)
    FIGURES["doubled"] += len(here) - len(
        {(name, row.get("row_key") or row["label"]) for (name, _), row in here.items()}
    )
    assert not lost
    assert waits == records_of(told_there)
    assert [k for k in here if k not in waits and here[k] != there[k]] == []  # symmetric
    with open_register(one) as register:
        count = entry_count(register)
        again = merge(register, b)
        assert again.nothing  # idempotent
        assert again.conflicts == told
        assert entry_count(register) == count
        picked = {c.key: Choice(pick, "", c.seen) for c, pick in zip(told, itertools.cycle(picks), strict=False)}
        assert merge(register, b, choices=picked).conflicts == []
        assert merge(register, b).nothing
        settled = held(register)
    with open_register(other) as register:
        assert merge(register, one).conflicts == []  # nothing is asked twice
        assert held(register) == settled
    with open_register(one) as register:
        assert merge(register, other).nothing


def everything(path):
    """The ids of all records of a register."""
    with open_register(path) as register:
        return held(register).keys()


def any_order(base, lived) -> None:
    """Merge three copies in every order: equal records where nothing is asked."""
    paths = parted(base, *lived)
    results = []
    for order in itertools.permutations(paths):
        results.append(into(order[0], "chain", *order[1:]))
        pair, _, told = into(order[1], "pair", order[2])
        _, records, more = into(order[0], "tree", pair)
        results.append((order[0], records, told + more))
    if not any(conflicts for _, _, told in results for conflicts in told):
        FIGURES["threes"] += 1
        assert all(records == results[0][1] for _, records, _ in results)


def many_rounds(base, rounds) -> None:
    """Crews that live on and exchange now and then: after a full exchange all are equal and nothing is asked."""
    a, b = parted(base, [], [])
    for lived, keep, swap in rounds:
        FIGURES["rounds"] += 1
        for path, history, own in zip((a, b), lived, "AB", strict=True):
            with open_register(path) as register:
                live(register, history, own)
        first, other = (b, a) if swap else (a, b)
        with open_register(first) as register:
            told = merge(register, other).conflicts
            assert merge(register, other, choices=choices(told, keep)).conflicts == []
            settled = held(register)
        with open_register(other) as register:
            assert merge(register, first).conflicts == []
            assert held(register) == settled


quick = settings(max_examples=6, derandomize=True, suppress_health_check=list(HealthCheck), deadline=None)
long = settings(max_examples=25, suppress_health_check=list(HealthCheck), deadline=None)
keeps = st.sampled_from(["mine", "theirs"])
pairs, threes = st.tuples(histories, histories), st.tuples(histories, histories, histories)
all_picks = st.lists(keeps, min_size=1, max_size=5)
all_rounds = st.lists(st.tuples(pairs, keeps, st.booleans()), min_size=2, max_size=4)


@quick
@given(lived=pairs, picks=all_picks)
def test_merging_is_symmetric_idempotent_and_settled_once(base, lived, picks) -> None:
    """Random histories on two copies."""
    both_ways(base, lived, picks)


@settings(quick, max_examples=3)
@given(rounds=all_rounds)
def test_many_exchanges(base, rounds) -> None:
    """What was settled stays settled while both crews work on."""
    many_rounds(base, rounds)


@settings(quick, max_examples=2)
@given(lived=threes)
def test_three_copies_in_any_order(base, lived) -> None:
    """Associative where nothing is asked."""
    any_order(base, [history[:3] for history in lived])


@pytest.mark.gate
@long
@given(lived=pairs, picks=all_picks)
def test_merging_at_length(base, lived, picks) -> None:
    """The same, many histories."""
    both_ways(base, lived, picks)


@pytest.mark.gate
@settings(long, max_examples=12)
@given(rounds=all_rounds)
def test_many_exchanges_at_length(base, rounds) -> None:
    """The same, many histories."""
    many_rounds(base, rounds)


@pytest.mark.gate
@settings(long, max_examples=6)
@given(lived=threes)
def test_three_copies_at_length(base, lived) -> None:
    """The same, many histories."""
    any_order(base, [history[:4] for history in lived])


# --- PostGIS as the target ---


def test_into_postgis_and_back(copies, postgis_url) -> None:
    """A crew's GeoPackage merged into the study's database: taken, asked, settled as in a file."""
    with create_register(postgis_url, study_id=STUDY) as register:
        _into_postgis(register, *copies)


def _into_postgis(register, mine, north) -> None:
    """The steps of the test above."""
    assert merge(register, of(mine)).new == {"den": 3, "visit": 3, "animal_record": 3}
    assert held(register) == held(mine)
    assert merge(register, of(mine)).nothing
    change(mine, "D-1", notes="wet")
    change(mine, "D-2", geom=encode_point(-115.1, 43.1))
    change(north, "D-1", notes="dry", who="L. M.")
    change(north, "D-3", slope_deg=0.1 + 0.2, withdrawn="yes")
    corrected(north, "male", "B")
    assert merge(register, of(mine)).conflicts == []
    told = merge(register, of(north)).conflicts
    assert [(c.field, c.mine, c.theirs) for c in told] == [("notes", "wet", "dry")]
    assert merge(register, of(north), choices=choices(told, "theirs")).conflicts == []
    assert merge(register, of(north)).nothing
    assert merge(register, of(mine)).nothing
    assert merge(mine, of(north), choices=choices(merge(mine, of(north)).conflicts, "theirs")).conflicts == []
    assert held(register) == held(mine)


# --- the file of conflicts and the command ---


@pytest.fixture
def study(tmp_path):
    """A study folder and another crew's copy of its register, changed on both sides."""
    folder = tmp_path / "basin"
    densite.new_study(folder, name="Basin study", crs="EPSG:32611")
    with densite.open_study(folder) as opened_study:
        study_id = opened_study.settings.study.id
    path = folder / "register.gpkg"
    path.unlink()
    made(path, "D-1", "D-2", study_id=study_id)
    other = tmp_path / "north.gpkg"
    other.write_bytes(path.read_bytes())
    for file, slope, notes in ((path, 22.0, None), (other, 25.0, "=wet")):
        with open_register(file) as register:
            change(register, "D-1", slope_deg=slope, notes=notes)
    return folder, other


def run(*words, code=0):
    """Type `densite merge`; return what it printed."""
    done = CliRunner().invoke(merge_command, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done


def test_the_command_lists_conflicts_and_takes_them_settled(study) -> None:
    """Exit code 1 while there are some; the file is filled in by a person and renamed when all is done."""
    folder, other = study
    assert not (folder / "out/conflicts-north.csv").exists()
    assert "conflicts: 1 in 1 records" in run(other, "--study", folder, "--dry-run", code=1).stdout
    assert not (folder / "out/conflicts-north.csv").exists()
    done = run(other, "--study", folder, code=1)
    assert "conflict: den D-1: slope_deg: was 20.0; mine 22.0" in done.stderr
    path = folder / "out/conflicts-north.csv"
    text = path.read_text(encoding="utf-8-sig")
    assert text.splitlines()[0].endswith(",seen,keep,value")
    path.write_text(text.replace(",,\n", ",theirs,\n").replace("\r", ""), encoding="utf-8")
    done = run(other, "--study", folder, "--settled", path)
    assert "settled: 1" in done.stdout
    assert "file renamed settled-north.csv" in done.stdout
    assert not path.exists()
    assert "nothing new" in run(other, "--study", folder).stdout
    with open_register(folder / "register.gpkg") as register:
        row = next(iter(register.dens().itertuples()))
        assert (row.slope_deg, row.notes) == (25.0, "=wet")


def chosen(path, *endings):
    """Write choices into a file of conflicts, a line each; return its lines."""
    head, *rows = path.read_text(encoding="utf-8-sig").replace("\r", "").splitlines()
    lines = [row.rsplit(",", 2)[0] + ending for row, ending in zip(rows, endings, strict=True)]
    path.write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    return [head, *lines]


def test_a_choice_that_comes_to_nothing_is_told(study) -> None:
    """An altered row: its line is named, the file stays, a good choice is taken once; mended, the file is done."""
    folder, other = study
    run(other, "--study", folder, code=1)
    path = folder / "out/conflicts-north.csv"
    head, row = chosen(path, ",theirs,")
    path.write_text("\n".join([head, row, row.replace(",slope_deg,", ",notes,"), ""]), encoding="utf-8")
    done = run(other, "--study", folder, "--settled", path, code=1)
    assert "settled: 1" in done.stdout
    again = run(other, "--study", folder, "--settled", path, code=1)
    for said in (done, again):
        assert "conflicts-north.csv line 3" in said.stderr
        assert "notes was not used: there is no such conflict" in said.stderr
        assert "line 2" not in said.stderr  # holds here, today or since the last time
    assert path.exists()
    path.write_text(f"{head}\n{row}\n", encoding="utf-8")
    assert "file renamed settled-north.csv" in run(other, "--study", folder, "--settled", path).stdout


def test_a_choice_that_waits_or_is_refused_is_told_and_kept(study) -> None:
    """One field chosen of two, one with a value that no den has: told by line; in the end both are taken."""
    folder, other = study
    for file, notes in ((folder / "register.gpkg", "dry"), (other, "wet")):
        with open_register(file) as register:
            change(register, "D-1", notes=notes)
    run(other, "--study", folder, code=1)
    path = folder / "out/conflicts-north.csv"
    chosen(path, ",theirs,", ",,")
    done = run(other, "--study", folder, "--settled", path, code=1)
    assert "line 2" in done.stderr
    assert "waits: the record stays as it is" in done.stderr
    (kept,) = read_choices(path).values()
    assert kept.keep == "theirs"
    chosen(path, ",mine,", ",,steep")
    done = run(other, "--study", folder, "--settled", path, code=1)
    assert "slope_deg was not used" in done.stderr
    assert "conflicts-north-2.csv" in done.stderr
    assert "steep" in path.read_text(encoding="utf-8")
    chosen(path, ",mine,", ",mine,")
    assert "renamed" in run(other, "--study", folder, "--settled", path).stdout


def test_a_choice_of_a_record_whose_label_is_taken_is_not_lost(copies) -> None:
    """Its other field is listed again, with the choice, until the label is settled too."""
    mine, north = copies
    with mine.writing() as connection:
        mine.add(connection, [den("N-1")], [])
    change(mine, "D-1", notes="dry")
    change(north, "D-1", notes="wet", label="N-1")
    told = merge(mine, of(north)).conflicts
    picked = {c.key: Choice("theirs", "", c.seen) for c in told if c.field == "notes"}
    merged = merge(mine, of(north), choices=picked)
    assert {c.field for c in merged.conflicts} == {"label", "notes"}
    assert merged.settled == 0
    labels = {c.key: Choice("value", "N-2", c.seen) for c in merged.conflicts if c.field == "label"}
    merged = merge(mine, of(north), choices=picked | labels)
    assert (merged.conflicts, merged.unheeded) == ([], [])
    assert (value(mine, "D-1", "notes"), value(mine, "D-1", "label")) == ("wet", "N-2")


def test_two_corrections_do_not_take_a_value(copies) -> None:
    """Told with what is expected; a choice that was carried out is not told again."""
    mine, north = copies
    corrected(mine, "male", "A")
    corrected(north, "unknown", "B")
    told = merge(mine, of(north)).conflicts
    (refused,) = merge(mine, of(north), choices=choices(told, "value", "male")).unheeded
    assert (refused.level, refused.hint) == ("warning", "write mine or theirs")
    picked = {c.key: Choice("theirs", "", c.seen, c.mine, c.theirs) for c in told}
    for _ in range(2):
        assert merge(mine, of(north), choices=picked).unheeded == []


def test_labels_that_differ_by_case_only_are_told(copies) -> None:
    """Both dens are kept; a person says whether they are one."""
    mine, north = copies
    for register, label in ((mine, "D-7"), (north, "d-7 ")):
        with register.writing() as connection:
            fresh = den(label).model_copy(update={"den_id": visit_uuid(STUDY, label)})
            register.add(connection, [fresh], [visit(fresh, label)])
    merged = merge(mine, of(north))
    assert merged.new["den"] == 1
    assert any("but for case or blanks" in str(doubt) for doubt in merged.doubts)
    listed = [f.problem for f in of_records(mine.dens(), mine.visits(), mine.derived(), mine.reasons(), area=None)]
    assert any(p.field == "label" and "but for case or blanks" in p.message for p in listed)


def test_a_label_changed_there_to_one_that_differs_by_case_only_is_told(copies) -> None:
    """Until one of them is withdrawn; labels that were apart by more are not told."""
    mine, north = copies
    with mine.writing() as connection:
        mine.add(connection, [den("N-1")], [])
    change(north, "D-1", label="n-1")
    change(north, "D-2", label="n 1")
    for _ in range(2):
        (doubt,) = merge(mine, of(north)).doubts
        assert {doubt.den, "n-1", "N-1"} == {"N-1", "n-1"}
        assert "but for case or blanks" in doubt.message
    change(mine, "N-1", withdrawn="yes")
    assert merge(mine, of(north)).doubts == []


def test_a_label_made_apart_in_another_case_is_asked_for(copies) -> None:
    """One den by its id, two ways to write it: a person says which."""
    mine, north = copies
    for register, label in ((mine, "D-7"), (north, "d-7")):
        with register.writing() as connection:
            register.add(connection, [den(label)], [])
    (told,) = merge(mine, of(north)).conflicts
    assert (told.field, told.mine, told.theirs) == ("label", "D-7", "d-7")


def test_a_file_somebody_has_begun_is_not_written_over(copies, tmp_path) -> None:
    """A choice that waits for others is written again; another merge makes a file of its own."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0, notes="-wet")
    change(north, "D-1", slope_deg=25.0, notes="dry")
    told = merge(mine, of(north)).conflicts
    out = tmp_path / "out"
    path = write_conflicts(told, out, "north")
    assert write_conflicts(told, out, "north") == path
    chosen = {told[0].key: Choice("mine", "", told[0].seen)}
    again = write_conflicts(told, out, "north", settled=path, choices=chosen)
    assert (again, read_choices(path)) == (path, chosen)
    assert write_conflicts(told, out, "north").name == "conflicts-north-2.csv"


def test_words_that_are_no_choice_are_told_with_their_line(copies, tmp_path) -> None:
    """All at once; a file of something else is refused."""
    mine, north = copies
    change(mine, "D-1", slope_deg=22.0)
    change(north, "D-1", slope_deg=25.0)
    path = write_conflicts(merge(mine, of(north)).conflicts, tmp_path, "north")
    text = path.read_text(encoding="utf-8-sig").replace("\r", "")
    path.write_text(text.replace(",,\n", ",ours,\n"), encoding="utf-8")
    with pytest.raises(IntakeError, match="line 2: keep 'ours'"):
        read_choices(path)
    for ending, said in (
        (",,a, b", "more cells than headings"),
        (",mine,\n" + "X,theirs,", "chosen otherwise in line 2"),
    ):
        row = text.splitlines()[1].removesuffix(",,")
        path.write_text(f"{text.splitlines()[0]}\n{row}{ending.replace('X', row)}\n", encoding="utf-8")
        with pytest.raises(IntakeError, match=rf"line \d: {said}"):
            read_choices(path)
    path.write_text("a;b\n1;2\n", encoding="utf-8")
    with pytest.raises(IntakeError, match="no column table"):
        read_choices(path)
