"""The questions of `densite intake --learn`: what a file's headings mean, shown, accepted, written once."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from densite.intake.habits import Habit, Question
    from densite.intake.learning import Lesson, OtherNames
    from densite.intake.sheet import Sheet
    from densite.settings import Settings


def learn_files(
    files: tuple[Path, ...], *, folder: Path, records: str | None, accept: bool, dry_run: bool, as_json: bool
) -> int:
    """Learn the headings of files one after the other; nothing of them is recorded.

    Parameters
    ----------
    files : tuple of Path
        Crew files.
    folder : Path
        Study folder.
    records : str or None
        Kind of record that a person named.
    accept : bool
        Accept without asking all that is sure or likely; guesses are left out.
    dry_run, as_json : bool
        Show only; as JSON.

    Returns
    -------
    int
        Exit code: 1 where something was proposed or asked and is not settled.
    """
    from densite import settings
    from densite.intake.sheet import read_sheets

    sheets = [sheet for file in files for sheet in read_sheets(file, settings.load(folder).intake)]
    return max(_learn(sheet, folder, records, accept, dry_run, as_json) for sheet in sheets)


def _learn(sheet: Sheet, folder: Path, records: str | None, accept: bool, dry_run: bool, as_json: bool) -> int:
    from densite import settings
    from densite.intake.habits import habits_of
    from densite.intake.learning import learn

    chosen = settings.load(folder)  # again for each table: the one before may have added to it
    lesson = learn(sheet, chosen.intake.columns, told=records, other_names=_translated())
    habits = habits_of(lesson, chosen.intake)
    if as_json:
        click.echo(_as_json(lesson, habits))
    else:
        _show(lesson, habits)
    asking = not (accept or dry_run or as_json) and sys.stdin.isatty()
    columns, values = _asked(lesson, habits) if asking else _taken_for_granted(lesson, habits, accept)
    if not as_json:
        _show_trial(lesson, chosen, columns, values, accepted=asking or accept)
    if asking and (columns or values):
        asking = click.confirm("Write this into study.toml?", err=True)
    return _written(folder, columns, values, lesson, habits, write=(asking or accept) and not dry_run)


def _translated() -> OtherNames:
    """Return the headings of the phone form's languages: crews head their own tables in their own words."""
    from importlib import resources

    names: dict[str, list[str]] = {}
    folder = resources.files("densite").joinpath("phoneform", "words")  # the form itself would take a second to load
    for file in (file for file in folder.iterdir() if file.name.endswith(".json")):
        for key, text in json.loads(file.read_text(encoding="utf-8")).items():
            if key.startswith("term."):
                names.setdefault(key.removeprefix("term."), []).append(text)
    return names


def _show(lesson: Lesson, habits: tuple[Habit | Question, ...]) -> None:
    held = lesson.kind.heading if lesson.kind else "Den visits"
    click.echo(f"{lesson.sheet.file}: {held.lower()}, {len(lesson.sheet.headings)} headings, "
               f"{len(lesson.sheet.rows)} rows looked at")  # fmt: skip
    for heading, column in lesson.known.items():
        click.echo(f"  understood already: {heading!r} is {column}")
    for proposal in lesson.proposals:
        click.echo(f"  {proposal.confidence}: {proposal.heading!r} is {proposal.column} ({proposal.why})")
    for habit in habits:
        asked = f"{habit.key} = {habit.value!r}" if hasattr(habit, "value") else f"to be asked: {habit.key}"
        click.echo(f"  {asked} ({habit.why})")
    for heading in lesson.unused:
        click.echo(f"  left over: {heading!r}, kept with each row and not used")
    for doubt in lesson.doubts:
        click.secho(f"  beware: {doubt}", fg="yellow")


def _taken_for_granted(
    lesson: Lesson, habits: tuple[Habit | Question, ...], accept: bool
) -> tuple[dict[str, str], dict[str, str]]:
    """Take what is sure or likely; without acceptance all is shown, guesses too."""
    from densite.intake.habits import Habit
    from densite.intake.learning import Confidence

    columns = {p.heading: p.column for p in lesson.proposals if not accept or p.confidence is not Confidence.GUESS}
    return columns, {habit.key: habit.value for habit in habits if isinstance(habit, Habit)}


def _asked(lesson: Lesson, habits: tuple[Habit | Question, ...]) -> tuple[dict[str, str], dict[str, str]]:
    """Ask for all at once, or line by line; a question that only a person can answer may be left open."""
    from densite.intake.habits import Habit

    lines = len(lesson.proposals) + sum(isinstance(habit, Habit) for habit in habits)
    how = _choice(f"Accept these {lines}: all, some (line by line), none", ("all", "some", "none")) if lines else "none"
    columns = {p.heading: p.column for p in lesson.proposals if _agreed(how, f"{p.heading!r} is {p.column}?")}
    values: dict[str, str] = {}
    for habit in habits:
        if not isinstance(habit, Habit):
            values[habit.key] = _choice(f"{habit.key} ({habit.why}): {', '.join(habit.choices)}; enter leaves it open",
                                        (*habit.choices, ""))  # fmt: skip
        elif _agreed(how, f"{habit.key} = {habit.value!r}?"):
            values[habit.key] = habit.value
    return columns, {key: value for key, value in values.items() if value}


def _agreed(how: str, question: str) -> bool:
    return how == "all" or (how == "some" and click.confirm(question, err=True))


def _choice(question: str, choices: tuple[str, ...]) -> str:
    default = "" if "" in choices else None
    kind = click.Choice([c for c in choices if c] + ([""] if "" in choices else []), case_sensitive=False)
    return str(click.prompt(question, type=kind, default=default, show_default=False, show_choices=False, err=True))


def _show_trial(
    lesson: Lesson, chosen: Settings, columns: Mapping[str, str], values: Mapping[str, str], *, accepted: bool
) -> None:
    """Show the first rows as they would be read."""
    from densite.intake.learning import Proposal
    from densite.intake.trial import settled_with, tried

    kept: tuple[Proposal, ...] = tuple(p for p in lesson.proposals if p.heading in columns)
    changed = settled_with(chosen, columns=columns, values=values)
    click.echo(f"The first rows read {'so' if accepted else 'through all of this'}; nothing is recorded:")
    for trial in tried(replace(lesson, proposals=kept), changed):
        became = "; ".join(f"{name} {value}" for name, value in (trial.became or trial.values).items())
        click.echo(f"  line {trial.line}{'' if trial.became else ', no record yet'}: {became}")
        for problem in trial.problems:
            click.echo(f"    {problem.level}: {problem.message}" + (f" ({problem.hint})" if problem.hint else ""))


def _written(
    folder: Path, columns: dict[str, str], values: dict[str, str], lesson: Lesson,
    habits: tuple[Habit | Question, ...], *, write: bool,
) -> int:  # fmt: skip
    """Write what was accepted; say what stays open."""
    from densite.settingsfile import add_to_intake

    if write and (columns or values):
        path = add_to_intake(folder, columns=columns, values=values)
        click.echo(f"{path}: {len(columns) + len(values)} lines added. Now hand the file in: densite intake", err=True)
        columns, values = dict(columns), dict(values)
    elif columns or values:
        click.echo("Nothing was written. To accept what is sure or likely: --yes", err=True)
        columns, values = {}, {}
    still = [p.heading for p in lesson.proposals if p.heading not in columns]
    still += [habit.key for habit in habits if habit.key not in values]
    if still:
        click.echo(f"Still open: {', '.join(still)}", err=True)
    return int(bool(still))


def _as_json(lesson: Lesson, habits: tuple[Habit | Question, ...]) -> str:
    told = {
        "file": lesson.sheet.file, "records": lesson.kind_name, "known": dict(lesson.known),
        "proposed": [{k: v for k, v in asdict(p).items() if k != "score"} for p in lesson.proposals],
        "settings": [asdict(habit) for habit in habits], "doubts": list(lesson.doubts), "unused": list(lesson.unused),
    }  # fmt: skip
    return json.dumps(told, indent=2, ensure_ascii=False)
