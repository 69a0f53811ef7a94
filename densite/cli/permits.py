"""The command of the permit ledger."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.pipeline import Study

KINDS = ("permit", "handling", "mark", "drug", "sample", "cub")


@click.command(short_help="Count every handling against its permits.")
@click.option(
    "--today", type=click.DateTime(["%Y-%m-%d"]), help="Day from which days left are counted.  [default: now]"
)
@click.option("--format", "kind", type=click.Choice(["txt", "csv", "json"]), default="txt", show_default=True,
              help="For people, spreadsheets, programs.")  # fmt: skip
@shared.study_option
def permits(today: dt.datetime | None, kind: str, folder: Path) -> None:
    """For the crew: what was done under each permit, how much is left, and for how many days.

    \b
    Example:  densite permits --study basin
              densite permits --study basin --format csv > permits.csv

    Procedures are those that the crew listed and those that drugs, times, marks, samples and cubs show.
    What exceeds or lacks a permit is listed on stderr, and then the exit code is 1. densite counts what
    records and permits say: permit, animal-care protocol and local law decide what may be done.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        sys.exit(_printed(study, kind, today.date() if today else dt.date.today()))


def _printed(study: Study, kind: str, today: dt.date) -> int:
    """Print the ledger; return 1 if something exceeds or lacks a permit."""
    from densite.permits import findings, ledger
    from densite.permits.shown import as_json, as_text, near_limits
    from densite.samples.vials import as_csv

    frames = [study.records(name) for name in KINDS]
    counted = ledger(*frames, today=today)
    if kind == "txt":
        click.echo(as_text(counted, near_limits(counted, frames[-1]), today=f"{today}"), nl=False)
    else:
        click.echo((as_csv if kind == "csv" else as_json)(counted), nl=False)
    problems = findings(*frames)
    shared.tell(problems)
    return int(bool(problems))


COMMANDS = (permits,)
