"""The command line: `densite COMMAND`, one file for each kind of user."""

from __future__ import annotations

import sys

import click

from densite.cli import (
    analyst,
    animal,
    available,
    crew,
    cubs,
    handling,
    litters,
    permits,
    planner,
    rasters,
    records,
    samples,
    sheet,
)  # fmt: skip
from densite.errors import DensiteError

EXIT_PROBLEMS = 1
EXIT_WRONG_USE = 2


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="densite", message="densite %(version)s")
def cli() -> None:
    """Den sites from crew files to checked records, covariates, tables and maps.

    \b
    A study, step by step:
      densite new basin --name "Basin study" --crs EPSG:32611 --time-zone America/Boise
      densite intake --study basin winter-2026.csv
      densite derive --study basin
      densite table  --study basin
      densite map    --study basin

    To see it all on invented data: densite demo

    Approach dens only under permit and animal-care protocol. Keep den places secret.
    """


for module in (crew, sheet, animal, handling, cubs, samples, permits, records, analyst, planner, available, rasters):
    for command in module.COMMANDS:
        cli.add_command(command)
for command in litters.COMMANDS:
    cubs.cubs.add_command(command)


def main() -> None:
    """Run the command line; a user's mistake ends in one message, never in a traceback."""
    try:
        cli(standalone_mode=True)
    except DensiteError as error:
        click.echo(f"densite: {error}", err=True)
        sys.exit(EXIT_WRONG_USE)
    except OSError as error:
        click.echo(f"densite: {error.filename or ''}: {error.strerror or error}".replace(": :", ":"), err=True)
        sys.exit(EXIT_WRONG_USE)
