"""The command that says who an animal is."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.identity import Identity
    from densite.pipeline import Study


@click.command(short_help="Say who an animal is, from any mark or a piece of one.")
@click.argument("mark", nargs=-1, required=True)
@shared.json_option
@shared.study_option
def animal(mark: tuple[str, ...], as_json: bool, folder: Path) -> None:
    """For the crew: say whose MARK this is, which marks to look for, her dens, litters and measurements.

    \b
    Example:  densite animal 985 112 003 456 781 --study basin
              densite animal red 14
              densite animal 985*781
              densite animal ob31

    MARK is a transponder, ear tag (red 14, L14), tattoo, collar serial or id, or three or more letters or
    digits of one. Several animals may fit: then look at another mark. Exit code 1: nobody was found; what is
    one digit off is listed. Handle animals only under permit and the study's veterinary protocol; wear gloves.
    """
    from densite import identity
    from densite.pipeline import open_study

    query = " ".join(mark)
    with open_study(folder) as study:
        found = _found(study, query)
    click.echo((identity.as_json if as_json else identity.as_text)(query, found))
    sys.exit(all(each.match == identity.SLIP for each in found))


def _found(study: Study, query: str) -> list[Identity]:
    from densite.identity import look_up

    return look_up(
        query, animals=study.records("animal"), marks=study.records("mark"), cubs=study.records("cub"),
        handlings=study.records("handling"), dens=study.frame, visits=study.visits,
    )  # fmt: skip


COMMANDS = (animal,)
