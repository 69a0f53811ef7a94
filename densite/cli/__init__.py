"""The command line: `densite COMMAND`, one file for each kind of user."""

from __future__ import annotations

import gc
import os
import sys

import click

from densite.cli import (
    analyst,
    animal,
    available,
    backup,
    crew,
    cubs,
    export,
    form,
    handling,
    history,
    litters,
    locate,
    merge,
    permits,
    planner,
    rasters,
    records,
    register,
    samples,
    sheet,
)  # fmt: skip
from densite.errors import DensiteError

EXIT_PROBLEMS = 1
EXIT_WRONG_USE = 2
PRIVATE = 0o077  # rights that nobody but the owner gets on what a command writes


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


MODULES = (
    crew, form, locate, history, sheet, animal, handling, cubs, samples, permits, records, export, merge, analyst,
    register,
    backup, planner, available, rasters,
)  # fmt: skip
for module in MODULES:
    for command in module.COMMANDS:
        cli.add_command(command)
for command in litters.COMMANDS:
    cubs.cubs.add_command(command)


def main() -> None:
    """Run the command line; a user's mistake ends in one message, never in a traceback."""
    gc.set_threshold(50_000)  # modules and records stay: looking through them every 700 objects took an eighth of `log`
    before = os.umask(PRIVATE)  # tables, maps and rejected rows hold exact den places
    try:
        cli(standalone_mode=True)
    except DensiteError as error:
        click.echo(f"densite: {error}", err=True)
        sys.exit(EXIT_WRONG_USE)
    except OSError as error:
        click.echo(f"densite: {error.filename or ''}: {error.strerror or error}".replace(": :", ":"), err=True)
        sys.exit(EXIT_WRONG_USE)
    finally:
        os.umask(before)
