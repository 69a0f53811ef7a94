"""The commands on litters: numbers on stdout, words on stderr, figures in the study's folder."""

import json

import pytest
from click.testing import CliRunner

from densite.cli import cli


@pytest.fixture
def run(ondra):
    """Run a command of the group on the demo."""
    study, _ = ondra

    def go(*arguments: str):
        result = CliRunner().invoke(cli, ["cubs", *arguments, "--study", str(study.folder)], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result

    return go


def test_litters(run) -> None:
    """The table, along the gradient on the scale on which dens are compared."""
    assert run("litters").stdout.startswith("Litters by den type, landscape class and winter")
    rows = json.loads(run("litters", "--format", "json").stdout)["tests"]
    assert rows[-1]["where"] == "along log10(1 + housing density)"


@pytest.mark.parametrize(("name", "figure"), [("births", "litter-births"), ("growth", "cub-growth")])
def test_ages_and_figures(run, ondra, name, figure) -> None:
    """The calibration is named, that it is invented is said in text and figure, and where the figure is."""
    result = run(name)
    assert "THE CALIBRATION IS INVENTED" in result.stdout
    assert "'Ondra Basin'" in result.stdout
    assert f"{figure}.svg" in result.stderr
    svg = (ondra[0].out / "figures" / f"{figure}.svg").read_text(encoding="utf-8")
    assert "THE CALIBRATION IS INVENTED" in svg
    assert run(name, "--format", "csv").stdout.startswith("part,")
