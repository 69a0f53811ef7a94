"""The README speaks of what is there: commands, layers, words."""

import re
from pathlib import Path

from densite.cli import cli
from densite.settings import RASTER_LAYERS, VECTOR_LAYERS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_every_command_is_shown_and_every_shown_one_exists() -> None:
    """The tour and the commands agree."""
    shown = set(re.findall(r"densite ([a-z-]+)", README))
    assert set(cli.commands) <= shown
    tour = README.split("## A tour")[1].split("```")[1]
    assert set(re.findall(r"^densite ([a-z-]+)", tour, re.MULTILINE)) <= set(cli.commands)


def test_every_layer_is_explained() -> None:
    """Each name that study.toml knows stands in the table of layers."""
    table = README.split("## Which layers it needs")[1].split("## Words")[0]
    for name in (*RASTER_LAYERS, *VECTOR_LAYERS):
        assert re.search(rf"\b{name}\b", table), name


def test_both_commands_are_one_line() -> None:
    """Marked, so that CI runs just what the README says."""
    for mark in ("demo command", "test command"):
        block = README.split(f"<!-- {mark} -->\n```sh\n")[1].split("\n```")[0]
        assert "\n" not in block
        assert "pip install" in block


def test_only_the_agreed_top_level_is_there() -> None:
    """No stray files beside the project's own."""
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    top = {line.split("/")[0] for line in listed.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "densite", "layers_demo", "tests", "maps"}
    assert {name for name in top if not name.startswith(".")} <= allowed
