"""`densite intake --learn` as it is used: shown, asked, written once; and photographs handed in."""

import json

import pytest
from click.testing import CliRunner
from conftest import write
from made_photographs import photograph

from densite.cli import cli
from densite.cli import learn as learn_module
from densite.errors import SettingsError
from densite.pipeline import open_study
from densite.settings import load
from densite.studyfolder import new_study

FIELD = """\
Den label;Begangen am;Breite;Länge;Type of dn;Ground slp (%);Canopy cov.;Aspect (mag)
D-1;24.02.2026;43,51234;-115,52123;tree;62;45;140
D-2;25.02.2026;43,52234;-115,51123;rock ledge;31,5;10;NNE
D-3;26.02.2026;43,53234;-115,50123;brush;12;80;200
"""


@pytest.fixture
def study(tmp_path):
    """A new study folder."""
    return new_study(tmp_path / "s", name="Ondra", crs="EPSG:32611", time_zone="America/Boise")


@pytest.fixture
def field(tmp_path):
    """A table with headings of somebody's own."""
    return write(tmp_path / "field.csv", FIELD)


def run(study, *words, answers=None):
    """Run `densite intake` in a study."""
    return CliRunner().invoke(cli, ["intake", "--study", str(study), *map(str, words)], input=answers)


@pytest.fixture
def asked(monkeypatch):
    """Somebody sits at the terminal."""

    class Terminal:
        @staticmethod
        def isatty() -> bool:
            return True

    monkeypatch.setattr(learn_module, "sys", type("Sys", (), {"stdin": Terminal}))


def test_without_a_terminal_it_only_shows(study, field) -> None:
    """Nothing is written or recorded; exit code 1; three rows are shown with what they lack."""
    before = (study / "study.toml").read_bytes()
    done = run(study, "--learn", field)
    assert done.exit_code == 1
    assert "sure: 'Länge' is longitude" in done.output
    assert "to be asked: datum" in done.output
    assert [f"  line {line}" in done.output for line in (2, 3, 4, 5)] == [True, True, True, False]
    assert "Nothing was written" in done.output
    assert (study / "study.toml").read_bytes() == before


def test_yes_takes_what_is_sure_or_likely(study, field) -> None:
    """Guesses and questions stay open, and are named; a second time there is nothing to add."""
    done = run(study, "--learn", field, "--yes")
    chosen = load(study).intake
    assert chosen.columns["Länge"] == "longitude"
    assert chosen.columns["Type of dn"] == "den_type"
    assert chosen.columns["Ground slp (%)"] == "slope_pct"
    assert "Begangen am" not in chosen.columns
    assert (chosen.decimal, chosen.date_order, chosen.aspect_reference, chosen.datum) == (
        ",", "day first", "magnetic", None)  # fmt: skip
    assert done.exit_code == 1
    assert "Still open: Begangen am, datum" in done.output
    written = (study / "study.toml").read_bytes()
    run(study, "--learn", field, "--yes")
    assert (study / "study.toml").read_bytes() == written
    with open_study(study) as opened:
        assert len(opened.register.dens()) == 0


def test_dry_run_and_json_write_nothing(study, field) -> None:
    """As JSON for a script; with --dry-run nothing is written even with --yes."""
    before = (study / "study.toml").read_bytes()
    done = run(study, "--learn", field, "--json")
    told = json.loads(done.stdout)
    assert {p["heading"]: p["column"] for p in told["proposed"]}["Länge"] == "longitude"
    assert run(study, "--learn", field, "--yes", "--dry-run").exit_code == 1
    assert (study / "study.toml").read_bytes() == before


@pytest.mark.usefixtures("asked")
def test_all_at_once_and_then_the_file_goes_in(study, field) -> None:
    """Accept all, say the datum, see the rows, say yes: the file is taken in without a word more."""
    done = run(study, "--learn", field, answers="all\nWGS84\ny\n")
    assert done.exit_code == 0, done.output
    assert "den_type tree" in done.output
    assert load(study).intake.datum == "WGS84"
    taken = run(study, field)
    assert "visits 3" in taken.output, taken.output


@pytest.mark.usefixtures("asked")
def test_line_by_line(study, field) -> None:
    """Each line is asked for; what is refused is not written."""
    done = run(study, "--learn", field, answers="some\n" + "n\n" + "y\n" * 8 + "\ny\n" + "y\n")
    assert "'Begangen am' is date? [y/N]: n" in done.output
    chosen = load(study).intake
    assert "Begangen am" not in chosen.columns
    assert chosen.columns["Länge"] == "longitude"
    assert done.exit_code == 1


@pytest.mark.usefixtures("asked")
def test_none_writes_nothing(study, field) -> None:
    """None accepted and no question answered: study.toml stays as it was."""
    before = (study / "study.toml").read_bytes()
    done = run(study, "--learn", field, answers="none\n\n\n\n")
    assert done.exit_code == 1
    assert (study / "study.toml").read_bytes() == before


def test_wrong_use_is_told_in_one_error(study, tmp_path) -> None:
    """--yes alone, a folder, a study.toml that cannot grow."""
    assert "--yes goes with --learn" in run(study, "--yes", "a.csv").output
    done = run(study, "--learn", tmp_path)
    assert "one by one" in str(done.exception)
    path = study / "study.toml"
    path.write_text(path.read_text().replace("[intake.columns]", "").replace("[intake]", "[intake]\ncolumns.a='crew'"))
    done = run(study, "--learn", write(tmp_path / "f.csv", FIELD), "--yes")
    assert isinstance(done.exception, SettingsError)
    assert "by hand" in str(done.exception)


def test_photographs_in_a_folder(study, tmp_path) -> None:
    """Offered, told where they offer nothing, copied upright only when asked."""
    shots = tmp_path / "shots"
    shots.mkdir()
    photograph(shots / "D-9 entrance.jpg", turned=6)
    photograph(shots / "dark.jpg", gps={1: None})
    done = run(study, shots)
    assert done.exit_code == 1
    assert "N or S" in done.output
    assert not (study / "photos").exists()
    done = run(study, shots, "--keep-photos")
    assert len(list((study / "photos" / "offered").iterdir())) == 2
    assert "held back 1" in done.output
