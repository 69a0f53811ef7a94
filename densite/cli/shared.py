"""What all commands share: the study option, progress bars, problems on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any, NoReturn

import click

from densite.errors import Level, Problem

Command = Callable[..., Any]
SHOWN = 200
ALIKE = 5  # so many problems of one kind in one file are told in one line
MANY_ALIKE = 12  # so many of one field and one next step, though their words differ

COLOURS = {Level.ERROR: "red", Level.CONFIRM: "yellow", Level.WARNING: "yellow", Level.NOTE: None}


def study_option(command: Command) -> Command:
    """Add ``--study`` to a command."""
    return click.option(
        "--study", "folder", type=click.Path(file_okay=False, path_type=Path), default=Path(), envvar="DENSITE_STUDY",
        show_envvar=True, help="Study folder.  [default: this folder]",
    )(command)  # fmt: skip


def json_option(command: Command) -> Command:
    """Add ``--json`` to a command."""
    return click.option("--json", "as_json", is_flag=True, help="Write JSON for a script.")(command)


def progress(length: int, label: str) -> Any:
    """Return a progress bar on stderr, hidden where nobody watches."""
    return click.progressbar(length=length, label=label, file=sys.stderr, hidden=not sys.stderr.isatty())


def tell(problems: Iterable[Problem]) -> None:
    """List problems on stderr, worst first; very long lists are cut and say so."""
    order = list(Level)
    ranked = sorted(problems, key=lambda p: (order.index(p.level), p.file, p.line))
    groups: dict[tuple[str, str, str], list[Problem]] = {}
    for problem in ranked:
        groups.setdefault((problem.level, problem.file, problem.message), []).append(problem)
    told = [line for group in _joined(groups.values()) for line in _lines(group)]
    for level, line in told[:SHOWN]:
        click.secho(line, fg=COLOURS[level], err=True)
    if len(told) > SHOWN:
        click.echo(f"... and {len(told) - SHOWN} more", err=True)


def _joined(groups: Iterable[list[Problem]]) -> list[list[Problem]]:
    """Join very many problems of one file that differ only in names: same field, same next step."""
    alike: dict[tuple[str, str, str, str], list[list[Problem]]] = {}
    for group in groups:
        first = group[0]
        alike.setdefault((first.level, first.file, first.field, first.hint), []).append(group)
    return [
        group
        for some in alike.values()
        for group in ([[p for each in some for p in each]] if len(some) >= MANY_ALIKE and some[0][0].line else some)
    ]


def _lines(group: list[Problem]) -> list[tuple[Level, str]]:
    """Return a line for each problem, or one for many of the same kind in one file."""
    if len(group) < ALIKE:
        return [(problem.level, str(problem)) for problem in group]
    first = group[0]
    hints = {problem.hint for problem in group}
    hint = f" ({first.hint})" if hints == {first.hint} else f" (for example {first.hint})"
    where = f"{first.file}, {len(group)} rows, lines {first.line} to {group[-1].line}"
    same = {problem.message for problem in group} == {first.message}
    said = first.message if same else f"for example: {first.message}"
    return [(first.level, f"{where}: {first.level}: {said}{hint if first.hint else ''}")]


def counted(problems: Iterable[Problem]) -> str:
    """Count problems by level in words."""
    levels = [p.level for p in problems]
    names = {
        Level.ERROR: "errors",
        Level.CONFIRM: "to confirm",
        Level.WARNING: "warnings",
        Level.NOTE: "notes",
    }
    return ", ".join(f"{levels.count(level)} {name}" for level, name in names.items() if level in levels) or "none"


def as_json(problems: Iterable[Problem]) -> str:
    """Return problems as a JSON list."""
    return json.dumps([asdict(p) for p in problems], indent=2, ensure_ascii=False)


def line_count(files: Iterable[Path]) -> int:
    """Count lines, so that a progress bar knows its length."""
    total = 0
    for path in files:
        if path.is_file():
            with path.open("rb") as file:
                total += sum(block.count(b"\n") for block in iter(lambda: file.read(1 << 20), b""))
    return total


def stopped(kept: str) -> NoReturn:
    """End after Ctrl-C and say what that means for the register."""
    click.echo(f"\nStopped. {kept}", err=True)
    sys.exit(130)
