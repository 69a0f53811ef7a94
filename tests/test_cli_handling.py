"""`densite handling`: which handlings a name means, and what is printed and written."""

import datetime as dt
import json
from contextlib import nullcontext
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from conftest import write
from made_handlings import DAY, SIGNED, drug, frames, handling, reading

from densite import pipeline
from densite.cli.handling import handling as command
from densite.errors import RegisterError

LAST_YEAR = dt.date(2025, 2, 20)


class Study:
    """As much of a study as the command asks for."""

    def __init__(self, folder, kinds) -> None:
        """Hold a folder and its records."""
        self.folder, self.out, self.kinds = folder, folder / "out", kinds
        self.settings = SimpleNamespace(animals=SimpleNamespace(protocol="protocol.toml"))

    def records(self, kind: str):
        """Return the records of a kind."""
        return self.kinds[kind]

    def visit(self, text: str):
        """Know one visit, at a den whose handling names no den."""
        if text != "D-9/2026-02-24":
            raise RegisterError(f"no visit '{text}'")
        return SimpleNamespace(den_id="x", den_label="D-9", date=DAY, females=("OB-009",))


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Type the command in a study with four handlings."""
    rows = [handling(1), handling(2, day=LAST_YEAR), handling(3, animal="OB-009", den_label=None),
            handling(4, animal="OB-004", den_label="D-2026-15")]  # fmt: skip
    given = [drug(2, "08:14", drug_purpose="immobilise"), drug(3, "09:10", drug="antagonist A", drug_purpose="reverse")]
    three = frames(rows, given, [reading(1, "08:30", temperature_c=34.5), reading(2, "08:45", temperature_c=33.5)])
    study = Study(tmp_path, dict(zip(("handling", "drug", "reading"), three, strict=True)))
    monkeypatch.setattr(pipeline, "open_study", lambda _: nullcontext(study))

    def typed(*words):
        return CliRunner().invoke(command, [*words, "--study", str(tmp_path)])

    return typed


def heads(text: str) -> list[str]:
    """Return the first lines of the handlings."""
    return [line for line in text.splitlines() if line.startswith("Handling of")]


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        ("OB-031", ["OB-031 on 2025-02-20", "OB-031 on 2026-02-24"]),
        ("ob-031/2026-02-24", ["OB-031 on 2026-02-24"]),
        ("D-2026-14", ["OB-031 on 2025-02-20", "OB-031 on 2026-02-24"]),
        ("D-2026-15/2026-02-24", ["OB-004 on 2026-02-24"]),
        ("D-9/2026-02-24", ["OB-009 on 2026-02-24"]),
    ],
)
def test_what_a_name_means(run, tmp_path, what, expected) -> None:
    """An animal or a den, with or without a day; a figure for each."""
    done = run(what)
    assert done.exit_code == 0, done.output
    assert [head.removeprefix("Handling of ").split(", den")[0] for head in heads(done.stdout)] == expected
    assert len(list((tmp_path / "out/handling").glob("*.png"))) == len(expected)


@pytest.mark.parametrize("what", ["OB-777", "OB-031/2024-01-01", "D-9/2026-02-25", "/", ""])
def test_a_name_without_handling(run, what) -> None:
    """Our own error, which ends in one message."""
    assert isinstance(run(what).exception, RegisterError)


def test_protocol_of_the_study(run, tmp_path) -> None:
    """Without a file, shown without judging; with a signed one, judged with its version and fingerprint."""
    text = run("OB-031/2026-02-24").stdout
    assert "no protocol on file: shown without judging" in text
    assert "Immobilise only under permit" in text
    write(tmp_path / "protocol.toml", SIGNED)
    judged = run("OB-031").stdout
    assert "Temperature above 34 C: 1 reading, 08:30" in judged
    assert "version made up 1" in judged
    assert "was not in force yet" in judged  # the handling of last year


def test_list_and_json(run) -> None:
    """One line for each handling; JSON names the figure."""
    lines = run().stdout.splitlines()
    assert [line.split("  ")[:2] for line in lines] == [
        ["2025-02-20", "OB-031"], ["2026-02-24", "OB-004"], ["2026-02-24", "OB-009"], ["2026-02-24", "OB-031"],
    ]  # fmt: skip
    assert len(json.loads(run("--json").stdout)) == 4
    (one,) = json.loads(run("OB-031/2026-02-24", "--json").stdout)
    assert one["figure"].endswith("handling-OB-031-2026-02-24.svg")
    assert one["readings"][0]["temperature_c"] == 34.5
