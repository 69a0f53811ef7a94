"""`densite export` says what it wrote and that places are exact."""

import json
import re

import pytest
from click.testing import CliRunner

from densite import settings
from densite.cli import cli
from densite.cli.export import FORMATS, export
from densite.errors import IntakeError, SettingsError
from densite.exports import NOTICE, formats
from densite.exports.origin import read_origin
from densite.studyfolder import new_study


def told(*words) -> str:
    """Type a command line that works; return what it said."""
    done = CliRunner().invoke(cli, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture
def made(tmp_path):
    """The export of an empty study."""
    study = new_study(tmp_path / "basin", name='Basin "7"', crs="EPSG:32611", time_zone="America/Boise")
    told("export", tmp_path / "x", "--study", study)
    return tmp_path / "x"


def test_the_command_lists_its_files_and_warns(tmp_path) -> None:
    """An empty study has all files too."""
    study = new_study(tmp_path / "basin", name="Basin", crs="EPSG:32611")
    done = CliRunner().invoke(export, [str(tmp_path / "x"), "--study", str(study), "--format", "all"])
    assert done.exit_code == 0, done.output
    assert NOTICE in done.stderr
    assert sorted(done.stdout.split()) == sorted(map(str, (tmp_path / "x").iterdir()))


def test_the_command_knows_every_format() -> None:
    """It lists them without importing what writes them."""
    assert tuple(formats.FORMATS) == FORMATS


def test_a_new_study_is_made_from_an_export(made, tmp_path) -> None:
    """By its folder or its data package, with its id; what is said beside it goes first; the next step is named."""
    said = told("new", tmp_path / "copy", "--from", made)
    assert f"densite intake {made} --study {tmp_path / 'copy'}" in said
    told("new", tmp_path / "other", "--from", made / "datapackage.json", "--name", "Other", "--time-zone", "UTC")
    first, copy, other = (settings.load(tmp_path / name).study for name in ("basin", "copy", "other"))
    assert copy == first
    assert other.model_dump() == first.model_dump() | {"name": "Other", "time_zone": "UTC"}


def test_what_is_no_export_is_refused(made, tmp_path) -> None:
    """Nothing is made; the message says what to name."""
    for place, said in ((tmp_path / "none", "no such file"), (tmp_path / "basin", "Name a folder that"),
                        (made / "den.csv", "no readable JSON")):  # fmt: skip
        with pytest.raises(IntakeError, match=said):
            told("new", tmp_path / "copy", "--from", place)
    with pytest.raises(SettingsError, match="is a study already"):
        told("new", tmp_path / "basin", "--from", made)
    done = CliRunner().invoke(cli, ["new", str(tmp_path / "copy"), "--name", "n"])
    assert done.exit_code == 2
    assert "--crs is missing: say it, or name an export with --from" in done.output
    assert not (tmp_path / "copy").exists()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda told: told.pop("densite_export"), "'densite_export' is missing"),
        (lambda told: told["densite_export"].update(version=2), "update densite"),
        (lambda told: told["densite_export"].update(study_id=7), "densite_export.study_id"),
        (lambda told: told["densite_export"].pop("crs"), "densite_export.crs"),
        (lambda told: told["densite_export"].update(crs="EPSG:0"), "no CRS that PROJ knows"),
        (lambda told: told["densite_export"].update(time_zone="../../etc"), "no time zone"),
        (lambda told: told.update(title="\ud800"), "title"),
        (lambda told: told.update(title=["a"]), "title"),
    ],
)
def test_a_package_that_does_not_tell_its_study_is_refused(made, change, said) -> None:
    """With the key."""
    package = made / "datapackage.json"
    changed = json.loads(package.read_text(encoding="utf-8"))
    change(changed)
    package.write_text(json.dumps(changed), encoding="utf-8")
    with pytest.raises(IntakeError, match=said):
        read_origin(package)


def test_hostile_names_of_an_export_stay_names(made, tmp_path) -> None:
    """What would end the text in study.toml does not."""
    package = made / "datapackage.json"
    changed = json.loads(package.read_text(encoding="utf-8"))
    changed["title"] = 'n"\n[register]\npath = "../x" # {id} \\'
    package.write_text(json.dumps(changed), encoding="utf-8")
    told("new", tmp_path / "copy", "--from", made)
    chosen = settings.load(tmp_path / "copy")
    assert (chosen.study.name, chosen.register_.path) == (changed["title"], "register.gpkg")


def test_paths_in_a_data_package_lead_nowhere(made, tmp_path) -> None:
    """Tables are found beside it by our own names, whatever it says."""
    package = made / "datapackage.json"
    changed = json.loads(package.read_text(encoding="utf-8"))
    for resource in changed["resources"]:
        resource["path"] = "../../../../../../etc/hostname"
    package.write_text(json.dumps(changed), encoding="utf-8")
    assert "rows 0; recorded" in told("intake", package, "--study", tmp_path / "basin")


def test_an_export_is_handed_in_whole(made, tmp_path) -> None:
    """Its folder may be named; one table of it, or a folder that is none, is refused with the way out."""
    assert "records of animals 0" in told("intake", made, "--study", tmp_path / "basin")
    for place, said in ((made / "den.csv", "hand in .*datapackage.json"), (tmp_path / "basin", "is a study folder")):
        done = CliRunner().invoke(cli, ["intake", str(place), "--study", str(tmp_path / "basin")])
        assert done.exit_code == 2
        assert re.search(said, done.output), done.output
