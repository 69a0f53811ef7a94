"""Copies of photographs stand upright, are small, and hold nothing but the picture."""

import io

import pytest
from made_photographs import bomb, photograph
from PIL import Image, ImageFile

from densite.errors import IntakeError
from densite.intake.jpeg import jpeg_trouble
from densite.intake.upright import keep_upright, upright


def picture(data: bytes) -> Image.Image:
    """Open a copy."""
    return Image.open(io.BytesIO(data))


# Where the red half of the stored picture comes to lie, by the eight orientations of CIPA DC-008: its row 0 is the
# picture's top (1, 2), bottom (3, 4), left (5, 8) or right (6, 7) side; 8 counts the stored row as the left side.
@pytest.mark.parametrize(
    ("turned", "size", "red"),
    [(1, (64, 32), (32, 4)), (2, (64, 32), (32, 4)), (3, (64, 32), (32, 27)), (4, (64, 32), (32, 27)),
     (5, (32, 64), (4, 32)), (6, (32, 64), (27, 32)), (7, (32, 64), (27, 32)), (8, (32, 64), (4, 32))],
)  # fmt: skip
def test_all_eight_orientations_stand_upright(tmp_path, turned, size, red) -> None:
    """The stored first row comes to lie where the tag says."""
    copy = picture(upright(photograph(tmp_path / "a.jpg", turned=turned)))
    assert copy.size == size
    level = copy.getpixel(red)
    assert level[0] > 200 and level[1] < 60


def test_nothing_but_the_picture_is_kept(tmp_path) -> None:
    """No EXIF, no comment; scaled to the longest side asked for."""
    data = upright(photograph(tmp_path / "a.jpg", turned=6), longest_px=16)
    copy = picture(data)
    assert copy.size == (8, 16)
    assert not copy.getexif()
    assert set(copy.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"secret" not in data
    assert jpeg_trouble(data) == ""


def test_a_picture_is_kept_once_and_for_its_owner_only(tmp_path) -> None:
    """Named by its fingerprint; rights 0700 and 0600."""
    path = photograph(tmp_path / "a.png")
    kept = keep_upright(path, tmp_path / "photos" / "offered")
    assert kept == keep_upright(path, tmp_path / "photos" / "offered")
    assert (kept.stat().st_mode & 0o777, kept.parent.stat().st_mode & 0o777) == (0o600, 0o700)
    assert len(kept.stem) == 16


def test_bombs_and_damage_are_refused(tmp_path, monkeypatch) -> None:
    """More pixels than may be decoded, or half a file: one clear error."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)  # as a library that prints pages leaves it
    data = photograph(tmp_path / "half.png").read_bytes()
    (tmp_path / "half.png").write_bytes(data[: len(data) - 40])
    with pytest.raises(IntakeError, match=r"half\.png: .*damaged"):
        upright(tmp_path / "half.png")
    for side, said in ((13_000, "too many"), (65_535, "damaged")):
        with pytest.raises(IntakeError, match=f"bomb.png: .*{said}"):
            upright(bomb(tmp_path / "bomb.png", side))
