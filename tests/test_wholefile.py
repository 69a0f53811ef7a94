"""Files that are there whole, or not at all."""

import stat
from pathlib import Path

import pytest

from densite.wholefile import write_whole


def test_written_for_its_owner_alone(tmp_path) -> None:
    """An older file of that name gives way; nothing is left beside it."""
    path = tmp_path / "sheet.html"
    path.write_text("old")
    write_whole(path, b"new\n")
    assert path.read_bytes() == b"new\n"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert list(tmp_path.iterdir()) == [path]


def test_what_stood_there_stays_when_it_cannot_be_written(tmp_path, monkeypatch) -> None:
    """The last step fails: the old file is whole, and no scratch file is left."""
    path = tmp_path / "sheet.html"
    path.write_text("old")

    def refuse(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(OSError, match="disk full"):
        write_whole(path, b"new\n")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]
