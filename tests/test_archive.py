"""Folders and archives: everything in them is listed or told, nothing leaves the scratch folder, limits hold."""

import os
import zipfile

import pytest
from made_handins import archive, table

from densite.errors import IntakeError
from densite.intake.archive import files_in
from densite.intake.ziplimits import MIB, Allowance, trouble


@pytest.fixture
def scratch(tmp_path):
    """A folder to unpack into."""
    place = tmp_path / "scratch"
    place.mkdir()
    return place


def names(path, scratch, **allowance):
    """List what is in it: name and whether it was refused."""
    return {file.name: file.refused for file in files_in(path, scratch, allowance=Allowance(**allowance))}


def test_an_archive_in_an_archive(tmp_path, scratch) -> None:
    """Unpacked three deep, hidden files of systems left out; private to its owner."""
    inner = archive(tmp_path / "inner.zip", {"b.csv": table([2])})
    path = archive(
        tmp_path / "trip.zip", {"a.csv": table([1]), "x/inner.zip": inner, "__MACOSX/._a.csv": "x", "x/.h": ""}
    )
    assert names(path, scratch) == {"trip.zip/a.csv": "", "trip.zip/x/inner.zip/b.csv": ""}
    assert all(p.stat().st_mode & 0o077 == 0 for p in scratch.rglob("*") if p.is_dir())
    for n in range(4):
        inner = archive(tmp_path / f"deep{n}.zip", {"in.zip": inner})
    assert "too deep" in "".join(names(inner, scratch).values())


@pytest.mark.parametrize(
    "name", ["../evil.csv", "a/../../evil.csv", "/evil.csv", "..\\evil.csv", "C:\\evil.csv", "x" * 250 + ".csv", "a\0b"]
)
def test_names_that_lead_away(tmp_path, scratch, name) -> None:
    """Refused, and nothing is written outside; the others are taken."""
    before = set(tmp_path.rglob("*"))
    path = archive(tmp_path / "a.zip", {name: "x", "good.csv": "x"})
    found = names(path, scratch)
    assert found.pop("a.zip/good.csv") == ""
    if "\0" not in name:  # the reader ends a name there
        assert len(found) == 1
        assert all(found.values())
    assert not [p for p in set(tmp_path.rglob("*")) - before - {path} if not p.is_relative_to(scratch)]


def test_links_passwords_and_doubles(tmp_path, scratch) -> None:
    """No link is followed, in an archive or a folder; the second of two files of one name is told."""
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as made:
        link = zipfile.ZipInfo("link.csv")
        link.external_attr = 0o120777 << 16
        made.writestr(link, "/etc/passwd")
        made.writestr("a.csv", "x")
        with pytest.warns(UserWarning, match="Duplicate"):
            made.writestr("a.csv", "y")
    found = [(file.name, bool(file.refused)) for file in files_in(path, scratch, allowance=Allowance())]
    assert found == [("a.zip/link.csv", True), ("a.zip/a.csv", True), ("a.zip/a.csv", False)]
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "link.csv").symlink_to(tmp_path / "a.zip")
    (folder / "loop").symlink_to(folder)
    os.mkfifo(folder / "pipe.csv")
    assert all(names(folder, scratch).values())
    locked = zipfile.ZipInfo("a.csv")
    locked.flag_bits = 1
    assert "password" in trouble(locked)


def test_bombs(tmp_path, scratch) -> None:
    """Too much out of too little, too many files, too much in all: before it is unpacked."""
    path = archive(tmp_path / "a.zip", {"zeros.csv": b"\0" * (9 * MIB), "good.csv": "x"})
    found = names(path, scratch)
    assert "would unfold to 9 MiB" in found["a.zip/zeros.csv"]
    assert found["a.zip/good.csv"] == ""
    with pytest.raises(IntakeError, match="smaller parts"):
        names(path, scratch, members=1)
    with pytest.raises(IntakeError, match="smaller parts"):
        names(path, scratch, total=MIB)
    assert sum(p.stat().st_size for p in scratch.rglob("*")) < MIB


def test_damaged_members_are_told(tmp_path, scratch) -> None:
    """A flipped byte in one file leaves the others."""
    path = archive(tmp_path / "a.zip", {"a.csv": table(range(50)), "b.csv": table([1])})
    data = bytearray(path.read_bytes())
    data[60] ^= 0xFF
    path.write_bytes(data)
    found = names(path, scratch)
    assert "is damaged" in found["a.zip/a.csv"]
    assert found["a.zip/b.csv"] == ""
    path.write_bytes(bytes(data[:100]))
    with pytest.raises(IntakeError, match="no readable zip archive"):
        names(path, scratch)
    with pytest.raises(IntakeError, match="no such file"):
        names(tmp_path / "none.zip", scratch)


def test_folders_that_are_something_else(tmp_path, scratch) -> None:
    """A study folder and an export are told with the way out."""
    (tmp_path / "study.toml").touch()
    with pytest.raises(IntakeError, match="is a study folder"):
        names(tmp_path, scratch)
    (tmp_path / "study.toml").unlink()
    (tmp_path / "datapackage.json").write_text('{"densite_export": 1}')
    with pytest.raises(IntakeError, match="is an export"):
        names(tmp_path, scratch)


def test_names_are_shown_without_what_a_terminal_obeys(tmp_path, scratch) -> None:
    """An escape sequence or a turn of direction in a file's name reaches nobody's screen."""
    path = archive(tmp_path / "a.zip", {"\x1b[2Jx\u202e.csv": "x", "a\nb.csv": "x"})
    assert all(name.isprintable() for name in names(path, scratch))


def test_a_refused_archive_leaves_those_beside_it_alone(tmp_path, scratch) -> None:
    """However many study folders came packed, an archive behind them does not lie deeper for it."""
    study = archive(tmp_path / "s.zip", {"study.toml": "x"})
    good = archive(tmp_path / "g.zip", {"a.csv": table([1])})
    found = names(archive(tmp_path / "t.zip", {f"s{n}.zip": study for n in range(3)} | {"z.zip": good}), scratch)
    assert found.pop("t.zip/z.zip/a.csv") == ""
    assert [said[:17] for said in found.values()] == ["is a study folder"] * 3
