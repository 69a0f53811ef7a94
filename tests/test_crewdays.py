"""The printed list of what is missing, and the questions as JSON."""

import json

from click.testing import CliRunner

from densite.cli import cli
from densite.questions import labels_of
from densite.review.crewdays import WIDTH, as_json, grouped, missing_text


def test_grouped_newest_day_first_and_crews_in_order(ondra) -> None:
    """What has no day is last."""
    keys = list(grouped(ondra[0].review().findings))
    days = [day for _, day in keys]
    assert days == sorted(days, reverse=True)
    assert keys == sorted(sorted(keys, key=lambda key: (key[0] == "", key[0])), key=lambda key: key[1], reverse=True)


def test_the_list_names_crew_day_den_and_columns(ondra) -> None:
    """Every missing column is in it once, and a table counts what is filled in."""
    study = ondra[0]
    review = study.review()
    text = missing_text(review, labels_of(study))
    assert "2026-02-09  crew C\n  [ ] D-2026-10: entrance aspect\n" in text
    assert max(map(len, text.splitlines())) <= WIDTH
    lacking = [f for f in review.findings if f.missing]
    assert text.count("[ ]") == len({(f.day, f.crew, f.den_id) for f in lacking})
    assert "Entrance aspect                  den           234     235    99 %" in text


def test_json_names_how_to_settle(ondra) -> None:
    """Kind, den, day, crew and the names for --settle."""
    study = ondra[0]
    told = json.loads(as_json(study.review(), labels_of(study)))
    (one,) = [q for q in told if q["kind"] == "missing" and q["den"] == "D-2026-10"]
    assert (one["day"], one["crew"], one["about"]) == ("2026-02-09", "crew C", ["missing.aspect"])
    assert one["level"] == "note"


def test_command(ondra, tmp_path) -> None:
    """Text, list, page and wrong use, with their exit codes."""
    run, folder = CliRunner(), ["--study", str(ondra[0].folder)]
    done = run.invoke(cli, ["check", *folder, "--html", str(tmp_path / "questions.html")])
    assert done.exit_code == 1
    assert "Not looked at: dates outside the denning season: it is not set" in done.stdout
    assert "Exact den places" in done.stderr
    assert (tmp_path / "questions.html").stat().st_size > 100_000
    assert run.invoke(cli, ["check", *folder, "--missing"]).stdout.startswith("2026-02-09  crew C")
    assert run.invoke(cli, ["check", *folder, "--reason", "x"]).exit_code == 2
    lost = run.invoke(cli, ["check", *folder, "--html", str(tmp_path / "no" / "q.html")])
    assert "no folder" in str(lost.exception)
