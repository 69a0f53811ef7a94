"""Files of the animals' side handed in: good rows, held-back rows, corrections, nothing lost or doubled."""

import csv
import datetime as dt

import hypothesis
import pytest
from conftest import STUDY_TOML, write
from hypothesis import strategies as st

from densite.animalfiles import hand_in_records
from densite.animals import settles
from densite.animalterms import KINDS
from densite.deliveries import hand_in
from densite.errors import IntakeError, Level
from densite.intake.kinds import kind_in
from densite.register import create_register
from densite.settings import parse

DENS = """den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type
D-1,2026-03-07,OB-001,43.512340,-115.521230,WGS84,5,tree
"""
HANDLING = """animal,date,den,darted,down,head up,mass,permit
OB-001,2026-03-07,D-1,22:40,22:52,00:31,82 kg,P-1
"""
CUBS = "den,date,mother,cub,sex,mass,hair,teeth,notes\n"


@pytest.fixture
def settings():
    """A study in Boise's zone."""
    return parse(STUDY_TOML.replace("[study]", '[study]\ntime_zone = "America/Boise"', 1))


@pytest.fixture
def register(tmp_path):
    """An empty register."""
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        yield register


@pytest.fixture
def give(tmp_path, register, settings):
    """Hand in a text as a file of whatever kind its headings tell."""

    def hand(text, name="file.csv", **options):
        path = write(tmp_path / name, text)
        kind = kind_in(path, settings.intake)
        given = {"register": register, "settings": settings, "out": tmp_path / "out"} | options
        return hand_in(path, **given) if kind is None else hand_in_records(path, kind, **given)

    hand(DENS, "dens.csv")
    return hand


def said(delivery, level) -> str:
    """Join what was said at a level."""
    return "\n".join(str(p) for p in delivery.problems if p.level == level)


def test_a_handling_over_midnight_keeps_utc_and_local(give, register) -> None:
    """The head came up the next day; both clocks are kept."""
    assert give(HANDLING).records == 1
    row = register.records("handling").iloc[0]
    assert (row.darted_local, row.head_up_local) == ("2026-03-07T22:40-07:00", "2026-03-08T00:31-07:00")
    assert row.head_up_at - row.darted_at == dt.timedelta(hours=1, minutes=51)
    assert row.visit_id == register.visits().index[0]
    assert row.mass_kg == 82


def test_readings_after_midnight_follow_their_handling(give, register) -> None:
    """00:05 alone in its file is placed by the handling that is recorded."""
    give(HANDLING)
    give("animal,date,time,hr\nOB-001,2026-03-07,00:05,40\n", "vitals.csv")
    assert register.records("reading")["read_local"].tolist() == ["2026-03-08T00:05-07:00"]


def test_the_same_file_twice_changes_nothing(give, register) -> None:
    """Known by its rows."""
    give(HANDLING)
    again = give(HANDLING)
    assert (again.records, again.known, len(register.records("handling", every=True))) == (0, 1, 1)


def test_all_problems_of_a_file_at_once_and_good_rows_in(give, tmp_path) -> None:
    """Two rows come back with every reason; the good one is recorded."""
    delivery = give(
        f"{CUBS}D-1,2026-03-07,OB-001,1,F,1800,12,uc,\nD-9,2026-03-07,OB-001,2,,1800,12,xx,\n"
        "D-1,2026-13-07,OB-001,3,M,1800,12,,=1+1\n"
    )
    assert (delivery.records, len(delivery.held_back)) == (1, 2)
    errors = said(delivery, Level.ERROR)
    for words in ("no den of that label", "did you mean D-1", "sex is empty", "'xx' is no tooth", "2026-13-07"):
        assert words in errors
    with (tmp_path / "out" / "rejected-file.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["source_line"] for row in rows] == ["3", "4"]
    assert rows[0]["sex"] == ""  # a blank stays a blank
    assert rows[1]["notes"] == "'=1+1"


def test_a_mended_file_goes_in(give, register, tmp_path) -> None:
    """The rejected file handed in again, mended, is put aside; its source is the first file."""
    give(f"{CUBS}D-1,2026-03-07,OB-001,1,,1800,12,,\n")
    rejected = tmp_path / "out" / "rejected-file.csv"
    delivery = give(rejected.read_text(encoding="utf-8-sig").replace(",1,,1800", ",1,M,1800"), "out/rejected-file.csv")
    assert (delivery.records, delivery.mended.name) == (1, "mended-file.csv")
    assert register.records("cub")["source_file"].tolist() == ["file.csv"]


def test_a_second_row_of_the_same_record_is_asked_about(give, register) -> None:
    """Held back, with how to correct; confirmed, both are kept."""
    give(HANDLING)
    delivery = give(HANDLING.replace("82 kg", "28 kg"), "other.csv")
    assert delivery.records == 0
    first = register.records("handling").index[0]
    assert f"write {first[:8]} under corrects" in said(delivery, Level.CONFIRM)


def test_a_correction_takes_the_place_and_keeps_the_old(give, register) -> None:
    """Append-only: the first row stays in the register, the second is the current one."""
    give(HANDLING)
    first = register.records("handling").index[0]
    lines = HANDLING.replace("82 kg", "28 kg").splitlines()
    text = f"{lines[0]},corrects,correction reason\n{lines[1]},{first[:8]},digits swapped on paper\n"
    assert give(text, "correction.csv").records == 1
    current = register.records("handling")
    assert current["mass_kg"].tolist() == [28]
    assert current["corrects"].tolist() == [first]
    assert current["settled"].isna().all()
    assert register.records("handling", every=True)["mass_kg"].tolist() == [82, 28]
    assert give(text, "correction.csv").known == 1
    other = give(text.replace(",28 kg,", ",29 kg,"), "other.csv")
    assert "was corrected already by" in said(other, Level.ERROR)


def test_a_withdrawal_leaves_no_current_record(give, register) -> None:
    """And the same record may then be entered anew without a question."""
    give(HANDLING)
    first = register.records("handling").index[0]
    head = "animal,date,darted,corrects,correction_reason,withdrawn\n"
    give(f"{head}OB-001,2026-03-07,22:40,{first},another bear,yes\n", "withdrawn.csv")
    assert register.records("handling").empty
    assert len(register.records("handling", every=True)) == 2
    assert give(HANDLING.replace("82", "83"), "anew.csv").records == 1


@pytest.mark.parametrize(
    ("corrects", "reason", "words"),
    [
        ("12345678", "x", "no such record of this kind"),
        ("nonsense", "x", "no such record of this kind"),
        ("FIRST", "", "correction_reason is empty"),
    ],
)
def test_a_correction_must_name_its_record_and_reason(give, register, corrects, reason, words) -> None:
    """An error otherwise."""
    give(HANDLING)
    corrects = corrects.replace("FIRST", register.records("handling").index[0])
    lines = HANDLING.replace("82", "28").splitlines()
    delivery = give(f"{lines[0]},corrects,correction_reason\n{lines[1]},{corrects},{reason}\n", "correction.csv")
    assert words in said(delivery, Level.ERROR)
    assert len(register.records("handling", every=True)) == 1


def test_head_up_before_down_is_held_back_until_confirmed(give) -> None:
    """A slip of the pen, or the truth: a person says."""
    text = HANDLING.replace("22:52,00:31", "22:52,22:45")
    delivery = give(text)
    assert "Head up 22:45 is before Down 22:52" in said(delivery, Level.CONFIRM)
    assert delivery.records == 0
    lines = text.splitlines()
    assert give(f"{lines[0]},confirmed\n{lines[1]},yes\n", "sure.csv").records == 1


def test_a_cub_as_heavy_as_its_mother_is_held_back(give) -> None:
    """85 kg typed into grams."""
    give(HANDLING)
    delivery = give(f"{CUBS}D-1,2026-03-07,OB-001,1,F,85000,12,,\n")
    assert "as heavy as its mother (82 kg)" in said(delivery, Level.CONFIRM)


def test_a_confirmed_correction_settles_all_doubts_of_its_record(give, register) -> None:
    """Also those that only show beside other records, which `densite check` lists."""
    give(HANDLING)
    lines = HANDLING.splitlines()
    told = f"{register.records('handling').index[0]},looked at the paper again,yes"
    give(f"{lines[0]},corrects,correction_reason,confirmed\n{lines[1]},{told}\n", "sure.csv")
    assert all(settles(register.records("handling")["settled"].iloc[0], field) for field in ("darted", "permit"))


def test_a_correction_that_leaves_values_blank_is_asked_about(give, register) -> None:
    """The whole row takes the record's place: what it does not repeat would be gone from view."""
    give(HANDLING)
    head = "animal,date,darted,mass,corrects,correction_reason"
    row = f"OB-001,2026-03-07,22:40,83,{register.records('handling').index[0]},weighed again"
    delivery = give(f"{head}\n{row}\n", "thin.csv")
    assert "leaves den_label, permit, down, head_up blank" in said(delivery, Level.CONFIRM)
    assert give(f"{head},confirmed\n{row},yes\n", "sure.csv").records == 1


@pytest.mark.parametrize(
    "row", ["ob 001,2026-03-07,d-1,2240,22:52:00,00:31,82,P-1", "OB-001,2026-03-07,D-1,22:40-07:00,22:52,0031,82.0,P-1"]
)
def test_the_same_record_written_otherwise_is_known(give, register, row) -> None:
    """Times, ids and numbers in other spellings say the same: neither asked about nor doubled."""
    give(HANDLING)
    again = give(f"{HANDLING.splitlines()[0]}\n{row}\n", "again.csv")
    assert (again.known, again.records, again.held_back) == (1, 0, [])
    assert len(register.records("handling", every=True)) == 1


def test_one_wrong_time_shifts_no_other(give, register) -> None:
    """With the handling on record, a reading of 20:30 among morning ones moves none of them to the next day."""
    give(HANDLING.replace("22:40,22:52,00:31", "08:20,08:30,09:40"))
    give("animal,date,time,hr\nOB-001,2026-03-07,20:30,40\nOB-001,2026-03-07,08:25,41\n", "vitals.csv")
    assert register.records("reading")["read_local"].str[:16].tolist() == ["2026-03-07T20:30", "2026-03-07T08:25"]


def test_midnight_without_a_handling_is_asked_about(give) -> None:
    """A warning, since the earlier time may be the wrong one."""
    delivery = give("animal,date,time,hr\nOB-001,2026-03-07,20:30,40\nOB-001,2026-03-07,08:25,41\n", "vitals.csv")
    assert "after midnight" in said(delivery, Level.WARNING)


def test_a_heading_that_looks_like_a_known_one_is_asked_about(give) -> None:
    """temp F is no column; it is not passed over in a note."""
    delivery = give("animal,date,time,hr,temp F\nOB-001,2026-03-07,22:00,40,98\n", "vitals.csv")
    assert "column 'temp F' is not used: is it temperature_c?" in said(delivery, Level.WARNING)


def test_control_and_direction_characters_are_left_out(give, register) -> None:
    """What a terminal or page would obey; the crew's own row keeps them."""
    give(f"{CUBS}D-1,2026-03-07,OB-001,1,F,1800,12,,a\x1b[31m\u202eb\n")
    row = register.records("cub").iloc[0]
    assert row["notes"] == "a[31mb"
    assert "\\u202e" in ascii(row["as_recorded"])


@pytest.mark.parametrize(
    ("value", "words"),
    [("98.6", "98.6 F is 37 C: then write '98.6 F'"), ("20", "range from memory")],
)
def test_slips_of_units_are_named(give, value, words) -> None:
    """Fahrenheit in the Celsius column is offered as such; anything else only as unusual."""
    delivery = give(f"animal,date,time,temp\nOB-001,2026-03-07,23:00,{value}\n", "vitals.csv")
    assert delivery.records == 1
    assert words in said(delivery, Level.WARNING)


def test_animals_are_spelled_as_before(give, register) -> None:
    """ob 001 is OB-001, and said."""
    delivery = give(HANDLING.replace("OB-001", "ob 001"))
    assert register.records("handling")["animal"].tolist() == ["OB-001"]
    assert "ob 001 taken for OB-001" in said(delivery, Level.NOTE)


def test_a_dry_run_keeps_nothing(give, register, tmp_path) -> None:
    """Neither records nor rejects."""
    delivery = give(HANDLING + HANDLING.splitlines()[1].replace("D-1", "D-9") + "\n", dry_run=True)
    assert "would be recorded: handlings 1" in delivery.summary
    assert register.records("handling").empty
    assert not (tmp_path / "out").exists()


def test_an_empty_file_is_told(give) -> None:
    """Headings without rows."""
    with pytest.raises(IntakeError, match="holds headings but no rows"):
        give(CUBS)


WILD = st.text(st.characters(codec="utf-8", exclude_characters="\r\n\0"), max_size=14)
CELLS = st.one_of(WILD, st.sampled_from(["", "D-1", "OB-001", "2026-03-07", "08:14", "1", "yes", "F", "uc", "1e999"]))


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
@hypothesis.settings(max_examples=15, deadline=None, suppress_health_check=list(hypothesis.HealthCheck))
@hypothesis.given(data=st.data())
def test_wild_cells_end_in_records_or_problems(give, tmp_path, kind, data) -> None:
    """Any text in any column: recorded or held back, never an error of the program, never lost."""
    names = [term.name for term in kind.terms]
    rows = data.draw(st.lists(st.lists(CELLS, min_size=len(names), max_size=len(names)), min_size=1, max_size=3))
    path = tmp_path / "wild.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([names, *rows])
    filled = [row for row in rows if any(cell.strip() for cell in row)]
    try:
        delivery = give(path.read_text(encoding="utf-8"), "wild.csv")
    except IntakeError as error:
        assert not filled or "cannot" in str(error) or "no readable table" in str(error)
        return
    assert delivery.records + delivery.known + len(delivery.held_back) == delivery.rows
