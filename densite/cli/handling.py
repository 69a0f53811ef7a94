"""The command that shows handlings: times, vitals against the study's own protocol, the timeline."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.handling import Event
    from densite.vitals import Judged


@click.command(short_help="Show a handling: times, vitals, gaps, the study's own limits.")
@click.argument("what", required=False, metavar="[DEN or ANIMAL[/DATE]]")
@shared.json_option
@shared.study_option
def handling(what: str | None, as_json: bool, folder: Path) -> None:
    """For the crew: show how a handling went, and draw its timeline into out/handling/.

    \b
    Example:  densite handling --study basin OB-031/2026-02-24
              densite handling --study basin D-2026-14
              densite handling --study basin            (one line for each)

    Limits and intervals are those of protocol.toml, filled in and signed by the study's veterinarian;
    without a signed one in force, readings are shown without judging. Immobilise only under permit and
    a veterinary protocol; know the emergency plan for people; watch for hypothermia and hyperthermia;
    keep cubs warm; have a plan for orphans; wear gloves. densite gives no dose and no action.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        judged = _judged(study, what)
        if what is None:
            _list(judged, as_json)
        else:
            _show(judged, study.out / "handling", as_json)


def _judged(study: Any, what: str | None) -> list[tuple[Event, Judged]]:
    """Read the handlings that are asked for, and hold each against the protocol."""
    from densite.handling import events
    from densite.protocol import load
    from densite.vitals import judge

    protocol = load(study.folder / study.settings.animals.protocol)
    found = events(*(study.records(kind) for kind in ("handling", "drug", "reading")))
    return [(event, judge(event, protocol)) for event in (found if what is None else _chosen(study, found, what))]


def _chosen(study: Any, events: list[Event], what: str) -> list[Event]:
    """Return the handlings of an animal or at a den, all of them or those of a day."""
    from densite.errors import RegisterError

    name, day = _split(what)
    of_day, wanted = [event for event in events if day in (None, str(event.date))], name.casefold()
    of_animal = [event for event in of_day if event.animal.casefold() == wanted]
    if found := of_animal or [event for event in of_day if wanted and event.den_label.casefold() == wanted]:
        return found
    if days := [str(event.date) for event in events if wanted and event.animal.casefold() == wanted]:
        raise RegisterError(f"no handling of {name} on {day}; handled on: {', '.join(days)}")
    visit = study.visit(what)  # raises where there is no such visit either
    if found := [event for event in events if event.date == visit.date and event.animal in visit.females]:
        return found
    raise RegisterError(f"no handling of '{what}': give an animal or a den, with or without /DATE; without a name "
                        "`densite handling` lists all")  # fmt: skip


def _split(what: str) -> tuple[str, str | None]:
    """Part a name from the day behind its last stroke."""
    import datetime as dt

    name, _, day = what.strip().rpartition("/")
    try:
        return name.strip(), dt.date.fromisoformat(day.strip()).isoformat()
    except ValueError:
        return what.strip(), None


def _list(judged: list[tuple[Event, Judged]], as_json: bool) -> None:
    from densite.chart import data, line

    if as_json:
        click.echo(json.dumps([data(*one) for one in judged], indent=2, ensure_ascii=False))
    elif judged:
        click.echo("\n".join(line(*one) for one in judged))
    else:
        click.echo("No handlings are recorded.", err=True)


def _show(judged: list[tuple[Event, Judged]], folder: Path, as_json: bool) -> None:
    """Write each handling and its figure; with JSON, the figures' paths stand in it."""
    from densite.chart import data, told
    from densite.figures.timeline import file_name, timeline
    from densite.handlingreview import of_event

    found = []
    for event, one in judged:
        drawn, problems = timeline(event, one, folder, file_name(event)), of_event(event)
        found.append({**data(event, one, problems), "figure": drawn.svg and str(drawn.svg)})
        if not as_json:
            click.echo(f"{told(event, one, problems)}\n\n{drawn.png or drawn.why_not}\n")
    if as_json:
        click.echo(json.dumps(found, indent=2, ensure_ascii=False))


COMMANDS = (handling,)
