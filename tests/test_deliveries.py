"""Files handed in: whole or not at all, twice without harm, rejects that can be mended."""

import csv
import sqlite3
import subprocess
import sys

import pandas as pd
import pytest
from conftest import STUDY_TOML, write

from densite.deliveries import hand_in
from densite.errors import IntakeError, Level, RegisterError
from densite.register import create_register, geopackage
from densite.settings import parse

HEAD = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,observer,slope_deg,notes\n"
GOOD = "D-1,2026-02-24,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,20,\n"
OTHER = "D-2,2026-02-25,OB-002,43.522340,-115.521230,WGS84,5,brush,KR,62,\n"
BAD = "D-3,2026-02-30,OB-003,-115.521230,43.512340,WGS84,5,cave,KR,20,\n"
TWIN = "D-4,2026-02-24,OB-004,43.512345,-115.521230,WGS84,5,tree,MB,20,\n"


@pytest.fixture
def register(tmp_path):
    """An empty register."""
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        yield register


@pytest.fixture
def give(tmp_path, register):
    """Hand in a text as a file."""

    def hand(text, name="crew.csv", toml="", **options):
        path = write(tmp_path / name, text)
        return hand_in(path, register=register, settings=parse(STUDY_TOML + toml), out=tmp_path / "out", **options)

    return hand


def test_good_rows_go_in_and_bad_ones_come_back(give, register, tmp_path) -> None:
    """Two dens recorded; two rows held back with their reasons and source."""
    delivery = give(HEAD + GOOD + OTHER + BAD + TWIN)
    assert (delivery.rows, delivery.dens, delivery.visits, len(delivery.held_back)) == (4, 2, 2, 2)
    assert register.counts() == {"den": 2, "visit": 2}
    assert delivery.rejected == tmp_path / "out" / "rejected-crew.csv"
    with delivery.rejected.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["source_file"], r["source_line"], r["den_label"]) for r in rows] == [
        ("crew.csv", "4", "D-3"),
        ("crew.csv", "5", "D-4"),
    ]
    assert "swapped" in rows[0]["reason"]
    assert "cave" in rows[0]["reason"]
    assert "2026-02-30" in rows[0]["reason"]


def test_the_same_file_twice_changes_nothing(give, register, tmp_path) -> None:
    """Neither records nor rejects double."""
    give(HEAD + GOOD + OTHER + BAD)
    before = register.dens().to_csv(), register.visits().to_csv()
    again = give(HEAD + GOOD + OTHER + BAD)
    assert (again.dens, again.visits, again.known) == (0, 0, 2)
    assert (register.dens().to_csv(), register.visits().to_csv()) == before
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["rejected-crew.csv"]


def test_a_mended_reject_goes_in_and_keeps_its_source(give, register) -> None:
    """Mend the slips in the rejected file and hand that in."""
    rejected = give(HEAD + GOOD + BAD).rejected
    text = rejected.read_text(encoding="utf-8-sig")
    mended = text.replace("2026-02-30", "2026-02-28").replace(",cave,", ",rock ledge,")
    mended = mended.replace("-115.521230,43.512340", "43.612340,-115.521230")
    delivery = give(mended, name="out/rejected-crew.csv")
    assert (delivery.dens, delivery.held_back) == (1, [])
    den = register.dens().set_index("label").loc["D-3"]
    assert (den["source_file"], den["source_line"], den["den_type"]) == ("crew.csv", 3, "rock ledge")


def test_a_half_mended_file_is_not_written_over(give) -> None:
    """Handing in the first file again leaves somebody's work in the rejected one alone."""
    rejected = give(HEAD + BAD).rejected
    rejected.write_text(rejected.read_text(encoding="utf-8-sig") + "my note\n", encoding="utf-8")
    again = give(HEAD + BAD)
    assert again.rejected.name == "rejected-crew-2.csv"
    assert rejected.read_text(encoding="utf-8").endswith("my note\n")


def test_confirmed_doubts_go_in(give, register) -> None:
    """A twin within GPS error is held back until a person says yes."""
    assert give(HEAD + GOOD + TWIN).dens == 1
    head, twin = HEAD.replace("notes\n", "notes,confirmed\n"), TWIN.replace("\n", ",yes\n")
    delivery = give(head + GOOD.replace("\n", ",\n") + twin, name="b.csv")
    assert (delivery.dens, delivery.known) == (1, 1)
    assert register.visits()["confirmed"].sum() == 1


def test_a_repeated_row_counts_once(give, register) -> None:
    """The same row twice in one file is one visit, and a note."""
    delivery = give(HEAD + GOOD + GOOD)
    assert register.counts() == {"den": 1, "visit": 1}
    assert [p.message for p in delivery.problems if p.level is Level.NOTE] == ["repeats crew.csv line 2: counted once"]


def test_later_rows_fill_blanks_but_change_nothing(give, register) -> None:
    """A second visit adds what was not recorded; what was recorded stays; the visit says what it filled in."""
    give(HEAD + GOOD.replace(",20,", ",,"))
    give(HEAD + "D-1,2026-03-20,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,25,dry\n", name="b.csv")
    den = register.dens().iloc[0]
    assert (den["den_type"], den["slope_deg"], den["notes"]) == ("tree", 25.0, "dry")
    assert register.counts() == {"den": 1, "visit": 2}
    give(HEAD + "D-1,2026-03-25,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,40,wet\n", name="c.csv")
    assert register.dens().iloc[0]["slope_deg"] == 25.0
    assert register.visits()["filled"].fillna("").tolist() == ["", "slope_read,slope_deg,notes", ""]


def test_a_row_of_another_type_or_place_fills_nothing(give, register) -> None:
    """A brush den gets no tree diameter, a moved label no canopy, whatever was confirmed."""
    head = HEAD.replace("notes\n", "tree_diameter_cm,confirmed\n")
    give(HEAD + GOOD.replace(",tree,", ",brush,").replace(",20,", ",,"))
    give(head + "D-1,2026-03-20,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,25,80,yes\n", name="b.csv")
    give(head + "D-1,2026-03-21,OB-001,43.532340,-115.521230,WGS84,5,brush,KR,25,,yes\n", name="c.csv")
    den = register.dens().iloc[0]
    assert register.counts() == {"den": 1, "visit": 3}
    assert pd.isna(den["slope_deg"])
    assert pd.isna(den["tree_diameter_cm"])


def test_an_aspect_is_filled_in_whole_or_not_at_all(give, register) -> None:
    """A bearing read without its north is not joined with the north of another row."""
    head = HEAD.replace("notes\n", "aspect,aspect_reference\n")
    give(head + "D-1,2026-02-24,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,20,140,\n")
    give(head + "D-1,2026-03-20,OB-001,43.512340,-115.521230,WGS84,5,tree,KR,20,90,true\n", name="b.csv")
    den = register.dens().iloc[0]
    assert den["aspect_read"] == "140"
    assert pd.isna(den["aspect_reference"])
    assert pd.isna(den["aspect_deg"])


def test_an_unknown_type_is_filled_in_by_a_known_one(give, register) -> None:
    """Unknown is no knowledge to be kept against a later crew's."""
    give(HEAD + GOOD.replace(",tree,", ",unknown,"))
    give(HEAD + GOOD.replace("2026-02-24", "2026-03-24"), name="b.csv")
    assert register.dens().iloc[0]["den_type"] == "tree"


def test_labels_and_ids_must_not_contradict(give, register) -> None:
    """A label keeps its den whatever id it has; an id under another label is an error, not a crash."""
    own = "0b000000-0000-4000-8000-000000000001"
    head = "den_id," + HEAD
    give(head + f"{own},{GOOD}")
    again = give(HEAD + GOOD.replace("2026-02-24", "2026-03-24").replace("D-1", "d-1 "), name="b.csv")
    assert (again.dens, again.visits) == (0, 1)
    other = give(head + f"{own[:-1]}2,{GOOD.replace('2026-02-24', '2026-04-24')}", name="c.csv")
    renamed = give(head + f"{own},{GOOD.replace('D-1', 'D-77').replace('2026-02-24', '2026-05-24')}", name="d.csv")
    assert "is that of den" in other.held_back[0][1]
    assert "is recorded with the label" in renamed.held_back[0][1]
    assert register.counts() == {"den": 1, "visit": 2}


def test_one_female_spelled_in_two_ways(give, register) -> None:
    """OB 001 and ob-001 are OB-001; the row as the crew wrote it is kept."""
    give(HEAD + GOOD + OTHER.replace("OB-002", "ob 001"))
    assert register.visits()["female"].tolist() == ["OB-001", "OB-001"]
    assert "ob 001" in register.visits().iloc[1]["as_recorded"]


def test_formulas_do_not_run_in_a_rejected_file(give, tmp_path) -> None:
    """An apostrophe guards them, and is taken away when the file comes back."""
    evil = '"=HYPERLINK(1)"'
    rejected = give(HEAD + BAD.replace(",20,\n", f",20,{evil}\n")).rejected
    assert "'=HYPERLINK(1)" in rejected.read_text(encoding="utf-8-sig")
    text = rejected.read_text(encoding="utf-8-sig").replace("2026-02-30", "2026-02-28").replace(",cave,", ",brush,")
    text = text.replace("-115.521230,43.512340", "43.612340,-115.521230")
    delivery = give(text, name="out/rejected-crew.csv")
    assert delivery.dens == 1
    assert delivery.mended == tmp_path / "out" / "mended-crew.csv"


def test_the_crews_row_is_kept_word_for_word(give, register) -> None:
    """Also cells under headings that nobody knows."""
    give(HEAD.replace("notes", "Wetter") + GOOD.replace(",\n", ",Schnee <b>\n"))
    assert '"Wetter": "Schnee <b>"' in register.visits().iloc[0]["as_recorded"]


def test_blank_cells_do_not_disturb_a_second_file(give, register) -> None:
    """Dens without uncertainty, visits without observer or female."""
    bare = "D-8,2026-02-24,,43.712340,-115.521230,WGS84,,tree,,20,\n"
    give(HEAD + bare)
    delivery = give(HEAD + bare + bare.replace(",20,", ",30,"), name="b.csv")
    assert (delivery.known, len(delivery.held_back)) == (1, 1)
    assert register.counts() == {"den": 1, "visit": 1}


def test_dry_run_changes_nothing(give, register, tmp_path) -> None:
    """It says what would happen."""
    delivery = give(HEAD + GOOD + BAD, dry_run=True)
    assert (delivery.dens, len(delivery.held_back), delivery.rejected) == (1, 1, None)
    assert "would be recorded" in delivery.summary
    assert register.counts() == {"den": 0, "visit": 0}
    assert not (tmp_path / "out").exists()


def test_a_file_that_breaks_off_leaves_the_register_as_it_was(give, register) -> None:
    """Bytes that are no text after 5,000 good rows: nothing of the file is kept."""
    lines = "".join(
        f"D-{i},2026-02-24,OB-001,{43 + i * 1e-4:.6f},-115.521230,WGS84,5,tree,KR,20,\n" for i in range(5000)
    )
    with pytest.raises(IntakeError):
        give(HEAD + lines + '"never closed' + "x" * 2**24)
    assert register.counts() == {"den": 0, "visit": 0}


def test_headings_without_rows(give) -> None:
    """A file of one line."""
    with pytest.raises(IntakeError, match="no rows"):
        give(HEAD)


def test_register_in_use_is_told(give, register, monkeypatch) -> None:
    """Another program holds the lock: one message, nothing changed."""
    monkeypatch.setattr(geopackage, "WAIT_MS", 50)
    other = sqlite3.connect(register.backend.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    register.backend.engine.dispose()
    with pytest.raises(RegisterError, match="in use by another program"):
        give(HEAD + GOOD)
    other.execute("ROLLBACK")
    other.close()
    assert give(HEAD + GOOD).dens == 1


def test_rejects_are_written_before_anything_is_kept(give, register, tmp_path) -> None:
    """Where the folder cannot be written, no row of the file is recorded."""
    (tmp_path / "out").write_text("a file in the folder's place")
    with pytest.raises(OSError, match="out"):
        give(HEAD + GOOD + BAD)
    assert register.counts() == {"den": 0, "visit": 0}


def test_two_programs_at_once_do_not_double_a_den(tmp_path, register) -> None:
    """The register is looked at inside the lock: of the same places under two names one half is held back."""
    code = (
        "import sys; from pathlib import Path\n"
        "from densite.deliveries import hand_in; from densite.settings import parse\n"
        "from densite.register import open_register\n"
        f"settings = parse({STUDY_TOML!r}); folder = Path(sys.argv[1])\n"
        "with open_register(folder / 'register.gpkg') as register:\n"
        "    d = hand_in(folder / sys.argv[2], register=register, settings=settings, out=folder / sys.argv[2][:1])\n"
        "    print(d.dens)\n"
    )
    for name in "ab":
        rows = (f"{name}{i},2026-02-24,,{43 + i * 1e-3:.6f},-115.521230,WGS84,5,tree,KR,20,\n" for i in range(300))
        write(tmp_path / f"{name}.csv", HEAD + "".join(rows))
    register.close()
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path), f"{n}.csv"], stdout=subprocess.PIPE, text=True)
        for n in "ab"
    ]
    counts = [int(process.communicate()[0]) for process in running]
    assert sorted(counts) == [0, 300]


def test_hostile_text_is_only_text(give, register) -> None:
    """SQL in a label or note is kept as typed."""
    evil = "x'); DROP TABLE den;--"
    give(HEAD + GOOD.replace("D-1", f'"{evil}"').replace(",20,\n", f',20,"{evil}"\n'))
    assert register.dens().iloc[0]["label"] == evil


def test_blank_cells_of_a_rejected_file_stay_blank(give) -> None:
    """A row mended and handed in again has no value where the crew wrote none."""
    rejected = give(HEAD + BAD).rejected
    with rejected.open(encoding="utf-8-sig", newline="") as file:
        assert next(csv.DictReader(file))["notes"] == ""
