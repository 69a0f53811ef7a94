"""Questions on a terminal, in the order in which a den is described."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import click

from densite.errors import Level
from densite.terms import RECORDED_TERMS, Term, by_name

if TYPE_CHECKING:
    from densite.pipeline import Study

PLACES = ("coordinates", "latitude", "longitude", "easting", "northing", "utm_zone", "mgrs", "x", "y", "epsg")
ASKED = (
    "den_label", "date", "observer", "crew", "female", "purpose", "coordinates", "datum", "uncertainty_m",
    "den_type", "aspect",
    "aspect_reference", "slope_deg", "canopy_pct", "notes",
)  # fmt: skip


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


def ask(values: dict[str, str], study: Study) -> dict[str, str] | None:
    """Ask for what is missing, then again for what is wrong, then whether doubts are right.

    Parameters
    ----------
    values : dict of str to str
        What was given by options.
    study : Study
        Open study, against which the answers are checked.

    Returns
    -------
    dict of str to str, or None
        The answers; enter leaves an optional one blank. None where a person said that they are wrong.
    """
    click.echo("Enter leaves a line blank. Ctrl-C stops without recording.", err=True)
    for name in ASKED:
        if _due(name, values, study):
            values = _answered(values, name)
    while wrong := _wrong(values, study):
        for name, message in wrong.items():
            click.secho(message, fg="red", err=True)
            values = _answered({k: v for k, v in values.items() if k != name}, name)
    return _confirmed(values, study)


def _due(name: str, values: Mapping[str, str], study: Study) -> bool:
    if name in values or (name == "coordinates" and any(p in values for p in PLACES)):
        return False
    if name == "datum":
        return study.settings.intake.datum is None
    if name == "aspect_reference":
        return "aspect" in values and study.settings.intake.aspect_reference is None
    return not (name == "slope_deg" and "slope_pct" in values)


def _answered(values: dict[str, str], name: str) -> dict[str, str]:
    term = by_name()[name]
    unit = f" [{term.unit}]" if term.unit and name != "slope_deg" else ""
    unit = " [deg, or 40 %]" if name == "slope_deg" else unit
    choices = f" ({', '.join(term.choices)})" if term.choices else ""
    today = f" (today is {dt.date.today().isoformat()})" if name == "date" else ""
    text = click.prompt(f"{term.heading}{unit}{choices}{today}", default="", show_default=False, err=True)
    if name == "slope_deg" and text.strip().endswith("%"):
        name = "slope_pct"
    return values | ({name: text.strip()} if text.strip() else {})


def _wrong(values: dict[str, str], study: Study) -> dict[str, str]:
    """Return the message for each field that must be mended, under a name that can be asked for."""
    problems = [p for p in study.log(values, dry_run=True).problems if p.level is Level.ERROR]
    place = next((p for p in PLACES if p in values), "coordinates")
    terms = by_name()
    return {(p.field if p.field in terms and p.field in (*values, *ASKED) else place): str(p) for p in problems}


def _confirmed(values: dict[str, str], study: Study) -> dict[str, str] | None:
    doubts = [p for p in study.log(values, dry_run=True).problems if p.level in (Level.CONFIRM, Level.WARNING)]
    for problem in doubts:
        click.secho(str(problem), fg="yellow", err=True)
    if not doubts:
        return values
    return values | {"confirmed": "yes"} if click.confirm("Is it right all the same?", err=True) else None
