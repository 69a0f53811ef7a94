"""history, correct, withdraw and as-of as commands: what they print, what they need, how they end."""

import json

import pytest
from click.testing import CliRunner
from conftest import write

import densite
from densite.cli import cli
from densite.studyfolder import lay_out, study_text

HEAD = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,slope_deg\n"
ROW = "D-1,2026-02-24,OB-001,43.512340,-115.521230,WGS84,5,tree,20\n"
WHY = ("--reason", "field book")


@pytest.fixture
def run(tmp_path):
    """A study with one den, and a way to run commands on it without a terminal."""
    folder = lay_out(tmp_path / "s", study_text(name="S", crs="EPSG:32611", layers="", study_id="a-test-study"))
    with densite.open_study(folder) as study:
        study.intake(write(tmp_path / "crew.csv", HEAD + ROW))

    def command(*arguments, code=0):
        done = CliRunner().invoke(cli, [*arguments, "--study", str(folder)])
        assert done.exit_code == code, (done.output, done.exception)
        return done

    return command


def test_a_correction_and_its_story(run) -> None:
    """Before and after are shown; the story tells it with the reason."""
    done = run("correct", "D-1", "slope_deg=22", *WHY, "--yes")
    assert "Ground slope: 20 deg to 22 deg" in done.stdout
    assert "Corrected." in done.stderr
    assert "because: field book" in run("history", "D-1").stdout
    told = json.loads(run("history", "d-1", "--json").stdout)
    assert [event["action"] for event in told["events"]] == ["recorded", "recorded", "changed"]


def test_nothing_changes_without_a_yes(run) -> None:
    """Not on a pipe, not with --dry-run; a script learns the same as JSON."""
    assert "--yes" in run("correct", "D-1", "slope_deg=22", *WHY, code=1).stderr
    assert "Would be" in run("correct", "D-1", "slope_deg=22", *WHY, "--dry-run").stderr
    told = json.loads(run("correct", "D-1", "slope_deg=22", *WHY, "--dry-run", "--json").stdout)
    assert (told["done"], told["changes"][-1]["after"]) == (False, 22.0)
    assert "slope" not in run("history", "D-1").stdout.splitlines()[-1].casefold()


def test_doubts_need_confirm(run) -> None:
    """Yes alone does not settle them."""
    done = run("correct", "D-1", "slope_deg=72", *WHY, "--yes", code=1)
    assert "unusual" in done.stderr
    assert "--confirm" in done.stderr
    run("correct", "D-1", "slope_deg=72", *WHY, "--yes", "--confirm")


@pytest.mark.parametrize("fields", [("slope_deg",), ("=3",), ("slope_deg=1", "slope_deg=2")])
def test_fields_are_written_with_a_sign(run, fields) -> None:
    """Wrong use ends with 2."""
    run("correct", "D-1", *fields, *WHY, code=2)


def test_errors_end_with_1(run) -> None:
    """All of them listed."""
    done = run("correct", "D-1", "colour=red", "female=OB-2", *WHY, "--yes", code=1)
    assert "no column 'colour'" in done.stderr
    assert "belongs to a visit" in done.stderr


def test_withdraw_and_undo(run) -> None:
    """With what goes out of sight."""
    assert "visits 1" in run("withdraw", "D-1", *WHY).stdout
    assert "den D-1 taken back" in run("withdraw", "D-1", "--undo", *WHY).stdout


def test_as_of(run) -> None:
    """Today's end is now; a kind belongs to records only."""
    assert run("as-of", "2999-01-01", "records", "cub").stdout == run("records", "cub").stdout
    now = run("as-of", "2999-01-01", "check", code=1)
    assert "not kept" in now.stderr
    assert now.stdout == run("check", code=1).stdout
    run("as-of", "2999-01-01", "table", "cub", code=2)
    run("as-of", "2999-01-01", "records", code=2)
