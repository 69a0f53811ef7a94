"""`densite samples` and `densite permits`: what goes to stdout, to stderr, and the exit codes."""

import csv
import datetime as dt
import io
import json
from contextlib import nullcontext
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from densite.animals import frame_of
from densite.cli.permits import permits
from densite.cli.samples import samples
from densite.errors import IntakeError

DAY = dt.date(2026, 2, 24)
KINDS = {
    "sample": [
        {"sample_label": f"S-01{n}", "animal": "OB-031", "date": DAY, "tissue": tissue, "laboratory": laboratory}
        for n, tissue, laboratory in ((0, "blood", "Lab A"), (1, "tooth", None))
    ],
    "custody": [
        {"sample_label": "S-010", "step": "collected", "date": DAY, "to_whom": "A. Crew"},
        {"sample_label": "S-011", "step": "collected", "date": DAY, "where": "freezer 2"},
    ],
    "result": [{"sample_label": "s 011", "determination": "age", "value": "7", "unit": "y"}],
    "animal": [{"animal": "OB-031", "sex": "female", "species": "bear"}],
    "permit": [{"permit": "P-1", "authority": "Office", "valid_from": DAY, "valid_to": DAY, "max_animals": 1.0,
                "procedures": "blood; draw tooth; handle cubs"}],
    "handling": [{"animal": "OB-031", "date": DAY, "den_label": "D-2026-14", "permit": "P-1"}],
    "cub": [], "mark": [], "drug": [],
}  # fmt: skip


@pytest.fixture
def run(monkeypatch):
    """Return a function that runs a command on records like those above."""

    def ran(command, *words, **changes):
        rows = KINDS | changes
        study = SimpleNamespace(records=lambda kind: frame_of(kind, rows[kind]))
        monkeypatch.setattr("densite.pipeline.open_study", lambda _: nullcontext(study))
        return CliRunner().invoke(command, list(words))

    return ran


def table(result) -> list[dict[str, str]]:
    """Return the rows on stdout."""
    return list(csv.DictReader(io.StringIO(result.stdout)))


def test_manifest(run) -> None:
    """The list alone on stdout; samples for no laboratory are counted on stderr."""
    done = run(samples, "manifest", "--laboratory", "lab a")
    assert done.exit_code == 0
    (row,) = table(done)
    assert (row["sample_label"], row["tissue"], row["taken_on"], row["species"]) == (
        "S-010",
        "blood",
        "2026-02-24",
        "bear",
    )
    assert done.stderr == "Samples that name no laboratory and are not listed: 1\n"
    twice = [*KINDS["sample"], KINDS["sample"][0] | {"sample_label": "s 010", "date": None}]
    done = run(samples, "manifest", "--all", "--with-sex", sample=twice)
    assert (done.exit_code, len(table(done)), table(done)[0]["sex"]) == (1, 3, "female")
    assert "spelled otherwise" in done.stderr


def test_custody(run) -> None:
    """A line a sample for people, JSON for scripts, gaps on stderr."""
    done = run(samples, "custody", "--today", "2026-03-01")
    assert done.exit_code == 0
    assert done.stdout.splitlines() == [
        "S-010  OB-031  blood: collected 2026-02-24, 5 d ago; A. Crew",
        "S-011  OB-031  tooth: collected 2026-02-24, 5 d ago; freezer 2",
    ]
    done = run(samples, "custody", "--json", "--today", "2026-03-01", custody=KINDS["custody"][1:])
    first = json.loads(done.stdout)[0]
    assert (done.exit_code, first["sample_label"], first["step"], first["days_since"]) == (1, "S-010", None, None)
    assert "sample S-010 of OB-031 has no custody step" in done.stderr
    assert run(samples, "custody", sample=[], custody=[]).stdout == "No samples on file.\n"


def test_results_of_a_file(run, tmp_path) -> None:
    """Rows to hand in on stdout; what is left out and what is missing on stderr."""
    file = tmp_path / "lab.csv"
    file.write_text("Tube;Sex;Well\ns-o10;F;A1\n", encoding="utf-8")
    words = ("results", str(file), "--label-column", "Tube", "--only", "sex", "--laboratory", "Lab A", "--reported-on",
             "2026-06-01")  # fmt: skip
    done = run(samples, *words)
    assert done.exit_code == 0
    assert table(done) == [{"sample_label": "S-010", "determination": "Sex", "value": "F", "laboratory": "Lab A",
                            "reported_on": "2026-06-01", "result_file": "lab.csv"}]  # fmt: skip
    assert done.stderr == "Rows written: 1; left out: none\n"
    assert table(run(samples, *words, "--joined"))[0]["animal"] == "OB-031"
    file.write_text("Tube;Sex\nS-019;F\n", encoding="utf-8")
    done = run(samples, *words[:4])
    assert (done.exit_code, table(done)) == (1, [])
    assert "is S-010, S-011 meant?" in done.stderr
    assert done.stderr.endswith("Samples without any result: S-010\n")
    assert isinstance(run(samples, *words[:2]).exception, IntakeError)


def test_results_on_file(run) -> None:
    """With their animals."""
    (row,) = table(run(samples, "results"))
    assert (row["sample_label"], row["animal"], row["tissue"], row["value"]) == ("s 011", "OB-031", "tooth", "7")


def test_permits(run) -> None:
    """The ledger for people, spreadsheets and programs; findings on stderr with exit code 1."""
    done = run(permits, "--today", "2026-02-24")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "draw tooth 1; blood 1" in done.stdout
    assert "local law" in done.stdout
    done = run(permits, "--format", "json", handling=[KINDS["handling"][0] | {"permit": None}])
    assert (done.exit_code, json.loads(done.stdout)[0]["handlings"]) == (1, 0)
    assert "names no permit" in done.stderr
    assert table(run(permits, "--format", "csv"))[0]["animals_left"] == "0"
    assert run(permits, "--today", "yesterday").exit_code == 2
