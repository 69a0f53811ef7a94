"""Commands that list the animals' records with the ids by which they are corrected."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.animalterms import KINDS
from densite.cli import shared

if TYPE_CHECKING:
    import pandas as pd

    from densite.pipeline import Study


@click.command(short_help="List the animals' records of one kind, with their ids.")
@click.argument("kind", type=click.Choice(list(KINDS)))
@click.option("--every", is_flag=True, help="Also what was corrected or withdrawn.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON for a script.")
@shared.study_option
def records(kind: str, every: bool, as_json: bool, folder: Path) -> None:
    """For crew and analyst: list records of animals, handlings, cubs, samples and the like as CSV.

    \b
    Example:  densite records cub --study basin > cubs.csv
              densite records handling --study basin --every

    To correct a record, hand in a file with the whole right row, its record_id under corrects and the
    reason under correction_reason; with yes under withdrawn it is taken back. Both rows are kept.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        show(study, kind, every=every, as_json=as_json)


def show(study: Study, kind: str, *, every: bool, as_json: bool) -> None:
    """Print the records of one kind, as they are or as they were."""
    frame = _listed(study.records(kind, every=every), kind)
    if as_json:
        click.echo(json.dumps(frame.to_dict("records"), indent=2, ensure_ascii=False, default=str))
    else:
        _write(frame)


def _listed(frame: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Choose what a person needs, under the headings of crew files, so that a row can be corrected and handed in."""
    terms = KINDS[kind].terms
    kept = {f"{term.name}_local" if term.kind == "time" else term.name: term.name for term in terms}
    source = frame["source_file"] + " line " + frame["source_line"].astype(str)
    listed = frame[list(kept)].rename(columns=kept).assign(recorded_from=source).reset_index()
    return listed.astype(object).where(listed.notna(), None)


def _write(frame: pd.DataFrame) -> None:
    from densite.intake.rejects import guarded

    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(frame.columns)
    for row in frame.itertuples(index=False):
        writer.writerow("" if value is None else guarded(_cell(value)) for value in row)


def _cell(value: object) -> str:
    return f"{value:.12g}" if isinstance(value, float) else str(value)


COMMANDS = (records,)
