"""Exports: open formats that other programs read, and that come back as what was kept."""

import csv
import datetime as dt
import json
import math
import stat
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import pytest
from click.testing import CliRunner
from conftest import STUDY_TOML, needs, write
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pyarrow import parquet

from densite.animalfiles import hand_in_records
from densite.animalterms import KINDS
from densite.cli import cli
from densite.deliveries import hand_in
from densite.errors import IntakeError, RegisterError
from densite.exports import NOTICE, comeback, geoparquet
from densite.exports.formats import FORMATS, export
from densite.exports.held import TABLES, as_cell, as_json, names_of, rows, typed
from densite.exports.xmltext import held
from densite.intake.rejects import guarded, unguarded
from densite.register import create_register, open_register, schema
from densite.register.columns import encode_point
from densite.settings import load, parse

SETTINGS = parse(STUDY_TOML)
ZONED = parse(STUDY_TOML + 'time_zone = "America/Boise"\n')
HOSTILE = "=HYPERLINK(\"http://x\")\r\n'; DROP TABLE den; --,<b>&amp;]]>\u2028\x07'=1"
CUBS = "den_label,date,cub_no,sex,mass_g,notes,confirmed\nD-1,2026-02-24,1,female,450.5,=1+1,\n"


def crew_file(folder: Path, notes: str = HOSTILE, label: str = "D-1") -> Path:
    """Write a GeoJSON crew file: two visits of a den, one of a den without label."""
    own = {"den_label": label, "den_type": "tree", "date": "2026-02-24", "notes": notes, "my column": notes}
    own |= {"aspect": "NNE", "aspect_reference": "magnetic", "slope_pct": 36, "uncertainty_m": 5, "female": "OB-1"}
    again = own | {"date": "2026-03-01", "tree_diameter_cm": 80.1}
    other = {"den_type": "brush", "date": "2026-02-25"}
    features = [
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": place}, "properties": told}
        for place, told in (([-115.5123456789, 43.1], own), ([-115.5123456789, 43.1], again), ([-115.4, 43.2], other))
    ]
    return write(folder / "crew.geojson", json.dumps({"type": "FeatureCollection", "features": features}))


def filled(folder: Path, settings=SETTINGS, **text: str):
    """Make a register with dens, visits, a cub, its correction, and a den that was withdrawn."""
    register = create_register(folder / "r.gpkg", study_id=settings.study.id)
    options = {"register": register, "settings": settings, "out": folder / "out"}
    delivery = hand_in(crew_file(folder, **text), **options)
    assert not delivery.held_back, delivery.held_back
    label = register.dens()["label"].iloc[0]
    path = folder / "cubs.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        told = list(csv.DictReader(CUBS.splitlines()))
        writer = csv.DictWriter(file, [*told[0], "corrects", "correction_reason"])
        writer.writeheader()
        writer.writerow(told[0] | {"den_label": guarded(label)})
    delivery = hand_in_records(path, KINDS["cub"], **options)
    assert not delivery.held_back, delivery.held_back
    return register


def corrected(register) -> None:
    """Correct a den, withdraw another: what no crew row tells."""
    first, second = register.dens().sort_values("recorded_at").index
    with register.writing(reason="mended") as connection:
        register.change(connection, "den", first, {"slope_deg": 0.1 + 0.2, "geom": encode_point(-115.6, 43.3)})
        register.change(connection, "den", second, {"withdrawn": "yes"})


def kept(register, *, tables=TABLES, every: bool = True) -> dict:
    """Return everything that a register keeps."""
    with register.reading() as connection:
        return {table.name: list(rows(connection, table, every=every)) for table in tables}


def back(folder: Path, path: Path, settings=SETTINGS):
    """Hand an export in to a new register."""
    register = create_register(folder / "back.gpkg", study_id=settings.study.id)
    return register, hand_in(path, register=register, settings=settings, out=folder / "out2")


@pytest.fixture
def register(tmp_path):
    """A register with hostile text, a correction and a withdrawal."""
    with filled(tmp_path) as register:
        corrected(register)
        yield register


# Intake takes control and direction characters out of cells; what is left is to come back.
words = st.text(st.characters(exclude_categories=("Cs", "Cc", "Cf", "Zl", "Zp")), min_size=1, max_size=20).filter(
    lambda text: any(map(str.isalnum, text))
)


@given(notes=words, label=words)
@hypothesis_settings(max_examples=15)
def test_csv_comes_back_equal(notes, label) -> None:
    """Every column of dens, visits and records, times and sources too, whatever the text."""
    with TemporaryDirectory() as made:
        folder = Path(made)
        with filled(folder, notes=notes, label=label) as register:
            corrected(register)
            package = export(register, SETTINGS, folder / "x", ["csv"])[0]
            again, delivery = back(folder, package)
            with again:
                assert kept(again) == kept(register)
                twice = hand_in(package, register=again, settings=SETTINGS, out=folder)
                assert (twice.known, twice.dens, twice.records) == (twice.rows, 0, 0)
        assert (delivery.dens, delivery.visits, delivery.records) == (2, 3, 1)


@given(notes=words, label=words)
@hypothesis_settings(max_examples=15)
def test_geojson_comes_back_equal(notes, label) -> None:
    """Dens and visits that were not withdrawn, every column of them."""
    with TemporaryDirectory() as made:
        folder = Path(made)
        with filled(folder, notes=notes, label=label) as register:
            corrected(register)
            path = export(register, SETTINGS, folder / "x", ["geojson"])[0]
            again, _ = back(folder, path)
            with again:
                assert kept(again, tables=TABLES[:2]) == kept(register, tables=TABLES[:2], every=False)


def test_texts_of_another_program_come_back_as_they_were(register, tmp_path) -> None:
    """Blanks round them stay; an empty text is a blank."""
    first = str(register.dens().index[0])
    with register.writing(reason="in a GIS") as connection:
        register.change(connection, "den", first, {"notes": " wet ", "cover_notes": "", "label": "D-1 "})
        text = "UPDATE cub_record SET notes = ' small '"
        connection.exec_driver_sql(text)
    path = export(register, SETTINGS, tmp_path / "x", ["csv"])[0]
    again, _ = back(tmp_path, path)
    with again:
        blanks = {"cover_notes": None}
        wanted = kept(register)
        wanted["den"] = [row | (blanks if row["den_id"] == first else {}) for row in wanted["den"]]
        assert kept(again) == wanted
        for known in (again, register):
            assert hand_in(path, register=known, settings=SETTINGS, out=tmp_path).known == 6


@pytest.mark.parametrize("here", [None, 40.0])
def test_nought_is_not_nothing(register, tmp_path, here) -> None:
    """A measured 0 is not taken for a blank that is kept."""
    first = str(register.dens().index[0])
    with register.writing(reason="seen again") as connection:
        register.change(connection, "den", first, {"canopy_pct": 0.0})
    path = export(register, SETTINGS, tmp_path / "x", ["csv"])[0]
    with register.writing(reason="seen again") as connection:
        register.change(connection, "den", first, {"canopy_pct": here})
    with pytest.raises(IntakeError, match="kept with another canopy_pct"):
        hand_in(path, register=register, settings=SETTINGS, out=tmp_path)


@pytest.mark.parametrize("more", [b"a,b\r\n", b"\xff\xfe\r\n", b'"' + b"x" * 2_000_000 + b'"\r\n'])
def test_a_table_written_by_another_program_is_refused(register, tmp_path, more) -> None:
    """Its hash fits, its lines do not: told with file and line, nothing is recorded."""
    path = export(register, SETTINGS, tmp_path / "x", ["csv"])[0]
    table = path.with_name("visit.csv")
    old = comeback.hash_of(table)
    table.write_bytes(table.read_bytes() + more)
    path.write_text(path.read_text(encoding="utf-8").replace(old, comeback.hash_of(table)), encoding="utf-8")
    with pytest.raises(IntakeError, match=r"visit.csv line \d+ cannot be read"):
        back(tmp_path, path)


@given(notes=words, longitude=st.floats(-117, -114), latitude=st.floats(42, 44))
@hypothesis_settings(max_examples=15)
def test_gpx_comes_back_as_far_as_it_can_hold(notes, longitude, latitude) -> None:
    """Dens with id, place to the last bit and all they were told; visits with day, crew and female."""
    not_held = {"notes", "recorded_at", "source_file", "source_line", "observer"}
    with TemporaryDirectory() as made:
        folder = Path(made)
        with filled(folder, ZONED, notes=notes) as register:
            with register.writing() as connection:
                register.change(
                    connection, "den", register.dens().index[0], {"geom": encode_point(longitude, latitude)}
                )
            path = export(register, ZONED, folder / "x", ["gpx"])[0]
            again, delivery = back(folder, path, ZONED)
            with again:
                assert not delivery.held_back, delivery.held_back
                ours, theirs = kept(register, tables=TABLES[:2]), kept(again, tables=TABLES[:2])
        for one, other in zip(ours["den"], theirs["den"], strict=True):
            differs = {name for name in one if one[name] != other[name]} - not_held
            # the declination is taken anew at the point that was moved
            assert differs <= {"aspect_deg", "declination_deg", "aspect_error_deg"}
            assert (other["notes"] or "") == held(" ".join((one["notes"] or "").replace(";", ",").split()))
        told = ("den_id", "observed_on", "female", "crew")
        assert [[v[n] for n in told] for v in theirs["visit"]] == [[v[n] for n in told] for v in ours["visit"]]


def test_the_demo_comes_back_equal_by_commands_alone(ondra, tmp_path) -> None:
    """Exported, taken into a new empty study of its id, every kind of record; once more changes nothing."""
    study, copy, made = ondra[0], tmp_path / "copy", tmp_path / "x"
    again = ["intake", made / "datapackage.json", "--study", copy]
    for words in (["export", made, "--study", study.folder], ["new", copy, "--from", made],
                  ["intake", made, "--study", copy], again):  # fmt: skip
        done = CliRunner().invoke(cli, list(map(str, words)))
        assert done.exit_code == 0, done.output
    assert "records of animals 0; known already" in done.output
    chosen = load(copy)
    assert chosen.study == study.settings.study
    with open_register(copy / "register.gpkg", study_id=chosen.study.id) as again:
        assert kept(again) == (there := kept(study.register))
    assert all(there[table.name] for table in TABLES)


def test_the_package_describes_every_column(register, tmp_path) -> None:
    """Types, units, bounds, choices and keys come from the terms; each file's hash and size are right."""
    package = json.loads(export(register, SETTINGS, tmp_path / "x", ["csv"])[0].read_text(encoding="utf-8"))
    assert NOTICE in package["description"]
    tables = {resource["name"]: resource for resource in package["resources"]}
    for table in TABLES:
        with (tmp_path / "x" / tables[table.name]["path"]).open(encoding="utf-8", newline="") as file:
            assert next(csv.reader(file)) == [f["name"] for f in tables[table.name]["schema"]["fields"]]
        assert tables[table.name]["bytes"] == (tmp_path / "x" / f"{table.name}.csv").stat().st_size
    den = {field["name"]: field for field in tables["den"]["schema"]["fields"]}
    assert den["canopy_pct"] | {"description": "", "title": ""} == {
        "name": "canopy_pct", "type": "number", "unit": "%", "constraints": {"minimum": 0, "maximum": 100},
        "description": "", "title": "",
    }  # fmt: skip
    assert den["den_type"]["constraints"]["enum"][0] == "tree"
    assert (den["recorded_at"]["type"], den["first_found"]["type"]) == ("datetime", "date")
    assert den["den_id"]["constraints"] == {"required": True, "unique": True}
    assert tables["visit"]["schema"]["foreignKeys"] == [
        {"fields": "den_id", "reference": {"resource": "den", "fields": "den_id"}}
    ]
    assert all(resource["schema"]["primaryKey"] for resource in tables.values())


def test_no_cell_is_run_by_a_spreadsheet(register, tmp_path) -> None:
    """Text that starts like a formula carries an apostrophe."""
    for path in export(register, SETTINGS, tmp_path / "x", ["csv"])[1:]:
        with path.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert not [c for c in cells if c[:1] in ("=", "+", "@", "\t", "\r")]
        assert not [c for c in cells if c[:1] == "-" and not c[1:].replace(".", "").isdigit()]


@given(st.text())
def test_a_guarded_cell_gives_back_its_text(text) -> None:
    """Also one that had an apostrophe of its own."""
    assert unguarded(guarded(text)) == text
    assert unguarded(guarded(f"'{text}")) == f"'{text}"


@given(st.text(st.characters(codec="utf-8")))
def test_xml_holds_any_text(text) -> None:
    """What XML 1.0 forbids is replaced, the rest is kept."""
    from densite.exports.xmltext import element

    assert ET.fromstring(element("a", text, b=text)).text == (held(text) or None)  # noqa: S314 - our own text


def test_an_export_that_was_changed_is_refused(register, tmp_path) -> None:
    """Nothing is recorded, and the message says what to do."""
    package = export(register, SETTINGS, tmp_path / "x", ["csv"])[0]
    path = tmp_path / "x" / "den.csv"
    path.write_bytes(path.read_bytes().replace(b"tree", b"cave"))
    with pytest.raises(IntakeError, match=r"den\.csv was changed"):
        back(tmp_path, package)
    path.unlink()
    with (
        pytest.raises(IntakeError, match="is missing beside it"),
        create_register(tmp_path / "e.gpkg", study_id=SETTINGS.study.id) as empty,
    ):
        hand_in(package, register=empty, settings=SETTINGS, out=tmp_path)


def test_an_export_of_another_study_is_refused(register, tmp_path) -> None:
    """Ids are made from the study's id."""
    package = export(register, SETTINGS, tmp_path / "x", ["csv"])[0]
    other = parse(STUDY_TOML.replace("7e57", "0000"))
    with pytest.raises(IntakeError, match="export of the study with id"):
        back(tmp_path, package, other)


def test_a_record_kept_with_other_values_is_not_overwritten(register, tmp_path) -> None:
    """The whole export is refused; the register stays as it was."""
    path = export(register, SETTINGS, tmp_path / "x", ["geojson"])[0]
    with register.writing(reason="later") as connection:
        register.change(connection, "den", register.dens().index[0], {"slope_deg": 12.0})
    before = kept(register)
    with pytest.raises(IntakeError, match="kept with another slope_deg"):
        hand_in(path, register=register, settings=SETTINGS, out=tmp_path)
    assert kept(register) == before


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"den_type": "tree"', '"den_type": "cave"', "den_type 'cave'"),
        ('"den_type": "tree"', '"den_type": 3', "den_type 3 cannot be read"),
        ('"den_type": "tree"', '"burrow": "tree"', "column 'burrow' is not one of den"),
        ('"visits": [', '"visit": [', "feature 1: no den with its visits"),
        ('"row_key": "', '"row_key": "x', "was not made from this study's id"),
        ('"coordinates": [', '"coordinates": [NaN, ', "no den with its visits"),
        ('"version": 1', '"version": 2', "update densite"),
    ],
)
def test_a_broken_geojson_export_is_refused(register, tmp_path, old, new, said) -> None:
    """With the feature and the column; nothing is recorded."""
    path = export(register, SETTINGS, tmp_path / "x", ["geojson"])[0]
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with create_register(tmp_path / "e.gpkg", study_id=SETTINGS.study.id) as empty:
        with pytest.raises(IntakeError, match=said):
            hand_in(path, register=empty, settings=SETTINGS, out=tmp_path)
        assert empty.counts() == {"den": 0, "visit": 0}


def test_crew_files_are_no_exports(tmp_path) -> None:
    """They are read and screened as ever."""
    assert not comeback.is_export(crew_file(tmp_path))
    assert not comeback.is_export(tmp_path / "none.json")


@given(number=st.floats(allow_nan=False, allow_infinity=False), moment=st.datetimes(dt.datetime(1900, 1, 1)))
def test_values_keep_every_digit(number, moment) -> None:
    """As text and as JSON; times to the millisecond, as they are kept."""
    table = TABLES[0]
    moment = moment.replace(microsecond=moment.microsecond // 1000 * 1000, tzinfo=dt.UTC)
    row = dict.fromkeys(names_of(table)) | {"slope_deg": number, "recorded_at": moment, "source_line": 3, "label": "a"}
    assert typed(table, {name: as_cell(value) for name, value in row.items()}) == row
    assert typed(table, json.loads(json.dumps(as_json(row)))) == row
    assert math.copysign(1, typed(table, {"slope_deg": as_cell(number)})["slope_deg"]) == math.copysign(1, number)


def test_gdal_reads_all_of_it(register, tmp_path) -> None:
    """GeoJSON, KML, GPX: no complaint, and the places."""
    needs("ogrinfo")
    export(register, SETTINGS, tmp_path / "x", ["geojson", "kml", "gpx"])
    for name, layer in (("dens.geojson", []), ("dens.kml", []), ("visits.gpx", ["waypoints"])):
        done = subprocess.run(
            ["ogrinfo", "-ro", "-al", str(tmp_path / "x" / name), *layer], capture_output=True, text=True, check=True
        )
        assert done.stderr == ""
        assert "POINT (-115.6 43.3)" in done.stdout.replace("POINT Z", "POINT")
        assert NOTICE in (tmp_path / "x" / name).read_text(encoding="utf-8")


def test_geojson_is_by_its_standard(register, tmp_path) -> None:
    """RFC 7946: no crs member, longitude first."""
    told = json.loads(export(register, SETTINGS, tmp_path / "x", ["geojson"])[0].read_text(encoding="utf-8"))
    assert "crs" not in told
    feature = told["features"][0]
    assert feature["geometry"] == {"type": "Point", "coordinates": [-115.6, 43.3]}
    assert feature["properties"]["slope_deg"] == 0.1 + 0.2
    assert [visit["observed_on"] for visit in feature["properties"]["visits"]] == ["2026-02-24", "2026-03-01"]


def test_geoparquet_holds_points_and_notice(register, tmp_path) -> None:
    """WGS 84, one row a den that was not withdrawn."""
    path = export(register, SETTINGS, tmp_path / "x", ["geoparquet"])[0]
    frame = gpd.read_parquet(path)
    assert [(p.x, p.y) for p in frame.geometry] == [(-115.6, 43.3)]
    assert frame.crs.to_epsg() == 4326
    assert parquet.read_metadata(path).metadata[b"notice"].decode() == NOTICE


def test_without_pyarrow_nothing_is_written(register, tmp_path, monkeypatch) -> None:
    """One clear error before the folder is made."""
    monkeypatch.setattr(geoparquet.importlib.util, "find_spec", lambda _: None)
    with pytest.raises(RegisterError, match="needs pyarrow: pip install"):
        export(register, SETTINGS, tmp_path / "x", list(FORMATS))
    assert not (tmp_path / "x").exists()


def test_the_folder_is_private_and_never_written_over(register, tmp_path) -> None:
    """0700; an export that fails leaves nothing behind."""
    export(register, SETTINGS, tmp_path / "x", ["kml"])
    assert stat.S_IMODE((tmp_path / "x").stat().st_mode) == 0o700
    with pytest.raises(RegisterError, match="not empty"):
        export(register, SETTINGS, tmp_path / "x", ["kml"])
    with pytest.raises(KeyError):
        export(register, SETTINGS, tmp_path / "y", ["kml", "none"])
    with pytest.raises(RegisterError, match="none is no folder: make it first"):
        export(register, SETTINGS, tmp_path / "none" / "y", ["kml"])
    (tmp_path / "z.part").mkdir()
    with pytest.raises(RegisterError, match="an export is at work, or was killed"):
        export(register, SETTINGS, tmp_path / "z", ["kml"])
    assert not list(tmp_path.glob("y*"))


def test_an_id_of_another_make_is_refused(register, tmp_path) -> None:
    """A record's id is made from the study and its row: one that is not would be doubled by the crew file."""
    path = export(register, SETTINGS, tmp_path / "x", ["csv"])[0]
    table = path.with_name("cub_record.csv")
    with register.reading() as connection:
        own = next(rows(connection, schema.record_tables["cub"]))["record_id"]
    old = comeback.hash_of(table)
    table.write_text(table.read_text(encoding="utf-8").replace(own, f"0{own[1:-1]}0"), encoding="utf-8", newline="")
    path.write_text(path.read_text(encoding="utf-8").replace(old, comeback.hash_of(table)), encoding="utf-8")
    with pytest.raises(IntakeError, match="was not made from this study's id"):
        back(tmp_path, path)
