"""What no module alone can promise: no code from data, no formula for a spreadsheet, nothing for other users."""

import ast
import csv
import os
import sys
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner
from conftest import STUDY_TOML, write
from shapely.geometry import Point

import densite
from densite.cli import cli, main
from densite.errors import DensiteError, LayerError
from densite.layers import open_layers
from densite.register import open_register
from densite.register.soundness import look_at
from densite.settings import parse

PACKAGE = Path(densite.__file__).parent
HOSTILE = (
    "D-1' OR '1'='1'; DROP TABLE den; --",
    'x"; DROP TABLE den; --',
    "\\'); DELETE FROM visit; -- %s %(x)s ? :x {label}",
)
HEADS = ["den_label", "date", "latitude", "longitude", "datum", "uncertainty_m", "den_type"]
CELLS = ["2026-02-24", "43.512340", "-115.521230", "WGS84", "5"]
# What turns data into code, unpacks archives or starts programs: none of it is needed here.
MODULES = {"pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml", "xlrd", "openpyxl", "subprocess",
           "zipfile", "tarfile", "gzip", "bz2", "lzma", "zlib"}  # fmt: skip
CALLS = {"eval", "exec", "compile", "__import__"}
METHODS = {"system", "popen", "read_pickle", "to_pickle", "read_excel", "load_extension", "enable_load_extension",
           "extract", "extractall", "unpack_archive"}  # fmt: skip
# Archives and workbooks of crews are opened here only, after a look at what they would unfold to.
ALLOWED = {"ziplimits": {"zipfile", "zlib", "lzma"}, "archive": {"zipfile"}, "xlsx": {"zipfile", "openpyxl"}}


def test_no_data_becomes_code() -> None:
    """No pickle, no evaluated text, no shell, no archive that could unfold to any size."""
    for path in PACKAGE.rglob("*.py"):
        allowed = ALLOWED.get(path.stem, set()) if path.parent.name == "intake" else set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not _dangerous(node, allowed), f"{path} line {node.lineno}"


def _dangerous(node: ast.AST, allowed: frozenset[str] | set[str] = frozenset()) -> bool:
    if isinstance(node, ast.Import):
        return any(alias.name.split(".")[0] in MODULES - allowed for alias in node.names)
    if isinstance(node, ast.ImportFrom):
        return (node.module or "").split(".")[0] in MODULES - allowed
    if not isinstance(node, ast.Call):
        return False
    called = node.func
    named = isinstance(called, ast.Name) and called.id in CALLS
    method = isinstance(called, ast.Attribute) and called.attr in METHODS
    return named or method or bool({word.arg for word in node.keywords} & {"shell", "allow_pickle"})


@pytest.mark.parametrize(
    "text", ["import pickle", "from zipfile import ZipFile", "eval(x)", "f(x, shell=True)", "pd.read_pickle(p)"]
)
def test_the_watch_sees(text) -> None:
    """What is looked for is found."""
    assert any(map(_dangerous, ast.walk(ast.parse(text))))


def test_pictures_are_written_and_never_read() -> None:
    """A picture that unfolds to any size needs a reader; layers are read by blocks, of photographs the headers."""
    text = "\n".join(
        path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py") if path.stem not in ("exif", "upright")
    )
    assert "Image.open" not in text
    assert "imread" not in text


def crew_file(path: Path, rows: list[list[str]], *more: str) -> Path:
    """Write a crew file of dens."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([[*HEADS, *more], *rows])
    return path


@pytest.fixture
def study(tmp_path):
    """An empty study."""
    return densite.new_study(tmp_path / "basin", name="Basin", crs="EPSG:32611")


@pytest.mark.parametrize("hostile", HOSTILE)
def test_no_input_becomes_sql(study, tmp_path, hostile) -> None:
    """A label, an id, a name of a file or column that ends a statement: recorded as it is, or told; all is there."""
    crew = crew_file(tmp_path / "crew.csv", [[hostile, *CELLS, "tree"], ["D-2", CELLS[0], "43.6", *CELLS[2:], "brush"]])
    with densite.open_study(study) as opened:
        opened.intake([crew])
        labels = sorted(opened.dens["label"])
    assert labels == sorted([hostile, "D-2"])
    asked = (
        ["correct", hostile, "slope_deg=12", "--reason", hostile, "--yes"], ["history", hostile],
        ["correct", "D-2", f"{hostile}=1", "--reason", "x", "--yes"], ["history", f"{hostile}/2026-02-24"],
        ["animal", hostile], ["as-of", hostile, "table"], ["records", "cub", "--as-of", hostile],
        ["sheet", hostile], ["withdraw", hostile, "--reason", hostile], ["merge", hostile],
    )  # fmt: skip
    for words in asked:
        done = CliRunner().invoke(cli, [*words, "--study", str(study)])
        assert isinstance(done.exception, SystemExit | DensiteError | None), (words, done.exception)
    with open_register(study / "register.gpkg") as register:
        assert (len(register.dens(every=True)), len(register.visits(every=True))) == (2, 2)
        assert register.dens(every=True).set_index("label").loc[hostile, "withdrawn"] is not None
    assert not look_at(study / "register.gpkg")


@pytest.mark.parametrize("hostile", HOSTILE)
def test_a_layers_name_is_only_a_name(tmp_path, hostile) -> None:
    """It is looked up among the file's layers; one that is called so is read."""
    frame = gpd.GeoDataFrame({"geometry": [Point(0, 0).buffer(1)]}, crs="EPSG:32611")
    frame.to_file(tmp_path / "a.gpkg", layer="roads")
    before = (tmp_path / "a.gpkg").read_bytes()
    quoted = hostile.replace("\\", "\\\\").replace('"', '\\"')
    settings = parse(f'{STUDY_TOML}[layers.roads]\npath = "a.gpkg"\nlayer = "{quoted}"\n')
    with pytest.raises(LayerError, match="roads"):
        open_layers(settings, folder=tmp_path)
    assert (tmp_path / "a.gpkg").read_bytes() == before


def test_rows_that_come_back_run_no_formula(study, tmp_path) -> None:
    """Not in a heading either; mended, the file is read as it was."""
    formula = '=HYPERLINK("http://x")'
    crew = crew_file(tmp_path / "crew.csv", [["D-1", *CELLS, "cave", formula]], formula)
    with densite.open_study(study) as opened:
        (rejected,) = [delivery.rejected for delivery in opened.intake([crew])]
        with rejected.open(encoding="utf-8-sig", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert f"'{formula}" in cells
        assert not [cell for cell in cells if cell.startswith("=")]
        write(rejected, rejected.read_text(encoding="utf-8-sig").replace("cave", "tree", 2))
        assert not [delivery.held_back for delivery in opened.intake([rejected]) if delivery.held_back]
        assert formula in opened.visits["as_recorded"].iloc[0].replace('\\"', '"')
        assert f"'{formula}" not in opened.visits["as_recorded"].iloc[0]


def test_what_commands_write_is_its_owners_alone(tmp_path, monkeypatch) -> None:
    """Under a umask that lets everybody read and write: every file 0600, every folder 0700."""
    crew = crew_file(tmp_path / "crew.csv", [["D-1", *CELLS, "tree"], ["D-2", *CELLS, "cave"]])
    basin = tmp_path / "basin"
    before = os.umask(0)
    try:
        for words in (["new", basin, "--name", "Basin", "--crs", "EPSG:32611"], ["intake", crew], ["map"], ["backup"],
                      ["backup", "-o", tmp_path / "b.gpkg"], ["export", tmp_path / "x", "--format", "all"],
                      ["new", tmp_path / "copy", "--from", tmp_path / "x"], ["sheet", "D-1"]):  # fmt: skip
            at = [] if words[0] == "new" else ["--study", basin]
            monkeypatch.setattr(sys, "argv", ["densite", *map(str, (*words, *at))])
            with pytest.raises(SystemExit):
                main()
            assert os.umask(0) == 0
    finally:
        os.umask(before)
    made = [path for path in tmp_path.rglob("*") if path != crew]
    assert {"b.gpkg", "x", "copy", "rejected-crew.csv", "crew-map.html", "backups"} <= {path.name for path in made}
    assert not [path for path in made if path.stat().st_mode & 0o077]
