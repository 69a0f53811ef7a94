"""`densite cubs fit` and `densite cubs ages`, on a study that holds only cubs."""

import contextlib
import json
from io import StringIO
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from made_cubs import grown, known

from densite.calibration import read
from densite.cli.cubs import cubs
from densite.errors import StatisticsError


@pytest.fixture
def study(tmp_path, monkeypatch):
    """Put a study of 12 invented litters in the place of the register."""
    held = SimpleNamespace(cubs=known(grown(np.random.default_rng(1), litters=12)), folder=tmp_path)
    held.settings = SimpleNamespace(study=SimpleNamespace(name="Ondra Basin"))
    held.calibration = None
    held.records = lambda kind: {"cub": held.cubs}[kind]
    monkeypatch.setattr("densite.pipeline.open_study", lambda _: contextlib.nullcontext(held))
    return held


def run(*arguments: str):
    """Run a command and return what came of it."""
    return CliRunner().invoke(cubs, [str(one) for one in arguments])


def with_calibration(study) -> None:
    """Fit the study's cubs, name the file, and forget the known birth dates."""
    assert run("fit", "--invented", "-o", study.folder / "calibration.toml").exit_code == 0
    study.calibration = read(study.folder / "calibration.toml")
    study.cubs = study.cubs.assign(born_on=None)


def test_fit_writes_calibration_and_figure_once(study) -> None:
    """Summary on stdout, caution on stderr; the files are not replaced without --force."""
    path = study.folder / "calibration.toml"
    done = run("fit", "--invented", "--species", "invented bear", "-o", path)
    assert done.exit_code == 0
    assert done.stdout.startswith("Invented calibration 'Ondra Basin', invented bear")
    assert "RMSE" in done.stdout
    assert "permit" in done.stderr
    assert {one.name for one in study.folder.iterdir()} == {f"calibration.{end}" for end in ("toml", "svg", "png")}
    before = path.read_text(encoding="utf-8")
    again = run("fit", "-o", path)
    assert again.exit_code == 2
    assert "is there already" in again.stderr
    assert path.read_text(encoding="utf-8") == before
    assert run("fit", "--force", "--measurements", "hair_mm", "-o", path).exit_code == 0
    assert "ear_mm" not in path.read_text(encoding="utf-8")


def test_rows_left_out_are_told(study) -> None:
    """On stderr, with file and line."""
    study.cubs.loc[study.cubs.index[0], "hair_landmark"] = None
    done = run("fit", "-o", study.folder / "c.toml")
    assert "cubs.csv line 2" in done.stderr
    assert "without hair_landmark" in done.stderr


def test_too_few_litters_write_nothing(study) -> None:
    """One message of our own."""
    study.cubs = study.cubs[study.cubs["female"] < "OB-003"]
    done = run("fit", "-o", study.folder / "c.toml")
    assert isinstance(done.exception, StatisticsError)
    assert not any(study.folder.iterdir())


def test_ages_in_every_format(study) -> None:
    """The same births as text, CSV, Markdown and JSON; each says on stdout that the calibration is invented."""
    with_calibration(study)
    text, csv, md, js = (run("ages", "--format", kind) for kind in ("txt", "csv", "md", "json"))
    for one in (text, csv, md, js):
        assert one.exit_code == 0
        assert "THE CALIBRATION IS INVENTED" in one.stdout
        assert "calibration 'Ondra Basin'" in " ".join(one.stdout.split())
    assert pd.read_csv(StringIO(csv.stdout))["ages_from"].str.contains("INVENTED").all()
    assert "INVENTED" in json.loads(js.stdout)["ages_from"]
    assert len(md.stdout.splitlines()) == 2 + 2 + 12
    assert len(pd.read_csv(StringIO(csv.stdout))) == 12
    litters = json.loads(js.stdout)["litters"]
    assert len(litters) == 12
    assert litters[0]["born_on"] in text.stdout
    assert litters[0]["born_on"] in csv.stdout
    assert "Ages are estimates" in text.stderr


def test_cubs_come_after_litters(study) -> None:
    """Text and JSON have both, CSV the cubs alone; reasons stand below their row."""
    with_calibration(study)
    study.cubs.loc[study.cubs.index[3], "hair_landmark"] = None
    done = run("ages", "--cubs")
    assert done.stdout.index("measured") < done.stdout.index("cub_no")
    assert "    reason: hair_mm without hair_landmark" in done.stdout
    assert len(json.loads(run("ages", "--cubs", "--format", "json").stdout)["cubs"]) == len(study.cubs)
    assert len(run("ages", "--cubs", "--format", "csv").stdout.splitlines()) == len(study.cubs) + 1


def test_extrapolation_is_an_option(study) -> None:
    """No age beyond the range without it."""
    with_calibration(study)
    study.cubs.loc[study.cubs["female"] == "OB-001", "hair_mm"] = 60.0
    assert "outside the calibration's" in run("ages").stdout
    assert "extrapolated: hair_mm 60.0 mm" in run("ages", "--extrapolate").stdout


def test_no_calibration_says_how_to_make_one(study) -> None:
    """Known birth dates are printed all the same; another file can be named."""
    done = run("ages")
    assert done.exit_code == 0
    assert "only known birth dates" in done.stdout
    assert "densite cubs fit" in done.stdout
    with_calibration(study)
    study.calibration = None
    path = study.folder / "calibration.toml"
    assert "CALIBRATION IS INVENTED" in run("ages", "--calibration", path).stdout


def test_no_cubs(study) -> None:
    """Said in words, or empty."""
    study.cubs = study.cubs.iloc[:0]
    assert run("ages").stdout.endswith("No cubs on record.\n")
    assert json.loads(run("ages", "--format", "json").stdout)["litters"] == []


def test_help_carries_the_cautions() -> None:
    """Permit, warmth, orphans, gloves."""
    told = " ".join(run("--help").stdout.split())
    for word in ("permit", "warm", "orphan", "gloves"):
        assert word in told
