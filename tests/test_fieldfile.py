"""The field form's file: entries keep their ids, come twice without harm, and never overwrite what is recorded."""

import csv
import io
import json
import re

import pytest
from conftest import STUDY_TOML, write
from made_handins import CUB, DEN, POINT, entry, entry_id, field_file, jpeg, photograph, withdrawn

from densite.corrections import correct
from densite.errors import IntakeError, Level
from densite.handovers import hand_in_all
from densite.intake.fieldfile import is_field_file
from densite.intake.jpeg import jpeg_trouble
from densite.intake.part import ORDER
from densite.intake.parts import parts_in
from densite.register import create_register
from densite.settings import parse
from densite.withdrawals import withdraw

SETTINGS = parse(STUDY_TOML)


@pytest.fixture
def register(tmp_path):
    """An empty register."""
    with create_register(tmp_path / "register.gpkg", study_id="test") as register:
        yield register


@pytest.fixture
def give(tmp_path, register):
    """Hand in features as a field file, or a file."""

    def hand(given, name="field-a.geojson"):
        path = given if hasattr(given, "suffix") else field_file(tmp_path / name, given)
        return hand_in_all(
            path, register=register, settings=SETTINGS, out=tmp_path / "out", photographs=tmp_path / "photos"
        )

    return hand


def visit(den=None, cub=None, **more):
    """One den entry with a cub."""
    place = entry(1, "den", DEN | (den or {}), place=POINT, fixes=[[-115.5, 43.6, 5, "t"]], **more)
    return [entry(2, "cub", CUB | (cub or {}), visit=entry_id(1)), place]


def told(made):
    """By part: recorded, known, held back, left out."""
    return [(d.visits + d.records, d.known, len(d.held_back), d.left_out) for d in made]


def mended(path, **cells):
    """Fill in cells of the first row of a rejected file."""
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    rows[0] |= cells
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_a_visit_goes_in_once(give, register) -> None:
    """Dens first; the cub takes day and den from its den entry; the same entries in another file are known."""
    assert told(give(visit())) == [(1, 0, 0, 0), (1, 0, 0, 0)]
    cub = register.records("cub").iloc[0]
    assert (cub["den_label"], str(cub["date"]), cub["mass_g"]) == ("D-9", "2026-02-24", 900.0)
    assert register.visits().iloc[0]["row_key"] == entry_id(1)
    kept = json.loads(register.visits().iloc[0]["as_recorded"])
    assert kept["aspect"] == "NNE"
    assert json.loads(kept["fixes"])[0][:2] == [-115.5, 43.6]
    assert told(give(visit(), "field-b.geojson.txt")) == [(0, 1, 0, 0), (0, 1, 0, 0)]


def test_a_den_without_label_and_place_by_its_point(give, register, tmp_path) -> None:
    """Its cub finds it all the same; a point that contradicts the columns is asked about."""
    values = {k: v for k, v in DEN.items() if k not in ("den_label", "latitude", "longitude", "datum")}
    made = give([entry(1, "den", values, place=POINT), entry(2, "cub", CUB, visit=entry_id(1))])
    assert told(made) == [(1, 0, 0, 0), (1, 0, 0, 0)]
    assert register.dens().geometry.iloc[0].y == 43.612340
    apart = field_file(
        tmp_path / "b.geojson", [entry(3, "den", DEN, place=POINT | {"coordinates": [-115.5, 43.61234]})]
    )
    (row,) = next(parts_in(apart, SETTINGS)).rows
    assert [(p.level, p.field) for p in row.problems] == [(Level.CONFIRM, "latitude")]


def test_changed_on_the_phone_is_held_back_until_a_person_agrees(give, register) -> None:
    """Both values of each field and the command; once it is done the same file is known."""
    give(visit())
    made = give(visit({"den_type": "brush", "female": "OB-010"}, {"mass_g": "950"}))
    assert told(made) == [(0, 0, 1, 0), (0, 0, 1, 0)]
    said = made[0].held_back[0][1]
    assert "den_type: recorded 'tree', on the phone now 'brush'" in said
    assert "`densite correct D-9 den_type=brush --reason WHY`" in said
    assert "`densite correct D-9/2026-02-24 female=OB-010 --reason WHY`" in said
    for what, values in (("D-9", {"den_type": "brush"}), ("D-9/2026-02-24", {"female": "OB-010"})):
        assert correct(register, what, values, reason="phone", settings=SETTINGS, confirm=True).done
    record = re.search(r"Write (\w{8}) under corrects", made[1].held_back[0][1])[1]
    assert told(give(mended(made[1].rejected, corrects=record, correction_reason="phone"))) == [(1, 0, 0, 0)]
    assert register.records("cub")["mass_g"].tolist() == [950.0]
    assert told(give(visit({"den_type": "brush", "female": "OB-010"}, {"mass_g": "950"}))) == [
        (0, 1, 0, 0),
        (0, 1, 0, 0),
    ]
    assert told(give(made[0].rejected)) == [(0, 1, 0, 0)]


def test_left_as_it_is_by_a_person(give, register) -> None:
    """Yes under confirmed in the rejected file settles it without a change."""
    give(visit())
    made = give(visit({"den_type": "brush"}))
    done = give(mended(made[0].rejected, confirmed="yes"))
    assert told(done) == [(0, 1, 0, 0)]
    assert done[0].mended is not None
    assert register.dens()["den_type"].tolist() == ["tree"]


def test_a_mended_entry_stays_that_entry(give, register) -> None:
    """A slip mended at the office is not undone, nor asked about, when the phone's file comes again."""
    slip = visit({"den_type": "cave"})
    made = give(slip)
    assert told(made) == [(0, 0, 1, 0), (0, 0, 1, 0)]
    assert told(give(mended(made[0].rejected, den_type="rock ledge"))) == [(1, 0, 0, 0)]
    assert register.visits().iloc[0]["row_key"] == entry_id(1)
    assert told(give(slip)) == [(0, 1, 0, 0), (1, 0, 0, 0)]
    assert told(give(made[1].rejected)) == [(0, 1, 0, 0)]


def test_withdrawn_on_the_phone(give, register) -> None:
    """Before it came: counted. After: held back, with the way; once withdrawn here: known."""
    gone = [withdrawn(feature) for feature in visit()]
    assert told(give(gone)) == [(0, 0, 0, 1), (0, 0, 0, 1)]
    assert register.counts() == {"den": 0, "visit": 0}
    give(visit())
    made = give(gone)
    assert told(made) == [(0, 0, 1, 0), (0, 0, 1, 0)]
    assert "`densite withdraw D-9/2026-02-24 --reason 'a slip'`" in made[0].held_back[0][1]
    withdraw(register, "D-9/2026-02-24", reason="a slip")
    record = re.search(r"write (\w{8}) under corrects", made[1].held_back[0][1])[1]
    assert told(give(mended(made[1].rejected, corrects=record, withdrawn="yes", correction_reason="slip"))) == [
        (1, 0, 0, 0)
    ]
    assert told(give(gone)) == [(0, 1, 0, 0), (0, 1, 0, 0)]
    assert register.records("cub").empty


def test_two_phones_at_one_den_are_a_persons_matter(give) -> None:
    """The same den and cub from another phone: asked about, not merged and not doubled."""
    give(visit())
    again = [entry(3, "den", DEN, place=POINT), entry(4, "den", DEN | {"den_label": "D-77"}, place=POINT)]
    made = give(
        [*again, entry(5, "cub", CUB, visit=entry_id(3)), entry(6, "cub", CUB | {"mass_g": "905"}, visit=entry_id(3))]
    )
    assert told(made) == [(0, 0, 2, 0), (0, 1, 1, 0)]


def test_photographs_go_below_their_den(give, register, tmp_path) -> None:
    """Once, for the owner alone; those that could tell a place, or wait for their entry, are told."""
    pictures = [photograph(jpeg()), photograph(jpeg(exif=True), "exif.jpg"), photograph(b"GIF89a", "a.gif")]
    made = give(visit(photos=[*pictures, {"name": "x", "data": "%%%"}]))
    den_id = register.dens().index[0]
    (kept,) = [path for path in (tmp_path / "photos").rglob("*") if path.is_file()]
    assert kept.parent == tmp_path / "photos" / den_id
    assert kept.read_bytes() == jpeg()
    assert (kept.stat().st_mode & 0o777, kept.parent.stat().st_mode & 0o777) == (0o600, 0o700)
    assert made[0].photographs == 1
    assert len([p for p in made[0].problems if p.field == "photos" and p.level is Level.WARNING]) == 3
    assert give(visit(photos=pictures[:1]))[0].photographs == 1
    waits = give([entry(7, "den", {"den_label": "D-7"}, photos=pictures[:1])])
    assert "1 photographs wait" in waits[0].problems[-1].message
    assert len(list((tmp_path / "photos").rglob("*.jpg"))) == 1


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (jpeg(), ""), (jpeg(exif=True), "APP1"), (jpeg()[:-2], "breaks off"), (jpeg() + b"PK", "2 bytes behind"),
        (b"\xff\xd8\xff\xfe\x00\x05abc" + jpeg()[2:], "comment"), (b"\x89PNG", "is no JPEG"), (b"", "is no JPEG"),
        (b"\xff\xd8\xff\xe2\x00\x10ICC_PROFILE\0\1\1" + jpeg()[2:], ""), (b"\xff\xd8" + b"\xff" * 99, "breaks off"),
        (b"\xff\xd8\xff\xe2\x00\x06MPF\0" + jpeg()[2:], "APP2"),
    ],
)  # fmt: skip
def test_a_photograph_tells_only_what_it_shows(data, said) -> None:
    """Segments in which a place could stand are found by walking through them."""
    assert (said in jpeg_trouble(data)) if said else not jpeg_trouble(data)


def test_files_of_others_are_refused(give, tmp_path) -> None:
    """Another study's, another version's, an empty one, an entry of a kind or id that is not known."""
    for options, said in (({"study": "other"}, "study with id other"), ({"version": 2}, "update densite")):
        with pytest.raises(IntakeError, match=said):
            give(field_file(tmp_path / "field-b.geojson", visit(), **options))
    with pytest.raises(IntakeError, match="no entries"):
        give([])
    made = give([*visit(), entry(8, "tree", {}), entry(9, "cub", CUB) | {"id": "x"}, 7])
    assert [bool(d.failed) for d in made] == [False, True, False]
    assert "2 entries of kinds that are not known" in made[1].failed
    assert next(p.field for p in made[2].problems if p.level is Level.ERROR) == "id"
    assert not is_field_file(write(tmp_path / "a.txt", "a,b\n"))


def test_one_id_with_two_values_is_refused(give) -> None:
    """The second entry of an id in one file is held back; a plain repeat counts once."""
    assert told(give([*visit(), *visit({"den_type": "brush"})])) == [(1, 0, 1, 0), (1, 1, 0, 0)]


@pytest.mark.parametrize("half", ["\\ud83d", "\\udc00x", "\\u0000", "\\u202e"])
def test_half_characters_and_unseen_ones(give, tmp_path, half) -> None:
    """In a value, a heading, a label: no traceback, and the row is in or comes back."""
    path = field_file(tmp_path / "field-a.geojson", visit({"notes": "HALF", "HALF": "HALF", "den_label": "D-HALF"}))
    made = give(write(path, path.read_text(encoding="utf-8").replace("HALF", half)))
    assert sum(d.visits + len(d.held_back) for d in made if d.kind == "") == 1
    plain = {
        "type": "Feature",
        "geometry": POINT,
        "properties": {"den": "D-HALF", "HALF": "HALF", "date": "2026-02-24"},
    }
    text = json.dumps({"type": "FeatureCollection", "features": [plain]}).replace("HALF", half)
    assert len(give(write(tmp_path / "b.geojson", text))[0].held_back) == 1


@pytest.mark.parametrize("kind", ORDER)
def test_held_back_entries_are_known_again_by_their_headings(give, kind) -> None:
    """However little was filled in: the rejected file of each kind is read as that kind, and stays that entry."""
    bare = entry(1, kind or "den", {"notes": "x"}, **({"visit": entry_id(9)} if kind else {}))
    (made,) = give([bare])
    assert len(made.held_back) == 1
    (again,) = give(made.rejected)
    assert again.kind == made.kind
    assert again.held_back[0][0].values["field_entry"] == entry_id(1)


def test_the_head_may_come_last(give, register, tmp_path) -> None:
    """A program that wrote the file anew changed the order: still the same entries, not rows without ids."""
    give(visit())
    path = field_file(tmp_path / "b.geojson", visit({"notes": "x" * 5000}))
    again = json.loads(path.read_text())
    path.write_text(json.dumps({key: again[key] for key in ("type", "features", "densite")}))
    assert is_field_file(path)
    assert told(give(path))[0] == (0, 0, 1, 0)
    assert len(register.visits()) == 1


def test_two_phones_of_two_observers(give) -> None:
    """Each of a crew wrote the same visit: a person is asked, and may say that both are records."""
    give(visit())
    made = give([entry(3, "den", DEN | {"observer": "ZE"}, place=POINT)])
    assert told(made) == [(0, 0, 1, 0)]
    assert "two phones at one visit?" in made[0].held_back[0][1]
    assert told(give(mended(made[0].rejected, confirmed="yes"))) == [(1, 0, 0, 0)]
    assert told(give([entry(3, "den", DEN | {"observer": "ZE"}, place=POINT)], "b.geojson")) == [(0, 1, 0, 0)]
    assert told(give([entry(4, "den", DEN | {"date": "2026-02-25"}, place=POINT)], "c.geojson")) == [(1, 0, 0, 0)]


def test_one_id_at_two_points(give) -> None:
    """The second is held back although the columns are the same."""
    other = {"type": "Point", "coordinates": [-115.6, 43.7]}
    made = give([entry(1, "den", DEN, place=POINT), entry(1, "den", DEN, place=other)])
    assert told(made) == [(1, 0, 1, 0)]


def test_a_photograph_without_bytes_is_told(give) -> None:
    """Whatever stands among the photographs is kept or told."""
    made = give(visit(photos=["junk", {"name": "n.jpg"}, *[photograph(jpeg())] * 101]))
    said = [p.message for p in made[0].problems if p.field == "photos"]
    assert said == ["photograph (no name) is no JPEG: not kept", "photograph n.jpg is no JPEG: not kept"]
    assert made[0].photographs == 101


def test_photographs_that_cannot_be_written(give, register, tmp_path) -> None:
    """The rows stay, which is said; once it is mended, the same file brings the photographs."""
    (tmp_path / "photos").write_text("no folder")
    den, cub = give(visit(photos=[photograph(jpeg())]))
    assert (den.visits, cub.records, len(register.visits())) == (1, 1, 1)
    assert [p.level for p in den.problems if p.field == "photos"] == [Level.ERROR]
    (tmp_path / "photos").unlink()
    assert give(visit(photos=[photograph(jpeg())]))[0].photographs == 1


def test_a_dry_run_says_what_it_cannot_see(register, tmp_path) -> None:
    """The cub's den is in the same file and not recorded: the cub is held back, and why is said."""
    path = field_file(tmp_path / "a.geojson", visit())
    den, cub = hand_in_all(
        path, register=register, settings=SETTINGS, out=tmp_path / "out", photographs=tmp_path / "photos", dry_run=True
    )
    assert (den.visits, cub.records, len(register.visits())) == (1, 0, 0)
    assert cub.problems[-1].message.startswith("dens that this file brings are not recorded in a dry run")
