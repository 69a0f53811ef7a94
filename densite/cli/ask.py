"""The options of `densite log`: one for each column that a crew may fill in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import click

from densite.terms import RECORDED_TERMS, Term

OTHER_NAMES = {"study": "study_label"}  # --study names the folder in every command


def den_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add one option for each column that a crew may fill in."""
    for term in reversed(RECORDED_TERMS):
        name = f"--{OTHER_NAMES.get(term.name, term.name).replace('_', '-')}"
        command = click.option(name, term.name, metavar=term.unit or "TEXT", help=_help(term))(command)
    return command


def _help(term: Term) -> str:
    choices = f" ({', '.join(term.choices)})" if term.choices else ""
    return term.meaning[0].upper() + term.meaning[1:] + choices + "."


def typed_in(given: Mapping[str, str | None]) -> dict[str, str]:
    """Keep the options that were filled in."""
    return {name: value.strip() for name, value in given.items() if value and value.strip()}
