"""A file, folder or archive as a whole: each part a transaction, dens first, nothing lost, twice without harm."""

import gzip
from pathlib import Path

import pytest
from click.testing import CliRunner
from conftest import STUDY_TOML, write
from made_handins import (
    CUB,
    DEN,
    HEADS,
    archive,
    den_cells,
    entry,
    entry_id,
    field_file,
    jpeg,
    kml,
    layer,
    placemark,
    table,
    workbook,
)

from densite.cli import cli
from densite.errors import IntakeError
from densite.handovers import hand_in_all
from densite.intake.parts import parts_in
from densite.register import create_register
from densite.settings import parse
from densite.studyfolder import new_study

SETTINGS = parse(STUDY_TOML)
CUBS = [["den_label", "date", "cub_no", "sex", "mass_g"], ["D-1", "2026-02-24", 1, "female", 900]]
HANDLING = [["animal", "date", "den_label", "darted"], ["OB-001", "2026-02-24", "D-1", "08:14"]]


@pytest.fixture
def give(tmp_path):
    """Hand something in to an empty register."""
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        yield lambda path, **options: hand_in_all(
            path, register=register, settings=SETTINGS, out=tmp_path / "out", photographs=tmp_path / "photos", **options
        )  # fmt: skip


def counts(made):
    """By part: rows, recorded, known, held back, failed."""
    return {d.file: (d.rows, d.visits + d.records, d.known, len(d.held_back), bool(d.failed)) for d in made}


def test_a_workbook_dens_first(give, tmp_path) -> None:
    """Whatever the order of its sheets; held-back rows of each sheet in a file of their own; twice: known."""
    path = workbook(tmp_path / "a.xlsx", Cubs=CUBS, Handlings=HANDLING, Dens=[HEADS, den_cells(1), ["D-2"]])
    made = give(path)
    assert counts(made) == {
        "a.xlsx sheet Dens": (2, 1, 0, 1, False), "a.xlsx sheet Handlings": (1, 1, 0, 0, False),
        "a.xlsx sheet Cubs": (1, 1, 0, 0, False),
    }  # fmt: skip
    assert list(counts(made))[-1] == "a.xlsx sheet Cubs"
    assert made[0].rejected.name == "rejected-a.xlsx sheet Dens.csv"
    assert [d.known for d in give(path)] == [1, 1, 1]


def test_everything_in_one_archive(give, tmp_path) -> None:
    """Every format, each with a den of its own; the same dens from the same archive again are known."""
    made = tmp_path / "made"
    made.mkdir()
    shape = layer(made / "s.shp", [7], crs=32611)
    members = {
        "a/comma.csv": table([1]), "a/semicolon.csv": table([2], ";"), "a/tab.txt": table([3], "\t"),
        "bar.csv": "sep=|\n" + table([4], "|"), "b.kml": kml(placemark(5, description="den_type: tree")),
        "c.kmz": archive(made / "c.kmz", {"doc.kml": kml(placemark(6, description="den_type: tree"))}),
        **{f"shape/s{end}": shape.with_suffix(end) for end in (".shp", ".shx", ".dbf", ".prj", ".cpg")},
        "l.gpkg": layer(made / "l.gpkg", [8]), "w.xlsx": workbook(made / "w.xlsx", Dens=[HEADS, den_cells(10)]),
        "f.geojson": field_file(made / "f.geojson", [entry(1, "den", DEN), entry(2, "cub", CUB, visit=entry_id(1))]),
        "g.gpx": '<gpx><wpt lat="43.12" lon="-115.52"><name>D-12</name><time>2026-02-24</time><desc>type: tree</desc>'
                 "</wpt></gpx>",
        "letter.docx": "x", "old.xls": "x", "broken.json": "{", "photo.jpg": jpeg(),
    }  # fmt: skip
    path = archive(tmp_path / "trip.zip", members)
    told = give(path)
    taken = {name.removeprefix("trip.zip/"): count for name, count in counts(told).items() if count[0]}
    assert taken == {
        "a/comma.csv": (1, 1, 0, 0, False), "a/semicolon.csv": (1, 1, 0, 0, False), "a/tab.txt": (1, 1, 0, 0, False),
        "bar.csv": (1, 1, 0, 0, False), "b.kml": (1, 1, 0, 0, False), "c.kmz/doc.kml": (1, 1, 0, 0, False),
        "shape/s.shp": (1, 1, 0, 0, False), "l.gpkg": (1, 1, 0, 0, False), "w.xlsx": (1, 1, 0, 0, False),
        "f.geojson": (1, 1, 0, 0, False), "g.gpx": (1, 1, 0, 0, False), "f.geojson (cubs)": (1, 1, 0, 0, False),
    }  # fmt: skip
    rest = {d.file.removeprefix("trip.zip/"): d.failed or str(d.problems[0]) for d in told if not d.rows}
    assert rest.keys() == {"letter.docx", "old.xls", "broken.json", "photo.jpg"}
    assert "save it as .xlsx" in rest["old.xls"]
    assert rest["broken.json"].startswith("trip.zip/broken.json is not valid JSON")
    again = [count for count in counts(give(path)).values() if count[0]]
    assert all(rows == known for rows, _, known, _, _ in again)
    assert not list(Path(tmp_path).glob("densite-*"))


def test_a_folder_is_told_part_by_part(give, tmp_path) -> None:
    """A file that cannot be read stops nothing beside it; alone it is an error as before."""
    folder = tmp_path / "trip"
    folder.mkdir()
    write(folder / "a.csv", table([1]))
    write(folder / "b.csv", "colour\nred\n")
    write(folder / "c.csv", table([2]).replace("tree", "cave"))
    made = counts(give(folder))
    assert made == {
        "trip/a.csv": (1, 1, 0, 0, False), "trip/b.csv": (0, 0, 0, 0, True), "trip/c.csv": (1, 0, 0, 1, False),
    }  # fmt: skip
    assert (tmp_path / "out" / "rejected-trip-c.csv").is_file()
    with pytest.raises(IntakeError, match="no known column heading"):
        give(folder / "b.csv")
    (tmp_path / "empty").mkdir()
    with pytest.raises(IntakeError, match="no file that can be taken in"):
        give(tmp_path / "empty")


@pytest.mark.parametrize(
    ("name", "said"),
    [("a.toml", "kind not known; allowed"), ("a.xls", "save it as .xlsx"), ("none.csv", "no such file"),
     ("a.csv.gz", "pack it as .zip"), ("a.jpg", "a.jpg")],
)  # fmt: skip
def test_what_is_not_taken_in(give, tmp_path, name, said) -> None:
    """One message, with what is allowed or how to make it so."""
    if name != "none.csv":
        (tmp_path / name).write_bytes(gzip.compress(b"x") if name.endswith("gz") else jpeg())
    with pytest.raises(IntakeError, match=said):
        give(tmp_path / name)


def test_scratch_files_are_gone(tmp_path, monkeypatch) -> None:
    """Unpacked files hold exact places: they go when all parts are through, or when nobody asks for more."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "scratch"))
    (tmp_path / "scratch").mkdir()
    path = archive(tmp_path / "a.zip", {"a.csv": table([1]), "b.csv": table([2])})
    parts = parts_in(path, SETTINGS)
    next(parts)
    assert len(list((tmp_path / "scratch").iterdir())) == 1
    parts.close()
    assert not list((tmp_path / "scratch").iterdir())


def test_told_kinds_go_with_tables_only(give, tmp_path) -> None:
    """--records cub for points is refused in words."""
    with pytest.raises(IntakeError, match="KML files hold den visits, not cubs"):
        give(write(tmp_path / "a.kml", kml(placemark(1))), records="cub")
    with pytest.raises(IntakeError, match="allowed: den, animal"):
        give(write(tmp_path / "a.csv", table([1])), records="tree")


def test_the_command_takes_folders_and_tells_each_part(tmp_path) -> None:
    """A line a part; exit code 2 where one could not be read, 1 where only rows were held back."""
    study, folder = new_study(tmp_path / "basin", name="Basin", crs="EPSG:32611"), tmp_path / "trip"
    folder.mkdir()
    workbook(folder / "a.xlsx", Dens=[HEADS, den_cells(1)], Cubs=[*CUBS, ["D-1", "2026-02-24", 9, "cat", 1]])
    done = CliRunner().invoke(cli, ["intake", str(folder), "--study", str(study)])
    assert done.exit_code == 1
    assert "trip/a.xlsx sheet Dens: rows 1; recorded: new dens 1, visits 1; known already 0; held back 0" in done.output
    assert "trip/a.xlsx sheet Cubs: rows 2; recorded: cubs 1; known already 0; held back 1 in" in done.output
    write(folder / "b.json", "{")
    done = CliRunner().invoke(cli, ["intake", str(folder), "--study", str(study)])
    assert done.exit_code == 2
    assert "trip/b.json is not valid JSON" in done.output
    done = CliRunner().invoke(cli, ["intake", str(study), "--study", str(study)])
    assert (done.exit_code, "is a study folder" in done.output) == (2, True)
