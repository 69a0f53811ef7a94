"""The command that takes another crew's copy of the register into this one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.register.sides import Merged


@click.command(short_help="Take in another crew's copy of the register.")
@click.argument("other", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--settled", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="A file of conflicts, filled in.")  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Show what would happen; change nothing.")
@shared.study_option
def merge(other: Path, settled: Path | None, dry_run: bool, folder: Path) -> None:
    """For crew and analyst: take in what another crew's copy of the register holds.

    \b
    Example:  densite merge north.gpkg --study basin
              densite merge north.gpkg --study basin --settled basin/out/conflicts-north.csv

    The other file is only read. Records are joined by id; what was changed on one side only is taken.
    What both sides changed differently is listed in out/conflicts-OTHER.csv, a row a field: write mine
    or theirs under keep, or a value under value, and hand that file in with --settled. Such a record
    stays as it is here until all its fields are settled; all others are merged at once. Merging twice
    changes nothing. Derived values are not merged. Exit code 1: there are conflicts, or choices
    that came to nothing; the file of choices is then kept as it is.
    """
    from densite.errors import Level
    from densite.pipeline import open_study
    from densite.register.conflicts import read_choices, set_aside, write_conflicts
    from densite.register.merging import merge as merge_into

    choices = read_choices(settled) if settled else {}
    with open_study(folder) as study:
        merged = merge_into(study.register, other, choices=choices, dry_run=dry_run)
        unused = [problem for problem in merged.unheeded if problem.level is Level.WARNING]
        _report(merged)
        if merged.conflicts and not dry_run:
            over = None if unused else settled  # what came to nothing stays readable
            path = write_conflicts(merged.conflicts, study.out, other.stem, settled=over, choices=choices)
            click.echo(f"To settle them: write mine, theirs or a value into {path}, "
                       f"then densite merge {other} --study {folder} --settled {path}", err=True)  # fmt: skip
        elif settled and not unused and not dry_run:
            click.echo(f"All conflicts are settled: file renamed {set_aside(settled).name}")
    sys.exit(bool(merged.conflicts or unused))


def _report(merged: Merged) -> None:
    """Say what was taken, what waits and what a person must settle."""
    for line in merged.lines():
        click.echo(line)
    shared.tell([*merged.doubts, *merged.unheeded])
    for conflict in merged.conflicts[: shared.SHOWN]:
        click.secho(f"conflict: {conflict}", fg="yellow", err=True)
    if len(merged.conflicts) > shared.SHOWN:
        click.echo(f"... and {len(merged.conflicts) - shared.SHOWN} more", err=True)
    if merged.derive and not merged.dry_run:
        click.echo("Dens are new or changed: run `densite derive`.")


COMMANDS = (merge,)
