"""Photographs are offered as den points: place, time and direction as the EXIF has them, nothing guessed."""

import csv
import json
import random
import subprocess

import pytest
from conftest import STUDY_TOML, needs
from hypothesis import given
from hypothesis import strategies as st
from made_photographs import B, G, bomb, dms, photograph
from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

from densite import places
from densite.errors import IntakeError, Level, SettingsError
from densite.intake.exif import angle_of, number_of, read_exif, text_of
from densite.intake.photograph import offered_again, read_photographs, read_shot
from densite.intake.rawrow import RawRow
from densite.pipeline import open_study
from densite.settings import parse
from densite.studyfolder import new_study


def chosen(more=""):
    """Return intake settings with a few lines more."""
    return parse(f"{STUDY_TOML}\n[intake]\n{more}").intake


def rows(*paths, settings=None, **options):
    """Read photographs, with what is told of those that offer nothing."""
    told = []
    return list(read_photographs(paths, settings or chosen(), told=told.append, **options)), told


def test_place_time_and_direction_are_offered(tmp_path) -> None:
    """All is in the row; the doubt says it; the direction of view is no aspect."""
    (row,), told = rows(photograph(tmp_path / "IMG_1.jpg"))
    assert not told
    assert (row.file, row.line) == ("IMG_1.jpg", 0)
    assert row.values["latitude"] == "43 30 44.42 N"
    assert row.values["longitude"] == "115 31 16.43 W"
    assert (row.values["datum"], row.values["uncertainty_m"]) == ("WGS-84", "4.8")
    assert row.values["date"] == "2026-02-24T18:30:02Z"
    assert (row.values["den_type"], row.values["position_method"]) == ("unknown", "gps single")
    assert "aspect" not in row.values
    (doubt,) = row.problems
    assert doubt.level is Level.CONFIRM
    assert "112 deg from magnetic north: that is not the den's aspect" in doubt.message
    assert "behind" not in doubt.message and "ahead" not in doubt.message  # the clocks are 3 s apart


TAGS = {
    "GPSLatitude": G.GPSLatitude, "GPSLongitude": G.GPSLongitude, "GPSHPositioningError": G.GPSHPositioningError,
    "GPSImgDirection": G.GPSImgDirection,
}  # fmt: skip


@pytest.mark.parametrize("ending", ["jpg", "tif", "png"])
def test_what_exiftool_writes_is_read(tmp_path, ending) -> None:
    """EXIF written by an independent program (ExifTool of Debian) comes back to its last digit."""
    path = tmp_path / f"a.{ending}"
    Image.new("RGB", (8, 8)).save(path)
    said = [
        "-GPSLatitude=43.5123389", "-GPSLatitudeRef=S", "-GPSLongitude=115.5212306", "-GPSLongitudeRef=E",
        "-GPSMapDatum=TOKYO", "-GPSDateStamp=2026:02:24", "-GPSTimeStamp=23:59:58", "-GPSHPositioningError=12.5",
        "-GPSImgDirection=271.5", "-GPSImgDirectionRef=T", "-GPSProcessingMethod=WLAN",
    ]  # fmt: skip
    subprocess.run([needs("exiftool"), "-q", "-n", "-overwrite_original", *said, path], check=True)
    shot = read_shot(path, chosen())
    assert places.parse_angle(shot.latitude, axis="latitude") == pytest.approx(-43.5123389, abs=1e-7)
    assert places.parse_angle(shot.longitude, axis="longitude") == pytest.approx(115.5212306, abs=1e-7)
    assert (shot.datum, shot.uncertainty_m, shot.method) == ("EPSG:4301", "12.5", "WLAN")
    assert shot.view in ("272 deg from true north", "271 deg from true north")
    assert shot.when.written == "2026-02-24T23:59:58Z"
    assert any("wireless" in doubt for doubt in shot.doubts)


def test_exiftool_reads_in_our_pictures_what_we_read(tmp_path) -> None:
    """The pictures of these tests are right by an independent reader (ExifTool of Debian), tag by tag."""
    path = photograph(tmp_path / "a.jpg", turned=6)
    done = subprocess.run([needs("exiftool"), "-j", "-n", path], capture_output=True, text=True, check=True)
    told = json.loads(done.stdout)[0]
    shot = read_shot(path, chosen())
    assert abs(places.parse_angle(shot.latitude, axis="latitude")) == pytest.approx(abs(told["GPSLatitude"]), abs=1e-9)
    gps = read_exif(path).gps
    for name in ("GPSHPositioningError", "GPSImgDirection"):
        assert number_of(gps[TAGS[name]]) == pytest.approx(told[name])
    assert (told["GPSMapDatum"], told["GPSTimeStamp"]) == ("WGS-84", "18:30:02")
    assert told["Orientation"] == 6


def test_tag_numbers_are_those_of_the_standard() -> None:
    """Numbers of CIPA DC-008 (Exif), from memory; ExifTool's reading and writing above confirm most of them."""
    standard = {
        "GPSLatitudeRef": 1, "GPSLatitude": 2, "GPSLongitudeRef": 3, "GPSLongitude": 4, "GPSTimeStamp": 7,
        "GPSStatus": 9, "GPSMeasureMode": 10, "GPSImgDirectionRef": 16, "GPSImgDirection": 17, "GPSMapDatum": 18,
        "GPSProcessingMethod": 27, "GPSDateStamp": 29, "GPSHPositioningError": 31,
    }  # fmt: skip
    assert {name: ExifTags.GPS[name].value for name in standard} == standard
    assert (B.DateTimeOriginal.value, B.OffsetTimeOriginal.value, B.Orientation.value) == (0x9003, 0x9011, 0x0112)


@given(st.integers(0, 179), st.integers(0, 59), st.integers(0, 5999), st.sampled_from("EW"))
def test_angles_come_back(degrees, minutes, hundredths, letter) -> None:
    """Any angle in hundredths of a second is written so that it reads back exactly."""
    text = angle_of(dms(degrees, minutes, hundredths), letter)
    value = (degrees + minutes / 60 + hundredths / 360000) * (1 if letter == "E" else -1)
    assert places.parse_angle(text, axis="longitude") == pytest.approx(value, abs=1e-12)


@given(st.integers(0, 2**32 - 1), st.integers(1, 2**32 - 1))
def test_seconds_never_round_up_to_a_minute(top, below) -> None:
    """However finely a camera divides, what it wrote stays under 60 and reads back."""
    seconds = IFDRational(top % (60 * below), below)
    text = angle_of((IFDRational(7, 1), IFDRational(59, 1), seconds), "N")
    assert places.parse_angle(text, axis="latitude") == pytest.approx(7 + 59 / 60 + float(seconds) / 3600, abs=1e-4)


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        ((IFDRational(43512339, 10**6), IFDRational(0, 1), IFDRational(0, 1)), "43.512339 N"),
        ((IFDRational(43, 1), IFDRational(307403, 10**4), IFDRational(0, 1)), "43 30.7403 N"),
        ((43, 30, 44), "43 30 44 N"),
    ],
)
def test_decimals_may_stand_in_any_part(parts, text) -> None:
    """Decimal degrees, decimal minutes, whole seconds: as fine as the picture has them."""
    assert angle_of(parts, "N") == text


@pytest.mark.parametrize("parts", [(IFDRational(-43, 1), 30, 44), (43, 30), 43.5, None, (43, 30, "x")])
def test_what_is_no_angle_is_refused(parts) -> None:
    """Two parts, words, a negative degree whose letter says the other half."""
    with pytest.raises(ValueError, match="no angle"):
        angle_of(parts, "N")


def test_numbers_that_cannot_be_are_left_out(tmp_path) -> None:
    """An error of nought metres is no accuracy, 400 degrees is no direction."""
    gps = {G.GPSHPositioningError: IFDRational(0, 10), G.GPSImgDirection: IFDRational(400, 1)}
    (row,), _ = rows(photograph(tmp_path / "a.jpg", gps=gps))
    assert "uncertainty_m" not in row.values
    assert "no accuracy told" in row.problems[0].message
    assert "looked" not in row.problems[0].message


def test_pixels_are_never_decoded(tmp_path, monkeypatch) -> None:
    """Also not of a PNG without EXIF before its pixels, which Pillow would read on for."""
    Image.new("RGB", (8, 8)).save(tmp_path / "a.png")
    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", lambda _: pytest.fail("decoded"))
    monkeypatch.setattr("PIL.PngImagePlugin.PngImageFile.load", lambda _: pytest.fail("decoded"), raising=False)
    assert "no position" in rows(tmp_path / "a.png")[1][0].message


@pytest.mark.parametrize(
    ("gps", "said"),
    [
        ({G.GPSLatitude: None}, "no position in its EXIF"),
        ({G.GPSLatitudeRef: None}, "N or S"),
        ({G.GPSLongitudeRef: "X"}, "E or W"),
        ({G.GPSLatitude: dms(0, 0, 0), G.GPSLongitude: dms(0, 0, 0)}, "0, 0"),
        ({G.GPSLatitude: (IFDRational(0, 0), IFDRational(0, 1), IFDRational(0, 1))}, "no angle"),
        ({G.GPSLatitude: (IFDRational(4, 1), IFDRational(0, 1))}, "no angle"),
    ],
)
def test_a_picture_without_a_place_is_told_in_one_line(tmp_path, gps, said) -> None:
    """No row, one warning with the picture's name, the others go on; alone it is an error."""
    bad, good = photograph(tmp_path / "bad.jpg", gps=gps), photograph(tmp_path / "good.jpg")
    found, told = rows(bad, good)
    assert [row.file for row in found] == ["good.jpg"]
    assert [(p.file, p.level) for p in told] == [("bad.jpg", Level.WARNING)]
    assert said in told[0].message
    with pytest.raises(IntakeError, match=r"bad\.jpg: "):
        list(read_photographs([bad], chosen()))


def test_the_datum_is_asked_for_where_the_picture_names_none(tmp_path) -> None:
    """Blank, so that intake asks or takes that of study.toml."""
    (row,), _ = rows(photograph(tmp_path / "a.jpg", gps={G.GPSMapDatum: None}))
    assert "datum" not in row.values
    assert "datum not told" in row.problems[0].message


NO_GPS_TIME = {G.GPSDateStamp: None, G.GPSTimeStamp: None}


@pytest.mark.parametrize(
    ("camera", "more", "date", "said"),
    [
        ({}, "", "2026-02-24T11:30:05-07:00", "with the offset that stands beside it"),
        ({B.OffsetTimeOriginal: None}, "", "", "of a zone not told: which zone? Set camera_time_zone"),
        ({B.OffsetTimeOriginal: None}, "camera_time_zone='America/Boise'", "2026-02-24T11:30:05-07:00", "study.toml"),
        ({B.OffsetTimeOriginal: None}, "camera_time_zone='+05:30'", "2026-02-24T11:30:05+05:30", "study.toml"),
        ({B.OffsetTimeOriginal: "-99:00"}, "", "", "zone not told"),
        ({B.DateTimeOriginal: "0000:00:00 00:00:00"}, "", "", "no time in its EXIF"),
        ({B.DateTimeOriginal: "2026:03:08 02:30:00", B.OffsetTimeOriginal: None},
         "camera_time_zone='America/Boise'", "", "does not exist on 2026-03-08"),
        ({B.DateTimeOriginal: "2025:11:02 01:30:00", B.OffsetTimeOriginal: None},
         "camera_time_zone='America/Boise'", "2025-11-02T01:30:00-06:00", "happened twice"),
    ],
)  # fmt: skip
def test_the_zone_of_a_clock_is_asked_for(tmp_path, camera, more, date, said) -> None:
    """Its own offset, or the study's word; without either no date; changes of clocks are told."""
    (row,), _ = rows(photograph(tmp_path / "a.jpg", gps=NO_GPS_TIME, camera=camera), settings=chosen(more))
    assert row.values.get("date", "") == date
    assert said in row.problems[0].message


@pytest.mark.parametrize(
    ("camera", "said"),
    [
        ({B.DateTimeOriginal: "2026:02:24 11:47:05"}, "17 min ahead of GPS time: an older position, or"),
        ({B.DateTimeOriginal: "2026:02:21 11:30:05"}, "3 days behind GPS time: a clock that is off"),
        ({B.OffsetTimeOriginal: None}, "showed 2026-02-24 11:30:05, as a clock at UTC-07:00 would"),
        ({B.OffsetTimeOriginal: None, B.DateTimeOriginal: "2026:02:24 11:37:05"}, "showed 2026-02-24 11:37:05"),
        ({B.OffsetTimeOriginal: None, B.DateTimeOriginal: "2026:02:20 11:30:05"}, "showed 2026-02-20 11:30:05"),
    ],
)
def test_clocks_that_differ_are_told(tmp_path, camera, said) -> None:
    """GPS time goes first; the camera's own clock is told beside it, never used to guess a zone."""
    (row,), _ = rows(photograph(tmp_path / "a.jpg", camera=camera))
    assert row.values["date"] == "2026-02-24T18:30:02Z"
    assert said in row.problems[0].message
    assert ("would" in row.problems[0].message) == ("would" in said)


def test_doubts_about_the_fix_are_told(tmp_path) -> None:
    """A lost fix, a two-dimensional one, one from cell masts."""
    gps = {G.GPSStatus: "V", G.GPSMeasureMode: "2", G.GPSProcessingMethod: b"ASCII\0\0\0CELLID"}
    (row,), _ = rows(photograph(tmp_path / "a.jpg", gps=gps))
    said = row.problems[0].message
    assert all(word in said for word in ("lost its fix", "two-dimensional", "cell masts"))
    assert "position_method" not in row.values


@pytest.mark.parametrize(
    ("name", "label"),
    [("D-1.jpg", "D-1"), ("d-1 entrance.jpg", "D-1"), ("D-1_2.jpg", "D-1"), ("D-12.jpg", "D-12"), ("D-13.jpg", ""),
     ("D-1-3.jpg", ""), ("D-1-2.jpg", "D-1-2"), ("IMG_1.jpg", ""), ("Upper_Creek.jpg", "Upper Creek")],
)  # fmt: skip
def test_only_known_labels_are_read_from_names(tmp_path, name, label) -> None:
    """The longest known label at the start; a part of a longer one is none."""
    labels = ["D-1", "D-12", "D-1-2", "Upper Creek"]
    (row,), _ = rows(photograph(tmp_path / name), labels=labels)
    assert row.values.get("den_label", "") == label
    assert not rows(tmp_path / name)[0][0].values.get("den_label")


def test_broken_pictures_end_in_one_line(tmp_path) -> None:
    """Empty, no picture, of another kind, huge in its header: told by name, nothing decoded."""
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "text.jpg").write_text("no picture")
    (tmp_path / "a.heic").write_bytes(b"\0" * 20)
    bomb(tmp_path / "bomb.png", 65535)
    names = ("empty.jpg", "text.jpg", "a.heic", "bomb.png")
    found, told = rows(*(tmp_path / name for name in names))
    assert not found
    assert [p.file for p in told] == list(names)
    assert "decompression bomb" in told[-1].message


def test_damaged_pictures_never_end_in_a_traceback(tmp_path) -> None:
    """Three hundred seeded mutations of a JPEG, a TIFF and a PNG: a row, or one told line, nothing else."""
    chance = random.Random(7)  # noqa: S311 - seeded damage, no secret
    for ending in ("jpg", "png", "tif"):
        whole = photograph(tmp_path / f"a.{ending}").read_bytes()
        for _ in range(100):
            bad = bytearray(whole)
            for _ in range(chance.randint(1, 12)):
                bad[chance.randrange(min(len(bad), 900))] = chance.randrange(256)
            path = tmp_path / f"m.{ending}"
            path.write_bytes(bad[: chance.choice((len(bad), chance.randrange(1, len(bad))))])
            found, told = rows(path)
            assert len(found) + len(told) == 1


def test_texts_of_tags_are_cleaned() -> None:
    """Padding, code prefix, control characters and endless texts go."""
    assert text_of(b"ASCII\0\0\0GPS\0") == "GPS"
    assert text_of("WGS-84\0\0") == "WGS-84"
    assert text_of("a\x1b[31mb\u202e") == "a[31mb"
    assert len(text_of("x" * 1000)) == 80
    assert text_of(5) == ""


def test_camera_time_zone_is_checked() -> None:
    """An offset or a name of the tz database."""
    assert chosen("camera_time_zone='-07:00'").camera_time_zone == "-07:00"
    with pytest.raises(SettingsError, match="camera_time_zone"):
        chosen("camera_time_zone='Mountain'")


def test_a_row_from_elsewhere_is_left_alone() -> None:
    """Only what came from a picture is asked about again."""
    row = RawRow("crew.csv", 2, {"source_file": "old.csv"}, {})
    assert offered_again(row) is row
    assert offered_again(RawRow("r.csv", 2, {"source_file": "a.JPG"}, {})).problems[0].level is Level.CONFIRM


def test_from_picture_to_record(tmp_path) -> None:
    """Held back, held back again while unconfirmed, recorded once confirmed; coming back it is held against its den."""
    new_study(tmp_path / "s", name="Test", crs="EPSG:32611", time_zone="America/Boise")
    picture = photograph(tmp_path / "IMG_7.jpg")
    with open_study(tmp_path / "s") as study:
        (first,) = study.hand_in(picture)
        (again,) = study.hand_in(first.rejected)
        assert (first.visits, again.visits) == (0, 0)
        assert again.held_back[0][1] == first.held_back[0][1]
        table = list(csv.DictReader(again.rejected.read_text(encoding="utf-8-sig").splitlines()))
        table[0] |= {"confirmed": "yes", "den_label": "D-7", "den_type": "tree"}
        with again.rejected.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, table[0])
            writer.writeheader()
            writer.writerows(table)
        assert study.hand_in(again.rejected)[0].visits == 1
        den = study.register.dens().iloc[0]
        assert (den.geometry.y, den.geometry.x) == pytest.approx((43.51233889, -115.52123056), abs=1e-7)
        assert (den["label"], den["den_type"], den["source_file"]) == ("D-7", "tree", "IMG_7.jpg")
        (once_more,) = study.hand_in(picture)
        assert once_more.visits == 0
        assert "D-7" in once_more.held_back[0][1]
